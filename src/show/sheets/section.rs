//! The plan's section of the report, in words.

use super::Basis;
use super::bench::{sleds, zero};
use super::joining::{glue, joints};
use crate::model::geometry::Solid;
use crate::model::jobfile::capital;
use crate::model::length::Lengths;
use crate::model::settings::{Grain, Sawn, Settings};
use crate::shop::boards::{BoardSize, MM3_PER_BOARD_FOOT};
use crate::shop::cautions::CAUTIONS;
use crate::shop::plan::{KindPlan, Plan, species};
use crate::shop::saw::At;
use crate::shop::{facet_label, kind_letter, seam_label};
use std::fmt::Write;

/// The section of the report.
pub fn section(plan: &Plan, solid: &Solid, basis: &Basis, settings: &Settings) -> String {
    let parts = [
        heading(basis, plan),
        warnings(plan),
        stack_up(plan, settings.lengths()),
        zero(plan, settings.lengths()),
        blanks(plan, settings),
        registration(plan, settings),
        saw(plan, settings),
        seam_sheet(plan, settings.lengths()),
        budget(plan, settings),
        joints(plan, settings),
        glue(plan, solid),
        super::mount::section(plan, settings.lengths()),
        wood(plan, settings),
        work(plan),
        cautions(),
    ];
    parts.join("\n")
}

fn heading(basis: &Basis, plan: &Plan) -> String {
    let basis = match basis {
        Basis::Grid => "Heights are those of the elevation grid.".to_owned(),
        Basis::Range(why) => format!(
            "The elevation grid was not used ({why}): highest and lowest ground are taken from the \
             job's relief range, half above and half below the level, and may lie anywhere."
        ),
    };
    let boards = if plan.blanks.boards.is_empty() {
        ""
    } else {
        " `board-01` the blanks on a board,"
    };
    format!(
        "# Shop plan\n\n{basis} Drawings are in `shop/`, at true size: `section-A.svg` the thickness \
         added up, `blank-A` the outline with pocket and tabs, `jig-A` the boss and cut lines,\
         {boards} each as SVG and DXF; `map.pdf` the globe unfolded; \
         `back-01` each blank from behind; `traveller.pdf` the sheets that go with the work; `plan.json` the numbers for other programs.\n\n\
         The index corner of a blank is marked with a triangle. Sides count from it, \
         counter-clockwise seen from the front.\n"
    )
}

fn warnings(plan: &Plan) -> String {
    let mut out = String::from("## Warnings of the plan\n\n");
    if plan.warnings.is_empty() {
        out.push_str("None.\n");
    }
    for warning in &plan.warnings {
        let _ = writeln!(out, "- {warning}");
    }
    out
}

fn kinds(plan: &Plan) -> impl Iterator<Item = (char, &KindPlan)> {
    plan.kinds
        .iter()
        .enumerate()
        .map(|(i, kind)| (kind_letter(i), kind))
}

fn stack_up(plan: &Plan, say: Lengths) -> String {
    let mut out = String::from("## Thickness, added up\n\n| | limit |");
    for (letter, _) in kinds(plan) {
        let _ = write!(out, " {letter} |");
    }
    out.push_str("\n|---|---|");
    out.push_str(&"---|".repeat(plan.kinds.len()));
    out.push('\n');
    let mut row = |name: &str, limit: String, value: &dyn Fn(&KindPlan) -> String| {
        let _ = write!(out, "| {name} | {limit} |");
        for kind in &plan.kinds {
            let _ = write!(out, " {} |", value(kind));
        }
        out.push('\n');
    };
    let Some(first) = plan.kinds.first() else {
        return out;
    };
    let stack = &first.stack;
    row("stock", String::new(), &|k| say.text(k.stack.stock_mm));
    row("left for clean-up", String::new(), &|k| {
        say.text(k.stack.skim_mm)
    });
    row(
        "highest ground above the back",
        format!("at most {}", say.at_most(stack.stock_mm - stack.skim_mm)),
        &|k| say.at_least(k.stack.highest_mm),
    );
    row("relief of the whole globe", String::new(), &|k| {
        say.text(k.stack.relief_mm)
    });
    row("rise of the ball over the facet", String::new(), &|k| {
        say.text(k.stack.rise_mm)
    });
    row(
        "thinnest corner, with the ground there",
        format!("at least {}", say.at_least(stack.edge_mm)),
        &|k| {
            k.stack
                .corner_mm
                .map_or("not known".into(), |mm| say.at_most(mm))
        },
    );
    row(
        "thinnest corner there could be",
        format!("at least {}", say.at_least(stack.edge_mm)),
        &|k| say.at_most(k.stack.corner_least_mm),
    );
    if stack.pocket_mm.is_some() {
        row("pocket in the back", String::new(), &|k| {
            k.stack
                .pocket_mm
                .map_or("none".into(), |mm| say.at_most(mm))
        });
        row(
            "wood over the pocket at the lowest ground",
            format!("at least {}", say.at_least(stack.over_least_mm)),
            &|k| k.stack.over_mm.map_or("-".into(), |mm| say.at_most(mm)),
        );
    }
    row("back from the globe's centre", String::new(), &|k| {
        say.text(k.stack.back_plane_mm)
    });
    out.push_str("\nDrawn in `section-A.svg` and so on.\n");
    out
}

