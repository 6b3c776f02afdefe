//! Radial projection: the highest ground on each vertical line of a facet.
//!
//! The surface is P(û) = (B(û) + f(e(û)))·û. On the vertical line through (x, y) a point at
//! height Z above the globe's centre lies on it where
//!
//! ```text
//! sphere base:  |(x, y, Z)| = R + relief(direction of (x, y, Z))
//! flat base:    Z = d + relief · Z / |(x, y, Z)|
//!
//!        Z |      __
//!          |   __/  \_            a tool coming down the line meets the
//!          |  /     | \_____      highest of the surface's points on it
//!          | /      |
//!          +--------x--------
//! ```
//!
//! Three steps find it:
//!
//! 1. Everywhere, one sample and Newton's step find a point of the surface, with place and slope
//!    expected from the rows above ([`RowsAbove`]). Where it bends too much for that, fixed-point
//!    steps with Aitken's acceleration do, two samples at a time.
//! 2. Where the ground cannot be steep enough to fold under itself, which [`Bounds`] proves for
//!    whole tiles, that point is the only one. Elsewhere folds are looked for. Out along a line
//!    from the axis the ground under the pixels moves out too; where the surface folds back,
//!    whatever points were found must jump, for no continuous path leads on:
//!
//!    ```text
//!    ground |           ____        the S of a fold: three points over every pixel between
//!           |       ___/            b and a. Following any of them from left to right, one
//!           |     _/                has to jump up somewhere between b and a.
//!           |     \__
//!           |  ____  \
//!           | /    \_/
//!           +-----b---a------ pixel
//!    ```
//!
//! 3. Around every jump, as far as the height of the ground there lets the fold reach, a march
//!    from the top, never longer than the slope allows, finds the first hit and tells whether
//!    there is a second.

use super::above::RowsAbove;
use super::bounds::{Bound, Bounds, Span};
use super::facet::FacetSpec;
use super::sampler::{Directions, LANES, Sampler};
use crate::model::settings::Base;
use glam::{DVec2, DVec3};
use std::f64::consts::{PI, TAU};
use std::ops::Range;
use std::sync::atomic::{AtomicU64, Ordering};

/// Columns per tile whose slope is bounded together; its rows are those of a band.
const TILE_COLUMNS: usize = 64;

/// Columns and rows of the leaves a tile is cut into when the whole of it might fold.
const LEAF: (usize, usize) = (16, 8);

/// Directions away from the axis that differ by more than this over a tile are not told apart.
const MOST_SPREAD: f64 = 0.5;

/// Shortest step of a march, in pixels: thinner slivers of overhanging ground may be missed.
const SHORTEST_STEP_PX: f64 = 0.02;

/// Marches are sampled in groups of this many: the last lines of a band, which are few and may be
/// long, then do not cost as much as a full block each time.
const MARCH_LANES: usize = 16;

/// Ground that rises above the line below the first hit by less than this is not called undercut, mm.
const UNDERCUT_MM: f64 = 1e-3;

/// Samples after which a march gives up and takes what it has; far above what is ever needed.
const MOST_SAMPLES: u32 = 4000;

/// Ground that moves out by more than this many pixels from one pixel to the next is a jump, or so
/// near to one that a look does no harm. Unfolded level ground at the rim of the widest facets
/// moves by 1/cos θ.
const JUMP_PX: f64 = 2.0;

/// What is known of a band after the first step.
pub struct Band {
    leaves: Vec<PixelTile>,
    /// Lines whose fixed point has not settled, as indices into the band.
    unsettled: Vec<usize>,
}

/// Everything a facet's radial surface depends on.
pub struct Radial<'a> {
    sampler: &'a Sampler,
    bounds: &'a Bounds,
    pub(super) spec: &'a FacetSpec,
    whole: Bound,
}

