//! What is bad about a turn, part by part.

use super::features::Feature;
use crate::carve::resample::{Directions, LANES, Sampler};
use crate::model::curve::Curve;
use crate::model::geometry::Solid;
use crate::model::grid::{Grid, Heights, keys};
use crate::model::settings::{TurnPart, TurningSettings};
use glam::{DMat3, DVec3};
use serde::Serialize;

/// Places along a seam lie about this far apart.
const STEP_DEG: f64 = 1.0;

/// The slope across a seam is measured between places this far to either side of it.
const ASIDE_DEG: f64 = 0.3;

/// Two facets that do not meet by this much show a step of the slope times this. Common practice,
/// no source.
pub const MISFIT_MM: f64 = 0.3;

/// Added to a turn that passes the hard limit, so that no other part can make up for it.
const FORBIDDEN: f64 = 1e6;

/// The parts of a turn's cost.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CostParts {
    /// Mean over the seams, by their length, of the standard deviation of relief along each, mm.
    pub relief_mm: f64,
    /// The largest of those, mm.
    pub worst_mm: f64,
    /// Highest ground on any seam or corner, over the datum, mm.
    pub high_mm: f64,
    /// Mean step that a misfit of [`MISFIT_MM`] shows at the seams, mm.
    pub misfit_mm: f64,
    /// How far the lowest corner lies below the datum, mm; 0 when none does.
    pub corner_mm: f64,
    /// How far seams reach into places to keep whole, summed, degrees.
    pub keep_deg: f64,
}

impl CostParts {
    /// One part by name.
    pub fn part(&self, part: TurnPart) -> f64 {
        match part {
            TurnPart::Relief => self.relief_mm,
            TurnPart::Worst => self.worst_mm,
            TurnPart::High => self.high_mm,
            TurnPart::Misfit => self.misfit_mm,
            TurnPart::Corner => self.corner_mm,
            TurnPart::Keep => self.keep_deg,
        }
    }

    /// All parts weighed and added up; far more than that when the hard limit is passed.
    pub fn total(&self, settings: &TurningSettings) -> f64 {
        let sum = settings.relief * self.relief_mm
            + settings.worst * self.worst_mm
            + settings.high * self.high_mm
            + settings.misfit * self.misfit_mm
            + settings.corner * self.corner_mm
            + settings.keep * self.keep_deg;
        match settings.limit {
            Some(part) if self.part(part) > settings.most => {
                sum + FORBIDDEN * (1.0 + self.part(part) - settings.most)
            }
            _ => sum,
        }
    }

    /// Whether the hard limit, if any, is kept.
    pub fn allowed(&self, settings: &TurningSettings) -> bool {
        settings
            .limit
            .is_none_or(|part| self.part(part) <= settings.most)
    }
}

/// A solid's seams and corners as places to look at, and the ground to look at.
pub struct Costing<'a> {
    sampler: &'a Sampler,
    exact: Exact<'a>,
    sites: Sites,
    /// Seam planes of every face, and what decides which face a direction belongs to.
    faces: Vec<FaceSides>,
    features: &'a [Feature],
    radius_mm: f64,
}

/// Places on the solid in its standard position: on the seams, left and right of them, corners.
struct Sites {
    /// First place of each seam, and one past the last.
    starts: Vec<usize>,
    /// Length of each seam as an angle, radians.
    lengths: Vec<f64>,
    /// On the seams; then as many on the left, and on the right; then the corners.
    places: Vec<DVec3>,
}

struct FaceSides {
    /// Outward normal over the plane's distance: the face's plane is n·x = 1.
    pole: DVec3,
    /// Inward normals of the planes through the centre and each edge.
    inward: Vec<DVec3>,
}

