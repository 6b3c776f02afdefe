//! What must hold at the bench for every solid, published numbers, and messages word for word.

#![expect(
    clippy::approx_constant,
    clippy::type_complexity,
    reason = "tables of published numbers and of cases, as printed and in place"
)]

use super::glue;
use super::jig::{Jig, jig};
use super::joints::{self, Bench, Joint};
use super::plan::PlanInput;
use super::planning::plan;
use super::polygon::{distance_to_line, holds};
use super::saw::{SeamRow, seam_sheet, set_ups};
use super::sled::{order_of_sides, sleds};
use crate::Result;
use crate::carve::fit::{self, Fit, fit_anywhere};
use crate::carve::seams::SeamGround;
use crate::model::curve::Curve;
use crate::model::geometry::{Solid, solid_names};
use crate::model::length::Units;
use crate::model::settings::{Board, Grain, JointKind, Settings};
use approx::assert_abs_diff_eq;
use glam::{DVec2, DVec3};

/// A straight curve of range 1 mm, half above and half below the level.
fn unit() -> Curve {
    Curve {
        name: "linear".into(),
        knots_m: vec![-0.5, 0.5],
        knots_mm: vec![-0.5, 0.5],
    }
}

/// A globe in the thinnest stock that does.
fn globe(name: &str, diameter_mm: f64) -> (Solid, Settings, Fit) {
    // Enough at the corners for tabs below the lowest cut.
    let edge_mm = if diameter_mm > 600.0 { 40.0 } else { 22.0 };
    globe_with(name, diameter_mm, |settings| {
        settings.stock.edge_mm = edge_mm;
    })
}

/// A globe in the thinnest stock that does, with some settings changed.
pub(super) fn globe_with(
    name: &str,
    diameter_mm: f64,
    change: impl Fn(&mut Settings),
) -> (Solid, Settings, Fit) {
    let solid = Solid::named(name).unwrap();
    let mut settings = Settings::default();
    settings.globe.solid = name.into();
    settings.globe.diameter_mm = diameter_mm;
    settings.relief.range = crate::model::settings::ReliefRange::Mm(4.0);
    change(&mut settings);
    let limits = fit::limits(&solid, &unit(), 4.0, &settings);
    settings.stock.thickness_mm = limits.least_stock_mm.unwrap();
    let fit = fit_anywhere(&solid, &unit(), &settings).unwrap();
    (solid, settings, fit)
}

/// Joints as the plan has them: order of gluing and all.
fn planned_joints(
    solid: &Solid,
    fit: &Fit,
    jigs: &[Jig],
    sheet: &[Vec<SeamRow>],
    settings: &Settings,
) -> Result<Vec<Joint>> {
    let bench = Bench {
        solid,
        fit,
        jigs,
        sheet,
        settings,
    };
    let pegs = joints::pegs(&bench)?;
    joints::joints(&bench, &pegs, &glue::order(solid, &pegs))
}

/// What a plan is made from where ground may lie anywhere.
pub(super) fn anywhere<'a>(
    solid: &'a Solid,
    fit: &'a Fit,
    settings: &'a Settings,
) -> PlanInput<'a> {
    PlanInput {
        solid,
        fit,
        ground: None,
        corners_mm: None,
        body: None,
        settings,
    }
}

/// The plan of a globe in the thinnest stock that does.
pub(super) fn planned(name: &str, diameter_mm: f64) -> super::plan::Plan {
    let (solid, settings, fit) = globe(name, diameter_mm);
    let bench = anywhere(&solid, &fit, &settings);
    plan(&bench).unwrap()
}

fn bench_error(name: &str, change: impl Fn(&mut Settings)) -> String {
    let (solid, mut settings, _) = globe(name, 200.0);
    change(&mut settings);
    let fit = fit_anywhere(&solid, &unit(), &settings).unwrap();
    let bench = anywhere(&solid, &fit, &settings);
    plan(&bench).map_or_else(|error| error.to_string(), |_| "no error".to_owned())
}

