//! Shapes of bits, and the same on a pixel grid.

use std::f64::consts::FRAC_PI_2;

/// How the tip of a bit is ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ToolShape {
    /// A half ball; straight sides above it.
    Ball,
    /// Straight across.
    Flat,
    /// A half ball that runs tangentially into a cone.
    TaperedBall {
        /// Angle between the bit's axis and its flank, radians.
        half_angle_rad: f64,
    },
}

/// A bit's cutting part.
///
/// ```text
///   ball        flat      tapered ball
///  |     |    |     |      \       /    ^
///  |     |    |     |       \     /     | flute
///  |     |    |     |        \   /      |
///   \___/     |_____|         (_)       v
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tool {
    /// How the tip is ground.
    pub shape: ToolShape,
    /// Diameter of the straight part, or of the ball at the tip of a tapered bit, mm.
    pub diameter_mm: f64,
    /// Length of the cutting part, mm.
    pub flute_mm: f64,
}

impl Tool {
    /// A ball-nosed bit with a flute of no matter which length.
    pub fn ball(diameter_mm: f64) -> Tool {
        Tool {
            shape: ToolShape::Ball,
            diameter_mm,
            flute_mm: f64::INFINITY,
        }
    }

    /// A flat bit with a flute of no matter which length.
    pub fn flat(diameter_mm: f64) -> Tool {
        Tool {
            shape: ToolShape::Flat,
            diameter_mm,
            flute_mm: f64::INFINITY,
        }
    }

    /// Half the diameter, mm.
    pub fn radius_mm(&self) -> f64 {
        0.5 * self.diameter_mm
    }

    /// Distance from the axis to the outermost cutting edge, mm.
    pub fn reach_mm(&self) -> f64 {
        let r = self.radius_mm();
        match self.shape {
            ToolShape::Ball | ToolShape::Flat => r,
            ToolShape::TaperedBall { half_angle_rad } => {
                let (sin, cos) = half_angle_rad.sin_cos();
                let above = self.flute_mm - r * (1.0 - sin);
                (r * cos + above.max(0.0) * half_angle_rad.tan()).max(r * cos)
            }
        }
    }

    /// Height of the outline over the tip at a distance from the axis, mm; `None` beyond the bit.
    ///
    /// Ball: r − √(r² − ρ²). Tapered: the same up to ρ = r·cos α, where the ball's tangent leans
    /// as the flank does, then straight on at 1/tan α.
    pub fn height_mm(&self, distance_mm: f64) -> Option<f64> {
        let r = self.radius_mm();
        let cap = |rho: f64| r - (r * r - rho * rho).max(0.0).sqrt();
        // A pixel centre that lies on the edge belongs to the bit, however it was rounded.
        if distance_mm > self.reach_mm() + 1e-9 {
            return None;
        }
        Some(match self.shape {
            ToolShape::Flat => 0.0,
            ToolShape::Ball => cap(distance_mm.min(r)),
            ToolShape::TaperedBall { half_angle_rad } => {
                let (sin, cos) = half_angle_rad.sin_cos();
                let tangent = r * cos;
                if distance_mm <= tangent {
                    cap(distance_mm)
                } else {
                    r * (1.0 - sin) + (distance_mm - tangent) / half_angle_rad.tan()
                }
            }
        })
    }

    /// The steepest wall the bit can leave clean, radians from level; a quarter turn for straight
    /// sides.
    pub fn steepest_rad(&self) -> f64 {
        match self.shape {
            ToolShape::Ball | ToolShape::Flat => FRAC_PI_2,
            ToolShape::TaperedBall { half_angle_rad } => FRAC_PI_2 - half_angle_rad,
        }
    }

    /// The bit on a grid of square pixels.
    pub fn profile(&self, pixel_mm: f64) -> Profile {
        Profile::new(self.reach_mm(), pixel_mm, |rho| self.height_mm(rho))
    }
}

/// A round outline sampled at pixel centres: heights over the tip.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Pixels from the axis to the outermost sample along a row.
    pub radius_px: usize,
    /// One per row `0..=radius_px` off the axis: heights at columns 0, 1, … off the axis, mm.
    /// Rows and columns on the other side of the axis are the same.
    pub rows: Vec<Vec<f32>>,
}

impl Profile {
    /// Samples a height that never falls with distance, `None` outside.
    pub fn new(reach_mm: f64, pixel_mm: f64, height: impl Fn(f64) -> Option<f64>) -> Profile {
        let radius_px = (reach_mm / pixel_mm + 1e-9).floor() as usize;
        let rows = (0..=radius_px)
            .map(|dy| {
                (0..=radius_px)
                    .map_while(|dx| height(pixel_mm * (dx as f64).hypot(dy as f64)))
                    .map(|h| h as f32)
                    .collect()
            })
            .collect();
        Profile { radius_px, rows }
    }

    /// Whether all of it lies at the height of the tip.
    pub fn is_flat(&self) -> bool {
        self.rows.iter().flatten().all(|&h| h == 0.0)
    }

    /// Pixels under the bit.
    pub fn pixels(&self) -> usize {
        let whole = |len: usize| (2 * len).saturating_sub(1);
        let lines = self.rows.iter().enumerate();
        lines
            .map(|(dy, row)| whole(row.len()) * if dy == 0 { 1 } else { 2 })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tapered_flank_leaves_the_ball_without_a_kink() {
        let tool = Tool {
            shape: ToolShape::TaperedBall {
                half_angle_rad: 7f64.to_radians(),
            },
            diameter_mm: 1.0,
            flute_mm: 12.0,
        };
        let h = |rho| tool.height_mm(rho).unwrap();
        let tangent = 0.5 * 7f64.to_radians().cos();
        let slope = |a: f64, b: f64| (h(b) - h(a)) / (b - a);
        let wanted = 1.0 / 7f64.to_radians().tan();
        assert!((slope(tangent - 1e-7, tangent) / wanted - 1.0).abs() < 1e-3);
        assert!((slope(tangent, tangent + 0.1) / wanted - 1.0).abs() < 1e-9);
        // The flank ends where the flute does.
        assert!((h(tool.reach_mm()) - 12.0).abs() < 1e-9);
        assert_eq!(tool.height_mm(tool.reach_mm() + 1e-6), None);
    }

    #[test]
    fn a_profile_holds_the_pixel_centres_under_the_bit() {
        let profile = Tool::ball(3.2).profile(0.1);
        let mut count = 0;
        for dy in -20i32..=20 {
            for dx in -20i32..=20 {
                count += usize::from(dx * dx + dy * dy <= 16 * 16);
            }
        }
        assert_eq!(profile.radius_px, 16);
        assert_eq!(profile.pixels(), count);
        assert_eq!(profile.rows[16], [1.6]);
        assert!(Tool::flat(3.0).profile(0.1).is_flat() && !profile.is_flat());
    }
}
