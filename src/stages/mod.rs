//! The stages in order: read, compress, fit, resample, write, report. Each is one module with one
//! plain input and one plain output.

pub mod check;
pub mod report;
pub mod seams;
pub mod write;
