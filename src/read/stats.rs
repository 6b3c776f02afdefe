//! Extremes, area-weighted mean and hypsometry of a source, collected in one pass.
//!
//! Areas are whole numbers: a cell's share of the sphere times 2⁶¹, rounded. Whole numbers add up
//! to the same total in any order, so several collectors can share the work and the result does
//! not depend on how many there are. The rounding is below 1e-4 of a cell even in the polar rows
//! of a grid of 5 billion cells.

use super::placement::Placement;
use crate::model::grid::Hypsometry;

/// 2⁶¹ stands for the whole sphere: all cells together stay clear of a u64's end.
const SPHERE: f64 = (1u64 << 61) as f64;

/// Heights are told apart by the top 22 bits of their f32: steps of 1/8192 of the height, which
/// is 0.5 m at 6000 m, in a table of 32 MB.
const FLOAT_BITS: u32 = 22;

/// How heights fall into the bins of the histogram.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Bins {
    /// Stored as 8- or 16-bit whole numbers: one bin for each, from `first_m` in steps of
    /// `step_m` (> 0). The distribution is exact.
    Integer {
        first_m: f64,
        step_m: f64,
        count: usize,
    },
    /// Anything else.
    Float,
}

impl Bins {
    fn count(self) -> usize {
        match self {
            Bins::Integer { count, .. } => count,
            Bins::Float => 1 << FLOAT_BITS,
        }
    }
}

/// A height and where it is: row from the north, column from the west.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    pub height_m: f32,
    pub row: usize,
    pub column: usize,
}

/// What one row contributes that is not a whole number; kept apart and added up in row order.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct RowSum {
    pub sum_m: f64,
    pub missing: usize,
}

/// Part of the statistics; see [`Collector::merged`].
pub(super) struct Collector {
    bins: Bins,
    areas: Vec<u64>,
    min: Option<Spot>,
    max: Option<Spot>,
}

/// Statistics of all valid cells.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Statistics {
    pub min: Spot,
    pub max: Spot,
    pub hypsometry: Hypsometry,
    pub missing: u64,
    /// Share of the sphere the missing cells cover.
    pub missing_share: f64,
    /// First row with a missing cell.
    pub first_missing_row: Option<usize>,
    /// How the lowest and the highest value stand apart.
    pub lowest: Isolation,
    pub highest: Isolation,
}

/// How an extreme stands apart from the rest: a fill value that the file does not declare shows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Isolation {
    /// Next occupied height, metres.
    pub next_m: f64,
    /// Share of the valid area in the extreme's own bin.
    pub share: f64,
}

/// Whether a height lies beyond the one that was the lowest or the highest so far.
type Beyond = fn(&f32, &f32) -> bool;

impl Collector {
    pub fn new(bins: Bins) -> Self {
        Collector {
            bins,
            // One more for missing cells.
            areas: vec![0; bins.count() + 1],
            min: None,
            max: None,
        }
    }

    /// Takes in one row of heights (NaN where missing); `area` from [`cell_area`].
    pub fn add(&mut self, row: usize, heights_m: &[f32], area: u64) -> RowSum {
        let (min, max, missing, sum_m) = pulp::Arch::new().dispatch(RowFigures { heights_m });
        if missing < heights_m.len() {
            self.note(row, (min, min), (max, max), |height_m| {
                heights_m.iter().position(|&h| h == height_m).unwrap_or(0)
            });
            match self.bins {
                Bins::Integer {
                    first_m,
                    step_m,
                    count,
                } => count_integers(&mut self.areas, heights_m, area, first_m, step_m, count),
                Bins::Float => count_float(&mut self.areas, heights_m, area),
            }
        }
        RowSum { sum_m, missing }
    }

