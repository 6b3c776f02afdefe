//! The sled that carries a blank past the tilted blade: one plate for each tilt of a kind.
//!
//! Seen from above, feeding away from the operator, the blade on the left and leaning to the left,
//! away from the blank, as on a saw that tilts to the left:
//!
//! ```text
//!            feed
//!             ^          |<---- at jig ---->|<------- to the edge ------->|
//!             |   kerf > |                  +  axis                       | < fence
//!                        |   the blank, one side to the blade             |
//! ```
//!
//! The boss stands on a board of its own that turns on the plate about a pin at the axis and is held
//! by a second pin, so that side after side comes to the blade; plate and board together are as
//! thick as `saw.base`, b. At height z over the board the cut runs (c + z)·tan(tilt) from the axis;
//! the table lies at z = −b. Turned half round, the same plate serves a
//! saw that tilts to the right: nothing is mirrored, so the boss still fits its pocket.

use super::jig::Jig;
use super::polygon::outward;
use super::saw::SideSetUp;
use crate::model::settings::Settings;
use glam::DVec2;
use serde::Serialize;

/// Hands stay this far from the blade, mm: 6 in, common practice, no source.
pub const HANDS_MM: f64 = 150.0;

/// Room for a hold-down and a handle beyond the line for hands, mm.
const GRIP_MM: f64 = 90.0;

/// Plate before and behind the blank, mm.
const ENDS_MM: f64 = 100.0;

/// One sled, axis of the jig at (0, 0), x from the blade to the fence, y the feed, mm.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sled {
    /// Tilt from vertical, degrees.
    pub tilt_deg: f64,
    /// Sides sawn on it, from 0, the one drawn towards the blade first.
    pub sides: Vec<usize>,
    /// From the axis to the cut at the plate's top, mm.
    pub at_jig_mm: f64,
    /// From the axis to the blade's near face at the table, mm; negative where the blade comes up
    /// beyond the axis.
    pub at_table_mm: f64,
    /// From the axis to the plate's edge at the fence, mm.
    pub to_edge_mm: f64,
    /// From fence to the blade's near face at the table, mm.
    pub fence_mm: f64,
    /// Half the plate's length along the feed, mm.
    pub half_length_mm: f64,
    /// How far boss and blank are turned from the facet frame, radians.
    pub turned_rad: f64,
    /// Index pins: one for each side, where the plate's own hole lies when that side is sawn.
    pub pins_mm: Vec<DVec2>,
    /// End of the blank on the operator's side, mm.
    pub blank_end_mm: f64,
}

/// The sleds for the blanks of a kind.
pub fn sleds(jig: &Jig, sides: &[SideSetUp], settings: &Settings) -> Vec<Sled> {
    let mut tilts: Vec<Vec<&SideSetUp>> = Vec::new();
    for side in sides {
        let same = |group: &&mut Vec<&SideSetUp>| (group[0].tilt_deg - side.tilt_deg).abs() < 1e-6;
        match tilts.iter_mut().find(same) {
            Some(group) => group.push(side),
            None => tilts.push(vec![side]),
        }
    }
    tilts
        .iter()
        .map(|group| sled(jig, group, settings))
        .collect()
}

fn sled(jig: &Jig, group: &[&SideSetUp], settings: &Settings) -> Sled {
    let first = group[0];
    let tangent = first.tilt_deg.to_radians().tan();
    let at_table_mm = first.at_jig_mm - settings.saw.base_mm * tangent;
    let out = |side: usize| {
        let count = jig.back_mm.len();
        outward(jig.back_mm[side], jig.back_mm[(side + 1) % count])
    };
    // The side looks at the blade, to the left.
    let turned_rad = std::f64::consts::PI - out(first.side).to_angle();
    let turn = DVec2::from_angle(turned_rad);
    let blank: Vec<DVec2> = jig.blank_mm.iter().map(|p| turn.rotate(*p)).collect();
    let right = blank.iter().map(|p| p.x).fold(0.0, f64::max);
    let radius = blank.iter().map(|p| p.length()).fold(0.0, f64::max);
    let to_edge_mm = (right + 40.0).max(HANDS_MM + GRIP_MM - first.at_jig_mm);
    let to_edge_mm = (to_edge_mm / 10.0).ceil() * 10.0;
    // Half-way in the wood between the axis and the nearest side of the back.
    let ring = jig.back_mm.iter().enumerate();
    let ring = ring
        .map(|(side, a)| out(side).dot(*a))
        .fold(f64::INFINITY, f64::min);
    // The hole stands on the fence's side; turning a side to the blade brings its pin there.
    let pins = group.iter().map(|side| {
        let back = out(first.side).to_angle() - out(side.side).to_angle();
        DVec2::from_angle(-back) * 0.5 * ring
    });
    Sled {
        tilt_deg: first.tilt_deg,
        sides: group.iter().map(|side| side.side).collect(),
        at_jig_mm: first.at_jig_mm,
        at_table_mm,
        to_edge_mm,
        fence_mm: to_edge_mm + at_table_mm,
        half_length_mm: ((radius + ENDS_MM) / 10.0).ceil() * 10.0,
        turned_rad,
        pins_mm: pins.collect(),
        blank_end_mm: blank.iter().map(|p| p.y).fold(0.0, f64::min),
    }
}

/// Order in which the sides of a blank are sawn: those without a tab first, then the loose tab's,
/// which holds nothing, then those of the glued tabs, the last of which holds until its own cut.
pub fn order_of_sides(jig: &Jig) -> Vec<usize> {
    let rank = |side: usize| match jig.tabs.iter().find(|tab| tab.side == side) {
        None => 0,
        Some(tab) if !tab.glued => 1,
        Some(_) => 2,
    };
    let mut sides: Vec<usize> = (0..jig.blank_mm.len()).collect();
    sides.sort_by_key(|side| (rank(*side), *side));
    sides
}
