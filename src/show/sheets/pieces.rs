//! The drawings: section, blank, jig, boards.

use super::drawing::{Drawing, Layer, Primitive};
use crate::model::length::Lengths;
use crate::model::settings::{Base, Settings};
use crate::shop::blanks::BlankPlan;
use crate::shop::plan::KindPlan;
use crate::shop::polygon::bounds;
use crate::shop::{facet_label, kind_letter};
use glam::DVec2;

/// Heights of type, mm.
const TITLE: f64 = 5.0;
const TEXT: f64 = 3.2;

/// Measures shorter than this get their arrows from outside, this long, mm.
const LEAST_ARROW: f64 = 2.5;
const OUTSIDE: f64 = 6.0;

/// The section through a facet, at true size: its right half through a corner, its left half
/// through the middle of the side that is sawn at the steepest tilt.
pub fn section(kind: usize, plan: &KindPlan, settings: &Settings) -> Drawing {
    let say = settings.lengths();
    let stack = &plan.stack;
    let mut drawing = Drawing::default();
    let at = DVec2::new;
    let (stock, back) = (stack.stock_mm, stack.back_plane_mm);
    let side_out = plan
        .saw
        .iter()
        .max_by(|a, b| a.tilt_deg.total_cmp(&b.tilt_deg));
    let (tilt, jig_out) = side_out.map_or((0.0, 0.0), |s| (s.tilt_deg.to_radians(), s.at_jig_mm));
    let blank_right = plan
        .jig
        .blank_mm
        .iter()
        .map(|p| p.length())
        .fold(0.0, f64::max);
    let blank_left = side_reach(plan, side_out.map_or(0, |s| s.side));

    // Stock.
    drawing.add(
        Layer::Blank,
        Primitive::Closed(vec![
            at(-blank_left, 0.0),
            at(blank_right, 0.0),
            at(blank_right, stock),
            at(-blank_left, stock),
        ]),
    );
    // The level surface and, through corner and side, the cuts.
    let level = |x: f64| match settings.globe.base {
        Base::Sphere => (stack.base_mm.powi(2) - x * x).max(0.0).sqrt() - back,
        Base::Flat => stack.base_mm - back,
    };
    let left_out = match settings.globe.base {
        Base::Sphere => stack.base_mm * tilt.sin(),
        Base::Flat => stack.base_mm * tilt.tan(),
    };
    let steps = 60;
    let ground: Vec<DVec2> = (0..=steps)
        .map(|i| {
            let x = -left_out + (left_out + stack.corner_out_mm) * f64::from(i) / f64::from(steps);
            at(x, level(x))
        })
        .collect();
    drawing.add(Layer::Ground, Primitive::Open(ground));
    let corner_back = back * stack.corner_out_mm / (level(stack.corner_out_mm) + back);
    drawing.line(
        Layer::SawCut,
        at(corner_back, 0.0),
        at(stack.corner_out_mm, level(stack.corner_out_mm)),
    );
    drawing.line(
        Layer::SawCut,
        at(-jig_out, 0.0),
        at(-left_out, level(-left_out)),
    );
    // Pocket and boss.
    let reach = |points: &[(DVec2, f64)]| points.iter().map(|p| p.0.length()).fold(0.0, f64::max);
    let side = side_out.map_or(0, |s| s.side);
    let depth = stack.pocket_mm.unwrap_or(0.0);
    let seat = plan.jig.seat.as_ref();
    let pocket_right = seat.map_or(0.0, |seat| reach(&seat.pocket.points));
    // The boss is drawn below, where it stands before the blank is set on it.
    let under = -depth - 8.0;
    let base = settings.saw.base_mm.max(4.0);
    if let Some(seat) = seat {
        let pocket_left = flat_reach(plan, side, &seat.sharp_mm[0]);
        drawing.add(
            Layer::Pocket,
            Primitive::Open(vec![
                at(-pocket_left, 0.0),
                at(-pocket_left, depth),
                at(pocket_right, depth),
                at(pocket_right, 0.0),
            ]),
        );
        let boss_left = flat_reach(plan, side, &seat.sharp_mm[1]);
        let boss_right = reach(&seat.boss.points);
        drawing.add(
            Layer::Boss,
            Primitive::Open(vec![
                at(-blank_left, under),
                at(-boss_left, under),
                at(-boss_left, under + depth),
                at(boss_right, under + depth),
                at(boss_right, under),
                at(blank_right, under),
            ]),
        );
    }
    drawing.add(
        Layer::Boss,
        Primitive::Closed(vec![
            at(-blank_left, under - base),
            at(blank_right, under - base),
            at(blank_right, under),
            at(-blank_left, under),
        ]),
    );
    drawing.line(
        Layer::Axis,
        at(0.0, under - base - 4.0),
        at(0.0, stock + 6.0),
    );
    // Measures, each with a letter that the list below explains.
    let mut list: Vec<(char, String)> = Vec::new();
    let mut measure = |drawing: &mut Drawing, x: f64, low: f64, high: f64, text: String| {
        let letter = ('a'..='z').nth(list.len()).unwrap_or('?');
        let mut letter_y = 0.5 * (low + high);
        if high - low >= LEAST_ARROW {
            drawing.arrow(Layer::Measure, at(x, low), at(x, high), true);
        } else {
            // Too small for an arrow inside: two from outside that point at its ends.
            drawing.arrow(Layer::Measure, at(x, high + OUTSIDE), at(x, high), false);
            drawing.arrow(Layer::Measure, at(x, low - OUTSIDE), at(x, low), false);
            letter_y = high + 0.6 * OUTSIDE;
        }
        drawing.words(
            at(x + 1.2, letter_y - 0.4 * TEXT),
            TEXT,
            -1,
            letter.to_string(),
        );
        list.push((letter, text));
    };
    let right = blank_right + 6.0;
    measure(
        &mut drawing,
        right,
        0.0,
        stock,
        format!("stock: {}", say.text(stock)),
    );
    measure(
        &mut drawing,
        right + 8.0,
        stock - stack.skim_mm,
        stock,
        format!("left for clean-up: {}", say.text(stack.skim_mm)),
    );
    measure(
        &mut drawing,
        right + 16.0,
        0.0,
        stack.highest_mm,
        format!(
            "highest ground above the back: {}",
            say.text(stack.highest_mm)
        ),
    );
    if settings.globe.base == Base::Sphere {
        measure(
            &mut drawing,
            -blank_left - 6.0,
            level(stack.corner_out_mm),
            level(0.0),
            format!(
                "rise of the ball over the facet: {}",
                say.text(stack.rise_mm)
            ),
        );
    }
    let corner_top = stack.corner_mm.unwrap_or(stack.corner_least_mm);
    let corner_text = match stack.corner_mm {
        Some(corner) => format!(
            "thinnest corner: {} (could be {}; at least {})",
            say.at_most(corner),
            say.at_most(stack.corner_least_mm),
            say.at_least(stack.edge_mm)
        ),
        None => format!(
            "thinnest corner, at worst: {} (at least {})",
            say.at_most(stack.corner_least_mm),
            say.at_least(stack.edge_mm)
        ),
    };
    measure(
        &mut drawing,
        stack.corner_out_mm,
        0.0,
        corner_top,
        corner_text,
    );
    if let Some(over) = stack.over_mm {
        measure(
            &mut drawing,
            0.5 * pocket_right,
            0.0,
            depth,
            format!("pocket: {}", say.at_most(depth)),
        );
        measure(
            &mut drawing,
            pocket_right,
            depth,
            depth + over,
            format!(
                "wood over the pocket at the lowest ground: {} (at least {})",
                say.at_most(over),
                say.at_least(stack.over_least_mm)
            ),
        );
    }
    drawing.words(
        at(-blank_left + 2.0, under - 0.5 * base - 0.4 * TEXT),
        TEXT,
        -1,
        if seat.is_some() {
            "jig with boss"
        } else {
            "jig"
        },
    );
    // List and title.
    let mut y = under - base - 12.0;
    for (letter, text) in &list {
        drawing.words(at(-blank_left, y), TEXT, -1, format!("{letter}: {text}"));
        y -= 1.6 * TEXT;
    }
    for text in [
        "thick line: the level, where heights are 0; ground lies above and below it".to_owned(),
        format!(
            "relief, lowest to highest ground of the globe: {}",
            say.text(stack.relief_mm)
        ),
        format!(
            "saw tilt {:.2}° from vertical; cut line {} from the axis at the jig",
            stack.tilt_deg,
            say.text(jig_out)
        ),
        format!(
            "back of the blank {} from the globe's centre",
            say.text(back)
        ),
    ] {
        drawing.words(at(-blank_left, y), TEXT, -1, text);
        y -= 1.6 * TEXT;
    }
    // Both captions side by side need this much.
    let narrow = blank_left.min(blank_right) < 17.0 * 0.56 * TEXT;
    drawing.words(
        at(-blank_left + 2.0, stock + 2.0),
        TEXT,
        -1,
        if narrow { "side" } else { "through a side" },
    );
    drawing.words(
        at(blank_right - 2.0, stock + 2.0),
        TEXT,
        1,
        if narrow { "corner" } else { "through a corner" },
    );
    drawing.words(
        at(-blank_left, stock + 11.0),
        TITLE,
        -1,
        format!("Section of blank {}, true size", kind_letter(kind)),
    );
    drawing
}

