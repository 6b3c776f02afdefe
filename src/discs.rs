//! Means over round windows of true size, at every latitude and across both poles.
//!
//! A window is the disc of ground within an angle ρ of a point. On an equirectangular grid it
//! covers part of every row it meets; with colatitudes θ of the point and θ' in the row, and ψ
//! half the longitudes it covers there (spherical law of cosines),
//!
//! ```text
//! cos ψ = (cos ρ − cos θ cos θ') / (sin θ sin θ')      whole row if ≤ −1, none if ≥ 1
//! ```
//!
//! averaged over the thickness of the row. Sums along rows are differences of running sums, so a
//! window costs one look-up per row, however wide it is. Rows much thinner than the window are first averaged into bands. Running
//! sums are whole numbers held in f64, exact whatever column they start at: turning the planet by
//! whole columns turns the result to the last bit.

use crate::grid::Grid;
use ndarray::{Array2, ArrayView1, Axis};
use rayon::prelude::*;
use std::f64::consts::{PI, TAU};

/// Bands per window diameter, at least. Fewer are faster; at 9 the mean of a wave one window long
/// is right to 1 %.
const BANDS_PER_WINDOW: f64 = 9.0;

/// Colatitudes across a band at which its covered part is taken.
const ACROSS: usize = 8;

/// Values are held as whole numbers of up to this size; times 2 × 2^14 columns it is 2^53, the
/// last whole number before f64 has gaps.
const LARGEST: f64 = (1u64 << 38) as f64;

/// Round windows of one size on one grid.
#[derive(Debug, Clone)]
pub struct Discs {
    columns: usize,
    bands: Vec<Band>,
    /// What a window centred on each band covers.
    chords: Vec<Vec<Chord>>,
    /// Between which bands each row lies.
    between: Vec<Between>,
}

/// Rows averaged together.
#[derive(Debug, Clone, Copy)]
struct Band {
    first_row: usize,
    end_row: usize,
    colat_rad: f64,
    /// Between its edges.
    thickness_rad: f64,
    /// Share of the sphere of one column of it.
    area: f64,
}

#[derive(Debug, Clone, Copy)]
struct Chord {
    band: usize,
    /// Half the columns covered; `None` for all of them.
    half_columns: Option<f64>,
}

/// A row's place between bands; across a pole the other one is the same band, half a turn on.
#[derive(Debug, Clone, Copy)]
struct Between {
    first: usize,
    second: usize,
    part: f32,
    half_turn: bool,
}

/// One value per band and column.
pub type Banded = Array2<f32>;

impl Discs {
    /// Windows of an angular radius in radians, 0 to half a turn.
    pub fn new(grid: &Grid, radius_rad: f64) -> Discs {
        let rows = grid.rows();
        let step = grid.step_lat_deg().to_radians();
        let together = (2.0 * radius_rad / BANDS_PER_WINDOW / step)
            .floor()
            .max(1.0) as usize;
        let bands: Vec<Band> = (0..rows)
            .step_by(together.min(rows))
            .map(|first_row| band(grid, first_row, (first_row + together).min(rows)))
            .collect();
        let chords = bands
            .iter()
            .map(|from| chords(&bands, grid.columns(), from, radius_rad))
            .collect();
        let between = (0..rows)
            .map(|row| between(&bands, (90.0 - grid.lat_deg(row)).to_radians()))
            .collect();
        Discs {
            columns: grid.columns(),
            bands,
            chords,
            between,
        }
    }

    /// Averages rows into bands; `fill(row, out)` gives the values of a row.
    pub fn pool(&self, grid: &Grid, fill: impl Fn(usize, &mut [f32]) + Sync) -> Banded {
        let mut banded = Array2::zeros((self.bands.len(), self.columns));
        banded
            .axis_iter_mut(Axis(0))
            .into_par_iter()
            .zip(&self.bands)
            .for_each(|(mut out, band)| {
                let mut line = vec![0f32; self.columns];
                let mut sums = vec![0f64; self.columns];
                for row in band.first_row..band.end_row {
                    fill(row, &mut line);
                    let share = grid.area_weight(row) / band.area;
                    for (sum, &value) in sums.iter_mut().zip(&line) {
                        *sum += share * f64::from(value);
                    }
                }
                for (out, sum) in out.iter_mut().zip(sums) {
                    *out = sum as f32;
                }
            });
        banded
    }

