//! The ground without its detail, edges kept: the guided filter with the ground as its own guide
//! (K. He, J. Sun and X. Tang, "Guided Image Filtering", IEEE Trans. PAMI 35, 2013, eq. 5, 6 and 8),
//! its windows discs of true size. With mean μ and variance σ² of the heights h in a window,
//!
//! ```text
//! a = σ² / (σ² + ε)      b = (1 − a)·μ      base = ā·h + b̄      (bars: means over the window)
//! ```
//!
//! so what rises far beyond √ε stays in the base, sharp edges included.

use crate::curve::Curve;
use crate::discs::Discs;
use crate::grid::Grid;
use ndarray::{Array2, Axis};
use rayon::prelude::*;

/// √ε, as a share of the body's range of heights: rises well beyond it count as edges. Smaller
/// leaves more in the base, larger lets steps cast halos.
pub(super) const EDGE_SHARE: f64 = 0.005;

/// 1 − ā of every sample: 1 on gentle ground, 0 beside edges.
pub(super) fn gentleness(grid: &Grid, curve: &Curve, span_rad: f64) -> Array2<f32> {
    let discs = Discs::new(grid, 0.5 * span_rad);
    let (low, high) = (curve.knots_m[0], curve.knots_m[curve.knots_m.len() - 1]);
    let base = Base::new(grid, &discs, 0.5 * (low + high), EDGE_SHARE * (high - low));
    let mut gentle = Array2::zeros(grid.heights_m.dim());
    gentle
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(
            |(row, mut line): (usize, ndarray::ArrayViewMut1<'_, f32>)| {
                if let Some(line) = line.as_slice_mut() {
                    discs.row(&base.a, row, line);
                    line.iter_mut().for_each(|a| *a = 1.0 - *a);
                }
            },
        );
    gentle
}

/// The guided filter's coefficients, averaged over the windows.
pub(super) struct Base {
    middle_m: f64,
    /// ā: 1 beside edges, 0 on gentle ground.
    pub a: Array2<f32>,
    b: Array2<f32>,
}

impl Base {
    pub fn new(grid: &Grid, discs: &Discs, middle_m: f64, edge_m: f64) -> Base {
        // About the middle of the range, so that squares keep their digits.
        let centred = |row: usize, out: &mut [f32]| {
            for (out, &height) in out.iter_mut().zip(grid.heights_m.row(row)) {
                *out = (f64::from(height) - middle_m) as f32;
            }
        };
        let mut mean = discs.mean(&discs.pool(grid, centred));
        let mut square = discs.mean(&discs.pool(grid, |row, out| {
            centred(row, out);
            out.iter_mut().for_each(|h| *h *= *h);
        }));
        let epsilon = edge_m * edge_m;
        ndarray::Zip::from(&mut mean)
            .and(&mut square)
            .for_each(|mean, square| {
                let mu = f64::from(*mean);
                let variance = (f64::from(*square) - mu * mu).max(0.0);
                let a = variance / (variance + epsilon);
                *square = a as f32;
                *mean = ((1.0 - a) * mu) as f32;
            });
        Base {
            middle_m,
            a: discs.mean(&square),
            b: discs.mean(&mean),
        }
    }

    /// Height less base along a row, metres.
    pub fn detail(&self, grid: &Grid, discs: &Discs, row: usize, out: &mut [f32]) {
        let mut a = vec![0f32; out.len()];
        discs.row(&self.a, row, &mut a);
        discs.row(&self.b, row, out);
        let heights = grid.heights_m.row(row);
        for ((out, a), &height) in out.iter_mut().zip(a).zip(heights) {
            let height = f64::from(height) - self.middle_m;
            *out = (height - (f64::from(a) * height + f64::from(*out))) as f32;
        }
    }
}

/// Height less base of every sample, metres.
#[cfg(test)]
pub(super) fn detail_of(grid: &Grid, span_rad: f64, edge_m: f64) -> Array2<f32> {
    let discs = Discs::new(grid, 0.5 * span_rad);
    let base = Base::new(grid, &discs, 0.0, edge_m);
    let mut all = Array2::zeros(grid.heights_m.dim());
    for (row, mut line) in all.outer_iter_mut().enumerate() {
        if let Some(line) = line.as_slice_mut() {
            base.detail(grid, &discs, row, line);
        }
    }
    all
}
