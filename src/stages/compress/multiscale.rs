//! Brings out faint ground and calms rugged ground, scale by scale.
//!
//! The relief that the curve gives is taken apart into bands one octave wide, on the sphere; each
//! band is multiplied by a power of its own smoothed activity, and the bands are put together
//! again (Y. Li, L. Sharan, E. H. Adelson, "Compressing and companding high dynamic range images
//! with subband architectures", ACM Trans. Graph. 24, 2005, there for photographs):
//!
//! ```text
//! relief = coarsest + Σ gain_k · band_k      gain_k = weight_k · (activity_k / target_k)⁻ᴾ
//! ```
//!
//! Faint bands gain and strong ones lose. As the gain is as smooth as the activity, edges grow no
//! rings; as the power is below one, rugged ground stays more rugged than smooth ground. Three
//! things are added here:
//!
//! * **Reach.** The activity a band may come to is bounded softly by what a ball of the finishing
//!   bit's radius r can cut: a wave of width σ fits under it up to a height of about σ²/r.
//! * **Levelling.** Companding band by band blurs which ground is the more rugged. All bands of
//!   a place are multiplied by what brings its local deviation back to a rising function of the
//!   true one.
//! * **Resolution.** Bands finer than what the source resolves are calmed but never deepened, or
//!   its instrument's noise and the rings of its series would be carved.
//!
//! `detail` multiplies the logarithm of all gains: 0 is the curve alone, 1 the boldest.

use crate::figures::{Figures, Judge};
use crate::grid::Grid;
use crate::grid::Heights;
use crate::lattice::{Field, Interpolation, Pooling, moved, pooled, refined};
use crate::smoothing::Smoother;
use ndarray::Axis;
use rayon::prelude::*;

/// Standard deviation of the Gauss that ends the finest band, as a share of the bit's diameter.
const FINEST_OF_BIT: f64 = 0.16;

/// Bands reach up to this share of the globe's radius.
const COARSEST_OF_RADIUS: f64 = 0.33;

/// Activity is smoothed over this many times the width of its band.
const SMOOTHED_OVER: f64 = 2.0;

/// How strongly activities are evened out: 0 leaves them, 1 would make all ground alike.
const POWER: f64 = 0.8;

/// Activities below this are noise of the arithmetic and the source, mm.
const FLOOR_MM: f64 = 0.002;

/// Activity that a band of 2 mm keeps as it is, mm; it goes with the root of the width.
const TARGET_MM: f64 = 0.1;

/// Most that the power alone may deepen a band.
const MOST: f64 = 15.0;

/// Weights of bands of 0.5, 1, 2 … mm: most where the eye finds form and the bit still reaches.
const WEIGHTS: [f64; 7] = [1.5, 2.8, 3.7, 3.2, 2.5, 1.4, 1.0];

/// A band's activity comes to no more than this times σ²/r, nor than the slope times σ.
const REACH_OF_BALL: f64 = 0.25;
const REACH_OF_SLOPE: f64 = 0.2;

/// How much of a departure from the order of ruggedness is taken back.
const LEVELLED: f64 = 0.6;

/// Bands up to this width are levelled, mm: those that make the deviation within a window.
const LEVELLED_UP_TO_MM: f64 = 10.0;

/// Gauss over which the levelling changes, mm.
const LEVELLED_OVER_MM: f64 = 2.0;

/// A band is deepened in full if its width is at least this many finest resolved half waves: the
/// rings of a series' cut are then no more than two per cent of it.
const RESOLVED: f64 = 1.78;

/// Limits that the automatic detail holds.
const LEAST_ROUGH_ORDER: f64 = 0.90;
const LEAST_LONG_ORDER: f64 = 0.98;
const LEAST_ORDER_KEPT: f64 = 0.99;
const MOST_BIT_LEAVES: f64 = 0.02;
const MOST_OVER_45: f64 = 0.01;

/// Calmer and calmer reach of the bands, tried in this order.
const CALM: [f64; 6] = [1.0, 0.7, 0.5, 0.35, 0.25, 0.18];

/// Halvings in which the boldest detail is looked for.
const HALVINGS: usize = 5;

/// Fewest rows of a lattice that is still worth smoothing on.
const LEAST_ROWS: usize = 16;

/// What the globe and its tools say to the method.
#[derive(Debug, Clone, Copy)]
pub struct Scale {
    /// Radius of the datum, mm.
    pub radius_mm: f64,
    /// Diameter of the finishing ball, mm.
    pub bit_mm: f64,
    /// Finest half wave that the source resolves, degrees of arc.
    pub resolved_deg: f64,
    /// Relief of the lowest and highest ground, mm.
    pub ends_mm: (f64, f64),
}