/// A vertical line to march down.
#[derive(Clone, Copy)]
struct RadialMarch {
    index: usize,
    x: f64,
    y: f64,
    low: f64,
    /// Fastest that the ground can come nearer per mm of descent, and fall away below a hit.
    nears: f64,
    leaves: f64,
    stage: Stage,
    /// Where the ground is asked for next.
    z: f64,
    /// Heights just above and just below the ground, with how far above it they are.
    above: (f64, f64),
    below: (f64, f64),
    /// The first hit, once there is one.
    hit: f64,
    samples: u32,
}

#[derive(Clone, Copy, PartialEq)]
enum Stage {
    /// At the highest the ground can be.
    Top,
    /// Above the ground, going down.
    Descend,
    /// Between a point above ground and one below.
    Close,
    /// Below the first hit, looking for daylight.
    Under,
}

enum Outcome {
    Hit { z: f64, undercut: bool },
    Missed,
}

impl<'a> Radial<'a> {
    /// `whole` bounds the relief of the whole body.
    pub fn new(
        sampler: &'a Sampler,
        bounds: &'a Bounds,
        spec: &'a FacetSpec,
        (lowest_mm, highest_mm): (f64, f64),
    ) -> Self {
        let any = Span {
            low: f64::NEG_INFINITY,
            high: f64::INFINITY,
        };
        let whole = Bound {
            relief_mm: Span {
                low: lowest_mm,
                high: highest_mm,
            },
            east: any,
            north: any,
        };
        Radial {
            sampler,
            bounds,
            spec,
            whole,
        }
    }

    /// First step for rows `rows`, on a sphere or (`FLAT`) flat base:
    /// heights over the globe's centre into `z_mm`, whole rows of it; NaN where none was found.
    #[inline(always)]
    pub fn settle_band<const FLAT: bool>(&self, rows: Range<usize>, z_mm: &mut [f32]) -> Band {
        let width = self.spec.width_px;
        z_mm.fill(f32::NAN);
        let leaves = self.leaves::<FLAT>(rows.clone());
        let mut unsettled = Vec::new();
        let mut above = RowsAbove::none(width);
        for (i, row) in rows.enumerate() {
            let span = self.spec.drawn(row);
            let y = self.spec.y_mm(row);
            let mut first = span.start;
            above.next_row();
            while first < span.end {
                let count = LANES.min(span.end - first);
                let mut x = [0.0; LANES];
                for (lane, x) in x.iter_mut().enumerate() {
                    // Unused lanes repeat the last column: harmless and in range.
                    *x = self.spec.x_mm(first + lane.min(count - 1));
                }
                let z = self.settle::<FLAT>(&x, y, first, count, &above);
                above.keep(first, &z[..count]);
                let start = i * width + first;
                let line = &mut z_mm[start..][..count];
                let mut missing = false;
                for (line, z) in line.iter_mut().zip(z) {
                    *line = z as f32;
                    missing |= z.is_nan();
                }
                if missing {
                    let nowhere = (start..start + count).filter(|index| z_mm[*index].is_nan());
                    unsettled.extend(nowhere);
                }
                first += count;
            }
        }
        Band { leaves, unsettled }
    }

    /// Second step: the pixels of a band that must be marched, as (row, column), because the
    /// ground jumps near them. Looks at the rows around, so all of `z_mm` must hold the first
    /// step's heights.
    pub fn jumps(&self, rows: Range<usize>, band: &Band, z_mm: &[f32]) -> Vec<(usize, usize)> {
        let width = self.spec.width_px;
        let mut jumps: Vec<(usize, usize)> = band
            .unsettled
            .iter()
            .map(|index| (rows.start + index / width, index % width))
            .collect();
        let limit = JUMP_PX * self.spec.pixel_mm;
        for (i, row) in rows.clone().enumerate() {
            for (leaf, columns) in self.folding_leaves(band, (i, row)) {
                let reach = limit / leaf.nearest_mm(self.spec);
                for column in columns {
                    let Some(here) = self.ground(row, column, z_mm) else {
                        continue;
                    };
                    // All four neighbours: one beyond the leaf need not look back.
                    let neighbours = [
                        (row.wrapping_sub(1), column),
                        (row + 1, column),
                        (row, column.wrapping_sub(1)),
                        (row, column + 1),
                    ];
                    // Beyond the edge of what is drawn a fold that began inside may go on.
                    let far = |(row, column)| {
                        self.ground(row, column, z_mm)
                            .is_none_or(|there| here.distance_squared(there) > reach * reach)
                    };
                    if neighbours.into_iter().any(far) {
                        jumps.push((row, column));
                    }
                }
            }
        }
        jumps
    }

