//! The job file: TOML in, [`Settings`] out, every mistake told with its line.
//!
//! ```no_run
//! let job = globewright::load_job("walnut.toml".as_ref(), &["globe.diameter=8 in".into()])?;
//! println!("{} mm", job.settings.globe.diameter_mm);
//! # Ok::<(), globewright::Error>(())
//! ```

mod cutters;
#[cfg(feature = "preview")]
mod describe;
mod documents;
mod keeps;
mod lists;
mod nearest;
mod table;
mod unknown;
mod value;

#[cfg(feature = "preview")]
pub use describe::{Described, Form, described};
#[cfg(test)]
use documents::readme_table;
pub use documents::starter;

use crate::model::error::{Error, Problem, Result};
use crate::model::geometry::Solid;
use crate::model::length::{Units, one_line, quoted};
use crate::model::settings::{Base, CurveShape, Projection, Settings};
use lists::{LISTS, ListEntry, Repeated, folder_of, list_named, numbered_key, tables_of};
use std::collections::BTreeMap;
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};
use table::{SETTINGS, Setting};
use toml_edit::{Document, Item, TableLike, Value};
use unknown::{is_section, unknown_section, unknown_setting};

/// Longest job file that is read, so that an elevation grid given in its place is refused at once.
const LONGEST_FILE: u64 = 1 << 20;

/// A job: its settings, and where each of them was given.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// Every setting, defaults resolved.
    pub settings: Settings,
    /// The same for the manifest: nested tables, lengths with units, files by base name only,
    /// null where nothing is given and the grid decides.
    pub resolved: serde_json::Value,
    path: Option<PathBuf>,
    places: BTreeMap<String, GivenAt>,
}

/// Where a setting was given.
#[derive(Debug, Clone, PartialEq)]
enum GivenAt {
    /// Line of the job file, from 1.
    Line(usize),
    /// The text of a `--set`.
    Option(String),
}

/// A value as found, not yet read.
struct Given {
    value: Value,
    place: GivenAt,
    /// Text after `key=` of a `--set`.
    raw: Option<String>,
}

/// Reads a job file; `overrides` are the texts of `--set key=value`.
///
/// Relative file names start at the job file's folder; those in `overrides` at the current one.
///
/// # Errors
/// [`Error::Job`] for anything in the file or the overrides that must be changed, with its line;
/// [`Error::Disk`] if the file cannot be read.
pub fn load(path: &Path, overrides: &[String]) -> Result<Job> {
    let text = read_text(path)?;
    parse(&text, path, overrides)
}

/// Reads a job from text; `path` is named in messages and is where relative file names start.
///
/// # Errors
/// [`Error::Job`] for anything that must be changed.
pub fn parse(text: &str, path: &Path, overrides: &[String]) -> Result<Job> {
    let mut reader = JobReader::new(text, path);
    let wrong = |error: &toml::de::Error| syntax_error(text, path, error.message(), error.span());
    toml::from_str::<toml::Table>(text).map_err(|error| wrong(&error))?;
    let document = Document::parse(text)
        .map_err(|error| syntax_error(text, path, error.message(), error.span()))?;
    reader.collect("", document.as_table())?;
    reader.overrides(overrides)?;
    let folder = path.parent().unwrap_or(Path::new(""));
    let mut settings = Settings::default();
    if let Some(stem) = path.file_stem() {
        settings.name = capital(&stem.to_string_lossy());
    }
    reader.finish(settings, folder, Some(path))
}

/// A text with a capital letter first.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + letters.as_str()
}

/// A job that has no file, only `--set key=value`.
///
/// # Errors
/// [`Error::Job`] for anything that must be changed.
pub fn without_file(overrides: &[String]) -> Result<Job> {
    let mut reader = JobReader::new("", Path::new(""));
    reader.overrides(overrides)?;
    reader.finish(Settings::default(), Path::new(""), None)
}

/// A job's settings with `--set`-like texts put over them.
///
/// # Errors
/// [`Error::Job`] for anything that must be changed.
pub fn changed(settings: &Settings, overrides: &[String]) -> Result<Settings> {
    let mut reader = JobReader::new("", Path::new(""));
    reader.overrides(overrides)?;
    Ok(reader
        .finish(settings.clone(), Path::new(""), None)?
        .settings)
}

impl From<Settings> for Job {
    /// A job built by a program, without a file to point at.
    fn from(settings: Settings) -> Job {
        Job {
            resolved: documents::to_json(&settings),
            settings,
            path: None,
            places: BTreeMap::new(),
        }
    }
}

