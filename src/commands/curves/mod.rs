//! Compares ways to exaggerate one grid's relief, and picks one.
//!
//! Everything runs on the grid that the main job carves, so that every number is the same there;
//! what is judged and shown is the relief as the finishing bit leaves it.

mod printed;
mod sheet;
mod suggest;

pub use suggest::{Suggestion, Trial};

use crate::carve::compress::carved;
use crate::carve::orient::oriented;
use crate::carve::relief::{Making, Relief, Survey};
use crate::model::curve::Curve;
use crate::model::geometry::Solid;
use crate::model::grid::{Grid, Source};
use crate::model::jobfile::{self, Job};
use crate::model::length::{Lengths, one_line};
use crate::model::progress::Progress;
use crate::model::settings::{CurveShape, Detail, Method, Settings};
use crate::output::folder::{CURVES_FILE, CURVES_SCHEMA, NewFolder};
use crate::output::json_text;
use crate::read::{self, ReadRequest, Reading};
use crate::show::chart::{self, Mark};
use crate::sphere::figures::{self, Figures, Judge};
use crate::sphere::lattice::Field;
use crate::{Error, Result};
use serde::Serialize;
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Elevations, as shares of the sphere below them, at which curves are described.
const SHARES: [f64; 6] = [0.05, 0.25, 0.5, 0.75, 0.95, 0.999];

/// What is asked for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CurvesOptions {
    /// Ways to try, each a list such as `curve=asinh,boost=4`; none tries the usual ones.
    pub tries: Vec<String>,
    /// Folder for chart, contact sheet and JSON.
    pub out: Option<PathBuf>,
    /// Replace a folder that holds an earlier result.
    pub force: bool,
    /// Look for the best settings.
    pub suggest: bool,
    /// Diameter in mm of the round-nosed bit that will cut them; `None` takes the job's finishing
    /// bit, or the usual one if the job names none.
    pub bit_mm: Option<f64>,
}

/// What comes out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Columns and rows the figures were measured on.
    pub samples: [usize; 2],
    /// One per way tried.
    pub curves: Vec<CurveRow>,
    /// What is best, if asked for.
    pub suggestion: Option<Suggestion>,
    /// How the job has lengths written.
    #[serde(skip)]
    pub(crate) lengths: Lengths,
}

/// One way to exaggerate, described.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveRow {
    /// What was asked for.
    pub label: String,
    /// Lowest to highest ground, mm.
    pub range_mm: f64,
    /// At which heights the curve is described.
    pub at: Vec<Slope>,
    /// What can be seen and felt.
    #[serde(flatten)]
    pub figures: Figures,
}

/// How much the curve makes of height differences somewhere.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Slope {
    /// Share of the sphere below, per cent; 100 is the summit.
    pub percent: f64,
    /// Height, metres.
    pub height_m: f64,
    /// Relief per kilometre of height, mm.
    pub mm_per_km: f64,
    /// The same against true scale on this globe; none if the body's radius is not known.
    pub exaggeration: Option<f64>,
}

/// A finished relief and what made it.
#[derive(Clone)]
struct Carved {
    row: CurveRow,
    global: Curve,
    making: Making,
    /// As the bit leaves it.
    carved_mm: Field,
}

/// Compares, and writes pictures and JSON if a folder is named.
///
/// # Errors
/// Those of the main job up to the fit, for any of the ways tried.
pub fn curves(job: &Job, options: &CurvesOptions, progress: &dyn Progress) -> Result<Comparison> {
    job.require_grid()?;
    let folder = match &options.out {
        Some(out) => Some(NewFolder::begin(out, options.force, progress)?),
        None => None,
    };
    let ways = ways(job, &options.tries)?;
    let bench = Comparer::open(job, options.bit_mm, progress)?;
    progress.start("carving curves", ways.len() as u64);
    let mut all = Vec::new();
    for (label, settings) in &ways {
        all.push(bench.carve(label, settings).map_err(|e| job.locate(e))?);
        progress.step(1);
    }
    progress.done();
    let suggestion = match options.suggest {
        true => {
            let suggest = suggest::suggest(&bench, &job.settings, progress);
            Some(suggest.map_err(|e| job.locate(e))?)
        }
        false => None,
    };
    for offer in suggestion.iter().flat_map(|suggestion| &suggestion.offers) {
        all.push(bench.carve(offer.name, &offer.settings)?);
    }
    let comparison = Comparison {
        samples: [bench.reading.grid.columns(), bench.reading.grid.rows()],
        curves: all.iter().map(|one| one.row.clone()).collect(),
        suggestion,
        lengths: job.settings.lengths(),
    };
    if let Some(folder) = folder {
        write(&folder, &comparison, &all, &bench)?;
        folder.finish()?;
    }
    Ok(comparison)
}

