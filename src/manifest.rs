//! `globe.json`: everything another program or a person needs to rebuild the geometry.

use crate::curve::Curve;
use crate::grid::Registration;
use crate::settings::{Base, Projection};
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
    /// Levels and the largest image size.
    pub image: ImageEntry,
    /// One entry per facet, ascending by number.
    pub facets: Vec<FacetEntry>,
    /// What the run measured of itself.
    pub checks: Checks,
    /// Sentences a person should read; empty when all is well.
    pub warnings: Vec<String>,
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
    pub clipped_cells: u64,
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
    /// Lowest carved height above the back, mm.
    pub min_mm: f64,
    /// Highest carved height above the back, mm.
    pub max_mm: f64,
    /// Thickness of the finished facet at its thinnest corner, mm.
    pub corner_mm: f64,
    /// Pixels cut off at the stock's top.
    pub clipped_high_px: u64,
    /// Pixels held up at the lowest level.
    pub clipped_low_px: u64,
    /// Pixels where the surface folds under itself.
    pub undercut_px: u64,
    /// Pixels inside the blank with its trim.
    pub carved_px: u64,
}

/// What a run measured of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Checks {
    /// Largest difference of two neighbours along a seam, mm; `None` when neighbours are missing.
    pub worst_seam_step_mm: Option<f64>,
    /// The seam it is on.
    pub worst_seam: Option<String>,
    /// Pixels clamped at either end, all facets.
    pub clipped_px: u64,
    /// Pixels folded under, all facets.
    pub undercut_px: u64,
}
