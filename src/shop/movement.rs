//! How wood moves with the seasons.
//!
//! Change = width · C · (moisture now − moisture then), moisture in percent of dry weight, for 6
//! to 14 %: USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-190 (2010), equation 13-2
//! and table 13-5. Along the grain wood hardly moves: its change is neglected.

use super::polygon;
use crate::model::geometry::{Solid, solid_names};
use crate::model::settings::{Grain, Sawn, Settings, WoodSettings};
use crate::model::wood::{SPECIES, Species};
use glam::DVec2;
use serde::Serialize;

/// Change of a width across the grain, mm; growing is positive.
pub fn change_mm(width_mm: f64, coefficient: f64, from_percent: f64, to_percent: f64) -> f64 {
    width_mm * coefficient * (to_percent - from_percent)
}

/// What the seasons do to the blanks of one kind.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Movement {
    /// How the grain runs.
    pub grain: Grain,
    /// How the boards were sawn.
    pub sawn: Sawn,
    /// Width of the facet across the grain, mm.
    pub width_mm: f64,
    /// Its change from dry to moist, mm.
    pub change_mm: f64,
    /// How much one side draws back from its seam, worst side, mm.
    pub worst_side_mm: f64,
    /// The same, mean of all sides, mm.
    pub mean_side_mm: f64,
    /// How far the two facets of a seam can part, when both sides are the worst, mm.
    pub worst_gap_mm: f64,
}

/// Movement of a facet from dry to moist.
///
/// A side whose foot lies `a · n` from the middle (n: outward unit normal) moves by
/// a · ε · (n·g)², g being the direction across the grain and ε the change as a share: the change
/// across the grain takes the foot along g, and only its part along n opens the seam.
pub fn movement(facet_mm: &[DVec2], wood: &WoodSettings, grain: Grain, sawn: Sawn) -> Movement {
    let coefficient = Species::named(&wood.species).map_or(0.0, |s| s.coefficient(sawn));
    // "Along" runs towards the index corner, +y.
    let across = match grain {
        Grain::Along => DVec2::X,
        Grain::Across => DVec2::Y,
    };
    let reach = facet_mm.iter().map(|p| across.dot(*p));
    let (low, high) = reach.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(v), h.max(v))
    });
    let share = coefficient * (wood.moist_percent - wood.dry_percent);
    let moves: Vec<f64> = polygon::sides(facet_mm)
        .map(|(a, b)| {
            let normal = polygon::outward(a, b);
            (normal.dot(a) * share * normal.dot(across).powi(2)).abs()
        })
        .collect();
    let worst = moves.iter().copied().fold(0.0, f64::max);
    Movement {
        grain,
        sawn,
        width_mm: high - low,
        change_mm: change_mm(
            high - low,
            coefficient,
            wood.dry_percent,
            wood.moist_percent,
        ),
        worst_side_mm: worst,
        mean_side_mm: moves.iter().sum::<f64>() / moves.len() as f64,
        worst_gap_mm: 2.0 * worst,
    }
}

/// A seam that parts by more than this is seen, mm. Common practice, no source.
pub const SEEN_MM: f64 = 0.3;

/// Less help than this share of the gap is not worth the trouble.
const WORTH: f64 = 0.1;

/// What gets through three coats of polyurethane varnish in 14 days of damp air, as a share of
/// what bare wood takes up: its moisture-excluding effectiveness is 44 %, as quoted from memory
/// from the USDA Wood Handbook, FPL-GTR-190 (2010), table 16-3. Over a whole season nearly all
/// gets through.
const THROUGH_VARNISH: f64 = 0.56;

/// How far a joint filled with an elastic adhesive of class 25 may open, as a share of its width:
/// ISO 11600.
const ELASTIC: f64 = 0.25;

/// One way to keep seams closer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Help {
    /// What to do, with its number.
    pub what: String,
    /// How far the worst seam then parts, mm.
    pub gap_mm: f64,
}

/// How far the worst seam of a solid parts in this wood, mm.
fn worst_gap_mm(facets_mm: &[Vec<DVec2>], wood: &WoodSettings) -> f64 {
    let gaps =
        (facets_mm.iter()).map(|facet| movement(facet, wood, wood.grain, wood.sawn).worst_gap_mm);
    gaps.fold(0.0, f64::max)
}

/// Facets of a solid, one of each kind, corner to corner on the ball, mm.
fn facets_mm(solid: &Solid, radius_mm: f64) -> Vec<Vec<DVec2>> {
    let of_kind = |faces: &[usize]| {
        let face = &solid.faces[faces[0]];
        let corners = face
            .corners
            .iter()
            .map(|&i| solid.corners[i].normalize() * radius_mm);
        corners.map(|p| face.frame.to_local(p).truncate()).collect()
    };
    solid
        .kinds
        .iter()
        .map(|kind| of_kind(&kind.faces))
        .collect()
}

