//! Resolved settings: what a job asks for, with every default filled in.
//!
//! Plain values in the units their names say. `jobfile` reads them from TOML; everything after
//! it takes these structs and never sees the file.

use crate::grid::Quantity;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Everything a job says.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Title of the job, shown in the report.
    pub name: String,
    /// `[grid]`: the source and what it leaves unsaid.
    pub grid: GridSettings,
    /// `[globe]`: solid, size, position.
    pub globe: GlobeSettings,
    /// `[relief]`: how heights become millimetres.
    pub relief: ReliefSettings,
    /// `[stock]`: the wood.
    pub stock: StockSettings,
    /// `[image]`: the height images.
    pub image: ImageSettings,
}

impl Default for Settings {
    /// A job file that says nothing.
    fn default() -> Self {
        Settings {
            name: "globe".to_owned(),
            grid: GridSettings::default(),
            globe: GlobeSettings {
                solid: "dodecahedron".to_owned(),
                diameter_mm: 200.0,
                base: Base::Sphere,
                projection: Projection::Radial,
                turn: TurnSettings {
                    face: 1,
                    lat_deg: 90.0,
                    lon_deg: 0.0,
                    spin_deg: 0.0,
                },
            },
            relief: ReliefSettings {
                range_mm: None,
                curve: CurveShape::Asinh,
                boost: 3.0,
                exponent: 0.6,
                blend: None,
                knots: Vec::new(),
                level: Level::Mean,
            },
            stock: StockSettings {
                thickness_mm: 50.8,
                skim_mm: 0.5,
                edge_mm: 12.0,
                trim_mm: 3.0,
            },
            image: ImageSettings {
                pixel_mm: 0.1,
                format: ImageFormat::Png,
                outside: Outside::Floor,
            },
        }
    }
}

/// The source, and overrides for what its file leaves unsaid or says wrongly.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct GridSettings {
    /// Elevation files, resolved against the job file's folder.
    pub files: Vec<PathBuf>,
    /// Named body.
    pub body: Option<String>,
    /// Reference radius, metres.
    pub radius_m: Option<f64>,
    /// What the numbers stand for.
    pub quantity: Option<Quantity>,
    /// Factor from stored numbers to metres.
    pub scale: Option<f64>,
    /// Added after scaling, metres.
    pub offset_m: Option<f64>,
    /// Stored number that means "no data".
    pub nodata: Option<f64>,
    /// Longitude of the grid's western edge, degrees east.
    pub west_deg: Option<f64>,
    /// What becomes of the body's own flattening.
    pub flattening: Flattening,
}

/// What becomes of the flattening of a body whose heights count from a sphere or from its centre.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Flattening {
    /// It is carved as if it were terrain.
    #[default]
    Keep,
    /// Heights count from the body's ellipsoid.
    Remove,
}

/// What heights are measured from in the wood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Base {
    /// The datum sphere: the glued globe is a ball.
    Sphere,
    /// The solid's flat faces: the glued globe stays a polyhedron.
    Flat,
}

/// How terrain is laid on a facet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Projection {
    /// Relief along the line from the globe's centre; neighbours agree exactly at seams.
    Radial,
    /// Relief straight up from a flat face; neighbours agree approximately.
    Gnomonic,
}

/// Solid, size and position.
#[derive(Debug, Clone, PartialEq)]
pub struct GlobeSettings {
    /// Standard name of the solid.
    pub solid: String,
    /// Diameter in mm: of the datum sphere, or of the corner-to-corner sphere for a flat base.
    pub diameter_mm: f64,
    /// What heights are measured from.
    pub base: Base,
    /// How terrain is laid on a facet.
    pub projection: Projection,
    /// Where the planet is turned to.
    pub turn: TurnSettings,
}

/// Puts a place on the body at the centre of a facet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurnSettings {
    /// Facet number, from 1.
    pub face: usize,
    /// Latitude to put at its centre, degrees north.
    pub lat_deg: f64,
    /// Longitude to put at its centre, degrees east.
    pub lon_deg: f64,
    /// Direction of its index corner, degrees clockwise from north, seen from outside.
    pub spin_deg: f64,
}

/// Shape of the exaggeration curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CurveShape {
    /// Straight line.
    Linear,
    /// Power law with a soft middle.
    Power,
    /// Inverse hyperbolic sine.
    Asinh,
    /// Logarithm to both sides.
    Log,
    /// Equal area gets equal relief, blended with linear.
    Equalize,
    /// Through given pairs of metres and millimetres.
    Knots,
}

/// The height that is carved at the datum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Level {
    /// The area-weighted mean.
    Mean,
    /// A height in metres.
    Metres(f64),
}

/// How heights become millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct ReliefSettings {
    /// Lowest to highest ground, mm; `None` takes all the stock allows.
    pub range_mm: Option<f64>,
    /// Curve shape.
    pub curve: CurveShape,
    /// Slope at the area-weighted median height relative to linear.
    pub boost: f64,
    /// Exponent of the `power` curve far from the median, 0..1.
    pub exponent: f64,
    /// Share of equalisation in `equalize`, 0..=1; `None` follows `boost`.
    pub blend: Option<f64>,
    /// Pairs (metres, millimetres) for `knots`, both ascending.
    pub knots: Vec<[f64; 2]>,
    /// Height carved at the datum.
    pub level: Level,
}

/// The wood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StockSettings {
    /// Thickness as bought, mm.
    pub thickness_mm: f64,
    /// Left for cleaning up the top, mm.
    pub skim_mm: f64,
    /// Least thickness of a facet at its corners, mm.
    pub edge_mm: f64,
    /// Margin carved outside the facet for the saw to cut in, mm.
    pub trim_mm: f64,
}

/// File format of the height images.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ImageFormat {
    /// 16-bit greyscale PNG.
    Png,
    /// 16-bit greyscale TIFF.
    Tiff,
}

/// What the image shows outside the blank.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outside {
    /// The lowest level.
    Floor,
    /// Terrain to the image's edge.
    Terrain,
}

/// The height images.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImageSettings {
    /// Pixel size, mm.
    pub pixel_mm: f64,
    /// File format.
    pub format: ImageFormat,
    /// What lies outside the blank.
    pub outside: Outside,
}