    /// Averages into bands how much of each lies at every one of `steps + 1` nodes, 0 to `steps`;
    /// `place(row, out)` says where the samples of a row lie on that scale, and each is counted in
    /// the two nodes beside it. All nodes are filled in one pass over the grid.
    pub fn pool_nodes(
        &self,
        grid: &Grid,
        steps: usize,
        place: impl Fn(usize, &mut [f32]) + Sync,
    ) -> Vec<Banded> {
        let columns = self.columns;
        let mut nodes = vec![Array2::zeros((self.bands.len(), columns)); steps + 1];
        let mut of_bands: Vec<Vec<_>> = self.bands.iter().map(|_| Vec::new()).collect();
        for node in &mut nodes {
            for (of_band, line) in of_bands.iter_mut().zip(node.axis_iter_mut(Axis(0))) {
                of_band.push(line);
            }
        }
        of_bands
            .into_par_iter()
            .zip(&self.bands)
            .for_each(|(mut lines, band)| {
                let mut places = vec![0f32; columns];
                let mut sums = vec![0f64; columns * (steps + 1)];
                for row in band.first_row..band.end_row {
                    place(row, &mut places);
                    let share = grid.area_weight(row) / band.area;
                    for (column, &place) in places.iter().enumerate() {
                        let below = place.floor();
                        for node in [below, below + 1.0] {
                            if (0.0..=steps as f32).contains(&node) {
                                let part = 1.0 - (place - node).abs();
                                sums[node as usize * columns + column] += share * f64::from(part);
                            }
                        }
                    }
                }
                for (line, sums) in lines.iter_mut().zip(sums.chunks_exact(columns)) {
                    for (out, sum) in line.iter_mut().zip(sums) {
                        *out = *sum as f32;
                    }
                }
            });
        nodes
    }

    /// The mean over the window around every place.
    pub fn mean(&self, values: &Banded) -> Banded {
        let scale = scale_of(values);
        let margin = self.columns / 2 + 2;
        let sums: Vec<Vec<f64>> = values
            .axis_iter(Axis(0))
            .into_par_iter()
            .map(|line| running_sums(line, margin, scale))
            .collect();
        let mut means = Array2::zeros(values.dim());
        means
            .axis_iter_mut(Axis(0))
            .into_par_iter()
            .zip(&self.chords)
            .for_each(|(mut out, chords)| {
                let (mut acc, mut area) = (vec![0f64; self.columns], 0.0);
                for chord in chords {
                    let weight = self.bands[chord.band].area;
                    area += weight * self.add(chord, &sums[chord.band], margin, weight, &mut acc);
                }
                let factor = 1.0 / (area * scale);
                for (out, sum) in out.iter_mut().zip(acc) {
                    *out = (sum * factor) as f32;
                }
            });
        means
    }

    /// Adds a chord's sums, times a weight, around every column; returns its width in columns.
    fn add(&self, chord: &Chord, sums: &[f64], margin: usize, weight: f64, acc: &mut [f64]) -> f64 {
        let columns = self.columns;
        let Some(half) = chord.half_columns else {
            if sums.is_empty() {
                return columns as f64;
            }
            let total = weight * (sums[columns] - sums[0]);
            acc.iter_mut().for_each(|sum| *sum += total);
            return columns as f64;
        };
        if sums.is_empty() {
            return 2.0 * half;
        }
        let from = margin as f64 + 0.5 - half;
        let to = margin as f64 + 0.5 + half;
        let (k, l) = (from as usize, to as usize);
        let (s, t) = (from - k as f64, to - l as f64);
        let (k0, k1) = (&sums[k..k + columns], &sums[k + 1..k + 1 + columns]);
        let (l0, l1) = (&sums[l..l + columns], &sums[l + 1..l + 1 + columns]);
        let ends = k0.iter().zip(k1).zip(l0.iter().zip(l1));
        for (sum, ((k0, k1), (l0, l1))) in acc.iter_mut().zip(ends) {
            // Differences first: they are exact, the running sums' own size depends on column 0.
            let (whole, left, right) = (l0 - k0, k1 - k0, l1 - l0);
            *sum += weight * (whole + t * right - s * left);
        }
        2.0 * half
    }

    /// The values along a row of the grid, between its bands.
    pub fn row(&self, banded: &Banded, row: usize, out: &mut [f32]) {
        let place = self.between[row];
        let (first, second) = (banded.row(place.first), banded.row(place.second));
        let turn = if place.half_turn { self.columns / 2 } else { 0 };
        // Two straight runs, before and after the turned row starts again: no remainder per place.
        let other = second.iter().skip(turn).chain(second.iter().take(turn));
        for ((out, &first), &second) in out.iter_mut().zip(first).zip(other) {
            *out = first + place.part * (second - first);
        }
    }
}

