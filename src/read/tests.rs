//! Whole files through GDAL: fixtures written here, and real open grids.

use super::input::open_all;
use super::*;
use crate::model::grid::{Quantity, Registration};
use crate::model::progress::Silent;
use crate::model::settings::Flattening;
use crate::sphere::faults;
use approx::assert_abs_diff_eq;
use gdal::DriverManager;
use gdal::raster::{Buffer, GdalType, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use std::path::PathBuf;
use tempfile::TempDir;

/// A raster to write; cells from a function of (row, column).
struct Fixture {
    columns: usize,
    rows: usize,
    transform: Option<[f64; 6]>,
    crs: Option<&'static str>,
    scale: Option<f64>,
    offset: Option<f64>,
    nodata: Option<f64>,
    options: &'static [&'static str],
    driver: &'static str,
    bands: usize,
}

impl Fixture {
    /// Cells in degrees from a western edge, north first.
    fn degrees(columns: usize, rows: usize, west: f64) -> Fixture {
        let (dx, dy) = (360.0 / columns as f64, 180.0 / rows as f64);
        Fixture {
            columns,
            rows,
            transform: Some([west, dx, 0.0, 90.0, 0.0, -dy]),
            crs: None,
            scale: None,
            offset: None,
            nodata: None,
            options: &[],
            driver: "GTiff",
            bands: 1,
        }
    }

    fn write<T: GdalType + Copy>(
        &self,
        dir: &TempDir,
        name: &str,
        cell: impl Fn(usize, usize) -> T,
    ) -> PathBuf {
        let path = dir.path().join(name);
        let driver = DriverManager::get_driver_by_name(self.driver).unwrap();
        let options = RasterCreationOptions::from_iter(self.options.iter().copied());
        let mut dataset = driver
            .create_with_band_type_with_options::<T, _>(
                &path,
                self.columns,
                self.rows,
                self.bands,
                &options,
            )
            .unwrap();
        if let Some(transform) = self.transform {
            dataset.set_geo_transform(&transform).unwrap();
        }
        if let Some(crs) = self.crs {
            let reference = SpatialRef::from_definition(crs).unwrap();
            dataset.set_spatial_ref(&reference).unwrap();
        }
        let mut band = dataset.rasterband(1).unwrap();
        if let Some(scale) = self.scale {
            band.set_scale(scale).unwrap();
        }
        if let Some(offset) = self.offset {
            band.set_offset(offset).unwrap();
        }
        if self.nodata.is_some() {
            band.set_no_data_value(self.nodata).unwrap();
        }
        let cells = (0..self.rows * self.columns)
            .map(|i| cell(i / self.columns, i % self.columns))
            .collect();
        let mut buffer = Buffer::new((self.columns, self.rows), cells);
        band.write((0, 0), (self.columns, self.rows), &mut buffer)
            .unwrap();
        dataset.close().unwrap();
        path
    }
}

fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}

fn job(path: &Path) -> GridSettings {
    GridSettings {
        files: vec![path.to_owned()],
        ..GridSettings::default()
    }
}

fn read_all(settings: &GridSettings) -> Reading {
    read(settings, &ReadRequest::default(), &Silent).unwrap()
}

fn refusal(settings: &GridSettings) -> String {
    let error = read(settings, &ReadRequest::default(), &Silent).unwrap_err();
    let text = error.to_string();
    // Fixtures live in a folder with a new name each time.
    match text.rfind(" (/") {
        Some(at) => text[..at].to_owned(),
        None => text,
    }
}

/// A bump on a slope: one highest and one lowest cell.
fn bump(row: usize, column: usize) -> f64 {
    match (row, column) {
        (3, 5) => 900.0,
        (14, 30) => -700.0,
        _ => 40.0 * row as f64 + 0.25 * column as f64,
    }
}

#[test]
fn any_longitude_start_puts_the_summit_in_its_place() {
    let dir = folder();
    for west in [-180.0, 0.0, 150.0] {
        let path = Fixture::degrees(36, 18, west).write(&dir, "a.tif", |r, c| bump(r, c) as f32);
        let Reading { grid, source } = read_all(&job(&path));
        assert_eq!(source.max.height_m, 900.0);
        assert_eq!(source.max.lat_deg, 55.0);
        assert_eq!(source.max.lon_deg, (west + 55.0).rem_euclid(360.0));
        assert_eq!(source.min.lat_deg, -55.0);
        assert_eq!(source.west_deg, west.rem_euclid(360.0));
        assert_eq!(grid.heights_m[[3, 5]], 900.0);
        assert_eq!(grid.lon_deg(5), source.max.lon_deg);
        assert_eq!(grid.lat_deg(3), 55.0);
        assert_eq!(source.registration, Registration::Pixel);
        assert_eq!(source.files, ["a.tif"]);
    }
}

#[test]
fn every_sample_type_scale_and_offset_gives_metres() {
    fn check<T: GdalType + Copy>(cell: impl Fn(f64) -> T, scale: f64, offset: f64) {
        let dir = folder();
        let fixture = Fixture {
            scale: Some(scale),
            offset: Some(offset),
            ..Fixture::degrees(36, 18, 0.0)
        };
        let path = fixture.write(&dir, "a.tif", |r, c| cell((bump(r, c) - offset) / scale));
        let Reading { grid, source } = read_all(&job(&path));
        assert_eq!((source.min.height_m, source.max.height_m), (-700.0, 900.0));
        assert_eq!((source.scale, source.offset), (scale, offset));
        let step = scale.min(10.0) as f32;
        assert_abs_diff_eq!(grid.heights_m[[17, 34]], 688.5, epsilon = step / 2.0);
    }
    check::<i16>(|v| v.round() as i16, 0.5, 0.0);
    check::<u16>(|v| v.round() as u16, 0.25, -8000.0);
    check::<i32>(|v| v.round() as i32, 0.25, 0.0);
    check::<u32>(|v| v.round() as u32, 0.25, -1000.0);
    check::<f32>(|v| v as f32, 1.0, 0.0);
    check::<f64>(|v| v, 1.0, 100.0);
    check::<u8>(|v| v.round() as u8, 10.0, -1000.0);
}

#[test]
fn metres_on_a_sphere_name_the_body() {
    let dir = folder();
    let step = 3_396_190f64.to_radians() * 10.0;
    let path = Fixture {
        transform: Some([-18.0 * step, step, 0.0, 9.0 * step, 0.0, -step]),
        crs: Some("+proj=eqc +R=3396190 +units=m +no_defs"),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "mars.tif", |r, c| bump(r, c) as i16);
    let source = read_all(&job(&path)).source;
    assert_eq!(source.body.as_deref(), Some("Mars"));
    assert_eq!(source.reference_radius_m, Some(3_396_190.0));
    assert_eq!((source.max.lat_deg, source.max.lon_deg), (55.0, 235.0));

    let moon = GridSettings {
        body: Some("moon".to_owned()),
        ..job(&path)
    };
    assert_eq!(
        refusal(&moon),
        "grid: grid.body and the grid's coordinate system speak of different bodies; found \
         1737400 m (Moon) and 3396190 m (Mars); allowed: two radii within 0.5 % of each other, \
         or of one body; correct the setting, or write the right coordinate system into the file"
    );
    let mean = GridSettings {
        radius_m: Some(3_389_500.0),
        ..job(&path)
    };
    let source = read_all(&mean).source;
    assert_eq!(source.reference_radius_m, Some(3_389_500.0));
    assert_eq!(
        source.notes,
        [
            "grid.radius has a radius of 3389500 m, the grid's coordinate system 3396190 m: two \
          reference surfaces of one body; the first is used"
        ]
    );
}

#[test]
fn an_unknown_body_is_a_job_error() {
    let dir = folder();
    let path = Fixture::degrees(36, 18, 0.0).write(&dir, "a.tif", |r, c| bump(r, c) as f32);
    let settings = GridSettings {
        body: Some("Kolob".to_owned()),
        ..job(&path)
    };
    let error = read(&settings, &ReadRequest::default(), &Silent).unwrap_err();
    assert_eq!(error.exit_code(), 3);
    assert!(error.to_string().starts_with(
        "job: grid.body: the body is not in the table of known bodies; found \"Kolob\"; allowed: \
         Mercury, Venus, Earth"
    ));
    let settings = GridSettings {
        radius_m: Some(5e5),
        ..settings
    };
    assert_eq!(read_all(&settings).source.body.as_deref(), Some("Kolob"));
}

