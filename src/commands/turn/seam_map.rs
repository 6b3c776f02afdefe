//! The planet with its seams, before and after: shaded relief, north up, facet numbers.

use crate::carve::resample::Sampler;
use crate::carve::turn::Turned;
use crate::carve::turn::features::Feature;
use crate::carve::turn::search::TurnChoice;
use crate::model::curve::Curve;
use crate::model::geometry::{Solid, direction, lat_lon_deg};
use crate::model::grid::Grid;
use crate::model::length::Lengths;
use crate::model::settings::NamedPlace;
use crate::show::pictures::{
    ACCENT, Box4, INK, Labels, Light, PAPER, QUIET, Svg, draw_over, shade,
};
use crate::{Error, Problem, Result};
use glam::DVec3;
use image::{Rgb, RgbImage};
use ndarray::Array2;

/// Width of a map, pixels: a fifth of a degree each.
const MAP_PX: usize = 1800;
/// Around the maps, pixels.
const MARGIN_PX: usize = 80;
/// Over each map, for its caption, pixels.
const CAPTION_PX: usize = 78;

/// Height of the names of places that are not rings, pixels.
const NAME_PX: f64 = 16.0;

/// Relief is shaded this many times steeper than on the globe, where a map is seen from far.
const STEEPER: f64 = 3.0;

/// Share of brightness that comes from height alone.
const HEIGHT_TINT: f32 = 0.25;

/// Points along each seam.
const SEAM_POINTS: usize = 48;

/// Draws both maps.
///
/// # Errors
/// [`Error::Disk`] never in practice: only if the drawing itself were malformed.
pub fn draw(
    title: &str,
    grid: &Grid,
    curve: &Curve,
    radius_mm: f64,
    solid: &Solid,
    turned: &Turned,
    places: &[NamedPlace],
) -> Result<RgbImage> {
    let map = relief_map(grid, curve, radius_mm);
    let (rows, columns) = map.dim();
    let panel = rows + CAPTION_PX + MARGIN_PX / 2;
    let (width, height) = (columns + 2 * MARGIN_PX, 2 * panel + MARGIN_PX + 20);
    let mut picture = RgbImage::from_pixel(width as u32, height as u32, Rgb(PAPER));
    let mut svg = Svg::new(width as u32, height as u32);
    svg.bold(MARGIN_PX as f64, 52.0, 34.0, "start", INK, title);
    let panels = [
        ("Before", &turned.before, &turned.cut_before),
        ("After", &turned.found.choices[0], &turned.cut_after),
    ];
    for (i, (name, choice, cut)) in panels.into_iter().enumerate() {
        let top = 70 + i * panel + CAPTION_PX - 20;
        for ((row, column), &grey) in map.indexed_iter() {
            let at = ((column + MARGIN_PX) as u32, (row + top) as u32);
            picture.put_pixel(at.0, at.1, Rgb([grey; 3]));
        }
        let panel = Panel {
            left: MARGIN_PX as f64,
            top: top as f64,
            width: columns as f64,
        };
        panel.caption(&mut svg, name, choice, cut, turned.lengths);
        panel.frame(&mut svg);
        let solid = solid.turned(&choice.turn(solid));
        panel.seams(&mut svg, &solid);
        let numbers = panel.numbers(&solid);
        let names = panel.features(&mut svg, &turned.features, &numbers);
        for words in numbers.iter().chain(&names) {
            words.draw(&mut svg);
        }
        let mut others = Labels::new(NAME_PX);
        for words in numbers.iter().chain(&names) {
            others.keep_clear(words.ground());
        }
        panel.place_names(&mut others, places, &turned.features);
        svg.raw(&others.svg());
    }
    draw_over(&mut picture, &svg.finish())
        .map_err(|what| Error::Disk(Problem::new(format!("the map could not be drawn: {what}"))))?;
    Ok(picture)
}

