//! Mounting on the sheets: the stand from the side, what it takes of the blanks it touches, and the
//! arrow to north.

use super::drawing::{Drawing, Layer, Primitive, flipped};
use crate::model::geometry::{Solid, direction, place_name};
use crate::model::length::Lengths;
use crate::model::places::face_towards;
use crate::model::settings::{MountKind, Settings};
use crate::shop::facet_label;
use crate::shop::mount::{Hole, Mount, TiltBy};
use crate::shop::plan::Plan;
use glam::{DVec2, DVec3};
use std::fmt::Write;

/// Height of type and of headings, mm.
const TEXT: f64 = 3.0;
const TITLE: f64 = 4.5;

/// Room of a rod that turns in its hole. Common practice, no source.
const TURNING_MM: f64 = 0.2;

/// The arrow to north of a facet about a point, seen from the front or from the back.
pub fn north_arrow(drawing: &mut Drawing, at: DVec2, long: f64, toward: Result<DVec2, &str>) {
    let size = 0.45 * long;
    match toward {
        Ok(toward) => {
            let half = 0.5 * long * toward;
            drawing.arrow(Layer::North, at - half, at + half, false);
            let letter = at + toward * (0.5 * long + 0.8 * size) - DVec2::Y * 0.36 * size;
            drawing.add(Layer::North, Primitive::Words(letter, size, 0, "N".into()));
        }
        Err(pole) => {
            drawing.add(Layer::North, Primitive::Ring(at, 0.2 * long));
            let words = at - DVec2::Y * (0.2 * long + 1.1 * size);
            drawing.add(Layer::North, Primitive::Words(words, size, 0, pole.into()));
        }
    }
}

/// What the mount takes of a blank, on its drawing from behind; what to read below it.
pub fn on_back(
    drawing: &mut Drawing,
    mount: &Mount,
    solid: &Solid,
    face: usize,
    settings: &Settings,
) -> Vec<String> {
    let rod_mm = mount.rod_mm.unwrap_or(0.0);
    let holes = mount.holes.iter();
    let mut notes: Vec<String> = holes
        .filter_map(|hole| hole_on(drawing, hole, face, rod_mm, settings.lengths()))
        .collect();
    let circle = mount.circle.iter().find(|on| on.faces.contains(&face));
    if let Some(circle) = circle {
        let [lat, lon] = mount.lowest;
        let lowest = direction(lat, lon);
        circle_on(drawing, solid, face, lowest, circle.radius_mm, settings);
        notes.push(match mount.kind {
            MountKind::Flat => "long dashes: edge of the flat, on the front".to_owned(),
            _ => "long dashes: where the ring touches, on the front".to_owned(),
        });
    }
    notes
}

/// A hole of a blank as it is seen from behind; what to read below it.
fn hole_on(
    drawing: &mut Drawing,
    hole: &Hole,
    face: usize,
    rod_mm: f64,
    say: Lengths,
) -> Option<String> {
    const POINTS: usize = 72;
    let found = hole.blanks.iter().find(|blank| blank.face == face)?;
    let blind = hole.deep_mm.is_some();
    let (middle, lean) = (flipped(found.start_mm()), found.lean_deg.to_radians());
    let along = middle.try_normalize().unwrap_or(DVec2::X);
    // A rod that leans cuts the back in an ellipse, longer the way it leans.
    let rim = (0..POINTS).map(|i| {
        let (s, c) = (i as f64 * std::f64::consts::TAU / POINTS as f64).sin_cos();
        middle + 0.5 * rod_mm * (along * (c / lean.cos()) + along.perp() * s)
    });
    let layer = if blind {
        Layer::MountEdge
    } else {
        Layer::Mount
    };
    drawing.add(layer, Primitive::Closed(rim.collect()));
    drawing.axis_cross(middle, 0.5 * rod_mm + 3.0);
    let when = match (hole.blanks.len(), blind) {
        (1, false) => "drill before carving, back up",
        (1, true) => "blind, drill from the front before carving",
        (_, false) => "drill when glued: it runs through several blanks",
        (_, true) => "blind, drill from outside when glued: it runs through several blanks",
    };
    let place = format!(
        "hole {}, middle {} from the axis of the blank {}; {when}",
        say.stocked(rod_mm),
        say.text(middle.length()),
        if blind { "at the level" } else { "at the back" }
    );
    if found.lean_deg < 0.05 {
        return Some(format!("{place}; square to the back"));
    }
    if blind {
        return Some(format!(
            "{place}; it leans {:.2}° from square, its bottom nearer to the axis",
            found.lean_deg
        ));
    }
    let from = middle + along * (0.5 * rod_mm + 1.5);
    drawing.arrow(Layer::Mount, from, from + along * 9.0, false);
    Some(format!(
        "{place}; it leans {:.2}° from square and going in moves along the arrow",
        found.lean_deg
    ))
}

