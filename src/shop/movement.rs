//! How wood moves with the seasons.
//!
//! Change = width · C · (moisture now − moisture then), moisture in percent of dry weight, for 6
//! to 14 %: USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-190 (2010), equation 13-2
//! and table 13-5. Along the grain wood hardly moves: its change is neglected.

use super::polygon;
use crate::model::settings::{Grain, Sawn, WoodSettings};
use crate::model::wood::Species;
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::settings::Settings;
    use crate::model::wood::SPECIES;
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
}
