//! Stage 1: from elevation files to a global working grid and what is known about the source.
//!
//! ```text
//!   open ─► place (where cells lie) ─┐
//!     └───► values (what numbers mean) ─► stream: statistics + averages ─► holes ─► Grid, Source
//! ```
//!
//! Only this module knows GDAL. Memory is bounded by the working grid, not by the source.

mod crowded;
mod crs;
mod holes;
mod labels;
mod open;
mod place;
mod shrink;
mod stats;
mod stream;
#[cfg(test)]
mod tests;
mod values;

use crate::bodies::{Body, body_by_radius, body_named, body_names};
use crate::error::{Error, Problem, Result};
use crate::grid::{Grid, Place, Registration, Source};
use crate::progress::Progress;
use crate::settings::GridSettings;
use open::Raster;
use place::{Extent, Placement, degrees};
use shrink::Shrink;
use stats::{Bins, Spot, Statistics};
use std::path::Path;
use stream::{Decode, Keep};
use values::{Meaning, Stored};

/// How much resolution the images need.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ReadRequest {
    /// Ground step of an image pixel in degrees of a great circle; finer source cells are
    /// averaged to it. `None` keeps every source cell.
    pub finest_step_deg: Option<f64>,
}

/// What reading gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The working grid, finite everywhere.
    pub grid: Grid,
    /// The source at its full resolution.
    pub source: Source,
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
    let (source, grid) = pass(settings, Some(request), progress)?;
    match grid {
        Some(grid) => Ok(Reading { grid, source }),
        None => Err(nothing_there(&settings.files[0])),
    }
}

/// What a grid holds, from the same single pass but without a working grid.
///
/// # Errors
/// As [`read`].
pub fn inspect(settings: &GridSettings, progress: &dyn Progress) -> Result<Source> {
    Ok(pass(settings, None, progress)?.0)
}

fn pass(
    settings: &GridSettings,
    request: Option<&ReadRequest>,
    progress: &dyn Progress,
) -> Result<(Source, Option<Grid>)> {
    let path = single_file(settings)?;
    let named = |mut e: Error| {
        if !e.problem().has_file() {
            let problem = std::mem::take(e.problem_mut());
            *e.problem_mut() = problem.file(path);
        }
        e
    };
    let raster = Raster::open(path)?;
    let placement = placement(&raster, settings).map_err(named)?;
    if placement.repeated_columns > 0 {
        check_repeats(&raster, &placement).map_err(named)?;
    }
    let reference = reference(settings, &raster).map_err(named)?;
    let stored = raster.stored()?;
    let meaning = values::settle(settings, &stored, reference.radius_m).map_err(named)?;
    let mut notes = raster.notes.clone();

    let keep = keep(&placement, request);
    let bins = bins(&stored, &meaning);
    let mut rows = raster.into_rows(placement.columns, placement.south_first, &meaning)?;
    let decode = if rows.decoded() {
        Decode::None
    } else {
        Decode::new(meaning.scale, meaning.shift_m, &meaning.missing)
    };
    let (statistics, heights) = stream::run(&mut rows, &placement, bins, &keep, &decode, progress)?;
    let statistics = statistics.ok_or_else(|| nothing_there(path))?;
    if statistics.min.height_m == statistics.max.height_m {
        return Err(constant(path, statistics.min.height_m));
    }

    let grid = heights.map(|heights_m| {
        let mut grid = match &keep {
            Keep::Averages(_) => Grid {
                west_deg: working_west(&placement, heights_m.ncols()),
                registration: Registration::Pixel,
                heights_m,
            },
            _ => Grid {
                west_deg: placement.west_deg,
                registration: placement.registration,
                heights_m,
            },
        };
        holes::fill(&mut grid);
        if let Some(step_deg) = request.and_then(|r| r.finest_step_deg) {
            crowded::average(&mut grid, step_deg);
        }
        grid
    });
    notes.extend(placement.notes.iter().cloned());
    notes.extend(reference.notes.iter().cloned());
    notes.extend(meaning.notes.iter().cloned());
    let source = source(path, &placement, &reference, &meaning, statistics, notes);
    Ok((source, grid))
}

/// The one file of a job.
fn single_file(settings: &GridSettings) -> Result<&Path> {
    match settings.files.as_slice() {
        [one] => Ok(one),
        [] => Err(Error::Job(
            Problem::new("no elevation grid is named")
                .setting("grid.files")
                .next("write files = [\"your-grid.tif\"] under [grid]"),
        )),
        many => Err(Error::Grid(
            Problem::new("several files for one grid are not read yet")
                .setting("grid.files")
                .found(format!("{} files", many.len()))
                .allowed("1 file")
                .next("join the tiles into one file first"),
        )),
    }
}

