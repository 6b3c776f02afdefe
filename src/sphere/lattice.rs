//! Fields on a regular lattice over the whole ball, and the way from one lattice to another.
//!
//! A lattice is equirectangular with cells for samples: the first row lies half a step south of
//! the pole. Going to a coarser one averages by area, exactly; going to a finer one interpolates
//! with Keys' cubic kernel, across both poles and the date line.

use crate::model::grid::{Grid, Heights, Layout, Registration, half_turned, keys};
use crate::model::parallel;
use ndarray::{Array2, ArrayView1, Axis};
use rayon::prelude::*;

/// Values on a lattice, `(rows, columns)`, row 0 in the north.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    /// One value per cell.
    pub values: Array2<f32>,
    /// Longitude of the CENTRE of column 0, degrees east.
    pub west_deg: f64,
}

impl Field {
    /// Rows and columns.
    pub fn shape(&self) -> (usize, usize) {
        self.values.dim()
    }

    /// Where its samples lie.
    pub fn layout(&self) -> Layout {
        let (rows, columns) = self.shape();
        Layout {
            rows,
            columns,
            west_deg: self.west_deg,
            registration: Registration::Pixel,
        }
    }

    /// A field on the same lattice, each of its rows made by `fill`.
    pub fn by_rows(&self, fill: impl Fn(usize, &mut [f32]) + Sync) -> Field {
        let mut values = Array2::zeros(self.shape());
        parallel::rows(&mut values, &fill);
        Field {
            values,
            west_deg: self.west_deg,
        }
    }

    /// The same values on the same lattice, each changed.
    pub fn map(&self, change: impl Fn(f32) -> f32 + Sync) -> Field {
        self.by_rows(|row, line| {
            let values = line.iter_mut().zip(self.values.row(row));
            values.for_each(|(out, &value)| *out = change(value));
        })
    }

    /// This field and another of the same lattice, put together value by value.
    pub fn with(&self, other: &Field, together: impl Fn(f32, f32) -> f32 + Sync) -> Field {
        self.by_rows(|row, line| {
            let both = self.values.row(row);
            let both = both.iter().zip(other.values.row(row));
            let values = line.iter_mut().zip(both);
            values.for_each(|(out, (&value, &other))| *out = together(value, other));
        })
    }

    /// As a grid of samples.
    pub fn into_grid(self) -> Grid {
        Grid {
            heights_m: self.values,
            west_deg: self.west_deg,
            registration: Registration::Pixel,
        }
    }
}

impl From<Grid> for Field {
    /// A grid of cells as a field.
    fn from(grid: Grid) -> Field {
        Field {
            values: grid.heights_m,
            west_deg: grid.west_deg,
        }
    }
}

/// How much of each row or column goes into one of a coarser lattice: where from, and the shares.
type PoolShares = Vec<(usize, Vec<f64>)>;

/// The way from one lattice to a coarser one that starts at the same meridian.
#[derive(Debug, Clone)]
pub struct Pooling {
    rows: PoolShares,
    columns: PoolShares,
    west_deg: f64,
}

impl Pooling {
    /// To so many rows and columns, no more than there are.
    pub fn new(from: Layout, rows: usize, columns: usize) -> Pooling {
        let edge = |row: usize, side: f64| {
            let colat_deg = 90.0 - from.lat_deg(row) + side * 0.5 * from.step_lat_deg();
            1.0 - colat_deg.clamp(0.0, 180.0).to_radians().cos()
        };
        let row_edges: Vec<f64> = (0..from.rows)
            .map(|row| edge(row, -1.0))
            .chain([2.0])
            .collect();
        let wanted: Vec<f64> = (0..=rows)
            .map(|row| 1.0 - (std::f64::consts::PI * row as f64 / rows as f64).cos())
            .collect();
        let even =
            |count: usize| -> Vec<f64> { (0..=count).map(|at| at as f64 / count as f64).collect() };
        let step = from.step_lon_deg();
        Pooling {
            rows: shares(&row_edges, &wanted),
            columns: shares(&even(from.columns), &even(columns)),
            west_deg: from.west_deg - 0.5 * step + 180.0 / columns as f64,
        }
    }

