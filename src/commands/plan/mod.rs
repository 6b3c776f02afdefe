//! The shop plan of a job: drawings, sheets and a section of the report.

pub mod compare;

use crate::carve::compress;
use crate::carve::fit::{self, Fit};
use crate::carve::orient::oriented;
use crate::carve::relief::{Ground, Relief};
use crate::carve::remedies::remedied_anywhere;
use crate::carve::resample::{Bounds, FacetImage, Sampler, Scratch, render};
use crate::commands::finalise::Finalise;
use crate::commands::turn::with_turn;
use crate::model::curve::Curve;
use crate::model::geometry::Solid;
use crate::model::grid::{Grid, Hypsometry, Place, Quantity, Registration, Source};
use crate::model::jobfile::Job;
use crate::model::parallel;
use crate::model::places::places;
use crate::model::progress::Progress;
use crate::model::settings::Settings;
use crate::output::folder::{NewFolder, PAGE_FILE};
use crate::output::manifest::{Manifest, manifest_of};
use crate::read::{self, ReadRequest};
use crate::show::sheets::{Basis, Planned, ShopInput, write_shop};
use crate::{Error, Result};
use ndarray::Array2;
use std::path::PathBuf;

/// A globe fitted to its stock, on level ground if the grid could not be read.
pub(crate) struct Fitted {
    /// Turned into the body frame.
    pub solid: Solid,
    /// The ground in its stock.
    pub relief: Relief,
    /// Of that ground.
    pub sampler: Sampler,
    /// Where its heights come from.
    pub basis: Basis,
    /// What the grid is; blank without one.
    pub source: Source,
}

/// Every solid for the same globe, with the relief of this job.
///
/// # Errors
/// [`Error::Stock`] when the relief is `auto` and the job's own solid does not fit its stock.
pub fn compare_solids(
    job: &Job,
    progress: &dyn Progress,
) -> Result<(Vec<compare::SolidRow>, String)> {
    let run = || {
        let settings = &job.settings;
        let (solid, _) = oriented(settings)?;
        let (unit, finished_mm, basis) = match ground(job, progress)? {
            Ok(reading) => {
                let (unit, finished_mm) = compress::global(&reading.source, settings)?;
                (unit, finished_mm, Basis::Grid)
            }
            Err(why) => (half_and_half(), None, Basis::Range(why)),
        };
        let range_mm = match finished_mm {
            Some(range_mm) => range_mm,
            None => fitted_anywhere(&solid, &unit, settings)?.range_mm,
        };
        let rows = compare::compare(&unit, range_mm, settings);
        let mut text = compare::text(&rows, range_mm, settings);
        if let Basis::Range(why) = basis {
            text.push_str(&format!(
                "\nThe elevation grid was not used ({why}): half the relief range lies above the \
                 level, half below.\n"
            ));
        }
        Ok((rows, text))
    };
    run().map_err(|error| job.locate(error))
}

/// The grid; the inner error says why there is none.
type GridOrReason = std::result::Result<read::Reading, String>;

fn ground(job: &Job, progress: &dyn Progress) -> Result<GridOrReason> {
    let settings = &job.settings;
    if settings.grid.files.is_empty() {
        return Ok(Err("the job names none".to_owned()));
    }
    match read::read(&settings.grid, &ReadRequest::of(settings), progress) {
        Ok(reading) => Ok(Ok(reading)),
        Err(Error::Grid(problem)) => Ok(Err(problem.to_string())),
        Err(other) => Err(other),
    }
}

/// A curve of range 1 mm for a job without a grid.
fn half_and_half() -> Curve {
    Curve {
        name: "linear".to_owned(),
        knots_m: vec![-0.5, 0.5],
        knots_mm: vec![-0.5, 0.5],
    }
}

/// Ground at the level everywhere, for a plan without a grid.
fn level_ground() -> Grid {
    Grid {
        heights_m: Array2::zeros((32, 64)),
        west_deg: -180.0 + 360.0 / 128.0,
        registration: Registration::Pixel,
    }
}

/// What is known of a grid that is not there.
fn no_source() -> Source {
    let nowhere = |height_m| Place {
        height_m,
        lat_deg: 0.0,
        lon_deg: 0.0,
    };
    let unit = half_and_half();
    Source {
        files: vec!["no grid".to_owned()],
        width: 0,
        height: 0,
        cell_deg: 0.0,
        west_deg: 0.0,
        north_deg: 0.0,
        registration: Registration::Pixel,
        quantity: Quantity::Elevation,
        unit: "m".to_owned(),
        scale: 1.0,
        offset: 0.0,
        body: None,
        reference_radius_m: None,
        min: nowhere(unit.knots_m[0]),
        max: nowhere(unit.knots_m[1]),
        hypsometry: Hypsometry {
            heights_m: unit.knots_m,
            share: vec![0.0, 1.0],
            mean_m: 0.0,
        },
        filled_cells: 0,
        filled_share: 0.0,
        clipped_cells: 0,
        notes: Vec::new(),
    }
}

