//! Reads a height image back, by decoders this program did not write.

use ndarray::Array2;
use std::fs::File;
use std::io::{BufRead, BufReader, Seek};
use std::path::Path;
use tiff::decoder::DecodingResult;
use tiff::tags::Tag;

/// A height image as found in a file.
#[derive(Debug, Clone, PartialEq)]
pub struct HeightImage {
    /// `(rows, columns)`, row 0 at the top (+y).
    pub levels: Array2<u16>,
    /// Pixels per metre across and down, when the file says.
    pub per_metre: Option<[f64; 2]>,
    /// The facet label inside the file, when it has one.
    pub label: Option<String>,
}

/// The most that deflate can shrink anything, with room for headers (zlib's own documentation:
/// 1032 to 1).
const MOST_SHRINK: f64 = 1100.0;

/// The most that a large image of ground shrinks; real ones shrink to a third or a tenth. So a
/// small file cannot ask for much memory, whatever a manifest lists.
const MOST_SHRINK_OF_LARGE: f64 = 100.0;

/// Bytes of pixels from which on an image is large.
const LARGE_BYTES: f64 = (1u64 << 26) as f64;

/// Reads a 16-bit greyscale PNG or TIFF of the given size.
///
/// The size is compared before any pixel is decoded, so a false header costs no memory.
///
/// # Errors
/// One clause in plain words: what is wrong with the file.
pub fn read(path: &Path, width_px: usize, height_px: usize) -> Result<HeightImage, String> {
    read_into(Vec::new(), path, width_px, height_px)
}

/// The same, with the memory of an image that is done with: to be given it anew takes a quarter of
/// the time.
pub(super) fn read_into(
    spare: Vec<u16>,
    path: &Path,
    width_px: usize,
    height_px: usize,
) -> Result<HeightImage, String> {
    let trouble = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::NotFound => "the image is missing".to_string(),
        _ => format!("the image cannot be opened: {e}"),
    };
    let kind = std::fs::metadata(path).map_err(trouble)?;
    // To open a pipe is to wait for whoever writes into it.
    if !kind.is_file() {
        return Err("the image is no file".into());
    }
    let file = File::open(path).map_err(trouble)?;
    let bytes = kind.len();
    // Multiplied in floats: a false manifest may list any size.
    let decoded = 2.0 * width_px as f64 * height_px as f64;
    let shrink = match decoded > LARGE_BYTES {
        true => MOST_SHRINK_OF_LARGE,
        false => MOST_SHRINK,
    };
    if decoded > shrink * bytes as f64 {
        return Err(damaged("the file is too short for its size in pixels"));
    }
    let file = BufReader::new(file);
    let size = (width_px, height_px);
    match path.extension().and_then(|e| e.to_str()) {
        Some("png") => read_png(spare, file, size),
        Some("tif" | "tiff") => read_tiff(file, size),
        _ => Err("the image is neither .png nor .tif".into()),
    }
}

fn same_size(found: (u32, u32), wanted: (usize, usize)) -> Result<(), String> {
    if (found.0 as usize, found.1 as usize) == wanted {
        return Ok(());
    }
    Err(format!(
        "the image is {} x {} pixels, the manifest says {} x {}",
        found.0, found.1, wanted.0, wanted.1
    ))
}

fn damaged(error: impl std::fmt::Display) -> String {
    // The library ends some of its sentences with a stop, in the middle of ours.
    let error = error.to_string();
    format!("the image is damaged: {}", error.trim_end_matches('.'))
}

fn not_16_bit(found: impl std::fmt::Debug) -> String {
    format!("the image is not 16-bit grey but {found:?}")
}

fn shaped(size: (usize, usize), samples: Vec<u16>) -> Result<Array2<u16>, String> {
    Array2::from_shape_vec((size.1, size.0), samples).map_err(damaged)
}

fn read_png(
    mut samples: Vec<u16>,
    file: impl BufRead + Seek,
    size: (usize, usize),
) -> Result<HeightImage, String> {
    let mut reader = png::Decoder::new(file).read_info().map_err(damaged)?;
    let info = reader.info();
    same_size(info.size(), size)?;
    let kind = (info.color_type, info.bit_depth);
    if kind != (png::ColorType::Grayscale, png::BitDepth::Sixteen) {
        return Err(not_16_bit(kind));
    }
    let per_metre = info
        .pixel_dims
        .filter(|dims| dims.unit == png::Unit::Meter)
        .map(|dims| [f64::from(dims.xppu), f64::from(dims.yppu)]);
    let texts = &info.uncompressed_latin1_text;
    let label = texts.iter().find(|text| text.keyword == "Facet");
    let label = label.map(|text| text.text.clone());
    samples.resize(size.0 * size.1, 0);
    let bytes = bytemuck::cast_slice_mut(&mut samples);
    reader.next_frame(bytes).map_err(damaged)?;
    reader.finish().map_err(damaged)?;
    samples
        .iter_mut()
        .for_each(|level| *level = u16::from_be(*level));
    Ok(HeightImage {
        levels: shaped(size, samples)?,
        per_metre,
        label,
    })
}

