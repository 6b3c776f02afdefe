//! One TOML value into one setting, whatever its kind.

use super::nearest::{gone, nearest};
use super::table::{Range, Setting, ValueKind, Word, words};
use crate::model::error::Problem;
use crate::model::length::{
    Units, bare_number, no_body_unit, no_unit, not_a_body_length, not_a_length, one_line,
    parse_body_m, parse_mm, quoted,
};
use std::path::{Path, PathBuf};
use toml_edit::Value;

/// Longest title or body name; more would not fit a report's heading.
const LONGEST_TEXT: usize = 100;

/// Most pairs a hand-given curve may have: far more than anyone draws by hand.
const MOST_PAIRS: usize = 1000;

/// Reads the value and puts it in its place. `raw` is the text after `--set key=`, for a value
/// that does not come from a file; `folder` is where relative file names start.
pub(super) fn read<T>(
    setting: &Setting<T>,
    value: &Value,
    raw: Option<&str>,
    folder: &Path,
    target: &mut T,
) -> Result<(), Problem> {
    // `--set name=2020` and `--set grid.files=12` mean text, though TOML would read a number.
    let text = value.as_str().or(raw);
    let allowed = || setting.kind.allowed();
    let replaced = |list: &[Word<T>], target: &mut T| {
        let known = list.iter().find(|word| value.as_str() == Some(word.word));
        known.map(|word| (word.set)(target)).is_some()
    };
    match &setting.kind {
        ValueKind::Files { set, .. } => set(target, files(value, raw, folder)?),
        ValueKind::Text { set, .. } => set(target, title(text, value, &allowed())?),
        ValueKind::Name { names, set, .. } => {
            let names = names();
            let name = text.ok_or_else(|| not_a_word(value, &allowed()))?;
            if !names.contains(&name) {
                return Err(unknown_word(name, names.into_iter()));
            }
            set(target, name.to_owned());
        }
        ValueKind::Word { words: list, .. } => {
            let word = text.ok_or_else(|| not_a_word(value, &allowed()))?;
            let known = list.iter().find(|known| known.word == word);
            let unknown = || {
                let problem = unknown_word(word, list.iter().map(|known| known.word));
                match gone(&format!("{} = {word}", setting.key)) {
                    Some(instead) => problem.next(instead),
                    None => problem,
                }
            };
            (known.ok_or_else(unknown)?.set)(target);
        }
        ValueKind::Length { word, .. } if replaced(word.as_slice(), target) => {}
        ValueKind::Length {
            range, word, set, ..
        } => {
            // The general message does not know that a word would do too.
            let mm = length_mm(value, |text| text, range).map_err(|problem| match word {
                Some(_) => problem.allowed(allowed()),
                None => problem,
            })?;
            let allowed = || as_typed(value, range, allowed());
            set(target, within(mm, range, value, allowed)?);
        }
        ValueKind::LengthOrWords { words: list, .. } if replaced(list, target) => {}
        ValueKind::LengthOrWords { range, set, .. } => {
            let mm = length_mm(value, |text| text, range);
            let mm = mm.map_err(|problem| problem.allowed(allowed()))?;
            let allowed = || as_typed(value, range, allowed());
            set(target, within(mm, range, value, allowed)?);
        }
        ValueKind::Speed { range, set, .. } => {
            let mm = length_mm(value, without_minute, range).map_err(|problem| {
                problem
                    .allowed(allowed())
                    .next("write it as \"2500 mm/min\" or \"100 in/min\"")
            })?;
            set(target, within(mm, range, value, allowed)?);
        }
        ValueKind::BodyLength { range, set, .. } => {
            let metres = match value {
                Value::String(text) => parse_body_m(text.value())?,
                Value::Integer(_) | Value::Float(_) => return Err(no_body_unit(&shown(value))),
                _ => return Err(not_a_body_length(&shown(value))),
            };
            set(target, within(metres, range, value, allowed)?);
        }
        ValueKind::Number { word, .. } if replaced(word.as_slice(), target) => {}
        ValueKind::Number {
            range, word, set, ..
        } => {
            let number = number(value).ok_or_else(|| {
                Problem::new(match word {
                    Some(_) => "this is neither a number nor the word allowed here",
                    None => "this must be a number",
                })
                .found(shown(value))
                .allowed(allowed())
                .next(format!(
                    "write a number without quotes or unit ({})",
                    setting.unit
                ))
            })?;
            set(target, within(number, range, value, allowed)?);
        }
        ValueKind::Whole { low, high, set, .. } => {
            let whole = value.as_integer().ok_or_else(|| {
                Problem::new("this must be a whole number")
                    .found(shown(value))
                    .allowed(allowed())
                    .next("write it without quotes, point or unit")
            })?;
            match usize::try_from(whole) {
                Ok(number) if (*low..=*high).contains(&whole) => set(target, number),
                _ => return Err(out_of_range(whole as f64, *low as f64, value, &allowed())),
            }
        }
        ValueKind::Pairs { set, .. } => {
            set(target, pairs(value).map_err(|p| p.allowed(allowed()))?);
        }
    }
    Ok(())
}

