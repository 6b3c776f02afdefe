use super::*;
use crate::model::grid::{Grid, Registration};
use crate::sphere::resolution::testing::field;

/// Natural ground without a fault, 1° cells, a standard deviation of 1000 m.
fn ground(seed: u64) -> Grid {
    field(180, 179, seed, |l| l.max(2.0).powf(-2.5))
}

fn found(grid: &Grid) -> Vec<Fault> {
    let cells = (grid.rows() * grid.columns()) as u64;
    find(grid, &Hypsometry::of_grid(grid), cells)
}

/// The grid with something added that depends on row and column.
fn with(mut grid: Grid, more_m: impl Fn(usize, usize) -> f64) -> Grid {
    for ((row, column), h) in grid.heights_m.indexed_iter_mut() {
        *h += more_m(row, column) as f32;
    }
    grid
}

fn only(grid: &Grid) -> Fault {
    let found = found(grid);
    assert_eq!(found.len(), 1, "{found:?}");
    found[0]
}

fn near(fault: &Fault, lat_deg: f64, lon_deg: f64, size_m: f64) {
    assert!((fault.lat_deg - lat_deg).abs() <= 6.0, "{fault:?}");
    assert!((fault.lon_deg - lon_deg).abs() <= 6.0, "{fault:?}");
    assert!((fault.size_m / size_m - 1.0).abs() < 0.25, "{fault:?}");
}

#[test]
fn natural_ground_has_no_fault() {
    for seed in 1..6 {
        assert_eq!(found(&ground(seed)), [], "{seed}");
    }
    let steep = field(360, 359, 1, |l| l.max(1.0).powi(-3));
    assert_eq!(found(&steep), []);
    let rough = field(360, 359, 2, |l| l.max(1.0).powi(-2));
    assert_eq!(found(&rough), []);
}

#[test]
fn a_step_along_a_meridian_is_found_where_it_is() {
    // A tile of 60° whose edges are hidden but for the western one, at 100° E.
    let rows = 50..110;
    let tile = |row: usize, column: usize| {
        let along = (column as f64 - 100.0) / 60.0;
        let inside = rows.contains(&row) && (0.0..1.0).contains(&along);
        if inside { 500.0 * (1.0 - along) } else { 0.0 }
    };
    let fault = only(&with(ground(1), tile));
    near(&fault, 10.0, 100.0, 500.0);
    let FaultKind::Line {
        meridian: true,
        track: false,
        long_deg,
        others: 0,
    } = fault.kind
    else {
        panic!("{fault:?}");
    };
    assert!((40.0..=80.0).contains(&long_deg), "{fault:?}");
}

#[test]
fn a_step_at_the_date_line_is_found() {
    let mut grid = with(ground(2), |_, column| 400.0 * column as f64 / 360.0);
    grid.west_deg = -179.5;
    let fault = only(&grid);
    assert_eq!(fault.lon_deg, 180.0);
    assert!((fault.size_m - 400.0).abs() < 100.0);
    let text = fault.to_string();
    assert!(text.starts_with("heights jump by"), "{text}");
    assert!(
        text.contains("along the meridian of 180.0° E for"),
        "{text}"
    );
}

#[test]
fn a_step_along_a_parallel_is_found_where_it_is() {
    let fault = only(&with(
        ground(3),
        |row, _| if row < 60 { 400.0 } else { 0.0 },
    ));
    assert_eq!(fault.lat_deg, 30.0);
    assert!((fault.size_m - 400.0).abs() < 100.0);
    assert!(matches!(
        fault.kind,
        FaultKind::Line {
            meridian: false,
            track: false,
            ..
        }
    ));
}

#[test]
fn tracks_are_told_from_steps() {
    let one = |row: usize, column: usize| {
        if column == 200 && (40..120).contains(&row) {
            300.0
        } else {
            0.0
        }
    };
    let fault = only(&with(ground(4), one));
    near(&fault, 10.0, 200.0, 300.0);
    assert!(matches!(
        fault.kind,
        FaultKind::Line {
            meridian: true,
            track: true,
            ..
        }
    ));

    let two = |row: usize, column: usize| {
        let off = [80, 81].contains(&row) && (20..110).contains(&column);
        if off { -300.0 } else { 0.0 }
    };
    let fault = only(&with(ground(4), two));
    near(&fault, 9.0, 65.0, 300.0);
    assert!(matches!(
        fault.kind,
        FaultKind::Line {
            meridian: false,
            track: true,
            ..
        }
    ));
}

#[test]
fn lines_are_counted() {
    let tracks = |_: usize, column: usize| match column {
        50 => 300.0,
        150 | 151 => 250.0,
        300 => -280.0,
        _ => 0.0,
    };
    let fault = only(&with(ground(5), tracks));
    let FaultKind::Line { others, .. } = fault.kind else {
        panic!("{fault:?}");
    };
    assert!((2..=3).contains(&others), "{fault:?}");
}

