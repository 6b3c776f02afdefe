//! Every blank as it lies for work on its back: seen from behind, so that nobody mirrors by hand.
//!
//! Up stays up and left becomes right. The number, an arrow to the index corner and one to north are
//! single lines for an engraving bit, on a layer of their own. What the mount takes is drawn too.

use super::drawing::{Drawing, Layer, Primitive, flipped};
use super::pieces::{caption, index_mark, middle_of};
use crate::model::geometry::{Frame, Solid};
use crate::model::settings::Settings;
use crate::shop::mount::north;
use crate::shop::plan::{KindPlan, Plan};
use crate::shop::polygon::Rounded;
use crate::shop::{facet_label, kind_letter};
use glam::DVec2;

/// Height of type, mm.
const TEXT: f64 = 3.2;

/// Deepest engraving, mm: a scratch that no thickness needs to allow for.
const ENGRAVED_MM: f64 = 0.3;

/// The most and least height of an engraved number, mm.
const NUMBER_MM: (f64, f64) = (4.0, 16.0);

/// Lines of the digits in a box 2 wide and 4 high, as places of it: `x` and `y` in turn.
#[rustfmt::skip]
const DIGITS: [&[&[(u8, u8)]]; 10] = [
    &[&[(0, 0), (2, 0), (2, 4), (0, 4), (0, 0)]],
    &[&[(0, 3), (1, 4), (1, 0)], &[(0, 0), (2, 0)]],
    &[&[(0, 3), (0, 4), (2, 4), (2, 2), (0, 2), (0, 0), (2, 0)]],
    &[&[(0, 4), (2, 4), (2, 0), (0, 0)], &[(0, 2), (2, 2)]],
    &[&[(0, 4), (0, 2), (2, 2)], &[(2, 4), (2, 0)]],
    &[&[(2, 4), (0, 4), (0, 2), (2, 2), (2, 0), (0, 0)]],
    &[&[(2, 4), (0, 4), (0, 0), (2, 0), (2, 2), (0, 2)]],
    &[&[(0, 4), (2, 4), (1, 0)]],
    &[&[(0, 2), (0, 4), (2, 4), (2, 0), (0, 0), (0, 2), (2, 2)]],
    &[&[(2, 2), (0, 2), (0, 4), (2, 4), (2, 0), (0, 0)]],
];

/// Lines of the letters of the two poles, in the same box.
const N: &[&[(u8, u8)]] = &[&[(0, 0), (0, 4), (2, 0), (2, 4)]];
const S: &[&[(u8, u8)]] = DIGITS[5];

/// The blank of a facet from behind, with what the mount takes of it.
pub fn back(face: usize, plan: &Plan, solid: &Solid, settings: &Settings) -> Drawing {
    let kind = solid.faces[face].kind;
    let (mount, plan, say) = (&plan.mount, &plan.kinds[kind], settings.lengths());
    let jig = &plan.jig;
    let mut drawing = Drawing::default();
    let outline = mirrored(&jig.blank_mm);
    drawing.add(Layer::Blank, Primitive::Closed(outline.clone()));
    drawing.add(Layer::Back, Primitive::Closed(mirrored(&jig.back_mm)));
    if let Some(seat) = &jig.seat {
        let rough = Primitive::Rounded(behind(&seat.pocket_rough));
        drawing.add(Layer::Pocket, Primitive::Rounded(behind(&seat.pocket)));
        drawing.add(Layer::PocketRough, rough);
    }
    for tab in &jig.tabs {
        drawing.add(Layer::Notch, Primitive::Closed(mirrored(&tab.notch_mm)));
    }
    drawing.axis_cross(DVec2::ZERO, 6.0);
    index_mark(&mut drawing, &outline, DVec2::ZERO);
    for side in 0..jig.blank_mm.len() {
        let at = flipped(middle_of(&jig.blank_mm, side));
        let inward = -at.normalize_or_zero() * 4.0;
        let place = at + inward - DVec2::Y * 0.35 * TEXT;
        drawing.words(place, TEXT, 0, format!("{}", side + 1));
    }
    let free_mm = free_mm(plan);
    engrave_number(&mut drawing, &facet_label(face), free_mm);
    engrave_north(&mut drawing, &solid.faces[face].frame, free_mm);
    let mounted = mount.as_ref().map_or(Vec::new(), |mount| {
        super::mount::on_back(&mut drawing, mount, solid, face, settings)
    });
    let (low, high) = drawing.bounds();
    caption(
        &mut drawing,
        DVec2::new(low.x, high.y + 4.0),
        &format!(
            "Facet {}, blank {}, from behind, true size",
            facet_label(face),
            kind_letter(kind)
        ),
    );
    let depth = match &plan.stack.pocket_mm {
        Some(depth) => format!("in the floor of the pocket, from {} down", say.text(*depth)),
        None => "in the back".to_owned(),
    };
    let mut lines = vec![
        "black: blank with trim; blue dashes: back after the bevel".to_owned(),
        "blue solid: pocket (fine dashes: roughing); grey dashes: notches for the tabs".to_owned(),
        format!(
            "red: number, long arrow to the index corner, short one to north, to engrave up to {} deep {depth}",
            say.at_most(ENGRAVED_MM)
        ),
        "already mirrored: cut it as it is, with the back up; numbers: sides".to_owned(),
    ];
    lines.extend(mounted);
    for (i, line) in lines.iter().enumerate() {
        let at = DVec2::new(low.x, low.y - 6.0 - 1.6 * TEXT * i as f64);
        drawing.words(at, TEXT, -1, line);
    }
    drawing
}

