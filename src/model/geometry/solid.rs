//! Solids as the shop needs them: faces by kind, corners, neighbours, seams and frames.

use super::Frame;
use super::derive::{derive, reciprocal};
use super::solid_table::{Origin, SOLIDS, find, listed_corners};
use glam::{DMat3, DVec2, DVec3};
use std::f64::consts::PI;

/// A convex solid about the origin whose farthest corner lies at distance 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Solid {
    /// Standard name, lower case with hyphens.
    pub name: &'static str,
    /// Corners, farthest at distance 1 from the centre.
    pub corners: Vec<DVec3>,
    /// Faces; facet number = index + 1.
    pub faces: Vec<Face>,
    /// Groups of faces that the same blank outline fits, largest faces first.
    pub kinds: Vec<FaceKind>,
    /// Every edge of the solid once, by lower, then higher face; seam number = index + 1.
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

/// Faces whose blanks can be swapped: one jig, one outline and one set of tilts, in the same order
/// from the index corner, whatever lies across the seams.
///
/// Mirror images are two kinds, for a blank carved on its front cannot be flipped.
#[derive(Debug, Clone, PartialEq)]
pub struct FaceKind {
    /// Number of sides.
    pub sides: usize,
    /// Faces of this kind, ascending.
    pub faces: Vec<usize>,
}

/// Standard names of all solids, lower case with hyphens: Platonic, Archimedean, Catalan.
pub fn solid_names() -> Vec<&'static str> {
    SOLIDS.iter().map(|(name, _)| *name).collect()
}

/// A solid's name with its article: "an icosahedron".
pub fn a_solid(name: &str) -> String {
    let article = if name.starts_with(['a', 'e', 'i', 'o', 'u']) {
        "an"
    } else {
        "a"
    };
    format!("{article} {name}")
}

impl Solid {
    /// The solid of that name in its standard position, or `None` for a name not in print.
    ///
    /// Standard position: face 1, one of the largest, at the north pole with its index corner
    /// towards longitude 180. Faces are numbered ring by ring from north to south, eastward from
    /// longitude 0 in each ring; seams by lower, then higher face. The snub solids and their
    /// duals come in one hand. Accepts a few synonyms, such as `hexahedron`.
    pub fn named(name: &str) -> Option<Solid> {
        let (name, origin) = find(name)?;
        match origin {
            Origin::Listed => derive(name, &listed_corners(name)?),
            Origin::ReciprocalOf(other) => derive(name, &reciprocal(&listed_corners(other)?)?),
        }
    }

    /// The solid turned with the body frame fixed: corners and frames rotated, numbers kept.
    pub fn turned(&self, turn: &DMat3) -> Solid {
        let mut solid = self.clone();
        solid.corners.iter_mut().for_each(|c| *c = *turn * *c);
        for face in &mut solid.faces {
            face.frame = face.frame.turned(turn);
        }
        solid
    }

    /// Corners of face `face` (index, from 0) in its own frame, in corner radii from the face
    /// centre: index corner first, counter-clockwise seen from outside.
    pub fn face_polygon(&self, face: usize) -> Vec<DVec2> {
        let Face { corners, frame, .. } = &self.faces[face];
        corners
            .iter()
            .map(|&corner| frame.to_local(self.corners[corner]).truncate())
            .collect()
    }

    /// Share of the whole sphere's 4π steradians that face `face` (index, from 0) covers, seen
    /// from the solid's centre: the area of its facet on a globe of radius 1.
    ///
    /// Sum of the triangles from the face centre to each edge, by A. van Oosterom and
    /// J. Strackee, "The solid angle of a plane triangle", IEEE Trans. Biomed. Eng. 30 (1983):
    /// tan(Ω/2) = n·(a×b) / (1 + n·a + n·b + a·b) for unit vectors.
    pub fn solid_angle(&self, face: usize) -> f64 {
        let Face { corners, frame, .. } = &self.faces[face];
        let n = frame.z;
        let direction = |i: usize| self.corners[corners[i % corners.len()]].normalize();
        (0..corners.len())
            .map(|i| (direction(i), direction(i + 1)))
            .map(|(a, b)| {
                let spanned = n.dot(a.cross(b));
                2.0 * spanned.atan2(1.0 + n.dot(a) + n.dot(b) + a.dot(b))
            })
            .sum()
    }

    /// Checks what holds for every solid, whatever its name and position; `Err` says what fails.
    ///
    /// Corners minus edges plus faces make 2; the farthest corner is at distance 1; faces are
    /// flat, all corners are behind each of them, frames are right-handed and point at the index
    /// corner; neighbours and seams point back; the two tilts at a seam and its dihedral make π;
    /// faces of one kind have equal outlines and tilts; solid angles add up to 4π.
    pub fn validate(&self) -> Result<(), String> {
        self.validate_counts()?;
        (0..self.faces.len()).try_for_each(|face| self.validate_face(face))?;
        (0..self.seams.len()).try_for_each(|seam| self.validate_seam(seam))?;
        (0..self.kinds.len()).try_for_each(|kind| self.validate_kind(kind))?;
        let covered: f64 = (0..self.faces.len()).map(|f| self.solid_angle(f)).sum();
        require(near(covered, 4.0 * PI), || {
            format!("faces cover {covered} of the sphere's 4π")
        })
    }

