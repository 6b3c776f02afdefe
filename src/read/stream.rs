//! The one pass over a source: strips of rows in, statistics and a working grid out.
//!
//! One thread reads the next strip while the others work on the last, so memory holds two
//! strips, the working grid and the statistics, whatever the size of the source.

use super::downsampling::Downsampling;
use super::placement::Placement;
use super::polar_averaging::{PolarAveraging, StreamedPolarAveraging};
use super::stats::{Bins, Collector, RowSum, Statistics, cell_area};
use super::values::{LARGEST, Missing};
use crate::model::error::Result;
use crate::model::parallel;
use crate::model::progress::Progress;
use crate::read::stored_grid::{GridFile, Writer};
use ndarray::Array2;
use std::ops::Range;
use std::sync::mpsc::sync_channel;
use std::sync::{Mutex, PoisonError};
use std::thread::Builder;

/// Rows of stored numbers, from the north.
pub(super) trait RowSource<T>: Send {
    /// Fills `out` with whole rows of numbers from `first` on.
    fn read(&mut self, first: usize, out: &mut [T]) -> Result<()>;
}

/// What is done with rows of one type of number.
pub(super) trait Treatment: Sync {
    /// A cell as it is read.
    type Sample: Copy + Default + Send + Sync;
    /// Part of the statistics.
    type Collector: Send + Into<Collector>;

    /// An empty collector.
    fn collector(&self) -> Self::Collector;

    /// Makes a fresh row ready for the rest.
    fn prepare(&self, row: usize, cells: &mut [Self::Sample]);

    /// Takes a row into the statistics; `area` from [`cell_area`].
    fn collect(
        &self,
        collector: &mut Self::Collector,
        row: usize,
        cells: &[Self::Sample],
        area: u64,
    ) -> RowSum;

    /// A row's heights, NaN where missing.
    fn copy(&self, cells: &[Self::Sample], out: &mut [f32]);

    /// Heights of a working row; `complete` when no cell under it is missing.
    fn average(
        &self,
        downsampling: &Downsampling,
        row: usize,
        source: HeldRows<'_, Self::Sample>,
        complete: bool,
        out: &mut [f32],
    );
}

/// Rows of a source that are in memory, from `first` on.
#[derive(Clone, Copy)]
pub(super) struct HeldRows<'a, S> {
    pub cells: &'a [S],
    pub columns: usize,
    pub first: usize,
}

impl<'a, S> HeldRows<'a, S> {
    /// A row, counted as the source counts.
    pub fn row(&self, row: usize) -> &'a [S] {
        &self.cells[(row - self.first) * self.columns..][..self.columns]
    }
}

/// Numbers read as single-precision floats, made heights at once.
pub(super) struct FloatCells<'a> {
    pub bins: Bins,
    pub decode: &'a Decode,
    /// Metres to take off each row, none when empty.
    pub lower_m: &'a [f64],
}

impl Treatment for FloatCells<'_> {
    type Sample = f32;
    type Collector = Collector;

    fn collector(&self) -> Collector {
        Collector::new(self.bins)
    }

    fn prepare(&self, row: usize, cells: &mut [f32]) {
        self.decode.apply(cells);
        if let Some(&lower_m) = self.lower_m.get(row) {
            for h in cells {
                *h = (f64::from(*h) - lower_m) as f32;
            }
        }
    }

    fn collect(&self, collector: &mut Collector, row: usize, cells: &[f32], area: u64) -> RowSum {
        collector.add(row, cells, area)
    }

    fn copy(&self, cells: &[f32], out: &mut [f32]) {
        out.copy_from_slice(cells);
    }

    fn average(
        &self,
        downsampling: &Downsampling,
        row: usize,
        source: HeldRows<'_, f32>,
        complete: bool,
        out: &mut [f32],
    ) {
        downsampling.fill(row, |r| source.row(r), (!complete).then_some(f32::NAN), out);
    }
}

/// How stored numbers become heights in metres, NaN where missing.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Decode {
    /// They are heights already.
    None,
    /// `stored × scale + shift_m`, unless it is one of `missing` or too large to be a height.
    Linear {
        scale: f64,
        shift_m: f64,
        missing: Vec<f32>,
    },
}

impl Decode {
    pub fn new(scale: f64, shift_m: f64, missing: &Missing) -> Self {
        Decode::Linear {
            scale,
            shift_m,
            missing: missing.values.iter().map(|&v| v as f32).collect(),
        }
    }

    /// Factor, metres added, and numbers that mean "no data".
    pub fn parts(&self) -> (f64, f64, &[f32]) {
        match self {
            Decode::None => (1.0, 0.0, &[]),
            Decode::Linear {
                scale,
                shift_m,
                missing,
            } => (*scale, *shift_m, missing),
        }
    }

