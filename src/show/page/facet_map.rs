//! The planet map with its seams, drawn from the facets' own images.

use crate::model::geometry::direction;
use crate::model::settings::Base;
use crate::output::manifest::{FacetEntry, Manifest};
use crate::output::mesh::{Heightmap, Outline, Wall, corners_mm};
use crate::output::seam_steps;
use crate::show::pictures::{
    ACCENT, Box4, Labels, Light, PAPER, escape, grey_png, middle_box, picture, shade,
};
use glam::{DVec2, DVec3};
use ndarray::Array2;
use std::fmt::Write;

/// Width and height of the map, pixels.
const SIZE: (usize, usize) = (1080, 540);

/// Height of the names of places, pixels.
const NAME_PX: f64 = 13.0;

/// Rounds of the fixed point that finds where a ray leaves the wood: three leave less than a
/// pixel of the map.
const ROUNDS: usize = 3;

/// Relief is shaded as if its range were this part of the radius, as on the overview.
const SHADED_RELIEF: f64 = 0.14;

/// Share of brightness that comes from height alone: high ground is lighter.
const HEIGHT_TINT: f32 = 0.22;

/// A direction this near to the axis is a pole: its longitude is chance.
const AT_POLE: f64 = 1e-6;

/// The pixels of the map that one facet covers, with their relief about the base surface, mm.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Patch {
    pixels: Vec<(u32, f32)>,
}

/// Sine and cosine of the latitude of every row's middle.
fn latitudes() -> impl Iterator<Item = (f64, f64)> {
    (0..SIZE.1).map(|row| {
        (90.0 - (row as f64 + 0.5) * 180.0 / SIZE.1 as f64)
            .to_radians()
            .sin_cos()
    })
}

/// Sine and cosine of the longitude of every column's middle.
fn longitudes() -> Vec<(f64, f64)> {
    let lon_deg = |column: usize| -180.0 + (column as f64 + 0.5) * 360.0 / SIZE.0 as f64;
    (0..SIZE.0)
        .map(|column| lon_deg(column).to_radians().sin_cos())
        .collect()
}

/// What a facet's image says about its part of the map.
pub fn patch(manifest: &Manifest, facet: &FacetEntry, heights: &Heightmap<'_>) -> Patch {
    let (base, radius_mm) = (manifest.globe.base, manifest.globe.radius_mm);
    let axes = facet.frame.axes();
    let walls = Outline::sawn(manifest, facet).walls;
    let farthest = corners_mm(manifest, facet)
        .iter()
        .map(|corner| corner.angle_between(DVec3::Z))
        .fold(0.0, f64::max);
    let least = (farthest + 1e-9).cos();
    let mut pixels = Vec::new();
    let longitudes = longitudes();
    let level = axes.z.truncate().length();
    for (row, (sin_lat, cos_lat)) in latitudes().enumerate() {
        // The nearest that any place of this row comes to the facet's middle.
        if axes.z.z * sin_lat + level * cos_lat < least {
            continue;
        }
        for (column, &(sin_lon, cos_lon)) in longitudes.iter().enumerate() {
            let towards = DVec3::new(cos_lat * cos_lon, cos_lat * sin_lon, sin_lat);
            if axes.z.dot(towards) < least {
                continue;
            }
            let u = axes.to_local(towards);
            let beyond = |wall: &Wall| wall.outward.dot(u.truncate()) > wall.slant * u.z;
            if walls.iter().any(beyond) {
                continue;
            }
            let base_mm = match base {
                Base::Sphere => radius_mm,
                Base::Flat => facet.base_distance_mm / u.z,
            };
            let mut r = base_mm;
            for _ in 0..ROUNDS {
                r = (facet.back_plane_mm + near_mm(heights, u.truncate() * r)) / u.z;
            }
            pixels.push(((row * SIZE.0 + column) as u32, (r - base_mm) as f32));
        }
    }
    Patch { pixels }
}

/// Height at the pixel under a place, mm.
fn near_mm(heights: &Heightmap<'_>, place: DVec2) -> f64 {
    let (rows, columns) = heights.levels.dim();
    let column = place.x / heights.pixel_mm + 0.5 * columns as f64;
    let row = 0.5 * rows as f64 - place.y / heights.pixel_mm;
    let at = (
        row.clamp(0.0, rows as f64 - 1.0) as usize,
        column.clamp(0.0, columns as f64 - 1.0) as usize,
    );
    heights.black_mm + heights.step_mm() * f64::from(heights.levels[at])
}

