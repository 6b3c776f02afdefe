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

use super::{Heights, Outline};
use glam::{DVec2, DVec3};

/// Largest triangles are this long on their short sides, mm: longer ones would leave a ball of
/// hand size by more than the tolerance anyway.
const LARGEST_MM: f64 = 8.0;

/// Powers of two that the longest side may have, in pixels: enough room to simplify coarse
/// images, and a bound for very fine ones.
const LARGEST_POWER: (u32, u32) = (3, 10);

/// First error allowed at the middles, as a part of the tolerance. The pixels between are looked
/// at one by one afterwards; with less room here fewer of them turn out too far away.
const MIDDLE_SHARE: f32 = 0.75;

/// Pixels around the facet that are refined like the facet itself, so that its rim is right.
const RIM_PX: f64 = 1.0;

/// No triangle uses this grid point yet.
const UNUSED: u32 = u32::MAX;

/// Larger than any error.
const FORCED: f32 = f32::MAX;

/// The ground of one facet on a grid, ready to be triangulated at any tolerance.
pub struct Terrain {
    /// Heights above the back on the grid, mm, row by row.
    z_mm: Vec<f32>,
    /// For the middle of every longest side: how far the ground leaves that side there, or at
    /// any finer middle that depends on it, mm.
    error_mm: Vec<f32>,
    rows: usize,
    columns: usize,
    /// Side of the largest squares, grid steps.
    tile: usize,
    /// Columns that belong to the facet, by row, with a rim around.
    wanted: Vec<std::ops::Range<usize>>,
    /// Place of grid point (0, 0), mm.
    origin_mm: DVec2,
    pixel_mm: f64,
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

impl Terrain {
    /// Lays the image of a facet on a grid and works out every middle's error.
    pub fn new(heights: &Heights<'_>, outline: &Outline) -> Terrain {
        let power = (LARGEST_MM / heights.pixel_mm).log2().ceil() as u32;
        let tile = 1_usize << power.clamp(LARGEST_POWER.0, LARGEST_POWER.1);
        let (image_rows, image_columns) = heights.levels.dim();
        // One pixel more on every side: the outermost walls lie between the last pixel's centre
        // and the image's edge.
        let padded = |pixels: usize| (pixels + 1).div_ceil(tile) * tile + 1;
        let (rows, columns) = (padded(image_rows), padded(image_columns));
        let mut terrain = Terrain {
            z_mm: Vec::new(),
            error_mm: vec![0.0; rows * columns],
            rows,
            columns,
            tile,
            wanted: Vec::new(),
            origin_mm: heights.place_mm(-1, -1),
            pixel_mm: heights.pixel_mm,
        };
        let blank: Vec<(DVec2, f64)> = outline
            .walls
            .iter()
            .zip(&outline.blank_mm)
            .map(|(wall, reach)| (wall.outward, *reach))
            .collect();
        terrain.lay(heights, &blank);
        let top_mm = terrain.z_mm.iter().copied().fold(0.0_f32, f32::max);
        let rim: Vec<(DVec2, f64)> = outline
            .walls
            .iter()
            .map(|wall| {
                let reach = wall.at_back_mm + wall.slant * f64::from(top_mm);
                (wall.outward, reach + RIM_PX * heights.pixel_mm)
            })
            .collect();
        terrain.wanted = (0..rows).map(|row| terrain.span(row, &rim)).collect();
        let mut step = 1;
        while step < tile {
            terrain.weigh_sides(step);
            terrain.weigh_diagonals(step);
            step *= 2;
        }
        terrain
    }

    fn place_mm(&self, row: usize, column: usize) -> DVec2 {
        self.origin_mm + DVec2::new(column as f64, -(row as f64)) * self.pixel_mm
    }

    /// Columns of a row inside a convex outline given by distances along unit vectors.
    fn span(&self, row: usize, sides: &[(DVec2, f64)]) -> std::ops::Range<usize> {
        let y = self.place_mm(row, 0).y;
        let (mut left, mut right) = (f64::NEG_INFINITY, f64::INFINITY);
        for (outward, reach) in sides {
            let room = reach - outward.y * y;
            if outward.x > 1e-12 {
                right = right.min(room / outward.x);
            } else if outward.x < -1e-12 {
                left = left.max(room / outward.x);
            } else if room < 0.0 {
                return 0..0;
            }
        }
        let column = |x: f64| (x - self.origin_mm.x) / self.pixel_mm;
        let last = self.columns as f64;
        let first = column(left).ceil().clamp(0.0, last) as usize;
        let end = (column(right).floor() + 1.0).clamp(0.0, last) as usize;
        first..end.max(first)
    }

