//! Steps and tracks along meridians and parallels.
//!
//! The jump from one sample to the next across a line, freed of the slope on both sides,
//!
//! ```text
//!   e = (h₂ − h₁) − ½ ((h₁ − h₀) + (h₃ − h₂)),
//! ```
//!
//! is taken in units of the mean size of `e` in the neighbourhood, so that rough and smooth ground
//! count alike, cut off at [`MOST`], and averaged along runs of 5° and more. Natural ridges and
//! scarps seldom follow a line to the sample: over `n` samples that know nothing of each other,
//! their average lies within 13/√n of nothing on Mars and Earth, cells of 1/12° to 2°.

use super::{Fault, FaultKind, Search};
use crate::model::parallel;
use std::ops::{Add, Range, Sub};

/// Length of the blocks that runs are put together from, degrees of a great circle.
const BLOCK_DEG: f64 = 2.5;

/// Least independent samples in a block.
const BLOCK_SAMPLES: f64 = 12.0;

/// Times √n by which a run's mean stands out.
const STANDS_OUT: f64 = 15.0;

/// Jumps count up to this many times the mean size of those around.
const MOST: f32 = 3.0;

/// The neighbourhood of a jump: from here to there on either side.
const NEAR: usize = 3;
const FAR: usize = 8;

/// Meridians converge: beyond this latitude their lines are spokes.
const MERIDIANS_TO_DEG: f64 = 75.0;

/// Parallels are looked at up to here.
const PARALLELS_TO_DEG: f64 = 87.0;

/// Rows worked on at once; more would need more memory.
const STRIP_ROWS: usize = 32;

/// Jumps along a run that are looked at for its size.
const MOST_JUMPS: usize = 512;

/// Sums over a block: jumps in units of their neighbourhood, the same in metres, their number.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    units: f32,
    metres: f32,
    count: f32,
}

impl Sum {
    fn take(&mut self, jump: f32, around: f32, least: f32) {
        let around = around.max(least);
        let units = (jump / around).clamp(-MOST, MOST);
        self.units += units;
        self.metres += units * around;
        self.count += 1.0;
    }
}

impl Add for Sum {
    type Output = Sum;

    fn add(self, other: Sum) -> Sum {
        Sum {
            units: self.units + other.units,
            metres: self.metres + other.metres,
            count: self.count + other.count,
        }
    }
}

impl Sub for Sum {
    type Output = Sum;

    fn sub(self, other: Sum) -> Sum {
        Sum {
            units: self.units - other.units,
            metres: self.metres - other.metres,
            count: self.count - other.count,
        }
    }
}

/// What a band of rows gives: a block of every meridian, and the blocks of its parallels.
struct LatitudeBand {
    meridians: Vec<Sum>,
    parallels: Vec<Vec<Sum>>,
}

/// A stretch of a line that stands out.
#[derive(Debug, Clone)]
struct Run {
    /// Column or row before the line.
    line: usize,
    /// Rows or columns along it; columns may go on past the last.
    stretch: Range<usize>,
    /// Usual jump across it, metres.
    jump_m: f64,
}

/// Jump between the two samples in the middle, freed of the slope on both sides.
fn jump(h: [f32; 4]) -> f32 {
    (h[2] - h[1]) - 0.5 * ((h[1] - h[0]) + (h[3] - h[2]))
}

