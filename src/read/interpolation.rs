//! Heights between a grid's samples, for the reader's own conversions.

use super::placement::Placement;
use crate::model::grid::{Grid, Heights, keys};
use crate::model::parallel;
use ndarray::Array2;

/// Smooth height between samples: cubic convolution over 4 × 4 cells (Keys 1981, a = −1/2),
/// round the date line and over the poles.
pub(super) fn cubic(grid: &Grid, lat_deg: f64, lon_deg: f64) -> f64 {
    let y = (grid.north_deg() - lat_deg) / grid.step_lat_deg();
    let x = (lon_deg - grid.west_deg).rem_euclid(360.0) / grid.step_lon_deg();
    let (row, column) = (y.floor(), x.floor());
    let (wy, wx) = (keys(y - row), keys(x - column));
    let mut height = 0.0;
    for (j, weight_y) in wy.iter().enumerate() {
        for (i, weight_x) in wx.iter().enumerate() {
            let at = grid.layout().sample(
                row as isize + j as isize - 1,
                column as isize + i as isize - 1,
            );
            height += weight_y * weight_x * f64::from(grid.heights_m[at]);
        }
    }
    height
}

/// Moves rows that are even in another kind of latitude to even planetocentric latitudes. Rows of
/// a gridline grid keep their poles.
pub(super) fn to_centric_rows(grid: &mut Grid, placement: &Placement) {
    let mut moved = Array2::zeros(grid.heights_m.dim());
    parallel::rows(&mut moved, &|row, line| {
        let own = placement.own_deg(grid.lat_deg(row));
        let y = (grid.north_deg() - own) / grid.step_lat_deg();
        let weights = keys(y - y.floor());
        for (column, h) in line.iter_mut().enumerate() {
            *h = (0..4)
                .map(|j| {
                    let at = grid
                        .layout()
                        .sample(y.floor() as isize + j - 1, column as isize);
                    weights[j as usize] * f64::from(grid.heights_m[at])
                })
                .sum::<f64>() as f32;
        }
    });
    grid.heights_m = moved;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;
    use crate::model::grid::Registration;
    use approx::assert_abs_diff_eq;

    fn smooth(lat_deg: f64, lon_deg: f64) -> f64 {
        let d = direction(lat_deg, lon_deg);
        100.0 * (d.x + 2.0 * d.y - d.z) + 50.0 * d.x * d.z
    }

    #[test]
    fn a_smooth_field_is_met_between_samples_everywhere() {
        for registration in [Registration::Pixel, Registration::Gridline] {
            let rows = if registration == Registration::Pixel {
                180
            } else {
                181
            };
            let mut grid = Grid {
                heights_m: Array2::zeros((rows, 360)),
                west_deg: 200.5,
                registration,
            };
            for row in 0..rows {
                for column in 0..360 {
                    grid.heights_m[[row, column]] =
                        smooth(grid.lat_deg(row), grid.lon_deg(column)) as f32;
                }
            }
            for (lat, lon) in [
                (0.2, 200.1),
                (-45.7, 0.0),
                (89.9, 33.3),
                (-90.0, 10.0),
                (90.0, 0.0),
            ] {
                assert_abs_diff_eq!(cubic(&grid, lat, lon), smooth(lat, lon), epsilon = 0.01);
            }
        }
    }

    #[test]
    fn rows_in_graphic_latitudes_move_to_centric_ones() {
        let placement = Placement {
            axis_ratio_squared: (446.0f64 / 487.3).powi(2),
            ..Placement::global(360, 180, 0.0, Registration::Pixel)
        };
        let mut grid = Grid {
            heights_m: Array2::from_shape_fn((180, 360), |(row, column)| {
                smooth(placement.lat_deg(row), column as f64 + 0.5) as f32
            }),
            west_deg: 0.5,
            registration: Registration::Pixel,
        };
        to_centric_rows(&mut grid, &placement);
        for row in 0..180 {
            let wanted = smooth(grid.lat_deg(row), 40.5);
            assert_abs_diff_eq!(f64::from(grid.heights_m[[row, 40]]), wanted, epsilon = 0.01);
        }
    }
}