    /// Takes one more stored number for "no data".
    pub fn also_missing(&mut self, fill: f64) {
        if let Decode::Linear { missing, .. } = self {
            missing.push(fill as f32);
        }
    }

    /// Turns stored numbers into heights in place.
    pub fn apply(&self, cells: &mut [f32]) {
        let Decode::Linear {
            scale,
            shift_m,
            missing,
        } = self
        else {
            return;
        };
        let fill = match missing.as_slice() {
            // One fill value or none is the rule, and is done at memory speed.
            [] => f32::NAN,
            [fill] => *fill,
            [fill, others @ ..] => {
                for v in cells.iter_mut().filter(|v| others.contains(v)) {
                    *v = f32::NAN;
                }
                *fill
            }
        };
        pulp::Arch::new().dispatch(ToHeights {
            cells,
            scale: *scale,
            shift_m: *shift_m,
            fill,
        });
    }
}

/// A struct and not a closure: what it calls must be compiled for the widest vectors.
struct ToHeights<'a> {
    cells: &'a mut [f32],
    scale: f64,
    shift_m: f64,
    fill: f32,
}

impl pulp::NullaryFnOnce for ToHeights<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for v in self.cells {
            // Comparisons with NaN are false.
            let kept = (v.abs() <= LARGEST as f32) & (*v != self.fill);
            let height = (f64::from(*v) * self.scale + self.shift_m) as f32;
            *v = if kept { height } else { f32::NAN };
        }
    }
}

/// What becomes of the heights besides statistics.
pub(super) enum Keep {
    /// Nothing.
    Nothing,
    /// All of them.
    All,
    /// Averages.
    Averages(Downsampling),
}

/// Where heights that are kept go when there are more than memory may hold: to a file, row by row,
/// so that whatever is done to a row is done on its way.
pub(super) struct ToFile<'a> {
    pub grid_file: &'a GridFile,
    /// Last touch to the rows.
    pub averaging: PolarAveraging,
}

/// Heights as they were kept.
pub(super) enum Kept {
    Held(Array2<f32>),
    Stored(Box<Writer>),
}

/// Bytes of one strip at most: large enough that hand-over costs nothing, small beside a working
/// grid.
const STRIP_BYTES: usize = 16 << 20;

/// Of a small grid a strip is a sixteenth, so that some are worked on while others are being read,
/// but no less than this.
const LEAST_STRIP_BYTES: usize = 2 << 20;

/// Collectors at most: each needs a table of up to 32 MB.
const COLLECTORS: usize = 8;

/// Rows read together: `read` holds what the working rows in `out` need, `own` the part of it
/// that no other strip counts.
#[derive(Debug, Clone, PartialEq)]
struct Strip {
    read: Range<usize>,
    own: Range<usize>,
    out: Range<usize>,
}

/// What a scan is to make of a source beside statistics.
#[derive(Clone, Copy)]
pub(super) struct Scan<'a> {
    pub placement: &'a Placement,
    pub keep: &'a Keep,
    /// Where heights go that memory does not hold.
    pub to_file: Option<&'a ToFile<'a>>,
    pub progress: &'a dyn Progress,
}

/// Statistics, `None` when no cell holds data; and heights, `None` for [`Keep::Nothing`].
pub(super) type Scanned = (Option<Statistics>, Option<Kept>);

/// Reads everything once.
pub(super) fn run<T: Treatment>(
    source: &mut dyn RowSource<T::Sample>,
    treatment: &T,
    scan: &Scan<'_>,
) -> Result<Scanned> {
    let Scan {
        placement,
        keep,
        progress,
        ..
    } = *scan;
    let columns = placement.columns;
    let strips = plan(placement, keep, size_of::<T::Sample>());
    let mut sink = Sink::of(scan)?;
    let parts = rayon::current_num_threads().clamp(1, COLLECTORS);
    let mut collectors: Vec<T::Collector> = (0..parts).map(|_| treatment.collector()).collect();
    let mut sums = vec![RowSum::default(); placement.rows];

    progress.start("reading the grid", placement.rows as u64);
    read_ahead(source, &strips, columns, |strip, buffer| {
        parallel::chunks(buffer, columns, &|i, cells| {
            treatment.prepare(strip.read.start + i, cells);
        });
        let rows = HeldRows {
            cells: buffer,
            columns,
            first: strip.read.start,
        };
        collect(
            treatment,
            placement,
            strip,
            rows,
            &mut collectors,
            &mut sums,
        );
        sink.take(treatment, keep, strip, rows, &sums)?;
        progress.step(strip.own.len() as u64);
        Ok(())
    })?;
    let kept = sink.finish()?;
    progress.done();

    let collectors = collectors.into_iter().map(Into::into);
    let all = collectors.reduce(Collector::merged);
    Ok((all.and_then(|all| all.finish(placement, &sums)), kept))
}

