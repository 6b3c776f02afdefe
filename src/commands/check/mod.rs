//! Verifies a finished folder from its files alone.

mod bytes;
mod consistency;
#[cfg(test)]
mod hostile_checks;
mod image;

pub use image::HeightImage;

use crate::carve::resample::{Side, inside_all};
use crate::carve::seams::SeamLine;
use crate::model::error::escaped;
use crate::model::extremes::{greatest_level, least_carved_level, least_level};
use crate::model::geometry::a_solid;
use crate::model::geometry::place_name;
use crate::model::parallel;
use crate::output::manifest::file;
use crate::output::manifest::{FacetEntry, Manifest};
use crate::output::png::pixels_per_metre;
use crate::output::seam_steps::{self, FacetView, Profiles, SeamSummary};
use crate::{Error, Problem, Result};
use glam::DVec2;
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// How sure the border of the trim is, mm: half a level moves a seam plane by less.
const BORDER_MM: f64 = 0.01;

/// How far the lowest and highest height in an image may be from the manifest's, in levels.
const LEVELS_OFF: f64 = 2.0;

/// How far the worst seam step may be from the manifest's, mm.
const STEP_OFF_MM: f64 = 0.005;

/// One thing that was looked at.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckLine {
    /// Whether it is right.
    pub ok: bool,
    /// It is right, and yet worth a word.
    pub note: bool,
    /// What was looked at: `facet 03`.
    pub subject: String,
    /// What was found.
    pub found: String,
}

impl CheckLine {
    fn new(subject: impl Into<String>, found: std::result::Result<String, String>) -> CheckLine {
        CheckLine {
            ok: found.is_ok(),
            note: false,
            subject: escaped(&subject.into()),
            found: escaped(&found.unwrap_or_else(|wrong| wrong)),
        }
    }

    fn note(subject: impl Into<String>, found: impl Into<String>) -> CheckLine {
        CheckLine {
            note: true,
            ..CheckLine::new(subject, Ok(found.into()))
        }
    }
}

impl fmt::Display for CheckLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mark = match (self.ok, self.note) {
            (false, _) => "WRONG",
            (true, true) => "note ",
            (true, false) => "ok   ",
        };
        write!(f, "{mark}  {}: {}", self.subject, self.found)
    }
}

/// Everything that was looked at.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckReport {
    /// Facets in the folder.
    pub facets: usize,
    /// Lines with something wrong.
    pub wrong: usize,
    /// Every file that the manifest lists, and the manifest itself, say what was written.
    pub proved: bool,
    /// Steps between neighbouring images; `None` when no two neighbours could be compared.
    pub seams: Option<SeamSummary>,
    /// Each thing that was looked at.
    pub lines: Vec<CheckLine>,
}

impl fmt::Display for CheckReport {
    /// One line for each thing.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.lines.iter().try_for_each(|line| writeln!(f, "{line}"))
    }
}

impl CheckReport {
    /// Passes when all is right.
    ///
    /// # Errors
    /// [`Error::Check`] with the number of mismatches and the first.
    pub fn verdict(&self, folder: &Path) -> Result<()> {
        let Some(first) = self.lines.iter().find(|line| !line.ok) else {
            return Ok(());
        };
        let count = match self.wrong {
            1 => "1 thing is wrong".to_string(),
            n => format!("{n} things are wrong, the first"),
        };
        Err(Error::Check(
            Problem::new(format!("{count}: {}: {}", first.subject, first.found))
                .next("do not carve from this folder; run the job again")
                .file(folder),
        ))
    }
}