#[test]
fn pocket_back_and_blank_are_nested_for_every_solid() {
    for name in solid_names() {
        let (solid, mut settings, fit) = globe(name, 900.0);
        settings.jig.bit_mm = 3.0;
        for kind in 0..solid.kinds.len() {
            let jig = jig(&solid, &fit, kind, &settings).unwrap_or_else(|e| panic!("{name}: {e}"));
            let flat = |rounded: &super::polygon::Rounded| rounded.flattened(1e-4);
            let seat = jig.seat.as_ref().unwrap();
            let (pocket, boss) = (flat(&seat.pocket), flat(&seat.boss));
            let inset = settings.jig.inset_mm();
            assert!(
                room_between(&pocket, &jig.back_mm) > inset - 1e-6,
                "{name} {kind}"
            );
            assert!(
                room_between(&jig.back_mm, &jig.blank_mm) > settings.stock.trim_mm,
                "{name}"
            );
            let clearance = room_between(&boss, &pocket);
            assert_abs_diff_eq!(clearance, settings.jig.clearance_mm, epsilon = 2e-3);
            assert!(
                room_between(&flat(&seat.pocket_rough), &pocket) > 0.0,
                "{name}"
            );
            assert!(room_between(&boss, &flat(&seat.boss_rough)) > 0.0, "{name}");
            assert!(seat.pocket.radius_mm >= settings.jig.bit_mm / 2.0);
            assert!(seat.boss.radius_mm >= settings.jig.bit_mm / 2.0);
            assert_eq!(
                ways_to_sit(&jig),
                1,
                "{name} {kind}: the key lets it sit wrongly"
            );
            // Tabs: outside the facet, and one of them unlike the others.
            for tab in &jig.tabs {
                let piece = &fit.kinds[kind];
                let side = &piece.sides[tab.side];
                let thick = settings.tab_thickness_mm();
                assert!(thick < fit.black_mm, "{name}: the cutter meets the tab");
                for corner in &tab.notch_mm {
                    assert!(holds(&jig.blank_mm, *corner, 1e-6), "{name}");
                    // The facet and its trim at the notch's top, where they reach farthest.
                    let facet = (piece.back_plane_mm + thick) * side.slant;
                    let out = side.outward.dot(*corner);
                    assert!(out > facet + settings.stock.trim_mm - 1e-6, "{name}");
                }
                // What a clamp can hold begins where the cutter cannot come.
                let edge = jig.blank_mm.iter().map(|p| side.outward.dot(*p));
                let edge = edge.fold(f64::NEG_INFINITY, f64::max);
                let end = tab.tab_mm.iter().map(|p| side.outward.dot(*p));
                let end = end.fold(f64::NEG_INFINITY, f64::max);
                let clear = end - settings.jig.tab_width_mm() - edge;
                assert!(clear > settings.widest_bit_mm() / 2.0, "{name}: {clear}");
            }
            let loose = jig.tabs.iter().filter(|tab| !tab.glued).count();
            assert_eq!((jig.tabs.len(), loose), (2, 1));
        }
    }
}

#[test]
fn without_its_key_a_regular_blank_sits_in_as_many_ways_as_it_has_sides() {
    let (solid, mut settings, fit) = globe("dodecahedron", 200.0);
    settings.jig.key = false;
    let jig = jig(&solid, &fit, 0, &settings).unwrap();
    assert_eq!(
        (
            jig.seat.as_ref().unwrap().keyed,
            jig.ways,
            ways_to_sit(&jig)
        ),
        (false, 5, 5)
    );
}

/// Source: dihedral angles and inradii of the usual published tables for edge length 1. The
/// tilt of an n-sided face is atan(apothem / inradius), apothem = 1 / (2 tan(π/n)).
#[test]
fn tilts_follow_from_published_inradii_and_dihedrals() {
    let table: [(&str, &[(usize, f64)], &[f64]); 12] = [
        ("tetrahedron", &[(3, 0.204124)], &[70.5288]),
        ("cube", &[(4, 0.5)], &[90.0]),
        ("octahedron", &[(3, 0.408248)], &[109.4712]),
        ("dodecahedron", &[(5, 1.113516)], &[116.5651]),
        ("icosahedron", &[(3, 0.755761)], &[138.1897]),
        (
            "truncated-tetrahedron",
            &[(6, 0.612372), (3, 1.020621)],
            &[70.5288, 109.4712],
        ),
        (
            "cuboctahedron",
            &[(4, 0.707107), (3, 0.816497)],
            &[125.2644],
        ),
        (
            "truncated-cube",
            &[(8, 1.207107), (3, 1.682522)],
            &[90.0, 125.2644],
        ),
        (
            "truncated-octahedron",
            &[(4, 1.414214), (6, 1.224745)],
            &[109.4712, 125.2644],
        ),
        (
            "rhombicuboctahedron",
            &[(4, 1.207107), (3, 1.274274)],
            &[135.0, 144.7356],
        ),
        (
            "icosidodecahedron",
            &[(3, 1.511523), (5, 1.376382)],
            &[142.6226],
        ),
        (
            "truncated-icosahedron",
            &[(6, 2.267284), (5, 2.327438)],
            &[138.1897, 142.6226],
        ),
    ];
    for (name, faces, dihedrals) in table {
        let (solid, settings, fit) = globe(name, 600.0);
        let sheet = seam_sheet(&solid, &fit, None, &settings);
        for kind in 0..solid.kinds.len() {
            let sides = solid.kinds[kind].sides;
            let inradius = faces.iter().find(|(n, _)| *n == sides).unwrap().1;
            let apothem = 0.5 / (std::f64::consts::PI / sides as f64).tan();
            for side in set_ups(&solid, &fit, &sheet, kind, &settings) {
                let tilt = (apothem / inradius).atan().to_degrees();
                assert_abs_diff_eq!(side.tilt_deg, tilt, epsilon = 1e-4);
                assert_abs_diff_eq!(side.table_deg + side.tilt_deg, 90.0, epsilon = 1e-9);
                // The cut line moves by the tangent of the tilt over the stock's thickness.
                let run = side.at_top_mm - side.at_jig_mm;
                let wanted = settings.stock.thickness_mm * apothem / inradius;
                assert_abs_diff_eq!(run, wanted, epsilon = 1e-3);
            }
        }
        for seam in &solid.seams {
            let tilt = |i: usize| sheet[seam.faces[i]][seam.edges[i]].tilt_deg;
            let dihedral = 180.0 - tilt(0) - tilt(1);
            assert!(
                dihedrals.iter().any(|d| (d - dihedral).abs() < 1e-4),
                "{name} {dihedral}"
            );
        }
    }
}

