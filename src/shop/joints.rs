//! Biscuits and dowels at the middle of the seams.
//!
//! In the plane of a seam let y run from the globe's centre square to the edge and x along the
//! edge. A facet's back lies at y = c/cos(tilt), its surface at x² + y² = (R + relief)²; the
//! corners lie on fixed rays from the centre. A slot as thick as w, cut D deep square into the
//! cut face around (x, y), ends at the distance √(x² + y² + D²) from the centre: it rises towards
//! the surface as it goes in. All of that must keep clear of the back, the lowest ground on the
//! seam, the pocket and the corners. Where sides are short, the slots of two sides of one facet
//! could meet inside the wood: then both seams take the next smaller fitting. There a biscuit's
//! slot is what its disc cuts, shallow at the ends.
//!
//! Where a part goes in aslant (see `moves`), what stands out of it drifts along the seam on its way
//! into the slot of the standing part, which is made longer by what that needs, away from the
//! corner where the seams of a move meet and where wood is short. Where there is none for it, or
//! the way in would drive it through the slot's wall, the seam is held by glue alone.
//!
//! Slots are set from the back. One setting serves all seams of one fitting if their wood has a
//! place in common; else as few as there can be.

use super::glue::Step;
use super::jig::Jig;
use super::moves::{Closing, PLAY_MM, Peg};
use super::polygon::sides;
use super::saw::SeamRow;
use crate::carve::fit::Fit;
use crate::model::geometry::Solid;
use crate::model::length::Lengths;
use crate::model::settings::{Base, JointKind, Settings};
use crate::{Error, Problem, Result};
use glam::DVec3;
use serde::Serialize;
use std::collections::BTreeSet;

/// What joints are planned from.
#[derive(Debug, Clone, Copy)]
pub struct Bench<'a> {
    /// The solid.
    pub solid: &'a Solid,
    /// The globe in its stock.
    pub fit: &'a Fit,
    /// What holds the blanks, by kind.
    pub jigs: &'a [Jig],
    /// The seam sheet.
    pub sheet: &'a [Vec<SeamRow>],
    /// The job.
    pub settings: &'a Settings,
}

/// A biscuit or dowel with its slot or hole.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Fitting {
    /// As written in a job file.
    pub name: &'static str,
    /// Length of the slot along the seam, or diameter of the hole, mm.
    pub along_mm: f64,
    /// Thickness of the slot across the cut face, or diameter of the hole, mm.
    pub thick_mm: f64,
    /// Depth of the slot or hole in each facet, mm.
    pub deep_mm: f64,
    /// Length of biscuit or dowel along the seam, mm.
    pub piece_mm: f64,
    /// How far it stands out of a cut face: half its width, or half the dowel's length, mm.
    pub out_mm: f64,
}

/// Radius of the disc that cuts slots for biscuits, mm. Common practice, no source.
const DISC_MM: f64 = 50.0;

/// A biscuit's slot is taken as this many boxes side by side, each as deep as its deepest place:
/// with fewer, slots would seem to meet that do not.
const SLICES: usize = 56;

/// Biscuits, largest first: the slot is cut by a disc of 100 mm, 4 mm thick, half the biscuit's
/// width and 1 mm of glue room deep; it is a little longer than the biscuit.
///
/// Biscuit sizes 56 × 23, 53 × 19 and 47 × 15 mm: common practice, no source.
const BISCUITS: [(JointKind, Fitting); 3] = [
    (
        JointKind::Biscuit20,
        Fitting {
            name: "biscuit-20",
            along_mm: 66.0,
            thick_mm: 4.0,
            deep_mm: 12.5,
            piece_mm: 56.0,
            out_mm: 11.5,
        },
    ),
    (
        JointKind::Biscuit10,
        Fitting {
            name: "biscuit-10",
            along_mm: 62.0,
            thick_mm: 4.0,
            deep_mm: 10.5,
            piece_mm: 53.0,
            out_mm: 9.5,
        },
    ),
    (
        JointKind::Biscuit0,
        Fitting {
            name: "biscuit-0",
            along_mm: 56.0,
            thick_mm: 4.0,
            deep_mm: 8.5,
            piece_mm: 47.0,
            out_mm: 7.5,
        },
    ),
];

/// Glue room at the bottom of a dowel's hole, mm.
const GLUE_ROOM_MM: f64 = 1.0;

/// Slots are made longer in steps of this, mm.
const LONGER_STEP_MM: f64 = 0.5;

/// Fence settings are rounded to this where the wood allows, mm.
const FENCE_STEP_MM: f64 = 0.1;

