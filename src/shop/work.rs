//! The work list: every operation in order, with counts, tools and, when feeds are given, time.

use super::plan::Plan;
use super::polygon::area;
use crate::length::both_text;
use crate::settings::Settings;

/// One operation.
#[derive(Debug, Clone, PartialEq)]
pub struct Operation {
    /// What to do.
    pub what: String,
    /// How many times.
    pub count: usize,
    /// What is counted, one of it.
    pub unit: &'static str,
    /// Bit, blade or other tool.
    pub tool: String,
    /// Machine time of all together, minutes; `None` where no feed is given.
    pub minutes: Option<f64>,
}

impl Operation {
    /// `1 board`, `26 notches`.
    pub fn counted(&self) -> String {
        let ending = match (self.count, self.unit.ends_with("ch")) {
            (1, _) => "",
            (_, true) => "es",
            (_, false) => "s",
        };
        format!("{} {}{ending}", self.count, self.unit)
    }
}

/// Every operation in order.
pub fn work(plan: &Plan, settings: &Settings) -> Vec<Operation> {
    let mut list = Vec::new();
    let mut add = |what: String, count: usize, unit, tool: String, minutes| {
        if count > 0 {
            list.push(Operation {
                what,
                count,
                unit,
                tool,
                minutes,
            });
        }
    };
    let used = plan
        .blanks
        .layout
        .boards
        .iter()
        .filter(|b| !b.is_empty())
        .count();
    let jig_bit = format!("{} straight bit", both_text(settings.jig.bit_mm));
    add(
        format!("Plane boards to {}", both_text(settings.stock.thickness_mm)),
        used,
        "boards",
        "planer".into(),
        None,
    );
    for (kind, piece) in plan.blanks.pieces.iter().enumerate() {
        let letter = super::kind_letter(kind);
        let own_spares = piece.count - plan.blanks.needed[kind];
        add(
            format!(
                "Cut {letter} blanks to the outline with trim ({own_spares} of them spare); mark \
                 number and index corner on the back"
            ),
            piece.count,
            "blank",
            "saw or router".into(),
            None,
        );
    }
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        let letter = super::kind_letter(kind);
        let key = if of_kind.jig.keyed {
            ", with its cut corner"
        } else {
            ""
        };
        add(
            format!("Make the {letter} jig: rout the boss, rough then finish{key}"),
            1,
            "jig",
            jig_bit.clone(),
            None,
        );
        add(
            format!(
                "Rout the pocket in the back of the {letter} blanks, {} deep, rough then finish",
                both_text(settings.jig.depth_mm)
            ),
            plan.blanks.pieces[kind].count,
            "pocket",
            jig_bit.clone(),
            None,
        );
        let glued = of_kind.jig.tabs.iter().filter(|tab| tab.glued).count();
        add(
            format!(
                "Cut notches for the tabs in the back of the {letter} blanks, {} deep, and glue \
                 {glued} of {} tabs to each",
                both_text(settings.jig.tab_thickness_mm),
                of_kind.jig.tabs.len()
            ),
            plan.blanks.pieces[kind].count * of_kind.jig.tabs.len(),
            "notch",
            jig_bit.clone(),
            None,
        );
    }
    let facets: usize = plan.blanks.needed.iter().sum();
    add(
        "Rough out the relief, each facet from its own image".into(),
        facets,
        "facets",
        format!("{} bit or smaller", both_text(settings.jig.cutter_mm)),
        None,
    );
    let carved_mm2: f64 = plan
        .kinds
        .iter()
        .zip(&plan.blanks.needed)
        .map(|(kind, &count)| area(&kind.jig.blank_mm) * count as f64)
        .sum();
    // Parallel passes over the blank: area over stepover is the way; turns and lifts not counted.
    let minutes = settings
        .work
        .feed_mm_min
        .map(|feed| carved_mm2 / settings.work.stepover_mm / feed);
    add(
        format!(
            "Finish the relief, {} between passes",
            both_text(settings.work.stepover_mm)
        ),
        facets,
        "facets",
        format!("{} ball bit", both_text(settings.work.bit_mm)),
        minutes,
    );
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        for (tilt_deg, sides) in of_kind.tilts() {
            add(
                format!(
                    "Saw seams of the {} facets with the blade {tilt_deg:.2}° from vertical",
                    super::kind_letter(kind)
                ),
                sides * plan.blanks.needed[kind],
                "cut",
                "table saw with the jig".into(),
                None,
            );
        }
    }
    for (name, count) in super::joints::counts(&plan.joints) {
        if name != "glue alone" {
            add(
                format!("Cut slots or holes for {name} joints, two to a seam"),
                2 * count,
                "slot",
                name.to_owned(),
                None,
            );
        }
    }
    let shells = plan
        .glue
        .iter()
        .filter(|step| !step.seams.is_empty() && step.face.is_some());
    add(
        "Put the whole ball together dry, with tape".into(),
        1,
        "dry fits",
        "tape".into(),
        None,
    );
    add(
        "Glue the two shells, facet by facet in the order of the glue-up list".into(),
        shells.count(),
        "facets",
        "glue and tape".into(),
        None,
    );
    add(
        "Join the two shells at the closing seam".into(),
        plan.glue.last().map_or(0, |step| step.seams.len()),
        "seams",
        "glue and straps".into(),
        None,
    );
    add(
        "Blend the seams, sand by hand, finish".into(),
        1,
        "globes",
        "hand tools".into(),
        None,
    );
    list
}
