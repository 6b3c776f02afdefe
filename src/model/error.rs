//! The one public error type, split by who must act.
//!
//! Every message says what went wrong, where (file, line or setting), what was found, what is
//! allowed and what to do next, on one line:
//!
//! ```text
//! job: globe.diameter: the length has no unit; found "200", allowed: a length with mm, cm or in; write "200 mm" (walnut.toml line 7)
//! ```

use serde::{Deserialize, Serialize};
use std::ffi::OsString;
use std::fmt;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Result of every fallible function in this crate.
pub type Result<T> = std::result::Result<T, Error>;

/// What went wrong, by who must act.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub enum Error {
    /// The job file or a `--set` must be changed. Exit code 3.
    Job(Problem),
    /// The elevation grid must be changed, or described by settings. Exit code 4.
    Grid(Problem),
    /// The globe does not fit the wood. Exit code 5.
    Stock(Problem),
    /// The disk, a folder or a permission is in the way. Exit code 6.
    Disk(Problem),
    /// A finished folder does not hold what its manifest says. Exit code 7.
    Check(Problem),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let who = match self {
            Error::Job(_) => "job",
            Error::Grid(_) => "grid",
            Error::Stock(_) => "stock",
            Error::Disk(_) => "disk",
            Error::Check(_) => "check",
        };
        write!(f, "{who}: {}", self.problem())
    }
}

impl std::error::Error for Error {
    /// What the operating system said, if it did.
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        let cause = self.problem().parts.cause.as_deref();
        cause.map(|cause| cause as &(dyn std::error::Error + 'static))
    }
}

impl Error {
    /// The exit code of the program for this error.
    pub fn exit_code(&self) -> u8 {
        match self {
            Error::Job(_) => 3,
            Error::Grid(_) => 4,
            Error::Stock(_) => 5,
            Error::Disk(_) => 6,
            Error::Check(_) => 7,
        }
    }

    /// The details, whoever must act.
    pub fn problem(&self) -> &Problem {
        match self {
            Error::Job(p) | Error::Grid(p) | Error::Stock(p) | Error::Disk(p) | Error::Check(p) => {
                p
            }
        }
    }

    /// The same, to add a place to an error made further down.
    pub fn problem_mut(&mut self) -> &mut Problem {
        match self {
            Error::Job(p) | Error::Grid(p) | Error::Stock(p) | Error::Disk(p) | Error::Check(p) => {
                p
            }
        }
    }

    /// A disk error from the operating system, naming the path it happened on.
    pub fn io(path: &Path, doing: &str, source: &std::io::Error) -> Error {
        Error::Disk(
            Problem::new(format!("could not {doing}: {}", reason(source)))
                .file(path)
                .next(remedy(source.kind()))
                .cause(source),
        )
    }
}

/// What the system says, in words of the shop where it has them.
fn reason(source: &std::io::Error) -> String {
    match source.kind() {
        ErrorKind::NotFound => "there is no such file or folder".into(),
        ErrorKind::PermissionDenied => "permission denied".into(),
        ErrorKind::ReadOnlyFilesystem => "the disk is read-only".into(),
        ErrorKind::StorageFull => "the disk is full".into(),
        ErrorKind::QuotaExceeded => "your share of the disk is used up".into(),
        ErrorKind::FileTooLarge => "the file is larger than the system allows".into(),
        _ => source.to_string(),
    }
}

fn remedy(kind: ErrorKind) -> &'static str {
    match kind {
        ErrorKind::NotFound => "check the path",
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            "choose a folder you may write to"
        }
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
            "free some space, or choose another disk"
        }
        ErrorKind::FileTooLarge => "choose another disk, or larger pixels",
        _ => "check the path, its permissions and the free space",
    }
}

/// What a message says. Build it with the chained methods, then wrap it in an [`Error`].
///
/// Its parts lie on the heap: an error is rare, and every `Result` would be as large as they are.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Problem {
    parts: Box<ProblemParts>,
}

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct ProblemParts {
    what: String,
    setting: Option<String>,
    /// Not a `PathBuf`, which could not be handed to another process under every name.
    file: Option<OsString>,
    line: Option<usize>,
    option: Option<String>,
    found: Option<String>,
    allowed: Option<String>,
    next: Option<String>,
    /// For programs that ask; its words are in `what` already.
    #[serde(skip)]
    cause: Option<Arc<std::io::Error>>,
}

impl PartialEq for Problem {
    /// Equal when they say the same.
    fn eq(&self, other: &Problem) -> bool {
        self.to_string() == other.to_string()
    }
}

impl Problem {
    /// Starts with what went wrong, without a full stop.
    pub fn new(what: impl Into<String>) -> Self {
        Problem {
            parts: Box::new(ProblemParts {
                what: what.into(),
                ..ProblemParts::default()
            }),
        }
    }

