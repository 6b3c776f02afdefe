//! Minutes before anything is carved: the paths of the bits over the level ball or flat face.
//!
//! The tip of a ball of radius r that touches a ball of radius R at a distance ρ from the axis lies
//! on a ball of radius R + r, lowered by r: √((R + r)² − ρ²) − r. A flat bit of radius a rests on
//! its inner edge: √(R² − max(ρ − a, 0)²). The passes are those of the carved facet; only the
//! relief's own ups and downs are missing.

use super::{CutterSet, OperationEntry, Path, perimeter, tool};
use crate::carve::cutter::ToolShape;
use crate::carve::cutter::{rough, time};
use crate::carve::resample::FacetSpec;
use crate::model::settings::{Base, Cutter};
use glam::DVec2;
use ndarray::Array2;
use std::ops::Range;

/// Pixels of the level surface, mm: a finer one changes minutes by less than a hundredth.
const PIXEL_MM: f64 = 0.5;

/// What one facet takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Clearing most of the wood, with the ring around the facet; `None` without a bit for it.
    pub roughing: Option<OperationEntry>,
    /// Carving the surface.
    pub finishing: OperationEntry,
    /// Cutting the blank out.
    pub cut_out: OperationEntry,
}

impl CutterSet {
    /// What a facet takes, its ground being level.
    pub fn estimate(&self, spec: &FacetSpec) -> Estimate {
        let spec = coarse(spec);
        let spans: Vec<Range<usize>> = (0..spec.height_px).map(|row| spec.span(row)).collect();
        let top = spec.white_mm;
        let finishing = time::finishing(
            &tips(&spec, &self.finishing, 0.0),
            &spans,
            PIXEL_MM,
            self.finishing.stepover_mm(),
            top,
        );
        Estimate {
            roughing: self.roughing.as_ref().map(|bit| {
                let path = self.rough_path(&spec, bit, &spans);
                self.operation(bit, path)
            }),
            finishing: self.operation(&self.finishing, finishing),
            cut_out: self.cut_out(&spec),
        }
    }

    fn rough_path(&self, spec: &FacetSpec, bit: &Cutter, spans: &[Range<usize>]) -> Path {
        let tip = tips(spec, bit, bit.allowance_mm());
        let (top, down) = (spec.white_mm, bit.stepdown_mm());
        let lowest = spans
            .iter()
            .enumerate()
            .flat_map(|(row, span)| span.clone().map(move |column| (row, column)))
            .fold(f64::INFINITY, |low, at| low.min(f64::from(tip[at])));
        let steps_mm = match lowest.is_finite() {
            true => rough::steps_mm(top, lowest, down),
            false => Vec::new(),
        };
        let inside = time::roughing(&tip, spans, PIXEL_MM, bit.stepover_mm(), top, &steps_mm);
        let depth = (top - spec.black_mm).min(bit.flute_mm);
        inside.with(time::cut_out(
            perimeter(&spec.outline_mm),
            &tool(bit),
            depth,
            down,
        ))
    }
}

fn coarse(spec: &FacetSpec) -> FacetSpec {
    let pixels = |count: usize| (count as f64 * spec.pixel_mm / PIXEL_MM).ceil() as usize + 1;
    FacetSpec {
        width_px: pixels(spec.width_px),
        height_px: pixels(spec.height_px),
        pixel_mm: PIXEL_MM,
        ..spec.clone()
    }
}

/// Height of the tip everywhere, `raise_mm` over the level surface and never below black.
fn tips(spec: &FacetSpec, bit: &Cutter, raise_mm: f64) -> Array2<f32> {
    let tool = tool(bit);
    let (nose_mm, edge_mm) = match tool.shape {
        ToolShape::Flat => (0.0, tool.radius_mm()),
        ToolShape::Ball | ToolShape::TaperedBall { .. } => (tool.radius_mm(), 0.0),
    };
    Array2::from_shape_fn((spec.height_px, spec.width_px), |(row, column)| {
        let out = DVec2::new(spec.x_mm(column), spec.y_mm(row)).length();
        let over_centre = match spec.base {
            Base::Sphere => {
                let reach = spec.radius_mm + raise_mm + nose_mm;
                let near = (out - edge_mm).max(0.0);
                (reach * reach - near * near).max(0.0).sqrt() - nose_mm
            }
            Base::Flat => spec.base_distance_mm + raise_mm,
        };
        (over_centre - spec.back_plane_mm).max(spec.black_mm) as f32
    })
}
