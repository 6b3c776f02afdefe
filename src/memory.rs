//! How many facets may be in memory together.

use crate::grid::Grid;
use crate::length::{exact_mm_text, mm_text};
use crate::stages::fit::Fit;
use crate::{Error, Problem, Result};

/// Bytes held per pixel of a facet while it is drawn, meshed and written. Meshing takes the most:
/// beside its level a pixel has a height, an error, a number and a mark, on a grid that reaches a
/// little beyond the image. The encoder and the drawing need less, and not at the same time.
const BYTES_PER_PIXEL: u64 = 2 + 4 + 4 + 4 + 1 + 2;

/// Bytes held per pixel beside those while bits are tried on a facet: heights, places of the tip,
/// padded copies and running sums.
const BYTES_PER_PIXEL_CUT: u64 = 64;

/// Bytes per sample of the working grid: the grid, its padded copy, and the curve's summary.
const BYTES_PER_SAMPLE: u64 = 4 + 4 + 1;

/// Share of the free memory that is used when no bound is given.
const SHARE_OF_FREE: f64 = 0.8;

/// How many facets are drawn at a time: one per thread, fewer when memory is short.
///
/// # Errors
/// [`Error::Job`] when not even one fits, with the pixel size that would.
pub fn facets_together(
    grid: &Grid,
    fit: &Fit,
    bits: bool,
    bound_bytes: Option<u64>,
) -> Result<usize> {
    let threads = rayon::current_num_threads();
    let Some(bound) = bound_bytes.or_else(usable_bytes) else {
        return Ok(threads);
    };
    let pixels = |kind: &crate::stages::fit::KindFit| kind.width_px as u64 * kind.height_px as u64;
    let facet = fit.kinds.iter().map(pixels).max().unwrap_or(0);
    let facet = facet * (BYTES_PER_PIXEL + if bits { BYTES_PER_PIXEL_CUT } else { 0 });
    let grid_bytes = grid.heights_m.len() as u64 * BYTES_PER_SAMPLE;
    let together = bound.saturating_sub(grid_bytes) / facet.max(1);
    if together == 0 {
        let pixel_mm = fit.facets.first().map_or(0.0, |spec| spec.pixel_mm);
        // Both the grid and the images shrink with the square of the pixel.
        let times = ((facet + grid_bytes) as f64 / bound as f64).sqrt();
        return Err(Error::Job(
            Problem::new("images this fine do not fit in memory")
                .setting("image.pixel")
                .found(format!(
                    "{} and {} for one facet",
                    exact_mm_text(pixel_mm),
                    memory_text(facet + grid_bytes)
                ))
                .allowed(format!("at most {}", memory_text(bound)))
                .next(format!(
                    "use pixels of {} or more, or raise --memory",
                    mm_text((pixel_mm * times * 100.0).ceil() / 100.0)
                )),
        ));
    }
    Ok(threads.min(together as usize))
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
