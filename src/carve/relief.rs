//! The relief in the wood: the one surface that `facets` carves, `curves` compares, `plan`
//! measures and `turn` judges, and the globe fitted to its stock around it.

use crate::carve::compress::{self, Bands, Raised, Scale, Shaped};
use crate::carve::fit::{self, Fit, FitLimits};
use crate::carve::remedies::{remedied, remedied_anywhere};
use crate::model::curve::Curve;
use crate::model::geometry::Solid;
use crate::model::grid::{Grid, Heights, Quantity, Source};
use crate::model::settings::{Detail, Method, ReliefRange, Settings, Steepest};
use crate::sphere::figures::{Figures, Judge};
use crate::sphere::resolution::resolved_deg;
use crate::{Error, Result};
use std::sync::{Arc, Mutex, PoisonError};

/// Rounds in which the largest range of a relief is looked for: shaping moves the ground that
/// decides what fits. The second nearly always agrees with the first.
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
    /// How it was made.
    pub making: Making,
    /// From heights in metres to mm: the part that is the same everywhere; nothing is known of it
    /// where the grid is finished relief.
    global: Option<Curve>,
}

/// How a relief was made, for those who ask.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Making {
    /// What decided how high it is; `None` where it was finished already.
    pub range: Option<RangeBy>,
    /// Detail of `multiscale`, as given or as found.
    pub detail: Option<f64>,
    /// What the relief looks like, where it was judged.
    pub figures: Option<Figures>,
    /// What had to be raised so that nothing is undercut.
    pub raised: Raised,
}

/// What decided how high a relief is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RangeBy {
    /// The job.
    Job,
    /// The diameter: its usual share.
    Diameter,
    /// The wood.
    Wood,
}

impl Ground {
    /// Shapes a grid as the job asks, for a solid (turned into the body frame).
    ///
    /// With `finish`, relief is worked out sample by sample even where the curve alone would do,
    /// as it is kept in a file.
    ///
    /// # Errors
    /// Those of [`compress::unit_curve`] and of finished relief; [`fit::fit`]'s where the stock
    /// holds no relief at all.
    pub fn of(
        solid: &Solid,
        grid: Grid,
        source: &Source,
        settings: &Settings,
        finish: bool,
    ) -> Result<Ground> {
        Ground::surveyed(solid, grid, source, settings, finish, &anew(settings))
    }

    /// The same with the grid's survey from whoever keeps it.
    ///
    /// # Errors
    /// As [`of`](Self::of).
    pub fn surveyed(
        solid: &Solid,
        grid: Grid,
        source: &Source,
        settings: &Settings,
        finish: bool,
        survey: SurveyOf,
    ) -> Result<Ground> {
        if source.quantity == Quantity::Relief {
            let shaped = compress::from_file(grid, source)?;
            let range_mm = shaped.range_mm.unwrap_or(0.0);
            return Ok(Ground::shaped(shaped, range_mm, Making::default()));
        }
        let global = compress::unit_curve(&source.hypsometry, &settings.relief)?;
        if settings.relief.follows_height() && !finish {
            let shaped = compress::curved(grid, source, settings)?;
            let range_mm = fit::range(solid, &shaped.grid, &global, settings)?;
            let making = Making::with_range(settings, range_mm);
            return Ok(Ground::shaped(shaped, range_mm, making));
        }
        Shaper::new(solid, &grid, &global, settings, survey).ground()
    }
}

impl<G> Ground<G> {
    /// Of a grid and its curve, with nothing known of how they were made.
    pub fn as_it_is(grid: G, curve: Curve) -> Ground<G> {
        Ground {
            range_mm: curve.highest_mm() - curve.lowest_mm(),
            grid,
            curve,
            making: Making::default(),
            global: None,
        }
    }

    fn shaped(shaped: Shaped<G>, range_mm: f64, making: Making) -> Ground<G> {
        Ground {
            curve: shaped.sampled.scaled(shaped.range_mm.unwrap_or(range_mm)),
            grid: shaped.grid,
            range_mm,
            making,
            global: shaped.global.map(|global| global.scaled(range_mm)),
        }
    }
}

