//! What a relief is judged by: what the finishing bit leaves of it, as hand and raking light find it.
//!
//! A relief is cut by a ball-nose bit before it is judged, since what no bit can cut is never
//! seen. Over the whole ball, by area:
//!
//! * **carved**: standard deviation of at least 0.10 mm within 5 mm. Less is lost between the
//!   ridges that the bit leaves.
//! * **flat**: less than 0.03 mm: dead ground.
//! * **rough order**: rank correlation (C. Spearman, 1904) of local standard deviations of true
//!   heights and of the carved relief: does rugged ground still look more rugged than smooth?
//! * **long order**: rank correlation of heights and relief, both smoothed by a Gauss of 15 mm.
//! * **bit leaves**: share where the bit leaves more than 0.1 mm.
//! * **over 45°**: share steeper than that against the ball.
//! * **order kept**: of random pairs of places at most 30 mm apart whose heights differ by more
//!   than 500 m, the share in which the higher one is carved higher.
//!
//! A window "5 mm wide" is a Gauss of the variance of a 5 mm box. Everything is measured on a
//! lattice as fine as the bit needs, a seventh of its diameter.

use crate::model::geometry::direction;
use crate::model::geometry::on_spiral;
use crate::model::grid::{Grid, Heights, Layout};
use crate::model::parallel;
use crate::sphere::ball::carved_by_ball;
use crate::sphere::lattice::{Field, Pooling, pooled_grid, rounded};
use crate::sphere::smoothing::Smoother;
use glam::DVec3;
use ndarray::Array2;
use serde::{Deserialize, Serialize};
use std::f64::consts::{PI, TAU};

/// Width of the window in which ground is felt, mm.
const WINDOW_MM: f64 = 5.0;

/// Least standard deviation that is legible, and what counts as flat, mm.
const LEGIBLE_MM: f32 = 0.10;
const FLAT_MM: f32 = 0.03;

/// What the bit may leave without being counted, mm.
const LEFT_MM: f32 = 0.1;

/// Gauss in which the large forms are compared, mm.
const LONG_MM: f64 = 15.0;

/// Pairs of places lie at most this far apart, mm, and differ by more than this, metres.
const PAIR_MM: f64 = 30.0;
const PAIR_M: f32 = 500.0;

/// Pairs drawn; the share kept is then known to about 0.05 points.
const PAIRS: usize = 60_000;

/// Places at which ranks are compared; correlations are then known to about 0.002.
const PLACES: usize = 20_000;

/// Groups of ground, from smooth to rugged, whose carved deviations are compared.
const GROUPS: usize = 64;

/// No place is told to deviate more than three times as much or as little, as a logarithm.
const MOST_DEPARTURE: f32 = 1.1;

/// Finest lattice on which is measured, as a share of the bit's diameter: three and a half cells
/// to its radius.
const CELL_OF_BIT: f64 = 1.0 / 7.2;

/// The figures of one relief. Shares are of the ball's area, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Figures {
    /// Share where the carved relief can be seen and felt.
    pub carved_share: f64,
    /// Share of dead ground.
    pub flat_share: f64,
    /// Rank correlation of ruggedness, true and carved.
    pub rough_order: f64,
    /// Rank correlation of the large forms.
    pub long_order: f64,
    /// Share where the bit leaves wood.
    pub bit_leaves_share: f64,
    /// Share steeper than 45 degrees.
    pub over_45_share: f64,
    /// Steepest slope, degrees.
    pub steepest_deg: f64,
    /// Share of pairs that keep their order; 1 if there are no pairs.
    pub order_kept: f64,
}

/// A body's ground, ready to judge reliefs of it.
pub struct Judge {
    radius_mm: f64,
    bit_mm: f64,
    fine: Layout,
    windows: Windows,
    long: Windows,
    /// At each place: its rank in ruggedness, and in height of the large forms.
    rough_ranks: Vec<f32>,
    rough: Field,
    long_ranks: Vec<f32>,
    pairs: Vec<Pair>,
}

/// Two places on the fine lattice, the higher one first.
type Pair = ((usize, usize), (usize, usize));

