//! Text of `globe.json`, and reading it back.
//!
//! One entry to a line, lists of numbers on one line each, so that a person can read it and a
//! difference of two files shows what changed. Floats are the shortest that read back the same.

use crate::output::manifest::checksums;
use crate::output::manifest::{MANIFEST_FILE, Manifest, SCHEMA, Sealed};
use crate::{Error, Problem, Result};
use serde::Serialize;
use serde_json::ser::Formatter;
use std::io;
use std::path::{Component, Path};

/// Whether a name that a folder lists stays inside it.
pub fn stays_inside(name: &Path) -> bool {
    name.components()
        .all(|part| matches!(part, Component::Normal(_)))
}

/// The file's text, ending in a newline. The same manifest gives the same bytes.
///
/// # Errors
/// [`Error::Check`] when a number in it is not finite, which JSON cannot say.
pub fn text(manifest: &Manifest) -> Result<String> {
    sealed(manifest).map(|(text, _)| text)
}

/// The file's text, and the sum over it that is its last field.
///
/// # Errors
/// As [`text`].
pub fn sealed(manifest: &Manifest) -> Result<(String, String)> {
    let mut bytes = Vec::new();
    let mut serializer =
        serde_json::Serializer::with_formatter(&mut bytes, OneLineLists::default());
    let broken = |what: String| {
        Error::Check(Problem::new(format!(
            "the manifest cannot be written: {what}"
        )))
    };
    let blank = Sealed {
        manifest,
        sha256: "",
    };
    blank
        .serialize(&mut serializer)
        .map_err(|e| broken(e.to_string()))?;
    bytes.push(b'\n');
    let text = String::from_utf8(bytes).map_err(|e| broken(e.to_string()))?;
    // A NaN is written as `null`, which the reader would refuse; find out now.
    serde_json::from_slice::<Manifest>(text.as_bytes())
        .map_err(|e| broken(format!("a number is not finite: {e}")))?;
    let sum = checksums::of_bytes(text.as_bytes());
    let Some(start) = text.strip_suffix("\"\n}\n") else {
        return Err(broken("its last field is not its sum".into()));
    };
    Ok((format!("{start}{sum}\"\n}}\n"), sum))
}

/// Reads `globe.json` in a finished folder.
///
/// # Errors
/// [`Error::Disk`] when the folder or file is missing or unreadable; [`Error::Check`] when it is
/// not a manifest of this program, is of another layout version, or is damaged.
pub fn read(folder: &Path) -> Result<Manifest> {
    read_with_text(folder).map(|(manifest, _)| manifest)
}

/// The same with the file's text.
///
/// # Errors
/// As [`read`].
pub fn read_with_text(folder: &Path) -> Result<(Manifest, String)> {
    let path = folder.join(MANIFEST_FILE);
    let bytes = std::fs::read(&path).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => Error::Disk(
            Problem::new(format!("there is no {MANIFEST_FILE} here"))
                .allowed("a folder written by `globewright facets`")
                .next("check the path")
                .file(folder),
        ),
        _ => Error::io(&path, "read the manifest", &e),
    })?;
    let value: serde_json::Value = serde_json::from_slice(&bytes).map_err(|e| {
        Error::Check(
            Problem::new(format!("the manifest is damaged: {e}"))
                .next("run the job again")
                .file(&path)
                .line(e.line()),
        )
    })?;
    check_schema(&value, &path)?;
    // Read from the text once more: errors then carry a line.
    let manifest = serde_json::from_slice(&bytes).map_err(|e| {
        Error::Check(
            Problem::new(format!("the manifest is incomplete: {e}"))
                .next("run the job again")
                .file(&path)
                .line(e.line()),
        )
    })?;
    // It has been read as JSON, so nothing in it is not a letter.
    Ok((manifest, String::from_utf8_lossy(&bytes).into_owned()))
}

