//! Where a facet's wood ends: the walls around it.

use crate::model::settings::Base;
use crate::output::manifest::{FacetEntry, Manifest};
use glam::{DVec2, DVec3};

/// A flat wall: wood is where `outward · (x, y) ≤ at_back_mm + slant · z`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wall {
    /// Unit vector in the plane of the back, away from the facet's middle.
    pub outward: DVec2,
    /// Distance of the wall from the middle, at the back, mm.
    pub at_back_mm: f64,
    /// How far the wall moves out per mm of height: the tangent of the saw's tilt.
    pub slant: f64,
}

impl Wall {
    /// How far beyond the wall a point at height `z_mm` lies, mm; negative inside.
    pub fn beyond(&self, lateral: DVec2, z_mm: f64) -> f64 {
        self.outward.dot(lateral) - self.at_back_mm - self.slant * z_mm
    }
}

/// All walls of a facet.
#[derive(Debug, Clone, PartialEq)]
pub struct Outline {
    /// In the order of the facet's edges, counter-clockwise, convex.
    pub walls: Vec<Wall>,
    /// The walls run towards a point this far below the back, the globe's centre; straight down
    /// where there is none, mm.
    pub apex_mm: Option<f64>,
    /// The blank as it was cut out, trim and all: the image shows ground inside, mm from the
    /// middle along each wall's `outward`.
    pub blank_mm: Vec<f64>,
}

impl Outline {
    /// The finished facet: sawn along the seam planes, which all pass through the globe's centre.
    pub fn sawn(manifest: &Manifest, facet: &FacetEntry) -> Outline {
        let back_mm = facet.back_plane_mm;
        Outline {
            walls: walls(manifest, facet, |slant| (back_mm * slant, slant)),
            apex_mm: Some(back_mm),
            blank_mm: blank(manifest, facet),
        }
    }

    /// The blank as it comes off the machine, with its trim and upright walls.
    pub fn blank(manifest: &Manifest, facet: &FacetEntry) -> Outline {
        let blank_mm = blank(manifest, facet);
        let mut reaches = blank_mm.iter();
        let walls = walls(manifest, facet, |_| {
            (reaches.next().copied().unwrap_or(0.0), 0.0)
        });
        Outline {
            walls,
            apex_mm: None,
            blank_mm,
        }
    }
}

/// One wall per edge, from the slant of its seam plane to its distance at the back and its own
/// slant.
///
/// A seam plane holds the globe's centre and both corners of the edge. The corners of a facet lie
/// at different heights on the base surface, so the side seen from above is no guide to it.
fn walls(
    manifest: &Manifest,
    facet: &FacetEntry,
    mut wall: impl FnMut(f64) -> (f64, f64),
) -> Vec<Wall> {
    let corners = corners_mm(manifest, facet);
    (0..corners.len())
        .map(|i| {
            // Counter-clockwise from outside, so the inside is to the left of the way along.
            let inward = corners[i].cross(corners[(i + 1) % corners.len()]);
            let across = inward.truncate().length();
            let (at_back_mm, slant) = wall(inward.z / across);
            Wall {
                outward: -inward.truncate() / across,
                at_back_mm,
                slant,
            }
        })
        .collect()
}

/// Corners of a facet on the base surface, in its axes but from the globe's centre, mm.
pub fn corners_mm(manifest: &Manifest, facet: &FacetEntry) -> Vec<DVec3> {
    let radius_mm = manifest.globe.radius_mm;
    let corners = facet.corners_mm.iter().map(|&[x, y]| {
        let z = match manifest.globe.base {
            Base::Sphere => (radius_mm * radius_mm - x * x - y * y).max(0.0).sqrt(),
            Base::Flat => facet.base_distance_mm,
        };
        DVec3::new(x, y, z)
    });
    corners.collect()
}

/// How far the blank reaches along every edge's outward normal, trim included; the formula is in
/// docs/conventions.md, section 5.
fn blank(manifest: &Manifest, facet: &FacetEntry) -> Vec<f64> {
    let globe = &manifest.globe;
    let highest_mm = manifest.curve.knots_mm.last().copied().unwrap_or(0.0);
    let reach = |tilt_rad: f64| match globe.base {
        Base::Sphere => (globe.radius_mm + highest_mm) * tilt_rad.sin(),
        Base::Flat => (facet.base_distance_mm + highest_mm.max(0.0)) * tilt_rad.tan(),
    };
    let edges = facet.edges.iter();
    edges
        .map(|edge| reach(edge.tilt_deg.to_radians()) + globe.trim_mm)
        .collect()
}
