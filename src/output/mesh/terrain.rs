//! The carved top as few triangles as a tolerance allows.
//!
//! A right-triangulated irregular network: every triangle is half a square, and is split at the
//! middle of its longest side where the ground is not flat enough. See W. Evans, D. Kirkpatrick
//! and G. Townsend, "Right-Triangulated Irregular Networks", Algorithmica 30 (2001). A middle
//! needs its two parents (the right-angled corners of the triangles it splits), so when every
//! middle carries the largest error of its descendants, neighbours split alike and no crack opens.
//!
//! ```text
//!   o-------o-------o     squares of 2s grid steps; their diagonals join corners whose
//!   | \     |     / |     numbers add up to an even number, so they alternate
//!   |   c   |   c   |     c: middle of a diagonal at scale s
//!   |     \ | /     |     e: middle of a side at scale s
//!   o---e---o---e---o
//! ```

use super::middles::Middles;
use super::pixel_lattice::{Half, Lattice, Node, columns_at, left_turn, middle, smallest};
use super::{Heightmap, Outline};
use crate::model::extremes::greatest_level;
use crate::read::memory::{MOST_WEIGHED_POWER, weighed_every};
use fixedbitset::FixedBitSet;
use glam::{DVec2, DVec3};
use rustc_hash::{FxBuildHasher, FxHashMap};
use std::ops::Range;

/// Largest triangles are this long on their short sides, mm: longer ones would leave a ball of
/// hand size by more than the tolerance anyway.
const LARGEST_MM: f64 = 8.0;

/// Powers of two that the longest side may have, in pixels: enough room to simplify coarse
/// images, and a bound for very fine ones.
const LARGEST_POWER: (u32, u32) = (3, MOST_WEIGHED_POWER + 1);

/// First error allowed at the middles, as a part of the tolerance. The pixels between are looked
/// at one by one afterwards; with less room here fewer of them turn out too far away.
const MIDDLE_SHARE: f32 = 0.75;

/// Black this steeply below the ground beside it is the floor.
const FLOOR_SLOPE: f64 = 3.0;

/// Pixels around the facet that are refined like the facet itself, so that its rim is right.
const RIM_PX: f64 = 1.0;

/// Beyond the blank the ground goes on as it slopes over the last of these lengths, mm, and so
/// far; a crease along the rim would need small triangles all along it.
const SLOPE_OVER_MM: f64 = 0.5;
const GOES_ON_MM: f64 = 4.0;

/// Room for rounding in single precision, in levels.
const ROUNDING: f32 = 0.05;

/// Pixels whose errors are compared side by side.
const LANES: usize = 4;

/// The ground of one facet on a grid, ready to be triangulated at any tolerance.
///
/// Heights are in the image's levels; grid point (1, 1) is the image's first pixel.
pub struct Terrain<'a> {
    heights: &'a Heightmap<'a>,
    lattice: Lattice,
    /// Rows of grid points that the image has ground for.
    known: Range<usize>,
    /// Columns of grid points that the image has ground for, by row.
    ground: Vec<Range<usize>>,
    /// How the ground goes on beyond both ends of a row, levels per pixel, and how far.
    slopes: Vec<[f32; 2]>,
    goes_on_px: usize,
    /// Columns that belong to the facet, by row, with a rim around.
    wanted: Vec<Range<usize>>,
    /// What splits the first guess asks for.
    middles: Middles,
    /// Grid points at which triangles are split besides.
    forced: FixedBitSet,
}

/// The top of a facet, going on a little beyond its walls.
#[derive(Debug, Clone, PartialEq)]
pub struct Surface {
    /// Corners, mm; each is a pixel of the image.
    pub points: Vec<DVec3>,
    /// Indices, counter-clockwise seen from above.
    pub triangles: Vec<[u32; 3]>,
    /// How far the farthest pixel is from the surface, straight up or down, mm.
    pub error_mm: f64,
}

