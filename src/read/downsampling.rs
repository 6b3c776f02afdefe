//! Area-weighted averaging of source rows into the rows of a coarser working grid.
//!
//! A working cell is the mean of the source over the cell's own patch of the sphere:
//!
//! ```text
//!   H = Σ h·(sin φn − sin φs)·Δλ  /  Σ (sin φn − sin φs)·Δλ
//! ```
//!
//! over the parts of source cells inside it, cells without data left out of both sums. Rows are
//! added up first, because that is a straight run through memory; columns are added once per
//! working row.
//!
//! A working grid has as many columns at 89° as on the equator, each a sliver of ground. An image
//! pixel there covers many of them; picking a few would show the noise of single slivers. So that
//! every cell stands for a pixel's ground wherever it lies, its mean goes over a pixel's width of
//! ground east and west ([`Downsampling::with_ground_width`]), and neighbours overlap:
//!
//! ```text
//!   width in columns = ground step / (Δλ · cos φ)
//! ```

use super::cell::Cell;
use super::placement::Placement;
use std::ops::Range;

/// A working grid and which parts of the source make its cells.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Downsampling {
    source_columns: usize,
    columns: usize,
    /// Least ground width of a cell, degrees of a great circle; 0 for that of its columns.
    ground_deg: f64,
    rows: Vec<RowParts>,
}

/// The source rows inside one working row.
#[derive(Debug, Clone, PartialEq)]
struct RowParts {
    /// First source row.
    first: usize,
    /// Difference of sines of each row's part, from `first` on; all positive.
    weights: Vec<f64>,
}

/// Columns worked on at once: their sums stay in the first-level cache.
const BLOCK_COLUMNS: usize = 1024;

impl Downsampling {
    /// Cells of `columns` × `rows` (pixel-registered, starting at the source's western edge)
    /// from a source; both at most the source's own.
    pub fn new(source: &Placement, columns: usize, rows: usize) -> Self {
        let edges: Vec<f64> = (0..=source.rows).map(|r| source.edge_deg(r)).collect();
        let rows = (0..rows)
            .map(|row| {
                let edge = |r: usize| 90.0 - 180.0 * r as f64 / rows as f64;
                row_parts(&edges, edge(row), edge(row + 1))
            })
            .collect();
        Downsampling {
            source_columns: source.columns,
            columns,
            ground_deg: 0.0,
            rows,
        }
    }

    /// The same with cells no narrower on the ground than so many degrees of a great circle.
    pub fn with_ground_width(self, ground_deg: f64) -> Self {
        Downsampling { ground_deg, ..self }
    }

    /// Source columns that a cell of a row spans, if more than its own.
    fn span(&self, row: usize) -> Option<f64> {
        let lat_deg = 90.0 - 180.0 * (row as f64 + 0.5) / self.rows() as f64;
        let step_deg = 360.0 / self.source_columns as f64;
        let span = self.ground_deg / (step_deg * lat_deg.to_radians().cos());
        (span > self.source_columns as f64 / self.columns as f64)
            .then(|| span.min(self.source_columns as f64))
    }

    pub fn columns(&self) -> usize {
        self.columns
    }

    pub fn rows(&self) -> usize {
        self.rows.len()
    }

    /// Source rows that a working row needs.
    pub fn source_rows(&self, row: usize) -> Range<usize> {
        let parts = &self.rows[row];
        parts.first..parts.first + parts.weights.len()
    }

