//! Shaded relief.
//!
//! Slope by Horn's 3 × 3 weights (Horn 1981, "Hill Shading and the Reflectance Map"); light on a
//! matt surface by Lambert's cosine.

use ndarray::Array2;

/// Where the light stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// Unit vector towards the light: x right, y up, z towards the eye.
    toward: [f64; 3],
    /// Heights are multiplied by this before shading.
    pub exaggeration: f64,
}

impl Light {
    /// From the upper left, where readers of maps expect it: with the light below, hills look
    /// like hollows.
    pub fn upper_left(exaggeration: f64) -> Light {
        // Half-way down the sky: 45 degrees high.
        let level = std::f64::consts::FRAC_1_SQRT_2 * std::f64::consts::FRAC_1_SQRT_2;
        Light {
            toward: [-level, level, std::f64::consts::FRAC_1_SQRT_2],
            exaggeration,
        }
    }
}

/// Brightness of each pixel, 0 (facing away) to 1 (facing the light); level ground is 0.707.
///
/// `heights` and `pixel` are in the same unit; row 0 is at the top. Edge pixels repeat outside.
pub fn shade(heights: &Array2<f32>, pixel: f64, light: &Light) -> Array2<f32> {
    let (rows, columns) = heights.dim();
    let scale = (light.exaggeration / (8.0 * pixel)) as f32;
    let [lx, ly, lz] = light.toward.map(|v| v as f32);
    Array2::from_shape_fn((rows, columns), |(row, column)| {
        let (up, down) = (row.saturating_sub(1), (row + 1).min(rows - 1));
        let (left, right) = (column.saturating_sub(1), (column + 1).min(columns - 1));
        let at = |r, c| heights[(r, c)];
        let east = at(up, right) + 2.0 * at(row, right) + at(down, right);
        let west = at(up, left) + 2.0 * at(row, left) + at(down, left);
        let north = at(up, left) + 2.0 * at(up, column) + at(up, right);
        let south = at(down, left) + 2.0 * at(down, column) + at(down, right);
        let (slope_x, slope_y) = (scale * (east - west), scale * (north - south));
        let facing = lz - lx * slope_x - ly * slope_y;
        (facing / (1.0 + slope_x * slope_x + slope_y * slope_y).sqrt()).clamp(0.0, 1.0)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(slope_x: f64, slope_y: f64) -> Array2<f32> {
        Array2::from_shape_fn((9, 9), |(row, column)| {
            (slope_x * column as f64 * 0.5 - slope_y * row as f64 * 0.5) as f32
        })
    }

    /// Closed form: the cosine of the angle between a plane's normal and the light.
    #[test]
    fn planes_are_as_bright_as_lamberts_cosine() {
        for (a, b) in [
            (0.0, 0.0),
            (0.3, -0.2),
            (-1.0, 1.0),
            (0.5, 0.5),
            (1.0, -1.0),
        ] {
            let bright = shade(&plane(a, b), 0.5, &Light::upper_left(1.0));
            let normal_length = (1.0 + a * a + b * b).sqrt();
            let expected = (0.5 * a - 0.5 * b + 0.5_f64.sqrt()) / normal_length;
            let found = f64::from(bright[(4, 4)]);
            assert!(
                (found - expected.clamp(0.0, 1.0)).abs() < 1e-6,
                "{a} {b}: {found}"
            );
        }
    }

    #[test]
    fn a_hill_is_bright_at_the_upper_left() {
        let hill = Array2::from_shape_fn((21, 21), |(row, column)| {
            let (x, y) = (column as f32 - 10.0, 10.0 - row as f32);
            5.0 * (-(x * x + y * y) / 30.0).exp()
        });
        let bright = shade(&hill, 1.0, &Light::upper_left(1.0));
        assert!(bright[(6, 6)] > bright[(10, 10)]);
        assert!(bright[(14, 14)] < bright[(10, 10)]);
    }
}
