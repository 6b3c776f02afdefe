//! Corners of the Platonic, Archimedean and Catalan solids.
//!
//! # Sources
//!
//! The first eighteen are the usual Cartesian coordinates, as found in H. S. M. Coxeter, *Regular
//! Polytopes*, and P. R. Cromwell, *Polyhedra*, and in every table since; written from memory,
//! then checked through what they imply: face counts, equal edges, dihedral angles, radii (the
//! tests beside `solid.rs` name their sources).
//!
//! A Catalan solid is the polar reciprocal of an Archimedean one about its midsphere, the sphere
//! that touches every edge: the face plane `n · x = d` becomes the corner `n / d`. Another radius
//! would only change the size, which is set afterwards. Taking the reciprocal in double precision
//! is as exact as typing published decimals, and leaves no second table to get wrong.

use glam::DVec3;

/// The golden ratio, (1 + √5) / 2.
const PHI: f64 = 1.618_033_988_749_895;
/// Its square, φ + 1.
const PHI2: f64 = PHI + 1.0;
/// Its cube, 2 φ + 1.
const PHI3: f64 = 2.0 * PHI + 1.0;
/// Its inverse, φ − 1.
const INV_PHI: f64 = PHI - 1.0;
const SQRT_2: f64 = std::f64::consts::SQRT_2;

/// Where a solid's corners come from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Origin {
    /// Listed here.
    Listed,
    /// Polar reciprocal of the solid of this name.
    ReciprocalOf(&'static str),
}

/// All solids in the usual order: Platonic, Archimedean, Catalan (in the order of their duals).
pub(super) const SOLIDS: [(&str, Origin); 31] = {
    use Origin::{Listed, ReciprocalOf};
    [
        ("tetrahedron", Listed),
        ("cube", Listed),
        ("octahedron", Listed),
        ("dodecahedron", Listed),
        ("icosahedron", Listed),
        ("truncated-tetrahedron", Listed),
        ("cuboctahedron", Listed),
        ("truncated-cube", Listed),
        ("truncated-octahedron", Listed),
        ("rhombicuboctahedron", Listed),
        ("truncated-cuboctahedron", Listed),
        ("snub-cube", Listed),
        ("icosidodecahedron", Listed),
        ("truncated-dodecahedron", Listed),
        ("truncated-icosahedron", Listed),
        ("rhombicosidodecahedron", Listed),
        ("truncated-icosidodecahedron", Listed),
        ("snub-dodecahedron", Listed),
        ("triakis-tetrahedron", ReciprocalOf("truncated-tetrahedron")),
        ("rhombic-dodecahedron", ReciprocalOf("cuboctahedron")),
        ("triakis-octahedron", ReciprocalOf("truncated-cube")),
        ("tetrakis-hexahedron", ReciprocalOf("truncated-octahedron")),
        (
            "deltoidal-icositetrahedron",
            ReciprocalOf("rhombicuboctahedron"),
        ),
        (
            "disdyakis-dodecahedron",
            ReciprocalOf("truncated-cuboctahedron"),
        ),
        ("pentagonal-icositetrahedron", ReciprocalOf("snub-cube")),
        ("rhombic-triacontahedron", ReciprocalOf("icosidodecahedron")),
        (
            "triakis-icosahedron",
            ReciprocalOf("truncated-dodecahedron"),
        ),
        (
            "pentakis-dodecahedron",
            ReciprocalOf("truncated-icosahedron"),
        ),
        (
            "deltoidal-hexecontahedron",
            ReciprocalOf("rhombicosidodecahedron"),
        ),
        (
            "disdyakis-triacontahedron",
            ReciprocalOf("truncated-icosidodecahedron"),
        ),
        (
            "pentagonal-hexecontahedron",
            ReciprocalOf("snub-dodecahedron"),
        ),
    ]
};

