//! Keeps ground from being undercut on the facets of a solid.
//!
//! At an angle α from a facet's normal n, radial relief f leans over once, going outward,
//!
//! ```text
//!                     d            the lateral distance from the axis no longer grows:
//!   B(α) + f'(α)·sin α ≤ 0         B = (R + f)·cos α on a ball, d/cos²α + f·cos α on a flat base
//! ```
//!
//! Only ground that falls away from the facet's middle can do so, and the more easily the nearer
//! it lies to a corner. A steepest slope for the whole ball would flatten everything on a solid
//! with few faces; instead, the fall away from the middle alone is limited, by what leaves the
//! finished surface [`LEAN_DEG`] short of upright in the blank. Ground at the foot of a fall that
//! is too steep is raised to the least surface that obeys the limit, which is what a cutter from
//! above would leave there, and a ramp:
//!
//! ```text
//!   raised(x) = max( f(x), raised(y) − limit·|xy| )       y one step nearer the middle
//! ```
//!
//! The limit is asked twice, of a sample and the ground a step inward and of a sample and the ground
//! a step outward, for a peak of one sample hides between those that only look inward.
//!
//! It is raised in the relief of the planet, so that both neighbours of a seam see the same
//! ground. Beyond the trim the limit fades, so that a ramp ends where nobody misses it.

use super::eased::eased;
use crate::model::geometry::Solid;
use crate::model::grid::{Grid, Heights, Layout};
use crate::model::settings::{Base, Projection, Settings};
use fixedbitset::FixedBitSet;
use glam::DVec3;
use rayon::prelude::*;
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// How far short of upright the surface stays in the blank, degrees: with less, single pixels jump
/// where two facets meet. Where the ball itself leans so far, half of what is left is kept.
const LEAN_DEG: f64 = 12.0;

/// How far short of upright the surface between samples stays, degrees, after the last easing.
const EASED_LEAN_DEG: f64 = 3.0;

/// Beyond the trim the slope allowed grows by so much per mm, up to a slope that ends any ramp.
const FADING_DEG_PER_MM: f64 = 10.0;
const STEEPEST_FADING_DEG: f64 = 55.0;

/// Ground so far beyond the trim can still hide under the trim, mm; it counts as part of it here.
const HIDDEN_MM: f64 = 3.0;

/// Ground beyond the trim that a ramp may reach, mm.
const BEYOND_MM: f64 = 15.0;

/// Raises of less than this are not worth making, mm.
const LEAST_MM: f32 = 2e-3;

/// Cosines at which the fall allowed is tabulated.
const FALLS: usize = 2048;

/// Rounds over all facets: what one raises in the trim another may have to follow.
const ROUNDS: usize = 24;

/// Samples look at least this part of the way between rows.
const NEAREST_LOOK: f64 = 0.03;

/// Samples per side of the blocks for which it is decided which facets see them.
const BLOCK: usize = 16;

/// What had to be raised.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Raised {
    /// Share of the sphere.
    pub share: f64,
    /// Most, mm.
    pub most_mm: f64,
}

/// Raises ground of a relief in mm until none of it is undercut on the solid (turned into
/// the body frame), its trim included.
pub fn without_undercuts(relief_mm: &mut Grid, solid: &Solid, settings: &Settings) -> Raised {
    if settings.globe.projection == Projection::Gnomonic {
        return Raised::default();
    }
    let before = relief_mm.heights_m.clone();
    let limits = LeanLimits::new(relief_mm, solid, settings);
    let mut waiting = FixedBitSet::with_capacity(before.len());
    let mut first = limits.first(relief_mm);
    for _ in 0..ROUNDS {
        if first.is_empty() {
            break;
        }
        let mut touched = Vec::new();
        for start in first.chunk_by(|a, b| a.face == b.face) {
            limits.raise(relief_mm, start, &mut waiting, &mut touched);
        }
        first = limits.follow(relief_mm, touched);
    }
    eased(relief_mm, &limits);
    let mut raised = Raised::default();
    for (row, (after, before)) in relief_mm
        .heights_m
        .outer_iter()
        .zip(before.outer_iter())
        .enumerate()
    {
        for (after, before) in after.iter().zip(before) {
            if after > before {
                raised.share += relief_mm.area_weight(row);
                raised.most_mm = raised.most_mm.max(f64::from(after - before));
            }
        }
    }
    raised
}

