//! A source of 5.7 billion cells against one plain averaged read of it by GDAL:
//! `cargo bench --bench giant`.
//!
//! The source is a virtual raster of 106 694 × 53 347 cells (11 GB of 16-bit numbers) made of
//! copies of one file, side by side at full resolution, so that both programs have to read every
//! cell. Both run on the same processors, one after the other, in the same run.

mod support;

use gdal::DriverManager;
use gdal::raster::{Buffer, RasterCreationOptions};
use globewright::{GridSettings, ReadRequest, Silent, read};
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::time::Instant;

const COLUMNS: usize = 106_694;
const ROWS: usize = 53_347;
const WORKING: (usize, usize) = (6284, 3142);
const TILE: usize = 11_520;

/// The program calls itself with this in the environment to read one file and be measured alone.
const CHILD: &str = "GLOBEWRIGHT_BENCH_GIANT";

fn main() -> ExitCode {
    if let Ok(path) = std::env::var(CHILD) {
        return child(Path::new(&path));
    }
    // Anything but a plain `cargo bench` (a test run, a listing) is not meant.
    if !std::env::args().any(|a| a == "--bench") {
        return ExitCode::SUCCESS;
    }
    let folder = tempfile::tempdir().unwrap();
    let source = source(folder.path());
    let this = std::env::current_exe().unwrap();
    let out = folder.path().join("out.tif");
    let size = [WORKING.0.to_string(), WORKING.1.to_string()];
    for processors in ["0", "0,1"] {
        println!("processors {processors}");
        let mut plain = Command::new("taskset");
        plain.args(["-c", processors, "gdal_translate", "-q", "-r", "average"]);
        plain.arg("-outsize").args(&size).arg(&source).arg(&out);
        let theirs = timed("gdal_translate -r average", &mut plain);
        let mut own = Command::new("taskset");
        own.args(["-c", processors]).arg(&this).env(CHILD, &source);
        let ours = timed("read", &mut own);
        println!(
            "  ratio: user {:.2}, wall {:.2}",
            ours.0 / theirs.0,
            ours.1 / theirs.1
        );
    }
    ExitCode::SUCCESS
}

/// Reads a source; prints the peak of memory held, of which the system keeps count.
fn child(path: &Path) -> ExitCode {
    let settings = GridSettings {
        files: vec![path.to_owned()],
        ..GridSettings::default()
    };
    let request = ReadRequest {
        finest_step_deg: Some(360.0 / WORKING.0 as f64),
    };
    let reading = read(&settings, &request, &Silent).unwrap();
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find(|l| l.starts_with("VmHWM"));
    println!(
        "  {} × {} cells; peak memory {}",
        reading.grid.columns(),
        reading.grid.rows(),
        peak.unwrap_or("not known")
            .trim_start_matches("VmHWM:")
            .trim()
    );
    ExitCode::SUCCESS
}

/// User seconds and wall seconds of a command.
fn timed(name: &str, command: &mut Command) -> (f64, f64) {
    let before = user_s();
    let start = Instant::now();
    assert!(command.status().unwrap().success());
    let (user, wall) = (user_s() - before, start.elapsed().as_secs_f64());
    println!("  {name}: user {user:.1} s, wall {wall:.1} s");
    (user, wall)
}

/// User seconds of all children that have ended: field 16 of /proc/self/stat, in hundredths.
fn user_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields = stat.rsplit(')').next().unwrap();
    let ticks: f64 = fields.split_whitespace().nth(13).unwrap().parse().unwrap();
    ticks / 100.0
}

/// A seeded planet with a little noise, and the virtual raster.
fn source(folder: &Path) -> PathBuf {
    let (columns, rows) = (TILE, TILE / 2);
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let path = folder.join("tile.tif");
    let dataset = driver
        .create_with_band_type_with_options::<i16, _>(
            &path,
            columns,
            rows,
            1,
            &RasterCreationOptions::default(),
        )
        .unwrap();
    let mut buffer = Buffer::new((columns, rows), support::noisy_cells(columns));
    let mut band = dataset.rasterband(1).unwrap();
    band.write((0, 0), (columns, rows), &mut buffer).unwrap();
    dataset.close().unwrap();

    let (dx, dy) = (360.0 / COLUMNS as f64, 180.0 / ROWS as f64);
    let mut xml = format!(
        "<VRTDataset rasterXSize=\"{COLUMNS}\" rasterYSize=\"{ROWS}\">\
         <GeoTransform>0, {dx}, 0, 90, 0, -{dy}</GeoTransform>\
         <VRTRasterBand dataType=\"Int16\" band=\"1\">"
    );
    for y in (0..ROWS).step_by(rows) {
        for x in (0..COLUMNS).step_by(columns) {
            let (wide, high) = (columns.min(COLUMNS - x), rows.min(ROWS - y));
            let rect = |x: usize, y: usize| {
                format!("xOff=\"{x}\" yOff=\"{y}\" xSize=\"{wide}\" ySize=\"{high}\"")
            };
            write!(
                xml,
                "<SimpleSource><SourceFilename relativeToVRT=\"1\">tile.tif</SourceFilename>\
                 <SourceBand>1</SourceBand><SrcRect {}/><DstRect {}/></SimpleSource>",
                rect(0, 0),
                rect(x, y)
            )
            .unwrap();
        }
    }
    xml.push_str("</VRTRasterBand></VRTDataset>");
    let path = folder.join("giant.vrt");
    std::fs::write(&path, xml).unwrap();
    path
}
