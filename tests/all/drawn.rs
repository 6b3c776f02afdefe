//! DXF read back: by GDAL's tools, which share nothing with the writer, in a process of their own,
//! for drawings are not among what GDAL may read in this one; by ezdxf where Python has it; and by
//! a strict reader of the format's own rules.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

/// Layer, width and height of everything in a drawing.
pub fn shapes(path: &Path) -> Vec<(String, f64, f64)> {
    let output = Command::new("ogr2ogr")
        .args(["-f", "GeoJSONSeq", "-dim", "XY", "/vsistdout/"])
        .arg(path)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let shapes = text.lines().map(|line| {
        let shape: serde_json::Value = serde_json::from_str(line).unwrap();
        let points = shape["geometry"]["coordinates"].to_string();
        let numbers: Vec<f64> = points
            .split(['[', ']', ','])
            .filter_map(|number| number.parse().ok())
            .collect();
        let span = |axis: usize| {
            let along = numbers.iter().skip(axis).step_by(2);
            let (lo, hi) = along.fold((f64::MAX, f64::MIN), |(lo, hi), n| (n.min(lo), n.max(hi)));
            hi - lo
        };
        let layer = shape["properties"]["Layer"].as_str().unwrap();
        (layer.to_owned(), span(0), span(1))
    });
    shapes.collect()
}

/// What ezdxf finds wrong with drawings, a line for each fault; a line on the terminal where Python
/// has no ezdxf.
pub fn faults_by_ezdxf<'a>(paths: impl Iterator<Item = &'a Path>) -> String {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/audit_dxf.py");
    let output = Command::new("python3").arg(script).args(paths).output();
    match output {
        Ok(output) if output.status.success() => String::new(),
        Ok(output) if output.status.code() != Some(77) => {
            let said = [output.stdout, output.stderr].concat();
            format!("{} {}", output.status, String::from_utf8_lossy(&said))
        }
        _ => {
            eprintln!("not tried: Python's ezdxf on drawings, for it is not installed");
            String::new()
        }
    }
}

/// One object of a DXF file: its name, and its pairs of code and value.
struct Item {
    name: String,
    pairs: Vec<(i32, String)>,
}

impl Item {
    fn all(&self, code: i32) -> Vec<&str> {
        let pairs = self.pairs.iter().filter(|(c, _)| *c == code);
        pairs.map(|(_, value)| value.as_str()).collect()
    }

    fn one(&self, code: i32) -> &str {
        let found = self.all(code);
        assert!(!found.is_empty(), "{}: no {code}", self.name);
        found[0]
    }

    fn number(&self, code: i32) -> f64 {
        self.one(code).parse().unwrap()
    }
}

/// Reads a DXF file of release 2000 and panics at whatever a strict reader would mend or refuse:
/// the rules are those of Autodesk's DXF Reference (2000) for what such a file must hold.
pub fn strictly(text: &str) {
    let lines: Vec<&str> = text.lines().collect();
    assert!(lines.len().is_multiple_of(2) && text.is_ascii());
    let pairs = lines
        .chunks(2)
        .map(|pair| (pair[0].trim().parse().unwrap(), pair[1]));
    let mut items: Vec<Item> = Vec::new();
    for (code, value) in pairs {
        // Codes of real numbers.
        if matches!(code, 10..=59 | 140..=149 | 1010..=1059) {
            let number: f64 = value.parse().unwrap();
            assert!(number.is_finite() && !value.starts_with("-0.0\n"));
        }
        match (code, items.last_mut()) {
            (0, _) => items.push(Item {
                name: value.to_owned(),
                pairs: Vec::new(),
            }),
            (_, Some(item)) => item.pairs.push((code, value.to_owned())),
            (_, None) => panic!("the file begins with {code}"),
        }
    }
    assert!(items.pop().is_some_and(|last| last.name == "EOF"));
    let mut sections: BTreeMap<String, Vec<Item>> = BTreeMap::new();
    let mut order = Vec::new();
    for item in items {
        match (item.name.as_str(), order.len()) {
            ("SECTION", _) => order.push(item.one(2).to_owned()),
            ("ENDSEC", _) => continue,
            (_, 0) => panic!("{} outside of sections", item.name),
            _ => {}
        }
        sections
            .entry(order[order.len() - 1].clone())
            .or_default()
            .push(item);
    }
    assert_eq!(order, ["HEADER", "TABLES", "BLOCKS", "ENTITIES", "OBJECTS"]);

    handles(&sections);
    let tables = tables(&sections["TABLES"]);
    let spaces: Vec<String> = tables["BLOCK_RECORD"]
        .iter()
        .map(|r| r.one(2).to_owned())
        .collect();
    let blocks = sections["BLOCKS"].iter().filter(|b| b.name == "BLOCK");
    assert_eq!(
        blocks.map(|b| b.one(2).to_owned()).collect::<Vec<_>>(),
        spaces
    );
    let names =
        |table: &str| -> BTreeSet<&str> { tables[table].iter().map(|r| r.one(2)).collect() };
    let line_types = names("LTYPE");
    assert!(
        ["ByBlock", "ByLayer", "Continuous"]
            .iter()
            .all(|name| line_types.contains(name))
    );
    for line_type in &tables["LTYPE"] {
        let dashes: Vec<f64> = line_type
            .all(49)
            .iter()
            .map(|mm| mm.parse().unwrap())
            .collect();
        assert_eq!(line_type.number(73) as usize, dashes.len());
        let sum: f64 = dashes.iter().map(|mm| mm.abs()).sum();
        assert!((line_type.number(40) - sum).abs() < 1e-8);
        assert!(
            dashes
                .iter()
                .enumerate()
                .all(|(i, mm)| (*mm > 0.0) == (i % 2 == 0))
        );
    }
    for layer in &tables["LAYER"] {
        assert!(line_types.contains(layer.one(6)), "{}", layer.one(6));
        // The weights there are, in hundredths of a millimetre, as far as drawings use them.
        let weights = ["0", "13", "18", "25", "35", "50", "70"];
        assert!(layer.one(2) == "0" || weights.contains(&layer.one(370)));
    }
    entities(
        &sections["ENTITIES"][1..],
        &names("LAYER"),
        tables["BLOCK_RECORD"][0].one(5),
    );
    let root = &sections["OBJECTS"][1];
    assert!(
        root.name == "DICTIONARY" && root.one(330) == "0" && root.all(3).contains(&"ACAD_GROUP")
    );
}

