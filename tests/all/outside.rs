//! Against the world outside: map projections, published tables, real open grids.

#![allow(clippy::approx_constant, reason = "published tables give four places")]

use crate::support::{Raster, png_levels};
use gdal::Dataset;
use glam::DVec3;
use globewright::{
    FacetEntry, FacetsOptions, Frame, GridSettings, Manifest, Silent, Source, compare_solids,
    direction, facets, inspect, parse_job,
};
use proj::Proj;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// A facet's frame whose index corner lies due north of its centre.
fn facing(lat_deg: f64, lon_deg: f64) -> Frame {
    // North at a pole is where longitude 0 comes from, as in the published tables.
    let north = direction(lat_deg + 90.0, lon_deg);
    Frame::looking_along(direction(lat_deg, lon_deg), north)
}

/// Where a place falls on the facet's plane at distance 1; `None` behind it.
fn gnomonic(frame: Frame, lon_deg: f64, lat_deg: f64) -> Option<(f64, f64)> {
    let local = frame.to_local(direction(lat_deg, lon_deg));
    (local.z > 1e-9).then(|| (local.x / local.z, local.y / local.z))
}

/// Where a place of the unit sphere stands over the facet.
fn orthographic(frame: Frame, lon_deg: f64, lat_deg: f64) -> Option<(f64, f64)> {
    let local = frame.to_local(direction(lat_deg, lon_deg));
    (local.z >= -1e-9).then_some((local.x, local.y))
}

/// Longitude, latitude, x, y on a unit sphere; tolerance of the published tables.
type Row = (f64, f64, f64, f64);
const TABLE: f64 = 1e-4;

fn assert_rows(place: impl Fn(f64, f64) -> Option<(f64, f64)>, rows: &[Row]) {
    for &(lon, lat, x, y) in rows {
        let found = place(lon, lat).unwrap();
        let near = (found.0 - x).abs() <= TABLE && (found.1 - y).abs() <= TABLE;
        assert!(near, "lon {lon} lat {lat}: {found:?}, published {x} {y}");
    }
}

#[test]
fn facet_planes_are_the_published_gnomonic_projection() {
    // Source: PROJ 9, test/gie/builtins.gie, gnom; it cites J. P. Snyder, Map Projections: A Working
    // Manual, USGS Professional Paper 1395, table 26, p. 168.
    let equator = facing(0.0, 0.0);
    assert_rows(
        |lon, lat| gnomonic(equator, lon, lat),
        &[
            (10.0, 80.0, 0.1763, 5.7588),
            (20.0, 70.0, 0.3640, 2.9238),
            (30.0, 60.0, 0.5774, 2.0000),
            (40.0, 50.0, 0.8391, 1.5557),
            (50.0, 40.0, 1.1918, 1.3054),
            (60.0, 30.0, 1.7321, 1.1547),
            (70.0, 20.0, 2.7475, 1.0642),
            (80.0, 10.0, 5.6713, 1.0154),
            (80.0, 80.0, 5.6713, 32.6596),
        ],
    );
    assert_eq!(gnomonic(equator, 0.0, 90.0), None);
    assert_rows(
        |lon, lat| gnomonic(facing(90.0, 0.0), lon, lat),
        &[(45.0, 45.0, 0.7071, -0.7071)],
    );
    assert_eq!(gnomonic(facing(90.0, 0.0), 12.0, 0.0), None);
    assert_rows(
        |lon, lat| gnomonic(facing(-90.0, 0.0), lon, lat),
        &[(45.0, -45.0, 0.7071, 0.7071)],
    );
    assert_rows(
        |lon, lat| gnomonic(facing(45.0, 0.0), lon, lat),
        &[(0.0, 0.0, 0.0, -1.0), (0.0, 90.0, 0.0, 1.0)],
    );
    assert_eq!(gnomonic(facing(45.0, 0.0), 0.0, -45.0), None);
    // Source: Snyder, the same, worked example p. 319: centre 40 N 100 W, point 30 N 110 W.
    let (x, y) = gnomonic(facing(40.0, -100.0), -110.0, 30.0).unwrap();
    assert!(
        (x + 0.154_282_6).abs() < 1e-7 && (y + 0.169_473_9).abs() < 1e-7,
        "{x} {y}"
    );
}