impl Job {
    /// The same job with other settings, its places kept for messages.
    pub fn with(&self, settings: Settings) -> Job {
        Job {
            resolved: documents::to_json(&settings),
            settings,
            path: self.path.clone(),
            places: self.places.clone(),
        }
    }

    /// The job file, if there is one.
    pub fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }

    /// Whether the job or a `--set` gives this setting.
    pub fn gives(&self, key: &str) -> bool {
        SETTINGS.iter().any(|s| s.key == key) && self.places.contains_key(key)
    }

    /// Adds the job file and line to an error of a later stage that names a setting but no file.
    ///
    /// A setting left at its default has no line: its section's line is named, or the file alone.
    pub fn locate(&self, mut error: Error) -> Error {
        let problem = error.problem_mut();
        let Some(key) = problem.setting_key() else {
            return error;
        };
        if problem.has_file() {
            return error;
        }
        let sections = std::iter::successors(Some(key), |k| k.rsplit_once('.').map(|(s, _)| s));
        let place = sections.filter_map(|key| self.places.get(key)).next();
        let located = at(std::mem::take(problem), place, self.path.as_deref());
        *problem = located;
        error
    }

    /// Refuses a job that names no elevation grid.
    ///
    /// # Errors
    /// [`Error::Job`] naming `grid.files`.
    pub fn require_grid(&self) -> Result<()> {
        if !self.settings.grid.files.is_empty() {
            return Ok(());
        }
        let problem = Problem::new("the job names no elevation grid")
            .setting("grid.files")
            .allowed("file names in quotes, in square brackets")
            .next("write files = [\"world.tif\"] under [grid]");
        Err(self.locate(Error::Job(problem)))
    }
}

/// Says where: line of the file, option, or file alone.
fn at(problem: Problem, place: Option<&GivenAt>, path: Option<&Path>) -> Problem {
    match (place, path) {
        (Some(GivenAt::Option(option)), _) => problem.option(option),
        (Some(GivenAt::Line(line)), Some(path)) => problem.file(path).line(*line),
        (_, Some(path)) => problem.file(path),
        (_, None) => problem,
    }
}

/// What is wrong with something that is neither a setting nor a section in its place.
fn not_a_section(key: &str, item: &Item) -> Problem {
    match item {
        Item::ArrayOfTables(_) if is_section(key) => {
            Problem::new("this section can be written only once")
                .setting(key)
                .found(format!("[[{key}]]"))
                .allowed(format!("[{key}]"))
                .next(format!("write [{key}]"))
        }
        _ if is_section(key) => Problem::new("this is a section, not a setting")
            .setting(key)
            .found(item.as_value().map_or_else(String::new, value::shown))
            .allowed(format!("[{key}] with its settings below it"))
            .next(format!("write [{key}] on a line of its own")),
        Item::Value(value) if !value.is_inline_table() => {
            unknown_setting(key).found(value::shown(value))
        }
        _ => unknown_section(key),
    }
}

/// Collects what is given, before any of it is read.
struct JobReader<'a> {
    text: &'a str,
    path: &'a Path,
    given: BTreeMap<&'static str, Given>,
    /// Tables of repeated sections, in order.
    lists: BTreeMap<&'static str, Vec<ListEntry>>,
    places: BTreeMap<String, GivenAt>,
}

impl<'a> JobReader<'a> {
    fn new(text: &'a str, path: &'a Path) -> Self {
        JobReader {
            text,
            path,
            given: BTreeMap::new(),
            lists: BTreeMap::new(),
            places: BTreeMap::new(),
        }
    }

