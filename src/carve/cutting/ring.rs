//! The ring around a facet that is cleared before anything else, drawn at true size.

use super::super::resample::FacetSpec;
use crate::model::settings::Cutter;
use glam::DVec2;
use std::fmt::Write;

/// The ring is this much wider than the bit, so that it turns freely. Common practice, no source.
const ROOM: f64 = 1.2;

/// Two closed lines in mm, y up as on the machine, zero in the facet's middle: the blank's
/// outline with the bit's allowance, and a line the bit's width and a fifth farther out.
pub fn ring_svg(spec: &FacetSpec, bit: &Cutter) -> String {
    let inner = bit.allowance_mm();
    let outer = inner + ROOM * bit.diameter_mm;
    let reach = spec
        .outline_mm
        .iter()
        .map(|corner| corner.length())
        .fold(0.0, f64::max)
        + outer
        + 1.0;
    let side = 2.0 * reach;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{side:.3}mm\" height=\"{side:.3}mm\" \
         viewBox=\"{:.3} {:.3} {side:.3} {side:.3}\">\n\
         <title>Ring to clear before roughing, millimetres</title>\n\
         <g transform=\"scale(1 -1)\" fill=\"none\" stroke=\"#1a1a1a\" stroke-width=\"0.2\">\n",
        -reach, -reach
    );
    for (name, offset) in [("inner edge", inner), ("outer edge", outer)] {
        let path = offset_path(&spec.outline_mm, offset);
        // Writing to a string cannot fail.
        let _ = writeln!(
            svg,
            "<path id=\"{}\" d=\"{path}\"/>",
            name.replace(' ', "-")
        );
    }
    svg.push_str("</g>\n</svg>\n");
    svg
}

/// A convex counter-clockwise outline moved outward, with arcs about its corners.
fn offset_path(outline: &[DVec2], offset: f64) -> String {
    let count = outline.len();
    let mut path = String::new();
    for (i, &corner) in outline.iter().enumerate() {
        let before = outline[(i + count - 1) % count];
        let next = outline[(i + 1) % count];
        let out = |a: DVec2, b: DVec2| (b - a).perp() * (-offset / a.distance(b));
        let (from, to) = (corner + out(before, corner), corner + out(corner, next));
        let command = if i == 0 { 'M' } else { 'L' };
        let _ = write!(path, "{command}{:.3} {:.3} ", from.x, from.y);
        if offset > 0.0 {
            let _ = write!(
                path,
                "A{offset:.3} {offset:.3} 0 0 1 {:.3} {:.3} ",
                to.x, to.y
            );
        }
    }
    path.push('Z');
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outline_grows_by_the_offset_on_every_side() {
        let square = [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)];
        let square = square.map(|(x, y)| DVec2::new(x, y));
        assert_eq!(
            offset_path(&square, 0.5),
            "M1.500 1.000 A0.500 0.500 0 0 1 1.000 1.500 L-1.000 1.500 A0.500 0.500 0 0 1 \
             -1.500 1.000 L-1.500 -1.000 A0.500 0.500 0 0 1 -1.000 -1.500 L1.000 -1.500 \
             A0.500 0.500 0 0 1 1.500 -1.000 Z"
        );
    }
}
