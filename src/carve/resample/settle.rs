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
        let last = above.last_mm(first, count);
        let mut z = self.start::<FLAT>(x, y, &last, above.straight_on_mm(first, count));
        let mut relief = [0.0; LANES];
        self.relief_of_first(LANES, x, &ys, &z, &mut relief);
        let mut settled = self.newton::<FLAT>(x, y, &last, &mut z, &relief);
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
            let mut few_z1 = z;
            for (slot, &lane) in lanes[..left].iter().enumerate() {
                (few_x[slot], few_z[slot]) = (x[lane], z[lane]);
                if round == 0 {
                    // The relief there is known already.
                    let rho2 = x[lane].mul_add(x[lane], y * y);
                    few_z1[slot] = self.lift::<FLAT>(f64::from(relief[lane]), z[lane], rho2);
                }
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

    /// Heights to begin with: where the rows above lead, which is `straight_on` but for the bend of
    /// the ball; as high as the row above where only that is known, and level ground where not
    /// even that. `last` is the height there from one lane before the first on.
    #[inline(always)]
    fn start<const FLAT: bool>(
        &self,
        x: &[f64; LANES],
        y: f64,
        last: &[f64; LANES + 2],
        straight_on: [f64; LANES],
    ) -> [f64; LANES] {
        let pixel_mm = self.spec.pixel_mm;
        let middle = straight_on[LANES / 2];
        let bend = middle.mul_add(middle, y * y) * (pixel_mm / middle).powi(2) / middle;
        let bend = if FLAT || bend.is_nan() { 0.0 } else { bend };
        let mut z = straight_on.map(|z| z - bend);
        if z.iter().fold(false, |missing, z| missing | z.is_nan()) {
            for (lane, z) in z.iter_mut().enumerate().filter(|(_, z)| z.is_nan()) {
                let rho2 = |y: f64| x[lane].mul_add(x[lane], y * y);
                let relief = self.relief::<FLAT>(last[lane + 1], rho2(y + pixel_mm));
                let relief = if relief.is_nan() { 0.0 } else { relief };
                *z = self.lift::<FLAT>(relief, self.spec.base_distance_mm, rho2(y));
            }
        }
        z
    }

    /// Newton's step from `z`, where the relief is `relief`, with the slope that the row above
    /// shows; where the result cannot be trusted, `z` stays and false is told.
    #[inline(always)]
    fn newton<const FLAT: bool>(
        &self,
        x: &[f64; LANES],
        y: f64,
        last: &[f64; LANES + 2],
        z: &mut [f64; LANES],
        relief: &[f32; LANES],
    ) -> [bool; LANES] {
        let mut settled = [false; LANES];
        let (base_mm, radius_mm) = (self.spec.base_distance_mm, self.spec.radius_mm);
        let pixel_mm = self.spec.pixel_mm;
        let per_mm = 1.0 / pixel_mm;
        for lane in 0..LANES {
            let (x, z0, relief) = (x[lane], z[lane], f64::from(relief[lane]));
            let rho2 = x.mul_add(x, y * y);
            let length2 = z0.mul_add(z0, rho2);
            // How far the ground is off, and 1 − g′, both with a factor that saves divisions. A
            // ball's bend along the step is left out: far less than a level.
            let (off_z, steep_z) = if FLAT {
                let off = relief.mul_add(z0 / length2.sqrt(), base_mm - z0);
                (off * z0, z0 * z0)
            } else {
                let reach = radius_mm + relief;
                (0.5 * reach.mul_add(reach, -length2), length2)
            };
            let slope_x = (last[lane + 2] - last[lane]) * (0.5 * per_mm);
            let slope_y = (last[lane + 1] - z0) * per_mm;
            let rest = z0 - slope_x.mul_add(x, slope_y * y);
            let gain_steep_z = rest * z0;
            // The slope shown is that of before a bend which has moved the ground by `off`:
            // off² ρ < DOUBT · pixel · z, both squared and with the factor.
            let doubt = off_z * off_z;
            let allowed = DOUBT_MM * pixel_mm * z0 * z0 * z0;
            settled[lane] = (off_z.abs() < NEAR_MM * z0)
                & (doubt * doubt * rho2 < allowed * allowed)
                & (gain_steep_z > LEAST_GAIN * steep_z)
                & (gain_steep_z < MOST_GAIN * steep_z);
            let found = (off_z * rest / steep_z) + z0;
            z[lane] = if settled[lane] { found } else { z0 };
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
    fn relief<const FLAT: bool>(&self, z: f64, rho2: f64) -> f64 {
        let length = z.mul_add(z, rho2).sqrt();
        if FLAT {
            (z - self.spec.base_distance_mm) * length / z
        } else {
            length - self.spec.radius_mm
        }
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