impl<'a> Costing<'a> {
    /// Prepares a solid (in its standard position) and the ground: a grid, its curve, and the
    /// sampler of both.
    pub fn new(
        solid: &Solid,
        grid: &'a Grid,
        curve: &'a Curve,
        sampler: &'a Sampler,
        features: &'a [Feature],
        radius_mm: f64,
    ) -> Costing<'a> {
        Costing {
            sampler,
            exact: Exact::new(grid, curve),
            sites: Sites::of(solid),
            faces: face_sides(solid),
            features,
            radius_mm,
        }
    }

    /// The parts of a turn, by the vector kernel: good to a few millionths of a mm.
    pub fn parts(&self, turn: &DMat3) -> CostParts {
        let mut relief_mm = vec![0.0f32; self.sites.places.len()];
        pulp::Arch::new().dispatch(SeamLook {
            sampler: self.sampler,
            places: &self.sites.places,
            turn: *turn,
            relief_mm: &mut relief_mm,
        });
        self.judge(turn, |i| f64::from(relief_mm[i]))
    }

    /// The same in double precision throughout, to report.
    pub fn exact_parts(&self, turn: &DMat3) -> CostParts {
        let relief_mm: Vec<f64> = self
            .sites
            .places
            .iter()
            .map(|&place| self.exact.relief_mm(*turn * place))
            .collect();
        self.judge(turn, |i| relief_mm[i])
    }

    /// Names of the features that a turn's seams cut.
    pub fn cut_features(&self, turn: &DMat3) -> Vec<&'a Feature> {
        let back = turn.transpose();
        self.features
            .iter()
            .filter(|feature| self.seam_distance_rad(back * feature.towards) < feature.radius_rad)
            .collect()
    }

    fn judge(&self, turn: &DMat3, relief_mm: impl Fn(usize) -> f64) -> CostParts {
        let Sites {
            starts, lengths, ..
        } = &self.sites;
        let on_seams = starts[starts.len() - 1];
        let (mut deviations, mut steps, mut all) = (0.0, 0.0, 0.0);
        let (mut worst, mut high, mut low) = (0.0f64, f64::NEG_INFINITY, f64::INFINITY);
        let step_per_mm = MISFIT_MM / (2.0 * ASIDE_DEG.to_radians() * self.radius_mm);
        for (seam, &length) in lengths.iter().enumerate() {
            let places = starts[seam]..starts[seam + 1];
            let count = places.len() as f64;
            let mean = places.clone().map(&relief_mm).sum::<f64>() / count;
            let (mut squares, mut across) = (0.0, 0.0);
            for place in places {
                let here = relief_mm(place);
                squares += (here - mean) * (here - mean);
                across += (relief_mm(on_seams + place) - relief_mm(2 * on_seams + place)).abs();
                high = high.max(here);
            }
            let deviation = (squares / count).sqrt();
            worst = worst.max(deviation);
            deviations += length * deviation;
            steps += length * across / count * step_per_mm;
            all += length;
        }
        for corner in 3 * on_seams..self.sites.places.len() {
            high = high.max(relief_mm(corner));
            low = low.min(relief_mm(corner));
        }
        let back = turn.transpose();
        let keep_rad: f64 = self
            .features
            .iter()
            .map(|f| (f.radius_rad - self.seam_distance_rad(back * f.towards)).max(0.0))
            .sum();
        CostParts {
            relief_mm: deviations / all,
            worst_mm: worst,
            high_mm: high,
            misfit_mm: steps / all,
            corner_mm: (-low).max(0.0),
            keep_deg: keep_rad.to_degrees(),
        }
    }

    /// Angle from a direction, in the solid's standard position, to the nearest seam, radians.
    fn seam_distance_rad(&self, towards: DVec3) -> f64 {
        let own = self
            .faces
            .iter()
            .max_by(|a, b| a.pole.dot(towards).total_cmp(&b.pole.dot(towards)));
        own.map_or(0.0, |face| {
            face.inward
                .iter()
                .map(|inward| inward.dot(towards).clamp(-1.0, 1.0).asin())
                .fold(f64::INFINITY, f64::min)
        })
    }
}

impl Sites {
    fn of(solid: &Solid) -> Sites {
        let (mut starts, mut lengths) = (vec![0], Vec::new());
        let (mut on, mut left, mut right) = (Vec::new(), Vec::new(), Vec::new());
        let (sin, cos) = ASIDE_DEG.to_radians().sin_cos();
        for seam in &solid.seams {
            let [from, to] = seam.corners.map(|i| solid.corners[i].normalize());
            let length = from.angle_between(to);
            // Less a hair, or seams of equal length might get different counts.
            let count = (length.to_degrees() / STEP_DEG - 1e-6).ceil().max(4.0) as usize;
            let aside = from.cross(to).normalize();
            let along = aside.cross(from);
            for i in 0..count {
                // Middles of equal parts: even along the seam, the same from either end.
                let angle = length * (i as f64 + 0.5) / count as f64;
                let place = from * angle.cos() + along * angle.sin();
                on.push(place);
                left.push(place * cos + aside * sin);
                right.push(place * cos - aside * sin);
            }
            starts.push(on.len());
            lengths.push(length);
        }
        let mut places = on;
        places.append(&mut left);
        places.append(&mut right);
        places.extend(solid.corners.iter().map(|corner| corner.normalize()));
        Sites {
            starts,
            lengths,
            places,
        }
    }
}

