//! The solids against published tables.
//!
//! Sources: face counts, dihedral angles, radii and areas are the usual published ones (H. S. M.
//! Coxeter, *Regular Polytopes*, table I; P. R. Cromwell, *Polyhedra*; M. J. Wenninger,
//! *Polyhedron Models* and *Dual Models*), degrees and decimals written from memory. Wherever a
//! closed form is known it stands beside the figure, and both must agree with the solid.

use super::{Solid, direction, solid_names};
use glam::{DVec2, DVec3};
use std::collections::BTreeMap;
use std::f64::consts::PI;

fn solid(name: &str) -> Solid {
    Solid::named(name).unwrap_or_else(|| panic!("no solid called {name}"))
}

fn sqrt(x: f64) -> f64 {
    x.sqrt()
}

/// arccos of −x, degrees.
fn acos_minus(x: f64) -> f64 {
    (-x).acos().to_degrees()
}

/// Number of faces with each number of sides.
fn face_counts(solid: &Solid) -> Vec<(usize, usize)> {
    let mut counts = BTreeMap::new();
    for face in &solid.faces {
        *counts.entry(face.corners.len()).or_insert(0) += 1;
    }
    counts.into_iter().collect()
}

/// Dihedral angles in degrees between faces with so many sides, each pair's list without repeats.
fn dihedrals(solid: &Solid) -> BTreeMap<(usize, usize), Vec<f64>> {
    let mut found: BTreeMap<_, Vec<f64>> = BTreeMap::new();
    for seam in &solid.seams {
        let [a, b] = seam.faces.map(|face| solid.faces[face].corners.len());
        let angles = found.entry((a.min(b), a.max(b))).or_default();
        let angle = seam.dihedral_rad.to_degrees();
        if angles.iter().all(|known| (known - angle).abs() > 1e-9) {
            angles.push(angle);
        }
    }
    found
}

fn shortest_edge(solid: &Solid) -> f64 {
    solid
        .seams
        .iter()
        .map(|seam| solid.corners[seam.corners[0]].distance(solid.corners[seam.corners[1]]))
        .fold(f64::INFINITY, f64::min)
}

/// Circumradius at edge 1, from the tribonacci constant. Source: Cromwell; from memory.
fn snub_cube_radius() -> f64 {
    let t = 1.839_286_755_214_161_f64;
    sqrt((3.0 - t) / (4.0 * (2.0 - t)))
}

/// Circumradius at edge 1, from the real root of x³ + 2 x² = φ². Source: Coxeter, Longuet-Higgins
/// and Miller, "Uniform polyhedra" (1954), in the form now usual; from memory.
fn snub_dodecahedron_radius() -> f64 {
    let x = 0.943_151_259_243_882_f64;
    let phi = (1.0 + sqrt(5.0)) / 2.0;
    assert!((x * x * x + 2.0 * x * x - phi * phi).abs() < 1e-14);
    0.5 * sqrt((2.0 - x) / (1.0 - x))
}

#[test]
fn names_are_the_31_standard_ones_and_every_one_holds_together() {
    let names = solid_names();
    assert_eq!(names.len(), 31);
    for name in names {
        let solid = solid(name);
        assert_eq!(solid.name, name);
        assert_eq!(solid.validate(), Ok(()), "{name}");
    }
    assert_eq!(solid("hexahedron").name, "cube");
    assert_eq!(Solid::named("great-dodecahedron"), None);
}

