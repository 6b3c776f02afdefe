//! What a grid truly resolves: the finest half wavelength of ground that its numbers know.
//!
//! Cells say how finely a grid is written down, not how finely the ground was measured. A grid
//! drawn from a coarser one, or evaluated from a series of limited degree, holds nothing between
//! but the interpolation's own marks; deepened, they would show in the wood. Three signs are
//! looked for along rows of low latitude, where a wave that goes `m` times round a row at latitude
//! φ is of degree m / cos φ:
//!
//! * **A cliff in the spectrum.** The power of natural ground falls like l⁻² to l⁻⁴; where it
//!   falls twenty times within half an octave and never comes back, a series ends, or a smooth
//!   interpolation has nothing more to say.
//! * **A flat floor far below the ground.** White noise, or rounding to whole metres.
//! * **A beat.** What lies between two coarse samples is smoother than what lies across one, so
//!   the mean size of differences along a row beats with the coarse spacing (A. C. Gallagher,
//!   "Detection of linear and cubic interpolation in JPEG compressed images", CRV 2005, who takes
//!   the second difference; the first shows repeated cells, the third a doubling that straddles).
//!
//! Bilinear interpolation needs the beat: its images above the cut stand in for natural ground.

use crate::model::grid::{Heights, Layout};
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlannerScalar};
use std::fmt;
use std::ops::RangeInclusive;
use std::sync::Arc;

/// What a grid truly resolves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resolution {
    /// Size of a cell, degrees of arc: the larger of its two sides at the equator.
    pub cell_deg: f64,
    /// Finest half wavelength that is ground, degrees of arc; never less than a cell.
    pub resolved_deg: f64,
    /// What limits it.
    pub why: Why,
}

/// What limits the resolution of a grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// Nothing but its own cells.
    Cells,
    /// It was interpolated from a coarser grid.
    Interpolated,
    /// Its power ends in a cliff: a series of limited degree, or a smoothing.
    Series,
    /// Noise or rounding is larger than the finest ground.
    Noise,
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Why::Cells => "its cells",
            Why::Interpolated => "it was interpolated from a coarser grid",
            Why::Series => "it was evaluated from a series of limited degree, or smoothed",
            Why::Noise => "noise or rounding is larger than finer ground",
        })
    }
}

/// Rows looked at; spread evenly they meet ground of every kind, and cost little.
const ROWS: usize = 192;

/// Rows farther north or south are left out: their cells are narrower than they are high.
const HIGHEST_LAT_DEG: f64 = 30.0;

/// Rows with fewer columns say too little.
const LEAST_COLUMNS: usize = 64;

/// Bins of the spectrum in an octave.
const BINS: usize = 12;

/// Waves of fewer to the globe are too few to judge a fall by.
const LEAST_DEGREE: f64 = 7.0;

/// Bits by which power falls at a cliff: 20 times within half an octave. Natural ground of the
/// steepest kind, l⁻⁴, falls 4 times.
const CLIFF_BITS: f64 = 4.32;

/// Bits by which a floor lies below the largest waves.
const FLOOR_BITS: f64 = 10.0;

/// Bins at the end of the spectrum in which a floor is flat.
const FLOOR_BINS: usize = BINS / 2;

/// A floor falls or rises more gently than l to this power; natural ground falls like l⁻¹ at least.
const FLOOR_SLOPE: f64 = 0.3;

/// Least depth of a beat, as a share of the mean. Interpolated ground beats with 0.26 (bicubic,
/// sixfold, l⁻⁴) to 2 (bilinear); where a part of the ground was interpolated, less.
const BEAT: f64 = 0.25;

/// A beat stands out from its neighbours by this.
const BEAT_OVER_MEDIAN: f64 = 20.0;

/// A beat deeper than this comes from a coarser grid of at most half the columns. A shallower one
/// may be seen in the mirror: with fewer than two cells to a sample, 0.5 (bilinear) to 1 (nearest).
const DEEP_BEAT: f64 = 1.05;

/// Share of the power around it below which power vanishes at a beat.
const VANISHING: f64 = 0.3;

/// Bits below the natural law at which ground has ended; interpolation from more columns than the
/// half leaves it 2.5 below.
const MISSING_BITS: f64 = 3.6;

