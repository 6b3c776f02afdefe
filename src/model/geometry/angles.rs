//! Between latitude/longitude and unit vectors.
//!
//! Body frame, right-handed: +x at latitude 0, longitude 0; +y at latitude 0, longitude 90 E;
//! +z at the north pole. Latitudes are planetocentric, longitudes east-positive.

use glam::DVec3;

/// Unit vector towards a latitude and longitude in degrees.
pub fn direction(lat_deg: f64, lon_deg: f64) -> DVec3 {
    let (sin_lat, cos_lat) = lat_deg.to_radians().sin_cos();
    let (sin_lon, cos_lon) = lon_deg.to_radians().sin_cos();
    DVec3::new(cos_lat * cos_lon, cos_lat * sin_lon, sin_lat)
}

/// Latitude and longitude in degrees of a direction (any length); longitude in 0..360.
///
/// The latitude comes from an arc tangent, which keeps full precision at the poles where an arc
/// sine would lose half the digits.
pub fn lat_lon_deg(direction: DVec3) -> (f64, f64) {
    let lat = direction.z.atan2(direction.x.hypot(direction.y));
    let lon = direction.y.atan2(direction.x).to_degrees();
    // A tiny negative angle would round up to 360 itself.
    let lon = if lon < 0.0 { lon + 360.0 } else { lon };
    (lat.to_degrees(), if lon >= 360.0 { 0.0 } else { lon })
}

/// `12.3° N 45.0° E`.
pub fn place_name(lat_deg: f64, lon_deg: f64) -> String {
    // Rounded first, so that −0.04 does not read as south, nor 359.97 as 360.0.
    let lat = (lat_deg * 10.0).round() / 10.0;
    let lon = ((lon_deg * 10.0).round() / 10.0).rem_euclid(360.0);
    let half = if lat < 0.0 { "S" } else { "N" };
    // A pole has no longitude worth naming.
    if lat.abs() > 89.9 {
        return format!("90° {half}");
    }
    format!("{:.1}° {half} {lon:.1}° E", lat.abs())
}

/// The k-th of `count` places on a spiral that spreads them evenly (R. Swinbank and R. J. Purser,
/// "Fibonacci grids", Q. J. R. Meteorol. Soc. 132, 2006): sine of its latitude, and longitude as a
/// share of a turn.
pub fn on_spiral(k: usize, count: usize) -> (f64, f64) {
    let z = 1.0 - (2 * k + 1) as f64 / count as f64;
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    (z, (k as f64 * golden).fract())
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn axes_are_where_the_body_frame_says() {
        assert_abs_diff_eq!(direction(0.0, 0.0).x, 1.0, epsilon = 1e-15);
        assert_abs_diff_eq!(direction(0.0, 90.0).y, 1.0, epsilon = 1e-15);
        assert_abs_diff_eq!(direction(90.0, 17.0).z, 1.0, epsilon = 1e-15);
    }

    #[test]
    fn there_and_back_keeps_ten_digits_even_at_the_poles() {
        for lat in [-90.0, -89.9999999, -45.0, 0.0, 12.5, 89.9999999, 90.0] {
            for lon in [0.0, 0.1, 179.0, 181.0, 359.9] {
                let (lat2, lon2) = lat_lon_deg(direction(lat, lon));
                assert_abs_diff_eq!(lat, lat2, epsilon = 1e-10);
                if f64::abs(lat) < 90.0 {
                    assert_abs_diff_eq!(lon, lon2, epsilon = 1e-6);
                }
            }
        }
    }

    #[test]
    fn places_read_as_on_a_map() {
        assert_eq!(place_name(12.34, 45.0), "12.3° N 45.0° E");
        assert_eq!(place_name(-26.56, 359.97), "26.6° S 0.0° E");
        assert_eq!(place_name(-0.04, 180.0), "0.0° N 180.0° E");
        assert_eq!(place_name(-90.0, 17.0), "90° S");
    }
}