    /// Names the setting, as written in the job file: `globe.diameter`.
    pub fn setting(mut self, key: impl Into<String>) -> Self {
        self.parts.setting = Some(key.into());
        self
    }

    /// Names the file.
    pub fn file(mut self, path: impl Into<PathBuf>) -> Self {
        self.parts.file = Some(path.into().into_os_string());
        self
    }

    /// Names the line in the file, from 1.
    pub fn line(mut self, line: usize) -> Self {
        self.parts.line = Some(line);
        self
    }

    /// Names the command-line option that gave the value, printed in place of a file.
    pub fn option(mut self, option: impl Into<String>) -> Self {
        self.parts.option = Some(option.into());
        self
    }

    /// The value that was found.
    pub fn found(mut self, found: impl fmt::Display) -> Self {
        self.parts.found = Some(found.to_string());
        self
    }

    /// What would have been right.
    pub fn allowed(mut self, allowed: impl fmt::Display) -> Self {
        self.parts.allowed = Some(allowed.to_string());
        self
    }

    /// What to do now.
    pub fn next(mut self, next: impl Into<String>) -> Self {
        self.parts.next = Some(next.into());
        self
    }

    /// Keeps the operating system's error, for [`source`](std::error::Error::source).
    fn cause(mut self, error: &std::io::Error) -> Self {
        let same = match error.raw_os_error() {
            Some(number) => std::io::Error::from_raw_os_error(number),
            None => std::io::Error::new(error.kind(), error.to_string()),
        };
        self.parts.cause = Some(Arc::new(same));
        self
    }

    /// The setting the message names, if any; used to look up its line in the job file.
    pub fn setting_key(&self) -> Option<&str> {
        self.parts.setting.as_deref()
    }

    /// Whether a file, or the option that stands in its place, is already named.
    pub fn has_file(&self) -> bool {
        self.parts.file.is_some() || self.parts.option.is_some()
    }
}

impl fmt::Display for Problem {
    /// On one line, whatever stands in a file or its name.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut text = String::new();
        self.write(&mut text)?;
        f.write_str(&escaped(&text))
    }
}

/// A text with its control characters escaped: it stays on its line, and no terminal obeys it.
pub(crate) fn escaped(text: &str) -> String {
    let mut shown = String::new();
    for c in text.chars() {
        if c.is_control() {
            shown.extend(c.escape_default());
        } else {
            shown.push(c);
        }
    }
    shown
}

impl Problem {
    fn write(&self, f: &mut impl fmt::Write) -> fmt::Result {
        if let Some(setting) = &self.parts.setting {
            write!(f, "{setting}: ")?;
        }
        write!(f, "{}", self.parts.what)?;
        if let Some(found) = &self.parts.found {
            write!(f, "; found {found}")?;
        }
        if let Some(allowed) = &self.parts.allowed {
            write!(f, "; allowed: {allowed}")?;
        }
        if let Some(next) = &self.parts.next {
            write!(f, "; {next}")?;
        }
        if let Some(option) = &self.parts.option {
            return write!(f, " ({option})");
        }
        let file = self.parts.file.as_deref().map(Path::new);
        match (file, self.parts.line) {
            (Some(file), Some(line)) => write!(f, " ({} line {line})", file.display()),
            (Some(file), None) => write!(f, " ({})", file.display()),
            (None, _) => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_system_said_can_be_asked_for() {
        use std::error::Error as _;
        let missing = std::fs::File::open("/no/such/file").unwrap_err();
        let error = Error::io(Path::new("/no/such/file"), "open", &missing);
        let cause = error.source().unwrap().downcast_ref::<std::io::Error>();
        assert_eq!(cause.unwrap().kind(), ErrorKind::NotFound);
        assert!(Error::Job(Problem::new("x")).source().is_none());
    }

    #[test]
    fn a_message_stays_on_one_line_whatever_it_names() {
        let problem = Problem::new("no \"a\nb\"")
            .setting("x\ty")
            .found("\u{1b}[2J\u{7f}\u{85}é")
            .file("a\r\nb.tif")
            .line(3);
        assert_eq!(
            problem.to_string(),
            r#"x\ty: no "a\nb"; found \u{1b}[2J\u{7f}\u{85}é (a\r\nb.tif line 3)"#
        );
    }

    #[test]
    fn a_message_reads_in_one_line_from_what_to_where() {
        let error = Error::Job(
            Problem::new("the length has no unit")
                .setting("globe.diameter")
                .found("\"200\"")
                .allowed("a length with mm, cm or in")
                .next("write \"200 mm\"")
                .file("walnut.toml")
                .line(7),
        );
        assert_eq!(
            error.to_string(),
            "job: globe.diameter: the length has no unit; found \"200\"; allowed: a length with \
             mm, cm or in; write \"200 mm\" (walnut.toml line 7)"
        );
        assert_eq!(error.exit_code(), 3);
    }
}