/// An outline from behind, still counter-clockwise and still from its first corner.
fn mirrored(points: &[DVec2]) -> Vec<DVec2> {
    let mut points: Vec<DVec2> = points.iter().map(|p| flipped(*p)).collect();
    points[1..].reverse();
    points
}

/// The same with round corners: each bulge belongs to the way from its point to the next, which is
/// now walked from the other end.
fn behind(outline: &Rounded) -> Rounded {
    let count = outline.points.len();
    let points = (0..count).rev().map(|i| {
        let before = outline.points[(i + count - 1) % count];
        (flipped(outline.points[i].0), before.1)
    });
    Rounded {
        points: points.collect(),
        ..outline.clone()
    }
}

/// How far from the middle a mark in the back stays clear of all edges, mm.
fn free_mm(plan: &KindPlan) -> f64 {
    let outline: Vec<DVec2> = match &plan.jig.seat {
        Some(seat) => seat.pocket.points.iter().map(|(p, _)| *p).collect(),
        None => plan.jig.back_mm.clone(),
    };
    crate::shop::polygon::distance_to_line(&outline, DVec2::ZERO)
}

/// Lines of a sign whose box's lower left corner lies at a place.
fn engrave(drawing: &mut Drawing, sign: &[&[(u8, u8)]], corner: DVec2, unit: f64) {
    for line in sign {
        let places = line.iter();
        let places = places.map(|(x, y)| corner + unit * DVec2::new(f64::from(*x), f64::from(*y)));
        let places: Vec<DVec2> = places.collect();
        let closed = places.len() > 2 && places.first() == places.last();
        drawing.add(
            Layer::Engrave,
            match closed {
                true => Primitive::Closed(places[1..].to_vec()),
                false => Primitive::Open(places),
            },
        );
    }
}

/// A line with two barbs at its end.
fn engrave_arrow(drawing: &mut Drawing, from: DVec2, tip: DVec2, head: f64) {
    drawing.line(Layer::Engrave, from, tip);
    let back = (from - tip).normalize_or_zero() * head;
    let barbs = [
        back + 0.5 * back.perp(),
        DVec2::ZERO,
        back - 0.5 * back.perp(),
    ];
    let barbs = barbs.map(|barb| tip + barb).to_vec();
    drawing.add(Layer::Engrave, Primitive::Open(barbs));
}

/// Height of the number on a back, mm.
fn number_mm(free_mm: f64) -> f64 {
    (0.55 * free_mm).clamp(NUMBER_MM.0, NUMBER_MM.1)
}

/// The number across the middle, and an arrow above it to the index corner.
fn engrave_number(drawing: &mut Drawing, label: &str, free_mm: f64) {
    let height = number_mm(free_mm);
    let unit = height / 4.0;
    let across = unit * (3.2 * label.len() as f64 - 1.2);
    for (i, digit) in label.chars().filter_map(|c| c.to_digit(10)).enumerate() {
        let corner = DVec2::new(unit * 3.2 * i as f64 - 0.5 * across, -0.75 * height);
        engrave(drawing, DIGITS[digit as usize], corner, unit);
    }
    let tip = DVec2::Y * 0.85 * free_mm.max(NUMBER_MM.0);
    engrave_arrow(drawing, DVec2::Y * 0.4 * height, tip, 0.3 * height);
}

