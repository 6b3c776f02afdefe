//! The report a person reads: `report.md` and `overview.png`.

mod cutting;
pub mod overview;
mod text;

pub(crate) use text::kind_name;
pub use text::text;