/// The finest half wavelength that a grid resolves, and why.
pub fn resolved_deg(grid: &dyn Heights) -> Resolution {
    let layout = grid.layout();
    let cell_deg = layout.step_lon_deg().max(layout.step_lat_deg());
    let mut resolution = Resolution {
        cell_deg,
        resolved_deg: cell_deg,
        why: Why::Cells,
    };
    if layout.columns < LEAST_COLUMNS {
        return resolution;
    }
    let rows = SampledRows::read(grid, layout);
    let spectrum = rows.spectrum();
    let beat = rows.beat(&spectrum);
    let floor = match beat {
        None => spectrum.floor(FLOOR_BINS),
        // Images can look like a floor; those of fewer than two columns to a sample only over
        // less than an octave, unless they are deep.
        Some(beat) if beat.mirrored && beat.depth < 0.6 => spectrum.floor(BINS),
        Some(_) => None,
    };
    let found = [
        (spectrum.cliff(), Why::Series),
        (floor, Why::Noise),
        (beat.map(|beat| beat.degree), Why::Interpolated),
    ];
    for (degree, why) in found {
        // Half a wavelength of degree l is 180°/l.
        if let Some(deg) = degree.map(|degree| 180.0 / degree)
            && deg > resolution.resolved_deg
        {
            (resolution.resolved_deg, resolution.why) = (deg, why);
        }
    }
    resolution
}

/// Rows spread evenly between two latitudes, south and north.
pub(crate) fn spread_rows(layout: Layout, to_lat_deg: f64) -> Vec<usize> {
    let low: Vec<usize> = (0..layout.rows)
        .filter(|&row| layout.lat_deg(row).abs() < to_lat_deg)
        .collect();
    let count = low.len().min(ROWS);
    (0..count)
        .map(|i| low[(2 * i + 1) * low.len() / (2 * count)])
        .collect()
}

/// The trace of a coarser grid.
#[derive(Clone, Copy)]
struct Beat {
    /// Degree at which it ended.
    degree: f64,
    /// Depth, as a share of the mean.
    depth: f64,
    /// It had more than half as many columns, and beats in their mirror.
    mirrored: bool,
}

/// Rows of low latitude.
struct SampledRows {
    lines: Vec<Vec<f32>>,
    cos_lat: Vec<f64>,
    columns: usize,
}

impl SampledRows {
    fn read(grid: &dyn Heights, layout: Layout) -> SampledRows {
        let (mut lines, mut cos_lat) = (Vec::new(), Vec::new());
        for row in spread_rows(layout, HIGHEST_LAT_DEG) {
            lines.push(grid.window(row..row + 1, 0..layout.columns));
            cos_lat.push(layout.lat_deg(row).to_radians().cos());
        }
        SampledRows {
            lines,
            cos_lat,
            columns: layout.columns,
        }
    }

    /// Mean power of the rows, in bins of the true degree up to half the columns.
    fn spectrum(&self) -> Spectrum {
        let mut fourier = Fourier::new(self.columns);
        let nyquist = self.columns / 2;
        let count = (BINS as f64 * (nyquist as f64 / LEAST_DEGREE).log2()).max(0.0) as usize;
        let mut spectrum = Spectrum {
            bits: vec![0.0; count],
            top: nyquist as f64,
            largest: f64::NEG_INFINITY,
            by_wave: vec![0.0; nyquist + 1],
        };
        let edges: Vec<f64> = (0..count).map(|bin| spectrum.edge(bin)).collect();
        let least = spectrum.top * (-(count as f64) / BINS as f64).exp2();
        let (mut sums, mut counts) = (vec![0.0; count], vec![0.0f64; count]);
        let mut longest = 0.0f64;
        for (pair, cos) in self.lines.chunks(2).zip(self.cos_lat.chunks(2)) {
            let powers = fourier.powers(pair);
            for (power, cos) in powers.iter().zip(cos) {
                let mut bin = 0;
                for (m, &power) in power.iter().enumerate().skip(1) {
                    spectrum.by_wave[m] += power;
                    let degree = m as f64 / cos;
                    while bin < count && degree > edges[bin] {
                        bin += 1;
                    }
                    if degree <= least {
                        longest = longest.max(power);
                    } else if bin < count {
                        sums[bin] += power;
                        counts[bin] += 1.0;
                    }
                }
            }
        }
        for (bits, (sum, count)) in spectrum.bits.iter_mut().zip(sums.iter().zip(&counts)) {
            *bits = (sum / count.max(1.0)).max(f64::MIN_POSITIVE).log2();
        }
        spectrum.largest = spectrum.bits.iter().copied().fold(longest.log2(), f64::max);
        spectrum
    }

