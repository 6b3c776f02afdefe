//! The report's section on bits: what they leave, and how long they take.

use crate::carve::cutting::{BitEntry, CuttingEntry, FacetCutting, OperationEntry};
use crate::model::length::Lengths;
use std::fmt::Write;

/// The section's text.
pub fn text(cutting: &CuttingEntry, say: Lengths) -> String {
    let mut out = String::from("## Bits and time\n\n");
    for (what, bit) in [
        ("Finish", Some(&cutting.finishing)),
        ("Rough", cutting.roughing.as_ref()),
    ] {
        if let Some(bit) = bit {
            let _ = writeln!(out, "- {what} with a {}", bit_text(bit, say));
        }
    }
    out.push_str(&reach(cutting, say));
    out.push_str(&times(cutting));
    out.push_str(&roughing(cutting, say));
    out
}

fn bit_text(bit: &BitEntry, say: Lengths) -> String {
    format!(
        "{}: passes {} apart, {} deep at a time, flute {}.",
        bit.name,
        say.text(bit.stepover_mm),
        say.text(bit.stepdown_mm),
        say.text(bit.flute_mm)
    )
}

fn reach(cutting: &CuttingEntry, say: Lengths) -> String {
    let amount = say.fine(cutting.left_mm);
    let mut out = format!(
        "\nWood the finishing bit cannot reach, between the seams. The worst place is counted from \
         the middle of the blank. \"Largest ball\" leaves no more than {amount} anywhere, or on 99 \
         of 100 parts. \"To be felt\" is the share of the facet where the height varies by {} \
         or more within {}, as carved.\n\n\
         | facet | most left | worst place | typical (rms) | more than {amount} left | largest \
         ball | ridges, mean | to be felt |\n|---|---|---|---|---|---|---|---|\n",
        say.fine(0.1),
        say.text(5.0)
    );
    for facet in &cutting.facets {
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} | {}, {:.1} % | {}, or {} | {} | {:.0} % |",
            facet.label,
            say.text(facet.most_left_mm),
            place(facet.worst_mm, say),
            say.fine(facet.rms_left_mm),
            say.area(facet.over_mm2),
            100.0 * facet.over_share,
            ball(facet.largest_ball_mm, say),
            ball(facet.largest_ball_99_mm, say),
            facet.ridges_mm.map_or("steps".into(), |r| say.fine(r[1])),
            100.0 * facet.carved_legible_share,
        );
    }
    out
}

fn ball(diameter_mm: Option<f64>, say: Lengths) -> String {
    diameter_mm.map_or("none".into(), |mm| say.text(mm))
}

/// `12.3 mm left, 4 mm up`.
fn place([x, y]: [f64; 2], say: Lengths) -> String {
    let (beside, over) = (
        if x < 0.0 { "left" } else { "right" },
        if y < 0.0 { "down" } else { "up" },
    );
    let (x, y) = (say.text(x.abs()), say.text(y.abs()));
    format!("{x} {beside}, {y} {over}")
}

fn times(cutting: &CuttingEntry) -> String {
    let mut out = String::from(
        "\nMinutes on the machine, on the true surface at the feeds given; a machine that slows \
         down for every bump takes longer.\n\n\
         | facet | roughing | finishing | cutting out | together |\n|---|---|---|---|---|\n",
    );
    for facet in &cutting.facets {
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} | {:.1} |",
            facet.label,
            facet.roughing.map_or("none".into(), operation),
            operation(facet.finishing),
            operation(facet.cut_out),
            facet.minutes
        );
    }
    let _ = writeln!(
        out,
        "\nAll of these: {}, with a change of bit for each operation but none between blanks.",
        hours(cutting.total_min)
    );
    out
}

fn operation(operation: OperationEntry) -> String {
    let metres = operation.length_mm / 1000.0;
    format!("{:.1} ({metres:.1} m)", operation.minutes)
}

fn hours(minutes: f64) -> String {
    let whole = minutes.round() as u64;
    match (whole / 60, whole % 60) {
        (0, minutes) => format!("{minutes} minutes"),
        (hours, minutes) => format!("{hours} h {minutes:02} min"),
    }
}

fn roughing(cutting: &CuttingEntry, say: Lengths) -> String {
    let Some(bit) = &cutting.roughing else {
        return "\nThere is no roughing bit: the finishing bit cuts from the full stock, which asks \
                for shallow passes.\n"
            .into();
    };
    let mut out = format!(
        "\nThe images in `rough/` have the size and levels of the facets' own. Everything in them \
         stays {} clear of the finished surface, in every direction. First clear the ring around \
         the blank, drawn at true size in {}, then rough, at these heights over the back:\n\n",
        say.text(bit.allowance_mm),
        listed(&cutting.rings)
    );
    for (steps, facets) in by_steps(cutting, say) {
        let _ = writeln!(out, "- {facets}: {steps}");
    }
    out
}

/// Roughing passes, and the facets that share them.
fn by_steps(cutting: &CuttingEntry, say: Lengths) -> Vec<(String, String)> {
    let mut lists: Vec<(String, Vec<&str>)> = Vec::new();
    for facet in &cutting.facets {
        let steps = steps(facet, say);
        match lists.iter_mut().find(|(known, _)| *known == steps) {
            Some((_, facets)) => facets.push(&facet.label),
            None => lists.push((steps, vec![&facet.label])),
        }
    }
    let all = lists.len() == 1;
    let name = |facets: Vec<&str>| match facets[..] {
        _ if all => "every facet".to_owned(),
        [one] => format!("facet {one}"),
        _ => format!("facets {}", facets.join(", ")),
    };
    lists
        .into_iter()
        .map(|(steps, facets)| (steps, name(facets)))
        .collect()
}

fn listed(files: &[String]) -> String {
    let quoted: Vec<String> = files.iter().map(|file| format!("`{file}`")).collect();
    quoted.join(", ")
}

fn steps(facet: &FacetCutting, say: Lengths) -> String {
    let steps = facet.steps_mm.iter().map(|mm| say.number(*mm));
    match steps.collect::<Vec<_>>() {
        none if none.is_empty() => "nothing to clear".into(),
        steps => format!("{} {}", steps.join(", "), say.unit()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carve::cutting::testing::entry;

    #[test]
    fn the_section_names_bits_places_and_minutes() {
        let text = text(&entry(), Lengths::METRIC);
        for part in [
            "- Finish with a 3.175 mm ball: passes",
            "| 01 | 0.21 mm | 3.25 mm left, 10.5 mm up | 0.012 mm | 14 mm², 0.4 % | 1.59 mm, or 4 mm \
             | 0.010 mm | 60 % |",
            "| 02 | 6.0 (15.0 m) | 17.5 (43.8 m) | 1.5 (3.8 m) | 25.0 |",
            "All of these: 54 minutes",
            "drawn at true size in `rough/ring-A.svg`",
            "- every facet: 47.80, 44.80 mm\n",
        ] {
            assert!(text.contains(part), "{part}\n{text}");
        }
        assert_eq!(hours(125.4), "2 h 05 min");
        let mut apart = entry();
        apart.facets[1].steps_mm = Vec::new();
        let apart = super::text(&apart, Lengths::METRIC);
        assert!(apart.contains("- facet 01: 47.80, 44.80 mm\n- facet 02: nothing to clear\n"));
        let mut alone = entry();
        alone.roughing = None;
        assert!(super::text(&alone, Lengths::METRIC).contains("There is no roughing bit"));
    }
}
