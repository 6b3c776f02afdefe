//! The surface between samples: what of it is undercut, and how its last spots are eased.
//!
//! Raising looks from sample to sample, in straight lines. What is carved is Keys' cubic through
//! the samples, which swings where a ramp begins or ends, and steps where a ramp's edge runs aslant
//! across the lattice. Here the cubic's own slope is looked at, at [`PARTS`]² places of every cell;
//! around those that lean too far the ground is averaged with what lies beside it, until none does
//! or [`ROUNDS`] are over. Spots are few and small, for the limit of raising leaves room. Round a pole
//! the average reaches as far along a circle of latitude as along a meridian: with less, samples there
//! keep levels of their own and meet at the pole in a step.

use super::lean::{LeanLimits, SAMPLES_AT_ONCE};
use crate::model::grid::{Grid, Heights};
use crate::model::parallel;
use fixedbitset::FixedBitSet;
use glam::DVec3;
use std::f64::consts::PI;

/// Places along each side of a cell at which its slope is looked at.
const PARTS: usize = 4;

/// Most rounds of averaging: the last are of a few samples each.
const ROUNDS: usize = 200;

/// The slope of Keys' cubic is no more than this many times the steepest between its samples.
const SWING: f64 = 1.75;

/// The same along one side of the samples: 1.5 along it, and 1.25 for the rows beside.
const SWING_ASLANT: f64 = 1.5 * 1.25;

/// How much the slope that is allowed may differ within a cell.
const NEARLY: f64 = 0.8;

/// Averages the ground around cells that lean too far.
pub(super) fn ease(relief_mm: &mut Grid, limits: &LeanLimits, mut cells: Vec<Cell>) {
    let (rows, columns) = relief_mm.heights_m.dim();
    for _ in 0..ROUNDS {
        if cells.is_empty() {
            break;
        }
        // All samples that the cells' cubic runs through.
        let mut near = FixedBitSet::with_capacity(rows * columns);
        for &cell in &cells {
            around(relief_mm, cell, |(row, column)| {
                near.insert(row * columns + column)
            });
        }
        let samples: Vec<usize> = near.ones().collect();
        let averages = parallel::mapped(&samples, &|&sample| {
            average(relief_mm, limits, limits.place(sample))
        });
        for (&sample, mm) in samples.iter().zip(averages) {
            relief_mm.heights_m[limits.place(sample)] = mm;
        }
        // Only cells whose cubic runs through these can lean otherwise than before.
        let mut changed = FixedBitSet::with_capacity((rows + 1) * columns);
        for &sample in &samples {
            let (row, column) = limits.place(sample);
            for cell in (row as isize - 2).max(-1)..=(row as isize + 1).min(rows as isize - 1) {
                for right in 0..4 {
                    let column = (column + columns + right - 2) % columns;
                    changed.insert((cell + 1) as usize * columns + column);
                }
            }
        }
        let changed = changed
            .ones()
            .map(|i| ((i / columns) as isize - 1, i % columns));
        cells = leaning(relief_mm, limits, &changed.collect::<Vec<Cell>>());
    }
}

/// The row and column before a cell's places: row −1 lies beyond the north pole.
pub(super) type Cell = (isize, usize);

/// The sixteen samples that a cell's cubic runs through, row by row.
fn around(relief_mm: &Grid, (row, column): Cell, mut each: impl FnMut((usize, usize))) {
    let layout = relief_mm.layout();
    for down in -1..3 {
        for right in -1..3 {
            each(layout.sample(row + down, column as isize + right));
        }
    }
}

fn samples(relief_mm: &Grid, (row, column): Cell) -> [f32; 16] {
    let (rows, columns) = relief_mm.heights_m.dim();
    let mut samples = [0f32; 16];
    let inside = (1..rows as isize - 2).contains(&row) && (1..columns - 2).contains(&column);
    if let Some(all) = relief_mm.heights_m.as_slice().filter(|_| inside) {
        for (down, four) in (row as usize - 1..).zip(samples.chunks_exact_mut(4)) {
            four.copy_from_slice(&all[down * columns + column - 1..][..4]);
        }
        return samples;
    }
    let mut next = samples.iter_mut();
    around(relief_mm, (row, column), |sample| {
        if let Some(mm) = next.next() {
            *mm = relief_mm.heights_m[sample];
        }
    });
    samples
}