/// What keeps the seams closer, the best first, and how far the worst of them parts as things
/// stand, mm; nothing where no seam parts far enough to be seen.
pub fn helps(solid: &Solid, settings: &Settings) -> (f64, Vec<Help>) {
    let (wood, say) = (&settings.wood, settings.lengths());
    let radius_mm = 0.5 * settings.globe.diameter_mm;
    let own = facets_mm(solid, radius_mm);
    let gap_mm = worst_gap_mm(&own, wood);
    if gap_mm <= SEEN_MM {
        return (gap_mm, Vec::new());
    }
    let with = |change: &dyn Fn(&mut WoodSettings)| {
        let mut other = wood.clone();
        change(&mut other);
        worst_gap_mm(&own, &other)
    };
    let mut list = vec![
        Help {
            what: "quarter-sawn boards (wood.sawn = \"quarter\")".into(),
            gap_mm: with(&|wood| wood.sawn = Sawn::Quarter),
        },
        Help {
            what: "three coats of varnish, inside and out, against two weeks of damp".into(),
            gap_mm: THROUGH_VARNISH * gap_mm,
        },
        Help {
            what: format!(
                "elastic glue (ISO 11600, class 25) in seams {} wide, which gives that much",
                say.at_least(gap_mm / ELASTIC)
            ),
            gap_mm: 0.0,
        },
    ];
    let (turned, word) = match wood.grain {
        Grain::Along => (Grain::Across, "across"),
        Grain::Across => (Grain::Along, "along"),
    };
    list.push(Help {
        what: format!("the grain the other way (wood.grain = \"{word}\")"),
        gap_mm: with(&|wood| wood.grain = turned),
    });
    let calmest = SPECIES.into_iter().min_by(|a, b| {
        a.coefficient(wood.sawn)
            .total_cmp(&b.coefficient(wood.sawn))
    });
    if let Some(species) = calmest {
        list.push(Help {
            what: format!("another wood (wood.species = \"{}\")", species.name),
            gap_mm: with(&|wood| wood.species = species.name.to_owned()),
        });
    }
    if let Some((facets, name, gap_mm)) = calmer_solid(solid, radius_mm, wood) {
        list.push(Help {
            what: format!("more and smaller facets (globe.solid = \"{name}\", {facets})"),
            gap_mm,
        });
    }
    let smaller_mm = 0.999 * settings.globe.diameter_mm * SEEN_MM / gap_mm;
    list.push(Help {
        what: format!("a globe of at most {}", say.at_most(smaller_mm)),
        gap_mm: SEEN_MM,
    });
    let swing = (wood.moist_percent - wood.dry_percent).abs() * SEEN_MM / gap_mm;
    list.push(Help {
        what: format!(
            "a room that keeps the wood within {:.1} % of moisture",
            (10.0 * swing).floor() / 10.0
        ),
        gap_mm: SEEN_MM,
    });
    list.retain(|help| help.gap_mm <= (1.0 - WORTH) * gap_mm);
    list.sort_by(|a, b| a.gap_mm.total_cmp(&b.gap_mm));
    (gap_mm, list)
}

/// The solid with the fewest facets, more than it has, whose seams stay closed to the eye; where
/// there is none, the one whose seams part least.
fn calmer_solid(
    solid: &Solid,
    radius_mm: f64,
    wood: &WoodSettings,
) -> Option<(usize, &'static str, f64)> {
    let others = solid_names().into_iter().filter_map(|name| {
        let other = Solid::named(name)?;
        let facets = other.faces.len();
        let gap_mm = worst_gap_mm(&facets_mm(&other, radius_mm), wood);
        (facets > solid.faces.len()).then_some((facets, name, gap_mm))
    });
    others.min_by(|a, b| {
        let seen_mm = |gap_mm: f64| gap_mm.max(SEEN_MM);
        (seen_mm(a.2).total_cmp(&seen_mm(b.2))).then(a.0.cmp(&b.0))
    })
}