    /// Takes a row's lowest and highest height; `column` finds one by its key, and is asked only
    /// for the lowest and highest of all so far. The first in row order wins a tie.
    pub fn note<K>(
        &mut self,
        row: usize,
        min: (f32, K),
        max: (f32, K),
        column: impl Fn(K) -> usize,
    ) {
        for (held, (height_m, key), beyond) in [
            (&mut self.min, min, f32::lt as Beyond),
            (&mut self.max, max, f32::gt as Beyond),
        ] {
            if held.is_none_or(|held| {
                let tie = height_m == held.height_m;
                beyond(&height_m, &held.height_m) || (tie && row < held.row)
            }) {
                *held = Some(Spot {
                    height_m,
                    row,
                    column: column(key),
                });
            }
        }
    }

    /// Area in each bin, one more for missing cells at the end.
    pub fn areas_mut(&mut self) -> &mut [u64] {
        &mut self.areas
    }

    /// Both collectors' shares together; their order does not matter.
    pub fn merged(mut self, other: Collector) -> Collector {
        for (mine, theirs) in self.areas.iter_mut().zip(&other.areas) {
            *mine += theirs;
        }
        for (mine, theirs, beyond) in [
            (&mut self.min, other.min, f32::lt as Beyond),
            (&mut self.max, other.max, f32::gt as Beyond),
        ] {
            if let Some(theirs) = theirs
                && mine.is_none_or(|mine| {
                    let tie = theirs.height_m == mine.height_m;
                    let earlier = (theirs.row, theirs.column) < (mine.row, mine.column);
                    beyond(&theirs.height_m, &mine.height_m) || (tie && earlier)
                })
            {
                *mine = Some(theirs);
            }
        }
        self
    }

    /// The result, given what every row contributed; `None` when no cell was valid.
    pub fn finish(mut self, placement: &Placement, rows: &[RowSum]) -> Option<Statistics> {
        let (min, max) = (self.min?, self.max?);
        let (mut sum, mut valid, mut missing, mut missing_share) = (0.0, 0.0, 0u64, 0.0);
        for (row, line) in rows.iter().enumerate() {
            let share = placement.cell_share(row);
            sum += line.sum_m * share;
            valid += (placement.columns - line.missing) as f64 * share;
            missing += line.missing as u64;
            missing_share += line.missing as f64 * share;
        }
        let mean_m = (sum / valid).clamp(f64::from(min.height_m), f64::from(max.height_m));
        self.areas.truncate(self.bins.count());
        let (lowest, highest) = self.isolation_of_extremes();
        Some(Statistics {
            hypsometry: self.hypsometry(&min, &max, mean_m),
            min,
            max,
            missing,
            missing_share,
            first_missing_row: rows.iter().position(|r| r.missing > 0),
            lowest,
            highest,
        })
    }

    /// Height range of a bin, metres.
    fn range(&self, bin: usize) -> (f64, f64) {
        match self.bins {
            Bins::Integer {
                first_m, step_m, ..
            } => {
                let height = first_m + bin as f64 * step_m;
                (height, height)
            }
            Bins::Float => (float_edge(bin), float_edge(bin + 1)),
        }
    }

    fn isolation_of_extremes(&self) -> (Isolation, Isolation) {
        let total: u64 = self.areas.iter().sum();
        let share = |bin: usize| self.areas[bin] as f64 / total.max(1) as f64;
        let mut up = (0..self.areas.len()).filter(|&b| self.areas[b] > 0);
        let (first, second) = (up.next(), up.next());
        let mut down = (0..self.areas.len()).rev().filter(|&b| self.areas[b] > 0);
        let (last, before) = (down.next(), down.next());
        let lone = |end: Option<usize>, next_m: Option<f64>| match (end, next_m) {
            (Some(end), Some(next_m)) => Isolation {
                next_m,
                share: share(end),
            },
            _ => Isolation::default(),
        };
        (
            lone(first, second.map(|b| self.range(b).0)),
            lone(last, before.map(|b| self.range(b).1)),
        )
    }

