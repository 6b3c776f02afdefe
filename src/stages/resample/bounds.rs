//! Bounds of relief and slope over patches of the sphere, from blocks of grid cells.
//!
//! Radial projection needs to know where the carved surface might fold under itself. Instead of
//! testing every pixel, the grid is summarised once in blocks of [`BLOCK`] × [`BLOCK`] samples; a
//! patch then asks the few blocks it touches.

use crate::curve::Curve;
use crate::geometry::lat_lon_deg;
use crate::grid::Grid;
use glam::DVec3;
use rayon::prelude::*;

/// Samples per block side. Smaller blocks bound tighter and cost more to ask.
const BLOCK: usize = 16;

/// The bicubic's steepest slope between two samples is at most this many times the steepest
/// difference of neighbouring samples around: 1.5 along the direction of the difference (Keys'
/// cubic, at the middle of the interval) times 1.25, the sum of absolute weights across it.
const SLOPE_FACTOR: f64 = 1.5 * 1.25;

/// The bicubic overshoots the range of its 4 × 4 samples by at most this share of it: the absolute
/// weights of one direction add up to 1.25 at most, so those of both to 1.25², half of the excess
/// on either side.
const OVERSHOOT: f64 = (1.25 * 1.25 - 1.0) / 2.0;

/// What is known about the relief over a patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// No ground lower, mm.
    pub lowest_mm: f64,
    /// No ground higher, mm.
    pub highest_mm: f64,
    /// No slope steeper, mm of relief per radian of arc.
    pub slope_mm_per_rad: f64,
}

impl Bound {
    const NONE: Bound = Bound {
        lowest_mm: f64::INFINITY,
        highest_mm: f64::NEG_INFINITY,
        slope_mm_per_rad: 0.0,
    };

    fn with(self, other: &Bound) -> Bound {
        Bound {
            lowest_mm: self.lowest_mm.min(other.lowest_mm),
            highest_mm: self.highest_mm.max(other.highest_mm),
            slope_mm_per_rad: self.slope_mm_per_rad.max(other.slope_mm_per_rad),
        }
    }
}

/// Bounds over the whole grid, block by block.
pub struct Bounds {
    blocks: Vec<Bound>,
    block_rows: usize,
    block_columns: usize,
    block_lat_deg: f64,
    block_lon_deg: f64,
    /// Latitude of the northern edge of block row 0 and longitude of the western of column 0.
    north_deg: f64,
    west_deg: f64,
}

impl Bounds {
    /// Summarises a grid carved through a curve: one pass, rows of blocks in parallel.
    pub fn new(grid: &Grid, curve: &Curve) -> Bounds {
        let (rows, columns) = (grid.rows(), grid.columns());
        let (block_rows, block_columns) = (rows.div_ceil(BLOCK), columns.div_ceil(BLOCK));
        let blocks = (0..block_rows)
            .into_par_iter()
            .flat_map_iter(|block_row| block_row_bounds(grid, curve, block_row, block_columns))
            .collect();
        Bounds {
            blocks,
            block_rows,
            block_columns,
            block_lat_deg: grid.step_lat_deg() * BLOCK as f64,
            block_lon_deg: grid.step_lon_deg() * BLOCK as f64,
            north_deg: grid.north_deg(),
            west_deg: grid.west_deg,
        }
    }

    /// The bound over everything within `radius_rad` of a direction.
    pub fn around(&self, direction: DVec3, radius_rad: f64) -> Bound {
        let (lat, lon) = lat_lon_deg(direction);
        let radius = radius_rad.to_degrees();
        let (top, bottom) = (lat + radius, lat - radius);
        let last_row = self.block_rows as isize - 1;
        let block_row = |lat: f64| {
            (((self.north_deg - lat) / self.block_lat_deg).floor() as isize).clamp(0, last_row)
        };
        // A cap that holds a pole has every longitude; any other reaches asin(sin r / cos lat).
        let reach = if top >= 90.0 || bottom <= -90.0 {
            180.0
        } else {
            (radius_rad.sin() / lat.to_radians().cos())
                .clamp(-1.0, 1.0)
                .asin()
                .to_degrees()
        };
        // The last block of a row may be narrower than the others, so that beyond the wrap an
        // index can be one off: one block more on either side.
        let offset = (lon - self.west_deg).rem_euclid(360.0);
        let first = ((offset - reach) / self.block_lon_deg).floor() as isize - 1;
        let last = ((offset + reach) / self.block_lon_deg).floor() as isize + 1;
        let count = ((last - first + 1) as usize).min(self.block_columns);
        let mut bound = Bound::NONE;
        for row in block_row(top)..=block_row(bottom) {
            for i in 0..count {
                let column = (first + i as isize).rem_euclid(self.block_columns as isize) as usize;
                bound = bound.with(&self.blocks[row as usize * self.block_columns + column]);
            }
        }
        bound
    }
}

