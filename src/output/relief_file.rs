//! `relief.tif`: the finished relief of the whole body, float32 millimetres on the body's sphere.
//!
//! Reference: OGC GeoTIFF 1.1 (19-008r4): ModelPixelScale, ModelTiepoint, GeoKeyDirectory with a
//! user-defined sphere; the unit in GDAL's metadata tag, the usual place for it.

use super::encoder_failed;
use crate::model::grid::{Grid, Registration};
use crate::{Error, Problem, Result};
use std::io::Cursor;
use tiff::encoder::colortype::Gray32Float;
use tiff::encoder::{Compression, DeflateLevel, Predictor, TiffEncoder};
use tiff::tags::Tag;

/// GDAL's metadata: the band's unit.
const GDAL_METADATA: u16 = 42112;
const UNIT: &str =
    "<GDALMetadata><Item name=\"UNITTYPE\" sample=\"0\" role=\"unittype\">mm</Item></GDALMetadata>";

/// Sphere of bodies whose radius is not known, metres: places are in degrees all the same.
const UNKNOWN_RADIUS_M: f64 = 1e6;

/// Offsets in the file are 32-bit.
const MOST_BYTES: usize = 4_000_000_000;

/// The bytes of a GeoTIFF of a grid of relief in mm.
///
/// # Errors
/// [`Error::Job`] when the grid is too large for the format.
pub fn encode(relief_mm: &Grid, radius_m: Option<f64>) -> Result<Vec<u8>> {
    let grid = relief_mm;
    let (rows, columns) = grid.heights_m.dim();
    let (width, height) = (u32::try_from(columns), u32::try_from(rows));
    let (Ok(width), Ok(height), true) = (width, height, rows * columns <= MOST_BYTES / 4) else {
        return Err(Error::Job(
            Problem::new("the relief is too large for one TIFF file")
                .setting("--keep-relief")
                .found(format!("{columns} x {rows} samples"))
                .allowed(format!("{} million", MOST_BYTES / 4_000_000))
                .next("use larger pixels, or leave --keep-relief out"),
        ));
    };
    let refused = |error| encoder_failed("TIFF", error);
    let mut bytes = Cursor::new(Vec::new());
    let mut file = TiffEncoder::new(&mut bytes)
        .map_err(refused)?
        .with_compression(Compression::Deflate(DeflateLevel::Fast))
        .with_predictor(Predictor::None);
    let mut image = file
        .new_image::<Gray32Float>(width, height)
        .map_err(refused)?;
    // Keys of cells begin at an edge, those of points at a sample.
    let (kind, half) = match grid.registration {
        Registration::Pixel => (1, 0.5),
        Registration::Gridline => (2, 0.0),
    };
    let west = grid.west_deg - half * grid.step_lon_deg();
    let north = grid.north_deg() + half * grid.step_lat_deg();
    let scale = [grid.step_lon_deg(), grid.step_lat_deg(), 0.0];
    let tie = [0.0, 0.0, 0.0, west, north, 0.0];
    // Version 1.1.0, then key, place (0 or tag), count, value for each.
    let keys: [u16; 36] = [
        1, 1, 0, 8, //
        1024, 0, 1, 2, // geographic
        1025, 0, 1, kind, //
        2048, 0, 1, 32767, // user-defined
        2050, 0, 1, 32767, //
        2054, 0, 1, 9102, // degrees
        2056, 0, 1, 32767, //
        2057, 34736, 1, 0, // semi-major axis
        2058, 34736, 1, 0, // semi-minor axis: a sphere
    ];
    let radius = [radius_m.unwrap_or(UNKNOWN_RADIUS_M)];
    let tags = image.encoder();
    tags.write_tag(Tag::ModelPixelScaleTag, &scale[..])
        .map_err(refused)?;
    tags.write_tag(Tag::ModelTiepointTag, &tie[..])
        .map_err(refused)?;
    tags.write_tag(Tag::GeoKeyDirectoryTag, &keys[..])
        .map_err(refused)?;
    tags.write_tag(Tag::GeoDoubleParamsTag, &radius[..])
        .map_err(refused)?;
    tags.write_tag(Tag::Unknown(GDAL_METADATA), UNIT)
        .map_err(refused)?;
    let samples: Vec<f32> = grid.heights_m.iter().copied().collect();
    image.write_data(&samples).map_err(refused)?;
    Ok(bytes.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::grid::Quantity;
    use crate::model::progress::Silent;
    use crate::model::settings::GridSettings;
    use crate::read::{ReadRequest, read};
    use crate::testing::grid_of;

    /// Source: GDAL's GTiff driver, which uses libtiff and libgeotiff, through this crate's reader.
    #[test]
    fn the_reader_takes_it_back_sample_by_sample() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("relief.tif");
        let grid = grid_of(120, |d| 2.0 * (5.0 * d.x).sin() + d.z);
        std::fs::write(&path, encode(&grid, Some(3_396_190.0)).unwrap()).unwrap();
        let settings = GridSettings {
            files: vec![path],
            quantity: Some(Quantity::Relief),
            ..GridSettings::default()
        };
        let back = read(&settings, &ReadRequest::default(), &Silent).unwrap();
        assert_eq!(back.source.unit, "mm");
        assert_eq!(back.source.reference_radius_m, Some(3_396_190.0));
        assert_eq!(back.source.quantity, Quantity::Relief);
        assert_eq!(back.grid.heights_m.dim(), (60, 120));
        for row in 0..60 {
            for column in 0..120 {
                let (a, b) = (&grid, &back.grid);
                assert!((a.lat_deg(row) - b.lat_deg(row)).abs() < 1e-9);
                let east =
                    ((b.lon_deg(column) - a.west_deg) / a.step_lon_deg()).round() as usize % 120;
                let (mm, metres) = (a.heights_m[(row, east)], b.heights_m[(row, column)]);
                assert!((mm - 1000.0 * metres).abs() < 1e-5, "{mm} {metres}");
            }
        }
    }
}