/// Hands strip after strip to `work`, while another thread reads the next one.
fn read_ahead<S: Copy + Default + Send>(
    source: &mut dyn RowSource<S>,
    strips: &[Strip],
    columns: usize,
    mut work: impl FnMut(&Strip, &mut [S]) -> Result<()>,
) -> Result<()> {
    let source = Mutex::new(source);
    let fetch = |strip: &Strip, buffer: &mut Vec<S>| {
        buffer.resize(strip.read.len() * columns, S::default());
        let mut source = source.lock().unwrap_or_else(PoisonError::into_inner);
        source.read(strip.read.start, buffer)
    };
    let fetch = &fetch;
    std::thread::scope(|scope| {
        let (full, filled) = sync_channel::<Result<Vec<S>>>(0);
        let (empty, emptied) = sync_channel::<Vec<S>>(2);
        for _ in 0..2 {
            // The receiver is alive and the channel has room for both.
            let _ = empty.send(Vec::new());
        }
        let ahead = Builder::new().spawn_scoped(scope, move || {
            for strip in strips {
                let Ok(mut buffer) = emptied.recv() else {
                    return;
                };
                let outcome = fetch(strip, &mut buffer);
                let failed = outcome.is_err();
                if full.send(outcome.map(|()| buffer)).is_err() || failed {
                    return;
                }
            }
        });
        for strip in strips {
            let mut buffer = match &ahead {
                Ok(_) => match filled.recv() {
                    Ok(buffer) => buffer?,
                    Err(_) => break,
                },
                // No thread is to be had: one after the other.
                Err(_) => {
                    let mut buffer = Vec::new();
                    fetch(strip, &mut buffer)?;
                    buffer
                }
            };
            work(strip, &mut buffer)?;
            let _ = empty.send(buffer);
        }
        Ok(())
    })
}

/// Where heights go that are kept.
enum Sink {
    Nowhere,
    Memory(Array2<f32>),
    File {
        writer: Box<Writer>,
        streamed: StreamedPolarAveraging,
    },
}

impl Sink {
    fn of(scan: &Scan<'_>) -> Result<Sink> {
        let size = match scan.keep {
            Keep::Nothing => return Ok(Sink::Nowhere),
            Keep::All => (scan.placement.rows, scan.placement.columns),
            Keep::Averages(downsampling) => (downsampling.rows(), downsampling.columns()),
        };
        Ok(match scan.to_file {
            None => Sink::Memory(Array2::zeros(size)),
            Some(to) => Sink::File {
                writer: Box::new(Writer::on(to.grid_file, to.averaging.layout)?),
                streamed: StreamedPolarAveraging::new(to.averaging),
            },
        })
    }

    /// Takes the working rows of a strip.
    fn take<T: Treatment>(
        &mut self,
        treatment: &T,
        keep: &Keep,
        strip: &Strip,
        source: HeldRows<'_, T::Sample>,
        sums: &[RowSum],
    ) -> Result<()> {
        let mut fresh = Vec::new();
        let (out, averaging) = match self {
            Sink::Nowhere => return Ok(()),
            Sink::Memory(heights) => {
                let width = heights.ncols();
                // A fresh array is contiguous.
                let cells = heights.as_slice_mut().unwrap_or_default();
                let rows = strip.out.start * width..strip.out.end * width;
                (cells.get_mut(rows).unwrap_or_default(), None)
            }
            Sink::File { streamed, .. } => {
                let averaging = streamed.averaging;
                fresh.resize(strip.out.len() * averaging.layout.columns, 0.0);
                (fresh.as_mut_slice(), Some(averaging))
            }
        };
        let width = out.len() / strip.out.len();
        parallel::chunks(out, width, &|i, line| {
            let r = strip.out.start + i;
            match keep {
                Keep::Averages(downsampling) => {
                    let mut sums = sums[downsampling.source_rows(r)].iter();
                    let complete = sums.all(|sum| sum.missing == 0);
                    treatment.average(downsampling, r, source, complete, line);
                }
                _ => treatment.copy(source.row(r), line),
            }
            if let Some(averaging) = averaging {
                averaging.row(r, line);
            }
        });
        if let Sink::File { writer, streamed } = self {
            for line in fresh.chunks(width) {
                if let Some(line) = streamed.next(Some(line)) {
                    writer.push(line)?;
                }
            }
        }
        Ok(())
    }

    fn finish(self) -> Result<Option<Kept>> {
        Ok(match self {
            Sink::Nowhere => None,
            Sink::Memory(heights) => Some(Kept::Held(heights)),
            Sink::File {
                mut writer,
                mut streamed,
            } => {
                if let Some(last) = streamed.next(None) {
                    writer.push(last)?;
                }
                Some(Kept::Stored(writer))
            }
        })
    }
}

