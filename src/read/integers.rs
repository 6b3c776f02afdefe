//! Rows of 8- and 16-bit whole numbers, worked on as they are stored.
//!
//! Nothing is decoded: a row's statistics all follow from how often each number occurs in it
//!
//! ```text
//!   area of number v   += count(v) · cell area        sum = Σ count(v) · v
//! ```
//!
//! and averages are taken of stored numbers, `height = mean × scale + shift` at the end. Counts and
//! sums are whole numbers, so no order of adding up can change them.

use super::cell::StoredInteger;
use super::downsampling::Downsampling;
use super::stats::{Bins, Collector, RowSum};
use super::stream::{Decode, HeldRows, Treatment};
use std::ops::RangeInclusive;

/// How stored numbers become heights, and which of them stand for "no data".
#[derive(Debug, Clone, PartialEq)]
pub(super) struct IntegerCells<T> {
    pub bins: Bins,
    pub scale: f64,
    pub shift_m: f64,
    pub missing: Vec<T>,
}

impl<T: StoredInteger> IntegerCells<T> {
    pub fn new(bins: Bins, decode: &Decode) -> Self {
        let (scale, shift_m, missing) = decode.parts();
        let missing = missing
            .iter()
            .filter_map(|&code| {
                let index = f64::from(code) - T::LOWEST as f64;
                let number = T::at((0.0..=65535.0).contains(&index).then_some(index as u16)?);
                // A code that the type cannot hold stands for nothing.
                (Into::<f64>::into(number) == f64::from(code)).then_some(number)
            })
            .collect();
        IntegerCells {
            bins,
            scale,
            shift_m,
            missing,
        }
    }

    fn height_m(&self, number: T) -> f32 {
        (Into::<f64>::into(number) * self.scale + self.shift_m) as f32
    }
}

impl<T: StoredInteger> Treatment for IntegerCells<T> {
    type Sample = T;
    type Collector = Counter;

    fn collector(&self) -> Counter {
        Counter {
            all: Collector::new(self.bins),
            counts: vec![[0; TABLE]; LANES],
        }
    }

    /// Other codes become the first, so that one comparison finds them all.
    fn prepare(&self, _row: usize, cells: &mut [T]) {
        if let [code, others @ ..] = self.missing.as_slice()
            && !others.is_empty()
        {
            for cell in cells.iter_mut().filter(|cell| others.contains(cell)) {
                *cell = *code;
            }
        }
    }

    fn collect(&self, counter: &mut Counter, row: usize, cells: &[T], area: u64) -> RowSum {
        counter.add(self, row, cells, area)
    }

    fn copy(&self, cells: &[T], out: &mut [f32]) {
        let missing = self.missing.first().copied();
        for (h, &cell) in out.iter_mut().zip(cells) {
            *h = if Some(cell) == missing {
                f32::NAN
            } else {
                self.height_m(cell)
            };
        }
    }

    fn average(
        &self,
        downsampling: &Downsampling,
        row: usize,
        source: HeldRows<'_, T>,
        complete: bool,
        out: &mut [f32],
    ) {
        let missing = self.missing.first().copied().filter(|_| !complete);
        downsampling.fill(row, |r| source.row(r), missing, out);
        for h in out {
            *h = (f64::from(*h) * self.scale + self.shift_m) as f32;
        }
    }
}

/// Tables counted into in turn: neighbours are often equal, and a processor waits before it adds
/// to a number it has just written.
const LANES: usize = 4;

/// Numbers in a table, and some padding: tables a power of two apart would fall on each other in
/// the cache.
const TABLE: usize = 65536 + 1056;

/// Cells counted before the tables, of 16-bit counts, are emptied.
const MOST_CELLS: usize = LANES * u16::MAX as usize;

/// Part of the statistics.
pub(super) struct Counter {
    all: Collector,
    counts: Vec<[u16; TABLE]>,
}

impl From<Counter> for Collector {
    fn from(counter: Counter) -> Collector {
        counter.all
    }
}

impl Counter {
    fn add<T: StoredInteger>(
        &mut self,
        numbers: &IntegerCells<T>,
        row: usize,
        cells: &[T],
        area: u64,
    ) -> RowSum {
        let (mut sum, mut missing) = (0i64, 0usize);
        let mut ends: Option<(u16, u16)> = None;
        for cells in cells.chunks(MOST_CELLS) {
            let range = pulp::Arch::new().dispatch(Ends { cells });
            self.count(cells);
            for code in &numbers.missing {
                for table in &mut self.counts {
                    missing += usize::from(std::mem::take(&mut table[usize::from(code.index())]));
                }
            }
            let Some((low, high)) = self.occupied(range) else {
                continue;
            };
            sum += self.empty::<T>(numbers, low..=high, area);
            ends = Some(ends.map_or((low, high), |(l, h)| (l.min(low), h.max(high))));
        }
        let valid = cells.len() - missing;
        if let Some((low, high)) = ends {
            let at = |index: u16| {
                let number = T::at(index);
                (numbers.height_m(number), number)
            };
            let (low, high) = (at(low), at(high));
            let (min, max) = match numbers.scale < 0.0 {
                true => (high, low),
                false => (low, high),
            };
            self.all.note(row, min, max, |number| {
                cells.iter().position(|&c| c == number).unwrap_or(0)
            });
        }
        RowSum {
            sum_m: sum as f64 * numbers.scale + valid as f64 * numbers.shift_m,
            missing,
        }
    }

