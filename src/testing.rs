//! Grids from formulas, for tests.

use crate::model::geometry::direction;
use crate::model::grid::{Grid, Hypsometry, Place, Quantity, Registration, Source};
use ndarray::{Array2, Axis};
use rayon::prelude::*;

/// A grid from a formula over directions.
pub(crate) fn grid_of(columns: usize, height: impl Fn(glam::DVec3) -> f64 + Sync) -> Grid {
    let rows = columns / 2;
    let mut grid = Grid {
        heights_m: Array2::zeros((rows, columns)),
        west_deg: 180.0 / columns as f64,
        registration: Registration::Pixel,
    };
    let empty = grid.clone();
    grid.heights_m
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(row, mut line)| {
            for (column, out) in line.iter_mut().enumerate() {
                let d = direction(empty.lat_deg(row), empty.lon_deg(column));
                *out = height(d) as f32;
            }
        });
    grid
}

/// What a reader would say of a grid of heights.
pub(crate) fn source_of(grid: &Grid) -> Source {
    let place = |height_m| Place {
        height_m,
        lat_deg: 0.0,
        lon_deg: 0.0,
    };
    let hypsometry = Hypsometry::of_grid(grid);
    Source {
        files: vec!["a.tif".into()],
        width: grid.columns(),
        height: grid.rows(),
        cell_deg: grid.step_lon_deg(),
        west_deg: 0.0,
        north_deg: 90.0,
        registration: grid.registration,
        quantity: Quantity::Elevation,
        unit: "m".into(),
        scale: 1.0,
        offset: 0.0,
        body: None,
        reference_radius_m: None,
        min: place(hypsometry.min_m()),
        max: place(hypsometry.max_m()),
        hypsometry,
        filled_cells: 0,
        filled_share: 0.0,
        clipped_cells: 0,
        notes: Vec::new(),
    }
}
