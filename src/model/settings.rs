//! Resolved settings: what a job asks for, with every default filled in.
//!
//! Plain values in the units their names say. `jobfile` reads them from TOML; everything after
//! it takes these structs and never sees the file.

use crate::model::grid::Quantity;
use crate::model::length::{Lengths, Units};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Everything a job says.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Title of the job, shown in the report.
    pub name: String,
    /// Units of sheets, tables and drawings.
    pub units: Units,
    /// Units in which the job's own lengths were typed, by setting; messages speak those.
    pub typed: TypedUnits,
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
    /// `[blanks]`: how blanks are cut from boards.
    pub blanks: BlankSettings,
    /// `[jig]`: pocket, boss and hold-down tabs.
    pub jig: JigSettings,
    /// `[saw]`: what the saw can do.
    pub saw: SawSettings,
    /// `[joint]`: what holds a seam beside glue.
    pub joint: JointSettings,
    /// `[mount]`: what carries the finished ball.
    pub mount: MountSettings,
    /// `[wood]`: species and moisture.
    pub wood: WoodSettings,
    /// `[budget]`: how exact the work is.
    pub budget: BudgetSettings,
    /// `[paper]`: printed sheets.
    pub paper: PaperSettings,
    /// `[[cutter]]`: the bits, to know what they reach and how long they take.
    pub cutters: Vec<Cutter>,
    /// `[cutting]`: what is asked of them.
    pub cutting: CuttingSettings,
    /// `[turn]`: what counts when the planet is turned for the saw.
    pub turning: TurningSettings,
    /// `[[keep]]`: places no seam should cut.
    pub keeps: Vec<KeepWhole>,
    /// `[[place]]`: places to name.
    pub places: Vec<NamedPlace>,
}

/// Units in which lengths were typed, by setting. They do not change what a job asks for, so any
/// two are equal.
#[derive(Debug, Clone, Default)]
pub struct TypedUnits(BTreeMap<String, Units>);

impl PartialEq for TypedUnits {
    fn eq(&self, _: &TypedUnits) -> bool {
        true
    }
}

impl TypedUnits {
    /// Keeps those of one setting.
    pub(crate) fn note(&mut self, key: &str, units: Units) {
        self.0.insert(key.to_owned(), units);
    }
}

impl Settings {
    /// How sheets, tables and drawings write lengths. A fraction of an inch is off by no more than
    /// a cut may be.
    pub(crate) fn lengths(&self) -> Lengths {
        Lengths::new(self.units, self.budget.offset_mm)
    }

    /// How a message about a setting writes lengths: in the units it was typed in.
    pub(crate) fn lengths_of(&self, key: &str) -> Lengths {
        let units = self.typed.0.get(key).copied().unwrap_or(self.units);
        Lengths::new(units, self.budget.offset_mm)
    }

    /// Diameter of the widest bit that carves the relief, mm: the job's word, the widest of its
    /// bits, or the roughing bit most shops have.
    pub fn widest_bit_mm(&self) -> f64 {
        const USUAL_MM: f64 = 6.0;
        let widest = self.cutters.iter().map(|bit| bit.diameter_mm);
        let named = self.jig.cutter_mm.or_else(|| widest.reduce(f64::max));
        named.unwrap_or(USUAL_MM)
    }

    /// Depth of the pocket in the back and height of the boss, mm: the job's word, or one diameter
    /// of the bit that cuts them, in thin stock a sixth of its thickness.
    pub fn pocket_depth_mm(&self) -> f64 {
        let sixth = (10.0 * self.stock.thickness_mm / 6.0).floor() / 10.0;
        let usual = self.jig.bit_mm.min(sixth);
        self.jig.depth_mm.unwrap_or(usual)
    }

    /// Thickness of a tab and depth of its notch, mm: the job's word, or the pocket's depth, so
    /// that both are cut at one setting.
    pub fn tab_thickness_mm(&self) -> f64 {
        let usual = self.pocket_depth_mm();
        self.jig.tab_thickness_mm.unwrap_or(usual)
    }

