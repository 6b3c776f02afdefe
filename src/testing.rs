//! For tests: grids from formulas, and input that is broken on purpose.

pub(crate) mod hostile;

use crate::model::geometry::direction;
use crate::model::grid::{Grid, Registration, Source};
use crate::model::parallel;
use ndarray::Array2;

/// A grid from a formula over directions.
pub(crate) fn grid_of(columns: usize, height: impl Fn(glam::DVec3) -> f64 + Sync) -> Grid {
    let rows = columns / 2;
    let mut grid = Grid {
        heights_m: Array2::zeros((rows, columns)),
        west_deg: 180.0 / columns as f64,
        registration: Registration::Pixel,
    };
    let empty = grid.clone();
    parallel::rows(&mut grid.heights_m, &|row, line| {
        for (column, out) in line.iter_mut().enumerate() {
            let d = direction(empty.lat_deg(row), empty.lon_deg(column));
            *out = height(d) as f32;
        }
    });
    grid
}

/// What a reader would say of a grid of heights.
pub(crate) fn source_of(grid: &Grid) -> Source {
    Source {
        files: vec!["a.tif".into()],
        ..Source::of_grid(grid)
    }
}
