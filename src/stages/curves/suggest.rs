//! Looks for the settings that make most of the planet legible without breaking a limit.

use super::Bench;
use crate::progress::Progress;
use crate::settings::{CurveShape, Method, Settings};
use crate::{Error, Problem, Result};
use serde::Serialize;

/// Least share of pairs that must keep their order.
const LEAST_ORDER: f64 = 0.99;

/// Most area over 60 degrees beyond what the straight line has.
const MOST_STEEPER: f64 = 0.03;

/// Detail narrower than this many bit diameters would be filled in by the bit's own shape.
const SPAN_PER_BIT: f64 = 1.25;

/// Global curves that are tried under the detail: boosts of `asinh`, blends of `equalize`. A blend
/// nearer to 1 makes a little more legible and leaves high mountains as tables without summits.
const CURVES: [(CurveShape, f64); 5] = [
    (CurveShape::Asinh, 2.0),
    (CurveShape::Asinh, 3.0),
    (CurveShape::Equalize, 0.5),
    (CurveShape::Equalize, 0.7),
    (CurveShape::Equalize, 0.85),
];

/// `span` in mm, `detail`, `shift`: from hardly any to all that looks well.
const DETAILS: [(f64, f64, f64); 5] = [
    (6.0, 4.0, 0.008),
    (5.0, 8.0, 0.012),
    (5.0, 14.0, 0.016),
    (5.0, 20.0, 0.02),
    (4.5, 30.0, 0.024),
];

/// What is best, and why.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Suggestion {
    /// Two sentences.
    pub why: String,
    /// `[relief]` to paste into the job file.
    pub block: String,
    /// Everything that was tried.
    pub trials: Vec<Trial>,
    /// The job with those settings.
    #[serde(skip)]
    pub settings: Settings,
}

/// One of the settings tried.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trial {
    /// Its dials.
    pub label: String,
    /// Share of the sphere that is legible.
    pub legible_share: f64,
    /// Share of pairs that keep their order.
    pub order_kept: f64,
    /// Share of the sphere steeper than 60 degrees.
    pub steep_share: f64,
    /// Whether all limits hold.
    pub allowed: bool,
    /// Whether it is the one suggested.
    pub chosen: bool,
}

/// Tries all settings on the bench.
pub(super) fn suggest(
    bench: &Bench<'_>,
    settings: &Settings,
    bit_mm: f64,
    progress: &dyn Progress,
) -> Result<Suggestion> {
    let linear = bench.carve("linear", &super::plain(settings, CurveShape::Linear))?;
    let most_steep = linear.row.figures.steep_share + MOST_STEEPER;
    progress.start(
        "trying settings",
        (CURVES.len() * (DETAILS.len() + 1)) as u64,
    );
    let mut trials = Vec::new();
    let mut best: Option<(f64, usize, Settings)> = None;
    // Of the first trial, until one is chosen.
    let mut range_mm = 0.0;
    for (curve, dial) in CURVES {
        for detail in std::iter::once(None).chain(DETAILS.map(Some)) {
            let tried = with(settings, curve, dial, detail, bit_mm);
            let label = label(&tried);
            let one = bench
                .carve(&label, &tried)
                .map_err(|e| bench.job.locate(e))?;
            let figures = one.row.figures;
            if trials.is_empty() {
                range_mm = one.row.range_mm;
            }
            let allowed = figures.order_kept >= LEAST_ORDER && figures.steep_share <= most_steep;
            if allowed
                && best
                    .as_ref()
                    .is_none_or(|(most, ..)| figures.legible_share > *most)
            {
                best = Some((figures.legible_share, trials.len(), tried));
                range_mm = one.row.range_mm;
            }
            trials.push(Trial {
                label,
                legible_share: figures.legible_share,
                order_kept: figures.order_kept,
                steep_share: figures.steep_share,
                allowed,
                chosen: false,
            });
            progress.step(1);
        }
    }
    progress.done();
    let Some((legible, index, chosen)) = best else {
        return Err(none_within(&trials, range_mm, most_steep));
    };
    trials[index].chosen = true;
    let why = format!(
        "Of {} settings tried, {} makes most of this planet legible at {range_mm:.2} mm of relief: \
         {:.0} % of its ground against {:.0} % with a straight line. It keeps the order of \
         {:.1} % of neighbouring heights and holds slopes to {} degrees; detail narrower than a \
         {bit_mm:.1} mm bit can cut was left out of the search.",
        trials.len(),
        trials[index].label,
        100.0 * legible,
        100.0 * linear.row.figures.legible_share,
        100.0 * trials[index].order_kept,
        chosen.relief.slope_limit_deg().unwrap_or(90.0),
    );
    Ok(Suggestion {
        why,
        block: block(&chosen),
        trials,
        settings: chosen,
    })
}