    /// The beat of the differences along the rows, if there is one.
    fn beat(&self, spectrum: &Spectrum) -> Option<Beat> {
        let mut fourier = Fourier::new(self.columns);
        let (first, last) = ((self.columns / 16).max(4), self.columns / 2);
        if last < first + 8 {
            return None;
        }
        let mut beats: Vec<(usize, f64)> = Vec::new();
        for order in 1..=3 {
            let profile = self.mean_difference(order);
            let mean = profile.iter().sum::<f32>() / self.columns as f32;
            if mean <= 0.0 {
                return None;
            }
            let powers = fourier.powers(std::slice::from_ref(&profile));
            let depth: Vec<f64> = powers[0][first..=last]
                .iter()
                .map(|power| 2.0 * power.sqrt() / (self.columns as f64 * f64::from(mean)))
                .collect();
            let least = BEAT.max(BEAT_OVER_MEDIAN * median(&depth));
            beats.extend(
                depth
                    .into_iter()
                    .enumerate()
                    .filter(|(_, depth)| *depth >= least)
                    .map(|(i, depth)| (first + i, depth)),
            );
        }
        let deepest = beats.iter().map(|beat| beat.1).fold(0.0, f64::max);
        // Overtones of the coarse spacing beat as well, but seldom deeper.
        let (beat, _) = *beats
            .iter()
            .filter(|beat| beat.1 >= 0.6 * deepest)
            .min_by_key(|beat| beat.0)?;
        let mirrored = deepest <= DEEP_BEAT && !spectrum.ends_before(beat);
        let coarse = if mirrored { self.columns - beat } else { beat };
        Some(Beat {
            degree: coarse as f64 / 2.0,
            depth: deepest,
            mirrored,
        })
    }

    /// Mean size of the differences of an order at every column, over all rows.
    fn mean_difference(&self, order: usize) -> Vec<f32> {
        let mut sums = vec![0.0f32; self.columns];
        for line in &self.lines {
            let mut differences = line.clone();
            for _ in 0..order {
                let first = differences[0];
                for i in 1..differences.len() {
                    differences[i - 1] = differences[i] - differences[i - 1];
                }
                if let Some(last) = differences.last_mut() {
                    *last = first - *last;
                }
            }
            for (sum, difference) in sums.iter_mut().zip(differences) {
                *sum += difference.abs();
            }
        }
        let count = self.lines.len().max(1) as f32;
        sums.iter().map(|sum| sum / count).collect()
    }
}

/// Mean power by degree.
struct Spectrum {
    /// Binary logarithms of the mean power in every bin, from low degrees to `top`.
    bits: Vec<f64>,
    /// Upper edge of the last bin.
    top: f64,
    /// The same of the largest waves, those below the first bin included.
    largest: f64,
    /// Power by wave number along the rows, whatever their latitude.
    by_wave: Vec<f64>,
}

impl Spectrum {
    /// Upper edge of a bin, in degrees of the series.
    fn edge(&self, bin: usize) -> f64 {
        let below_top = (self.bits.len() - 1 - bin) as f64;
        self.top * (-below_top / BINS as f64).exp2()
    }

    /// Where the power falls off a cliff for good.
    fn cliff(&self) -> Option<f64> {
        const HALF: usize = BINS / 2;
        const GAP: usize = 3;
        let last = self.bits.len().checked_sub(GAP)?;
        // Highest power from each bin to the end.
        let mut above = self.bits.clone();
        for bin in (1..above.len()).rev() {
            above[bin - 1] = above[bin - 1].max(above[bin]);
        }
        let bin = (HALF..last).find(|&bin| {
            let below = median(&self.bits[bin + 1 - HALF..=bin]);
            below - above[bin + GAP] >= CLIFF_BITS
        })?;
        let fall = |bin: &usize| self.bits[*bin] - self.bits[*bin + 1];
        (bin..bin + GAP)
            .max_by(|a, b| fall(a).total_cmp(&fall(b)))
            .map(|bin| self.edge(bin))
    }

