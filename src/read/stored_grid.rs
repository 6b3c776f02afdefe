//! A working grid kept in a file, for when it is larger than the memory it may take.
//!
//! The file holds square tiles, each with a few samples of its neighbours around it, so that
//! whatever lies in a tile can be interpolated from that tile alone:
//!
//! ```text
//!   ┌───────────────────┐
//!   │  · · · · · · · ·  │    ·  margin: columns wrapped, rows carried across the poles
//!   │  · ┌─────────┐ ·  │
//!   │  · │ samples │ ·  │
//!   │  · └─────────┘ ·  │
//!   │  · · · · · · · ·  │
//!   └───────────────────┘
//! ```
//!
//! A bounded number of tiles is held; which of them decides how long a run takes, never what it
//! finds. The file has no name and vanishes with the program, however that ends.

use crate::model::grid::{Heights, Layout, half_turned};
use crate::model::parallel;
use crate::read::lent_file::LentFile;
use crate::{Error, Problem, Result};
use quick_cache::sync::Cache;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::ffi::OsString;
use std::fs::File;
use std::io::ErrorKind;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

/// Samples along a tile's side, without margin. Larger tiles have less margin in all and hold
/// more that a facet at their edge has no use for.
const TILE: usize = 128;

/// Samples of the neighbours on every side: cubic interpolation needs two, bounds of slope three.
const MARGIN: usize = 3;

/// Samples along a stored tile's side.
pub const SIDE: usize = TILE + 2 * MARGIN;

/// Bytes of a stored tile.
const TILE_BYTES: usize = SIDE * SIDE * size_of::<f32>();

/// Rows of tiles that must be held at least: near a pole a line of pixels crosses all of one.
const LEAST_ROWS_HELD: usize = 4;

/// A grid in a file.
pub struct StoredGrid {
    layout: Layout,
    file: File,
    /// Folder the file lies in, for messages.
    folder: PathBuf,
    /// Tiles per row of tiles.
    across: usize,
    held: Cache<usize, Arc<[f32]>>,
    /// What went wrong first when reading back.
    failure: OnceLock<String>,
}

/// Least bytes that reading a stored grid back takes.
pub fn least_held_bytes(columns: usize) -> u64 {
    (LEAST_ROWS_HELD * columns.div_ceil(TILE) * TILE_BYTES) as u64
}

/// Reads at a place, whatever other threads read.
#[cfg(unix)]
fn read_at(file: &File, bytes: &mut [u8], at: u64) -> std::io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, at)
}

/// Writes at a place, whatever other threads write.
#[cfg(unix)]
fn write_at(file: &File, bytes: &[u8], at: u64) -> std::io::Result<()> {
    std::os::unix::fs::FileExt::write_all_at(file, bytes, at)
}

#[cfg(windows)]
fn read_at(file: &File, mut bytes: &mut [u8], mut at: u64) -> std::io::Result<()> {
    while !bytes.is_empty() {
        match std::os::windows::fs::FileExt::seek_read(file, bytes, at)? {
            0 => return Err(std::io::ErrorKind::UnexpectedEof.into()),
            read => (bytes, at) = (&mut bytes[read..], at + read as u64),
        }
    }
    Ok(())
}

#[cfg(windows)]
fn write_at(file: &File, mut bytes: &[u8], mut at: u64) -> std::io::Result<()> {
    while !bytes.is_empty() {
        match std::os::windows::fs::FileExt::seek_write(file, bytes, at)? {
            0 => return Err(std::io::ErrorKind::WriteZero.into()),
            written => (bytes, at) = (&bytes[written..], at + written as u64),
        }
    }
    Ok(())
}

impl StoredGrid {
    fn new(layout: Layout, file: File, folder: PathBuf) -> StoredGrid {
        let mut grid = StoredGrid {
            layout,
            file,
            folder,
            across: layout.columns.div_ceil(TILE),
            held: Cache::new(1),
            failure: OnceLock::new(),
        };
        grid.hold_bytes(0);
        grid
    }

    /// Holds up to so many bytes of tiles from now on, and as many as it must.
    pub fn hold_bytes(&mut self, bytes: u64) {
        let bytes = bytes.max(least_held_bytes(self.layout.columns));
        let all = self.across * self.layout.rows.div_ceil(TILE);
        self.held = Cache::new((bytes as usize / TILE_BYTES).min(all));
    }