/// The joint of one seam.
///
/// Along the seam is counted from its first corner to its second: to the right for someone who
/// has the facet with the lower number in front of them, face up, the seam towards them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Joint {
    /// Index of the seam.
    pub seam: usize,
    /// What is used; `None` for glue alone.
    pub fitting: Option<Fitting>,
    /// Why there is none, where one was wanted.
    pub bare: Option<Bare>,
    /// From the back to the middle of the slot, along the cut face of each of the two facets, mm.
    pub from_back_mm: [f64; 2],
    /// From back to surface along the cut face at the slot's ends, the thinner facet, mm.
    pub face_mm: f64,
    /// Middle of biscuit or dowel from the middle of the seam, along the seam, mm.
    pub off_middle_mm: f64,
    /// How much longer the slot is in each of the two facets, towards the second corner where
    /// positive, mm.
    pub longer_mm: [f64; 2],
    /// Play across the slot that the way in needs, mm.
    pub play_mm: f64,
}

/// Why a seam has no biscuit or dowel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bare {
    /// Wood is too short or thin.
    NoRoom,
    /// It would have room, but could not go in as the parts come together.
    NoWayIn,
}

/// Room found for a fitting at a seam.
struct JointSpace {
    /// Least and greatest y of the slot's middle, mm.
    low: f64,
    high: f64,
    face_mm: f64,
    backs: [f64; 2],
}

/// How the two facets of a seam come together.
#[derive(Debug, Clone, Copy)]
struct WayIn {
    /// Which of the two moves.
    moving: usize,
    /// Drift along and across the seam for each mm that the cut faces come together.
    drift: [f64; 2],
}

/// A slot along its seam: what it is for, where, and how much longer, as in [`Joint`].
#[derive(Debug, Clone, Copy)]
struct Along {
    fitting: Fitting,
    off_middle_mm: f64,
    longer_mm: [f64; 2],
    play_mm: f64,
}

/// A fitting with the room that it has at its seam.
struct Placed {
    along: Along,
    space: JointSpace,
}

/// The job's dowel with its hole.
pub fn dowel(settings: &Settings) -> Fitting {
    let out_mm = settings.joint.dowel_length_mm / 2.0;
    Fitting {
        name: "dowel",
        along_mm: settings.joint.dowel_diameter_mm,
        thick_mm: settings.joint.dowel_diameter_mm,
        deep_mm: out_mm + GLUE_ROOM_MM,
        piece_mm: settings.joint.dowel_diameter_mm,
        out_mm,
    }
}

/// Lengths of the slots of all biscuits, in words, largest first.
pub fn slot_lengths(say: Lengths) -> String {
    let [first, second, third] = BISCUITS.map(|(_, fitting)| say.text(fitting.along_mm));
    format!("{first}, {second} and {third}")
}

/// Fittings that the job allows, in the order they are tried, and whether it names the only one.
fn choice(settings: &Settings) -> (Vec<Fitting>, bool) {
    let wanted = settings.joint.kind;
    let biscuits = BISCUITS.iter();
    match wanted {
        JointKind::None => (Vec::new(), false),
        JointKind::Dowel => (vec![dowel(settings)], true),
        JointKind::Auto => {
            let mut list: Vec<Fitting> = biscuits.map(|(_, fitting)| *fitting).collect();
            list.push(dowel(settings));
            (list, false)
        }
        _ => {
            let one = biscuits.filter(|(kind, _)| *kind == wanted);
            (one.map(|(_, fitting)| *fitting).collect(), true)
        }
    }
}