/// Where the raster's cells lie.
fn placement(raster: &Raster, settings: &GridSettings) -> Result<Placement> {
    let Some(t) = raster.transform else {
        return unplaced(raster, settings);
    };
    if t[2] != 0.0 || t[4] != 0.0 {
        return Err(Error::Grid(
            Problem::new("the grid is turned against north")
                .found(format!("rotation terms {} and {}", t[2], t[4]))
                .allowed("rows that run east")
                .next("warp it to a plain latitude and longitude grid first"),
        ));
    }
    let in_degrees = match &raster.crs {
        Some(crs) => crs.to_degrees(t[0], t[3], t[1], t[5]).ok_or_else(|| {
            Error::Grid(
                Problem::new("the grid's map projection is not read yet")
                    .found(format!("\"{}\" ({})", crs.name, crs.proj))
                    .allowed("latitude and longitude, or equidistant cylindrical")
                    .next("warp it to a plain latitude and longitude grid first"),
            )
        })?,
        None => {
            // Room for a repeated column and for samples on the poles.
            if t[1] * raster.columns as f64 > 361.0 + 2.0 * t[1].abs()
                || t[3].abs() > 91.0 + t[5].abs()
            {
                return Err(Error::Grid(
                    Problem::new(
                        "the file names no coordinate system, and its coordinates are not degrees",
                    )
                    .found(format!(
                        "a west edge at {}, {} columns of {}",
                        degrees(t[0]),
                        raster.columns,
                        degrees(t[1])
                    ))
                    .allowed("360° of longitude, or metres with a coordinate system")
                    .next("write the coordinate system into the file"),
                ));
            }
            (t[0], t[3], t[1], t[5])
        }
    };
    let (west_deg, first_lat_deg, lon_step_deg, lat_step_deg) = in_degrees;
    place::place(&Extent {
        columns: raster.columns,
        rows: raster.rows,
        west_deg: settings.west_deg.unwrap_or(west_deg),
        first_lat_deg,
        lon_step_deg,
        lat_step_deg,
    })
}

/// A raster without georeferencing: the settings must say where it starts.
fn unplaced(raster: &Raster, settings: &GridSettings) -> Result<Placement> {
    let (columns, rows) = (raster.columns, raster.rows);
    let Some(west) = settings.west_deg else {
        return Err(Error::Grid(
            Problem::new("the file does not say where on the body its cells lie")
                .found(format!("{columns} × {rows} cells without coordinates"))
                .next(
                    "add under [grid] west = the longitude of its western edge (often 0 or -180), \
                     radius or body, and scale and offset if its numbers are not metres",
                ),
        ));
    };
    let step = 360.0 / columns as f64;
    let mut placement = if columns == 2 * rows {
        Placement::whole(columns, rows, west, Registration::Pixel)
    } else {
        place::place(&Extent {
            columns,
            rows,
            west_deg: west,
            first_lat_deg: 0.5 * rows as f64 * step,
            lon_step_deg: step,
            lat_step_deg: -step,
        })?
    };
    placement.notes.push(format!(
        "the file has no coordinates: taken for a whole globe from {}° E, north at the top",
        degrees(west)
    ));
    Ok(placement)
}

/// A last column may be left out only if it really repeats the first.
fn check_repeats(raster: &Raster, placement: &Placement) -> Result<()> {
    for repeated in 0..placement.repeated_columns {
        if !raster.columns_equal(repeated, placement.columns + repeated)? {
            return Err(Error::Grid(
                Problem::new(
                    "the grid is one column too wide, yet its last column differs from its first",
                )
                .found(format!(
                    "{} columns of {}°",
                    raster.columns,
                    degrees(placement.step_lon_deg())
                ))
                .allowed("360° of longitude, or a last column equal to the first")
                .next("check the cell size written in the file"),
            ));
        }
    }
    Ok(())
}

/// The body and the radius heights count from.
struct Reference {
    body: Option<String>,
    radius_m: Option<f64>,
    notes: Vec<String>,
}

fn reference(settings: &GridSettings, raster: &Raster) -> Result<Reference> {
    let body = named_body(settings)?;
    let mut notes = Vec::new();
    let found_m = raster.crs.as_ref().map(|c| c.semi_major_m);
    const FILE: &str = "the grid's coordinate system";
    if let (Some(body), Some(radius_m)) = (body, settings.radius_m) {
        notes.extend(values::agree(
            radius_m,
            "grid.radius",
            body.radius_m,
            "grid.body",
        )?);
    }
    if let Some(found_m) = found_m {
        if let Some(radius_m) = settings.radius_m {
            notes.extend(values::agree(radius_m, "grid.radius", found_m, FILE)?);
        }
        if let Some(body) = body
            && !body.has_radius(found_m)
        {
            values::agree(body.radius_m, "grid.body", found_m, FILE)?;
        }
    }
    let radius_m = settings.radius_m.or(found_m).or(body.map(|b| b.radius_m));
    let target = raster.target.as_deref().and_then(body_named);
    let radius_m = radius_m.or(target.map(|b| b.radius_m));
    let name = match (body, &settings.body) {
        (Some(body), _) => Some(body.name.to_owned()),
        (None, Some(name)) => Some(name.clone()),
        (None, None) => radius_m.and_then(body_by_radius).map(|b| b.name.to_owned()),
    };
    Ok(Reference {
        body: name,
        radius_m,
        notes,
    })
}