/// A sample that may have to be raised for a facet: in order of the facet, then outward.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct QueueEntry {
    face: u16,
    /// Bits of 1 less the cosine of the angle from the facet's normal: they are in order.
    away: u64,
    sample: u32,
}

/// Everything that says how steeply ground may fall where.
pub(super) struct LeanLimits {
    pub(super) layout: Layout,
    faces: Vec<FacePlane>,
    base: Base,
    pub(super) radius_mm: f64,
    /// Farthest ground from the globe's centre, mm.
    reach_mm: f64,
    trim_mm: f64,
    /// One step along a meridian, mm.
    step_mm: f64,
    /// Least that ground may fall per mm anywhere on the solid.
    pub(super) least_fall: f64,
    /// Facets that see each block of samples.
    seen: Vec<Vec<u16>>,
    blocks_across: usize,
    latitudes: Vec<(f64, f64)>,
    longitudes: Vec<(f64, f64)>,
}

struct FacePlane {
    normal: DVec3,
    /// Normals of the planes of its seams, outward; all go through the globe's centre.
    sides: Vec<DVec3>,
    /// Cosine of the farthest angle from the normal that matters.
    rim_cos: f64,
    /// How far relief may fall per mm outward, by the cosine of the angle from the normal: from
    /// sample to sample, and anywhere between them.
    falls: Vec<f64>,
    falls_between: Vec<f64>,
}

impl LeanLimits {
    fn new(relief_mm: &Grid, solid: &Solid, settings: &Settings) -> LeanLimits {
        let layout = relief_mm.layout();
        let radius_mm = settings.globe.diameter_mm / 2.0;
        let highest = relief_mm.heights_m.iter().fold(0f32, |a, b| a.max(*b));
        let reach_mm = match settings.globe.base {
            Base::Sphere => radius_mm,
            // At the corners, which are the farthest.
            Base::Flat => radius_mm * solid.corners.iter().fold(0f64, |a, b| a.max(b.length())),
        };
        let faces: Vec<FacePlane> = (0..solid.faces.len())
            .map(|number| face(solid, number, settings))
            .collect();
        let sin_cos = |deg: f64| deg.to_radians().sin_cos();
        let mut limits = LeanLimits {
            layout,
            faces,
            base: settings.globe.base,
            radius_mm,
            reach_mm: reach_mm + f64::from(highest),
            trim_mm: settings.stock.trim_mm + HIDDEN_MM,
            step_mm: radius_mm * layout.step_lat_deg().to_radians(),
            least_fall: 0.0,
            seen: Vec::new(),
            blocks_across: layout.columns.div_ceil(BLOCK),
            latitudes: (0..layout.rows)
                .map(|row| sin_cos(layout.lat_deg(row)))
                .collect(),
            longitudes: (0..layout.columns)
                .map(|column| sin_cos(layout.lon_deg(column)))
                .collect(),
        };
        limits.seen = limits.faces_of_blocks();
        let drops = (limits.faces.iter().enumerate())
            .map(|(number, face)| limits.fall(number, face.rim_cos, 0.0, 0.0));
        // Lower ground may fall a little less, on a ball.
        let least = drops.fold(f64::MAX, f64::min);
        limits.least_fall = 0.9 * least;
        limits
    }

    /// How far the samples of a row look, mm: to the next, but near a pole, where they crowd, no
    /// nearer than a part of the way to the next row.
    pub(super) fn look_mm(&self, row: usize) -> f64 {
        self.step_mm * self.narrow(row).clamp(NEAREST_LOOK, 1.0)
    }