    /// Walks a table of the file; `section` is its dotted name.
    fn collect(&mut self, section: &str, table: &dyn TableLike) -> Result<()> {
        for (name, item) in table.iter() {
            let key = if section.is_empty() {
                name.to_owned()
            } else {
                format!("{section}.{name}")
            };
            let key_span = table.key(name).and_then(|k| k.span());
            let line = key_span.or_else(|| item.span()).map(|span| span.start);
            let line = line_of(self.text, line.unwrap_or(0));
            let fail = |problem: Problem| Err(Error::Job(problem.file(self.path).line(line)));
            if let Some(list) = list_named(&key) {
                let Some(tables) = tables_of(item) else {
                    let found = match item.as_value() {
                        Some(value) => value::shown(value),
                        None => format!("[{key}]"),
                    };
                    return fail(list.not_a_list(found));
                };
                for (table, start) in tables {
                    let line = start.map_or(line, |start| line_of(self.text, start));
                    self.collect_entry(list, table, line)?;
                }
                self.places.insert(key, GivenAt::Line(line));
                continue;
            }
            let key = match item {
                Item::Value(Value::String(_)) => unabbreviated(&key).to_owned(),
                _ => key,
            };
            if let Some(setting) = SETTINGS.iter().find(|s| s.key == key) {
                let Item::Value(value) = item else {
                    return fail(
                        Problem::new("this is a setting, not a section")
                            .setting(setting.key)
                            .found("a table")
                            .allowed(setting.kind.allowed())
                            .next(format!("write {} = …", setting.leaf())),
                    );
                };
                let place = GivenAt::Line(line);
                self.places.insert(key, place.clone());
                let value = value.clone();
                let raw = None;
                self.given.insert(setting.key, Given { value, place, raw });
                continue;
            }
            match item.as_table_like().filter(|_| is_section(&key)) {
                Some(inner) => {
                    self.places.insert(key.clone(), GivenAt::Line(line));
                    self.collect(&key, inner)?;
                }
                None => return fail(not_a_section(&key, item)),
            }
        }
        Ok(())
    }

    /// Walks one table of a repeated section, which starts at `line`.
    fn collect_entry(
        &mut self,
        list: &dyn Repeated,
        table: &dyn TableLike,
        line: usize,
    ) -> Result<()> {
        let number = 1 + self.lists.get(list.section()).map_or(0, Vec::len);
        let name_of = |leaf: &str| format!("{}.{number}.{leaf}", list.section());
        let mut entry = ListEntry {
            place: GivenAt::Line(line),
            given: BTreeMap::new(),
        };
        for (name, item) in table.iter() {
            let span = table.key(name).and_then(|k| k.span()).or(item.span());
            let line = span.map_or(line, |span| line_of(self.text, span.start));
            let fail = |problem: Problem| Err(Error::Job(problem.file(self.path).line(line)));
            match (list.leaf(name), item) {
                (Some(leaf), Item::Value(value)) => {
                    let place = GivenAt::Line(line);
                    self.places.insert(name_of(leaf), place.clone());
                    let value = value.clone();
                    let raw = None;
                    entry.given.insert(leaf, Given { value, place, raw });
                }
                (Some(leaf), _) => {
                    return fail(
                        Problem::new("this is a setting, not a section")
                            .setting(name_of(leaf))
                            .found("a table")
                            .next(format!("write {leaf} = …")),
                    );
                }
                (None, _) => return fail(list.unknown(number, name)),
            }
        }
        let place = entry.place.clone();
        self.places
            .insert(format!("{}.{number}", list.section()), place);
        self.lists.entry(list.section()).or_default().push(entry);
        Ok(())
    }

