//! `globe.json`: everything another program or a person needs to rebuild the geometry.

pub mod checksums;
pub mod file;
mod of_job;

pub use checksums::FileEntry;
pub use of_job::{manifest_of, relief_entry};

use crate::carve::cutting::CuttingEntry;
use crate::model::curve::Curve;
use crate::model::geometry::Frame;
use crate::model::grid::Registration;
use crate::model::length::{Lengths, parse_mm};
use crate::model::settings::{Base, Projection};
use crate::sphere::figures::Figures;
use glam::DVec3;
use serde::{Deserialize, Serialize};

/// Version of the manifest's layout.
pub const SCHEMA: &str = "globewright/1";

/// File name of the manifest in an output folder.
pub const MANIFEST_FILE: &str = "globe.json";

/// The whole manifest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Manifest {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Program and version.
    pub program: String,
    /// Every setting with defaults resolved, as written in a job file.
    pub job: serde_json::Value,
    /// The elevation grid.
    pub source: SourceEntry,
    /// Solid, size, position.
    pub globe: GlobeEntry,
    /// Metres to millimetres.
    pub curve: Curve,
    /// How the relief was made; `None` where it came finished.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relief: Option<ReliefEntry>,
    /// Levels and the largest image size.
    pub image: ImageEntry,
    /// One entry per facet, ascending by number.
    pub facets: Vec<FacetEntry>,
    /// What the job's bits reach; `None` when it names none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cutting: Option<CuttingEntry>,
    /// The meshes beside the images; `None` when the folder holds none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mesh: Option<MeshEntry>,
    /// What the run measured of itself.
    pub checks: Checks,
    /// Sentences a person should read; empty when all is well.
    pub warnings: Vec<String>,
    /// Every other file the run wrote, in order of names; empty in a manifest from before they
    /// were listed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<FileEntry>,
}

/// A manifest as it is written: with a sum over its own text.
#[derive(Serialize)]
struct Sealed<'a> {
    #[serde(flatten)]
    manifest: &'a Manifest,
    /// SHA-256 of the text with nothing between the quotes here.
    pub sha256: &'static str,
}

/// How the relief was made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReliefEntry {
    /// Lowest to highest ground, mm.
    pub range_mm: f64,
    /// What decided it: `job`, `diameter` or `wood`.
    pub range_by: String,
    /// Detail of `multiscale`, given or found; `None` for the curve alone.
    pub detail: Option<f64>,
    /// Share of the ball raised so that nothing is undercut.
    pub raised_share: f64,
    /// Most that any ground was raised, mm.
    pub raised_most_mm: f64,
    /// What it looks like as the finishing bit leaves it; `None` for the curve alone.
    pub figures: Option<Figures>,
}

impl Manifest {
    /// What to call the globe: the body's name and the job's, `Mars: walnut`.
    pub fn title(&self) -> String {
        let name = self.job.get("name").and_then(serde_json::Value::as_str);
        let name = name.filter(|name| !name.trim().is_empty());
        let body = self.source.body.as_deref();
        match (body, name) {
            (Some(body), Some(name)) if !name.to_lowercase().contains(&body.to_lowercase()) => {
                format!("{body}: {name}")
            }
            (body, name) => name.or(body).unwrap_or("Globe").to_owned(),
        }
    }

    /// How the job writes lengths; mm for a folder from before it could say.
    pub(crate) fn lengths(&self) -> Lengths {
        let units = self.job.get("units").cloned();
        let units = units.and_then(|units| serde_json::from_value(units).ok());
        let offset = self.job.pointer("/budget/offset").and_then(|v| v.as_str());
        let off_mm = offset.and_then(|text| parse_mm(text).ok());
        Lengths::new(units.unwrap_or_default(), off_mm.unwrap_or(0.0))
    }

    /// A count summed over all facets; at the largest number instead of beyond it.
    pub fn total(&self, count: impl Fn(&FacetEntry) -> u64) -> u64 {
        self.facets
            .iter()
            .fold(0, |sum, facet| sum.saturating_add(count(facet)))
    }

    /// How many times true scale the relief is, over its whole range; `None` when the body's
    /// radius is not known or the ground is level.
    pub fn times_true_scale(&self) -> Option<f64> {
        let radius_m = self.source.reference_radius_m?;
        let (first, last) = (self.curve.knots_m.first()?, self.curve.knots_m.last()?);
        let relief_mm = self.curve.knots_mm.last()? - self.curve.knots_mm.first()?;
        let true_mm = (last - first) * self.globe.radius_mm / radius_m;
        (true_mm > 0.0).then(|| relief_mm / true_mm)
    }
}