/// What would stand out at every seam if all parts came together square to their cut faces: what
/// the order of gluing is chosen for.
///
/// # Errors
/// [`Error::Job`] when the job names a fitting that has no room at some seam, or whose slots
/// would meet inside a facet.
pub fn pegs(bench: &Bench<'_>) -> Result<Vec<Option<Peg>>> {
    let (fittings, named) = choice(bench.settings);
    let mut placed: Vec<Option<Placed>> = Vec::new();
    for seam in 0..bench.solid.seams.len() {
        let found = first_with_room(bench, seam, &fittings, None);
        if let (None, true, Some(fitting)) = (&found, named, fittings.first()) {
            let room = room(bench, seam, &Along::plain(*fitting));
            return Err(no_room(seam, fitting, &room, bench.settings));
        }
        placed.push(found);
    }
    make_smaller(bench, &fittings, &mut placed, None, named)?;
    let peg = |seam: usize, fitting: &Fitting| {
        let space = room(bench, seam, &Along::plain(*fitting));
        let JointSeam { left, right } = in_plane(bench.solid, seam);
        let middle = 0.5 * (space.low + space.high);
        let beside = 0.5 * (right - left) * middle - bench.settings.joint.cover_mm;
        (space.low <= space.high).then_some(Peg {
            out_mm: fitting.out_mm,
            // Half of it to either side, when the slot is moved off the middle.
            most_drift_mm: (2.0 * beside - fitting.along_mm).max(0.0),
        })
    };
    let freedom = |peg: &Peg| peg.most_drift_mm / peg.out_mm;
    let seams = placed.iter().enumerate();
    let pegs = seams.map(|(seam, placed)| {
        let largest = placed.as_ref()?.along.fitting;
        // Of what is no larger, the one that may come in most aslant: better than none.
        let smaller = fittings.iter().skip_while(|fitting| **fitting != largest);
        let pegs = smaller.filter_map(|fitting| peg(seam, fitting));
        pegs.max_by(|a, b| freedom(a).total_cmp(&freedom(b)))
    });
    Ok(pegs.collect())
}

/// The joint of every seam, as the steps of the glue-up let it go in; `pegs` as [`pegs`] found them.
///
/// # Errors
/// As [`pegs`].
pub fn joints(bench: &Bench<'_>, pegs: &[Option<Peg>], steps: &[Step]) -> Result<Vec<Joint>> {
    let (fittings, named) = choice(bench.settings);
    let ways = ways_in(bench.solid, steps);
    let seams = 0..bench.solid.seams.len();
    let mut placed: Vec<Option<Placed>> = seams
        .map(|seam| first_with_room(bench, seam, &fittings, ways[seam]))
        .collect();
    make_smaller(bench, &fittings, &mut placed, Some(&ways), named)?;
    let mut list = settled(&placed);
    for joint in &mut list {
        if joint.fitting.is_none() && !fittings.is_empty() {
            let had_room = pegs.get(joint.seam).is_some_and(Option::is_some);
            joint.bare = Some(if had_room {
                Bare::NoWayIn
            } else {
                Bare::NoRoom
            });
        }
    }
    Ok(list)
}

/// How each seam closes in the steps of a glue-up.
fn ways_in(solid: &Solid, steps: &[Step]) -> Vec<Option<WayIn>> {
    let mut ways = vec![None; solid.seams.len()];
    for step in steps {
        for &seam in &step.seams {
            let faces = solid.seams[seam].faces;
            let moving = usize::from(!step.moving.contains(&faces[0]));
            let closing = Closing::of(solid, seam, faces[moving], None);
            ways[seam] = Some(WayIn {
                moving,
                drift: closing.drift(step.way),
            });
        }
    }
    ways
}

/// Takes something smaller, or nothing, wherever slots of two sides of a facet come too near: at
/// one seam at a time, the one that is too near to most others, so that no joint goes in vain.
fn make_smaller(
    bench: &Bench<'_>,
    fittings: &[Fitting],
    placed: &mut [Option<Placed>],
    ways: Option<&[Option<WayIn>]>,
    named: bool,
) -> Result<()> {
    let solid = bench.solid;
    let near = |joints: &[Joint], face| {
        meeting(
            solid,
            bench.fit,
            joints,
            face,
            bench.settings.joint.cover_mm,
        )
    };
    let mut joints = settled(placed);
    let faces = 0..solid.faces.len();
    let mut meeting: Vec<Vec<[usize; 2]>> = faces.map(|face| near(&joints, face)).collect();
    // Every round takes something smaller, so they end.
    loop {
        let pairs = || meeting.iter().flatten();
        let Some(first) = meeting.iter().position(|pairs| !pairs.is_empty()) else {
            return Ok(());
        };
        if let (true, None) = (named, ways) {
            return Err(too_near(
                first,
                meeting[first][0],
                &fittings[0],
                bench.settings,
            ));
        }
        // Slots that were made longer give way before those that were not.
        let rank = |seam: usize| {
            let count = pairs().filter(|pair| pair.contains(&seam)).count();
            (joints[seam].longer_mm != [0.0; 2], count, seam)
        };
        let Some((.., seam)) = pairs().flatten().map(|seam| rank(*seam)).max() else {
            return Ok(());
        };
        let now = joints[seam].fitting;
        let place = fittings.iter().position(|fitting| Some(*fitting) == now);
        let smaller = &fittings[place.map_or(fittings.len(), |place| place + 1)..];
        placed[seam] = first_with_room(bench, seam, smaller, ways.and_then(|w| w[seam]));
        // A change of one setting may move the slots of many seams.
        let before = std::mem::replace(&mut joints, settled(placed));
        let changed = joints
            .iter()
            .zip(&before)
            .filter(|(now, before)| now != before);
        let faces: BTreeSet<usize> = changed
            .flat_map(|(joint, _)| solid.seams[joint.seam].faces)
            .collect();
        for face in faces {
            meeting[face] = near(&joints, face);
        }
    }
}

