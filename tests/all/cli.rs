use crate::support::{files, run};
use std::path::Path;
use tempfile::TempDir;

#[test]
fn init_writes_a_job_file_once() {
    let folder = TempDir::new().unwrap();
    let (code, out, err) = run(
        &folder,
        &["init", "moon.toml", "--set", "globe.diameter=8in"],
    );
    assert_eq!((code, out.as_str()), (0, ""));
    assert_eq!(
        err,
        "Wrote moon.toml. Name your elevation grid in it, then: globewright facets moon.toml \
         --out DIR\n"
    );
    assert_eq!(files(folder.path()), ["moon.toml"]);
    let path = folder.path().join("moon.toml");
    let job = globewright::load_job(&path, &[]).unwrap();
    assert_eq!(job.settings.globe.diameter_mm, 203.2);
    assert_eq!(job.settings.name, "Moon");

    let (code, _, err) = run(&folder, &["init", "moon.toml"]);
    assert_eq!(code, 6);
    assert_eq!(
        err,
        "globewright: disk: this file exists already; choose another name, or add --force to \
         replace it (moon.toml)\n"
    );
    let again = globewright::load_job(&path, &[]).unwrap();
    assert_eq!(again, job, "the file was touched");

    let (code, out, err) = run(&folder, &["init", "moon.toml", "--force", "--quiet"]);
    assert_eq!((code, out.as_str(), err.as_str()), (0, "", ""));
    let replaced = globewright::load_job(&path, &[]).unwrap();
    assert_eq!(replaced.settings.globe.diameter_mm, 200.0);
    assert_eq!(files(folder.path()), ["moon.toml"]);
}

#[test]
fn init_prints_to_standard_output_when_asked() {
    let folder = TempDir::new().unwrap();
    let (code, out, err) = run(&folder, &["init", "-"]);
    assert_eq!((code, err.as_str()), (0, ""));
    assert_eq!(out, globewright::starter(&[], false).unwrap());
    let (code, all, _) = run(&folder, &["init", "-", "--all"]);
    assert_eq!(code, 0);
    assert_eq!(all, globewright::starter(&[], true).unwrap());
    assert!(files(folder.path()).is_empty());
}

#[test]
fn init_into_a_missing_folder_leaves_nothing() {
    let folder = TempDir::new().unwrap();
    let (code, _, err) = run(&folder, &["init", "nowhere/moon.toml"]);
    assert_eq!(code, 6);
    assert_eq!(
        err,
        "globewright: disk: could not write the file: there is no such file or folder; check \
         the path (nowhere/moon.toml)\n"
    );
    assert!(files(folder.path()).is_empty());
}

#[test]
fn a_wrong_job_exits_with_3_and_one_line() {
    let folder = TempDir::new().unwrap();
    let (code, out, err) = run(&folder, &["facets", "moon.toml", "--out", "moon"]);
    assert_eq!((code, out.as_str()), (3, ""));
    assert_eq!(
        err,
        "globewright: job: there is no such job file; check the name, or write one with \
         \"globewright init\" (moon.toml)\n"
    );
    std::fs::write(folder.path().join("moon.toml"), "[globe]\ndiameter = 8\n").unwrap();
    let (code, _, err) = run(&folder, &["facets", "moon.toml", "--out", "moon"]);
    assert_eq!(code, 3);
    assert_eq!(
        err,
        "globewright: job: globe.diameter: the length has no unit; found 8; allowed: a length, 5 \
         mm to 10 m; write \"8 mm\" or \"8 in\" (moon.toml line 2)\n"
    );
    let words = [
        "--set",
        "globe.diameter=8in",
        "facets",
        "moon.toml",
        "--out",
        "moon",
    ];
    let (code, _, err) = run(&folder, &words);
    assert_eq!(code, 3);
    assert_eq!(
        err,
        "globewright: job: grid.files: the job names no elevation grid; allowed: file names in \
         quotes, in square brackets; write files = [\"world.tif\"] under [grid] (moon.toml)\n"
    );
    assert_eq!(files(folder.path()), ["moon.toml"]);
}