fn read_tiff(file: impl BufRead + Seek, size: (usize, usize)) -> Result<HeightImage, String> {
    let mut decoder = tiff::decoder::Decoder::new(file).map_err(damaged)?;
    same_size(decoder.dimensions().map_err(damaged)?, size)?;
    let kind = decoder.colortype().map_err(damaged)?;
    if kind != tiff::ColorType::Gray(16) {
        return Err(not_16_bit(kind));
    }
    let per_metre = tiff_resolution(&mut decoder);
    let label = decoder.get_tag_ascii_string(Tag::ImageDescription).ok();
    let label = label.and_then(|text| {
        let (label, _) = text
            .strip_prefix("Height image of facet ")?
            .split_once(':')?;
        Some(label.to_string())
    });
    let mut limits = tiff::decoder::Limits::default();
    // The size is the one the manifest lists, so it is wanted however large.
    limits.decoding_buffer_size = usize::MAX;
    limits.intermediate_buffer_size = usize::MAX;
    let mut decoder = decoder.with_limits(limits);
    let DecodingResult::U16(samples) = decoder.read_image().map_err(damaged)? else {
        return Err(not_16_bit(kind));
    };
    Ok(HeightImage {
        levels: shaped(size, samples)?,
        per_metre,
        label,
    })
}

/// Pixels per metre across and down, when the unit is the centimetre or the inch.
fn tiff_resolution<R: BufRead + Seek>(decoder: &mut tiff::decoder::Decoder<R>) -> Option<[f64; 2]> {
    let per_unit = match decoder.get_tag_u32(Tag::ResolutionUnit).ok()? {
        2 => 1000.0 / 25.4,
        3 => 100.0,
        _ => return None,
    };
    let mut axis = |tag| match decoder.get_tag(tag).ok()? {
        tiff::decoder::ifd::Value::Rational(n, d) => Some(f64::from(n) / f64::from(d) * per_unit),
        _ => None,
    };
    Some([axis(Tag::XResolution)?, axis(Tag::YResolution)?])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::settings::ImageFormat;
    use crate::output::testing::facet;
    use crate::output::{ImageFacts, encode};
    use crate::testing::hostile;
    use proptest::prelude::*;

    /// An image as a run writes it.
    fn written(format: ImageFormat, rows: usize, columns: usize) -> Vec<u8> {
        let facts = ImageFacts {
            label: "07".into(),
            pixel_mm: 0.1,
            black_mm: 3.25,
            white_mm: 50.3,
        };
        encode(format, &facet(rows, columns), &facts, &mut []).unwrap()
    }

    /// Makes the sums of all chunks right, so that damage is not told by them.
    fn with_sums(png: &mut [u8]) {
        let mut at = 8;
        while let Some(length) = png.get(at..at + 4) {
            let length = u32::from_be_bytes([length[0], length[1], length[2], length[3]]) as usize;
            let end = at + 8 + length;
            if png.len() < end + 4 {
                return;
            }
            let sum = libdeflater::crc32(&png[at + 4..end]);
            png[end..end + 4].copy_from_slice(&sum.to_be_bytes());
            at = end + 4;
        }
    }

    /// Columns and rows as the head of a PNG has them.
    fn announced(png: &[u8]) -> Option<(usize, usize)> {
        let number = |at: usize| {
            let bytes = png.get(at..at + 4)?.try_into().ok()?;
            Some(u32::from_be_bytes(bytes) as usize)
        };
        Some((number(16)?, number(20)?))
    }

    #[test]
    fn fuzz_images() {
        let folder = tempfile::tempdir().unwrap();
        let known = |format| [(1, 1), (5, 3), (40, 30)].map(|(r, c)| written(format, r, c));
        let words = "IHDR|IDAT|IEND|PLTE|tRNS|tEXt|zTXt|iTXt|iCCP|pHYs|acTL|fcTL|fdAT|Facet\0|\
            \0\0\0\u{1}|\u{10}";
        let png = hostile::bytes(known(ImageFormat::Png).to_vec(), words);
        let tiff = hostile::bytes(known(ImageFormat::Tiff).to_vec(), words);
        let file = prop_oneof![
            3 => png.prop_map(|bytes| ("a.png", bytes)),
            1 => tiff.prop_map(|bytes| ("a.tif", bytes)),
        ];
        hostile::each((file, any::<bool>()), |((name, mut bytes), mended)| {
            if name == "a.png" && mended {
                with_sums(&mut bytes);
            }
            let path = folder.path().join(name);
            std::fs::write(&path, &bytes).unwrap();
            for (width, height) in [Some((3, 5)), Some((30, 40)), announced(&bytes)]
                .into_iter()
                .flatten()
            {
                match read(&path, width, height) {
                    Ok(image) => prop_assert_eq!(image.levels.dim(), (height, width)),
                    Err(wrong) => hostile::one_line(wrong)?,
                }
            }
            Ok(())
        });
    }

    #[test]
    fn a_small_file_cannot_ask_for_much_memory() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["a.png", "a.tif"] {
            let path = folder.path().join(name);
            std::fs::write(&path, vec![0; 3 << 20]).unwrap();
            let said = |side| read(&path, side, side).unwrap_err();
            let short = "the image is damaged: the file is too short for its size in pixels";
            // 3 MB of nothing are 3.4 GB of pixels at most, as far as deflate is concerned.
            assert_eq!(said(40_000), short);
            assert_eq!(said(usize::MAX), short);
            // Zeros are no image either, but that is found out by its decoder.
            assert_ne!(said(5_000), short);
        }
    }
}
