//! What every floor speaks of: lengths, settings and the job file, solids, grids, curves.

pub mod bodies;
pub mod curve;
pub mod error;
pub mod extremes;
pub mod file_names;
pub mod geometry;
pub mod grid;
pub mod jobfile;
pub mod length;
pub mod parallel;
pub mod places;
pub mod progress;
pub mod ranges;
pub mod settings;
pub mod threads;
pub mod wood;
