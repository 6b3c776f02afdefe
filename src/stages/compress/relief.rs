//! From heights to what is sampled: the curve alone, or a method that knows the surroundings.

use super::{Layered, adaptive, gradient, layered, limit_slope, unit_curve};
use crate::curve::Curve;
use crate::grid::{Grid, Quantity, Source};
use crate::length::both_text;
use crate::settings::{Method, Settings};
use crate::{Error, Problem, Result};

/// A body's relief, not yet scaled to the wood: all curves have a range of 1 mm.
#[derive(Debug, Clone, PartialEq)]
pub struct Shaped<G = Grid> {
    /// What is sampled: heights in metres, or finished relief.
    pub grid: G,
    /// From the grid's numbers to relief.
    pub sampled: Curve,
    /// From heights in metres to relief: the part of the exaggeration that is the same everywhere.
    pub global: Curve,
    /// The relief's range, where the grid says it itself.
    pub range_mm: Option<f64>,
}

/// Gives every sample its relief as the job asks.
///
/// # Errors
/// As [`unit_curve`]; [`Error::Job`] for a span larger than the globe.
pub fn shape(grid: Grid, source: &Source, settings: &Settings) -> Result<Shaped> {
    if source.quantity == Quantity::Relief {
        return Ok(finished(grid, source));
    }
    let relief = &settings.relief;
    let diameter_mm = settings.globe.diameter_mm;
    if relief.method != Method::Curve && relief.span_mm >= diameter_mm {
        return Err(Error::Job(
            Problem::new("the span is larger than the globe")
                .setting("relief.span")
                .found(both_text(relief.span_mm))
                .allowed(format!(
                    "less than globe.diameter, {}",
                    both_text(diameter_mm)
                ))
                .next("5 mm suits most globes"),
        ));
    }
    let global = unit_curve(&source.hypsometry, relief)?;
    let span_rad = relief.span_mm / (0.5 * diameter_mm);
    let heights = match relief.method {
        Method::Curve => return curved(grid, source, settings),
        Method::Layered => {
            let choice = Layered {
                span_rad,
                detail: relief.detail,
                shift: relief.shift,
            };
            layered(&grid, &global, &choice)
        }
        Method::Adaptive => adaptive(&grid, &global, span_rad, relief.detail, relief.strength),
        Method::Gradient => gradient(&grid, &global, span_rad, relief.strength),
    };
    Ok(Shaped {
        grid: Grid {
            heights_m: heights,
            ..grid
        },
        sampled: straight(&global),
        global,
        range_mm: None,
    })
}

/// Relief that follows from a sample's height alone; the grid may be kept anywhere.
///
/// # Errors
/// As [`unit_curve`].
pub fn curved<G>(grid: G, source: &Source, settings: &Settings) -> Result<Shaped<G>> {
    if source.quantity == Quantity::Relief {
        return Ok(finished(grid, source));
    }
    let global = unit_curve(&source.hypsometry, &settings.relief)?;
    Ok(Shaped {
        grid,
        sampled: global.clone(),
        global,
        range_mm: None,
    })
}

impl Shaped {
    /// What to sample for a range in mm, and the curve to sample it with; slopes are held to the
    /// limit, if there is one.
    pub fn scaled(self, range_mm: f64, radius_mm: f64, limit_deg: Option<f64>) -> (Grid, Curve) {
        let curve = self.sampled.scaled(range_mm);
        let Some(limit_deg) = limit_deg else {
            return (self.grid, curve);
        };
        let mut relief_mm = carved(self.grid, &curve);
        limit_slope(&mut relief_mm, radius_mm, limit_deg);
        (relief_mm, straight(&curve))
    }
}

/// The relief of every sample in mm.
pub fn carved(mut grid: Grid, curve: &Curve) -> Grid {
    grid.heights_m
        .par_mapv_inplace(|height| curve.relief_mm(f64::from(height)) as f32);
    grid
}

/// The curve for numbers that are relief already: as they are, held at the ends of another's.
pub fn straight(curve: &Curve) -> Curve {
    let ends = vec![curve.lowest_mm(), curve.highest_mm()];
    Curve {
        name: curve.name.clone(),
        knots_m: ends.clone(),
        knots_mm: ends,
    }
}

/// A grid of finished relief is carved as it is.
fn finished<G>(grid: G, source: &Source) -> Shaped<G> {
    let (low, high) = (source.min.height_m, source.max.height_m);
    // The reader has turned millimetres into metres where the file names them.
    let mm = if source.unit.eq_ignore_ascii_case("mm") {
        1000.0
    } else {
        1.0
    };
    let range_mm = mm * (high - low);
    let knots = 257;
    let knots_m: Vec<f64> = (0..knots)
        .map(|i| low + (high - low) * f64::from(i) / f64::from(knots - 1))
        .collect();
    let curve = Curve {
        name: "relief".into(),
        knots_mm: knots_m.iter().map(|m| mm * m / range_mm).collect(),
        knots_m,
    };
    Shaped {
        grid,
        sampled: curve.clone(),
        global: curve,
        range_mm: Some(range_mm),
    }
}
