//! Stage 1: from elevation files to a global working grid and what is known about the source.
//!
//! ```text
//!   open ─► place (where cells lie) ─┐
//!     └───► values (what numbers mean) ─► stream: statistics + averages ─► holes ─► Grid, Source
//! ```
//!
//! Only this module knows GDAL. Memory is bounded by the working grid, not by the source.

mod crs;
mod downsampling;
mod drivers;
mod flatten;
mod format;
mod hole_filling;
mod integers;
mod interpolation;
mod labels;
mod machine;
pub mod memory;
mod open;
mod placement;
mod polar_averaging;
mod reference;
mod refusals;
mod sources;
mod stats;
pub mod stored_grid;
mod stored_integer;
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
mod warp;
mod watch;

use crate::model::bodies::body_by_radius;
use crate::model::error::{Error, Problem, Result};
use crate::model::grid::{Grid, Hypsometry, Layout, Place, Quantity, Registration, Source};
use crate::model::progress::Progress;
use crate::model::settings::{Flattening, GridSettings, Settings};
use crate::read::memory::{Storage, StoragePolicy};
use crate::read::stored_grid::StoredGrid;
use crate::sphere::faults;
use downsampling::Downsampling;
use integers::{IntegerCells, IntegerType};
use open::{Raster, Rows, Tile, Tiles};
use placement::{Extent, Placement, degrees};
use polar_averaging::PolarAveraging;
use reference::Reference;
use serde::{Deserialize, Serialize};
use stats::{Bins, Spot, Statistics};
use std::path::{Path, PathBuf};
use stream::{Decode, FloatCells, Keep, Kept, RowSource, ToFile};
use values::{BandInfo, Meaning};
use warp::HeightsInMemory;

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

