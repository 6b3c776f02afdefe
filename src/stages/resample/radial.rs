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
//! Where the ground cannot be steep enough to fold under itself, which [`Bounds`] proves for a
//! whole tile at a time, there is just one such point and a fixed-point step with Aitken's
//! acceleration finds it in two samples, starting from the pixel above. Everywhere else a march
//! from the top, never longer than the slope allows, finds the first hit and tells whether there
//! is a second.

use super::bounds::{Bound, Bounds};
use super::facet::FacetSpec;
use super::sampler::{Directions, LANES, Sampler};
use glam::DVec3;

/// Columns per tile whose slope is bounded together; its rows are those of a band.
const TILE_COLUMNS: usize = 64;

/// Aitken's step is trusted when the last two heights were this close, mm. Its error is about
/// the curvature of the ground times the square of this: below a level of a 16-bit image.
const NEAR_MM: f64 = 0.02;

/// A fixed-point step this small needs no acceleration, mm.
const SETTLED_MM: f64 = 2e-5;

/// A line whose fixed point has not settled after this many rounds is marched instead.
const MOST_ROUNDS: usize = 8;

/// Shortest step of a march, in pixels: thinner slivers of overhanging ground may be missed.
const SHORTEST_STEP_PX: f64 = 0.02;

/// Ground that rises above the line below the first hit by less than this is not called undercut, mm.
const UNDERCUT_MM: f64 = 1e-3;

/// Samples after which a march gives up and takes what it has; far above what is ever needed.
const MOST_SAMPLES: u32 = 4000;

/// What drawing a band of rows yields.
pub struct Band {
    /// Heights above the globe's centre, mm, row by row over the whole width; NaN where the
    /// line passes the globe by or was not asked for.
    pub z_mm: Vec<f32>,
    /// Per pixel: the surface folds under itself here.
    pub undercut: Vec<bool>,
}

/// Everything a facet's radial surface depends on.
pub struct Radial<'a> {
    sampler: &'a Sampler,
    bounds: &'a Bounds,
    spec: &'a FacetSpec,
    whole: Bound,
}

/// A vertical line to march down.
#[derive(Clone, Copy)]
struct March {
    index: usize,
    x: f64,
    y: f64,
    low: f64,
    /// Steepest possible change of the residual per mm of descent.
    steepest: f64,
    phase: Phase,
    samples: u32,
}

#[derive(Clone, Copy)]
enum Phase {
    /// Above the ground, going down.
    Descend { z: f64, above: Option<(f64, f64)> },
    /// Between a point above ground and one below.
    Close {
        z: f64,
        above: (f64, f64),
        below: (f64, f64),
    },
    /// Below the first hit, looking for daylight.
    Under { z: f64, hit: f64 },
}

impl Phase {
    fn z(&self) -> f64 {
        match *self {
            Phase::Descend { z, .. } | Phase::Close { z, .. } | Phase::Under { z, .. } => z,
        }
    }
}

