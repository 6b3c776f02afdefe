//! What is written from the table: the starter file, the README's table, the manifest's `job`.

use super::table::{Default, SECTIONS, SETTINGS};
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
        let _ = write!(file, "\n# ---- {about} ----\n");
        if !section.is_empty() {
            let _ = writeln!(file, "[{section}]");
        }
        for setting in SETTINGS.iter().filter(|s| s.section() == *section) {
            let _ = writeln!(file, "# {}.", setting.doc);
            let _ = writeln!(file, "# {}.", detail(setting));
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

/// Unit and allowed values in one comment line; what an absent value means.
fn detail(setting: &super::Setting<Settings>) -> String {
    let allowed = allowed(setting);
    match &setting.default {
        Default::Value(_) => format!("Allowed: {allowed} ({})", setting.unit),
        Default::Absent { means, .. } => {
            format!("Allowed: {allowed} ({}). Left out: {means}", setting.unit)
        }
    }
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
        .any(|s| s.key == key && matches!(s.kind, super::table::Kind::Text { .. }));
    match raw.parse::<toml_edit::Value>() {
        Ok(value) if value.is_str() || !wants_text => raw.to_owned(),
        _ => toml_edit::Value::from(raw).to_string(),
    }
}