    fn validate_counts(&self) -> Result<(), String> {
        let (v, e, f) = (self.corners.len(), self.seams.len(), self.faces.len());
        require(v + f == e + 2, || {
            format!("{v} corners, {e} seams and {f} faces do not close a ball")
        })?;
        let sides: usize = self.faces.iter().map(|f| f.edges.len()).sum();
        require(sides == 2 * e, || {
            format!("{sides} sides do not pair up into {e} seams")
        })?;
        let farthest = self.corners.iter().map(|c| c.length()).fold(0.0, f64::max);
        require(near(farthest, 1.0), || {
            format!("farthest corner at {farthest}, not 1")
        })
    }

    fn validate_face(&self, index: usize) -> Result<(), String> {
        let number = index + 1;
        let face = &self.faces[index];
        let Frame { x, y, z } = face.frame;
        let square = [x.length() - 1.0, y.length() - 1.0, x.dot(y)];
        let right_handed = (x.cross(y) - z).length();
        require(
            square.iter().all(|v| near(*v, 0.0)) && near(right_handed, 0.0),
            || format!("frame of face {number} is not right-handed and square"),
        )?;
        for (corner, position) in self.corners.iter().enumerate() {
            let height = z.dot(*position) - face.distance;
            let fits = if face.corners.contains(&corner) {
                near(height, 0.0)
            } else {
                height < -ROUNDING
            };
            require(fits, || {
                format!("corner {corner} is at height {height} over the plane of face {number}")
            })?;
        }
        let polygon = self.face_polygon(index);
        require(near(polygon[0].x, 0.0) && polygon[0].y > 0.0, || {
            format!("frame of face {number} does not point at its index corner")
        })?;
        for (i, edge) in face.edges.iter().enumerate() {
            let (a, b) = (polygon[i], polygon[(i + 1) % polygon.len()]);
            let reach = a.perp_dot(b) / (b - a).length();
            let bend = (b - a).perp_dot(polygon[(i + 2) % polygon.len()] - b);
            require(
                reach > 0.0
                    && bend > 0.0
                    && near(reach, edge.reach)
                    && near(edge.tilt_rad.tan() * face.distance, reach),
                || format!("edge {i} of face {number} has a wrong reach or tilt"),
            )?;
            let back = &self.faces[edge.neighbour].edges[edge.neighbour_edge];
            require(
                (back.neighbour, back.neighbour_edge, back.seam) == (index, i, edge.seam),
                || format!("the neighbour at edge {i} of face {number} does not point back"),
            )?;
        }
        Ok(())
    }

    fn validate_seam(&self, index: usize) -> Result<(), String> {
        let seam = &self.seams[index];
        let number = index + 1;
        let [low, high] = [0, 1].map(|i| &self.faces[seam.faces[i]].edges[seam.edges[i]]);
        require(
            seam.faces[0] < seam.faces[1] && low.seam == index && high.seam == index,
            || format!("the faces at seam {number} do not point back"),
        )?;
        for (face, edge, ends) in [
            (seam.faces[0], seam.edges[0], seam.corners),
            (
                seam.faces[1],
                seam.edges[1],
                [seam.corners[1], seam.corners[0]],
            ),
        ] {
            let corners = &self.faces[face].corners;
            let found = [corners[edge], corners[(edge + 1) % corners.len()]];
            require(found == ends, || {
                format!("seam {number} does not end where its faces say")
            })?;
        }
        let sum = low.tilt_rad + high.tilt_rad + seam.dihedral_rad;
        require(near(sum, PI), || {
            format!("tilts and dihedral at seam {number} add up to {sum}, not π")
        })
    }

    fn validate_kind(&self, index: usize) -> Result<(), String> {
        let kind = &self.kinds[index];
        let first = &self.faces[kind.faces[0]];
        let outline = self.face_polygon(kind.faces[0]);
        for &number in &kind.faces {
            let face = &self.faces[number];
            let same = face.kind == index
                && face.corners.len() == kind.sides
                && near(face.distance, first.distance)
                && (self.face_polygon(number).iter().zip(&outline))
                    .all(|(a, b)| near(a.distance(*b), 0.0))
                && (face.edges.iter().zip(&first.edges)).all(|(a, b)| near(a.tilt_rad, b.tilt_rad));
            require(same, || {
                format!("face {} does not match its kind", number + 1)
            })?;
        }
        Ok(())
    }
}

/// How far [`Solid::validate`] lets results stray from what they should be, in corner radii or
/// radians: a hundred times what rounding does, a billionth of what a maker could measure.
const ROUNDING: f64 = 1e-12;

fn near(found: f64, wanted: f64) -> bool {
    (found - wanted).abs() < ROUNDING
}

fn require(holds: bool, complaint: impl Fn() -> String) -> Result<(), String> {
    if holds { Ok(()) } else { Err(complaint()) }
}