/// Looks at everything in a finished folder: judges whether it is a globe that can be carved, and
/// proves whether it is what was written.
///
/// A folder that holds a subset of the facets is measured on the seams it has both sides of.
///
/// # Errors
/// Only when there is no readable manifest, as [`manifest::read`]; whatever else is wrong is in
/// the report, and [`CheckReport::verdict`] makes an error of it.
pub fn check(folder: &Path) -> Result<CheckReport> {
    let (manifest, text) = file::read_with_text(folder)?;
    let mut lines = vec![CheckLine::new(
        "manifest",
        Ok(format!(
            "{}, {} facets of {}",
            manifest.schema,
            manifest.facets.len(),
            a_solid(&manifest.globe.solid)
        )),
    )];
    lines.extend(consistency::lines(&manifest));

    let line_up = seam_steps::seams_of(&manifest);
    let spare = Mutex::default();
    let looked_at = parallel::mapped(&manifest.facets, &|facet| {
        look_at(folder, &manifest, facet, &line_up, &spare)
    });
    let mut measured = BTreeMap::new();
    for (facet, (line, profiles)) in manifest.facets.iter().zip(looked_at) {
        lines.push(line);
        if let Some(profiles) = profiles {
            measured.insert(facet.id, profiles);
        }
    }
    let seams = seam_steps::summary(
        &seam_steps::steps(&line_up, &measured),
        manifest.globe.radius_mm,
    );
    lines.push(CheckLine::new("seams", compare_steps(&manifest, &seams)));
    let (of_bytes, proved) = bytes::lines(folder, &manifest, &text);
    lines.extend(of_bytes);
    Ok(CheckReport {
        facets: manifest.facets.len(),
        wrong: lines.iter().filter(|line| !line.ok).count(),
        proved,
        seams,
        lines,
    })
}

/// The first thing in a manifest that does not agree with the rest of it.
pub(crate) fn disagreement(manifest: &Manifest) -> Option<CheckLine> {
    consistency::lines(manifest)
        .into_iter()
        .find(|line| !line.ok)
}

/// Reads one image and compares it with the manifest's entry.
///
/// # Errors
/// One clause in plain words: what is wrong with the file.
pub(crate) fn sound_image(
    path: &Path,
    manifest: &Manifest,
    facet: &FacetEntry,
) -> std::result::Result<HeightImage, String> {
    let image = image::read(path, facet.width_px, facet.height_px)?;
    compare_image(manifest, facet, &image)?;
    Ok(image)
}

/// Reads one image, compares it with the manifest and measures it along its seams.
fn look_at(
    folder: &Path,
    manifest: &Manifest,
    facet: &FacetEntry,
    line_up: &[SeamLine],
    spare: &Mutex<Vec<Vec<u16>>>,
) -> (CheckLine, Option<Profiles>) {
    let subject = format!("facet {}", facet.label);
    let path = folder.join(&facet.file);
    let memory = || spare.lock().unwrap_or_else(PoisonError::into_inner);
    let free = memory().pop().unwrap_or_default();
    let image = match image::read_into(free, &path, facet.width_px, facet.height_px) {
        Ok(image) => image,
        Err(wrong) => return (CheckLine::new(subject, Err(wrong)), None),
    };
    let view = FacetView::of(&manifest.image, facet, &image.levels);
    let profiles = seam_steps::profiles(facet.id, &view, line_up, manifest.globe.radius_mm);
    let found = compare_image(manifest, facet, &image);
    memory().push(image.levels.into_raw_vec_and_offset().0);
    (CheckLine::new(subject, found), Some(profiles))
}

/// Label, resolution and extremes of one image against the manifest.
fn compare_image(
    manifest: &Manifest,
    facet: &FacetEntry,
    image: &HeightImage,
) -> std::result::Result<String, String> {
    if let Some(label) = image.label.as_ref().filter(|label| **label != facet.label) {
        return Err(format!("the image says it is facet {label}"));
    }
    let wanted = 1000.0 / manifest.image.pixel_mm;
    let rounded = f64::from(pixels_per_metre(manifest.image.pixel_mm));
    let right = |found: f64| found == rounded || (found / wanted - 1.0).abs() < 1e-6;
    match image.per_metre {
        Some(found) if found.into_iter().all(right) => {}
        Some([across, down]) => {
            return Err(format!(
                "the image says {across} x {down} pixels per metre, the manifest {wanted}"
            ));
        }
        None => return Err("the image does not say its resolution".into()),
    }
    compare_extremes(manifest, facet, image)?;
    Ok(format!(
        "{} x {} pixels, {:.2} to {:.2} mm",
        facet.width_px, facet.height_px, facet.min_mm, facet.max_mm
    ))
}

