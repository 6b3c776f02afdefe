//! Dilation and erosion of a height image by a bit, exact on the grid.
//!
//! Every pixel under the bit is looked at for every place of the bit, in vector loops, so the cost
//! grows as the bit's area at most: where a part of the bit is too high over its tip to touch
//! anything under a tile of places, it is skipped, which changes no result. A flat bit needs less:
//! the highest of a run of pixels is the higher of two runs half as long.

use super::Profile;
use crate::model::extremes::{greater, greatest};
use crate::model::parallel;
use ndarray::{Array2, Slice};
use std::ops::Range;

/// Pixels of a row and rows handled together under a round bit: the tip's places over them take
/// eight of the widest registers, and every pixel of ground that is loaded serves all rows.
const LANES: usize = 16;
const TILE_ROWS: usize = 8;

/// Pixels of a row handled together under a flat bit: enough to fill some of the widest registers.
const FLAT_LANES: usize = 64;

/// Rows handed to a thread at a time: whole tiles.
const BAND_ROWS: usize = 2 * TILE_ROWS;

/// Lowest place of the tip over every pixel and `radius_px` pixels around the image, where that
/// decides what is left of the columns `spans` of each row; elsewhere it may be missing.
///
/// Shape `(rows + 2·radius_px, columns + 2·radius_px)`; −∞ where the bit touches nothing.
/// Heights must not be NaN; −∞ stands for "no ground".
pub fn dilate_for(z_mm: &Array2<f32>, profile: &Profile, spans: &[Range<usize>]) -> Array2<f32> {
    let radius = profile.radius_px;
    let field = PaddedHeights::new(z_mm, 2 * radius, radius, |z| z);
    field.highest_for(profile, &reached(spans, z_mm.ncols(), 2 * radius))
}

/// What a bit leaves whose tip has been at every place of `tip_mm`, as [`dilate_for`] returns it, in
/// the columns `spans` of each row; elsewhere it may be missing.
pub fn erode_for(tip_mm: &Array2<f32>, profile: &Profile, spans: &[Range<usize>]) -> Array2<f32> {
    let field = PaddedHeights::new(tip_mm, 0, profile.radius_px, |z| -z);
    let mut left = field.highest_for(profile, spans);
    left.mapv_inplace(|z| -z);
    left
}

/// The surface a bit can actually leave: never below `z_mm`.
pub fn close(z_mm: &Array2<f32>, profile: &Profile) -> Array2<f32> {
    close_for(z_mm, profile, &everywhere(z_mm))
}

/// The same in the columns `spans` of each row; elsewhere it may be missing.
pub fn close_for(z_mm: &Array2<f32>, profile: &Profile, spans: &[Range<usize>]) -> Array2<f32> {
    erode_for(&dilate_for(z_mm, profile, spans), profile, spans)
}

/// The same of a round bit in some blocks; elsewhere the image as it is.
pub fn close_blocks(z_mm: &Array2<f32>, profile: &Profile, blocks: &Blocks) -> Array2<f32> {
    let radius = profile.radius_px;
    let field = PaddedHeights::new(z_mm, 2 * radius, radius, |z| z);
    let tip = field.highest(profile, &blocks.reached(2 * radius, field.columns));
    let field = PaddedHeights::new(&tip, 0, radius, |z| -z);
    let mut left = field.highest(profile, blocks);
    let rows = left.outer_iter_mut().zip(z_mm.outer_iter()).enumerate();
    for (row, (mut left, z_mm)) in rows {
        for (column, (left, z)) in left.iter_mut().zip(z_mm).enumerate() {
            *left = if blocks.row(row)[column / LANES] {
                -*left
            } else {
                *z
            };
        }
    }
    left
}

/// Blocks of the rows of an image, some of them marked.
pub struct Blocks {
    across: usize,
    marked: Vec<bool>,
}

impl Blocks {
    /// Marks blocks of an image that hold a pixel of a kind.
    pub fn with(
        (rows, columns): (usize, usize),
        spans: &[Range<usize>],
        kind: impl Fn(usize, usize) -> bool,
    ) -> Blocks {
        let across = columns.div_ceil(LANES);
        let mut marked = vec![false; across * rows];
        for (row, span) in spans.iter().enumerate() {
            for column in span.clone() {
                marked[row * across + column / LANES] |= kind(row, column);
            }
        }
        Blocks { across, marked }
    }

