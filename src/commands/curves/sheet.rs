//! The contact sheet: one row per way. The whole ball in the light of a lamp beside it, then a plain
//! and a rugged region at true size in low light: the same places in every row, as the bit leaves
//! them, shaded by the slopes that are in the wood.

use super::{Carved, Comparer};
use crate::carve::compress::straight;
use crate::carve::resample::Sampler;
use crate::model::geometry::{direction, lat_lon_deg, on_spiral};
use crate::model::length::Lengths;
use crate::model::parallel;
use crate::show::pictures::{DOTS_PER_METRE, INK, QUIET, Svg, draw_over, sheet_png};
use crate::sphere::lattice::{Field, pooled};
use crate::{Error, Problem, Result};
use glam::DVec3;
use image::{Rgb, RgbImage};

/// Pixels per mm, as [`overview::encode`] writes them into the file.
const PX_PER_MM: f64 = DOTS_PER_METRE as f64 / 1000.0;

/// Side of a region, mm; no more than the radius of a small globe, so that it is seen from above.
const REGION_MM: f64 = 60.0;

/// Width of the label column, of a view and of what lies between, and height of the heading and of
/// the scale bar's line below the last row, pixels.
const LABEL_PX: u32 = 640;
const VIEW_PX: u32 = (REGION_MM * PX_PER_MM) as u32;
const GAP_PX: u32 = 24;
const TITLE_PX: u32 = 250;
const SCALE_PX: u32 = 130;

/// Most lines of a name; more would run into the figures below it.
const LABEL_LINES: usize = 3;

/// How high the lamp stands over level ground, degrees: low enough for plains to show.
const LAMP_DEG: f64 = 22.0;

/// Light that comes from everywhere, as a share, so that the dark side is not lost on the paper.
const AMBIENT: f64 = 0.03;

/// Distance over which slopes are taken, mm on the globe.
const REACH_MM: f64 = 0.35;

/// Rows of the lattice on which regions are compared, and how many places are tried.
const ROWS: usize = 90;
const PLACES: usize = 4000;

/// The plain region has this share of the ground below it in ruggedness, the rugged one above it:
/// not the very ends, which one odd place may be.
const BEYOND: f64 = 0.05;

/// Ground less rugged than this share of the middle one is a sea made level or a hole filled in.
const LEVEL: f64 = 0.01;

/// One picture of a row.
struct View {
    heading: String,
    towards: DVec3,
    /// Side of what is shown, mm; the whole ball where none is said.
    side_mm: Option<f64>,
}

/// The sheet as a PNG file that prints at true size.
pub(super) fn sheet(all: &[Carved], bench: &Comparer, lengths: Lengths) -> Result<Vec<u8>> {
    let radius_mm = bench.radius_mm;
    let side_mm = REGION_MM.min(radius_mm);
    let [plain, rugged] = regions(bench.judge().roughness(), side_mm / radius_mm);
    let region = |name: &str, towards: DVec3| View {
        heading: format!("{name}, true size, around {}", place(towards)),
        towards,
        side_mm: Some(side_mm),
    };
    // Both regions lie on the side of the ball that is seen, unless they are too far apart.
    let front = (plain + rugged).try_normalize().unwrap_or(plain);
    let views = [
        View {
            heading: format!("seen from above {}", place(front)),
            towards: front,
            side_mm: None,
        },
        region("plain ground", plain),
        region("rugged ground", rugged),
    ];
    let width = LABEL_PX + views.len() as u32 * (VIEW_PX + GAP_PX);
    let row_px = VIEW_PX + GAP_PX;
    let height = TITLE_PX + all.len() as u32 * row_px + SCALE_PX;
    let mut picture = RgbImage::from_pixel(width, height, Rgb([255; 3]));
    let mut svg = Svg::new(width, height);
    let title = "The same planet, carved in different ways, as the bit leaves it";
    svg.bold(30.0, 78.0, 54.0, "start", INK, title);
    let light = format!(
        "Light from the upper left: on the ball a lamp beside it, on the regions {LAMP_DEG}° above \
         the ground. Slopes are those in the wood, not deepened for the eye."
    );
    svg.text(30.0, 140.0, 33.0, "start", QUIET, &light);
    let left = |view: usize| LABEL_PX + view as u32 * (VIEW_PX + GAP_PX);
    for (i, view) in views.iter().enumerate() {
        let x = f64::from(left(i)) + f64::from(VIEW_PX) / 2.0;
        svg.text(x, 224.0, 26.0, "middle", INK, &view.heading);
    }
    for (row, one) in all.iter().enumerate() {
        let top = TITLE_PX + row as u32 * row_px;
        let sampler = Sampler::new(&one.carved_mm.clone().into_grid(), &straight(&one.global));
        for (i, view) in views.iter().enumerate() {
            draw(&mut picture, left(i), top, &sampler, view, radius_mm);
        }
        label(&mut svg, f64::from(top), one, lengths);
    }
    let low = f64::from(height - SCALE_PX) + 60.0;
    svg.scale_bar(
        f64::from(left(1)),
        low,
        PX_PER_MM,
        0.75 * f64::from(VIEW_PX),
        26.0,
    );
    svg.text(
        f64::from(left(2)),
        low + 20.0,
        26.0,
        "start",
        QUIET,
        "regions at true size when printed at 100 %",
    );
    draw_over(&mut picture, &svg.finish()).map_err(|error| {
        Error::Disk(Problem::new(format!(
            "the contact sheet could not be drawn: {error}"
        )))
    })?;
    sheet_png(&picture)
}

