//! The bench on a job file of its own, with the sample world as its grid.

use super::*;
use tempfile::TempDir;

const JOB: &str = "\
# A globe for the hall.
name = \"Ash <script>\"

[grid]
files = [\"ashkerry.tif\"]

[globe]
solid = \"cube\"                 # six blanks
diameter = \"6-1/2 in\"          # as the lathe allows

[relief]
range = \"6 mm\"
boost = 3.0                    # plains

[stock]
thickness = \"3 in\"

[[board]]
width = \"200 mm\"
length = \"2 m\"
";

const EXACT: ViewRequest = ViewRequest {
    exact: true,
    bit: true,
};

fn folder(job: &str) -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-rasters/ashkerry.tif");
    std::fs::copy(sample, folder.path().join("ashkerry.tif")).unwrap();
    let path = folder.path().join("hall.toml");
    std::fs::write(&path, job).unwrap();
    (folder, path)
}

/// All values as the page sends them, with some changed.
fn values(start: &Start, changed: &[(&str, Option<&str>)]) -> Values {
    let mut values: Values = start
        .controls
        .iter()
        .map(|control| (control.key.to_owned(), control.value.clone()))
        .collect();
    for (key, value) in changed {
        values.insert((*key).to_owned(), value.map(str::to_owned));
    }
    values
}

fn keys(saved: &Saved) -> Vec<&str> {
    saved.changes.iter().map(|c| c.key.as_str()).collect()
}

#[test]
fn the_page_starts_with_what_the_job_says() {
    let (_folder, path) = folder(JOB);
    let bench = quiet(&path, &["relief.boost=2.5".into()]).unwrap();
    let start = bench.start().unwrap();
    assert_eq!(
        (start.title.as_str(), start.file.as_str()),
        ("Ash <script>", "hall.toml")
    );
    let value = |key: &str| {
        let control = start.controls.iter().find(|c| c.key == key).unwrap();
        control.value.clone()
    };
    assert_eq!(value("globe.diameter").as_deref(), Some("6-1/2 in"));
    assert_eq!(value("relief.boost").as_deref(), Some("2.5"));
    assert_eq!(value("relief.curve").as_deref(), Some("asinh"));
    assert_eq!(value("relief.blend"), None);
    assert_eq!(start.controls.len(), CONTROLS.len());
}

#[test]
fn writing_says_what_changes_and_changes_that_alone() {
    let (_folder, path) = folder(JOB);
    let bench = quiet(&path, &[]).unwrap();
    let start = bench.start().unwrap();
    let untouched = bench
        .save(&values(&start, &[]), &start.stamp, false)
        .unwrap();
    assert_eq!(keys(&untouched), [""; 0]);

    let wanted = values(
        &start,
        &[
            ("globe.diameter", Some("6.75 in")),
            ("relief.boost", Some("4.2")),
            ("relief.steepest", Some("50")),
            ("globe.turn.lat", Some("12")),
        ],
    );
    let asked = bench.save(&wanted, &start.stamp, false).unwrap();
    assert!(!asked.written);
    assert_eq!(
        keys(&asked),
        [
            "globe.diameter",
            "globe.turn.lat",
            "relief.boost",
            "relief.steepest"
        ]
    );
    assert_eq!(
        asked.changes[0],
        Changed {
            key: "globe.diameter".into(),
            from: Some("6-1/2 in".into()),
            to: Some("6.75 in".into())
        }
    );
    assert_eq!(std::fs::read_to_string(&path).unwrap(), JOB);

    let written = bench.save(&wanted, &start.stamp, true).unwrap();
    assert!(written.written);
    let new = JOB
        .replace("\"6-1/2 in\"", "\"6.75 in\"")
        .replace("3.0  ", "4.2  ")
        .replace("# plains\n", "# plains\nsteepest = 50\n")
        + "\n[globe.turn]\nlat = 12\n";
    assert_eq!(std::fs::read_to_string(&path).unwrap(), new);
    // The next page, and the same page, go on from there.
    assert_eq!(bench.start().unwrap().stamp, written.stamp);
    let again = bench.save(&wanted, &written.stamp, true).unwrap();
    assert_eq!(keys(&again), [""; 0]);
    let back = values(&bench.start().unwrap(), &[("relief.steepest", None)]);
    bench.save(&back, &written.stamp, true).unwrap();
    assert_eq!(
        std::fs::read_to_string(&path).unwrap(),
        new.replace("steepest = 50\n", "")
    );
}

#[test]
fn a_file_that_changed_meanwhile_is_left_alone() {
    let (_folder, path) = folder(JOB);
    let bench = quiet(&path, &[]).unwrap();
    let start = bench.start().unwrap();
    let other = JOB.replace("six blanks", "SIX blanks");
    std::fs::write(&path, &other).unwrap();
    let wanted = values(&start, &[("relief.boost", Some("4.2"))]);
    let error = bench.save(&wanted, &start.stamp, true).unwrap_err();
    assert_eq!(
        error.to_string(),
        format!(
            "job: the job file has changed since this page read it, and was left as it is; load \
             the page again to see what is in it now ({})",
            path.display()
        )
    );
    assert_eq!(std::fs::read_to_string(&path).unwrap(), other);
}

