//! The Poisson equation on the sphere, solved exactly on the grid.
//!
//! Cells exchange flux through their edges: with heights v, the cell's latitude φ and steps Δφ
//! and Δλ, the flux east is (v_east − v)·Δφ/(cos φ Δλ) and the flux south
//! (v_south − v)·cos φ_edge·Δλ/Δφ; the sum over a cell's four edges is its Laplacian times its
//! area. Edges at the poles have no length. A Fourier transform along the rows takes the
//! equation apart into one tridiagonal system over the rows per wave number (P. N. Swarztrauber,
//! "The direct solution of the discrete Poisson equation on the surface of a sphere", J. Comput.
//! Phys. 15, 1974), so there is no iteration to stop and no error but rounding.

use crate::grid::Grid;
use ndarray::{Array2, Axis};
use rayon::prelude::*;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// Wave numbers solved together, so that a row's memory is read once.
const WAVES: usize = 16;

/// Widths and lengths of the cells' edges, on the unit sphere.
pub(super) struct Mesh {
    /// Per row: Δφ / (cos φ Δλ).
    pub east: Vec<f64>,
    /// Between a row and the next: cos φ_edge Δλ / Δφ.
    pub south: Vec<f64>,
}

impl Mesh {
    pub fn new(grid: &Grid) -> Mesh {
        let rows = grid.rows();
        let (dlat, dlon) = (
            grid.step_lat_deg().to_radians(),
            grid.step_lon_deg().to_radians(),
        );
        // Rows on a pole are half as high and begin there.
        let edge = |row: usize| {
            (grid.lat_deg(row) - 0.5 * grid.step_lat_deg())
                .max(-90.0)
                .to_radians()
        };
        let top = |row: usize| {
            (grid.lat_deg(row) + 0.5 * grid.step_lat_deg())
                .min(90.0)
                .to_radians()
        };
        let east = (0..rows)
            .map(|row| {
                let middle = 0.5 * (edge(row) + top(row));
                (top(row) - edge(row)) / (middle.cos() * dlon)
            })
            .collect();
        let south = (0..rows.saturating_sub(1))
            .map(|row| edge(row).cos() * dlon / dlat)
            .collect();
        Mesh { east, south }
    }
}

/// Solves for heights whose fluxes sum to `flux` in every cell; the first value's mean row is 0.
///
/// `flux` must sum to 0 over the sphere; a rest is left at the first row.
pub(super) fn solve(mesh: &Mesh, mut flux: Array2<f64>) -> Array2<f64> {
    let (rows, columns) = flux.dim();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, back) = (
        planner.plan_fft_forward(columns),
        planner.plan_fft_inverse(columns),
    );
    let waves = columns / 2 + 1;
    let mut spectrum = Array2::from_elem((rows, waves), Complex::new(0.0, 0.0));
    flux.axis_iter_mut(Axis(0))
        .into_par_iter()
        .zip(spectrum.axis_iter_mut(Axis(0)))
        .for_each(|(mut line, mut waves)| {
            if let (Some(line), Some(waves)) = (line.as_slice_mut(), waves.as_slice_mut()) {
                // Fails only for wrong lengths.
                let _ = forward.process(line, waves);
            }
        });
    spectrum
        .axis_chunks_iter_mut(Axis(1), WAVES)
        .into_par_iter()
        .enumerate()
        .for_each(|(chunk, mut block)| {
            for (i, mut values) in block.axis_iter_mut(Axis(1)).enumerate() {
                let wave = chunk * WAVES + i;
                let turn = std::f64::consts::TAU * wave as f64 / columns as f64;
                let mut line: Vec<Complex<f64>> = values.iter().copied().collect();
                tridiagonal(mesh, 2.0 - 2.0 * turn.cos(), wave == 0, &mut line);
                for (value, solved) in values.iter_mut().zip(line) {
                    *value = solved / columns as f64;
                }
            }
        });
    flux.axis_iter_mut(Axis(0))
        .into_par_iter()
        .zip(spectrum.axis_iter_mut(Axis(0)))
        .for_each(|(mut line, mut waves)| {
            if let (Some(line), Some(waves)) = (line.as_slice_mut(), waves.as_slice_mut()) {
                // The two must be real; rounding may have left a trace.
                waves[0].im = 0.0;
                if line.len() % 2 == 0
                    && let Some(last) = waves.last_mut()
                {
                    last.im = 0.0;
                }
                let _ = back.process(waves, line);
            }
        });
    flux
}

