//! Lengths as the shop writes them: `200 mm`, `20 cm`, `8 in`, `3/4 in`, `1-1/2 in`.
//!
//! Inside the program a length in the wood is millimetres and a length on a body metres; this is
//! the only place where units are read or chosen. The inch is 25.4 mm exactly (international
//! yard and pound agreement, 1959).

use crate::model::error::{Problem, escaped};
use serde::{Deserialize, Serialize};

/// Millimetres in an inch, exactly.
pub const MM_PER_INCH: f64 = 25.4;

/// Lengths are kept to this many parts of a millimetre, so that `0.3 in` is 7.62 mm and not
/// 7.619999999999999 mm. A thousand times finer than any machine, far coarser than rounding noise.
const PARTS_PER_MM: f64 = 1e9;

/// Above this many millimetres the parts no longer fit a double, and are left alone.
const LARGEST_SNAPPED_MM: f64 = 1e6;

/// How far below a half a length may lie and still be rounded up, mm: rounding noise, no more.
const HALF_SLACK_MM: f64 = 1e-9;

/// What a length in the wood may look like.
const ALLOWED: &str = "a number with mm, cm, m or in, such as \"200 mm\", \"8 in\" or \"1-1/2 in\"";

/// What a length on a body may look like.
const ALLOWED_BODY: &str = "a number with km or m, such as \"1737.4 km\" or \"3396190 m\"";

/// Units of a length in the wood, in millimetres.
const UNITS_MM: &[(&str, f64)] = &[
    ("mm", 1.0),
    ("cm", 10.0),
    ("m", 1000.0),
    ("in", MM_PER_INCH),
    ("inch", MM_PER_INCH),
    ("inches", MM_PER_INCH),
    ("\"", MM_PER_INCH),
    ("″", MM_PER_INCH),
    ("”", MM_PER_INCH),
];

/// Units of a length on a body, in metres.
const UNITS_BODY_M: &[(&str, f64)] = &[("km", 1000.0), ("m", 1.0)];

/// One-character fractions that some keyboards and word processors produce.
const FRACTION_SIGNS: &[(char, &str)] = &[
    ('½', "1/2"),
    ('¼', "1/4"),
    ('¾', "3/4"),
    ('⅛', "1/8"),
    ('⅜', "3/8"),
    ('⅝', "5/8"),
    ('⅞', "7/8"),
];

/// Reads a length in the wood, in millimetres. The sign is kept; the caller checks the range.
///
/// # Errors
/// No number, no unit, an unknown unit, a fraction over zero, a number too large to hold.
pub fn parse_mm(text: &str) -> Result<f64, Problem> {
    let mm = parse(text, UNITS_MM, ALLOWED, "mm\" or \"{} in")?;
    Ok(snap(mm))
}

/// Reads a length on a body, such as its radius, in metres.
///
/// # Errors
/// As [`parse_mm`].
pub fn parse_body_m(text: &str) -> Result<f64, Problem> {
    parse(text, UNITS_BODY_M, ALLOWED_BODY, "km\" or \"{} m")
}

/// The error for a length written as a bare number; `text` is the number as it was written. Only
/// units in which it would do are offered.
pub(crate) fn no_unit(
    found: &str,
    text: &str,
    number: Option<f64>,
    would_do: impl Fn(f64) -> bool,
) -> Problem {
    let Some(number) = number else {
        return not_a_length(found);
    };
    let units = [("mm", 1.0), ("in", MM_PER_INCH)];
    let ways: Vec<String> = (units.iter())
        .filter(|(_, factor)| would_do(number * factor))
        .map(|(unit, _)| format!("\"{} {unit}\"", text.chars().take(20).collect::<String>()))
        .collect();
    let next = match ways.is_empty() {
        true => "write a length within that range, in quotes, with its unit".to_owned(),
        false => format!("write {}", ways.join(" or ")),
    };
    Problem::new("the length has no unit")
        .found(found)
        .next(next)
}

