//! Grey pictures inside an SVG.

use crate::{Error, Problem, Result};
use base64::Engine;
use ndarray::Array2;

/// A grey picture as a PNG file.
///
/// # Errors
/// [`Error::Disk`] when the encoder fails.
pub fn grey_png(grey: &Array2<u8>) -> Result<Vec<u8>> {
    let (rows, columns) = grey.dim();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, columns as u32, rows as u32);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    let pixels: Vec<u8> = grey.iter().copied().collect();
    encoder
        .write_header()
        .and_then(|mut writer| {
            writer.write_image_data(&pixels)?;
            writer.finish()
        })
        .map_err(|e| {
            Error::Disk(Problem::new(format!(
                "a picture of the report could not be written: {e}"
            )))
        })?;
    Ok(bytes)
}

/// An SVG image element: left, top, width and height.
pub fn picture(png: &[u8], [left, top, width, height]: [f64; 4]) -> String {
    format!(
        "<image x=\"{left:.3}\" y=\"{top:.3}\" width=\"{width:.3}\" height=\"{height:.3}\" \
         href=\"data:image/png;base64,{}\"/>\n",
        base64::engine::general_purpose::STANDARD.encode(png)
    )
}
