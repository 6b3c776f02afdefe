//! How fast facets are drawn: `cargo bench --bench resample`. Millions of pixels per second count
//! the pixels inside the blank only.

mod support;

use divan::counter::ItemsCount;
use globewright::{Bounds, Projection, Sampler, Scratch, render};

fn main() {
    divan::main();
}

#[divan::bench(args = [1, 2], sample_count = 5)]
fn gnomonic(bencher: divan::Bencher, threads: usize) {
    draw(bencher, threads, Projection::Gnomonic);
}

#[divan::bench(args = [1, 2], sample_count = 5)]
fn radial(bencher: divan::Bencher, threads: usize) {
    draw(bencher, threads, Projection::Radial);
}

fn draw(bencher: divan::Bencher, threads: usize, projection: Projection) {
    let grid = support::planet(5760);
    let curve = support::curve(&grid, 6.0);
    let (sampler, bounds) = (Sampler::new(&grid, &curve), Bounds::new(&grid, &curve));
    let spec = support::pentagon(4096, projection);
    let range = (curve.lowest_mm(), curve.highest_mm());
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap();
    // A job keeps it from facet to facet.
    let mut scratch = Scratch::default();
    let stats = render(&sampler, &bounds, &spec, range, &mut scratch).stats;
    eprintln!("{projection:?}: {stats:?}");
    bencher
        .counter(ItemsCount::new(stats.carved_px))
        .bench_local(|| pool.install(|| render(&sampler, &bounds, &spec, range, &mut scratch)));
}
