//! `layered`: an edge-keeping [base](super::base), and detail brought out of it.
//!
//! Detail d = h − base is deepened most where it is faintest: with r its root mean square in the
//! window, k the setting `detail`, ā how much of an edge the base sees, and T a part of the bound
//! m below,
//!
//! ```text
//! x = d·(1 − ā)·(k − 1) / √(1 + (k·r/T)²)        s = m·x / √(m² + x²)
//! relief = curve(h + s)
//! ```
//!
//! The factor 1 − ā is this program's own: beside a scarp the few windows that barely touch the
//! other side leave a trace of it in d, which deepened would be a halo. |s| stays below m, so
//! ground more than 2m higher than other ground is carved higher, whatever the detail does: order is
//! kept by construction. Towards the body's highest and lowest ground m shrinks to 0
//! ([`bound`](super::bound)), so that both land exactly on the ends of the range and nothing is
//! clamped.

use super::base::{Base, EDGE_SHARE};
use super::bound::{Keeping, hold};
use crate::curve::Curve;
use crate::discs::Discs;
use crate::grid::Grid;
use ndarray::{Array2, Axis};
use rayon::prelude::*;

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
