//! The assembly map: the solid unfolded, every facet with its ground, number and seams.

use super::drawing::{Drawing, Layer, Shape};
use crate::geometry::Solid;
use crate::pictures::{Light, QUIET, escape, shade};
use crate::settings::Settings;
use crate::shop::net::Laid;
use crate::shop::plan::paper_mm;
use crate::shop::polygon::{bounds, holds, sides};
use crate::shop::{facet_label, seam_label};
use crate::stages::report::overview;
use crate::stages::resample::Sampler;
use crate::{Error, Problem, Result};
use base64::Engine;
use glam::{DVec2, DVec3};
use image::RgbImage;
use ndarray::Array2;
use std::fmt::Write;

/// Paper left free at every edge of a sheet, mm: most printers need half of it.
const MARGIN_MM: f64 = 10.0;

/// Room for the title and the page's number at the top of each sheet, mm.
const HEAD_MM: f64 = 8.0;

/// Pixels of shaded ground per mm of paper: about 150 dots to the inch, fine for a printer and
/// small in a file.
const PIXELS_PER_MM: f64 = 6.0;

/// Most pixels along one side of the single picture of the whole map.
const MOST_PIXELS: f64 = 4000.0;

/// Numbers smaller than this cannot be read on paper, mm.
const LEAST_TYPE: f64 = 1.6;

/// The map at its printed size.
pub struct Map<'a> {
    solid: &'a Solid,
    net: &'a [Laid],
    sampler: Option<&'a Sampler>,
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

impl<'a> Map<'a> {
    /// The largest map, up to true size, that fits the sheets the job allows.
    pub fn new(
        solid: &'a Solid,
        net: &'a [Laid],
        sampler: Option<&'a Sampler>,
        settings: &Settings,
    ) -> Map<'a> {
        let corners: Vec<DVec2> = net.iter().flat_map(|laid| laid.corners(solid)).collect();
        let (low, high) = bounds(&corners);
        let size = high - low;
        let sheet_mm = paper_mm(settings.paper.size);
        let room = DVec2::new(
            sheet_mm[0] - 2.0 * MARGIN_MM,
            sheet_mm[1] - 2.0 * MARGIN_MM - HEAD_MM,
        );
        let true_size = settings.globe.diameter_mm / 2.0;
        let mut best = (0.0, [1, 1]);
        for across in 1..=settings.paper.pages {
            let down = settings.paper.pages / across;
            let room = room * DVec2::new(across as f64, down as f64);
            let scale = (room / size).min_element().min(true_size);
            if scale > best.0 + 1e-9 {
                best = (scale, [across, down]);
            }
        }
        let (scale, _) = best;
        // No more sheets than the map then needs.
        let needed = (size * scale / room - 1e-9).ceil().max(DVec2::ONE);
        Map {
            solid,
            net,
            sampler,
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
        let size = self.size * self.scale;
        let low = DVec2::splat(-MARGIN_MM);
        let high = size + DVec2::new(MARGIN_MM, MARGIN_MM + HEAD_MM);
        self.window(low, high, high - low, &self.heading(""))
    }

