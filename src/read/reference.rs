//! Which body a grid shows and which radius its heights count from.

use super::open::Raster;
use super::values;
use crate::model::bodies::{Body, body_by_radius, body_named, body_names};
use crate::model::error::{Error, Problem, Result};
use crate::model::settings::GridSettings;

/// The body and the radius heights count from, as far as they are known.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Reference {
    pub body: Option<String>,
    pub radius_m: Option<f64>,
    pub notes: Vec<String>,
}

const FILE: &str = "the grid's coordinate system";

/// Settles body and radius from the job and the file, which must not contradict each other. A
/// radius in the job comes first, then the file's, then the named body's.
pub(super) fn settle(settings: &GridSettings, raster: &Raster) -> Result<Reference> {
    let body = named_body(settings)?;
    let mut notes = Vec::new();
    let found_m = raster.crs.as_ref().map(|c| c.semi_major_m);
    if let (Some(body), Some(radius_m)) = (body, settings.radius_m)
        && !body.has_radius(radius_m)
    {
        notes.extend(values::agree(
            radius_m,
            "grid.radius",
            body.radius_m,
            "grid.body",
        )?);
    }
    if let Some(found_m) = found_m {
        if let Some(radius_m) = settings.radius_m {
            notes.extend(values::agree(radius_m, "grid.radius", found_m, FILE)?);
        }
        if let Some(body) = body
            && !body.has_radius(found_m)
        {
            values::agree(body.radius_m, "grid.body", found_m, FILE)?;
        }
    }
    let target = raster.target.as_deref().and_then(body_named);
    if let (Some(body), Some(target)) = (body, target)
        && body.name != target.name
    {
        return Err(Error::Grid(
            Problem::new("the job and the grid's label speak of different bodies")
                .setting("grid.body")
                .found(format!("{} and {}", body.name, target.name))
                .allowed("one body")
                .next("correct the setting"),
        ));
    }
    let radius_m = settings
        .radius_m
        .or(found_m)
        .or(body.or(target).map(|b| b.radius_m));
    let name = match (body, &settings.body) {
        (Some(body), _) => Some(body.name.to_owned()),
        (None, Some(name)) => Some(name.clone()),
        (None, None) => target
            .or_else(|| radius_m.and_then(body_by_radius))
            .map(|b| b.name.to_owned())
            .or_else(|| raster.target.clone()),
    };
    Ok(Reference {
        body: name,
        radius_m,
        notes,
    })
}

/// The table's entry for the job's body. A body outside the table is fine with a radius.
fn named_body(settings: &GridSettings) -> Result<Option<&'static Body>> {
    let Some(name) = &settings.body else {
        return Ok(None);
    };
    match body_named(name) {
        Some(body) => Ok(Some(body)),
        None if settings.radius_m.is_some() => Ok(None),
        None => Err(Error::Job(
            Problem::new("the body is not in the table of known bodies")
                .setting("grid.body")
                .found(format!("\"{name}\""))
                .allowed(body_names())
                .next("or add radius = \"… km\" under [grid]"),
        )),
    }
}
