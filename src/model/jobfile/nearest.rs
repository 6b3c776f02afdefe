//! What a misspelt name was meant to be, and what to write for one that is no more.

use strsim::damerau_levenshtein;

/// The likeliest of the candidates, or none when nothing is close.
///
/// "Close" is at most one slip in three letters, and one slip at least.
pub(super) fn nearest<'a>(
    typed: &str,
    candidates: impl Iterator<Item = &'a str>,
) -> Option<&'a str> {
    candidates
        .map(|candidate| (damerau_levenshtein(typed, candidate), candidate))
        .filter(|(slips, candidate)| *slips <= (candidate.chars().count() / 3).max(1))
        .filter(|(slips, candidate)| *slips < candidate.chars().count())
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, candidate)| candidate)
}

/// What to write in the place of settings and words that are no more.
const GONE: [(&[&str], &str); 2] = [
    (
        &[
            "relief.method = layered",
            "relief.method = adaptive",
            "relief.method = gradient",
        ],
        "write method = \"multiscale\", which has taken its place; detail, 0 to 1 or \"auto\", says how boldly",
    ),
    (
        &[
            "relief.span",
            "relief.shift",
            "relief.order",
            "relief.strength",
        ],
        "leave it out: method = \"multiscale\" needs none but detail, 0 to 1 or \"auto\"",
    ),
];

/// What to write instead of something that is no more.
pub(super) fn gone(what: &str) -> Option<&'static str> {
    let (_, instead) = GONE.iter().find(|(gone, _)| gone.contains(&what))?;
    Some(instead)
}
