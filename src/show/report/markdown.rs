//! `report.md`: what a maker needs at the bench, in shop words, from the manifest alone.

use crate::model::geometry::{a_solid, place_name};
use crate::model::length::Lengths;
use crate::model::settings::{Base, Projection};
use crate::output::manifest::{FacetEntry, Manifest, ReliefEntry, VISIBLE_STEP_MM};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

/// The report's text. The same manifest gives the same text.
pub fn text(manifest: &Manifest) -> String {
    let sections = [
        heading(manifest),
        globe(manifest),
        wood(manifest),
        warnings(manifest),
        images(manifest),
        facets(manifest),
        super::order::text(manifest),
        saw(manifest),
        seams(manifest),
        manifest.cutting.as_ref().map_or(String::new(), |cutting| {
            super::cutting::text(cutting, manifest.lengths())
        }),
        cautions(),
    ];
    let written: Vec<String> = sections.into_iter().filter(|s| !s.is_empty()).collect();
    written.join("\n")
}

fn heading(manifest: &Manifest) -> String {
    let say = manifest.lengths();
    format!(
        "# {} on {}\n\n{} facets, {} across the finished globe. `overview.png` shows them all; \
         `globe.json` holds every number for other programs.\n\n![All facets](overview.png)\n",
        markdown(&manifest.title()),
        a_solid(&manifest.globe.solid.replace('-', " ")),
        manifest.facets.len(),
        say.text(2.0 * manifest.globe.radius_mm),
    )
}

/// A table of two columns.
fn table(rows: &[(&str, String)]) -> String {
    let mut out = String::from("| | |\n|---|---|\n");
    for (name, value) in rows {
        line(&mut out, format_args!("| {name} | {value} |"));
    }
    out
}

fn line(out: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a string cannot fail.
    let _ = out.write_fmt(text);
    out.push('\n');
}

fn globe(manifest: &Manifest) -> String {
    let say = manifest.lengths();
    let (source, globe, curve) = (&manifest.source, &manifest.globe, &manifest.curve);
    let relief = |pick: fn(&[f64]) -> Option<&f64>| pick(&curve.knots_mm).copied().unwrap_or(0.0);
    let (low, high) = (relief(<[f64]>::first), relief(<[f64]>::last));
    let base = match globe.base {
        Base::Sphere => "a ball: heights stand on a sphere",
        Base::Flat => "flat faces: heights stand on the solid's faces",
    };
    let projection = match globe.projection {
        Projection::Radial => "away from the globe's centre; neighbours meet at the seams",
        Projection::Gnomonic => "straight up from each face; neighbours meet roughly at the seams",
    };
    let mut rows = vec![
        (
            "Grid",
            format!(
                "{}, {} x {} cells of {} degrees",
                markdown(&source.file),
                source.width,
                source.height,
                short(source.cell_deg, 6)
            ),
        ),
        (
            "Ground",
            format!(
                "{} to {} m, mean {} m",
                short(source.min_m, 1),
                short(source.max_m, 1),
                short(source.mean_m, 1)
            ),
        ),
        ("Shape", base.to_string()),
        ("Heights stand", projection.to_string()),
        (
            "Relief",
            format!(
                "{}: {} below to {} above the globe's {} radius, curve `{}`",
                say.text(high - low),
                say.text(-low),
                say.text(high),
                say.text(globe.radius_mm),
                markdown(&curve.name)
            ),
        ),
    ];
    if let Some(relief) = &manifest.relief {
        rows.push(("How much", how_much(relief, globe.radius_mm)));
    }
    if let Some((detail, figures)) =
        (manifest.relief.as_ref()).and_then(|relief| relief.detail.zip(relief.figures))
    {
        rows.push((
            "As the bit leaves it",
            format!(
                "{:.0} % of the ball can be seen and felt, {:.1} % is dead ground; detail {}",
                100.0 * figures.carved_share,
                100.0 * figures.flat_share,
                short(detail, 3)
            ),
        ));
    }
    if let Some(times) = manifest.times_true_scale() {
        rows.push(("Against true scale", format!("{} times", short(times, 1))));
    }
    if source.filled_cells > 0 {
        let cells = format!(
            "{} cells without data, filled from around",
            source.filled_cells
        );
        rows.push(("Holes", cells));
    }
    format!("## The globe\n\n{}", table(&rows))
}