impl Making {
    fn with_range(settings: &Settings, range_mm: f64) -> Making {
        let wanted_mm = (settings.relief.range).wanted_mm(settings.globe.diameter_mm);
        let by = match settings.relief.range {
            ReliefRange::Mm(_) => RangeBy::Job,
            ReliefRange::Auto if wanted_mm.is_some_and(|mm| range_mm >= mm) => RangeBy::Diameter,
            ReliefRange::Auto | ReliefRange::Most => RangeBy::Wood,
        };
        Making {
            range: Some(by),
            ..Making::default()
        }
    }
}

/// What is known of a grid's true ground before any relief is made of it: the same for all reliefs
/// on balls of one size, finished by one bit.
pub struct Survey {
    /// Judges reliefs of the ground.
    pub judge: Arc<Judge>,
    /// Finest ground that the grid truly holds, degrees.
    resolved_deg: f64,
    /// The relief that was taken apart last, by the curve that made it, where it is kept.
    last: Option<Mutex<Option<TakenApart>>>,
}

/// A relief in bands and the curve that made it.
type TakenApart = (Curve, Arc<Bands>);

impl Survey {
    /// Surveys a grid for a job's ball and bit.
    pub fn of(grid: &Grid, settings: &Settings) -> Survey {
        let radius_mm = settings.globe.diameter_mm / 2.0;
        Survey::new(grid, radius_mm, settings.finishing_bit_mm())
    }

    /// The same for a ball and the diameter of a bit, mm.
    pub fn new(grid: &Grid, radius_mm: f64, bit_mm: f64) -> Survey {
        Survey {
            judge: Arc::new(Judge::new(grid, radius_mm, bit_mm)),
            resolved_deg: resolved_deg(grid).resolved_deg,
            last: None,
        }
    }

    /// The same, and the relief that was taken apart last is kept: for whoever asks for one after
    /// another that differ in detail alone.
    pub fn keeping(self) -> Survey {
        Survey {
            last: Some(Mutex::default()),
            ..self
        }
    }

    /// The relief in mm that a curve makes of the grid, in bands.
    fn bands(&self, relief_mm: &Grid, curve: &Curve, scale: Scale) -> Arc<Bands> {
        let apart = || Arc::new(Bands::new(relief_mm, Arc::clone(&self.judge), scale));
        let Some(last) = &self.last else {
            return apart();
        };
        let mut last = last.lock().unwrap_or_else(PoisonError::into_inner);
        match last.as_ref() {
            Some((made, bands)) if made == curve => Arc::clone(bands),
            _ => {
                let bands = apart();
                *last = Some((curve.clone(), Arc::clone(&bands)));
                bands
            }
        }
    }
}

/// Whoever knows the survey of a grid, for the ball and the bit of one job.
pub type SurveyOf<'a> = &'a dyn Fn(&Grid) -> Arc<Survey>;

/// Surveys the grid anew.
pub fn anew(settings: &Settings) -> impl Fn(&Grid) -> Arc<Survey> {
    |grid| Arc::new(Survey::of(grid, settings))
}

/// Shapes one body's ground at any range.
struct Shaper<'a> {
    solid: &'a Solid,
    grid: &'a Grid,
    unit: &'a Curve,
    settings: &'a Settings,
    /// Where the ground around a place has a say in its relief.
    survey: Option<Arc<Survey>>,
}

impl<'a> Shaper<'a> {
    fn new(
        solid: &'a Solid,
        grid: &'a Grid,
        unit: &'a Curve,
        settings: &'a Settings,
        survey: SurveyOf,
    ) -> Self {
        let multiscale = settings.relief.method == Method::Multiscale
            && settings.relief.detail != Detail::Share(0.0);
        Shaper {
            solid,
            grid,
            unit,
            settings,
            survey: multiscale.then(|| survey(grid)),
        }
    }

    /// The relief at the range the job, the diameter or the wood says.
    fn ground(&self) -> Result<Ground> {
        let range = self.settings.relief.range;
        let wanted_mm = range.wanted_mm(self.settings.globe.diameter_mm);
        let ((shaped, making), range_mm) = match (range, wanted_mm) {
            (ReliefRange::Mm(_), Some(wanted_mm)) => (self.at(wanted_mm), wanted_mm),
            (_, Some(wanted_mm)) => {
                let made = self.at(wanted_mm);
                match self.holds(&made.0)? {
                    true => (made, wanted_mm),
                    false => self.largest()?,
                }
            }
            (_, None) => self.largest()?,
        };
        let making = Making {
            range: Making::with_range(self.settings, range_mm).range,
            ..making
        };
        Ok(Ground::shaped(shaped, range_mm, making))
    }

