//! What a coordinate system says: degrees or metres, and the size of the body.

use super::values::LARGEST;
use crate::model::error::{Error, Problem, Result};
use gdal::spatial_ref::SpatialRef;

/// A coordinate system in plain numbers.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Crs {
    /// Name as the file has it.
    pub name: String,
    pub kind: CoordinateKind,
    /// Semi-major axis, metres.
    pub semi_major_m: f64,
    /// Semi-minor axis, metres; equal to the semi-major one for a sphere.
    pub semi_minor_m: f64,
    /// Latitudes are angles of the vertical on a flattened body, not of the line to its centre.
    pub graphic: bool,
    /// As PROJ writes it.
    pub proj: String,
}

/// How coordinates become longitude and latitude.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum CoordinateKind {
    /// Angles; degrees per unit, and the longitude of the prime meridian.
    Angles { unit_deg: f64, meridian_deg: f64 },
    /// Equidistant cylindrical: metres along the equator and the meridians.
    Cylindrical {
        unit_m: f64,
        centre_lon_deg: f64,
        parallel_deg: f64,
        east_m: f64,
        north_m: f64,
    },
    /// Some other projection; metres per unit.
    Other { unit_m: f64 },
}

impl Crs {
    /// Degrees of longitude and latitude for a file's origin and steps, in the order west, lat,
    /// lon step, lat step. `None` for other projections.
    pub fn to_degrees(&self, x: f64, y: f64, dx: f64, dy: f64) -> Option<(f64, f64, f64, f64)> {
        match self.kind {
            CoordinateKind::Angles {
                unit_deg,
                meridian_deg,
            } => Some((
                x * unit_deg + meridian_deg,
                y * unit_deg,
                dx * unit_deg,
                dy * unit_deg,
            )),
            CoordinateKind::Cylindrical {
                unit_m,
                centre_lon_deg,
                parallel_deg,
                east_m,
                north_m,
            } => {
                let lat = (unit_m / self.semi_major_m).to_degrees();
                let lon = lat / parallel_deg.to_radians().cos();
                Some((
                    (x - east_m / unit_m) * lon + centre_lon_deg,
                    (y - north_m / unit_m) * lat,
                    dx * lon,
                    dy * lat,
                ))
            }
            CoordinateKind::Other { .. } => None,
        }
    }

    /// Refuses a body or units from which nothing can be worked out.
    pub fn checked(self) -> Result<Crs> {
        let trouble = |what: &str, found: String, allowed: &str| {
            Err(Error::Grid(
                Problem::new(what)
                    .found(found)
                    .allowed(allowed)
                    .next("correct the coordinate system written in the file or its label"),
            ))
        };
        let solid = |radius_m: f64| (1.0..=LARGEST).contains(&radius_m);
        if !(solid(self.semi_major_m) && solid(self.semi_minor_m)) {
            let found = format!("{} m and {} m", self.semi_major_m, self.semi_minor_m);
            return trouble(
                "the grid's coordinate system has no usable body radius",
                found,
                "radii from 1 m to 1000000 km",
            );
        }
        let (unit, others) = match self.kind {
            CoordinateKind::Angles {
                unit_deg,
                meridian_deg,
            } => (unit_deg, vec![meridian_deg]),
            CoordinateKind::Cylindrical {
                unit_m,
                centre_lon_deg,
                parallel_deg,
                east_m,
                north_m,
            } => (unit_m, vec![centre_lon_deg, parallel_deg, east_m, north_m]),
            CoordinateKind::Other { unit_m } => (unit_m, Vec::new()),
        };
        if !(unit > 0.0 && unit.is_finite() && others.iter().all(|n| n.is_finite())) {
            return trouble(
                "the grid's coordinate system has a unit or a parameter that makes no sense",
                format!("\"{}\"", self.proj),
                "finite numbers, and a unit above 0",
            );
        }
        Ok(self)
    }

    /// `(c/a)²` of a body whose latitudes are not planetocentric, else 1:
    /// `tan(centric) = (c/a)² · tan(graphic)`.
    pub fn axis_ratio_squared(&self) -> f64 {
        if self.graphic {
            (self.semi_minor_m / self.semi_major_m).powi(2)
        } else {
            1.0
        }
    }
}

