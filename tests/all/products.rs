//! Elevation products as they are published, in small: labels and layouts of the real files, with
//! the published extremes at the line and sample where the real file has them.
//!
//! Sources: labels of the NASA PDS products named beside each; producers' pages for cell counts,
//! spheres and first longitudes. Ground between the extremes is invented.

use crate::support::{Raster, run};
use serde_json::Value;
use tempfile::TempDir;

/// A place: height as stored, latitude, longitude.
type Spot = (f64, f64, f64);

/// A grid's cells: invented low ground, and two published places.
struct Cells {
    columns: usize,
    west_deg: f64,
    highest: Spot,
    lowest: Spot,
}

impl Cells {
    fn at(&self, row: usize, column: usize) -> f64 {
        let step = 360.0 / self.columns as f64;
        let is = |spot: Spot| {
            let place = (
                ((90.0 - spot.1) / step) as usize,
                ((spot.2 - self.west_deg).rem_euclid(360.0) / step) as usize,
            );
            place == (row, column)
        };
        match () {
            () if is(self.highest) => self.highest.0,
            () if is(self.lowest) => self.lowest.0,
            () => ((row * 7 + column * 3) % 200) as f64,
        }
    }

    fn bytes<const N: usize>(&self, of: impl Fn(f64) -> [u8; N]) -> Vec<u8> {
        (0..self.columns * self.columns / 2)
            .flat_map(|i| of(self.at(i / self.columns, i % self.columns)))
            .collect()
    }
}

fn inspect(folder: &TempDir, words: &[&str]) -> Value {
    let (code, out, err) = run(folder, &[&["inspect"], words, &["--json"]].concat());
    assert_eq!(code, 0, "{err}");
    serde_json::from_str(&out).unwrap()
}

/// Highest and lowest place, metres and degrees.
fn assert_ends(found: &Value, highest: Spot, lowest: Spot) {
    for (name, spot) in [("max", highest), ("min", lowest)] {
        let end = &found[name];
        let close = |key: &str, wanted: f64, by: f64| {
            let value = end[key].as_f64().unwrap();
            assert!(
                (value - wanted).abs() <= by,
                "{name} {key}: {value}, not {wanted}"
            );
        };
        close("m", spot.0, 1e-3 * spot.0.abs().max(1.0) * 1e-3);
        close("lat_deg", spot.1, 1e-6);
        close("lon_deg", spot.2, 1e-6);
    }
}

fn write(folder: &TempDir, name: &str, bytes: impl AsRef<[u8]>) {
    std::fs::write(folder.path().join(name), bytes).unwrap();
}

/// Extremes of MOLA MEGDR at 4 pixels per degree. Source: its label and its cells.
const MARS: Cells = Cells {
    columns: 1440,
    west_deg: 0.0,
    highest: (21134.0, 17.375, 226.875),
    lowest: (-8068.0, -32.875, 62.125),
};

/// Source: label of megt90n000cb (MGS-M-MOLA-5-MEGDR-L3-V1.0), shortened.
const MEGDR: &str = r#"PDS_VERSION_ID            = PDS3
RECORD_TYPE               = FIXED_LENGTH
FILE_RECORDS              = 720
RECORD_BYTES              = 2880
^IMAGE                    = "MEGT90N000CB.IMG"
TARGET_NAME               = MARS
OBJECT                        = IMAGE
 LINES                        = 720
 LINE_SAMPLES                 = 1440
 SAMPLE_TYPE                  = MSB_INTEGER
 SAMPLE_BITS                  = 16
 UNIT                         = METER
END_OBJECT                    = IMAGE
OBJECT                        = IMAGE_MAP_PROJECTION
 MAP_PROJECTION_TYPE          = "SIMPLE CYLINDRICAL"
 A_AXIS_RADIUS                = 3396.0 <KM>
 C_AXIS_RADIUS                = 3396.0 <KM>
 POSITIVE_LONGITUDE_DIRECTION = "EAST"
 CENTER_LONGITUDE             = 180.0 <DEGREE>
 MAP_RESOLUTION               = 4.0 <PIXEL/DEGREE>
 MAP_SCALE                    = 14.818 <KM/PIXEL>
 MAXIMUM_LATITUDE             = 90.0 <DEGREE>
 MINIMUM_LATITUDE             = -90.0 <DEGREE>
 WESTERNMOST_LONGITUDE        = 0.0 <DEGREE>
 EASTERNMOST_LONGITUDE        = 360.0 <DEGREE>
 LINE_PROJECTION_OFFSET       = 360.5
 SAMPLE_PROJECTION_OFFSET     = 720.5
