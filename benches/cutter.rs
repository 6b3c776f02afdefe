//! What a bit reaches, on twelve seeded facets: `cargo bench --bench cutter`.
//!
//! Twelve facets of 1300 x 1300 pixels of 0.1 mm stand for a ball of 200 mm in twelve blanks.

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use globewright::{Bounds, Sampler, Scratch, Tool, ToolShape, close, render, surface_mm};
use ndarray::Array2;

mod support;

const SIDE: usize = 1300;
const FACETS: usize = 12;
const PIXEL_MM: f64 = 0.1;

fn main() {
    divan::main();
}

/// A pentagon of a ball with 6 mm of relief, as heights over the back.
fn facet() -> Array2<f32> {
    let grid = support::planet(2880);
    let curve = support::curve(&grid, 6.0);
    let (sampler, bounds) = (Sampler::new(&grid, &curve), Bounds::new(&grid, &curve));
    let mut spec = support::pentagon(SIDE, globewright::Projection::Radial);
    spec.pixel_mm = PIXEL_MM;
    let range_mm = (curve.lowest_mm(), curve.highest_mm());
    let image = render(&sampler, &bounds, &spec, range_mm, &mut Scratch::default());
    let per_level = (spec.white_mm - spec.black_mm) / 65535.0;
    image
        .levels
        .mapv(|v| (spec.black_mm + f64::from(v) * per_level) as f32)
}

fn closing(bencher: Bencher, tool: Tool) {
    let facet = facet();
    let profile = tool.profile(PIXEL_MM);
    bencher
        .counter(ItemsCount::new(FACETS * SIDE * SIDE))
        .bench_local(|| {
            for _ in 0..FACETS {
                black_box(close(black_box(&facet), &profile));
            }
        });
}

/// Twelve facets, ball of the given diameter in tenths of a millimetre, all cores.
#[divan::bench(args = [8, 16, 32, 64], sample_count = 3)]
fn ball(bencher: Bencher, tenths: u32) {
    closing(bencher, Tool::ball(0.1 * f64::from(tenths)));
}

/// The same with one core.
#[divan::bench(args = [32], sample_count = 3)]
fn ball_one_core(bencher: Bencher, tenths: u32) {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build();
    if let Ok(pool) = pool {
        let facet = facet();
        let profile = Tool::ball(0.1 * f64::from(tenths)).profile(PIXEL_MM);
        bencher
            .counter(ItemsCount::new(FACETS * SIDE * SIDE))
            .bench_local(|| {
                pool.install(|| {
                    for _ in 0..FACETS {
                        black_box(close(black_box(&facet), &profile));
                    }
                });
            });
    }
}

/// A tapered ball: 1 mm, 6 degrees, 15 mm of flute.
#[divan::bench(sample_count = 3)]
fn tapered(bencher: Bencher) {
    let shape = ToolShape::TaperedBall {
        half_angle_rad: 6f64.to_radians(),
    };
    closing(
        bencher,
        Tool {
            shape,
            diameter_mm: 1.0,
            flute_mm: 15.0,
        },
    );
}

/// Roughing surfaces of twelve facets for a 6.35 mm flat bit with 0.5 mm to spare.
#[divan::bench(sample_count = 3)]
fn roughing(bencher: Bencher) {
    let facet = facet();
    let tool = Tool::flat(6.35);
    bencher
        .counter(ItemsCount::new(FACETS * SIDE * SIDE))
        .bench_local(|| {
            for _ in 0..FACETS {
                black_box(surface_mm(black_box(&facet), &tool, 0.5, PIXEL_MM));
            }
        });
}
