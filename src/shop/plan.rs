//! What the whole plan holds, part by part.

use super::blanks::BlankPlan;
use super::budget::Budget;
use super::glue::Step;
use super::jig::Jig;
use super::joints::Joint;
use super::lumber::{GlueUp, Shopping};
use super::mount::Mount;
use super::movement::Movement;
use super::net::Laid;
use super::saw::{SeamRow, SideSetUp};
use super::sled::Sled;
use super::stack_up::StackUp;
use super::zero::Planing;
use crate::carve::fit::Fit;
use crate::carve::seams::SeamGround;
use crate::model::geometry::Solid;
use crate::model::settings::{Paper, Settings};
use crate::model::wood::{SPECIES, Species};
use glam::DVec2;
use serde::Serialize;

/// Everything the plan is made from.
#[derive(Debug, Clone, Copy)]
pub struct PlanInput<'a> {
    /// The solid turned into the body frame.
    pub solid: &'a Solid,
    /// The globe in its stock.
    pub fit: &'a Fit,
    /// The ground along each seam; `None` without a grid.
    pub ground: Option<&'a [SeamGround]>,
    /// Thinnest corner of each facet with the ground that is there, mm; `None` without a grid.
    pub corners_mm: Option<&'a [f64]>,
    /// The body, where the grid says.
    pub body: Option<&'a str>,
    /// The job.
    pub settings: &'a Settings,
}

/// The finished plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// By kind of blank.
    pub kinds: Vec<KindPlan>,
    /// What to buy.
    pub shopping: Shopping,
    /// Cut list and boards.
    pub blanks: BlankPlan,
    /// Seam sheet: `[face][side]`.
    pub sheet: Vec<Vec<SeamRow>>,
    /// Joint of every seam.
    pub joints: Vec<Joint>,
    /// What carries the ball; `None` for nothing.
    pub mount: Option<Mount>,
    /// Error budget.
    pub budget: Budget,
    /// How thick the blanks are planed.
    pub planing: Planing,
    /// The solid unfolded, in corner radii; empty if no way was found.
    pub net: Vec<Laid>,
    /// Glue-up order.
    pub glue: Vec<Step>,
    /// Work list.
    pub work: Vec<Operation>,
    /// What a person must know.
    pub warnings: Vec<String>,
}

/// The plan for the blanks of one kind.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KindPlan {
    /// Faces of this kind.
    pub faces: Vec<usize>,
    /// Pocket, boss, tabs and outlines.
    pub jig: Jig,
    /// The thickness, added up.
    pub stack: StackUp,
    /// Saw set-up for each side.
    pub saw: Vec<SideSetUp>,
    /// One sled for each tilt.
    pub sleds: Vec<Sled>,
    /// Sides in the order they are sawn.
    pub saw_order: Vec<usize>,
    /// Strips it is glued up from; `None` where one board is wide enough.
    pub glue_up: Option<GlueUp>,
    /// Movement for both grain directions and both ways of sawing, the job's own first.
    pub movement: Vec<Movement>,
}

impl KindPlan {
    /// Different tilts, with how many sides of a blank have each.
    pub fn tilts(&self) -> Vec<(f64, usize)> {
        let mut tilts: Vec<(f64, usize)> = Vec::new();
        for side in &self.saw {
            match tilts
                .iter_mut()
                .find(|(t, _)| (*t - side.tilt_deg).abs() < 1e-6)
            {
                Some((_, count)) => *count += 1,
                None => tilts.push((side.tilt_deg, 1)),
            }
        }
        tilts
    }
}

/// One operation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Operation {
    /// What to do.
    pub what: String,
    /// How many times.
    pub count: usize,
    /// What is counted, one of it.
    pub unit: &'static str,
    /// Bit, blade or other tool.
    pub tool: String,
    /// Machine time of all together, minutes; `None` where the job names no bit for it.
    pub minutes: Option<f64>,
    /// Machine time of one, by kind of blank, minutes; empty likewise.
    pub each_minutes: Vec<f64>,
    /// Facets, boards or seams that are ticked off one by one; empty where there is one box.
    pub pieces: Vec<String>,
}

impl Operation {
    /// `1 board`, `26 notches`.
    pub fn counted(&self) -> String {
        let ending = match (self.count, self.unit.ends_with("ch")) {
            (1, _) => "",
            (_, true) => "es",
            (_, false) => "s",
        };
        format!("{} {}{ending}", self.count, self.unit)
    }
}

/// Width and height of a sheet, mm.
pub fn paper_mm(paper: Paper) -> [f64; 2] {
    match paper {
        Paper::A4 => [210.0, 297.0],
        Paper::Letter => [215.9, 279.4],
    }
}

/// Every way to lay the sheets of the map side by side, width and height, mm.
pub fn sheets_mm(settings: &Settings) -> Vec<DVec2> {
    let sheet = DVec2::from_array(paper_mm(settings.paper.size));
    let ways = 1..=settings.paper.pages;
    ways.map(|across| sheet * DVec2::new(across as f64, (settings.paper.pages / across) as f64))
        .collect()
}

/// The job's species; the table's first if the job was built with a name that is not in it.
pub fn species(settings: &Settings) -> Species {
    Species::named(&settings.wood.species).unwrap_or(SPECIES[0])
}
