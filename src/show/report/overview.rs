//! `overview.png`: every facet shaded, numbered and turned as its image is, on one sheet.
//!
//! Images are large and come one at a time, so each leaves a [`Thumb`] behind and the sheet is
//! put together from those.

use crate::model::geometry::place_name;
use crate::model::geometry::{Frame, a_solid};
use crate::model::length::Lengths;
use crate::model::settings::Base;
use crate::output::manifest::{FacetEntry, Manifest};
use crate::show::pictures::{ACCENT, INK, Light, PAPER, QUIET, Svg, draw_over, shade};
use crate::{Error, Problem, Result};
use glam::{DVec2, DVec3};
use image::{Rgb, RgbImage};
use ndarray::Array2;

/// Width of the sheet, pixels: letter or A4 across at 300 dots per inch, with margins.
const SHEET_PX: u32 = 2400;

/// Smallest and largest width of a cell, pixels: many facets widen the sheet, few do not fill it.
const CELL_PX: (f64, f64) = (290.0, 1000.0);

/// Cells narrower than this have no room for heights in their captions, pixels.
const HEIGHTS_PX: f64 = 330.0;

/// Height of title and legend, pixels.
const TITLE_PX: f64 = 190.0;
const LEGEND_PX: f64 = 200.0;
/// Blank margin around the sheet, pixels.
const MARGIN_PX: f64 = 60.0;

/// Part of a cell's width and height that the facet may fill; the rest is for number, arrow and
/// captions.
const FILL: f64 = 0.84;

/// Width over height that the cells together should have.
const ASPECT: f64 = 1.45;

/// Relief is shaded as if its range were this part of the radius: enough for plains to show.
const SHADED_RELIEF: f64 = 0.14;

/// Share of brightness that comes from height alone: high ground is lighter.
const HEIGHT_TINT: f32 = 0.22;

/// How far the trim margin fades into the paper.
const TRIM_FADE: f32 = 0.55;

/// Points along each curved side of an outline.
const SIDE_POINTS: usize = 24;

/// How facets are laid out on the sheet: known before any image is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SheetLayout {
    columns: usize,
    rows: usize,
    /// Width and height of a cell, pixels.
    cell_px: f64,
    /// Common scale of all facets.
    px_per_mm: f64,
    /// Half the width of the largest image, mm.
    reach_mm: f64,
    globe: GlobeLook,
}

/// What shading needs of the globe.
#[derive(Debug, Clone, Copy, PartialEq)]
struct GlobeLook {
    base: Base,
    radius_mm: f64,
    pixel_mm: f64,
    black_mm: f64,
    white_mm: f64,
    lowest_mm: f64,
    highest_mm: f64,
}

impl SheetLayout {
    /// The layout for all facets of a manifest, whose counts and measurements may still be blank.
    pub fn of(manifest: &Manifest) -> SheetLayout {
        let count = manifest.facets.len().max(1);
        let columns = (1..=count)
            .min_by(|&a, &b| misfit(count, a).total_cmp(&misfit(count, b)))
            .unwrap_or(1);
        let cell_px = (f64::from(SHEET_PX) - 2.0 * MARGIN_PX) / columns as f64;
        let cell_px = cell_px.clamp(CELL_PX.0, CELL_PX.1);
        let widest = |facet: &FacetEntry| facet.width_px.max(facet.height_px);
        let side_px = manifest.facets.iter().map(widest).max().unwrap_or(1).max(1);
        let reach_mm = 0.5 * side_px as f64 * manifest.image.pixel_mm;
        let relief = &manifest.curve.knots_mm;
        SheetLayout {
            columns,
            rows: count.div_ceil(columns),
            cell_px,
            px_per_mm: 0.5 * FILL * cell_px / reach_mm,
            reach_mm,
            globe: GlobeLook {
                base: manifest.globe.base,
                radius_mm: manifest.globe.radius_mm,
                pixel_mm: manifest.image.pixel_mm,
                black_mm: manifest.image.black_mm,
                white_mm: manifest.image.white_mm,
                lowest_mm: relief.first().copied().unwrap_or(0.0),
                highest_mm: relief.last().copied().unwrap_or(0.0),
            },
        }
    }

