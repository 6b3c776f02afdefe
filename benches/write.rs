//! Writing speed: 16-bit PNG and TIFF of a seeded facet, against the `png` crate's own setting.
//!
//! `cargo bench --bench write`. Sizes are printed first, times follow.

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use globewright::{ImageFacts, encode_png, encode_tiff};
use ndarray::Array2;

const SIDE: usize = 2048;
/// Octaves of ridges in the synthetic terrain; the finest is a few pixels wide.
const OCTAVES: u32 = 8;

fn main() {
    let levels = facet();
    let usual = zlib_level_6(&levels).len();
    let ours = encode_png(&levels, &facts()).map_or(0, |b| b.len());
    let tiff = encode_tiff(&levels, &facts()).map_or(0, |b| b.len());
    println!("bytes: png {ours}, tiff {tiff}, png crate with zlib level 6 {usual}");
    println!("png / zlib level 6: {:.4}", ours as f64 / usual as f64);
    divan::main();
}

fn facts() -> ImageFacts {
    ImageFacts {
        label: "01".into(),
        pixel_mm: 0.1,
        black_mm: 10.0,
        white_mm: 50.0,
    }
}

/// Deterministic values in 0..1 from two lattice coordinates and an octave (splitmix64).
fn lattice(x: i64, y: i64, octave: u32) -> f64 {
    let mut z = (x as u64)
        .wrapping_mul(0x9E37_79B9_7F4A_7C15)
        .wrapping_add((y as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F))
        .wrapping_add(u64::from(octave) << 40);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

/// Smooth value noise: a dome with fractal ground inside a pentagon, floor outside.
fn facet() -> Array2<u16> {
    let smooth = |t: f64| t * t * (3.0 - 2.0 * t);
    let half = SIDE as f64 / 2.0;
    Array2::from_shape_fn((SIDE, SIDE), |(row, column)| {
        let (x, y) = (
            (column as f64 + 0.5) / half - 1.0,
            1.0 - (row as f64 + 0.5) / half,
        );
        let inside = (0..5).all(|side| {
            let angle = f64::from(side).mul_add(72.0, -90.0).to_radians();
            x * angle.cos() + y * angle.sin() < 0.77
        });
        if !inside {
            return 0;
        }
        let mut ground = 0.0;
        for octave in 0..OCTAVES {
            let scale = f64::from(4 << octave);
            let (u, v) = (x * scale, y * scale);
            let (i, j) = (u.floor(), v.floor());
            let (s, t) = (smooth(u - i), smooth(v - j));
            let at = |di, dj| lattice(i as i64 + di, j as i64 + dj, octave);
            let low = at(0, 0) + s * (at(1, 0) - at(0, 0));
            let high = at(0, 1) + s * (at(1, 1) - at(0, 1));
            ground += (low + t * (high - low) - 0.5) / f64::from(1 << octave);
        }
        let dome = 0.85 - 0.45 * (x * x + y * y);
        ((dome + 0.1 * ground).clamp(0.0, 1.0) * 65535.0).round() as u16
    })
}

/// The `png` crate's encoder with adaptive filters and zlib level 6.
fn zlib_level_6(levels: &Array2<u16>) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = ::png::Encoder::new(&mut bytes, SIDE as u32, SIDE as u32);
    encoder.set_color(::png::ColorType::Grayscale);
    encoder.set_depth(::png::BitDepth::Sixteen);
    encoder.set_deflate_compression(::png::DeflateCompression::Level(6));
    encoder.set_filter(::png::Filter::Adaptive);
    let samples: Vec<u8> = levels.iter().flat_map(|v| v.to_be_bytes()).collect();
    let written = encoder
        .write_header()
        .and_then(|mut writer| writer.write_image_data(&samples));
    assert!(written.is_ok());
    bytes
}

#[divan::bench]
fn png_this_crate(bencher: Bencher) {
    let levels = facet();
    bencher
        .counter(ItemsCount::new(SIDE * SIDE))
        .bench_local(|| encode_png(black_box(&levels), &facts()));
}

#[divan::bench]
fn tiff_this_crate(bencher: Bencher) {
    let levels = facet();
    bencher
        .counter(ItemsCount::new(SIDE * SIDE))
        .bench_local(|| encode_tiff(black_box(&levels), &facts()));
}

#[divan::bench(sample_count = 3)]
fn png_crate_zlib_6(bencher: Bencher) {
    let levels = facet();
    bencher
        .counter(ItemsCount::new(SIDE * SIDE))
        .bench_local(|| zlib_level_6(black_box(&levels)));
}
