//! Turns the solid as the job asks.

use crate::model::geometry::{Solid, solid_names, turn_to};
use crate::model::settings::Settings;
use crate::{Error, Problem, Result};
use glam::DMat3;

/// The solid turned into the body frame, and the turn.
///
/// # Errors
/// [`Error::Job`] when there is no such solid, or it has no such facet to turn to the place.
pub fn oriented(settings: &Settings) -> Result<(Solid, DMat3)> {
    let globe = &settings.globe;
    let unknown = |what: &str, setting: &str, found: String, allowed: String| {
        Error::Job(
            Problem::new(what)
                .setting(setting)
                .found(found)
                .allowed(allowed),
        )
    };
    let solid = Solid::named(&globe.solid).ok_or_else(|| {
        unknown(
            "there is no such solid",
            "globe.solid",
            globe.solid.clone(),
            solid_names().join(", "),
        )
    })?;
    let count = solid.faces.len();
    if !(1..=count).contains(&globe.turn.face) {
        return Err(unknown(
            "the solid has no such facet",
            "globe.turn.face",
            globe.turn.face.to_string(),
            format!("1 to {count}"),
        ));
    }
    let place = &globe.turn;
    let turn = turn_to(
        &solid,
        place.face - 1,
        place.lat_deg,
        place.lon_deg,
        place.spin_deg,
    );
    Ok((solid.turned(&turn), turn))
}