END_OBJECT                    = IMAGE_MAP_PROJECTION
END
"#;

#[test]
fn mars_above_its_areoid() {
    let folder = TempDir::new().unwrap();
    write(&folder, "megt90n000cb.lbl", MEGDR);
    let image = MARS.bytes(|h| (h as i16).to_be_bytes());
    write(&folder, "megt90n000cb.img", &image);
    for name in ["megt90n000cb.lbl", "megt90n000cb.img"] {
        let found = inspect(&folder, &[name]);
        assert_ends(&found, MARS.highest, MARS.lowest);
        assert_eq!(
            (&found["unit"], &found["body"]),
            (&"METER".into(), &"Mars".into())
        );
        assert_eq!(found["west_deg"], 0.0);
        assert_eq!(found["cell_deg"], 0.25);
        assert_eq!(found["quantity"], "elevation");
    }
    // West-positive: the same columns run from 360 W to 0.
    let west = MEGDR
        .replace("\"EAST\"", "\"WEST\"")
        .replace(
            "WESTERNMOST_LONGITUDE        = 0.0",
            "WESTERNMOST_LONGITUDE        = 360.0",
        )
        .replace(
            "EASTERNMOST_LONGITUDE        = 360.0",
            "EASTERNMOST_LONGITUDE        = 0.0",
        );
    write(&folder, "megt90n000cb.lbl", west);
    assert_ends(
        &inspect(&folder, &["megt90n000cb.lbl"]),
        MARS.highest,
        MARS.lowest,
    );
}

/// Radius products add the reference radius: label of megr90n000cb, OFFSET = 3396000.
#[test]
fn radii_of_mars() {
    let folder = TempDir::new().unwrap();
    let label = MEGDR.replace(
        "UNIT                         = METER",
        "UNIT = METER\n OFFSET = 3396000",
    );
    write(&folder, "megr90n000cb.lbl", label.replace("MEGT", "MEGR"));
    write(
        &folder,
        "megr90n000cb.img",
        MARS.bytes(|h| (h as i16).to_be_bytes()),
    );
    let found = inspect(&folder, &["megr90n000cb.lbl"]);
    assert_ends(&found, MARS.highest, MARS.lowest);
    assert_eq!(found["reference_radius_m"], 3_396_000.0);
    // The same as plain radii in 4-byte numbers, with nothing but the sphere to tell.
    let raster = Raster {
        crs: Some("+proj=longlat +R=3396000 +no_defs"),
        placed: Some([0.0, 0.25, 0.0, 90.0, 0.0, -0.25]),
        ..Raster::globe(1440)
    };
    raster.write_cells("GTiff", &folder.path().join("r.tif"), |row, column| {
        (MARS.at(row, column) + 3_396_000.0) as f32
    });
    let found = inspect(&folder, &["r.tif"]);
    assert_eq!(found["quantity"], "radius");
    assert_ends(&found, MARS.highest, MARS.lowest);
    let notes = found["notes"].to_string();
    assert!(
        notes.contains("taken for distances from the centre"),
        "{notes}"
    );
}

