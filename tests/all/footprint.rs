//! Cells of the working grid are exact means over a pixel's ground (tested beside the routine).
//! An image pixel lies somewhere between such cells and is interpolated: here that is compared
//! with the exact mean over the pixel's own square of ground, in any direction it may lie.

use crate::support::{Raster, smooth_m};
use glam::DVec3;
use globewright::{
    Curve, Directions, GridSettings, LANES, ReadRequest, Sampler, Silent, direction, lat_lon_deg,
    read,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

const COLUMNS: usize = 2880;

/// Source columns per pixel: 23040 to 0.1 mm on a globe of 200 mm.
const RATIO: f64 = 3.667;

/// Noise is uniform in ±NOISE_M, one value for each source cell.
const NOISE_M: f64 = 400.0;

fn noise_m(row: usize, column: usize) -> f64 {
    let mut x = ((row as u64) << 32) | column as u64;
    for _ in 0..3 {
        x = x.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (x >> 29);
    }
    NOISE_M * (2.0 * (x >> 40) as f64 / (1u64 << 24) as f64 - 1.0)
}

/// Height of the source cell in which a direction lies.
fn cell_m(d: DVec3) -> f64 {
    let (lat, lon) = lat_lon_deg(d);
    let step = 360.0 / COLUMNS as f64;
    let row = (((90.0 - lat) / step) as usize).min(COLUMNS / 2 - 1);
    let column = ((lon + 180.0).rem_euclid(360.0) / step) as usize % COLUMNS;
    smooth_m(d) + noise_m(row, column)
}

/// Mean over a square of ground, turned against north, by many places in it.
fn footprint_m(centre: DVec3, side_rad: f64, turn: f64) -> f64 {
    const PLACES: usize = 40;
    let east = centre.any_orthonormal_vector();
    let north = centre.cross(east);
    let (x, y) = (
        east * turn.cos() + north * turn.sin(),
        north * turn.cos() - east * turn.sin(),
    );
    let at = |i: usize| ((i as f64 + 0.5) / PLACES as f64 - 0.5) * side_rad;
    let places = (0..PLACES * PLACES).map(|i| {
        let d = centre + x * at(i % PLACES) + y * at(i / PLACES);
        cell_m(d.normalize())
    });
    places.sum::<f64>() / (PLACES * PLACES) as f64
}

#[test]
fn pixels_between_cells_stay_near_the_mean_of_their_own_ground_at_every_latitude() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("noisy.tif");
    Raster::globe(COLUMNS).write(&path, |d| cell_m(d) as f32);
    let step_deg = 360.0 * RATIO / COLUMNS as f64;
    let files = GridSettings {
        files: vec![path],
        ..GridSettings::default()
    };
    let request = ReadRequest {
        finest_step_deg: Some(step_deg),
    };
    let grid = read(&files, &request, &Silent).unwrap().grid;
    let identity = Curve {
        name: "linear".into(),
        knots_m: vec![-9000.0, 9000.0],
        knots_mm: vec![-9000.0, 9000.0],
    };
    let sampler = Sampler::new(&grid, &identity);
    let noise_rms = NOISE_M / 3f64.sqrt();
    let mut chance = ChaCha8Rng::seed_from_u64(3);
    let mut band = |lats: [f64; 2]| {
        let (mut squares, mut sum, mut count) = (0.0, 0.0, 0.0);
        for _ in 0..12 {
            let mut block = Directions::default();
            let mut exact = [0.0; LANES];
            for (lane, exact) in exact.iter_mut().enumerate() {
                let lat = chance.random_range(lats[0]..lats[1]);
                let d = direction(lat, chance.random_range(0.0..360.0));
                (block.x[lane], block.y[lane], block.z[lane]) = (d.x, d.y, d.z);
                *exact = footprint_m(d, step_deg.to_radians(), chance.random_range(0.0..1.6));
            }
            let mut found = [0f32; LANES];
            sampler.height_block(&block, &mut found);
            for (found, exact) in found.iter().zip(exact) {
                let off = f64::from(*found) - exact;
                squares += off * off;
                sum += off;
                count += 1.0;
            }
        }
        (
            (squares / count).sqrt() / noise_rms,
            sum / count / noise_rms,
        )
    };
    let (equator, _) = band([-5.0, 5.0]);
    for lats in [
        [-5.0, 5.0],
        [25.0, 35.0],
        [-50.0, -40.0],
        [55.0, 65.0],
        [-80.0, -70.0],
        [80.0, 85.0],
        [85.0, 90.0],
        [-90.0, -85.0],
        [89.0, 90.0],
    ] {
        let (rms, bias) = band(lats);
        println!("{lats:?}: rms {rms:.4} of the noise's, bias {bias:.4}");
        assert!(rms < 0.17, "{lats:?}: {rms}");
        assert!(rms < 1.2 * equator, "{lats:?}: {rms} against {equator}");
        assert!(bias.abs() < 0.01, "{lats:?}: {bias}");
    }
}
