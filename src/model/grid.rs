//! The plain grid every stage after the reader works on.

use ndarray::Array2;
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// How the samples sit on the sphere.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Registration {
    /// Samples are cell averages: the first row lies half a step south of the pole.
    Pixel,
    /// Samples are points: the first row is the north pole, the last the south pole.
    Gridline,
}

/// A global equirectangular grid: every row a circle of latitude, every column a meridian.
///
/// Shape `(rows, columns)`; row 0 is the northernmost, columns run east from
/// [`west_deg`](Grid::west_deg) and go once round without repeating a meridian. Heights are
/// metres about the body's reference surface, finite everywhere. Latitudes are planetocentric.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// Heights in metres, `(rows, columns)`, finite.
    pub heights_m: Array2<f32>,
    /// Longitude of the CENTRE of column 0, degrees east.
    pub west_deg: f64,
    /// How rows sit between the poles.
    pub registration: Registration,
}

/// Samples per side of the blocks that a grid is summarised in. Smaller blocks bound tighter and
/// cost more to ask.
pub const BLOCK: usize = 8;

/// Most blocks: in a grid so fine that there would be more, they are twice as large, or twice that.
const MOST_BLOCKS: usize = 1 << 22;

/// Bytes that the summary of a block takes.
pub const BLOCK_BYTES: usize = 48;

/// Where the samples of a [`Grid`] lie.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Layout {
    /// Number of rows.
    pub rows: usize,
    /// Number of columns.
    pub columns: usize,
    /// Longitude of the CENTRE of column 0, degrees east.
    pub west_deg: f64,
    /// How rows sit between the poles.
    pub registration: Registration,
}

impl Layout {
    /// Samples per side of the blocks that summarise this grid.
    pub fn block_side(&self) -> usize {
        let mut side = BLOCK;
        while self.blocks(side) > MOST_BLOCKS {
            side *= 2;
        }
        side
    }

    fn blocks(&self, side: usize) -> usize {
        self.rows.div_ceil(side) * self.columns.div_ceil(side)
    }

    /// Bytes that the summary of this grid takes.
    pub fn summary_bytes(&self) -> u64 {
        (self.blocks(self.block_side()) * BLOCK_BYTES) as u64
    }

    /// Longitude step between columns, degrees.
    pub fn step_lon_deg(&self) -> f64 {
        360.0 / self.columns as f64
    }

    /// Latitude step between rows, degrees.
    pub fn step_lat_deg(&self) -> f64 {
        match self.registration {
            Registration::Pixel => 180.0 / self.rows as f64,
            Registration::Gridline => 180.0 / (self.rows - 1) as f64,
        }
    }

    /// Latitude of a row's samples, degrees north.
    pub fn lat_deg(&self, row: usize) -> f64 {
        self.north_deg() - row as f64 * self.step_lat_deg()
    }

    /// Latitude of row 0's samples, degrees north.
    pub fn north_deg(&self) -> f64 {
        match self.registration {
            Registration::Pixel => 90.0 - 0.5 * self.step_lat_deg(),
            Registration::Gridline => 90.0,
        }
    }

    /// Longitude of a column's samples, degrees east, in 0..360.
    pub fn lon_deg(&self, column: usize) -> f64 {
        (self.west_deg + column as f64 * self.step_lon_deg()).rem_euclid(360.0)
    }

    /// The row that stands for one beyond a pole, and whether it is half a turn away.
    pub fn across_poles(&self, row: isize) -> (usize, bool) {
        let rows = self.rows as isize;
        let (mirrored, crossed) = match self.registration {
            Registration::Pixel if row < 0 => (-1 - row, true),
            Registration::Pixel if row >= rows => (2 * rows - 1 - row, true),
            Registration::Gridline if row < 0 => (-row, true),
            Registration::Gridline if row >= rows => (2 * rows - 2 - row, true),
            _ => (row, false),
        };
        (mirrored.clamp(0, rows - 1) as usize, crossed)
    }

