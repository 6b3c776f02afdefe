//! What a file's numbers stand for: scale, offset, unit, elevation or radius, missing cells.

use super::cell::IntegerType;
use super::stats::Statistics;
use crate::model::bodies::{SAME_RADIUS_SHARE, body_by_radius};
use crate::model::error::{Error, Problem, Result};
use crate::model::grid::Quantity;
use crate::model::settings::GridSettings;

/// What a band says about its numbers.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct BandInfo {
    /// Factor, 1 when the file names none.
    pub scale: f64,
    /// Added after scaling, 0 when the file names none, in the file's unit.
    pub offset: f64,
    /// Unit as the file names it, empty for none.
    pub unit: String,
    /// Declared "no data" number.
    pub nodata: Option<f64>,
    /// Type of its numbers if they are whole and of 8 or 16 bits.
    pub integers: Option<IntegerType>,
    /// A handful of stored numbers from all over the grid.
    pub sample: Vec<f64>,
}

/// How stored numbers become heights: `height = stored × scale + offset`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Meaning {
    pub quantity: Quantity,
    /// Unit the file was taken to be in.
    pub unit: String,
    /// To metres.
    pub scale: f64,
    /// Metres added after scaling to get heights.
    pub shift_m: f64,
    /// Metres added after scaling as the file or the settings have it (for the record).
    pub offset_m: f64,
    pub radius_m: Option<f64>,
    pub missing: Missing,
    pub notes: Vec<String>,
}

/// Which stored numbers mean "no data".
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Missing {
    /// Exact numbers.
    pub values: Vec<f64>,
}

/// No height or radius of a body with a solid surface is larger, in stored units or metres;
/// larger numbers (−1e34, 9.97e36, ±3.4e38 are common) are fill values.
pub(super) const LARGEST: f64 = 1e9;

impl Missing {
    /// Whether a stored number stands for "no data".
    pub fn holds(&self, stored: f64) -> bool {
        stored.is_nan() || stored.abs() > LARGEST || self.values.contains(&stored)
    }
}

/// Settles the meaning. `radius_m` is the reference radius known so far (settings, CRS, label).
pub(super) fn settle(
    settings: &GridSettings,
    band: &BandInfo,
    radius_m: Option<f64>,
) -> Result<Meaning> {
    let mut notes = Vec::new();
    let (unit, unit_m) = unit(settings, band, &mut notes);
    let scale = settings.scale.unwrap_or(band.scale * unit_m);
    if !(scale.is_finite() && scale != 0.0) {
        return Err(Error::Grid(
            Problem::new("the scale from stored numbers to metres is not usable")
                .found(scale)
                .allowed("any number but 0"),
        ));
    }
    let missing = missing(settings, band);
    let file_offset_m = band.offset * unit_m;
    if !file_offset_m.is_finite() {
        return Err(Error::Grid(
            Problem::new("the offset added to stored numbers is not usable")
                .found(file_offset_m)
                .allowed("any finite number")
                .next("set offset under [grid], or correct the file's"),
        ));
    }
    let sample: Vec<f64> = band
        .sample
        .iter()
        .filter(|v| !missing.holds(**v))
        .map(|v| v * scale)
        .collect();
    let mut meaning = Meaning {
        quantity: Quantity::Elevation,
        unit,
        scale,
        shift_m: 0.0,
        offset_m: settings.offset_m.unwrap_or(file_offset_m),
        radius_m,
        missing,
        notes,
    };
    if let Some(offset_m) = settings.offset_m {
        let quantity = settings
            .quantity
            .unwrap_or_else(|| guess(&sample, offset_m, radius_m).0);
        return with_offset(meaning, quantity, offset_m);
    }
    if is_reference_radius(file_offset_m, radius_m) {
        // Scaled numbers are heights, and the offset is the sphere they are measured from;
        // a radius asked for comes to the same heights.
        let radius = radius_m.unwrap_or(file_offset_m);
        let about_zero = !looks_like_radius(&sample, Some(file_offset_m));
        if about_zero {
            meaning.notes.push(format!(
                "the file's offset of {file_offset_m} m is the reference radius; heights are the \
                 scaled numbers without it"
            ));
            meaning.radius_m = Some(radius);
            meaning.offset_m = 0.0;
            if settings.quantity == Some(Quantity::Radius) {
                meaning.quantity = Quantity::Radius;
                meaning.shift_m = file_offset_m - radius;
                meaning.offset_m = file_offset_m;
            }
            return Ok(meaning);
        }
    }
    let quantity = match settings.quantity {
        Some(quantity) => quantity,
        None => {
            let (quantity, why) = guess(&sample, file_offset_m, radius_m);
            meaning.notes.extend(why);
            quantity
        }
    };
    with_offset(meaning, quantity, file_offset_m)
}