/// A length's number where its unit is missing.
pub(crate) fn bare_number(text: &str) -> Option<f64> {
    parse_number(text.trim()).ok()
}

/// The error for a body length written as a bare number.
pub fn no_body_unit(number: &str) -> Problem {
    missing_unit(number, number, ALLOWED_BODY, "km\" or \"{} m")
}

/// The error for something that is no length at all; `found` as it was written.
pub fn not_a_length(found: &str) -> Problem {
    Problem::new("this is not a length")
        .found(found)
        .allowed(ALLOWED)
        .next("write the length in quotes, with its unit")
}

/// The error for something that is no body length at all.
pub fn not_a_body_length(found: &str) -> Problem {
    Problem::new("this is not a length")
        .found(found)
        .allowed(ALLOWED_BODY)
        .next("write the length in quotes, with its unit")
}

/// Millimetres to two decimals, halves away from zero, without trailing zeros: `12.7 mm`.
pub fn mm_text(mm: f64) -> String {
    // 1/8 in is 3.175 mm and held as a little less: such a half goes up all the same.
    let rounded = (mm + mm.signum() * HALF_SLACK_MM).abs() * 100.0;
    let rounded = rounded.round().copysign(mm) / 100.0;
    let mut text = format!("{rounded:.2}");
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
    if text == "-0" {
        text.remove(0);
    }
    format!("{text} mm")
}

/// Millimetres with every digit, so that reading it back gives the same number: `1.5875 mm`.
pub fn exact_mm_text(mm: f64) -> String {
    format!("{mm} mm")
}

/// Metres on a body with every digit: `1737400 m`.
pub fn exact_m_text(metres: f64) -> String {
    format!("{metres} m")
}

/// Units that lengths are written in for people.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Units {
    /// Millimetres.
    #[default]
    Mm,
    /// Inches, in decimals, with a fraction where one is near enough.
    Inch,
}

impl Units {
    /// Those of a length, or a length per minute, as it was typed; `None` where it is none.
    pub fn of_typed(text: &str) -> Option<Units> {
        let length = text.split('/').rfind(|part| !part.contains("min"));
        let length = length?.trim();
        let unit = length.trim_start_matches(|c: char| !c.is_alphabetic() && !"\"″”".contains(c));
        let mut known = UNITS_MM.iter();
        let known =
            known.find(|(name, _)| unit.len() < length.len() && name.eq_ignore_ascii_case(unit));
        known.map(|(_, factor)| match *factor {
            MM_PER_INCH => Units::Inch,
            _ => Units::Mm,
        })
    }
}

/// Which neighbour a length is rounded to.
#[derive(Clone, Copy)]
enum Rounding {
    Nearest,
    Up,
    Down,
}

/// How lengths are written for people: everything that prints one asks this.
///
/// Inches are decimal, `1.337 in`, as a caliper shows them; a fraction for the tape measure is
/// added, `1.344 in (1-11/32)`, only where it is off by no more than the work may be. A length
/// that something must not exceed or fall below is rounded to the safe side in both.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lengths {
    units: Units,
    /// Farthest that a fraction may be from the length it stands for, mm.
    fraction_mm: f64,
}

/// Thousandths of an inch, as calipers show them.
const INCH_PLACES: usize = 3;

/// Hundredths of a mm.
const MM_PLACES: usize = 2;

/// A fraction of a short length is off by no more than this part of it: half a millimetre is not
/// 1/64 in.
const FRACTION_SHARE: f64 = 0.02;

/// Parts of an inch on a tape measure.
const INCH_PARTS: f64 = 64.0;

impl Lengths {
    /// Millimetres alone.
    pub const METRIC: Lengths = Lengths {
        units: Units::Mm,
        fraction_mm: 0.0,
    };

    /// In these units, with fractions of an inch that are off by no more than `fraction_mm`.
    pub fn new(units: Units, fraction_mm: f64) -> Lengths {
        Lengths { units, fraction_mm }
    }

