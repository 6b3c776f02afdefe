//! Brings out faint ground and calms rugged ground, scale by scale.
//!
//! The relief that the curve gives is taken apart into bands one octave wide, on the sphere; each
//! band is multiplied by a power of its own smoothed activity, and the bands are put together
//! again (Y. Li, L. Sharan, E. H. Adelson, "Compressing and companding high dynamic range images
//! with subband architectures", ACM Trans. Graph. 24, 2005, there for photographs):
//!
//! ```text
//! relief = coarsest + Σ gain_k · band_k      gain_k² = 1 + (detail · weight_k · (activity_k / target_k)⁻ᴾ)²
//! ```
//!
//! Faint bands gain; strong ones are left as the curve made them, so that rugged ground keeps its
//! forms and its order of heights. As the gain is as smooth as the activity, edges grow no rings.
//! Four things are added here:
//!
//! * **Reach.** The activity a band may come to is bounded softly by what a ball of the finishing
//!   bit's radius r can cut: a wave of width σ fits under it up to a height of about σ²/r.
//! * **Levelling.** Companding band by band blurs which ground is the more rugged. All bands of
//!   a place are multiplied by a part of what brings its local deviation back to a rising function
//!   of the true one.
//! * **Resolution.** Bands finer than what the source resolves are calmed but never deepened, or
//!   its instrument's noise and the rings of its series would be carved.
//! * **Form.** Bands wider than a few mm stay as they are: eye and hand find large forms by
//!   themselves, and changing them would turn hills into hollows.
//!
//! `detail` is the one dial: 0 is the curve alone, 1 the boldest.

use super::limit_slope;
use crate::model::extremes::ends;
use crate::model::grid::{Grid, Heights};
use crate::model::parallel;
use crate::sphere::figures::{Figures, Judge};
use crate::sphere::lattice::{Field, Interpolation, Pooling, moved, pooled, refined, rounded};
use crate::sphere::smoothing::Smoother;
use ndarray::Axis;
use rayon::prelude::*;
use std::sync::{Arc, OnceLock};

/// Standard deviation of the Gauss that ends the finest band, as a share of the bit's diameter.
const FINEST_OF_BIT: f64 = 0.16;

/// Bands up to the first of these widths are companded in full, mm, and those of an octave more by
/// the share that is left.
const FORM_MM: f64 = 2.1;
const FADING_PER_OCTAVE: f64 = 1.0;

/// Activity is smoothed over this many times the width of its band.
const SMOOTHED_OVER: f64 = 2.0;

/// How strongly faint activities are evened out: 0 leaves them, 1 would make all ground alike.
const POWER: f64 = 0.8;

/// Activities below this are noise of the arithmetic and the source, mm.
const FLOOR_MM: f64 = 0.002;

/// Activity that counts as faint in a band of 2 mm, mm; it goes with the root of the width.
const TARGET_MM: f64 = 0.1;

/// Most that a band may be deepened.
const MOST: f64 = 15.0;

/// Weights of bands of 0.5, 1, 2 and 4 mm: most where the eye finds form and the bit still reaches,
/// and together so much that the boldest leaves plains beside a scarp within 5 % of its step.
const WEIGHTS: [f64; 4] = [0.8, 1.7, 1.75, 1.5];

/// A band's activity comes to no more than this times σ²/r, nor than the slope times σ.
const REACH_OF_BALL: f64 = 0.28;
const REACH_OF_SLOPE: f64 = 0.2;

/// How much more of a departure from the order of ruggedness is taken back at a time, where that
/// order is not kept by itself.
const LEVELLED_MORE: f64 = 0.2;

/// Less reach at a time where slopes or the bit ask for it.
const CALMER: f64 = 0.75;

/// Times that calmer or more level ground is tried.
const TEMPERED: usize = 6;

/// Gauss over which the levelling changes, mm.
const LEVELLED_OVER_MM: f64 = 2.0;

/// A band is deepened in full if its width is at least this many finest resolved half waves: the
/// rings of a series' cut are then no more than two per cent of it.
const RESOLVED: f64 = 1.78;

