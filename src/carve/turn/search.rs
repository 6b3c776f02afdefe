//! The search over all turns: an even covering, then downhill from the best of it.

use super::cost::{CostParts, Costing};
use crate::model::geometry::{Solid, apart_rad, covering, place_of, rotations, turn_to};
use crate::model::parallel;
use crate::model::progress::Progress;
use crate::model::settings::TurningSettings;
use argmin::core::{CostFunction, Executor, State};
use argmin::solver::neldermead::NelderMead;
use glam::{DMat3, DQuat, DVec3};

/// Turns of the covering: about 3.3 degrees apart for a dodecahedron. Seams are as wide as what
/// lies on them, so a valley of the cost is about as wide as a mountain.
const COVERING: usize = 6000;

/// How many of the covering's best are followed downhill.
const STARTS: usize = 120;

/// Steps of each way down.
const STEPS: u64 = 70;

/// Choices nearer than this to a better one are the same choice, degrees.
const DIFFERENT_DEG: f64 = 8.0;

/// Choices shown.
pub const CHOICES: usize = 5;

/// Decimals of the angles in a job file, so that what is shown is what was judged.
const DECIMALS: f64 = 100.0;

/// A turn as a job file gives it, and what it costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurnChoice {
    /// Latitude of facet 1's centre, degrees north.
    pub lat_deg: f64,
    /// Longitude of it, degrees east.
    pub lon_deg: f64,
    /// Direction of its index corner, degrees clockwise from north.
    pub spin_deg: f64,
    /// The parts of its cost, in double precision.
    pub parts: CostParts,
    /// The parts weighed and added up.
    pub total: f64,
}

/// What a search found.
#[derive(Debug, Clone, PartialEq)]
pub struct SearchResult {
    /// The best, clearly different choices, best first; never empty.
    pub choices: Vec<TurnChoice>,
    /// Medians of each part over the covering: what a turn without thought gives.
    pub median: CostParts,
    /// Turns looked at.
    pub looked_at: usize,
}

/// Looks for the best turns of a solid in its standard position.
///
/// The same input finds the same turns, on any number of cores.
pub fn search(
    solid: &Solid,
    costing: &Costing<'_>,
    settings: &TurningSettings,
    progress: &dyn Progress,
) -> SearchResult {
    let same: Vec<DQuat> = rotations(solid).iter().map(DQuat::from_mat3).collect();
    let covering = covering(COVERING, &same, start(settings.seed));
    progress.start("turning the planet", (covering.len() + STARTS) as u64);
    let parts = parallel::mapped(&covering, &|turn| {
        let parts = costing.parts(&DMat3::from_quat(*turn));
        progress.step(1);
        parts
    });
    let mut order: Vec<usize> = (0..covering.len()).collect();
    let totals: Vec<f64> = parts.iter().map(|parts| parts.total(settings)).collect();
    order.sort_by(|&a, &b| totals[a].total_cmp(&totals[b]));
    let width = (8.0 * std::f64::consts::PI.powi(2) / (COVERING * same.len()) as f64).cbrt();
    let starts = spread(&covering, &order, 1.5 * width, &same);
    let mut low = parallel::mapped(&starts, &|&turn| {
        let found = downhill(costing, settings, turn, 0.5 * width);
        progress.step(1);
        found
    });
    low.sort_by(|a, b| a.0.total_cmp(&b.0));
    // What looked best may lie in a narrow valley: follow it to its end.
    let last = parallel::mapped(&low[..STARTS.min(low.len()) / 8], &|&(_, turn)| {
        downhill(costing, settings, turn, 0.1 * width)
    });
    low.extend(last);
    low.sort_by(|a, b| a.0.total_cmp(&b.0));
    progress.done();
    SearchResult {
        choices: different(solid, costing, settings, &low, &same),
        median: median(&parts),
        looked_at: covering.len() + (STARTS + STARTS / 8) * STEPS as usize,
    }
}

/// The best of the covering that are not neighbours of a better one: their ways down differ.
fn spread(covering: &[DQuat], order: &[usize], least_rad: f64, same: &[DQuat]) -> Vec<DQuat> {
    let mut starts: Vec<DQuat> = Vec::new();
    for &i in order {
        let turn = covering[i];
        if starts.len() == STARTS {
            break;
        }
        if starts
            .iter()
            .all(|&other| apart_rad(turn, other, same) > least_rad)
        {
            starts.push(turn);
        }
    }
    starts
}

