//! The charts: curves over the hypsometry, and the frontier of a search. `plotters` draws them.

use crate::model::curve::Curve;
use crate::model::grid::Hypsometry;
use crate::model::length::Lengths;
use crate::show::pictures::{draw_over, sheet_png};
use crate::{Error, Problem, Result};
use image::{Rgb, RgbImage};
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use std::ops::Range;

type Area<'s> = DrawingArea<SVGBackend<'s>, Shift>;
type Chart<'a, 's> = ChartContext<'a, SVGBackend<'s>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// Size of a chart, pixels.
const SIZE: (u32, u32) = (1400, 900);

/// Okabe and Ito's colours, told apart by people of any colour vision; the first is black.
const COLOURS: [RGBColor; 7] = [
    RGBColor(0, 0, 0),
    RGBColor(0, 114, 178),
    RGBColor(213, 94, 0),
    RGBColor(0, 158, 115),
    RGBColor(204, 121, 167),
    RGBColor(86, 180, 233),
    RGBColor(230, 159, 0),
];

/// Length of dashes and gaps by line, so that grey copies stay legible; 0 is an unbroken line.
/// No two of the usual ways share a pattern.
const DASHES: [(i32, i32); 6] = [(0, 0), (14, 6), (4, 5), (28, 4), (8, 12), (20, 20)];

/// Bars of the hypsometry.
const BARS: usize = 120;

fn failed(error: impl std::fmt::Display) -> Error {
    Error::Disk(Problem::new(format!(
        "the chart could not be drawn: {error}"
    )))
}

fn font(size: u32) -> TextStyle<'static> {
    ("DejaVu Sans", size)
        .into_font()
        .color(&RGBColor(26, 26, 26))
}

/// An empty chart with its title; axes come with what is drawn.
fn framed<'a, 's>(
    area: &'a Area<'s>,
    title: &str,
    across: Range<f64>,
    up: Range<f64>,
) -> Result<Chart<'a, 's>> {
    area.fill(&WHITE).map_err(failed)?;
    ChartBuilder::on(area)
        .caption(title, font(34))
        .margin(30)
        .x_label_area_size(70)
        .y_label_area_size(90)
        .build_cartesian_2d(across, up)
        .map_err(failed)
}

/// How numbers along an axis are written: as many decimals as steps of a tenth of its length have.
fn labels(axis: Range<f64>) -> impl Fn(&f64) -> String {
    let places = (1.0 - (axis.end - axis.start).log10().floor()).clamp(0.0, 9.0) as usize;
    let least = 0.5 * 0.1f64.powi(places as i32);
    move |&value| {
        // No minus before zero.
        let value = if value.abs() < least { 0.0 } else { value };
        format!("{value:.places$}")
    }
}

/// Longest text in a legend, letters: more would cover the chart.
const LONGEST_LABEL: usize = 56;

/// Ways that share a curve are one line with all their names; long names are cut short.
fn told_apart<'a>(curves: &[(&str, &'a Curve)]) -> Vec<(String, &'a Curve)> {
    let mut apart: Vec<(String, &Curve)> = Vec::new();
    for (label, curve) in curves {
        let same = |other: &&mut (String, &Curve)| other.1.knots_mm == curve.knots_mm;
        match apart.iter_mut().find(same) {
            Some((labels, _)) => *labels = format!("{labels}; {label}"),
            None => apart.push(((*label).to_owned(), curve)),
        }
    }
    for (label, _) in &mut apart {
        if label.chars().count() > LONGEST_LABEL {
            *label = label.chars().take(LONGEST_LABEL - 1).collect::<String>() + "…";
        }
    }
    apart
}

