//! From a planet's elevation grid to carve-ready facet images for a wooden globe.

mod ball;
pub mod bodies;
mod closing;
pub mod curve;
pub mod cutter;
pub mod error;
pub mod faults;
pub mod figures;
pub mod geometry;
pub mod grid;
pub mod jobfile;
pub mod lattice;
pub mod length;
mod listing;
pub mod manifest;
pub mod memory;
pub mod mesh;
pub mod pictures;
pub mod pipeline;
pub mod progress;
pub mod ranges;
mod relief;
mod remedies;
pub mod resolution;
mod rims;
pub mod settings;
pub mod shop;
pub mod smoothing;
pub mod stages;
pub mod stored;
#[cfg(test)]
mod testing;
pub mod warnings;

pub use error::{Error, Problem, Result};