/// Source: Cromwell; Coxeter table I; Wenninger. From memory.
#[test]
fn corners_edges_and_faces_match_the_published_counts() {
    type Row = (&'static str, usize, usize, &'static [(usize, usize)]);
    #[rustfmt::skip]
    let table: [Row; 31] = [
        // name, corners, edges, (sides, how many faces)
        ("tetrahedron", 4, 6, &[(3, 4)]),
        ("cube", 8, 12, &[(4, 6)]),
        ("octahedron", 6, 12, &[(3, 8)]),
        ("dodecahedron", 20, 30, &[(5, 12)]),
        ("icosahedron", 12, 30, &[(3, 20)]),
        ("truncated-tetrahedron", 12, 18, &[(3, 4), (6, 4)]),
        ("cuboctahedron", 12, 24, &[(3, 8), (4, 6)]),
        ("truncated-cube", 24, 36, &[(3, 8), (8, 6)]),
        ("truncated-octahedron", 24, 36, &[(4, 6), (6, 8)]),
        ("rhombicuboctahedron", 24, 48, &[(3, 8), (4, 18)]),
        ("truncated-cuboctahedron", 48, 72, &[(4, 12), (6, 8), (8, 6)]),
        ("snub-cube", 24, 60, &[(3, 32), (4, 6)]),
        ("icosidodecahedron", 30, 60, &[(3, 20), (5, 12)]),
        ("truncated-dodecahedron", 60, 90, &[(3, 20), (10, 12)]),
        ("truncated-icosahedron", 60, 90, &[(5, 12), (6, 20)]),
        ("rhombicosidodecahedron", 60, 120, &[(3, 20), (4, 30), (5, 12)]),
        ("truncated-icosidodecahedron", 120, 180, &[(4, 30), (6, 20), (10, 12)]),
        ("snub-dodecahedron", 60, 150, &[(3, 80), (5, 12)]),
        ("triakis-tetrahedron", 8, 18, &[(3, 12)]),
        ("rhombic-dodecahedron", 14, 24, &[(4, 12)]),
        ("triakis-octahedron", 14, 36, &[(3, 24)]),
        ("tetrakis-hexahedron", 14, 36, &[(3, 24)]),
        ("deltoidal-icositetrahedron", 26, 48, &[(4, 24)]),
        ("disdyakis-dodecahedron", 26, 72, &[(3, 48)]),
        ("pentagonal-icositetrahedron", 38, 60, &[(5, 24)]),
        ("rhombic-triacontahedron", 32, 60, &[(4, 30)]),
        ("triakis-icosahedron", 32, 90, &[(3, 60)]),
        ("pentakis-dodecahedron", 32, 90, &[(3, 60)]),
        ("deltoidal-hexecontahedron", 62, 120, &[(4, 60)]),
        ("disdyakis-triacontahedron", 62, 180, &[(3, 120)]),
        ("pentagonal-hexecontahedron", 92, 150, &[(5, 60)]),
    ];
    assert_eq!(table.map(|row| row.0).to_vec(), solid_names());
    for (name, corners, edges, faces) in table {
        let solid = solid(name);
        assert_eq!(solid.corners.len(), corners, "{name}");
        assert_eq!(solid.seams.len(), edges, "{name}");
        assert_eq!(face_counts(&solid), faces, "{name}");
    }
}

