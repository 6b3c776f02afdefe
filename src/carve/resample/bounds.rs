//! Bounds of relief and slope over patches of the sphere, from blocks of grid cells.
//!
//! Radial projection needs to know where the carved surface might fold under itself. Instead of
//! testing every pixel, the grid is summarised once in blocks of a few samples
//! square ([`Layout::block_side`]); a patch then asks the few blocks it touches.

use crate::model::curve::Curve;
use crate::model::extremes::{greater, lesser};
use crate::model::geometry::lat_lon_deg;
use crate::model::grid::{BLOCK_BYTES, Heights, Layout};
use crate::model::parallel;
use glam::DVec3;
use std::ops::Range;

/// Of the four weights of the cubic, those below zero add up to −⅛ at most: a weighted mean can
/// leave the range of its four values by this share of it.
const OVERSHOOT: f64 = 0.125;

/// An interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Span {
    const NONE: Span = Span {
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
    };

    fn with(self, other: Span) -> Span {
        Span {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }

    /// What a mean of values from this interval with the cubic's weights can be.
    fn overshot(self) -> Span {
        let spare = OVERSHOOT * (self.high - self.low);
        Span {
            low: self.low - spare,
            high: self.high + spare,
        }
    }

    /// Largest absolute value.
    pub fn size(self) -> f64 {
        self.low.abs().max(self.high.abs())
    }

    /// Largest product with `factor`.
    fn highest_times(self, factor: f64) -> f64 {
        (self.low * factor).max(self.high * factor)
    }
}

/// What is known about the relief over a patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// No ground lower or higher, mm.
    pub relief_mm: Span,
    /// Slope towards the east, mm of relief per radian of arc.
    pub east: Span,
    /// Slope towards the north, mm per radian.
    pub north: Span,
}

impl Bound {
    const NONE: Bound = Bound {
        relief_mm: Span::NONE,
        east: Span::NONE,
        north: Span::NONE,
    };

    fn with(self, other: &Bound) -> Bound {
        Bound {
            relief_mm: self.relief_mm.with(other.relief_mm),
            east: self.east.with(other.east),
            north: self.north.with(other.north),
        }
    }

    /// No slope in any direction steeper, mm per radian.
    pub fn steepest(&self) -> f64 {
        self.east.size().hypot(self.north.size())
    }

    /// No slope falls faster towards `azimuth` (radians from east, towards north) or anything
    /// within `spread` of it, mm per radian. Negative where the ground surely rises.
    pub fn falls_towards(&self, azimuth: f64, spread: f64) -> f64 {
        let ahead =
            self.east.highest_times(-azimuth.cos()) + self.north.highest_times(-azimuth.sin());
        // Turning a vector by the spread moves its end by at most a chord.
        let chord = 2.0 * (0.5 * spread.min(std::f64::consts::PI)).sin();
        (ahead + chord * self.steepest()).min(self.steepest())
    }
}

// Memory is planned by what a block takes.
const _: () = assert!(size_of::<Bound>() == BLOCK_BYTES);

/// Bounds over the whole grid, block by block.
pub struct Bounds {
    blocks: Vec<Bound>,
    block_rows: usize,
    block_columns: usize,
    block_lat_deg: f64,
    block_lon_deg: f64,
    /// Latitude of row 0 and longitude of column 0.
    north_deg: f64,
    west_deg: f64,
}

impl Bounds {
    /// Summarises a grid carved through a curve: one pass, rows of blocks in parallel.
    pub fn new(heights: &dyn Heights, curve: &Curve) -> Bounds {
        let grid = heights.layout();
        let side = grid.block_side();
        let block_rows = grid.rows.div_ceil(side);
        let block_columns = grid.columns.div_ceil(side);
        let mut blocks = vec![Bound::NONE; block_rows * block_columns];
        parallel::chunks(&mut blocks, block_columns, &|block_row, blocks| {
            let rows = block_row * side..((block_row + 1) * side).min(grid.rows);
            block_row_bounds(heights, curve, rows, side, blocks);
        });
        Bounds {
            blocks,
            block_rows,
            block_columns,
            block_lat_deg: grid.step_lat_deg() * side as f64,
            block_lon_deg: grid.step_lon_deg() * side as f64,
            north_deg: grid.north_deg(),
            west_deg: grid.west_deg,
        }
    }