/// A relief in bands.
pub struct Bands<'a> {
    scale: Scale,
    judge: &'a Judge,
    /// The relief without its finest band, on the judge's lattice.
    low: Field,
    /// The relief itself there.
    whole: Field,
    /// The finest band's activity.
    finest: Field,
    /// From fine to coarse.
    bands: Vec<Band>,
    /// What is left below the coarsest band.
    coarsest: Field,
}

struct Band {
    sigma_mm: f64,
    /// The band itself.
    waves: Field,
    /// Its activity, on a lattice half as fine.
    activity: Field,
}

/// A relief put together again, ready to be given to every sample of the grid.
pub struct Companded {
    /// What the finest band is multiplied by.
    finest_gain: Field,
    /// What is added then.
    rest: Field,
}

/// How bold, how calm, and what comes of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// Between the curve alone and the boldest.
    pub detail: f64,
    /// What it looks like.
    pub figures: Figures,
}

fn smooth(field: &Field, sigma_rad: f64) -> Field {
    let (rows, columns) = field.shape();
    let smoother = Smoother::new(rows, columns);
    let waves = smoother.waves(|row, out| {
        out.iter_mut()
            .zip(field.values.row(row))
            .for_each(|(out, value)| *out = f64::from(*value));
    });
    Field {
        values: smoother
            .smoothed(&waves, sigma_rad)
            .mapv(|value| value as f32),
        west_deg: field.west_deg,
    }
}

/// Half as many rows and columns.
fn halved(field: &Field) -> Field {
    let (rows, columns) = field.shape();
    let half = |count: usize| (count / 2).max(LEAST_ROWS.min(count));
    pooled(
        field,
        half(rows),
        half(columns).next_multiple_of(2).min(columns),
    )
}

