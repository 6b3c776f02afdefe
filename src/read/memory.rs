//! How much memory a run may take, and what follows for the working grid and the facets.

use super::machine::memory;
use super::stored_grid::{GridFile, least_held_bytes};
use crate::model::geometry::Solid;
use crate::model::grid::Layout;
use crate::model::length::{exact_mm_text, mm_text};
use crate::model::settings::Settings;
use crate::{Error, Problem, Result};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Bytes held per pixel of a facet while it is drawn, meshed and written: its level, the height it
/// was drawn in, which is kept for the next facet, and a few marks on a grid that reaches a little
/// beyond the image. The encoder needs less, and not at the same time as the mesh.
const BYTES_PER_PIXEL: f64 = 2.0 + 4.0 + 1.0;

/// Bytes beside those for each pixel that is weighed for the mesh: a level and an error.
const BYTES_PER_WEIGHED: f64 = 4.0 + 4.0;

/// Middles are weighed on every pixel of coarse images, and on pixels so far apart on fine ones,
/// mm. Farther apart, the first guess misses more ground and is mended more often; nearer, most
/// of its work is on pixels that no triangle will need.
const WEIGHED_MM: f64 = 0.14;

/// Power of two of the pixels between them at most: half of the largest squares of the mesh.
pub const MOST_WEIGHED_POWER: u32 = 9;

/// Every how many pixels, along rows and along columns, one is weighed: a power of two.
pub fn weighed_every(pixel_mm: f64) -> usize {
    let power = (WEIGHED_MM / pixel_mm).log2().floor() as u32;
    1 << power.min(MOST_WEIGHED_POWER)
}

/// Bytes held per pixel beside those while bits are tried on a facet: heights, places of the tip,
/// padded copies and running sums.
const BYTES_PER_PIXEL_CUT: f64 = 64.0;

/// Bytes per sample of a working grid in memory: the grid and its padded copy.
const BYTES_PER_SAMPLE: u64 = 4 + 4;

/// Most that a grid in memory takes: its samples are counted in 32 bits, a margin included.
const MOST_HELD_BYTES: u64 = (u32::MAX as u64 - (1 << 24)) * BYTES_PER_SAMPLE;

/// What the program itself, the reader's buffers and GDAL's blocks take, bytes.
const BASE_BYTES: u64 = 256 << 20;

/// No more than this share of a budget is set aside for them: small jobs need less.
const BASE_SHARE: u64 = 4;

/// Memory taken when no budget is given and this is enough, bytes.
const USUAL_BYTES: u64 = 3 << 30;

/// Most that tiles of a grid in a file take, bytes: more would hardly be faster, for pixels near
/// each other share tiles.
const MOST_TILES_BYTES: u64 = 512 << 20;

/// Share of the free memory that is used at most when no budget is given.
const SHARE_OF_FREE: f64 = 0.8;

/// What a run may take, bytes, without what the program itself takes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MemoryBudget {
    /// What should be enough.
    aim: u64,
    /// What may be taken when it is not.
    most: u64,
}

impl MemoryBudget {
    /// From `--memory`; without it, what is usual, and more where the machine has it free and
    /// the job cannot do with less.
    pub fn new(given_bytes: Option<u64>) -> MemoryBudget {
        let machine = memory();
        // More than there is could only fail later, and without a word.
        let given_bytes = given_bytes.map(|given| given.min(machine.map_or(given, |m| m.total)));
        let usable = machine.map(|m| (m.free as f64 * SHARE_OF_FREE) as u64);
        let most = given_bytes.or(usable).unwrap_or(USUAL_BYTES);
        let aim = if given_bytes.is_none() {
            most.min(USUAL_BYTES)
        } else {
            most
        };
        let own = |bytes: u64| bytes - BASE_BYTES.min(bytes / BASE_SHARE);
        MemoryBudget {
            aim: own(aim),
            most: own(most),
        }
    }
}

/// How a working grid is to be kept.
pub enum Storage<'a> {
    /// In memory.
    Memory,
    /// In a file there.
    File(&'a GridFile),
    /// Not at all.
    Refused(Error),
}