#[test]
fn a_wrong_command_line_exits_with_2() {
    let folder = TempDir::new().unwrap();
    let usage = |words: &[&str]| {
        let (code, out, err) = run(&folder, words);
        assert_eq!((code, out.as_str()), (2, ""), "{words:?}");
        err.lines().next().unwrap_or_default().to_owned()
    };
    usage(&[]);
    assert_eq!(usage(&["carve"]), "error: unrecognized subcommand 'carve'");
    assert_eq!(
        usage(&["facets", "a.toml", "--out", "b", "--facets", "9-7"]),
        "error: invalid value '9-7' for '--facets <LIST>': this range runs backwards; found \
         \"9-7\"; allowed: facet numbers from 1 to 120; write a list such as 3,7-9"
    );
    assert_eq!(
        usage(&["facets", "a.toml", "--out", "b", "--memory", "2"]),
        "error: invalid value '2' for '--memory <SIZE>': the amount of memory has no unit; found \
         \"2\"; allowed: 64M to 1024T; write a size such as 800M or 2G"
    );
    assert_eq!(
        usage(&["check", "a", "--threads", "0"]),
        "error: invalid value '0' for '--threads <N>': 0 is not in 1..=1024"
    );
    assert_eq!(
        usage(&["check", "a", "--set", "globe.solid=cube"]),
        "error: --set changes a job, and this command has none; leave it out"
    );
}

#[test]
fn help_and_version_go_to_standard_output() {
    let folder = TempDir::new().unwrap();
    let (code, out, err) = run(&folder, &["--help"]);
    assert_eq!((code, err.as_str()), (0, ""));
    let rows = [
        "  0  all is well",
        "  2  the command line was not understood",
        "  3  the job file or a --set must be changed",
        "  4  the elevation grid must be changed, or described by settings",
        "  5  the globe does not fit the wood",
        "  6  the disk, a folder or a permission is in the way",
        "  7  check found that a folder does not hold what it should",
    ];
    let listed: Vec<&str> = out
        .lines()
        .skip_while(|line| *line != "Exit codes:")
        .skip(1)
        .take_while(|line| !line.is_empty())
        .collect();
    assert_eq!(listed, rows);
    let (code, out, _) = run(&folder, &["--version"]);
    let version = concat!("globewright ", env!("CARGO_PKG_VERSION"), "\n");
    assert_eq!((code, out.as_str()), (0, version));
}

#[test]
fn completions_know_every_command_in_every_shell() {
    let folder = TempDir::new().unwrap();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let (code, out, err) = run(&folder, &["completions", shell]);
        assert_eq!((code, err.as_str()), (0, ""));
        for word in [
            "init", "inspect", "facets", "check", "join", "manual", "threads",
        ] {
            assert!(out.contains(word), "{shell}: {word}");
        }
    }
}

#[test]
fn the_manual_has_a_page_for_every_command() {
    let folder = TempDir::new().unwrap();
    let (code, out, err) = run(&folder, &["manual", "man/man1"]);
    assert_eq!((code, out.as_str()), (0, ""));
    assert_eq!(err, "Wrote 12 pages to man/man1\n");
    let names = files(&folder.path().join("man/man1"));
    let commands = [
        "check",
        "completions",
        "curves",
        "facets",
        "init",
        "inspect",
        "join",
        "manual",
        "plan",
        "preview",
        "turn",
    ];
    let mut expected: Vec<String> = commands
        .iter()
        .map(|command| format!("globewright-{command}.1"))
        .collect();
    expected.push("globewright.1".to_owned());
    assert_eq!(names, expected);
    let page = std::fs::read_to_string(folder.path().join("man/man1/globewright-facets.1"));
    let page = page.unwrap();
    assert!(page.contains(".TH globewright-facets 1"), "{page}");
    assert!(page.contains("such as 3,7\\-9"), "{page}");
}

