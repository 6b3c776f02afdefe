//! What `inspect` prints: a [`Source`] in words for a woodworker, and as JSON for programs.

use crate::model::grid::{Quantity, Registration, Source};
use serde_json::{Map, Value, json};

/// Percentiles that are listed, with their names.
const PERCENTILES: [(&str, f64); 7] = [
    ("0.1", 0.001),
    ("5", 0.05),
    ("25", 0.25),
    ("50", 0.5),
    ("75", 0.75),
    ("95", 0.95),
    ("99.9", 0.999),
];

impl Source {
    /// What `inspect` says, for programs.
    pub fn json(&self) -> Value {
        json(self)
    }

    /// What `inspect` says, for people.
    pub fn text(&self) -> String {
        text(self)
    }
}

/// One object per grid; heights in metres with scale applied and no reference radius in them,
/// longitudes 0–360 east.
fn json(source: &Source) -> Value {
    let percentiles: Map<String, Value> = PERCENTILES
        .iter()
        .map(|(name, share)| {
            (
                (*name).to_owned(),
                json!(source.hypsometry.quantile_m(*share)),
            )
        })
        .collect();
    json!({
        "files": source.files,
        "width": source.width,
        "height": source.height,
        "cell_deg": source.cell_deg,
        "west_deg": source.west_deg,
        "registration": source.registration,
        "quantity": source.quantity,
        "unit": source.unit,
        "body": source.body,
        "reference_radius_m": source.reference_radius_m,
        "min": source.min,
        "max": source.max,
        "mean_m": source.hypsometry.mean_m,
        "percentiles_m": percentiles,
        "filled_cells": source.filled_cells,
        "notes": source.notes,
    })
}

/// The same in plain words, one fact a line, ending in a line feed.
fn text(source: &Source) -> String {
    let mut lines = vec![source.files_text()];
    let mut fact = |name: &str, value: String| lines.push(format!("  {name:<14}{value}"));
    fact(
        "body",
        match (&source.body, source.reference_radius_m) {
            (Some(body), Some(r)) => format!("{body}, a ball of {} km radius for reference", km(r)),
            (Some(body), None) => body.clone(),
            (None, Some(r)) => format!("not named; reference radius {} km", km(r)),
            (None, None) => {
                "not named by the file; add body or radius under [grid] if it matters".to_owned()
            }
        },
    );
    fact(
        "size",
        format!(
            "{} columns × {} rows, cells of {}°{}",
            source.width,
            source.height,
            short(source.cell_deg, 6),
            ground(source)
        ),
    );
    fact("starts", start(source));
    fact("numbers", numbers(source));
    if source.quantity == Quantity::Elevation {
        fact(
            "count from",
            "the file's own zero level, be it a ball, a sea level or an areoid: few files say which"
                .to_owned(),
        );
    }
    for (name, place) in [("highest", source.max), ("lowest", source.min)] {
        fact(
            name,
            format!(
                "{} m at {}, {}° E",
                short(place.height_m, 2),
                latitude(place.lat_deg),
                short(place.lon_deg, 3)
            ),
        );
    }
    fact(
        "average",
        format!("{:.1} m over the whole surface", source.hypsometry.mean_m),
    );
    fact(
        "spread",
        PERCENTILES
            .iter()
            .map(|(name, share)| format!("{name} % {:.0} m", source.hypsometry.quantile_m(*share)))
            .collect::<Vec<_>>()
            .join(", ")
            + " (share of the surface at or below)",
    );
    fact("holes", holes(source));
    if source.clipped_cells > 0 {
        fact("clipped", format!("{} cells", source.clipped_cells));
    }
    for note in &source.notes {
        fact("note", note.clone());
    }
    lines.join("\n") + "\n"
}

/// Where the first column and the first row lie.
fn start(source: &Source) -> String {
    let (west, north) = (short(source.west_deg, 6), short(source.north_deg, 6));
    match source.registration {
        Registration::Pixel => format!(
            "western edge at {west}° E, northern edge at {north}°; numbers stand for whole cells"
        ),
        Registration::Gridline => format!(
            "first column on {west}° E, first row on {north}° (a pole); numbers stand for points"
        ),
    }
}

fn holes(source: &Source) -> String {
    match source.filled_cells {
        0 => "none".to_owned(),
        cells => format!(
            "{cells} cells without data, {:.3} % of the surface; filled smoothly when carving",
            100.0 * source.filled_share
        ),
    }
}

/// What the stored numbers are, how that was told, and how they become metres.
fn numbers(source: &Source) -> String {
    let what = match source.quantity {
        Quantity::Elevation => "heights (distances from the centre would be near the radius)",
        Quantity::Radius => "distances from the body's centre",
        Quantity::Relief => "finished relief",
    };
    let plain = ["m", "meter", "meters", "metre", "metres"];
    let unit = source.unit.as_str();
    if source.scale == 1.0
        && source.offset == 0.0
        && plain.iter().any(|m| unit.eq_ignore_ascii_case(m))
    {
        return format!("{what}, in metres");
    }
    let offset = match source.offset {
        0.0 => String::new(),
        offset => format!(" + {}", short(offset, 3)),
    };
    format!(
        "{what}, in {unit}: stored × {}{offset} = metres",
        short(source.scale, 9)
    )
}

