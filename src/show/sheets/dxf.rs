//! Drawings as DXF, release 2000 (AC1015), after Autodesk's DXF Reference: handles everywhere, every
//! table, the two blocks that hold what is drawn, and the root dictionary. Strict readers refuse or
//! mend files that lack any of these, as those of the usual library do.

use super::drawing::{Dashes, Drawing, Layer, Primitive};
use crate::model::length::{MM_PER_INCH, Units};
use glam::DVec2;
use std::fmt::{Display, Write};

/// `$INSUNITS`, `$MEASUREMENT` (metric or not, for dashes too) and the length of a millimetre.
fn system(units: Units) -> (u8, u8, f64) {
    match units {
        Units::Mm => (4, 1, 1.0),
        Units::Inch => (1, 0, 1.0 / MM_PER_INCH),
    }
}

/// Height of capitals in the drawings' letters, in type heights: DXF counts capitals, SVG the line.
const CAPITALS: f64 = 0.73;

/// Pairs of a code and a value, with the next free handle; lengths are given in mm.
struct Pairs {
    text: String,
    next: u32,
    per_mm: f64,
}

/// The tables, and how their records call themselves.
const TABLES: [(&str, &str); 9] = [
    ("VPORT", "AcDbViewportTableRecord"),
    ("LTYPE", "AcDbLinetypeTableRecord"),
    ("LAYER", "AcDbLayerTableRecord"),
    ("STYLE", "AcDbTextStyleTableRecord"),
    ("VIEW", ""),
    ("UCS", ""),
    ("APPID", "AcDbRegAppTableRecord"),
    ("DIMSTYLE", "AcDbDimStyleTableRecord"),
    ("BLOCK_RECORD", "AcDbBlockTableRecord"),
];

/// Where all that is drawn lies, and the sheet every file must have.
const BLOCKS: [&str; 2] = ["*Model_Space", "*Paper_Space"];

/// Handle of the one plot style: layers name it, so it is given before it is written.
const PLOT_STYLE: &str = "1";

/// The drawing as a DXF file in the shop's units.
pub fn file(drawing: &Drawing, units: Units) -> String {
    let (unit, metric, per_mm) = system(units);
    let layers = drawing.layers();
    let (low, high) = drawing.bounds();
    let mut body = Pairs {
        text: String::new(),
        next: 2,
        per_mm,
    };
    body.section("TABLES");
    let mut blocks = Vec::new();
    for (table, class) in TABLES {
        let records = records(table, &layers, (low * per_mm, high * per_mm), per_mm);
        let owner = body.table(table, records.len());
        for record in &records {
            let handle = body.record(table, class, &owner, record);
            if table == "BLOCK_RECORD" {
                blocks.push(handle);
            }
        }
        body.pair(0, "ENDTAB");
    }
    body.pair(0, "ENDSEC");
    body.section("BLOCKS");
    for (name, owner) in BLOCKS.iter().zip(&blocks) {
        body.block(name, owner);
    }
    body.pair(0, "ENDSEC");
    body.section("ENTITIES");
    for (layer, shape) in &drawing.shapes {
        body.entity(shape, layer.name(), &blocks[0]);
    }
    body.pair(0, "ENDSEC");
    body.section("OBJECTS");
    body.dictionaries();
    body.pair(0, "ENDSEC");
    body.pair(0, "EOF");

    let mut file = Pairs {
        text: String::new(),
        next: 0,
        per_mm,
    };
    file.section("HEADER");
    file.variable("$ACADVER", 1, "AC1015");
    file.variable("$DWGCODEPAGE", 3, "ANSI_1252");
    file.variable("$HANDSEED", 5, format_args!("{:X}", body.next));
    file.variable("$INSUNITS", 70, unit);
    file.variable("$MEASUREMENT", 70, metric);
    for (name, corner) in [("$EXTMIN", low), ("$EXTMAX", high)] {
        file.pair(9, name);
        file.point(10, corner, true);
    }
    file.pair(0, "ENDSEC");
    file.text + &body.text
}

