//! The report a person reads: `report.md` and `overview.png`.

mod cutting;
mod markdown;
mod order;
pub mod overview;

pub(crate) use markdown::kind_name;
pub use markdown::text;