    /// Row and column of the sample that stands for one beyond a pole or the date line.
    pub fn sample(&self, row: isize, column: isize) -> (usize, usize) {
        let (row, crossed) = self.across_poles(row);
        let columns = self.columns as isize;
        let column = if crossed {
            column + columns / 2
        } else {
            column
        };
        // Few lie beyond the date line, and a division takes longer than all the rest.
        let column = match (0..columns).contains(&column) {
            true => column,
            false => column.rem_euclid(columns),
        };
        (row, column as usize)
    }
}

/// Weights of four samples at a part of the way from the second to the third: R. G. Keys, "Cubic
/// convolution interpolation for digital image processing", IEEE Trans. ASSP 29 (1981), eq. 4, 15.
pub fn keys(part: f64) -> [f64; 4] {
    let t = part;
    [
        -0.5 * t + t * t - 0.5 * t * t * t,
        1.0 - 2.5 * t * t + 1.5 * t * t * t,
        0.5 * t + 2.0 * t * t - 1.5 * t * t * t,
        -0.5 * t * t + 0.5 * t * t * t,
    ]
}

/// A row as it is met beyond the pole: every sample half a turn away.
pub fn half_turned(line: &[f32]) -> Vec<f32> {
    let columns = line.len();
    let half = columns / 2;
    (0..columns)
        .map(|column| {
            let at = |shift: usize| line[(column + half + shift) % columns];
            if columns.is_multiple_of(2) {
                at(0)
            } else {
                // The opposite meridian falls midway between two columns: Keys' weights at ½.
                (9.0 * (at(0) + at(1)) - at(columns - 1) - at(2)) / 16.0
            }
        })
        .collect()
}

/// Heights laid out like a [`Grid`], wherever they are kept.
pub trait Heights: Sync {
    /// Where the samples lie.
    fn layout(&self) -> Layout;

    /// One sample.
    fn at(&self, row: usize, column: usize) -> f32;

    /// The samples of a window, row by row.
    fn window(&self, rows: Range<usize>, columns: Range<usize>) -> Vec<f32>;

    /// Whole rows, of which the outermost may lie a few beyond a pole.
    fn rows_across_poles(&self, rows: Range<isize>) -> Vec<Vec<f32>>;
}

impl Heights for Grid {
    fn layout(&self) -> Layout {
        Layout {
            rows: self.heights_m.nrows(),
            columns: self.heights_m.ncols(),
            west_deg: self.west_deg,
            registration: self.registration,
        }
    }

    fn at(&self, row: usize, column: usize) -> f32 {
        self.heights_m[(row, column)]
    }

    fn window(&self, rows: Range<usize>, columns: Range<usize>) -> Vec<f32> {
        let mut samples = Vec::with_capacity(rows.len() * columns.len());
        for row in rows {
            let line = self.heights_m.row(row);
            match line.as_slice() {
                Some(line) => samples.extend_from_slice(&line[columns.clone()]),
                None => samples.extend(columns.clone().map(|column| line[column])),
            }
        }
        samples
    }

    fn rows_across_poles(&self, rows: Range<isize>) -> Vec<Vec<f32>> {
        rows.map(|row| self.row_across_poles(row)).collect()
    }
}

impl Grid {
    /// A row, or one beyond a pole: the row as far on the other side of it, half a turn away.
    pub(crate) fn row_across_poles(&self, row: isize) -> Vec<f32> {
        let (row, crossed) = self.layout().across_poles(row);
        let line = self.heights_m.row(row).to_vec();
        if crossed { half_turned(&line) } else { line }
    }

    /// A grid of so many columns and half as many rows, its heights in metres from latitude and
    /// longitude in degrees.
    pub fn of_formula(columns: usize, height_m: impl Fn(f64, f64) -> f64) -> Grid {
        let columns = columns.max(2);
        let mut grid = Grid {
            heights_m: Array2::zeros((columns / 2, columns)),
            west_deg: 180.0 / columns as f64,
            registration: Registration::Pixel,
        };
        let layout = grid.layout();
        for ((row, column), height) in grid.heights_m.indexed_iter_mut() {
            let lon_deg = layout.west_deg + column as f64 * layout.step_lon_deg();
            *height = height_m(layout.lat_deg(row), lon_deg) as f32;
        }
        grid
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.heights_m.nrows()
    }

    /// Number of columns.
    pub fn columns(&self) -> usize {
        self.heights_m.ncols()
    }