/// The first fitting of a list that has room at a seam and can go in.
fn first_with_room(
    bench: &Bench<'_>,
    seam: usize,
    fittings: &[Fitting],
    way: Option<WayIn>,
) -> Option<Placed> {
    fittings.iter().find_map(|fitting| {
        let slots = Along::ways(*fitting, way);
        slots.into_iter().find_map(|along| {
            let space = room(bench, seam, &along);
            (space.low <= space.high).then_some(Placed { along, space })
        })
    })
}

impl Along {
    /// In the middle of the seam, no longer than usual.
    fn plain(fitting: Fitting) -> Along {
        Along {
            fitting,
            off_middle_mm: 0.0,
            longer_mm: [0.0; 2],
            play_mm: 0.0,
        }
    }

    /// The slots by which a fitting can go in, best first: at mid-seam and longer to one side, or
    /// moved so that the longer slot has its middle there. None when it drifts across.
    fn ways(fitting: Fitting, way: Option<WayIn>) -> Vec<Along> {
        let mut slot = Along::plain(fitting);
        let Some(WayIn { moving, drift }) = way else {
            return vec![slot];
        };
        slot.play_mm = (fitting.out_mm * drift[1].abs() * 1e3).round() / 1e3;
        if slot.play_mm > PLAY_MM {
            return Vec::new();
        }
        // Into the part that stands, what the other brings comes from where it is still on its way.
        let longer = fitting.longer_mm(drift[0].abs()).copysign(-drift[0]);
        if longer == 0.0 {
            return vec![slot];
        }
        slot.longer_mm[1 - moving] = longer;
        let moved = Along {
            off_middle_mm: -0.5 * longer,
            ..slot
        };
        vec![slot, moved]
    }

    /// How far the slots reach from the middle of the seam, to the farther side, mm.
    fn reach_mm(&self) -> f64 {
        let ends = self.longer_mm.map(|longer| {
            let right = self.off_middle_mm + longer.max(0.0);
            let left = -self.off_middle_mm + (-longer).max(0.0);
            right.max(left)
        });
        0.5 * self.fitting.along_mm + ends[0].max(ends[1])
    }
}

/// All joints with their slots at a height: one setting from the back for each fitting if there
/// is one that all its seams allow, else as few as there can be.
fn settled(placed: &[Option<Placed>]) -> Vec<Joint> {
    let mut heights = vec![0.0; placed.len()];
    let seams = placed.iter().enumerate();
    // By fitting, then by the greatest setting that the seam allows.
    let mut open: Vec<(&str, f64, f64, f64, usize)> = seams
        .filter_map(|(seam, placed)| {
            let Placed { along, space } = placed.as_ref()?;
            let back = space.backs[0].max(space.backs[1]);
            let [low, high] = [space.low, space.high].map(|y| y - back);
            Some((along.fitting.name, high, low, back, seam))
        })
        .collect();
    open.sort_by(|a, b| a.0.cmp(b.0).then(a.1.total_cmp(&b.1)).then(a.4.cmp(&b.4)));
    while let Some(&(name, high, ..)) = open.first() {
        let here = |seam: &(&str, f64, f64, f64, usize)| seam.0 == name && seam.2 <= high;
        let low = open.iter().filter(|seam| here(seam)).map(|seam| seam.2);
        let low = low.fold(f64::NEG_INFINITY, f64::max);
        let middle = 0.5 * (low + high);
        let round = (middle / FENCE_STEP_MM).round() * FENCE_STEP_MM;
        let setting = if round >= low && round <= high {
            round
        } else {
            middle
        };
        for seam in open.iter().filter(|seam| here(seam)) {
            heights[seam.4] = seam.3 + setting;
        }
        open.retain(|seam| !here(seam));
    }
    let seams = placed.iter().enumerate();
    seams
        .map(|(seam, placed)| {
            let along = placed.as_ref().map(|placed| placed.along);
            let space = placed.as_ref().map(|placed| &placed.space);
            Joint {
                seam,
                fitting: along.map(|along| along.fitting),
                bare: None,
                from_back_mm: space.map_or([0.0; 2], |s| s.backs.map(|back| heights[seam] - back)),
                face_mm: space.map_or(0.0, |space| space.face_mm),
                off_middle_mm: along.map_or(0.0, |along| along.off_middle_mm),
                longer_mm: along.map_or([0.0; 2], |along| along.longer_mm),
                play_mm: along.map_or(0.0, |along| along.play_mm),
            }
        })
        .collect()
}

