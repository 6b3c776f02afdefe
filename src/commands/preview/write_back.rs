//! Puts changed settings into the text of a job file; everything else stays as it was written.
//!
//! Comments, order, quoting and layout of untouched lines are kept, and so is the comment behind a
//! changed value. The new text is read again before it is given out: it holds what was asked for,
//! or there is no new text.

use crate::model::jobfile;
use crate::{Error, Problem, Result};
use std::path::Path;
use toml_edit::{DocumentMut, Item, Table, TableLike, Value};

/// A setting and its new value as it would be typed; `None` takes it out of the file.
pub type Edit = (String, Option<String>);

/// The text of a setting in a job file as it was written, without quotes; `None` if it is not in it.
pub fn written(text: &str, key: &str) -> Option<String> {
    let document: DocumentMut = text.parse().ok()?;
    let mut item = document.as_item();
    for part in key.split('.') {
        item = item.as_table_like()?.get(part)?;
    }
    plain(item.as_value()?)
}

fn plain(value: &Value) -> Option<String> {
    match value {
        Value::String(text) => Some(text.value().clone()),
        Value::InlineTable(_) => None,
        other => {
            let mut bare = other.clone();
            bare.decor_mut().clear();
            Some(
                bare.to_string()
                    .split_whitespace()
                    .collect::<Vec<_>>()
                    .join(" "),
            )
        }
    }
}

/// The job file's text with the changes in it. `path` is where the file lies.
///
/// # Errors
/// [`Error::Job`] for a text that cannot be read before or after the change; nothing is written.
pub fn write_back(text: &str, path: &Path, changes: &[Edit]) -> Result<String> {
    let before = jobfile::parse(text, path, &[])?;
    let new = changed_text(text, changes).ok_or_else(|| not_possible(path))?;
    let after = jobfile::parse(&new, path, &[])?;
    // What was asked for is what `--set` would have made of it, and nothing else has changed.
    let gone: Vec<Edit> = changes.iter().filter(|c| c.1.is_none()).cloned().collect();
    let without = changed_text(text, &gone).ok_or_else(|| not_possible(path))?;
    let sets: Vec<String> = changes
        .iter()
        .filter_map(|(key, value)| Some(format!("{key}={}", value.as_ref()?)))
        .collect();
    let wanted = jobfile::parse(&without, path, &sets)?;
    if after.settings != wanted.settings || after.settings.grid != before.settings.grid {
        return Err(not_possible(path));
    }
    Ok(new)
}

fn not_possible(path: &Path) -> Error {
    Error::Job(
        Problem::new("the settings could not be put into the job file as it is written")
            .next("change them in the file by hand")
            .file(path),
    )
}

/// The text without these settings, not read again; `None` where something unexpected stands.
pub(super) fn without(text: &str, gone: &[Edit]) -> Option<String> {
    changed_text(text, gone)
}

/// The text with values replaced, added and taken out; `None` where something unexpected stands.
fn changed_text(text: &str, changes: &[Edit]) -> Option<String> {
    let mut document: DocumentMut = text.parse().ok()?;
    for (key, value) in changes {
        let (section, leaf) = key.rsplit_once('.').unwrap_or(("", key));
        match value {
            Some(value) => set(&mut document, section, leaf, toml_value(value))?,
            None => {
                if let Some(table) = section_of(document.as_table_mut(), section) {
                    table.remove(leaf);
                }
            }
        }
    }
    let new = document.to_string();
    // The library writes line ends as \n; a file from elsewhere keeps its own.
    Some(match text.contains("\r\n") {
        true => new.replace("\r\n", "\n").replace('\n', "\r\n"),
        false => new,
    })
}

/// TOML where the text is TOML, a string otherwise, as `--set` takes it.
fn toml_value(text: &str) -> Value {
    text.parse().unwrap_or_else(|_| Value::from(text))
}

/// The table of an existing section.
fn section_of<'a>(root: &'a mut Table, section: &str) -> Option<&'a mut dyn TableLike> {
    let mut table: &mut dyn TableLike = root;
    for part in section.split('.').filter(|part| !part.is_empty()) {
        table = table.get_mut(part)?.as_table_like_mut()?;
    }
    Some(table)
}

