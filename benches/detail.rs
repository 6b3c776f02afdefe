//! Exaggeration: the methods beside the curve, the slope limit and the figures, on a seeded
//! synthetic planet.
//!
//! `cargo bench --bench detail`. 6283 x 3142 samples are those of a 200 mm globe at 0.1 mm.

mod support;

use divan::{Bencher, black_box};
use globewright::grid::Grid;
use globewright::legible::{Measure, measure_with_median};
use globewright::settings::Settings;
use globewright::stages::compress::{Keeping, adaptive, gradient, layered, limit_slope};
use support::{curve, planet};

/// Span of the detail and radius of the globe, mm.
const SPAN_RAD: f64 = 5.0 / 100.0;
const RADIUS_MM: f64 = 100.0;

fn main() {
    divan::main();
}

const SIZES: [usize; 2] = [2880, 6282];

/// Dials of the settings' defaults.
const DETAIL: f64 = 30.0;
const STRENGTH: f64 = 1.0;

fn keeping() -> Keeping {
    Keeping::of(&Settings::default().relief, RADIUS_MM)
}

#[divan::bench(args = SIZES, sample_count = 3)]
fn layered_detail(bencher: Bencher, columns: usize) {
    let grid = planet(columns);
    let curve = curve(&grid, 6.0);
    bencher.bench(|| layered(black_box(&grid), &curve, SPAN_RAD, DETAIL, &keeping()));
}

#[divan::bench(args = SIZES, sample_count = 3)]
fn gradient_domain(bencher: Bencher, columns: usize) {
    let grid = planet(columns);
    let curve = curve(&grid, 6.0);
    bencher.bench(|| gradient(black_box(&grid), &curve, SPAN_RAD, STRENGTH, &keeping()));
}

#[divan::bench(args = [1440, 2880], sample_count = 3)]
fn adaptive_equalisation(bencher: Bencher, columns: usize) {
    let grid = planet(columns);
    let curve = curve(&grid, 6.0);
    bencher.bench(|| {
        adaptive(
            black_box(&grid),
            &curve,
            SPAN_RAD,
            DETAIL,
            STRENGTH,
            &keeping(),
        )
    });
}

fn carved(columns: usize) -> (Grid, Grid) {
    let grid = planet(columns);
    let curve = curve(&grid, 6.0);
    let relief = Grid {
        heights_m: layered(&grid, &curve, SPAN_RAD, DETAIL, &keeping()),
        ..grid.clone()
    };
    (grid, relief)
}

#[divan::bench(args = SIZES, sample_count = 3)]
fn slope_limit(bencher: Bencher, columns: usize) {
    let (_, relief) = carved(columns);
    bencher
        .with_inputs(|| relief.clone())
        .bench_values(|mut relief| limit_slope(&mut relief, RADIUS_MM, 60.0));
}

#[divan::bench(args = [1440, 2880], sample_count = 3)]
fn figures(bencher: Bencher, columns: usize) {
    let (grid, relief) = carved(columns);
    bencher.bench(|| {
        measure_with_median(
            black_box(&grid),
            &relief,
            RADIUS_MM,
            &Measure::default(),
            0.0,
        )
    });
}
