//! Keys nobody knows: what was probably meant.

use super::lists::LISTS;
use super::nearest::{gone, nearest};
use super::table::SETTINGS;
use crate::model::error::Problem;
use crate::model::length::one_line;

/// Whether a section of that name is in the table.
pub(super) fn is_section(name: &str) -> bool {
    SETTINGS.iter().any(|s| {
        s.key.len() > name.len() && s.key.starts_with(name) && {
            s.key.as_bytes()[name.len()] == b'.'
        }
    })
}

/// The error for a key that is not in the table.
pub(super) fn unknown_setting(key: &str) -> Problem {
    let (section, leaf) = key.rsplit_once('.').unwrap_or(("", key));
    let next = match suggestion(section, leaf) {
        _ if gone(key).is_some() => gone(key).unwrap_or_default().to_owned(),
        Some(meant) => format!("did you mean \"{meant}\"?"),
        None => "remove it, or check its spelling in the settings table".to_owned(),
    };
    let problem = Problem::new("there is no setting of this name").setting(one_line(key));
    let allowed = match section {
        _ if section.is_empty() || is_section(section) => allowed_in(section),
        _ => format!("the sections {}", section_names()),
    };
    problem.allowed(allowed).next(next)
}

/// The error for a whole section that is not in the table.
pub(super) fn unknown_section(name: &str) -> Problem {
    let sections = SETTINGS.iter().map(|s| s.section());
    let lists = LISTS.iter().map(|list| list.section());
    let next = match nearest(name, sections.chain(lists).filter(|s| !s.is_empty())) {
        Some(meant) if is_section(meant) => format!("did you mean [{meant}]?"),
        Some(meant) => format!("did you mean [[{meant}]]?"),
        None => "remove it, or check its spelling in the settings table".to_owned(),
    };
    Problem::new("there is no section of this name")
        .setting(one_line(name))
        .allowed(section_names())
        .next(next)
}

/// The key with that very last part, or one close to it, in this section before any other.
fn suggestion(section: &str, leaf: &str) -> Option<&'static str> {
    let here = || SETTINGS.iter().filter(|s| s.section() == section);
    let closest = nearest(leaf, here().map(|s| s.leaf()))
        .and_then(|meant| here().find(|s| s.leaf() == meant));
    SETTINGS
        .iter()
        .find(|s| s.leaf() == leaf)
        .or(closest)
        .or_else(|| {
            let meant = nearest(leaf, SETTINGS.iter().map(|s| s.leaf()))?;
            SETTINGS.iter().find(|s| s.leaf() == meant)
        })
        .map(|s| s.key)
}

fn allowed_in(section: &str) -> String {
    let keys: Vec<&str> = SETTINGS
        .iter()
        .filter(|s| s.section() == section)
        .map(|s| s.leaf())
        .collect();
    if section.is_empty() {
        format!("{}, and the sections {}", keys.join(", "), section_names())
    } else {
        keys.join(", ")
    }
}

fn section_names() -> String {
    let mut names: Vec<String> = Vec::new();
    for section in SETTINGS.iter().map(|s| s.section()) {
        let name = format!("[{section}]");
        if !section.is_empty() && !names.contains(&name) {
            names.push(name);
        }
    }
    names.extend(LISTS.iter().map(|list| format!("[[{}]]", list.section())));
    names.join(", ")
}
