use crate::support::{files, run};
use globewright::jobfile;
use std::path::Path;
use tempfile::TempDir;

/// The sample world with settings of its own and coarse pixels.
fn job(folder: &TempDir, relief: &str) {
    let grid = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-rasters/ashkerry.tif");
    let text = format!(
        "[grid]\nfiles = ['{}']\n[globe]\nsolid = \"cube\"\ndiameter = \"120 mm\"\n[stock]\n\
         thickness = \"60 mm\"\n[image]\npixel = \"0.5 mm\"\n[relief]\nrange = \"5 mm\"\n{relief}",
        grid.display()
    );
    std::fs::write(folder.path().join("job.toml"), text).unwrap();
}

#[test]
fn curves_are_compared_and_one_is_suggested_that_a_job_takes() {
    let folder = TempDir::new().unwrap();
    job(&folder, "");
    let words = [
        "curves",
        "job.toml",
        "--suggest",
        "--json",
        "--out",
        "seen",
        "-q",
        "--try",
        "curve=linear",
        "--try",
        "curve=asinh,boost=4,method=layered",
    ];
    let (code, out, err) = run(&folder, &words);
    assert_eq!((code, err.as_str()), (0, ""));
    let found: serde_json::Value = serde_json::from_str(&out).unwrap();
    let curves = found["curves"].as_array().unwrap();
    let labels: Vec<&str> = curves
        .iter()
        .map(|row| row["label"].as_str().unwrap())
        .collect();
    assert_eq!(
        labels,
        [
            "curve=linear",
            "curve=asinh,boost=4,method=layered",
            "suggested"
        ]
    );
    let legible = |row: usize| curves[row]["legible_share"].as_f64().unwrap();
    assert!(legible(2) > legible(0));
    assert_eq!(curves[0]["order_kept"], 1.0);
    assert!(curves[2]["order_kept"].as_f64().unwrap() >= 0.99);
    // A straight line makes the same of every height.
    let at = curves[0]["at"].as_array().unwrap();
    for place in at {
        let difference =
            place["mm_per_km"].as_f64().unwrap() - at[0]["mm_per_km"].as_f64().unwrap();
        assert!(difference.abs() < 1e-6);
    }
    let block = found["suggestion"]["block"].as_str().unwrap();
    jobfile::parse(block, Path::new("pasted.toml"), &[]).unwrap();
    assert_eq!(
        files(&folder.path().join("seen")),
        [
            "curves.json",
            "curves.md",
            "curves.png",
            "curves.svg",
            "frontier.png",
            "frontier.svg",
            "sheet.png"
        ]
    );
}

#[test]
fn a_try_that_cannot_be_read_is_told() {
    let folder = TempDir::new().unwrap();
    job(&folder, "");
    let (code, out, err) = run(&folder, &["curves", "job.toml", "--try", "curve=cubic"]);
    assert_eq!((code, out.as_str()), (3, ""));
    assert_eq!(
        err,
        "globewright: job: relief.curve: this word is not known here; found \"cubic\"; allowed: \
         \"linear\", \"power\", \"asinh\", \"log\", \"equalize\" or \"knots\"; write one of these \
         (--set relief.curve=cubic)\n"
    );
}