/// Where a working grid may go.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub enum StoragePolicy {
    /// Into memory, whatever it takes.
    Unlimited,
    /// Into so much memory, else into a file.
    Limited {
        /// What the run may take.
        budget: MemoryBudget,
        /// What one facet will take of it.
        facet: FacetSize,
        /// Place for the file; `None` when all of the grid is needed at once.
        grid_file: Option<GridFile>,
    },
}

impl StoragePolicy {
    /// For a job; the grid may go into a file in `folder` if the job's relief is a curve.
    pub fn of(
        settings: &Settings,
        solid: &Solid,
        budget: MemoryBudget,
        bits: bool,
        folder: Option<&Path>,
    ) -> StoragePolicy {
        StoragePolicy::Limited {
            budget,
            facet: FacetSize {
                pixels: facet_pixels(settings, solid),
                pixel_mm: settings.image.pixel_mm,
                bits,
            },
            grid_file: folder.map(GridFile::new),
        }
    }

    /// How to keep a grid. `whole` says what all of it is needed for at once, if it is.
    pub(crate) fn choose(&self, grid: Layout, whole: Option<&str>) -> Storage<'_> {
        let StoragePolicy::Limited {
            budget,
            facet,
            grid_file,
        } = self
        else {
            return Storage::Memory;
        };
        let held = held_bytes(grid);
        let facet_bytes = facet.bytes();
        let beside = |most: u64| most.saturating_sub(facet_bytes).min(MOST_HELD_BYTES);
        if held <= beside(budget.aim) {
            return Storage::Memory;
        }
        if let (Some(grid_file), None) = (grid_file, whole) {
            // A grid so small that a file would not help is no reason to refuse a job.
            return if stored_bytes(grid) < held {
                Storage::File(grid_file)
            } else {
                Storage::Memory
            };
        }
        // Too little even so: for the images, not for the grid, when it is small beside them.
        if held <= beside(budget.most).max(facet_bytes / 2) {
            return Storage::Memory;
        }
        let whole = whole.unwrap_or("to shape such relief");
        Storage::Refused(too_fine(
            &format!(
                "a working grid this fine does not fit in memory, where all of it must be {whole}"
            ),
            "the working grid and one facet",
            *facet,
            held,
            budget.most,
        ))
    }
}

/// Bytes of a working grid in memory, ready to be sampled.
fn held_bytes(grid: Layout) -> u64 {
    (grid.rows * grid.columns) as u64 * BYTES_PER_SAMPLE + grid.summary_bytes()
}

/// Bytes that a working grid in a file takes at least.
fn stored_bytes(grid: Layout) -> u64 {
    least_held_bytes(grid.columns) + grid.summary_bytes()
}

/// A facet that is drawn.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
pub struct FacetSize {
    /// Pixels of its image.
    pub pixels: u64,
    /// Pixel size, mm.
    pub pixel_mm: f64,
    /// Whether bits are tried on it.
    pub bits: bool,
}

impl FacetSize {
    fn bytes(self) -> u64 {
        let weighed = 1.0 / (weighed_every(self.pixel_mm) as f64).powi(2);
        let cut = if self.bits { BYTES_PER_PIXEL_CUT } else { 0.0 };
        let each = BYTES_PER_PIXEL + BYTES_PER_WEIGHED * weighed + cut;
        (self.pixels as f64 * each).ceil() as u64
    }

