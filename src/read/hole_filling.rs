//! Smooth filling of cells without data, on the sphere.
//!
//! The filled surface bends as little as possible: it makes Σ cos φ·(∇²h)² least over the cells
//! in and around a hole, with the known cells held fixed (a thin plate; Duchon 1977, Briggs 1974
//! "Machine contouring using minimum curvature", Geophysics 39). It carries slopes on into the
//! hole, where a plain average would go flat.
//!
//! The Laplacian uses true ground widths. Near the poles columns are crowded, so its western and
//! eastern neighbours are taken several columns away, about as far on the ground as the rows:
//!
//! ```text
//!            N
//!            │                ∇²h = (E + W − 2h)/x² + n·(N − h) − s·(h − S)
//!   W ─ · ─ (h) ─ · ─ E       x = k·Δλ·cos φ/Δφ   n, s = cos φ at the row's edges / cos φ
//!            │
//!            S
//! ```
//!
//! Large holes are solved on coarser and coarser grids first; each finer grid then starts from
//! the coarser one's surface and only has to add its own detail.

use super::downsampling::Downsampling;
use super::interpolation::cubic;
use super::placement::Placement;
use crate::model::grid::{Grid, Heights, Registration};
use crate::model::parallel;
use ndarray::Array2;

/// Work per grid in steps of a single cell: more would take seconds and show no difference.
const WORK: usize = 60_000_000;

/// Iterations at most, enough to close holes of the coarsest grid from nothing.
const MOST_ITERATIONS: usize = 600;

/// Iterations at least, however many cells are missing.
const LEAST_ITERATIONS: usize = 12;

/// Bending left over that no longer changes a height visibly, relative to the start.
const TOLERANCE: f64 = 1e-7;

/// No coarser grid than this is solved.
const FEWEST_COLUMNS: usize = 32;

/// Fills NaN cells of a grid. Returns how many were filled; a grid without any data stays as it
/// is. No filled cell is higher or lower than all known ones: a slope carried on too far must not
/// become the summit.
pub(super) fn fill(grid: &mut Grid) -> usize {
    if is_whole(grid) {
        return 0;
    }
    let (lo, hi) = grid
        .heights_m
        .iter()
        .filter(|h| !h.is_nan())
        .fold((f32::INFINITY, f32::NEG_INFINITY), |(lo, hi), &h| {
            (lo.min(h), hi.max(h))
        });
    let filled = fill_freely(grid);
    if filled > 0 {
        parallel::rows(&mut grid.heights_m, &|_, line| {
            line.iter_mut().for_each(|h| *h = h.clamp(lo, hi));
        });
    }
    filled
}

/// Whether no cell is missing, which is known a row at a time and of most grids.
fn is_whole(grid: &Grid) -> bool {
    let rows: Vec<_> = grid.heights_m.outer_iter().collect();
    let holes = parallel::mapped(&rows, &|row| row.fold(false, |any, h| any | h.is_nan()));
    !holes.contains(&true)
}

fn fill_freely(grid: &mut Grid) -> usize {
    let missing: Vec<(u32, u32)> = grid
        .heights_m
        .indexed_iter()
        .filter(|(_, h)| h.is_nan())
        .map(|((row, column), _)| (row as u32, column as u32))
        .collect();
    if missing.is_empty() || missing.len() == grid.heights_m.len() {
        return 0;
    }
    match coarser(grid) {
        Some(mut coarse) => {
            fill_freely(&mut coarse);
            start_from(grid, &coarse, &missing);
        }
        None => start_level(grid, &missing),
    }
    minimise_curvature(grid, &missing);
    missing.len()
}