    /// Marks what holds the columns `spans` of each row.
    fn of(spans: &[Range<usize>], columns: usize) -> Blocks {
        let across = columns.div_ceil(LANES);
        let row = |span: &Range<usize>| {
            let blocks = span.start / LANES..span.end.div_ceil(LANES);
            let marked = !span.is_empty();
            (0..across).map(move |block| marked && blocks.contains(&block))
        };
        let marked = spans.iter().flat_map(row).collect();
        Blocks { across, marked }
    }

    /// Where the tip decides what is left of these, in the image that is larger by `grown` both
    /// ways and so many columns wide.
    fn reached(&self, grown: usize, columns: usize) -> Blocks {
        let across = columns.div_ceil(LANES);
        let rows = self.marked.len() / self.across.max(1);
        let mut marked = vec![false; across * (rows + grown)];
        for (row, blocks) in self.marked.chunks_exact(self.across.max(1)).enumerate() {
            for block in (0..self.across).filter(|block| blocks[*block]) {
                let last = (block * LANES + LANES - 1 + grown) / LANES;
                for row in row..=row + grown {
                    marked[row * across + block..=row * across + last.min(across - 1)].fill(true);
                }
            }
        }
        Blocks { across, marked }
    }

    fn row(&self, row: usize) -> &[bool] {
        &self.marked[row * self.across..][..self.across]
    }
}

/// The middle part of what [`dilate_for`] returns: the tip's height over each pixel of the image.
pub fn over_image(tip_mm: &Array2<f32>, profile: &Profile) -> Array2<f32> {
    let margin = profile.radius_px;
    let middle = tip_mm.slice_each_axis(|axis| Slice::from(margin..axis.len - margin));
    middle.to_owned()
}

/// All columns of each row.
pub fn everywhere(z_mm: &Array2<f32>) -> Vec<Range<usize>> {
    vec![0..z_mm.ncols(); z_mm.nrows()]
}

/// The columns of each row that lie no more than so many pixels from others, or between such.
pub fn grown(spans: &[Range<usize>], by_px: usize, columns: usize) -> Vec<Range<usize>> {
    let row = |row: usize| {
        let near = &spans[row.saturating_sub(by_px)..(row + by_px + 1).min(spans.len())];
        hull(near).map_or(0..0, |near| {
            near.start.saturating_sub(by_px)..(near.end + by_px).min(columns)
        })
    };
    (0..spans.len()).map(row).collect()
}

/// Where the tip decides what is left of the `spans`, in the image that is larger by `grown` both
/// ways. Of a block that holds a pixel of a span all pixels count.
fn reached(spans: &[Range<usize>], columns: usize, grown: usize) -> Vec<Range<usize>> {
    let whole = |span: &Range<usize>| {
        let end = span.end.next_multiple_of(LANES).min(columns);
        span.start / LANES * LANES..end + grown
    };
    let row = |row: usize| {
        let near = &spans[row.saturating_sub(grown)..(row + 1).min(spans.len())];
        hull(near).as_ref().map_or(0..0, whole)
    };
    (0..spans.len() + grown).map(row).collect()
}

/// From the first to the last column of all spans; `None` if they hold none.
fn hull(spans: &[Range<usize>]) -> Option<Range<usize>> {
    let spans = spans.iter().filter(|span| !span.is_empty()).cloned();
    spans.reduce(|all, one| all.start.min(one.start)..all.end.max(one.end))
}

/// An image with a margin of the bit's radius, its rows filled up so that every block is whole.
struct PaddedHeights {
    z: Vec<f32>,
    stride: usize,
    /// Size without the margin.
    rows: usize,
    columns: usize,
}

