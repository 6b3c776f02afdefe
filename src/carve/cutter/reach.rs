//! The wood a bit must leave, and the bit that leaves little enough.

use super::{Tool, morphology};
use ndarray::Array2;
use std::ops::Range;

/// Diameters of ball-nosed bits that shops stock, mm: metric, and fractions of an inch.
/// Common practice, no source.
pub const STOCKED_MM: [f64; 15] = [
    0.5, 0.794, // 1/32 in
    1.0, 1.5, 1.588, // 1/16 in
    2.0, 2.381, // 3/32 in
    3.0, 3.175, // 1/8 in
    4.0, 4.763, // 3/16 in
    6.0, 6.35, // 1/4 in
    8.0, 9.525, // 3/8 in
];

/// Wood left over the wanted surface of a facet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Left {
    /// The most, mm.
    pub most_mm: f64,
    /// Row and column of it.
    pub worst: (usize, usize),
    /// Root of the mean square, mm.
    pub rms_mm: f64,
    /// Area seen from above with more than the asked amount, mm².
    pub over_mm2: f64,
    /// Its share of the facet's area, 0..=1.
    pub over_share: f64,
}

/// Measures `carved_mm − wanted_mm` over the columns `spans` of each row.
///
/// `None` when they hold no pixel.
pub fn left(
    wanted_mm: &Array2<f32>,
    carved_mm: &Array2<f32>,
    spans: &[Range<usize>],
    pixel_mm: f64,
    amount_mm: f64,
) -> Option<Left> {
    let (mut most, mut worst) = (f32::NEG_INFINITY, (0, 0));
    let (mut squares, mut over, mut pixels) = (0.0, 0u64, 0u64);
    for (row, span) in spans.iter().enumerate() {
        for column in span.clone() {
            let wood = carved_mm[(row, column)] - wanted_mm[(row, column)];
            if wood > most {
                (most, worst) = (wood, (row, column));
            }
            squares += f64::from(wood) * f64::from(wood);
            over += u64::from(f64::from(wood) > amount_mm);
            pixels += 1;
        }
    }
    (pixels > 0).then(|| Left {
        most_mm: f64::from(most).max(0.0),
        worst,
        rms_mm: (squares / pixels as f64).sqrt(),
        over_mm2: over as f64 * pixel_mm * pixel_mm,
        over_share: over as f64 / pixels as f64,
    })
}

/// The largest of [`STOCKED_MM`] that leaves no more than an amount on all but each of some
/// shares of a facet; `None` when even the smallest leaves more.
///
/// A larger ball never leaves less (it is made of smaller ones), so halving finds it. On the
/// grid that holds but for what rounding to whole pixels does.
pub fn largest_balls_mm<const N: usize>(
    wanted_mm: &Array2<f32>,
    spans: &[Range<usize>],
    pixel_mm: f64,
    amount_mm: f64,
    shares: [f64; N],
) -> [Option<f64>; N] {
    let mut known = [None; STOCKED_MM.len()];
    let mut over_share = |ball: usize| {
        *known[ball].get_or_insert_with(|| {
            let profile = Tool::ball(STOCKED_MM[ball]).profile(pixel_mm);
            let carved = morphology::close(wanted_mm, &profile);
            left(wanted_mm, &carved, spans, pixel_mm, amount_mm).map_or(0.0, |left| left.over_share)
        })
    };
    let balls: Vec<usize> = (0..STOCKED_MM.len()).collect();
    shares.map(|share| {
        let count = balls.partition_point(|&ball| over_share(ball) <= share);
        count.checked_sub(1).map(|last| STOCKED_MM[last])
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A plane with one round-bottomed groove of radius 1.2 mm, 1.2 mm deep, along the rows.
    fn groove() -> Array2<f32> {
        Array2::from_shape_fn((100, 60), |(row, _)| {
            let y = 0.05 * (row as f64 - 50.0);
            -(1.44 - y * y).max(0.0).sqrt() as f32
        })
    }

    #[test]
    fn the_largest_ball_is_the_one_that_just_fits_the_groove() {
        let (z, spans) = (groove(), vec![0..60; 100]);
        // Its radius is 1.2 mm: a 2.381 mm ball goes in, a 3 mm ball does not.
        // The groove is 48 of 100 rows; a bit may leave it be if that much is allowed.
        let found = largest_balls_mm(&z, &spans, 0.05, 0.05, [0.0, 0.5]);
        assert_eq!(found, [Some(2.381), Some(9.525)]);
        let needle = Array2::from_shape_fn(
            (21, 21),
            |(r, c)| {
                if (r, c) == (10, 10) { -5.0 } else { 0.0 }
            },
        );
        let found = largest_balls_mm(&needle, &vec![0..21; 21], 0.1, 0.1, [0.0]);
        assert_eq!(found, [None]);
    }

    #[test]
    fn wood_is_measured_inside_the_spans_only() {
        let wanted = Array2::zeros((4, 5));
        let mut carved = Array2::zeros((4, 5));
        carved[(1, 2)] = 0.3;
        carved[(2, 3)] = 0.4;
        carved[(0, 0)] = 9.0;
        let spans = [0..0, 1..4, 1..4, 0..0];
        let found = left(&wanted, &carved, &spans, 0.5, 0.35).unwrap();
        assert_eq!((found.worst, found.over_mm2), ((2, 3), 0.25));
        assert!((found.most_mm - 0.4).abs() < 1e-7 && (found.over_share - 1.0 / 6.0).abs() < 1e-12);
        assert!((found.rms_mm - (0.25f64 / 6.0).sqrt()).abs() < 1e-7);
        assert_eq!(left(&wanted, &carved, &vec![0..0; 4], 0.5, 0.1), None);
    }
}
