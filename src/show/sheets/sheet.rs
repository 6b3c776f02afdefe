//! A sheet of paper being drawn: SVG, 1 unit = 1 mm, y down, and what stands on every sheet.

use super::drawing::Drawing;
use super::type_size::{anchor_name, fitted, wrapped};
use crate::show::pictures::text_width;
use crate::show::pictures::{INK, QUIET, escape};
use glam::DVec2;
use std::fmt::{Arguments, Write};

/// Paper left free at every edge of a sheet, mm: most printers need half of it.
pub const MARGIN_MM: f64 = 10.0;

/// Room for the heading at the top of each sheet, mm.
pub const HEAD_MM: f64 = 8.0;

/// Type of headings, mm.
const HEADING: f64 = 4.0;

/// Type of what stands in the margin, mm.
const FOOT: f64 = 2.4;

/// From the lower edge to the ruler's line, mm.
const RULER_UP_MM: f64 = 6.8;

/// Lengths of the ruler's two scales, mm: 100 mm and 4 in.
pub const RULER_MM: [f64; 2] = [100.0, 101.6];

/// Room for a sheet's number at the lower right, mm.
const NUMBER_MM: f64 = 12.0;

/// Paper left free around a drawing that stands alone, mm.
const BORDER_MM: f64 = 8.0;

/// Arms of the marks at the corners, mm.
const MARK_MM: f64 = 3.0;

/// One sheet.
pub struct Sheet {
    /// Width and height, mm.
    pub size: DVec2,
    body: String,
}

impl Sheet {
    /// An empty sheet.
    pub fn new(size: DVec2) -> Sheet {
        let body = String::new();
        Sheet { size, body }
    }

    /// A sheet for a printer: its heading, a mark at every corner of what may be drawn on, and a
    /// ruler that shows whether it was printed at its size. `foot` stands beside the ruler.
    pub fn printed(size_mm: [f64; 2], heading: &str, foot: &str) -> Sheet {
        let mut sheet = Sheet::new(DVec2::from_array(size_mm));
        sheet.heading(heading);
        sheet.corner_marks();
        let ruler = DVec2::new(MARGIN_MM, sheet.size.y - RULER_UP_MM);
        sheet.ruler(ruler);
        let beside = MARGIN_MM + RULER_MM[1] + text_width("100 mm ", FOOT) + 2.0;
        let lines = wrapped(foot, FOOT, sheet.size.x - MARGIN_MM - NUMBER_MM - beside);
        for (i, line) in lines.iter().enumerate() {
            let at = DVec2::new(beside, ruler.y + (i as f64 - 0.2) * 1.25 * FOOT);
            sheet.quiet(at, FOOT, line);
        }
        sheet
    }

    /// Words at the top, in type that fits.
    pub fn heading(&mut self, words: &str) {
        let size = fitted(words, HEADING, self.size.x - 2.0 * MARGIN_MM);
        self.words(DVec2::new(MARGIN_MM, MARGIN_MM + 4.6), size, -1, words);
    }

    /// A drawing alone on a sheet of its own size.
    pub fn alone(drawing: &Drawing, title: &str) -> String {
        let (low, high) = drawing.bounds();
        let (low, high) = (low - BORDER_MM, high + BORDER_MM);
        let mut sheet = Sheet::new(high - low);
        sheet.drawing(drawing, DVec2::new(low.x, high.y));
        sheet.finish(title)
    }

    /// Adds SVG.
    pub fn add(&mut self, element: Arguments<'_>) {
        // Writing to a string cannot fail.
        let _ = self.body.write_fmt(element);
        self.body.push('\n');
    }

    /// Words on a base line: −1 for those that begin there, 0 for the middle, 1 for the end.
    pub fn words(&mut self, at: DVec2, size_mm: f64, anchor: i8, words: &str) {
        self.set(at, size_mm, anchor, INK, words);
    }

    /// Words that say less.
    pub fn quiet(&mut self, at: DVec2, size_mm: f64, words: &str) {
        self.set(at, size_mm, -1, QUIET, words);
    }