/// Source: dihedral angles of the usual published tables; all seams of these solids are alike, so
/// each tilt is half of what the dihedral leaves of 180°.
#[test]
fn catalan_tilts_are_half_of_what_the_published_dihedral_leaves() {
    for (name, dihedral) in [
        ("rhombic-dodecahedron", 120.0),
        ("rhombic-triacontahedron", 144.0),
        ("tetrakis-hexahedron", 143.1301),
        ("deltoidal-icositetrahedron", 138.1180),
        ("pentakis-dodecahedron", 156.7186),
        ("deltoidal-hexecontahedron", 154.1214),
    ] {
        let (solid, settings, fit) = globe(name, 900.0);
        let sheet = seam_sheet(&solid, &fit, None, &settings);
        for row in sheet.iter().flatten() {
            assert_abs_diff_eq!(row.tilt_deg, 90.0 - dihedral / 2.0, epsilon = 1e-4);
        }
    }
}

/// The two tilts of every seam and the angle between its faces, from their normals in space, make
/// 180° on all solids. Those angles are compared with the published tables where solids are made.
#[test]
fn both_tilts_of_a_seam_and_its_dihedral_make_a_straight_angle() {
    for name in solid_names() {
        let (solid, settings, fit) = globe(name, 900.0);
        let sheet = seam_sheet(&solid, &fit, None, &settings);
        for seam in &solid.seams {
            let [a, b] = seam.faces.map(|face| solid.faces[face].frame.z);
            let dihedral = 180.0 - a.angle_between(b).to_degrees();
            let tilt = |i: usize| sheet[seam.faces[i]][seam.edges[i]].tilt_deg;
            assert_abs_diff_eq!(tilt(0) + tilt(1), 180.0 - dihedral, epsilon = 1e-9);
        }
    }
}

/// Ground with one peak a quarter of the way along every seam.
fn peaked(solid: &Solid) -> Vec<SeamGround> {
    let seams = solid.seams.iter();
    seams
        .map(|seam| {
            let [a, b] = seam.corners.map(|i| solid.corners[i].normalize());
            let parts: Vec<f64> = (0..=400).map(|i| f64::from(i) / 400.0).collect();
            SeamGround {
                directions: parts.iter().map(|t| a.lerp(b, *t).normalize()).collect(),
                relief_mm: parts
                    .iter()
                    .map(|t| 1.5 - (16.0 * (t - 0.25).abs()).min(3.0))
                    .collect(),
            }
        })
        .collect()
}

#[test]
fn the_two_facets_of_a_seam_see_the_same_ground_from_opposite_ends() {
    for name in [
        "dodecahedron",
        "truncated-icosahedron",
        "deltoidal-icositetrahedron",
    ] {
        let (solid, settings, fit) = globe(name, 300.0);
        let ground = peaked(&solid);
        let sheet = seam_sheet(&solid, &fit, Some(&ground), &settings);
        for seam in &solid.seams {
            let row = |i: usize| &sheet[seam.faces[i]][seam.edges[i]];
            let (first, second) = (row(0), row(1));
            assert_abs_diff_eq!(first.highest.height_mm, 1.5, epsilon = 1e-9);
            assert_abs_diff_eq!(first.lowest.height_mm, -1.5, epsilon = 1e-9);
            assert_abs_diff_eq!(first.length_mm, second.length_mm, epsilon = 1e-6);
            let (a, b) = (
                first.highest.from_left_mm.unwrap(),
                second.highest.from_left_mm.unwrap(),
            );
            // The lower facet walks the seam from its first corner: the peak is in the left half.
            assert!(a < 0.5 * first.length_mm, "{name}");
            // Measured on the ball with relief, the two may differ by the relief's own lean.
            assert_abs_diff_eq!(a + b, first.length_mm, epsilon = 0.6);
            // Blade: jig, wood and what it stands above.
            let saw = &settings.saw;
            let blade = saw.base_mm + first.wood.height_mm + saw.above_mm;
            assert_abs_diff_eq!(first.blade_mm, blade, epsilon = 1e-9);
        }
    }
}

