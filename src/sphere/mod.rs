//! Fields on the sphere, judged and smoothed: pure arithmetic on plain grids.

pub mod ball;
pub mod faults;
pub mod figures;
pub mod lattice;
pub mod resolution;
pub mod smoothing;
