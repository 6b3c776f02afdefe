//! 16-bit greyscale PNG.
//!
//! Reference: Portable Network Graphics (PNG) Specification, Third Edition, W3C 2025: §9 filters,
//! §11.3.4.3 pHYs, §11.3.3.3 tEXt. The `png` crate frames the chunks and their checks; the rows
//! are filtered here and deflated in one go by libdeflate, which is what makes it fast.

use super::{ImageFacts, encoder_failed, short, size_32};
use crate::{Error, Result};
use libdeflater::{CompressionLvl, Compressor};
use ndarray::Array2;
use png::{BitDepth, ColorType, Encoder, PixelDimensions, Unit};

/// Filter type byte "Up": each byte minus the one above it.
///
/// Terrain changes as little down a column as along a row, and Up is the one predictor whose
/// subtraction has no chain through the row, so it runs at memory speed. Rows of constant floor
/// become zeros.
const FILTER_UP: u8 = 2;

/// Effort of the deflate, 1 to 12. Higher levels shrink height images by a few per cent and take
/// several times as long.
const DEFLATE_LEVEL: i32 = 1;

/// Length of one IDAT chunk. Readers buffer a chunk at a time; larger ones gain nothing.
const IDAT_BYTES: usize = 1 << 20;

/// Largest width or height the format allows.
const MOST_PIXELS: u32 = i32::MAX as u32;

/// The bytes of a PNG file: 16-bit grey, pHYs and text chunks with sizes and levels.
///
/// The same levels and facts give the same bytes.
///
/// # Errors
/// [`Error::Job`] when the image is empty or too large for the format.
pub fn encode(levels: &Array2<u16>, facts: &ImageFacts) -> Result<Vec<u8>> {
    encode_in(&mut [], levels, facts)
}

/// The same, with memory for the filtered rows if it is large enough: what the system gives anew
/// it has to clear first.
pub(super) fn encode_in(
    spare: &mut [u8],
    levels: &Array2<u16>,
    facts: &ImageFacts,
) -> Result<Vec<u8>> {
    let (width, height) = size_32(levels, MOST_PIXELS)?;
    let mut own;
    let length = filtered_bytes(levels);
    let filtered = match spare.get_mut(..length) {
        Some(spare) => spare,
        None => {
            own = vec![0; length];
            &mut own
        }
    };
    filter_up(levels, filtered);
    let stream = deflate(filtered)?;
    let mut bytes = Vec::with_capacity(stream.len() + 4096);
    let refused = |error| encoder_failed("PNG", error);

    let mut encoder = Encoder::new(&mut bytes, width, height);
    encoder.set_color(ColorType::Grayscale);
    encoder.set_depth(BitDepth::Sixteen);
    encoder.set_pixel_dims(Some(dimensions(facts.pixel_mm)));
    for (keyword, text) in texts(levels, facts) {
        encoder
            .add_text_chunk(keyword.to_string(), text)
            .map_err(refused)?;
    }
    let mut writer = encoder.write_header().map_err(refused)?;
    for part in stream.chunks(IDAT_BYTES) {
        writer
            .write_chunk(png::chunk::IDAT, part)
            .map_err(refused)?;
    }
    writer.finish().map_err(refused)?;
    Ok(bytes)
}

/// Pixels per metre, the unit of pHYs, to the nearest whole pixel.
pub fn pixels_per_metre(pixel_mm: f64) -> u32 {
    (1000.0 / pixel_mm).round() as u32
}

fn dimensions(pixel_mm: f64) -> PixelDimensions {
    let per_metre = pixels_per_metre(pixel_mm);
    PixelDimensions {
        xppu: per_metre,
        yppu: per_metre,
        unit: Unit::Meter,
    }
}

/// Text chunks: one sentence for people, then single values for programs.
fn texts(levels: &Array2<u16>, facts: &ImageFacts) -> Vec<(&'static str, String)> {
    let (rows, columns) = levels.dim();
    vec![
        ("Title", format!("Facet {}", latin1(&facts.label))),
        ("Description", latin1(&facts.description(columns, rows))),
        (
            "Software",
            concat!("globewright ", env!("CARGO_PKG_VERSION")).to_string(),
        ),
        ("Facet", latin1(&facts.label)),
        ("Width mm", short(columns as f64 * facts.pixel_mm)),
        ("Height mm", short(rows as f64 * facts.pixel_mm)),
        ("Pixel mm", short(facts.pixel_mm)),
        ("Black mm", format!("{:.4}", facts.black_mm)),
        ("White mm", format!("{:.4}", facts.white_mm)),
    ]
}

/// tEXt holds Latin-1 only; anything else becomes a question mark.
fn latin1(text: &str) -> String {
    let fits = |c: char| (' '..='~').contains(&c) || ('\u{A1}'..='\u{FF}').contains(&c);
    text.chars()
        .map(|c| if fits(c) { c } else { '?' })
        .collect()
}

/// Length of an image's filtered rows.
fn filtered_bytes(levels: &Array2<u16>) -> usize {
    levels.nrows() * (1 + 2 * levels.ncols())
}

/// Rows as the format wants them: filter byte, then big-endian samples minus those above.
fn filter_up(levels: &Array2<u16>, filtered: &mut [u8]) {
    let row_bytes = 2 * levels.ncols();
    let mut above = vec![0; row_bytes];
    let mut here = vec![0; row_bytes];
    for (row, out) in levels
        .outer_iter()
        .zip(filtered.chunks_exact_mut(1 + row_bytes))
    {
        match row.as_slice() {
            Some(samples) => big_endian(samples, &mut here),
            None => big_endian(&row.to_vec(), &mut here),
        }
        out[0] = FILTER_UP;
        for ((out, here), above) in out[1..].iter_mut().zip(&here).zip(&above) {
            *out = here.wrapping_sub(*above);
        }
        std::mem::swap(&mut above, &mut here);
    }
}