impl PaddedHeights {
    /// An image with `grown` pixels of "no ground" around it, of which a margin is not counted,
    /// its heights turned into others.
    fn new(
        image: &Array2<f32>,
        grown: usize,
        margin: usize,
        turned: impl Fn(f32) -> f32 + Sync,
    ) -> PaddedHeights {
        // Whole rows, as most images have them already.
        let image = image.as_standard_layout();
        let [rows, columns] = [image.nrows(), image.ncols()].map(|n| n + 2 * grown - 2 * margin);
        let stride = columns.next_multiple_of(LANES) + 2 * margin;
        let mut z = vec![f32::NEG_INFINITY; stride * (rows + 2 * margin)];
        let inner = &mut z[grown * stride..][..image.nrows() * stride];
        parallel::chunks(inner, stride, &|row, line| {
            let heights = image.row(row);
            // As one slice they become vector code.
            let heights = heights.as_slice().unwrap_or_default();
            for (z, &height) in line[grown..].iter_mut().zip(heights) {
                *z = turned(height);
            }
        });
        PaddedHeights {
            z,
            stride,
            rows,
            columns,
        }
    }

    /// max over the bit of z − h, for every place of its axis in the columns `needed` of each row;
    /// elsewhere it may be −∞.
    fn highest_for(self, profile: &Profile, needed: &[Range<usize>]) -> Array2<f32> {
        match profile.is_flat() {
            true => self.highest_of_discs(profile, needed),
            false => self.highest(profile, &Blocks::of(needed, self.columns)),
        }
    }

    /// The same of a round bit in the blocks `needed`; elsewhere it is −∞.
    fn highest(&self, profile: &Profile, needed: &Blocks) -> Array2<f32> {
        let peaks = self.peaks(profile.radius_px);
        let stacked = StackedProfile::new(profile);
        let mut out = Array2::from_elem((self.rows, self.columns), f32::NEG_INFINITY);
        fill(&mut out, |rows, out| {
            pulp::Arch::new().dispatch(Touch {
                field: self,
                profile,
                stacked: &stacked,
                peaks: &peaks,
                needed,
                rows,
                out,
            });
        });
        out
    }

    fn blocks(&self) -> usize {
        self.columns.div_ceil(LANES)
    }

    /// Highest pixel that each block can touch in each row.
    fn peaks(&self, radius_px: usize) -> Vec<f32> {
        let blocks = self.blocks();
        let mut peaks = vec![0.0; blocks * (self.z.len() / self.stride)];
        parallel::chunks(&mut peaks, blocks, &|row, peaks| {
            let line = &self.z[row * self.stride..][..self.stride];
            for (block, peak) in peaks.iter_mut().enumerate() {
                *peak = greatest(&line[block * LANES..][..LANES + 2 * radius_px]);
            }
        });
        peaks
    }

    /// The same for a flat bit, from the highest in runs of 1, 2, 4, … pixels, one length after
    /// the other.
    fn highest_of_discs(mut self, profile: &Profile, needed: &[Range<usize>]) -> Array2<f32> {
        let mut out = Array2::from_elem((self.rows, self.columns), f32::NEG_INFINITY);
        for table in 0..=(2 * profile.radius_px + 1).ilog2() {
            if table > 0 {
                let step = 1 << (table - 1);
                parallel::chunks(&mut self.z, self.stride, &|_, line| {
                    for i in step..line.len() {
                        line[i - step] = greater(line[i - step], line[i]);
                    }
                });
            }
            let runs = self.runs(profile, table);
            if runs.is_empty() {
                continue;
            }
            fill(&mut out, |rows, out| {
                pulp::Arch::new().dispatch(Lie {
                    field: &self,
                    runs: &runs,
                    needed: &needed[rows.clone()],
                    rows,
                    out,
                });
            });
        }
        out
    }

    /// Where the two runs of 2 to the power `table` pixels begin, from the first pixel of a row on,
    /// that make up a line of a flat bit: for each of its lines that has runs of that length.
    fn runs(&self, profile: &Profile, table: u32) -> Vec<(usize, usize)> {
        let radius = profile.radius_px;
        let mut runs = Vec::new();
        for (dy, heights) in profile.rows.iter().enumerate() {
            let half = heights.len() - 1;
            let length = 2 * half + 1;
            if length.ilog2() == table {
                let shift = length - (1 << table);
                for line in [radius - dy, radius + dy] {
                    let start = line * self.stride + radius - half;
                    runs.push((start, start + shift));
                }
            }
        }
        // The line through the axis is its own mirror image.
        runs.dedup();
        runs
    }
}