/// What decided how high the relief is.
fn how_much(relief: &ReliefEntry, radius_mm: f64) -> String {
    let share = short(50.0 * relief.range_mm / radius_mm, 1);
    match relief.range_by.as_str() {
        "job" => format!("as the job says; {share} % of the diameter"),
        "diameter" => format!("{share} % of the diameter; relief.range says otherwise"),
        _ => format!("all the wood allows; {share} % of the diameter"),
    }
}

/// Lowest and highest of a measurement over some facets.
fn range<'a>(
    facets: impl Iterator<Item = &'a FacetEntry>,
    measure: impl Fn(&FacetEntry) -> f64,
) -> (f64, f64) {
    facets
        .map(measure)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
            (low.min(value), high.max(value))
        })
}

/// Facets by kind of blank.
fn kinds(manifest: &Manifest) -> BTreeMap<usize, Vec<&FacetEntry>> {
    let mut kinds: BTreeMap<usize, Vec<&FacetEntry>> = BTreeMap::new();
    for facet in &manifest.facets {
        kinds.entry(facet.kind).or_default().push(facet);
    }
    kinds
}

/// Letter of a kind of blank: no solid has more than a few.
pub(crate) fn kind_name(kind: usize) -> char {
    ('A'..='Z').nth(kind).unwrap_or('?')
}

fn wood(manifest: &Manifest) -> String {
    let say = manifest.lengths();
    let mut out = String::from(
        "## The wood\n\nAll heights are measured from the flat back of the blank.\n\n\
         | blanks | count | stock | left for clean-up | highest ground | lowest ground | thinnest \
         corner | least allowed |\n|---|---|---|---|---|---|---|---|\n",
    );
    for (kind, facets) in kinds(manifest) {
        let sides = facets.first().map_or(0, |f| f.corners_mm.len());
        let (low, _) = range(facets.iter().copied(), |f| f.min_mm);
        let (_, high) = range(facets.iter().copied(), |f| f.max_mm);
        let (corner, _) = range(facets.iter().copied(), |f| f.corner_mm);
        line(
            &mut out,
            format_args!(
                "| {} ({sides} sides) | {} | {} | {} | {} | {} | {} | {} |",
                kind_name(kind),
                facets.len(),
                say.text(manifest.globe.stock_mm),
                say.text(manifest.globe.skim_mm),
                say.text(high),
                say.text(low),
                say.at_most(corner),
                say.at_least(manifest.globe.edge_mm)
            ),
        );
    }
    let _ = write!(
        out,
        "\nThe ground goes on {} past each seam, so the saw cuts through true ground.\n",
        say.text(manifest.globe.trim_mm)
    );
    out
}

fn warnings(manifest: &Manifest) -> String {
    let mut out = String::from("## Warnings\n\n");
    if manifest.warnings.is_empty() {
        out.push_str("None.\n");
    }
    for warning in &manifest.warnings {
        line(&mut out, format_args!("- {}", markdown(warning)));
    }
    out
}

/// How often the numbers for the images change from facet to facet.
fn set_ups(manifest: &Manifest) -> String {
    let sizes = manifest.facets.iter().map(|f| (f.width_px, f.height_px));
    match sizes.collect::<BTreeSet<_>>().len() {
        0 | 1 => "One set-up serves every facet.".to_owned(),
        sizes => format!(
            "Levels and pixel size are the same for every facet, but width and height are not: \
             there are {sizes} sizes, listed below."
        ),
    }
}