/// Turns the covering by an angle of its own for every seed.
fn start(seed: usize) -> DQuat {
    let angle = |factor: f64| (seed as f64 * factor).fract() * std::f64::consts::TAU;
    DQuat::from_rotation_z(angle(0.618_033_988_749_895))
        * DQuat::from_rotation_x(angle(0.754_877_666_246_693))
}

/// A turn by a rotation vector from another.
struct Around<'a> {
    costing: &'a Costing<'a>,
    settings: &'a TurningSettings,
    middle: DQuat,
}

impl Around<'_> {
    fn turn(&self, vector: &[f64]) -> DQuat {
        let vector = DVec3::from_slice(vector);
        (DQuat::from_scaled_axis(vector) * self.middle).normalize()
    }
}

impl CostFunction for Around<'_> {
    type Param = Vec<f64>;
    type Output = f64;

    fn cost(&self, vector: &Vec<f64>) -> Result<f64, argmin::core::Error> {
        let turn = DMat3::from_quat(self.turn(vector));
        Ok(self.costing.parts(&turn).total(self.settings))
    }
}

/// Nelder and Mead's simplex from a turn; needs no slopes, which the worst seam does not have.
fn downhill(
    costing: &Costing<'_>,
    settings: &TurningSettings,
    middle: DQuat,
    width_rad: f64,
) -> (f64, DQuat) {
    let around = Around {
        costing,
        settings,
        middle,
    };
    let stay = (
        costing.parts(&DMat3::from_quat(middle)).total(settings),
        middle,
    );
    let corner = |i: usize| {
        let mut corner = vec![-0.25 * width_rad; 3];
        if let Some(value) = corner.get_mut(i) {
            *value = 0.75 * width_rad;
        }
        corner
    };
    let solver = NelderMead::new((0..4).map(corner).collect());
    let Ok(solver) = solver.with_sd_tolerance(1e-7) else {
        return stay;
    };
    let Ok(result) = Executor::new(around, solver)
        .configure(|state| state.max_iters(STEPS))
        .ctrlc(false)
        .run()
    else {
        return stay;
    };
    let state = result.state();
    match state.get_best_param() {
        Some(vector) if state.get_best_cost() < stay.0 => {
            let around = Around {
                costing,
                settings,
                middle,
            };
            (state.get_best_cost(), around.turn(vector))
        }
        _ => stay,
    }
}

/// The best that are clearly different, as a job file gives them.
fn different(
    solid: &Solid,
    costing: &Costing<'_>,
    settings: &TurningSettings,
    low: &[(f64, DQuat)],
    same: &[DQuat],
) -> Vec<TurnChoice> {
    let mut kept: Vec<DQuat> = Vec::new();
    for &(_, turn) in low {
        let new = |other: &DQuat| apart_rad(turn, *other, same).to_degrees() > DIFFERENT_DEG;
        if kept.len() < CHOICES && kept.iter().all(new) {
            kept.push(turn);
        }
    }
    let mut choices: Vec<TurnChoice> = kept
        .iter()
        .map(|&turn| {
            let (lat, lon, spin) = place_of(solid, 0, &DMat3::from_quat(turn));
            judge(solid, costing, settings, [lat, lon, spin].map(rounded))
        })
        .collect();
    choices.sort_by(|a, b| a.total.total_cmp(&b.total));
    choices
}

fn rounded(angle_deg: f64) -> f64 {
    // Adding zero turns −0 into 0.
    (angle_deg * DECIMALS).round() / DECIMALS + 0.0
}

/// A turn given as in a job file, facet 1 at a place.
pub fn judge(
    solid: &Solid,
    costing: &Costing<'_>,
    settings: &TurningSettings,
    [lat_deg, lon_deg, spin_deg]: [f64; 3],
) -> TurnChoice {
    let parts = costing.exact_parts(&turn_to(solid, 0, lat_deg, lon_deg, spin_deg));
    TurnChoice {
        lat_deg,
        lon_deg,
        spin_deg,
        total: parts.total(settings),
        parts,
    }
}