    /// How far a blank can shift on the jig, any direction, mm: the job's word, or half the play
    /// between boss and pocket, as blanks are pushed against the same side of it.
    pub fn shift_on_jig_mm(&self) -> f64 {
        let usual = 0.5 * self.jig.clearance_mm;
        self.budget.clearance_mm.unwrap_or(usual)
    }
}

impl Default for Settings {
    /// A job file that says nothing.
    fn default() -> Self {
        Settings {
            name: "Globe".to_owned(),
            units: Units::Mm,
            typed: TypedUnits::default(),
            grid: GridSettings::default(),
            globe: GlobeSettings {
                solid: "deltoidal-icositetrahedron".to_owned(),
                diameter_mm: 200.0,
                base: Base::Sphere,
                projection: Projection::Radial,
                names: true,
                turn: TurnSettings {
                    auto: false,
                    face: 1,
                    lat_deg: 90.0,
                    lon_deg: 0.0,
                    spin_deg: 0.0,
                },
            },
            relief: ReliefSettings {
                range: ReliefRange::Auto,
                curve: CurveShape::Asinh,
                boost: 2.5,
                exponent: 0.6,
                blend: None,
                knots: Vec::new(),
                level: Level::Mean,
                below: BelowSettings::default(),
                method: Method::Multiscale,
                detail: Detail::Auto,
                steepest: Steepest::Auto,
            },
            stock: StockSettings {
                thickness_mm: 44.45,
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
            blanks: BlankSettings {
                spares: 1,
                gap_mm: 10.0,
                margin_mm: 6.0,
                strip_mm: None,
                waste_percent: 30.0,
            },
            jig: JigSettings {
                pocket: true,
                depth_mm: None,
                inset_mm: None,
                bit_mm: 6.0,
                corner_mm: None,
                clearance_mm: 0.1,
                allowance_mm: None,
                over_mm: 5.0,
                key: true,
                tabs: None,
                tab_width_mm: None,
                tab_thickness_mm: None,
                tab_overlap_mm: None,
                cutter_mm: None,
            },
            saw: SawSettings {
                blade_mm: 254.0,
                reach_mm: None,
                most_tilt_deg: 45.0,
                base_mm: 18.0,
                above_mm: 5.0,
            },
            joint: JointSettings {
                kind: JointKind::Auto,
                dowel_diameter_mm: 6.0,
                dowel_length_mm: 30.0,
                cover_mm: 3.0,
            },
            mount: MountSettings {
                kind: MountKind::None,
                rod_mm: 12.0,
                blind: false,
                depth_mm: None,
                lat_deg: 90.0,
                lon_deg: 0.0,
                tilt_deg: None,
                width_mm: None,
            },
            wood: WoodSettings {
                species: "sugar-maple".to_owned(),
                sawn: Sawn::Flat,
                grain: Grain::Along,
                dry_percent: 6.0,
                moist_percent: 10.0,
            },
            budget: BudgetSettings {
                tilt_deg: 0.1,
                offset_mm: 0.1,
                clearance_mm: None,
                trials: 2000,
                seed: 1,
            },
            paper: PaperSettings {
                size: Paper::A4,
                pages: 1,
            },
            cutters: Vec::new(),
            cutting: CuttingSettings {
                left_mm: 0.1,
                acceleration_mm_s2: None,
            },
            turning: TurningSettings::default(),
            keeps: Vec::new(),
            places: Vec::new(),
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
    /// Whether the body's best-known places are named beside the job's own.
    pub names: bool,
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
    /// Lowest to highest ground.
    pub range: ReliefRange,
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
    /// How boldly `multiscale` works.
    pub detail: Detail,
    /// Steepest slope of the carved relief.
    pub steepest: Steepest,
}

impl ReliefSettings {
    /// Whether relief follows from a sample's height alone, so that no more than a part of the
    /// grid is needed at a time.
    pub fn follows_height(&self) -> bool {
        let unlimited = Steepest::Degrees(Steepest::NO_LIMIT_DEG);
        self.method == Method::Curve && self.steepest == unlimited
    }
}

/// How high the relief is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ReliefRange {
    /// A share of the diameter ([`AUTO_RANGE_SHARE`]), or what the wood allows if that is less.
    Auto,
    /// All that the wood allows.
    Most,
    /// So many mm.
    Mm(f64),
}

/// Stock that holds less than this part of the usual relief does not fit.
const LEAST_PART_OF_AUTO: f64 = 0.25;

/// Relief of a globe whose job does not say, as a share of its diameter: measured on three bodies
/// and four diameters, see docs/exaggeration.md.
pub const AUTO_RANGE_SHARE: f64 = 0.03;

impl Settings {
    /// Diameter of the round-nosed bit that carves the surface, mm: the job's first that finishes,
    /// or the usual one.
    pub fn finishing_bit_mm(&self) -> f64 {
        let mut finishing = (self.cutters.iter()).filter(|bit| bit.role() != CutterRole::Rough);
        finishing
            .next()
            .map_or(Cutter::default().diameter_mm, |bit| bit.diameter_mm)
    }
}

impl ReliefRange {
    /// The range, mm, where the job or the diameter says it; `None` where only the wood does.
    pub fn wanted_mm(self, diameter_mm: f64) -> Option<f64> {
        match self {
            // In hundredths, so that it prints as it is.
            ReliefRange::Auto => {
                Some((100.0 * AUTO_RANGE_SHARE * diameter_mm).round().max(1.0) / 100.0)
            }
            ReliefRange::Most => None,
            ReliefRange::Mm(mm) => Some(mm),
        }
    }
}

impl ReliefRange {
    /// Relief that looks well on a globe of this size, mm.
    pub fn looks_well_mm(self, diameter_mm: f64) -> f64 {
        let usual_mm = ReliefRange::Auto.wanted_mm(diameter_mm).unwrap_or(0.0);
        self.wanted_mm(diameter_mm).unwrap_or(usual_mm)
    }

    /// Less than this is no relief that anyone asked for, mm.
    pub fn least_mm(self, diameter_mm: f64) -> f64 {
        match self {
            ReliefRange::Auto => LEAST_PART_OF_AUTO * self.looks_well_mm(diameter_mm),
            _ => 0.0,
        }
    }
}

/// What is done beside the curve, which knows nothing of a place's surroundings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// Faint ground brought out and rugged ground calmed, scale by scale.
    Multiscale,
    /// Nothing.
    Curve,
}

/// How boldly `multiscale` works.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Detail {
    /// As boldly as all limits of a good relief allow.
    Auto,
    /// Between 0, the curve alone, and 1.
    Share(f64),
}

