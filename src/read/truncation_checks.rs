//! Files cut short: in every format that can be written here, none may become a planet.

use super::*;
use crate::model::progress::Silent;
use gdal::raster::{Buffer, GdalType, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use gdal::{Dataset, DriverManager};
use tempfile::TempDir;

const COLUMNS: usize = 120;
const ROWS: usize = 60;

/// Driver, options, name, and the name of the file with the cells if that is another.
type Format = (
    &'static str,
    &'static [&'static str],
    &'static str,
    &'static str,
);

/// A global grid in each of these.
const FORMATS: &[Format] = &[
    ("GTiff", &[], "plain.tif", ""),
    (
        "GTiff",
        &["COMPRESS=DEFLATE", "TILED=YES"],
        "deflate.tif",
        "",
    ),
    ("GTiff", &["COMPRESS=LZW", "PREDICTOR=2"], "lzw.tif", ""),
    ("GTiff", &["BIGTIFF=YES"], "big.tif", ""),
    ("netCDF", &["FORMAT=NC"], "classic.nc", ""),
    ("netCDF", &["FORMAT=NC2"], "classic2.nc", ""),
    ("netCDF", &["FORMAT=NC4"], "four.nc", ""),
    (
        "netCDF",
        &["FORMAT=NC4", "COMPRESS=DEFLATE"],
        "packed.nc",
        "",
    ),
    ("ENVI", &[], "envi.img", ""),
    ("ENVI", &["INTERLEAVE=BIL"], "lines.img", ""),
    ("ISIS3", &[], "cube.cub", ""),
    ("ISIS3", &["TILED=YES"], "tiles.cub", ""),
    ("HFA", &[], "erdas.img", ""),
    ("HFA", &["COMPRESSED=YES"], "erdasc.img", ""),
    ("HFA", &["USE_SPILL=YES"], "spill.img", "spill.ige"),
    ("PCIDSK", &[], "pixel.pix", ""),
    ("PCIDSK", &["INTERLEAVING=BAND"], "band.pix", ""),
    (
        "PDS4",
        &["VAR_LOGICAL_IDENTIFIER=a:b:c"],
        "four.xml",
        "four.img",
    ),
    ("AAIGrid", &[], "text.asc", ""),
    ("EHdr", &[], "esri.bil", ""),
    ("ERS", &[], "mapper.ers", "mapper"),
    ("RST", &[], "idrisi.rst", ""),
    ("GSAG", &[], "golden.grd", ""),
    ("GSBG", &[], "golden6.grd", ""),
    ("GS7BG", &[], "golden7.grd", ""),
    ("XYZ", &[], "places.xyz", ""),
    ("BT", &[], "terrain.bt", ""),
    ("SAGA", &[], "saga.sdat", ""),
    ("GRIB", &[], "weather.grb", ""),
    ("RRASTER", &[], "r.grd", "r.gri"),
    ("ZMap", &[], "z.dat", ""),
    ("ROI_PAC", &[], "roi.dem", ""),
    ("SIGDEM", &[], "sig.sigdem", ""),
    ("PNG", &[], "picture.png", ""),
    (
        "JP2OpenJPEG",
        &["QUALITY=100", "REVERSIBLE=YES"],
        "wavelets.jp2",
        "",
    ),
    (
        "JP2OpenJPEG",
        &["QUALITY=100", "REVERSIBLE=YES", "CODEC=J2K"],
        "wavelets.j2k",
        "",
    ),
];

/// The ground in a type of numbers that a format takes.
fn source<T: GdalType + Copy>(dir: &TempDir, name: &str, crs: &str, cell: fn(i16) -> T) -> Dataset {
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let path = dir.path().join(name);
    let mut dataset = driver
        .create_with_band_type::<T, _>(&path, COLUMNS, ROWS, 1)
        .unwrap();
    dataset
        .set_geo_transform(&[-180.0, 3.0, 0.0, 90.0, 0.0, -3.0])
        .unwrap();
    let crs = SpatialRef::from_proj4(crs).unwrap();
    dataset.set_spatial_ref(&crs).unwrap();
    let ground =
        (0..ROWS * COLUMNS).map(|i| (100 + (i / COLUMNS * 31 + i % COLUMNS * 17) % 4001) as i16);
    let size = (COLUMNS, ROWS);
    let cells = &mut Buffer::new(size, ground.map(cell).collect());
    dataset
        .rasterband(1)
        .unwrap()
        .write((0, 0), size, cells)
        .unwrap();
    dataset
}

