//! Opening rasters with GDAL, and reading their rows. Nothing else in the crate calls GDAL.

use super::cell::{IntegerType, StoredInteger};
use super::crs::{self, CoordinateKind, Crs};
use super::drivers;
use super::file_head::{head, latin_1};
use super::labels::{self, LABEL_BYTES, Label, RawImage};
use super::refusals::{renamed, said, unreadable};
use super::sources::{self, FileAccess, Name};
use super::stream::{Decode, RowSource};
use super::text_table::{self, TextTable};
use super::truncation;
use super::values::{self, BandInfo, Meaning, Missing};
use super::watch;
use crate::model::error::{Error, Problem, Result};
use crate::model::file_names;
use gdal::errors::GdalError;
use gdal::raster::{Buffer, GdalDataType, GdalType, RasterBand};
use gdal::{Dataset, DriverManager, Metadata};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Variables of a netCDF or HDF5 file that hold heights, most telling first.
const HEIGHT_NAMES: &[&str] = &[
    "elevation",
    "altitude",
    "height",
    "topography",
    "topo",
    "relief",
    "rose",
    "bedrock",
    "z",
    "radius",
    "band1",
];

/// An opened raster with one band of numbers.
pub(super) struct Raster {
    pub path: PathBuf,
    /// What GDAL opens: the file, a part of it, or the description made from a label.
    name: Name,
    /// `None` while the file is closed.
    dataset: Option<Dataset>,
    kind: GdalDataType,
    /// Bytes that may have to be gone through before a row is had, and rows of a block.
    work: u64,
    block_rows: usize,
    pub columns: usize,
    pub rows: usize,
    /// Origin and steps in the file's own coordinates, `None` without georeferencing.
    pub transform: Option<[f64; 6]>,
    pub crs: Option<Crs>,
    /// The body, as a label names it.
    pub target: Option<String>,
    pub notes: Vec<String>,
}

impl Raster {
    /// Opens a file and checks that it is all there and holds one band of real numbers.
    pub fn open(path: &Path, access: &mut FileAccess) -> Result<Raster> {
        let mut name = access.resolve(path)?;
        let _call = watch::call(path, name.bytes());
        let Name::File(file) = name.clone() else {
            let dataset = open_named(&name, path)?;
            return Raster::from_dataset(dataset, path, name, Vec::new());
        };
        // Labels of tables are not relied on: some place their table wrongly.
        if let Some(table) = table_of(path)? {
            return open_table(path, table);
        }
        if let Some((label, text)) = label_of(path)? {
            return open_label(path, &label, &text);
        }
        let mut notes = Vec::new();
        let mut dataset = open_named(&name, path)?;
        if dataset.raster_count() == 0 {
            name = Name::Subdataset(heights_of(&dataset, path, &file, &mut notes)?);
            dataset = open_named(&name, path)?;
        }
        truncation::check(&dataset, &file).map_err(|e| renamed(e, path))?;
        Raster::from_dataset(dataset, path, name, notes)
    }

    /// Closes the file until its rows are read.
    pub fn close(&mut self) {
        let _call = watch::call(&self.path, 0);
        self.dataset = None;
    }

    /// Says that so many rows are being read.
    fn call(&self, rows: usize) -> watch::LibraryCall {
        let rows = rows.div_ceil(self.block_rows) + 1;
        let cells = (rows * self.block_rows).min(self.rows) as u64 * self.columns as u64;
        watch::call(&self.path, self.work + cells * u64::from(self.kind.bytes()))
    }

    fn reopen(&mut self) -> Result<()> {
        if self.dataset.is_none() {
            self.dataset = Some(open_named(&self.name, &self.path)?);
        }
        Ok(())
    }

