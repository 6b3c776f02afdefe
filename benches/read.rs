//! How fast a source is read, counted in source cells: `cargo bench --bench read`.
//!
//! `averaged` makes a working grid at a quarter of the source's resolution, statistics included;
//! `inspect` only the statistics.

mod support;

use divan::counter::ItemsCount;
use gdal::DriverManager;
use gdal::raster::{Buffer, RasterCreationOptions};
use globewright::{GridSettings, ReadRequest, Silent, inspect, read};
use std::path::Path;

const COLUMNS: usize = 11520;

fn main() {
    divan::main();
}

/// Layouts of a GeoTIFF.
const LAYOUTS: [(&str, &[&str]); 2] = [
    ("plain rows", &[]),
    (
        "deflated tiles",
        &["TILED=YES", "COMPRESS=DEFLATE", "PREDICTOR=2"],
    ),
];

#[divan::bench(args = [0, 1], consts = [1, 2], sample_count = 5)]
fn averaged<const THREADS: usize>(bencher: divan::Bencher, layout: usize) {
    run(bencher, layout, THREADS, |settings| {
        let request = ReadRequest {
            finest_step_deg: Some(4.0 * 360.0 / COLUMNS as f64),
        };
        read(settings, &request, &Silent).unwrap();
    });
}

#[divan::bench(args = [0, 1], consts = [1, 2], sample_count = 5)]
fn inspected<const THREADS: usize>(bencher: divan::Bencher, layout: usize) {
    run(bencher, layout, THREADS, |settings| {
        inspect(settings, &Silent).unwrap();
    });
}

fn run(
    bencher: divan::Bencher,
    layout: usize,
    threads: usize,
    work: impl Fn(&GridSettings) + Sync,
) {
    let (name, options) = LAYOUTS[layout];
    eprintln!("{name}, {threads} threads beside the one that reads");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("source.tif");
    write(&path, options);
    let settings = GridSettings {
        files: vec![path],
        ..GridSettings::default()
    };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap();
    bencher
        .counter(ItemsCount::new(COLUMNS * COLUMNS / 2))
        .bench_local(|| pool.install(|| work(&settings)));
}

/// A seeded planet at 2880 columns, each cell repeated 4 × 4 times with a little noise.
fn write(path: &Path, options: &[&str]) {
    let (columns, rows) = (COLUMNS, COLUMNS / 2);
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let options = RasterCreationOptions::from_iter(options.iter().copied());
    let mut dataset = driver
        .create_with_band_type_with_options::<i16, _>(path, columns, rows, 1, &options)
        .unwrap();
    let step = 360.0 / columns as f64;
    dataset
        .set_geo_transform(&[-180.0, step, 0.0, 90.0, 0.0, -step])
        .unwrap();
    let mut buffer = Buffer::new((columns, rows), support::noisy_cells(columns));
    let mut band = dataset.rasterband(1).unwrap();
    band.write((0, 0), (columns, rows), &mut buffer).unwrap();
    dataset.close().unwrap();
}