    /// Scale of the facets' pictures.
    pub(crate) fn px_per_mm(&self) -> f64 {
        self.px_per_mm
    }

    /// The finished facet's outline, seen from above, mm.
    pub(crate) fn outline_mm(&self, facet: &FacetEntry) -> Vec<DVec2> {
        outline_mm(facet, &self.globe)
    }

    /// Pixels across a facet's picture, which is square with the facet's centre in its middle.
    fn thumb_px(&self) -> usize {
        (2.0 * self.reach_mm * self.px_per_mm).ceil() as usize
    }

    /// Where a facet's centre lies on the sheet.
    fn centre_px(&self, index: usize) -> [f64; 2] {
        let (width, _) = self.size_px();
        let left = 0.5 * (f64::from(width) - self.columns as f64 * self.cell_px);
        [
            left + self.cell_px * ((index % self.columns) as f64 + 0.5),
            TITLE_PX + self.cell_px * ((index / self.columns) as f64 + 0.5),
        ]
    }

    fn size_px(&self) -> (u32, u32) {
        let cells = self.rows as f64 * self.cell_px;
        let wide = self.columns as f64 * self.cell_px + 2.0 * MARGIN_PX;
        (
            wide.max(1400.0).round() as u32,
            (TITLE_PX + cells + LEGEND_PX).round() as u32,
        )
    }
}

/// How badly a number of columns fills a page: wasted cells and a wrong shape.
fn misfit(count: usize, columns: usize) -> f64 {
    let rows = count.div_ceil(columns);
    let waste = (rows * columns - count) as f64 / count as f64;
    let shape = (columns as f64 / rows as f64 / ASPECT).ln().abs();
    waste + shape
}

/// One facet's picture: grey, with how much of it is ink rather than paper.
#[derive(Debug, Clone, PartialEq)]
pub struct Thumb {
    /// Facet number.
    pub id: usize,
    /// Brightness 0..=255 on white paper, square.
    pub(crate) grey: Array2<u8>,
}

/// Shrinks and shades one finished image.
///
/// `levels` is the image of `facet`, `(rows, columns)`.
pub fn thumbnail(levels: &Array2<u16>, facet: &FacetEntry, layout: &SheetLayout) -> Thumb {
    let side = layout.thumb_px();
    let globe = &layout.globe;
    let px_mm = 1.0 / layout.px_per_mm;
    let small = shrink(levels, side, px_mm / globe.pixel_mm);
    let per_level = (globe.white_mm - globe.black_mm) / f64::from(u16::MAX);
    let centre = 0.5 * side as f64 - 0.5;
    let place =
        |row: usize, column: usize| DVec2::new(column as f64 - centre, centre - row as f64) * px_mm;
    let relief = Array2::from_shape_fn((side, side), |(row, column)| {
        let height = globe.black_mm + per_level * f64::from(small[(row, column)]);
        let place = place(row, column);
        let base = match globe.base {
            Base::Sphere => (globe.radius_mm.powi(2) - place.length_squared())
                .max(0.0)
                .sqrt(),
            Base::Flat => facet.base_distance_mm,
        };
        // The floor outside the blank would cast a cliff; held at the lowest ground it does not.
        (height + facet.back_plane_mm - base).max(globe.lowest_mm) as f32
    });
    let range = (globe.highest_mm - globe.lowest_mm).max(1e-6);
    let light = Light::upper_left((SHADED_RELIEF * globe.radius_mm / range).max(1.0));
    let bright = shade(&relief, px_mm, &light);
    let outline: Vec<DVec2> = outline_mm(facet, globe);
    let widths: Vec<(f64, f64)> = (0..side)
        .map(|row| width_at(&outline, place(row, 0).y))
        .collect();
    let grey = Array2::from_shape_fn((side, side), |at| {
        if small[at] < 0.5 {
            return PAPER[0];
        }
        let height = (relief[at] - globe.lowest_mm as f32) / range as f32;
        let light = (1.0 - HEIGHT_TINT) * bright[at] + HEIGHT_TINT * height.clamp(0.0, 1.0);
        let (left, right) = widths[at.0];
        let ink = if (left..=right).contains(&place(at.0, at.1).x) {
            light
        } else {
            light + (1.0 - light) * TRIM_FADE
        };
        (255.0 * ink).round() as u8
    });
    Thumb { id: facet.id, grey }
}

