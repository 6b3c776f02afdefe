//! Meshes in few bytes, for `viewer.js` to unpack.
//!
//! Per facet, in planes of bytes (all low bytes, then the next), which deflate packs far better
//! than whole numbers:
//!
//! * x, y and z of every point in steps of `step_mm`, z counted from 32768 steps below; each as
//!   its difference from the point before, folded so that small ones of either sign are small;
//! * corners of triangles as "how far back from the next new point": 0 for a new one;
//! * the rim's pairs of points.

use crate::output::manifest::FacetEntry;
use crate::output::mesh::Mesh;
use glam::DVec3;
use libdeflater::{CompressionLvl, Compressor};
use serde::Serialize;

/// Finest step of the points, mm: a tenth of what the mesh may be off.
const FINEST_STEP_MM: f64 = 0.004;

/// Steps that fit to either side of the middle.
const REACH_STEPS: f64 = 32_000.0;

/// Level of compression: higher ones take twice as long and longer for a hundredth less.
const LEVEL: i32 = 3;

/// What the viewer has to know to unpack a facet and to show it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PackedHead {
    label: String,
    frame: crate::output::manifest::FrameEntry,
    back_plane_mm: f64,
    corners_mm: Vec<[f64; 3]>,
    step_mm: f64,
    points: usize,
    triangles: usize,
    top: usize,
    rim: usize,
}

/// Step of the points for blanks that reach so far from their middle, mm.
pub fn step_mm(reach_mm: f64) -> f64 {
    FINEST_STEP_MM.max(reach_mm / REACH_STEPS)
}

/// A mesh as bytes, before they are deflated, with what goes with it.
pub type Packed = (PackedHead, Vec<u8>);

/// A facet's mesh as bytes, with what goes with it. `corners_mm` are the facet's corners on the
/// base surface, in its frame.
pub fn pack(facet: &FacetEntry, corners_mm: Vec<[f64; 3]>, mesh: &Mesh, step_mm: f64) -> Packed {
    let (points, triangles, rim) = in_order_of_use(mesh);
    let mut bytes = Vec::with_capacity(6 * points.len() + 9 * triangles.len() + 6 * rim.len());
    for axis in 0..3 {
        let lift = if axis == 2 { 32_768 } else { 0 };
        let mut before = 0_i16;
        let folded: Vec<u16> = points
            .iter()
            .map(|point| {
                let value = ((point[axis] / step_mm).round() as i64 - lift) as i16;
                let step = value.wrapping_sub(before);
                before = value;
                ((step << 1) ^ (step >> 15)) as u16
            })
            .collect();
        planes(&mut bytes, 2, folded.iter().map(|word| u32::from(*word)));
    }
    let mut next = 0;
    let codes: Vec<u32> = triangles
        .iter()
        .flatten()
        .map(|&index| {
            let code = next - index;
            next += u32::from(code == 0);
            code
        })
        .collect();
    planes(&mut bytes, 3, codes.iter().copied());
    planes(&mut bytes, 3, rim.iter().flatten().copied());
    let head = PackedHead {
        label: facet.label.clone(),
        frame: facet.frame,
        back_plane_mm: facet.back_plane_mm,
        corners_mm,
        step_mm,
        points: points.len(),
        triangles: triangles.len(),
        top: mesh.top,
        rim: rim.len(),
    };
    (head, bytes)
}

/// All facets' bytes together, as zlib.
pub fn deflated(bytes: &[u8]) -> Vec<u8> {
    let level = CompressionLvl::new(LEVEL).unwrap_or_default();
    let mut compressor = Compressor::new(level);
    let mut packed = vec![0; compressor.zlib_compress_bound(bytes.len())];
    // The bound is large enough for any input, so this cannot fail.
    let length = compressor.zlib_compress(bytes, &mut packed).unwrap_or(0);
    packed.truncate(length);
    packed
}

fn planes(bytes: &mut Vec<u8>, count: u32, words: impl Iterator<Item = u32> + Clone) {
    for plane in 0..count {
        bytes.extend(words.clone().map(|word| (word >> (8 * plane)) as u8));
    }
}

type Ordered = (Vec<DVec3>, Vec<[u32; 3]>, Vec<[u32; 2]>);