    /// Fills one working row. `source` gives the cells of a source row, `missing` the number that
    /// stands for "no data" in them, or `None` if it is in none of them. A working cell without
    /// any valid part becomes NaN.
    pub fn fill<'a, T: Cell + 'a>(
        &self,
        row: usize,
        source: impl Fn(usize) -> &'a [T],
        missing: Option<T>,
        out: &mut [f32],
    ) {
        let parts = &self.rows[row];
        let whole: f64 = parts.weights.iter().sum();
        let mut sums = [0.0f64; BLOCK_COLUMNS];
        let mut areas = [whole; BLOCK_COLUMNS];
        let span = self.span(row);
        let mut shares = ColumnShares::new(self.source_columns, self.columns);
        let room = span.map_or(0, |_| self.source_columns);
        let mut sums_to = RunningSums::new(room);
        let mut areas_to = RunningSums::new(missing.map_or(0, |_| room));
        let mut rows: Vec<&[T]> = Vec::with_capacity(parts.weights.len());
        let mut start = 0;
        while start < self.source_columns {
            let end = (start + BLOCK_COLUMNS).min(self.source_columns);
            let (sums, areas) = (&mut sums[..end - start], &mut areas[..end - start]);
            rows.clear();
            rows.extend((0..parts.weights.len()).map(|i| &source(parts.first + i)[start..end]));
            sums.fill(0.0);
            let add = AddRows {
                rows: &rows,
                weights: &parts.weights,
                sums,
                valid: None,
            };
            pulp::Arch::new().dispatch(match missing {
                None => add,
                Some(missing) => {
                    areas.fill(0.0);
                    let valid = Some((&mut *areas, missing));
                    AddRows { valid, ..add }
                }
            });
            match span {
                None => shares.take(sums, areas, out),
                Some(_) => {
                    sums_to.take(sums);
                    if missing.is_some() {
                        areas_to.take(areas);
                    }
                }
            }
            start = end;
        }
        if let Some(span) = span {
            let areas_to = missing.is_some().then_some(&areas_to);
            spread(&sums_to, areas_to, whole, span, out);
        }
    }
}

/// The parts of source rows between two latitudes.
fn row_parts(edges_deg: &[f64], north_deg: f64, south_deg: f64) -> RowParts {
    // Edges descend: the first row whose southern edge lies south of the working row's north.
    let first = edges_deg[1..].partition_point(|&south| south >= north_deg);
    let first = first.min(edges_deg.len() - 2);
    let mut weights = Vec::new();
    for row in first..edges_deg.len() - 1 {
        let north = edges_deg[row].min(north_deg);
        let south = edges_deg[row + 1].max(south_deg);
        if north <= south {
            break;
        }
        weights.push(north.to_radians().sin() - south.to_radians().sin());
    }
    RowParts { first, weights }
}

// Structs and not closures: only what is inlined into them is compiled for wide vectors. Every
// column has sums of its own, so bytes do not depend on how many are added at once.

/// Adds weighted rows of cells. With areas, cells without data are left out of both sums.
struct AddRows<'a, T> {
    rows: &'a [&'a [T]],
    weights: &'a [f64],
    sums: &'a mut [f64],
    /// Areas, and the number that stands for "no data".
    valid: Option<(&'a mut [f64], T)>,
}

impl<T: Cell> pulp::NullaryFnOnce for AddRows<'_, T> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let rows = self.rows.iter().zip(self.weights);
        match self.valid {
            None => rows.for_each(|(row, &weight)| {
                for (&cell, sum) in row.iter().zip(self.sums.iter_mut()) {
                    *sum += weight * Into::<f64>::into(cell);
                }
            }),
            Some((areas, missing)) => rows.for_each(|(row, &weight)| {
                let cells = row.iter().zip(self.sums.iter_mut());
                for ((&cell, sum), area) in cells.zip(areas.iter_mut()) {
                    let valid = !cell.is_missing(missing);
                    let part = weight * Into::<f64>::into(cell);
                    *sum += if valid { part } else { 0.0 };
                    *area += if valid { weight } else { 0.0 };
                }
            }),
        }
    }
}

/// Shares columns out to working cells from the west, `ratio` columns each; a column on an edge
/// is split.
struct ColumnShares {
    ratio: f64,
    columns: usize,
    /// Columns taken so far.
    taken: usize,
    /// Working cell being filled, its eastern edge in columns, and what it has so far.
    cell: usize,
    edge: f64,
    sum: f64,
    area: f64,
}