/// Mean level under each pixel of a smaller square picture with the same centre; 0 outside.
///
/// `step` is the width of a small pixel in large ones. Each small pixel is the exact mean over its
/// square; where pixels are to be enlarged (`step` below 1) the square stays one pixel wide,
/// which interpolates between neighbours.
fn shrink(levels: &Array2<u16>, side: usize, step: f64) -> Array2<f32> {
    let (rows, columns) = levels.dim();
    let (down, across) = (spans(rows, side, step), spans(columns, side, step));
    let mut small = Array2::zeros((side, side));
    let mut line = vec![0.0_f32; columns];
    for (mut out, span) in small.outer_iter_mut().zip(&down) {
        let Some(span) = span else { continue };
        line.fill(0.0);
        for row in span.first..=span.last {
            let weight = span.weight(row);
            let levels = levels.row(row);
            // As a slice, which is summed several pixels at a time; images are whole row by row.
            for (sum, &level) in line.iter_mut().zip(levels.to_slice().unwrap_or_default()) {
                *sum += weight * f32::from(level);
            }
        }
        for (out, span) in out.iter_mut().zip(&across) {
            let Some(span) = span else { continue };
            let inner: f32 = (span.first..=span.last)
                .map(|c| span.weight(c) * line[c])
                .sum();
            *out = inner;
        }
    }
    small
}

/// A run of large pixels under one small one: shares of the first and last, whole ones between.
#[derive(Debug, Clone, Copy)]
struct LineSpan {
    first: usize,
    last: usize,
    first_share: f32,
    last_share: f32,
    share: f32,
}

impl LineSpan {
    fn weight(&self, index: usize) -> f32 {
        if index == self.first {
            self.first_share
        } else if index == self.last {
            self.last_share
        } else {
            self.share
        }
    }
}

/// Where each of `side` small pixels lies among `length` large ones, both with one centre.
/// `None` where its middle lies outside.
fn spans(length: usize, side: usize, step: f64) -> Vec<Option<LineSpan>> {
    let (most, width) = (length as f64, step.max(1.0));
    (0..side)
        .map(|i| {
            let middle = (i as f64 + 0.5 - 0.5 * side as f64) * step + 0.5 * most;
            if middle < 0.0 || middle >= most {
                return None;
            }
            let low = (middle - 0.5 * width).max(0.0);
            let high = (middle + 0.5 * width).min(most);
            let first = low as usize;
            let last = ((high.ceil() as usize).max(first + 1) - 1).min(length - 1);
            let covered = high - low;
            let share = |from: f64, to: f64| ((to - from) / covered) as f32;
            Some(LineSpan {
                first,
                last,
                first_share: share(low, high.min(first as f64 + 1.0)),
                last_share: share(low.max(last as f64), high),
                share: share(0.0, 1.0),
            })
        })
        .collect()
}

