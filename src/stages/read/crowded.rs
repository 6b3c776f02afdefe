//! Averaging along the crowded rows near the poles of a source that is kept as it is; where it is
//! shrunk, [`Shrink`](super::shrink::Shrink) does the same.
//!
//! A grid has as many columns at 89° as on the equator, each a sliver of ground. An image
//! pixel there covers many of them; picking a few would show the noise of single slivers. Every
//! row is therefore averaged along itself over a pixel's ground width:
//!
//! ```text
//!   width in columns = ground step / (Δλ · cos φ)
//! ```
//!
//! which is one column or less, and changes nothing, over most of the globe.

use crate::grid::{Grid, Heights, Layout};
use rayon::prelude::*;

/// Averages rows over `step_deg` of ground, where that is more than one column.
pub(super) fn average(grid: &mut Grid, step_deg: f64) {
    let layout = grid.layout();
    // A fresh grid is contiguous.
    let Some(cells) = grid.heights_m.as_slice_mut() else {
        return;
    };
    cells
        .par_chunks_mut(layout.columns)
        .enumerate()
        .for_each(|(row, line)| average_row(layout, step_deg, row, line));
}

/// The same for one row.
pub(super) fn average_row(grid: Layout, step_deg: f64, row: usize, line: &mut [f32]) {
    let cos = grid.lat_deg(row).to_radians().cos();
    let width = (step_deg / (grid.step_lon_deg() * cos.max(1e-12))).min(grid.columns as f64);
    if width > 1.0 {
        box_average(line, width);
    }
}

/// Running mean round a circle of cells; `width` cells wide, fractions of the outermost counted.
fn box_average(row: &mut [f32], width: f64) {
    let count = row.len();
    // sums[i] is the sum of the first i cells; heights over the edge repeat.
    let mut sums = Vec::with_capacity(count + 1);
    let mut sum = 0.0f64;
    sums.push(0.0);
    for &h in row.iter() {
        sum += f64::from(h);
        sums.push(sum);
    }
    let total = sum;
    let first: Vec<f32> = row.to_vec();
    // Sum of the row up to a fractional position, over any number of turns.
    let up_to = |position: f64| {
        let whole = position.floor();
        let turns = (whole / count as f64).floor();
        let cell = (whole - turns * count as f64) as usize;
        let cell = cell.min(count - 1);
        turns * total + sums[cell] + (position - whole) * f64::from(first[cell])
    };
    for (column, h) in row.iter_mut().enumerate() {
        let middle = column as f64 + 0.5;
        let sum = up_to(middle + 0.5 * width) - up_to(middle - 0.5 * width);
        *h = (sum / width) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Registration;
    use approx::assert_abs_diff_eq;
    use ndarray::Array2;

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
        average(&mut grid, 1.0);
        // Worst in the first row, half a step from the pole, where a step of ground is an arc of
        // 2 radians: its mean is sin(1) of its middle, so the height moves by (1 − sin 1)/2 = 8 %
        // of a step.
        for (a, b) in grid.heights_m.iter().zip(&before) {
            assert!((a - b).abs() < 0.08 * 1f32.to_radians());
        }
    }
}
