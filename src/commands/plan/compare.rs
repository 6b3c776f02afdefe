//! Every solid for the same globe, side by side.

use crate::carve::fit;
use crate::model::curve::Curve;
use crate::model::geometry::{Solid, solid_names};
use crate::model::settings::{ReliefRange, Settings};
use crate::shop::blanks::blanks;
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
        own.relief.range = ReliefRange::Mm(range_mm);
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
    let say = settings.lengths();
    let mut out = format!(
        "Every solid for a globe {} across with {} of relief; the job's stock is {}. The highest \
         and lowest ground may lie anywhere; with the planet turned well a little less wood \
         will do.\n\n| solid | facets | kinds of blank | seam cuts | tilts from vertical | thinnest stock for this \
         globe | largest globe in this stock | blanks | of the boards used |\n\
         |---|---|---|---|---|---|---|---|---|\n",
        say.text(settings.globe.diameter_mm),
        say.text(range_mm),
        say.text(settings.stock.thickness_mm)
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
            or(row.least_stock_mm.map(|mm| say.at_least(mm))),
            or(row.largest_diameter_mm.map(|mm| say.at_most(mm))),
            row.blanks_m2
                .map_or("-".to_owned(), |m2| format!("{m2:.3} m²")),
            row.board_use
                .map_or("-".to_owned(), |share| format!("{:.0} %", 100.0 * share)),
        ));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit() -> Curve {
        Curve {
            name: "linear".into(),
            knots_m: vec![-0.5, 0.5],
            knots_mm: vec![-0.5, 0.5],
        }
    }

    fn settings() -> Settings {
        let mut settings = Settings::default();
        settings.globe.diameter_mm = 200.0;
        settings.stock.thickness_mm = 60.0;
        settings
    }

    /// What the table says fits does fit, and a tenth of a millimetre beyond it does not.
    #[test]
    fn thinnest_stock_and_largest_globe_are_the_limits_of_the_fit() {
        let rows = compare(&unit(), 5.0, &settings());
        assert_eq!(rows.len(), 31);
        for row in rows {
            let solid = Solid::named(row.solid).unwrap();
            let fits = |thickness_mm: f64, diameter_mm: f64| {
                let mut settings = settings();
                settings.globe.solid = row.solid.to_owned();
                settings.relief.range = ReliefRange::Mm(5.0);
                settings.stock.thickness_mm = thickness_mm;
                settings.globe.diameter_mm = diameter_mm;
                fit::fit_anywhere(&solid, &unit(), &settings).is_ok()
            };
            let stock = row.least_stock_mm.unwrap();
            assert!(fits(stock, 200.0), "{} in {stock} mm", row.solid);
            assert!(
                !fits(stock - 0.15, 200.0),
                "{} in less than {stock}",
                row.solid
            );
            if let Some(largest) = row.largest_diameter_mm {
                assert!(fits(60.0, largest), "{} of {largest} mm", row.solid);
                assert!(
                    !fits(60.0, largest + 0.5),
                    "{} of more than {largest}",
                    row.solid
                );
            }
        }
    }

    /// By hand, cube of 200 mm, relief of 2.5 mm up and down, edge 12 mm, skim 0.5 mm: the corner
    /// lies atan(√2) = 54.7356° off the axis, so c = (100 − 2.5)·0.577350 − 12 = 44.292 mm and the
    /// stock is 102.5 − c + 0.5 = 58.708 mm.
    #[test]
    fn a_cube_by_hand() {
        let rows = compare(&unit(), 5.0, &settings());
        let cube = rows.iter().find(|row| row.solid == "cube").unwrap();
        let stock = cube.least_stock_mm.unwrap();
        assert!((58.708..58.809).contains(&stock), "{stock}");
        assert_eq!((cube.facets, cube.kinds, cube.cuts), (6, 1, 24));
        assert_eq!(format!("{:.3}", cube.tilts_deg[0]), "45.000");
        // R·(1 − 0.57735) = 60 − 0.5 − 12 − 2.5·(1 + 0.57735) gives R = 103.06 mm.
        let largest = cube.largest_diameter_mm.unwrap();
        assert!((205.9..206.12).contains(&largest), "{largest}");
    }
}
