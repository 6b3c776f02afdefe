//! Wood to buy: blanks glued up from strips, trade thicknesses, and a list for the timber yard.

use super::jig::Jig;
use super::polygon::bounds;
use crate::model::settings::{Grain, Settings};
use glam::DVec2;
use serde::Serialize;

/// Sizes boards are sold in: name, rough thickness and thickness planed on both faces, inches.
/// Common practice, no source.
#[rustfmt::skip]
pub const TRADE_SIZES: [(&str, f64, f64); 7] = [
    ("4/4", 1.0, 0.8125),
    ("5/4", 1.25, 1.0625),
    ("6/4", 1.5, 1.3125),
    ("8/4", 2.0, 1.75),
    ("10/4", 2.5, 2.25),
    ("12/4", 3.0, 2.75),
    ("16/4", 4.0, 3.75),
];

/// Rounding that must not call for the next size, mm.
const SAME_MM: f64 = 1e-6;

/// A size boards are sold in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TradeSize {
    /// In quarters of an inch: `8/4`.
    pub name: &'static str,
    /// As sawn, mm.
    pub rough_mm: f64,
    /// What is left when both faces are planed, mm.
    pub planed_mm: f64,
}

/// The thinnest size that still planes to the stock; `None` where none does.
pub fn trade_size(stock_mm: f64) -> Option<TradeSize> {
    let mut sizes = TRADE_SIZES
        .into_iter()
        .map(|(name, rough, planed)| TradeSize {
            name,
            rough_mm: rough * crate::model::length::MM_PER_INCH,
            planed_mm: planed * crate::model::length::MM_PER_INCH,
        });
    sizes.find(|size| size.planed_mm >= stock_mm - SAME_MM)
}

/// A blank glued up from strips, edge to edge.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GlueUp {
    /// How many strips.
    pub strips: usize,
    /// Along the grain, mm.
    pub length_mm: f64,
    /// Width of each, across the grain, mm.
    pub width_mm: f64,
    /// Glue lines, from the middle of the blank across the grain, mm.
    pub lines_mm: Vec<f64>,
    /// From the nearest glue line to a tab's notch or the key, mm; 0 where none keeps clear.
    pub clear_mm: f64,
}

/// Strips for a blank of one kind, each no wider than `widest_mm`; `None` where one board does.
///
/// All strips are equally wide and the blank lies on them with the shift, of a few hundred tried,
/// that keeps glue lines farthest from notches and key; one strip more is taken where that alone
/// keeps them clear.
pub fn glue_up(jig: &Jig, grain: Grain, widest_mm: f64) -> Option<GlueUp> {
    // "Along" runs towards the index corner, +y.
    let (along, across) = match grain {
        Grain::Along => (DVec2::Y, DVec2::X),
        Grain::Across => (DVec2::X, DVec2::Y),
    };
    let (low, high) = extent(&jig.blank_mm, across);
    let (start, end) = extent(&jig.blank_mm, along);
    if high - low <= widest_mm {
        return None;
    }
    let keep_out = keep_out(jig, across);
    let fewest = ((high - low) / widest_mm - 1e-9).ceil() as usize;
    let tried =
        [fewest, fewest + 1].map(|strips| placed(strips, widest_mm, (low, high), &keep_out));
    let [first, second] = tried;
    let (strips, width_mm, lines_mm, clear_mm) = match first.3 > 0.0 || second.3 <= 0.0 {
        true => first,
        false => second,
    };
    Some(GlueUp {
        strips,
        length_mm: end - start,
        width_mm,
        lines_mm,
        clear_mm: clear_mm.max(0.0),
    })
}

/// Strips, their width, glue lines and how far these keep clear.
fn placed(
    strips: usize,
    widest_mm: f64,
    (low, high): (f64, f64),
    keep_out: &[(f64, f64)],
) -> (usize, f64, Vec<f64>, f64) {
    const SHIFTS: usize = 200;
    // With strips as wide as they may be there is most to shift.
    let slack = strips as f64 * widest_mm - (high - low);
    let mut best: Option<(Vec<f64>, f64)> = None;
    for shift in 0..=SHIFTS {
        let first = low - slack * shift as f64 / SHIFTS as f64;
        let lines: Vec<f64> = (1..strips)
            .map(|i| first + i as f64 * widest_mm)
            .filter(|line| *line > low && *line < high)
            .collect();
        let clear = clearance(&lines, keep_out);
        if best.as_ref().is_none_or(|(_, most)| clear > *most + 1e-9) {
            best = Some((lines, clear));
        }
    }
    let (lines, clear) = best.unwrap_or_default();
    (lines.len() + 1, widest_mm, lines, clear)
}

/// From the nearest line to the nearest place to keep out of; negative inside one, the width of a
/// whole board where there is none.
fn clearance(lines: &[f64], keep_out: &[(f64, f64)]) -> f64 {
    const FREE_MM: f64 = 1000.0;
    let gaps = lines.iter().flat_map(|line| {
        keep_out
            .iter()
            .map(move |(from, to)| (from - line).max(line - to))
    });
    gaps.fold(FREE_MM, f64::min)
}