/// Reads a coordinate system; `None` when it has no body (local engineering systems).
pub(super) fn read(reference: &SpatialRef) -> Result<Option<Crs>> {
    let (Ok(semi_major_m), Ok(semi_minor_m)) = (reference.semi_major(), reference.semi_minor())
    else {
        return Ok(None);
    };
    if reference.is_local() || !(reference.is_geographic() || reference.is_projected()) {
        return Ok(None);
    }
    let proj = reference.to_proj4().unwrap_or_default().trim().to_owned();
    if proj.contains("grids=") && !proj.contains("grids=@null") {
        return Err(Error::Grid(
            Problem::new("the grid's coordinate system refers to a file of its own")
                .found(proj)
                .allowed("a coordinate system that needs nothing beside it")
                .next("write a plain coordinate system into the file"),
        ));
    }
    let number = |key: &str| parameter(&proj, key).unwrap_or(0.0);
    let name = reference.name().unwrap_or_default();
    let kind = if reference.is_geographic() {
        CoordinateKind::Angles {
            unit_deg: reference.angular_units().to_degrees(),
            meridian_deg: number("pm"),
        }
    } else if proj.split_whitespace().any(|w| w == "+proj=eqc") && number("lat_0") == 0.0 {
        // The plain formula counts from the equator.
        CoordinateKind::Cylindrical {
            unit_m: reference.linear_units(),
            centre_lon_deg: number("lon_0") + number("pm"),
            parallel_deg: number("lat_ts"),
            east_m: number("x_0"),
            north_m: number("y_0"),
        }
    } else {
        CoordinateKind::Other {
            unit_m: reference.linear_units(),
        }
    };
    // Coordinate systems of flattened bodies measure the vertical, unless their name says that
    // they do not ("Mars (2015) / Ocentric").
    let flattened = (semi_major_m - semi_minor_m).abs() > 1e-7 * semi_major_m;
    let crs = Crs {
        graphic: flattened && !name.to_lowercase().contains("centric"),
        name,
        kind,
        semi_major_m,
        semi_minor_m,
        proj,
    };
    crs.checked().map(Some)
}

/// A number in a PROJ string.
fn parameter(proj: &str, key: &str) -> Option<f64> {
    proj.split_whitespace().find_map(|word| {
        let (name, value) = word.strip_prefix('+')?.split_once('=')?;
        (name == key).then(|| value.parse().ok()).flatten()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn crs(definition: &str) -> Crs {
        read(&SpatialRef::from_definition(definition).unwrap())
            .unwrap()
            .unwrap()
    }

    #[test]
    fn metres_on_a_sphere_become_degrees() {
        // Source: +proj=eqc on a sphere of 3396190 m puts longitude 180 at x = 10669445.554195
        // (closed form, and PROJ 9.1).
        let mars = crs("+proj=eqc +R=3396190 +units=m +no_defs");
        let (west, north, _, _) = mars
            .to_degrees(-10_669_445.554195, 5_334_722.777097, 1.0, -1.0)
            .unwrap();
        assert_abs_diff_eq!(west, -180.0, epsilon = 1e-9);
        assert_abs_diff_eq!(north, 90.0, epsilon = 1e-9);
        assert_eq!(mars.axis_ratio_squared(), 1.0);
    }

    #[test]
    fn centre_and_true_parallel_are_used() {
        let c = crs("+proj=eqc +R=1000000 +lon_0=180 +lat_ts=60 +x_0=500 +units=km +no_defs");
        // At a true parallel of 60 degrees columns are half as far apart as on the equator.
        let quarter = 0.5 * 1000.0 * std::f64::consts::FRAC_PI_2;
        let (lon, _, _, _) = c.to_degrees(quarter + 0.5, 0.0, 1.0, -1.0).unwrap();
        assert_abs_diff_eq!(lon, 270.0, epsilon = 1e-9);
    }

    #[test]
    fn degrees_pass_and_other_projections_are_told_apart() {
        let c = crs("EPSG:4326");
        assert_eq!(
            c.kind,
            CoordinateKind::Angles {
                unit_deg: 1.0,
                meridian_deg: 0.0
            }
        );
        assert_abs_diff_eq!(
            c.axis_ratio_squared(),
            (6_356_752.314_245f64 / 6_378_137.0).powi(2),
            epsilon = 1e-12
        );
        let polar = crs("+proj=stere +lat_0=90 +R=3396000 +units=m +no_defs");
        assert_eq!(polar.kind, CoordinateKind::Other { unit_m: 1.0 });
        assert_eq!(polar.semi_major_m, 3_396_000.0);
    }
}
