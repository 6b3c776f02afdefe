//! Sections that may be written several times, `[[board]]`: one struct for each table found.
//!
//! To add one: a struct and a `Vec` of it in `settings.rs`, its rows and a [`List`] here, and a
//! line in [`LISTS`]. Tables are numbered from 1 in messages and in `--set board.2.length=8ft`.

use super::cutters::CUTTERS;
use super::keeps::{KEEPS, PLACES};
use super::nearest::nearest;
use super::table::{
    Default, List, Range, Setting, THIN, TableRow, ValueKind, absent, always, needed, optional,
};
use super::{Given, GivenAt, value};
use crate::model::error::Problem;
use crate::model::length::one_line;
use crate::model::settings::{Board, Settings};
use std::collections::BTreeMap;
use std::path::Path;
use toml_edit::{Item, TableLike, Value};

/// Every repeated section, in the order of the starter file.
pub(super) const LISTS: &[&dyn Repeated] = &[&BOARDS, &CUTTERS, &KEEPS, &PLACES];

/// What one table of a repeated section gives, by the last part of the key.
pub(super) struct ListEntry {
    pub place: GivenAt,
    pub given: BTreeMap<&'static str, Given>,
}

/// A [`List`] of whatever type.
pub(super) trait Repeated: Sync {
    /// Name between the double brackets.
    fn section(&self) -> &'static str;
    /// What it is about.
    fn about(&self) -> &'static str;
    /// Its settings as the documents show them.
    fn rows(&self) -> Vec<TableRow>;
    /// Reads one table and adds its struct. An error comes with the setting it is about.
    fn read(
        &self,
        entry: &ListEntry,
        folder_of: &dyn Fn(&GivenAt) -> std::path::PathBuf,
        settings: &mut Settings,
    ) -> Result<(), (&'static str, Problem)>;
    /// All tables, for the manifest.
    fn json(&self, settings: &Settings) -> serde_json::Value;

    /// The row with that last part of the key.
    fn leaf(&self, name: &str) -> Option<&'static str> {
        let rows = self.rows();
        rows.iter().map(|row| row.leaf).find(|leaf| *leaf == name)
    }

    /// The error for a key that is not in the table.
    fn unknown(&self, number: usize, name: &str) -> Problem {
        let rows = self.rows();
        let leaves: Vec<&str> = rows.iter().map(|row| row.leaf).collect();
        let next = match nearest(name, leaves.iter().copied()) {
            Some(meant) => format!("did you mean \"{meant}\"?"),
            None => "remove it, or check its spelling in the settings table".to_owned(),
        };
        Problem::new("there is no setting of this name")
            .setting(format!("{}.{number}.{}", self.section(), one_line(name)))
            .allowed(leaves.join(", "))
            .next(next)
    }

    /// The error for a section written with single brackets, or as a value.
    fn not_a_list(&self, found: String) -> Problem {
        let section = self.section();
        Problem::new("this section may be repeated and is written in double brackets")
            .setting(section)
            .found(found)
            .allowed(format!("[[{section}]] with its settings below it"))
            .next(format!("write [[{section}]]"))
    }
}

impl<T> Repeated for List<T> {
    fn section(&self) -> &'static str {
        self.section
    }

    fn about(&self) -> &'static str {
        self.about
    }

    fn rows(&self) -> Vec<TableRow> {
        self.rows.iter().map(Setting::row).collect()
    }

    fn read(
        &self,
        entry: &ListEntry,
        folder_of: &dyn Fn(&GivenAt) -> std::path::PathBuf,
        settings: &mut Settings,
    ) -> Result<(), (&'static str, Problem)> {
        let mut target = (self.new)();
        for row in self.rows {
            let leaf = row.leaf();
            match (entry.given.get(leaf), &row.default) {
                (Some(given), _) => {
                    let folder = folder_of(&given.place);
                    let raw = given.raw.as_deref();
                    value::read(row, &given.value, raw, &folder, &mut target)
                        .map_err(|problem| (leaf, problem))?;
                }
                (None, Default::Needed { example }) => {
                    let missing = Problem::new("this must be given")
                        .allowed(row.kind.allowed())
                        .next(format!("write {leaf} = {example}"));
                    return Err((leaf, missing));
                }
                (None, _) => {}
            }
        }
        (self.get_mut)(settings).push(target);
        Ok(())
    }

    fn json(&self, settings: &Settings) -> serde_json::Value {
        let tables = (self.get)(settings).iter().map(|target| {
            let values = self
                .rows
                .iter()
                .map(|row| (row.leaf().to_owned(), row.kind.json(target)));
            serde_json::Value::Object(values.collect())
        });
        tables.collect::<Vec<_>>().into()
    }
}

