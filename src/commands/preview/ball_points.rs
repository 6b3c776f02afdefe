//! The ball to look at: points of the carved surface on a fixed net of directions.
//!
//! Every face is a fan of triangles from its centre, each cut into rings:
//!
//! ```text
//!        5 __________ 4        ring r of a face with k sides has k·r points;
//!         /\        /\         neighbours share the points of the last ring,
//!        /  \  1   /  \        so no gap can open at a seam
//!       /____\ 0  /____\
//! ```
//!
//! The net does not depend on heights, so a browser that has the net once only needs new points.
//! Points lie exactly on the surface that they are given; where ground is undercut the
//! cutter leaves the upper part only, and the net shows both.

use crate::carve::fit::Fit;
use crate::carve::resample::Sampler;
use crate::model::geometry::Solid;
use crate::model::parallel;
use crate::model::settings::Projection;
use glam::{DVec2, DVec3};
use serde::Serialize;

/// Carved points of the whole ball, about: half a millimetre apart on a ball of 200 mm, where a
/// crater of 2 mm is seen, and 7 MB that a browser turns into a picture while one waits.
const POINTS: f64 = 600_000.0;

/// Points of a draft: twice as far apart, as its grid is still four times coarser.
const DRAFT_POINTS: f64 = 150_000.0;

/// Fewest and most rings of a face: few large faces and many small ones stay near those points.
const RINGS: (f64, f64) = (6.0, 320.0);

/// How the points of all faces with the same number of sides hang together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Net {
    /// Sides of the face.
    pub sides: usize,
    /// Rings of points around its centre.
    pub rings: usize,
    /// Corners of triangles, three numbers each, counter-clockwise seen from outside. As this and
    /// the rim are long they are told by their length, and sent apart from the rest.
    #[serde(serialize_with = "length")]
    pub triangles: Vec<u32>,
    /// How many of the triangles are carved ground; sawn sides and back follow.
    pub top: usize,
    /// Pairs of points along the seams.
    #[serde(serialize_with = "length")]
    pub rim: Vec<u32>,
}

fn length<S: serde::Serializer>(list: &[u32], to: S) -> Result<S::Ok, S::Error> {
    to.serialize_u64(list.len() as u64)
}

/// What a viewer has to know of a facet beside its points.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BallHead {
    /// Number as text.
    pub label: String,
    /// Sides of the face, which name its net.
    pub sides: usize,
    /// Facet axes in the body frame.
    pub frame: crate::output::manifest::FrameEntry,
    /// Corners on the base surface, index corner first, mm from the globe's centre.
    pub corners_mm: Vec<[f64; 3]>,
    /// How many points it has.
    pub points: usize,
}

/// The ball: nets, and every facet's points in its own frame about the globe's centre.
#[derive(Debug, Clone, PartialEq)]
pub struct Ball {
    /// One for each number of sides.
    pub nets: Vec<Net>,
    /// One for each facet.
    pub heads: Vec<BallHead>,
    /// x, y, z of all points, facet by facet, mm.
    pub points_mm: Vec<f32>,
    /// Share of the carved triangles that face away from the cutter.
    pub undercut_share: f64,
}

/// Rings that give the ball about so many points.
fn rings(solid: &Solid, points: f64) -> usize {
    let sides: usize = solid.faces.iter().map(|face| face.corners.len()).sum();
    (2.0 * points / sides as f64).sqrt().clamp(RINGS.0, RINGS.1) as usize
}

/// Number of a point: the `i`-th of a ring, counter-clockwise from the index corner.
fn number(sides: usize, ring: usize, i: usize) -> u32 {
    match ring {
        0 => 0,
        ring => (1 + sides * (ring - 1) * ring / 2 + i % (sides * ring)) as u32,
    }
}

fn net(sides: usize, rings: usize) -> Net {
    let mut triangles = Vec::new();
    for ring in 1..=rings {
        for side in 0..sides {
            let outer = |t: usize| number(sides, ring, side * ring + t);
            let inner = |t: usize| number(sides, ring - 1, side * (ring - 1) + t);
            for t in 0..ring {
                triangles.extend([outer(t), outer(t + 1), inner(t)]);
                if t + 1 < ring {
                    triangles.extend([inner(t), outer(t + 1), inner(t + 1)]);
                }
            }
        }
    }
    let top = triangles.len() / 3;
    let around = sides * rings;
    let rim = |i: usize| number(sides, rings, i);
    // Points of the back follow those of the top.
    let back = |i: usize| (1 + sides * rings * (rings + 1) / 2 + i % around) as u32;
    for i in 0..around {
        triangles.extend([rim(i), back(i), back(i + 1)]);
        triangles.extend([rim(i), back(i + 1), rim(i + 1)]);
    }
    for side in 1..sides - 1 {
        triangles.extend([back(0), back((side + 1) * rings), back(side * rings)]);
    }
    Net {
        sides,
        rings,
        triangles,
        top,
        rim: (0..around).flat_map(|i| [rim(i), rim(i + 1)]).collect(),
    }
}

/// Unit directions of a face's points in its own frame, centre first.
fn directions(solid: &Solid, face: usize, rings: usize) -> Vec<DVec3> {
    let polygon = solid.face_polygon(face);
    let distance = solid.faces[face].distance;
    let farthest = polygon.iter().map(|corner| corner.length());
    // Rings are even in angle rather than in the plane, where those of a tetrahedron would crowd.
    let widest = (farthest.fold(0.0, f64::max) / distance).atan();
    let mut all = vec![DVec3::Z];
    for ring in 1..=rings {
        let out = (widest * ring as f64 / rings as f64).tan() / widest.tan();
        for (side, &corner) in polygon.iter().enumerate() {
            let next = polygon[(side + 1) % polygon.len()];
            for t in 0..ring {
                let place: DVec2 = out * corner.lerp(next, t as f64 / ring as f64);
                all.push(place.extend(distance).normalize());
            }
        }
    }
    all
}

