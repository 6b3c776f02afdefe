//! The one table of settings. The parser, the starter file, the README and the manifest's `job`
//! object are all made from it; to add a setting, add a field to `settings.rs` and a row here.
//!
//! Sections that may be repeated, `[[board]]`, are in `lists.rs`, made of the same rows.

use crate::model::geometry::solid_names;
use crate::model::grid::Quantity;
use crate::model::length::{Lengths, Units, exact_m_text, exact_mm_text};
use crate::model::settings::{
    Base, CurveShape, Detail, Flattening, Grain, ImageFormat, JointKind, Level, Method, MountKind,
    Outside, Paper, Projection, ReliefRange, Sawn, Settings, Steepest, TurnPart,
};
use crate::model::wood::species_names;
use serde::Serialize;
use std::path::PathBuf;

/// A repeated section whose tables fill structs of type `T`.
pub(super) struct List<T: 'static> {
    /// Name between the double brackets.
    pub section: &'static str,
    /// What it is about, for the starter file.
    pub about: &'static str,
    /// Its settings; the keys start with the section's name.
    pub rows: &'static [Setting<T>],
    /// A struct with every default.
    pub new: fn() -> T,
    /// Where the structs are kept.
    pub get: fn(&Settings) -> &Vec<T>,
    /// The same, to add one.
    pub get_mut: fn(&mut Settings) -> &mut Vec<T>,
}

/// One row: a setting of the struct `T`.
pub(super) struct Setting<T: 'static> {
    /// As written in a job file, sections joined by points.
    pub key: &'static str,
    /// What values it takes and where they go.
    pub kind: ValueKind<T>,
    /// What holds when the job says nothing.
    pub default: Default,
    /// Unit of the value, or what sort of thing it is.
    pub unit: &'static str,
    /// One line, in shop words, without a full stop.
    pub doc: &'static str,
}

/// What holds when the job says nothing.
#[derive(Clone, Copy)]
pub(super) enum Default {
    /// This value, as written in TOML.
    Value(&'static str),
    /// No value; what then happens, and an example for the starter file.
    Absent {
        means: &'static str,
        example: &'static str,
    },
    /// Must be given in every table of a repeated section; an example.
    Needed { example: &'static str },
}

/// Nothing by default, and what that means.
pub(super) const fn absent(means: &'static str, example: &'static str) -> Default {
    Default::Absent { means, example }
}

/// Nothing by default: it must be given.
pub(super) const fn needed(example: &'static str) -> Default {
    Default::Needed { example }
}

/// What the documents say of a setting, whatever struct it fills.
pub(super) struct TableRow {
    pub leaf: &'static str,
    pub default: Default,
    pub unit: &'static str,
    pub doc: &'static str,
    /// The allowed values in words.
    pub allowed: String,
    /// The names of a [`ValueKind::Name`].
    pub names: Vec<&'static str>,
    /// Takes a bare number.
    pub is_number: bool,
    /// Takes any text.
    pub is_text: bool,
}

/// What values a setting takes, and the way into and out of the settings struct.
pub(super) enum ValueKind<T: 'static> {
    /// One or more file names.
    Files {
        set: fn(&mut T, Vec<PathBuf>),
        get: fn(&T) -> &[PathBuf],
    },
    /// A line of text.
    Text {
        set: fn(&mut T, String),
        get: fn(&T) -> Option<&str>,
    },
    /// A name from a list that another module keeps.
    Name {
        names: fn() -> Vec<&'static str>,
        set: fn(&mut T, String),
        get: fn(&T) -> &str,
    },
    /// One of a few words.
    Word {
        words: &'static [Word<T>],
        get: fn(&T) -> Option<String>,
    },
    /// A length in the wood, or a word in its place.
    Length {
        range: Range,
        word: Option<Word<T>>,
        set: fn(&mut T, f64),
        get: fn(&T) -> Option<f64>,
    },
    /// A length in the wood, or one of a few words in its place.
    LengthOrWords {
        range: Range,
        words: &'static [Word<T>],
        set: fn(&mut T, f64),
        get: fn(&T) -> Result<f64, &'static str>,
    },
    /// A length per minute.
    Speed {
        range: Range,
        set: fn(&mut T, f64),
        get: fn(&T) -> Option<f64>,
    },
    /// A length on the body.
    BodyLength {
        range: Range,
        set: fn(&mut T, f64),
        get: fn(&T) -> Option<f64>,
    },
    /// A bare number, or a word in its place.
    Number {
        range: Range,
        word: Option<Word<T>>,
        set: fn(&mut T, f64),
        get: fn(&T) -> Option<f64>,
    },
    /// A whole number.
    Whole {
        low: i64,
        high: i64,
        set: fn(&mut T, usize),
        get: fn(&T) -> Option<usize>,
    },
    /// Pairs of metres and millimetres.
    Pairs {
        set: fn(&mut T, Vec<[f64; 2]>),
        get: fn(&T) -> &[[f64; 2]],
    },
}

/// A word and what it does.
pub(super) struct Word<T: 'static> {
    pub word: &'static str,
    pub set: fn(&mut T),
}

/// The values a number may take, in the setting's own unit.
#[derive(Clone, Copy)]
pub(super) struct Range {
    pub low: f64,
    pub high: f64,
    /// In words, with units.
    pub text: &'static str,
    /// Whether the ends themselves are refused.
    pub open: bool,
    /// Whether zero is refused.
    pub nonzero: bool,
}

impl Range {
    pub const fn new(low: f64, high: f64, text: &'static str) -> Range {
        Range {
            low,
            high,
            text,
            open: false,
            nonzero: false,
        }
    }

    /// The text of a range of lengths in mm, in inches; neither end is farther out.
    pub fn in_inches(&self) -> String {
        let say = Lengths::new(Units::Inch, 0.0);
        let (low, high) = (say.at_least(self.low), say.at_most(self.high));
        match self.open {
            true => format!("a length above {low} and below {high}"),
            false => format!("a length, {low} to {high}"),
        }
    }

    /// Whether the value may be used.
    pub fn holds(&self, value: f64) -> bool {
        let inside = if self.open {
            value > self.low && value < self.high
        } else {
            value >= self.low && value <= self.high
        };
        inside && !(self.nonzero && value == 0.0)
    }
}

