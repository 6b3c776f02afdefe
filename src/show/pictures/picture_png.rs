//! Pictures as PNG files, and inside an SVG.

use crate::{Error, Problem, Result};
use base64::Engine;
use image::RgbImage;
use ndarray::Array2;
use png::{BitDepth, ColorType, Compression, Encoder, PixelDimensions, Unit};

/// Dots per metre noted in the file, 300 per inch.
pub const DOTS_PER_METRE: u32 = 11_811;

/// A coloured sheet, to be printed at 300 dots per inch.
///
/// # Errors
/// [`Error::Disk`] when the encoder fails.
pub fn sheet_png(picture: &RgbImage) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, picture.width(), picture.height());
    encoder.set_color(ColorType::Rgb);
    encoder.set_pixel_dims(Some(PixelDimensions {
        xppu: DOTS_PER_METRE,
        yppu: DOTS_PER_METRE,
        unit: Unit::Meter,
    }));
    finished(encoder, picture.as_raw())?;
    Ok(bytes)
}

/// A grey picture.
///
/// # Errors
/// [`Error::Disk`] when the encoder fails.
pub fn grey_png(grey: &Array2<u8>) -> Result<Vec<u8>> {
    let (rows, columns) = grey.dim();
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, columns as u32, rows as u32);
    encoder.set_color(ColorType::Grayscale);
    let pixels: Vec<u8> = grey.iter().copied().collect();
    finished(encoder, &pixels)?;
    Ok(bytes)
}

fn finished(mut encoder: Encoder<&mut Vec<u8>>, pixels: &[u8]) -> Result<()> {
    encoder.set_depth(BitDepth::Eight);
    encoder.set_compression(Compression::Fast);
    let written = encoder.write_header().and_then(|mut writer| {
        writer.write_image_data(pixels)?;
        writer.finish()
    });
    written.map_err(|e| Error::Disk(Problem::new(format!("a picture could not be written: {e}"))))
}

/// An SVG image element: left, top, width and height.
pub fn picture(png: &[u8], [left, top, width, height]: [f64; 4]) -> String {
    format!(
        "<image x=\"{left:.3}\" y=\"{top:.3}\" width=\"{width:.3}\" height=\"{height:.3}\" \
         href=\"data:image/png;base64,{}\"/>\n",
        base64::engine::general_purpose::STANDARD.encode(png)
    )
}