/// Distance of a side of the blank from its middle.
fn side_reach(plan: &KindPlan, side: usize) -> f64 {
    let points = &plan.jig.blank_mm;
    let (a, b) = (points[side], points[(side + 1) % points.len()]);
    crate::shop::polygon::outward(a, b).dot(a)
}

/// How far a sharp-cornered outline reaches towards a side of the back.
fn flat_reach(plan: &KindPlan, side: usize, outline_mm: &[DVec2]) -> f64 {
    let back = &plan.jig.back_mm;
    let normal = crate::shop::polygon::outward(back[side], back[(side + 1) % back.len()]);
    let reaches = outline_mm.iter().map(|p| normal.dot(*p));
    reaches.fold(0.0, f64::max)
}

/// A mark at the index corner, the first of the outline: a small filled triangle that points to
/// it, as near to it as its base has room between the two sides.
pub fn index_mark(drawing: &mut Drawing, outline_mm: &[DVec2], middle: DVec2) {
    const LENGTH: f64 = 5.0;
    const HALF_WIDTH: f64 = 2.5;
    const FREE: f64 = 1.0;
    let corner = outline_mm[0];
    let inward = (middle - corner).normalize_or_zero();
    let last = outline_mm[outline_mm.len() - 1];
    // The narrower of the angles between the way inward and the two sides.
    let half = [outline_mm[1], last]
        .map(|next| inward.angle_to(next - corner).abs())
        .into_iter()
        .fold(std::f64::consts::FRAC_PI_2, f64::min);
    let base_at = ((HALF_WIDTH + FREE / half.cos().max(0.1)) / half.tan()).max(2.0 + LENGTH);
    let tip = corner + inward * (base_at - LENGTH);
    let base = tip + inward * LENGTH;
    let side = inward.perp() * HALF_WIDTH;
    drawing.add(
        Layer::IndexMark,
        Primitive::Filled(vec![tip, base + side, base - side]),
    );
}