/// The facet's edge on the base surface, counter-clockwise: arcs of great circles seen from above
/// on a ball, straight on flat faces.
fn outline_mm(facet: &FacetEntry, globe: &GlobeLook) -> Vec<DVec2> {
    let corners: Vec<DVec2> = facet.corners_mm.iter().map(|&c| DVec2::from(c)).collect();
    if globe.base == Base::Flat {
        return corners;
    }
    let lift = |c: DVec2| {
        let z = (globe.radius_mm.powi(2) - c.length_squared())
            .max(0.0)
            .sqrt();
        c.extend(z)
    };
    let mut outline = Vec::with_capacity(corners.len() * SIDE_POINTS);
    for (i, &corner) in corners.iter().enumerate() {
        let (from, to) = (lift(corner), lift(corners[(i + 1) % corners.len()]));
        for step in 0..SIDE_POINTS {
            let chord = from.lerp(to, step as f64 / SIDE_POINTS as f64);
            let place = chord.normalize_or(DVec3::Z) * globe.radius_mm;
            outline.push(place.truncate());
        }
    }
    outline
}

/// Left and right end of a convex outline at a height y; empty where it does not reach.
fn width_at(outline: &[DVec2], y: f64) -> (f64, f64) {
    let mut ends = (f64::INFINITY, f64::NEG_INFINITY);
    for (i, &a) in outline.iter().enumerate() {
        let b = outline[(i + 1) % outline.len()];
        if (a.y <= y) != (b.y <= y) {
            let x = a.x + (b.x - a.x) * (y - a.y) / (b.y - a.y);
            ends = (ends.0.min(x), ends.1.max(x));
        }
    }
    ends
}

/// Puts the sheet together. Facets without a picture stay blank.
///
/// # Errors
/// [`Error::Disk`] never in practice: only if the drawing itself were malformed.
pub fn sheet(manifest: &Manifest, layout: &SheetLayout, thumbs: &[Thumb]) -> Result<RgbImage> {
    let (width, height) = layout.size_px();
    let mut picture = RgbImage::from_pixel(width, height, Rgb(PAPER));
    for (index, facet) in manifest.facets.iter().enumerate() {
        if let Some(thumb) = thumbs.iter().find(|thumb| thumb.id == facet.id) {
            paste(&mut picture, thumb, layout.centre_px(index));
        }
    }
    draw_over(&mut picture, &describe(manifest, layout)).map_err(|what| {
        Error::Disk(Problem::new(format!(
            "the overview could not be drawn: {what}"
        )))
    })?;
    Ok(picture)
}

/// Everything on the sheet but the ground, as SVG: title, outlines, marks, captions, legend.
pub(crate) fn describe(manifest: &Manifest, layout: &SheetLayout) -> String {
    let (width, height) = layout.size_px();
    let mut svg = Svg::new(width, height);
    title(&mut svg, manifest);
    for (index, facet) in manifest.facets.iter().enumerate() {
        marks(
            &mut svg,
            facet,
            layout,
            layout.centre_px(index),
            manifest.lengths(),
        );
    }
    legend(&mut svg, layout, f64::from(width), f64::from(height));
    svg.finish()
}

/// Copies a facet's picture onto the sheet.
fn paste(picture: &mut RgbImage, thumb: &Thumb, centre: [f64; 2]) {
    let (rows, columns) = thumb.grey.dim();
    let left = (centre[0] - 0.5 * columns as f64).round() as i64;
    let top = (centre[1] - 0.5 * rows as f64).round() as i64;
    for ((row, column), &grey) in thumb.grey.indexed_iter() {
        let (x, y) = (left + column as i64, top + row as i64);
        if grey == PAPER[0] || x < 0 || y < 0 {
            continue;
        }
        if let Some(pixel) = picture.get_pixel_mut_checked(x as u32, y as u32) {
            *pixel = Rgb([grey; 3]);
        }
    }
}