/// Whether a parsed `globe.json` is of this program and of the layout it knows.
fn check_schema(value: &serde_json::Value, path: &Path) -> Result<()> {
    let found = value.get("schema").and_then(serde_json::Value::as_str);
    if found == Some(SCHEMA) {
        return Ok(());
    }
    let family = SCHEMA.split('/').next().unwrap_or(SCHEMA);
    let version: Option<u32> =
        found.and_then(|s| s.strip_prefix(family)?.strip_prefix('/')?.parse().ok());
    let known: Option<u32> = SCHEMA.rsplit('/').next().and_then(|v| v.parse().ok());
    let (what, next) = match (version, known) {
        (Some(version), Some(known)) if version > known => (
            "the manifest was written by a newer program",
            "use that program's version, or a newer one",
        ),
        _ => (
            "the file is not a manifest of this program",
            "check the path",
        ),
    };
    Err(Error::Check(
        Problem::new(what)
            .found(found.map_or("no schema".to_string(), |s| format!("schema \"{s}\"")))
            .allowed(format!("schema \"{SCHEMA}\""))
            .next(next)
            .file(path),
    ))
}

/// What the sum over a manifest's own text says of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seal {
    /// There is none: the manifest is from before they were written.
    Absent,
    /// The text is what was written.
    Whole,
    /// What it says is what was written, in another layout.
    SavedAgain,
    /// It says something else.
    Broken,
}

/// How the text ends, before and after the digits of the sum.
const BEFORE: &str = "\n  \"sha256\": \"";
const AFTER: &str = "\"\n}\n";

/// Judges a manifest's text by the sum in it; `manifest` is what was read from it.
pub fn seal(text: &str, manifest: &Manifest) -> Seal {
    if let Some(rest) = text.strip_suffix(AFTER)
        && let Some(at) = rest.rfind(BEFORE)
    {
        let (start, sum) = rest.split_at(at + BEFORE.len());
        if checksums::of_bytes(format!("{start}{AFTER}").as_bytes()) == sum {
            return Seal::Whole;
        }
    }
    // Read twice: it is no part of what the manifest says.
    #[derive(serde::Deserialize)]
    struct Checksum {
        sha256: Option<String>,
    }
    let sum = serde_json::from_str(text).map(|sum: Checksum| sum.sha256);
    match (sum, sealed(manifest)) {
        (Ok(None), _) => Seal::Absent,
        (Ok(Some(sum)), Ok((_, again))) if sum == again => Seal::SavedAgain,
        _ => Seal::Broken,
    }
}

/// Spaces per level of nesting.
const INDENT: &str = "  ";

/// Objects with one entry to a line; arrays on one line unless they hold objects or sentences.
#[derive(Default)]
struct OneLineLists {
    /// One entry per open array or object.
    open: Vec<Open>,
}

struct Open {
    /// An array, whose items may stay on its line.
    array: bool,
    /// Items written so far.
    items: usize,
    /// The next item's comma and white space are still to be written.
    pending: bool,
    /// An item stands on its own line, so the closing bracket does too.
    broken: bool,
}

impl Open {
    fn new(array: bool) -> Open {
        Open {
            array,
            items: 0,
            pending: false,
            broken: false,
        }
    }
}

impl OneLineLists {
    /// Writes what stands before an array's next item.
    fn before_item<W: ?Sized + io::Write>(&mut self, w: &mut W, own_line: bool) -> io::Result<()> {
        let depth = self.open.len();
        let Some(open) = self.open.last_mut().filter(|o| o.array && o.pending) else {
            return Ok(());
        };
        open.pending = false;
        if open.items > 0 {
            w.write_all(b",")?;
        }
        if own_line {
            open.broken = true;
            new_line(w, depth)?;
        } else if open.items > 0 {
            w.write_all(b" ")?;
        }
        open.items += 1;
        Ok(())
    }

    fn close<W: ?Sized + io::Write>(&mut self, w: &mut W, bracket: &[u8]) -> io::Result<()> {
        if self.open.pop().is_some_and(|open| open.broken) {
            new_line(w, self.open.len())?;
        }
        w.write_all(bracket)
    }
}

fn new_line<W: ?Sized + io::Write>(w: &mut W, depth: usize) -> io::Result<()> {
    w.write_all(b"\n")?;
    (0..depth).try_for_each(|_| w.write_all(INDENT.as_bytes()))
}

