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
pub(crate) use sampler::row_across_poles;
pub use sampler::{Directions, LANES, Sampler};

use crate::settings::{Base, Projection};
use glam::DVec2;
use ndarray::{Array2, ArrayViewMut2, Axis};
use radial::{Band, Radial};
use rayon::prelude::*;
use std::ops::Range;

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
    let surface = match (spec.projection, spec.base) {
        (Projection::Gnomonic, _) => gnomonic(sampler, spec),
        (Projection::Radial, Base::Sphere) => {
            radial::<false>(&Radial::new(sampler, bounds, spec, relief_range_mm), spec)
        }
        (Projection::Radial, Base::Flat) => {
            radial::<true>(&Radial::new(sampler, bounds, spec, relief_range_mm), spec)
        }
    };
    quantise(spec, &surface)
}

/// Heights over the globe's centre, mm, row by row; NaN where there is no ground or none was
/// asked for. And where the surface folds under itself.
struct Surface {
    z_mm: Vec<f32>,
    undercut: Vec<bool>,
}

impl Surface {
    fn blank(spec: &FacetSpec) -> Surface {
        Surface {
            z_mm: vec![f32::NAN; spec.width_px * spec.height_px],
            undercut: vec![false; spec.width_px * spec.height_px],
        }
    }
}

fn band_rows(spec: &FacetSpec, band: usize) -> Range<usize> {
    band * BAND_ROWS..((band + 1) * BAND_ROWS).min(spec.height_px)
}

/// Radial projection, in the three steps that [`radial`] describes.
fn radial<const FLAT: bool>(radial: &Radial<'_>, spec: &FacetSpec) -> Surface {
    let mut surface = Surface::blank(spec);
    let band_px = spec.width_px * BAND_ROWS;
    let bands: Vec<Band> = surface
        .z_mm
        .par_chunks_mut(band_px)
        .enumerate()
        .map(|(i, z_mm)| {
            pulp::Arch::new().dispatch(Settle::<FLAT> {
                radial,
                rows: band_rows(spec, i),
                z_mm,
            })
        })
        .collect();
    let jumps: Vec<Vec<(usize, usize)>> = bands
        .par_iter()
        .enumerate()
        .map(|(i, band)| radial.jumps(band_rows(spec, i), band, &surface.z_mm))
        .collect();
    let mut marked = vec![false; surface.z_mm.len()];
    for (i, jumps) in jumps.iter().enumerate() {
        for &jump in jumps {
            let leaf = radial.leaf(&bands[i], jump.0 - i * BAND_ROWS, jump.1);
            radial.mark(jump, leaf, &mut marked);
        }
    }
    surface
        .z_mm
        .par_chunks_mut(band_px)
        .zip(surface.undercut.par_chunks_mut(band_px))
        .zip(marked.par_chunks(band_px))
        .enumerate()
        .for_each(|(i, ((z_mm, undercut), marked))| {
            pulp::Arch::new().dispatch(March::<FLAT> {
                radial,
                rows: band_rows(spec, i),
                band: &bands[i],
                marked,
                z_mm,
                undercut,
            });
        });
    surface
}

// What runs under the widest vector instructions that the processor has. Structs and not closures,
// for only what is inlined into them is compiled for those, and a closure may not be.

struct Settle<'a, const FLAT: bool> {
    radial: &'a Radial<'a>,
    rows: Range<usize>,
    z_mm: &'a mut [f32],
}

impl<const FLAT: bool> pulp::NullaryFnOnce for Settle<'_, FLAT> {
    type Output = Band;

    #[inline(always)]
    fn call(self) -> Band {
        self.radial.settle_band::<FLAT>(self.rows, self.z_mm)
    }
}

struct March<'a, const FLAT: bool> {
    radial: &'a Radial<'a>,
    rows: Range<usize>,
    band: &'a Band,
    marked: &'a [bool],
    z_mm: &'a mut [f32],
    undercut: &'a mut [bool],
}