/// One setting of fence or guide: fitting, distance from the back along the cut face to the
/// slot's middle in mm, and how many slots have it.
pub fn fences(joints: &[Joint]) -> Vec<(Fitting, f64, usize)> {
    let mut list: Vec<(Fitting, f64, usize)> = Vec::new();
    for joint in joints {
        let Some(fitting) = joint.fitting else {
            continue;
        };
        for from_back in joint.from_back_mm {
            // What no fence can be set to is one setting.
            let same = |(known, mm, _): &&mut (Fitting, f64, usize)| {
                known.name == fitting.name && (*mm - from_back).abs() < 0.005
            };
            match list.iter_mut().find(same) {
                Some((.., count)) => *count += 1,
                None => list.push((fitting, from_back, 1)),
            }
        }
    }
    list.sort_by(|a, b| {
        b.0.along_mm
            .total_cmp(&a.0.along_mm)
            .then(a.1.total_cmp(&b.1))
    });
    list
}

/// Seams of a facet whose slots have less than `cover_mm` of wood between them there.
fn meeting(
    solid: &Solid,
    fit: &Fit,
    joints: &[Joint],
    face: usize,
    cover_mm: f64,
) -> Vec<[usize; 2]> {
    let sides = solid.faces[face].edges.iter().enumerate();
    let slots: Vec<(usize, Vec<Piece>)> = sides
        .map(|(side, edge)| {
            let slot = slot(solid, fit, face, side, &joints[edge.seam]);
            (edge.seam, slot)
        })
        .collect();
    let mut list = Vec::new();
    for (i, (seam, slot)) in slots.iter().enumerate() {
        for (other_seam, other) in &slots[..i] {
            let near =
                |a: &Piece, b: &Piece| a.balls_apart_mm(b) < cover_mm && a.wood_to_mm(b) < cover_mm;
            if slot.iter().any(|a| other.iter().any(|b| near(a, b))) {
                list.push([*seam.min(other_seam), *seam.max(other_seam)]);
            }
        }
    }
    list
}

/// A piece of a slot as a box: its middle and three half sides, square to each other, facet frame
/// with z from the globe's centre, mm.
#[derive(Debug, Clone, Copy)]
struct Piece {
    middle: DVec3,
    half: [DVec3; 3],
}

/// The slot of a joint in one of its two facets; nothing for glue alone.
fn slot(solid: &Solid, fit: &Fit, face: usize, side: usize, joint: &Joint) -> Vec<Piece> {
    let Some(fitting) = joint.fitting else {
        return Vec::new();
    };
    let facet = &solid.faces[face];
    let seam = &solid.seams[joint.seam];
    let which = usize::from(seam.faces[1] == face && seam.edges[1] == side);
    let [a, b] = seam.corners.map(|c| facet.frame.to_local(solid.corners[c]));
    let along = (b - a).normalize();
    let foot = a - along * along.dot(a);
    let up = foot.normalize();
    // The cut face looks down at the back: into the wood is up.
    let across = along.cross(up);
    let inward = across * across.z.signum();
    let tilt = facet.edges[side].tilt_rad;
    let y = fit.kinds[facet.kind].back_plane_mm / tilt.cos() + joint.from_back_mm[which];
    let x = 0.5 * along.dot(a + b) / foot.length() * y + joint.off_middle_mm;
    fitting
        .slices(joint.longer_mm[which])
        .into_iter()
        .map(|(from_middle, length, deep)| Piece {
            middle: along * (x + from_middle) + up * y + inward * (0.5 * deep),
            half: [
                along * (0.5 * length),
                up * (0.5 * fitting.thick_mm),
                inward * (0.5 * deep),
            ],
        })
        .collect()
}

impl Fitting {
    /// Depth of the slot at a distance from its middle, mm: a disc of radius r that goes D deep
    /// is there D − r + √(r² − x²) deep. A dowel's hole is as deep everywhere.
    pub fn deep_at_mm(&self, from_middle_mm: f64) -> f64 {
        if self.along_mm <= self.thick_mm {
            return self.deep_mm;
        }
        let x = from_middle_mm.abs().min(DISC_MM);
        (self.deep_mm - DISC_MM + (DISC_MM * DISC_MM - x * x).sqrt()).max(0.0)
    }