/// Published degrees to four decimals. Source: Coxeter table I, Cromwell, Wenninger; from memory.
/// The closed forms are the ones usually printed with them. The two snub solids have no short
/// one: theirs follow from the published circumradius R by plane trigonometry on the regular
/// faces, and their duals' are 180° − 2 asin(1 / 2R).
#[test]
fn dihedral_angles_match_the_published_tables() {
    let phi = (1.0 + sqrt(5.0)) / 2.0;
    let tetra = acos_minus(-1.0 / 3.0);
    let octa = acos_minus(1.0 / 3.0);
    let cubocta = acos_minus(1.0 / sqrt(3.0));
    let rhombi = acos_minus(sqrt(6.0) / 3.0);
    let dodeca = acos_minus(1.0 / sqrt(5.0));
    let icosa = acos_minus(sqrt(5.0) / 3.0);
    let icosidodeca = acos_minus(sqrt((5.0 + 2.0 * sqrt(5.0)) / 15.0));
    let triangle_square = acos_minus((sqrt(3.0) + sqrt(15.0)) / 6.0);
    let square_pentagon = acos_minus(sqrt((5.0 + sqrt(5.0)) / 10.0));
    let dual_of_radius = |r: f64| 180.0 - 2.0 * (0.5 / r).asin().to_degrees();
    // Seam of two regular faces with edge 1 and their corners on a sphere of radius r.
    let tilt = |sides: f64, r: f64| {
        let (reach, arm) = (0.5 / (PI / sides).tan(), 0.5 / (PI / sides).sin());
        reach.atan2(sqrt(r * r - arm * arm)).to_degrees()
    };
    let regular = |m: f64, n: f64, r: f64| 180.0 - tilt(m, r) - tilt(n, r);
    let snub_cube = snub_cube_radius();
    let snub_dodeca = snub_dodecahedron_radius();

    type Row = (&'static str, (usize, usize), f64, f64);
    #[rustfmt::skip]
    let table: [Row; 49] = [
        // name, sides of the two faces, degrees in print, closed form
        ("tetrahedron", (3, 3), 70.5288, tetra),
        ("cube", (4, 4), 90.0, 90.0),
        ("octahedron", (3, 3), 109.4712, octa),
        ("dodecahedron", (5, 5), 116.5651, dodeca),
        ("icosahedron", (3, 3), 138.1897, icosa),
        ("truncated-tetrahedron", (6, 6), 70.5288, tetra),
        ("truncated-tetrahedron", (3, 6), 109.4712, octa),
        ("cuboctahedron", (3, 4), 125.2644, cubocta),
        ("truncated-cube", (8, 8), 90.0, 90.0),
        ("truncated-cube", (3, 8), 125.2644, cubocta),
        ("truncated-octahedron", (6, 6), 109.4712, octa),
        ("truncated-octahedron", (4, 6), 125.2644, cubocta),
        ("rhombicuboctahedron", (4, 4), 135.0, 135.0),
        ("rhombicuboctahedron", (3, 4), 144.7356, rhombi),
        ("truncated-cuboctahedron", (6, 8), 125.2644, cubocta),
        ("truncated-cuboctahedron", (4, 8), 135.0, 135.0),
        ("truncated-cuboctahedron", (4, 6), 144.7356, rhombi),
        ("snub-cube", (3, 3), 153.2346, regular(3.0, 3.0, snub_cube)),
        ("snub-cube", (3, 4), 142.9834, regular(3.0, 4.0, snub_cube)),
        ("icosidodecahedron", (3, 5), 142.6226, icosidodeca),
        ("truncated-dodecahedron", (10, 10), 116.5651, dodeca),
        ("truncated-dodecahedron", (3, 10), 142.6226, icosidodeca),
        ("truncated-icosahedron", (6, 6), 138.1897, icosa),
        ("truncated-icosahedron", (5, 6), 142.6226, icosidodeca),
        ("rhombicosidodecahedron", (4, 5), 148.2825, square_pentagon),
        ("rhombicosidodecahedron", (3, 4), 159.0948, triangle_square),
        ("truncated-icosidodecahedron", (6, 10), 142.6226, icosidodeca),
        ("truncated-icosidodecahedron", (4, 10), 148.2825, square_pentagon),
        ("truncated-icosidodecahedron", (4, 6), 159.0948, triangle_square),
        ("snub-dodecahedron", (3, 3), 164.1754, regular(3.0, 3.0, snub_dodeca)),
        ("snub-dodecahedron", (3, 5), 152.9299, regular(3.0, 5.0, snub_dodeca)),
        ("triakis-tetrahedron", (3, 3), 129.5212, acos_minus(7.0 / 11.0)),
        ("rhombic-dodecahedron", (4, 4), 120.0, 120.0),
        ("triakis-octahedron", (3, 3), 147.3501, acos_minus((3.0 + 8.0 * sqrt(2.0)) / 17.0)),
        ("tetrakis-hexahedron", (3, 3), 143.1301, acos_minus(4.0 / 5.0)),
        ("deltoidal-icositetrahedron", (4, 4), 138.1180,
            acos_minus((7.0 + 4.0 * sqrt(2.0)) / 17.0)),
        ("disdyakis-dodecahedron", (3, 3), 155.0822,
            acos_minus((71.0 + 12.0 * sqrt(2.0)) / 97.0)),
        ("pentagonal-icositetrahedron", (5, 5), 136.3092, dual_of_radius(snub_cube)),
        ("rhombic-triacontahedron", (4, 4), 144.0, 144.0),
        ("triakis-icosahedron", (3, 3), 160.6126, acos_minus((24.0 + 15.0 * sqrt(5.0)) / 61.0)),
        ("pentakis-dodecahedron", (3, 3), 156.7186, acos_minus((80.0 + 9.0 * sqrt(5.0)) / 109.0)),
        ("deltoidal-hexecontahedron", (4, 4), 154.1214,
            acos_minus((19.0 + 8.0 * sqrt(5.0)) / 41.0)),
        ("disdyakis-triacontahedron", (3, 3), 164.8879,
            acos_minus((179.0 + 24.0 * sqrt(5.0)) / 241.0)),
        ("pentagonal-hexecontahedron", (5, 5), 153.1787, dual_of_radius(snub_dodeca)),
        ("octahedron", (3, 3), 109.4712, 180.0 - tetra),
        ("icosahedron", (3, 3), 138.1897, 180.0 - 2.0_f64.atan2(3.0 + sqrt(5.0)).to_degrees() * 2.0),
        ("dodecahedron", (5, 5), 116.5651, 2.0 * phi.atan().to_degrees()),
        ("rhombic-dodecahedron", (4, 4), 120.0, acos_minus(0.5)),
        ("rhombic-triacontahedron", (4, 4), 144.0, acos_minus(phi / 2.0)),
    ];
    for (name, sides, printed, exact) in table {
        let found = &dihedrals(&solid(name))[&sides];
        assert_eq!(found.len(), 1, "{name} {sides:?}: {found:?}");
        assert!(
            (found[0] - printed).abs() < 0.5001e-4,
            "{name} {sides:?}: {} for {printed}",
            found[0]
        );
        assert!(
            (found[0] - exact).abs() < 1e-11,
            "{name} {sides:?}: {} for {exact}",
            found[0]
        );
    }
    for name in solid_names() {
        for sides in dihedrals(&solid(name)).into_keys() {
            let listed = table.iter().any(|row| row.0 == name && row.1 == sides);
            assert!(listed, "{name} {sides:?} is not in the table");
        }
    }
}

/// Distances with the shortest edge 1, to the six decimals in print. Source: closed forms that
/// agree with the usual published tables (Coxeter table I, Cromwell, Wenninger).
#[test]
#[expect(
    clippy::approx_constant,
    reason = "the figures are compared as printed"
)]
fn radii_match_the_published_tables() {
    type Row = (&'static str, &'static [f64], &'static [(usize, f64)]);
    #[rustfmt::skip]
    let table: [Row; 20] = [
        // name, nearest and farthest corner, (sides, distance of those faces)
        ("tetrahedron", &[0.612372], &[(3, 0.204124)]),
        ("cube", &[0.866025], &[(4, 0.5)]),
        ("octahedron", &[0.707107], &[(3, 0.408248)]),
        ("dodecahedron", &[1.401259], &[(5, 1.113516)]),
        ("icosahedron", &[0.951057], &[(3, 0.755761)]),
        ("truncated-tetrahedron", &[1.172604], &[(6, 0.612372), (3, 1.020621)]),
        ("cuboctahedron", &[1.0], &[(4, 0.707107), (3, 0.816497)]),
        ("truncated-cube", &[1.778824], &[(8, 1.207107), (3, 1.682522)]),
        ("truncated-octahedron", &[1.581139], &[(4, 1.414214), (6, 1.224745)]),
        ("rhombicuboctahedron", &[1.398966], &[(4, 1.207107), (3, 1.274274)]),
        ("icosidodecahedron", &[1.618034], &[(3, 1.511523), (5, 1.376382)]),
        ("truncated-icosahedron", &[2.478019], &[(6, 2.267284), (5, 2.327438)]),
        ("truncated-dodecahedron", &[2.969449], &[(10, 2.489898), (3, 2.912781)]),
        ("rhombicosidodecahedron", &[2.232951], &[(4, 2.118034), (3, 2.157020), (5, 2.064573)]),
        ("rhombic-dodecahedron", &[1.0, 1.154701], &[(4, 0.816497)]),
        ("rhombic-triacontahedron", &[1.473370, 1.618034], &[(4, 1.376382)]),
        ("tetrakis-hexahedron", &[1.0, 1.154701], &[(3, 0.894427)]),
        ("deltoidal-icositetrahedron", &[1.600206, 1.689246], &[(4, 1.457577)]),
        ("pentakis-dodecahedron", &[1.538842, 1.579670], &[(3, 1.445332)]),
        ("deltoidal-hexecontahedron", &[2.727547, 2.849680], &[(4, 2.634798)]),
    ];
    for (name, corners, faces) in table {
        let solid = solid(name);
        let edge = shortest_edge(&solid);
        let lengths = || solid.corners.iter().map(|c| c.length() / edge);
        let nearest = lengths().fold(f64::INFINITY, f64::min);
        let farthest = lengths().fold(0.0, f64::max);
        assert!((nearest - corners[0]).abs() < 0.6e-6, "{name}: {nearest}");
        assert!(
            (farthest - corners[corners.len() - 1]).abs() < 0.6e-6,
            "{name}: {farthest}"
        );
        for face in &solid.faces {
            let (_, printed) = faces.iter().find(|f| f.0 == face.corners.len()).unwrap();
            let found = face.distance / edge;
            assert!(
                (found - printed).abs() < 0.6e-6,
                "{name}: {found} for {printed}"
            );
        }
    }
}

/// Circumradii at edge 1 in closed form. Source: Coxeter table I and Cromwell, from memory.
#[test]
fn circumradii_match_their_closed_forms_to_rounding() {
    let phi = (1.0 + sqrt(5.0)) / 2.0;
    #[rustfmt::skip]
    let table = [
        ("tetrahedron", sqrt(6.0) / 4.0),
        ("cube", sqrt(3.0) / 2.0),
        ("octahedron", sqrt(2.0) / 2.0),
        ("dodecahedron", sqrt(3.0) * phi / 2.0),
        ("icosahedron", (72.0_f64).to_radians().sin()),
        ("truncated-tetrahedron", sqrt(22.0) / 4.0),
        ("cuboctahedron", 1.0),
        ("truncated-cube", sqrt(7.0 + 4.0 * sqrt(2.0)) / 2.0),
        ("truncated-octahedron", sqrt(10.0) / 2.0),
        ("rhombicuboctahedron", sqrt(5.0 + 2.0 * sqrt(2.0)) / 2.0),
        ("truncated-cuboctahedron", sqrt(13.0 + 6.0 * sqrt(2.0)) / 2.0),
        ("snub-cube", snub_cube_radius()),
        ("icosidodecahedron", phi),
        ("truncated-dodecahedron", sqrt(74.0 + 30.0 * sqrt(5.0)) / 4.0),
        ("truncated-icosahedron", sqrt(58.0 + 18.0 * sqrt(5.0)) / 4.0),
        ("rhombicosidodecahedron", sqrt(11.0 + 4.0 * sqrt(5.0)) / 2.0),
        ("truncated-icosidodecahedron", sqrt(31.0 + 12.0 * sqrt(5.0)) / 2.0),
        ("snub-dodecahedron", snub_dodecahedron_radius()),
    ];
    for (name, exact) in table {
        let solid = solid(name);
        for seam in &solid.seams {
            let edge = solid.corners[seam.corners[0]].distance(solid.corners[seam.corners[1]]);
            assert!(
                (1.0 / edge - exact).abs() < 2e-14 * exact,
                "{name}: {}",
                1.0 / edge
            );
        }
    }
}

/// Source: closed forms; 4π shared out among equal faces, the rest as usually published.
#[test]
#[expect(
    clippy::approx_constant,
    reason = "the figures are compared as printed"
)]
fn faces_cover_their_published_share_of_the_sphere() {
    #[rustfmt::skip]
    let table = [
        ("tetrahedron", 3, PI),
        ("cube", 4, 2.0943951),
        ("octahedron", 3, 1.5707963),
        ("dodecahedron", 5, 1.0471976),
        ("icosahedron", 3, 0.6283185),
        ("rhombic-triacontahedron", 4, 0.4188790),
        ("truncated-icosahedron", 6, 0.4512752),
        ("truncated-icosahedron", 5, 0.2950723),
        ("cuboctahedron", 4, 1.3593476),
        ("cuboctahedron", 3, 0.5512856),
    ];
    for (name, sides, printed) in table {
        let solid = solid(name);
        for face in (0..solid.faces.len()).filter(|&f| solid.faces[f].corners.len() == sides) {
            let found = solid.solid_angle(face);
            assert!(
                (found - printed).abs() < 0.6e-7,
                "{name}: {found} for {printed}"
            );
        }
    }
    for name in solid_names() {
        let solid = solid(name);
        let Some(only) = (solid.kinds.len() == 1).then_some(&solid.kinds[0]) else {
            continue;
        };
        let share = 4.0 * PI / only.faces.len() as f64;
        assert!((solid.solid_angle(0) - share).abs() < 1e-13, "{name}");
    }
}

