//! One facet's drawing for its card: shaded relief at true size with everything a bench needs.

use crate::Result;
use crate::model::length::mm_text;
use crate::output::manifest::{FacetEntry, Manifest};
use crate::shop::polygon::{bounds, holds};
use crate::show::pictures::{
    ACCENT, Box4, INK, Labels, escape, grey_png, middle_box, picture, scale_bar_mm,
};
use crate::show::report::overview::{SheetLayout, Thumb};
use glam::DVec2;
use std::fmt::Write;

/// Largest width and height at which a drawing prints whole on both A4 and Letter, with its
/// margins and the card's own text, mm.
const LARGEST_MM: f64 = 170.0;

/// Height of type, mm.
const TYPE_MM: f64 = 3.4;

/// Height of the names of places, mm.
const NAME_MM: f64 = 2.8;

/// Room for north arrow and scale bar under the facet, and for the index corner's mark above, mm.
const FOOT_MM: f64 = 15.0;
const HEAD_MM: f64 = 4.0;

/// Narrowest drawing, mm.
const LEAST_WIDTH_MM: f64 = 44.0;

/// A drawing and the size it has.
pub struct FacetCard {
    /// The SVG element.
    pub svg: String,
    /// Share of true size, 1 where the sheet is large enough.
    pub share: f64,
}

/// Draws a facet from its picture on the overview.
pub fn draw(
    manifest: &Manifest,
    facet: &FacetEntry,
    layout: &SheetLayout,
    thumb: &Thumb,
) -> Result<FacetCard> {
    let outline = layout.outline_mm(facet);
    let (mut low, mut high) = bounds(&outline);
    let around = DVec2::splat(manifest.globe.trim_mm + 1.5);
    (low, high) = (low - around, high + around);
    // The scale bar needs some room, however small the facet.
    let spare = (0.5 * (LEAST_WIDTH_MM - (high.x - low.x))).max(0.0);
    let (left, top) = (low.x - spare, -high.y - HEAD_MM);
    let (width, height) = (
        high.x - low.x + 2.0 * spare,
        high.y - low.y + HEAD_MM + FOOT_MM,
    );
    let share = (LARGEST_MM / width.max(height)).min(1.0);
    let title = format!("facet-{}-title", facet.id);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{:.2}mm\" height=\"{:.2}mm\" \
         viewBox=\"{left:.3} {top:.3} {width:.3} {height:.3}\" role=\"img\" \
         aria-labelledby=\"{title}\">\n<title id=\"{title}\">Facet {} from above, shaded, with its \
         seams and neighbours</title>\n<rect x=\"{left:.3}\" y=\"{top:.3}\" width=\"{width:.3}\" \
         height=\"{height:.3}\" fill=\"#ffffff\"/>\n",
        width * share,
        height * share,
        escape(&facet.label),
    );
    let side = thumb.grey.ncols() as f64 / layout.px_per_mm();
    out.push_str(&picture(
        &grey_png(&thumb.grey)?,
        [-0.5 * side, -0.5 * side, side, side],
    ));
    let points: Vec<String> = outline
        .iter()
        .map(|p| format!("{:.2},{:.2}", p.x, -p.y))
        .collect();
    let _ = writeln!(
        out,
        "<polygon points=\"{}\" fill=\"none\" stroke=\"{ACCENT}\" stroke-width=\"0.5\" \
         stroke-linejoin=\"round\"/>",
        points.join(" ")
    );
    // Type of one size on paper, whatever the scale.
    let mut names = Labels::new(NAME_MM / share);
    seams(&mut out, facet, &mut names);
    let inside = |b: &Box4| {
        let [left, top, right, bottom] = *b;
        [[left, top], [right, top], [right, bottom], [left, bottom]]
            .iter()
            .all(|[x, y]| holds(&outline, DVec2::new(*x, -y), 0.0))
    };
    for place in &facet.places {
        names.place([place.x_mm, -place.y_mm], &place.name, inside);
    }
    out.push_str(&names.svg());
    if let Some(&[x, y]) = facet.corners_mm.first() {
        let _ = writeln!(
            out,
            "<path d=\"M{x:.2} {:.2}l-2.4 -4h4.8z\" fill=\"{ACCENT}\"/>",
            -y - 0.8
        );
    }
    let foot = -low.y + 8.0;
    north(&mut out, facet, DVec2::new(left + 8.0, foot));
    scale_bar(&mut out, DVec2::new(left + 20.0, foot), width - 32.0);
    out.push_str("</svg>\n");
    Ok(FacetCard { svg: out, share })
}

