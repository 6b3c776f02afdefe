//! The relief in the wood: the one surface that `facets` carves, `curves` compares, `plan`
//! measures and `turn` judges, and the globe fitted to its stock around it.

use crate::Result;
use crate::curve::Curve;
use crate::geometry::Solid;
use crate::grid::{Grid, Heights, Source};
use crate::settings::{Method, Settings};
use crate::stages::compress::{self, Shaped};
use crate::stages::fit::{self, Fit};

/// Rounds in which the largest range of a relief with limited slopes is looked for: the limit
/// moves the ground that decides what fits. The second nearly always agrees with the first.
const ROUNDS: usize = 6;

/// The relief of a whole body at its final size.
#[derive(Debug, Clone, PartialEq)]
pub struct Ground<G = Grid> {
    /// What is sampled: heights in metres, or finished relief in mm.
    pub grid: G,
    /// From the grid's numbers to mm about the datum.
    pub curve: Curve,
    /// The range asked for or found, mm; finished relief is as high as it is.
    pub range_mm: f64,
    /// From heights in metres to mm: the part that is the same everywhere; nothing is known of it
    /// where the grid is finished relief.
    global: Option<Curve>,
}

impl Ground {
    /// Shapes a grid as the job asks. The solid (turned into the body frame) matters only where
    /// the range is left to the stock.
    ///
    /// With `finish`, relief is worked out sample by sample even where the curve alone would do,
    /// as it is kept in a file.
    ///
    /// # Errors
    /// Those of [`compress::shape`]; [`fit::fit`]'s where the stock holds no relief at all.
    pub fn of(
        solid: &Solid,
        grid: Grid,
        source: &Source,
        settings: &Settings,
        finish: bool,
    ) -> Result<Ground> {
        let mut shaped = compress::shape(grid, source, settings)?;
        let limit_deg = settings.relief.slope_limit_deg();
        let range_mm = match shaped.range_mm.or(settings.relief.range_mm) {
            Some(range_mm) => range_mm,
            None => largest_range(solid, &shaped, settings, limit_deg)?,
        };
        if shaped.range_mm.is_none() && (finish || limit_deg.is_some()) {
            let radius_mm = settings.globe.diameter_mm / 2.0;
            shaped = shaped.finished(range_mm, radius_mm, limit_deg);
        }
        Ok(Ground {
            curve: shaped.sampled.scaled(shaped.range_mm.unwrap_or(range_mm)),
            grid: shaped.grid,
            range_mm,
            global: shaped.global.map(|global| global.scaled(range_mm)),
        })
    }
}

/// The ground, and the globe fitted to its stock around it.
#[derive(Debug, Clone, PartialEq)]
pub struct Relief<G = Grid> {
    /// What is sampled: heights in metres, or finished relief in mm.
    pub grid: G,
    /// From the grid's numbers to mm about the datum.
    pub curve: Curve,
    /// The globe in its stock; its curve is the part of the exaggeration that is the same everywhere.
    pub fit: Fit,
}

impl Relief {
    /// As [`Ground::of`], and fits the solid around it.
    ///
    /// # Errors
    /// Those of [`Ground::of`] and [`fit::fit`].
    pub fn of(
        solid: &Solid,
        grid: Grid,
        source: &Source,
        settings: &Settings,
        finish: bool,
    ) -> Result<Relief> {
        let ground = Ground::of(solid, grid, source, settings, finish)?;
        Relief::around(solid, ground, settings)
    }
}

impl<G: Heights> Relief<G> {
    /// The same where relief follows from a sample's height alone ([`follows_height`]): the grid
    /// may be kept anywhere.
    ///
    /// # Errors
    /// Those of [`compress::curved`] and [`fit::fit`].
    pub fn curved(
        solid: &Solid,
        grid: G,
        source: &Source,
        settings: &Settings,
    ) -> Result<Relief<G>> {
        let Shaped { grid, sampled, .. } = compress::curved(grid, source, settings)?;
        let range_mm = match settings.relief.range_mm {
            Some(range_mm) => range_mm,
            None => fit::fit(solid, &grid, &sampled, settings)?.range_mm,
        };
        let curve = sampled.scaled(range_mm);
        let ground = Ground {
            grid,
            global: Some(curve.clone()),
            curve,
            range_mm,
        };
        Relief::around(solid, ground, settings)
    }

