//! The report's section on the order in which facets are carved.

use super::kind_name;
use crate::output::manifest::{FacetEntry, Manifest};
use std::fmt::Write;

/// The section's text: the facet with the least to carve first, the one with the most last.
pub fn text(manifest: &Manifest) -> String {
    let mut facets: Vec<&FacetEntry> = manifest.facets.iter().collect();
    let depth = |facet: &FacetEntry| facet.max_mm - facet.min_mm;
    facets.sort_by(|a, b| depth(a).total_cmp(&depth(b)).then(a.id.cmp(&b.id)));
    let (Some(first), Some(last)) = (facets.first(), facets.last()) else {
        return String::new();
    };
    let minutes = |facet: &FacetEntry| {
        let cut = manifest.cutting.as_ref()?.facets.iter();
        cut.clone()
            .find(|cut| cut.id == facet.id)
            .map(|cut| cut.minutes)
    };
    let mut out = format!(
        "## Order of carving\n\nCarve facet {} into scrap first, then into its blank: it has the \
         least between its highest and lowest cut, so a wrong zero, level or feed costs least there. \
         Facet {} has the most and comes last, with hold-down and feeds proved.",
        first.label, last.label
    );
    if manifest.cutting.is_none() {
        out.push_str(" Name your bits, or use --cutters, and the minutes stand here too.");
    }
    out.push_str(
        "\n\n| | facet | blank | lowest to highest cut | minutes |\n|---|---|---|---|---|\n",
    );
    for (i, facet) in facets.iter().enumerate() {
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} | {} |",
            i + 1,
            facet.label,
            kind_name(facet.kind),
            manifest.lengths().text(depth(facet)),
            minutes(facet).map_or("-".to_owned(), |minutes| format!("{minutes:.1}"))
        );
    }
    out
}