#[test]
fn seen_from_above_a_ball_is_the_published_orthographic_projection() {
    // Source: PROJ 9, test/gie/builtins.gie, ortho; it cites Snyder, tables 22 and 23.
    assert_rows(
        |lon, lat| orthographic(facing(0.0, 0.0), lon, lat),
        &[
            (10.0, 50.0, 0.1116, 0.7660),
            (40.0, 70.0, 0.2198, 0.9397),
            (80.0, 10.0, 0.9698, 0.1736),
        ],
    );
    assert_eq!(orthographic(facing(0.0, 0.0), 120.0, 0.0), None);
    assert_rows(
        |lon, lat| orthographic(facing(40.0, 0.0), lon, lat),
        &[
            (20.0, 60.0, 0.1710, 0.3614),
            (40.0, -30.0, 0.5567, -0.8095),
            (130.0, 40.0, 0.5868, 0.8089),
        ],
    );
}

/// The map that PROJ draws about a centre, on a sphere of this radius.
struct Map(Proj);

impl Map {
    fn new(name: &str, centre: (f64, f64), radius: f64) -> Map {
        let (lat_0, lon_0) = centre;
        let text = format!("+proj={name} +lat_0={lat_0} +lon_0={lon_0} +R={radius} +units=m");
        Map(Proj::new(&text).unwrap())
    }

    fn at(&self, lon_deg: f64, lat_deg: f64) -> (f64, f64) {
        // A bare projection takes radians.
        let place = (lon_deg.to_radians(), lat_deg.to_radians());
        self.0.project(place, false).unwrap()
    }
}

#[test]
fn facet_coordinates_agree_with_proj_all_over_a_facet() {
    let (mut compared, step) = (0, 7.0);
    for centre in [
        (0.0, 0.0),
        (26.565, 36.0),
        (-63.4, -171.0),
        (90.0, 0.0),
        (-90.0, 0.0),
    ] {
        let frame = facing(centre.0, centre.1);
        let [gnom, ortho] = ["gnom", "ortho"].map(|name| Map::new(name, centre, 1.0));
        for i in 0..25 {
            for j in 0..51 {
                let (lat, lon) = (-84.0 + step * f64::from(i), -175.0 + step * f64::from(j));
                // The faces of every solid but the tetrahedron lie within 55 degrees.
                if frame.z.dot(direction(lat, lon)) < 55f64.to_radians().cos() {
                    continue;
                }
                let near = |ours: (f64, f64), theirs: (f64, f64)| {
                    let off = (ours.0 - theirs.0).abs().max((ours.1 - theirs.1).abs());
                    assert!(off < 1e-9, "{centre:?} {lat} {lon}: {ours:?} {theirs:?}");
                };
                let ours = gnomonic(frame, lon, lat).unwrap();
                near(ours, gnom.at(lon, lat));
                let ours = orthographic(frame, lon, lat).unwrap();
                near(ours, ortho.at(lon, lat));
                compared += 1;
            }
        }
    }
    assert!(compared > 1000, "{compared}");
}

/// Runs a job text in a folder with a grid; the manifest.
fn carved(folder: &Path, text: &str) -> Manifest {
    let job = parse_job(text, &folder.join("job.toml"), &[]).unwrap();
    let options = FacetsOptions {
        out: folder.join("out"),
        force: true,
        ..FacetsOptions::default()
    };
    facets(&job, &options, &Silent).unwrap().manifest
}

