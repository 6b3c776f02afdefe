//! Convex outlines: moving sides, rounding corners, distances. Counter-clockwise, mm.

use glam::DVec2;
use serde::Serialize;

/// Lengths below this are rounding, mm: a ten-thousandth of what a shop can measure.
pub const ROUNDING_MM: f64 = 1e-6;

/// Area, positive for counter-clockwise outlines.
pub fn area(points: &[DVec2]) -> f64 {
    0.5 * sides(points).map(|(a, b)| a.perp_dot(b)).sum::<f64>()
}

/// Each side as its two ends, in order.
pub fn sides(points: &[DVec2]) -> impl Iterator<Item = (DVec2, DVec2)> + '_ {
    let next = points.iter().cycle().skip(1);
    points.iter().copied().zip(next.copied())
}

/// Outward unit normal of a side of a counter-clockwise outline: to the right of the way along.
pub fn outward(from: DVec2, to: DVec2) -> DVec2 {
    let along = to - from;
    DVec2::new(along.y, -along.x).normalize()
}

/// What of an outline lies where `normal · p <= distance`.
pub fn clip(points: &[DVec2], normal: DVec2, distance: f64) -> Vec<DVec2> {
    let mut kept = Vec::with_capacity(points.len() + 1);
    for (a, b) in sides(points) {
        let (at_a, at_b) = (normal.dot(a) - distance, normal.dot(b) - distance);
        if at_a <= 0.0 {
            kept.push(a);
        }
        if (at_a < 0.0 && at_b > 0.0) || (at_a > 0.0 && at_b < 0.0) {
            kept.push(a + (b - a) * (at_a / (at_a - at_b)));
        }
    }
    kept
}

/// The outline with every side moved inwards; `None` when nothing is left. A negative distance
/// moves sides outwards, corners stay sharp.
pub fn inset(points: &[DVec2], by_mm: f64) -> Option<Vec<DVec2>> {
    let planes: Vec<(DVec2, f64)> = sides(points)
        .map(|(a, b)| {
            let normal = outward(a, b);
            (normal, normal.dot(a) - by_mm)
        })
        .collect();
    if by_mm <= 0.0 {
        // Sides keep their neighbours when they move outwards.
        let count = planes.len();
        return Some(
            (0..count)
                .map(|i| meeting(planes[(i + count - 1) % count], planes[i]))
                .collect(),
        );
    }
    let mut left = points.to_vec();
    for (normal, distance) in planes {
        left = clip(&left, normal, distance);
    }
    (left.len() >= 3 && area(&left) > ROUNDING_MM).then_some(left)
}

/// Where two lines `n · p = d` cross.
fn meeting((n, d): (DVec2, f64), (m, e): (DVec2, f64)) -> DVec2 {
    let cross = n.perp_dot(m);
    DVec2::new(d * m.y - e * n.y, e * n.x - d * m.x) / cross
}

/// Whether a point lies inside or on an outline, or outside by no more than `slack_mm`.
pub fn holds(points: &[DVec2], p: DVec2, slack_mm: f64) -> bool {
    // Asked for every pixel: without slack no side needs its length.
    sides(points).all(|(a, b)| {
        let outside = (p - a).perp_dot(b - a);
        outside <= 0.0 || outside <= slack_mm * a.distance(b)
    })
}

/// Least distance from a point to the outline's own line.
pub fn distance_to_line(points: &[DVec2], p: DVec2) -> f64 {
    sides(points)
        .map(|(a, b)| {
            let along = b - a;
            let t = ((p - a).dot(along) / along.length_squared()).clamp(0.0, 1.0);
            (a + along * t).distance(p)
        })
        .fold(f64::INFINITY, f64::min)
}

/// How far two outlines are apart along the best separating side; negative when they overlap.
///
/// For convex outlines that overlap this is minus the least shift that parts them.
pub fn separation(a: &[DVec2], b: &[DVec2]) -> f64 {
    let beyond = |a: &[DVec2], b: &[DVec2]| {
        sides(a)
            .map(|(from, to)| {
                let normal = outward(from, to);
                b.iter()
                    .map(|p| normal.dot(*p - from))
                    .fold(f64::INFINITY, f64::min)
            })
            .fold(f64::NEG_INFINITY, f64::max)
    };
    beyond(a, b).max(beyond(b, a))
}

/// Smallest box around the points: least and greatest corner.
pub fn bounds<'a>(points: impl IntoIterator<Item = &'a DVec2>) -> (DVec2, DVec2) {
    let start = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    points
        .into_iter()
        .fold(start, |(low, high), p| (low.min(*p), high.max(*p)))
}

/// How often an outline comes to lie on itself in one turn about the origin; 1 for no symmetry.
pub fn symmetry(points: &[DVec2]) -> usize {
    let count = points.len();
    let fits = |shift: &usize| {
        let turn = points[0]
            .perp_dot(points[*shift])
            .atan2(points[0].dot(points[*shift]));
        let turn = DVec2::from_angle(turn);
        (0..count).all(|i| turn.rotate(points[i]).distance(points[(i + shift) % count]) < 1e-6)
    };
    (0..count).filter(fits).count()
}