/// Writers of single values that stay on the line of their array.
macro_rules! scalars {
    ($($name:ident: $type:ty),*) => {$(
        fn $name<W: ?Sized + io::Write>(&mut self, w: &mut W, value: $type) -> io::Result<()> {
            self.before_item(w, false)?;
            Plain.$name(w, value)
        }
    )*};
}

/// serde_json's own spelling of values.
struct Plain;
impl Formatter for Plain {}

impl Formatter for OneLineLists {
    scalars!(
        write_bool: bool, write_i8: i8, write_i16: i16, write_i32: i32, write_i64: i64,
        write_i128: i128, write_u8: u8, write_u16: u16, write_u32: u32, write_u64: u64,
        write_u128: u128, write_f32: f32, write_f64: f64, write_number_str: &str
    );

    fn write_null<W: ?Sized + io::Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.before_item(w, false)?;
        Plain.write_null(w)
    }

    fn begin_string<W: ?Sized + io::Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.before_item(w, true)?;
        Plain.begin_string(w)
    }

    fn begin_array<W: ?Sized + io::Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.before_item(w, false)?;
        self.open.push(Open::new(true));
        w.write_all(b"[")
    }

    fn end_array<W: ?Sized + io::Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.close(w, b"]")
    }

    fn begin_array_value<W: ?Sized + io::Write>(&mut self, _: &mut W, _: bool) -> io::Result<()> {
        if let Some(open) = self.open.last_mut() {
            open.pending = true;
        }
        Ok(())
    }

    fn begin_object<W: ?Sized + io::Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.before_item(w, true)?;
        self.open.push(Open::new(false));
        w.write_all(b"{")
    }

    fn end_object<W: ?Sized + io::Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.close(w, b"}")
    }

    fn begin_object_key<W: ?Sized + io::Write>(
        &mut self,
        w: &mut W,
        first: bool,
    ) -> io::Result<()> {
        if let Some(open) = self.open.last_mut() {
            open.broken = true;
        }
        if !first {
            w.write_all(b",")?;
        }
        new_line(w, self.open.len())
    }

    fn begin_object_value<W: ?Sized + io::Write>(&mut self, w: &mut W) -> io::Result<()> {
        w.write_all(b": ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::manifest::testing::cube;
    use proptest::prelude::*;

    fn folder_with(text: &str) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(MANIFEST_FILE), text).unwrap();
        folder
    }

    #[test]
    fn what_is_written_reads_back_the_same() {
        let manifest = cube();
        let folder = folder_with(&text(&manifest).unwrap());
        assert_eq!(read(folder.path()).unwrap(), manifest);
    }

    #[test]
    fn lists_of_numbers_take_one_line_and_sentences_one_each() {
        let mut manifest = cube();
        manifest.warnings = vec!["first".into(), "second, \"quoted\"".into()];
        let text = text(&manifest).unwrap();
        assert!(text.starts_with("{\n  \"schema\": \"globewright/1\",\n  \"program\": "));
        assert!(text.contains("\n    \"knots_m\": [-100.0, "), "{text}");
        assert!(
            text.contains("\n    \"turn\": [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]\n")
        );
        assert!(text.contains(
            "  \"warnings\": [\n    \"first\",\n    \"second, \\\"quoted\\\"\"\n  ],\n  \"sha256\": \""
        ));
        let knots = text.lines().find(|l| l.contains("knots_m\"")).unwrap();
        assert_eq!(knots.matches(',').count(), manifest.curve.knots_m.len());
        assert!(text.lines().all(|line| line.trim_end() == line));
    }

    proptest! {
        /// The layout changes white space only: serde_json's own printer is the reference.
        #[test]
        fn any_json_keeps_its_meaning(value in json()) {
            let mut bytes = Vec::new();
            let mut serializer =
                serde_json::Serializer::with_formatter(&mut bytes, OneLineLists::default());
            value.serialize(&mut serializer).unwrap();
            let read: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
            prop_assert_eq!(read, value);
        }
    }

    fn json() -> impl Strategy<Value = serde_json::Value> {
        let leaf = prop_oneof![
            Just(serde_json::Value::Null),
            any::<bool>().prop_map(Into::into),
            any::<i64>().prop_map(Into::into),
            (-1e9..1e9f64).prop_map(Into::into),
            ".{0,8}".prop_map(Into::into),
        ];
        leaf.prop_recursive(4, 40, 6, |inner| {
            prop_oneof![
                prop::collection::vec(inner.clone(), 0..6).prop_map(Into::into),
                prop::collection::btree_map("[a-z]{1,4}", inner, 0..6)
                    .prop_map(|m| serde_json::Value::Object(m.into_iter().collect())),
            ]
        })
    }

    #[test]
    fn a_manifest_proves_itself() {
        let manifest = cube();
        let text_of = text;
        let text = text(&manifest).unwrap();
        assert_eq!(seal(&text, &manifest), Seal::Whole);
        // As the manual page says it is done by hand.
        let sum = text.rsplit('"').nth(1).unwrap();
        assert_eq!(checksums::of_bytes(text.replace(sum, "").as_bytes()), sum);

        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        let again = format!("{value:#}");
        assert_eq!(seal(&again, &manifest), Seal::SavedAgain);
        assert_eq!(seal(&format!("{text}\n"), &manifest), Seal::SavedAgain);

        // Two tilts changed against each other, by as little as can be written.
        let mut other = manifest.clone();
        for (facet, by) in [(0, 1e-9), (1, -1e-9)] {
            other.facets[facet].edges[0].tilt_deg += by;
        }
        let changed = text_of(&other).unwrap();
        let new_sum = changed.rsplit('"').nth(1).unwrap();
        let changed = changed.replace(new_sum, sum);
        assert_eq!(seal(&changed, &other), Seal::Broken);

        let without = text.replace(&format!(",\n  \"sha256\": \"{sum}\""), "");
        assert_eq!(seal(&without, &manifest), Seal::Absent);
    }

    #[test]
    fn numbers_that_json_cannot_say_are_refused() {
        let mut manifest = cube();
        manifest.facets[2].min_mm = f64::NAN;
        let error = text(&manifest).unwrap_err().to_string();
        assert!(
            error.starts_with("check: the manifest cannot be written: a number is not finite: "),
            "{error}"
        );
    }

    #[test]
    fn a_missing_manifest_says_where_it_looked() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(
            read(folder.path()).unwrap_err().to_string(),
            format!(
                "disk: there is no globe.json here; allowed: a folder written by `globewright \
                 facets`; check the path ({})",
                folder.path().display()
            )
        );
    }

    #[test]
    fn foreign_newer_and_damaged_files_are_told_apart() {
        let message = |text: &str| {
            let folder = folder_with(text);
            let error = read(folder.path()).unwrap_err();
            assert_eq!(error.exit_code(), 7);
            let place = folder.path().join(MANIFEST_FILE).display().to_string();
            error.to_string().replace(&place, "FILE")
        };
        assert_eq!(
            message("{\"name\": \"something else\"}"),
            "check: the file is not a manifest of this program; found no schema; allowed: schema \
             \"globewright/1\"; check the path (FILE)"
        );
        assert_eq!(
            message("{\"schema\": \"globewright/2\"}"),
            "check: the manifest was written by a newer program; found schema \"globewright/2\"; \
             allowed: schema \"globewright/1\"; use that program's version, or a newer one (FILE)"
        );
        assert_eq!(
            message("{\"schema\": "),
            "check: the manifest is damaged: EOF while parsing a value at line 1 column 11; run \
             the job again (FILE line 1)"
        );
        assert_eq!(
            message("{\"schema\": \"globewright/1\"}"),
            "check: the manifest is incomplete: missing field `program` at line 1 column 27; run \
             the job again (FILE line 1)"
        );
        let whole = text(&cube()).unwrap();
        let half = &whole[..whole.len() / 2];
        assert!(message(half).starts_with("check: the manifest is damaged: EOF"));
    }
}
