//! The report a person reads: `overview.png` and `report.md`.

pub mod overview;

/// The report for people, in plain words.
pub fn text(manifest: &crate::manifest::Manifest) -> String {
    format!("{}\n", manifest.globe.solid)
}