#[test]
fn radii_become_heights_above_the_reference_radius() {
    let dir = folder();
    let path = Fixture {
        crs: Some("+proj=longlat +R=1737400 +no_defs"),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "r.tif", |r, c| bump(r, c) + 1_737_400.0);
    let source = read_all(&job(&path)).source;
    assert_eq!(source.quantity, Quantity::Radius);
    assert_eq!((source.min.height_m, source.max.height_m), (-700.0, 900.0));
    // A setting overrides the guess.
    let source = read_all(&GridSettings {
        quantity: Some(Quantity::Elevation),
        ..job(&path)
    })
    .source;
    assert_eq!(source.max.height_m, 1_738_300.0);
}

#[test]
fn the_moons_offset_is_not_added() {
    let dir = folder();
    let path = Fixture {
        scale: Some(0.5),
        offset: Some(1_737_400.0),
        ..Fixture::degrees(36, 18, -180.0)
    }
    .write(&dir, "ldem.tif", |r, c| (2.0 * bump(r, c)) as i16);
    let source = read_all(&job(&path)).source;
    assert_eq!((source.min.height_m, source.max.height_m), (-700.0, 900.0));
    assert_eq!(source.body.as_deref(), Some("Moon"));
}

#[test]
fn a_gridline_grid_loses_its_repeated_column() {
    let dir = folder();
    let fixture = Fixture {
        columns: 37,
        rows: 19,
        transform: Some([-185.0, 10.0, 0.0, 95.0, 0.0, -10.0]),
        ..Fixture::degrees(36, 18, 0.0)
    };
    let cell = |r: usize, c: usize| match r {
        0 => 10.0,
        18 => -20.0,
        _ => bump(r, c % 36) as f32,
    };
    let path = fixture.write(&dir, "g.tif", cell);
    let Reading { grid, source } = read_all(&job(&path));
    assert_eq!((source.width, source.height), (36, 19));
    assert_eq!(source.registration, Registration::Gridline);
    assert_eq!((source.max.lat_deg, source.max.lon_deg), (60.0, 230.0));
    assert_eq!((source.west_deg, source.north_deg), (180.0, 90.0));
    assert_eq!((grid.lat_deg(0), grid.lon_deg(0)), (90.0, 180.0));
    assert_eq!(
        source.notes,
        ["the last column repeats the first (longitude -180 to 180) and is left out"]
    );

    let path = fixture.write(&dir, "g2.tif", |r, c| bump(r, c) as f32);
    assert_eq!(
        refusal(&job(&path)),
        "grid: the grid is one column too wide, yet its last column differs from its first; \
         found 37 columns of 10°; allowed: 360° of longitude, or a last column equal to the \
         first; check the cell size written in the file"
    );
}

#[test]
fn south_first_rows_are_turned_round() {
    let dir = folder();
    let path = Fixture {
        transform: Some([0.0, 10.0, 0.0, -90.0, 0.0, 10.0]),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "s.tif", |r, c| bump(17 - r, c) as f32);
    let Reading { grid, source } = read_all(&job(&path));
    assert_eq!(source.max.lat_deg, 55.0);
    assert_eq!(grid.heights_m[[3, 5]], 900.0);
    assert_eq!(grid.heights_m[[17, 0]], 680.0);
}

#[test]
fn a_netcdf_is_read_like_a_geotiff() {
    let dir = folder();
    let path = Fixture {
        driver: "netCDF",
        crs: Some("EPSG:4326"),
        ..Fixture::degrees(36, 18, 20.0)
    }
    .write(&dir, "a.nc", |r, c| bump(r, c) as f32);
    let source = read_all(&job(&path)).source;
    assert_eq!((source.max.height_m, source.max.lon_deg), (900.0, 75.0));
    assert_eq!(source.body.as_deref(), Some("Earth"));
}

#[test]
fn compressed_tiles_and_big_files_read_the_same() {
    let dir = folder();
    let options: &[&[&str]] = &[
        &[
            "TILED=YES",
            "BLOCKXSIZE=16",
            "BLOCKYSIZE=16",
            "COMPRESS=DEFLATE",
            "PREDICTOR=2",
        ],
        &["BIGTIFF=YES", "COMPRESS=LZW"],
        &["BLOCKYSIZE=1"],
    ];
    for options in options {
        let path = Fixture {
            options,
            ..Fixture::degrees(72, 36, 0.0)
        }
        .write(&dir, "t.tif", |r, c| (r * 100 + c) as i16);
        let grid = read_all(&job(&path)).grid;
        for ((r, c), &h) in grid.heights_m.indexed_iter() {
            assert_eq!(h, (r * 100 + c) as f32);
        }
    }
}

#[test]
fn holes_are_filled_and_counted() {
    let dir = folder();
    let hole = |r: usize, c: usize| (5..9).contains(&r) && (10..14).contains(&c);
    let cells =
        |fill: f32| move |r: usize, c: usize| if hole(r, c) { fill } else { bump(r, c) as f32 };
    for (name, fill, nodata, spelled) in [
        ("declared", -9999.0, Some(-9999.0), ""),
        ("nan", f32::NAN, None, "NaN"),
        ("inf", f32::INFINITY, None, "inf"),
        ("noaa", -1e34, None, "-1.000e34"),
        ("netcdf", 9.969_21e36, None, "9.969e36"),
    ] {
        let path = Fixture {
            nodata,
            ..Fixture::degrees(36, 18, 0.0)
        }
        .write(&dir, "h.tif", cells(fill));
        let Reading { grid, source } = read_all(&job(&path));
        let notes: &[String] = match spelled {
            "" => &[],
            spelled => &[format!(
                "the file declares no fill value; {spelled} was taken for \"no data\""
            )],
        };
        assert_eq!(source.notes, notes);
        assert_eq!(source.filled_cells, 16, "{name}");
        assert_eq!(
            (source.min.height_m, source.max.height_m),
            (-700.0, 900.0),
            "{name}"
        );
        assert!(grid.heights_m.iter().all(|h| h.is_finite()), "{name}");
        let band = 40f64.to_radians().sin() - 0.0;
        assert_abs_diff_eq!(source.filled_share, 0.5 * band * 4.0 / 36.0, epsilon = 1e-9);
    }
}

#[test]
fn a_fill_code_that_no_one_declared_is_found_and_named() {
    let dir = folder();
    let hole = |r: usize, c: usize| r == 9 && c < 12;
    let fixture = Fixture::degrees(36, 18, 0.0);
    let path = fixture.write(&dir, "f.tif", |r, c| {
        if hole(r, c) {
            -9999.0
        } else {
            bump(r, c) as f32
        }
    });
    let source = read_all(&job(&path)).source;
    assert_eq!((source.min.height_m, source.filled_cells), (-700.0, 12));
    assert!(
        source.notes[0].starts_with("the stored number -9999 covers 2.8"),
        "{:?}",
        source.notes
    );
    // Whole numbers, scaled; a code at the upper end.
    let path = Fixture {
        scale: Some(0.1),
        ..fixture
    }
    .write(&dir, "i.tif", |r, c| {
        if hole(r, c) {
            32767
        } else {
            (10.0 * bump(r, c)) as i16
        }
    });
    let source = read_all(&job(&path)).source;
    assert_eq!((source.max.height_m, source.filled_cells), (900.0, 12));
    // A number that is no known code is pointed out and kept.
    let path = Fixture::degrees(36, 18, 0.0).write(&dir, "o.tif", |r, c| {
        if hole(r, c) {
            -5432.0
        } else {
            bump(r, c) as f32
        }
    });
    let source = read_all(&job(&path)).source;
    assert_eq!((source.min.height_m, source.filled_cells), (-5432.0, 0));
    assert!(
        source.notes[0].ends_with(
            "and the next is -700 m: if it stands for \"no data\", add nodata = -5432 under [grid]"
        ),
        "{:?}",
        source.notes
    );
}