/// A short text on one line.
fn title(text: Option<&str>, value: &Value, allowed: &str) -> Result<String, Problem> {
    let text = text.ok_or_else(|| {
        Problem::new("this must be text")
            .found(shown(value))
            .allowed(allowed)
            .next("put it in quotes")
    })?;
    let length = text.chars().count();
    if text.trim().is_empty() || length > LONGEST_TEXT || text.chars().any(char::is_control) {
        return Err(Problem::new("this text cannot be used")
            .found(quoted(text))
            .allowed(allowed)
            .next("write something short on one line"));
    }
    Ok(text.to_owned())
}

/// The number, if its range holds it.
fn within(
    number: f64,
    range: &Range,
    value: &Value,
    allowed: impl Fn() -> String,
) -> Result<f64, Problem> {
    match range.holds(number) {
        true => Ok(number),
        false => Err(out_of_range(number, range.low, value, &allowed())),
    }
}

/// A length in mm from the text of a value, or of a part of it.
fn length_mm(value: &Value, part: fn(&str) -> &str, range: &Range) -> Result<f64, Problem> {
    let bare = |number: Option<f64>, text: &str| {
        no_unit(&shown(value), text, number, |mm| range.holds(mm)).allowed(range.text)
    };
    match value {
        Value::String(text) => {
            let text = part(text.value());
            parse_mm(text).map_err(|problem| match bare_number(text) {
                Some(number) => bare(Some(number), text.trim()),
                None => problem,
            })
        }
        Value::Integer(_) | Value::Float(_) => Err(bare(number(value), &shown(value))),
        _ => Err(not_a_length(&shown(value))),
    }
}

/// What is allowed, in the units of the length that was typed.
fn as_typed(value: &Value, range: &Range, allowed: String) -> String {
    match value.as_str().and_then(Units::of_typed) {
        Some(Units::Inch) => allowed.replace(range.text, &range.in_inches()),
        _ => allowed,
    }
}

/// `2500 mm/min` without the minute: every speed here is per minute.
fn without_minute(text: &str) -> &str {
    let text = text.trim_end();
    let per_minute = ["/min", "/minute", " per minute"];
    let length = per_minute.iter().find_map(|end| text.strip_suffix(end));
    length.unwrap_or(text).trim_end()
}

/// A TOML value as the message shows it, on one line.
pub(super) fn shown(value: &Value) -> String {
    match value {
        Value::String(text) => quoted(text.value()),
        Value::Array(array) => format!("a list of {}", array.len()),
        Value::InlineTable(_) => "a table".to_owned(),
        Value::Boolean(flag) => flag.value().to_string(),
        other => written(other),
    }
}

/// A TOML value as written, without the comments and line breaks around it.
fn written(value: &Value) -> String {
    let mut bare = value.clone();
    bare.decor_mut().clear();
    one_line(&bare.to_string())
}

/// Only finite numbers: TOML itself also has `inf` and `nan`.
fn number(value: &Value) -> Option<f64> {
    let number = match value {
        Value::Integer(number) => *number.value() as f64,
        Value::Float(number) => *number.value(),
        _ => return None,
    };
    number.is_finite().then_some(number)
}

