//! Grids in other map projections: sampled at the places of a plain working grid.
//!
//! For every working cell a few places inside it are projected into each file (by PROJ) and read
//! between its samples. A file finer than the working grid is first averaged in whole blocks to
//! about half the working step, so that nothing is skipped and memory stays bounded by the
//! working grid.

use super::crs::{CoordinateKind, Crs};
use super::open::Rows;
use super::placement::{Placement, degrees};
use super::stream::{Decode, RowSource};
use super::watch;
use crate::model::error::{Error, Problem, Result};
use crate::model::grid::Registration;
use crate::model::parallel;
use ndarray::Array2;
use proj::Proj;
use rayon::prelude::*;

/// Samples of one projected raster held at once: 1 GiB of heights.
const MOST_SAMPLES: usize = 1 << 28;

/// Blocks are averaged until two of them cover a working step.
const BLOCKS_PER_STEP: f64 = 2.0;

/// A projected raster in memory.
pub(super) struct ProjectedRaster {
    heights_m: Array2<f32>,
    /// From coordinates in the file's unit, or degrees, to fractional columns and rows.
    west: f64,
    north: f64,
    x_step: f64,
    y_step: f64,
    /// How places become coordinates; `None` when they are degrees already.
    definition: Option<String>,
}

/// Ground size of a raster's cells where its map is true to scale, in degrees.
pub(super) fn cell_deg(crs: &Crs, transform: &[f64; 6]) -> f64 {
    let unit = match crs.kind {
        CoordinateKind::Angles { unit_deg, .. } => return transform[1].abs() * unit_deg,
        CoordinateKind::Cylindrical { unit_m, .. } | CoordinateKind::Other { unit_m } => unit_m,
    };
    (transform[1].abs() * unit / crs.semi_major_m).to_degrees()
}

/// Reads a raster in blocks of cells for a working step.
pub(super) fn load(
    rows: &mut Rows,
    decode: &Decode,
    size: (usize, usize),
    crs: &Crs,
    transform: &[f64; 6],
    step_deg: f64,
) -> Result<ProjectedRaster> {
    let (columns, lines) = size;
    let t = transform;
    let in_degrees = crs.to_degrees(t[0], t[3], t[1], t[5]);
    let definition = in_degrees.is_none().then(|| definition(crs));
    definition.as_deref().map(projection).transpose()?;
    let block = (step_deg / cell_deg(crs, transform) / BLOCKS_PER_STEP).floor();
    let block = (block.max(1.0) as usize).min(columns.min(lines));
    let (wide, high) = (columns.div_ceil(block), lines.div_ceil(block));
    if wide * high > MOST_SAMPLES {
        return Err(Error::Grid(
            Problem::new("the projected grid is too large to be read at its full resolution")
                .found(format!("{columns} × {lines} cells"))
                .allowed(format!("{MOST_SAMPLES} cells after averaging"))
                .next("use a global latitude and longitude version of the product"),
        ));
    }
    watch::need_memory(4 * (wide * high) as u64 + 16 * (block * columns) as u64);
    let mut heights_m = Array2::from_elem((high, wide), f32::NAN);
    let mut strip = Vec::new();
    for (row, mut out) in heights_m.outer_iter_mut().enumerate() {
        let first = row * block;
        let count = block.min(lines - first);
        strip.resize(count * columns, 0.0);
        rows.read(first, &mut strip)?;
        parallel::chunks(&mut strip, columns, &|_, line| decode.apply(line));
        for (column, cell) in out.iter_mut().enumerate() {
            let (from, to) = (column * block, ((column + 1) * block).min(columns));
            let (mut sum, mut valid) = (0.0f64, 0u32);
            for line in strip.chunks(columns) {
                for &h in line[from..to].iter().filter(|h| !h.is_nan()) {
                    sum += f64::from(h);
                    valid += 1;
                }
            }
            if valid > 0 {
                *cell = (sum / f64::from(valid)) as f32;
            }
        }
    }
    let block = block as f64;
    let (west, north, x_step, y_step) = in_degrees.unwrap_or((t[0], t[3], t[1], t[5]));
    Ok(ProjectedRaster {
        heights_m,
        west,
        north,
        x_step: x_step * block,
        y_step: y_step * block,
        definition,
    })
}

