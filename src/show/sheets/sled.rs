//! The drawing of a sled.

use super::drawing::{Drawing, Layer, Primitive};
use crate::model::length::Lengths;
use crate::shop::kind_letter;
use crate::shop::plan::KindPlan;
use crate::shop::sled::{HANDS_MM, Sled};
use glam::DVec2;

/// Heights of type, mm.
const TITLE: f64 = 5.0;
const TEXT: f64 = 3.2;

/// Diameter of the pins, and half the width of stop and runner, mm: common practice, no source.
const PIN_MM: f64 = 6.0;
const HALF_STOP_MM: f64 = 12.0;
const HALF_RUNNER_MM: f64 = 9.5;

/// Radius of the pad that holds a blank down over its middle, mm.
const PAD_MM: f64 = 12.0;

/// A sled from above at true size, with the blank that it carries, for a saw that tilts to the
/// left.
pub fn sled(kind: usize, plan: &KindPlan, sled: &Sled, say: Lengths) -> Drawing {
    let mut drawing = Drawing::default();
    carried(&mut drawing, plan, sled);
    pins(&mut drawing, sled);
    holding(&mut drawing, sled);
    measures(&mut drawing, sled, say);
    words(&mut drawing, kind, sled, say);
    drawing
}

/// The plate, the blade's cut, and the blank on its boss.
fn carried(drawing: &mut Drawing, plan: &KindPlan, sled: &Sled) {
    let turn = DVec2::from_angle(sled.turned_rad);
    let turned = |points: &[DVec2]| {
        let points = points.iter().map(|point| turn.rotate(*point));
        Primitive::Closed(points.collect())
    };
    let (kerf, end) = (-sled.at_jig_mm, sled.half_length_mm);
    drawing.add(
        Layer::SledPlate,
        Primitive::rectangle(kerf, -end, sled.to_edge_mm, end),
    );
    let [near, far] = [-end - 15.0, end + 15.0].map(|y| DVec2::new(kerf, y));
    drawing.line(Layer::SawCut, near, far);
    drawing.add(Layer::Blank, turned(&plan.jig.blank_mm));
    drawing.add(Layer::Back, turned(&plan.jig.back_mm));
    if let Some(seat) = &plan.jig.seat {
        let mut boss = seat.boss.clone();
        let points = boss.points.iter_mut();
        points.for_each(|(point, _)| *point = turn.rotate(*point));
        drawing.add(Layer::Boss, Primitive::Rounded(boss));
    }
    for tab in &plan.jig.tabs {
        drawing.add(Layer::Tab, turned(&tab.tab_mm));
    }
}

/// The pin at the axis, and the hole for each side's.
fn pins(drawing: &mut Drawing, sled: &Sled) {
    drawing.axis_cross(DVec2::ZERO, 8.0);
    drawing.add(Layer::Pin, Primitive::Ring(DVec2::ZERO, 0.5 * PIN_MM));
    for (side, pin) in sled.sides.iter().zip(&sled.pins_mm) {
        drawing.add(Layer::Pin, Primitive::Ring(*pin, 0.5 * PIN_MM));
        let away = *pin + pin.normalize_or_zero() * (0.5 * PIN_MM + 3.0);
        let place = away - DVec2::Y * 0.35 * TEXT;
        drawing.words(place, TEXT, 0, (side + 1).to_string());
    }
}

