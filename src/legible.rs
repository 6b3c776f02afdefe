//! What a hand and a raking light can find: figures by which exaggerations are compared.
//!
//! * **Legible area**: share of the sphere where the standard deviation of carved height within a
//!   window 5 mm wide is at least 0.10 mm. Less is lost between the ridges a ball-nose bit leaves.
//!   The window is the disc with the area of a 5 mm square, the same at every latitude.
//! * **Steepness**: angle between the carved surface and the ball, by central differences.
//! * **Order kept**: of random pairs of places at most 30 mm apart whose heights differ by more
//!   than 500 m, the share in which the higher one is carved higher.

use crate::discs::Discs;
use crate::geometry::direction;
use crate::grid::{Grid, Hypsometry};
use glam::DVec3;
use rayon::prelude::*;
use serde::Serialize;
use std::f64::consts::{PI, TAU};

/// What counts as legible.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measure {
    /// Width of the window on the surface, mm.
    pub window_mm: f64,
    /// Least standard deviation of carved height in it, mm.
    pub least_mm: f64,
    /// Slopes above this count as steep, degrees.
    pub steep_deg: f64,
    /// Pairs lie at most this far apart, mm.
    pub pair_mm: f64,
    /// Pairs differ by more than this, metres.
    pub pair_m: f64,
}

impl Default for Measure {
    fn default() -> Self {
        Measure {
            window_mm: 5.0,
            least_mm: 0.10,
            steep_deg: 60.0,
            pair_mm: 30.0,
            pair_m: 500.0,
        }
    }
}

/// Pairs drawn for the order; the share kept is then known to about 0.02 points.
const PAIRS: u64 = 400_000;

/// The figures of one relief. Shares are of the sphere's area, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Legibility {
    /// Share where the relief can be felt.
    pub legible_share: f64,
    /// The same within the lower half of the ground.
    pub legible_low_share: f64,
    /// Share steeper than the limit.
    pub steep_share: f64,
    /// Steepest slope, degrees.
    pub steepest_deg: f64,
    /// Share of pairs that keep their order; 1 if there are no pairs.
    pub order_kept: f64,
}

/// Measures a relief in mm against the heights it was made from, on the same grid.
pub fn measure(ground: &Grid, relief_mm: &Grid, radius_mm: f64, measure: &Measure) -> Legibility {
    let hypsometry_median = Hypsometry::of_grid(ground).quantile_m(0.5);
    measure_with_median(ground, relief_mm, radius_mm, measure, hypsometry_median)
}

/// As [`measure`], with the area-weighted median height known.
pub fn measure_with_median(
    ground: &Grid,
    relief_mm: &Grid,
    radius_mm: f64,
    measure: &Measure,
    median_m: f64,
) -> Legibility {
    let (legible_share, legible_low_share) =
        legible_shares(ground, relief_mm, radius_mm, measure, median_m);
    let (steep_share, steepest_deg) = steepness(relief_mm, radius_mm, measure.steep_deg);
    Legibility {
        legible_share,
        legible_low_share,
        steep_share,
        steepest_deg,
        order_kept: order_kept(ground, relief_mm, radius_mm, measure),
    }
}

/// Share of the sphere where the relief can be felt, and the same within the lower half of the
/// ground; `median_m` is the area-weighted median height.
pub fn legible_shares(
    ground: &Grid,
    relief_mm: &Grid,
    radius_mm: f64,
    measure: &Measure,
    median_m: f64,
) -> (f64, f64) {
    // The disc with the area of the square.
    let discs = Discs::new(relief_mm, measure.window_mm / PI.sqrt() / radius_mm);
    let line = |row: usize, out: &mut [f32]| {
        for (out, &mm) in out.iter_mut().zip(relief_mm.heights_m.row(row)) {
            *out = mm;
        }
    };
    let mean = discs.mean(&discs.pool(relief_mm, line));
    let square = discs.mean(&discs.pool(relief_mm, |row, out| {
        line(row, out);
        out.iter_mut().for_each(|mm| *mm *= *mm);
    }));
    let least = measure.least_mm.powi(2);
    let mut variance = square;
    variance.zip_mut_with(&mean, |square, mean| *square -= mean * mean);
    let parts: Vec<[f64; 4]> = (0..relief_mm.rows())
        .into_par_iter()
        .map(|row| {
            let mut line = vec![0f32; relief_mm.columns()];
            discs.row(&variance, row, &mut line);
            let area = ground.area_weight(row);
            let mut sums = [0.0; 4];
            for (variance, &height) in line.iter().zip(ground.heights_m.row(row)) {
                let felt = f64::from(*variance) >= least;
                let low = f64::from(height) <= median_m;
                for (sum, counts) in sums.iter_mut().zip([true, felt, low, low && felt]) {
                    *sum += if counts { area } else { 0.0 };
                }
            }
            sums
        })
        .collect();
    let mut sums = [0.0; 4];
    for part in parts {
        sums.iter_mut()
            .zip(part)
            .for_each(|(sum, part)| *sum += part);
    }
    (sums[1] / sums[0], sums[3] / sums[2].max(f64::MIN_POSITIVE))
}

