//! From a list of corners to faces, kinds, index corners, seams and numbers.
//!
//! One piece of code for all solids; nothing here knows which solid it is looking at.
//!
//! # What makes a kind
//!
//! Walk round a face counter-clockwise from one of its corners and note, side by side: distance of
//! the corner from the face centre, length of the side, blade tilt. Two faces are of one kind when
//! some starting corners give both the same list: one outline, one jig and one set of tilts fit
//! both. What lies across a seam does not matter, for a tilt follows from its own face alone.
//!
//! Mirror images differ: the scalene triangles of the disdyakis solids make two kinds, for a blank
//! carved on its front cannot be flipped.
//!
//! # Choices
//!
//! * Index corner: a start that gives the greatest list (with the dihedral angle as a fourth entry
//!   per side, compared entry by entry), so a corner
//!   farthest from the face centre. Where symmetry leaves several, the northernmost in standard
//!   position, then the westmost.
//! * Kinds: greatest face area first, equal areas by greatest list first.
//! * Standard position: face 1, of kind 0, at the north pole with its index corner towards
//!   longitude 180 (north at the pole, arriving along longitude 0).
//! * Face and corner numbers: ring by ring from north to south, eastward from longitude 0 within
//!   a ring. Seam numbers: by lower, then higher face.

use super::hull::hull_faces;
use super::{Edge, Face, FaceKind, Frame, Seam, Solid};
use glam::{DMat3, DVec3};
use std::cmp::Ordering;
use std::collections::BTreeMap;

/// Lengths (in corner radii) and angles closer than this are meant to be equal.
///
/// Rounding is about 1e-15. Lengths or angles that truly differ on one solid are at least 0.05
/// apart, rings of faces or corners at least 0.001.
const SAME: f64 = 1e-9;

/// Corners of the polar reciprocal: each face plane `n · x = d` becomes the corner `n / d`.
pub(super) fn reciprocal(points: &[DVec3]) -> Option<Vec<DVec3>> {
    let points = to_unit_size(points)?;
    let faces = measure(&points, hull_faces(&points)?)?;
    Some(faces.iter().map(|f| f.normal / f.distance).collect())
}

/// The solid with the given corners, about the origin and in any position and size.
///
/// `None` when the corners do not bound a solid around the origin.
pub(super) fn derive(name: &'static str, points: &[DVec3]) -> Option<Solid> {
    let points = to_unit_size(points)?;
    let polygons = hull_faces(&points)?;
    let faces = measure(&points, polygons.clone())?;
    let kinds = sort_into_kinds(&faces);

    let first = *kinds.first()?.first()?;
    let upright = to_standard_position(&points, &faces[first], faces[first].best_starts()[0]);
    let points: Vec<DVec3> = points.iter().map(|&p| upright * p).collect();
    // Measured afresh, so that every frame follows from the corners as they now stand.
    let faces = measure(&points, polygons)?;
    assemble(name, &points, &faces, &kinds)
}

fn to_unit_size(points: &[DVec3]) -> Option<Vec<DVec3>> {
    let farthest = points.iter().map(|p| p.length()).fold(0.0, f64::max);
    (farthest > 0.0).then(|| points.iter().map(|&p| p / farthest).collect())
}

/// A face as found, before it has a number.
struct Measured {
    corners: Vec<usize>,
    normal: DVec3,
    distance: f64,
    area: f64,
    sides: Vec<PolygonSide>,
}

/// Side `i` of a face, from corner `i` to corner `i + 1`.
struct PolygonSide {
    /// The face across and its side that lies on this one.
    across: (usize, usize),
    /// Distance of corner `i` from the face centre.
    corner_distance: f64,
    length: f64,
    reach: f64,
    tilt: f64,
    dihedral: f64,
}