    /// Fits the solid around the ground.
    fn around(solid: &Solid, ground: Ground<G>, settings: &Settings) -> Result<Relief<G>> {
        let Ground {
            grid,
            curve,
            range_mm,
            global,
        } = ground;
        let (unit, settings) = at_its_range(&curve, settings);
        let fit = fit::fit(solid, &grid, &unit, &settings)?;
        let fit = Fit {
            curve: global.unwrap_or_else(|| curve.clone()),
            range_mm,
            ..fit
        };
        Ok(Relief { grid, curve, fit })
    }

    /// The same relief fitted with other settings, such as larger pixels.
    ///
    /// # Errors
    /// Those of [`fit::fit`].
    pub fn fitted(&self, solid: &Solid, settings: &Settings) -> Result<Fit> {
        let (unit, settings) = at_its_range(&self.curve, settings);
        let fit = fit::fit(solid, &self.grid, &unit, &settings)?;
        Ok(self.as_known(fit))
    }

    /// The same where nothing is known of the ground but its range.
    ///
    /// # Errors
    /// Those of [`fit::fit_anywhere`].
    pub fn fitted_anywhere(&self, solid: &Solid, settings: &Settings) -> Result<Fit> {
        let (unit, settings) = at_its_range(&self.curve, settings);
        let fit = fit::fit_anywhere(solid, &unit, &settings)?;
        Ok(self.as_known(fit))
    }

    fn as_known(&self, fit: Fit) -> Fit {
        Fit {
            curve: self.fit.curve.clone(),
            range_mm: self.fit.range_mm,
            ..fit
        }
    }
}

/// A curve as one of range 1 mm, and the settings with its range.
fn at_its_range(curve: &Curve, settings: &Settings) -> (Curve, Settings) {
    let own_range_mm = curve.highest_mm() - curve.lowest_mm();
    let unit = curve.scaled(1.0 / own_range_mm);
    (unit, with_range(settings, Some(own_range_mm)))
}