fn title(svg: &mut Svg, manifest: &Manifest) {
    let solid = a_solid(&manifest.globe.solid.replace('-', " "));
    let diameter = 2.0 * manifest.globe.radius_mm;
    let say = manifest.lengths();
    let heading = format!("{} on {solid}", manifest.title());
    svg.bold(MARGIN_PX, 92.0, 56.0, "start", INK, &heading);
    let relief = &manifest.curve.knots_mm;
    let range = relief.last().unwrap_or(&0.0) - relief.first().unwrap_or(&0.0);
    let line = format!(
        "{} facets · {} across · {} of relief · {} stock · {}",
        manifest.facets.len(),
        say.text(diameter),
        say.text(range),
        say.text(manifest.globe.stock_mm),
        manifest.source.file,
    );
    svg.text(MARGIN_PX, 146.0, 30.0, "start", QUIET, &line);
}

/// Number, outline, index corner, north and captions of one facet.
fn marks(svg: &mut Svg, facet: &FacetEntry, layout: &SheetLayout, centre: [f64; 2], say: Lengths) {
    let cell = layout.cell_px;
    let size = (cell * 0.05).clamp(17.0, 30.0);
    let scale = layout.px_per_mm;
    let at = |p: DVec2| [centre[0] + p.x * scale, centre[1] - p.y * scale];
    let outline: Vec<[f64; 2]> = outline_mm(facet, &layout.globe)
        .into_iter()
        .map(at)
        .collect();
    svg.outline(&outline, (cell * 0.006).clamp(1.6, 4.0), ACCENT);
    if let Some(&corner) = facet.corners_mm.first() {
        let tip = at(DVec2::from(corner));
        let s = size * 0.85;
        let y = tip[1] - size * 0.3;
        svg.filled(
            &[
                [tip[0], y],
                [tip[0] - 0.6 * s, y - s],
                [tip[0] + 0.6 * s, y - s],
            ],
            ACCENT,
        );
    }
    let edge = 0.5 * cell;
    let number = size * 1.9;
    svg.bold(
        centre[0] - edge + size,
        centre[1] - edge + size * 0.4 + number,
        number,
        "start",
        INK,
        &facet.label,
    );
    north(
        svg,
        &facet.frame.axes(),
        [centre[0] + edge - 2.0 * size, centre[1] - edge + 2.2 * size],
        size,
    );
    let mut caption = place_name(facet.centre.lat_deg, facet.centre.lon_deg);
    if cell >= HEIGHTS_PX {
        caption += &format!(
            "  ·  {} to {} {}",
            say.number(facet.min_mm),
            say.number(facet.max_mm),
            say.unit()
        );
    }
    svg.text(
        centre[0],
        centre[1] + edge - size * 0.5,
        size,
        "middle",
        QUIET,
        &caption,
    );
}

/// Which way north is at a facet's centre; a dot or ring where it is straight up or down.
fn north(svg: &mut Svg, frame: &Frame, centre: [f64; 2], size: f64) {
    let toward = DVec2::new(frame.x.z, frame.y.z);
    let length = 2.0 * size;
    match toward.try_normalize().filter(|_| toward.length() > 1e-3) {
        Some(toward) => {
            svg.arrow(centre, [toward.x, toward.y], length, ACCENT);
            let letter = [
                centre[0] + toward.x * length * 0.76,
                centre[1] - toward.y * length * 0.76 + size * 0.33,
            ];
            svg.bold(letter[0], letter[1], size * 0.9, "middle", ACCENT, "N");
        }
        None => {
            let pole = if frame.z.z > 0.0 { "N pole" } else { "S pole" };
            svg.circle(centre, size * 0.55, size * 0.15, ACCENT);
            svg.circle(centre, size * 0.18, 0.0, ACCENT);
            svg.bold(
                centre[0],
                centre[1] + size * 1.7,
                size * 0.8,
                "middle",
                ACCENT,
                pole,
            );
        }
    }
}