    /// Depth of a slot that is longer to one side, at a distance from the middle of what goes in.
    fn longer_deep_at_mm(&self, from_middle_mm: f64, longer_mm: f64) -> f64 {
        let nearest = from_middle_mm.clamp(longer_mm.min(0.0), longer_mm.max(0.0));
        self.deep_at_mm(from_middle_mm - nearest)
    }

    /// How much longer the slot must be when what goes in drifts along the seam by so much for
    /// each mm that the faces come together, mm.
    ///
    /// A biscuit is taken as a piece of the disc that cuts its slot, its ends cut off: no biscuit
    /// is fuller. The mm of glue room leaves it a little way to go in the slot as it is.
    fn longer_mm(&self, drift: f64) -> f64 {
        const PARTS: usize = 28;
        /// What lies between the places tried, mm.
        const BETWEEN_MM: f64 = 0.15;
        let part = |i: usize| i as f64 / PARTS as f64;
        let goes_in = |longer: f64| {
            (0..=PARTS).all(|step| {
                let apart = self.out_mm * part(step);
                (0..=PARTS).all(|i| {
                    let at = self.piece_mm * (part(i) - 0.5);
                    let out = self.out_mm - self.deep_mm + self.deep_at_mm(at) - apart;
                    let room = self.longer_deep_at_mm(at + apart * drift, longer);
                    out <= 0.0 || room >= out + BETWEEN_MM
                })
            })
        };
        let round = self.along_mm <= self.thick_mm;
        let mut steps = (self.out_mm * drift / LONGER_STEP_MM - 1e-6)
            .ceil()
            .max(0.0);
        while !round && steps > 0.0 && goes_in((steps - 1.0) * LONGER_STEP_MM) {
            steps -= 1.0;
        }
        steps * LONGER_STEP_MM
    }

    /// The slot, longer by so much to one side, cut across into boxes: middle along the seam,
    /// length, greatest depth, mm.
    fn slices(&self, longer_mm: f64) -> Vec<(f64, f64, f64)> {
        let whole = self.along_mm + longer_mm.abs();
        let count = match self.along_mm <= self.thick_mm {
            true => 1,
            false => (SLICES as f64 * whole / self.along_mm).ceil() as usize,
        };
        let length = whole / count as f64;
        let start = longer_mm.min(0.0) - 0.5 * self.along_mm;
        (0..count)
            .map(|i| {
                let from = start + i as f64 * length;
                // Deepest is the middle of the slot, or what of the box is nearest to it.
                let ends = [from, from + length, 0.0_f64.clamp(from, from + length)];
                let deep = ends.map(|at| self.longer_deep_at_mm(at, longer_mm));
                (
                    from + 0.5 * length,
                    length,
                    deep.into_iter().fold(0.0, f64::max),
                )
            })
            .collect()
    }
}

impl Piece {
    /// Wood between the balls around two pieces, mm: quick, and never more than there is.
    fn balls_apart_mm(&self, other: &Piece) -> f64 {
        let radius = |piece: &Piece| {
            let squares = piece.half.iter().map(|half| half.length_squared());
            squares.sum::<f64>().sqrt()
        };
        self.middle.distance(other.middle) - radius(self) - radius(other)
    }

    /// Wood between two pieces, mm, at least; negative when they meet.
    ///
    /// Two boxes are apart if and only if they are along a normal of a side of one, or along the
    /// cross product of an edge of each (S. Gottschalk et al., "OBBTree", SIGGRAPH 1996).
    fn wood_to_mm(&self, other: &Piece) -> f64 {
        let between = other.middle - self.middle;
        let crossed = self
            .half
            .iter()
            .flat_map(|a| other.half.iter().map(|b| a.cross(*b)));
        let axes = self.half.iter().chain(&other.half).copied().chain(crossed);
        axes.filter_map(DVec3::try_normalize)
            .map(|axis| {
                let reach =
                    |piece: &Piece| piece.half.iter().map(|h| h.dot(axis).abs()).sum::<f64>();
                between.dot(axis).abs() - reach(self) - reach(other)
            })
            .fold(f64::NEG_INFINITY, f64::max)
    }
}

