//! Names of places on a picture, never over each other.
//!
//! Each place gets a dot and its name beside it, at the first of eight spots where both cover
//! nothing that is there already; a place for which there is none is left out. Places that matter
//! most come first.

use super::{INK, escape};
use std::fmt::Write;

/// Left, top, right and bottom; y down.
pub type Box4 = [f64; 4];

/// Widths of the letters from space to tilde in DejaVu Sans, hundredths of the type's size; few
/// fonts are wider.
#[rustfmt::skip]
const WIDTHS: [u8; 95] = [
    32, 41, 46, 84, 64, 96, 78, 28, 40, 40, 50, 84, 32, 37, 32, 34, 64, 64, 64, 64, 64, 64, 64, 64,
    64, 64, 34, 34, 84, 84, 84, 54, 100, 69, 69, 70, 78, 64, 58, 78, 76, 30, 30, 66, 56, 87, 75, 79,
    61, 79, 70, 64, 62, 74, 69, 99, 69, 62, 69, 40, 34, 40, 84, 50, 50, 62, 64, 55, 64, 62, 36, 64,
    64, 28, 28, 58, 28, 98, 64, 62, 64, 64, 42, 53, 40, 64, 60, 82, 60, 60, 53, 64, 34, 64, 84,
];

/// Width of any other letter, likewise: few are wider.
const OTHER_WIDTH: u8 = 84;

/// Width of a line of text.
pub fn text_width(text: &str, size: f64) -> f64 {
    let hundredths = text.chars().map(|c| {
        let i = (c as usize).wrapping_sub(' ' as usize);
        f64::from(*WIDTHS.get(i).unwrap_or(&OTHER_WIDTH))
    });
    0.01 * size * hundredths.sum::<f64>()
}

/// The box of a line of text whose middle is at `x` and whose base line is at `y`.
pub fn middle_box([x, y]: [f64; 2], size: f64, text: &str) -> Box4 {
    let half = 0.5 * text_width(text, size);
    [x - half, y - 0.8 * size, x + half, y + 0.25 * size]
}

fn overlap(a: &Box4, b: &Box4) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

/// A place that found room.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// Middle of its dot.
    pub dot: [f64; 2],
    /// Left end of the name's base line.
    pub at: [f64; 2],
    /// The name.
    pub text: String,
}

/// Names as they are placed on a picture.
#[derive(Debug, Clone)]
pub struct Labels {
    size: f64,
    taken: Vec<Box4>,
    placed: Vec<Label>,
}

impl Labels {
    /// None yet, of one size of type.
    pub fn new(size: f64) -> Labels {
        Labels {
            size,
            taken: Vec::new(),
            placed: Vec::new(),
        }
    }

    /// Radius of a dot.
    pub fn dot_radius(&self) -> f64 {
        0.17 * self.size
    }

    /// Nothing may be placed over this.
    pub fn keep_clear(&mut self, taken: Box4) {
        self.taken.push(taken);
    }

    /// The box of a name whose base line starts at a point, with a little air.
    fn name_box(&self, [x, y]: [f64; 2], text: &str) -> Box4 {
        let (size, air) = (self.size, 0.1 * self.size);
        let right = x + text_width(text, size);
        [
            x - air,
            y - 0.8 * size - air,
            right + air,
            y + 0.25 * size + air,
        ]
    }

    /// Places a name beside its dot where it is free and where `allowed` says that its box may be.
    pub fn place(&mut self, dot: [f64; 2], text: &str, allowed: impl Fn(&Box4) -> bool) {
        let [x, y] = dot;
        let (radius, size) = (self.dot_radius(), self.size);
        let dot_box = [x - radius, y - radius, x + radius, y + radius];
        let (width, off) = (text_width(text, size), 1.8 * radius);
        // Of the letters' height, this much stands above the middle of the line.
        let level = y + 0.28 * size;
        let (above, below) = (y - off - 0.3 * size, y + off + 0.85 * size);
        let (right, left, middle) = (x + off, x - off - width, x - 0.5 * width);
        let spots = [
            [right, level],
            [left, level],
            [middle, above],
            [middle, below],
            [right, above + 0.5 * size],
            [right, below - 0.5 * size],
            [left, above + 0.5 * size],
            [left, below - 0.5 * size],
        ];
        let free = |taken: &Box4| self.taken.iter().all(|other| !overlap(taken, other));
        if !allowed(&dot_box) || !free(&dot_box) {
            return;
        }
        let spot = spots.into_iter().find(|at| {
            let name_box = self.name_box(*at, text);
            allowed(&name_box) && free(&name_box)
        });
        if let Some(at) = spot {
            self.taken.push(dot_box);
            self.taken.push(self.name_box(at, text));
            self.placed.push(Label {
                dot,
                at,
                text: text.to_owned(),
            });
        }
    }

