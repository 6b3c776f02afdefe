//! Turns the planet so that seams run where the saw likes it.
//!
//! High or steep ground on a seam leaves wood standing, weak edges and gaps that show. Every turn
//! of the solid is judged by its seams ([`cost`]), all turns are searched ([`search`]), and places
//! worth keeping whole are found by their prominence ([`features`]).

pub mod cost;
pub mod features;
pub mod search;

use crate::carve::relief::Ground;
use crate::carve::resample::Sampler;
use crate::model::geometry::{Solid, place_of, turn_to};
use crate::model::grid::{Grid, Source};
use crate::model::length::Lengths;
use crate::model::progress::Progress;
use crate::model::settings::{Settings, TurnPart};
use crate::{Error, Problem, Result};
use cost::Costing;
use features::Feature;
use glam::DMat3;
use search::{SearchResult, TurnChoice};

/// The turn the job has, and better ones.
#[derive(Debug, Clone, PartialEq)]
pub struct Turned {
    /// As the job has it.
    pub before: TurnChoice,
    /// What the search found.
    pub found: SearchResult,
    /// Places to keep whole.
    pub features: Vec<Feature>,
    /// Names of those that the job's turn cuts.
    pub cut_before: Vec<String>,
    /// Names of those that the best turn cuts.
    pub cut_after: Vec<String>,
    /// The relief judged, lowest to highest, mm.
    pub range_mm: f64,
    /// How the job has lengths written.
    pub(crate) lengths: Lengths,
}

/// Searches all turns of a job's solid over a grid and the relief that is carved of it.
///
/// # Errors
/// [`Error::Job`] when no turn keeps the hard limit.
pub(crate) fn turn(
    grid: &Grid,
    source: &Source,
    ground: &Ground,
    settings: &Settings,
    progress: &dyn Progress,
) -> Result<Turned> {
    let solid = Solid::named(&settings.globe.solid)
        .ok_or_else(|| Error::Job(Problem::new("there is no such solid").setting("globe.solid")))?;
    let place = &settings.globe.turn;
    let now = turn_to(
        &solid,
        place.face.clamp(1, solid.faces.len()) - 1,
        place.lat_deg,
        place.lon_deg,
        place.spin_deg,
    );
    let sampler = Sampler::new(&ground.grid, &ground.curve);
    let features = features::features(grid, source, &settings.keeps, &settings.turning);
    let radius_mm = settings.globe.diameter_mm / 2.0;
    let costing = Costing::new(
        &solid,
        &ground.grid,
        &ground.curve,
        &sampler,
        &features,
        radius_mm,
    );
    let found = search::search(&solid, &costing, &settings.turning, progress);
    let best = &found.choices[0];
    if !best.parts.allowed(&settings.turning) {
        return Err(beyond_limit(settings, best));
    }
    let names = |turn: &DMat3| {
        let cut = costing.cut_features(turn);
        cut.iter().map(|feature| feature.name.clone()).collect()
    };
    let (lat, lon, spin) = place_of(&solid, 0, &now);
    Ok(Turned {
        before: search::judge(&solid, &costing, &settings.turning, [lat, lon, spin]),
        cut_before: names(&now),
        cut_after: names(&best.turn(&solid)),
        features: features.clone(),
        found,
        range_mm: ground.range_mm,
        lengths: settings.lengths(),
    })
}

impl TurnChoice {
    /// The turn from the solid's standard position.
    pub fn turn(&self, solid: &Solid) -> DMat3 {
        turn_to(solid, 0, self.lat_deg, self.lon_deg, self.spin_deg)
    }
}

/// What a part is, in shop words.
pub fn name(part: TurnPart) -> &'static str {
    match part {
        TurnPart::Relief => "relief along the seams, mean",
        TurnPart::Worst => "relief along the worst seam",
        TurnPart::High => "highest ground on a seam or corner",
        TurnPart::Misfit => "step shown by a misfit, mean",
        TurnPart::Corner => "lowest corner below the datum",
        TurnPart::Keep => "seams into places to keep whole",
    }
}

