use crate::support::{
    assert_sound, carve, contents, files, heeding_signals, program, run, smooth_job,
};
use sha2::{Digest, Sha256};
use std::path::Path;
use std::time::Duration;
use tempfile::TempDir;

/// Solid, base, projection and format of whole runs: every base, projection and format, few
/// faces and many, one kind and several, mirror-image kinds, and faces with three to ten sides.
const KINDS_OF_JOB: [(&str, &str, &str, &str); 10] = [
    ("cube", "sphere", "radial", "png"),
    ("octahedron", "flat", "gnomonic", "tiff"),
    ("dodecahedron", "flat", "radial", "png"),
    ("icosahedron", "sphere", "radial", "tiff"),
    ("truncated-icosahedron", "sphere", "radial", "png"),
    ("truncated-dodecahedron", "flat", "gnomonic", "png"),
    ("snub-cube", "sphere", "radial", "png"),
    ("rhombic-triacontahedron", "flat", "radial", "tiff"),
    ("pentagonal-hexecontahedron", "sphere", "radial", "png"),
    ("disdyakis-triacontahedron", "sphere", "radial", "tiff"),
];

#[test]
fn every_kind_of_job_makes_a_folder_that_passes_its_check() {
    let folder = smooth_job(
        180,
        "[globe]\ndiameter = \"120 mm\"\n[relief]\nrange = \"2 mm\"\n\
         [stock]\nthickness = \"70 mm\"\nedge = \"2 mm\"\n[image]\npixel = \"0.5 mm\"\n",
    );
    for (solid, base, projection, format) in KINDS_OF_JOB {
        let set = [
            format!("globe.solid={solid}"),
            format!("globe.base={base}"),
            format!("globe.projection={projection}"),
            format!("image.format={format}"),
        ];
        let set: Vec<&str> = set.iter().map(String::as_str).collect();
        let summary = carve(&folder, None, &set).unwrap_or_else(|e| panic!("{solid}: {e}"));
        let manifest = &summary.manifest;
        let out = folder.path().join("out");
        assert_sound(&out);
        let images = files(&out.join("facets"));
        let extension = if format == "tiff" { "tif" } else { "png" };
        let labels = manifest.facets.iter().map(|facet| &facet.label);
        let expected: Vec<String> = labels.map(|label| format!("{label}.{extension}")).collect();
        // Labels have two digits and then three, so they sort by number only up to 99.
        let as_set = |names: &[String]| {
            names
                .iter()
                .cloned()
                .collect::<std::collections::BTreeSet<_>>()
        };
        assert_eq!(as_set(&images), as_set(&expected), "{solid}");
        assert_eq!(manifest.checks.clipped_px, 0, "{solid}");
        let step_mm = manifest.checks.seams.as_ref().unwrap().worst_seam_step_mm;
        if projection == "radial" {
            // Radial neighbours carve the same ground in the seam's plane; what is left is
            // the images' own fineness.
            assert!(step_mm < 0.03, "{solid}: {step_mm} mm");
        } else {
            assert!(step_mm > 0.03, "{solid}: {step_mm} mm");
        }
    }
}

#[test]
fn seams_of_a_smooth_ball_meet_within_three_hundredths_of_a_millimetre() {
    let folder = smooth_job(
        720,
        "[globe]\nsolid = \"dodecahedron\"\ndiameter = \"200 mm\"\n[relief]\nrange = \"6 mm\"\n\
         [stock]\nthickness = \"50 mm\"\n[image]\npixel = \"0.1 mm\"\n",
    );
    let checks = carve(&folder, None, &[]).unwrap().manifest.checks;
    let step_mm = checks.seams.as_ref().unwrap().worst_seam_step_mm;
    assert!(step_mm <= 0.03, "{step_mm} mm");
    assert_eq!((checks.undercut_px, checks.clipped_px), (0, 0));
    assert_sound(&folder.path().join("out"));
}

#[test]
fn any_number_of_threads_writes_the_same_folder() {
    let folder = smooth_job(
        360,
        "[globe]\nsolid = \"truncated-octahedron\"\n[relief]\nrange = \"4 mm\"\n\
         [stock]\nthickness = \"70 mm\"\n[image]\npixel = \"0.4 mm\"\n",
    );
    let with = |threads: &str, out: &str| {
        let words = ["facets", "smooth.toml", "--out", out, "--threads", threads];
        let (code, _, err) = run(&folder, &words);
        assert_eq!(code, 0, "{err}");
        contents(&folder.path().join(out))
    };
    let one = with("1", "one");
    // 14 images, manifest, report, page, overview.
    assert_eq!(one.len(), 18);
    assert!(one == with("2", "two"));
    assert!(one == with("5", "five"));
    // Facets drawn one after the other because memory is short.
    let words = ["facets", "smooth.toml", "--out", "tight", "--memory", "70M"];
    assert_eq!(run(&folder, &words).0, 0);
    assert!(one == contents(&folder.path().join("tight")));
}