    /// The same wood in larger or smaller pixels.
    fn in_pixels_of(self, pixel_mm: f64) -> FacetSize {
        let pixels = self.pixels as f64 * (self.pixel_mm / pixel_mm).powi(2);
        FacetSize {
            pixels: pixels.ceil() as u64,
            pixel_mm,
            ..self
        }
    }
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
pub struct FacetConcurrency {
    /// Facets: one per thread, fewer when memory is short.
    pub facets: usize,
    /// Bytes left for tiles of a grid that is kept in a file.
    pub tiles_bytes: u64,
}

/// How many facets, `drawn` the largest, are drawn at a time from a grid in memory, or (`stored`)
/// in a file.
///
/// # Errors
/// [`Error::Job`] when not even one fits, with the pixel size that would.
pub fn facet_concurrency(
    grid: Layout,
    stored: bool,
    drawn: FacetSize,
    budget: MemoryBudget,
) -> Result<FacetConcurrency> {
    let threads = rayon::current_num_threads() as u64;
    let facet = drawn.bytes();
    let grid_bytes = if stored {
        stored_bytes(grid)
    } else {
        held_bytes(grid)
    };
    let fitting = |bytes: u64| bytes.saturating_sub(grid_bytes) / facet.max(1);
    let (budget, facets) = match fitting(budget.aim) {
        0 => (budget.most, fitting(budget.most).min(1)),
        some => (budget.aim, some),
    };
    if facets == 0 {
        return Err(too_fine(
            "images this fine do not fit in memory",
            "one facet",
            drawn,
            grid_bytes,
            budget,
        ));
    }
    let facets = facets.min(threads);
    Ok(FacetConcurrency {
        facets: facets as usize,
        tiles_bytes: budget
            .saturating_sub(grid.summary_bytes() + facets * facet)
            .min(MOST_TILES_BYTES),
    })
}

/// Hundredths of a mm that pixels grow by until they fit; more would be no image.
const LARGEST_HUNDREDTHS: u64 = 10_000;

fn too_fine(what: &str, of: &str, facet: FacetSize, grid_bytes: u64, allowed: u64) -> Error {
    let pixel_mm = facet.pixel_mm;
    // Both the grid and the images shrink with the square of the pixel.
    let needed = |mm: f64| {
        let grid = grid_bytes as f64 * (pixel_mm / mm).powi(2);
        facet.in_pixels_of(mm).bytes() + grid.ceil() as u64
    };
    let hundredths = (pixel_mm * 100.0).floor() as u64 + 1..LARGEST_HUNDREDTHS;
    let mut enough = hundredths.map(|n| n as f64 / 100.0);
    let enough = enough.find(|mm| needed(*mm) <= allowed);
    let next = match enough {
        Some(mm) => format!("use pixels of {} or more, or raise --memory", mm_text(mm)),
        None => "raise --memory".to_owned(),
    };
    let needed = needed(pixel_mm);
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
            .next(next),
    )
}

fn memory_text(bytes: u64) -> String {
    match bytes {
        0..10_000_000_000 => format!("{} MB", bytes.div_ceil(1_000_000)),
        _ => format!("{} GB", bytes.div_ceil(1_000_000_000)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::grid::Registration;

    /// The working grid of the whole-run tests of memory.
    const GRID: Layout = Layout {
        rows: 943,
        columns: 1886,
        west_deg: 0.0,
        registration: Registration::Pixel,
    };

    fn chosen(given_bytes: u64, folder: Option<&str>, whole: Option<&str>) -> &'static str {
        let policy = StoragePolicy::Limited {
            budget: MemoryBudget::new(Some(given_bytes)),
            facet: FacetSize {
                pixels: 80_000,
                pixel_mm: 0.2,
                bits: false,
            },
            grid_file: folder.map(|folder| GridFile::new(Path::new(folder))),
        };
        match policy.choose(GRID, whole) {
            Storage::Memory => "hold",
            Storage::File(_) => "store",
            Storage::Refused(_) => "refuse",
        }
    }

    #[test]
    fn a_grid_goes_into_a_file_only_when_it_must_and_can() {
        let folder = Some("out");
        assert_eq!(chosen(1 << 30, folder, None), "hold");
        for megabytes in [20, 10] {
            assert_eq!(chosen(megabytes << 20, folder, None), "store");
            assert_eq!(
                chosen(megabytes << 20, folder, Some("to fill its holes")),
                "refuse"
            );
            assert_eq!(chosen(megabytes << 20, None, None), "refuse");
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
        let facet = FacetSize {
            pixels: 7746 * 8144,
            pixel_mm: 0.05,
            bits: false,
        };
        assert!(BASE_BYTES + stored_bytes(grid) + facet.bytes() < USUAL_BYTES);
    }
}