fn volume(boards: &[&BoardSize]) -> String {
    let feet: f64 = boards.iter().map(|b| b.board_feet()).sum();
    let cubic: f64 = boards.iter().map(|b| b.cubic_metres()).sum();
    format!("{feet:.2} board feet, {cubic:.4} m³")
}

fn blanks(plan: &Plan, settings: &Settings) -> String {
    let say = settings.lengths();
    let mut out = String::from(
        "## Blanks\n\n| blank | sides | needed | spare | to cut | fit one blank |\n|---|---|---|---|---|---|\n",
    );
    for (i, (letter, kind)) in kinds(plan).enumerate() {
        let piece = &plan.blanks.pieces[i];
        let (low, high) = crate::shop::polygon::bounds(&piece.outline_mm);
        let needed = plan.blanks.needed[i];
        let _ = writeln!(
            out,
            "| {letter} | {} | {needed} | {} | {} | {} along the grain, {} across |",
            kind.saw.len(),
            piece.count - needed,
            piece.count,
            say.at_least(high.x - low.x),
            say.at_least(high.y - low.y),
        );
    }
    let _ = writeln!(
        out,
        "\nAll blanks together cover {:.3} m²: {:.2} board feet of {} stock without waste.",
        plan.blanks.blanks_m2,
        plan.blanks.blanks_m2 * 1e6 * settings.stock.thickness_mm / MM3_PER_BOARD_FOOT,
        say.text(settings.stock.thickness_mm)
    );
    out.push_str(&to_buy(plan, settings));
    out.push_str(&strips(plan, settings));
    if plan.blanks.boards.is_empty() {
        return out;
    }
    out.push_str("\n| board | size | blanks on it |\n|---|---|---|\n");
    let mut used = Vec::new();
    for (i, (board, placed)) in plan
        .blanks
        .boards
        .iter()
        .zip(&plan.blanks.layout.boards)
        .enumerate()
    {
        let list: Vec<String> = (0..plan.kinds.len())
            .map(|kind| (kind, placed.iter().filter(|p| p.kind == kind).count()))
            .filter(|(_, count)| *count > 0)
            .map(|(kind, count)| format!("{count} {}", kind_letter(kind)))
            .collect();
        let list = if list.is_empty() {
            "not needed".to_owned()
        } else {
            list.join(", ")
        };
        if !placed.is_empty() {
            used.push(board);
        }
        let _ = writeln!(
            out,
            "| {} | {} long, {} wide, {} thick | {list} |",
            i + 1,
            say.at_most(board.length_mm),
            say.at_most(board.width_mm),
            say.text(board.thickness_mm)
        );
    }
    let _ = writeln!(
        out,
        "\nThe boards used hold {}; {:.0} % of their area becomes blanks. {} is left between blanks \
         and {} at the boards' edges.",
        volume(&used),
        100.0 * plan.blanks.board_use.unwrap_or(0.0),
        say.text(settings.blanks.gap_mm),
        say.text(settings.blanks.margin_mm)
    );
    out
}