/// Brightness of the ground, north up, longitudes from 0 to 360.
fn relief_map(grid: &Grid, curve: &Curve, radius_mm: f64) -> Array2<u8> {
    let (rows, columns) = (MAP_PX / 2, MAP_PX);
    let step = 360.0 / columns as f64;
    let sampler = Sampler::new(grid, curve);
    let places: Vec<DVec3> = (0..rows * columns)
        .map(|i| {
            let (row, column) = ((i / columns) as f64, (i % columns) as f64);
            direction(90.0 - (row + 0.5) * step, (column + 0.5) * step)
        })
        .collect();
    let relief: Vec<f32> = sampler
        .relief_mm(&places)
        .iter()
        .map(|&mm| mm as f32)
        .collect();
    let relief = Array2::from_shape_fn((rows, columns), |(r, c)| relief[r * columns + c]);
    let light = Light::upper_left(STEEPER);
    let bright = shade(&relief, step.to_radians() * radius_mm, &light);
    let (low, high) = (curve.lowest_mm() as f32, curve.highest_mm() as f32);
    Array2::from_shape_fn((rows, columns), |at| {
        let height = ((relief[at] - low) / (high - low)).clamp(0.0, 1.0);
        let light = (1.0 - HEIGHT_TINT) * bright[at] + HEIGHT_TINT * height;
        // Lifted, so that lines and numbers stand out from the darkest slope.
        (255.0 * (0.25 + 0.75 * light)).round() as u8
    })
}

/// One map on the sheet.
struct Panel {
    left: f64,
    top: f64,
    width: f64,
}

impl Panel {
    fn at(&self, towards: DVec3) -> [f64; 2] {
        let (lat, lon) = lat_lon_deg(towards);
        let scale = self.width / 360.0;
        [self.left + lon * scale, self.top + (90.0 - lat) * scale]
    }

    fn caption(
        &self,
        svg: &mut Svg,
        name: &str,
        choice: &TurnChoice,
        cut: &[String],
        say: Lengths,
    ) {
        let y = self.top - 22.0;
        svg.bold(self.left, y, 28.0, "start", INK, name);
        let parts = &choice.parts;
        let cut = match cut {
            [] => "nothing cut that should stay whole".to_owned(),
            names => format!("cuts {}", names.join(", ")),
        };
        let text = format!(
            "relief along the seams {}, worst seam {}, highest {}, misfit step {}; {cut}",
            say.fine(parts.relief_mm),
            say.fine(parts.worst_mm),
            say.fine(parts.high_mm),
            say.fine(parts.misfit_mm)
        );
        svg.text(self.left + 130.0, y, 24.0, "start", QUIET, &text);
    }

    /// Border and degrees along it.
    fn frame(&self, svg: &mut Svg) {
        let (right, bottom) = (self.left + self.width, self.top + 0.5 * self.width);
        let corners = [
            [self.left, self.top],
            [right, self.top],
            [right, bottom],
            [self.left, bottom],
        ];
        svg.outline(&corners, 1.5, INK);
        let scale = self.width / 360.0;
        for lon in (0..=360).step_by(60) {
            let x = self.left + f64::from(lon) * scale;
            svg.line([x, bottom], [x, bottom + 7.0], 1.5, INK);
            let label = format!("{lon}° E");
            svg.text(x, bottom + 29.0, 20.0, "middle", INK, &label);
        }
        for lat in (-60..=60).step_by(30) {
            let y = self.top + f64::from(90 - lat) * scale;
            svg.line([self.left - 7.0, y], [self.left, y], 1.5, INK);
            let label = match lat {
                0 => "0°".to_owned(),
                south if south < 0 => format!("{}° S", -south),
                north => format!("{north}° N"),
            };
            svg.text(self.left - 11.0, y + 7.0, 20.0, "end", INK, &label);
        }
    }

    /// A line over the sphere, white under its own colour; broken where it runs off the map.
    fn curve(&self, svg: &mut Svg, places: &[DVec3], width: f64, colour: &str) {
        for (width, colour) in [(width + 3.0, "#ffffff"), (width, colour)] {
            for pair in places.windows(2) {
                let (from, to) = (self.at(pair[0]), self.at(pair[1]));
                for (from, to) in self.on_map(from, to) {
                    svg.line(from, to, width, colour);
                }
            }
        }
    }

    /// A short piece of a line, in two where it leaves the map on one side and comes back on the
    /// other.
    fn on_map(&self, from: [f64; 2], to: [f64; 2]) -> Vec<([f64; 2], [f64; 2])> {
        if (from[0] - to[0]).abs() < 0.5 * self.width {
            return vec![(from, to)];
        }
        let (east, west) = if from[0] > to[0] {
            (from, to)
        } else {
            (to, from)
        };
        let right = self.left + self.width;
        let (before, after) = (right - east[0], west[0] - self.left);
        let share = before / (before + after).max(1e-9);
        let y = east[1] + share * (west[1] - east[1]);
        vec![(east, [right, y]), ([self.left, y], west)]
    }

