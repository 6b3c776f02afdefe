//! One drawing, two formats: shapes in mm, y up, on layers named in trade terms.
//!
//! SVG for eyes and printers, DXF for CAM; both at true size. Layers look the same on every
//! drawing of the plan.

use super::type_size::anchor_name;
use crate::shop::polygon::{Rounded, bounds};
use crate::show::pictures::text_width;
use crate::show::pictures::{ACCENT, INK, QUIET, escape};
use glam::DVec2;
use std::fmt::Write;

/// Where hands stay out, on screen and paper.
const WARNING: &str = "#b3261e";

/// Layers, in trade terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Layer {
    /// The board's edges.
    Board,
    /// Outline of a blank with its trim: cut here.
    Blank,
    /// The finished facet's corners on the base surface.
    Facet,
    /// The back after the bevel.
    Back,
    /// Pocket, finished.
    Pocket,
    /// Pocket, roughed.
    PocketRough,
    /// Boss, finished.
    Boss,
    /// Boss, roughed.
    BossRough,
    /// Notches for tabs.
    Notch,
    /// Tabs.
    Tab,
    /// Where clamps may begin.
    ClampLine,
    /// Saw cut.
    SawCut,
    /// Plate of a sled.
    SledPlate,
    /// Runner under a sled, where it may go.
    Runner,
    /// Stop at the end of a blank.
    Stop,
    /// Hold-downs.
    Clamp,
    /// Where no hand goes.
    NoHands,
    /// Pins at the axis and beside it.
    Pin,
    /// Middle of the jig and of the blank.
    Axis,
    /// Mark at the index corner.
    IndexMark,
    /// Lines to engrave.
    Engrave,
    /// Ground surface.
    Ground,
    /// Grain direction.
    Grain,
    /// Measures.
    Measure,
    /// Places by name.
    Place,
    /// Which way north is.
    North,
    /// Rod, its hole, ring.
    Mount,
    /// What of the mount lies behind the wood.
    MountEdge,
    /// Words.
    Label,
}

/// How lines of a layer are broken, alike in SVG and DXF.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Dashes {
    /// Not at all.
    Solid,
    /// Long dashes.
    Long,
    /// Short dashes.
    Short,
    /// Fine dashes.
    Fine,
    /// Dots.
    Dots,
    /// A dash and a dot in turn.
    DashDot,
}

impl Dashes {
    /// Name of the line type in DXF.
    pub fn name(self) -> &'static str {
        match self {
            Dashes::Solid => "Continuous",
            Dashes::Long => "LONG_DASHES",
            Dashes::Short => "SHORT_DASHES",
            Dashes::Fine => "FINE_DASHES",
            Dashes::Dots => "DOTS",
            Dashes::DashDot => "DASH_DOT",
        }
    }

    /// Dash and gap in turn, mm.
    pub fn lengths_mm(self) -> &'static [f64] {
        match self {
            Dashes::Solid => &[],
            Dashes::Long => &[4.0, 1.5],
            Dashes::Short => &[2.0, 1.2],
            Dashes::Fine => &[1.0, 1.0],
            Dashes::Dots => &[0.5, 1.2],
            Dashes::DashDot => &[5.0, 1.2, 0.6, 1.2],
        }
    }
}

/// Name, colour for SVG, colour number for DXF, line width in mm, dashes.
pub struct Style {
    pub name: &'static str,
    pub colour: &'static str,
    pub index: u8,
    pub width_mm: f64,
    pub dashes: Dashes,
}