/// The elevation grid, at its full resolution.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the names are those of the source's own documentation"
)]
pub struct SourceEntry {
    pub file: String,
    pub width: usize,
    pub height: usize,
    pub cell_deg: f64,
    pub west_deg: f64,
    pub north_deg: f64,
    pub registration: RegistrationName,
    pub unit: String,
    pub body: Option<String>,
    pub reference_radius_m: Option<f64>,
    pub min_m: f64,
    pub max_m: f64,
    pub mean_m: f64,
    pub filled_cells: u64,
    pub filled_share: f64,
    pub clipped_cells: u64,
    /// Share of the sphere in each of equal bands of height, from the lowest to the highest ground.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ground_share: Vec<f64>,
    pub notes: Vec<String>,
}

/// [`Registration`] by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs, reason = "see Registration")]
pub enum RegistrationName {
    Pixel,
    Gridline,
}

impl From<Registration> for RegistrationName {
    fn from(registration: Registration) -> Self {
        match registration {
            Registration::Pixel => RegistrationName::Pixel,
            Registration::Gridline => RegistrationName::Gridline,
        }
    }
}

/// Solid, size and position.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GlobeEntry {
    /// Standard name.
    pub solid: String,
    /// Datum radius (sphere base) or corner radius (flat base), mm.
    pub radius_mm: f64,
    /// What heights are measured from.
    pub base: Base,
    /// How terrain is laid on a facet.
    pub projection: Projection,
    /// Distance of the back of the blanks from the globe's centre, mm; the least, where kinds differ.
    pub back_plane_mm: f64,
    /// Thickness of the stock, mm.
    pub stock_mm: f64,
    /// Left at the top of the stock for cleaning up, mm.
    pub skim_mm: f64,
    /// Least thickness of a corner that the job allows, mm.
    pub edge_mm: f64,
    /// Margin carved outside the seams, mm.
    pub trim_mm: f64,
    /// Rows of the rotation from the solid's standard position to the body frame.
    pub turn: [[f64; 3]; 3],
}

/// Levels and the largest image size.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "units in the names; see docs/manifest.md")]
pub struct ImageEntry {
    pub width_px: usize,
    pub height_px: usize,
    pub pixel_mm: f64,
    pub black_mm: f64,
    pub white_mm: f64,
}

/// A place on the body.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "units in the names")]
pub struct Centre {
    pub lat_deg: f64,
    pub lon_deg: f64,
}

/// Facet axes in the body frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "see geometry::Frame")]
pub struct FrameEntry {
    pub x: [f64; 3],
    pub y: [f64; 3],
    pub z: [f64; 3],
}

impl FrameEntry {
    /// The same as vectors.
    pub fn axes(&self) -> Frame {
        Frame {
            x: DVec3::from_array(self.x),
            y: DVec3::from_array(self.y),
            z: DVec3::from_array(self.z),
        }
    }
}

impl From<Frame> for FrameEntry {
    fn from(frame: Frame) -> Self {
        FrameEntry {
            x: frame.x.to_array(),
            y: frame.y.to_array(),
            z: frame.z.to_array(),
        }
    }
}

/// One side of a facet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EdgeEntry {
    /// Number of the facet on the other side.
    pub neighbour: usize,
    /// Seam label, `S07`.
    pub seam: String,
    /// Blade tilt from vertical, degrees.
    pub tilt_deg: f64,
    /// Lowest and highest relief along the seam, mm about the datum.
    pub seam_low_mm: f64,
    /// See `seam_low_mm`.
    pub seam_high_mm: f64,
}

/// A place with a name.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "units in the names; see docs/manifest.md")]
pub struct PlaceEntry {
    pub name: String,
    pub lat_deg: f64,
    pub lon_deg: f64,
    /// On the facet, at the level.
    pub x_mm: f64,
    pub y_mm: f64,
}

