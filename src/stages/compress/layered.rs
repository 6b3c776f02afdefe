//! `layered`: an edge-keeping base, and detail brought out of it.
//!
//! The base is the guided filter with the ground as its own guide (K. He, J. Sun and X. Tang,
//! "Guided Image Filtering", IEEE Trans. PAMI 35, 2013, eq. 5, 6 and 8), its windows discs of
//! true size. With mean μ and variance σ² of the heights h in a window,
//!
//! ```text
//! a = σ² / (σ² + ε)      b = (1 − a)·μ      base = ā·h + b̄      (bars: means over the window)
//! ```
//!
//! so what rises far beyond √ε stays in the base, sharp edges included. Detail d = h − base is
//! deepened most where it is faintest: with r its root mean square in the window, k the setting
//! `detail`, and T a part of the bound m below,
//!
//! ```text
//! x = d·(1 − ā)·(k − 1) / √(1 + (k·r/T)²)        s = m·x / √(m² + x²)
//! relief = curve(h + s)
//! ```
//!
//! The factor 1 − ā is this program's own: beside a scarp the few windows that barely touch the
//! other side leave a trace of it in d, which deepened would be a halo. |s| stays below m, so
//! ground more than 2m higher than other ground is carved higher, whatever the detail does: order is kept by construction. Towards the body's highest and lowest ground m
//! shrinks to 0 ([`bound`](super::bound)), so that both land exactly on the ends of the range and
//! nothing is clamped.

use super::bound::{Keeping, hold};
use crate::curve::Curve;
use crate::discs::Discs;
use crate::grid::Grid;
use ndarray::{Array2, Axis};
use rayon::prelude::*;

/// √ε, as a share of the body's range of heights: rises well beyond it count as edges. Smaller
/// leaves more in the base, larger lets steps cast halos.
const EDGE_SHARE: f64 = 0.005;

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

/// T over m: how much of its bound the detail fills on average. More would cut off its crests.
const FILL: f64 = 0.7;

/// Relief of every sample by the curve, with detail brought out; in the curve's millimetres.
///
/// `span_rad` is the width of the window, `most` how many times the faintest detail is deepened.
pub fn layered(
    grid: &Grid,
    curve: &Curve,
    span_rad: f64,
    most: f64,
    keeping: &Keeping,
) -> Array2<f32> {
    let last = curve.knots_m.len() - 1;
    let (low, high) = (curve.knots_m[0], curve.knots_m[last]);
    let range = high - low;
    let discs = Discs::new(grid, 0.5 * span_rad);
    let base = Base::new(grid, &discs, low + 0.5 * range, EDGE_SHARE * range);
    let rms2 = discs.mean(&discs.pool(grid, |row, out| {
        base.detail(grid, &discs, row, out);
        out.iter_mut().for_each(|d| *d *= *d);
    }));
    let filled_at = (FILL * keeping.shift * range)
        .powi(2)
        .max(f64::MIN_POSITIVE);
    let mut wanted_m = Array2::zeros(grid.heights_m.dim());
    wanted_m
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(row, mut out)| {
            let columns = grid.columns();
            let mut lines = [(); 3].map(|()| vec![0f32; columns]);
            let [detail, mean2, edge] = &mut lines;
            base.detail(grid, &discs, row, detail);
            discs.row(&rms2, row, mean2);
            discs.row(&base.a, row, edge);
            for (column, out) in out.iter_mut().enumerate() {
                let filled = most * most * f64::from(mean2[column].max(0.0)) / filled_at;
                let gentle = f64::from(1.0 - edge[column]);
                let deepened = gentle * (most - 1.0) / (1.0 + filled).sqrt();
                *out = (f64::from(detail[column]) * deepened) as f32;
            }
        });
    hold(grid, curve, &wanted_m, keeping)
}

/// The guided filter's coefficients, averaged over the windows.
struct Base {
    middle_m: f64,
    a: Array2<f32>,
    b: Array2<f32>,
}

impl Base {
    fn new(grid: &Grid, discs: &Discs, middle_m: f64, edge_m: f64) -> Base {
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
    fn detail(&self, grid: &Grid, discs: &Discs, row: usize, out: &mut [f32]) {
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