enum Outcome {
    Go(Phase),
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
        let whole = Bound {
            lowest_mm,
            highest_mm,
            slope_mm_per_rad: f64::INFINITY,
        };
        Radial {
            sampler,
            bounds,
            spec,
            whole,
        }
    }

    /// Draws rows `rows`, columns `span(row)` each, on a sphere or (`FLAT`) flat base.
    #[inline(always)]
    pub fn band<const FLAT: bool>(
        &self,
        rows: std::ops::Range<usize>,
        span: impl Fn(usize) -> std::ops::Range<usize>,
    ) -> Band {
        let width = self.spec.width_px;
        let mut band = Band {
            z_mm: vec![f32::NAN; width * rows.len()],
            undercut: vec![false; width * rows.len()],
        };
        let tiles = self.tile_bounds::<FLAT>(rows.clone(), &span);
        // Relief found on the row above, the start for the next.
        let mut above: Vec<f64> = vec![0.0; width];
        let mut marches = Vec::new();
        for (i, row) in rows.enumerate() {
            let span = span(row);
            let y = self.spec.y_mm(row);
            let mut first = span.start;
            while first < span.end {
                let count = LANES.min(span.end - first);
                let mut x = [0.0; LANES];
                for (lane, x) in x.iter_mut().enumerate() {
                    // Unused lanes repeat the last column: harmless and in range.
                    *x = self.spec.x_mm(first + lane.min(count - 1));
                }
                let mut relief = [0.0; LANES];
                relief[..count].copy_from_slice(&above[first..first + count]);
                let mut z = [0.0; LANES];
                let settled = self.settle::<FLAT>(&x, y, &mut relief, &mut z, count);
                above[first..first + count].copy_from_slice(&relief[..count]);
                for lane in 0..count {
                    let column = first + lane;
                    let index = i * width + column;
                    let tile = &tiles[column / TILE_COLUMNS];
                    if tile.unique && settled[lane] {
                        band.z_mm[index] = z[lane] as f32;
                    } else {
                        marches.extend(self.march::<FLAT>(index, x[lane], y, tile));
                    }
                }
                first += count;
            }
        }
        self.run_marches::<FLAT>(marches, &mut band);
        band
    }

    /// Two samples and Aitken's step for every lane; more rounds for the few that need them.
    #[inline(always)]
    fn settle<const FLAT: bool>(
        &self,
        x: &[f64; LANES],
        y: f64,
        relief: &mut [f64; LANES],
        z: &mut [f64; LANES],
        count: usize,
    ) -> [bool; LANES] {
        let ys = [y; LANES];
        for lane in 0..LANES {
            z[lane] = self.start::<FLAT>(relief[lane], x[lane].mul_add(x[lane], y * y));
        }
        let mut settled = self.round::<FLAT>(x, &ys, z, relief);
        for _ in 1..MOST_ROUNDS {
            // Gather the unsettled lanes to the front of a block of their own.
            let mut lanes = [0usize; LANES];
            let mut left = 0;
            for (lane, _) in settled[..count].iter().enumerate().filter(|(_, s)| !**s) {
                lanes[left] = lane;
                left += 1;
            }
            if left == 0 {
                break;
            }
            let mut few_x = *x;
            let mut few_z = *z;
            let mut few_relief = *relief;
            for (slot, &lane) in lanes[..left].iter().enumerate() {
                (few_x[slot], few_z[slot], few_relief[slot]) = (x[lane], z[lane], relief[lane]);
            }
            let few = self.round::<FLAT>(&few_x, &ys, &mut few_z, &mut few_relief);
            for (slot, &lane) in lanes[..left].iter().enumerate() {
                z[lane] = few_z[slot];
                relief[lane] = few_relief[slot];
                settled[lane] = few[slot];
            }
        }
        settled
    }

    /// Two fixed-point steps and one of Aitken's; true where the result can be trusted.
    #[inline(always)]
    fn round<const FLAT: bool>(
        &self,
        x: &[f64; LANES],
        y: &[f64; LANES],
        z: &mut [f64; LANES],
        relief: &mut [f64; LANES],
    ) -> [bool; LANES] {
        let mut z1 = [0.0; LANES];
        let mut z2 = [0.0; LANES];
        let mut found = [0f32; LANES];
        self.relief_at(x, y, z, &mut found);
        for lane in 0..LANES {
            let rho2 = x[lane].mul_add(x[lane], y[lane] * y[lane]);
            z1[lane] = self.lift::<FLAT>(f64::from(found[lane]), z[lane], rho2);
        }
        self.relief_at(x, y, &z1, &mut found);
        let mut settled = [false; LANES];
        for lane in 0..LANES {
            let rho2 = x[lane].mul_add(x[lane], y[lane] * y[lane]);
            z2[lane] = self.lift::<FLAT>(f64::from(found[lane]), z1[lane], rho2);
            let (d1, d2) = (z1[lane] - z[lane], z2[lane] - z1[lane]);
            let ratio = if d1.abs() > SETTLED_MM { d2 / d1 } else { 0.0 };
            let ratio = ratio.clamp(-2.0, 0.8);
            z[lane] = z1[lane] + d2 / (1.0 - ratio);
            relief[lane] = f64::from(found[lane]);
            settled[lane] = (d2.abs() < SETTLED_MM) | ((d1.abs() < NEAR_MM) & (d2.abs() < NEAR_MM));
        }
        settled
    }

    /// Height of the surface over the globe's centre if the relief there were `relief`: exact at
    /// the fixed point.
    #[inline(always)]
    fn lift<const FLAT: bool>(&self, relief: f64, z: f64, rho2: f64) -> f64 {
        if FLAT {
            relief.mul_add(z / z.mul_add(z, rho2).sqrt(), self.spec.base_distance_mm)
        } else {
            let reach = self.spec.radius_mm + relief;
            reach.mul_add(reach, -rho2).max(0.0).sqrt()
        }
    }

    #[inline(always)]
    fn start<const FLAT: bool>(&self, relief: f64, rho2: f64) -> f64 {
        self.lift::<FLAT>(relief, self.spec.base_distance_mm, rho2)
    }

    /// Relief in the directions of points in the facet frame.
    #[inline(always)]
    fn relief_at(
        &self,
        x: &[f64; LANES],
        y: &[f64; LANES],
        z: &[f64; LANES],
        relief: &mut [f32; LANES],
    ) {
        let mut directions = Directions::default();
        let (fx, fy, fz) = (self.spec.frame.x, self.spec.frame.y, self.spec.frame.z);
        for lane in 0..LANES {
            let (x, y, z) = (x[lane], y[lane], z[lane]);
            directions.x[lane] = x.mul_add(fx.x, y.mul_add(fy.x, z * fz.x));
            directions.y[lane] = x.mul_add(fx.y, y.mul_add(fy.y, z * fz.y));
            directions.z[lane] = x.mul_add(fx.z, y.mul_add(fy.z, z * fz.z));
        }
        self.sampler.relief_block(&directions, relief);
    }

    /// Lowest and highest Z the surface can have on a line at distance √rho2 from the axis.
    fn z_range<const FLAT: bool>(&self, bound: &Bound, rho2: f64) -> Option<(f64, f64)> {
        if FLAT {
            let d = self.spec.base_distance_mm;
            // The factor Z/|P| lies between 0 and 1.
            return Some((d + bound.lowest_mm.min(0.0), d + bound.highest_mm.max(0.0)));
        }
        let z = |relief: f64| {
            let reach = self.spec.radius_mm + relief;
            reach.mul_add(reach, -rho2)
        };
        let high = z(bound.highest_mm);
        (high >= 0.0).then(|| (z(bound.lowest_mm).max(0.0).sqrt(), high.sqrt()))
    }

    fn tile_bounds<const FLAT: bool>(
        &self,
        rows: std::ops::Range<usize>,
        span: impl Fn(usize) -> std::ops::Range<usize>,
    ) -> Vec<Tile> {
        let spans: Vec<_> = rows.clone().map(span).filter(|s| !s.is_empty()).collect();
        let first = spans.iter().map(|s| s.start).min().unwrap_or(0);
        let end = spans.iter().map(|s| s.end).max().unwrap_or(0);
        (0..self.spec.width_px.div_ceil(TILE_COLUMNS))
            .map(|tile| {
                let left = (tile * TILE_COLUMNS).max(first);
                let right = ((tile + 1) * TILE_COLUMNS).min(end);
                if left < right {
                    self.tile_bound::<FLAT>(left..right, rows.clone())
                } else {
                    Tile {
                        bound: self.whole,
                        unique: false,
                    }
                }
            })
            .collect()
    }

    /// Bounds the ground that the vertical lines of a tile can meet, and tells whether each of
    /// them meets the surface just once.
    fn tile_bound<const FLAT: bool>(
        &self,
        columns: std::ops::Range<usize>,
        rows: std::ops::Range<usize>,
    ) -> Tile {
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
        // The second time the region is that of the ground found the first time, not of all.
        for _ in 0..2 {
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
        Tile {
            bound,
            unique: self.cannot_fold::<FLAT>(&bound, rho),
        }
    }

    /// Whether the lateral distance |P| sin θ grows with θ all over a patch out to `rho`:
    /// sphere: slope · sin θ < |P| cos θ;  flat: slope · sin θ < d / cos²θ + relief · cos θ.
    fn cannot_fold<const FLAT: bool>(&self, bound: &Bound, rho: f64) -> bool {
        if FLAT {
            let nearest = self.spec.base_distance_mm + bound.lowest_mm.min(0.0);
            let sin = rho / rho.hypot(nearest);
            return nearest > 0.0 && bound.slope_mm_per_rad * sin < nearest;
        }
        let reach = self.spec.radius_mm + bound.lowest_mm;
        if rho >= 0.999 * reach {
            return false;
        }
        bound.slope_mm_per_rad * rho < reach * (reach * reach - rho * rho).sqrt()
    }

    fn march<const FLAT: bool>(&self, index: usize, x: f64, y: f64, tile: &Tile) -> Option<March> {
        let rho2 = x * x + y * y;
        let (low, high) = self.z_range::<FLAT>(&tile.bound, rho2)?;
        let nearest = if FLAT {
            low
        } else {
            self.spec.radius_mm + tile.bound.lowest_mm
        };
        let sin = (rho2.sqrt() / nearest).min(1.0);
        let tallest = tile.bound.highest_mm.abs().max(tile.bound.lowest_mm.abs());
        let steepest = 1.0
            + tile.bound.slope_mm_per_rad * sin / nearest
            + if FLAT { tallest / nearest } else { 0.0 };
        Some(March {
            index,
            x,
            y,
            low,
            steepest,
            phase: Phase::Descend {
                z: high,
                above: None,
            },
            samples: 0,
        })
    }

    /// How far a point is above the surface, as the march measures it, mm.
    #[inline(always)]
    fn residual<const FLAT: bool>(&self, march: &March, relief: f64) -> f64 {
        let z = march.phase.z();
        let rho2 = march.x.mul_add(march.x, march.y * march.y);
        let length = z.mul_add(z, rho2).sqrt();
        if FLAT {
            z - self.spec.base_distance_mm - relief * z / length
        } else {
            length - self.spec.radius_mm - relief
        }
    }

    /// Runs all marches of a band, a block of lines at a time; a line that is done makes room
    /// for the next.
    #[inline(always)]
    fn run_marches<const FLAT: bool>(&self, mut waiting: Vec<March>, band: &mut Band) {
        let shortest = SHORTEST_STEP_PX * self.spec.pixel_mm;
        let mut active: Vec<March> = Vec::with_capacity(LANES);
        loop {
            while active.len() < LANES
                && let Some(march) = waiting.pop()
            {
                active.push(march);
            }
            if active.is_empty() {
                return;
            }
            let (mut x, mut y, mut z) = ([0.0; LANES], [0.0; LANES], [1.0; LANES]);
            for (lane, march) in active.iter().enumerate() {
                (x[lane], y[lane], z[lane]) = (march.x, march.y, march.phase.z());
            }
            let mut relief = [0f32; LANES];
            self.relief_at(&x, &y, &z, &mut relief);
            let mut lane = 0;
            active.retain_mut(|march| {
                let residual = self.residual::<FLAT>(march, f64::from(relief[lane]));
                lane += 1;
                match advance(march, residual, shortest) {
                    Outcome::Go(phase) => {
                        march.phase = phase;
                        march.samples += 1;
                        true
                    }
                    Outcome::Hit { z, undercut } => {
                        band.z_mm[march.index] = z as f32;
                        band.undercut[march.index] = undercut;
                        false
                    }
                    Outcome::Missed => false,
                }
            });
        }
    }
}

