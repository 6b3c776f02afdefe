//! What is written from the table: the starter file, the README's table, the manifest's `job`.

use super::lists::{LISTS, numbered_key};
use super::table::{Default, Row, SECTIONS, SETTINGS};
use super::without_file;
use crate::error::Result;
use crate::settings::Settings;
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

/// A commented job file with every setting; `overrides` (`key=value`) are written in.
///
/// Settings without a fixed default stand as commented-out examples, except the grid's file.
/// File names in `overrides` are written as they are: in the file they start at its folder.
///
/// # Errors
/// [`crate::Error::Job`] if an override cannot be used.
pub fn starter(overrides: &[String]) -> Result<String> {
    without_file(overrides)?;
    let chosen: BTreeMap<&str, String> = overrides
        .iter()
        .filter_map(|text| text.split_once('='))
        .map(|(key, raw)| (key.trim(), toml_text(key.trim(), raw.trim())))
        .collect();
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
        let is_set = |number: &usize| {
            let mut leaves = rows.iter().map(|row| row.leaf);
            leaves.any(|leaf| chosen.contains_key(key(*number, leaf).as_str()))
        };
        let count = (1..).take_while(is_set).count();
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
    Ok(file)
}

/// One setting of the starter file: what it is, what is allowed, and its line; `on` writes an
/// example that is not commented out.
fn starter_row(file: &mut String, row: &Row, chosen: Option<&String>, on: bool) {
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

fn readme_row(table: &mut String, key: &str, row: &Row) {
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
fn detail(row: &Row) -> String {
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