    fn count<T: StoredInteger>(&mut self, cells: &[T]) {
        let Ok(tables) = <&mut [[u16; TABLE]; LANES]>::try_from(self.counts.as_mut_slice()) else {
            return;
        };
        let (chunks, rest) = cells.as_chunks::<LANES>();
        for chunk in chunks {
            for lane in 0..LANES {
                tables[lane][usize::from(chunk[lane].index())] += 1;
            }
        }
        for (lane, cell) in rest.iter().enumerate() {
            tables[lane][usize::from(cell.index())] += 1;
        }
    }

    /// Lowest and highest number still counted within a range.
    fn occupied(&self, (low, high): (u16, u16)) -> Option<(u16, u16)> {
        let counted = |index: &u16| self.counts.iter().any(|t| t[usize::from(*index)] > 0);
        let low = (low..=high).find(counted)?;
        let high = (low..=high).rev().find(counted)?;
        Some((low, high))
    }

    /// Moves the counts over to the areas; gives the sum of the numbers counted.
    fn empty<T: StoredInteger>(
        &mut self,
        numbers: &IntegerCells<T>,
        range: RangeInclusive<u16>,
        area: u64,
    ) -> i64 {
        let (low, high) = (usize::from(*range.start()), usize::from(*range.end()));
        let [a, b, c, d] = self.counts.as_mut_slice() else {
            return 0;
        };
        let first = T::LOWEST + low as i64;
        let areas = self.all.areas_mut();
        let last = areas.len() - 2;
        let backwards = numbers.scale < 0.0;
        pulp::Arch::new().dispatch(Empty {
            counts: [
                &mut a[low..=high],
                &mut b[low..=high],
                &mut c[low..=high],
                &mut d[low..=high],
            ],
            areas: if backwards {
                &mut areas[last - high..=last - low]
            } else {
                &mut areas[low..=high]
            },
            backwards,
            first,
            area,
        })
    }
}

/// Lowest and highest position in a row.
struct Ends<'a, T> {
    cells: &'a [T],
}

impl<T: StoredInteger> pulp::NullaryFnOnce for Ends<'_, T> {
    type Output = (u16, u16);

    #[inline(always)]
    fn call(self) -> (u16, u16) {
        let (mut low, mut high) = (u16::MAX, 0);
        for cell in self.cells {
            let index = cell.index();
            low = if index < low { index } else { low };
            high = if index > high { index } else { high };
        }
        (low, high)
    }
}

/// Moves counts over to areas and zeroes them.
struct Empty<'a> {
    counts: [&'a mut [u16]; LANES],
    areas: &'a mut [u64],
    /// Areas are in the opposite order.
    backwards: bool,
    /// Number of the first count.
    first: i64,
    area: u64,
}