/// All cells in which the ground leans farther than allowed on a facet that it is part of, in
/// order. Most are ruled out by the differences between their samples.
pub(super) fn leaning_cells(relief_mm: &Grid, limits: &LeanLimits) -> Vec<Cell> {
    let (rows, columns) = relief_mm.heights_m.dim();
    let found = parallel::given(-1..rows as isize, &|_, row| {
        let near = row.clamp(0, rows as isize - 1) as usize;
        let look_mm = limits.look_mm(near) / SWING;
        let around = limits.most_around(relief_mm, near);
        let may_lean = |&column: &usize| {
            let beside = around[column].max(around[(column + 1) % columns]);
            f64::from(beside) > limits.least_fall_between((near, column)) * look_mm
        };
        (0..columns)
            .filter(may_lean)
            .map(|column| (row, column))
            .filter(|&cell| leans(relief_mm, limits, cell))
            .collect::<Vec<Cell>>()
    });
    found.concat()
}

/// Those of some cells.
fn leaning(relief_mm: &Grid, limits: &LeanLimits, cells: &[Cell]) -> Vec<Cell> {
    let found = parallel::given(cells.chunks(SAMPLES_AT_ONCE), &|_, cells| {
        let cells = cells.iter().copied();
        cells
            .filter(|&cell| leans(relief_mm, limits, cell))
            .collect::<Vec<Cell>>()
    });
    found.concat()
}

fn leans(relief_mm: &Grid, limits: &LeanLimits, cell: Cell) -> bool {
    let (rows, layout) = (relief_mm.rows(), limits.layout);
    let near = (cell.0.clamp(0, rows as isize - 1) as usize, cell.1);
    let faces = limits.faces_at(near);
    if faces.is_empty() {
        return false;
    }
    let samples = samples(relief_mm, cell);
    let step = (
        layout.step_lat_deg().to_radians(),
        layout.step_lon_deg().to_radians(),
    );
    let narrowest = limits.direction((near.0, 0)).truncate().length() - step.0;
    let widths = (step.0, step.1 * narrowest.max(0.0));
    // Most cells are far too level for any facet of their block, or else for each of their own.
    let steepest = squared(steepest(&samples), widths, limits.radius_mm);
    if steepest < limits.least_fall_between(near).powi(2) {
        return false;
    }
    let first = (
        layout.north_deg().to_radians() - cell.0 as f64 * step.0,
        layout.west_deg.to_radians() + cell.1 as f64 * step.1,
    );
    let middle = direction_of(
        (first.0 - 0.5 * step.0).sin_cos(),
        (first.1 + 0.5 * step.1).sin_cos(),
    );
    let leasts = faces.iter().map(|&face| {
        let cos = limits.cos(usize::from(face), middle);
        NEARLY * limits.fall_between(usize::from(face), cos, f64::from(samples[5]))
    });
    let least = leasts.fold(f64::INFINITY, f64::min).powi(2);
    if steepest < least {
        return false;
    }
    let samples = samples.map(f64::from);
    KEYS.iter().any(|down| {
        let (line, line_by_down) = (
            across(&samples, &down.weights),
            across(&samples, &down.slopes),
        );
        KEYS.iter().any(|right| {
            let by_down = dot(&line_by_down, &right.weights);
            let by_right = dot(&line, &right.slopes);
            if squared((by_down, by_right), widths, limits.radius_mm) < least {
                return false;
            }
            let (lat, lon) = (first.0 - down.at * step.0, first.1 + right.at * step.1);
            // Beyond the pole the other half of this cell's neighbour across it is meant.
            if lat.abs() > 0.5 * PI - 1e-6 {
                return false;
            }
            let (lat, lon) = (lat.sin_cos(), lon.sin_cos());
            let here = direction_of(lat, lon);
            let ((sin_lat, cos_lat), (sin_lon, cos_lon)) = (lat, lon);
            let east = DVec3::new(-sin_lon, cos_lon, 0.0);
            let north = DVec3::new(-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat);
            // mm per radian.
            let gradient = east * (by_right / (step.1 * cos_lat)) - north * (by_down / step.0);
            let own = dot(&line, &right.weights);
            faces.iter().any(|&face| {
                let face = usize::from(face);
                let Some((normal, cos)) = limits.leaning(face, here) else {
                    return false;
                };
                // The way outward is the normal's own part along the ground, turned round.
                let outward = -gradient.dot(normal) / (1.0 - cos * cos).sqrt();
                let fall = -outward / limits.radius_mm;
                fall > limits.fall_between(face, cos, own) && limits.beyond_mm(face, here) <= 0.0
            })
        })
    })
}

