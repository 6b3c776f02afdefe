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
    /// `[[board]]`: the boards to lay blanks out on.
    pub boards: Vec<Board>,
    /// `[[cutter]]`: the bits, to know what they reach and how long they take.
    pub cutters: Vec<Cutter>,
    /// `[cutting]`: what is asked of them.
    pub cutting: CuttingSettings,
    /// `[turn]`: what counts when the planet is turned for the saw.
    pub turning: TurningSettings,
    /// `[[keep]]`: places no seam should cut.
    pub keeps: Vec<Keep>,
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
                    auto: false,
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
            boards: Vec::new(),
            cutters: Vec::new(),
            cutting: CuttingSettings {
                left_mm: 0.1,
                acceleration_mm_s2: None,
            },
            turning: TurningSettings::default(),
            keeps: Vec::new(),
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
    /// Search for the best turn instead of taking the place below.
    pub auto: bool,
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

/// Boards of one size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Board {
    /// Across the grain, mm.
    pub width_mm: f64,
    /// Along the grain, mm.
    pub length_mm: f64,
    /// Thickness, mm; `None` is as thick as the stock.
    pub thickness_mm: Option<f64>,
    /// How many.
    pub count: usize,
}

/// How the tip of a bit is ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CutterShape {
    /// A half ball.
    Ball,
    /// Straight across.
    Flat,
    /// A half ball running into a cone.
    TaperedBall,
}

/// What a bit is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CutterRole {
    /// Clearing most of the wood.
    Rough,
    /// Carving the surface.
    Finish,
    /// Carving the surface with a flat bit, which leaves steps: only when asked for by this word.
    FinishFlat,
}

/// A bit and how it is driven.
#[derive(Debug, Clone, PartialEq)]
pub struct Cutter {
    /// How its tip is ground.
    pub shape: CutterShape,
    /// Diameter, of the ball at the tip for a tapered bit, mm.
    pub diameter_mm: f64,
    /// Between the axis and the flank of a tapered bit, degrees.
    pub half_angle_deg: f64,
    /// Length of the cutting part, mm.
    pub flute_mm: f64,
    /// What it is for; `None` follows its shape.
    pub role: Option<CutterRole>,
    /// Between passes, mm; `None` follows role and diameter.
    pub stepover_mm: Option<f64>,
    /// Depth of a pass, mm; `None` is half the diameter.
    pub stepdown_mm: Option<f64>,
    /// Wood to leave for the finishing bit, mm.
    pub allowance_mm: f64,
    /// While cutting, mm per minute.
    pub feed_mm_min: f64,
    /// Straight down, mm per minute.
    pub plunge_mm_min: f64,
    /// In the air, mm per minute.
    pub rapid_mm_min: f64,
    /// Until the spindle is at speed, minutes.
    pub start_min: f64,
    /// To change to this bit, minutes.
    pub change_min: f64,
}

impl Default for Cutter {
    /// A finishing ball of 1/8 in, driven as hobby machines drive it in hardwood. Common
    /// practice, no source.
    fn default() -> Self {
        Cutter {
            shape: CutterShape::Ball,
            diameter_mm: 3.175,
            half_angle_deg: 5.0,
            flute_mm: 25.4,
            role: None,
            stepover_mm: None,
            stepdown_mm: None,
            allowance_mm: 0.5,
            feed_mm_min: 2500.0,
            plunge_mm_min: 800.0,
            rapid_mm_min: 5000.0,
            start_min: 0.1,
            change_min: 2.0,
        }
    }
}

impl Cutter {
    /// What it is for: as the job says, or as bits of its shape are used.
    pub fn role(&self) -> CutterRole {
        self.role.unwrap_or(match self.shape {
            CutterShape::Flat => CutterRole::Rough,
            CutterShape::Ball | CutterShape::TaperedBall => CutterRole::Finish,
        })
    }

    /// Between passes, mm: a tenth of the diameter to finish, four tenths to rough. Common
    /// practice, no source.
    pub fn stepover_mm(&self) -> f64 {
        self.stepover_mm.unwrap_or(match self.role() {
            CutterRole::Rough => 0.4 * self.diameter_mm,
            CutterRole::Finish | CutterRole::FinishFlat => 0.1 * self.diameter_mm,
        })
    }

    /// Depth of a pass, mm.
    pub fn stepdown_mm(&self) -> f64 {
        self.stepdown_mm.unwrap_or(0.5 * self.diameter_mm)
    }
}

/// What is asked of the bits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CuttingSettings {
    /// Wood left by the finishing bit that counts as left, mm.
    pub left_mm: f64,
    /// What the machine gains per second, mm/s²; `None` for at once.
    pub acceleration_mm_s2: Option<f64>,
}

/// A part of the cost of a turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TurnPart {
    /// Mean relief along the seams.
    Relief,
    /// The seam with most relief.
    Worst,
    /// Highest ground on a seam or corner.
    High,
    /// What a misfit at the seams shows.
    Misfit,
    /// Lowest ground at a corner.
    Corner,
    /// Seams through places to keep whole.
    Keep,
}

/// What counts when the planet is turned for the saw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurningSettings {
    /// Weight of each mm of mean relief along the seams.
    pub relief: f64,
    /// Weight of each mm of relief along the worst seam.
    pub worst: f64,
    /// Weight of each mm of height on seams and corners.
    pub high: f64,
    /// Weight of each mm that a misfit shows.
    pub misfit: f64,
    /// Weight of each mm that the lowest corner lies below the datum.
    pub corner: f64,
    /// Weight of each degree that seams reach into places to keep whole.
    pub keep: f64,
    /// The part that must not pass [`TurningSettings::most`].
    pub limit: Option<TurnPart>,
    /// Its limit, mm or degrees.
    pub most: f64,
    /// Highest mountains to keep whole.
    pub peaks: usize,
    /// Deepest basins to keep whole.
    pub basins: usize,
    /// Starts the search somewhere else.
    pub seed: usize,
}

impl Default for TurningSettings {
    fn default() -> Self {
        TurningSettings {
            relief: 1.0,
            worst: 0.25,
            high: 0.1,
            misfit: 2.0,
            corner: 0.1,
            keep: 0.05,
            limit: None,
            most: 1.0,
            peaks: 3,
            basins: 2,
            seed: 0,
        }
    }
}

/// A place no seam should cut.
#[derive(Debug, Clone, PartialEq)]
pub struct Keep {
    /// What to call it.
    pub name: String,
    /// Degrees north.
    pub lat_deg: f64,
    /// Degrees east.
    pub lon_deg: f64,
    /// Size: half its width as an angle at the body's centre, degrees.
    pub radius_deg: f64,
}
