//! Faces of the convex hull of a few points.
//!
//! Gift wrapping over edges: starting from one supporting plane, the plane is tilted about every
//! open edge until it rests on the next corner. All points in a plane make one face, so squares and
//! decagons come out whole instead of as triangles. Takes `edges × points` steps, which for the
//! 120 corners and 180 edges of the largest solid is next to nothing.

use glam::DVec3;
use std::collections::{BTreeSet, VecDeque};

/// How far a point may lie off a plane and still count as in it, for points at distance 1.
///
/// Rounding is about 1e-15, and on every solid the next corner lies at least 0.07 below a face
/// plane. Too small splits faces into slivers, too large swallows neighbours; anything between
/// will do.
const PLANE_TOLERANCE: f64 = 1e-9;

/// Faces of the hull of `points`, each as point indices, counter-clockwise seen from outside.
///
/// Every point must be a corner of the hull, at a distance from the origin of about 1 at most.
/// `None` when the points do not bound a solid.
pub(super) fn hull_faces(points: &[DVec3]) -> Option<Vec<Vec<usize>>> {
    let mut faces = Vec::new();
    let mut walked = BTreeSet::new();
    let mut open = VecDeque::new();
    add_face(
        first_plane(points)?,
        points,
        &mut faces,
        &mut walked,
        &mut open,
    );
    while let Some((from, to)) = open.pop_front() {
        if !walked.contains(&(from, to)) {
            let plane = wrap(points, from, to)?;
            add_face(plane, points, &mut faces, &mut walked, &mut open);
            // The new face must run along the edge that asked for it, or this would never end.
            if !walked.contains(&(from, to)) {
                return None;
            }
        }
    }
    Some(faces)
}

/// A plane with every point on it or below, `normal · p = offset`.
#[derive(Clone, Copy)]
struct Plane {
    normal: DVec3,
    offset: f64,
}

impl Plane {
    /// Through three points, counter-clockwise seen from above; `None` when they are in line.
    fn through(a: DVec3, b: DVec3, c: DVec3) -> Option<Plane> {
        let normal = (b - a).cross(c - a).try_normalize()?;
        Some(Plane {
            normal,
            offset: normal.dot(a),
        })
    }

    fn height(&self, point: DVec3) -> f64 {
        self.normal.dot(point) - self.offset
    }
}

/// Some supporting plane at point 0.
fn first_plane(points: &[DVec3]) -> Option<Plane> {
    let corner = *points.first()?;
    points
        .iter()
        .flat_map(|&b| points.iter().map(move |&c| (b, c)))
        .filter_map(|(b, c)| Plane::through(corner, b, c))
        .find(|plane| points.iter().all(|&p| plane.height(p) < PLANE_TOLERANCE))
}

/// The supporting plane left of the hull's edge `from → to`.
fn wrap(points: &[DVec3], from: usize, to: usize) -> Option<Plane> {
    let mut best: Option<Plane> = None;
    for (i, &point) in points.iter().enumerate() {
        let outside = best.is_none_or(|plane| plane.height(point) > PLANE_TOLERANCE);
        if outside && i != from && i != to {
            best = Plane::through(points[from], points[to], point);
        }
    }
    best
}

/// Records the face in a plane, and its edges from the other side as still to be wrapped.
fn add_face(
    plane: Plane,
    points: &[DVec3],
    faces: &mut Vec<Vec<usize>>,
    walked: &mut BTreeSet<(usize, usize)>,
    open: &mut VecDeque<(usize, usize)>,
) {
    let mut corners: Vec<usize> = (0..points.len())
        .filter(|&i| plane.height(points[i]).abs() < PLANE_TOLERANCE)
        .collect();
    let middle = corners.iter().map(|&i| points[i]).sum::<DVec3>() / corners.len() as f64;
    let right = (points[corners[0]] - middle).normalize();
    let up = plane.normal.cross(right);
    let bearing = |i: usize| {
        let arm = points[i] - middle;
        // The first corner's own bearing is zero by construction; rounding must not make it last.
        if i == corners[0] {
            f64::NEG_INFINITY
        } else {
            (-up.dot(arm)).atan2(-right.dot(arm))
        }
    };
    let mut order: Vec<(f64, usize)> = corners.iter().map(|&i| (bearing(i), i)).collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    corners = order.into_iter().map(|(_, i)| i).collect();

    for (k, &from) in corners.iter().enumerate() {
        let to = corners[(k + 1) % corners.len()];
        walked.insert((from, to));
        open.push_back((to, from));
    }
    faces.push(corners);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cube() -> Vec<DVec3> {
        (0..8)
            .map(|i| {
                let side = |bit: i32| if i & bit == 0 { -0.5 } else { 0.5 };
                DVec3::new(side(1), side(2), side(4))
            })
            .collect()
    }

    #[test]
    fn a_cube_has_six_square_faces_counter_clockwise_from_outside() {
        let points = cube();
        let faces = hull_faces(&points).unwrap();
        assert_eq!(faces.len(), 6);
        for face in faces {
            assert_eq!(face.len(), 4);
            let [a, b, c] = [points[face[0]], points[face[1]], points[face[2]]];
            assert!((b - a).cross(c - b).dot(a) > 0.1);
            assert!(((b - a).length() - 1.0).abs() < 1e-15);
        }
    }

    #[test]
    fn points_without_volume_are_refused_not_looped_over() {
        assert!(hull_faces(&[]).is_none());
        assert!(hull_faces(&[DVec3::X; 5]).is_none());
        assert!(hull_faces(&[DVec3::X, DVec3::Y]).is_none());
        let in_line: Vec<DVec3> = (0..5).map(|i| DVec3::X * f64::from(i)).collect();
        assert!(hull_faces(&in_line).is_none());
    }
}