/// Its number as it is printed.
pub fn printed(part: TurnPart, value: f64, lengths: Lengths) -> String {
    match part {
        TurnPart::Keep => format!("{value:.3}"),
        _ => lengths.fine_number(value),
    }
}

/// The unit of its number.
pub fn unit(part: TurnPart, lengths: Lengths) -> &'static str {
    match part {
        TurnPart::Keep => "degrees",
        _ => lengths.unit(),
    }
}

fn beyond_limit(settings: &Settings, best: &TurnChoice) -> Error {
    let part = settings.turning.limit.unwrap_or(TurnPart::Relief);
    // As turn.most is written, whatever the sheets are in.
    let unit = unit(part, Lengths::METRIC);
    Error::Job(
        Problem::new(format!(
            "no turn found keeps the part named in turn.limit, {}",
            name(part)
        ))
        .setting("turn.most")
        .found(format!("{} {unit}", settings.turning.most))
        .allowed(format!("at least {:.3} {unit}", up(best.parts.part(part))))
        .next("raise turn.most, or set turn.limit = \"none\""),
    )
}

/// Rounded up to what is printed, for a message that must be safe to follow.
fn up(value: f64) -> f64 {
    (value * 1000.0).ceil() / 1000.0
}

/// Bodies made of formulas, for tests.
#[cfg(test)]
pub(crate) mod testing {
    use super::Turned;
    use crate::carve::orient::oriented;
    use crate::carve::relief::Ground;
    use crate::model::curve::Curve;
    use crate::model::geometry::direction;
    use crate::model::grid::{Grid, Registration};
    use crate::model::progress::Silent;
    use crate::model::settings::Settings;
    use glam::{DMat3, DVec3};
    use ndarray::Array2;

    /// A grid of heights from directions.
    pub fn field(columns: usize, height_m: impl Fn(DVec3) -> f64) -> Grid {
        let (rows, step) = (columns / 2, 360.0 / columns as f64);
        Grid {
            heights_m: Array2::from_shape_fn((rows, columns), |(row, column)| {
                let lat = 90.0 - (row as f64 + 0.5) * step;
                height_m(direction(lat, (column as f64 + 0.5) * step)) as f32
            }),
            west_deg: 0.5 * step,
            registration: Registration::Pixel,
        }
    }

    /// Smooth waves in many directions, on a body turned by `turn`.
    pub fn bumpy(columns: usize, turn: DMat3) -> Grid {
        let waves: Vec<DVec3> = (0..24)
            .map(|i| {
                let i = f64::from(i);
                direction((41.0 * i).rem_euclid(180.0) - 90.0, 137.5 * i) * (3.0 + 0.4 * i)
            })
            .collect();
        field(columns, |d| {
            let d = turn.transpose() * d;
            let heights = waves
                .iter()
                .enumerate()
                .map(|(i, wave)| 900.0 / wave.length() * (wave.dot(d) + 1.7 * i as f64).sin());
            heights.sum()
        })
    }

    /// The search on a grid of heights, with the relief that would be carved.
    pub fn turn_on(grid: &Grid, settings: &Settings) -> crate::Result<Turned> {
        let source = crate::testing::source_of(grid);
        let (solid, _) = oriented(settings)?;
        let ground = Ground::of(&solid, grid.clone(), &source, settings, false)?;
        super::turn(grid, &source, &ground, settings, &Silent)
    }

    /// 6 mm over the grid's range, straight.
    pub fn plain_curve(grid: &Grid) -> Curve {
        let low = f64::from(grid.heights_m.iter().copied().fold(f32::MAX, f32::min));
        let high = f64::from(grid.heights_m.iter().copied().fold(f32::MIN, f32::max));
        let share = |i: usize| i as f64 / 256.0;
        Curve {
            name: "linear".into(),
            knots_m: (0..=256).map(|i| low + share(i) * (high - low)).collect(),
            knots_mm: (0..=256).map(|i| 6.0 * (share(i) - 0.4)).collect(),
        }
    }
}
