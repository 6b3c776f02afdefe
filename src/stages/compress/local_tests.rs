//! What every method must hold to: closed forms, invariances and order.

use super::*;
use crate::discs::tests::{grid_of, source_of};
use crate::geometry::{direction, lat_lon_deg};
use crate::grid::Grid;
use crate::legible::{Measure, measure};
use crate::progress::Silent;
use crate::settings::{GridSettings, Method, Settings};
use crate::stages::read::{self, ReadRequest};
use crate::stages::resample::Sampler;
use approx::assert_abs_diff_eq;
use glam::{DMat3, DVec3};
use ndarray::Array2;

const METHODS: [Method; 3] = [Method::Layered, Method::Adaptive, Method::Gradient];

fn settings(method: Method, curve: CurveShape) -> Settings {
    let mut settings = Settings::default();
    settings.relief.method = method;
    settings.relief.curve = curve;
    settings
}

/// The relief of 6 mm range by a curve over the grid's own heights, slopes unlimited.
fn relief(grid: &Grid, settings: &Settings) -> Array2<f32> {
    let curve = unit_curve(&Hypsometry::of_grid(grid), &settings.relief)
        .unwrap()
        .scaled(6.0);
    with_curve(grid, &curve, settings)
}

fn with_curve(grid: &Grid, curve: &Curve, settings: &Settings) -> Array2<f32> {
    let relief = &settings.relief;
    let radius_mm = 0.5 * settings.globe.diameter_mm;
    let span_rad = relief.span_mm / radius_mm;
    let keeping = Keeping::of(relief, radius_mm);
    match relief.method {
        Method::Curve => grid
            .heights_m
            .mapv(|m| curve.relief_mm(f64::from(m)) as f32),
        Method::Layered => layered(grid, curve, span_rad, relief.detail, &keeping),
        Method::Adaptive => {
            let (most, strength) = (relief.detail, relief.strength);
            adaptive(grid, curve, span_rad, most, strength, &keeping)
        }
        Method::Gradient => gradient(grid, curve, span_rad, relief.strength, &keeping),
    }
}

/// Broad swells and fine ripples in all directions, with one tall peak.
fn rough(d: DVec3) -> f64 {
    let swell = 2500.0 * (3.0 * d.x + 0.5).sin() * (2.0 * d.z).cos();
    let ripple = 90.0 * (41.0 * d.x + 23.0 * d.y).sin() * (37.0 * d.z - 19.0 * d.y).sin();
    let peak = 9000.0 * (-(d.angle_between(direction(18.0, 226.0)) / 0.08).powi(2)).exp();
    swell + ripple + peak
}

fn ends(values: &Array2<f32>) -> (f32, f32) {
    values.iter().fold((f32::MAX, f32::MIN), |(low, high), &v| {
        (low.min(v), high.max(v))
    })
}

#[test]
fn peaks_and_deeps_land_on_the_ends_of_the_range() {
    let grid = grid_of(720, rough);
    let (low, high) = ends(&grid.heights_m);
    for method in METHODS {
        let carved = relief(&grid, &settings(method, CurveShape::Asinh));
        let (bottom, top) = ends(&carved);
        assert!(
            (top - bottom - 6.0).abs() < 1e-5,
            "{method:?}: {bottom} to {top}"
        );
        for (height, mm) in grid.heights_m.iter().zip(&carved) {
            if *height == high {
                assert_abs_diff_eq!(*mm, top, epsilon = 1e-5);
            }
            if *height == low {
                assert_abs_diff_eq!(*mm, bottom, epsilon = 1e-5);
            }
        }
    }
}

/// The same with slopes limited, on ground whose peak and pit are far steeper than the limit:
/// what is sampled ends where the curve does, to the step in which relief is held.
#[test]
fn peaks_and_deeps_land_on_the_ends_of_the_range_with_slopes_limited() {
    let (peak, pit) = (direction(18.0, 226.0), direction(-33.0, 62.0));
    let spike = |d: DVec3, at: DVec3| (-(d.angle_between(at) / 0.006).powi(2)).exp();
    let grid = grid_of(1440, |d| {
        rough(d) + 9000.0 * (spike(d, peak) - spike(d, pit))
    });
    let source = source_of(&grid);
    for method in [
        Method::Curve,
        Method::Layered,
        Method::Adaptive,
        Method::Gradient,
    ] {
        let mut job = settings(method, CurveShape::Asinh);
        job.relief.steepest_deg = Some(35.0);
        let shaped = shape(grid.clone(), &source, &job).unwrap();
        let wanted = shaped.global.clone().unwrap().scaled(6.0);
        let finished = shaped.finished(6.0, 100.0, Some(35.0));
        let (low, high) = ends(&finished.grid.heights_m);
        assert_abs_diff_eq!(f64::from(low), wanted.lowest_mm(), epsilon = 1e-5);
        assert_abs_diff_eq!(f64::from(high), wanted.highest_mm(), epsilon = 1e-5);
        // Nothing is left to clamp.
        let curve = finished.sampled.scaled(finished.range_mm.unwrap());
        assert_eq!(
            (curve.lowest_mm() as f32, curve.highest_mm() as f32),
            (low, high)
        );
        let (_, steepest) = crate::legible::steepness(&finished.grid, 100.0, 35.0);
        assert!(steepest < 35.6, "{method:?}: {steepest}");
    }
}

