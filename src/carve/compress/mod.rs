//! Turns heights into relief: one curve for the whole body.
//!
//! A curve is fitted to the body's area-weighted distribution of heights, never to a face, or
//! neighbours would step at their seams. All shapes are answers to one question: how does the
//! slope fall off away from the median height m?
//!
//! ```text
//! linear    g' = 1
//! asinh     g' = (1 + u²)^(-1/2)          u = (e - m) / s
//! log       g' = (1 + |u|)^(-1)
//! power     g' = (1 + u²)^((p - 1)/2)     p = relief.exponent
//! equalize  g  = (1 - b)·linear + b·(share of the sphere below e)
//! knots     g  = monotone cubic through the given pairs
//! ```
//!
//! The width s (or the share b) follows from one dial: `boost` = g'(m) / linear's slope over the
//! same range, so that curves of different shape are comparable. Relief is then
//! f(e) = range · (g(e) − g(level)) with g scaled to rise from 0 to 1 over the body's heights:
//! zero at the level, and lowest and highest ground exactly at the ends of the range.

mod eased;
mod lean;
mod multiscale;
mod shaped;
mod split;
mod steepest;
mod undercut;

pub use multiscale::{Bands, Scale};
pub use shaped::{Shaped, carved, curved, finished, from_file, global, straight};
pub use steepest::limit_slope;
pub use undercut::{Raised, without_undercuts};

use crate::model::curve::Curve;
use crate::model::grid::Hypsometry;
use crate::model::settings::{CurveShape, Level, ReliefSettings};
use crate::{Error, Problem, Result};

/// Knots of a curve. At 2049 the straight pieces between them stay within 2e-6 of the range of
/// an `asinh` curve of boost 3, and the manifest stays below 100 kB.
pub const KNOTS: usize = 2049;

/// Largest `boost`: above it the steep part would be narrower than a few knots.
pub const LARGEST_BOOST: f64 = 50.0;

/// Spread of the smoothing of `equalize`, in knots: half a per cent of the body's range, so that
/// a plain at one single height becomes a slope and not a step.
const SMOOTHING_KNOTS: f64 = 10.0;

/// The exaggeration curve for a body, with a range of 1 mm; scale it with [`Curve::scaled`].
///
/// # Errors
/// [`Error::Job`] for a dial the shape cannot reach or a level outside the body's heights,
/// [`Error::Grid`] for a body without any range of heights.
pub fn unit_curve(hypsometry: &Hypsometry, settings: &ReliefSettings) -> Result<Curve> {
    let (low, high) = (hypsometry.min_m(), hypsometry.max_m());
    if !(high > low && (high - low).is_finite()) {
        return Err(Error::Grid(
            Problem::new("all ground has the same height")
                .found(format!("{low} m to {high} m"))
                .allowed("a grid with some relief")
                .next("look at the file with `globewright inspect`"),
        ));
    }
    let level_m = level_m(hypsometry, settings)?;
    let mut curve = match settings.below.level_m {
        None => rising(hypsometry, settings)?,
        Some(below_m) => split::split(hypsometry, settings, below_m)?,
    };
    let at_level = curve.relief_mm(level_m);
    for mm in &mut curve.knots_mm {
        *mm -= at_level;
    }
    Ok(curve)
}