fn band(grid: &Grid, first_row: usize, end_row: usize) -> Band {
    let areas = (first_row..end_row).map(|row| (row, grid.area_weight(row)));
    let (mut area, mut lat) = (0.0, 0.0);
    for (row, weight) in areas {
        area += weight;
        lat += weight * grid.lat_deg(row);
    }
    Band {
        first_row,
        end_row,
        colat_rad: (90.0 - lat / area).to_radians(),
        thickness_rad: (end_row - first_row) as f64 * grid.step_lat_deg().to_radians(),
        area,
    }
}

fn chords(bands: &[Band], columns: usize, from: &Band, radius_rad: f64) -> Vec<Chord> {
    let chord = |(band, to): (usize, &Band)| {
        let half_rad = covered(from.colat_rad, to, radius_rad);
        let half_columns = if half_rad >= PI {
            None
        } else if half_rad <= 0.0 {
            return None;
        } else {
            Some(half_rad / TAU * columns as f64)
        };
        Some(Chord { band, half_columns })
    };
    let found: Vec<Chord> = bands.iter().enumerate().filter_map(chord).collect();
    if !found.is_empty() {
        return found;
    }
    // A window thinner than its own row: the sample itself.
    let nearest = bands.iter().enumerate().min_by(|a, b| {
        let off = |band: &Band| (band.colat_rad - from.colat_rad).abs();
        off(a.1).total_cmp(&off(b.1))
    });
    let half_columns = Some(0.5);
    nearest
        .map(|(band, _)| Chord { band, half_columns })
        .into_iter()
        .collect()
}

/// Half the longitudes of a band that a window covers, averaged over the band's thickness.
fn covered(colat_rad: f64, band: &Band, radius_rad: f64) -> f64 {
    if (colat_rad - band.colat_rad).abs() > radius_rad + band.thickness_rad {
        return 0.0;
    }
    let (sin, cos) = colat_rad.sin_cos();
    let sum: f64 = (0..ACROSS)
        .map(|i| {
            let off = (i as f64 + 0.5) / ACROSS as f64 - 0.5;
            let (sin_to, cos_to) = (band.colat_rad + off * band.thickness_rad).sin_cos();
            let (up, down) = (radius_rad.cos() - cos * cos_to, (sin * sin_to).max(1e-300));
            (up / down).clamp(-1.0, 1.0).acos()
        })
        .sum();
    sum / ACROSS as f64
}

fn between(bands: &[Band], colat_rad: f64) -> Between {
    let last = bands.len() - 1;
    let after = bands.partition_point(|band| band.colat_rad < colat_rad);
    let (first, second, span, past, half_turn) = match after {
        0 => {
            let edge = bands[0].colat_rad;
            (0, 0, 2.0 * edge, edge - colat_rad, true)
        }
        _ if after > last => {
            let edge = PI - bands[last].colat_rad;
            let past = colat_rad - bands[last].colat_rad;
            (last, last, 2.0 * edge, past, true)
        }
        _ => {
            let (a, b) = (bands[after - 1].colat_rad, bands[after].colat_rad);
            (after - 1, after, b - a, colat_rad - a, false)
        }
    };
    let part = if span > 0.0 { past / span } else { 0.0 };
    Between {
        first,
        second,
        part: part as f32,
        half_turn,
    }
}

/// A power of two, so that scaling rounds nothing.
fn scale_of(values: &Banded) -> f64 {
    // The largest is the same in whatever order it is looked for.
    let lines = values.axis_iter(Axis(0)).into_par_iter();
    let largest = lines
        .map(|line| line.iter().fold(0f32, |most, v| most.max(v.abs())))
        .reduce(|| 0.0, f32::max);
    if largest == 0.0 || !largest.is_finite() {
        return 1.0;
    }
    (LARGEST / f64::from(largest)).log2().floor().exp2()
}