/// The mesh with its points numbered in the order of their first use.
fn in_order_of_use(mesh: &Mesh) -> Ordered {
    let mut numbers = vec![u32::MAX; mesh.points.len()];
    let mut points = Vec::with_capacity(mesh.points.len());
    let triangles = mesh
        .triangles
        .iter()
        .map(|triangle| {
            triangle.map(|index| {
                let number = &mut numbers[index as usize];
                if *number == u32::MAX {
                    *number = points.len() as u32;
                    points.push(mesh.points[index as usize]);
                }
                *number
            })
        })
        .collect();
    let rim = mesh.rim.iter();
    let rim = rim
        .map(|edge| edge.map(|index| numbers[index as usize]))
        .collect();
    (points, triangles, rim)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::manifest::testing::cube;

    /// As the viewer unpacks it, in plain words.
    fn unpack(head: &PackedHead, bytes: &[u8]) -> Mesh {
        let mut at = 0;
        let mut plane = |count: usize| {
            at += count;
            bytes[at - count..at].to_vec()
        };
        let mut points = vec![DVec3::ZERO; head.points];
        for (axis, lift) in [0.0, 0.0, 32_768.0].into_iter().enumerate() {
            let (low, high) = (plane(head.points), plane(head.points));
            let mut value = 0_i16;
            for (i, point) in points.iter_mut().enumerate() {
                let word = u16::from(low[i]) | u16::from(high[i]) << 8;
                let step = (word >> 1) as i16 ^ -((word & 1) as i16);
                value = value.wrapping_add(step);
                point[axis] = (f64::from(value) + lift) * head.step_mm;
            }
        }
        let mut triples = |count: usize| {
            let [low, middle, high] = [plane(count), plane(count), plane(count)];
            let word =
                |i: usize| u32::from(low[i]) | u32::from(middle[i]) << 8 | u32::from(high[i]) << 16;
            (0..count).map(word).collect::<Vec<u32>>()
        };
        let mut next = 0;
        let corners: Vec<u32> = triples(3 * head.triangles)
            .into_iter()
            .map(|back| {
                let index = next - back;
                next += u32::from(back == 0);
                index
            })
            .collect();
        let rim = triples(2 * head.rim);
        Mesh {
            points,
            triangles: corners
                .chunks_exact(3)
                .map(|t| [t[0], t[1], t[2]])
                .collect(),
            top: head.top,
            rim: rim.chunks_exact(2).map(|e| [e[0], e[1]]).collect(),
            error_mm: 0.0,
        }
    }

    #[test]
    fn what_is_unpacked_is_what_was_packed_to_half_a_step() {
        let mesh = Mesh {
            points: [
                (-100.0, 90.0, 0.0),
                (100.0, 90.0, 55.5),
                (0.0, -120.0, 250.0),
                (3.0, 4.0, 5.0),
            ]
            .map(DVec3::from)
            .to_vec(),
            triangles: vec![[3, 1, 0], [0, 1, 2], [2, 1, 3], [0, 2, 3]],
            top: 1,
            rim: vec![[3, 1], [1, 0]],
            error_mm: 0.01,
        };
        let step = step_mm(120.0);
        assert_eq!(step, 0.004);
        let (head, bytes) = pack(&cube().facets[0], Vec::new(), &mesh, step);
        let back = unpack(&head, &bytes);
        assert_eq!((back.top, back.triangles.len()), (1, 4));
        for (triangle, found) in mesh.triangles.iter().zip(&back.triangles) {
            for (a, b) in mesh.corners(*triangle).iter().zip(back.corners(*found)) {
                assert!((*a - b).abs().max_element() <= 0.5 * step + 1e-9, "{a} {b}");
            }
        }
        for (edge, found) in mesh.rim.iter().zip(&back.rim) {
            let at = |mesh: &Mesh, index: u32| mesh.points[index as usize];
            assert!(at(&mesh, edge[0]).distance(at(&back, found[0])) < step);
        }
        let packed = deflated(&bytes);
        let mut plain = vec![0; bytes.len()];
        let mut decoder = libdeflater::Decompressor::new();
        let length = decoder.zlib_decompress(&packed, &mut plain);
        assert_eq!((length, &plain), (Ok(bytes.len()), &bytes));
    }
}
