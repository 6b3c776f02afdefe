//! What is written from the table: the starter file, the README's table, the manifest's `job`.

use super::lists::{LISTS, Repeated, numbered_key};
use super::table::{Default, SECTIONS, SETTINGS, TableRow};
use super::{unabbreviated, without_file};
use crate::model::error::Result;
use crate::model::settings::Settings;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Every setting as nested tables, defaults resolved.
pub(super) fn to_json(settings: &Settings) -> serde_json::Value {
    let mut root = serde_json::Map::new();
    for setting in SETTINGS {
        let mut table = &mut root;
        for part in setting.section().split('.').filter(|part| !part.is_empty()) {
            let entry = table
                .entry(part)
                .or_insert_with(|| serde_json::Value::Object(serde_json::Map::new()));
            match entry {
                serde_json::Value::Object(inner) => table = inner,
                // The table has no key that is both a setting and a section (see its tests).
                _ => return serde_json::Value::Null,
            }
        }
        table.insert(setting.leaf().to_owned(), setting.kind.json(settings));
    }
    for list in LISTS {
        root.insert(list.section().to_owned(), list.json(settings));
    }
    serde_json::Value::Object(root)
}

/// What a first job says, with a remark.
const FIRST: &[(&str, &str)] = &[
    (
        "grid.files",
        "beside this file; several are tiles of one grid",
    ),
    (
        "globe.solid",
        "globewright plan FILE --compare-solids lists all 31",
    ),
    ("globe.diameter", "of the finished ball"),
    (
        "relief.range",
        "lowest to highest ground: 3 % of the diameter, or say \"6 mm\"",
    ),
    ("relief.method", "\"curve\" carves by height alone"),
    ("relief.detail", "0 is the curve alone, 1 the boldest"),
    ("relief.steepest", "degrees; steeper walls are laid back"),
    (
        "stock.thickness",
        "as it lies on the machine; 8/4 boards plane to 1-3/4 in",
    ),
    ("stock.edge", "least thickness at the corners, for the glue"),
    ("wood.species", "for its movement with the seasons"),
];

/// Repeated sections of a first job, switched off: nobody can guess what stands in a shop.
const FIRST_LISTS: &[(&str, &[&str])] = &[
    (
        "board",
        &[
            "[[board]]                       # your boards, to lay blanks out on; once for each size",
            "width = \"200 mm\"",
            "length = \"2400 mm\"",
            "count = 1",
        ],
    ),
    (
        "cutter",
        &[
            "[[cutter]]                      # your bits, to know what they reach and how long it takes",
            "shape = \"ball\"                  # carves the surface",
            "diameter = \"1/8 in\"",
            "[[cutter]]",
            "shape = \"flat\"                  # clears most of the wood first",
            "diameter = \"6 mm\"",
        ],
    ),
];

/// Column of the remarks in a first job.
const REMARKS: usize = 31;

/// Overrides by key, as they are written in a file.
type Chosen<'a> = BTreeMap<&'a str, String>;

/// A job file to begin with; `overrides` (`key=value`) are written in. With `every`, all settings
/// with their docs, otherwise those of a first job and the overridden.
///
/// File names in `overrides` are written as they are: in the file they start at its folder.
///
/// # Errors
/// [`crate::Error::Job`] if an override cannot be used.
pub fn starter(overrides: &[String], every: bool) -> Result<String> {
    without_file(overrides)?;
    let chosen: Chosen = overrides
        .iter()
        .filter_map(|text| text.split_once('='))
        .map(|(key, raw)| (unabbreviated(key.trim()), raw.trim()))
        .map(|(key, raw)| (key, toml_text(key, raw)))
        .collect();
    Ok(match every {
        true => every_setting(&chosen),
        false => first_job(&chosen),
    })
}