/// Source: Coxeter table I (2φ is the arc of an edge), to four decimals of a degree.
#[test]
fn arcs_seen_from_the_centre_match_the_published_tables() {
    #[rustfmt::skip]
    let table = [
        // name, arc of an edge, face centre to corner, face centre to middle of edge
        ("tetrahedron", 109.4712, 70.5288, 54.7356),
        ("cube", 70.5288, 54.7356, 45.0),
        ("octahedron", 90.0, 54.7356, 35.2644),
        ("dodecahedron", 41.8103, 37.3774, 31.7175),
        ("icosahedron", 63.4349, 37.3774, 20.9052),
    ];
    for (name, edge, to_corner, to_edge) in table {
        let solid = solid(name);
        let agree = |found: f64, printed: f64| {
            let found = found.to_degrees();
            assert!(
                (found - printed).abs() < 0.6e-4,
                "{name}: {found} for {printed}"
            );
        };
        for seam in &solid.seams {
            let [a, b] = seam.corners.map(|corner| solid.corners[corner]);
            agree(a.angle_between(b), edge);
        }
        for face in &solid.faces {
            for &corner in &face.corners {
                agree(face.frame.z.angle_between(solid.corners[corner]), to_corner);
            }
            for side in &face.edges {
                // The middle of an edge is where the foot of the perpendicular falls.
                agree(side.tilt_rad, to_edge);
            }
        }
    }
}