    /// Knots of the distribution. Whole numbers: half of a height's area lies below it. Floats:
    /// area rises evenly through a bin.
    fn hypsometry(&self, min: &Spot, max: &Spot, mean_m: f64) -> Hypsometry {
        let (lo, hi) = (f64::from(min.height_m), f64::from(max.height_m));
        let total = self.areas.iter().sum::<u64>() as f64;
        let (mut heights_m, mut share) = (Vec::new(), Vec::new());
        let mut below = 0u64;
        for (bin, &area) in self.areas.iter().enumerate().filter(|(_, a)| **a > 0) {
            let (from, to) = self.range(bin);
            match self.bins {
                Bins::Integer { .. } => {
                    heights_m.push(from);
                    share.push((below as f64 + 0.5 * area as f64) / total);
                }
                Bins::Float => {
                    if heights_m.last().is_none_or(|&h| from > h) {
                        heights_m.push(from.max(lo));
                        share.push(below as f64 / total);
                    }
                    heights_m.push(to.min(hi));
                    share.push((below + area) as f64 / total);
                }
            }
            below += area;
        }
        if let (Some(h), Some(s)) = (heights_m.first_mut(), share.first_mut()) {
            (*h, *s) = (lo, 0.0);
        }
        if let (Some(h), Some(s)) = (heights_m.last_mut(), share.last_mut()) {
            (*h, *s) = (hi, 1.0);
        }
        Hypsometry {
            heights_m,
            share,
            mean_m,
        }
    }
}

/// Area of one cell of a row, in 2⁻⁶¹ of the sphere.
pub(super) fn cell_area(placement: &Placement, row: usize) -> u64 {
    (placement.cell_share(row) * SPHERE).round() as u64
}

/// Lanes of the row loops: as many independent chains as a core can keep going.
const LANES: usize = 16;

/// Figures of one row: lowest and highest height, missing cells, sum. A struct and not a closure,
/// like all that runs under wide vectors: only what is inlined into it is compiled for them.
struct RowFigures<'a> {
    heights_m: &'a [f32],
}

impl pulp::NullaryFnOnce for RowFigures<'_> {
    type Output = (f32, f32, usize, f64);

    #[inline(always)]
    fn call(self) -> Self::Output {
        let (min, max, missing) = row_extremes(self.heights_m);
        (min, max, missing, row_sum(self.heights_m))
    }
}

/// Lowest and highest valid height and the number of missing cells.
#[inline(always)]
fn row_extremes(heights_m: &[f32]) -> (f32, f32, usize) {
    let mut lo = [f32::INFINITY; LANES];
    let mut hi = [f32::NEG_INFINITY; LANES];
    let mut missing = [0u32; LANES];
    let (chunks, rest) = heights_m.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            let h = chunk[lane];
            // Comparisons with NaN are false, which leaves the extremes alone.
            lo[lane] = if h < lo[lane] { h } else { lo[lane] };
            hi[lane] = if h > hi[lane] { h } else { hi[lane] };
            missing[lane] += u32::from(h.is_nan());
        }
    }
    for (lane, &h) in rest.iter().enumerate() {
        lo[lane] = if h < lo[lane] { h } else { lo[lane] };
        hi[lane] = if h > hi[lane] { h } else { hi[lane] };
        missing[lane] += u32::from(h.is_nan());
    }
    (
        lo.into_iter().fold(f32::INFINITY, f32::min),
        hi.into_iter().fold(f32::NEG_INFINITY, f32::max),
        missing.iter().map(|&m| m as usize).sum(),
    )
}

/// Sum of the valid heights in double precision, always in the same order.
#[inline(always)]
fn row_sum(heights_m: &[f32]) -> f64 {
    let mut sums = [0.0f64; LANES];
    let (chunks, rest) = heights_m.as_chunks::<LANES>();
    let valid = |h: f32| if h.is_nan() { 0.0 } else { f64::from(h) };
    for chunk in chunks {
        for lane in 0..LANES {
            sums[lane] += valid(chunk[lane]);
        }
    }
    for (lane, &h) in rest.iter().enumerate() {
        sums[lane] += valid(h);
    }
    sums.iter().sum()
}