/// Lowest and highest height of one image against the manifest.
///
/// The lowest is that of the facet and its trim, but the image cannot say to the last level which
/// pixels those are: the listed height must lie between the lowest of a slightly smaller and that
/// of a slightly larger part.
fn compare_extremes(
    manifest: &Manifest,
    facet: &FacetEntry,
    image: &HeightImage,
) -> std::result::Result<(), String> {
    let (black, white) = (manifest.image.black_mm, manifest.image.white_mm);
    let per_level = (white - black) / f64::from(u16::MAX);
    let allowed = LEVELS_OFF * per_level;
    let wrong = |which: &str, found: f64, listed: f64| {
        Err(format!(
            "the {which} height in the image is {found:.3} mm, the manifest says {listed:.3} mm"
        ))
    };
    let sides = seam_steps::sides_of(manifest, facet);
    let lowest = |margin_mm: f64| lowest_inside(manifest, facet, image, &sides, margin_mm);
    let smaller = lowest(-BORDER_MM);
    // What is not too low for the smaller part is not for the larger: that one is seldom looked at.
    let too_low = |listed: f64| listed < smaller - allowed && listed < lowest(BORDER_MM) - allowed;
    if facet.min_mm > smaller + allowed || too_low(facet.min_mm) {
        return wrong("lowest", smaller, facet.min_mm);
    }
    let terrain_everywhere = manifest.job.pointer("/image/outside")
        == Some(&serde_json::Value::String("terrain".into()));
    let highest = image.levels.as_slice().map_or(0, greatest_level);
    let highest = black + per_level * f64::from(highest);
    if !terrain_everywhere && (highest - facet.max_mm).abs() > allowed {
        return wrong("highest", highest, facet.max_mm);
    }
    Ok(())
}

/// Lowest height in an image, mm, of the facet and as much beyond its sides as its trim and
/// `margin_mm`.
fn lowest_inside(
    manifest: &Manifest,
    facet: &FacetEntry,
    image: &HeightImage,
    sides: &[Side],
    margin_mm: f64,
) -> f64 {
    let view = FacetView::of(&manifest.image, facet, &image.levels);
    let per_level = (view.white_mm - view.black_mm) / f64::from(u16::MAX);
    let trim_mm = manifest.globe.trim_mm + margin_mm;
    let [lowest_z, highest_z] = [view.black_mm, view.white_mm].map(|z| view.back_plane_mm + z);
    let (rows, columns) = image.levels.dim();
    let (half_rows, half_columns) = (rows as f64 / 2.0, columns as f64 / 2.0);
    let mut lowest = u16::MAX;
    for (row, line) in image.levels.outer_iter().enumerate() {
        let Some(line) = line.to_slice() else {
            continue;
        };
        let y = (half_rows - row as f64 - 0.5) * view.pixel_mm;
        let columns = |z: f64| {
            let column = |x: f64| (x / view.pixel_mm + half_columns).clamp(0.0, 2.0 * half_columns);
            let (left, right) = reach(sides, trim_mm, y, z);
            (column(left), column(right))
        };
        // Sides lean out, so what is inside at the lowest level is inside at any, and what is
        // outside there and as low is outside. Only the few other pixels have to be placed.
        let (left, right) = columns(highest_z);
        let all = left as usize..right.ceil() as usize;
        if all.is_empty() {
            continue;
        }
        let (left, right) = columns(lowest_z);
        let (start, end) = ((left - 0.5).ceil() as usize, (right + 0.5).floor() as usize);
        let sure = start.clamp(all.start, all.end)..end.clamp(all.start, all.end);
        let sure = if sure.is_empty() {
            all.end..all.end
        } else {
            sure
        };
        lowest = lowest.min(least_level(&line[sure.clone()]));
        for part in [all.start..sure.start, sure.end..all.end] {
            let levels = &line[part.clone()];
            if least_carved_level(levels) >= lowest {
                continue;
            }
            for (column, &level) in part.zip(levels) {
                if level > 0 && level < lowest {
                    let x = (column as f64 + 0.5 - half_columns) * view.pixel_mm;
                    let z = view.back_plane_mm + view.black_mm + per_level * f64::from(level);
                    if inside_all(sides, trim_mm, DVec2::new(x, y), z) {
                        lowest = level;
                    }
                }
            }
        }
    }
    view.black_mm + per_level * f64::from(lowest)
}

