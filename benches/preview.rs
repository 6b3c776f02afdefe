//! One answer of the tuning bench on the sample world: `cargo bench --bench preview`.
//!
//! From settings as text to figures and points, everything but the way to the browser. Asked for:
//! 150 ms.

use divan::{Bencher, black_box};
use globewright::stages::preview::{Bench, Values, quiet};
use std::path::Path;
use std::sync::LazyLock;

static BENCH: LazyLock<Bench> = LazyLock::new(|| {
    let job = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-rasters/ashkerry.toml");
    match quiet(&job, &[]) {
        Ok(bench) => bench,
        Err(error) => panic!("{error}"),
    }
});

fn main() {
    LazyLock::force(&BENCH);
    divan::main();
}

#[divan::bench(
    args = [
        "relief.boost=4",
        "relief.curve=log",
        "relief.range=auto",
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
fn answer(bencher: Bencher, set: &str) {
    let (key, value) = set.split_once('=').unwrap_or((set, ""));
    let values: Values = [(key.to_owned(), Some(value.to_owned()))].into();
    bencher.bench_local(|| black_box(BENCH.answer(black_box(&values))));
}