/// What to ask for at the timber yard.
fn to_buy(plan: &Plan, settings: &Settings) -> String {
    let (bought, say) = (plan.shopping, settings.lengths());
    let size = match bought.size {
        Some(size) => format!(
            "{} boards ({} rough, {} planed; common practice)",
            size.name,
            say.text(size.rough_mm),
            say.at_most(size.planed_mm)
        ),
        None => format!(
            "planks that plane to {}",
            say.at_least(settings.stock.thickness_mm)
        ),
    };
    format!(
        "\nTo buy, with {} % for waste: {size}: {:.2} board feet, {:.4} m³.\n",
        settings.blanks.waste_percent, bought.board_feet, bought.m3
    )
}

/// How blanks are glued up.
fn strips(plan: &Plan, settings: &Settings) -> String {
    let say = settings.lengths();
    let mut out = String::new();
    for (i, (letter, kind)) in kinds(plan).enumerate() {
        let Some(glued) = &kind.glue_up else { continue };
        let lines: Vec<String> = glued.lines_mm.iter().map(|mm| say.signed(*mm)).collect();
        let clear = match glued.clear_mm > 0.0 {
            true => "clear of notches and key",
            false => "through a notch or the key, which no place avoids",
        };
        let _ = writeln!(
            out,
            "\nBlank {letter} is glued up from {} strips, each {} wide and {} long, {} for all: glue \
             lines at {} from the middle of the blank, across the grain, {clear}.",
            glued.strips,
            say.at_least(glued.width_mm),
            say.at_least(glued.length_mm),
            glued.strips * plan.blanks.pieces[i].count,
            lines.join(", "),
        );
    }
    out
}

fn registration(plan: &Plan, settings: &Settings) -> String {
    let say = settings.lengths();
    let set = &settings.jig;
    let mut out = if set.pocket {
        format!(
            "## Pocket, boss and tabs\n\nRout a pocket {} deep in the back of every blank and a boss \
             as high on the jig, {} smaller on every side, with a {} bit. Both have corners of one \
             radius, no smaller than the bit's. Cut the dashed roughing outline first: it leaves {}.\n\n",
            say.at_most(settings.pocket_depth_mm()),
            say.text(set.clearance_mm),
            say.text(set.bit_mm),
            say.text(set.allowance_mm())
        )
    } else {
        "## Jig and tabs\n\nWithout a pocket nothing but your marks puts the blank in its place: draw \
         the axis on the back of every blank and on the jig, lay them on each other, index corner \
         to the mark, and fix the blank with double-faced tape or with screws from below that end \
         well under the lowest ground.\n\n"
            .to_owned()
    };
    out.push_str(
        "| blank | corner radius | wood between pocket and sawn edge | ways the blank sits | tabs on \
         sides |\n|---|---|---|---|---|\n",
    );
    for (letter, kind) in kinds(plan) {
        let jig = &kind.jig;
        let ways = match (&jig.seat, jig.ways) {
            (Some(seat), _) if seat.keyed => "one: the index corner is cut off".to_owned(),
            (Some(_), 1) => "one: the shape itself".to_owned(),
            (_, ways) => format!("{ways}: mind the index corner"),
        };
        let tabs: Vec<String> = jig
            .tabs
            .iter()
            .map(|tab| {
                format!(
                    "{} {}",
                    tab.side + 1,
                    if tab.glued { "glued" } else { "loose" }
                )
            })
            .collect();
        let tabs = if tabs.is_empty() {
            "none".into()
        } else {
            tabs.join(", ")
        };
        let [radius, inset] = match &jig.seat {
            Some(seat) => [seat.pocket.radius_mm, set.inset_mm()].map(|mm| say.text(mm)),
            None => ["-", "-"].map(str::to_owned),
        };
        let _ = writeln!(out, "| {letter} | {radius} | {inset} | {ways} | {tabs} |");
    }
    out.push_str(
        "\nThe drawing of a blank shows its front. For whatever is cut with the back up, pocket and \
         notches, take `back-01` and so on, which are mirrored already, and look at the side numbers \
         before the first cut.\n",
    );
    if plan.kinds.iter().any(|kind| !kind.jig.tabs.is_empty()) {
        let _ = writeln!(
            out,
            "\nEach tab is {} wide and {} thick and lies in a notch of that depth in the back, {} \
             under the blank, where the bevel takes the wood away later. Exactly one side of every \
             such blank is unlike the others, so it lies one way only. Clamps stay {} outside the \
             blank.",
            say.text(set.tab_width_mm()),
            say.text(settings.tab_thickness_mm()),
            say.text(set.tab_overlap_mm()),
            say.at_least(plan.kinds.first().map_or(0.0, |k| k.jig.clamp_out_mm))
        );
    }
    out
}

