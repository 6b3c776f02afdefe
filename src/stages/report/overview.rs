//! `overview.png`: every facet shaded, numbered and turned as its image is, on one sheet.
//!
//! Images are large and come one at a time, so each leaves a [`Thumb`] behind and the sheet is
//! put together from those.

use crate::geometry::Frame;
use crate::manifest::{FacetEntry, Manifest};
use crate::pictures::{ACCENT, INK, Light, PAPER, QUIET, Svg, draw_over, shade};
use crate::settings::Base;
use crate::{Error, Problem, Result};
use glam::{DVec2, DVec3};
use image::{Rgb, RgbImage};
use ndarray::Array2;

/// Width of the sheet, pixels: letter or A4 across at 300 dots per inch, with margins.
const SHEET_PX: u32 = 2400;

/// Dots per metre noted in the file, 300 per inch.
const DOTS_PER_METRE: u32 = 11_811;

/// Height of title and legend, pixels.
const TITLE_PX: f64 = 190.0;
const LEGEND_PX: f64 = 200.0;
/// Blank margin around the sheet, pixels.
const MARGIN_PX: f64 = 60.0;

/// Part of a cell's width and height that the facet may fill; the rest is for number, arrow and
/// captions.
const FILL: f64 = 0.80;

/// Width over height that the cells together should have.
const ASPECT: f64 = 1.45;

/// Relief is shaded as if its range were this part of the radius: enough for plains to show.
const SHADED_RELIEF: f64 = 0.10;

/// Share of brightness that comes from height alone: high ground is lighter.
const HEIGHT_TINT: f32 = 0.22;

/// How far the trim margin fades into the paper.
const TRIM_FADE: f32 = 0.55;

/// Points along each curved side of an outline.
const SIDE_POINTS: usize = 24;

/// How facets are laid out on the sheet: known before any image is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layout {
    columns: usize,
    rows: usize,
    /// Width and height of a cell, pixels.
    cell_px: f64,
    /// Common scale of all facets.
    px_per_mm: f64,
    /// Half the width of a facet's picture, mm.
    reach_mm: f64,
    globe: Globe,
}

/// What shading needs of the globe.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Globe {
    base: Base,
    radius_mm: f64,
    pixel_mm: f64,
    black_mm: f64,
    white_mm: f64,
    lowest_mm: f64,
    highest_mm: f64,
}

