//! From a raster's georeferencing, or without any, to where its cells lie.

use super::crs::Crs;
use super::open::Raster;
use super::placement::{self, Extent, Placement, degrees};
use super::refusals::named;
use super::{base_name, tiles, values};
use crate::model::error::{Error, Problem, Result};
use crate::model::grid::Registration;
use crate::model::settings::GridSettings;

/// Where the cells of one raster, or of several together, lie; and each raster's corner.
pub(super) fn located(
    rasters: &[Raster],
    settings: &GridSettings,
) -> Result<(Placement, Vec<(usize, usize)>)> {
    let axis_ratio_squared = rasters[0].crs.as_ref().map_or(1.0, Crs::axis_ratio_squared);
    if let [raster] = rasters {
        let placement = match extent(raster, settings.west_deg)? {
            Some(extent) => placement::place(&extent)?,
            None => unplaced(raster, settings)?,
        };
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
        let Some(extent) = extent(raster, None).map_err(|e| named(e, &raster.path))? else {
            return Err(named(no_coordinates(raster), &raster.path));
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

pub(super) fn no_coordinates(raster: &Raster) -> Error {
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