/// The sample job with coarse pixels, from the crate's folder.
fn sample(folder: &TempDir, words: &[&str]) -> (i32, String, String) {
    let job = concat!(env!("CARGO_MANIFEST_DIR"), "/sample-rasters/ashkerry.toml");
    let mut all = vec![words[0], job];
    all.extend(&words[1..]);
    all.extend(["--set", "image.pixel=1 mm", "--quiet"]);
    run(folder, &all)
}

fn json(path: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

/// The shop plan's numbers, in its file and on the section drawing, are those of the manifest.
#[test]
fn a_shop_plan_beside_the_facets_agrees_with_the_manifest() {
    let folder = TempDir::new().unwrap();
    let board = [
        "--set",
        "board.1.width=300 mm",
        "--set",
        "board.1.length=2 m",
    ];
    let mut words = vec!["facets", "--out", "ball", "--shop"];
    words.extend(board);
    let (code, out, err) = sample(&folder, &words);
    assert_eq!((code, out.as_str(), err.as_str()), (0, "ball\n", ""));
    let ball = folder.path().join("ball");
    let manifest = json(&ball.join("globe.json"));
    let plan = json(&ball.join("shop/plan.json"));
    for file in plan["files"].as_array().unwrap() {
        assert!(ball.join(file.as_str().unwrap()).exists(), "{file}");
    }
    assert_eq!(
        plan["files"].as_array().unwrap().len(),
        files(&ball.join("shop")).len()
    );

    let kind = &plan["kinds"][0];
    let facets = manifest["facets"].as_array().unwrap();
    let least = |key: &str| {
        let values = facets.iter().map(|f| f[key].as_f64().unwrap());
        values.fold(f64::INFINITY, f64::min)
    };
    assert_eq!(kind["stock_mm"], manifest["globe"]["stock_mm"]);
    assert_eq!(kind["back_plane_mm"], manifest["globe"]["back_plane_mm"]);
    assert_eq!(kind["corner_mm"].as_f64().unwrap(), least("corner_mm"));
    let highest = facets
        .iter()
        .map(|f| f["max_mm"].as_f64().unwrap())
        .fold(0.0, f64::max);
    // One is of the grid's samples, the other of pixels 1 mm wide.
    assert!((kind["highest_mm"].as_f64().unwrap() - highest).abs() < 0.1);
    let mut seams = plan["seams"].as_array().unwrap().iter();
    for facet in facets {
        for edge in facet["edges"].as_array().unwrap() {
            let row = seams.next().unwrap();
            assert_eq!(row["facet"], facet["label"]);
            for key in ["seam", "tilt_deg", "seam_low_mm", "seam_high_mm"] {
                assert_eq!(row[key], edge[key], "{key}");
            }
        }
    }
    let section = std::fs::read_to_string(ball.join("shop/section-A.svg")).unwrap();
    for key in [
        "stock_mm",
        "back_plane_mm",
        "corner_mm",
        "relief_mm",
        "rise_mm",
    ] {
        // The thinnest corner is never rounded up.
        let hundredths = 100.0 * kind[key].as_f64().unwrap();
        let said = |hundredths: f64| section.contains(&format!(" {} mm", hundredths / 100.0));
        assert!(
            said(hundredths.round()) || said(hundredths.floor()),
            "{key}: {hundredths}"
        );
    }
    let report = std::fs::read_to_string(ball.join("report.md")).unwrap();
    for part in [
        "## Saw",
        "# Shop plan",
        "## Seam sheet",
        "## Work list",
        "## Cautions",
    ] {
        assert!(report.contains(part), "{part}");
    }

    // The plan alone: the same drawings to the byte, whatever the number of threads.
    let mut words = vec!["plan", "--out", "alone", "--threads", "1"];
    words.extend(board);
    assert_eq!(sample(&folder, &words).0, 0);
    for name in files(&ball.join("shop")) {
        let read = |folder: &Path| std::fs::read(folder.join("shop").join(&name)).unwrap();
        assert!(
            read(&ball) == read(&folder.path().join("alone")),
            "{name} differs"
        );
    }
    // Its own files may be replaced, and only those.
    words.push("--force");
    assert_eq!(sample(&folder, &words).0, 0);
    std::fs::write(folder.path().join("alone/shop/notes.txt"), "mine").unwrap();
    let (code, _, err) = sample(&folder, &words);
    assert_eq!(code, 6);
    assert!(err.contains("found shop/notes.txt"), "{err}");
}

/// Sizes and layers of the drawings, read back by GDAL's DXF driver, are those of plan.json.
#[test]
fn drawings_for_cam_are_read_back_at_true_size() {
    let folder = TempDir::new().unwrap();
    let words = [
        "plan",
        "--out",
        "plan",
        "--set",
        "board.1.width=300 mm",
        "--set",
        "board.1.length=2 m",
    ];
    assert_eq!(sample(&folder, &words).0, 0);
    let shop = folder.path().join("plan/shop");
    let plan = json(&shop.join("plan.json"));
    let all = files(&shop)
        .into_iter()
        .filter(|name| name.ends_with(".dxf"));
    let all: Vec<_> = all.map(|name| shop.join(name)).collect();
    assert!(all.len() > 2);
    for path in &all {
        crate::drawn::strictly(&std::fs::read_to_string(path).unwrap());
    }
    let faults = crate::drawn::faults_by_ezdxf(all.iter().map(AsRef::as_ref));
    assert_eq!(faults, "");
    // Layer, width and height of everything in a drawing.
    let read = |name: &str| crate::drawn::shapes(&shop.join(name));
    let size = |points: &serde_json::Value| -> (f64, f64) {
        let span = |axis: usize| {
            let values = points.as_array().unwrap().iter();
            let values: Vec<f64> = values.map(|p| p[axis].as_f64().unwrap()).collect();
            let low = values.iter().copied().fold(f64::INFINITY, f64::min);
            values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low
        };
        (span(0), span(1))
    };
    let kind = &plan["kinds"][0];
    let on = |shapes: &[(String, f64, f64)], layer: &str| -> Vec<(f64, f64)> {
        let here = shapes.iter().filter(|(name, ..)| name == layer);
        here.map(|(_, w, h)| (*w, *h)).collect()
    };
    let near = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).abs() < 1e-6 && (a.1 - b.1).abs() < 1e-6;
    let blank = read("blank-A.dxf");
    for (layer, points) in [("BLANK", "outline_mm"), ("BACK", "back_mm")] {
        let found = on(&blank, layer);
        assert!(near(found[0], size(&kind[points])), "{layer}: {found:?}");
    }
    // Each smaller than the one around it, and the boss smaller than its pocket.
    let inside = |a: (f64, f64), b: (f64, f64)| a.0 < b.0 && a.1 < b.1;
    let [outline, facet, back, pocket, rough] =
        ["BLANK", "FACET", "BACK", "POCKET", "POCKET_ROUGH"].map(|layer| on(&blank, layer)[0]);
    assert!(inside(facet, outline) && inside(back, facet));
    assert!(inside(pocket, back) && inside(rough, pocket));
    let boss = on(&read("jig-A.dxf"), "BOSS")[0];
    // 0.1 mm on every side, seen across the diamond's corners a little more.
    assert!(
        inside(boss, pocket) && pocket.0 - boss.0 < 0.5,
        "{boss:?} {pocket:?}"
    );

    let board = read("board-01.dxf");
    assert!(near(on(&board, "BOARD")[0], (2000.0, 300.0)));
    let placed = plan["boards"][0]["blanks"].as_array().unwrap().len();
    assert_eq!(on(&board, "BLANK").len(), placed);
    assert_eq!(placed, kind["to_cut"].as_u64().unwrap() as usize);
    // The grain runs along the board: a blank's y lies along its length.
    let turned = (outline.1, outline.0);
    assert!(on(&board, "BLANK").iter().all(|size| near(*size, turned)));
}