/// The curve from 0 to 1 over the heights of a body, or of a part of it taken for a body.
fn rising(hypsometry: &Hypsometry, settings: &ReliefSettings) -> Result<Curve> {
    let (low, high) = (hypsometry.min_m(), hypsometry.max_m());
    let knots_m: Vec<f64> = (0..KNOTS)
        .map(|i| low + (high - low) * i as f64 / (KNOTS - 1) as f64)
        .collect();
    let rise = match settings.curve {
        CurveShape::Linear => knots_m.clone(),
        CurveShape::Equalize => equalized(hypsometry, settings, &knots_m)?,
        CurveShape::Knots => through_pairs(&settings.knots, &knots_m),
        shape => falling_slope(hypsometry, settings, shape, &knots_m)?,
    };
    let (bottom, top) = (rise[0], rise[KNOTS - 1]);
    if !(top > bottom && (top - bottom).is_finite()) {
        return Err(Error::Job(
            Problem::new("the curve is flat over the whole grid")
                .setting("relief.knots")
                .found(format!("no rise between {low:.0} m and {high:.0} m"))
                .allowed("pairs that rise somewhere between the grid's lowest and highest ground")
                .next("add pairs inside that range"),
        ));
    }
    let mut curve = Curve {
        name: name(settings.curve).into(),
        knots_mm: rise.iter().map(|g| (g - bottom) / (top - bottom)).collect(),
        knots_m,
    };
    curve.knots_mm[KNOTS - 1] = 1.0;
    Ok(curve)
}

/// The curve's name as a job file spells it.
pub fn name(shape: CurveShape) -> &'static str {
    match shape {
        CurveShape::Linear => "linear",
        CurveShape::Power => "power",
        CurveShape::Asinh => "asinh",
        CurveShape::Log => "log",
        CurveShape::Equalize => "equalize",
        CurveShape::Knots => "knots",
    }
}

fn level_m(hypsometry: &Hypsometry, settings: &ReliefSettings) -> Result<f64> {
    let (low, high) = (hypsometry.min_m(), hypsometry.max_m());
    match settings.level {
        Level::Mean => Ok(hypsometry.mean_m),
        Level::Metres(level) if (low..=high).contains(&level) => Ok(level),
        Level::Metres(level) => Err(Error::Job(
            Problem::new("the level lies outside the grid's heights")
                .setting("relief.level")
                .found(format!("{level} m"))
                .allowed(format!("{low:.0} to {high:.0} m, or \"mean\""))
                .next("name a height the body has"),
        )),
    }
}

/// Curves whose slope falls off on both sides of the median.
fn falling_slope(
    hypsometry: &Hypsometry,
    settings: &ReliefSettings,
    shape: CurveShape,
    knots_m: &[f64],
) -> Result<Vec<f64>> {
    let boost = settings.boost;
    if !(1.0..=LARGEST_BOOST).contains(&boost) {
        return Err(Error::Job(
            Problem::new(format!("the {} curve cannot have this boost", name(shape)))
                .setting("relief.boost")
                .found(boost)
                .allowed(format!("1 to {LARGEST_BOOST}"))
                .next("1 is a straight line, 3 brings plains out well"),
        ));
    }
    if boost == 1.0 {
        return Ok(knots_m.to_vec());
    }
    let (low, high) = (knots_m[0], knots_m[knots_m.len() - 1]);
    let median = hypsometry.quantile_m(0.5);
    let integral = |u: f64| integrated_slope(shape, settings.exponent, u);
    let boost_of = |width: f64| {
        (high - low)
            / width
            / (integral((high - median) / width) - integral((low - median) / width))
    };
    // Boost falls from ever larger values to 1 as the width grows: halve in the logarithm.
    let (mut narrow, mut wide) = (1e-9 * (high - low), 1e9 * (high - low));
    for _ in 0..200 {
        let middle = (narrow * wide).sqrt();
        if boost_of(middle) > boost {
            narrow = middle;
        } else {
            wide = middle;
        }
    }
    let width = (narrow * wide).sqrt();
    Ok(knots_m
        .iter()
        .map(|m| integral((m - median) / width))
        .collect())
}

