//! Turning the solid so that a chosen place comes to the middle of a chosen facet.

use super::{Frame, Solid, lat_lon_deg};
use glam::{DMat3, DVec3};

/// The turn from the solid's standard position to the body frame that puts the centre of face
/// `face` (index, from 0) at a latitude and longitude, with its index corner `spin_deg` clockwise
/// from north, seen from outside. Degrees, north and east positive; any finite value will do.
///
/// ```text
///        north
///          |   / index corner
///          |  /
///          | /   spin: clockwise, here about 30
///          |/
///  west ---o--- east      o = face centre, seen from outside
/// ```
///
/// At a pole, north is the way a traveller on meridian `lon_deg` arrives, straight on over the
/// pole or straight on away from it: at the north pole towards longitude `lon_deg + 180`, at the
/// south pole towards `lon_deg`. So `turn_to(solid, 0, 90, 0, 0)`, the standard position itself,
/// changes nothing.
///
/// Apply it with [`Solid::turned`].
///
/// # Panics
///
/// If the solid has no such face.
pub fn turn_to(solid: &Solid, face: usize, lat_deg: f64, lon_deg: f64, spin_deg: f64) -> DMat3 {
    let wanted = spun_frame(lat_deg, lon_deg, spin_deg);
    wanted.axes() * solid.faces[face].frame.axes().transpose()
}

/// The latitude, longitude and spin that [`turn_to`] needs for face `face` (index, from 0) to make
/// a turn; degrees, longitude and spin in 0..360.
///
/// # Panics
///
/// If the solid has no such face.
pub fn place_of(solid: &Solid, face: usize, turn: &DMat3) -> (f64, f64, f64) {
    let frame = solid.faces[face].frame.turned(turn);
    let (lat_deg, lon_deg) = lat_lon_deg(frame.z);
    let level = spun_frame(lat_deg, lon_deg, 0.0);
    let spin = frame
        .y
        .dot(level.x)
        .atan2(frame.y.dot(level.y))
        .to_degrees();
    (lat_deg, lon_deg, spin.rem_euclid(360.0))
}

/// Axes of a facet at a place on the body, its index corner `spin_deg` clockwise from north.
fn spun_frame(lat_deg: f64, lon_deg: f64, spin_deg: f64) -> Frame {
    let (sin_lat, cos_lat) = sin_cos_deg(lat_deg);
    let (sin_lon, cos_lon) = sin_cos_deg(lon_deg);
    let (sin_spin, cos_spin) = sin_cos_deg(spin_deg);
    let out = DVec3::new(cos_lat * cos_lon, cos_lat * sin_lon, sin_lat);
    let north = DVec3::new(-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat);
    let east = DVec3::new(-sin_lon, cos_lon, 0.0);
    Frame {
        x: east * cos_spin - north * sin_spin,
        y: north * cos_spin + east * sin_spin,
        z: out,
    }
}