impl Judge {
    /// For a grid of true heights in metres on a ball of this radius, finished by a ball-nose bit
    /// of this diameter.
    pub fn new(ground: &Grid, radius_mm: f64, bit_mm: f64) -> Judge {
        let fine = lattice_for(ground.layout(), radius_mm, bit_mm);
        let heights = of_grid(ground, fine);
        let windows = Windows::new(fine, radius_mm, WINDOW_MM / 12f64.sqrt());
        let long = Windows::new(fine, radius_mm, LONG_MM);
        let rough = windows.deviations(&heights);
        Judge {
            radius_mm,
            bit_mm,
            fine,
            rough_ranks: ranks(windows.at_places(&rough)),
            long_ranks: ranks(long.at_places(&long.means(&heights))),
            pairs: pairs(&heights, radius_mm),
            rough,
            windows,
            long,
        }
    }

    /// Where the samples of a relief lie that is to be judged.
    pub fn layout(&self) -> Layout {
        self.fine
    }

    /// Standard deviation of the true heights around each place, metres, on a lattice of its own.
    pub fn roughness(&self) -> &Field {
        &self.rough
    }

    /// How much less, as a logarithm, each place deviates than the best rising function of its true
    /// deviation says: what it must be multiplied by for ruggedness to keep its order.
    pub fn departure(&self, relief_mm: &Field) -> Field {
        let felt = self.windows.deviations(relief_mm);
        // Of 64 bits and then rounded: systems differ in the last of 32 bits, and pixels with it.
        let log = |value: f32, least: f32| f64::from(value + least).ln() as f32;
        // True and carved deviations in groups of equal area, from smooth to rugged.
        let mut order: Vec<(f32, f32)> = (self.windows.places.iter())
            .map(|at| {
                (
                    log(self.rough.values[*at], 1e-6),
                    log(felt.values[*at], 1e-4),
                )
            })
            .collect();
        order.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let group = order.len().div_ceil(GROUPS).max(1);
        let mut rising = f32::MIN;
        let curve: Vec<(f32, f32)> = order
            .chunks(group)
            .map(|group| {
                let mean = |of: fn(&(f32, f32)) -> f32| {
                    group.iter().map(of).sum::<f32>() / group.len() as f32
                };
                rising = rising.max(mean(|pair| pair.1));
                (mean(|pair| pair.0), rising)
            })
            .collect();
        self.rough.with(&felt, |rough, felt| {
            let wanted = along(&curve, log(rough, 1e-6));
            (wanted - log(felt, 1e-4)).clamp(-MOST_DEPARTURE, MOST_DEPARTURE)
        })
    }

    /// A relief in mm as the bit leaves it.
    pub fn carved(&self, relief_mm: &Field) -> Field {
        carved_by_ball(relief_mm, self.radius_mm, 0.5 * self.bit_mm)
    }

    /// Judges a relief in mm, given on [`layout`](Self::layout).
    pub fn figures(&self, relief_mm: &Field) -> Figures {
        let carved = self.carved(relief_mm);
        let felt = self.windows.deviations(&carved);
        let (over_45_share, steepest_deg) = steepness(relief_mm, self.radius_mm, 45.0);
        let left = carved.with(relief_mm, |after, before| after - before);
        Figures {
            carved_share: area_share(&felt, |mm| mm >= LEGIBLE_MM),
            flat_share: area_share(&felt, |mm| mm < FLAT_MM),
            rough_order: correlation(&self.rough_ranks, ranks(self.windows.at_places(&felt))),
            long_order: correlation(
                &self.long_ranks,
                ranks(self.long.at_places(&self.long.means(relief_mm))),
            ),
            bit_leaves_share: area_share(&left, |mm| mm > LEFT_MM),
            over_45_share,
            steepest_deg,
            order_kept: self.order_kept(relief_mm),
        }
    }

    fn order_kept(&self, relief_mm: &Field) -> f64 {
        let kept = self
            .pairs
            .iter()
            .filter(|(high, low)| relief_mm.values[*high] > relief_mm.values[*low]);
        match self.pairs.len() {
            0 => 1.0,
            all => kept.count() as f64 / all as f64,
        }
    }
}