/// What the plan says in words, for the bench.
#[test]
fn the_plan_s_words_are_those_of_the_shop() {
    let folder = TempDir::new().unwrap();
    let (code, _, err) = sample(&folder, &["plan", "--out", "bench"]);
    assert_eq!(code, 0, "{err}");
    let shop = folder.path().join("bench/shop");
    let text = std::fs::read_to_string(shop.join("plan.md")).unwrap();
    for expected in [
        // No board is named, so no drawing of one is promised.
        "`jig-A` the boss and cut lines, each as SVG and DXF;",
        // By hand: rhombs with sides (80 + 3.92)/2 + 3.175 mm from the middle and an acute angle of
        // 70.53 degrees (arccos 1/3), 4 d^2/sin(angle) each, 13 of them; 144 cubic inches make a
        // board foot.
        "All blanks together cover 0.112 m²: 2.12 board feet of 44.45 mm stock without \
         waste.",
        "For whatever is cut with the back up, pocket and notches, take `back-01` and so on, which \
         are mirrored already",
        "10 seams: biscuit-0; 10 seams: dowel; 4 seams: glue alone.\n`joint.kind` is auto: each seam has the first of biscuit-20, biscuit-10, \
         biscuit-0 and dowel whose slot or hole keeps 3 mm of wood",
        "facet 03 to facet 01 at S02 with 1 × biscuit-0. One straight move, square to it. Dry fit \
         first",
        "Drill holes for the dowels, one dowel to a seam, ",
        "| 20 holes | 6 mm drill in a guide, square to the cut face |",
        "Sugar maple changes by 0.00165 of its width",
    ] {
        assert!(text.contains(expected), "missing: {expected}\n{text}");
    }
    assert!(!text.contains("board-01"));
    let blank = std::fs::read_to_string(shop.join("blank-A.svg")).unwrap();
    assert!(blank.contains("back-01 and so on, which are mirrored already"));
}