/// The projection alone, from angles in radians to the file's unit.
fn definition(crs: &Crs) -> String {
    crs.proj
        .split_whitespace()
        .filter(|word| *word != "+type=crs" && *word != "+no_defs")
        .collect::<Vec<_>>()
        .join(" ")
}

/// The projection at work; it must not be taken for ground that no raster covers.
fn projection(definition: &str) -> Result<Proj> {
    Proj::new(definition).map_err(|error| {
        Error::Grid(
            Problem::new("PROJ cannot work with the grid's map projection")
                .found(format!("{definition}: {error}"))
                .next("bring the grid to latitude and longitude first, with gdalwarp for example"),
        )
    })
}

/// What a raster has at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
enum RasterSample {
    Outside,
    Missing,
    Height(f64),
}

impl ProjectedRaster {
    /// Height between four samples; `x`, `y` in the file's coordinates.
    fn at(&self, x: f64, y: f64) -> RasterSample {
        let column = (x - self.west) / self.x_step - 0.5;
        let row = (y - self.north) / self.y_step - 0.5;
        let (rows, columns) = self.heights_m.dim();
        // Outermost half cells belong to the raster.
        let inside = |v: f64, count: usize| (-0.5..=count as f64 - 0.5).contains(&v);
        if !inside(column, columns) || !inside(row, rows) {
            return RasterSample::Outside;
        }
        let clamped = |v: f64, count: usize| (v.max(0.0) as usize).min(count - 1);
        let (fx, fy) = (column - column.floor(), row - row.floor());
        let (mut sum, mut weight) = (0.0, 0.0);
        for (dy, wy) in [(0.0, 1.0 - fy), (1.0, fy)] {
            for (dx, wx) in [(0.0, 1.0 - fx), (1.0, fx)] {
                let h = self.heights_m[[
                    clamped(row.floor() + dy, rows),
                    clamped(column.floor() + dx, columns),
                ]];
                if !h.is_nan() {
                    sum += wx * wy * f64::from(h);
                    weight += wx * wy;
                }
            }
        }
        if weight < 0.5 {
            RasterSample::Missing
        } else {
            RasterSample::Height(sum / weight)
        }
    }
}

/// A working grid from rasters, NaN where they hold no data; an error where none reaches.
///
/// Where rasters overlap the first that has data counts. `placement` says what kind of latitude
/// the rasters' coordinate system has.
pub(super) fn assemble(rasters: &[ProjectedRaster], placement: &Placement) -> Result<Array2<f32>> {
    let (rows, columns) = (placement.rows, placement.columns);
    watch::need_memory(4 * (rows * columns) as u64);
    let mut heights_m = Array2::from_elem((rows, columns), f32::NAN);
    let cells = heights_m.as_slice_mut().unwrap_or_default();
    let outside: Vec<bool> = cells
        .par_chunks_mut(columns)
        .enumerate()
        .map_init(
            || -> Vec<_> {
                let definitions = rasters.iter().map(|raster| raster.definition.as_deref());
                definitions.map(|text| projection(text?).ok()).collect()
            },
            |projections, (row, line)| {
                let mut uncovered = false;
                for (column, cell) in line.iter_mut().enumerate() {
                    let mean = cell_mean(rasters, projections, placement, [row, column]);
                    uncovered |= mean.is_none();
                    *cell = mean.unwrap_or(f32::NAN);
                }
                uncovered
            },
        )
        .collect();
    check_cover(&outside, placement)?;
    Ok(heights_m)
}