fn face_sides(solid: &Solid) -> Vec<FaceSides> {
    solid
        .faces
        .iter()
        .map(|face| {
            let corner = |i: usize| solid.corners[face.corners[i % face.corners.len()]];
            let inward = (0..face.corners.len())
                .map(|i| corner(i).cross(corner(i + 1)).normalize())
                .collect();
            FaceSides {
                pole: face.frame.z / face.distance,
                inward,
            }
        })
        .collect()
}

struct SeamLook<'a> {
    sampler: &'a Sampler,
    places: &'a [DVec3],
    turn: DMat3,
    relief_mm: &'a mut [f32],
}

impl pulp::NullaryFnOnce for SeamLook<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (places, out) in self
            .places
            .chunks(LANES)
            .zip(self.relief_mm.chunks_mut(LANES))
        {
            let mut block = Directions::default();
            for (lane, &place) in places.iter().enumerate() {
                let turned = self.turn * place;
                (block.x[lane], block.y[lane], block.z[lane]) = (turned.x, turned.y, turned.z);
            }
            let mut relief = [0f32; LANES];
            self.sampler.relief_block(&block, &mut relief);
            out.copy_from_slice(&relief[..out.len()]);
        }
    }
}

/// The sampler's interpolation in double precision: Keys' cubic convolution and the curve.
struct Exact<'a> {
    grid: &'a Grid,
    curve: &'a Curve,
    /// Rows from two above the first to two below the last, carried across the poles.
    rows: Vec<Vec<f32>>,
}