pub(crate) fn fitted(job: &Job, progress: &dyn Progress) -> Result<Fitted> {
    let settings = &job.settings;
    let (solid, _) = oriented(settings)?;
    match ground(job, progress)? {
        Ok(reading) => {
            let relief = Relief::of(&solid, reading.grid, &reading.source, settings, false)?;
            Ok(Fitted {
                solid,
                sampler: Sampler::new(&relief.ground.grid, &relief.ground.curve),
                relief,
                basis: Basis::Grid,
                source: reading.source,
            })
        }
        Err(why) => {
            let unit = half_and_half();
            let fit = fitted_anywhere(&solid, &unit, settings)?;
            let ground = Ground::as_it_is(level_ground(), fit.curve.clone());
            let relief = Relief { ground, fit };
            Ok(Fitted {
                solid,
                sampler: Sampler::new(&relief.ground.grid, &relief.ground.curve),
                relief,
                basis: Basis::Range(why),
                source: no_source(),
            })
        }
    }
}

/// As [`fit::fit_anywhere`]; an error for want of stock says what would hold the globe.
fn fitted_anywhere(solid: &Solid, unit: &Curve, settings: &Settings) -> Result<Fit> {
    fit::fit_anywhere(solid, unit, settings)
        .map_err(|error| remedied_anywhere(error, unit, settings))
}

/// What a plan is asked for beside the job itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PlanOptions {
    /// Folder to make.
    pub out: PathBuf,
    /// Replace a folder that holds an earlier result.
    pub force: bool,
}

/// Plans a job into a new folder.
///
/// # Errors
/// Every kind of [`Error`], by who must act; the folder then is not there, or as it was.
pub fn plan(job: &Job, options: &PlanOptions, progress: &dyn Progress) -> Result<Planned> {
    let run = || {
        let folder = NewFolder::begin(&options.out, options.force, progress)?;
        if job.settings.globe.turn.auto {
            job.require_grid()?;
        }
        let job = &with_turn(job, progress)?;
        let fitted = fitted(job, progress)?;
        let input = ShopInput {
            solid: &fitted.solid,
            fit: &fitted.relief.fit,
            sampler: (fitted.basis == Basis::Grid).then_some(&fitted.sampler),
            basis: &fitted.basis,
            body: fitted.source.body.as_deref(),
            places: &places(fitted.source.body.as_deref(), &job.settings),
            settings: &job.settings,
        };
        let planned = write_shop(&folder, &input, progress)?;
        folder.write("report.md", planned.report.as_bytes())?;
        let page = plan_page(job, &fitted, &planned)?;
        folder.write(PAGE_FILE, page.as_bytes())?;
        folder.finish()?;
        Ok(planned)
    };
    run().map_err(|error| job.locate(error))
}

/// Pixels across the diameter of a globe that is only looked at: fine enough for a screen.
const SEEN_PX: f64 = 900.0;

/// The page of a plan: the same as that of finished images, but looked at in coarse pixels and
/// without what only images can tell.
fn plan_page(job: &Job, fitted: &Fitted, planned: &Planned) -> Result<String> {
    let (manifest, images) = seen(job, fitted)?;
    let finalise = Finalise::of(&manifest);
    let facets = manifest.facets.iter().zip(&images);
    let traces = parallel::given(facets, &|_, (facet, levels)| {
        (facet.id, finalise.trace(facet, levels))
    });
    finalise.page(&manifest, traces.into_iter().collect(), planned)
}

/// The globe as it can be looked at: manifest and images in coarse pixels, nothing written.
///
/// # Errors
/// Those of the fit.
fn seen(job: &Job, fitted: &Fitted) -> Result<(Manifest, Vec<Array2<u16>>)> {
    let Fitted {
        source,
        relief,
        sampler,
        ..
    } = fitted;
    let mut settings = job.settings.clone();
    let coarse_mm = settings.globe.diameter_mm / SEEN_PX;
    settings.image.pixel_mm = settings.image.pixel_mm.max(coarse_mm);
    let (solid, turn) = oriented(&settings)?;
    // Without a grid the highest ground may be anywhere, and the blank is made for that.
    let fit = match source.width {
        0 => relief.ground.fitted_anywhere(&solid, &settings)?,
        _ => relief.ground.fitted(&solid, &settings)?,
    };
    let (grid, curve) = (&relief.ground.grid, &relief.ground.curve);
    let bounds = Bounds::new(grid, curve);
    let chosen: Vec<usize> = (0..solid.faces.len()).collect();
    // Its settings are the job's own, its pixels are not.
    let mut manifest = manifest_of(job, source, &solid, &turn, &fit, &chosen, sampler);
    manifest.image.pixel_mm = settings.image.pixel_mm;
    let range_mm = (curve.lowest_mm(), curve.highest_mm());
    let facets = manifest.facets.iter_mut().zip(&fit.facets);
    let images = parallel::given(facets, &|_, (facet, spec)| {
        let FacetImage { levels, stats } =
            render(sampler, &bounds, spec, range_mm, &mut Scratch::default());
        (facet.min_mm, facet.max_mm) = (stats.min_mm, stats.max_mm);
        levels
    });
    Ok((manifest, images))
}