    /// Longitude step between columns, degrees.
    pub fn step_lon_deg(&self) -> f64 {
        self.layout().step_lon_deg()
    }

    /// Latitude step between rows, degrees.
    pub fn step_lat_deg(&self) -> f64 {
        self.layout().step_lat_deg()
    }

    /// Latitude of a row's samples, degrees north.
    pub fn lat_deg(&self, row: usize) -> f64 {
        self.layout().lat_deg(row)
    }

    /// Latitude of row 0's samples, degrees north.
    pub fn north_deg(&self) -> f64 {
        self.layout().north_deg()
    }

    /// Longitude of a column's samples, degrees east, in 0..360.
    pub fn lon_deg(&self, column: usize) -> f64 {
        self.layout().lon_deg(column)
    }

    /// Share of the sphere that one sample of the row stands for; all samples together make 1.
    ///
    /// Exact band areas: half the difference of the sines of the band's edges, over the columns.
    pub fn area_weight(&self, row: usize) -> f64 {
        let half = 0.5 * self.step_lat_deg();
        let top = (self.lat_deg(row) + half).min(90.0).to_radians().sin();
        let bottom = (self.lat_deg(row) - half).max(-90.0).to_radians().sin();
        0.5 * (top - bottom) / self.columns() as f64
    }
}

/// The area-weighted distribution of heights: which share of the sphere lies at or below a height.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hypsometry {
    /// Heights in metres, ascending, first the lowest and last the highest ground.
    pub heights_m: Vec<f64>,
    /// Share of the sphere at or below each height, ascending from 0 to 1.
    pub share: Vec<f64>,
    /// Area-weighted mean height in metres.
    pub mean_m: f64,
}

impl Hypsometry {
    /// Lowest ground, metres.
    pub fn min_m(&self) -> f64 {
        self.heights_m[0]
    }

    /// Highest ground, metres.
    pub fn max_m(&self) -> f64 {
        self.heights_m[self.heights_m.len() - 1]
    }

    /// The height below which `share` (0..=1) of the sphere lies, metres.
    pub fn quantile_m(&self, share: f64) -> f64 {
        interpolate(&self.share, &self.heights_m, share)
    }

    /// The share of the sphere at or below a height in metres.
    pub fn share_below(&self, height_m: f64) -> f64 {
        interpolate(&self.heights_m, &self.share, height_m)
    }

    /// The distribution of a finished grid, by sorting its samples (reference and small grids).
    ///
    /// Each sample's weight is spread half before and half after its height, so that the share
    /// at the median sample is one half; the ends are 0 and 1.
    pub fn of_grid(grid: &Grid) -> Hypsometry {
        let mut cells: Vec<(f32, f64)> = Vec::with_capacity(grid.heights_m.len());
        for (row, line) in grid.heights_m.outer_iter().enumerate() {
            let weight = grid.area_weight(row);
            cells.extend(line.iter().map(|&h| (h, weight)));
        }
        cells.sort_by(|a, b| a.0.total_cmp(&b.0));
        let total: f64 = cells.iter().map(|c| c.1).sum();
        let mean_m = cells.iter().map(|c| f64::from(c.0) * c.1).sum::<f64>() / total;
        let (mut heights_m, mut share) = (Vec::new(), Vec::new());
        let (mut below, mut start) = (0.0, 0);
        while start < cells.len() {
            let height = cells[start].0;
            let end = start + cells[start..].partition_point(|c| c.0 <= height);
            let weight: f64 = cells[start..end].iter().map(|c| c.1).sum();
            heights_m.push(f64::from(height));
            share.push((below + 0.5 * weight) / total);
            below += weight;
            start = end;
        }
        if let Some(first) = share.first_mut() {
            *first = 0.0;
        }
        if let Some(last) = share.last_mut() {
            *last = 1.0;
        }
        Hypsometry {
            heights_m,
            share,
            mean_m,
        }
    }
}

/// Piecewise-linear interpolation in ascending `xs`; constant outside.
fn interpolate(xs: &[f64], ys: &[f64], x: f64) -> f64 {
    let after = xs.partition_point(|&v| v < x);
    if after == 0 {
        return ys[0];
    }
    if after == xs.len() {
        return ys[ys.len() - 1];
    }
    let (x0, x1) = (xs[after - 1], xs[after]);
    let (y0, y1) = (ys[after - 1], ys[after]);
    if x1 <= x0 {
        return y1;
    }
    y0 + (y1 - y0) * (x - x0) / (x1 - x0)
}

