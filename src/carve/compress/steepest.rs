//! Limits the steepest slope of a finished relief.
//!
//! Of all surfaces whose slope stays below L, the highest that lies nowhere above the relief h
//! and the lowest that lies nowhere below it are (E. J. McShane, "Extension of range of
//! functions", Bull. Amer. Math. Soc. 40, 1934)
//!
//! ```text
//! under(x) = min over y of h(y) + L·|x − y|        over(x) = max over y of h(y) − L·|x − y|
//! ```
//!
//! Half-way between them lies a surface that obeys the limit, cuts crests as much as it fills
//! hollows, and equals h wherever h is gentle. It cuts the highest ground and fills the lowest, too,
//! if they are narrow; they must land on the ends of the range, so both are put back, with a cone of
//! slope L around each. Distances are summed along steps to the eight
//! neighbours on the ground (chamfer distance, G. Borgefors 1986), in sweeps over the rows.

use crate::model::extremes::{greater, lesser};
use crate::model::grid::Grid;
use rayon::join;

/// Steps in eight directions bound slopes in an octagon; this brings its corners inside the
/// circle: the cosine of half the widest gap, where the slanting step is half as wide again as
/// high. Slopes in other directions end up to 12 % below the limit.
const OCTAGON: f64 = 0.88;

/// Sweeps down and up at most; two settle all but paths that wind round a pole.
const ROUNDS: usize = 6;

/// A sweep that changes no height by more than this ends the work, mm.
const SETTLED_MM: f32 = 1e-4;

/// Makes no slope of a relief in mm steeper than `limit_deg`, on a ball of this radius.
///
/// Its highest and lowest samples keep their heights: a cone of the limit's slope is left around
/// each that the middle surface would have cut or filled. Where highest and lowest ground lie so
/// near each other that no surface within the limit joins them, those cones get the least slope
/// that does.
pub fn limit_slope(relief_mm: &mut Grid, radius_mm: f64, limit_deg: f64) {
    let slope = limit_deg.to_radians().tan() * OCTAGON;
    let steps = Steps::new(relief_mm, radius_mm, slope);
    let (high, low) = ends(relief_mm.heights_m.iter());
    let mut limited = middle(relief_mm, &steps);
    let lifted = pin(relief_mm, &mut limited, &steps, (high, low));
    if lifted > low {
        // The cone around the highest ground stands this high over the lowest: the distance
        // between the two follows, and the slope that joins them.
        let steeper = f64::from(high - low) / f64::from((high - lifted).max(f32::MIN_POSITIVE));
        // A hair more, for rounding.
        let steps_of_pins = Steps::new(relief_mm, radius_mm, slope * steeper * 1.001);
        limited = middle(relief_mm, &steps);
        pin(relief_mm, &mut limited, &steps_of_pins, (high, low));
    }
    for (mm, limited) in relief_mm.heights_m.iter_mut().zip(limited) {
        *mm = limited;
    }
}

/// The surface half-way between the one under the relief and the one over it.
fn middle(relief_mm: &Grid, steps: &Steps) -> Vec<f32> {
    let mut under: Vec<f32> = relief_mm.heights_m.iter().copied().collect();
    let mut over: Vec<f32> = relief_mm.heights_m.iter().map(|mm| -mm).collect();
    join(|| steps.settle(&mut under), || steps.settle(&mut over));
    for (u, o) in under.iter_mut().zip(&over) {
        *u = 0.5 * (*u - o);
    }
    under
}

/// Puts the lowest and then the highest samples back, with the cones they need around them; tells
/// how high the lowest of the former then is.
///
/// A surface within the limit, lowered to cones that are within it too, stays so, and likewise
/// raised: both are the lesser or greater of two such surfaces.
fn pin(relief_mm: &Grid, limited: &mut [f32], steps: &Steps, (high, low): (f32, f32)) -> f32 {
    let put_back = |limited: &mut [f32], end: f32, sign: f32| {
        for (mm, &before) in limited.iter_mut().zip(&relief_mm.heights_m) {
            *mm = sign * if before == end { end } else { *mm };
        }
    };
    if ends(limited.iter()).1 > low {
        put_back(limited, low, 1.0);
        steps.settle(limited);
    }
    if ends(limited.iter()).0 < high {
        // Upside down, so that settling raises.
        put_back(limited, high, -1.0);
        steps.settle(limited);
        limited.iter_mut().for_each(|mm| *mm = -*mm);
    }
    let lowest = limited.iter().zip(&relief_mm.heights_m);
    let lowest = lowest.filter(|(_, before)| **before == low);
    lowest.fold(f32::MAX, |least, (mm, _)| least.min(*mm))
}

