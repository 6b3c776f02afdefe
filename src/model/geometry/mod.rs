//! Directions, frames and solids: pure, no files, no printing.

mod angles;
mod derive;
mod frame;
mod hull;
mod solid;
#[cfg(test)]
mod solid_checks;
mod solid_table;
mod symmetry;
mod turn;

pub use angles::{direction, lat_lon_deg, on_spiral, place_name};
pub use frame::Frame;
pub use solid::{Edge, Face, FaceKind, Seam, Solid, a_solid, solid_names};
pub use symmetry::{apart_rad, covering, rotations};
pub use turn::{place_of, turn_to};