/// The settings of a first job, and the chosen ones.
fn first_job(chosen: &Chosen) -> String {
    let mut file = String::from(
        "# Job file of a wooden globe. What is not said keeps its default: \"globewright init --all\"\n\
         # writes every setting. Lengths: \"200 mm\", \"20 cm\", \"8 in\", \"3/4 in\", \"1-1/2 in\".\n\
         # Lines that start with # are not read.\n",
    );
    for (section, _) in SECTIONS {
        let mut rows = String::new();
        for setting in SETTINGS.iter().filter(|s| s.section() == *section) {
            let first = FIRST.iter().find(|(key, _)| *key == setting.key);
            let value = match (chosen.get(setting.key), first, setting.default) {
                (Some(value), ..) => value.as_str(),
                (None, Some(_), Default::Value(value)) => value,
                (None, Some(_), Default::Absent { example, .. }) if setting.key == "grid.files" => {
                    example
                }
                _ => continue,
            };
            let line = format!("{} = {value}", setting.leaf());
            let _ = match first {
                Some((_, remark)) => writeln!(rows, "{line:REMARKS$} # {remark}"),
                None => writeln!(rows, "# {}.\n{line}", setting.doc),
            };
        }
        if !rows.is_empty() {
            let _ = match section.is_empty() {
                true => write!(file, "\n{rows}"),
                false => write!(file, "\n[{section}]\n{rows}"),
            };
        }
    }
    for list in LISTS {
        file.push('\n');
        let count = chosen_tables(*list, chosen);
        for number in 1..=count {
            let _ = writeln!(file, "[[{}]]", list.section());
            for row in list.rows() {
                let key = format!("{}.{number}.{}", list.section(), row.leaf);
                if let Some(value) = chosen.get(key.as_str()) {
                    let _ = writeln!(file, "{} = {value}", row.leaf);
                }
            }
        }
        let first = FIRST_LISTS.iter().find(|(name, _)| *name == list.section());
        for line in first
            .filter(|_| count == 0)
            .iter()
            .flat_map(|(_, lines)| *lines)
        {
            let _ = writeln!(file, "# {line}");
        }
    }
    file.truncate(file.trim_end().len());
    file.push('\n');
    file
}

/// How many tables of a repeated section are chosen.
fn chosen_tables(list: &dyn Repeated, chosen: &Chosen) -> usize {
    let rows = list.rows();
    let is_set = |number: &usize| {
        rows.iter().any(|row| {
            let key = format!("{}.{number}.{}", list.section(), row.leaf);
            chosen.contains_key(key.as_str())
        })
    };
    (1..).take_while(is_set).count()
}

/// Every setting; those without a fixed default as commented-out examples, except the grid's file.
fn every_setting(chosen: &Chosen) -> String {
    let mut file = String::from(
        "# Job file of a wooden globe.\n\
         # Lengths: \"200 mm\", \"20 cm\", \"8 in\", \"3/4 in\", \"1-1/2 in\". A line that starts \
         with # is not read.\n",
    );
    for (section, about) in SECTIONS {
        let _ = write!(file, "\n\n# ---- {about} ----\n");
        if !section.is_empty() {
            let _ = writeln!(file, "[{section}]");
        }
        for setting in SETTINGS.iter().filter(|s| s.section() == *section) {
            // A job without a grid is none: its example stands switched on.
            let on = setting.key == "grid.files" || matches!(setting.default, Default::Value(_));
            starter_row(&mut file, &setting.row(), chosen.get(setting.key), on);
        }
    }
    for list in LISTS {
        let _ = write!(file, "\n\n# ---- {} ----\n", list.about());
        let key = |number: usize, leaf: &str| format!("{}.{number}.{leaf}", list.section());
        let rows = list.rows();
        let count = chosen_tables(*list, chosen);
        for number in 1..=count.max(1) {
            let mark = if count == 0 { "# " } else { "" };
            let _ = writeln!(file, "{mark}[[{}]]", list.section());
            for row in &rows {
                let set = chosen.get(key(number, row.leaf).as_str());
                let on = count > 0 && matches!(row.default, Default::Value(_));
                starter_row(&mut file, row, set, on);
            }
        }
    }
    file
}

