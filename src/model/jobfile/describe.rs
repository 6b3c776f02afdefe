//! A setting described for a form: what may be entered and in which unit.

use super::table::{Default, SETTINGS, ValueKind};

/// How a setting is entered.
#[derive(Debug, Clone, PartialEq)]
pub enum Form {
    /// One of these words.
    Choice(Vec<&'static str>),
    /// A length in the wood, between two ends in mm.
    Length(f64, f64),
    /// A number between two ends.
    Number(f64, f64),
    /// A whole number between two ends.
    Whole(i64, i64),
    /// A line of text.
    Text,
}

/// A setting as a person sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Described {
    /// What it is for, in shop words.
    pub doc: &'static str,
    /// Unit of the value.
    pub unit: &'static str,
    /// How it is entered.
    pub form: Form,
    /// A word that may stand in place of a length or number.
    pub word: Option<&'static str>,
    /// The default as text, or what happens without a value.
    pub default: std::result::Result<String, &'static str>,
}

/// Describes a setting by its full name; `None` for a name that is no setting.
pub fn described(key: &str) -> Option<Described> {
    let setting = SETTINGS.iter().find(|setting| setting.key == key)?;
    let mut other_word = None;
    let form = match &setting.kind {
        ValueKind::Name { names, .. } => Form::Choice(names()),
        ValueKind::Word { words, .. } => Form::Choice(words.iter().map(|w| w.word).collect()),
        ValueKind::Length { range, word, .. } => {
            other_word = word.as_ref().map(|w| w.word);
            Form::Length(range.low, range.high)
        }
        ValueKind::LengthOrWords {
            range, words: list, ..
        } => {
            other_word = list.first().map(|w| w.word);
            Form::Length(range.low, range.high)
        }
        ValueKind::Number { range, word, .. } => {
            other_word = word.as_ref().map(|w| w.word);
            Form::Number(range.low, range.high)
        }
        ValueKind::Whole { low, high, .. } => Form::Whole(*low, *high),
        ValueKind::Files { .. }
        | ValueKind::Text { .. }
        | ValueKind::Speed { .. }
        | ValueKind::BodyLength { .. }
        | ValueKind::Pairs { .. } => Form::Text,
    };
    Some(Described {
        doc: setting.doc,
        unit: setting.unit,
        form,
        word: other_word,
        default: match setting.default {
            Default::Value(text) => Ok(text.trim_matches('"').to_owned()),
            Default::Absent { means, .. } => Err(means),
            Default::Needed { .. } => Err("must be given"),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_knows_words_ends_and_defaults() {
        let range = described("relief.range").unwrap();
        assert_eq!(range.form, Form::Length(0.01, 1000.0));
        assert_eq!(
            (range.word, range.default),
            (Some("auto"), Ok("auto".into()))
        );
        let blend = described("relief.blend").unwrap();
        assert_eq!(blend.default, Err("follows boost"));
        let solid = described("globe.solid").unwrap();
        let Form::Choice(names) = solid.form else {
            panic!("not a choice");
        };
        assert_eq!(names.len(), 31);
        assert_eq!(described("globe.colour"), None);
    }
}