/// Share of neighbouring heights whose order laying back steep slopes may cost afterwards.
const ORDER_OF_SLOPES: f64 = 0.0005;

/// Limits that the automatic detail holds.
const LIMITS: OrderLimits = OrderLimits {
    rough: 0.90,
    long: 0.98,
    kept: 0.99 + ORDER_OF_SLOPES,
};
const MOST_BIT_LEAVES: f64 = 0.02;
const MOST_OVER_45: f64 = 0.01;

/// Details that are tried in the search for the boldest.
const PROBES: usize = 4;

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

/// A relief in bands, from which it is put together with any detail.
pub struct Bands {
    scale: Scale,
    judge: Arc<Judge>,
    /// The relief without its finest band, on the judge's lattice.
    low: Field,
    /// The relief itself there.
    whole: Field,
    /// The finest band's activity.
    finest: Field,
    /// From fine to coarse.
    bands: Vec<Octave>,
    /// What is left below the coarsest band.
    coarsest: Field,
    /// What holds the boldest back, its figures and the limits it was held to; the same for every
    /// detail, and found when the first is asked for.
    tempered: OnceLock<(Temper, Figures, OrderLimits)>,
}

struct Octave {
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
pub struct DetailChoice {
    /// Between the curve alone and the boldest.
    pub detail: f64,
    /// What it looks like.
    pub figures: Figures,
}

fn smooth(field: &Field, sigma_rad: f64) -> Field {
    let (rows, columns) = field.shape();
    let smooth = Smoother::new(rows, columns).smooth(&field.values, sigma_rad);
    field.by_rows(|row, out| rounded(smooth.row(row), out))
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

impl Bands {
    /// Takes the relief in mm of every sample apart; the judge knows the true ground.
    pub fn new(relief_mm: &Grid, judge: Arc<Judge>, scale: Scale) -> Bands {
        let rad = |mm: f64| mm / scale.radius_mm;
        let sigma0 = FINEST_OF_BIT * scale.bit_mm;
        let fine = judge.layout();
        let whole = crate::sphere::figures::of_grid(relief_mm, fine);
        let low = smooth(&whole, rad(sigma0));
        let finest = smooth(&residue(relief_mm, &low), rad(SMOOTHED_OVER * sigma0));
        let finest = finest.map(|square| square.max(0.0).sqrt());
        let (mut bands, mut from, mut sigma) = (Vec::new(), low.clone(), sigma0);
        while share(2.0 * sigma) > 0.0 && from.shape().0 >= 2 * LEAST_ROWS {
            let wider = rad(3f64.sqrt() * sigma);
            let next = halved(&smooth(&from, wider));
            let waves = from.with(&refined(&next, &from), |fine, coarse| fine - coarse);
            sigma *= 2.0;
            let square = halved(&waves.map(|mm| mm * mm));
            let activity = smooth(&square, rad(SMOOTHED_OVER * sigma));
            bands.push(Octave {
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
            tempered: OnceLock::new(),
        }
    }

    /// How calm and how level bands must be for the boldest to be cut and to keep the order of
    /// ruggedness, as far as they can.
    fn tempered(&self) -> (Temper, Figures, OrderLimits) {
        let (mut calm, mut levelled) = (1.0, 0.0f64);
        let mut temper = Temper { calm, level: None };
        let mut departure = None;
        let mut figures = self.figures(&temper, 1.0);
        let limits = match LIMITS.excess(&figures) > 0.0 {
            true => LIMITS.at_most(&self.figures(&temper, 0.0)),
            false => LIMITS,
        };
        for _ in 0..TEMPERED {
            let (can_be_cut, in_order) =
                (can_be_cut(&figures), figures.rough_order >= limits.rough);
            if can_be_cut && in_order {
                break;
            }
            if !can_be_cut {
                calm *= CALMER;
                departure = None;
            }
            levelled += if in_order { 0.0 } else { LEVELLED_MORE };
            temper = self.temper(calm, levelled.min(1.0), &mut departure);
            figures = self.figures(&temper, 1.0);
        }
        (temper, figures, limits)
    }

    /// The boldest detail that keeps the order of ruggedness and of heights: where a line through
    /// the excesses of the last too bold and the last good one crosses 0, a few times (the rule of
    /// false position, with half of an end's excess where it stays: M. Dowell and P. Jarratt,
    /// "A modified regula falsi method", BIT 11, 1971).
    fn boldest(&self, temper: &Temper, figures: Figures, limits: &OrderLimits) -> DetailChoice {
        let mut choice = DetailChoice {
            detail: 1.0,
            figures,
        };
        let (mut good, mut bold) = ((0.0, -1.0), (1.0, limits.excess(&figures)));
        if bold.1 <= 0.0 {
            return choice;
        }
        let mut found = false;
        for _ in 0..PROBES {
            let detail: f64 = good.0 + (bold.0 - good.0) * good.1 / (good.1 - bold.1);
            // As it would be written in a job.
            let detail = (1000.0 * detail).floor() / 1000.0;
            let figures = self.figures(temper, detail);
            let excess = limits.excess(&figures);
            if excess <= 0.0 || !found {
                choice = DetailChoice { detail, figures };
            }
            if excess <= 0.0 {
                found = true;
                good = (detail, excess);
                bold.1 *= 0.5;
            } else {
                bold = (detail, excess);
                good.1 *= 0.5;
            }
        }
        choice
    }

    /// The relief with a detail, or with the boldest that holds all limits.
    pub fn companded(&self, detail: Option<f64>) -> (Companded, DetailChoice) {
        let (temper, figures, limits) = self.tempered.get_or_init(|| self.tempered());
        let choice = match detail {
            None => self.boldest(temper, *figures, limits),
            Some(detail) => DetailChoice {
                detail,
                figures: self.figures(temper, detail),
            },
        };
        let (finest_gain, sum) = self.sum(temper, choice.detail);
        let fine = finest_gain.with(&self.low, |gain, low| gain * low);
        let companded = Companded {
            rest: sum.with(&fine, |sum, fine| sum - fine),
            finest_gain,
        };
        (companded, choice)
    }

    /// The figures of a detail.
    fn figures(&self, temper: &Temper, detail: f64) -> Figures {
        let mut relief = self.relief(temper, detail).into_grid();
        lay_back(&mut relief, self.scale.radius_mm);
        self.judge.figures(&Field::from(relief))
    }

    /// The relief on the judge's lattice, brought to its ends.
    fn relief(&self, temper: &Temper, detail: f64) -> Field {
        let (finest_gain, sum) = self.sum(temper, detail);
        let fine = self.whole.with(&self.low, |whole, low| whole - low);
        let fine = fine.with(&finest_gain, |fine, gain| fine * gain);
        let mut relief = sum.with(&fine, |sum, fine| sum + fine);
        let all = relief.values.as_slice_mut().unwrap_or_default();
        to_ends(all, self.scale.ends_mm);
        relief
    }

    /// The finest band's gain, and the sum of all other bands with theirs.
    fn sum(&self, temper: &Temper, detail: f64) -> (Field, Field) {
        let mut sum = self.coarsest.clone();
        for band in self.bands.iter().rev() {
            let gain = self.gain(&band.activity, band.sigma_mm, temper, detail);
            let gain = refined(&gain, &band.waves);
            let deepened = band.waves.with(&gain, |mm, gain| mm * gain);
            sum = deepened.with(&refined(&sum, &deepened), |mm, coarser| mm + coarser);
        }
        let finest_mm = FINEST_OF_BIT * self.scale.bit_mm;
        (self.gain(&self.finest, finest_mm, temper, detail), sum)
    }

    /// What a band is multiplied by.
    fn gain(&self, activity: &Field, sigma_mm: f64, temper: &Temper, detail: f64) -> Field {
        let target = TARGET_MM * (sigma_mm / 2.0).sqrt();
        let (weight, share) = (detail * weight(sigma_mm), share(sigma_mm));
        // Calm at half the detail already: what the bit cannot reach is no use in any.
        let calmed = (2.0 * detail).min(1.0);
        let ball_mm = 0.5 * self.scale.bit_mm;
        let reach = temper.calm
            * (REACH_OF_BALL * sigma_mm * sigma_mm / ball_mm).min(REACH_OF_SLOPE * sigma_mm);
        let resolved_mm = self.scale.resolved_deg.to_radians() * self.scale.radius_mm;
        // From half to full over an octave, so that no band comes out at a stroke.
        let octaves = (sigma_mm / (RESOLVED * resolved_mm)).log2();
        let resolved = (1.0 + octaves).clamp(0.0, 1.0);
        let log = |activity: f64| {
            let power = ((activity + FLOOR_MM) / target).powf(-POWER);
            let deepened = (power * weight).min(MOST);
            let bold = 0.5 * share * (1.0 + deepened * deepened).ln();
            let past = activity * bold.exp() / reach;
            bold - calmed * 0.5 * (1.0 + past * past).ln()
        };
        let (_, most) = ends(activity.values.as_slice().unwrap_or_default());
        let log = tabled(most, &log);
        let with = |activity: f32, level: f32| {
            let log = log(activity) + calmed * share * f64::from(level);
            (log.min(0.0) + resolved * log.max(0.0)).exp() as f32
        };
        match &temper.level {
            Some(level) => activity.with(&moved(level, activity), with),
            None => activity.map(|activity| with(activity, 0.0)),
        }
    }

    /// A temper with what brings local deviations back towards the order of the true ones;
    /// `departure` is how far they have left it when no more is done than to calm, once known.
    fn temper(&self, calm: f64, levelled: f64, departure: &mut Option<Field>) -> Temper {
        let plain = Temper { calm, level: None };
        if levelled == 0.0 {
            return plain;
        }
        let departure = departure.get_or_insert_with(|| {
            let departure = self.judge.departure(&self.relief(&plain, 1.0));
            smooth(&departure, LEVELLED_OVER_MM / self.scale.radius_mm)
        });
        Temper {
            calm,
            level: Some(departure.map(|log| levelled as f32 * log)),
        }
    }
}

/// A smooth function of activities up to `most`, from a table: samples are many, and logarithms
/// slow. [`KNOTS`] to the octave leave less than a part in 100,000.
fn tabled(most: f32, log: &(dyn Fn(f64) -> f64 + Sync)) -> impl Fn(f32) -> f64 + Sync {
    // The upper bits of a float count octaves and even parts of them.
    let bits = |activity: f32| (activity + FLOOR_MM as f32).to_bits();
    let between = f32::MANTISSA_DIGITS - 1 - KNOTS.ilog2();
    let first = bits(0.0) >> between;
    let knots: Vec<f64> = (first..=(bits(most.max(0.0)) >> between) + 1)
        .map(|knot| log(f64::from(f32::from_bits(knot << between)) - FLOOR_MM))
        .collect();
    move |activity| {
        let bits = bits(activity);
        let knot = (bits >> between).saturating_sub(first) as usize;
        let part = f64::from(bits & ((1 << between) - 1)) / f64::from(1u32 << between);
        match knots.get(knot..knot + 2) {
            Some(&[here, next]) => part.mul_add(next - here, here),
            _ => log(f64::from(activity)),
        }
    }
}

/// How bands are held back.
struct Temper {
    /// Share of the reach that a band may come to.
    calm: f64,
    /// What all bands of a place are multiplied by, as a logarithm.
    level: Option<Field>,
}

fn can_be_cut(figures: &Figures) -> bool {
    figures.bit_leaves_share <= MOST_BIT_LEAVES && figures.over_45_share <= MOST_OVER_45
}

/// The least that may be kept of the order of ruggedness, of large forms and of heights.
struct OrderLimits {
    rough: f64,
    long: f64,
    kept: f64,
}

impl OrderLimits {
    /// No stricter than the curve alone, which says nothing of the detail: on bodies far from round
    /// it may itself make high rugged ground smoother than low smooth ground.
    fn at_most(&self, curve: &Figures) -> OrderLimits {
        OrderLimits {
            rough: self.rough.min(curve.rough_order),
            long: self.long.min(curve.long_order),
            kept: self.kept.min(curve.order_kept),
        }
    }

    /// By how much the worst of them is too little, against what may be lost of it.
    fn excess(&self, figures: &Figures) -> f64 {
        let of = |least: f64, value: f64| (least - value) / (1.0 - least).max(1e-9);
        of(self.rough, figures.rough_order)
            .max(of(self.long, figures.long_order))
            .max(of(self.kept, figures.order_kept))
    }
}

/// How much of the companding a band gets: all, or less the more it makes of the large forms.
fn share(sigma_mm: f64) -> f64 {
    (1.0 - FADING_PER_OCTAVE * (sigma_mm / FORM_MM).log2()).clamp(0.0, 1.0)
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
    pub fn give(&self, relief_mm: &mut Grid, scale: &Scale) {
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
            to_ends(all, scale.ends_mm);
        }
        lay_back(relief_mm, scale.radius_mm);
    }
}

/// Slopes that [`lay_back`] leaves, degrees; in directions between those of the lattice up to a
/// tenth less, so that hardly any is steeper than 45: with 48, 1.2 % of Earth were.
const STEEPEST_DEG: f64 = 47.0;

/// Lays back walls that look torn and that a ball-nose bit cuts badly.
fn lay_back(relief_mm: &mut Grid, radius_mm: f64) {
    limit_slope(relief_mm, radius_mm, STEEPEST_DEG);
}

/// Knots to the octave in tables of activity.
const KNOTS: u32 = 256;

/// Values that a thread takes at a time.
const SAMPLES_AT_ONCE: usize = 1 << 14;

/// Stretches values so that the least and the greatest land on two ends.
fn to_ends(values: &mut [f32], (lowest, highest): (f64, f64)) {
    let (low, high) = ends(values);
    let (low, high) = (f64::from(low), f64::from(high));
    if high <= low {
        return;
    }
    let factor = (highest - lowest) / (high - low);
    parallel::chunks(values, SAMPLES_AT_ONCE, &|_, part| {
        for mm in part {
            let stretched = lowest + factor * (f64::from(*mm) - low);
            *mm = stretched.clamp(lowest, highest) as f32;
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;
    use crate::sphere::resolution::resolved_deg;
    use crate::testing::grid_of;
    use approx::assert_abs_diff_eq;
    use glam::DVec3;

    const RADIUS_MM: f64 = 100.0;

    /// Of a relief on the test's ball, with its own ends.
    fn scale(relief_mm: &Grid, resolved_deg: f64) -> Scale {
        let all = relief_mm.heights_m.iter();
        let ends = all.fold((f32::MAX, f32::MIN), |(low, high), mm| {
            (low.min(*mm), high.max(*mm))
        });
        Scale {
            radius_mm: RADIUS_MM,
            bit_mm: 3.175,
            resolved_deg,
            ends_mm: (f64::from(ends.0), f64::from(ends.1)),
        }
    }

    /// What the method makes of heights carved straight at so many mm per km.
    fn made(ground: &Grid, mm_per_km: f64, detail: f64, resolved_deg: f64) -> (Grid, Grid) {
        let mut relief = ground.clone();
        relief
            .heights_m
            .mapv_inplace(|m| (f64::from(m) * mm_per_km / 1000.0) as f32);
        let scale = scale(&relief, resolved_deg);
        let judge = Arc::new(Judge::new(ground, RADIUS_MM, 3.175));
        let straight = relief.clone();
        let (companded, _) = Bands::new(&straight, judge, scale).companded(Some(detail));
        companded.give(&mut relief, &scale);
        (straight, relief)
    }

    fn most_apart(one: &Grid, two: &Grid) -> f32 {
        let pairs = one.heights_m.iter().zip(&two.heights_m);
        pairs.fold(0.0, |most, (a, b)| most.max((a - b).abs()))
    }

    /// Plains that are faintly rough, about any axis.
    fn rough(d: DVec3) -> f64 {
        30.0 * (90.0 * d.x + 1.0).sin() * (70.0 * d.y).cos() + 20.0 * (120.0 * d.z + 2.0).sin()
    }

    #[test]
    fn tables_say_what_the_function_says() {
        let log = |activity: f64| {
            (1.0 + (activity / 0.05).powi(2)).ln() - 0.8 * (activity + FLOOR_MM).ln()
        };
        let table = tabled(3.0, &log);
        for i in 0..=30_000 {
            let activity = 3.0 * (i as f32 / 30_000.0).powi(3);
            assert_abs_diff_eq!(table(activity), log(f64::from(activity)), epsilon = 2e-5);
        }
        // Beyond its end, too.
        assert_abs_diff_eq!(table(50.0), log(50.0), epsilon = 1e-12);
        assert!(table(f32::NAN).is_nan());
    }

    #[test]
    fn no_detail_is_the_curve_alone() {
        let ground = grid_of(720, |d| 3000.0 * d.x + rough(d));
        let (straight, relief) = made(&ground, 1.0, 0.0, 0.5);
        assert!(most_apart(&straight, &relief) < 2e-5);
    }

    /// Beside a straight scarp of 2000 m between faintly rough plains, the plains themselves stay
    /// where they are: no trench along its foot and no ridge along its brow.
    #[test]
    fn beside_a_scarp_the_plains_stay_where_they_are() {
        for pole in [DVec3::X, DVec3::new(0.48, 0.6, 0.64)] {
            let step = |d: DVec3| if d.dot(pole) > 0.1 { 1000.0 } else { -1000.0 };
            let ground = grid_of(1440, |d| step(d) + rough(d));
            let (straight, relief) = made(&ground, 0.5, 1.0, 0.25);
            // How far the plain is moved beside the scarp, against how far it is in the open.
            let moved = |side: f64, from_mm: f64, to_mm: f64| {
                let (mut sum, mut count) = (0.0, 0.0);
                for ((row, column), mm) in straight.heights_m.indexed_iter() {
                    let d = direction(straight.lat_deg(row), straight.lon_deg(column));
                    let away_mm = side * RADIUS_MM * (d.dot(pole).asin() - 0.1f64.asin());
                    if (from_mm..to_mm).contains(&away_mm) {
                        let area = straight.area_weight(row);
                        sum += area * f64::from(relief.heights_m[(row, column)] - mm);
                        count += area;
                    }
                }
                sum / count
            };
            for side in [-1.0, 1.0] {
                let beside = moved(side, 2.0, 7.0) - moved(side, 30.0, 50.0);
                // The carved step is 1 mm.
                assert!(beside.abs() < 0.05, "{pole} {side}: {beside}");
            }
        }
    }

    /// A field cut at degree 100 holds rings of its cut; a whole one does not. On ground finer than
    /// the cut nothing may be deepened.
    #[test]
    fn rings_of_a_series_are_not_deepened() {
        let cut = crate::sphere::resolution::testing::field(360, 100, 5, |l| l.powi(-3));
        let mut rings = cut.clone();
        // A ripple of the cut's own wave, on one side of the globe only.
        let (rows, columns) = (rings.rows(), rings.columns());
        let spread = {
            let mean = cut.heights_m.mean().unwrap();
            cut.heights_m
                .mapv(|m| (m - mean) * (m - mean))
                .mean()
                .unwrap()
                .sqrt()
        };
        for row in 0..rows {
            for column in 0..columns {
                let d = direction(rings.lat_deg(row), rings.lon_deg(column));
                let ripple = 0.03 * f64::from(spread) * (100.0 * d.angle_between(DVec3::X)).cos();
                rings.heights_m[(row, column)] += ripple as f32;
            }
        }
        for ground in [cut, rings] {
            let resolved = resolved_deg(&ground).resolved_deg;
            assert!((1.5..2.2).contains(&resolved), "{resolved}");
            let scale_mm =
                6.0 / f64::from(ground.heights_m.iter().fold(0f32, |a, b| a.max(b.abs())));
            let (straight, relief) = made(&ground, 500.0 * scale_mm, 1.0, resolved);
            // What is finer than the cut's wave, before and after.
            let fine = |grid: &Grid| {
                let field = Field::from(grid.clone());
                let low = smooth(&field, 0.5 * resolved.to_radians());
                let residue = field.with(&low, |a, b| (a - b) * (a - b));
                residue.values.mean().unwrap_or(0.0).sqrt()
            };
            let (before, after) = (fine(&straight), fine(&relief));
            assert!(after <= 1.1 * before, "{before} {after}");
        }
    }

    /// Faint ground is deepened several times, the more the fainter.
    #[test]
    fn faint_ground_comes_out() {
        let ground = grid_of(1440, |d| 4000.0 * d.z + rough(d));
        let (straight, relief) = made(&ground, 0.5, 1.0, 0.25);
        let judge = Judge::new(&ground, RADIUS_MM, 3.175);
        let carved = |grid: &Grid| {
            let detail = Field::from(grid.clone());
            let low = smooth(&detail, 0.06);
            let fine = detail.with(&low, |a, b| a - b);
            judge.figures(&crate::sphere::figures::of_grid(
                &fine.into_grid(),
                judge.layout(),
            ))
        };
        let (before, after) = (carved(&straight), carved(&relief));
        assert!(
            before.carved_share < 0.01 && before.flat_share > 0.8,
            "{before:?}"
        );
        assert!(after.flat_share < 0.3, "{after:?}");
    }

    /// Where the curve alone does not keep the order of ruggedness, as on bodies far from round,
    /// automatic detail is measured by what the curve keeps, and still brings faint ground out.
    #[test]
    fn a_body_far_from_round_gets_detail_too() {
        let ground = grid_of(720, |d| {
            let radius =
                1.0 / ((d.x / 1.7).powi(2) + (d.y / 1.1).powi(2) + (d.z / 0.9).powi(2)).sqrt();
            // Rugged where the body is long, where the curve is least steep.
            10_000.0 * radius + 4.0 * d.x * d.x * rough(d)
        });
        // As an inverse hyperbolic sine does.
        let mut bent = ground.clone();
        bent.heights_m
            .mapv_inplace(|m| ((m - 10_500.0) / 600.0).asinh());
        let scale = scale(&bent, 0.5);
        let judge = Arc::new(Judge::new(&ground, RADIUS_MM, 3.175));
        let bands = Bands::new(&bent, judge, scale);
        let (_, curve) = bands.companded(Some(0.0));
        let (_, choice) = bands.companded(None);
        assert!(curve.figures.rough_order < 0.9, "{:?}", curve.figures);
        assert!(choice.detail > 0.3, "{choice:?}");
        assert!(
            choice.figures.rough_order >= curve.figures.rough_order,
            "{choice:?}"
        );
        assert!(
            choice.figures.carved_share > curve.figures.carved_share,
            "{choice:?}"
        );
    }

    /// Turning the planet by whole columns turns the relief.
    #[test]
    fn the_relief_turns_with_the_planet() {
        let height = |d: DVec3| 3000.0 * d.x + 800.0 * (7.0 * d.y).sin() + rough(d);
        let ground = grid_of(720, height);
        let turned = grid_of(720, |d| height(DVec3::new(d.y, -d.x, d.z)));
        let (_, one) = made(&ground, 0.8, 0.8, 0.5);
        let (_, two) = made(&turned, 0.8, 0.8, 0.5);
        for ((row, column), mm) in one.heights_m.indexed_iter() {
            let there = two.heights_m[(row, (column + 180) % 720)];
            assert_abs_diff_eq!(*mm, there, epsilon = 2e-3);
        }
    }
}
