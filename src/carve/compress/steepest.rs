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

use crate::model::extremes::{ends, greater, lesser};
use crate::model::grid::Grid;
use crate::model::parallel;
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
    // Grids are made row by row.
    let heights = relief_mm.heights_m.as_slice_mut().unwrap_or_default();
    let pins = Pins::of(heights);
    let mut limited = steps.middle(heights);
    let lifted = steps.put_back(&mut limited, &pins);
    if lifted > pins.low {
        // The cone around the highest ground stands this high over the lowest: the distance
        // between the two follows, and the slope that joins them.
        let left = f64::from((pins.high - lifted).max(f32::MIN_POSITIVE));
        let steeper = f64::from(pins.high - pins.low) / left;
        limited = steps.middle(heights);
        // A hair more, for rounding.
        steps.steeper(steeper * 1.001).put_back(&mut limited, &pins);
    }
    heights.copy_from_slice(&limited);
}

/// Lowest and highest height of a relief, and the samples that have it.
struct Pins {
    low: f32,
    high: f32,
    lowest: Vec<usize>,
    highest: Vec<usize>,
}

impl Pins {
    fn of(heights: &[f32]) -> Pins {
        let (low, high) = ends(heights);
        let all_at = |end: f32| {
            let samples = heights.iter().enumerate();
            let there = samples.filter(|(_, mm)| **mm == end);
            there.map(|(sample, _)| sample).collect()
        };
        let (lowest, highest) = join(|| all_at(low), || all_at(high));
        Pins {
            low,
            high,
            lowest,
            highest,
        }
    }
}

/// How far heights may differ between neighbours, mm.
#[derive(Clone)]
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

    /// The same for a slope so many times as steep.
    fn steeper(&self, times: f64) -> Steps {
        let more = |mm: f32| (f64::from(mm) * times) as f32;
        let slant = self.slant.iter().map(|(aside, mm)| (*aside, more(*mm)));
        Steps {
            along: self.along.iter().copied().map(more).collect(),
            down: more(self.down),
            slant: slant.collect(),
            across: self.across.map(more),
            ..*self
        }
    }

    /// The surface half-way between the one under the heights and the one over them.
    fn middle(&self, heights: &[f32]) -> Vec<f32> {
        let all = || vec![true; self.rows];
        let (mut under, over) = join(
            || {
                let mut under = heights.to_vec();
                self.settle(&mut under, all());
                under
            },
            || {
                let mut over: Vec<f32> = heights.iter().map(|mm| -mm).collect();
                self.settle(&mut over, all());
                over
            },
        );
        parallel::chunks(&mut under, self.columns, &|row, line| {
            for (under, over) in line.iter_mut().zip(&over[row * self.columns..]) {
                *under = 0.5 * (*under - over);
            }
        });
        under
    }

    /// Puts the lowest and then the highest samples back, with the cones they need around them;
    /// tells how high the lowest of the former then is.
    ///
    /// A surface within the limit, lowered to cones that are within it too, stays so, and likewise
    /// raised: both are the lesser or greater of two such surfaces.
    fn put_back(&self, limited: &mut [f32], pins: &Pins) -> f32 {
        let put = |limited: &mut [f32], samples: &[usize], end: f32| {
            let mut lowered = vec![false; self.rows];
            for &sample in samples {
                limited[sample] = end;
                lowered[sample / self.columns] = true;
            }
            self.settle(limited, lowered);
        };
        let (lowest, highest) = ends(limited);
        if lowest > pins.low {
            put(limited, &pins.lowest, pins.low);
        }
        if highest < pins.high {
            // Upside down, so that settling raises.
            let turn_over = |limited: &mut [f32]| {
                parallel::chunks(limited, self.columns, &|_, line| {
                    line.iter_mut().for_each(|mm| *mm = -*mm);
                });
            };
            turn_over(limited);
            put(limited, &pins.highest, -pins.high);
            turn_over(limited);
        }
        let lifted = pins.lowest.iter().map(|sample| limited[*sample]);
        lifted.fold(f32::MAX, f32::min)
    }

    /// The highest surface under the given one that obeys the limit, where it obeys it but for
    /// rows that were lowered and what lies around them.
    fn settle(&self, heights: &mut [f32], lowered: Vec<bool>) {
        // Rows whose own samples, and whose neighbours below and above, may have to follow.
        let (mut along, mut down, mut up) = (lowered.clone(), lowered.clone(), lowered);
        let last = self.rows - 1;
        for _ in 0..ROUNDS {
            let mut change = 0f32;
            for row in 0..=last {
                let mut by = 0f32;
                if row == 0 {
                    by = self.cross_pole(heights, 0, self.across[0]);
                } else if std::mem::take(&mut down[row - 1]) {
                    let (before, after) = heights.split_at_mut(row * self.columns);
                    let from = &before[(row - 1) * self.columns..];
                    by = self.step(from, &mut after[..self.columns], row - 1);
                }
                if std::mem::take(&mut along[row]) | (by > 0.0) {
                    by = by.max(self.along_row(heights, row));
                }
                if by > 0.0 {
                    (down[row], up[row]) = (true, true);
                    change = change.max(by);
                }
            }
            for row in (0..=last).rev() {
                let mut by = 0f32;
                if row == last {
                    by = self.cross_pole(heights, last, self.across[1]);
                } else if std::mem::take(&mut up[row + 1]) {
                    let (before, after) = heights.split_at_mut((row + 1) * self.columns);
                    let to = &mut before[row * self.columns..];
                    by = self.step(&after[..self.columns], to, row);
                }
                if by > 0.0 {
                    by = by.max(self.along_row(heights, row));
                    (down[row], up[row]) = (true, true);
                    change = change.max(by);
                }
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

    fn ends_of(relief: &Grid) -> (f32, f32) {
        ends(relief.heights_m.as_slice().unwrap())
    }

    /// An isolated cone 3 mm high and of slope 4 becomes one of the limit's slope with the same
    /// summit, half cut and half filled around it, at the equator, in between and at the pole.
    #[test]
    fn a_steep_cone_is_laid_back_and_keeps_its_summit() {
        for lat in [0.0, 50.0, 80.0, 90.0] {
            let peak = direction(lat, 10.25);
            let cone = |d: glam::DVec3| (3.0 - 4.0 * 100.0 * d.angle_between(peak)).max(0.0);
            let mut relief = grid_of(2880, cone);
            let before = relief.clone();
            let highest = ends_of(&relief).1;
            limit_slope(&mut relief, 100.0, 45.0);
            // Between one-sided differences to two sides of a crest: single samples.
            let (steep, _) = steepness(&Field::from(relief.clone()), 100.0, 45.5);
            assert!(steep < 1e-5, "{lat}: {steep}");
            let (low, high) = ends_of(&relief);
            assert_eq!((low, high), (0.0, highest));
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
            let (low, high) = ends_of(&relief);
            let near = peak.angle_between(pit) * 100.0 < f64::from(high - low) / OCTAGON;
            limit_slope(&mut relief, 100.0, 45.0);
            assert_eq!(ends_of(&relief), (low, high));
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
        assert_eq!(ends_of(&relief), (-1.0, 1.0));
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
