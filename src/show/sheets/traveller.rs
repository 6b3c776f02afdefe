//! The traveller: sheets that go through the shop with the work and are ticked off on the way.
//!
//! A cover with the whole job, a box for every piece of it, and a sheet for each facet that holds
//! every number its blank needs from the board to the ball.

use super::drawing::{Drawing, Layer, Primitive};
use super::facet_outline;
use super::flow::Flow;
use super::ground::{View, Window};
use super::joining::{hand, step};
use super::pieces::index_mark;
use super::section::time;
use super::sheet::{HEAD_MM, MARGIN_MM, Sheet};
use super::type_size::{fitted, wrapped};
use crate::Result;
use crate::carve::fit::Fit;
use crate::carve::resample::Sampler;
use crate::model::geometry::{Solid, lat_lon_deg, place_name};
use crate::model::parallel;
use crate::model::settings::{Base, Settings};
use crate::output::image_file;
use crate::shop::cautions::CAUTIONS;
use crate::shop::plan::{KindPlan, Operation, Plan, paper_mm};
use crate::shop::polygon::{bounds, holds, outward};
use crate::shop::{facet_label, kind_letter, seam_label};
use crate::show::pictures::text_width;
use crate::show::pictures::{grey_png, picture};
use glam::DVec2;

/// Type of the facets' sheets, and from line to line, mm.
const TYPE: f64 = 2.7;
const STEP: f64 = 4.1;

/// Number of a facet on its sheet, mm.
const NUMBER: f64 = 9.0;

/// Names of what lies on it, mm.
const NAMES: f64 = 4.0;

/// Room round the picture of a facet for what stands at its sides, mm.
const AROUND_MM: f64 = 7.0;

/// The smallest picture that still shows anything, mm.
const LEAST_PICTURE_MM: f64 = 40.0;

/// Pixels to the mm of paper: a hundred dots to the inch show what ground it is.
const PIXELS_PER_MM: f64 = 4.0;

/// Stands at the foot of every sheet.
const FOOT: &str = "Print at 100 % and measure. The manuals of your machines come first.";

/// What the sheets are made from.
pub struct Traveller<'a> {
    pub solid: &'a Solid,
    pub fit: &'a Fit,
    pub plan: &'a Plan,
    pub sampler: Option<&'a Sampler>,
    pub settings: &'a Settings,
    /// Names of what lies on a facet, by its index.
    pub names: &'a (dyn Fn(usize) -> Vec<String> + Sync),
}