/// Heights are elevations with the offset, or radii with the offset less the reference radius.
fn with_offset(mut meaning: Meaning, quantity: Quantity, offset_m: f64) -> Result<Meaning> {
    meaning.quantity = quantity;
    meaning.offset_m = offset_m;
    meaning.shift_m = match quantity {
        Quantity::Elevation | Quantity::Relief => offset_m,
        Quantity::Radius => {
            let Some(radius) = meaning.radius_m else {
                return Err(Error::Grid(
                    Problem::new(
                        "the grid holds distances from the centre, but nothing says which \
                         radius heights count from",
                    )
                    .setting("grid.radius")
                    .next("add radius = \"… km\" or body = \"…\" under [grid]"),
                ));
            };
            offset_m - radius
        }
    };
    Ok(meaning)
}

fn unit(settings: &GridSettings, band: &BandInfo, notes: &mut Vec<String>) -> (String, f64) {
    let name = band.unit.trim();
    let factor = match name.to_lowercase().as_str() {
        "" => Some(1.0),
        "m" | "meter" | "meters" | "metre" | "metres" | "mt" => Some(1.0),
        "km" | "kilometer" | "kilometers" | "kilometre" | "kilometres" => Some(1000.0),
        "dm" | "decimeter" | "decimeters" | "decimetre" => Some(0.1),
        "cm" | "centimeter" | "centimeters" | "centimetre" => Some(0.01),
        "mm" | "millimeter" | "millimeters" | "millimetre" => Some(0.001),
        "ft" | "foot" | "feet" => Some(0.3048),
        "us-ft" | "us survey foot" | "foot_us" | "us_survey_foot" => Some(1200.0 / 3937.0),
        _ => None,
    };
    if factor.is_none() && settings.scale.is_none() {
        notes.push(format!(
            "the unit \"{name}\" is not known and was taken for metres; set scale under [grid] if \
             it is not"
        ));
    }
    let shown = if name.is_empty() { "m" } else { name };
    (shown.to_owned(), factor.unwrap_or(1.0))
}

/// Declared fill numbers, and the one that every 16-bit product keeps for the purpose. A setting
/// replaces both.
fn missing(settings: &GridSettings, band: &BandInfo) -> Missing {
    let mut values = Vec::new();
    match (settings.nodata, band.nodata) {
        (Some(nodata), _) => values.push(nodata),
        (None, Some(nodata)) if nodata.is_finite() => values.push(nodata),
        _ => {}
    }
    if band.integers == Some(IntegerType::I16) && values.is_empty() {
        values.push(-32768.0);
    }
    Missing { values }
}

/// Numbers that programs and agencies write for "no data".
const FILL_CODES: &[f64] = &[
    -32768.0, -32767.0, -32766.0, -9999.0, -99999.0, -999.0, -9990.0, 9999.0, 99999.0, 32767.0,
    65535.0, 255.0, -1e6,
];

/// A number that stands apart from all others.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SuspectedFill {
    /// The stored number, when it is certain enough to be left out.
    pub fill: Option<f64>,
    pub note: String,
}

