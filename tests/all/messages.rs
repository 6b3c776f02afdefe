//! Bad input through the program: exit code by who must act, one line, nothing left behind.

use crate::support::{Raster, files, run};
use glam::DVec3;
use tempfile::TempDir;

/// A job that works with any sound grid named `world.tif`: a cube of 100 mm.
const JOB: &str = "[grid]\nfiles = [\"world.tif\"]\n[globe]\nsolid = \"cube\"\n\
    diameter = \"100 mm\"\n[relief]\nrange = \"3 mm\"\n[stock]\nthickness = \"50 mm\"\n\
    edge = \"4 mm\"\n[image]\npixel = \"0.5 mm\"\n";

/// Some ground, metres.
fn hills(d: DVec3) -> f64 {
    1000.0 * (5.0 * d.x + 3.0 * d.y).sin() + 300.0 * (9.0 * d.z).cos()
}

fn folder_with(job: &str) -> TempDir {
    let folder = TempDir::new().unwrap();
    std::fs::write(folder.path().join("job.toml"), job).unwrap();
    folder
}

fn with_world(raster: Raster, height: impl Fn(DVec3) -> f32) -> TempDir {
    let folder = folder_with(JOB);
    raster.write(&folder.path().join("world.tif"), height);
    folder
}

fn sound() -> TempDir {
    with_world(Raster::globe(72), |d| hills(d) as f32)
}

/// Runs the job and asserts that it fails with this code and exactly this line, and that the
/// folder holds what it held. `HERE` in the message stands for the folder's own path.
fn refused(folder: &TempDir, more: &[&str], code: i32, message: &str) {
    let before = files(folder.path());
    let words = [&["facets", "job.toml", "--out", "made/globe"], more].concat();
    let (found, out, err) = run(folder, &words);
    let here = folder.path().canonicalize().unwrap();
    let err = err.replace(&here.display().to_string(), "HERE");
    let err = err.replace(&folder.path().display().to_string(), "HERE");
    assert_eq!(err, format!("globewright: {message}\n"));
    assert_eq!((found, out.as_str()), (code, ""));
    assert_eq!(files(folder.path()), before, "something was left behind");
}

#[test]
fn a_sound_job_is_not_refused() {
    let folder = sound();
    let (code, out, err) = run(
        &folder,
        &["facets", "job.toml", "--out", "made/globe", "-q"],
    );
    assert_eq!((code, out.as_str(), err.as_str()), (0, "made/globe\n", ""));
}

#[test]
fn a_grid_that_is_missing_or_cannot_be_read() {
    let folder = folder_with(JOB);
    let missing = "grid: grid.files: the grid file is missing; check its name; names in a job \
                   file count from the job file's folder (world.tif)";
    refused(&folder, &[], 4, missing);

    let grid = folder.path().join("world.tif");
    std::fs::create_dir(&grid).unwrap();
    let folders = "grid: grid.files: the name is a folder's, not a file's; name the grid file \
                   inside it (world.tif)";
    refused(&folder, &[], 4, folders);
    std::fs::remove_dir(&grid).unwrap();

    std::fs::write(&grid, "").unwrap();
    let empty = "grid: grid.files: the grid file is empty; copy or download it again (world.tif)";
    refused(&folder, &[], 4, empty);

    std::fs::write(&grid, "not a raster").unwrap();
    let unknown = "grid: the file is in no format that is read; allowed: GeoTIFF, netCDF, JPEG \
                   2000, HGT, VRT, PDS3 label and other gridded formats; check that the file is \
                   complete, or convert it to GeoTIFF (world.tif)";
    refused(&folder, &[], 4, unknown);
}

#[test]
fn a_grid_that_does_not_cover_the_globe() {
    let north = Raster {
        rows: 18,
        ..Raster::globe(72)
    };
    let message = "grid: the grid does not cover the whole globe; found latitudes 0 to 90 \
                   (latitudes -90 to 0 missing); allowed: all longitudes and latitudes from pole \
                   to pole; use a global grid, or list all the tiles that make one (world.tif)";
    refused(&with_world(north, |d| hills(d) as f32), &[], 4, message);
}