impl Traveller<'_> {
    /// The cover, then a sheet for each facet.
    ///
    /// # Errors
    /// [`crate::Error::Disk`] if a picture cannot be encoded.
    pub fn pages(&self) -> Result<Vec<String>> {
        let mut pages = self.cover();
        let faces = self.solid.faces.len();
        pages.extend(parallel::try_indexed(faces, &|face| self.facet(face))?);
        Ok(pages)
    }

    fn cover(&self) -> Vec<String> {
        let say = self.settings.lengths();
        let (plan, settings) = (self.plan, self.settings);
        let heading = format!("{}: the whole job", settings.name);
        let mut flow = Flow::new(paper_mm(settings.paper.size), &heading, FOOT);
        flow.plain(&format!(
            "One {} of {} facets for a globe of {}, from stock of {}. A sheet for each facet follows \
             and goes with its blank, with a box for every cut; here a piece is ticked when a step \
             is done with it. The same numbers stand in plan.md and plan.json.",
            self.solid.name.replace('-', " "),
            self.solid.faces.len(),
            say.text(settings.globe.diameter_mm),
            say.text(settings.stock.thickness_mm)
        ));
        let list = |flow: &mut Flow<'_>, list: &[&str]| {
            list.iter().for_each(|caution| flow.bullet(caution));
        };
        let [(first, before), others @ ..] = &CAUTIONS;
        flow.title(first);
        list(&mut flow, before);
        flow.title("Work");
        for (i, operation) in plan.work.iter().enumerate() {
            let minutes = operation
                .minutes
                .map(|minutes| format!("; {}", time(Some(minutes))));
            let text = format!(
                "{}. {} ({}; {}{})",
                i + 1,
                operation.what,
                operation.counted(),
                operation.tool,
                minutes.unwrap_or_default()
            );
            flow.boxed(&text, &operation.pieces);
        }
        flow.title("Glue-up");
        for index in 0..plan.glue.len() {
            flow.boxed(&format!("{}. {}", index + 1, step(index, plan)), &[]);
        }
        flow.title("Cautions");
        for (what, cautions) in others {
            flow.plain(&format!("{what}:"));
            list(&mut flow, cautions);
        }
        flow.finish("Traveller: the whole job")
    }

    /// The sheet of one facet.
    fn facet(&self, face: usize) -> Result<String> {
        let label = facet_label(face);
        let heading = format!(
            "{}: facet {label} of {}",
            self.settings.name,
            self.solid.faces.len()
        );
        let mut sheet = Sheet::printed(paper_mm(self.settings.paper.size), &heading, FOOT);
        let room = sheet.size.x - 2.0 * MARGIN_MM;
        let mut y = self.number(&mut sheet, face, &label);
        let parts = [
            self.facts(face),
            self.before_the_saw(face),
            self.sides(face),
            self.after(face),
        ];
        let heights: f64 = parts.iter().map(|part| part.height_mm(room)).sum();
        let left = sheet.size.y - MARGIN_MM - 1.0 - y - heights;
        let place = DVec2::new(room, left.max(LEAST_PICTURE_MM));
        self.picture(&mut sheet, face, DVec2::new(MARGIN_MM, y), place)?;
        y += place.y;
        for part in &parts {
            y = part.draw(&mut sheet, y, room);
        }
        Ok(sheet.finish(&heading))
    }

    /// Number, names and place at the top; how far down they reach.
    fn number(&self, sheet: &mut Sheet, face: usize, label: &str) -> f64 {
        let y = MARGIN_MM + HEAD_MM + NUMBER * 0.8;
        let at = DVec2::new(MARGIN_MM, y);
        sheet.words(at, NUMBER, -1, label);
        let beside = at + DVec2::X * (text_width(label, NUMBER) + 4.0);
        let room = sheet.size.x - MARGIN_MM - beside.x;
        let names = (self.names)(face).join(", ");
        let (lat_deg, lon_deg) = lat_lon_deg(self.solid.faces[face].frame.z);
        let place = format!(
            "blank {}; its middle lies at {}",
            kind_letter(self.solid.faces[face].kind),
            place_name(lat_deg, lon_deg)
        );
        if names.is_empty() {
            sheet.words(beside, NAMES, -1, &place);
        } else {
            let size = fitted(&names, NAMES, room);
            sheet.words(beside - DVec2::Y * (TYPE + 1.6), size, -1, &names);
            sheet.words(beside, TYPE, -1, &place);
        }
        y + 2.5
    }

    fn kind(&self, face: usize) -> &KindPlan {
        &self.plan.kinds[self.solid.faces[face].kind]
    }

    /// The facet seen from the front, as large as the place allows, up to true size.
    fn picture(
        &self,
        sheet: &mut Sheet,
        face: usize,
        upper_left: DVec2,
        place: DVec2,
    ) -> Result<()> {
        let outline = facet_outline(self.solid, self.fit, face, self.settings);
        let (low, high) = bounds(&outline);
        let free = place - 2.0 * AROUND_MM;
        let share = (free / (high - low)).min_element().min(1.0);
        let paper = |points: &[DVec2]| points.iter().map(|p| *p * share).collect::<Vec<_>>();
        let outline = paper(&outline);
        let (low, high) = (low * share, high * share);
        let middle = upper_left + 0.5 * place;
        // The drawing's point at the sheet's upper left.
        let origin = 0.5 * (low + high) + DVec2::new(-middle.x, middle.y);
        if let Some(sampler) = self.sampler {
            let window = Window::new(low, high, PIXELS_PER_MM);
            let mut grey = window.blank();
            window.paint(
                &mut grey,
                &View {
                    sampler,
                    share,
                    bounds: (low, high),
                    towards: &|at| self.towards(face, at / share),
                    inside: &|at| holds(&outline, at, 0.0),
                },
            );
            let corner = [
                low.x - origin.x,
                origin.y - high.y,
                high.x - low.x,
                high.y - low.y,
            ];
            sheet.add(format_args!(
                "{}",
                picture(&grey_png(&grey)?, corner).trim_end()
            ));
        }
        let corners = paper(&self.fit.kinds[self.solid.faces[face].kind].corners_mm);
        sheet.drawing(&self.marks(face, &outline, &corners), origin);
        let size = match share {
            share if share >= 1.0 => "true size".to_owned(),
            share => format!("{:.0} % of true size", (share * 100.0).floor()),
        };
        let caption = format!("seen from the front, {size}");
        sheet.quiet(upper_left + DVec2::Y * TYPE, TYPE, &caption);
        Ok(())
    }

    /// Direction of the ground at a place of the facet, mm, seen from the front.
    fn towards(&self, face: usize, at: DVec2) -> glam::DVec3 {
        let spec = &self.fit.facets[face];
        let z = match spec.base {
            Base::Sphere => (spec.radius_mm.powi(2) - at.length_squared())
                .max(0.0)
                .sqrt(),
            Base::Flat => spec.base_distance_mm,
        };
        self.solid.faces[face]
            .frame
            .to_body(at.extend(z))
            .normalize()
    }

    /// Outline, axis, index corner and what lies across each side.
    fn marks(&self, face: usize, outline: &[DVec2], corners: &[DVec2]) -> Drawing {
        let mut drawing = Drawing::default();
        drawing.add(Layer::Facet, Primitive::Closed(outline.to_vec()));
        drawing.axis_cross(DVec2::ZERO, 4.0);
        index_mark(&mut drawing, corners, DVec2::ZERO);
        let per_side = outline.len() / corners.len().max(1);
        for row in &self.plan.sheet[face] {
            let words = format!(
                "{}: {}, {}",
                row.side + 1,
                seam_label(row.seam),
                facet_label(row.neighbour)
            );
            let (from, to) = (corners[row.side], corners[(row.side + 1) % corners.len()]);
            let out = outward(from, to);
            let edge = outline[row.side * per_side + per_side / 2];
            // Half the words' box towards the edge: steep sides need more.
            let half = 0.5 * text_width(&words, TYPE) * out.x.abs() + 0.4 * TYPE * out.y.abs();
            let at = edge + out * (half + 1.2) - DVec2::Y * 0.36 * TYPE;
            drawing.words(at, TYPE, 0, words);
        }
        drawing
    }

    /// What the machines are told.
    fn facts(&self, face: usize) -> Part {
        let say = self.settings.lengths();
        let (spec, kind) = (&self.fit.facets[face], self.kind(face));
        let pixel = spec.pixel_mm;
        let size = |pixels: usize| say.text(pixels as f64 * pixel);
        let (low, high) = bounds(&kind.jig.blank_mm);
        let corner = kind.stack.corner_mm.unwrap_or(kind.stack.corner_least_mm);
        let mut rows = vec![
            (
                "blank",
                format!(
                    "{}: {} wide, {} from index corner to the far side, {} thick; thinnest corner {}",
                    kind_letter(self.solid.faces[face].kind),
                    say.text(high.x - low.x),
                    say.text(high.y - low.y),
                    say.text(kind.stack.stock_mm),
                    say.at_most(corner)
                ),
            ),
            (
                "image",
                format!(
                    "{}: {} × {} pixels of {}, which is {} by {}",
                    image_file(&facet_label(face), self.settings.image.format),
                    spec.width_px,
                    spec.height_px,
                    say.precise(pixel),
                    size(spec.width_px),
                    size(spec.height_px)
                ),
            ),
            (
                "levels",
                format!(
                    "black {}, white {} above the back of the blank",
                    say.text(spec.black_mm),
                    say.text(spec.white_mm)
                ),
            ),
            (
                "origin",
                "X and Y 0 in the middle of the image, on the jig's axis, Y to the index corner; Z 0 at \
                 the back of the blank, which is the top of the jig"
                    .to_owned(),
            ),
        ];
        if let Some(depth) = kind.stack.pocket_mm {
            rows.push(("pocket", format!("{} deep in the back", say.at_most(depth))));
        }
        if !kind.jig.tabs.is_empty() {
            let tabs = kind.jig.tabs.iter().map(|tab| {
                let how = if tab.glued { "glued" } else { "loose" };
                format!("side {} {how}", tab.side + 1)
            });
            let tabs: Vec<String> = tabs.collect();
            rows.push((
                "tabs",
                format!(
                    "{} wide, notches {} deep in the back: {}",
                    say.text(self.settings.jig.tab_width_mm()),
                    say.text(self.settings.tab_thickness_mm()),
                    tabs.join(", ")
                ),
            ));
        }
        let rows = rows.into_iter();
        Part {
            title: String::new(),
            columns: vec![Column::words(""), Column::wide("")],
            rows: rows
                .map(|(what, text)| vec![what.to_owned(), text])
                .collect(),
        }
    }

    /// Steps of the work list with this facet in them, up to the first cut of the saw.
    fn before_the_saw(&self, face: usize) -> Part {
        let here = |operation: &&Operation| {
            operation.pieces.contains(&facet_label(face)) && operation.unit != "cut"
        };
        let rows = self.plan.work.iter().filter(here).map(|operation| {
            let kind = self.solid.faces[face].kind;
            let minutes = operation.each_minutes.get(kind).copied();
            vec![
                String::new(),
                operation.what.clone(),
                operation.tool.clone(),
                time(minutes),
            ]
        });
        Part {
            title: "Before the saw".to_owned(),
            columns: vec![
                Column::tick(""),
                Column::wide("what"),
                Column::wide("tool"),
                Column::words("machine time"),
            ],
            rows: rows.collect(),
        }
    }

    /// Every side: its cut, its seam, its joint.
    fn sides(&self, face: usize) -> Part {
        let kind = self.kind(face);
        let jointed = self.plan.sheet[face]
            .iter()
            .any(|row| self.plan.joints[row.seam].fitting.is_some());
        let mut columns = vec![
            Column::tick("sawn"),
            Column::words("side"),
            Column::words("sled"),
            Column::words("seam"),
            Column::words("next facet"),
            Column::words("tilt from vertical"),
            Column::words("blade to table"),
            Column::words("cut from axis, at jig"),
            Column::words("at stock's top"),
            Column::words("blade above table"),
            Column::words("highest wood"),
            Column::words("from left corner"),
        ];
        if jointed {
            columns.extend([
                Column::words("joint"),
                Column::words("from back"),
                Column::words("deep"),
                Column::words("longer"),
                Column::tick("joint cut"),
            ]);
        }
        let rows = kind.saw_order.iter().map(|&side| {
            let mut cells = self.cut(face, side);
            if jointed {
                cells.extend(self.joint(face, side));
            }
            cells
        });
        Part {
            title: format!(
                "Saw in this order, facing each side with the facet face up; lengths in {}",
                self.settings.lengths().unit_word()
            ),
            columns,
            rows: rows.collect(),
        }
    }

    /// What the saw needs to know of a side.
    fn cut(&self, face: usize, side: usize) -> Vec<String> {
        let say = self.settings.lengths();
        let (kind, row) = (self.kind(face), &self.plan.sheet[face][side]);
        let letter = kind_letter(self.solid.faces[face].kind);
        let sled = kind
            .sleds
            .iter()
            .position(|sled| sled.sides.contains(&side));
        let saw = &kind.saw[row.side];
        let next_side = self.solid.faces[face].edges[row.side].neighbour_edge + 1;
        let from_left = row.wood.from_left_mm;
        vec![
            String::new(),
            (row.side + 1).to_string(),
            sled.map_or("-".to_owned(), |i| format!("{letter}{}", i + 1)),
            seam_label(row.seam),
            format!("{}, side {next_side}", facet_label(row.neighbour)),
            format!("{:.2}°", row.tilt_deg),
            format!("{:.2}°", saw.table_deg),
            say.number(saw.at_jig_mm),
            say.number(saw.at_top_mm),
            say.number_at_least(row.blade_mm),
            say.number_at_least(row.wood.height_mm),
            from_left.map_or("anywhere".to_owned(), |mm| say.number(mm)),
        ]
    }

    /// What the slots or holes of a side need to know.
    fn joint(&self, face: usize, side: usize) -> [String; 5] {
        let say = self.settings.lengths();
        let seam = self.plan.sheet[face][side].seam;
        let joint = &self.plan.joints[seam];
        let Some(fitting) = joint.fitting else {
            return ["glue alone", "-", "-", "-", "-"].map(str::to_owned);
        };
        let lower = usize::from(self.solid.seams[seam].faces[0] != face);
        // Left and right change places across the seam.
        let way = if lower == 0 { 1.0 } else { -1.0 };
        [
            fitting.name.to_owned(),
            say.number(joint.from_back_mm[lower]),
            say.number(fitting.deep_mm),
            hand(joint.longer_mm[lower] * way, "-", say),
            String::new(),
        ]
    }

    /// The glue-up as far as it has to do with this facet.
    fn after(&self, face: usize) -> Part {
        let steps = self.plan.glue.iter().enumerate();
        let rows = steps.filter_map(|(index, glue)| {
            let now = self.plan.sheet[face].iter();
            let now = now.filter(|row| glue.seams.contains(&row.seam)).map(|row| {
                let neighbour = facet_label(row.neighbour);
                format!("{} to facet {neighbour}", seam_label(row.seam))
            });
            let now = now.collect::<Vec<_>>().join(", ");
            let text = format!("step {} on the cover: {now}", index + 1);
            (!now.is_empty()).then(|| vec![String::new(), String::new(), text])
        });
        Part {
            title: String::new(),
            columns: vec![
                Column::tick("dry fit"),
                Column::tick("glued"),
                Column::wide("glue-up"),
            ],
            rows: rows.collect(),
        }
    }
}