#[test]
fn tiles_given_together_are_one_grid() {
    let dir = folder();
    let mut files = Vec::new();
    for (i, (row, column)) in [(0, 0), (0, 18), (9, 0), (9, 18)].into_iter().enumerate() {
        let tile = Fixture {
            columns: 18,
            rows: 9,
            transform: Some([
                10.0 * column as f64,
                10.0,
                0.0,
                90.0 - 10.0 * row as f64,
                0.0,
                -10.0,
            ]),
            ..Fixture::degrees(36, 18, 0.0)
        };
        files.push(tile.write(&dir, &format!("{i}.tif"), |r, c| {
            bump(row + r, column + c) as i16
        }));
    }
    let whole = Fixture::degrees(36, 18, 0.0).write(&dir, "whole.tif", |r, c| bump(r, c) as i16);
    let settings = GridSettings {
        files: files.clone(),
        ..GridSettings::default()
    };
    let (tiled, whole) = (read_all(&settings), read_all(&job(&whole)));
    assert_eq!(tiled.source.max, whole.source.max);
    assert_eq!(tiled.source.min, whole.source.min);
    assert_eq!(tiled.source.files, ["0.tif", "1.tif", "2.tif", "3.tif"]);
    assert_eq!(tiled.source.notes, ["4 files were joined into one grid"]);
    for column in 0..36 {
        let turned = (column + 18) % 36;
        assert_eq!(tiled.grid.lon_deg(turned), whole.grid.lon_deg(column));
        assert_eq!(
            tiled.grid.heights_m.column(turned),
            whole.grid.heights_m.column(column)
        );
    }
    let settings = GridSettings {
        files: files[..3].to_vec(),
        ..settings
    };
    assert!(
        refusal(&settings).starts_with(
            "grid: grid.files: the files together do not cover the whole globe; found nothing \
             between latitudes -90 and 0, longitudes 180 and 360"
        ) || refusal(&settings).contains("longitudes -180 and 0"),
        "{}",
        refusal(&settings)
    );
}

#[test]
fn latitudes_on_an_ellipsoid_move_to_the_centres() {
    let dir = folder();
    // A height that is the sine of the planetocentric latitude, on rows even in geodetic latitude.
    let axis_ratio_squared = (6_356_752.314_2f64 / 6_378_137.0).powi(2);
    let path = Fixture {
        crs: Some("EPSG:4326"),
        ..Fixture::degrees(360, 180, -180.0)
    }
    .write(&dir, "e.tif", |r, _| {
        let geodetic = (89.5 - r as f64).to_radians();
        (1000.0 * (axis_ratio_squared * geodetic.tan()).atan().sin()) as f32
    });
    for step in [None, Some(0.5), Some(3.0)] {
        let request = ReadRequest {
            finest_step_deg: step,
        };
        let Reading { grid, source } = read(&job(&path), &request, &Silent).unwrap();
        for row in 1..grid.rows() - 1 {
            // Area mean of a sine between two latitudes: the mean of their sines.
            let half = 0.5 * grid.step_lat_deg();
            let sine = |lat: f64| lat.to_radians().sin();
            let (n, s) = (grid.lat_deg(row) + half, grid.lat_deg(row) - half);
            let wanted = 500.0 * (sine(n) + sine(s));
            assert_abs_diff_eq!(f64::from(grid.heights_m[[row, 7]]), wanted, epsilon = 0.1);
        }
        // Maps of Earth print geodetic latitudes.
        assert_eq!(source.max.lat_deg, 89.5);
        assert_eq!(
            source.notes,
            [
                "the file's latitudes are those of a flattened body; its rows were moved to \
              latitudes seen from the centre, by up to 0.19°; places are printed as on maps"
            ]
        );
    }
}

/// Maps in metres of a flattened body: where a row lies is said by PROJ's own inverse of the same
/// coordinate system (general-purpose reference library).
#[test]
fn maps_in_metres_of_a_flattened_body_lie_where_proj_puts_them() {
    const CRS: &str = "+proj=eqc +lon_0=180 +a=3396190 +b=3376200 +units=m +no_defs";
    let (equator_m, polar_m) = (3_396_190.0_f64, 3_376_200.0_f64);
    let step_m = equator_m.to_radians();
    let inverse = proj::Proj::new(CRS).unwrap();
    let axis_ratio_squared = (polar_m / equator_m).powi(2);
    // The sine of the latitude seen from the centre, and a wave along each row.
    let height_m = |row: usize, column: usize| {
        let (x, y) = (
            (column as f64 - 179.5) * step_m,
            (89.5 - row as f64) * step_m,
        );
        let (lon_rad, geodetic_rad) = inverse.project((x, y), true).unwrap();
        1000.0 * (axis_ratio_squared * geodetic_rad.tan()).atan().sin() + 300.0 * lon_rad.sin()
    };
    let dir = folder();
    let path = Fixture {
        transform: Some([-180.0 * step_m, step_m, 0.0, 90.0 * step_m, 0.0, -step_m]),
        crs: Some(CRS),
        ..Fixture::degrees(360, 180, 0.0)
    }
    .write(&dir, "e.tif", |r, c| height_m(r, c) as f32);
    let request = ReadRequest {
        finest_step_deg: Some(0.5),
    };
    let Reading { grid, source } = read(&job(&path), &request, &Silent).unwrap();
    assert_eq!(source.body.as_deref(), Some("Mars"));
    let sine = |deg: f64| deg.to_radians().sin();
    // Nearer to the poles cells are averaged along the row.
    for row in (1..grid.rows() - 1).filter(|&row| grid.lat_deg(row).abs() < 59.0) {
        for column in [0, 100, 359] {
            let half = 0.5 * grid.step_lat_deg();
            let (n, s) = (grid.lat_deg(row) + half, grid.lat_deg(row) - half);
            let wanted = 500.0 * (sine(n) + sine(s)) + 300.0 * sine(grid.lon_deg(column));
            assert_abs_diff_eq!(
                f64::from(grid.heights_m[[row, column]]),
                wanted,
                epsilon = 0.2
            );
        }
    }
    assert_eq!(
        source.notes,
        [
            "the file's latitudes are those of a flattened body; its rows were moved to \
              latitudes seen from the centre, by up to 0.34°"
        ]
    );
}

/// Smooth over the whole sphere.
fn smooth(lat_deg: f64, lon_deg: f64) -> f64 {
    let d = crate::model::geometry::direction(lat_deg, lon_deg);
    2000.0 * (2.0 * d.x - d.y).sin() + 1500.0 * d.z * d.x + 800.0 * d.y
}

/// A polar stereographic square around one pole, holding the smooth field.
///
/// Formulas: Snyder, USGS Professional Paper 1395, eqs. 21-5 to 21-12 with k0 = 1: distance from
/// the pole 2R·tan(45° − |φ|/2), longitude 0 straight down in the north, straight up in the south.
fn polar(dir: &TempDir, name: &str, north: bool, reach_deg: f64) -> PathBuf {
    let radius = 3_396_000.0;
    let half = 2.0 * radius * (0.5 * reach_deg.to_radians()).tan();
    let (cells, crs) = (
        400,
        if north {
            "+proj=stere +lat_0=90 +lon_0=0 +R=3396000 +units=m +no_defs"
        } else {
            "+proj=stere +lat_0=-90 +lon_0=0 +R=3396000 +units=m +no_defs"
        },
    );
    let step = 2.0 * half / cells as f64;
    Fixture {
        columns: cells,
        rows: cells,
        transform: Some([-half, step, 0.0, half, 0.0, -step]),
        crs: Some(crs),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(dir, name, |r, c| {
        let x = -half + (c as f64 + 0.5) * step;
        let y = half - (r as f64 + 0.5) * step;
        let away = 2.0 * (x.hypot(y) / (2.0 * radius)).atan().to_degrees();
        let sign = if north { 1.0 } else { -1.0 };
        let lon = x.atan2(-sign * y).to_degrees();
        smooth(sign * (90.0 - away), lon) as f32
    })
}

#[test]
fn polar_maps_that_cover_the_globe_together_are_one_grid() {
    let dir = folder();
    let files = vec![
        polar(&dir, "north.tif", true, 92.0),
        polar(&dir, "south.tif", false, 92.0),
    ];
    let settings = GridSettings {
        files,
        ..GridSettings::default()
    };
    for step in [None, Some(2.0)] {
        let request = ReadRequest {
            finest_step_deg: step,
        };
        let Reading { grid, source } = read(&settings, &request, &Silent).unwrap();
        assert_eq!(source.body.as_deref(), Some("Mars"));
        assert_eq!(source.filled_cells, 0);
        for row in (1..grid.rows() - 1).step_by(7) {
            for column in (0..grid.columns()).step_by(11) {
                let wanted = smooth(grid.lat_deg(row), grid.lon_deg(column));
                // 0.2 % of the range: working cells are means over 2 degrees of ground.
                assert_abs_diff_eq!(
                    f64::from(grid.heights_m[[row, column]]),
                    wanted,
                    epsilon = 10.0
                );
            }
        }
    }
    let north = GridSettings {
        files: settings.files[..1].to_vec(),
        ..settings
    };
    let message = refusal(&north);
    assert!(
        message.starts_with(
            "grid: grid.files: the files do not cover the whole globe; found nothing, or not all \
             longitudes, between latitudes -90 and "
        ),
        "{message}"
    );
}

#[test]
fn a_sinusoidal_globe_is_read_through_proj() {
    let dir = folder();
    let radius = 1_737_400.0;
    let degree = std::f64::consts::PI * radius / 180.0;
    let path = Fixture {
        columns: 360,
        rows: 180,
        transform: Some([-180.0 * degree, degree, 0.0, 90.0 * degree, 0.0, -degree]),
        crs: Some("+proj=sinu +lon_0=0 +R=1737400 +units=m +no_defs"),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "s.tif", |r, c| {
        // Snyder, eqs. 30-5 and 30-6: x = Rλ cos φ, y = Rφ.
        let lat = 89.5 - r as f64;
        let lon = (c as f64 - 179.5) / lat.to_radians().cos();
        if lon.abs() <= 181.0 {
            smooth(lat, lon) as f32
        } else {
            f32::NAN
        }
    });
    let Reading { grid, source } = read_all(&job(&path));
    assert_eq!(source.body.as_deref(), Some("Moon"));
    for row in (5..grid.rows() - 5).step_by(7) {
        for column in (0..grid.columns()).step_by(11) {
            let wanted = smooth(grid.lat_deg(row), grid.lon_deg(column));
            assert_abs_diff_eq!(
                f64::from(grid.heights_m[[row, column]]),
                wanted,
                // The file's cells are a degree wide at the equator and wider towards the poles.
                epsilon = 4.5 / grid.lat_deg(row).to_radians().cos()
            );
        }
    }
}

#[test]
fn a_finer_source_is_averaged_to_the_step_asked_for() {
    let dir = folder();
    let path = Fixture::degrees(720, 360, -180.0).write(&dir, "f.tif", |r, c| {
        ((r / 10) * 7 + (c / 10) * 3) as f32 + if (r + c) % 2 == 0 { 0.5 } else { -0.5 }
    });
    let request = ReadRequest {
        finest_step_deg: Some(5.0),
    };
    let Reading { grid, source } = read(&job(&path), &request, &Silent).unwrap();
    assert_eq!((grid.columns(), grid.rows()), (72, 36));
    assert_eq!((source.width, source.height), (720, 360));
    assert_abs_diff_eq!(grid.lon_deg(0), 182.5, epsilon = 1e-9);
    assert_abs_diff_eq!(
        grid.heights_m[[18, 40]],
        18.0 * 7.0 + 40.0 * 3.0,
        epsilon = 1e-3
    );
    // A step finer than the source changes nothing.
    let request = ReadRequest {
        finest_step_deg: Some(0.1),
    };
    let fine = read(&job(&path), &request, &Silent).unwrap();
    assert_eq!((fine.grid.columns(), fine.grid.rows()), (720, 360));
}

#[test]
fn thread_counts_do_not_change_a_byte() {
    let dir = folder();
    let path = Fixture::degrees(360, 180, 0.0).write(&dir, "f.tif", |r, c| {
        ((r * 7919 + c * 104_729) % 20_011) as f32 * 0.37
    });
    let request = ReadRequest {
        finest_step_deg: Some(2.3),
    };
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| read(&job(&path), &request, &Silent).unwrap())
    };
    assert_eq!(with(1), with(5));
}