    /// The bound over everything within `radius_rad` of a direction.
    pub fn around(&self, direction: DVec3, radius_rad: f64) -> Bound {
        let (lat, lon) = lat_lon_deg(direction);
        let radius = radius_rad.to_degrees();
        let (top, bottom) = (lat + radius, lat - radius);
        let last_row = self.block_rows as isize - 1;
        let block_row = |lat: f64| {
            (((self.north_deg - lat) / self.block_lat_deg).floor() as isize).clamp(0, last_row)
        };
        // A cap that holds a pole has every longitude; any other reaches asin(sin r / cos lat).
        let reach = if top >= 90.0 || bottom <= -90.0 {
            180.0
        } else {
            (radius_rad.sin() / lat.to_radians().cos())
                .clamp(-1.0, 1.0)
                .asin()
                .to_degrees()
        };
        // The last block of a row may be narrower than the others, so that beyond the wrap an
        // index can be one off: one block more on either side.
        let offset = (lon - self.west_deg).rem_euclid(360.0);
        let first = ((offset - reach) / self.block_lon_deg).floor() as isize - 1;
        let last = ((offset + reach) / self.block_lon_deg).floor() as isize + 1;
        let count = ((last - first + 1) as usize).min(self.block_columns);
        let mut bound = Bound::NONE;
        for row in block_row(top)..=block_row(bottom) {
            for i in 0..count {
                let column = (first + i as isize).rem_euclid(self.block_columns as isize) as usize;
                bound = bound.with(&self.blocks[row as usize * self.block_columns + column]);
            }
        }
        bound
    }
}

/// Relief of one row with two samples more on either end, mm.
fn relief_row(line: &[f32], curve: &Curve) -> Vec<f64> {
    let columns = line.len();
    let relief: Vec<f64> = line
        .iter()
        .map(|&height_m| curve.relief_mm(f64::from(height_m)))
        .collect();
    let mut padded = Vec::with_capacity(columns + 2 * REACH);
    padded.extend_from_slice(&relief[columns - REACH..]);
    padded.extend_from_slice(&relief);
    padded.extend_from_slice(&relief[..REACH]);
    padded
}

/// Samples beyond a block that its cells' neighbourhoods touch.
const REACH: usize = 2;

/// Lowest and highest of many values at each place along a row; a loop over places that the
/// compiler turns into vector code, where one over blocks would wait for each comparison.
struct SpanRow {
    low: Vec<f64>,
    high: Vec<f64>,
}

impl SpanRow {
    fn none(places: usize) -> SpanRow {
        SpanRow {
            low: vec![f64::INFINITY; places],
            high: vec![f64::NEG_INFINITY; places],
        }
    }

    fn add(&mut self, spans: impl Iterator<Item = (f64, f64)>) {
        let places = self.low.iter_mut().zip(&mut self.high);
        for ((low, high), span) in places.zip(spans) {
            *low = lesser(*low, span.0);
            *high = greater(*high, span.1);
        }
    }

    fn over(&self, places: Range<usize>) -> Span {
        Span {
            low: self.low[places.clone()]
                .iter()
                .copied()
                .fold(f64::INFINITY, lesser),
            high: self.high[places]
                .iter()
                .copied()
                .fold(f64::NEG_INFINITY, greater),
        }
    }
}

fn block_row_bounds(
    heights: &dyn Heights,
    curve: &Curve,
    rows: Range<usize>,
    side: usize,
    blocks: &mut [Bound],
) {
    let grid = heights.layout();
    let first = rows.start as isize - REACH as isize;
    let end = rows.end as isize + REACH as isize;
    let lines: Vec<Vec<f64>> = heights
        .rows_across_poles(first..end + 1)
        .iter()
        .map(|line| relief_row(line, curve))
        .collect();
    let per_rad_lat = 1.0 / grid.step_lat_deg().to_radians();
    let places = grid.columns + 2 * REACH;
    let mut relief = SpanRow::none(places);
    let mut east = SpanRow::none(places - 3);
    for (row, line) in (first..=end).zip(&lines) {
        let row = row.clamp(0, grid.rows as isize - 1) as usize;
        let per_rad = 1.0 / (grid.step_lon_deg().to_radians() * smallest_cosine(grid, row));
        relief.add(line.iter().map(|&mm| (mm, mm)));
        east.add(line.windows(4).map(|p| {
            let (low, high) = slopes_between([p[0], p[1], p[2], p[3]]);
            (low * per_rad, high * per_rad)
        }));
    }
    let mut south = SpanRow::none(places);
    for rows in lines.windows(4) {
        let below = rows[0].iter().zip(&rows[1]).zip(&rows[2]).zip(&rows[3]);
        south.add(below.map(|(((a, b), c), d)| slopes_between([*a, *b, *c, *d])));
    }
    for (block_column, block) in blocks.iter_mut().enumerate() {
        // In padded columns: REACH more on either side of the block's own.
        let left = block_column * side;
        let right = ((block_column + 1) * side).min(grid.columns) + 2 * REACH;
        let south = south.over(left..right);
        let north = Span {
            low: -south.high * per_rad_lat,
            high: -south.low * per_rad_lat,
        };
        let relief = relief.over(left..right).overshot().overshot();
        *block = Bound {
            relief_mm: Span {
                low: relief.low.max(curve.lowest_mm()),
                high: relief.high.min(curve.highest_mm()),
            },
            east: east.over(left..right - 3).overshot(),
            north: north.overshot(),
        };
    }
}