    fn seams(&self, svg: &mut Svg, solid: &Solid) {
        for seam in &solid.seams {
            let [from, to] = seam.corners.map(|i| solid.corners[i].normalize());
            let along: Vec<DVec3> = (0..=SEAM_POINTS)
                .map(|i| from.lerp(to, i as f64 / SEAM_POINTS as f64).normalize())
                .collect();
            self.curve(svg, &along, 3.0, ACCENT);
        }
    }

    /// Draws the rings and finds places for their names, clear of the numbers where that can be.
    fn features(&self, svg: &mut Svg, features: &[Feature], numbers: &[Words]) -> Vec<Words> {
        let mut names: Vec<Words> = Vec::new();
        for feature in features {
            let aside = feature.towards.any_orthonormal_vector();
            let over = feature.towards.cross(aside);
            let (sin, cos) = feature.radius_rad.sin_cos();
            let around: Vec<DVec3> = (0..=90)
                .map(|i| {
                    let (s, c) = (f64::from(i) * 4.0).to_radians().sin_cos();
                    feature.towards * cos + (aside * c + over * s) * sin
                })
                .collect();
            self.curve(svg, &around, 1.6, INK);
            let clear = |words: &Words| {
                let taken = numbers.iter().chain(&names);
                taken.map(|other| words.overlap(other)).sum::<f64>()
            };
            let best = self
                .beside(feature)
                .map(|at| Words {
                    at,
                    size: 18.0,
                    colour: INK,
                    text: feature.name.clone(),
                })
                // The first of the best.
                .reduce(|best, next| match clear(&next) < clear(&best) {
                    true => next,
                    false => best,
                });
            names.extend(best);
        }
        names
    }

    /// Names of other places, where there is room.
    fn place_names(&self, names: &mut Labels, places: &[NamedPlace], features: &[Feature]) {
        let (right, bottom) = (self.left + self.width, self.top + 0.5 * self.width);
        let on_map =
            |b: &Box4| b[0] >= self.left && b[1] >= self.top && b[2] <= right && b[3] <= bottom;
        let named = |place: &&NamedPlace| features.iter().all(|f| f.name != place.name);
        for place in places.iter().filter(named) {
            names.place(self.at(place.towards()), &place.name, on_map);
        }
    }

    /// Places for a name beside its ring, the preferred ones first: below, above, right, left,
    /// then the same farther off.
    fn beside(&self, feature: &Feature) -> impl Iterator<Item = [f64; 2]> {
        let [x, y] = self.at(feature.towards);
        let ring = feature.radius_rad.to_degrees() * self.width / 360.0;
        let half = 5.5 * feature.name.chars().count() as f64 + 6.0;
        let (left, right) = (self.left + half, self.left + self.width - half);
        let (top, bottom) = (self.top + 20.0, self.top + 0.5 * self.width - 8.0);
        [0.0, 24.0, 48.0].into_iter().flat_map(move |off| {
            let (over, aside) = (ring + 22.0 + off, ring + half + 6.0 + off);
            [
                [x, y + over],
                [x, y - over + 15.0],
                [x + aside, y + 6.0],
                [x - aside, y + 6.0],
            ]
            .map(|[x, y]| [x.clamp(left, right), y.clamp(top, bottom)])
        })
    }

    /// The facets' numbers at their centres.
    fn numbers(&self, solid: &Solid) -> Vec<Words> {
        let size = if solid.faces.len() > 40 { 20.0 } else { 30.0 };
        let edge = 0.7 * size;
        let faces = solid.faces.iter().enumerate();
        faces
            .map(|(i, face)| {
                let [x, y] = self.at(face.frame.z);
                let x = x.clamp(self.left + edge, self.left + self.width - edge);
                let y = y.clamp(self.top + size, self.top + 0.5 * self.width - 0.3 * size);
                Words {
                    at: [x, y + 0.36 * size],
                    size,
                    colour: ACCENT,
                    text: format!("{}", i + 1),
                }
            })
            .collect()
    }
}

/// Text on a pale ground of its own width, so that it reads over any relief.
struct Words {
    /// Middle of the base line.
    at: [f64; 2],
    size: f64,
    colour: &'static str,
    text: String,
}

impl Words {
    /// Left, top, right and bottom of its ground.
    fn ground(&self) -> [f64; 4] {
        let ([x, y], size) = (self.at, self.size);
        let half = 0.31 * size * self.text.chars().count() as f64 + 0.2 * size;
        [x - half, y - 0.86 * size, x + half, y + 0.22 * size]
    }

    /// Area that both cover.
    fn overlap(&self, other: &Words) -> f64 {
        let (a, b) = (self.ground(), other.ground());
        let wide = a[2].min(b[2]) - a[0].max(b[0]);
        let high = a[3].min(b[3]) - a[1].max(b[1]);
        wide.max(0.0) * high.max(0.0)
    }

