//! The ground where facets meet: along seams and at corners, sampled on the globe itself.

use crate::geometry::Solid;
use crate::settings::{Base, Projection, Settings};
use crate::shop::saw::SeamGround;
use crate::stages::resample::{FacetSpec, Sampler};
use crate::stages::seams::{self, SeamLine};
use glam::DVec3;

/// Lowest and highest relief along a seam, mm about the datum.
pub fn seam_relief(
    solid: &Solid,
    seam: usize,
    settings: &Settings,
    sampler: &Sampler,
) -> (f64, f64) {
    let relief_mm = seam_ground(solid, seam, settings, sampler).relief_mm;
    relief_mm
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &mm| {
            (low.min(mm), high.max(mm))
        })
}

/// The ground along a seam, at the places where its step is measured and at both ends.
pub fn seam_ground(
    solid: &Solid,
    seam: usize,
    settings: &Settings,
    sampler: &Sampler,
) -> SeamGround {
    let [from, to] = solid.seams[seam]
        .corners
        .map(|i| solid.corners[i].normalize());
    let line = SeamLine {
        label: String::new(),
        facets: solid.seams[seam].faces,
        from,
        to,
    };
    let mut directions = seams::places(&line, settings.globe.diameter_mm / 2.0);
    directions.extend([from, to]);
    SeamGround {
        relief_mm: sampler.relief_mm(&directions),
        directions,
    }
}

/// Thickness of the finished facet at its thinnest corner, with the ground that lies there, mm.
pub fn thinnest_corner(solid: &Solid, index: usize, spec: &FacetSpec, sampler: &Sampler) -> f64 {
    let face = &solid.faces[index];
    let corners: Vec<DVec3> = face
        .corners
        .iter()
        .map(|&i| solid.corners[i].normalize())
        .collect();
    let relief = sampler.relief_mm(&corners);
    corners
        .iter()
        .zip(relief)
        .map(|(corner, relief)| {
            let cos = face.frame.z.dot(*corner);
            let z = match (spec.base, spec.projection) {
                (Base::Sphere, _) => (spec.radius_mm + relief) * cos,
                (Base::Flat, Projection::Radial) => spec.base_distance_mm + relief * cos,
                (Base::Flat, Projection::Gnomonic) => spec.base_distance_mm + relief,
            };
            z - spec.back_plane_mm
        })
        .fold(f64::INFINITY, f64::min)
}
