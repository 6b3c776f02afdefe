use gdal::DriverManager;
use gdal::raster::Buffer;
use gdal::spatial_ref::SpatialRef;
use globewright::{FacetsOptions, Silent, direction, load_job, parse_facets};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

/// A few waves on a ball of 1000 km, seen at 240 x 120 cells, with a patch of no data.
fn write_world(path: &Path) {
    const NODATA: i16 = -32768;
    let (columns, rows) = (240, 120);
    let height = |column: usize, row: usize| {
        if (60..70).contains(&column) && (40..45).contains(&row) {
            return NODATA;
        }
        let place = direction(90.0 - 1.5 * (row as f64 + 0.5), 1.5 * (column as f64 + 0.5));
        (2000.0 * (7.0 * place.x).sin() + 1500.0 * (9.0 * place.y + 4.0 * place.z).cos()) as i16
    };
    let cells: Vec<i16> = (0..columns * rows)
        .map(|i| height(i % columns, i / columns))
        .collect();
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let mut file = driver
        .create_with_band_type::<i16, _>(path, columns, rows, 1)
        .unwrap();
    let sphere = SpatialRef::from_proj4("+proj=longlat +R=1000000 +no_defs").unwrap();
    file.set_spatial_ref(&sphere).unwrap();
    file.set_geo_transform(&[-180.0, 1.5, 0.0, 90.0, 0.0, -1.5])
        .unwrap();
    let mut band = file.rasterband(1).unwrap();
    band.set_no_data_value(Some(f64::from(NODATA))).unwrap();
    let mut cells = Buffer::new((columns, rows), cells);
    band.write((0, 0), (columns, rows), &mut cells).unwrap();
}

/// A bit for the surface and one that clears the wood before it.
const BITS: &str =
    "[[cutter]]\n[[cutter]]\nshape = \"flat\"\ndiameter = \"6 mm\"\nrole = \"rough\"\n";

/// A small job with everything that a part must hand on: a name, holes, notes on the grid, a
/// margin and a clean-up of its own.
fn write_job(folder: &Path, solid: &str, format: &str) -> PathBuf {
    let path = folder.join("globe.toml");
    write_world(&folder.join("world.tif"));
    let text = format!(
        "name = \"Two by two\"\n[grid]\nfiles = [\"world.tif\"]\n\
         [globe]\nsolid = \"{solid}\"\ndiameter = \"100 mm\"\n\
         [relief]\nrange = \"4 mm\"\n[stock]\nthickness = \"40 mm\"\nskim = \"0.7 mm\"\nedge = \"6 mm\"\ntrim = \"2 mm\"\n\
         [image]\npixel = \"0.6 mm\"\nformat = \"{format}\"\n\
         {BITS}"
    );
    std::fs::write(&path, text).unwrap();
    path
}

fn make(job: &Path, facets: Option<&str>, out: &Path, sets: &[&str]) {
    make_with(job, facets, out, sets, false);
}

/// `all`: with the shop plan and the finished relief.
fn make_with(job: &Path, facets: Option<&str>, out: &Path, sets: &[&str], all: bool) {
    let sets: Vec<String> = sets.iter().map(ToString::to_string).collect();
    let options = FacetsOptions {
        out: out.to_path_buf(),
        facets: facets.map(|list| parse_facets(list).unwrap()),
        shop: all,
        keep_relief: all,
        ..FacetsOptions::default()
    };
    globewright::facets(&load_job(job, &sets).unwrap(), &options, &Silent).unwrap();
}

/// Every file below a folder with its bytes.
fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = PathBuf::from(path.file_name().unwrap());
        if path.is_dir() {
            let inner = contents(&path);
            all.extend(
                inner
                    .into_iter()
                    .map(|(file, bytes)| (name.join(file), bytes)),
            );
        } else {
            all.insert(name, std::fs::read(&path).unwrap());
        }
    }
    all
}

fn assert_same(whole: &Path, joined: &Path) {
    let (whole, joined) = (contents(whole), contents(joined));
    assert_eq!(
        whole.keys().collect::<Vec<_>>(),
        joined.keys().collect::<Vec<_>>()
    );
    for (file, bytes) in &whole {
        assert!(joined[file] == *bytes, "{} differs", file.display());
    }
}

fn join(root: &Path, parts: &[&str], out: &str) -> Result<(), String> {
    let parts: Vec<PathBuf> = parts.iter().map(|part| root.join(part)).collect();
    let root_text = format!("{}/", root.display());
    globewright::join(&parts, &root.join(out), false, &Silent)
        .map(|_| ())
        .map_err(|error| format!("{} {error}", error.exit_code()).replace(&root_text, ""))
}

