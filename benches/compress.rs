//! How fast a curve is worked out from a planet's distribution of heights:
//! `cargo bench --bench compress`.

mod support;

use divan::Bencher;
use globewright::{CurveShape, Hypsometry, ReliefSettings, Settings, unit_curve};
use std::sync::LazyLock;

/// The distribution of a synthetic planet with 1440 columns: over a million different heights.
static PLANET: LazyLock<Hypsometry> = LazyLock::new(|| Hypsometry::of_grid(&support::planet(1440)));

fn main() {
    println!("heights in the distribution: {}", PLANET.heights_m.len());
    divan::main();
}

fn bench(bencher: Bencher, curve: CurveShape, boost: f64) {
    let settings = ReliefSettings {
        curve,
        boost,
        ..Settings::default().relief
    };
    bencher.bench_local(|| unit_curve(divan::black_box(&PLANET), &settings).unwrap());
}

#[divan::bench]
fn linear(bencher: Bencher) {
    bench(bencher, CurveShape::Linear, 1.0);
}

#[divan::bench]
fn power(bencher: Bencher) {
    bench(bencher, CurveShape::Power, 2.0);
}

#[divan::bench]
fn asinh(bencher: Bencher) {
    bench(bencher, CurveShape::Asinh, 3.0);
}

#[divan::bench]
fn log(bencher: Bencher) {
    bench(bencher, CurveShape::Log, 3.0);
}

#[divan::bench]
fn equalize(bencher: Bencher) {
    bench(bencher, CurveShape::Equalize, 1.2);
}

/// The distribution itself, by sorting a grid's samples: what inspecting a small grid costs.
#[divan::bench(sample_count = 5)]
fn distribution_of_a_grid(bencher: Bencher) {
    let grid = support::planet(1440);
    bencher.bench_local(|| Hypsometry::of_grid(divan::black_box(&grid)));
}
