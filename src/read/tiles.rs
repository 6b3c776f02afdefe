//! Several files as one grid: where each lies, and whether together they cover the globe.

use super::placement::{Extent, degrees, thousandths};
use crate::model::error::{Error, Problem, Result};

/// Tiles may miss the common raster of cells by this share of a cell.
const OFF_RASTER_CELLS: f64 = 0.1;

/// Where tiles lie in their common grid.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Mosaic {
    /// The whole grid, north first, once round the globe.
    pub extent: Extent,
    /// Column and row of each tile's north-western cell; columns count round the globe.
    pub corners: Vec<(usize, usize)>,
}

/// Lays tiles out. `names` are the files' names, for messages.
pub(super) fn lay_out(tiles: &[Extent], names: &[String]) -> Result<Mosaic> {
    let first = &tiles[0];
    let (dx, dy) = (first.lon_step_deg, first.lat_step_deg.abs());
    for (tile, name) in tiles.iter().zip(names) {
        let same = |a: f64, b: f64, count: usize| (a - b).abs() * count as f64 <= 0.1 * b;
        if !same(tile.lon_step_deg, dx, tile.columns)
            || !same(tile.lat_step_deg.abs(), dy, tile.rows)
        {
            return Err(Error::Grid(
                Problem::new(format!(
                    "the tiles {} and {name} have different cells",
                    names[0]
                ))
                .found(format!(
                    "{}° by {}° and {}° by {}°",
                    degrees(dx),
                    degrees(dy),
                    degrees(tile.lon_step_deg),
                    degrees(tile.lat_step_deg.abs())
                ))
                .allowed("tiles of one resolution"),
            ));
        }
    }
    let columns = (360.0 / dx).round() as usize;
    let from_zero = |west: f64| {
        let west = (west + 180.0).rem_euclid(360.0);
        // A hair west of the start is the start.
        if 360.0 - west < OFF_RASTER_CELLS * dx {
            west - 360.0
        } else {
            west
        }
    };
    let west = tiles
        .iter()
        .map(|t| from_zero(t.west_deg))
        .fold(f64::INFINITY, f64::min)
        - 180.0;
    let north = tiles.iter().map(north_of).fold(f64::NEG_INFINITY, f64::max);
    let south = tiles.iter().map(south_of).fold(f64::INFINITY, f64::min);
    let rows = ((north - south) / dy).round() as usize;
    let mut corners = Vec::new();
    for (tile, name) in tiles.iter().zip(names) {
        let column = (tile.west_deg - west).rem_euclid(360.0) / dx;
        let row = (north - north_of(tile)) / dy;
        let off = |v: f64| (v - v.round()).abs();
        if off(column) > OFF_RASTER_CELLS || off(row) > OFF_RASTER_CELLS {
            return Err(Error::Grid(
                Problem::new(format!(
                    "the cells of {name} do not continue those of {}",
                    names[0]
                ))
                .found(format!(
                    "{} cells aside",
                    degrees(off(column).max(off(row)))
                ))
                .allowed("tiles cut from one grid"),
            ));
        }
        corners.push((column.round() as usize % columns, row.round() as usize));
    }
    check_cover(tiles, &corners, columns, rows, |column, row| {
        (north - row as f64 * dy, west + column as f64 * dx)
    })?;
    Ok(Mosaic {
        extent: Extent {
            columns,
            rows,
            west_deg: west,
            first_lat_deg: north,
            lon_step_deg: 360.0 / columns as f64,
            lat_step_deg: -dy,
        },
        corners,
    })
}

/// Northern edge of a tile.
fn north_of(tile: &Extent) -> f64 {
    tile.first_lat_deg + tile.lat_step_deg.max(0.0) * tile.rows as f64
}

/// Southern edge of a tile.
fn south_of(tile: &Extent) -> f64 {
    tile.first_lat_deg + tile.lat_step_deg.min(0.0) * tile.rows as f64
}

