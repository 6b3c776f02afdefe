//! Heights to levels, with the counts of what had to be cut off.

use super::facet::{FacetSpec, FacetStats};
use super::sampler::low_bits;
use super::{BAND_ROWS, FacetImage, Undercut};
use crate::model::parallel;
use glam::DVec2;
use ndarray::{Array2, ArrayViewMut2, Axis};
use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::ops::Range;

/// Pixels that are looked at together before any is looked at alone.
const CHUNK: usize = 128;

/// Levels and counts of a facet from heights over the globe's centre, mm, row by row; NaN where
/// there is no ground or none was asked for. The levels are made in `spare` memory.
pub fn quantise(
    spec: &FacetSpec,
    z_mm: &[f32],
    undercut: &Undercut,
    mut spare: Vec<u16>,
) -> FacetImage {
    let size = (spec.height_px, spec.width_px);
    spare.resize(size.0 * size.1, 0);
    let mut levels = Array2::from_shape_vec(size, spare).unwrap_or_else(|_| Array2::zeros(size));
    let bands = levels.axis_chunks_iter_mut(Axis(0), BAND_ROWS);
    let found = parallel::given(bands, &|i, rows| {
        let (mut stats, low) = pulp::Arch::new().dispatch(QuantiseBand {
            spec,
            first_row: i * BAND_ROWS,
            z_mm,
            rows,
        });
        stats.undercut_px = undercut_px(spec, z_mm, undercut, i);
        (stats, low)
    });
    let (stats, low): (Vec<_>, Vec<_>) = found.into_iter().unzip();
    let mut stats = stats.into_iter().fold(FacetStats::NONE, FacetStats::with);
    find_lowest(spec, z_mm, low.concat(), &mut stats);
    FacetImage { levels, stats }
}

/// A part of a row with nothing cut off: the bits of its lowest height, its row and first column.
/// The lowest comes first: positive floats are in the order of their bits.
type Low = (Reverse<u32>, usize, usize);

/// The lowest ground of the facet and its trim.
fn find_lowest(spec: &FacetSpec, z_mm: &[f32], low: Vec<Low>, stats: &mut FacetStats) {
    let scale = Scale::of(spec);
    // Few have to be looked at pixel by pixel, for ground beyond the trim.
    let mut low = BinaryHeap::from(low);
    while let Some((Reverse(lowest), row, first)) = low.pop()
        && scale.mm(f32::from_bits(lowest)) < stats.min_mm
    {
        let columns = first..(first + CHUNK).min(spec.span(row).end);
        let z_mm = &z_mm[row * spec.width_px..][..spec.width_px];
        count(spec, &scale, (row, columns), z_mm, stats);
    }
}

/// Pixels of a band in the facet and its trim where the surface is undercut.
fn undercut_px(spec: &FacetSpec, z_mm: &[f32], undercut: &Undercut, band: usize) -> u64 {
    let first_row = band * BAND_ROWS;
    let inside = |index: &&usize| {
        let (row, column) = (first_row + *index / spec.width_px, *index % spec.width_px);
        let z_mm = f64::from(z_mm[row * spec.width_px + column]);
        spec.span(row).contains(&column)
            && spec.in_trim(DVec2::new(spec.x_mm(column), spec.y_mm(row)), z_mm)
    };
    let folded = undercut.get(band).map_or(&[][..], Vec::as_slice);
    folded.iter().filter(inside).count() as u64
}

struct QuantiseBand<'a> {
    spec: &'a FacetSpec,
    first_row: usize,
    z_mm: &'a [f32],
    rows: ArrayViewMut2<'a, u16>,
}

