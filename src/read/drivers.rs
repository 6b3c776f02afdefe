//! What of GDAL exists in this process: drivers for grids of numbers in files, and nothing else.

use gdal::errors::Result;
use gdal::{Dataset, DatasetOptions, DriverManager, GdalOpenFlags};
use std::fs::File;
use std::io::BufReader;
use std::path::Path;
use std::sync::Once;
use std::sync::atomic::{AtomicBool, Ordering};
use tiff::decoder::Decoder;
use tiff::tags::{CompressionMethod, Tag};

/// Formats that hold grids of numbers on a local disk. Left out on purpose: web services,
/// databases, drivers that run code or read memory, and GDAL's own PDS3 driver (labels are read
/// here instead, because it places some products one pixel off).
const FILES: &[&str] = &[
    "GTiff",
    "netCDF",
    "HDF5Image",
    "JP2OpenJPEG",
    "JP2KAK",
    "JP2ECW",
    "SRTMHGT",
    "PNG",
    "AAIGrid",
    "GRASSASCIIGrid",
    "EHdr",
    "ENVI",
    "ERS",
    "HFA",
    "ISIS3",
    "ISIS2",
    "PDS4",
    "RST",
    "GSAG",
    "GSBG",
    "GS7BG",
    "GMT",
    "XYZ",
    "BT",
    "USGSDEM",
    "DTED",
    "SAGA",
    "NGSGEOID",
    "GRIB",
    "RRASTER",
    "ISG",
    "ZMap",
    "ROI_PAC",
    "PCIDSK",
    "AIG",
    "SIGDEM",
];

/// Reads only descriptions that were written, or written again, by this program.
const VIRTUAL: &str = "VRT";

/// Threads that GDAL starts for decoding.
pub(super) const THREADS: usize = 2;

/// What the program relies on, whatever the environment or the user's configuration says.
const OPTIONS: &[(&str, &str)] = &[
    // The user's own configuration and plug-ins are not looked for.
    ("GDAL_CONFIG_FILE", ""),
    ("GDAL_DRIVER_PATH", "disable"),
    ("GDAL_SKIP", ""),
    // Bytes GDAL may keep of blocks already decoded: one row of tiles of a very wide grid.
    ("GDAL_CACHEMAX", "192"),
    // No driver that is left asks for a web address, but file names can be ones. No file name
    // ends like this, and no proxy is reached like that.
    ("CPL_VSIL_CURL_ALLOWED_EXTENSIONS", ".none-at-all"),
    ("GDAL_HTTP_PROXY", "none-at-all://"),
    ("GDAL_HTTPS_PROXY", "none-at-all://"),
    ("GDAL_VRT_ENABLE_PYTHON", "NO"),
    // Whether a raw file may be read is decided in `sources.rs`.
    ("GDAL_VRT_RAWRASTERBAND_ALLOWED_SOURCE", "ALL"),
    ("GDAL_NETCDF_BOTTOMUP", "YES"),
    ("GDAL_PAM_ENABLED", "YES"),
    ("GTIFF_IGNORE_READ_ERRORS", "NO"),
    ("GTIFF_POINT_GEO_IGNORE", "NO"),
    ("GDAL_ONE_BIG_READ", "NO"),
];

/// Set where GDAL is to start no threads.
static ALONE: AtomicBool = AtomicBool::new(false);

/// GDAL starts no threads: it would wait for ever for one that the system does not give it. To be
/// called before anything is opened.
pub(super) fn start_no_threads() {
    ALONE.store(true, Ordering::Relaxed);
}

/// Leaves those drivers and options, and keeps GDAL quiet on stderr: its words go into our
/// errors. Once.
fn prepare() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        gdal::config::set_error_handler(|_, _, _| {});
        let alone = ALONE.load(Ordering::Relaxed);
        let threads = if alone { 1 } else { THREADS }.to_string();
        for (key, value) in OPTIONS.iter().chain([&("GDAL_NUM_THREADS", &*threads)]) {
            // Fails only on a key with a NUL in it.
            let _ = gdal::config::set_config_option(key, value);
        }
        DriverManager::prevent_auto_registration();
        DriverManager::register_all();
        // Gone from the process rather than left out of one call: a file that names another
        // file makes GDAL open that one with every driver there is.
        for index in (0..DriverManager::count()).rev() {
            if let Ok(driver) = DriverManager::get_driver(index) {
                let name = driver.short_name();
                if name != VIRTUAL && !FILES.contains(&name.as_str()) {
                    DriverManager::deregister_driver(&driver);
                }
            }
        }
    });
}

/// Opens a file, by a name that `sources.rs` let pass.
pub(super) fn open(name: &Path) -> Result<Dataset> {
    // The driver sets up its library anew for every strip that it hands to a thread, which takes
    // longer than to copy one.
    let options: &[&str] = match is_uncompressed_tiff(name) {
        true => &["NUM_THREADS=1"],
        false => &[],
    };
    open_with(name, FILES, options)
}

/// Whether the cells of a TIFF lie in it as they are.
fn is_uncompressed_tiff(name: &Path) -> bool {
    let decoder = File::open(name).map(|file| Decoder::new(BufReader::new(file)));
    let Ok(Ok(mut decoder)) = decoder else {
        return false;
    };
    let method = decoder.find_tag_unsigned(Tag::Compression);
    method.is_ok_and(|m: Option<u16>| m.is_none_or(|m| m == CompressionMethod::None.to_u16()))
}

/// Opens a virtual raster, given as its XML.
pub(super) fn open_virtual(xml: &str) -> Result<Dataset> {
    open_with(Path::new(xml), &[VIRTUAL], &[])
}

fn open_with(name: &Path, drivers: &[&str], options: &[&str]) -> Result<Dataset> {
    prepare();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_RASTER
            | GdalOpenFlags::GDAL_OF_READONLY
            | GdalOpenFlags::GDAL_OF_VERBOSE_ERROR,
        allowed_drivers: Some(drivers),
        open_options: Some(options),
        ..DatasetOptions::default()
    };
    Dataset::open_ex(name, options)
}