fn write(
    folder: &NewFolder,
    comparison: &Comparison,
    all: &[Carved],
    bench: &Comparer,
) -> Result<()> {
    let named: Vec<(&str, &Curve)> = all
        .iter()
        .map(|one| (one.row.label.as_str(), &one.global))
        .collect();
    let svg = chart::curves(&named, &bench.reading.source.hypsometry, comparison.lengths)?;
    let mut files = vec![
        ("curves.md", comparison.to_string().into_bytes()),
        ("curves.png", chart::png(&svg)?),
        ("curves.svg", svg.into_bytes()),
        ("sheet.png", sheet::sheet(all, bench, comparison.lengths)?),
    ];
    if let Some(suggestion) = &comparison.suggestion {
        let svg = chart::frontier(&marks(suggestion))?;
        files.push(("frontier.png", chart::png(&svg)?));
        files.push(("frontier.svg", svg.into_bytes()));
    }
    for (name, bytes) in &files {
        folder.write(name, bytes)?;
    }
    let names = files.iter().map(|(name, _)| *name).chain([CURVES_FILE]);
    let listed = Listed {
        schema: CURVES_SCHEMA,
        files: names.collect(),
        comparison,
    };
    let json = json_text(&listed)?;
    folder.write(CURVES_FILE, json.as_bytes())
}

/// The trials of a search on the chart of their frontier.
fn marks(suggestion: &Suggestion) -> Vec<Mark> {
    let mark = |trial: &Trial| {
        let figures = &trial.figures;
        Mark {
            at: (figures.rough_order, 100.0 * figures.carved_share),
            name: match trial.offer {
                Some(offer) => format!("{offer}: detail {:.2}", trial.detail),
                None => "the curve alone".to_owned(),
            },
        }
    };
    suggestion.trials.iter().map(mark).collect()
}

/// `curves.json`: what was found, and the folder's files, so that --force knows them again.
#[derive(Serialize)]
struct Listed<'a> {
    schema: &'static str,
    files: Vec<&'static str>,
    #[serde(flatten)]
    comparison: &'a Comparison,
}

/// The ways to try: those named, or one of each kind and the job's own.
fn ways(job: &Job, tries: &[String]) -> Result<Vec<(String, Settings)>> {
    if tries.is_empty() {
        let mut usual: Vec<(String, Settings)> = [
            ("linear", CurveShape::Linear),
            ("power", CurveShape::Power),
            ("asinh", CurveShape::Asinh),
            ("equalize", CurveShape::Equalize),
        ]
        .map(|(label, curve)| (label.to_owned(), plain(&job.settings, curve)))
        .into();
        usual.push(("the job's own".into(), job.settings.clone()));
        return Ok(usual);
    }
    tries
        .iter()
        .map(|text| {
            let sets: Vec<String> = text
                .split(',')
                .map(|part| format!("relief.{}", part.trim()))
                .collect();
            let changed = jobfile::changed(&job.settings, &sets).map_err(|mut error| {
                // The words the user wrote, not those they were turned into.
                let problem = error.problem_mut();
                *problem = std::mem::take(problem).option(format!("--try {}", one_line(text)));
                error
            })?;
            let settings = Settings {
                relief: changed.relief,
                ..job.settings.clone()
            };
            Ok((text.clone(), settings))
        })
        .collect()
}

/// A plain curve with the job's range and level; `equalize` as far as it goes.
fn plain(settings: &Settings, curve: CurveShape) -> Settings {
    let mut settings = settings.clone();
    settings.relief.curve = curve;
    settings.relief.method = Method::Curve;
    settings.relief.detail = Detail::Auto;
    settings.relief.below = Default::default();
    settings.relief.blend = (curve == CurveShape::Equalize).then_some(1.0);
    settings
}

/// A grid read and surveyed once, on which many ways are tried.
struct Comparer {
    solid: Solid,
    reading: Reading,
    radius_mm: f64,
    /// For the job's own bit.
    survey: Arc<Survey>,
    /// For the bit with which all ways are compared.
    compared: Arc<Survey>,
    /// What was carved already, by its settings.
    carved: RefCell<Vec<(Settings, Carved)>>,
}

