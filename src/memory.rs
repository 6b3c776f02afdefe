//! How much memory a run may take, and what follows for the working grid and the facets.

use crate::geometry::Solid;
use crate::grid::Layout;
use crate::length::{exact_mm_text, mm_text};
use crate::settings::Settings;
use crate::stages::fit::Fit;
use crate::stages::resample::Bounds;
use crate::stored::least_held_bytes;
use crate::{Error, Problem, Result};
use std::path::{Path, PathBuf};

/// Bytes held per pixel of a facet while it is drawn, meshed and written. Meshing takes the most:
/// beside its level a pixel has a height and an error, where every pixel is weighed, and a few
/// marks, on a grid that reaches a little beyond the image; the encoder needs less, and not at the
/// same time. The heights it was drawn in are kept for the next facet.
const BYTES_PER_PIXEL: u64 = 2 + 4 + 4 + 1 + 1 + 4;

/// Bytes held per pixel beside those while bits are tried on a facet: heights, places of the tip,
/// padded copies and running sums.
const BYTES_PER_PIXEL_CUT: u64 = 64;

/// Bytes per sample of a working grid in memory: the grid and its padded copy.
const BYTES_PER_SAMPLE: u64 = 4 + 4;

/// What the program itself, the reader's buffers and GDAL's blocks take, bytes.
const BASE_BYTES: u64 = 256 << 20;

/// No more than this share of a bound is set aside for them: small jobs need less.
const BASE_SHARE: u64 = 4;

/// Memory taken when no bound is given and this is enough, bytes.
const USUAL_BYTES: u64 = 3 << 30;

/// Most that tiles of a grid in a file take, bytes: more would hardly be faster, for pixels near
/// each other share tiles.
const MOST_TILES_BYTES: u64 = 512 << 20;

/// Share of the free memory that is used at most when no bound is given.
const SHARE_OF_FREE: f64 = 0.8;

/// What a run may take, bytes, without what the program itself takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// What should be enough.
    aim: u64,
    /// What may be taken when it is not.
    most: u64,
}

impl Bound {
    /// From `--memory`; without it, what is usual, and more where the machine has it free and
    /// the job cannot do with less.
    pub fn new(given_bytes: Option<u64>) -> Bound {
        let most = given_bytes.or_else(usable_bytes).unwrap_or(USUAL_BYTES);
        let aim = if given_bytes.is_none() {
            most.min(USUAL_BYTES)
        } else {
            most
        };
        let own = |bytes: u64| bytes - BASE_BYTES.min(bytes / BASE_SHARE);
        Bound {
            aim: own(aim),
            most: own(most),
        }
    }
}

/// How a working grid is to be kept.
pub enum Way<'a> {
    /// In memory.
    Hold,
    /// In a file in this folder.
    Store(&'a Path),
    /// Not at all.
    Refuse(Error),
}

/// Where a working grid may go.
#[derive(Debug, Clone)]
pub enum Room {
    /// Into memory, whatever it takes.
    Any,
    /// Into so much memory, else into a file.
    Within {
        /// What the run may take.
        bound: Bound,
        /// What facets will take of it, bytes.
        facets_bytes: u64,
        /// Folder for the file; `None` when all of the grid is needed at once.
        folder: Option<PathBuf>,
        /// Pixel size, mm, for messages.
        pixel_mm: f64,
    },
}

impl Room {
    /// For a job; the grid may go into a file in `folder` if the job's relief is a curve.
    pub fn of(
        settings: &Settings,
        solid: &Solid,
        bound: Bound,
        bits: bool,
        folder: Option<&Path>,
    ) -> Room {
        Room::Within {
            bound,
            facets_bytes: bytes_per_pixel(bits) * facet_pixels(settings, solid),
            folder: folder.map(Path::to_path_buf),
            pixel_mm: settings.image.pixel_mm,
        }
    }

    /// How to keep a grid. `whole` says what all of it is needed for at once, if it is.
    pub(crate) fn way(&self, grid: Layout, whole: Option<&str>) -> Way<'_> {
        let Room::Within {
            bound,
            facets_bytes,
            folder,
            pixel_mm,
        } = self
        else {
            return Way::Hold;
        };
        let held = held_bytes(grid);
        let beside = |most: u64| most.saturating_sub(*facets_bytes);
        if held <= beside(bound.aim) {
            return Way::Hold;
        }
        if let (Some(folder), None) = (folder, whole) {
            // A grid so small that a file would not help is no reason to refuse a job.
            return if stored_bytes(grid) < held {
                Way::Store(folder)
            } else {
                Way::Hold
            };
        }
        // Too little even so: for the images, not for the grid, when it is small beside them.
        if held <= beside(bound.most).max(*facets_bytes / 2) {
            return Way::Hold;
        }
        let whole = whole.unwrap_or("to shape such relief");
        Way::Refuse(too_fine(
            &format!(
                "a working grid this fine does not fit in memory, where all of it must be {whole}"
            ),
            "the working grid and one facet",
            *pixel_mm,
            held + facets_bytes,
            bound.most,
        ))
    }
}

/// Bytes of a working grid in memory, ready to be sampled.
fn held_bytes(grid: Layout) -> u64 {
    (grid.rows * grid.columns) as u64 * BYTES_PER_SAMPLE + Bounds::bytes(grid)
}

/// Bytes that a working grid in a file takes at least.
fn stored_bytes(grid: Layout) -> u64 {
    least_held_bytes(grid.columns) + Bounds::bytes(grid)
}

fn bytes_per_pixel(bits: bool) -> u64 {
    BYTES_PER_PIXEL + if bits { BYTES_PER_PIXEL_CUT } else { 0 }
}