impl<T> Setting<T> {
    /// Section part of the key: `globe.turn` of `globe.turn.lat`, empty at the top.
    pub fn section(&self) -> &'static str {
        self.key.rsplit_once('.').map_or("", |(section, _)| section)
    }

    /// Last part of the key.
    pub fn leaf(&self) -> &'static str {
        self.key.rsplit_once('.').map_or(self.key, |(_, leaf)| leaf)
    }

    /// What the documents say of it.
    pub fn row(&self) -> TableRow {
        TableRow {
            leaf: self.leaf(),
            default: self.default,
            unit: self.unit,
            doc: self.doc,
            // The long list of solids is kept to its pointer.
            allowed: match self.key {
                "globe.solid" => "a Platonic, Archimedean or Catalan solid".to_owned(),
                _ => self.kind.allowed(),
            },
            names: match &self.kind {
                ValueKind::Name { names, .. } => names(),
                _ => Vec::new(),
            },
            is_number: matches!(
                self.kind,
                ValueKind::Number { .. } | ValueKind::Whole { .. }
            ),
            is_text: matches!(self.kind, ValueKind::Text { .. }),
        }
    }
}

impl<T> ValueKind<T> {
    /// The allowed values in words.
    pub fn allowed(&self) -> String {
        match self {
            ValueKind::Files { .. } => "file names in quotes, in square brackets".to_owned(),
            ValueKind::Text { .. } => "one line of text, up to 100 characters".to_owned(),
            ValueKind::Name { names, .. } => words(names().into_iter()),
            ValueKind::Word { words: list, .. } => words(list.iter().map(|w| w.word)),
            ValueKind::Length { range, word, .. } | ValueKind::Number { range, word, .. } => {
                match word {
                    Some(word) => format!("\"{}\", or {}", word.word, range.text),
                    None => range.text.to_owned(),
                }
            }
            ValueKind::LengthOrWords {
                range, words: list, ..
            } => {
                let list: Vec<String> = list.iter().map(|w| format!("\"{}\"", w.word)).collect();
                format!("{}, or {}", list.join(", "), range.text)
            }
            ValueKind::BodyLength { range, .. } | ValueKind::Speed { range, .. } => {
                range.text.to_owned()
            }
            ValueKind::Whole { low, high, .. } => format!("a whole number, {low} to {high}"),
            ValueKind::Pairs { .. } => {
                "2 to 1000 pairs [metres, mm], metres rising, mm never falling".to_owned()
            }
        }
    }

    /// The value as the manifest shows it; null when it is not given.
    pub fn json(&self, target: &T) -> serde_json::Value {
        match self {
            ValueKind::Files { get, .. } => {
                // Base names only: an output must not depend on where the job was run.
                let names = get(target).iter().map(|path| {
                    path.file_name()
                        .unwrap_or(path.as_os_str())
                        .to_string_lossy()
                });
                names.collect::<Vec<_>>().into()
            }
            ValueKind::Text { get, .. } => get(target).into(),
            ValueKind::Name { get, .. } => get(target).into(),
            ValueKind::Word { get, .. } => get(target).into(),
            ValueKind::Length { get, word, .. } => get(target)
                .map(exact_mm_text)
                .or_else(|| word.as_ref().map(|w| w.word.to_owned()))
                .into(),
            ValueKind::LengthOrWords { get, .. } => {
                get(target).map_or_else(str::to_owned, exact_mm_text).into()
            }
            ValueKind::BodyLength { get, .. } => get(target).map(exact_m_text).into(),
            ValueKind::Speed { get, .. } => get(target)
                .map(|mm| format!("{}/min", exact_mm_text(mm)))
                .into(),
            ValueKind::Number { get, word, .. } => match (get(target), word) {
                (Some(number), _) => number.into(),
                (None, Some(word)) => word.word.into(),
                (None, None) => serde_json::Value::Null,
            },
            ValueKind::Whole { get, .. } => get(target).into(),
            ValueKind::Pairs { get, .. } => match get(target) {
                [] => serde_json::Value::Null,
                pairs => pairs.iter().map(|p| p.to_vec()).collect::<Vec<_>>().into(),
            },
        }
    }
}

/// A number or length that the job always has.
macro_rules! always {
    ($kind:ident, $range:expr, $($field:ident).+) => {
        ValueKind::$kind {
            range: $range,
            word: None,
            set: |s, v| s.$($field).+ = v,
            get: |s| Some(s.$($field).+),
        }
    };
}

/// A number or length that may be left out; with a word, that can be said.
macro_rules! optional {
    ($kind:ident, $range:expr, $($field:ident).+) => {
        ValueKind::$kind {
            range: $range,
            word: None,
            set: |s, v| s.$($field).+ = Some(v),
            get: |s| s.$($field).+,
        }
    };
    ($kind:ident, $range:expr, $($field:ident).+, $word:literal) => {
        ValueKind::$kind {
            range: $range,
            word: Some(Word {
                word: $word,
                set: |s| s.$($field).+ = None,
            }),
            set: |s, v| s.$($field).+ = Some(v),
            get: |s| s.$($field).+,
        }
    };
}

/// One of an enum's variants, by the words that its `Serialize` spells.
macro_rules! word {
    (|$s:ident| $field:expr, $enum:ident, [$(($word:literal, $variant:ident)),+ $(,)?]) => {
        ValueKind::Word {
            words: &[$(Word {
                word: $word,
                set: |$s| $field = $enum::$variant,
            }),+],
            get: |$s| spelled($field),
        }
    };
}

/// The same where nothing need be said.
macro_rules! optional_word {
    (|$s:ident| $field:expr, $enum:ident, [$(($word:literal, $variant:ident)),+ $(,)?]) => {
        ValueKind::Word {
            words: &[$(Word {
                word: $word,
                set: |$s| $field = Some($enum::$variant),
            }),+],
            get: |$s| $field.and_then(spelled),
        }
    };
}

/// Whether something is wanted.
macro_rules! yes_or_no {
    ($($field:ident).+) => {
        ValueKind::Word {
            words: &[
                Word {
                    word: "yes",
                    set: |s| s.$($field).+ = true,
                },
                Word {
                    word: "no",
                    set: |s| s.$($field).+ = false,
                },
            ],
            get: |s| Some(if s.$($field).+ { "yes" } else { "no" }.to_owned()),
        }
    };
}

pub(super) use {always, optional, optional_word, word};

/// `"a", "b" or "c"`.
pub(super) fn words<'a>(list: impl Iterator<Item = &'a str>) -> String {
    let quoted: Vec<String> = list.map(|word| format!("\"{word}\"")).collect();
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        Some((last, _)) => last.clone(),
        None => String::new(),
    }
}

/// The word of a unit variant, as its `Serialize` spells it.
pub(super) fn spelled<E: Serialize>(value: E) -> Option<String> {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => Some(word),
        _ => None,
    }
}

/// Degrees all the way round, either way.
pub(super) const ROUND: Range = Range::new(-360.0, 360.0, "a number of degrees, -360 to 360");

