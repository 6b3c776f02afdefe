//! The comparison as a table for a terminal; it is Markdown too.

use super::Comparison;
use std::fmt;

impl fmt::Display for Comparison {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ([columns, rows], say) = (self.samples, self.lengths);
        writeln!(out, "Measured on {columns} x {rows} samples.\n")?;
        let widest = self
            .curves
            .iter()
            .map(|row| row.label.chars().count())
            .max()
            .unwrap_or(0);
        let width = widest.max("curve".len());
        self.figures_table(out, width)?;
        self.exaggeration_table(out, width)?;
        writeln!(
            out,
            "\nAll as the finishing bit leaves it. Legible: the height varies by {} or more \
             (standard deviation) within {}; dead: by less than {}. Rough order: how well \
             rugged ground stays more rugged than smooth ground, 1 being fully; long order: the \
             same of large forms. Bit leaves: more than {} of wood stays. Order kept: of \
             places within {} whose heights differ by more than 500 m, those where the higher \
             one is carved higher.",
            say.text(0.1),
            say.text(5.0),
            say.text(0.03),
            say.text(0.1),
            say.text(30.0)
        )?;
        if let Some(suggestion) = &self.suggestion {
            writeln!(out, "\n{}", suggestion.why)?;
            for offer in &suggestion.offers {
                let (name, costs) = (offer.name, &offer.costs);
                writeln!(out, "\n{name}: {costs}.\n\n{}", offer.block)?;
            }
        }
        Ok(())
    }
}

impl Comparison {
    fn figures_table(&self, out: &mut fmt::Formatter<'_>, width: usize) -> fmt::Result {
        writeln!(
            out,
            "| {:width$} | range {} | legible % | dead % | rough order | long order | bit leaves % | over 45° % | order kept % |",
            "curve",
            self.lengths.unit()
        )?;
        writeln!(
            out,
            "|{}|---:|---:|---:|---:|---:|---:|---:|---:|",
            "-".repeat(width + 2)
        )?;
        for row in &self.curves {
            let figures = &row.figures;
            writeln!(
                out,
                "| {:width$} | {:>8} | {:9.1} | {:6.1} | {:11.3} | {:10.3} | {:12.1} | {:10.2} | {:12.2} |",
                row.label,
                self.lengths.number(row.range_mm),
                100.0 * figures.carved_share,
                100.0 * figures.flat_share,
                figures.rough_order,
                figures.long_order,
                100.0 * figures.bit_leaves_share,
                100.0 * figures.over_45_share,
                100.0 * figures.order_kept,
            )?;
        }
        Ok(())
    }

    fn exaggeration_table(&self, out: &mut fmt::Formatter<'_>, width: usize) -> fmt::Result {
        writeln!(
            out,
            "\n{} of relief per kilometre of height (times true scale):\n",
            match self.lengths.unit() {
                "in" => "Inches",
                _ => "Millimetres",
            }
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
                write!(
                    out,
                    " {:>13} |",
                    self.lengths.fine_number(at.mm_per_km) + &times
                )?;
            }
            writeln!(out)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::commands::curves::{CurveRow, Slope};
    use crate::model::length::{Lengths, Units};

    /// 6.35 mm are 1/4 in; 2.54 mm to the kilometre are a tenth of an inch.
    #[test]
    fn an_inch_shop_reads_inches() {
        let row = CurveRow {
            label: "own".into(),
            range_mm: 6.35,
            at: vec![Slope {
                percent: 100.0,
                height_m: 8000.0,
                mm_per_km: 2.54,
                exaggeration: None,
            }],
            figures: Default::default(),
        };
        let mut comparison = Comparison {
            samples: [360, 180],
            curves: vec![row],
            suggestion: None,
            lengths: Lengths::METRIC,
        };
        let text = comparison.to_string();
        assert!(
            text.contains("range mm") && text.contains("|     6.35 |"),
            "{text}"
        );
        comparison.lengths = Lengths::new(Units::Inch, 0.0);
        let text = comparison.to_string();
        for part in ["range in", "|    0.250 |", "Inches of relief", "0.1000 |"] {
            assert!(text.contains(part), "{part}: {text}");
        }
        assert!(!text.contains(" mm"), "{text}");
    }
}