/// How steep the relief may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Steepest {
    /// As steep as a cutter from above can leave it on the solid.
    Auto,
    /// No steeper than so many degrees anywhere; 90 is no limit.
    Degrees(f64),
}

impl Steepest {
    /// Slopes are without limit from here on, degrees.
    pub const NO_LIMIT_DEG: f64 = 90.0;
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

/// How blanks are cut from boards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlankSettings {
    /// Spare blanks of each kind.
    pub spares: usize,
    /// Wood between two blanks, for the bit or blade that separates them, mm.
    pub gap_mm: f64,
    /// Wood kept free along the board's edges, mm.
    pub margin_mm: f64,
    /// Widest strip that blanks are glued up from; `None` cuts them whole, mm.
    pub strip_mm: Option<f64>,
    /// Bought on top of what the blanks cover, percent.
    pub waste_percent: f64,
}

/// Pocket in the back, boss on the jig, tabs on the edges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JigSettings {
    /// Whether a pocket in the back sits on a boss of the jig.
    pub pocket: bool,
    /// Depth of the pocket, mm; `None` follows bit and stock.
    pub depth_mm: Option<f64>,
    /// From the sawn edge of the back to the pocket, mm; `None` follows the bit.
    pub inset_mm: Option<f64>,
    /// Diameter of the bit that cuts pocket and boss, mm.
    pub bit_mm: f64,
    /// Corner radius of both; `None` is the bit's radius and half a millimetre, mm.
    pub corner_mm: Option<f64>,
    /// Play of the boss in the pocket on every side, mm.
    pub clearance_mm: f64,
    /// Left by the roughing cut for the finishing cut, mm; `None` follows the bit.
    pub allowance_mm: Option<f64>,
    /// Least wood between the pocket and the lowest ground, mm.
    pub over_mm: f64,
    /// Whether a cut corner lets the blank sit one way only.
    pub key: bool,
    /// Hold-down tabs on each blank; `None` for two, or none where they have no room.
    pub tabs: Option<usize>,
    /// Along the blank's edge, mm; `None` follows the bit.
    pub tab_width_mm: Option<f64>,
    /// Thickness of the tab and depth of its notch, mm; `None` follows the pocket.
    pub tab_thickness_mm: Option<f64>,
    /// How far the tab reaches under the blank, mm; `None` follows the bit.
    pub tab_overlap_mm: Option<f64>,
    /// Diameter of the widest bit that carves the relief; `None` for the widest of the job's
    /// bits, mm.
    pub cutter_mm: Option<f64>,
}