/// A closed outline of straight lines and arcs.
///
/// Each point comes with the bulge of the way to the next: the tangent of a quarter of the arc's
/// angle, 0 for a straight line, positive for a left turn, as DXF has it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rounded {
    /// Points and bulges, counter-clockwise.
    pub points: Vec<(DVec2, f64)>,
    /// Radius of every arc, mm.
    pub radius_mm: f64,
}

/// Rounds every corner of a convex outline; the error is the largest radius that would fit.
pub fn round_corners(points: &[DVec2], radius_mm: f64) -> Result<Rounded, f64> {
    let count = points.len();
    // Half the turn at a corner, and the way it takes from both sides for a radius of 1.
    let half_turn = |i: usize| {
        let before = points[i] - points[(i + count - 1) % count];
        let after = points[(i + 1) % count] - points[i];
        0.5 * before.perp_dot(after).atan2(before.dot(after))
    };
    let takes: Vec<f64> = (0..count).map(|i| half_turn(i).tan()).collect();
    let largest = (0..count)
        .map(|i| {
            let length = points[i].distance(points[(i + 1) % count]);
            length / (takes[i] + takes[(i + 1) % count])
        })
        .fold(f64::INFINITY, f64::min);
    if radius_mm > largest {
        return Err(largest);
    }
    let mut rounded = Vec::with_capacity(2 * count);
    for i in 0..count {
        let towards = |p: DVec2| (p - points[i]).normalize() * takes[i] * radius_mm;
        let before = points[i] + towards(points[(i + count - 1) % count]);
        let after = points[i] + towards(points[(i + 1) % count]);
        rounded.push((before, (0.5 * half_turn(i)).tan()));
        rounded.push((after, 0.0));
    }
    Ok(Rounded {
        points: rounded,
        radius_mm,
    })
}

impl Rounded {
    #[cfg(test)]
    /// Points on the outline, arcs in short chords that leave the true line by less than
    /// `off_mm`.
    pub fn flattened(&self, off_mm: f64) -> Vec<DVec2> {
        let count = self.points.len();
        let mut flat = Vec::new();
        for i in 0..count {
            let (from, bulge) = self.points[i];
            let to = self.points[(i + 1) % count].0;
            flat.push(from);
            if bulge.abs() < 1e-12 {
                continue;
            }
            let angle = 4.0 * bulge.atan();
            let chord = to - from;
            let radius = chord.length() / (2.0 * (0.5 * angle).sin());
            let centre =
                from + 0.5 * chord + chord.perp().normalize() * radius * (0.5 * angle).cos();
            let step = 2.0 * (1.0 - (off_mm / radius).min(1.0)).acos();
            let steps = (angle.abs() / step).ceil().max(1.0) as usize;
            for k in 1..steps {
                let part = DVec2::from_angle(angle * k as f64 / steps as f64);
                flat.push(centre + part.rotate(from - centre));
            }
        }
        flat
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn square(side: f64) -> Vec<DVec2> {
        let h = side / 2.0;
        [(-h, -h), (h, -h), (h, h), (-h, h)]
            .map(DVec2::from)
            .to_vec()
    }

    #[test]
    fn moving_sides_changes_a_square_by_twice_the_distance() {
        assert_abs_diff_eq!(
            area(&inset(&square(10.0), 2.0).unwrap()),
            36.0,
            epsilon = 1e-9
        );
        assert_abs_diff_eq!(
            area(&inset(&square(10.0), -2.0).unwrap()),
            196.0,
            epsilon = 1e-9
        );
        assert_eq!(inset(&square(10.0), 5.0), None);
        // A short side goes before the others meet.
        let clipped = clip(&square(10.0), DVec2::ONE.normalize(), 6.8);
        assert_eq!(clipped.len(), 5);
        assert_eq!(inset(&clipped, 3.0).unwrap().len(), 4);
    }

    /// Closed form: a square of side a with corners of radius r has area a² − (4 − π) r².
    #[test]
    fn rounding_takes_the_known_area() {
        let rounded = round_corners(&square(10.0), 2.0).unwrap();
        let flat = rounded.flattened(1e-6);
        let wanted = 100.0 - (4.0 - std::f64::consts::PI) * 4.0;
        assert_abs_diff_eq!(area(&flat), wanted, epsilon = 1e-4);
        let largest = round_corners(&square(10.0), 6.0).unwrap_err();
        assert_abs_diff_eq!(largest, 5.0, epsilon = 1e-12);
    }

    #[test]
    fn distances_between_squares() {
        let at = |x: f64, y: f64| -> Vec<DVec2> {
            square(2.0).iter().map(|p| *p + DVec2::new(x, y)).collect()
        };
        assert_abs_diff_eq!(
            separation(&at(0.0, 0.0), &at(5.0, 1.0)),
            3.0,
            epsilon = 1e-12
        );
        assert_abs_diff_eq!(
            separation(&at(0.0, 0.0), &at(1.5, 0.2)),
            -0.5,
            epsilon = 1e-12
        );
        assert_eq!(symmetry(&square(3.0)), 4);
        let kite = [(0.0, 2.0), (-1.0, 0.0), (0.0, -1.0), (1.0, 0.0)].map(DVec2::from);
        assert_eq!(symmetry(&kite), 1);
    }
}