/// Goes through the bands of rows between tile edges; in each, the tiles must close the circle.
fn check_cover(
    tiles: &[Extent],
    corners: &[(usize, usize)],
    columns: usize,
    rows: usize,
    place: impl Fn(usize, usize) -> (f64, f64),
) -> Result<()> {
    let mut edges: Vec<usize> = tiles
        .iter()
        .zip(corners)
        .flat_map(|(t, c)| [c.1, (c.1 + t.rows).min(rows)])
        .collect();
    edges.extend([0, rows]);
    edges.sort_unstable();
    edges.dedup();
    for band in edges.windows(2) {
        let mut spans: Vec<(usize, usize)> = Vec::new();
        for (tile, corner) in tiles.iter().zip(corners) {
            if corner.1 <= band[0] && band[1] <= corner.1 + tile.rows {
                let end = corner.0 + tile.columns;
                spans.push((corner.0, end.min(columns)));
                if end > columns {
                    spans.push((0, end - columns));
                }
            }
        }
        spans.push((columns, columns));
        spans.sort_unstable();
        let mut reached = 0;
        let gap = spans.into_iter().find_map(|(start, end)| {
            let gap = (start > reached).then_some((reached, start));
            reached = reached.max(end);
            gap
        });
        if let Some((from, to)) = gap {
            let ((north, west), (south, east)) = (place(from, band[0]), place(to, band[1]));
            return Err(Error::Grid(
                Problem::new("the files together do not cover the whole globe")
                    .setting("grid.files")
                    .found(format!(
                        "nothing between latitudes {} and {}, longitudes {} and {}",
                        thousandths(south),
                        thousandths(north),
                        thousandths(west),
                        thousandths(east)
                    ))
                    .allowed("all longitudes and latitudes from pole to pole")
                    .next("add the missing tiles"),
            ));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tile(columns: usize, rows: usize, west: f64, north: f64, step: f64) -> Extent {
        Extent {
            columns,
            rows,
            west_deg: west,
            first_lat_deg: north,
            lon_step_deg: step,
            lat_step_deg: -step,
        }
    }

    fn names(count: usize) -> Vec<String> {
        (0..count).map(|i| format!("{i}.tif")).collect()
    }

    fn refusal(tiles: &[Extent]) -> String {
        lay_out(tiles, &names(tiles.len())).unwrap_err().to_string()
    }

    #[test]
    fn four_tiles_from_0_to_360_make_a_globe() {
        // Source: layout of MOLA MEGDR 64 pixels per degree: 4 tiles, named by their north and
        // west edge.
        let tiles = [
            tile(180, 90, 0.0, 90.0, 1.0),
            tile(180, 90, 180.0, 90.0, 1.0),
            tile(180, 90, 0.0, 0.0, 1.0),
            tile(180, 90, 180.0, 0.0, 1.0),
        ];
        let mosaic = lay_out(&tiles, &names(4)).unwrap();
        assert_eq!((mosaic.extent.columns, mosaic.extent.rows), (360, 180));
        assert_eq!(mosaic.extent.west_deg, -180.0);
        assert_eq!(mosaic.corners, [(180, 0), (0, 0), (180, 90), (0, 90)]);
    }

    #[test]
    fn tiles_with_shared_edges_overlap() {
        // Source: .hgt layout: samples on both edges of every tile.
        let (d, wide) = (10.0, 19);
        let tiles = [
            tile(wide, 19, -185.0, 95.0, d),
            tile(wide, 19, -5.0, 95.0, d),
        ];
        let mosaic = lay_out(&tiles, &names(2)).unwrap();
        assert_eq!((mosaic.extent.columns, mosaic.extent.rows), (36, 19));
        assert_eq!(mosaic.corners.len(), 2);
    }

    #[test]
    fn sixty_thousand_tiles_of_a_degree_make_a_globe() {
        // Source: SRTM .hgt layout: 1201 samples a side, of which neighbours share the outermost;
        // named by the centre of the south-western one.
        let half = 0.5 / 1200.0;
        let mut all: Vec<Extent> = (-180..180)
            .flat_map(|west| (-89..=90).map(move |north| (f64::from(west), f64::from(north))))
            .map(|(west, north)| tile(1201, 1201, west - half, north + half, 1.0 / 1200.0))
            .collect();
        let mosaic = lay_out(&all, &names(all.len())).unwrap();
        assert_eq!(
            (mosaic.extent.columns, mosaic.extent.rows),
            (432_000, 216_001)
        );
        // The grid starts with 179 W; 180 W, half a sample farther, closes the circle.
        assert_eq!(mosaic.corners[1], (359 * 1200, 214_800 - 1200));
        // That of 46 N 7 E is lost.
        all.remove((187 * 180) + 89 + 47);
        assert_eq!(
            refusal(&all),
            "grid: grid.files: the files together do not cover the whole globe; found nothing \
             between latitudes 46 and 47, longitudes 7 and 8; allowed: all \
             longitudes and latitudes from pole to pole; add the missing tiles"
        );
    }

    #[test]
    fn a_missing_tile_is_named_by_its_place() {
        let tiles = [
            tile(180, 90, 0.0, 90.0, 1.0),
            tile(180, 90, 180.0, 90.0, 1.0),
            tile(180, 90, 180.0, 0.0, 1.0),
        ];
        assert_eq!(
            refusal(&tiles),
            "grid: grid.files: the files together do not cover the whole globe; found nothing \
             between latitudes -90 and 0, longitudes 0 and 180; allowed: all longitudes and \
             latitudes from pole to pole; add the missing tiles"
        );
    }

    #[test]
    fn tiles_of_another_raster_are_refused() {
        let tiles = [
            tile(180, 180, -180.0, 90.0, 1.0),
            tile(180, 180, 0.5, 90.0, 1.0),
        ];
        assert_eq!(
            refusal(&tiles),
            "grid: the cells of 1.tif do not continue those of 0.tif; found 0.5 cells aside; \
             allowed: tiles cut from one grid"
        );
        let tiles = [
            tile(180, 180, -180.0, 90.0, 1.0),
            tile(90, 90, 0.0, 90.0, 2.0),
        ];
        assert_eq!(
            refusal(&tiles),
            "grid: the tiles 0.tif and 1.tif have different cells; found 1° by 1° and 2° by 2°; \
             allowed: tiles of one resolution"
        );
    }
}