fn count_integers(
    areas: &mut [u64],
    heights_m: &[f32],
    area: u64,
    first_m: f64,
    step_m: f64,
    count: usize,
) {
    // Single precision tells 65 536 bins apart with more than 100 steps between neighbours.
    let (first, per_step) = (first_m as f32, (1.0 / step_m) as f32);
    let mut bins = [0u32; 256];
    for chunk in heights_m.chunks(bins.len()) {
        pulp::Arch::new().dispatch(FindBins {
            heights_m: chunk,
            bins: &mut bins,
            first,
            per_step,
            count: count as f32,
        });
        for &bin in &bins[..chunk.len()] {
            areas[bin as usize] += area;
        }
    }
}

struct FindBins<'a> {
    heights_m: &'a [f32],
    bins: &'a mut [u32; 256],
    first: f32,
    per_step: f32,
    count: f32,
}

impl pulp::NullaryFnOnce for FindBins<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (first, per_step) = (self.first, self.per_step);
        find_bins(self.heights_m, self.bins, first, per_step, self.count);
    }
}

/// Bin of every height; missing cells go to a bin of their own, behind the others, which no one
/// reads.
#[inline(always)]
fn find_bins(heights_m: &[f32], bins: &mut [u32; 256], first: f32, per_step: f32, count: f32) {
    for (bin_of, &h) in bins.iter_mut().zip(heights_m) {
        let bin = (h - first) * per_step;
        let bin = if bin > 0.0 { bin } else { 0.0 };
        let bin = if bin < count - 1.0 { bin } else { count - 1.0 };
        let bin = if h.is_nan() { count } else { bin };
        // A float this large has no room for fractions: its low bits are the rounded number. A
        // cast does the same one number at a time.
        *bin_of = (bin + 8_388_608.0).to_bits() & 0x007f_ffff;
    }
}

fn count_float(areas: &mut [u64], heights_m: &[f32], area: u64) {
    for &h in heights_m.iter().filter(|h| !h.is_nan()) {
        areas[float_bin(h)] += area;
    }
}

/// Bit patterns of floats in the order of their values: flip all bits of negative numbers and
/// the sign bit of the others.
fn float_bin(height_m: f32) -> usize {
    // Adding zero turns -0 into 0.
    let bits = (height_m + 0.0).to_bits();
    let flip = ((bits as i32 >> 31) as u32) | 0x8000_0000;
    ((bits ^ flip) >> (32 - FLOAT_BITS)) as usize
}

