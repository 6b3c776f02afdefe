//! Glue-up order: which part goes to which, and the one straight move by which it goes in.
//!
//! Planned from the finished ball backwards. A ball, and then every part of it, is taken apart in
//! two along a plane through the globe's centre or by one facet that comes off; the cut that
//! leaves the fewest joints unable to come apart is taken, and among equals the smallest piece,
//! so that most steps add a single facet. Along a plane through the centre the up directions of
//! all seams lie nearly in the plane, which is what lets biscuits slide along their slots (see
//! `moves`). Read forwards it is the order of gluing.

use super::moves::{Blocked, Closing, Move, Peg, at_corner, best_move};
use crate::model::geometry::Solid;
use glam::DVec3;
use serde::Serialize;
use std::collections::BTreeMap;

/// One gluing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// 1 or 2 while a shell grows, 0 when the shells are joined.
    pub shell: usize,
    /// Facets of the part that moves, ascending.
    pub moving: Vec<usize>,
    /// Facets of the part that stands still, ascending.
    pub standing: Vec<usize>,
    /// Seams glued now.
    pub seams: Vec<usize>,
    /// Direction in which the moving part goes in, a unit vector in the axes of the solid.
    pub way: DVec3,
    /// Angle between that and the straight way onto the cut face, seam by seam, degrees.
    pub off_square_deg: Vec<f64>,
}

/// A set of facets, one bit each: no solid has more than 120.
type Set = u128;

/// The smaller shell has at least one in so many of the facets: both can be reached inside.
const LEAST_SHELL: usize = 3;

/// A move that is flatter than this onto a cut face, a little over 60° off square, is avoided.
const STEEP_CLOSING: f64 = 0.49;

/// So many of the cuts that look best are tried with every direction.
const TRIED: usize = 12;

/// Steps in order. Every seam is glued once; the last step joins the two shells.
///
/// `pegs` holds, seam by seam, what stands out of one facet to go into the other.
pub fn order(solid: &Solid, pegs: &[Option<Peg>]) -> Vec<Step> {
    let parts = Parts::new(solid, pegs);
    let whole = parts.all();
    let mut steps = Vec::new();
    let Some(closing) = parts.shells(whole) else {
        return steps;
    };
    // Shell 1 is the one with facet 01.
    let other = whole & !closing.piece;
    let [first, second] = match closing.piece & 1 {
        1 => [closing.piece, other],
        _ => [other, closing.piece],
    };
    for (shell, part) in [(1, first), (2, second)] {
        parts.build(part, shell, &mut steps);
    }
    steps.push(parts.step(0, whole, closing));
    steps
}

/// A piece that comes off the rest of a part.
struct Cut {
    piece: Set,
    seams: usize,
    way: Move,
}

impl Cut {
    /// Fewest joints lost, not too flat onto the cut faces, smallest piece, most seams at once,
    /// least drift; sets last, so that the order never hangs on how cuts were found.
    fn rank(&self) -> (usize, bool, u32, std::cmp::Reverse<usize>, i64, Set) {
        (
            self.way.lost.len(),
            self.way.closing < STEEP_CLOSING,
            self.piece.count_ones(),
            std::cmp::Reverse(self.seams),
            (self.way.drift_mm * 1e6).round() as i64,
            self.piece,
        )
    }
}

/// A solid with what the search asks for again and again.
struct Parts<'a> {
    solid: &'a Solid,
    /// Each seam with its first facet moving.
    closings: Vec<Closing>,
    /// Facets across the sides of each.
    beside: Vec<Set>,
    /// What facets at a corner block: moving, standing.
    blocked: Vec<(usize, usize, Blocked)>,
}