/// Thomas' algorithm for one wave number. The mean wave is known but for a constant: its first
/// value is set to 0.
fn tridiagonal(mesh: &Mesh, bend: f64, mean: bool, line: &mut [Complex<f64>]) {
    let rows = line.len();
    let mut upper = vec![0.0; rows];
    for row in 0..rows {
        let north = if row > 0 { mesh.south[row - 1] } else { 0.0 };
        let south = if row + 1 < rows { mesh.south[row] } else { 0.0 };
        let diagonal = -(north + south + bend * mesh.east[row]);
        if row == 0 {
            if mean {
                (upper[0], line[0]) = (0.0, Complex::new(0.0, 0.0));
            } else {
                upper[0] = south / diagonal;
                line[0] /= diagonal;
            }
            continue;
        }
        let pivot = diagonal - north * upper[row - 1];
        upper[row] = south / pivot;
        line[row] = (line[row] - line[row - 1] * north) / pivot;
    }
    for row in (0..rows - 1).rev() {
        let next = line[row + 1];
        line[row] -= next * upper[row];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::discs::tests::grid_of;
    use approx::assert_abs_diff_eq;

    /// Source: the Laplacian of a spherical harmonic of degree n on the unit sphere is
    /// −n(n + 1) times the harmonic.
    #[test]
    fn harmonics_come_back_from_their_laplacian() {
        let axis = glam::DVec3::new(0.48, -0.64, 0.6);
        for (degree, harmonic) in [
            (1.0, (|t: f64| t) as fn(f64) -> f64),
            (2.0, |t| 1.5 * t * t - 0.5),
            (4.0, |t| (35.0 * t.powi(4) - 30.0 * t * t + 3.0) / 8.0),
        ] {
            let grid = grid_of(360, |d| harmonic(axis.dot(d)));
            let flux = Array2::from_shape_fn(grid.heights_m.dim(), |(row, column)| {
                let area = 2.0 * std::f64::consts::TAU * grid.area_weight(row);
                -degree * (degree + 1.0) * f64::from(grid.heights_m[(row, column)]) * area
            });
            let solved = solve(&Mesh::new(&grid), flux);
            let shift = solved[(90, 0)] - f64::from(grid.heights_m[(90, 0)]);
            for (solved, height) in solved.iter().zip(&grid.heights_m) {
                assert_abs_diff_eq!(solved - shift, f64::from(*height), epsilon = 1e-3);
            }
        }
    }

    /// Slow reference: the four fluxes of every cell, added one by one.
    #[test]
    fn fluxes_of_the_solution_are_those_asked_for() {
        let grid = grid_of(50, |d| (9.0 * d.x).sin() + (7.0 * d.y * d.z).cos());
        let (rows, columns) = grid.heights_m.dim();
        let mesh = Mesh::new(&grid);
        let sums = |v: &Array2<f64>| {
            Array2::from_shape_fn((rows, columns), |(r, c)| {
                let here = v[(r, c)];
                let mut sum = mesh.east[r]
                    * (v[(r, (c + 1) % columns)] + v[(r, (c + columns - 1) % columns)]
                        - 2.0 * here);
                if r > 0 {
                    sum += mesh.south[r - 1] * (v[(r - 1, c)] - here);
                }
                if r + 1 < rows {
                    sum += mesh.south[r] * (v[(r + 1, c)] - here);
                }
                sum
            })
        };
        let wanted = sums(&grid.heights_m.mapv(f64::from));
        let found = sums(&solve(&mesh, wanted.clone()));
        for (found, wanted) in found.iter().zip(&wanted) {
            assert_abs_diff_eq!(found, wanted, epsilon = 1e-9);
        }
    }
}
