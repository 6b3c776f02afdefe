//! Small texts of the command line: lists of facets and amounts of memory.

use crate::model::error::Problem;
use crate::model::length::quoted;
use std::collections::BTreeSet;

/// No solid with a name has more faces than this (disdyakis triacontahedron).
const MOST_FACETS: usize = 120;

/// Reads facet numbers such as `3,7-9`, into ascending order; a number may be named twice.
///
/// # Errors
/// Anything but numbers from 1 to 120 and rising ranges of them.
pub fn parse_facets(text: &str) -> Result<BTreeSet<usize>, Problem> {
    let wrong = |what: &str, found: &str| {
        Problem::new(what)
            .found(quoted(found))
            .allowed(format!("facet numbers from 1 to {MOST_FACETS}"))
            .next("write a list such as 3,7-9")
    };
    let number = |part: &str| {
        let digits = !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
        match part.parse::<usize>() {
            Ok(number) if digits && (1..=MOST_FACETS).contains(&number) => Ok(number),
            _ => Err(wrong("this is not a facet number", part)),
        }
    };
    let mut facets = BTreeSet::new();
    for part in text.split(',').map(str::trim) {
        match part.split_once('-') {
            None => {
                facets.insert(number(part)?);
            }
            Some((first, last)) => {
                let (first, last) = (number(first.trim())?, number(last.trim())?);
                if first > last {
                    return Err(wrong("this range runs backwards", part));
                }
                facets.extend(first..=last);
            }
        }
    }
    Ok(facets)
}

/// Writes ascending facet numbers the way [`parse_facets`] reads them: `3,7-9`.
pub fn facets_text(ascending: &[usize]) -> String {
    let runs = ascending.chunk_by(|a, b| a + 1 == *b);
    let texts: Vec<String> = runs
        .filter_map(|run| match (run.first()?, run.last()?) {
            (first, last) if first == last => Some(first.to_string()),
            (first, last) => Some(format!("{first}-{last}")),
        })
        .collect();
    texts.join(",")
}

/// Reads an amount of memory such as `800M`, `2G`, `1.5 GiB`, in bytes.
///
/// K, M, G and T count in 1024s, with or without `B` or `iB`, as memory is sold.
///
/// # Errors
/// No number, no unit, or less than 64 MiB, in which nothing can be made.
pub fn parse_bytes(text: &str) -> Result<u64, Problem> {
    const LEAST: f64 = 64.0 * 1024.0 * 1024.0;
    const MOST: f64 = 1024.0 * 1024.0 * 1024.0 * 1024.0 * 1024.0;
    let wrong = |what: &str| {
        Problem::new(what)
            .found(quoted(text))
            .allowed("64M to 1024T")
            .next("write a size such as 800M or 2G")
    };
    let trimmed = text.trim();
    let split = trimmed
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(trimmed.len());
    let number: f64 = trimmed[..split]
        .parse()
        .map_err(|_| wrong("this is not an amount of memory"))?;
    let unit = trimmed[split..].trim().to_ascii_uppercase();
    let unit = unit.strip_suffix('B').unwrap_or(&unit);
    let power = match unit.strip_suffix('I').unwrap_or(unit) {
        "K" => 1,
        "M" => 2,
        "G" => 3,
        "T" => 4,
        "" => return Err(wrong("the amount of memory has no unit")),
        _ => return Err(wrong("this is not an amount of memory")),
    };
    let bytes = number * 1024_f64.powi(power);
    if !(LEAST..=MOST).contains(&bytes) {
        return Err(wrong("this amount of memory cannot be used"));
    }
    Ok(bytes as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::hostile;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn lists_of_facets_read_back(facets in prop::collection::btree_set(1..=MOST_FACETS, 1..40)) {
            let text = facets_text(&facets.iter().copied().collect::<Vec<_>>());
            prop_assert_eq!(parse_facets(&text), Ok(facets));
        }
    }

    #[test]
    fn runs_of_facets_are_written_short() {
        assert_eq!(facets_text(&[1, 2, 3, 5, 8, 9]), "1-3,5,8-9");
        assert_eq!(facets_text(&[]), "");
    }

    #[test]
    fn facets_are_listed_by_number_and_range() {
        assert_eq!(parse_facets("3,7-9").unwrap(), [3, 7, 8, 9].into());
        assert_eq!(parse_facets(" 9 , 1 - 2,2").unwrap(), [1, 2, 9].into());
    }

    #[test]
    fn a_wrong_list_says_which_part() {
        let rest = "allowed: facet numbers from 1 to 120; write a list such as 3,7-9";
        for (text, what) in [
            ("0", "this is not a facet number; found \"0\""),
            ("", "this is not a facet number; found \"\""),
            ("3,,4", "this is not a facet number; found \"\""),
            ("121", "this is not a facet number; found \"121\""),
            ("+3", "this is not a facet number; found \"+3\""),
            ("2,-3", "this is not a facet number; found \"\""),
            ("2,x", "this is not a facet number; found \"x\""),
            ("9-7", "this range runs backwards; found \"9-7\""),
            ("1-2-3", "this is not a facet number; found \"2-3\""),
        ] {
            let error = parse_facets(text).unwrap_err().to_string();
            assert_eq!(error, format!("{what}; {rest}"));
        }
    }

    #[test]
    fn memory_is_counted_in_1024s() {
        // Source: IEC 80000-13, binary prefixes: 1 GiB = 1073741824 bytes.
        assert_eq!(parse_bytes("2G"), Ok(2 * 1_073_741_824));
        assert_eq!(parse_bytes("1.5 GiB"), Ok(1_610_612_736));
        assert_eq!(parse_bytes("800 mb"), Ok(800 * 1_048_576));
        let rest = "allowed: 64M to 1024T; write a size such as 800M or 2G";
        for (text, what) in [
            ("2", "the amount of memory has no unit"),
            ("G", "this is not an amount of memory"),
            ("2 miles", "this is not an amount of memory"),
            ("1M", "this amount of memory cannot be used"),
            ("99999999T", "this amount of memory cannot be used"),
        ] {
            let error = parse_bytes(text).unwrap_err().to_string();
            assert_eq!(error, format!("{what}; found \"{text}\"; {rest}"));
        }
    }

    #[test]
    fn fuzz_facet_lists_and_amounts_of_memory() {
        let known = [
            "3,7-9",
            " 9 , 1 - 2,2",
            "1-120",
            "1,3-5",
            "800M",
            "1.5 GiB",
            "1024T",
        ];
        let words = "1-|,|-| |120|121|G|iB|64M";
        let texts = prop_oneof![
            hostile::text(&known, words),
            "[1-9][0-9]?( ?[,-] ?1?[1-9][0-9]?){0,6}",
            "[0-9.]{1,6} ?[kKmMgGtT]i?[bB]?",
        ];
        hostile::each(texts, |text| {
            match parse_facets(&text) {
                Ok(facets) => {
                    let ascending: Vec<usize> = facets.iter().copied().collect();
                    prop_assert!(!ascending.is_empty());
                    prop_assert!(ascending.iter().all(|n| (1..=MOST_FACETS).contains(n)));
                    prop_assert_eq!(parse_facets(&facets_text(&ascending)), Ok(facets));
                }
                Err(problem) => hostile::one_line(problem)?,
            }
            match parse_bytes(&text) {
                Ok(bytes) => prop_assert!((1 << 26..=1 << 50).contains(&bytes), "{}", bytes),
                Err(problem) => hostile::one_line(problem)?,
            }
            Ok(())
        });
    }
}