/// What is known of a tile.
struct Tile {
    bound: Bound,
    unique: bool,
}

/// One step of a march, given how far the point is above the surface.
fn advance(march: &March, residual: f64, shortest: f64) -> Outcome {
    let tired = march.samples >= MOST_SAMPLES;
    match march.phase {
        Phase::Descend { z, above } => {
            if residual <= 0.0 {
                return match above {
                    None => under(march, z, shortest),
                    Some(above) => close(march, above, (z, residual), shortest),
                };
            }
            if z <= march.low || tired {
                // At the foot of the range a residual of rounding size is a hit.
                return if residual < 1e-3 {
                    Outcome::Hit { z, undercut: false }
                } else {
                    Outcome::Missed
                };
            }
            let step = (residual / march.steepest).max(shortest);
            Outcome::Go(Phase::Descend {
                z: (z - step).max(march.low),
                above: Some((z, residual)),
            })
        }
        Phase::Close { z, above, below } => {
            let (above, below) = if residual > 0.0 {
                // Illinois: halve the weight of the end that stays.
                ((z, residual), (below.0, 0.5 * below.1))
            } else {
                ((above.0, 0.5 * above.1), (z, residual))
            };
            if residual.abs() < 1e-6 || tired {
                return under(march, z, shortest);
            }
            close(march, above, below, shortest)
        }
        Phase::Under { z, hit } => {
            if residual > UNDERCUT_MM {
                return Outcome::Hit {
                    z: hit,
                    undercut: true,
                };
            }
            if z <= march.low || tired {
                return Outcome::Hit {
                    z: hit,
                    undercut: false,
                };
            }
            let step = (-residual / march.steepest).max(shortest);
            Outcome::Go(Phase::Under {
                z: (z - step).max(march.low),
                hit,
            })
        }
    }
}

/// Next point between one above and one below the surface.
fn close(march: &March, above: (f64, f64), below: (f64, f64), shortest: f64) -> Outcome {
    let width = above.0 - below.0;
    if width < 1e-6 {
        return under(march, below.0, shortest);
    }
    let part = above.1 / (above.1 - below.1);
    Outcome::Go(Phase::Close {
        z: above.0 - part * width,
        above,
        below,
    })
}

/// Starts looking below a hit.
fn under(march: &March, hit: f64, shortest: f64) -> Outcome {
    if hit - shortest <= march.low {
        return Outcome::Hit {
            z: hit,
            undercut: false,
        };
    }
    Outcome::Go(Phase::Under {
        z: hit - shortest,
        hit,
    })
}
