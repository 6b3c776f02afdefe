//! Shaded ground for the sheets, as grey pixels.

use crate::carve::resample::Sampler;
use crate::show::pictures::{Light, shade};
use glam::{DVec2, DVec3};
use ndarray::Array2;

/// Slopes are shaded this many times as steep as they are: plains would otherwise show nothing.
const SLOPES: f64 = 2.0;

/// A rectangle of paper in pixels; mm, y up.
pub struct Window {
    low: DVec2,
    high: DVec2,
    /// From one pixel's middle to the next one's, to the right and down.
    step: DVec2,
    columns: usize,
    rows: usize,
}

/// What is seen on a piece of paper.
pub struct View<'a> {
    pub sampler: &'a Sampler,
    /// Paper mm for a mm of the globe.
    pub share: f64,
    /// Least and greatest corner of the piece, mm.
    pub bounds: (DVec2, DVec2),
    /// The direction from the body's middle that is seen at a place.
    pub towards: &'a dyn Fn(DVec2) -> DVec3,
    /// Whether a place shows ground at all.
    pub inside: &'a dyn Fn(DVec2) -> bool,
}

impl Window {
    /// With so many pixels to the mm.
    pub fn new(low: DVec2, high: DVec2, per_mm: f64) -> Window {
        let size = high - low;
        let count = (size * per_mm).ceil().max(DVec2::ONE);
        Window {
            low,
            high,
            step: DVec2::new(size.x / count.x, -size.y / count.y),
            columns: count.x as usize,
            rows: count.y as usize,
        }
    }

    /// White paper.
    pub fn blank(&self) -> Array2<u8> {
        Array2::from_elem((self.rows, self.columns), u8::MAX)
    }

    fn place(&self, row: usize, column: usize) -> DVec2 {
        let first = DVec2::new(self.low.x, self.high.y) + 0.5 * self.step;
        first + self.step * DVec2::new(column as f64, row as f64)
    }

    /// Paints the ground of one view.
    pub fn paint(&self, grey: &mut Array2<u8>, view: &View<'_>) {
        let (low, high) = view.bounds;
        // One pixel more all round, for the slopes.
        let span = |from: f64, to: f64, count: usize| {
            let clamped = |at: f64| at.clamp(0.0, count as f64) as usize;
            (clamped(from.floor() - 1.0), clamped(to.ceil() + 2.0))
        };
        let column = |x: f64| (x - self.low.x) / self.step.x - 0.5;
        let row = |y: f64| (y - self.high.y) / self.step.y - 0.5;
        let (c0, c1) = span(column(low.x), column(high.x), self.columns);
        let (r0, r1) = span(row(high.y), row(low.y), self.rows);
        if c0 >= c1 || r0 >= r1 {
            return;
        }
        let places = (r0..r1).flat_map(|row| (c0..c1).map(move |column| (row, column)));
        let places: Vec<DVec2> = places
            .map(|(row, column)| self.place(row, column))
            .collect();
        let directions: Vec<DVec3> = places.iter().map(|at| (view.towards)(*at)).collect();
        let relief = view.sampler.relief_mm(&directions);
        let relief = relief.iter().map(|mm| *mm as f32).collect();
        let Ok(relief) = Array2::from_shape_vec((r1 - r0, c1 - c0), relief) else {
            return;
        };
        // Slopes of the true globe, whatever the size of the print.
        let bright = shade(
            &relief,
            self.step.x / view.share,
            &Light::upper_left(SLOPES),
        );
        for ((at, light), (row, column)) in places
            .iter()
            .zip(&bright)
            .zip((r0..r1).flat_map(|row| (c0..c1).map(move |column| (row, column))))
        {
            if (view.inside)(*at) {
                // Pale, so that what is written on it stays legible.
                grey[(row, column)] = (255.0 * (0.42 + 0.58 * light)).round() as u8;
            }
        }
    }
}