/// The gnomonic scale at the corner of an icosahedron's face and the like: radial 1 / cos² c,
/// tangential 1 / cos c. Source: Snyder, USGS Professional Paper 1395, gnomonic; from memory.
#[test]
fn projection_scale_at_the_corners_follows_from_distance_and_radius() {
    for (name, ratio, radial, tangential) in [
        ("icosahedron", 0.794654, 1.583592, 1.258409),
        ("dodecahedron", 0.794654, 1.583592, 1.258409),
        ("cube", 0.577350, 3.0, 1.732051),
        ("octahedron", 0.577350, 3.0, 1.732051),
        ("tetrahedron", 0.333333, 9.0, 3.0),
    ] {
        let d = solid(name).faces[0].distance;
        assert!((d - ratio).abs() < 0.6e-6, "{name}: {d}");
        assert!((1.0 / (d * d) - radial).abs() < 0.6e-6, "{name}");
        assert!((1.0 / d - tangential).abs() < 0.6e-6, "{name}");
    }
}

/// Sides and count of each kind, largest faces first. Source: face counts by polygon of the usual
/// tables, as in Cromwell, from memory; the mirror pairs follow from the rotation groups.
#[test]
fn kinds_are_the_faces_one_blank_fits_largest_first() {
    #[rustfmt::skip]
    let table: [(&str, &[(usize, usize)]); 31] = [
        ("tetrahedron", &[(3, 4)]),
        ("cube", &[(4, 6)]),
        ("octahedron", &[(3, 8)]),
        ("dodecahedron", &[(5, 12)]),
        ("icosahedron", &[(3, 20)]),
        ("truncated-tetrahedron", &[(6, 4), (3, 4)]),
        ("cuboctahedron", &[(4, 6), (3, 8)]),
        ("truncated-cube", &[(8, 6), (3, 8)]),
        ("truncated-octahedron", &[(6, 8), (4, 6)]),
        // Squares beside triangles and squares among squares have the same outline and tilts.
        ("rhombicuboctahedron", &[(4, 18), (3, 8)]),
        ("truncated-cuboctahedron", &[(8, 6), (6, 8), (4, 12)]),
        ("snub-cube", &[(4, 6), (3, 32)]),
        ("icosidodecahedron", &[(5, 12), (3, 20)]),
        ("truncated-dodecahedron", &[(10, 12), (3, 20)]),
        ("truncated-icosahedron", &[(6, 20), (5, 12)]),
        ("rhombicosidodecahedron", &[(5, 12), (4, 30), (3, 20)]),
        ("truncated-icosidodecahedron", &[(10, 12), (6, 20), (4, 30)]),
        ("snub-dodecahedron", &[(5, 12), (3, 80)]),
        ("triakis-tetrahedron", &[(3, 12)]),
        ("rhombic-dodecahedron", &[(4, 12)]),
        ("triakis-octahedron", &[(3, 24)]),
        ("tetrakis-hexahedron", &[(3, 24)]),
        ("deltoidal-icositetrahedron", &[(4, 24)]),
        // Left- and right-handed scalene triangles.
        ("disdyakis-dodecahedron", &[(3, 24), (3, 24)]),
        ("pentagonal-icositetrahedron", &[(5, 24)]),
        ("rhombic-triacontahedron", &[(4, 30)]),
        ("triakis-icosahedron", &[(3, 60)]),
        ("pentakis-dodecahedron", &[(3, 60)]),
        ("deltoidal-hexecontahedron", &[(4, 60)]),
        ("disdyakis-triacontahedron", &[(3, 60), (3, 60)]),
        ("pentagonal-hexecontahedron", &[(5, 60)]),
    ];
    for (name, expected) in table {
        let solid = solid(name);
        let kinds: Vec<_> = solid
            .kinds
            .iter()
            .map(|k| (k.sides, k.faces.len()))
            .collect();
        assert_eq!(kinds, expected, "{name}");
        assert_eq!(solid.faces[0].kind, 0, "{name}");
        assert!(solid.kinds.iter().all(|k| k.faces.is_sorted()), "{name}");
    }
}

