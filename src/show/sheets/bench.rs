//! Planing, zero and saw in words.

use crate::model::length::Lengths;
use crate::shop::kind_letter;
use crate::shop::plan::Plan;
use crate::shop::sled::HANDS_MM;
use crate::shop::zero::{THICKNESS_ERROR_MM, top_zero};
use std::fmt::Write;

/// Where zero in z is set, and how thick to plane.
pub fn zero(plan: &Plan, say: Lengths) -> String {
    let planing = &plan.planing;
    // No less than the thinnest, no more than the thickest.
    let between = |[thin, thick]: [f64; 2]| [say.at_least(thin), say.at_most(thick)];
    let [thin, thick] = between(planing.on_jig_mm);
    let [top_thin, top_thick] = between(planing.on_top_mm);
    let mut out = format!(
        "## Zero and thickness\n\nSet the machine's zero in z on the jig, where the back of the blank \
         lies. Ground and saw cuts then both count from the back, and a blank that is a little too \
         thick or thin makes no step at its seams: plane to {}, not under {thin} (the highest ground \
         would lose its clean-up) and not over {thick} (the first pass takes the difference).\n\n\
         Zero on the top of the stock is the other way. Then {} of thickness goes into every seam as \
         below, and all blanks must lie between {top_thin} and {top_thick} to keep steps under what \
         raking light shows.\n\n\
         | blank | tilt | zero on the jig | zero on top: one blank {} off | two blanks off, one \
         each way | ground slips along the cut |\n|---|---|---|---|---|---|\n",
        say.text(planing.target_mm),
        say.text(THICKNESS_ERROR_MM),
        say.text(THICKNESS_ERROR_MM),
    );
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        for (tilt_deg, _) in of_kind.tilts() {
            let step = top_zero(tilt_deg.to_radians());
            let _ = writeln!(
                out,
                "| {} | {tilt_deg:.2}° | no step | {} | {} | {} |",
                kind_letter(kind),
                say.text(step.one_mm),
                say.text(step.both_mm),
                say.text(step.slip_mm)
            );
        }
    }
    out
}

/// The sleds, the order of sides, and the test before the first good blank.
pub fn sleds(plan: &Plan, say: Lengths) -> String {
    let mut out = String::from(
        "\n### Sled\n\nDrawn in `sled-A1` and so on, one for each tilt of a blank. Distances are from \
         the jig's axis to the face of the blade on the blank's side. With a blade that tilts to the \
         left the fence is on its right, with one that tilts to the right on its left, so that the \
         blade always leans away from blank and fence; the numbers are the same.\n\n\
         | sled | sides | tilt | blade from the axis, at the blank's back | at the table | axis to \
         the plate's edge | fence to blade, at the table |\n|---|---|---|---|---|---|---|\n",
    );
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        for (i, sled) in of_kind.sleds.iter().enumerate() {
            let _ = writeln!(
                out,
                "| {}{} | {} | {:.2}° | {} | {} | {} | {} |",
                kind_letter(kind),
                i + 1,
                numbers(&sled.sides),
                sled.tilt_deg,
                say.text(sled.at_jig_mm),
                say.text(sled.at_table_mm),
                say.text(sled.to_edge_mm),
                say.text(sled.fence_mm)
            );
        }
    }
    let _ = writeln!(
        out,
        "\nA minus: the blade comes up beyond the axis. Hands stay {} from the blade and on the \
         fence's side of the line drawn; the sled moves past the blade and back only with the blank \
         held down, or is stopped with the saw.\n\n### Order of sides\n",
        say.at_least(HANDS_MM)
    );
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        let glued = of_kind.jig.tabs.iter().any(|tab| tab.glued);
        let _ = writeln!(
            out,
            "- {}: {}.{}",
            kind_letter(kind),
            numbers(&of_kind.saw_order),
            if glued {
                " The glued tabs go last, as they hold the blank."
            } else {
                ""
            }
        );
    }
    let seated = plan.kinds.iter().any(|kind| kind.jig.seat.is_some());
    let _ = writeln!(
        out,
        "\nMake each setting once and saw that side of all blanks before the next. {} For the last \
         cuts, when no tab is left, a padded hold-down over the middle of the blank and double-faced \
         tape under it hold it, never a hand. A blank that can be moved by hand is not sawn.",
        if seated {
            "The key of pocket and boss is never cut and keeps the blank from turning to the end."
        } else {
            "Without a pocket nothing but tape and hold-down keeps the blank from turning."
        }
    );
    out.push_str(&first_article(plan, say));
    out
}

/// Sides by number.
fn numbers(sides: &[usize]) -> String {
    let list: Vec<String> = sides.iter().map(|side| (side + 1).to_string()).collect();
    list.join(", ")
}

/// Two scraps at one setting show twice its error.
fn first_article(plan: &Plan, say: Lengths) -> String {
    let mut out = String::from(
        "\n### First test\n\nCut two scraps as thick as the blanks at the setting of the tilt, lay the \
         cut faces together and measure the angle between their backs with a protractor or a sliding \
         bevel. Both scraps carry the same error, so the pair shows it twice: for each 0.1° that the \
         angle is too large tilt the blade 0.05° more, for each 0.1° too small 0.05° less. Then cut \
         one whole scrap facet, and only then a good one.\n\n\
         | tilt | the pair reads | each 0.1° left in the reading opens or closes a seam of two such \
         facets at the surface by |\n|---|---|---|\n",
    );
    let mut done: Vec<i64> = Vec::new();
    for of_kind in &plan.kinds {
        for side in &of_kind.saw {
            let key = (side.tilt_deg * 1e4).round() as i64;
            if done.contains(&key) {
                continue;
            }
            done.push(key);
            let slant_mm = side.wood_mm / side.tilt_deg.to_radians().cos();
            let _ = writeln!(
                out,
                "| {:.2}° | {:.2}° | {} |",
                side.tilt_deg,
                180.0 - 2.0 * side.tilt_deg,
                say.fine(slant_mm * 0.1_f64.to_radians())
            );
        }
    }
    out.push_str(
        "\nWhere the two tilts of a seam differ, the finished pair reads 180° less both: the angle \
         between the two faces of the solid.\n",
    );
    out
}
