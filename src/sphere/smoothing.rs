//! Gaussian smoothing on the sphere: the same width on the ground at every latitude, exact
//! across both poles.
//!
//! A Gauss of variance σ² is what heat makes of a point in the time σ²/2. In waves along the
//! circles of latitude the heat equation falls apart into one system per wave number m, along a
//! meridian, with two neighbours each:
//!
//! ```text
//! (1 − τ∆)ᴺ u = f      τ = σ²/(2N)      ∆u = (sin θ · u')' / sin θ − m² u / sin² θ
//! ```
//!
//! N steps of the implicit Euler method; their kernel is (1 + l(l+1)τ)⁻ᴺ at degree l, a Gauss for
//! large N. Rows are finite volumes whose areas are those of the sphere's belts, so sums are kept.

use crate::model::parallel;
use ndarray::{Array2, ArrayView2, ArrayViewMut2, Axis};
use rayon::prelude::*;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlannerScalar};
use std::f64::consts::PI;
use std::sync::Arc;

/// Steps of a smoothing. With six a standard deviation taken over a window is within 1 % of that
/// taken with a true Gauss.
const STEPS: usize = 6;

/// Wave numbers solved together: their systems lie side by side in vector registers.
const WAVES_AT_ONCE: usize = 16;

/// Smooths fields of one shape.
pub struct Smoother {
    columns: usize,
    /// For each row, 1 over its area; and what flows over its southern edge per difference.
    inverse_area: Vec<f64>,
    flow: Vec<f64>,
    /// For each row, what m² is multiplied by.
    across: Vec<f64>,
    forward: Arc<dyn Fft<f64>>,
    backward: Arc<dyn Fft<f64>>,
}

impl Smoother {
    /// For lattices of so many rows and columns.
    pub fn new(rows: usize, columns: usize) -> Smoother {
        let step = PI / rows as f64;
        let edge = |row: usize| row as f64 * step;
        let area = |row: usize| edge(row).cos() - edge(row + 1).cos();
        let mut planner = FftPlannerScalar::new();
        Smoother {
            columns,
            inverse_area: (0..rows).map(|row| 1.0 / area(row)).collect(),
            flow: (0..rows)
                .map(|row| edge(row + 1).sin().max(0.0) / step)
                .collect(),
            across: (0..rows)
                .map(|row| step / ((edge(row) + 0.5 * step).sin() * area(row)))
                .collect(),
            forward: planner.plan_fft_forward(columns),
            backward: planner.plan_fft_inverse(columns),
        }
    }

    fn rows(&self) -> usize {
        self.flow.len()
    }

    /// Takes a field apart into waves along its rows, `(rows, wave numbers)`.
    fn waves(&self, values: &Array2<f32>) -> Array2<Complex<f64>> {
        let columns = self.columns;
        let mut waves = Array2::zeros((self.rows(), columns / 2 + 1));
        waves
            .axis_chunks_iter_mut(Axis(0), 2)
            .into_par_iter()
            .zip(values.axis_chunks_iter(Axis(0), 2))
            .for_each_init(
                || vec![Complex::default(); columns],
                |both, (mut out, values)| {
                    // Two real rows are one complex row.
                    for (both, &value) in both.iter_mut().zip(values.row(0)) {
                        *both = Complex::new(f64::from(value), 0.0);
                    }
                    if out.nrows() == 2 {
                        for (both, &value) in both.iter_mut().zip(values.row(1)) {
                            both.im = f64::from(value);
                        }
                    }
                    self.forward.process(both);
                    for m in 0..out.ncols() {
                        let (here, there) = (both[m], both[(columns - m) % columns].conj());
                        out[(0, m)] = 0.5 * (here + there);
                        if out.nrows() == 2 {
                            out[(1, m)] = Complex::new(0.0, -0.5) * (here - there);
                        }
                    }
                },
            );
        waves
    }

    /// The field smoothed by a Gauss of standard deviation `sigma_rad` in each direction.
    pub fn smooth(&self, values: &Array2<f32>, sigma_rad: f64) -> Array2<f64> {
        let mut waves = self.waves(values);
        let tau = sigma_rad * sigma_rad / (2.0 * STEPS as f64);
        let chunks = waves.axis_chunks_iter_mut(Axis(1), WAVES_AT_ONCE);
        parallel::given(chunks, &|i, waves| {
            self.solve(waves, i * WAVES_AT_ONCE, tau)
        });
        self.field(waves.view())
    }