    /// The area-weighted means of values, each changed first.
    pub fn of(&self, values: &Array2<f32>, change: impl Fn(f32) -> f32 + Sync) -> Field {
        self.pooled(values.ncols(), |row, out| {
            out.iter_mut()
                .zip(values.row(row))
                .for_each(|(out, value)| *out = change(*value));
        })
    }

    /// The area-weighted means; `fill(row, out)` gives the values of a row.
    pub fn pooled(&self, width: usize, fill: impl Fn(usize, &mut [f32]) + Sync) -> Field {
        let mut values = Array2::zeros((self.rows.len(), self.columns.len()));
        values
            .axis_iter_mut(Axis(0))
            .into_par_iter()
            .zip(&self.rows)
            .for_each_init(
                || (vec![0f32; width], vec![0f64; width]),
                |(line, sums), (mut out, (first, parts))| {
                    sums.fill(0.0);
                    for (row, &part) in (*first..).zip(parts) {
                        fill(row, line);
                        for (sum, &value) in sums.iter_mut().zip(line.iter()) {
                            *sum += part * f64::from(value);
                        }
                    }
                    for (out, (first, parts)) in out.iter_mut().zip(&self.columns) {
                        let mean: f64 = (sums[*first..].iter().zip(parts))
                            .map(|(sum, part)| sum * part)
                            .sum();
                        *out = mean as f32;
                    }
                },
            );
        Field {
            values,
            west_deg: self.west_deg,
        }
    }
}

/// For each interval between `to`, the intervals between `from` that it covers and their shares.
fn shares(from: &[f64], to: &[f64]) -> PoolShares {
    to.windows(2)
        .map(|ends| {
            let (start, end) = (ends[0], ends[1]);
            let first =
                (from.partition_point(|edge| *edge <= start).max(1) - 1).min(from.len() - 2);
            let parts: Vec<f64> = from[first..]
                .windows(2)
                .take_while(|cell| cell[0] < end)
                .map(|cell| (cell[1].min(end) - cell[0].max(start)).max(0.0))
                .collect();
            let sum: f64 = parts.iter().sum();
            (first, parts.iter().map(|part| part / sum).collect())
        })
        .collect()
}

/// The field averaged to so many rows and columns.
pub fn pooled(field: &Field, rows: usize, columns: usize) -> Field {
    Pooling::new(field.layout(), rows, columns).of(&field.values, |value| value)
}

/// A grid averaged to so many rows and columns.
pub fn pooled_grid(grid: &Grid, rows: usize, columns: usize) -> Field {
    Pooling::new(grid.layout(), rows, columns).of(&grid.heights_m, |value| value)
}

/// Rounds a row of numbers.
pub fn rounded(numbers: ArrayView1<'_, f64>, out: &mut [f32]) {
    let both = out.iter_mut().zip(numbers);
    both.for_each(|(out, number)| *out = *number as f32);
}

