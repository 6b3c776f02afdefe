//! How much of a facet would be undercut, told from few samples before it is drawn.
//!
//! Ground that is undercut runs backward under the ground above it: followed outward from the
//! facet's axis it nears the axis again. What such ground would cover, seen from above, is what
//! a cutter cannot reach.
//!
//! ```text
//!   lateral distance   s = (R + f)·sin α   on a ball,   d·tan α + f·sin α   on a flat base
//!   undercut           the area over which ds/dα < 0
//! ```

use super::facet::FacetSpec;
use super::sampler::Sampler;
use crate::model::settings::{Base, Projection};
use glam::{DVec2, DVec3};
use rayon::prelude::*;

/// Looks at every so many pixels of a row, and every so many rows.
const STRIDE: usize = 12;

/// Area of a facet that is undercut, and all that is carved, mm² seen from above.
///
/// The two are sums over every twelfth pixel each way; pixels drawn as undercut are the first
/// where no ground is undercut twice.
pub fn undercut_mm2(sampler: &Sampler, spec: &FacetSpec) -> (f64, f64) {
    if spec.projection == Projection::Gnomonic {
        return (0.0, 1.0);
    }
    let rows: Vec<(f64, f64)> = (0..spec.height_px.div_ceil(STRIDE))
        .into_par_iter()
        .map(|i| of_row(sampler, spec, i * STRIDE))
        .collect();
    // In the order of the rows, whatever the threads.
    let sum = rows
        .iter()
        .fold((0.0, 0.0), |sum, row| (sum.0 + row.0, sum.1 + row.1));
    let each_mm2 = (STRIDE as f64 * spec.pixel_mm).powi(2);
    (sum.0 * each_mm2, sum.1 * each_mm2)
}

/// The same of one row, in pixels.
fn of_row(sampler: &Sampler, spec: &FacetSpec, row: usize) -> (f64, f64) {
    let step = 0.5 * spec.pixel_mm / spec.radius_mm;
    let y_mm = spec.y_mm(row);
    let (mut ways, mut towards) = (Vec::new(), Vec::new());
    for column in spec.span(row).step_by(STRIDE) {
        let x_mm = spec.x_mm(column);
        let away_mm = x_mm.hypot(y_mm);
        let up_mm = match spec.base {
            Base::Sphere => (spec.radius_mm.powi(2) - away_mm.powi(2)).max(0.0).sqrt(),
            Base::Flat => spec.base_distance_mm,
        };
        if up_mm <= 0.0 || away_mm <= 0.0 {
            continue;
        }
        let out = (spec.frame.x * x_mm + spec.frame.y * y_mm) / away_mm;
        let angle = away_mm.atan2(up_mm);
        let towards_at = |angle: f64| -> DVec3 { out * angle.sin() + spec.frame.z * angle.cos() };
        ways.push((DVec2::new(x_mm, y_mm) / away_mm, angle));
        towards.extend([towards_at(angle), towards_at(angle + step)]);
    }
    let relief_mm = sampler.relief_mm(&towards);
    let mut sum = (0.0, 0.0);
    for ((out, angle), relief) in ways.iter().zip(relief_mm.chunks_exact(2)) {
        let (sin, cos) = angle.sin_cos();
        let datum_mm = match spec.base {
            Base::Sphere => spec.radius_mm,
            Base::Flat => spec.base_distance_mm / cos,
        };
        let ground_mm = datum_mm + relief[0];
        if !spec.in_trim(*out * ground_mm * sin, ground_mm * cos) {
            continue;
        }
        let slope = (relief[1] - relief[0]) / step;
        // How far level ground moves out with the angle.
        let out_mm = match spec.base {
            Base::Sphere => datum_mm * cos,
            Base::Flat => datum_mm / cos,
        };
        let area = ground_mm / datum_mm * (1.0 + (relief[0] * cos + slope * sin) / out_mm);
        sum.0 += (-area).max(0.0);
        sum.1 += area;
    }
    sum
}