impl Comparer {
    fn open(job: &Job, bit_mm: Option<f64>, progress: &dyn Progress) -> Result<Comparer> {
        let locate = |error: Error| job.locate(error);
        let settings = &job.settings;
        let radius_mm = settings.globe.diameter_mm / 2.0;
        let (solid, _) = oriented(settings).map_err(locate)?;
        let request = ReadRequest::of(settings);
        let reading = read::read(&settings.grid, &request, progress).map_err(locate)?;
        let own_mm = settings.finishing_bit_mm();
        let survey = Arc::new(Survey::new(&reading.grid, radius_mm, own_mm).keeping());
        let compared = match bit_mm {
            Some(bit_mm) if bit_mm != own_mm => {
                Arc::new(Survey::new(&reading.grid, radius_mm, bit_mm))
            }
            _ => Arc::clone(&survey),
        };
        Ok(Comparer {
            solid,
            reading,
            radius_mm,
            survey,
            compared,
            carved: RefCell::default(),
        })
    }

    /// The judge of all ways.
    fn judge(&self) -> &Judge {
        &self.compared.judge
    }

    /// A way carved; the same relief is carved once, however it was asked for.
    fn carve(&self, label: &str, settings: &Settings) -> Result<Carved> {
        let asked = without_other_names(settings);
        let known = (self.carved.borrow().iter())
            .find(|(made, carved)| *made == asked || found(made, carved) == asked)
            .map(|(_, carved)| carved.clone());
        let mut carved = match known {
            Some(carved) => carved,
            None => {
                let carved = self.carve_anew(settings)?;
                let mut all = self.carved.borrow_mut();
                all.push((asked, carved.clone()));
                carved
            }
        };
        carved.row.label = label.to_owned();
        Ok(carved)
    }

    fn carve_anew(&self, settings: &Settings) -> Result<Carved> {
        let Reading { grid, source } = &self.reading;
        let survey = |_: &Grid| Arc::clone(&self.survey);
        let Relief { ground, fit } =
            Relief::surveyed(&self.solid, grid.clone(), source, settings, false, &survey)?;
        let making = ground.making;
        let relief_mm = carved(ground.grid, &ground.curve);
        let relief_mm = figures::of_grid(&relief_mm, self.judge().layout());
        Ok(Carved {
            row: CurveRow {
                label: String::new(),
                range_mm: fit.range_mm,
                at: slopes(&fit.curve, source, self.radius_mm),
                figures: self.judge().figures(&relief_mm),
            },
            global: fit.curve,
            making,
            carved_mm: self.judge().carved(&relief_mm),
        })
    }
}

/// Settings of the curve alone in one of the two ways it can be asked for.
fn without_other_names(settings: &Settings) -> Settings {
    let mut settings = settings.clone();
    let relief = &mut settings.relief;
    if relief.detail == Detail::Share(0.0) {
        relief.method = Method::Curve;
    }
    if relief.method == Method::Curve {
        relief.detail = Detail::Auto;
    }
    settings
}

/// Settings with the detail that was found for them.
fn found(settings: &Settings, carved: &Carved) -> Settings {
    let mut settings = settings.clone();
    if let Some(detail) = carved.making.detail {
        settings.relief.detail = Detail::Share(detail);
    }
    settings
}

/// The curve's slope at the described heights, over a hundredth of the range.
pub(crate) fn slopes(curve: &Curve, source: &Source, radius_mm: f64) -> Vec<Slope> {
    let (low, high) = (source.hypsometry.min_m(), source.hypsometry.max_m());
    let step = 0.005 * (high - low);
    let places = SHARES.map(|share| (100.0 * share, source.hypsometry.quantile_m(share)));
    places
        .into_iter()
        .chain([(100.0, high)])
        .map(|(percent, height_m)| {
            let middle = height_m.clamp(low + step, high - step);
            let mm_per_m =
                (curve.relief_mm(middle + step) - curve.relief_mm(middle - step)) / (2.0 * step);
            Slope {
                percent,
                height_m,
                mm_per_km: 1000.0 * mm_per_m,
                exaggeration: source
                    .reference_radius_m
                    .map(|radius_m| mm_per_m * radius_m / radius_mm),
            }
        })
        .collect()
}

/// Shown with a message: the folder's main picture.
pub fn sheet_in(folder: &Path) -> PathBuf {
    folder.join("sheet.png")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curve_alone_is_one_way_whatever_it_is_called() {
        let named = |method, detail| {
            let mut settings = Settings::default();
            (settings.relief.method, settings.relief.detail) = (method, detail);
            without_other_names(&settings)
        };
        let alone = named(Method::Curve, Detail::Auto);
        assert_eq!(named(Method::Curve, Detail::Share(0.5)), alone);
        assert_eq!(named(Method::Multiscale, Detail::Share(0.0)), alone);
        assert_ne!(named(Method::Multiscale, Detail::Auto), alone);
        assert_ne!(named(Method::Multiscale, Detail::Share(0.1)), alone);
    }
}
