//! `gradient`: slopes are evened out, then put together again into a surface.
//!
//! After R. Fattal, D. Lischinski and M. Werman, "Gradient domain high dynamic range
//! compression", ACM Trans. Graph. 21 (2002), eq. 4 and 5, and T. Weyrich et al., "Digital
//! bas-relief from 3D scenes", ACM Trans. Graph. 26 (2007). With g_k the slope of the relief
//! averaged over windows of k-fold width, and α a part of its mean,
//!
//! ```text
//! Φ = product over k of ((g_k² + (α/10)²) / α²)^((β − 1)/2)
//! v:  divergence of grad v = divergence of (Φ · grad u)
//! wanted = (1 − s)·u + s·m(v)        u = curve(h), s = strength
//! ```
//!
//! with m the rising curve that gives v the same distribution over the sphere as u: the sum of
//! many raised slopes would otherwise take the whole range for the broadest swells.
//!
//! Slopes above α are laid back, slopes below it raised. A long gentle rise may so outgrow a steep
//! short one: what is wanted is held to the [`bound`](super::bound) on how far ground may move,
//! which the papers do not have.

use super::bound::{Keeping, hold, shifts};
use super::poisson::{Mesh, solve};
use crate::curve::Curve;
use crate::discs::Discs;
use crate::grid::Grid;
use ndarray::{Array2, Axis};
use rayon::prelude::*;

/// α over the mean slope; Fattal et al. name a tenth.
const ALPHA: f64 = 0.1;

/// β; Fattal et al. name 0.8 to 0.9 for pictures. Nearer to 1 changes less.
const BETA: f64 = 0.75;

/// Bins of the distributions that are matched.
const BINS: usize = 8192;

/// Windows, as multiples of the span.
const SCALES: [f64; 3] = [0.5, 1.0, 2.0];

/// Relief of every sample, in the curve's millimetres.
pub fn gradient(
    grid: &Grid,
    curve: &Curve,
    span_rad: f64,
    strength: f64,
    keeping: &Keeping,
) -> Array2<f32> {
    // Transforms and sums along the rows round differently from another first column.
    let first = first_column(grid);
    let turned = Grid {
        heights_m: turned(&grid.heights_m, first),
        ..*grid
    };
    let start = turned
        .heights_m
        .mapv(|height| curve.relief_mm(f64::from(height)));
    let factors = attenuation(&turned, &start, span_rad);
    let mesh = Mesh::new(&turned);
    let solved = solve(&mesh, divergence(&mesh, &start, &factors));
    let evened = like(&turned, &solved, &start);
    let wanted_mm = ndarray::Zip::from(&start)
        .and(&evened)
        .par_map_collect(|u, v| (1.0 - strength) * u + strength * v);
    let wanted_mm = self::turned(&wanted_mm, grid.columns() - first);
    hold(
        grid,
        curve,
        &shifts(grid, curve, &wanted_mm, span_rad),
        keeping,
    )
}

/// The column with the highest sum of heights: the same ground, wherever the grid begins.
fn first_column(grid: &Grid) -> usize {
    let mut sums = vec![0f64; grid.columns()];
    for line in grid.heights_m.outer_iter() {
        for (sum, height) in sums.iter_mut().zip(line) {
            *sum += f64::from(*height);
        }
    }
    (0..sums.len()).fold(0, |best, i| if sums[i] > sums[best] { i } else { best })
}

/// The same values from another first column on.
fn turned<T: Copy>(values: &Array2<T>, first: usize) -> Array2<T> {
    let columns = values.ncols();
    Array2::from_shape_fn(values.dim(), |(row, column)| {
        values[(row, (column + first) % columns)]
    })
}

fn ends(values: &Array2<f64>) -> (f64, f64) {
    values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &v| {
            (low.min(v), high.max(v))
        })
}