impl Layout {
    /// The layout for all facets of a manifest, whose counts and measurements may still be blank.
    pub fn of(manifest: &Manifest) -> Layout {
        let count = manifest.facets.len().max(1);
        let columns = (1..=count)
            .min_by(|&a, &b| misfit(count, a).total_cmp(&misfit(count, b)))
            .unwrap_or(1);
        let cell_px = (f64::from(SHEET_PX) - 2.0 * MARGIN_PX) / columns as f64;
        // Few facets would be drawn larger than a page is high.
        let cell_px = cell_px.min(1000.0);
        let reach_mm = manifest
            .facets
            .iter()
            .flat_map(|facet| &facet.corners_mm)
            .map(|&[x, y]| x.hypot(y))
            .fold(1e-3, f64::max);
        let relief = &manifest.curve.knots_mm;
        Layout {
            columns,
            rows: count.div_ceil(columns),
            cell_px,
            px_per_mm: 0.5 * FILL * cell_px / reach_mm,
            reach_mm,
            globe: Globe {
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

    /// Pixels across a facet's picture, which is square with the facet's centre in its middle.
    fn thumb_px(&self) -> usize {
        // A little more than the corners reach, so that the trim margin shows.
        (2.0 * 1.06 * self.reach_mm * self.px_per_mm).ceil() as usize
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
    grey: Array2<u8>,
}

/// Shrinks and shades one finished image.
///
/// `levels` is the image of `facet`, `(rows, columns)`.
pub fn thumbnail(levels: &Array2<u16>, facet: &FacetEntry, layout: &Layout) -> Thumb {
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
    let grey = Array2::from_shape_fn((side, side), |at| {
        if small[at] < 0.5 {
            return PAPER[0];
        }
        let height = (relief[at] - globe.lowest_mm as f32) / range as f32;
        let light = (1.0 - HEIGHT_TINT) * bright[at] + HEIGHT_TINT * height.clamp(0.0, 1.0);
        let ink = if inside(&outline, place(at.0, at.1)) {
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
/// `step` is the width of a small pixel in large ones. Below 1 it samples between pixels.
fn shrink(levels: &Array2<u16>, side: usize, step: f64) -> Array2<f32> {
    let (rows, columns) = levels.dim();
    let bounds = |length: usize| -> Vec<(usize, usize)> {
        (0..side)
            .map(|i| {
                let middle = (i as f64 + 0.5 - 0.5 * side as f64) * step + 0.5 * length as f64;
                let first = (middle - 0.5 * step).round().clamp(0.0, length as f64);
                let last = (middle + 0.5 * step).round().clamp(0.0, length as f64);
                let inside = middle >= 0.0 && middle < length as f64;
                match (inside, last > first) {
                    (false, _) => (0, 0),
                    (true, true) => (first as usize, last as usize),
                    (true, false) => (middle as usize, middle as usize + 1),
                }
            })
            .collect()
    };
    let (down, across) = (bounds(rows), bounds(columns));
    let mut small = Array2::zeros((side, side));
    let mut sums = vec![0_u32; columns];
    for (mut out, &(top, bottom)) in small.outer_iter_mut().zip(&down) {
        sums.fill(0);
        for row in top..bottom {
            for (sum, &level) in sums.iter_mut().zip(levels.row(row)) {
                *sum += u32::from(level);
            }
        }
        for (out, &(left, right)) in out.iter_mut().zip(&across) {
            let count = (right - left) * (bottom - top);
            if count > 0 {
                let sum: u64 = sums[left..right].iter().map(|&s| u64::from(s)).sum();
                *out = (sum as f64 / count as f64) as f32;
            }
        }
    }
    small
}

/// The facet's edge on the base surface, counter-clockwise: arcs of great circles seen from above
/// on a ball, straight on flat faces.
fn outline_mm(facet: &FacetEntry, globe: &Globe) -> Vec<DVec2> {
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

/// Whether a place lies to the left of every side of a convex outline.
fn inside(outline: &[DVec2], place: DVec2) -> bool {
    outline.iter().enumerate().all(|(i, &a)| {
        let b = outline[(i + 1) % outline.len()];
        (b - a).perp_dot(place - a) >= 0.0
    })
}

/// Puts the sheet together. Facets without a picture stay blank.
///
/// # Errors
/// [`Error::Disk`] never in practice: only if the drawing itself were malformed.
pub fn sheet(manifest: &Manifest, layout: &Layout, thumbs: &[Thumb]) -> Result<RgbImage> {
    let (width, height) = layout.size_px();
    let mut picture = RgbImage::from_pixel(width, height, Rgb(PAPER));
    let mut svg = Svg::new(width, height);
    title(&mut svg, manifest);
    for (index, facet) in manifest.facets.iter().enumerate() {
        let left = 0.5 * (f64::from(width) - layout.columns as f64 * layout.cell_px);
        let centre = [
            left + layout.cell_px * ((index % layout.columns) as f64 + 0.5),
            TITLE_PX + layout.cell_px * ((index / layout.columns) as f64 + 0.5),
        ];
        if let Some(thumb) = thumbs.iter().find(|thumb| thumb.id == facet.id) {
            paste(&mut picture, thumb, centre);
        }
        marks(&mut svg, facet, layout, centre);
    }
    legend(&mut svg, layout, f64::from(width), f64::from(height));
    draw_over(&mut picture, &svg.finish()).map_err(|what| {
        Error::Disk(Problem::new(format!(
            "the overview could not be drawn: {what}"
        )))
    })?;
    Ok(picture)
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

/// The PNG file of a sheet.
///
/// # Errors
/// [`Error::Disk`] when the encoder fails.
pub fn encode(picture: &RgbImage) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, picture.width(), picture.height());
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    encoder.set_pixel_dims(Some(png::PixelDimensions {
        xppu: DOTS_PER_METRE,
        yppu: DOTS_PER_METRE,
        unit: png::Unit::Meter,
    }));
    encoder
        .write_header()
        .and_then(|mut writer| {
            writer.write_image_data(picture.as_raw())?;
            writer.finish()
        })
        .map_err(|e| {
            Error::Disk(Problem::new(format!(
                "the overview could not be written: {e}"
            )))
        })?;
    Ok(bytes)
}

fn title(svg: &mut Svg, manifest: &Manifest) {
    let body = manifest.source.body.as_deref().unwrap_or("Globe");
    let solid = manifest.globe.solid.replace('-', " ");
    let diameter = 2.0 * manifest.globe.radius_mm;
    let heading = format!("{} on a {solid}", capital(body));
    svg.bold(MARGIN_PX, 92.0, 56.0, "start", INK, &heading);
    let relief = &manifest.curve.knots_mm;
    let range = relief.last().unwrap_or(&0.0) - relief.first().unwrap_or(&0.0);
    let line = format!(
        "{} facets · {} mm across · {:.1} mm of relief · {} mm stock · {}",
        manifest.facets.len(),
        whole(diameter),
        range,
        whole(manifest.globe.stock_mm),
        manifest.source.file,
    );
    svg.text(MARGIN_PX, 146.0, 30.0, "start", QUIET, &line);
}

/// Number, outline, index corner, north and captions of one facet.
fn marks(svg: &mut Svg, facet: &FacetEntry, layout: &Layout, centre: [f64; 2]) {
    let cell = layout.cell_px;
    let size = (cell * 0.05).clamp(13.0, 30.0);
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
    let caption = format!(
        "{}  ·  {:.1} to {:.1} mm",
        place_name(facet.centre.lat_deg, facet.centre.lon_deg),
        facet.min_mm,
        facet.max_mm
    );
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
    let length = 2.4 * size;
    match toward.try_normalize().filter(|_| toward.length() > 1e-3) {
        Some(toward) => {
            svg.arrow(centre, [toward.x, toward.y], length, ACCENT);
            let letter = [
                centre[0] - toward.x * length * 0.72,
                centre[1] + toward.y * length * 0.72 + size * 0.33,
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

fn legend(svg: &mut Svg, layout: &Layout, width: f64, height: f64) {
    let size = 28.0;
    let y = height - LEGEND_PX + 95.0;
    let most = (0.3 * width).min(600.0);
    svg.scale_bar(MARGIN_PX + 20.0, y - 10.0, layout.px_per_mm, most, size);
    let x = 0.42 * width;
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
    svg.text(
        right,
        y + 48.0,
        size,
        "end",
        QUIET,
        "all facets to one scale",
    );
}

/// `12.3° N 45.0° E`.
fn place_name(lat_deg: f64, lon_deg: f64) -> String {
    // A pole has no longitude worth naming, and −0.0 must not read as south.
    let lat = (lat_deg * 10.0).round() / 10.0;
    let half = if lat < 0.0 { "S" } else { "N" };
    if lat.abs() > 89.9 {
        return format!("90° {half}");
    }
    format!("{:.1}° {half} {lon_deg:.1}° E", lat.abs())
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + letters.as_str()
}

/// A length without decimals it does not need.
fn whole(mm: f64) -> String {
    let text = format!("{mm:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}