impl pulp::NullaryFnOnce for QuantiseBand<'_> {
    type Output = (FacetStats, Vec<Low>);

    #[inline(always)]
    fn call(mut self) -> Self::Output {
        let spec = self.spec;
        let scale = Scale::of(spec);
        let mut stats = FacetStats::NONE;
        let mut low = Vec::new();
        for (i, mut line) in self.rows.outer_iter_mut().enumerate() {
            let row = self.first_row + i;
            let z_mm = &self.z_mm[row * spec.width_px..][..spec.width_px];
            let drawn = spec.drawn(row);
            // Images are made row by row, so their rows are whole.
            let line = line.as_slice_mut().unwrap_or_default();
            line[..drawn.start].fill(0);
            line[drawn.end..].fill(0);
            for (level, z) in line[drawn.clone()].iter_mut().zip(&z_mm[drawn]) {
                *level = scale.level(*z);
            }
            let carved = spec.span(row);
            stats.carved_px += carved.len() as u64;
            for first in carved.clone().step_by(CHUNK) {
                let columns = first..(first + CHUNK).min(carved.end);
                let (lowest, highest) = ends(&z_mm[columns.clone()]);
                if scale.holds(lowest) && scale.holds(highest) {
                    stats.max_mm = stats.max_mm.max(scale.mm(highest));
                    low.push((Reverse(lowest.to_bits()), row, columns.start));
                } else {
                    count(spec, &scale, (row, columns), z_mm, &mut stats);
                }
            }
        }
        (stats, low)
    }
}

/// Lowest and highest of some heights; the highest is NaN or below 0 where one of them is.
#[inline(always)]
fn ends(z_mm: &[f32]) -> (f32, f32) {
    // As bits, of which many are compared at a time: positive numbers keep their order, and NaN
    // and all that is negative are above them.
    let (mut lowest, mut highest) = (u32::MAX, 0);
    for z in z_mm {
        lowest = lowest.min(z.to_bits());
        highest = highest.max(z.to_bits());
    }
    (f32::from_bits(lowest), f32::from_bits(highest))
}

/// Counts pixels of a row one by one.
#[inline(never)]
fn count(
    spec: &FacetSpec,
    scale: &Scale,
    (row, columns): (usize, Range<usize>),
    z_mm: &[f32],
    stats: &mut FacetStats,
) {
    for column in columns {
        let z = z_mm[column];
        if z.is_nan() {
            stats.missed_px += 1;
            continue;
        }
        let (held, exact) = (scale.mm(z), scale.exact(z));
        stats.max_mm = stats.max_mm.max(held);
        stats.clipped_high_px += u64::from(exact > HIGHEST + 0.5);
        // Ground beyond the trim is nobody's lowest.
        if held < stats.min_mm || exact < -0.5 {
            let lateral = DVec2::new(spec.x_mm(column), spec.y_mm(row));
            if spec.in_trim(lateral, f64::from(z)) {
                stats.min_mm = stats.min_mm.min(held);
                stats.clipped_low_px += u64::from(exact < -0.5);
            }
        }
    }
}

/// The level of white.
const HIGHEST: f64 = 65535.0;

/// How heights over the globe's centre become levels.
struct Scale {
    back_plane_mm: f64,
    black_mm: f64,
    white_mm: f64,
    per_mm: f64,
}

impl Scale {
    fn of(spec: &FacetSpec) -> Scale {
        Scale {
            back_plane_mm: spec.back_plane_mm,
            black_mm: spec.black_mm,
            white_mm: spec.white_mm,
            per_mm: HIGHEST / (spec.white_mm - spec.black_mm),
        }
    }

    /// Before it is rounded and held between black and white.
    #[inline(always)]
    fn exact(&self, z_mm: f32) -> f64 {
        (f64::from(z_mm) - self.back_plane_mm - self.black_mm) * self.per_mm
    }

    /// The nearest level; black where there is no ground.
    #[inline(always)]
    fn level(&self, z_mm: f32) -> u16 {
        let exact = self.exact(z_mm);
        let held = if exact > 0.0 { exact } else { 0.0 };
        let held = if held < HIGHEST { held } else { HIGHEST };
        low_bits((held + 0.5).floor()) as u16
    }

    /// Height above the back that is carved, mm.
    fn mm(&self, z_mm: f32) -> f64 {
        (f64::from(z_mm) - self.back_plane_mm).clamp(self.black_mm, self.white_mm)
    }

    /// Whether there is ground, and nothing of it cut off.
    fn holds(&self, z_mm: f32) -> bool {
        let exact = self.exact(z_mm);
        z_mm > 0.0 && (-0.5..=HIGHEST + 0.5).contains(&exact)
    }
}