/// Stop, hold-down, runner, and what hands keep clear of.
fn holding(drawing: &mut Drawing, sled: &Sled) {
    let (kerf, edge, end) = (-sled.at_jig_mm, sled.to_edge_mm, sled.half_length_mm);
    let (stop, clear) = (sled.blank_end_mm, kerf + 10.0);
    let stop_low = stop - 2.0 * HALF_STOP_MM;
    let block = Primitive::rectangle(clear.max(-30.0), stop_low, 30.0, stop);
    drawing.add(Layer::Stop, block);
    let hands = kerf + HANDS_MM;
    let [near, far] = [-end, end].map(|y| DVec2::new(hands, y));
    drawing.line(Layer::NoHands, near, far);
    let base = hands.max(0.0) + 20.0;
    drawing.add(Layer::Clamp, Primitive::Ring(DVec2::ZERO, PAD_MM));
    drawing.add(Layer::Clamp, Primitive::rectangle(PAD_MM, -6.0, base, 6.0));
    drawing.add(
        Layer::Clamp,
        Primitive::rectangle(base, -20.0, base + 40.0, 20.0),
    );
    let place = DVec2::new(base + 20.0, -0.35 * TEXT);
    drawing.words(place, TEXT, 0, "hold-down");
    let runner = edge - 2.5 * HALF_RUNNER_MM;
    let sides = (runner - HALF_RUNNER_MM, runner + HALF_RUNNER_MM);
    drawing.add(
        Layer::Runner,
        Primitive::rectangle(sides.0, -end, sides.1, end),
    );
}

/// Measures beyond the plate's two ends, and which way it is fed.
fn measures(drawing: &mut Drawing, sled: &Sled, say: Lengths) {
    let (kerf, edge, end) = (-sled.at_jig_mm, sled.to_edge_mm, sled.half_length_mm);
    let at = DVec2::new;
    let mut measure = |y: f64, from: f64, to: f64, text: String| {
        drawing.arrow(Layer::Measure, at(from, y), at(to, y), true);
        drawing.words(at(0.5 * (from + to), y + 1.5), TEXT, 0, text);
    };
    measure(end + 6.0, kerf, 0.0, say.text(sled.at_jig_mm));
    measure(end + 6.0, 0.0, edge, say.text(edge));
    let clear = format!("{}: no hands", say.at_least(HANDS_MM));
    measure(-end - 8.0, kerf, kerf + HANDS_MM, clear);
    let [from, to] = [-20.0, 20.0].map(|y| at(edge + 8.0, y));
    drawing.arrow(Layer::Measure, from, to, false);
    drawing.words(at(edge + 11.0, -0.4 * TEXT), TEXT, -1, "feed");
}

/// Title and what to know.
fn words(drawing: &mut Drawing, kind: usize, sled: &Sled, say: Lengths) {
    let (low, high) = drawing.bounds();
    let sides = sled.sides.iter().map(|side| (side + 1).to_string());
    let sides: Vec<String> = sides.collect();
    let title = format!(
        "Sled {} for sides {}, {:.2}°, from above, true size",
        kind_letter(kind),
        sides.join(", "),
        sled.tilt_deg
    );
    drawing.words(DVec2::new(low.x, high.y + 4.0), TITLE, -1, title);
    let table = match sled.at_table_mm {
        mm if mm < 0.0 => format!("{} beyond the axis", say.text(-mm)),
        mm => format!("{} from the axis", say.text(mm)),
    };
    let lines = [
        "drawn for a blade that tilts to the left, fence on the right; for one that tilts to the".to_owned(),
        "right turn the plate half round and put the stop at its other end: mirror nothing".to_owned(),
        format!("blade's near face at the table: {table}; fence to blade at the table: {}", say.text(sled.fence_mm)),
        "dash-dot: the cut at the board under the blank; the first pass trims board and plate there".to_owned(),
        "rings: pin at the axis, and the hole of each side's pin in the boss's board; the plate has one,".to_owned(),
        "where that of the side drawn lies".to_owned(),
        "dashed: a runner if you use one: its place from the axis is that of your saw's slot from the".to_owned(),
        "blade, at the table and tilted, less the distance above".to_owned(),
        "ring and arm: padded hold-down over the blank's middle; red: hands stay on the fence's side".to_owned(),
    ];
    for (i, line) in lines.into_iter().enumerate() {
        let place = DVec2::new(low.x, low.y - 6.0 - 1.6 * TEXT * i as f64);
        drawing.words(place, TEXT, -1, line);
    }
}
