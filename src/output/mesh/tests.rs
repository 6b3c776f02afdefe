use super::*;
use crate::output::manifest::testing::{BACK_MM, BLACK_MM, PIXEL_MM, RADIUS_MM, WHITE_MM, cube};
use crate::output::seam_steps::testing::levels;

/// Wide enough for the blank with its trim.
const SIDE_PX: usize = 380;

fn heights(levels: &Array2<u16>) -> Heightmap<'_> {
    Heightmap {
        levels,
        pixel_mm: PIXEL_MM,
        black_mm: BLACK_MM,
        white_mm: WHITE_MM,
    }
}

/// Levels of a ball with seeded rough ground: waves of all lengths, steep and shallow.
fn rough(side: usize) -> Array2<u16> {
    let mut seed = 7_u64;
    let mut random = || crate::output::testing::random(&mut seed);
    let waves: Vec<[f64; 4]> = (0..40)
        .map(|i| {
            let length = 4.0 * 1.15_f64.powi(i);
            let turn = random() * std::f64::consts::TAU;
            let k = std::f64::consts::TAU / length;
            [
                k * turn.cos(),
                k * turn.sin(),
                random() * 6.0,
                0.004 * length.min(25.0),
            ]
        })
        .collect();
    Array2::from_shape_fn((side, side), |(row, column)| {
        let z: f64 = waves
            .iter()
            .map(|[kx, ky, phase, mm]| mm * (kx * column as f64 + ky * row as f64 + phase).sin())
            .sum();
        let half = 0.5 * side as f64 - 0.5;
        let lateral = DVec2::new(column as f64 - half, row as f64 - half) * PIXEL_MM;
        let ball = (RADIUS_MM.powi(2) - lateral.length_squared())
            .max(0.0)
            .sqrt()
            - BACK_MM;
        let part = ((ball + z - BLACK_MM) / (WHITE_MM - BLACK_MM)).clamp(0.0, 1.0);
        (part * 65535.0).round() as u16
    })
}

/// Height of an image between pixel centres, mm: linear both ways, edge pixels repeated.
fn image_mm(heights: &Heightmap<'_>, place: DVec2) -> f64 {
    let (rows, columns) = heights.levels.dim();
    let column =
        (place.x / heights.pixel_mm + 0.5 * columns as f64 - 0.5).clamp(0.0, columns as f64 - 1.0);
    let row = (0.5 * rows as f64 - 0.5 - place.y / heights.pixel_mm).clamp(0.0, rows as f64 - 1.0);
    let (c, r) = (column.floor() as usize, row.floor() as usize);
    let (s, t) = (column - c as f64, row - r as f64);
    let at = |r: usize, c: usize| {
        f64::from(heights.levels[(r.min(rows - 1), c.min(columns - 1))]) * heights.step_mm()
            + heights.black_mm
    };
    (1.0 - t) * ((1.0 - s) * at(r, c) + s * at(r, c + 1))
        + t * ((1.0 - s) * at(r + 1, c) + s * at(r + 1, c + 1))
}

/// Wood of one facet by columns, mm³: from the back or the wall below up to the image.
fn wood_mm3(heights: &Heightmap<'_>, outline: &Outline) -> f64 {
    // Finer than the image, so that the rim is counted by its share.
    const PARTS: i64 = 4;
    let (rows, columns) = heights.levels.dim();
    let step = heights.pixel_mm / PARTS as f64;
    let mut sum = 0.0;
    for i in 0..rows as i64 * PARTS {
        for j in 0..columns as i64 * PARTS {
            let place = DVec2::new(
                (j as f64 + 0.5) * step - 0.5 * columns as f64 * heights.pixel_mm,
                0.5 * rows as f64 * heights.pixel_mm - (i as f64 + 0.5) * step,
            );
            let mut low = 0.0_f64;
            for wall in &outline.walls {
                let beyond = wall.beyond(place, 0.0);
                if beyond > 0.0 {
                    low = low.max(if wall.slant > 0.0 {
                        beyond / wall.slant
                    } else {
                        1e9
                    });
                }
            }
            let top = image_mm(heights, place);
            if low < top {
                sum += (top - low) * step * step;
            }
        }
    }
    sum
}

/// Every pixel inside the walls against the triangle over it, and every corner of a triangle
/// against the image: the largest distance, mm.
fn farthest_mm(heights: &Heightmap<'_>, outline: &Outline, mesh: &Mesh) -> f64 {
    let (rows, columns) = heights.levels.dim();
    let mut worst = 0.0_f64;
    for row in 0..rows as i64 {
        for column in 0..columns as i64 {
            // One in eleven, in every row and column.
            if (row * columns as i64 + column) % 11 != 0 {
                continue;
            }
            let place = heights.place_mm(row, column);
            let z = image_mm(heights, place);
            if outline
                .walls
                .iter()
                .any(|wall| wall.beyond(place, z) > -0.2)
            {
                continue;
            }
            let over: Vec<f64> = mesh.triangles[..mesh.top]
                .iter()
                .filter_map(|&triangle| height_over(mesh.corners(triangle), place))
                .collect();
            assert!(!over.is_empty(), "no triangle over {place}");
            for found in over {
                worst = worst.max((found - z).abs());
            }
        }
    }
    for triangle in &mesh.triangles[..mesh.top] {
        for corner in mesh.corners(*triangle) {
            let z = image_mm(heights, corner.truncate());
            worst = worst.max((corner.z - z).abs());
        }
    }
    worst
}

