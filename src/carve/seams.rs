//! The ground where facets meet: along seams and at corners, sampled on the globe itself.

use crate::carve::resample::{FacetSpec, Sampler};
use crate::model::geometry::Solid;
use crate::model::settings::{Base, Projection, Settings};
use glam::DVec3;
use serde::Serialize;

/// Distance between measured places along a seam, mm. Half of it is the most by which the place
/// of the worst step is missed; terrain finer than it is finer than any bit.
const SPACING_MM: f64 = 0.2;

/// Fewest and most places on one seam: short seams are still seen, huge ones stay cheap.
const PLACES: (usize, usize) = (16, 20_000);

/// A seam between two facets.
#[derive(Debug, Clone, PartialEq)]
pub struct SeamLine {
    /// Label, `S07`.
    pub label: String,
    /// Numbers of its facets, lower first.
    pub facets: [usize; 2],
    /// Unit direction of one end, body frame.
    pub from: DVec3,
    /// Unit direction of the other end, body frame.
    pub to: DVec3,
}

/// Unit directions at which a seam is measured: evenly spread in angle, ends left out by half a
/// spacing. `radius_mm` only sets how many.
pub fn places(seam: &SeamLine, radius_mm: f64) -> Vec<DVec3> {
    let angle = seam.from.angle_between(seam.to);
    let count = (angle * radius_mm / SPACING_MM).ceil() as usize;
    let count = count.clamp(PLACES.0, PLACES.1);
    (0..count)
        .map(|i| between(seam, (i as f64 + 0.5) / count as f64))
        .collect()
}
/// The ground along one seam, from its first corner to its second.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeamGround {
    /// Unit directions, body frame.
    pub directions: Vec<DVec3>,
    /// Relief there, mm about the datum.
    pub relief_mm: Vec<f64>,
}

/// The direction at a part of the way from one end to the other, along the great circle.
pub fn between(seam: &SeamLine, along: f64) -> DVec3 {
    let angle = seam.from.angle_between(seam.to);
    let (from, to) = (((1.0 - along) * angle).sin(), (along * angle).sin());
    (seam.from * from + seam.to * to).normalize()
}

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
    let mut directions = places(&line, settings.globe.diameter_mm / 2.0);
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
