//! What a bit can reach, what it leaves standing, and how long it takes.
//!
//! Pure: height images in, height images and numbers out. All lengths are mm; height images are
//! `(rows, columns)` with row 0 at +y, as facet images are.
//!
//! A bit is described by the height of its outline over its tip, h(ρ), at a distance ρ from its
//! axis. Pushed down until it touches the surface z, its tip comes to rest at
//!
//! ```text
//! t(q) = max over |p − q| <= r of  z(p) − h(|p − q|)          (dilation)
//! ```
//!
//! and what remains when the tip has been everywhere is
//!
//! ```text
//! s(p) = min over |p − q| <= r of  t(q) + h(|p − q|)          (erosion)
//! ```
//!
//! Together they are the grey-scale closing of the image by the bit (J. Serra, "Image Analysis
//! and Mathematical Morphology", 1982, ch. XII). s − z is the wood the bit must leave.

pub mod legible;
pub mod morphology;
pub mod reach;
pub mod rough;
pub mod scallop;
pub mod time;
mod tool;

pub use tool::{Profile, Tool, ToolShape};