/// ∫₀ᵘ of the shape's slope.
fn integrated_slope(shape: CurveShape, exponent: f64, u: f64) -> f64 {
    match shape {
        CurveShape::Asinh => u.asinh(),
        CurveShape::Log => u.signum() * u.abs().ln_1p(),
        CurveShape::Power => {
            // With u = sinh t the integrand becomes coshᵖ t, smooth however narrow the middle.
            // Simpson's rule in steps of 0.05 in t: error far below that of the knots.
            let t = u.asinh();
            let steps = 2 * ((t.abs() / 0.1).ceil() as usize).max(1);
            let step = t / steps as f64;
            let sum: f64 = (0..=steps)
                .map(|i| {
                    let weight = match i {
                        _ if i == 0 || i == steps => 1.0,
                        _ if i % 2 == 1 => 4.0,
                        _ => 2.0,
                    };
                    weight * (step * i as f64).cosh().powf(exponent)
                })
                .sum();
            sum * step / 3.0
        }
        _ => u,
    }
}

/// Equal area, equal relief; smoothed and blended with the straight line.
fn equalized(
    hypsometry: &Hypsometry,
    settings: &ReliefSettings,
    knots_m: &[f64],
) -> Result<Vec<f64>> {
    let cells = knots_m.len() - 1;
    let raw: Vec<f64> = knots_m
        .windows(2)
        .map(|ends| hypsometry.share_below(ends[1]) - hypsometry.share_below(ends[0]))
        .collect();
    let density = smoothed(&raw, SMOOTHING_KNOTS);
    let blend = match settings.blend {
        Some(blend) => blend,
        None => {
            let part = (hypsometry.quantile_m(0.5) - knots_m[0]) / (knots_m[cells] - knots_m[0]);
            let cell = ((part * cells as f64) as usize).min(cells - 1);
            let steepest = density[cell] * cells as f64;
            let blend = (settings.boost - 1.0) / (steepest - 1.0);
            if !(steepest > 1.0 && (0.0..=1.0).contains(&blend)) {
                return Err(Error::Job(
                    Problem::new("the equalize curve cannot have this boost on this grid")
                        .setting("relief.boost")
                        .found(settings.boost)
                        .allowed(format!("1 to {:.2}", steepest.max(1.0)))
                        .next("lower it, or set relief.blend (0 to 1) instead"),
                ));
            }
            blend
        }
    };
    let mut sum = 0.0;
    let mut rise = vec![0.0];
    for share in density {
        sum += (1.0 - blend) / cells as f64 + blend * share;
        rise.push(sum);
    }
    Ok(rise)
}

/// Gaussian smoothing that keeps the sum: what would fall beyond an end is reflected.
fn smoothed(values: &[f64], spread: f64) -> Vec<f64> {
    let reach = (4.0 * spread).ceil() as isize;
    let weights: Vec<f64> = (-reach..=reach)
        .map(|i| (-0.5 * (i as f64 / spread).powi(2)).exp())
        .collect();
    let total: f64 = weights.iter().sum();
    let count = values.len() as isize;
    let reflect = |i: isize| {
        let i = i.rem_euclid(2 * count);
        (if i < count { i } else { 2 * count - 1 - i }) as usize
    };
    (0..count)
        .map(|i| {
            let sum: f64 = weights
                .iter()
                .enumerate()
                .map(|(k, weight)| weight * values[reflect(i + k as isize - reach)])
                .sum();
            sum / total
        })
        .collect()
}