/// The points of the ball as it fits the wood.
pub fn ball(
    solid: &Solid,
    fit: &Fit,
    projection: Projection,
    sampler: &Sampler,
    exact: bool,
) -> Ball {
    let rings = rings(solid, if exact { POINTS } else { DRAFT_POINTS });
    let mut nets: Vec<Net> = Vec::new();
    for face in &solid.faces {
        let sides = face.corners.len();
        if !nets.iter().any(|net| net.sides == sides) {
            nets.push(net(sides, rings));
        }
    }
    let facets = parallel::indexed(solid.faces.len(), &|face| {
        facet(solid, face, rings, fit, projection, sampler, &nets)
    });
    let top: usize = facets
        .iter()
        .map(|(head, ..)| top_of(&nets, head.sides))
        .sum();
    let folded: usize = facets.iter().map(|facet| facet.2).sum();
    let mut heads = Vec::with_capacity(facets.len());
    let mut points_mm = Vec::new();
    for (head, points, _) in facets {
        heads.push(head);
        points_mm.extend(points);
    }
    Ball {
        nets,
        heads,
        points_mm,
        undercut_share: folded as f64 / top.max(1) as f64,
    }
}

fn top_of(nets: &[Net], sides: usize) -> usize {
    nets.iter()
        .find(|net| net.sides == sides)
        .map_or(0, |net| net.top)
}

fn facet(
    solid: &Solid,
    index: usize,
    rings: usize,
    fit: &Fit,
    projection: Projection,
    sampler: &Sampler,
    nets: &[Net],
) -> (BallHead, Vec<f32>, usize) {
    let face = &solid.faces[index];
    let spec = &fit.facets[index];
    let kind = &fit.kinds[face.kind];
    let sides = face.corners.len();
    let local = directions(solid, index, rings);
    let towards: Vec<DVec3> = local.iter().map(|&d| face.frame.to_body(d)).collect();
    let relief_mm = sampler.relief_mm(&towards);
    let on_plane = |d: DVec3| d * (kind.base_distance_mm / d.z);
    let base_mm = |d: DVec3| match spec.base {
        crate::model::settings::Base::Sphere => d * spec.radius_mm,
        crate::model::settings::Base::Flat => on_plane(d),
    };
    let mut points: Vec<DVec3> = local
        .iter()
        .zip(relief_mm)
        .map(|(&d, relief)| match projection {
            Projection::Radial => base_mm(d) + relief * d,
            Projection::Gnomonic => on_plane(d) + relief * DVec3::Z,
        })
        .collect();
    let net = nets.iter().find(|net| net.sides == sides);
    let folded = net.map_or(0, |net| folded(net, &points));
    let back = local.len() - sides * rings;
    for &d in &local[back..] {
        points.push(d * (spec.back_plane_mm / d.z));
    }
    let head = BallHead {
        label: format!("{:02}", index + 1),
        sides,
        frame: crate::output::manifest::FrameEntry::from(face.frame),
        corners_mm: face
            .corners
            .iter()
            .map(|&corner| {
                let d = face.frame.to_local(solid.corners[corner]).normalize();
                base_mm(d).to_array()
            })
            .collect(),
        points: points.len(),
    };
    let flat = points.iter().flat_map(|point| point.to_array());
    (head, flat.map(|mm| mm as f32).collect(), folded)
}

/// Carved triangles whose outside faces down.
fn folded(net: &Net, points: &[DVec3]) -> usize {
    let corners = net.triangles[..3 * net.top].chunks_exact(3);
    corners
        .filter(|corners| {
            let [a, b, c] = [0, 1, 2].map(|i| points[corners[i] as usize].truncate());
            (b - a).perp_dot(c - a) <= 0.0
        })
        .count()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::solid_names;
    use std::collections::BTreeMap;

    #[test]
    fn a_net_is_closed_and_every_edge_is_walked_once_each_way() {
        for (sides, rings) in [(3, 1), (4, 2), (5, 7), (10, 6)] {
            let net = net(sides, rings);
            let mut edges: BTreeMap<(u32, u32), i32> = BTreeMap::new();
            for t in net.triangles.chunks_exact(3) {
                for (a, b) in [(t[0], t[1]), (t[1], t[2]), (t[2], t[0])] {
                    *edges.entry((a.min(b), a.max(b))).or_default() += if a < b { 1 } else { -1 };
                }
            }
            // Only the straight edge of the back, drawn in one piece, is left over.
            let back = 1 + sides * rings * (rings + 1) / 2;
            let open = edges.iter().filter(|(_, count)| **count != 0);
            for ((a, b), _) in open {
                assert!(*a as usize >= back && *b as usize >= back, "{a} {b}");
            }
            assert_eq!(net.top, sides * rings * rings);
        }
    }

    #[test]
    fn neighbours_share_the_directions_of_their_seam() {
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let rings = 6;
            let rim = |face: usize, edge: usize| -> Vec<DVec3> {
                let all = directions(&solid, face, rings);
                let sides = solid.faces[face].corners.len();
                (0..=rings)
                    .map(|i| number(sides, rings, edge * rings + i) as usize)
                    .map(|i| solid.faces[face].frame.to_body(all[i]))
                    .collect()
            };
            for seam in &solid.seams {
                let one = rim(seam.faces[0], seam.edges[0]);
                let mut other = rim(seam.faces[1], seam.edges[1]);
                other.reverse();
                for (a, b) in one.iter().zip(&other) {
                    assert!(a.distance(*b) < 1e-12, "{name} {a} {b}");
                }
            }
        }
    }
}