    /// What found room.
    pub fn placed(&self) -> &[Label] {
        &self.placed
    }

    /// The names as a group of SVG that a style sheet can turn off.
    pub fn svg(&self) -> String {
        let mut out = String::from("<g class=\"place\">\n");
        let (size, radius) = (self.size, self.dot_radius());
        for Label { dot, at, text } in &self.placed {
            let _ = writeln!(
                out,
                "<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"{radius:.2}\" fill=\"{INK}\" \
                 stroke=\"#ffffff\" stroke-width=\"{:.2}\"/><text x=\"{:.2}\" y=\"{:.2}\" \
                 font-size=\"{size:.2}\" fill=\"{INK}\" stroke=\"#ffffff\" stroke-width=\"{:.2}\" \
                 stroke-linejoin=\"round\" paint-order=\"stroke\">{}</text>",
                dot[0],
                dot[1],
                0.4 * radius,
                at[0],
                at[1],
                0.22 * size,
                escape(text)
            );
        }
        out.push_str("</g>\n");
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::bodies::bodies;
    use crate::model::places::places;
    use crate::model::settings::Settings;
    use resvg::usvg::{Options, Tree};

    /// Width of a line as the library that draws it finds it.
    fn drawn_width(text: &str) -> f64 {
        let svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"2000\" height=\"100\">\
             <text x=\"10\" y=\"60\" font-size=\"40\" font-family=\"DejaVu Sans\">{}</text></svg>",
            escape(text)
        );
        let options = Options {
            fontdb: super::super::fonts(),
            ..Options::default()
        };
        let tree = Tree::from_str(&svg, &options).unwrap();
        f64::from(tree.root().abs_bounding_box().width())
    }

    /// No name is drawn wider than it is thought to be, and none much narrower.
    #[test]
    fn names_are_as_wide_as_the_font_draws_them() {
        let settings = Settings::default();
        for body in bodies() {
            for place in places(Some(body.name), &settings) {
                let (thought, drawn) = (text_width(&place.name, 40.0), drawn_width(&place.name));
                assert!(drawn <= thought + 1.0, "{}: {drawn} {thought}", place.name);
                assert!(drawn > 0.75 * thought, "{}: {drawn} {thought}", place.name);
            }
        }
    }

    #[test]
    fn names_keep_clear_of_each_other_and_of_what_is_there() {
        let mut labels = Labels::new(10.0);
        let number = [40.0, 40.0, 60.0, 60.0];
        labels.keep_clear(number);
        let inside = |b: &Box4| b[0] >= 0.0 && b[1] >= 0.0 && b[2] <= 300.0 && b[3] <= 200.0;
        labels.place([50.0, 50.0], "under the number", inside);
        assert_eq!(labels.placed().len(), 0);
        // At the right edge there is room on the left alone.
        labels.place([295.0, 100.0], "edge", inside);
        assert!(labels.placed()[0].at[0] < 295.0 - text_width("edge", 10.0));
        for i in 0..400 {
            let (x, y) = (f64::from(i * 37 % 300), f64::from(i * 53 % 200));
            labels.place([x, y], &format!("place {i}"), inside);
        }
        let placed = labels.placed();
        assert!(placed.len() > 30, "{}", placed.len());
        let boxes = |label: &Label| {
            let ([x, y], [left, base]) = (label.dot, label.at);
            let right = left + text_width(&label.text, 10.0);
            [[x, y, x, y], [left, base - 7.0, right, base + 2.0]]
        };
        for (i, one) in placed.iter().enumerate() {
            for mine in boxes(one) {
                assert!(inside(&mine), "{one:?}");
                assert!(!overlap(&mine, &number), "{one:?}");
                for other in &placed[..i] {
                    for theirs in boxes(other) {
                        assert!(!overlap(&mine, &theirs), "{one:?} {other:?}");
                    }
                }
            }
        }
    }
}
