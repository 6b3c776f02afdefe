//! What is written from the table: the starter file, the README's table, the manifest's `job`.

use super::table::{Default, Kind, SECTIONS, SETTINGS};
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
            let _ = write!(
                file,
                "\n# {}.\n# Allowed: {}.\n",
                setting.doc,
                detail(setting)
            );
            if let Kind::Name { names, .. } = &setting.kind {
                file.push_str(&comment_lines(&names()));
            }
            let (mark, value) = match (chosen.get(setting.key), &setting.default) {
                (Some(value), _) => ("", value.as_str()),
                (None, Default::Value(value)) => ("", *value),
                (None, Default::Absent { example, .. }) if setting.key == "grid.files" => {
                    ("", *example)
                }
                (None, Default::Absent { example, .. }) => ("# ", *example),
            };
            let _ = writeln!(file, "{mark}{} = {value}", setting.leaf());
        }
    }
    Ok(file)
}

/// The README's table of settings, in Markdown.
pub fn readme_table() -> String {
    let mut table = String::from(
        "| setting | default | unit | allowed | what it does |\n|---|---|---|---|---|\n",
    );
    for setting in SETTINGS {
        let default = match &setting.default {
            Default::Value(value) => format!("`{value}`"),
            Default::Absent { means, .. } => (*means).to_owned(),
        };
        let _ = writeln!(
            table,
            "| `{}` | {default} | {} | {} | {} |",
            setting.key,
            setting.unit,
            allowed(setting),
            setting.doc
        );
    }
    table
}

/// Allowed values, unit where the values do not name it, and what an absent value means.
fn detail(setting: &super::Setting<Settings>) -> String {
    let mut detail = allowed(setting);
    let is_number = matches!(setting.kind, Kind::Number { .. } | Kind::Whole { .. });
    if is_number && !detail.contains(setting.unit) {
        let _ = write!(detail, " ({})", setting.unit);
    }
    if let Default::Absent { means, .. } = &setting.default {
        let _ = match means.strip_prefix("must be given") {
            Some(when) => write!(detail, ". Must be given{when}"),
            None => write!(detail, ". Left out: {means}"),
        };
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

/// The allowed values; the long list of solids is kept to its pointer.
fn allowed(setting: &super::Setting<Settings>) -> String {
    match setting.key {
        "globe.solid" => "a Platonic, Archimedean or Catalan solid".to_owned(),
        _ => setting.kind.allowed(),
    }
}

/// An override as it is written in a file: TOML as it stands, anything else in quotes.
fn toml_text(key: &str, raw: &str) -> String {
    let wants_text = SETTINGS
        .iter()
        .any(|s| s.key == key && matches!(s.kind, Kind::Text { .. }));
    match raw.parse::<toml_edit::Value>() {
        Ok(value) if value.is_str() || !wants_text => raw.to_owned(),
        _ => toml_edit::Value::from(raw).to_string(),
    }
}