/// Any partition of the facets joins to what one run writes, named in any order.
fn partitions_join(solid: &str, format: &str, partitions: &[&[&str]]) -> TempDir {
    let folder = TempDir::new().unwrap();
    let root = folder.path();
    let job = write_job(root, solid, format);
    make(&job, None, &root.join("whole"), &[]);
    for (i, partition) in partitions.iter().enumerate() {
        let mut names = Vec::new();
        for list in *partition {
            let name = format!("part {list}");
            if !root.join(&name).exists() {
                make(&job, Some(list), &root.join(&name), &[]);
            }
            names.push(name);
        }
        let mut names: Vec<&str> = names.iter().map(String::as_str).collect();
        let (out, turned) = (format!("joined {i}"), format!("turned {i}"));
        join(root, &names, &out).unwrap();
        assert_same(&root.join("whole"), &root.join(out));
        names.reverse();
        join(root, &names, &turned).unwrap();
        assert_same(&root.join("whole"), &root.join(turned));
    }
    folder
}

#[test]
fn parts_of_a_cube_join_to_the_whole_as_png() {
    let folder = partitions_join(
        "cube",
        "png",
        &[
            &["1", "2-6"],
            &["1,3,5", "2,4,6"],
            &["1", "2", "3", "4", "5", "6"],
            &["1-6"],
            // A facet in two parts is no harm when it is the same in both.
            &["1-4", "3-6"],
        ],
    );
    let text = std::fs::read_to_string(folder.path().join("joined 0/globe.json")).unwrap();
    assert!(text.contains("\"rough/ring-A.svg\""), "{text}");
    assert!(
        text.contains("hold no data and were filled smoothly"),
        "{text}"
    );
}

#[test]
fn parts_of_a_solid_with_two_kinds_of_blank_join_to_the_whole_as_tiff() {
    let singles: Vec<String> = (1..=14).map(|facet| facet.to_string()).collect();
    let singles: Vec<&str> = singles.iter().map(String::as_str).collect();
    partitions_join(
        "cuboctahedron",
        "tiff",
        &[
            &["1", "2-14"],
            &["1,3,5,7,9,11,13", "2,4,6,8,10,12,14"],
            &singles,
        ],
    );
}

/// Shop plan and finished relief come along, and only when every part has them.
#[test]
fn the_shop_plan_and_the_relief_join_too() {
    let folder = TempDir::new().unwrap();
    let root = folder.path();
    let job = write_job(root, "cube", "png");
    let board = [
        "board.1.width=200 mm",
        "board.1.length=2 m",
        "stock.thickness=42 mm",
        "jig.inset=5 mm",
    ];
    for (facets, out) in [(None, "whole"), (Some("1-2"), "a"), (Some("3-6"), "b")] {
        make_with(&job, facets, &root.join(out), &board, true);
    }
    make(&job, Some("3-6"), &root.join("bare"), &board);
    join(root, &["b", "a"], "out").unwrap();
    assert_same(&root.join("whole"), &root.join("out"));
    let report = std::fs::read_to_string(root.join("out/report.md")).unwrap();
    assert!(report.contains("# Shop plan") && root.join("out/shop/board-01.dxf").exists());

    assert_eq!(
        join(root, &["a", "bare"], "no").unwrap_err(),
        "3 job: only some parts were made with --shop; found shop/back-01.dxf in a and not in bare; \
         make all parts with --shop or none"
    );
    let list = root.join("b/shop/plan.md");
    let text = std::fs::read_to_string(&list).unwrap();
    std::fs::write(&list, text + "mine").unwrap();
    assert_eq!(
        join(root, &["a", "b"], "no").unwrap_err(),
        "7 check: shop/plan.md is in two parts and is not the same in both; found a and b; make it \
         again, and join without the older part"
    );
    assert!(!root.join("no").exists());
}

#[test]
fn what_does_not_belong_together_is_refused_in_words() {
    let folder = TempDir::new().unwrap();
    let root = folder.path();
    let job = write_job(root, "cube", "png");
    make(&job, Some("1-3"), &root.join("a"), &[]);
    make(&job, Some("4-6"), &root.join("b"), &[]);
    let deeper = ["relief.range=4.5 mm"];
    make(&job, Some("4-6"), &root.join("c"), &deeper);
    let before = contents(root);

    assert_eq!(
        join(root, &["a", "c"], "out").unwrap_err(),
        "3 job: the parts are of different jobs: job.relief.range differs; found \"4 mm\" in a and \
         \"4.5 mm\" in c; make all parts with the same program, job file and grid, or join only \
         those that belong together"
    );
    assert_eq!(
        join(root, &["b"], "out").unwrap_err(),
        "7 check: facets 1-3 are in none of the parts; make them with --facets 1-3, and join that \
         folder too"
    );
    assert_eq!(
        join(root, &["a", "d"], "out").unwrap_err(),
        "6 disk: there is no globe.json here; allowed: a folder written by `globewright facets`; \
         check the path (d)"
    );
    assert_eq!(
        join(root, &[], "out").unwrap_err(),
        "3 job: there is nothing to join; allowed: folders made by `globewright facets --facets`; \
         name them"
    );
    assert_eq!(contents(root), before);
}