/// Sums of whole numbers before each column, from `margin` columns west of column 0 on; none at
/// all for a line of zeros, which adds nothing.
fn running_sums(line: ArrayView1<'_, f32>, margin: usize, scale: f64) -> Vec<f64> {
    if line.iter().all(|&value| value == 0.0) {
        return Vec::new();
    }
    let columns = line.len();
    let start = (margin.div_ceil(columns) * columns - margin) % columns;
    let (before, after) = (line.iter().take(start), line.iter().skip(start));
    let count = columns + 2 * margin + 2;
    let mut sums = Vec::with_capacity(count + columns);
    let mut sum = 0.0;
    for &value in after.chain(before) {
        sums.push(sum);
        sum += rounded(f64::from(value) * scale);
    }
    // Once around, everything is the same but larger by the whole line.
    while sums.len() < count {
        sums.extend_from_within(sums.len() - columns..);
        let again = sums.len() - columns;
        sums[again..].iter_mut().for_each(|later| *later += sum);
    }
    sums.truncate(count);
    sums
}

/// As `f64::round`, without its call into a library, for values from f32 times a power of two that
/// are less than 2^62: adding a half to them is exact.
fn rounded(value: f64) -> f64 {
    (value + 0.5f64.copysign(value)) as i64 as f64
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::geometry::direction;
    use crate::grid::{Hypsometry, Place, Quantity, Registration, Source};
    use approx::assert_abs_diff_eq;

    /// A grid from a formula over directions.
    pub(crate) fn grid_of(columns: usize, height: impl Fn(glam::DVec3) -> f64 + Sync) -> Grid {
        let rows = columns / 2;
        let mut grid = Grid {
            heights_m: Array2::zeros((rows, columns)),
            west_deg: 180.0 / columns as f64,
            registration: Registration::Pixel,
        };
        let empty = grid.clone();
        grid.heights_m
            .axis_iter_mut(Axis(0))
            .into_par_iter()
            .enumerate()
            .for_each(|(row, mut line)| {
                for (column, out) in line.iter_mut().enumerate() {
                    let d = direction(empty.lat_deg(row), empty.lon_deg(column));
                    *out = height(d) as f32;
                }
            });
        grid
    }

    /// What a reader would say of a grid of heights.
    pub(crate) fn source_of(grid: &Grid) -> Source {
        let place = |height_m| Place {
            height_m,
            lat_deg: 0.0,
            lon_deg: 0.0,
        };
        let hypsometry = Hypsometry::of_grid(grid);
        Source {
            files: vec!["a.tif".into()],
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

    fn means(grid: &Grid, radius_rad: f64) -> Array2<f32> {
        let discs = Discs::new(grid, radius_rad);
        let pooled = discs.pool(grid, |row, out| {
            out.copy_from_slice(grid.heights_m.row(row).as_slice().unwrap());
        });
        let mean = discs.mean(&pooled);
        let mut all = Array2::zeros(grid.heights_m.dim());
        for (row, mut line) in all.outer_iter_mut().enumerate() {
            discs.row(&mean, row, line.as_slice_mut().unwrap());
        }
        all
    }

    /// Source: the mean of a spherical harmonic of degree n over a disc of radius ρ is the
    /// harmonic times (P(n−1) − P(n+1))(cos ρ) / ((2n + 1)(1 − cos ρ)) (Funk and Hecke); for
    /// n = 1 that is (1 + cos ρ)/2, for n = 2 it is cos ρ·(1 + cos ρ)/2.
    #[test]
    fn means_of_harmonics_are_those_of_funk_and_hecke_at_every_latitude() {
        let rho = 0.3f64;
        for axis in [
            glam::DVec3::Z,
            glam::DVec3::X,
            glam::DVec3::new(0.6, 0.0, 0.8),
        ] {
            let first = grid_of(360, |d| axis.dot(d));
            let second = grid_of(360, |d| 1.5 * axis.dot(d).powi(2) - 0.5);
            let shrink = 0.5 * (1.0 + rho.cos());
            for (grid, factor) in [(first, shrink), (second, rho.cos() * shrink)] {
                for (mean, value) in means(&grid, rho).iter().zip(&grid.heights_m) {
                    assert_abs_diff_eq!(*mean, value * factor as f32, epsilon = 0.008);
                }
            }
        }
    }

    /// Slow reference: every cell of every row, its part inside the disc at the row's middle.
    fn brute(grid: &Grid, row: usize, column: usize, radius_rad: f64) -> f64 {
        let (mut sum, mut area) = (0.0, 0.0);
        let colat = |r: usize| (90.0 - grid.lat_deg(r)).to_radians();
        for r in 0..grid.rows() {
            let psi = (0..8).map(|i| {
                let to = colat(r) + (f64::from(i) / 8.0 - 0.4375) * PI / grid.rows() as f64;
                let cos_psi = (radius_rad.cos() - colat(row).cos() * to.cos())
                    / (colat(row).sin() * to.sin());
                cos_psi.clamp(-1.0, 1.0).acos().to_degrees() / 8.0
            });
            let psi: f64 = psi.sum();
            let step = grid.step_lon_deg();
            for c in 0..grid.columns() {
                let mut off = (c as f64 - column as f64) * step;
                off -= (off / 360.0).round() * 360.0;
                let inside = |off: f64| {
                    ((off + step / 2.0).min(psi) - (off - step / 2.0).max(-psi)).max(0.0) / step
                };
                let part = (inside(off) + inside(off - 360.0) + inside(off + 360.0)).min(1.0);
                let weight = part * grid.area_weight(r);
                sum += weight * f64::from(grid.heights_m[(r, c)]);
                area += weight;
            }
        }
        sum / area
    }

    #[test]
    fn narrow_windows_equal_the_sum_over_all_cells() {
        let grid = grid_of(72, |d| {
            (37.0 * d.x + 11.0 * d.y).sin() + (23.0 * d.z - 17.0 * d.x * d.y).cos()
        });
        // Under 9 rows across: every row is a band of its own.
        let radius = 0.19;
        let all = means(&grid, radius);
        for row in [0, 1, 2, 5, 17, 18, 30, 34, 35] {
            for column in [0, 1, 35, 36, 71] {
                let expected = brute(&grid, row, column, radius);
                assert_abs_diff_eq!(f64::from(all[(row, column)]), expected, epsilon = 1e-6);
            }
        }
    }

    /// Reference: each node by itself, as a field of its own. The last bit, too, since images hang
    /// on it.
    #[test]
    fn nodes_filled_in_one_pass_are_those_filled_one_by_one() {
        let grid = grid_of(72, |d| (5.0 * d.x + 3.0 * d.z).sin());
        let steps = 6;
        // A little beyond both ends, and on nodes exactly.
        let place = |height: f32| {
            let place = 3.0 + 3.0003 * height;
            if height > 0.9 { place.round() } else { place }
        };
        for radius in [0.05, 0.6] {
            let discs = Discs::new(&grid, radius);
            let nodes = discs.pool_nodes(&grid, steps, |row, out| {
                for (out, &height) in out.iter_mut().zip(grid.heights_m.row(row)) {
                    *out = place(height);
                }
            });
            assert_eq!(nodes.len(), steps + 1);
            for (k, node) in nodes.iter().enumerate() {
                let alone = discs.pool(&grid, |row, out| {
                    for (out, &height) in out.iter_mut().zip(grid.heights_m.row(row)) {
                        *out = (1.0 - (place(height) - k as f32).abs()).max(0.0);
                    }
                });
                assert_eq!(*node, alone, "{radius} {k}");
            }
        }
    }

    /// Reference: the sums as they are defined, term by term.
    #[test]
    fn running_sums_are_those_of_the_definition() {
        let line: Vec<f32> = (0..37).map(|i| (i as f32 * 1.7).sin() * 0.3).collect();
        let line = ndarray::aview1(&line);
        for margin in [0, 1, 20, 37, 50, 90] {
            let scale = f64::from(1 << 20);
            let start = 37 * 4 - margin;
            let mut sum = 0.0;
            for (step, &found) in running_sums(line, margin, scale).iter().enumerate() {
                assert_eq!(found, sum, "{margin} {step}");
                sum += (f64::from(line[(start + step) % 37]) * scale).round();
            }
            assert_eq!(running_sums(line, margin, scale).len(), 37 + 2 * margin + 2);
        }
        for value in [
            0.5f32,
            -0.5,
            0.49999997,
            -0.49999997,
            1.5,
            2.5,
            -2.5,
            8388607.5,
            1e-30,
        ] {
            assert_eq!(rounded(f64::from(value)), f64::from(value).round());
        }
    }

    #[test]
    fn turning_by_whole_columns_turns_every_bit() {
        let grid = grid_of(180, |d| {
            3000.0 * (9.0 * d.x).sin() + 777.7 * (31.0 * d.y * d.z).cos()
        });
        let mut turned = grid.clone();
        for ((row, column), height) in turned.heights_m.indexed_iter_mut() {
            *height = grid.heights_m[(row, (column + 53) % 180)];
        }
        let (before, after) = (means(&grid, 0.2), means(&turned, 0.2));
        for ((row, column), value) in after.indexed_iter() {
            assert_eq!(*value, before[(row, (column + 53) % 180)]);
        }
    }
}