/// What a table holds: pairs of each record from its name on.
fn records(
    table: &str,
    layers: &[Layer],
    extent: (DVec2, DVec2),
    per_mm: f64,
) -> Vec<Vec<(i32, String)>> {
    let named = |name: &str| vec![(2, name.to_owned()), (70, "0".to_owned())];
    let with = |name: &str, more: &[(i32, &dyn Display)]| {
        let more = more.iter().map(|(code, value)| (*code, value.to_string()));
        named(name).into_iter().chain(more).collect::<Vec<_>>()
    };
    match table {
        // So that a viewer opens on the whole drawing.
        "VPORT" => {
            let (middle, size) = (0.5 * (extent.0 + extent.1), extent.1 - extent.0);
            let (x, y) = (number(middle.x), number(middle.y));
            let (height, aspect) = (number(size.y.max(per_mm)), number(1.0));
            vec![with(
                "*Active",
                &[(12, &x), (22, &y), (40, &height), (41, &aspect)],
            )]
        }
        "LTYPE" => {
            let mut list = vec![Dashes::Solid];
            list.extend(layers.iter().map(|layer| layer.style().dashes));
            list.sort_unstable();
            list.dedup();
            let plain = ["ByBlock", "ByLayer"].map(|name| line_type(name, &[], per_mm));
            let ours = list.iter();
            let ours = ours.map(|d| line_type(d.name(), d.lengths_mm(), per_mm));
            plain.into_iter().chain(ours).collect()
        }
        "LAYER" => {
            let all = layers.iter().map(|layer| {
                let style = layer.style();
                let weight = (style.width_mm * 100.0).round();
                with(
                    style.name,
                    &[
                        (62, &style.index),
                        (6, &style.dashes.name()),
                        (370, &weight),
                        (390, &PLOT_STYLE),
                    ],
                )
            });
            let zero = [
                (62, &7 as &dyn Display),
                (6, &"Continuous"),
                (390, &PLOT_STYLE),
            ];
            std::iter::once(with("0", &zero)).chain(all).collect()
        }
        "STYLE" => {
            let font = [
                (40, &"0.0" as &dyn Display),
                (41, &"1.0"),
                (50, &"0.0"),
                (71, &0),
                (42, &"2.5"),
                (3, &"txt"),
                (4, &""),
            ];
            vec![with("Standard", &font)]
        }
        "APPID" => vec![named("ACAD")],
        "DIMSTYLE" => vec![named("Standard")],
        // A block record has no flags; its layout is none.
        "BLOCK_RECORD" => BLOCKS
            .map(|name| vec![(2, name.to_owned()), (340, "0".to_owned())])
            .to_vec(),
        _ => Vec::new(),
    }
}

/// A line type: dashes are positive, gaps negative.
fn line_type(name: &str, lengths_mm: &[f64], per_mm: f64) -> Vec<(i32, String)> {
    let look: String = lengths_mm
        .iter()
        .enumerate()
        .map(|(i, mm)| match (i % 2, *mm < 1.0) {
            (1, _) => " ",
            (_, true) => ".",
            (_, false) => "__",
        })
        .collect();
    let mut pairs = vec![
        (2, name.to_owned()),
        (70, "0".to_owned()),
        (3, look.trim_end().to_owned()),
        (72, "65".to_owned()),
        (73, lengths_mm.len().to_string()),
        (40, number(per_mm * lengths_mm.iter().sum::<f64>())),
    ];
    for (i, mm) in lengths_mm.iter().enumerate() {
        pairs.push((49, number(per_mm * if i % 2 == 0 { *mm } else { -mm })));
        pairs.push((74, "0".to_owned()));
    }
    pairs
}

/// A number as DXF wants it, with a point and never minus nothing.
fn number(value: f64) -> String {
    let text = format!("{value:.9}");
    let text = text.trim_end_matches('0');
    let text = match text.strip_suffix('.') {
        Some(whole) => format!("{whole}.0"),
        None => text.to_owned(),
    };
    match text.as_str() {
        "-0.0" => "0.0".to_owned(),
        _ => text,
    }
}

impl Pairs {
    fn pair(&mut self, code: i32, value: impl Display) {
        // Writing to a string cannot fail.
        let _ = writeln!(self.text, "{code:>3}\n{value}");
    }

    fn section(&mut self, name: &str) {
        self.pair(0, "SECTION");
        self.pair(2, name);
    }

    fn variable(&mut self, name: &str, code: i32, value: impl Display) {
        self.pair(9, name);
        self.pair(code, value);
    }

    fn length(&mut self, code: i32, mm: f64) {
        self.pair(code, number(mm * self.per_mm));
    }

    fn point(&mut self, code: i32, at: DVec2, with_z: bool) {
        self.length(code, at.x);
        self.length(code + 10, at.y);
        if with_z {
            self.pair(code + 20, "0.0");
        }
    }

    /// A new handle, written with its owner's.
    fn owned(&mut self, code: i32, owner: &str) -> String {
        let handle = format!("{:X}", self.next);
        self.next += 1;
        self.pair(code, &handle);
        self.pair(330, owner);
        handle
    }

    fn table(&mut self, name: &str, count: usize) -> String {
        self.pair(0, "TABLE");
        self.pair(2, name);
        let handle = self.owned(5, "0");
        self.pair(100, "AcDbSymbolTable");
        self.pair(70, count);
        if name == "DIMSTYLE" {
            self.pair(100, "AcDbDimStyleTable");
            self.pair(71, 0);
        }
        handle
    }