fn carved(path: &Path) -> Result<Reading> {
    let settings = GridSettings {
        files: vec![path.to_owned()],
        west_deg: Some(-180.0),
        ..GridSettings::default()
    };
    read(&settings, &ReadRequest::default(), &Silent)
}

#[test]
fn a_file_cut_short_is_refused_in_every_format() {
    let dir = TempDir::new().unwrap();
    let mars = "+proj=longlat +R=3396190 +no_defs";
    let whole = source(&dir, "whole.tif", mars, |h| h);
    let positive = source(&dir, "positive.tif", mars, |h| h as u16);
    let real = source(&dir, "real.tif", mars, f32::from);
    let earth = source(&dir, "earth.tif", "+proj=longlat +datum=WGS84", f32::from);
    let mut wrong = Vec::new();
    let mut cuts = 0;
    for (driver, options, name, cells) in FORMATS {
        let Ok(writer) = DriverManager::get_driver_by_name(driver) else {
            continue;
        };
        let path = dir.path().join(name);
        let from = match *driver {
            "PNG" => &positive,
            "GRIB" => &earth,
            "GSBG" | "GS7BG" | "SIGDEM" | "ZMap" | "GSAG" => &real,
            _ => &whole,
        };
        from.create_copy(
            &writer,
            &path,
            &RasterCreationOptions::from_iter(options.iter().copied()),
        )
        .and_then(Dataset::close)
        .unwrap_or_else(|e| panic!("{driver} {name}: {e}"));
        let reading = match carved(&path) {
            Ok(reading) => reading,
            Err(error) => {
                wrong.push(format!("{name}: whole: {error}"));
                continue;
            }
        };
        assert_eq!(reading.source.filled_cells, 0, "{name}");
        let cells = match *cells {
            "" => path.clone(),
            name => dir.path().join(name),
        };
        let bytes = std::fs::read(&cells).unwrap();
        for length in lengths(&bytes) {
            cuts += 1;
            std::fs::write(&cells, &bytes[..length]).unwrap();
            if let Ok(reading) = carved(&path) {
                wrong.push(format!(
                    "{name}: {length} of {} bytes pass, filled {}",
                    bytes.len(),
                    reading.source.filled_cells
                ));
            }
        }
        std::fs::write(&cells, &bytes).unwrap();
    }
    println!("{cuts} cuts");
    assert!(
        wrong.is_empty(),
        "{} of {cuts}:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

/// Cells that no one wrote read as zeros, unless the file says what stands for "no data".
#[test]
fn cells_that_were_never_written_are_refused_unless_declared() {
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("unfinished.tif");
    let make = |nodata: Option<f64>| {
        let options = RasterCreationOptions::from_iter(["SPARSE_OK=TRUE", "BLOCKYSIZE=4"]);
        let mut dataset = DriverManager::get_driver_by_name("GTiff")
            .unwrap()
            .create_with_band_type_with_options::<i16, _>(&path, COLUMNS, ROWS, 1, &options)
            .unwrap();
        dataset
            .set_geo_transform(&[-180.0, 3.0, 0.0, 90.0, 0.0, -3.0])
            .unwrap();
        let mut band = dataset.rasterband(1).unwrap();
        band.set_no_data_value(nodata).unwrap();
        let size = (COLUMNS, ROWS / 2);
        let cells = &mut Buffer::new(size, (1..=(size.0 * size.1) as i16).collect());
        band.write((0, 0), size, cells).unwrap();
        dataset.close().unwrap();
        carved(&path)
    };
    let message = make(None).unwrap_err().to_string();
    assert!(
        message.starts_with("grid: the cells from row 33 of the file on were never written"),
        "{message}"
    );
    let filled = make(Some(-9999.0)).unwrap().source.filled_cells;
    assert_eq!(filled, (COLUMNS * ROWS / 2) as u64);
}

/// Where a file is cut: at tenths, near its end, and behind lines of a text near its end; but not
/// where nothing is lost but white space.
fn lengths(bytes: &[u8]) -> Vec<usize> {
    let whole = bytes.len();
    let mut all: Vec<usize> = (1..10).map(|tenth| whole * tenth / 10).collect();
    all.extend([1000, 100, 10, 2, 1].map(|less| whole.saturating_sub(less)));
    let lines = (0..whole).rev().filter(|&at| bytes[at] == b'\n');
    all.extend(lines.take(3).map(|at| at + 1));
    all.retain(|&length| length > 0 && !bytes[length..].iter().all(u8::is_ascii_whitespace));
    all
}