/// A column of a part: what stands over it, and how it takes room.
struct Column {
    head: &'static str,
    sort: Sort,
}

#[derive(PartialEq)]
enum Sort {
    /// A box in every row that says nothing.
    Tick,
    /// As wide as its longest words.
    Words,
    /// Whatever room is left, in lines.
    Wide,
}

impl Column {
    fn tick(head: &'static str) -> Column {
        Column {
            head,
            sort: Sort::Tick,
        }
    }

    fn words(head: &'static str) -> Column {
        Column {
            head,
            sort: Sort::Words,
        }
    }

    fn wide(head: &'static str) -> Column {
        Column {
            head,
            sort: Sort::Wide,
        }
    }
}

/// Between two columns, mm.
const GAP: f64 = 2.4;

/// A titled table of a facet's sheet.
struct Part {
    title: String,
    columns: Vec<Column>,
    rows: Vec<Vec<String>>,
}

/// A table with its words broken into lines: for each row and column the lines, where columns
/// begin, and the height of the type.
struct Laid {
    heads: Vec<Vec<String>>,
    cells: Vec<Vec<Vec<String>>>,
    left: Vec<f64>,
    size: f64,
}

impl Part {
    /// Words over a column are broken at every space but within the wide ones.
    fn laid(&self, room: f64) -> Laid {
        let heads: Vec<Vec<String>> = self
            .columns
            .iter()
            .map(|column| match column.head {
                "" => Vec::new(),
                head => wrapped(head, TYPE, 13.0),
            })
            .collect();
        let longest = |index: usize| {
            let cells = self.rows.iter().map(|row| row[index].as_str());
            let heads = heads[index].iter().map(String::as_str);
            cells
                .chain(heads)
                .map(|words| text_width(words, TYPE))
                .fold(TYPE, f64::max)
        };
        let wide = self
            .columns
            .iter()
            .filter(|column| column.sort == Sort::Wide)
            .count();
        let fixed = |index: usize| match self.columns[index].sort {
            Sort::Wide => 0.0,
            _ => longest(index),
        };
        let narrow: f64 = (0..self.columns.len()).map(fixed).sum();
        let gaps = GAP * (self.columns.len() - 1) as f64;
        // Where nothing can be broken, the type gives way.
        let size = if wide == 0 {
            TYPE * ((room - gaps) / narrow).min(1.0)
        } else {
            TYPE
        };
        // The first of two wide columns has twice the room of the second.
        let share = (room - gaps - narrow) / if wide == 2 { 3.0 } else { 1.0 };
        let mut left = vec![0.0];
        let mut widths = Vec::new();
        for (index, column) in self.columns.iter().enumerate() {
            let first = wide == 2
                && self.columns[index + 1..]
                    .iter()
                    .any(|c| c.sort == Sort::Wide);
            let own = match (&column.sort, first) {
                (Sort::Wide, true) => 2.0 * share,
                (Sort::Wide, false) => share,
                _ => longest(index) * size / TYPE,
            };
            widths.push(own);
            left.push(left[index] + own + GAP);
        }
        let cells = self.rows.iter().map(|row| {
            let cells = row.iter().zip(&self.columns).zip(&widths);
            let cells = cells.map(|((words, column), own)| match column.sort {
                Sort::Wide => wrapped(words, TYPE, *own),
                _ => vec![words.clone()],
            });
            cells.collect()
        });
        Laid {
            cells: cells.collect(),
            heads,
            left,
            size,
        }
    }

