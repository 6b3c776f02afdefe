//! Grids with random bytes changed, in many formats: whatever is damaged, the program ends by
//! itself, in reasonable time and memory, with one line at most.

use crate::support::{Raster, program};
use gdal::DriverManager;
use gdal::raster::RasterCreationOptions;
use rand::{Rng, RngCore, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{ExitStatus, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Longest that a run may take.
const MOST_TIME: Duration = Duration::from_secs(20);

/// Most memory that it may hold.
const MOST_KILOBYTES: u64 = 1 << 20;

/// Columns of the grids: small, so that headers are a good part of a file.
const COLUMNS: usize = 36;

/// A grid in a format: its files, the first of which is named to the program.
struct Sample {
    format: &'static str,
    files: Vec<(String, Vec<u8>)>,
}

fn height(row: usize, column: usize) -> i16 {
    (row * 57 + column * column % 199) as i16
}

/// All files that a driver wrote, those beside the first one too.
fn files_in(folder: &Path, first: &str) -> Vec<(String, Vec<u8>)> {
    let mut names = crate::support::files(folder);
    names.sort_by_key(|name| name != first);
    names
        .into_iter()
        .map(|name| {
            let bytes = std::fs::read(folder.join(&name)).unwrap();
            (name, bytes)
        })
        .collect()
}

/// A copy of a small grid in another format.
fn copied(format: &'static str, driver: &str, name: &str, options: &[(&str, &str)]) -> Sample {
    let folder = TempDir::new().unwrap();
    let plain = TempDir::new().unwrap();
    let from = plain.path().join("plain.tif");
    Raster::globe(COLUMNS).write_cells("GTiff", &from, height);
    let mut with = RasterCreationOptions::default();
    for (key, value) in options {
        with.set_name_value(key, value).unwrap();
    }
    let driver = DriverManager::get_driver_by_name(driver).unwrap();
    let dataset = gdal::Dataset::open(&from).unwrap();
    let copy = dataset.create_copy(&driver, folder.path().join(name), &with);
    copy.unwrap().close().unwrap();
    Sample {
        format,
        files: files_in(folder.path(), name),
    }
}

/// A label of the Planetary Data System before its cells.
fn labelled() -> Sample {
    let rows = COLUMNS / 2;
    let text = format!(
        "PDS_VERSION_ID = PDS3\r\nRECORD_TYPE = FIXED_LENGTH\r\nRECORD_BYTES = {bytes}\r\n\
         FILE_RECORDS = {rows}\r\n^IMAGE = \"a.img\"\r\nTARGET_NAME = MARS\r\nOBJECT = IMAGE\r\n\
         LINES = {rows}\r\nLINE_SAMPLES = {COLUMNS}\r\nSAMPLE_TYPE = LSB_INTEGER\r\n\
         SAMPLE_BITS = 16\r\nUNIT = METER\r\nEND_OBJECT = IMAGE\r\n\
         OBJECT = IMAGE_MAP_PROJECTION\r\nMAP_PROJECTION_TYPE = \"SIMPLE CYLINDRICAL\"\r\n\
         A_AXIS_RADIUS = 3396.0 <KM>\r\nB_AXIS_RADIUS = 3396.0 <KM>\r\n\
         C_AXIS_RADIUS = 3396.0 <KM>\r\nPOSITIVE_LONGITUDE_DIRECTION = \"EAST\"\r\n\
         CENTER_LATITUDE = 0.0 <DEGREE>\r\nCENTER_LONGITUDE = 180.0 <DEGREE>\r\n\
         LINE_FIRST_PIXEL = 1\r\nLINE_LAST_PIXEL = {rows}\r\nSAMPLE_FIRST_PIXEL = 1\r\n\
         SAMPLE_LAST_PIXEL = {COLUMNS}\r\nMAP_RESOLUTION = 0.1 <PIXEL/DEGREE>\r\n\
         MAP_SCALE = 592.7 <KM/PIXEL>\r\nMAXIMUM_LATITUDE = 90.0 <DEGREE>\r\n\
         MINIMUM_LATITUDE = -90.0 <DEGREE>\r\nWESTERNMOST_LONGITUDE = 0.0 <DEGREE>\r\n\
         EASTERNMOST_LONGITUDE = 360.0 <DEGREE>\r\nLINE_PROJECTION_OFFSET = 8.5\r\n\
         SAMPLE_PROJECTION_OFFSET = 17.5\r\nEND_OBJECT = IMAGE_MAP_PROJECTION\r\nEND\r\n",
        bytes = 2 * COLUMNS
    );
    let cells = (0..rows * COLUMNS)
        .flat_map(|i| height(i / COLUMNS, i % COLUMNS).to_le_bytes())
        .collect();
    Sample {
        format: "PDS3",
        files: vec![
            ("a.lbl".to_owned(), text.into_bytes()),
            ("a.img".to_owned(), cells),
        ],
    }
}

fn samples() -> Vec<Sample> {
    let virtual_raster = {
        let mut sample = copied("VRT", "GTiff", "b.tif", &[]);
        let text = format!(
            "<VRTDataset rasterXSize=\"{COLUMNS}\" rasterYSize=\"{rows}\"><SRS>GEOGCS[&quot;a&quot;,\
             DATUM[&quot;a&quot;,SPHEROID[&quot;a&quot;,1000000,0]],PRIMEM[&quot;a&quot;,0],\
             UNIT[&quot;degree&quot;,0.0174532925199433]]</SRS><GeoTransform>-180,10,0,90,0,-10\
             </GeoTransform><VRTRasterBand dataType=\"Int16\" band=\"1\"><NoDataValue>-1\
             </NoDataValue><ComplexSource><SourceFilename relativeToVRT=\"1\">b.tif\
             </SourceFilename><SourceBand>1</SourceBand><SrcRect xOff=\"0\" yOff=\"0\" \
             xSize=\"{COLUMNS}\" ySize=\"{rows}\"/><DstRect xOff=\"0\" yOff=\"0\" \
             xSize=\"{COLUMNS}\" ySize=\"{rows}\"/></ComplexSource></VRTRasterBand></VRTDataset>",
            rows = COLUMNS / 2
        );
        let first = ("a.vrt".to_owned(), text.into_bytes());
        sample.files.insert(0, first);
        sample
    };
    vec![
        copied("netCDF classic", "netCDF", "a.nc", &[("FORMAT", "NC")]),
        copied("netCDF 64-bit", "netCDF", "a.nc", &[("FORMAT", "NC2")]),
        copied("netCDF-4", "netCDF", "a.nc", &[("FORMAT", "NC4")]),
        copied(
            "netCDF-4 packed",
            "netCDF",
            "a.nc",
            &[("FORMAT", "NC4"), ("COMPRESS", "DEFLATE")],
        ),
        copied("GeoTIFF", "GTiff", "a.tif", &[]),
        copied(
            "GeoTIFF packed",
            "GTiff",
            "a.tif",
            &[
                ("COMPRESS", "DEFLATE"),
                ("TILED", "YES"),
                ("BIGTIFF", "YES"),
            ],
        ),
        copied("GeoTIFF LZW", "GTiff", "a.tif", &[("COMPRESS", "LZW")]),
        copied("ENVI", "ENVI", "a.img", &[]),
        copied("ISIS3", "ISIS3", "a.cub", &[]),
        copied(
            "JPEG 2000",
            "JP2OpenJPEG",
            "a.jp2",
            &[("REVERSIBLE", "YES"), ("QUALITY", "100")],
        ),
        labelled(),
        virtual_raster,
    ]
}

/// The same files with some bytes changed: mostly few, mostly near the beginning of the first.
fn damaged(sample: &Sample, chance: &mut ChaCha8Rng) -> Vec<(String, Vec<u8>)> {
    let mut files = sample.files.clone();
    let which = match files.len() {
        1 => 0,
        all if chance.random_bool(0.3) => chance.random_range(0..all),
        _ => 0,
    };
    let bytes = &mut files[which].1;
    let reach = match chance.random_range(0..4) {
        0 => bytes.len(),
        1 => bytes.len().min(1024),
        _ => bytes.len().min(256),
    };
    if reach == 0 {
        return files;
    }
    for _ in 0..chance.random_range(1..=8) {
        let at = chance.random_range(0..reach);
        match chance.random_range(0..6) {
            0 => bytes[at] ^= 1 << chance.random_range(0..8),
            1 => bytes[at] = 0,
            2 => bytes[at] = 0xff,
            3 => bytes[at] = bytes[at].wrapping_add(1),
            // A number of four bytes, as lengths and counts are.
            4 => {
                let end = bytes.len().min(at + 4);
                chance.fill_bytes(&mut bytes[at..end]);
            }
            _ => bytes[at] = chance.random(),
        }
    }
    files
}

/// How a run ended.
struct Run {
    status: ExitStatus,
    said: String,
    time: Duration,
    kilobytes: u64,
}

/// Most memory that a process and those it started have held.
fn held_kilobytes(pid: u32) -> u64 {
    let own = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let own = own
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .and_then(|rest| rest.trim().trim_end_matches(" kB").parse().ok())
        .unwrap_or(0);
    let path = format!("/proc/{pid}/task/{pid}/children");
    let children = std::fs::read_to_string(path).unwrap_or_default();
    let children = children.split_whitespace().filter_map(|c| c.parse().ok());
    children.map(held_kilobytes).fold(own, u64::max)
}

fn inspected(folder: &Path, name: &str) -> Run {
    let wanted = program(folder, &["--quiet", "inspect", name]);
    let mut child = std::process::Command::new(wanted.get_program())
        .args(wanted.get_args())
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let start = Instant::now();
    let mut kilobytes = 0;
    let status = loop {
        kilobytes = held_kilobytes(child.id()).max(kilobytes);
        match child.try_wait().unwrap() {
            Some(status) => break status,
            // Far beyond what is a fault already; the test is to end.
            None if start.elapsed() > 3 * MOST_TIME => {
                child.kill().unwrap();
                break child.wait().unwrap();
            }
            None => std::thread::sleep(Duration::from_millis(4)),
        }
    };
    let mut said = Vec::new();
    let mut stderr = child.stderr.take().unwrap();
    stderr.read_to_end(&mut said).unwrap();
    Run {
        status,
        said: String::from_utf8_lossy(&said).into_owned(),
        time: start.elapsed(),
        kilobytes,
    }
}

/// What is wrong with a run, if anything.
fn fault(run: &Run) -> Option<String> {
    let lines = run.said.lines().count();
    let sound = match run.status.code() {
        Some(0) => run.said.is_empty(),
        // What a damaged file says of scale or radius may also contradict what is known.
        Some(3 | 4) => lines == 1 && run.said.starts_with("globewright: "),
        _ => false,
    };
    let quick = run.time <= MOST_TIME;
    let small = run.kilobytes <= MOST_KILOBYTES;
    (!(sound && quick && small)).then(|| {
        format!(
            "{}, {:.1} s, {} MB: {}",
            run.status,
            run.time.as_secs_f64(),
            run.kilobytes >> 10,
            run.said
        )
    })
}

/// Damages and reads so many grids; what was seen, in one line for each kind of end.
fn try_all(count: usize, seed: u64) -> String {
    let samples = samples();
    for sample in &samples {
        let folder = TempDir::new().unwrap();
        for (name, bytes) in &sample.files {
            std::fs::write(folder.path().join(name), bytes).unwrap();
        }
        let whole = inspected(folder.path(), &sample.files[0].0);
        assert_eq!(
            whole.status.code(),
            Some(0),
            "{}: {}",
            sample.format,
            whole.said
        );
    }
    let next = AtomicUsize::new(0);
    let faults = Mutex::new(Vec::new());
    let seen = Mutex::new(BTreeMap::<String, usize>::new());
    let most = Mutex::new((Duration::ZERO, 0));
    let kept: Option<PathBuf> = std::env::var_os("KEEP_FAULTS").map(PathBuf::from);
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let case = next.fetch_add(1, Ordering::Relaxed);
                    if case >= count {
                        return;
                    }
                    let sample = &samples[case % samples.len()];
                    let mut chance = ChaCha8Rng::seed_from_u64(seed + case as u64);
                    let files = damaged(sample, &mut chance);
                    let folder = TempDir::new().unwrap();
                    for (name, bytes) in &files {
                        std::fs::write(folder.path().join(name), bytes).unwrap();
                    }
                    let run = inspected(folder.path(), &files[0].0);
                    let kind = [
                        "broke down",
                        "gets nowhere",
                        "more memory",
                        "an answer that",
                    ]
                    .into_iter()
                    .find(|words| run.said.contains(words))
                    .map_or_else(|| run.status.to_string(), str::to_owned);
                    *seen.lock().unwrap().entry(kind).or_default() += 1;
                    let mut most = most.lock().unwrap();
                    *most = (most.0.max(run.time), most.1.max(run.kilobytes));
                    drop(most);
                    if let Some(fault) = fault(&run) {
                        if let Some(kept) = &kept {
                            let kept = kept.join(case.to_string());
                            std::fs::create_dir_all(&kept).unwrap();
                            for (name, bytes) in &files {
                                std::fs::write(kept.join(name), bytes).unwrap();
                            }
                        }
                        let line = format!("{case} ({}): {fault}", sample.format);
                        faults.lock().unwrap().push(line);
                    }
                }
            });
        }
    });
    let faults = faults.into_inner().unwrap();
    let (seen, most) = (seen.into_inner().unwrap(), most.into_inner().unwrap());
    let figures = format!(
        "{count} grids: {seen:?}; longest {:.1} s, largest {} MB",
        most.0.as_secs_f64(),
        most.1 >> 10
    );
    assert!(faults.is_empty(), "{figures}\n{}", faults.join("\n"));
    figures
}

#[test]
fn damaged_grids_end_in_one_line() {
    println!("{}", try_all(150, 1));
}

/// `cargo test --test all damaged -- --ignored --nocapture`, some ten minutes; files on which it
/// fails are kept in the folder that the variable `KEEP_FAULTS` names.
#[test]
#[ignore = "takes some ten minutes"]
fn five_thousand_damaged_grids_end_in_one_line() {
    println!("{}", try_all(5000, 1_000_000));
}
