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

use super::place::Placement;
use super::whole::Whole;
use std::ops::Range;

/// A working grid and which parts of the source make its cells.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shrink {
    source_columns: usize,
    columns: usize,
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

impl Shrink {
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
        Shrink {
            source_columns: source.columns,
            columns,
            rows,
        }
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

    /// Fills one working row. `source` gives a source row's heights (NaN where missing), and
    /// `complete` tells that none is missing in any of them. A working cell without any valid
    /// part becomes NaN.
    pub fn fill<'a>(
        &self,
        row: usize,
        source: impl Fn(usize) -> &'a [f32],
        complete: bool,
        out: &mut [f32],
    ) {
        self.fill_by(
            row,
            source,
            complete,
            |rows, weights, sums, areas| {
                pulp::Arch::new().dispatch(AddHeights {
                    rows,
                    weights,
                    sums,
                    areas,
                });
            },
            out,
        );
    }

    /// The same for whole numbers as they are stored; `missing` stands for "no data" and `None`
    /// tells that there is none.
    pub fn fill_whole_numbers<'a, T: Whole + 'a>(
        &self,
        row: usize,
        source: impl Fn(usize) -> &'a [T],
        missing: Option<T>,
        out: &mut [f32],
    ) {
        self.fill_by(
            row,
            source,
            missing.is_none(),
            |rows, weights, sums, areas| {
                pulp::Arch::new().dispatch(AddNumbers {
                    rows,
                    weights,
                    sums,
                    areas,
                    missing,
                });
            },
            out,
        );
    }

    /// `add` adds the parts of rows to sums and, if there are any, to areas.
    fn fill_by<'a, T: 'a>(
        &self,
        row: usize,
        source: impl Fn(usize) -> &'a [T],
        complete: bool,
        add: impl Fn(&[&'a [T]], &[f64], &mut [f64], Option<&mut [f64]>),
        out: &mut [f32],
    ) {
        let parts = &self.rows[row];
        let whole: f64 = parts.weights.iter().sum();
        let mut sums = [0.0f64; BLOCK_COLUMNS];
        let mut areas = [whole; BLOCK_COLUMNS];
        let mut shares = Shares::new(self.source_columns, self.columns);
        let mut rows: Vec<&[T]> = Vec::with_capacity(parts.weights.len());
        let mut start = 0;
        while start < self.source_columns {
            let end = (start + BLOCK_COLUMNS).min(self.source_columns);
            let (sums, areas) = (&mut sums[..end - start], &mut areas[..end - start]);
            rows.clear();
            rows.extend((0..parts.weights.len()).map(|i| &source(parts.first + i)[start..end]));
            sums.fill(0.0);
            if complete {
                add(&rows, &parts.weights, sums, None);
            } else {
                areas.fill(0.0);
                add(&rows, &parts.weights, sums, Some(areas));
            }
            shares.take(sums, areas, out);
            start = end;
        }
    }

    /// Like [`fill`](Shrink::fill), but a working cell with any missing part becomes NaN.
    pub fn fill_whole<'a>(&self, row: usize, source: impl Fn(usize) -> &'a [f32], out: &mut [f32]) {
        // A sum is NaN as soon as one of its parts is, unless parts are looked at one by one.
        self.fill(row, source, true, out);
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

/// Adds weighted rows of heights; with areas, NaN is left out of both sums.
struct AddHeights<'a> {
    rows: &'a [&'a [f32]],
    weights: &'a [f64],
    sums: &'a mut [f64],
    areas: Option<&'a mut [f64]>,
}

impl pulp::NullaryFnOnce for AddHeights<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let rows = self.rows.iter().zip(self.weights);
        match self.areas {
            None => rows.for_each(|(row, &weight)| {
                for (&h, sum) in row.iter().zip(self.sums.iter_mut()) {
                    *sum += weight * f64::from(h);
                }
            }),
            Some(areas) => rows.for_each(|(row, &weight)| {
                for ((&h, sum), area) in row.iter().zip(self.sums.iter_mut()).zip(areas.iter_mut())
                {
                    let valid = !h.is_nan();
                    *sum += if valid { weight * f64::from(h) } else { 0.0 };
                    *area += if valid { weight } else { 0.0 };
                }
            }),
        }
    }
}

/// Adds weighted rows of stored numbers; with areas, `missing` is left out of both sums.
struct AddNumbers<'a, T> {
    rows: &'a [&'a [T]],
    weights: &'a [f64],
    sums: &'a mut [f64],
    areas: Option<&'a mut [f64]>,
    missing: Option<T>,
}

impl<T: Whole> pulp::NullaryFnOnce for AddNumbers<'_, T> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        match (self.areas, self.missing) {
            (Some(areas), Some(missing)) => {
                for (row, &weight) in self.rows.iter().zip(self.weights) {
                    for ((&v, sum), area) in
                        row.iter().zip(self.sums.iter_mut()).zip(areas.iter_mut())
                    {
                        let weight = if v == missing { 0.0 } else { weight };
                        *sum += weight * Into::<f64>::into(v);
                        *area += weight;
                    }
                }
            }
            _ => {
                for (row, &weight) in self.rows.iter().zip(self.weights) {
                    for (&v, sum) in row.iter().zip(self.sums.iter_mut()) {
                        *sum += weight * Into::<f64>::into(v);
                    }
                }
            }
        }
    }
}

/// Shares columns out to working cells from the west, `ratio` columns each; a column on an edge
/// is split.
struct Shares {
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

impl Shares {
    fn new(source_columns: usize, columns: usize) -> Self {
        let ratio = source_columns as f64 / columns as f64;
        Shares {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Registration;
    use approx::assert_abs_diff_eq;

    /// Shrinks a whole field.
    fn shrunk(
        source: &Placement,
        field: &[Vec<f32>],
        columns: usize,
        rows: usize,
    ) -> Vec<Vec<f32>> {
        let shrink = Shrink::new(source, columns, rows);
        (0..rows)
            .map(|row| {
                let mut out = vec![0.0; columns];
                let complete = field.iter().flatten().all(|h| !h.is_nan());
                shrink.fill(row, |r| field[r].as_slice(), complete, &mut out);
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
            let source = Placement::whole(columns, rows, 20.0, registration);
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
        let source = Placement::whole(101, 53, 0.0, Registration::Pixel);
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
        let source = Placement::whole(16, 8, 0.0, Registration::Pixel);
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
