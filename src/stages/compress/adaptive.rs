//! `adaptive`: every place is given the relief its rank among its surroundings earns.
//!
//! After X. Sun, P. L. Rosin, R. R. Martin and F. C. Langbein, "Bas-relief generation using
//! adaptive histogram equalization", IEEE Trans. Vis. Comput. Graph. 15 (2009): equalisation in
//! windows, the amplification limited by cutting off the histogram's peaks, averaged over
//! windows of several sizes. With u = curve(h) from 0 to 1 and p_k(x) the share of the window
//! around x in the k-th of equal steps of u,
//!
//! ```text
//! q_k = min(p_k, A·Δu), the rest spread evenly        F_x(u) = sum of q below u
//! wanted = (1 − s)·u + s·mean of F_x(u) over the sizes      A = detail, s = strength
//! ```
//!
//! F_x keeps order within a window but not beyond it, so what is wanted is held to the
//! [`bound`](super::bound) on how far ground may move. The paper has no such bound.

use super::bound::{Keeping, hold, shifts};
use crate::curve::Curve;
use crate::discs::Discs;
use crate::grid::Grid;
use ndarray::{Array2, Axis};
use rayon::prelude::*;

/// Steps of u. More resolve narrow plains better and cost time and memory in proportion.
const STEPS: usize = 24;

/// Windows, as multiples of the span.
const SIZES: [f64; 3] = [1.0, 2.0, 4.0];

/// Rows worked on together: their local curves are held at once.
const ROWS: usize = 16;

/// Relief of every sample, in the curve's millimetres.
pub fn adaptive(
    grid: &Grid,
    curve: &Curve,
    span_rad: f64,
    most: f64,
    strength: f64,
    keeping: &Keeping,
) -> Array2<f32> {
    let (low, range) = (curve.lowest_mm(), curve.highest_mm() - curve.lowest_mm());
    let even = ndarray::Zip::from(&grid.heights_m)
        .par_map_collect(|&height| ((curve.relief_mm(f64::from(height)) - low) / range) as f32);
    let mut ranks = Array2::<f32>::zeros(grid.heights_m.dim());
    for size in SIZES {
        let discs = Discs::new(
            grid,
            (0.5 * size * span_rad).min(std::f64::consts::FRAC_PI_2),
        );
        // Share of the window in the k-th step, each place counted in the two nearest.
        let pooled = discs.pool_nodes(grid, STEPS, |row, out| {
            for (out, &u) in out.iter_mut().zip(even.row(row)) {
                *out = u * STEPS as f32;
            }
        });
        let steps: Vec<Array2<f32>> = pooled.into_iter().map(|step| discs.mean(&step)).collect();
        ranks
            .axis_chunks_iter_mut(Axis(0), ROWS)
            .into_par_iter()
            .enumerate()
            .for_each(|(chunk, mut rows)| {
                let mut lines = vec![vec![0f32; grid.columns()]; STEPS + 1];
                for (i, mut out) in rows.outer_iter_mut().enumerate() {
                    let row = chunk * ROWS + i;
                    for (line, step) in lines.iter_mut().zip(&steps) {
                        discs.row(step, row, line);
                    }
                    for (column, out) in out.iter_mut().enumerate() {
                        let mut shares = [0f64; STEPS + 1];
                        for (share, line) in shares.iter_mut().zip(&lines) {
                            *share = f64::from(line[column]);
                        }
                        let here = f64::from(even[(row, column)]);
                        *out += (local(&mut shares, most, here) / SIZES.len() as f64) as f32;
                    }
                }
            });
    }
    let wanted_mm = ndarray::Zip::from(&ranks)
        .and(&even)
        .par_map_collect(|&local, &u| {
            let mixed = (1.0 - strength) * f64::from(u) + strength * f64::from(local);
            low + range * mixed.clamp(0.0, 1.0)
        });
    hold(
        grid,
        curve,
        &shifts(grid, curve, &wanted_mm, span_rad),
        keeping,
    )
}

/// The local curve at u: shares at the step's nodes, cut off at `most` times even, summed.
fn local(shares: &mut [f64; STEPS + 1], most: f64, u: f64) -> f64 {
    // The nodes at the ends stand for half a step.
    let even = |k: usize| if k == 0 || k == STEPS { 0.5 } else { 1.0 } / STEPS as f64;
    let mut excess = 1.0;
    for (k, share) in shares.iter_mut().enumerate() {
        *share = share.min(most * even(k));
        excess -= *share;
    }
    let at = (u * STEPS as f64).clamp(0.0, STEPS as f64);
    let cell = (at as usize).min(STEPS - 1);
    let part = at - cell as f64;
    // A node's share lies half before and half after it; the ends' wholly inside.
    let density = |k: usize| shares[k] / even(k) + excess;
    let mut sum = 0.0;
    for k in 0..cell {
        sum += 0.5 * (density(k) + density(k + 1));
    }
    let (from, to) = (density(cell), density(cell + 1));
    sum += part * (from + 0.5 * part * (to - from));
    sum / STEPS as f64
}