#[test]
fn settings_of_other_files_and_unknown_ones_are_not_the_pages_to_change() {
    let (_folder, path) = folder(JOB);
    let bench = quiet(&path, &[]).unwrap();
    for key in [
        "grid.files",
        "name",
        "image.pixel",
        "relief.",
        "board.1.width",
    ] {
        let values: Values = [(key.to_owned(), Some("/etc/hostname".to_owned()))].into();
        let error = bench.answer(&values, EXACT).unwrap_err();
        assert_eq!(
            error.to_string(),
            format!(
                "job: this page does not change this setting; found \"{key}\"; change it in the \
                 job file"
            )
        );
    }
    let values: Values = [("relief.knots".to_owned(), Some("1".repeat(30_000)))].into();
    assert_eq!(
        bench.answer(&values, EXACT).unwrap_err().to_string(),
        "job: relief.knots: this value is too long; allowed: up to 20000 characters; write it \
         into the job file"
    );
    std::fs::write(&path, JOB.replace("ashkerry.tif", "other.tif")).unwrap();
    assert_eq!(
        bench.answer(&Values::new(), EXACT).unwrap_err().to_string(),
        format!(
            "job: the section [grid] has changed since the grid was read; stop this preview with \
             Ctrl-C and start it again ({})",
            path.display()
        )
    );
}

/// A draft first, and the exact numbers as soon as they are known: for all that does not touch the
/// relief from then on.
#[test]
fn what_was_shaped_once_is_answered_exactly_at_once() {
    // Coarse pixels need a coarse grid, which is shaped the sooner.
    let (_folder, path) = folder(&(JOB.to_owned() + "\n[image]\npixel = \"1 mm\"\n"));
    let bench = quiet(&path, &[]).unwrap();
    let draft = ViewRequest {
        exact: false,
        bit: true,
    };
    let ask = |sets: &[(&str, &str)], look: ViewRequest| {
        let values = sets.iter().map(|(k, v)| ((*k).into(), Some((*v).into())));
        bench.answer(&values.collect(), look).unwrap()
    };
    assert!(!ask(&[], draft).exact);
    let exact = ask(&[], EXACT);
    assert!(exact.exact);
    assert_eq!(ask(&[], draft), exact);
    let thicker = [("stock.thickness", "80 mm")];
    let other = ask(&thicker, draft);
    assert!(other.exact);
    assert_eq!(other.fit.stock_mm, 80.0);
    let thin = ask(&[("stock.thickness", "20 mm")], draft);
    assert!(thin.exact && !thin.fit.fits);
    assert!(!ask(&[("relief.boost", "4")], draft).exact);
    // As one that was never asked before says it.
    let afresh = quiet(&path, &["stock.thickness=80 mm".into()]).unwrap();
    let mut afresh = afresh.answer(&Values::new(), EXACT).unwrap();
    afresh.fit.message = other.fit.message.clone();
    assert_eq!(afresh, other);
    // Left to the wood, the range is another in other stock.
    let most = ("relief.range", "most");
    ask(&[most], EXACT);
    assert!(!ask(&[most, thicker[0]], draft).exact);
}

/// A larger globe needs the grid finer than it was read at first.
#[test]
fn a_larger_globe_is_answered_from_the_grid_that_it_needs() {
    let job = JOB.to_owned() + "\n[image]\npixel = \"1 mm\"\n";
    let (_folder, path) = folder(&job);
    let bench = quiet(&path, &[]).unwrap();
    let large = ("globe.diameter".to_owned(), Some("240 mm".to_owned()));
    let values: Values = [large, ("stock.thickness".into(), Some("5 in".into()))].into();
    let found = bench.answer(&values, EXACT).unwrap();
    let sets = ["globe.diameter=240 mm", "stock.thickness=5 in"].map(String::from);
    let afresh = quiet(&path, &sets).unwrap();
    assert_eq!(found, afresh.answer(&Values::new(), EXACT).unwrap());
}

#[test]
fn a_searched_turn_stays_searched_until_it_is_changed() {
    let text = JOB.replace("[globe]\n", "[globe]\nturn = \"auto\"\n");
    let (_folder, path) = folder(&text);
    let bench = quiet(&path, &[]).unwrap();
    let start = bench.start().unwrap();
    let found = bench.found.unwrap();
    let lat = start
        .controls
        .iter()
        .find(|c| c.key == "globe.turn.lat")
        .unwrap();
    assert_eq!(lat.number, Some(found.lat_deg));
    let same = bench
        .save(&values(&start, &[]), &start.stamp, false)
        .unwrap();
    assert_eq!(keys(&same), [""; 0]);
    let other = values(&start, &[("globe.turn.lat", Some("5"))]);
    bench.save(&other, &start.stamp, true).unwrap();
    let job = jobfile::load(&path, &[]).unwrap();
    let turn = job.settings.globe.turn;
    assert_eq!(
        (turn.auto, turn.lat_deg, turn.lon_deg),
        (false, 5.0, found.lon_deg)
    );
}
