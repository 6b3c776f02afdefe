//! The grid's own faults: what its making left in it, and what would show in the wood.
//!
//! * **Lines.** Along a meridian or a parallel heights jump: to one side for good, where tiles or
//!   surveys meet, or back again within three samples, as the tracks of orbiting altimeters do.
//! * **Spokes.** Around a pole heights change more along rows than across them.
//! * **Rings.** A series that ends at some degree ripples beside steep ground.
//! * **Terraces.** Heights come in steps so large that gentle ground is made of treads.

mod lines;
mod rings;
mod spokes;
mod terraces;
#[cfg(test)]
mod tests;

use crate::model::grid::{Heights, Hypsometry, Layout};
use crate::sphere::resolution::{Resolution, resolved_deg};
use std::fmt;

/// A fault and the place where it is worst.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fault {
    /// What it is.
    pub kind: FaultKind,
    /// Latitude of its worst place, degrees north.
    pub lat_deg: f64,
    /// Longitude of its worst place, degrees east, 0..360.
    pub lon_deg: f64,
    /// How large it is there, metres.
    pub size_m: f64,
}

/// The faults that are looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FaultKind {
    /// Along a meridian or a parallel.
    Line {
        /// Along a meridian, else along a parallel.
        meridian: bool,
        /// Heights come back within three samples, else they stay.
        track: bool,
        /// Length, degrees of a great circle.
        long_deg: f64,
        /// Smaller lines of the same direction elsewhere.
        others: usize,
    },
    /// Around a pole.
    Spokes {
        /// How much more heights change along rows than across them.
        times: f64,
    },
    /// Beside steep ground.
    Rings {
        /// Degree at which the series ends.
        degree: f64,
        /// Share of the ground that they touch.
        share: f64,
    },
    /// On gentle ground; the size is that of a step.
    Terraces {
        /// Width of the widest tread, degrees of a great circle.
        wide_deg: f64,
    },
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let side = if self.lat_deg < 0.0 { "S" } else { "N" };
        let lat = format!("{:.1}° {side}", self.lat_deg.abs());
        let lon = format!("{:.1}° E", self.lon_deg);
        let size = if self.size_m < 9.95 {
            format!("{:.1} m", self.size_m)
        } else {
            format!("{:.0} m", self.size_m)
        };
        match self.kind {
            FaultKind::Line {
                meridian,
                track,
                long_deg,
                others,
            } => {
                let along = if meridian {
                    format!("the meridian of {lon} for {long_deg:.0}° around {lat}")
                } else {
                    format!("the parallel of {lat} for {long_deg:.0}° around {lon}")
                };
                if track {
                    write!(f, "samples along {along} are off by {size}, as in tracks")?;
                } else {
                    write!(
                        f,
                        "heights jump by {size} along {along}, as where surveys meet"
                    )?;
                }
                match others {
                    0 => write!(f, "; this will show in the wood"),
                    1 => write!(f, "; this and one smaller line will show in the wood"),
                    _ => write!(f, "; this and {others} smaller lines will show in the wood"),
                }
            }
            FaultKind::Spokes { times } => write!(
                f,
                "spokes around the {} pole: near {lat}, {lon} heights change {times:.1} times more \
                 along rows than across them and stand {size} out of the ground beside",
                if self.lat_deg > 0.0 { "north" } else { "south" },
            ),
            FaultKind::Rings { degree, share } => write!(
                f,
                "the grid comes from a series that ends at about degree {degree:.0}, which leaves \
                 rings beside steep ground: up to {size} near {lat}, {lon}, and on {:.0} % of the \
                 ground",
                100.0 * share
            ),
            FaultKind::Terraces { wide_deg } => write!(
                f,
                "heights come in steps of {size}, so gentle ground becomes terraces; the widest, \
                 near {lat}, {lon}, is flat for {wide_deg:.1}°"
            ),
        }
    }
}

/// Faults smaller than this share of the span of heights are lost in the wood: on 6 mm of relief
/// 0.006 mm by a plain curve, and ten times that where faint ground is brought out.
const VISIBLE: f64 = 0.001;

/// Shares of the ground between whose heights the span is taken.
const SPAN: [f64; 2] = [0.001, 0.999];

/// Smaller grids say too little.
const LEAST_COLUMNS: usize = 64;
const LEAST_ROWS: usize = 32;

/// Looks for all faults; `cells` is the number of samples behind the distribution of heights.
pub fn find(grid: &dyn Heights, hypsometry: &Hypsometry, cells: u64) -> Vec<Fault> {
    let [low, high] = SPAN.map(|share| hypsometry.quantile_m(share));
    let layout = grid.layout();
    if high <= low || layout.columns < LEAST_COLUMNS || layout.rows < LEAST_ROWS {
        return Vec::new();
    }
    let search = Search {
        grid,
        layout,
        resolution: resolved_deg(grid),
        visible_m: VISIBLE * (high - low),
    };
    let mut found = search.lines();
    found.extend(search.spokes());
    found.extend(search.rings());
    found.extend(search.terraces(hypsometry, cells));
    found
}

struct Search<'a> {
    grid: &'a dyn Heights,
    layout: Layout,
    resolution: Resolution,
    /// Least size of a fault that shows, metres.
    visible_m: f64,
}

impl Search<'_> {
    fn row(&self, row: usize) -> Vec<f32> {
        self.grid.window(row..row + 1, 0..self.layout.columns)
    }

    /// Degrees within which samples know of each other.
    fn apart_deg(&self) -> f64 {
        self.resolution.resolved_deg
    }

    /// Ground between the columns of a row, degrees of a great circle.
    fn column_deg(&self, row: usize) -> f64 {
        self.layout.step_lon_deg() * self.layout.lat_deg(row).to_radians().cos()
    }
}
