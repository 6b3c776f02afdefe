//! Everything a run may warn about: one list for the terminal, the report and the manifest.
//!
//! A warning never stops a job. Its text gives the cause and advice.

use crate::carve::cutting::{self, CuttingRemark};
use crate::model::geometry::place_name;
use crate::model::length::Lengths;
use crate::model::settings::Projection;
use crate::output::manifest::{FacetEntry, Manifest, VISIBLE_STEP_MM};
use std::f64::consts::PI;
use std::fmt::{self, Write};

/// Share of carved pixels cut off at either end above which a person should know.
const CLIPPED_SHARE: f64 = 0.001;

/// Share of carved pixels that are undercut above which a person should know: single pixels are
/// finer than any bit.
const UNDERCUT_SHARE: f64 = 1e-4;

/// Corners thicker than the least edge by less than this part are called thin.
const THIN_CORNER: f64 = 1.1;

/// Stock is not called too thick for less than this, mm.
const LEAST_SPARE_MM: f64 = 0.5;

/// A back whose sawn edge comes nearer to its middle than this has little to stand on, mm.
const LEAST_BACK_MM: f64 = 5.0;

/// A grid cell wider than this many pixels leaves visibly smooth ground.
const COARSE_PIXELS: f64 = 8.0;

/// Times true scale beyond which a planet no longer looks like one.
const EXAGGERATION: f64 = 100.0;

/// Share of the sphere without data above which filling shows.
const FILLED_SHARE: f64 = 1e-4;

/// What makes neighbours differ at a seam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StepCause {
    /// Relief stands straight up from flat faces.
    Gnomonic,
    /// The ground is undercut somewhere on the seam's facets, so each shows its own side.
    Undercut {
        /// A range at which the step would be invisible, mm; none for relief that came finished.
        range_mm: Option<f64>,
    },
    /// Nothing but the size of pixels.
    Pixels {
        /// A size at which the step would be invisible, mm.
        pixel_mm: f64,
    },
}

/// A step that hand sanding takes away without wearing the ground beside it, mm. Common practice,
/// no source.
const SANDED_MM: f64 = 0.3;

/// The way out that small steps have and large ones have not.
fn or_sanded(step_mm: f64) -> &'static str {
    match step_mm <= SANDED_MM {
        true => ", or sand it in after gluing",
        false => "; it is too high to be sanded in",
    }
}

/// Something a person should read before carving.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// Ground was cut off at the stock's top or at the lowest level.
    Clipped {
        /// Pixels cut off at the top.
        high_px: u64,
        /// Pixels held up at the bottom.
        low_px: u64,
        /// Their share of all carved pixels.
        share: f64,
        /// The facet with most of them.
        facet: String,
    },
    /// Ground lies under other ground, where no straight-down bit reaches.
    Undercut {
        /// Pixels that hide ground below.
        pixels: u64,
        /// Number of facets with any.
        facets: usize,
        /// The facet with most of them.
        facet: String,
    },
    /// Cells without data were filled from around.
    Filled {
        /// Number of cells.
        cells: u64,
        /// Share of the sphere, 0..1.
        share: f64,
    },
    /// Cells beyond the allowed range were held at its ends.
    ClippedCells {
        /// Number of cells.
        cells: u64,
    },
    /// A facet's corner is little thicker than the job allows.
    ThinCorner {
        /// The facet.
        facet: String,
        /// Its thinnest corner, mm.
        corner_mm: f64,
        /// The least the job allows, mm.
        edge_mm: f64,
    },
    /// Thick stock brings the saw cuts together until hardly any flat back is left.
    SmallBack {
        /// The facet.
        facet: String,
        /// From the middle of its back to the nearest saw cut, mm.
        reach_mm: f64,
        /// How much thinner the stock could be, mm.
        spare_mm: f64,
    },
    /// A cell of the grid covers many pixels.
    CoarseSource {
        /// Width of a cell on the globe, mm.
        cell_mm: f64,
        /// Pixels across it.
        pixels: f64,
    },
    /// Relief far beyond true scale.
    Exaggerated {
        /// Times true scale, over the whole range.
        times: f64,
    },
    /// Neighbours do not meet.
    SeamStep {
        /// The seam.
        seam: String,
        /// The largest step, mm.
        step_mm: f64,
        /// Where it is: latitude and longitude, degrees.
        place_deg: [f64; 2],
        /// Length of seam along which a step shows, mm.
        visible_mm: f64,
        /// What makes them differ.
        cause: StepCause,
    },
    /// Something about the bits.
    Cutting(CuttingRemark),
    /// Something the reader noted about the grid.
    Grid(String),
}