/// One facet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FacetEntry {
    /// Facet number, from 1.
    pub id: usize,
    /// Number as written on the blank, `01`.
    pub label: String,
    /// Kind of blank, from 0.
    pub kind: usize,
    /// Image, relative to the folder.
    pub file: String,
    /// Image columns.
    pub width_px: usize,
    /// Image rows.
    pub height_px: usize,
    /// Distance of the back of the blank from the globe's centre, mm.
    pub back_plane_mm: f64,
    /// Distance of the solid's face plane from the globe's centre, mm.
    pub base_distance_mm: f64,
    /// Facet axes in the body frame.
    pub frame: FrameEntry,
    /// Place under the facet's centre.
    pub centre: Centre,
    /// Corners on the base surface, counter-clockwise, index corner first, mm.
    pub corners_mm: Vec<[f64; 2]>,
    /// Edge i joins corner i to corner i + 1.
    pub edges: Vec<EdgeEntry>,
    /// Places with names on it, those that matter most first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub places: Vec<PlaceEntry>,
    /// Lowest carved height of the facet and its trim above the back, mm.
    pub min_mm: f64,
    /// Highest carved height inside the outline above the back, mm.
    pub max_mm: f64,
    /// Thickness of the finished facet at its thinnest corner, mm.
    pub corner_mm: f64,
    /// Pixels cut off at the stock's top.
    pub clipped_high_px: u64,
    /// Pixels held up at the lowest level.
    pub clipped_low_px: u64,
    /// Pixels where the surface is undercut: ground lies above other ground.
    pub undercut_px: u64,
    /// Pixels inside the blank with its trim.
    pub carved_px: u64,
}

impl FacetEntry {
    /// The place that names it best.
    pub fn known_for(&self) -> Option<&str> {
        self.places.first().map(|place| place.name.as_str())
    }

    /// Pixels cut off at either end.
    pub fn clipped_px(&self) -> u64 {
        self.clipped_high_px.saturating_add(self.clipped_low_px)
    }
}

/// Meshes made from the images: `mesh/01.stl` … and `mesh/globe.glb`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MeshEntry {
    /// Farthest that any pixel may be from its mesh, mm.
    pub tolerance_mm: f64,
}

/// Steps above this show when light rakes over a seam, mm: less goes with the glue line's sanding.
pub const VISIBLE_STEP_MM: f64 = 0.1;

/// How well neighbours meet along their seams.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeamChecks {
    /// Largest difference of two neighbours along a seam, mm.
    pub worst_seam_step_mm: f64,
    /// The seam it is on.
    pub worst_seam: String,
    /// Where it is, degrees north.
    pub worst_seam_lat_deg: f64,
    /// Where it is, degrees east.
    pub worst_seam_lon_deg: f64,
    /// On 99 % of the seams' length neighbours differ by no more, mm.
    pub seam_step_99_mm: f64,
    /// Length of seam along which they differ by more than [`VISIBLE_STEP_MM`], mm.
    pub visible_seam_mm: f64,
    /// Length of all seams measured, mm.
    pub seams_mm: f64,
}

/// What a run measured of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Checks {
    /// How well neighbours meet; `None` when neighbours are missing.
    #[serde(flatten)]
    pub seams: Option<SeamChecks>,
    /// Pixels clamped at either end, all facets.
    pub clipped_px: u64,
    /// Pixels undercut, all facets.
    pub undercut_px: u64,
}

#[cfg(test)]
pub(crate) mod testing {
    //! A cube built by hand: the smallest manifest that holds together.

    use super::*;
    use crate::model::geometry::lat_lon_deg;

    pub const RADIUS_MM: f64 = 40.0;
    pub const BACK_MM: f64 = 16.0;
    pub const BLACK_MM: f64 = 2.0;
    pub const WHITE_MM: f64 = 26.0;
    pub const PIXEL_MM: f64 = 0.25;
    pub const SIDE_PX: usize = 284;

    /// Outward normals, opposite faces next to each other.
    const NORMALS: [DVec3; 6] = [
        DVec3::Z,
        DVec3::NEG_Z,
        DVec3::X,
        DVec3::NEG_X,
        DVec3::Y,
        DVec3::NEG_Y,
    ];

    /// Unit directions of a face's corners, counter-clockwise from outside, index corner first.
    fn corners(normal: DVec3) -> [DVec3; 4] {
        // Any corner will do as the index corner; turning about the normal gives the others.
        let first = NORMALS.iter().fold(DVec3::ZERO, |sum, n| {
            if n.dot(normal).abs() < 0.5 && (n.x + n.y + n.z) > 0.0 {
                sum + *n
            } else {
                sum
            }
        });
        let tangent = first;
        let side = normal.cross(tangent);
        [tangent, side, -tangent, -side].map(|t| (normal + t).normalize())
    }

    pub fn frame(face: usize) -> Frame {
        let normal = NORMALS[face];
        Frame::looking_along(normal, corners(normal)[0])
    }

    fn neighbour(face: usize, edge: usize) -> usize {
        let c = corners(NORMALS[face]);
        let middle = c[edge] + c[(edge + 1) % 4];
        (0..6)
            .find(|&f| f != face && NORMALS[f].dot(middle) > 0.5)
            .unwrap_or_default()
    }