    /// `mm` or `in`, for the heading of a column.
    pub fn unit(self) -> &'static str {
        match self.units {
            Units::Mm => "mm",
            Units::Inch => "in",
        }
    }

    /// The same in a sentence, where `in in` would not read well.
    pub fn unit_word(self) -> &'static str {
        match self.units {
            Units::Mm => "mm",
            Units::Inch => "inches",
        }
    }

    /// As near as it can be written: `33.95 mm`, `1.337 in`, `1.500 in (1-1/2)`.
    pub fn text(self, mm: f64) -> String {
        self.written(mm, Rounding::Nearest)
    }

    /// No less than the length, for the least that will do: a blade's height, a blank's size.
    pub fn at_least(self, mm: f64) -> String {
        self.written(mm, Rounding::Up)
    }

    /// No more than the length, for the most that is allowed: a pocket's depth.
    pub fn at_most(self, mm: f64) -> String {
        self.written(mm, Rounding::Down)
    }

    /// The bare number with its usual decimals, for a column whose heading has the unit.
    pub fn number(self, mm: f64) -> String {
        let (value, places) = self.value(mm);
        format!(
            "{:.places$}",
            unsigned_zero(rounded(value, places, Rounding::Nearest))
        )
    }

    /// The bare number of a length that must not fall short.
    pub fn number_at_least(self, mm: f64) -> String {
        let (value, places) = self.value(mm);
        let value = unsigned_zero(rounded(value, places, Rounding::Up));
        format!("{value:.places$}")
    }

    /// A small measured amount to one more decimal: `0.012 mm`, `0.0005 in`.
    pub fn fine(self, mm: f64) -> String {
        format!("{} {}", self.fine_number(mm), self.unit())
    }

    /// The same without its unit, for a column.
    pub fn fine_number(self, mm: f64) -> String {
        let (value, places) = self.value(mm);
        let places = places + 1;
        let value = unsigned_zero(rounded(value, places, Rounding::Nearest));
        format!("{value:.places$}")
    }

    /// With every digit that a program may be told, such as a pixel's size: `0.1 mm`,
    /// `0.003937 in`.
    pub fn precise(self, mm: f64) -> String {
        let (value, places) = self.value(mm);
        let text = format!("{value:.0$}", places + 3);
        let text = text.trim_end_matches('0').trim_end_matches('.');
        format!("{text} {}", self.unit())
    }

    /// The size of a bit or a rod: where lengths are in inches, one that is made to a half or whole
    /// millimetre by that name too: `6 mm (0.236 in)`.
    pub fn stocked(self, mm: f64) -> String {
        let halves = 2.0 * mm;
        match self.units {
            Units::Mm => self.precise(mm),
            Units::Inch if (halves - halves.round()).abs() < 1e-6 => {
                format!("{} ({} in)", exact_mm_text(mm), self.number(mm))
            }
            Units::Inch => self.text(mm),
        }
    }

    /// An area: `14 mm²`, `0.02 in²`.
    pub fn area(self, mm2: f64) -> String {
        match self.units {
            Units::Mm => format!("{mm2:.0} mm²"),
            Units::Inch => format!("{:.2} in²", mm2 / (MM_PER_INCH * MM_PER_INCH)),
        }
    }

    /// A height with its sign: `+1.25 mm`, `-0.049 in`.
    pub fn signed(self, mm: f64) -> String {
        let (value, places) = self.value(mm);
        let value = unsigned_zero(rounded(value, places, Rounding::Nearest));
        format!("{value:+.places$} {}", self.unit())
    }

    /// The number in its unit, and its usual decimals.
    pub fn value(self, mm: f64) -> (f64, usize) {
        match self.units {
            Units::Mm => (mm, MM_PLACES),
            Units::Inch => (mm / MM_PER_INCH, INCH_PLACES),
        }
    }

    fn written(self, mm: f64, rounding: Rounding) -> String {
        if self.units == Units::Mm {
            return mm_text(rounded(mm, MM_PLACES, rounding));
        }
        let inches = rounded(mm / MM_PER_INCH, INCH_PLACES, rounding);
        let decimals = format!("{:.INCH_PLACES$} in", unsigned_zero(inches));
        match self.fraction(mm, rounding) {
            Some(fraction) => format!("{decimals} ({fraction})"),
            None => decimals,
        }
    }

    /// The length in 64ths of an inch, reduced, where that is near enough and says more than a
    /// whole number does.
    fn fraction(self, mm: f64, rounding: Rounding) -> Option<String> {
        let parts = round_to(mm / MM_PER_INCH * INCH_PARTS, rounding);
        let off_mm = (parts / INCH_PARTS * MM_PER_INCH - mm).abs();
        let near = off_mm <= 1e-6 || off_mm <= self.fraction_mm.min(FRACTION_SHARE * mm);
        let shown = near && parts > 0.0 && parts < 1e9 && parts % INCH_PARTS != 0.0;
        shown.then(|| fraction_text(parts as u64))
    }
}

