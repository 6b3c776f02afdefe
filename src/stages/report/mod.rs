//! The report a person reads: `overview.png` and `report.md`.

pub mod overview;