/// Other names in print that can mean only one of the solids.
const SYNONYMS: [(&str, &str); 11] = [
    ("hexahedron", "cube"),
    ("small-rhombicuboctahedron", "rhombicuboctahedron"),
    ("rhombitruncated-cuboctahedron", "truncated-cuboctahedron"),
    ("snub-cuboctahedron", "snub-cube"),
    ("small-rhombicosidodecahedron", "rhombicosidodecahedron"),
    (
        "rhombitruncated-icosidodecahedron",
        "truncated-icosidodecahedron",
    ),
    ("snub-icosidodecahedron", "snub-dodecahedron"),
    ("trapezoidal-icositetrahedron", "deltoidal-icositetrahedron"),
    ("hexakis-octahedron", "disdyakis-dodecahedron"),
    ("trapezoidal-hexecontahedron", "deltoidal-hexecontahedron"),
    ("hexakis-icosahedron", "disdyakis-triacontahedron"),
];

/// Standard name and origin of the solid with this name or synonym.
pub(super) fn find(name: &str) -> Option<(&'static str, Origin)> {
    let standard = SYNONYMS
        .iter()
        .find(|(synonym, _)| *synonym == name)
        .map_or(name, |(_, standard)| standard);
    SOLIDS.into_iter().find(|(listed, _)| *listed == standard)
}

/// Which of the eight sign choices of a coordinate triple belong to the solid.
#[derive(Clone, Copy)]
enum Signs {
    Any,
    EvenPlus,
    OddPlus,
}

/// Corners of a listed solid, not scaled; `None` for any other name.
///
/// Every solid is a few triples, each taken in its three cyclic orders with the allowed signs.
/// Where a table says "all permutations", both a triple and its reverse are listed.
///
/// Of the two hands of the snub solids these are the ones with an even number of plus signs for
/// the even permutations.
#[rustfmt::skip]
pub(super) fn listed_corners(name: &str) -> Option<Vec<DVec3>> {
    use Signs::{Any, EvenPlus, OddPlus};
    let any = |triples: &[[f64; 3]]| spread(triples, Any);
    Some(match name {
        "tetrahedron" => spread(&[[1.0, 1.0, 1.0]], OddPlus),
        "cube" => any(&[[1.0, 1.0, 1.0]]),
        "octahedron" => any(&[[1.0, 0.0, 0.0]]),
        "dodecahedron" => any(&[[1.0, 1.0, 1.0], [0.0, INV_PHI, PHI]]),
        "icosahedron" => any(&[[0.0, 1.0, PHI]]),
        "truncated-tetrahedron" => spread(&[[3.0, 1.0, 1.0]], OddPlus),
        "cuboctahedron" => any(&[[1.0, 1.0, 0.0]]),
        "truncated-cube" => any(&[[SQRT_2 - 1.0, 1.0, 1.0]]),
        "truncated-octahedron" => any(&[[0.0, 1.0, 2.0], [2.0, 1.0, 0.0]]),
        "rhombicuboctahedron" => any(&[[1.0, 1.0, 1.0 + SQRT_2]]),
        "truncated-cuboctahedron" => any(&[
            [1.0, 1.0 + SQRT_2, 1.0 + 2.0 * SQRT_2],
            [1.0 + 2.0 * SQRT_2, 1.0 + SQRT_2, 1.0],
        ]),
        "snub-cube" => {
            let t = tribonacci();
            let mut corners = spread(&[[1.0, 1.0 / t, t]], EvenPlus);
            corners.extend(spread(&[[t, 1.0 / t, 1.0]], OddPlus));
            corners
        }
        "icosidodecahedron" => any(&[[0.0, 0.0, 2.0 * PHI], [1.0, PHI, PHI2]]),
        "truncated-dodecahedron" => any(&[
            [0.0, INV_PHI, 2.0 + PHI],
            [INV_PHI, PHI, 2.0 * PHI],
            [PHI, 2.0, PHI2],
        ]),
        "truncated-icosahedron" => any(&[
            [0.0, 1.0, 3.0 * PHI],
            [1.0, 2.0 + PHI, 2.0 * PHI],
            [PHI, 2.0, PHI3],
        ]),
        "rhombicosidodecahedron" => any(&[
            [1.0, 1.0, PHI3],
            [PHI2, PHI, 2.0 * PHI],
            [2.0 + PHI, 0.0, PHI2],
        ]),
        "truncated-icosidodecahedron" => any(&[
            [INV_PHI, INV_PHI, 3.0 + PHI],
            [2.0 * INV_PHI, PHI, PHI3],
            [INV_PHI, PHI2, 3.0 * PHI - 1.0],
            [2.0 * PHI - 1.0, 2.0, 2.0 + PHI],
            [PHI, 3.0, 2.0 * PHI],
        ]),
        "snub-dodecahedron" => {
            let xi = snub_root();
            let a = xi - 1.0 / xi;
            let b = xi * PHI + PHI2 + PHI / xi;
            spread(&[
                [2.0 * a, 2.0, 2.0 * b],
                [a + b / PHI + PHI, -a * PHI + b + INV_PHI, a / PHI + b * PHI - 1.0],
                [a + b / PHI - PHI, a * PHI - b + INV_PHI, a / PHI + b * PHI + 1.0],
                [-a / PHI + b * PHI + 1.0, -a + b / PHI - PHI, a * PHI + b - INV_PHI],
                [-a / PHI + b * PHI - 1.0, a - b / PHI - PHI, a * PHI + b + INV_PHI],
            ], EvenPlus)
        }
        _ => return None,
    })
}