/// Whether relief follows from a sample's height alone, so that no more than a part of the grid is
/// needed at a time.
pub fn follows_height(settings: &Settings) -> bool {
    let relief = &settings.relief;
    relief.method == Method::Curve && relief.slope_limit_deg().is_none()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::discs::tests::{grid_of, source_of};
    use crate::grid::Quantity;
    use crate::rims::seam_ground;
    use crate::settings::CurveShape;
    use crate::stages::orient::oriented;
    use crate::stages::resample::Sampler;
    use crate::stages::turn::testing::turn_on;

    /// Craters, ridges and one steep peak, so that every dial has something to do.
    fn ground() -> Grid {
        let peak = crate::geometry::direction(18.0, 226.0);
        grid_of(360, |d| {
            2500.0 * (3.0 * d.x + 0.5).sin() * (2.0 * d.z).cos()
                + 120.0 * (23.0 * d.x + 17.0 * d.y).sin()
                + 9000.0 * (-(d.angle_between(peak) / 0.05).powi(2)).exp()
        })
    }

    fn settings(method: Method) -> Settings {
        let mut settings = Settings::default();
        settings.globe.solid = "cube".into();
        settings.stock.thickness_mm = 100.0;
        settings.relief.method = method;
        settings.relief.range_mm = Some(6.0);
        settings.relief.curve = CurveShape::Asinh;
        settings
    }

    /// Every dial of the relief: local methods, a limit of the slopes, another curve below.
    fn variants() -> Vec<Settings> {
        let mut below = settings(Method::Curve);
        below.relief.below.level_m = Some(0.0);
        below.relief.below.share = Some(0.3);
        let mut gentle = settings(Method::Curve);
        gentle.relief.steepest_deg = Some(15.0);
        vec![
            settings(Method::Layered),
            settings(Method::Adaptive),
            settings(Method::Gradient),
            below,
            gentle,
        ]
    }

    /// What is carved, read back as finished relief: its numbers are metres in the grid, as the
    /// reader makes them of millimetres.
    fn kept(relief: &Relief) -> (Grid, Source) {
        let mut grid = relief.grid.clone();
        grid.heights_m
            .mapv_inplace(|mm| (f64::from(mm) * 0.001) as f32);
        let mut source = source_of(&grid);
        (source.quantity, source.unit) = (Quantity::Relief, "mm".into());
        (grid, source)
    }

    #[test]
    fn finished_relief_comes_back_to_the_last_bit_whatever_the_job_says_of_relief() {
        let grid = ground();
        for settings in variants() {
            let (solid, _) = oriented(&settings).unwrap();
            let first = Relief::of(&solid, grid.clone(), &source_of(&grid), &settings, true);
            let first = first.unwrap();
            let (kept, source) = kept(&first);
            let again = Relief::of(&solid, kept, &source, &settings, true).unwrap();
            assert_eq!(again.grid, first.grid);
            assert_eq!(again.curve, first.curve);
            assert_eq!(again.fit.kinds, first.fit.kinds);
            assert_eq!(again.fit.facets, first.fit.facets);
        }
    }

    /// The turn is judged by the seams of the relief that is carved, not of the curve alone.
    #[test]
    fn a_turn_is_judged_by_what_is_carved() {
        let grid = ground();
        let plain = turn_on(&grid, &settings(Method::Curve)).unwrap().before;
        let mut most_unlike = 0f64;
        for settings in variants() {
            let (solid, _) = oriented(&settings).unwrap();
            let relief = Relief::of(&solid, grid.clone(), &source_of(&grid), &settings, false);
            let relief = relief.unwrap();
            let sampler = Sampler::new(&relief.grid, &relief.curve);
            let highest = (0..solid.seams.len())
                .flat_map(|seam| seam_ground(&solid, seam, &settings, &sampler).relief_mm)
                .fold(f64::MIN, f64::max);
            let judged = turn_on(&grid, &settings).unwrap().before;
            assert!(
                (judged.parts.high_mm - highest).abs() < 0.05,
                "{highest} {judged:?}"
            );
            let unlike = (judged.parts.relief_mm - plain.parts.relief_mm).abs();
            most_unlike = most_unlike.max(unlike);
        }
        assert!(most_unlike > 0.01, "{most_unlike}");
    }

    /// With the range left to the stock, what is carved fits it and a little more would not.
    #[test]
    fn the_range_takes_all_the_wood_allows_with_slopes_limited_too() {
        let grid = ground();
        for mut settings in variants() {
            settings.relief.range_mm = None;
            settings.stock.thickness_mm = 62.0;
            let (solid, _) = oriented(&settings).unwrap();
            let carved = |settings: &Settings| {
                Relief::of(&solid, grid.clone(), &source_of(&grid), settings, false)
            };
            let range_mm = carved(&settings).unwrap().fit.range_mm;
            assert!((1.0..30.0).contains(&range_mm), "{range_mm}");
            settings.relief.range_mm = Some(range_mm);
            assert!(carved(&settings).is_ok());
            settings.relief.range_mm = Some(range_mm + 0.3);
            assert!(
                carved(&settings).is_err(),
                "{:?} {range_mm}",
                settings.relief
            );
        }
    }

    #[test]
    fn numbers_that_cannot_be_millimetres_of_relief_are_refused() {
        let settings = settings(Method::Curve);
        let (solid, _) = oriented(&settings).unwrap();
        let grid = ground();
        let mut source = source_of(&grid);
        source.quantity = Quantity::Relief;
        let error = Relief::of(&solid, grid, &source, &settings, false).unwrap_err();
        let text = error.to_string();
        assert!(
            text.starts_with(
                "grid: grid.quantity: this is no finished relief in millimetres; found "
            ) && text.ends_with(
                " mm from the lowest to the highest; allowed: 0.01 mm to 1000 mm; set scale \
                     under [grid] if the numbers are not mm, or leave quantity out"
            ),
            "{text}"
        );
    }
}
