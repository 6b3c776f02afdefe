//! Makes the whole plan, part by part.

use super::blanks::blanks;
use super::budget::{Cuts, SideCut, Tolerances, budget};
use super::glue;
use super::jig::{Jig, jig};
use super::joints::{Bare, Bench, joints, pegs};
use super::lumber::{glue_up, shopping};
use super::mount::mount;
use super::movement::{self, Movement, movement};
use super::net::unfold;
use super::plan::{KindPlan, Plan, PlanInput, sheets_mm};
use super::polygon::outward;
use super::saw::{SeamRow, SideSetUp, seam_sheet, set_ups};
use super::sled::{order_of_sides, sleds};
use super::stack_up::stack_up;
use super::work::work;
use super::zero::planing;
use crate::Result;
use crate::carve::fit::Fit;
use crate::model::geometry::Solid;
use crate::model::settings::{Grain, Sawn, Settings};
use crate::model::wood::VALID_PERCENT;

/// Steps above this show when light rakes over a seam, mm.
const VISIBLE_STEP_MM: f64 = 0.1;

/// Makes the plan.
///
/// # Errors
/// [`crate::Error::Job`] for a pocket, tab or joint that does not fit, or boards that are too
/// thin; [`crate::Error::Stock`] for too little wood.
pub fn plan(bench: &PlanInput<'_>) -> Result<Plan> {
    let PlanInput {
        solid,
        fit,
        ground,
        corners_mm,
        body,
        settings,
    } = *bench;
    let count = solid.kinds.len();
    let jigs: Vec<Jig> = (0..count)
        .map(|kind| jig(solid, fit, kind, settings))
        .collect::<Result<_>>()?;
    let blanks = blanks(solid, fit, settings)?;
    let sheet = seam_sheet(solid, fit, ground, settings);
    let bench = Bench {
        solid,
        fit,
        jigs: &jigs,
        sheet: &sheet,
        settings,
    };
    let pegs = pegs(&bench)?;
    let glue = glue::order(solid, &pegs);
    let joints = joints(&bench, &pegs, &glue)?;
    let kinds: Vec<KindPlan> = jigs
        .into_iter()
        .enumerate()
        .map(|(kind, jig)| {
            let faces = solid.kinds[kind].faces.clone();
            let thinnest = corners_mm.map(|corners| {
                let of_kind = faces.iter().map(|&face| corners[face]);
                of_kind.fold(f64::INFINITY, f64::min)
            });
            let saw = set_ups(solid, fit, &sheet, kind, settings);
            KindPlan {
                stack: stack_up(fit, kind, &jig, thinnest, settings),
                sleds: sleds(&jig, &saw, settings),
                saw_order: order_of_sides(&jig),
                saw,
                movement: movements(&fit.kinds[kind].corners_mm, settings),
                glue_up: None,
                jig,
                faces,
            }
        })
        .map(|mut kind: KindPlan| {
            let widest_mm = settings.blanks.strip_mm;
            kind.glue_up = widest_mm.and_then(|mm| glue_up(&kind.jig, settings.wood.grain, mm));
            kind
        })
        .collect();
    let limits = Tolerances {
        tilt_rad: settings.budget.tilt_deg.to_radians(),
        offset_mm: settings.budget.offset_mm,
        clearance_mm: settings.shift_on_jig_mm(),
    };
    let cuts = cuts(solid, fit, &sheet);
    let trials = settings.budget.trials;
    let mut plan = Plan {
        budget: budget(solid, &cuts, &limits, trials, settings.budget.seed as u64),
        net: unfold(solid, &sheets_mm(settings)).unwrap_or_default(),
        glue,
        planing: planing(fit, settings, VISIBLE_STEP_MM),
        kinds,
        shopping: shopping(blanks.blanks_m2, settings),
        blanks,
        sheet,
        joints,
        mount: None,
        work: Vec::new(),
        warnings: Vec::new(),
    };
    let jigs: Vec<&Jig> = plan.kinds.iter().map(|kind| &kind.jig).collect();
    plan.mount = mount(solid, fit, &jigs, &plan.joints, settings, body)?;
    plan.work = work(&plan, fit, settings);
    plan.warnings = warnings(&plan, settings);
    plan.warnings.extend(movement::warning(solid, settings));
    Ok(plan)
}

fn movements(facet_mm: &[glam::DVec2], settings: &Settings) -> Vec<Movement> {
    let own = (settings.wood.grain, settings.wood.sawn);
    let mut ways = vec![own];
    for grain in [Grain::Along, Grain::Across] {
        for sawn in [Sawn::Flat, Sawn::Quarter] {
            if (grain, sawn) != own {
                ways.push((grain, sawn));
            }
        }
    }
    ways.into_iter()
        .map(|(grain, sawn)| movement(facet_mm, &settings.wood, grain, sawn))
        .collect()
}

/// Cuts as the error budget sees them, with the middle of the ground's range as surface.
fn cuts(solid: &Solid, fit: &Fit, sheet: &[Vec<SeamRow>]) -> Cuts {
    let of_face = |face: usize| -> Vec<SideCut> {
        let kind = &fit.kinds[solid.faces[face].kind];
        let polygon = solid.face_polygon(face);
        sheet[face]
            .iter()
            .map(|row| {
                let (a, b) = (polygon[row.side], polygon[(row.side + 1) % polygon.len()]);
                SideCut {
                    outward: outward(a, b),
                    tilt_rad: row.tilt_deg.to_radians(),
                    surface_mm: surface_mm(solid, fit, face, row),
                    back_plane_mm: kind.back_plane_mm,
                }
            })
            .collect()
    };
    (0..solid.faces.len()).map(of_face).collect()
}