#[test]
fn a_grid_that_does_not_say_where_it_lies() {
    let nowhere = Raster {
        crs: None,
        placed: None,
        ..Raster::globe(72)
    };
    let message = "grid: the file does not say where on the body its cells lie; found 72 × 36 \
                   cells without coordinates; add under [grid] west = the longitude of its \
                   western edge (often 0 or -180), radius or body, and scale and offset if its \
                   numbers are not metres (world.tif)";
    refused(&with_world(nowhere, |d| hills(d) as f32), &[], 4, message);

    let metres = Raster {
        crs: None,
        placed: Some([-1.8e7, 5e5, 0.0, 9e6, 0.0, -5e5]),
        ..Raster::globe(72)
    };
    let message = "grid: the file names no coordinate system, and its coordinates are not \
                   degrees; found a west edge at -18000000, 72 columns of 500000; allowed: 360° of \
                   longitude, or metres with a coordinate system; write the coordinate system into \
                   the file (world.tif)";
    refused(&with_world(metres, |d| hills(d) as f32), &[], 4, message);
}

#[test]
fn a_grid_with_nothing_in_it() {
    let message = "grid: every cell of the grid is without data; check the file, and nodata under \
                   [grid] if it is set (world.tif)";
    for nothing in [f32::NAN, f32::INFINITY] {
        refused(&with_world(Raster::globe(72), |_| nothing), &[], 4, message);
    }
    let declared = Raster {
        nodata: Some(-32768.0),
        ..Raster::globe(72)
    };
    refused(&with_world(declared, |_| -32768.0), &[], 4, message);

    let level = "grid: the grid has the same height everywhere, so there is nothing to carve; \
                 found 12 m; allowed: at least two different heights (world.tif)";
    refused(&with_world(Raster::globe(72), |_| 12.0), &[], 4, level);
}

/// Lone cells that hold no number are holes: filled, counted and reported, not refused.
#[test]
fn cells_that_are_no_numbers_are_filled_and_reported() {
    for hole in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
        let folder = with_world(Raster::globe(360), |d| {
            if d.x > 0.999 { hole } else { hills(d) as f32 }
        });
        let words = ["facets", "job.toml", "--out", "globe"];
        let (code, _, err) = run(&folder, &words);
        assert_eq!(code, 0, "{err}");
        let note = " cells of the grid (0.06 % of the globe) hold no data and were filled";
        assert!(err.contains(note), "{err}");
        let text = std::fs::read_to_string(folder.path().join("globe/globe.json")).unwrap();
        let globe: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert!(
            globe["source"]["filled_cells"].as_u64() > Some(10),
            "{hole}"
        );
        assert_eq!(run(&folder, &["check", "globe"]).0, 0);
    }
}

#[test]
fn a_grid_cut_short_names_the_row() {
    let folder = sound();
    let path = folder.path().join("world.tif");
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let words = ["facets", "job.toml", "--out", "made/globe"];
    let (code, out, err) = run(&folder, &words);
    assert_eq!((code, out.as_str()), (4, ""));
    // In between stand GDAL's own words, which differ from release to release.
    let start = "globewright: grid: the grid could not be read at row ";
    let end = "; the file is damaged or cut short; copy or download it again (world.tif)\n";
    assert!(err.starts_with(start) && err.ends_with(end), "{err}");
    assert_eq!(err.lines().count(), 1);
    assert_eq!(files(folder.path()), ["job.toml", "world.tif"]);
}

#[test]
fn a_file_with_two_bands() {
    let two = Raster {
        bands: 2,
        ..Raster::globe(72)
    };
    let message = "grid: the file does not hold exactly one band of heights; found 2 bands; \
                   allowed: 1 band; copy the band with the heights into a file of its own \
                   (world.tif)";
    refused(&with_world(two, |d| hills(d) as f32), &[], 4, message);
}

