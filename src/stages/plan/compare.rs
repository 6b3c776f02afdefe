//! Every solid for the same globe, side by side.

use crate::curve::Curve;
use crate::geometry::{Solid, solid_names};
use crate::length::both_text as both;
use crate::settings::Settings;
use crate::shop::blanks::blanks;
use crate::stages::fit;
use serde::Serialize;

/// One solid in the table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SolidRow {
    /// Standard name.
    pub solid: &'static str,
    /// Facets.
    pub facets: usize,
    /// Kinds of blank: jigs and set-ups to make.
    pub kinds: usize,
    /// Seam cuts on the saw: two to a seam.
    pub cuts: usize,
    /// Different tilts from vertical, degrees, steepest first.
    pub tilts_deg: Vec<f64>,
    /// Thinnest stock for the job's globe, mm.
    pub least_stock_mm: Option<f64>,
    /// Largest globe in the job's stock, mm across.
    pub largest_diameter_mm: Option<f64>,
    /// Area of all blanks in the thinnest stock, m²; no spares.
    pub blanks_m2: Option<f64>,
    /// Share of the job's boards used that becomes blanks, where the stock and the boards suffice.
    pub board_use: Option<f64>,
}

/// All solids; `range_mm` is the relief, `unit` the curve with its split above and below the level.
///
/// The highest and lowest ground may lie anywhere on each solid, as the planet can be turned.
pub fn compare(unit: &Curve, range_mm: f64, settings: &Settings) -> Vec<SolidRow> {
    let rows = solid_names().into_iter().filter_map(|name| {
        let solid = Solid::named(name)?;
        let limits = fit::limits(&solid, unit, range_mm, settings);
        let mut tilts_deg: Vec<f64> = Vec::new();
        for edge in solid.faces.iter().flat_map(|face| &face.edges) {
            let tilt = edge.tilt_rad.to_degrees();
            if tilts_deg.iter().all(|t| (t - tilt).abs() > 1e-6) {
                tilts_deg.push(tilt);
            }
        }
        tilts_deg.sort_by(|a, b| b.total_cmp(a));
        let mut own = settings.clone();
        own.globe.solid = name.to_owned();
        own.relief.range_mm = Some(range_mm);
        own.blanks.spares = 0;
        let board_use = fit::fit_anywhere(&solid, unit, &own)
            .and_then(|fit| blanks(&solid, &fit, &own))
            .ok()
            .and_then(|plan| plan.board_use);
        if let Some(stock) = limits.least_stock_mm {
            own.stock.thickness_mm = stock;
        }
        own.boards.clear();
        let blanks_m2 = fit::fit_anywhere(&solid, unit, &own)
            .and_then(|fit| blanks(&solid, &fit, &own))
            .ok()
            .map(|plan| plan.blanks_m2);
        Some(SolidRow {
            solid: name,
            facets: solid.faces.len(),
            kinds: solid.kinds.len(),
            cuts: 2 * solid.seams.len(),
            tilts_deg,
            least_stock_mm: limits.least_stock_mm,
            largest_diameter_mm: limits.largest_diameter_mm,
            blanks_m2,
            board_use,
        })
    });
    rows.collect()
}

/// The table as Markdown.
pub fn text(rows: &[SolidRow], range_mm: f64, settings: &Settings) -> String {
    let mut out = format!(
        "Every solid for a globe {} across with {} of relief; the job's stock is {}. The highest \
         and lowest ground may lie anywhere; with the planet turned well a little less wood \
         will do.\n\n| solid | facets | kinds of blank | seam cuts | tilts from vertical | thinnest stock for this \
         globe | largest globe in this stock | blanks | of the boards used |\n\
         |---|---|---|---|---|---|---|---|---|\n",
        both(settings.globe.diameter_mm),
        both(range_mm),
        both(settings.stock.thickness_mm)
    );
    let or = |value: Option<String>| value.unwrap_or_else(|| "none".to_owned());
    for row in rows {
        let tilts: Vec<String> = row.tilts_deg.iter().map(|t| format!("{t:.2}°")).collect();
        out.push_str(&format!(
            "| {} | {} | {} | {} | {} | {} | {} | {} | {} |\n",
            row.solid.replace('-', " "),
            row.facets,
            row.kinds,
            row.cuts,
            tilts.join(", "),
            or(row.least_stock_mm.map(both)),
            or(row.largest_diameter_mm.map(both)),
            row.blanks_m2
                .map_or("-".to_owned(), |m2| format!("{m2:.3} m²")),
            row.board_use
                .map_or("-".to_owned(), |share| format!("{:.0} %", 100.0 * share)),
        ));
    }
    out
}
