//! What the rows above tell of the next: where its ground will be, and how it slopes there.
//!
//! On the vertical line through (x, y) the ground is the fixed point of Z → g(Z), the height of
//! the surface if the relief were that in the direction of (x, y, Z). How fast g changes follows
//! from the slope (z_x, z_y) of the image, whatever the ground is: differentiated along the line
//! from the axis, z = g(z; x, y) gives with ρ² = x² + y² and q = (x·z_x + y·z_y) / Z
//!
//! ```text
//! sphere base:  1 − g′ = (1 + ρ²/Z²) / (1 − q)
//! flat base:    1 − g′ = 1 / (1 − q)
//! ```
//!
//! So one sample at Z₀ and Newton's step, Z₀ + (g(Z₀) − Z₀) / (1 − g′), land on the ground.

use super::sampler::LANES;

/// Heights and relief of the rows above, by column.
pub struct RowsAbove {
    /// Relief on the row above, mm, and what it rose by there since the row before.
    relief_mm: Vec<f64>,
    rise_mm: Vec<f64>,
    /// Height on the row above over the globe's centre, mm, from one column left of the image to
    /// one right of it; NaN where none was found.
    z_mm: Vec<f64>,
    /// The same of the row that is being drawn.
    next_z_mm: Vec<f64>,
}

impl RowsAbove {
    /// Nothing is known yet.
    pub fn none(width_px: usize) -> RowsAbove {
        RowsAbove {
            relief_mm: vec![0.0; width_px],
            rise_mm: vec![0.0; width_px],
            z_mm: vec![f64::NAN; width_px + 2],
            next_z_mm: vec![f64::NAN; width_px + 2],
        }
    }

    /// Goes on to the row below.
    pub fn next_row(&mut self) {
        std::mem::swap(&mut self.z_mm, &mut self.next_z_mm);
        self.next_z_mm.fill(f64::NAN);
    }

    /// Relief to be expected from column `first` on, mm.
    #[inline(always)]
    pub fn expected_mm(&self, first: usize, count: usize) -> [f64; LANES] {
        let mut relief_mm = [0.0; LANES];
        let known = self.relief_mm[first..].iter().zip(&self.rise_mm[first..]);
        for (expected, (relief, rise)) in relief_mm[..count].iter_mut().zip(known) {
            *expected = relief + rise;
        }
        relief_mm
    }

    /// Heights of the row above, from the column left of `first` on; NaN where not known.
    #[inline(always)]
    pub fn z_mm(&self, first: usize, count: usize) -> [f64; LANES + 2] {
        let mut z_mm = [f64::NAN; LANES + 2];
        z_mm[..count + 2].copy_from_slice(&self.z_mm[first..first + count + 2]);
        z_mm
    }

    /// Keeps what was found from column `first` on: heights, NaN for none, and the relief there.
    #[inline(always)]
    pub fn keep(&mut self, first: usize, z_mm: &[f64], relief_mm: &[f64; LANES]) {
        for (lane, z) in z_mm.iter().enumerate() {
            let column = first + lane;
            let relief = if z.is_nan() { 0.0 } else { relief_mm[lane] };
            let known = !z.is_nan() && !self.z_mm[column + 1].is_nan();
            let rise = relief - self.relief_mm[column];
            self.rise_mm[column] = if known { rise } else { 0.0 };
            self.relief_mm[column] = relief;
        }
        self.next_z_mm[first + 1..][..z_mm.len()].copy_from_slice(z_mm);
    }
}