/// The warning for seams that part so far that it is seen.
pub fn warning(solid: &Solid, settings: &Settings) -> Option<String> {
    let (gap_mm, helps) = helps(solid, settings);
    if gap_mm <= SEEN_MM {
        return None;
    }
    let say = settings.lengths();
    let ways: Vec<String> = (helps.iter())
        .map(|help| format!("{}: {}", help.what, say.text(help.gap_mm)))
        .collect();
    Some(format!(
        "Seams can part by up to {} between {} and {} % moisture, which is seen from {} on. What \
         helps, and what is then left, the best first: {}.",
        say.at_least(gap_mm),
        settings.wood.dry_percent,
        settings.wood.moist_percent,
        say.text(SEEN_MM),
        ways.join("; ")
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Source: USDA Wood Handbook FPL-GTR-190, table 13-5 and equation 13-2, worked through:
    /// 300 mm of flat-sawn black cherry from 6 to 10 % gains 2.976 mm, quarter-sawn 1.512 mm.
    #[test]
    fn worked_example_of_black_cherry() {
        let cherry = Species::named("black-cherry").unwrap();
        let gain = |sawn| change_mm(300.0, cherry.coefficient(sawn), 6.0, 10.0);
        assert_abs_diff_eq!(gain(Sawn::Flat), 2.976, epsilon = 1e-9);
        assert_abs_diff_eq!(gain(Sawn::Quarter), 1.512, epsilon = 1e-9);
    }

    /// Source: the same table; total shrinkage of yellow-poplar 4.6 % radial, 8.2 % tangential
    /// (table 4-3) over about 28 percent of moisture agrees within a tenth.
    #[test]
    fn quoted_values_fit_the_shrinkage_table() {
        let poplar = Species::named("yellow-poplar").unwrap();
        for (coefficient, shrinkage) in [(poplar.radial, 0.046), (poplar.tangential, 0.082)] {
            let from_table = shrinkage / 28.0;
            assert!((coefficient / from_table - 1.0).abs() < 0.1);
        }
        for species in SPECIES {
            assert!(species.radial < species.tangential, "{}", species.name);
        }
    }

    /// Closed form: a square facet with the grain square to two of its sides.
    #[test]
    fn only_sides_across_the_grain_draw_back() {
        let mut wood = Settings::default().wood;
        wood.species = "black-cherry".into();
        let square = [(-50.0, 50.0), (-50.0, -50.0), (50.0, -50.0), (50.0, 50.0)].map(DVec2::from);
        let moved = movement(&square, &wood, Grain::Along, Sawn::Flat);
        assert_abs_diff_eq!(moved.change_mm, 100.0 * 0.00248 * 4.0, epsilon = 1e-12);
        assert_abs_diff_eq!(moved.worst_side_mm, 0.5 * moved.change_mm, epsilon = 1e-12);
        assert_abs_diff_eq!(moved.mean_side_mm, 0.25 * moved.change_mm, epsilon = 1e-12);
        let quarter = movement(&square, &wood, Grain::Along, Sawn::Quarter);
        assert!(quarter.worst_gap_mm < 0.6 * moved.worst_gap_mm);
    }

    fn cube(diameter_mm: f64) -> (Solid, Settings) {
        let mut settings = Settings::default();
        settings.globe.solid = "cube".into();
        settings.globe.diameter_mm = diameter_mm;
        settings.wood.species = "black-cherry".into();
        (Solid::named("cube").unwrap(), settings)
    }

    /// By hand: a cube in a ball of 200 mm has sides of 200/√3 = 115.470 mm; flat-sawn cherry
    /// from 6 to 10 % changes by 115.470 · 0.00248 · 4 = 1.1455 mm (Wood Handbook, equation 13-2),
    /// half at each of two sides, so a seam between two such sides parts by as much.
    #[test]
    fn seams_that_part_are_warned_of_with_ranked_help() {
        let (solid, settings) = cube(200.0);
        let (gap_mm, list) = helps(&solid, &settings);
        // The index corner lies on the diagonal: (n·g)² is a half for every side.
        assert_abs_diff_eq!(gap_mm, 0.5 * 1.1455, epsilon = 1e-4);
        assert!(list.windows(2).all(|pair| pair[0].gap_mm <= pair[1].gap_mm));
        let left = |word: &str| {
            let help = list.iter().find(|help| help.what.contains(word));
            help.unwrap_or_else(|| panic!("{word}: {list:?}")).gap_mm
        };
        // Quarter-sawn 0.00126, flat-sawn mahogany 0.00238 (table 13-5).
        assert_abs_diff_eq!(left("quarter"), gap_mm * 126.0 / 248.0, epsilon = 1e-9);
        assert_abs_diff_eq!(left("varnish"), gap_mm * 0.56, epsilon = 1e-9);
        assert_eq!(left("elastic glue"), 0.0);
        // Mahogany saves four hundredths and the grain is on the diagonal: neither is named.
        assert!(!list.iter().any(|help| help.what.contains("wood.species")));
        assert!(!list.iter().any(|help| help.what.contains("wood.grain")));
        // Each way out is one: the smaller globe and the steadier room are just closed to the eye.
        assert!(left("more and smaller facets") < 0.9 * gap_mm);
        let smaller = list
            .iter()
            .find(|help| help.what.starts_with("a globe"))
            .unwrap();
        let mm: f64 = smaller.what.rsplit(' ').nth(1).unwrap().parse().unwrap();
        let (solid, smaller) = cube(mm);
        assert_eq!(warning(&solid, &smaller), None);
        assert!(mm > 100.0, "{mm}");
    }

    #[test]
    fn the_warning_is_in_the_units_of_the_job() {
        let (solid, mut settings) = cube(200.0);
        settings.units = crate::model::length::Units::Inch;
        let text = warning(&solid, &settings).unwrap();
        // 0.5728 mm are 0.02255 in.
        assert!(
            text.starts_with("Seams can part by up to 0.023 in between 6 and 10 % moisture"),
            "{text}"
        );
        assert!(!text.contains(" mm"), "{text}");
    }
}