/// A known code is taken for a fill value when it lies this share of the other heights' range
/// away from all of them: real ground has neighbours.
const CODE_GAP: f64 = 0.05;

/// Any other number is pointed out, not left out, when it lies further away than the whole range
/// of the others.
const ODD_GAP: f64 = 1.0;

/// Zero is a fill code of unsigned products, but also the commonest of heights.
const ZERO_GAP: f64 = 0.5;

/// Looks at both ends of the distribution for a fill value the file does not declare.
pub(super) fn undeclared(
    statistics: &Statistics,
    band: &BandInfo,
    meaning: &Meaning,
) -> Option<SuspectedFill> {
    let ends = [
        (
            statistics.min.height_m,
            statistics.lowest,
            statistics.max.height_m,
        ),
        (
            statistics.max.height_m,
            statistics.highest,
            statistics.min.height_m,
        ),
    ];
    ends.into_iter().find_map(|(end, lone, other)| {
        let rest = (f64::from(other) - lone.next_m).abs();
        let gap = (f64::from(end) - lone.next_m).abs();
        if lone.share == 0.0 || rest == 0.0 || gap < CODE_GAP * rest {
            return None;
        }
        let number = (f64::from(end) - meaning.shift_m) / meaning.scale;
        let close = |code: f64| (number - code).abs() <= 1e-3 * code.abs().max(1.0);
        let code = FILL_CODES.iter().copied().find(|code| close(*code));
        let zero = (close(0.0) && gap > ZERO_GAP * rest).then_some(0.0);
        let percent = 100.0 * lone.share;
        let nearest = lone.next_m;
        // A declared fill value leaves no reason to look for another.
        match code.or(zero).filter(|_| band.nodata.is_none()) {
            Some(fill) => Some(SuspectedFill {
                fill: Some(fill),
                note: format!(
                    "the stored number {} covers {percent:.3} % of the surface and lies {gap:.0} m \
                     from all other heights: taken for \"no data\"; if it is real, set nodata \
                     under [grid] to some other number",
                    spelled(fill)
                ),
            }),
            None if gap > ODD_GAP * rest => Some(SuspectedFill {
                fill: None,
                note: format!(
                    "the height {end} m covers {percent:.3} % of the surface, and the next is \
                     {nearest:.0} m: if it stands for \"no data\", add nodata = {} under [grid]",
                    spelled(number)
                ),
            }),
            None => None,
        }
    })
}

/// A stored number as a person would write it.
pub(super) fn spelled(number: f64) -> String {
    if number.is_nan() {
        "NaN".to_owned()
    } else if number.abs() < 1e7 {
        format!("{number}")
    } else {
        format!("{number:.3e}")
    }
}

/// Whether an offset is the radius heights are measured from rather than a shift of heights.
fn is_reference_radius(offset_m: f64, radius_m: Option<f64>) -> bool {
    // Below this no body is round enough for the distinction to matter.
    if offset_m < 10_000.0 {
        return false;
    }
    match radius_m {
        // Wide: products of one body are referred to spheres up to 4 % apart (Ceres).
        Some(radius) => (offset_m / radius - 1.0).abs() < 0.05,
        None => body_by_radius(offset_m).is_some(),
    }
}

/// Elevation or radius, with the reason when it is not the ordinary case.
fn guess(sample: &[f64], offset_m: f64, radius_m: Option<f64>) -> (Quantity, Option<String>) {
    let values: Vec<f64> = sample.iter().map(|v| v + offset_m).collect();
    if !looks_like_radius(&values, radius_m) {
        return (Quantity::Elevation, None);
    }
    let (lo, hi) = ends(&values);
    let reason = match radius_m {
        Some(radius) => format!(
            "numbers around {lo:.0} to {hi:.0} m lie near the reference radius of {radius} m: \
             taken for distances from the centre, heights are those less the radius"
        ),
        None => {
            format!("numbers around {lo:.0} to {hi:.0} m are taken for distances from the centre")
        }
    };
    (Quantity::Radius, Some(reason))
}