/// Leftmost and rightmost x at `y_mm` that is inside all sides at height `z_mm` over the globe's
/// centre.
fn reach(sides: &[Side], trim_mm: f64, y_mm: f64, z_mm: f64) -> (f64, f64) {
    let mut ends = (f64::NEG_INFINITY, f64::INFINITY);
    for side in sides {
        let room = side.slant * z_mm + trim_mm - side.outward.y * y_mm;
        let x = room / side.outward.x;
        if side.outward.x > 0.0 {
            ends.1 = ends.1.min(x);
        } else if side.outward.x < 0.0 {
            ends.0 = ends.0.max(x);
        } else if room < 0.0 {
            return (f64::INFINITY, f64::NEG_INFINITY);
        }
    }
    ends
}

/// The worst step against the manifest's.
fn compare_steps(
    manifest: &Manifest,
    seams: &Option<SeamSummary>,
) -> std::result::Result<String, String> {
    let listed = manifest
        .checks
        .seams
        .as_ref()
        .map(|seams| seams.worst_seam_step_mm);
    let Some(summary) = seams else {
        return match listed {
            None => Ok("no two neighbours in this folder".into()),
            Some(mm) => Err(format!(
                "none could be measured, the manifest says {mm:.3} mm"
            )),
        };
    };
    let worst = &summary.worst;
    let place = format!(
        "worst step {} on {} between facets {} and {} at {}",
        step_text(worst.worst_mm),
        worst.seam,
        worst.facets[0],
        worst.facets[1],
        place_name(worst.lat_deg, worst.lon_deg)
    );
    match listed {
        None => Err(format!("{place}, the manifest has none")),
        Some(mm) if (mm - worst.worst_mm).abs() <= STEP_OFF_MM => Ok(format!(
            "{place}; mean {}, 99 of 100 places within {}, {} seams",
            step_text(summary.mean_mm),
            step_text(summary.p99_mm),
            summary.seams
        )),
        Some(mm) => Err(format!("{place}, the manifest says {mm:.3} mm")),
    }
}