/// The grid at half its resolution, cells known only where all of their ground is; `None` when
/// that would leave too little to go by.
fn coarser(grid: &Grid) -> Option<Grid> {
    let (rows, columns) = (grid.rows() / 2, grid.columns() / 4 * 2);
    if columns < FEWEST_COLUMNS || rows < FEWEST_COLUMNS / 2 {
        return None;
    }
    let placement = Placement::global(
        grid.columns(),
        grid.rows(),
        match grid.registration {
            Registration::Pixel => grid.west_deg - 0.5 * grid.step_lon_deg(),
            Registration::Gridline => grid.west_deg,
        },
        grid.registration,
    );
    let downsampling = Downsampling::new(&placement, columns, rows);
    let mut heights_m = Array2::zeros((rows, columns));
    let source = grid.heights_m.as_slice()?;
    let line = |r: usize| &source[r * grid.columns()..(r + 1) * grid.columns()];
    // A cell with any missing part is missing: the mean of the rest would be the height of
    // another place. A mean is NaN if any of its parts is, so missing cells are not left out.
    parallel::rows(&mut heights_m, &|row, out| {
        downsampling.fill(row, line, None, out);
    });
    let known = heights_m.iter().filter(|h| !h.is_nan()).count() as f64;
    let known_before = grid.heights_m.iter().filter(|h| !h.is_nan()).count() as f64;
    let share = |known: f64, of: usize| known / of as f64;
    if share(known, heights_m.len()) < 0.5 * share(known_before, grid.heights_m.len()) {
        return None;
    }
    let edge = grid.west_deg - 0.5 * grid.step_lon_deg();
    Some(Grid {
        heights_m,
        west_deg: edge + 180.0 / columns as f64,
        registration: Registration::Pixel,
    })
}

/// Missing cells take the coarser grid's surface.
fn start_from(grid: &mut Grid, coarse: &Grid, missing: &[(u32, u32)]) {
    let heights = parallel::mapped(missing, &|&(row, column)| {
        let lat = grid.lat_deg(row as usize);
        let lon = grid.west_deg + f64::from(column) * grid.step_lon_deg();
        cubic(coarse, lat, lon) as f32
    });
    for (&(row, column), height) in missing.iter().zip(heights) {
        grid.heights_m[[row as usize, column as usize]] = height;
    }
}

/// Missing cells take the mean of the known ones.
fn start_level(grid: &mut Grid, missing: &[(u32, u32)]) {
    let (mut sum, mut area) = (0.0, 0.0);
    for (row, line) in grid.heights_m.outer_iter().enumerate() {
        let weight = grid.area_weight(row);
        for &h in line.iter().filter(|h| !h.is_nan()) {
            sum += weight * f64::from(h);
            area += weight;
        }
    }
    for &(row, column) in missing {
        grid.heights_m[[row as usize, column as usize]] = (sum / area) as f32;
    }
}

/// Factors of one row's Laplacian.
#[derive(Debug, Clone, Copy)]
struct RowFactors {
    /// Columns to the western and eastern neighbour.
    stride: usize,
    across: f64,
    north: f64,
    south: f64,
    /// Ground area of the row's cells, relative.
    area: f64,
}

/// No neighbour is further round a pole than this share of a circle.
const WIDEST: usize = 4;

impl RowFactors {
    /// Weights of the cell itself, west, east, north and south in the Laplacian.
    fn weights(&self) -> [f64; 5] {
        let own = -2.0 * self.across - self.north - self.south;
        [own, self.across, self.across, self.north, self.south]
    }
}

fn row_factors(grid: &Grid, row: usize) -> RowFactors {
    let step = grid.step_lat_deg();
    let lat = grid.lat_deg(row);
    let cos = |lat: f64| lat.clamp(-90.0, 90.0).to_radians().cos();
    // The cells of a pole row reach half a step to one side only.
    let centre = lat.clamp(-90.0 + 0.25 * step, 90.0 - 0.25 * step);
    let width = cos(centre) * grid.step_lon_deg() / step;
    let stride = ((1.0 / width).round() as usize).clamp(1, (grid.columns() / WIDEST).max(1));
    let x = stride as f64 * width;
    RowFactors {
        stride,
        across: 1.0 / (x * x),
        north: cos(lat + 0.5 * step).max(0.0) / cos(centre),
        south: cos(lat - 0.5 * step).max(0.0) / cos(centre),
        area: cos(centre),
    }
}

/// "Not an unknown" among unknowns' numbers.
const KNOWN: u32 = u32::MAX;

/// The bending at one cell, in terms of unknown cells and a fixed part.
struct Bending {
    row: u32,
    /// Numbers of the unknowns at the cell itself, west, east, north, south.
    cells: [u32; 5],
    /// What known cells contribute.
    fixed: f64,
}