/// Source: label of LDEM_4 (LRO-L-LOLA-4-GDR-V1.0), shortened; its cells.
#[test]
fn the_moons_halves_of_a_metre() {
    let moon = Cells {
        highest: (21008.0, 5.375, 201.375),
        lowest: (-17757.0, -70.375, 187.625),
        ..MARS
    };
    let label = MEGDR
        .replace(
            "^IMAGE                    = \"MEGT90N000CB.IMG\"",
            "OBJECT = UNCOMPRESSED_FILE\n /* one file */\n^IMAGE = \"LDEM_4.IMG\"",
        )
        .replace(
            "TARGET_NAME               = MARS",
            "TARGET_NAME = {\"MOON\"}",
        )
        .replace("MSB_INTEGER", "LSB_INTEGER")
        .replace(
            "UNIT                         = METER",
            "UNIT = METER\n SCALING_FACTOR = 0.5\n OFFSET = 1737400.",
        )
        .replace(
            "END_OBJECT                    = IMAGE\n",
            "END_OBJECT = IMAGE\nEND_OBJECT = UNCOMPRESSED_FILE\n",
        )
        .replace("3396.0 <KM>", "1737.4 <km>")
        .replace("4.0 <PIXEL/DEGREE>", "4 <pix/deg>")
        .replace("14.818 <KM/PIXEL>", "7580.8376 <m/pix>")
        .replace("360.5", "359.5")
        .replace("720.5", "719.5");
    let folder = TempDir::new().unwrap();
    write(&folder, "ldem_4.lbl", label);
    write(
        &folder,
        "ldem_4.img",
        moon.bytes(|h| (h as i16).to_le_bytes()),
    );
    let found = inspect(&folder, &["ldem_4.lbl"]);
    assert_ends(
        &found,
        (10504.0, 5.375, 201.375),
        (-8878.5, -70.375, 187.625),
    );
    assert_eq!(found["body"], "Moon");
    assert_eq!(found["reference_radius_m"], 1_737_400.0);

    // The picture-maker's kit: codes (v − 20000) × 0.5 m in a plain TIFF centred on 0° E.
    let kit = Cells {
        columns: 720,
        west_deg: -180.0,
        highest: (41008.0, 5.25, 201.25),
        lowest: (2243.0, -70.25, 187.75),
    };
    let raster = Raster {
        crs: None,
        placed: None,
        ..Raster::globe(720)
    };
    raster.write_cells("GTiff", &folder.path().join("kit.tif"), |row, column| {
        let code = kit.at(row, column);
        if code < 300.0 { 20_000 } else { code as u16 }
    });
    let (code, _, err) = run(&folder, &["inspect", "kit.tif"]);
    assert_eq!(code, 4);
    assert!(err.contains("add under [grid] west = "), "{err}");
    let settings = [
        "kit.tif",
        "--set",
        "grid.west=-180",
        "--set",
        "grid.scale=0.5",
        "--set",
        "grid.offset=-10000",
        "--set",
        "grid.body=Moon",
    ];
    let found = inspect(&folder, &settings);
    assert_ends(&found, (10504.0, 5.25, 201.25), (-8878.5, -70.25, 187.75));
}

/// Maps in metres on a sphere, by their producers' spheres and central meridians.
#[test]
fn maps_in_metres_with_any_central_meridian() {
    let folder = TempDir::new().unwrap();
    for (name, radius_m, centre_deg, body) in [
        ("mars-463m", 3_396_190.0, 0.0, "Mars"),
        ("moon-118m", 1_737_400.0, 0.0, "Moon"),
        ("mercury-665m", 2_439_400.0, 180.0, "Mercury"),
        ("venus-4641m", 6_051_000.0, 0.0, "Venus"),
        ("vesta-hamo", 255_000.0, 330.0, "Vesta"),
        ("ceres-hamo", 470_000.0, 180.0, "Ceres"),
    ] {
        let cells = Cells {
            columns: 360,
            west_deg: centre_deg - 180.0,
            highest: (4480.0, 30.5, 100.5),
            lowest: (-5380.0, -60.5, 329.5),
        };
        let half = std::f64::consts::PI * radius_m;
        let step = half / 180.0;
        let crs = format!("+proj=eqc +lon_0={centre_deg} +R={radius_m} +units=m +no_defs");
        let raster = Raster {
            crs: Some(Box::leak(crs.into_boxed_str())),
            placed: Some([-half, step, 0.0, half / 2.0, 0.0, -step]),
            nodata: Some(-32768.0),
            ..Raster::globe(360)
        };
        let file = format!("{name}.tif");
        raster.write_cells("GTiff", &folder.path().join(&file), |row, column| {
            cells.at(row, column) as i16
        });
        let found = inspect(&folder, &[&file]);
        assert_ends(&found, cells.highest, cells.lowest);
        assert_eq!(found["body"], body, "{name}");
        assert_eq!(found["reference_radius_m"], radius_m);
        let west = (centre_deg + 180.0) % 360.0;
        let found_west = found["west_deg"].as_f64().unwrap();
        assert!((found_west - west).abs() < 1e-6, "{name}: {found_west}");
    }
}