/// A place in words, to the whole degree.
fn place(towards: DVec3) -> String {
    let (lat, lon) = lat_lon_deg(towards);
    let side = if lat < 0.0 { "S" } else { "N" };
    format!("{:.0}° {side}, {:.0}° E", lat.abs(), lon.round() % 360.0)
}

/// Middles of a plain and of a rugged region, `across_rad` wide, by the mean deviation in them.
fn regions(roughness: &Field, across_rad: f64) -> [DVec3; 2] {
    let (rows, columns) = roughness.shape();
    let coarse = pooled(roughness, ROWS.min(rows), (2 * ROWS).min(columns));
    let layout = coarse.layout();
    let cells: Vec<(DVec3, f64, f64)> = coarse
        .values
        .indexed_iter()
        .map(|((row, column), &deviation)| {
            let lat_deg = layout.lat_deg(row);
            let area = lat_deg.to_radians().cos();
            let towards = direction(lat_deg, layout.lon_deg(column));
            (towards, area, f64::from(deviation))
        })
        .collect();
    // A disc of the region's area, at least some cells wide.
    let reach_rad = (across_rad / std::f64::consts::PI.sqrt()).max(3.0 / ROWS as f64 * 1.6);
    let near = reach_rad.cos();
    let mut places = parallel::indexed(PLACES, &|k| {
        let (z, turn) = on_spiral(k, PLACES);
        let towards = direction(z.asin().to_degrees(), 360.0 * turn);
        let inside = cells.iter().filter(|(d, ..)| d.dot(towards) > near);
        let (area, sum) = inside.fold((0.0, 0.0), |(area, sum), (_, a, deviation)| {
            (area + a, sum + a * deviation)
        });
        (sum / f64::max(area, f64::MIN_POSITIVE), towards)
    });
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    let least = LEVEL * places[PLACES / 2].0;
    let carved = &places[places.partition_point(|place| place.0 < least)..];
    let at = |share: f64| carved[(share * (carved.len() - 1) as f64) as usize].1;
    [at(BEYOND), at(1.0 - BEYOND)]
}