/// The lattice on which a grid is judged: as fine as the bit needs, no finer than the grid.
pub fn lattice_for(grid: Layout, radius_mm: f64, bit_mm: f64) -> Layout {
    let cell_deg = (CELL_OF_BIT * bit_mm / radius_mm).to_degrees();
    let cells = |step_deg: f64, around_deg: f64, least: f64| {
        let fold = (cell_deg / step_deg).max(1.0);
        // By whole cells where that is nearly right, so that averages are plain means.
        let fold = if (fold - fold.round()).abs() < 0.15 {
            fold.round()
        } else {
            fold
        };
        (around_deg / step_deg / fold).round().max(least) as usize
    };
    let rows = cells(grid.step_lat_deg(), 180.0, 4.0);
    let columns = cells(grid.step_lon_deg(), 360.0, 8.0).next_multiple_of(2);
    let west_edge_deg = grid.west_deg - 0.5 * grid.step_lon_deg();
    Layout {
        rows: rows.min(grid.rows),
        columns: columns.min(grid.columns),
        west_deg: west_edge_deg + 180.0 / columns.min(grid.columns) as f64,
        registration: crate::model::grid::Registration::Pixel,
    }
}

/// A grid averaged to a lattice.
pub fn of_grid(grid: &Grid, lattice: Layout) -> Field {
    pooled_grid(grid, lattice.rows, lattice.columns)
}

/// Gaussian windows of one width, on a lattice no finer than they need.
struct Windows {
    smoother: Smoother,
    sigma_rad: f64,
    rows: usize,
    columns: usize,
    /// The cells in which places lie that are spread evenly over the sphere.
    places: Vec<(usize, usize)>,
}

impl Windows {
    fn new(fine: Layout, radius_mm: f64, sigma_mm: f64) -> Windows {
        let sigma_rad = sigma_mm / radius_mm;
        let fold = (0.65 * sigma_rad / fine.step_lat_deg().to_radians())
            .floor()
            .max(1.0);
        let rows = ((fine.rows as f64 / fold).round() as usize).clamp(4.min(fine.rows), fine.rows);
        let columns = (fine.columns as f64 / fold).round() as usize;
        let columns = columns.next_multiple_of(2).min(fine.columns);
        let places = PLACES.min(rows * columns / 2);
        Windows {
            smoother: Smoother::new(rows, columns),
            sigma_rad,
            rows,
            columns,
            places: (0..places)
                .map(|k| cell(rows, columns, k, places))
                .collect(),
        }
    }

    fn pooled(&self, field: &Field, change: impl Fn(f32) -> f32 + Sync) -> Field {
        Pooling::new(field.layout(), self.rows, self.columns).of(&field.values, change)
    }

    fn smoothed(&self, field: &Field) -> Array2<f64> {
        self.smoother.smooth(&field.values, self.sigma_rad)
    }

    fn means(&self, field: &Field) -> Field {
        let pooled = self.pooled(field, |value| value);
        let smoothed = self.smoothed(&pooled);
        pooled.by_rows(|row, out| rounded(smoothed.row(row), out))
    }

    /// Standard deviation within each window.
    ///
    /// Var x = E(x − a)² − (E x − a)² for any a; with the mean of the whole the squares stay small.
    fn deviations(&self, field: &Field) -> Field {
        let about = field.values.mean().unwrap_or(0.0);
        let mean = self.pooled(field, |value| value - about);
        // Squares are averaged in f64 before they are rounded.
        let square = self.pooled(field, |value| (value - about) * (value - about));
        let (squares, means) = (self.smoothed(&square), self.smoothed(&mean));
        mean.by_rows(|row, out| {
            let both = squares.row(row);
            let both = both.iter().zip(means.row(row));
            for (out, (square, mean)) in out.iter_mut().zip(both) {
                *out = (square - mean * mean).max(0.0).sqrt() as f32;
            }
        })
    }

    fn at_places(&self, field: &Field) -> Vec<f32> {
        self.places
            .iter()
            .map(|place| field.values[*place])
            .collect()
    }
}

/// The cell of the k-th of `count` places spread evenly.
fn cell(rows: usize, columns: usize, k: usize, count: usize) -> (usize, usize) {
    let (z, turn) = on_spiral(k, count);
    let row = z.acos() / PI * rows as f64;
    let column = turn * columns as f64;
    (
        (row as usize).min(rows - 1),
        (column as usize).min(columns - 1),
    )
}

