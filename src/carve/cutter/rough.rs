//! The roughing surface: as much wood as a flat bit can clear without coming too near.
//!
//! Three steps. The wanted surface is raised by a ball of the allowance, which keeps that
//! distance in every direction and not only straight up. The flat bit closes the result. And
//! levels are rounded up, never down.
//!
//! A bit's edge may come to rest between pixel centres. The raised surface therefore counts every
//! distance √2 pixels shorter than it is: the square of pixels that holds a place of the bit's
//! edge always has one centre under the bit, no farther than that from where the edge is nearest
//! to the wood. So the allowance holds for any place of the bit, on the grid or off it.

use super::{Profile, Tool, morphology};
use ndarray::Array2;
use std::f64::consts::SQRT_2;
use std::ops::Range;

/// The surface a flat bit may clear down to, mm.
pub fn surface_mm(
    wanted_mm: &Array2<f32>,
    tool: &Tool,
    allowance_mm: f64,
    pixel_mm: f64,
) -> Array2<f32> {
    let everywhere = morphology::everywhere(wanted_mm);
    surface_and_tip_mm(wanted_mm, &everywhere, tool, allowance_mm, pixel_mm).0
}

/// The same, and the tip's height over each pixel of the ground: where it is for what it wants to
/// leave it also is for what it leaves. Beyond the columns `ground` of each row the image is an
/// even floor.
pub(crate) fn surface_and_tip_mm(
    wanted_mm: &Array2<f32>,
    ground: &[Range<usize>],
    tool: &Tool,
    allowance_mm: f64,
    pixel_mm: f64,
) -> (Array2<f32>, Array2<f32>) {
    let columns = wanted_mm.ncols();
    let mut reach_px = 0;
    let raised = if allowance_mm > 0.0 {
        let ball = allowance(allowance_mm, pixel_mm);
        reach_px = ball.radius_px;
        let near = morphology::grown(ground, reach_px, columns);
        let raised = morphology::dilate_for(wanted_mm, &ball, &near);
        let mut raised = morphology::over_image(&raised, &ball);
        let by_mm = ball.rows[0][0];
        keep_floor(&mut raised, &near, |at| wanted_mm[at] - by_mm);
        raised
    } else {
        wanted_mm.clone()
    };
    let profile = tool.profile(pixel_mm);
    let near = morphology::grown(ground, reach_px + 2 * profile.radius_px, columns);
    let tip = morphology::dilate_for(&raised, &profile, &near);
    let mut surface = morphology::erode_for(&tip, &profile, &near);
    keep_floor(&mut surface, &near, |at| raised[at]);
    (surface, morphology::over_image(&tip, &profile))
}

/// Heights beyond the columns of each row.
fn keep_floor(
    image: &mut Array2<f32>,
    spans: &[Range<usize>],
    floor: impl Fn((usize, usize)) -> f32,
) {
    for (row, (mut line, span)) in image.outer_iter_mut().zip(spans).enumerate() {
        let columns = line.len();
        for column in (0..span.start).chain(span.end..columns) {
            line[column] = floor((row, column));
        }
    }
}

/// How far ground must be raised around a pixel: √(a² − ρ'²), ρ' = ρ − √2 pixels, as heights under
/// the "tip" of an upturned ball.
fn allowance(allowance_mm: f64, pixel_mm: f64) -> Profile {
    let slack = SQRT_2 * pixel_mm;
    let reach = allowance_mm + slack;
    Profile::new(reach, pixel_mm, |rho| {
        let near = (rho - slack).max(0.0);
        (rho <= reach + 1e-9).then(|| -(allowance_mm * allowance_mm - near * near).max(0.0).sqrt())
    })
}

/// The surface as 16-bit levels between black and white, rounded up.
pub fn levels(surface_mm: &Array2<f32>, black_mm: f64, white_mm: f64) -> Array2<u16> {
    let per_mm = 65535.0 / (white_mm - black_mm);
    surface_mm.mapv(|z| {
        let exact = (f64::from(z) - black_mm) * per_mm;
        // A level the wanted image already has must not become the next one by f32's rounding.
        let exact = (exact - 1e-2).clamp(0.0, 65535.0);
        let level = exact as u16;
        level + u16::from(exact > f64::from(level))
    })
}

