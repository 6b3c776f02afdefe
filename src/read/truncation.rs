//! Whether a file is all there, for formats whose readers take what is missing for zeros, for
//! fill, or for whatever lies in memory: its length against what its own header says.

use super::file_head::latin_1;
use super::labels::{LABEL_BYTES, Label};
use super::refusals::{beside_by_name, renamed};
use crate::model::error::{Error, Problem, Result};
use gdal::raster::RasterBand;
use gdal::{Dataset, Metadata};
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

/// Refuses a file that is shorter than its header says, or from which cells are missing that it
/// does not declare as missing.
pub(super) fn check(dataset: &Dataset, path: &Path) -> Result<()> {
    let Ok(band) = dataset.rasterband(1) else {
        return Ok(());
    };
    within_bounds(dataset, &band, path)?;
    let (columns, rows) = dataset.raster_size();
    let cell_bytes = u64::from(band.band_type().bytes());
    let cells = columns as u64 * rows as u64;
    let declared = band.no_data_value().is_some();
    match dataset.driver().short_name().as_str() {
        "netCDF" => needs(path, classic_netcdf_end),
        "HFA" => {
            let mut spilled = None;
            needs(path, |file| erdas_end(file, declared, &mut spilled))?;
            let Some((name, from, layers)) = spilled else {
                return Ok(());
            };
            let (wide, high) = band.block_size();
            let blocks = columns.div_ceil(wide.max(1)) as u64 * rows.div_ceil(high.max(1)) as u64;
            let bytes = blocks
                .saturating_mul(wide as u64 * high as u64 * cell_bytes)
                .saturating_mul(layers);
            let beside = beside_by_name(path, &name)?;
            long_enough(&beside, from.saturating_add(bytes))
        }
        "PCIDSK" => needs(path, pcidsk_end),
        "ISIS3" => needs(path, |file| cube_end(file, (columns, rows), cell_bytes)),
        "ENVI" => {
            let header = dataset.metadata_domain("ENVI").unwrap_or_default();
            let skip = header
                .iter()
                .find_map(|entry| entry.strip_prefix("header_offset=")?.trim().parse().ok());
            let needed = cells
                .saturating_mul(cell_bytes)
                .saturating_add(skip.unwrap_or(0));
            long_enough(path, needed)
        }
        "PNG" => needs(path, png_end),
        "GRIB" => needs(path, grib_end),
        "GTiff" if !declared => {
            let (wide, high) = band.block_size();
            let (across, down) = (columns.div_ceil(wide.max(1)), rows.div_ceil(high.max(1)));
            let lost = (0..across * down)
                .map(|block| (block % across, block / across))
                .find(|(x, y)| {
                    let key = format!("BLOCK_OFFSET_{x}_{y}");
                    band.metadata_item(&key, "TIFF").is_none()
                });
            lost.map_or(Ok(()), |(_, y)| Err(lost_block(path, y * high)))
        }
        "XYZ" => ends_with_a_line(path).and_then(|()| every_place(path, cells)),
        "AAIGrid" | "GRASSASCIIGrid" | "GSAG" | "ISG" | "ZMap" => ends_with_a_line(path),
        _ => Ok(()),
    }
}

/// Most columns of a grid, and twice the most rows: cells of 5 m on Earth's equator. A row of them
/// is held in memory at least.
const MOST_COLUMNS: usize = 1 << 23;

/// Most bytes that a grid is stored in at a time: one block of it is held as a whole.
const MOST_BLOCK_BYTES: usize = 1 << 28;

/// Refuses what could not be read within reason, before memory is asked for.
pub(super) fn within_bounds(dataset: &Dataset, band: &RasterBand<'_>, path: &Path) -> Result<()> {
    let (size, block) = (dataset.raster_size(), band.block_size());
    if size.0 > MOST_COLUMNS || size.1 > MOST_COLUMNS / 2 + 1 {
        return Err(Error::Grid(
            Problem::new("the grid has more cells than any grid of a planet")
                .found(format!("{} × {}", size.0, size.1))
                .allowed(format!("up to {MOST_COLUMNS} × {}", MOST_COLUMNS / 2 + 1))
                .next("check that the file is complete, or make it coarser first")
                .file(path),
        ));
    }
    let bytes = block
        .0
        .saturating_mul(block.1)
        .saturating_mul(band.band_type().bytes().into());
    if bytes > MOST_BLOCK_BYTES {
        return Err(Error::Grid(
            Problem::new("the grid is stored in blocks too large to be held")
                .found(format!(
                    "blocks of {} × {} cells, {} MB each",
                    block.0,
                    block.1,
                    bytes >> 20
                ))
                .allowed(format!("blocks of up to {} MB", MOST_BLOCK_BYTES >> 20))
                .next("store it in tiles, with gdal_translate -co TILED=YES")
                .file(path),
        ));
    }
    Ok(())
}