/// `1-11/32` of 86 64ths.
fn fraction_text(parts: u64) -> String {
    let bottom = INCH_PARTS as u64;
    let (whole, top) = (parts / bottom, parts % bottom);
    let shared = 1_u64 << top.trailing_zeros().min(bottom.trailing_zeros());
    let part = format!("{}/{}", top / shared, bottom / shared);
    match whole {
        0 => part,
        whole => format!("{whole}-{part}"),
    }
}

fn rounded(value: f64, places: usize, rounding: Rounding) -> f64 {
    let parts = 10_f64.powi(places as i32);
    round_to(value * parts, rounding) / parts
}

/// To a whole number; one that is whole but for the errors of sums stays it.
fn round_to(value: f64, rounding: Rounding) -> f64 {
    match rounding {
        Rounding::Nearest => (value + value.signum() * ROUND_SLACK).round(),
        Rounding::Up => (value - ROUND_SLACK).ceil(),
        Rounding::Down => (value + ROUND_SLACK).floor(),
    }
}

fn unsigned_zero(value: f64) -> f64 {
    value + 0.0
}

/// A value as written, in quotes, fit for a message.
pub(crate) fn quoted(text: &str) -> String {
    format!("\"{}\"", one_line(text))
}

/// A text as written, with control characters escaped and a very long one cut, so that a message
/// stays on one line.
pub(crate) fn one_line(text: &str) -> String {
    const LONGEST: usize = 60;
    let first: String = text.chars().take(LONGEST).collect();
    let mut shown = escaped(&first);
    if text.chars().nth(LONGEST).is_some() {
        shown.push('…');
    }
    shown
}

/// What is a whole number but for the errors of sums stays it, in hundredths or 64ths.
const ROUND_SLACK: f64 = 1e-6;

fn snap(mm: f64) -> f64 {
    if mm.abs() > LARGEST_SNAPPED_MM {
        return mm;
    }
    (mm * PARTS_PER_MM).round() / PARTS_PER_MM
}

/// Number, then unit. `units_hint` names the two usual units, `{}` standing for the number.
fn parse(
    text: &str,
    units: &[(&str, f64)],
    allowed: &str,
    units_hint: &str,
) -> Result<f64, Problem> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return Err(Problem::new("the length is empty")
            .found(quoted(text))
            .allowed(allowed)
            .next("write a number and its unit"));
    }
    let is_number = |c: char| c.is_ascii_digit() || "./+-, ".contains(c) || fraction(c).is_some();
    let split = trimmed
        .find(|c: char| !is_number(c))
        .unwrap_or(trimmed.len());
    let (number, unit) = (trimmed[..split].trim(), trimmed[split..].trim());
    if number.is_empty() {
        return Err(not_a_length(&quoted(text)).allowed(allowed));
    }
    let value = parse_number(number).map_err(|p| p.found(quoted(text)).allowed(allowed))?;
    if unit.is_empty() {
        return Err(missing_unit(&quoted(text), number, allowed, units_hint));
    }
    let known = units
        .iter()
        .find(|(name, _)| name.eq_ignore_ascii_case(unit));
    let Some((_, factor)) = known else {
        return Err(
            Problem::new(format!("{} is not a unit used here", quoted(unit)))
                .found(quoted(text))
                .allowed(allowed)
                .next(match inches_of_feet(value, unit) {
                    Some(inches) if units.iter().any(|(name, _)| *name == "in") => {
                        format!("write \"{inches} in\"")
                    }
                    _ => format!("write {}", suggestion(number, units_hint)),
                }),
        );
    };
    let length = value * factor;
    if !length.is_finite() {
        return Err(too_large().found(quoted(text)).allowed(allowed));
    }
    Ok(length)
}