/// A wooden thickness that may be nothing at all.
pub(super) const THIN: Range = Range::new(0.0, 500.0, "a length, 0 mm to 500 mm");

/// Heights and offsets: no body in the solar system but the Sun is larger.
const METRES: Range = Range::new(-1e9, 1e9, "a number of metres without a unit, -1e9 to 1e9");

/// What every curve can have; `equalize` says itself how much its grid allows.
const BOOST: Range = Range::new(1.0, 50.0, "a number, 1 to 50; 1 is a straight line");

/// How much a part of a turn's cost counts.
const WEIGHT: Range = Range::new(0.0, 1000.0, "a number, 0 to 1000");

/// Says what each section is about, in the order of the starter file.
pub(super) const SECTIONS: &[(&str, &str)] = &[
    ("", "The job"),
    ("grid", "The elevation grid"),
    ("globe", "The globe: solid and size"),
    (
        "globe.turn",
        "Where the planet is turned to: a place to put at the centre of a facet",
    ),
    ("relief", "How heights become millimetres of relief"),
    (
        "relief.below",
        "Another curve for low ground, such as the floor of a sea",
    ),
    ("stock", "The wood"),
    ("image", "The height images for CAM"),
    ("blanks", "For the shop plan: cutting blanks from boards"),
    (
        "jig",
        "For the shop plan: the pocket in the back of a blank, the boss it sits on, hold-down tabs",
    ),
    ("saw", "For the shop plan: the saw and the jig on it"),
    ("joint", "For the shop plan: what holds a seam beside glue"),
    ("mount", "For the shop plan: what carries the finished ball"),
    ("wood", "For the shop plan: species and moisture"),
    ("budget", "For the shop plan: how exact the work is"),
    ("paper", "For the shop plan: printed sheets"),
    ("cutting", "What is asked of the bits"),
    (
        "turn",
        "What counts when the planet is turned for the saw: weights of what is bad about a turn",
    ),
];