#[test]
fn an_inch_shop_gets_its_plan_in_inches() {
    let folder = TempDir::new().unwrap();
    let words = [
        "plan",
        "--out",
        "bench",
        "--set",
        "units=inch",
        "--set",
        "blanks.strip=2 in",
    ];
    let (code, _, err) = sample(&folder, &words);
    assert_eq!(code, 0, "{err}");
    let shop = folder.path().join("bench/shop");
    let text = std::fs::read_to_string(shop.join("plan.md")).unwrap();
    for expected in [
        // The job's own lengths: 1-3/4 in of stock, 1/64 in of skim, a datum of 160 mm.
        "| stock |  | 1.750 in (1-3/4) |",
        "| left for clean-up |  | 0.016 in (1/64) |",
        "at least 0.500 in (1/2)",
        "## Seam sheet\n\nHeights in inches;",
        "To buy, with 30 % for waste: 8/4 boards (2.000 in rough, 1.750 in (1-3/4) planed; common \
         practice): 3.1",
        "each 2.000 in wide and ",
    ] {
        assert!(text.contains(expected), "missing: {expected}\n{text}");
    }
    // A bit that is made to millimetres is sold by them.
    for line in text.lines() {
        let line = line.replace("6 mm (0.236 in)", "");
        assert!(!line.contains(" mm"), "{line}");
    }
    let drawn = std::fs::read_to_string(shop.join("section-A.svg")).unwrap();
    assert!(drawn.contains("stock: 1.750 in (1-3/4)") && !drawn.contains(" mm<"));
    let mut sleds = 0;
    for name in files(&shop).iter().filter(|name| name.ends_with(".svg")) {
        let svg = std::fs::read_to_string(shop.join(name)).unwrap();
        let svg = roxmltree::Document::parse(&svg).unwrap();
        for words in svg
            .descendants()
            .filter_map(|node| node.is_text().then(|| node.text())?)
        {
            let bare = words.contains('.') && words.trim().parse::<f64>().is_ok();
            let metric = words.contains(" mm") && words != "100 mm";
            assert!(!bare && !metric, "{name}: {words}");
            sleds += usize::from(words == "5.906 in (5-29/32): no hands");
        }
    }
    assert_eq!(sleds, 1);
    // Drawings for CAM are in its unit and say so.
    let blank = std::fs::read_to_string(shop.join("blank-A.dxf")).unwrap();
    assert!(blank.contains("$INSUNITS\n 70\n1\n"), "not in inches");
    // Programs are told in mm, whatever the shop reads.
    let numbers = std::fs::read_to_string(shop.join("plan.json")).unwrap();
    let numbers: serde_json::Value = serde_json::from_str(&numbers).unwrap();
    assert_eq!(numbers["kinds"][0]["stock_mm"], 44.45);
    assert_eq!(numbers["shopping"]["size"]["name"], "8/4");
    assert!(numbers["kinds"][0]["glue_up"]["strips"].as_u64().unwrap() >= 2);
}

