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
use gltf_json::validation::Checked::Valid;
use gltf_json::validation::USize64;
use gltf_json::{self as gltf, Index, Root, accessor, buffer, mesh, scene};
use std::collections::BTreeMap;

/// The ball, all facets in their places.
pub const GLOBE_FILE: &str = "mesh/globe.glb";

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

/// The ball as a binary glTF file.
///
/// # Errors
/// [`Error::Disk`] never in practice: only if writing to memory failed.
pub fn globe(title: &str, facets: &[(&FacetEntry, &Mesh)]) -> Result<Vec<u8>> {
    let mut root = Root::default();
    let mut bytes = Vec::new();
    let nodes: Vec<Index<scene::Node>> = facets
        .iter()
        .map(|(facet, mesh)| add_facet(&mut root, &mut bytes, facet, mesh))
        .collect();
    let upright = DQuat::from_rotation_x(-std::f64::consts::FRAC_PI_2);
    let globe = root.push(scene::Node {
        name: Some(title.to_owned()),
        children: Some(nodes),
        rotation: Some(scene::UnitQuaternion(upright.as_quat().to_array())),
        scale: Some([0.001; 3]),
        ..scene::Node::default()
    });
    let scene = root.push(gltf::Scene {
        name: None,
        nodes: vec![globe],
        extensions: None,
        extras: Default::default(),
    });
    root.scene = Some(scene);
    root.asset.generator = Some(format!("globewright {}", env!("CARGO_PKG_VERSION")));
    root.push(gltf::Buffer {
        byte_length: USize64::from(bytes.len()),
        name: None,
        uri: None,
        extensions: None,
        extras: Default::default(),
    });
    let mut text = gltf::serialize::to_vec(&root).map_err(|e| failed(&e))?;
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

fn add_facet(
    root: &mut Root,
    bytes: &mut Vec<u8>,
    facet: &FacetEntry,
    solid: &Mesh,
) -> Index<scene::Node> {
    let points: Vec<[f32; 3]> = solid
        .points
        .iter()
        .map(|p| p.as_vec3().to_array())
        .collect();
    let bound = |pick: fn(f32, f32) -> f32, start: f32| {
        points.iter().fold([start; 3], |bound, point| {
            [0, 1, 2].map(|axis| pick(bound[axis], point[axis]))
        })
    };
    let (low, high) = (
        bound(f32::min, f32::INFINITY),
        bound(f32::max, f32::NEG_INFINITY),
    );
    let words = points.iter().flatten().map(|mm| mm.to_le_bytes());
    let positions = view(root, bytes, words, buffer::Target::ArrayBuffer);
    let corners = solid.triangles.iter().flatten();
    let indices = view(
        root,
        bytes,
        corners.map(|index| index.to_le_bytes()),
        buffer::Target::ElementArrayBuffer,
    );
    let positions = root.push(accessor(
        positions,
        points.len(),
        accessor::ComponentType::F32,
        accessor::Type::Vec3,
        Some([low, high]),
    ));
    let indices = root.push(accessor(
        indices,
        3 * solid.triangles.len(),
        accessor::ComponentType::U32,
        accessor::Type::Scalar,
        None,
    ));
    let name = format!("facet {}", facet.label);
    let mesh = root.push(gltf::Mesh {
        name: Some(name.clone()),
        primitives: vec![mesh::Primitive {
            attributes: BTreeMap::from([(Valid(mesh::Semantic::Positions), positions)]),
            indices: Some(indices),
            mode: Valid(mesh::Mode::Triangles),
            material: None,
            targets: None,
            extensions: None,
            extras: Default::default(),
        }],
        weights: None,
        extensions: None,
        extras: Default::default(),
    });
    let place = facet.frame.axes().z * facet.back_plane_mm;
    root.push(scene::Node {
        name: Some(name),
        mesh: Some(mesh),
        rotation: Some(scene::UnitQuaternion(
            rotation(&facet.frame).as_quat().to_array(),
        )),
        translation: Some(place.as_vec3().to_array()),
        ..scene::Node::default()
    })
}

/// So many numbers or points in a view.
fn accessor(
    view: Index<buffer::View>,
    count: usize,
    kind: accessor::ComponentType,
    type_: accessor::Type,
    limits: Option<[[f32; 3]; 2]>,
) -> gltf::Accessor {
    gltf::Accessor {
        buffer_view: Some(view),
        byte_offset: Some(USize64(0)),
        count: USize64::from(count),
        component_type: Valid(accessor::GenericComponentType(kind)),
        type_: Valid(type_),
        min: limits.map(|limits| gltf::Value::from(limits[0].to_vec())),
        max: limits.map(|limits| gltf::Value::from(limits[1].to_vec())),
        name: None,
        normalized: false,
        sparse: None,
        extensions: None,
        extras: Default::default(),
    }
}

/// Appends words of four bytes to the one buffer of the file.
fn view(
    root: &mut Root,
    bytes: &mut Vec<u8>,
    words: impl Iterator<Item = [u8; 4]>,
    target: buffer::Target,
) -> Index<buffer::View> {
    let start = bytes.len();
    bytes.extend(words.flatten());
    root.push(buffer::View {
        buffer: Index::new(0),
        byte_length: USize64::from(bytes.len() - start),
        byte_offset: Some(USize64::from(start)),
        byte_stride: None,
        name: None,
        target: Some(Valid(target)),
        extensions: None,
        extras: Default::default(),
    })
}
