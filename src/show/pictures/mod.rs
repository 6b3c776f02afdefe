//! Drawing shared by every picture: shaded relief, text, scale bars and colours.
//!
//! Relief is grey and everything drawn on it is one dark blue, so pictures read the same in grey
//! print and for colour-blind eyes.

mod hillshade;
mod ink;
mod labels;
mod picture_png;
mod svg;

pub use hillshade::{Light, shade};
pub use ink::{draw_over, fonts};
pub use labels::{Box4, Labels, middle_box, text_width};
pub use picture_png::{DOTS_PER_METRE, grey_png, picture, sheet_png};
pub use svg::{Svg, escape, scale_bar_mm};

/// Everything drawn on relief: outlines, marks, arrows. Blue of Okabe & Ito's palette (2008),
/// darkened so that it stands out from grey by lightness alone.
pub const ACCENT: &str = "#00508c";
/// Text.
pub const INK: &str = "#1a1a1a";
/// Quieter text.
pub const QUIET: &str = "#555555";
/// The sheet.
pub const PAPER: [u8; 3] = [255, 255, 255];