    /// The tile in which a place is interpolated and the upper-left of its 4 × 4 samples there,
    /// from the row and column at or before the place. The row may be −1.
    #[inline(always)]
    pub fn tile_of(&self, row: isize, column: usize) -> (usize, usize) {
        let column = if column < self.layout.columns {
            column
        } else {
            column - self.layout.columns
        };
        let (down, right) = (row.max(0) as usize / TILE, column / TILE);
        let first_row = (row + MARGIN as isize - 1) as usize - down * TILE;
        let first_column = column + MARGIN - 1 - right * TILE;
        (down * self.across + right, first_row * SIDE + first_column)
    }

    /// A tile, [`SIDE`] × [`SIDE`] samples. Zeros if it cannot be read, which
    /// [`check`](Self::check) then tells.
    pub fn tile(&self, index: usize) -> Arc<[f32]> {
        let read = || self.lines(index, 0..SIDE).map(Arc::from);
        self.held
            .get_or_insert_with(&index, read)
            .unwrap_or_else(|error: std::io::Error| {
                self.failed(&error);
                Arc::from(vec![0.0; SIDE * SIDE])
            })
    }

    /// Whether all that was asked for could be read.
    ///
    /// # Errors
    /// [`Error::Disk`].
    pub fn check(&self) -> Result<()> {
        match self.failure.get() {
            None => Ok(()),
            Some(what) => Err(Error::Disk(
                Problem::new("the working grid cannot be read back")
                    .found(what)
                    .next("look at the disk, or raise --memory")
                    .file(&self.folder),
            )),
        }
    }

    /// Whether the file has room for all tiles.
    ///
    /// # Errors
    /// [`Error::Disk`].
    fn check_length(&self) -> Result<()> {
        let tiles = self.across * self.layout.rows.div_ceil(TILE);
        match self.file.metadata() {
            Ok(known) if known.len() >= (tiles * TILE_BYTES) as u64 => {}
            Ok(_) => self.failed(&ErrorKind::UnexpectedEof.into()),
            Err(error) => self.failed(&error),
        }
        self.check()
    }

    fn failed(&self, error: &std::io::Error) {
        let _only_the_first = self.failure.set(error.to_string());
    }

    /// Lines of a tile, straight from the file.
    fn lines(&self, tile: usize, lines: Range<usize>) -> std::io::Result<Vec<f32>> {
        let line_bytes = SIDE * size_of::<f32>();
        let mut bytes = vec![0; lines.len() * line_bytes];
        let start = tile * TILE_BYTES + lines.start * line_bytes;
        read_at(&self.file, &mut bytes, start as u64)?;
        let (samples, _) = bytes.as_chunks();
        Ok(samples
            .iter()
            .map(|&four| f32::from_le_bytes(four))
            .collect())
    }
}

impl Heights for StoredGrid {
    fn layout(&self) -> Layout {
        self.layout
    }

    fn at(&self, row: usize, column: usize) -> f32 {
        let (down, right) = (row / TILE, column / TILE);
        let tile = self.tile(down * self.across + right);
        tile[(row % TILE + MARGIN) * SIDE + column % TILE + MARGIN]
    }

    fn window(&self, rows: Range<usize>, columns: Range<usize>) -> Vec<f32> {
        let mut samples = Vec::with_capacity(rows.len() * columns.len());
        for row in rows {
            let mut column = columns.start;
            while column < columns.end {
                let right = column / TILE;
                let end = columns.end.min((right + 1) * TILE);
                let tile = self.tile(row / TILE * self.across + right);
                let line = (row % TILE + MARGIN) * SIDE + MARGIN;
                samples.extend_from_slice(&tile[line + column % TILE..][..end - column]);
                column = end;
            }
        }
        samples
    }

    fn rows_across_poles(&self, rows: Range<isize>) -> Vec<Vec<f32>> {
        let columns = self.layout.columns;
        let mut all = Vec::with_capacity(rows.len());
        let mut row = rows.start;
        while row < rows.end {
            let down = (row.max(0) as usize).min(self.layout.rows - 1) / TILE;
            let top = (down * TILE) as isize - MARGIN as isize;
            let end = rows.end.min(top + SIDE as isize);
            if end <= row {
                // Farther beyond a pole than the margin: nobody asks for that.
                break;
            }
            let lines = (row - top) as usize..(end - top) as usize;
            let mut found = vec![Vec::with_capacity(columns); lines.len()];
            for right in 0..self.across {
                let samples = self
                    .lines(down * self.across + right, lines.clone())
                    .unwrap_or_else(|error| {
                        self.failed(&error);
                        vec![0.0; lines.len() * SIDE]
                    });
                let count = TILE.min(columns - right * TILE);
                for (line, samples) in found.iter_mut().zip(samples.chunks(SIDE)) {
                    line.extend_from_slice(&samples[MARGIN..MARGIN + count]);
                }
            }
            all.append(&mut found);
            row = end;
        }
        all
    }
}