impl Layer {
    #[rustfmt::skip]
    pub(super) fn style(self) -> Style {
        let style = |name, colour, index, width_mm, dashes| Style { name, colour, index, width_mm, dashes };
        match self {
            Layer::Board => style("BOARD", INK, 7, 0.35, Dashes::Solid),
            Layer::Blank => style("BLANK", INK, 7, 0.5, Dashes::Solid),
            Layer::Facet => style("FACET", QUIET, 8, 0.25, Dashes::Long),
            Layer::Back => style("BACK", ACCENT, 5, 0.35, Dashes::Short),
            Layer::Pocket => style("POCKET", ACCENT, 5, 0.5, Dashes::Solid),
            Layer::PocketRough => style("POCKET_ROUGH", ACCENT, 4, 0.25, Dashes::Fine),
            Layer::Boss => style("BOSS", ACCENT, 5, 0.5, Dashes::Solid),
            Layer::BossRough => style("BOSS_ROUGH", ACCENT, 4, 0.25, Dashes::Fine),
            Layer::Notch => style("TAB_NOTCH", QUIET, 6, 0.35, Dashes::Short),
            Layer::Tab => style("TAB", QUIET, 6, 0.35, Dashes::Solid),
            Layer::ClampLine => style("CLAMP_LINE", QUIET, 8, 0.25, Dashes::Dots),
            Layer::SawCut => style("SAW_CUT", ACCENT, 1, 0.35, Dashes::DashDot),
            Layer::SledPlate => style("SLED", INK, 7, 0.5, Dashes::Solid),
            Layer::Runner => style("RUNNER", QUIET, 8, 0.35, Dashes::Long),
            Layer::Stop => style("STOP", INK, 7, 0.35, Dashes::Solid),
            Layer::Clamp => style("CLAMP", QUIET, 6, 0.35, Dashes::Solid),
            Layer::NoHands => style("NO_HANDS", WARNING, 1, 0.5, Dashes::Short),
            Layer::Pin => style("PIN", ACCENT, 5, 0.35, Dashes::Solid),
            Layer::Axis => style("AXIS", QUIET, 8, 0.18, Dashes::DashDot),
            Layer::IndexMark => style("INDEX_CORNER", INK, 7, 0.25, Dashes::Solid),
            Layer::Engrave => style("ENGRAVE", "#b00020", 1, 0.35, Dashes::Solid),
            Layer::Ground => style("GROUND", INK, 7, 0.5, Dashes::Solid),
            Layer::Grain => style("GRAIN", QUIET, 8, 0.25, Dashes::Solid),
            Layer::Measure => style("MEASURE", QUIET, 8, 0.18, Dashes::Solid),
            Layer::Place => style("PLACE", INK, 7, 0.0, Dashes::Solid),
            Layer::North => style("NORTH", INK, 7, 0.3, Dashes::Solid),
            Layer::Mount => style("MOUNT", ACCENT, 1, 0.5, Dashes::Solid),
            Layer::MountEdge => style("MOUNT_EDGE", ACCENT, 1, 0.35, Dashes::Long),
            Layer::Label => style("LABEL", INK, 7, 0.0, Dashes::Solid),
        }
    }

    /// Name as in the DXF file.
    pub fn name(self) -> &'static str {
        self.style().name
    }
}

/// What can be drawn.
#[derive(Debug, Clone, PartialEq)]
pub enum Primitive {
    /// A closed line of straight sides.
    Closed(Vec<DVec2>),
    /// A closed line with round corners.
    Rounded(Rounded),
    /// An open line.
    Open(Vec<DVec2>),
    /// A ring.
    Ring(DVec2, f64),
    /// A filled closed line; its outline alone in DXF.
    Filled(Vec<DVec2>),
    /// Words: place of the base line, height of the type, −1 for text that starts there, 0 for
    /// the middle, 1 for text that ends there.
    Words(DVec2, f64, i8, String),
}

impl Primitive {
    /// An upright rectangle between two corners.
    pub fn rectangle(left: f64, low: f64, right: f64, high: f64) -> Primitive {
        let corners = [(left, low), (right, low), (right, high), (left, high)];
        Primitive::Closed(corners.map(DVec2::from).to_vec())
    }
}

/// Shapes on layers, mm, y up.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drawing {
    pub(super) shapes: Vec<(Layer, Primitive)>,
}

impl Drawing {
    /// Adds a shape.
    pub fn add(&mut self, layer: Layer, shape: Primitive) {
        self.shapes.push((layer, shape));
    }

    /// Adds an open line of two points.
    pub fn line(&mut self, layer: Layer, from: DVec2, to: DVec2) {
        self.add(layer, Primitive::Open(vec![from, to]));
    }

    /// Adds words.
    pub fn words(&mut self, at: DVec2, size_mm: f64, anchor: i8, text: impl Into<String>) {
        self.add(
            Layer::Label,
            Primitive::Words(at, size_mm, anchor, text.into()),
        );
    }

    /// A cross at the middle.
    pub fn axis_cross(&mut self, at: DVec2, half_mm: f64) {
        // Outwards from the middle, so that the dashes of all four arms begin there.
        for arm in [DVec2::X, -DVec2::X, DVec2::Y, -DVec2::Y] {
            self.line(Layer::Axis, at, at + arm * half_mm);
        }
    }

    /// An arrow with a head at one or both ends.
    pub fn arrow(&mut self, layer: Layer, from: DVec2, to: DVec2, both: bool) {
        self.line(layer, from, to);
        let along = (to - from).normalize_or_zero();
        let head = 2.2_f64.min(0.4 * from.distance(to));
        let mut tip = |at: DVec2, way: DVec2| {
            let side = way.perp() * head * 0.3;
            let back = at - way * head;
            self.add(layer, Primitive::Filled(vec![at, back + side, back - side]));
        };
        tip(to, along);
        if both {
            tip(from, -along);
        }
    }