/// Highest level of an image that is not farther than 3 mm from a place on the facet, mm, and
/// where it stands.
fn summit_near(out: &Path, m: &Manifest, facet: &FacetEntry, at: (f64, f64)) -> (f64, f64, f64) {
    let (levels, width) = png_levels(&out.join(&facet.file));
    let height = levels.len() / width;
    let pixel = m.image.pixel_mm;
    let mut best = (f64::NEG_INFINITY, 0.0, 0.0);
    for (i, &level) in levels.iter().enumerate() {
        let x = ((i % width) as f64 + 0.5 - width as f64 / 2.0) * pixel;
        let y = (height as f64 / 2.0 - (i / width) as f64 - 0.5) * pixel;
        if (x - at.0).hypot(y - at.1) > 3.0 {
            continue;
        }
        let z =
            m.image.black_mm + (m.image.white_mm - m.image.black_mm) * f64::from(level) / 65535.0;
        // On a ball the ground itself leans: the summit is where the wood is farthest out.
        let out_mm = match m.globe.base {
            globewright::Base::Sphere => x.hypot(y).hypot(z + facet.back_plane_mm),
            globewright::Base::Flat => z,
        };
        if out_mm > best.0 {
            best = (out_mm, x, y);
        }
    }
    best
}

/// Lone cones, in degrees north and east: around Snyder's worked example.
const CONES: [(f64, f64); 4] = [(30.0, -110.0), (40.0, -100.0), (52.0, -88.0), (24.0, -96.0)];

#[test]
fn cones_stand_on_the_images_where_proj_puts_them() {
    let folder = TempDir::new().unwrap();
    let grid = folder.path().join("cones.tif");
    Raster::globe(1440).write(&grid, |d: DVec3| {
        let cone = |&(lat, lon): &(f64, f64)| {
            let away = d.angle_between(direction(lat, lon)).to_degrees();
            1000.0 * (1.0 - away / 3.0).max(0.0)
        };
        CONES.iter().map(cone).sum::<f64>() as f32
    });
    let text = |base: &str, projection: &str| {
        format!(
            "[grid]\nfiles = [\"cones.tif\"]\n[globe]\nsolid = \"dodecahedron\"\n\
             diameter = \"200 mm\"\nbase = \"{base}\"\nprojection = \"{projection}\"\n\
             [globe.turn]\nface = 5\nlat = 40\nlon = -100\nspin = 0\n\
             [relief]\nmethod = \"curve\"\nsteepest = 90\nrange = \"3 mm\"\ncurve = \"linear\"\n[image]\npixel = \"0.1 mm\"\n"
        )
    };
    let centre = (40.0, -100.0);
    let out = folder.path().join("out");
    // A cell is 0.44 mm on this globe and a pixel 0.1 mm.
    let same = |found: (f64, f64, f64), at: (f64, f64)| {
        let off = (found.1 - at.0).hypot(found.2 - at.1);
        assert!(off < 0.35, "{found:?}, PROJ says {at:?}");
    };

    let flat = carved(folder.path(), &text("flat", "gnomonic"));
    let facet = &flat.facets[4];
    for (lat, lon) in CONES {
        let at = Map::new("gnom", centre, facet.base_distance_mm).at(lon, lat);
        same(summit_near(&out, &flat, facet, at), at);
    }
    // Snyder's worked example in the wood: x −0.1542826, y −0.1694739 at distance 1.
    let d = facet.base_distance_mm;
    let example = (-0.154_282_6 * d, -0.169_473_9 * d);
    same(summit_near(&out, &flat, facet, example), example);

    let ball = carved(folder.path(), &text("sphere", "radial"));
    let facet = &ball.facets[4];
    for (lat, lon) in CONES {
        let top_mm = ball.globe.radius_mm + ball.curve.knots_mm.last().unwrap();
        let at = Map::new("ortho", centre, top_mm).at(lon, lat);
        let found = summit_near(&out, &ball, facet, at);
        same(found, at);
        assert!((found.0 - top_mm).abs() < 0.2, "{found:?}, top {top_mm} mm");
    }
}