impl<'a> Terrain<'a> {
    /// Lays a grid over the image of a facet and works out which splits it should need.
    pub fn new(heights: &'a Heightmap<'a>, outline: &Outline) -> Terrain<'a> {
        let largest = (LARGEST_MM / heights.pixel_mm).log2().ceil() as u32;
        let tile = 1_usize << largest.clamp(LARGEST_POWER.0, LARGEST_POWER.1);
        let stride = weighed_every(heights.pixel_mm);
        let (image_rows, image_columns) = heights.levels.dim();
        // One pixel more on every side: the outermost walls lie between the last pixel's centre
        // and the image's edge.
        let padded = |pixels: usize| (pixels + 1).div_ceil(tile) * tile + 1;
        let lattice = Lattice {
            rows: padded(image_rows),
            columns: padded(image_columns),
            tile,
        };
        let blank: Vec<(DVec2, f64)> = outline
            .walls
            .iter()
            .zip(&outline.blank_mm)
            .map(|(wall, reach)| (wall.outward, *reach))
            .collect();
        let ground: Vec<Range<usize>> = (0..lattice.rows)
            .map(|row| {
                let span = span(heights, lattice.columns, row, &blank);
                let inside = span.start.max(1)..span.end.min(image_columns + 1);
                let within = row >= 1 && row <= image_rows && !inside.is_empty();
                if within {
                    not_floor(heights, row, inside)
                } else {
                    0..0
                }
            })
            .collect();
        let mut known = (0..lattice.rows).filter(|&row| !ground[row].is_empty());
        let first = known.next().unwrap_or(0);
        let known = first..known.next_back().unwrap_or(first) + 1;
        let mut terrain = Terrain {
            heights,
            lattice,
            known,
            ground,
            slopes: Vec::new(),
            goes_on_px: (GOES_ON_MM / heights.pixel_mm) as usize,
            wanted: Vec::new(),
            middles: Middles::none(),
            forced: FixedBitSet::with_capacity(lattice.rows * lattice.columns),
        };
        terrain.slopes = (0..lattice.rows).map(|row| terrain.slopes(row)).collect();
        let levels = terrain.levels(stride);
        // Walls lean out: at the highest ground of the image they are farthest from the middle.
        let top_mm = heights.mm(terrain.highest());
        let rim: Vec<(DVec2, f64)> = outline
            .walls
            .iter()
            .map(|wall| {
                let reach = wall.at_back_mm + wall.slant * top_mm.max(0.0);
                (wall.outward, reach + RIM_PX * heights.pixel_mm)
            })
            .collect();
        terrain.wanted = (0..lattice.rows)
            .map(|row| span(heights, lattice.columns, row, &rim))
            .collect();
        terrain.middles = Middles::weigh(levels, lattice, stride, &terrain.wanted);
        terrain
    }

    /// The highest level on the facet's blank.
    fn highest(&self) -> f32 {
        let rows = self
            .known
            .clone()
            .filter(|row| !self.ground[*row].is_empty());
        let tops = rows.map(|row| greatest_level(self.line(row, self.ground[row].clone())));
        f32::from(tops.max().unwrap_or(0))
    }

    /// Part of a row of the image; row and columns are the grid's and must be on the image.
    fn line(&self, row: usize, columns: Range<usize>) -> &[u16] {
        if columns.is_empty() {
            return &[];
        }
        let line = self.heights.levels.row(row - 1).to_slice();
        // Images are made row by row, so their rows are whole.
        line.map_or(&[], |line| &line[columns.start - 1..columns.end - 1])
    }

    /// Levels at every `stride`th grid point of every `stride`th row.
    fn levels(&self, stride: usize) -> Vec<f32> {
        let Lattice { rows, columns, .. } = self.lattice;
        let nodes = ((rows - 1) / stride + 1) * ((columns - 1) / stride + 1);
        let mut levels = Vec::with_capacity(nodes);
        for row in (0..rows).step_by(stride) {
            let row = row.clamp(self.known.start, self.known.end - 1);
            let ground = self.ground[row].clone();
            let line = self.line(row, ground.clone());
            let level = |column: usize| match line.get(column.wrapping_sub(ground.start)) {
                Some(level) => f32::from(*level),
                None => self.level(Node { row, column }),
            };
            levels.extend((0..columns).step_by(stride).map(level));
        }
        levels
    }

    /// Level at a grid point. Outside the blank the image shows the floor, which is no ground of
    /// this facet: there the ground in the same row goes on as it slopes, and above and below the
    /// nearest row.
    fn level(&self, at: Node) -> f32 {
        let row = at.row.clamp(self.known.start, self.known.end - 1);
        let Range { start, end } = self.ground[row];
        if start >= end {
            return 0.0;
        }
        let column = at.column.clamp(start, end - 1);
        let edge = f32::from(self.heights.levels[(row - 1, column - 1)]);
        let [west, east] = self.slopes[row];
        let slope = if at.column < start { west } else { east };
        let away = at.column.abs_diff(column).min(self.goes_on_px);
        // Nothing is carved below black.
        (edge + slope * away as f32).clamp(0.0, f32::from(u16::MAX))
    }

    /// How the ground slopes outward at both ends of a row, levels per pixel.
    fn slopes(&self, row: usize) -> [f32; 2] {
        let over = (SLOPE_OVER_MM / self.heights.pixel_mm) as usize;
        match self.line(row, self.ground[row].clone()) {
            [] | [_] => [0.0; 2],
            line => {
                let over = over.clamp(1, line.len() - 1);
                let last = line.len() - 1;
                [(0, over), (last, last - over)].map(|(edge, inner)| {
                    (f32::from(line[edge]) - f32::from(line[inner])) / over as f32
                })
            }
        }
    }

    /// Triangulates so that no pixel of the facet is farther than `tolerance_mm` from the
    /// surface, straight up or down.
    pub fn surface(&mut self, tolerance_mm: f64) -> Surface {
        let tolerance = self.in_levels(tolerance_mm);
        let limit = (tolerance - ROUNDING).max(0.0);
        // Triangles that need no second look, by the middle of their longest side and by side.
        let mut fine = FixedBitSet::with_capacity(2 * self.forced.len());
        let mut worst = 0.0_f32;
        loop {
            let triangles = self.triangles(MIDDLE_SHARE * tolerance);
            let mut far = Vec::new();
            for &triangle in &triangles {
                let middle = middle(triangle);
                let side = usize::from(triangle[2] > middle);
                let mark = 2 * self.lattice.number(middle) + side;
                if smallest(triangle) || fine.put(mark) {
                    continue;
                }
                let error = self.farthest(triangle);
                if error > limit {
                    far.push(middle);
                } else {
                    worst = worst.max(error);
                }
            }
            if far.is_empty() {
                let error_mm = f64::from(worst) * self.heights.step_mm();
                return self.collect(&triangles, error_mm);
            }
            for middle in far {
                self.force(middle);
            }
        }
    }

    /// Triangles that the tolerance asks for, before pixels are looked at one by one.
    pub fn estimate(&self, tolerance_mm: f64) -> usize {
        let split = MIDDLE_SHARE * self.in_levels(tolerance_mm);
        let mut count = 0;
        self.each_triangle(split, &mut |_| count += 1);
        count
    }

    /// A height difference in levels.
    fn in_levels(&self, mm: f64) -> f32 {
        (mm / self.heights.step_mm()) as f32
    }

    /// Splits at a grid point, and wherever that makes splitting necessary.
    fn force(&mut self, point: Node) {
        let mut waiting = vec![point];
        while let Some(at) = waiting.pop() {
            if !self.lattice.holds(at) || self.forced.put(self.lattice.number(at)) {
                continue;
            }
            let Node { row, column } = at;
            let step = 1 << (row | column).trailing_zeros();
            match (row / step % 2, column / step % 2) {
                (1, 1) if 2 * step >= self.lattice.tile => {}
                (1, 1) => waiting.extend(at.right_angles(step)),
                // Beyond the first row or column nothing is split.
                (0, _) => waiting
                    .extend([row.wrapping_sub(step), row + step].map(|row| Node { row, column })),
                _ => waiting.extend(
                    [column.wrapping_sub(step), column + step].map(|column| Node { row, column }),
                ),
            }
        }
    }

    /// The triangulation that splits wherever an error is above `split` levels.
    fn triangles(&self, split: f32) -> Vec<Half> {
        let mut found = Vec::new();
        self.each_triangle(split, &mut |triangle| found.push(triangle));
        found
    }

    fn each_triangle(&self, split: f32, found: &mut impl FnMut(Half)) {
        let Lattice {
            rows,
            columns,
            tile,
        } = self.lattice;
        let half = tile / 2;
        for row in (half..rows).step_by(tile) {
            let near = row - half..=(row + half).min(rows - 1);
            let mut spans = self.wanted[near].iter().filter(|span| !span.is_empty());
            let Some(first) = spans.next() else { continue };
            let ends = spans.fold((first.start, first.end), |(start, end), span| {
                (start.min(span.start), end.max(span.end))
            });
            for column in (half..columns).step_by(tile) {
                if column + half < ends.0 || column - half >= ends.1 {
                    continue;
                }
                let centre = Node { row, column };
                let [a, b] = centre.diagonal(half);
                for right in centre.right_angles(half) {
                    let turned = if left_turn([a, b, right]) {
                        [a, b, right]
                    } else {
                        [b, a, right]
                    };
                    self.refine(turned, split, found);
                }
            }
        }
    }

    fn refine(&self, triangle: Half, split: f32, found: &mut impl FnMut(Half)) {
        let middle = middle(triangle);
        let whole = smallest(triangle)
            || self.middles.error(middle) <= split
                && !self.forced.contains(self.lattice.number(middle));
        if whole {
            found(triangle);
            return;
        }
        let [a, b, right] = triangle;
        self.refine([right, a, middle], split, found);
        self.refine([b, right, middle], split, found);
    }

    /// How far the farthest wanted pixel under a triangle is from it, in levels.
    fn farthest(&self, triangle: Half) -> f32 {
        let [a, b, c] = triangle.map(|at| (at.column as i64, at.row as i64, self.level(at)));
        let (dx1, dy1, dx2, dy2) = (b.0 - a.0, b.1 - a.1, c.0 - a.0, c.1 - a.1);
        let across = (dx1 * dy2 - dy1 * dx2) as f32;
        let (dz1, dz2) = (b.2 - a.2, c.2 - a.2);
        let slope_x = (dz1 * dy2 as f32 - dz2 * dy1 as f32) / across;
        let slope_y = (dz2 * dx1 as f32 - dz1 * dx2 as f32) / across;
        let (first, last) = (a.1.min(b.1).min(c.1), a.1.max(b.1).max(c.1));
        let mut worst = 0.0_f32;
        for row in first..=last {
            let (left, right) = columns_at(row, [a, b, c].map(|p| (p.0, p.1)));
            let (line, ground) = (row as usize, &self.ground[row as usize]);
            let wanted = &self.wanted[line];
            let from = (left as usize).max(wanted.start);
            let end = (right as usize + 1).min(wanted.end);
            let plane = |column: usize| {
                a.2 + slope_y * (row - a.1) as f32 + slope_x * (column as i64 - a.0) as f32
            };
            // A rim without trim lies partly beyond the image.
            let on_image = from.max(ground.start)..end.min(ground.end);
            let on_image = if on_image.is_empty() {
                end..end
            } else {
                on_image
            };
            for column in (from..on_image.start).chain(on_image.end..end) {
                let level = self.level(Node { row: line, column });
                worst = worst.max((level - plane(column)).abs());
            }
            let start = plane(on_image.start);
            worst = worst.max(farthest_from(self.line(line, on_image), start, slope_x));
        }
        worst
    }

    /// Numbers the used points in the order of their first use.
    fn collect(&self, triangles: &[Half], error_mm: f64) -> Surface {
        let mut numbers: FxHashMap<Node, u32> =
            FxHashMap::with_capacity_and_hasher(triangles.len(), FxBuildHasher);
        let mut points = Vec::with_capacity(triangles.len() / 2);
        let triangles = triangles
            .iter()
            .map(|triangle| {
                triangle.map(|at| {
                    *numbers.entry(at).or_insert_with(|| {
                        let (row, column) = (at.row as i64 - 1, at.column as i64 - 1);
                        let place = self.heights.place_mm(row, column);
                        points.push(place.extend(self.heights.mm(self.level(at))));
                        (points.len() - 1) as u32
                    })
                })
            })
            .collect();
        Surface {
            points,
            triangles,
            error_mm,
        }
    }
}