/// Real root of t³ = t² + t + 1, the snub cube's constant.
fn tribonacci() -> f64 {
    let root = 3.0 * 33_f64.sqrt();
    (1.0 + (19.0 + root).cbrt() + (19.0 - root).cbrt()) / 3.0
}

/// Real root of ξ³ = 2 ξ + φ, the snub dodecahedron's constant.
fn snub_root() -> f64 {
    let root = (PHI - 5.0 / 27.0).sqrt();
    ((PHI + root) / 2.0).cbrt() + ((PHI - root) / 2.0).cbrt()
}

/// Cyclic orders and sign choices of coordinate triples, each point once.
fn spread(triples: &[[f64; 3]], signs: Signs) -> Vec<DVec3> {
    let mut points: Vec<DVec3> = Vec::new();
    for &[a, b, c] in triples {
        for minus in 0..8_u32 {
            let plus_count = 3 - minus.count_ones();
            let allowed = match signs {
                Signs::Any => true,
                Signs::EvenPlus => plus_count % 2 == 0,
                Signs::OddPlus => plus_count % 2 == 1,
            };
            if !allowed {
                continue;
            }
            let signed = |v: f64, bit: u32| if minus & bit == 0 { v } else { -v };
            let (a, b, c) = (signed(a, 1), signed(b, 2), signed(c, 4));
            for point in [
                DVec3::new(a, b, c),
                DVec3::new(b, c, a),
                DVec3::new(c, a, b),
            ] {
                // Repeats come from equal or zero coordinates and are equal to the last bit.
                if !points.contains(&point) {
                    points.push(point);
                }
            }
        }
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn snub_constants_solve_their_cubics() {
        let t = tribonacci();
        assert!((t * t * t - t * t - t - 1.0).abs() < 1e-14);
        let xi = snub_root();
        assert!((xi * xi * xi - 2.0 * xi - PHI).abs() < 1e-14);
        assert!((PHI * PHI - PHI2).abs() < 1e-15 && (PHI * INV_PHI - 1.0).abs() < 1e-15);
    }

    #[test]
    fn every_origin_leads_to_listed_corners_on_one_sphere() {
        for (name, origin) in SOLIDS {
            let listed = match origin {
                Origin::Listed => name,
                Origin::ReciprocalOf(other) => other,
            };
            let corners = listed_corners(listed).unwrap();
            let radius = corners[0].length();
            for corner in corners {
                assert!(
                    (corner.length() / radius - 1.0).abs() < 1e-15 * 4.0,
                    "{name}"
                );
            }
        }
    }

    #[test]
    fn synonyms_lead_to_standard_names_and_are_none_themselves() {
        for (synonym, standard) in SYNONYMS {
            assert_eq!(find(synonym).unwrap().0, standard);
            assert!(SOLIDS.iter().all(|(name, _)| *name != synonym));
        }
        assert_eq!(find("Cube"), None);
        assert_eq!(find(""), None);
    }
}
