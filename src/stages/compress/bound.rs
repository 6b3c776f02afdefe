//! How far a method may move ground: the bound that keeps the order of heights.
//!
//! What a method makes of a place can be said as a shift x of its height before the curve: carved
//! is curve(h + x). With the soft bound
//!
//! ```text
//! s = m·x / √(m² + x²)        relief = curve(h + s)        |s| < m
//! ```
//!
//! ground more than 2m higher than other ground is carved higher, whatever the method wants. m is
//! a share of the body's range; towards the highest and the lowest ground it shrinks to 0 as the
//! room to the end does, so both land exactly on the ends and nothing is clamped.

use crate::curve::Curve;
use crate::grid::Grid;
use ndarray::Array2;

/// The bound on one body.
pub(super) struct Bound<'a> {
    curve: &'a Curve,
    low_m: f64,
    high_m: f64,
    /// m far from the ends, metres.
    pub most_m: f64,
}

impl<'a> Bound<'a> {
    /// `share` is m over the body's range of heights.
    pub fn new(curve: &'a Curve, share: f64) -> Bound<'a> {
        let (low_m, high_m) = (curve.knots_m[0], curve.knots_m[curve.knots_m.len() - 1]);
        Bound {
            curve,
            low_m,
            high_m,
            most_m: share * (high_m - low_m),
        }
    }

    /// s for a shift of x metres wanted at a height.
    pub fn shift(&self, wanted_m: f64, height_m: f64) -> f64 {
        let room = if wanted_m > 0.0 {
            self.high_m - height_m
        } else {
            height_m - self.low_m
        };
        if room <= 0.0 || self.most_m <= 0.0 {
            return 0.0;
        }
        let bound = self.most_m * room / (self.most_m + room);
        bound * wanted_m / bound.hypot(wanted_m)
    }

    /// The relief that a method wants, held to the bound.
    pub fn hold(&self, grid: &Grid, wanted_mm: Array2<f64>) -> Array2<f32> {
        ndarray::Zip::from(&grid.heights_m)
            .and(&wanted_mm)
            .par_map_collect(|&height_m, &mm| {
                let height_m = f64::from(height_m);
                let wanted_m = self.height_of(mm, height_m) - height_m;
                self.curve
                    .relief_mm(height_m + self.shift(wanted_m, height_m)) as f32
            })
    }

    /// The height that the curve carves at `mm`; the nearest to `height_m` where it is flat.
    fn height_of(&self, mm: f64, height_m: f64) -> f64 {
        let knots = &self.curve.knots_mm;
        let last = knots.len() - 1;
        let step = (self.high_m - self.low_m) / last as f64;
        // Where the curve reaches mm, from the knot given.
        let at = |knot: usize| {
            let rise = knots[knot + 1] - knots[knot];
            let part = if rise > 0.0 {
                (mm - knots[knot]) / rise
            } else {
                0.0
            };
            self.low_m + (knot as f64 + part.clamp(0.0, 1.0)) * step
        };
        let first = knots.partition_point(|knot| *knot < mm).clamp(1, last);
        let lowest = at(first - 1);
        if mm != knots[first] {
            return lowest;
        }
        let end = knots.partition_point(|knot| *knot <= mm) - 1;
        height_m.clamp(lowest, self.low_m + end as f64 * step)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Rises, is flat from 2000 to 3000 m, rises again.
    fn curve() -> Curve {
        Curve {
            name: String::new(),
            knots_m: vec![0.0, 1000.0, 2000.0, 3000.0, 4000.0],
            knots_mm: vec![-1.0, 0.0, 2.0, 2.0, 3.0],
        }
    }

    #[test]
    fn heights_come_back_from_the_curve() {
        let curve = curve();
        let bound = Bound::new(&curve, 0.1);
        for height_m in [
            0.0, 1.0, 999.0, 1000.0, 1500.0, 2000.0, 2400.0, 3000.0, 3700.0, 4000.0,
        ] {
            let back = bound.height_of(curve.relief_mm(height_m), height_m);
            assert_abs_diff_eq!(back, height_m, epsilon = 1e-9);
        }
        assert_eq!(bound.height_of(2.0, 500.0), 2000.0);
        assert_eq!(bound.height_of(2.0, 3500.0), 3000.0);
    }

    #[test]
    fn no_shift_passes_the_bound_or_an_end() {
        let curve = curve();
        let bound = Bound::new(&curve, 0.1);
        for height_m in [0.0, 3.0, 700.0, 2000.0, 3999.0, 4000.0] {
            for wanted_m in [-1e6, -300.0, 0.0, 20.0, 1e6] {
                let shift = bound.shift(wanted_m, height_m);
                assert!(shift.abs() <= 400.0 && shift.abs() <= f64::abs(wanted_m));
                assert!((0.0..=4000.0).contains(&(height_m + shift)));
            }
        }
        assert_eq!(bound.shift(1e6, 4000.0), 0.0);
        assert_eq!(bound.shift(-1e6, 0.0), 0.0);
        assert_abs_diff_eq!(bound.shift(1.0, 2000.0), 1.0, epsilon = 1e-4);
    }
}