    /// Whether the stock holds a finished relief as it is.
    fn holds(&self, shaped: &Shaped) -> Result<bool> {
        let range_mm = shaped.range_mm.unwrap_or(0.0);
        let as_it_is = with_range(self.settings, ReliefRange::Mm(range_mm));
        match fit::range(self.solid, &shaped.grid, &shaped.sampled, &as_it_is) {
            Ok(_) => Ok(true),
            Err(Error::Stock(_)) => Ok(false),
            Err(error) => Err(error),
        }
    }

    /// The finished relief at a range.
    fn at(&self, range_mm: f64) -> (Shaped, Making) {
        let curve = self.unit.scaled(range_mm);
        let radius_mm = self.settings.globe.diameter_mm / 2.0;
        let mut relief_mm = compress::carved(self.grid.clone(), &curve);
        let mut making = Making::default();
        if let Some(survey) = &self.survey {
            let scale = Scale {
                radius_mm,
                bit_mm: self.settings.finishing_bit_mm(),
                resolved_deg: survey.resolved_deg,
                ends_mm: (curve.lowest_mm(), curve.highest_mm()),
            };
            let detail = match self.settings.relief.detail {
                Detail::Auto => None,
                Detail::Share(detail) => Some(detail),
            };
            let bands = survey.bands(&relief_mm, &curve, scale);
            let (companded, choice) = bands.companded(detail);
            companded.give(&mut relief_mm, &scale);
            (making.detail, making.figures) = (Some(choice.detail), Some(choice.figures));
        }
        match self.settings.relief.steepest {
            Steepest::Auto => {
                making.raised =
                    compress::without_undercuts(&mut relief_mm, self.solid, self.settings);
            }
            Steepest::Degrees(limit_deg) if limit_deg < Steepest::NO_LIMIT_DEG => {
                compress::limit_slope(&mut relief_mm, radius_mm, limit_deg);
            }
            Steepest::Degrees(_) => {}
        }
        let shaped = compress::finished(relief_mm, Some(self.unit.clone()));
        (shaped, making)
    }

    /// The largest range at which a relief of this shape fits the stock, mm.
    fn fits(&self, shaped: &Shaped) -> Result<f64> {
        let most = with_range(self.settings, ReliefRange::Most);
        fit::range(self.solid, &shaped.grid, &shaped.sampled, &most)
    }

    /// The relief as high as the stock allows.
    fn largest(&self) -> Result<((Shaped, Making), f64)> {
        let mut range_mm = fit::range(self.solid, self.grid, self.unit, self.settings)?;
        let mut largest: Option<((Shaped, Making), f64)> = None;
        for _ in 0..ROUNDS {
            let made = self.at(range_mm);
            let fits_mm = self.fits(&made.0)?;
            if fits_mm >= range_mm && largest.as_ref().is_none_or(|(_, least)| range_mm > *least) {
                largest = Some((made, range_mm));
            }
            if (fits_mm - range_mm).abs() < 0.005 {
                break;
            }
            range_mm = fits_mm;
        }
        Ok(largest.unwrap_or_else(|| (self.at(range_mm), range_mm)))
    }
}

/// The ground, and the globe fitted to its stock around it.
#[derive(Debug, Clone, PartialEq)]
pub struct Relief<G = Grid> {
    /// The relief of the whole body.
    pub ground: Ground<G>,
    /// The globe in its stock; its curve is the part of the exaggeration that is the same everywhere.
    pub fit: Fit,
}

impl Relief {
    /// As [`Ground::of`], and fits the solid around it.
    ///
    /// # Errors
    /// Those of [`Ground::of`] and [`fit::fit`]; for want of stock with what would hold the globe.
    pub fn of(
        solid: &Solid,
        grid: Grid,
        source: &Source,
        settings: &Settings,
        finish: bool,
    ) -> Result<Relief> {
        Relief::surveyed(solid, grid, source, settings, finish, &anew(settings))
    }