/// Every handle is there once, below the next free one, and none points nowhere.
fn handles(sections: &BTreeMap<String, Vec<Item>>) {
    let header = &sections["HEADER"][0];
    let variable = |name: &str| {
        let at = header.pairs.iter().position(|(c, v)| *c == 9 && v == name);
        header.pairs[at.unwrap_or_else(|| panic!("no {name}")) + 1]
            .1
            .clone()
    };
    assert_eq!(variable("$ACADVER"), "AC1015");
    // Millimetres, metric; or inches, imperial.
    let units = [variable("$INSUNITS"), variable("$MEASUREMENT")];
    assert!(units == ["4", "1"] || units == ["1", "0"], "{units:?}");
    let number = |handle: &str| u64::from_str_radix(handle, 16).unwrap();
    let mut owned = BTreeSet::new();
    let all = || {
        sections
            .iter()
            .filter(|(name, _)| *name != "HEADER")
            .flat_map(|(_, items)| items)
    };
    for item in all() {
        let code = if item.name == "DIMSTYLE" { 105 } else { 5 };
        if !["SECTION", "ENDTAB"].contains(&item.name.as_str()) {
            assert_eq!(item.all(code).len(), 1, "{}", item.name);
            assert!(
                owned.insert(number(item.one(code))),
                "{} twice",
                item.one(code)
            );
        }
    }
    assert!(
        owned
            .iter()
            .all(|handle| (1..number(&variable("$HANDSEED"))).contains(handle))
    );
    for item in all() {
        for pointer in [330, 340, 350, 390].iter().flat_map(|code| item.all(*code)) {
            let to = number(pointer);
            assert!(
                to == 0 || owned.contains(&to),
                "{} points to {pointer}",
                item.name
            );
        }
    }
}

/// The records of every table, their counts and owners checked.
fn tables(items: &[Item]) -> BTreeMap<String, Vec<&Item>> {
    let mut tables: BTreeMap<String, Vec<&Item>> = BTreeMap::new();
    let mut head: Option<&Item> = None;
    for item in &items[1..] {
        match (item.name.as_str(), head) {
            ("TABLE", None) => {
                assert!(tables.insert(item.one(2).to_owned(), Vec::new()).is_none());
                head = Some(item);
            }
            ("ENDTAB", Some(table)) => {
                let records = &tables[table.one(2)];
                assert_eq!(table.number(70) as usize, records.len(), "{}", table.one(2));
                head = None;
            }
            (name, Some(table)) => {
                assert_eq!((name, item.one(330)), (table.one(2), table.one(5)));
                let records = tables.get_mut(name).unwrap();
                let same = |other: &&Item| other.one(2).eq_ignore_ascii_case(item.one(2));
                assert!(!records.iter().any(same), "{} twice", item.one(2));
                records.push(item);
            }
            _ => panic!("{} outside of tables", item.name),
        }
    }
    let names: Vec<&str> = tables.keys().map(String::as_str).collect();
    let all = "APPID BLOCK_RECORD DIMSTYLE LAYER LTYPE STYLE UCS VIEW VPORT";
    assert_eq!(names.join(" "), all);
    tables
}

/// Everything drawn lies on a layer of the table, in the drawing and not on a sheet of it.
fn entities(items: &[Item], layers: &BTreeSet<&str>, space: &str) {
    assert!(!items.is_empty());
    for item in items {
        assert!(layers.contains(item.one(8)), "no layer {}", item.one(8));
        assert_eq!(item.one(330), space);
        let classes = match item.name.as_str() {
            "LWPOLYLINE" => vec!["AcDbEntity", "AcDbPolyline"],
            "LINE" => vec!["AcDbEntity", "AcDbLine"],
            "CIRCLE" => vec!["AcDbEntity", "AcDbCircle"],
            "TEXT" => vec!["AcDbEntity", "AcDbText", "AcDbText"],
            other => panic!("{other}"),
        };
        assert_eq!(item.all(100), classes);
        match item.name.as_str() {
            "LWPOLYLINE" => {
                let (xs, ys) = (item.all(10), item.all(20));
                let count = item.number(90) as usize;
                assert!(xs.len() == count && ys.len() == count && count >= 2);
                // A closed line does not come back to its first point by itself.
                let meets = xs[0] == xs[count - 1] && ys[0] == ys[count - 1];
                assert!(!meets && ["0", "1"].contains(&item.one(70)));
                // What is cut around is closed.
                let around = [
                    "BLANK",
                    "FACET",
                    "BACK",
                    "POCKET",
                    "BOSS",
                    "TAB",
                    "TAB_NOTCH",
                ];
                assert!(
                    !around.contains(&item.one(8)) || item.one(70) == "1",
                    "{} is open",
                    item.one(8)
                );
            }
            "TEXT" => assert!(item.number(40) > 0.0 && !item.one(1).trim().is_empty()),
            _ => {}
        }
    }
}
