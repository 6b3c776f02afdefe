//! `[[cutter]]`: the bits, and what single values cannot show about them.

use super::table::{
    Default, List, Range, Setting, ValueKind, Word, absent, always, optional, optional_word,
    spelled, word,
};
use crate::model::error::Problem;
use crate::model::length::Lengths;
use crate::model::settings::{Cutter, CutterRole, CutterShape, Settings};

/// Bits that exist.
const DIAMETER: Range = Range {
    open: true,
    ..Range::new(0.0, 100.0, "a length above 0 mm and below 100 mm")
};

/// Stepover and stepdown.
const STEP: Range = Range {
    open: true,
    ..Range::new(0.0, 100.0, "a length above 0 mm and below 100 mm")
};

/// Feeds.
const SPEED: Range = Range::new(1.0, 1e6, "a length per minute, 1 mm/min to 1000 m/min");

/// Waiting.
const MINUTES: Range = Range::new(0.0, 1000.0, "a number of minutes, 0 to 1000");

/// `[[cutter]]`.
pub(super) const CUTTERS: List<Cutter> = List {
    section: "cutter",
    about: "The bits, to know what they reach and how long they take; once for each",
    rows: &[
        Setting {
            key: "cutter.shape",
            kind: word!(
                |s| s.shape,
                CutterShape,
                [
                    ("ball", Ball),
                    ("flat", Flat),
                    ("tapered-ball", TaperedBall)
                ]
            ),
            default: Default::Value("\"ball\""),
            unit: "word",
            doc: "How the tip is ground",
        },
        Setting {
            key: "cutter.diameter",
            kind: always!(Length, DIAMETER, diameter_mm),
            default: Default::Value("\"1/8 in\""),
            unit: "mm, cm, m or in",
            doc: "Diameter; of the ball at the tip for a tapered bit",
        },
        Setting {
            key: "cutter.angle",
            kind: always!(
                Number,
                Range::new(0.5, 60.0, "a number of degrees, 0.5 to 60"),
                half_angle_deg
            ),
            default: Default::Value("5.0"),
            unit: "degrees",
            doc: "Lean of a tapered bit's flank: between its axis and one side",
        },
        Setting {
            key: "cutter.flute",
            kind: always!(
                Length,
                Range::new(0.5, 500.0, "a length, 0.5 mm to 500 mm"),
                flute_mm
            ),
            default: Default::Value("\"1 in\""),
            unit: "mm, cm, m or in",
            doc: "Length of the cutting part",
        },
        Setting {
            key: "cutter.role",
            kind: optional_word!(
                |s| s.role,
                CutterRole,
                [
                    ("rough", Rough),
                    ("finish", Finish),
                    ("finish-flat", FinishFlat)
                ]
            ),
            default: absent("rough for a flat bit, finish for the others", "\"finish\""),
            unit: "word",
            doc: "What it is for: a flat bit finishes only when told so by finish-flat",
        },
        Setting {
            key: "cutter.stepover",
            kind: optional!(Length, STEP, stepover_mm),
            default: absent(
                "a tenth of the diameter to finish, four tenths to rough",
                "\"0.3 mm\"",
            ),
            unit: "mm, cm, m or in",
            doc: "Between neighbouring passes",
        },
        Setting {
            key: "cutter.stepdown",
            kind: optional!(Length, STEP, stepdown_mm),
            default: absent("half the diameter", "\"1.5 mm\""),
            unit: "mm, cm, m or in",
            doc: "Depth of one pass when roughing or cutting out",
        },
        Setting {
            key: "cutter.allowance",
            kind: optional!(
                Length,
                Range::new(0.0, 20.0, "a length, 0 mm to 20 mm"),
                allowance_mm
            ),
            default: absent("a tenth of the diameter", "\"0.5 mm\""),
            unit: "mm, cm, m or in",
            doc: "Wood that roughing leaves for the finishing bit, in every direction",
        },
        Setting {
            key: "cutter.feed",
            kind: ValueKind::Speed {
                range: SPEED,
                set: |c, v| c.feed_mm_min = v,
                get: |c| Some(c.feed_mm_min),
            },
            default: Default::Value("\"2500 mm/min\""),
            unit: "length per minute",
            doc: "Speed while cutting",
        },
        Setting {
            key: "cutter.plunge",
            kind: ValueKind::Speed {
                range: SPEED,
                set: |c, v| c.plunge_mm_min = v,
                get: |c| Some(c.plunge_mm_min),
            },
            default: Default::Value("\"800 mm/min\""),
            unit: "length per minute",
            doc: "Speed straight down into wood",
        },
        Setting {
            key: "cutter.rapid",
            kind: ValueKind::Speed {
                range: SPEED,
                set: |c, v| c.rapid_mm_min = v,
                get: |c| Some(c.rapid_mm_min),
            },
            default: Default::Value("\"5000 mm/min\""),
            unit: "length per minute",
            doc: "Speed in the air",
        },
        Setting {
            key: "cutter.start",
            kind: always!(Number, MINUTES, start_min),
            default: Default::Value("0.1"),
            unit: "minutes",
            doc: "Time until the spindle is at speed",
        },
        Setting {
            key: "cutter.change",
            kind: always!(Number, MINUTES, change_min),
            default: Default::Value("2.0"),
            unit: "minutes",
            doc: "Time to change to this bit",
        },
    ],
    new: Cutter::default,
    get: |s| &s.cutters,
    get_mut: |s| &mut s.cutters,
};