/// The map as SVG; what no facet of the folder covers stays white.
pub fn svg<'a>(
    manifest: &Manifest,
    patches: impl Iterator<Item = &'a Patch>,
) -> crate::Result<String> {
    let (columns, rows) = SIZE;
    let mut relief = Array2::from_elem((rows, columns), f32::NAN);
    for (pixel, mm) in patches.flat_map(|patch| &patch.pixels) {
        relief[(*pixel as usize / columns, *pixel as usize % columns)] = *mm;
    }
    let knots = &manifest.curve.knots_mm;
    let (low, high) = match (knots.first(), knots.last()) {
        (Some(&low), Some(&high)) => (low, high),
        _ => (0.0, 0.0),
    };
    let range = (high - low).max(1e-6);
    let light = Light::upper_left((SHADED_RELIEF * manifest.globe.radius_mm / range).max(1.0));
    let known = relief.mapv(|mm| if mm.is_nan() { low as f32 } else { mm });
    let pixel_mm = std::f64::consts::TAU * manifest.globe.radius_mm / columns as f64;
    let bright = shade(&known, pixel_mm, &light);
    let grey = Array2::from_shape_fn((rows, columns), |at| {
        if relief[at].is_nan() {
            return PAPER[0];
        }
        let height = ((known[at] - low as f32) / range as f32).clamp(0.0, 1.0);
        (255.0 * ((1.0 - HEIGHT_TINT) * bright[at] + HEIGHT_TINT * height)).round() as u8
    });
    let mut out = String::from(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-44 -8 1168 590\" role=\"img\" \
         aria-labelledby=\"map-title\">\n<title id=\"map-title\">Map of the planet with every seam \
         and facet number</title>\n<rect x=\"-44\" y=\"-8\" width=\"1168\" height=\"590\" fill=\"#ffffff\"/>\n",
    );
    out.push_str(&picture(
        &grey_png(&grey)?,
        [0.0, 0.0, columns as f64, rows as f64],
    ));
    graticule(&mut out);
    for seam in seam_steps::seams_of(manifest) {
        line(&mut out, seam.from, seam.to);
    }
    let mut names = Labels::new(NAME_PX);
    for facet in &manifest.facets {
        let [x, y] = at(facet.frame.axes().z);
        let (x, y) = (x.clamp(20.0, 1060.0), y.clamp(22.0, 528.0));
        names.keep_clear(middle_box([x, y + 8.0], 24.0, &facet.label));
        let _ = writeln!(
            out,
            "<text x=\"{x:.1}\" y=\"{:.1}\" font-size=\"22\" font-weight=\"bold\" \
             text-anchor=\"middle\" fill=\"{ACCENT}\" stroke=\"#ffffff\" stroke-width=\"5\" \
             stroke-linejoin=\"round\" paint-order=\"stroke\">{}</text>",
            y + 8.0,
            escape(&facet.label)
        );
    }
    place_names(&mut names, manifest);
    out.push_str(&names.svg());
    out.push_str("</svg>\n");
    Ok(out)
}

/// Places names on the map: of every facet first what it is known for.
fn place_names(names: &mut Labels, manifest: &Manifest) {
    let (right, bottom) = (SIZE.0 as f64, SIZE.1 as f64);
    let on_map = |b: &Box4| b[0] >= 0.0 && b[1] >= 0.0 && b[2] <= right && b[3] <= bottom;
    let most = manifest.facets.iter().map(|facet| facet.places.len()).max();
    for rank in 0..most.unwrap_or(0) {
        for place in manifest
            .facets
            .iter()
            .filter_map(|facet| facet.places.get(rank))
        {
            names.place(
                at(direction(place.lat_deg, place.lon_deg)),
                &place.name,
                on_map,
            );
        }
    }
}

/// Where a direction lies on the map, in pixels.
fn at(towards: DVec3) -> [f64; 2] {
    let (lat, lon) = (
        towards.z.clamp(-1.0, 1.0).asin(),
        towards.y.atan2(towards.x),
    );
    [
        (lon.to_degrees() + 180.0) * SIZE.0 as f64 / 360.0,
        (90.0 - lat.to_degrees()) * SIZE.1 as f64 / 180.0,
    ]
}

/// Parallels and meridians every 30 degrees, with their degrees at the edges.
fn graticule(out: &mut String) {
    out.push_str("<g stroke=\"#ffffff\" stroke-opacity=\"0.45\" stroke-width=\"1\">\n");
    for i in 1..12 {
        let _ = writeln!(out, "<path d=\"M{0} 0V540\"/>", i * 90);
    }
    for i in 1..6 {
        let _ = writeln!(out, "<path d=\"M0 {0}H1080\"/>", i * 90);
    }
    out.push_str("</g>\n<g font-size=\"13\" fill=\"#1a1a1a\">\n");
    for i in 0..7 {
        let degrees = (180 + 60 * i) % 360;
        let _ = writeln!(
            out,
            "<text x=\"{}\" y=\"558\" text-anchor=\"middle\">{degrees}° E</text>",
            i * 180
        );
    }
    for (i, name) in ["90° N", "60", "30", "0°", "30", "60", "90° S"]
        .iter()
        .enumerate()
    {
        let y = (i as f64 * 90.0 + 5.0).clamp(12.0, 540.0);
        let _ = writeln!(
            out,
            "<text x=\"-4\" y=\"{y}\" text-anchor=\"end\">{}</text>",
            short(name)
        );
    }
    out.push_str(
        "</g>\n<text x=\"540\" y=\"575\" font-size=\"13\" text-anchor=\"middle\" fill=\"#1a1a1a\">\
         longitude east, latitude north and south, degrees; light from the upper left</text>\n",
    );
}

