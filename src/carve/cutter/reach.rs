//! The wood a bit must leave, and the bit that leaves little enough.

use super::{Profile, Tool, morphology};
use ndarray::{Array2, Slice};
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

/// How far around a place a bit is tried before it is tried everywhere, pixels.
const BESIDE_PX: usize = 8;

/// Pixels along each side of the parts of a facet whose worst places are tried first.
const PART_PX: usize = 192;

/// Samples to a ball's radius where shares are measured: with ten a ball would be called too large,
/// on ground full of fine waves, that leaves two thirds of what is allowed.
const SAMPLES_TO_RADIUS: f64 = 11.5;

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

/// A facet for which a ball is looked for that leaves no more than asked.
pub struct BallSearch<'a> {
    pub wanted_mm: &'a Array2<f32>,
    /// Columns of each row that belong to the facet.
    pub spans: &'a [Range<usize>],
    pub pixel_mm: f64,
    /// What a ball may leave.
    pub amount_mm: f64,
    /// A ball that has been tried everywhere: its diameter and the surface it leaves.
    pub tried: Option<(f64, &'a Array2<f32>)>,
}

/// Where a tried ball leaves no more than this part of what is asked, smaller ones are not tried:
/// they leave no more than it does, but for what rounding to whole pixels does.
const SURE: f64 = 0.5;

impl BallSearch<'_> {
    /// What a ball leaves, looked at on every `step`th pixel of every `step`th row.
    fn left_by(&self, ball_mm: f64, step: usize) -> Option<Left> {
        let samples = |count: usize| count.div_ceil(step);
        let every = Slice::new(0, None, step as isize);
        let wanted = self.wanted_mm.slice_each_axis(|_| every).to_owned();
        let spans: Vec<Range<usize>> = (self.spans.iter().step_by(step))
            .map(|span| samples(span.start)..samples(span.end))
            .collect();
        let profile = Tool::ball(ball_mm).profile(self.pixel_mm * step as f64);
        let carved = match self.tried.filter(|(tried_mm, _)| ball_mm <= *tried_mm) {
            Some((_, carved)) => {
                let doubtful = |row, column| {
                    let at = (row * step, column * step);
                    f64::from(carved[at] - self.wanted_mm[at]) > SURE * self.amount_mm
                };
                let blocks = morphology::Blocks::with(wanted.dim(), &spans, doubtful);
                morphology::close_blocks(&wanted, &profile, &blocks)
            }
            None => morphology::close_for(&wanted, &profile, &spans),
        };
        left(&wanted, &carved, &spans, self.pixel_mm, self.amount_mm)
    }

    /// The largest of [`STOCKED_MM`] that leaves no more than asked anywhere; `None` when even the
    /// smallest leaves more.
    ///
    /// A larger ball never leaves less (it is made of smaller ones; on the grid that holds but for
    /// what rounding to whole pixels does), and leaves most where another does. So the balls are
    /// tried around a few places first, `suspects` and those found since, and only the one that
    /// passes there is tried everywhere.
    pub fn largest_mm(&self, suspects: Vec<(usize, usize)>) -> Option<f64> {
        let (mut balls, mut places) = (STOCKED_MM.as_slice(), suspects);
        loop {
            let passes = |&ball_mm: &f64| {
                let profile = Tool::ball(ball_mm).profile(self.pixel_mm);
                let left = |place| left_beside(self.wanted_mm, self.spans, &profile, place);
                places.iter().all(|place| left(*place) <= self.amount_mm)
            };
            balls = &balls[..balls.partition_point(passes)];
            let ball_mm = *balls.last()?;
            match self.left_by(ball_mm, 1) {
                Some(left) if left.most_mm > self.amount_mm => {
                    places.push(left.worst);
                    balls = &balls[..balls.len() - 1];
                }
                _ => return Some(ball_mm),
            }
        }
    }

    /// The largest of [`STOCKED_MM`] that leaves no more than asked on all but a share of the facet;
    /// `None` when even the smallest leaves more.
    ///
    /// A share needs no more than a sample here and there: of fine pixels as many are passed over
    /// as leave [`SAMPLES_TO_RADIUS`], which errs towards the smaller ball if at all. What is
    /// `known` of balls, their diameters and the shares where they leave more, is not looked for
    /// again.
    pub fn largest_but_for_mm(&self, share: f64, known: &[(f64, f64)]) -> Option<f64> {
        let passes = |&ball_mm: &f64| {
            let step = 0.5 * ball_mm / self.pixel_mm / SAMPLES_TO_RADIUS;
            let left = self.left_by(ball_mm, step.max(1.0) as usize);
            left.is_none_or(|left| left.over_share <= share)
        };
        let (mut sure, mut end) = (0, STOCKED_MM.len());
        for &(ball_mm, over) in known {
            match over <= share {
                true => sure = sure.max(STOCKED_MM.partition_point(|&mm| mm <= ball_mm)),
                false => end = end.min(STOCKED_MM.partition_point(|&mm| mm < ball_mm)),
            }
        }
        let end = end.max(sure);
        let count = sure + STOCKED_MM[sure..end].partition_point(passes);
        count.checked_sub(1).map(|last| STOCKED_MM[last])
    }
}

