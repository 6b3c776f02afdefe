//! Mounting on the sheets: the stand from the side, holes on the backs of the blanks they touch, and
//! where north is on every back.
//!
//! Backs are drawn as they lie in front of one who works on them: mirrored, so left is right on the
//! front.

use super::drawing::{Drawing, Layer, Primitive};
use crate::model::geometry::{Solid, direction, place_name};
use crate::model::length::Lengths;
use crate::model::places::face_towards;
use crate::model::settings::{MountKind, Settings};
use crate::shop::facet_label;
use crate::shop::mount::{Hole, Mount, TiltBy, north};
use crate::shop::plan::{Plan, paper_mm};
use crate::shop::polygon::bounds;
use glam::{DVec2, DVec3};
use std::fmt::Write;

/// Height of type and of headings, mm.
const TEXT: f64 = 3.0;
const TITLE: f64 = 4.5;

/// Margin of a sheet, room for its heading, and the least width of one back on it, mm.
const MARGIN_MM: f64 = 10.0;
const HEAD_MM: f64 = 14.0;
const CELL_MM: f64 = 46.0;

/// As seen from the back.
fn mirrored(p: DVec2) -> DVec2 {
    DVec2::new(-p.x, p.y)
}

fn back_outline(plan: &Plan, solid: &Solid, face: usize) -> Vec<DVec2> {
    let jig = &plan.kinds[solid.faces[face].kind].jig;
    jig.back_mm.iter().map(|p| mirrored(*p)).collect()
}

/// A triangle inside the index corner that points at it.
fn index_mark(drawing: &mut Drawing, corner: DVec2, middle: DVec2, size: f64) {
    let out = (corner - middle).normalize_or_zero();
    let (tip, side) = (corner - out * 0.3 * size, out.perp() * 0.35 * size);
    let base = tip - out * size;
    drawing.add(
        Layer::IndexMark,
        Primitive::Filled(vec![tip, base + side, base - side]),
    );
}

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

/// Backs of all blanks with number, index corner and the way to north, on as many sheets as needed.
pub fn backs(plan: &Plan, solid: &Solid, settings: &Settings) -> Vec<String> {
    let [width, height] = paper_mm(settings.paper.size);
    let across = ((width - 2.0 * MARGIN_MM) / CELL_MM).floor().max(1.0) as usize;
    let cell = (width - 2.0 * MARGIN_MM) / across as f64;
    let down = ((height - 2.0 * MARGIN_MM - HEAD_MM) / cell)
        .floor()
        .max(1.0) as usize;
    let outlines: Vec<Vec<DVec2>> = (0..solid.faces.len())
        .map(|face| back_outline(plan, solid, face))
        .collect();
    let reaches = outlines.iter().flatten().map(|p| p.length());
    let scale = (0.42 * cell / reaches.fold(1e-9, f64::max)).min(1.0);
    let per_sheet = across * down;
    let sheets = outlines.len().div_ceil(per_sheet);
    let faces: Vec<usize> = (0..outlines.len()).collect();
    faces
        .chunks(per_sheet)
        .enumerate()
        .map(|(sheet, faces)| {
            let mut drawing = Drawing::default();
            for (i, &face) in faces.iter().enumerate() {
                let (row, column) = (i / across, i % across);
                let middle = DVec2::new(
                    MARGIN_MM + (column as f64 + 0.5) * cell,
                    height - MARGIN_MM - HEAD_MM - (row as f64 + 0.5) * cell,
                );
                let outline: Vec<DVec2> = (outlines[face].iter())
                    .map(|p| middle + *p * scale)
                    .collect();
                let reach = outline.iter().map(|p| p.distance(middle));
                let small = reach.fold(f64::INFINITY, f64::min);
                index_mark(&mut drawing, outline[0], middle, 0.2 * small);
                drawing.add(Layer::Back, Primitive::Closed(outline));
                let number = middle - DVec2::Y * 0.5 * cell + DVec2::new(-0.5 * cell + 1.0, 1.0);
                drawing.words(number, 4.0, -1, facet_label(face));
                let toward = north(&solid.faces[face].frame).map(mirrored);
                north_arrow(&mut drawing, middle, 0.45 * small, toward);
            }
            let heading = format!(
                "{}: backs of the blanks, seen from the back, {:.0} % of true size; sheet {} of {sheets}",
                settings.name,
                100.0 * scale,
                sheet + 1
            );
            let top = DVec2::new(MARGIN_MM, height - MARGIN_MM - 3.0);
            drawing.words(top, 3.4, -1, heading);
            let words = "Mark the arrow and the number on every back before the jig hides which way \
                         is north. Triangle: index corner.";
            drawing.words(top - DVec2::Y * 5.5, 3.0, -1, words);
            page(&drawing, [width, height])
        })
        .collect()
}