/// By hand, dodecahedron of 200 mm: at the middle of a seam the wood stands
/// (R + relief)·cos(tilt) − c above the jig.
#[test]
fn wood_on_the_seam_by_hand() {
    let (solid, settings, fit) = globe("dodecahedron", 200.0);
    let ground: Vec<SeamGround> = solid
        .seams
        .iter()
        .map(|seam| {
            let [a, b] = seam.corners.map(|i| solid.corners[i].normalize());
            let directions: Vec<DVec3> = (0..=100)
                .map(|i| a.lerp(b, f64::from(i) / 100.0).normalize())
                .collect();
            SeamGround {
                relief_mm: vec![1.0; directions.len()],
                directions,
            }
        })
        .collect();
    let sheet = seam_sheet(&solid, &fit, Some(&ground), &settings);
    let wanted = 101.0 * 31.7175_f64.to_radians().cos() - fit.kinds[0].back_plane_mm;
    for row in sheet.iter().flatten() {
        assert_abs_diff_eq!(row.wood.height_mm, wanted, epsilon = 1e-3);
        assert_abs_diff_eq!(
            row.wood.from_left_mm.unwrap(),
            row.length_mm / 2.0,
            epsilon = 0.5
        );
    }
}

/// Every corner of every slot is looked up in space: inside the wood of its facet.
#[test]
fn slots_stay_in_the_wood() {
    for (name, diameter, kind) in [
        ("dodecahedron", 300.0, JointKind::Biscuit20),
        ("truncated-icosahedron", 500.0, JointKind::Auto),
        ("deltoidal-icositetrahedron", 500.0, JointKind::Biscuit0),
        ("cube", 200.0, JointKind::Dowel),
        ("pentakis-dodecahedron", 700.0, JointKind::Auto),
    ] {
        let (solid, mut settings, fit) = globe(name, diameter);
        settings.joint.kind = kind;
        let jigs: Vec<_> = (0..solid.kinds.len())
            .map(|kind| jig(&solid, &fit, kind, &settings).unwrap())
            .collect();
        let sheet = seam_sheet(&solid, &fit, None, &settings);
        let joints = planned_joints(&solid, &fit, &jigs, &sheet, &settings).unwrap();
        let cover = settings.joint.cover_mm;
        for joint in joints {
            let Some(fitting) = joint.fitting else {
                continue;
            };
            let seam = &solid.seams[joint.seam];
            for i in 0..2 {
                let (face, edge) = (seam.faces[i], seam.edges[i]);
                let facet = &solid.faces[face];
                let piece = &fit.kinds[facet.kind];
                let frame = facet.frame;
                let [a, b] = seam.corners.map(|c| frame.to_local(solid.corners[c]));
                let along = (b - a).normalize();
                let foot = a - along * along.dot(a);
                let up = foot.normalize();
                let mut inward = along.cross(up);
                if inward.z < 0.0 {
                    inward = -inward;
                }
                let tilt = facet.edges[edge].tilt_rad;
                let y = piece.back_plane_mm / tilt.cos() + joint.from_back_mm[i];
                let middle = 0.5 * (along.dot(a) + along.dot(b)) / foot.length() * y;
                for (l, t, d) in [-1.0, 1.0].into_iter().flat_map(|l| {
                    [-1.0, 1.0]
                        .into_iter()
                        .flat_map(move |t| (0..=10).map(move |d| (l, t, f64::from(d) / 10.0)))
                }) {
                    let end = l * 0.5 * fitting.along_mm + joint.off_middle_mm;
                    // Longer to one side.
                    let longer = l * (l * joint.longer_mm[i]).max(0.0);
                    let p = along * (middle + end + longer)
                        + up * (y + t * 0.5 * fitting.thick_mm)
                        + inward * (d * fitting.deep_mm);
                    let z = p.z - piece.back_plane_mm;
                    assert!(z > cover * tilt.cos() - 1e-6, "{name}: through the back");
                    let lowest = 0.5 * diameter - 2.0;
                    assert!(
                        p.length() < lowest - 0.5 * cover,
                        "{name}: through the ground"
                    );
                    let pocket = &jigs[facet.kind].seat.as_ref().unwrap().sharp_mm[0];
                    if holds(pocket, p.truncate(), 0.0) {
                        assert!(
                            z > settings.pocket_depth_mm() + 0.5 * cover,
                            "{name}: into the pocket"
                        );
                    }
                    for (side, other) in piece.sides.iter().enumerate() {
                        let room = other.slant * p.z - other.outward.dot(p.truncate());
                        assert!(side == edge || room > 0.0, "{name}: through another side");
                    }
                }
            }
        }
    }
}