    fn from_dataset(
        dataset: Dataset,
        path: &Path,
        name: Name,
        notes: Vec<String>,
    ) -> Result<Raster> {
        let bands = dataset.raster_count();
        if is_coloured(&dataset) {
            return Err(picture(path, "colours"));
        }
        if bands != 1 {
            return Err(Error::Grid(
                Problem::new("the file does not hold exactly one band of heights")
                    .found(format!("{bands} bands"))
                    .allowed("1 band")
                    .next("copy the band with the heights into a file of its own")
                    .file(path),
            ));
        }
        let (columns, rows) = dataset.raster_size();
        if columns == 0 || rows == 0 {
            return Err(Error::Grid(
                Problem::new("the grid has no cells")
                    .found(format!("{columns} × {rows}"))
                    .file(path),
            ));
        }
        let band = dataset.rasterband(1).map_err(|e| unreadable(path, &e))?;
        let kind = band.band_type();
        truncation::within_bounds(&dataset, &band, path)?;
        let block_rows = band.block_size().1;
        // Complex types are integer and floating neither, or both names start with "C".
        if kind.name().starts_with('C') {
            return Err(Error::Grid(
                Problem::new("the grid holds complex numbers")
                    .found(kind.name())
                    .allowed("whole or floating-point numbers")
                    .file(path),
            ));
        }
        let transform = dataset
            .geo_transform()
            .ok()
            .filter(|t| *t != [0.0, 1.0, 0.0, 0.0, 0.0, 1.0]);
        if let Some(t) = transform
            && !(t.iter().all(|n| n.is_finite()) && t[1] != 0.0 && t[5] != 0.0)
        {
            return Err(Error::Grid(
                Problem::new("the file's corner and cell sizes make no sense")
                    .found(t.map(values::spelled).join(", "))
                    .allowed("finite numbers, and cells with a width and a height")
                    .next("correct the file's georeferencing")
                    .file(path),
            ));
        }
        let crs = match dataset.spatial_ref() {
            Ok(reference) => crs::read(&reference)?,
            Err(_) => None,
        };
        Ok(Raster {
            path: path.to_owned(),
            columns,
            rows,
            transform,
            crs,
            target: None,
            notes,
            work: name.bytes(),
            block_rows: block_rows.clamp(1, rows),
            name,
            dataset: Some(dataset),
            kind,
        })
    }

    /// Whether its rows are no circles of latitude.
    pub fn is_projected(&self) -> bool {
        self.crs
            .as_ref()
            .is_some_and(|crs| matches!(crs.kind, CoordinateKind::Other { .. }))
    }