/// Feet as inches, for boards are sold by the foot; `None` for other units.
fn inches_of_feet(value: f64, unit: &str) -> Option<f64> {
    let feet = ["ft", "foot", "feet", "'", "′", "’"];
    let known = feet.iter().any(|name| name.eq_ignore_ascii_case(unit));
    (known && value.is_finite()).then(|| (value * 12.0 * 1e6).round() / 1e6)
}

fn missing_unit(found: &str, number: &str, allowed: &str, units_hint: &str) -> Problem {
    Problem::new("the length has no unit")
        .found(found)
        .allowed(allowed)
        .next(format!("write {}", suggestion(number, units_hint)))
}

fn suggestion(number: &str, units_hint: &str) -> String {
    let number: String = number.chars().take(20).collect();
    format!("\"{number} {}\"", units_hint.replace("{}", &number))
}

fn too_large() -> Problem {
    Problem::new("the number is too large to work with").next("check the number and its unit")
}

fn fraction(sign: char) -> Option<&'static str> {
    FRACTION_SIGNS
        .iter()
        .find(|(c, _)| *c == sign)
        .map(|(_, text)| *text)
}

/// `12`, `0.5`, `3/4`, `1-1/2`, `1 1/2`, `1½`, each with an optional sign in front.
fn parse_number(text: &str) -> Result<f64, Problem> {
    if text.contains(',') {
        return Err(Problem::new("the number has a comma in it")
            .next("write decimals with a point and thousands without a mark"));
    }
    let (sign, text) = match text.strip_prefix('-') {
        Some(rest) => (-1.0, rest),
        None => (1.0, text.strip_prefix('+').unwrap_or(text)),
    };
    let spelled: String = text
        .chars()
        .map(|c| match fraction(c) {
            Some(spelled) => format!(" {spelled}"),
            None => c.to_string(),
        })
        .collect();
    let parts: Vec<&str> = spelled
        .split([' ', '-'])
        .filter(|part| !part.is_empty())
        .collect();
    let value = match parts[..] {
        [one] if one.contains('/') => parse_fraction(one)?,
        [one] => parse_decimal(one)?,
        [whole, part] if part.contains('/') && whole.bytes().all(|b| b.is_ascii_digit()) => {
            parse_decimal(whole)? + parse_fraction(part)?
        }
        _ => return Err(not_a_number()),
    };
    Ok(sign * value)
}

fn not_a_number() -> Problem {
    Problem::new("the number cannot be read")
        .next("write a decimal like 0.75, or a fraction like 3/4 or 1-1/2")
}

fn parse_fraction(text: &str) -> Result<f64, Problem> {
    let (top, bottom) = text.split_once('/').ok_or_else(not_a_number)?;
    if [top, bottom].iter().any(|part| part.contains('.')) {
        return Err(not_a_number());
    }
    let (top, bottom) = (parse_decimal(top)?, parse_decimal(bottom)?);
    if bottom == 0.0 {
        return Err(
            Problem::new("the fraction divides by zero").next("check the part after the slash")
        );
    }
    Ok(top / bottom)
}