fn images(manifest: &Manifest) -> String {
    let say = manifest.lengths();
    let image = &manifest.image;
    let depth = image.white_mm - image.black_mm;
    let mut out = format!(
        "## Loading the images\n\nThe images are 16-bit grey; do not let a program turn them into \
         8-bit, which leaves steps of {}. Set the numbers below, not a free scale. {}\n\n",
        say.text(depth / 255.0),
        set_ups(manifest)
    );
    out.push_str(&table(&[
        ("One pixel", say.precise(image.pixel_mm)),
        (
            "White (65535)",
            format!(
                "{} above the back: the top of the stock",
                say.text(image.white_mm)
            ),
        ),
        (
            "Black (0)",
            format!(
                "{} above the back: the lowest cut",
                say.text(image.black_mm)
            ),
        ),
        ("White down to black", say.text(depth)),
        (
            "Top of the image",
            "towards the index corner of the blank".to_string(),
        ),
        (
            "Middle of the image",
            "middle of the facet: put the machine's zero there".to_string(),
        ),
    ]));
    out.push_str("\n| blanks | pixels | width | height |\n|---|---|---|---|\n");
    for (kind, facets) in kinds(manifest) {
        if let Some(facet) = facets.first() {
            line(
                &mut out,
                format_args!(
                    "| {} | {} x {} | {} | {} |",
                    kind_name(kind),
                    facet.width_px,
                    facet.height_px,
                    say.text(facet.width_px as f64 * image.pixel_mm),
                    say.text(facet.height_px as f64 * image.pixel_mm)
                ),
            );
        }
    }
    out
}

fn facets(manifest: &Manifest) -> String {
    let say = manifest.lengths();
    let mut out = format!(
        "## Facets\n\nHeights in {} above the back of the blank. \"Cut off\" counts pixels held at \
         the top or bottom level, \"undercut\" pixels where the ground hides lower ground.\n\n\
         | facet | blank | middle, and what the facet is known for | lowest | highest | thinnest corner | cut off | undercut |\n\
         |---|---|---|---|---|---|---|---|\n",
        say.unit_word()
    );
    for facet in &manifest.facets {
        line(
            &mut out,
            format_args!(
                "| {} | {} | {} | {} | {} | {} | {} | {} |",
                markdown(&facet.label),
                kind_name(facet.kind),
                middle(facet),
                say.number(facet.min_mm),
                say.number(facet.max_mm),
                say.number(facet.corner_mm),
                facet.clipped_px(),
                facet.undercut_px
            ),
        );
    }
    out
}

/// Where a facet's middle is, and what the facet is known for.
fn middle(facet: &FacetEntry) -> String {
    let middle = place_name(facet.centre.lat_deg, facet.centre.lon_deg);
    match facet.known_for() {
        Some(name) => format!("{middle}, {}", markdown(name)),
        None => middle,
    }
}

/// Different tilts of a kind of blank, with how many sides of one blank have each.
fn tilts(facet: &FacetEntry) -> Vec<(f64, usize)> {
    let mut tilts: Vec<(f64, usize)> = Vec::new();
    for edge in &facet.edges {
        match tilts
            .iter_mut()
            .find(|(t, _)| (*t - edge.tilt_deg).abs() < 1e-3)
        {
            Some((_, count)) => *count += 1,
            None => tilts.push((edge.tilt_deg, 1)),
        }
    }
    tilts
}

fn saw(manifest: &Manifest) -> String {
    let say = manifest.lengths();
    let mut out = String::from(
        "## Saw\n\nTilt the blade from vertical, top leaning out: the back of the facet is smaller \
         than its face. The cut line runs at these distances from the middle of the blank.\n\n\
         | blanks | sides of each | tilt from vertical | table to blade | from middle, at the back \
         | from middle, at the stock's top |\n|---|---|---|---|---|---|\n",
    );
    for (kind, facets) in kinds(manifest) {
        let Some(facet) = facets.first() else {
            continue;
        };
        for (tilt, count) in tilts(facet) {
            let slope = tilt.to_radians().tan();
            line(
                &mut out,
                format_args!(
                    "| {} | {count} | {tilt:.2}° | {:.2}° | {} | {} |",
                    kind_name(kind),
                    90.0 - tilt,
                    say.text(facet.back_plane_mm * slope),
                    say.text((facet.back_plane_mm + manifest.globe.stock_mm) * slope)
                ),
            );
        }
    }
    out
}