/// Flat ground has no detail and no rank among its surroundings: it stays flat.
#[test]
fn a_constant_field_stays_constant() {
    let grid = grid_of(180, |_| 1234.5);
    let curve = Curve {
        name: "linear".into(),
        knots_m: vec![0.0, 3000.0],
        knots_mm: vec![0.0, 6.0],
    };
    for method in METHODS {
        let carved = with_curve(&grid, &curve, &settings(method, CurveShape::Linear));
        for mm in &carved {
            assert_abs_diff_eq!(*mm, 2.469, epsilon = 1e-5);
        }
    }
}

/// Across a straight scarp of 2000 m between two plains, the carved plains stay within 5 % of
/// the carved step of their level with `layered`, on every side and at every latitude.
#[test]
fn a_scarp_casts_no_halo() {
    for axis in [DVec3::Z, DVec3::X, DVec3::new(0.6, 0.0, 0.8)] {
        // Peaks far from the scarp give the body its usual range.
        let far = axis.any_orthonormal_vector().cross(axis);
        let peaks = |d: DVec3| {
            let at = |p: DVec3, m: f64| m * (-(d.angle_between(p) / 0.02).powi(2)).exp();
            at(axis, 14_000.0) + at(-axis, -4000.0) + 0.0 * far.dot(d)
        };
        let grid = grid_of(1440, |d| {
            peaks(d) + if axis.dot(d) > 0.0 { 1000.0 } else { -1000.0 }
        });
        for (method, curve) in METHODS
            .into_iter()
            .flat_map(|m| [CurveShape::Linear, CurveShape::Asinh].map(|c| (m, c)))
        {
            let carved = relief(&grid, &settings(method, curve));
            // The plains' own levels, far from the scarp and the peaks.
            let level = |side: f64| {
                let d = (axis * side * 0.5 + axis.any_orthonormal_vector()).normalize();
                let (lat, lon) = lat_lon_deg(d);
                let row = ((90.0 - lat) / grid.step_lat_deg()) as usize;
                let column = (lon.rem_euclid(360.0) / grid.step_lon_deg()) as usize;
                f64::from(carved[(row, column % 1440)])
            };
            let (upper, lower) = (level(1.0), level(-1.0));
            let step = upper - lower;
            let mut worst = 0f64;
            for ((row, column), mm) in carved.indexed_iter() {
                let d = direction(grid.lat_deg(row), grid.lon_deg(column));
                if axis.dot(d).abs() < 0.4 {
                    let own = if axis.dot(d) > 0.0 { upper } else { lower };
                    worst = worst.max((f64::from(*mm) - own).abs() / step);
                }
            }
            // Only layered casts none; the others are held to less than they cast as published.
            let most = if method == Method::Layered { 0.05 } else { 0.2 };
            assert!(worst < most, "{method:?} {curve:?} {axis}: {worst}");
        }
    }
}

/// A faint plane wave: deepened k-fold about its base, alike at three latitudes. The window mean
/// of a wave is J1-like small for waves much shorter than the window, so detail is the wave.
#[test]
fn a_faint_wave_is_deepened_by_the_setting_at_every_latitude() {
    let mut job = settings(Method::Layered, CurveShape::Linear);
    (job.relief.detail, job.relief.span_mm) = (8.0, 6.0);
    for lat in [0.0, 45.0, 75.0] {
        let gain = gain_of_wave(&job, lat);
        assert!((7.2..8.4).contains(&gain), "{lat}: {gain}");
    }
}

