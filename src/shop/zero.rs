//! Where the machine's zero in z lies, and what a blank that is not as thick as planned does.
//!
//! With zero on the jig, the back of the blank, the ground is carved at its true height over the
//! back, and the saw cuts from the back too: thickness cancels. With zero on the stock's top the
//! ground of a blank that is δ too thick lies δ too far from the back. At a seam the cut plane
//! leans by the tilt, so the surface there is δ·cos(tilt) too far from the globe's centre and the
//! ground δ·sin(tilt) from where it belongs along the cut; against a neighbour that is δ too thin
//! the step is the sum of both.

use crate::carve::fit::Fit;
use crate::model::settings::Settings;
use serde::Serialize;

/// An error of thickness that a planer leaves, mm: common practice, no source.
pub const THICKNESS_ERROR_MM: f64 = 0.3;

/// What the first pass takes off without complaint beyond what is planned, mm: common practice, no
/// source.
const OVER_MM: f64 = 0.5;

/// Planing target and what is allowed, mm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Planing {
    /// As planned: the white level of the images.
    pub target_mm: f64,
    /// Thinnest and thickest with zero on the jig.
    pub on_jig_mm: [f64; 2],
    /// Thinnest and thickest with zero on the top.
    pub on_top_mm: [f64; 2],
}

/// The step at a seam with zero on the top, mm: for a facet that is off, and for two that are off
/// the opposite way.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TopZero {
    /// One of the two is off by [`THICKNESS_ERROR_MM`].
    pub one_mm: f64,
    /// Both are, one up and one down.
    pub both_mm: f64,
    /// How far the ground slips along the cut face when one is off.
    pub slip_mm: f64,
}

/// What planing must keep. `step_mm` is the largest step that is wanted at a seam.
pub fn planing(fit: &Fit, settings: &Settings, step_mm: f64) -> Planing {
    let target_mm = settings.stock.thickness_mm;
    let highest = fit
        .kinds
        .iter()
        .map(|kind| kind.highest_mm)
        .fold(0.0, f64::max);
    // Half of what is left for clean-up is kept, so that the highest ground is still carved.
    let spare = 0.5 * (target_mm - highest).max(0.0);
    let flattest = fit.kinds.iter().flat_map(|kind| &kind.sides);
    let steepest_step = flattest
        .map(|side| side.slant.atan().cos())
        .fold(0.0, f64::max);
    let on_top = match steepest_step > 0.0 {
        true => (0.5 * step_mm / steepest_step).min(spare),
        false => spare,
    };
    Planing {
        target_mm,
        on_jig_mm: [target_mm - spare, target_mm + OVER_MM],
        on_top_mm: [target_mm - on_top, target_mm + on_top],
    }
}

/// What an error of thickness does at a side with zero on the top.
pub fn top_zero(tilt_rad: f64) -> TopZero {
    let one_mm = THICKNESS_ERROR_MM * tilt_rad.cos();
    TopZero {
        one_mm,
        both_mm: 2.0 * one_mm,
        slip_mm: THICKNESS_ERROR_MM * tilt_rad.sin(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;
    use glam::DVec2;

    /// A ball lifted by the error, met by the plane of a seam: where along the plane, and which
    /// ground lies there. Found by halving, without the formula.
    #[test]
    fn a_lifted_ball_steps_and_slips_at_the_seam_s_plane() {
        const RADIUS_MM: f64 = 100.0;
        for tilt_deg in [5.0_f64, 31.7175, 45.0, 54.7356] {
            let tilt = tilt_deg.to_radians();
            let on_plane = DVec2::new(tilt.sin(), tilt.cos());
            let lifted = DVec2::new(0.0, THICKNESS_ERROR_MM);
            let (mut inside, mut outside) = (50.0, 150.0);
            for _ in 0..60 {
                let middle = 0.5 * (inside + outside);
                match (on_plane * middle - lifted).length() < RADIUS_MM {
                    true => inside = middle,
                    false => outside = middle,
                }
            }
            let found = top_zero(tilt);
            assert_abs_diff_eq!(inside - RADIUS_MM, found.one_mm, epsilon = 1e-3);
            assert_abs_diff_eq!(found.both_mm, 2.0 * found.one_mm);
            let ground = on_plane * inside - lifted;
            let slip = RADIUS_MM * on_plane.angle_to(ground).abs();
            assert_abs_diff_eq!(slip, found.slip_mm, epsilon = 1e-3);
        }
    }
}
