//! Species: how much each moves with its moisture.
//!
//! USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-190 (2010), table 13-5.

use crate::model::settings::Sawn;
use serde::Serialize;

/// Change for each percent of moisture, as a share of the width.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Species {
    /// Name in lower case with hyphens.
    pub name: &'static str,
    /// Across quarter-sawn boards.
    pub radial: f64,
    /// Across flat-sawn boards.
    pub tangential: f64,
    /// Where the two numbers come from.
    pub source: &'static str,
}

/// Moisture for which the numbers hold, percent.
pub const VALID_PERCENT: (f64, f64) = (6.0, 14.0);

const HANDBOOK: &str = "USDA Wood Handbook FPL-GTR-190, table 13-5";
/// Not looked up again; the handbook's shrinkage values fit.
const MEMORY: &str = "as quoted from memory from the USDA Wood Handbook, table 13-5";

/// Every species of the table.
#[rustfmt::skip]
pub const SPECIES: [Species; 8] = [
    Species { name: "black-cherry", radial: 0.00126, tangential: 0.00248, source: HANDBOOK },
    Species { name: "black-walnut", radial: 0.00190, tangential: 0.00274, source: HANDBOOK },
    Species { name: "sugar-maple", radial: 0.00165, tangential: 0.00353, source: HANDBOOK },
    Species { name: "red-maple", radial: 0.00137, tangential: 0.00289, source: HANDBOOK },
    Species { name: "american-basswood", radial: 0.00230, tangential: 0.00330, source: HANDBOOK },
    Species { name: "american-beech", radial: 0.00190, tangential: 0.00431, source: HANDBOOK },
    Species { name: "yellow-poplar", radial: 0.00158, tangential: 0.00289, source: MEMORY },
    Species { name: "mahogany", radial: 0.00172, tangential: 0.00238, source: MEMORY },
];

/// Names of the species.
pub fn species_names() -> Vec<&'static str> {
    SPECIES.iter().map(|species| species.name).collect()
}

impl Species {
    /// The species of that name.
    pub fn named(name: &str) -> Option<Species> {
        SPECIES.into_iter().find(|species| species.name == name)
    }

    /// Change of the width for each percent of moisture, as a share.
    pub fn coefficient(&self, sawn: Sawn) -> f64 {
        match sawn {
            Sawn::Flat => self.tangential,
            Sawn::Quarter => self.radial,
        }
    }
}
