//! Cuts a facet's surface along its walls and closes it down to the flat back.

use super::{Heightmap, Mesh, Outline, Surface, Terrain, Wall};
use glam::DVec3;
use rustc_hash::FxHashMap;

/// Points nearer to a wall than this count as on it, mm: cuts there would make slivers.
const ON_WALL_MM: f64 = 1e-7;

/// A centre this near to the back makes the back a point, mm.
const POINTED_MM: f64 = 1e-6;

/// The closed mesh of one facet, within `tolerance_mm` of its image.
pub fn solid(heights: &Heightmap<'_>, outline: &Outline, tolerance_mm: f64) -> Mesh {
    let surface = Terrain::new(heights, outline).surface(tolerance_mm);
    close(surface, outline)
}

/// Closes a surface that reaches beyond all walls.
pub fn close(surface: Surface, outline: &Outline) -> Mesh {
    let Surface {
        mut points,
        mut triangles,
        error_mm,
    } = surface;
    for wall in &outline.walls {
        triangles = cut(&mut points, &triangles, wall);
    }
    let (points, triangles) = without_unused(&points, &triangles);
    let mut mesh = Mesh {
        top: triangles.len(),
        rim: rim(&triangles, points.len()),
        points,
        triangles,
        error_mm,
    };
    let mut feet: FxHashMap<u32, u32> = FxHashMap::default();
    let middle = add(&mut mesh.points, DVec3::ZERO);
    let pointed = outline.apex_mm.is_some_and(|apex| apex < POINTED_MM);
    for [from, to] in mesh.rim.clone() {
        let [foot_from, foot_to] = [from, to].map(|top| {
            if pointed {
                return middle;
            }
            *feet.entry(top).or_insert_with(|| {
                let foot = foot(mesh.points[top as usize], outline);
                add(&mut mesh.points, foot)
            })
        });
        // The top's edge runs from → to with its wood on the left, so the wall runs back.
        let wall = [
            [to, from, foot_from],
            [to, foot_from, foot_to],
            [foot_to, foot_from, middle],
        ];
        let whole = wall
            .into_iter()
            .filter(|[a, b, c]| a != b && b != c && a != c);
        mesh.triangles.extend(whole);
    }
    mesh
}

fn add(points: &mut Vec<DVec3>, point: DVec3) -> u32 {
    points.push(point);
    (points.len() - 1) as u32
}

/// The point of the back under a point of the rim, along the wall.
fn foot(top: DVec3, outline: &Outline) -> DVec3 {
    let share = match outline.apex_mm {
        Some(apex) => apex / (apex + top.z),
        None => 1.0,
    };
    DVec3::new(top.x * share, top.y * share, 0.0)
}

/// The part of the triangles inside a wall. Points made on the wall are shared by neighbours.
fn cut(points: &mut Vec<DVec3>, triangles: &[[u32; 3]], wall: &Wall) -> Vec<[u32; 3]> {
    let beyond: Vec<f64> = points
        .iter()
        .map(|point| {
            let beyond = wall.beyond(point.truncate(), point.z);
            if beyond.abs() < ON_WALL_MM {
                0.0
            } else {
                beyond
            }
        })
        .collect();
    let mut made: FxHashMap<[u32; 2], u32> = FxHashMap::default();
    let mut crossing = |points: &mut Vec<DVec3>, inside: u32, outside: u32| {
        *made.entry([inside, outside]).or_insert_with(|| {
            let (a, b) = (inside as usize, outside as usize);
            let part = beyond[a] / (beyond[a] - beyond[b]);
            let point = points[a].lerp(points[b], part);
            add(points, point)
        })
    };
    let mut kept = Vec::with_capacity(triangles.len());
    for triangle in triangles {
        let at = |i: usize| beyond[triangle[i % 3] as usize];
        if (0..3).all(|i| at(i) <= 0.0) {
            kept.push(*triangle);
            continue;
        }
        let mut inner: Vec<u32> = Vec::with_capacity(4);
        for i in 0..3 {
            let (here, next) = (triangle[i], triangle[(i + 1) % 3]);
            if at(i) <= 0.0 {
                inner.push(here);
            }
            if at(i) < 0.0 && at(i + 1) > 0.0 {
                inner.push(crossing(points, here, next));
            } else if at(i) > 0.0 && at(i + 1) < 0.0 {
                inner.push(crossing(points, next, here));
            }
        }
        if inner.len() >= 3 {
            kept.push([inner[0], inner[1], inner[2]]);
        }
        if inner.len() == 4 {
            kept.push([inner[0], inner[2], inner[3]]);
        }
    }
    kept
}

/// The same triangles with only the points they use, in the order of first use.
fn without_unused(points: &[DVec3], triangles: &[[u32; 3]]) -> (Vec<DVec3>, Vec<[u32; 3]>) {
    let mut numbers = vec![u32::MAX; points.len()];
    let mut used = Vec::new();
    let triangles = triangles
        .iter()
        .map(|triangle| {
            triangle.map(|at| {
                let number = &mut numbers[at as usize];
                if *number == u32::MAX {
                    *number = add(&mut used, points[at as usize]);
                }
                *number
            })
        })
        .collect();
    (used, triangles)
}

/// Edges that only one of the triangles of so many points has, in their order.
fn rim(triangles: &[[u32; 3]], points: usize) -> Vec<[u32; 2]> {
    let sides = || {
        let three = |&[a, b, c]: &[u32; 3]| [[a, b], [b, c], [c, a]];
        triangles.iter().flat_map(three)
    };
    // The ends of all edges by the point that they leave: few to a point, so faster than a map.
    let mut first = vec![0; points + 1];
    for [from, _] in sides() {
        first[from as usize + 1] += 1;
    }
    for point in 0..points {
        first[point + 1] += first[point];
    }
    let (mut free, mut ends) = (first.clone(), vec![0; 3 * triangles.len()]);
    for [from, to] in sides() {
        let free = &mut free[from as usize];
        ends[*free] = to;
        *free += 1;
    }
    // A neighbour runs along the same edge the other way.
    let has_neighbour = |[from, to]: &[u32; 2]| {
        let to = *to as usize;
        ends[first[to]..first[to + 1]].contains(from)
    };
    sides().filter(|side| !has_neighbour(side)).collect()
}
