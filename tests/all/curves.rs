use crate::support::{files, run};
use globewright::parse_job;
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
        "curve=linear,method=curve",
        "--try",
        "curve=asinh,boost=4,method=multiscale",
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
            "curve=linear,method=curve",
            "curve=asinh,boost=4,method=multiscale",
            "calm",
            "balanced",
            "bold"
        ]
    );
    let figure = |row: usize, name: &str| curves[row][name].as_f64().unwrap();
    // From calm to bold more is legible, within the limits of a good relief.
    for row in 2..5 {
        assert!(figure(row, "carved_share") >= figure(row - 1, "carved_share") - 0.02 || row == 2);
        assert!(figure(row, "carved_share") > figure(0, "carved_share"));
        assert!(figure(row, "order_kept") >= 0.989, "{row}");
        assert!(figure(row, "bit_leaves_share") <= 0.021, "{row}");
    }
    assert_eq!(curves[0]["order_kept"], 1.0);
    // A straight line makes the same of every height.
    let at = curves[0]["at"].as_array().unwrap();
    for place in at {
        let difference =
            place["mm_per_km"].as_f64().unwrap() - at[0]["mm_per_km"].as_f64().unwrap();
        assert!(difference.abs() < 1e-6);
    }
    for offer in found["suggestion"]["offers"].as_array().unwrap() {
        let block = offer["block"].as_str().unwrap();
        parse_job(block, Path::new("pasted.toml"), &[]).unwrap();
    }
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
    // It says how large it is to be printed: 300 pixels to the inch.
    let sheet = std::fs::File::open(folder.path().join("seen/sheet.png")).unwrap();
    let reader = png::Decoder::new(std::io::BufReader::new(sheet)).read_info();
    let size = reader.unwrap().info().pixel_dims.unwrap();
    assert_eq!((size.xppu, size.yppu), (11_811, 11_811));
    assert!(matches!(size.unit, png::Unit::Meter));
}

/// Runs a command that must succeed without a word.
fn quietly(folder: &TempDir, words: &[&str]) -> String {
    let (code, out, err) = run(folder, &[words, &["-q"]].concat());
    assert_eq!((code, err.as_str()), (0, ""), "{words:?}");
    out
}

/// As every output folder: kept without --force, replaced with it, and never if it holds a file
/// of somebody else's.
#[test]
fn a_folder_of_curves_is_replaced_with_force_only() {
    let folder = TempDir::new().unwrap();
    job(&folder, "");
    let words = [
        "curves",
        "job.toml",
        "--out",
        "seen",
        "--try",
        "curve=linear",
    ];
    quietly(&folder, &words);
    let seen = folder.path().join("seen");
    let before = files(&seen);
    let (code, out, err) = run(&folder, &words);
    assert_eq!((code, out.as_str()), (6, ""));
    assert!(
        err.contains("the output folder already holds a result; choose another, or add --force"),
        "{err}"
    );
    quietly(&folder, &[&words[..], &["--force"]].concat());
    assert_eq!(files(&seen), before);
    std::fs::write(seen.join("notes.txt"), "mine").unwrap();
    let (code, _, err) = run(&folder, &[&words[..], &["--force"]].concat());
    assert_eq!(code, 6);
    assert!(err.contains("found notes.txt"), "{err}");
    assert_eq!(std::fs::read(seen.join("notes.txt")).unwrap(), b"mine");
}

/// Without --bit it is judged by what the job's own finishing bit leaves.
#[test]
fn reliefs_are_judged_by_the_job_s_finishing_bit() {
    let folder = TempDir::new().unwrap();
    let cutters = "[[cutter]]\nshape = \"flat\"\ndiameter = \"10 mm\"\n[[cutter]]\nshape = \
                   \"ball\"\ndiameter = \"6 mm\"\n";
    job(&folder, cutters);
    let leaves = |more: &[&str]| {
        let words = ["curves", "job.toml", "--json", "--try", "curve=linear"];
        let out = quietly(&folder, &[&words[..], more].concat());
        let found: serde_json::Value = serde_json::from_str(&out).unwrap();
        found["curves"][0]["bit_leaves_share"].as_f64().unwrap()
    };
    let own = leaves(&[]);
    assert_eq!(own, leaves(&["--bit", "6 mm"]));
    assert!(own > 1.2 * leaves(&["--bit", "3 mm"]), "{own}");
}

/// The shop plan measures the relief that is carved, whatever shapes it.
#[test]
fn a_plan_measures_the_ground_that_facets_carve() {
    for relief in [
        "steepest = 40\n",
        "[relief.below]\nlevel = 0\nshare = 0.2\n",
    ] {
        let folder = TempDir::new().unwrap();
        job(&folder, relief);
        // The pocket of the jig needs room on the back.
        let stock = ["--set", "stock.thickness=46 mm"];
        let shop = [
            "facets",
            "job.toml",
            "--shop",
            "--keep-relief",
            "--out",
            "carved",
        ];
        quietly(&folder, &[&shop[..], &stock].concat());
        let plan = ["plan", "job.toml", "--out", "planned"];
        quietly(&folder, &[&plan[..], &stock].concat());
        let again = [
            "plan",
            "job.toml",
            "--out",
            "again",
            "--set",
            "grid.files=carved/relief.tif",
            "--set",
            "grid.quantity=relief",
        ];
        quietly(&folder, &[&again[..], &stock].concat());
        let seams = |run: &str| {
            let text = std::fs::read_to_string(folder.path().join(run).join("shop/plan.json"));
            let plan: serde_json::Value = serde_json::from_str(&text.unwrap()).unwrap();
            let seams = plan["seams"].as_array().unwrap().clone();
            let at = move |seam: &serde_json::Value| seam["seam_high_mm"].as_f64().unwrap();
            seams.iter().map(at).collect::<Vec<f64>>()
        };
        let (carved, planned, again) = (seams("carved"), seams("planned"), seams("again"));
        assert_eq!(carved, planned);
        for (a, b) in planned.iter().zip(&again) {
            assert!((a - b).abs() < 0.02, "{a} {b}");
        }
    }
}

/// Whatever made it, a kept relief carved as it is makes the same images to the last bit, and
/// the file that the second run keeps is the first one's.
#[test]
fn a_kept_relief_makes_the_same_facets_again() {
    for relief in [
        "method = \"multiscale\"\n",
        "detail = 0.4\nsteepest = 50\n",
        "curve = \"power\"\n",
        "steepest = 30\n[relief.below]\nlevel = 0\n",
    ] {
        let folder = TempDir::new().unwrap();
        job(&folder, relief);
        let facets = ["facets", "job.toml", "--keep-relief", "--out"];
        quietly(&folder, &[&facets[..], &["first"]].concat());
        let again = [
            "second",
            "--set",
            "grid.files=first/relief.tif",
            "--set",
            "grid.quantity=relief",
        ];
        quietly(&folder, &[&facets[..], &again].concat());
        let open = |file: String| std::fs::read(folder.path().join(file)).unwrap();
        for facet in 1..=6 {
            let [first, second] =
                ["first", "second"].map(|run| open(format!("{run}/facets/{facet:02}.png")));
            assert!(first == second, "{relief}: facet {facet}");
        }
        let [first, second] = ["first", "second"].map(|run| open(format!("{run}/relief.tif")));
        assert!(first == second, "{relief}");
    }
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
         (--try curve=cubic)\n"
    );
}