    /// Leaves of a band's row that may fold, with those of their columns that are drawn.
    fn folding_leaves<'b>(
        &self,
        band: &'b Band,
        (row_in_band, row): (usize, usize),
    ) -> impl Iterator<Item = (&'b PixelTile, Range<usize>)> {
        let across = self.spec.width_px.div_ceil(LEAF.0);
        let drawn = self.spec.drawn(row);
        band.leaves[row_in_band / LEAF.1 * across..][..across]
            .iter()
            .enumerate()
            .filter(|(_, leaf)| !leaf.unique)
            .map(move |(i, leaf)| {
                let (first, end) = (i * LEAF.0, (i + 1) * LEAF.0);
                (leaf, first.max(drawn.start)..end.min(drawn.end))
            })
    }

    /// Direction of the ground found under a pixel, facet frame.
    fn ground(&self, row: usize, column: usize, z_mm: &[f32]) -> Option<DVec3> {
        if row >= self.spec.height_px || column >= self.spec.width_px {
            return None;
        }
        let z = f64::from(z_mm[row * self.spec.width_px + column]);
        let place = DVec3::new(self.spec.x_mm(column), self.spec.y_mm(row), z);
        (!z.is_nan()).then(|| place.normalize_or(DVec3::Z))
    }

    /// Marks every pixel that a fold seen at a jump may reach: as far in and out along the line
    /// from the axis as ground of the height found around there can be displaced.
    pub fn mark(&self, jump: (usize, usize), leaf: &PixelTile, marks: &Marks) {
        let spec = self.spec;
        let place = DVec2::new(spec.x_mm(jump.1), spec.y_mm(jump.0));
        let rho = place.length();
        let sin = (rho / leaf.nearest_mm(spec)).min(1.0);
        let relief = leaf.bound.relief_mm;
        let reach_px = ((relief.high - relief.low) * sin / spec.pixel_mm).ceil() + 2.0;
        let step = place / rho.max(spec.pixel_mm);
        for i in -(reach_px as isize)..=reach_px as isize {
            let column = jump.1 as f64 + step.x * i as f64;
            let row = jump.0 as f64 - step.y * i as f64;
            if column < -1.0 || row < -1.0 {
                continue;
            }
            // The line runs between pixels: take those on both sides of it. One is added, so that
            // cutting off the fraction rounds down.
            let (row, column) = ((row + 1.0) as usize, (column + 1.0) as usize);
            for (row, column) in [(row, column), (row + 1, column + 1)] {
                for column in column.saturating_sub(1)..=column + 1 {
                    if (1..=spec.height_px).contains(&row) && (1..=spec.width_px).contains(&column)
                    {
                        marks.set(row - 1, column - 1);
                    }
                }
            }
        }
    }

    /// What is known around a pixel of a band.
    pub fn leaf<'b>(&self, band: &'b Band, row_in_band: usize, column: usize) -> &'b PixelTile {
        let across = self.spec.width_px.div_ceil(LEAF.0);
        &band.leaves[row_in_band / LEAF.1 * across + column / LEAF.0]
    }

    /// Third step: marches the pixels of a band that are marked and may fold, or have not settled.
    /// Returns those where the surface is undercut, counted from the band's first.
    #[inline(always)]
    pub fn march_band<const FLAT: bool>(
        &self,
        rows: Range<usize>,
        band: &Band,
        marks: &Marks,
        z_mm: &mut [f32],
    ) -> Vec<usize> {
        let width = self.spec.width_px;
        let mut places = band.unsettled.clone();
        for (i, row) in rows.clone().enumerate() {
            for (_, columns) in self.folding_leaves(band, (i, row)) {
                let marked = columns.filter(|column| marks.get(row, *column));
                places.extend(marked.map(|column| i * width + column));
            }
        }
        places.sort_unstable();
        places.dedup();
        let mut marches = Vec::new();
        for index in places {
            let (row, column) = (index / width, index % width);
            let (x, y) = (self.spec.x_mm(column), self.spec.y_mm(rows.start + row));
            z_mm[index] = f32::NAN;
            marches.extend(self.march::<FLAT>(index, x, y, self.leaf(band, row, column)));
        }
        self.run_marches::<FLAT>(marches, z_mm)
    }

    /// Relief in the directions of the first `count` points, facet frame.
    #[inline(always)]
    pub(super) fn relief_of_first(
        &self,
        count: usize,
        x: &[f64; LANES],
        y: &[f64; LANES],
        z: &[f64; LANES],
        relief: &mut [f32; LANES],
    ) {
        let mut directions = Directions::default();
        let (fx, fy, fz) = (self.spec.frame.x, self.spec.frame.y, self.spec.frame.z);
        for lane in 0..count.min(LANES) {
            let (x, y, z) = (x[lane], y[lane], z[lane]);
            directions.x[lane] = x.mul_add(fx.x, y.mul_add(fy.x, z * fz.x));
            directions.y[lane] = x.mul_add(fx.y, y.mul_add(fy.y, z * fz.y));
            directions.z[lane] = x.mul_add(fx.z, y.mul_add(fy.z, z * fz.z));
        }
        self.sampler.relief_of_first(count, &directions, relief);
    }

    /// Lowest and highest Z the surface can have on a line at distance √rho2 from the axis.
    fn z_range<const FLAT: bool>(&self, bound: &Bound, rho2: f64) -> Option<(f64, f64)> {
        if FLAT {
            let d = self.spec.base_distance_mm;
            // The factor Z/|P| lies between 0 and 1.
            return Some((
                d + bound.relief_mm.low.min(0.0),
                d + bound.relief_mm.high.max(0.0),
            ));
        }
        let z = |relief: f64| {
            let reach = self.spec.radius_mm + relief;
            reach.mul_add(reach, -rho2)
        };
        let high = z(bound.relief_mm.high);
        (high >= 0.0).then(|| (z(bound.relief_mm.low).max(0.0).sqrt(), high.sqrt()))
    }

    /// What is known of each leaf of a band, row by row: from its tile where that cannot fold,
    /// else from its own, smaller patch of ground.
    fn leaves<const FLAT: bool>(&self, rows: Range<usize>) -> Vec<PixelTile> {
        let spans: Vec<_> = rows
            .clone()
            .map(|row| self.spec.drawn(row))
            .filter(|s| !s.is_empty())
            .collect();
        let first = spans.iter().map(|s| s.start).min().unwrap_or(0);
        let end = spans.iter().map(|s| s.end).max().unwrap_or(0);
        let across = self.spec.width_px.div_ceil(LEAF.0);
        let unknown = PixelTile {
            bound: self.whole,
            falls: f64::INFINITY,
            rises: f64::INFINITY,
            unique: false,
        };
        let mut leaves = vec![unknown; across * rows.len().div_ceil(LEAF.1)];
        let within = |start: usize, size: usize| start.max(first)..(start + size).min(end);
        for left in (0..self.spec.width_px).step_by(TILE_COLUMNS) {
            let columns = within(left, TILE_COLUMNS);
            if columns.is_empty() {
                continue;
            }
            let tile = self.tile_bound::<FLAT>(columns, rows.clone());
            for (i, top) in rows.clone().step_by(LEAF.1).enumerate() {
                for left in (left..left + TILE_COLUMNS).step_by(LEAF.0) {
                    let columns = within(left, LEAF.0);
                    if columns.is_empty() {
                        continue;
                    }
                    leaves[i * across + left / LEAF.0] = if tile.unique {
                        tile
                    } else {
                        self.tile_bound::<FLAT>(columns, top..(top + LEAF.1).min(rows.end))
                    };
                }
            }
        }
        leaves
    }

    /// Bounds the ground that the vertical lines of a tile can meet, and tells whether each of
    /// them meets the surface just once.
    fn tile_bound<const FLAT: bool>(&self, columns: Range<usize>, rows: Range<usize>) -> PixelTile {
        let xs = [
            self.spec.x_mm(columns.start),
            self.spec.x_mm(columns.end - 1),
        ];
        let ys = [self.spec.y_mm(rows.start), self.spec.y_mm(rows.end - 1)];
        let corners = [
            (xs[0], ys[0]),
            (xs[1], ys[0]),
            (xs[0], ys[1]),
            (xs[1], ys[1]),
        ];
        let mut bound = self.whole;
        // From the second time on the region is that of the ground found before, not of all.
        for _ in 0..3 {
            let mut points = [DVec3::Z; 8];
            for (i, &(x, y)) in corners.iter().enumerate() {
                let (low, high) = self
                    .z_range::<FLAT>(&bound, x * x + y * y)
                    .unwrap_or((0.0, 0.0));
                points[2 * i] = DVec3::new(x, y, low).normalize_or(DVec3::Z);
                points[2 * i + 1] = DVec3::new(x, y, high).normalize_or(DVec3::Z);
            }
            let centre = points.iter().sum::<DVec3>().normalize_or(DVec3::Z);
            let radius = points
                .iter()
                .map(|p| p.angle_between(centre))
                .fold(0.0, f64::max);
            bound = self
                .bounds
                .around(self.spec.frame.to_body(centre), radius + 1e-6);
        }
        let rho = corners.iter().map(|&(x, y)| x.hypot(y)).fold(0.0, f64::max);
        let (falls, rises) = self.outward_slopes(&bound, &corners);
        PixelTile {
            bound,
            falls,
            rises,
            unique: self.cannot_fold::<FLAT>(&bound, falls, rho),
        }
    }

    /// The fastest fall and rise of the ground away from the facet's axis over a tile, mm per
    /// radian.
    fn outward_slopes(&self, bound: &Bound, corners: &[(f64, f64); 4]) -> (f64, f64) {
        // Away from the axis is another direction at every corner: take the middle of the tile
        // and how far the corners stray from it, in the ground's own east and north.
        let azimuth = |x: f64, y: f64| {
            let rho = x.hypot(y);
            let z = (self.spec.radius_mm * self.spec.radius_mm - rho * rho)
                .max(0.0)
                .sqrt();
            let place = self
                .spec
                .frame
                .to_body(DVec3::new(x, y, z).normalize_or(DVec3::Z));
            let outward = self.spec.frame.to_body(DVec3::new(x, y, 0.0));
            let east = DVec3::Z.cross(place);
            let north = place.cross(east);
            // Both axes are as long as the cosine of latitude: the angle is right all the same.
            outward.dot(north).atan2(outward.dot(east))
        };
        let middle = azimuth(
            0.5 * (corners[0].0 + corners[3].0),
            0.5 * (corners[0].1 + corners[3].1),
        );
        let spread = corners
            .iter()
            .map(|&(x, y)| {
                let turned = (azimuth(x, y) - middle).rem_euclid(TAU);
                turned.min(TAU - turned)
            })
            .fold(0.0, f64::max);
        // Half as much again for what lies between the corners and on ground of other heights;
        // near the axis or a pole every direction may occur.
        if spread > MOST_SPREAD {
            return (bound.steepest(), bound.steepest());
        }
        let spread = 1.5 * spread + 0.01;
        (
            bound.falls_towards(middle, spread),
            bound.falls_towards(middle + PI, spread),
        )
    }

    /// Whether the lateral distance |P| sin θ grows with θ all over a patch out to `rho`:
    /// sphere: slope · sin θ < |P| cos θ;  flat: slope · sin θ < d / cos²θ + relief · cos θ.
    fn cannot_fold<const FLAT: bool>(&self, bound: &Bound, falls: f64, rho: f64) -> bool {
        if FLAT {
            let nearest = self.spec.base_distance_mm + bound.relief_mm.low.min(0.0);
            let sin = rho / rho.hypot(nearest);
            return nearest > 0.0 && falls * sin < nearest;
        }
        let reach = self.spec.radius_mm + bound.relief_mm.low;
        if rho >= 0.999 * reach {
            return false;
        }
        falls * rho < reach * (reach * reach - rho * rho).sqrt()
    }

    fn march<const FLAT: bool>(
        &self,
        index: usize,
        x: f64,
        y: f64,
        tile: &PixelTile,
    ) -> Option<RadialMarch> {
        let rho2 = x * x + y * y;
        let (low, high) = self.z_range::<FLAT>(&tile.bound, rho2)?;
        let nearest = tile.nearest_mm(self.spec);
        let sin = (rho2.sqrt() / nearest).min(1.0);
        let tallest = tile.bound.relief_mm.size();
        let flat = if FLAT { tallest / nearest } else { 0.0 };
        let change = |slope: f64| slope.max(0.0) * sin / nearest + flat;
        Some(RadialMarch {
            index,
            x,
            y,
            low,
            nears: 1.0 + change(tile.rises),
            // Below a hit the line itself goes deeper by cos θ at least; not counted.
            leaves: change(tile.falls) + 1e-3,
            stage: Stage::Top,
            z: high,
            above: (high, 0.0),
            below: (low, 0.0),
            hit: low,
            samples: 0,
        })
    }

    /// How far a point is above the surface, as the march measures it, mm.
    #[inline(always)]
    fn residual<const FLAT: bool>(&self, relief: f64, z: f64, rho2: f64) -> f64 {
        let length = z.mul_add(z, rho2).sqrt();
        if FLAT {
            z - self.spec.base_distance_mm - relief * z / length
        } else {
            length - self.spec.radius_mm - relief
        }
    }

    /// Runs all marches of a band, a block of lines at a time; a line that is done makes room
    /// for the next. Lines near each other are cheaper to sample, so they go together.
    #[inline(always)]
    fn run_marches<const FLAT: bool>(
        &self,
        mut waiting: Vec<RadialMarch>,
        z_mm: &mut [f32],
    ) -> Vec<usize> {
        let mut undercut = Vec::new();
        let shortest = SHORTEST_STEP_PX * self.spec.pixel_mm;
        waiting.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.index.cmp(&b.index)));
        let mut active = waiting.split_off(waiting.len().saturating_sub(LANES));
        let mut residuals = [0.0; LANES];
        while let Some(last) = active.last() {
            // Idle lanes of the last group repeat the last line.
            let (mut x, mut y, mut z) = ([last.x; LANES], [last.y; LANES], [last.z; LANES]);
            for (lane, march) in active.iter().enumerate() {
                (x[lane], y[lane], z[lane]) = (march.x, march.y, march.z);
            }
            let count = active.len().next_multiple_of(MARCH_LANES).min(LANES);
            let mut relief = [0f32; LANES];
            self.relief_of_first(count, &x, &y, &z, &mut relief);
            for lane in 0..count {
                let rho2 = x[lane].mul_add(x[lane], y[lane] * y[lane]);
                residuals[lane] = self.residual::<FLAT>(f64::from(relief[lane]), z[lane], rho2);
            }
            let mut lane = 0;
            while let Some(march) = active.get_mut(lane) {
                let Some(outcome) = march.step(residuals[lane], shortest) else {
                    march.samples += 1;
                    lane += 1;
                    continue;
                };
                if let Outcome::Hit { z, undercut: folds } = outcome {
                    z_mm[march.index] = z as f32;
                    if folds {
                        undercut.push(march.index);
                    }
                }
                if let Some(next) = waiting.pop() {
                    *march = next;
                    lane += 1;
                } else {
                    active.swap_remove(lane);
                    residuals[lane] = residuals[active.len()];
                }
            }
        }
        undercut
    }
}