/// The middle of a side.
pub fn middle_of(points: &[DVec2], side: usize) -> DVec2 {
    0.5 * (points[side] + points[(side + 1) % points.len()])
}

/// A blank, seen from the front as it lies on the machine; `facet_mm` is the finished facet at
/// the level, seams and all.
pub fn blank(kind: usize, plan: &KindPlan, facet_mm: &[DVec2], count: usize) -> Drawing {
    let jig = &plan.jig;
    let mut drawing = Drawing::default();
    drawing.add(Layer::Blank, Primitive::Closed(jig.blank_mm.clone()));
    drawing.add(Layer::Facet, Primitive::Closed(facet_mm.to_vec()));
    drawing.add(Layer::Back, Primitive::Closed(jig.back_mm.clone()));
    if let Some(seat) = &jig.seat {
        let rough = Primitive::Rounded(seat.pocket_rough.clone());
        drawing.add(Layer::Pocket, Primitive::Rounded(seat.pocket.clone()));
        drawing.add(Layer::PocketRough, rough);
    }
    for tab in &jig.tabs {
        drawing.add(Layer::Notch, Primitive::Closed(tab.notch_mm.clone()));
        drawing.add(Layer::Tab, Primitive::Closed(tab.tab_mm.clone()));
        let (low, high) = bounds(&tab.tab_mm);
        let out = middle_of(&jig.blank_mm, tab.side).normalize_or_zero();
        let text = if tab.glued { "glued" } else { "loose" };
        let at = 0.5 * (low + high) + out * 4.0 - DVec2::Y * 0.35 * TEXT;
        drawing.words(at, TEXT, 0, text);
    }
    drawing.axis_cross(DVec2::ZERO, 6.0);
    index_mark(&mut drawing, &jig.blank_mm, DVec2::ZERO);
    for side in 0..jig.blank_mm.len() {
        let middle = middle_of(&jig.blank_mm, side);
        let inner = middle_of(&jig.back_mm, side);
        let at = middle + (inner - middle).normalize_or_zero() * 5.0 - DVec2::Y * 0.35 * TEXT;
        drawing.words(at, TEXT, 0, format!("{}", side + 1));
    }
    let (low, high) = drawing.bounds();
    caption(
        &mut drawing,
        DVec2::new(low.x, high.y + 4.0),
        &format!(
            "Blank {}: {count} to cut, seen from the front, true size",
            kind_letter(kind)
        ),
    );
    let lines = [
        "solid: blank with trim; long dashes: finished facet; short dashes: back after the bevel",
        "blue: pocket in the back (fine dashes: roughing); grey: tabs and their notches in the back",
        "black triangle: index corner; numbers: sides, in the order of the seam sheet",
        "for work on the back see the drawings back-01 and so on, which are mirrored already",
    ];
    for (i, line) in lines.iter().enumerate() {
        let at = DVec2::new(low.x, low.y - 6.0 - 1.6 * TEXT * i as f64);
        drawing.words(at, TEXT, -1, *line);
    }
    drawing
}