/// How much of the seams shows a step.
fn visible_text(visible_mm: f64, say: Lengths) -> String {
    let visible = say.fine(VISIBLE_STEP_MM);
    match visible_mm {
        0.0 => format!("nowhere by more than {visible}"),
        mm => format!("by more than {visible} on {} of them", say.at_least(mm)),
    }
}

fn seams(manifest: &Manifest) -> String {
    let say = manifest.lengths();
    let mut out = String::from("## Seams\n\n");
    let _ = match &manifest.checks.seams {
        Some(seams) => writeln!(
            out,
            "Measured on the finished images, neighbours differ by at most {} (seam {}, near \
             {}), and by no more than {} on 99 % of the {} of seams; {}.\n",
            say.fine(seams.worst_seam_step_mm),
            markdown(&seams.worst_seam),
            place_name(seams.worst_seam_lat_deg, seams.worst_seam_lon_deg),
            say.fine(seams.seam_step_99_mm),
            say.text(seams.seams_mm.round()),
            visible_text(seams.visible_seam_mm, say),
        ),
        None => writeln!(
            out,
            "No two neighbours are in this folder, so seams were not measured.\n"
        ),
    };
    out.push_str("| seam | facets | lowest ground | highest ground |\n|---|---|---|---|\n");
    let mut seams = BTreeMap::new();
    for facet in &manifest.facets {
        for edge in &facet.edges {
            let pair = (facet.id.min(edge.neighbour), facet.id.max(edge.neighbour));
            seams
                .entry(edge.seam.clone())
                .or_insert((pair, edge.seam_low_mm, edge.seam_high_mm));
        }
    }
    for (seam, ((a, b), low, high)) in seams {
        line(
            &mut out,
            format_args!(
                "| {} | {a:02} and {b:02} | {} | {} |",
                markdown(&seam),
                say.signed(low),
                say.signed(high)
            ),
        );
    }
    out.push_str("\nGround along a seam is given about the globe's radius.\n");
    out
}

fn cautions() -> String {
    "## Cautions\n\n\
     - Follow the manuals of your machines, the rules where you work and qualified instruction; \
     where they differ from this page, they are right.\n\
     - Bevel cuts on small parts put hands near the blade and can throw the part. Hold each facet \
     in a jig or clamps, never by hand, keep guards on, and practise on scrap.\n\
     - Place hold-downs, screws and clamps outside the carved area with its margin, and run the \
     path in the air first: a cutter or spindle that meets a screw can break and throw pieces.\n\
     - Check that the spindle and its nut clear the walls of the deepest cut: white down to black \
     is the depth above.\n\
     - Wear eye and hearing protection. Fine dust harms the lungs and some woods are poisonous or \
     cause allergies: extract at the cutter and wear a mask rated for fine dust.\n\
     - Thin corners and edges are brittle: joints need solid wood behind them.\n"
        .to_string()
}

/// Text that a table cell or sentence shows as written.
fn markdown(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() {
            safe.push(' ');
            continue;
        }
        if "\\`*_|<>[]#".contains(c) {
            safe.push('\\');
        }
        safe.push(c);
    }
    safe
}