/// A facet in the wood is wider than between its corners on the datum: ground above the datum and
/// the bulge of the seams come on top. By less than this, or the ground is uncommonly high.
const WIDER: f64 = 1.15;

/// Pixels of a facet before its size in the wood is known, rather too many: of the square around
/// the circle through its corners, for the solid's largest face.
fn facet_pixels(settings: &Settings, solid: &Solid) -> u64 {
    let radius_mm = settings.globe.diameter_mm / 2.0;
    let nearest = solid.faces.iter().map(|face| face.distance);
    let nearest = nearest.fold(1.0, f64::min);
    let half_mm = radius_mm * (1.0 - nearest * nearest).sqrt() + settings.stock.trim_mm;
    (2.0 * WIDER * half_mm / settings.image.pixel_mm).powi(2) as u64
}

/// What is drawn at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Together {
    /// Facets: one per thread, fewer when memory is short.
    pub facets: usize,
    /// Bytes left for tiles of a grid that is kept in a file.
    pub tiles_bytes: u64,
}

/// How many facets are drawn at a time from a grid in memory, or (`stored`) in a file.
///
/// # Errors
/// [`Error::Job`] when not even one fits, with the pixel size that would.
pub fn facets_together(
    grid: Layout,
    stored: bool,
    fit: &Fit,
    bits: bool,
    bound: Bound,
) -> Result<Together> {
    let threads = rayon::current_num_threads() as u64;
    let pixels = |kind: &crate::stages::fit::KindFit| kind.width_px as u64 * kind.height_px as u64;
    let facet = fit.kinds.iter().map(pixels).max().unwrap_or(0) * bytes_per_pixel(bits);
    let grid_bytes = if stored {
        stored_bytes(grid)
    } else {
        held_bytes(grid)
    };
    let fitting = |bytes: u64| bytes.saturating_sub(grid_bytes) / facet.max(1);
    let (bound, facets) = match fitting(bound.aim) {
        0 => (bound.most, fitting(bound.most).min(1)),
        some => (bound.aim, some),
    };
    if facets == 0 {
        let pixel_mm = fit.facets.first().map_or(0.0, |spec| spec.pixel_mm);
        return Err(too_fine(
            "images this fine do not fit in memory",
            "one facet",
            pixel_mm,
            facet + grid_bytes,
            bound,
        ));
    }
    let facets = facets.min(threads);
    Ok(Together {
        facets: facets as usize,
        tiles_bytes: bound
            .saturating_sub(Bounds::bytes(grid) + facets * facet)
            .min(MOST_TILES_BYTES),
    })
}

/// Both the grid and the images shrink with the square of the pixel.
fn too_fine(what: &str, of: &str, pixel_mm: f64, needed: u64, allowed: u64) -> Error {
    let times = (needed as f64 / allowed.max(1) as f64).sqrt();
    Error::Job(
        Problem::new(what)
            .setting("image.pixel")
            .found(format!(
                "{} and {} for {of}",
                exact_mm_text(pixel_mm),
                memory_text(needed)
            ))
            .allowed(format!(
                "at most {} beside the program itself",
                memory_text(allowed)
            ))
            .next(format!(
                "use pixels of {} or more, or raise --memory",
                mm_text((pixel_mm * times * 100.0).ceil() / 100.0)
            )),
    )
}

fn memory_text(bytes: u64) -> String {
    match bytes {
        0..10_000_000_000 => format!("{} MB", bytes.div_ceil(1_000_000)),
        _ => format!("{} GB", bytes.div_ceil(1_000_000_000)),
    }
}

/// Most of what the system says is free; `None` where it does not say.
fn usable_bytes() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/meminfo").ok()?;
    let line = text
        .lines()
        .find_map(|line| line.strip_prefix("MemAvailable:"))?;
    let kilobytes: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some((kilobytes as f64 * 1024.0 * SHARE_OF_FREE) as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Registration;

    /// The working grid of the whole-run tests of memory.
    const GRID: Layout = Layout {
        rows: 943,
        columns: 1886,
        west_deg: 0.0,
        registration: Registration::Pixel,
    };

    fn way(given_bytes: u64, folder: Option<&str>, whole: Option<&str>) -> &'static str {
        let room = Room::Within {
            bound: Bound::new(Some(given_bytes)),
            facets_bytes: 1_200_000,
            folder: folder.map(PathBuf::from),
            pixel_mm: 0.2,
        };
        match room.way(GRID, whole) {
            Way::Hold => "hold",
            Way::Store(_) => "store",
            Way::Refuse(_) => "refuse",
        }
    }

    #[test]
    fn a_grid_goes_into_a_file_only_when_it_must_and_can() {
        let folder = Some("out");
        assert_eq!(way(1 << 30, folder, None), "hold");
        for megabytes in [20, 10] {
            assert_eq!(way(megabytes << 20, folder, None), "store");
            assert_eq!(
                way(megabytes << 20, folder, Some("to fill its holes")),
                "refuse"
            );
            assert_eq!(way(megabytes << 20, None, None), "refuse");
        }
    }

    #[test]
    fn a_globe_of_600_mm_in_pixels_of_a_twentieth_takes_less_than_the_usual_bound() {
        // 2π · 300 mm / 0.05 mm columns.
        let grid = Layout {
            rows: 18850,
            columns: 37700,
            ..GRID
        };
        assert!(held_bytes(grid) > USUAL_BYTES);
        // And pentagons of 387 mm × 407 mm, the size of such a job's images.
        let facet = 7746 * 8144 * BYTES_PER_PIXEL;
        assert!(BASE_BYTES + stored_bytes(grid) + facet < USUAL_BYTES);
    }
}