/// Monotone cubic through pairs of metres and millimetres, straight on beyond the outer ones.
///
/// Slopes at the pairs after F. N. Fritsch and J. Butland, "A method for constructing local
/// monotone piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5 (1984), eq. 5.
fn through_pairs(pairs: &[[f64; 2]], knots_m: &[f64]) -> Vec<f64> {
    let last = pairs.len() - 1;
    let width = |i: usize| pairs[i + 1][0] - pairs[i][0];
    let secant = |i: usize| (pairs[i + 1][1] - pairs[i][1]) / width(i);
    let slope: Vec<f64> = (0..=last)
        .map(|i| {
            if i == 0 {
                return secant(0);
            }
            if i == last {
                return secant(last - 1);
            }
            let (before, after) = (secant(i - 1), secant(i));
            if before * after <= 0.0 {
                return 0.0;
            }
            let (h0, h1) = (width(i - 1), width(i));
            let alpha = (h0 + 2.0 * h1) / (3.0 * (h0 + h1));
            before * after / (alpha * after + (1.0 - alpha) * before)
        })
        .collect();
    knots_m
        .iter()
        .map(|&m| {
            if m <= pairs[0][0] {
                return pairs[0][1] + slope[0] * (m - pairs[0][0]);
            }
            if m >= pairs[last][0] {
                return pairs[last][1] + slope[last] * (m - pairs[last][0]);
            }
            let i = pairs.partition_point(|p| p[0] <= m) - 1;
            let (h, t) = (width(i), (m - pairs[i][0]) / width(i));
            let (t2, t3) = (t * t, t * t * t);
            (2.0 * t3 - 3.0 * t2 + 1.0) * pairs[i][1]
                + (t3 - 2.0 * t2 + t) * h * slope[i]
                + (3.0 * t2 - 2.0 * t3) * pairs[i + 1][1]
                + (t3 - t2) * h * slope[i + 1]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn settings(curve: CurveShape, boost: f64) -> ReliefSettings {
        ReliefSettings {
            curve,
            boost,
            knots: vec![[-4000.0, 0.0], [0.0, 3.0], [1000.0, 3.5], [9000.0, 6.0]],
            ..crate::model::settings::Settings::default().relief
        }
    }

    /// Most ground near 0 m, a long tail of heights: the share falls off exponentially.
    fn plains_and_peaks() -> Hypsometry {
        let heights_m: Vec<f64> = (0..=14_000).map(|i| f64::from(i) - 4000.0).collect();
        let mut share: Vec<f64> = heights_m
            .iter()
            .map(|m| {
                if *m < 0.0 {
                    0.5 * (m / 700.0).exp()
                } else {
                    1.0 - 0.5 * (-m / 1500.0).exp()
                }
            })
            .collect();
        share[0] = 0.0;
        *share.last_mut().unwrap() = 1.0;
        Hypsometry {
            heights_m,
            share,
            mean_m: 400.0,
        }
    }

    const SHAPES: [CurveShape; 6] = [
        CurveShape::Linear,
        CurveShape::Power,
        CurveShape::Asinh,
        CurveShape::Log,
        CurveShape::Equalize,
        CurveShape::Knots,
    ];

    #[test]
    fn every_curve_rises_lands_on_its_ends_and_is_zero_at_the_level() {
        let ground = plains_and_peaks();
        for shape in SHAPES {
            for level in [Level::Mean, Level::Metres(-1234.5)] {
                let settings = ReliefSettings {
                    level,
                    ..settings(shape, 3.0)
                };
                let curve = unit_curve(&ground, &settings).unwrap();
                assert!(curve.knots_mm.windows(2).all(|w| w[1] >= w[0]), "{shape:?}");
                assert_relative_eq!(curve.highest_mm() - curve.lowest_mm(), 1.0, epsilon = 1e-14);
                assert_eq!(
                    (curve.knots_m[0], curve.knots_m[KNOTS - 1]),
                    (-4000.0, 10_000.0)
                );
                let level_m = if level == Level::Mean { 400.0 } else { -1234.5 };
                assert_relative_eq!(curve.relief_mm(level_m), 0.0, epsilon = 1e-15);
            }
        }
    }

    #[test]
    fn boost_is_the_slope_at_the_median_against_the_straight_line() {
        let ground = plains_and_peaks();
        let median = ground.quantile_m(0.5);
        for shape in [
            CurveShape::Power,
            CurveShape::Asinh,
            CurveShape::Log,
            CurveShape::Equalize,
        ] {
            for boost in [1.0, 1.5, 3.0] {
                let curve = unit_curve(&ground, &settings(shape, boost)).unwrap();
                // Across the knots on either side of the median; the logarithm has a corner there.
                let reach = 14_000.0 / 2048.0;
                let slope = (curve.relief_mm(median + reach) - curve.relief_mm(median - reach))
                    / (2.0 * reach);
                assert_relative_eq!(slope * 14_000.0, boost, max_relative = 0.02);
            }
        }
    }

    #[test]
    fn power_matches_its_closed_form_where_there_is_one() {
        // p = 1 is the straight line, p = 0 the inverse hyperbolic sine.
        for u in [-300.0, -2.0, -0.1, 0.0, 0.7, 40.0] {
            assert_relative_eq!(
                integrated_slope(CurveShape::Power, 1.0, u),
                u,
                max_relative = 1e-6
            );
            assert_relative_eq!(
                integrated_slope(CurveShape::Power, 0.0, u),
                f64::asinh(u),
                max_relative = 1e-12
            );
        }
    }

    #[test]
    fn equalize_gives_equal_relief_to_equal_area() {
        let ground = plains_and_peaks();
        let full = ReliefSettings {
            blend: Some(1.0),
            ..settings(CurveShape::Equalize, 3.0)
        };
        let curve = unit_curve(&ground, &full).unwrap();
        for share in [0.1, 0.25, 0.5, 0.75, 0.9] {
            let relief = curve.relief_mm(ground.quantile_m(share)) - curve.lowest_mm();
            assert_relative_eq!(relief, share, epsilon = 0.01);
        }
        let none = ReliefSettings {
            blend: Some(0.0),
            ..full
        };
        let straight = unit_curve(&ground, &settings(CurveShape::Linear, 1.0)).unwrap();
        let blended = unit_curve(&ground, &none).unwrap();
        for (a, b) in straight.knots_mm.iter().zip(&blended.knots_mm) {
            assert_relative_eq!(a, b, epsilon = 1e-12);
        }
    }

    #[test]
    fn knots_pass_through_the_pairs_and_never_overshoot() {
        let ground = plains_and_peaks();
        let curve = unit_curve(&ground, &settings(CurveShape::Knots, 3.0)).unwrap();
        // The pairs span -4000..9000 m; beyond, the last slope (2.5 mm in 8000 m) goes on.
        let total = 6.0 + 2.5 / 8000.0 * 1000.0;
        let from_bottom = |m: f64| (curve.relief_mm(m) - curve.lowest_mm()) * total;
        for [m, mm] in settings(CurveShape::Knots, 3.0).knots {
            assert_relative_eq!(from_bottom(m), mm, epsilon = 1e-4);
        }
    }

    #[test]
    fn bad_dials_say_what_is_allowed() {
        let ground = plains_and_peaks();
        let fails =
            |settings: ReliefSettings| unit_curve(&ground, &settings).unwrap_err().to_string();
        assert_eq!(
            fails(settings(CurveShape::Asinh, 0.5)),
            "job: relief.boost: the asinh curve cannot have this boost; found 0.5; \
             allowed: 1 to 50; 1 is a straight line, 3 brings plains out well"
        );
        assert_eq!(
            fails(ReliefSettings {
                level: Level::Metres(2e4),
                ..settings(CurveShape::Asinh, 3.0)
            }),
            "job: relief.level: the level lies outside the grid's heights; found 20000 m; \
             allowed: -4000 to 10000 m, or \"mean\"; name a height the body has"
        );
        assert!(fails(settings(CurveShape::Equalize, 40.0)).starts_with(
            "job: relief.boost: the equalize curve cannot have this boost on this grid; found 40; \
             allowed: 1 to "
        ));
        let flat = Hypsometry {
            heights_m: vec![7.0],
            share: vec![1.0],
            mean_m: 7.0,
        };
        assert_eq!(
            unit_curve(&flat, &settings(CurveShape::Linear, 1.0))
                .unwrap_err()
                .to_string(),
            "grid: all ground has the same height; found 7 m to 7 m; allowed: a grid with some \
             relief; look at the file with `globewright inspect`"
        );
    }
}