fn label(svg: &mut Svg, top: f64, one: &Carved, lengths: Lengths) {
    let figures = &one.row.figures;
    let middle = top + f64::from(VIEW_PX) / 2.0;
    for (i, line) in wrapped(&one.row.label, 24).iter().enumerate() {
        let y = middle - 120.0 + 50.0 * i as f64;
        svg.bold(30.0, y, 40.0, "start", INK, line);
    }
    let facts = [
        format!("{:.0} % legible", 100.0 * figures.carved_share),
        format!("{:.1} % dead ground", 100.0 * figures.flat_share),
        format!("order of ruggedness {:.2}", figures.rough_order),
        format!("bit leaves {:.1} %", 100.0 * figures.bit_leaves_share),
        format!("{} of relief", lengths.text(one.row.range_mm)),
    ];
    for (i, fact) in facts.iter().enumerate() {
        let y = middle + 45.0 + 44.0 * i as f64;
        svg.text(30.0, y, 33.0, "start", QUIET, fact);
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

/// One view from far away, in the middle of its square.
fn draw(
    picture: &mut RgbImage,
    left: u32,
    top: u32,
    sampler: &Sampler,
    view: &View,
    radius_mm: f64,
) {
    let towards = view.towards;
    // North is up; above a pole, the meridian of 90° E is to the right.
    let right = DVec3::Z.cross(towards).try_normalize().unwrap_or(DVec3::Y);
    let up = towards.cross(right);
    let px_per_mm = match view.side_mm {
        Some(_) => PX_PER_MM,
        None => (f64::from(VIEW_PX) / 2.0 - 2.0) / radius_mm,
    };
    let side_mm = view.side_mm.unwrap_or(2.0 * radius_mm);
    let size = ((side_mm * px_per_mm).round() as u32).min(VIEW_PX);
    let margin = (VIEW_PX - size) / 2;
    let (sin, cos) = LAMP_DEG.to_radians().sin_cos();
    let aside = cos * std::f64::consts::FRAC_1_SQRT_2;
    let lamp = aside * (up - right) + sin * towards;
    let reach = REACH_MM / radius_mm;
    let radius_px = radius_mm * px_per_mm;
    let lines = parallel::given(0..size, &|_, row| {
        let y = (f64::from(size) / 2.0 - f64::from(row) - 0.5) / radius_px;
        let seen: Vec<Option<DVec3>> = (0..size)
            .map(|column| {
                let x = (f64::from(column) + 0.5 - f64::from(size) / 2.0) / radius_px;
                let rho2 = x * x + y * y;
                (rho2 < 1.0).then(|| right * x + up * y + towards * (1.0 - rho2).sqrt())
            })
            .collect();
        // On the ground: eastwards and northwards on the picture.
        let axes = |here: DVec3| {
            let e = (right - here * here.dot(right)).normalize_or(right);
            (e, here.cross(e))
        };
        let places: Vec<DVec3> = seen
            .iter()
            .flatten()
            .flat_map(|&here| {
                let (e, n) = axes(here);
                [e, -e, n, -n].map(|to| here + to * reach)
            })
            .collect();
        let mm = sampler.relief_mm(&places);
        let mut four = mm.chunks_exact(4);
        seen.iter()
            .map(|here| {
                let here = (*here)?;
                let around = four.next()?;
                let slope = |a: f64, b: f64| (a - b) / (2.0 * REACH_MM);
                let (e, n) = axes(here);
                let normal =
                    here - slope(around[0], around[1]) * e - slope(around[2], around[3]) * n;
                // The lamp is far from the ball; a region is lit everywhere alike.
                let light = match view.side_mm {
                    Some(_) => aside * (n - e) + sin * here,
                    None => lamp,
                };
                let facing = (normal.dot(light) / normal.length()).max(0.0);
                Some(grey(AMBIENT + (1.0 - AMBIENT) * facing))
            })
            .collect::<Vec<Option<u8>>>()
    });
    for (row, line) in lines.iter().enumerate() {
        for (column, bright) in line.iter().enumerate() {
            if let Some(bright) = bright {
                let (x, y) = (left + margin + column as u32, top + margin + row as u32);
                picture.put_pixel(x, y, Rgb([*bright; 3]));
            }
        }
    }
}

/// A share of light as the grey that looks like it (sRGB, IEC 61966-2-1).
fn grey(light: f64) -> u8 {
    let value = match light <= 0.003_130_8 {
        true => 12.92 * light,
        false => 1.055 * light.powf(1.0 / 2.4) - 0.055,
    };
    (255.0 * value).round() as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sphere::figures::Judge;
    use crate::testing::grid_of;

    /// Plain in the north but for a level sea around the pole, rugged in the south.
    #[test]
    fn regions_are_plain_and_rugged_and_neither_is_a_level_sea() {
        let ground = grid_of(720, |d| {
            let waves = (90.0 * d.x).sin() * (80.0 * d.y).cos();
            let tall = match d.z {
                z if z > 0.8 => 0.0,
                z if z > 0.0 => 20.0,
                _ => 900.0,
            };
            tall * waves
        });
        let judge = Judge::new(&ground, 100.0, 3.175);
        let [plain, rugged] = regions(judge.roughness(), 0.6);
        assert!((0.0..0.95).contains(&plain.z), "{plain}");
        assert!(rugged.z < -0.1, "{rugged}");
        // Ground that is alike everywhere has regions too.
        let level = regions(&judge.roughness().map(|_| 0.0), 0.6);
        assert!(level.iter().all(|place| place.is_normalized()));
    }

    #[test]
    fn places_are_named_to_the_degree() {
        assert_eq!(place(direction(-12.4, 359.8)), "12° S, 0° E");
        assert_eq!(place(direction(47.6, 291.2)), "48° N, 291° E");
    }
}