/// The part of a circle on the ball that lies on a facet, seen through it from the back.
fn circle_on(
    drawing: &mut Drawing,
    solid: &Solid,
    face: usize,
    lowest: DVec3,
    circle_mm: f64,
    settings: &Settings,
) {
    const POINTS: usize = 720;
    let radius = settings.globe.diameter_mm / 2.0;
    let angle = (circle_mm / radius).clamp(0.0, 1.0).asin();
    let aside = lowest.any_orthonormal_vector();
    let over = lowest.cross(aside);
    let mut run: Vec<DVec2> = Vec::new();
    for i in 0..=POINTS {
        let (s, c) = (i as f64 * std::f64::consts::TAU / POINTS as f64).sin_cos();
        let towards = lowest * angle.cos() + (aside * c + over * s) * angle.sin();
        let here = face_towards(solid, towards) == face;
        if here {
            let local = solid.faces[face].frame.to_local(towards);
            run.push(flipped(local.truncate() * radius));
        }
        if (!here || i == POINTS) && run.len() > 1 {
            drawing.add(Layer::MountEdge, Primitive::Open(std::mem::take(&mut run)));
        }
        if !here {
            run.clear();
        }
    }
}

/// The ball on its stand from the side, its axis leaning to the right.
pub fn stand(mount: &Mount, settings: &Settings) -> Drawing {
    let say = settings.lengths();
    const POINTS: usize = 180;
    let radius = settings.globe.diameter_mm / 2.0;
    let mut drawing = Drawing::default();
    let lean = mount.tilt_deg.to_radians();
    let axis = DVec2::new(lean.sin(), lean.cos());
    // Cut off below the flat.
    let flat = match (mount.kind, &mount.circle) {
        (MountKind::Flat, Some(circle)) => circle.rise_mm - radius,
        _ => -radius,
    };
    let ball = (0..POINTS).map(|i| {
        let p = DVec2::from_angle(i as f64 * std::f64::consts::TAU / POINTS as f64) * radius;
        DVec2::new(p.x, p.y.max(flat))
    });
    drawing.add(Layer::Ground, Primitive::Closed(ball.collect()));
    drawing.line(Layer::Axis, axis * -1.25 * radius, axis * 1.25 * radius);
    drawing.line(Layer::Axis, DVec2::ZERO, DVec2::Y * 1.25 * radius);
    let [lat, lon] = mount.top;
    let size = (0.05 * radius).max(TEXT);
    let top = axis * 1.3 * radius;
    drawing.words(top, size, -1, place_name(lat, lon));
    let between = DVec2::new((0.5 * lean).sin(), (0.5 * lean).cos()) * 1.1 * radius;
    if mount.tilt_deg >= 0.005 {
        drawing.words(between, size, 0, format!("{:.2}°", mount.tilt_deg));
    }
    if let Some(rod) = mount.rod_mm {
        let deep = mount.holes.first().and_then(|hole| hole.deep_mm);
        let deep = deep.map_or("right through".to_owned(), |deep| {
            format!("{} deep", say.at_most(deep))
        });
        // Below the place, clear of the rod's end.
        for (line, text) in [format!("rod {}", say.stocked(rod)), deep]
            .into_iter()
            .enumerate()
        {
            let below = DVec2::new(0.5 * rod, -1.4 * size * (line + 1) as f64);
            drawing.words(top + below, size, -1, text);
        }
        let side = axis.perp() * 0.5 * rod;
        let ends = mount.holes.iter().zip([1.0, -1.0]).map(|(hole, way)| {
            let inner = hole.deep_mm.map_or(0.0, |deep| radius - deep);
            [axis * way * inner, axis * way * 1.15 * radius]
        });
        for [inner, outer] in ends {
            let rod = vec![inner + side, outer + side, outer - side, inner - side];
            drawing.add(Layer::Mount, Primitive::Closed(rod));
        }
    }
    if let Some(circle) = &mount.circle {
        let [left, right] =
            [-1.0, 1.0].map(|way| DVec2::new(way * circle.radius_mm, circle.rise_mm - radius));
        match mount.kind {
            MountKind::Ring => {
                let thick = 0.08 * radius;
                let foot = -radius - 0.1 * radius;
                for (edge, way) in [(left, -1.0), (right, 1.0)] {
                    let out = DVec2::X * way * thick;
                    let low = DVec2::new(edge.x, foot);
                    let section = vec![edge, edge + out, low + out, low];
                    drawing.add(Layer::Mount, Primitive::Closed(section));
                }
            }
            _ => drawing.line(
                Layer::Mount,
                left * DVec2::new(1.6, 1.0),
                right * DVec2::new(1.6, 1.0),
            ),
        }
        drawing.arrow(Layer::Measure, left, right, true);
        let words = DVec2::new(0.0, left.y + 0.6 * size);
        drawing.words(words, size, 0, say.text(2.0 * circle.radius_mm));
    }
    let title = format!("{}: the ball on its stand, from the side", settings.name);
    drawing.words(DVec2::new(-radius, 1.5 * radius), TITLE, -1, title);
    drawing
}