    /// Width of a sample of a row over that of one at the equator.
    fn narrow(&self, row: usize) -> f64 {
        self.latitudes[row].1 * self.layout.step_lon_deg() / self.layout.step_lat_deg()
    }

    fn place(&self, sample: usize) -> (usize, usize) {
        (sample / self.layout.columns, sample % self.layout.columns)
    }

    fn direction(&self, (row, column): (usize, usize)) -> DVec3 {
        let ((sin, cos), (east, prime)) = (self.latitudes[row], self.longitudes[column]);
        DVec3::new(cos * prime, cos * east, sin)
    }

    fn faces_of_blocks(&self) -> Vec<Vec<u16>> {
        let down = self.layout.rows.div_ceil(BLOCK);
        (0..down * self.blocks_across)
            .into_par_iter()
            .map(|block| {
                let at =
                    |index: usize, part: usize, count: usize| (index * BLOCK + part).min(count - 1);
                let corner = |down: usize, right: usize| {
                    let row = at(block / self.blocks_across, down, self.layout.rows);
                    let column = at(block % self.blocks_across, right, self.layout.columns);
                    self.direction((row, column))
                };
                let centre = corner(BLOCK / 2, BLOCK / 2);
                let ends = [0, BLOCK].map(|down| [0, BLOCK].map(|right| corner(down, right)));
                let widest = ends
                    .iter()
                    .flatten()
                    .map(|end| end.angle_between(centre))
                    .fold(0.0, f64::max);
                let slack_mm = self.radius_mm * 2.0 * (0.5 * widest).sin() + BEYOND_MM;
                (0..self.faces.len() as u16)
                    .filter(|face| self.beyond_mm(*face as usize, centre) < slack_mm)
                    .collect()
            })
            .collect()
    }

    pub(super) fn faces_at(&self, (row, column): (usize, usize)) -> &[u16] {
        &self.seen[row / BLOCK * self.blocks_across + column / BLOCK]
    }

    /// How far a place lies beyond a facet's trim, mm; less than 0 within it.
    pub(super) fn beyond_mm(&self, face: usize, here: DVec3) -> f64 {
        let face = &self.faces[face];
        if here.dot(face.normal) < face.rim_cos - 0.2 {
            return f64::INFINITY;
        }
        face.sides
            .iter()
            .map(|out| self.reach_mm * here.dot(*out) - self.trim_mm)
            .fold(f64::NEG_INFINITY, f64::max)
    }

    fn entry(&self, face: usize, place: (usize, usize), here: DVec3) -> QueueEntry {
        QueueEntry {
            face: face as u16,
            away: (1.0 - here.dot(self.faces[face].normal)).max(0.0).to_bits(),
            sample: (place.0 * self.layout.columns + place.1) as u32,
        }
    }

    /// Raises ground for one facet, from the given samples outward.
    fn raise(
        &self,
        relief_mm: &mut Grid,
        start: &[QueueEntry],
        waiting: &mut FixedBitSet,
        touched: &mut Vec<(usize, usize)>,
    ) {
        let mut queue: BinaryHeap<Reverse<QueueEntry>> =
            start.iter().copied().map(Reverse).collect();
        for entry in start {
            waiting.insert(entry.sample as usize);
        }
        while let Some(Reverse(entry)) = queue.pop() {
            waiting.set(entry.sample as usize, false);
            let (face, place) = (usize::from(entry.face), self.place(entry.sample as usize));
            let here = self.direction(place);
            let mut raised = Vec::new();
            let own = relief_mm.heights_m[place];
            if let Some(least) = self.least(relief_mm, face, place, here, true)
                && own + LEAST_MM < least
            {
                raised.push(place);
                relief_mm.heights_m[place] = least;
            }
            let outward = self.outward(relief_mm, face, place, here, true);
            for (sample, by_mm) in outward.into_iter().flatten().filter(|(_, mm)| *mm > 0.0) {
                relief_mm.heights_m[sample] += by_mm;
                raised.push(sample);
            }
            touched.extend(&raised);
            for place in raised {
                let away = self.entry(face, place, self.direction(place)).away;
                self.neighbours(place, |near| {
                    let next = self.entry(face, near, self.direction(near));
                    if next.away >= away && !waiting.put(next.sample as usize) {
                        queue.push(Reverse(next));
                    }
                });
            }
        }
    }

