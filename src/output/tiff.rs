//! 16-bit greyscale TIFF, deflated, with resolution tags.
//!
//! Reference: TIFF Revision 6.0 (Adobe 1992): ImageDescription, XResolution, YResolution,
//! ResolutionUnit 3 (centimetre), Predictor 2; Deflate as in Adobe's Technical Note of 2002.

use super::{ImageFacts, encoder_failed, size_32};
use crate::{Error, Problem, Result};
use ndarray::Array2;
use std::io::Cursor;
use tiff::encoder::colortype::Gray16;
use tiff::encoder::{Compression, DeflateLevel, Predictor, Rational, TiffEncoder};
use tiff::tags::{ResolutionUnit, Tag};

/// Offsets in the file are 32-bit; room is left for the tags and for data that will not shrink.
const MOST_BYTES: usize = 4_000_000_000;

/// Denominator of the resolution before it is reduced: pixel sizes are told apart to a nanometre.
const NANOMETRES_PER_MM: f64 = 1e6;

/// The bytes of a TIFF file: 16-bit grey, black is zero, resolution in pixels per centimetre.
///
/// The same levels and facts give the same bytes.
///
/// # Errors
/// [`Error::Job`] when the image is empty or too large for the format.
pub fn encode(levels: &Array2<u16>, facts: &ImageFacts) -> Result<Vec<u8>> {
    let (width, height) = size_32(levels, u32::MAX)?;
    if levels.len() > MOST_BYTES / 2 {
        return Err(Error::Job(
            Problem::new("the image is too large for TIFF")
                .setting("image.pixel")
                .found(format!("{width} x {height} pixels"))
                .allowed(format!("{} million pixels", MOST_BYTES / 2_000_000))
                .next("use larger pixels or image.format = \"png\""),
        ));
    }
    let refused = |error| encoder_failed("TIFF", error);
    let mut bytes = Cursor::new(Vec::new());
    let mut file = TiffEncoder::new(&mut bytes)
        .map_err(refused)?
        .with_compression(Compression::Deflate(DeflateLevel::Fast))
        .with_predictor(Predictor::Horizontal);
    let mut image = file.new_image::<Gray16>(width, height).map_err(refused)?;
    image.resolution(ResolutionUnit::Centimeter, per_centimetre(facts.pixel_mm));
    let description = facts.description(levels.ncols(), levels.nrows());
    let tags = image.encoder();
    tags.write_tag(Tag::ImageDescription, ascii(&description).as_str())
        .map_err(refused)?;
    tags.write_tag(
        Tag::Software,
        concat!("globewright ", env!("CARGO_PKG_VERSION")),
    )
    .map_err(refused)?;
    let packed = levels.as_standard_layout();
    let samples = packed
        .as_slice()
        .ok_or_else(|| encoder_failed("TIFF", "rows are not contiguous"))?;
    image.write_data(samples).map_err(refused)?;
    Ok(bytes.into_inner())
}

/// Pixels per centimetre as a reduced fraction.
fn per_centimetre(pixel_mm: f64) -> Rational {
    let pixel = (pixel_mm * NANOMETRES_PER_MM).round().max(1.0) as u32;
    let centimetre = 10 * NANOMETRES_PER_MM as u32;
    let common = greatest_common_divisor(centimetre, pixel);
    Rational {
        n: centimetre / common,
        d: pixel / common,
    }
}

fn greatest_common_divisor(a: u32, b: u32) -> u32 {
    if b == 0 {
        a
    } else {
        greatest_common_divisor(b, a % b)
    }
}

/// TIFF text is 7-bit ASCII.
fn ascii(text: &str) -> String {
    text.chars()
        .map(|c| if (' '..='~').contains(&c) { c } else { '?' })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::testing::facet;
    use gdal::Metadata;

    fn facts(pixel_mm: f64) -> ImageFacts {
        ImageFacts {
            label: "07".into(),
            pixel_mm,
            black_mm: 3.25,
            white_mm: 50.3,
        }
    }

    /// Source: GDAL's GTiff driver, which uses libtiff.
    #[test]
    fn gdal_reads_the_same_levels_resolution_and_description() {
        let folder = tempfile::tempdir().unwrap();
        for (name, rows, columns) in [("a.tif", 1, 1), ("b.tif", 5, 301), ("c.tif", 211, 173)] {
            let levels = facet(rows, columns);
            let path = folder.path().join(name);
            std::fs::write(&path, encode(&levels, &facts(0.1)).unwrap()).unwrap();
            let dataset = gdal::Dataset::open(&path).unwrap();
            let band = dataset.rasterband(1).unwrap();
            assert_eq!(band.band_type(), gdal::raster::GdalDataType::UInt16);
            let size = (columns, rows);
            let read = band.read_as::<u16>((0, 0), size, size, None).unwrap();
            assert_eq!(read.data(), levels.as_slice().unwrap());
            let item = |key: &str| dataset.metadata_item(key, "").unwrap();
            assert_eq!(item("TIFFTAG_XRESOLUTION"), "100");
            assert_eq!(item("TIFFTAG_YRESOLUTION"), "100");
            assert_eq!(item("TIFFTAG_RESOLUTIONUNIT"), "3 (pixels/cm)");
            assert_eq!(
                item("TIFFTAG_IMAGEDESCRIPTION"),
                facts(0.1).description(columns, rows)
            );
            let structure = dataset.metadata_item("COMPRESSION", "IMAGE_STRUCTURE");
            assert_eq!(structure.as_deref(), Some("DEFLATE"));
        }
    }

    #[test]
    fn odd_pixel_sizes_keep_their_exact_fraction() {
        let fraction = |mm| {
            let r = per_centimetre(mm);
            (r.n, r.d)
        };
        assert_eq!(fraction(0.1), (100, 1));
        assert_eq!(fraction(0.15), (200, 3));
        // A hundredth of an inch.
        assert_eq!(fraction(0.254), (5000, 127));
    }

    #[test]
    fn the_same_image_gives_the_same_bytes() {
        let levels = facet(100, 100);
        assert_eq!(
            encode(&levels, &facts(0.1)).unwrap(),
            encode(&levels, &facts(0.1)).unwrap()
        );
    }
}