#[test]
fn what_does_not_fit_is_told_with_numbers_and_a_way_out() {
    let cases: [(&str, &dyn Fn(&mut Settings), &str); 8] = [
        (
            "dodecahedron",
            &|s| {
                s.jig.corner_mm = Some(2.0);
                s.jig.bit_mm = 6.0;
            },
            "job: jig.corner: the bit is too large for the corners of the pocket; found a radius of \
             2 mm with a bit of 6 mm; allowed: a radius of at least 3 mm; enlarge jig.corner, or set jig.bit to at most 4 mm",
        ),
        (
            "dodecahedron",
            &|s| (s.jig.bit_mm, s.jig.inset_mm) = (64.0, Some(5.0)),
            "job: jig.bit: the bit is too large for the pocket of the A blanks; found corners of 32.5 mm radius; allowed: at most 24.4 mm; set jig.bit to at most 47.9 mm, or lower jig.inset",
        ),
        (
            "dodecahedron",
            &|s| s.jig.inset_mm = Some(60.0),
            "job: jig.inset: the back of the A blanks has no room for a pocket; found 34.48 mm from the middle to the nearest sawn edge of the back; allowed: more than jig.inset, 60 mm, and the bit, 6 mm; lower jig.inset, enlarge globe.diameter, or set jig.pocket = \"no\" and hold the blanks with double-faced tape",
        ),
        (
            "dodecahedron",
            &|s| (s.jig.depth_mm, s.jig.inset_mm) = (Some(40.0), Some(5.0)),
            "job: jig.depth: the pocket is deeper than the wood of the A blanks allows; found 40 mm in 35.73 mm of wood; allowed: at least 5 mm left (jig.over); set jig.depth to at most 30.7 mm",
        ),
        (
            "dodecahedron",
            &|s| s.jig.tab_width_mm = Some(200.0),
            "job: jig.tab_width: the tabs are longer than the edge of the A blanks; found 200 mm; allowed: at most 82.2 mm, side 1 of the blank; use narrower tabs, or fewer",
        ),
        (
            "dodecahedron",
            &|s| s.jig.tabs = Some(6),
            "job: jig.tabs: the A blanks have fewer sides than tabs; found 6 tabs on 5 sides; allowed: \
             at most 5; use fewer tabs",
        ),
        (
            "dodecahedron",
            &|s| {
                s.boards = vec![Board {
                    width_mm: 300.0,
                    length_mm: 2000.0,
                    thickness_mm: Some(25.4),
                    count: 1,
                }];
            },
            "job: board.1.thickness: the board is thinner than the stock; found 25.4 mm; \
             allowed: at least stock.thickness, 46.7 mm; use a thicker board, or lower \
             stock.thickness",
        ),
        (
            "dodecahedron",
            &|s| {
                s.boards = vec![Board {
                    width_mm: 200.0,
                    length_mm: 500.0,
                    thickness_mm: None,
                    count: 1,
                }];
            },
            "stock: board: the boards have too little wood for the blanks; found room for 4 of 13 blanks, spares counted; without a place: 9 A; add 1151 mm of board 200 mm wide, or lower blanks.spares or blanks.gap",
        ),
    ];
    let found = cases.map(|(name, change, _)| bench_error(name, change));
    assert_eq!(found, cases.map(|(_, _, message)| message));
}

/// Two ways out must never send a person to and fro: each either works or leads to a third.
#[test]
fn boards_too_narrow_either_way_are_told_so_once() {
    let board = |width_mm| Board {
        width_mm,
        length_mm: 96.0 * 25.4,
        thickness_mm: None,
        count: 1,
    };
    // Blanks of a 24 in truncated icosahedron are 261 mm by 226 mm, those of a rhombic
    // triacontahedron half as wide as they are long.
    let told = |name, width_mm: f64, grain| {
        bench_error(name, move |s: &mut Settings| {
            (s.globe.diameter_mm, s.stock.thickness_mm) = (24.0 * 25.4, 80.0);
            s.typed.note("board.1.width", Units::Inch);
            (s.boards, s.wood.grain) = (vec![board(width_mm)], grain);
        })
    };
    for grain in [Grain::Along, Grain::Across] {
        let message = told("truncated-icosahedron", 8.0 * 25.4, grain);
        assert!(
            message.contains("; use boards at least ") && message.contains(" in"),
            "{message}"
        );
        assert!(!message.contains("wood.grain"), "{message}");
    }
    let long = told("rhombic-triacontahedron", 11.0 * 25.4, Grain::Across);
    assert!(
        long.ends_with(" wide, or set wood.grain = \"along\""),
        "{long}"
    );
}

#[test]
fn a_blade_a_little_too_low_and_one_far_too_low_get_different_advice() {
    // The blade must stand 71.3 mm high there, of which 18 mm are the jig and 5 mm to spare.
    let (solid, mut settings, fit) = globe("tetrahedron", 200.0);
    settings.jig.tabs = Some(0);
    for (reach_mm, advice) in [
        (71.29 - 0.03, "still cuts through."),
        (71.29 - 9.0, " mm (saw.base) lets it cut through."),
        (
            71.29 - 40.0,
            "use a larger saw, or cut by hand what it leaves standing.",
        ),
    ] {
        // The reach shrinks with the tilt of 54.74°, whose cosine is 1/√3.
        settings.saw.reach_mm = Some(reach_mm * 3_f64.sqrt());
        let warning = &warnings_of(&solid, &fit, &settings)[0];
        assert!(warning.ends_with(advice), "{warning}");
    }
}

fn warnings_of(solid: &Solid, fit: &Fit, settings: &Settings) -> Vec<String> {
    plan(&anywhere(solid, fit, settings)).unwrap().warnings
}

