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

use super::jig::Jig;
use super::polygon::sides;
use super::saw::SeamRow;
use crate::carve::fit::Fit;
use crate::model::geometry::Solid;
use crate::model::length::both_text;
use crate::model::settings::{Base, JointKind, Settings};
use crate::{Error, Problem, Result};
use glam::DVec3;
use serde::Serialize;
use std::collections::BTreeSet;

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
        },
    ),
    (
        JointKind::Biscuit10,
        Fitting {
            name: "biscuit-10",
            along_mm: 62.0,
            thick_mm: 4.0,
            deep_mm: 10.5,
        },
    ),
    (
        JointKind::Biscuit0,
        Fitting {
            name: "biscuit-0",
            along_mm: 56.0,
            thick_mm: 4.0,
            deep_mm: 8.5,
        },
    ),
];

/// Glue room at the bottom of a dowel's hole, mm.
const GLUE_ROOM_MM: f64 = 1.0;

/// The joint of one seam.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Joint {
    /// Index of the seam.
    pub seam: usize,
    /// What is used; `None` for glue alone.
    pub fitting: Option<Fitting>,
    /// From the back to the middle of the slot, along the cut face of each of the two facets, mm.
    pub from_back_mm: [f64; 2],
    /// From back to surface along the cut face at the slot's ends, the thinner facet, mm.
    pub face_mm: f64,
}

/// Room found for a fitting at a seam.
struct JointSpace {
    /// Least and greatest y of the slot's middle, mm.
    low: f64,
    high: f64,
    face_mm: f64,
    backs: [f64; 2],
}

/// The job's dowel with its hole.
pub fn dowel(settings: &Settings) -> Fitting {
    Fitting {
        name: "dowel",
        along_mm: settings.joint.dowel_diameter_mm,
        thick_mm: settings.joint.dowel_diameter_mm,
        deep_mm: settings.joint.dowel_length_mm / 2.0 + GLUE_ROOM_MM,
    }
}

/// Lengths of the slots of all biscuits, in words, largest first.
pub fn slot_lengths() -> String {
    let [first, second, third] = BISCUITS.map(|(_, fitting)| fitting.along_mm);
    format!("{first}, {second} and {third} mm")
}

/// Chooses the joint of every seam.
///
/// # Errors
/// [`Error::Job`] when the job names a fitting that has no room at some seam, or whose slots
/// would meet inside a facet.
pub fn joints(
    solid: &Solid,
    fit: &Fit,
    jigs: &[Jig],
    sheet: &[Vec<SeamRow>],
    settings: &Settings,
) -> Result<Vec<Joint>> {
    let dowel = dowel(settings);
    let mut choice: Vec<Fitting> = BISCUITS.iter().map(|(_, fitting)| *fitting).collect();
    choice.push(dowel);
    let wanted = settings.joint.kind;
    if let Some((_, one)) = BISCUITS.iter().find(|(kind, _)| *kind == wanted) {
        choice = vec![*one];
    } else if wanted == JointKind::Dowel {
        choice = vec![dowel];
    } else if wanted == JointKind::None {
        choice.clear();
    }
    let named = !matches!(wanted, JointKind::Auto | JointKind::None);
    let mut joints = (0..solid.seams.len())
        .map(|seam| {
            let joint = first_with_room(solid, fit, jigs, sheet, settings, seam, &choice);
            match (&joint.fitting, named) {
                (None, true) => {
                    let room = room(solid, fit, jigs, sheet, settings, seam, &choice[0]);
                    Err(no_room(seam, &choice[0], &room, settings))
                }
                _ => Ok(joint),
            }
        })
        .collect::<Result<Vec<Joint>>>()?;
    // Every round takes something smaller, so there are few.
    loop {
        let meeting = meeting(solid, fit, &joints, settings.joint.cover_mm);
        let Some(&(face, seams)) = meeting.first() else {
            return Ok(joints);
        };
        if named {
            return Err(too_near(face, seams, &choice[0], settings));
        }
        let touched: BTreeSet<usize> = meeting.iter().flat_map(|(_, seams)| *seams).collect();
        for seam in touched {
            let now = joints[seam].fitting;
            let place = choice.iter().position(|fitting| Some(*fitting) == now);
            let smaller = &choice[place.map_or(choice.len(), |place| place + 1)..];
            joints[seam] = first_with_room(solid, fit, jigs, sheet, settings, seam, smaller);
        }
    }
}