/// Refuses a file shorter than `needed`.
pub(super) fn long_enough(path: &Path, needed: u64) -> Result<()> {
    let found = std::fs::metadata(path)
        .map_err(|e| Error::io(path, "read", &e))?
        .len();
    if found >= needed {
        return Ok(());
    }
    Err(Error::Grid(
        Problem::new("the file is shorter than its header says")
            .found(format!("{found} bytes"))
            .allowed(format!("{needed} bytes or more"))
            .next("the file is damaged or cut short; copy or download it again")
            .file(path),
    ))
}

/// Text of numbers must end with its line, or its last number may be a part of one.
pub(super) fn ends_with_a_line(path: &Path) -> Result<()> {
    let last = || -> std::io::Result<u8> {
        let mut byte = [0];
        let mut file = File::open(path)?;
        file.seek(SeekFrom::End(-1))?;
        file.read_exact(&mut byte)?;
        Ok(byte[0])
    };
    // Some end with a mark of old systems.
    if last().is_ok_and(|byte| byte.is_ascii_whitespace() || byte == 0x1A) {
        return Ok(());
    }
    Err(Error::Grid(
        Problem::new("the text ends within a line, so its last number may be cut in two")
            .next("copy or download it again; or add a line break at its end, if it is whole")
            .file(path),
    ))
}

fn lost_block(path: &Path, row: usize) -> Error {
    Error::Grid(
        Problem::new(format!(
            "the cells from row {} of the file on were never written",
            row + 1
        ))
        .allowed("cells all over, or a declared number for those without data")
        .next("the file is damaged or unfinished; copy or make it again")
        .file(path),
    )
}

/// A header's fields, in the order of the file.
struct Fields {
    file: BufReader<File>,
    big_endian: bool,
}

/// `None` once the file has ended.
impl Fields {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let mut bytes = [0; N];
        self.file.read_exact(&mut bytes).ok()?;
        if !self.big_endian {
            bytes.reverse();
        }
        Some(bytes)
    }

    fn u16(&mut self) -> Option<u16> {
        self.take().map(u16::from_be_bytes)
    }

    fn u32(&mut self) -> Option<u64> {
        self.take().map(|bytes| u32::from_be_bytes(bytes).into())
    }

    fn u64(&mut self) -> Option<u64> {
        self.take().map(u64::from_be_bytes)
    }

    /// Text of fixed length, without what pads it.
    fn text<const N: usize>(&mut self) -> Option<String> {
        let mut bytes = [0; N];
        self.file.read_exact(&mut bytes).ok()?;
        let text = String::from_utf8_lossy(&bytes);
        Some(text.trim_matches([' ', '\0']).to_owned())
    }

    fn skip(&mut self, bytes: u64) -> Option<()> {
        self.file.seek_relative(bytes.try_into().ok()?).ok()
    }

    fn seek(&mut self, to: u64) -> Option<()> {
        self.file.seek(SeekFrom::Start(to)).ok().map(|_| ())
    }
}

/// Where the last byte of a file should lie: `Ok(None)` if its header cannot be followed.
type End = Result<Option<u64>>;

fn needs(path: &Path, end: impl FnOnce(Fields) -> End) -> Result<()> {
    let file = File::open(path).map_err(|e| Error::io(path, "read", &e))?;
    let fields = Fields {
        file: BufReader::new(file),
        big_endian: true,
    };
    match end(fields) {
        Ok(Some(needed)) => long_enough(path, needed),
        Ok(None) => Err(Error::Grid(
            Problem::new("the file's header ends before it says where the cells lie")
                .next("the file is damaged or cut short; copy or download it again")
                .file(path),
        )),
        Err(error) => Err(renamed(error, path)),
    }
}

/// A header of the classic format of netCDF, versions 1, 2 and 5 ("NetCDF Classic Format
/// Specification", Unidata). Version 4 is HDF5, whose library compares the lengths itself.
struct ClassicNetcdf {
    file: Fields,
    version: u8,
}

impl ClassicNetcdf {
    fn count(&mut self) -> Option<u64> {
        match self.version {
            5 => self.file.u64(),
            _ => self.file.u32(),
        }
    }