    /// Solves the systems of neighbouring wave numbers, [`STEPS`] times.
    fn solve(&self, mut waves: ArrayViewMut2<'_, Complex<f64>>, first: usize, tau: f64) {
        let rows = self.rows();
        let mut values = vec![[[0f64; WAVES_AT_ONCE]; 2]; rows];
        for (values, line) in values.iter_mut().zip(waves.outer_iter()) {
            for (k, wave) in line.iter().enumerate() {
                (values[0][k], values[1][k]) = (wave.re, wave.im);
            }
        }
        let squares: [f64; WAVES_AT_ONCE] = std::array::from_fn(|k| ((first + k) as f64).powi(2));
        // Thomas' algorithm: what is eliminated depends on the row and the wave number alone.
        let mut pivots = vec![[0f64; WAVES_AT_ONCE]; rows];
        let mut carried = vec![[0f64; WAVES_AT_ONCE]; rows];
        let mut northward = vec![0f64; rows];
        for row in 0..rows {
            let north = if row == 0 { 0.0 } else { self.flow[row - 1] };
            let south = if row + 1 == rows { 0.0 } else { self.flow[row] };
            let share = tau * self.inverse_area[row];
            northward[row] = share * north;
            for k in 0..WAVES_AT_ONCE {
                let diagonal = 1.0 + share * (north + south) + tau * self.across[row] * squares[k];
                let before = if row == 0 { 0.0 } else { carried[row - 1][k] };
                pivots[row][k] = 1.0 / (diagonal - share * north * before);
                carried[row][k] = share * south * pivots[row][k];
            }
        }
        for _ in 0..STEPS {
            let mut before = [[0f64; WAVES_AT_ONCE]; 2];
            for row in 0..rows {
                for (value, before) in values[row].iter_mut().zip(&mut before) {
                    for k in 0..WAVES_AT_ONCE {
                        let sum = value[k] + northward[row] * before[k];
                        before[k] = sum * pivots[row][k];
                    }
                    *value = *before;
                }
            }
            for row in (0..rows - 1).rev() {
                for (value, before) in values[row].iter_mut().zip(&mut before) {
                    for k in 0..WAVES_AT_ONCE {
                        before[k] = value[k] + carried[row][k] * before[k];
                    }
                    *value = *before;
                }
            }
        }
        for (values, mut line) in values.iter().zip(waves.outer_iter_mut()) {
            for (k, wave) in line.iter_mut().enumerate() {
                *wave = Complex::new(values[0][k], values[1][k]);
            }
        }
    }

    /// Puts waves together again.
    fn field(&self, waves: ArrayView2<'_, Complex<f64>>) -> Array2<f64> {
        let columns = self.columns;
        let scale = 1.0 / columns as f64;
        let mut field = Array2::zeros((self.rows(), columns));
        field
            .axis_chunks_iter_mut(Axis(0), 2)
            .into_par_iter()
            .zip(waves.axis_chunks_iter(Axis(0), 2))
            .for_each_init(
                || vec![Complex::default(); columns],
                |both, (mut out, waves)| {
                    let second = |m: usize| match waves.nrows() {
                        2 => waves[(1, m)],
                        _ => Complex::default(),
                    };
                    let turned = Complex::new(0.0, 1.0);
                    for m in 0..waves.ncols() {
                        let (one, two) = (waves[(0, m)], second(m));
                        both[(columns - m) % columns] = one.conj() + turned * two.conj();
                        both[m] = one + turned * two;
                    }
                    self.backward.process(both);
                    for (column, value) in both.iter().enumerate() {
                        out[(0, column)] = value.re * scale;
                        if out.nrows() == 2 {
                            out[(1, column)] = value.im * scale;
                        }
                    }
                },
            );
        field
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;
    use crate::testing::grid_of;
    use approx::assert_abs_diff_eq;

    fn smoothed(
        columns: usize,
        sigma_rad: f64,
        f: impl Fn(glam::DVec3) -> f64 + Sync,
    ) -> Array2<f64> {
        let grid = grid_of(columns, f);
        let smoother = Smoother::new(grid.rows(), columns);
        smoother.smooth(&grid.heights_m, sigma_rad)
    }

    /// Closed form: a spherical harmonic of degree l comes out (1 + l(l+1)τ)⁻ᴺ as high, whichever
    /// way it lies. P₂ about three axes; l(l+1) = 6.
    #[test]
    fn harmonics_keep_their_shape_and_lose_what_heat_takes() {
        let sigma = 0.4f64;
        let tau = sigma * sigma / (2.0 * STEPS as f64);
        let left = (1.0 + 6.0 * tau).powi(-(STEPS as i32));
        for axis in [
            direction(90.0, 0.0),
            direction(0.0, 30.0),
            direction(40.0, 200.0),
        ] {
            let p2 = |d: glam::DVec3| 1.5 * d.dot(axis).powi(2) - 0.5;
            let before = grid_of(360, p2);
            let after = smoothed(360, sigma, p2);
            for (after, before) in after.iter().zip(&before.heights_m) {
                assert_abs_diff_eq!(*after, left * f64::from(*before), epsilon = 2e-4);
            }
        }
    }

    /// A narrow peak becomes the same round hill on the equator and beside a pole.
    #[test]
    fn a_peak_becomes_the_same_hill_everywhere() {
        let hill = |lat: f64, at: f64| {
            let peak = direction(lat, 20.0);
            let field = smoothed(720, 0.06, |d| {
                (-(d.angle_between(peak) / 0.03).powi(2)).exp()
            });
            let grid = grid_of(720, |_| 0.0);
            let ring = field.indexed_iter().filter_map(|((row, column), value)| {
                let d = direction(grid.lat_deg(row), grid.lon_deg(column));
                let near = (d.angle_between(peak) - at).abs() < 0.0075;
                near.then(|| (grid.area_weight(row), value))
            });
            let sums = ring.fold((0.0, 0.0), |(areas, sum), (area, value)| {
                (areas + area, sum + area * value)
            });
            sums.1 / sums.0
        };
        for at in [0.0, 0.05, 0.1] {
            let on_the_equator = hill(0.0, at);
            for lat in [45.0, 86.0, 90.0] {
                assert_abs_diff_eq!(hill(lat, at), on_the_equator, epsilon = 0.004);
            }
        }
    }
}