/// Open elevation grids (NOAA, public domain) of the Debian package ferret-datasets 7.6.
fn ferret(name: &str) -> PathBuf {
    let path = Path::new("/usr/share/ferret-vis/data").join(name);
    assert!(
        path.exists(),
        "{} is missing: install the Debian package ferret-datasets (setup.sh does)",
        path.display()
    );
    path
}

fn inspected(path: &Path) -> Source {
    let settings = GridSettings {
        files: vec![path.to_owned()],
        ..GridSettings::default()
    };
    inspect(&settings, &Silent).unwrap()
}

/// Heights with their cells' true areas, lowest first, straight from GDAL.
///
/// The area of a cell is taken as cos(latitude of its centre) times a constant: another way to
/// the same thing, right to a few parts in 100,000 at these cell sizes.
fn sorted_by_height(path: &Path, columns: usize) -> Vec<(f64, f64)> {
    let file = Dataset::open(path).unwrap();
    let (width, rows) = file.raster_size();
    let band = file.rasterband(1).unwrap();
    let cells = band.read_as::<f64>((0, 0), (width, rows), (width, rows), None);
    let cells = cells.unwrap();
    let mut all = Vec::new();
    for (i, &height) in cells.data().iter().enumerate() {
        if i % width < columns {
            let lat = 90.0 - ((i / width) as f64 + 0.5) * 180.0 / rows as f64;
            all.push((height, lat.to_radians().cos()));
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all
}

#[test]
fn the_hypsometry_of_earth_agrees_with_an_independent_one() {
    // etopo20 repeats its first column at the end, and one must not count twice.
    for (name, columns) in [("etopo60.cdf", 360), ("etopo20.cdf", 1080)] {
        let path = ferret(name);
        let hypsometry = inspected(&path).hypsometry;
        let cells = sorted_by_height(&path, columns);
        let total: f64 = cells.iter().map(|cell| cell.1).sum();
        let mean: f64 = cells.iter().map(|cell| cell.0 * cell.1).sum::<f64>() / total;
        assert!((hypsometry.mean_m - mean).abs() < 0.5, "{name}: {mean}");
        for share in [0.001, 0.05, 0.25, 0.5, 0.75, 0.95, 0.999] {
            let mut below = 0.0;
            let here = cells.iter().find(|cell| {
                below += cell.1 / total;
                below >= share
            });
            let expected = here.unwrap().0;
            let found = hypsometry.quantile_m(share);
            // Few cells are that deep or high, so neighbours in the list lie metres apart.
            let allowed = if (0.01..0.99).contains(&share) {
                5.0
            } else {
                40.0
            };
            assert!(
                (found - expected).abs() < allowed,
                "{name} {share}: {found}, {expected}"
            );
        }
    }
}

#[test]
fn the_roof_of_the_world_is_carved_where_it_lies() {
    let folder = TempDir::new().unwrap();
    let path = ferret("etopo20.cdf");
    let source = inspected(&path);
    // Source: the file itself, as GDAL's tools print it: 6228.8 m; on the Tibetan plateau or in
    // the ranges around it.
    let (lat, lon) = (source.max.lat_deg, source.max.lon_deg);
    assert!((source.max.height_m - 6228.8).abs() < 0.1);
    assert!(
        (27.0..38.0).contains(&lat) && (72.0..100.0).contains(&lon),
        "{lat} {lon}"
    );

    let text = format!(
        "[grid]\nfiles = [{path:?}]\nbody = \"Earth\"\n\
         [globe]\nsolid = \"icosahedron\"\ndiameter = \"200 mm\"\n\
         [relief]\nmethod = \"curve\"\nsteepest = 90\nrange = \"4 mm\"\ncurve = \"linear\"\n[image]\npixel = \"0.2 mm\"\n"
    );
    let manifest = carved(folder.path(), &text);
    // The facet that holds the place is the one whose normal is nearest.
    let towards = direction(lat, lon);
    let nearest = |a: &&FacetEntry, b: &&FacetEntry| {
        let dot = |f: &FacetEntry| f.frame.axes().z.dot(towards);
        dot(a).total_cmp(&dot(b))
    };
    let facet = manifest.facets.iter().max_by(nearest).unwrap();
    let top_mm = manifest.globe.radius_mm + manifest.curve.knots_mm.last().unwrap();

    // PROJ draws north up; the image is turned so that its index corner is up.
    let centre = (facet.centre.lat_deg, facet.centre.lon_deg);
    let (east, north) = Map::new("ortho", centre, top_mm).at(lon, lat);
    let y_axis = DVec3::from_array(facet.frame.y);
    let north_axis = direction(centre.0 + 90.0, centre.1);
    let east_axis = direction(0.0, centre.1 + 90.0);
    let (sin, cos) = (y_axis.dot(east_axis), y_axis.dot(north_axis));
    let at = (east * cos - north * sin, east * sin + north * cos);

    let out = folder.path().join("out");
    let found = summit_near(&out, &manifest, facet, at);
    // A cell is 0.58 mm wide on this globe.
    let off = (found.1 - at.0).hypot(found.2 - at.1);
    assert!(off < 0.6, "{found:?}, PROJ says {at:?}");
    assert!(
        (found.0 - top_mm).abs() < 0.05,
        "{found:?}, top {top_mm} mm"
    );
    // Nothing on any facet reaches higher.
    let highest = manifest.facets.iter().map(|f| f.max_mm).fold(0.0, f64::max);
    assert!(highest <= manifest.globe.stock_mm);
}

/// Carves the default job with only a real planet's grid named: neighbours meet within 0.05 mm,
/// and 0.02 mm on 99 % of the seams, at pixels of 0.1 mm, and nothing is undercut. Steps grow with
/// the pixels.
fn assert_seams_meet(grid: &Path, solid: &str, pixel_mm: f64) {
    let folder = TempDir::new().unwrap();
    let text = format!(
        "[grid]\nfiles = [{grid:?}]\n[globe]\nsolid = \"{solid}\"\n\
         [stock]\nthickness = \"140 mm\"\n[image]\npixel = \"{pixel_mm} mm\"\n"
    );
    let manifest = carved(folder.path(), &text);
    let seams = manifest.checks.seams.as_ref().unwrap();
    let coarser = pixel_mm / 0.1;
    assert!(
        seams.worst_seam_step_mm <= 0.055 * coarser && seams.seam_step_99_mm <= 0.02 * coarser,
        "{solid}: {seams:?}"
    );
    assert_eq!(manifest.checks.undercut_px, 0, "{solid}");
}

/// On the two solids that lean most and two others, with pixels large enough for it to take no
/// minute; the figures of all are in benches/results/2026-11-26-relief.md.
#[test]
fn default_jobs_of_the_earth_meet_at_every_seam() {
    let grid = ferret("etopo20.cdf");
    for solid in [
        "tetrahedron",
        "octahedron",
        "deltoidal-icositetrahedron",
        "disdyakis-triacontahedron",
    ] {
        assert_seams_meet(&grid, solid, 0.25);
    }
}

#[test]
#[ignore = "all 31 solids at full size: some ten minutes"]
fn default_jobs_of_the_earth_meet_at_every_seam_of_every_solid() {
    let grid = ferret("etopo5.cdf");
    let text = "[relief]\nrange = \"6 mm\"\n[stock]\nthickness = \"140 mm\"\n";
    let job = parse_job(text, Path::new("job.toml"), &[]).unwrap();
    let (rows, _) = compare_solids(&job, &Silent).unwrap();
    assert_eq!(rows.len(), 31);
    for row in rows {
        assert_seams_meet(&grid, row.solid, 0.1);
    }
}
