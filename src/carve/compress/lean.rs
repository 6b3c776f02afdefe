//! How steeply ground may fall away from the middles of facets, anywhere on a solid.
//!
//! At an angle α from a facet's normal n, radial relief f leans over once, going outward,
//!
//! ```text
//!                     d            the lateral distance from the axis no longer grows:
//!   B(α) + f'(α)·sin α ≤ 0         B = (R + f)·cos α on a ball, d/cos²α + f·cos α on a flat base
//! ```
//!
//! Only ground that falls away from the facet's middle can do so, and the more easily the nearer
//! it lies to a corner. Beyond the trim the limit fades, so that a ramp ends where nobody misses it.

use crate::model::extremes::{ends, greater, lesser};
use crate::model::geometry::{Face, Solid};
use crate::model::grid::{Grid, Heights, Layout};
use crate::model::parallel;
use crate::model::settings::{Base, Settings};
use glam::DVec3;
use std::f64::consts::PI;

/// Samples or cells that a thread looks at at a time; most take next to none.
pub(super) const SAMPLES_AT_ONCE: usize = 256;

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
pub(super) const BEYOND_MM: f64 = 15.0;

/// Cosines at which the fall allowed is tabulated.
const FALLS: usize = 2048;

/// Samples look at least this part of the way between rows.
const NEAREST_LOOK: f64 = 0.03;

/// Most samples per side of the blocks for which it is decided which facets see them, and blocks
/// around the globe on small grids, where fewer would hold half a facet.
const BLOCK: usize = 16;
const BLOCKS_AROUND: usize = 90;

/// Everything that says how steeply ground may fall where.
pub(super) struct LeanLimits {
    pub(super) layout: Layout,
    faces: Vec<FacePlane>,
    /// By kind of facet.
    falls: Vec<Falls>,
    base: Base,
    pub(super) radius_mm: f64,
    /// Farthest ground from the globe's centre, mm.
    reach_mm: f64,
    trim_mm: f64,
    /// One step along a meridian, mm.
    step_mm: f64,
    /// By block of samples.
    blocks: Vec<Block>,
    /// Samples per side of a block.
    block: usize,
    blocks_across: usize,
    latitudes: Vec<(f64, f64)>,
    longitudes: Vec<(f64, f64)>,
}

/// What holds for all samples of a block.
struct Block {
    /// Facets that see it.
    faces: Vec<u16>,
    /// Least that ground may fall per mm on any of them, from sample to sample and between samples.
    least_fall: f64,
    least_fall_between: f64,
}

/// How far relief may fall per mm outward, by the cosine of the angle from the normal.
struct Falls {
    from_sample_to_sample: Vec<f64>,
    anywhere_between: Vec<f64>,
}

struct FacePlane {
    kind: usize,
    normal: DVec3,
    /// Normals of the planes of its seams, outward; all go through the globe's centre.
    sides: Vec<DVec3>,
    /// Cosine of the farthest angle from the normal that matters.
    rim_cos: f64,
}