impl ColumnShares {
    fn new(source_columns: usize, columns: usize) -> Self {
        let ratio = source_columns as f64 / columns as f64;
        ColumnShares {
            ratio,
            columns,
            taken: 0,
            cell: 0,
            edge: ratio,
            sum: 0.0,
            area: 0.0,
        }
    }

    /// Takes the next columns; cells that are complete go to `out`.
    fn take(&mut self, sums: &[f64], areas: &[f64], out: &mut [f32]) {
        for (&sum, &area) in sums.iter().zip(areas) {
            self.taken += 1;
            let east = self.taken as f64;
            if east < self.edge {
                self.sum += sum;
                self.area += area;
                continue;
            }
            // The part of this column that lies east of the edge belongs to the next cell.
            let over = (east - self.edge).clamp(0.0, 1.0);
            // A part of nothing is nothing, even of a missing column.
            let part = |share: f64, of: f64| if share > 0.0 { share * of } else { 0.0 };
            let (sum_in, area_in) = (part(1.0 - over, sum), part(1.0 - over, area));
            let area_all = self.area + area_in;
            if self.cell < self.columns {
                out[self.cell] = if area_all > 0.0 {
                    ((self.sum + sum_in) / area_all) as f32
                } else {
                    f32::NAN
                };
            }
            self.sum = part(over, sum);
            self.area = part(over, area);
            self.cell += 1;
            // The last edge is the last column's, whatever rounding says.
            self.edge = if self.cell + 1 == self.columns {
                (self.ratio * self.columns as f64).round()
            } else {
                (self.cell + 1) as f64 * self.ratio
            };
        }
    }
}

/// Sums of all columns from the first up to each.
struct RunningSums {
    up_to: Vec<f64>,
}

impl RunningSums {
    fn new(columns: usize) -> RunningSums {
        let mut up_to = Vec::with_capacity(columns + 1);
        up_to.push(0.0);
        RunningSums { up_to }
    }

    fn take(&mut self, values: &[f64]) {
        let mut sum = self.up_to[self.up_to.len() - 1];
        self.up_to.extend(values.iter().map(|v| {
            sum += v;
            sum
        }));
    }

    fn total(&self) -> f64 {
        self.up_to[self.up_to.len() - 1]
    }

    /// Sum west of a fractional column, counted over any number of turns.
    fn west_of(&self, column: f64) -> f64 {
        let count = self.up_to.len() - 1;
        // Most columns lie on the first time round, and whole numbers are found fast.
        let at = column as usize;
        if column >= 0.0 && at < count {
            let (before, after) = (self.up_to[at], self.up_to[at + 1]);
            return before + (column - at as f64) * (after - before);
        }
        let whole = column.floor();
        let turns = (whole / count as f64).floor();
        let at = ((whole - turns * count as f64) as usize).min(count - 1);
        let (before, after) = (self.up_to[at], self.up_to[at + 1]);
        turns * self.total() + before + (column - whole) * (after - before)
    }
}