/// A short arrow to north with its letter, to the right of the number; on a facet about a pole a
/// ring and the pole's letter.
fn engrave_north(drawing: &mut Drawing, frame: &Frame, free_mm: f64) {
    let middle = DVec2::new(0.7 * free_mm, 0.0);
    let (half, unit) = (0.14 * free_mm, 0.03 * free_mm);
    let letter = |at: DVec2| at - unit * DVec2::new(1.0, 2.0);
    match north(frame).map(flipped) {
        Ok(toward) => {
            let (from, tip) = (middle - half * toward, middle + half * toward);
            engrave_arrow(drawing, from, tip, 0.5 * half);
            engrave(drawing, N, letter(from - 3.2 * unit * toward), unit);
        }
        Err(pole) => {
            let sign = if pole.starts_with('N') { N } else { S };
            drawing.add(Layer::Engrave, Primitive::Ring(middle, half));
            engrave(drawing, sign, letter(middle), unit);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shop::polygon::{area, round_corners};
    use glam::DVec3;

    /// Looking at the back, the right hand is where the left hand was; a mirror twice is none.
    #[test]
    fn outlines_are_mirrored_left_to_right_and_keep_their_turn() {
        let front = [(0.0, 9.0), (-8.0, -3.0), (5.0, -6.0)]
            .map(DVec2::from)
            .to_vec();
        let from_behind = mirrored(&front);
        assert_eq!(from_behind[0], DVec2::new(0.0, 9.0));
        assert_eq!(from_behind[1], DVec2::new(-5.0, -6.0));
        assert!((area(&from_behind) - area(&front)).abs() < 1e-12);
        assert_eq!(mirrored(&from_behind), front);

        let rounded = round_corners(&front, 1.0).unwrap();
        let twice = behind(&behind(&rounded));
        assert!(
            (area(&behind(&rounded).flattened(1e-3)) - area(&rounded.flattened(1e-3))).abs() < 0.02
        );
        let find = |at: DVec2| twice.points.iter().any(|(p, _)| p.distance(at) < 1e-12);
        assert!(rounded.points.iter().all(|(p, _)| find(*p)));
        // Convex before and after: every bulge is a left turn.
        assert!(
            behind(&rounded)
                .points
                .iter()
                .all(|(_, bulge)| *bulge >= 0.0)
        );
    }

    /// The arrow to north stays clear of the number and of the wood's edge, whichever way it points.
    #[test]
    fn the_arrow_to_north_has_its_own_place() {
        for (free_mm, label) in [(4.0, "9"), (24.6, "05"), (60.0, "120")] {
            for i in 0..72 {
                let towards = DVec2::from_angle(f64::from(i) * 5f64.to_radians());
                let north = DVec3::new(towards.x, towards.y, 0.0);
                let frame = Frame::looking_along(DVec3::X, DVec3::Z);
                let turned = Frame {
                    x: frame.x * north.y + frame.y * north.x,
                    y: frame.y * north.y - frame.x * north.x,
                    ..frame
                };
                let (mut number, mut arrow) = (Drawing::default(), Drawing::default());
                engrave_number(&mut number, label, free_mm);
                engrave_north(&mut arrow, &turned, free_mm);
                let (low, high) = arrow.bounds();
                assert!(
                    low.abs().max(high.abs()).length() <= free_mm,
                    "{low} {high}"
                );
                // Small numbers may not be made smaller than a bit can cut.
                if free_mm > 8.0 {
                    assert!(low.x > number.bounds().1.x, "{low} {:?}", number.bounds());
                }
            }
        }
    }

    /// Digits as on a display of seven bars have so many bars: no two look alike.
    #[test]
    fn digits_are_all_different_and_lie_in_their_box() {
        for (i, digit) in DIGITS.iter().enumerate() {
            assert!(
                digit
                    .iter()
                    .flat_map(|line| line.iter())
                    .all(|(x, y)| *x <= 2 && *y <= 4)
            );
            assert!(
                digit
                    .iter()
                    .all(|line| line.windows(2).all(|pair| pair[0] != pair[1]))
            );
            assert!(DIGITS[..i].iter().all(|other| other != digit));
        }
    }
}
