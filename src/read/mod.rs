//! Stage 1: from elevation files to a global working grid and what is known about the source.
//!
//! ```text
//!   open ─► georeference (where cells lie) ─┐
//!     └───► values (what numbers mean) ─────┴─► stream: statistics + averages
//!                                                  └─► hole_filling ─► Grid, Source
//! ```
//!
//! `pass` goes this way from top to bottom. Only this module knows GDAL. Memory is bounded by the
//! working grid, not by the source.

mod cell;
mod crs;
mod downsampling;
mod drivers;
mod file_head;
mod flatten;
mod format;
mod georeference;
mod hole_filling;
mod input;
mod integers;
mod interpolation;
mod labels;
mod lent_file;
mod machine;
pub mod memory;
mod open;
mod pass;
mod placement;
mod polar_averaging;
mod reference;
mod refusals;
#[cfg(test)]
mod source_checks;
mod sources;
mod stats;
pub mod stored_grid;
mod stream;
pub mod subprocess;
#[cfg(test)]
mod tests;
mod text_table;
mod tiles;
mod truncation;
#[cfg(test)]
mod truncation_checks;
mod values;
mod virtual_cells;
mod warp;
mod watch;

use crate::model::error::{Error, Problem, Result};
use crate::model::grid::{Grid, Source};
use crate::model::progress::Progress;
use crate::model::settings::{GridSettings, Settings};
use memory::StoragePolicy;
use pass::pass;
use serde::{Deserialize, Serialize};
use std::path::Path;
use stored_grid::StoredGrid;

/// Finest cell that is worked on beside a curve, as a share of the finishing bit's diameter: a
/// ball an eighth of its radius away from its tip has risen by a hundredth of it.
const CELL_OF_BIT: f64 = 1.0 / 16.0;

/// How much resolution the images need.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct ReadRequest {
    /// Ground step of an image pixel in degrees of a great circle; finer source cells are
    /// averaged to it. `None` keeps every source cell.
    pub finest_step_deg: Option<f64>,
}

impl ReadRequest {
    /// For a job: its images resolve a pixel on the datum. Relief that is more than a curve is
    /// worked out for the whole planet at once, no finer than a small part of the finishing bit.
    pub fn of(settings: &Settings) -> ReadRequest {
        let finest_mm = match settings.relief.follows_height() {
            true => 0.0,
            false => CELL_OF_BIT * settings.finishing_bit_mm(),
        };
        let step_rad = settings.image.pixel_mm.max(finest_mm) / (settings.globe.diameter_mm / 2.0);
        ReadRequest {
            finest_step_deg: Some(step_rad.to_degrees()),
        }
    }
}

/// What reading gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The working grid, finite everywhere.
    pub grid: Grid,
    /// The source at its full resolution.
    pub source: Source,
}

/// A working grid, in memory or kept in a file.
pub enum Working {
    /// In memory.
    Held(Grid),
    /// In a file.
    Stored(StoredGrid),
}

/// Reads a job's grid once: statistics at full resolution, heights at the resolution asked for.
///
/// `progress` hears of rows of the source.
///
/// # Errors
/// [`Error::Grid`] for files that cannot be opened or read, do not cover the globe, contradict
/// the settings, or hold no relief; [`Error::Job`] for settings that name no body or no file.
pub fn read(
    settings: &GridSettings,
    request: &ReadRequest,
    progress: &dyn Progress,
) -> Result<Reading> {
    match read_within(settings, request, &StoragePolicy::Unlimited, progress)? {
        (Working::Held(grid), source) => Ok(Reading { grid, source }),
        _ => Err(nothing_there(first_file(settings)?)),
    }
}

/// The same with no more memory than allowed; a grid for which that is too little is kept
/// in a file, with the same heights to the last bit.
///
/// # Errors
/// As [`read`]; [`Error::Job`] when the grid does not fit in it; [`Error::Disk`].
pub fn read_within(
    settings: &GridSettings,
    request: &ReadRequest,
    storage: &StoragePolicy,
    progress: &dyn Progress,
) -> Result<(Working, Source)> {
    match subprocess::program() {
        Some(program) => subprocess::read_within(program, settings, request, storage, progress),
        None => read_here(settings, request, storage, progress),
    }
}

/// The same in this process.
fn read_here(
    settings: &GridSettings,
    request: &ReadRequest,
    storage: &StoragePolicy,
    progress: &dyn Progress,
) -> Result<(Working, Source)> {
    let wanted = Wanted {
        request: *request,
        projected: *request,
        storage,
    };
    pass(settings, &wanted, progress)
}

/// What is wanted beside the facts about the source.
struct Wanted<'a> {
    request: ReadRequest,
    /// The same for maps in other projections, before anything else is done with them.
    projected: ReadRequest,
    storage: &'a StoragePolicy,
}

/// What a grid holds, from the same single pass. Its faults are those that a job would carve that
/// sets nothing but the grid.
///
/// # Errors
/// As [`read`].
pub fn inspect(settings: &GridSettings, progress: &dyn Progress) -> Result<Source> {
    match subprocess::program() {
        Some(program) => subprocess::inspect(program, settings, progress),
        None => inspect_here(settings, progress),
    }
}

/// The same in this process.
fn inspect_here(settings: &GridSettings, progress: &dyn Progress) -> Result<Source> {
    let wanted = Wanted {
        request: ReadRequest::of(&Settings::default()),
        projected: ReadRequest::default(),
        storage: &StoragePolicy::Unlimited,
    };
    Ok(pass(settings, &wanted, progress)?.1)
}

/// The first file of a job that names any.
fn first_file(settings: &GridSettings) -> Result<&Path> {
    match settings.files.first() {
        Some(path) => Ok(path),
        None => Err(Error::Job(
            Problem::new("no elevation grid is named")
                .setting("grid.files")
                .next("write files = [\"your-grid.tif\"] under [grid]"),
        )),
    }
}

fn base_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

fn nothing_there(path: &Path) -> Error {
    Error::Grid(
        Problem::new("every cell of the grid is without data")
            .next("check the file, and nodata under [grid] if it is set")
            .file(path),
    )
}
