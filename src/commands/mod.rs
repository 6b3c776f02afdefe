//! One conductor for each command, read from top to bottom.

pub mod check;
pub mod curves;
pub mod facets;
mod finalise;
pub mod inspect;
pub mod join;
pub mod plan;
#[cfg(feature = "preview")]
pub mod preview;
pub mod turn;