/// Solves for the missing cells by the normal equations, from the heights they have now.
fn minimise_curvature(grid: &mut Grid, missing: &[(u32, u32)]) {
    let factors: Vec<RowFactors> = (0..grid.rows()).map(|r| row_factors(grid, r)).collect();
    let equations = equations(grid, missing, &factors);
    let weights = |row: u32| {
        let f = &factors[row as usize];
        (f.weights(), f.area)
    };
    let count = missing.len();
    let iterations = (WORK / count).clamp(LEAST_ITERATIONS, MOST_ITERATIONS);
    // y = LᵀWL x (+ LᵀW·fixed for `with_fixed`).
    let apply = |x: &[f64], with_fixed: bool, y: &mut [f64]| {
        y.fill(0.0);
        for equation in &equations {
            let (factor, area) = weights(equation.row);
            let unknowns = equation.cells.iter().zip(factor);
            let unknowns = unknowns.filter(|(cell, _)| **cell != KNOWN);
            let mut bending = if with_fixed { equation.fixed } else { 0.0 };
            for (cell, f) in unknowns.clone() {
                bending += f * x[*cell as usize];
            }
            bending *= area;
            for (cell, f) in unknowns {
                y[*cell as usize] += f * bending;
            }
        }
    };
    let mut diagonal = vec![0.0; count];
    for equation in &equations {
        let (factor, area) = weights(equation.row);
        for (cell, f) in equation.cells.iter().zip(factor) {
            if *cell != KNOWN {
                diagonal[*cell as usize] += area * f * f;
            }
        }
    }
    let mut x: Vec<f64> = missing
        .iter()
        .map(|&(r, c)| f64::from(grid.heights_m[[r as usize, c as usize]]))
        .collect();
    let mut residual = vec![0.0; count];
    apply(&x, true, &mut residual);
    residual.iter_mut().for_each(|r| *r = -*r);
    let apply = |x: &[f64], y: &mut [f64]| apply(x, false, y);
    conjugate_gradients(apply, &diagonal, residual, &mut x, iterations);
    for (&(row, column), height) in missing.iter().zip(x) {
        if height.is_finite() {
            grid.heights_m[[row as usize, column as usize]] = height as f32;
        }
    }
}

/// Lessens a residual step by step: conjugate gradients with diagonal scaling, which changes `x`
/// until little is left or the iterations are used up.
fn conjugate_gradients(
    apply: impl Fn(&[f64], &mut [f64]),
    diagonal: &[f64],
    mut residual: Vec<f64>,
    x: &mut [f64],
    iterations: usize,
) {
    let scaled = |r: &[f64]| -> Vec<f64> { r.iter().zip(diagonal).map(|(r, d)| r / d).collect() };
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let mut z = scaled(&residual);
    let mut direction = z.clone();
    let mut slope = dot(&residual, &z);
    let enough = slope * TOLERANCE * TOLERANCE;
    let mut image = vec![0.0; x.len()];
    for _ in 0..iterations {
        // NaN, which no comparison holds for, must end the loop too.
        if slope.is_nan() || slope <= enough {
            break;
        }
        apply(&direction, &mut image);
        let curvature = dot(&direction, &image);
        if curvature.is_nan() || curvature <= 0.0 {
            break;
        }
        let step = slope / curvature;
        for i in 0..x.len() {
            x[i] += step * direction[i];
            residual[i] -= step * image[i];
        }
        z = scaled(&residual);
        let next = dot(&residual, &z);
        let turn = next / slope;
        slope = next;
        for (d, z) in direction.iter_mut().zip(&z) {
            *d = z + turn * *d;
        }
    }
}

