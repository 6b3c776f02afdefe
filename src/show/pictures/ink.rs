//! Draws an SVG over a picture, with the fonts this crate carries.

use image::RgbImage;
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};
use std::sync::{Arc, LazyLock};

/// DejaVu Sans, cut down to Latin letters, digits and a few signs; licence beside it.
const FONT: &[u8] = include_bytes!("DejaVuSans-subset.ttf");

/// Only the font above: pictures do not depend on what a system has installed.
static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(FONT.to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    Arc::new(fonts)
});

/// The fonts this crate carries, and no others.
pub fn fonts() -> Arc<fontdb::Database> {
    FONTS.clone()
}

/// Paints an SVG of the picture's size over it.
///
/// # Errors
/// The parser's message when the SVG is not well formed.
pub fn draw_over(picture: &mut RgbImage, svg: &str) -> Result<(), String> {
    let options = Options {
        font_family: "DejaVu Sans".into(),
        fontdb: fonts(),
        ..Options::default()
    };
    let tree = Tree::from_str(svg, &options).map_err(|e| e.to_string())?;
    let Some(mut ink) = Pixmap::new(picture.width(), picture.height()) else {
        return Ok(());
    };
    resvg::render(&tree, Transform::identity(), &mut ink.as_mut());
    for (under, over) in picture.pixels_mut().zip(ink.pixels()) {
        let clear = 255 - u16::from(over.alpha());
        if clear == 255 {
            continue;
        }
        // Colours are premultiplied by their alpha.
        let colours = [over.red(), over.green(), over.blue()];
        for (under, over) in under.0.iter_mut().zip(colours) {
            *under = over.saturating_add(((u16::from(*under) * clear + 127) / 255) as u8);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::show::pictures::Svg;

    fn dark_pixels(picture: &RgbImage) -> usize {
        picture.pixels().filter(|p| p.0[0] < 128).count()
    }

    #[test]
    fn text_is_drawn_without_any_system_font() {
        let mut svg = Svg::new(200, 40);
        svg.text(10.0, 30.0, 24.0, "start", "#000000", "Mariner é 12° → “½”");
        let mut picture = RgbImage::from_pixel(200, 40, image::Rgb([255; 3]));
        draw_over(&mut picture, &svg.finish()).unwrap();
        assert!(dark_pixels(&picture) > 300, "{}", dark_pixels(&picture));
    }

    #[test]
    fn names_cannot_break_out_of_the_drawing() {
        let mut svg = Svg::new(300, 40);
        svg.text(
            10.0,
            30.0,
            20.0,
            "start",
            "#000",
            "<rect width='300' height='40'/> & \"x\" \u{1}",
        );
        let mut picture = RgbImage::from_pixel(300, 40, image::Rgb([255; 3]));
        draw_over(&mut picture, &svg.finish()).unwrap();
        assert!(dark_pixels(&picture) < 6000);
    }
}