    fn band(&self) -> Result<RasterBand<'_>> {
        let closed = || Error::Grid(Problem::new("the file is closed").file(&self.path));
        self.dataset
            .as_ref()
            .ok_or_else(closed)?
            .rasterband(1)
            .map_err(|e| unreadable(&self.path, &e))
    }

    /// What the band says about its numbers, with a sample from all over the grid.
    pub fn band_info(&self) -> Result<BandInfo> {
        let band = self.band()?;
        Ok(BandInfo {
            scale: band.scale().unwrap_or(1.0),
            offset: band.offset().unwrap_or(0.0),
            unit: band.unit(),
            nodata: band.no_data_value(),
            integers: self.integer_type(),
            sample: self.sample(&band)?,
        })
    }

    /// Small patches spread over the grid: few enough that a compressed giant opens at once.
    fn sample(&self, band: &RasterBand<'_>) -> Result<Vec<f64>> {
        const SPOTS: usize = 8;
        const PATCH: usize = 4;
        let size = (PATCH.min(self.columns), PATCH.min(self.rows));
        let mut sample = Vec::new();
        for j in 0..SPOTS {
            let _call = self.call(size.1);
            for i in 0..SPOTS {
                let x = (self.columns - size.0) * (2 * i + 1) / (2 * SPOTS);
                let y = (self.rows - size.1) * (2 * j + 1) / (2 * SPOTS);
                let patch = band
                    .read_as::<f64>((x as isize, y as isize), size, size, None)
                    .map_err(|e| broken(&self.path, y, &e))?;
                sample.extend_from_slice(patch.data());
            }
        }
        Ok(sample)
    }

    /// The type of its numbers, if they are whole numbers of 8 or 16 bits.
    fn integer_type(&self) -> Option<IntegerType> {
        match self.kind {
            GdalDataType::UInt8 => Some(IntegerType::U8),
            GdalDataType::Int16 => Some(IntegerType::I16),
            GdalDataType::UInt16 => Some(IntegerType::U16),
            _ => None,
        }
    }

    /// Whether two columns hold the same numbers, judged by rows from pole to pole.
    pub fn columns_equal(&self, a: usize, b: usize) -> Result<bool> {
        // A whole column would mean reading the whole of a striped file.
        const ROWS: usize = 90;
        let band = self.band()?;
        let cell = |x: usize, y: usize| {
            band.read_as::<f64>((x as isize, y as isize), (1, 1), (1, 1), None)
                .map(|cell| cell.data()[0])
                .map_err(|e| broken(&self.path, y, &e))
        };
        for i in 0..ROWS.min(self.rows) {
            let _call = self.call(1);
            let y = (2 * i + 1) * self.rows / (2 * ROWS.min(self.rows));
            let (left, right) = (cell(a, y)?, cell(b, y)?);
            if left != right && !(left.is_nan() && right.is_nan()) {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Turns the raster into rows from the north, `columns` wide.
    pub fn into_rows(self, columns: usize, south_first: bool, meaning: &Meaning) -> Result<Rows> {
        // Other numbers do not fit an f32 without loss.
        let narrow = self.integer_type().is_some() || self.kind == GdalDataType::Float32;
        let wide = (!narrow).then(|| (meaning.scale, meaning.shift_m, meaning.missing.clone()));
        Ok(Rows {
            raster: self,
            columns,
            south_first,
            wide,
        })
    }
}

/// Rows of a raster from the north. Numbers too wide for an f32 become heights on the way in.
pub(super) struct Rows {
    raster: Raster,
    columns: usize,
    south_first: bool,
    wide: Option<(f64, f64, Missing)>,
}

impl Rows {
    /// Whether rows arrive as heights rather than stored numbers.
    pub fn decoded(&self) -> bool {
        self.wide.is_some()
    }

    /// Reads numbers from a row on, counted from the north.
    fn numbers<T: Copy + GdalType>(&mut self, first: usize, out: &mut [T]) -> Result<()> {
        let size = (self.columns, out.len() / self.columns);
        let top = match self.south_first {
            true => self.raster.rows - first - size.1,
            false => first,
        };
        let _call = self.raster.call(size.1);
        self.raster.reopen()?;
        let band = self.raster.band()?;
        band.read_into_slice::<T>((0, top as isize), size, size, out, None)
            .map_err(|e| broken(&self.raster.path, top, &e))?;
        if self.south_first {
            turn_over(out, self.columns);
        }
        Ok(())
    }

    /// The type of its numbers, if they are whole numbers of 8 or 16 bits.
    pub fn integer_type(&self) -> Option<IntegerType> {
        self.raster.integer_type()
    }

    /// Takes one more stored number for "no data".
    pub fn also_missing(&mut self, fill: f64) {
        if let Some((_, _, missing)) = &mut self.wide {
            missing.values.push(fill);
        }
    }
}

/// Whole numbers as they are stored.
impl<T: StoredInteger + GdalType> RowSource<T> for Rows {
    fn read(&mut self, first: usize, out: &mut [T]) -> Result<()> {
        self.numbers(first, out)
    }
}

impl RowSource<f32> for Rows {
    fn read(&mut self, first: usize, out: &mut [f32]) -> Result<()> {
        if self.wide.is_none() {
            return self.numbers(first, out);
        }
        let mut stored = vec![0.0; out.len()];
        self.numbers(first, &mut stored)?;
        if let Some((scale, shift_m, missing)) = &self.wide {
            for (height, &v) in out.iter_mut().zip(&stored) {
                *height = match missing.holds(v) {
                    true => f32::NAN,
                    false => (v * scale + shift_m) as f32,
                };
            }
        }
        Ok(())
    }
}

/// A tile's rows and where they lie in the common grid.
pub(super) struct Tile {
    pub rows: Rows,
    /// How its stored numbers become heights.
    pub decode: Decode,
    /// Column and row of its north-western cell.
    pub corner: (usize, usize),
}

/// Several rasters as one, as heights; NaN between them.
pub(super) struct Tiles {
    pub tiles: Vec<Tile>,
    pub columns: usize,
    /// Close each file when its last row has been read.
    pub close: bool,
}

impl RowSource<f32> for Tiles {
    fn read(&mut self, first: usize, out: &mut [f32]) -> Result<()> {
        let columns = self.columns;
        let last = first + out.len() / columns;
        out.fill(f32::NAN);
        let mut cells = Vec::new();
        for tile in &mut self.tiles {
            let (west, north) = tile.corner;
            let wide = tile.rows.columns;
            let from = first.max(north);
            let to = last.min(north + tile.rows.raster.rows);
            if from >= to {
                continue;
            }
            cells.resize((to - from) * wide, 0.0);
            tile.rows.read(from - north, &mut cells)?;
            if self.close && to == north + tile.rows.raster.rows {
                tile.rows.raster.close();
            }
            for (row, line) in (from..to).zip(cells.chunks_mut(wide)) {
                tile.decode.apply(line);
                let start = (row - first) * columns;
                for (x, &h) in line.iter().enumerate().filter(|(_, h)| !h.is_nan()) {
                    out[start + (west + x) % columns] = h;
                }
            }
        }
        Ok(())
    }
}

/// Reverses the order of rows in place.
fn turn_over<T>(cells: &mut [T], columns: usize) {
    let rows = cells.len() / columns;
    for row in 0..rows / 2 {
        let (above, below) = cells.split_at_mut((rows - 1 - row) * columns);
        above[row * columns..(row + 1) * columns].swap_with_slice(&mut below[..columns]);
    }
}

fn open_named(name: &Name, path: &Path) -> Result<Dataset> {
    match name {
        Name::File(name) | Name::Subdataset(name) => drivers::open(name),
        Name::Virtual(xml) => drivers::open_virtual(xml),
    }
    .map_err(|e| photograph(path).unwrap_or_else(|| unreadable(path, &e)))
}

/// A file in one of the formats of cameras and web pages.
fn photograph(path: &Path) -> Option<Error> {
    // First bytes: JPEG, ITU-T T.81, annex B; GIF89a; WebP container, RFC 9649.
    let head = head(path, 12).ok()?;
    let format = match &head[..] {
        [0xff, 0xd8, 0xff, ..] => "JPEG",
        [b'G', b'I', b'F', b'8', ..] => "GIF",
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P'] => "WebP",
        _ => return None,
    };
    Some(picture(path, format))
}

fn picture(path: &Path, found: &str) -> Error {
    Error::Grid(
        Problem::new("this is a picture, not heights")
            .found(found)
            .allowed("one band of heights, such as a GeoTIFF of a terrain model")
            .next("get the heights from where the picture came from")
            .file(path),
    )
}

/// Whether the first band holds one colour of a picture.
fn is_coloured(dataset: &Dataset) -> bool {
    use gdal::raster::ColorInterpretation as Colour;
    dataset.rasterband(1).is_ok_and(|band| {
        let colour = band.color_interpretation();
        matches!(colour, Colour::RedBand | Colour::PaletteIndex)
    })
}

/// The label that describes a file: the file itself, or its namesake ending in `.lbl`.
fn label_of(path: &Path) -> Result<Option<(PathBuf, String)>> {
    let text_of = |path: &Path| {
        let head = head(path, LABEL_BYTES).ok()?;
        labels::is_label(&head).then(|| latin_1(&head))
    };
    let extension = path
        .extension()
        .map(|e| e.to_string_lossy().to_lowercase())
        .unwrap_or_default();
    if !["lbl", "img", "dat", "raw", "cub"].contains(&extension.as_str()) {
        return Ok(None);
    }
    if let Some(text) = text_of(path) {
        return Ok(Some((path.to_owned(), text)));
    }
    if extension == "lbl" {
        return Err(Error::Grid(
            Problem::new("the file is named like a label but does not read like one")
                .allowed("a PDS3 label, which starts with PDS_VERSION_ID = PDS3")
                .file(path),
        ));
    }
    let name = path.with_extension("lbl");
    let name = name.file_name().unwrap_or_default().to_string_lossy();
    Ok(beside(path, &name).and_then(|label| {
        let text = text_of(&label)?;
        Some((label, text))
    }))
}

/// A file of that name in the same folder, in upper or lower case.
fn beside(path: &Path, name: &str) -> Option<PathBuf> {
    let folder = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    // A label names a file beside it, never one elsewhere on the disk.
    let name = Path::new(name).file_name()?.to_str()?;
    let exact = folder.join(name);
    if exact.is_file() {
        return Some(exact);
    }
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder)
        .ok()?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|p| {
            p.is_file()
                && p.file_name()
                    .is_some_and(|f| f.to_string_lossy().eq_ignore_ascii_case(name))
        })
        .collect();
    found.sort();
    found.into_iter().next()
}

