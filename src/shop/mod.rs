//! The shop plan: what the maker needs at the bench, by geometry and arithmetic alone.
//!
//! Plain data in, plain data out; `show::sheets` draws and writes it. Lengths in mm, facet frame
//! and jig as in `docs/conventions.md`: z = 0 at the back of the blank, which is the jig's top.

#[cfg(test)]
mod assembly_checks;
#[cfg(test)]
mod bench_checks;
pub mod blanks;
pub mod boards;
pub mod budget;
pub mod cautions;
pub mod glue;
pub mod jig;
pub mod joints;
pub mod lumber;
pub mod mount;
pub mod movement;
pub mod moves;
pub mod net;
pub mod plan;
pub mod planning;
pub mod polygon;
pub mod saw;
pub mod sled;
pub mod stack_up;
pub mod work;
pub mod zero;

/// Letter of a kind of blank: no solid has more than a few.
pub fn kind_letter(kind: usize) -> char {
    ('A'..='Z').nth(kind).unwrap_or('?')
}

/// Number of a facet as written on its blank, from its index.
pub fn facet_label(face: usize) -> String {
    format!("{:02}", face + 1)
}

/// Number of a seam as in the manifest, from its index.
pub fn seam_label(seam: usize) -> String {
    format!("S{:02}", seam + 1)
}
