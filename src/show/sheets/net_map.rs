//! The assembly map: the solid unfolded, every facet with its ground, number and seams.
//!
//! On several sheets neighbours show a common strip with the same rings in it: one sheet is cut
//! along the strip's middle and laid on the other, ring on ring.
//!
//! ```text
//!   sheet 1 |-------------------|        printable width
//!   sheet 2                |-------------------|
//!                          |o-| the strip, the ring on the line to cut
//! ```

use super::drawing::{Drawing, Layer, Primitive};
use super::ground::{View, Window};
use super::sheet::{HEAD_MM, MARGIN_MM, Sheet};
use crate::Result;
use crate::carve::resample::Sampler;
use crate::model::geometry::Solid;
use crate::model::places::on_facet;
use crate::model::settings::{NamedPlace, Settings};
use crate::shop::mount::north;
use crate::shop::net::Laid;
use crate::shop::plan::paper_mm;
use crate::shop::polygon::{bounds, holds, separation, sides};
use crate::shop::{facet_label, seam_label};
use crate::show::pictures::{Box4, Labels, grey_png, middle_box, picture};
use glam::DVec2;

/// Width of the strip that neighbouring sheets both show, mm: enough to glue or tape.
const STRIP_MM: f64 = 12.0;

/// Rings in each strip of a sheet, at these parts of its length.
const RINGS_AT: [f64; 3] = [0.15, 0.5, 0.85];

/// Radius of a ring, mm.
const RING_MM: f64 = 1.8;

/// Pixels of shaded ground per mm of paper: about 150 dots to the inch, fine for a printer and
/// small in a file.
const PIXELS_PER_MM: f64 = 6.0;

/// Most pixels along one side of the single picture of the whole map.
const MOST_PIXELS: f64 = 4000.0;

/// Height of the names of places, mm.
const NAME_MM: f64 = 2.0;

/// Numbers smaller than this cannot be read on paper, mm.
const LEAST_TYPE: f64 = 1.6;

/// One sheet: its number from 1 and the lower left of its printable part, mm on the map.
#[derive(Debug, Clone, Copy, PartialEq)]
struct SheetTile {
    number: usize,
    row: usize,
    column: usize,
    low: DVec2,
}

/// The map at its printed size.
pub struct NetMap<'a> {
    solid: &'a Solid,
    net: &'a [Laid],
    sampler: Option<&'a Sampler>,
    places: &'a [NamedPlace],
    title: String,
    /// Paper mm for a length of one corner radius.
    scale: f64,
    /// Share of true size, 1 for the globe itself.
    pub share: f64,
    /// Sheets across and down.
    pub sheets: [usize; 2],
    /// Sheet, mm.
    pub sheet_mm: [f64; 2],
    low: DVec2,
    size: DVec2,
}