fn page(drawing: &Drawing, [width, height]: [f64; 2]) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width:.3}mm\" height=\"{height:.3}mm\" \
         viewBox=\"0 0 {width:.3} {height:.3}\" font-family=\"DejaVu Sans, sans-serif\">\n\
         <rect width=\"{width:.3}\" height=\"{height:.3}\" fill=\"#ffffff\"/>\n{}</svg>\n",
        drawing.svg_layers(DVec2::new(0.0, height), 1.0)
    )
}

/// Blanks that the mount touches, ascending.
pub fn touched(mount: &Mount) -> Vec<usize> {
    let holes = mount.holes.iter().flat_map(|hole| &hole.blanks);
    let circles = mount.circle.iter().flat_map(|circle| &circle.faces);
    let mut faces: Vec<usize> = holes
        .map(|blank| blank.face)
        .chain(circles.copied())
        .collect();
    faces.sort_unstable();
    faces.dedup();
    faces
}

/// One blank from the back at true size, with what the mount takes of it.
pub fn blank(
    plan: &Plan,
    solid: &Solid,
    mount: &Mount,
    face: usize,
    settings: &Settings,
) -> Drawing {
    let jig = &plan.kinds[solid.faces[face].kind].jig;
    let mut drawing = Drawing::default();
    let outline: Vec<DVec2> = jig.blank_mm.iter().map(|p| mirrored(*p)).collect();
    let back = back_outline(plan, solid, face);
    index_mark(&mut drawing, outline[0], DVec2::ZERO, 6.0);
    if let Some(seat) = &jig.seat {
        let pocket = seat.sharp_mm[0].iter().map(|p| mirrored(*p)).collect();
        drawing.add(Layer::Pocket, Primitive::Closed(pocket));
    }
    let mut notes = Vec::new();
    for hole in &mount.holes {
        notes.extend(hole_on(
            &mut drawing,
            hole,
            face,
            mount.rod_mm.unwrap_or(0.0),
            settings.lengths(),
        ));
    }
    if let Some(circle) = &mount.circle {
        let [lat, lon] = mount.lowest;
        circle_on(
            &mut drawing,
            solid,
            face,
            direction(lat, lon),
            circle.radius_mm,
            settings,
        );
        notes.push(match mount.kind {
            MountKind::Flat => "long dashes: edge of the flat, on the front".to_owned(),
            _ => "long dashes: where the ring touches, on the front".to_owned(),
        });
    }
    let (low, high) = bounds(&outline);
    let at = DVec2::new(high.x + 9.0, 0.5 * (low.y + high.y));
    let toward = north(&solid.faces[face].frame).map(mirrored);
    north_arrow(&mut drawing, at, 12.0, toward);
    drawing.add(Layer::Blank, Primitive::Closed(outline));
    drawing.add(Layer::Back, Primitive::Closed(back));
    drawing.axis_cross(DVec2::ZERO, 4.0);
    let title = format!(
        "Facet {} from the back (mirrored), true size: mounting",
        facet_label(face)
    );
    drawing.words(DVec2::new(low.x, high.y + 5.0), TITLE, -1, title);
    notes.push(
        "solid: blank with trim; short dashes: back after the bevel; triangle: index corner".into(),
    );
    for (i, note) in notes.iter().enumerate() {
        let at = DVec2::new(low.x, low.y - 7.0 - 1.6 * TEXT * i as f64);
        drawing.words(at, TEXT, -1, note.as_str());
    }
    drawing
}