/// Smallest height in a bin.
fn float_edge(bin: usize) -> f64 {
    let key = (bin as u64) << (32 - FLOAT_BITS);
    if key >= 1 << 32 {
        return f64::INFINITY;
    }
    let key = key as u32;
    let flip = if key & 0x8000_0000 != 0 {
        0x8000_0000
    } else {
        u32::MAX
    };
    f64::from(f32::from_bits(key ^ flip))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::grid::{Grid, Registration};
    use approx::assert_abs_diff_eq;
    use ndarray::Array2;

    fn wavy(rows: usize, columns: usize) -> Grid {
        Grid {
            heights_m: Array2::from_shape_fn((rows, columns), |(r, c)| {
                let (y, x) = (r as f32 / rows as f32, c as f32 / columns as f32);
                (4000.0 * (9.0 * y).sin() * (12.0 * x + y).cos() - 700.0 * y).round()
            }),
            west_deg: 0.5,
            registration: Registration::Pixel,
        }
    }

    fn collect(grid: &Grid, bins: Bins, parts: usize) -> Statistics {
        let placement = Placement::global(grid.columns(), grid.rows(), 0.0, grid.registration);
        let mut collectors: Vec<Collector> = (0..parts).map(|_| Collector::new(bins)).collect();
        let rows: Vec<RowSum> = grid
            .heights_m
            .outer_iter()
            .enumerate()
            .map(|(row, line)| {
                let area = cell_area(&placement, row);
                collectors[row % parts].add(row, line.as_slice().unwrap(), area)
            })
            .collect();
        let mut all = collectors.pop().unwrap();
        for part in collectors {
            all = all.merged(part);
        }
        all.finish(&placement, &rows).unwrap()
    }

    const WHOLE: Bins = Bins::Integer {
        first_m: -32768.0,
        step_m: 1.0,
        count: 65536,
    };

    #[test]
    fn whole_numbers_give_the_distribution_that_sorting_gives() {
        let grid = wavy(90, 180);
        let found = collect(&grid, WHOLE, 3).hypsometry;
        let sorted = Hypsometry::of_grid(&grid);
        assert_eq!(found.heights_m, sorted.heights_m);
        for (a, b) in found.share.iter().zip(&sorted.share) {
            assert_abs_diff_eq!(a, b, epsilon = 1e-12);
        }
        assert_abs_diff_eq!(found.mean_m, sorted.mean_m, epsilon = 1e-9);
    }

    #[test]
    fn floats_give_it_to_a_bin() {
        let grid = wavy(90, 180);
        let found = collect(&grid, Bins::Float, 1).hypsometry;
        let sorted = Hypsometry::of_grid(&grid);
        assert_eq!(
            (found.min_m(), found.max_m()),
            (sorted.min_m(), sorted.max_m())
        );
        for percent in [0.1, 5.0, 25.0, 50.0, 75.0, 95.0, 99.9] {
            let share = percent / 100.0;
            // One bin plus the whole metre this grid is rounded to.
            let bin = sorted.quantile_m(share).abs() / 4096.0 + 1.0;
            assert_abs_diff_eq!(
                found.quantile_m(share),
                sorted.quantile_m(share),
                epsilon = bin
            );
        }
        assert!(found.heights_m.is_sorted() && found.share.is_sorted());
    }

    #[test]
    fn any_number_of_parts_gives_the_same_numbers() {
        let grid = wavy(61, 120);
        for bins in [WHOLE, Bins::Float] {
            let one = collect(&grid, bins, 1);
            for parts in [2, 5] {
                assert_eq!(collect(&grid, bins, parts), one);
            }
        }
    }

    #[test]
    fn the_first_of_equal_extremes_is_named() {
        let mut grid = wavy(20, 40);
        for spot in [[7, 30], [7, 12], [15, 3]] {
            grid.heights_m[spot] = 9000.0;
        }
        let found = collect(&grid, WHOLE, 4);
        assert_eq!((found.max.row, found.max.column), (7, 12));
    }

    #[test]
    fn missing_cells_are_counted_with_their_area() {
        let mut grid = wavy(18, 36);
        grid.heights_m.row_mut(0).fill(f32::NAN);
        let found = collect(&grid, Bins::Float, 2);
        assert_eq!(found.missing, 36);
        // Closed form: a cap of 10 degrees covers (1 - sin 80°) / 2 of the sphere.
        let cap = 0.5 * (1.0 - 80f64.to_radians().sin());
        assert_abs_diff_eq!(found.missing_share, cap, epsilon = 1e-12);
    }

    #[test]
    fn float_bins_are_in_the_order_of_their_values() {
        let values = [
            -1e30f32, -8000.5, -1.0, -1e-20, 0.0, 1e-20, 0.5, 21134.0, 1e30,
        ];
        for pair in values.windows(2) {
            assert!(float_bin(pair[0]) <= float_bin(pair[1]));
        }
        for value in values {
            let bin = float_bin(value);
            assert!(float_edge(bin) <= f64::from(value));
            assert!(float_edge(bin + 1) >= f64::from(value));
        }
        assert_eq!(float_bin(-0.0), float_bin(0.0));
    }
}