/// Opens the raw image a label describes.
fn open_label(path: &Path, label: &Path, text: &str) -> Result<Raster> {
    let named = |e| renamed(e, label);
    let image = Label::parse(text)
        .and_then(|label| label.image())
        .map_err(named)?;
    let data = match &image.file {
        None => label.to_owned(),
        Some(name) => beside(label, name)
            // The label may belong to a copy under another name: the file that was asked for.
            .or_else(|| (path != label).then(|| path.to_owned()))
            .ok_or_else(|| {
                Error::Grid(
                    Problem::new("the image that the label names is not beside it")
                        .found(format!("no \"{name}\""))
                        .next("put both files into one folder")
                        .file(label),
                )
            })?,
    };
    check_length(&image, &data)?;
    let data =
        file_names::real(&data).map_err(|e| Error::io(&data, "find the image of a label", &e))?;
    let xml = labels::virtual_raster(&image, &data);
    let name = Name::Virtual(xml);
    let dataset = open_named(&name, label)?;
    let mut raster = Raster::from_dataset(dataset, path, name, image.notes.clone())?;
    raster.target = image.target;
    if let Some(map) = image.map
        && let Some(semi_major_m) = map.radius_m
    {
        let crs = Crs {
            name: "the label".to_owned(),
            kind: match map.proj {
                Some(_) => CoordinateKind::Other { unit_m: 1.0 },
                None => CoordinateKind::Angles {
                    unit_deg: 1.0,
                    meridian_deg: 0.0,
                },
            },
            semi_major_m,
            semi_minor_m: map.polar_m.unwrap_or(semi_major_m),
            graphic: map.graphic,
            proj: map.proj.unwrap_or_default(),
        };
        raster.crs = Some(crs.checked().map_err(named)?);
    }
    Ok(raster)
}

