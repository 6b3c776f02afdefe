//! `shop/plan.json`: the plan's numbers for other programs, field by field as in `docs/plan.md`.

use super::Basis;
use crate::model::geometry::Solid;
use crate::model::settings::Settings;
use crate::output::folder::SHOP_SCHEMA;
use crate::shop::joints::{Joint, fences};
use crate::shop::mount::Mount;
use crate::shop::plan::{KindPlan, Plan};
use crate::shop::{facet_label, kind_letter, seam_label};
use serde_json::{Value, json};

/// The file's content; `files` are all files of the plan, itself included.
pub fn numbers(
    plan: &Plan,
    solid: &Solid,
    basis: &Basis,
    settings: &Settings,
    files: &[String],
) -> Value {
    let radius_mm = settings.globe.diameter_mm / 2.0;
    json!({
        "schema": SHOP_SCHEMA,
        "files": files,
        "heights": match basis { Basis::Grid => "grid", Basis::Range(_) => "range" },
        "solid": solid.name,
        "kinds": list(plan.kinds.iter().enumerate(), |(i, kind)| of_kind(plan, i, kind)),
        "seams": plan.sheet.iter().enumerate().flat_map(|(face, rows)| {
            rows.iter().map(move |row| json!({
                "facet": facet_label(face), "side": row.side + 1,
                "seam": seam_label(row.seam), "neighbour": facet_label(row.neighbour),
                "tilt_deg": row.tilt_deg, "length_mm": row.length_mm,
                "seam_low_mm": row.lowest.height_mm, "low_from_left_mm": row.lowest.from_left_mm,
                "seam_high_mm": row.highest.height_mm,
                "high_from_left_mm": row.highest.from_left_mm,
                "wood_mm": row.wood.height_mm, "wood_from_left_mm": row.wood.from_left_mm,
                "blade_mm": row.blade_mm,
            }))
        }).collect::<Vec<_>>(),
        "shopping": plan.shopping,
        "boards": boards(plan),
        "blanks_m2": plan.blanks.blanks_m2,
        "board_use": plan.blanks.board_use,
        "planing": plan.planing,
        "joints": list(plan.joints.iter(), joint),
        "fences": list(fences(&plan.joints).into_iter(), |(fitting, from_back_mm, slots)| json!({
            "fitting": fitting.name, "from_back_mm": from_back_mm, "slots": slots,
        })),
        "mount": plan.mount.as_ref().map(mount),
        "budget": budget(plan),
        "net": list(plan.net.iter(), |laid| json!({
            "facet": facet_label(laid.face),
            "turned_deg": laid.angle_rad.to_degrees(),
            "centre_mm": [laid.centre.x * radius_mm, laid.centre.y * radius_mm],
        })),
        "glue": list(plan.glue.iter(), |step| json!({
            "shell": step.shell,
            "moving": list(step.moving.iter(), |face| facet_label(*face).into()),
            "standing": list(step.standing.iter(), |face| facet_label(*face).into()),
            "seams": list(step.seams.iter(), |seam| seam_label(*seam).into()),
            "off_square_deg": step.off_square_deg,
            "way": solid.faces[step.moving[0]].frame.to_local(step.way),
        })),
        "work": list(plan.work.iter(), |operation| json!({
            "what": operation.what, "count": operation.count, "unit": operation.unit,
            "tool": operation.tool, "minutes": operation.minutes,
        })),
        "warnings": plan.warnings,
    })
}

fn list<T>(items: impl Iterator<Item = T>, one: impl Fn(T) -> Value) -> Value {
    items.map(one).collect::<Vec<Value>>().into()
}

