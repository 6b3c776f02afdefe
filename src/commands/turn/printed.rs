//! What `turn` prints: the block for the job file, the table, the choices.

use crate::carve::turn::cost::{CostParts, MISFIT_MM};
use crate::carve::turn::search::TurnChoice;
use crate::carve::turn::{Turned, name, printed, unit};
use crate::model::geometry::place_name;
use crate::model::length::Lengths;
use crate::model::settings::TurnPart;
use std::fmt::Write;

const PARTS: [TurnPart; 6] = [
    TurnPart::Relief,
    TurnPart::Worst,
    TurnPart::High,
    TurnPart::Misfit,
    TurnPart::Corner,
    TurnPart::Keep,
];

impl Turned {
    /// The block of the best turn, to paste into a job file.
    pub fn block(&self) -> String {
        block(&self.found.choices[0])
    }

    /// Before, after and median; the five choices; the places to keep whole.
    pub fn table(&self) -> String {
        table(self)
    }

    /// The same for programs.
    pub fn json(&self) -> serde_json::Value {
        json(self)
    }
}

/// The block to paste into a job file.
fn block(choice: &TurnChoice) -> String {
    format!(
        "[globe.turn]\nface = 1\nlat = {}\nlon = {}\nspin = {}\n",
        choice.lat_deg, choice.lon_deg, choice.spin_deg
    )
}

/// Before, after and median; the five choices; the places to keep whole.
fn table(turned: &Turned) -> String {
    let (best, say) = (&turned.found.choices[0], turned.lengths);
    let mut out = format!(
        "Relief of {}; {} turns looked at. A misfit is {}.\n\n{:<38}{:>10}{:>10}{:>10}\n",
        say.text(turned.range_mm),
        turned.found.looked_at,
        say.text(MISFIT_MM),
        "",
        "before",
        "after",
        "median"
    );
    for part in PARTS {
        let values = [&turned.before.parts, &best.parts, &turned.found.median];
        let _ = write!(out, "{:<38}", name(part));
        for parts in values {
            let _ = write!(out, "{:>10}", printed(part, parts.part(part), say));
        }
        let _ = writeln!(out, " {}", unit(part, say));
    }
    let _ = writeln!(
        out,
        "{:<38}{:>10.3}{:>10.3}\n",
        "together, as weighed", turned.before.total, best.total
    );
    out.push_str(&choices(&turned.found.choices, say));
    out.push_str(&places(turned));
    out
}

fn choices(choices: &[TurnChoice], say: Lengths) -> String {
    let mut out = format!(
        "The best clearly different turns, facet 1 at\n{:>3}{:>9}{:>9}{:>9}{:>10}{:>9}{:>9}{:>9}{:>9}{:>9}{:>9}\n",
        "", "lat", "lon", "spin", "together", "relief", "worst", "high", "misfit", "corner", "keep"
    );
    for (i, choice) in choices.iter().enumerate() {
        let _ = write!(
            out,
            "{:>3}{:>9.2}{:>9.2}{:>9.2}{:>10.3}",
            i + 1,
            choice.lat_deg,
            choice.lon_deg,
            choice.spin_deg,
            choice.total
        );
        for part in PARTS {
            let _ = write!(out, "{:>9}", printed(part, choice.parts.part(part), say));
        }
        out.push('\n');
    }
    out.push('\n');
    out
}

fn places(turned: &Turned) -> String {
    if turned.features.is_empty() {
        return String::new();
    }
    let mut out = String::from("Places to keep whole\n");
    for feature in &turned.features {
        let (lat, lon) = crate::model::geometry::lat_lon_deg(feature.towards);
        let cut = |names: &[String]| match names.contains(&feature.name) {
            true => "cut",
            false => "whole",
        };
        let stands = feature
            .prominence_m
            .map_or(String::new(), |m| format!(", stands out by {m:.0} m"));
        let _ = writeln!(
            out,
            "  {} at {}, {:.1} degrees around{stands}: {} before, {} after",
            feature.name,
            place_name(lat, lon),
            feature.radius_rad.to_degrees(),
            cut(&turned.cut_before),
            cut(&turned.cut_after)
        );
    }
    out.push('\n');
    out
}