#[test]
fn bad_files_are_refused_in_one_line() {
    let dir = folder();
    let missing = dir.path().join("nowhere.tif");
    assert_eq!(
        refusal(&job(&missing)),
        "grid: grid.files: the grid file is missing; check its name; names in a job file count \
         from the job file's folder"
    );
    // As written "C:\new\terrain.tif": in double quotes, a line break and a tab.
    assert!(refusal(&job(Path::new("C:\new\terrain.tif"))).starts_with(
        "grid: grid.files: the grid file is missing; write / for every \\ in its name, or put \
             it in single quotes"
    ));
    let inside = empty_file(&dir).join("world.tif");
    assert!(refusal(&job(&inside)).starts_with("grid: grid.files: the grid file is missing; "));
    let text = dir.path().join("text.tif");
    std::fs::write(&text, "not a raster").unwrap();
    assert!(refusal(&job(&text)).starts_with("grid: the file is in no format that is read; "));
    let other = dir.path().join("world.toml");
    std::fs::write(&other, "[grid]\nfiles = [\"world.tif\"]\n").unwrap();
    assert_eq!(
        refusal(&job(&other)),
        "grid: this is a job file, not a grid; allowed: the grid that the job names under [grid]; \
         name that file instead"
    );
    let empty = dir.path().join("empty.tif");
    std::fs::write(&empty, "").unwrap();
    assert_eq!(
        refusal(&job(&empty)),
        "grid: grid.files: the grid file is empty; copy or download it again"
    );
    assert_eq!(
        refusal(&job(Path::new("/vsicurl/https://example.org/a.tif"))),
        "grid: grid.files: grids are read from this machine only; found \
         \"/vsicurl/https://example.org/a.tif\"; allowed: files on a local disk; download the \
         file first"
    );
    assert_eq!(
        refusal(&GridSettings::default()),
        "job: grid.files: no elevation grid is named; write files = [\"your-grid.tif\"] under \
         [grid]"
    );
}

fn empty_file(dir: &TempDir) -> PathBuf {
    let path = dir.path().join("no-folder");
    std::fs::write(&path, "").unwrap();
    path
}

#[test]
fn a_photograph_is_no_grid() {
    let dir = folder();
    // The first bytes of a JPEG file: ITU-T T.81, start of image and an application segment.
    let photo = dir.path().join("photo.jpg");
    std::fs::write(
        &photo,
        [0xff, 0xd8, 0xff, 0xe0, 0, 16, b'J', b'F', b'I', b'F', 0, 1],
    )
    .unwrap();
    assert_eq!(
        refusal(&job(&photo)),
        "grid: this is a picture, not heights; found JPEG; allowed: one band of heights, such as a \
         GeoTIFF of a terrain model; get the heights from where the picture came from"
    );
    let colours = Fixture {
        bands: 3,
        options: &["PHOTOMETRIC=RGB"],
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "colours.tif", |r, c| (r + c) as u8);
    let message = refusal(&job(&colours));
    assert!(
        message.starts_with("grid: this is a picture, not heights; found colours; "),
        "{message}"
    );
}

#[test]
fn a_file_cut_short_is_refused() {
    let dir = folder();
    let path = Fixture::degrees(720, 360, 0.0).write(&dir, "t.tif", |r, c| (r + c) as i16);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let message = refusal(&job(&path));
    assert!(
        message.ends_with("the file is damaged or cut short; copy or download it again"),
        "{message}"
    );
}

#[test]
fn grids_without_relief_or_data_are_refused() {
    let dir = folder();
    let flat = Fixture::degrees(36, 18, 0.0).write(&dir, "flat.tif", |_, _| 12i16);
    assert_eq!(
        refusal(&job(&flat)),
        "grid: the grid has the same height everywhere, so there is nothing to carve; found 12 \
         m; allowed: at least two different heights"
    );
    let void = Fixture::degrees(36, 18, 0.0).write(&dir, "void.tif", |_, _| f32::NAN);
    assert_eq!(
        refusal(&job(&void)),
        "grid: every cell of the grid is without data; check the file, and nodata under [grid] \
         if it is set"
    );
}

#[test]
fn two_bands_and_regions_are_refused() {
    let dir = folder();
    let two = Fixture {
        bands: 2,
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "two.tif", |r, c| (r + c) as i16);
    assert_eq!(
        refusal(&job(&two)),
        "grid: the file does not hold exactly one band of heights; found 2 bands; allowed: 1 \
         band; copy the band with the heights into a file of its own"
    );
    let part = Fixture {
        rows: 9,
        transform: Some([0.0, 10.0, 0.0, 90.0, 0.0, -10.0]),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "north.tif", |r, c| (r + c) as i16);
    assert_eq!(
        refusal(&job(&part)),
        "grid: the grid does not cover the whole globe; found latitudes 0 to 90 (latitudes -90 \
         to 0 missing); allowed: all longitudes and latitudes from pole to pole; use a global \
         grid, or list all the tiles that make one"
    );
}

#[test]
fn no_coordinates_need_a_west_and_then_work() {
    let dir = folder();
    let path = Fixture {
        transform: None,
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "plain.tif", |r, c| {
        (2.0 * (bump(r, c) + 10_000.0)) as u16
    });
    assert_eq!(
        refusal(&job(&path)),
        "grid: the file does not say where on the body its cells lie; found 36 × 18 cells \
         without coordinates; add under [grid] west = the longitude of its western edge (often 0 \
         or -180), radius or body, and scale and offset if its numbers are not metres"
    );
    let source = read_all(&GridSettings {
        west_deg: Some(-180.0),
        body: Some("Moon".to_owned()),
        scale: Some(0.5),
        offset_m: Some(-10_000.0),
        ..job(&path)
    })
    .source;
    assert_eq!((source.max.height_m, source.max.lon_deg), (900.0, 235.0));
    assert_eq!(source.reference_radius_m, Some(1_737_400.0));
}