    /// Copies the image. Outside the blank it shows the floor, which is no ground of this facet:
    /// there the nearest ground in the same row goes on, and above and below the nearest row.
    fn lay(&mut self, heights: &Heights<'_>, blank: &[(DVec2, f64)]) {
        let (image_rows, image_columns) = heights.levels.dim();
        let (black, step) = (heights.black_mm as f32, heights.step_mm() as f32);
        let columns = self.columns;
        let mut z_mm = vec![0.0_f32; self.rows * columns];
        let mut filled = Vec::with_capacity(self.rows);
        for (row, line) in z_mm.chunks_exact_mut(columns).enumerate() {
            // Row and column 1 hold the image's first.
            let of_image = row.saturating_sub(1).min(image_rows - 1);
            let span = self.span(row, blank);
            let (first, end) = (span.start.max(1), span.end.min(image_columns + 1));
            filled.push(first < end && row >= 1 && row <= image_rows);
            if !filled[row] {
                continue;
            }
            let levels = heights.levels.row(of_image);
            for (column, z) in line.iter_mut().enumerate() {
                let level = levels[column.clamp(first, end - 1) - 1];
                *z = black + step * f32::from(level);
            }
        }
        let known: Vec<usize> = (0..self.rows).filter(|&row| filled[row]).collect();
        if let (Some(&first), Some(&last)) = (known.first(), known.last()) {
            for row in (0..first).chain(last + 1..self.rows) {
                let from = if row < first { first } else { last };
                z_mm.copy_within(from * columns..(from + 1) * columns, row * columns);
            }
        }
        self.z_mm = z_mm;
    }

    /// Columns of a row at which middles of a scale may have wanted descendants, from a first one
    /// on in steps of twice the scale. Everything else keeps its error of 0.
    fn touched(&self, row: usize, step: usize, first: usize) -> std::ops::Range<usize> {
        // A middle's descendants are nearer than step + step / 2 + step / 4 + ….
        let reach = 2 * step;
        let rows = row.saturating_sub(reach)..(row + reach + 1).min(self.rows);
        let spans = self.wanted[rows].iter().filter(|span| !span.is_empty());
        let (start, end) = spans.fold((usize::MAX, 0), |(start, end), span| {
            (start.min(span.start), end.max(span.end))
        });
        if start >= end {
            return 0..0;
        }
        let skipped = start.saturating_sub(reach + first) / (2 * step);
        first + skipped * 2 * step..(end + reach).min(self.columns)
    }

    /// Errors at the middles of sides of squares of 2 `step`: each has the centres of the four
    /// smaller squares around as descendants.
    fn weigh_sides(&mut self, step: usize) {
        let (rows, columns) = (self.rows, self.columns);
        let half = step / 2;
        for row in (0..rows).step_by(step) {
            let level = (row / step).is_multiple_of(2);
            let first = if level { step } else { 0 };
            let (across, down) = if level { (step, 0) } else { (0, step) };
            let wanted = self.wanted[row].clone();
            let touched = self.touched(row, step, first);
            for column in touched.step_by(2 * step) {
                let at = row * columns + column;
                let mut error = if wanted.contains(&column) {
                    let ends = self.z_mm[at - across - down * columns]
                        + self.z_mm[at + across + down * columns];
                    (self.z_mm[at] - 0.5 * ends).abs()
                } else {
                    0.0
                };
                if half > 0 {
                    for below in [row.wrapping_sub(half), row + half] {
                        if below >= rows {
                            continue;
                        }
                        for beside in [column.wrapping_sub(half), column + half] {
                            if beside < columns {
                                error = error.max(self.error_mm[below * columns + beside]);
                            }
                        }
                    }
                }
                self.error_mm[at] = error;
            }
        }
    }

    /// Errors at the middles of diagonals of squares of 2 `step`: descendants are the middles of
    /// the four sides.
    fn weigh_diagonals(&mut self, step: usize) {
        let columns = self.columns;
        for row in (step..self.rows).step_by(2 * step) {
            let wanted = self.wanted[row].clone();
            let touched = self.touched(row, step, step);
            for column in touched.step_by(2 * step) {
                let at = row * columns + column;
                let mut error = if wanted.contains(&column) {
                    let [a, b] = self.diagonal(row, column, step);
                    (self.z_mm[at] - 0.5 * (self.z_mm[a] + self.z_mm[b])).abs()
                } else {
                    0.0
                };
                for side in [
                    at - step,
                    at + step,
                    at - step * columns,
                    at + step * columns,
                ] {
                    error = error.max(self.error_mm[side]);
                }
                self.error_mm[at] = error;
            }
        }
    }