/// The bending of every cell that has an unknown in its Laplacian, in row order.
fn equations(grid: &Grid, missing: &[(u32, u32)], factors: &[RowFactors]) -> Vec<Bending> {
    let columns = grid.columns();
    let layout = grid.layout();
    let number = |at: (usize, usize)| {
        missing
            .binary_search(&(at.0 as u32, at.1 as u32))
            .map_or(KNOWN, |i| i as u32)
    };
    let neighbours = |row: usize, column: usize| {
        let (r, c, k) = (row as isize, column as isize, factors[row].stride as isize);
        [
            (row, column),
            layout.sample(r, c - k),
            layout.sample(r, c + k),
            layout.sample(r - 1, c),
            layout.sample(r + 1, c),
        ]
    };
    // Cells whose Laplacian reaches an unknown: the unknowns and everything around them.
    let mut rows: Vec<Vec<u32>> = vec![Vec::new(); grid.rows()];
    for &(row, column) in missing {
        for (r, c) in neighbours(row as usize, column as usize) {
            rows[r].push(c as u32);
        }
    }
    let found = parallel::given(rows.into_iter(), &|row, mut touched: Vec<u32>| {
        touched.sort_unstable();
        touched.dedup();
        let factor = factors[row].weights();
        let line: Vec<Bending> = touched
            .into_iter()
            .filter(|&c| (c as usize) < columns)
            .map(|column| {
                let at = neighbours(row, column as usize);
                let cells = at.map(number);
                let fixed = at
                    .iter()
                    .zip(cells)
                    .zip(factor)
                    .filter(|((_, cell), _)| *cell == KNOWN)
                    .map(|((at, _), f)| f * f64::from(grid.heights_m[*at]))
                    .sum();
                Bending {
                    row: row as u32,
                    cells,
                    fixed,
                }
            })
            .collect();
        line
    });
    found.into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;

    /// Smooth on the whole sphere, poles and date line included.
    fn smooth(lat_deg: f64, lon_deg: f64) -> f64 {
        let d = direction(lat_deg, lon_deg);
        1000.0 * (3.0 * d.x + d.y).sin() + 600.0 * d.x * d.z + 900.0 * (4.0 * d.y - d.z).cos()
    }

    fn field(rows: usize, columns: usize, registration: Registration) -> Grid {
        let mut grid = Grid {
            heights_m: Array2::zeros((rows, columns)),
            west_deg: 0.5,
            registration,
        };
        for row in 0..rows {
            for column in 0..columns {
                grid.heights_m[[row, column]] =
                    smooth(grid.lat_deg(row), grid.lon_deg(column)) as f32;
            }
        }
        grid
    }

    /// Punches a hole of a radius in degrees and says how far off the filling is at worst,
    /// relative to the field's range in the hole.
    fn error_of_hole(mut grid: Grid, lat_deg: f64, lon_deg: f64, radius_deg: f64) -> f64 {
        let truth = grid.heights_m.clone();
        let centre = direction(lat_deg, lon_deg);
        let near = radius_deg.to_radians().cos();
        let (mut lo, mut hi) = (f32::INFINITY, f32::NEG_INFINITY);
        for row in 0..grid.rows() {
            for column in 0..grid.columns() {
                let d = direction(grid.lat_deg(row), grid.lon_deg(column));
                if d.dot(centre) >= near {
                    lo = lo.min(truth[[row, column]]);
                    hi = hi.max(truth[[row, column]]);
                    grid.heights_m[[row, column]] = f32::NAN;
                }
            }
        }
        assert!(fill(&mut grid) > 0);
        let worst = grid
            .heights_m
            .iter()
            .zip(&truth)
            .map(|(a, b)| (a - b).abs())
            .fold(0.0f32, f32::max);
        f64::from(worst / (hi - lo))
    }

    #[test]
    fn a_hole_in_a_smooth_field_comes_back_within_a_twentieth() {
        for (lat, lon) in [
            (0.0, 90.0),
            (30.0, 0.3),
            (-60.0, 200.0),
            (80.0, 140.0),
            (90.0, 0.0),
            (-90.0, 0.0),
        ] {
            for radius in [2.0, 5.0, 10.0] {
                let error = error_of_hole(field(180, 360, Registration::Pixel), lat, lon, radius);
                assert!(error < 0.05, "{radius} degrees at {lat} {lon}: {error}");
            }
        }
    }

    #[test]
    fn a_gridline_grid_is_filled_over_its_poles() {
        for (lat, lon) in [(90.0, 0.0), (-88.0, 30.0), (10.0, 359.0)] {
            let grid = field(181, 360, Registration::Gridline);
            let error = error_of_hole(grid, lat, lon, 6.0);
            assert!(error < 0.05, "{lat} {lon}: {error}");
        }
    }

    #[test]
    fn scattered_cells_and_whole_rows_are_filled() {
        let mut grid = field(90, 180, Registration::Pixel);
        let truth = grid.heights_m.clone();
        for row in 0..90 {
            for column in 0..180 {
                if row < 2 || (row * 31 + column * 17) % 7 == 0 {
                    grid.heights_m[[row, column]] = f32::NAN;
                }
            }
        }
        fill(&mut grid);
        for (a, b) in grid.heights_m.iter().zip(&truth) {
            assert!((a - b).abs() < 40.0, "{a} {b}");
        }
    }

    #[test]
    fn known_cells_stay_and_an_empty_grid_is_left_alone() {
        let mut grid = field(32, 64, Registration::Pixel);
        let truth = grid.heights_m.clone();
        grid.heights_m[[10, 20]] = f32::NAN;
        assert_eq!(fill(&mut grid), 1);
        for (at, h) in truth.indexed_iter() {
            assert!(at == (10, 20) || grid.heights_m[at] == *h);
        }
        grid.heights_m.fill(f32::NAN);
        assert_eq!(fill(&mut grid), 0);
    }
}
