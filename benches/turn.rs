//! Searching the turn, on a seeded 2880 x 1440 planet: `cargo bench --bench turn`.
//!
//! First prints how the search compares with the best of 100,000 random turns.

use divan::{Bencher, black_box};
use glam::{DMat3, DQuat};
use globewright::{Costing, Curve, Grid, Sampler, Silent, Solid, TurningSettings, search};
use rayon::prelude::*;
use std::sync::LazyLock;

mod support;

const RANDOM_TURNS: u64 = 100_000;

struct Planet {
    grid: Grid,
    curve: Curve,
    sampler: Sampler,
}

static PLANET: LazyLock<Planet> = LazyLock::new(|| {
    let grid = support::planet(2880);
    let curve = support::curve(&grid, 6.0);
    let sampler = Sampler::new(&grid, &curve);
    Planet {
        grid,
        curve,
        sampler,
    }
});

fn main() {
    let only_relief = TurningSettings {
        worst: 0.0,
        high: 0.0,
        misfit: 0.0,
        corner: 0.0,
        keep: 0.0,
        ..TurningSettings::default()
    };
    for name in ["dodecahedron", "cube", "truncated-icosahedron"] {
        with_solid(name, |solid, costing| {
            let best = (0..RANDOM_TURNS)
                .into_par_iter()
                .map(|i| costing.parts(&random_turn(i)).relief_mm)
                .reduce(|| f64::INFINITY, f64::min);
            let found = search(solid, costing, &only_relief, &Silent);
            println!(
                "{name}: best of {RANDOM_TURNS} random turns {best:.4} mm, search {:.4} mm, median {:.4} mm",
                found.choices[0].parts.relief_mm, found.median.relief_mm
            );
        });
    }
    divan::main();
}

fn with_solid(name: &str, run: impl FnOnce(&Solid, &Costing<'_>)) {
    let planet = &*PLANET;
    if let Some(solid) = Solid::named(name) {
        let costing = Costing::new(
            &solid,
            &planet.grid,
            &planet.curve,
            &planet.sampler,
            &[],
            100.0,
        );
        run(&solid, &costing);
    }
}

/// Even over all rotations (K. Shoemake, "Uniform random rotations", Graphics Gems III, 1992).
fn random_turn(index: u64) -> DMat3 {
    let mut state = index;
    let mut random = || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    };
    let (u, v, w) = (random(), random(), random());
    let (a, b) = ((1.0 - u).sqrt(), u.sqrt());
    let (v, w) = (v * std::f64::consts::TAU, w * std::f64::consts::TAU);
    DMat3::from_quat(DQuat::from_xyzw(
        a * v.sin(),
        a * v.cos(),
        b * w.sin(),
        b * w.cos(),
    ))
}

#[divan::bench(
    args = ["tetrahedron", "dodecahedron", "truncated-icosahedron", "snub-dodecahedron", "disdyakis-triacontahedron"],
    sample_count = 3
)]
fn whole_search(bencher: Bencher, name: &str) {
    with_solid(name, |solid, costing| {
        let settings = TurningSettings::default();
        bencher.bench_local(|| black_box(search(solid, costing, &settings, &Silent)));
    });
}