#[test]
fn spokes_are_found_at_their_pole() {
    let spokes = |row: usize, column: usize| {
        // As wide as three cells 8° from the pole, and gone beyond 12°.
        let from_pole = 179.5 - row as f64;
        let height_m = 400.0 * ((12.0 - from_pole) / 4.0).clamp(0.0, 1.0);
        height_m * (std::f64::consts::TAU * 16.0 * column as f64 / 360.0).cos()
    };
    let fault = only(&with(ground(1), spokes));
    assert!(matches!(fault.kind, FaultKind::Spokes { times } if times > 2.5));
    assert!((-87.0..-78.0).contains(&fault.lat_deg), "{fault:?}");
    assert!((100.0..500.0).contains(&fault.size_m), "{fault:?}");
    assert!(
        fault
            .to_string()
            .starts_with("spokes around the south pole: near 8")
    );
}

#[test]
fn rings_of_a_series_are_found() {
    let cut = field(360, 100, 6, |l| l.max(2.0).powf(-3.0));
    assert_eq!(found(&cut), []);
    let ripple = field(360, 100, 7, |l| if l == 100.0 { 1.0 } else { 0.0 });
    let rings = Grid {
        heights_m: &cut.heights_m + &(&ripple.heights_m * 0.05),
        ..cut
    };
    let fault = only(&rings);
    let FaultKind::Rings { degree, share } = fault.kind else {
        panic!("{fault:?}");
    };
    assert!((degree / 100.0 - 1.0).abs() < 0.15, "{fault:?}");
    assert!(share > 0.3, "{fault:?}");
    // Waves of 50 m rms are 71 m high, and larger where they meet.
    assert!((71.0..250.0).contains(&fault.size_m), "{fault:?}");
}

#[test]
fn terraces_are_found_with_their_step() {
    let mut grid = field(180, 179, 3, |l| l.max(2.0).powi(-4));
    grid.heights_m.mapv_inplace(|h| (h / 250.0).round() * 250.0);
    let fault = found(&grid)
        .into_iter()
        .find(|f| matches!(f.kind, FaultKind::Terraces { .. }));
    let fault = fault.unwrap();
    assert_eq!(fault.size_m, 250.0);
    let FaultKind::Terraces { wide_deg } = fault.kind else {
        panic!("{fault:?}");
    };
    assert!(wide_deg > 4.0);
    // Whole metres are no terraces.
    let mut grid = ground(3);
    grid.heights_m.mapv_inplace(f32::round);
    assert_eq!(found(&grid), []);
}

#[test]
fn faults_are_told_in_words() {
    let text = |kind, size_m| {
        let fault = Fault {
            kind,
            lat_deg: -81.17,
            lon_deg: 16.26,
            size_m,
        };
        fault.to_string()
    };
    let line = |meridian, track, others| FaultKind::Line {
        meridian,
        track,
        long_deg: 12.4,
        others,
    };
    assert_eq!(
        text(line(true, false, 0), 120.4),
        "heights jump by 120 m along the meridian of 16.3° E for 12° around 81.2° S, as where \
         surveys meet; this will show in the wood"
    );
    assert_eq!(
        text(line(false, true, 1), 7.25),
        "samples along the parallel of 81.2° S for 12° around 16.3° E are off by 7.2 m, as in \
         tracks; this and one smaller line will show in the wood"
    );
    assert!(
        text(line(false, true, 3), 7.25)
            .ends_with("; this and 3 smaller lines will show in the wood")
    );
    assert_eq!(
        text(FaultKind::Spokes { times: 3.21 }, 196.0),
        "spokes around the south pole: near 81.2° S, 16.3° E heights change 3.2 times more along \
         rows than across them and stand 196 m out of the ground beside"
    );
    let rings = FaultKind::Rings {
        degree: 719.7,
        share: 0.062,
    };
    assert_eq!(
        text(rings, 239.0),
        "the grid comes from a series that ends at about degree 720, which leaves rings beside \
         steep ground: up to 239 m near 81.2° S, 16.3° E, and on 6 % of the ground"
    );
    assert_eq!(
        text(FaultKind::Terraces { wide_deg: 9.96 }, 100.0),
        "heights come in steps of 100 m, so gentle ground becomes terraces; the widest, near \
         81.2° S, 16.3° E, is flat for 10.0°"
    );
}

#[test]
fn small_and_flat_grids_have_none() {
    for (rows, columns) in [(1, 1), (32, 64), (33, 65), (40, 1000)] {
        let flat = Grid {
            heights_m: ndarray::Array2::zeros((rows, columns)),
            west_deg: 0.0,
            registration: Registration::Pixel,
        };
        assert_eq!(found(&flat), []);
        let tilted = with(flat, |row, column| row as f64 + 0.37 * column as f64);
        assert_eq!(found(&tilted), []);
    }
}