    /// Ends of the diagonal through the centre of a square of 2 `step`, as grid points.
    fn diagonal(&self, row: usize, column: usize, step: usize) -> [usize; 2] {
        let falling = (row / (2 * step) + column / (2 * step)).is_multiple_of(2);
        let at = |row: usize, column: usize| row * self.columns + column;
        if falling {
            [at(row - step, column - step), at(row + step, column + step)]
        } else {
            [at(row - step, column + step), at(row + step, column - step)]
        }
    }

    /// The right-angled corners of the two triangles at such a diagonal.
    fn right_angles(&self, row: usize, column: usize, step: usize) -> [usize; 2] {
        let [a, b] = self.diagonal(row, column, step);
        let (row_a, row_b) = (a / self.columns, b / self.columns);
        let (column_a, column_b) = (a % self.columns, b % self.columns);
        [
            row_a * self.columns + column_b,
            row_b * self.columns + column_a,
        ]
    }

    /// Triangulates so that no pixel of the facet is farther than `tolerance_mm` from the
    /// surface, straight up or down.
    pub fn surface(&mut self, tolerance_mm: f64) -> Surface {
        // Room for rounding in single precision.
        let limit = tolerance_mm as f32 - 1e-5;
        let split = MIDDLE_SHARE * limit;
        let mut seen = vec![0_u8; self.z_mm.len()];
        let mut worst = 0.0_f32;
        loop {
            let triangles = self.triangles(split);
            let mut far = Vec::new();
            for &triangle in &triangles {
                if self.smallest(triangle) {
                    continue;
                }
                let middle = middle(triangle, self.columns);
                let side = 1 + u8::from(triangle[2] > middle);
                if seen[middle] & side != 0 {
                    continue;
                }
                let error = self.farthest(triangle);
                if error > limit {
                    far.push(middle);
                } else {
                    seen[middle] |= side;
                    worst = worst.max(error);
                }
            }
            if far.is_empty() {
                return self.collect(&triangles, f64::from(worst));
            }
            for middle in far {
                self.force(middle);
            }
        }
    }

    /// Splits at a grid point, and wherever that makes splitting necessary.
    fn force(&mut self, point: usize) {
        let mut waiting = vec![point];
        while let Some(point) = waiting.pop() {
            if self.error_mm[point] == FORCED {
                continue;
            }
            self.error_mm[point] = FORCED;
            let (row, column) = (point / self.columns, point % self.columns);
            let step = 1 << (row | column).trailing_zeros();
            let mut parent = |row: usize, column: usize| {
                if row < self.rows && column < self.columns {
                    waiting.push(row * self.columns + column);
                }
            };
            match (row / step % 2, column / step % 2) {
                (1, 1) if 2 * step >= self.tile => {}
                (1, 1) => waiting.extend(self.right_angles(row, column, step)),
                (0, _) => {
                    parent(row.wrapping_sub(step), column);
                    parent(row + step, column);
                }
                _ => {
                    parent(row, column.wrapping_sub(step));
                    parent(row, column + step);
                }
            }
        }
    }

    /// Triangles as grid points: the two ends of the longest side, then the right angle,
    /// counter-clockwise seen from above.
    fn triangles(&self, split: f32) -> Vec<[usize; 3]> {
        let half = self.tile / 2;
        let mut found = Vec::new();
        for row in (half..self.rows).step_by(self.tile) {
            let rows = row - half..=(row + half).min(self.rows - 1);
            let mut spans = self.wanted[rows].iter().filter(|span| !span.is_empty());
            let Some(first) = spans.next() else { continue };
            let ends = spans.fold((first.start, first.end), |(start, end), span| {
                (start.min(span.start), end.max(span.end))
            });
            for column in (half..self.columns).step_by(self.tile) {
                if column + half < ends.0 || column - half >= ends.1 {
                    continue;
                }
                let [a, b] = self.diagonal(row, column, half);
                let [c, d] = self.right_angles(row, column, half);
                for right in [c, d] {
                    let turned = if self.left_turn(a, b, right) {
                        [a, b, right]
                    } else {
                        [b, a, right]
                    };
                    self.refine(turned, split, &mut found);
                }
            }
        }
        found
    }

    /// Whether three grid points run counter-clockwise seen from above; rows count down.
    fn left_turn(&self, a: usize, b: usize, c: usize) -> bool {
        let place = |at: usize| {
            let (row, column) = ((at / self.columns) as i64, (at % self.columns) as i64);
            (column, -row)
        };
        let (a, b, c) = (place(a), place(b), place(c));
        (b.0 - a.0) * (c.1 - a.1) - (b.1 - a.1) * (c.0 - a.0) > 0
    }