fn big_endian(samples: &[u16], bytes: &mut [u8]) {
    for (sample, pair) in samples.iter().zip(bytes.chunks_exact_mut(2)) {
        pair.copy_from_slice(&sample.to_be_bytes());
    }
}

/// One zlib stream.
fn deflate(raw: &[u8]) -> Result<Vec<u8>> {
    let level = CompressionLvl::new(DEFLATE_LEVEL)
        .map_err(|e| -> Error { encoder_failed("PNG", format!("{e:?}")) })?;
    let mut compressor = Compressor::new(level);
    let mut stream = vec![0; compressor.zlib_compress_bound(raw.len())];
    let length = compressor
        .zlib_compress(raw, &mut stream)
        .map_err(|e| encoder_failed("PNG", e))?;
    stream.truncate(length);
    Ok(stream)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::testing::facet;
    use image::ImageDecoder;
    use std::io::Cursor;

    fn facts() -> ImageFacts {
        ImageFacts {
            label: "07".into(),
            pixel_mm: 0.1,
            black_mm: 3.25,
            white_mm: 50.3,
        }
    }

    /// Source: the `image` crate 0.25 as an independent caller and libpng through GDAL.
    #[test]
    fn another_decoder_gives_back_every_level() {
        // An odd width catches row stride mistakes, one pixel the smallest case.
        for (rows, columns) in [(1, 1), (1, 7), (5, 1), (211, 173)] {
            let levels = facet(rows, columns);
            let bytes = encode(&levels, &facts()).unwrap();
            let decoder = image::codecs::png::PngDecoder::new(Cursor::new(&bytes)).unwrap();
            assert_eq!(decoder.color_type(), image::ColorType::L16);
            let picture = image::DynamicImage::from_decoder(decoder)
                .unwrap()
                .into_luma16();
            assert_eq!(picture.dimensions(), (columns as u32, rows as u32));
            assert_eq!(picture.into_raw(), levels.into_raw_vec_and_offset().0);
        }
    }

    /// Source: GDAL's PNG driver, which uses libpng.
    #[test]
    fn gdal_reads_the_same_levels_resolution_and_texts() {
        let levels = facet(64, 90);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("07.png");
        std::fs::write(&path, encode(&levels, &facts()).unwrap()).unwrap();
        let dataset = gdal::Dataset::open(&path).unwrap();
        let band = dataset.rasterband(1).unwrap();
        assert_eq!(band.band_type(), gdal::raster::GdalDataType::UInt16);
        assert_eq!(dataset.raster_count(), 1);
        let read = band
            .read_as::<u16>((0, 0), (90, 64), (90, 64), None)
            .unwrap();
        assert_eq!(read.data(), levels.as_slice().unwrap());

        use gdal::Metadata;
        let item = |key: &str| dataset.metadata_item(key, "");
        assert_eq!(item("Title").as_deref(), Some("Facet 07"));
        assert_eq!(item("Width_mm").as_deref(), Some("9"));
        assert_eq!(
            item("Description").as_deref(),
            Some(
                "Height image of facet 07: 9 x 6.4 mm at 0.1 mm per pixel; black (0) is 3.2500 mm \
                 and white (65535) is 50.3000 mm above the back of the blank"
            )
        );
    }

    #[test]
    fn the_resolution_is_in_pixels_per_metre_both_ways() {
        let bytes = encode(&facet(8, 8), &facts()).unwrap();
        let reader = png::Decoder::new(Cursor::new(&bytes)).read_info().unwrap();
        let dims = reader.info().pixel_dims.unwrap();
        assert_eq!((dims.xppu, dims.yppu), (10_000, 10_000));
        assert_eq!(dims.unit, Unit::Meter);
        // 0.15 mm: 6666.67 pixels per metre, to the nearest.
        assert_eq!(pixels_per_metre(0.15), 6667);
    }

    #[test]
    fn a_constant_floor_costs_next_to_nothing() {
        let bytes = encode(&Array2::zeros((1000, 1000)), &facts()).unwrap();
        assert!(bytes.len() < 12_000, "{} bytes", bytes.len());
    }

    #[test]
    fn views_with_any_memory_layout_give_the_same_bytes() {
        let levels = facet(20, 30);
        let mut columns_first = Array2::zeros((30, 20));
        columns_first.assign(&levels.t());
        let turned = columns_first.reversed_axes();
        assert!(turned.as_slice().is_none());
        assert_eq!(
            encode(&levels, &facts()).unwrap(),
            encode(&turned, &facts()).unwrap()
        );
    }

    #[test]
    fn an_empty_image_is_refused() {
        let error = encode(&Array2::zeros((0, 5)), &facts()).unwrap_err();
        assert_eq!(
            error.to_string(),
            "job: image.pixel: the image cannot be written in this format; found 5 x 0 pixels; \
             allowed: 1 to 2147483647 each way; use larger pixels"
        );
    }

    #[test]
    fn labels_outside_latin_1_do_not_break_the_file() {
        let odd = ImageFacts {
            label: "β-7é\n".into(),
            ..facts()
        };
        let bytes = encode(&facet(4, 4), &odd).unwrap();
        let reader = png::Decoder::new(Cursor::new(&bytes)).read_info().unwrap();
        let title = &reader.info().uncompressed_latin1_text[0];
        assert_eq!(
            (title.keyword.as_str(), title.text.as_str()),
            ("Title", "Facet ?-7é?")
        );
    }
}