impl Warning {
    /// What it says.
    pub fn text(&self, say: Lengths) -> String {
        let mut text = String::new();
        // Writing to a string cannot fail.
        let _ = self.write(&mut text, say);
        text
    }

    fn write(&self, f: &mut String, say: Lengths) -> fmt::Result {
        match self {
            Warning::Clipped {
                high_px,
                low_px,
                share,
                facet,
            } => write!(
                f,
                "{:.2} % of the carved ground is cut flat ({high_px} pixels at the top of the \
                 stock, {low_px} at the lowest level), most of it on facet {facet}: use thicker \
                 stock or less relief",
                100.0 * share
            ),
            Warning::Undercut {
                pixels,
                facets,
                facet,
            } => {
                let count = match pixels {
                    1 => "1 pixel".into(),
                    more => format!("{more} pixels"),
                };
                let place = match facets {
                    1 => format!("of facet {facet}"),
                    more => format!("on {more} of the facets, most of them on facet {facet}"),
                };
                write!(
                    f,
                    "the ground is undercut at {count} {place}; a bit from above cannot reach \
                     below and carves the upper ground straight down: relief.steepest = \
                     \"auto\" lays such ground back, less relief.range makes it less steep"
                )
            }
            Warning::Filled { cells, share } => write!(
                f,
                "{cells} cells of the grid ({:.2} % of the globe) hold no data and were filled \
                 smoothly from around them: look at those places in the overview",
                100.0 * share
            ),
            Warning::ClippedCells { cells } => write!(
                f,
                "{cells} cells of the grid lie outside the allowed heights and were held at the \
                 limits: check the grid's scale, offset and no-data value"
            ),
            Warning::ThinCorner {
                facet,
                corner_mm,
                edge_mm,
            } => write!(
                f,
                "the thinnest corner, on facet {facet}, is {} where the job allows {}: keep joints \
                 away from the corners, or use thicker stock",
                say.at_most(*corner_mm),
                say.at_least(*edge_mm)
            ),
            Warning::SmallBack {
                facet,
                reach_mm,
                spare_mm,
            } => {
                write!(
                    f,
                    "the saw cuts come within {} of the middle of the back of facet {facet}, so little \
                     flat wood is left there to hold it by while it is sawn",
                    say.at_most(*reach_mm)
                )?;
                if *spare_mm >= LEAST_SPARE_MM {
                    write!(
                        f,
                        ": stock thinner by up to {} would do",
                        say.at_most(*spare_mm)
                    )
                } else {
                    f.write_str(": a larger globe, or a solid with fewer faces, has a larger back")
                }
            }
            Warning::CoarseSource { cell_mm, pixels } => write!(
                f,
                "a cell of the grid is {} wide on the globe ({pixels:.0} pixels), so the ground \
                 between is smooth: use a finer grid for more detail, or larger pixels for smaller \
                 files",
                say.text(*cell_mm)
            ),
            Warning::Exaggerated { times } => write!(
                f,
                "heights are {times:.0} times true scale: slopes become very steep, and a bit may \
                 not reach the valleys; less relief looks more like a planet"
            ),
            Warning::SeamStep {
                seam,
                step_mm,
                place_deg: [lat_deg, lon_deg],
                visible_mm,
                cause,
            } => {
                write!(
                    f,
                    "neighbours differ by up to {} along seam {seam}, near {}, and by more than {} on \
                     {} of all seams",
                    say.fine(*step_mm),
                    place_name(*lat_deg, *lon_deg),
                    say.fine(VISIBLE_STEP_MM),
                    say.at_least(*visible_mm)
                )?;
                match cause {
                    StepCause::Gnomonic => write!(
                        f,
                        ", because relief stands straight up from flat faces: set \
                         globe.projection = \"radial\"{}",
                        or_sanded(*step_mm)
                    ),
                    StepCause::Undercut { range_mm: Some(mm) } => write!(
                        f,
                        ", where steep ground is undercut: set relief.steepest = \"auto\", \
                         or relief.range to at most {}",
                        say.at_most(*mm)
                    ),
                    StepCause::Undercut { range_mm: None } => write!(
                        f,
                        ", where steep ground is undercut: turn the globe so that the seam \
                         misses that place{}",
                        or_sanded(*step_mm)
                    ),
                    StepCause::Pixels { pixel_mm } => write!(
                        f,
                        ": set image.pixel to {}{}",
                        say.precise(*pixel_mm),
                        or_sanded(*step_mm)
                    ),
                }
            }
            Warning::Cutting(remark) => remark.write(f, say),
            Warning::Grid(note) => f.write_str(note),
        }
    }
}