/// Fills an image by bands of rows, in parallel.
fn fill(out: &mut Array2<f32>, band: impl Fn(Range<usize>, &mut [f32]) + Sync) {
    let columns = out.ncols().max(1);
    let Some(out) = out.as_slice_mut() else {
        return;
    };
    parallel::chunks(out, BAND_ROWS * columns, &|i, out| {
        let first = i * BAND_ROWS;
        band(first..first + out.len() / columns, out);
    });
}

/// The highest of what has been touched so far from the places of a tile.
type Tile = [[f32; LANES]; TILE_ROWS];

struct Touch<'a> {
    field: &'a PaddedHeights,
    profile: &'a Profile,
    stacked: &'a StackedProfile,
    peaks: &'a [f32],
    needed: &'a Blocks,
    rows: Range<usize>,
    out: &'a mut [f32],
}

impl pulp::WithSimd for Touch<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) {
        let (columns, start) = (self.field.columns, self.rows.start);
        for first in self.rows.clone().step_by(TILE_ROWS) {
            let rows = first..self.rows.end.min(first + TILE_ROWS);
            for block in 0..self.field.blocks() {
                if !rows.clone().any(|row| self.needed.row(row)[block]) {
                    continue;
                }
                let tile = self.tile(simd, first, block);
                for (row, highest) in rows.clone().zip(&tile) {
                    let out = &mut self.out[(row - start) * columns..][..columns];
                    let out = &mut out[block * LANES..];
                    let count = out.len().min(LANES);
                    out[..count].copy_from_slice(&highest[..count]);
                }
            }
        }
    }
}

impl Touch<'_> {
    /// A block of some rows. Lines of ground come from the middle outwards, for the nearest show
    /// which others cannot touch any more.
    #[inline(always)]
    fn tile<S: pulp::Simd>(&self, simd: S, first: usize, block: usize) -> Tile {
        let Touch { field, profile, .. } = self;
        let radius = profile.radius_px;
        let mut tile = [[f32::NEG_INFINITY; LANES]; TILE_ROWS];
        let mut lowest = f32::NEG_INFINITY;
        let half = radius + TILE_ROWS / 2;
        for line in (0..half).flat_map(|i| [half + i, half - 1 - i]) {
            let row = first + line;
            if row >= field.rows + 2 * radius {
                continue;
            }
            // Over the row of the tile that is nearest to it.
            let dy = line.clamp(radius, radius + TILE_ROWS - 1).abs_diff(line);
            let peak = self.peaks[row * field.blocks() + block];
            // Heights only rise from the axis on.
            let reach = profile.rows[dy].partition_point(|height| peak - height > lowest);
            if reach == 0 {
                continue;
            }
            let ground = &field.z[row * field.stride + block * LANES..][..LANES + 2 * radius];
            self.stacked.touch(simd, line, ground, reach, &mut tile);
            if line < half {
                lowest = lowest_of(simd, &tile);
            }
        }
        tile
    }
}

/// A bit's heights over all rows of a tile, beside each other.
struct StackedProfile {
    /// For each column off the axis a list, ∞ beyond the bit, of which the heights over one line of
    /// ground are so many in a row as a tile has rows.
    heights: Vec<f32>,
    /// Length of a list.
    lines: usize,
    radius_px: usize,
}

impl StackedProfile {
    fn new(profile: &Profile) -> StackedProfile {
        let radius_px = profile.radius_px;
        let lines = 2 * (radius_px + TILE_ROWS) - 1;
        let height = |i: usize| {
            let dy = (i % lines).abs_diff(radius_px + TILE_ROWS - 1);
            let row = profile.rows.get(dy);
            row.and_then(|row| row.get(i / lines)).copied()
        };
        let heights = (0..lines * (radius_px + 1)).map(|i| height(i).unwrap_or(f32::INFINITY));
        StackedProfile {
            heights: heights.collect(),
            lines,
            radius_px,
        }
    }