/// The lowest and highest slope of Keys' cubic between the middle two of four samples, per step.
///
/// The slope is a quadratic in t: extreme at the ends or at its vertex.
#[inline(always)]
fn slopes_between(p: [f64; 4]) -> (f64, f64) {
    let start = 0.5 * (p[2] - p[0]);
    let end = 0.5 * (p[3] - p[1]);
    // slope(t) = start + b t + a t²
    let rise = p[2] - p[1];
    let a = 3.0 * (start + end) - 6.0 * rise;
    let b = 6.0 * rise - 4.0 * start - 2.0 * end;
    // Not a number, and so not inside, where the slope is even.
    let vertex = -b / (2.0 * a);
    let inside = (vertex > 0.0) & (vertex < 1.0);
    let turning = if inside {
        start + vertex * (b + a * vertex)
    } else {
        start
    };
    (
        lesser(lesser(start, end), turning),
        greater(greater(start, end), turning),
    )
}

/// The smallest cosine of latitude where a row's samples are used: half a step nearer to the pole
/// than the row itself, and never zero.
fn smallest_cosine(grid: Layout, row: usize) -> f64 {
    let half = 0.5 * grid.step_lat_deg();
    let lat = (grid.lat_deg(row).abs() + half).min(90.0 - half);
    lat.to_radians().cos()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;
    use crate::model::grid::{Grid, Registration};
    use ndarray::Array2;

    fn identity(low: f64, high: f64) -> Curve {
        Curve {
            name: "linear".into(),
            knots_m: vec![low, high],
            knots_mm: vec![low, high],
        }
    }

    #[test]
    fn a_cap_sees_the_peak_inside_it_and_not_the_one_far_away() {
        for west_deg in [0.25, -179.75, 150.25] {
            let mut heights_m = Array2::zeros((360, 720));
            let grid = Grid {
                heights_m: heights_m.clone(),
                west_deg,
                registration: Registration::Pixel,
            };
            // A peak right at the wrap of this grid, whatever its start.
            heights_m[(100, 719)] = 5.0;
            let (lat, lon) = (grid.lat_deg(100), grid.lon_deg(719));
            let grid = Grid { heights_m, ..grid };
            let bounds = Bounds::new(&grid, &identity(0.0, 5.0));
            for away in [-0.9, 0.9] {
                let near = bounds.around(direction(lat, lon + away), 1f64.to_radians());
                assert_eq!(near.relief_mm.high, 5.0);
                assert!(near.steepest() > 5.0 / 0.5f64.to_radians());
            }
            let far = bounds.around(direction(-lat, lon), 1f64.to_radians());
            assert_eq!((far.relief_mm.high, far.steepest()), (0.0, 0.0));
            let pole = bounds.around(direction(90.0, 0.0), 60f64.to_radians());
            assert_eq!(pole.relief_mm.high, 5.0);
        }
    }

    #[test]
    fn slope_bounds_a_plane_wave_from_above_but_not_wildly() {
        // Relief 2 sin(8 lat): steepest 16 mm per radian, where the latitude is 0.
        let rows = 720;
        let grid = Grid {
            heights_m: Array2::from_shape_fn((rows, 1440), |(r, _)| {
                let lat = (90.0 - (r as f64 + 0.5) * 0.25f64).to_radians();
                (2.0 * (8.0 * lat).sin()) as f32
            }),
            west_deg: 0.0,
            registration: Registration::Pixel,
        };
        let bounds = Bounds::new(&grid, &identity(-2.0, 2.0));
        let bound = bounds.around(direction(0.0, 77.0), 0.01);
        assert!(bound.north.high >= 16.0 - 1e-3 && bound.north.high < 16.0 * 1.1);
    }
}