fn block_row_bounds(
    grid: &Grid,
    curve: &Curve,
    block_row: usize,
    block_columns: usize,
) -> Vec<Bound> {
    let (rows, columns) = (grid.rows() as isize, grid.columns() as isize);
    let first_row = (block_row * BLOCK) as isize;
    let last_row = (first_row + BLOCK as isize).min(rows);
    // Two samples more on every side: what the 4 × 4 neighbourhoods of the block's cells touch.
    let lines: Vec<Vec<f64>> = (first_row - 2..=last_row + 2)
        .map(|row| {
            let line = grid.heights_m.row(row.clamp(0, rows - 1) as usize);
            line.iter()
                .map(|&h| curve.relief_mm(f64::from(h)))
                .collect()
        })
        .collect();
    let step_lon = grid.step_lon_deg().to_radians();
    let step_lat = grid.step_lat_deg().to_radians();
    let row_cosines: Vec<f64> = (first_row - 2..=last_row + 2)
        .map(|row| smallest_cosine(grid, row.clamp(0, rows - 1) as usize))
        .collect();
    (0..block_columns as isize)
        .map(|block_column| {
            let first = block_column * BLOCK as isize;
            let last = (first + BLOCK as isize).min(columns);
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            let (mut steep_lon, mut steep_lat): (f64, f64) = (0.0, 0.0);
            for (i, line) in lines.iter().enumerate() {
                let mut largest: f64 = 0.0;
                for column in first - 2..=last + 2 {
                    let here = line[column.rem_euclid(columns) as usize];
                    let east = line[(column + 1).rem_euclid(columns) as usize];
                    low = low.min(here);
                    high = high.max(here);
                    largest = largest.max((east - here).abs());
                    if i + 1 < lines.len() {
                        let south = lines[i + 1][column.rem_euclid(columns) as usize];
                        steep_lat = steep_lat.max((south - here).abs());
                    }
                }
                steep_lon = steep_lon.max(largest / row_cosines[i]);
            }
            let spare = OVERSHOOT * (high - low);
            Bound {
                lowest_mm: (low - spare).max(curve.lowest_mm()),
                highest_mm: (high + spare).min(curve.highest_mm()),
                slope_mm_per_rad: SLOPE_FACTOR * (steep_lon / step_lon).hypot(steep_lat / step_lat),
            }
        })
        .collect()
}

/// The smallest cosine of latitude where a row's samples are used: half a step nearer to the pole
/// than the row itself, and never zero.
fn smallest_cosine(grid: &Grid, row: usize) -> f64 {
    let half = 0.5 * grid.step_lat_deg();
    let lat = (grid.lat_deg(row).abs() + half).min(90.0 - half);
    lat.to_radians().cos()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::direction;
    use crate::grid::Registration;
    use ndarray::Array2;

    fn identity(low: f64, high: f64) -> Curve {
        Curve {
            name: "linear".into(),
            knots_m: vec![low, high],
            knots_mm: vec![low, high],
        }
    }

    #[test]
    fn a_cap_sees_the_peak_inside_it_and_not_the_one_far_away() {
        for west_deg in [0.25, -179.75, 150.25] {
            let mut heights_m = Array2::zeros((360, 720));
            let grid = Grid {
                heights_m: heights_m.clone(),
                west_deg,
                registration: Registration::Pixel,
            };
            // A peak right at the wrap of this grid, whatever its start.
            heights_m[(100, 719)] = 5.0;
            let (lat, lon) = (grid.lat_deg(100), grid.lon_deg(719));
            let grid = Grid { heights_m, ..grid };
            let bounds = Bounds::new(&grid, &identity(0.0, 5.0));
            for away in [-0.9, 0.9] {
                let near = bounds.around(direction(lat, lon + away), 1f64.to_radians());
                assert_eq!(near.highest_mm, 5.0);
                assert!(near.slope_mm_per_rad > 5.0 / 0.5f64.to_radians());
            }
            let far = bounds.around(direction(-lat, lon), 1f64.to_radians());
            assert_eq!((far.highest_mm, far.slope_mm_per_rad), (0.0, 0.0));
            let pole = bounds.around(direction(90.0, 0.0), 60f64.to_radians());
            assert_eq!(pole.highest_mm, 5.0);
        }
    }

    #[test]
    fn slope_bounds_a_plane_wave_from_above_but_not_wildly() {
        // Relief 2 sin(8 lat): steepest 16 mm per radian, where the latitude is 0.
        let rows = 720;
        let grid = Grid {
            heights_m: Array2::from_shape_fn((rows, 1440), |(r, _)| {
                let lat = (90.0 - (r as f64 + 0.5) * 0.25f64).to_radians();
                (2.0 * (8.0 * lat).sin()) as f32
            }),
            west_deg: 0.0,
            registration: Registration::Pixel,
        };
        let bounds = Bounds::new(&grid, &identity(-2.0, 2.0));
        let bound = bounds.around(direction(0.0, 77.0), 0.01);
        assert!(bound.slope_mm_per_rad >= 16.0 && bound.slope_mm_per_rad < 16.0 * 1.9);
    }
}
