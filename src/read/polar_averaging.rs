//! Averaging along the rows near the poles, where cells are narrow, of a source that is kept as it
//! is; where it is downsampled, [`Downsampling`](super::downsampling::Downsampling) does the same.
//!
//! A grid has as many columns at 89° as on the equator, each a sliver of ground as long as a cell
//! is high. Carved finely, slivers that differ are spokes around the pole. Every row is therefore
//! averaged along itself over the ground width that its cells lack of a square's,
//!
//! ```text
//!   width in columns = ¾ · Δφ · (1 − cos φ) / (Δλ · cos φ)
//! ```
//!
//! twice, because a single running mean lets the finest slivers through; or over a pixel's ground
//! width, where that is more. Up to 60° this is one column or less, and changes nothing.
//!
//! Half a cell from the pole, the first row meets itself half a turn away, and all meridians must
//! agree on the pole's height. Interpolation across it, with weights (−1, 9, 9, −1)/16, agrees
//! when what two opposite meridians of the first row share is a ninth of what those of the second
//! share, but for the mean: as it is for ground that is smooth at the pole, where it grows with
//! the square of the distance, ½² : (3/2)².

use crate::model::grid::{Grid, Layout, Registration, half_turned};
use crate::model::parallel;

/// Width of either mean, of what a cell lacks of a square.
const WIDTH: f64 = 0.75;

/// What is done to a grid's rows, one by one and in order.
#[derive(Debug, Clone, Copy)]
pub(super) struct PolarAveraging {
    pub layout: Layout,
    /// Ground step of an image pixel, degrees of a great circle; `None` leaves rows as they are.
    pub step_deg: Option<f64>,
}

impl PolarAveraging {
    /// Averages all rows of a grid.
    pub fn average(&self, grid: &mut Grid) {
        let columns = self.layout.columns;
        // A fresh grid is contiguous.
        let Some(cells) = grid.heights_m.as_slice_mut() else {
            return;
        };
        parallel::chunks(cells, columns, &|row, line| self.row(row, line));
        if self.is_half_a_step_from_poles() {
            let (first, rest) = cells.split_at_mut(columns);
            agree_on_pole(first, &rest[..columns]);
            let (rest, last) = cells.split_at_mut(cells.len() - columns);
            agree_on_pole(last, &rest[rest.len() - columns..]);
        }
    }

    /// Averages one row, all but what [`StreamedPolarAveraging`] does to the first and the last.
    pub fn row(&self, row: usize, line: &mut [f32]) {
        let Some(step_deg) = self.step_deg else {
            return;
        };
        let cos = self.layout.lat_deg(row).to_radians().cos();
        let square_deg = WIDTH * self.layout.step_lat_deg() * (1.0 - cos);
        let column_deg = self.layout.step_lon_deg() * cos.max(1e-12);
        let times = if square_deg > step_deg { 2 } else { 1 };
        let width = (square_deg.max(step_deg) / column_deg).min(line.len() as f64);
        if width > 1.0 {
            (0..times).for_each(|_| box_average(line, width));
        }
    }

    /// Whether the first and last rows are half a step from the poles, with others between.
    fn is_half_a_step_from_poles(&self) -> bool {
        let pixel = self.layout.registration == Registration::Pixel;
        self.step_deg.is_some() && pixel && self.layout.rows >= 4
    }
}

/// Rows that pass by one after the other, the first and the last looking at their neighbour.
pub(super) struct StreamedPolarAveraging {
    pub averaging: PolarAveraging,
    held: Option<Vec<f32>>,
    row: usize,
}

impl StreamedPolarAveraging {
    pub fn new(averaging: PolarAveraging) -> Self {
        StreamedPolarAveraging {
            averaging,
            held: None,
            row: 0,
        }
    }

