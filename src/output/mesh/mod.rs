//! Triangle meshes of facets, made from the height images that are carved.
//!
//! The top follows the image: [`Terrain`] refines a grid of right triangles until no pixel is
//! farther from the mesh than a tolerance, and says how far the farthest is. [`solid`] cuts that
//! surface along the walls of a facet ([`Outline`]), lets the walls down to the flat back and
//! closes it, so that the mesh encloses just the wood that is left.
//!
//! Everything is in the facet's own frame, mm: z = 0 is the back of the blank, +y points to the
//! index corner, and triangles run counter-clockwise seen from outside.

mod middles;
mod outline;
mod pixel_lattice;
mod terrain;
mod watertight;

pub use outline::{Outline, Wall, corners_mm};
pub use terrain::{Surface, Terrain};
pub use watertight::{close, solid};

use glam::{DVec2, DVec3};
use ndarray::Array2;

/// Farthest that a mesh may be from the image it is made from, mm: half the width of a sharp
/// pencil line, and less than a hand can feel.
pub const TOLERANCE_MM: f64 = 0.05;

/// A facet's height image with its scale.
#[derive(Debug, Clone, Copy)]
pub struct Heightmap<'a> {
    /// 16-bit levels, `(rows, columns)`; row 0 is +y, column 0 is −x.
    pub levels: &'a Array2<u16>,
    /// Pixel size, mm.
    pub pixel_mm: f64,
    /// Height above the back shown as 0, mm.
    pub black_mm: f64,
    /// Height above the back shown as 65535, mm.
    pub white_mm: f64,
}

impl Heightmap<'_> {
    /// Height of one level, mm.
    pub fn step_mm(&self) -> f64 {
        (self.white_mm - self.black_mm) / f64::from(u16::MAX)
    }

    /// Height of a level above the back, mm.
    pub fn mm(&self, level: f32) -> f64 {
        self.black_mm + self.step_mm() * f64::from(level)
    }

    /// Where a pixel's centre lies, mm; also for pixels beyond the image.
    pub fn place_mm(&self, row: i64, column: i64) -> DVec2 {
        let (rows, columns) = self.levels.dim();
        DVec2::new(
            (column as f64 + 0.5 - 0.5 * columns as f64) * self.pixel_mm,
            (0.5 * rows as f64 - row as f64 - 0.5) * self.pixel_mm,
        )
    }
}

/// A closed mesh of one facet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Mesh {
    /// Corners of triangles, mm.
    pub points: Vec<DVec3>,
    /// Indices into `points`, counter-clockwise seen from outside. The carved top comes first,
    /// then walls and back.
    pub triangles: Vec<[u32; 3]>,
    /// How many of the triangles are the carved top.
    pub top: usize,
    /// Edges of the carved top along the walls, counter-clockwise seen from above.
    pub rim: Vec<[u32; 2]>,
    /// How far the farthest pixel of the facet is from the mesh, straight up or down, mm.
    pub error_mm: f64,
}

impl Mesh {
    /// The three corners of a triangle.
    pub fn corners(&self, triangle: [u32; 3]) -> [DVec3; 3] {
        triangle.map(|index| self.points[index as usize])
    }

    #[cfg(test)]
    /// Volume inside, mm³: the sum of the tetrahedra from the origin to every triangle. Positive
    /// when triangles face outwards.
    pub fn volume_mm3(&self) -> f64 {
        let signed = |triangle: &[u32; 3]| {
            let [a, b, c] = self.corners(*triangle);
            a.dot(b.cross(c)) / 6.0
        };
        self.triangles.iter().map(signed).sum()
    }

    #[cfg(test)]
    /// Edges that do not belong to exactly two triangles, once each way. None in a mesh without
    /// holes or folds.
    pub fn open_edges(&self) -> Vec<[u32; 2]> {
        let mut edges: std::collections::BTreeMap<[u32; 2], (u32, u32)> = Default::default();
        for &[a, b, c] in &self.triangles {
            for [from, to] in [[a, b], [b, c], [c, a]] {
                let uses = edges.entry([from.min(to), from.max(to)]).or_default();
                if from < to {
                    uses.0 += 1;
                } else {
                    uses.1 += 1;
                }
            }
        }
        let open = edges.into_iter().filter(|(_, uses)| *uses != (1, 1));
        open.map(|(edge, _)| edge).collect()
    }
}

#[cfg(test)]
mod tests;