fn collect<T: Treatment>(
    treatment: &T,
    placement: &Placement,
    strip: &Strip,
    source: HeldRows<'_, T::Sample>,
    collectors: &mut [T::Collector],
    sums: &mut [RowSum],
) {
    let first = strip.own.start;
    let sums = &mut sums[strip.own.clone()];
    let share = sums.len().div_ceil(collectors.len()).max(1);
    let parts = collectors.iter_mut().zip(sums.chunks_mut(share));
    parallel::given(parts, &|part, (collector, sums)| {
        for (offset, sum) in sums.iter_mut().enumerate() {
            let r = first + part * share + offset;
            *sum = treatment.collect(collector, r, source.row(r), cell_area(placement, r));
        }
    });
}

/// Cuts the rows into strips that end where a working row ends.
fn plan(placement: &Placement, keep: &Keep, cell_bytes: usize) -> Vec<Strip> {
    let row_bytes = cell_bytes * placement.columns;
    let part = row_bytes.saturating_mul(placement.rows) / 16;
    let budget = (part.clamp(LEAST_STRIP_BYTES, STRIP_BYTES) / row_bytes).max(1);
    let Keep::Averages(downsampling) = keep else {
        return (0..placement.rows)
            .step_by(budget)
            .map(|first| {
                let rows = first..(first + budget).min(placement.rows);
                Strip {
                    read: rows.clone(),
                    own: rows.clone(),
                    out: rows,
                }
            })
            .collect();
    };
    let mut strips = Vec::new();
    let (mut out, mut counted) = (0, 0);
    while out < downsampling.rows() {
        let first = downsampling.source_rows(out).start;
        let mut end = out + 1;
        while end < downsampling.rows() && downsampling.source_rows(end).end - first <= budget {
            end += 1;
        }
        let last = if end == downsampling.rows() {
            placement.rows
        } else {
            downsampling.source_rows(end - 1).end
        };
        strips.push(Strip {
            read: first..last,
            own: counted..last,
            out: out..end,
        });
        (out, counted) = (end, last);
    }
    strips
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::error::{Error, Problem};
    use crate::model::grid::Registration;
    use crate::model::progress::Silent;

    const HEIGHTS: FloatCells<'static> = FloatCells {
        bins: Bins::Float,
        decode: &Decode::None,
        lower_m: &[],
    };

    struct Formula {
        columns: usize,
        fail_at: usize,
    }

    impl RowSource<f32> for Formula {
        fn read(&mut self, first: usize, out: &mut [f32]) -> Result<()> {
            for (i, line) in out.chunks_mut(self.columns).enumerate() {
                if first + i >= self.fail_at {
                    return Err(Error::Grid(Problem::new("torn")));
                }
                for (c, h) in line.iter_mut().enumerate() {
                    *h = ((first + i) * 3 + c) as f32;
                }
            }
            Ok(())
        }
    }

    fn strips_of(columns: usize, rows: usize, to: Option<(usize, usize)>) -> Vec<Strip> {
        let placement = Placement::global(columns, rows, 0.0, Registration::Pixel);
        let keep = match to {
            None => Keep::All,
            Some((c, r)) => Keep::Averages(Downsampling::new(&placement, c, r)),
        };
        plan(&placement, &keep, 4)
    }

    #[test]
    fn strips_count_every_row_once_and_read_what_they_need() {
        for to in [None, Some((6283, 3141)), Some((3000, 1500))] {
            let strips = strips_of(106_694, 53_347, to);
            let mut next = (0, 0);
            for strip in &strips {
                assert_eq!((strip.own.start, strip.out.start), next);
                assert!(strip.read.start <= strip.own.start && strip.read.end == strip.own.end);
                assert!(strip.read.len() * 106_694 * 4 <= STRIP_BYTES + (1 << 20));
                next = (strip.own.end, strip.out.end);
            }
            assert_eq!(next, (53_347, to.map_or(53_347, |t| t.1)));
        }
    }

    #[test]
    fn every_cell_arrives_and_an_error_stops_the_pass() {
        let placement = Placement::global(64, 32, 0.0, Registration::Pixel);
        let mut source = Formula {
            columns: 64,
            fail_at: usize::MAX,
        };
        let scan = Scan {
            placement: &placement,
            keep: &Keep::All,
            to_file: None,
            progress: &Silent,
        };
        let (stats, kept) = run(&mut source, &HEIGHTS, &scan).unwrap();
        let Some(Kept::Held(heights)) = kept else {
            panic!("not held");
        };
        assert_eq!(heights[[31, 63]], (31 * 3 + 63) as f32);
        assert_eq!(stats.unwrap().max.row, 31);
        source.fail_at = 20;
        let error = run(&mut source, &HEIGHTS, &scan).err();
        assert_eq!(error.unwrap().to_string(), "grid: torn");
    }
}