/// Everything worth a warning, in the order a person should read it.
pub fn collect(manifest: &Manifest) -> Vec<Warning> {
    let bits = manifest.cutting.iter().flat_map(|entry| {
        let (pixel_mm, stock_mm) = (manifest.image.pixel_mm, manifest.globe.stock_mm);
        cutting::remarks(entry, pixel_mm, stock_mm).into_iter()
    });
    let bits = bits.map(Warning::Cutting);
    let notes = manifest.source.notes.iter().cloned().map(Warning::Grid);
    [
        clipped(manifest),
        undercut(manifest),
        seam_step(manifest),
        thin_corner(manifest),
        small_back(manifest),
        exaggerated(manifest),
        filled(manifest),
        clipped_cells(manifest),
        coarse_source(manifest),
    ]
    .into_iter()
    .flatten()
    .chain(bits)
    .chain(notes)
    .collect()
}

/// The first facet with the largest count.
fn most(manifest: &Manifest, count: impl Fn(&FacetEntry) -> u64) -> Option<&FacetEntry> {
    manifest.facets.iter().rev().max_by_key(|f| count(f))
}

fn clipped(manifest: &Manifest) -> Option<Warning> {
    let high_px = manifest.total(|f| f.clipped_high_px);
    let low_px = manifest.total(|f| f.clipped_low_px);
    let carved_px = manifest.total(|f| f.carved_px).max(1);
    let share = high_px.saturating_add(low_px) as f64 / carved_px as f64;
    let facet = most(manifest, FacetEntry::clipped_px)?;
    (share > CLIPPED_SHARE).then(|| Warning::Clipped {
        high_px,
        low_px,
        share,
        facet: facet.label.clone(),
    })
}

fn undercut(manifest: &Manifest) -> Option<Warning> {
    let pixels = manifest.total(|f| f.undercut_px);
    let carved_px = manifest.total(|f| f.carved_px).max(1);
    if pixels as f64 <= UNDERCUT_SHARE * carved_px as f64 {
        return None;
    }
    let facet = most(manifest, |f| f.undercut_px)?;
    (pixels > 0).then(|| Warning::Undercut {
        pixels,
        facets: manifest.facets.iter().filter(|f| f.undercut_px > 0).count(),
        facet: facet.label.clone(),
    })
}

fn seam_step(manifest: &Manifest) -> Option<Warning> {
    let seams = manifest.checks.seams.as_ref()?;
    let (seam, step_mm) = (&seams.worst_seam, seams.worst_seam_step_mm);
    let undercut = manifest
        .facets
        .iter()
        .any(|f| f.undercut_px > 0 && f.edges.iter().any(|edge| edge.seam == *seam));
    // Steps shrink with what makes them, at least in proportion.
    let less = |mm: f64| ((100.0 * mm * VISIBLE_STEP_MM / step_mm).floor() / 100.0).max(0.01);
    let cause = match manifest.globe.projection {
        Projection::Gnomonic => StepCause::Gnomonic,
        Projection::Radial if undercut => StepCause::Undercut {
            range_mm: manifest.relief.as_ref().map(|relief| less(relief.range_mm)),
        },
        Projection::Radial => StepCause::Pixels {
            pixel_mm: less(manifest.image.pixel_mm),
        },
    };
    (step_mm > VISIBLE_STEP_MM).then(|| Warning::SeamStep {
        seam: seam.clone(),
        step_mm,
        place_deg: [seams.worst_seam_lat_deg, seams.worst_seam_lon_deg],
        visible_mm: seams.visible_seam_mm,
        cause,
    })
}

fn thin_corner(manifest: &Manifest) -> Option<Warning> {
    // Relief that takes all the wood allows always leaves the least edge.
    if (manifest.relief.as_ref()).is_some_and(|relief| relief.range_by == "wood") {
        return None;
    }
    let edge_mm = manifest.globe.edge_mm;
    let by_corner = |a: &&FacetEntry, b: &&FacetEntry| a.corner_mm.total_cmp(&b.corner_mm);
    let facet = manifest.facets.iter().min_by(by_corner)?;
    (facet.corner_mm < THIN_CORNER * edge_mm).then(|| Warning::ThinCorner {
        facet: facet.label.clone(),
        corner_mm: facet.corner_mm,
        edge_mm,
    })
}