/// Checks the bits of a job against each other.
pub(super) fn check(settings: &Settings) -> Result<(), Problem> {
    let cutters = &settings.cutters;
    for (index, cutter) in cutters.iter().enumerate() {
        let say = |leaf: &str| settings.lengths_of(&format!("cutter.{}.{leaf}", index + 1));
        check_one(cutter, &say)
            .map_err(|(leaf, problem)| problem.setting(format!("cutter.{}.{leaf}", index + 1)))?;
    }
    let rough = |c: &&Cutter| c.role() == CutterRole::Rough;
    let roughing = cutters.iter().filter(rough).count();
    let finishing = cutters.len() - roughing;
    let problem = |what: &str, found: String, next: &str| {
        let problem = Problem::new(what).setting("cutter").found(found);
        Err(problem
            .allowed("one finishing [[cutter]], and at most one for roughing")
            .next(next))
    };
    if !cutters.is_empty() && finishing == 0 {
        return problem(
            "no bit of this job carves the surface",
            format!("{roughing} for roughing, none for finishing"),
            "add a [[cutter]] with role = \"finish\"",
        );
    }
    if finishing > 1 || roughing > 1 {
        return problem(
            "this many bits for one purpose cannot be told apart",
            format!("{roughing} for roughing, {finishing} for finishing"),
            "keep one of each",
        );
    }
    Ok(())
}

fn check_one(
    cutter: &Cutter,
    say: &dyn Fn(&str) -> Lengths,
) -> Result<(), (&'static str, Problem)> {
    if cutter.shape == CutterShape::Flat && cutter.role == Some(CutterRole::Finish) {
        let problem = Problem::new("a flat bit leaves steps on a carved surface")
            .found("role = \"finish\" with shape = \"flat\"")
            .allowed("\"rough\", or \"finish-flat\" where steps are wanted")
            .next("use a ball, or write role = \"finish-flat\"");
        return Err(("role", problem));
    }
    if cutter.shape != CutterShape::Flat && cutter.role() == CutterRole::Rough {
        let problem = Problem::new("roughing is worked out for flat bits only")
            .found("role = \"rough\" with a ball")
            .allowed("shape = \"flat\" for roughing")
            .next("use a flat bit, or leave this one out: the finishing bit then cuts it all");
        return Err(("role", problem));
    }
    if cutter.stepover_mm() > cutter.diameter_mm {
        let problem = Problem::new("passes this far apart leave wood between them")
            .found(say("stepover").at_least(cutter.stepover_mm()))
            .allowed(format!(
                "at most the diameter, {}",
                say("stepover").at_most(cutter.diameter_mm)
            ))
            .next("a tenth of the diameter leaves a smooth surface");
        return Err(("stepover", problem));
    }
    let cap = 0.5 * cutter.diameter_mm * (1.0 - cutter.half_angle_deg.to_radians().sin());
    if cutter.shape == CutterShape::TaperedBall && cutter.flute_mm <= cap {
        let problem = Problem::new("the flute ends before the ball does")
            .found(say("flute").at_most(cutter.flute_mm))
            .allowed(format!("more than {}", say("flute").at_least(cap)))
            .next("give the length of the whole cutting part");
        return Err(("flute", problem));
    }
    Ok(())
}