/// The joint of a seam with the first fitting of a list that has room there.
fn first_with_room(
    solid: &Solid,
    fit: &Fit,
    jigs: &[Jig],
    sheet: &[Vec<SeamRow>],
    settings: &Settings,
    seam: usize,
    choice: &[Fitting],
) -> Joint {
    for fitting in choice {
        let room = room(solid, fit, jigs, sheet, settings, seam, fitting);
        if room.low <= room.high {
            let y = 0.5 * (room.low + room.high);
            return Joint {
                seam,
                fitting: Some(*fitting),
                from_back_mm: room.backs.map(|back| y - back),
                face_mm: room.face_mm,
            };
        }
    }
    Joint {
        seam,
        fitting: None,
        from_back_mm: [0.0; 2],
        face_mm: 0.0,
    }
}

/// Slots of two sides of one facet with less than `cover_mm` of wood between them: the facet and
/// the two seams.
fn meeting(solid: &Solid, fit: &Fit, joints: &[Joint], cover_mm: f64) -> Vec<(usize, [usize; 2])> {
    let mut list = Vec::new();
    for (face, facet) in solid.faces.iter().enumerate() {
        let sides = facet.edges.iter().enumerate();
        let slots: Vec<(usize, Vec<Piece>)> = sides
            .map(|(side, edge)| {
                let slot = slot(solid, fit, face, side, &joints[edge.seam]);
                (edge.seam, slot)
            })
            .collect();
        for (i, (seam, slot)) in slots.iter().enumerate() {
            for (other_seam, other) in &slots[..i] {
                let near = |a: &Piece, b: &Piece| {
                    a.balls_apart_mm(b) < cover_mm && a.wood_to_mm(b) < cover_mm
                };
                if slot.iter().any(|a| other.iter().any(|b| near(a, b))) {
                    list.push((face, [*seam.min(other_seam), *seam.max(other_seam)]));
                }
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
    let x = 0.5 * along.dot(a + b) / foot.length() * y;
    fitting
        .slices()
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

    /// The slot cut across into boxes: middle along the seam, length, greatest depth, mm.
    fn slices(&self) -> Vec<(f64, f64, f64)> {
        let count = match self.along_mm <= self.thick_mm {
            true => 1,
            false => SLICES,
        };
        let length = self.along_mm / count as f64;
        (0..count)
            .map(|i| {
                let from = i as f64 * length - 0.5 * self.along_mm;
                // The middle of the slot is deepest.
                let nearest = if from + length <= 0.0 {
                    from + length
                } else {
                    from.max(0.0)
                };
                (from + 0.5 * length, length, self.deep_at_mm(nearest))
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
            both_text(fitting.along_mm),
            both_text(fitting.thick_mm),
            both_text(fitting.deep_mm),
            super::seam_label(seams[0]),
            super::seam_label(seams[1])
        ))
        .allowed(format!(
            "{} of wood between them (joint.cover)",
            both_text(settings.joint.cover_mm)
        ))
        .next("choose a smaller one, \"auto\" or \"none\", or lower joint.cover"),
    )
}

fn room(
    solid: &Solid,
    fit: &Fit,
    jigs: &[Jig],
    sheet: &[Vec<SeamRow>],
    settings: &Settings,
    seam: usize,
    fitting: &Fitting,
) -> JointSpace {
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
        low = low.max((0.5 * fitting.along_mm + cover) / half_length);
        let lowest = row.lowest.height_mm;
        let top = match settings.globe.base {
            Base::Sphere => {
                let reach = settings.globe.diameter_mm / 2.0 + lowest;
                face_mm = face_mm.min(top_at(reach, off_middle, fitting, 0.0) - *back);
                // Everything, tip included, stays cover and half a slot under the lowest ground.
                top_at(reach - cover - half, off_middle, fitting, fitting.deep_mm)
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

/// Greatest y at which a slot around x = y·`off_middle` that goes `deep` in stays within `reach`
/// of the centre at its farther end: (|m| y + L/2)² + y² + D² = reach².
fn top_at(reach: f64, off_middle: f64, fitting: &Fitting, deep: f64) -> f64 {
    let (m, half) = (off_middle.abs(), 0.5 * fitting.along_mm);
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
            both_text(room.face_mm.max(0.0))
        ))
        .allowed(format!(
            "a slot of {} by {}, {} deep, with {} of wood around it",
            both_text(fitting.along_mm),
            both_text(fitting.thick_mm),
            both_text(fitting.deep_mm),
            both_text(settings.joint.cover_mm)
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