/// The gain of a faint plane wave, 2.5 mm long on a ball of 100 mm, around a latitude.
fn gain_of_wave(job: &Settings, lat: f64) -> f64 {
    let curve = Curve {
        name: "linear".into(),
        knots_m: vec![-10_000.0, 10_000.0],
        knots_mm: vec![-3.0, 3.0],
    };
    let centre = direction(lat, 40.0);
    let along = centre.any_orthonormal_vector();
    let wave = |d: DVec3| (d.dot(along) * 2.0 * std::f64::consts::PI / 0.025).cos();
    let grid = grid_of(2880, |d| 0.5 * wave(d));
    let carved = with_curve(&grid, &curve, job);
    let (mut sum, mut square) = (0.0, 0.0);
    for ((row, column), mm) in carved.indexed_iter() {
        let d = direction(grid.lat_deg(row), grid.lon_deg(column));
        if d.angle_between(centre) < 0.05 {
            sum += wave(d) * f64::from(*mm);
            square += wave(d) * wave(d);
        }
    }
    sum / square / (0.5 * 3.0 / 10_000.0)
}

/// Closed form: with all ground in one of the 24 steps, its share of the histogram is cut off at
/// A even shares and the rest, 1 − A/24, is spread over all: the local curve rises A + 1 − A/24
/// times as steeply as the line.
#[test]
fn adaptive_amplifies_a_faint_wave_by_its_limit_at_every_latitude() {
    for most in [5.0, 12.0] {
        let mut job = settings(Method::Adaptive, CurveShape::Linear);
        (job.relief.detail, job.relief.span_mm) = (most, 6.0);
        let expected = most + 1.0 - most / 24.0;
        for lat in [0.0, 45.0, 75.0] {
            let gain = gain_of_wave(&job, lat);
            assert!(
                (gain / expected - 1.0).abs() < 0.1,
                "{most} at {lat}: {gain}"
            );
        }
    }
}

/// Slopes that are alike everywhere are attenuated alike, and the distribution of heights is put
/// back: nothing is left to do, at any latitude.
#[test]
fn gradient_leaves_a_lone_wave_alone_at_every_latitude() {
    let job = settings(Method::Gradient, CurveShape::Linear);
    for lat in [0.0, 45.0, 75.0] {
        let gain = gain_of_wave(&job, lat);
        assert!((gain - 1.0).abs() < 0.1, "{lat}: {gain}");
    }
}

/// Neighbouring heights keep their order as far as the job asks, after slopes were limited too;
/// with nothing asked, dials turned up that far do break it.
#[test]
fn the_asked_share_of_neighbours_keeps_its_order() {
    let grid = grid_of(720, |d| rough(d) + 40.0 * (150.0 * d.x + 120.0 * d.z).sin());
    let source = source_of(&grid);
    let kept = |method: Method, order: f64| {
        let mut job = settings(method, CurveShape::Equalize);
        (job.relief.blend, job.relief.order) = (Some(0.85), order);
        (job.relief.detail, job.relief.shift) = (100.0, 0.1);
        let shaped = shape(grid.clone(), &source, &job).unwrap();
        let finished = shaped.finished(6.0, 100.0, job.relief.slope_limit_deg());
        measure(&grid, &finished.grid, 100.0, &Measure::default()).order_kept
    };
    for method in METHODS {
        let held = kept(method, 0.99);
        assert!(held >= 0.99, "{method:?}: {held}");
    }
    let free = kept(Method::Layered, 0.0);
    assert!(free < 0.989, "{free}");
}

/// Order within the bound: ground more than twice the shift higher is carved higher, always.
#[test]
fn layered_keeps_the_order_of_all_ground_that_differs_by_twice_the_shift() {
    let grid = grid_of(720, rough);
    let mut job = settings(Method::Layered, CurveShape::Asinh);
    job.relief.detail = 100.0;
    let carved = relief(&grid, &job);
    let mut ranked: Vec<(f32, f32)> = grid
        .heights_m
        .iter()
        .copied()
        .zip(carved.iter().copied())
        .collect();
    ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
    let twice = 2.0 * job.relief.shift as f32 * (ranked[ranked.len() - 1].0 - ranked[0].0);
    let (mut highest, mut from) = (f32::MIN, 0);
    for &(height, mm) in &ranked {
        while ranked[from].0 < height - twice {
            highest = highest.max(ranked[from].1);
            from += 1;
        }
        assert!(mm >= highest, "{height} m carved {mm} below {highest}");
    }
}

