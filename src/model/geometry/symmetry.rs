//! The turns that leave a solid as it was.

use super::{Frame, Solid};
use glam::{DMat3, DQuat};

/// Corners this close, in corner radii, are the same corner.
const SAME: f64 = 1e-9;

/// Every rotation that carries a solid onto itself, the identity first.
///
/// A rotation is known by where it takes the first face and its first corner, so all of these are
/// tried. There are 12, 24 or 60 for every Platonic, Archimedean or Catalan solid.
pub fn rotations(solid: &Solid) -> Vec<DMat3> {
    let from = solid.faces[0].frame.axes().transpose();
    let first = &solid.faces[0];
    let mut found = Vec::new();
    for face in &solid.faces {
        if face.corners.len() != first.corners.len()
            || (face.distance - first.distance).abs() > SAME
        {
            continue;
        }
        for &corner in &face.corners {
            let frame = Frame::looking_along(face.frame.z, solid.corners[corner]);
            let turn = frame.axes() * from;
            if maps_to_itself(solid, &turn) {
                found.push(turn);
            }
        }
    }
    found.sort_by(|a, b| angle(b).total_cmp(&angle(a)).reverse());
    found
}

fn maps_to_itself(solid: &Solid, turn: &DMat3) -> bool {
    solid.corners.iter().all(|&corner| {
        let moved = *turn * corner;
        solid.corners.iter().any(|c| c.distance(moved) < SAME)
    })
}

/// Angle of a rotation, radians.
fn angle(turn: &DMat3) -> f64 {
    DQuat::from_mat3(turn).w.abs().min(1.0).acos() * 2.0
}

/// The smallest angle, radians, by which a solid turned by `a` must be turned further to look like
/// the solid turned by `b`; `rotations` are those that leave it as it was.
pub fn apart_rad(a: DQuat, b: DQuat, rotations: &[DQuat]) -> f64 {
    let nearest = rotations
        .iter()
        .map(|&same| (a * same).dot(b).abs())
        .fold(0.0, f64::max);
    2.0 * nearest.min(1.0).acos()
}

/// An even covering of all positions of a solid: about `count` turns, no two of which look alike.
///
/// Super-Fibonacci spirals (M. Alexa, "Super-Fibonacci Spirals: Fast, Low-Discrepancy Sampling of
/// SO(3)", CVPR 2022, algorithm 1) over all rotations, of which those nearest to no turn at all
/// among their look-alikes are kept. `start` turns the whole covering.
pub fn covering(count: usize, rotations: &[DQuat], start: DQuat) -> Vec<DQuat> {
    // The paper's φ and ψ: ψ⁴ = ψ + 4.
    const PHI: f64 = std::f64::consts::SQRT_2;
    const PSI: f64 = 1.533_751_168_755_204_3;
    let all = count * rotations.len();
    (0..all)
        .map(|i| {
            let s = i as f64 + 0.5;
            let share = s / all as f64;
            let turn = std::f64::consts::TAU * s;
            let (inner, outer) = (share.sqrt(), (1.0 - share).sqrt());
            let (a, b) = (turn / PHI, turn / PSI);
            let spiral = [
                inner * a.sin(),
                inner * a.cos(),
                outer * b.sin(),
                outer * b.cos(),
            ];
            (start * DQuat::from_array(spiral)).normalize()
        })
        .filter(|&turn| {
            let own = turn.w.abs();
            rotations
                .iter()
                .all(|&same| (turn * same).w.abs() <= own + 1e-12)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::solid_names;

    fn quats(solid: &Solid) -> Vec<DQuat> {
        rotations(solid).iter().map(DQuat::from_mat3).collect()
    }

    const CUBIC: [&str; 13] = [
        "cube",
        "octahedron",
        "cuboctahedron",
        "truncated-cube",
        "truncated-octahedron",
        "rhombicuboctahedron",
        "truncated-cuboctahedron",
        "snub-cube",
        "rhombic-dodecahedron",
        "triakis-octahedron",
        "tetrakis-hexahedron",
        "deltoidal-icositetrahedron",
        "disdyakis-dodecahedron",
    ];

    /// Source: orders of the rotation groups of the tetrahedron, cube and icosahedron, in any
    /// book on polyhedra (H. S. M. Coxeter, "Regular Polytopes", 3.5).
    #[test]
    fn solids_have_as_many_rotations_as_their_family() {
        for name in solid_names() {
            let found = rotations(&Solid::named(name).unwrap());
            let wanted = match name {
                "tetrahedron" | "truncated-tetrahedron" | "triakis-tetrahedron" => 12,
                "pentagonal-icositetrahedron" => 24,
                _ if CUBIC.contains(&name) => 24,
                _ => 60,
            };
            assert_eq!(found.len(), wanted, "{name}");
            assert!(found[0].abs_diff_eq(DMat3::IDENTITY, 1e-9), "{name}");
        }
    }

    /// Every position lies near one of the covering: a ball of that many even cells would be
    /// (8π²/n·|G| · 3/4π)^(1/3) wide; the worst gap may be a little more than twice that.
    #[test]
    fn the_covering_is_even() {
        for name in ["dodecahedron", "cube", "tetrahedron"] {
            let same = quats(&Solid::named(name).unwrap());
            let covering = covering(2000, &same, DQuat::IDENTITY);
            assert!(
                (1900..=2100).contains(&covering.len()),
                "{}",
                covering.len()
            );
            let volume = 8.0 * std::f64::consts::PI.powi(2) / (same.len() * 2000) as f64;
            let even = (0.75 * volume / std::f64::consts::PI).cbrt();
            let probes = super::covering(150, &same, DQuat::from_rotation_x(1.0));
            let mut worst: f64 = 0.0;
            for probe in probes {
                let gap = covering
                    .iter()
                    .map(|&turn| apart_rad(turn, probe, &same))
                    .fold(f64::INFINITY, f64::min);
                worst = worst.max(gap);
            }
            assert!(worst < 2.2 * even, "{name}: {worst} against {even}");
        }
    }
}