/// What a drawing shows, above it.
pub fn caption(drawing: &mut Drawing, at: DVec2, text: &str) {
    drawing.words(at, TITLE, -1, text);
}

/// The jig: boss, axis, and the cut line of every side at the jig.
pub fn jig(kind: usize, plan: &KindPlan, say: Lengths) -> Drawing {
    let jig = &plan.jig;
    let mut drawing = Drawing::default();
    if let Some(seat) = &jig.seat {
        drawing.add(Layer::Boss, Primitive::Rounded(seat.boss.clone()));
        drawing.add(
            Layer::BossRough,
            Primitive::Rounded(seat.boss_rough.clone()),
        );
    }
    let clamp = crate::shop::polygon::inset(&jig.blank_mm, -jig.clamp_out_mm).unwrap_or_default();
    drawing.add(Layer::ClampLine, Primitive::Closed(clamp));
    drawing.axis_cross(DVec2::ZERO, 10.0);
    index_mark(&mut drawing, &jig.blank_mm, DVec2::ZERO);
    for side in &plan.saw {
        let (a, b) = (
            jig.back_mm[side.side],
            jig.back_mm[(side.side + 1) % jig.back_mm.len()],
        );
        let out = crate::shop::polygon::outward(a, b);
        let foot = out * out.dot(a);
        drawing.line(
            Layer::SawCut,
            a + (a - b).normalize_or_zero() * 6.0,
            b + (b - a).normalize_or_zero() * 6.0,
        );
        let at = foot + out * 6.0 - DVec2::Y * 0.35 * TEXT;
        drawing.words(
            at,
            TEXT,
            if out.x > 0.3 {
                -1
            } else if out.x < -0.3 {
                1
            } else {
                0
            },
            format!(
                "{}: {}, {:.2}°",
                side.side + 1,
                say.text(side.at_jig_mm),
                side.tilt_deg
            ),
        );
    }
    let (low, high) = drawing.bounds();
    caption(
        &mut drawing,
        DVec2::new(low.x, high.y + 4.0),
        &format!("Jig {}, seen from above, true size", kind_letter(kind)),
    );
    let lines = [
        "blue solid: boss (fine dashes: roughing); dash-dot: cut lines at the jig's surface",
        "each side: number, distance of the cut line from the axis, tilt from vertical",
        "outer dotted line: clamps and screws stay outside it while carving",
    ];
    for (i, line) in lines.iter().enumerate() {
        let at = DVec2::new(low.x, low.y - 6.0 - 1.6 * TEXT * i as f64);
        drawing.words(at, TEXT, -1, *line);
    }
    drawing
}

