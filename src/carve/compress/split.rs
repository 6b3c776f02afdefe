//! Two curves, one above and one below a height, joined smoothly.
//!
//! Each part is taken for a body of its own, with its own median and range. Over the joint the
//! slopes pass from one to the other, so the curve has no corner there:
//!
//! ```text
//! f' = β·w·below' + α·(1 − w)·above'        w = ½(1 − tanh((h − level)/width))
//! ```
//!
//! α and β follow from the share of the relief each part gets.

use super::{KNOTS, rising};
use crate::model::curve::Curve;
use crate::model::grid::Hypsometry;
use crate::model::settings::{CurveShape, ReliefSettings};
use crate::{Error, Problem, Result};

/// Width of the joint as a share of the body's range: a few dozen knots.
const JOINT: f64 = 0.01;

/// The curve from 0 to 1 with a part of its own below `below_m`.
pub(super) fn split(whole: &Hypsometry, settings: &ReliefSettings, below_m: f64) -> Result<Curve> {
    let (low, high) = (whole.min_m(), whole.max_m());
    let room = JOINT * (high - low);
    if !(low + room < below_m && below_m < high - room) {
        return Err(Error::Job(
            Problem::new("the height between the two curves lies outside the grid's heights")
                .setting("relief.below.level")
                .found(format!("{below_m} m"))
                .allowed(format!("{:.0} to {:.0} m", low + room, high - room))
                .next("name a height well inside, or leave it out"),
        ));
    }
    if settings.curve == CurveShape::Knots {
        return Err(Error::Job(
            Problem::new("the knots curve shapes low ground by itself")
                .setting("relief.below.level")
                .found(format!("{below_m} m with curve = \"knots\""))
                .allowed("another curve, or no relief.below.level")
                .next("move the pairs below that height instead"),
        ));
    }
    let under = ReliefSettings {
        curve: settings.below.curve.unwrap_or(settings.curve),
        boost: settings.below.boost.unwrap_or(settings.boost),
        ..settings.clone()
    };
    let below = rising(&part(whole, low, below_m), &under).map_err(of_the_part_below)?;
    let above = rising(&part(whole, below_m, high), settings)?;
    let share = settings
        .below
        .share
        .unwrap_or((below_m - low) / (high - low));
    let knots_m: Vec<f64> = (0..KNOTS)
        .map(|i| low + (high - low) * i as f64 / (KNOTS - 1) as f64)
        .collect();
    // Rises between knots: [below curve, above curve], each with its part of the joint.
    let rises: Vec<[f64; 2]> = knots_m
        .windows(2)
        .map(|ends| {
            let middle = 0.5 * (ends[0] + ends[1]);
            let weight = 0.5 * (1.0 - ((middle - below_m) / room).tanh());
            [
                weight * slope(&below, middle),
                (1.0 - weight) * slope(&above, middle),
            ]
        })
        .collect();
    let mut sums = [[0.0; 2]; 2];
    for (ends, rise) in knots_m.windows(2).zip(&rises) {
        let side = usize::from(0.5 * (ends[0] + ends[1]) > below_m);
        sums[side][0] += rise[0];
        sums[side][1] += rise[1];
    }
    let [[b1, a1], [b2, a2]] = sums;
    let determinant = b1 * a2 - a1 * b2;
    let beta = (share * a2 - (1.0 - share) * a1) / determinant;
    let alpha = ((1.0 - share) * b1 - share * b2) / determinant;
    if !(alpha > 0.0 && beta > 0.0 && alpha.is_finite() && beta.is_finite()) {
        return Err(Error::Job(
            Problem::new("the two curves cannot be joined smoothly with this share")
                .setting("relief.below.share")
                .found(share)
                .allowed("a share nearer to the ground's share of the heights")
                .next("choose a share nearer to 0.5, or leave it out"),
        ));
    }
    let mut sum = 0.0;
    let mut knots_mm = vec![0.0];
    for rise in &rises {
        sum += beta * rise[0] + alpha * rise[1];
        knots_mm.push(sum);
    }
    knots_mm.iter_mut().for_each(|mm| *mm /= sum);
    Ok(Curve {
        name: above.name,
        knots_m,
        knots_mm,
    })
}

/// Errors of the part below name its own settings.
fn of_the_part_below(mut error: Error) -> Error {
    if error.problem().setting_key() == Some("relief.boost") {
        let problem = std::mem::take(error.problem_mut());
        *error.problem_mut() = problem.setting("relief.below.boost");
    }
    error
}