    fn draw(&self, svg: &mut Svg) {
        let [left, top, right, bottom] = self.ground();
        let ground = [[left, top], [right, top], [right, bottom], [left, bottom]];
        svg.filled(&ground, "#ffffff");
        let [x, y] = self.at;
        svg.bold(x, y, self.size, "middle", self.colour, &self.text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carve::turn::testing::{bumpy, plain_curve, turn_on};
    use crate::model::settings::Settings;
    use glam::DMat3;

    #[test]
    fn a_line_over_the_edge_of_the_map_goes_on_at_the_other_side() {
        let panel = Panel {
            left: 10.0,
            top: 0.0,
            width: 360.0,
        };
        let pieces = panel.on_map([369.0, 50.0], [12.0, 53.0]);
        assert_eq!(
            pieces,
            [([369.0, 50.0], [370.0, 51.0]), ([10.0, 51.0], [12.0, 53.0])]
        );
        assert_eq!(panel.on_map([20.0, 5.0], [30.0, 5.0]).len(), 1);
    }

    /// However the solid lies, a name covers no number and no other name.
    #[test]
    fn names_of_places_keep_clear_of_numbers() {
        let panel = Panel {
            left: 80.0,
            top: 100.0,
            width: MAP_PX as f64,
        };
        let feature = |name: &str, lat: f64, lon: f64, radius_deg: f64| Feature {
            name: name.into(),
            towards: direction(lat, lon),
            radius_rad: radius_deg.to_radians(),
            prominence_m: None,
        };
        let features = [
            feature("peak 1", 20.7, 294.3, 6.2),
            feature("peak 2", -58.3, 42.3, 25.0),
            feature("peak 3", 86.3, 321.3, 1.0),
            feature("basin 1", -14.3, 34.7, 11.1),
            feature("basin 2", 51.8, 131.3, 5.7),
        ];
        for name in [
            "dodecahedron",
            "snub-dodecahedron",
            "disdyakis-triacontahedron",
        ] {
            let solid = Solid::named(name).unwrap();
            for i in 0..60 {
                let turn = DMat3::from_rotation_z(0.11 * f64::from(i))
                    * DMat3::from_rotation_x(0.07 * f64::from(i));
                let solid = solid.turned(&turn);
                let numbers = panel.numbers(&solid);
                let mut svg = Svg::new(2000, 2000);
                let names = panel.features(&mut svg, &features, &numbers);
                assert_eq!(names.len(), features.len());
                for (k, words) in names.iter().enumerate() {
                    let taken = numbers.iter().chain(&names[..k]);
                    let covered: f64 = taken.map(|other| words.overlap(other)).sum();
                    assert_eq!(covered, 0.0, "{name}, turn {i}: {}", words.text);
                    let [left, top, right, bottom] = words.ground();
                    assert!(left >= 80.0 && right <= 1880.0 && top >= 100.0 && bottom <= 1000.0);
                }
            }
        }
    }

    /// Seams are drawn where the solid says: the middle of every seam is a dark line.
    #[test]
    fn seams_lie_on_the_map_where_the_turn_puts_them() {
        let grid = bumpy(180, DMat3::IDENTITY);
        let mut settings = Settings::default();
        settings.globe.solid = "cube".into();
        settings.relief.range = crate::model::settings::ReliefRange::Mm(6.0);
        let turned = turn_on(&grid, &settings).unwrap();
        let solid = Solid::named("cube").unwrap();
        let picture = draw(
            "a < b",
            &grid,
            &plain_curve(&grid),
            100.0,
            &solid,
            &turned,
            &[],
        )
        .unwrap();
        let after = solid.turned(&turned.found.choices[0].turn(&solid));
        let top = (picture.height() as usize - MARGIN_PX - 20) / 2 + 70 + CAPTION_PX - 20;
        let panel = Panel {
            left: MARGIN_PX as f64,
            top: top as f64,
            width: MAP_PX as f64,
        };
        let accent = |p: &Rgb<u8>| i32::from(p.0[2]) - i32::from(p.0[0]) > 60;
        let drawn = after.seams.iter().filter(|seam| {
            let [a, b] = seam.corners.map(|i| after.corners[i]);
            let [x, y] = panel.at(a.lerp(b, 0.5));
            accent(picture.get_pixel(x as u32, y as u32))
        });
        // A label may lie over one of them.
        assert!(drawn.count() >= 11);
    }
}
