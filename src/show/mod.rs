//! What people look at: pictures, the report and its page, charts, the sheets of the shop plan.

pub mod chart;
pub mod page;
pub mod pictures;
pub mod report;
pub mod sheets;
pub mod warnings;
