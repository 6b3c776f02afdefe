//! Draws facet images: which ground lies under each pixel, and how high it stands in the wood.
//!
//! Input: a [`Sampler`] (grid and curve), the [`Bounds`] of the same, a [`FacetSpec`].
//! Output: a [`FacetImage`] of 16-bit levels. A facet depends on nothing else, so any subset of
//! facets, drawn in any order on any number of threads, has the same bytes.

mod bounds;
mod facet;
mod radial;
mod sampler;
#[cfg(test)]
mod tests;

pub use bounds::{Bound, Bounds};
pub use facet::{FacetSpec, FacetStats, Side};
pub use sampler::{Directions, LANES, Sampler};

use crate::settings::{Base, Outside, Projection};
use glam::DVec2;
use ndarray::{Array2, ArrayViewMut2, Axis};
use radial::{Band, Radial};
use rayon::prelude::*;

/// Rows drawn together. More rows share one start from scratch and one bound per tile; fewer
/// make tighter bounds and more work to share out.
const BAND_ROWS: usize = 32;

/// A drawn facet.
#[derive(Debug, Clone, PartialEq)]
pub struct FacetImage {
    /// 16-bit levels, `(rows, columns)`; row 0 is +y, column 0 is −x.
    pub levels: Array2<u16>,
    /// What was found inside the outline.
    pub stats: FacetStats,
}

/// Draws one facet, bands of rows in parallel.
///
/// `relief_range_mm` is the lowest and highest relief of the whole body.
pub fn render(
    sampler: &Sampler,
    bounds: &Bounds,
    spec: &FacetSpec,
    relief_range_mm: (f64, f64),
) -> FacetImage {
    let mut levels = Array2::<u16>::zeros((spec.height_px, spec.width_px));
    let radial = Radial::new(sampler, bounds, spec, relief_range_mm);
    let stats = levels
        .axis_chunks_iter_mut(Axis(0), BAND_ROWS)
        .into_par_iter()
        .enumerate()
        .map(|(i, mut rows)| {
            let first = i * BAND_ROWS;
            let range = first..first + rows.nrows();
            let span = |row: usize| match spec.outside {
                Outside::Floor => spec.span(row),
                Outside::Terrain => 0..spec.width_px,
            };
            let band = pulp::Arch::new().dispatch(
                #[inline(always)]
                || match (spec.projection, spec.base) {
                    (Projection::Gnomonic, _) => gnomonic_band(sampler, spec, range, span),
                    (Projection::Radial, Base::Sphere) => radial.band::<false>(range, span),
                    (Projection::Radial, Base::Flat) => radial.band::<true>(range, span),
                },
            );
            quantise(spec, first, &band, &mut rows)
        })
        // Minima, maxima and sums of whole numbers: the order cannot matter.
        .reduce(|| FacetStats::NONE, FacetStats::with);
    FacetImage { levels, stats }
}

/// Gnomonic projection: û ∝ (x, y, d), relief straight up from the flat face.
#[inline(always)]
fn gnomonic_band(
    sampler: &Sampler,
    spec: &FacetSpec,
    rows: std::ops::Range<usize>,
    span: impl Fn(usize) -> std::ops::Range<usize>,
) -> Band {
    let width = spec.width_px;
    let mut band = Band {
        z_mm: vec![f32::NAN; width * rows.len()],
        undercut: vec![false; width * rows.len()],
    };
    let (fx, fz) = (spec.frame.x, spec.frame.z * spec.base_distance_mm);
    for (i, row) in rows.enumerate() {
        let span = span(row);
        let start = spec.frame.y * spec.y_mm(row) + fz;
        let mut first = span.start;
        while first < span.end {
            let mut directions = Directions::default();
            let mut relief = [0f32; LANES];
            for lane in 0..LANES {
                let x = (first as f64 + lane as f64 + 0.5 - width as f64 / 2.0) * spec.pixel_mm;
                directions.x[lane] = x.mul_add(fx.x, start.x);
                directions.y[lane] = x.mul_add(fx.y, start.y);
                directions.z[lane] = x.mul_add(fx.z, start.z);
            }
            sampler.relief_block(&directions, &mut relief);
            let count = LANES.min(span.end - first);
            let line = &mut band.z_mm[i * width + first..][..count];
            for (z, relief) in line.iter_mut().zip(relief) {
                *z = (spec.base_distance_mm + f64::from(relief)) as f32;
            }
            first += count;
        }
    }
    band
}

/// Heights to levels, with the counts of what had to be cut off.
fn quantise(
    spec: &FacetSpec,
    first_row: usize,
    band: &Band,
    rows: &mut ArrayViewMut2<u16>,
) -> FacetStats {
    let mut stats = FacetStats::NONE;
    let (black, white) = (spec.black_mm, spec.white_mm);
    let per_mm = 65535.0 / (white - black);
    for (i, mut line) in rows.outer_iter_mut().enumerate() {
        let inside = spec.span(first_row + i);
        for (column, level) in line.iter_mut().enumerate() {
            let index = i * spec.width_px + column;
            let carved = inside.contains(&column);
            let z = f64::from(band.z_mm[index]) - spec.back_plane_mm;
            if z.is_nan() {
                stats.missed_px += u64::from(carved);
                stats.carved_px += u64::from(carved);
                continue;
            }
            let exact = (z - black) * per_mm;
            *level = (exact.clamp(0.0, 65535.0) + 0.5) as u16;
            if carved {
                let held = z.clamp(black, white);
                stats.min_mm = stats.min_mm.min(held);
                stats.max_mm = stats.max_mm.max(held);
                stats.clipped_high_px += u64::from(exact > 65535.5);
                if exact < -0.5 {
                    let lateral = DVec2::new(spec.x_mm(column), spec.y_mm(first_row + i));
                    stats.clipped_low_px +=
                        u64::from(spec.in_trim(lateral, z + spec.back_plane_mm));
                }
                stats.undercut_px += u64::from(band.undercut[index]);
                stats.carved_px += 1;
            }
        }
    }
    stats
}