    /// So many of the bit's columns, from its axis to both sides, against a line of ground.
    #[inline(always)]
    fn touch<S: pulp::Simd>(
        &self,
        simd: S,
        line: usize,
        ground: &[f32],
        reach: usize,
        tile: &mut Tile,
    ) {
        let load = |z: &[f32]| S::as_simd_f32s(z).0[0];
        let from = &self.heights[2 * self.radius_px + TILE_ROWS - 1 - line..];
        let stacks = from
            .chunks(self.lines)
            .map(|stack| stack.as_chunks::<TILE_ROWS>().0);
        for start in (0..LANES).step_by(S::F32_LANES) {
            let end = start + S::F32_LANES;
            let mut highest = [simd.splat_f32s(f32::NEG_INFINITY); TILE_ROWS];
            for (highest, row) in highest.iter_mut().zip(&*tile) {
                *highest = load(&row[start..end]);
            }
            let left = ground[..self.radius_px + end].windows(S::F32_LANES).rev();
            let right = ground[self.radius_px + start..].windows(S::F32_LANES);
            for ((left, right), stack) in left.zip(right).zip(stacks.clone()).take(reach) {
                let z = simd.max_f32s(load(left), load(right));
                for (highest, height) in highest.iter_mut().zip(&stack[0]) {
                    let touched = simd.sub_f32s(z, simd.splat_f32s(*height));
                    // In this order nothing comes of "no ground" beyond the bit, ∞ − ∞.
                    *highest = simd.max_f32s(touched, *highest);
                }
            }
            for (highest, row) in highest.iter().zip(&mut *tile) {
                S::as_mut_simd_f32s(&mut row[start..end]).0[0] = *highest;
            }
        }
    }
}

#[inline(always)]
fn lowest_of<S: pulp::Simd>(simd: S, tile: &Tile) -> f32 {
    let parts = tile.iter().flat_map(|row| S::as_simd_f32s(row).0);
    let all = simd.splat_f32s(f32::INFINITY);
    simd.reduce_min_f32s(parts.fold(all, |all, part| simd.min_f32s(all, *part)))
}

struct Lie<'a> {
    field: &'a PaddedHeights,
    /// As [`PaddedHeights::runs`] finds them for what the field's pixels are the highest of.
    runs: &'a [(usize, usize)],
    /// Columns of the rows that are needed.
    needed: &'a [Range<usize>],
    rows: Range<usize>,
    out: &'a mut [f32],
}

impl pulp::NullaryFnOnce for Lie<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let PaddedHeights {
            stride, columns, ..
        } = *self.field;
        let rows = self.rows.zip(self.needed);
        for ((row, needed), out) in rows.zip(self.out.chunks_exact_mut(columns)) {
            let z = &self.field.z[row * stride + needed.start..];
            let (parts, rest) = out[needed.clone()].as_chunks_mut::<FLAT_LANES>();
            let done = parts.len() * FLAT_LANES;
            for (part, first) in parts.iter_mut().zip((0..).step_by(FLAT_LANES)) {
                let mut all = *part;
                for &(a, b) in self.runs {
                    let (a, b) = (&z[first + a..][..FLAT_LANES], &z[first + b..][..FLAT_LANES]);
                    for lane in 0..FLAT_LANES {
                        all[lane] = greater(all[lane], greater(a[lane], b[lane]));
                    }
                }
                *part = all;
            }
            for &(a, b) in self.runs {
                for ((out, a), b) in rest.iter_mut().zip(&z[done + a..]).zip(&z[done + b..]) {
                    *out = greater(*out, greater(*a, *b));
                }
            }
        }
    }
}

/// The definitions themselves, in f64, pixel by pixel.
#[cfg(test)]
pub mod reference {
    use super::super::Tool;
    use ndarray::Array2;