/// Cubes of the USGS's ISIS 3 and PDS4 images with an XML label, as GDAL writes them.
#[test]
fn cubes_and_images_with_xml_labels() {
    let folder = TempDir::new().unwrap();
    let cells = Cells {
        columns: 360,
        ..MARS
    };
    let half = std::f64::consts::PI * 3_396_190.0;
    let step = half / 180.0;
    let raster = Raster {
        crs: Some("+proj=eqc +lon_0=180 +R=3396190 +units=m +no_defs"),
        placed: Some([-half, step, 0.0, half / 2.0, 0.0, -step]),
        ..Raster::globe(360)
    };
    let (highest, lowest) = ((21134.0, 17.5, 226.5), (-8068.0, -32.5, 62.5));
    for (format, name) in [("ISIS3", "mars.cub"), ("PDS4", "mars.xml")] {
        raster.write_cells(format, &folder.path().join(name), |row, column| {
            cells.at(row, column) as i16
        });
        let found = inspect(&folder, &[name]);
        assert_ends(&found, highest, lowest);
        assert_eq!(found["body"], "Mars", "{name}");
    }
}

/// Grids of Earth: both ends of a gridline grid on the date line, rows from the south.
/// Source: GEBCO One Minute Grid and GEBCO_2014 user guides; layout in small.
#[test]
fn grids_of_earth() {
    let folder = TempDir::new().unwrap();
    // 361 columns from 180 W to 180 E, 181 rows with both poles.
    let gridline = Raster {
        columns: 361,
        rows: 181,
        crs: Some("+proj=longlat +datum=WGS84 +no_defs"),
        placed: Some([-180.5, 1.0, 0.0, 90.5, 0.0, -1.0]),
        ..Raster::globe(360)
    };
    let path = folder.path().join("one-minute.nc");
    gridline.write_cells("netCDF", &path, |row, column| match (row, column % 360) {
        (0, _) => -4290i16,
        (180, _) => 2810,
        (54, 255) => 7833,
        (79, 322) => -10376,
        (row, column) => ((row * 7 + column * 3) % 200) as i16,
    });
    let found = inspect(&folder, &["one-minute.nc"]);
    assert_eq!(found["registration"], "gridline");
    assert_eq!(
        (&found["width"], &found["height"]),
        (&360.into(), &181.into())
    );
    assert_ends(&found, (7833.0, 36.0, 75.0), (-10376.0, 11.0, 142.0));

    // Cells, rows from the south.
    let cells = Raster {
        crs: Some("+proj=longlat +datum=WGS84 +no_defs"),
        placed: Some([-180.0, 1.0, 0.0, -90.0, 0.0, 1.0]),
        ..Raster::globe(360)
    };
    let path = folder.path().join("south-first.tif");
    cells.write_cells("GTiff", &path, |row, column| match (row, column) {
        (126, 255) => 8849i16,
        (101, 322) => -10935,
        _ => ((row * 7 + column * 3) % 200) as i16,
    });
    let found = inspect(&folder, &["south-first.tif"]);
    assert_ends(&found, (8849.0, 36.5, 75.5), (-10935.0, 11.5, 142.5));
    assert_eq!(found["body"], "Earth");
}