    /// All samples that fall too steeply within the facets as the relief is, facet by facet.
    fn first(&self, relief_mm: &Grid) -> Vec<QueueEntry> {
        let found = (0..self.layout.rows)
            .into_par_iter()
            .flat_map_iter(|row| {
                let look_mm = self.look_mm(row);
                let around = self.most_around(relief_mm, row);
                (around.into_iter().enumerate())
                    .filter(move |(_, rise)| f64::from(*rise) > self.least_fall * look_mm)
                    .flat_map(move |(column, rise)| {
                        self.too_steep(relief_mm, (row, column), Some(f64::from(rise)))
                    })
            })
            .collect();
        in_order(found)
    }

    /// Those that fall too steeply among the samples raised last and those beside them.
    fn follow(&self, relief_mm: &Grid, touched: Vec<(usize, usize)>) -> Vec<QueueEntry> {
        let mut places = touched.clone();
        for place in touched {
            self.neighbours(place, |near| places.push(near));
        }
        places.sort_unstable();
        places.dedup();
        let found = (places.into_par_iter())
            .flat_map_iter(|place| self.too_steep(relief_mm, place, None))
            .collect();
        in_order(found)
    }

    /// A sample for each facet on which ground falls too steeply to or from it, where ground a
    /// look away is no farther above or below it than `rise_mm`.
    fn too_steep(
        &self,
        relief_mm: &Grid,
        place: (usize, usize),
        rise_mm: Option<f64>,
    ) -> impl Iterator<Item = QueueEntry> {
        let own = relief_mm.heights_m[place];
        let here = self.direction(place);
        let look_mm = self.look_mm(place.0);
        self.faces_at(place).iter().filter_map(move |&face| {
            let face = face as usize;
            let cos = here.dot(self.faces[face].normal);
            // No ground is so much higher or lower that it could fall too steeply.
            let least_mm = 0.9 * self.fall(face, cos, f64::from(own), 0.0) * look_mm;
            if rise_mm.is_some_and(|rise_mm| rise_mm <= least_mm) {
                return None;
            }
            let low = self.least(relief_mm, face, place, here, false);
            let steep = low.is_some_and(|mm| own + LEAST_MM < mm)
                || self.outward(relief_mm, face, place, here, false).is_some();
            steep.then(|| self.entry(face, place, here))
        })
    }

    /// For each sample of a row how far above or below it ground within a step of it lies at most.
    pub(super) fn most_around(&self, relief_mm: &Grid, row: usize) -> Vec<f32> {
        let highest = self.around_row(relief_mm, row, f32::max);
        let lowest = self.around_row(relief_mm, row, f32::min);
        (relief_mm.heights_m.row(row).iter())
            .zip(highest.iter().zip(&lowest))
            .map(|(own, (high, low))| (high - own).max(own - low))
            .collect()
    }

