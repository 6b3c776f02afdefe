//! Offers three reliefs along the way from the curve alone to the boldest, with what each costs.

use super::Comparer;
use crate::Result;
use crate::model::progress::Progress;
use crate::model::settings::{Detail, Method, ReliefRange, Settings, Steepest};
use crate::sphere::figures::Figures;
use serde::Serialize;

/// Parts of the boldest detail that are tried; the offers are among them.
const PARTS: [f64; 4] = [0.0, 0.4, 0.8, 1.0];

/// The offers: what they are called and their part of the boldest detail.
const OFFERS: [(&str, f64); 3] = [("calm", 0.4), ("balanced", 0.8), ("bold", 1.0)];

/// What is offered, and why.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Suggestion {
    /// A few sentences.
    pub why: String,
    /// From calm to bold.
    pub offers: Vec<Offer>,
    /// Everything that was tried, from the curve alone to the boldest.
    pub trials: Vec<Trial>,
}

/// One relief to choose.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Offer {
    /// `calm`, `balanced` or `bold`.
    pub name: &'static str,
    /// What it costs, in a sentence.
    pub costs: String,
    /// `[relief]` to paste into the job file.
    pub block: String,
    /// The job with those settings.
    #[serde(skip)]
    pub settings: Settings,
}

/// One of the details tried.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trial {
    /// Between the curve alone and the boldest there is.
    pub detail: f64,
    /// What it looks like.
    #[serde(flatten)]
    pub figures: Figures,
    /// The offer it is.
    pub offer: Option<&'static str>,
}

/// Tries details on the bench.
pub(super) fn suggest(
    bench: &Comparer,
    settings: &Settings,
    progress: &dyn Progress,
) -> Result<Suggestion> {
    let with = |detail| {
        let mut tried = settings.clone();
        tried.relief.method = Method::Multiscale;
        tried.relief.detail = detail;
        tried
    };
    progress.start("trying details", PARTS.len() as u64);
    let boldest = bench.carve("boldest", &with(Detail::Auto))?;
    let most = boldest.making.detail.unwrap_or(1.0);
    let mut trials = Vec::new();
    let mut offers = Vec::new();
    for part in PARTS {
        // As it will stand in the job file; the boldest was found so.
        let detail = match part {
            1.0 => most,
            part => (1000.0 * most * part).floor() / 1000.0,
        };
        let tried = with(Detail::Share(detail));
        let figures = bench.carve("tried", &tried)?.row.figures;
        let name = OFFERS
            .iter()
            .find(|(_, at)| *at == part)
            .map(|(name, _)| *name);
        if let Some(name) = name {
            offers.push(Offer {
                name,
                costs: costs(&figures),
                block: block(&tried),
                settings: tried,
            });
        }
        trials.push(Trial {
            detail,
            figures,
            offer: name,
        });
        progress.step(1);
    }
    progress.done();
    let why = format!(
        "The curve alone carves {:.0} % of this planet legibly. Each step of detail brings out \
         more of the faint ground, and takes from the difference between rugged ground and \
         smooth; the boldest that keeps both, and leaves hardly anything the bit cannot reach, is \
         detail = {most:.3}.",
        100.0 * trials[0].figures.carved_share
    );
    Ok(Suggestion {
        why,
        offers,
        trials,
    })
}

fn costs(figures: &Figures) -> String {
    format!(
        "{:.0} % legible, {:.1} % dead ground; ruggedness keeps {:.0} % of its order; the bit \
         leaves more than 0.1 mm on {:.1} %, and {:.1} % is steeper than 45 degrees",
        100.0 * figures.carved_share,
        100.0 * figures.flat_share,
        100.0 * figures.rough_order,
        100.0 * figures.bit_leaves_share,
        100.0 * figures.over_45_share,
    )
}

/// The section as it stands in a job file.
fn block(settings: &Settings) -> String {
    let relief = &settings.relief;
    let mut lines = vec!["[relief]".to_owned()];
    match relief.range {
        ReliefRange::Auto => {}
        ReliefRange::Most => lines.push("range = \"most\"".to_owned()),
        ReliefRange::Mm(mm) => lines.push(format!("range = \"{mm} mm\"")),
    }
    lines.push(format!(
        "curve = \"{}\"",
        crate::carve::compress::name(relief.curve)
    ));
    match relief.blend {
        Some(blend) => lines.push(format!("blend = {blend}")),
        None => lines.push(format!("boost = {}", relief.boost)),
    }
    lines.push("method = \"multiscale\"".to_owned());
    if let Detail::Share(detail) = relief.detail {
        lines.push(format!("detail = {detail}"));
    }
    if let Steepest::Degrees(degrees) = relief.steepest {
        lines.push(format!("steepest = {degrees}"));
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::jobfile;

    #[test]
    fn the_block_pastes_into_a_job_file_and_means_the_same() {
        for range in [ReliefRange::Auto, ReliefRange::Most, ReliefRange::Mm(6.35)] {
            let mut wanted = Settings::default();
            wanted.relief.range = range;
            wanted.relief.detail = Detail::Share(0.431);
            wanted.relief.steepest = Steepest::Degrees(50.0);
            let job = jobfile::parse(&block(&wanted), "globe.toml".as_ref(), &[]).unwrap();
            assert_eq!(job.settings.relief, wanted.relief);
        }
    }
}