    /// The same with the grid's survey from whoever keeps it.
    ///
    /// # Errors
    /// As [`of`](Self::of).
    pub fn surveyed(
        solid: &Solid,
        grid: Grid,
        source: &Source,
        settings: &Settings,
        finish: bool,
        survey: SurveyOf,
    ) -> Result<Relief> {
        if source.quantity == Quantity::Relief {
            let ground = Ground::of(solid, grid, source, settings, finish)?;
            let (unit, as_it_is) = at_its_range(&ground.curve, settings);
            let fit = fitted_or_remedied(solid, &ground.grid, &unit, &as_it_is)?;
            let fit = ground.as_known(fit);
            return Ok(Relief { ground, fit });
        }
        if settings.relief.follows_height() && !finish {
            return Relief::curved(solid, grid, source, settings);
        }
        let global = compress::unit_curve(&source.hypsometry, &settings.relief)?;
        let carve = || {
            let ground = Shaper::new(solid, &grid, &global, settings, survey).ground()?;
            let (unit, as_it_is) = at_its_range(&ground.curve, settings);
            let fit = fit::fit(solid, &ground.grid, &unit, &as_it_is)?;
            let fit = ground.as_known(fit);
            Ok(Relief { ground, fit })
        };
        // Shaped ground lies between the ends of its curve: what holds those anywhere holds it,
        // and need not be shaped to be tried.
        carve().map_err(|error| remedied_anywhere(error, &global, settings))
    }
}

/// What a solid asks of the wood for the relief of a job, by the curve alone.
fn limits(solid: &Solid, grid: &dyn Heights, unit: &Curve, settings: &Settings) -> FitLimits {
    let range = settings.relief.range;
    let range_mm = range.looks_well_mm(settings.globe.diameter_mm);
    fit::limits_on(solid, grid, unit, range_mm, settings)
}

/// As [`fit::fit`]; an error for want of stock says what would hold the globe.
fn fitted_or_remedied(
    solid: &Solid,
    grid: &dyn Heights,
    unit: &Curve,
    settings: &Settings,
) -> Result<Fit> {
    let limits = |solid: &Solid| limits(solid, grid, unit, settings);
    fit::fit(solid, grid, unit, settings).map_err(|error| {
        remedied(error, settings, limits, |s, tried| {
            fit::fit(s, grid, unit, tried).is_ok()
        })
    })
}

impl<G: Heights> Relief<G> {
    /// The same where relief follows from a sample's height alone ([`ReliefSettings::follows_height`]): the grid
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
        let shaped = compress::curved(grid, source, settings)?;
        let fit = fitted_or_remedied(solid, &shaped.grid, &shaped.sampled, settings)?;
        let making = Making::with_range(settings, fit.range_mm);
        let ground = Ground::shaped(shaped, fit.range_mm, making);
        let fit = ground.as_known(fit);
        Ok(Relief { ground, fit })
    }
}

impl<G: Heights> Ground<G> {
    /// The solid fitted around it with other settings, such as larger pixels.
    ///
    /// # Errors
    /// Those of [`fit::fit`]; for want of stock as [`Relief::of`] has them.
    pub fn fitted(&self, solid: &Solid, settings: &Settings) -> Result<Fit> {
        let (unit, as_it_is) = at_its_range(&self.curve, settings);
        if settings.relief.follows_height() {
            return Ok(self.as_known(fitted_or_remedied(solid, &self.grid, &unit, &as_it_is)?));
        }
        let global = self.exaggeration().scaled(1.0 / self.range_mm);
        let fit = self.fitted_as_it_is(solid, settings);
        fit.map_err(|error| remedied_anywhere(error, &global, settings))
    }