fn saw(plan: &Plan, settings: &Settings) -> String {
    let say = settings.lengths();
    let mut out = format!(
        "## Saw\n\nThe blank lies face up on the jig and the blade leans away from it, so that the back \
         comes out smaller than the face. The cut line runs at these distances from the jig's axis. \
         The blade stands {} above the highest wood on the seam; the jig between table and blank is \
         {} thick. A blade of {} is taken to reach {} when upright and less when tilted (saw.reach).\n\n\
         | blank | sides | tilt from vertical | blade to table | from the axis, at the jig | at the \
         stock's top | highest wood | blade above the table | the saw reaches | cuts |\n\
         |---|---|---|---|---|---|---|---|---|---|\n",
        say.text(settings.saw.above_mm),
        say.text(settings.saw.base_mm),
        say.text(settings.saw.blade_mm),
        say.at_most(settings.saw.reach_at_mm(0.0))
    );
    for (letter, kind) in kinds(plan) {
        for (tilt, _) in kind.tilts() {
            let same = || kind.saw.iter().filter(|s| (s.tilt_deg - tilt).abs() < 1e-6);
            let sides: Vec<String> = same().map(|s| (s.side + 1).to_string()).collect();
            let Some(first) = same().next() else { continue };
            let wood = same().map(|s| s.wood_mm).fold(f64::NEG_INFINITY, f64::max);
            let blade = same().map(|s| s.blade_mm).fold(f64::NEG_INFINITY, f64::max);
            let _ = writeln!(
                out,
                "| {letter} | {} | {tilt:.2}° | {:.2}° | {} | {} | {} | {} | {} | {} |",
                sides.join(", "),
                first.table_deg,
                say.text(first.at_jig_mm),
                say.text(first.at_top_mm),
                say.at_least(wood),
                say.at_least(blade),
                say.at_most(first.reach_mm),
                same().map(|s| s.cuts).sum::<usize>(),
            );
        }
    }
    let cuts: usize = plan.sheet.iter().map(Vec::len).sum();
    let _ = writeln!(
        out,
        "\n{cuts} cuts in all. The two tilts at a seam and the angle between its faces make 180°."
    );
    out.push_str(&sleds(plan, settings.lengths()));
    out
}

fn at(at: &At, say: Lengths) -> String {
    match at.from_left_mm {
        Some(left) => format!("{} at {}", say.number(at.height_mm), say.number(left)),
        None => say.number(at.height_mm),
    }
}

fn seam_sheet(plan: &Plan, say: Lengths) -> String {
    let mut out = format!(
        "## Seam sheet\n\nHeights in {0}; \"at\" is the distance in {0} from the left corner, with the \
         facet in front of you, face up, and the side towards you. Ground is measured from the \
         level, wood from the back of the blank: set the first cut where the wood is highest, and \
         nothing is left standing.\n\n\
         | facet | blank | side | seam | neighbour | tilt | lowest ground | highest ground | highest wood | \
         blade above the table |\n|---|---|---|---|---|---|---|---|---|---|\n",
        say.unit_word()
    );
    for (face, rows) in plan.sheet.iter().enumerate() {
        let kind = plan
            .kinds
            .iter()
            .position(|kind| kind.faces.contains(&face));
        for row in rows {
            let _ = writeln!(
                out,
                "| {} | {} | {} | {} | {} | {:.2}° | {} | {} | {} | {} |",
                facet_label(face),
                kind.map_or('?', kind_letter),
                row.side + 1,
                seam_label(row.seam),
                facet_label(row.neighbour),
                row.tilt_deg,
                at(&row.lowest, say),
                at(&row.highest, say),
                at(&row.wood, say),
                say.at_least(row.blade_mm)
            );
        }
    }
    out
}