/// One setting of the starter file: what it is, what is allowed, and its line; `on` writes an
/// example that is not commented out.
fn starter_row(file: &mut String, row: &TableRow, chosen: Option<&String>, on: bool) {
    let _ = write!(
        file,
        "\n# {}.\n# Allowed: {}.\n{}",
        row.doc,
        detail(row),
        comment_lines(&row.names)
    );
    let (mark, value) = match (chosen, row.default) {
        (Some(value), _) => ("", value.as_str()),
        (None, Default::Value(value)) if on => ("", value),
        (None, Default::Absent { example, .. }) if on => ("", example),
        (None, Default::Value(value)) => ("# ", value),
        (None, Default::Absent { example, .. } | Default::Needed { example }) => ("# ", example),
    };
    let _ = writeln!(file, "{mark}{} = {value}", row.leaf);
}

#[cfg(test)]
/// The README's table of settings, in Markdown.
pub fn readme_table() -> String {
    let mut table = String::from(
        "| setting | default | unit | allowed | what it does |\n|---|---|---|---|---|\n",
    );
    for setting in SETTINGS {
        readme_row(&mut table, setting.key, &setting.row());
    }
    for list in LISTS {
        for row in list.rows() {
            let key = format!("[[{}]] {}", list.section(), row.leaf);
            readme_row(&mut table, &key, &row);
        }
    }
    table
}

#[cfg(test)]
fn readme_row(table: &mut String, key: &str, row: &TableRow) {
    let default = match row.default {
        Default::Value(value) => format!("`{value}`"),
        Default::Absent { means, .. } => means.to_owned(),
        Default::Needed { .. } => "must be given".to_owned(),
    };
    let (unit, allowed, doc) = (row.unit, &row.allowed, row.doc);
    let _ = writeln!(
        table,
        "| `{key}` | {default} | {unit} | {allowed} | {doc} |"
    );
}

/// Allowed values, unit where the values do not name it, and what an absent value means.
fn detail(row: &TableRow) -> String {
    let mut detail = row.allowed.clone();
    if row.is_number && !detail.contains(row.unit) {
        let _ = write!(detail, " ({})", row.unit);
    }
    match row.default {
        Default::Absent { means, .. } => {
            let _ = match means.strip_prefix("must be given") {
                Some(when) => write!(detail, ". Must be given{when}"),
                None => write!(detail, ". Left out: {means}"),
            };
        }
        Default::Needed { .. } => detail.push_str(". Must be given"),
        Default::Value(_) => {}
    }
    detail
}

/// Names as comment lines of a bearable width.
fn comment_lines(names: &[&str]) -> String {
    const WIDTH: usize = 90;
    let mut lines = String::new();
    let mut line = String::new();
    for (index, name) in names.iter().enumerate() {
        let comma = if index + 1 < names.len() { "," } else { "" };
        if line.len() + name.len() + 2 > WIDTH {
            let _ = writeln!(lines, "#  {line}");
            line.clear();
        }
        let _ = write!(line, " {name}{comma}");
    }
    if !line.is_empty() {
        let _ = writeln!(lines, "#  {line}");
    }
    lines
}

/// An override as it is written in a file: TOML as it stands, anything else in quotes.
fn toml_text(key: &str, raw: &str) -> String {
    let wants_text = match numbered_key(key) {
        Some((list, _, leaf)) => list.rows().iter().any(|r| r.leaf == leaf && r.is_text),
        None => SETTINGS.iter().any(|s| s.key == key && s.row().is_text),
    };
    match raw.parse::<toml_edit::Value>() {
        Ok(value) if value.is_str() || !wants_text => raw.to_owned(),
        _ => toml_edit::Value::from(raw).to_string(),
    }
}
