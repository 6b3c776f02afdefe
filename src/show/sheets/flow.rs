//! Text that runs over as many sheets as it needs: headings, items, boxes to tick.

use super::sheet::{HEAD_MM, MARGIN_MM, Sheet};
use super::type_size::wrapped;
use crate::show::pictures::text_width;
use glam::DVec2;

/// Heights of type, mm.
const TYPE: f64 = 3.2;
const TITLE: f64 = 4.6;

/// From one base line to the next, in type heights.
const LEADING: f64 = 1.4;

/// How far items stand in behind their box or dot, mm.
const INDENT: f64 = 6.0;

/// Sheets being filled from top to bottom.
pub struct Flow<'a> {
    size_mm: [f64; 2],
    heading: &'a str,
    foot: &'a str,
    sheets: Vec<Sheet>,
    y: f64,
}

impl<'a> Flow<'a> {
    /// Sheets of that size, all with the same heading and foot.
    pub fn new(size_mm: [f64; 2], heading: &'a str, foot: &'a str) -> Flow<'a> {
        let mut flow = Flow {
            size_mm,
            heading,
            foot,
            sheets: Vec::new(),
            y: 0.0,
        };
        flow.turn_over();
        flow
    }

    fn turn_over(&mut self) {
        let sheet = Sheet::printed(self.size_mm, self.heading, self.foot);
        self.sheets.push(sheet);
        self.y = MARGIN_MM + HEAD_MM;
    }

    /// The sheet with room for so much below what it holds.
    fn with_room(&mut self, height_mm: f64) {
        if self.y + height_mm > self.size_mm[1] - MARGIN_MM - 2.0 {
            self.turn_over();
        }
    }

    fn room_mm(&self) -> f64 {
        self.size_mm[0] - 2.0 * MARGIN_MM
    }

    /// A line of its own, with the next few lines on the same sheet.
    pub fn title(&mut self, words: &str) {
        self.with_room(TITLE * 2.5 + 4.0 * TYPE * LEADING);
        self.y += TITLE * 2.0;
        let at = DVec2::new(MARGIN_MM, self.y);
        self.sheet().words(at, TITLE, -1, words);
        self.y += 0.3 * TITLE;
    }

    /// A paragraph.
    pub fn plain(&mut self, words: &str) {
        self.item(words, 0.0, &[], |_, _| {});
    }

    /// An item with a box before it and, under it, one for each label.
    pub fn boxed(&mut self, words: &str, labels: &[String]) {
        self.item(words, INDENT, labels, |sheet, at| {
            sheet.tick_box(at, TYPE);
        });
    }

    /// An item of a list.
    pub fn bullet(&mut self, words: &str) {
        self.item(words, INDENT, &[], |sheet, at| {
            sheet.dot(at + DVec2::new(2.0, -0.35 * TYPE));
        });
    }

    fn item(
        &mut self,
        words: &str,
        indent: f64,
        labels: &[String],
        mark: impl Fn(&mut Sheet, DVec2),
    ) {
        let lines = wrapped(words, TYPE, self.room_mm() - indent);
        let step = TYPE * LEADING;
        self.with_room((lines.len() as f64 + if labels.is_empty() { 0.3 } else { 1.6 }) * step);
        self.y += 0.3 * step;
        for (i, line) in lines.iter().enumerate() {
            self.y += step;
            let at = DVec2::new(MARGIN_MM, self.y);
            if i == 0 {
                mark(self.sheet(), at);
            }
            self.sheet().words(at + DVec2::X * indent, TYPE, -1, line);
        }
        self.labels(labels, indent);
    }

    /// A box with each label, in rows.
    fn labels(&mut self, labels: &[String], indent: f64) {
        let widest = labels
            .iter()
            .map(|label| text_width(label, TYPE))
            .fold(0.0, f64::max);
        let step = widest + TYPE + 3.5;
        let per_row = ((self.room_mm() - indent) / step).floor().max(1.0) as usize;
        for row in labels.chunks(per_row) {
            let height = 1.25 * TYPE * LEADING;
            self.with_room(height);
            self.y += height;
            for (i, label) in row.iter().enumerate() {
                let at = DVec2::new(MARGIN_MM + indent + step * i as f64, self.y);
                self.sheet().tick_box(at, TYPE);
                self.sheet()
                    .words(at + DVec2::X * (TYPE + 1.0), TYPE, -1, label);
            }
        }
    }

    fn sheet(&mut self) -> &mut Sheet {
        let last = self.sheets.len() - 1;
        &mut self.sheets[last]
    }

    /// All sheets, numbered.
    pub fn finish(self, title: &str) -> Vec<String> {
        let count = self.sheets.len();
        let numbered = self.sheets.into_iter().enumerate().map(|(i, mut sheet)| {
            let at = sheet.size - DVec2::new(MARGIN_MM, 0.45 * MARGIN_MM);
            sheet.words(at, 2.6, 1, &format!("{} of {count}", i + 1));
            sheet.finish(title)
        });
        numbered.collect()
    }
}