    /// For each sample of a row the extreme within a step of it.
    fn around_row(&self, relief_mm: &Grid, row: usize, extreme: fn(f32, f32) -> f32) -> Vec<f32> {
        let columns = self.layout.columns;
        let mut line = relief_mm.heights_m.row(row).to_vec();
        for down in [-1, 1] {
            let (near, turn) = self.beyond_pole(row as isize + down, 0);
            let near = relief_mm.heights_m.row(near);
            for (column, line) in line.iter_mut().enumerate() {
                *line = extreme(*line, near[(column + turn) % columns]);
            }
        }
        let aside = (1.0 / self.narrow(row).max(1e-9)).ceil() as usize;
        let aside = aside.min(columns / 2);
        // Of ever longer pieces, doubling, until they cover both sides.
        let (mut length, wanted) = (1, 2 * aside + 1);
        while length < wanted {
            let more = length.min(wanted - length);
            let before = line.clone();
            for (column, line) in line.iter_mut().enumerate() {
                *line = extreme(*line, before[(column + more) % columns]);
            }
            length += more;
        }
        line.rotate_right(aside % columns);
        line
    }

    /// How far relief may fall per mm outward, at an angle from a facet's normal.
    fn fall(&self, face: usize, cos: f64, relief_mm: f64, beyond_mm: f64) -> f64 {
        let fall = self.higher(tabled(&self.faces[face].falls, cos), relief_mm);
        if beyond_mm <= 0.0 {
            return fall;
        }
        let fading_deg = fall.atan().to_degrees() + FADING_DEG_PER_MM * beyond_mm;
        fall.max(fading_deg.min(STEEPEST_FADING_DEG).to_radians().tan())
    }

    /// The most that ground may fall per mm between samples, once it is eased.
    pub(super) fn fall_between(&self, face: usize, cos: f64, relief_mm: f64) -> f64 {
        self.higher(tabled(&self.faces[face].falls_between, cos), relief_mm)
    }

    fn higher(&self, fall: f64, relief_mm: f64) -> f64 {
        match self.base {
            // All lengths grow alike.
            Base::Sphere => fall * (1.0 + relief_mm / self.radius_mm),
            Base::Flat => fall,
        }
    }

    /// A facet's normal and the cosine of the angle to it, where ground can fall away from it.
    pub(super) fn leaning(&self, face: usize, here: DVec3) -> Option<(DVec3, f64)> {
        let normal = self.faces[face].normal;
        let cos = here.dot(normal);
        (cos > 0.02 && cos <= 0.9999).then_some((normal, cos))
    }

    /// The least relief of a sample that obeys the limit of a facet; `None` where the facet has
    /// nothing to say, as beyond its trim, but for ramps that come from inside it.
    fn least(
        &self,
        relief_mm: &Grid,
        face: usize,
        place: (usize, usize),
        here: DVec3,
        ramps: bool,
    ) -> Option<f32> {
        let (normal, cos) = self.leaning(face, here)?;
        let beyond_mm = self.beyond_mm(face, here);
        if beyond_mm > if ramps { BEYOND_MM } else { 0.0 } {
            return None;
        }
        let own = relief_mm.heights_m[place];
        let look_mm = self.look_mm(place.0);
        let drop = self.fall(face, cos, f64::from(own), beyond_mm) * look_mm;
        // A step towards the facet's middle.
        let nearer = aside(here, normal, cos, -look_mm / self.radius_mm);
        let (mut rest, mut own_share) = (0.0, 0.0);
        for (sample, weight) in self.around(nearer) {
            if sample == place {
                own_share += weight;
            } else {
                rest += weight * relief_mm.heights_m[sample];
            }
        }
        let least = (rest - drop as f32) / (1.0 - own_share).max(0.1);
        Some(least)
    }

