//! What would hold a globe that its stock does not: each tried before it is named.

use crate::carve::fit::{self, FitLimits};
use crate::carve::orient::oriented;
use crate::model::curve::Curve;
use crate::model::geometry::{Solid, solid_names};
use crate::model::settings::{ReliefRange, Settings};
use crate::{Error, Problem};

/// An estimate that fails is moved to the safe side by these, one after another.
const MARGINS: [f64; 5] = [1.0, 1.005, 1.02, 1.05, 1.1];

/// Other solids that are tried.
const SOLIDS_TRIED: usize = 3;

/// A thinner edge than this breaks when it is sawn, mm. Common practice, no source.
const LEAST_EDGE_MM: f64 = 5.0;

/// Less relief is offered only where this part of what was asked for is left.
const RELIEF_LEFT: f64 = 0.75;

/// Adds to a refusal for want of stock what would hold the globe; other errors stay as they are.
///
/// `limits` estimates what a solid asks of the wood, and `holds` tries a job with a solid.
pub(crate) fn remedied(
    error: Error,
    settings: &Settings,
    limits: impl Fn(&Solid) -> FitLimits,
    holds: impl Fn(&Solid, &Settings) -> bool,
) -> Error {
    let Error::Stock(problem) = error else {
        return error;
    };
    let Ok((solid, _)) = oriented(settings) else {
        return Error::Stock(problem);
    };
    let own = limits(&solid);
    let first_held = |tries: Option<[f64; MARGINS.len()]>, change: fn(&mut Settings, f64)| {
        tries.into_iter().flatten().find(|mm| {
            let mut tried = settings.clone();
            change(&mut tried, *mm);
            holds(&solid, &tried)
        })
    };
    let up = |mm: f64| MARGINS.map(|margin| tenths_up(mm * margin));
    let down = |mm: f64| MARGINS.map(|margin| tenths_down(mm / margin));
    let at_most =
        |key: &str, mm| format!("{key} of at most {}", settings.lengths_of(key).at_most(mm));
    let mut ways = Vec::new();
    if let Some(mm) = first_held(own.least_stock_mm.map(up), |tried, mm| {
        tried.stock.thickness_mm = mm;
    }) {
        let mm = settings.lengths_of("stock.thickness").at_least(mm);
        ways.push(format!("stock.thickness of at least {mm}"));
    }
    if let Some((name, facets)) = other_solid(settings, &limits, &holds) {
        ways.push(format!("globe.solid = \"{name}\" ({facets} facets)"));
    }
    if let Some(mm) = first_held(own.largest_diameter_mm.map(down), |tried, mm| {
        tried.globe.diameter_mm = mm;
    }) {
        ways.push(at_most("globe.diameter", mm));
    }
    let edge_mm = own.corner_mm.filter(|mm| *mm >= LEAST_EDGE_MM);
    if let Some(mm) = first_held(edge_mm.map(down), |tried, mm| tried.stock.edge_mm = mm) {
        ways.push(at_most("stock.edge", mm));
    }
    if let ReliefRange::Mm(asked_mm) = settings.relief.range {
        let left = own.most_range_mm.filter(|mm| *mm >= RELIEF_LEFT * asked_mm);
        if let Some(mm) = first_held(left.map(down), |tried, mm| {
            tried.relief.range = ReliefRange::Mm(mm);
        }) {
            ways.push(at_most("relief.range", mm));
        }
    }
    Error::Stock(offering(problem, &ways))
}

/// The same for ground of which nothing is known but its curve of range 1 mm.
pub(crate) fn remedied_anywhere(error: Error, unit: &Curve, settings: &Settings) -> Error {
    let range_mm = (settings.relief.range).looks_well_mm(settings.globe.diameter_mm);
    let limits = |solid: &Solid| fit::limits(solid, unit, range_mm, settings);
    remedied(error, settings, limits, |solid, tried| {
        fit::fit_anywhere(solid, unit, tried).is_ok()
    })
}

fn offering(problem: Problem, ways: &[String]) -> Problem {
    match ways {
        [] => problem.next("use much thicker stock, or a much smaller globe"),
        ways => problem.next(format!("any of these holds it: {}", ways.join(", or "))),
    }
}