    /// Least and greatest corner of everything drawn, mm.
    pub fn bounds(&self) -> (DVec2, DVec2) {
        let points: Vec<DVec2> = self
            .shapes
            .iter()
            .flat_map(|(_, shape)| match shape {
                Primitive::Closed(p) | Primitive::Open(p) | Primitive::Filled(p) => p.clone(),
                Primitive::Rounded(r) => r.points.iter().map(|(p, _)| *p).collect(),
                Primitive::Ring(at, radius) => vec![*at - *radius, *at + *radius],
                Primitive::Words(at, size, anchor, text) => {
                    let width = text_width(text, *size);
                    let left = at.x - width * 0.5 * f64::from(*anchor + 1);
                    vec![
                        DVec2::new(left, at.y - 0.3 * size),
                        DVec2::new(left + width, at.y + size),
                    ]
                }
            })
            .collect();
        bounds(&points)
    }

    /// The layers as SVG groups; `origin` is the drawing's point at the sheet's upper left.
    pub fn svg_layers(&self, origin: DVec2, scale: f64) -> String {
        let at = |p: DVec2| {
            let p = DVec2::new(p.x - origin.x, origin.y - p.y) * scale;
            format!("{:.4} {:.4}", p.x, p.y)
        };
        let mut out = String::new();
        for layer in self.layers() {
            let style = layer.style();
            let lengths = style.dashes.lengths_mm().iter().map(f64::to_string);
            let dashes = match lengths.collect::<Vec<_>>().join(" ") {
                none if none.is_empty() => none,
                lengths => format!(" stroke-dasharray=\"{lengths}\""),
            };
            let _ = writeln!(
                out,
                "<g id=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{}\" \
                 stroke-linejoin=\"round\"{dashes}>",
                style.name, style.colour, style.width_mm
            );
            for (_, shape) in self.shapes.iter().filter(|(l, _)| *l == layer) {
                let _ = match shape {
                    Primitive::Closed(points) => {
                        writeln!(out, "<path d=\"{} Z\"/>", way(points, &at))
                    }
                    Primitive::Open(points) => writeln!(out, "<path d=\"{}\"/>", way(points, &at)),
                    Primitive::Filled(points) => writeln!(
                        out,
                        "<path d=\"{} Z\" fill=\"{}\" stroke=\"none\"/>",
                        way(points, &at),
                        style.colour
                    ),
                    Primitive::Rounded(rounded) => {
                        writeln!(out, "<path d=\"{}\"/>", arcs(rounded, &at, scale))
                    }
                    Primitive::Ring(centre, radius) => {
                        let place = at(*centre);
                        let (x, y) = place.split_once(' ').unwrap_or(("0", "0"));
                        let radius = radius * scale;
                        writeln!(out, "<circle cx=\"{x}\" cy=\"{y}\" r=\"{radius:.4}\"/>")
                    }
                    Primitive::Words(place, size, anchor, text) => {
                        let place = at(*place);
                        let (x, y) = place.split_once(' ').unwrap_or(("0", "0"));
                        let anchor = anchor_name(*anchor);
                        writeln!(
                            out,
                            "<text x=\"{x}\" y=\"{y}\" font-size=\"{size:.2}\" \
                             text-anchor=\"{anchor}\" fill=\"{}\" stroke=\"#ffffff\" \
                             stroke-width=\"{:.2}\" paint-order=\"stroke\">{}</text>",
                            style.colour,
                            // A white rim keeps words legible on lines and ground.
                            0.22 * size,
                            escape(text)
                        )
                    }
                };
            }
            out.push_str("</g>\n");
        }
        out
    }

    /// The layers in use, in order.
    pub(super) fn layers(&self) -> Vec<Layer> {
        let mut layers: Vec<Layer> = self.shapes.iter().map(|(layer, _)| *layer).collect();
        layers.sort_unstable();
        layers.dedup();
        layers
    }
}

/// A place of the front as it lies seen from behind.
pub fn flipped(point: DVec2) -> DVec2 {
    DVec2::new(-point.x, point.y)
}

fn way(points: &[DVec2], at: &dyn Fn(DVec2) -> String) -> String {
    let mut text = String::new();
    for (i, p) in points.iter().enumerate() {
        let _ = write!(text, "{}{}", if i == 0 { "M" } else { " L" }, at(*p));
    }
    text
}