    /// Where the ground sinks into a flat floor, to twice its power; `length` bins at least.
    fn floor(&self, length: usize) -> Option<f64> {
        let floor = &self.bits[self.bits.len().checked_sub(FLOOR_BINS)?..];
        let level = median(floor);
        if slope(floor).abs() > FLOOR_SLOPE || self.largest - level < FLOOR_BITS {
            return None;
        }
        let ground = self.bits.iter().rposition(|bits| *bits >= level + 1.0);
        let ground = ground.unwrap_or(0);
        (self.bits.len() - 1 - ground >= length).then(|| self.edge(ground))
    }

    /// Whether the ground ends before the wave number of a beat, as it does when samples are that
    /// far apart: power all but vanishes there, or is far less than the law of longer waves has it.
    fn ends_before(&self, beat: usize) -> bool {
        let mean = |apart: RangeInclusive<usize>| {
            let near = self.by_wave.iter().enumerate();
            let near = near.filter(|(wave, _)| apart.contains(&wave.abs_diff(beat)));
            let (sum, count) = near.fold((0.0, 0.0), |(sum, n), (_, p)| (sum + p, n + 1.0));
            sum / f64::max(count, 1.0)
        };
        let vanishes = mean(0..=2) < VANISHING * mean(beat / 20..=beat / 8);
        vanishes || self.missing_bits(beat as f64) > MISSING_BITS
    }

    /// Bits by which power at a degree lies below the law that it follows two octaves before.
    fn missing_bits(&self, degree: f64) -> f64 {
        let bin = |degree: f64| {
            let below_top = (self.top / degree).log2() * BINS as f64;
            (self.bits.len() - 1).saturating_sub(below_top as usize)
        };
        let (from, to, at) = (bin(degree / 8.0), bin(degree / 3.0), bin(degree));
        let before = &self.bits[from..=to];
        let octaves = (at as f64 - 0.5 * (from + to) as f64) / BINS as f64;
        let natural = before.iter().sum::<f64>() / before.len() as f64
            + slope(before).clamp(-4.5, -1.5) * octaves;
        natural - 0.5 * (self.bits[at] + self.bits[at.saturating_sub(1)])
    }
}

/// Slope of equally spaced bins, in powers of the degree.
fn slope(bits: &[f64]) -> f64 {
    let middle = 0.5 * (bits.len() as f64 - 1.0);
    let (mut up, mut across) = (0.0, 0.0);
    for (i, bits) in bits.iter().enumerate() {
        let x = (i as f64 - middle) / BINS as f64;
        up += x * bits;
        across += x * x;
    }
    up / across
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    if sorted.len().is_multiple_of(2) {
        0.5 * (sorted[middle - 1] + sorted[middle])
    } else {
        sorted[middle]
    }
}

/// Fourier transforms of rows of one length, without vector instructions: the same bits on every
/// machine.
pub(crate) struct Fourier {
    forward: Arc<dyn Fft<f64>>,
    inverse: Arc<dyn Fft<f64>>,
    buffer: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

impl Fourier {
    pub fn new(length: usize) -> Fourier {
        let mut planner = FftPlannerScalar::new();
        let forward = planner.plan_fft_forward(length);
        let inverse = planner.plan_fft_inverse(length);
        let room = [&forward, &inverse].map(|fft| fft.get_inplace_scratch_len());
        Fourier {
            buffer: vec![Complex::default(); length],
            scratch: vec![Complex::default(); room[0].max(room[1])],
            forward,
            inverse,
        }
    }