fn legend(svg: &mut Svg, layout: &SheetLayout, width: f64, height: f64) {
    let size = 28.0;
    let y = height - LEGEND_PX + 95.0;
    let most = (0.22 * width).min(520.0);
    svg.scale_bar(MARGIN_PX + 20.0, y - 10.0, layout.px_per_mm, most, size);
    let x = 0.33 * width;
    svg.filled(
        &[[x, y], [x - 14.0, y - 24.0], [x + 14.0, y - 24.0]],
        ACCENT,
    );
    svg.text(
        x + 30.0,
        y,
        size,
        "start",
        INK,
        "index corner (up in every image)",
    );
    svg.line([x - 14.0, y + 38.0], [x + 14.0, y + 38.0], 4.0, ACCENT);
    svg.text(
        x + 30.0,
        y + 48.0,
        size,
        "start",
        INK,
        "seam; paler ground outside it is trimmed off",
    );
    let right = width - MARGIN_PX;
    svg.text(right, y, size, "end", QUIET, "light from the upper left");
    let note = "one scale; heights above the back";
    svg.text(right, y + 48.0, size, "end", QUIET, note);
}

#[cfg(test)]
pub(crate) mod testing {
    //! A rough globe on any solid, carved quickly from a formula.

    use super::*;
    use crate::model::geometry::{Solid, lat_lon_deg};
    use crate::output::manifest::testing::cube;
    use crate::output::manifest::{Centre, EdgeEntry};

    pub const RADIUS_MM: f64 = 100.0;
    pub const STOCK_MM: f64 = 60.0;
    const FLOOR_MM: f64 = 5.0;
    const TRIM_MM: f64 = 3.0;
    const RELIEF_MM: f64 = 6.0;

    /// Relief in −3..3 mm: ridges at several scales, one tall cone and a crater.
    fn relief_mm(u: DVec3) -> f64 {
        let mut height = 0.0;
        for octave in 0..7 {
            let f = 2.3 * 1.9_f64.powi(octave);
            let phase = f64::from(octave) * 1.7;
            let wave = (f * u.x + phase + 0.8 * (f * u.y).sin()).sin()
                * (f * u.y - phase + 0.8 * (f * u.z).cos()).cos()
                + (f * u.z + 2.0 * phase + (f * u.x).cos()).sin();
            height += wave * 0.6_f64.powi(octave);
        }
        let from =
            |lat: f64, lon: f64| u.angle_between(crate::model::geometry::direction(lat, lon));
        let cone = 3.5 * (1.0 - from(18.0, 226.0) / 0.12).max(0.0);
        let d = from(-30.0, 60.0) / 0.25;
        let crater = if d < 1.0 {
            2.0 * (d * d - 1.0)
        } else {
            0.8 * (-(d - 1.0) * 6.0).exp()
        };
        (0.6 * height + cone + crater).clamp(-3.0, 3.0)
    }