fn lined(line: ArrayView1<'_, f32>) -> std::borrow::Cow<'_, [f32]> {
    match line.to_slice() {
        Some(slice) => slice.into(),
        None => line.to_vec().into(),
    }
}

/// The way from a lattice to the samples of another layout.
#[derive(Debug, Clone)]
pub struct Interpolation {
    from: Layout,
    to: Layout,
    /// The first of four columns, counted with the margin, and their weights.
    columns: Vec<(u32, [f32; 4])>,
}

/// Columns repeated before and behind a row.
const MARGIN: usize = 2;

impl Interpolation {
    /// Between two layouts.
    pub fn new(from: Layout, to: Layout) -> Interpolation {
        let columns = (0..to.columns)
            .map(|column| {
                let east = (to.lon_deg(column) - from.west_deg).rem_euclid(360.0);
                let at = east / from.step_lon_deg();
                let before = at.floor();
                let first = (before as usize).min(from.columns - 1) + MARGIN - 1;
                (first as u32, keys(at - before).map(|weight| weight as f32))
            })
            .collect();
        Interpolation { from, to, columns }
    }

    /// One row of the finer layout.
    pub fn row(&self, field: &Field, row: usize, out: &mut [f32]) {
        let step = self.from.step_lat_deg();
        let at = (self.from.north_deg() - self.to.lat_deg(row)) / step;
        let before = at.floor();
        let weights = keys(at - before).map(|weight| weight as f32);
        let columns = self.from.columns;
        let mut line = vec![0f32; columns + 2 * MARGIN];
        for (tap, weight) in (-1..).zip(weights) {
            let (source, crossed) = self.from.across_poles(before as isize + tap);
            let source = lined(field.values.row(source));
            let source = if crossed {
                half_turned(&source).into()
            } else {
                source
            };
            for (sum, value) in line[MARGIN..].iter_mut().zip(source.iter()) {
                *sum += weight * value;
            }
        }
        line.copy_within(columns..columns + MARGIN, 0);
        line.copy_within(MARGIN..2 * MARGIN, columns + MARGIN);
        for (out, (first, weights)) in out.iter_mut().zip(&self.columns) {
            let taps = &line[*first as usize..][..4];
            *out = weights[0] * taps[0]
                + weights[1] * taps[1]
                + weights[2] * taps[2]
                + weights[3] * taps[3];
        }
    }
}

/// The field on a finer lattice like another's.
pub fn refined(field: &Field, like: &Field) -> Field {
    let way = Interpolation::new(field.layout(), like.layout());
    like.by_rows(|row, line| way.row(field, row, line))
}

/// The field on another's lattice, averaged or interpolated.
pub fn moved(field: &Field, like: &Field) -> Field {
    let (rows, columns) = like.shape();
    match rows < field.shape().0 {
        true => pooled(field, rows, columns),
        false => refined(field, like),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;
    use crate::testing::grid_of;
    use approx::assert_abs_diff_eq;

    /// A smooth function survives averaging and interpolation, at the poles as elsewhere, on
    /// grids of both kinds.
    #[test]
    fn a_smooth_field_goes_to_a_coarser_lattice_and_back() {
        let smooth = |d: glam::DVec3| d.x * d.y + 0.5 * d.z * d.z - 0.3 * d.x;
        let fine = grid_of(360, smooth);
        let gridline = Grid {
            heights_m: Array2::from_shape_fn((181, 360), |(row, column)| {
                smooth(direction(90.0 - row as f64, column as f64)) as f32
            }),
            west_deg: 0.0,
            registration: Registration::Gridline,
        };
        for grid in [fine, gridline] {
            let layout = Layout {
                rows: grid.rows(),
                columns: grid.columns(),
                west_deg: grid.west_deg,
                registration: grid.registration,
            };
            let coarse = Pooling::new(layout, 60, 120).of(&grid.heights_m, |mm| mm);
            let way = Interpolation::new(coarse.layout(), layout);
            let mut line = vec![0f32; 360];
            for row in 0..grid.rows() {
                way.row(&coarse, row, &mut line);
                for (back, before) in line.iter().zip(grid.heights_m.row(row)) {
                    assert_abs_diff_eq!(back, before, epsilon = 0.004);
                }
            }
        }
    }

    /// What pooling averages is area: the mean over the sphere stays as it is.
    #[test]
    fn pooling_keeps_the_mean() {
        let grid = grid_of(144, |d| 3.0 * d.x + 2.0 * (5.0 * d.z).sin() + d.z);
        let mean = |grid: &Grid| -> f64 {
            let rows = grid.heights_m.outer_iter().enumerate();
            rows.map(|(row, line)| {
                grid.area_weight(row) * line.iter().map(|&v| f64::from(v)).sum::<f64>()
            })
            .sum()
        };
        let field = Field {
            values: grid.heights_m.clone(),
            west_deg: grid.west_deg,
        };
        for (rows, columns) in [(36, 72), (31, 50), (72, 144)] {
            let coarse = pooled(&field, rows, columns).into_grid();
            assert_abs_diff_eq!(mean(&coarse), mean(&grid), epsilon = 1e-6);
        }
    }
}