#[test]
fn ground_higher_than_the_saw_reaches_and_tilts_it_has_not_are_warned_of() {
    let (solid, mut settings, fit) = globe("tetrahedron", 200.0);
    settings.saw.reach_mm = Some(50.0);
    settings.jig.tabs = Some(0);
    assert_eq!(
        warnings_of(&solid, &fit, &settings)[..2],
        [
            "The ground on the seams of the A facets is higher than the saw reaches, most at seam \
             S03 of facet 01: the blade must stand 71.29 mm above the table, and one of 254 mm \
             stands 28.86 mm there at 54.74° (saw.blade, saw.reach), 42.43 mm too low. No thinner \
             jig helps: use a larger saw, or cut by hand what it leaves standing.",
            "The A facets need a tilt of 54.74° and the saw tilts 45.00° (saw.most_tilt): hold the \
             blank on an inclined jig that makes up the rest, 9.74°.",
        ]
    );
}

/// Common practice, no source: a 10 in saw cuts 3-1/8 in (79.4 mm) upright and 2-1/8 in (54 mm) at
/// 45°, a 12 in saw about 4 in (101.6 mm) upright.
#[test]
fn the_reach_follows_the_blade_unless_the_job_says_it() {
    let mut saw = Settings::default().saw;
    assert_abs_diff_eq!(saw.reach_at_mm(0.0), 79.4, epsilon = 1.0);
    let tilted = saw.reach_at_mm(45.0_f64.to_radians());
    assert_abs_diff_eq!(tilted, 54.0, epsilon = 2.5);
    saw.blade_mm = 304.8;
    assert_abs_diff_eq!(saw.reach_at_mm(0.0), 101.6, epsilon = 3.0);
    saw.reach_mm = Some(90.0);
    assert_abs_diff_eq!(saw.reach_at_mm(60.0_f64.to_radians()), 45.0, epsilon = 1e-9);

    // The same blanks: a 12 in blade clears what a 10 in blade does not.
    let (solid, mut settings, fit) = globe("cube", 260.0);
    let high = |settings: &Settings| {
        let warnings = warnings_of(&solid, &fit, settings);
        warnings.iter().any(|w| w.contains("higher than the saw"))
    };
    assert!(high(&settings));
    settings.saw.blade_mm = 400.0;
    assert!(!high(&settings));
}

/// A job that does not ask for tabs gets them where they have room, and is told where not; a
/// job that asks for them is refused.
#[test]
fn tabs_that_have_no_room_are_left_out_with_a_warning_unless_asked_for() {
    let mut without = Vec::new();
    for name in solid_names() {
        let (solid, mut settings, _) = globe(name, 500.0);
        settings.stock.edge_mm = 12.0;
        let limits = fit::limits(&solid, &unit(), 4.0, &settings);
        settings.stock.thickness_mm = limits.least_stock_mm.unwrap();
        settings.jig.bit_mm = 3.0;
        settings.jig.inset_mm = Some(3.0);
        let fit = fit_anywhere(&solid, &unit(), &settings).unwrap();
        let warnings = warnings_of(&solid, &fit, &settings);
        let bare = warnings
            .iter()
            .any(|w| w.starts_with("No hold-down tabs, as "));
        if bare {
            without.push(name);
        }
        settings.jig.tabs = Some(2);
        let asked = (0..solid.kinds.len()).map(|kind| jig(&solid, &fit, kind, &settings));
        assert_eq!(asked.clone().any(|jig| jig.is_err()), bare, "{name}");
    }
    // Both happen.
    assert!(!without.is_empty() && without.len() < 31, "{without:?}");

    // Enough at the corner of a tetrahedron, but the lowest cut goes down to the back.
    let (solid, settings, fit) = globe("tetrahedron", 200.0);
    let warnings = warnings_of(&solid, &fit, &settings);
    let tabs = warnings.iter().find(|w| w.starts_with("No hold"));
    assert_eq!(
        tabs.unwrap(),
        "No hold-down tabs, as the cutter would run into the tabs (jig.tab_thickness: 6 mm; \
         allowed: less than the lowest cut, 0 mm above the back). Hold the blanks down \
         another way, outside the trim."
    );
}

#[test]
fn small_facets_are_planned_without_a_pocket() {
    let (solid, mut settings, fit) = globe("disdyakis-triacontahedron", 130.0);
    let refused = (0..2).find_map(|kind| jig(&solid, &fit, kind, &settings).err());
    let message = refused.unwrap().to_string();
    let way = "set jig.pocket = \"no\" and hold the blanks with double-faced tape";
    assert!(message.contains(way), "{message}");
    settings.jig.pocket = false;
    let bench = anywhere(&solid, &fit, &settings);
    let plan = plan(&bench).unwrap();
    assert!(plan.kinds.iter().all(|kind| kind.jig.seat.is_none()));
    assert!(plan.kinds.iter().all(|kind| kind.stack.pocket_mm.is_none()));
    assert!(plan.work.iter().all(|o| o.unit != "pocket"));
}

