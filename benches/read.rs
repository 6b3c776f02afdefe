//! How fast grids are read: `cargo bench --bench read`. Items are cells of the source.

use divan::Bencher;
use divan::counter::ItemsCount;
use gdal::DriverManager;
use gdal::raster::{Buffer, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use globewright::progress::Silent;
use globewright::settings::GridSettings;
use globewright::stages::read::{self, ReadRequest};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// Columns of the source; 32 cells to a degree.
const COLUMNS: usize = 11_520;

/// A pixel of 0.1 mm on a ball of 200 mm, degrees: 6283 columns, about half the source's.
const PIXEL_DEG: f64 = 0.0573;

fn main() {
    divan::main();
}

/// Rolling ground with noise of a few metres on it, the same every time (xorshift64).
fn write(folder: &Path, name: &str, options: &[&str]) -> PathBuf {
    let (columns, rows) = (COLUMNS, COLUMNS / 2);
    let mut state = 0x2545_f491_4f6c_dd1du64;
    let wave: Vec<f64> = (0..columns)
        .map(|i| (i as f64 * std::f64::consts::TAU / columns as f64).sin())
        .collect();
    let cells = (0..columns * rows)
        .map(|i| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let (row, column) = (i / columns, i % columns);
            let rolling = wave[(3 * column) % columns] * wave[row] + wave[(5 * row) % columns];
            (3000.0 * rolling) as i16 + (state >> 59) as i16
        })
        .collect();
    let path = folder.join(name);
    let step = 360.0 / columns as f64;
    let options = RasterCreationOptions::from_iter(options.iter().copied());
    let mut file = DriverManager::get_driver_by_name("GTiff")
        .and_then(|driver| {
            driver.create_with_band_type_with_options::<i16, _>(&path, columns, rows, 1, &options)
        })
        .unwrap();
    file.set_geo_transform(&[-180.0, step, 0.0, 90.0, 0.0, -step])
        .unwrap();
    let sphere = SpatialRef::from_proj4("+proj=longlat +R=1000000 +no_defs").unwrap();
    file.set_spatial_ref(&sphere).unwrap();
    let mut buffer = Buffer::new((columns, rows), cells);
    file.rasterband(1)
        .and_then(|mut band| band.write((0, 0), (columns, rows), &mut buffer))
        .unwrap();
    file.close().unwrap();
    path
}

fn settings(path: PathBuf) -> GridSettings {
    GridSettings {
        files: vec![path],
        ..GridSettings::default()
    }
}

/// Formats of the file: as it comes, and packed in tiles as mosaics are.
const PLAIN: &[&str] = &[];
const PACKED: &[&str] = &["COMPRESS=DEFLATE", "PREDICTOR=2", "TILED=YES"];

fn bench(bencher: Bencher, options: &[&str], step_deg: Option<f64>) {
    let folder = TempDir::new().unwrap();
    let settings = settings(write(folder.path(), "grid.tif", options));
    let request = ReadRequest {
        finest_step_deg: step_deg,
    };
    bencher
        .counter(ItemsCount::new(COLUMNS * COLUMNS / 2))
        .bench_local(|| read::read(&settings, &request, &Silent).unwrap());
}

#[divan::bench(sample_count = 3)]
fn averaged_to_pixels(bencher: Bencher) {
    bench(bencher, PLAIN, Some(PIXEL_DEG));
}

#[divan::bench(sample_count = 3)]
fn averaged_to_pixels_from_packed_tiles(bencher: Bencher) {
    bench(bencher, PACKED, Some(PIXEL_DEG));
}

#[divan::bench(sample_count = 3)]
fn every_cell_kept(bencher: Bencher) {
    bench(bencher, PLAIN, None);
}

/// Statistics alone, as `inspect` does.
#[divan::bench(sample_count = 3)]
fn inspected(bencher: Bencher) {
    let folder = TempDir::new().unwrap();
    let settings = settings(write(folder.path(), "grid.tif", PLAIN));
    bencher
        .counter(ItemsCount::new(COLUMNS * COLUMNS / 2))
        .bench_local(|| read::inspect(&settings, &Silent).unwrap());
}
