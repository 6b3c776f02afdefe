//! From heights to what is sampled: the curve alone, or a method that knows the surroundings.

use super::unit_curve;
use crate::model::curve::Curve;
use crate::model::extremes::ends;
use crate::model::grid::{Grid, Quantity, Source};
use crate::model::parallel;
use crate::model::settings::Settings;
use crate::{Error, Problem, Result};

/// A body's relief, not yet scaled to the wood: all curves have a range of 1 mm.
#[derive(Debug, Clone, PartialEq)]
pub struct Shaped<G = Grid> {
    /// What is sampled: heights in metres, or finished relief.
    pub grid: G,
    /// From the grid's numbers to relief.
    pub sampled: Curve,
    /// From heights in metres to relief: the part of the exaggeration that is the same everywhere;
    /// nothing is known of it where the grid is finished relief.
    pub global: Option<Curve>,
    /// The range of finished relief, which is carved as it is.
    pub range_mm: Option<f64>,
}

/// Finished relief is held in whole steps of this size, mm: what is written as millimetres in
/// float32 and read as metres comes back to the last bit. Larger steps would show in the images,
/// with smaller ones relief beyond 100 mm would not come back.
const STEP_MM: f64 = 1.0 / 65536.0;

/// Least and largest range of finished relief, mm, as `relief.range` has them.
const RANGES_MM: (f64, f64) = (0.01, 1000.0);

/// Relief that follows from a sample's height alone; the grid may be kept anywhere.
///
/// # Errors
/// As [`unit_curve`].
pub fn curved<G>(grid: G, source: &Source, settings: &Settings) -> Result<Shaped<G>> {
    let global = unit_curve(&source.hypsometry, &settings.relief)?;
    Ok(Shaped {
        grid,
        sampled: global.clone(),
        global: Some(global),
        range_mm: None,
    })
}

/// The curve of range 1 mm that is the same everywhere, without shaping any ground, and the range
/// of relief that is finished. Every method lands on the ends of the curve.
///
/// # Errors
/// As [`unit_curve`]; [`Error::Grid`] for numbers that cannot be finished relief.
pub fn global(source: &Source, settings: &Settings) -> Result<(Curve, Option<f64>)> {
    if source.quantity != Quantity::Relief {
        return Ok((unit_curve(&source.hypsometry, &settings.relief)?, None));
    }
    let ends_mm = [source.min.height_m, source.max.height_m].map(|m| m * mm_per_m(source));
    let range_mm = allowed_range(ends_mm[1] - ends_mm[0])?;
    Ok((relief_curve(ends_mm, range_mm), Some(range_mm)))
}

/// The relief of every sample in mm.
pub fn carved(mut grid: Grid, curve: &Curve) -> Grid {
    change(&mut grid, |height| {
        curve.relief_mm(f64::from(height)) as f32
    });
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

/// The grid of a file of finished relief.
///
/// # Errors
/// [`Error::Grid`] for numbers that cannot be finished relief.
pub fn from_file(mut grid: Grid, source: &Source) -> Result<Shaped> {
    let factor = mm_per_m(source);
    change(&mut grid, |height| (factor * f64::from(height)) as f32);
    let shaped = finished(grid, None);
    allowed_range(shaped.range_mm.unwrap_or(0.0))?;
    Ok(shaped)
}

/// Relief in mm, to be carved as it is.
pub fn finished(mut relief_mm: Grid, global: Option<Curve>) -> Shaped {
    // The sum makes a zero of a negative zero, which would not come back.
    let whole = |mm: f32| ((f64::from(mm) / STEP_MM).round() * STEP_MM + 0.0) as f32;
    change(&mut relief_mm, whole);
    let (low, high) = ends(relief_mm.heights_m.as_slice().unwrap_or_default());
    let ends_mm = [low, high].map(f64::from);
    let range_mm = ends_mm[1] - ends_mm[0];
    Shaped {
        grid: relief_mm,
        sampled: relief_curve(ends_mm, range_mm),
        global,
        range_mm: Some(range_mm),
    }
}

fn change(grid: &mut Grid, to: impl Fn(f32) -> f32 + Sync) {
    parallel::rows(&mut grid.heights_m, &|_, line| {
        line.iter_mut().for_each(|value| *value = to(*value));
    });
}

/// From mm to mm, divided by the range; as many knots as a manifest must have.
fn relief_curve([low, high]: [f64; 2], range_mm: f64) -> Curve {
    const KNOTS: usize = 257;
    let knots: Vec<f64> = (0..KNOTS)
        .map(|i| low + (high - low) * i as f64 / (KNOTS - 1) as f64)
        .collect();
    Curve {
        name: "relief".into(),
        knots_mm: knots.iter().map(|mm| mm / range_mm).collect(),
        knots_m: knots,
    }
}

/// The reader has turned millimetres into metres where the file names them.
fn mm_per_m(source: &Source) -> f64 {
    if source.unit.eq_ignore_ascii_case("mm") {
        1000.0
    } else {
        1.0
    }
}

fn allowed_range(range_mm: f64) -> Result<f64> {
    let (least, most) = RANGES_MM;
    if (least..=most).contains(&range_mm) {
        return Ok(range_mm);
    }
    Err(Error::Grid(
        Problem::new("this is no finished relief in millimetres")
            .setting("grid.quantity")
            .found(format!("{range_mm} mm from the lowest to the highest"))
            .allowed(format!("{least} mm to {most} mm"))
            .next("set scale under [grid] if the numbers are not mm, or leave quantity out"),
    ))
}