impl<'a> Exact<'a> {
    fn new(grid: &'a Grid, curve: &'a Curve) -> Exact<'a> {
        Exact {
            grid,
            curve,
            rows: grid.rows_across_poles(-2..grid.rows() as isize + 2),
        }
    }

    fn relief_mm(&self, towards: DVec3) -> f64 {
        let lat_deg = towards.z.atan2(towards.x.hypot(towards.y)).to_degrees();
        let lon_deg = towards.y.atan2(towards.x).to_degrees();
        let row = (self.grid.north_deg() - lat_deg) / self.grid.step_lat_deg();
        let column = (lon_deg - self.grid.west_deg) / self.grid.step_lon_deg();
        let (down, across) = (keys(row - row.floor()), keys(column - column.floor()));
        let columns = self.grid.columns() as i64;
        let mut height_m = 0.0;
        for (i, weight) in down.iter().enumerate() {
            let line = (row.floor() as i64 + 1 + i as i64).clamp(0, self.rows.len() as i64 - 1);
            for (j, aside) in across.iter().enumerate() {
                let at = (column.floor() as i64 - 1 + j as i64).rem_euclid(columns);
                height_m += weight * aside * f64::from(self.rows[line as usize][at as usize]);
            }
        }
        self.curve.relief_mm(height_m)
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{bumpy, plain_curve};
    use super::*;
    use crate::model::geometry::{direction, rotations, solid_names};
    use glam::{DQuat, EulerRot};

    fn any_turn(seed: u32) -> DMat3 {
        let s = f64::from(seed);
        DMat3::from_quat(DQuat::from_euler(EulerRot::ZXZ, 1.3 * s, 0.7 + s, 2.1 * s))
    }

    #[test]
    fn a_solid_turned_onto_itself_costs_the_same() {
        let grid = bumpy(180, DMat3::IDENTITY);
        let curve = plain_curve(&grid);
        let sampler = Sampler::new(&grid, &curve);
        let feature = |lat, lon| Feature {
            name: "a place".into(),
            towards: direction(lat, lon),
            radius_rad: 0.4,
            prominence_m: None,
        };
        let features = [feature(20.0, 50.0), feature(-70.0, 200.0)];
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let costing = Costing::new(&solid, &grid, &curve, &sampler, &features, 100.0);
            let turn = any_turn(3);
            let wanted = costing.exact_parts(&turn);
            for same in rotations(&solid).iter().step_by(5) {
                let found = costing.exact_parts(&(turn * *same));
                for (a, b) in values(&found).into_iter().zip(values(&wanted)) {
                    assert!((a - b).abs() < 1e-9, "{name}: {found:?} {wanted:?}");
                }
            }
            // And the fast kernel agrees with the exact one.
            let fast = costing.parts(&turn);
            for (a, b) in values(&fast).into_iter().zip(values(&wanted)) {
                assert!((a - b).abs() < 2e-5, "{name}: {fast:?} {wanted:?}");
            }
        }
    }

    fn values(parts: &CostParts) -> [f64; 6] {
        [
            parts.relief_mm,
            parts.worst_mm,
            parts.high_mm,
            parts.misfit_mm,
            parts.corner_mm,
            parts.keep_deg,
        ]
    }

    /// Closed form: relief that rises with height over the equator by k mm per radius, on a cube
    /// in standard position. Its four upright seams at latitude ±35.26° have relief k·z.
    #[test]
    fn parts_are_the_closed_form_on_a_tilted_field() {
        let solid = Solid::named("cube").unwrap();
        let grid = super::super::testing::field(720, |d| 1000.0 * d.z);
        let curve = plain_curve(&grid);
        let per_m = (curve.highest_mm() - curve.lowest_mm())
            / (curve.knots_m[curve.knots_m.len() - 1] - curve.knots_m[0]);
        let k = 1000.0 * per_m;
        let sampler = Sampler::new(&grid, &curve);
        let costing = Costing::new(&solid, &grid, &curve, &sampler, &[], 100.0);
        let parts = costing.exact_parts(&DMat3::IDENTITY);
        // Corners at z = ±1/√3: lowest and highest corner; the level seams bow up to 1/√2.
        let middle = curve.relief_mm(0.0);
        assert!((parts.corner_mm + middle - k / 3f64.sqrt()).abs() < 1e-4 * k);
        assert!((parts.high_mm - middle - k / 2f64.sqrt()).abs() < 1e-3 * k);
        // Upright: z = sin of angles evenly from −a to a, a = 35.264°: √(½ − sin 2a / 4a).
        let a = (1.0 / 3f64.sqrt()).asin();
        let upright = k * (0.5 - (2.0 * a).sin() / (4.0 * a)).sqrt();
        assert!((parts.worst_mm - upright).abs() < 1e-3 * k, "{parts:?}");
        // Level: z = cos of angles from −a to a over √2: mean and mean square in closed form.
        let mean = a.sin() / a / 2f64.sqrt();
        let square = 0.5 * (0.5 + (2.0 * a).sin() / (4.0 * a));
        let level = k * (square - mean * mean).sqrt();
        let wanted = (4.0 * upright + 8.0 * level) / 12.0;
        assert!(
            (parts.relief_mm - wanted).abs() < 1e-3 * k,
            "{parts:?} {wanted}"
        );
    }

    #[test]
    fn seams_through_a_place_to_keep_are_measured_in_degrees() {
        let solid = Solid::named("cube").unwrap();
        let grid = bumpy(90, DMat3::IDENTITY);
        let curve = plain_curve(&grid);
        let sampler = Sampler::new(&grid, &curve);
        let pole = Feature {
            name: "the pole".into(),
            towards: DVec3::Z,
            radius_rad: 50f64.to_radians(),
            prominence_m: None,
        };
        let features = [pole];
        let costing = Costing::new(&solid, &grid, &curve, &sampler, &features, 100.0);
        // A cube's face reaches 45 degrees from its centre to the middle of a seam.
        let parts = costing.exact_parts(&DMat3::IDENTITY);
        assert!((parts.keep_deg - 5.0).abs() < 1e-9);
        // Tipped towards the middle of a seam; standard corners are at longitudes 0, 90 …
        let edge = DVec3::new(1.0, 1.0, 0.0).normalize();
        let parts = costing.exact_parts(&DMat3::from_axis_angle(edge, 0.1));
        assert!((parts.keep_deg - 5.0 - 0.1f64.to_degrees()).abs() < 1e-9);
        assert_eq!(costing.cut_features(&DMat3::IDENTITY).len(), 1);
    }

    #[test]
    fn the_hard_limit_outweighs_everything() {
        let parts = CostParts {
            relief_mm: 0.5,
            worst_mm: 1.0,
            high_mm: 2.0,
            misfit_mm: 0.1,
            corner_mm: 1.0,
            keep_deg: 3.0,
        };
        let mut settings = TurningSettings {
            limit: Some(TurnPart::Worst),
            most: 1.0,
            ..TurningSettings::default()
        };
        let wanted = 0.5 + 0.25 + 0.2 + 0.2 + 0.1 + 0.15;
        assert!((parts.total(&settings) - wanted).abs() < 1e-12 && parts.allowed(&settings));
        settings.most = 0.99;
        assert!(parts.total(&settings) > 1e6 && !parts.allowed(&settings));
    }
}