    /// The tag of a list, and how many things it has.
    fn list(&mut self) -> Option<u64> {
        self.file.u32()?;
        self.count()
    }

    fn skip_name(&mut self) -> Option<()> {
        let length = self.count()?;
        self.file.skip(length.next_multiple_of(4))
    }

    /// Bytes of a number of the type that is named next.
    fn number_bytes(&mut self) -> Option<u64> {
        Some(match self.file.u32()? {
            1 | 2 | 7 => 1,
            3 | 8 => 2,
            4 | 5 | 9 => 4,
            _ => 8,
        })
    }

    fn skip_attributes(&mut self) -> Option<()> {
        for _ in 0..self.list()? {
            self.skip_name()?;
            let number_bytes = self.number_bytes()?;
            let bytes = self.count()?.checked_mul(number_bytes)?;
            self.file.skip(bytes.checked_next_multiple_of(4)?)?;
        }
        Some(())
    }

    /// Beginning of a variable and its bytes, or those of one record if it grows; whether it does.
    fn variable(&mut self, lengths: &[u64]) -> Option<(u64, u64, bool)> {
        self.skip_name()?;
        let mut cells = 1u64;
        let mut grows = false;
        for place in 0..self.count()? {
            let length = *lengths.get(usize::try_from(self.count()?).ok()?)?;
            match (place, length) {
                (0, 0) => grows = true,
                _ => cells = cells.checked_mul(length)?,
            }
        }
        self.skip_attributes()?;
        let bytes = cells.checked_mul(self.number_bytes()?)?;
        self.count()?;
        let begin = match self.version {
            1 => self.file.u32()?,
            _ => self.file.u64()?,
        };
        Some((begin, bytes, grows))
    }

    fn end(&mut self) -> Option<u64> {
        let records = self.count()?;
        let mut lengths = Vec::new();
        for _ in 0..self.list()? {
            self.skip_name()?;
            lengths.push(self.count()?);
        }
        self.skip_attributes()?;
        let mut end = 0;
        let mut growing = Vec::new();
        for _ in 0..self.list()? {
            match self.variable(&lengths)? {
                (begin, bytes, true) => growing.push((begin, bytes)),
                (begin, bytes, false) => end = end.max(begin.checked_add(bytes)?),
            }
        }
        // A lone variable that grows is not padded.
        let record: u64 = match growing[..] {
            [(_, bytes)] => bytes,
            _ => growing.iter().map(|(_, b)| b.next_multiple_of(4)).sum(),
        };
        let unknown = [u64::from(u32::MAX), u64::MAX].contains(&records);
        if records > 0 && !unknown {
            for (begin, bytes) in growing {
                let before = record.checked_mul(records - 1)?;
                end = end.max(begin.checked_add(before)?.checked_add(bytes)?);
            }
        }
        Some(end)
    }
}

fn classic_netcdf_end(mut file: Fields) -> End {
    Ok((|| match file.take::<4>()? {
        [b'C', b'D', b'F', version] => ClassicNetcdf { file, version }.end(),
        _ => Some(0),
    })())
}

/// Erdas Imagine: a tree of named nodes, some of which list where blocks of cells lie (GDAL,
/// "HFA format" by its driver's author). Large ones keep them in a second file: its name, where its
/// cells begin and how many layers it holds.
fn erdas_end(mut file: Fields, declared: bool, spilled: &mut Option<(String, u64, u64)>) -> End {
    /// More nodes than any file has; a damaged one may lead in circles.
    const MOST: usize = 100_000;
    file.big_endian = false;
    let mut unwritten = false;
    let end = (|| {
        file.seek(16)?;
        let header = file.u32()?;
        file.seek(header + 8)?;
        let root = file.u32()?;
        file.u16()?;
        let mut end = file.u32()?;
        let mut open = vec![root];
        for _ in 0..MOST {
            let Some(node) = open.pop() else {
                return Some(end);
            };
            file.seek(node)?;
            let next = file.u32()?;
            file.skip(8)?;
            let (child, data, bytes) = (file.u32()?, file.u32()?, file.u32()?);
            file.text::<64>()?;
            let kind = file.text::<32>()?;
            open.extend([next, child].into_iter().filter(|node| *node != 0));
            end = end.max(data + bytes);
            if kind == "Edms_State" && data != 0 {
                file.seek(data + 14)?;
                let blocks = file.u32()?;
                file.u32()?;
                for _ in 0..blocks {
                    file.u16()?;
                    let (from, bytes) = (file.u32()?, file.u32()?);
                    unwritten |= file.u16()? == 0;
                    file.u16()?;
                    end = end.max(from + bytes);
                }
            }
            if kind == "ImgExternalRaster" {
                file.seek(data)?;
                let letters = file.u32()?.min(1000);
                file.u32()?;
                let mut name = String::new();
                for _ in 0..letters {
                    name += &file.text::<1>()?;
                }
                file.skip(8)?;
                *spilled = Some((name, file.u64()?, file.u32()?));
            }
        }
        None
    })();
    if unwritten && !declared {
        return Err(Error::Grid(
            Problem::new("some of the file's blocks were never written")
                .allowed("cells all over, or a declared number for those without data")
                .next("the file is damaged or unfinished; copy or make it again"),
        ));
    }
    Ok(end)
}