    /// The samples that must be raised, and by how much, so that ground falls no more than allowed
    /// from a sample to a step outward; none where all is well.
    fn outward(
        &self,
        relief_mm: &Grid,
        face: usize,
        place: (usize, usize),
        here: DVec3,
        ramps: bool,
    ) -> Option<[((usize, usize), f32); 4]> {
        let (normal, cos) = self.leaning(face, here)?;
        let look_mm = self.look_mm(place.0);
        let farther = aside(here, normal, cos, look_mm / self.radius_mm);
        let beyond_mm = self.beyond_mm(face, farther);
        if beyond_mm > if ramps { BEYOND_MM } else { 0.0 } {
            return None;
        }
        let own = relief_mm.heights_m[place];
        let fall = self.fall(face, farther.dot(normal), f64::from(own), beyond_mm);
        let around = self.around(farther);
        // None is raised further than ground at the limit lies.
        let most = own - (fall * look_mm) as f32;
        let mut levels = around.map(|(sample, _)| relief_mm.heights_m[sample]);
        let there = |levels: &[f32; 4]| -> f32 {
            let parts = levels.iter().zip(&around);
            parts.map(|(level, (_, share))| share * level).sum()
        };
        let mut lacks = most - there(&levels);
        if lacks <= LEAST_MM {
            return None;
        }
        for _ in 0..around.len() {
            let low = |i: usize, levels: &[f32; 4]| around[i].0 != place && levels[i] < most;
            let squares: f32 = (0..4)
                .filter(|&i| low(i, &levels))
                .map(|i| around[i].1 * around[i].1)
                .sum();
            if lacks <= 0.1 * LEAST_MM || squares < 1e-4 {
                break;
            }
            // Each by its part in the ground there, which changes the least.
            for i in (0..4).filter(|&i| low(i, &levels)).collect::<Vec<_>>() {
                levels[i] = (levels[i] + around[i].1 * lacks / squares).min(most);
            }
            lacks = most - there(&levels);
        }
        let mut raise = around;
        for (i, (sample, by_mm)) in raise.iter_mut().enumerate() {
            *by_mm = levels[i] - relief_mm.heights_m[*sample];
        }
        Some(raise)
    }

    /// The four samples around a direction and their shares in the ground there, linearly.
    fn around(&self, at: DVec3) -> [((usize, usize), f32); 4] {
        let layout = self.layout;
        let lat = at.z.clamp(-1.0, 1.0).asin().to_degrees();
        let down = (layout.north_deg() - lat) / layout.step_lat_deg();
        let lon = at.y.atan2(at.x).to_degrees();
        let right = (lon - layout.west_deg).rem_euclid(360.0) / layout.step_lon_deg();
        let (first_row, first_column) = (down.floor(), right.floor());
        let (v, u) = ((down - first_row) as f32, (right - first_column) as f32);
        [0, 1, 2, 3].map(|corner| {
            let (lower, side) = (corner / 2, corner % 2);
            let (row, crossed) = layout.across_poles(first_row as isize + lower as isize);
            let turn = if crossed { layout.columns / 2 } else { 0 };
            let column = (first_column as usize + side + turn) % layout.columns;
            let part = |second: usize, part: f32| if second == 1 { part } else { 1.0 - part };
            ((row, column), part(lower, v) * part(side, u))
        })
    }

    /// How many samples of a row lie within a look.
    pub(super) fn look_samples(&self, row: usize) -> f64 {
        self.look_mm(row) / (self.step_mm * self.narrow(row).max(1e-9))
    }

    /// A row that may lie beyond a pole, and the column there.
    pub(super) fn beyond_pole(&self, row: isize, column: usize) -> (usize, usize) {
        let (near, crossed) = self.layout.across_poles(row);
        let turn = if crossed { self.layout.columns / 2 } else { 0 };
        (near, (column + turn) % self.layout.columns)
    }

    /// The samples whose step towards a middle may use this one, and itself.
    fn neighbours(&self, (row, column): (usize, usize), mut each: impl FnMut((usize, usize))) {
        let columns = self.layout.columns;
        for down in -1..=1isize {
            let (near, turned) = self.beyond_pole(row as isize + down, column);
            let aside = (self.look_samples(near).ceil() as usize + 1).min(columns / 2);
            let first = turned + columns - aside;
            for right in 0..=2 * aside {
                each((near, (first + right) % columns));
            }
        }
    }
}

/// Facet by facet, outward, each once.
fn in_order(mut entries: Vec<QueueEntry>) -> Vec<QueueEntry> {
    entries.sort_unstable();
    entries
}