fn measure(points: &[DVec3], polygons: Vec<Vec<usize>>) -> Option<Vec<Measured>> {
    let owner: BTreeMap<(usize, usize), (usize, usize)> = polygons
        .iter()
        .enumerate()
        .flat_map(|(face, corners)| {
            ring_pairs(corners)
                .enumerate()
                .map(move |(side, ends)| (ends, (face, side)))
        })
        .collect();
    let planes: Vec<(DVec3, f64, f64)> = polygons
        .iter()
        .map(|corners| plane_of(points, corners))
        .collect();
    polygons
        .into_iter()
        .enumerate()
        .map(|(face, corners)| {
            let (normal, distance, area) = planes[face];
            let sides = ring_pairs(&corners)
                .map(|(a, b)| {
                    let across = *owner.get(&(b, a))?;
                    let other = planes[across.0].0;
                    let (from, to) = (points[a], points[b]);
                    let centre = normal * distance;
                    let length = (to - from).length();
                    let reach = normal.dot((from - centre).cross(to - centre)) / length;
                    let between = normal.cross(other).length().atan2(normal.dot(other));
                    Some(PolygonSide {
                        across,
                        corner_distance: (from - centre).length(),
                        length,
                        reach,
                        tilt: reach.atan2(distance),
                        dihedral: std::f64::consts::PI - between,
                    })
                })
                .collect::<Option<Vec<_>>>()?;
            (distance > SAME).then_some(Measured {
                corners,
                normal,
                distance,
                area,
                sides,
            })
        })
        .collect()
}

fn ring_pairs(corners: &[usize]) -> impl Iterator<Item = (usize, usize)> + '_ {
    let next = corners.iter().cycle().skip(1);
    corners.iter().copied().zip(next.copied())
}

/// Normal, distance from the origin and area of a flat polygon.
///
/// The normal is the polygon's area vector, which weighs all corners and so averages out rounding.
fn plane_of(points: &[DVec3], corners: &[usize]) -> (DVec3, f64, f64) {
    let count = corners.len() as f64;
    let middle = corners.iter().map(|&i| points[i]).sum::<DVec3>() / count;
    let twice_area: DVec3 = ring_pairs(corners)
        .map(|(a, b)| (points[a] - middle).cross(points[b] - middle))
        .sum();
    let normal = twice_area.normalize();
    (normal, normal.dot(middle), twice_area.length() / 2.0)
}

impl Measured {
    /// What a blank of this face looks like at the bench, read from side `start`.
    fn outline(&self, start: usize) -> impl Iterator<Item = f64> + '_ {
        (0..self.sides.len()).flat_map(move |i| {
            let side = &self.sides[(start + i) % self.sides.len()];
            [side.corner_distance, side.length, side.tilt]
        })
    }

    /// The outline and what lies beyond each side, read from side `start`.
    fn signature(&self, start: usize) -> impl Iterator<Item = f64> + '_ {
        (0..self.sides.len()).flat_map(move |i| {
            let side = &self.sides[(start + i) % self.sides.len()];
            [side.corner_distance, side.length, side.tilt, side.dihedral]
        })
    }

    /// The starts that give the greatest signature: one, or several where the face has symmetry.
    fn best_starts(&self) -> Vec<usize> {
        let mut best = vec![0];
        for start in 1..self.sides.len() {
            match compare(self.signature(start), self.signature(best[0])) {
                Ordering::Greater => best = vec![start],
                Ordering::Equal => best.push(start),
                Ordering::Less => {}
            }
        }
        best
    }
}

/// Entry by entry, then the longer list is the greater.
fn compare(a: impl Iterator<Item = f64>, b: impl Iterator<Item = f64>) -> Ordering {
    let (mut a, mut b) = (a, b);
    loop {
        match (a.next(), b.next()) {
            (Some(x), Some(y)) if (x - y).abs() < SAME => {}
            (Some(x), Some(y)) => return x.total_cmp(&y),
            (x, y) => return x.is_some().cmp(&y.is_some()),
        }
    }
}

