//! Spokes around the poles.
//!
//! Near a pole a sample is compared with the mean of its neighbours at the same distance on the
//! ground, along its row and across. Natural ground differs as much either way; on a grid of
//! spokes rows change and meridians do not.

use super::{Fault, FaultKind, Search};
use crate::model::parallel;
use std::f32::consts::TAU;

/// Spokes are looked for up to so many degrees from a pole.
const TO_DEG: f64 = 12.0;

/// Independent rows that must have them.
const ROWS: usize = 4;

/// Times that heights change more along rows than across. Natural ground reaches 1.8.
const TIMES: f64 = 2.5;

/// How heights differ from those around.
struct Differences {
    along_m: f64,
    across_m: f64,
    /// Column of the greatest along the row.
    worst: usize,
}

impl Search<'_> {
    /// Spokes at the north pole and at the south.
    pub(super) fn spokes(&self) -> Vec<Fault> {
        let poles = [true, false].into_iter();
        poles.filter_map(|north| self.spokes_at(north)).collect()
    }

    fn spokes_at(&self, north: bool) -> Option<Fault> {
        let layout = self.layout;
        let step_deg = layout.step_lat_deg();
        let apart = (self.apart_deg() / step_deg).round().max(1.0) as usize;
        let rows = ((TO_DEG / step_deg) as usize).min(layout.rows / 6);
        let row = |i: usize| if north { i } else { layout.rows - 1 - i };
        let lines: Vec<Vec<f32>> = (0..rows + apart).map(|i| self.row(row(i))).collect();
        let differences = |i: usize| {
            let columns = apart as f64 * step_deg / self.column_deg(row(i));
            let along = differences_along(&lines[i], columns);
            let across = lines[i]
                .iter()
                .zip(&lines[i - apart])
                .zip(&lines[i + apart]);
            let across = across.map(|((h, a), b)| f64::from((h - 0.5 * (a + b)).abs()));
            Differences {
                along_m: along.iter().map(|&m| f64::from(m)).sum(),
                across_m: across.sum(),
                worst: (0..along.len())
                    .max_by(|&a, &b| along[a].total_cmp(&along[b]))
                    .unwrap_or(0),
            }
        };
        // Rows nearer to the pole have too few independent samples.
        let first = 3 * apart;
        let found = parallel::given(first..rows, &|_, row| differences(row));
        let length = ROWS * apart;
        let samples = (length * layout.columns) as f64;
        let (start, times, size_m) = found
            .windows(length)
            .enumerate()
            .map(|(start, rows)| {
                let along_m = rows.iter().map(|row| row.along_m).sum::<f64>() / samples;
                let across_m = rows.iter().map(|row| row.across_m).sum::<f64>() / samples;
                (start, along_m / across_m.max(0.1 * self.visible_m), along_m)
            })
            .filter(|(_, times, size_m)| *times >= TIMES && *size_m >= self.visible_m)
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))?;
        let middle = start + length / 2;
        Some(Fault {
            kind: FaultKind::Spokes { times },
            lat_deg: layout.lat_deg(row(first + middle)),
            lon_deg: layout.lon_deg(found[middle].worst),
            size_m,
        })
    }
}

/// How much the samples of a row differ from the mean of those so many columns before and after,
/// apart from slopes and bends of the whole row, which a pole on a hillside has.
fn differences_along(line: &[f32], columns: f64) -> Vec<f32> {
    let count = line.len();
    let mut rest = line.to_vec();
    let turns: Vec<(f32, f32)> = (0..count)
        .map(|c| (TAU * c as f32 / count as f32).sin_cos())
        .collect();
    for waves in 0..=2 {
        let turn = |c: usize| turns[waves * c % count];
        let (mut cos, mut sin) = (0.0f64, 0.0f64);
        for (c, &h) in rest.iter().enumerate() {
            let (s, k) = turn(c);
            cos += f64::from(h * k);
            sin += f64::from(h * s);
        }
        let scale = if waves == 0 { 1.0 } else { 2.0 } / count as f64;
        let (cos, sin) = ((cos * scale) as f32, (sin * scale) as f32);
        for (c, h) in rest.iter_mut().enumerate() {
            let (s, k) = turn(c);
            *h -= cos * k + sin * s;
        }
    }
    let (whole, part) = (columns.floor() as usize % count, columns.fract() as f32);
    let at = |c: usize| rest[c % count];
    (0..count)
        .map(|c| {
            let after = (1.0 - part) * at(c + whole) + part * at(c + whole + 1);
            let back = c + count - whole;
            let before = (1.0 - part) * at(back) + part * at(back + count - 1);
            (rest[c] - 0.5 * (before + after)).abs()
        })
        .collect()
}