/// Share of the sphere steeper than a limit, and the steepest slope in degrees.
pub fn steepness(relief_mm: &Grid, radius_mm: f64, limit_deg: f64) -> (f64, f64) {
    let limit = limit_deg.to_radians().tan().powi(2);
    let rows: Vec<(f64, f64)> = (0..relief_mm.rows())
        .into_par_iter()
        .map(|row| {
            let (mut steep, mut most) = (0u64, 0f64);
            for slope2 in slopes_squared(relief_mm, row, radius_mm) {
                steep += u64::from(slope2 > limit);
                most = most.max(slope2);
            }
            (steep as f64 * relief_mm.area_weight(row), most)
        })
        .collect();
    let share = rows.iter().map(|row| row.0).sum();
    let most = rows.iter().fold(0f64, |most, row| most.max(row.1));
    (share, most.sqrt().atan().to_degrees())
}

/// Squared slope (mm per mm) at every sample of a row, by central differences.
pub(crate) fn slopes_squared(relief_mm: &Grid, row: usize, radius_mm: f64) -> Vec<f64> {
    let (rows, columns) = (relief_mm.rows(), relief_mm.columns());
    let heights = &relief_mm.heights_m;
    let half = columns / 2;
    let dy = radius_mm * relief_mm.step_lat_deg().to_radians();
    let circle = radius_mm * relief_mm.lat_deg(row).to_radians().cos().max(0.0);
    let dx = circle * relief_mm.step_lon_deg().to_radians();
    // Near a pole columns crowd: look as far to the sides as to the next row.
    let aside = ((dy / dx.max(1e-12)).round().max(1.0) as usize).min(half.max(1) / 2 + 1);
    let run = 2.0 * circle * (aside as f64 * relief_mm.step_lon_deg().to_radians()).sin();
    let up = |column: usize| match row {
        0 => heights[(0, (column + half) % columns)],
        _ => heights[(row - 1, column)],
    };
    let down = |column: usize| match row + 1 {
        next if next == rows => heights[(row, (column + half) % columns)],
        next => heights[(next, column)],
    };
    (0..columns)
        .map(|column| {
            let east = heights[(row, (column + aside) % columns)];
            let west = heights[(row, (column + columns - aside) % columns)];
            let x = if run > 1e-9 {
                f64::from(east - west) / run
            } else {
                0.0
            };
            let y = f64::from(up(column) - down(column)) / (2.0 * dy);
            x * x + y * y
        })
        .collect()
}

/// Share of seeded random pairs that keep their order.
fn order_kept(ground: &Grid, relief_mm: &Grid, radius_mm: f64, measure: &Measure) -> f64 {
    let widest = (measure.pair_mm / radius_mm).min(PI);
    let (pairs, kept) = (0..PAIRS)
        .into_par_iter()
        .map(|pair| {
            let draw = |k: u64| uniform(4 * pair + k);
            let here = direction((2.0 * draw(0) - 1.0).asin().to_degrees(), 360.0 * draw(1));
            let there = there(here, widest, draw(2), draw(3));
            let (a, b) = (nearest(ground, here), nearest(ground, there));
            let rise = ground.heights_m[a] - ground.heights_m[b];
            if f64::from(rise.abs()) <= measure.pair_m {
                return (0u64, 0u64);
            }
            let carved = relief_mm.heights_m[a] - relief_mm.heights_m[b];
            (1, u64::from(carved * rise > 0.0))
        })
        .reduce(|| (0, 0), |a, b| (a.0 + b.0, a.1 + b.1));
    if pairs == 0 {
        1.0
    } else {
        kept as f64 / pairs as f64
    }
}