/// The middle value of each part by itself.
fn median(parts: &[CostParts]) -> CostParts {
    let middle = |value: fn(&CostParts) -> f64| {
        let mut values: Vec<f64> = parts.iter().map(value).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(0.0)
    };
    CostParts {
        relief_mm: middle(|p| p.relief_mm),
        worst_mm: middle(|p| p.worst_mm),
        high_mm: middle(|p| p.high_mm),
        misfit_mm: middle(|p| p.misfit_mm),
        corner_mm: middle(|p| p.corner_mm),
        keep_deg: middle(|p| p.keep_deg),
    }
}

#[cfg(test)]
mod tests {
    use super::super::features::Feature;
    use super::super::testing::{bumpy, field, plain_curve};
    use super::*;
    use crate::carve::resample::Sampler;
    use crate::model::geometry::direction;
    use crate::model::progress::Silent;
    use crate::output::testing::random;

    fn random_turn(seed: &mut u64) -> DQuat {
        // Shoemake's even rotations from three even numbers.
        let (u, v, w) = (random(seed), random(seed), random(seed));
        let (a, b) = ((1.0 - u).sqrt(), u.sqrt());
        let (v, w) = (v * std::f64::consts::TAU, w * std::f64::consts::TAU);
        DQuat::from_xyzw(a * v.sin(), a * v.cos(), b * w.sin(), b * w.cos())
    }

    fn relief_only() -> TurningSettings {
        TurningSettings {
            relief: 1.0,
            worst: 0.0,
            high: 0.0,
            misfit: 0.0,
            corner: 0.0,
            keep: 0.0,
            ..TurningSettings::default()
        }
    }

    #[test]
    fn brute_force_never_beats_the_search() {
        let grid = bumpy(360, DMat3::IDENTITY);
        let curve = plain_curve(&grid);
        let sampler = Sampler::new(&grid, &curve);
        for name in ["dodecahedron", "cube"] {
            let solid = Solid::named(name).unwrap();
            let costing = Costing::new(&solid, &grid, &curve, &sampler, &[], 100.0);
            for settings in [relief_only(), TurningSettings::default()] {
                let found = search(&solid, &costing, &settings, &Silent);
                let mut seed = 7;
                let turns: Vec<DQuat> = (0..5_000).map(|_| random_turn(&mut seed)).collect();
                let totals = parallel::mapped(&turns, &|turn| {
                    costing.parts(&DMat3::from_quat(*turn)).total(&settings)
                });
                let best = totals.into_iter().fold(f64::INFINITY, f64::min);
                let ours = found.choices[0].total;
                assert!(ours <= best + 1e-4, "{name}: {ours} {best}");
                assert_eq!(found.choices.len(), CHOICES);
                // Clearly different, look-alikes of the solid counted as one.
                let same: Vec<DQuat> = rotations(&solid).iter().map(DQuat::from_mat3).collect();
                let turns = found.choices.iter().map(|choice| choice.turn(&solid));
                let turns: Vec<DQuat> = turns.map(|turn| DQuat::from_mat3(&turn)).collect();
                for (i, a) in turns.iter().enumerate() {
                    for b in &turns[..i] {
                        let apart = apart_rad(*a, *b, &same).to_degrees();
                        // Each is rounded to hundredths of a degree after the choice.
                        assert!(apart > DIFFERENT_DEG - 0.03, "{name}: {apart}");
                    }
                }
            }
        }
    }

    #[test]
    fn turning_the_body_turns_the_answer() {
        let solid = Solid::named("dodecahedron").unwrap();
        let same: Vec<DQuat> = rotations(&solid).iter().map(DQuat::from_mat3).collect();
        let settings = relief_only();
        let turned_by = DQuat::from_euler(glam::EulerRot::ZXZ, 0.4, 1.1, -0.9);
        let best = |turn: DQuat| {
            let grid = bumpy(360, DMat3::from_quat(turn));
            let curve = plain_curve(&grid);
            let sampler = Sampler::new(&grid, &curve);
            let costing = Costing::new(&solid, &grid, &curve, &sampler, &[], 100.0);
            let choice = search(&solid, &costing, &settings, &Silent).choices[0];
            let turn = turn_to(&solid, 0, choice.lat_deg, choice.lon_deg, choice.spin_deg);
            (choice.total, DQuat::from_mat3(&turn))
        };
        let (cost, still) = best(DQuat::IDENTITY);
        let (turned_cost, turned) = best(turned_by);
        assert!(
            (cost - turned_cost).abs() < 2e-3 * cost,
            "{cost} {turned_cost}"
        );
        let apart = apart_rad(turned_by * still, turned, &same).to_degrees();
        assert!(apart < 0.5, "{apart} degrees");
    }