/// The distribution of the ground between two heights.
fn part(whole: &Hypsometry, low: f64, high: f64) -> Hypsometry {
    let (start, end) = (whole.share_below(low), whole.share_below(high));
    let inside = whole
        .heights_m
        .iter()
        .zip(&whole.share)
        .filter(|(m, _)| **m > low && **m < high)
        .map(|(m, share)| (*m, (share - start) / (end - start).max(f64::MIN_POSITIVE)));
    let (mut heights_m, mut share): (Vec<f64>, Vec<f64>) =
        std::iter::once((low, 0.0)).chain(inside).unzip();
    heights_m.push(high);
    share.push(1.0);
    Hypsometry {
        heights_m,
        share,
        mean_m: whole.mean_m,
    }
}

/// Slope at a height, the end's beyond an end.
fn slope(curve: &Curve, height_m: f64) -> f64 {
    let last = curve.knots_m.len() - 1;
    let (low, high) = (curve.knots_m[0], curve.knots_m[last]);
    let step = (high - low) / last as f64;
    let from = height_m.clamp(low, high) - 0.5 * step;
    let from = from.clamp(low, high - step);
    (curve.relief_mm(from + step) - curve.relief_mm(from)) / step
}

#[cfg(test)]
mod tests {
    use crate::carve::compress::unit_curve;
    use crate::model::grid::Hypsometry;
    use crate::model::settings::{CurveShape, ReliefSettings, Settings};
    use approx::assert_relative_eq;

    /// A sea floor spread evenly over −6000..0 m and land falling off over 0..8000 m.
    fn sea_and_land() -> Hypsometry {
        let heights_m: Vec<f64> = (0..=14_000).map(|i| f64::from(i) - 6000.0).collect();
        let share = heights_m
            .iter()
            .map(|m| {
                if *m < 0.0 {
                    0.7 * (m + 6000.0) / 6000.0
                } else {
                    0.7 + 0.3 * (1.0 - (-m / 800.0).exp()) / (1.0 - (-10f64).exp())
                }
            })
            .collect();
        Hypsometry {
            heights_m,
            share,
            mean_m: -1800.0,
        }
    }

    fn settings(share: Option<f64>) -> ReliefSettings {
        let mut relief = Settings::default().relief;
        relief.below.level_m = Some(0.0);
        relief.below.curve = Some(CurveShape::Linear);
        relief.below.share = share;
        relief
    }

    #[test]
    fn each_part_gets_its_share_and_the_curve_rises_throughout() {
        for share in [0.2, 0.4, 0.6] {
            let curve = unit_curve(&sea_and_land(), &settings(Some(share))).unwrap();
            assert!(curve.knots_mm.windows(2).all(|w| w[1] > w[0]));
            let rise = curve.relief_mm(0.0) - curve.lowest_mm();
            assert_relative_eq!(rise, share, epsilon = 2e-3);
            assert_relative_eq!(curve.highest_mm() - curve.lowest_mm(), 1.0, epsilon = 1e-12);
            // Far from the joint the floor is a straight line.
            let slope = |m: f64| curve.relief_mm(m + 100.0) - curve.relief_mm(m);
            assert_relative_eq!(slope(-5000.0), slope(-2000.0), max_relative = 1e-6);
        }
    }

    /// No corner: over the joint the slope changes by small steps only.
    #[test]
    fn the_parts_meet_smoothly() {
        let curve = unit_curve(&sea_and_land(), &settings(Some(0.3))).unwrap();
        let slopes: Vec<f64> = curve.knots_mm.windows(2).map(|w| w[1] - w[0]).collect();
        let (least, most) = slopes
            .iter()
            .fold((f64::MAX, f64::MIN), |(a, b), s| (a.min(*s), b.max(*s)));
        for pair in slopes.windows(2) {
            assert!((pair[1] - pair[0]).abs() < 0.05 * (most - least));
        }
    }

    #[test]
    fn bad_levels_and_dials_say_what_is_allowed() {
        let message =
            |relief: &ReliefSettings| unit_curve(&sea_and_land(), relief).unwrap_err().to_string();
        let mut relief = settings(None);
        relief.below.level_m = Some(9000.0);
        assert_eq!(
            message(&relief),
            "job: relief.below.level: the height between the two curves lies outside the grid's \
             heights; found 9000 m; allowed: -5860 to 7860 m; name a height well inside, or leave \
             it out"
        );
        let mut relief = settings(None);
        relief.below.curve = None;
        relief.below.boost = Some(0.5);
        assert_eq!(
            message(&relief),
            "job: relief.below.boost: the asinh curve cannot have this boost; found 0.5; allowed: \
             1 to 50; 1 is a straight line, 3 brings plains out well"
        );
        let mut relief = settings(None);
        relief.curve = CurveShape::Knots;
        relief.knots = vec![[-6000.0, 0.0], [8000.0, 1.0]];
        assert_eq!(
            message(&relief),
            "job: relief.below.level: the knots curve shapes low ground by itself; found 0 m with \
             curve = \"knots\"; allowed: another curve, or no relief.below.level; move the pairs \
             below that height instead"
        );
    }
}
