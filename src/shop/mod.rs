//! The shop plan: what the maker needs at the bench, by geometry and arithmetic alone.

pub mod boards;
pub mod budget;
pub mod glue;
pub mod net;
pub mod polygon;
pub mod wood;