#[test]
fn the_two_kinds_of_a_disdyakis_solid_are_mirror_images() {
    for name in ["disdyakis-dodecahedron", "disdyakis-triacontahedron"] {
        let solid = solid(name);
        let [left, right] = [0, 1].map(|kind| solid.face_polygon(solid.kinds[kind].faces[0]));
        // Mirrored at the line to the index corner, the triangle runs the other way round.
        for (a, b) in [(0, 0), (1, 2), (2, 1)] {
            let mirrored = DVec2::new(-right[b].x, right[b].y);
            assert!(left[a].distance(mirrored) < 1e-14, "{name}");
        }
        assert!(left[1].distance(right[1]) > 0.01, "{name}");
    }
}

#[test]
fn facet_one_stands_at_the_pole_and_numbers_run_south_and_east() {
    for name in solid_names() {
        let solid = solid(name);
        let first = &solid.faces[0];
        assert_eq!(first.frame.z, direction(90.0, 0.0).round(), "{name}");
        let index_corner = solid.corners[first.corners[0]];
        assert!(
            index_corner.x < 0.0 && index_corner.y.abs() < 1e-14,
            "{name}"
        );
        for pair in solid.faces.windows(2) {
            let [a, b] = [pair[0].frame.z, pair[1].frame.z];
            let (lon_a, lon_b) = (super::lat_lon_deg(a).1, super::lat_lon_deg(b).1);
            let east = lon_b > lon_a || lon_a > 360.0 - 1e-7;
            assert!(
                b.z < a.z - 1e-9 || (b.z < a.z + 1e-9 && east),
                "{name}: {a} before {b}"
            );
        }
        let order: Vec<[usize; 2]> = solid.seams.iter().map(|seam| seam.faces).collect();
        assert!(order.is_sorted(), "{name}");
    }
}