/// Ground of a row without a last pixel that shows the floor, black and far below the next: the
/// manifest's numbers are rounded, and one on the very edge of the blank may.
fn not_floor(heights: &Heightmap<'_>, row: usize, ground: Range<usize>) -> Range<usize> {
    let drop = FLOOR_SLOPE * heights.pixel_mm / heights.step_mm();
    let floor = |column: usize, next: usize| {
        let level = |column: usize| heights.levels[(row - 1, column - 1)];
        level(column) == 0 && f64::from(level(next)) > drop
    };
    let Range { start, end } = ground;
    if end - start < 3 {
        return ground;
    }
    let west = usize::from(floor(start, start + 1));
    start + west..end - usize::from(floor(end - 1, end - 2))
}

/// Columns of grid points in a row that lie inside a convex outline given by distances along unit
/// vectors, mm.
fn span(
    heights: &Heightmap<'_>,
    columns: usize,
    row: usize,
    sides: &[(DVec2, f64)],
) -> Range<usize> {
    let origin = heights.place_mm(row as i64 - 1, -1);
    let (mut left, mut right) = (f64::NEG_INFINITY, f64::INFINITY);
    for (outward, reach) in sides {
        let room = reach - outward.y * origin.y;
        if outward.x > 1e-12 {
            right = right.min(room / outward.x);
        } else if outward.x < -1e-12 {
            left = left.max(room / outward.x);
        } else if room < 0.0 {
            return 0..0;
        }
    }
    let column = |x: f64| (x - origin.x) / heights.pixel_mm;
    let last = columns as f64;
    let first = column(left).ceil().clamp(0.0, last) as usize;
    let end = (column(right).floor() + 1.0).clamp(0.0, last) as usize;
    first..end.max(first)
}

/// How far the farthest of some levels is from a slope that begins at `start`.
fn farthest_from(levels: &[u16], start: f32, slope: f32) -> f32 {
    let error = |i: usize, level: u16| (f32::from(level) - (start + slope * i as f32)).abs();
    // Side by side, for one maximum would wait for the one before.
    let mut worst = [0.0_f32; LANES];
    let (chunks, rest) = levels.as_chunks::<LANES>();
    for (n, chunk) in chunks.iter().enumerate() {
        for i in 0..LANES {
            let error = error(n * LANES + i, chunk[i]);
            worst[i] = if error > worst[i] { error } else { worst[i] };
        }
    }
    let first = chunks.len() * LANES;
    let rest = rest.iter().enumerate();
    let rest = rest.map(|(i, level)| error(first + i, *level));
    worst.into_iter().chain(rest).fold(0.0, f32::max)
}
