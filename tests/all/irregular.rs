//! Bodies that are no balls: elongated asteroids, and ground too steep to be cut from above.

use crate::rebuild::differences_mm;
use crate::support::{Raster, assert_sound, carve};
use glam::DVec3;
use tempfile::TempDir;

/// Radius that heights count from.
const SPHERE_M: f64 = 16_000.0;

/// Distance of an ellipsoid's surface from its centre: 1/r² = Σ (uᵢ/axisᵢ)².
fn ellipsoid_m(towards: DVec3, axes_m: DVec3) -> f64 {
    1.0 / (towards / axes_m).length()
}

/// A folder with a grid of radii and a job that carves it in a straight line.
fn radii(radius_m: impl Fn(DVec3) -> f64, range_mm: f64) -> TempDir {
    let folder = TempDir::new().unwrap();
    let raster = Raster {
        crs: Some("+proj=longlat +R=16000 +no_defs"),
        ..Raster::globe(720)
    };
    raster.write(&folder.path().join("smooth.tif"), |d| radius_m(d) as f32);
    let job = format!(
        "[grid]\nfiles = [\"smooth.tif\"]\n[globe]\nsolid = \"dodecahedron\"\n\
         diameter = \"120 mm\"\n[relief]\nmethod = \"curve\"\nsteepest = 90\ncurve = \"linear\"\nrange = \"{range_mm} mm\"\n\
         [stock]\nthickness = \"60 mm\"\nedge = \"3 mm\"\n[image]\npixel = \"0.2 mm\"\n"
    );
    std::fs::write(folder.path().join("smooth.toml"), job).unwrap();
    folder
}

#[test]
fn a_body_six_times_as_long_as_thick_is_carved_where_its_surface_is() {
    // Radii from 5.5 to 33 km; the grid's numbers are taken for radii without a setting.
    let axes_m = DVec3::new(33_000.0, 5_500.0, 5_500.0);
    for range_mm in [8.0, 20.0] {
        let folder = radii(|d| ellipsoid_m(d, axes_m), range_mm);
        let summary = carve(&folder, None, &[]).unwrap();
        assert_sound(&folder.path().join("out"));
        // The nearest cells lie 0.35° from the tip, 22 m below it.
        let source = &summary.manifest.source;
        assert!((source.max_m - 17_000.0).abs() < 30.0, "{}", source.max_m);
        assert!((source.min_m + 10_500.0).abs() < 1.0, "{}", source.min_m);
        let (mut seen, mut off) = (0, 0);
        for facet in 1..=12 {
            let differences = differences_mm(folder.path(), facet, SPHERE_M);
            seen += differences.len();
            off += differences.iter().filter(|mm| **mm > 0.01).count();
        }
        assert!(seen > 3000, "{seen} pixels only");
        assert_eq!(off, 0, "of {seen} pixels, range {range_mm} mm");
    }
}

#[test]
fn ground_that_folds_under_itself_all_over_is_refused_in_numbers() {
    let folder = radii(
        |d| SPHERE_M + 1000.0 * (60.0 * d.x).sin() * (60.0 * d.y).sin(),
        25.0,
    );
    let message = carve(&folder, None, &[]).unwrap_err().to_string();
    let share = message
        .strip_prefix(
            "job: relief.range: the ground is too steep to be cut from above: much of it is \
             undercut; found ",
        )
        .and_then(|rest| {
            rest.split_once(
                " % of the carved surface; allowed: 10 %; set relief.steepest = \"auto\", which lays \
                 such ground back, or make relief.range less",
            )
        })
        .unwrap_or_else(|| panic!("{message}"));
    assert!(share.0.parse::<f64>().unwrap() > 10.0, "{message}");
    assert!(!folder.path().join("out").exists());
    // The ways out are ways out.
    carve(&folder, None, &["relief.steepest=auto"]).unwrap();
    carve(&folder, None, &["relief.range=1 mm"]).unwrap();
}