/// Ranks of values, equal ones sharing the mean of theirs.
fn ranks(values: Vec<f32>) -> Vec<f32> {
    let mut order: Vec<u32> = (0..values.len() as u32).collect();
    order.sort_unstable_by(|a, b| values[*a as usize].total_cmp(&values[*b as usize]));
    let mut ranks = vec![0f32; values.len()];
    let alike = |a: &u32, b: &u32| values[*a as usize] == values[*b as usize];
    let mut start = 0;
    for group in order.chunk_by(alike) {
        let rank = start as f32 + 0.5 * (group.len() - 1) as f32;
        group.iter().for_each(|&at| ranks[at as usize] = rank);
        start += group.len();
    }
    ranks
}

/// Correlation of two lists of ranks.
fn correlation(one: &[f32], two: Vec<f32>) -> f64 {
    let mean = 0.5 * (one.len() as f64 - 1.0);
    let (mut both, mut first, mut second) = (0.0, 0.0, 0.0);
    for (&a, &b) in one.iter().zip(&two) {
        let (a, b) = (f64::from(a) - mean, f64::from(b) - mean);
        both += a * b;
        first += a * a;
        second += b * b;
    }
    let size = (first * second).sqrt();
    if size > 0.0 { both / size } else { 1.0 }
}

/// A curve through points with rising first numbers, level beyond its ends.
fn along(curve: &[(f32, f32)], at: f32) -> f32 {
    let after = curve.partition_point(|point| point.0 <= at);
    if after == 0 || after == curve.len() {
        return curve[after.min(curve.len() - 1)].1;
    }
    let (from, to) = (curve[after - 1], curve[after]);
    from.1 + (to.1 - from.1) * (at - from.0) / (to.0 - from.0)
}

/// Share of the sphere where a value counts.
fn area_share(field: &Field, counts: impl Fn(f32) -> bool + Sync) -> f64 {
    let rows = field.shape().0;
    let edge = |row: usize| (PI * row as f64 / rows as f64).cos();
    let each = parallel::indexed(rows, &|row| {
        let line = field.values.row(row);
        let counted = line.iter().filter(|value| counts(**value)).count();
        0.5 * (edge(row) - edge(row + 1)) * counted as f64 / line.len() as f64
    });
    each.iter().sum()
}

/// Share of the sphere steeper than a limit, and the steepest slope in degrees: between
/// neighbouring samples, south and east.
pub fn steepness(relief_mm: &Field, radius_mm: f64, limit_deg: f64) -> (f64, f64) {
    let layout = relief_mm.layout();
    let limit = limit_deg.to_radians().tan().powi(2);
    let dy = radius_mm * layout.step_lat_deg().to_radians();
    let rows = parallel::indexed(layout.rows - 1, &|row| {
        let (line, next) = (relief_mm.values.row(row), relief_mm.values.row(row + 1));
        let circle = radius_mm * layout.lat_deg(row).to_radians().cos();
        let dx = circle * layout.step_lon_deg().to_radians();
        // Near a pole columns crowd: look as far to the side as to the next row.
        let aside = ((dy / dx).round() as usize).clamp(1, layout.columns / 4);
        let (west, east) = (aside / 2, aside - aside / 2);
        // Straight across: around a pole the way along the row is longer.
        let run = 2.0 * circle * (0.5 * aside as f64 * layout.step_lon_deg().to_radians()).sin();
        let (mut steep, mut most) = (0usize, 0f64);
        for column in 0..layout.columns {
            let at = |column: usize| line[column % layout.columns];
            let x = f64::from(at(column + east) - at(column + layout.columns - west)) / run;
            let y = f64::from(next[column] - line[column]) / dy;
            let slope2 = x * x + y * y;
            steep += usize::from(slope2 > limit);
            most = most.max(slope2);
        }
        let edge = |row: usize| (PI * row as f64 / layout.rows as f64).cos();
        let area = 0.5 * (edge(row) - edge(row + 1));
        (area * steep as f64 / layout.columns as f64, most)
    });
    let share = rows.iter().map(|row| row.0).sum();
    let most = rows.iter().fold(0f64, |most, row| most.max(row.1));
    (share, most.sqrt().atan().to_degrees())
}

