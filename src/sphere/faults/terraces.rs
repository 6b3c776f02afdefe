//! Terraces of heights that come in steps.

use super::{Fault, FaultKind, Search};
use crate::model::grid::Hypsometry;
use crate::model::parallel;
use crate::sphere::resolution::spread_rows;

/// Smaller steps than so many times what can be seen at all make no terrace: the cutter rounds
/// them off.
const STEPS: f64 = 2.0;

/// Cells each way by which a tread is one.
const LEAST_CELLS: usize = 4;

/// Treads are looked for up to this latitude, north and south.
const TO_DEG: f64 = 75.0;

/// Every height occurs at least so many times on average.
const OFTEN: u64 = 50;

impl Search<'_> {
    /// The widest tread of terraces.
    pub(super) fn terraces(&self, hypsometry: &Hypsometry, cells: u64) -> Option<Fault> {
        let step_m = step_m(hypsometry, cells)?;
        if step_m < STEPS * self.visible_m {
            return None;
        }
        let level_m = (0.02 * step_m) as f32;
        let rows = spread_rows(self.layout, TO_DEG);
        let widest = parallel::mapped(&rows, &|&row| {
            let (cells, middle) = tread(&self.row(row), level_m);
            let deep = self.level_rows(row, middle, level_m);
            let wide_deg = cells as f64 * self.column_deg(row);
            (cells.min(deep) >= LEAST_CELLS).then_some((wide_deg, row, middle))
        });
        let (wide_deg, row, column) = widest
            .into_iter()
            .flatten()
            .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))?;
        Some(Fault {
            kind: FaultKind::Terraces { wide_deg },
            lat_deg: self.layout.lat_deg(row),
            lon_deg: self.layout.lon_deg(column),
            size_m: step_m,
        })
    }

    /// Rows that are level with a sample, north and south of it, as far as they matter.
    fn level_rows(&self, row: usize, column: usize, level_m: f32) -> usize {
        let height = self.grid.at(row, column);
        let level = |row: &usize| (self.grid.at(*row, column) - height).abs() <= level_m;
        let north = (row.saturating_sub(LEAST_CELLS)..row).rev();
        let south = row..(row + LEAST_CELLS).min(self.layout.rows);
        north.take_while(level).count() + south.take_while(level).count()
    }
}

/// Cells of the longest stretch of a row within which neighbours are level, and its middle.
fn tread(line: &[f32], level_m: f32) -> (usize, usize) {
    let (mut start, mut longest) = (0, (0, 0));
    for c in 1..line.len() {
        if (line[c] - line[c - 1]).abs() > level_m {
            start = c;
        }
        if c + 1 - start > longest.0 {
            longest = (c + 1 - start, (start + c) / 2);
        }
    }
    longest
}

/// The step between heights, if most of the ground lies on heights that come in steps: the usual
/// distance of such a height from the nearest other.
fn step_m(hypsometry: &Hypsometry, cells: u64) -> Option<f64> {
    let (heights, share) = (&hypsometry.heights_m, &hypsometry.share);
    if heights.len() < 3 || cells < OFTEN * heights.len() as u64 {
        return None;
    }
    // Heights of real numbers are known to a bin of 1/8192 of themselves: those in one are one.
    let apart = |&i: &usize| {
        let size = heights[i].abs().max(heights[i - 1].abs());
        heights[i] - heights[i - 1] > size / 4000.0
    };
    let starts: Vec<usize> = std::iter::once(0)
        .chain((1..heights.len()).filter(apart))
        .collect();
    let ends = starts[1..].iter().copied().chain([heights.len()]);
    let mut levels: Vec<(f64, f64)> = Vec::with_capacity(starts.len());
    for (&start, end) in starts.iter().zip(ends) {
        let before = (start > 0).then(|| heights[start] - heights[start - 1]);
        let after = (end < heights.len()).then(|| heights[end] - heights[end - 1]);
        let gap_m = before
            .into_iter()
            .chain(after)
            .fold(f64::INFINITY, f64::min);
        let level = heights[end - 1] - heights[start] <= 0.1 * gap_m;
        let middle = |i: usize| 0.5 * (share[i - 1] + share[i]);
        let from = if start > 0 { middle(start) } else { 0.0 };
        let to = if end < share.len() { middle(end) } else { 1.0 };
        levels.push((if level { gap_m } else { 0.0 }, to - from));
    }
    levels.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut below = 0.0;
    let usual = levels.into_iter().find(|(_, share)| {
        below += share;
        below >= 0.5
    });
    usual
        .map(|(gap_m, _)| gap_m)
        .filter(|gap_m| gap_m.is_finite())
}
