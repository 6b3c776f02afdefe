//! Searches the turn of the solid that suits the saw, and shows it.

mod printed;
mod seam_map;

use crate::Result;
use crate::carve::orient::oriented;
use crate::carve::relief::Ground;
use crate::carve::turn::{self, Turned};
use crate::model::geometry::Solid;
use crate::model::jobfile::Job;
use crate::model::places::places;
use crate::model::progress::Progress;
use crate::read::{self, ReadRequest};
use crate::show::pictures::sheet_png;

/// Searches the turn that suits the saw: see [`turn`](crate::carve::turn).
///
/// With `draw`, also draws the map of the planet with its seams before and after, as PNG.
///
/// # Errors
/// Those of the search and of reading the grid.
pub fn turn(job: &Job, draw: bool, progress: &dyn Progress) -> Result<(Turned, Option<Vec<u8>>)> {
    turn_and_draw(job, draw, progress).map_err(|error| job.locate(error))
}

fn turn_and_draw(
    job: &Job,
    draw: bool,
    progress: &dyn Progress,
) -> Result<(Turned, Option<Vec<u8>>)> {
    job.require_grid()?;
    let settings = &job.settings;
    // As `facets` reads it, so that both speak of the same relief.
    let reading = read::read(&settings.grid, &ReadRequest::of(settings), progress)?;
    let (solid, _) = oriented(settings)?;
    let source = &reading.source;
    // The grid itself is still needed: places worth keeping whole are found by their heights.
    let ground = Ground::of(&solid, reading.grid.clone(), source, settings, false)?;
    let turned = turn::turn(&reading.grid, source, &ground, settings, progress)?;
    if !draw {
        return Ok((turned, None));
    }
    let standard = Solid::named(solid.name).unwrap_or(solid);
    let picture = seam_map::draw(
        &format!(
            "{} on the {}",
            settings.name,
            standard.name.replace('-', " ")
        ),
        &ground.grid,
        &ground.curve,
        settings.globe.diameter_mm / 2.0,
        &standard,
        &turned,
        &places(source.body.as_deref(), settings),
    )?;
    Ok((turned, Some(sheet_png(&picture)?)))
}

/// The job with its turn found, where that is left to the program; otherwise the job itself.
pub(crate) fn with_turn(job: &Job, progress: &dyn Progress) -> Result<Job> {
    if !job.settings.globe.turn.auto {
        return Ok(job.clone());
    }
    let (turned, _) = turn_and_draw(job, false, progress)?;
    let best = &turned.found.choices[0];
    let mut settings = job.settings.clone();
    let turn = &mut settings.globe.turn;
    (turn.face, turn.lat_deg, turn.lon_deg, turn.spin_deg) =
        (1, best.lat_deg, best.lon_deg, best.spin_deg);
    Ok(job.with(settings))
}