#[test]
fn a_facet_that_differs_or_is_damaged_is_refused_in_words() {
    let folder = TempDir::new().unwrap();
    let root = folder.path();
    let job = write_job(root, "cube", "png");
    make(&job, Some("1-3"), &root.join("a"), &[]);
    make(&job, Some("4-6"), &root.join("b"), &[]);
    make(&job, Some("3"), &root.join("three"), &[]);
    let parts = ["a", "b", "three"];

    let manifest = root.join("three/globe.json");
    let text = std::fs::read_to_string(&manifest).unwrap();
    let older = text.replacen("\"carved_px\": ", "\"carved_px\": 1", 1);
    std::fs::write(&manifest, older).unwrap();
    let error = join(root, &parts, "out").unwrap_err();
    let start = "7 check: facet 03 is in two parts and is not the same in both; found carved_px ";
    assert!(error.starts_with(start), "{error}");
    let end = " in three; make it again, and join without the older part";
    assert!(error.ends_with(end), "{error}");
    std::fs::write(&manifest, text).unwrap();

    let image = root.join("three/facets/03.png");
    let mut bytes = std::fs::read(&image).unwrap();
    bytes.push(0);
    std::fs::write(&image, &bytes).unwrap();
    assert_eq!(
        join(root, &parts, "out").unwrap_err(),
        "7 check: facet 03 is in two parts and is not the same in both; found different images in \
         a and three; make it again, and join without the older part"
    );

    let image = root.join("b/facets/05.png");
    let whole = std::fs::read(&image).unwrap();
    std::fs::write(&image, &whole[..whole.len() / 2]).unwrap();
    let error = join(root, &["a", "b"], "out").unwrap_err();
    let start = "7 check: facet 05: the image is damaged: ";
    assert!(error.starts_with(start), "{error}");
    let end = "; make it again with --facets 5 (b/facets/05.png)";
    assert!(error.ends_with(end), "{error}");
    // One facet's image under another's name.
    std::fs::copy(root.join("b/facets/06.png"), &image).unwrap();
    assert_eq!(
        join(root, &["a", "b"], "out").unwrap_err(),
        "7 check: facet 05: the image says it is facet 06; make it again with --facets 5 \
         (b/facets/05.png)"
    );
    std::fs::remove_file(&image).unwrap();
    assert_eq!(
        join(root, &["a", "b"], "out").unwrap_err(),
        "7 check: facet 05: the image is missing; make it again with --facets 5 (b/facets/05.png)"
    );
    let left: Vec<_> = std::fs::read_dir(root).unwrap().collect();
    assert_eq!(left.len(), 5, "{left:?}");
}

/// The first block of code after a heading of the page.
fn block(heading: &str) -> &'static str {
    let page = include_str!("../../docs/many-machines.md");
    let (_, section) = page.split_once(&format!("\n## {heading}\n")).unwrap();
    let (_, code) = section.split_once("\n```").unwrap();
    let (_, code) = code.split_once('\n').unwrap();
    code.split_once("```").unwrap().0
}

/// A shell in which the program is found by its name.
fn shell(folder: &Path, script: &str) -> Command {
    let program = Path::new(env!("CARGO_BIN_EXE_globewright"));
    let path = std::env::var("PATH").unwrap();
    let mut command = Command::new("bash");
    command
        .current_dir(folder)
        .args(["-euo", "pipefail", "-c", script])
        .env(
            "PATH",
            format!("{}:{path}", program.parent().unwrap().display()),
        )
        .env("HOME", folder);
    command
}

fn succeeds(mut command: Command) {
    let output = command.output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
}

/// The page's own lines, on a solid of twelve faces as it says.
#[test]
fn the_documented_lines_share_a_job_out() {
    let folder = TempDir::new().unwrap();
    let root = folder.path();
    let job = write_job(root, "rhombic-dodecahedron", "png");
    make(&job, None, &root.join("whole"), &[]);
    let parallel = block("GNU parallel");
    assert!(parallel.contains("\nparallel "), "{parallel}");
    succeeds(shell(root, parallel));
    assert_same(&root.join("whole"), &root.join("globe"));

    std::fs::remove_dir_all(root.join("parts")).unwrap();
    let task = block("Slurm");
    assert!(task.contains("#SBATCH --array=1-12\n"), "{task}");
    for facet in 1..=12 {
        let mut task = shell(root, task);
        task.env("SLURM_ARRAY_TASK_ID", facet.to_string())
            .env("SLURM_CPUS_PER_TASK", "2");
        succeeds(task);
    }
    succeeds(shell(root, "globewright join parts/* --out globe --force"));
    assert_same(&root.join("whole"), &root.join("globe"));
}
