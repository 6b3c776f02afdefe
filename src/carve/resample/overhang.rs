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
use crate::model::parallel;
use crate::model::settings::{Base, Projection};
use glam::DVec2;
use std::ops::Range;

/// Looks at every so many pixels, each way; of fine pixels at more, this far apart.
const STRIDE: f64 = 12.0;
const NEAREST_MM: f64 = 0.8;

/// Looks so much farther than the facet's image: low ground lies nearer the axis than the datum.
const WIDER: f64 = 1.25;

/// Area of a facet that is undercut, and all that is carved, mm² seen from above.
///
/// The two are sums over every twelfth pixel each way, or every 0.8 mm; pixels drawn as undercut are the first
/// where no ground is undercut twice.
pub fn undercut_mm2(sampler: &Sampler, spec: &FacetSpec) -> (f64, f64) {
    if spec.projection == Projection::Gnomonic {
        return (0.0, 1.0);
    }
    let step_mm = (STRIDE * spec.pixel_mm).max(NEAREST_MM);
    let spans: Vec<Range<usize>> = (0..spec.height_px).map(|row| spec.span(row)).collect();
    let rows = parallel::given(steps(spec, spec.height_px, step_mm), &|_, step| {
        of_row(sampler, spec, &spans, f64::from(step) * step_mm, step_mm)
    });
    // In the order of the rows, whatever the threads.
    let sum = |of: fn(&(f64, f64)) -> f64| step_mm * step_mm * rows.iter().map(of).sum::<f64>();
    (sum(|row| row.0), sum(|row| row.1))
}

/// Steps from the axis that cover a side of the image.
fn steps(spec: &FacetSpec, pixels: usize, step_mm: f64) -> std::ops::RangeInclusive<i32> {
    let most = (0.5 * WIDER * pixels as f64 * spec.pixel_mm / step_mm) as i32;
    -most..=most
}

/// The same of one row of datum, over the area of a step.
fn of_row(
    sampler: &Sampler,
    spec: &FacetSpec,
    spans: &[Range<usize>],
    y_mm: f64,
    step_mm: f64,
) -> (f64, f64) {
    let turn = 0.5 * spec.pixel_mm / spec.radius_mm;
    let (sin_turn, cos_turn) = turn.sin_cos();
    let (mut places, mut towards) = (Vec::new(), Vec::new());
    for step in steps(spec, spec.width_px, step_mm) {
        let x_mm = f64::from(step) * step_mm;
        let away_mm = x_mm.hypot(y_mm);
        let up_mm = match spec.base {
            Base::Sphere => (spec.radius_mm.powi(2) - away_mm.powi(2)).max(0.0).sqrt(),
            Base::Flat => spec.base_distance_mm,
        };
        if up_mm <= 0.0 || away_mm <= 0.0 {
            continue;
        }
        let out = DVec2::new(x_mm, y_mm) / away_mm;
        // Sine and cosine of the angle from the axis, and of that after the turn.
        let length_mm = (away_mm * away_mm + up_mm * up_mm).sqrt();
        let (sin, cos) = (away_mm / length_mm, up_mm / length_mm);
        let turned = (
            sin * cos_turn + cos * sin_turn,
            cos * cos_turn - sin * sin_turn,
        );
        let level = spec.frame.x * out.x + spec.frame.y * out.y;
        let at = |(sin, cos): (f64, f64)| level * sin + spec.frame.z * cos;
        places.push((out, (sin, cos)));
        towards.extend([at((sin, cos)), at(turned)]);
    }
    let relief_mm = sampler.relief_mm(&towards);
    let mut sum = (0.0, 0.0);
    for ((out, (sin, cos)), relief) in places.into_iter().zip(relief_mm.chunks_exact(2)) {
        let datum_mm = match spec.base {
            Base::Sphere => spec.radius_mm,
            Base::Flat => spec.base_distance_mm / cos,
        };
        let ground_mm = datum_mm + relief[0];
        if !in_image(spec, spans, out * ground_mm * sin, ground_mm * cos) {
            continue;
        }
        let slope = (relief[1] - relief[0]) / turn;
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

/// Whether ground is drawn, and not beyond the trim.
fn in_image(spec: &FacetSpec, spans: &[Range<usize>], lateral: DVec2, z_mm: f64) -> bool {
    let row = spec.height_px as f64 / 2.0 - lateral.y / spec.pixel_mm;
    let column = spec.width_px as f64 / 2.0 + lateral.x / spec.pixel_mm;
    let inside = |span: &Range<usize>| span.contains(&(column.max(0.0) as usize));
    row >= 0.0 && spans.get(row as usize).is_some_and(inside) && spec.in_trim(lateral, z_mm)
}