/// Seeded random pairs of places whose heights differ.
fn pairs(heights_m: &Field, radius_mm: f64) -> Vec<Pair> {
    let widest = (PAIR_MM / radius_mm).min(PI);
    let grid = heights_m.layout();
    let found = parallel::indexed(PAIRS, &|pair| {
        let draw = |k: u64| uniform(4 * pair as u64 + k);
        let here = direction((2.0 * draw(0) - 1.0).asin().to_degrees(), 360.0 * draw(1));
        let there = there(here, widest, draw(2), draw(3));
        let (a, b) = (nearest(grid, here), nearest(grid, there));
        let rise = heights_m.values[a] - heights_m.values[b];
        match rise.abs() > PAIR_M {
            false => None,
            true if rise > 0.0 => Some((a, b)),
            true => Some((b, a)),
        }
    });
    found.into_iter().flatten().collect()
}

/// A direction evenly drawn over the cap around another, by two numbers in 0..1.
fn there(here: DVec3, widest_rad: f64, near: f64, around: f64) -> DVec3 {
    let angle = (1.0 - near * (1.0 - widest_rad.cos())).acos();
    let aside = here.any_orthonormal_vector();
    let along = aside * (TAU * around).cos() + here.cross(aside) * (TAU * around).sin();
    here * angle.cos() + along * angle.sin()
}

/// The sample nearest to a direction.
fn nearest(grid: Layout, towards: DVec3) -> (usize, usize) {
    let lat = towards.z.clamp(-1.0, 1.0).asin().to_degrees();
    let lon = towards.y.atan2(towards.x).to_degrees();
    let row = ((grid.north_deg() - lat) / grid.step_lat_deg())
        .round()
        .max(0.0) as usize;
    let column = ((lon - grid.west_deg) / grid.step_lon_deg()).round();
    let column = column.rem_euclid(grid.columns as f64) as usize;
    (row.min(grid.rows - 1), column.min(grid.columns - 1))
}

