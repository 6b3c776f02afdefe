//! The few shapes the pictures need, as SVG text.

use std::fmt::Write;

/// An SVG being written; units are pixels, y down.
#[derive(Debug, Clone)]
pub struct Svg {
    text: String,
}

impl Svg {
    /// An empty drawing.
    pub fn new(width: u32, height: u32) -> Svg {
        Svg {
            text: format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
                 viewBox=\"0 0 {width} {height}\" font-family=\"DejaVu Sans\">\n"
            ),
        }
    }

    /// The whole drawing.
    pub fn finish(mut self) -> String {
        self.text.push_str("</svg>\n");
        self.text
    }

    fn add(&mut self, element: std::fmt::Arguments<'_>) {
        // Writing to a string cannot fail.
        let _ = self.text.write_fmt(element);
        self.text.push('\n');
    }

    /// Markup of another drawing in the same units.
    pub fn raw(&mut self, markup: &str) {
        self.text.push_str(markup);
    }

    /// Text; `anchor` is `start`, `middle` or `end`.
    pub fn text(&mut self, x: f64, y: f64, size: f64, anchor: &str, colour: &str, text: &str) {
        self.add(format_args!(
            "<text x=\"{x:.2}\" y=\"{y:.2}\" font-size=\"{size:.2}\" text-anchor=\"{anchor}\" \
             fill=\"{colour}\">{}</text>",
            escape(text)
        ));
    }

    /// Heavy text: the font has one weight, a thin line round each letter makes it bold.
    pub fn bold(&mut self, x: f64, y: f64, size: f64, anchor: &str, colour: &str, text: &str) {
        let line = size * 0.045;
        self.add(format_args!(
            "<text x=\"{x:.2}\" y=\"{y:.2}\" font-size=\"{size:.2}\" text-anchor=\"{anchor}\" \
             fill=\"{colour}\" stroke=\"{colour}\" stroke-width=\"{line:.2}\" \
             stroke-linejoin=\"round\">{}</text>",
            escape(text)
        ));
    }

    /// A filled polygon.
    pub fn filled(&mut self, points: &[[f64; 2]], colour: &str) {
        let points = list(points);
        self.add(format_args!(
            "<polygon points=\"{points}\" fill=\"{colour}\"/>"
        ));
    }

    /// A closed line.
    pub fn outline(&mut self, points: &[[f64; 2]], width: f64, colour: &str) {
        let points = list(points);
        self.add(format_args!(
            "<polygon points=\"{points}\" fill=\"none\" stroke=\"{colour}\" \
             stroke-width=\"{width:.2}\" stroke-linejoin=\"round\"/>"
        ));
    }

    /// A straight line with round ends.
    pub fn line(&mut self, from: [f64; 2], to: [f64; 2], width: f64, colour: &str) {
        self.add(format_args!(
            "<line x1=\"{:.2}\" y1=\"{:.2}\" x2=\"{:.2}\" y2=\"{:.2}\" stroke=\"{colour}\" \
             stroke-width=\"{width:.2}\" stroke-linecap=\"round\"/>",
            from[0], from[1], to[0], to[1]
        ));
    }

    /// A ring, or a disc when `width` is 0.
    pub fn circle(&mut self, centre: [f64; 2], radius: f64, width: f64, colour: &str) {
        let [x, y] = centre;
        let fill = if width > 0.0 { "none" } else { colour };
        self.add(format_args!(
            "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{radius:.2}\" fill=\"{fill}\" \
             stroke=\"{colour}\" stroke-width=\"{width:.2}\"/>"
        ));
    }

    /// An arrow of the given length along a unit direction (x right, y UP), centred.
    pub fn arrow(&mut self, centre: [f64; 2], toward: [f64; 2], length: f64, colour: &str) {
        let [dx, dy] = [toward[0], -toward[1]];
        let at = |along: f64, aside: f64| {
            [
                centre[0] + length * (along * dx - aside * dy),
                centre[1] + length * (along * dy + aside * dx),
            ]
        };
        self.line(at(-0.5, 0.0), at(0.2, 0.0), length * 0.09, colour);
        self.filled(
            &[at(0.5, 0.0), at(0.0, -0.23), at(0.1, 0.0), at(0.0, 0.23)],
            colour,
        );
    }

    /// A two-tone scale bar with millimetres above and inches below, left end at (x, y).
    pub fn scale_bar(&mut self, x: f64, y: f64, px_per_mm: f64, most_px: f64, size: f64) {
        let step = scale_bar_mm(most_px / px_per_mm / 2.0);
        let thick = size * 0.4;
        for (i, colour) in [super::INK, "#ffffff"].into_iter().enumerate() {
            let left = x + i as f64 * step * px_per_mm;
            let right = left + step * px_per_mm;
            let bar = [[left, y], [right, y], [right, y + thick], [left, y + thick]];
            self.filled(&bar, colour);
            self.outline(&bar, 1.5, super::INK);
        }
        for i in 0..3 {
            let at = x + f64::from(i) * step * px_per_mm;
            let unit = if i == 2 { " mm" } else { "" };
            let label = format!("{}{unit}", f64::from(i) * step);
            self.text(at, y - size * 0.35, size, "middle", super::INK, &label);
        }
        // One inch, or the whole number of inches that fits.
        let inches = (2.0 * step / 25.4).floor().max(1.0);
        let end = x + inches * 25.4 * px_per_mm;
        let low = y + thick + size * 0.55;
        self.line([x, low], [end, low], 2.0, super::INK);
        for at in [x, end] {
            self.line(
                [at, low - size * 0.25],
                [at, low + size * 0.25],
                2.0,
                super::INK,
            );
        }
        let label = format!("{inches} in");
        self.text(
            end + size * 0.5,
            low + size * 0.36,
            size,
            "start",
            super::INK,
            &label,
        );
    }
}

/// The largest of 1, 2, 5, 10, 20, 50 … mm that is not above the given length.
pub fn scale_bar_mm(most_mm: f64) -> f64 {
    let decade = 10_f64.powf(most_mm.log10().floor());
    [5.0, 2.0]
        .into_iter()
        .find(|factor| factor * decade <= most_mm)
        .unwrap_or(1.0)
        * decade
}

/// Text safe inside an element or attribute; characters XML forbids become spaces.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&apos;"),
            c if c.is_control() || c == '\u{FFFE}' || c == '\u{FFFF}' => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

fn list(points: &[[f64; 2]]) -> String {
    let pairs: Vec<String> = points
        .iter()
        .map(|[x, y]| format!("{x:.2},{y:.2}"))
        .collect();
    pairs.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scale_bars_have_round_lengths() {
        let found: Vec<f64> = [0.7, 1.0, 1.9, 2.0, 7.0, 49.0, 120.0]
            .map(scale_bar_mm)
            .into();
        let wanted = [0.5, 1.0, 1.0, 2.0, 5.0, 20.0, 100.0];
        for (found, wanted) in found.iter().zip(wanted) {
            assert!((found - wanted).abs() < 1e-12 * wanted, "{found} {wanted}");
        }
    }

    #[test]
    fn markup_and_control_characters_are_made_safe() {
        assert_eq!(
            escape("a<b> & \"c\" 'd'\n\u{0}é"),
            "a&lt;b&gt; &amp; &quot;c&quot; &apos;d&apos;  é"
        );
    }
}