fn height_over([a, b, c]: [DVec3; 3], place: DVec2) -> Option<f64> {
    let [u, v, w] = [
        a.truncate() - place,
        b.truncate() - place,
        c.truncate() - place,
    ];
    let areas = [v.perp_dot(w), w.perp_dot(u), u.perp_dot(v)];
    let whole: f64 = areas.iter().sum();
    (whole > 0.0 && areas.iter().all(|area| *area >= -1e-9))
        .then(|| (areas[0] * a.z + areas[1] * b.z + areas[2] * c.z) / whole)
}

#[test]
fn sawn_facets_and_blanks_are_closed_and_hold_the_wood_of_the_image() {
    let manifest = cube();
    let rough = rough(SIDE_PX);
    let smooth = levels(0, SIDE_PX, PIXEL_MM);
    for (face, levels) in [(0, &smooth), (2, &rough)] {
        let heights = heights(levels);
        let facet = &manifest.facets[face];
        for outline in [
            Outline::sawn(&manifest, facet),
            Outline::blank(&manifest, facet),
        ] {
            let mesh = solid(&heights, &outline, TOLERANCE_MM);
            assert_eq!(mesh.open_edges(), Vec::<[u32; 2]>::new());
            let (volume, wood) = (mesh.volume_mm3(), wood_mm3(&heights, &outline));
            // Half the tolerance over the whole face, and the rim's columns.
            assert!((volume - wood).abs() < 2e-3 * wood, "{volume} and {wood}");
            let back = mesh.triangles.iter().filter(|triangle| {
                mesh.corners(**triangle)
                    .iter()
                    .all(|corner| corner.z == 0.0)
            });
            assert!(back.count() >= 4);
            assert!(mesh.points.iter().all(|point| point.z >= 0.0));
        }
    }
}

#[test]
fn no_pixel_is_farther_from_the_mesh_than_it_says() {
    let manifest = cube();
    let facet = &manifest.facets[2];
    let rough = rough(SIDE_PX);
    let (heights, outline) = (heights(&rough), Outline::sawn(&manifest, facet));
    for tolerance in [TOLERANCE_MM, 0.4] {
        let mesh = solid(&heights, &outline, tolerance);
        let found = farthest_mm(&heights, &outline, &mesh);
        assert!(mesh.error_mm <= tolerance, "{}", mesh.error_mm);
        assert!(
            found <= mesh.error_mm + 1e-5,
            "{found} and {}",
            mesh.error_mm
        );
        // Not by leaving every pixel in.
        assert!(mesh.top < SIDE_PX * SIDE_PX, "{}", mesh.top);
        assert!(found > 0.3 * tolerance, "{found}");
    }
}

/// On fine images only every few pixels are weighed before; what lies between must count as much.
#[test]
fn no_pixel_of_a_fine_image_is_overlooked() {
    const FINE_MM: f64 = 0.02;
    let manifest = cube();
    let facet = &manifest.facets[2];
    let outline = Outline::sawn(&manifest, facet);
    let side = (SIDE_PX as f64 * PIXEL_MM / FINE_MM) as usize;
    let mut levels = Array2::from_elem((side, side), 19_000);
    // One pixel each, 0.2 mm high, on all remainders that a stride of up to 8 could skip.
    let spike = (0.2 / heights(&levels).step_mm()) as u16;
    let mut spikes = Vec::new();
    for i in 0..16 {
        let at = (side / 2 - 100 + 13 * i, side / 2 + 90 - 11 * i);
        levels[at] += spike;
        spikes.push(at);
    }
    let heights = Heightmap {
        pixel_mm: FINE_MM,
        ..heights(&levels)
    };
    let mesh = solid(&heights, &outline, TOLERANCE_MM);
    assert_eq!(mesh.open_edges(), Vec::<[u32; 2]>::new());
    assert!(mesh.error_mm <= TOLERANCE_MM, "{}", mesh.error_mm);
    for (row, column) in spikes {
        let place = heights.place_mm(row as i64, column as i64);
        let z = heights.mm(19_000.0 + f32::from(spike));
        let over = mesh.triangles[..mesh.top]
            .iter()
            .filter_map(|&triangle| height_over(mesh.corners(triangle), place));
        let off = over.map(|found| (found - z).abs()).fold(0.0, f64::max);
        assert!(off <= mesh.error_mm + 1e-9, "{off}");
    }
    // The rest stays simple.
    assert!(mesh.top < 6000, "{}", mesh.top);
}

