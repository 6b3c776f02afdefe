//! The work list: every operation in order, with counts, tools and, when the job names its bits,
//! time.

use super::mount::Mount;
use super::plan::{KindPlan, Operation, Plan};
use super::{facet_label, kind_letter};
use crate::carve::cutting::{CutterSet, Estimate, bit_name};
use crate::carve::fit::Fit;
use crate::model::geometry::place_name;
use crate::model::length::Lengths;
use crate::model::settings::{Cutter, MountKind, Settings};

/// Closer settings of a fence are one, mm.
const SAME_SETTING_MM: f64 = 0.005;

/// Every operation in order.
pub fn work(plan: &Plan, fit: &Fit, settings: &Settings) -> Vec<Operation> {
    let work = Work::new(plan, fit, settings);
    let mut list = work.boards_and_blanks();
    list.extend(work.jigs_and_backs());
    list.extend(plan.mount.iter().flat_map(|mount| work.holes(mount, false)));
    list.extend(work.carving());
    list.extend(work.sawing());
    list.extend(work.joints());
    list.extend(work.glueing());
    list.extend(plan.mount.iter().flat_map(|mount| work.stand(mount)));
    let finish = "Blend the seams, sand by hand, finish";
    list.push(Operation::new(finish, 1, "globe", "hand tools"));
    list.retain(|operation| operation.count > 0);
    list
}

/// What the list is made from.
struct Work<'a> {
    plan: &'a Plan,
    settings: &'a Settings,
    say: Lengths,
    /// The job's bits; `None` where it names none.
    bits: Option<CutterSet>,
    /// The bits taken where it names none.
    usual: Vec<Cutter>,
    /// Times of one facet, by kind of blank; empty without bits.
    estimates: Vec<Estimate>,
}

impl Operation {
    fn new(what: impl Into<String>, count: usize, unit: &'static str, tool: &str) -> Operation {
        Operation {
            what: what.into(),
            count,
            unit,
            tool: tool.to_owned(),
            minutes: None,
            each_minutes: Vec::new(),
            pieces: Vec::new(),
        }
    }

    fn on(self, pieces: Vec<String>) -> Operation {
        Operation { pieces, ..self }
    }
}

