//! Joints and glue-up in words.

use crate::model::geometry::Solid;
use crate::model::length::Lengths;
use crate::model::settings::{JointKind, Settings};
use crate::shop::glue::Step;
use crate::shop::joints::{Bare, Joint, counts, dowel, fences, slot_lengths};
use crate::shop::plan::Plan;
use crate::shop::{facet_label, seam_label};
use std::fmt::Write;

/// What holds each seam, and how joiner or guide is set.
pub fn joints(plan: &Plan, settings: &Settings) -> String {
    let say = settings.lengths();
    let mut out = String::from("## Joints\n\n");
    let list: Vec<String> = counts(&plan.joints)
        .into_iter()
        .map(|(name, count)| match count {
            1 => format!("1 seam: {name}"),
            _ => format!("{count} seams: {name}"),
        })
        .collect();
    let _ = writeln!(out, "{}.", list.join("; "));
    if settings.joint.kind == JointKind::Auto {
        let _ = writeln!(
            out,
            "`joint.kind` is auto: each seam has the first of biscuit-20, biscuit-10, biscuit-0 and \
             dowel whose slot or hole keeps {} of wood (joint.cover) to the back, ground, pocket, \
             corners and its neighbours, and that can go in as the glue-up says. Slots of biscuits \
             are {} long and need long seams; a dowel needs room for its {} of depth.",
            say.at_least(settings.joint.cover_mm),
            slot_lengths(say),
            say.text(dowel(settings).deep_mm)
        );
    }
    out.push('\n');
    if plan.joints.iter().all(|joint| joint.fitting.is_none()) {
        return out;
    }
    out.push_str(
        "At the middle of each seam, square to the cut face, one to a seam. Settings from the back \
         to the middle of slot or hole, along the cut face:\n\n",
    );
    for (fitting, from_back_mm, slots) in fences(&plan.joints) {
        let _ = writeln!(
            out,
            "- {}: {}, {} deep ({slots} {})",
            fitting.name,
            say.text(from_back_mm),
            say.text(fitting.deep_mm),
            if fitting.name == "dowel" {
                "holes"
            } else {
                "slots"
            }
        );
    }
    out.push_str(&table(plan, say));
    out
}

/// Every seam that has a joint, and those that lost theirs.
fn table(plan: &Plan, say: Lengths) -> String {
    let mut out = format!(
        "\nSeam by seam, in {}. \"Longer\": the slot is cut on, or the hole made oblong, by so much to \
         that hand, with the facet in front of you, face up, the seam towards you; the part then \
         slides in along it. \"Middle\": of biscuit or dowel, from the middle of the seam, seen so \
         from the lower facet number.\n\n\
         | seam | joint | from the back, lower | from the back, higher | deep in each | cut face, \
         back to surface | middle | longer, lower | longer, higher |\n|---|---|---|---|---|---|---|---|---|\n",
        say.unit_word()
    );
    for joint in &plan.joints {
        if let Some(fitting) = joint.fitting {
            let _ = writeln!(
                out,
                "| {} | {} | {} | {} | {} | {} | {} | {} | {} |",
                seam_label(joint.seam),
                fitting.name,
                say.number(joint.from_back_mm[0]),
                say.number(joint.from_back_mm[1]),
                say.number(fitting.deep_mm),
                say.number(joint.face_mm),
                hand(joint.off_middle_mm, "at it", say),
                hand(joint.longer_mm[0], "-", say),
                // Left and right change places across the seam.
                hand(-joint.longer_mm[1], "-", say),
            );
        }
    }
    let no_way: Vec<String> = plan
        .joints
        .iter()
        .filter(|joint| joint.bare == Some(Bare::NoWayIn))
        .map(|joint| seam_label(joint.seam))
        .collect();
    if !no_way.is_empty() {
        let _ = writeln!(
            out,
            "\nHeld by glue alone, because parts that meet at several seams in one move would drive \
             a joint there through the wall of its slot: {}.",
            no_way.join(", ")
        );
    }
    out
}

/// `4.5 right`, or a word for none.
pub fn hand(mm: f64, none: &str, say: Lengths) -> String {
    match mm {
        _ if mm.abs() < 0.005 => none.to_owned(),
        _ if mm > 0.0 => format!("{} right", say.number(mm)),
        _ => format!("{} left", say.number(-mm)),
    }
}

/// `1 dowel`, `3 dowels`, `2 × biscuit-20`.
fn fittings_text(count: usize, name: &str) -> String {
    match (name, count) {
        ("dowel", 1) => "1 dowel".to_owned(),
        ("dowel", _) => format!("{count} dowels"),
        _ => format!("{count} × {name}"),
    }
}