#[test]
fn level_ground_needs_few_triangles_and_walls_stand_where_the_saw_cuts() {
    let manifest = cube();
    let outline = Outline::sawn(&manifest, &manifest.facets[0]);
    let level = Array2::from_elem((SIDE_PX, SIDE_PX), 19_000);
    let mesh = solid(&heights(&level), &outline, TOLERANCE_MM);
    assert!(mesh.top < 400, "{}", mesh.top);
    let top_mm = BLACK_MM + (WHITE_MM - BLACK_MM) * 19_000.0 / 65_535.0;
    // A frustum of a square pyramid with its point at the globe's centre: sides at 45 degrees.
    let side = |z: f64| 2.0 * (BACK_MM + z);
    let exact =
        top_mm / 3.0 * (side(0.0).powi(2) + side(0.0) * side(top_mm) + side(top_mm).powi(2));
    assert!((mesh.volume_mm3() - exact).abs() < 1e-4 * exact);
    let on_wall = |point: &DVec3| {
        let beyond = outline
            .walls
            .iter()
            .map(|w| w.beyond(point.truncate(), point.z));
        beyond.fold(f64::NEG_INFINITY, f64::max)
    };
    assert!(mesh.points.iter().all(|point| on_wall(point) < 1e-6));
}

/// A manifest's numbers are rounded: of pixels on the very edge of the blank none can tell whether
/// they show ground or the floor.
#[test]
fn a_floor_on_the_edge_of_the_blank_is_no_ground() {
    let manifest = cube();
    let mut outline = Outline::blank(&manifest, &manifest.facets[0]);
    // Edges aslant across the image, a tenth of a pixel beyond a line of pixels.
    let line_mm = 180.0 * PIXEL_MM * 0.5f64.sqrt();
    let edge_mm = line_mm + 0.1 * PIXEL_MM;
    outline.blank_mm.fill(edge_mm);
    for wall in &mut outline.walls {
        wall.at_back_mm = edge_mm;
    }
    let all = Array2::from_elem((SIDE_PX, SIDE_PX), 19_000);
    let levels = Array2::from_shape_fn(all.dim(), |(row, column)| {
        let place = heights(&all).place_mm(row as i64, column as i64);
        let outside = |wall: &Wall| wall.outward.dot(place) > line_mm - 1e-6;
        if outline.walls.iter().any(outside) {
            0
        } else {
            19_000
        }
    });
    let mesh = solid(&heights(&levels), &outline, TOLERANCE_MM);
    assert_eq!(mesh.open_edges(), Vec::<[u32; 2]>::new());
    assert!(mesh.top < 400, "{}", mesh.top);
    let top_mm = heights(&levels).mm(19_000.0);
    let exact = (2.0 * edge_mm).powi(2) * top_mm;
    assert!((mesh.volume_mm3() - exact).abs() < 1e-4 * exact);
}

#[test]
fn a_back_at_the_globes_centre_is_a_point() {
    let mut manifest = cube();
    manifest.facets[0].back_plane_mm = 0.0;
    let outline = Outline::sawn(&manifest, &manifest.facets[0]);
    let level = Array2::from_elem((SIDE_PX, SIDE_PX), 40_000);
    let mesh = solid(&heights(&level), &outline, TOLERANCE_MM);
    assert_eq!(mesh.open_edges(), Vec::<[u32; 2]>::new());
    let top_mm = BLACK_MM + (WHITE_MM - BLACK_MM) * 40_000.0 / 65_535.0;
    let exact = 4.0 * top_mm.powi(3) / 3.0;
    assert!((mesh.volume_mm3() - exact).abs() < 1e-4 * exact);
}

/// Blade tilts and seams come from the solid; walls are worked out from the corners alone.
#[test]
fn walls_lean_as_the_saw_does_and_neighbours_share_them() {
    use crate::show::report::overview::testing::globe;
    for name in [
        "dodecahedron",
        "rhombic-dodecahedron",
        "deltoidal-icositetrahedron",
        "cuboctahedron",
    ] {
        let manifest = globe(name);
        for facet in &manifest.facets {
            let outline = Outline::sawn(&manifest, facet);
            for (wall, edge) in outline.walls.iter().zip(&facet.edges) {
                let tilt_deg = wall.slant.atan().to_degrees();
                assert!((tilt_deg - edge.tilt_deg).abs() < 1e-6, "{name} {tilt_deg}");
                let plane = |facet: &crate::output::manifest::FacetEntry, wall: &Wall| {
                    let axes = facet.frame.axes();
                    let normal = wall.outward.extend(-wall.slant);
                    axes.to_body(normal).normalize()
                };
                let other = &manifest.facets[edge.neighbour - 1];
                let back = other
                    .edges
                    .iter()
                    .position(|back| back.seam == edge.seam)
                    .unwrap();
                let theirs = Outline::sawn(&manifest, other).walls[back];
                let apart = (plane(facet, wall) + plane(other, &theirs)).length();
                assert!(apart < 1e-9, "{name} {apart}");
            }
        }
    }
}