/// Faces grouped by kind, kinds in their final order.
///
/// A kind is what one outline and one set of tilts fit, whatever lies across the seams. Within a
/// kind the faces with the greatest signature come first, so that which face becomes face 1 does
/// not hang on the order they were found in.
fn sort_into_kinds(faces: &[Measured]) -> Vec<Vec<usize>> {
    let starts: Vec<usize> = faces.iter().map(|f| f.best_starts()[0]).collect();
    let whole =
        |a: usize, b: usize| compare(faces[a].signature(starts[a]), faces[b].signature(starts[b]));
    let order = |a: usize, b: usize| {
        let area = if (faces[a].area - faces[b].area).abs() < SAME {
            Ordering::Equal
        } else {
            faces[a].area.total_cmp(&faces[b].area)
        };
        area.then_with(|| compare(faces[a].outline(starts[a]), faces[b].outline(starts[b])))
    };
    let mut kinds: Vec<Vec<usize>> = Vec::new();
    for face in 0..faces.len() {
        match kinds.iter_mut().find(|k| order(k[0], face).is_eq()) {
            Some(kind) => kind.push(face),
            None => kinds.push(vec![face]),
        }
    }
    kinds.sort_by(|a, b| order(b[0], a[0]));
    for kind in &mut kinds {
        kind.sort_by(|&a, &b| whole(b, a));
    }
    kinds
}

/// Facet frame of face 1 in standard position.
const FIRST_FRAME: Frame = Frame {
    x: DVec3::Y,
    y: DVec3::NEG_X,
    z: DVec3::Z,
};

/// The turn that brings a face to the north pole and one of its corners towards longitude 180.
fn to_standard_position(points: &[DVec3], face: &Measured, corner: usize) -> DMat3 {
    let now = Frame::looking_along(face.normal, points[face.corners[corner]]);
    FIRST_FRAME.axes() * now.axes().transpose()
}

/// Indices in ring order: from north to south, eastward from longitude 0 within a ring.
///
/// Directions are rounded results, so a ring is whatever lies within [`SAME`] of its neighbour in
/// latitude, and a longitude just short of 360 counts as 0.
fn ring_order(directions: &[DVec3]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..directions.len()).collect();
    order.sort_by(|&a, &b| directions[b].z.total_cmp(&directions[a].z));
    for ring in order.chunk_by_mut(|&a, &b| directions[a].z - directions[b].z < SAME) {
        ring.sort_by(|&a, &b| longitude(directions[a]).total_cmp(&longitude(directions[b])));
    }
    order
}

/// Longitude in radians, from 0 up to a full turn, at which rounding may not leave it.
fn longitude(direction: DVec3) -> f64 {
    let lon = direction.y.atan2(direction.x);
    let lon = if lon < 0.0 {
        lon + std::f64::consts::TAU
    } else {
        lon
    };
    if lon > std::f64::consts::TAU - SAME {
        0.0
    } else {
        lon
    }
}

/// Of several corners of a face, the northernmost, then the westmost as seen from outside.
///
/// On a face at a pole, where west means nothing, the one at the least longitude.
fn northernmost(points: &[DVec3], face: &Measured, starts: &[usize]) -> Option<usize> {
    let corner = |start: usize| points[face.corners[start]];
    let east = DVec3::Z.cross(face.normal);
    let at_pole = east.length() < SAME;
    let eastward = |start: usize| {
        if at_pole {
            longitude(corner(start))
        } else {
            east.dot(corner(start))
        }
    };
    let top = starts.iter().map(|&s| corner(s).z).fold(-1.0, f64::max);
    starts
        .iter()
        .copied()
        .filter(|&s| corner(s).z > top - SAME)
        .min_by(|&a, &b| eastward(a).total_cmp(&eastward(b)))
}

/// How faces, corners and sides are numbered, from those that were measured.
struct Numbering {
    /// The measured face and corner with each number, and the other way round.
    face_order: Vec<usize>,
    face_number: Vec<usize>,
    corner_order: Vec<usize>,
    corner_number: Vec<usize>,
    /// The side of each measured face that is its first.
    index_side: Vec<usize>,
}

