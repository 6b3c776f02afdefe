//! From a planet's elevation grid to carve-ready facet images for a wooden globe.

pub mod bodies;
pub mod curve;
pub mod error;
pub mod geometry;
pub mod grid;
pub mod manifest;
pub mod settings;
pub mod stages;

pub use error::{Error, Problem, Result};
