//! First step of the radial projection: a point of the surface on every vertical line.
//!
//! [`RowsAbove`] tells where the ground is to be expected and how it slopes. One sample there and
//! Newton's step find nearly all of it; fixed-point steps with Aitken's acceleration the rest.

use super::above::RowsAbove;
use super::radial::Radial;
use super::sampler::LANES;

/// Aitken's step is trusted when the last two heights were this close, mm. Its error is about
/// the curvature of the ground times the square of this: below a level of a 16-bit image.
const NEAR_MM: f64 = 0.006;

/// Newton's step is trusted when what the bend of the ground may have added is this small, mm.
const DOUBT_MM: f64 = 1e-4;

/// A fixed-point step this small needs no acceleration, mm.
const SETTLED_MM: f64 = 2e-5;

/// Steps are lengthened by no more than this, and shortened by no less: where the ground is nearly
/// as steep as the line a step tells little of where it meets it.
const MOST_GAIN: f64 = 5.0;
const LEAST_GAIN: f64 = 1.0 / 3.0;

/// A line whose fixed point has not settled after this many rounds is marched instead.
const MOST_ROUNDS: usize = 8;

impl Radial<'_> {
    /// Heights of the surface for the first `count` lanes, NaN where none was found: one sample
    /// and Newton's step for every lane, more rounds for those that need them.
    #[inline(always)]
    pub(super) fn settle<const FLAT: bool>(
        &self,
        x: &[f64; LANES],
        y: f64,
        first: usize,
        count: usize,
        above: &RowsAbove,
    ) -> [f64; LANES] {
        let ys = [y; LANES];
        let relief = above.expected_mm(first, count);
        let mut z = [0.0; LANES];
        for lane in 0..LANES {
            z[lane] = self.start::<FLAT>(relief[lane], x[lane].mul_add(x[lane], y * y));
        }
        let z1 = self.step::<FLAT>(LANES, x, &ys, &z);
        let mut settled = self.newton::<FLAT>(x, y, &above.z_mm(first, count), &mut z, &z1);
        for round in 0..MOST_ROUNDS {
            // Gather the unsettled lanes to the front of a block of their own.
            let mut lanes = [0usize; LANES];
            let mut left = 0;
            for (lane, _) in settled[..count].iter().enumerate().filter(|(_, s)| !**s) {
                lanes[left] = lane;
                left += 1;
            }
            if left == 0 {
                break;
            }
            let mut few_x = *x;
            let mut few_z = z;
            let mut few_z1 = z1;
            for (slot, &lane) in lanes[..left].iter().enumerate() {
                (few_x[slot], few_z[slot], few_z1[slot]) = (x[lane], z[lane], z1[lane]);
            }
            if round > 0 {
                few_z1 = self.step::<FLAT>(left, &few_x, &ys, &few_z);
            }
            let z2 = self.step::<FLAT>(left, &few_x, &ys, &few_z1);
            let few = aitken(&mut few_z, &few_z1, &z2);
            for (slot, &lane) in lanes[..left].iter().enumerate() {
                z[lane] = few_z[slot];
                settled[lane] = few[slot];
            }
        }
        for lane in 0..LANES {
            // At z = 0 the line grazes the limb or passes it by.
            let found = settled[lane] & (z[lane] > 0.0);
            z[lane] = if found { z[lane] } else { f64::NAN };
        }
        z
    }

    /// A fixed-point step for the first `count` lanes.
    #[inline(always)]
    fn step<const FLAT: bool>(
        &self,
        count: usize,
        x: &[f64; LANES],
        y: &[f64; LANES],
        z: &[f64; LANES],
    ) -> [f64; LANES] {
        let mut found = [0f32; LANES];
        self.relief_of_first(count, x, y, z, &mut found);
        let mut next = [0.0; LANES];
        for lane in 0..LANES {
            let rho2 = x[lane].mul_add(x[lane], y[lane] * y[lane]);
            next[lane] = self.lift::<FLAT>(f64::from(found[lane]), z[lane], rho2);
        }
        next
    }

    /// Newton's step from `z`, whose fixed-point step led to `z1`, with the slope that the row
    /// above shows; where the result cannot be trusted, `z` stays and false is told. `above` is
    /// the height there from one lane before the first on.
    #[inline(always)]
    fn newton<const FLAT: bool>(
        &self,
        x: &[f64; LANES],
        y: f64,
        above: &[f64; LANES + 2],
        z: &mut [f64; LANES],
        z1: &[f64; LANES],
    ) -> [bool; LANES] {
        let mut settled = [false; LANES];
        let pixel_mm = self.spec.pixel_mm;
        let per_mm = 1.0 / pixel_mm;
        for lane in 0..LANES {
            let (x, z0) = (x[lane], z[lane]);
            let rho2 = x.mul_add(x, y * y);
            let slope_x = (above[lane + 2] - above[lane]) * (0.5 * per_mm);
            let slope_y = (above[lane + 1] - z0) * per_mm;
            let q = slope_x.mul_add(x, slope_y * y) / z0;
            let bulge = if FLAT { 0.0 } else { rho2 / (z0 * z0) };
            // One over 1 − g′.
            let gain = (1.0 - q) / (1.0 + bulge);
            let off = z1[lane] - z0;
            // The slope shown is that of before a bend which has moved the ground by `off`.
            let doubt = off * off * rho2.sqrt();
            settled[lane] = (off.abs() < NEAR_MM)
                & (doubt < DOUBT_MM * pixel_mm * z0)
                & (gain > LEAST_GAIN)
                & (gain < MOST_GAIN);
            z[lane] = if settled[lane] {
                off.mul_add(gain, z0)
            } else {
                z0
            };
        }
        settled
    }

    /// Height of the surface over the globe's centre if the relief there were `relief`: exact at
    /// the fixed point.
    #[inline(always)]
    fn lift<const FLAT: bool>(&self, relief: f64, z: f64, rho2: f64) -> f64 {
        if FLAT {
            relief.mul_add(z / z.mul_add(z, rho2).sqrt(), self.spec.base_distance_mm)
        } else {
            let reach = self.spec.radius_mm + relief;
            reach.mul_add(reach, -rho2).max(0.0).sqrt()
        }
    }

    /// Relief at a point of the surface.
    #[inline(always)]
    pub(super) fn relief<const FLAT: bool>(&self, z: f64, rho2: f64) -> f64 {
        let length = z.mul_add(z, rho2).sqrt();
        if FLAT {
            (z - self.spec.base_distance_mm) * length / z
        } else {
            length - self.spec.radius_mm
        }
    }

    #[inline(always)]
    fn start<const FLAT: bool>(&self, relief: f64, rho2: f64) -> f64 {
        self.lift::<FLAT>(relief, self.spec.base_distance_mm, rho2)
    }
}

/// Aitken's step from two fixed-point steps, `z` to `z1` to `z2`; true where it can be trusted.
#[inline(always)]
fn aitken(z: &mut [f64; LANES], z1: &[f64; LANES], z2: &[f64; LANES]) -> [bool; LANES] {
    let mut settled = [false; LANES];
    for lane in 0..LANES {
        let (d1, d2) = (z1[lane] - z[lane], z2[lane] - z1[lane]);
        let ratio = if d1.abs() > SETTLED_MM { d2 / d1 } else { 0.0 };
        let ratio = ratio.clamp(1.0 - 1.0 / LEAST_GAIN, 1.0 - 1.0 / MOST_GAIN);
        z[lane] = z1[lane] + d2 / (1.0 - ratio);
        settled[lane] = (d2.abs() < SETTLED_MM) | ((d1.abs() < NEAR_MM) & (d2.abs() < NEAR_MM));
    }
    settled
}