/// A step in mm. Finer than any tool, so that a good globe's do not all read as zero.
fn step_text(mm: f64) -> String {
    format!("{mm:.4} mm")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::settings::ImageFormat;
    use crate::output::manifest::testing::*;
    use crate::output::seam_steps::testing::{images, surface_mm, view};
    use crate::output::{ImageFacts, encode, extension};
    use ndarray::Array2;

    const TRIM_MM: f64 = 3.0;
    const PER_LEVEL: f64 = (WHITE_MM - BLACK_MM) / 65535.0;

    /// Lowest height of a cube's face and its trim. Its corners lie on the image's axes, and its
    /// seam planes lean by 45 degrees.
    fn lowest_of_cube_mm(face: usize, levels: &Array2<u16>) -> f64 {
        let view = view(face, levels);
        let half = levels.nrows() as f64 / 2.0;
        let lowest = levels.indexed_iter().filter_map(|((row, column), &level)| {
            let height = BLACK_MM + PER_LEVEL * f64::from(level);
            let across = |pixel: usize| ((pixel as f64 + 0.5 - half) * view.pixel_mm).abs();
            let out_mm = (across(row) + across(column)) * 0.5f64.sqrt();
            let beyond_mm = out_mm - (height + view.back_plane_mm);
            (beyond_mm <= TRIM_MM).then_some(height)
        });
        lowest.fold(f64::INFINITY, f64::min)
    }

    /// A globe of six facets as a run would leave it.
    struct Globe {
        manifest: Manifest,
        images: Vec<Array2<u16>>,
        format: ImageFormat,
    }

    impl Globe {
        /// Carved from a formula, measured as a run measures itself.
        fn new() -> Globe {
            let images = images().to_vec();
            let mut manifest = cube();
            for (facet, levels) in manifest.facets.iter_mut().zip(&images) {
                let height = |v: u16| BLACK_MM + PER_LEVEL * f64::from(v);
                facet.max_mm = levels.iter().copied().max().map_or(0.0, height);
                facet.min_mm = lowest_of_cube_mm(facet.id - 1, levels);
            }
            let views = images
                .iter()
                .enumerate()
                .map(|(f, levels)| (f + 1, view(f, levels)))
                .collect();
            let steps = seam_steps::seam_steps(&views, &seam_steps::seams_of(&manifest), RADIUS_MM);
            let summary = seam_steps::summary(&steps, RADIUS_MM).unwrap();
            manifest.checks.seams = Some(summary.entry());
            Globe {
                manifest,
                images,
                format: ImageFormat::Png,
            }
        }

        fn encoded(&self, index: usize) -> Vec<u8> {
            let facts = ImageFacts {
                label: self.manifest.facets[index].label.clone(),
                pixel_mm: PIXEL_MM,
                black_mm: BLACK_MM,
                white_mm: WHITE_MM,
            };
            encode(self.format, &self.images[index], &facts, &mut []).unwrap()
        }

        fn written(&self) -> tempfile::TempDir {
            let folder = tempfile::tempdir().unwrap();
            std::fs::create_dir(folder.path().join("facets")).unwrap();
            for (i, facet) in self.manifest.facets.iter().enumerate() {
                std::fs::write(folder.path().join(&facet.file), self.encoded(i)).unwrap();
            }
            let text = file::text(&self.manifest).unwrap();
            std::fs::write(folder.path().join("globe.json"), text).unwrap();
            folder
        }

        /// The error after something was changed in the manifest or the images.
        fn error(&self) -> String {
            error_of(&self.written())
        }
    }

    fn error_of(folder: &tempfile::TempDir) -> String {
        let report = check(folder.path()).unwrap();
        let error = report.verdict(folder.path()).unwrap_err();
        assert_eq!(error.exit_code(), 7);
        error
            .to_string()
            .replace(&folder.path().display().to_string(), "FOLDER")
    }

    #[test]
    fn a_sound_folder_passes_line_by_line() {
        let globe = Globe::new();
        let folder = globe.written();
        let report = check(folder.path()).unwrap();
        assert_eq!(report.verdict(folder.path()), Ok(()), "{report}");
        assert_eq!((report.facets, report.wrong), (6, 0));
        let text = report.to_string();
        assert!(text.starts_with("ok     manifest: globewright/1, 6 facets of a cube\n"));
        assert!(
            text.contains("ok     facet 04: 284 x 284 pixels, "),
            "{text}"
        );
        assert!(text.contains("ok     seams: worst step 0.00"), "{text}");
        assert!(
            text.ends_with(
                ", 12 seams\nnote   bytes: the manifest lists no checksums, so nothing proves the \
                 bytes\n"
            ),
            "{text}"
        );
        let json = serde_json::to_value(&report).unwrap();
        assert_eq!(json["wrong"], 0);
        assert_eq!(json["seams"]["seams"], 12);
    }

    #[test]
    fn tiff_folders_pass_too() {
        let mut globe = Globe::new();
        globe.format = ImageFormat::Tiff;
        for facet in &mut globe.manifest.facets {
            facet.file = format!("facets/{}.{}", facet.label, extension(ImageFormat::Tiff));
        }
        let folder = globe.written();
        let report = check(folder.path()).unwrap();
        assert_eq!(report.verdict(folder.path()), Ok(()), "{report}");
    }

    #[test]
    fn a_subset_is_measured_on_the_seams_it_has() {
        let mut globe = Globe::new();
        globe.manifest.facets.truncate(3);
        let summary = {
            let folder = globe.written();
            check(folder.path()).unwrap().seams.unwrap()
        };
        assert_eq!(summary.seams, 2);
        globe.manifest.checks.seams = Some(summary.entry());
        let folder = globe.written();
        assert_eq!(check(folder.path()).unwrap().verdict(folder.path()), Ok(()));

        globe.manifest.facets.truncate(1);
        globe.manifest.checks.seams = None;
        let folder = globe.written();
        let report = check(folder.path()).unwrap();
        assert_eq!(report.verdict(folder.path()), Ok(()));
        assert!(
            report
                .to_string()
                .contains("seams: no two neighbours in this folder\n")
        );
    }

    #[test]
    fn a_missing_image_is_found() {
        let folder = Globe::new().written();
        std::fs::remove_file(folder.path().join("facets/05.png")).unwrap();
        assert_eq!(
            error_of(&folder),
            "check: 1 thing is wrong: facet 05: the image is missing; do not carve from this \
             folder; run the job again (FOLDER)"
        );
    }

    #[test]
    fn a_damaged_image_is_found() {
        for at in [0.0, 0.3, 0.9] {
            let folder = Globe::new().written();
            let path = folder.path().join("facets/05.png");
            let mut bytes = std::fs::read(&path).unwrap();
            let place = (bytes.len() as f64 * at) as usize;
            bytes[place] ^= 0x10;
            std::fs::write(&path, &bytes).unwrap();
            let error = error_of(&folder);
            assert!(
                error.contains("facet 05: the image is damaged: "),
                "{error}"
            );

            bytes[place] ^= 0x10;
            bytes.truncate(place);
            std::fs::write(&path, &bytes).unwrap();
            let error = error_of(&folder);
            assert!(
                error.contains("facet 05: the image is damaged: "),
                "{error}"
            );
        }
    }

    #[test]
    fn swapped_images_show_by_label_and_by_their_seams() {
        let folder = Globe::new().written();
        let path = |n: &str| folder.path().join(format!("facets/{n}.png"));
        std::fs::copy(path("03"), path("05")).unwrap();
        let error = error_of(&folder);
        assert!(
            error.starts_with(
                "check: 2 things are wrong, the first: facet 05: the image says it is facet 03; "
            ),
            "{error}"
        );
        // Relabelled to hide it: the ground itself does not fit.
        let mut globe = Globe::new();
        globe.images[4] = globe.images[2].clone();
        globe.manifest.facets[4].min_mm = globe.manifest.facets[2].min_mm;
        globe.manifest.facets[4].max_mm = globe.manifest.facets[2].max_mm;
        let error = globe.error();
        assert!(
            error.starts_with("check: 1 thing is wrong: seams: worst step "),
            "{error}"
        );
        let report = check(globe.written().path()).unwrap();
        assert!(report.seams.unwrap().worst.worst_mm > 0.5);
    }

    #[test]
    fn a_few_raised_pixels_on_a_seam_are_found() {
        let mut globe = Globe::new();
        // Where the ground stands in the middle of a seam of facet 3.
        let line_up = seam_steps::seams_of(&globe.manifest);
        let seam = line_up.iter().find(|s| s.facets == [1, 3]).unwrap();
        let u = (seam.from + seam.to).normalize();
        let frame = globe.manifest.facets[2].frame.axes();
        let middle = frame.to_local(u * surface_mm(u));
        let half = SIDE_PX as f64 / 2.0;
        let column = (middle.x / PIXEL_MM + half - 0.5).round() as usize;
        let row = (half - middle.y / PIXEL_MM - 0.5).round() as usize;
        let millimetre = (1.0 / PER_LEVEL) as u16;
        for (r, c) in [(row, column), (row, column + 1), (row + 1, column)] {
            globe.images[2][(r, c)] += millimetre;
        }
        let error = globe.error();
        assert!(
            error.starts_with("check: 1 thing is wrong: seams: worst step 0."),
            "{error}"
        );
        assert!(error.contains(" between facets 1 and 3 at "), "{error}");
        assert!(error.contains(", the manifest says 0.00"), "{error}");
    }

    #[test]
    fn wrong_size_depth_and_resolution_are_found() {
        let mut globe = Globe::new();
        globe.manifest.facets[1].width_px = 283;
        assert!(
            globe
                .error()
                .contains("facet 02: the image is 284 x 284 pixels, the manifest says 283 x 284; "),
            "{}",
            globe.error()
        );
        let folder = Globe::new().written();
        let grey = ::image::GrayImage::new(284, 284);
        grey.save(folder.path().join("facets/02.png")).unwrap();
        assert!(
            error_of(&folder)
                .contains("facet 02: the image is not 16-bit grey but (Grayscale, Eight); "),
            "{}",
            error_of(&folder)
        );
        let deep = ::image::ImageBuffer::<::image::Luma<u16>, _>::new(284, 284);
        deep.save(folder.path().join("facets/02.png")).unwrap();
        assert!(error_of(&folder).contains("facet 02: the image does not say its resolution; "));
    }

    #[test]
    fn heights_that_differ_from_the_manifest_are_found() {
        let mut globe = Globe::new();
        globe.images[0][(142, 142)] = 65_535;
        assert!(
            globe.error().starts_with(
                "check: 1 thing is wrong: facet 01: the highest height in the image is 26.000 mm, \
                 the manifest says "
            ),
            "{}",
            globe.error()
        );
    }

    #[test]
    fn a_manifest_that_contradicts_itself_is_found() {
        type Change = fn(&mut Manifest);
        let cases: [(&str, Change); 12] = [
            ("facet list: there are no facets", |m| m.facets.clear()),
            (
                "facet list: two facets share the image facets/01.png",
                |m| {
                    m.facets[1].file = "facets/01.png".into();
                },
            ),
            (
                "facet list: facet 01: its image \"../01.png\" is not inside the folder",
                |m| {
                    m.facets[0].file = "../01.png".into();
                },
            ),
            (
                "facet axes: facet 01: its axes are not square and right-handed",
                |m| {
                    m.facets[0].frame.x[0] += 1e-6;
                },
            ),
            ("facet axes: facet 01: its axes point to 90.0000 N", |m| {
                m.facets[0].centre.lat_deg = 80.0;
            }),
            ("outlines: facet 02: 4 corners but 3 edges", |m| {
                m.facets[1].edges.pop();
            }),
            (
                "outlines: facet 02: its corners do not run counter-clockwise",
                |m| {
                    m.facets[1].corners_mm[1..].reverse();
                },
            ),
            ("which does not lead back", |m| {
                m.facets[0].edges[0].neighbour = 2
            }),
            ("add up to 90.0100 degrees, not 90.0000", |m| {
                m.facets[0].edges[0].tilt_deg += 0.01;
            }),
            ("levels: white is 26 mm but the stock is 25 mm thick", |m| {
                m.globe.stock_mm = 25.0;
            }),
            ("curve: the relief falls somewhere", |m| {
                m.curve.knots_mm[9] = 2.0
            }),
            (
                "counts: the facets' undercut pixels add up to 3, not 0",
                |m| {
                    m.facets[0].undercut_px = 3;
                },
            ),
        ];
        for (expected, change) in cases {
            let mut manifest = cube();
            change(&mut manifest);
            let lines = consistency::lines(&manifest);
            let wrong: Vec<String> = lines
                .iter()
                .filter(|line| !line.ok)
                .map(|line| format!("{}: {}", line.subject, line.found))
                .collect();
            assert!(
                wrong.iter().any(|w| w.contains(expected)),
                "{expected}: {wrong:?}"
            );
        }
        assert!(consistency::lines(&cube()).iter().all(|line| line.ok));
    }

    #[test]
    fn a_line_stays_one_line_whatever_a_manifest_or_an_image_says() {
        let line = CheckLine::new("facet 0\n1", Err("it says \"\u{1b}[2J\u{85}\"".into()));
        let one_line = "WRONG  facet 0\\n1: it says \"\\u{1b}[2J\\u{85}\"";
        assert_eq!(line.to_string(), one_line);
    }

    /// Replaces one leaf after another of a manifest by odd values: whatever still parses must be
    /// judged, drawn and described without a panic.
    #[test]
    fn no_odd_manifest_makes_a_panic() {
        let whole = serde_json::to_value(cube()).unwrap();
        let odd = [
            serde_json::json!(0),
            serde_json::json!(-1.0),
            serde_json::json!(1e300),
            serde_json::json!(u64::MAX),
            serde_json::json!(""),
            serde_json::json!([]),
        ];
        let mut paths = Vec::new();
        leaves(&whole, String::new(), &mut paths);
        let mut judged = 0;
        for path in &paths {
            for value in &odd {
                let mut changed = whole.clone();
                *changed.pointer_mut(path).unwrap() = value.clone();
                let Ok(manifest) = serde_json::from_value::<Manifest>(changed) else {
                    continue;
                };
                judged += 1;
                consistency::lines(&manifest);
                for seam in seam_steps::seams_of(&manifest) {
                    crate::carve::seams::places(&seam, 1.0);
                }
                crate::show::warnings::collect(&manifest);
                let layout = crate::show::report::overview::SheetLayout::of(&manifest);
                crate::show::report::overview::describe(&manifest, &layout);
                crate::show::report::text(&manifest);
            }
        }
        assert!(judged > 500, "{judged}");
    }

    /// Paths of everything in a JSON tree; of long lists of numbers the first few only.
    pub(super) fn leaves(value: &serde_json::Value, path: String, paths: &mut Vec<String>) {
        paths.push(path.clone());
        match value {
            serde_json::Value::Object(map) => {
                for (key, value) in map {
                    leaves(value, format!("{path}/{key}"), paths);
                }
            }
            serde_json::Value::Array(list) => {
                for (i, value) in list.iter().enumerate().take(3) {
                    leaves(value, format!("{path}/{i}"), paths);
                }
            }
            _ => {}
        }
    }
}