    /// Takes a row and gives the one before, finished; the last is given for nothing.
    pub fn next(&mut self, row: Option<&[f32]>) -> Option<Vec<f32>> {
        let mut row = row.map(<[f32]>::to_vec);
        if let (Some(row), Some(held)) = (&mut row, &mut self.held)
            && self.averaging.is_half_a_step_from_poles()
        {
            if self.row == 1 {
                agree_on_pole(held, row);
            }
            if self.row + 1 == self.averaging.layout.rows {
                agree_on_pole(row, held);
            }
        }
        self.row += 1;
        std::mem::replace(&mut self.held, row)
    }
}

/// Makes the meridians of a row beside the pole agree on the pole's height; `next` is the row
/// beside it.
fn agree_on_pole(row: &mut [f32], next: &[f32]) {
    let mean = |row: &[f32]| row.iter().map(|&h| f64::from(h)).sum::<f64>() / row.len() as f64;
    let (row_mean, next_mean) = (mean(row), mean(next));
    let (opposite, next_opposite) = (half_turned(row), half_turned(next));
    for (column, h) in row.iter_mut().enumerate() {
        let differ = 0.5 * (f64::from(*h) - f64::from(opposite[column]));
        let share = 0.5 * (f64::from(next[column]) + f64::from(next_opposite[column]));
        *h = (row_mean + differ + (share - next_mean) / 9.0) as f32;
    }
}