    fn height_mm(&self, room: f64) -> f64 {
        if self.rows.is_empty() {
            return 0.0;
        }
        let laid = self.laid(room);
        let lines: usize = laid.cells.iter().map(|row| lines(row)).sum();
        let title = usize::from(!self.title.is_empty());
        (lines + lines_of(&laid.heads) + title) as f64 * STEP + 0.5 * STEP
    }

    /// Draws the part from a height down, and says where it ends.
    fn draw(&self, sheet: &mut Sheet, from_y: f64, room: f64) -> f64 {
        if self.rows.is_empty() {
            return from_y;
        }
        let laid = self.laid(room);
        let mut y = from_y + 0.3 * STEP;
        let put = |sheet: &mut Sheet, row: &[Vec<String>], y: &mut f64, quiet: bool| {
            let count = lines(row);
            for (cell, x) in row.iter().zip(&laid.left) {
                for (i, words) in cell.iter().enumerate() {
                    let down = if quiet { count - cell.len() + i } else { i };
                    let at = DVec2::new(MARGIN_MM + x, *y + (down + 1) as f64 * STEP - 1.0);
                    match quiet {
                        true => sheet.quiet(at, laid.size, words),
                        false => sheet.words(at, laid.size, -1, words),
                    }
                }
            }
            *y += count as f64 * STEP;
        };
        if !self.title.is_empty() {
            sheet.words(
                DVec2::new(MARGIN_MM, y + STEP - 1.0),
                1.1 * TYPE,
                -1,
                &self.title,
            );
            y += STEP;
        }
        put(sheet, &laid.heads, &mut y, true);
        for (row, words) in laid.cells.iter().zip(&self.rows) {
            let top = y;
            put(sheet, row, &mut y, false);
            for ((column, x), words) in self.columns.iter().zip(&laid.left).zip(words) {
                if column.sort == Sort::Tick && words.is_empty() {
                    let at = DVec2::new(MARGIN_MM + x, top + STEP - 1.0);
                    sheet.tick_box(at, 1.05 * TYPE);
                }
            }
        }
        y + 0.2 * STEP
    }
}