/// As many regional tiles as a list or a virtual raster names: here 24 × 12 of 15 degrees.
#[test]
fn many_tiles_by_list_and_by_virtual_raster() {
    let folder = TempDir::new().unwrap();
    let cells = Cells {
        columns: 360,
        west_deg: -180.0,
        highest: (8849.0, 27.5, 86.5),
        lowest: (-10935.0, 11.5, 142.5),
    };
    let mut names = Vec::new();
    let mut sources = String::new();
    for (row, column) in (0..12).flat_map(|row| (0..24).map(move |column| (row, column))) {
        let (top, left) = (15 * row, 15 * column);
        let name = format!("tile-{row}-{column}.tif");
        let raster = Raster {
            columns: 15,
            rows: 15,
            placed: Some([left as f64 - 180.0, 1.0, 0.0, 90.0 - top as f64, 0.0, -1.0]),
            crs: Some("+proj=longlat +R=6371000 +no_defs"),
            ..Raster::globe(360)
        };
        raster.write_cells("GTiff", &folder.path().join(&name), |r, c| {
            cells.at(top + r, left + c) as f32
        });
        sources += &format!(
            "<SimpleSource><SourceFilename relativeToVRT=\"1\">{name}</SourceFilename>\
             <SrcRect xOff=\"0\" yOff=\"0\" xSize=\"15\" ySize=\"15\"/>\
             <DstRect xOff=\"{left}\" yOff=\"{top}\" xSize=\"15\" ySize=\"15\"/></SimpleSource>"
        );
        names.push(name);
    }
    write(
        &folder,
        "all.vrt",
        format!(
            "<VRTDataset rasterXSize=\"360\" rasterYSize=\"180\">\
             <SRS>+proj=longlat +R=6371000 +no_defs</SRS>\
             <GeoTransform>-180, 1, 0, 90, 0, -1</GeoTransform>\
             <VRTRasterBand dataType=\"Float32\" band=\"1\">{sources}</VRTRasterBand></VRTDataset>"
        ),
    );
    let list: Vec<&str> = names.iter().map(String::as_str).collect();
    for words in [&list[..], &["all.vrt"]] {
        assert_ends(&inspect(&folder, words), cells.highest, cells.lowest);
    }
    // One is missing: told before anything is read.
    let short: Vec<&str> = list
        .iter()
        .copied()
        .filter(|n| *n != "tile-3-5.tif")
        .collect();
    let (code, _, err) = run(&folder, &[&["inspect"], &short[..]].concat());
    assert_eq!(code, 4);
    assert!(err.contains("do not cover the whole globe"), "{err}");
    assert!(
        err.contains("105"),
        "its western edge, 105° W, is not named: {err}"
    );
}

/// Fill values that no one declares. Sources: SRTM (−32768), NOAA's netCDF files (−1e34), the
/// netCDF library's default (9.97e36), Magellan's GTDR (0).
#[test]
fn undeclared_fill_values() {
    let folder = TempDir::new().unwrap();
    let cells = Cells {
        columns: 360,
        west_deg: -180.0,
        highest: (8849.0, 27.5, 86.5),
        lowest: (-10935.0, 11.5, 142.5),
    };
    let hole = |row: usize, column: usize| row == 40 && (50..60).contains(&column);
    let path = |name: &str| folder.path().join(name);
    for (name, fill) in [
        ("noaa.tif", -1e34f32),
        ("default.tif", 9.969_21e36),
        ("nan.tif", f32::NAN),
    ] {
        Raster::globe(360).write_cells("GTiff", &path(name), |r, c| {
            if hole(r, c) {
                fill
            } else {
                cells.at(r, c) as f32
            }
        });
        let found = inspect(&folder, &[name]);
        assert_eq!(found["filled_cells"], 10, "{name}");
        assert_ends(&found, cells.highest, cells.lowest);
    }
    Raster::globe(360).write_cells("GTiff", &path("void.tif"), |r, c| {
        if hole(r, c) {
            -32768i16
        } else {
            cells.at(r, c) as i16
        }
    });
    let found = inspect(&folder, &["void.tif"]);
    assert_eq!(found["filled_cells"], 10);
    assert_ends(&found, cells.highest, cells.lowest);
    let notes = found["notes"].to_string();
    assert!(notes.contains("-32768 was taken for"), "{notes}");
    // Codes of radius where 0 stands clear of all others.
    let radii = Raster {
        crs: Some("+proj=longlat +R=6051000 +no_defs"),
        ..Raster::globe(360)
    };
    radii.write_cells("GTiff", &path("zero.tif"), |r, c| {
        if hole(r, c) {
            0.0
        } else {
            (6_051_000.0 + cells.at(r, c)) as f32
        }
    });
    let found = inspect(&folder, &["zero.tif"]);
    assert_eq!(found["filled_cells"], 10);
    assert_ends(&found, cells.highest, cells.lowest);
}
