//! The exaggeration curve as every stage and the manifest use it: a table, linear between knots.

use serde::{Deserialize, Serialize};

/// Metres of height to millimetres of relief about the datum.
///
/// The table IS the curve: what is carved and what the manifest lists are the same numbers.
/// Knots are evenly spaced in metres from the lowest to the highest ground; heights outside are
/// held at the ends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Name of its shape.
    pub name: String,
    /// Heights in metres, ascending, evenly spaced.
    pub knots_m: Vec<f64>,
    /// Relief in millimetres at each, never falling.
    pub knots_mm: Vec<f64>,
}

impl Curve {
    /// Relief in mm at a height in metres.
    pub fn relief_mm(&self, height_m: f64) -> f64 {
        let last = self.knots_m.len() - 1;
        let (low, high) = (self.knots_m[0], self.knots_m[last]);
        let position = (height_m - low) / (high - low) * last as f64;
        // A NaN falls through `clamp`; heights are finite by the grid's contract.
        let position = position.clamp(0.0, last as f64);
        let cell = (position as usize).min(last - 1);
        let part = position - cell as f64;
        self.knots_mm[cell] + part * (self.knots_mm[cell + 1] - self.knots_mm[cell])
    }

    /// Lowest relief, mm.
    pub fn lowest_mm(&self) -> f64 {
        self.knots_mm[0]
    }

    /// Highest relief, mm.
    pub fn highest_mm(&self) -> f64 {
        self.knots_mm[self.knots_mm.len() - 1]
    }

    /// The same shape with relief multiplied by `factor`.
    pub fn scaled(&self, factor: f64) -> Curve {
        Curve {
            name: self.name.clone(),
            knots_m: self.knots_m.clone(),
            knots_mm: self.knots_mm.iter().map(|mm| mm * factor).collect(),
        }
    }
}
