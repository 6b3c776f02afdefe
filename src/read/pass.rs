//! The way from a job's files to a working grid, and to what is known about the source.

use super::downsampling::Downsampling;
use super::flatten::{self, Ellipsoid};
use super::georeference::located;
use super::hole_filling;
use super::input::{Input, open_all, warped};
use super::interpolation;
use super::memory::{Storage, StoragePolicy};
use super::open::Raster;
use super::placement::Placement;
use super::polar_averaging::PolarAveraging;
use super::reference::{self, Reference};
use super::refusals::named;
use super::stats::{Bins, Spot, Statistics};
use super::stored_grid;
use super::stream::{Keep, Kept, Scan, Scanned, ToFile};
use super::values::{self, BandInfo, Meaning};
use super::{ReadRequest, Wanted, Working, base_name, first_file, nothing_there, watch};
use crate::model::bodies::body_by_radius;
use crate::model::error::{Error, Problem, Result};
use crate::model::grid::{Grid, Hypsometry, Layout, Place, Quantity, Registration, Source};
use crate::model::progress::Progress;
use crate::model::settings::{Flattening, GridSettings};
use crate::sphere::faults;
use std::path::Path;

/// Reads a job's grid. Its rows are gone through once, and again only where the first time shows
/// that they must be.
pub(super) fn pass(
    settings: &GridSettings,
    wanted: &Wanted<'_>,
    progress: &dyn Progress,
) -> Result<(Working, Source)> {
    let path = first_file(settings)?;
    let Opened {
        rasters,
        bands,
        mut reference,
        mut meanings,
        ellipsoid,
    } = Opened::of(settings, path)?;
    let mut notes: Vec<String> = rasters.iter().flat_map(|r| r.notes.clone()).collect();
    let projected = rasters.iter().any(Raster::is_projected);
    let (mut placement, input) = if projected {
        warped(rasters, &meanings, &wanted.projected).map_err(|e| named(e, path))?
    } else {
        let (placement, corners) = located(&rasters, settings).map_err(|e| named(e, path))?;
        let input = Input::new(rasters, corners, &placement, &meanings)?;
        (placement, input)
    };
    notes.append(&mut placement.notes);
    notes.append(&mut reference.notes);

    let target = Target::of(&placement, &meanings, &wanted.request);
    let layout = target.averaging.layout;
    let to_file = match wanted.storage.choose(layout, target.all_at_once(projected)) {
        Storage::File(grid_file) => Some(ToFile {
            grid_file,
            averaging: target.averaging,
        }),
        Storage::Refused(error) => return Err(error),
        Storage::Memory => None,
    };
    watch::need_memory(pass_bytes(&placement, layout, to_file.is_some()));
    let mut scans = Scans {
        input,
        scan: Scan {
            placement: &placement,
            keep: &target.keep,
            to_file: to_file.as_ref(),
            progress,
        },
        bins: match projected {
            true => Bins::Float,
            false => bins(&bands, &meanings),
        },
        lower_m: Vec::new(),
    };
    let (band, meaning) = (&bands[0], &mut meanings[0]);
    let scanned = scans.heights(ellipsoid.as_ref(), band, meaning, &mut notes)?;
    let (Some(statistics), kept) = scanned else {
        return Err(nothing_there(path));
    };
    if statistics.min.height_m == statistics.max.height_m {
        return Err(constant(path, statistics.min.height_m));
    }
    let kept = scans.in_memory_if_holes(kept, wanted.storage, layout)?;
    notes.extend(graphic_note(&placement, &reference));
    notes.extend(meaning.notes.iter().cloned());
    let fill = scans
        .input
        .name_fill(&placement, &statistics, band, meaning);
    notes.extend(fill?);
    notes.dedup();
    drop(scans);
    watch::libraries_done();

    let kept = kept.ok_or_else(|| nothing_there(path))?;
    let working = target.finish(kept, &placement, &statistics)?;
    if !target.relief {
        let cells = placement.columns as u64 * placement.rows as u64 - statistics.missing;
        notes.extend(faults(&working, &statistics.hypsometry, cells)?);
    }
    let source = source(settings, &placement, &reference, meaning, statistics, notes);
    Ok((working, source))
}