fn small_back(manifest: &Manifest) -> Option<Warning> {
    let reach_mm = |facet: &FacetEntry| {
        let tilts = facet.edges.iter().map(|edge| edge.tilt_deg);
        let steepest = tilts.fold(90.0, f64::min);
        facet.back_plane_mm * steepest.to_radians().tan()
    };
    let by_reach = |a: &&FacetEntry, b: &&FacetEntry| reach_mm(a).total_cmp(&reach_mm(b));
    let facet = manifest.facets.iter().min_by(by_reach)?;
    let corners = manifest.facets.iter().map(|facet| facet.corner_mm);
    (reach_mm(facet) < LEAST_BACK_MM).then(|| Warning::SmallBack {
        facet: facet.label.clone(),
        reach_mm: reach_mm(facet),
        spare_mm: corners.fold(f64::INFINITY, f64::min) - manifest.globe.edge_mm,
    })
}

fn exaggerated(manifest: &Manifest) -> Option<Warning> {
    let times = manifest.times_true_scale()?;
    (times > EXAGGERATION).then_some(Warning::Exaggerated { times })
}

fn filled(manifest: &Manifest) -> Option<Warning> {
    let (cells, share) = (manifest.source.filled_cells, manifest.source.filled_share);
    (cells > 0 && share > FILLED_SHARE).then_some(Warning::Filled { cells, share })
}

fn clipped_cells(manifest: &Manifest) -> Option<Warning> {
    let cells = manifest.source.clipped_cells;
    (cells > 0).then_some(Warning::ClippedCells { cells })
}

