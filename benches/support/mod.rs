//! Seeded synthetic planets and facets for the benchmarks.
#![allow(dead_code, reason = "each benchmark uses the part it needs")]

use glam::{DVec2, DVec3};
use globewright::{
    Base, Curve, FacetSpec, Frame, Grid, Outside, Projection, Registration, direction,
};
use ndarray::{Array2, Axis};
use rayon::prelude::*;

/// The planet at 2880 columns in whole metres, row by row, each cell repeated so that there are
/// `columns` of them and with a little noise of its own.
pub fn noisy_cells(columns: usize) -> Vec<i16> {
    const PLANET: usize = 2880;
    let planet = planet(PLANET);
    let times = columns / PLANET;
    (0..columns / 2 * columns)
        .map(|i| {
            let (row, column) = (i / columns, i % columns);
            let noise = (i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 60;
            planet.heights_m[[row / times, column / times]] as i16 + noise as i16
        })
        .collect()
}

/// Plane waves through the ball with an amplitude falling like the wavelength, down to a few
/// cells: about as rough as measured planets are.
pub fn planet(columns: usize) -> Grid {
    let rows = columns / 2;
    let mut state = 0x2545_f491_4f6c_dd1du64;
    let mut random = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let waves: Vec<(DVec3, f64, f64)> = (0..16)
        .map(|i| {
            let number = 2.0 * (columns as f64 / 16.0).powf(f64::from(i) / 15.0);
            let towards = direction((2.0 * random() - 1.0).asin().to_degrees(), 360.0 * random());
            (
                towards * number,
                random() * std::f64::consts::TAU,
                3000.0 / number,
            )
        })
        .collect();
    let mut heights_m = Array2::zeros((rows, columns));
    let lines = heights_m.axis_iter_mut(Axis(0)).into_par_iter().enumerate();
    lines.for_each(|(row, mut line)| {
        let lat = 90.0 - (row as f64 + 0.5) * 180.0 / rows as f64;
        for (column, height) in line.iter_mut().enumerate() {
            let d = direction(lat, (column as f64 + 0.5) * 360.0 / columns as f64);
            let height_m: f64 = waves
                .iter()
                .map(|(k, phase, amplitude)| amplitude * (k.dot(d) + phase).sin())
                .sum();
            *height = height_m as f32;
        }
    });
    Grid {
        heights_m,
        west_deg: 180.0 / columns as f64,
        registration: Registration::Pixel,
    }
}

/// An arc-sine-like curve over the grid's range.
pub fn curve(grid: &Grid, range_mm: f64) -> Curve {
    let low = f64::from(grid.heights_m.iter().copied().fold(f32::MAX, f32::min));
    let high = f64::from(grid.heights_m.iter().copied().fold(f32::MIN, f32::max));
    let knots_m: Vec<f64> = (0..2049)
        .map(|i| low + (high - low) * f64::from(i) / 2048.0)
        .collect();
    let shape = |m: f64| (m / 2000.0).asinh();
    let span = shape(high) - shape(low);
    Curve {
        name: "asinh".into(),
        knots_mm: knots_m
            .iter()
            .map(|&m| shape(m) / span * range_mm)
            .collect(),
        knots_m,
    }
}

/// A facet of a dodecahedron: pentagon in a square image.
pub fn pentagon(pixels: usize, projection: Projection) -> FacetSpec {
    let radius_mm = 100.0;
    let reach = 61.0;
    FacetSpec {
        frame: Frame::looking_along(direction(26.565, 36.0), DVec3::Z),
        base: if projection == Projection::Radial {
            Base::Sphere
        } else {
            Base::Flat
        },
        projection,
        radius_mm,
        base_distance_mm: 79.465,
        back_plane_mm: 50.0,
        outline_mm: (0..5)
            .map(|i| {
                let (sin, cos) = (f64::from(i) * 72f64.to_radians()).sin_cos();
                DVec2::new(-sin, cos) * reach
            })
            .collect(),
        sides: Vec::new(),
        trim_mm: 0.0,
        outside: Outside::Floor,
        width_px: pixels,
        height_px: pixels,
        pixel_mm: 2.0 * reach / pixels as f64,
        black_mm: 15.0,
        white_mm: 56.0,
    }
}
