//! What would hold a globe that its stock does not: each tried before it is named.

use crate::geometry::{Solid, solid_names};
use crate::length::{at_least_text, at_most_text};
use crate::settings::{ReliefRange, Settings};
use crate::stages::fit::Limits;
use crate::stages::orient::oriented;
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
    limits: impl Fn(&Solid) -> Limits,
    holds: impl Fn(&Solid, &Settings) -> bool,
) -> Error {
    let Error::Stock(problem) = error else {
        return error;
    };
    let Ok((solid, _)) = oriented(settings) else {
        return Error::Stock(problem);
    };
    let own = limits(&solid);
    let changed = |change: &dyn Fn(&mut Settings)| {
        let mut tried = settings.clone();
        change(&mut tried);
        holds(&solid, &tried)
    };
    let up = |estimate_mm: Option<f64>, change: fn(&mut Settings, f64)| {
        let tries = estimate_mm
            .into_iter()
            .flat_map(|mm| MARGINS.map(|m| tenths_up(mm * m)));
        tries
            .into_iter()
            .find(|mm| changed(&|tried| change(tried, *mm)))
    };
    let down = |estimate_mm: Option<f64>, change: fn(&mut Settings, f64)| {
        let tries = estimate_mm
            .into_iter()
            .flat_map(|mm| MARGINS.map(|m| tenths_down(mm / m)));
        tries
            .into_iter()
            .find(|mm| changed(&|tried| change(tried, *mm)))
    };
    let mut ways = Vec::new();
    if let Some(mm) = up(own.least_stock_mm, |tried, mm| {
        tried.stock.thickness_mm = mm
    }) {
        ways.push(format!("stock.thickness of at least {}", at_least_text(mm)));
    }
    if let Some((name, facets)) = other_solid(settings, &limits, &holds) {
        ways.push(format!("globe.solid = \"{name}\" ({facets} facets)"));
    }
    let diameter = |tried: &mut Settings, mm: f64| tried.globe.diameter_mm = mm;
    if let Some(mm) = down(own.largest_diameter_mm, diameter) {
        ways.push(format!("globe.diameter of at most {}", at_most_text(mm)));
    }
    let edge_mm = own.corner_mm.filter(|mm| *mm >= LEAST_EDGE_MM);
    if let Some(mm) = down(edge_mm, |tried, mm| tried.stock.edge_mm = mm) {
        ways.push(format!("stock.edge of at most {}", at_most_text(mm)));
    }
    if let ReliefRange::Mm(asked_mm) = settings.relief.range {
        let left = own.most_range_mm.filter(|mm| *mm >= RELIEF_LEFT * asked_mm);
        let range = |tried: &mut Settings, mm: f64| tried.relief.range = ReliefRange::Mm(mm);
        if let Some(mm) = down(left, range) {
            ways.push(format!("relief.range of at most {}", at_most_text(mm)));
        }
    }
    Error::Stock(offering(problem, &ways))
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
    limits: &impl Fn(&Solid) -> Limits,
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