/// A number with at most so many decimals, without trailing zeros.
fn short(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => &text,
    };
    if text == "-0" {
        "0".into()
    } else {
        text.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::manifest::testing::cube;

    #[test]
    fn numbers_lose_trailing_zeros_only_after_the_point() {
        assert_eq!(short(200.0, 0), "200");
        assert_eq!(short(200.0, 2), "200");
        assert_eq!(short(0.25, 6), "0.25");
        assert_eq!(short(-0.001, 1), "0");
    }

    #[test]
    fn the_report_holds_the_numbers_of_the_manifest() {
        let mut manifest = cube();
        manifest.warnings = vec!["watch *this*".into()];
        let text = text(&manifest);
        for expected in [
            "# Globe on a cube\n",
            "6 facets, 80 mm across the finished globe.",
            "| Grid | invented.tif, 360 x 180 cells of 1 degrees |",
            "| Ground | -100 to 156 m, mean 3 m |",
            "| Against true scale | 25 times |",
            "| A (4 sides) | 6 | 26 mm | 0.5 mm | 25 mm | 3 mm | 7 mm | 6 mm |",
            "- watch \\*this\\*\n",
            "| White (65535) | 26 mm above the back: the top of the stock |",
            "| Black (0) | 2 mm above the back: the lowest cut |",
            "| A | 284 x 284 | 71 mm | 71 mm |",
            "| 01 | A | 90° N | 3.00 | 25.00 | 7.00 | 0 | 0 |",
            // tan 45° = 1: at the back 16 mm, at the top 16 + 26 mm from the middle.
            "| A | 4 | 45.00° | 45.00° | 16 mm | 42 mm |",
            "neighbours differ by at most 0.010 mm (seam S01, near 12.0° N 34.0° E), and by no more than 0.005 mm on 99 % of the 500 mm of seams; nowhere by more than 0.100 mm.",
            "| S01 | 01 and 03 | -0.50 mm | +0.75 mm |",
            "Follow the manuals of your machines",
        ] {
            assert!(text.contains(expected), "missing: {expected}\n{text}");
        }
        let seams = text
            .lines()
            .filter(|l| l.starts_with("| S0") || l.starts_with("| S1"));
        assert_eq!(seams.count(), 12);
    }

    #[test]
    fn an_inch_shop_reads_inches_alone() {
        let mut manifest = cube();
        manifest.job["units"] = "inch".into();
        let text = text(&manifest);
        // By hand: 26 mm are 1.0236 in, 16 mm 0.6299 in.
        for expected in [
            "6 facets, 3.150 in across",
            "| A (4 sides) | 6 | 1.024 in | 0.020 in | 0.984 in |",
            "| One pixel | ",
            "Heights in inches above the back",
            "| A | 4 | 45.00° | 45.00° | 0.630 in | 1.654 in |",
            "| S01 | 01 and 03 | -0.020 in | +0.030 in |",
        ] {
            assert!(text.contains(expected), "missing: {expected}\n{text}");
        }
        assert!(!text.contains(" mm"), "{text}");
    }

    #[test]
    fn the_title_names_the_body_once() {
        let mut manifest = cube();
        for (body, name, title) in [
            (Some("Mars"), "walnut", "Mars: walnut"),
            (Some("Mars"), "a mars in walnut", "a mars in walnut"),
            (Some("Mars"), " ", "Mars"),
            (None, "walnut", "walnut"),
            (None, "", "Globe"),
        ] {
            manifest.source.body = body.map(str::to_owned);
            manifest.job["name"] = name.into();
            assert_eq!(manifest.title(), title);
        }
    }

    #[test]
    fn images_of_two_sizes_are_no_single_set_up() {
        let mut manifest = cube();
        assert!(text(&manifest).contains(" One set-up serves every facet.\n"));
        manifest.facets[2].width_px += 2;
        assert!(text(&manifest).contains(
            " Levels and pixel size are the same for every facet, but width and height are not: \
             there are 2 sizes, listed below.\n"
        ));
    }

    #[test]
    fn names_cannot_break_the_tables() {
        let mut manifest = cube();
        manifest.source.body = Some("<b>a|b</b>\nc".into());
        manifest.source.file = "we|rd`.tif".into();
        let text = text(&manifest);
        assert!(
            text.starts_with("# \\<b\\>a\\|b\\</b\\> c on a cube\n"),
            "{text}"
        );
        assert!(text.contains("| Grid | we\\|rd\\`.tif, "));
    }

    #[test]
    fn a_single_facet_says_that_seams_were_not_measured() {
        let mut manifest = cube();
        manifest.facets.truncate(1);
        manifest.checks.seams = None;
        assert!(text(&manifest).contains("seams were not measured.\n"));
    }
}
