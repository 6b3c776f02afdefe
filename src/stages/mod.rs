//! The stages in order: read, orient, compress, fit, resample, write, report. Each is one module with one
//! plain input and one plain output; `inspect` and `check` look at what goes in and what came
//! out, `join` at what several machines made, `preview` lets a person try settings by eye.

pub mod check;
pub mod compress;
pub mod curves;
pub mod cutting;
pub mod fit;
pub mod inspect;
pub mod join;
pub mod orient;
pub mod page;
pub mod plan;
pub mod preview;
pub mod read;
pub mod report;
pub mod resample;
pub mod seams;
pub mod turn;
pub mod write;
