//! The ridges a ball leaves between its passes.
//!
//! On a flat, between passes s apart, a ball of radius r leaves ridges of
//! h = r − √(r² − (s/2)²), about s²/(8r); textbook geometry of ball-nose milling. On ground that
//! leans by t across the passes they lie s/cos t apart along the surface.

use ndarray::Array2;
use std::ops::Range;

/// Height of the ridges, mm; that of the ball where passes do not overlap.
///
/// `slope` is the tangent of the lean across the passes.
pub fn height_mm(radius_mm: f64, stepover_mm: f64, slope: f64) -> f64 {
    let half = 0.5 * stepover_mm * (slope * slope + 1.0).sqrt();
    if half >= radius_mm {
        return radius_mm;
    }
    // The same as r − √(r² − half²), without losing digits on small ridges.
    half * half / (radius_mm + (radius_mm * radius_mm - half * half).sqrt())
}

#[cfg(test)]
/// The stepover that leaves ridges of a height on a flat, mm: s = 2·√(h·(2r − h)).
pub fn stepover_mm(radius_mm: f64, height_mm: f64) -> f64 {
    let height = height_mm.clamp(0.0, radius_mm);
    2.0 * (height * (2.0 * radius_mm - height)).sqrt()
}

/// Ridges over a facet, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ridges {
    /// On level ground.
    pub level_mm: f64,
    /// Mean over the carved ground, by its size seen from above.
    pub mean_mm: f64,
    /// 95 of 100 pixels have lower ones.
    pub p95_mm: f64,
}

/// Ridges on the real slopes: passes run along the rows, so the lean from row to row counts.
///
/// `spans` are the columns of each row to look at. `None` when they hold no pixel.
pub fn ridges(
    z_mm: &Array2<f32>,
    spans: &[Range<usize>],
    pixel_mm: f64,
    radius_mm: f64,
    stepover_mm: f64,
) -> Option<Ridges> {
    let mut heights = Vec::new();
    let last = z_mm.nrows().saturating_sub(1);
    for (row, span) in spans.iter().enumerate() {
        let (up, down) = (row.saturating_sub(1), (row + 1).min(last));
        for column in span.clone() {
            let rise = f64::from(z_mm[(up, column)] - z_mm[(down, column)]);
            let slope = rise / (pixel_mm * (down - up).max(1) as f64);
            heights.push(height_mm(radius_mm, stepover_mm, slope) as f32);
        }
    }
    if heights.is_empty() {
        return None;
    }
    let mean = heights.iter().map(|&h| f64::from(h)).sum::<f64>() / heights.len() as f64;
    let at = (heights.len() * 95 / 100).min(heights.len() - 1);
    let (_, p95, _) = heights.select_nth_unstable_by(at, f32::total_cmp);
    Some(Ridges {
        level_mm: height_mm(radius_mm, stepover_mm, 0.0),
        mean_mm: mean,
        p95_mm: f64::from(*p95),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: closed form of ball-nose milling, worked by hand for shop sizes: diameter,
    /// stepover, height.
    #[test]
    fn ridges_match_the_worked_table() {
        for (diameter, stepover, height) in [
            (6.35, 0.635, 0.015_914_9),
            (6.35, 1.27, 0.064_148_0),
            (6.0, 0.5, 0.010_434_8),
            (3.175, 0.3175, 0.007_957_4),
        ] {
            let found = height_mm(0.5 * diameter, stepover, 0.0);
            assert!((found - height).abs() < 5e-8, "{found} {height}");
        }
        for (diameter, height, stepover) in [(6.0, 0.01, 0.489_489_5), (3.175, 0.01, 0.355_808_9)] {
            let found = stepover_mm(0.5 * diameter, height);
            assert!((found - stepover).abs() < 5e-8, "{found} {stepover}");
        }
    }

    #[test]
    fn leaning_ground_has_wider_passes() {
        let on_60 = height_mm(3.0, 0.5, 60f64.to_radians().tan());
        assert!((on_60 - height_mm(3.0, 1.0, 0.0)).abs() < 1e-12);
        assert_eq!(height_mm(1.0, 3.0, 0.0), 1.0);
        let plane = Array2::from_shape_fn((9, 9), |(row, _)| -0.1 * row as f32);
        let spans = vec![0..9; 9];
        let found = ridges(&plane, &spans, 0.1, 3.0, 0.5).unwrap();
        let wanted = height_mm(3.0, 0.5, 1.0);
        assert!((found.mean_mm - wanted).abs() < 1e-6 && (found.p95_mm - wanted).abs() < 1e-6);
        assert_eq!(ridges(&plane, &vec![0..0; 9], 0.1, 3.0, 0.5), None);
    }
}