/// Where a bit leaves most, in each of the parts of a facet that are some [`PART_PX`] across.
pub fn suspects(
    wanted_mm: &Array2<f32>,
    carved_mm: &Array2<f32>,
    spans: &[Range<usize>],
) -> Vec<(usize, usize)> {
    let (rows, columns) = wanted_mm.dim();
    let across = columns.div_ceil(PART_PX);
    let mut most = vec![(0f32, (0, 0)); across * rows.div_ceil(PART_PX)];
    for (row, span) in spans.iter().enumerate() {
        for column in span.clone() {
            let wood = carved_mm[(row, column)] - wanted_mm[(row, column)];
            let part = &mut most[row / PART_PX * across + column / PART_PX];
            if wood > part.0 {
                *part = (wood, (row, column));
            }
        }
    }
    let found = most.into_iter().filter(|(wood, _)| *wood > 0.0);
    found.map(|(_, place)| place).collect()
}

/// The most that a bit leaves within [`BESIDE_PX`] of a place, mm: to the last bit what the whole
/// facet would say there.
fn left_beside(
    wanted_mm: &Array2<f32>,
    spans: &[Range<usize>],
    profile: &Profile,
    place: (usize, usize),
) -> f64 {
    let (rows, columns) = wanted_mm.dim();
    let around = |at: usize, by: usize, end: usize| at.saturating_sub(by)..(at + by + 1).min(end);
    // The bit touches ground a radius from its tip, and is cut by tips a radius away.
    let ground_px = BESIDE_PX + 2 * profile.radius_px;
    let (down, right) = (
        around(place.0, ground_px, rows),
        around(place.1, ground_px, columns),
    );
    let ground = Array2::from_shape_fn((down.len(), right.len()), |(row, column)| {
        wanted_mm[(down.start + row, right.start + column)]
    });
    let mut beside = vec![0..0; down.len()];
    for row in around(place.0, BESIDE_PX, rows) {
        let near = around(place.1, BESIDE_PX, columns);
        let (start, end) = (
            near.start.max(spans[row].start),
            near.end.min(spans[row].end),
        );
        if start < end {
            beside[row - down.start] = start - right.start..end - right.start;
        }
    }
    let carved = morphology::close_for(&ground, profile, &beside);
    let mut most = 0f32;
    for (row, span) in beside.into_iter().enumerate() {
        for column in span {
            let at = (row, column);
            most = most.max(carved[at] - ground[at]);
        }
    }
    f64::from(most)
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
        let search = BallSearch {
            wanted_mm: &z,
            spans: &spans,
            pixel_mm: 0.05,
            amount_mm: 0.05,
            tried: None,
        };
        assert_eq!(search.largest_mm(vec![(50, 30)]), Some(2.381));
        assert_eq!(search.largest_but_for_mm(0.5, &[]), Some(9.525));
        let needle = Array2::from_shape_fn(
            (21, 21),
            |(r, c)| {
                if (r, c) == (10, 10) { -5.0 } else { 0.0 }
            },
        );
        let spans = vec![0..21; 21];
        let search = anew(&needle, &spans, 0.1);
        for worst in [vec![(10, 10)], Vec::new()] {
            assert_eq!(search.largest_mm(worst), None);
        }
        assert_eq!(search.largest_but_for_mm(0.0, &[]), None);
    }

    fn anew<'a>(
        wanted_mm: &'a Array2<f32>,
        spans: &'a [Range<usize>],
        amount_mm: f64,
    ) -> BallSearch<'a> {
        BallSearch {
            wanted_mm,
            spans,
            pixel_mm: 0.1,
            amount_mm,
            tried: None,
        }
    }

    /// Every ball tried on every pixel.
    fn over_share(z: &Array2<f32>, spans: &[Range<usize>], ball_mm: f64, amount_mm: f64) -> f64 {
        let carved = morphology::close(z, &Tool::ball(ball_mm).profile(0.1));
        left(z, &carved, spans, 0.1, amount_mm).unwrap().over_share
    }

    /// Rolling ground with sharper forms among it, on a facet that leans across its image.
    fn rolling(seed: f64) -> (Array2<f32>, Vec<Range<usize>>) {
        let z = Array2::from_shape_fn((150, 200), |(row, column)| {
            let (y, x) = (row as f64 * 0.1 + seed, column as f64 * 0.1);
            let fine = (2.9 * x + seed).sin() * (3.1 * y).cos() * (0.15 * (x - y)).sin().powi(4);
            ((0.4 * x).sin() + (0.3 * y + 0.2 * x).cos() + 0.12 * fine) as f32
        });
        (z, (0..150).map(|row| row / 4..200 - row / 3).collect())
    }

    #[test]
    fn the_largest_ball_is_found_wherever_the_search_begins() {
        let mut found = Vec::new();
        for seed in [0.0, 1.7, 4.1] {
            let (z, spans) = rolling(seed);
            for amount_mm in [0.02, 0.1] {
                let passing = STOCKED_MM
                    .iter()
                    .take_while(|&&ball_mm| over_share(&z, &spans, ball_mm, amount_mm) == 0.0);
                let slow = passing.last().copied();
                let carved = morphology::close(&z, &Tool::ball(1.5).profile(0.1));
                let suspects = suspects(&z, &carved, &spans);
                assert!(!suspects.is_empty());
                for begin in [Vec::new(), vec![(70, 90)], suspects] {
                    for tried in [None, Some((1.5, &carved))] {
                        let search = BallSearch {
                            tried,
                            ..anew(&z, &spans, amount_mm)
                        };
                        let fast = search.largest_mm(begin.clone());
                        assert_eq!(fast, slow, "{seed} {amount_mm} {begin:?}");
                    }
                }
                found.push(slow);
            }
        }
        found.sort_by(|a, b| a.partial_cmp(b).unwrap());
        found.dedup();
        assert!(found.len() > 2, "{found:?}");
    }

    /// The share that a ball leaves too high is nearly that of all pixels: the ball found leaves no
    /// more than half as much again as allowed, the next larger one more than two thirds of it.
    #[test]
    fn a_sample_here_and_there_tells_the_share() {
        for seed in [0.0, 1.7, 4.1] {
            let (z, spans) = rolling(seed);
            for share in [0.01, 0.05, 0.2] {
                let exact = |ball_mm| over_share(&z, &spans, ball_mm, 0.02);
                let [low, middle, high] = [0.5, 1.7, 4.0].map(|mm| (mm, exact(mm)));
                let carved = morphology::close(&z, &Tool::ball(4.0).profile(0.1));
                for (known, tried) in [
                    (&[low][..], None),
                    (&[middle], None),
                    (&[high], Some((4.0, &carved))),
                    (&[high, low], Some((4.0, &carved))),
                    (&[], None),
                ] {
                    let search = BallSearch {
                        tried,
                        ..anew(&z, &spans, 0.02)
                    };
                    let found = search.largest_but_for_mm(share, known).unwrap();
                    let next = STOCKED_MM.iter().find(|&&ball_mm| ball_mm > found);
                    let told = format!("{seed} {share} {known:?}: {found}");
                    assert!(exact(found) <= 1.5 * share, "{told}");
                    assert!(next.is_none_or(|&next| exact(next) > share / 1.5), "{told}");
                }
            }
        }
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