#[test]
fn metres_without_a_coordinate_system_are_refused() {
    let dir = folder();
    let path = Fixture {
        transform: Some([-1.8e7, 1e6, 0.0, 9.5e6, 0.0, -1e6]),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "m.tif", |r, c| bump(r, c) as f32);
    assert_eq!(
        refusal(&job(&path)),
        "grid: the file names no coordinate system, and its coordinates are not degrees; found a \
         west edge at -18000000, 36 columns of 1000000; allowed: 360° of longitude, or metres \
         with a coordinate system; write the coordinate system into the file"
    );
}

/// A label like that of MOLA MEGDR products (NASA PDS), for 36 × 18 cells of 10 degrees.
const MOLA: &str = "PDS_VERSION_ID = PDS3\r\nRECORD_TYPE = FIXED_LENGTH\r\n\
     FILE_RECORDS = 18\r\nRECORD_BYTES = 72\r\n^IMAGE = \"MEGT.IMG\"\r\nTARGET_NAME = MARS\r\n\
     OBJECT = IMAGE\r\n LINES = 18\r\n LINE_SAMPLES = 36\r\n SAMPLE_TYPE = MSB_INTEGER\r\n\
      SAMPLE_BITS = 16\r\n UNIT = METER\r\nEND_OBJECT = IMAGE\r\n\
     OBJECT = IMAGE_MAP_PROJECTION\r\n MAP_PROJECTION_TYPE = \"SIMPLE CYLINDRICAL\"\r\n\
      A_AXIS_RADIUS = 3396.0 <KM>\r\n C_AXIS_RADIUS = 3396.0 <KM>\r\n\
      POSITIVE_LONGITUDE_DIRECTION = \"EAST\"\r\n MAP_RESOLUTION = 0.1 <PIXEL/DEGREE>\r\n\
      MAXIMUM_LATITUDE = 90.0 <DEGREE>\r\n MINIMUM_LATITUDE = -90.0 <DEGREE>\r\n\
      WESTERNMOST_LONGITUDE = 0.0 <DEGREE>\r\n EASTERNMOST_LONGITUDE = 360.0 <DEGREE>\r\n\
      LINE_PROJECTION_OFFSET = 9.5\r\n SAMPLE_PROJECTION_OFFSET = 18.5\r\n\
     END_OBJECT = IMAGE_MAP_PROJECTION\r\nEND\r\n";

fn raw(bytes: impl Fn(i16) -> [u8; 2], stored: impl Fn(f64) -> f64) -> Vec<u8> {
    (0..18 * 36)
        .flat_map(|i| bytes(stored(bump(i / 36, i % 36)) as i16))
        .collect()
}

#[test]
fn a_detached_label_places_its_image_and_finds_it_in_lower_case() {
    let dir = folder();
    let (label, image) = (dir.path().join("megt.lbl"), dir.path().join("megt.img"));
    std::fs::write(&label, MOLA).unwrap();
    std::fs::write(&image, raw(i16::to_be_bytes, |h| h)).unwrap();
    for path in [&label, &image] {
        let Reading { grid, source } = read_all(&job(path));
        assert_eq!((source.min.height_m, source.max.height_m), (-700.0, 900.0));
        assert_eq!((source.max.lat_deg, source.max.lon_deg), (55.0, 55.0));
        assert_eq!(source.body.as_deref(), Some("Mars"));
        assert_eq!(source.reference_radius_m, Some(3_396_000.0));
        assert_eq!(source.unit, "METER");
        assert_eq!(source.filled_cells, 0);
        assert_eq!(grid.heights_m[[3, 5]], 900.0);
    }
    std::fs::write(&image, &raw(i16::to_be_bytes, |h| h)[..1000]).unwrap();
    assert_eq!(
        refusal(&job(&label)),
        "grid: the file is shorter than its header says; found 1000 bytes; allowed: 1296 bytes \
         or more; the file is damaged or cut short; copy or download it again"
    );
    std::fs::remove_file(&image).unwrap();
    assert_eq!(
        refusal(&job(&label)),
        "grid: the image that the label names is not beside it; found no \"MEGT.IMG\"; put both \
         files into one folder"
    );
}

#[test]
fn an_attached_label_and_a_moon_label_are_read() {
    let dir = folder();
    let moon = MOLA
        .replace("MSB_INTEGER", "LSB_INTEGER")
        .replace(
            "UNIT = METER",
            "UNIT = METER\r\n SCALING_FACTOR = 0.5 /* m */\r\n OFFSET = 1737400.",
        )
        .replace("3396.0 <KM>", "1737.4 <km>")
        .replace("= MARS", "= {\"MOON\"}")
        .replace("^IMAGE = \"MEGT.IMG\"", "^IMAGE = 21");
    let mut bytes = moon.clone().into_bytes();
    bytes.resize(20 * 72, b' ');
    bytes.extend(raw(i16::to_le_bytes, |h| 2.0 * h));
    let path = dir.path().join("LDEM.IMG");
    std::fs::write(&path, bytes).unwrap();
    let source = read_all(&job(&path)).source;
    assert_eq!((source.min.height_m, source.max.height_m), (-700.0, 900.0));
    assert_eq!(source.body.as_deref(), Some("Moon"));
    assert_eq!(source.quantity, Quantity::Elevation);
    assert_eq!(
        source.notes,
        [
            "the file's offset of 1737400 m is the reference radius; heights are the scaled numbers \
          without it"
        ]
    );
}

#[test]
fn a_radius_label_gives_heights_above_its_reference() {
    // Source: MOLA MEGR products: radius = DN + OFFSET, OFFSET 3396000.
    let dir = folder();
    let label = MOLA.replace("UNIT = METER", "UNIT = METER\r\n OFFSET = 3396000");
    std::fs::write(dir.path().join("m.lbl"), label).unwrap();
    std::fs::write(dir.path().join("MEGT.IMG"), raw(i16::to_be_bytes, |h| h)).unwrap();
    let source = read_all(&job(&dir.path().join("m.lbl"))).source;
    assert_eq!((source.min.height_m, source.max.height_m), (-700.0, 900.0));
    assert_eq!(source.reference_radius_m, Some(3_396_000.0));
}

/// Turns a polar GeoTIFF fixture into an image with a label like those of MOLA's polar products
/// (NASA PDS): height = DN × 0.25 − 8000, unsigned, big-endian.
fn polar_label(dir: &TempDir, north: bool) -> PathBuf {
    let (name, sign) = if north { ("n", 1.0) } else { ("s", -1.0) };
    let radius = 3_396_000.0f64;
    let (cells, per_degree) = (600, 2.5f64);
    let step = radius * (1.0 / per_degree).to_radians();
    let mut bytes = Vec::new();
    for r in 0..cells {
        for c in 0..cells {
            let x = (f64::from(c) + 0.5 - 300.0) * step;
            let y = (300.0 - f64::from(r) - 0.5) * step;
            let away = 2.0 * (x.hypot(y) / (2.0 * radius)).atan().to_degrees();
            let height = smooth(sign * (90.0 - away), x.atan2(-sign * y).to_degrees());
            bytes.extend((((height + 8000.0) / 0.25).round() as u16).to_be_bytes());
        }
    }
    std::fs::write(dir.path().join(format!("{name}.img")), bytes).unwrap();
    let label = format!(
        "PDS_VERSION_ID = PDS3\nRECORD_BYTES = 1200\n^IMAGE = \"{}.IMG\"\nTARGET_NAME = MARS\n\
         OBJECT = IMAGE\n LINES = 600\n LINE_SAMPLES = 600\n SAMPLE_BITS = 16\n\
          SAMPLE_TYPE = MSB_UNSIGNED_INTEGER\n UNIT = METER\n SCALING_FACTOR = 0.25\n\
          OFFSET = -8000\nEND_OBJECT = IMAGE\n\
         OBJECT = IMAGE_MAP_PROJECTION\n MAP_PROJECTION_TYPE = \"POLAR STEREOGRAPHIC\"\n\
          A_AXIS_RADIUS = 3396.0 <KM>\n C_AXIS_RADIUS = 3396.0 <KM>\n\
          CENTER_LATITUDE = {}\n CENTER_LONGITUDE = 0.0\n\
          MAP_RESOLUTION = 2.5 <PIXEL/DEGREE>\n LINE_PROJECTION_OFFSET = 300.5\n\
          SAMPLE_PROJECTION_OFFSET = 300.5\nEND_OBJECT = IMAGE_MAP_PROJECTION\nEND\n",
        name.to_uppercase(),
        90.0 * sign
    );
    let path = dir.path().join(format!("{name}.lbl"));
    std::fs::write(&path, label).unwrap();
    path
}

