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
//!
//! Ground that differs by less may change places. m is therefore made less until the asked share
//! of neighbouring heights keeps its order: counted over pairs of rows and a distance along them,
//! all columns of each, so that turning the planet by whole columns changes nothing.

use super::base::gentleness;
use crate::curve::Curve;
use crate::discs::Discs;
use crate::geometry::direction;
use crate::grid::Grid;
use crate::legible::{Measure, nearest, there, uniform};
use crate::settings::ReliefSettings;
use ndarray::{Array2, Axis};
use rayon::prelude::*;

/// Pairs of rows in which order is counted. More know the share better and take longer; with
/// these, single planets differ from the measured share by a tenth of a point.
const ROW_PAIRS: u64 = 400;

/// Halvings in which the bound is looked for: to a thousandth of the setting.
const HALVINGS: usize = 10;

/// Share of pairs that laying back steep slopes may cost afterwards, as seen on real planets.
const ROOM_FOR_SLOPES: f64 = 0.003;

/// Where less of a window than this is gentle ground, its mean shift is not known.
const LEAST_WEIGHT: f32 = 1e-3;

/// What must be kept, whatever a method wants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Keeping {
    /// How far ground may be moved up or down, as a share of the body's range.
    pub shift: f64,
    /// Least share of neighbouring heights that keep their order.
    pub order: f64,
    /// Neighbours are at most this far apart, radians.
    pub pair_rad: f64,
    /// They differ by more than this, metres.
    pub pair_m: f64,
}

impl Keeping {
    /// As a job asks, on a globe of this radius.
    pub fn of(relief: &ReliefSettings, radius_mm: f64) -> Keeping {
        let measure = Measure::default();
        Keeping {
            shift: relief.shift,
            order: relief.order,
            pair_rad: measure.pair_mm / radius_mm,
            pair_m: measure.pair_m,
        }
    }
}

/// Relief in the curve's mm of ground that a method wants shifted, metres.
pub(super) fn hold(
    grid: &Grid,
    curve: &Curve,
    wanted_m: &Array2<f32>,
    keeping: &Keeping,
) -> Array2<f32> {
    let pairs = pairs(grid, wanted_m, keeping);
    let keeps = |share: f64| {
        let bound = Bound::new(curve, share);
        let kept = pairs.par_iter().filter(|pair| bound.keeps(pair)).count();
        kept as f64 >= (keeping.order + ROOM_FOR_SLOPES).min(1.0) * pairs.len() as f64
    };
    let mut share = keeping.shift;
    if keeping.order > 0.0 && !keeps(share) {
        let mut least = 0.0;
        for _ in 0..HALVINGS {
            let middle = 0.5 * (least + share);
            if keeps(middle) {
                least = middle;
            } else {
                share = middle;
            }
        }
        share = least;
    }
    let bound = Bound::new(curve, share);
    ndarray::Zip::from(&grid.heights_m)
        .and(wanted_m)
        .par_map_collect(|&height_m, &wanted_m| {
            let height_m = f64::from(height_m);
            curve.relief_mm(height_m + bound.shift(f64::from(wanted_m), height_m)) as f32
        })
}

/// Shifts in metres that make the relief a method wants, without what they have in common over a
/// window of the span, and less beside edges as [`layered`](super::layered()) has it: broad swells
/// would use up the bound, and edges cast wider halos.
pub(super) fn shifts(
    grid: &Grid,
    curve: &Curve,
    wanted_mm: &Array2<f64>,
    span_rad: f64,
) -> Array2<f32> {
    let bound = Bound::new(curve, 0.0);
    let mut shifts = ndarray::Zip::from(&grid.heights_m)
        .and(wanted_mm)
        .par_map_collect(|&height_m, &mm| {
            let height_m = f64::from(height_m);
            (bound.height_of(mm, height_m) - height_m) as f32
        });
    let gentle = gentleness(grid, curve, span_rad);
    let discs = Discs::new(grid, 0.5 * span_rad);
    // Of gentle ground only: the far side of an edge has shifts of its own.
    let weighted = discs.mean(&discs.pool(grid, |row, out| {
        let of_row = gentle.row(row).into_iter().zip(shifts.row(row));
        for (out, (gentle, shift)) in out.iter_mut().zip(of_row) {
            *out = gentle * shift;
        }
    }));
    let weights = discs.mean(&discs.pool(grid, |row, out| {
        for (out, gentle) in out.iter_mut().zip(gentle.row(row)) {
            *out = *gentle;
        }
    }));
    shifts
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .zip(gentle.axis_iter(Axis(0)))
        .enumerate()
        .for_each(|(row, (mut line, gentle))| {
            let mut means = [(); 2].map(|()| vec![0f32; grid.columns()]);
            let [shift, weight] = &mut means;
            discs.row(&weighted, row, shift);
            discs.row(&weights, row, weight);
            let means = shift.iter().zip(weight.iter());
            for ((shift, (mean, weight)), gentle) in line.iter_mut().zip(means).zip(gentle) {
                *shift = gentle * (*shift - mean / weight.max(LEAST_WEIGHT));
            }
        });
    shifts
}

/// The lower and the higher of two places: height and wanted shift of each, metres.
type Pair = [(f32, f32); 2];

fn pairs(grid: &Grid, wanted_m: &Array2<f32>, keeping: &Keeping) -> Vec<Pair> {
    let columns = grid.columns();
    (0..ROW_PAIRS)
        .into_par_iter()
        .flat_map_iter(|pair| {
            let draw = |k: u64| uniform(4 * pair + k);
            let here = direction((2.0 * draw(0) - 1.0).asin().to_degrees(), 360.0 * draw(1));
            let there = there(here, keeping.pair_rad, draw(2), draw(3));
            let (a, b) = (nearest(grid, here), nearest(grid, there));
            let aside = (b.1 + columns - a.1) % columns;
            let at = move |row: usize, column: usize| {
                (grid.heights_m[(row, column)], wanted_m[(row, column)])
            };
            (0..columns).filter_map(move |column| {
                let (a, b) = (at(a.0, column), at(b.0, (column + aside) % columns));
                let pair = if a.0 < b.0 { [a, b] } else { [b, a] };
                (f64::from(pair[1].0 - pair[0].0) > keeping.pair_m).then_some(pair)
            })
        })
        .collect()
}

/// The bound on one body.
#[derive(Debug, Clone, Copy)]
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
        let room = (self.high_m - height_m).min(height_m - self.low_m);
        if room <= 0.0 || self.most_m <= 0.0 {
            return 0.0;
        }
        let bound = self.most_m * room / (self.most_m + room);
        bound * wanted_m / bound.hypot(wanted_m)
    }

    fn keeps(&self, [lower, higher]: &Pair) -> bool {
        let moved = |&(height_m, wanted_m): &(f32, f32)| {
            let height_m = f64::from(height_m);
            height_m + self.shift(f64::from(wanted_m), height_m)
        };
        moved(lower) < moved(higher)
    }

    /// The height that the curve carves at `mm`; the nearest to `height_m` where it is flat.
    pub fn height_of(&self, mm: f64, height_m: f64) -> f64 {
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