#[test]
fn index_corners_are_farthest_from_the_face_centre() {
    for name in solid_names() {
        let solid = solid(name);
        for face in 0..solid.faces.len() {
            let polygon = solid.face_polygon(face);
            let farthest = polygon.iter().map(|c| c.length()).fold(0.0, f64::max);
            assert!(
                (polygon[0].y - farthest).abs() < 1e-12,
                "{name} face {}",
                face + 1
            );
            assert!(polygon[0].x.abs() < 1e-14, "{name} face {}", face + 1);
        }
    }
}

/// Everything about a facet but its place on the globe comes from its shape, so it must not
/// matter how the body is turned.
#[test]
fn turning_moves_corners_and_leaves_the_rest_alone() {
    let turn = super::turn_to(&solid("cube"), 3, 12.0, 34.0, 56.0);
    for name in solid_names() {
        let still = solid(name);
        let turned = still.turned(&turn);
        assert_eq!(turned.validate(), Ok(()), "{name}");
        assert_eq!((&turned.kinds, &turned.seams), (&still.kinds, &still.seams));
        for face in 0..still.faces.len() {
            let (a, b) = (still.face_polygon(face), turned.face_polygon(face));
            assert!(
                a.iter().zip(&b).all(|(a, b)| a.distance(*b) < 1e-14),
                "{name}"
            );
            assert!((still.solid_angle(face) - turned.solid_angle(face)).abs() < 1e-13);
            assert_eq!(turned.faces[face].edges, still.faces[face].edges);
        }
        let back = turned.turned(&turn.transpose());
        let worst = |(a, b): (&DVec3, &DVec3)| a.distance(*b) < 1e-14;
        assert!(back.corners.iter().zip(&still.corners).all(worst), "{name}");
    }
}