impl LeanLimits {
    pub(super) fn new(relief_mm: &Grid, solid: &Solid, settings: &Settings) -> LeanLimits {
        let layout = relief_mm.layout();
        let radius_mm = settings.globe.diameter_mm / 2.0;
        let (_, highest) = ends(relief_mm.heights_m.as_slice().unwrap_or_default());
        let reach_mm = match settings.globe.base {
            Base::Sphere => radius_mm,
            // At the corners, which are the farthest.
            Base::Flat => radius_mm * solid.corners.iter().fold(0f64, |a, b| a.max(b.length())),
        };
        let faces: Vec<FacePlane> = (0..solid.faces.len())
            .map(|number| face(solid, number, settings))
            .collect();
        let sin_cos = |deg: f64| deg.to_radians().sin_cos();
        let block = (layout.columns / BLOCKS_AROUND).clamp(1, BLOCK);
        let mut limits = LeanLimits {
            layout,
            faces,
            falls: (solid.kinds.iter())
                .map(|kind| falls(&solid.faces[kind.faces[0]], settings))
                .collect(),
            base: settings.globe.base,
            radius_mm,
            reach_mm: reach_mm + f64::from(highest.max(0.0)),
            trim_mm: settings.stock.trim_mm + HIDDEN_MM,
            step_mm: radius_mm * layout.step_lat_deg().to_radians(),
            blocks: Vec::new(),
            block,
            blocks_across: layout.columns.div_ceil(block),
            latitudes: (0..layout.rows)
                .map(|row| sin_cos(layout.lat_deg(row)))
                .collect(),
            longitudes: (0..layout.columns)
                .map(|column| sin_cos(layout.lon_deg(column)))
                .collect(),
        };
        limits.blocks = limits.blocks();
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

    pub(super) fn place(&self, sample: usize) -> (usize, usize) {
        (sample / self.layout.columns, sample % self.layout.columns)
    }

    pub(super) fn direction(&self, (row, column): (usize, usize)) -> DVec3 {
        let ((sin, cos), (east, prime)) = (self.latitudes[row], self.longitudes[column]);
        DVec3::new(cos * prime, cos * east, sin)
    }

    fn blocks(&self) -> Vec<Block> {
        let side = self.block;
        let down = self.layout.rows.div_ceil(side);
        parallel::indexed(down * self.blocks_across, &|block| {
            let at = |index: usize, part: usize, count: usize| (index * side + part).min(count - 1);
            let corner = |down: usize, right: usize| {
                let row = at(block / self.blocks_across, down, self.layout.rows);
                let column = at(block % self.blocks_across, right, self.layout.columns);
                self.direction((row, column))
            };
            let centre = corner(side / 2, side / 2);
            let ends = [0, side].map(|down| [0, side].map(|right| corner(down, right)));
            let widest = ends
                .iter()
                .flatten()
                .map(|end| end.angle_between(centre))
                .fold(0.0, f64::max);
            let slack_mm = self.radius_mm * 2.0 * (0.5 * widest).sin() + BEYOND_MM;
            let faces: Vec<u16> = (0..self.faces.len() as u16)
                .filter(|face| self.beyond_mm(*face as usize, centre) < slack_mm)
                .collect();
            // Ground may fall the less the farther it lies from a middle, and the lower it is.
            let farthest = faces.iter().map(|&face| {
                let face = &self.faces[usize::from(face)];
                let away = face.normal.angle_between(centre) + widest;
                (&self.falls[face.kind], away.min(PI).cos())
            });
            let (mut least_fall, mut least_fall_between) = (f64::MAX, f64::MAX);
            for (falls, cos) in farthest {
                least_fall = least_fall.min(tabled(&falls.from_sample_to_sample, cos));
                least_fall_between = least_fall_between.min(tabled(&falls.anywhere_between, cos));
            }
            Block {
                least_fall: 0.9 * least_fall,
                least_fall_between: 0.9 * least_fall_between,
                faces,
            }
        })
    }

    fn block(&self, (row, column): (usize, usize)) -> &Block {
        &self.blocks[row / self.block * self.blocks_across + column / self.block]
    }

    /// The facets that a sample may be part of, their trim included.
    pub(super) fn faces_at(&self, place: (usize, usize)) -> &[u16] {
        &self.block(place).faces
    }

    /// Ground near a sample that rises or falls no more than this from sample to sample, per mm, is
    /// allowed on every facet.
    pub(super) fn least_fall(&self, place: (usize, usize)) -> f64 {
        self.block(place).least_fall
    }

    /// The same of ground between samples.
    pub(super) fn least_fall_between(&self, place: (usize, usize)) -> f64 {
        self.block(place).least_fall_between
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

    /// For each sample of a row how far above or below it ground within a step of it lies at most.
    pub(super) fn most_around(&self, relief_mm: &Grid, row: usize) -> Vec<f32> {
        let highest = self.around_row(relief_mm, row, greater);
        let lowest = self.around_row(relief_mm, row, lesser);
        (relief_mm.heights_m.row(row).iter())
            .zip(highest.iter().zip(&lowest))
            .map(|(own, (high, low))| (high - own).max(own - low))
            .collect()
    }

    /// For each sample of a row the extreme within a step of it.
    fn around_row(
        &self,
        relief_mm: &Grid,
        row: usize,
        extreme: impl Fn(f32, f32) -> f32 + Copy,
    ) -> Vec<f32> {
        let columns = self.layout.columns;
        let mut line = relief_mm.heights_m.row(row).to_vec();
        for down in [-1, 1] {
            let (near, turn) = self.layout.sample(row as isize + down, 0);
            let near = relief_mm.heights_m.row(near).to_vec();
            with_turned(&mut line, &near, turn, extreme);
        }
        let aside = (1.0 / self.narrow(row).max(1e-9)).ceil() as usize;
        let aside = aside.min(columns / 2);
        // Of ever longer pieces, doubling, until they cover both sides.
        let (mut length, wanted) = (1, 2 * aside + 1);
        while length < wanted {
            let more = length.min(wanted - length);
            let before = line.clone();
            with_turned(&mut line, &before, more % columns, extreme);
            length += more;
        }
        line.rotate_right(aside % columns);
        line
    }

    /// How far relief may fall per mm outward, at an angle from a facet's normal.
    pub(super) fn fall(&self, face: usize, cos: f64, relief_mm: f64, beyond_mm: f64) -> f64 {
        let falls = &self.falls[self.faces[face].kind];
        let fall = self.higher(tabled(&falls.from_sample_to_sample, cos), relief_mm);
        if beyond_mm <= 0.0 {
            return fall;
        }
        let fading_deg = fall.atan().to_degrees() + FADING_DEG_PER_MM * beyond_mm;
        fall.max(fading_deg.min(STEEPEST_FADING_DEG).to_radians().tan())
    }

    /// The most that ground may fall per mm between samples, once it is eased.
    pub(super) fn fall_between(&self, face: usize, cos: f64, relief_mm: f64) -> f64 {
        let falls = &self.falls[self.faces[face].kind];
        self.higher(tabled(&falls.anywhere_between, cos), relief_mm)
    }

    fn higher(&self, fall: f64, relief_mm: f64) -> f64 {
        match self.base {
            // All lengths grow alike.
            Base::Sphere => fall * (1.0 + relief_mm / self.radius_mm),
            Base::Flat => fall,
        }
    }

    /// Cosine of the angle from a facet's normal.
    pub(super) fn cos(&self, face: usize, here: DVec3) -> f64 {
        here.dot(self.faces[face].normal)
    }

    /// A facet's normal and the cosine of the angle to it, where ground can fall away from it.
    pub(super) fn leaning(&self, face: usize, here: DVec3) -> Option<(DVec3, f64)> {
        let normal = self.faces[face].normal;
        let cos = here.dot(normal);
        (cos > 0.02 && cos <= 0.9999).then_some((normal, cos))
    }

    /// How many samples of a row lie within a look.
    pub(super) fn look_samples(&self, row: usize) -> f64 {
        self.look_mm(row) / (self.step_mm * self.narrow(row).max(1e-9))
    }

    /// How many samples of a row lie within a step along a meridian.
    pub(super) fn samples_per_step(&self, row: usize) -> f64 {
        1.0 / self.narrow(row).max(1e-9)
    }

    /// The samples whose step towards a middle may use this one, and itself.
    pub(super) fn neighbours(
        &self,
        (row, column): (usize, usize),
        mut each: impl FnMut((usize, usize)),
    ) {
        let columns = self.layout.columns;
        for down in -1..=1isize {
            let (near, turned) = self.layout.sample(row as isize + down, column as isize);
            let aside = (self.look_samples(near).ceil() as usize + 1).min(columns / 2);
            let first = turned + columns - aside;
            for right in 0..=2 * aside {
                each((near, (first + right) % columns));
            }
        }
    }
}

/// The extreme of each value of a ring and the one so many places along another.
fn with_turned(line: &mut [f32], other: &[f32], by: usize, extreme: impl Fn(f32, f32) -> f32) {
    let (first, last) = line.split_at_mut(other.len() - by);
    let (wrapped, straight) = other.split_at(by);
    // One after the other: many are compared at a time then.
    for (line, other) in [(first, straight), (last, wrapped)] {
        for (line, other) in line.iter_mut().zip(other) {
            *line = extreme(*line, *other);
        }
    }
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
    FacePlane {
        kind: face.kind,
        normal: face.frame.z,
        sides,
        rim_cos: rim.min(1.55).cos(),
    }
}

/// The tables of a face, which are those of all of its kind.
fn falls(face: &Face, settings: &Settings) -> Falls {
    let radius_mm = settings.globe.diameter_mm / 2.0;
    let distance_mm = radius_mm * face.distance;
    let table = |lean_deg: f64| -> Vec<f64> {
        let cosines = (0..=FALLS).map(|i| i as f64 / FALLS as f64);
        let fall = |cos| fall(settings.globe.base, cos, radius_mm, distance_mm, lean_deg);
        cosines.map(fall).collect()
    };
    Falls {
        from_sample_to_sample: table(LEAN_DEG),
        anywhere_between: table(EASED_LEAN_DEG),
    }
}
