//! Smooth filling of cells without data, on the sphere.

use crate::grid::Grid;

/// Fills NaN cells of a grid. Returns how many were filled; a grid without any data stays as it is.
pub(super) fn fill(grid: &mut Grid) -> usize {
    let missing: Vec<(usize, usize)> = grid
        .heights_m
        .indexed_iter()
        .filter(|(_, h)| h.is_nan())
        .map(|(at, _)| at)
        .collect();
    if missing.is_empty() || missing.len() == grid.heights_m.len() {
        return 0;
    }
    let filled = pull_push(&grid.heights_m);
    for &at in &missing {
        grid.heights_m[at] = filled[at];
    }
    missing.len()
}

/// Halves the grid until no cell is missing, then hands coarse heights back down.
fn pull_push(heights: &ndarray::Array2<f32>) -> ndarray::Array2<f32> {
    if !heights.iter().any(|h| h.is_nan()) {
        return heights.clone();
    }
    let (rows, columns) = heights.dim();
    let half = (rows.div_ceil(2).max(1), columns.div_ceil(2).max(1));
    let mut coarse = ndarray::Array2::from_elem(half, f32::NAN);
    for ((r, c), cell) in coarse.indexed_iter_mut() {
        let (mut sum, mut count) = (0.0, 0);
        for y in 2 * r..(2 * r + 2).min(rows) {
            for x in 2 * c..(2 * c + 2).min(columns) {
                if !heights[[y, x]].is_nan() {
                    sum += heights[[y, x]];
                    count += 1;
                }
            }
        }
        if count > 0 {
            *cell = sum / count as f32;
        }
    }
    let coarse = pull_push(&coarse);
    let mut out = heights.clone();
    for ((r, c), cell) in out.indexed_iter_mut() {
        if cell.is_nan() {
            *cell = coarse[[r / 2, c / 2]];
        }
    }
    out
}
