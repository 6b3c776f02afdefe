//! Keeps ground from being undercut on the facets of a solid.
//!
//! Only ground that falls away from a facet's middle can be (see [`LeanLimits`]). A steepest slope
//! for the whole ball would flatten everything on a solid with few faces; instead, the fall away
//! from the middle alone is limited, by what leaves the finished surface twelve degrees short of
//! upright in the blank. Ground at the foot of a fall that is too steep is raised to the least
//! surface that obeys the limit, which is what a cutter from above would leave there, and a ramp:
//!
//! ```text
//!   raised(x) = max( f(x), raised(y) − limit·|xy| )       y one step nearer the middle
//! ```
//!
//! The limit is asked twice, of a sample and the ground a step inward and of a sample and the ground
//! a step outward, for a peak of one sample hides between those that only look inward.
//!
//! It is raised in the relief of the planet, so that both neighbours of a seam see the same ground.

use super::eased::{ease, leaning_cells};
use super::lean::{BEYOND_MM, LeanLimits, SAMPLES_AT_ONCE};
use crate::model::geometry::Solid;
use crate::model::grid::Grid;
use crate::model::parallel;
use crate::model::settings::{Projection, Settings};
use fixedbitset::FixedBitSet;
use glam::DVec3;
use ndarray::Array2;
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Raises of less than this are not worth making, mm.
const LEAST_MM: f32 = 2e-3;

/// Rounds over all facets: what one raises in the trim another may have to follow.
const ROUNDS: usize = 24;

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
    let limits = LeanLimits::new(relief_mm, solid, settings);
    let mut first = limits.first(relief_mm);
    let mut before = (!first.is_empty()).then(|| relief_mm.heights_m.clone());
    let mut waiting = FixedBitSet::with_capacity(relief_mm.heights_m.len());
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
    let leaning = leaning_cells(relief_mm, &limits);
    if !leaning.is_empty() {
        before.get_or_insert_with(|| relief_mm.heights_m.clone());
        ease(relief_mm, &limits, leaning);
    }
    before.map_or(Raised::default(), |before| raised(relief_mm, &before))
}

/// What was raised since the relief was as before.
fn raised(relief_mm: &Grid, before: &Array2<f32>) -> Raised {
    let mut raised = Raised::default();
    let rows = relief_mm.heights_m.outer_iter().zip(before.outer_iter());
    for (row, (after, before)) in rows.enumerate() {
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

impl LeanLimits {
    fn entry(&self, face: usize, place: (usize, usize), here: DVec3) -> QueueEntry {
        QueueEntry {
            face: face as u16,
            away: (1.0 - self.cos(face, here)).max(0.0).to_bits(),
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
        let found = parallel::indexed(self.layout.rows, &|row| {
            let look_mm = self.look_mm(row);
            let around = self.most_around(relief_mm, row);
            (around.into_iter().enumerate())
                .filter(|&(column, rise)| {
                    f64::from(rise) > self.least_fall((row, column)) * look_mm
                })
                .flat_map(|(column, rise)| {
                    self.too_steep(relief_mm, (row, column), Some(f64::from(rise)))
                })
                .collect::<Vec<QueueEntry>>()
        });
        in_order(found.concat())
    }

    /// Those that fall too steeply among the samples raised last and those beside them.
    fn follow(&self, relief_mm: &Grid, touched: Vec<(usize, usize)>) -> Vec<QueueEntry> {
        let mut places = touched.clone();
        for place in touched {
            self.neighbours(place, |near| places.push(near));
        }
        places.sort_unstable();
        places.dedup();
        let found = parallel::given(places.chunks(SAMPLES_AT_ONCE), &|_, places| {
            let found = places
                .iter()
                .flat_map(|&place| self.too_steep(relief_mm, place, None));
            found.collect::<Vec<QueueEntry>>()
        });
        in_order(found.concat())
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
            let cos = self.cos(face, here);
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
        // A step towards the facet's middle. Near a pole it is so short that a sample hardly counts
        // the ground there: what it lacks is told by differences, for its height says nothing.
        let nearer = aside(here, normal, cos, -look_mm / self.radius_mm);
        let (mut lacks, mut others) = (-drop as f32, 0.0);
        for (sample, weight) in self.around(nearer) {
            if sample != place {
                others += weight;
                lacks += weight * (relief_mm.heights_m[sample] - own);
            }
        }
        let least = own + lacks / others.max(0.1);
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
            let row = first_row as isize + lower as isize;
            let sample = layout.sample(row, first_column as isize + side as isize);
            let part = |second: usize, part: f32| if second == 1 { part } else { 1.0 - part };
            (sample, part(lower, v) * part(side, u))
        })
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

    /// A gentle slope across a pole stays as it is, however far below the level it lies.
    #[test]
    fn level_ground_at_a_pole_is_not_raised() {
        let (solid, settings) = settings("dodecahedron");
        let gentle = grid_of(1440, |d| -5.0 + 1.5 * d.x + 0.05 * (40.0 * d.y).sin());
        let mut relief = gentle.clone();
        without_undercuts(&mut relief, &solid, &settings);
        assert_eq!(relief.heights_m, gentle.heights_m);
    }

    #[test]
    fn nothing_folds_under_itself_any_more() {
        for name in ["cube", "tetrahedron", "dodecahedron"] {
            let (solid, settings) = settings(name);
            let mut relief = rugged();
            let before = relief.clone();
            let folded = folds(&relief, &solid, &settings);
            let raised = without_undercuts(&mut relief, &solid, &settings);
            assert_eq!(folds(&relief, &solid, &settings), 0, "{name}");
            assert!(folded > 50 || name == "dodecahedron", "{name} {folded}");
            assert!(raised.share < 0.5, "{name} {raised:?}");
            // Ground is raised; easing lowers a little of it by less.
            let (mut lowered, mut most) = (0.0, 0f32);
            for ((row, column), after) in relief.heights_m.indexed_iter() {
                let by = before.heights_m[(row, column)] - after;
                if by > 0.02 {
                    lowered += relief.area_weight(row);
                    most = most.max(by);
                }
            }
            assert!(lowered < 1e-3 && most < 0.6, "{name} {lowered} {most}");
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
        // Where ground is just at a limit it may be raised or eased in one and not in the other:
        // a few of a million samples.
        let mut apart = 0;
        for ((row, column), mm) in relief.heights_m.indexed_iter() {
            let there = turned.heights_m[(row, (column + 360) % 1440)];
            assert!((mm - there).abs() < 1.0, "{row} {column}: {mm} {there}");
            apart += usize::from((mm - there).abs() > 0.02);
        }
        assert!(apart < 200, "{apart} samples");
    }
}