fn pass(
    settings: &GridSettings,
    wanted: &Wanted<'_>,
    progress: &dyn Progress,
) -> Result<(Working, Source)> {
    let request = &wanted.request;
    let path = first_file(settings)?;
    let named = |e| naming(e, path);
    let (rasters, stored) = open_all(&settings.files)?;
    let mut reference = reference::settle(settings, &rasters[0]).map_err(named)?;
    for raster in &rasters[1..] {
        reference::settle(settings, raster).map_err(|e| naming(e, &raster.path))?;
    }
    let mut meanings = Vec::new();
    for one in &stored {
        meanings.push(values::settle(settings, one, reference.radius_m).map_err(named)?);
    }
    let mut notes: Vec<String> = rasters.iter().flat_map(|r| r.notes.clone()).collect();
    let projected = rasters.iter().any(Raster::is_projected);
    let ellipsoid = match settings.flattening {
        Flattening::Keep => None,
        Flattening::Remove => Some(flatten::ellipsoid(&rasters[0], &reference).map_err(named)?),
    };
    let (mut placement, mut input) = if projected {
        warped(rasters, &meanings, &wanted.projected).map_err(named)?
    } else {
        let (placement, corners) = located(&rasters, settings).map_err(named)?;
        let input = Input::new(rasters, corners, &placement, &meanings)?;
        (placement, input)
    };
    notes.append(&mut placement.notes);
    notes.append(&mut reference.notes);

    let keep = keep(&placement, request);
    let layout = layout(&placement, &keep);
    // Relief that knows its surroundings, and is as it is.
    let relief = meanings.iter().any(|m| m.quantity == Quantity::Relief);
    // Averages are as wide on the ground as a pixel already, and so is relief that was kept.
    let step_deg = match keep {
        Keep::Averages(_) => None,
        Keep::All if relief => None,
        _ => request.finest_step_deg,
    };
    let averaging = PolarAveraging { layout, step_deg };
    // Source rows that have to be moved to other latitudes need their neighbours in memory.
    let moved = placement.axis_ratio_squared != 1.0 && !matches!(keep, Keep::Averages(_));
    let whole = match (projected, moved) {
        (true, _) => Some("to turn it from another map projection"),
        (_, true) => Some("to move its rows to latitudes seen from the centre"),
        _ if relief => Some("to be carved as the finished relief that it is"),
        _ => None,
    };
    let to_file = match wanted.storage.choose(layout, whole) {
        Storage::File(grid_file) => Some(ToFile {
            grid_file,
            averaging,
        }),
        Storage::Refused(error) => return Err(error),
        Storage::Memory => None,
    };
    let to_file = to_file.as_ref();
    watch::need_memory(pass_bytes(&placement, layout, to_file.is_some()));
    let bins = if projected {
        Bins::Float
    } else {
        bins(&stored, &meanings)
    };
    let meaning = &mut meanings[0];
    // Fill values are looked for in the numbers as they are, before any flattening is taken out.
    let first = if ellipsoid.is_some() {
        &Keep::Nothing
    } else {
        &keep
    };
    let (mut statistics, mut kept) = input.run(&placement, bins, first, &[], to_file, progress)?;
    if let Some(found) = &statistics
        && let Some(suspicion) = values::undeclared(found, &stored[0], meaning)
    {
        notes.push(suspicion.note.clone());
        if let Some(fill) = suspicion.fill.filter(|_| !projected) {
            input.also_missing(fill);
            meaning.missing.values.push(fill);
            (statistics, kept) = input.run(&placement, bins, first, &[], to_file, progress)?;
        }
    }
    if let Some(ellipsoid) = &ellipsoid {
        let radius_m = meaning.radius_m.unwrap_or(ellipsoid.equator_m);
        let lower_m = ellipsoid.above_sphere_m(&placement, radius_m);
        notes.push(ellipsoid.note(radius_m));
        (statistics, kept) =
            input.run(&placement, Bins::Float, &keep, &lower_m, to_file, progress)?;
    }
    let statistics = statistics.ok_or_else(|| nothing_there(path))?;
    if statistics.min.height_m == statistics.max.height_m {
        return Err(constant(path, statistics.min.height_m));
    }
    // Filling a hole looks at the whole grid.
    if let Some(Kept::Stored(writer)) = &kept
        && writer.has_holes()
    {
        match wanted.storage.choose(layout, Some("to fill its holes")) {
            Storage::Refused(error) => return Err(error),
            Storage::Memory | Storage::File(_) => {
                let lower_m = ellipsoid.as_ref().map_or_else(Vec::new, |ellipsoid| {
                    let radius_m = meaning.radius_m.unwrap_or(ellipsoid.equator_m);
                    ellipsoid.above_sphere_m(&placement, radius_m)
                });
                let bins = if ellipsoid.is_some() {
                    Bins::Float
                } else {
                    bins
                };
                kept = input
                    .run(&placement, bins, &keep, &lower_m, None, progress)?
                    .1;
            }
        }
    }
    notes.extend(graphic_note(&placement, &reference));
    notes.extend(meaning.notes.iter().cloned());
    notes.extend(input.name_fill(&placement, &statistics, &stored[0], meaning)?);
    notes.dedup();
    drop(input);
    watch::libraries_done();

    let working = match kept {
        None => return Err(nothing_there(path)),
        Some(Kept::Held(heights_m)) => {
            let limits = (statistics.min.height_m, statistics.max.height_m);
            let grid = Grid {
                heights_m,
                west_deg: layout.west_deg,
                registration: layout.registration,
            };
            Working::Held(finish(grid, &placement, moved, averaging, limits))
        }
        Some(Kept::Stored(writer)) => Working::Stored(writer.finish()?),
    };
    if !relief {
        let cells = placement.columns as u64 * placement.rows as u64 - statistics.missing;
        notes.extend(faults(&working, &statistics.hypsometry, cells)?);
    }
    let source = source(settings, &placement, &reference, meaning, statistics, notes);
    Ok((working, source))
}

/// Bytes that a pass needs beside what the usual buffers take: the working grid, or the tiles of it
/// on their way into a file, and strips of a grid so wide that a few rows are more than usual.
fn pass_bytes(placement: &Placement, layout: Layout, to_file: bool) -> u64 {
    let sample = size_of::<f32>() as u64;
    let kept = match to_file {
        true => stored_grid::least_held_bytes(layout.columns),
        // One is let go only when the next has been read.
        false => 2 * layout.rows as u64 * layout.columns as u64 * sample,
    };
    let rows = placement.rows.div_ceil(layout.rows.max(1)) as u64 + 2;
    // Two strips, and one in double precision on its way into them.
    kept + rows * placement.columns as u64 * 4 * sample
}

/// What the working grid's making left in it, in words.
fn faults(working: &Working, hypsometry: &Hypsometry, cells: u64) -> Result<Vec<String>> {
    let found = match working {
        Working::Held(grid) => faults::find(grid, hypsometry, cells),
        Working::Stored(grid) => {
            let found = faults::find(grid, hypsometry, cells);
            grid.check()?;
            found
        }
    };
    Ok(found.iter().map(ToString::to_string).collect())
}