/// Means over `span` columns around the middle of each cell, NaN where there is no area. Without
/// `areas` every column has the area `whole`.
fn spread(sums: &RunningSums, areas: Option<&RunningSums>, whole: f64, span: f64, out: &mut [f32]) {
    let ratio = (sums.up_to.len() - 1) as f64 / out.len() as f64;
    for (cell, mean) in out.iter_mut().enumerate() {
        let middle = (cell as f64 + 0.5) * ratio;
        let (west, east) = (middle - 0.5 * span, middle + 0.5 * span);
        let sum = sums.west_of(east) - sums.west_of(west);
        *mean = match areas {
            None => (sum / (span * whole)) as f32,
            Some(areas) => {
                let area = areas.west_of(east) - areas.west_of(west);
                // The difference of equal areas may leave a rounding.
                if area > 1e-9 * areas.total() {
                    (sum / area) as f32
                } else {
                    f32::NAN
                }
            }
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::grid::Registration;
    use approx::assert_abs_diff_eq;

    /// Cheap repeatable noise of rms 1/√12.
    fn noise(row: usize, column: usize) -> f32 {
        let mut x = (row as u64) << 32 | column as u64;
        for _ in 0..3 {
            x = x.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (x >> 29);
        }
        (x >> 40) as f32 / (1u64 << 24) as f32 - 0.5
    }

    /// A field of long waves and noise as fine as the source's cells.
    fn noisy_waves(source: &Placement) -> Vec<Vec<f32>> {
        (0..source.rows)
            .map(|row| {
                let lat = source.lat_deg(row).to_radians();
                (0..source.columns)
                    .map(|column| {
                        let lon = source.lon_deg(column).to_radians();
                        let (x, y) = (lat.cos() * lon.cos(), lat.cos() * lon.sin());
                        (5.0 * (3.0 * x).sin() + 4.0 * (4.0 * y - lat.sin()).cos()) as f32
                            + noise(row, column)
                    })
                    .collect()
            })
            .collect()
    }

    /// Mean of the source over a patch from the definition: every source cell with the area of
    /// its part inside, nothing shared with the routine under test. Degrees; west may be below 0.
    fn mean_over(source: &Placement, field: &[Vec<f32>], lat: [f64; 2], lon: [f64; 2]) -> f64 {
        let (row_deg, column_deg) = (180.0 / source.rows as f64, 360.0 / source.columns as f64);
        let (mut sum, mut area) = (0.0, 0.0);
        for (row, line) in field.iter().enumerate() {
            let north = (90.0 - row as f64 * row_deg).min(lat[0]).to_radians();
            let south = (90.0 - (row + 1) as f64 * row_deg).max(lat[1]).to_radians();
            if north <= south {
                continue;
            }
            let first = (lon[0] / column_deg).floor() as i64;
            let last = (lon[1] / column_deg).ceil() as i64;
            for column in first..last {
                let west = (column as f64 * column_deg).max(lon[0]);
                let east = ((column + 1) as f64 * column_deg).min(lon[1]);
                let part = (east - west).max(0.0) * (north.sin() - south.sin());
                let at = column.rem_euclid(source.columns as i64) as usize;
                sum += part * f64::from(line[at]);
                area += part;
            }
        }
        sum / area
    }

    #[test]
    fn every_cell_is_the_exact_mean_over_a_pixels_ground_at_every_latitude() {
        // As 23040 × 11520 cells are to 0.1 mm on a globe of 200 mm: 3.667 source columns a pixel.
        let source = Placement::global(1440, 720, 0.0, Registration::Pixel);
        let field = noisy_waves(&source);
        let noise_rms = (1.0f64 / 12.0).sqrt();
        let ground_deg = 360.0 * 3.667 / 1440.0;
        let (columns, rows) = (394, 197);
        let downsampling = Downsampling::new(&source, columns, rows).with_ground_width(ground_deg);
        for row in 0..rows {
            let mut out = vec![0.0; columns];
            downsampling.fill(row, |r| field[r].as_slice(), None, &mut out);
            let edge = |row: usize| 90.0 - 180.0 * row as f64 / rows as f64;
            let middle = 0.5 * (edge(row) + edge(row + 1));
            let width = (ground_deg / middle.to_radians().cos()).min(360.0);
            for column in (0..columns).step_by(7).chain([columns - 1]) {
                let lon = (column as f64 + 0.5) * 360.0 / columns as f64;
                let lon = [lon - 0.5 * width, lon + 0.5 * width];
                let exact = mean_over(&source, &field, [edge(row), edge(row + 1)], lon);
                let off = (f64::from(out[column]) - exact).abs();
                assert!(off < 0.001 * noise_rms, "row {row} column {column}: {off}");
            }
        }
    }

    #[test]
    fn noise_is_as_quiet_at_the_poles_as_on_the_equator() {
        let source = Placement::global(2880, 1440, 0.0, Registration::Pixel);
        let field: Vec<Vec<f32>> = (0..1440)
            .map(|row| (0..2880).map(|column| noise(row, column)).collect())
            .collect();
        let downsampling = Downsampling::new(&source, 360, 180).with_ground_width(1.0);
        let rms = |rows: Range<usize>| {
            let cells = rows.len() * 360;
            let mut sum = 0.0;
            for row in rows {
                let mut out = vec![0.0; 360];
                downsampling.fill(row, |r| field[r].as_slice(), None, &mut out);
                sum += out.iter().map(|h| f64::from(h * h)).sum::<f64>();
            }
            (sum / cells as f64).sqrt()
        };
        let equator = rms(80..100);
        assert!(rms(0..5) <= 1.2 * equator, "{} {equator}", rms(0..5));
        assert!(rms(175..180) <= 1.2 * equator);
        // 64 source cells make one working cell: rms 1/√12 over √64.
        assert_abs_diff_eq!(equator, (1.0f64 / 12.0).sqrt() / 8.0, epsilon = 0.002);
    }

    #[test]
    fn spread_cells_leave_out_what_is_missing() {
        let source = Placement::global(72, 36, 0.0, Registration::Pixel);
        let mut field = vec![vec![2.0; 72]; 36];
        field[0][5..40].fill(f32::NAN);
        field[1][5..40].fill(f32::NAN);
        field[17][3] = f32::NAN;
        let downsampling = Downsampling::new(&source, 36, 18).with_ground_width(10.0);
        for row in 0..18 {
            let mut out = vec![0.0; 36];
            downsampling.fill(row, |r| field[r].as_slice(), Some(f32::NAN), &mut out);
            for (column, h) in out.iter().enumerate() {
                // Row 0 lies at 85°: a cell spans 115°, 23 source columns.
                let empty = row == 0 && (9..=13).contains(&column);
                let full = row != 0 || !(8..=14).contains(&column);
                assert!(!empty || h.is_nan(), "{row} {column} {h}");
                assert!(!full || (h - 2.0).abs() < 1e-6, "{row} {column} {h}");
            }
        }
    }

    /// Shrinks a whole field.
    fn shrunk(
        source: &Placement,
        field: &[Vec<f32>],
        columns: usize,
        rows: usize,
    ) -> Vec<Vec<f32>> {
        let downsampling = Downsampling::new(source, columns, rows);
        (0..rows)
            .map(|row| {
                let mut out = vec![0.0; columns];
                let some = field.iter().flatten().any(|h| h.is_nan());
                let missing = some.then_some(f32::NAN);
                downsampling.fill(row, |r| field[r].as_slice(), missing, &mut out);
                out
            })
            .collect()
    }

    /// Exact mean of sin²φ·cos(2λ) + sin φ over a patch, by its antiderivatives:
    /// ∫ sin²φ cos φ dφ = sin³φ/3, ∫ sin φ cos φ dφ = sin²φ/2, ∫ cos 2λ dλ = sin(2λ)/2.
    fn exact(north: f64, south: f64, west: f64, east: f64) -> f64 {
        let (n, s) = (north.to_radians().sin(), south.to_radians().sin());
        let (w, e) = (west.to_radians(), east.to_radians());
        let waves = (n.powi(3) - s.powi(3)) / 3.0 * ((2.0 * e).sin() - (2.0 * w).sin()) / 2.0;
        let tilt = (n * n - s * s) / 2.0 * (e - w);
        (waves + tilt) / ((n - s) * (e - w))
    }

    /// A field whose cells hold exact averages of the function above.
    fn exact_field(source: &Placement) -> Vec<Vec<f32>> {
        let half = 0.5 * source.step_lon_deg();
        (0..source.rows)
            .map(|row| {
                (0..source.columns)
                    .map(|column| {
                        let lon = source.west_deg + column as f64 * source.step_lon_deg();
                        exact(
                            source.edge_deg(row),
                            source.edge_deg(row + 1),
                            lon - half,
                            lon + half,
                        ) as f32
                    })
                    .collect()
            })
            .collect()
    }

    #[test]
    fn averages_are_the_exact_area_means_at_every_latitude() {
        for (columns, rows, registration, to) in [
            (720, 360, Registration::Pixel, (90, 45)),
            (720, 360, Registration::Pixel, (360, 180)),
            (720, 361, Registration::Gridline, (90, 45)),
        ] {
            let source = Placement::global(columns, rows, 20.0, registration);
            let coarse = shrunk(&source, &exact_field(&source), to.0, to.1);
            let west = source.west_deg - 0.5 * source.step_lon_deg();
            for (row, line) in coarse.iter().enumerate() {
                let (north, step) = (90.0 - 180.0 / to.1 as f64 * row as f64, 180.0 / to.1 as f64);
                for (column, &h) in line.iter().enumerate() {
                    let lon = west + 360.0 / to.0 as f64 * column as f64;
                    let wanted = exact(north, north - step, lon, lon + 360.0 / to.0 as f64);
                    // Whole ratios are exact; a gridline row split by an edge is taken as even
                    // across its height, which costs less than 1e-3 of the field.
                    let tolerance = match registration {
                        Registration::Pixel => 1e-6,
                        Registration::Gridline => 2e-3,
                    };
                    assert_abs_diff_eq!(f64::from(h), wanted, epsilon = tolerance);
                }
            }
        }
    }

    #[test]
    fn broken_ratios_agree_with_a_slow_sum_over_all_overlaps() {
        let source = Placement::global(101, 53, 0.0, Registration::Pixel);
        let field: Vec<Vec<f32>> = (0..53)
            .map(|r| {
                (0..101)
                    .map(|c| ((r * 37 + c * 101) % 997) as f32)
                    .collect()
            })
            .collect();
        let (columns, rows) = (32, 17);
        let coarse = shrunk(&source, &field, columns, rows);
        let overlap = |a0: f64, a1: f64, b0: f64, b1: f64| (a1.min(b1) - a0.max(b0)).max(0.0);
        for (row, line) in coarse.iter().enumerate() {
            for (column, &found) in line.iter().enumerate() {
                let (mut sum, mut area) = (0.0, 0.0);
                for (r, line) in field.iter().enumerate() {
                    let sin = |lat: f64| lat.to_radians().sin();
                    let band = overlap(
                        sin(90.0 - 180.0 * (r + 1) as f64 / 53.0),
                        sin(90.0 - 180.0 * r as f64 / 53.0),
                        sin(90.0 - 180.0 * (row + 1) as f64 / rows as f64),
                        sin(90.0 - 180.0 * row as f64 / rows as f64),
                    );
                    for (c, &h) in line.iter().enumerate() {
                        let width = overlap(
                            c as f64 / 101.0,
                            (c + 1) as f64 / 101.0,
                            column as f64 / columns as f64,
                            (column + 1) as f64 / columns as f64,
                        );
                        sum += f64::from(h) * band * width;
                        area += band * width;
                    }
                }
                assert_abs_diff_eq!(f64::from(found), sum / area, epsilon = 1e-3);
            }
        }
    }

    #[test]
    fn missing_cells_are_left_out_and_empty_cells_stay_missing() {
        let source = Placement::global(16, 8, 0.0, Registration::Pixel);
        let mut field = vec![vec![5.0f32; 16]; 8];
        field[0][0] = f32::NAN;
        for row in &mut field[4..6] {
            row[2] = f32::NAN;
            row[3] = f32::NAN;
        }
        let coarse = shrunk(&source, &field, 8, 4);
        assert_eq!(coarse[0][0], 5.0);
        assert!(coarse[2][1].is_nan());
        assert_eq!(coarse.iter().flatten().filter(|h| h.is_nan()).count(), 1);
    }
}