    fn refine(&self, [a, b, right]: [usize; 3], split: f32, found: &mut Vec<[usize; 3]>) {
        let middle = middle([a, b, right], self.columns);
        if self.smallest([a, b, right]) || self.error_mm[middle] <= split {
            found.push([a, b, right]);
            return;
        }
        self.refine([right, a, middle], split, found);
        self.refine([b, right, middle], split, found);
    }

    /// Whether a triangle is half a square of four neighbouring pixels: none lies between.
    fn smallest(&self, [a, b, right]: [usize; 3]) -> bool {
        let level = a.abs_diff(right).min(b.abs_diff(right));
        let across = a.abs_diff(right).max(b.abs_diff(right));
        level == 1 && across == self.columns
    }

    /// Triangles that the tolerance asks for, before pixels are looked at one by one.
    pub fn estimate(&self, tolerance_mm: f64) -> usize {
        self.triangles(MIDDLE_SHARE * tolerance_mm as f32).len()
    }

    /// How far the farthest wanted pixel under a triangle is from it, mm.
    fn farthest(&self, triangle: [usize; 3]) -> f32 {
        let [a, b, c] = triangle.map(|at| {
            let (row, column) = (at / self.columns, at % self.columns);
            (column as i64, row as i64, self.z_mm[at])
        });
        let (dx1, dy1, dx2, dy2) = (b.0 - a.0, b.1 - a.1, c.0 - a.0, c.1 - a.1);
        let across = (dx1 * dy2 - dy1 * dx2) as f32;
        let (dz1, dz2) = (b.2 - a.2, c.2 - a.2);
        let slope_x = (dz1 * dy2 as f32 - dz2 * dy1 as f32) / across;
        let slope_y = (dz2 * dx1 as f32 - dz1 * dx2 as f32) / across;
        let (first, last) = (a.1.min(b.1).min(c.1), a.1.max(b.1).max(c.1));
        let mut worst = 0.0_f32;
        for row in first..=last {
            let (left, right) = columns_at(row, [a, b, c].map(|p| (p.0, p.1)));
            let wanted = &self.wanted[row as usize];
            let from = (left as usize).max(wanted.start);
            let end = (right as usize + 1).min(wanted.end);
            if from >= end {
                continue;
            }
            let line = &self.z_mm[row as usize * self.columns..][from..end];
            let start = a.2 + slope_y * (row - a.1) as f32 + slope_x * (from as i64 - a.0) as f32;
            let error = line
                .iter()
                .enumerate()
                .map(|(i, z)| (z - (start + slope_x * i as f32)).abs())
                .fold(0.0, f32::max);
            worst = worst.max(error);
        }
        worst
    }

    /// Numbers the used points in the order of their first use.
    fn collect(&self, triangles: &[[usize; 3]], error_mm: f64) -> Surface {
        let mut numbers = vec![UNUSED; self.z_mm.len()];
        let mut points = Vec::new();
        let triangles = triangles
            .iter()
            .map(|triangle| {
                triangle.map(|at| {
                    if numbers[at] == UNUSED {
                        numbers[at] = points.len() as u32;
                        let place = self.place_mm(at / self.columns, at % self.columns);
                        points.push(place.extend(f64::from(self.z_mm[at])));
                    }
                    numbers[at]
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

/// Grid point in the middle of a triangle's longest side.
fn middle([a, b, _]: [usize; 3], columns: usize) -> usize {
    let row = (a / columns + b / columns) / 2;
    row * columns + (a % columns + b % columns) / 2
}

/// First and last whole column of a triangle in a row that it touches.
fn columns_at(row: i64, corners: [(i64, i64); 3]) -> (i64, i64) {
    let (mut left, mut right) = (i64::MAX, i64::MIN);
    for i in 0..3 {
        let (from, to) = (corners[i], corners[(i + 1) % 3]);
        if (row - from.1) * (row - to.1) > 0 {
            continue;
        }
        if from.1 == to.1 {
            left = left.min(from.0.min(to.0));
            right = right.max(from.0.max(to.0));
            continue;
        }
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let (rise, run) = if dy < 0 { (-dy, -dx) } else { (dy, dx) };
        let start = if dy < 0 { to } else { from };
        let along = (row - start.1) * run;
        left = left.min(start.0 + -(-along).div_euclid(rise));
        right = right.max(start.0 + along.div_euclid(rise));
    }
    (left, right)
}