impl<const FLAT: bool> pulp::NullaryFnOnce for March<'_, FLAT> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (radial, rows) = (self.radial, self.rows);
        radial.march_band::<FLAT>(rows, self.band, self.marked, self.z_mm, self.undercut);
    }
}

struct Straight<'a> {
    sampler: &'a Sampler,
    spec: &'a FacetSpec,
    rows: Range<usize>,
    z_mm: &'a mut [f32],
}

impl pulp::NullaryFnOnce for Straight<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        gnomonic_band(self.sampler, self.spec, self.rows, self.z_mm);
    }
}

/// Gnomonic projection: û ∝ (x, y, d), relief straight up from the flat face.
fn gnomonic(sampler: &Sampler, spec: &FacetSpec) -> Surface {
    let mut surface = Surface::blank(spec);
    surface
        .z_mm
        .par_chunks_mut(spec.width_px * BAND_ROWS)
        .enumerate()
        .for_each(|(i, z_mm)| {
            pulp::Arch::new().dispatch(Straight {
                sampler,
                spec,
                rows: band_rows(spec, i),
                z_mm,
            });
        });
    surface
}

#[inline(always)]
fn gnomonic_band(sampler: &Sampler, spec: &FacetSpec, rows: Range<usize>, z_mm: &mut [f32]) {
    let width = spec.width_px;
    let (fx, fz) = (spec.frame.x, spec.frame.z * spec.base_distance_mm);
    for (i, row) in rows.enumerate() {
        let span = spec.drawn(row);
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
            let line = &mut z_mm[i * width + first..][..count];
            for (z, relief) in line.iter_mut().zip(relief) {
                *z = (spec.base_distance_mm + f64::from(relief)) as f32;
            }
            first += count;
        }
    }
}

/// Heights to levels, with the counts of what had to be cut off.
fn quantise(spec: &FacetSpec, surface: &Surface) -> FacetImage {
    let mut levels = Array2::<u16>::zeros((spec.height_px, spec.width_px));
    let stats = levels
        .axis_chunks_iter_mut(Axis(0), BAND_ROWS)
        .into_par_iter()
        .enumerate()
        .map(|(i, mut rows)| quantise_band(spec, i * BAND_ROWS, surface, &mut rows))
        // Minima, maxima and sums of whole numbers: the order cannot matter.
        .reduce(|| FacetStats::NONE, FacetStats::with);
    FacetImage { levels, stats }
}

fn quantise_band(
    spec: &FacetSpec,
    first_row: usize,
    surface: &Surface,
    rows: &mut ArrayViewMut2<u16>,
) -> FacetStats {
    let mut stats = FacetStats::NONE;
    let (black, white) = (spec.black_mm, spec.white_mm);
    let per_mm = 65535.0 / (white - black);
    for (i, mut line) in rows.outer_iter_mut().enumerate() {
        let row = first_row + i;
        let inside = spec.span(row);
        for column in spec.drawn(row) {
            let index = row * spec.width_px + column;
            let carved = inside.contains(&column);
            stats.carved_px += u64::from(carved);
            let z = f64::from(surface.z_mm[index]) - spec.back_plane_mm;
            if z.is_nan() {
                stats.missed_px += u64::from(carved);
                continue;
            }
            let exact = (z - black) * per_mm;
            line[column] = (exact.clamp(0.0, 65535.0) + 0.5) as u16;
            if carved {
                let held = z.clamp(black, white);
                stats.min_mm = stats.min_mm.min(held);
                stats.max_mm = stats.max_mm.max(held);
                stats.clipped_high_px += u64::from(exact > 65535.5);
                stats.undercut_px += u64::from(surface.undercut[index]);
                if exact < -0.5 {
                    let lateral = DVec2::new(spec.x_mm(column), spec.y_mm(row));
                    stats.clipped_low_px +=
                        u64::from(spec.in_trim(lateral, z + spec.back_plane_mm));
                }
            }
        }
    }
    stats
}
