//! The files of a job as one source of rows.

use super::cell::IntegerType;
use super::georeference::no_coordinates;
use super::integers::IntegerCells;
use super::open::{Raster, Rows, Tile, Tiles};
use super::placement::{Placement, degrees};
use super::refusals::named;
use super::stats::{Bins, Statistics};
use super::stream::{self, Decode, FloatCells, RowSource, Scan, Scanned};
use super::values::{self, BandInfo, Meaning};
use super::warp::{self, HeightsInMemory};
use super::{ReadRequest, sources};
use crate::model::error::Result;
use std::path::PathBuf;

/// Files held open at once; systems allow a program a thousand or so.
const MOST_OPEN: usize = 64;

/// Most numbers of a sample that all files share.
const SHARED_SAMPLE: usize = 4096;

/// Opens all files and asks what their bands say about their numbers. Many files are closed again
/// until their rows are read.
pub(super) fn open_all(files: &[PathBuf]) -> Result<(Vec<Raster>, Vec<BandInfo>)> {
    let mut rasters = Vec::with_capacity(files.len());
    let mut bands = Vec::with_capacity(files.len());
    let mut access = sources::FileAccess::new(files);
    for path in files {
        let mut raster = Raster::open(path, &mut access)?;
        bands.push(raster.band_info()?);
        if files.len() > MOST_OPEN {
            raster.close();
        }
        rasters.push(raster);
    }
    share_sample(&mut bands);
    Ok((rasters, bands))
}

/// Gives each band the sample of all, so that all are taken for the same quantity.
fn share_sample(bands: &mut [BandInfo]) {
    let alike = |a: &BandInfo, b: &BandInfo| a.scale == b.scale && a.unit == b.unit;
    if bands.len() < 2 || !bands.iter().all(|band| alike(band, &bands[0])) {
        return;
    }
    let sample: Vec<f64> = bands
        .iter()
        .flat_map(|b| b.sample.iter().copied())
        .collect();
    let step = sample.len().div_ceil(SHARED_SAMPLE).max(1);
    let sample: Vec<f64> = sample.into_iter().step_by(step).collect();
    for band in bands {
        band.sample.clone_from(&sample);
    }
}

/// Rows to stream from: one raster as stored, several as heights, or what projected rasters
/// were sampled to.
pub(super) enum Input {
    One(Box<Rows>, Decode),
    Many(Tiles),
    Warped(HeightsInMemory),
}

impl Input {
    /// From rasters whose rows are circles of latitude.
    pub fn new(
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

    /// Reads all rows once; `lower_m` is taken off each row, nothing when it is empty.
    pub fn scan(&mut self, bins: Bins, lower_m: &[f64], scan: &Scan<'_>) -> Result<Scanned> {
        let heights = |decode| FloatCells {
            bins,
            decode,
            lower_m,
        };
        match self {
            Input::One(rows, decode) => match (rows.integer_type(), bins) {
                (Some(kind), Bins::Integer { .. }) => scan_integers(rows, kind, decode, bins, scan),
                _ => stream::run(&mut **rows, &heights(decode), scan),
            },
            Input::Many(tiles) => stream::run(tiles, &heights(&Decode::None), scan),
            Input::Warped(grid) => stream::run(grid, &heights(&Decode::None), scan),
        }
    }

    /// Takes one more stored number for "no data".
    pub fn also_missing(&mut self, fill: f64) {
        let add = |rows: &mut Rows, decode: &mut Decode| {
            rows.also_missing(fill);
            decode.also_missing(fill);
        };
        match self {
            Input::One(rows, decode) => add(rows, decode),
            Input::Many(tiles) => {
                let tiles = tiles.tiles.iter_mut();
                tiles.for_each(|tile| add(&mut tile.rows, &mut tile.decode));
            }
            // Averages have no stored numbers any more.
            Input::Warped(_) => {}
        }
    }

    /// Names the number that stands for "no data" if the file does not declare one.
    pub fn name_fill(
        &mut self,
        placement: &Placement,
        statistics: &Statistics,
        band: &BandInfo,
        meaning: &Meaning,
    ) -> Result<Option<String>> {
        let (Some(row), None, Input::One(rows, _)) =
            (statistics.first_missing_row, band.nodata, self)
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
fn scan_integers(
    rows: &mut Rows,
    kind: IntegerType,
    decode: &Decode,
    bins: Bins,
    scan: &Scan<'_>,
) -> Result<Scanned> {
    match kind {
        IntegerType::U8 => stream::run(rows, &IntegerCells::<u8>::new(bins, decode), scan),
        IntegerType::U16 => stream::run(rows, &IntegerCells::<u16>::new(bins, decode), scan),
        IntegerType::I16 => stream::run(rows, &IntegerCells::<i16>::new(bins, decode), scan),
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
pub(super) fn warped(
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
            return Err(named(no_coordinates(&raster), &raster.path));
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
        projected.push(one.map_err(|e| named(e, &path))?);
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