/// The repeated section of that name.
pub(super) fn list_named(name: &str) -> Option<&'static dyn Repeated> {
    LISTS.iter().find(|list| list.section() == name).copied()
}

/// The tables of `[[name]]`, or of `name = [{ … }, …]`, with their byte positions.
pub(super) fn tables_of(item: &Item) -> Option<Vec<(&dyn TableLike, Option<usize>)>> {
    let start = |span: Option<std::ops::Range<usize>>| span.map(|s| s.start);
    match item {
        Item::ArrayOfTables(tables) => Some(
            tables
                .iter()
                .map(|table| (table as &dyn TableLike, start(table.span())))
                .collect(),
        ),
        Item::Value(Value::Array(list)) => list
            .iter()
            .map(|value| {
                let table = value.as_inline_table()?;
                Some((table as &dyn TableLike, start(value.span())))
            })
            .collect(),
        _ => None,
    }
}

/// `board.2.length` as list, number from 1 and setting; `None` if it is no such key.
pub(super) fn numbered_key(key: &str) -> Option<(&'static dyn Repeated, usize, &str)> {
    let mut parts = key.splitn(3, '.');
    let list = list_named(parts.next()?)?;
    let number = parts.next()?.parse().ok().filter(|n| *n > 0)?;
    Some((list, number, parts.next()?))
}

/// Where relative names in a value start: at the job file's folder, or where an option is typed.
pub(super) fn folder_of(place: &GivenAt, folder: &Path) -> std::path::PathBuf {
    match place {
        GivenAt::Line(_) => folder.to_path_buf(),
        GivenAt::Option(_) => std::path::PathBuf::new(),
    }
}

/// Boards: no sawmill sells wider or longer ones.
const PLANK: Range = Range::new(1.0, 20_000.0, "a length, 1 mm to 20 m");

/// `[[board]]`.
const BOARDS: List<Board> = List {
    section: "board",
    about: "The boards on the rack, to lay the blanks out on; once for each size",
    rows: &[
        Setting {
            key: "board.width",
            kind: always!(Length, PLANK, width_mm),
            default: needed("\"200 mm\""),
            unit: "mm, cm, m or in",
            doc: "Width across the grain",
        },
        Setting {
            key: "board.length",
            kind: always!(Length, PLANK, length_mm),
            default: needed("\"2400 mm\""),
            unit: "mm, cm, m or in",
            doc: "Length along the grain",
        },
        Setting {
            key: "board.thickness",
            kind: optional!(Length, THIN, thickness_mm),
            default: absent("as thick as the stock", "\"1-3/4 in\""),
            unit: "mm, cm, m or in",
            doc: "Thickness; boards thinner than the stock are refused",
        },
        Setting {
            key: "board.count",
            kind: ValueKind::Whole {
                low: 1,
                high: 1000,
                set: |b, v| b.count = v,
                get: |b| Some(b.count),
            },
            default: Default::Value("1"),
            unit: "boards",
            doc: "How many there are of this size",
        },
    ],
    new: || Board {
        width_mm: 0.0,
        length_mm: 0.0,
        thickness_mm: None,
        count: 1,
    },
    get: |s| &s.boards,
    get_mut: |s| &mut s.boards,
};