/// Highest and lowest.
fn ends<'a>(heights: impl Iterator<Item = &'a f32>) -> (f32, f32) {
    heights.fold((f32::MIN, f32::MAX), |(high, low), &mm| {
        (high.max(mm), low.min(mm))
    })
}

/// How far heights may differ between neighbours, mm.
struct Steps {
    rows: usize,
    columns: usize,
    /// Along each row.
    along: Vec<f32>,
    /// To the next row straight on.
    down: f32,
    /// From each row to the next aslant: columns to the side and height.
    slant: Vec<(usize, f32)>,
    /// Over the poles from the first and last row.
    across: [f32; 2],
}

impl Steps {
    fn new(grid: &Grid, radius_mm: f64, slope: f64) -> Steps {
        let (rows, columns) = (grid.rows(), grid.columns());
        let dy = radius_mm * grid.step_lat_deg().to_radians();
        let dx = |lat_deg: f64| {
            radius_mm * lat_deg.to_radians().cos().max(0.0) * grid.step_lon_deg().to_radians()
        };
        let slant = (0..rows - 1)
            .map(|row| {
                let dx = dx(0.5 * (grid.lat_deg(row) + grid.lat_deg(row + 1)));
                let aside = (dy / dx.max(1e-12))
                    .round()
                    .clamp(1.0, (columns / 4).max(1) as f64);
                (aside as usize, (slope * (aside * dx).hypot(dy)) as f32)
            })
            .collect();
        let across = [grid.lat_deg(0), -grid.lat_deg(rows - 1)]
            .map(|lat| (slope * radius_mm * 2.0 * (90.0 - lat).to_radians()) as f32);
        Steps {
            rows,
            columns,
            along: (0..rows)
                .map(|row| (slope * dx(grid.lat_deg(row))) as f32)
                .collect(),
            down: (slope * dy) as f32,
            slant,
            across,
        }
    }

    /// The highest surface under the given one that obeys the limit.
    fn settle(&self, heights: &mut [f32]) {
        for _ in 0..ROUNDS {
            let mut change = self.cross_pole(heights, 0, self.across[0]);
            change = change.max(self.along_row(heights, 0));
            for row in 1..self.rows {
                let (before, after) = heights.split_at_mut(row * self.columns);
                let from = &before[(row - 1) * self.columns..];
                change = change.max(self.step(from, &mut after[..self.columns], row - 1));
                change = change.max(self.along_row(heights, row));
            }
            let last = self.rows - 1;
            change = change.max(self.cross_pole(heights, last, self.across[1]));
            change = change.max(self.along_row(heights, last));
            for row in (0..last).rev() {
                let (before, after) = heights.split_at_mut((row + 1) * self.columns);
                let to = &mut before[row * self.columns..];
                change = change.max(self.step(&after[..self.columns], to, row));
                change = change.max(self.along_row(heights, row));
            }
            if change <= SETTLED_MM {
                break;
            }
        }
    }

    /// Lowers a row to what its neighbour row allows; `gap` is the upper of the two.
    fn step(&self, from: &[f32], to: &mut [f32], gap: usize) -> f32 {
        let (aside, slant) = self.slant[gap];
        // Never more than a quarter of the row: where it goes round, it does so on one side.
        let inner = self.columns - 2 * aside;
        let (first, rest) = to.split_at_mut(aside);
        let (middle, last) = rest.split_at_mut(inner);
        let mut change = 0f32;
        for (to, straight, east, west) in [
            (first, 0, aside, self.columns - aside),
            (middle, aside, 2 * aside, 0),
            (last, aside + inner, 0, inner),
        ] {
            let (straight, east, west) = (&from[straight..], &from[east..], &from[west..]);
            let aslant = east.iter().zip(west);
            for (to, (straight, (east, west))) in to.iter_mut().zip(straight.iter().zip(aslant)) {
                let bound = lesser(straight + self.down, lesser(*east, *west) + slant);
                change = greater(change, *to - bound);
                *to = lesser(*to, bound);
            }
        }
        change
    }

    /// Once round each way from the row's lowest place, which nothing can lower.
    fn along_row(&self, heights: &mut [f32], row: usize) -> f32 {
        let line = &mut heights[row * self.columns..(row + 1) * self.columns];
        let step = self.along[row];
        // Most rows keep the limit, and to see that takes a fraction of going round.
        let apart = |a: f32, b: f32| greater(a - (b + step), b - (a + step));
        let ends = apart(line[0], line[line.len() - 1]);
        let beside = line.iter().zip(&line[1..]);
        if beside.fold(ends, |most, (a, b)| greater(most, apart(*a, *b))) <= 0.0 {
            return 0.0;
        }
        let lowest = (0..line.len()).fold(0, |low, i| if line[i] < line[low] { i } else { low });
        let mut change = 0f32;
        let mut bound = line[lowest];
        let (west, east) = line.split_at_mut(lowest);
        for mm in east.iter_mut().chain(west.iter_mut()) {
            change = change.max(*mm - bound);
            *mm = mm.min(bound);
            bound = *mm + step;
        }
        bound = line[lowest];
        let (west, east) = line.split_at_mut(lowest + 1);
        for mm in west.iter_mut().rev().chain(east.iter_mut().rev()) {
            change = change.max(*mm - bound);
            *mm = mm.min(bound);
            bound = *mm + step;
        }
        change
    }