/// The direction an angle farther from a facet's normal.
fn aside(here: DVec3, normal: DVec3, cos: f64, by_rad: f64) -> DVec3 {
    let outward = (here * cos - normal) / (1.0 - cos * cos).sqrt();
    here * by_rad.cos() + outward * by_rad.sin()
}

/// From a table over the cosine, linearly.
fn tabled(falls: &[f64], cos: f64) -> f64 {
    let place = cos.clamp(0.0, 1.0) * FALLS as f64;
    let before = (place as usize).min(FALLS - 1);
    let part = place - before as f64;
    falls[before] + part * (falls[before + 1] - falls[before])
}

/// How far relief may fall per mm outward at a cosine of the angle from the normal, for ground on
/// the datum.
///
/// The surface moves by B + f'·sin α outward and by f'·cos α − A upward per radian.
fn fall(base: Base, cos: f64, radius_mm: f64, distance_mm: f64, most_lean_deg: f64) -> f64 {
    let sin = (1.0 - cos * cos).max(0.0).sqrt();
    let (outward, downward) = match base {
        Base::Sphere => (radius_mm * cos, radius_mm * sin),
        Base::Flat => (distance_mm / (cos * cos).max(1e-6), 0.0),
    };
    let upright_deg = outward.atan2(downward).to_degrees();
    let share = 0.5 * most_lean_deg / LEAN_DEG;
    let lean_deg = most_lean_deg.min(share * upright_deg).max(0.5 * share);
    let steepest = (90.0 - lean_deg).to_radians().tan();
    let fall = (steepest * outward - downward) / (cos + steepest * sin);
    (fall / radius_mm).max(0.0)
}