/// The table's entry for the job's body. A body outside the table is fine with a radius.
fn named_body(settings: &GridSettings) -> Result<Option<&'static Body>> {
    let Some(name) = &settings.body else {
        return Ok(None);
    };
    match body_named(name) {
        Some(body) => Ok(Some(body)),
        None if settings.radius_m.is_some() => Ok(None),
        None => Err(Error::Job(
            Problem::new("the body is not in the table of known bodies")
                .setting("grid.body")
                .found(format!("\"{name}\""))
                .allowed(body_names())
                .next("or add radius = \"… km\" under [grid]"),
        )),
    }
}

/// Statistics bins that fit the sample type.
fn bins(stored: &Stored, meaning: &Meaning) -> Bins {
    let Some((lo, hi)) = stored.whole else {
        return Bins::Float;
    };
    let ends = [lo, hi].map(|v| v * meaning.scale + meaning.shift_m);
    Bins::Whole {
        first_m: ends[0].min(ends[1]),
        step_m: meaning.scale.abs(),
        count: (hi - lo) as usize + 1,
    }
}

/// Keeps source cells as they are unless the images need fewer.
fn keep(placement: &Placement, request: Option<&ReadRequest>) -> Keep {
    let Some(request) = request else {
        return Keep::Nothing;
    };
    match request
        .finest_step_deg
        .and_then(|s| working_size(placement, s))
    {
        Some((columns, rows)) => Keep::Averages(Shrink::new(placement, columns, rows)),
        None => Keep::All,
    }
}

/// Columns and rows of the working grid for a step in degrees, if coarser than the source.
fn working_size(placement: &Placement, step_deg: f64) -> Option<(usize, usize)> {
    if !(step_deg.is_finite() && step_deg > 0.0) {
        return None;
    }
    // The least even number of columns whose step is no coarser than asked for.
    let half = (180.0 / step_deg - 1e-9).ceil().clamp(2.0, 1e9) as usize;
    let source_rows = match placement.registration {
        Registration::Pixel => placement.rows,
        Registration::Gridline => placement.rows - 1,
    };
    if 2 * half >= placement.columns && half >= source_rows {
        return None;
    }
    Some(((2 * half).min(placement.columns), half.min(source_rows)))
}

/// Centre of the first working column, whose western edge is the source's.
fn working_west(placement: &Placement, columns: usize) -> f64 {
    let edge = placement.west_deg - 0.5 * placement.step_lon_deg();
    (edge + 180.0 / columns as f64).rem_euclid(360.0)
}

fn source(
    path: &Path,
    placement: &Placement,
    reference: &Reference,
    meaning: &Meaning,
    statistics: Statistics,
    notes: Vec<String>,
) -> Source {
    let spot = |s: Spot| Place {
        height_m: f64::from(s.height_m),
        lat_deg: placement.lat_deg(s.row),
        lon_deg: placement.lon_deg(s.column),
    };
    let half = match placement.registration {
        Registration::Pixel => 0.5,
        Registration::Gridline => 0.0,
    };
    Source {
        files: vec![
            path.file_name()
                .unwrap_or(path.as_os_str())
                .to_string_lossy()
                .into_owned(),
        ],
        width: placement.columns,
        height: placement.rows,
        cell_deg: placement.step_lon_deg(),
        west_deg: (placement.west_deg - half * placement.step_lon_deg()).rem_euclid(360.0),
        north_deg: 90.0,
        registration: placement.registration,
        quantity: meaning.quantity,
        unit: meaning.unit.clone(),
        scale: meaning.scale,
        offset: meaning.offset_m,
        body: reference
            .body
            .clone()
            .or_else(|| body_by_radius(meaning.radius_m?).map(|b| b.name.to_owned())),
        reference_radius_m: meaning.radius_m,
        min: spot(statistics.min),
        max: spot(statistics.max),
        hypsometry: statistics.hypsometry,
        filled_cells: statistics.missing,
        filled_share: statistics.missing_share,
        clipped_cells: 0,
        notes,
    }
}

fn nothing_there(path: &Path) -> Error {
    Error::Grid(
        Problem::new("every cell of the grid is without data")
            .next("check the file, and nodata under [grid] if it is set")
            .file(path),
    )
}

fn constant(path: &Path, height_m: f32) -> Error {
    Error::Grid(
        Problem::new("the grid has the same height everywhere, so there is nothing to carve")
            .found(format!("{height_m} m"))
            .allowed("at least two different heights")
            .file(path),
    )
}