impl pulp::NullaryFnOnce for Empty<'_> {
    type Output = i64;

    #[inline(always)]
    fn call(self) -> i64 {
        let [a, b, c, d] = self.counts;
        let count = self.areas.len();
        let (a, b) = (&mut a[..count], &mut b[..count]);
        let (c, d) = (&mut c[..count], &mut d[..count]);
        if self.backwards {
            self.areas.reverse();
        }
        let (mut sum, mut cells) = (0i64, 0i64);
        for i in 0..count {
            let found = u32::from(a[i]) + u32::from(b[i]) + u32::from(c[i]) + u32::from(d[i]);
            self.areas[i] += u64::from(found) * self.area;
            // Up to 2¹⁸ cells times a position below 2¹⁶.
            sum += i64::from(found) * i as i64;
            cells += i64::from(found);
        }
        a.fill(0);
        b.fill(0);
        c.fill(0);
        d.fill(0);
        if self.backwards {
            self.areas.reverse();
        }
        sum + cells * self.first
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::grid::Registration;
    use crate::read::placement::Placement;
    use crate::read::stats::{Statistics, cell_area};
    use crate::read::stream::FloatCells;
    use crate::read::values::Missing;
    use approx::assert_abs_diff_eq;

    const COLUMNS: usize = 200;
    const ROWS: usize = 40;

    /// Seeded numbers in runs, as measured ground has them, with a code here and there.
    fn field<T: StoredInteger>(codes: &[T]) -> Vec<T> {
        let mut state = 0x2545_f491_4f6c_dd1du64;
        let mut random = move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            state
        };
        let mut number = 0;
        (0..ROWS * COLUMNS)
            .map(|_| {
                let dice = random();
                if dice % 3 == 0 {
                    number = (dice >> 40) as u16;
                }
                match codes {
                    [_, ..] if dice % 7 == 0 => codes[(dice >> 20) as usize % codes.len()],
                    _ => T::at(number),
                }
            })
            .collect()
    }

    /// Statistics and averages by way of heights, which the whole numbers must give as well.
    fn agree<T: StoredInteger>(scale: f64, shift_m: f64, codes: &[T]) {
        let placement = Placement::global(COLUMNS, ROWS, 0.0, Registration::Pixel);
        let downsampling = Downsampling::new(&placement, 46, 18);
        let ends = [0, u16::MAX].map(|i| {
            let number: f64 = T::at(i).into();
            number * scale + shift_m
        });
        let bins = Bins::Integer {
            first_m: ends[0].min(ends[1]),
            step_m: scale.abs(),
            count: usize::from(T::at(u16::MAX).index()) + 1,
        };
        let missing = Missing {
            values: codes.iter().map(|&c| c.into()).collect(),
        };
        let decode = Decode::new(scale, shift_m, &missing);
        let numbers = IntegerCells::<T>::new(bins, &decode);
        let cells = field(codes);

        let floats: Vec<f32> = cells.iter().map(|&c| Into::<f64>::into(c) as f32).collect();
        let slow = run(
            &FloatCells {
                bins,
                decode: &decode,
                lower_m: &[],
            },
            &placement,
            &downsampling,
            floats,
        );
        let fast = run(&numbers, &placement, &downsampling, cells);
        let (slow_sums, slow_all, slow_heights) = slow;
        let (sums, all, heights) = fast;
        for (a, b) in sums.iter().zip(&slow_sums) {
            assert_eq!(a.missing, b.missing);
            assert_abs_diff_eq!(a.sum_m, b.sum_m, epsilon = 1e-2);
        }
        assert_eq!((all.min, all.max), (slow_all.min, slow_all.max));
        assert_eq!(all.missing, slow_all.missing);
        assert_eq!(
            (all.lowest, all.highest),
            (slow_all.lowest, slow_all.highest)
        );
        assert_eq!(all.hypsometry.heights_m, slow_all.hypsometry.heights_m);
        assert_eq!(all.hypsometry.share, slow_all.hypsometry.share);
        for (a, b) in heights.iter().zip(&slow_heights) {
            assert!(a.is_nan() == b.is_nan());
            if !a.is_nan() {
                assert_abs_diff_eq!(a, b, epsilon = 0.01);
            }
        }
    }

    fn run<W: Treatment>(
        treatment: &W,
        placement: &Placement,
        downsampling: &Downsampling,
        mut cells: Vec<W::Sample>,
    ) -> (Vec<RowSum>, Statistics, Vec<f32>) {
        let mut parts = vec![treatment.collector(), treatment.collector()];
        let mut sums = Vec::new();
        for (row, line) in cells.chunks_mut(COLUMNS).enumerate() {
            treatment.prepare(row, line);
            let area = cell_area(placement, row);
            sums.push(treatment.collect(&mut parts[row % 2], row, line, area));
        }
        let parts = parts.into_iter().map(Into::into);
        let all = parts.reduce(Collector::merged).unwrap();
        let statistics = all.finish(placement, &sums).unwrap();
        let mut heights = vec![0.0; downsampling.rows() * downsampling.columns()];
        for (row, out) in heights.chunks_mut(downsampling.columns()).enumerate() {
            let complete = sums[downsampling.source_rows(row)]
                .iter()
                .all(|s| s.missing == 0);
            let source = HeldRows {
                cells: &cells,
                columns: COLUMNS,
                first: 0,
            };
            treatment.average(downsampling, row, source, complete, out);
        }
        (sums, statistics, heights)
    }

    #[test]
    fn whole_numbers_give_what_heights_give() {
        agree::<i16>(1.0, 0.0, &[]);
        agree::<i16>(0.5, 0.0, &[-32768]);
        agree::<i16>(-0.25, 100.0, &[-32768, 32767, 0]);
        agree::<u16>(0.5, -10_000.0, &[0]);
        agree::<u16>(1.0, 0.0, &[]);
        agree::<u8>(100.0, 0.0, &[255]);
    }

    #[test]
    fn a_row_longer_than_the_counts_hold_is_counted_in_parts() {
        let cells = vec![7i16; 3 * MOST_CELLS + 5];
        let bins = Bins::Integer {
            first_m: -32768.0,
            step_m: 1.0,
            count: 65536,
        };
        let numbers = IntegerCells::<i16>::new(bins, &Decode::None);
        let mut counter = numbers.collector();
        let sum = numbers.collect(&mut counter, 0, &cells, 3);
        assert_eq!(sum.sum_m, 7.0 * cells.len() as f64);
        assert_eq!(counter.all.areas_mut()[32768 + 7], 3 * cells.len() as u64);
    }
}