fn face(solid: &Solid, number: usize, settings: &Settings) -> FacePlane {
    let face = &solid.faces[number];
    let (radius_mm, trim_mm) = (settings.globe.diameter_mm / 2.0, settings.stock.trim_mm);
    let distance_mm = radius_mm * face.distance;
    let corners = face.corners.iter().map(|&corner| solid.corners[corner]);
    // Counter-clockwise: outward is to the right of the way along.
    let sides = corners
        .clone()
        .zip(corners.cycle().skip(1))
        .map(|(from, to)| to.cross(from).normalize())
        .collect();
    let corner = face
        .corners
        .iter()
        .map(|&corner| face.frame.z.angle_between(solid.corners[corner]))
        .fold(0.0, f64::max);
    // A corner of the trim lies farther out than its sides, and the more the more the ball leans.
    let rim = corner + (2.0 * trim_mm / corner.cos().max(0.1) + BEYOND_MM) / radius_mm;
    let table = |lean_deg: f64| -> Vec<f64> {
        let cosines = (0..=FALLS).map(|i| i as f64 / FALLS as f64);
        let fall = |cos| fall(settings.globe.base, cos, radius_mm, distance_mm, lean_deg);
        cosines.map(fall).collect()
    };
    FacePlane {
        normal: face.frame.z,
        sides,
        rim_cos: rim.min(1.55).cos(),
        falls: table(LEAN_DEG),
        falls_between: table(EASED_LEAN_DEG),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carve::resample::Sampler;
    use crate::testing::grid_of;

    fn settings(solid: &str) -> (Solid, Settings) {
        let mut settings = Settings::default();
        settings.globe.solid = solid.into();
        (Solid::named(solid).unwrap(), settings)
    }

    /// Steep ridges and hollows everywhere: walls as steep as the relief may have.
    fn rugged() -> Grid {
        grid_of(1440, |d| {
            1.4 * (53.0 * d.x).sin() * (47.0 * d.y).cos() + 0.9 * (61.0 * d.z + 1.0).sin()
        })
    }

    /// Reference: along rays from each facet's middle the lateral distance never shrinks on the
    /// surface that is carved, seen in steps much finer than a sample.
    fn folds(relief: &Grid, solid: &Solid, settings: &Settings) -> usize {
        let limits = LeanLimits::new(relief, solid, settings);
        let radius_mm = settings.globe.diameter_mm / 2.0;
        let shaped = super::super::finished(relief.clone(), None);
        let curve = shaped.sampled.scaled(shaped.range_mm.unwrap());
        let sampler = Sampler::new(&shaped.grid, &curve);
        let mut folds = 0;
        for (number, face) in solid.faces.iter().enumerate() {
            for around in 0..720 {
                let (sin, cos) = (0.5 * f64::from(around)).to_radians().sin_cos();
                let out = face.frame.x * cos + face.frame.y * sin;
                let away = |step: i32| 0.0008 * f64::from(step);
                let towards = |away: f64| face.frame.z * away.cos() + out * away.sin();
                let ray: Vec<DVec3> = (1..2000)
                    .map(|step| towards(away(step)))
                    .take_while(|here| limits.beyond_mm(number, *here) <= 0.0)
                    .collect();
                let mut before = 0.0;
                for (step, mm) in (1..).zip(sampler.relief_mm(&ray)) {
                    let lateral = (radius_mm + mm) * away(step).sin();
                    // Less is finer than the wood.
                    folds += usize::from(lateral < before - 0.001);
                    before = lateral.max(before);
                }
            }
        }
        folds
    }

    #[test]
    fn nothing_folds_under_itself_any_more() {
        for name in [
            "cube",
            "octahedron",
            "tetrahedron",
            "dodecahedron",
            "triakis tetrahedron",
        ] {
            let (solid, settings) = settings(name);
            let mut relief = rugged();
            let before = relief.clone();
            let folded = folds(&relief, &solid, &settings);
            let raised = without_undercuts(&mut relief, &solid, &settings);
            assert_eq!(folds(&relief, &solid, &settings), 0, "{name}");
            assert!(folded > 50 || name == "dodecahedron", "{name} {folded}");
            assert!(raised.share < 0.5, "{name} {raised:?}");
            // Ground is only ever raised.
            let pairs = relief.heights_m.iter().zip(&before.heights_m);
            assert!(pairs.into_iter().all(|(after, before)| after >= before));
        }
    }

    /// Ground around the middle of a facet, and what rises outward, is left alone.
    #[test]
    fn ground_that_cannot_fold_stays() {
        let (solid, settings) = settings("dodecahedron");
        let mut relief = grid_of(1440, |d| 2.0 * (9.0 * d.x).sin() * (8.0 * d.z).cos());
        let before = relief.clone();
        let raised = without_undercuts(&mut relief, &solid, &settings);
        assert_eq!((raised, &relief), (Raised::default(), &before));
        let middle = solid.faces[3].frame.z;
        let mut steep = grid_of(1440, |d| {
            let away_mm = 100.0 * d.angle_between(middle);
            if away_mm < 4.0 {
                (4.0 - away_mm) * 1.5
            } else {
                0.0
            }
        });
        let before = steep.clone();
        without_undercuts(&mut steep, &solid, &settings);
        assert_eq!(steep, before);
    }

    /// The same planet, turned with its solid by whole columns, is raised alike.
    #[test]
    fn raising_turns_with_the_planet() {
        let (solid, settings) = settings("cube");
        let mut relief = rugged();
        without_undercuts(&mut relief, &solid, &settings);
        let quarter = glam::DMat3::from_rotation_z(std::f64::consts::FRAC_PI_2);
        let mut turned = rugged();
        for mut line in turned.heights_m.outer_iter_mut() {
            line.as_slice_mut().unwrap().rotate_right(360);
        }
        without_undercuts(&mut turned, &solid.turned(&quarter), &settings);
        for ((row, column), mm) in relief.heights_m.indexed_iter() {
            let there = turned.heights_m[(row, (column + 360) % 1440)];
            assert!((mm - there).abs() < 0.02, "{row} {column}: {mm} {there}");
        }
    }
}