/// Digits with at most one point: narrower than `f64::from_str`, which also takes `inf` and `1e9`.
fn parse_decimal(text: &str) -> Result<f64, Problem> {
    let plain = text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let value: f64 = text
        .parse()
        .ok()
        .filter(|_| plain)
        .ok_or_else(not_a_number)?;
    if value.is_finite() {
        Ok(value)
    } else {
        Err(too_large())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::hostile;
    use proptest::prelude::*;

    #[test]
    fn every_way_of_writing_a_length_is_read() {
        // Source: 1 in = 25.4 mm exactly (international yard and pound agreement, 1959).
        for (text, mm) in [
            ("200 mm", 200.0),
            ("200mm", 200.0),
            (" 20 cm ", 200.0),
            ("0.2 m", 200.0),
            ("8 in", 203.2),
            ("8in", 203.2),
            ("8\"", 203.2),
            ("8 inches", 203.2),
            ("1 inch", 25.4),
            ("8 IN", 203.2),
            ("3/4 in", 19.05),
            ("1-1/2 in", 38.1),
            ("1 1/2 in", 38.1),
            ("1 1/2\"", 38.1),
            ("1 - 1/2 in", 38.1),
            ("1½ in", 38.1),
            ("¾ in", 19.05),
            (".5 mm", 0.5),
            ("0.3 in", 7.62),
            ("1/16 in", 1.5875),
            ("-3 mm", -3.0),
            ("-1-1/2 in", -38.1),
            ("0 mm", 0.0),
        ] {
            assert_eq!(parse_mm(text), Ok(mm), "{text}");
        }
    }

    #[test]
    fn body_lengths_are_read_in_metres() {
        // Source: lunar and Martian reference radii, IAU WGCCRE 2015.
        assert_eq!(parse_body_m("1737.4 km"), Ok(1_737_400.0));
        assert_eq!(parse_body_m("3396190 m"), Ok(3_396_190.0));
    }

    #[test]
    fn a_length_that_cannot_be_read_says_what_to_write() {
        let allowed =
            "allowed: a number with mm, cm, m or in, such as \"200 mm\", \"8 in\" or \"1-1/2 in\"";
        for (text, what, next) in [
            (
                "200",
                "the length has no unit; found \"200\"",
                "write \"200 mm\" or \"200 in\"",
            ),
            (
                "1-1/2",
                "the length has no unit; found \"1-1/2\"",
                "write \"1-1/2 mm\" or \"1-1/2 in\"",
            ),
            (
                "8 furlong",
                "\"furlong\" is not a unit used here; found \"8 furlong\"",
                "write \"8 mm\" or \"8 in\"",
            ),
            (
                "1e3 mm",
                "\"e3 mm\" is not a unit used here; found \"1e3 mm\"",
                "write \"1 mm\" or \"1 in\"",
            ),
            (
                "",
                "the length is empty; found \"\"",
                "write a number and its unit",
            ),
            (
                "wide",
                "this is not a length; found \"wide\"",
                "write the length in quotes, with its unit",
            ),
            (
                "nan mm",
                "this is not a length; found \"nan mm\"",
                "write the length in quotes, with its unit",
            ),
            (
                "inf mm",
                "this is not a length; found \"inf mm\"",
                "write the length in quotes, with its unit",
            ),
            (
                "1/0 in",
                "the fraction divides by zero; found \"1/0 in\"",
                "check the part after the slash",
            ),
            (
                "0,5 mm",
                "the number has a comma in it; found \"0,5 mm\"",
                "write decimals with a point and thousands without a mark",
            ),
            (
                "1.2.3 mm",
                "the number cannot be read; found \"1.2.3 mm\"",
                "write a decimal like 0.75, or a fraction like 3/4 or 1-1/2",
            ),
            (
                "1 2 3 mm",
                "the number cannot be read; found \"1 2 3 mm\"",
                "write a decimal like 0.75, or a fraction like 3/4 or 1-1/2",
            ),
            (
                "/ in",
                "the number cannot be read; found \"/ in\"",
                "write a decimal like 0.75, or a fraction like 3/4 or 1-1/2",
            ),
        ] {
            let error = parse_mm(text).unwrap_err().to_string();
            assert_eq!(error, format!("{what}; {allowed}; {next}"));
        }
        let error = parse_mm(&format!("{} m", "9".repeat(400))).unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("the number is too large to work with; found \"999")
        );
        assert_eq!(
            parse_body_m("1737.4").unwrap_err().to_string(),
            "the length has no unit; found \"1737.4\"; allowed: a number with km or m, such as \
             \"1737.4 km\" or \"3396190 m\"; write \"1737.4 km\" or \"1737.4 m\""
        );
    }

    #[test]
    fn lengths_print_as_the_shop_reads_them() {
        for (mm, metric) in [
            (200.0, "200 mm"),
            (38.1, "38.1 mm"),
            (19.05, "19.05 mm"),
            (1.5875, "1.59 mm"),
            (3.175, "3.18 mm"),
            (0.0, "0 mm"),
            (-0.001, "0 mm"),
            (-12.7, "-12.7 mm"),
        ] {
            assert_eq!(mm_text(mm), metric);
        }
        assert_eq!(exact_mm_text(1.5875), "1.5875 mm");
    }

    #[test]
    fn inches_are_decimal_with_a_fraction_where_it_is_near_enough() {
        // By hand: 33.95/25.4 = 1.33661; the nearest 64th, 1-11/32 in, is 34.131 mm, 0.18 mm off.
        let say = Lengths::new(Units::Inch, 0.1);
        for (mm, text) in [
            (33.95, "1.337 in"),
            (34.1, "1.343 in (1-11/32)"),
            (38.1, "1.500 in (1-1/2)"),
            (50.8, "2.000 in"),
            (0.396875, "0.016 in (1/64)"),
            (0.5, "0.020 in"),
            (0.0, "0.000 in"),
            (-38.1, "-1.500 in"),
        ] {
            assert_eq!(say.text(mm), text);
        }
        assert_eq!(
            Lengths::new(Units::Inch, 0.2).text(33.95),
            "1.337 in (1-11/32)"
        );
        assert_eq!(Lengths::METRIC.text(33.95), "33.95 mm");
        assert_eq!(say.number(-0.001), "0.000");
        assert_eq!(say.number_at_least(25.41), "1.001");
        assert_eq!(
            (say.fine(0.012), say.signed(1.25)),
            ("0.0005 in".into(), "+0.049 in".into())
        );
        assert_eq!(say.precise(0.1), "0.003937 in");
        assert_eq!(Lengths::METRIC.precise(200.0), "200 mm");
        assert_eq!(Lengths::METRIC.fine(0.0123), "0.012 mm");
        assert_eq!(Lengths::METRIC.signed(-1.25), "-1.25 mm");
    }

    #[test]
    fn a_bound_and_what_breaks_it_are_told_apart() {
        // 8 mm and 7.8 mm have the same nearest 64th, 5/16 in = 7.9375 mm.
        let say = Lengths::new(Units::Inch, 0.1);
        let told = [say.at_least(8.0), say.at_most(7.8)];
        assert_eq!(told, ["0.315 in", "0.307 in"]);
        let told = [
            Lengths::METRIC.at_least(7.801),
            Lengths::METRIC.at_most(7.8),
        ];
        assert_eq!(told, ["7.81 mm", "7.8 mm"]);
    }

    /// The lengths of a text, mm: what stands first, and the fraction where there is one.
    fn lengths_in(text: &str) -> Vec<f64> {
        let (first, fraction) = match text.split_once(" (") {
            Some((first, fraction)) => (first, Some(fraction.trim_end_matches(')'))),
            None => (text, None),
        };
        let fraction = fraction.map(|inches| parse_mm(&format!("{inches} in")).unwrap());
        std::iter::once(parse_mm(first).unwrap())
            .chain(fraction)
            .collect()
    }

    proptest! {
        #[test]
        fn every_length_is_rounded_to_its_safe_side(
            mm in 0.0..2000.0f64,
            off_mm in 0.0..0.2f64,
            inch in proptest::bool::ANY,
        ) {
            let units = if inch { Units::Inch } else { Units::Mm };
            let say = Lengths::new(units, off_mm);
            // Half of the last place, and noise; a fraction may be off by what the work may be.
            let last_mm = if inch { 0.001 * MM_PER_INCH } else { 0.01 };
            for (text, low_mm, high_mm) in [
                (say.text(mm), 0.5 * last_mm, 0.5 * last_mm),
                (say.at_least(mm), 0.0, last_mm),
                (say.at_most(mm), last_mm, 0.0),
            ] {
                let read = lengths_in(&text);
                prop_assert!(read[0] >= mm - low_mm - 1e-6 && read[0] <= mm + high_mm + 1e-6);
                for fraction in &read[1..] {
                    prop_assert!((fraction - mm).abs() <= off_mm + 1e-6, "{text} of {mm}");
                    prop_assert!(low_mm > 0.0 || *fraction >= mm - 1e-6, "{text} of {mm}");
                    prop_assert!(high_mm > 0.0 || *fraction <= mm + 1e-6, "{text} of {mm}");
                }
            }
        }
    }

    #[test]
    fn a_typed_length_tells_its_units() {
        for (text, units) in [
            ("200 mm", Some(Units::Mm)),
            ("20cm", Some(Units::Mm)),
            ("8in", Some(Units::Inch)),
            ("1-1/2 in", Some(Units::Inch)),
            ("8\"", Some(Units::Inch)),
            ("1½ ″", Some(Units::Inch)),
            ("100 in/min", Some(Units::Inch)),
            ("2500 mm/min", Some(Units::Mm)),
            ("auto", None),
            ("mm", None),
            ("200", None),
            ("", None),
        ] {
            assert_eq!(Units::of_typed(text), units, "{text}");
        }
    }

    #[test]
    fn a_quoted_value_stays_on_one_line() {
        assert_eq!(quoted("a\nb"), "\"a\\nb\"");
        assert_eq!(quoted(&"x".repeat(80)).chars().count(), 63);
    }

    proptest! {
        #[test]
        fn an_exact_text_reads_back_the_same(mm in -1e5..1e5f64) {
            let mm = snap(mm);
            prop_assert_eq!(parse_mm(&exact_mm_text(mm)), Ok(mm));
        }

        #[test]
        fn a_short_text_reads_back_within_its_last_digit(mm in -1e5..1e5f64) {
            let read = parse_mm(&mm_text(mm)).unwrap();
            prop_assert!((read - mm).abs() <= 0.005 + 1e-9);
        }
    }

    #[test]
    fn fuzz_lengths() {
        let known = [
            "200 mm",
            "7 7/8 in",
            "1-1/2\"",
            "-1½ inches",
            "1737.4 km",
            ".5cm",
            "8 ft",
        ];
        let words = " mm| in| km| m|1/|½|″| |9999999999|e5";
        let texts = prop_oneof![
            hostile::text(&known, words),
            "[-+]?[ 0-9./½⅞-]{1,8}[1-9] ?(mm|cm|m|in|km|\"|IN|″)",
        ];
        hostile::each(texts, |text| {
            match parse_mm(&text) {
                Ok(mm) => {
                    prop_assert!(mm.is_finite());
                    prop_assert_eq!(parse_mm(&exact_mm_text(mm)), Ok(mm));
                }
                Err(problem) => hostile::one_line(problem)?,
            }
            match parse_body_m(&text) {
                Ok(metres) => {
                    prop_assert!(metres.is_finite());
                    prop_assert_eq!(parse_body_m(&exact_m_text(metres)), Ok(metres));
                }
                Err(problem) => hostile::one_line(problem)?,
            }
            Ok(())
        });
    }

    #[test]
    fn feet_are_answered_in_inches() {
        for (text, next) in [
            ("8 ft", "write \"96 in\""),
            ("8'", "write \"96 in\""),
            ("2 1/2 feet", "write \"30 in\""),
            ("8 yd", "write \"8 mm\" or \"8 in\""),
        ] {
            let problem = parse_mm(text).unwrap_err();
            assert!(problem.to_string().contains(next), "{problem}");
        }
    }
}