/// Without blanks, for the narrow margin.
fn short(name: &str) -> String {
    name.replace(' ', "")
}

/// A seam: part of a great circle, led to both sides of the map where it crosses them.
fn line(out: &mut String, from: DVec3, to: DVec3) {
    let way = way(from, to);
    let _ = writeln!(
        out,
        "<path d=\"{way}\" fill=\"none\" stroke=\"#ffffff\" stroke-width=\"4\" stroke-opacity=\"0.6\"/>\
         <path d=\"{way}\" fill=\"none\" stroke=\"{ACCENT}\" stroke-width=\"2\"/>"
    );
}

/// The strokes of a seam.
fn way(from: DVec3, to: DVec3) -> String {
    const STEPS: usize = 48;
    let width = SIZE.0 as f64;
    let mut way = String::new();
    let mut stroke = |letter: char, [x, y]: [f64; 2]| {
        let _ = write!(way, "{letter}{x:.1} {y:.1}");
    };
    let mut before: Option<[f64; 2]> = None;
    let mut pole: Option<f64> = None;
    for i in 0..=STEPS {
        let towards = from.lerp(to, i as f64 / STEPS as f64).normalize_or(from);
        let here = at(towards);
        // A pole has no longitude of its own: it is met, and left, along its neighbour's.
        if towards.truncate().length() < AT_POLE {
            if let Some([x, _]) = before.take() {
                stroke('L', [x, here[1]]);
            }
            pole = Some(here[1]);
            continue;
        }
        if let Some(y) = pole.take() {
            stroke('M', [here[0], y]);
            before = Some([here[0], y]);
        }
        match before {
            None => stroke('M', here),
            Some(before) => {
                let over = before[0] - here[0];
                if over.abs() > 0.5 * width {
                    // Where it would be if the map went on.
                    let beyond = here[0] + width * over.signum();
                    let (edge, other) = if over > 0.0 {
                        (width, 0.0)
                    } else {
                        (0.0, width)
                    };
                    let part = (edge - before[0]) / (beyond - before[0]);
                    let y = before[1] + part * (here[1] - before[1]);
                    stroke('L', [edge, y]);
                    stroke('M', [other, y]);
                }
                stroke('L', here);
            }
        }
        before = Some(here);
    }
    way
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;

    /// Strokes as lists of points.
    fn strokes(way: &str) -> Vec<Vec<[f64; 2]>> {
        let number = |text: &str| text.parse::<f64>().unwrap();
        way.split('M')
            .skip(1)
            .map(|stroke| {
                let points = stroke.split('L');
                points
                    .map(|point| {
                        let (x, y) = point.split_once(' ').unwrap();
                        [number(x), number(y)]
                    })
                    .collect()
            })
            .collect()
    }

    #[test]
    fn a_seam_across_180_degrees_reaches_both_sides_of_the_map_at_one_height() {
        for (from, to, ends) in [
            ((10.0, 170.0), (-20.0, -165.0), [1080.0, 0.0]),
            ((-20.0, -165.0), (10.0, 170.0), [0.0, 1080.0]),
        ] {
            let found = strokes(&way(direction(from.0, from.1), direction(to.0, to.1)));
            assert_eq!(found.len(), 2);
            let (end, start) = (found[0][found[0].len() - 1], found[1][0]);
            assert_eq!([end[0], start[0]], ends);
            assert_eq!(end[1], start[1]);
        }
        // Both ways along the equator: 180 degrees east is on the edge itself.
        let found = strokes(&way(direction(0.0, 179.0), direction(0.0, -179.0)));
        assert_eq!(found.len(), 2);
        let inside = strokes(&way(direction(10.0, 20.0), direction(-20.0, 45.0)));
        assert_eq!(inside.len(), 1);
    }

    #[test]
    fn a_seam_to_or_across_a_pole_keeps_to_its_meridians() {
        let to = strokes(&way(direction(50.0, 90.0), DVec3::Z));
        assert_eq!(to.len(), 1);
        let across = strokes(&way(direction(60.0, 45.0), direction(60.0, -135.0)));
        assert_eq!(across.len(), 2);
        for (stroke, lons) in [(&to[0], 90.0), (&across[0], 45.0), (&across[1], -135.0)] {
            for [x, _] in stroke {
                assert!((x - 3.0 * (lons + 180.0)).abs() < 0.1, "{x} {lons}");
            }
        }
        assert_eq!(to[0].last().unwrap()[1], 0.0);
        assert_eq!(across[1][0][1], 0.0);
    }
}
