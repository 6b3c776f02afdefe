//! The comparison as a table for a terminal; it is Markdown too.

use super::Comparison;
use std::fmt;

impl fmt::Display for Comparison {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [columns, rows] = self.samples;
        writeln!(out, "Measured on {columns} x {rows} samples.\n")?;
        let widest = self
            .curves
            .iter()
            .map(|row| row.label.chars().count())
            .max()
            .unwrap_or(0);
        let width = widest.max("curve".len());
        writeln!(
            out,
            "| {:width$} | range mm | legible % | in low half % | over 60° % | steepest ° | order kept % |",
            "curve"
        )?;
        writeln!(
            out,
            "|{}|---:|---:|---:|---:|---:|---:|",
            "-".repeat(width + 2)
        )?;
        for row in &self.curves {
            let figures = &row.figures;
            writeln!(
                out,
                "| {:width$} | {:8.2} | {:9.1} | {:13.1} | {:10.2} | {:10.1} | {:12.2} |",
                row.label,
                row.range_mm,
                100.0 * figures.legible_share,
                100.0 * figures.legible_low_share,
                100.0 * figures.steep_share,
                figures.steepest_deg,
                100.0 * figures.order_kept,
            )?;
        }
        writeln!(
            out,
            "\nMillimetres of relief per kilometre of height (times true scale):\n"
        )?;
        write!(out, "| {:width$} |", "curve")?;
        let places = self.curves.first().map_or(&[][..], |row| &row.at);
        for at in places {
            let name = if at.percent == 100.0 {
                "summit".into()
            } else {
                format!("{} %", at.percent)
            };
            write!(out, " {:>13} |", format!("{name}, {:.0} m", at.height_m))?;
        }
        writeln!(
            out,
            "\n|{}|{}",
            "-".repeat(width + 2),
            "---:|".repeat(places.len())
        )?;
        for row in &self.curves {
            write!(out, "| {:width$} |", row.label)?;
            for at in &row.at {
                let times = at
                    .exaggeration
                    .map_or(String::new(), |times| format!(" ({times:.0}x)"));
                write!(out, " {:>13} |", format!("{:.3}{times}", at.mm_per_km))?;
            }
            writeln!(out)?;
        }
        writeln!(
            out,
            "\nLegible: the carved height varies by 0.10 mm or more (standard deviation) within \
             5 mm. Order kept: of places within 30 mm whose heights differ by more than 500 m, \
             those where the higher one is carved higher."
        )?;
        if let Some(suggestion) = &self.suggestion {
            writeln!(out, "\n{}\n\n{}", suggestion.why, suggestion.block)?;
        }
        Ok(())
    }
}