/// The seam of a facet whose slot or hole comes nearest to a rod between two points of the facet's
/// frame, z from the globe's centre, and the wood between them, mm.
pub(super) fn wood_to_rod_mm(
    (solid, fit): (&Solid, &Fit),
    face: usize,
    joints: &[Joint],
    [from, to]: [DVec3; 2],
    radius_mm: f64,
) -> Option<(usize, f64)> {
    let along = (to - from).normalize();
    let aside = along.any_orthonormal_vector();
    // A square rod around the round one.
    let rod = Piece {
        middle: 0.5 * (from + to),
        half: [
            0.5 * (to - from),
            aside * radius_mm,
            along.cross(aside) * radius_mm,
        ],
    };
    of_slots(solid, fit, face, joints, |piece| rod.wood_to_mm(piece))
}

/// The seam of a facet whose slot or hole reaches farthest along a direction of the facet's frame,
/// and how far from the globe's centre, mm.
pub(super) fn slots_reach_mm(
    (solid, fit): (&Solid, &Fit),
    face: usize,
    joints: &[Joint],
    towards: DVec3,
) -> Option<(usize, f64)> {
    let short_of = |piece: &Piece| {
        let reach = piece.half.iter().map(|half| half.dot(towards).abs());
        -(piece.middle.dot(towards) + reach.sum::<f64>())
    };
    let found = of_slots(solid, fit, face, joints, short_of);
    found.map(|(seam, short_of)| (seam, -short_of))
}

/// The seam of a facet with the least value of a piece of its slot.
fn of_slots(
    solid: &Solid,
    fit: &Fit,
    face: usize,
    joints: &[Joint],
    value: impl Fn(&Piece) -> f64,
) -> Option<(usize, f64)> {
    let sides = solid.faces[face].edges.iter().enumerate();
    sides
        .flat_map(|(side, edge)| {
            let pieces = slot(solid, fit, face, side, &joints[edge.seam]);
            let least = pieces.iter().map(&value).reduce(f64::min);
            least.map(|least| (edge.seam, least))
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))
}

fn too_near(face: usize, seams: [usize; 2], fitting: &Fitting, settings: &Settings) -> Error {
    Error::Job(
        Problem::new(format!(
            "two {} slots have no room beside each other in facet {}",
            fitting.name,
            super::facet_label(face)
        ))
        .setting("joint.kind")
        .found(format!(
            "slots of {} by {}, {} deep, at seams {} and {}",
            settings.lengths_of("joint.kind").text(fitting.along_mm),
            settings.lengths_of("joint.kind").text(fitting.thick_mm),
            settings.lengths_of("joint.kind").text(fitting.deep_mm),
            super::seam_label(seams[0]),
            super::seam_label(seams[1])
        ))
        .allowed(format!(
            "{} of wood between them (joint.cover)",
            settings
                .lengths_of("joint.kind")
                .text(settings.joint.cover_mm)
        ))
        .next("choose a smaller one, \"auto\" or \"none\", or lower joint.cover"),
    )
}

fn room(bench: &Bench<'_>, seam: usize, slots: &Along) -> JointSpace {
    let Bench {
        solid,
        fit,
        jigs,
        sheet,
        settings,
    } = *bench;
    let (fitting, end) = (&slots.fitting, slots.reach_mm());
    let JointSeam { left, right } = in_plane(solid, seam);
    let cover = settings.joint.cover_mm;
    let ends = &solid.seams[seam];
    // The slot's middle lies half-way along the side: its farthest end from the foot, at height y.
    let off_middle = 0.5 * (right + left);
    let half_length = 0.5 * (right - left);
    let half = 0.5 * fitting.thick_mm;
    let (mut low, mut high, mut face_mm) = (0.0_f64, f64::INFINITY, f64::INFINITY);
    let mut backs = [0.0; 2];
    for (i, back) in backs.iter_mut().enumerate() {
        let (face, side) = (ends.faces[i], ends.edges[i]);
        let kind = solid.faces[face].kind;
        let tilt = solid.faces[face].edges[side].tilt_rad;
        let (piece, row) = (&fit.kinds[kind], &sheet[face][side]);
        *back = piece.back_plane_mm / tilt.cos();
        low = low.max(*back + cover + half);
        // Corners must leave room for the slot's length.
        low = low.max((end + cover) / half_length);
        let lowest = row.lowest.height_mm;
        let top = match settings.globe.base {
            Base::Sphere => {
                let reach = settings.globe.diameter_mm / 2.0 + lowest;
                face_mm = face_mm.min(top_at(reach, off_middle, end, 0.0) - *back);
                // Everything, tip included, stays cover and half a slot under the lowest ground.
                top_at(reach - cover - half, off_middle, end, fitting.deep_mm)
            }
            Base::Flat => {
                let surface = piece.base_distance_mm + lowest;
                face_mm = face_mm.min(surface / tilt.cos() - *back);
                // The tip rises by D·sin(tilt).
                (surface - cover - fitting.deep_mm * tilt.sin()) / tilt.cos() - half
            }
        };
        high = high.min(top);
        // Over the pocket the slot must lie higher than its floor.
        if let Some(seat) = &jigs[kind].seat {
            let (a, b) = edge(&jigs[kind].back_mm, side);
            let outward = super::polygon::outward(a, b);
            let reaches = seat.sharp_mm[0].iter().map(|p| outward.dot(*p));
            let pocket = reaches.fold(f64::NEG_INFINITY, f64::max);
            let back = piece.back_plane_mm;
            low = low.max(over_pocket(back, tilt, pocket, fitting, settings));
        }
    }
    JointSpace {
        low,
        high,
        face_mm,
        backs,
    }
}