/// A job's files, opened, and what their numbers mean.
struct Opened {
    rasters: Vec<Raster>,
    bands: Vec<BandInfo>,
    reference: Reference,
    meanings: Vec<Meaning>,
    /// Whose flattening is to be taken out.
    ellipsoid: Option<Ellipsoid>,
}

impl Opened {
    /// `path` is the first of them.
    fn of(settings: &GridSettings, path: &Path) -> Result<Opened> {
        let named_first = |e| named(e, path);
        let (rasters, bands) = open_all(&settings.files)?;
        let reference = reference::settle(settings, &rasters[0]).map_err(named_first)?;
        for raster in &rasters[1..] {
            reference::settle(settings, raster).map_err(|e| named(e, &raster.path))?;
        }
        let meaning = |band| values::settle(settings, band, reference.radius_m);
        let meanings: Result<_> = bands.iter().map(meaning).collect();
        let meanings = meanings.map_err(named_first)?;
        let ellipsoid = match settings.flattening {
            Flattening::Keep => None,
            Flattening::Remove => {
                Some(flatten::ellipsoid(&rasters[0], &reference).map_err(named_first)?)
            }
        };
        Ok(Opened {
            rasters,
            bands,
            reference,
            meanings,
            ellipsoid,
        })
    }
}

/// A source that is gone through as often as it takes.
struct Scans<'a> {
    input: Input,
    scan: Scan<'a>,
    bins: Bins,
    /// Metres to take off each row, none when empty.
    lower_m: Vec<f64>,
}

impl Scans<'_> {
    /// Statistics and heights; above an ellipsoid, if it is to be taken out.
    fn heights(
        &mut self,
        ellipsoid: Option<&Ellipsoid>,
        band: &BandInfo,
        meaning: &mut Meaning,
        notes: &mut Vec<String>,
    ) -> Result<Scanned> {
        let Some(ellipsoid) = ellipsoid else {
            return self.as_stored(self.scan.keep, band, meaning, notes);
        };
        // Fill values are looked for in the numbers as they are.
        self.as_stored(&Keep::Nothing, band, meaning, notes)?;
        let radius_m = meaning.radius_m.unwrap_or(ellipsoid.equator_m);
        notes.push(ellipsoid.note(radius_m));
        self.lower_m = ellipsoid.above_sphere_m(self.scan.placement, radius_m);
        self.bins = Bins::Float;
        self.input.scan(self.bins, &self.lower_m, &self.scan)
    }

    /// Takes the numbers as they are; once more, if one of them turns out to be a fill value that
    /// the file does not declare.
    fn as_stored(
        &mut self,
        keep: &Keep,
        band: &BandInfo,
        meaning: &mut Meaning,
        notes: &mut Vec<String>,
    ) -> Result<Scanned> {
        let scan = Scan { keep, ..self.scan };
        let scanned = self.input.scan(self.bins, &[], &scan)?;
        let found = scanned.0.as_ref();
        let Some(suspected) = found.and_then(|found| values::undeclared(found, band, meaning))
        else {
            return Ok(scanned);
        };
        notes.push(suspected.note);
        match (suspected.fill, &self.input) {
            // Averages have no stored numbers any more.
            (None, _) | (_, Input::Warped(_)) => Ok(scanned),
            (Some(fill), _) => {
                self.input.also_missing(fill);
                meaning.missing.values.push(fill);
                self.input.scan(self.bins, &[], &scan)
            }
        }
    }

    /// Heights in a file that have holes, in memory: filling a hole looks at the whole grid.
    fn in_memory_if_holes(
        &mut self,
        kept: Option<Kept>,
        storage: &StoragePolicy,
        layout: Layout,
    ) -> Result<Option<Kept>> {
        match kept {
            Some(Kept::Stored(writer)) if writer.has_holes() => {
                if let Storage::Refused(error) = storage.choose(layout, Some("to fill its holes")) {
                    return Err(error);
                }
                let scan = Scan {
                    to_file: None,
                    ..self.scan
                };
                Ok(self.input.scan(self.bins, &self.lower_m, &scan)?.1)
            }
            kept => Ok(kept),
        }
    }
}