    /// A cone to keep whole, wider than a facet, and a ridge along a great circle through it: the
    /// cone must come to the middle of a facet, and the ridge decides the spin.
    #[test]
    fn a_ridge_and_a_cone_have_a_known_best_turn() {
        let solid = Solid::named("dodecahedron").unwrap();
        let cone = direction(25.0, 70.0);
        let ridge_pole = cone.cross(DVec3::new(0.3, -0.5, 0.8)).normalize();
        let grid = field(720, |d| {
            let off = ridge_pole.dot(d).asin().to_degrees() / 6.0;
            let away = d.angle_between(cone).to_degrees() / 15.0;
            1500.0 * (-off * off).exp() + 3000.0 * (1.0 - away).max(0.0)
        });
        let curve = plain_curve(&grid);
        let sampler = Sampler::new(&grid, &curve);
        let features = [Feature {
            name: "cone".into(),
            towards: cone,
            radius_rad: 40f64.to_radians(),
            prominence_m: None,
        }];
        let costing = Costing::new(&solid, &grid, &curve, &sampler, &features, 100.0);
        let settings = TurningSettings {
            keep: 1.0,
            ..relief_only()
        };
        let best = search(&solid, &costing, &settings, &Silent).choices[0];
        let turned = solid.turned(&turn_to(
            &solid,
            0,
            best.lat_deg,
            best.lon_deg,
            best.spin_deg,
        ));
        let nearest = turned
            .faces
            .iter()
            .map(|face| face.frame.z.angle_between(cone).to_degrees())
            .fold(f64::INFINITY, f64::min);
        assert!(nearest < 0.3, "{nearest} degrees from a facet's centre");
        // With the cone in the middle of a facet only the spin is left; it repeats every 36
        // degrees, and a scan of it shows the best.
        let (lat, lon) = crate::model::geometry::lat_lon_deg(cone);
        let scan: Vec<(f64, f64)> = (0..360)
            .map(|i| 0.1 * f64::from(i))
            .map(|spin| {
                (
                    judge(&solid, &costing, &settings, [lat, lon, spin]).total,
                    spin,
                )
            })
            .collect();
        let &(lowest, spin) = scan.iter().min_by(|a, b| a.0.total_cmp(&b.0)).unwrap();
        // The job file's hundredths of a degree cost a little.
        assert!(best.total <= lowest + 1e-2, "{} {lowest}", best.total);
        // The same position of the solid, or its mirror image in the ridge.
        let known = DQuat::from_mat3(&turn_to(&solid, 0, lat, lon, spin));
        let same: Vec<DQuat> = rotations(&solid).iter().map(DQuat::from_mat3).collect();
        let found = DQuat::from_mat3(&best.turn(&solid));
        let half_turn = DQuat::from_axis_angle(cone, std::f64::consts::PI);
        let off = apart_rad(found, known, &same).min(apart_rad(found, half_turn * known, &same));
        assert!(off.to_degrees() < 0.5, "{} degrees", off.to_degrees());
    }

    #[test]
    fn the_same_seed_finds_the_same_turns_on_any_number_of_cores() {
        let grid = bumpy(180, DMat3::IDENTITY);
        let curve = plain_curve(&grid);
        let sampler = Sampler::new(&grid, &curve);
        let solid = Solid::named("cube").unwrap();
        let costing = Costing::new(&solid, &grid, &curve, &sampler, &[], 100.0);
        let run = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
            let pool = pool.build().unwrap();
            pool.install(|| search(&solid, &costing, &TurningSettings::default(), &Silent))
        };
        assert_eq!(run(1), run(3));
    }
}