fn out_of_range(number: f64, low: f64, value: &Value, allowed: &str) -> Problem {
    let what = if number.is_nan() || number <= low {
        "this is too small"
    } else if number == 0.0 {
        "this cannot be 0"
    } else {
        "this is too large"
    };
    Problem::new(what)
        .found(shown(value))
        .allowed(allowed)
        .next("choose a value within that range")
}

fn not_a_word(value: &Value, allowed: &str) -> Problem {
    Problem::new("this must be a word in quotes")
        .found(shown(value))
        .allowed(allowed)
        .next("write one of these")
}

fn unknown_word(found: &str, list: impl Iterator<Item = &'static str> + Clone) -> Problem {
    let lower = found.trim().to_lowercase().replace([' ', '_'], "-");
    let next = match nearest(&lower, list.clone()) {
        Some(word) => format!("did you mean \"{word}\"?"),
        None => "write one of these".to_owned(),
    };
    Problem::new("this word is not known here")
        .found(quoted(found))
        .allowed(words(list))
        .next(next)
}

fn files(value: &Value, raw: Option<&str>, folder: &Path) -> Result<Vec<PathBuf>, Problem> {
    let wrong = |found: String| {
        Problem::new("this is not a list of files")
            .found(found)
            .allowed("file names in quotes, in square brackets")
            .next("write [\"world.tif\"]")
    };
    let names: Vec<&str> = match (value, raw) {
        (Value::String(name), _) => vec![name.value()],
        (Value::Array(list), _) => list
            .iter()
            .map(|name| name.as_str().ok_or_else(|| wrong(shown(name))))
            .collect::<Result<_, _>>()?,
        (_, Some(raw)) => vec![raw],
        (other, None) => return Err(wrong(shown(other))),
    };
    if names.is_empty() {
        return Err(wrong("an empty list".to_owned()));
    }
    if let Some(bad) = names
        .iter()
        .find(|name| name.trim().is_empty() || name.contains('\0'))
    {
        return Err(wrong(quoted(bad)));
    }
    Ok(names.iter().map(|name| folder.join(name)).collect())
}

fn pairs(value: &Value) -> Result<Vec<[f64; 2]>, Problem> {
    let example = "write [[-8000, -2.0], [0, 0.0], [21000, 4.0]]";
    let wrong = |found: String| {
        Problem::new("this is not a list of pairs")
            .found(found)
            .next(example)
    };
    let list = value.as_array().ok_or_else(|| wrong(shown(value)))?;
    if !(2..=MOST_PAIRS).contains(&list.len()) {
        return Err(Problem::new("this many pairs cannot make a curve")
            .found(list.len())
            .next(example));
    }
    let mut pairs: Vec<[f64; 2]> = Vec::with_capacity(list.len());
    for (index, entry) in list.iter().enumerate() {
        let pair = entry
            .as_array()
            .filter(|pair| pair.len() == 2)
            .and_then(|pair| Some([number(pair.get(0)?)?, number(pair.get(1)?)?]));
        let Some(pair) = pair else {
            return Err(Problem::new(format!(
                "pair {} is not two numbers, metres and mm",
                index + 1
            ))
            .found(written(entry))
            .next(example));
        };
        if pair[0].abs() > 1e9 || pair[1].abs() > 1000.0 {
            return Err(Problem::new(format!(
                "pair {} goes beyond 1e9 metres or 1000 mm",
                index + 1
            ))
            .found(written(entry))
            .next(example));
        }
        if let Some(before) = pairs.last() {
            let found = || format!("{before:?} before {pair:?}");
            if pair[0] <= before[0] {
                return Err(
                    Problem::new(format!("pair {}: the metres do not rise", index + 1))
                        .found(found())
                        .next("sort the pairs by metres, each height once"),
                );
            }
            if pair[1] < before[1] {
                return Err(Problem::new(format!("pair {}: the mm fall", index + 1))
                    .found(found())
                    .next("higher ground may not be carved lower"));
            }
        }
        pairs.push(pair);
    }
    if pairs.first().map(|p| p[1]) == pairs.last().map(|p| p[1]) {
        return Err(Problem::new("every pair has the same mm")
            .found(format!("{} mm", pairs[0][1]))
            .next("give the highest ground more mm than the lowest"));
    }
    Ok(pairs)
}