/// Relief over height for every curve, with the share of ground at each height behind.
pub(crate) fn curves(
    curves: &[(&str, &Curve)],
    ground: &Hypsometry,
    lengths: Lengths,
) -> Result<String> {
    let curves = told_apart(curves);
    let length = |mm: f64| lengths.value(mm).0;
    let (low, high) = (ground.min_m() / 1000.0, ground.max_m() / 1000.0);
    let ends = curves
        .iter()
        .fold((f64::MAX, f64::MIN), |(a, b), (_, curve)| {
            let (lowest, highest) = (length(curve.lowest_mm()), length(curve.highest_mm()));
            (a.min(lowest), b.max(highest))
        });
    let room = 0.03 * (ends.1 - ends.0);
    let (bottom, top) = (ends.0 - room, ends.1 + room);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        let title = "What each curve makes of the heights";
        let mut chart = framed(&area, title, low..high, bottom..top)?;
        chart
            .configure_mesh()
            .x_desc("height on the planet, km (grey: how much ground lies there)")
            .y_desc(format!("relief in the wood, {}", lengths.unit()))
            .x_label_formatter(&labels(low..high))
            .y_label_formatter(&labels(bottom..top))
            .label_style(font(22))
            .axis_desc_style(font(24))
            .light_line_style(WHITE)
            .bold_line_style(RGBColor(220, 220, 220))
            .draw()
            .map_err(failed)?;
        hypsometry(&mut chart, ground, low..high, bottom..top)?;
        for (i, (label, curve)) in curves.iter().enumerate() {
            let points = (0..=400).map(|k| {
                let km = low + (high - low) * f64::from(k) / 400.0;
                (km, length(curve.relief_mm(1000.0 * km)))
            });
            line(&mut chart, i, label, points.collect())?;
        }
        chart
            .configure_series_labels()
            .position(SeriesLabelPosition::LowerRight)
            .legend_area_size(75)
            .margin(16)
            .label_font(font(22))
            .background_style(WHITE.mix(0.9))
            .border_style(RGBColor(200, 200, 200))
            .draw()
            .map_err(failed)?;
        area.present().map_err(failed)?;
    }
    Ok(svg)
}

/// The share of ground at each height, as bars from the bottom of a chart.
fn hypsometry<'a, 's: 'a>(
    chart: &mut Chart<'a, 's>,
    ground: &Hypsometry,
    km: Range<f64>,
    up: Range<f64>,
) -> Result<()> {
    let width = (km.end - km.start) / BARS as f64;
    let left = |bar: usize| km.start + bar as f64 * width;
    let share = |bar: usize| {
        let [from, to] = [left(bar), left(bar + 1)].map(|km| ground.share_below(1000.0 * km));
        to - from
    };
    let most = (0..BARS).map(share).fold(f64::MIN_POSITIVE, f64::max);
    let bars = (0..BARS).map(|bar| {
        let top = up.start + 0.45 * (up.end - up.start) * share(bar) / most;
        let corners = [(left(bar), up.start), (left(bar + 1), top)];
        Rectangle::new(corners, RGBColor(222, 222, 222).filled())
    });
    chart.draw_series(bars).map(drop).map_err(failed)
}

/// The line with this number, and its name in the legend.
fn line<'a, 's: 'a>(
    chart: &mut Chart<'a, 's>,
    number: usize,
    label: &str,
    points: Vec<(f64, f64)>,
) -> Result<()> {
    let style = COLOURS[number % COLOURS.len()].stroke_width(3);
    let (dash, gap) = DASHES[number % DASHES.len()];
    let drawn = match dash {
        0 => chart.draw_series(LineSeries::new(points, style)),
        _ => chart.draw_series(DashedLineSeries::new(points, dash, gap, style)),
    };
    // As many dashes as have room, or one line.
    let length = if dash == 0 { 60 } else { dash };
    let piece = move |k: i32| {
        let from = (k * (dash + gap)).min(60);
        PathElement::new(vec![(from, 0), ((from + length).min(60), 0)], style)
    };
    let drawn = drawn.map_err(failed)?.label(label);
    drawn.legend(move |(x, y)| {
        EmptyElement::at((x, y))
            + piece(0)
            + piece(1)
            + piece(2)
            + piece(3)
            + piece(4)
            + piece(5)
            + piece(6)
    });
    Ok(())
}

/// A point on the chart of a search.
pub(crate) struct Mark {
    /// Order of ruggedness, and legible ground in per cent.
    pub at: (f64, f64),
    /// What is written beside it.
    pub name: String,
}