impl<'a> Parts<'a> {
    fn new(solid: &'a Solid, pegs: &[Option<Peg>]) -> Parts<'a> {
        let seams = solid.seams.iter().enumerate();
        let closings = seams.map(|(seam, ends)| {
            let peg = pegs.get(seam).copied().flatten();
            Closing::of(solid, seam, ends.faces[0], peg)
        });
        let beside = solid.faces.iter();
        let beside = beside.map(|face| face.edges.iter().map(|edge| 1 << edge.neighbour).sum());
        let mut blocked = Vec::new();
        for corner in 0..solid.corners.len() {
            let around: Vec<usize> = (0..solid.faces.len())
                .filter(|face| solid.faces[*face].corners.contains(&corner))
                .collect();
            for &face in &around {
                let others = around.iter().filter(|other| **other != face);
                blocked.extend(others.filter_map(|&other| {
                    Some((face, other, at_corner(solid, corner, face, other)?))
                }));
            }
        }
        Parts {
            solid,
            closings: closings.collect(),
            beside: beside.collect(),
            blocked,
        }
    }

    fn all(&self) -> Set {
        (0..self.solid.faces.len()).map(|face| 1 << face).sum()
    }

    fn connected(&self, part: Set) -> bool {
        let mut reached = part & part.wrapping_neg();
        loop {
            let faces = facets(reached);
            let next = faces
                .iter()
                .fold(reached, |set, face| set | self.beside[*face])
                & part;
            if next == reached {
                return part != 0 && reached == part;
            }
            reached = next;
        }
    }

    /// Seams between two parts, with the first moving.
    fn between(&self, moving: Set, standing: Set) -> Vec<Closing> {
        let seams = self.solid.seams.iter().zip(&self.closings);
        seams
            .filter_map(|(seam, closing)| {
                let [a, b] = seam.faces.map(|face| 1 << face);
                if a & moving != 0 && b & standing != 0 {
                    Some(*closing)
                } else if b & moving != 0 && a & standing != 0 {
                    Some(closing.turned_about())
                } else {
                    None
                }
            })
            .collect()
    }

    fn blocked(&self, moving: Set, standing: Set) -> Vec<Blocked> {
        let pairs = self.blocked.iter();
        pairs
            .filter(|(face, other, _)| (moving >> face) & (standing >> other) & 1 == 1)
            .map(|(.., blocked)| *blocked)
            .collect()
    }

    /// The piece off its part, by whichever direction does best.
    fn cut(&self, part: Set, piece: Set, pole: DVec3) -> Option<Cut> {
        let rest = part & !piece;
        let closings = self.between(piece, rest);
        let inward = -facets(piece)
            .iter()
            .map(|f| self.solid.faces[*f].frame.z)
            .sum::<DVec3>();
        let together = closings.iter().map(|closing| closing.normal).sum();
        let more = [pole, -pole, inward, together];
        let way = best_move(&closings, &self.blocked(piece, rest), &more)?;
        Some(Cut {
            piece,
            seams: closings.len(),
            way,
        })
    }

    /// Pieces that a plane through the centre cuts off a part, each with the plane's normal: all
    /// planes that are free of two of its seams at a time.
    fn planes(&self, part: Set, inner: &[Closing]) -> BTreeMap<Set, DVec3> {
        let mut found = BTreeMap::new();
        for (i, first) in inner.iter().enumerate() {
            for second in &inner[..i] {
                let Some(pole) = first.up.cross(second.up).try_normalize() else {
                    continue;
                };
                let (mut above, mut upon): (Set, Set) = (0, 0);
                for face in facets(part) {
                    let height = pole.dot(self.solid.faces[face].frame.z);
                    if height.abs() < 1e-9 {
                        upon |= 1 << face;
                    } else if height > 0.0 {
                        above |= 1 << face;
                    }
                }
                // Facets upon the plane go with either half of it.
                let halves = [first.up, -first.up, second.up, -second.up];
                for half in &halves[..if upon == 0 { 1 } else { 4 }] {
                    let near = facets(upon).into_iter();
                    let near = near.filter(|face| half.dot(self.solid.faces[*face].frame.z) > 0.0);
                    let piece = near.fold(above, |set, face| set | (1 << face));
                    let rest = part & !piece;
                    let smaller = (piece.count_ones(), piece).min((rest.count_ones(), rest)).1;
                    if smaller != 0 {
                        found.entry(smaller).or_insert(pole);
                    }
                }
            }
        }
        found
    }

    /// The best cut along a plane, with pieces of at least so many facets.
    fn plane_cut(&self, part: Set, least: u32) -> Option<Cut> {
        let inner = self.between(part, part);
        let planes = self.planes(part, &inner).into_iter();
        // First by what is lost along the plane's own normal, which is quickly found.
        let mut list: Vec<(usize, u32, Set, DVec3)> = planes
            .filter(|(piece, _)| piece.count_ones() >= least)
            .map(|(piece, pole)| {
                let cut = inner.iter().filter(|closing| {
                    let [a, b] = self.solid.seams[closing.seam].faces;
                    (piece >> a) & 1 != (piece >> b) & 1
                });
                let held = |closing: &&Closing| {
                    let drift = closing.drift(pole);
                    closing.peg.is_some_and(|peg| !peg.goes_in(drift))
                };
                (cut.filter(held).count(), piece.count_ones(), piece, pole)
            })
            .collect();
        list.sort_by_key(|(lost, size, piece, _)| (*lost, *size, *piece));
        list.into_iter()
            .filter(|(.., piece, _)| self.connected(*piece) && self.connected(part & !*piece))
            .take(TRIED)
            .filter_map(|(.., piece, pole)| self.cut(part, piece, pole))
            .min_by_key(Cut::rank)
    }

    /// Where the ball comes apart into two shells.
    fn shells(&self, whole: Set) -> Option<Cut> {
        let least = whole.count_ones().div_ceil(LEAST_SHELL as u32);
        self.plane_cut(whole, least)
    }

    /// Steps that build a part, appended to a list.
    fn build(&self, part: Set, shell: usize, steps: &mut Vec<Step>) {
        if part.count_ones() < 2 {
            return;
        }
        let singles = facets(part).into_iter().map(|face| 1 << face);
        let single = singles
            .filter(|piece| self.connected(part & !piece))
            .filter_map(|piece| self.cut(part, piece, DVec3::ZERO))
            .min_by_key(Cut::rank);
        let free = single
            .as_ref()
            .is_some_and(|cut| cut.way.lost.is_empty() && cut.way.closing >= STEEP_CLOSING);
        let other = if free { None } else { self.plane_cut(part, 2) };
        let Some(cut) = single.into_iter().chain(other).min_by_key(Cut::rank) else {
            return;
        };
        self.build(part & !cut.piece, shell, steps);
        self.build(cut.piece, shell, steps);
        steps.push(self.step(shell, part, cut));
    }

    fn step(&self, shell: usize, part: Set, cut: Cut) -> Step {
        let standing = part & !cut.piece;
        let closings = self.between(cut.piece, standing);
        Step {
            shell,
            moving: facets(cut.piece),
            standing: facets(standing),
            seams: closings.iter().map(|closing| closing.seam).collect(),
            way: cut.way.way,
            off_square_deg: closings
                .iter()
                .map(|closing| closing.normal.angle_between(cut.way.way).to_degrees())
                .collect(),
        }
    }
}

/// The facets of a set, ascending.
fn facets(mut set: Set) -> Vec<usize> {
    let mut list = Vec::with_capacity(set.count_ones() as usize);
    while set != 0 {
        list.push(set.trailing_zeros() as usize);
        set &= set - 1;
    }
    list
}
