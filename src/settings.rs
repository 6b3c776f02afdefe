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
                below: BelowSettings::default(),
                method: Method::Curve,
                span_mm: 5.0,
                detail: 20.0,
                shift: 0.02,
                strength: 0.4,
                steepest_deg: None,
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
    /// `[relief.below]`: another curve for the ground below a height.
    pub below: BelowSettings,
    /// What is done beside the curve.
    pub method: Method,
    /// Width on the globe below which ground counts as detail, mm.
    pub span_mm: f64,
    /// Times the faintest detail is deepened.
    pub detail: f64,
    /// How far `layered` may move ground, as a share of the body's range of heights.
    pub shift: f64,
    /// Share of `adaptive` and `gradient` in a blend with the curve alone, 0..=1.
    pub strength: f64,
    /// Steepest slope of the carved relief, degrees; `None` leaves it to the method.
    pub steepest_deg: Option<f64>,
}

/// Slopes of the methods that raise detail are held to this, degrees, unless the job says more.
const STEEPEST_OF_METHODS_DEG: f64 = 60.0;

impl ReliefSettings {
    /// The steepest slope allowed, degrees; `None` for no limit.
    pub fn slope_limit_deg(&self) -> Option<f64> {
        match self.method {
            Method::Curve => self.steepest_deg,
            _ => Some(self.steepest_deg.unwrap_or(STEEPEST_OF_METHODS_DEG)),
        }
    }
}

/// What is done beside the curve, which knows nothing of a place's surroundings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// Nothing.
    Curve,
    /// An edge-keeping base, and detail brought out of it.
    Layered,
    /// Equalisation in windows.
    Adaptive,
    /// Slopes evened out and put together again.
    Gradient,
}

/// Another curve below a height, such as a sea's shore.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BelowSettings {
    /// The height, metres; `None` carves all ground by one curve.
    pub level_m: Option<f64>,
    /// Shape below it; `None` takes the same.
    pub curve: Option<CurveShape>,
    /// Slope at the median height of the ground below it, relative to linear; `None`: the same.
    pub boost: Option<f64>,
    /// Share of the relief given to the ground below; `None`: its share of the heights.
    pub share: Option<f64>,
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
