use crate::support::{Raster, contents, files, smooth_job, smooth_m};
use globewright::{Error, FacetsOptions, Silent, facets, load_job};
use tempfile::TempDir;

const JOB: &str = "[globe]\nsolid = \"dodecahedron\"\ndiameter = \"120 mm\"\n\
                   [relief]\nmethod = \"curve\"\nsteepest = 90\nrange = \"4 mm\"\n[image]\npixel = \"0.2 mm\"\n\
                   [stock]\nthickness = \"2 in\"\n";

const MB: u64 = 1 << 20;

/// Carves `smooth.toml` into `out` within a bound far below what the command line takes, so that
/// small grids are large.
fn carve(folder: &TempDir, out: &str, bytes: Option<u64>, set: &[&str]) -> Result<(), Error> {
    let set: Vec<String> = set.iter().map(|&s| s.to_owned()).collect();
    let job = load_job(&folder.path().join("smooth.toml"), &set)?;
    let options = FacetsOptions {
        out: folder.path().join(out),
        memory_bytes: bytes,
        ..FacetsOptions::default()
    };
    facets(&job, &options, &Silent).map(|_| ())
}

fn refusal(folder: &TempDir, bytes: u64, set: &[&str]) -> String {
    let before = files(folder.path());
    let error = carve(folder, "out", Some(bytes), set).unwrap_err();
    assert_eq!(error.exit_code(), 3);
    assert_eq!(files(folder.path()), before);
    let text = error.to_string();
    text.replace(&format!("{}/", folder.path().display()), "")
}

/// Source cells averaged to 1886 × 943, and kept as they are: both from memory and, where that is
/// too small for twice the grid (see the tests of `memory::StoragePolicy`), from a file.
#[test]
fn any_bound_on_memory_gives_the_same_folder() {
    for columns in [2880, 1440] {
        let folder = smooth_job(columns, JOB);
        let with = |out: &str, bytes: Option<u64>, set: &[&str]| {
            carve(&folder, out, bytes, set).unwrap();
            contents(&folder.path().join(out))
        };
        let usual = with("usual", None, &[]);
        // 12 images, manifest, report, its page, overview: the file of the working grid has left nothing.
        assert_eq!(usual.len(), 16);
        for megabytes in [1024, 20, 14] {
            let out = megabytes.to_string();
            assert!(
                usual == with(&out, Some(megabytes * MB), &[]),
                "{columns} {out}"
            );
        }
        let flat = ["globe.projection=gnomonic", "globe.base=flat"];
        let flat_usual = with("flat", None, &flat);
        assert!(flat_usual == with("flat-bounded", Some(14 * MB), &flat));
    }
}

#[test]
fn too_small_a_bound_is_refused_with_numbers() {
    let folder = smooth_job(2880, JOB);
    assert_eq!(
        refusal(&folder, 6 * MB, &[]),
        "job: image.pixel: images this fine do not fit in memory; found 0.2 mm and 9 MB for one \
         facet; allowed: at most 5 MB beside the program itself; use pixels of 0.27 mm or more, \
         or raise --memory (smooth.toml line 11)"
    );
    // Detail needs the whole grid at once.
    assert_eq!(
        refusal(&folder, 20 * MB, &["relief.method=multiscale"]),
        "job: image.pixel: a working grid this fine does not fit in memory, where all of it must \
         be to shape such relief; found 0.2 mm and 19 MB for the working grid and one facet; \
         allowed: at most 16 MB beside the program itself; use pixels of 0.22 mm or more, or \
         raise --memory (smooth.toml line 11)"
    );
}

#[test]
fn holes_need_the_whole_grid_in_memory() {
    let folder = smooth_job(8, JOB);
    let holed = Raster {
        nodata: Some(-9999.0),
        ..Raster::globe(2880)
    };
    holed.write(&folder.path().join("smooth.tif"), |d| {
        if d.x > 0.999 {
            -9999.0
        } else {
            smooth_m(d) as f32
        }
    });
    let message = refusal(&folder, 20 * MB, &[]);
    let start = "job: image.pixel: a working grid this fine does not fit in memory, where all of \
                 it must be to fill its holes; found 0.2 mm and 19 MB for the working grid and \
                 one facet; ";
    assert!(message.starts_with(start), "{message}");
    carve(&folder, "out", Some(100 * MB), &[]).unwrap();
}