impl Numbering {
    fn of(points: &[DVec3], measured: &[Measured]) -> Option<Numbering> {
        let normals: Vec<DVec3> = measured.iter().map(|f| f.normal).collect();
        let directions: Vec<DVec3> = points.iter().map(|p| p.normalize()).collect();
        let (face_order, corner_order) = (ring_order(&normals), ring_order(&directions));
        let index_side = measured.iter().enumerate().map(|(old, face)| {
            let starts = face.best_starts();
            let west = |start: usize| points[face.corners[start]].x;
            // Face 1 stands where it does because of its index corner: the one at longitude 180.
            match old == face_order[0] {
                true => starts
                    .into_iter()
                    .min_by(|&a, &b| west(a).total_cmp(&west(b))),
                false => northernmost(points, face, &starts),
            }
        });
        Some(Numbering {
            index_side: index_side.collect::<Option<_>>()?,
            face_number: inverse(&face_order),
            corner_number: inverse(&corner_order),
            face_order,
            corner_order,
        })
    }

    /// The sides of a measured face from its first on.
    fn sides(&self, old: usize, count: usize) -> impl Iterator<Item = usize> {
        let first = self.index_side[old];
        (0..count).map(move |i| (first + i) % count)
    }

    fn edge(&self, side: &PolygonSide, measured: &[Measured]) -> Edge {
        let (other, other_side) = side.across;
        let other_count = measured[other].sides.len();
        Edge {
            neighbour: self.face_number[other],
            neighbour_edge: (other_side + other_count - self.index_side[other]) % other_count,
            seam: 0,
            reach: side.reach,
            tilt_rad: side.tilt,
        }
    }

    fn face(&self, number: usize, kind: usize, points: &[DVec3], measured: &[Measured]) -> Face {
        let old = self.face_order[number];
        let face = &measured[old];
        let sides = || self.sides(old, face.sides.len());
        let corners: Vec<usize> = sides().map(|side| face.corners[side]).collect();
        let edges = sides().map(|side| self.edge(&face.sides[side], measured));
        Face {
            kind,
            edges: edges.collect(),
            distance: face.distance,
            frame: match number {
                0 => FIRST_FRAME,
                _ => Frame::looking_along(face.normal, points[corners[0]]),
            },
            corners: corners.into_iter().map(|c| self.corner_number[c]).collect(),
        }
    }
}

/// Numbers everything and writes it down; the faces are in standard position.
fn assemble(
    name: &'static str,
    points: &[DVec3],
    measured: &[Measured],
    kinds: &[Vec<usize>],
) -> Option<Solid> {
    let numbering = Numbering::of(points, measured)?;
    let kinds: Vec<FaceKind> = kinds
        .iter()
        .map(|olds| {
            let mut faces: Vec<usize> =
                olds.iter().map(|&old| numbering.face_number[old]).collect();
            faces.sort_unstable();
            let sides = measured[olds[0]].sides.len();
            FaceKind { sides, faces }
        })
        .collect();
    let mut kind_of = vec![0; measured.len()];
    for (number, kind) in kinds.iter().enumerate() {
        kind.faces.iter().for_each(|&face| kind_of[face] = number);
    }
    let faces = kind_of.iter().enumerate();
    let faces = faces.map(|(number, &kind)| numbering.face(number, kind, points, measured));
    let mut faces: Vec<Face> = faces.collect();
    let seams = number_seams(&mut faces, |face, edge| {
        let old = numbering.face_order[face];
        let sides = &measured[old].sides;
        sides[(numbering.index_side[old] + edge) % sides.len()].dihedral
    });
    let corners = numbering.corner_order.iter();
    Some(Solid {
        name,
        corners: corners.map(|&old| points[old]).collect(),
        faces,
        kinds,
        seams,
    })
}