/// Height above the jig at which both facets of a seam have their surface: at one distance from
/// the globe's centre, so that a seam's two sides meet.
fn surface_mm(solid: &Solid, fit: &Fit, face: usize, row: &SeamRow) -> f64 {
    let spec = &fit.facets[face];
    let tilt = row.tilt_deg.to_radians();
    let reach = match spec.base {
        crate::model::settings::Base::Sphere => spec.radius_mm,
        crate::model::settings::Base::Flat => {
            let edge = solid.faces[face].edges[row.side];
            spec.radius_mm * solid.faces[face].distance.hypot(edge.reach)
        }
    };
    reach * tilt.cos() - spec.back_plane_mm
}

/// A thinner plate does not stay flat under a blank, mm. Common practice, no source.
const LEAST_BASE_MM: f64 = 6.0;

/// What helps where the blade stands too low by so much.
fn higher_blade(missing_mm: f64, settings: &Settings) -> String {
    let (base, above) = (settings.saw.base_mm, settings.saw.above_mm);
    if missing_mm <= above {
        return "The blade is then lower above the wood than saw.above asks, and still cuts through."
            .to_owned();
    }
    let base_mm = base - (missing_mm - above);
    if base_mm >= LEAST_BASE_MM {
        let base = settings.lengths_of("saw.base").at_most(base_mm);
        return format!("A jig of at most {base} (saw.base) lets it cut through.");
    }
    "No thinner jig helps: use a larger saw, or cut by hand what it leaves standing.".to_owned()
}

fn warnings(plan: &Plan, settings: &Settings) -> Vec<String> {
    let say = settings.lengths();
    let mut list = Vec::new();
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        let letter = super::kind_letter(kind);
        let high = of_kind
            .saw
            .iter()
            .filter(|side| side.blade_mm > side.reach_mm);
        let worst =
            high.max_by(|a, b| (a.blade_mm - a.reach_mm).total_cmp(&(b.blade_mm - b.reach_mm)));
        if let Some(side) = worst {
            let (face, seam) = highest_at(plan, &of_kind.faces, side);
            list.push(format!(
                "The ground on the seams of the {letter} facets is higher than the saw reaches, most \
                 at seam {} of facet {}: the blade must stand {} above the table, and one of {} \
                 stands {} there at {:.2}° (saw.blade, saw.reach), {} too low. {}",
                super::seam_label(seam),
                super::facet_label(face),
                say.at_least(side.blade_mm),
                say.text(settings.saw.blade_mm),
                say.at_most(side.reach_mm),
                side.tilt_deg,
                say.at_least(side.blade_mm - side.reach_mm),
                higher_blade(side.blade_mm - side.reach_mm, settings),
            ));
        }
        let steep = of_kind
            .saw
            .iter()
            .filter(|side| side.tilt_deg > settings.saw.most_tilt_deg);
        if let Some(side) = steep.max_by(|a, b| a.tilt_deg.total_cmp(&b.tilt_deg)) {
            list.push(format!(
                "The {letter} facets need a tilt of {:.2}° and the saw tilts {:.2}° (saw.most_tilt): \
                 hold the blank on an inclined jig that makes up the rest, {:.2}°.",
                side.tilt_deg,
                settings.saw.most_tilt_deg,
                side.tilt_deg - settings.saw.most_tilt_deg
            ));
        }
    }
    for kind in &plan.kinds {
        if let Some(why) = &kind.jig.no_tabs {
            list.push(format!(
                "No hold-down tabs, as {why}. Hold the blanks down another way, outside the trim."
            ));
        }
    }
    let bare = |why: Bare| plan.joints.iter().filter(|j| j.bare == Some(why)).count();
    let of_all = |count: usize| format!("{count} of {} seams", plan.joints.len());
    if let no_room @ 1.. = bare(Bare::NoRoom) {
        list.push(format!(
            "{} have no room for a biscuit or dowel and are held by glue alone.",
            of_all(no_room)
        ));
    }
    if let no_way @ 1.. = bare(Bare::NoWayIn) {
        list.push(format!(
            "{} have room for a biscuit or dowel that could not go in, because parts meet there at \
             several seams in one move: they are held by glue alone.",
            of_all(no_way)
        ));
    }
    let (dry, moist) = (settings.wood.dry_percent, settings.wood.moist_percent);
    if dry < VALID_PERCENT.0 || moist > VALID_PERCENT.1 || dry > moist {
        list.push(format!(
            "The wood's movement is known between {} and {} % moisture, dry before moist; the job \
             has {dry} and {moist} %.",
            VALID_PERCENT.0, VALID_PERCENT.1
        ));
    }
    if plan.blanks.boards.is_empty() && settings.blanks.strip_mm.is_none() {
        list.push(
            "The job names no boards, so blanks are not laid out: write [[board]] with width and \
             length."
                .to_owned(),
        );
    }
    if plan.net.is_empty() {
        list.push("No way was found to unfold the solid flat, so there is no map.".to_owned());
    }
    list
}

/// Facet and seam where the blade must stand highest for one side of a kind.
fn highest_at(plan: &Plan, faces: &[usize], side: &SideSetUp) -> (usize, usize) {
    let rows = faces
        .iter()
        .map(|&face| (face, &plan.sheet[face][side.side]));
    // Rounding must not decide between equals.
    let highest = rows.reduce(|best, row| match row.1.blade_mm > best.1.blade_mm + 1e-9 {
        true => row,
        false => best,
    });
    highest.map_or((0, 0), |(face, row)| (face, row.seam))
}