    /// The sheets, row by row from the upper left.
    ///
    /// # Errors
    /// As [`svg`](Self::svg).
    pub fn pages(&self) -> Result<Vec<String>> {
        let [across, down] = self.sheets;
        let sheet = DVec2::from_array(self.sheet_mm);
        let room = sheet - DVec2::new(2.0 * MARGIN_MM, 2.0 * MARGIN_MM + HEAD_MM);
        // The map stands in the middle of all sheets together.
        let spare = 0.5 * (room * DVec2::new(across as f64, down as f64) - self.size * self.scale);
        let mut pages = Vec::new();
        for row in 0..down {
            for column in 0..across {
                let step = DVec2::new(column as f64, (down - 1 - row) as f64);
                let low = room * step - spare - MARGIN_MM;
                let number = match across * down {
                    1 => String::new(),
                    count => format!(", sheet {} of {count}", row * across + column + 1),
                };
                pages.push(self.window(low, low + sheet, sheet, &self.heading(&number))?);
            }
        }
        Ok(pages)
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

    /// A rectangle of paper (mm, y up, the map's lower left at 0) as SVG.
    fn window(&self, low: DVec2, high: DVec2, sheet: DVec2, heading: &str) -> Result<String> {
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w:.3}mm\" height=\"{h:.3}mm\" \
             viewBox=\"0 0 {w:.3} {h:.3}\" font-family=\"DejaVu Sans, sans-serif\">\n\
             <rect width=\"{w:.3}\" height=\"{h:.3}\" fill=\"#ffffff\"/>\n",
            w = sheet.x,
            h = sheet.y
        );
        let _ = writeln!(
            out,
            "<text x=\"{MARGIN_MM}\" y=\"{:.2}\" font-size=\"4\" fill=\"#1a1a1a\">{}</text>",
            MARGIN_MM + 3.5,
            escape(heading)
        );
        // Nothing of the map runs into the margin, where a printer could not follow.
        let (x, y) = (MARGIN_MM, MARGIN_MM + HEAD_MM);
        let (w, h) = (
            sheet.x - 2.0 * MARGIN_MM,
            sheet.y - 2.0 * MARGIN_MM - HEAD_MM,
        );
        let _ = writeln!(
            out,
            "<clipPath id=\"sheet\"><rect x=\"{x:.3}\" y=\"{y:.3}\" width=\"{w:.3}\" \
             height=\"{h:.3}\"/></clipPath>\n<g clip-path=\"url(#sheet)\">"
        );
        if let Some(sampler) = self.sampler {
            let picture = self.ground(sampler, low, high)?;
            let _ = writeln!(
                out,
                "<image x=\"0\" y=\"0\" width=\"{:.3}\" height=\"{:.3}\" \
                 href=\"data:image/png;base64,{picture}\"/>",
                sheet.x, sheet.y
            );
        }
        let drawing = self.lines();
        out.push_str(&drawing.svg_layers(DVec2::new(low.x, high.y), 1.0));
        out.push_str("</g>\n");
        if self.sheets != [1, 1] && sheet.to_array() == self.sheet_mm {
            let _ = writeln!(
                out,
                "<rect x=\"{x:.3}\" y=\"{y:.3}\" width=\"{w:.3}\" height=\"{h:.3}\" fill=\"none\" \
                 stroke=\"{QUIET}\" stroke-width=\"0.18\" stroke-dasharray=\"2 2\"/>"
            );
        }
        out.push_str("</svg>\n");
        Ok(out)
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
            drawing.words(
                centre - DVec2::Y * 0.36 * big,
                big,
                0,
                facet_label(laid.face),
            );
            for (side, (a, b)) in sides(&corners).enumerate() {
                let middle = 0.5 * (a + b);
                let inward = (centre - middle).normalize_or_zero();
                let label = seam_label(face.edges[side].seam);
                // Half the words' box, measured towards the middle: steep edges need more.
                let half_wide = 0.32 * small * label.chars().count() as f64;
                let half_box = half_wide * inward.x.abs() + 0.45 * small * inward.y.abs();
                let at = middle + inward * (half_box + 0.5) - DVec2::Y * 0.36 * small;
                drawing.words(at, small, 0, label);
            }
            let tip = corners[0] + (centre - corners[0]).normalize_or_zero() * 0.08 * reach;
            let inward = (centre - corners[0]).normalize_or_zero();
            let base = tip + inward * (0.2 * reach);
            let side = inward.perp() * (0.08 * reach);
            drawing.add(
                Layer::IndexMark,
                Shape::Filled(vec![tip, base + side, base - side]),
            );
            drawing.add(Layer::Blank, Shape::Closed(corners));
        }
        drawing
    }

    /// Shaded ground of a rectangle of paper, as base64 PNG; white outside the facets.
    fn ground(&self, sampler: &Sampler, low: DVec2, high: DVec2) -> Result<String> {
        let size = high - low;
        let per_mm = PIXELS_PER_MM.min(MOST_PIXELS / size.max_element());
        let (columns, rows) = ((size.x * per_mm).ceil(), (size.y * per_mm).ceil());
        let mut picture = RgbImage::from_pixel(
            columns as u32,
            rows as u32,
            image::Rgb(crate::pictures::PAPER),
        );
        let step = DVec2::new(size.x / columns, -size.y / rows);
        let first = DVec2::new(low.x, high.y) + 0.5 * step;
        for laid in self.net {
            let corners: Vec<DVec2> = laid
                .corners(self.solid)
                .iter()
                .map(|p| self.paper(*p))
                .collect();
            let (a, b) = bounds(&corners);
            // One pixel more all round, for the slopes.
            let span = |from: f64, to: f64, count: f64| {
                let from = (from.floor() - 1.0).clamp(0.0, count);
                (from as usize, (to.ceil() + 2.0).clamp(0.0, count) as usize)
            };
            let (c0, c1) = span((a.x - first.x) / step.x, (b.x - first.x) / step.x, columns);
            let (r0, r1) = span((b.y - first.y) / step.y, (a.y - first.y) / step.y, rows);
            if c0 >= c1 || r0 >= r1 {
                continue;
            }
            let place =
                |row: usize, column: usize| first + step * DVec2::new(column as f64, row as f64);
            let face = &self.solid.faces[laid.face];
            let back = DVec2::from_angle(-laid.angle_rad);
            let directions: Vec<DVec3> = (r0..r1)
                .flat_map(|row| (c0..c1).map(move |column| (row, column)))
                .map(|(row, column)| {
                    let net = place(row, column) / self.scale + self.low;
                    let flat = back.rotate(net - laid.centre);
                    face.frame.to_body(flat.extend(face.distance)).normalize()
                })
                .collect();
            let relief: Vec<f32> = sampler
                .relief_mm(&directions)
                .iter()
                .map(|&mm| mm as f32)
                .collect();
            let Ok(relief) = Array2::from_shape_vec((r1 - r0, c1 - c0), relief) else {
                continue;
            };
            // Slopes of the true globe, whatever the size of the print.
            let pixel_mm = step.x / self.share;
            let light = Light::upper_left(MAP_SLOPES);
            let bright = shade(&relief, pixel_mm, &light);
            for row in r0..r1 {
                for column in c0..c1 {
                    if holds(&corners, place(row, column), 0.0) {
                        // Pale, so that numbers on it stay legible.
                        let light = bright[(row - r0, column - c0)];
                        let grey = (255.0 * (0.42 + 0.58 * light)).round() as u8;
                        picture.put_pixel(column as u32, row as u32, image::Rgb([grey; 3]));
                    }
                }
            }
        }
        let bytes = overview::encode(&picture)?;
        if bytes.is_empty() {
            return Err(Error::Disk(Problem::new(
                "the map's picture came out empty",
            )));
        }
        Ok(base64::engine::general_purpose::STANDARD.encode(bytes))
    }
}

/// Slopes are shaded this many times as steep as they are: plains would otherwise show nothing.
const MAP_SLOPES: f64 = 2.0;