/// The work list's minutes, of level ground, against those of the carved ground.
#[test]
fn the_work_list_takes_its_times_from_the_job_s_bits() {
    let folder = TempDir::new().unwrap();
    let bits = [
        "--set",
        "cutter.1.diameter=1/8 in",
        "--set",
        "cutter.2.shape=flat",
        "--set",
        "cutter.2.diameter=1/4 in",
    ];
    let mut words = vec!["facets", "--out", "ball", "--shop"];
    words.extend(bits);
    let (code, _, err) = sample(&folder, &words);
    assert_eq!(code, 0, "{err}");
    let ball = folder.path().join("ball");
    let plan = json(&ball.join("shop/plan.json"));
    let cutting = json(&ball.join("globe.json"))["cutting"].clone();
    let minutes = |what: &str| {
        let mut work = plan["work"].as_array().unwrap().iter();
        let operation = work.find(|o| o["what"].as_str().unwrap().starts_with(what));
        operation.unwrap_or_else(|| panic!("{what}"))["minutes"].as_f64()
    };
    let facets = cutting["facets"].as_array().unwrap();
    for (what, key) in [("Rough out", "roughing"), ("Finish", "finishing")] {
        let carved = facets.iter().map(|f| f[key]["minutes"].as_f64().unwrap());
        // Two minutes for the change of the bit.
        let carved = carved.sum::<f64>() + 2.0;
        let planned = minutes(what).unwrap();
        let off = planned / carved - 1.0;
        assert!(
            off.abs() < 0.08,
            "{what}: {planned:.1} planned, {carved:.1} carved"
        );
    }
    let cut_out: f64 = facets
        .iter()
        .map(|f| f["cut_out"]["minutes"].as_f64().unwrap())
        .sum();
    // One blank is spare.
    let planned = minutes("Cut A blanks").unwrap();
    assert!(
        (planned - 2.0 - cut_out * 13.0 / 12.0).abs() < 1e-6,
        "{planned} {cut_out}"
    );
    let report = std::fs::read_to_string(ball.join("report.md")).unwrap();
    assert!(
        report.contains(
            "| Finish the relief, 0.3175 mm between passes | 12 facets | 3.175 mm ball |"
        ),
        "{report}"
    );

    let (code, ..) = sample(&folder, &["plan", "--out", "plan"]);
    assert_eq!(code, 0);
    let plan = json(&folder.path().join("plan/shop/plan.json"));
    assert!(
        plan["work"]
            .as_array()
            .unwrap()
            .iter()
            .all(|o| o["minutes"].is_null())
    );
}