#[test]
fn heights_may_be_shifted_or_scaled_without_changing_the_relief() {
    let grid = grid_of(360, rough);
    for method in METHODS {
        let job = settings(method, CurveShape::Asinh);
        let plain = relief(&grid, &job);
        for (factor, add) in [(1.0, 4096.0), (0.25, 0.0)] {
            let mut other = grid.clone();
            other.heights_m.mapv_inplace(|m| factor * m + add);
            let mut job = job.clone();
            job.relief.level = Level::Mean;
            for (a, b) in plain.iter().zip(&relief(&other, &job)) {
                assert_abs_diff_eq!(a, b, epsilon = 6e-3);
            }
        }
    }
}

#[test]
fn turning_by_whole_columns_turns_the_relief() {
    let grid = grid_of(360, rough);
    let mut turned = grid.clone();
    for ((row, column), height) in turned.heights_m.indexed_iter_mut() {
        *height = grid.heights_m[(row, (column + 77) % 360)];
    }
    let curve = unit_curve(&Hypsometry::of_grid(&grid), &Settings::default().relief)
        .unwrap()
        .scaled(6.0);
    for method in METHODS {
        let job = settings(method, CurveShape::Asinh);
        let (before, after) = (
            with_curve(&grid, &curve, &job),
            with_curve(&turned, &curve, &job),
        );
        for ((row, column), mm) in after.indexed_iter() {
            let expected = before[(row, (column + 77) % 360)];
            assert_eq!(*mm, expected, "{method:?}");
        }
    }
}

/// Turning the planet any way, shaping it and turning it back changes at most 1 % of the range.
#[test]
fn an_arbitrary_turn_and_back_changes_nothing_that_matters() {
    let turn =
        DMat3::from_rotation_y(1.1) * DMat3::from_rotation_z(0.7) * DMat3::from_rotation_x(0.4);
    let (grid, turned) = (
        grid_of(1440, rough),
        grid_of(1440, |d| rough(turn.transpose() * d)),
    );
    let curve = unit_curve(&Hypsometry::of_grid(&grid), &Settings::default().relief)
        .unwrap()
        .scaled(6.0);
    for method in METHODS {
        let job = settings(method, CurveShape::Asinh);
        let plain = with_curve(&grid, &curve, &job);
        let other = Grid {
            heights_m: with_curve(&turned, &curve, &job),
            ..turned.clone()
        };
        let back = Sampler::new(&other, &straight(&curve));
        let mut worst = 0f64;
        for row in 0..grid.rows() {
            let places: Vec<DVec3> = (0..grid.columns())
                .map(|column| turn * direction(grid.lat_deg(row), grid.lon_deg(column)))
                .collect();
            for (mm, back) in plain.row(row).iter().zip(back.relief_mm(&places)) {
                worst = worst.max((f64::from(*mm) - back).abs());
            }
        }
        assert!(worst < 0.06, "{method:?}: {worst} mm");
    }
}

/// The guided filter by its definition (He, Sun and Tang 2013, eq. 5, 6, 8), window by window.
#[test]
fn the_base_is_the_guided_filter_of_its_definition() {
    let grid = grid_of(48, |d| {
        3000.0 * (5.0 * d.x).sin() + 800.0 * (9.0 * d.y * d.z).cos()
    });
    let (rows, columns) = grid.heights_m.dim();
    let radius = 0.35f64;
    // Share of cell j in the window around cell i.
    let weight = |i: (usize, usize), j: (usize, usize)| {
        let colat = |row: usize| (90.0 - grid.lat_deg(row)).to_radians();
        let psi: f64 = (0..8)
            .map(|k| {
                let to = colat(j.0)
                    + ((f64::from(k) + 0.5) / 8.0 - 0.5) * std::f64::consts::PI / rows as f64;
                let cos =
                    (radius.cos() - colat(i.0).cos() * to.cos()) / (colat(i.0).sin() * to.sin());
                cos.clamp(-1.0, 1.0).acos() / 8.0
            })
            .sum();
        let half = psi / std::f64::consts::TAU * columns as f64;
        if psi >= std::f64::consts::PI - 1e-12 {
            return grid.area_weight(j.0);
        }
        let off = j.1 as f64 - i.1 as f64;
        let inside = |off: f64| ((off + 0.5).min(half) - (off - 0.5).max(-half)).clamp(0.0, 1.0);
        let n = columns as f64;
        grid.area_weight(j.0) * (inside(off) + inside(off - n) + inside(off + n))
    };
    let cells: Vec<(usize, usize)> = (0..rows)
        .flat_map(|row| (0..columns).map(move |column| (row, column)))
        .collect();
    let mean = |i: (usize, usize), value: &dyn Fn((usize, usize)) -> f64| {
        let (mut sum, mut area) = (0.0, 0.0);
        for &j in &cells {
            let weight = weight(i, j);
            if weight > 0.0 {
                sum += weight * value(j);
                area += weight;
            }
        }
        sum / area
    };
    let height = |j: (usize, usize)| f64::from(grid.heights_m[j]);
    let edge_m = 500.0;
    let mut a = Array2::<f64>::zeros((rows, columns));
    let mut b = a.clone();
    for &k in &cells {
        let mu = mean(k, &height);
        let variance = mean(k, &|j| height(j).powi(2)) - mu * mu;
        a[k] = variance / (variance + edge_m * edge_m);
        b[k] = (1.0 - a[k]) * mu;
    }
    for &i in &[
        (0, 3),
        (1, 40),
        (6, 0),
        (11, 20),
        (12, 47),
        (20, 9),
        (23, 30),
    ] {
        let base = mean(i, &|j| a[j]) * height(i) + mean(i, &|j| b[j]);
        let detail = base::detail_of(&grid, 2.0 * radius, edge_m);
        assert_abs_diff_eq!(height(i) - base, f64::from(detail[i]), epsilon = 0.02);
    }
}