#[test]
fn chosen_facets_are_the_same_bytes_as_in_a_whole_run() {
    let folder = smooth_job(
        360,
        "[globe]\nsolid = \"icosidodecahedron\"\n[relief]\nrange = \"4 mm\"\n\
         [image]\npixel = \"0.4 mm\"\n",
    );
    let words = ["facets", "smooth.toml", "--out", "whole"];
    assert_eq!(run(&folder, &words).0, 0);
    let words = [
        "facets",
        "smooth.toml",
        "--out",
        "some",
        "--facets",
        "3,7-9,32",
    ];
    let (code, out, err) = run(&folder, &words);
    assert_eq!((code, out.as_str()), (0, "some\n"));
    assert_eq!(
        err,
        "Carved 5 facets of an icosidodecahedron; start with some/report.html\n"
    );
    let images = |out: &str| contents(&folder.path().join(out).join("facets"));
    let (whole, some) = (images("whole"), images("some"));
    let names: Vec<_> = some.keys().map(|name| name.to_str().unwrap()).collect();
    assert_eq!(names, ["03.png", "07.png", "08.png", "09.png", "32.png"]);
    for (name, bytes) in &some {
        assert!(bytes == &whole[name], "{}", name.display());
    }
    let (code, _, err) = run(&folder, &["check", "some"]);
    assert_eq!((code, err.as_str()), (0, ""));
}

#[test]
fn a_folder_is_replaced_only_when_asked_and_only_if_it_is_a_result() {
    let folder = smooth_job(
        180,
        "[globe]\nsolid = \"cube\"\n[relief]\nrange = \"3 mm\"\n[stock]\nthickness = \"90 mm\"\n\
         [image]\npixel = \"1 mm\"\n",
    );
    let words = ["facets", "smooth.toml", "--out", "out", "--quiet"];
    assert_eq!(run(&folder, &words), (0, "out\n".into(), String::new()));
    let before = contents(&folder.path().join("out"));
    let (code, out, err) = run(
        &folder,
        &[&words[..], &["--set", "image.pixel=2 mm"]].concat(),
    );
    assert_eq!((code, out.as_str()), (6, ""));
    let here = folder.path().canonicalize().unwrap();
    assert_eq!(
        err,
        format!(
            "globewright: disk: --out: the output folder already holds a result; choose another, or \
             add --force to replace it ({})\n",
            here.join("out").display()
        )
    );
    assert!(before == contents(&folder.path().join("out")));

    let forced = [&words[..], &["--force", "--set", "image.pixel=2 mm"]].concat();
    assert_eq!(run(&folder, &forced).0, 0);
    assert!(before != contents(&folder.path().join("out")));

    // A note of the maker's among the results is not thrown away.
    let note = folder.path().join("out/note.txt");
    std::fs::write(&note, "cherry").unwrap();
    let (code, _, err) = run(&folder, &forced);
    assert_eq!(code, 6, "{err}");
    assert_eq!(std::fs::read_to_string(note).unwrap(), "cherry");
    assert_eq!(files(folder.path()), ["out", "smooth.tif", "smooth.toml"]);
}

/// Kept small in number of pixels per facet but many, so that it takes a while.
const SLOW_JOB: &str = "[globe]\ndiameter = \"400 mm\"\n[relief]\nrange = \"4 mm\"\n\
    [stock]\nthickness = \"100 mm\"\n[image]\npixel = \"0.05 mm\"\n";

#[test]
#[cfg(unix)]
fn an_interrupted_run_leaves_nothing() {
    let folder = smooth_job(360, SLOW_JOB);
    let mut child = heeding_signals()
        .current_dir(folder.path())
        .args(["facets", "smooth.toml", "--out", "deep/down/out"])
        .stderr(std::process::Stdio::null())
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let parent = folder.path().join("deep/down");
    let has_begun = || parent.is_dir() && !files(&parent).is_empty();
    while !has_begun() {
        assert_eq!(child.try_wait().unwrap(), None, "it ended before it began");
        std::thread::sleep(Duration::from_millis(5));
    }
    let told = std::process::Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(told.unwrap().success());
    assert_eq!(child.wait().unwrap().code(), Some(130));
    assert_eq!(files(folder.path()), ["smooth.tif", "smooth.toml"]);
}

/// Images of the sample job against the list in `tests/expected`.
///
/// The list was made on x86-64 Linux with glibc. Elsewhere the last bit of a sine may differ, and
/// with it a level here and there, so the bytes are compared on that platform only.
#[test]
#[cfg(all(target_arch = "x86_64", target_os = "linux", target_env = "gnu"))]
fn the_sample_job_still_gives_the_images_it_gave() {
    let folder = TempDir::new().unwrap();
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-rasters/ashkerry.toml");
    let words = ["facets", sample.to_str().unwrap(), "--out", "out"];
    let output = program(folder.path(), &words).output().unwrap();
    let remarks = String::from_utf8(output.stderr).unwrap();
    assert_eq!(
        remarks,
        "Carved 12 facets of a rhombic-dodecahedron; start with out/report.html\n"
    );
    let mut list = String::new();
    for (name, bytes) in contents(&folder.path().join("out/facets")) {
        let sum: String = Sha256::digest(&bytes)
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        list += &format!("{}: {sum}\n", name.display());
    }
    let expected = include_str!("../expected/checksums.txt");
    let expected: String = expected
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| format!("{line}\n"))
        .collect();
    assert_eq!(list, expected, "new list:\n{list}");
}
