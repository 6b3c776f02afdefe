//! Bits and turns from the command line, on the sample world.

use assert_cmd::Command;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const COARSE: &str = "image.pixel=0.5mm";

fn sample() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-rasters/ashkerry.toml")
}

/// Runs the program on the sample job; exit code, standard output and standard error.
fn run(command: &str, folder: &TempDir, words: &[&str]) -> (i32, String, String) {
    let mut program = Command::new(env!("CARGO_BIN_EXE_globewright"));
    let output = program
        .current_dir(folder.path())
        .arg(command)
        .arg(sample())
        .args(words)
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

fn manifest(folder: &TempDir, out: &str) -> serde_json::Value {
    let text = std::fs::read_to_string(folder.path().join(out).join("globe.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn levels(path: &Path) -> Vec<u16> {
    image::open(path).unwrap().into_luma16().into_raw()
}

#[test]
fn bits_add_images_numbers_and_a_section_of_the_report() {
    let folder = TempDir::new().unwrap();
    let some = ["--out", "x", "--set", COARSE, "--facets", "1,5"];
    let words = [&some[..], &["--carved", "--set", "cutter.1.diameter=3mm"]].concat();
    let (code, _, err) = run("facets", &folder, &words);
    assert_eq!(code, 0, "{err}");
    let cutting = &manifest(&folder, "x")["cutting"];
    assert_eq!(cutting["finishing"]["name"], "3 mm ball");
    assert_eq!(cutting["facets"].as_array().unwrap().len(), 2);
    // No roughing bit was named.
    assert!(!folder.path().join("x/rough").exists());
    let report = std::fs::read_to_string(folder.path().join("x/report.md")).unwrap();
    assert!(report.contains("## Bits and time") && report.contains("There is no roughing bit"));

    // With the usual bits, what is carved and what is roughed never lies below what is wanted.
    let words = [&some[..], &["--cutters", "--carved", "--force"]].concat();
    let (code, _, err) = run("facets", &folder, &words);
    assert_eq!(code, 0, "{err}");
    let out = folder.path().join("x");
    for facet in ["01.png", "05.png"] {
        let wanted = levels(&out.join("facets").join(facet));
        for other in ["rough", "carved"] {
            let above = levels(&out.join(other).join(facet));
            assert!(
                above.iter().zip(&wanted).all(|(a, w)| a >= w),
                "{other} {facet}"
            );
        }
    }
    assert!(out.join("rough/ring-A.svg").exists());
    let (code, ..) = {
        let mut program = Command::new(env!("CARGO_BIN_EXE_globewright"));
        let output = program.args(["check"]).arg(&out).output().unwrap();
        (output.status.code().unwrap(), output)
    };
    assert_eq!(code, 0);
    // The folder is known as the program's own, images of bits and all.
    let words = [&some[..], &["--force"]].concat();
    assert_eq!(run("facets", &folder, &words).0, 0);
    assert!(!out.join("rough").exists());
}

#[test]
fn any_subset_of_facets_gives_the_same_numbers_about_bits() {
    let folder = TempDir::new().unwrap();
    let entry = |out: &str, facets: &str, threads: &str| {
        let words = [
            "--out",
            out,
            "--set",
            COARSE,
            "--cutters",
            "--facets",
            facets,
            "--threads",
            threads,
        ];
        assert_eq!(run("facets", &folder, &words).0, 0);
        let list = manifest(&folder, out)["cutting"]["facets"].clone();
        let rough = std::fs::read(folder.path().join(out).join("rough/07.png")).unwrap();
        let seven = list.as_array().unwrap().iter().find(|f| f["id"] == 7);
        (seven.unwrap().clone(), rough)
    };
    assert_eq!(entry("a", "7", "1"), entry("b", "6-8", "3"));
}

#[test]
fn turn_prints_a_block_that_facets_takes_or_finds_by_itself() {
    let folder = TempDir::new().unwrap();
    let (code, out, err) = run("turn", &folder, &["--map", "seams.png", "--set", COARSE]);
    assert_eq!(code, 0, "{err}");
    let at = out.find("[globe.turn]").unwrap();
    let block = &out[at..];
    assert!(out.contains("before") && out.contains("median"), "{out}");
    let map = image::open(folder.path().join("seams.png")).unwrap();
    assert!(map.width() > 1500 && map.height() > 1500);
    let (code, _, err) = run("turn", &folder, &["--map", "seams.png", "--set", COARSE]);
    assert_eq!(code, 6);
    assert_eq!(
        err,
        "globewright: disk: this file exists already; choose another name, or add --force to \
         replace it (seams.png)\n"
    );

    let words = [
        "--out",
        "x",
        "--set",
        COARSE,
        "--facets",
        "1",
        "--set",
        "globe.turn=auto",
    ];
    let (code, _, err) = run("facets", &folder, &words);
    assert_eq!(code, 0, "{err}");
    let turn = &manifest(&folder, "x")["job"]["globe"]["turn"];
    assert_eq!(turn["place"], "auto");
    for key in ["lat", "lon", "spin"] {
        let found = turn[key].as_f64().unwrap();
        let line = format!("{key} = {found}\n");
        assert!(block.contains(&line), "{line} not in\n{block}");
    }
}

#[test]
fn turn_as_json_holds_five_choices() {
    let folder = TempDir::new().unwrap();
    let (code, out, err) = run("turn", &folder, &["--json", "--set", "turn.seed=3"]);
    assert_eq!(code, 0, "{err}");
    let found: serde_json::Value = serde_json::from_str(&out).unwrap();
    let choices = found["choices"].as_array().unwrap();
    assert_eq!(choices.len(), 5);
    let total = |choice: &serde_json::Value| choice["total"].as_f64().unwrap();
    assert!(
        choices
            .windows(2)
            .all(|pair| total(&pair[0]) <= total(&pair[1]))
    );
    assert!(total(&choices[0]) <= total(&found["before"]));
}

/// Passes a tenth of a 1/8 in ball apart at 2500 mm/min over the carved area, by hand, and some more
/// for the slopes. The whole program on the sample world, solid, size and stock at their defaults.
#[test]
fn a_facet_of_a_default_globe_takes_as_long_as_its_area_asks() {
    let folder = TempDir::new().unwrap();
    // Coarser than the default, to be quick; the path is the same to a hundredth.
    let job = format!(
        "[grid]\nfiles = ['{}']\n[relief]\nrange = \"6 mm\"\n[image]\npixel = \"0.2 mm\"\n",
        sample().with_extension("tif").display()
    );
    std::fs::write(folder.path().join("plain.toml"), job).unwrap();
    let words = [
        "facets",
        "plain.toml",
        "--out",
        "x",
        "--facets",
        "1",
        "--cutters",
        "--quiet",
    ];
    let (code, _, err) = crate::support::run(&folder, &words);
    assert_eq!((code, err.as_str()), (0, ""));
    let manifest = manifest(&folder, "x");
    assert_eq!(manifest["globe"]["solid"], "deltoidal-icositetrahedron");
    let cutting = &manifest["cutting"];
    assert_eq!(cutting["finishing"]["name"], "3.175 mm ball");
    let minutes = cutting["facets"][0]["finishing"]["minutes"].as_f64();
    let level = manifest["facets"][0]["carved_px"].as_f64().unwrap() * 0.04 / (0.3175 * 2500.0);
    let longer = minutes.unwrap() / level;
    assert!((1.0..1.2).contains(&longer), "{longer}");
}

#[test]
fn a_part_made_a_hard_limit_is_kept_by_every_choice_or_refused() {
    let folder = TempDir::new().unwrap();
    let words = ["--json", "--set", "turn.limit=high", "--set", COARSE];
    let free = run("turn", &folder, &["--json", "--set", COARSE]);
    let high = |text: &str| -> Vec<f64> {
        let found: serde_json::Value = serde_json::from_str(text).unwrap();
        let choices = found["choices"].as_array().unwrap().iter();
        let high = choices.map(|c| c["parts"]["high_mm"].as_f64().unwrap());
        high.collect()
    };
    let free = high(&free.1);
    // Somewhat below what the best turn has without a limit.
    let most = 0.97 * free[0];
    let set = format!("turn.most={most}");
    let limited = [&words[..], &["--set", &set]].concat();
    let (code, out, err) = run("turn", &folder, &limited);
    assert_eq!(code, 0, "{err}");
    assert!(high(&out)[0] <= most && free[0] > most, "{most}: {out}");

    let none = [&words[..], &["--set", "turn.most=0.001"]].concat();
    let (code, out, err) = run("turn", &folder, &none);
    assert_eq!((code, out.as_str()), (3, ""));
    let start = "globewright: job: turn.most: no turn found keeps the part named in turn.limit, \
                 highest ground on a seam or corner; found 0.001 mm; allowed: at least ";
    assert!(err.starts_with(start), "{err}");
    // The turn that facets finds by itself keeps the limit, too, or the job is refused.
    let words = [
        "--out",
        "x",
        "--set",
        COARSE,
        "--facets",
        "1",
        "--set",
        "globe.turn=auto",
        "--set",
        "turn.limit=high",
        "--set",
        "turn.most=0.001",
    ];
    let (code, _, err) = run("facets", &folder, &words);
    assert_eq!(code, 3);
    assert!(err.contains("no turn found keeps the part"), "{err}");
    assert!(!folder.path().join("x").exists());
}