    fn record(&mut self, table: &str, class: &str, owner: &str, pairs: &[(i32, String)]) -> String {
        self.pair(0, table);
        // Dimension styles alone have it under another code.
        let handle = self.owned(if table == "DIMSTYLE" { 105 } else { 5 }, owner);
        self.pair(100, "AcDbSymbolTableRecord");
        self.pair(100, class);
        for (code, value) in pairs {
            self.pair(*code, value);
        }
        handle
    }

    fn block(&mut self, name: &str, owner: &str) {
        for (what, class) in [("BLOCK", "AcDbBlockBegin"), ("ENDBLK", "AcDbBlockEnd")] {
            self.pair(0, what);
            self.owned(5, owner);
            self.pair(100, "AcDbEntity");
            self.pair(8, "0");
            self.pair(100, class);
            if what == "BLOCK" {
                self.pair(2, name);
                self.pair(70, 0);
                self.point(10, DVec2::ZERO, true);
                self.pair(3, name);
                self.pair(1, "");
            }
        }
    }

    fn entity(&mut self, shape: &Primitive, layer: &str, owner: &str) {
        let straight = |points: &[DVec2]| points.iter().map(|p| (*p, 0.0)).collect::<Vec<_>>();
        let mut begin = |what: &str, class: &str| {
            self.pair(0, what);
            self.owned(5, owner);
            self.pair(100, "AcDbEntity");
            self.pair(8, layer);
            self.pair(100, class);
        };
        match shape {
            Primitive::Closed(points) | Primitive::Filled(points) => {
                begin("LWPOLYLINE", "AcDbPolyline");
                self.polyline(&straight(points), true);
            }
            Primitive::Rounded(rounded) => {
                begin("LWPOLYLINE", "AcDbPolyline");
                self.polyline(&rounded.points, true);
            }
            Primitive::Open(points) => match points.as_slice() {
                [from, to] => {
                    begin("LINE", "AcDbLine");
                    self.point(10, *from, true);
                    self.point(11, *to, true);
                }
                _ => {
                    begin("LWPOLYLINE", "AcDbPolyline");
                    self.polyline(&straight(points), false);
                }
            },
            Primitive::Ring(centre, radius) => {
                begin("CIRCLE", "AcDbCircle");
                self.point(10, *centre, true);
                self.length(40, *radius);
            }
            Primitive::Words(at, size, anchor, text) => {
                begin("TEXT", "AcDbText");
                self.point(10, *at, true);
                self.length(40, CAPITALS * size);
                self.pair(1, plain(text));
                self.pair(72, anchor + 1);
                if *anchor != -1 {
                    self.point(11, *at, true);
                }
                self.pair(100, "AcDbText");
            }
        }
    }

    fn polyline(&mut self, points: &[(DVec2, f64)], closed: bool) {
        self.pair(90, points.len());
        self.pair(70, u8::from(closed));
        for (at, bulge) in points {
            self.point(10, *at, false);
            if *bulge != 0.0 {
                self.pair(42, number(*bulge));
            }
        }
    }

    /// The root of what is not drawn, with the two dictionaries every drawing has.
    fn dictionaries(&mut self) {
        let begin = |pairs: &mut Pairs, owner: &str| {
            pairs.pair(0, "DICTIONARY");
            let handle = pairs.owned(5, owner);
            pairs.pair(100, "AcDbDictionary");
            pairs.pair(281, 1);
            handle
        };
        let root = begin(self, "0");
        for (ahead, name) in ["ACAD_GROUP", "ACAD_PLOTSTYLENAME"].iter().enumerate() {
            self.pair(3, name);
            self.pair(350, format_args!("{:X}", self.next + ahead as u32));
        }
        begin(self, &root);
        self.pair(0, "ACDBDICTIONARYWDFLT");
        let styles = self.owned(5, &root);
        self.pair(100, "AcDbDictionary");
        self.pair(281, 1);
        self.pair(3, "Normal");
        self.pair(350, PLOT_STYLE);
        self.pair(100, "AcDbDictionaryWithDefault");
        self.pair(340, PLOT_STYLE);
        self.pair(0, "ACDBPLACEHOLDER");
        self.pair(5, PLOT_STYLE);
        self.pair(330, styles);
    }
}

/// Words in the letters every reader knows: others are written by their number.
fn plain(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            ' '..='~' => out.push(c),
            c if c.is_control() => out.push(' '),
            c => {
                for unit in c.encode_utf16(&mut [0; 2]) {
                    let _ = write!(out, "\\U+{unit:04X}");
                }
            }
        }
    }
    out
}
