//! Solids as the shop needs them: faces by kind, corners, neighbours, seams and frames.

use super::Frame;
use glam::{DMat3, DVec3};

/// A convex solid about the origin whose farthest corner lies at distance 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Solid {
    /// Standard name, lower case with hyphens.
    pub name: &'static str,
    /// Corners, farthest at distance 1 from the centre.
    pub corners: Vec<DVec3>,
    /// Faces; facet number = index + 1.
    pub faces: Vec<Face>,
    /// Groups of faces that the same blank outline fits.
    pub kinds: Vec<Kind>,
    /// Every edge of the solid once; seam number = index + 1.
    pub seams: Vec<Seam>,
}

/// One face, which becomes one facet of the globe.
#[derive(Debug, Clone, PartialEq)]
pub struct Face {
    /// Index into [`Solid::kinds`].
    pub kind: usize,
    /// Indices into [`Solid::corners`], counter-clockwise seen from outside, index corner first.
    pub corners: Vec<usize>,
    /// Edge `i` joins corner `i` to corner `i + 1`.
    pub edges: Vec<Edge>,
    /// Distance of the face plane from the solid's centre, in corner radii.
    pub distance: f64,
    /// Facet frame: z outward normal, y from the face centre to the index corner.
    pub frame: Frame,
}

/// One side of a face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// Index of the face on the other side.
    pub neighbour: usize,
    /// Index of the neighbour's edge that lies on this one.
    pub neighbour_edge: usize,
    /// Index into [`Solid::seams`].
    pub seam: usize,
    /// Distance from the face centre to the edge in the face plane, in corner radii.
    pub reach: f64,
    /// Blade tilt from vertical for this side: atan(reach / distance), radians.
    pub tilt_rad: f64,
}

/// An edge of the solid, shared by two faces.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seam {
    /// The two faces, lower number first.
    pub faces: [usize; 2],
    /// The edge's index within each of those faces.
    pub edges: [usize; 2],
    /// Indices into [`Solid::corners`] of its ends.
    pub corners: [usize; 2],
    /// Angle between the faces, inside the solid, radians.
    pub dihedral_rad: f64,
}

/// Faces that are carried onto each other by turning: one jig, one outline, one set of tilts.
#[derive(Debug, Clone, PartialEq)]
pub struct Kind {
    /// Number of sides.
    pub sides: usize,
    /// Faces of this kind, ascending.
    pub faces: Vec<usize>,
}

/// Standard names of all solids, lower case with hyphens, Platonic first.
pub fn solid_names() -> Vec<&'static str> {
    Vec::new()
}

impl Solid {
    /// The solid of that name in its standard position: face 1 at the north pole.
    pub fn named(_name: &str) -> Option<Solid> {
        None
    }

    /// The solid turned with the body frame fixed: corners and frames rotated, numbers kept.
    pub fn turned(&self, _turn: &DMat3) -> Solid {
        self.clone()
    }
}