/// Heights of the roughing passes, from the top down, evenly spaced: the last is the lowest place.
///
/// None when the lowest place is at the top.
pub fn steps_mm(top_mm: f64, lowest_mm: f64, stepdown_mm: f64) -> Vec<f64> {
    let depth = top_mm - lowest_mm;
    if depth <= 0.0 || stepdown_mm <= 0.0 {
        return Vec::new();
    }
    // A hair's breadth must not cost a pass.
    let count = (depth / stepdown_mm - 1e-6).ceil().max(1.0) as usize;
    (1..=count)
        .map(|i| top_mm - depth * i as f64 / count as f64)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::testing::random;

    #[test]
    fn the_tip_is_where_what_is_left_puts_it() {
        for tool in [Tool::flat(1.0), Tool::flat(3.3)] {
            let everywhere = vec![0..52; 44];
            let (surface, tip) = surface_and_tip_mm(&ground(5, 0.1), &everywhere, &tool, 0.4, 0.1);
            let profile = tool.profile(0.1);
            let again = morphology::dilate_for(&surface, &profile, &everywhere);
            assert_eq!(morphology::over_image(&again, &profile), tip);
        }
    }

    /// Around an even floor nothing has to be worked out, and to the last bit nothing is lost.
    #[test]
    fn an_even_floor_stays_as_it_is() {
        let part = ground(7, 0.1);
        let mut z = Array2::from_elem((150, 180), 7.25);
        let mut spans = vec![0..0; 150];
        for (row, span) in spans.iter_mut().enumerate().take(94).skip(50) {
            *span = 60 + row / 4..112 - row / 5;
            for column in span.clone() {
                z[(row, column)] = part[(row - 50, column - 60)];
            }
        }
        for (tool, allowance_mm) in [(Tool::flat(1.7), 0.0), (Tool::flat(3.175), 0.5)] {
            let (some, tip) = surface_and_tip_mm(&z, &spans, &tool, allowance_mm, 0.1);
            let everywhere = vec![0..180; 150];
            let (all, all_tip) = surface_and_tip_mm(&z, &everywhere, &tool, allowance_mm, 0.1);
            assert_eq!(some, all);
            for (row, span) in spans.iter().enumerate() {
                for column in span.clone() {
                    assert_eq!(tip[(row, column)], all_tip[(row, column)]);
                }
            }
        }
    }

    /// Random ground with cliffs, steps and noise.
    fn ground(seed: u64, pixel_mm: f64) -> Array2<f32> {
        let mut seed = seed;
        let blocks: Vec<f64> = (0..64).map(|_| 6.0 * random(&mut seed)).collect();
        Array2::from_shape_fn((44, 52), |(row, column)| {
            let block = blocks[(row / 9) * 8 + column / 9];
            let wave = (pixel_mm * row as f64 * 3.0).sin();
            (8.0 + block + wave + 0.3 * random(&mut seed)) as f32
        })
    }

    /// Distance from a point to the solid above a flat bit's tip.
    fn distance(tool: &Tool, axis: [f64; 2], tip: f64, point: [f64; 3]) -> f64 {
        let beside = ((point[0] - axis[0]).hypot(point[1] - axis[1]) - tool.radius_mm()).max(0.0);
        beside.hypot((tip - point[2]).max(0.0))
    }

    /// Brute force: the bit set down on the finished image's levels anywhere, on pixel centres or
    /// between them, is never nearer to any wanted pixel than the allowance.
    #[test]
    fn roughing_never_comes_nearer_than_the_allowance() {
        let mut seed = 99;
        for case in 0..6 {
            let pixel = [0.1, 0.2, 0.25][case % 3];
            let tool = Tool::flat([1.0, 1.7, 3.175, 2.2][case % 4]);
            let allowance = [0.0, 0.3, 0.5, 0.8][(case + 1) % 4];
            let z = ground(case as u64, pixel);
            let (black, white) = (7.0, 20.0);
            let rough = levels(&surface_mm(&z, &tool, allowance, pixel), black, white);
            let height = |level: u16| black + (white - black) * f64::from(level) / 65535.0;
            let (rows, columns) = z.dim();
            let place = |row: usize, column: usize| [column as f64 * pixel, -(row as f64) * pixel];
            let mut nearest = f64::INFINITY;
            for _ in 0..300 {
                let mut axis = place(
                    (random(&mut seed) * rows as f64) as usize,
                    (random(&mut seed) * columns as f64) as usize,
                );
                if random(&mut seed) < 0.5 {
                    axis[0] += pixel * random(&mut seed);
                    axis[1] += pixel * random(&mut seed);
                }
                let under = |r: usize, c: usize| {
                    let [x, y] = place(r, c);
                    (x - axis[0]).hypot(y - axis[1]) <= tool.radius_mm() + 1e-9
                };
                let tip = rough
                    .indexed_iter()
                    .filter(|((r, c), _)| under(*r, *c))
                    .map(|(_, &level)| height(level))
                    .fold(f64::NEG_INFINITY, f64::max);
                for ((r, c), &z) in z.indexed_iter() {
                    let [x, y] = place(r, c);
                    let near = distance(&tool, axis, tip, [x, y, f64::from(z)]);
                    let gouged = under(r, c) && tip < f64::from(z) - 1e-5;
                    assert!(!gouged, "case {case}: cut below the wanted surface");
                    nearest = nearest.min(near);
                }
            }
            assert!(
                nearest >= allowance - 1e-5,
                "case {case}: {nearest} < {allowance}"
            );
            // And it is not simply far away.
            assert!(nearest < allowance + 0.3, "case {case}: {nearest}");
        }
    }

    #[test]
    fn passes_go_down_evenly_to_the_lowest_place() {
        assert_eq!(steps_mm(50.0, 44.0, 3.0), [47.0, 44.0]);
        assert_eq!(steps_mm(50.0, 43.0, 3.0).len(), 3);
        assert_eq!(*steps_mm(50.0, 43.0, 3.0).last().unwrap(), 43.0);
        assert_eq!(steps_mm(50.0, 50.0, 3.0), [0.0; 0]);
    }
}