/// An isolated cone is brought out as a cone: the summit stays its highest place and the ground
/// around it falls away evenly.
#[test]
fn an_isolated_cone_stays_round() {
    let peak = direction(30.0, 120.0);
    let grid = grid_of(1440, |d| {
        (3000.0 * (1.0 - d.angle_between(peak) / 0.1)).max(0.0)
    });
    for method in METHODS {
        let carved = relief(&grid, &settings(method, CurveShape::Linear));
        let whole = Grid {
            heights_m: carved,
            ..grid.clone()
        };
        let curve = Curve {
            name: String::new(),
            knots_m: vec![-6.0, 6.0],
            knots_mm: vec![-6.0, 6.0],
        };
        let sampler = Sampler::new(&whole, &curve);
        let aside = peak.any_orthonormal_vector();
        let other = peak.cross(aside);
        for angle in [0.03f64, 0.06, 0.09, 0.12] {
            let ring: Vec<DVec3> = (0..24)
                .map(|i| {
                    let turn = f64::from(i) * std::f64::consts::TAU / 24.0;
                    peak * angle.cos() + (aside * turn.cos() + other * turn.sin()) * angle.sin()
                })
                .collect();
            let mm = sampler.relief_mm(&ring);
            let (low, high) = mm
                .iter()
                .fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(*v), b.max(*v)));
            assert!(high - low < 0.03, "{method:?} at {angle}: {}", high - low);
            assert!(sampler.relief_mm(&[peak])[0] > high, "{method:?}");
        }
    }
}

/// Where the Debian package `ferret-datasets` puts its grids.
const ETOPO20: &str = "/usr/share/ferret-vis/data/etopo20.cdf";

/// Layered brings out far more of the real Earth than any curve, and keeps its order.
/// Source: ETOPO20 as packaged by Debian in ferret-datasets; the bounds are this program's aim.
#[test]
fn layered_makes_most_of_the_real_earth_legible() {
    assert!(
        std::path::Path::new(ETOPO20).exists(),
        "{ETOPO20} is missing: install the Debian package ferret-datasets (setup.sh does)"
    );
    let files = GridSettings {
        files: vec![ETOPO20.into()],
        ..GridSettings::default()
    };
    let reading = read::read(&files, &ReadRequest::default(), &Silent).unwrap();
    let mut job = settings(Method::Layered, CurveShape::Equalize);
    job.relief.blend = Some(0.8);
    job.relief.range_mm = Some(6.0);
    let figures = |job: &Settings| {
        let shaped = shape(reading.grid.clone(), &reading.source, job).unwrap();
        let relief_mm = shaped
            .finished(6.0, 100.0, job.relief.slope_limit_deg())
            .grid;
        measure(&reading.grid, &relief_mm, 100.0, &Measure::default())
    };
    let layered = figures(&job);
    job.relief.method = Method::Curve;
    job.relief.curve = CurveShape::Linear;
    let linear = figures(&job);
    assert!(layered.legible_share > 0.8, "{layered:?}");
    assert!(
        layered.legible_share > linear.legible_share + 0.2,
        "{linear:?}"
    );
    assert!(layered.order_kept >= 0.99);
    assert!(layered.steep_share <= linear.steep_share + 0.03);
}
