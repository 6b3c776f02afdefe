//! The environment changes nothing: GDAL, PROJ, HDF5 and the time zone take some thousand settings
//! from environment variables, of any name, and any of them may move or mirror a planet.
//!
//! Rust cannot change its own environment without unsafe code, and what a library takes from it
//! when it is loaded would stay. So the program starts itself again, in the same process, with
//! what it needs and no more. That is done once, and costs what loading its libraries costs.
use globewright::{Error, Problem, Result};
use std::ffi::{OsStr, OsString};

/// What says where the program and its libraries lie, where temporary files go, how wide and
/// colourful the terminal is, and how many threads run: nothing that is carved depends on it.
const KEPT: &[&str] = &[
    "PATH",
    "TMPDIR",
    "TERM",
    "COLORTERM",
    "COLUMNS",
    "LINES",
    "NO_COLOR",
    "CLICOLOR",
    "CLICOLOR_FORCE",
    "RAYON_NUM_THREADS",
    "RUST_BACKTRACE",
    "LLVM_PROFILE_FILE",
    "LD_LIBRARY_PATH",
    "LD_PRELOAD",
    "DYLD_LIBRARY_PATH",
    "DYLD_FALLBACK_LIBRARY_PATH",
];

/// What libraries take from nowhere else.
const SET: &[(&str, &str)] = &[
    ("TZ", "UTC"),
    ("PROJ_NETWORK", "OFF"),
    // A folder of the user's, with other definitions and grids.
    ("PROJ_SKIP_READ_USER_WRITABLE_DIRECTORY", "YES"),
    // No code of others is loaded to unpack cells.
    ("HDF5_PLUGIN_PRELOAD", "::"),
];

fn is_kept(name: &OsStr) -> bool {
    KEPT.iter().any(|kept| name == *kept)
}

/// Whether that is all there is. Names that begin with two underscores are some systems' own,
/// which they set at every start.
fn is_clean(variables: &[(OsString, OsString)]) -> bool {
    let set = |name: &OsStr, value: &OsStr| SET.iter().any(|(n, v)| name == *n && value == *v);
    let own = |name: &OsStr| name.to_string_lossy().starts_with("__");
    variables
        .iter()
        .all(|(name, value)| is_kept(name) || set(name, value) || own(name))
        && SET
            .iter()
            .all(|(name, _)| variables.iter().any(|(n, _)| n == name))
}

/// Starts the program again without what may change its results; returns in the one where nothing
/// can.
#[cfg(unix)]
pub fn settle() -> Result<()> {
    use std::os::unix::process::CommandExt;
    let variables: Vec<(OsString, OsString)> = std::env::vars_os().collect();
    if is_clean(&variables) {
        return Ok(());
    }
    let mut words = std::env::args_os();
    let failed = |error: std::io::Error| {
        Error::Disk(
            Problem::new(format!(
                "the program could not be started again in a clean environment: {error}"
            ))
            .next(
                "check that it may read its own file, and that the system shows it where that is",
            ),
        )
    };
    let mut again = std::process::Command::new(std::env::current_exe().map_err(failed)?);
    if let Some(name) = words.next() {
        again.arg0(name);
    }
    again
        .args(words)
        .env_clear()
        .envs(variables.into_iter().filter(|(name, _)| is_kept(name)))
        .envs(SET.iter().copied());
    Err(failed(again.exec()))
}

/// Elsewhere a process cannot be started in the place of another.
#[cfg(not(unix))]
pub fn settle() -> Result<()> {
    Ok(())
}