/// The corners of every slot, in space, in its facet's frame.
fn slot_points(solid: &Solid, fit: &Fit, joint: &super::joints::Joint, i: usize) -> Vec<DVec3> {
    let Some(fitting) = joint.fitting else {
        return Vec::new();
    };
    let seam = &solid.seams[joint.seam];
    let facet = &solid.faces[seam.faces[i]];
    let tilt = facet.edges[seam.edges[i]].tilt_rad;
    let [a, b] = seam.corners.map(|c| facet.frame.to_local(solid.corners[c]));
    let along = (b - a).normalize();
    let foot = a - along * along.dot(a);
    let up = foot.normalize();
    let mut inward = along.cross(up);
    if inward.z < 0.0 {
        inward = -inward;
    }
    let y = fit.kinds[facet.kind].back_plane_mm / tilt.cos() + joint.from_back_mm[i];
    let middle = 0.5 * (along.dot(a) + along.dot(b)) / foot.length() * y;
    let part = |k: i32, n: i32| f64::from(k) / f64::from(n);
    let mut points = Vec::new();
    let longer = joint.longer_mm[i];
    for l in 0..=32 {
        let start = longer.min(0.0) - 0.5 * fitting.along_mm;
        let at = start + part(l, 32) * (fitting.along_mm + longer.abs());
        let from_middle = at - at.clamp(longer.min(0.0), longer.max(0.0));
        // A biscuit's slot is a segment of a disc of 100 mm: as deep as the circle at that place.
        let deep = if fitting.name == "dowel" {
            fitting.deep_mm
        } else {
            let circle = (50.0_f64.powi(2) - from_middle.powi(2)).sqrt();
            (circle - (50.0 - fitting.deep_mm)).max(0.0)
        };
        for t in 0..=2 {
            for d in 0..=6 {
                points.push(
                    along * (middle + joint.off_middle_mm + at)
                        + up * (y + (part(t, 2) - 0.5) * fitting.thick_mm)
                        + inward * (part(d, 6) * deep),
                );
            }
        }
    }
    points
}

/// On small facets the slots of two sides would run into each other near the corner: sampled
/// points of any two slots of one facet are apart, whatever the solid and the size.
#[test]
fn slots_of_neighbouring_sides_never_meet() {
    let mut lowered = 0;
    for name in solid_names() {
        for diameter in [160.0, 260.0, 420.0] {
            let (solid, mut settings, fit) = globe(name, diameter);
            settings.jig.pocket = false;
            let jigs: Vec<_> = (0..solid.kinds.len())
                .map(|kind| jig(&solid, &fit, kind, &settings).unwrap())
                .collect();
            let sheet = seam_sheet(&solid, &fit, None, &settings);
            let found = planned_joints(&solid, &fit, &jigs, &sheet, &settings).unwrap();
            // One facet of each kind stands for all: ground may lie anywhere.
            for kind in &solid.kinds {
                let face = kind.faces[0];
                let slots: Vec<(&str, Vec<DVec3>)> = solid.faces[face]
                    .edges
                    .iter()
                    .filter_map(|edge| {
                        let joint = &found[edge.seam];
                        let seam = &solid.seams[edge.seam];
                        let i = usize::from(seam.faces[0] != face);
                        Some((joint.fitting?.name, slot_points(&solid, &fit, joint, i)))
                    })
                    .collect();
                for (k, (fitting, points)) in slots.iter().enumerate() {
                    for (other_fitting, others) in &slots[..k] {
                        let near = points
                            .iter()
                            .flat_map(|p| others.iter().map(|other| p.distance_squared(*other)));
                        let near = near.fold(f64::INFINITY, f64::min).sqrt();
                        let cover = settings.joint.cover_mm;
                        assert!(
                            near > cover - 1e-6,
                            "{name} of {diameter} mm: {fitting} and {other_fitting} {near} apart"
                        );
                    }
                }
            }
            // With less wood asked for between slots, some seams get something larger.
            settings.joint.cover_mm = 3.0 - 2.5;
            let freer = planned_joints(&solid, &fit, &jigs, &sheet, &settings).unwrap();
            let size = |joint: &super::joints::Joint| joint.fitting.map_or(0.0, |f| f.along_mm);
            lowered += usize::from(found.iter().zip(&freer).any(|(a, b)| size(a) < size(b)));
        }
    }
    assert!(lowered > 0);
}

#[test]
fn a_joint_whose_slots_meet_is_refused_with_numbers() {
    let (solid, mut settings, fit) = globe("icosahedron", 200.0);
    settings.jig.pocket = false;
    settings.joint.cover_mm = 0.0;
    settings.joint.kind = JointKind::Dowel;
    settings.joint.dowel_diameter_mm = 6.0;
    settings.joint.dowel_length_mm = 70.0;
    let jigs = [jig(&solid, &fit, 0, &settings).unwrap()];
    let sheet = seam_sheet(&solid, &fit, None, &settings);
    let error = planned_joints(&solid, &fit, &jigs, &sheet, &settings).unwrap_err();
    assert_eq!(
        error.to_string(),
        "job: joint.kind: two dowel slots have no room beside each other in facet 01; found slots \
         of 6 mm by 6 mm, 36 mm deep, at seams S01 and S03; allowed: 0 mm of wood between them (joint.cover); choose a smaller one, \"auto\" or \
         \"none\", or lower joint.cover"
    );
}