impl<'a> Bands<'a> {
    /// Takes the relief in mm of every sample apart; the judge knows the true ground.
    pub fn new(relief_mm: &Grid, judge: &'a Judge, scale: Scale) -> Bands<'a> {
        let rad = |mm: f64| mm / scale.radius_mm;
        let sigma0 = FINEST_OF_BIT * scale.bit_mm;
        let fine = judge.layout();
        let whole = crate::figures::of_grid(relief_mm, fine);
        let low = smooth(&whole, rad(sigma0));
        let finest = smooth(&residue(relief_mm, &low), rad(SMOOTHED_OVER * sigma0));
        let finest = finest.map(|square| square.max(0.0).sqrt());
        let (mut bands, mut from, mut sigma) = (Vec::new(), low.clone(), sigma0);
        while 2.0 * sigma <= COARSEST_OF_RADIUS * scale.radius_mm
            && from.shape().0 >= 2 * LEAST_ROWS
        {
            let wider = rad(3f64.sqrt() * sigma);
            let next = halved(&smooth(&from, wider));
            let waves = from.with(&refined(&next, &from), |fine, coarse| fine - coarse);
            sigma *= 2.0;
            let square = halved(&waves.map(|mm| mm * mm));
            let activity = smooth(&square, rad(SMOOTHED_OVER * sigma));
            bands.push(Band {
                sigma_mm: sigma,
                waves,
                activity: activity.map(|square| square.max(0.0).sqrt()),
            });
            from = next;
        }
        Bands {
            scale,
            judge,
            low,
            whole,
            finest,
            bands,
            coarsest: from,
        }
    }

    /// The boldest detail that holds all limits, and how calm the bands must be for it.
    fn boldest(&self) -> (Gains, Choice) {
        let mut best = None;
        for calm in CALM {
            let gains = self.gains(calm);
            let figures = self.figures(&gains, 1.0);
            let cut = figures.bit_leaves_share <= MOST_BIT_LEAVES
                && figures.over_45_share <= MOST_OVER_45;
            best = Some((gains, figures));
            if cut {
                break;
            }
        }
        let (gains, figures) = best.expect("at least one is tried");
        let mut choice = Choice {
            detail: 1.0,
            figures,
        };
        if holds(&figures) {
            return (gains, choice);
        }
        let (mut calm, mut bold) = (0.0, 1.0);
        for _ in 0..HALVINGS {
            let detail = 0.5 * (calm + bold);
            let figures = self.figures(&gains, detail);
            if holds(&figures) || !keeps_order(&figures) && detail < 0.05 {
                (calm, choice) = (detail, Choice { detail, figures });
            } else if keeps_order(&figures) {
                // Too calm to be cut, and yet in order: bolder is calmer here.
                calm = detail;
                choice = Choice { detail, figures };
            } else {
                bold = detail;
            }
        }
        (gains, choice)
    }

    /// The relief with a detail, or with the boldest that holds all limits.
    pub fn companded(&self, detail: Option<f64>) -> (Companded, Choice) {
        let (gains, choice) = match detail {
            None => self.boldest(),
            Some(detail) => {
                let (gains, _) = self.calmest_needed();
                let figures = self.figures(&gains, detail);
                (gains, Choice { detail, figures })
            }
        };
        let (finest_gain, sum) = self.sum(&gains, choice.detail);
        let fine = finest_gain.with(&self.low, |gain, low| gain * low);
        let companded = Companded {
            rest: sum.with(&fine, |sum, fine| sum - fine),
            finest_gain,
        };
        (companded, choice)
    }

    /// The gains at the reach that the bit and the slopes ask for at the boldest.
    fn calmest_needed(&self) -> (Gains, Figures) {
        let mut found = None;
        for calm in CALM {
            let gains = self.gains(calm);
            let figures = self.figures(&gains, 1.0);
            let enough = figures.bit_leaves_share <= MOST_BIT_LEAVES
                && figures.over_45_share <= MOST_OVER_45;
            found = Some((gains, figures));
            if enough {
                break;
            }
        }
        found.expect("at least one is tried")
    }

    /// The figures of a detail.
    fn figures(&self, gains: &Gains, detail: f64) -> Figures {
        self.judge.figures(&self.relief(gains, detail))
    }

    /// The relief on the judge's lattice, brought to its ends.
    fn relief(&self, gains: &Gains, detail: f64) -> Field {
        let (finest_gain, sum) = self.sum(gains, detail);
        let fine = self.whole.with(&self.low, |whole, low| whole - low);
        let fine = fine.with(&finest_gain, |fine, gain| fine * gain);
        let mut relief = sum.with(&fine, |sum, fine| sum + fine);
        to_ends(
            relief.values.as_slice_mut().unwrap_or(&mut []),
            self.scale.ends_mm,
        );
        relief
    }

    /// The finest band's gain, and the sum of all other bands with theirs.
    fn sum(&self, gains: &Gains, detail: f64) -> (Field, Field) {
        let applied = |log_gain: &Field| {
            let calm = (2.0 * detail).min(1.0) as f32;
            let bold = detail as f32;
            log_gain.map(|log| (log.max(0.0) * bold + log.min(0.0) * calm).exp())
        };
        let mut sum = self.coarsest.clone();
        for (band, log_gain) in self.bands.iter().zip(&gains.bands).rev() {
            let gain = refined(&applied(log_gain), &band.waves);
            let deepened = band.waves.with(&gain, |mm, gain| mm * gain);
            sum = deepened.with(&refined(&sum, &deepened), |mm, coarser| mm + coarser);
        }
        (applied(&gains.finest), sum)
    }

    /// Logarithms of all gains at full detail.
    fn gains(&self, calm: f64) -> Gains {
        let sigma0 = FINEST_OF_BIT * self.scale.bit_mm;
        let mut gains = Gains {
            finest: self.log_gain(&self.finest, sigma0, calm),
            bands: (self.bands.iter())
                .map(|band| self.log_gain(&band.activity, band.sigma_mm, calm))
                .collect(),
        };
        let level = self.levelling(&gains);
        let resolved_mm = self.scale.resolved_deg.to_radians() * self.scale.radius_mm;
        let add = |log_gain: &mut Field, sigma_mm: f64| {
            if sigma_mm <= LEVELLED_UP_TO_MM {
                *log_gain = log_gain.with(&moved(&level, log_gain), |log, level| log + level);
            }
            // From half to full over an octave, so that no band comes out at a stroke.
            let octaves = (sigma_mm / (RESOLVED * resolved_mm)).log2();
            let deepened = (1.0 + octaves).clamp(0.0, 1.0) as f32;
            *log_gain = log_gain.map(|log| log.min(0.0) + deepened * log.max(0.0));
        };
        add(&mut gains.finest, sigma0);
        for (log_gain, band) in gains.bands.iter_mut().zip(&self.bands) {
            add(log_gain, band.sigma_mm);
        }
        gains
    }

    /// The companding of one band.
    fn log_gain(&self, activity: &Field, sigma_mm: f64, calm: f64) -> Field {
        let target = TARGET_MM * (sigma_mm / 2.0).sqrt();
        let weight = weight(sigma_mm);
        let ball_mm = 0.5 * self.scale.bit_mm;
        let reach =
            calm * (REACH_OF_BALL * sigma_mm * sigma_mm / ball_mm).min(REACH_OF_SLOPE * sigma_mm);
        activity.map(|activity| {
            let activity = f64::from(activity);
            let power = ((activity + FLOOR_MM) / target).powf(-POWER);
            let gain = power.min(MOST) * weight;
            let past = activity * gain / reach;
            (gain / (1.0 + past * past).sqrt()).ln() as f32
        })
    }

    /// What brings local deviations back to the order of the true ones, as a logarithm.
    fn levelling(&self, gains: &Gains) -> Field {
        let relief = self.relief(gains, 1.0);
        let departure = self.judge.departure(&relief);
        let smooth = smooth(&departure, LEVELLED_OVER_MM / self.scale.radius_mm);
        smooth.map(|log| LEVELLED as f32 * log)
    }
}

/// Logarithms of the gains of all bands.
struct Gains {
    finest: Field,
    bands: Vec<Field>,
}

fn keeps_order(figures: &Figures) -> bool {
    figures.rough_order >= LEAST_ROUGH_ORDER
        && figures.long_order >= LEAST_LONG_ORDER
        && figures.order_kept >= LEAST_ORDER_KEPT
}

fn holds(figures: &Figures) -> bool {
    keeps_order(figures)
        && figures.bit_leaves_share <= MOST_BIT_LEAVES
        && figures.over_45_share <= MOST_OVER_45
}

/// The weight of a band.
fn weight(sigma_mm: f64) -> f64 {
    let place = (sigma_mm / 0.5)
        .log2()
        .clamp(0.0, WEIGHTS.len() as f64 - 1.0);
    let before = (place as usize).min(WEIGHTS.len() - 2);
    let part = place - before as f64;
    WEIGHTS[before] + part * (WEIGHTS[before + 1] - WEIGHTS[before])
}

/// The square of what a field lacks of the relief, averaged to its lattice.
fn residue(relief_mm: &Grid, low: &Field) -> Field {
    let way = Interpolation::new(low.layout(), relief_mm.layout());
    let (rows, columns) = low.shape();
    let pooling = Pooling::new(relief_mm.layout(), rows, columns);
    pooling.pooled(relief_mm.columns(), |row, out| {
        way.row(low, row, out);
        for (out, mm) in out.iter_mut().zip(relief_mm.heights_m.row(row)) {
            *out = (mm - *out) * (mm - *out);
        }
    })
}

impl Companded {
    /// Gives every sample its relief, in the place of what the curve made of it; the lowest and
    /// the highest land on the ends.
    pub fn give(&self, relief_mm: &mut Grid, ends_mm: (f64, f64)) {
        let layout = relief_mm.layout();
        let way = Interpolation::new(self.rest.layout(), layout);
        relief_mm
            .heights_m
            .axis_iter_mut(Axis(0))
            .into_par_iter()
            .enumerate()
            .for_each_init(
                || (vec![0f32; layout.columns], vec![0f32; layout.columns]),
                |(gain, rest), (row, mut line)| {
                    way.row(&self.finest_gain, row, gain);
                    way.row(&self.rest, row, rest);
                    for ((mm, gain), rest) in line.iter_mut().zip(gain.iter()).zip(rest.iter()) {
                        *mm = *mm * gain + rest;
                    }
                },
            );
        if let Some(all) = relief_mm.heights_m.as_slice_mut() {
            to_ends(all, ends_mm);
        }
    }
}

/// Stretches values so that the least and the greatest land on two ends.
fn to_ends(values: &mut [f32], (lowest, highest): (f64, f64)) {
    let ends = values
        .par_chunks(1 << 14)
        .map(|part| {
            part.iter().fold((f32::MAX, f32::MIN), |(low, high), &mm| {
                (low.min(mm), high.max(mm))
            })
        })
        .reduce(|| (f32::MAX, f32::MIN), |a, b| (a.0.min(b.0), a.1.max(b.1)));
    let (low, high) = (f64::from(ends.0), f64::from(ends.1));
    if high <= low {
        return;
    }
    let factor = (highest - lowest) / (high - low);
    values.par_iter_mut().for_each(|mm| {
        let stretched = lowest + factor * (f64::from(*mm) - low);
        *mm = stretched.clamp(lowest, highest) as f32;
    });
}