#[test]
fn polar_labels_make_a_globe_together_and_fill_the_caps_of_another_map() {
    let dir = folder();
    let both = GridSettings {
        files: vec![polar_label(&dir, true), polar_label(&dir, false)],
        ..GridSettings::default()
    };
    // A cylindrical map of the middle only, as some products are cut at 88 degrees.
    let middle = Fixture {
        columns: 720,
        rows: 240,
        transform: Some([0.0, 0.5, 0.0, 60.0, 0.0, -0.5]),
        crs: Some("+proj=longlat +R=3396000 +no_defs"),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "middle.tif", |r, c| {
        smooth(59.75 - 0.5 * r as f64, 0.25 + 0.5 * c as f64) as f32
    });
    let mut mixed = both.clone();
    mixed.files.insert(0, middle);
    for settings in [both, mixed] {
        let Reading { grid, source } = read_all(&settings);
        assert_eq!(source.reference_radius_m, Some(3_396_000.0));
        assert_eq!(source.filled_cells, 0);
        for row in (0..grid.rows()).step_by(17) {
            for column in (0..grid.columns()).step_by(23) {
                let wanted = smooth(grid.lat_deg(row), grid.lon_deg(column));
                let found = f64::from(grid.heights_m[[row, column]]);
                assert_abs_diff_eq!(found, wanted, epsilon = 3.0);
            }
        }
    }
}

/// Real open grids of the Debian package ferret-datasets 7.6 (NOAA, public domain).
fn ferret(name: &str) -> PathBuf {
    let path = Path::new("/usr/share/ferret-vis/data").join(name);
    assert!(
        path.exists(),
        "{} is missing: install the Debian package ferret-datasets (setup.sh does)",
        path.display()
    );
    path
}

#[test]
fn earth_at_five_minutes_has_its_deep_and_its_summit() {
    // Source: etopo5.cdf, read with GDAL's own tools: -10376 at 11.333 N 142.333 E, 7833 at
    // 36.333 N 75.083 E, poles -4290 (north) and 2810 (south).
    let Reading { grid, source } = read_all(&job(&ferret("etopo5.cdf")));
    assert_eq!((source.width, source.height), (4320, 2161));
    assert_eq!(source.registration, Registration::Gridline);
    assert_eq!(
        (source.min.height_m, source.max.height_m),
        (-10376.0, 7833.0)
    );
    assert_abs_diff_eq!(source.min.lat_deg, 11.3333, epsilon = 1e-4);
    assert_abs_diff_eq!(source.min.lon_deg, 142.3333, epsilon = 1e-4);
    assert_abs_diff_eq!(source.max.lat_deg, 36.3333, epsilon = 1e-4);
    assert_abs_diff_eq!(source.max.lon_deg, 75.0833, epsilon = 1e-4);
    assert!(grid.heights_m.row(0).iter().all(|&h| h == -4290.0));
    assert!(grid.heights_m.row(2160).iter().all(|&h| h == 2810.0));
    assert_eq!(source.filled_cells, 0);
    // The row of 81.25° S is 0 from 0 to 33° E, between rows whose medians there are 3292 and
    // 3261 (numpy).
    let cells = grid.heights_m.len() as u64;
    let found = faults::find(&grid, &source.hypsometry, cells);
    let worst = found.iter().map(|fault| fault.size_m).fold(0.0, f64::max);
    let fault = found.iter().find(|fault| fault.size_m == worst).unwrap();
    assert_abs_diff_eq!(fault.size_m, 3276.0, epsilon = 80.0);
    assert_abs_diff_eq!(fault.lat_deg, -81.25, epsilon = 0.1);
    assert!((0.0..33.0).contains(&fault.lon_deg));
    let note = source.notes.iter().find(|note| **note == fault.to_string());
    assert!(
        note.is_some_and(|note| note.contains("as in tracks")),
        "{:?}",
        source.notes
    );
}

#[test]
fn earth_at_twenty_minutes_starts_at_20_east_and_repeats_a_column() {
    // Source: etopo20.cdf: 1081 columns from 20.1667 E, the last repeating the first, rows south
    // first, fill -1e34, -9026.6 to 6228.8.
    let source = read_all(&job(&ferret("etopo20.cdf"))).source;
    assert_eq!((source.width, source.height), (1080, 540));
    assert_abs_diff_eq!(source.west_deg, 20.0, epsilon = 1e-6);
    assert_abs_diff_eq!(source.min.height_m, -9026.6, epsilon = 0.1);
    assert_abs_diff_eq!(source.max.height_m, 6228.8, epsilon = 0.1);
    assert!(source.notes[0].starts_with("the last column repeats the first"));
}

#[test]
fn earth_at_one_degree_is_wet_and_high_in_tibet() {
    // Source: etopo60.cdf: -7473.2 to 5731.1; 71 % of Earth lies below sea level (common
    // textbook figure, from memory).
    let source = read_all(&job(&ferret("etopo60.cdf"))).source;
    assert_abs_diff_eq!(source.min.height_m, -7473.2, epsilon = 0.1);
    assert_abs_diff_eq!(source.max.height_m, 5731.1, epsilon = 0.1);
    assert!(
        (27.0..37.0).contains(&source.max.lat_deg),
        "{:?}",
        source.max
    );
    assert!(
        (78.0..102.0).contains(&source.max.lon_deg),
        "{:?}",
        source.max
    );
    assert_abs_diff_eq!(source.hypsometry.share_below(0.0), 0.71, epsilon = 0.02);
}

#[test]
fn the_bulge_of_a_flattened_body_is_taken_out_when_asked() {
    // Source of the axes: IAU WGCCRE 2015 (Archinal et al. 2018), Mars.
    let (a, c) = (3_396_190.0f64, 3_376_200.0f64);
    let dir = folder();
    let path = Fixture {
        crs: Some("+proj=longlat +R=3396190 +no_defs"),
        ..Fixture::degrees(360, 180, 0.0)
    }
    .write(&dir, "radii.tif", |row, column| {
        let lat = (89.5 - row as f64).to_radians();
        // 1/r² = (cos φ/a)² + (sin φ/c)², and one hill.
        let radius = 1.0 / (lat.cos() / a).hypot(lat.sin() / c);
        radius
            + if (row, column) == (60, 200) {
                500.0
            } else {
                0.0
            }
    });
    let kept = read_all(&job(&path)).source;
    assert!(kept.min.height_m < -19_900.0);
    let Reading { grid, source } = read_all(&GridSettings {
        flattening: Flattening::Remove,
        ..job(&path)
    });
    assert_eq!((source.max.lat_deg, source.max.lon_deg), (29.5, 200.5));
    assert_abs_diff_eq!(source.max.height_m, 500.0, epsilon = 1.0);
    let hill = |h: &&f32| h.abs() > 1.0;
    assert_eq!(grid.heights_m.iter().filter(hill).count(), 1);
    assert!(
        source.notes.contains(
            &"the ellipsoid of 3396.19 by 3376.2 km (the table of bodies for Mars) was taken out: \
              heights changed by 0 m at the equator and +19990 m at the poles"
                .to_owned()
        ),
        "{:?}",
        source.notes
    );
    let moon = Fixture {
        crs: Some("+proj=longlat +R=1737400 +no_defs"),
        ..Fixture::degrees(36, 18, 0.0)
    }
    .write(&dir, "moon.tif", |r, c| bump(r, c) as i16);
    assert_eq!(
        refusal(&GridSettings {
            flattening: Flattening::Remove,
            ..job(&moon)
        }),
        "job: grid.flattening: there is no known flattening to take out; found Moon is taken for \
         a sphere; allowed: a body with two different axes; set flattening = \"keep\" under [grid]"
    );
}