/// Mean of what rasters have at places inside a working cell, NaN where that is nothing; `None`
/// where none reaches. There are as many places as blocks fit a step.
fn cell_mean(
    rasters: &[ProjectedRaster],
    projections: &[Option<Proj>],
    placement: &Placement,
    [row, column]: [usize; 2],
) -> Option<f32> {
    let shares = || {
        let places = 0..BLOCKS_PER_STEP as usize;
        places.map(|i| (i as f64 + 0.5) / BLOCKS_PER_STEP - 0.5)
    };
    let (mut sum, mut count, mut reached) = (0.0, 0u32, false);
    for share_y in shares() {
        // The working rows are even in planetocentric latitude.
        let centric_deg = 90.0 - (row as f64 + share_y + 0.5) * placement.step_lat_deg();
        let lat = placement.own_deg(centric_deg).to_radians();
        for share_x in shares() {
            let lon_deg = placement.west_deg + (column as f64 + share_x) * placement.step_lon_deg();
            match first_height(rasters, projections, lon_deg, lat) {
                RasterSample::Height(height_m) => {
                    sum += height_m;
                    count += 1;
                    reached = true;
                }
                RasterSample::Missing => reached = true,
                RasterSample::Outside => {}
            }
        }
    }
    let mean = match count {
        0 => f32::NAN,
        _ => (sum / f64::from(count)) as f32,
    };
    reached.then_some(mean)
}

/// What the first raster has that has data at a place; else the best that any has.
fn first_height(
    rasters: &[ProjectedRaster],
    projections: &[Option<Proj>],
    lon_deg: f64,
    lat: f64,
) -> RasterSample {
    let mut found = RasterSample::Outside;
    for (raster, projection) in rasters.iter().zip(projections) {
        match look(raster, projection, lon_deg, lat) {
            RasterSample::Outside => {}
            RasterSample::Missing => found = RasterSample::Missing,
            height => return height,
        }
    }
    found
}

fn look(
    raster: &ProjectedRaster,
    projection: &Option<Proj>,
    lon_deg: f64,
    lat: f64,
) -> RasterSample {
    if raster.definition.is_none() {
        let east = (lon_deg - raster.west).rem_euclid(360.0);
        return raster.at(raster.west + east, lat.to_degrees());
    }
    let Some(projection) = projection else {
        return RasterSample::Outside;
    };
    // PROJ wants longitudes within half a turn.
    let lon = ((lon_deg + 180.0).rem_euclid(360.0) - 180.0).to_radians();
    match projection.project((lon, lat), false) {
        Ok((x, y)) if x.is_finite() && y.is_finite() => raster.at(x, y),
        _ => RasterSample::Outside,
    }
}

/// Refuses a grid with rows that no file reaches, naming their latitudes.
fn check_cover(outside: &[bool], placement: &Placement) -> Result<()> {
    let Some(first) = outside.iter().position(|o| *o) else {
        return Ok(());
    };
    let length = outside[first..].iter().take_while(|o| **o).count();
    let edge = |row: usize| 90.0 - row as f64 * placement.step_lat_deg();
    Err(Error::Grid(
        Problem::new("the files do not cover the whole globe")
            .setting("grid.files")
            .found(format!(
                "nothing, or not all longitudes, between latitudes {} and {}",
                degrees(edge(first + length)),
                degrees(edge(first))
            ))
            .allowed("all longitudes and latitudes from pole to pole")
            .next("add the files that cover the rest"),
    ))
}

/// The even pixel-registered grid that rasters are sampled to.
pub(super) fn working_placement(step_deg: f64, axis_ratio_squared: f64) -> Placement {
    let half = (180.0 / step_deg - 1e-9).ceil().clamp(8.0, 60_000.0) as usize;
    Placement {
        axis_ratio_squared,
        ..Placement::global(2 * half, half, -180.0, Registration::Pixel)
    }
}

/// Rows of heights already in memory.
pub(super) struct HeightsInMemory(pub Array2<f32>);

impl RowSource<f32> for HeightsInMemory {
    fn read(&mut self, first: usize, out: &mut [f32]) -> Result<()> {
        let columns = self.0.ncols();
        for (line, row) in out.chunks_mut(columns).zip(first..) {
            for (cell, h) in line.iter_mut().zip(self.0.row(row)) {
                *cell = *h;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_projection_that_proj_rejects_is_named() {
        let text = projection("+proj=nowhere +R=1").err().unwrap().to_string();
        assert!(text.contains("found +proj=nowhere +R=1: "), "{text}");
    }
}