/// Lists the seams by lower, then higher face and tells both edges their number.
fn number_seams(faces: &mut [Face], dihedral: impl Fn(usize, usize) -> f64) -> Vec<Seam> {
    let mut seams = Vec::new();
    for face in 0..faces.len() {
        let mut edges: Vec<usize> = (0..faces[face].edges.len())
            .filter(|&edge| faces[face].edges[edge].neighbour > face)
            .collect();
        edges.sort_by_key(|&edge| faces[face].edges[edge].neighbour);
        for edge in edges {
            let Edge {
                neighbour,
                neighbour_edge,
                ..
            } = faces[face].edges[edge];
            faces[face].edges[edge].seam = seams.len();
            faces[neighbour].edges[neighbour_edge].seam = seams.len();
            let corners = &faces[face].corners;
            seams.push(Seam {
                faces: [face, neighbour],
                edges: [edge, neighbour_edge],
                corners: [corners[edge], corners[(edge + 1) % corners.len()]],
                dihedral_rad: dihedral(face, edge),
            });
        }
    }
    seams
}

fn inverse(order: &[usize]) -> Vec<usize> {
    let mut number = vec![0; order.len()];
    for (new, &old) in order.iter().enumerate() {
        number[old] = new;
    }
    number
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rings_hold_against_rounding_on_either_side_of_longitude_zero() {
        let ring = |nudge: f64| {
            [
                DVec3::new(0.0, 0.6, 0.8),
                DVec3::new(0.6, nudge, 0.8 - nudge),
                DVec3::new(0.0, 0.0, 1.0),
                DVec3::new(-0.6, 0.0, 0.8 + nudge),
                DVec3::new(0.0, 0.0, -1.0),
            ]
        };
        for nudge in [0.0, 1e-14, -1e-14] {
            assert_eq!(ring_order(&ring(nudge)), [2, 1, 0, 3, 4]);
        }
    }

    #[test]
    fn lists_compare_entry_by_entry_within_rounding() {
        let order = |a: &[f64], b: &[f64]| compare(a.iter().copied(), b.iter().copied());
        assert_eq!(order(&[1.0, 2.0], &[1.0 + 1e-13, 2.0]), Ordering::Equal);
        assert_eq!(order(&[1.0 + 1e-13, 1.0], &[1.0, 2.0]), Ordering::Less);
        assert_eq!(order(&[1.0, 2.0, 0.0], &[1.0, 2.0]), Ordering::Greater);
    }

    /// Numbers and frames must come from the shape alone: neither the order of the table nor the
    /// position its coordinates happen to be in may show.
    #[test]
    fn order_and_position_of_the_corners_given_do_not_matter() {
        for name in crate::model::geometry::solid_names() {
            let solid = Solid::named(name).unwrap();
            // Strides that are primes above the largest count visit every corner once.
            for (stride, angle) in [(127, 0.3), (131, 2.1), (137, -1.0)] {
                let turn = DMat3::from_axis_angle(DVec3::new(0.48, -0.6, 0.64), angle);
                let count = solid.corners.len();
                let shuffled: Vec<DVec3> = (0..count)
                    .map(|i| turn * solid.corners[(i * stride + 3) % count] * 2.5)
                    .collect();
                let again = derive(name, &shuffled).unwrap();
                assert_eq!(again.kinds, solid.kinds, "{name}");
                for (a, b) in again.faces.iter().zip(&solid.faces) {
                    assert_eq!(a.corners, b.corners, "{name}");
                    assert!((a.frame.y - b.frame.y).length() < 1e-12, "{name}");
                    assert!((a.frame.z - b.frame.z).length() < 1e-12, "{name}");
                }
                for (a, b) in again.corners.iter().zip(&solid.corners) {
                    assert!((*a - *b).length() < 1e-12, "{name}");
                }
            }
        }
    }

    #[test]
    fn corners_that_do_not_surround_the_origin_are_refused() {
        let corner = DVec3::new(5.0, 5.0, 5.0);
        let aside = [
            corner,
            corner + DVec3::X,
            corner + DVec3::Y,
            corner + DVec3::Z,
        ];
        assert_eq!(derive("aside", &aside), None);
        assert_eq!(derive("nothing", &[]), None);
    }
}