/// PCIDSK: the header tells the file's length in blocks of 512 bytes ("PCIDSK format", PCI
/// Geomatics). A file in which nothing was written where it is empty is shorter; what is missing
/// cannot be told from what was cut off.
fn pcidsk_end(mut file: Fields) -> End {
    let Some((blocks, elsewhere)) = (|| {
        file.seek(16)?;
        let blocks = file.text::<16>()?.parse::<u64>().ok()?;
        file.seek(336)?;
        let images = file.text::<16>()?.parse::<u64>().ok()?;
        file.seek(images.checked_sub(1)?.checked_mul(512)? + 64)?;
        Some((blocks, file.text::<64>()?))
    })() else {
        return Ok(None);
    };
    if !(elsewhere.is_empty() || elsewhere.starts_with("/SIS=")) {
        return Err(Error::Grid(
            Problem::new("the cells lie in another file than their header")
                .found(format!("\"{elsewhere}\""))
                .allowed("a file that holds its cells")
                .next("convert it to a GeoTIFF first"),
        ));
    }
    Ok(blocks.checked_mul(512))
}

/// ISIS cubes: a label like those of PDS in front of cells by rows or by tiles, and further tables
/// behind them (USGS, "ISIS cube format").
fn cube_end(file: Fields, size: (usize, usize), cell_bytes: u64) -> End {
    let mut bytes = Vec::new();
    let head = file.file.take(LABEL_BYTES);
    if { head }.read_to_end(&mut bytes).is_err() {
        return Ok(None);
    }
    Ok(Label::parse(&latin_1(&bytes))?.cube_end(size, cell_bytes))
}

/// PNG: chunks up to the one that ends it.
fn png_end(mut file: Fields) -> End {
    Ok((|| {
        let mut at = 8u64;
        loop {
            file.seek(at)?;
            let bytes = file.u32()?;
            at += bytes + 12;
            if file.text::<4>()? == "IEND" {
                return Some(at);
            }
        }
    })())
}

/// GRIB: messages with their lengths. What lies between them is no matter.
fn grib_end(mut file: Fields) -> End {
    Ok((|| {
        let mut at = 0u64;
        loop {
            file.seek(at)?;
            let Some(head) = file.text::<4>() else {
                return Some(at);
            };
            if head != "GRIB" {
                return Some(at);
            }
            let [a, b, c, edition] = file.take()?;
            at += match edition {
                1 => u64::from(u32::from_be_bytes([0, a, b, c])),
                _ => file.u64()?,
            }
            .max(8);
        }
    })())
}

/// Places and their heights, one a line: as many lines as cells.
fn every_place(path: &Path, cells: u64) -> Result<()> {
    let mut found = 0u64;
    let mut fresh = true;
    let mut reader = BufReader::new(File::open(path).map_err(|e| Error::io(path, "read", &e))?);
    let mut bytes = vec![0; 1 << 16];
    loop {
        let count = reader
            .read(&mut bytes)
            .map_err(|e| Error::io(path, "read", &e))?;
        if count == 0 {
            break;
        }
        for byte in &bytes[..count] {
            match byte {
                b'\n' | b'\r' => fresh = true,
                b' ' | b'\t' => {}
                b'0'..=b'9' | b'+' | b'-' | b'.' if fresh => {
                    found += 1;
                    fresh = false;
                }
                _ => fresh = false,
            }
        }
    }
    if found >= cells {
        return Ok(());
    }
    Err(Error::Grid(
        Problem::new("the list of places and heights has gaps")
            .found(format!("{found} places"))
            .allowed(format!("{cells}, one for every cell"))
            .next("the file is damaged or cut short; copy or download it again")
            .file(path),
    ))
}