/// A hole on the back of a blank, where it touches it; what to read beside it.
fn hole_on(
    drawing: &mut Drawing,
    hole: &Hole,
    face: usize,
    rod_mm: f64,
    say: Lengths,
) -> Option<String> {
    const POINTS: usize = 72;
    let found = hole.blanks.iter().find(|blank| blank.face == face)?;
    let (middle, lean) = (mirrored(found.back_mm), found.lean_deg.to_radians());
    let along = middle.try_normalize().unwrap_or(DVec2::X);
    // A rod that leans cuts the back in an ellipse, longer the way it leans.
    let rim = (0..POINTS).map(|i| {
        let (s, c) = (i as f64 * std::f64::consts::TAU / POINTS as f64).sin_cos();
        middle + 0.5 * rod_mm * (along * (c / lean.cos()) + along.perp() * s)
    });
    drawing.add(Layer::Mount, Primitive::Closed(rim.collect()));
    drawing.axis_cross(middle, 0.5 * rod_mm + 3.0);
    let when = match hole.blanks.len() {
        1 => "drill before gluing, back up",
        _ => "drill when glued: it runs through several blanks",
    };
    let place = format!(
        "hole {}, middle {} from the axis of the blank; {when}",
        say.text(rod_mm),
        say.text(middle.length())
    );
    if found.lean_deg < 0.05 {
        return Some(format!("{place}; square to the back"));
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
            run.push(mirrored(local.truncate() * radius));
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
    drawing.words(between, size, 0, format!("{:.2}°", mount.tilt_deg));
    if let Some(rod) = mount.rod_mm {
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
        let _ = writeln!(out, "Rod: {}.{}\n", say.text(rod), sold(mount, say));
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

const NORTH: &str = "`backs.pdf` shows every blank from the back with its number, its index corner \
                     and an arrow to north; the map has the same arrows from the front.";

fn sold(mount: &Mount, say: Lengths) -> String {
    mount.nearest_rod_mm.map_or(String::new(), |nearest| {
        format!(
            " No such rod is common; the nearest that is sold is {} (common practice, no source).",
            say.text(nearest)
        )
    })
}

fn holes(mount: &Mount, say: Lengths) -> String {
    let mut out = String::from(
        "| hole | blanks | from the blank's axis, at the back | leans from square | depth below the \
         level | wood there, at least |\n|---|---|---|---|---|---|\n",
    );
    for hole in &mount.holes {
        let blanks: Vec<String> = hole.blanks.iter().map(|b| facet_label(b.face)).collect();
        let first = &hole.blanks[0];
        let deep = hole.deep_mm.map_or("through".to_owned(), |mm| say.text(mm));
        let _ = writeln!(
            out,
            "| {} | {} | {} | {:.2}° | {deep} | {} |",
            place_name(hole.place[0], hole.place[1]),
            blanks.join(", "),
            say.text(first.back_mm.length()),
            first.lean_deg,
            say.text(hole.wood_mm),
        );
    }
    out.push_str(
        "\nA hole in one blank is drilled on the drill press before gluing, back up, the blank \
         clamped in its jig or on a wedge of the angle it leans. One through several blanks is \
         drilled when the ball is glued, with the ball clamped in a cradle and a guide block; start \
         with a thin bit. Try rod and bit in scrap: a rod that is to turn needs a drill 0.2 mm (one \
         size) larger. Follow the drill press's manual, and never hold a blank or the ball by hand \
         while drilling.\n\n",
    );
    out
}
