//! The environment changes nothing: GDAL, PROJ, HDF5 and the time zone take some thousand settings
//! from environment variables, of any name, and any of them may move or mirror a planet.
//!
//! The libraries are called in a process of their own, which is started with what it needs and no
//! more. This one asks none of them; nothing it does itself depends on a variable but for those
//! that are kept.

use globewright::{Error, Problem, Result};
use std::ffi::{OsStr, OsString};
use std::path::PathBuf;

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

/// Without the first, parts of Windows do not start; the others are its places for temporary files.
const KEPT_ON_WINDOWS: &[&str] = &["SystemRoot", "TEMP", "TMP"];

/// What libraries take from nowhere else.
const SET: &[(&str, &str)] = &[
    ("TZ", "UTC"),
    ("PROJ_NETWORK", "OFF"),
    // A folder of the user's, with other definitions and grids.
    ("PROJ_SKIP_READ_USER_WRITABLE_DIRECTORY", "YES"),
    // No code of others is loaded to unpack cells.
    ("HDF5_PLUGIN_PRELOAD", "::"),
    // Threads that would be started when the library is loaded, and have nothing to do.
    ("OPENBLAS_NUM_THREADS", "1"),
];

fn is_kept(name: &OsStr) -> bool {
    let is = |kept: &&str| name == *kept;
    // There capital letters are not told from small ones.
    let is_there = |kept: &&str| name.eq_ignore_ascii_case(kept);
    KEPT.iter().any(is) || cfg!(windows) && KEPT_ON_WINDOWS.iter().any(is_there)
}

/// All of the environment in which libraries are called.
pub fn of_libraries() -> Vec<(OsString, OsString)> {
    let set = SET.iter().map(|&(name, value)| (name.into(), value.into()));
    std::env::vars_os()
        .filter(|(name, _)| is_kept(name))
        .chain(set)
        .collect()
}

/// The file of this program.
pub fn this_program() -> Result<PathBuf> {
    // Itself, and not what lies under its name by now.
    let link = PathBuf::from("/proc/self/exe");
    if cfg!(unix) && link.exists() {
        return Ok(link);
    }
    std::env::current_exe().map_err(unstarted)
}

fn unstarted(error: std::io::Error) -> Error {
    Error::Disk(
        Problem::new(format!("the program could not be started again: {error}")).next(
            "check that it may read its own file, and that the system shows it where that is",
        ),
    )
}