/// Greatest y at which a slot that ends `half` from x = y·`off_middle` and goes `deep` in stays
/// within `reach` of the centre at its farther end: (|m| y + half)² + y² + D² = reach².
fn top_at(reach: f64, off_middle: f64, half: f64, deep: f64) -> f64 {
    let m = off_middle.abs();
    let (a, b, c) = (
        1.0 + m * m,
        m * half,
        half * half + deep * deep - reach * reach,
    );
    let inside = b * b - a * c;
    if inside < 0.0 {
        return f64::NEG_INFINITY;
    }
    (inside.sqrt() - b) / a
}

/// Least y at which the slot clears the pocket: where the slot reaches the pocket's side it lies
/// at least cover above the floor; 0 when it does not reach that far in.
fn over_pocket(back: f64, tilt: f64, pocket: f64, fitting: &Fitting, settings: &Settings) -> f64 {
    let (sin, cos) = tilt.sin_cos();
    // The slot reaches the pocket's side when y·sin − D·cos < pocket: clear of it above this y.
    let beside = (pocket + settings.joint.cover_mm + fitting.deep_mm * cos) / sin;
    // There, D' = (y·sin − pocket)/cos in, its height is y·cos + D'·sin − c.
    let floor = settings.pocket_depth_mm() + settings.joint.cover_mm + 0.5 * fitting.thick_mm * cos;
    let above = (back + floor + pocket * sin / cos) * cos;
    beside.min(above)
}

/// Tangents of the angles from the foot of the edge to its two corners, seen from the centre.
struct JointSeam {
    left: f64,
    right: f64,
}

fn in_plane(solid: &Solid, seam: usize) -> JointSeam {
    let [a, b] = solid.seams[seam].corners.map(|i| solid.corners[i]);
    let along = (b - a).normalize();
    let foot = a - along * along.dot(a);
    JointSeam {
        left: along.dot(a) / foot.length(),
        right: along.dot(b) / foot.length(),
    }
}

fn edge(points: &[glam::DVec2], side: usize) -> (glam::DVec2, glam::DVec2) {
    sides(points).nth(side).unwrap_or_default()
}

fn no_room(seam: usize, fitting: &Fitting, room: &JointSpace, settings: &Settings) -> Error {
    Error::Job(
        Problem::new(format!(
            "a {} has no room at seam {}",
            fitting.name,
            super::seam_label(seam)
        ))
        .setting("joint.kind")
        .found(format!(
            "{} from back to surface along the cut face",
            settings
                .lengths_of("joint.kind")
                .text(room.face_mm.max(0.0))
        ))
        .allowed(format!(
            "a slot of {} by {}, {} deep, with {} of wood around it",
            settings.lengths_of("joint.kind").text(fitting.along_mm),
            settings.lengths_of("joint.kind").text(fitting.thick_mm),
            settings.lengths_of("joint.kind").text(fitting.deep_mm),
            settings
                .lengths_of("joint.kind")
                .text(settings.joint.cover_mm)
        ))
        .next("choose a smaller one, \"auto\" or \"none\", or lower joint.cover"),
    )
}

/// How many of each fitting the globe takes, largest first; seams with glue alone last, as
/// "glue alone".
pub fn counts(joints: &[Joint]) -> Vec<(&'static str, usize)> {
    let name = |joint: &Joint| joint.fitting.map_or("glue alone", |f| f.name);
    let order = [
        "biscuit-20",
        "biscuit-10",
        "biscuit-0",
        "dowel",
        "glue alone",
    ];
    order
        .into_iter()
        .map(|wanted| (wanted, joints.iter().filter(|j| name(j) == wanted).count()))
        .filter(|(_, count)| *count > 0)
        .collect()
}