#[test]
fn the_same_name_gives_the_same_solid_to_the_last_bit() {
    for name in solid_names() {
        // Debug output shows every digit of every figure, and tells 0 from -0.
        assert_eq!(format!("{:?}", solid(name)), format!("{:?}", solid(name)));
    }
}

#[test]
fn a_broken_solid_is_told_apart() {
    type Breakage = (fn(&mut Solid), &'static str);
    let breakages: [Breakage; 6] = [
        (|s| s.corners[0] *= 0.9, "corner 0 is at height"),
        (
            |s| s.corners.iter_mut().for_each(|c| *c *= 0.9),
            "farthest corner at",
        ),
        (
            |s| s.faces[2].frame.x = -s.faces[2].frame.x,
            "frame of face 3 is not right-handed",
        ),
        (
            |s| s.faces[1].edges[0].tilt_rad += 1e-9,
            "edge 0 of face 2 has a wrong reach or tilt",
        ),
        (
            |s| s.seams[4].dihedral_rad += 1e-9,
            "tilts and dihedral at seam 5 add up to",
        ),
        (
            |s| s.seams.truncate(11),
            "8 corners, 11 seams and 6 faces do not close a ball",
        ),
    ];
    for (damage, complaint) in breakages {
        let mut cube = solid("cube");
        damage(&mut cube);
        let found = cube.validate().unwrap_err();
        assert!(found.contains(complaint), "{found}");
    }
}

/// Planes through the centre that no face crosses: there the solid comes apart in two halves.
fn halves(name: &str) -> usize {
    let solid = solid(name);
    let mut planes: Vec<DVec3> = Vec::new();
    for seam in &solid.seams {
        let [a, b] = seam.corners.map(|corner| solid.corners[corner]);
        let normal = a.cross(b).normalize();
        let crossed = solid.faces.iter().any(|face| {
            let heights = face.corners.iter().map(|&c| normal.dot(solid.corners[c]));
            let (low, high) =
                heights.fold((0.0, 0.0), |(l, h): (f64, f64), z| (l.min(z), h.max(z)));
            low < -1e-9 && high > 1e-9
        });
        if !crossed
            && planes
                .iter()
                .all(|known| known.cross(normal).length() > 1e-6)
        {
            planes.push(normal);
        }
    }
    planes.len()
}

/// By symmetry: the long edges of the kites lie in the three planes of the cube's axes, the edges
/// of the tetrakis hexahedron in the cube's six diagonal planes; the others have no such plane.
#[test]
fn the_default_solid_comes_apart_in_halves_and_its_rivals_do_not() {
    let default = crate::model::settings::Settings::default().globe.solid;
    assert_eq!(halves(&default), 3);
    assert_eq!(halves("tetrakis-hexahedron"), 6);
    for rival in [
        "dodecahedron",
        "icosahedron",
        "pentagonal-icositetrahedron",
        "rhombic-triacontahedron",
    ] {
        assert_eq!(halves(rival), 0, "{rival}");
    }
}