impl Search<'_> {
    /// The largest line along a meridian and the largest along a parallel.
    pub(super) fn lines(&self) -> Vec<Fault> {
        let (rows, columns) = (self.layout.rows, self.layout.columns);
        let band_rows = (self.block_deg() / self.layout.step_lat_deg()).round() as usize;
        let bands = parallel::indexed(rows.div_ceil(band_rows), &|band| {
            self.band(band * band_rows..((band + 1) * band_rows).min(rows))
        });
        let meridians = parallel::indexed(columns, &|line| {
            let blocks: Vec<Sum> = bands.iter().map(|band| band.meridians[line]).collect();
            let run = self.strongest(&blocks, false)?;
            let stretch = run.start * band_rows..(run.end * band_rows).min(rows);
            Some(self.run(true, line, stretch))
        });
        let meridians = meridians.into_iter().flatten().collect();
        let parallels: Vec<Run> = bands
            .iter()
            .flat_map(|band| &band.parallels)
            .enumerate()
            .filter_map(|(line, blocks)| {
                let run = self.strongest(blocks, true)?;
                let column = |block: usize| block * columns / blocks.len();
                Some(self.run(false, line, column(run.start)..column(run.end)))
            })
            .collect();
        let worst = [self.worst(true, meridians), self.worst(false, parallels)];
        worst.into_iter().flatten().collect()
    }

    /// Degrees of a great circle in a block.
    fn block_deg(&self) -> f64 {
        BLOCK_DEG.max(BLOCK_SAMPLES * self.apart_deg())
    }

    /// Sums of jumps in a band of rows.
    fn band(&self, rows: Range<usize>) -> LatitudeBand {
        let middle_deg = self.layout.lat_deg((rows.start + rows.end - 1) / 2);
        let around_deg = 360.0 * middle_deg.to_radians().cos();
        let blocks = (around_deg / self.block_deg()).max(1.0) as usize;
        let mut band = LatitudeBand {
            meridians: vec![Sum::default(); self.layout.columns],
            parallels: vec![vec![Sum::default(); blocks]; rows.len()],
        };
        let mut parallels = band.parallels.iter_mut();
        for start in rows.clone().step_by(STRIP_ROWS) {
            let strip = start..(start + STRIP_ROWS).min(rows.end);
            let from = strip.start.saturating_sub(FAR + 1);
            let to = (strip.end + FAR + 2).min(self.layout.rows);
            let lines: Vec<Vec<f32>> = (from..to).map(|row| self.row(row)).collect();
            for row in strip.clone() {
                if self.layout.lat_deg(row).abs() < MERIDIANS_TO_DEG {
                    self.across_columns(&lines[row - from], &mut band.meridians);
                }
            }
            // Jumps from the second of four rows to the third.
            let jumps: Vec<Vec<f32>> = lines.windows(4).map(jumps_between).collect();
            for (row, blocks) in strip.zip(&mut parallels) {
                if self.layout.lat_deg(row).abs() < PARALLELS_TO_DEG && row > from {
                    self.across_rows(&jumps, row - from - 1, blocks);
                }
            }
        }
        band
    }

    /// Adds a row's jumps between each column and the next.
    fn across_columns(&self, line: &[f32], sums: &mut [Sum]) {
        let columns = line.len();
        let padded = [&line[columns - 1..], line, &line[..2]].concat();
        let jumps: Vec<f32> = padded
            .windows(4)
            .map(|h| jump([h[0], h[1], h[2], h[3]]))
            .collect();
        // Sums of sizes up to each column, carried on over the edge on both sides.
        let mut up_to = Vec::with_capacity(columns + 2 * FAR + 2);
        let mut sum = 0.0f64;
        up_to.push(sum);
        let before = &jumps[columns - FAR..];
        for size in before.iter().chain(&jumps).chain(&jumps[..=FAR]) {
            sum += f64::from(size.abs());
            up_to.push(sum);
        }
        let least = self.least();
        let share = 1.0 / (2 * (FAR - NEAR + 1)) as f64;
        for (c, (&jump, sum)) in jumps.iter().zip(sums).enumerate() {
            let west = up_to[c + FAR - NEAR + 1] - up_to[c];
            let east = up_to[c + 2 * FAR + 1] - up_to[c + FAR + NEAR];
            sum.take(jump, ((west + east) * share) as f32, least);
        }
    }

    /// Adds the jumps between a row and the next to the blocks of their parallel.
    fn across_rows(&self, jumps: &[Vec<f32>], at: usize, blocks: &mut [Sum]) {
        let north = (NEAR..=FAR).filter_map(|by| jumps.get(at.checked_sub(by)?));
        let south = (NEAR..=FAR).filter_map(|by| jumps.get(at + by));
        let beside: Vec<&Vec<f32>> = north.chain(south).collect();
        let Some(jumps) = jumps.get(at).filter(|_| beside.len() > FAR - NEAR) else {
            return;
        };
        let columns = jumps.len();
        let mut sizes = vec![0.0f32; columns];
        for jumps in &beside {
            for (size, jump) in sizes.iter_mut().zip(*jumps) {
                *size += jump.abs();
            }
        }
        let (least, share) = (self.least(), 1.0 / beside.len() as f32);
        let count = blocks.len();
        for (block, sum) in blocks.iter_mut().enumerate() {
            let cells = block * columns / count..(block + 1) * columns / count;
            for (&jump, &size) in jumps[cells.clone()].iter().zip(&sizes[cells]) {
                sum.take(jump, size * share, least);
            }
        }
    }

    /// Least size by which jumps are measured: even ground has jumps of nothing.
    fn least(&self) -> f32 {
        (0.1 * self.visible_m) as f32
    }

    /// The run of two or more blocks whose mean stands out most, if it does and can be seen;
    /// `around` tells that the last block is followed by the first.
    fn strongest(&self, blocks: &[Sum], around: bool) -> Option<Range<usize>> {
        let count = blocks.len();
        let mut up_to = vec![Sum::default()];
        let mut sum = Sum::default();
        for block in blocks.iter().chain(blocks) {
            sum = sum + *block;
            up_to.push(sum);
        }
        // Blocks that are not looked at hold nothing.
        let empty = |run: &Range<usize>| run.clone().any(|i| blocks[i % count].count == 0.0);
        let (mut best, mut most) = (None, STANDS_OUT);
        let mut length = 2;
        while length <= count {
            let independent = length as f64 * self.block_deg() / self.apart_deg();
            for first in 0..if around { count } else { count - length + 1 } {
                let run = first..first + length;
                let sum = up_to[run.end] - up_to[run.start];
                let mean = |sum_of: f32| f64::from((sum_of / sum.count.max(1.0)).abs());
                let stands_out = mean(sum.units) * independent.sqrt();
                if stands_out >= most && mean(sum.metres) >= self.visible_m && !empty(&run) {
                    (best, most) = (Some(run), stands_out);
                }
            }
            length *= 2;
        }
        best
    }

    fn run(&self, meridian: bool, line: usize, stretch: Range<usize>) -> Run {
        Run {
            jump_m: self.usual_jump_m(meridian, line, &stretch),
            line,
            stretch,
        }
    }

    /// Median of the jumps across a stretch of a line, metres.
    fn usual_jump_m(&self, meridian: bool, line: usize, stretch: &Range<usize>) -> f64 {
        let (rows, columns) = (self.layout.rows, self.layout.columns);
        let height = |along: usize, across: usize| {
            if meridian {
                self.grid.at(along, (line + columns + across - 1) % columns)
            } else {
                let row = (line + across).saturating_sub(1).min(rows - 1);
                self.grid.at(row, along % columns)
            }
        };
        let step = stretch.len().div_ceil(MOST_JUMPS).max(1);
        let mut jumps: Vec<f32> = stretch
            .clone()
            .step_by(step)
            .map(|along| jump([0, 1, 2, 3].map(|across| height(along, across))))
            .collect();
        jumps.sort_by(f32::total_cmp);
        f64::from(jumps.get(jumps.len() / 2).copied().unwrap_or(0.0))
    }

    /// The largest line, with the number of others.
    fn worst(&self, meridian: bool, mut runs: Vec<Run>) -> Option<Fault> {
        let layout = self.layout;
        let lines = if meridian {
            layout.columns
        } else {
            layout.rows
        };
        runs.sort_by(|a, b| {
            let larger = b.jump_m.abs().total_cmp(&a.jump_m.abs());
            larger.then(a.line.cmp(&b.line))
        });
        // A line stands out beside itself as well.
        let mut apart: Vec<Run> = Vec::new();
        for run in runs {
            let between = |other: &Run| {
                let straight = run.line.abs_diff(other.line);
                straight.min(lines - straight)
            };
            if apart.iter().all(|other| between(other) > NEAR) {
                apart.push(run);
            }
        }
        let run = apart.first()?;
        let back = (1..=NEAR).find(|by| {
            let beside = [(run.line + lines - by) % lines, (run.line + by) % lines];
            beside.into_iter().any(|line| {
                let jump_m = self.usual_jump_m(meridian, line, &run.stretch);
                jump_m * run.jump_m < 0.0 && jump_m.abs() > 0.7 * run.jump_m.abs()
            })
        });
        // A single sample jumps one and a half times: half of its jump back is taken for slope.
        let size_m = run.jump_m.abs() / if back == Some(1) { 1.5 } else { 1.0 };
        let middle = 0.5 * (run.stretch.start + run.stretch.end - 1) as f64;
        let beside = run.line as f64 + 0.5;
        let (row, column) = if meridian {
            (middle, beside)
        } else {
            (beside, middle)
        };
        let step_deg = if meridian {
            layout.step_lat_deg()
        } else {
            self.column_deg(run.line)
        };
        (size_m >= self.visible_m).then(|| Fault {
            kind: FaultKind::Line {
                meridian,
                track: back.is_some(),
                long_deg: run.stretch.len() as f64 * step_deg,
                others: apart.len() - 1,
            },
            lat_deg: layout.north_deg() - row * layout.step_lat_deg(),
            lon_deg: (layout.west_deg + column * layout.step_lon_deg()).rem_euclid(360.0),
            size_m,
        })
    }
}

fn jumps_between(lines: &[Vec<f32>]) -> Vec<f32> {
    let at = |line: usize, c: usize| lines[line][c];
    (0..lines[0].len())
        .map(|c| jump([at(0, c), at(1, c), at(2, c), at(3, c)]))
        .collect()
}