/// Everything the plan holds can be handed on as data.
#[test]
fn the_plan_is_plain_data() {
    let (solid, settings, fit) = globe("cuboctahedron", 260.0);
    let bench = anywhere(&solid, &fit, &settings);
    let plan = plan(&bench).unwrap();
    let value = serde_json::to_value(&plan).unwrap();
    assert_eq!(value["kinds"].as_array().unwrap().len(), 2);
    assert_eq!(value["sheet"].as_array().unwrap().len(), 14);
    let tilt = value["sheet"][0][0]["tilt_deg"].as_f64().unwrap();
    assert_eq!(tilt, plan.sheet[0][0].tilt_deg);
    assert_eq!(
        value["kinds"][0]["jig"]["blank_mm"][0][0].as_f64().unwrap(),
        plan.kinds[0].jig.blank_mm[0].x
    );
}

/// In how many of the face's own turns the boss goes into the pocket.
fn ways_to_sit(jig: &Jig) -> usize {
    let count = jig.ways;
    let Some(seat) = &jig.seat else {
        return count;
    };
    let pocket = seat.pocket.flattened(1e-3);
    let boss = seat.boss.flattened(1e-3);
    (0..count)
        .filter(|k| {
            let turn = DVec2::from_angle(std::f64::consts::TAU * *k as f64 / count as f64);
            boss.iter().all(|p| holds(&pocket, turn.rotate(*p), 2e-3))
        })
        .count()
}

/// Least distance from an inner outline to an outer one, mm; negative if it reaches outside.
fn room_between(inner: &[DVec2], outer: &[DVec2]) -> f64 {
    let least = inner.iter().map(|p| distance_to_line(outer, *p));
    let least = least.fold(f64::INFINITY, f64::min);
    if inner.iter().all(|p| holds(outer, *p, 0.0)) {
        least
    } else {
        -least
    }
}

/// Every sled of every solid: the blade, put where the sled says, passes through the globe's
/// centre; each side comes to it when its pin is over the plate's hole; hands have room.
#[test]
fn sleds_bring_every_side_to_a_blade_through_the_centre() {
    for name in solid_names() {
        let (solid, mut settings, fit) = globe(name, 900.0);
        settings.jig.bit_mm = 3.0;
        let sheet = seam_sheet(&solid, &fit, None, &settings);
        for kind in 0..solid.kinds.len() {
            let jig = jig(&solid, &fit, kind, &settings).unwrap();
            let sides = set_ups(&solid, &fit, &sheet, kind, &settings);
            let sleds = sleds(&jig, &sides, &settings);
            let mut sawn: Vec<usize> = sleds.iter().flat_map(|sled| sled.sides.clone()).collect();
            sawn.sort_unstable();
            assert_eq!(sawn, (0..sides.len()).collect::<Vec<_>>(), "{name}");
            for sled in &sleds {
                let tangent = sled.tilt_deg.to_radians().tan();
                // Up from the table to the globe's centre, leaning to the left.
                let centre = -fit.kinds[kind].back_plane_mm;
                let up = centre + settings.saw.base_mm;
                assert_abs_diff_eq!(-sled.at_table_mm - up * tangent, 0.0, epsilon = 1e-9);
                assert_abs_diff_eq!(
                    sled.fence_mm - sled.at_table_mm,
                    sled.to_edge_mm,
                    epsilon = 1e-9
                );
                assert!(sled.to_edge_mm + sled.at_jig_mm > crate::shop::sled::HANDS_MM + 60.0);
                let hole = sled.pins_mm[0];
                for (side, pin) in sled.sides.iter().zip(&sled.pins_mm) {
                    // The turn that brings this pin over the hole.
                    let turn = sled.turned_rad - hole.angle_to(*pin);
                    let turn = DVec2::from_angle(turn);
                    let count = jig.back_mm.len();
                    let [a, b] = [*side, (side + 1) % count].map(|i| turn.rotate(jig.back_mm[i]));
                    assert_abs_diff_eq!(a.x, -sled.at_jig_mm, epsilon = 1e-6);
                    assert_abs_diff_eq!(b.x, -sled.at_jig_mm, epsilon = 1e-6);
                }
            }
            // Glued tabs last.
            let order = order_of_sides(&jig);
            let glued = |side: &usize| jig.tabs.iter().any(|t| t.side == *side && t.glued);
            let first_glued = order.iter().position(glued).unwrap();
            assert!(order[first_glued..].iter().all(glued), "{name} {order:?}");
            assert_eq!(order.len(), sides.len());
        }
    }
}
