//! Grids from formulas, jobs as text, temporary folders, and runs of the program in them.

use assert_cmd::Command;
use gdal::DriverManager;
use gdal::raster::{Buffer, GdalType, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use glam::DVec3;
use globewright::{Error, FacetsOptions, Silent, Summary, check, direction, load_job};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// The program, run in a folder of its own.
pub fn program(folder: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_globewright"));
    command.current_dir(folder).args(words);
    command
}

/// The program, to be told to end: whoever runs the tests may have them ignore signals, as `nohup`
/// does, and what is ignored here would be ignored there.
pub fn heeding_signals() -> std::process::Command {
    let program = env!("CARGO_BIN_EXE_globewright");
    if cfg!(not(target_os = "linux")) {
        return std::process::Command::new(program);
    }
    let mut command = std::process::Command::new("env");
    command.args(["--default-signal=INT,TERM,HUP", program]);
    command
}

/// Exit code, standard output and standard error.
pub fn run(folder: &TempDir, words: &[&str]) -> (i32, String, String) {
    let output = program(folder.path(), words).output().unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

/// Names in a folder, sorted, hidden ones too.
pub fn files(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// Every file under a folder with its bytes, by its name from there.
pub fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    for name in files(folder) {
        let path = folder.join(&name);
        if path.is_dir() {
            let inner = contents(&path).into_iter();
            all.extend(inner.map(|(file, bytes)| (Path::new(&name).join(file), bytes)));
        } else {
            all.insert(name.into(), std::fs::read(&path).unwrap());
        }
    }
    all
}

/// A raster to write, pixel-registered in degrees from 180 W on a sphere of 1000 km.
#[derive(Clone, Copy)]
pub struct Raster {
    pub columns: usize,
    pub rows: usize,
    pub bands: usize,
    /// Reference system; `None` leaves it out.
    pub crs: Option<&'static str>,
    /// Upper left corner and steps; `None` leaves them out.
    pub placed: Option<[f64; 6]>,
    pub nodata: Option<f64>,
}

/// A body that no table knows, so that nothing can be guessed.
pub const SPHERE: &str = "+proj=longlat +R=1000000 +no_defs";

impl Raster {
    /// The whole globe in `columns` × `columns / 2` cells.
    pub fn globe(columns: usize) -> Raster {
        let step = 360.0 / columns as f64;
        Raster {
            columns,
            rows: columns / 2,
            bands: 1,
            crs: Some(SPHERE),
            placed: Some([-180.0, step, 0.0, 90.0, 0.0, -step]),
            nodata: None,
        }
    }

    /// Unit direction of a cell's centre.
    fn towards(&self, row: usize, column: usize) -> DVec3 {
        let step = 360.0 / self.columns as f64;
        let lat = 90.0 - (row as f64 + 0.5) * 180.0 / self.rows as f64;
        direction(lat, -180.0 + (column as f64 + 0.5) * step)
    }

    /// Writes a GeoTIFF whose first band holds a function of the direction.
    pub fn write<T: GdalType + Copy>(&self, path: &Path, height: impl Fn(DVec3) -> T) {
        self.write_cells("GTiff", path, |row, column| {
            height(self.towards(row, column))
        });
    }

    /// Writes a file of any format whose first band holds a function of row and column.
    pub fn write_cells<T: GdalType + Copy>(
        &self,
        format: &str,
        path: &Path,
        height: impl Fn(usize, usize) -> T,
    ) {
        let driver = DriverManager::get_driver_by_name(format).unwrap();
        let options = RasterCreationOptions::default();
        let mut file = driver
            .create_with_band_type_with_options::<T, _>(
                path,
                self.columns,
                self.rows,
                self.bands,
                &options,
            )
            .unwrap();
        if let Some(placed) = self.placed {
            file.set_geo_transform(&placed).unwrap();
        }
        if let Some(crs) = self.crs {
            file.set_spatial_ref(&SpatialRef::from_proj4(crs).unwrap())
                .unwrap();
        }
        let mut band = file.rasterband(1).unwrap();
        if self.nodata.is_some() {
            band.set_no_data_value(self.nodata).unwrap();
        }
        let cells = (0..self.rows * self.columns)
            .map(|i| height(i / self.columns, i % self.columns))
            .collect();
        let mut buffer = Buffer::new((self.columns, self.rows), cells);
        band.write((0, 0), (self.columns, self.rows), &mut buffer)
            .unwrap();
        file.close().unwrap();
    }
}

/// A smooth body in closed form: plane waves through the unit ball, metres. The shortest is about
/// 12 degrees long.
pub fn smooth_m(d: DVec3) -> f64 {
    let waves = [
        (DVec3::new(3.0, -2.0, 1.0), 0.4, 2500.0),
        (DVec3::new(-7.0, 4.0, 9.0), 1.9, 900.0),
        (DVec3::new(14.0, 11.0, -8.0), 5.1, 350.0),
        (DVec3::new(-15.0, 21.0, 13.0), 3.3, 120.0),
    ];
    waves
        .iter()
        .map(|(k, phase, amplitude)| amplitude * (k.dot(d) + phase).sin())
        .sum()
}

/// A folder with the smooth body as `smooth.tif`, and a job file that carves it as `smooth.toml`.
pub fn smooth_job(columns: usize, job: &str) -> TempDir {
    let folder = TempDir::new().unwrap();
    let grid = folder.path().join("smooth.tif");
    Raster::globe(columns).write(&grid, |d| smooth_m(d) as f32);
    let text = format!("[grid]\nfiles = [\"smooth.tif\"]\n{job}");
    std::fs::write(folder.path().join("smooth.toml"), text).unwrap();
    folder
}

/// Runs the main job of `smooth.toml` through the library, into `out`.
pub fn carve(folder: &TempDir, facets: Option<&[usize]>, set: &[&str]) -> Result<Summary, Error> {
    let set: Vec<String> = set.iter().map(|&s| s.to_owned()).collect();
    let job = load_job(&folder.path().join("smooth.toml"), &set)?;
    let options = FacetsOptions {
        out: folder.path().join("out"),
        facets: facets.map(|list| list.iter().copied().collect::<BTreeSet<_>>()),
        keep_relief: false,
        force: true,
        memory_bytes: None,
        shop: false,
        ..FacetsOptions::default()
    };
    globewright::facets(&job, &options, &Silent)
}

/// Reads the folder again; panics with the first thing that is wrong.
pub fn assert_sound(out: &Path) {
    if let Err(error) = check(out).and_then(|report| report.verdict(out)) {
        panic!("{error}");
    }
}

/// Levels of a 16-bit grey PNG, row by row, with its width, by the `png` crate.
pub fn png_levels(path: &Path) -> (Vec<u16>, usize) {
    let file = std::io::BufReader::new(std::fs::File::open(path).unwrap());
    let mut reader = png::Decoder::new(file).read_info().unwrap();
    let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut bytes).unwrap();
    assert_eq!(info.bit_depth, png::BitDepth::Sixteen);
    let levels = bytes
        .chunks_exact(2)
        .map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
        .collect();
    (levels, info.width as usize)
}