/// `values` in their own order, spread over the sphere as `model` is: every share of the area
/// gets the same relief as before.
fn like(grid: &Grid, values: &Array2<f64>, model: &Array2<f64>) -> Array2<f64> {
    let (from, from_below) = distribution(grid, values);
    if from.1 <= from.0 {
        return model.clone();
    }
    let (to, to_below) = distribution(grid, model);
    // Where each bin's edge of `values` lies in `model`.
    let mut bin = 0;
    let edges: Vec<f64> = from_below
        .iter()
        .map(|share| {
            while bin + 1 < BINS && to_below[bin + 1] < *share {
                bin += 1;
            }
            let (start, end) = (to_below[bin], to_below[bin + 1]);
            let part = if end > start {
                ((share - start) / (end - start)).clamp(0.0, 1.0)
            } else {
                1.0
            };
            to.0 + (bin as f64 + part) / BINS as f64 * (to.1 - to.0)
        })
        .collect();
    let per_bin = BINS as f64 / (from.1 - from.0).max(f64::MIN_POSITIVE);
    values.mapv(|v| {
        let at = ((v - from.0) * per_bin).clamp(0.0, BINS as f64);
        let bin = (at as usize).min(BINS - 1);
        edges[bin] + (at - bin as f64) * (edges[bin + 1] - edges[bin])
    })
}

/// Ends of the values, and the share of the sphere below each bin's edge.
fn distribution(grid: &Grid, values: &Array2<f64>) -> ((f64, f64), Vec<f64>) {
    let (low, high) = ends(values);
    let per_bin = BINS as f64 / (high - low).max(f64::MIN_POSITIVE);
    let mut below = vec![0.0; BINS + 1];
    for (row, line) in values.outer_iter().enumerate() {
        let area = grid.area_weight(row);
        for v in line {
            below[(((v - low) * per_bin) as usize).min(BINS - 1) + 1] += area;
        }
    }
    let mut sum = 0.0;
    for share in &mut below {
        sum += *share;
        *share = sum;
    }
    below.iter_mut().for_each(|share| *share /= sum);
    ((low, high), below)
}

/// Φ at every sample.
fn attenuation(grid: &Grid, relief: &Array2<f64>, span_rad: f64) -> Array2<f64> {
    let mut factors = Array2::from_elem(relief.dim(), 1.0);
    for scale in SCALES {
        let discs = Discs::new(grid, 0.5 * scale * span_rad);
        let mean = discs.mean(&discs.pool(grid, |row, out| {
            for (out, mm) in out.iter_mut().zip(relief.row(row)) {
                *out = *mm as f32;
            }
        }));
        let mut smooth = grid.clone();
        smooth
            .heights_m
            .axis_iter_mut(Axis(0))
            .into_par_iter()
            .enumerate()
            .for_each(|(row, mut line)| {
                if let Some(line) = line.as_slice_mut() {
                    discs.row(&mean, row, line);
                }
            });
        let slopes: Vec<Vec<f64>> = (0..grid.rows())
            .into_par_iter()
            .map(|row| crate::legible::slopes_squared(&smooth, row, 1.0))
            .collect();
        let mean_slope: f64 = slopes
            .iter()
            .enumerate()
            .map(|(row, line)| grid.area_weight(row) * line.iter().map(|g2| g2.sqrt()).sum::<f64>())
            .sum();
        let alpha2 = (ALPHA * mean_slope).powi(2).max(f64::MIN_POSITIVE);
        factors
            .axis_iter_mut(Axis(0))
            .into_par_iter()
            .zip(slopes)
            .for_each(|(mut factors, slopes)| {
                for (factor, g2) in factors.iter_mut().zip(slopes) {
                    *factor *= (g2 / alpha2 + 0.01).powf(0.5 * (BETA - 1.0));
                }
            });
    }
    factors
}

/// Sum of the attenuated fluxes through each cell's edges.
fn divergence(mesh: &Mesh, relief: &Array2<f64>, factors: &Array2<f64>) -> Array2<f64> {
    let (rows, columns) = relief.dim();
    let mut flux = Array2::zeros(relief.dim());
    flux.axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(row, mut line)| {
            let through = |width: f64, here: (usize, usize), there: (usize, usize)| {
                0.5 * width * (factors[here] + factors[there]) * (relief[there] - relief[here])
            };
            for (column, sum) in line.iter_mut().enumerate() {
                let here = (row, column);
                let east = (row, (column + 1) % columns);
                let west = (row, (column + columns - 1) % columns);
                *sum = through(mesh.east[row], here, east) + through(mesh.east[row], here, west);
                if row > 0 {
                    *sum += through(mesh.south[row - 1], here, (row - 1, column));
                }
                if row + 1 < rows {
                    *sum += through(mesh.south[row], here, (row + 1, column));
                }
            }
        });
    flux
}
