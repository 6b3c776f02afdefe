use crate::support::{contents, files, run, smooth_job};

const JOB: &str = "[globe]\nsolid = \"dodecahedron\"\ndiameter = \"120 mm\"\n\
                   [relief]\nrange = \"4 mm\"\n[image]\npixel = \"0.2 mm\"\n\
                   [stock]\nthickness = \"2 in\"\n";

/// Source cells averaged to 1886 × 943, and kept as they are: both from memory and, where that is
/// too small for twice the grid (see the tests of `memory::Room`), from a file.
#[test]
fn any_bound_on_memory_gives_the_same_folder() {
    for (columns, bounds) in [(2880, ["1G", "20M", "10M"]), (1440, ["1G", "10M", "8M"])] {
        let folder = smooth_job(columns, JOB);
        let with = |out: &str, more: &[&str]| {
            let words = ["facets", "smooth.toml", "--out", out];
            let (code, _, err) = run(&folder, &[&words[..], more].concat());
            assert_eq!(code, 0, "{err}");
            contents(&folder.path().join(out))
        };
        let usual = with("usual", &[]);
        // 12 images, manifest, report, overview: the file of the working grid has left nothing.
        assert_eq!(usual.len(), 15);
        for bound in bounds {
            let bounded = with(bound, &["--memory", bound]);
            assert!(usual == bounded, "{columns} {bound}");
        }
        let flat = [
            "--set",
            "globe.projection=gnomonic",
            "--set",
            "globe.base=flat",
        ];
        let flat_usual = with("flat", &flat);
        let flat_bounded = with("flat-bounded", &[&flat[..], &["--memory", "10M"]].concat());
        assert!(flat_usual == flat_bounded);
    }
}

#[test]
fn too_small_a_bound_is_refused_with_numbers() {
    let folder = smooth_job(2880, JOB);
    let before = files(folder.path());
    let words = ["facets", "smooth.toml", "--out", "out", "--memory"];
    let (code, out, err) = run(&folder, &[&words[..], &["6M"]].concat());
    assert_eq!((code, out.as_str()), (3, ""));
    assert_eq!(
        err,
        "globewright: job: image.pixel: images this fine do not fit in memory; found 0.2 mm and \
         7 MB for one facet; allowed: at most 5 MB beside the program itself; use pixels of \
         0.25 mm or more, or raise --memory (smooth.toml line 9)\n"
    );
    // Detail needs the whole grid at once.
    let detail = ["20M", "--set", "relief.method=layered"];
    let (code, _, err) = run(&folder, &[&words[..], &detail].concat());
    assert_eq!(code, 3);
    assert_eq!(
        err,
        "globewright: job: image.pixel: a working grid this fine does not fit in memory; found \
         0.2 mm and 17 MB for the working grid and one facet; allowed: at most 16 MB beside the \
         program itself; use pixels of 0.21 mm or more, or raise --memory (smooth.toml line 9)\n"
    );
    assert_eq!(files(folder.path()), before);
}
