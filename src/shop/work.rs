//! The work list: every operation in order, with counts, tools and, when the job names its bits,
//! time.

use super::plan::{Operation, Plan};
use crate::carve::cutting::{CutterSet, Estimate, bit_name};
use crate::carve::fit::Fit;
use crate::model::settings::{Cutter, Settings};

/// Closer settings of a fence are one, mm.
const SAME_SETTING_MM: f64 = 0.005;

/// Every operation in order.
pub fn work(plan: &Plan, fit: &Fit, settings: &Settings) -> Vec<Operation> {
    let bits = CutterSet::of(settings);
    let estimates: Option<Vec<Estimate>> = bits.as_ref().map(|bits| {
        let kinds = plan.kinds.iter();
        kinds
            .map(|kind| bits.estimate(&fit.facets[kind.faces[0]]))
            .collect()
    });
    // Minutes for so many facets of each kind, and for changing to the bit.
    let minutes = |counts: &[usize], bit: &Cutter, of: &dyn Fn(&Estimate) -> f64| {
        let each: Vec<f64> = estimates.as_ref()?.iter().map(of).collect();
        let cutting = each
            .iter()
            .zip(counts)
            .map(|(of_one, &count)| of_one * count as f64);
        Some((bit.change_min + cutting.sum::<f64>(), each))
    };
    let usual = CutterSet::usual();
    let finishing = bits.as_ref().map_or(&usual[0], CutterSet::finishing);
    let roughing = match &bits {
        Some(bits) => bits.roughing(),
        None => usual.get(1),
    };
    let mut list = Vec::new();
    let mut add = |what: String, count: usize, unit, tool: String, minutes, pieces: &[String]| {
        let (minutes, each_minutes) = Option::<(f64, Vec<f64>)>::unzip(minutes);
        if count > 0 {
            list.push(Operation {
                what,
                count,
                unit,
                tool,
                minutes,
                each_minutes: each_minutes.unwrap_or_default(),
                pieces: pieces.to_vec(),
            });
        }
    };
    let say = settings.lengths();
    let facets_of = |kind: usize| -> Vec<String> {
        let faces = plan.kinds[kind].faces.iter();
        faces.map(|face| super::facet_label(*face)).collect()
    };
    // With the spares, which have no number.
    let blanks_of = |kind: usize| {
        let mut blanks = facets_of(kind);
        blanks.resize(plan.blanks.pieces[kind].count, "spare".to_owned());
        blanks
    };
    let mut all: Vec<String> = (0..plan.kinds.len()).flat_map(facets_of).collect();
    all.sort_by_key(|label| (label.len(), label.clone()));
    let boards = plan.blanks.layout.boards.iter().enumerate();
    let boards: Vec<String> = boards
        .filter(|(_, placed)| !placed.is_empty())
        .map(|(i, _)| format!("board {}", i + 1))
        .collect();
    let jig_bit = format!("{} straight bit", say.text(settings.jig.bit_mm));
    add(
        format!("Plane boards to {}", say.text(settings.stock.thickness_mm)),
        boards.len(),
        "board",
        "planer".into(),
        None,
        &boards,
    );
    let cut_out = bits.as_ref().map(CutterSet::cut_out_bit);
    for (kind, piece) in plan.blanks.pieces.iter().enumerate() {
        let letter = super::kind_letter(kind);
        let mut counts = vec![0; plan.kinds.len()];
        counts[kind] = piece.count;
        let own_spares = piece.count - plan.blanks.needed[kind];
        add(
            format!(
                "Cut {letter} blanks to the outline with trim ({own_spares} of them spare); mark \
                 number and index corner on the back"
            ),
            piece.count,
            "blank",
            match cut_out {
                Some(bit) => format!("saw, or router with {}", bit_name(bit, say)),
                None => "saw or router".into(),
            },
            cut_out.and_then(|bit| minutes(&counts, bit, &|kind| kind.cut_out.minutes)),
            &blanks_of(kind),
        );
    }
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        let letter = super::kind_letter(kind);
        let how = match &of_kind.jig.seat {
            None => "draw axis and cut lines on it",
            Some(seat) if seat.keyed => "rout the boss, rough then finish, with its cut corner",
            Some(_) => "rout the boss, rough then finish",
        };
        add(
            format!("Make the {letter} jig: {how}"),
            1,
            "jig",
            match &of_kind.jig.seat {
                Some(_) => jig_bit.clone(),
                None => "square and pencil".into(),
            },
            None,
            &[],
        );
        let pockets = of_kind
            .jig
            .seat
            .as_ref()
            .map_or(0, |_| plan.blanks.pieces[kind].count);
        add(
            format!(
                "Rout the pocket in the back of the {letter} blanks, {} deep, rough then finish",
                say.at_most(settings.pocket_depth_mm())
            ),
            pockets,
            "pocket",
            jig_bit.clone(),
            None,
            &blanks_of(kind),
        );
        let glued = of_kind.jig.tabs.iter().filter(|tab| tab.glued).count();
        add(
            format!(
                "Cut notches for the tabs in the back of the {letter} blanks, {} deep, and glue \
                 {glued} of {} tabs to each",
                say.text(settings.tab_thickness_mm()),
                of_kind.jig.tabs.len()
            ),
            plan.blanks.pieces[kind].count * of_kind.jig.tabs.len(),
            "notch",
            jig_bit.clone(),
            None,
            &blanks_of(kind),
        );
    }
    let needed = &plan.blanks.needed;
    let facets: usize = needed.iter().sum();
    if let Some(bit) = roughing {
        add(
            "Rough out the relief, each facet from its own image".into(),
            facets,
            "facet",
            bit_name(bit, say),
            minutes(needed, bit, &|kind| {
                kind.roughing.map_or(0.0, |rough| rough.minutes)
            }),
            &all,
        );
    }
    add(
        format!(
            "Finish the relief, {} between passes",
            say.precise(finishing.stepover_mm())
        ),
        facets,
        "facet",
        bit_name(finishing, say),
        minutes(needed, finishing, &|kind| kind.finishing.minutes),
        &all,
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
                &facets_of(kind),
            );
        }
    }
    for (fitting, from_back_mm, count) in super::joints::fences(&plan.joints) {
        let dowel = fitting.name == "dowel";
        let (what, unit, tool) = if dowel {
            let across = say.text(settings.joint.dowel_diameter_mm);
            let tool = format!("{across} drill in a guide, square to the cut face");
            ("Drill holes for the dowels", "hole", tool)
        } else {
            let tool = format!("biscuit joiner, set to {}", fitting.name);
            ("Cut slots for the biscuits", "slot", tool)
        };
        let one = if dowel { "one dowel" } else { "one biscuit" };
        let what = format!(
            "{what}, {one} to a seam, {} from the back along the cut face to the middle of the \
             {unit}; longer where the table of joints says so",
            say.text(from_back_mm)
        );
        let here = plan.joints.iter().filter(|joint| {
            let set = |mm: &f64| (mm - from_back_mm).abs() < SAME_SETTING_MM;
            let same = joint.fitting.is_some_and(|of| of.name == fitting.name);
            same && joint.from_back_mm.iter().any(set)
        });
        let seams: Vec<String> = here.map(|joint| super::seam_label(joint.seam)).collect();
        add(what, count, unit, tool, None, &seams);
    }
    add(
        "Put the whole ball together dry, with tape".into(),
        1,
        "dry fit",
        "tape".into(),
        None,
        &[],
    );
    add(
        "Glue the two shells, step by step in the order of the glue-up list".into(),
        plan.glue.len().saturating_sub(1),
        "step",
        "glue and tape".into(),
        None,
        &[],
    );
    add(
        "Join the two shells at the closing seam".into(),
        plan.glue.last().map_or(0, |step| step.seams.len()),
        "seam",
        "glue and straps".into(),
        None,
        &[],
    );
    add(
        "Blend the seams, sand by hand, finish".into(),
        1,
        "globe",
        "hand tools".into(),
        None,
        &[],
    );
    list
}