/// The solid with the fewest facets that holds the job as it is.
fn other_solid(
    settings: &Settings,
    limits: &impl Fn(&Solid) -> FitLimits,
    holds: &impl Fn(&Solid, &Settings) -> bool,
) -> Option<(&'static str, usize)> {
    let mut others: Vec<(usize, &'static str, Solid, Settings)> = solid_names()
        .into_iter()
        .filter(|name| *name != settings.globe.solid)
        .filter_map(|name| {
            let mut tried = settings.clone();
            tried.globe.solid = name.to_owned();
            let (solid, _) = oriented(&tried).ok()?;
            let least_mm = limits(&solid).least_stock_mm?;
            let facets = solid.faces.len();
            (least_mm <= settings.stock.thickness_mm).then_some((facets, name, solid, tried))
        })
        .collect();
    others.sort_by_key(|(facets, ..)| *facets);
    (others.into_iter().take(SOLIDS_TRIED))
        .find(|(_, _, solid, tried)| holds(solid, tried))
        .map(|(facets, name, ..)| (name, facets))
}

fn tenths_up(mm: f64) -> f64 {
    (mm * 10.0 - 1e-6).ceil() / 10.0
}

fn tenths_down(mm: f64) -> f64 {
    (mm * 10.0 + 1e-6).floor() / 10.0
}

#[cfg(test)]
mod tests {
    use crate::carve::orient::oriented;
    use crate::carve::relief::Relief;
    use crate::model::jobfile;
    use crate::model::settings::Settings;
    use crate::testing::{grid_of, source_of};

    fn carve(settings: &Settings) -> Result<Relief, String> {
        let grid = grid_of(240, |d| {
            2500.0 * (3.0 * d.x + 0.5).sin() * (2.0 * d.z).cos()
                + 400.0 * (23.0 * d.x + 17.0 * d.y).sin()
        });
        let (solid, _) = oriented(settings).unwrap();
        let source = source_of(&grid);
        Relief::of(&solid, grid, &source, settings, false).map_err(|error| error.to_string())
    }

    /// Every way out in a message, as settings in each unit shown.
    fn ways(message: &str) -> Vec<(String, String)> {
        let (_, list) = message.split_once("any of these holds it: ").unwrap();
        let mut all = Vec::new();
        for way in list.split(", or ") {
            if let Some((key, solid)) = way.split_once(" = \"") {
                all.push((key.to_owned(), solid.split('"').next().unwrap().to_owned()));
                continue;
            }
            let (key, bound) = way.split_once(" of at ").unwrap();
            let (_, lengths) = bound.split_once(' ').unwrap();
            // A fraction, where there is one, is as safe as the decimals.
            let (length, fraction) = lengths.split_once(" (").unwrap_or((lengths, ""));
            all.push((key.to_owned(), length.to_owned()));
            if let Some((fraction, _)) = fraction.split_once(')') {
                all.push((key.to_owned(), format!("{fraction} in")));
            }
        }
        all
    }

    #[test]
    fn every_way_out_is_one_in_every_unit_and_keeps_the_relief() {
        let mut tried = 0;
        for sets in [
            vec![
                "globe.solid=dodecahedron",
                "stock.thickness=20 mm",
                "relief.range=9 mm",
            ],
            vec!["globe.solid=tetrahedron"],
            vec!["globe.solid=cube", "relief.range=6 mm"],
            vec![
                "globe.solid=cube",
                "relief.range=most",
                "stock.thickness=1 in",
            ],
            vec![
                "globe.solid=octahedron",
                "relief.method=curve",
                "relief.steepest=90",
            ],
            vec!["globe.diameter=24 in", "relief.range=18 mm"],
            vec![
                "globe.base=flat",
                "stock.thickness=15 mm",
                "relief.range=9 mm",
            ],
        ] {
            for units in ["units=mm", "units=inch"] {
                let sets = [&sets[..], &[units]].concat();
                let sets: Vec<String> = sets.into_iter().map(str::to_owned).collect();
                let settings = jobfile::changed(&Settings::default(), &sets).unwrap();
                let Err(message) = carve(&settings) else {
                    panic!("{sets:?} fits");
                };
                let ways = ways(&message);
                assert!(!ways.is_empty(), "{message}");
                for (key, value) in ways {
                    let way = jobfile::changed(&settings, &[format!("{key}={value}")]).unwrap();
                    let held = carve(&way);
                    let range_mm = held.map(|relief| relief.fit.range_mm);
                    let asked_mm = (way.relief.range).looks_well_mm(way.globe.diameter_mm);
                    let kept = range_mm.as_ref().is_ok_and(|mm| *mm >= 0.99 * asked_mm);
                    assert!(kept, "{sets:?} {key}={value}: {range_mm:?} {asked_mm}");
                    tried += 1;
                }
            }
        }
        assert!(tried > 25, "{tried}");
    }
}
