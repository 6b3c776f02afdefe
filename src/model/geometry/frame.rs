//! A facet's own axes.

use glam::{DMat3, DVec3};

/// Right-handed axes of a facet, unit vectors in the body frame.
///
/// ```text
///        y  towards the index corner
///        |
///        |
///        o----- x      z points out of the page, away from the globe's centre
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// To the right, seen from outside.
    pub x: DVec3,
    /// Up, towards the index corner.
    pub y: DVec3,
    /// Outward unit normal.
    pub z: DVec3,
}

impl Frame {
    /// The frame with a given normal whose y axis points as nearly as possible towards `up`.
    ///
    /// `up` must not be parallel to the normal.
    pub fn looking_along(normal: DVec3, up: DVec3) -> Frame {
        let z = normal.normalize();
        let y = (up - z * up.dot(z)).normalize();
        Frame {
            x: y.cross(z),
            y,
            z,
        }
    }

    /// Components of a body-frame vector along the facet's axes.
    pub fn to_local(&self, body: DVec3) -> DVec3 {
        DVec3::new(self.x.dot(body), self.y.dot(body), self.z.dot(body))
    }

    /// The body-frame vector with the given components along the facet's axes.
    pub fn to_body(&self, local: DVec3) -> DVec3 {
        self.x * local.x + self.y * local.y + self.z * local.z
    }

    /// The axes as columns: a turn that carries facet components to the body frame.
    pub fn axes(&self) -> DMat3 {
        DMat3::from_cols(self.x, self.y, self.z)
    }

    /// The frame after turning the body it is fixed to.
    pub fn turned(&self, turn: &DMat3) -> Frame {
        Frame {
            x: *turn * self.x,
            y: *turn * self.y,
            z: *turn * self.z,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_are_right_handed_with_x_to_the_right_seen_from_outside() {
        let frame = Frame::looking_along(DVec3::X, DVec3::Z);
        // Standing off +x and looking at the body, north up, east (+y) is to the right.
        assert!((frame.x - DVec3::Y).length() < 1e-15);
        assert!((frame.x.cross(frame.y) - frame.z).length() < 1e-15);
        let v = DVec3::new(0.3, -0.7, 1.9);
        assert!((frame.to_body(frame.to_local(v)) - v).length() < 1e-15);
    }
}