/// What notches of tabs and the key take up across the grain.
fn keep_out(jig: &Jig, across: DVec2) -> Vec<(f64, f64)> {
    let mut places: Vec<(f64, f64)> = (jig.tabs.iter())
        .map(|tab| extent(&tab.notch_mm, across))
        .collect();
    if let Some(seat) = jig.seat.as_ref().filter(|seat| seat.keyed) {
        // The flat that takes the index corner off the pocket lies across +y, at its top.
        let top = bounds(&seat.sharp_mm[0]).1.y;
        let flat: Vec<DVec2> = (seat.sharp_mm[0].iter().copied())
            .filter(|p| p.y > top - SAME_MM)
            .collect();
        places.push(extent(&flat, across));
    }
    places
}

fn extent(points: &[DVec2], direction: DVec2) -> (f64, f64) {
    let reach = points.iter().map(|p| direction.dot(*p));
    reach.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    })
}

/// What to buy.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Shopping {
    /// The size to ask for; `None` where the stock is thicker than any.
    pub size: Option<TradeSize>,
    /// Area of the rough boards with waste, m².
    pub area_m2: f64,
    /// Board feet, of the rough thickness.
    pub board_feet: f64,
    /// The same in m³.
    pub m3: f64,
}

/// What to buy for so large an area of blanks, `waste_percent` on top.
pub fn shopping(blanks_m2: f64, settings: &Settings) -> Shopping {
    let size = trade_size(settings.stock.thickness_mm);
    let rough_mm = size.map_or(settings.stock.thickness_mm, |size| size.rough_mm);
    let area_m2 = blanks_m2 * (1.0 + settings.blanks.waste_percent / 100.0);
    Shopping {
        size,
        area_m2,
        board_feet: area_m2 * 1e6 * rough_mm / super::boards::MM3_PER_BOARD_FOOT,
        m3: area_m2 * rough_mm * 1e-3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shop::bench_checks::planned;
    use approx::assert_abs_diff_eq;

    #[test]
    fn the_thinnest_size_that_planes_to_the_stock_is_bought() {
        // Common practice, no source: 8/4 boards plane to 1-3/4 in, 4/4 to 13/16 in.
        for (inches, name) in [
            (0.5, Some("4/4")),
            (0.8125, Some("4/4")),
            (0.82, Some("5/4")),
            (1.75, Some("8/4")),
            (1.76, Some("10/4")),
            (3.75, Some("16/4")),
            (3.8, None),
        ] {
            assert_eq!(
                trade_size(inches * 25.4).map(|size| size.name),
                name,
                "{inches} in"
            );
        }
        for pair in TRADE_SIZES.windows(2) {
            let (thin, thick) = (pair[0], pair[1]);
            assert!(thin.1 < thick.1 && thin.2 < thick.2 && thin.2 < thin.1);
        }
    }

    #[test]
    fn a_board_foot_is_counted_rough_and_with_waste() {
        // By hand: 144 square inches of 1-3/4 in stock come from 8/4 boards, two board feet, and
        // a quarter on top is two and a half.
        let mut settings = Settings::default();
        settings.stock.thickness_mm = 44.45;
        settings.blanks.waste_percent = 25.0;
        let bought = shopping(144.0 * 25.4 * 25.4 * 1e-6, &settings);
        assert_abs_diff_eq!(bought.board_feet, 2.5, epsilon = 1e-9);
        // One board foot is 0.002359737 m³ (NIST Special Publication 811, appendix B).
        assert_abs_diff_eq!(bought.m3, 2.5 * 0.002_359_737, epsilon = 1e-8);
    }

    /// The strips cover the blank, none is too wide, and no glue line meets a notch or the key
    /// where that can be helped.
    #[test]
    fn strips_cover_every_blank_and_keep_clear_of_tabs_and_key() {
        let mut clear = 0;
        let mut all = 0;
        for name in [
            "dodecahedron",
            "truncated-icosahedron",
            "rhombic-triacontahedron",
            "cube",
        ] {
            let plan = planned(name, 400.0);
            for kind in &plan.kinds {
                for grain in [Grain::Along, Grain::Across] {
                    let across = match grain {
                        Grain::Along => DVec2::X,
                        Grain::Across => DVec2::Y,
                    };
                    let (low, high) = extent(&kind.jig.blank_mm, across);
                    assert_eq!(glue_up(&kind.jig, grain, high - low), None);
                    let Some(glued) = glue_up(&kind.jig, grain, 60.0) else {
                        assert!(high - low <= 60.0);
                        continue;
                    };
                    let mut edges = vec![low];
                    edges.extend(&glued.lines_mm);
                    edges.push(high);
                    assert_eq!(glued.strips, edges.len() - 1);
                    for pair in edges.windows(2) {
                        let width = pair[1] - pair[0];
                        assert!(width > 0.0 && width <= 60.0 + 1e-6, "{name}: {edges:?}");
                    }
                    all += 1;
                    if glued.clear_mm > 0.0 {
                        clear += 1;
                        for line in &glued.lines_mm {
                            for tab in &kind.jig.tabs {
                                let (from, to) = extent(&tab.notch_mm, across);
                                assert!(*line < from || *line > to, "{name}: {line}");
                            }
                        }
                    }
                }
            }
        }
        assert!(clear >= 2 && all >= clear, "{clear} of {all}");
    }
}