    /// max over the bit of z − h; `margin` pixels around the image too.
    pub fn dilate(z: &Array2<f64>, tool: &Tool, pixel_mm: f64, margin: usize) -> Array2<f64> {
        let (rows, columns) = z.dim();
        Array2::from_shape_fn(
            (rows + 2 * margin, columns + 2 * margin),
            |(row, column)| {
                let mut tip = f64::NEG_INFINITY;
                for ((r, c), z) in z.indexed_iter() {
                    let dy = (r + margin) as f64 - row as f64;
                    let dx = (c + margin) as f64 - column as f64;
                    if let Some(height) = tool.height_mm(pixel_mm * dx.hypot(dy)) {
                        tip = tip.max(z - height);
                    }
                }
                tip
            },
        )
    }

    /// min over the bit of t + h, on the image without its margin.
    pub fn erode(tip: &Array2<f64>, tool: &Tool, pixel_mm: f64, margin: usize) -> Array2<f64> {
        let (rows, columns) = tip.dim();
        Array2::from_shape_fn(
            (rows - 2 * margin, columns - 2 * margin),
            |(row, column)| {
                let mut left = f64::INFINITY;
                for ((r, c), t) in tip.indexed_iter() {
                    let dy = r as f64 - (row + margin) as f64;
                    let dx = c as f64 - (column + margin) as f64;
                    if let Some(height) = tool.height_mm(pixel_mm * dx.hypot(dy)) {
                        left = left.min(t + height);
                    }
                }
                left
            },
        )
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Tool, ToolShape};
    use super::*;
    use crate::output::testing::random;
    use ndarray::ShapeBuilder;
    use pulp::WithSimd;

    fn dilate(z_mm: &Array2<f32>, profile: &Profile) -> Array2<f32> {
        dilate_for(z_mm, profile, &everywhere(z_mm))
    }

    fn erode(tip_mm: &Array2<f32>, profile: &Profile) -> Array2<f32> {
        let (rows, columns) = tip_mm.dim();
        let grown = 2 * profile.radius_px;
        erode_for(tip_mm, profile, &vec![0..columns - grown; rows - grown])
    }

    fn rough_ground(rows: usize, columns: usize, seed: u64) -> Array2<f32> {
        let mut seed = seed;
        Array2::from_shape_fn((rows, columns), |(row, column)| {
            let wave = (row as f64 * 0.31).sin() + (column as f64 * 0.17).cos();
            (2.0 * wave + random(&mut seed)) as f32
        })
    }

    fn tapered(half_angle_deg: f64) -> Tool {
        Tool {
            shape: ToolShape::TaperedBall {
                half_angle_rad: half_angle_deg.to_radians(),
            },
            diameter_mm: 0.5,
            flute_mm: 6.0,
        }
    }

    #[test]
    fn closing_is_the_definition_for_every_shape_and_size_of_image() {
        let pixel_mm = 0.1;
        let tools = [
            Tool::ball(0.05),
            Tool::ball(1.0),
            Tool::ball(1.57),
            Tool::flat(0.9),
            Tool::flat(1.7),
            tapered(5.0),
            tapered(20.0),
        ];
        for (i, tool) in tools.iter().enumerate() {
            for (rows, columns) in [(1, 1), (3, 70), (33, 40)] {
                let z = rough_ground(rows, columns, i as u64);
                let profile = tool.profile(pixel_mm);
                let margin = profile.radius_px;
                let tip = dilate(&z, &profile);
                let exact = reference::dilate(&z.mapv(f64::from), tool, pixel_mm, margin);
                for (found, exact) in tip.iter().zip(&exact) {
                    let same = (f64::from(*found) - exact).abs() < 2e-6;
                    assert!(same || *found == *exact as f32, "{tool:?} {found} {exact}");
                }
                let left = erode(&tip, &profile);
                let exact = reference::erode(&exact, tool, pixel_mm, margin);
                for ((found, exact), z) in left.iter().zip(&exact).zip(&z) {
                    assert!((f64::from(*found) - exact).abs() < 4e-6, "{tool:?}");
                    assert!(*found >= *z - 1e-6);
                }
            }
        }
    }