#[test]
fn sizes_of_nothing_and_less() {
    let folder = sound();
    for (key, value, allowed) in [
        ("globe.diameter", "0 mm", "a length, 5 mm to 10 m"),
        (
            "globe.diameter",
            "-8 in",
            "a length, 0.197 in to 393.700 in",
        ),
        ("image.pixel", "0 mm", "a length, 0.005 mm to 10 mm"),
        ("image.pixel", "-0.1 mm", "a length, 0.005 mm to 10 mm"),
        ("stock.thickness", "0 in", "a length, 0.040 in to 39.370 in"),
        (
            "stock.thickness",
            "-1 in",
            "a length, 0.040 in to 39.370 in",
        ),
        ("stock.skim", "-1 mm", "a length, 0 mm to 500 mm"),
        ("stock.edge", "-1 mm", "a length, 0 mm to 500 mm"),
        ("stock.trim", "-1/8 in", "a length, 0.000 in to 19.685 in"),
        (
            "relief.range",
            "0 mm",
            "\"auto\", \"most\", or a length, 0.01 mm to 1 m",
        ),
        (
            "relief.range",
            "-2 mm",
            "\"auto\", \"most\", or a length, 0.01 mm to 1 m",
        ),
    ] {
        let set = format!("{key}={value}");
        let message = format!(
            "job: {key}: this is too small; found \"{value}\"; allowed: {allowed}; choose a value \
             within that range (--set {set})"
        );
        refused(&folder, &["--set", &set], 3, &message);
    }
    // The same in the job file names its line.
    let job = JOB.replace("\"100 mm\"", "\"-100 mm\"");
    let folder = folder_with(&job);
    let message = "job: globe.diameter: this is too small; found \"-100 mm\"; allowed: a length, \
                   5 mm to 10 m; choose a value within that range (job.toml line 5)";
    refused(&folder, &[], 3, message);
}

#[test]
fn stock_that_is_too_thin() {
    let folder = sound();
    let thin = ["--set", "stock.thickness=20 mm"];
    let message = "stock: stock.thickness: a globe of 100 mm with 3 mm of relief does not fit 20 mm \
                   stock; found no wood at the thinnest corner, which lies 3.92 mm below the back; \
                   allowed: at least 4 mm (stock.edge); any of these holds it: stock.thickness of \
                   at least 28.1 mm, or globe.solid = \"dodecahedron\" (12 facets), or \
                   globe.diameter of at most 62 mm \
                   (--set stock.thickness=20 mm)";
    refused(&folder, &thin, 5, message);
    // Each way out is one.
    for way in [
        "stock.thickness=28.1 mm",
        "globe.solid=dodecahedron",
        "globe.diameter=62 mm",
    ] {
        let words = ["facets", "job.toml", "--out", "out", "--force"];
        let (code, _, err) = run(&folder, &[&words[..], &thin, &["--set", way]].concat());
        assert_eq!(code, 0, "{way}: {err}");
    }
}

#[test]
fn pixels_too_small_for_the_memory() {
    let folder = sound();
    let fine = ["--set", "image.pixel=0.01 mm", "--memory", "100M"];
    let message = "job: image.pixel: images this fine do not fit in memory; found 0.01 mm and \
                   888 MB for one facet; allowed: at most 79 MB beside the program itself; use \
                   pixels of 0.04 mm or more, or raise --memory (--set image.pixel=0.01 mm)";
    refused(&folder, &fine, 3, message);
    let words = ["facets", "job.toml", "--out", "out", "--memory", "100M"];
    let (code, _, err) = run(
        &folder,
        &[&words[..], &["--set", "image.pixel=0.04 mm"]].concat(),
    );
    assert_eq!(code, 0, "{err}");

    // Far beyond any machine, without a bound given: refused at once, not tried.
    let huge = [
        "facets",
        "job.toml",
        "--out",
        "huge",
        "--set",
        "image.pixel=0.005 mm",
        "--set",
        "globe.diameter=1.9 m",
        "--set",
        "stock.thickness=1 m",
        "--memory",
        "1T",
    ];
    let (code, _, err) = run(&folder, &huge);
    assert_eq!(code, 3);
    let start = "globewright: job: image.pixel: images this fine do not fit in memory; found \
                 0.005 mm and ";
    assert!(err.starts_with(start), "{err}");
    assert_eq!(files(folder.path()), ["job.toml", "out", "world.tif"]);
}