impl<'a> NetMap<'a> {
    /// The largest map, up to true size, that fits the sheets the job allows.
    pub fn new(
        solid: &'a Solid,
        net: &'a [Laid],
        sampler: Option<&'a Sampler>,
        places: &'a [NamedPlace],
        settings: &Settings,
    ) -> NetMap<'a> {
        let corners: Vec<DVec2> = net.iter().flat_map(|laid| laid.corners(solid)).collect();
        let (low, high) = bounds(&corners);
        let size = high - low;
        let sheet_mm = paper_mm(settings.paper.size);
        let room = printable(sheet_mm);
        let true_size = settings.globe.diameter_mm / 2.0;
        let mut scale = 0.0_f64;
        for across in 1..=settings.paper.pages {
            let down = settings.paper.pages / across;
            let sheets = DVec2::new(across as f64, down as f64);
            let room = room * sheets - STRIP_MM * (sheets - 1.0);
            scale = scale.max((room / size).min_element().min(true_size));
        }
        // No more sheets than the map then needs.
        let needed = (size * scale - STRIP_MM) / (room - STRIP_MM);
        let needed = (needed - 1e-9).ceil().max(DVec2::ONE);
        NetMap {
            solid,
            net,
            sampler,
            places,
            title: settings.name.clone(),
            scale,
            share: scale / true_size,
            sheets: [needed.x as usize, needed.y as usize],
            sheet_mm,
            low,
            size,
        }
    }

    /// The whole map as one SVG.
    ///
    /// # Errors
    /// [`Error::Disk`] if the picture of the ground cannot be encoded.
    pub fn svg(&self) -> Result<String> {
        let around = DVec2::new(2.0 * MARGIN_MM, 2.0 * MARGIN_MM + HEAD_MM);
        let mut sheet = Sheet::new(self.size * self.scale + around);
        sheet.heading(&self.heading(""));
        self.window(sheet, DVec2::splat(-MARGIN_MM), None)
    }

    /// The sheets that show a part of the map, row by row from the upper left.
    ///
    /// # Errors
    /// As [`svg`](Self::svg).
    pub fn pages(&self) -> Result<Vec<String>> {
        let marks = self.marks();
        let foot = match marks {
            Some(_) => {
                "Cut one sheet along the dash-dot line and lay it on its neighbour, ring on ring."
            }
            None => "",
        };
        self.tiles()
            .iter()
            .map(|tile| {
                let low = tile.low - MARGIN_MM;
                let heading = match self.sheets {
                    [1, 1] => String::new(),
                    [across, down] => format!(
                        ", sheet {} of {} (row {}, column {})",
                        tile.number,
                        across * down,
                        tile.row + 1,
                        tile.column + 1
                    ),
                };
                let sheet = Sheet::printed(self.sheet_mm, &self.heading(&heading), foot);
                self.window(sheet, low, marks.as_ref())
            })
            .collect()
    }

    /// From the lower left of one sheet's printable part to the next's, mm.
    fn step(&self) -> DVec2 {
        printable(self.sheet_mm) - STRIP_MM
    }

    /// Lower left of all sheets together on the map: it stands in their middle, mm.
    fn first(&self) -> DVec2 {
        let sheets = DVec2::new(self.sheets[0] as f64, self.sheets[1] as f64);
        let all = self.step() * sheets + STRIP_MM;
        -0.5 * (all - self.size * self.scale)
    }

    /// The sheets with a part of the map on them.
    fn tiles(&self) -> Vec<SheetTile> {
        let [across, down] = self.sheets;
        let room = printable(self.sheet_mm);
        let shows = |low: &DVec2| {
            let corners = [
                *low,
                *low + DVec2::new(room.x, 0.0),
                *low + room,
                *low + DVec2::new(0.0, room.y),
            ];
            self.net.iter().any(|laid| {
                let facet: Vec<DVec2> = laid
                    .corners(self.solid)
                    .iter()
                    .map(|p| self.paper(*p))
                    .collect();
                separation(&facet, &corners) < 0.0
            })
        };
        (0..across * down)
            .map(|i| {
                let (row, column) = (i / across, i % across);
                let step = DVec2::new(column as f64, (down - 1 - row) as f64);
                SheetTile {
                    number: i + 1,
                    row,
                    column,
                    low: self.first() + self.step() * step,
                }
            })
            .filter(|tile| shows(&tile.low))
            .collect()
    }

    /// Lines to cut along and rings to lay on each other; `None` on a single sheet.
    fn marks(&self) -> Option<Drawing> {
        let [across, down] = self.sheets;
        if across * down == 1 {
            return None;
        }
        let (first, step) = (self.first(), self.step());
        let room = printable(self.sheet_mm);
        let mut drawing = Drawing::default();
        let mut strip = |line: f64, sheets: usize, turned: bool| {
            let place = |along: f64| match turned {
                false => DVec2::new(line, along),
                true => DVec2::new(along, line),
            };
            let (from, step, room) = match turned {
                false => (first.y, step.y, room.y),
                true => (first.x, step.x, room.x),
            };
            let end = from + step * (sheets - 1) as f64 + room;
            drawing.line(Layer::SawCut, place(from), place(end));
            for sheet in 0..sheets {
                for part in RINGS_AT {
                    let at = place(from + step * sheet as f64 + part * room);
                    drawing.add(Layer::Axis, Primitive::Ring(at, RING_MM));
                    drawing.axis_cross(at, 2.0 * RING_MM);
                }
            }
        };
        for k in 1..across {
            let line = first.x + step.x * k as f64 + 0.5 * STRIP_MM;
            strip(line, down, false);
        }
        for k in 1..down {
            let line = first.y + step.y * k as f64 + 0.5 * STRIP_MM;
            strip(line, across, true);
        }
        Some(drawing)
    }

    fn heading(&self, sheet: &str) -> String {
        let share = self.share * 100.0;
        let size = if self.share > 1.0 - 1e-9 {
            "true size".to_owned()
        } else {
            format!("{share:.1} % of true size")
        };
        format!(
            "{}: assembly map, seen from outside, {size}{sheet}",
            self.title
        )
    }

    /// Draws a rectangle of paper (mm, y up, the map's lower left at 0) on a sheet of its size.
    fn window(&self, mut sheet: Sheet, low: DVec2, marks: Option<&Drawing>) -> Result<String> {
        let high = low + sheet.size;
        // Nothing of the map runs into the margin, where a printer could not follow.
        let upper_left = DVec2::new(MARGIN_MM, MARGIN_MM + HEAD_MM);
        let room = sheet.size - upper_left - MARGIN_MM;
        sheet.add(format_args!(
            "<clipPath id=\"sheet\"><rect x=\"{:.3}\" y=\"{:.3}\" width=\"{:.3}\" \
             height=\"{:.3}\"/></clipPath>\n<g clip-path=\"url(#sheet)\">",
            upper_left.x, upper_left.y, room.x, room.y
        ));
        if let Some(sampler) = self.sampler {
            let image = self.ground(sampler, low, high)?;
            sheet.add(format_args!(
                "{}",
                picture(&image, [0.0, 0.0, sheet.size.x, sheet.size.y])
            ));
        }
        let origin = DVec2::new(low.x, high.y);
        sheet.drawing(&self.lines(), origin);
        if let Some(marks) = marks {
            sheet.drawing(marks, origin);
        }
        sheet.add(format_args!("</g>"));
        Ok(sheet.finish(&self.title))
    }

    /// A point of the net on paper.
    fn paper(&self, point: DVec2) -> DVec2 {
        (point - self.low) * self.scale
    }

    fn lines(&self) -> Drawing {
        let mut drawing = Drawing::default();
        for laid in self.net {
            let face = &self.solid.faces[laid.face];
            let corners: Vec<DVec2> = laid
                .corners(self.solid)
                .iter()
                .map(|p| self.paper(*p))
                .collect();
            let centre = self.paper(laid.centre);
            let reach = face
                .edges
                .iter()
                .map(|e| e.reach)
                .fold(f64::INFINITY, f64::min)
                * self.scale;
            let big = (0.34 * reach).clamp(LEAST_TYPE, 9.0);
            let small = (0.17 * reach).clamp(LEAST_TYPE, 3.2);
            let mut names = Labels::new(NAME_MM);
            let mut words = |at: DVec2, size: f64, text: String| {
                names.keep_clear(middle_box([at.x, -at.y], size, &text));
                drawing.words(at, size, 0, text);
            };
            words(centre - DVec2::Y * 0.36 * big, big, facet_label(laid.face));
            for (side, (a, b)) in sides(&corners).enumerate() {
                let middle = 0.5 * (a + b);
                let inward = (centre - middle).normalize_or_zero();
                let label = seam_label(face.edges[side].seam);
                // Half the words' box, measured towards the middle: steep edges need more.
                let half_wide = 0.32 * small * label.chars().count() as f64;
                let half_box = half_wide * inward.x.abs() + 0.45 * small * inward.y.abs();
                let at = middle + inward * (half_box + 0.5) - DVec2::Y * 0.36 * small;
                words(at, small, label);
            }
            let tip = corners[0] + (centre - corners[0]).normalize_or_zero() * 0.08 * reach;
            let inward = (centre - corners[0]).normalize_or_zero();
            let base = tip + inward * (0.2 * reach);
            let side = inward.perp() * (0.08 * reach);
            drawing.add(
                Layer::IndexMark,
                Primitive::Filled(vec![tip, base + side, base - side]),
            );
            // Beside the number, north as the facet lies in the net.
            let toward =
                north(&face.frame).map(|toward| DVec2::from_angle(laid.angle_rad).rotate(toward));
            let long = 0.8 * big;
            let at = centre + DVec2::X * (0.64 * big + 1.05 * long);
            super::mount::north_arrow(&mut drawing, at, long, toward);
            let reach = 1.15 * long;
            names.keep_clear([at.x - reach, -at.y - reach, at.x + reach, -at.y + reach]);
            names.keep_clear([tip, base + side, base - side].iter().fold(
                [
                    f64::INFINITY,
                    f64::INFINITY,
                    f64::NEG_INFINITY,
                    f64::NEG_INFINITY,
                ],
                |b, p| [b[0].min(p.x), b[1].min(-p.y), b[2].max(p.x), b[3].max(-p.y)],
            ));
            self.name_places(&mut drawing, names, laid, &corners);
            drawing.add(Layer::Blank, Primitive::Closed(corners));
        }
        drawing
    }

    /// Names of the places on a facet, inside its sides.
    fn name_places(
        &self,
        drawing: &mut Drawing,
        mut names: Labels,
        laid: &Laid,
        corners: &[DVec2],
    ) {
        let inside = |b: &Box4| {
            let [left, top, right, bottom] = *b;
            [[left, top], [right, top], [right, bottom], [left, bottom]]
                .iter()
                .all(|[x, y]| holds(corners, DVec2::new(*x, -y), 0.0))
        };
        for on in on_facet(self.places, self.solid, laid.face) {
            let flat = on.local.truncate() * self.solid.faces[laid.face].distance / on.local.z;
            let at = self.paper(laid.place(flat));
            names.place([at.x, -at.y], &on.place.name, inside);
        }
        for label in names.placed() {
            let [dot, at] = [label.dot, label.at].map(|[x, y]| DVec2::new(x, -y));
            let around = (0..12).map(|i| {
                let turn = f64::from(i) * std::f64::consts::TAU / 12.0;
                dot + DVec2::from_angle(turn) * names.dot_radius()
            });
            drawing.add(Layer::Place, Primitive::Filled(around.collect()));
            let words = Primitive::Words(at, NAME_MM, -1, label.text.clone());
            drawing.add(Layer::Place, words);
        }
    }

    /// Shaded ground of a rectangle of paper, as PNG; white outside the facets.
    fn ground(&self, sampler: &Sampler, low: DVec2, high: DVec2) -> Result<Vec<u8>> {
        let per_mm = PIXELS_PER_MM.min(MOST_PIXELS / (high - low).max_element());
        let window = Window::new(low, high, per_mm);
        let mut grey = window.blank();
        for laid in self.net {
            let corners = laid.corners(self.solid);
            let corners: Vec<DVec2> = corners.iter().map(|p| self.paper(*p)).collect();
            let face = &self.solid.faces[laid.face];
            let back = DVec2::from_angle(-laid.angle_rad);
            let towards = |at: DVec2| {
                let flat = back.rotate(at / self.scale + self.low - laid.centre);
                face.frame.to_body(flat.extend(face.distance)).normalize()
            };
            let view = View {
                sampler,
                share: self.share,
                bounds: bounds(&corners),
                towards: &towards,
                inside: &|at| holds(&corners, at, 0.0),
            };
            window.paint(&mut grey, &view);
        }
        grey_png(&grey)
    }
}