    /// The same, and the error does not say what would hold it, which takes long to find.
    ///
    /// # Errors
    /// Those of [`fit::fit`].
    pub fn fitted_as_it_is(&self, solid: &Solid, settings: &Settings) -> Result<Fit> {
        let (unit, as_it_is) = at_its_range(&self.curve, settings);
        Ok(self.as_known(fit::fit(solid, &self.grid, &unit, &as_it_is)?))
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

    /// The part of the exaggeration that is the same everywhere, as far as it is known.
    fn exaggeration(&self) -> &Curve {
        self.global.as_ref().unwrap_or(&self.curve)
    }

    fn as_known(&self, fit: Fit) -> Fit {
        Fit {
            curve: self.exaggeration().clone(),
            range_mm: self.range_mm,
            ..fit
        }
    }
}

/// A curve as one of range 1 mm, and the settings with its range.
fn at_its_range(curve: &Curve, settings: &Settings) -> (Curve, Settings) {
    let own_range_mm = curve.highest_mm() - curve.lowest_mm();
    let unit = curve.scaled(1.0 / own_range_mm);
    (unit, with_range(settings, ReliefRange::Mm(own_range_mm)))
}

fn with_range(settings: &Settings, range: ReliefRange) -> Settings {
    let mut settings = settings.clone();
    settings.relief.range = range;
    settings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carve::orient::oriented;
    use crate::carve::resample::Sampler;
    use crate::carve::seams::seam_ground;
    use crate::carve::turn::testing::turn_on;
    use crate::model::grid::Quantity;
    use crate::model::settings::CurveShape;
    use crate::testing::{grid_of, source_of};

    /// Craters, ridges and one steep peak, so that every dial has something to do.
    fn ground() -> Grid {
        let peak = crate::model::geometry::direction(18.0, 226.0);
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
        settings.relief.range = crate::model::settings::ReliefRange::Mm(6.0);
        settings.relief.curve = CurveShape::Asinh;
        settings
    }

    /// Every dial of the relief: local methods, a limit of the slopes, another curve below.
    fn variants() -> Vec<Settings> {
        let mut below = settings(Method::Curve);
        below.relief.below.level_m = Some(0.0);
        below.relief.below.share = Some(0.3);
        let mut gentle = settings(Method::Curve);
        gentle.relief.steepest = crate::model::settings::Steepest::Degrees(15.0);
        vec![
            settings(Method::Multiscale),
            settings(Method::Curve),
            below,
            gentle,
        ]
    }

    /// What is carved, read back as finished relief: its numbers are metres in the grid, as the
    /// reader makes them of millimetres.
    fn kept(relief: &Relief) -> (Grid, Source) {
        let mut grid = relief.ground.grid.clone();
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
            assert_eq!(again.ground.grid, first.ground.grid);
            assert_eq!(again.ground.curve, first.ground.curve);
            assert_eq!(again.fit.kinds, first.fit.kinds);
            assert_eq!(again.fit.facets, first.fit.facets);
        }
    }

    /// Whoever keeps a survey gets the same relief as without, whatever was asked for before.
    #[test]
    fn bands_that_are_kept_give_the_same_relief() {
        let grid = ground();
        let mut settings = settings(Method::Multiscale);
        let (solid, _) = oriented(&settings).unwrap();
        let survey = Arc::new(Survey::of(&grid, &settings).keeping());
        let kept = |_: &Grid| Arc::clone(&survey);
        let asked = [
            (Detail::Share(0.3), 6.0),
            (Detail::Auto, 6.0),
            (Detail::Share(0.8), 4.0),
            (Detail::Share(0.8), 6.0),
        ];
        for (detail, range_mm) in asked {
            settings.relief.detail = detail;
            settings.relief.range = ReliefRange::Mm(range_mm);
            let source = source_of(&grid);
            let fresh = Ground::of(&solid, grid.clone(), &source, &settings, false).unwrap();
            let again = Ground::surveyed(&solid, grid.clone(), &source, &settings, false, &kept);
            assert_eq!(again.unwrap(), fresh, "{detail:?} {range_mm}");
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
            let sampler = Sampler::new(&relief.ground.grid, &relief.ground.curve);
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
            settings.relief.range = crate::model::settings::ReliefRange::Most;
            settings.stock.thickness_mm = 62.0;
            let (solid, _) = oriented(&settings).unwrap();
            let carved = |settings: &Settings| {
                Relief::of(&solid, grid.clone(), &source_of(&grid), settings, false)
            };
            let range_mm = carved(&settings).unwrap().fit.range_mm;
            assert!((1.0..30.0).contains(&range_mm), "{range_mm}");
            settings.relief.range = crate::model::settings::ReliefRange::Mm(range_mm);
            assert!(carved(&settings).is_ok());
            settings.relief.range = crate::model::settings::ReliefRange::Mm(range_mm + 0.3);
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