/// Seam and neighbour at the middle of every side, just inside it; names keep clear of them.
fn seams(out: &mut String, facet: &FacetEntry, names: &mut Labels) {
    let corners = &facet.corners_mm;
    let shortest = (0..corners.len())
        .map(|i| DVec2::from(corners[i]).distance(DVec2::from(corners[(i + 1) % corners.len()])))
        .fold(f64::INFINITY, f64::min);
    let size = TYPE_MM.min(0.16 * shortest);
    for (i, edge) in facet.edges.iter().enumerate() {
        let (a, b) = (
            DVec2::from(corners[i]),
            DVec2::from(corners[(i + 1) % corners.len()]),
        );
        let middle = 0.5 * (a + b);
        let place = middle - middle.normalize_or_zero() * 1.1 * size;
        let mut turn = -(b - a).to_angle().to_degrees();
        if turn.abs() > 90.0 {
            turn -= 180.0_f64.copysign(turn);
        }
        let words = format!("{} to {:02}", edge.seam, edge.neighbour);
        names.keep_clear(turned_box(place, size, turn, &words));
        let _ = writeln!(
            out,
            "<text transform=\"translate({:.2} {:.2}) rotate({turn:.2})\" font-size=\"{size:.2}\" \
             text-anchor=\"middle\" dy=\"0.35em\" fill=\"{ACCENT}\" stroke=\"#ffffff\" \
             stroke-width=\"{:.2}\" stroke-linejoin=\"round\" paint-order=\"stroke\">{}</text>",
            place.x,
            -place.y,
            0.3 * size,
            escape(&words)
        );
    }
}

/// The upright box around words turned about their middle.
fn turned_box(at: DVec2, size: f64, turn_deg: f64, words: &str) -> Box4 {
    let [left, _, right, _] = middle_box([0.0, 0.0], size, words);
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    let (sin, cos) = (sin.abs(), cos.abs());
    let half = 0.5
        * DVec2::new(
            (right - left) * cos + size * sin,
            (right - left) * sin + size * cos,
        );
    [at.x - half.x, -at.y - half.y, at.x + half.x, -at.y + half.y]
}

/// Which way north is at the facet's middle.
fn north(out: &mut String, facet: &FacetEntry, centre: DVec2) {
    let frame = facet.frame.axes();
    let toward = DVec2::new(frame.x.z, frame.y.z);
    if toward.length() < 1e-3 {
        let pole = if frame.z.z > 0.0 { "N pole" } else { "S pole" };
        let _ = writeln!(
            out,
            "<circle cx=\"{0:.2}\" cy=\"{1:.2}\" r=\"1.6\" fill=\"none\" stroke=\"{ACCENT}\" \
             stroke-width=\"0.5\"/><circle cx=\"{0:.2}\" cy=\"{1:.2}\" r=\"0.5\" fill=\"{ACCENT}\"/>\
             <text x=\"{0:.2}\" y=\"{2:.2}\" font-size=\"2.6\" text-anchor=\"middle\" \
             fill=\"{ACCENT}\">{pole}</text>",
            centre.x,
            centre.y - 1.0,
            centre.y + 4.0
        );
        return;
    }
    let degrees = toward.x.atan2(toward.y).to_degrees();
    let letter = centre + DVec2::new(toward.x, -toward.y).normalize() * 5.6;
    let _ = writeln!(
        out,
        "<path transform=\"translate({:.2} {:.2}) rotate({degrees:.2})\" \
         d=\"M0 -4L1.7 0.6L0.35 0V3.6H-0.35V0L-1.7 0.6Z\" fill=\"{ACCENT}\"/>\
         <text x=\"{:.2}\" y=\"{:.2}\" dy=\"0.35em\" font-size=\"2.8\" font-weight=\"bold\" \
         text-anchor=\"middle\" fill=\"{ACCENT}\">N</text>",
        centre.x, centre.y, letter.x, letter.y
    );
}

/// Two-tone bar, millimetres above and one inch, or as many as fit, below.
fn scale_bar(out: &mut String, left: DVec2, most_mm: f64) {
    let step = scale_bar_mm((0.5 * most_mm).min(30.0));
    let (x, y) = (left.x, left.y - 2.0);
    let _ = writeln!(
        out,
        "<g stroke=\"{INK}\" stroke-width=\"0.25\"><rect x=\"{x:.2}\" y=\"{y:.2}\" \
         width=\"{step}\" height=\"1.2\" fill=\"{INK}\"/><rect x=\"{:.2}\" y=\"{y:.2}\" \
         width=\"{step}\" height=\"1.2\" fill=\"#ffffff\"/></g>",
        x + step
    );
    let mut words = |x: f64, y: f64, text: &str| {
        let _ = writeln!(
            out,
            "<text x=\"{x:.2}\" y=\"{y:.2}\" font-size=\"2.8\" text-anchor=\"middle\" \
             fill=\"{INK}\">{text}</text>"
        );
    };
    words(x, y - 0.9, "0");
    words(x + 2.0 * step, y - 0.9, &mm_text(2.0 * step));
    let inches = (2.0 * step / 25.4).floor();
    if inches >= 1.0 {
        let end = x + 25.4 * inches;
        words(x + 12.7 * inches, y + 5.9, &format!("{inches} in"));
        let _ = writeln!(
            out,
            "<path d=\"M{x:.2} {0:.2}v1.4m0 -0.7H{end:.2}m0 -0.7v1.4\" fill=\"none\" \
             stroke=\"{INK}\" stroke-width=\"0.25\"/>",
            y + 1.9
        );
    }
}