    /// Takes `--set board.2.length=…`: changes a table of the file, or starts the next one.
    fn override_entry(
        &mut self,
        (list, number, name): (&'static dyn Repeated, usize, &str),
        value: Value,
        raw: &str,
        option: &str,
    ) -> Result<()> {
        let fail = |problem: Problem| Err(Error::Job(problem.option(option)));
        let Some(leaf) = list.leaf(name) else {
            return fail(list.unknown(number, name));
        };
        let place = GivenAt::Option(option.to_owned());
        let section = list.section();
        let entries = self.lists.entry(section).or_default();
        let count = entries.len();
        if number > count + 1 {
            return fail(
                Problem::new(format!("there is no [[{section}]] of this number"))
                    .setting(format!("{section}.{number}"))
                    .found(format!("{count} in the job"))
                    .allowed(format!("1 to {}", count + 1))
                    .next(format!("use the next free number, {}", count + 1)),
            );
        }
        if number > count {
            entries.push(ListEntry {
                place: place.clone(),
                given: BTreeMap::new(),
            });
            self.places
                .insert(format!("{section}.{number}"), place.clone());
        }
        self.places
            .insert(format!("{section}.{number}.{leaf}"), place.clone());
        let raw = Some(raw.to_owned());
        entries[number - 1]
            .given
            .insert(leaf, Given { value, place, raw });
        Ok(())
    }

    /// Adds `--set key=value`; the last of several for one key holds.
    fn overrides(&mut self, overrides: &[String]) -> Result<()> {
        for text in overrides {
            let place = format!("--set {}", one_line(text));
            let fail = |problem: Problem| Err(Error::Job(problem.option(place.clone())));
            let Some((key, raw)) = text.split_once('=') else {
                return fail(
                    Problem::new("--set needs a setting and a value")
                        .found(quoted(text))
                        .allowed("key=value, such as globe.diameter=8in")
                        .next("add = and the value"),
                );
            };
            let (key, raw) = (key.trim(), raw.trim());
            let value: Value = raw.parse().unwrap_or_else(|_| Value::from(raw));
            if let Some(numbered) = numbered_key(key) {
                self.override_entry(numbered, value, raw, &place)?;
                continue;
            }
            if let Some(list) = list_named(key.split('.').next().unwrap_or(key)) {
                let (section, rows) = (list.section(), list.rows());
                let first = rows.first().map_or("", |row| row.leaf);
                return fail(
                    Problem::new(format!("say which [[{section}]], by its number"))
                        .setting(one_line(key))
                        .allowed(format!("such as {section}.1.{first}"))
                        .next("count them from the top of the job file, from 1"),
                );
            }
            let key = unabbreviated(key);
            let Some(setting) = SETTINGS.iter().find(|s| s.key == key) else {
                if is_section(key) {
                    return fail(
                        Problem::new("this is a section, not a setting")
                            .setting(key)
                            .allowed(format!(
                                "one of its settings, such as {key}.{}",
                                first_of(key)
                            ))
                            .next("give one setting at a time"),
                    );
                }
                return fail(unknown_setting(key));
            };
            let place = GivenAt::Option(place);
            self.places.insert(key.to_owned(), place.clone());
            let raw = Some(raw.to_owned());
            self.given.insert(setting.key, Given { value, place, raw });
        }
        Ok(())
    }

    /// Reads every value in the table's order, then checks them against each other.
    fn finish(self, mut settings: Settings, folder: &Path, path: Option<&Path>) -> Result<Job> {
        for setting in SETTINGS {
            let Some(given) = self.given.get(setting.key) else {
                continue;
            };
            value::read(
                setting,
                &given.value,
                given.raw.as_deref(),
                &folder_of(&given.place, folder),
                &mut settings,
            )
            .map_err(|problem| {
                let problem = problem.setting(setting.key);
                Error::Job(at(problem, Some(&given.place), path))
            })?;
            settings.note_typed(setting.key, &given.value);
        }
        for list in LISTS {
            let entries = self.lists.get(list.section()).into_iter().flatten();
            for (index, entry) in entries.enumerate() {
                list.read(entry, &|place| folder_of(place, folder), &mut settings)
                    .map_err(|(leaf, problem)| {
                        let key = format!("{}.{}.{leaf}", list.section(), index + 1);
                        let place = self.places.get(&key).unwrap_or(&entry.place);
                        Error::Job(at(problem.setting(key), Some(place), path))
                    })?;
                for (leaf, given) in &entry.given {
                    let key = format!("{}.{}.{leaf}", list.section(), index + 1);
                    settings.note_typed(&key, &given.value);
                }
            }
        }
        if !self.given.contains_key("globe.base")
            && settings.globe.projection == Projection::Gnomonic
        {
            settings.globe.base = Base::Flat;
        }
        let mut job = Job::from(settings);
        job.path = path.map(Path::to_path_buf);
        job.places = self.places;
        cross_check(&job.settings).map_err(|problem| job.locate(Error::Job(problem)))?;
        Ok(job)
    }
}

impl Settings {
    /// Keeps the units of a length as it was typed.
    fn note_typed(&mut self, key: &str, value: &Value) {
        if let Some(units) = value.as_str().and_then(Units::of_typed) {
            self.typed.note(key, units);
        }
    }
}

/// `turn = "auto"` is short for the setting that takes the word.
fn unabbreviated(key: &str) -> &str {
    match key {
        "globe.turn" => "globe.turn.place",
        key => key,
    }
}

/// What single values cannot show.
fn cross_check(settings: &Settings) -> std::result::Result<(), Problem> {
    let globe = &settings.globe;
    if globe.projection == Projection::Gnomonic && globe.base == Base::Sphere {
        return Err(
            Problem::new("the gnomonic projection carves on flat faces only")
                .setting("globe.base")
                .found("\"sphere\"")
                .allowed("\"flat\" with projection = \"gnomonic\"")
                .next("set base = \"flat\", or projection = \"radial\""),
        );
    }
    // Names were checked when they were read.
    let faces = Solid::named(&globe.solid).map_or(usize::MAX, |solid| solid.faces.len());
    if globe.turn.face > faces {
        return Err(
            Problem::new(format!("the {} has no such facet", globe.solid))
                .setting("globe.turn.face")
                .found(globe.turn.face)
                .allowed(format!("1 to {faces}"))
                .next("choose one of its facets"),
        );
    }
    if settings.relief.curve == CurveShape::Knots && settings.relief.knots.is_empty() {
        return Err(Problem::new("the knots curve needs its pairs")
            .setting("relief.knots")
            .found("none")
            .allowed("2 to 1000 pairs [metres, mm], metres rising, mm never falling")
            .next("write knots = [[-8000, -2.0], [0, 0.0], [21000, 4.0]] under [relief]"));
    }
    let stock = &settings.stock;
    if stock.skim_mm >= stock.thickness_mm {
        let say = settings.lengths_of("stock.skim");
        return Err(Problem::new("the skim takes the whole thickness")
            .setting("stock.skim")
            .found(say.at_least(stock.skim_mm))
            .allowed(format!(
                "less than stock.thickness, {}",
                say.at_most(stock.thickness_mm)
            ))
            .next("make the skim smaller, or the stock thicker"));
    }
    let saw = &settings.saw;
    if let Some(reach) = saw.reach_mm.filter(|reach| *reach >= saw.blade_mm / 2.0) {
        let say = settings.lengths_of("saw.reach");
        return Err(
            Problem::new("a blade cannot stand higher above the table than its radius")
                .setting("saw.reach")
                .found(say.at_least(reach))
                .allowed(format!(
                    "less than half of saw.blade, {}",
                    say.at_most(saw.blade_mm / 2.0)
                ))
                .next("take saw.reach from the saw's manual, or correct saw.blade"),
        );
    }
    cutters::check(settings)
}

/// Last part of the first key in a section.
fn first_of(section: &str) -> &'static str {
    SETTINGS
        .iter()
        .find(|s| s.section() == section)
        .map_or("", Setting::leaf)
}

