//! The stages that make facets of a grid, in order: orient, compress, fit, resample; then what
//! lies along the seams, what bits reach, and the search for a turn.

pub mod compress;
pub mod cutter;
pub mod cutting;
pub mod fit;
pub mod orient;
pub mod relief;
pub mod remedies;
pub mod resample;
pub mod seams;
pub mod turn;