/// A mark on some pixels of an image, one bit each. A mark is only ever set, so the order in which
/// threads set theirs cannot matter.
pub struct Marks {
    words: Vec<AtomicU64>,
    words_per_row: usize,
}

impl Marks {
    /// None set.
    pub fn new(spec: &FacetSpec) -> Marks {
        let words_per_row = spec.width_px.div_ceil(64);
        let mut words = Vec::new();
        words.resize_with(words_per_row * spec.height_px, || AtomicU64::new(0));
        Marks {
            words,
            words_per_row,
        }
    }

    fn set(&self, row: usize, column: usize) {
        let word = &self.words[row * self.words_per_row + column / 64];
        let bit = 1 << (column % 64);
        // Folds mark the same pixels over and over: reading is cheaper.
        if word.load(Ordering::Relaxed) & bit == 0 {
            word.fetch_or(bit, Ordering::Relaxed);
        }
    }

    fn get(&self, row: usize, column: usize) -> bool {
        let word = &self.words[row * self.words_per_row + column / 64];
        word.load(Ordering::Relaxed) >> (column % 64) & 1 == 1
    }
}

/// What is known of a tile or leaf.
#[derive(Clone, Copy)]
pub struct PixelTile {
    bound: Bound,
    /// Fastest fall and rise away from the axis, mm per radian.
    falls: f64,
    rises: f64,
    unique: bool,
}