/// Radii are positive, far from zero and near the reference radius if there is one. The margin
/// allows for an elongated asteroid, six times as long as thick.
fn looks_like_radius(values: &[f64], radius_m: Option<f64>) -> bool {
    if values.is_empty() {
        return false;
    }
    let (lo, hi) = ends(values);
    match radius_m {
        Some(radius) => lo > 0.12 * radius && hi < 3.0 * radius,
        // Without a radius only what no terrain can be: everything above 50 km, nearly level.
        None => lo > 50_000.0 && hi < 1.5 * lo,
    }
}

fn ends(values: &[f64]) -> (f64, f64) {
    values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), &v| {
            (lo.min(v), hi.max(v))
        })
}

/// Notes on two radii that name the same body differently, or an error when they do not agree.
pub(super) fn agree(
    asked_m: f64,
    asked_by: &str,
    found_m: f64,
    found_in: &str,
) -> Result<Option<String>> {
    let difference = (asked_m / found_m - 1.0).abs();
    if difference < 1e-9 {
        return Ok(None);
    }
    let one_body = crate::model::bodies::bodies()
        .iter()
        .any(|b| b.has_radius(asked_m) && b.has_radius(found_m));
    if one_body || difference <= SAME_RADIUS_SHARE {
        return Ok(Some(format!(
            "{asked_by} has a radius of {asked_m} m, {found_in} {found_m} m: two reference \
             surfaces of one body; the first is used"
        )));
    }
    let named = |r: f64| body_by_radius(r).map_or(String::new(), |b| format!(" ({})", b.name));
    Err(Error::Grid(
        Problem::new(format!(
            "{asked_by} and {found_in} speak of different bodies"
        ))
        .found(format!(
            "{asked_m} m{} and {found_m} m{}",
            named(asked_m),
            named(found_m)
        ))
        .allowed(format!(
            "two radii within {} % of each other, or of one body",
            SAME_RADIUS_SHARE * 100.0
        ))
        .next("correct the setting, or write the right coordinate system into the file"),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(sample: &[f64]) -> BandInfo {
        BandInfo {
            scale: 1.0,
            sample: sample.to_vec(),
            ..BandInfo::default()
        }
    }

    fn settled(stored: &BandInfo, radius_m: Option<f64>) -> Meaning {
        settle(&GridSettings::default(), stored, radius_m).unwrap()
    }

    #[test]
    fn plain_metres_stay_metres() {
        let m = settled(&plain(&[-8000.0, 0.0, 21000.0]), Some(3_396_190.0));
        assert_eq!(
            (m.quantity, m.scale, m.shift_m),
            (Quantity::Elevation, 1.0, 0.0)
        );
        assert!(m.notes.is_empty());
    }

    #[test]
    fn an_offset_that_is_the_reference_radius_is_left_out() {
        // Source: LOLA LDEM labels: SCALING_FACTOR 0.5, OFFSET 1737400, height = DN × 0.5.
        let stored = BandInfo {
            scale: 0.5,
            offset: 1_737_400.0,
            sample: vec![-17757.0, 21008.0, 0.0],
            ..BandInfo::default()
        };
        for radius in [Some(1_737_400.0), None] {
            let m = settled(&stored, radius);
            assert_eq!(
                (m.quantity, m.scale, m.shift_m),
                (Quantity::Elevation, 0.5, 0.0)
            );
            assert_eq!(m.radius_m, Some(1_737_400.0));
            assert_eq!(
                m.notes,
                [
                    "the file's offset of 1737400 m is the reference radius; heights are the scaled \
                  numbers without it"
                ]
            );
        }
    }

    #[test]
    fn an_offset_that_shifts_heights_is_kept() {
        // Source: MOLA polar products: height = DN × 0.25 − 8000.
        let stored = BandInfo {
            scale: 0.25,
            offset: -8000.0,
            sample: vec![0.0, 65000.0],
            ..BandInfo::default()
        };
        let m = settled(&stored, Some(3_396_000.0));
        assert_eq!((m.scale, m.shift_m, m.offset_m), (0.25, -8000.0, -8000.0));
    }

    #[test]
    fn radii_are_recognised_near_the_reference_radius() {
        let m = settled(&plain(&[3_380_000.0, 3_417_000.0]), Some(3_396_190.0));
        assert_eq!((m.quantity, m.shift_m), (Quantity::Radius, -3_396_190.0));
        assert_eq!(m.notes.len(), 1);
        // Eros, 17 by 5.5 km (IAU): a range of 6:1 is still a radius.
        let m = settled(&plain(&[3_100.0, 17_600.0]), Some(17_000.0));
        assert_eq!(m.quantity, Quantity::Radius);
        // Kilometres.
        let mut km = plain(&[1731.2, 1743.9]);
        km.unit = "km".to_owned();
        let m = settled(&km, Some(1_737_400.0));
        assert_eq!((m.scale, m.shift_m), (1000.0, -1_737_400.0));
    }

    #[test]
    fn settings_override_the_file() {
        let settings = GridSettings {
            scale: Some(2.0),
            offset_m: Some(-100.0),
            quantity: Some(Quantity::Elevation),
            nodata: Some(7.0),
            ..GridSettings::default()
        };
        let stored = BandInfo {
            scale: 0.5,
            offset: 1_737_400.0,
            nodata: Some(-1.0),
            ..BandInfo::default()
        };
        let m = settle(&settings, &stored, None).unwrap();
        assert_eq!((m.scale, m.shift_m), (2.0, -100.0));
        assert!(m.missing.holds(7.0) && !m.missing.holds(-1.0));
    }

    #[test]
    fn radii_without_a_reference_are_refused() {
        let error = settle(
            &GridSettings::default(),
            &plain(&[700_000.0, 710_000.0]),
            None,
        );
        assert_eq!(
            error.unwrap_err().to_string(),
            "grid: grid.radius: the grid holds distances from the centre, but nothing says which \
             radius heights count from; add radius = \"… km\" or body = \"…\" under [grid]"
        );
    }

    #[test]
    fn common_fill_numbers_are_missing() {
        let missing = Missing::default();
        for fill in [
            -1e34,
            9.969_209_968_386_869e36,
            f64::from(f32::MIN),
            f64::NAN,
            f64::INFINITY,
        ] {
            assert!(missing.holds(fill), "{fill}");
        }
        assert!(!missing.holds(6_371_000.0));
        let shorts = BandInfo {
            integers: Some(IntegerType::I16),
            ..plain(&[-32768.0, 12.0])
        };
        let m = settled(&shorts, None);
        assert!(m.missing.holds(-32768.0));
    }

    #[test]
    fn contradictions_are_errors_and_sister_radii_are_notes() {
        assert_eq!(agree(1.0e6, "a", 1.0e6, "b").unwrap(), None);
        assert_eq!(
            agree(3_389_500.0, "grid.radius", 3_396_190.0, "the file")
                .unwrap()
                .unwrap(),
            "grid.radius has a radius of 3389500 m, the file 3396190 m: two reference surfaces \
             of one body; the first is used"
        );
        assert!(agree(470_000.0, "a", 487_300.0, "b").unwrap().is_some());
        assert_eq!(
            agree(3_396_190.0, "grid.body", 1_737_400.0, "the file")
                .unwrap_err()
                .to_string(),
            "grid: grid.body and the file speak of different bodies; found 3396190 m (Mars) and \
             1737400 m (Moon); allowed: two radii within 0.5 % of each other, or of one body; \
             correct the setting, or write the right coordinate system into the file"
        );
    }
}