/// Sine and cosine of an angle in degrees, exact at whole quarter turns.
///
/// A pole given as 90° thus lies on the axis itself, not 6e-17 beside it, and the unturned solid
/// stays as it is to the last bit.
fn sin_cos_deg(angle_deg: f64) -> (f64, f64) {
    let turned = angle_deg.rem_euclid(360.0);
    let quarters = (turned / 90.0).round();
    let (sin, cos) = (turned - quarters * 90.0).to_radians().sin_cos();
    match quarters as i64 {
        1 => (cos, -sin),
        2 => (-sin, -cos),
        3 => (-cos, sin),
        _ => (sin, cos),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::{direction, lat_lon_deg, solid_names};
    use proptest::prelude::*;

    /// Bearing of the index corner seen from the face centre, degrees clockwise from north, by
    /// spherical trigonometry on latitudes and longitudes: the usual formula for the initial
    /// course of a great circle, in any book on navigation.
    fn course_deg(solid: &Solid, face: usize) -> f64 {
        let centre = solid.faces[face].frame.z;
        let corner = solid.corners[solid.faces[face].corners[0]];
        let [(lat1, lon1), (lat2, lon2)] = [centre, corner].map(|v| {
            let (lat, lon) = lat_lon_deg(v);
            (lat.to_radians(), lon.to_radians())
        });
        let east = (lon2 - lon1).sin() * lat2.cos();
        let north = lat1.cos() * lat2.sin() - lat1.sin() * lat2.cos() * (lon2 - lon1).cos();
        east.atan2(north).to_degrees().rem_euclid(360.0)
    }

    #[test]
    fn the_standard_position_is_no_turn_at_all() {
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            assert_eq!(
                turn_to(&solid, 0, 90.0, 0.0, 0.0),
                DMat3::IDENTITY,
                "{name}"
            );
            assert_eq!(solid.turned(&DMat3::IDENTITY), solid, "{name}");
        }
    }

    #[test]
    fn centre_and_spin_come_out_as_asked() {
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            for face in [0, 1, solid.faces.len() - 1] {
                for (lat, lon, spin) in
                    [(18.65, 226.2, 0.0), (-45.0, -10.0, 75.0), (0.0, 0.0, 300.0)]
                {
                    let turned = solid.turned(&turn_to(&solid, face, lat, lon, spin));
                    let off = turned.faces[face].frame.z - direction(lat, lon);
                    assert!(off.length() < 1e-14, "{name}");
                    let miss = (course_deg(&turned, face) - spin + 180.0).rem_euclid(360.0) - 180.0;
                    assert!(miss.abs() < 1e-9, "{name} {face}: off by {miss}");
                }
            }
        }
    }

    #[test]
    fn spin_is_clockwise_seen_from_outside_and_north_at_a_pole_follows_the_meridian() {
        let cube = Solid::named("cube").unwrap();
        let index_direction = |lat, lon, spin| {
            cube.turned(&turn_to(&cube, 2, lat, lon, spin)).faces[2]
                .frame
                .y
        };
        // At latitude 0, longitude 0, north is +z and east +y: 90 clockwise points east.
        assert_eq!(index_direction(0.0, 0.0, 0.0).round(), DVec3::Z);
        assert_eq!(index_direction(0.0, 0.0, 90.0).round(), DVec3::Y);
        // The limit of points ever nearer the pole on the same meridian.
        for lat in [90.0, -90.0] {
            for lon in [0.0, 77.0, 200.0] {
                let near = index_direction(lat * (1.0 - 1e-9), lon, 33.0);
                assert!((index_direction(lat, lon, 33.0) - near).length() < 1e-7);
            }
        }
        assert!((index_direction(90.0, 0.0, 0.0) - DVec3::NEG_X).length() < 1e-15);
        assert!((index_direction(-90.0, 0.0, 0.0) - DVec3::X).length() < 1e-15);
    }

    #[test]
    fn quarter_turns_are_exact_and_the_rest_agrees_with_the_library() {
        assert_eq!(sin_cos_deg(90.0), (1.0, 0.0));
        assert_eq!(sin_cos_deg(-90.0), (-1.0, 0.0));
        assert_eq!(sin_cos_deg(540.0), (0.0, -1.0));
        for tenth in -7200..7200 {
            let angle = f64::from(tenth) / 10.0;
            let (sin, cos) = sin_cos_deg(angle);
            let (sin2, cos2) = angle.to_radians().sin_cos();
            assert!((sin - sin2).abs() < 4e-15 && (cos - cos2).abs() < 4e-15);
        }
    }

    proptest! {
        #[test]
        fn every_turn_is_a_rotation(
            which in 0_usize..31,
            face in 0_usize..120,
            lat in -90.0..=90.0_f64,
            lon in -720.0..720.0_f64,
            spin in -720.0..720.0_f64,
        ) {
            let solid = Solid::named(solid_names()[which]).unwrap();
            let turn = turn_to(&solid, face % solid.faces.len(), lat, lon, spin);
            prop_assert!((turn.determinant() - 1.0).abs() < 1e-14);
            let product = turn * turn.transpose();
            prop_assert!(product.abs_diff_eq(DMat3::IDENTITY, 1e-14));
            prop_assert_eq!(solid.turned(&turn).validate(), Ok(()));
            let (lat, lon, spin) = place_of(&solid, 0, &turn);
            let again = turn_to(&solid, 0, lat, lon, spin);
            prop_assert!(again.abs_diff_eq(turn, 1e-12));
        }
    }
}