#[test]
fn a_table_of_numbers_needs_a_west_and_then_works() {
    // Layout from the Magellan TOPOGRD label: 360 × 180 numbers of F8.2 in kilometres, ten a
    // record, the first column at 240 E; the highest, 9.70 km, at 64.5 N 4.5 E.
    let dir = folder();
    let mut text = String::new();
    for i in 0..360 * 180 {
        let (row, column) = (i / 360, i % 360);
        let km = match (row, column) {
            (25, 124) => 9.70,
            _ => 0.01 * ((row + column) % 90) as f64 - 1.0,
        };
        text += &format!("{km:8.2}");
        if i % 10 == 9 {
            text += "\r\n";
        }
    }
    let path = dir.path().join("TOPOGRD.DAT");
    std::fs::write(&path, &text).unwrap();
    assert_eq!(
        refusal(&job(&path)),
        "grid: the file does not say where on the body its cells lie; found 360 × 180 cells \
         without coordinates; add under [grid] west = the longitude of its western edge (often 0 \
         or -180), radius or body, and scale and offset if its numbers are not metres"
    );
    let source = read_all(&GridSettings {
        west_deg: Some(240.0),
        scale: Some(1000.0),
        body: Some("Venus".to_owned()),
        ..job(&path)
    })
    .source;
    assert_abs_diff_eq!(source.max.height_m, 9700.0, epsilon = 1e-3);
    assert_eq!((source.max.lat_deg, source.max.lon_deg), (64.5, 4.5));
    assert_eq!(source.body.as_deref(), Some("Venus"));

    std::fs::write(&path, &text[..text.len() - 82]).unwrap();
    assert_eq!(
        refusal(&job(&path)),
        "grid: the table of numbers is not twice as wide as high; found 64790 numbers; allowed: \
         2 × n × n numbers, such as 64800 for 360 columns and 180 rows; the file is cut short, \
         or convert it to a GeoTIFF first"
    );
    let torn = text.replacen("    9.70", "   -9.-7", 1);
    std::fs::write(&path, torn).unwrap();
    assert_eq!(
        refusal(&job(&path)),
        "grid: line 913 of the table holds something that is not a number; found \"-9.-7\"; the \
         file is damaged or not a table of heights"
    );
}

#[test]
fn a_jpeg_2000_is_read_like_a_geotiff() {
    let dir = folder();
    let tiff = Fixture {
        crs: Some("+proj=longlat +R=1737400 +no_defs"),
        ..Fixture::degrees(360, 180, -180.0)
    }
    .write(&dir, "a.tif", |r, c| (bump(r / 10, c / 10)) as i16);
    let path = dir.path().join("a.jp2");
    let options = RasterCreationOptions::from_iter(["QUALITY=100", "REVERSIBLE=YES"]);
    let driver = DriverManager::get_driver_by_name("JP2OpenJPEG").unwrap();
    let from = gdal::Dataset::open(&tiff).unwrap();
    from.create_copy(&driver, &path, &options)
        .unwrap()
        .close()
        .unwrap();
    let (jpeg, tiff) = (read_all(&job(&path)), read_all(&job(&tiff)));
    assert_eq!(jpeg.grid, tiff.grid);
    assert_eq!(jpeg.source.max, tiff.source.max);
    assert_eq!(jpeg.source.body.as_deref(), Some("Moon"));
}

#[test]
fn a_virtual_raster_of_tiles_is_one_grid() {
    let dir = folder();
    let whole = Fixture::degrees(36, 18, 0.0).write(&dir, "whole.tif", |r, c| bump(r, c) as i16);
    let mut sources = String::new();
    for (name, first) in [("west.tif", 0), ("east.tif", 18)] {
        Fixture {
            columns: 18,
            transform: Some([10.0 * first as f64, 10.0, 0.0, 90.0, 0.0, -10.0]),
            ..Fixture::degrees(36, 18, 0.0)
        }
        .write(&dir, name, |r, c| bump(r, c + first) as i16);
        sources += &format!(
            "<SimpleSource><SourceFilename relativeToVRT=\"1\">{name}</SourceFilename>\
             <SrcRect xOff=\"0\" yOff=\"0\" xSize=\"18\" ySize=\"18\"/>\
             <DstRect xOff=\"{first}\" yOff=\"0\" xSize=\"18\" ySize=\"18\"/></SimpleSource>"
        );
    }
    let path = dir.path().join("both.vrt");
    std::fs::write(&path, virtual_raster(&sources)).unwrap();
    assert_eq!(read_all(&job(&path)).grid, read_all(&job(&whole)).grid);
}

/// Of 36 × 18 cells, with this in its band.
fn virtual_raster(band: &str) -> String {
    format!(
        "<VRTDataset rasterXSize=\"36\" rasterYSize=\"18\">\
         <GeoTransform>0, 10, 0, 90, 0, -10</GeoTransform>\
         <VRTRasterBand dataType=\"Int16\" band=\"1\">{band}</VRTRasterBand></VRTDataset>"
    )
}