    /// A manifest with the outlines of a named solid, measurements blank.
    pub fn globe(name: &str) -> Manifest {
        let solid = Solid::named(name).unwrap_or_else(|| panic!("no solid {name}"));
        let mut manifest = cube();
        let back_plane_mm = RADIUS_MM + 0.5 * RELIEF_MM - STOCK_MM;
        manifest.globe.solid = name.into();
        manifest.globe.radius_mm = RADIUS_MM;
        manifest.globe.stock_mm = STOCK_MM;
        manifest.globe.back_plane_mm = back_plane_mm;
        manifest.source.body = Some("invented world".into());
        manifest.image.black_mm = FLOOR_MM;
        manifest.image.white_mm = STOCK_MM;
        manifest.image.pixel_mm = 0.2;
        for (m, mm) in manifest
            .curve
            .knots_m
            .iter()
            .zip(&mut manifest.curve.knots_mm)
        {
            *mm = (m + 100.0) / 256.0 * RELIEF_MM - 0.5 * RELIEF_MM;
        }
        manifest.facets = solid
            .faces
            .iter()
            .enumerate()
            .map(|(index, face)| {
                let local = |c: usize| {
                    let p = face.frame.to_local(solid.corners[c].normalize()) * RADIUS_MM;
                    [p.x, p.y]
                };
                let corners_mm: Vec<[f64; 2]> = face.corners.iter().map(|&c| local(c)).collect();
                let reach = corners_mm
                    .iter()
                    .map(|c| c[0].hypot(c[1]))
                    .fold(0.0, f64::max);
                let side = (2.0 * (reach + TRIM_MM) / manifest.image.pixel_mm).ceil() as usize;
                let (lat_deg, lon_deg) = lat_lon_deg(face.frame.z);
                FacetEntry {
                    id: index + 1,
                    label: format!("{:02}", index + 1),
                    kind: face.kind,
                    width_px: side,
                    height_px: side,
                    back_plane_mm,
                    base_distance_mm: face.distance * RADIUS_MM,
                    frame: face.frame.into(),
                    centre: Centre { lat_deg, lon_deg },
                    corners_mm,
                    edges: face
                        .edges
                        .iter()
                        .map(|edge| EdgeEntry {
                            neighbour: edge.neighbour + 1,
                            seam: format!("S{:02}", edge.seam + 1),
                            tilt_deg: edge.tilt_rad.to_degrees(),
                            seam_low_mm: -1.0,
                            seam_high_mm: 1.0,
                        })
                        .collect(),
                    file: format!("facets/{:02}.png", index + 1),
                    ..manifest.facets[0].clone()
                }
            })
            .collect();
        manifest
    }

    /// Levels of one facet: a few rounds of the fixed point are enough for a picture.
    pub fn levels(manifest: &Manifest, facet: &FacetEntry) -> Array2<u16> {
        let frame = facet.frame.axes();
        let image = &manifest.image;
        let outline: Vec<DVec2> = facet.corners_mm.iter().map(|&c| DVec2::from(c)).collect();
        let half = 0.5 * facet.width_px as f64;
        Array2::from_shape_fn((facet.height_px, facet.width_px), |(row, column)| {
            let x = (column as f64 + 0.5 - half) * image.pixel_mm;
            let y = (half - row as f64 - 0.5) * image.pixel_mm;
            // The blank bulges with its arcs; half as much again is past the trim.
            let place = DVec2::new(x, y);
            let apart = outline.iter().enumerate().map(|(i, &a)| {
                let b = outline[(i + 1) % outline.len()];
                let arc = (RADIUS_MM.powi(2) - 0.25 * (a + b).length_squared())
                    .max(1.0)
                    .sqrt();
                let bulge = 0.25 * (b - a).length_squared() / (2.0 * arc) * 0.6;
                (b - a).normalize().perp_dot(place - a) + bulge + TRIM_MM
            });
            if apart.fold(f64::MAX, f64::min) < 0.0 {
                return 0;
            }
            let mut r = RADIUS_MM;
            let mut z = 0.0;
            for _ in 0..4 {
                z = (r * r - x * x - y * y).max(0.0).sqrt();
                r = RADIUS_MM + relief_mm(frame.to_body(DVec3::new(x, y, z)).normalize());
            }
            let part =
                (z - facet.back_plane_mm - image.black_mm) / (image.white_mm - image.black_mm);
            (1.0 + part.clamp(0.0, 1.0) * 65534.0).round() as u16
        })
    }
}

#[cfg(test)]
mod tests {
    use super::testing::*;
    use super::*;
    use crate::show::pictures::sheet_png;
    use rayon::prelude::*;

    fn pictures(name: &str) -> (Manifest, SheetLayout, Vec<Thumb>) {
        let mut manifest = globe(name);
        // Coarse pixels keep the test quick.
        manifest.image.pixel_mm = 0.8;
        for facet in &mut manifest.facets {
            facet.width_px /= 4;
            facet.height_px /= 4;
        }
        let layout = SheetLayout::of(&manifest);
        let thumbs = manifest
            .facets
            .par_iter()
            .map(|facet| thumbnail(&levels(&manifest, facet), facet, &layout))
            .collect();
        (manifest, layout, thumbs)
    }

