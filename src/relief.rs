//! The relief in the wood: the one surface that `facets` carves, `curves` compares, `plan`
//! measures and `turn` judges, and the globe fitted to its stock around it.

use crate::Result;
use crate::curve::Curve;
use crate::geometry::Solid;
use crate::grid::{Grid, Source};
use crate::settings::Settings;
use crate::stages::compress::{self, Shaped};
use crate::stages::fit::{self, Fit};

/// Rounds in which the largest range of a relief with limited slopes is looked for: the limit
/// moves the ground that decides what fits. The second nearly always agrees with the first.
const ROUNDS: usize = 4;

/// The relief of a whole body at its final size.
#[derive(Debug, Clone, PartialEq)]
pub struct Relief {
    /// What is sampled: heights in metres, or finished relief in mm.
    pub grid: Grid,
    /// From the grid's numbers to mm about the datum.
    pub curve: Curve,
    /// The globe in its stock; its curve is the part of the exaggeration that is the same everywhere.
    pub fit: Fit,
}

impl Relief {
    /// Shapes a grid as the job asks and fits the solid (turned into the body frame) around it.
    ///
    /// With `finish`, relief is worked out sample by sample even where the curve alone would do,
    /// as it is kept in a file.
    ///
    /// # Errors
    /// Those of [`compress::shape`] and [`fit::fit`].
    pub fn of(
        solid: &Solid,
        grid: Grid,
        source: &Source,
        settings: &Settings,
        finish: bool,
    ) -> Result<Relief> {
        let shaped = compress::shape(grid, source, settings)?;
        let limit_deg = settings.relief.slope_limit_deg();
        if shaped.range_mm.is_some() || (limit_deg.is_none() && !finish) {
            return Relief::fitted(solid, shaped, settings, settings.relief.range_mm);
        }
        let radius_mm = settings.globe.diameter_mm / 2.0;
        let range_mm = match settings.relief.range_mm {
            Some(range_mm) => range_mm,
            None => largest_range(solid, &shaped, settings, limit_deg)?,
        };
        let finished = shaped.finished(range_mm, radius_mm, limit_deg);
        Relief::fitted(solid, finished, settings, Some(range_mm))
    }

    /// `range_mm` is what was asked for; finished relief is as high as it is.
    fn fitted(
        solid: &Solid,
        shaped: Shaped,
        settings: &Settings,
        range_mm: Option<f64>,
    ) -> Result<Relief> {
        let settings = with_range(settings, shaped.range_mm.or(range_mm));
        let mut fit = fit::fit(solid, &shaped.grid, &shaped.sampled, &settings)?;
        let curve = shaped.sampled.scaled(fit.range_mm);
        fit.range_mm = match &shaped.global {
            Some(_) => range_mm.unwrap_or(fit.range_mm),
            None => fit.range_mm,
        };
        fit.curve = match shaped.global {
            Some(global) => global.scaled(fit.range_mm),
            None => curve.clone(),
        };
        Ok(Relief {
            grid: shaped.grid,
            curve,
            fit,
        })
    }
}

fn with_range(settings: &Settings, range_mm: Option<f64>) -> Settings {
    let mut settings = settings.clone();
    settings.relief.range_mm = range_mm;
    settings
}

/// The largest range the stock allows once slopes are limited.
fn largest_range(
    solid: &Solid,
    shaped: &Shaped,
    settings: &Settings,
    limit_deg: Option<f64>,
) -> Result<f64> {
    let auto = with_range(settings, None);
    let radius_mm = settings.globe.diameter_mm / 2.0;
    let mut range_mm = fit::fit(solid, &shaped.grid, &shaped.sampled, &auto)?.range_mm;
    let Some(limit_deg) = limit_deg else {
        return Ok(range_mm);
    };
    let mut largest: Option<f64> = None;
    for _ in 0..ROUNDS {
        let limited = shaped
            .clone()
            .finished(range_mm, radius_mm, Some(limit_deg));
        let fits_mm = fit::fit(solid, &limited.grid, &limited.sampled, &auto)?.range_mm;
        if fits_mm >= range_mm {
            largest = Some(largest.map_or(range_mm, |largest| largest.max(range_mm)));
        }
        if fits_mm == range_mm {
            break;
        }
        range_mm = fits_mm;
    }
    Ok(largest.unwrap_or(range_mm))
}
