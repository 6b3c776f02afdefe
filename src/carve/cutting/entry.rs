//! What the manifest says about the bits.

use serde::{Deserialize, Serialize};

/// The bits of a job and what they do on every facet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CuttingEntry {
    /// The bit that carves the surface.
    pub finishing: BitEntry,
    /// The bit that clears most of the wood first.
    pub roughing: Option<BitEntry>,
    /// Wood left by the finishing bit that counts as left, mm.
    pub left_mm: f64,
    /// One per facet made, ascending by number.
    pub facets: Vec<FacetCutting>,
    /// Minutes for changing bits, once each.
    pub change_min: f64,
    /// Minutes of all facets made: starts and changes of bits included, each bit used on all
    /// blanks before it is changed.
    pub total_min: f64,
    /// Outlines of the ring around each kind of facet, to be cleared first.
    pub rings: Vec<String>,
}

impl CuttingEntry {
    /// The same bits on these facets, ascending by number, with the rings around their kinds.
    pub fn with(self, facets: Vec<FacetCutting>, rings: Vec<String>) -> CuttingEntry {
        let minutes: f64 = facets.iter().map(|facet| facet.minutes).sum();
        CuttingEntry {
            total_min: self.change_min + minutes,
            facets,
            rings,
            ..self
        }
    }

    /// Every file that belongs to this part of a result.
    pub fn files(&self) -> impl Iterator<Item = &str> {
        let of_facets = self
            .facets
            .iter()
            .flat_map(|facet| [&facet.rough_file, &facet.carved_file])
            .flatten();
        of_facets.chain(&self.rings).map(String::as_str)
    }
}

/// A bit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the names are those of the settings")]
pub struct BitEntry {
    pub name: String,
    pub diameter_mm: f64,
    pub flute_mm: f64,
    pub stepover_mm: f64,
    pub stepdown_mm: f64,
    pub allowance_mm: f64,
    /// Steepest wall it leaves clean, degrees from level.
    pub steepest_deg: f64,
    /// Radius of its round nose, mm; 0 for a flat bit.
    pub nose_mm: f64,
}

/// What the bits do on one facet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FacetCutting {
    /// Number of the facet.
    pub id: usize,
    /// Number as written on the blank.
    pub label: String,
    /// The most wood the finishing bit leaves between the seams, mm.
    pub most_left_mm: f64,
    /// Where, from the facet's centre: right and up, mm.
    pub worst_mm: [f64; 2],
    /// Root of the mean square of wood left, mm.
    pub rms_left_mm: f64,
    /// Area seen from above with more wood left than asked, mm².
    pub over_mm2: f64,
    /// Its share of the facet, 0..=1.
    pub over_share: f64,
    /// Largest stocked ball that leaves no more than asked anywhere, mm.
    pub largest_ball_mm: Option<f64>,
    /// Largest stocked ball that leaves no more than asked on 99 of 100 parts, mm.
    pub largest_ball_99_mm: Option<f64>,
    /// Ridges between passes on level ground, their mean and what 95 of 100 pixels stay below, mm.
    pub ridges_mm: Option<[f64; 3]>,
    /// Share of the facet where a hand can find relief on what the finishing bit leaves.
    pub carved_legible_share: f64,
    /// Deepest the finishing bit goes below ground beside it, mm.
    pub deepest_wall_mm: f64,
    /// Share of the facet steeper than the finishing bit's flank, 0..=1.
    pub steep_share: f64,
    /// Heights of the roughing passes over the back, mm, from the top down.
    pub steps_mm: Vec<f64>,
    /// Lengths and minutes of each operation.
    pub roughing: Option<OperationEntry>,
    #[allow(missing_docs, reason = "as above")]
    pub finishing: OperationEntry,
    #[allow(missing_docs, reason = "as above")]
    pub cut_out: OperationEntry,
    /// Minutes of all three, with starts of the spindle but no change of bit.
    pub minutes: f64,
    /// The roughing surface, in the frame and levels of the facet's image.
    pub rough_file: Option<String>,
    /// What the finishing bit leaves, likewise.
    pub carved_file: Option<String>,
}

/// One operation on one facet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OperationEntry {
    /// Straight passes.
    pub passes: u64,
    /// Cutting, on the true surface, mm.
    pub length_mm: f64,
    /// On the machine, with one start of the spindle.
    pub minutes: f64,
}