fn arcs(rounded: &Rounded, at: &dyn Fn(DVec2) -> String, scale: f64) -> String {
    let mut text = String::new();
    let count = rounded.points.len();
    for i in 0..count {
        let (from, bulge) = rounded.points[i];
        let to = rounded.points[(i + 1) % count].0;
        if i == 0 {
            let _ = write!(text, "M{}", at(from));
        }
        if bulge == 0.0 {
            let _ = write!(text, " L{}", at(to));
        } else {
            // Left turns with y up are drawn with sweep 0 once y points down.
            let (radius, sweep) = (rounded.radius_mm * scale, if bulge > 0.0 { 0 } else { 1 });
            let _ = write!(text, " A{radius:.4} {radius:.4} 0 0 {sweep} {}", at(to));
        }
    }
    text.push_str(" Z");
    text
}

#[cfg(test)]
#[path = "../../../tests/all/drawn.rs"]
mod drawn;

#[cfg(test)]
mod tests {
    use super::super::dxf;
    use super::super::sheet::Sheet;
    use super::*;
    use crate::model::length::Units;
    use crate::shop::polygon::round_corners;

    fn sample() -> Drawing {
        let square = [(-20.0, -20.0), (20.0, -20.0), (20.0, 20.0), (-20.0, 20.0)].map(DVec2::from);
        let mut drawing = Drawing::default();
        drawing.add(Layer::Blank, Primitive::Closed(square.to_vec()));
        drawing.add(
            Layer::Pocket,
            Primitive::Rounded(round_corners(&square.map(|p| p * 0.5), 3.0).unwrap()),
        );
        drawing.line(Layer::Axis, DVec2::new(-5.0, 0.0), DVec2::new(5.0, 0.25));
        drawing.words(DVec2::new(1.0, 2.0), 4.0, 0, "05 <A> & B");
        drawing
    }

    /// Read back by GDAL's DXF driver, which shares nothing with the writer; an inch is 25.4 mm.
    #[test]
    fn an_independent_reader_finds_layers_and_true_sizes() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("blank.dxf");
        for (units, unit_mm) in [(Units::Mm, 1.0), (Units::Inch, 25.4)] {
            std::fs::write(&path, dxf::file(&sample(), units)).unwrap();
            let mut found = drawn::shapes(&path);
            found.sort_by(|a, b| a.0.cmp(&b.0));
            let names: Vec<&str> = found.iter().map(|f| f.0.as_str()).collect();
            assert_eq!(names, ["AXIS", "BLANK", "LABEL", "POCKET"]);
            for (index, width, height) in [(0, 10.0, 0.25), (1, 40.0, 40.0), (3, 20.0, 20.0)] {
                let (_, w, h) = found[index];
                let off = (w * unit_mm - width)
                    .abs()
                    .max((h * unit_mm - height).abs());
                // GDAL prints seven decimals.
                assert!(off < 3e-6, "{units:?}: {found:?}");
            }
        }
    }

    /// What the format asks of a file, and what ezdxf's auditor says, with letters no reader shares.
    #[test]
    fn a_strict_reader_finds_nothing_to_mend() {
        let mut drawing = sample();
        drawing.words(DVec2::ZERO, 3.0, 1, "Ä 31.7° μ 𝄞\n end");
        drawing.add(Layer::Axis, Primitive::Ring(DVec2::ONE, 2.5));
        let bent = [(-1.0, 0.0), (0.0, 1e-12), (1.0, 1.0)].map(DVec2::from);
        drawing.add(Layer::Ground, Primitive::Open(bent.to_vec()));
        let text = dxf::file(&drawing, Units::Inch);
        drawn::strictly(&text);
        let text = dxf::file(&drawing, Units::Mm);
        drawn::strictly(&text);
        assert!(text.contains("\\U+00C4 31.7\\U+00B0 \\U+03BC \\U+D834\\U+DD1E  end\n"));
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), text).unwrap();
        assert_eq!(drawn::faults_by_ezdxf([file.path()].into_iter()), "");
    }

    #[test]
    fn the_svg_is_at_true_size_and_safe() {
        let svg = Sheet::alone(&sample(), "a & b");
        assert!(
            svg.contains("width=\"56.000mm\" height=\"56.000mm\""),
            "{svg}"
        );
        assert!(svg.contains("05 &lt;A&gt; &amp; B"));
        for layer in ["BLANK", "POCKET", "AXIS", "LABEL"] {
            assert!(svg.contains(&format!("<g id=\"{layer}\"")));
        }
    }
}
