//! Rings of a series that ends.
//!
//! Beside a scarp or a mountain a series of limited degree goes on in waves of its last degree,
//! onto plains that have no waves of the lengths before. In stretches of a row, the power of the
//! last waves is compared with that of waves three times as long, which natural ground has more
//! of: l⁻² to l⁻⁴ gives 0.05 to 0.4 of it.

use super::{Fault, FaultKind, Search};
use crate::sphere::resolution::{Fourier, Why, spread_rows};
use rayon::prelude::*;
use std::f64::consts::FRAC_PI_2;

/// Rings are looked for up to this latitude, north and south.
const TO_DEG: f64 = 60.0;

/// Waves in a stretch.
const WAVES: f64 = 16.0;

/// Power of the last waves over that of those three times as long, from which on there are rings.
const TIMES: f64 = 1.5;

/// Least share of the ground that they touch. On ground of chance, l⁻², 0.8 % seem to have them.
const LEAST: f64 = 0.02;

/// A stretch of a row.
#[derive(Clone, Copy)]
struct Stretch {
    row: usize,
    column: usize,
    area: f64,
    times: f64,
    size_m: f64,
}

impl Search<'_> {
    /// Rings, if the grid comes from a series.
    pub(super) fn rings(&self) -> Option<Fault> {
        if self.resolution.why != Why::Series {
            return None;
        }
        let degree = 180.0 / self.resolution.resolved_deg;
        let columns = self.layout.columns;
        let stretches: Vec<Vec<Stretch>> = spread_rows(self.layout, TO_DEG)
            .into_par_iter()
            .map_init(
                || Fourier::new(columns),
                |fourier, row| self.stretches(fourier, row, degree),
            )
            .collect();
        let (mut touched, mut all) = (0.0, 0.0);
        let mut worst: Option<(bool, Stretch)> = None;
        for stretch in stretches.into_iter().flatten() {
            all += stretch.area;
            if stretch.times < TIMES || stretch.size_m < self.visible_m {
                continue;
            }
            touched += stretch.area;
            // Where longer waves are all but missing it is a ring sooner than a crater.
            let clear = stretch.times > 2.0 * TIMES;
            if worst.is_none_or(|(was, other)| (clear, stretch.size_m) > (was, other.size_m)) {
                worst = Some((clear, stretch));
            }
        }
        let (_, stretch) = worst.filter(|_| touched >= LEAST * all)?;
        Some(Fault {
            kind: FaultKind::Rings {
                degree,
                share: touched / all,
            },
            lat_deg: self.layout.lat_deg(stretch.row),
            lon_deg: self.layout.lon_deg(stretch.column),
            size_m: stretch.size_m,
        })
    }

    fn stretches(&self, fourier: &mut Fourier, row: usize, degree: f64) -> Vec<Stretch> {
        let columns = self.layout.columns;
        let cos = self.layout.lat_deg(row).to_radians().cos();
        let (last, longer) = fourier.bands(&self.row(row), |wave| {
            let part = wave as f64 / cos / degree;
            let last = ((part - 0.55) / 0.2).clamp(0.0, 1.0);
            // An octave and a half around a third.
            let octaves = ((3.0 * part).log2() / 0.75).clamp(-1.0, 1.0);
            let longer = (octaves * FRAC_PI_2).cos().powi(2);
            (if part < 1.2 { last } else { 0.0 }, longer)
        });
        let power = |waves: &[f64]| waves.iter().map(|h| h * h).sum::<f64>() / waves.len() as f64;
        let count = ((degree * cos / WAVES) as usize).clamp(1, columns);
        (0..count)
            .map(|i| {
                let cells = i * columns / count..(i + 1) * columns / count;
                let column = (cells.start + cells.end) / 2;
                let (last, longer) = (power(&last[cells.clone()]), power(&longer[cells]));
                Stretch {
                    row,
                    column,
                    area: cos / count as f64,
                    times: last / longer.max(f64::MIN_POSITIVE),
                    // A wave's height above its middle.
                    size_m: (2.0 * last).sqrt(),
                }
            })
            .collect()
    }
}
