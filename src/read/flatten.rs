//! Taking the flattening of a body out of heights that count from a sphere or from the centre.
//!
//! ```text
//!   r(φ') = a·c / √((a·sin φ')² + (c·cos φ')²)      height = stored height − (r(φ') − R)
//! ```
//!
//! with the semi-axes a (equator) and c (pole), the planetocentric latitude φ' and the radius R
//! that stored heights count from. On Mars r falls by 20 km from the equator to the poles, nearly
//! as much as its terrain is high, so flattening left in buries the relief.

use super::open::Raster;
use super::placement::Placement;
use super::reference::Reference;
use crate::model::bodies::body_named;
use crate::model::error::{Error, Problem, Result};

/// A body's ellipsoid of rotation.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Ellipsoid {
    pub equator_m: f64,
    pub polar_m: f64,
    /// Where the axes come from.
    from: String,
}

/// The axes, from the file's coordinate system if that is flattened, else from the body.
pub(super) fn ellipsoid(raster: &Raster, reference: &Reference) -> Result<Ellipsoid> {
    if let Some(crs) = &raster.crs
        && crs.semi_minor_m != crs.semi_major_m
    {
        return Ok(Ellipsoid {
            equator_m: crs.semi_major_m,
            polar_m: crs.semi_minor_m,
            from: "the file's coordinate system".to_owned(),
        });
    }
    let body = reference.body.as_deref().and_then(body_named);
    match body {
        Some(body) if body.polar_m != body.radius_m => Ok(Ellipsoid {
            equator_m: body.radius_m,
            polar_m: body.polar_m,
            from: format!("the table of bodies for {}", body.name),
        }),
        Some(body) => Err(refused(
            format!("{} is taken for a sphere", body.name),
            "set flattening = \"keep\" under [grid]",
        )),
        None => Err(refused(
            "no body that the program knows the axes of".to_owned(),
            "add body = \"…\" under [grid], or set flattening = \"keep\"",
        )),
    }
}

fn refused(found: String, next: &str) -> Error {
    Error::Job(
        Problem::new("there is no known flattening to take out")
            .setting("grid.flattening")
            .found(found)
            .allowed("a body with two different axes")
            .next(next),
    )
}

impl Ellipsoid {
    /// Distance of the surface from the centre at a planetocentric latitude, metres.
    pub fn radius_m(&self, lat_deg: f64) -> f64 {
        let (sin, cos) = lat_deg.to_radians().sin_cos();
        let (a, c) = (self.equator_m, self.polar_m);
        a * c / (a * sin).hypot(c * cos)
    }

    /// Height of the ellipsoid over a sphere in each row, metres.
    pub fn above_sphere_m(&self, placement: &Placement, radius_m: f64) -> Vec<f64> {
        (0..placement.rows)
            .map(|row| self.radius_m(placement.lat_deg(row)) - radius_m)
            .collect()
    }

    /// What was done, for people.
    pub fn note(&self, radius_m: f64) -> String {
        format!(
            "the ellipsoid of {} by {} km ({}) was taken out: heights changed by {:.0} m at the \
             equator and {:+.0} m at the poles",
            self.equator_m / 1000.0,
            self.polar_m / 1000.0,
            self.from,
            radius_m - self.equator_m,
            radius_m - self.polar_m,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn the_axes_are_met_and_the_middle_is_the_closed_form() {
        let mars = Ellipsoid {
            equator_m: 3_396_190.0,
            polar_m: 3_376_200.0,
            from: String::new(),
        };
        assert_abs_diff_eq!(mars.radius_m(0.0), 3_396_190.0, epsilon = 1e-6);
        assert_abs_diff_eq!(mars.radius_m(-90.0), 3_376_200.0, epsilon = 1e-6);
        // At 45°: r² = 2 a² c² / (a² + c²).
        let (a2, c2) = (3_396_190f64.powi(2), 3_376_200f64.powi(2));
        let middle = (2.0 * a2 * c2 / (a2 + c2)).sqrt();
        assert_abs_diff_eq!(mars.radius_m(45.0), middle, epsilon = 1e-6);
    }
}