/// Legible area against the order of ruggedness, from the curve alone to the boldest.
pub(crate) fn frontier(marks: &[Mark]) -> Result<String> {
    let trials: Vec<(f64, f64)> = marks.iter().map(|mark| mark.at).collect();
    let ends = |of: fn(&(f64, f64)) -> f64| {
        let all = trials.iter().map(of);
        all.fold((f64::MAX, f64::MIN), |(low, high), v| {
            (low.min(v), high.max(v))
        })
    };
    let (least, best) = ends(|place| place.0);
    let (low, high) = ends(|place| place.1);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        let mut chart = framed(
            &area,
            "Legible ground against the order of ruggedness",
            least.min(0.9) - 0.01..(best + 0.01).min(1.0),
            (low - 5.0).max(0.0)..(high + 5.0).min(100.0),
        )?;
        chart
            .configure_mesh()
            .x_desc("rank correlation of ruggedness, true and carved")
            .y_desc("legible ground, % of the planet")
            .x_label_formatter(&|order| format!("{order:.2}"))
            .y_label_formatter(&|percent| format!("{percent:.0}"))
            .label_style(font(22))
            .axis_desc_style(font(24))
            .light_line_style(WHITE)
            .bold_line_style(RGBColor(220, 220, 220))
            .draw()
            .map_err(failed)?;
        let line = LineSeries::new(trials.iter().copied(), COLOURS[1].stroke_width(3));
        chart.draw_series(line).map_err(failed)?;
        for Mark { at, name } in marks {
            let style = BLACK.filled();
            chart
                .draw_series([Circle::new(*at, 6, style)])
                .map_err(failed)?;
            let label = EmptyElement::at(*at) + Text::new(name.clone(), (14, -8), font(24));
            chart.draw_series([label]).map_err(failed)?;
        }
        area.present().map_err(failed)?;
    }
    Ok(svg)
}

/// A chart as a PNG file, in the fonts this crate carries.
pub(crate) fn png(svg: &str) -> Result<Vec<u8>> {
    let mut picture = RgbImage::from_pixel(SIZE.0, SIZE.1, Rgb([255; 3]));
    draw_over(&mut picture, svg).map_err(failed)?;
    sheet_png(&picture)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(top_mm: f64) -> Curve {
        Curve {
            name: "linear".into(),
            knots_m: vec![0.0, 1000.0],
            knots_mm: vec![0.0, top_mm],
        }
    }

    #[test]
    fn ways_that_share_a_curve_share_a_line_and_long_names_are_cut() {
        let (one, two) = (curve(1.0), curve(2.0));
        let long = "a".repeat(80);
        let apart = told_apart(&[("asinh", &one), (&long, &two), ("the job's own", &one)]);
        let labels: Vec<&str> = apart.iter().map(|(label, _)| label.as_str()).collect();
        assert_eq!(labels[0], "asinh; the job's own");
        assert_eq!(labels[1].chars().count(), LONGEST_LABEL);
        assert!(labels[1].ends_with('…') && labels.len() == 2);
    }

    /// Every line of the chart is there, in words too, and nothing is drawn outside the picture.
    #[test]
    fn the_chart_holds_every_curve_and_stays_inside() {
        let ground = Hypsometry {
            heights_m: vec![0.0, 400.0, 1000.0],
            share: vec![0.0, 0.5, 1.0],
            mean_m: 450.0,
        };
        let (one, two) = (curve(1.0), curve(2.0));
        let svg = curves(
            &[("first way", &one), ("second way", &two)],
            &ground,
            Lengths::METRIC,
        )
        .unwrap();
        assert!(svg.contains("first way") && svg.contains("second way"));
        let picture = image::load_from_memory(&png(&svg).unwrap())
            .unwrap()
            .into_rgb8();
        assert_eq!(picture.dimensions(), SIZE);
        let (right, bottom) = (SIZE.0 - 1, SIZE.1 - 1);
        for x in 0..SIZE.0 {
            assert_eq!(
                (picture[(x, 0)].0, picture[(x, bottom)].0),
                ([255; 3], [255; 3])
            );
        }
        for y in 0..SIZE.1 {
            assert_eq!(
                (picture[(0, y)].0, picture[(right, y)].0),
                ([255; 3], [255; 3])
            );
        }
    }
}