    #[test]
    fn shrinking_keeps_the_mean_and_the_place() {
        let (rows, columns) = (60, 90);
        let plane = Array2::from_shape_fn((rows, columns), |(r, c)| (300 * r + 500 * c) as u16);
        for (side, step) in [(10, 5.0), (11, 3.7), (40, 1.0), (50, 0.6)] {
            let small = shrink(&plane, side, step);
            for ((r, c), &value) in small.indexed_iter() {
                let middle = |i: usize, length: usize| {
                    (i as f64 + 0.5 - 0.5 * side as f64) * step + 0.5 * length as f64 - 0.5
                };
                // A plane's mean over a square is its height at the square's middle, to a few per
                // cent of a pixel, because a large pixel is flat and its parts are not.
                let expected = 300.0 * middle(r, rows) + 500.0 * middle(c, columns);
                assert!(
                    (f64::from(value) - expected).abs() < 0.04 * 800.0,
                    "{r} {c} {value} {expected}"
                );
            }
        }
    }

    #[test]
    fn outside_the_blank_is_paper_and_the_trim_is_paler() {
        let (_, layout, thumbs) = pictures("cube");
        let grey = &thumbs[0].grey;
        let side = layout.thumb_px();
        assert_eq!(grey.dim(), (side, side));
        assert_eq!(grey[(2, 2)], 255);
        assert!(grey[(side / 2, side / 2)] < 220);
    }

    #[test]
    fn grids_of_cells_suit_the_page() {
        let shape = |name: &str| {
            let layout = SheetLayout::of(&globe(name));
            (layout.columns, layout.rows)
        };
        assert_eq!(shape("cube"), (3, 2));
        assert_eq!(shape("dodecahedron"), (4, 3));
        assert_eq!(shape("truncated-icosahedron"), (7, 5));
    }

    #[test]
    fn the_sheet_is_the_same_every_time_and_free_of_colour_but_the_accent() {
        let (manifest, layout, thumbs) = pictures("dodecahedron");
        let picture = sheet(&manifest, &layout, &thumbs).unwrap();
        let again = sheet(&manifest, &layout, &thumbs).unwrap();
        assert_eq!(sheet_png(&picture).unwrap(), sheet_png(&again).unwrap());
        // Every pixel is a grey, or a blend of a grey with one blue: red < green < blue.
        for Rgb([r, g, b]) in picture.pixels() {
            let grey = r == g && g == b;
            assert!(grey || (r <= g && g <= b), "{r} {g} {b}");
        }
    }

    #[test]
    fn the_index_corner_and_outline_are_where_the_manifest_says() {
        let (manifest, layout, thumbs) = pictures("cube");
        let picture = sheet(&manifest, &layout, &thumbs).unwrap();
        let centre = layout.centre_px(0);
        let accent = Rgb([0x00, 0x50, 0x8c]);
        for &[x, y] in &manifest.facets[0].corners_mm {
            let px = (centre[0] + x * layout.px_per_mm) as i64;
            let py = (centre[1] - y * layout.px_per_mm) as i64;
            let near = (-3..=3).any(|dx| {
                (-3..=3).any(|dy| *picture.get_pixel((px + dx) as u32, (py + dy) as u32) == accent)
            });
            assert!(near, "no line at {x} {y}");
        }
    }

    #[test]
    fn odd_names_and_missing_pictures_still_make_a_sheet() {
        let mut manifest = globe("cube");
        manifest.source.body = Some("<script> & \u{7} \"world\"".into());
        manifest.source.file = "]]>.tif".into();
        manifest.facets[0].label = "<1>".into();
        let layout = SheetLayout::of(&manifest);
        let picture = sheet(&manifest, &layout, &[]).unwrap();
        assert!(picture.pixels().any(|p| p.0 != PAPER));
    }
}