/// One board with its blanks.
pub fn board(number: usize, plan: &BlankPlan, kinds: &[KindPlan], say: Lengths) -> Drawing {
    let board = &plan.boards[number];
    let mut drawing = Drawing::default();
    // Type that can be read when a long board is shown on a small sheet.
    let type_mm = TITLE * (board.length_mm / 400.0).max(1.0);
    let (length, width) = (board.length_mm, board.width_mm);
    drawing.add(
        Layer::Board,
        Primitive::Closed(
            [(0.0, 0.0), (length, 0.0), (length, width), (0.0, width)]
                .map(DVec2::from)
                .to_vec(),
        ),
    );
    for placed in &plan.layout.boards[number] {
        let outline = placed.outline_mm(&plan.pieces);
        index_mark(&mut drawing, &outline, placed.middle);
        drawing.add(Layer::Blank, Primitive::Closed(outline));
        let size = (0.35 * bounds(&plan.pieces[placed.kind].outline_mm).1.min_element()).min(12.0);
        let faces = &kinds[placed.kind].faces;
        let label = match faces.get(placed.number) {
            Some(face) => facet_label(*face),
            None => "spare".to_owned(),
        };
        drawing.words(
            placed.middle - DVec2::Y * 0.35 * size,
            size,
            0,
            format!("{} {}", kind_letter(placed.kind), label),
        );
    }
    let grain = DVec2::new(0.0, width + 1.4 * type_mm);
    let reach = DVec2::X * 12.0 * type_mm;
    drawing.arrow(Layer::Grain, grain, grain + reach, true);
    let beside = DVec2::new(0.6 * type_mm, -0.35 * type_mm);
    drawing.words(grain + reach + beside, 0.8 * type_mm, -1, "grain");
    let title = format!(
        "Board {}: {} by {}",
        number + 1,
        say.text(length),
        say.text(width)
    );
    drawing.words(DVec2::new(0.0, width + 2.6 * type_mm), type_mm, -1, title);
    drawing
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shop::polygon::{distance_to_line, sides};

    /// A triangle as sharp as the corners of the solids with the most faces, and a square.
    #[test]
    fn the_index_mark_stays_inside_the_outline_however_sharp_its_corner() {
        let at = DVec2::new;
        for outline in [
            vec![at(0.0, 30.0), at(-8.0, -10.0), at(10.0, -12.0)],
            vec![
                at(20.0, 20.0),
                at(-20.0, 20.0),
                at(-20.0, -20.0),
                at(20.0, -20.0),
            ],
        ] {
            let mut drawing = Drawing::default();
            index_mark(&mut drawing, &outline, DVec2::ZERO);
            let Some((_, Primitive::Filled(mark))) = drawing.shapes.first() else {
                panic!("no mark");
            };
            for point in mark {
                let inside = sides(&outline).all(|(a, b)| (b - a).perp_dot(*point - a) > 0.0);
                let free = distance_to_line(&outline, *point);
                assert!(inside && free > 0.5, "{point} of {mark:?} at {free}");
            }
            assert!(mark[0].distance(outline[0]) < mark[1].distance(outline[0]));
        }
    }
}