    /// Two parts of a row, of which each wave number has the shares that `shares` gives.
    pub fn bands(
        &mut self,
        line: &[f32],
        shares: impl Fn(usize) -> (f64, f64),
    ) -> (Vec<f64>, Vec<f64>) {
        let length = self.buffer.len();
        for (out, &h) in self.buffer.iter_mut().zip(line) {
            *out = Complex::new(f64::from(h), 0.0);
        }
        self.forward
            .process_with_scratch(&mut self.buffer, &mut self.scratch);
        // Shares are alike for waves either way, so one part stays real, the other imaginary.
        for m in 0..=length / 2 {
            let (a, b) = shares(m);
            let share = Complex::new(a, b) / length as f64;
            self.buffer[m] *= share;
            if m > 0 && m < length - m {
                self.buffer[length - m] *= share;
            }
        }
        self.inverse
            .process_with_scratch(&mut self.buffer, &mut self.scratch);
        self.buffer.iter().map(|z| (z.re, z.im)).unzip()
    }

    /// Power at every wave number of one row, or of two at a time as parts of complex numbers.
    fn powers(&mut self, pair: &[Vec<f32>]) -> Vec<Vec<f64>> {
        let second = pair.get(1);
        for (i, (out, &a)) in self.buffer.iter_mut().zip(&pair[0]).enumerate() {
            *out = Complex::new(f64::from(a), second.map_or(0.0, |b| f64::from(b[i])));
        }
        self.forward
            .process_with_scratch(&mut self.buffer, &mut self.scratch);
        let length = self.buffer.len();
        let parts = (0..=length / 2).map(|m| {
            let (z, w) = (self.buffer[m], self.buffer[(length - m) % length].conj());
            ((z + w).norm_sqr() / 4.0, (z - w).norm_sqr() / 4.0)
        });
        let (a, b): (Vec<f64>, Vec<f64>) = parts.unzip();
        if second.is_some() {
            vec![a, b]
        } else {
            vec![a]
        }
    }
}

/// Fields of chance with a known spectrum.
#[cfg(test)]
pub(crate) mod testing {
    use crate::model::grid::{Grid, Registration};
    use ndarray::Array2;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rustfft::num_complex::Complex;
    use std::f64::consts::{PI, TAU};

    /// An isotropic field on `rows` × 2 `rows` cells, up to and with `degree`, whose variance by
    /// degree is `power`; scaled to a standard deviation of 1000 m.
    pub fn field(rows: usize, degree: usize, seed: u64, power: impl Fn(f64) -> f64) -> Grid {
        let columns = 2 * rows;
        let amplitude: Vec<f64> = (0..=degree)
            .map(|l| (power(l as f64) / (2 * l + 1) as f64).sqrt())
            .collect();
        // A row is the sum over m of Σₗ aₗₘ P̄ₗₘ(sin φ) e^{imλ}.
        let mut waves = vec![vec![Complex::default(); columns]; rows];
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut normal = || {
            let (u, v): (f64, f64) = (random.random(), random.random());
            (-2.0 * (1.0 - u).ln()).sqrt() * (TAU * v).cos()
        };
        for m in 0..=degree {
            let chance: Vec<Complex<f64>> = (m..=degree)
                .map(|l| match l {
                    0 => Complex::default(),
                    _ => Complex::new(normal(), normal()) * amplitude[l],
                })
                .collect();
            for (row, wave) in waves.iter_mut().enumerate() {
                let sin = (PI * (0.5 - (row as f64 + 0.5) / rows as f64)).sin();
                wave[m] = legendre(m, degree, sin)
                    .zip(&chance)
                    .map(|(p, a)| *a * p)
                    .sum();
            }
        }
        let fft = rustfft::FftPlannerScalar::new().plan_fft_inverse(columns);
        let mut heights = Array2::zeros((rows, columns));
        for (mut line, mut wave) in heights.outer_iter_mut().zip(waves) {
            wave[0] *= 0.5;
            fft.process(&mut wave);
            line.iter_mut().zip(wave).for_each(|(h, z)| *h = z.re);
        }
        let scale = 1000.0 / heights.std(0.0);
        Grid {
            heights_m: heights.mapv(|h: f64| (h * scale) as f32),
            west_deg: 180.0 / columns as f64,
            registration: Registration::Pixel,
        }
    }

