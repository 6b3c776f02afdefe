//! From a planet's elevation grid to carve-ready facet images for a wooden globe.
//!
//! The source stands in floors, each a folder that uses only those below it; `tests/all/layers.rs` holds
//! them to that. From the top: [`commands`] conducts, [`show`] draws and writes for people,
//! [`output`] writes for machines, [`shop`] is the arithmetic of saw and bench, [`carve`] holds the
//! stages, [`read`] alone knows GDAL, [`sphere`] measures and smooths fields, [`model`] is what all
//! of them speak of.

pub mod carve;
pub mod commands;
pub mod model;
pub mod output;
pub mod read;
pub mod shop;
pub mod show;
pub mod sphere;
#[cfg(test)]
mod testing;

pub use model::error::{Error, Problem, Result};
