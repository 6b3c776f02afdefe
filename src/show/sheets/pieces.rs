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
    let mut section = Section::of(plan, settings);
    section.stock();
    section.ground_and_cuts();
    section.jig();
    let list = section.measures();
    section.words(kind, &list);
    section.drawing
}

/// A section while it is drawn. The axis of the facet is x = 0, its back y = 0; lengths in mm.
struct Section<'a> {
    drawing: Drawing,
    plan: &'a KindPlan,
    settings: &'a Settings,
    say: Lengths,
    /// The side to the left, how far to it the cut is at the jig, and how far the blank.
    side: usize,
    jig_out: f64,
    blank_left: f64,
    /// How far the blank reaches to its corner.
    blank_right: f64,
    /// How far the level surface reaches to the cut on the left.
    left_out: f64,
    /// Top of the board below the boss, and its thickness.
    under: f64,
    base: f64,
}

impl Section<'_> {
    fn of<'a>(plan: &'a KindPlan, settings: &'a Settings) -> Section<'a> {
        let stack = &plan.stack;
        let steepest = plan.saw.iter();
        let steepest = steepest.max_by(|a, b| a.tilt_deg.total_cmp(&b.tilt_deg));
        let (side, tilt, jig_out) = steepest.map_or((0, 0.0, 0.0), |side| {
            (side.side, side.tilt_deg.to_radians(), side.at_jig_mm)
        });
        let corners = plan.jig.blank_mm.iter();
        Section {
            drawing: Drawing::default(),
            plan,
            settings,
            say: settings.lengths(),
            side,
            jig_out,
            blank_left: side_reach(plan, side),
            blank_right: corners.map(|corner| corner.length()).fold(0.0, f64::max),
            left_out: match settings.globe.base {
                Base::Sphere => stack.base_mm * tilt.sin(),
                Base::Flat => stack.base_mm * tilt.tan(),
            },
            // The boss is drawn where it stands before the blank is set on it.
            under: -stack.pocket_mm.unwrap_or(0.0) - 8.0,
            base: settings.saw.base_mm.max(4.0),
        }
    }

    /// Height of the level surface above the back.
    fn level(&self, x: f64) -> f64 {
        let stack = &self.plan.stack;
        match self.settings.globe.base {
            Base::Sphere => (stack.base_mm.powi(2) - x * x).max(0.0).sqrt() - stack.back_plane_mm,
            Base::Flat => stack.base_mm - stack.back_plane_mm,
        }
    }

    /// From edge to edge of the blank.
    fn across(&mut self, layer: Layer, low: f64, high: f64) {
        let shape = Primitive::rectangle(-self.blank_left, low, self.blank_right, high);
        self.drawing.add(layer, shape);
    }

    fn open(&mut self, layer: Layer, points: &[(f64, f64)]) {
        let points = points.iter().copied().map(DVec2::from).collect();
        self.drawing.add(layer, Primitive::Open(points));
    }

    fn stock(&mut self) {
        self.across(Layer::Blank, 0.0, self.plan.stack.stock_mm);
    }

    /// The level surface and, through corner and side, the cuts.
    fn ground_and_cuts(&mut self) {
        const STEPS: usize = 60;
        let (left, right) = (-self.left_out, self.plan.stack.corner_out_mm);
        let step = |i: usize| left + (right - left) * i as f64 / STEPS as f64;
        let ground: Vec<(f64, f64)> = (0..=STEPS)
            .map(|i| (step(i), self.level(step(i))))
            .collect();
        self.open(Layer::Ground, &ground);
        let (corner, back) = (self.level(right), self.plan.stack.back_plane_mm);
        let corner_back = back * right / (corner + back);
        self.open(Layer::SawCut, &[(corner_back, 0.0), (right, corner)]);
        let side = (left, self.level(left));
        self.open(Layer::SawCut, &[(-self.jig_out, 0.0), side]);
    }

    /// How far the pocket reaches to the corner.
    fn pocket_right(&self) -> f64 {
        let seat = self.plan.jig.seat.as_ref();
        seat.map_or(0.0, |seat| farthest(&seat.pocket.points))
    }

    /// Pocket, boss and the board below.
    fn jig(&mut self) {
        let depth = self.plan.stack.pocket_mm.unwrap_or(0.0);
        let (under, plan) = (self.under, self.plan);
        if let Some(seat) = &plan.jig.seat {
            let [pocket_left, boss_left] =
                [0, 1].map(|outline| -flat_reach(plan, self.side, &seat.sharp_mm[outline]));
            let (pocket_right, boss_right) = (self.pocket_right(), farthest(&seat.boss.points));
            let pocket = [
                (pocket_left, 0.0),
                (pocket_left, depth),
                (pocket_right, depth),
                (pocket_right, 0.0),
            ];
            self.open(Layer::Pocket, &pocket);
            let boss = [
                (-self.blank_left, under),
                (boss_left, under),
                (boss_left, under + depth),
                (boss_right, under + depth),
                (boss_right, under),
                (self.blank_right, under),
            ];
            self.open(Layer::Boss, &boss);
        }
        self.across(Layer::Boss, under - self.base, under);
        let ends = [under - self.base - 4.0, plan.stack.stock_mm + 6.0];
        let [low, high] = ends.map(|y| DVec2::new(0.0, y));
        self.drawing.line(Layer::Axis, low, high);
    }

    /// The measures, each with a letter; what the letters mean.
    fn measures(&mut self) -> Vec<String> {
        let (say, stack) = (self.say, &self.plan.stack);
        let mut all: Vec<(f64, [f64; 2], String)> = Vec::new();
        let mut add = |x: f64, ends: [f64; 2], text: String| all.push((x, ends, text));
        let (stock, right) = (stack.stock_mm, self.blank_right + 6.0);
        add(right, [0.0, stock], format!("stock: {}", say.text(stock)));
        let clean_up = format!("left for clean-up: {}", say.text(stack.skim_mm));
        add(right + 8.0, [stock - stack.skim_mm, stock], clean_up);
        let highest = say.text(stack.highest_mm);
        let highest = format!("highest ground above the back: {highest}");
        add(right + 16.0, [0.0, stack.highest_mm], highest);
        if self.settings.globe.base == Base::Sphere {
            let ends = [self.level(stack.corner_out_mm), self.level(0.0)];
            let rise = say.text(stack.rise_mm);
            let rise = format!("rise of the ball over the facet: {rise}");
            add(-self.blank_left - 6.0, ends, rise);
        }
        let corner = stack.corner_mm.unwrap_or(stack.corner_least_mm);
        add(stack.corner_out_mm, [0.0, corner], self.corner_text());
        if let Some(over) = stack.over_mm {
            let (depth, edge) = (stack.pocket_mm.unwrap_or(0.0), self.pocket_right());
            let pocket = format!("pocket: {}", say.at_most(depth));
            add(0.5 * edge, [0.0, depth], pocket);
            let wood = format!(
                "wood over the pocket at the lowest ground: {} (at least {})",
                say.at_most(over),
                say.at_least(stack.over_least_mm)
            );
            add(edge, [depth, depth + over], wood);
        }
        let named = all.into_iter().zip('a'..='z');
        let named = named.map(|((x, ends, text), letter)| {
            self.measure(x, ends, letter);
            format!("{letter}: {text}")
        });
        named.collect()
    }

    fn corner_text(&self) -> String {
        let (say, stack) = (self.say, &self.plan.stack);
        let least = say.at_least(stack.edge_mm);
        let worst = say.at_most(stack.corner_least_mm);
        match stack.corner_mm {
            Some(corner) => format!(
                "thinnest corner: {} (could be {worst}; at least {least})",
                say.at_most(corner)
            ),
            None => format!("thinnest corner, at worst: {worst} (at least {least})"),
        }
    }

    fn measure(&mut self, x: f64, [low, high]: [f64; 2], letter: char) {
        let mut letter_y = 0.5 * (low + high);
        let at = |y: f64| DVec2::new(x, y);
        let drawing = &mut self.drawing;
        if high - low >= LEAST_ARROW {
            drawing.arrow(Layer::Measure, at(low), at(high), true);
        } else {
            // Too small for an arrow inside: two from outside that point at its ends.
            drawing.arrow(Layer::Measure, at(high + OUTSIDE), at(high), false);
            drawing.arrow(Layer::Measure, at(low - OUTSIDE), at(low), false);
            letter_y = high + 0.6 * OUTSIDE;
        }
        let place = DVec2::new(x + 1.2, letter_y - 0.4 * TEXT);
        drawing.words(place, TEXT, -1, letter.to_string());
    }

    /// Captions, the list of measures, and the title.
    fn words(&mut self, kind: usize, list: &[String]) {
        let (say, stack) = (self.say, &self.plan.stack);
        let (left, right, under) = (-self.blank_left, self.blank_right, self.under);
        let (stock, drawing) = (stack.stock_mm, &mut self.drawing);
        let jig = match self.plan.jig.seat {
            Some(_) => "jig with boss",
            None => "jig",
        };
        let at = DVec2::new;
        let place = at(left + 2.0, under - 0.5 * self.base - 0.4 * TEXT);
        drawing.words(place, TEXT, -1, jig);
        let general = [
            "thick line: the level, where heights are 0; ground lies above and below it".to_owned(),
            format!(
                "relief, lowest to highest ground of the globe: {}",
                say.text(stack.relief_mm)
            ),
            format!(
                "saw tilt {:.2}° from vertical; cut line {} from the axis at the jig",
                stack.tilt_deg,
                say.text(self.jig_out)
            ),
            format!(
                "back of the blank {} from the globe's centre",
                say.text(stack.back_plane_mm)
            ),
        ];
        let mut y = under - self.base - 12.0;
        for text in list.iter().chain(&general) {
            drawing.words(at(left, y), TEXT, -1, text.as_str());
            y -= 1.6 * TEXT;
        }
        // Both captions side by side need this much.
        let narrow = self.blank_left.min(right) < 17.0 * 0.56 * TEXT;
        let [side, corner] = match narrow {
            true => ["side", "corner"],
            false => ["through a side", "through a corner"],
        };
        drawing.words(at(left + 2.0, stock + 2.0), TEXT, -1, side);
        drawing.words(at(right - 2.0, stock + 2.0), TEXT, 1, corner);
        let title = format!("Section of blank {}, true size", kind_letter(kind));
        drawing.words(at(left, stock + 11.0), TITLE, -1, title);
    }
}

/// Distance of the farthest point of a rounded outline from the axis.
fn farthest(points: &[(DVec2, f64)]) -> f64 {
    points
        .iter()
        .map(|point| point.0.length())
        .fold(0.0, f64::max)
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
    drawing.add(Layer::Board, Primitive::rectangle(0.0, 0.0, length, width));
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