fn coarse_source(manifest: &Manifest) -> Option<Warning> {
    let cell_mm = manifest.source.cell_deg * PI / 180.0 * manifest.globe.radius_mm;
    let pixels = cell_mm / manifest.image.pixel_mm;
    (pixels > COARSE_PIXELS).then_some(Warning::CoarseSource { cell_mm, pixels })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::manifest::testing::cube;

    fn texts(manifest: &Manifest) -> Vec<String> {
        let warnings = collect(manifest);
        let say = manifest.lengths();
        warnings.iter().map(|warning| warning.text(say)).collect()
    }

    /// A cube whose grid is fine enough to say nothing.
    fn quiet() -> Manifest {
        let mut manifest = cube();
        manifest.source.cell_deg = 0.25;
        manifest
    }

    #[test]
    fn a_sound_globe_says_nothing() {
        assert_eq!(texts(&quiet()), [""; 0]);
    }

    #[test]
    fn cut_off_ground_is_named_above_a_thousandth() {
        let mut manifest = quiet();
        manifest.facets[3].clipped_high_px = 200;
        manifest.facets[4].clipped_low_px = 40;
        assert!(collect(&manifest).is_empty());
        manifest.facets[4].clipped_low_px = 41;
        assert_eq!(
            texts(&manifest),
            [
                "0.10 % of the carved ground is cut flat (200 pixels at the top of the stock, 41 at \
              the lowest level), most of it on facet 04: use thicker stock or less relief"
            ]
        );
    }

    #[test]
    fn undercuts_are_counted_and_placed() {
        let mut manifest = quiet();
        manifest.facets[1].undercut_px = 3;
        manifest.facets[5].undercut_px = 20;
        assert!(collect(&manifest).is_empty());
        manifest.facets[1].undercut_px = 30;
        manifest.facets[5].undercut_px = 90;
        assert_eq!(
            texts(&manifest),
            [
                "the ground is undercut at 120 pixels on 2 of the facets, most of them on facet \
              06; a bit from above cannot reach below and carves the upper ground straight down: \
              relief.steepest = \"auto\" lays such ground back, less relief.range makes it less steep"
            ]
        );
    }

    #[test]
    fn seam_steps_give_advice_that_fits_the_projection() {
        let mut manifest = quiet();
        let step = |manifest: &mut Manifest, mm: f64| {
            let seams = manifest.checks.seams.as_mut().unwrap();
            (seams.worst_seam_step_mm, seams.visible_seam_mm) = (mm, 4.2);
        };
        step(&mut manifest, 0.09);
        assert!(collect(&manifest).is_empty());
        step(&mut manifest, 0.12345);
        let begins = "neighbours differ by up to 0.123 mm along seam S01, near 12.0° N 34.0° E, and \
                      by more than 0.100 mm on 4.2 mm of all seams";
        let pixel_mm = (manifest.image.pixel_mm * 0.1 / 0.12345 * 100.0).floor() / 100.0;
        let pixels = format!(": set image.pixel to {pixel_mm} mm, or sand it in after gluing");
        assert_eq!(texts(&manifest), [format!("{begins}{pixels}")]);
        manifest.facets[2].undercut_px = 1;
        let finished = ", where steep ground is undercut: turn the globe so that the seam \
                        misses that place, or sand it in after gluing";
        assert_eq!(texts(&manifest), [format!("{begins}{finished}")]);
        manifest.relief = Some(crate::output::manifest::ReliefEntry {
            range_mm: 6.0,
            range_by: "job".into(),
            detail: None,
            raised_share: 0.0,
            raised_most_mm: 0.0,
            figures: None,
        });
        let undercut = ", where steep ground is undercut: set relief.steepest = \"auto\", or \
                     relief.range to at most 4.86 mm";
        assert_eq!(texts(&manifest), [format!("{begins}{undercut}")]);
        manifest.facets[2].undercut_px = 0;
        manifest.globe.projection = Projection::Gnomonic;
        let gnomonic = ", because relief stands straight up from flat faces: set globe.projection = \
                        \"radial\", or sand it in after gluing";
        assert_eq!(texts(&manifest), [format!("{begins}{gnomonic}")]);
        // Nine millimetres are not sanded in.
        step(&mut manifest, 9.0);
        let high = "set globe.projection = \"radial\"; it is too high to be sanded in";
        assert!(
            texts(&manifest)[0].ends_with(high),
            "{:?}",
            texts(&manifest)
        );
        manifest.job["units"] = "inch".into();
        assert!(texts(&manifest)[0].starts_with("neighbours differ by up to 0.3543 in along"));
    }

    #[test]
    fn stock_so_thick_that_no_back_is_left_is_named() {
        let mut manifest = quiet();
        // A cube is sawn at 45°: the cuts are as far from the middle as the back from the centre.
        manifest.facets[4].back_plane_mm = 2.0;
        assert_eq!(
            texts(&manifest),
            [
                "the saw cuts come within 2 mm of the middle of the back of facet 05, so little \
                 flat wood is left there to hold it by while it is sawn: stock thinner by up to \
                 1 mm would do"
            ]
        );
        manifest.globe.edge_mm = 6.8;
        manifest.facets[4].back_plane_mm = 4.9;
        assert!(texts(&manifest).contains(
            &"the saw cuts come within 4.9 mm of the middle of the back of facet 05, so little \
              flat wood is left there to hold it by while it is sawn: a larger globe, or a solid \
              with fewer faces, has a larger back"
                .to_owned()
        ));
        manifest.facets[4].back_plane_mm = 5.1;
        assert!(
            !texts(&manifest)
                .iter()
                .any(|text| text.contains("saw cuts"))
        );
    }

    #[test]
    fn the_rest_word_for_word() {
        let mut manifest = quiet();
        manifest.facets[2].corner_mm = 6.5;
        manifest.source.filled_cells = 700;
        manifest.source.filled_share = 0.0123;
        manifest.source.notes = vec!["as noted".into()];
        manifest.source.clipped_cells = 5;
        manifest.source.cell_deg = 3.0;
        manifest.source.reference_radius_m = Some(1_000_000.0);
        // 40 mm for 1000 km: true scale is 0.01024 mm for these 256 m; the curve gives 2.56 mm.
        assert_eq!(
            texts(&manifest),
            [
                "the thinnest corner, on facet 03, is 6.5 mm where the job allows 6 mm: keep \
                 joints away from the corners, or use thicker stock",
                "heights are 250 times true scale: slopes become very steep, and a bit may not \
                 reach the valleys; less relief looks more like a planet",
                "700 cells of the grid (1.23 % of the globe) hold no data and were filled smoothly \
                 from around them: look at those places in the overview",
                "5 cells of the grid lie outside the allowed heights and were held at the limits: \
                 check the grid's scale, offset and no-data value",
                "a cell of the grid is 2.09 mm wide on the globe (8 pixels), so the ground between \
                 is smooth: use a finer grid for more detail, or larger pixels for smaller files",
                "as noted",
            ]
        );
    }
}