/// Line of a byte position, from 1.
fn line_of(text: &str, position: usize) -> usize {
    let before = &text.as_bytes()[..position.min(text.len())];
    before.iter().filter(|&&b| b == b'\n').count() + 1
}

fn syntax_error(text: &str, path: &Path, message: &str, span: Option<Range<usize>>) -> Error {
    let line = line_of(text, span.map_or(text.len(), |span| span.start));
    let found = text.lines().nth(line - 1).unwrap_or("").trim();
    let (what, next) = match message {
        message if message.starts_with("duplicate key") => {
            ("this is given twice", "keep one of the two")
        }
        // Typed paths of one well-known system.
        message if message.contains("escape") || message.contains("unicode") => (
            "this cannot be read",
            "write / for every \\, or put the text in single quotes",
        ),
        _ => (
            "this cannot be read",
            "write settings as key = value, with text and lengths in quotes",
        ),
    };
    // What follows is the grammar's own list of what might have come instead: no help in a shop.
    let detail = message.split(", expected").next().unwrap_or("");
    Error::Job(
        Problem::new(format!("{what} ({})", one_line(detail)))
            .found(one_line(found))
            .next(next)
            .file(path)
            .line(line),
    )
}

/// The whole file as text, refusing what cannot be a job file.
pub(crate) fn read_text(path: &Path) -> Result<String> {
    let io = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::NotFound => Error::Job(
            Problem::new("there is no such job file")
                .next("check the name, or write one with \"globewright init\"")
                .file(path),
        ),
        _ => Error::io(path, "read the job file", &error),
    };
    let not_a_job = |what: &str| {
        Error::Job(
            Problem::new(what)
                .allowed("a text file of up to 1 MiB")
                .next("give the .toml file; the elevation grid is named inside it")
                .file(path),
        )
    };
    // Looked at before it is opened: to open a pipe is to wait for whoever writes into it.
    let kind = std::fs::metadata(path).map_err(io)?;
    if kind.is_dir() {
        return Err(not_a_job("this is a folder, not a job file"));
    }
    if !kind.is_file() {
        return Err(not_a_job("this is a device or a pipe, not a job file"));
    }
    let file = std::fs::File::open(path).map_err(io)?;
    let mut bytes = Vec::new();
    file.take(LONGEST_FILE + 1)
        .read_to_end(&mut bytes)
        .map_err(io)?;
    if bytes.len() as u64 > LONGEST_FILE {
        return Err(not_a_job("this is too long to be a job file"));
    }
    String::from_utf8(bytes).map_err(|_| not_a_job("this is not a text file"))
}

#[cfg(test)]
mod tests;
