//! The report a person reads: `report.md` and `overview.png`.

mod cutting;
pub mod overview;
mod text;

pub(crate) use text::kind_name;
pub use text::text;

/// `12.3° N 45.0° E`.
pub(crate) fn place_name(lat_deg: f64, lon_deg: f64) -> String {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_read_as_on_a_map() {
        assert_eq!(place_name(12.34, 45.0), "12.3° N 45.0° E");
        assert_eq!(place_name(-26.56, 359.97), "26.6° S 0.0° E");
        assert_eq!(place_name(-0.04, 180.0), "0.0° N 180.0° E");
        assert_eq!(place_name(-90.0, 17.0), "90° S");
    }
}