/// Where a grid's file goes: a folder, and the file itself once there is one.
///
/// A process that may not write anywhere is handed the file, open; a grid that is written a second
/// time then takes the place of the first, tile by tile.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct GridFile {
    folder: OsString,
    #[serde(skip)]
    file: Option<Arc<File>>,
}

impl GridFile {
    /// A new file in a folder, when one is needed.
    pub fn new(folder: &Path) -> GridFile {
        GridFile {
            folder: folder.as_os_str().to_owned(),
            file: None,
        }
    }

    /// The file that is there, or else a new one without a name.
    ///
    /// # Errors
    /// [`Error::Disk`].
    pub(super) fn open(&self) -> Result<File> {
        match &self.file {
            Some(file) => file.try_clone(),
            None => tempfile::tempfile_in(self.folder()),
        }
        .map_err(|e| unkept(self.folder(), &e))
    }

    /// A new file that another process can be told to use.
    ///
    /// # Errors
    /// [`Error::Disk`].
    pub(super) fn open_for_another(&self) -> Result<LentFile> {
        LentFile::new(self.folder()).map_err(|e| unkept(self.folder(), &e))
    }

    /// Uses this file and no other.
    pub(super) fn use_file(&mut self, file: File) {
        self.file = Some(Arc::new(file));
    }

    /// The folder, for messages.
    fn folder(&self) -> &Path {
        Path::new(&self.folder)
    }

    /// A grid that another process wrote into this file.
    ///
    /// # Errors
    /// [`Error::Disk`] when the file is too short for it.
    pub(super) fn written(&self, layout: Layout, file: File) -> Result<StoredGrid> {
        let grid = StoredGrid::new(layout, file, self.folder().to_owned());
        grid.check_length()?;
        Ok(grid)
    }
}

fn unkept(folder: &Path, error: &std::io::Error) -> Error {
    Error::io(folder, "keep the working grid in a file", error)
}

/// Takes a grid's rows from the north and writes them away.
pub struct Writer {
    layout: Layout,
    file: File,
    folder: PathBuf,
    across: usize,
    /// Rows that are still needed, from `first` on.
    lines: VecDeque<Vec<f32>>,
    first: isize,
    /// Rows taken.
    taken: usize,
    /// Rows of tiles written.
    written: usize,
    /// Some sample was NaN.
    holes: bool,
}

impl Writer {
    #[cfg(test)]
    /// A new, nameless file in a folder.
    ///
    /// # Errors
    /// [`Error::Disk`].
    pub fn new(folder: &Path, layout: Layout) -> Result<Writer> {
        Writer::on(&GridFile::new(folder), layout)
    }

    /// The file that is there for it, or else a new one.
    ///
    /// # Errors
    /// [`Error::Disk`].
    pub fn on(grid_file: &GridFile, layout: Layout) -> Result<Writer> {
        Ok(Writer {
            layout,
            file: grid_file.open()?,
            folder: grid_file.folder().to_owned(),
            across: layout.columns.div_ceil(TILE),
            lines: VecDeque::new(),
            first: 0,
            taken: 0,
            written: 0,
            holes: false,
        })
    }

    /// Takes the next row.
    ///
    /// # Errors
    /// [`Error::Disk`] when the disk is full.
    pub fn push(&mut self, line: Vec<f32>) -> Result<()> {
        self.holes |= line.iter().any(|h| h.is_nan());
        self.lines.push_back(line);
        self.taken += 1;
        if self.taken == (self.written + 1) * TILE + MARGIN {
            self.write_tiles()?;
        }
        Ok(())
    }

    /// Whether some sample so far was NaN.
    pub fn has_holes(&self) -> bool {
        self.holes
    }

    /// The grid, once all rows have been taken.
    ///
    /// # Errors
    /// [`Error::Disk`] when the disk is full.
    pub fn finish(mut self) -> Result<StoredGrid> {
        while self.written * TILE < self.layout.rows {
            self.write_tiles()?;
        }
        Ok(StoredGrid::new(self.layout, self.file, self.folder))
    }

    /// A row that is still held, or one across a pole from such a one.
    fn line(&self, row: isize) -> Option<Vec<f32>> {
        let (source, crossed) = self.layout.across_poles(row);
        let line = self
            .lines
            .get(usize::try_from(source as isize - self.first).ok()?)?;
        Some(if crossed {
            half_turned(line)
        } else {
            line.clone()
        })
    }