    fn cross_pole(&self, heights: &mut [f32], row: usize, step: f32) -> f32 {
        let half = self.columns / 2;
        let line = &mut heights[row * self.columns..(row + 1) * self.columns];
        let before = line.to_vec();
        let mut change = 0f32;
        for (column, mm) in line.iter_mut().enumerate() {
            let bound = before[(column + half) % before.len()] + step;
            change = change.max(*mm - bound);
            *mm = mm.min(bound);
        }
        change
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;
    use crate::sphere::figures::steepness;
    use crate::sphere::lattice::Field;
    use crate::testing::grid_of;
    use approx::assert_abs_diff_eq;

    /// An isolated cone 3 mm high and of slope 4 becomes one of the limit's slope with the same
    /// summit, half cut and half filled around it, at the equator, in between and at the pole.
    #[test]
    fn a_steep_cone_is_laid_back_and_keeps_its_summit() {
        for lat in [0.0, 50.0, 80.0, 90.0] {
            let peak = direction(lat, 10.25);
            let cone = |d: glam::DVec3| (3.0 - 4.0 * 100.0 * d.angle_between(peak)).max(0.0);
            let mut relief = grid_of(2880, cone);
            let before = relief.clone();
            let highest = ends(relief.heights_m.iter()).0;
            limit_slope(&mut relief, 100.0, 45.0);
            // Between one-sided differences to two sides of a crest: single samples.
            let (steep, _) = steepness(&Field::from(relief.clone()), 100.0, 45.5);
            assert!(steep < 1e-5, "{lat}: {steep}");
            let (high, low) = ends(relief.heights_m.iter());
            assert_eq!((high, low), (highest, 0.0));
            // Four millimetres away nothing has changed.
            for ((row, column), mm) in relief.heights_m.indexed_iter() {
                let d = direction(relief.lat_deg(row), relief.lon_deg(column));
                if d.angle_between(peak) > 0.04 {
                    assert_eq!(*mm, before.heights_m[(row, column)]);
                }
            }
        }
    }

    /// A narrow peak and a narrow pit, one steep as a wall: both keep their last hundredth.
    #[test]
    fn highest_and_lowest_ground_keep_their_heights_exactly() {
        for (peak, pit) in [
            (direction(18.0, 226.0), direction(-33.0, 62.0)),
            // Two millimetres apart; 45 degrees would need six.
            (direction(50.0, 10.0), direction(50.0, 11.8)),
        ] {
            let cone = |d: glam::DVec3, at| (3.0 - 9.0 * 100.0 * d.angle_between(at)).max(0.0);
            let mut relief = grid_of(2880, |d| {
                0.4 * (11.0 * d.x).sin() + cone(d, peak) - cone(d, pit)
            });
            let (high, low) = ends(relief.heights_m.iter());
            let near = peak.angle_between(pit) * 100.0 < f64::from(high - low) / OCTAGON;
            limit_slope(&mut relief, 100.0, 45.0);
            assert_eq!(ends(relief.heights_m.iter()), (high, low));
            let (steep, _) = steepness(&Field::from(relief.clone()), 100.0, 45.5);
            if near {
                // Only between the two.
                assert!(steep < 1e-3, "{steep}");
            } else {
                assert!(steep < 1e-5, "{steep}");
            }
        }
    }

    /// A scarp between two plains, both of them extremes, is laid back evenly and not kept.
    #[test]
    fn plains_that_are_extremes_do_not_keep_a_wall() {
        let mut relief = grid_of(1440, |d| if d.x > 0.0 { 1.0 } else { -1.0 });
        limit_slope(&mut relief, 100.0, 45.0);
        assert_eq!(ends(relief.heights_m.iter()), (1.0, -1.0));
        assert!(steepness(&Field::from(relief.clone()), 100.0, 45.5).0 < 1e-5);
    }

    #[test]
    fn gentle_ground_is_left_alone() {
        let mut relief = grid_of(720, |d| 3.0 * (7.0 * d.x).sin() * (5.0 * d.z).cos());
        let before = relief.clone();
        limit_slope(&mut relief, 100.0, 60.0);
        for (after, before) in relief.heights_m.iter().zip(&before.heights_m) {
            assert_abs_diff_eq!(after, before, epsilon = 1e-6);
        }
    }
}
