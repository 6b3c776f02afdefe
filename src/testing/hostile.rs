//! Input as accidents and malice make it, for the tests whose names begin with `fuzz_`.
//!
//! Seeded: the same cases on every run, so that a failure is a defect and never luck.

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{Index, select};
use proptest::test_runner::{RngSeed, TestCaseResult, TestRunner};
use std::fmt::Display;

/// Cases of a test, unless the environment names another number.
const CASES: u32 = 2000;

/// Longest input, bytes: long enough to nest deeper than any bound, and cheap.
const LONGEST: usize = 1 << 15;

/// What upsets readers of text, whatever they read; here and in the tests, `|` parts the words.
const WORDS: &str = "\0|\r\n|\r|\n\n|\t|\u{7f}|\u{85}|\u{1b}[2J|\u{2028}|\u{202e}|\u{feff}|\u{e9}|\u{bd}|\
    \u{1d7d9}|\\|\"|'|(|)|[|]|{|}|<|>|=|,|;|:|#|-|/|/*|..|../|\\u0007|&#10;";

/// Numbers at and beyond the ends of what a type holds.
const NUMBERS: &str = "0|-0|-1|0.1|65536|2147483648|1e15|9223372036854775807|18446744073709551616|\
    99999999999999999999999999999999999999999|1e-320|-1e308|1e309|inf|NaN|0x7fffffff";

/// One thing that happens to an input, at a place.
#[derive(Debug, Clone)]
enum Change {
    /// Bits of a byte are turned over.
    Flip(u8),
    /// Some bytes are lost.
    Cut(usize),
    /// Some bytes come several times.
    Repeat(usize, usize),
    /// A word comes in, several times.
    Put(Vec<u8>, usize),
    /// The next number becomes another one.
    Number(&'static str),
    /// Here the input ends.
    End,
}

impl Change {
    fn make(&self, bytes: &mut Vec<u8>, at: usize) {
        let end = |length: usize| (at + length).min(bytes.len());
        let copies =
            |part: &[u8], times: usize| part.repeat(times.min(LONGEST / part.len().max(1)));
        match self {
            Change::Flip(mask) => bytes.iter_mut().skip(at).take(1).for_each(|b| *b ^= mask),
            Change::Cut(length) => drop(bytes.drain(at..end(*length))),
            Change::Repeat(length, times) => {
                let more = copies(&bytes[at..end(*length)], *times);
                bytes.splice(at..at, more);
            }
            Change::Put(word, times) => drop(bytes.splice(at..at, copies(word, *times))),
            Change::Number(text) => {
                let digit = |b: &u8| b.is_ascii_digit();
                let start = bytes[at..].iter().position(digit).map_or(at, |n| at + n);
                let count = bytes[start..].iter().take_while(|b| digit(b)).count();
                bytes.splice(start..start + count, text.bytes());
            }
            Change::End => bytes.truncate(at),
        }
        bytes.truncate(LONGEST);
    }
}

/// Bytes by chance, words in any order, and mostly an input of `corpus` after a few changes;
/// `words` are those of its own language.
pub fn bytes(corpus: Vec<Vec<u8>>, words: &str) -> impl Strategy<Value = Vec<u8>> + use<> {
    let words = [words, WORDS, NUMBERS]
        .into_iter()
        .flat_map(|all| all.split('|'));
    let words: Vec<Vec<u8>> = words.map(|word| word.as_bytes().to_vec()).collect();
    let numbers: Vec<&str> = NUMBERS.split('|').collect();
    let often = prop_oneof![6 => Just(1), 2 => 2..20usize, 1 => Just(LONGEST)].boxed();
    let change = prop_oneof![
        4 => (1..=255u8).prop_map(Change::Flip),
        3 => (1..80usize).prop_map(Change::Cut),
        2 => (1..80usize, often.clone()).prop_map(|(length, times)| Change::Repeat(length, times)),
        4 => (select(words.clone()), often).prop_map(|(word, times)| Change::Put(word, times)),
        5 => select(numbers).prop_map(Change::Number),
        1 => Just(Change::End),
    ];
    let changes = vec((any::<Index>(), change), 1..4);
    let changed = (select(corpus), changes).prop_map(|(mut bytes, changes)| {
        for (place, change) in changes {
            let at = place.index(bytes.len() + 1);
            change.make(&mut bytes, at);
        }
        bytes
    });
    prop_oneof![
        1 => vec(any::<u8>(), 0..200),
        1 => vec(select(words), 0..30).prop_map(|words| words.concat()),
        10 => changed,
    ]
}

/// The same as text; what is none becomes the sign for that.
pub fn text(corpus: &[&str], words: &str) -> impl Strategy<Value = String> + use<> {
    let corpus = corpus.iter().map(|text| text.as_bytes().to_vec()).collect();
    bytes(corpus, words).prop_map(|bytes| String::from_utf8_lossy(&bytes).into_owned())
}

/// Tries all cases. What they need in common is made once, around this.
pub fn each<S: Strategy>(cases: S, test: impl Fn(S::Value) -> TestCaseResult) {
    let given = ProptestConfig::default();
    let config = ProptestConfig {
        cases: std::env::var_os("PROPTEST_CASES").map_or(CASES, |_| given.cases),
        rng_seed: match given.rng_seed {
            RngSeed::Random => RngSeed::Fixed(1),
            named => named,
        },
        failure_persistence: None,
        ..given
    };
    if let Err(failure) = TestRunner::new(config).run(&cases, test) {
        panic!("{failure}");
    }
}

/// Whether a message is one line, without anything that a terminal would obey.
pub fn one_line(message: impl Display) -> TestCaseResult {
    let message = message.to_string();
    let plain = !message.is_empty() && !message.contains(char::is_control);
    prop_assert!(plain, "{:?}", message);
    Ok(())
}