fn budget(plan: &Plan, settings: &Settings) -> String {
    let say = settings.lengths();
    let b = &plan.budget;
    let mut out = format!(
        "## What small errors do\n\nFor {}° of tilt, {} of the cut line (plus or minus, any value as \
         likely as another) and {} of play on the jig, the gap of a seam at the surface and the miss \
         where a ring of {} facets closes, one standard deviation:\n\n\
         | | tilt | cut line | play | together, by formula | together, {} globes tried |\n\
         |---|---|---|---|---|---|\n",
        settings.budget.tilt_deg,
        say.text(settings.budget.offset_mm),
        say.text(settings.shift_on_jig_mm()),
        b.ring_facets,
        settings.budget.trials
    );
    for (name, shares, tried) in [
        ("seam gap", &b.gap, b.gap_tried_mm),
        ("closing of the ball", &b.closing, b.closing_tried_mm),
    ] {
        let _ = writeln!(
            out,
            "| {name} | {} | {} | {} | {} | {} |",
            say.fine(shares.tilt_mm),
            say.fine(shares.offset_mm),
            say.fine(shares.clearance_mm),
            say.fine(shares.together_mm()),
            say.fine(tried)
        );
    }
    let _ = writeln!(
        out,
        "\n95 of 100 seams gape or rub by no more than {}; the worst seam of a globe is {} \
         on average; 95 of 100 globes close within {}. If every tilt is off by the whole {}° the \
         same way, the ring misses by {}: test the setting on scrap before sawing. Improve first: \
         {}, for the seams; {}, for the closing.",
        say.fine(b.gap_95_mm),
        say.fine(b.gap_worst_mm),
        say.fine(b.closing_95_mm),
        settings.budget.tilt_deg,
        say.fine(b.closing_systematic_mm),
        b.gap.largest(),
        b.closing.largest()
    );
    out
}

fn wood(plan: &Plan, settings: &Settings) -> String {
    let say = settings.lengths();
    let species = species(settings);
    let wood = &settings.wood;
    let mut out = format!(
        "## Wood through the seasons\n\n{} changes by {:.5} of its width for each percent of moisture \
         when quarter-sawn, {:.5} when flat-sawn ({}); along the grain hardly at all. From {} to {} % \
         moisture:\n\n| blank | grain | sawn | width across the grain | change of width | a side moves, \
         mean | worst | a seam can part by |\n|---|---|---|---|---|---|---|---|\n",
        capital(&species.name.replace('-', " ")),
        species.radial,
        species.tangential,
        species.source,
        wood.dry_percent,
        wood.moist_percent
    );
    for (letter, kind) in kinds(plan) {
        for (i, way) in kind.movement.iter().enumerate() {
            let _ = writeln!(
                out,
                "| {letter}{} | {} | {} | {} | {} | {} | {} | {} |",
                if i == 0 { ", as in the job" } else { "" },
                match way.grain {
                    Grain::Along => "towards the index corner",
                    Grain::Across => "across",
                },
                match way.sawn {
                    Sawn::Flat => "flat",
                    Sawn::Quarter => "quarter",
                },
                say.text(way.width_mm),
                say.fine(way.change_mm),
                say.fine(way.mean_side_mm),
                say.fine(way.worst_side_mm),
                say.fine(way.worst_gap_mm)
            );
        }
    }
    out
}

fn work(plan: &Plan) -> String {
    let mut out = String::from(
        "## Work list\n\n| | what | how many | tool | machine time |\n|---|---|---|---|---|\n",
    );
    for (i, operation) in plan.work.iter().enumerate() {
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} | {} |",
            i + 1,
            operation.what,
            operation.counted(),
            operation.tool,
            time(operation.minutes)
        );
    }
    let minutes: f64 = plan.work.iter().filter_map(|o| o.minutes).sum();
    if minutes > 0.0 {
        let _ = writeln!(
            out,
            "\nMachine time in all, about {}: the job's bits over level ground, changes of bits \
             counted. Relief makes the way a little longer; the section on bits has the time on the \
             true ground of each facet that was made.",
            time(Some(minutes))
        );
    } else {
        out.push_str("\nName your bits in the job, [[cutter]], and times are given here.\n");
    }
    out
}

pub fn time(minutes: Option<f64>) -> String {
    match minutes {
        None => "-".to_owned(),
        Some(minutes) => {
            let whole = minutes.ceil() as u64;
            format!("{} h {:02} min", whole / 60, whole % 60)
        }
    }
}

fn cautions() -> String {
    let mut out = String::from("## Cautions\n");
    for (step, list) in CAUTIONS {
        let _ = write!(out, "\n{step}:\n\n");
        for caution in list {
            let _ = writeln!(out, "- {caution}");
        }
    }
    out
}
