//! The solid unfolded flat: every face once, none over another.

use super::polygon::{bounds, separation};
use crate::model::geometry::Solid;
use glam::DVec2;
use serde::Serialize;

/// Faces may touch; overlaps below this are rounding, in corner radii.
const TOUCHING: f64 = 1e-9;

/// Where a face lies in the net: turned by `angle_rad`, then moved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Laid {
    /// Index of the face.
    pub face: usize,
    /// Counter-clockwise turn of the facet frame, radians.
    pub angle_rad: f64,
    /// Place of the face centre, in corner radii.
    pub centre: DVec2,
    /// Edge of this face along which it hangs on the net; `None` for the first.
    pub hinge: Option<usize>,
}

impl Laid {
    /// A point of the facet frame, in the net.
    pub fn place(&self, point: DVec2) -> DVec2 {
        self.centre + DVec2::from_angle(self.angle_rad).rotate(point)
    }

    /// Corners of the face in the net, in corner radii.
    pub fn corners(&self, solid: &Solid) -> Vec<DVec2> {
        let polygon = solid.face_polygon(self.face);
        polygon.into_iter().map(|p| self.place(p)).collect()
    }
}

/// Angles tried for a net on paper, over half a turn.
const TURNS: usize = 36;

/// Unfolds the solid so that no two faces overlap; `None` only if every way tried fails.
///
/// Starts from each face in turn and adds the free neighbour nearest the middle that overlaps
/// nothing; keeps the net, and the angle on paper, that prints largest in one of the rooms.
pub fn unfold(solid: &Solid, rooms: &[DVec2]) -> Option<Vec<Laid>> {
    let mut best: Option<(f64, Vec<Laid>)> = None;
    // Other starts on a solid of many faces are turned copies of these.
    for start in 0..solid.faces.len().min(12) {
        let Some(net) = grow(solid, start) else {
            continue;
        };
        let corners: Vec<DVec2> = net.iter().flat_map(|laid| laid.corners(solid)).collect();
        for turn in 0..TURNS {
            let turn = std::f64::consts::PI * turn as f64 / TURNS as f64;
            let way = DVec2::from_angle(turn);
            let turned: Vec<DVec2> = corners.iter().map(|p| way.rotate(*p)).collect();
            let (low, high) = bounds(&turned);
            let scales = rooms
                .iter()
                .map(|room| (*room / (high - low)).min_element());
            let scale = scales.fold(0.0, f64::max);
            // Rounding must not decide between equals.
            if best
                .as_ref()
                .is_none_or(|(most, _)| scale > *most * (1.0 + TOUCHING))
            {
                let turned = net.iter().map(|laid| Laid {
                    angle_rad: laid.angle_rad + turn,
                    centre: way.rotate(laid.centre),
                    ..*laid
                });
                best = Some((scale, turned.collect()));
            }
        }
    }
    best.map(|(_, net)| net)
}

fn grow(solid: &Solid, start: usize) -> Option<Vec<Laid>> {
    let first = Laid {
        face: start,
        angle_rad: 0.0,
        centre: DVec2::ZERO,
        hinge: None,
    };
    let mut net = vec![first];
    let mut polygons = vec![first.corners(solid)];
    let mut candidates = hung_on(solid, &first);
    while net.len() < solid.faces.len() {
        candidates.retain(|c| net.iter().all(|laid| laid.face != c.face));
        candidates.sort_by(|a, b| {
            let away = |laid: &Laid| laid.centre.length();
            (away(a) - away(b) > TOUCHING)
                .cmp(&(away(b) - away(a) > TOUCHING))
                .then(a.face.cmp(&b.face))
                .then(a.hinge.cmp(&b.hinge))
        });
        let free = |c: &Laid| {
            let polygon = c.corners(solid);
            polygons
                .iter()
                .all(|other| separation(&polygon, other) > -TOUCHING)
        };
        let next = candidates.iter().position(free)?;
        let laid = candidates.swap_remove(next);
        polygons.push(laid.corners(solid));
        candidates.extend(hung_on(solid, &laid));
        net.push(laid);
    }
    Some(net)
}

/// The neighbours of a laid face, folded out along their common edges.
fn hung_on(solid: &Solid, laid: &Laid) -> Vec<Laid> {
    let corners = laid.corners(solid);
    let edges = solid.faces[laid.face].edges.iter().enumerate();
    edges
        .map(|(i, edge)| {
            let (from, to) = (corners[i], corners[(i + 1) % corners.len()]);
            let other = solid.face_polygon(edge.neighbour);
            let j = edge.neighbour_edge;
            let (a, b) = (other[j], other[(j + 1) % other.len()]);
            // The neighbour walks the common edge the other way.
            let angle_rad = (from - to).to_angle() - (b - a).to_angle();
            let centre = to - DVec2::from_angle(angle_rad).rotate(a);
            Laid {
                face: edge.neighbour,
                angle_rad,
                centre,
                hinge: Some(j),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::polygon::area;
    use super::*;
    use crate::model::geometry::solid_names;

    #[test]
    fn every_solid_unfolds_without_overlap_and_with_true_edges_and_area() {
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let net = unfold(&solid, &[DVec2::new(210.0, 297.0)])
                .unwrap_or_else(|| panic!("{name} overlaps"));
            let mut faces: Vec<usize> = net.iter().map(|laid| laid.face).collect();
            faces.sort_unstable();
            assert_eq!(faces, (0..solid.faces.len()).collect::<Vec<_>>(), "{name}");
            let polygons: Vec<Vec<DVec2>> = net.iter().map(|laid| laid.corners(&solid)).collect();
            for (i, a) in polygons.iter().enumerate() {
                for b in &polygons[..i] {
                    assert!(separation(a, b) > -1e-9, "{name}");
                }
            }
            // Lengths and area straight from the corners in space.
            let mut surface = 0.0;
            for (laid, polygon) in net.iter().zip(&polygons) {
                let face = &solid.faces[laid.face];
                let space: Vec<_> = face.corners.iter().map(|&c| solid.corners[c]).collect();
                let mut twice = glam::DVec3::ZERO;
                for i in 0..space.len() {
                    let k = (i + 1) % space.len();
                    let flat = polygon[i].distance(polygon[k]);
                    assert!((flat - space[i].distance(space[k])).abs() < 1e-9, "{name}");
                    twice += space[i].cross(space[k]);
                }
                surface += 0.5 * twice.length();
                if let Some(edge) = laid.hinge {
                    let edge = face.edges[edge];
                    let other = net.iter().position(|l| l.face == edge.neighbour).unwrap();
                    let a = polygon[laid.hinge.unwrap()];
                    let theirs = &polygons[other];
                    let b = theirs[(edge.neighbour_edge + 1) % theirs.len()];
                    assert!(a.distance(b) < 1e-9, "{name}: not joined at its hinge");
                }
            }
            let flat: f64 = polygons.iter().map(|p| area(p)).sum();
            assert!((flat - surface).abs() < 1e-9, "{name}: {flat} {surface}");
        }
    }
}
