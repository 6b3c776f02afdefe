//! The one straight move by which a part goes in beside what already stands.
//!
//! Parts are rigid. A part moves along a direction d until it is seated; at a seam with the
//! outward normal m of its cut face, the edge's direction e and u = e × m, up the cut face,
//!
//! ```text
//!   d·m > 0      the faces come together and do not cut into each other
//!   h·(d·e)/(d·m)   how far what stands h out of the other cut face drifts along the seam
//!   h·(d·u)/(d·m)   and across it
//! ```
//!
//! A biscuit may drift along its slot when the slot is longer by as much, a dowel in a hole made
//! longer likewise; across the seam neither may. For two seams d = ± u₁ × u₂ has no drift across;
//! a third seam is free only where its u lies in the plane of the other two, as along the ring
//! where two like halves meet. Seams that a move does not free are held by glue alone.

use crate::model::geometry::Solid;
use glam::DVec3;

/// Drift across a slot that the play of biscuit or dowel takes, mm: common practice, no source.
pub const PLAY_MM: f64 = 0.1;

/// Least d·m of every seam, 72° off square: flatter, and the glue is wiped off before the faces meet.
const LEAST_CLOSING: f64 = 0.3;

/// What stands out of a cut face to go into the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peg {
    /// How far it stands out, mm.
    pub out_mm: f64,
    /// How much longer the slot may become along the seam, mm.
    pub most_drift_mm: f64,
}

/// A seam that a move closes, axes of the solid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Closing {
    /// Index of the seam.
    pub seam: usize,
    /// Normal of the moving part's cut face, outwards.
    pub normal: DVec3,
    /// Along the edge, from the seam's first corner to its second.
    pub along: DVec3,
    /// Up the cut face, from the globe's centre to the edge.
    pub up: DVec3,
    /// What holds it; `None` for glue alone.
    pub peg: Option<Peg>,
}

/// Directions in which a moving facet would run into a standing one at a corner they share: those
/// on the inner side of both planes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blocked([DVec3; 2]);

/// A way in, and what it costs.
#[derive(Debug, Clone, PartialEq)]
pub struct Move {
    /// The unit direction, axes of the solid.
    pub way: DVec3,
    /// Seams whose peg cannot go in this way.
    pub lost: Vec<usize>,
    /// Greatest drift along a slot, mm.
    pub drift_mm: f64,
    /// Least d·m of all seams.
    pub closing: f64,
}

impl Closing {
    /// The seam of the facet `moving` as it closes.
    pub fn of(solid: &Solid, seam: usize, moving: usize, peg: Option<Peg>) -> Closing {
        let [a, b] = solid.seams[seam]
            .corners
            .map(|corner| solid.corners[corner]);
        let along = (b - a).normalize();
        let up = (a - along * along.dot(a)).normalize();
        let normal = along.cross(up);
        // The facet lies on the inner side of its own cut face.
        let side = normal.dot(solid.faces[moving].frame.z);
        Closing {
            seam,
            normal: normal * -side.signum(),
            along,
            up,
            peg,
        }
    }

    /// The same with the other part moving.
    pub fn turned_about(self) -> Closing {
        Closing {
            normal: -self.normal,
            ..self
        }
    }

    /// Drift along and across the seam for each mm that the cut faces come together.
    pub fn drift(&self, way: DVec3) -> [f64; 2] {
        let closing = self.normal.dot(way);
        [self.along.dot(way) / closing, self.up.dot(way) / closing]
    }
}

impl Peg {
    /// Whether it goes in when it drifts so far, along and across the seam, for each mm that the
    /// cut faces come together.
    pub fn goes_in(&self, drift: [f64; 2]) -> bool {
        let [along, across] = drift.map(|drift| drift.abs() * self.out_mm);
        along <= self.most_drift_mm && across <= PLAY_MM
    }
}

/// The best way to close some seams: fewest pegs lost, then least drift, then the most square to
/// the cut faces. `None` when every way is blocked.
///
/// Tried are the directions along every normal, those free of two seams at a time, and `more`.
pub fn best_move(closings: &[Closing], blocked: &[Blocked], more: &[DVec3]) -> Option<Move> {
    let mut ways = more.to_vec();
    for (i, closing) in closings.iter().enumerate() {
        ways.push(closing.normal);
        for other in &closings[..i] {
            let free = closing.up.cross(other.up);
            ways.push(free * free.dot(closing.normal + other.normal).signum());
        }
    }
    let mut best: Option<Move> = None;
    for way in ways.into_iter().filter_map(DVec3::try_normalize) {
        let Some(found) = judged(way, closings) else {
            continue;
        };
        let better = best.as_ref().is_none_or(|best| found.beats(best));
        if better && !blocked.iter().any(|corner| corner.stops(way)) {
            best = Some(found);
        }
    }
    best
}

impl Move {
    /// Rounding does not decide.
    fn beats(&self, other: &Move) -> bool {
        const SAME: f64 = 1e-9;
        match self.lost.len().cmp(&other.lost.len()) {
            std::cmp::Ordering::Equal => {
                let drift = self.drift_mm - other.drift_mm;
                drift < -SAME || (drift < SAME && self.closing > other.closing + SAME)
            }
            less => less.is_lt(),
        }
    }
}

/// What a way costs at its seams; `None` when a seam does not close.
fn judged(way: DVec3, closings: &[Closing]) -> Option<Move> {
    let mut found = Move {
        way,
        lost: Vec::new(),
        drift_mm: 0.0,
        closing: f64::INFINITY,
    };
    for closing in closings {
        let closes = closing.normal.dot(way);
        if closes < LEAST_CLOSING {
            return None;
        }
        found.closing = found.closing.min(closes);
        if let Some(peg) = closing.peg {
            let drift = closing.drift(way);
            if peg.goes_in(drift) {
                found.drift_mm = found.drift_mm.max(drift[0].abs() * peg.out_mm);
            } else {
                found.lost.push(closing.seam);
            }
        }
    }
    Some(found)
}

impl Blocked {
    fn stops(&self, way: DVec3) -> bool {
        self.0.iter().all(|inner| inner.dot(way) > 1e-9)
    }
}

/// Two facets fill two wedges around the ray from the globe's centre to a corner that they share.
/// Moved along d they overlap when d, seen along the ray, lies inside the cone of the first
/// wedge's sides and the second's turned about.
pub fn at_corner(solid: &Solid, corner: usize, face: usize, other: usize) -> Option<Blocked> {
    let ray = solid.corners[corner].normalize();
    let sides = |face: usize| {
        let corners = &solid.faces[face].corners;
        let at = corners.iter().position(|c| *c == corner)?;
        let next = [at + 1, at + corners.len() - 1].map(|i| {
            let to = solid.corners[corners[i % corners.len()]];
            (to - ray * ray.dot(to)).normalize()
        });
        Some(next)
    };
    let [a, b] = sides(face)?;
    let [p, q] = sides(other)?;
    let cone = [a, b, -p, -q];
    // The side all others lie to the left of, and the one all lie to the right of.
    let turn = |from: DVec3, to: DVec3| ray.dot(from.cross(to));
    let first = cone
        .iter()
        .find(|x| cone.iter().all(|y| turn(**x, *y) > -1e-9))?;
    let last = cone
        .iter()
        .find(|x| cone.iter().all(|y| turn(**x, *y) < 1e-9))?;
    Some(Blocked([ray.cross(*first), last.cross(ray)]))
}