/// All of it for another program.
fn json(turned: &Turned) -> serde_json::Value {
    let choice = |choice: &TurnChoice| {
        serde_json::json!({
            "face": 1, "lat_deg": choice.lat_deg, "lon_deg": choice.lon_deg,
            "spin_deg": choice.spin_deg, "total": choice.total, "parts": choice.parts,
        })
    };
    let features = turned.features.iter().map(|feature| {
        let (lat_deg, lon_deg) = crate::model::geometry::lat_lon_deg(feature.towards);
        serde_json::json!({
            "name": feature.name, "lat_deg": lat_deg, "lon_deg": lon_deg,
            "radius_deg": feature.radius_rad.to_degrees(), "prominence_m": feature.prominence_m,
            "cut_before": turned.cut_before.contains(&feature.name),
            "cut_after": turned.cut_after.contains(&feature.name),
        })
    });
    let median: &CostParts = &turned.found.median;
    serde_json::json!({
        "relief_range_mm": turned.range_mm,
        "looked_at": turned.found.looked_at,
        "before": choice(&turned.before),
        "choices": turned.found.choices.iter().map(choice).collect::<Vec<_>>(),
        "median": median,
        "features": features.collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Error;
    use crate::carve::turn::testing::{bumpy, turn_on};
    use crate::model::jobfile;
    use crate::model::length::Units;
    use crate::model::settings::{KeepWhole, Settings};
    use glam::DMat3;

    fn settings() -> Settings {
        let mut settings = Settings::default();
        settings.globe.solid = "cube".into();
        settings.relief.range = crate::model::settings::ReliefRange::Mm(6.0);
        settings.keeps = vec![KeepWhole {
            name: "old crater".into(),
            lat_deg: -40.0,
            lon_deg: 300.0,
            radius_deg: 3.0,
        }];
        settings
    }

    fn turned(settings: &Settings) -> crate::Result<Turned> {
        let grid = bumpy(180, DMat3::IDENTITY);
        turn_on(&grid, settings)
    }

    #[test]
    fn the_block_is_a_job_file_s_and_gives_the_cost_in_the_table() {
        let turned = turned(&settings()).unwrap();
        let best = &turned.found.choices[0];
        let path = std::path::Path::new("found.toml");
        let job = jobfile::parse(&block(best), path, &[]).unwrap();
        let turn = &job.settings.globe.turn;
        assert_eq!(
            (turn.face, turn.lat_deg, turn.lon_deg, turn.spin_deg),
            (1, best.lat_deg, best.lon_deg, best.spin_deg)
        );
        let again = self::turned(&Settings {
            globe: crate::model::settings::GlobeSettings {
                turn: *turn,
                ..settings().globe
            },
            ..settings()
        })
        .unwrap();
        assert!((again.before.total - best.total).abs() < 1e-9);
    }

    #[test]
    fn the_table_names_every_part_and_place() {
        let turned = turned(&settings()).unwrap();
        let text = table(&turned);
        for part in PARTS {
            assert!(text.contains(name(part)), "{text}");
        }
        assert!(text.contains("before") && text.contains("old crater at 40.0° S 300.0° E"));
        assert!(turned.before.total >= turned.found.choices[0].total);
        assert_eq!(json(&turned)["choices"].as_array().unwrap().len(), 5);

        // 6 mm are 0.236 in, and no column is left in the other unit.
        let highest = turned.before.parts.high_mm;
        let mut inches = turned;
        inches.lengths = Lengths::new(Units::Inch, 0.0);
        let text = table(&inches);
        assert!(text.starts_with("Relief of 0.236 in; "), "{text}");
        assert!(!text.contains("mm"), "{text}");
        assert!(text.contains(&format!("{:.4}", highest / 25.4)), "{text}");
    }

    #[test]
    fn a_limit_no_turn_can_keep_is_the_job_s_mistake() {
        let mut settings = settings();
        settings.turning.limit = Some(TurnPart::Worst);
        settings.turning.most = 0.01;
        let error = turned(&settings).unwrap_err();
        assert!(matches!(error, Error::Job(_)));
        let text = error.to_string();
        let start = "job: turn.most: no turn found keeps the part named in turn.limit, relief along \
                     the worst seam; found 0.01 mm; allowed: at least ";
        assert!(text.starts_with(start), "{text}");
        assert!(
            text.ends_with(" mm; raise turn.most, or set turn.limit = \"none\""),
            "{text}"
        );
        settings.turning.most = 3.0;
        let found = turned(&settings).unwrap();
        assert!(found.found.choices[0].parts.worst_mm <= 3.0);
    }
}