/// Refuses a data file that is shorter than its label says; what is missing would read as zeros.
fn check_length(image: &RawImage, data: &Path) -> Result<()> {
    let last_line = image.prefix_bytes + image.columns * image.sample.bytes;
    let lines = (image.rows as u64 - 1).saturating_mul(image.line_bytes as u64);
    let needed = image
        .skip
        .saturating_add(lines)
        .saturating_add(last_line as u64);
    truncation::long_enough(data, needed)
}

/// The table of numbers in a file, if it is one.
fn table_of(path: &Path) -> Result<Option<TextTable>> {
    const HEAD: u64 = 4096;
    if !head(path, HEAD).is_ok_and(|head| text_table::is_table(&head)) {
        return Ok(None);
    }
    // Numbers of eight bytes, twice, from two characters or more each, and the text itself.
    watch::need_memory(10 * path.metadata().map_or(0, |known| known.len()));
    text_table::read(path).map(Some)
}

/// A table of numbers as a raster in a file of GDAL's that lies in memory, without coordinates.
fn open_table(path: &Path, table: TextTable) -> Result<Raster> {
    static TABLES: AtomicUsize = AtomicUsize::new(0);
    let name = PathBuf::from(format!(
        "/vsimem/table-{}.tif",
        TABLES.fetch_add(1, Ordering::Relaxed)
    ));
    let made = || -> gdal::errors::Result<()> {
        let driver = DriverManager::get_driver_by_name("GTiff")?;
        let mut dataset =
            driver.create_with_band_type::<f64, _>(&name, table.columns, table.rows, 1)?;
        let size = (table.columns, table.rows);
        let cells = &mut Buffer::new(size, table.cells);
        dataset.rasterband(1)?.write((0, 0), size, cells)?;
        dataset.flush_cache()
    };
    made().map_err(|e| unreadable(path, &e))?;
    let name = Name::File(name);
    let dataset = open_named(&name, path)?;
    let note = format!(
        "a table of numbers as text: taken for {} columns and {} rows",
        table.columns, table.rows
    );
    Raster::from_dataset(dataset, path, name, vec![note])
}