    /// What is asked for is to the last bit what it is in the whole image.
    #[test]
    fn a_part_is_closed_as_in_the_whole() {
        for tool in [
            Tool::ball(1.57),
            Tool::ball(0.05),
            Tool::flat(1.7),
            tapered(20.0),
        ] {
            let profile = tool.profile(0.1);
            for (rows, columns) in [(1, 1), (3, 70), (75, 131)] {
                let z = rough_ground(rows, columns, 7);
                let whole = close(&z, &profile);
                let slanted = (0..rows).map(|row| match row % 5 {
                    4 => 0..0,
                    _ => (row / 2).min(columns)..columns - row.min(columns / 2),
                });
                let spans: Vec<Range<usize>> = slanted.collect();
                let part = close_for(&z, &profile, &spans);
                for (row, span) in spans.iter().enumerate() {
                    for column in span.clone() {
                        let at = (row, column);
                        assert_eq!(part[at].to_bits(), whole[at].to_bits(), "{tool:?} {at:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn processors_with_vectors_of_any_width_find_the_same() {
        let z = rough_ground(43, 70, 11);
        let profile = Tool::ball(1.57).profile(0.1);
        let radius = profile.radius_px;
        let field = PaddedHeights::new(&z, 2 * radius, radius, |z| z);
        let needed = Blocks::of(&vec![0..field.columns; field.rows], field.columns);
        let (peaks, stacked) = (field.peaks(radius), StackedProfile::new(&profile));
        let found = |touch: &dyn Fn(Touch)| {
            let mut out = Array2::zeros((field.rows, field.columns));
            touch(Touch {
                field: &field,
                profile: &profile,
                stacked: &stacked,
                peaks: &peaks,
                needed: &needed,
                rows: 0..field.rows,
                out: out.as_slice_mut().unwrap(),
            });
            out
        };
        let here = field.highest(&profile, &needed);
        assert_eq!(found(&|touch| touch.with_simd(pulp::Scalar)), here);
        assert_eq!(found(&|touch| touch.with_simd(pulp::Scalar128b)), here);
        assert_eq!(found(&|touch| touch.with_simd(pulp::Scalar256b)), here);
        assert_eq!(found(&|touch| touch.with_simd(pulp::Scalar512b)), here);
    }

    #[test]
    fn an_image_kept_by_columns_is_the_same_image() {
        let z = rough_ground(20, 30, 5);
        let by_columns = Array2::from_shape_fn(z.dim().f(), |at| z[at]);
        assert!(!by_columns.is_standard_layout());
        for tool in [Tool::ball(1.2), Tool::flat(1.7)] {
            let profile = tool.profile(0.1);
            assert_eq!(close(&by_columns, &profile), close(&z, &profile));
        }
    }

    #[test]
    fn closing_twice_changes_nothing_more() {
        let z = rough_ground(60, 80, 3);
        let profile = Tool::ball(1.2).profile(0.1);
        let once = close(&z, &profile);
        let twice = close(&once, &profile);
        assert!(once.iter().zip(&twice).all(|(a, b)| (a - b).abs() < 1e-5));
    }

    /// Grey-scale closing of a seeded random image by a ball with SciPy 1.17.1
    /// (`scipy.ndimage.grey_closing`, structure −h); how it was made: `tests/expected/closing.py`.
    #[test]
    fn a_general_morphology_library_gives_the_same_levels() {
        let text = include_str!("../../../tests/expected/closing.txt");
        let mut cases = 0;
        for case in text.split("\n\n").filter(|case| !case.trim().is_empty()) {
            let mut lines = case.lines().filter(|line| !line.starts_with('#'));
            let head: Vec<f64> = numbers(lines.next().unwrap());
            let [rows, columns, diameter_px, half_angle_deg, flute_px] = head[..] else {
                panic!("bad case");
            };
            let (rows, columns) = (rows as usize, columns as usize);
            let mut image = || {
                let values: Vec<f64> = lines.by_ref().take(rows).flat_map(numbers).collect();
                Array2::from_shape_vec((rows, columns), values).unwrap()
            };
            let (levels, closed) = (image(), image());
            let shape = if half_angle_deg > 0.0 {
                ToolShape::TaperedBall {
                    half_angle_rad: half_angle_deg.to_radians(),
                }
            } else {
                ToolShape::Ball
            };
            let tool = Tool {
                shape,
                diameter_mm: diameter_px,
                flute_mm: flute_px,
            };
            // One pixel is 1 mm here, and a mm is 1000 levels.
            let z = levels.mapv(|v| (v / 1000.0) as f32);
            for (found, wanted) in close(&z, &tool.profile(1.0)).iter().zip(&closed) {
                assert!((f64::from(*found) * 1000.0 - wanted).abs() <= 1.0);
            }
            cases += 1;
        }
        assert_eq!(cases, 4);
    }

    fn numbers(line: &str) -> Vec<f64> {
        line.split_whitespace()
            .map(|n| n.parse().unwrap())
            .collect()
    }

    /// Closed form: beside a wall higher than the ball, the ball's own outline remains, starting
    /// where its axis first stands clear of the wall.
    #[test]
    fn a_step_keeps_a_fillet_of_the_balls_outline() {
        let (pixel, tool) = (0.05, Tool::ball(2.0));
        let z = Array2::from_shape_fn(
            (81, 161),
            |(_, column)| if column <= 40 { 5.0 } else { 0.0 },
        );
        let left = close(&z, &tool.profile(pixel));
        // Column 40 is wall; the first axis it does not touch is 21 pixels (1.05 mm) on.
        for column in 41..161 {
            let from_axis = (61.0 - column as f64) * pixel;
            let wanted = if from_axis > 0.0 {
                1.0 - (1.0 - from_axis * from_axis).max(0.0).sqrt()
            } else {
                0.0
            };
            assert!(
                (f64::from(left[(40, column)]) - wanted).abs() < 1e-6,
                "{column}"
            );
        }
    }

    /// Closed form: a ball in a cone of half-angle β rests r·(1/sin β − 1) above the apex.
    #[test]
    fn a_ball_rests_in_a_cone_above_its_apex() {
        let (pixel, r) = (0.02, 0.8);
        for beta_deg in [30.0_f64, 45.0, 70.0] {
            let slope = 1.0 / beta_deg.to_radians().tan();
            let z = Array2::from_shape_fn((161, 161), |(row, column)| {
                let rho = pixel * (row as f64 - 80.0).hypot(column as f64 - 80.0);
                (slope * rho) as f32
            });
            let left = close(&z, &Tool::ball(2.0 * r).profile(pixel));
            let wanted = r * (1.0 / beta_deg.to_radians().sin() - 1.0);
            let found = f64::from(left[(80, 80)]);
            // Pixel centres touch a little beside the true place of contact.
            assert!(
                (found - wanted).abs() < 2e-3,
                "{beta_deg}: {found} {wanted}"
            );
        }
    }

    /// Closed form: a ball of radius r over a spherical pit with a rim of radius a hangs
    /// r − √(r² − a²) into it; a ball no larger than the pit leaves nothing.
    #[test]
    fn a_ball_hangs_on_the_rim_of_a_smaller_pit() {
        let (pixel, pit, rim) = (0.05_f64, 1.5_f64, 1.2_f64);
        let floor = (pit * pit - rim * rim).sqrt();
        let z = Array2::from_shape_fn((161, 161), |(row, column)| {
            let rho = pixel * (row as f64 - 80.0).hypot(column as f64 - 80.0);
            let inside = (pit * pit - rho * rho).max(0.0).sqrt();
            (floor - inside).min(0.0) as f32
        });
        let depth = pit - floor;
        for r in [2.0_f64, 3.0] {
            let left = close(&z, &Tool::ball(2.0 * r).profile(pixel));
            let hangs = r - (r * r - rim * rim).sqrt();
            let wood = f64::from(left[(80, 80)] - z[(80, 80)]);
            assert!((wood - (depth - hangs)).abs() < 0.03, "{r}: {wood}");
        }
        let left = close(&z, &Tool::ball(2.0 * 1.4).profile(pixel));
        let wood = left.iter().zip(&z).map(|(s, z)| s - z).fold(0.0, f32::max);
        // The sharp rim is up to a pixel off on the grid.
        assert!(wood < 0.02, "{wood}");
    }
}