fn set(document: &mut DocumentMut, section: &str, leaf: &str, mut value: Value) -> Option<()> {
    if section_of(document.as_table_mut(), section).is_none() {
        begin_section(document, section)?;
    }
    let table = section_of(document.as_table_mut(), section)?;
    match table.get_mut(leaf) {
        Some(Item::Value(old)) => {
            // Spaces and the comment around the old value.
            *value.decor_mut() = old.decor().clone();
            *old = value;
        }
        Some(_) => return None,
        None => {
            table.insert(leaf, Item::Value(value));
        }
    }
    Some(())
}

/// Writes `[section]` with nothing in it: inside its parent where that is written in one line or
/// with points, otherwise as a table of its own.
fn begin_section(document: &mut DocumentMut, section: &str) -> Option<()> {
    let (parent, name) = section.rsplit_once('.').unwrap_or(("", section));
    if section_of(document.as_table_mut(), parent).is_none() {
        begin_section(document, parent)?;
        if let Some(Item::Table(table)) = document.get_mut(parent) {
            // Only its inner section is wanted.
            table.set_implicit(true);
        }
    }
    // Comments at the very end belong to what stands before them, not to a new last section.
    let end = document.trailing().as_str().unwrap_or_default().to_owned();
    let inside_line = match parent {
        "" => false,
        parent => document.get(parent).is_some_and(Item::is_inline_table),
    };
    let last = document
        .iter()
        .filter_map(|(_, item)| last_position(item))
        .max()
        .unwrap_or(0);
    let table = section_of(document.as_table_mut(), parent)?;
    // `turn = "auto"` stands for a section: the section takes its place.
    table.remove(name);
    if inside_line {
        table.insert(name, Item::Value(Value::InlineTable(Default::default())));
        return Some(());
    }
    let mut new = Table::new();
    new.set_position(last + 1);
    let gap = if end.is_empty() || end.ends_with('\n') {
        "\n"
    } else {
        "\n\n"
    };
    new.decor_mut().set_prefix(format!("{end}{gap}"));
    table.insert(name, Item::Table(new));
    document.set_trailing("");
    Some(())
}