/// A direction evenly drawn over the cap around another, by two numbers in 0..1.
pub(crate) fn there(here: DVec3, widest_rad: f64, near: f64, around: f64) -> DVec3 {
    let angle = (1.0 - near * (1.0 - widest_rad.cos())).acos();
    let aside = here.any_orthonormal_vector();
    let along = aside * (TAU * around).cos() + here.cross(aside) * (TAU * around).sin();
    here * angle.cos() + along * angle.sin()
}

/// The sample nearest to a direction.
pub(crate) fn nearest(grid: &Grid, towards: DVec3) -> (usize, usize) {
    let lat = towards.z.clamp(-1.0, 1.0).asin().to_degrees();
    let lon = towards.y.atan2(towards.x).to_degrees();
    let row = ((grid.north_deg() - lat) / grid.step_lat_deg())
        .round()
        .max(0.0) as usize;
    let column = ((lon - grid.west_deg) / grid.step_lon_deg()).round();
    let column = column.rem_euclid(grid.columns() as f64) as usize;
    (row.min(grid.rows() - 1), column.min(grid.columns() - 1))
}

/// The k-th of a fixed sequence of numbers in 0..1 (splitmix64; Steele, Lea, Flood 2014).
pub(crate) fn uniform(k: u64) -> f64 {
    let mut z = k.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::discs::tests::grid_of;
    use approx::assert_abs_diff_eq;

    /// Closed form: a plane of slope g has a standard deviation of g·r/2 in a disc of radius r.
    /// The height z = g·R·(d·axis) is such a plane around the great circle square to the axis.
    #[test]
    fn a_slope_is_legible_where_its_deviation_reaches_the_limit() {
        let radius_mm = 100.0;
        let disc = 5.0 / PI.sqrt();
        for axis in [DVec3::Z, DVec3::X, DVec3::new(0.48, 0.64, 0.6)] {
            // slope(α) = g·cos α at angle α from that circle: legible where cos α ≥ 0.8, so in
            // the belt sin α ≤ 0.6, six tenths of the sphere.
            let g = 0.1 / (disc / 2.0) / 0.8;
            let relief = grid_of(1440, |d| g * radius_mm * axis.dot(d));
            let figures = measure(&relief, &relief, radius_mm, &Measure::default());
            assert_abs_diff_eq!(figures.legible_share, 0.6, epsilon = 0.01);
            // The steepest slope is on that circle.
            assert_abs_diff_eq!(figures.steepest_deg, g.atan().to_degrees(), epsilon = 0.01);
            assert_eq!(figures.steep_share, 0.0);
        }
    }

    /// Closed form: at angle α from the circle square to the axis the slope is g·cos α.
    #[test]
    fn steep_area_is_the_belt_where_the_slope_passes_the_limit() {
        let g = 60f64.to_radians().tan() / 0.6;
        for axis in [DVec3::Z, DVec3::Y, DVec3::new(0.6, 0.0, 0.8)] {
            let relief = grid_of(720, |d| g * 100.0 * axis.dot(d));
            let (share, _) = steepness(&relief, 100.0, 60.0);
            assert_abs_diff_eq!(share, 0.8, epsilon = 0.005);
        }
    }

    #[test]
    fn order_is_kept_by_a_rising_curve_and_lost_by_a_falling_one() {
        let ground = grid_of(360, |d| 9000.0 * (5.0 * d.x).sin() * (4.0 * d.z).cos());
        let carved = |f: fn(f32) -> f32| {
            let mut grid = ground.clone();
            grid.heights_m.mapv_inplace(f);
            measure(&ground, &grid, 100.0, &Measure::default()).order_kept
        };
        assert_eq!(carved(|m| (m / 500.0).asinh()), 1.0);
        assert_eq!(carved(|m| -m), 0.0);
        // Folded at 0: pairs on one side keep their order, on the other they lose it.
        let folded = carved(f32::abs);
        assert!((0.4..0.6).contains(&folded), "{folded}");
    }
}