impl<'a> Work<'a> {
    fn new(plan: &'a Plan, fit: &Fit, settings: &'a Settings) -> Work<'a> {
        let bits = CutterSet::of(settings);
        let of_kind = |kind: &KindPlan| Some(bits.as_ref()?.estimate(&fit.facets[kind.faces[0]]));
        Work {
            plan,
            settings,
            say: settings.lengths(),
            estimates: plan.kinds.iter().filter_map(of_kind).collect(),
            usual: CutterSet::usual(),
            bits,
        }
    }

    /// With the minutes for so many facets of each kind, and for changing to the bit.
    fn timed(
        &self,
        operation: Operation,
        counts: &[usize],
        bit: &Cutter,
        of: impl Fn(&Estimate) -> f64,
    ) -> Operation {
        let each_minutes: Vec<f64> = self.estimates.iter().map(of).collect();
        let cutting = each_minutes.iter().zip(counts);
        let cutting = cutting.map(|(of_one, &count)| of_one * count as f64);
        let minutes = bit.change_min + cutting.sum::<f64>();
        Operation {
            minutes: self.bits.is_some().then_some(minutes),
            each_minutes,
            ..operation
        }
    }

    fn facets_of(&self, kind: usize) -> Vec<String> {
        let faces = self.plan.kinds[kind].faces.iter();
        faces.map(|face| facet_label(*face)).collect()
    }

    /// With the spares, which have no number.
    fn blanks_of(&self, kind: usize) -> Vec<String> {
        let mut blanks = self.facets_of(kind);
        blanks.resize(self.plan.blanks.pieces[kind].count, "spare".to_owned());
        blanks
    }

    fn jig_bit(&self) -> String {
        format!(
            "{} straight bit",
            self.say.stocked(self.settings.jig.bit_mm)
        )
    }

    fn boards_and_blanks(&self) -> Vec<Operation> {
        let boards = self.plan.blanks.layout.boards.iter().enumerate();
        let boards: Vec<String> = boards
            .filter(|(_, placed)| !placed.is_empty())
            .map(|(i, _)| format!("board {}", i + 1))
            .collect();
        let thick = self.say.text(self.settings.stock.thickness_mm);
        let plane = Operation::new(
            format!("Plane boards to {thick}"),
            boards.len(),
            "board",
            "planer",
        );
        let mut list = vec![plane.on(boards)];
        for (kind, piece) in self.plan.blanks.pieces.iter().enumerate() {
            let cut_out = self.bits.as_ref().map(CutterSet::cut_out_bit);
            let own_spares = piece.count - self.plan.blanks.needed[kind];
            let what = format!(
                "Cut {} blanks to the outline with trim ({own_spares} of them spare); mark \
                 number and index corner on the back",
                kind_letter(kind)
            );
            let tool = match cut_out {
                Some(bit) => format!("saw, or router with {}", bit_name(bit, self.say)),
                None => "saw or router".into(),
            };
            let cut = Operation::new(what, piece.count, "blank", &tool).on(self.blanks_of(kind));
            let mut counts = vec![0; self.plan.kinds.len()];
            counts[kind] = piece.count;
            list.push(match cut_out {
                Some(bit) => self.timed(cut, &counts, bit, |of| of.cut_out.minutes),
                None => cut,
            });
        }
        list
    }

    /// Jigs, and what is cut into the backs of the blanks to sit on them.
    fn jigs_and_backs(&self) -> Vec<Operation> {
        let mut list = Vec::new();
        for (kind, of_kind) in self.plan.kinds.iter().enumerate() {
            let letter = kind_letter(kind);
            let (how, tool) = match &of_kind.jig.seat {
                None => (
                    "draw axis and cut lines on it",
                    "square and pencil".to_owned(),
                ),
                Some(seat) if seat.keyed => (
                    "rout the boss, rough then finish, with its cut corner",
                    self.jig_bit(),
                ),
                Some(_) => ("rout the boss, rough then finish", self.jig_bit()),
            };
            let jig = format!("Make the {letter} jig: {how}");
            list.push(Operation::new(jig, 1, "jig", &tool));
            let blanks = self.plan.blanks.pieces[kind].count;
            let pockets = of_kind.jig.seat.as_ref().map_or(0, |_| blanks);
            let pocket = format!(
                "Rout the pocket in the back of the {letter} blanks, {} deep, rough then finish",
                self.say.at_most(self.settings.pocket_depth_mm())
            );
            let pocket = Operation::new(pocket, pockets, "pocket", &self.jig_bit());
            list.push(pocket.on(self.blanks_of(kind)));
            let tabs = &of_kind.jig.tabs;
            let notch = format!(
                "Cut notches for the tabs in the back of the {letter} blanks, {} deep, and glue \
                 {} of {} tabs to each",
                self.say.text(self.settings.tab_thickness_mm()),
                tabs.iter().filter(|tab| tab.glued).count(),
                tabs.len()
            );
            let notch = Operation::new(notch, blanks * tabs.len(), "notch", &self.jig_bit());
            list.push(notch.on(self.blanks_of(kind)));
        }
        list
    }

    fn carving(&self) -> Vec<Operation> {
        let needed = &self.plan.blanks.needed;
        let facets = needed.iter().sum();
        let bits = self.bits.as_ref();
        let finishing = bits.map_or(&self.usual[0], CutterSet::finishing);
        let roughing = bits.map_or(self.usual.get(1), CutterSet::roughing);
        let mut all: Vec<String> = (0..self.plan.kinds.len())
            .flat_map(|kind| self.facets_of(kind))
            .collect();
        all.sort_by_key(|label| (label.len(), label.clone()));
        let carve = |what: String, bit| {
            Operation::new(what, facets, "facet", &bit_name(bit, self.say)).on(all.clone())
        };
        let rough = roughing.map(|bit| {
            let rough = carve(
                "Rough out the relief, each facet from its own image".into(),
                bit,
            );
            let minutes = |kind: &Estimate| kind.roughing.map_or(0.0, |rough| rough.minutes);
            self.timed(rough, needed, bit, minutes)
        });
        let between = self.say.precise(finishing.stepover_mm());
        let finish = carve(
            format!("Finish the relief, {between} between passes"),
            finishing,
        );
        let finish = self.timed(finish, needed, finishing, |kind| kind.finishing.minutes);
        rough.into_iter().chain([finish]).collect()
    }

    fn sawing(&self) -> Vec<Operation> {
        let kinds = self.plan.kinds.iter().enumerate();
        let cuts = kinds.flat_map(|(kind, of_kind)| {
            let tilts = of_kind.tilts().into_iter();
            tilts.map(move |(tilt_deg, sides)| {
                let what = format!(
                    "Saw seams of the {} facets with the blade {tilt_deg:.2}° from vertical",
                    kind_letter(kind)
                );
                let count = sides * self.plan.blanks.needed[kind];
                let cut = Operation::new(what, count, "cut", "table saw with the jig");
                cut.on(self.facets_of(kind))
            })
        });
        cuts.collect()
    }

    /// Slots and dowel holes, one line for each setting of a fence.
    fn joints(&self) -> Vec<Operation> {
        let joints = &self.plan.joints;
        let fences = super::joints::fences(joints).into_iter();
        let cuts = fences.map(|(fitting, from_back_mm, count)| {
            let (what, one, unit, tool) = if fitting.name == "dowel" {
                let across = self.say.text(self.settings.joint.dowel_diameter_mm);
                let tool = format!("{across} drill in a guide, square to the cut face");
                ("Drill holes for the dowels", "one dowel", "hole", tool)
            } else {
                let tool = format!("biscuit joiner, set to {}", fitting.name);
                ("Cut slots for the biscuits", "one biscuit", "slot", tool)
            };
            let what = format!(
                "{what}, {one} to a seam, {} from the back along the cut face to the middle of the \
                 {unit}; longer where the table of joints says so",
                self.say.text(from_back_mm)
            );
            let here = joints.iter().filter(|joint| {
                let set = |mm: &f64| (mm - from_back_mm).abs() < SAME_SETTING_MM;
                let same = joint.fitting.is_some_and(|of| of.name == fitting.name);
                same && joint.from_back_mm.iter().any(set)
            });
            let seams = here.map(|joint| super::seam_label(joint.seam)).collect();
            Operation::new(what, count, unit, &tool).on(seams)
        });
        cuts.collect()
    }

    fn glueing(&self) -> Vec<Operation> {
        let glue = &self.plan.glue;
        let closing = glue.last().map_or(0, |step| step.seams.len());
        let steps = glue.len().saturating_sub(1);
        let shells = "Glue the two shells, step by step in the order of the glue-up list";
        let join = "Join the two shells at the closing seam";
        vec![
            Operation::new(
                "Put the whole ball together dry, with tape",
                1,
                "dry fit",
                "tape",
            ),
            Operation::new(shells, steps, "step", "glue and tape"),
            Operation::new(join, closing, "seam", "glue and straps"),
        ]
    }

    /// Holes for the rod: those in one blank before it is carved, the others in the glued ball.
    fn holes(&self, mount: &Mount, glued: bool) -> Vec<Operation> {
        let rod = self.say.stocked(mount.rod_mm.unwrap_or(0.0));
        let wanted = mount
            .holes
            .iter()
            .filter(|hole| (hole.blanks.len() > 1) == glued);
        let drilled = wanted.map(|hole| {
            let blank = &hole.blanks[0];
            let deep = match hole.deep_mm {
                None => "right through".to_owned(),
                Some(mm) if glued => format!("{} deep from the level", self.say.at_most(mm)),
                Some(_) => format!(
                    "from the front until {} of wood are left under it",
                    self.say.at_least(blank.left_mm.unwrap_or(0.0))
                ),
            };
            let place = place_name(hole.place[0], hole.place[1]);
            let what = match glued {
                true => format!(
                    "Drill the {rod} hole for the rod at {place} towards the middle, {deep}"
                ),
                false => format!(
                    "Drill the {rod} hole for the rod at {place}, {} from the axis of the blank, \
                     {:.2}° from square, {deep}: `back-{}`",
                    self.say.text(blank.start_mm().length()),
                    blank.lean_deg,
                    facet_label(blank.face)
                ),
            };
            let faces = hole.blanks.iter().map(|blank| facet_label(blank.face));
            let tool = match glued {
                true => "drill in a guide block, the ball in a cradle",
                false => "drill press, the blank clamped",
            };
            Operation::new(what, 1, "hole", tool).on(faces.collect())
        });
        drilled.collect()
    }

    /// What is done to the glued ball so that it stands.
    fn stand(&self, mount: &Mount) -> Vec<Operation> {
        let mut list = self.holes(mount, true);
        if let (MountKind::Flat, Some(circle)) = (mount.kind, &mount.circle) {
            let place = place_name(mount.lowest[0], mount.lowest[1]);
            let wide = self.say.text(2.0 * circle.radius_mm);
            let what = format!("Cut the flat about {place}, {wide} wide");
            list.push(Operation::new(
                what,
                1,
                "flat",
                "plane or belt, the ball in a cradle",
            ));
        }
        list
    }
}
