//! Directions, frames and solids: pure, no files, no printing.

mod angles;
mod frame;
mod solid;

pub use angles::{direction, lat_lon_deg};
pub use frame::Frame;
pub use solid::{Edge, Face, Kind, Seam, Solid, solid_names};