fn of_kind(plan: &Plan, index: usize, kind: &KindPlan) -> Value {
    let s = &kind.stack;
    let jig = &kind.jig;
    json!({
        "blank": kind_letter(index).to_string(),
        "facets": list(kind.faces.iter(), |face| facet_label(*face).into()),
        "to_cut": plan.blanks.pieces[index].count,
        "glue_up": kind.glue_up,
        "stock_mm": s.stock_mm, "skim_mm": s.skim_mm, "relief_mm": s.relief_mm,
        "rise_mm": s.rise_mm, "highest_mm": s.highest_mm, "corner_mm": s.corner_mm,
        "corner_least_mm": s.corner_least_mm, "pocket_mm": s.pocket_mm,
        "over_pocket_mm": s.over_mm, "back_plane_mm": s.back_plane_mm,
        "outline_mm": jig.blank_mm, "back_mm": jig.back_mm,
        "corner_radius_mm": jig.seat.as_ref().map(|seat| seat.pocket.radius_mm),
        "keyed": jig.seat.as_ref().is_some_and(|seat| seat.keyed),
        "clamps_out_mm": jig.clamp_out_mm,
        "tabs": list(jig.tabs.iter(), |tab| json!({ "side": tab.side + 1, "glued": tab.glued })),
        "sides": list(kind.saw.iter(), |side| json!({
            "tilt_deg": side.tilt_deg, "at_jig_mm": side.at_jig_mm,
            "at_top_mm": side.at_top_mm, "blade_mm": side.blade_mm,
            "reach_mm": side.reach_mm, "cuts": side.cuts,
        })),
        "sleds": list(kind.sleds.iter(), |sled| json!({
            "tilt_deg": sled.tilt_deg,
            "sides": list(sled.sides.iter(), |side| (side + 1).into()),
            "at_jig_mm": sled.at_jig_mm, "at_table_mm": sled.at_table_mm,
            "to_edge_mm": sled.to_edge_mm, "fence_mm": sled.fence_mm,
        })),
        "saw_order": list(kind.saw_order.iter(), |side| (side + 1).into()),
        "movement": list(kind.movement.iter(), |way| json!({
            "grain": way.grain, "sawn": way.sawn, "width_mm": way.width_mm,
            "change_mm": way.change_mm, "mean_side_mm": way.mean_side_mm,
            "worst_side_mm": way.worst_side_mm, "worst_gap_mm": way.worst_gap_mm,
        })),
    })
}

fn boards(plan: &Plan) -> Value {
    let blanks = &plan.blanks;
    let boards = blanks.boards.iter().zip(&blanks.layout.boards);
    list(boards, |(board, placed)| {
        json!({
            "length_mm": board.length_mm, "width_mm": board.width_mm,
            "thickness_mm": board.thickness_mm,
            "board_feet": board.board_feet(), "m3": board.cubic_metres(),
            "blanks": list(placed.iter(), |one| json!({
                "blank": kind_letter(one.kind).to_string(),
                // Those beyond the facets are spares.
                "facet": plan.kinds[one.kind].faces.get(one.number).map(|face| facet_label(*face)),
                "middle_mm": one.middle, "turned": one.turned,
            })),
        })
    })
}

fn joint(joint: &Joint) -> Value {
    let fitting = joint.fitting;
    json!({
        "seam": seam_label(joint.seam),
        "fitting": fitting.map(|fitting| fitting.name),
        "from_back_mm": fitting.map(|_| joint.from_back_mm),
        "deep_mm": fitting.map(|fitting| fitting.deep_mm),
        "cut_face_mm": fitting.map(|_| joint.face_mm),
        "none_because": joint.bare,
        "off_middle_mm": fitting.map(|_| joint.off_middle_mm),
        "longer_mm": fitting.map(|_| joint.longer_mm),
        "play_mm": fitting.map(|_| joint.play_mm),
    })
}

fn budget(plan: &Plan) -> Value {
    let b = &plan.budget;
    let part = |shares: &crate::shop::budget::ErrorShares, tried_mm: f64, in_95_mm: f64| {
        json!({
            "tilt_mm": shares.tilt_mm, "offset_mm": shares.offset_mm,
            "clearance_mm": shares.clearance_mm, "together_mm": shares.together_mm(),
            "tried_mm": tried_mm, "in_95_of_100_mm": in_95_mm,
            "improve_first": shares.largest(),
        })
    };
    json!({
        "seam_gap": part(&b.gap, b.gap_tried_mm, b.gap_95_mm),
        "closing": part(&b.closing, b.closing_tried_mm, b.closing_95_mm),
        "worst_seam_mm": b.gap_worst_mm,
        "ring_facets": b.ring_facets,
        "all_tilts_off_mm": b.closing_systematic_mm,
    })
}

fn mount(mount: &Mount) -> Value {
    json!({
        "kind": mount.kind, "top_deg": mount.top, "tilt_deg": mount.tilt_deg,
        "tilt_by": mount.tilt_by, "lowest_deg": mount.lowest, "rod_mm": mount.rod_mm,
        "holes": list(mount.holes.iter(), |hole| json!({
            "place_deg": hole.place, "deep_mm": hole.deep_mm, "wood_mm": hole.wood_mm,
            "blanks": list(hole.blanks.iter(), |blank| json!({
                "facet": facet_label(blank.face), "back_mm": blank.back_mm,
                "front_mm": blank.front_mm, "lean_deg": blank.lean_deg,
                "left_mm": blank.left_mm,
            })),
        })),
        "circle": mount.circle.as_ref().map(|circle| json!({
            "radius_mm": circle.radius_mm, "rise_mm": circle.rise_mm,
            "facets": list(circle.faces.iter(), |face| facet_label(*face).into()),
        })),
    })
}