/// The error when every trial breaks a limit: how many break which, and what helps.
fn none_within(trials: &[Trial], range_mm: f64, most_steep: f64) -> Error {
    let broken = |limit: &dyn Fn(&Trial) -> bool| trials.iter().filter(|t| limit(t)).count();
    Error::Job(
        Problem::new("no settings stay within the limits at so much relief")
            .setting("relief.range")
            .found(format!(
                "{range_mm:.2} mm; of {} tries {} are too steep and {} mix up heights",
                trials.len(),
                broken(&|t| t.steep_share > most_steep),
                broken(&|t| t.order_kept < LEAST_ORDER)
            ))
            .allowed(format!(
                "at most {:.1} % of the ground steeper than 60 degrees, and {} % or more of \
                 neighbouring heights in order",
                100.0 * most_steep,
                100.0 * LEAST_ORDER
            ))
            .next(
                "lower relief.range, such as --set relief.range=6mm, or leave --suggest out and \
                 choose by eye",
            ),
    )
}

fn with(
    settings: &Settings,
    curve: CurveShape,
    dial: f64,
    detail: Option<(f64, f64, f64)>,
    bit_mm: f64,
) -> Settings {
    let mut tried = super::plain(settings, curve);
    tried.relief.steepest_deg = Some(settings.relief.steepest_deg.unwrap_or(60.0));
    match curve {
        CurveShape::Equalize => tried.relief.blend = Some(dial),
        _ => tried.relief.boost = dial,
    }
    if let Some((span_mm, gain, shift)) = detail {
        tried.relief.method = Method::Layered;
        tried.relief.span_mm = span_mm.max(SPAN_PER_BIT * bit_mm);
        tried.relief.detail = gain;
        tried.relief.shift = shift;
    }
    tried
}

fn label(settings: &Settings) -> String {
    let relief = &settings.relief;
    let curve = match relief.blend {
        Some(blend) => format!("equalize with blend {blend}"),
        None => format!(
            "{} with boost {}",
            crate::stages::compress::name(relief.curve),
            relief.boost
        ),
    };
    match relief.method {
        Method::Layered => format!("layered {}x on {curve}", relief.detail),
        _ => curve,
    }
}

/// The section as it stands in a job file.
fn block(settings: &Settings) -> String {
    let relief = &settings.relief;
    let mut lines = vec!["[relief]".to_owned()];
    if let Some(range_mm) = relief.range_mm {
        lines.push(format!("range = \"{range_mm} mm\""));
    }
    lines.push(format!(
        "curve = \"{}\"",
        crate::stages::compress::name(relief.curve)
    ));
    match relief.blend {
        Some(blend) => lines.push(format!("blend = {blend}")),
        None => lines.push(format!("boost = {}", relief.boost)),
    }
    if relief.method == Method::Layered {
        lines.push("method = \"layered\"".to_owned());
        lines.push(format!("span = \"{} mm\"", relief.span_mm));
        lines.push(format!("detail = {}", relief.detail));
        lines.push(format!("shift = {}", relief.shift));
    }
    if let Some(steepest) = relief.steepest_deg {
        lines.push(format!("steepest = {steepest}"));
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jobfile;

    #[test]
    fn the_block_pastes_into_a_job_file_and_means_the_same() {
        for (curve, dial) in CURVES {
            for detail in [None, Some(DETAILS[3])] {
                let mut start = Settings::default();
                start.relief.range_mm = Some(6.0);
                let wanted = with(&start, curve, dial, detail, 3.175);
                let job = jobfile::parse(&block(&wanted), "globe.toml".as_ref(), &[]).unwrap();
                assert_eq!(job.settings.relief, wanted.relief);
            }
        }
    }

    #[test]
    fn a_thick_bit_widens_the_span() {
        let detail = Some(DETAILS[0]);
        let fine = with(&Settings::default(), CurveShape::Asinh, 3.0, detail, 3.175);
        let thick = with(&Settings::default(), CurveShape::Asinh, 3.0, detail, 12.7);
        assert_eq!((fine.relief.span_mm, thick.relief.span_mm), (6.0, 15.875));
    }

    #[test]
    fn limits_that_nothing_meets_are_counted() {
        let trial = |order_kept, steep_share| Trial {
            label: "asinh".into(),
            legible_share: 0.5,
            order_kept,
            steep_share,
            allowed: false,
            chosen: false,
        };
        let trials = [trial(1.0, 0.2), trial(0.97, 0.0), trial(0.98, 0.3)];
        assert_eq!(
            none_within(&trials, 21.25, 0.125).to_string(),
            "job: relief.range: no settings stay within the limits at so much relief; found 21.25 \
             mm; of 3 tries 2 are too steep and 2 mix up heights; allowed: at most 12.5 % of the \
             ground steeper than 60 degrees, and 99 % or more of neighbouring heights in order; \
             lower relief.range, such as --set relief.range=6mm, or leave --suggest out and choose \
             by eye"
        );
    }
}
