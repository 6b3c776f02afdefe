//! Finished folders with something changed: what `check` says of each.

use crate::support::{contents, png_levels, run};
use serde_json::Value;
use std::path::Path;
use tempfile::TempDir;

/// The sample job with all that a run can write.
fn whole() -> TempDir {
    let folder = TempDir::new().unwrap();
    let job = concat!(env!("CARGO_MANIFEST_DIR"), "/sample-rasters/ashkerry.toml");
    let words = [
        "facets",
        job,
        "--out",
        "out",
        "--quiet",
        "--shop",
        "--mesh",
        "--keep-relief",
        "--cutters",
        "--carved",
        "--set",
        "image.pixel=1 mm",
        "--set",
        "board.1.width=300 mm",
        "--set",
        "board.1.length=2 m",
    ];
    let (code, _, err) = run(&folder, &words);
    assert_eq!((code, err.as_str()), (0, ""));
    folder
}

/// Exit code, lines that are not all right, and whether every byte is proved.
fn checked(folder: &TempDir) -> (i32, Vec<String>, bool) {
    let (code, json, _) = run(folder, &["check", "out", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let lines = json["lines"].as_array().unwrap().iter();
    let lines = lines.filter(|line| line["ok"] == false || line["note"] == true);
    let lines = lines.map(|line| {
        let mark = if line["ok"] == true { "note " } else { "WRONG" };
        let [subject, found] = ["subject", "found"].map(|part| line[part].as_str().unwrap());
        format!("{mark}  {subject}: {found}")
    });
    (code, lines.collect(), json["proved"].as_bool().unwrap())
}

/// Writes a PNG as an image program would: the same size in mm, another compression, no remarks.
fn save_again(path: &Path, change: impl Fn(&mut Vec<u16>, usize)) {
    let reader = std::io::BufReader::new(std::fs::File::open(path).unwrap());
    let reader = png::Decoder::new(reader).read_info().unwrap();
    let (info, old) = (reader.info().clone(), png_levels(path));
    let (mut levels, width) = old;
    change(&mut levels, width);
    let file = std::fs::File::create(path).unwrap();
    let mut encoder = png::Encoder::new(file, info.width, info.height);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Sixteen);
    encoder.set_pixel_dims(info.pixel_dims);
    encoder.set_compression(png::Compression::High);
    let bytes: Vec<u8> = levels
        .iter()
        .flat_map(|level| level.to_be_bytes())
        .collect();
    let mut writer = encoder.write_header().unwrap();
    writer.write_image_data(&bytes).unwrap();
}

/// Undoes any change to a folder at the end.
fn changed(folder: &TempDir, change: impl FnOnce(&Path)) -> (i32, Vec<String>, bool) {
    let out = folder.path().join("out");
    let before = contents(&out);
    change(&out);
    let found = checked(folder);
    for file in contents(&out).keys() {
        std::fs::remove_file(out.join(file)).unwrap();
    }
    for (file, bytes) in before {
        std::fs::write(out.join(file), bytes).unwrap();
    }
    found
}

fn wrong(file: &str, what: &str) -> (i32, Vec<String>, bool) {
    (7, vec![format!("WRONG  {file}: {what}")], false)
}

const BYTES: &str = "its bytes are not those that were written";
const PIXELS: &str = "its bytes are not those that were written, nor are its pixels";
const SAVED: &str = "it was saved again by another program; its pixels are the same";

#[test]
fn every_byte_of_a_folder_is_proved_and_what_was_changed_is_named() {
    let folder = whole();
    let out = folder.path().join("out");
    assert_eq!(checked(&folder), (0, vec![], true));
    let files = contents(&out);
    let (_, said, _) = run(&folder, &["check", "out"]);
    let last = said.lines().last().unwrap().to_owned();
    let sound = format!(
        "ok     bytes: {} files and the manifest are byte for byte what was written",
        files.len() - 1
    );
    assert_eq!(last, sound);
    for kind in [
        "facets",
        "rough",
        "carved",
        "mesh",
        "shop",
        "report.md",
        "report.html",
        "overview.png",
        "relief.tif",
    ] {
        assert!(files.keys().any(|file| file.starts_with(kind)), "{kind}");
    }
    let manifest: Value = serde_json::from_slice(&files[Path::new("globe.json")]).unwrap();
    let number = |at: &str| manifest.pointer(at).unwrap().as_f64().unwrap();
    let black_mm = number("/image/black_mm");
    let per_mm = 65535.0 / (number("/image/white_mm") - black_mm);

    // One bit of every file but the manifest, in the middle: each is named.
    let others = || {
        files
            .iter()
            .filter(|(file, _)| file.as_os_str() != "globe.json")
    };
    let (code, lines, proved) = changed(&folder, |out| {
        for (file, bytes) in others() {
            let mut bytes = bytes.clone();
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
            std::fs::write(out.join(file), bytes).unwrap();
        }
    });
    assert_eq!((code, proved), (7, false));
    for (file, _) in others() {
        let line = format!("WRONG  {}: {BYTES}", file.display());
        assert!(lines.contains(&line), "{line}: {lines:?}");
    }

    // Within the facet's range of heights and away from its seams: no measure shows it.
    let image = "facets/03.png";
    let least_mm = number("/facets/2/min_mm");
    let lower = (12.7 * per_mm) as u16;
    let found = changed(&folder, |out| {
        save_again(&out.join(image), |levels, width| {
            let lowest = ((least_mm - black_mm) * per_mm).ceil() as u16;
            let near = (levels.len() / width / 2) * width + width / 2;
            assert!(
                levels[near] > lowest + lower,
                "the facet is too flat for this"
            );
            levels[near] -= lower;
        });
    });
    assert_eq!(found, wrong(image, PIXELS));
    let found = changed(&folder, |out| {
        save_again(&out.join(image), |levels, width| {
            let row = levels.len() / width / 2;
            let level = levels[row * width + width / 2];
            for row in row..row + 8 {
                levels[row * width + width / 2..][..8].fill(level);
            }
        });
    });
    assert_eq!(found, wrong(image, PIXELS));

    // Saved again, nothing changed: named, and no fault.
    for image in [image, "rough/03.png", "carved/03.png"] {
        let found = changed(&folder, |out| save_again(&out.join(image), |_, _| {}));
        assert_eq!(found, (0, vec![format!("note   {image}: {SAVED}")], false));
    }
    // Under another image's name.
    let found = changed(&folder, |out| {
        std::fs::copy(out.join("rough/02.png"), out.join("rough/03.png")).unwrap();
    });
    assert_eq!(found.0, 7);
    assert!(
        found.1[0].starts_with("WRONG  rough/03.png: it"),
        "{found:?}"
    );

    let append = |file: &'static str, more: &'static str| {
        move |out: &Path| {
            let mut bytes = std::fs::read(out.join(file)).unwrap();
            bytes.extend(more.bytes());
            std::fs::write(out.join(file), bytes).unwrap();
        }
    };
    let follow = |n| format!("{n} bytes follow the end of what was written");
    for file in ["facets/03.png", "report.md", "shop/plan.md", "relief.tif"] {
        let found = changed(&folder, append(file, "more"));
        assert_eq!(found, wrong(file, &follow(4)));
    }
    for file in [
        "report.md",
        "report.html",
        "shop/plan.json",
        "mesh/globe.glb",
    ] {
        let found = changed(&folder, |out| std::fs::remove_file(out.join(file)).unwrap());
        assert_eq!(found, wrong(file, "it is missing"));
    }
    let cut = changed(&folder, |out| {
        let bytes = std::fs::read(out.join("report.md")).unwrap();
        std::fs::write(out.join("report.md"), &bytes[..10]).unwrap();
    });
    let whole = files[Path::new("report.md")].len();
    let what = format!("it holds 10 bytes, and {whole} were written");
    assert_eq!(cut, wrong("report.md", &what));

    // A note laid beside is named, and no fault; nothing that was written is less proved for it.
    let found = changed(&folder, |out| {
        std::fs::write(out.join("notes.txt"), "cherry").unwrap();
        std::fs::write(out.join("facets/33.png"), "mine").unwrap();
    });
    let note = |file: &str| format!("note   {file}: it is no part of the result");
    let notes = vec![note("notes.txt"), note("facets/33.png")];
    assert_eq!(found, (0, notes, true));
    assert_eq!(
        checked(&folder),
        (0, vec![], true),
        "changes were not undone"
    );
}

/// The manifest with something else in it, its own sum as it was.
fn with_manifest(folder: &TempDir, change: impl Fn(&mut Value)) -> (i32, Vec<String>, bool) {
    changed(folder, |out| {
        let path = out.join("globe.json");
        let mut manifest = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
        change(&mut manifest);
        std::fs::write(path, format!("{manifest:#}")).unwrap();
    })
}

/// Adds to a number.
fn add(value: &mut Value, by: f64) {
    let sum = value.as_f64().unwrap() + by;
    assert_ne!(value.as_f64(), Some(sum));
    *value = sum.into();
}

#[test]
fn an_altered_manifest_is_found_and_an_old_one_proves_nothing() {
    let folder = TempDir::new().unwrap();
    let job = concat!(env!("CARGO_MANIFEST_DIR"), "/sample-rasters/ashkerry.toml");
    let words = [
        "facets",
        job,
        "--out",
        "out",
        "--quiet",
        "--set",
        "image.pixel=1 mm",
    ];
    assert_eq!(run(&folder, &words).0, 0);
    let altered = wrong("globe.json", "it is not what was written");

    // Two tilts of a seam changed against each other: their sum is still right.
    let found = with_manifest(&folder, |manifest| {
        let edge = manifest["facets"][0]["edges"][0].clone();
        add(&mut manifest["facets"][0]["edges"][0]["tilt_deg"], 0.5);
        let other = edge["neighbour"].as_u64().unwrap() as usize - 1;
        let other = manifest["facets"][other]["edges"].as_array_mut().unwrap();
        let mut twins = other.iter_mut().filter(|twin| twin["seam"] == edge["seam"]);
        add(&mut twins.next().unwrap()["tilt_deg"], -0.5);
    });
    assert_eq!(found, altered);
    let found = with_manifest(&folder, |manifest| {
        add(&mut manifest["globe"]["skim_mm"], 1e-12);
    });
    assert_eq!(found, altered);
    let found = with_manifest(&folder, |manifest| {
        let warnings = manifest["warnings"].as_array_mut().unwrap();
        warnings.push("mine".into());
    });
    assert_eq!(found, altered);
    // A sum that fits changed bytes does not fit the manifest's own.
    let (code, lines, _) = with_manifest(&folder, |manifest| {
        manifest["files"][0]["sha256"] = "0".repeat(64).into();
    });
    assert_eq!((code, lines.len()), (7, 2), "{lines:?}");
    let found = with_manifest(&folder, |manifest| manifest["files"] = Value::Array(vec![]));
    assert_eq!(found.0, 7, "{found:?}");
    assert!(found.1.contains(&altered.1[0]), "{found:?}");
    let (_, lines, _) = with_manifest(&folder, |manifest| {
        manifest["files"][0]["file"] = "../../etc/passwd".into();
    });
    let out_of = "WRONG  ../../etc/passwd: its name leads out of the folder";
    assert!(lines.contains(&out_of.to_owned()), "{lines:?}");

    // In another layout it says the same.
    let found = changed(&folder, |out| {
        let path = out.join("globe.json");
        let text = std::fs::read(&path).unwrap();
        let value: serde_json::Value = serde_json::from_slice(&text).unwrap();
        std::fs::write(path, value.to_string()).unwrap();
    });
    let again = "it was saved again by another program; what it says is the same";
    assert_eq!(
        found,
        (0, vec![format!("note   globe.json: {again}")], true)
    );

    // As written before there were sums.
    let found = changed(&folder, |out| {
        let path = out.join("globe.json");
        let text = std::fs::read(&path).unwrap();
        let mut value: serde_json::Value = serde_json::from_slice(&text).unwrap();
        let fields = value.as_object_mut().unwrap();
        assert!(fields.remove("files").is_some() && fields.remove("sha256").is_some());
        std::fs::write(path, format!("{value:#}")).unwrap();
    });
    let nothing = "the manifest lists no checksums, so nothing proves the bytes";
    assert_eq!(found, (0, vec![format!("note   bytes: {nothing}")], false));
    // And with the sum alone taken out.
    let found = changed(&folder, |out| {
        let path = out.join("globe.json");
        let text = std::fs::read(&path).unwrap();
        let mut value: serde_json::Value = serde_json::from_slice(&text).unwrap();
        value.as_object_mut().unwrap().remove("sha256").unwrap();
        std::fs::write(path, format!("{value:#}")).unwrap();
    });
    assert_eq!(found, wrong("globe.json", "its own checksum is missing"));
}

/// What is joined is listed anew, so it must not pass for what it is not.
#[test]
fn parts_that_were_changed_are_not_joined() {
    let folder = TempDir::new().unwrap();
    let job = concat!(env!("CARGO_MANIFEST_DIR"), "/sample-rasters/ashkerry.toml");
    for (facets, part) in [("1-6", "a"), ("7-12", "b")] {
        let words = ["facets", job, "--out", part, "--facets", facets, "--quiet"];
        let words = [&words[..], &["--set", "image.pixel=1 mm"]].concat();
        assert_eq!(run(&folder, &words).0, 0);
    }
    let image = folder.path().join("a/facets/03.png");
    let bytes = std::fs::read(&image).unwrap();
    save_again(&image, |levels, width| {
        let middle = (levels.len() / width / 2) * width + width / 2;
        levels[middle] -= 900;
    });
    let (code, _, err) = run(&folder, &["join", "a", "b", "--out", "out"]);
    assert_eq!(code, 7);
    assert_eq!(
        err,
        "globewright: check: facets/03.png is not what was written; make this part again \
         (a/facets/03.png)\n"
    );
    std::fs::write(&image, bytes).unwrap();
    let manifest = folder.path().join("a/globe.json");
    let text = std::fs::read_to_string(&manifest).unwrap();
    std::fs::write(
        &manifest,
        text.replacen("\"corner_mm\": ", "\"corner_mm\": 1", 1),
    )
    .unwrap();
    let (code, _, err) = run(&folder, &["join", "a", "b", "--out", "out"]);
    assert_eq!(code, 7);
    assert_eq!(
        err,
        "globewright: check: globe.json is not what was written; make this part again (a)\n"
    );
    std::fs::write(&manifest, text).unwrap();
    assert_eq!(
        run(&folder, &["join", "a", "b", "--out", "out", "--quiet"]).0,
        0
    );
    assert_eq!(checked(&folder), (0, vec![], true));
    assert_eq!(crate::support::files(folder.path()), ["a", "b", "out"]);
}