/// The section of the plan.
pub fn section(plan: &Plan, say: Lengths) -> String {
    let mut out = String::from("## Mounting and north\n\n");
    let Some(mount) = &plan.mount else {
        let _ = writeln!(
            out,
            "`mount.kind` is none: nothing is taken from the wood for a stand. Whoever wants a rod, a \
             flat or a ring says so now; holes are easier before the ball is glued.\n\n{NORTH}"
        );
        return out;
    };
    let [lat, lon] = mount.top;
    let tilt = match mount.tilt_by {
        TiltBy::Job => "as the job says (mount.tilt)",
        TiltBy::Body => "as the body's axis leans to its orbit, by its IAU pole (mount.tilt)",
        TiltBy::NotKnown => "upright, as no tilt is known for this body (mount.tilt)",
    };
    let _ = writeln!(
        out,
        "The axis comes out on top at {} and leans {:.2}° from upright: {tilt}. The lowest place of \
         the ball on its stand is {}. `mount.svg` shows it from the side.\n",
        place_name(lat, lon),
        mount.tilt_deg,
        place_name(mount.lowest[0], mount.lowest[1]),
    );
    if let Some(rod) = mount.rod_mm {
        let _ = writeln!(out, "Rod: {}.{}\n", say.stocked(rod), sold(mount, say));
    }
    if !mount.holes.is_empty() {
        out.push_str(&holes(mount, say));
    }
    if let Some(circle) = &mount.circle {
        let facets: Vec<String> = circle.faces.iter().map(|face| facet_label(*face)).collect();
        let (wide, rise) = (say.text(2.0 * circle.radius_mm), say.text(circle.rise_mm));
        let _ = match mount.kind {
            MountKind::Flat => writeln!(
                out,
                "Flat: {wide} wide, {rise} deep below the level; it takes ground of facets {}. Cut it \
                 when the ball is glued, with a plane or on a belt, the ball bedded in a cradle.\n",
                facets.join(", ")
            ),
            _ => writeln!(
                out,
                "Ring: {wide} inside. The ball sinks {rise} into it, so the ring stands higher than \
                 that and the lowest mountains together. It touches facets {}; line it with felt or \
                 leather, for the ground is not round.\n",
                facets.join(", ")
            ),
        };
    }
    let _ = writeln!(out, "{NORTH}");
    out
}

const NORTH: &str = "Every blank's drawing from behind, `back-01` and so on, has an arrow to north to \
                     engrave beside its number, and what the mount takes of it; the map has the \
                     same arrows from the front.";

fn sold(mount: &Mount, say: Lengths) -> String {
    mount.nearest_rod_mm.map_or(String::new(), |nearest| {
        format!(
            " No such rod is common; the nearest that is sold is {} (common practice, no source).",
            say.stocked(nearest)
        )
    })
}

fn holes(mount: &Mount, say: Lengths) -> String {
    let mut out = String::from(
        "| hole | blanks | from the blank's axis | leans from square | depth below the level | wood \
         there, at least |\n|---|---|---|---|---|---|\n",
    );
    for hole in &mount.holes {
        let blanks: Vec<String> = hole.blanks.iter().map(|b| facet_label(b.face)).collect();
        let first = &hole.blanks[0];
        let (deep, start) = match hole.deep_mm {
            Some(mm) => (say.at_most(mm), "at the level"),
            None => ("through".to_owned(), "at the back"),
        };
        let _ = writeln!(
            out,
            "| {} | {} | {} {start} | {:.2}° | {deep} | {} |",
            place_name(hole.place[0], hole.place[1]),
            blanks.join(", "),
            say.text(first.start_mm().length()),
            first.lean_deg,
            say.text(hole.wood_mm),
        );
    }
    let _ = writeln!(
        out,
        "\nA hole in one blank is drilled on the drill press before carving, the blank clamped on a \
         wedge of the angle it leans: one right through with the back up, a blind one from the \
         front. One through several blanks is drilled when the ball is glued, with the ball clamped \
         in a cradle and a guide block; start with a thin bit. Try rod and bit in scrap: a rod that \
         is to turn needs a drill {} (one size) larger. Follow the drill press's manual, and never \
         hold a blank or the ball by hand while drilling.\n",
        say.text(TURNING_MM)
    );
    out
}