    /// Fully normalised associated Legendre functions of one order, by the recursion in degree
    /// (Holmes and Featherstone, Journal of Geodesy 76, 2002, eq. 11 and 12).
    fn legendre(m: usize, degree: usize, sin: f64) -> impl Iterator<Item = f64> {
        let cos = (1.0 - sin * sin).sqrt();
        let first = (1..=m).fold(1.0, |p, k| {
            let k = k as f64;
            p * cos
                * ((2.0 * k + 1.0) / (2.0 * k)).sqrt()
                * if k == 1.0 { 2f64.sqrt() } else { 1.0 }
        });
        let (mut before, mut now) = (0.0, first);
        (m..=degree).map(move |l| {
            let value = now;
            let (l, m) = (l as f64 + 1.0, m as f64);
            let a = ((2.0 * l - 1.0) * (2.0 * l + 1.0) / ((l - m) * (l + m))).sqrt();
            let b = ((2.0 * l + 1.0) * (l + m - 1.0) * (l - m - 1.0)
                / ((l - m) * (l + m) * (2.0 * l - 3.0)))
                .max(0.0)
                .sqrt();
            (before, now) = (
                now,
                a * sin * now - if l - 1.0 > m { b * before } else { 0.0 },
            );
            value
        })
    }
}

#[cfg(test)]
mod tests {
    use super::testing::field;
    use super::*;
    use crate::model::grid::{Grid, Registration};
    use ndarray::Array2;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn law(slope: i32) -> impl Fn(f64) -> f64 {
        move |l| l.max(1.0).powi(-slope)
    }

    fn rounded(mut grid: Grid) -> Grid {
        grid.heights_m.mapv_inplace(f32::round);
        grid
    }

    /// Means of two cells each way.
    fn averaged(grid: &Grid) -> Grid {
        let (rows, columns) = grid.heights_m.dim();
        let heights_m = Array2::from_shape_fn((rows / 2, columns / 2), |(row, column)| {
            let at = |i, j| grid.heights_m[(2 * row + i, 2 * column + j)];
            (at(0, 0) + at(0, 1) + at(1, 0) + at(1, 1)) / 4.0
        });
        Grid { heights_m, ..*grid }
    }

    /// `times` as many cells each way, by weights on the samples around.
    fn up_sampled(grid: &Grid, times: f64, kernel: fn(f64) -> f64) -> Grid {
        let (rows, columns) = grid.heights_m.dim();
        let finer = |cells: usize| (cells as f64 * times).round() as usize;
        let weights = |cell: usize| {
            let at = (cell as f64 + 0.5) / times - 0.5;
            let first = at.floor() as isize - 1;
            (first..first + 4).map(move |i| (i, kernel(at - i as f64)))
        };
        let heights_m = Array2::from_shape_fn((finer(rows), finer(columns)), |(y, x)| {
            let mut sum = 0.0;
            for (i, v) in weights(y) {
                for (j, w) in weights(x) {
                    let row = i.clamp(0, rows as isize - 1) as usize;
                    let column = j.rem_euclid(columns as isize) as usize;
                    sum += v * w * f64::from(grid.heights_m[(row, column)]);
                }
            }
            sum as f32
        });
        Grid { heights_m, ..*grid }
    }

    fn nearest(t: f64) -> f64 {
        if (-0.5..0.5).contains(&t) { 1.0 } else { 0.0 }
    }

    fn bilinear(t: f64) -> f64 {
        (1.0 - t.abs()).max(0.0)
    }

    /// Keys, IEEE Transactions on Acoustics 29 (1981), with a = −½.
    fn bicubic(t: f64) -> f64 {
        let t = t.abs();
        if t <= 1.0 {
            1.5 * t * t * t - 2.5 * t * t + 1.0
        } else if t < 2.0 {
            -0.5 * t * t * t + 2.5 * t * t - 4.0 * t + 2.0
        } else {
            0.0
        }
    }

    #[test]
    fn ground_to_the_last_cell_is_resolved_to_its_cells() {
        for slope in [2, 3, 4] {
            let grid = field(240, 239, slope as u64, law(slope));
            let found = resolved_deg(&grid);
            assert_eq!(found.why, Why::Cells, "l^-{slope}: {found:?}");
            assert_eq!((found.cell_deg, found.resolved_deg), (0.75, 0.75));
        }
        // Whole metres are finer than ground of these kinds.
        for slope in [2, 3] {
            let grid = rounded(field(240, 239, 5, law(slope)));
            assert_eq!(resolved_deg(&grid).why, Why::Cells);
        }
    }

