//! Environment variables, locales, time zones and configuration files: none changes a byte.

use crate::support::{Raster, contents, smooth_job};
use assert_cmd::cargo::CommandCargoExt;
use std::path::Path;
use std::process::Command;

/// Settings of libraries, each of which changes what some file becomes, or stops it from being
/// read, when it is heard.
const HOSTILE: &[(&str, &str)] = &[
    ("GDAL_NETCDF_BOTTOMUP", "NO"),
    ("GDAL_NETCDF_VERIFY_DIMS", "STRICT"),
    ("GDAL_NETCDF_IGNORE_XY_AXIS_NAME_CHECKS", "YES"),
    ("GDAL_NETCDF_ASSUME_LONGLAT", "YES"),
    ("GDAL_NETCDF_CENTERLONG_180", "NO"),
    ("GDAL_SKIP", "GTiff netCDF VRT"),
    ("GDAL_DRIVER_PATH", "."),
    ("GDAL_PYTHON_DRIVER_PATH", "."),
    ("GDAL_DATA", "."),
    ("GDAL_CONFIG_FILE", "gdalrc"),
    ("GDAL_CACHEMAX", "1"),
    ("GDAL_NUM_THREADS", "ALL_CPUS"),
    ("GDAL_PAM_ENABLED", "NO"),
    ("GDAL_PAM_MODE", "AUX"),
    ("GDAL_PAM_PROXY_DIR", "."),
    ("GDAL_GEOREF_SOURCES", "NONE"),
    ("GDAL_DISABLE_READDIR_ON_OPEN", "EMPTY_DIR"),
    ("GDAL_READDIR_LIMIT_ON_OPEN", "0"),
    ("GDAL_ONE_BIG_READ", "YES"),
    ("GDAL_FORCE_CACHING", "YES"),
    ("GDAL_SWATH_SIZE", "1"),
    ("GDAL_MAX_DATASET_POOL_SIZE", "2"),
    ("GDAL_RASTERIO_RESAMPLING", "CUBIC"),
    ("GDAL_VRT_ENABLE_PYTHON", "YES"),
    ("GDAL_VRT_ENABLE_RAWRASTERBAND", "NO"),
    ("GDAL_ENABLE_TIFF_SPLIT", "NO"),
    ("GDAL_TIFF_DEFLATE_SUBCODEC", "ZLIB"),
    ("GDAL_TIFF_INTERNAL_MASK_TO_8BIT", "NO"),
    ("GDAL_STRICT_TIFF", "YES"),
    ("GDAL_HTTP_PROXY", "http://127.0.0.1:9"),
    ("GDAL_VALIDATE_CREATION_OPTIONS", "NO"),
    ("GTIFF_IGNORE_READ_ERRORS", "YES"),
    ("GTIFF_POINT_GEO_IGNORE", "TRUE"),
    ("GTIFF_REPORT_COMPD_CS", "YES"),
    ("GTIFF_SRS_SOURCE", "EPSG"),
    ("GTIFF_LINEAR_UNITS", "BROKEN"),
    ("GTIFF_VIRTUAL_MEM_IO", "YES"),
    ("GTIFF_DIRECT_IO", "YES"),
    ("GTIFF_HONOUR_NEGATIVE_SCALEY", "YES"),
    ("TIFF_USE_OVR", "YES"),
    ("USE_RRD", "YES"),
    ("CPL_DEBUG", "ON"),
    ("CPL_LOG", "gdal.log"),
    ("CPL_LOG_ERRORS", "ON"),
    ("CPL_TIMESTAMP", "ON"),
    ("CPL_ACCUM_ERROR_MSG", "ON"),
    ("CPL_MAX_ERROR_REPORTS", "0"),
    ("CPL_TMPDIR", "/nowhere"),
    ("CPL_VSIL_USE_TEMP_FILE_FOR_RANDOM_WRITE", "YES"),
    ("VSI_CACHE", "TRUE"),
    ("VRT_SHARED_SOURCE", "0"),
    ("OGR_CT_FORCE_TRADITIONAL_GIS_ORDER", "YES"),
    ("OGR_CT_OP_SELECTION", "FIRST_MATCHING"),
    ("OSR_DEFAULT_AXIS_MAPPING_STRATEGY", "AUTHORITY_COMPLIANT"),
    ("OSR_USE_NON_DEPRECATED", "NO"),
    ("OSR_STRIP_TOWGS84", "NO"),
    ("OGR_ENABLE_PARTIAL_REPROJECTION", "YES"),
    ("THRESHOLD", "0.5"),
    ("CENTER_LONG", "90"),
    ("PROJ_NETWORK", "ON"),
    ("PROJ_LIB", "."),
    ("PROJ_DATA", "."),
    ("PROJ_AUX_DB", "aux.db"),
    ("PROJ_DEBUG", "3"),
    ("PROJ_USER_WRITABLE_DIRECTORY", "."),
    ("PROJ_USE_PROJ4_INIT_RULES", "YES"),
    ("HDF5_PLUGIN_PATH", "."),
    ("HDF5_USE_FILE_LOCKING", "NOTHING"),
    ("HDF5_DISABLE_VERSION_CHECK", "2"),
    ("AAIGRID_DATATYPE", "Float64"),
    ("OPJ_NUM_THREADS", "7"),
    ("POSIXLY_CORRECT", "1"),
    ("MALLOC_PERTURB_", "165"),
    ("RUST_LOG", "trace"),
];

