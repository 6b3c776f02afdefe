//! The contact sheet: one row per curve, the same three views under the same light.

use super::Carved;
use crate::geometry::direction;
use crate::pictures::{INK, QUIET, Svg, draw_over};
use crate::stages::compress::straight;
use crate::stages::report::overview;
use crate::stages::resample::Sampler;
use crate::{Error, Problem, Result};
use glam::DVec3;
use image::{Rgb, RgbImage};
use rayon::prelude::*;

/// Width and height of a view, and of the label column, pixels.
const VIEW_PX: u32 = 460;
const LABEL_PX: u32 = 380;
const TITLE_PX: u32 = 110;
const GAP_PX: u32 = 16;

/// Most lines of a name; more would run into the figures below it.
const LABEL_LINES: usize = 3;

/// Where the views look from: latitude and longitude in degrees.
const VIEWS: [(f64, f64); 3] = [(15.0, 0.0), (15.0, 120.0), (-15.0, 240.0)];

/// Slopes are shaded as if they were this much steeper: on screen no hand helps the eye.
const SHADED: f64 = 2.5;

/// Distance over which slopes are taken, mm on the globe.
const REACH_MM: f64 = 0.35;

/// The sheet as a PNG file.
pub(super) fn sheet(all: &[Carved], radius_mm: f64) -> Result<Vec<u8>> {
    let width = LABEL_PX + VIEWS.len() as u32 * (VIEW_PX + GAP_PX) + GAP_PX;
    let row_px = VIEW_PX + GAP_PX;
    let height = TITLE_PX + all.len() as u32 * row_px + GAP_PX;
    let mut picture = RgbImage::from_pixel(width, height, Rgb([255; 3]));
    let mut svg = Svg::new(width, height);
    svg.bold(
        30.0,
        62.0,
        38.0,
        "start",
        INK,
        "The same planet, carved by different curves",
    );
    for (view, (lat, lon)) in VIEWS.iter().enumerate() {
        let x = LABEL_PX + GAP_PX + view as u32 * (VIEW_PX + GAP_PX) + VIEW_PX / 2;
        let side = if *lat < 0.0 { "S" } else { "N" };
        let text = format!("{}° {side}, {lon}° E in the middle", lat.abs());
        svg.text(f64::from(x), 98.0, 21.0, "middle", QUIET, &text);
    }
    for (row, one) in all.iter().enumerate() {
        let top = TITLE_PX + row as u32 * row_px;
        let sampler = Sampler::new(&one.carved_mm.clone().into_grid(), &straight(&one.global));
        for (view, &(lat, lon)) in VIEWS.iter().enumerate() {
            let left = LABEL_PX + GAP_PX + view as u32 * (VIEW_PX + GAP_PX);
            draw(
                &mut picture,
                left,
                top,
                &sampler,
                direction(lat, lon),
                radius_mm,
            );
        }
        label(&mut svg, f64::from(top), one);
    }
    draw_over(&mut picture, &svg.finish()).map_err(|error| {
        Error::Disk(Problem::new(format!(
            "the contact sheet could not be drawn: {error}"
        )))
    })?;
    overview::encode(&picture)
}

fn label(svg: &mut Svg, top: f64, one: &Carved) {
    let figures = &one.row.figures;
    let middle = top + f64::from(VIEW_PX) / 2.0;
    for (i, line) in wrapped(&one.row.label, 22).iter().enumerate() {
        svg.bold(
            30.0,
            middle - 80.0 + 34.0 * i as f64,
            28.0,
            "start",
            INK,
            line,
        );
    }
    let facts = [
        format!("{:.0} % legible", 100.0 * figures.carved_share),
        format!("{:.1} % dead ground", 100.0 * figures.flat_share),
        format!("order of ruggedness {:.2}", figures.rough_order),
        format!("bit leaves {:.1} %", 100.0 * figures.bit_leaves_share),
        format!("{:.2} mm of relief", one.row.range_mm),
    ];
    for (i, fact) in facts.iter().enumerate() {
        svg.text(
            30.0,
            middle + 30.0 + 30.0 * i as f64,
            23.0,
            "start",
            QUIET,
            fact,
        );
    }
}

/// Lines of at most about `width` letters, broken at spaces and commas.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_inclusive([' ', ',']) {
        let last = lines.len() - 1;
        if !lines[last].is_empty() && lines[last].chars().count() + word.chars().count() > width {
            lines.push(String::new());
        }
        let last = lines.len() - 1;
        lines[last].push_str(word);
    }
    if lines.len() > LABEL_LINES {
        lines.truncate(LABEL_LINES);
        lines[LABEL_LINES - 1].push('…');
    }
    lines
}

/// One globe, seen from far away, lit from the upper left everywhere alike.
fn draw(
    picture: &mut RgbImage,
    left: u32,
    top: u32,
    sampler: &Sampler,
    towards: DVec3,
    radius_mm: f64,
) {
    let right = DVec3::Z.cross(towards).normalize();
    let up = towards.cross(right);
    let reach = REACH_MM / radius_mm;
    let radius_px = f64::from(VIEW_PX) / 2.0 - 2.0;
    let lines: Vec<Vec<Option<u8>>> = (0..VIEW_PX)
        .into_par_iter()
        .map(|row| {
            let y = (f64::from(VIEW_PX) / 2.0 - f64::from(row) - 0.5) / radius_px;
            let mut places = Vec::new();
            let mut seen = Vec::new();
            for column in 0..VIEW_PX {
                let x = (f64::from(column) + 0.5 - f64::from(VIEW_PX) / 2.0) / radius_px;
                let rho2 = x * x + y * y;
                seen.push((rho2 < 1.0).then(|| (1.0 - rho2).sqrt()));
                if rho2 < 1.0 {
                    let here = right * x + up * y + towards * (1.0 - rho2).sqrt();
                    // On the ground: eastwards and northwards on the screen.
                    let e = (right - here * here.dot(right)).normalize_or(right);
                    let n = here.cross(e);
                    places.extend([
                        here + e * reach,
                        here - e * reach,
                        here + n * reach,
                        here - n * reach,
                    ]);
                }
            }
            let mm = sampler.relief_mm(&places);
            let mut four = mm.chunks_exact(4);
            seen.into_iter()
                .map(|depth| {
                    let depth = depth?;
                    let around = four.next()?;
                    let slope = |a: f64, b: f64| SHADED * (a - b) / (2.0 * REACH_MM);
                    let (sx, sy) = (slope(around[0], around[1]), slope(around[2], around[3]));
                    // The light of the shaded pictures: half-way down the sky, upper left.
                    let facing = std::f64::consts::FRAC_1_SQRT_2 + 0.5 * sx - 0.5 * sy;
                    let bright = (facing / (1.0 + sx * sx + sy * sy).sqrt()).clamp(0.0, 1.0);
                    // A little darker towards the rim, so that the ball looks round.
                    Some((255.0 * bright * (0.55 + 0.45 * depth.sqrt())) as u8)
                })
                .collect()
        })
        .collect();
    for (row, line) in lines.iter().enumerate() {
        for (column, bright) in line.iter().enumerate() {
            if let Some(bright) = bright {
                picture.put_pixel(left + column as u32, top + row as u32, Rgb([*bright; 3]));
            }
        }
    }
}
