//! What a facet image is asked to show: plain numbers, no grid.

use crate::model::geometry::Frame;
use crate::model::settings::{Base, Outside, Projection};
use glam::DVec2;

/// One side of a facet: a seam plane through the globe's centre, seen from the facet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Side {
    /// Unit vector in the facet plane, away from the facet's centre, square to the side.
    pub outward: DVec2,
    /// Tangent of the blade tilt: how far the seam moves out per mm of height over the centre.
    pub slant: f64,
}

/// Whether a point (mm, z over the globe's centre) is inside all sides or at most `trim_mm` beyond.
pub fn inside_all(sides: &[Side], trim_mm: f64, lateral: DVec2, z_mm: f64) -> bool {
    sides
        .iter()
        .all(|side| side.outward.dot(lateral) <= side.slant * z_mm + trim_mm)
}

/// One facet's geometry, levels and image frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FacetSpec {
    /// Axes in the body frame.
    pub frame: Frame,
    /// What relief is measured from.
    pub base: Base,
    /// How relief is laid on.
    pub projection: Projection,
    /// Datum radius, mm (sphere base).
    pub radius_mm: f64,
    /// Distance of the face plane from the globe's centre, mm (flat base).
    pub base_distance_mm: f64,
    /// Distance of the blank's back from the globe's centre, mm.
    pub back_plane_mm: f64,
    /// Blank outline with its trim, mm, counter-clockwise, convex.
    pub outline_mm: Vec<DVec2>,
    /// Sides in the order of the facet's edges.
    pub sides: Vec<Side>,
    /// Ground up to this far outside a seam belongs to the facet, mm.
    pub trim_mm: f64,
    /// What to draw outside the outline.
    pub outside: Outside,
    /// Image columns.
    pub width_px: usize,
    /// Image rows.
    pub height_px: usize,
    /// Pixel size, mm.
    pub pixel_mm: f64,
    /// Height above the back shown as 0, mm.
    pub black_mm: f64,
    /// Height above the back shown as 65535, mm.
    pub white_mm: f64,
}

impl FacetSpec {
    /// x of a column's centre, mm.
    pub fn x_mm(&self, column: usize) -> f64 {
        (column as f64 + 0.5 - self.width_px as f64 / 2.0) * self.pixel_mm
    }

    /// y of a row's centre, mm.
    pub fn y_mm(&self, row: usize) -> f64 {
        (self.height_px as f64 / 2.0 - row as f64 - 0.5) * self.pixel_mm
    }

    /// Whether a point (mm, z over the globe's centre) lies in the facet or its trim.
    ///
    /// The outline is straight-sided and so holds ground farther out, beyond the corners above
    /// all; nobody will ever see that.
    pub fn in_trim(&self, lateral: DVec2, z_mm: f64) -> bool {
        inside_all(&self.sides, self.trim_mm, lateral, z_mm)
    }

    /// Columns of a row that are drawn.
    pub fn drawn(&self, row: usize) -> std::ops::Range<usize> {
        match self.outside {
            Outside::Floor => self.span(row),
            Outside::Terrain => 0..self.width_px,
        }
    }

    /// Columns of a row whose centres lie inside the outline.
    pub fn span(&self, row: usize) -> std::ops::Range<usize> {
        let y = self.y_mm(row);
        let (mut left, mut right) = (f64::INFINITY, f64::NEG_INFINITY);
        for (i, a) in self.outline_mm.iter().enumerate() {
            let b = self.outline_mm[(i + 1) % self.outline_mm.len()];
            if (a.y <= y) != (b.y <= y) {
                let x = a.x + (y - a.y) / (b.y - a.y) * (b.x - a.x);
                left = left.min(x);
                right = right.max(x);
            }
        }
        if left > right {
            return 0..0;
        }
        let column = |x: f64| x / self.pixel_mm + self.width_px as f64 / 2.0 - 0.5;
        let first = column(left).ceil().clamp(0.0, self.width_px as f64) as usize;
        let end = (column(right).floor() + 1.0).clamp(0.0, self.width_px as f64) as usize;
        first..end.max(first)
    }
}

/// What was found while drawing, inside the outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FacetStats {
    /// Lowest carved height of the facet and its trim above the back, mm.
    pub min_mm: f64,
    /// Highest carved height inside the outline above the back, mm.
    pub max_mm: f64,
    /// Pixels whose ground is higher than white.
    pub clipped_high_px: u64,
    /// Pixels of the facet and its trim whose ground is lower than black.
    pub clipped_low_px: u64,
    /// Pixels where the surface is undercut.
    pub undercut_px: u64,
    /// Pixels whose vertical line passes the globe by; they show the floor.
    pub missed_px: u64,
    /// Pixels inside the outline.
    pub carved_px: u64,
}

impl FacetStats {
    /// Of no pixels.
    pub const NONE: FacetStats = FacetStats {
        min_mm: f64::INFINITY,
        max_mm: f64::NEG_INFINITY,
        clipped_high_px: 0,
        clipped_low_px: 0,
        undercut_px: 0,
        missed_px: 0,
        carved_px: 0,
    };

    /// Of two sets of pixels together. Any order gives the same result.
    pub fn with(self, other: FacetStats) -> FacetStats {
        FacetStats {
            min_mm: self.min_mm.min(other.min_mm),
            max_mm: self.max_mm.max(other.max_mm),
            clipped_high_px: self.clipped_high_px + other.clipped_high_px,
            clipped_low_px: self.clipped_low_px + other.clipped_low_px,
            undercut_px: self.undercut_px + other.undercut_px,
            missed_px: self.missed_px + other.missed_px,
            carved_px: self.carved_px + other.carved_px,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_hold_just_the_pixels_whose_centres_are_inside() {
        let outline = [
            (0.0, 2.0),
            (-2.1, 0.3),
            (-1.2, -1.8),
            (1.2, -1.8),
            (2.1, 0.3),
        ];
        let spec = FacetSpec {
            frame: Frame::looking_along(glam::DVec3::Z, glam::DVec3::X),
            base: Base::Sphere,
            projection: Projection::Radial,
            radius_mm: 1.0,
            base_distance_mm: 1.0,
            back_plane_mm: 0.0,
            outline_mm: outline.iter().map(|&(x, y)| DVec2::new(x, y)).collect(),
            sides: Vec::new(),
            trim_mm: 0.0,
            outside: Outside::Floor,
            width_px: 43,
            height_px: 40,
            pixel_mm: 0.1,
            black_mm: 0.0,
            white_mm: 1.0,
        };
        for row in 0..spec.height_px {
            for column in 0..spec.width_px {
                let p = DVec2::new(spec.x_mm(column), spec.y_mm(row));
                let inside = (0..5).all(|i| {
                    let (a, b) = (spec.outline_mm[i], spec.outline_mm[(i + 1) % 5]);
                    (b - a).perp_dot(p - a) >= -1e-12
                });
                assert_eq!(inside, spec.span(row).contains(&column), "{row} {column}");
            }
        }
    }
}