/// The k-th of a fixed sequence of numbers in 0..1 (splitmix64; Steele, Lea, Flood 2014).
fn uniform(k: u64) -> f64 {
    let mut z = k.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::grid_of;
    use approx::assert_abs_diff_eq;

    fn judged(columns: usize, radius_mm: f64, f: impl Fn(DVec3) -> f64 + Sync) -> Figures {
        let ground = grid_of(columns, &f);
        let judge = Judge::new(&ground, radius_mm, 3.175);
        judge.figures(&of_grid(&ground, judge.layout()))
    }

    /// Closed form: a plane of slope g has a standard deviation of g·σ in a Gauss of width σ. The
    /// height g·R·(d·axis) is such a plane around the great circle square to the axis, with a slope
    /// of g·cos α at an angle α from it.
    #[test]
    fn a_slope_is_legible_where_its_deviation_reaches_the_limit() {
        let (radius_mm, sigma) = (100.0, WINDOW_MM / 12f64.sqrt());
        for axis in [DVec3::Z, DVec3::X, DVec3::new(0.48, 0.64, 0.6)] {
            // Legible where cos α ≥ 0.8: in the belt sin α ≤ 0.6, six tenths of the sphere.
            let g = 0.1 / sigma / 0.8;
            let figures = judged(1440, radius_mm, |d| g * radius_mm * axis.dot(d));
            assert_abs_diff_eq!(figures.carved_share, 0.6, epsilon = 0.02);
            assert_abs_diff_eq!(figures.steepest_deg, g.atan().to_degrees(), epsilon = 0.1);
            assert_eq!(
                (figures.over_45_share, figures.bit_leaves_share),
                (0.0, 0.0)
            );
            assert_abs_diff_eq!(figures.rough_order, 1.0, epsilon = 1e-3);
            assert_abs_diff_eq!(figures.long_order, 1.0, epsilon = 1e-6);
        }
    }

    /// Closed form: the slope of the same height passes 45 degrees in a belt.
    #[test]
    fn steep_area_is_the_belt_where_the_slope_passes_the_limit() {
        for axis in [DVec3::Z, DVec3::Y, DVec3::new(0.6, 0.0, 0.8)] {
            let figures = judged(1440, 100.0, |d| 100.0 * axis.dot(d) / 0.6);
            assert_abs_diff_eq!(figures.over_45_share, 0.8, epsilon = 0.01);
        }
    }

    #[test]
    fn order_is_kept_by_a_rising_curve_and_lost_by_a_falling_one() {
        let ground = grid_of(180, |d| 9000.0 * (5.0 * d.x).sin() * (4.0 * d.z).cos());
        let judge = Judge::new(&ground, 50.0, 3.175);
        let kept = |f: fn(f32) -> f32| {
            let field = of_grid(&ground, judge.layout());
            judge.figures(&field.map(f)).order_kept
        };
        assert_eq!(kept(|m| (m / 500.0).asinh()), 1.0);
        assert_eq!(kept(|m| -m / 1e4), 0.0);
        // Folded at 0: pairs on one side keep their order, on the other they lose it.
        let folded = kept(|m| m.abs() / 1e4);
        assert!((0.4..0.6).contains(&folded), "{folded}");
    }

    /// Reference: the definitions, place by place in f64 with true distances on a small globe:
    /// tip and closing by the ball, then a Gauss over the carved relief.
    #[test]
    fn figures_agree_with_the_slow_reference() {
        let (radius_mm, bit_mm) = (12.0, 3.175);
        let f = |d: DVec3| {
            0.18 * (9.0 * d.x + 4.0 * d.y).sin() * (7.0 * d.z).cos()
                + 0.4 * (21.0 * d.y).sin().powi(3) * (18.0 * d.x).cos() * (1.0 + d.z)
        };
        let ground = grid_of(166, f);
        let judge = Judge::new(&ground, radius_mm, bit_mm);
        let relief = of_grid(&ground, judge.layout());
        let found = judge.figures(&relief);

        let layout = judge.layout();
        let places: Vec<(DVec3, f64, f64)> = relief
            .values
            .indexed_iter()
            .map(|((row, column), &mm)| {
                let d = direction(layout.lat_deg(row), layout.lon_deg(column));
                (d, f64::from(mm), d.z.mul_add(-d.z, 1.0).sqrt())
            })
            .collect();
        let ball = 0.5 * bit_mm;
        let swept = |heights: &[f64], sign: f64| -> Vec<f64> {
            parallel::mapped(&places, &|(at, _, _)| {
                let near = places.iter().zip(heights).filter_map(|((d, _, _), mm)| {
                    let away = radius_mm * (d - at).length();
                    (away <= ball).then(|| sign * mm + (ball * ball - away * away).sqrt() - ball)
                });
                sign * near.fold(f64::MIN, f64::max)
            })
        };
        let heights: Vec<f64> = places.iter().map(|place| place.1).collect();
        let carved = swept(&swept(&heights, 1.0), -1.0);
        let sigma = WINDOW_MM / 12f64.sqrt() / radius_mm;
        let each = places.iter().zip(&carved);
        let shares = parallel::given(each, &|_, ((at, before, area), after)| {
            let (mut sum, mut mean, mut square) = (0.0, 0.0, 0.0);
            for ((d, _, area), mm) in places.iter().zip(&carved) {
                let weight = area * (-0.5 * (d.angle_between(*at) / sigma).powi(2)).exp();
                sum += weight;
                mean += weight * mm;
                square += weight * mm * mm;
            }
            let deviation = (square / sum - (mean / sum).powi(2)).max(0.0).sqrt();
            (
                *area,
                [deviation >= 0.1, deviation < 0.03, after - before > 0.1],
            )
        });
        let all: f64 = shares.iter().map(|(area, _)| area).sum();
        let share = |which: usize| {
            let counted = shares.iter().filter(|(_, what)| what[which]);
            counted.map(|(area, _)| area).sum::<f64>() / all
        };
        // The figures are of some use here: neither all nor nothing.
        assert!((0.05..0.95).contains(&found.carved_share), "{found:?}");
        assert!((0.02..0.95).contains(&found.bit_leaves_share), "{found:?}");
        assert_abs_diff_eq!(found.carved_share, share(0), epsilon = 0.02);
        assert_abs_diff_eq!(found.flat_share, share(1), epsilon = 0.02);
        assert_abs_diff_eq!(found.bit_leaves_share, share(2), epsilon = 0.02);
    }
}
