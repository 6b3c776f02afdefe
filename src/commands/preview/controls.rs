//! The settings that can be changed on the page, in its order.
//!
//! Words, units and allowed values come from the table of settings; here stands only what is the
//! page's own: which settings, under which heading, and how far a slider travels.

use crate::model::geometry::Solid;
use crate::model::jobfile::{Described, Form, described};
use crate::model::length::{MM_PER_INCH, Units, parse_mm};
use crate::model::settings::Settings;
use serde::Serialize;

/// A setting on the page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ControlForm {
    /// Full name of the setting.
    pub key: &'static str,
    /// What the page calls it.
    pub label: &'static str,
    /// Heading it stands under.
    pub group: &'static str,
    /// Travel and step of its slider: mm for lengths, otherwise the setting's own unit. The number
    /// beside it takes all that is allowed.
    pub travel: [f64; 3],
    /// Step of the slider in inches, for lengths given in inches.
    pub inch_step: f64,
    /// Shown while another setting has one of these values.
    pub shown_with: Option<(&'static str, &'static [&'static str])>,
}

const fn plan(
    group: &'static str,
    key: &'static str,
    label: &'static str,
    travel: [f64; 3],
    inch_step: f64,
    shown_with: Option<(&'static str, &'static [&'static str])>,
) -> ControlForm {
    ControlForm {
        key,
        label,
        group,
        travel,
        inch_step,
        shown_with,
    }
}

const RELIEF: &str = "Relief";
const DETAIL: &str = "Detail";
const GLOBE: &str = "Globe";
const TURN: &str = "Turn";
const WOOD: &str = "Wood";

/// Every setting on the page.
pub const CONTROLS: &[ControlForm] = &[
    plan(RELIEF, "relief.curve", "Curve", [0.0; 3], 0.0, None),
    plan(
        RELIEF,
        "relief.boost",
        "Boost",
        [1.0, 15.0, 0.1],
        0.0,
        Some(("relief.curve", &["power", "asinh", "log", "equalize"])),
    ),
    plan(
        RELIEF,
        "relief.exponent",
        "Exponent",
        [0.05, 0.95, 0.05],
        0.0,
        Some(("relief.curve", &["power"])),
    ),
    plan(
        RELIEF,
        "relief.blend",
        "Blend",
        [0.0, 1.0, 0.05],
        0.0,
        Some(("relief.curve", &["equalize"])),
    ),
    plan(
        RELIEF,
        "relief.knots",
        "Knots",
        [0.0; 3],
        0.0,
        Some(("relief.curve", &["knots"])),
    ),
    plan(
        RELIEF,
        "relief.range",
        "Range",
        [0.5, 20.0, 0.1],
        1.0 / 64.0,
        None,
    ),
    plan(RELIEF, "relief.level", "Level", [0.0; 3], 0.0, None),
    plan(DETAIL, "relief.method", "Method", [0.0; 3], 0.0, None),
    plan(
        DETAIL,
        "relief.detail",
        "Detail",
        [0.0, 1.0, 0.05],
        0.0,
        Some(("relief.method", &["multiscale"])),
    ),
    plan(
        DETAIL,
        "relief.steepest",
        "Steepest slope",
        [20.0, 89.0, 1.0],
        0.0,
        None,
    ),
    plan(GLOBE, "globe.solid", "Solid", [0.0; 3], 0.0, None),
    plan(
        GLOBE,
        "globe.diameter",
        "Diameter",
        [60.0, 500.0, 1.0],
        1.0 / 16.0,
        None,
    ),
    plan(
        TURN,
        "globe.turn.face",
        "Facet",
        [1.0, 120.0, 1.0],
        0.0,
        None,
    ),
    plan(
        TURN,
        "globe.turn.lat",
        "Latitude",
        [-90.0, 90.0, 1.0],
        0.0,
        None,
    ),
    plan(
        TURN,
        "globe.turn.lon",
        "Longitude",
        [-180.0, 360.0, 1.0],
        0.0,
        None,
    ),
    plan(
        TURN,
        "globe.turn.spin",
        "Spin",
        [-180.0, 180.0, 1.0],
        0.0,
        None,
    ),
    plan(
        WOOD,
        "stock.thickness",
        "Stock",
        [15.0, 120.0, 0.5],
        1.0 / 16.0,
        None,
    ),
];

/// A setting as the page gets it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Control {
    /// Full name of the setting.
    pub key: &'static str,
    /// What the page calls it.
    pub label: &'static str,
    /// Heading it stands under.
    pub group: &'static str,
    /// What it does.
    pub doc: &'static str,
    /// `choice`, `length`, `number`, `whole` or `text`.
    pub form: &'static str,
    /// The words of a choice.
    pub choices: Vec<&'static str>,
    /// Unit of the number.
    pub unit: String,
    /// Least and most that the number may be.
    pub ends: [f64; 2],
    /// Travel and step of the slider.
    pub travel: [f64; 3],
    /// A word in place of a number, with what it means; an empty word leaves the setting out.
    pub word: Option<[String; 2]>,
    /// The value as text; none if it is left out.
    pub value: Option<String>,
    /// The number in it, in the unit; what the slider shows while a word holds.
    pub number: Option<f64>,
    /// Facets of every solid, with the choice of solids.
    pub facets: Vec<usize>,
    /// The setting and its values with which this one is shown.
    pub shown_with: Option<(&'static str, &'static [&'static str])>,
}

impl ControlForm {
    /// The control with its value as given in the job; `None` never for a setting that exists.
    pub fn control(
        &self,
        given: Option<String>,
        settings: &Settings,
        ground_m: [f64; 3],
    ) -> Option<Control> {
        let Described {
            doc,
            unit,
            form,
            word,
            default,
        } = described(self.key)?;
        let written = given.is_some();
        let value = given.or(default.clone().ok());
        let mut control = Control {
            key: self.key,
            label: self.label,
            group: self.group,
            doc,
            form: "text",
            choices: Vec::new(),
            unit: unit.to_owned(),
            ends: [0.0; 2],
            travel: self.travel,
            word: match (word, default) {
                (Some(word), _) => Some([word.to_owned(), word.to_owned()]),
                (None, Err(means)) if form != Form::Text => Some([String::new(), means.to_owned()]),
                _ => None,
            },
            number: value
                .as_ref()
                .and_then(|text| text.replace('_', "").parse().ok()),
            value,
            facets: Vec::new(),
            shown_with: self.shown_with,
        };
        match form {
            Form::Choice(choices) => {
                control.form = "choice";
                if self.key == "globe.solid" {
                    let count = |name: &&str| Solid::named(name).map_or(0, |s| s.faces.len());
                    control.facets = choices.iter().map(count).collect();
                }
                control.choices = choices;
            }
            Form::Length(low, high) => self.length(&mut control, [low, high], written, settings),
            Form::Number(low, high) => {
                control.form = "number";
                control.ends = [low, high];
            }
            Form::Whole(low, high) => {
                control.form = "whole";
                control.ends = [low as f64, high as f64];
            }
            Form::Text => {}
        }
        if self.key == "relief.level" {
            let [low, high, mean] = ground_m.map(f64::round);
            control.ends = ground_m[..2].try_into().unwrap_or_default();
            control.travel = [low, high, nice_step((high - low) / 400.0)];
            control.number = control.number.or(Some(mean));
        }
        if self.key == "relief.steepest" {
            control.number = control.number.or(Some(60.0));
        }
        if self.key == "relief.detail" {
            control.number = control.number.or(Some(0.8));
        }
        if self.key == "relief.blend" {
            control.number = control.number.or(Some(0.5));
        }
        Some(control)
    }

    /// A length is shown in the unit in which it is written in the job, any other in the shop's.
    fn length(&self, control: &mut Control, ends_mm: [f64; 2], written: bool, settings: &Settings) {
        let text = control.value.clone().unwrap_or_default();
        let mm = parse_mm(&text).ok();
        let (unit, factor) = match (mm, unit_of(&text)) {
            (Some(_), Some(unit)) if written => unit,
            _ if settings.units == Units::Inch => ("in", MM_PER_INCH),
            (Some(_), Some(unit)) => unit,
            _ => ("mm", 1.0),
        };
        let [low, high, step] = self.travel;
        control.form = "length";
        control.unit = unit.to_owned();
        control.ends = ends_mm.map(|mm| mm / factor);
        control.travel = match unit {
            "in" => {
                let whole = |mm: f64| (mm / factor / self.inch_step).round() * self.inch_step;
                [whole(low), whole(high), self.inch_step]
            }
            _ => [low / factor, high / factor, step / factor],
        };
        let shown_mm = mm.unwrap_or(0.03 * settings.globe.diameter_mm);
        let shown = shown_mm / factor;
        // As many digits as a length has here; those of a round number of mm are none in inches.
        let digits = match unit {
            "in" if mm.is_none() || !written => 1e3,
            _ => 1e9,
        };
        control.number = Some((shown * digits).round() / digits);
    }
}

/// The unit a length is written in, with its millimetres.
fn unit_of(text: &str) -> Option<(&'static str, f64)> {
    let text = text.trim().to_lowercase();
    let ends = |list: &[&str]| list.iter().any(|end| text.ends_with(end));
    Some(if ends(&["in", "inch", "inches", "\"", "″", "”"]) {
        ("in", MM_PER_INCH)
    } else if ends(&["mm"]) {
        ("mm", 1.0)
    } else if ends(&["cm"]) {
        ("cm", 10.0)
    } else if ends(&["m"]) {
        ("m", 1000.0)
    } else {
        return None;
    })
}

/// 1, 2 or 5 times a power of ten, at least the given step.
fn nice_step(least: f64) -> f64 {
    let power = 10f64.powf(least.max(1e-6).log10().floor());
    let nice = [1.0, 2.0, 5.0, 10.0].map(|times| times * power);
    nice.into_iter()
        .find(|step| *step >= least)
        .unwrap_or(power)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn control(key: &str, given: Option<&str>) -> Control {
        let plan = CONTROLS.iter().find(|plan| plan.key == key).unwrap();
        let ground_m = [-8000.0, 21_000.0, -500.4];
        plan.control(given.map(str::to_owned), &Settings::default(), ground_m)
            .unwrap()
    }

    #[test]
    fn every_control_is_a_setting_and_is_shown_with_one() {
        for plan in CONTROLS {
            let control = control(plan.key, None);
            assert!(!control.doc.is_empty());
            if let Some((other, values)) = plan.shown_with {
                let Form::Choice(choices) = described(other).unwrap().form else {
                    panic!("{other} is no choice");
                };
                assert!(
                    values.iter().all(|value| choices.contains(value)),
                    "{other}"
                );
            }
        }
    }

    #[test]
    fn a_length_is_shown_in_the_unit_it_is_written_in() {
        let inches = control("globe.diameter", Some("6-1/2 in"));
        assert_eq!((inches.unit.as_str(), inches.number), ("in", Some(6.5)));
        assert_eq!(inches.travel, [2.375, 19.6875, 0.0625]);
        let centimetres = control("globe.diameter", Some("20 cm"));
        assert_eq!(centimetres.travel, [6.0, 50.0, 0.1]);
        assert_eq!(centimetres.number, Some(20.0));
        let default = control("globe.diameter", None);
        assert_eq!(default.value.as_deref(), Some("200 mm"));
        assert_eq!((default.unit.as_str(), default.number), ("mm", Some(200.0)));
        // What the job leaves open is shown in the shop's unit.
        let settings = Settings {
            units: Units::Inch,
            ..Settings::default()
        };
        for (key, given, unit, number) in [
            ("globe.diameter", None, "in", 7.874),
            ("globe.diameter", Some("20 cm"), "cm", 20.0),
            ("relief.range", Some("auto"), "in", 0.236),
        ] {
            let form = CONTROLS.iter().find(|form| form.key == key).unwrap();
            let given = given.map(str::to_owned);
            let control = form.control(given, &settings, [0.0, 1.0, 0.5]).unwrap();
            assert_eq!(
                (control.unit.as_str(), control.number),
                (unit, Some(number))
            );
        }
    }

    #[test]
    fn words_and_left_out_values_have_a_number_to_start_from() {
        let range = control("relief.range", Some("auto"));
        assert_eq!(range.word, Some(["auto".into(), "auto".into()]));
        assert_eq!(range.number, Some(6.0));
        let level = control("relief.level", None);
        assert_eq!(
            (level.value.as_deref(), level.number),
            (Some("mean"), Some(-500.0))
        );
        assert_eq!(level.travel, [-8000.0, 21_000.0, 100.0]);
        let blend = control("relief.blend", None);
        assert_eq!((blend.value, blend.number), (None, Some(0.5)));
        assert_eq!(blend.word, Some([String::new(), "follows boost".into()]));
    }

    #[test]
    fn the_choice_of_solids_says_how_many_facets_each_has() {
        let solid = control("globe.solid", None);
        let at = solid
            .choices
            .iter()
            .position(|name| *name == "dodecahedron");
        assert_eq!(solid.facets[at.unwrap()], 12);
        assert_eq!(solid.choices.len(), solid.facets.len());
    }
}