/// The order is that of what each facet has between its highest and lowest cut, and the usual bits
/// give times to report and work list alike.
#[test]
fn carving_begins_with_the_least_relief_and_the_usual_bits_give_times() {
    let folder = TempDir::new().unwrap();
    let words = [
        "facets",
        "--out",
        "ball",
        "--shop",
        "--cutters",
        "--set",
        "image.pixel=1 mm",
    ];
    let (code, _, err) = sample(&folder, &words);
    assert_eq!(code, 0, "{err}");
    let ball = folder.path().join("ball");
    let globe = json(&ball.join("globe.json"));
    let mut facets: Vec<(f64, &str, f64)> = globe["facets"]
        .as_array()
        .unwrap()
        .iter()
        .zip(globe["cutting"]["facets"].as_array().unwrap())
        .map(|(facet, cut)| {
            let depth = facet["max_mm"].as_f64().unwrap() - facet["min_mm"].as_f64().unwrap();
            let minutes = cut["minutes"].as_f64().unwrap();
            (depth, facet["label"].as_str().unwrap(), minutes)
        })
        .collect();
    facets.sort_by(|a, b| a.0.total_cmp(&b.0));
    let report = std::fs::read_to_string(ball.join("report.md")).unwrap();
    let section = report.split("## Order of carving").nth(1).unwrap();
    let section = section.split("\n## ").next().unwrap();
    let rows: Vec<&str> = section
        .lines()
        .filter(|line| line.starts_with("| "))
        .skip(1)
        .collect();
    assert_eq!(rows.len(), 12, "{section}");
    for (i, (row, (depth, label, minutes))) in rows.iter().zip(&facets).enumerate() {
        let expected = format!("| {} | {label} | A | {depth:.2} mm | {minutes:.1} |", i + 1);
        assert_eq!(*row, expected);
    }
    let plan = json(&ball.join("shop/plan.json"));
    let mut work = plan["work"].as_array().unwrap().iter();
    let finish = work.find(|o| o["what"].as_str().unwrap().starts_with("Finish the relief"));
    assert!(finish.unwrap()["minutes"].as_f64().unwrap() > 1.0);
}

#[test]
fn a_plan_without_a_grid_says_so_and_every_solid_can_be_compared() {
    let folder = TempDir::new().unwrap();
    std::fs::write(
        folder.path().join("job.toml"),
        "[relief]\nrange = \"4 mm\"\n[stock]\nedge = \"16 mm\"\nthickness = \"2-1/2 in\"\n",
    )
    .unwrap();
    let (code, _, err) = run(&folder, &["plan", "job.toml", "--out", "x", "--quiet"]);
    assert_eq!((code, err.as_str()), (0, ""));
    let report = std::fs::read_to_string(folder.path().join("x/report.md")).unwrap();
    assert!(report.contains(
        "The elevation grid was not used (the job names none): highest and lowest ground are taken \
         from the job's relief range, half above and half below the level, and may lie anywhere."
    ));
    let (code, out, _) = run(
        &folder,
        &["plan", "job.toml", "--compare-solids", "--json", "-q"],
    );
    assert_eq!(code, 0);
    let rows: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(rows.as_array().unwrap().len(), 31);
    // More and smaller facets need thinner stock.
    let stock = |name: &str| {
        let mut rows = rows.as_array().unwrap().iter();
        rows.find(|r| r["solid"] == name).unwrap()["least_stock_mm"]
            .as_f64()
            .unwrap()
    };
    assert!(stock("cube") > stock("dodecahedron"));
    assert!(stock("dodecahedron") > stock("rhombic-triacontahedron"));
}

/// The default solid and size in the default stock with 6 mm of relief, wherever the ground lies;
/// all blanks and the spare from one board, as docs/why.md says. Only the seasons are warned of,
/// which flat-sawn wood of any kind has.
#[test]
fn the_default_globe_fits_its_stock_without_a_warning() {
    let folder = TempDir::new().unwrap();
    let job = "[relief]\nrange = \"6 mm\"\n[[board]]\nwidth = \"8 in\"\nlength = \"96 in\"\n";
    std::fs::write(folder.path().join("job.toml"), job).unwrap();
    let (code, _, err) = run(&folder, &["plan", "job.toml", "--out", "bench"]);
    assert_eq!(code, 0, "{err}");
    let notes: Vec<&str> = err
        .lines()
        .filter(|line| line.starts_with("Note"))
        .collect();
    assert!(
        notes.len() == 1 && notes[0].starts_with("Note: Seams can part"),
        "{err}"
    );
    let plan = json(&folder.path().join("bench/shop/plan.json"));
    assert_eq!(plan["boards"][0]["blanks"].as_array().unwrap().len(), 25);
}
