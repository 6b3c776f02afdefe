//! Named bodies and their radii.
//!
//! Reference radii and axes: Archinal et al. (2018), "Report of the IAU Working Group on
//! Cartographic Coordinates and Rotational Elements: 2015", Celestial Mechanics and Dynamical
//! Astronomy 130:22, as carried by the PROJ database under the authority `IAU_2015`. The other
//! radii are those that published elevation products measure their heights from.

/// A body of the solar system, as elevation grids know it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Body {
    /// Name with a capital letter.
    pub name: &'static str,
    /// Radius of the IAU reference sphere (the equatorial radius), metres.
    pub radius_m: f64,
    /// Polar radius, metres.
    pub polar_m: f64,
    /// Other radii that grids of this body are referred to, metres.
    pub also_m: &'static [f64],
}

/// Two radii of one body may differ by this share and still mean the same reference surface.
///
/// Wide enough for mean against equatorial radius (Mars: 0.2 %), far narrower than the distance
/// between any two bodies in the table that people carve.
pub const SAME_RADIUS_SHARE: f64 = 0.005;

const BODIES: &[Body] = &[
    body(
        "Mercury",
        2_440_530.0,
        2_438_260.0,
        &[2_439_400.0, 2_439_700.0, 2_440_000.0],
    ),
    body(
        "Venus",
        6_051_800.0,
        6_051_800.0,
        &[6_051_000.0, 6_051_840.0],
    ),
    body(
        "Earth",
        6_378_136.6,
        6_356_751.9,
        &[6_378_137.0, 6_371_000.0, 6_371_229.0, 6_370_997.0],
    ),
    body("Moon", 1_737_400.0, 1_737_400.0, &[1_738_000.0]),
    body(
        "Mars",
        3_396_190.0,
        3_376_200.0,
        &[3_396_000.0, 3_389_500.0],
    ),
    body(
        "Ceres",
        487_300.0,
        446_000.0,
        &[470_000.0, 469_700.0, 482_000.0],
    ),
    body("Vesta", 255_000.0, 255_000.0, &[289_000.0, 229_000.0]),
    body("Eros", 17_000.0, 5_500.0, &[8_420.0]),
    body("Io", 1_821_490.0, 1_821_490.0, &[1_829_400.0, 1_815_700.0]),
    body(
        "Europa",
        1_560_800.0,
        1_560_800.0,
        &[1_562_600.0, 1_559_500.0],
    ),
    body("Ganymede", 2_631_200.0, 2_631_200.0, &[]),
    body("Callisto", 2_410_300.0, 2_410_300.0, &[]),
    body("Mimas", 198_200.0, 198_200.0, &[207_800.0, 190_600.0]),
    body("Enceladus", 252_100.0, 252_100.0, &[256_600.0, 248_300.0]),
    body("Tethys", 531_000.0, 531_000.0, &[538_400.0, 526_300.0]),
    body("Dione", 561_400.0, 561_400.0, &[563_400.0, 559_600.0]),
    body("Rhea", 763_500.0, 763_500.0, &[765_000.0, 762_400.0]),
    body("Titan", 2_575_000.0, 2_575_000.0, &[2_574_730.0]),
    body("Iapetus", 734_300.0, 734_300.0, &[745_700.0, 712_100.0]),
    body("Triton", 1_352_600.0, 1_352_600.0, &[]),
    body("Pluto", 1_188_300.0, 1_188_300.0, &[]),
    body("Charon", 606_000.0, 606_000.0, &[]),
    body("Phobos", 11_100.0, 11_100.0, &[13_000.0, 9_100.0]),
];

const fn body(name: &'static str, radius_m: f64, polar_m: f64, also_m: &'static [f64]) -> Body {
    Body {
        name,
        radius_m,
        polar_m,
        also_m,
    }
}

impl Body {
    /// Every radius a grid of this body may be referred to: IAU, polar, products.
    pub fn radii_m(&self) -> impl Iterator<Item = f64> + '_ {
        [self.radius_m, self.polar_m]
            .into_iter()
            .chain(self.also_m.iter().copied())
    }

    /// Whether a radius in metres is one of this body's, within [`SAME_RADIUS_SHARE`].
    pub fn has_radius(&self, radius_m: f64) -> bool {
        self.distance(radius_m) <= SAME_RADIUS_SHARE
    }

    /// Smallest relative difference between a radius and this body's radii.
    fn distance(&self, radius_m: f64) -> f64 {
        self.radii_m()
            .map(|r| (radius_m - r).abs() / r)
            .fold(f64::INFINITY, f64::min)
    }
}

/// All bodies in the table.
pub fn bodies() -> &'static [Body] {
    BODIES
}

/// The body of a name, in any mixture of capitals; "luna" and "terra" are understood.
pub fn body_named(name: &str) -> Option<&'static Body> {
    let name = match name.trim().to_lowercase().as_str() {
        "luna" | "the moon" => "moon".to_owned(),
        "terra" => "earth".to_owned(),
        other => other.to_owned(),
    };
    BODIES.iter().find(|b| b.name.to_lowercase() == name)
}