    #[test]
    fn a_series_is_resolved_to_its_degree() {
        for slope in [2, 3, 4] {
            let cut = field(720, 100, 7, law(slope));
            // The ripple of the cut, three hundredths of the whole.
            let ripple = field(720, 100, 8, |l| if l == 100.0 { 1.0 } else { 0.0 });
            let rings = Grid {
                heights_m: &cut.heights_m + &(&ripple.heights_m * 0.03),
                ..cut
            };
            for grid in [rounded(cut.clone()), rounded(rings.clone()), cut, rings] {
                let found = resolved_deg(&grid);
                assert!(
                    (1.8 / 1.15..=1.8 * 1.15).contains(&found.resolved_deg),
                    "l^-{slope}: {found:?}"
                );
                assert_eq!(found.cell_deg, 0.25);
                assert!([Why::Series, Why::Noise].contains(&found.why));
            }
        }
    }

    #[test]
    fn an_interpolated_grid_is_resolved_to_what_it_came_from() {
        let kernels = [
            ("nearest", nearest as fn(f64) -> f64),
            ("bilinear", bilinear),
            ("bicubic", bicubic),
        ];
        for slope in [2, 3, 4] {
            let coarse = averaged(&field(240, 239, slope as u64 + 20, law(slope)));
            for (name, kernel) in kernels {
                for times in [1.5, 2.0, 2.5, 3.0, 4.0, 6.0] {
                    let grid = up_sampled(&coarse, times, kernel);
                    if slope < 4 {
                        // The last images of a smooth interpolation drown in whole metres.
                        let found = resolved_deg(&rounded(grid.clone())).resolved_deg;
                        assert!((0.75..=1.65).contains(&found), "{name} × {times}: {found}");
                    }
                    let found = resolved_deg(&grid);
                    // The coarse cell is 1.5°; a smooth interpolation falls a little before.
                    assert!(
                        (1.49..=1.69).contains(&found.resolved_deg),
                        "{name} × {times}, l^-{slope}: {found:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn ground_below_the_noise_is_not_resolved() {
        let mut random = ChaCha8Rng::seed_from_u64(4);
        let noise = Array2::from_shape_fn((360, 720), |_| random.random_range(-1f32..1.0));
        let mut grid = field(360, 359, 3, law(3));
        grid.heights_m = grid.heights_m + &noise * 40.0;
        let found = resolved_deg(&grid);
        assert_eq!(found.why, Why::Noise);
        assert!((1.0..4.0).contains(&found.resolved_deg), "{found:?}");
        // Ground that is nothing but noise stands far below nothing.
        grid.heights_m = noise;
        assert_eq!(resolved_deg(&grid).why, Why::Cells);
    }

    #[test]
    fn smooth_flat_and_small_grids_have_an_answer() {
        let grid = |rows: usize, columns: usize, f: fn(f64, f64) -> f64| {
            let layout = Layout {
                rows,
                columns,
                west_deg: 0.0,
                registration: Registration::Pixel,
            };
            Grid {
                heights_m: Array2::from_shape_fn((rows, columns), |(row, column)| {
                    let (lat, lon) = (layout.lat_deg(row), layout.lon_deg(column));
                    f(lat.to_radians(), lon.to_radians()) as f32
                }),
                west_deg: 0.0,
                registration: Registration::Pixel,
            }
        };
        let flat = resolved_deg(&grid(90, 180, |_, _| 0.0));
        assert_eq!((flat.resolved_deg, flat.why), (2.0, Why::Cells));
        for (rows, columns) in [(1, 1), (1, 64), (2, 65), (3, 67), (90, 181), (33, 64)] {
            let small = resolved_deg(&grid(rows, columns, |lat, lon| lat.sin() + lon.cos()));
            assert!(small.resolved_deg >= small.cell_deg);
        }
        // Waves of degree 3 and nothing else.
        let smooth = resolved_deg(&grid(360, 720, |lat, lon| {
            3000.0 * lat.cos().powi(3) * (3.0 * lon).cos()
        }));
        assert!(smooth.resolved_deg > 3.0, "{smooth:?}");
    }
}
