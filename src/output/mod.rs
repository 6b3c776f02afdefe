//! Writing: height images, the manifest, and the folder that appears whole or not at all.

pub mod folder;
pub mod manifest;
pub mod mesh;
pub mod mesh_files;
pub mod png;
pub mod relief_file;
pub mod seam_steps;
pub mod tiff;

use crate::model::settings::ImageFormat;
use crate::{Error, Problem, Result};
use ndarray::Array2;
use serde::Serialize;

/// What a height image says of itself beside its pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct ImageFacts {
    /// Number as written on the blank, `01`.
    pub label: String,
    /// Pixel size, mm.
    pub pixel_mm: f64,
    /// Height above the back of the blank of pixel value 0, mm.
    pub black_mm: f64,
    /// Height above the back of the blank of pixel value 65535, mm.
    pub white_mm: f64,
}

impl ImageFacts {
    /// Title and one sentence with sizes and levels, for any image viewer.
    pub fn description(&self, width_px: usize, height_px: usize) -> String {
        format!(
            "Height image of facet {}: {} x {} mm at {} mm per pixel; black (0) is {:.4} mm and \
             white (65535) is {:.4} mm above the back of the blank",
            self.label,
            short(width_px as f64 * self.pixel_mm),
            short(height_px as f64 * self.pixel_mm),
            short(self.pixel_mm),
            self.black_mm,
            self.white_mm,
        )
    }
}

/// A length in mm to a hundred-thousandth, without trailing zeros.
fn short(mm: f64) -> String {
    let text = format!("{mm:.5}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// The image of a facet, from the output folder.
pub fn image_file(label: &str, format: ImageFormat) -> String {
    format!("facets/{label}.{}", extension(format))
}

/// File name extension of a format, without the dot.
pub fn extension(format: ImageFormat) -> &'static str {
    match format {
        ImageFormat::Png => "png",
        ImageFormat::Tiff => "tif",
    }
}

/// The bytes of a height image in the asked format.
///
/// `levels` is `(rows, columns)`, row 0 at the top (+y). `spare` is memory that may be written to.
///
/// # Errors
/// [`Error::Job`] when the image has no pixels or is larger than the format can hold.
pub fn encode(
    format: ImageFormat,
    levels: &Array2<u16>,
    facts: &ImageFacts,
    spare: &mut [u8],
) -> Result<Vec<u8>> {
    match format {
        ImageFormat::Png => png::encode_in(spare, levels, facts),
        ImageFormat::Tiff => tiff::encode(levels, facts),
    }
}

/// A value as JSON that a person can read, ending in a newline.
///
/// # Errors
/// [`Error::Check`] when JSON cannot say it.
pub fn json_text(value: &impl Serialize) -> Result<String> {
    let text = serde_json::to_string_pretty(value).map_err(not_json)?;
    Ok(text + "\n")
}

/// A value as JSON, with the names in alphabetical order.
///
/// # Errors
/// [`Error::Check`] when JSON cannot say it.
pub fn json_value(value: &impl Serialize) -> Result<serde_json::Value> {
    serde_json::to_value(value).map_err(not_json)
}

fn not_json(error: serde_json::Error) -> Error {
    Error::Check(Problem::new(format!(
        "the numbers cannot be written as JSON: {error}"
    )))
}

/// Rows and columns as the 32-bit sizes both formats use.
fn size_32(levels: &Array2<u16>, most: u32) -> Result<(u32, u32)> {
    let (rows, columns) = levels.dim();
    let fits = |n: usize| u32::try_from(n).ok().filter(|&n| n > 0 && n <= most);
    match (fits(columns), fits(rows)) {
        (Some(width), Some(height)) => Ok((width, height)),
        _ => Err(Error::Job(
            Problem::new("the image cannot be written in this format")
                .setting("image.pixel")
                .found(format!("{columns} x {rows} pixels"))
                .allowed(format!("1 to {most} each way"))
                .next("use larger pixels"),
        )),
    }
}

/// An encoder's failure, which a correct caller never meets.
fn encoder_failed(what: &str, error: impl std::fmt::Display) -> Error {
    Error::Job(
        Problem::new(format!("the {what} encoder refused the image: {error}"))
            .setting("image.pixel")
            .next("use larger pixels or the other image format"),
    )
}

#[cfg(test)]
pub(crate) mod testing {
    //! A seeded image like a real facet: rough ground inside a pentagon, floor outside.

    use ndarray::Array2;

    /// Deterministic small generator (splitmix64; Steele, Lea & Flood 2014).
    pub fn random(seed: &mut u64) -> f64 {
        *seed = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = *seed;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// `rows` × `columns` levels with noise, a dome and a floor outside a circle.
    pub fn facet(rows: usize, columns: usize) -> Array2<u16> {
        let mut seed = 1;
        Array2::from_shape_fn((rows, columns), |(row, column)| {
            let x = (column as f64 + 0.5) / columns as f64 - 0.5;
            let y = 0.5 - (row as f64 + 0.5) / rows as f64;
            let r2 = x * x + y * y;
            let noise = random(&mut seed);
            if r2 > 0.22 {
                return 0;
            }
            let ground =
                0.8 - 1.5 * r2 + 0.05 * (31.0 * x).sin() * (17.0 * y).cos() + 0.002 * noise;
            (ground * 65535.0).clamp(0.0, 65535.0) as u16
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    #[test]
    fn what_json_cannot_say_is_an_error_and_no_empty_file() {
        let odd = BTreeMap::from([([1, 2], "names of things are texts in JSON")]);
        for error in [json_text(&odd).err(), json_value(&odd).map(|_| ()).err()] {
            let said = error.map(|error| error.to_string()).unwrap_or_default();
            assert!(said.contains("cannot be written as JSON"), "{said}");
        }
        assert_eq!(
            json_text(&[1, 2]).ok().as_deref(),
            Some("[\n  1,\n  2\n]\n")
        );
    }
}