impl Drop for Raster {
    /// Gives the memory of a table back.
    fn drop(&mut self) {
        self.close();
        if let Name::File(name) = &self.name
            && name.starts_with("/vsimem")
        {
            // Fails only if it is gone already.
            let _ = gdal::vsi::unlink_mem_file(name);
        }
    }
}

/// Name of the variable with the heights in a file that holds several.
fn heights_of(
    dataset: &Dataset,
    path: &Path,
    file: &Path,
    notes: &mut Vec<String>,
) -> Result<PathBuf> {
    let names: Vec<String> = dataset
        .metadata_domain("SUBDATASETS")
        .unwrap_or_default()
        .iter()
        .filter_map(|entry| {
            let (key, value) = entry.split_once('=')?;
            key.ends_with("_NAME").then(|| value.to_owned())
        })
        // What a file lists may be anything; its own variables are meant.
        .filter(|name| sources::is_subdataset_of(name, file))
        .collect();
    let variable = |name: &str| {
        let last = name.rsplit(':').next().unwrap_or(name);
        last.trim_matches(['/', '"']).to_lowercase()
    };
    let chosen = HEIGHT_NAMES
        .iter()
        .find_map(|wanted| names.iter().find(|name| variable(name) == *wanted));
    let Some(chosen) = chosen else {
        let listed: Vec<String> = names.iter().map(|n| variable(n)).collect();
        return Err(Error::Grid(
            Problem::new("the file holds no grid that is clearly one of heights")
                .found(if listed.is_empty() {
                    "no grids".to_owned()
                } else {
                    listed.join(", ")
                })
                .allowed("one grid, or one named elevation, height, topo, altitude or z")
                .next("name the variable: files = ['NETCDF:file.nc:name']")
                .file(path),
        ));
    };
    notes.push(format!(
        "the file holds {} grids; \"{}\" is used",
        names.len(),
        variable(chosen)
    ));
    Ok(PathBuf::from(chosen))
}

/// A file that opened but whose rows cannot be read.
fn broken(path: &Path, row: usize, error: &GdalError) -> Error {
    Error::Grid(
        Problem::new(format!(
            "the grid could not be read at row {} of the file{}",
            row + 1,
            said(path, error)
        ))
        .next("the file is damaged or cut short; copy or download it again")
        .file(path),
    )
}