/// The working grid that is made of a source.
struct Target {
    keep: Keep,
    averaging: PolarAveraging,
    /// Source rows that have to be moved to other latitudes.
    moved: bool,
    /// Relief that knows its surroundings, and is as it is.
    relief: bool,
}

impl Target {
    fn of(placement: &Placement, meanings: &[Meaning], request: &ReadRequest) -> Target {
        let keep = keep(placement, request);
        let relief = meanings.iter().any(|m| m.quantity == Quantity::Relief);
        // Averages are as wide on the ground as a pixel already, and so is relief that was kept.
        let step_deg = match keep {
            Keep::Averages(_) => None,
            Keep::All if relief => None,
            _ => request.finest_step_deg,
        };
        Target {
            averaging: PolarAveraging {
                layout: layout(placement, &keep),
                step_deg,
            },
            // Averages are taken between planetocentric latitudes already.
            moved: placement.axis_ratio_squared != 1.0 && !matches!(keep, Keep::Averages(_)),
            keep,
            relief,
        }
    }

    /// What all of the grid is needed for at once, if it is.
    fn all_at_once(&self, projected: bool) -> Option<&'static str> {
        match (projected, self.moved) {
            (true, _) => Some("to turn it from another map projection"),
            (_, true) => Some("to move its rows to latitudes seen from the centre"),
            _ if self.relief => Some("to be carved as the finished relief that it is"),
            _ => None,
        }
    }

    /// From averages or source cells to a finished working grid.
    fn finish(
        &self,
        kept: Kept,
        placement: &Placement,
        statistics: &Statistics,
    ) -> Result<Working> {
        let heights_m = match kept {
            Kept::Stored(writer) => return Ok(Working::Stored(writer.finish()?)),
            Kept::Held(heights_m) => heights_m,
        };
        let Layout {
            west_deg,
            registration,
            ..
        } = self.averaging.layout;
        let mut grid = Grid {
            heights_m,
            west_deg,
            registration,
        };
        hole_filling::fill(&mut grid);
        if self.moved {
            let (lowest, highest) = (statistics.min.height_m, statistics.max.height_m);
            interpolation::to_centric_rows(&mut grid, placement);
            grid.heights_m.mapv_inplace(|h| h.clamp(lowest, highest));
        }
        self.averaging.average(&mut grid);
        Ok(Working::Held(grid))
    }
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

/// Where the samples of the working grid lie.
fn layout(placement: &Placement, keep: &Keep) -> Layout {
    match keep {
        Keep::Averages(downsampling) => Layout {
            rows: downsampling.rows(),
            columns: downsampling.columns(),
            west_deg: working_west(placement, downsampling.columns()),
            registration: Registration::Pixel,
        },
        _ => placement.layout(),
    }
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

/// Statistics bins that fit the sample type; all tiles must agree for exact ones.
fn bins(bands: &[BandInfo], meanings: &[Meaning]) -> Bins {
    let meaning = &meanings[0];
    let Some(integers) = bands[0].integers else {
        return Bins::Float;
    };
    let linear = |m: &Meaning| (m.scale, m.shift_m);
    let alike = bands.iter().all(|band| band.integers == Some(integers))
        && meanings.iter().all(|m| linear(m) == linear(meaning));
    if !alike {
        return Bins::Float;
    }
    let (lo, hi) = integers.range();
    let ends = [lo, hi].map(|v| v * meaning.scale + meaning.shift_m);
    Bins::Integer {
        first_m: ends[0].min(ends[1]),
        step_m: meaning.scale.abs(),
        count: (hi - lo) as usize + 1,
    }
}

/// Keeps source cells as they are unless the images need fewer.
fn keep(placement: &Placement, request: &ReadRequest) -> Keep {
    let averages = request.finest_step_deg.and_then(|step_deg| {
        let (columns, rows) = working_size(placement, step_deg)?;
        Some(Downsampling::new(placement, columns, rows).with_ground_width(step_deg))
    });
    averages.map_or(Keep::All, Keep::Averages)
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

fn constant(path: &Path, height_m: f32) -> Error {
    Error::Grid(
        Problem::new("the grid has the same height everywhere, so there is nothing to carve")
            .found(format!("{height_m} m"))
            .allowed("at least two different heights")
            .file(path),
    )
}