    fn set(&mut self, at: DVec2, size_mm: f64, anchor: i8, colour: &str, words: &str) {
        let anchor = anchor_name(anchor);
        self.add(format_args!(
            "<text x=\"{:.2}\" y=\"{:.2}\" font-size=\"{size_mm:.2}\" text-anchor=\"{anchor}\" \
             fill=\"{colour}\">{}</text>",
            at.x,
            at.y,
            escape(words)
        ));
    }

    /// A straight line.
    pub fn line(&mut self, from: DVec2, to: DVec2, width_mm: f64) {
        self.add(format_args!(
            "<path d=\"M{:.3} {:.3} L{:.3} {:.3}\" fill=\"none\" stroke=\"{INK}\" \
             stroke-width=\"{width_mm}\"/>",
            from.x, from.y, to.x, to.y
        ));
    }

    /// A box to tick beside words of that height, its lower left on their base line.
    pub fn tick_box(&mut self, at: DVec2, size_mm: f64) {
        self.add(format_args!(
            "<rect x=\"{:.2}\" y=\"{:.2}\" width=\"{size_mm:.2}\" height=\"{size_mm:.2}\" \
             fill=\"none\" stroke=\"{INK}\" stroke-width=\"0.3\"/>",
            at.x,
            at.y + 0.1 * size_mm - size_mm
        ));
    }

    /// A dot before an item of a list.
    pub fn dot(&mut self, at: DVec2) {
        self.add(format_args!(
            "<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"0.6\" fill=\"{INK}\"/>",
            at.x, at.y
        ));
    }

    /// A drawing with its point `origin` (y up) at the sheet's upper left.
    pub fn drawing(&mut self, drawing: &Drawing, origin: DVec2) {
        self.body.push_str(&drawing.svg_layers(origin, 1.0));
    }

    fn corner_marks(&mut self) {
        let [x, y] = [self.size.x, self.size.y];
        for at in [
            DVec2::splat(MARGIN_MM),
            DVec2::new(x - MARGIN_MM, MARGIN_MM),
            DVec2::new(MARGIN_MM, y - MARGIN_MM),
            DVec2::new(x - MARGIN_MM, y - MARGIN_MM),
        ] {
            // Outwards only: what is drawn begins there.
            let out = (at - 0.5 * self.size).signum() * MARK_MM;
            self.line(at, at + DVec2::new(out.x, 0.0), 0.18);
            self.line(at, at + DVec2::new(0.0, out.y), 0.18);
        }
    }

    /// 100 mm above a line and 4 in below it, from its left end.
    fn ruler(&mut self, at: DVec2) {
        for (length, step, up, unit) in [
            (RULER_MM[0], 10.0, -1.0, "100 mm"),
            (RULER_MM[1], 25.4, 1.0, "4 in"),
        ] {
            self.line(at, at + DVec2::X * length, 0.18);
            for i in 0..=(length / step).round() as usize {
                let from = at + DVec2::X * step * i as f64;
                let long = if i % 5 == 0 || up > 0.0 { 1.8 } else { 1.1 };
                self.line(from, from + DVec2::Y * up * long, 0.18);
            }
            let y = if up < 0.0 { -0.3 } else { FOOT };
            let end = at + DVec2::new(RULER_MM[1] + 1.0, y);
            self.quiet(end, FOOT, unit);
        }
    }

    /// The sheet as an SVG at true size.
    pub fn finish(self, title: &str) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w:.3}mm\" height=\"{h:.3}mm\" \
             viewBox=\"0 0 {w:.3} {h:.3}\" font-family=\"DejaVu Sans, sans-serif\">\n\
             <title>{}</title>\n<rect width=\"{w:.3}\" height=\"{h:.3}\" fill=\"#ffffff\"/>\n{}</svg>\n",
            escape(title),
            self.body,
            w = self.size.x,
            h = self.size.y,
        )
    }
}