#[test]
fn a_virtual_raster_with_cells_from_nowhere_is_refused_unless_it_declares_them() {
    let dir = folder();
    let whole = Fixture::degrees(36, 18, 0.0);
    whole.write(&dir, "whole.tif", |r, c| bump(r, c) as i16);
    let holes = Fixture {
        nodata: Some(-32768.0),
        ..Fixture::degrees(36, 18, 0.0)
    };
    holes.write(
        &dir,
        "holes.tif",
        |r, c| if c < 3 { -32768 } else { r as i16 },
    );
    let write = |name: &str, text: String| {
        let path = dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let source = |kind: &str, name: &str, rest: &str| {
        format!(
            "<{kind}><SourceFilename relativeToVRT=\"1\">{name}</SourceFilename>{rest}</{kind}>"
        )
    };
    let part = "<SrcRect xOff=\"0\" yOff=\"0\" xSize=\"36\" ySize=\"15\"/><DstRect xOff=\"0\" yOff=\"0\" xSize=\"36\" ySize=\"15\"/>";
    let gap = source("SimpleSource", "whole.tif", part);
    let path = write("gap.vrt", virtual_raster(&gap));
    assert_eq!(
        refusal(&job(&path)),
        "grid: the virtual raster has no source for some cells, nor a number for \"no data\"; \
         found none for column 1, row 16; allowed: sources all over, or <NoDataValue> in its band, \
         the same as in its sources; make it again with gdalbuildvrt, from all the files"
    );
    // As a source of another, too.
    let outer = virtual_raster(&source("SimpleSource", "gap.vrt", ""));
    assert!(refusal(&job(&write("outer.vrt", outer))).contains("no source for some cells"));
    let declared = format!("<NoDataValue>-5</NoDataValue>{gap}");
    let path = write("declared.vrt", virtual_raster(&declared));
    let inspected = inspect(&job(&path), &Silent).unwrap();
    assert_eq!(inspected.filled_cells, 3 * 36);
    let hidden = format!("<HideNoDataValue>1</HideNoDataValue>{declared}");
    let path = write("hidden.vrt", virtual_raster(&hidden));
    assert!(refusal(&job(&path)).contains("no source for some cells"));

    // What a source declares must be known to the whole.
    let dropped = source("SimpleSource", "holes.tif", "");
    assert!(
        refusal(&job(&write("dropped.vrt", virtual_raster(&dropped)))).starts_with(
            "grid: a source of the virtual raster has a number for \"no data\" that the virtual \
             raster does not know; found -32768 in \"holes.tif\"; "
        )
    );
    let masked = source("ComplexSource", "holes.tif", "<NODATA>-32768</NODATA>");
    assert!(
        refusal(&job(&write("masked.vrt", virtual_raster(&masked)))).contains("column 1, row 1;")
    );
    for (name, band) in [
        (
            "same.vrt",
            format!("<NoDataValue>-32768</NoDataValue>{dropped}"),
        ),
        (
            "other.vrt",
            format!("<NoDataValue>-5</NoDataValue>{masked}"),
        ),
    ] {
        let inspected = inspect(&job(&write(name, virtual_raster(&band))), &Silent).unwrap();
        assert_eq!(inspected.filled_cells, 3 * 18, "{name}");
    }
    // Patches over a whole grid leave nothing open.
    let patched = source("SimpleSource", "whole.tif", "") + &masked;
    let path = write("patched.vrt", virtual_raster(&patched));
    assert_eq!(inspect(&job(&path), &Silent).unwrap().filled_cells, 0);
}

#[test]
fn a_raw_file_too_short_for_its_virtual_raster_is_refused() {
    let dir = folder();
    let path = dir.path().join("raw.vrt");
    let raw = "<SourceFilename relativeToVRT=\"1\">raw.img</SourceFilename><ImageOffset>100\
               </ImageOffset><PixelOffset>2</PixelOffset><LineOffset>72</LineOffset>";
    let text = virtual_raster(raw).replace("band=", "subClass=\"VRTRawRasterBand\" band=");
    std::fs::write(&path, text).unwrap();
    let numbers: Vec<u8> = (0..100 + 36 * 18 * 2).map(|i| (i % 7) as u8).collect();
    std::fs::write(dir.path().join("raw.img"), numbers.clone()).unwrap();
    read_all(&job(&path));
    std::fs::write(dir.path().join("raw.img"), &numbers[1..]).unwrap();
    let message = refusal(&job(&path));
    assert!(
        message.starts_with("grid: the file is shorter than"),
        "{message}"
    );
}

/// An SRTM tile of one degree: 1201 × 1201 big-endian numbers, edges shared with its neighbours.
fn hgt(dir: &TempDir, name: &str) -> PathBuf {
    let path = dir.path().join(name);
    let bytes: Vec<u8> = (0..1201i32 * 1201)
        .flat_map(|i| ((i % 700) as i16).to_be_bytes())
        .collect();
    std::fs::write(&path, bytes).unwrap();
    path
}

#[test]
fn hgt_tiles_lie_where_their_names_say_and_miss_the_rest_of_the_globe() {
    let dir = folder();
    let one = hgt(&dir, "N00E006.hgt");
    let message = refusal(&job(&one));
    assert!(
        message.starts_with(
            "grid: the grid does not cover the whole globe; found longitudes 6 to 7 ("
        ),
        "{message}"
    );
    let both = GridSettings {
        files: vec![one, hgt(&dir, "S01E006.hgt")],
        ..GridSettings::default()
    };
    let message = refusal(&both);
    assert!(
        message.starts_with("grid: grid.files: the files together do not cover the whole globe"),
        "{message}"
    );
}

#[test]
fn many_tiles_are_one_grid_and_not_all_open_at_once() {
    let dir = folder();
    let cell = |r: usize, c: usize| ((r * 31 + c * 17) % 4001) as i16 - 1000;
    let mut files = Vec::new();
    for row in 0..12 {
        for column in 0..24 {
            let tile = Fixture {
                columns: 15,
                rows: 15,
                transform: Some([
                    -180.0 + 15.0 * column as f64,
                    1.0,
                    0.0,
                    90.0 - 15.0 * row as f64,
                    0.0,
                    -1.0,
                ]),
                ..Fixture::degrees(360, 180, 0.0)
            };
            files.push(tile.write(&dir, &format!("{row}-{column}.tif"), |r, c| {
                cell(15 * row + r, 15 * column + c)
            }));
        }
    }
    let (rasters, stored) = open_all(&files).unwrap();
    assert_eq!(stored.len(), 288);
    // What the system says this program holds open in that folder.
    let open = std::fs::read_dir("/proc/self/fd").map_or(0, |list| {
        list.filter_map(|entry| std::fs::read_link(entry.ok()?.path()).ok())
            .filter(|target| target.starts_with(dir.path()))
            .count()
    });
    assert_eq!(open, 0);
    drop(rasters);
    let whole = Fixture::degrees(360, 180, -180.0).write(&dir, "whole.tif", cell);
    let settings = GridSettings {
        files,
        ..GridSettings::default()
    };
    let (tiled, whole) = (read_all(&settings), read_all(&job(&whole)));
    assert_eq!(tiled.grid, whole.grid);
    assert_eq!(tiled.source.max, whole.source.max);
    assert_eq!(tiled.source.hypsometry, whole.source.hypsometry);
}

#[test]
fn special_pixels_of_floating_cubes_are_holes() {
    // Source: USGS ISIS, special pixels of 4-byte reals: NULL, LRS, LIS, HIS, HRS.
    let special = [
        0xFF7F_FFFBu32,
        0xFF7F_FFFC,
        0xFF7F_FFFD,
        0xFF7F_FFFE,
        0xFF7F_FFFF,
    ];
    let dir = folder();
    let path =
        Fixture::degrees(36, 18, 0.0).write(&dir, "cube.tif", |r, c| match (r, special.get(c)) {
            (9, Some(bits)) => f32::from_bits(*bits),
            _ => bump(r, c) as f32,
        });
    let source = read_all(&job(&path)).source;
    assert_eq!(source.filled_cells, 5);
    assert_eq!(source.min.height_m, -700.0);
}

/// Numbers that a file gives for its place, body and scale, and what is said of them.
#[test]
fn numbers_that_make_no_sense_are_refused_before_anything_is_worked_out() {
    let dir = folder();
    let raw = |header: &str| {
        std::fs::write(dir.path().join("a.bil"), vec![1; 180 * 90 * 2]).unwrap();
        let text = format!(
            "BYTEORDER I\nLAYOUT BIL\nNROWS 90\nNCOLS 180\nNBANDS 1\nNBITS 16\nPIXELTYPE \
             SIGNEDINT\nULXMAP -179\nULYMAP 89\nXDIM 2\nYDIM 2\n{header}\n"
        );
        std::fs::write(dir.path().join("a.hdr"), text).unwrap();
        refusal(&job(&dir.path().join("a.bil")))
    };
    let place = "grid: the file's corner and cell sizes make no sense; found ";
    for (header, found) in [
        ("ULXMAP NaN", "NaN, 2, 0, 90, 0, -2"),
        ("ULYMAP inf", "-180, 2, 0, inf, 0, -2"),
        ("XDIM nan", "NaN, NaN, 0, 90, 0, -2"),
    ] {
        let message = raw(header);
        assert!(message.starts_with(&format!("{place}{found}")), "{message}");
    }
    let message = raw("XDIM 1e300");
    assert!(message.contains("coordinates are not degrees"), "{message}");

    for (scale, offset) in [
        (f64::NAN, 0.0),
        (f64::INFINITY, 0.0),
        (1.0, f64::NAN),
        (1.0, f64::NEG_INFINITY),
    ] {
        let path = Fixture {
            scale: Some(scale),
            offset: Some(offset),
            ..Fixture::degrees(36, 18, 0.0)
        }
        .write(&dir, "s.tif", |r, c| bump(r, c) as i16);
        let message = refusal(&job(&path));
        assert!(message.contains("is not usable; found "), "{message}");
    }
}

#[test]
fn grids_and_blocks_of_any_size_are_refused_before_memory_is_asked_for() {
    let dir = folder();
    let said = |name: &str, text: &str| {
        let path = dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        refusal(&job(&path))
    };
    let huge = "<VRTDataset rasterXSize=\"2147483647\" rasterYSize=\"1073741823\">\
                <VRTRasterBand dataType=\"Float64\" band=\"1\"><NoDataValue>0</NoDataValue>\
                </VRTRasterBand></VRTDataset>";
    assert_eq!(
        said("huge.vrt", huge),
        "grid: the grid has more cells than any grid of a planet; found 2147483647 × 1073741823; \
         allowed: up to 8388608 × 4194305; check that the file is complete, or make it coarser \
         first"
    );
    // Nothing is written, so the file has 400 bytes.
    let path = dir.path().join("blocks.tif");
    let options = [
        "SPARSE_OK=TRUE",
        "TILED=YES",
        "BLOCKXSIZE=16384",
        "BLOCKYSIZE=16384",
    ];
    DriverManager::get_driver_by_name("GTiff")
        .unwrap()
        .create_with_band_type_with_options::<f64, _>(
            &path,
            36,
            18,
            1,
            &RasterCreationOptions::from_iter(options),
        )
        .unwrap()
        .close()
        .unwrap();
    assert_eq!(
        refusal(&job(&path)),
        "grid: the grid is stored in blocks too large to be held; found blocks of 16384 × 16384 \
         cells, 2048 MB each; allowed: blocks of up to 256 MB; store it in tiles, with \
         gdal_translate -co TILED=YES"
    );
    // A virtual raster that holds itself, and one that holds another twice, and so on.
    let twice = |inner: &str| {
        let source = format!(
            "<SimpleSource><SourceFilename relativeToVRT=\"1\">{inner}</SourceFilename>\
             </SimpleSource>"
        );
        format!(
            "<VRTDataset rasterXSize=\"180\" rasterYSize=\"90\"><VRTRasterBand dataType=\"Byte\" \
             band=\"1\">{source}{source}</VRTRasterBand></VRTDataset>"
        )
    };
    let nested = "grid: virtual rasters lie too deep in one another; allowed: 8 within one \
                  another; name their sources in one file";
    assert_eq!(said("self.vrt", &twice("self.vrt")), nested);
    for level in 0..30 {
        said(
            &format!("{level}.vrt"),
            &twice(&format!("{}.vrt", level + 1)),
        );
    }
    assert_eq!(said("0.vrt", &twice("1.vrt")), nested);
    for element in [
        "<SRS>",
        "<SRS a='/>'>",
        "<SRS a=\"/>\"><!-- </SRS> -->",
        "<SRS></ SRS",
    ] {
        let deep = format!("<VRTDataset>{}", element.repeat(100_000));
        let message = said("deep.vrt", &deep);
        assert!(message.starts_with("grid: the virtual raster"), "{message}");
    }
}