/// Room inside the margins and under the heading, mm.
fn printable(sheet_mm: [f64; 2]) -> DVec2 {
    DVec2::from_array(sheet_mm) - DVec2::new(2.0 * MARGIN_MM, 2.0 * MARGIN_MM + HEAD_MM)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::solid_names;
    use crate::model::settings::Paper;
    use crate::shop::net::unfold;

    fn settings(paper: Paper, pages: usize) -> Settings {
        let mut settings = Settings::default();
        settings.globe.diameter_mm = 300.0;
        settings.paper.size = paper;
        settings.paper.pages = pages;
        settings
    }

    /// Whatever the sheets: each part of the map is on one, and none is larger than asked for.
    #[test]
    fn every_facet_is_on_the_sheets_of_every_solid() {
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let net = unfold(&solid, &[DVec2::new(210.0, 297.0)]).unwrap();
            let mut before = 0.0;
            for (paper, pages) in [
                (Paper::A4, 1),
                (Paper::A4, 4),
                (Paper::Letter, 6),
                (Paper::A4, 9),
            ] {
                let map = NetMap::new(&solid, &net, None, &[], &settings(paper, pages));
                let tiles = map.tiles();
                assert!(tiles.len() <= map.sheets[0] * map.sheets[1], "{name}");
                assert!(map.sheets[0] * map.sheets[1] <= pages, "{name}");
                assert!(
                    map.share <= 1.0 + 1e-12 && map.share > before - 0.05,
                    "{name}"
                );
                before = map.share;
                let room = printable(map.sheet_mm);
                for corner in net.iter().flat_map(|laid| laid.corners(&solid)) {
                    let p = map.paper(corner);
                    let inside = tiles.iter().any(|tile| {
                        p.cmpge(tile.low - 1e-6).all() && p.cmple(tile.low + room + 1e-6).all()
                    });
                    assert!(inside, "{name}: {p} is on no sheet");
                }
            }
        }
    }

    /// A letter is at least half as wide as it is high, on average: from this alone, names of places
    /// are neither over each other nor over numbers, on every solid.
    #[test]
    fn names_of_places_lie_over_nothing_on_every_solid() {
        let settings = settings(Paper::A4, 4);
        let places = crate::model::places::places(Some("Mars"), &settings);
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let net = unfold(&solid, &[DVec2::new(210.0, 297.0)]).unwrap();
            let map = NetMap::new(&solid, &net, None, &places, &settings);
            let mut boxes: Vec<([DVec2; 2], String, bool)> = Vec::new();
            for (layer, shape) in map.lines().shapes {
                let Primitive::Words(at, size, anchor, text) = shape else {
                    continue;
                };
                let wide = 0.5 * size * text.chars().count() as f64;
                let left = at.x - 0.5 * wide * f64::from(anchor + 1);
                let low = DVec2::new(left, at.y);
                let high = low + DVec2::new(wide, 0.7 * size);
                boxes.push(([low, high], text, layer == Layer::Place));
            }
            let (names, others): (Vec<_>, Vec<_>) = boxes.iter().partition(|(_, _, place)| *place);
            if solid.faces.len() <= 14 {
                assert!(names.len() > 10, "{name}: {}", names.len());
            }
            for (i, ([low, high], text, _)) in names.iter().enumerate() {
                for ([l, h], other, _) in names[..i].iter().chain(&others) {
                    let apart = high.cmple(*l).any() || h.cmple(*low).any();
                    assert!(apart, "{name}: {text} over {other}");
                }
            }
        }
    }

    #[test]
    fn neighbouring_sheets_share_a_strip_with_the_same_rings() {
        let solid = Solid::named("dodecahedron").unwrap();
        let net = unfold(&solid, &[DVec2::new(210.0, 297.0)]).unwrap();
        let map = NetMap::new(&solid, &net, None, &[], &settings(Paper::A4, 4));
        assert_eq!(map.sheets, [2, 2]);
        let room = printable(map.sheet_mm);
        let tiles = map.tiles();
        let [a, b] = [0, 1].map(|column| tiles.iter().find(|t| t.column == column).unwrap());
        let strip = a.low.x + room.x - b.low.x;
        assert!((strip - STRIP_MM).abs() < 1e-9, "{strip}");
        // Rings as they are drawn: millimetres of the sheet, y down; on the map, one place.
        let pages = map.pages().unwrap();
        let rings = |tile: &SheetTile| -> Vec<DVec2> {
            let page = &pages[tiles.iter().position(|t| t == tile).unwrap()];
            let high = tile.low.y - MARGIN_MM + map.sheet_mm[1];
            page.split("<circle cx=\"")
                .skip(1)
                .map(|text| {
                    let mut parts = text.split('"');
                    let x: f64 = parts.next().unwrap().parse().unwrap();
                    let y: f64 = parts.nth(1).unwrap().parse().unwrap();
                    DVec2::new(tile.low.x - MARGIN_MM + x, high - y)
                })
                .filter(|p| p.cmpge(tile.low).all() && p.cmple(tile.low + room).all())
                .collect()
        };
        let same_row = tiles.iter().filter(|t| t.row == a.row).collect::<Vec<_>>();
        assert_eq!(same_row.len(), 2);
        let [left, right] = [rings(same_row[0]), rings(same_row[1])];
        let line = same_row[1].low.x + 0.5 * STRIP_MM;
        let common = left.iter().filter(|p| (p.x - line).abs() < 1e-3);
        let common: Vec<_> = common.collect();
        assert_eq!(common.len(), RINGS_AT.len());
        for ring in common {
            assert!(right.iter().any(|p| p.abs_diff_eq(*ring, 1e-3)), "{ring}");
        }
    }

    #[test]
    fn a_single_sheet_has_nothing_to_cut() {
        let solid = Solid::named("cube").unwrap();
        let net = unfold(&solid, &[DVec2::new(210.0, 297.0)]).unwrap();
        let map = NetMap::new(&solid, &net, None, &[], &settings(Paper::Letter, 1));
        let pages = map.pages().unwrap();
        assert_eq!(pages.len(), 1);
        assert!(!pages[0].contains("id=\"AXIS\"") && !pages[0].contains("Cut one sheet"));
        assert!(pages[0].contains("width=\"215.900mm\" height=\"279.400mm\""));
    }
}