#[test]
fn places_that_cannot_be_written() {
    let folder = sound();
    let at = |out: &str| {
        let (code, printed, err) = run(&folder, &["facets", "job.toml", "--out", out]);
        assert_eq!((code, printed.as_str()), (6, ""), "{err}");
        let here = folder.path().canonicalize().unwrap();
        err.replace(&here.display().to_string(), "HERE")
    };
    assert_eq!(
        at("world.tif"),
        "globewright: disk: --out: the output folder is a file; choose another name \
         (HERE/world.tif)\n"
    );
    // The kernel's own folder takes no new files, not even root's.
    #[cfg(target_os = "linux")]
    assert_eq!(
        at("/proc/globe"),
        "globewright: disk: could not create the output folder: there is no such file or folder; \
         check the path (/proc)\n"
    );
    assert_eq!(files(folder.path()), ["job.toml", "world.tif"]);
}

/// A limit on the size of a file stops writing half-way, as a full disk does.
#[test]
#[cfg(unix)]
fn a_disk_that_takes_no_more() {
    let folder = sound();
    let limited = "ulimit -f 4 && exec \"$0\" facets job.toml --out made/globe";
    let output = std::process::Command::new("sh")
        .current_dir(folder.path())
        .args(["-c", limited, env!("CARGO_BIN_EXE_globewright")])
        .output()
        .unwrap();
    let err = String::from_utf8(output.stderr).unwrap();
    let start = "globewright: disk: could not write the file: the file is larger than the system \
                 allows; choose another disk, or larger pixels (";
    assert!(err.starts_with(start), "{err}");
    assert_eq!(err.lines().count(), 1);
    assert_eq!(output.status.code(), Some(6));
    assert_eq!(files(folder.path()), ["job.toml", "world.tif"]);
}

/// What `check` says of a folder that was changed after it was made.
#[test]
fn a_finished_folder_that_was_changed() {
    let folder = sound();
    let words = ["facets", "job.toml", "--out", "globe", "--quiet"];
    assert_eq!(run(&folder, &words).0, 0);
    let image = folder.path().join("globe/facets/03.png");
    std::fs::remove_file(&image).unwrap();
    let (code, out, err) = run(&folder, &["check", "globe"]);
    assert_eq!(code, 7);
    assert!(out.contains("WRONG  facet 03: "), "{out}");
    assert_eq!(err.lines().count(), 1);
    let end = "do not carve from this folder; run the job again (globe)\n";
    assert!(
        err.starts_with("globewright: check: ") && err.ends_with(end),
        "{err}"
    );

    let (code, _, err) = run(&folder, &["check", "nowhere"]);
    assert_eq!(code, 6);
    assert_eq!(
        err,
        "globewright: disk: there is no globe.json here; allowed: a folder written by \
         `globewright facets`; check the path (nowhere)\n"
    );
}

/// A job that names a planet its grid is not of: reported, never silently chosen.
#[test]
fn a_contradiction_between_job_and_grid() {
    let message = "grid: grid.body and the grid's coordinate system speak of different bodies; \
                   found 3396190 m (Mars) and 1000000 m; allowed: two radii within 0.5 % of each \
                   other, or of one body; correct the setting, or write the right coordinate \
                   system into the file (world.tif)";
    refused(&sound(), &["--set", "grid.body=Mars"], 4, message);
}
