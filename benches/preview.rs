//! One answer of the tuning bench: `cargo bench --bench preview`.
//!
//! From settings as text to figures and points, everything but the way to the browser. Asked for:
//! 150 ms for a draft; about a second for an exact answer on a grid of 2880 columns. The job is
//! that of the sample world, or the one that `PREVIEW_JOB` names.

use divan::{Bencher, black_box};
use globewright::{Session, Values, ViewRequest, quiet};
use std::path::Path;
use std::sync::LazyLock;
use std::sync::atomic::{AtomicU32, Ordering};

static BENCH: LazyLock<Session> = LazyLock::new(|| {
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-rasters/ashkerry.toml");
    let job = std::env::var_os("PREVIEW_JOB").map_or(sample, Into::into);
    match quiet(&job, &[]) {
        Ok(bench) => bench,
        Err(error) => panic!("{error}"),
    }
});

fn main() {
    LazyLock::force(&BENCH);
    divan::main();
}

fn values(set: &str) -> Values {
    let (key, value) = set.split_once('=').unwrap_or((set, ""));
    [(key.to_owned(), Some(value.to_owned()))].into()
}

fn look(exact: bool) -> ViewRequest {
    ViewRequest { exact, bit: true }
}

#[divan::bench(
    args = [
        "relief.boost=4",
        "relief.curve=log",
        "relief.range=auto",
        "relief.range=most",
        "relief.steepest=40",
        "relief.method=curve",
        "relief.detail=0.5",
        "stock.thickness=20 mm",
        "globe.solid=tetrahedron",
        "globe.solid=truncated-icosahedron",
        "globe.solid=disdyakis-triacontahedron",
    ],
    sample_count = 15
)]
fn draft(bencher: Bencher, set: &str) {
    let values = values(set);
    bencher.bench_local(|| black_box(BENCH.answer(black_box(&values), look(false))));
}

/// A relief that was never asked for before.
#[divan::bench(sample_count = 5)]
fn exact(bencher: Bencher) {
    static TRY: AtomicU32 = AtomicU32::new(0);
    bencher.bench_local(|| {
        let boost = 5.0 + 0.01 * f64::from(TRY.fetch_add(1, Ordering::Relaxed));
        let values = values(&format!("relief.boost={boost}"));
        black_box(BENCH.answer(&values, look(true)))
    });
}

/// Thicker and thinner stock around a relief that was shaped before.
#[divan::bench(args = ["3 in", "20 mm"], sample_count = 15)]
fn exact_in_other_stock(bencher: Bencher, thickness: &str) {
    let range = ("relief.range".to_owned(), Some("6 mm".to_owned()));
    let mut values = values(&format!("stock.thickness={thickness}"));
    values.extend([range]);
    bencher.bench_local(|| black_box(BENCH.answer(&values, look(true))));
}
