//! `mesh/`: every blank as STL, and the glued ball as one glTF file.
//!
//! STL has no unit of its own; its numbers are millimetres in the facet's frame, as every program
//! for machines and printers takes them. glTF's unit is the metre and its y axis points up (glTF
//! 2.0 specification, section 3.4): the ball's points are millimetres too, under one node that
//! scales by a thousandth and turns north, the planet's z, upwards. So both are true size.

use crate::output::manifest::{FacetEntry, FrameEntry};
use crate::output::mesh::Mesh;
use crate::{Error, Problem, Result};
use glam::{DMat3, DQuat, DVec3};
use serde_json::{Value, json};

/// The ball, all facets in their places.
pub const GLOBE_FILE: &str = "mesh/globe.glb";

/// Numbers of the glTF 2.0 specification: kinds of component (section 3.6.2.2), targets of views and
/// the mode of primitives (sections 5.11.5 and 5.24.4).
const FLOAT: u32 = 5126;
const UNSIGNED_INT: u32 = 5125;
const ARRAY_BUFFER: u32 = 34962;
const ELEMENT_ARRAY_BUFFER: u32 = 34963;
const TRIANGLES: u32 = 4;

/// The STL file of a facet.
pub fn blank_file(label: &str) -> String {
    format!("mesh/{label}.stl")
}

/// One closed mesh as binary STL.
///
/// # Errors
/// [`Error::Disk`] never in practice: only if writing to memory failed.
pub fn stl(mesh: &Mesh) -> Result<Vec<u8>> {
    let vertex = |p: DVec3| stl_io::Vertex::new(p.as_vec3().to_array());
    let triangles: Vec<stl_io::Triangle> = mesh
        .triangles
        .iter()
        .map(|triangle| {
            let [a, b, c] = mesh.corners(*triangle);
            stl_io::Triangle {
                normal: stl_io::Normal::new(
                    (b - a)
                        .cross(c - a)
                        .normalize_or_zero()
                        .as_vec3()
                        .to_array(),
                ),
                vertices: [a, b, c].map(vertex),
            }
        })
        .collect();
    let mut bytes = Vec::with_capacity(84 + 50 * triangles.len());
    stl_io::write_stl(&mut bytes, triangles.iter()).map_err(|e| failed(&e))?;
    Ok(bytes)
}

fn failed(error: &dyn std::fmt::Display) -> Error {
    Error::Disk(Problem::new(format!(
        "a mesh could not be written: {error}"
    )))
}

/// Turn from a facet's frame to the planet's.
fn rotation(frame: &FrameEntry) -> DQuat {
    let axes = frame.axes();
    DQuat::from_mat3(&DMat3::from_cols(axes.x, axes.y, axes.z))
}

/// What a glTF file lists, and the bytes that its views lie in.
#[derive(Default)]
struct Parts {
    nodes: Vec<Value>,
    meshes: Vec<Value>,
    accessors: Vec<Value>,
    views: Vec<Value>,
    bytes: Vec<u8>,
}

/// Adds to a list; the number by which the others name it.
fn push(list: &mut Vec<Value>, value: Value) -> usize {
    list.push(value);
    list.len() - 1
}

/// The ball as a binary glTF file.
///
/// # Errors
/// [`Error::Disk`] never in practice: only if the file would be too large for its format.
pub fn globe(title: &str, facets: &[(&FacetEntry, &Mesh)]) -> Result<Vec<u8>> {
    let mut parts = Parts::default();
    let children: Vec<usize> = (facets.iter())
        .map(|(facet, mesh)| parts.add_facet(facet, mesh))
        .collect();
    let upright = DQuat::from_rotation_x(-std::f64::consts::FRAC_PI_2);
    let globe = json!({
        "name": title, "children": children, "scale": vec![0.001; 3],
        "rotation": upright.as_quat().to_array(),
    });
    let globe = push(&mut parts.nodes, globe);
    let root = json!({
        "asset": {
            "version": "2.0",
            "generator": concat!("globewright ", env!("CARGO_PKG_VERSION")),
        },
        "scene": 0,
        "scenes": [{ "nodes": [globe] }],
        "nodes": parts.nodes,
        "meshes": parts.meshes,
        "accessors": parts.accessors,
        "bufferViews": parts.views,
        "buffers": [{ "byteLength": parts.bytes.len() }],
    });
    let (mut text, mut bytes) = (root.to_string().into_bytes(), parts.bytes);
    pad(&mut text, b' ');
    pad(&mut bytes, 0);
    let length = 12 + 8 + text.len() + 8 + bytes.len();
    let word = |length: usize| {
        u32::try_from(length)
            .map(u32::to_le_bytes)
            .map_err(|e| failed(&e))
    };
    let mut glb = Vec::with_capacity(length);
    glb.extend(b"glTF");
    glb.extend(2_u32.to_le_bytes());
    glb.extend(word(length)?);
    for (kind, chunk) in [(b"JSON", &text), (b"BIN\0", &bytes)] {
        glb.extend(word(chunk.len())?);
        glb.extend(kind);
        glb.extend(chunk);
    }
    Ok(glb)
}

/// Chunks and views begin at whole words.
fn pad(bytes: &mut Vec<u8>, with: u8) {
    bytes.resize(bytes.len().next_multiple_of(4), with);
}

impl Parts {
    /// A facet in its place; the number of its node.
    fn add_facet(&mut self, facet: &FacetEntry, solid: &Mesh) -> usize {
        let points: Vec<[f32; 3]> = (solid.points.iter())
            .map(|p| p.as_vec3().to_array())
            .collect();
        let bound = |pick: fn(f32, f32) -> f32| {
            let all = points.iter().copied();
            all.reduce(|bound, point| [0, 1, 2].map(|axis| pick(bound[axis], point[axis])))
        };
        let words = points.iter().flatten().map(|mm| mm.to_le_bytes());
        let view = self.view(words, ARRAY_BUFFER);
        let positions = json!({
            "bufferView": view, "componentType": FLOAT, "type": "VEC3", "count": points.len(),
            "min": bound(f32::min), "max": bound(f32::max),
        });
        let corners = solid.triangles.iter().flatten();
        let words = corners.map(|index| index.to_le_bytes());
        let view = self.view(words, ELEMENT_ARRAY_BUFFER);
        let indices = json!({
            "bufferView": view, "componentType": UNSIGNED_INT, "type": "SCALAR",
            "count": 3 * solid.triangles.len(),
        });
        let primitive = json!({
            "attributes": { "POSITION": push(&mut self.accessors, positions) },
            "indices": push(&mut self.accessors, indices),
            "mode": TRIANGLES,
        });
        let name = format!("facet {}", facet.label);
        let mesh = json!({ "name": name, "primitives": [primitive] });
        let place = facet.frame.axes().z * facet.back_plane_mm;
        let node = json!({
            "name": name, "mesh": push(&mut self.meshes, mesh),
            "rotation": rotation(&facet.frame).as_quat().to_array(),
            "translation": place.as_vec3().to_array(),
        });
        push(&mut self.nodes, node)
    }

    /// Appends words of four bytes to the one buffer of the file; the number of their view.
    fn view(&mut self, words: impl Iterator<Item = [u8; 4]>, target: u32) -> usize {
        let start = self.bytes.len();
        self.bytes.extend(words.flatten());
        let view = json!({
            "buffer": 0, "byteOffset": start, "byteLength": self.bytes.len() - start,
            "target": target,
        });
        push(&mut self.views, view)
    }
}