fn lines(row: &[Vec<String>]) -> usize {
    row.iter().map(Vec::len).max().unwrap_or(0)
}

fn lines_of(heads: &[Vec<String>]) -> usize {
    lines(heads)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carve::fit::{fit_anywhere, limits};
    use crate::model::curve::Curve;
    use crate::model::length::Lengths;
    use crate::model::settings::{Paper, ReliefRange};
    use crate::shop::plan::PlanInput;
    use crate::shop::planning::plan;
    use crate::show::pictures::fonts;
    use svg2pdf::usvg::{Group, Node, Options, Rect, Tree};

    /// A globe in the thinnest stock that does, with its plan.
    fn planned(name: &str, diameter_mm: f64, paper: Paper) -> (Solid, Settings, Fit, Plan) {
        let solid = Solid::named(name).unwrap();
        let unit = Curve {
            name: "linear".into(),
            knots_m: vec![-0.5, 0.5],
            knots_mm: vec![-0.5, 0.5],
        };
        let mut settings = Settings {
            name: "A world with a name that is rather long for a sheet of paper's head".into(),
            ..Settings::default()
        };
        settings.globe.solid = name.into();
        settings.globe.diameter_mm = diameter_mm;
        settings.relief.range = ReliefRange::Mm(4.0);
        settings.stock.edge_mm = 22.0;
        settings.jig.bit_mm = 3.0;
        settings.paper.size = paper;
        let least = limits(&solid, &unit, 4.0, &settings).least_stock_mm;
        settings.stock.thickness_mm = least.unwrap();
        let fit = fit_anywhere(&solid, &unit, &settings).unwrap();
        let plan = plan(&PlanInput {
            solid: &solid,
            fit: &fit,
            ground: None,
            corners_mm: None,
            body: None,
            settings: &settings,
        });
        (solid, settings, fit, plan.unwrap())
    }

    /// Words of a sheet and the room they take in print, mm, as another renderer lays them out.
    fn words(svg: &str) -> Vec<(String, Rect)> {
        fn of(group: &Group, list: &mut Vec<(String, Rect)>) {
            for node in group.children() {
                match node {
                    Node::Group(group) => of(group, list),
                    Node::Text(text) => {
                        let chunks = text.chunks().iter().map(|chunk| chunk.text());
                        list.push((chunks.collect(), text.abs_bounding_box()));
                    }
                    _ => {}
                }
            }
        }
        let options = Options {
            font_family: "DejaVu Sans".into(),
            fontdb: fonts(),
            ..Options::default()
        };
        let tree = Tree::from_str(svg, &options).unwrap();
        let mut list = Vec::new();
        of(tree.root(), &mut list);
        let scale = 1.0 / (96.0 / 25.4_f32);
        for (_, place) in &mut list {
            let [x, y, w, h] = [place.x(), place.y(), place.width(), place.height()];
            *place = Rect::from_xywh(x * scale, y * scale, w * scale, h * scale).unwrap();
        }
        list
    }

    /// Whoever follows a facet's sheet needs no other: every number of the plan is on it, and a box
    /// for each cut.
    #[test]
    fn a_facet_s_sheet_has_every_number_and_a_box_for_each_cut() {
        let (solid, settings, fit, plan) = planned("rhombic-triacontahedron", 200.0, Paper::A4);
        let traveller = Traveller {
            solid: &solid,
            fit: &fit,
            plan: &plan,
            sampler: None,
            settings: &settings,
            names: &|face| vec![format!("Name {face}")],
        };
        for face in [0, 17, 29] {
            let page = traveller.facet(face).unwrap();
            let words: Vec<String> = words(&page).into_iter().map(|(text, _)| text).collect();
            let all = words.join(" ");
            let spec = &fit.facets[face];
            let mut wanted = vec![
                facet_label(face),
                format!("Name {face}"),
                format!("facets/{}.png", facet_label(face)),
                format!(
                    "{} × {} pixels of {} mm",
                    spec.width_px, spec.height_px, spec.pixel_mm
                ),
                format!(
                    "black {}, white {}",
                    Lengths::METRIC.text(spec.black_mm),
                    Lengths::METRIC.text(spec.white_mm)
                ),
                "true size".to_owned(),
            ];
            for row in &plan.sheet[face] {
                let saw = &plan.kinds[0].saw[row.side];
                wanted.extend([
                    seam_label(row.seam),
                    format!("{}, side", facet_label(row.neighbour)),
                    format!("{:.2}°", row.tilt_deg),
                    Lengths::METRIC.number(saw.at_jig_mm),
                    Lengths::METRIC.number(saw.at_top_mm),
                    Lengths::METRIC.number_at_least(row.blade_mm),
                ]);
                if let Some(fitting) = plan.joints[row.seam].fitting {
                    wanted.push(fitting.name.to_owned());
                }
            }
            for text in wanted {
                assert!(all.contains(&text), "facet {face}: no {text:?} in {all}");
            }
            let boxes = page.matches("stroke-width=\"0.3\"/>").count();
            let steps = plan
                .work
                .iter()
                .filter(|o| o.pieces.contains(&facet_label(face)));
            let steps = steps.filter(|o| o.unit != "cut").count();
            let joints = plan.sheet[face].iter();
            let joints = joints
                .filter(|row| plan.joints[row.seam].fitting.is_some())
                .count();
            let glue = traveller.after(face).rows.len();
            assert_eq!(boxes, steps + plan.sheet[face].len() + joints + 2 * glue);
        }
        // The cover has a box for every piece that a step is done to.
        let cover = traveller.cover().concat();
        let boxes = cover.matches("stroke-width=\"0.3\"/>").count();
        let pieces: usize = plan.work.iter().map(|o| o.pieces.len()).sum();
        assert_eq!(boxes, pieces + plan.work.len() + plan.glue.len());
    }

    /// 25.4 mm to the inch: the ruler's ends are where they say.
    #[test]
    fn the_ruler_is_100_mm_and_4_in_long() {
        let sheet = Sheet::printed([210.0, 297.0], "head", "foot").finish("sheet");
        let lines: Vec<Vec<f64>> = sheet
            .split("<path d=\"M")
            .skip(1)
            .map(|way| {
                let way = way.split('"').next().unwrap();
                way.split([' ', 'L'])
                    .filter_map(|n| n.parse().ok())
                    .collect()
            })
            .collect();
        for length in [100.0, 101.6] {
            let found = lines
                .iter()
                .filter(|l| l[1] == l[3] && (l[2] - l[0] - length).abs() < 1e-9);
            assert_eq!(found.count(), 1, "{length}");
        }
        // Ticks of inches below the line, of centimetres above it.
        let y = 297.0 - 6.8;
        let ticks = |up: f64| {
            lines
                .iter()
                .filter(move |l| l[0] == l[2] && l[1] == y && (l[3] - y) * up > 0.0)
        };
        assert_eq!((ticks(-1.0).count(), ticks(1.0).count()), (11, 5));
    }
}