/// Width of a cell on the ground at the equator.
fn ground(source: &Source) -> String {
    match source.reference_radius_m {
        Some(radius_m) => {
            let metres = source.cell_deg.to_radians() * radius_m;
            if metres >= 10_000.0 {
                format!(" ({:.1} km at the equator)", metres / 1000.0)
            } else {
                format!(" ({metres:.0} m at the equator)")
            }
        }
        None => String::new(),
    }
}

fn latitude(lat_deg: f64) -> String {
    let side = if lat_deg < 0.0 { "S" } else { "N" };
    format!("{}° {side}", short(lat_deg.abs(), 3))
}

fn km(metres: f64) -> String {
    short(metres / 1000.0, 4)
}

/// At most `decimals` decimals, without trailing zeros.
fn short(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    if text == "-0" { "0" } else { text }.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::grid::{Hypsometry, Place};

    fn sample() -> Source {
        Source {
            files: vec!["world.tif".to_owned()],
            width: 1440,
            height: 720,
            cell_deg: 0.25,
            west_deg: 0.0,
            north_deg: 90.0,
            registration: Registration::Pixel,
            quantity: Quantity::Elevation,
            unit: "m".to_owned(),
            scale: 0.5,
            offset: 0.0,
            body: Some("Moon".to_owned()),
            reference_radius_m: Some(1_737_400.0),
            min: Place {
                height_m: -8878.5,
                lat_deg: -70.375,
                lon_deg: 187.625,
            },
            max: Place {
                height_m: 10504.0,
                lat_deg: 5.375,
                lon_deg: 201.375,
            },
            hypsometry: Hypsometry {
                heights_m: vec![-8878.5, 0.0, 10504.0],
                share: vec![0.0, 0.5, 1.0],
                mean_m: -248.28,
            },
            filled_cells: 12,
            filled_share: 0.000_02,
            clipped_cells: 0,
            notes: vec!["something odd".to_owned()],
        }
    }

    #[test]
    fn places_are_written_without_the_dust_of_sums() {
        let place = Place {
            height_m: 1.5,
            lat_deg: 0.1 + 0.2,
            lon_deg: 180.0,
        };
        assert_ne!(place.lat_deg, 0.3);
        let text = serde_json::to_string(&place).unwrap();
        assert_eq!(text, r#"{"m":1.5,"lat_deg":0.3,"lon_deg":180.0}"#);
    }

    #[test]
    fn words_say_what_a_maker_needs() {
        assert_eq!(
            text(&sample()),
            "world.tif\n  \
             body          Moon, a ball of 1737.4 km radius for reference\n  \
             size          1440 columns × 720 rows, cells of 0.25° (7581 m at the equator)\n  \
             starts        western edge at 0° E, northern edge at 90°; numbers stand for whole cells\n  \
             numbers       heights (distances from the centre would be near the radius), in m: stored × 0.5 = metres\n  \
             count from    the file's own zero level, be it a ball, a sea level or an areoid: few files say which\n  \
             highest       10504 m at 5.375° N, 201.375° E\n  \
             lowest        -8878.5 m at 70.375° S, 187.625° E\n  \
             average       -248.3 m over the whole surface\n  \
             spread        0.1 % -8861 m, 5 % -7991 m, 25 % -4439 m, 50 % 0 m, 75 % 5252 m, 95 % 9454 m, \
             99.9 % 10483 m (share of the surface at or below)\n  \
             holes         12 cells without data, 0.002 % of the surface; filled smoothly when carving\n  \
             note          something odd\n"
        );
    }

    #[test]
    fn many_files_do_not_fill_the_screen() {
        let mut source = sample();
        source.files = (0..2048).map(|i| format!("t{i}.hgt")).collect();
        let first = text(&source).lines().next().unwrap().to_owned();
        assert_eq!(first, "t0.hgt, t1.hgt … t2047.hgt (2048 files)");
        source.files.truncate(4);
        let first = text(&source).lines().next().unwrap().to_owned();
        assert_eq!(first, "t0.hgt, t1.hgt, t2.hgt, t3.hgt");
    }

    #[test]
    fn json_has_every_documented_key() {
        let value = json(&sample());
        for key in [
            "files",
            "width",
            "height",
            "cell_deg",
            "west_deg",
            "registration",
            "quantity",
            "unit",
            "body",
            "reference_radius_m",
            "min",
            "max",
            "mean_m",
            "percentiles_m",
            "filled_cells",
            "notes",
        ] {
            assert!(value.get(key).is_some(), "{key}");
        }
        assert_eq!(value["registration"], "pixel");
        assert_eq!(value["quantity"], "elevation");
        assert_eq!(value["max"]["m"], 10504.0);
        assert_eq!(value["min"]["lat_deg"], -70.375);
        assert_eq!(value["percentiles_m"]["50"], 0.0);
        assert_eq!(value["percentiles_m"]["99.9"], 10504.0 * 0.998);
    }
}