impl JigSettings {
    /// From the sawn edge of the back to the pocket, mm: a wall as wide as the bit.
    pub fn inset_mm(&self) -> f64 {
        self.inset_mm.unwrap_or(self.bit_mm)
    }

    /// Left by the roughing cut for the finishing cut, mm: a tenth of the bit. Common practice, no
    /// source.
    pub fn allowance_mm(&self) -> f64 {
        self.allowance_mm.unwrap_or(0.1 * self.bit_mm)
    }

    /// Width of a tab, mm: four bits, with the usual one as wide as the pad of a clamp.
    pub fn tab_width_mm(&self) -> f64 {
        self.tab_width_mm.unwrap_or(4.0 * self.bit_mm)
    }

    /// How far a tab reaches under the blank, mm: the narrowest notch that the bit can cut.
    pub fn tab_overlap_mm(&self) -> f64 {
        self.tab_overlap_mm.unwrap_or(self.bit_mm)
    }
}

/// What the saw can do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SawSettings {
    /// Diameter of the blade, mm.
    pub blade_mm: f64,
    /// Highest the upright blade stands above the table; `None` follows its diameter, mm.
    pub reach_mm: Option<f64>,
    /// Farthest the blade tilts from vertical, degrees.
    pub most_tilt_deg: f64,
    /// Thickness of the jig under the blank, mm.
    pub base_mm: f64,
    /// How far the blade stands above the wood, mm.
    pub above_mm: f64,
}

/// What arbor, flange and table take of a blade's radius, mm: a 10 in blade stands 3-1/8 in above
/// the table, less than its radius by this. Common practice, no source.
const UNDER_TABLE_MM: f64 = 48.0;

impl SawSettings {
    /// Highest the blade stands above the table when it is tilted, mm.
    ///
    /// The saw tilts about a line in the table's surface, so the arbor stays as far below the
    /// table, measured along the blade: upright height times cos(tilt).
    pub fn reach_at_mm(&self, tilt_rad: f64) -> f64 {
        let upright = 0.5 * self.blade_mm - UNDER_TABLE_MM;
        self.reach_mm.unwrap_or(upright.max(0.0)) * tilt_rad.cos()
    }
}

/// What holds a seam beside glue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum JointKind {
    /// The largest biscuit that has room, else a dowel, else glue alone.
    #[serde(rename = "auto")]
    Auto,
    /// Glue alone.
    #[serde(rename = "none")]
    None,
    /// Biscuit number 0.
    #[serde(rename = "biscuit-0")]
    Biscuit0,
    /// Biscuit number 10.
    #[serde(rename = "biscuit-10")]
    Biscuit10,
    /// Biscuit number 20.
    #[serde(rename = "biscuit-20")]
    Biscuit20,
    /// One dowel.
    #[serde(rename = "dowel")]
    Dowel,
}