/// Running mean round a circle of cells; `width` cells wide, at most all of them, fractions of the
/// outermost counted.
fn box_average(row: &mut [f32], width: f64) {
    let count = row.len();
    // The row, carried on over its edge on both sides as far as a mean reaches.
    let before = ((0.5 * width).ceil() as usize).min(count);
    let cells = row[count - before..].iter().chain(&*row);
    let cells: Vec<f64> = cells
        .chain(&row[..before])
        .chain(&row[..1])
        .map(|&h| f64::from(h))
        .collect();
    // Sum of the cells before each.
    let mut sum = 0.0;
    let sums: Vec<f64> = cells
        .iter()
        .map(|h| {
            let so_far = sum;
            sum += h;
            so_far
        })
        .collect();
    // Where the mean of the first cell begins and ends; those of the others, so many cells later.
    let middle = before as f64 + 0.5;
    let [from, to] = [middle - 0.5 * width, middle + 0.5 * width];
    let [west, east] = [from, to].map(|edge| edge.floor() as usize);
    let [west_part, east_part] = [from.fract(), to.fract()];
    for (column, h) in row.iter_mut().enumerate() {
        let up_to = |cell: usize, part: f64| sums[cell] + part * cells[cell];
        let sum = up_to(column + east, east_part) - up_to(column + west, west_part);
        *h = (sum / width) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::grid::Heights;
    use approx::assert_abs_diff_eq;
    use ndarray::Array2;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    #[test]
    fn a_running_mean_is_the_mean_of_its_cells() {
        let row: Vec<f32> = (0..12).map(|i| ((i * 7) % 5) as f32).collect();
        let mut averaged = row.clone();
        box_average(&mut averaged, 3.0);
        for i in 0..12 {
            let mean = (row[(i + 11) % 12] + row[i] + row[(i + 1) % 12]) / 3.0;
            assert_abs_diff_eq!(averaged[i], mean, epsilon = 1e-5);
        }
        let mut averaged = row.clone();
        box_average(&mut averaged, 2.0);
        let mean = (0.5 * row[11] + row[0] + 0.5 * row[1]) / 2.0;
        assert_abs_diff_eq!(averaged[0], mean, epsilon = 1e-5);
        let mut averaged = row.clone();
        box_average(&mut averaged, 12.0);
        let mean = row.iter().sum::<f32>() / 12.0;
        assert!(averaged.iter().all(|h| (h - mean).abs() < 1e-5));
    }

    #[test]
    fn slopes_over_the_pole_survive() {
        // A tilted plane through the pole: heights proportional to the direction's x.
        let mut grid = Grid {
            heights_m: Array2::zeros((180, 360)),
            west_deg: 0.5,
            registration: Registration::Pixel,
        };
        for row in 0..180 {
            for column in 0..360 {
                let lat = grid.lat_deg(row).to_radians();
                grid.heights_m[[row, column]] =
                    (lat.cos() * grid.lon_deg(column).to_radians().cos()) as f32;
            }
        }
        let before = grid.heights_m.clone();
        let averaging = PolarAveraging {
            layout: grid.layout(),
            step_deg: Some(1.0),
        };
        averaging.average(&mut grid);
        // Worst in the first row, half a step from the pole, where a step of ground is an arc of
        // 2 radians: its mean is sin(1) of its middle, so the height moves by (1 − sin 1)/2 = 8 %
        // of a step.
        for (a, b) in grid.heights_m.iter().zip(&before) {
            assert!((a - b).abs() < 0.08 * 1f32.to_radians());
        }
    }

    /// A degree grid of independent numbers between −1 and 1.
    fn noise(rows: usize, columns: usize) -> Grid {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        Grid {
            heights_m: Array2::from_shape_fn((rows, columns), |_| random.random_range(-1f32..1.0)),
            west_deg: 0.5,
            registration: Registration::Pixel,
        }
    }

    #[test]
    fn noise_beside_the_pole_makes_no_spokes() {
        let mut grid = noise(180, 360);
        let averaging = PolarAveraging {
            layout: grid.layout(),
            step_deg: Some(0.06),
        };
        let before = grid.heights_m.clone();
        averaging.average(&mut grid);
        assert_eq!(
            grid.heights_m.row(30),
            before.row(30),
            "nothing changes below 60°"
        );
        for row in [2, 5, 10, 174] {
            // Two means over w columns each weigh w⁻¹ − |i|w⁻², whose squares add up to 2/(3w);
            // the rms of an even chance over ±1 is 3^-½.
            let cos = grid.lat_deg(row).to_radians().cos();
            let width = 0.75 * (1.0 - cos) / cos;
            let expected = (2.0 / (3.0 * width) / 3.0).sqrt();
            let line = grid.heights_m.row(row);
            let rms = (line.iter().map(|h| f64::from(h * h)).sum::<f64>() / 360.0).sqrt();
            assert!(
                (0.5..1.6).contains(&(rms / expected)),
                "row {row}: {rms} {expected}"
            );
            // From column to column it changes by no more than a small part of that.
            let step = line
                .windows(2)
                .into_iter()
                .map(|w| f64::from((w[1] - w[0]).abs()));
            let mean = step.sum::<f64>() / 359.0;
            assert!(mean < 1.7 * rms / width, "row {row}: {mean} {rms}");
        }
    }

    #[test]
    fn meridians_agree_on_the_pole() {
        let mut grid = noise(90, 180);
        let averaging = PolarAveraging {
            layout: grid.layout(),
            step_deg: Some(0.06),
        };
        averaging.average(&mut grid);
        let pole = |column: usize, rows: [usize; 2]| {
            let at = |row: usize| {
                let line = grid.heights_m.row(rows[row]);
                line[column] + line[(column + 90) % 180]
            };
            (9.0 * at(0) - at(1)) / 16.0
        };
        for rows in [[0, 1], [89, 88]] {
            for column in 1..180 {
                assert_abs_diff_eq!(pole(column, rows), pole(0, rows), epsilon = 1e-5);
            }
        }
    }

    #[test]
    fn rows_that_pass_by_become_what_they_become_together() {
        for rows in [3, 4, 5, 90] {
            let mut grid = noise(rows, 180);
            let averaging = PolarAveraging {
                layout: grid.layout(),
                step_deg: Some(0.06),
            };
            let mut streamed = StreamedPolarAveraging::new(averaging);
            let mut passed = Vec::new();
            for (row, line) in grid.heights_m.outer_iter().enumerate() {
                let mut line = line.to_vec();
                averaging.row(row, &mut line);
                passed.extend(streamed.next(Some(&line)));
            }
            passed.extend(streamed.next(None));
            averaging.average(&mut grid);
            assert_eq!(passed.concat(), grid.heights_m.into_raw_vec_and_offset().0);
        }
    }
}