/// Every setting, in the order of the starter file.
pub(super) const SETTINGS: &[Setting<Settings>] = &[
    Setting {
        key: "name",
        kind: ValueKind::Text {
            set: |s, v| s.name = v,
            get: |s| Some(&s.name),
        },
        default: absent("the job file's name", "\"my first globe\""),
        unit: "text",
        doc: "Title of the job, shown in the report",
    },
    Setting {
        key: "units",
        kind: word!(|s| s.units, Units, [("mm", Mm), ("inch", Inch)]),
        default: Default::Value("\"mm\""),
        unit: "word",
        doc: "What sheets, tables and drawings are written in; lengths of the job may be typed in either",
    },
    Setting {
        key: "grid.files",
        kind: ValueKind::Files {
            set: |s, v| s.grid.files = v,
            get: |s| &s.grid.files,
        },
        default: absent("must be given", "[\"world.tif\"]"),
        unit: "files",
        doc: "Elevation files, looked for beside the job file; tiles together must cover the globe",
    },
    Setting {
        key: "grid.body",
        kind: ValueKind::Text {
            set: |s, v| s.grid.body = Some(v),
            get: |s| s.grid.body.as_deref(),
        },
        default: absent("what the file says", "\"Moon\""),
        unit: "text",
        doc: "The planet or moon, where the file does not say or says it wrongly",
    },
    Setting {
        key: "grid.radius",
        kind: ValueKind::BodyLength {
            range: Range::new(10.0, 1e9, "a length, 10 m to 1000000 km"),
            set: |s, v| s.grid.radius_m = Some(v),
            get: |s| s.grid.radius_m,
        },
        default: absent("what the file or the body says", "\"1737.4 km\""),
        unit: "km or m",
        doc: "Radius of the body from which heights are measured",
    },
    Setting {
        key: "grid.quantity",
        kind: optional_word!(
            |s| s.grid.quantity,
            Quantity,
            [
                ("elevation", Elevation),
                ("radius", Radius),
                ("relief", Relief)
            ]
        ),
        default: absent("what the file says", "\"elevation\""),
        unit: "word",
        doc: "Whether the numbers are heights, distances from the body's centre, or finished relief \
              in mm (from --keep-relief), carved as it is",
    },
    Setting {
        key: "grid.scale",
        kind: optional!(
            Number,
            Range {
                nonzero: true,
                ..Range::new(-1e6, 1e6, "a number other than 0, -1e6 to 1e6")
            },
            grid.scale
        ),
        default: absent("what the file says", "0.5"),
        unit: "metres per stored number",
        doc: "Multiplies the stored numbers to make metres",
    },
    Setting {
        key: "grid.offset",
        kind: optional!(Number, METRES, grid.offset_m),
        default: absent("what the file says", "-10000.0"),
        unit: "metres",
        doc: "Added after scaling",
    },
    Setting {
        key: "grid.nodata",
        kind: optional!(
            Number,
            Range::new(f64::MIN, f64::MAX, "a number"),
            grid.nodata
        ),
        default: absent("what the file says", "-32768"),
        unit: "stored number",
        doc: "The stored number that stands for a hole",
    },
    Setting {
        key: "grid.west",
        kind: optional!(Number, ROUND, grid.west_deg),
        default: absent("what the file says", "-180.0"),
        unit: "degrees east",
        doc: "Longitude of the grid's left edge",
    },
    Setting {
        key: "grid.flattening",
        kind: word!(
            |s| s.grid.flattening,
            Flattening,
            [("keep", Keep), ("remove", Remove)]
        ),
        default: Default::Value("\"keep\""),
        unit: "word",
        doc: "Takes the bulge of a flattened body out, where heights count from a sphere or the centre",
    },
    Setting {
        key: "globe.solid",
        kind: ValueKind::Name {
            names: solid_names,
            set: |s, v| s.globe.solid = v,
            get: |s| &s.globe.solid,
        },
        default: Default::Value("\"deltoidal-icositetrahedron\""),
        unit: "name",
        doc: "The solid whose faces become the blanks, in lower case with hyphens; the default has 24 equal kites",
    },
    Setting {
        key: "globe.diameter",
        kind: always!(
            Length,
            Range::new(5.0, 10_000.0, "a length, 5 mm to 10 m"),
            globe.diameter_mm
        ),
        default: Default::Value("\"200 mm\""),
        unit: "mm, cm, m or in",
        doc: "Diameter of the finished ball at the level; corner to corner if the base is flat",
    },
    Setting {
        key: "globe.base",
        kind: word!(|s| s.globe.base, Base, [("sphere", Sphere), ("flat", Flat)]),
        default: Default::Absent {
            means: "\"sphere\"; \"flat\" if the projection is \"gnomonic\"",
            example: "\"sphere\"",
        },
        unit: "word",
        doc: "Whether the glued globe is a ball, or keeps the solid's flat faces under the relief",
    },
    Setting {
        key: "globe.projection",
        kind: word!(
            |s| s.globe.projection,
            Projection,
            [("radial", Radial), ("gnomonic", Gnomonic)]
        ),
        default: Default::Value("\"radial\""),
        unit: "word",
        doc: "Which way mountains point: radial, away from the globe's centre, so that seams meet exactly; gnomonic, straight up from a flat face as on a carved panel, so that they meet nearly",
    },
    Setting {
        key: "globe.names",
        kind: yes_or_no!(globe.names),
        default: Default::Value("\"yes\""),
        unit: "word",
        doc: "Whether maps and sheets name the best-known places of the body, beside those of [[place]] and [[keep]]",
    },
    Setting {
        key: "globe.turn.place",
        kind: ValueKind::Word {
            words: &[
                Word {
                    word: "given",
                    set: |s| s.globe.turn.auto = false,
                },
                Word {
                    word: "auto",
                    set: |s| s.globe.turn.auto = true,
                },
            ],
            get: |s| Some(if s.globe.turn.auto { "auto" } else { "given" }.to_owned()),
        },
        default: Default::Value("\"given\""),
        unit: "word",
        doc: "Take the place below, or search for the best one; turn = \"auto\" is short for it",
    },
    Setting {
        key: "globe.turn.face",
        kind: ValueKind::Whole {
            low: 1,
            high: 120,
            set: |s, v| s.globe.turn.face = v,
            get: |s| Some(s.globe.turn.face),
        },
        default: Default::Value("1"),
        unit: "facet number",
        doc: "The facet whose centre gets the place",
    },
    Setting {
        key: "globe.turn.lat",
        kind: always!(
            Number,
            Range::new(-90.0, 90.0, "a number of degrees, -90 to 90"),
            globe.turn.lat_deg
        ),
        default: Default::Value("90.0"),
        unit: "degrees north",
        doc: "Latitude of the place; south is negative",
    },
    Setting {
        key: "globe.turn.lon",
        kind: always!(Number, ROUND, globe.turn.lon_deg),
        default: Default::Value("0.0"),
        unit: "degrees east",
        doc: "Longitude of the place; west is negative",
    },
    Setting {
        key: "globe.turn.spin",
        kind: always!(Number, ROUND, globe.turn.spin_deg),
        default: Default::Value("0.0"),
        unit: "degrees clockwise from north",
        doc: "Where that facet's index corner points, seen from outside",
    },
    Setting {
        key: "relief.range",
        kind: ValueKind::LengthOrWords {
            range: Range::new(0.01, 1000.0, "a length, 0.01 mm to 1 m"),
            words: &[
                Word {
                    word: "auto",
                    set: |s| s.relief.range = ReliefRange::Auto,
                },
                Word {
                    word: "most",
                    set: |s| s.relief.range = ReliefRange::Most,
                },
            ],
            set: |s, v| s.relief.range = ReliefRange::Mm(v),
            get: |s| match s.relief.range {
                ReliefRange::Auto => Err("auto"),
                ReliefRange::Most => Err("most"),
                ReliefRange::Mm(mm) => Ok(mm),
            },
        },
        default: Default::Value("\"auto\""),
        unit: "mm, cm, m or in",
        doc: "Relief from the lowest to the highest ground; auto takes 3 % of the diameter, or what the wood allows if that is less; most takes all the wood allows",
    },
    Setting {
        key: "relief.curve",
        kind: word!(
            |s| s.relief.curve,
            CurveShape,
            [
                ("linear", Linear),
                ("power", Power),
                ("asinh", Asinh),
                ("log", Log),
                ("equalize", Equalize),
                ("knots", Knots)
            ]
        ),
        default: Default::Value("\"asinh\""),
        unit: "word",
        doc: "How heights share the depth of the relief: linear gives all ground its true share; asinh and log deepen the plains and press peaks and deeps together, log over fewer heights; power leaves the peaks taller; equalize gives the commonest heights the most depth; knots follows your own list",
    },
    Setting {
        key: "relief.boost",
        kind: always!(Number, BOOST, relief.boost),
        default: Default::Value("2.5"),
        unit: "times linear",
        doc: "How much steeper than linear the plains are carved; 1 is linear",
    },
    Setting {
        key: "relief.exponent",
        kind: always!(
            Number,
            Range {
                open: true,
                ..Range::new(0.0, 1.0, "a number between 0 and 1")
            },
            relief.exponent
        ),
        default: Default::Value("0.6"),
        unit: "no unit",
        doc: "For the power curve: near 1 it is almost linear, smaller flattens peaks and deeps more",
    },
    Setting {
        key: "relief.blend",
        kind: optional!(
            Number,
            Range::new(0.0, 1.0, "a number, 0 to 1"),
            relief.blend
        ),
        default: absent("follows boost", "0.5"),
        unit: "share",
        doc: "For the equalize curve: 0 is linear, 1 gives every height depth by how much ground lies there",
    },
    Setting {
        key: "relief.knots",
        kind: ValueKind::Pairs {
            set: |s, v| s.relief.knots = v,
            get: |s| &s.relief.knots,
        },
        default: absent(
            "must be given for the knots curve",
            "[[-8000, -2.0], [0, 0.0], [21000, 4.0]]",
        ),
        unit: "[metres, mm]",
        doc: "For the knots curve, your own list: a height on the body, and how far above or below the level it is carved",
    },
    Setting {
        key: "relief.level",
        kind: ValueKind::Number {
            range: METRES,
            word: Some(Word {
                word: "mean",
                set: |s| s.relief.level = Level::Mean,
            }),
            set: |s, v| s.relief.level = Level::Metres(v),
            get: |s| match s.relief.level {
                Level::Mean => None,
                Level::Metres(metres) => Some(metres),
            },
        },
        default: Default::Value("\"mean\""),
        unit: "metres",
        doc: "The height that is carved at exactly the asked diameter",
    },
    Setting {
        key: "relief.method",
        kind: word!(
            |s| s.relief.method,
            Method,
            [("multiscale", Multiscale), ("curve", Curve)]
        ),
        default: Default::Value("\"multiscale\""),
        unit: "word",
        doc: "multiscale brings out faint ground and calms rugged ground that the bit cannot cut; \
              curve carves by height alone",
    },
    Setting {
        key: "relief.detail",
        kind: ValueKind::Number {
            range: Range::new(0.0, 1.0, "a number, 0 to 1"),
            word: Some(Word {
                word: "auto",
                set: |s| s.relief.detail = Detail::Auto,
            }),
            set: |s, v| s.relief.detail = Detail::Share(v),
            get: |s| match s.relief.detail {
                Detail::Auto => None,
                Detail::Share(detail) => Some(detail),
            },
        },
        default: Default::Value("\"auto\""),
        unit: "no unit",
        doc: "For multiscale: 0 is the curve alone, 1 the boldest; auto is the boldest that keeps \
              rugged ground rugged, high ground high, and leaves nothing the bit cannot reach",
    },
    Setting {
        key: "relief.steepest",
        kind: ValueKind::Number {
            range: Range::new(5.0, 90.0, "a number of degrees, 5 to 90"),
            word: Some(Word {
                word: "auto",
                set: |s| s.relief.steepest = Steepest::Auto,
            }),
            set: |s, v| s.relief.steepest = Steepest::Degrees(v),
            get: |s| match s.relief.steepest {
                Steepest::Auto => None,
                Steepest::Degrees(degrees) => Some(degrees),
            },
        },
        default: Default::Value("\"auto\""),
        unit: "degrees",
        doc: "Steepest slope in the relief; auto lays back only what would be undercut in the blank; \
              with a number walls steeper than it are laid back everywhere, 90 leaves all",
    },
    Setting {
        key: "relief.below.level",
        kind: optional!(Number, METRES, relief.below.level_m),
        default: absent("one curve for all ground", "0.0"),
        unit: "metres",
        doc: "Ground below this height, such as a sea's floor, gets a curve of its own",
    },
    Setting {
        key: "relief.below.curve",
        kind: optional_word!(
            |s| s.relief.below.curve,
            CurveShape,
            [
                ("linear", Linear),
                ("power", Power),
                ("asinh", Asinh),
                ("log", Log),
                ("equalize", Equalize)
            ]
        ),
        default: absent("relief.curve", "\"linear\""),
        unit: "word",
        doc: "Shape of the curve below that height",
    },
    Setting {
        key: "relief.below.boost",
        kind: optional!(Number, BOOST, relief.below.boost),
        default: absent("relief.boost", "2.0"),
        unit: "times linear",
        doc: "How much steeper than linear the plains below that height are carved",
    },
    Setting {
        key: "relief.below.share",
        kind: optional!(
            Number,
            Range {
                open: true,
                ..Range::new(0.0, 1.0, "a number between 0 and 1")
            },
            relief.below.share
        ),
        default: absent("the same share as of the heights", "0.4"),
        unit: "share",
        doc: "How much of the relief the ground below that height gets",
    },
    Setting {
        key: "stock.thickness",
        kind: always!(
            Length,
            Range::new(1.0, 1000.0, "a length, 1 mm to 1 m"),
            stock.thickness_mm
        ),
        default: Default::Value("\"1-3/4 in\""),
        unit: "mm, cm, m or in",
        doc: "Thickness of the blanks as they lie on the machine; 8/4 boards plane to 1-3/4 in",
    },
    Setting {
        key: "stock.skim",
        kind: always!(Length, THIN, stock.skim_mm),
        default: Default::Value("\"0.5 mm\""),
        unit: "mm, cm, m or in",
        doc: "Taken off the top before the highest ground, to clean it up",
    },
    Setting {
        key: "stock.edge",
        kind: always!(Length, THIN, stock.edge_mm),
        default: Default::Value("\"12 mm\""),
        unit: "mm, cm, m or in",
        doc: "Least thickness of a facet at its corners, for the glue",
    },
    Setting {
        key: "stock.trim",
        kind: always!(Length, THIN, stock.trim_mm),
        default: Default::Value("\"3 mm\""),
        unit: "mm, cm, m or in",
        doc: "Margin of terrain outside the facet for the saw to cut in, about as wide as a saw cut",
    },
    Setting {
        key: "image.pixel",
        kind: always!(
            Length,
            Range::new(0.005, 10.0, "a length, 0.005 mm to 10 mm"),
            image.pixel_mm
        ),
        default: Default::Value("\"0.1 mm\""),
        unit: "mm, cm, m or in",
        doc: "Size of a pixel of the height images",
    },
    Setting {
        key: "image.format",
        kind: word!(
            |s| s.image.format,
            ImageFormat,
            [("png", Png), ("tiff", Tiff)]
        ),
        default: Default::Value("\"png\""),
        unit: "word",
        doc: "File format of the height images, 16-bit grey",
    },
    Setting {
        key: "image.outside",
        kind: word!(
            |s| s.image.outside,
            Outside,
            [("floor", Floor), ("terrain", Terrain)]
        ),
        default: Default::Value("\"floor\""),
        unit: "word",
        doc: "What lies outside the facet and its trim: the lowest level, or terrain to the edge",
    },
    Setting {
        key: "blanks.spares",
        kind: ValueKind::Whole {
            low: 0,
            high: 100,
            set: |s, v| s.blanks.spares = v,
            get: |s| Some(s.blanks.spares),
        },
        default: Default::Value("1"),
        unit: "blanks",
        doc: "Spare blanks of each kind to cut beside those needed",
    },
    Setting {
        key: "blanks.gap",
        kind: always!(
            Length,
            Range::new(0.0, 200.0, "a length, 0 mm to 200 mm"),
            blanks.gap_mm
        ),
        default: Default::Value("\"10 mm\""),
        unit: "mm, cm, m or in",
        doc: "Wood between two blanks on a board, for the bit or blade that parts them",
    },
    Setting {
        key: "blanks.margin",
        kind: always!(
            Length,
            Range::new(0.0, 200.0, "a length, 0 mm to 200 mm"),
            blanks.margin_mm
        ),
        default: Default::Value("\"6 mm\""),
        unit: "mm, cm, m or in",
        doc: "Wood kept free along the edges of a board",
    },
    Setting {
        key: "blanks.strip",
        kind: optional!(
            Length,
            Range::new(10.0, 2000.0, "a length, 10 mm to 2 m"),
            blanks.strip_mm
        ),
        default: absent("each blank from one board", "\"75 mm\""),
        unit: "mm, cm, m or in",
        doc: "Widest strip that wider blanks are glued up from; boards are then not laid out",
    },
    Setting {
        key: "blanks.waste",
        kind: always!(
            Number,
            Range::new(0.0, 200.0, "a number of percent, 0 to 200"),
            blanks.waste_percent
        ),
        default: Default::Value("30.0"),
        unit: "percent",
        doc: "Wood to buy on top of what the blanks cover, for ends, knots and offcuts",
    },
    Setting {
        key: "jig.pocket",
        kind: yes_or_no!(jig.pocket),
        default: Default::Value("\"yes\""),
        unit: "word",
        doc: "Whether a pocket in the back of the blank sits on a boss of the jig",
    },
    Setting {
        key: "jig.depth",
        kind: optional!(
            Length,
            Range::new(0.5, 100.0, "a length, 0.5 mm to 100 mm"),
            jig.depth_mm
        ),
        default: absent(
            "as deep as jig.bit is wide, or a sixth of the stock if that is less",
            "\"6 mm\"",
        ),
        unit: "mm, cm, m or in",
        doc: "Depth of the pocket in the back, and height of the boss on the jig",
    },
    Setting {
        key: "jig.inset",
        kind: optional!(
            Length,
            Range::new(0.0, 500.0, "a length, 0 mm to 500 mm"),
            jig.inset_mm
        ),
        default: absent("as wide as jig.bit", "\"8 mm\""),
        unit: "mm, cm, m or in",
        doc: "From the sawn edge of the back to the pocket",
    },
    Setting {
        key: "jig.bit",
        kind: always!(
            Length,
            Range::new(0.5, 50.0, "a length, 0.5 mm to 50 mm"),
            jig.bit_mm
        ),
        default: Default::Value("\"6 mm\""),
        unit: "mm, cm, m or in",
        doc: "Diameter of the bit that cuts pocket, boss and notches",
    },
    Setting {
        key: "jig.corner",
        kind: optional!(
            Length,
            Range::new(0.0, 100.0, "a length, 0 mm to 100 mm"),
            jig.corner_mm
        ),
        default: absent("the bit's radius and 0.5 mm", "\"4 mm\""),
        unit: "mm, cm, m or in",
        doc: "Radius of the corners of pocket and boss",
    },
    Setting {
        key: "jig.clearance",
        kind: always!(
            Length,
            Range::new(0.0, 5.0, "a length, 0 mm to 5 mm"),
            jig.clearance_mm
        ),
        default: Default::Value("\"0.1 mm\""),
        unit: "mm, cm, m or in",
        doc: "Play between boss and pocket on every side",
    },
    Setting {
        key: "jig.allowance",
        kind: optional!(
            Length,
            Range::new(0.0, 10.0, "a length, 0 mm to 10 mm"),
            jig.allowance_mm
        ),
        default: absent("a tenth of jig.bit", "\"0.5 mm\""),
        unit: "mm, cm, m or in",
        doc: "Left by the roughing outline for the finishing cut",
    },
    Setting {
        key: "jig.over",
        kind: always!(
            Length,
            Range::new(0.0, 500.0, "a length, 0 mm to 500 mm"),
            jig.over_mm
        ),
        default: Default::Value("\"5 mm\""),
        unit: "mm, cm, m or in",
        doc: "Least wood between the pocket and the lowest ground above it",
    },
    Setting {
        key: "jig.key",
        kind: yes_or_no!(jig.key),
        default: Default::Value("\"yes\""),
        unit: "word",
        doc: "Whether a cut corner on pocket and boss lets the blank sit one way only",
    },
    Setting {
        key: "jig.tabs",
        kind: ValueKind::Whole {
            low: 0,
            high: 12,
            set: |s, v| s.jig.tabs = Some(v),
            get: |s| s.jig.tabs,
        },
        default: absent("2, or none where they have no room", "2"),
        unit: "tabs",
        doc: "Hold-down tabs on each blank, on different sides",
    },
    Setting {
        key: "jig.tab_width",
        kind: optional!(
            Length,
            Range::new(1.0, 500.0, "a length, 1 mm to 500 mm"),
            jig.tab_width_mm
        ),
        default: absent("four times jig.bit", "\"25 mm\""),
        unit: "mm, cm, m or in",
        doc: "Width of a tab along the edge of the blank",
    },
    Setting {
        key: "jig.tab_thickness",
        kind: optional!(
            Length,
            Range::new(0.5, 100.0, "a length, 0.5 mm to 100 mm"),
            jig.tab_thickness_mm
        ),
        default: absent("as thick as the pocket is deep", "\"6 mm\""),
        unit: "mm, cm, m or in",
        doc: "Thickness of a tab; its notch in the back is cut as deep",
    },
    Setting {
        key: "jig.tab_overlap",
        kind: optional!(
            Length,
            Range::new(1.0, 200.0, "a length, 1 mm to 200 mm"),
            jig.tab_overlap_mm
        ),
        default: absent("as wide as jig.bit", "\"8 mm\""),
        unit: "mm, cm, m or in",
        doc: "How far a tab reaches under the blank",
    },
    Setting {
        key: "jig.cutter",
        kind: optional!(
            Length,
            Range::new(0.1, 100.0, "a length, 0.1 mm to 100 mm"),
            jig.cutter_mm
        ),
        default: absent("the widest [[cutter]], or 6 mm", "\"6 mm\""),
        unit: "mm, cm, m or in",
        doc: "Diameter of the widest bit that carves the relief; clamps stay clear of it",
    },
    Setting {
        key: "saw.blade",
        kind: always!(
            Length,
            Range::new(50.0, 1000.0, "a length, 50 mm to 1 m"),
            saw.blade_mm
        ),
        default: Default::Value("\"10 in\""),
        unit: "mm, cm, m or in",
        doc: "Diameter of the saw blade",
    },
    Setting {
        key: "saw.reach",
        kind: optional!(
            Length,
            Range::new(1.0, 500.0, "a length, 1 mm to 500 mm"),
            saw.reach_mm
        ),
        default: absent(
            "half of saw.blade less 48 mm for arbor and table",
            "\"3-1/8 in\"",
        ),
        unit: "mm, cm, m or in",
        doc: "Highest the upright blade stands above the table; your saw's manual has it",
    },
    Setting {
        key: "saw.most_tilt",
        kind: always!(
            Number,
            Range::new(0.0, 89.0, "a number of degrees, 0 to 89"),
            saw.most_tilt_deg
        ),
        default: Default::Value("45.0"),
        unit: "degrees from vertical",
        doc: "Farthest the blade tilts",
    },
    Setting {
        key: "saw.base",
        kind: always!(
            Length,
            Range::new(0.0, 500.0, "a length, 0 mm to 500 mm"),
            saw.base_mm
        ),
        default: Default::Value("\"18 mm\""),
        unit: "mm, cm, m or in",
        doc: "Thickness of the jig between the saw table and the back of the blank",
    },
    Setting {
        key: "saw.above",
        kind: always!(
            Length,
            Range::new(0.0, 100.0, "a length, 0 mm to 100 mm"),
            saw.above_mm
        ),
        default: Default::Value("\"5 mm\""),
        unit: "mm, cm, m or in",
        doc: "How far the blade is to stand above the wood",
    },
    Setting {
        key: "joint.kind",
        kind: word!(
            |s| s.joint.kind,
            JointKind,
            [
                ("auto", Auto),
                ("none", None),
                ("biscuit-0", Biscuit0),
                ("biscuit-10", Biscuit10),
                ("biscuit-20", Biscuit20),
                ("dowel", Dowel)
            ]
        ),
        default: Default::Value("\"auto\""),
        unit: "word",
        doc: "What holds the middle of a seam; auto takes the largest biscuit that has room, else a dowel, else glue alone",
    },
    Setting {
        key: "joint.dowel_diameter",
        kind: always!(
            Length,
            Range::new(1.0, 50.0, "a length, 1 mm to 50 mm"),
            joint.dowel_diameter_mm
        ),
        default: Default::Value("\"6 mm\""),
        unit: "mm, cm, m or in",
        doc: "Diameter of the dowels",
    },
    Setting {
        key: "joint.dowel_length",
        kind: always!(
            Length,
            Range::new(4.0, 300.0, "a length, 4 mm to 300 mm"),
            joint.dowel_length_mm
        ),
        default: Default::Value("\"30 mm\""),
        unit: "mm, cm, m or in",
        doc: "Length of the dowels, half in each facet",
    },
    Setting {
        key: "joint.cover",
        kind: always!(
            Length,
            Range::new(0.0, 100.0, "a length, 0 mm to 100 mm"),
            joint.cover_mm
        ),
        default: Default::Value("\"3 mm\""),
        unit: "mm, cm, m or in",
        doc: "Least wood around a slot or hole",
    },
    Setting {
        key: "mount.kind",
        kind: word!(
            |s| s.mount.kind,
            MountKind,
            [
                ("none", None),
                ("axis", Axis),
                ("flat", Flat),
                ("ring", Ring)
            ]
        ),
        default: Default::Value("\"none\""),
        unit: "word",
        doc: "What carries the ball: nothing, a rod along an axis, a flat it stands on, a ring it lies in",
    },
    Setting {
        key: "mount.rod",
        kind: always!(
            Length,
            Range::new(2.0, 60.0, "a length, 2 mm to 60 mm"),
            mount.rod_mm
        ),
        default: Default::Value("\"12 mm\""),
        unit: "mm, cm, m or in",
        doc: "Diameter of the rod",
    },
    Setting {
        key: "mount.hole",
        kind: ValueKind::Word {
            words: &[
                Word {
                    word: "through",
                    set: |s| s.mount.blind = false,
                },
                Word {
                    word: "blind",
                    set: |s| s.mount.blind = true,
                },
            ],
            get: |s| Some(if s.mount.blind { "blind" } else { "through" }.to_owned()),
        },
        default: Default::Value("\"through\""),
        unit: "word",
        doc: "One hole through the ball, or a blind hole for a pin at either end of the axis",
    },
    Setting {
        key: "mount.depth",
        kind: optional!(
            Length,
            Range::new(1.0, 500.0, "a length, 1 mm to 500 mm"),
            mount.depth_mm
        ),
        default: absent(
            "twice the rod's diameter, or what the wood allows",
            "\"20 mm\"",
        ),
        unit: "mm, cm, m or in",
        doc: "Depth of a blind hole below the level of the ground",
    },
    Setting {
        key: "mount.lat",
        kind: always!(
            Number,
            Range::new(-90.0, 90.0, "a number of degrees, -90 to 90"),
            mount.lat_deg
        ),
        default: Default::Value("90.0"),
        unit: "degrees north",
        doc: "Latitude of the place where the axis comes out on top: 90 is the true north pole",
    },
    Setting {
        key: "mount.lon",
        kind: always!(Number, ROUND, mount.lon_deg),
        default: Default::Value("0.0"),
        unit: "degrees east",
        doc: "Its longitude; where the axis runs through the poles, the meridian it leans along",
    },
    Setting {
        key: "mount.tilt",
        kind: optional!(
            Number,
            Range::new(0.0, 180.0, "a number of degrees, 0 to 180"),
            mount.tilt_deg
        ),
        default: absent(
            "that of the body to its orbit, by the IAU; 0 where it is not known",
            "23.44",
        ),
        unit: "degrees",
        doc: "How far the axis leans from upright on the stand",
    },
    Setting {
        key: "mount.width",
        kind: optional!(
            Length,
            Range::new(5.0, 2000.0, "a length, 5 mm to 2 m"),
            mount.width_mm
        ),
        default: absent(
            "a quarter of the diameter for the flat, half of it for the ring",
            "\"60 mm\"",
        ),
        unit: "mm, cm, m or in",
        doc: "Width of the flat, or inner diameter of the ring",
    },
    Setting {
        key: "wood.species",
        kind: ValueKind::Name {
            names: species_names,
            set: |s, v| s.wood.species = v,
            get: |s| &s.wood.species,
        },
        default: Default::Value("\"sugar-maple\""),
        unit: "name",
        doc: "The wood, for its movement with the seasons",
    },
    Setting {
        key: "wood.sawn",
        kind: word!(
            |s| s.wood.sawn,
            Sawn,
            [("flat", Flat), ("quarter", Quarter)]
        ),
        default: Default::Value("\"flat\""),
        unit: "word",
        doc: "How the boards were sawn from the log: growth rings along the width, or upright",
    },
    Setting {
        key: "wood.grain",
        kind: word!(
            |s| s.wood.grain,
            Grain,
            [("along", Along), ("across", Across)]
        ),
        default: Default::Value("\"along\""),
        unit: "word",
        doc: "How the grain runs in a blank: along the line from its middle to the index corner, or across it",
    },
    Setting {
        key: "wood.dry",
        kind: always!(
            Number,
            Range::new(0.0, 30.0, "a number of percent, 0 to 30"),
            wood.dry_percent
        ),
        default: Default::Value("6.0"),
        unit: "percent",
        doc: "Driest moisture content the globe will have",
    },
    Setting {
        key: "wood.moist",
        kind: always!(
            Number,
            Range::new(0.0, 30.0, "a number of percent, 0 to 30"),
            wood.moist_percent
        ),
        default: Default::Value("10.0"),
        unit: "percent",
        doc: "Dampest moisture content the globe will have",
    },
    Setting {
        key: "budget.tilt",
        kind: always!(
            Number,
            Range::new(0.0, 10.0, "a number of degrees, 0 to 10"),
            budget.tilt_deg
        ),
        default: Default::Value("0.1"),
        unit: "degrees",
        doc: "How exactly the blade tilt is set, plus or minus",
    },
    Setting {
        key: "budget.offset",
        kind: always!(
            Length,
            Range::new(0.0, 10.0, "a length, 0 mm to 10 mm"),
            budget.offset_mm
        ),
        default: Default::Value("\"0.1 mm\""),
        unit: "mm, cm, m or in",
        doc: "How exactly the cut line is set, plus or minus",
    },
    Setting {
        key: "budget.clearance",
        kind: optional!(
            Length,
            Range::new(0.0, 10.0, "a length, 0 mm to 10 mm"),
            budget.clearance_mm
        ),
        default: absent("half of jig.clearance", "\"0.05 mm\""),
        unit: "mm, cm, m or in",
        doc: "How far a blank can shift on the jig, in any direction",
    },
    Setting {
        key: "budget.trials",
        kind: ValueKind::Whole {
            low: 100,
            high: 1000000,
            set: |s, v| s.budget.trials = v,
            get: |s| Some(s.budget.trials),
        },
        default: Default::Value("2000"),
        unit: "globes",
        doc: "Globes that are tried out with chance errors",
    },
    Setting {
        key: "budget.seed",
        kind: ValueKind::Whole {
            low: 0,
            high: 1000000000,
            set: |s, v| s.budget.seed = v,
            get: |s| Some(s.budget.seed),
        },
        default: Default::Value("1"),
        unit: "number",
        doc: "Start of the chance numbers; the same start gives the same errors",
    },
    Setting {
        key: "paper.sheet",
        kind: word!(|s| s.paper.size, Paper, [("a4", A4), ("letter", Letter)]),
        default: Default::Value("\"a4\""),
        unit: "word",
        doc: "Sheet size of printed pages",
    },
    Setting {
        key: "paper.pages",
        kind: ValueKind::Whole {
            low: 1,
            high: 400,
            set: |s, v| s.paper.pages = v,
            get: |s| Some(s.paper.pages),
        },
        default: Default::Value("1"),
        unit: "pages",
        doc: "Sheets the assembly map may take; more sheets make it larger, up to true size",
    },
    Setting {
        key: "cutting.left",
        kind: always!(
            Length,
            Range::new(0.001, 10.0, "a length, 0.001 mm to 10 mm"),
            cutting.left_mm
        ),
        default: Default::Value("\"0.1 mm\""),
        unit: "mm, cm, m or in",
        doc: "Wood left by the finishing bit that counts as left",
    },
    Setting {
        key: "cutting.acceleration",
        kind: optional!(
            Number,
            Range::new(1.0, 1e6, "a number of mm/s², 1 to 1000000"),
            cutting.acceleration_mm_s2
        ),
        default: absent("times are for a machine that is at speed at once", "500.0"),
        unit: "mm/s²",
        doc: "What the machine gains in speed each second, for better times",
    },
    Setting {
        key: "turn.relief",
        kind: always!(Number, WEIGHT, turning.relief),
        default: Default::Value("1.0"),
        unit: "weight per mm",
        doc: "How much the mean relief along the seams counts",
    },
    Setting {
        key: "turn.worst",
        kind: always!(Number, WEIGHT, turning.worst),
        default: Default::Value("0.25"),
        unit: "weight per mm",
        doc: "How much the relief along the worst seam counts",
    },
    Setting {
        key: "turn.high",
        kind: always!(Number, WEIGHT, turning.high),
        default: Default::Value("0.1"),
        unit: "weight per mm",
        doc: "How much the highest ground on a seam or corner counts",
    },
    Setting {
        key: "turn.misfit",
        kind: always!(Number, WEIGHT, turning.misfit),
        default: Default::Value("2.0"),
        unit: "weight per mm",
        doc: "How much the step counts that a misfit of 0.3 mm shows at the seams",
    },
    Setting {
        key: "turn.corner",
        kind: always!(Number, WEIGHT, turning.corner),
        default: Default::Value("0.1"),
        unit: "weight per mm",
        doc: "How much the depth of the lowest corner counts",
    },
    Setting {
        key: "turn.keep",
        kind: always!(Number, WEIGHT, turning.keep),
        default: Default::Value("0.05"),
        unit: "weight per degree",
        doc: "How much seams count that reach into places to keep whole",
    },
    Setting {
        key: "turn.limit",
        kind: ValueKind::Word {
            words: &[
                Word {
                    word: "none",
                    set: |s| s.turning.limit = None,
                },
                Word {
                    word: "relief",
                    set: |s| s.turning.limit = Some(TurnPart::Relief),
                },
                Word {
                    word: "worst",
                    set: |s| s.turning.limit = Some(TurnPart::Worst),
                },
                Word {
                    word: "high",
                    set: |s| s.turning.limit = Some(TurnPart::High),
                },
                Word {
                    word: "misfit",
                    set: |s| s.turning.limit = Some(TurnPart::Misfit),
                },
                Word {
                    word: "corner",
                    set: |s| s.turning.limit = Some(TurnPart::Corner),
                },
                Word {
                    word: "keep",
                    set: |s| s.turning.limit = Some(TurnPart::Keep),
                },
            ],
            get: |s| s.turning.limit.map_or(Some("none".to_owned()), spelled),
        },
        default: Default::Value("\"none\""),
        unit: "word",
        doc: "The part that must stay below turn.most, whatever it costs",
    },
    Setting {
        key: "turn.most",
        kind: always!(
            Number,
            Range::new(0.0, 1000.0, "a number of mm or degrees, 0 to 1000"),
            turning.most
        ),
        default: Default::Value("1.0"),
        unit: "mm or degrees",
        doc: "What the part named in turn.limit may be at most",
    },
    Setting {
        key: "turn.peaks",
        kind: ValueKind::Whole {
            low: 0,
            high: 50,
            set: |s, v| s.turning.peaks = v,
            get: |s| Some(s.turning.peaks),
        },
        default: Default::Value("3"),
        unit: "number",
        doc: "Most prominent mountains to keep whole, beside those in [[keep]]",
    },
    Setting {
        key: "turn.basins",
        kind: ValueKind::Whole {
            low: 0,
            high: 50,
            set: |s, v| s.turning.basins = v,
            get: |s| Some(s.turning.basins),
        },
        default: Default::Value("2"),
        unit: "number",
        doc: "Most prominent basins to keep whole, beside those in [[keep]]",
    },
    Setting {
        key: "turn.seed",
        kind: ValueKind::Whole {
            low: 0,
            high: 1_000_000,
            set: |s, v| s.turning.seed = v,
            get: |s| Some(s.turning.seed),
        },
        default: Default::Value("0"),
        unit: "number",
        doc: "Starts the search from other turns; the same number finds the same turn",
    },
];