    /// Writes the next row of tiles and lets go of what no later one needs.
    fn write_tiles(&mut self) -> Result<()> {
        let top = (self.written * TILE) as isize - MARGIN as isize;
        let blank = vec![0.0; self.layout.columns];
        let lines: Vec<Vec<f32>> = (top..top + SIDE as isize)
            .map(|row| self.line(row).unwrap_or_else(|| blank.clone()))
            .collect();
        let columns = self.layout.columns;
        parallel::try_indexed(self.across, &|right| {
            let mut bytes = Vec::with_capacity(TILE_BYTES);
            for line in &lines {
                for i in 0..SIDE {
                    // The last tile is not full; its margin follows its samples at once.
                    let column = (right * TILE + columns + i - MARGIN) % columns;
                    bytes.extend_from_slice(&line[column].to_le_bytes());
                }
            }
            let tile = self.written * self.across + right;
            write_at(&self.file, &bytes, (tile * TILE_BYTES) as u64)
                .map_err(|e| unkept(&self.folder, &e))
        })?;
        self.written += 1;
        let needed = (self.written * TILE) as isize - MARGIN as isize;
        while self.first < needed && self.lines.pop_front().is_some() {
            self.first += 1;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::grid::{Grid, Registration};
    use ndarray::Array2;

    fn rough(rows: usize, columns: usize, registration: Registration) -> Grid {
        let mut state = 7u32;
        Grid {
            heights_m: Array2::from_shape_fn((rows, columns), |_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32
            }),
            west_deg: 12.5,
            registration,
        }
    }

    fn stored(grid: &Grid) -> StoredGrid {
        let mut writer = Writer::new(&std::env::temp_dir(), grid.layout()).unwrap();
        for line in grid.heights_m.outer_iter() {
            writer.push(line.to_vec()).unwrap();
        }
        assert!(!writer.has_holes());
        writer.finish().unwrap()
    }

    #[test]
    fn everything_is_read_back_as_it_was() {
        for (rows, columns, registration) in [
            (180, 360, Registration::Pixel),
            (256, 512, Registration::Pixel),
            (257, 515, Registration::Gridline),
            (385, 769, Registration::Pixel),
            (12, 24, Registration::Gridline),
        ] {
            let grid = rough(rows, columns, registration);
            let back = stored(&grid);
            assert_eq!(back.layout(), grid.layout());
            let all = -3..rows as isize + 3;
            assert!(back.rows_across_poles(all.clone()) == grid.rows_across_poles(all));
            let (r, c) = (rows / 2 - 5..rows, columns / 3..columns);
            assert!(back.window(r.clone(), c.clone()) == grid.window(r, c));
            assert_eq!(
                back.at(rows - 1, columns - 1),
                grid.at(rows - 1, columns - 1)
            );
            back.check().unwrap();
        }
    }

    #[test]
    fn a_tile_holds_the_samples_around_every_place_in_it() {
        for registration in [Registration::Pixel, Registration::Gridline] {
            let grid = rough(257, 514, registration);
            let back = stored(&grid);
            let lines = grid.rows_across_poles(-3..260);
            for row in -1..257isize {
                for column in (0..=514).step_by(2).chain([127, 511, 513]) {
                    let (tile, corner) = back.tile_of(row, column);
                    let tile = back.tile(tile);
                    for (i, j) in [(0, 0), (0, 3), (3, 0), (3, 3), (1, 1)] {
                        let expected = lines[(row + 2) as usize + i][(column + 513 + j) % 514];
                        assert_eq!(tile[corner + i * SIDE + j], expected, "{row} {column}");
                    }
                }
            }
        }
    }

    #[test]
    fn holes_are_noticed() {
        let grid = rough(20, 40, Registration::Pixel);
        let mut writer = Writer::new(&std::env::temp_dir(), grid.layout()).unwrap();
        let mut line = vec![0.0; 40];
        line[3] = f32::NAN;
        writer.push(line).unwrap();
        assert!(writer.has_holes());
    }

    #[test]
    fn a_file_cut_short_is_told() {
        let back = stored(&rough(300, 600, Registration::Pixel));
        back.file.set_len(1000).unwrap();
        assert_eq!(back.at(290, 590), 0.0);
        let error = back.check().unwrap_err();
        let start = "disk: the working grid cannot be read back; found ";
        assert!(error.to_string().starts_with(start), "{error}");
        assert_eq!(error.exit_code(), 6);
    }
}