/// Joints at the middle of every seam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JointSettings {
    /// What sort.
    pub kind: JointKind,
    /// Diameter of the dowels, mm.
    pub dowel_diameter_mm: f64,
    /// Length of the dowels, half in each facet, mm.
    pub dowel_length_mm: f64,
    /// Least wood around slot or hole, mm.
    pub cover_mm: f64,
}

/// What carries the finished ball.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MountKind {
    /// Nothing: it lies in the hand.
    None,
    /// A rod along an axis.
    Axis,
    /// A flat that it stands on.
    Flat,
    /// A ring that it lies in.
    Ring,
}

/// What carries the finished ball.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MountSettings {
    /// What sort.
    pub kind: MountKind,
    /// Diameter of the rod, mm.
    pub rod_mm: f64,
    /// Two blind holes instead of one through the ball.
    pub blind: bool,
    /// Depth of a blind hole below the level, mm; `None` follows rod and wood.
    pub depth_mm: Option<f64>,
    /// Where the axis comes out on top, degrees north.
    pub lat_deg: f64,
    /// Where the axis comes out on top, degrees east; of a pole, the meridian it leans along.
    pub lon_deg: f64,
    /// How far the axis leans from upright, degrees; `None` follows the body.
    pub tilt_deg: Option<f64>,
    /// Width of the flat, inner diameter of the ring, mm; `None` follows the diameter.
    pub width_mm: Option<f64>,
}

/// How boards were sawn from the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Sawn {
    /// Growth rings run along the width: moves most.
    Flat,
    /// Growth rings stand upright: moves least.
    Quarter,
}

/// How the grain runs in a blank.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grain {
    /// Towards the index corner.
    Along,
    /// Square to the line to the index corner.
    Across,
}

/// Species and moisture.
#[derive(Debug, Clone, PartialEq)]
pub struct WoodSettings {
    /// Name in the table of species.
    pub species: String,
    /// How the boards were sawn.
    pub sawn: Sawn,
    /// How the grain runs in a blank.
    pub grain: Grain,
    /// Driest moisture content, percent.
    pub dry_percent: f64,
    /// Dampest moisture content, percent.
    pub moist_percent: f64,
}

/// How exact the work is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BudgetSettings {
    /// Blade tilt, plus or minus, degrees.
    pub tilt_deg: f64,
    /// Distance of the cut line, plus or minus, mm.
    pub offset_mm: f64,
    /// Play of the blank on the jig, any direction, mm; `None` follows boss and pocket.
    pub clearance_mm: Option<f64>,
    /// Globes that are tried out by chance.
    pub trials: usize,
    /// Start of the chance numbers.
    pub seed: usize,
}

/// Sheet sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Paper {
    /// 210 × 297 mm.
    A4,
    /// 8 1/2 × 11 in.
    Letter,
}

/// Printed sheets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PaperSettings {
    /// Sheet size.
    pub size: Paper,
    /// Most sheets for the assembly map.
    pub pages: usize,
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
    /// Wood to leave for the finishing bit, mm; `None` is a tenth of the diameter.
    pub allowance_mm: Option<f64>,
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
            allowance_mm: None,
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

    /// Wood to leave for the finishing bit, mm: a tenth of the diameter. Common practice, no
    /// source.
    pub fn allowance_mm(&self) -> f64 {
        self.allowance_mm.unwrap_or(0.1 * self.diameter_mm)
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
pub struct KeepWhole {
    /// What to call it.
    pub name: String,
    /// Degrees north.
    pub lat_deg: f64,
    /// Degrees east.
    pub lon_deg: f64,
    /// Size: half its width as an angle at the body's centre, degrees.
    pub radius_deg: f64,
}

/// A place with a name.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedPlace {
    /// What to call it.
    pub name: String,
    /// Degrees north.
    pub lat_deg: f64,
    /// Degrees east.
    pub lon_deg: f64,
}