impl PixelTile {
    /// Least distance of its ground from the globe's centre, mm.
    fn nearest_mm(&self, spec: &FacetSpec) -> f64 {
        match spec.base {
            Base::Sphere => spec.radius_mm + self.bound.relief_mm.low,
            Base::Flat => spec.base_distance_mm + self.bound.relief_mm.low.min(0.0),
        }
    }
}

impl RadialMarch {
    /// One step, given how far the point is above the surface; `None` while there is more to do.
    #[inline(always)]
    fn step(&mut self, residual: f64, shortest: f64) -> Option<Outcome> {
        let tired = self.samples >= MOST_SAMPLES;
        let z = self.z;
        match self.stage {
            Stage::Top if residual <= 0.0 => self.look_below(z, shortest),
            Stage::Descend if residual <= 0.0 => {
                self.stage = Stage::Close;
                self.below = (z, residual);
                self.close(shortest)
            }
            Stage::Top | Stage::Descend => {
                if z <= self.low || tired {
                    // At the foot of the range a residual of rounding size is a hit.
                    return Some(if residual < 1e-3 {
                        Outcome::Hit { z, undercut: false }
                    } else {
                        Outcome::Missed
                    });
                }
                self.stage = Stage::Descend;
                self.above = (z, residual);
                self.z = (z - (residual / self.nears).max(shortest)).max(self.low);
                None
            }
            Stage::Close => {
                // Illinois: halve the weight of the end that stays.
                if residual > 0.0 {
                    self.above = (z, residual);
                    self.below.1 *= 0.5;
                } else {
                    self.above.1 *= 0.5;
                    self.below = (z, residual);
                }
                if residual.abs() < 1e-6 || tired {
                    return self.look_below(z, shortest);
                }
                self.close(shortest)
            }
            Stage::Under => {
                let undercut = residual > UNDERCUT_MM;
                if undercut || z <= self.low || tired {
                    return Some(Outcome::Hit {
                        z: self.hit,
                        undercut,
                    });
                }
                self.z = (z - (-residual / self.leaves).max(shortest)).max(self.low);
                None
            }
        }
    }

    /// Goes on between a point above the surface and one below.
    #[inline(always)]
    fn close(&mut self, shortest: f64) -> Option<Outcome> {
        let width = self.above.0 - self.below.0;
        if width < 1e-6 {
            return self.look_below(self.below.0, shortest);
        }
        let part = self.above.1 / (self.above.1 - self.below.1);
        self.z = self.above.0 - part * width;
        None
    }

    /// Starts looking below a hit.
    #[inline(always)]
    fn look_below(&mut self, hit: f64, shortest: f64) -> Option<Outcome> {
        if hit - shortest <= self.low {
            return Some(Outcome::Hit {
                z: hit,
                undercut: false,
            });
        }
        self.stage = Stage::Under;
        self.hit = hit;
        self.z = hit - shortest;
        None
    }
}
