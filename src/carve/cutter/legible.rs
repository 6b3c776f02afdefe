//! How much of a facet a hand and a raking light can find.
//!
//! A place is legible when the relief in a window 5 mm wide on the surface around it has a
//! standard deviation of 0.10 mm or more; less is lost between the ridges a ball leaves.

use std::ops::Range;

/// Width of the window on the surface, mm.
pub const WINDOW_MM: f64 = 5.0;

/// Of finer pixels only those count that lie so far apart, mm: a window of them says nearly what
/// one of all says, and what its neighbours say.
const APART_MM: f64 = 0.25;

/// Least standard deviation of relief in the window, mm.
pub const LEAST_MM: f64 = 0.10;

/// Share of a facet's area that is legible, 0..=1.
///
/// `relief_mm` is height about the datum at a row and column, and `cosine` how far the surface
/// leans there, 1 for level: a window covers the area of a square of [`WINDOW_MM`] on the surface,
/// and areas are taken on it too. `ground` are the columns of each row with ground, `spans` those
/// to judge.
pub fn share(
    relief_mm: impl Fn(usize, usize) -> f64,
    cosine: impl Fn(usize, usize) -> f64,
    ground: &[Range<usize>],
    spans: &[Range<usize>],
    pixel_mm: f64,
) -> f64 {
    let step = ((APART_MM / pixel_mm) as usize).max(1);
    let samples = |span: &Range<usize>| span.start.div_ceil(step)..span.end.div_ceil(step);
    let ground: Vec<_> = ground.iter().step_by(step).map(samples).collect();
    let sums = Sums::new(|row, column| relief_mm(row * step, column * step), &ground);
    let (mut all, mut legible) = (0.0, 0.0);
    for (row, span) in spans.iter().step_by(step).map(samples).enumerate() {
        for column in span {
            let lean = cosine(row * step, column * step);
            let half = 0.5 * WINDOW_MM * lean.sqrt() / (pixel_mm * step as f64) - 0.5;
            let area = 1.0 / lean;
            all += area;
            if sums.deviation(row, column, half.max(0.0).round() as usize) >= LEAST_MM {
                legible += area;
            }
        }
    }
    if all > 0.0 { legible / all } else { 0.0 }
}

/// Running sums over all samples above and to the left: of ones, values and squares.
struct Sums {
    stride: usize,
    rows: usize,
    sums: Vec<[f64; 3]>,
}

impl Sums {
    fn new(value: impl Fn(usize, usize) -> f64, ground: &[Range<usize>]) -> Sums {
        let rows = ground.len();
        let stride = 1 + ground.iter().map(|span| span.end).max().unwrap_or(0);
        let mut sums = vec![[0.0; 3]; stride * (rows + 1)];
        for (row, span) in ground.iter().enumerate() {
            let mut line = [0.0; 3];
            for column in 0..stride - 1 {
                if span.contains(&column) {
                    let v = value(row, column);
                    line[0] += 1.0;
                    line[1] += v;
                    line[2] += v * v;
                }
                let above = sums[row * stride + column + 1];
                sums[(row + 1) * stride + column + 1] = [0, 1, 2].map(|i| above[i] + line[i]);
            }
        }
        Sums { stride, rows, sums }
    }

    /// Standard deviation in a square window of `2·half + 1` samples.
    fn deviation(&self, row: usize, column: usize, half: usize) -> f64 {
        let (top, bottom) = (row.saturating_sub(half), (row + half + 1).min(self.rows));
        let left = column.saturating_sub(half);
        let right = (column + half + 1).min(self.stride - 1);
        let at = |row: usize, column: usize| self.sums[row * self.stride + column];
        let [count, sum, squares] = [0, 1, 2].map(|i| {
            at(bottom, right)[i] - at(top, right)[i] - at(bottom, left)[i] + at(top, left)[i]
        });
        let mean = sum / count;
        (squares / count - mean * mean).max(0.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    fn of(relief_mm: &Array2<f32>) -> impl Fn(usize, usize) -> f64 {
        |row, column| f64::from(relief_mm[(row, column)])
    }

    /// The part of a 200 x 200 image whose windows lie inside it.
    fn middle() -> Vec<Range<usize>> {
        let inside = |row| (50..150).contains(&row);
        (0..200)
            .map(|row| if inside(row) { 50..150 } else { 0..0 })
            .collect()
    }

    /// Closed form: a plane of slope g has a standard deviation of g·w/√12 in a window of width w.
    #[test]
    fn a_plane_is_legible_from_the_slope_of_the_closed_form_on() {
        let (pixel, all, middle) = (0.1, vec![0..200; 200], middle());
        let threshold = LEAST_MM * 12f64.sqrt() / WINDOW_MM;
        for (factor, wanted) in [(1.02, 1.0), (0.98, 0.0)] {
            let plane = Array2::from_shape_fn((200, 200), |(_, column)| {
                (factor * threshold * 0.1 * column as f64) as f32
            });
            let found = share(of(&plane), |_, _| 1.0, &all, &middle, pixel);
            assert_eq!(found, wanted, "{factor}");
        }
    }

    /// The definition itself at every pixel, on ground that becomes rougher from left to right.
    #[test]
    fn places_apart_tell_the_share_of_all() {
        let relief = Array2::from_shape_fn((160, 200), |(row, column)| {
            let (y, x) = (0.1 * row as f64, 0.1 * column as f64);
            (0.02 * x * (2.1 * y + 0.3 * x).sin() * (1.7 * x).cos()) as f32
        });
        let inside = |row| {
            if (30..130).contains(&row) {
                30..170
            } else {
                0..0
            }
        };
        let spans: Vec<Range<usize>> = (0..160).map(inside).collect();
        let mut legible = 0;
        for (row, column) in (30..130).flat_map(|row| (30..170).map(move |c| (row, c))) {
            let near = |half: usize| {
                let window = relief.slice_each_axis(|axis| {
                    let at = [row, column][axis.axis.index()];
                    ndarray::Slice::from(at - half..at + half + 1)
                });
                f64::from(window.std(0.0))
            };
            legible += u32::from(near(25) >= LEAST_MM);
        }
        let exact = f64::from(legible) / 14_000.0;
        let found = share(of(&relief), |_, _| 1.0, &vec![0..200; 160], &spans, 0.1);
        assert!((0.2..0.8).contains(&exact), "{exact}");
        assert!((found - exact).abs() < 0.005, "{found} {exact}");
    }

    #[test]
    fn windows_are_true_to_a_leaning_surface() {
        let (all, middle) = (vec![0..200; 200], middle());
        // Seen from above, relief on ground that leans by 60 degrees is crowded together.
        let plane = Array2::from_shape_fn((200, 200), |(_, column)| 0.008 * column as f32);
        let level = share(of(&plane), |_, _| 1.0, &all, &middle, 0.1);
        let leaning = share(of(&plane), |_, _| 0.5, &all, &middle, 0.1);
        assert_eq!((level, leaning), (1.0, 0.0));
    }
}