/// The square of a slope given by its changes per sample, down and to the right, and the widths of
/// samples in radians.
fn squared(by_sample: (f64, f64), widths: (f64, f64), radius_mm: f64) -> f64 {
    let (down, right) = (by_sample.0 / widths.0, by_sample.1 / widths.1);
    (down * down + right * right) / (radius_mm * radius_mm)
}

fn direction_of((sin_lat, cos_lat): (f64, f64), (sin_lon, cos_lon): (f64, f64)) -> DVec3 {
    DVec3::new(cos_lat * cos_lon, cos_lat * sin_lon, sin_lat)
}

/// The most that the cubic through 4 × 4 samples can change per sample, down and to the right.
fn steepest(samples: &[f32; 16]) -> (f64, f64) {
    let most = |first: fn(usize) -> usize, step: usize| {
        let differences = (0..12).map(|i| (samples[first(i) + step] - samples[first(i)]).abs());
        f64::from(differences.fold(0.0, f32::max)) * SWING_ASLANT
    };
    (most(|i| i, 4), most(|i| i / 3 * 4 + i % 3, 1))
}

/// Four columns of samples summed by row.
fn across(samples: &[f64; 16], rows: &[f64; 4]) -> [f64; 4] {
    std::array::from_fn(|column| {
        (0..4)
            .map(|row| rows[row] * samples[4 * row + column])
            .sum()
    })
}

fn dot(a: &[f64; 4], b: &[f64; 4]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Keys' cubic (see the sampler) at a part of the way from the second to the third of four samples:
/// their weights, and how these change per sample.
struct Keys {
    at: f64,
    weights: [f64; 4],
    slopes: [f64; 4],
}

/// At the places looked at.
const KEYS: [Keys; PARTS + 1] = {
    let mut all = [const { keys(0.0) }; PARTS + 1];
    let mut i = 1;
    while i <= PARTS {
        all[i] = keys(i as f64 / PARTS as f64);
        i += 1;
    }
    all
};

const fn keys(t: f64) -> Keys {
    let (t2, t3) = (t * t, t * t * t);
    Keys {
        at: t,
        weights: [
            0.5 * (-t + 2.0 * t2 - t3),
            0.5 * (2.0 - 5.0 * t2 + 3.0 * t3),
            0.5 * (t + 4.0 * t2 - 3.0 * t3),
            0.5 * (t3 - t2),
        ],
        slopes: [
            0.5 * (-1.0 + 4.0 * t - 3.0 * t2),
            0.5 * (-10.0 * t + 9.0 * t2),
            0.5 * (1.0 + 8.0 * t - 9.0 * t2),
            0.5 * (3.0 * t2 - 2.0 * t),
        ],
    }
}

/// The mean of a sample and those within a step of it on the ground, the nearer the more.
fn average(relief_mm: &Grid, limits: &LeanLimits, (row, column): (usize, usize)) -> f32 {
    let columns = relief_mm.columns();
    let mut sum = 0.0;
    for (down, weight) in [(-1, 0.25), (0, 0.5), (1, 0.25)] {
        let (near, middle) = limits.layout.sample(row as isize + down, column as isize);
        let aside = (limits.samples_per_step(near).round() as usize).clamp(1, columns / 4);
        let line = relief_mm.heights_m.row(near);
        // Weights of a tent, which add up to 1.
        let whole = ((aside + 1) * (aside + 1)) as f64;
        let mean: f64 = (0..=2 * aside)
            .map(|right| {
                let mm = line[(middle + columns + right - aside) % columns];
                (aside + 1 - right.abs_diff(aside)) as f64 / whole * f64::from(mm)
            })
            .sum();
        sum += weight * mean;
    }
    sum as f32
}