/// Adds the file to an error that names none.
fn naming(mut error: Error, path: &Path) -> Error {
    if !error.problem().has_file() {
        let problem = std::mem::take(error.problem_mut());
        *error.problem_mut() = problem.file(path);
    }
    error
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

/// Files held open at once; systems allow a program a thousand or so.
const MOST_OPEN: usize = 64;

/// Most numbers of a sample that all files share.
const SHARED_SAMPLE: usize = 4096;

/// Opens all files and asks what their bands say about their numbers. Many files are closed again
/// until their rows are read.
fn open_all(files: &[PathBuf]) -> Result<(Vec<Raster>, Vec<BandInfo>)> {
    let mut rasters = Vec::with_capacity(files.len());
    let mut all = Vec::with_capacity(files.len());
    let mut access = sources::FileAccess::new(files);
    for path in files {
        let mut raster = Raster::open(path, &mut access)?;
        all.push(raster.band_info()?);
        if files.len() > MOST_OPEN {
            raster.close();
        }
        rasters.push(raster);
    }
    share_sample(&mut all);
    Ok((rasters, all))
}

/// Gives each band the sample of all, so that all are taken for the same quantity.
fn share_sample(all: &mut [BandInfo]) {
    let alike = |a: &BandInfo, b: &BandInfo| a.scale == b.scale && a.unit == b.unit;
    if all.len() < 2 || !all.iter().all(|one| alike(one, &all[0])) {
        return;
    }
    let sample: Vec<f64> = all.iter().flat_map(|s| s.sample.iter().copied()).collect();
    let step = sample.len().div_ceil(SHARED_SAMPLE).max(1);
    let sample: Vec<f64> = sample.into_iter().step_by(step).collect();
    for one in all {
        one.sample.clone_from(&sample);
    }
}

/// Where the cells of one raster, or of several together, lie; and each raster's corner.
fn located(
    rasters: &[Raster],
    settings: &GridSettings,
) -> Result<(Placement, Vec<(usize, usize)>)> {
    let axis_ratio_squared = rasters[0]
        .crs
        .as_ref()
        .map_or(1.0, crs::Crs::axis_ratio_squared);
    if let [raster] = rasters {
        let placement = placement(raster, settings)?;
        if placement.repeated_columns > 0 {
            check_repeats(raster, &placement)?;
        }
        return Ok((
            Placement {
                axis_ratio_squared,
                ..placement
            },
            vec![(0, 0)],
        ));
    }
    let mut extents = Vec::new();
    let mut names = Vec::new();
    for raster in rasters {
        let Some(extent) = extent(raster, None).map_err(|e| naming(e, &raster.path))? else {
            return Err(naming(no_coordinates(raster), &raster.path));
        };
        extents.push(extent);
        names.push(base_name(&raster.path));
    }
    let mosaic = tiles::lay_out(&extents, &names)?;
    let mut placement = placement::place(&mosaic.extent)?;
    placement.axis_ratio_squared = axis_ratio_squared;
    placement
        .notes
        .push(format!("{} files were joined into one grid", rasters.len()));
    Ok((placement, mosaic.corners))
}

/// Rows to stream from: one raster as stored, several as heights, or what projected rasters
/// were sampled to.
enum Input {
    One(Box<Rows>, Decode),
    Many(Tiles),
    Warped(HeightsInMemory),
}

impl Input {
    fn new(
        rasters: Vec<Raster>,
        corners: Vec<(usize, usize)>,
        placement: &Placement,
        meanings: &[Meaning],
    ) -> Result<Input> {
        let single = rasters.len() == 1;
        let mut tiles = Vec::new();
        for ((raster, corner), meaning) in rasters.into_iter().zip(corners).zip(meanings) {
            let (columns, south_first) = if single {
                (placement.columns, placement.south_first)
            } else {
                let south_first = raster.transform.is_some_and(|t| t[5] > 0.0);
                (raster.columns, south_first)
            };
            let (rows, decode) = decoding(raster, columns, south_first, meaning)?;
            if single {
                return Ok(Input::One(Box::new(rows), decode));
            }
            tiles.push(Tile {
                rows,
                decode,
                corner,
            });
        }
        Ok(Input::Many(Tiles {
            close: tiles.len() > MOST_OPEN,
            tiles,
            columns: placement.columns,
        }))
    }

    fn run(
        &mut self,
        placement: &Placement,
        bins: Bins,
        keep: &Keep,
        lower_m: &[f64],
        to_file: Option<&ToFile<'_>>,
        progress: &dyn Progress,
    ) -> Result<(Option<Statistics>, Option<Kept>)> {
        let heights = |decode| FloatCells {
            bins,
            decode,
            lower_m,
        };
        let none = &Decode::None;
        match self {
            Input::One(rows, decode) => match (rows.integer_type(), bins) {
                (Some(kind), Bins::Integer { .. }) => {
                    whole(rows, kind, decode, placement, bins, keep, to_file, progress)
                }
                _ => {
                    let treatment = heights(decode);
                    stream::run(&mut **rows, placement, &treatment, keep, to_file, progress)
                }
            },
            Input::Many(tiles) => {
                stream::run(tiles, placement, &heights(none), keep, to_file, progress)
            }
            Input::Warped(grid) => {
                stream::run(grid, placement, &heights(none), keep, to_file, progress)
            }
        }
    }

    /// Takes one more stored number for "no data".
    fn also_missing(&mut self, fill: f64) {
        match self {
            Input::One(rows, decode) => {
                rows.also_missing(fill);
                decode.also_missing(fill);
            }
            Input::Many(tiles) => {
                for tile in &mut tiles.tiles {
                    tile.rows.also_missing(fill);
                    tile.decode.also_missing(fill);
                }
            }
            // Averages have no stored numbers any more.
            Input::Warped(_) => {}
        }
    }

    /// Names the number that stands for "no data" if the file does not declare one.
    fn name_fill(
        &mut self,
        placement: &Placement,
        statistics: &Statistics,
        stored: &BandInfo,
        meaning: &Meaning,
    ) -> Result<Option<String>> {
        let (Some(row), None, Input::One(rows, _)) =
            (statistics.first_missing_row, stored.nodata, self)
        else {
            return Ok(None);
        };
        if rows.decoded() {
            return Ok(None);
        }
        let mut line = vec![0.0; placement.columns];
        rows.read(row, &mut line)?;
        let fill = line
            .iter()
            .map(|v| f64::from(*v))
            .find(|v| meaning.missing.holds(*v));
        Ok(fill.map(|fill| {
            format!(
                "the file declares no fill value; {} was taken for \"no data\"",
                values::spelled(fill)
            )
        }))
    }
}

/// Streams whole numbers in the type they are stored in.
#[expect(clippy::too_many_arguments, reason = "it only passes them on")]
fn whole(
    rows: &mut Rows,
    kind: IntegerType,
    decode: &Decode,
    placement: &Placement,
    bins: Bins,
    keep: &Keep,
    to_file: Option<&ToFile<'_>>,
    progress: &dyn Progress,
) -> Result<(Option<Statistics>, Option<Kept>)> {
    let (scale, shift_m, missing) = decode.parts();
    match kind {
        IntegerType::U8 => {
            let numbers = IntegerCells::<u8>::new(bins, scale, shift_m, missing);
            stream::run(rows, placement, &numbers, keep, to_file, progress)
        }
        IntegerType::U16 => {
            let numbers = IntegerCells::<u16>::new(bins, scale, shift_m, missing);
            stream::run(rows, placement, &numbers, keep, to_file, progress)
        }
        IntegerType::I16 => {
            let numbers = IntegerCells::<i16>::new(bins, scale, shift_m, missing);
            stream::run(rows, placement, &numbers, keep, to_file, progress)
        }
    }
}

/// A raster's rows and how their numbers become heights.
fn decoding(
    raster: Raster,
    columns: usize,
    south_first: bool,
    meaning: &Meaning,
) -> Result<(Rows, Decode)> {
    let rows = raster.into_rows(columns, south_first, meaning)?;
    let decode = if rows.decoded() {
        Decode::None
    } else {
        Decode::new(meaning.scale, meaning.shift_m, &meaning.missing)
    };
    Ok((rows, decode))
}

/// Samples rasters of which at least one is in another map projection to a plain grid, no finer
/// than the finest of them.
fn warped(
    rasters: Vec<Raster>,
    meanings: &[Meaning],
    request: &ReadRequest,
) -> Result<(Placement, Input)> {
    let mut finest = f64::INFINITY;
    let mut axis_ratio_squared = 1.0;
    let mut names = Vec::new();
    let mut sources = Vec::new();
    for (raster, meaning) in rasters.into_iter().zip(meanings) {
        let (Some(crs), Some(transform)) = (raster.crs.clone(), raster.transform) else {
            return Err(naming(no_coordinates(&raster), &raster.path));
        };
        finest = finest.min(warp::cell_deg(&crs, &transform));
        axis_ratio_squared = crs.axis_ratio_squared();
        names.push(crs.name.clone());
        sources.push((raster, meaning, crs, transform));
    }
    let step_deg = request
        .finest_step_deg
        .filter(|step| step.is_finite())
        .map_or(finest, |step| step.max(finest));
    let mut projected = Vec::new();
    for (raster, meaning, crs, transform) in sources {
        let path = raster.path.clone();
        let size = (raster.columns, raster.rows);
        let (mut rows, decode) = decoding(raster, size.0, false, meaning)?;
        let one = warp::load(&mut rows, &decode, size, &crs, &transform, step_deg);
        projected.push(one.map_err(|e| naming(e, &path))?);
    }
    let sampling = warp::working_placement(step_deg, axis_ratio_squared);
    let heights_m = warp::assemble(&projected, &sampling)?;
    names.dedup();
    let mut placement = Placement {
        axis_ratio_squared: 1.0,
        ..sampling
    };
    placement.notes.push(format!(
        "the map projection \"{}\" was turned into latitudes and longitudes in steps of {}°; \
         extremes are those of the turned grid",
        names.join("\", \""),
        degrees(placement.step_lon_deg())
    ));
    Ok((placement, Input::Warped(HeightsInMemory(heights_m))))
}

/// Where the samples of the working grid lie.
fn layout(placement: &Placement, keep: &Keep) -> Layout {
    match keep {
        Keep::Averages(downsampling) => Layout {
            rows: downsampling.rows(),
            columns: downsampling.columns(),
            west_deg: working_west(placement, downsampling.columns()),
            registration: Registration::Pixel,
        },
        _ => Layout {
            rows: placement.rows,
            columns: placement.columns,
            west_deg: placement.west_deg,
            registration: placement.registration,
        },
    }
}

/// From averages or source cells to a finished working grid; `moved` tells that its rows are not
/// yet at planetocentric latitudes. Averages are taken between such latitudes already.
fn finish(
    mut grid: Grid,
    placement: &Placement,
    moved: bool,
    averaging: PolarAveraging,
    limits: (f32, f32),
) -> Grid {
    hole_filling::fill(&mut grid);
    if moved {
        interpolation::to_centric_rows(&mut grid, placement);
        grid.heights_m.mapv_inplace(|h| h.clamp(limits.0, limits.1));
    }
    averaging.average(&mut grid);
    grid
}

fn graphic_note(placement: &Placement, reference: &Reference) -> Option<String> {
    if placement.axis_ratio_squared == 1.0 {
        return None;
    }
    // The two latitudes differ most near 45 degrees.
    let most = 45.0 - placement.centric_deg(45.0);
    let printed = if prints_own_latitudes(reference) {
        "; places are printed as on maps"
    } else {
        ""
    };
    Some(format!(
        "the file's latitudes are those of a flattened body; its rows were moved to latitudes \
         seen from the centre, by up to {most:.2}°{printed}"
    ))
}

/// Every map of Earth uses latitudes on the ellipsoid, and so do the places printed here; maps of
/// other bodies use latitudes seen from the centre.
fn prints_own_latitudes(reference: &Reference) -> bool {
    reference.body.as_deref() == Some("Earth")
}

/// Where a single raster's cells lie.
fn placement(raster: &Raster, settings: &GridSettings) -> Result<Placement> {
    match extent(raster, settings.west_deg)? {
        Some(extent) => placement::place(&extent),
        None => unplaced(raster, settings),
    }
}

/// A raster's extent in degrees; `None` when it has no coordinates.
fn extent(raster: &Raster, west_deg: Option<f64>) -> Result<Option<Extent>> {
    let Some(t) = raster.transform else {
        return Ok(None);
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
                Problem::new("the grid's map projection cannot be laid out in rows")
                    .found(format!("\"{}\" ({})", crs.name, crs.proj))
                    .allowed("latitude and longitude, or equidistant cylindrical"),
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
    let (file_west_deg, first_lat_deg, lon_step_deg, lat_step_deg) = in_degrees;
    // No body is that large: products of numbers that a file gives singly.
    if ![file_west_deg, first_lat_deg, lon_step_deg, lat_step_deg]
        .iter()
        .all(|n| n.abs() < 1e6)
    {
        return Err(Error::Grid(
            Problem::new("the file's corner and cell sizes lie on no globe")
                .found(format!(
                    "longitude {} and latitude {}, cells of {} × {} degrees",
                    values::spelled(file_west_deg),
                    values::spelled(first_lat_deg),
                    values::spelled(lon_step_deg),
                    values::spelled(lat_step_deg)
                ))
                .allowed("longitudes and latitudes")
                .next("correct the file's georeferencing"),
        ));
    }
    Ok(Some(Extent {
        columns: raster.columns,
        rows: raster.rows,
        west_deg: west_deg.unwrap_or(file_west_deg),
        first_lat_deg,
        lon_step_deg,
        lat_step_deg,
    }))
}

/// A raster without georeferencing: the settings must say where it starts.
fn unplaced(raster: &Raster, settings: &GridSettings) -> Result<Placement> {
    let (columns, rows) = (raster.columns, raster.rows);
    let Some(west) = settings.west_deg else {
        return Err(no_coordinates(raster));
    };
    let step = 360.0 / columns as f64;
    let mut placement = if columns == 2 * rows {
        Placement::global(columns, rows, west, Registration::Pixel)
    } else {
        placement::place(&Extent {
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

fn no_coordinates(raster: &Raster) -> Error {
    Error::Grid(
        Problem::new("the file does not say where on the body its cells lie")
            .found(format!(
                "{} × {} cells without coordinates",
                raster.columns, raster.rows
            ))
            .next(
                "add under [grid] west = the longitude of its western edge (often 0 or -180), \
                 radius or body, and scale and offset if its numbers are not metres",
            ),
    )
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

/// Statistics bins that fit the sample type; all tiles must agree for exact ones.
fn bins(stored: &[BandInfo], meanings: &[Meaning]) -> Bins {
    let (first, meaning) = (&stored[0], &meanings[0]);
    let Some((lo, hi)) = first.integer_range else {
        return Bins::Float;
    };
    let alike = stored
        .iter()
        .all(|s| s.integer_range == first.integer_range)
        && meanings
            .iter()
            .all(|m| (m.scale, m.shift_m) == (meaning.scale, meaning.shift_m));
    if !alike {
        return Bins::Float;
    }
    let ends = [lo, hi].map(|v| v * meaning.scale + meaning.shift_m);
    Bins::Integer {
        first_m: ends[0].min(ends[1]),
        step_m: meaning.scale.abs(),
        count: (hi - lo) as usize + 1,
    }
}

/// Keeps source cells as they are unless the images need fewer.
fn keep(placement: &Placement, request: &ReadRequest) -> Keep {
    match request
        .finest_step_deg
        .and_then(|s| working_size(placement, s))
    {
        Some((columns, rows)) => {
            let ground_deg = request.finest_step_deg.unwrap_or(0.0);
            Keep::Averages(
                Downsampling::new(placement, columns, rows).with_ground_width(ground_deg),
            )
        }
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
    settings: &GridSettings,
    placement: &Placement,
    reference: &Reference,
    meaning: &Meaning,
    statistics: Statistics,
    notes: Vec<String>,
) -> Source {
    let lat_deg = |row: usize| {
        if prints_own_latitudes(reference) {
            placement.own_lat_deg(row)
        } else {
            placement.lat_deg(row)
        }
    };
    let spot = |s: Spot| Place {
        height_m: f64::from(s.height_m),
        lat_deg: lat_deg(s.row),
        lon_deg: placement.lon_deg(s.column),
    };
    let half = match placement.registration {
        Registration::Pixel => 0.5,
        Registration::Gridline => 0.0,
    };
    Source {
        files: settings.files.iter().map(|f| base_name(f)).collect(),
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

fn constant(path: &Path, height_m: f32) -> Error {
    Error::Grid(
        Problem::new("the grid has the same height everywhere, so there is nothing to carve")
            .found(format!("{height_m} m"))
            .allowed("at least two different heights")
            .file(path),
    )
}
