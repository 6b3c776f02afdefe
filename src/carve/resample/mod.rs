//! Draws facet images: which ground lies under each pixel, and how high it stands in the wood.
//!
//! Input: a [`Sampler`] (grid and curve), the [`Bounds`] of the same, a [`FacetSpec`].
//! Output: a [`FacetImage`] of 16-bit levels. A facet depends on nothing else, so any subset of
//! facets, drawn in any order on any number of threads, has the same bytes.

mod above;
mod bounds;
mod facet;
mod overhang;
mod quantise;
mod radial;
mod sampler;
mod settle;
#[cfg(test)]
mod tests;

pub use bounds::Bounds;
pub use facet::{FacetSpec, FacetStats, Side, inside_all};
pub use overhang::undercut_mm2;
pub use sampler::{Directions, LANES, Sampler};

use crate::model::parallel;
use crate::model::settings::{Base, Projection};
use ndarray::Array2;
use quantise::quantise;
use radial::{Band, Marks, Radial};
use std::ops::Range;

/// Rows drawn together. More rows share one start from scratch and one bound per tile; fewer
/// make tighter bounds and more work to share out.
const BAND_ROWS: usize = 64;

/// A drawn facet.
#[derive(Debug, Clone, PartialEq)]
pub struct FacetImage {
    /// 16-bit levels, `(rows, columns)`; row 0 is +y, column 0 is −x.
    pub levels: Array2<u16>,
    /// What was found inside the outline.
    pub stats: FacetStats,
}

/// Memory to draw in, kept from one facet to the next: fetching it anew from the system would cost
/// a fifth of the drawing. What is left in it does not matter.
#[derive(Debug, Default)]
pub struct Scratch {
    z_mm: Vec<f32>,
    levels: Vec<u16>,
}

impl Scratch {
    /// Takes the memory of an image that is done with.
    pub fn take_back(&mut self, levels: Array2<u16>) {
        self.levels = levels.into_raw_vec_and_offset().0;
    }

    /// The memory for anything else as long as nothing is drawn in it: at least twice as many
    /// bytes as the image drawn last.
    pub fn lend(&mut self) -> &mut [u8] {
        bytemuck::cast_slice_mut(&mut self.z_mm)
    }
}

/// Draws one facet, bands of rows in parallel.
///
/// `relief_range_mm` is the lowest and highest relief of the whole body.
pub fn render(
    sampler: &Sampler,
    bounds: &Bounds,
    spec: &FacetSpec,
    relief_range_mm: (f64, f64),
    scratch: &mut Scratch,
) -> FacetImage {
    // What is new comes from the system untouched, and each band fills its own part.
    scratch.z_mm.resize(spec.width_px * spec.height_px, 0.0);
    let z_mm = &mut scratch.z_mm[..];
    let whole = || Radial::new(sampler, bounds, spec, relief_range_mm);
    let undercut = match (spec.projection, spec.base) {
        (Projection::Gnomonic, _) => gnomonic(sampler, spec, z_mm),
        (Projection::Radial, Base::Sphere) => radial::<false>(&whole(), spec, z_mm),
        (Projection::Radial, Base::Flat) => radial::<true>(&whole(), spec, z_mm),
    };
    let spare = std::mem::take(&mut scratch.levels);
    quantise(spec, z_mm, &undercut, spare)
}

/// Pixels where the surface is undercut, band by band, counted from the band's first.
type Undercut = Vec<Vec<usize>>;

fn band_rows(spec: &FacetSpec, band: usize) -> Range<usize> {
    band * BAND_ROWS..((band + 1) * BAND_ROWS).min(spec.height_px)
}

/// Radial projection, in the three steps that [`radial`] describes.
fn radial<const FLAT: bool>(radial: &Radial<'_>, spec: &FacetSpec, z_mm: &mut [f32]) -> Undercut {
    let band_px = spec.width_px * BAND_ROWS;
    let bands = parallel::chunks(z_mm, band_px, &|i, z_mm| {
        pulp::Arch::new().dispatch(Settle::<FLAT> {
            radial,
            rows: band_rows(spec, i),
            z_mm,
        })
    });
    let jumps = parallel::indexed(bands.len(), &|i| {
        radial.jumps(band_rows(spec, i), &bands[i], z_mm)
    });
    let marks = Marks::new(spec);
    parallel::indexed(jumps.len(), &|i| {
        for &jump in &jumps[i] {
            let leaf = radial.leaf(&bands[i], jump.0 - i * BAND_ROWS, jump.1);
            radial.mark(jump, leaf, &marks);
        }
    });
    parallel::chunks(z_mm, band_px, &|i, z_mm| {
        pulp::Arch::new().dispatch(March::<FLAT> {
            radial,
            rows: band_rows(spec, i),
            band: &bands[i],
            marks: &marks,
            z_mm,
        })
    })
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
    marks: &'a Marks,
    z_mm: &'a mut [f32],
}

impl<const FLAT: bool> pulp::NullaryFnOnce for March<'_, FLAT> {
    type Output = Vec<usize>;

    #[inline(always)]
    fn call(self) -> Vec<usize> {
        self.radial
            .march_band::<FLAT>(self.rows, self.band, self.marks, self.z_mm)
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
fn gnomonic(sampler: &Sampler, spec: &FacetSpec, z_mm: &mut [f32]) -> Undercut {
    parallel::chunks(z_mm, spec.width_px * BAND_ROWS, &|i, z_mm| {
        pulp::Arch::new().dispatch(Straight {
            sampler,
            spec,
            rows: band_rows(spec, i),
            z_mm,
        });
    });
    Vec::new()
}

#[inline(always)]
fn gnomonic_band(sampler: &Sampler, spec: &FacetSpec, rows: Range<usize>, z_mm: &mut [f32]) {
    z_mm.fill(f32::NAN);
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