/// The body with the radius nearest to `radius_m`, if within [`SAME_RADIUS_SHARE`].
pub fn body_by_radius(radius_m: f64) -> Option<&'static Body> {
    BODIES
        .iter()
        .filter(|b| b.has_radius(radius_m))
        .min_by(|a, b| a.distance(radius_m).total_cmp(&b.distance(radius_m)))
}

/// How far a body's axis leans from the square to its orbit, degrees: between the IAU north pole
/// (Archinal et al. 2018) and the orbit's pole at J2000; the Moon's to the ecliptic. `None` where
/// it is not known or, as for most moons, about nothing.
pub fn tilt_deg(name: &str) -> Option<f64> {
    Some(match body_named(name)?.name {
        "Mercury" => 0.03,
        "Venus" => 2.64,
        "Earth" => 23.44,
        "Moon" => 1.54,
        "Mars" => 25.19,
        "Ceres" => 4.04,
        "Vesta" => 27.44,
        "Eros" => 89.01,
        "Pluto" | "Charon" => 119.61,
        _ => return None,
    })
}

/// Comma-separated names, for messages.
pub fn body_names() -> String {
    let names: Vec<&str> = BODIES.iter().map(|b| b.name).collect();
    names.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn radii_are_those_of_the_proj_database() {
        // Source: PROJ database, authority IAU_2015 (IAU WGCCRE 2015).
        for (name, radius_m, polar_m) in [
            ("Mercury", 2_440_530.0, 2_438_260.0),
            ("Venus", 6_051_800.0, 6_051_800.0),
            ("Earth", 6_378_136.6, 6_356_751.9),
            ("Moon", 1_737_400.0, 1_737_400.0),
            ("Mars", 3_396_190.0, 3_376_200.0),
            ("Ceres", 487_300.0, 446_000.0),
            ("Eros", 17_000.0, 5_500.0),
            ("Titan", 2_575_000.0, 2_575_000.0),
            ("Pluto", 1_188_300.0, 1_188_300.0),
            ("Io", 1_821_490.0, 1_821_490.0),
        ] {
            let body = body_named(name).unwrap();
            assert_eq!((body.radius_m, body.polar_m), (radius_m, polar_m), "{name}");
        }
    }

    #[test]
    fn a_radius_finds_its_body() {
        for (radius_m, name) in [
            (6_378_137.0, "Earth"),
            (6_371_008.8, "Earth"),
            (3_396_000.0, "Mars"),
            (3_389_500.0, "Mars"),
            (2_439_400.0, "Mercury"),
            (470_000.0, "Ceres"),
            (1_737_400.0, "Moon"),
            (6_051_000.0, "Venus"),
        ] {
            assert_eq!(body_by_radius(radius_m).map(|b| b.name), Some(name));
        }
        assert_eq!(body_by_radius(1_000_000.0), None);
        assert_eq!(body_by_radius(7_000_000.0), None);
    }

    #[test]
    fn every_body_is_found_by_its_own_radius() {
        for body in bodies() {
            assert_eq!(
                body_by_radius(body.radius_m).map(|b| b.name),
                Some(body.name)
            );
        }
    }

    /// From right ascension and declination of the north pole (Archinal et al. 2018), inclination and
    /// node of the orbit (E. M. Standish, "Approximate positions of the planets", and the JPL
    /// small-body database); both from memory.
    #[test]
    fn tilts_are_angles_between_the_pole_and_the_orbit() {
        use crate::model::geometry::direction;
        let obliquity = f64::to_radians(23.4393);
        for (name, pole, [inclination, node]) in [
            ("Mercury", direction(61.4155, 281.0103), [7.005, 48.33]),
            ("Venus", direction(67.16, 272.76), [3.395, 76.68]),
            ("Earth", direction(90.0, 0.0), [0.0, 0.0]),
            ("Mars", direction(52.8865, 317.6814), [1.850, 49.56]),
            ("Ceres", direction(66.764, 291.418), [10.59, 80.31]),
            ("Vesta", direction(42.235, 309.031), [7.14, 103.81]),
            ("Eros", direction(17.22, 11.35), [10.83, 304.30]),
            ("Pluto", direction(-6.163, 132.993), [17.14, 110.30]),
        ] {
            // The orbit's pole lies 90° behind its node; from the ecliptic to the equator.
            let orbit = direction(90.0 - inclination, node - 90.0);
            let orbit = glam::DMat3::from_rotation_x(obliquity) * orbit;
            let angle = pole.angle_between(orbit).to_degrees();
            let tilt = tilt_deg(name).unwrap();
            assert!((angle - tilt).abs() < 0.1, "{name}: {angle} {tilt}");
        }
        assert_eq!(tilt_deg("Io"), None);
        assert_eq!(tilt_deg("Kolob"), None);
    }

    #[test]
    fn names_are_found_in_any_case() {
        assert_eq!(body_named("MARS").map(|b| b.name), Some("Mars"));
        assert_eq!(body_named("luna").map(|b| b.name), Some("Moon"));
        assert_eq!(body_named("Kolob"), None);
    }
}