    /// Number from 1 of the seam between two faces: pairs counted in order.
    fn seam(a: usize, b: usize) -> usize {
        let (a, b) = (a.min(b), a.max(b));
        let mut pairs: Vec<(usize, usize)> = Vec::new();
        for f in 0..6 {
            for e in 0..4 {
                let n = neighbour(f, e);
                if f < n {
                    pairs.push((f, n));
                }
            }
        }
        pairs.sort_unstable();
        1 + pairs.iter().position(|&p| p == (a, b)).unwrap_or_default()
    }

    /// Six facets of a ball of radius 40 mm in 26 mm stock; levels are not yet those of images.
    pub fn cube() -> Manifest {
        let facets = (0..6)
            .map(|face| {
                let axes = frame(face);
                let (lat_deg, lon_deg) = lat_lon_deg(axes.z);
                FacetEntry {
                    id: face + 1,
                    label: format!("{:02}", face + 1),
                    kind: 0,
                    file: format!("facets/{:02}.png", face + 1),
                    width_px: SIDE_PX,
                    height_px: SIDE_PX,
                    back_plane_mm: BACK_MM,
                    base_distance_mm: RADIUS_MM / f64::sqrt(3.0),
                    frame: axes.into(),
                    centre: Centre { lat_deg, lon_deg },
                    corners_mm: corners(axes.z)
                        .map(|c| {
                            let local = axes.to_local(c) * RADIUS_MM;
                            [local.x, local.y]
                        })
                        .to_vec(),
                    edges: (0..4)
                        .map(|edge| EdgeEntry {
                            neighbour: neighbour(face, edge) + 1,
                            seam: format!("S{:02}", seam(face, neighbour(face, edge))),
                            tilt_deg: 45.0,
                            seam_low_mm: -0.5,
                            seam_high_mm: 0.75,
                        })
                        .collect(),
                    places: Vec::new(),
                    min_mm: 3.0,
                    max_mm: 25.0,
                    corner_mm: 7.0,
                    clipped_high_px: 0,
                    clipped_low_px: 0,
                    undercut_px: 0,
                    carved_px: 40_000,
                }
            })
            .collect();
        let knots_m: Vec<f64> = (0..257).map(|i| -100.0 + f64::from(i)).collect();
        Manifest {
            schema: SCHEMA.into(),
            program: "globewright 0.1.0".into(),
            job: serde_json::json!({"globe": {"solid": "cube"}, "stock": {"trim": "3 mm"}}),
            source: SourceEntry {
                file: "invented.tif".into(),
                width: 360,
                height: 180,
                cell_deg: 1.0,
                west_deg: -180.0,
                north_deg: 90.0,
                registration: RegistrationName::Pixel,
                unit: "m".into(),
                body: None,
                reference_radius_m: Some(100_000.0),
                min_m: -100.0,
                max_m: 156.0,
                mean_m: 3.0,
                filled_cells: 0,
                filled_share: 0.0,
                clipped_cells: 0,
                ground_share: Vec::new(),
                notes: Vec::new(),
            },
            globe: GlobeEntry {
                solid: "cube".into(),
                radius_mm: RADIUS_MM,
                base: Base::Sphere,
                projection: Projection::Radial,
                back_plane_mm: BACK_MM,
                stock_mm: WHITE_MM,
                skim_mm: 0.5,
                edge_mm: 6.0,
                trim_mm: 3.0,
                turn: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            },
            curve: Curve {
                name: "linear".into(),
                knots_mm: knots_m.iter().map(|m| m / 100.0).collect(),
                knots_m,
            },
            relief: None,
            image: ImageEntry {
                width_px: SIDE_PX,
                height_px: SIDE_PX,
                pixel_mm: PIXEL_MM,
                black_mm: BLACK_MM,
                white_mm: WHITE_MM,
            },
            facets,
            cutting: None,
            mesh: None,
            checks: Checks {
                seams: Some(SeamChecks {
                    worst_seam_step_mm: 0.01,
                    worst_seam: "S01".into(),
                    worst_seam_lat_deg: 12.0,
                    worst_seam_lon_deg: 34.0,
                    seam_step_99_mm: 0.005,
                    visible_seam_mm: 0.0,
                    seams_mm: 500.0,
                }),
                clipped_px: 0,
                undercut_px: 0,
            },
            warnings: Vec::new(),
            files: Vec::new(),
        }
    }
}