/// Place of the last table written under an item.
fn last_position(item: &Item) -> Option<isize> {
    match item {
        Item::Table(table) => {
            let inner = table.iter().filter_map(|(_, item)| last_position(item));
            inner.chain(table.position()).max()
        }
        Item::ArrayOfTables(tables) => tables
            .iter()
            .flat_map(|table| {
                let inner = table.iter().filter_map(|(_, item)| last_position(item));
                inner.chain(table.position()).collect::<Vec<_>>()
            })
            .max(),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(text: &str, changes: &[(&str, Option<&str>)]) -> String {
        let changes: Vec<Edit> = changes
            .iter()
            .map(|(key, value)| ((*key).to_owned(), value.map(str::to_owned)))
            .collect();
        write_back(text, Path::new("walnut.toml"), &changes).unwrap()
    }

    #[test]
    fn a_changed_value_keeps_the_comments_around_it() {
        let text = "# My globe.\nname = \"Ash\"   # short\n\n[relief]\n# lowest to highest\n\
                    range = \"6 mm\"                      # all of it\ncurve = \"asinh\"\n\n\
                    [stock]\nthickness = \"1-3/4 in\"\n";
        let new = after(text, &[("relief.range", Some("7.5 mm"))]);
        assert_eq!(new, text.replace("\"6 mm\"", "\"7.5 mm\""));
    }

    #[test]
    fn no_change_is_no_change_to_a_single_byte() {
        let text = "name='x'\n[ globe ] # odd\n  solid   =  'cube'\n\n\n# end, no line break";
        assert_eq!(after(text, &[]), text);
        assert_eq!(
            after(text, &[("globe.solid", Some("tetrahedron"))]),
            text.replace("'cube'", "\"tetrahedron\"")
        );
    }

    #[test]
    fn lengths_stay_in_the_unit_they_were_given_in() {
        let text = "[globe]\ndiameter = \"8 in\"\n";
        let new = after(text, &[("globe.diameter", Some("8.25 in"))]);
        assert_eq!(new, "[globe]\ndiameter = \"8.25 in\"\n");
    }

    #[test]
    fn numbers_and_words_are_written_as_toml_writes_them() {
        let text = "[relief]\nboost = 3.0\n";
        let changes = [
            ("relief.boost", Some("4.5")),
            ("relief.level", Some("-1200")),
            ("relief.curve", Some("knots")),
            ("relief.knots", Some("[[-8000, -2], [21000, 4]]")),
        ];
        assert_eq!(
            after(text, &changes),
            "[relief]\nboost = 4.5\nlevel = -1200\ncurve = \"knots\"\n\
             knots = [[-8000, -2], [21000, 4]]\n"
        );
    }

    #[test]
    fn inline_tables_and_keys_with_points_stay_what_they_are() {
        let text = "globe = { solid = \"cube\", diameter = \"20 cm\" } # one line\n\
                    relief.curve = \"log\"\nrelief.boost = 2.0 # points\n";
        let changes = [
            ("globe.diameter", Some("25 cm")),
            ("globe.turn.lat", Some("12")),
            ("relief.boost", Some("2.5")),
            ("relief.range", Some("auto")),
        ];
        assert_eq!(
            after(text, &changes),
            "globe = { solid = \"cube\", diameter = \"25 cm\" , turn = { lat = 12 } } # one line\n\
             relief.curve = \"log\"\nrelief.boost = 2.5 # points\nrelief.range = \"auto\"\n"
        );
    }

    #[test]
    fn new_sections_come_last_and_lists_of_tables_are_not_touched() {
        let text = "[globe]\nsolid = \"cube\"\n\n[[board]]\nwidth = \"20 cm\"\nlength = \"2 m\"\n\n\
                    # the short one\n[[board]]\nwidth = \"20 cm\"\nlength = \"1 m\"\n# the end\n";
        let new = after(
            text,
            &[
                ("globe.turn.lat", Some("-5.5")),
                ("relief.boost", Some("2")),
            ],
        );
        assert_eq!(
            new,
            format!("{text}\n[globe.turn]\nlat = -5.5\n\n[relief]\nboost = 2\n")
        );
    }

    #[test]
    fn an_empty_file_gets_its_first_section() {
        assert_eq!(
            after("", &[("globe.turn.lon", Some("10"))]).trim_start(),
            "[globe.turn]\nlon = 10\n"
        );
    }

    #[test]
    fn the_short_word_for_a_searched_turn_gives_way_to_a_section() {
        let text = "[globe]\nturn = \"auto\"\nsolid = \"cube\"\n";
        let new = after(
            text,
            &[
                ("globe.turn.place", Some("given")),
                ("globe.turn.lat", Some("3")),
            ],
        );
        assert_eq!(
            new,
            "[globe]\nsolid = \"cube\"\n\n[globe.turn]\nplace = \"given\"\nlat = 3\n"
        );
    }

    #[test]
    fn a_setting_without_a_value_goes() {
        let text = "[relief]\nblend = 0.5 # half\ncurve = \"equalize\"\n";
        assert_eq!(
            after(text, &[("relief.blend", None), ("relief.steepest", None)]),
            "[relief]\ncurve = \"equalize\"\n"
        );
    }

    #[test]
    fn line_ends_of_other_systems_are_kept() {
        let text = "[relief]\r\nboost = 2.0 # two\r\n";
        let new = after(
            text,
            &[("relief.boost", Some("3")), ("relief.curve", Some("log"))],
        );
        assert_eq!(new, "[relief]\r\nboost = 3 # two\r\ncurve = \"log\"\r\n");
    }

    #[test]
    fn a_bad_value_is_refused_and_nothing_comes_out() {
        let changes = [("relief.boost".to_owned(), Some("-1".to_owned()))];
        let error = write_back(
            "[relief]\nboost = 2.0\n",
            Path::new("walnut.toml"),
            &changes,
        );
        assert_eq!(
            error.unwrap_err().to_string(),
            "job: relief.boost: this is too small; found -1; allowed: a number, 1 to 50; 1 is \
             a straight line; choose a value within that range (walnut.toml line 2)"
        );
    }

    #[test]
    fn settings_are_found_as_they_were_written() {
        let text =
            "globe.diameter = '8 in'\n[relief]\nboost = 3.50 # x\nknots = [[0, 1],\n  [2, 3]]\n";
        assert_eq!(written(text, "globe.diameter").as_deref(), Some("8 in"));
        assert_eq!(written(text, "relief.boost").as_deref(), Some("3.50"));
        assert_eq!(
            written(text, "relief.knots").as_deref(),
            Some("[[0, 1], [2, 3]]")
        );
        assert_eq!(written(text, "relief.range"), None);
    }
}
