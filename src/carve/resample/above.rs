//! What the rows above tell of the next: where its ground will be, and how it slopes there.
//!
//! On the vertical line through (x, y) the ground is the fixed point of Z → g(Z), the height of
//! the surface if the relief were that in the direction of (x, y, Z). How fast g changes follows
//! from the slope (z_x, z_y) of the image, whatever the ground is: differentiated along the line
//! from the axis, z = g(z; x, y) gives with ρ² = x² + y² and s = x·z_x + y·z_y
//!
//! ```text
//! sphere base:  1 − g′ = (Z² + ρ²) / (Z·(Z − s))
//! flat base:    1 − g′ = Z / (Z − s)
//! ```
//!
//! So one sample at Z₀ and Newton's step, Z₀ + (g(Z₀) − Z₀) / (1 − g′), land on the ground.

use super::sampler::LANES;

/// Heights of the two rows above over the globe's centre, mm, from one column left of the image to
/// one right of it; NaN where no ground was found.
pub struct RowsAbove {
    last_mm: Vec<f64>,
    last_but_one_mm: Vec<f64>,
    /// The same of the row that is being drawn.
    next_mm: Vec<f64>,
}

impl RowsAbove {
    /// Nothing is known yet.
    pub fn none(width_px: usize) -> RowsAbove {
        let none = || vec![f64::NAN; width_px + 2];
        RowsAbove {
            last_mm: none(),
            last_but_one_mm: none(),
            next_mm: none(),
        }
    }

    /// Goes on to the row below.
    pub fn next_row(&mut self) {
        std::mem::swap(&mut self.last_but_one_mm, &mut self.last_mm);
        std::mem::swap(&mut self.last_mm, &mut self.next_mm);
        self.next_mm.fill(f64::NAN);
    }

    /// Heights of the row above, from the column left of `first` on; NaN where not known.
    #[inline(always)]
    pub fn last_mm(&self, first: usize, count: usize) -> [f64; LANES + 2] {
        let mut z_mm = [f64::NAN; LANES + 2];
        z_mm[..count + 2].copy_from_slice(&self.last_mm[first..first + count + 2]);
        z_mm
    }

    /// Heights where the last two rows lead straight on, from column `first` on; NaN where either
    /// is not known.
    #[inline(always)]
    pub fn straight_on_mm(&self, first: usize, count: usize) -> [f64; LANES] {
        let mut z_mm = [f64::NAN; LANES];
        let rows = self.last_mm[first + 1..]
            .iter()
            .zip(&self.last_but_one_mm[first + 1..]);
        for (z, (last, last_but_one)) in z_mm[..count].iter_mut().zip(rows) {
            *z = 2.0 * last - last_but_one;
        }
        z_mm
    }

    /// Keeps what was found from column `first` on: heights, NaN for none.
    #[inline(always)]
    pub fn keep(&mut self, first: usize, z_mm: &[f64]) {
        self.next_mm[first + 1..][..z_mm.len()].copy_from_slice(z_mm);
    }
}