/// The program with nothing in its environment but what it is given.
fn program(folder: &Path, words: &[&str], variables: &[(&str, &str)]) -> (i32, String, String) {
    let output = Command::cargo_bin("globewright")
        .unwrap()
        .current_dir(folder)
        .args(words)
        .env_clear()
        .envs(variables.iter().copied())
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

#[test]
fn no_variable_changes_what_a_file_holds() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    // Heights that are the same the other way round nowhere.
    let height = |row: usize, column: usize| (row * 40 + column * 7 % 300) as i16;
    Raster::globe(72).write_cells("netCDF", &at("a.nc"), height);
    let sinusoidal = Raster {
        crs: Some("+proj=sinu +R=1000000 +units=m +no_defs"),
        placed: Some([
            -3_141_592.653_6,
            87_266.462_6,
            0.0,
            1_570_796.326_8,
            0.0,
            -87_266.462_6,
        ]),
        ..Raster::globe(72)
    };
    sinusoidal.write_cells("GTiff", &at("b.tif"), height);
    std::fs::create_dir_all(at("home/.gdal")).unwrap();
    std::fs::create_dir_all(at("home/.local/share/proj")).unwrap();
    let configuration = "[configoptions]\nGDAL_NETCDF_BOTTOMUP=NO\nGDAL_SKIP=GTiff\n";
    std::fs::write(at("home/.gdal/gdalrc"), configuration).unwrap();
    std::fs::write(at("gdalrc"), configuration).unwrap();
    std::fs::write(
        at("home/.local/share/proj/proj.ini"),
        "[general]\nnetwork = on\n",
    )
    .unwrap();
    std::fs::write(at("home/.local/share/proj/proj.db"), "no database").unwrap();
    let home = at("home").to_str().unwrap().to_owned();
    let data = at("home/.local/share").to_str().unwrap().to_owned();
    let homes = [("HOME", home.as_str()), ("XDG_DATA_HOME", data.as_str())];

    let all: Vec<(&str, &str)> = HOSTILE.iter().copied().chain(homes).collect();
    for (name, single) in [("a.nc", true), ("b.tif", false)] {
        let plain = program(folder.path(), &["inspect", name], &[]);
        assert_eq!(plain.0, 0, "{}", plain.2);
        assert_eq!(
            program(folder.path(), &["inspect", name], &all),
            plain,
            "{name}: all"
        );
        for variable in all.iter().filter(|_| single) {
            let found = program(folder.path(), &["inspect", name], &[*variable]);
            assert_eq!(found, plain, "{name}: {variable:?}");
        }
    }
    assert!(!at("gdal.log").exists());
}

#[test]
fn no_locale_or_time_zone_changes_a_byte() {
    let job = "radius = \"1000 km\"\n[globe]\nsolid = \"cube\"\ndiameter = \"60 mm\"\n[relief]\n\
               range = \"3 mm\"\n[stock]\nthickness = \"20 mm\"\nskim = \"0.5 mm\"\nedge = \"3 mm\"\n\
               [image]\npixel = \"0.5 mm\"\n";
    let folder = smooth_job(72, job);
    let carve = |variables: &[(&str, &str)]| {
        let words = ["facets", "smooth.toml", "--out", "out", "--shop", "--force"];
        let (code, _, said) = program(folder.path(), &words, variables);
        assert_eq!(code, 0, "{said}");
        let made = contents(&folder.path().join("out"));
        (said, made)
    };
    let plain = carve(&[]);
    let drawings = plain
        .1
        .keys()
        .filter(|p| p.extension().is_some_and(|e| e == "dxf"));
    assert!(drawings.count() > 0);
    for variables in [
        [("TZ", "Pacific/Kiritimati"), ("LC_ALL", "de_DE.UTF-8")],
        [("TZ", "America/St_Johns"), ("LANG", "tr_TR.UTF-8")],
        [("TZ", "Europe/Amsterdam"), ("LC_NUMERIC", "fr_FR.UTF-8")],
        [("TZ", ":/nowhere"), ("LC_ALL", "C")],
    ] {
        let found = carve(&variables);
        assert_eq!(found.0, plain.0, "{variables:?}");
        for (name, bytes) in &plain.1 {
            assert!(
                found.1.get(name) == Some(bytes),
                "{} {variables:?}",
                name.display()
            );
        }
        assert_eq!(found.1.len(), plain.1.len());
    }
    let all = HOSTILE.to_vec();
    assert!(carve(&all) == plain, "all variables");
    // Clocks that never showed the start of 1900, from which some formats count their days.
    for zone in ["Indian/Cocos", "XXX12YYY,J1/-12,J2/-11"] {
        assert!(carve(&[("TZ", zone)]) == plain, "{zone}");
    }
}