/// A place on the body and its height.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Place {
    /// Height, metres about the reference surface.
    #[serde(rename = "m")]
    pub height_m: f64,
    /// Planetocentric latitude of the cell centre, degrees north.
    #[serde(serialize_with = "degrees")]
    pub lat_deg: f64,
    /// Longitude of the cell centre, degrees east, 0..360.
    #[serde(serialize_with = "degrees")]
    pub lon_deg: f64,
}

/// Degrees to a hundredth of a millimetre of ground on Earth: without the last digits in
/// which sums of cells differ from the number they stand for.
fn degrees<S: serde::Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    const PER_DEGREE: f64 = 1e10;
    serializer.serialize_f64((value * PER_DEGREE).round() / PER_DEGREE)
}

/// What the file's numbers stand for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Quantity {
    /// Heights about a reference surface.
    Elevation,
    /// Distances from the body's centre.
    Radius,
    /// Finished relief, to be carved as it is: millimetres in the file.
    Relief,
}

/// What the reader found out about the source, at its full resolution.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Base names of the files.
    pub files: Vec<String>,
    /// Columns of the source, a repeated last column not counted.
    pub width: usize,
    /// Rows of the source.
    pub height: usize,
    /// Step between columns, degrees.
    pub cell_deg: f64,
    /// Longitude of the western EDGE of the first cell (of its centre for gridline grids), degrees east.
    pub west_deg: f64,
    /// Latitude of the northern edge of the first cell (of its centre for gridline grids), degrees.
    pub north_deg: f64,
    /// How samples sit.
    pub registration: Registration,
    /// What the numbers stand for.
    pub quantity: Quantity,
    /// Unit as found in the file ("m" when it names none).
    pub unit: String,
    /// Factor applied to the stored numbers, to metres.
    pub scale: f64,
    /// Added after scaling, metres.
    pub offset: f64,
    /// Body, when known.
    pub body: Option<String>,
    /// Reference radius in metres, when known.
    pub reference_radius_m: Option<f64>,
    /// Lowest cell.
    pub min: Place,
    /// Highest cell.
    pub max: Place,
    /// Area-weighted distribution of the source's cells, with the mean.
    pub hypsometry: Hypsometry,
    /// Cells without data that were filled.
    pub filled_cells: u64,
    /// Share of the sphere those cells cover, 0..1.
    pub filled_share: f64,
    /// Cells clipped to the allowed range (settings), normally 0.
    pub clipped_cells: u64,
    /// Anything a person should know: what was assumed and why.
    pub notes: Vec<String>,
}

impl Source {
    /// What is known of a grid that comes from no file: heights in metres, none of them filled.
    pub fn of_grid(grid: &Grid) -> Source {
        let hypsometry = Hypsometry::of_grid(grid);
        let place = |height_m| Place {
            height_m,
            lat_deg: 0.0,
            lon_deg: 0.0,
        };
        Source {
            files: vec!["a formula".into()],
            width: grid.columns(),
            height: grid.rows(),
            cell_deg: grid.step_lon_deg(),
            west_deg: 0.0,
            north_deg: 90.0,
            registration: grid.registration,
            quantity: Quantity::Elevation,
            unit: "m".into(),
            scale: 1.0,
            offset: 0.0,
            body: None,
            reference_radius_m: None,
            min: place(hypsometry.min_m()),
            max: place(hypsometry.max_m()),
            hypsometry,
            filled_cells: 0,
            filled_share: 0.0,
            clipped_cells: 0,
            notes: Vec::new(),
        }
    }
}

impl Source {
    /// Names of the files in a line that can be read however many there are.
    pub fn files_text(&self) -> String {
        match self.files.as_slice() {
            [first, second, .., last] if self.files.len() > MOST_FILES_NAMED => {
                format!("{first}, {second} … {last} ({} files)", self.files.len())
            }
            files => files.join(", "),
        }
    }
}

/// Files that are all named in a line of text.
const MOST_FILES_NAMED: usize = 4;