/// `facet 03`, `the part of facets 03, 04`.
fn part(faces: &[usize]) -> String {
    let labels: Vec<String> = faces.iter().map(|face| facet_label(*face)).collect();
    match labels.len() {
        1 => format!("facet {}", labels[0]),
        _ => format!("the part of facets {}", labels.join(", ")),
    }
}

/// `facet 03`, `facets 03 and 07`: those across the seams glued now.
fn beside(step: &Step, plan: &Plan) -> String {
    let rows = step.moving.iter().flat_map(|face| &plan.sheet[*face]);
    let mut labels: Vec<String> = rows
        .filter(|row| step.seams.contains(&row.seam))
        .map(|row| facet_label(row.neighbour))
        .collect();
    labels.sort();
    match labels.len() {
        1 => format!("facet {}", labels[0]),
        _ => format!("facets {}", labels.join(", ")),
    }
}

/// `36° off square to S04, S07`, angle by angle.
fn direction(step: &Step) -> String {
    let mut angles: Vec<(i64, Vec<String>)> = Vec::new();
    for (seam, off_deg) in step.seams.iter().zip(&step.off_square_deg) {
        let whole = off_deg.round() as i64;
        match angles.iter_mut().find(|(known, _)| *known == whole) {
            Some((_, seams)) => seams.push(seam_label(*seam)),
            None => angles.push((whole, vec![seam_label(*seam)])),
        }
    }
    angles.sort();
    let all = angles.len() == 1;
    let words: Vec<String> = angles
        .into_iter()
        .map(|(deg, seams)| {
            let off = match deg {
                0 => "square".to_owned(),
                _ => format!("{deg}° off square"),
            };
            match (all, seams.len()) {
                (true, 1) => format!("{off} to it"),
                (true, _) => format!("{off} to all of them"),
                _ => format!("{off} to {}", seams.join(", ")),
            }
        })
        .collect();
    words.join(", ")
}

/// One gluing in words.
pub fn step(index: usize, plan: &Plan) -> String {
    let step = &plan.glue[index];
    let seams: Vec<String> = step.seams.iter().map(|seam| seam_label(*seam)).collect();
    let here = || step.seams.iter().map(|&seam| &plan.joints[seam]);
    let mut names: Vec<&str> = here().filter_map(|j| j.fitting.map(|f| f.name)).collect();
    names.sort_unstable();
    let mut unique = names.clone();
    unique.dedup();
    let counted: Vec<String> = unique
        .iter()
        .map(|name| fittings_text(names.iter().filter(|n| *n == name).count(), name))
        .collect();
    let joints = match counted.is_empty() {
        true => String::new(),
        false => format!(" with {}", counted.join(", ")),
    };
    let slides = here().any(|joint: &Joint| joint.longer_mm != [0.0; 2]);
    let slides = if slides {
        " The longer slots lie in the part that stays."
    } else {
        ""
    };
    let (at, one) = (seams.join(", "), seams.len() == 1);
    let way = direction(step);
    if step.shell == 0 {
        return format!(
            "Join the shells at the closing seam, {} seams together: {at}{joints}. One straight move \
             of shell {}, {way}.{slides} Dry fit first: lay it on the other, turn until every number \
             meets its neighbour, and ease the high spots.",
            seams.len(),
            if step.moving.contains(&0) { 1 } else { 2 },
        );
    }
    format!(
        "Shell {}: {} to {} at {at}{joints}. One straight move, {way}.{slides} Dry fit first: index \
         corner as on the map, no light through {}.",
        step.shell,
        part(&step.moving),
        match step.moving.len() {
            1 => beside(step, plan),
            _ => part(&step.standing),
        },
        if one { "the seam" } else { "any seam" }
    )
}

/// The glue-up, step by step.
pub fn glue(plan: &Plan, solid: &Solid) -> String {
    let mut out = format!(
        "## Glue-up\n\n{} facets, {} seams. Each shell grows into a bowl, here and there by parts \
         glued beforehand; the last joint closes the ball. Every part goes in by one straight move, \
         at the angle given to the straight way onto its cut faces. Biscuits and dowels are glued \
         into the part that moves and go into the one that stays.\n\n",
        solid.faces.len(),
        solid.seams.len()
    );
    for index in 0..plan.glue.len() {
        let _ = writeln!(out, "{}. {}", index + 1, step(index, plan));
    }
    out
}
