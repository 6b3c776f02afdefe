//! The sampling kernel: from directions to relief, a block at a time.
//!
//! Everything that reads heights at arbitrary places goes through [`Sampler::relief_block`]:
//! direction → longitude and latitude → bicubic height in metres → exaggeration curve → mm.
//!
//! Three choices make it fast without unsafe code and with the same bits on every machine:
//!
//! * Blocks of [`LANES`] directions run through plain loops over fixed arrays, which the compiler
//!   turns into vector code; `pulp` picks the widest instructions the processor has.
//! * Every multiply-add is an explicit [`f64::mul_add`]: a fused one and its exact emulation
//!   round alike, so a processor with and one without it give equal results.
//! * Angles are f64 (a planet in 20,000 columns needs more than f32's 24 bits), heights f32.
//!
//! The interpolation is Keys' cubic convolution with a = −½ (R. G. Keys, "Cubic convolution
//! interpolation for digital image processing", IEEE Trans. ASSP 29, 1981, eq. 15): it passes
//! through the samples and is third-order accurate.

use crate::model::curve::Curve;
use crate::model::grid::{Grid, Heights, Layout};
use crate::read::stored_grid::{SIDE, StoredGrid};
use glam::DVec3;
use std::array;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI};
use wide::f32x4;

/// Directions per block: long enough to hide set-up, short enough to stay in the first cache.
pub const LANES: usize = 128;

/// Lanes whose columns are summed side by side.
const FOUR: usize = 4;

/// Samples kept on each side of the grid so that no 4 × 4 neighbourhood needs a test for edges.
const PAD: usize = 2;

/// Directions of a block by component; any length, body frame.
pub struct Directions {
    /// Components along +x.
    pub x: [f64; LANES],
    /// Components along +y.
    pub y: [f64; LANES],
    /// Components along +z.
    pub z: [f64; LANES],
}

impl Default for Directions {
    /// All towards the north pole, so that unused lanes stay harmless.
    fn default() -> Self {
        Directions {
            x: [0.0; LANES],
            y: [0.0; LANES],
            z: [1.0; LANES],
        }
    }
}

/// Places of a block in the padded grid, or, where the grid is stored in tiles, the row (plus
/// one) and column at or before each place.
struct Located {
    row: [u32; LANES],
    corner: [u32; LANES],
    right: [f32; LANES],
    down: [f32; LANES],
}

impl Located {
    const NOWHERE: Located = Located {
        row: [0; LANES],
        corner: [0; LANES],
        right: [0.0; LANES],
        down: [0.0; LANES],
    };

    /// Heights of the first `count` places by Keys' cubic in both directions. `columns` gives,
    /// for a lane and the weights of its four rows, the sums of its four columns.
    #[inline(always)]
    fn interpolate(
        &self,
        count: usize,
        height_m: &mut [f32; LANES],
        mut columns: impl FnMut(usize, [f32; 4]) -> Option<f32x4>,
    ) {
        let (down, right) = (
            keys_weights(count, &self.down),
            keys_weights(count, &self.right),
        );
        let (four_heights, _) = height_m.as_chunks_mut::<FOUR>();
        // Every place has its neighbourhood. That the loop could be left early keeps the compiler
        // from gathering the 16 samples of many lanes one by one; four loads of four neighbours
        // each are faster.
        for (first, heights) in (0..count).step_by(FOUR).zip(four_heights) {
            let mut sums = [f32x4::ZERO; FOUR];
            for (i, sums) in sums.iter_mut().enumerate() {
                // Beyond the last lane that one is repeated.
                let lane = (first + i).min(count - 1);
                match columns(lane, array::from_fn(|row| down[row][lane])) {
                    Some(four) => *sums = four,
                    None => return,
                }
            }
            let [a, b, c, d] = f32x4::transpose(sums);
            let along = |column: usize| {
                let four = right[column][first..].first_chunk().copied();
                f32x4::new(four.unwrap_or_default())
            };
            let sums = (a * along(0) + b * along(1)) + (c * along(2) + d * along(3));
            *heights = sums.to_array();
        }
    }
}

/// A grid and a curve made ready for sampling.
pub struct Sampler {
    /// The grid with [`PAD`] samples more on every side: columns wrapped, rows carried across
    /// the poles onto the opposite meridian. Empty when the grid is stored.
    padded: Vec<f32>,
    stride: usize,
    /// The grid where it is kept in a file.
    stored: Option<StoredGrid>,
    columns: f64,
    /// One over the number of columns.
    around: f64,
    /// Columns per radian and the column at longitude 0.
    columns_per_rad: f64,
    column_at_zero: f64,
    /// Rows per radian and the row at latitude 0.
    rows_per_rad: f64,
    row_at_zero: f64,
    /// Relief at each knot and its rise to the next, mm.
    table: Vec<[f32; 2]>,
    lowest_m: f32,
    knots_per_m: f32,
}

impl Sampler {
    /// Prepares a grid and a curve; one pass over the grid, one padded copy of it.
    pub fn new(grid: &Grid, curve: &Curve) -> Sampler {
        let (rows, columns) = (grid.rows(), grid.columns());
        let stride = columns + 2 * PAD;
        let mut padded = Vec::with_capacity(stride * (rows + 2 * PAD));
        for padded_row in 0..rows + 2 * PAD {
            let row = padded_row as isize - PAD as isize;
            let line = grid.row_across_poles(row);
            padded.extend_from_slice(&line[columns - PAD..]);
            padded.extend_from_slice(&line);
            padded.extend_from_slice(&line[..PAD]);
        }
        Sampler {
            padded,
            ..Sampler::blank(grid.layout(), curve)
        }
    }

    /// Prepares a grid that is kept in a file; the results are the same to the last bit.
    pub fn over(stored: StoredGrid, curve: &Curve) -> Sampler {
        let blank = Sampler::blank(stored.layout(), curve);
        Sampler {
            stored: Some(stored),
            ..blank
        }
    }

    /// Whether all that was sampled could be read.
    ///
    /// # Errors
    /// [`Error::Disk`](crate::Error::Disk) when a grid kept in a file could not.
    pub fn check(&self) -> crate::Result<()> {
        self.stored.as_ref().map_or(Ok(()), StoredGrid::check)
    }

    /// Everything but the samples.
    fn blank(grid: Layout, curve: &Curve) -> Sampler {
        let step_lon = grid.step_lon_deg().to_radians();
        let step_lat = grid.step_lat_deg().to_radians();
        let last = curve.knots_m.len() - 1;
        let (low, high) = (curve.knots_m[0], curve.knots_m[last]);
        let table = (0..=last)
            .map(|i| {
                let here = curve.knots_mm[i];
                let next = curve.knots_mm[(i + 1).min(last)];
                [here as f32, (next - here) as f32]
            })
            .collect();
        Sampler {
            padded: Vec::new(),
            stride: grid.columns + 2 * PAD,
            stored: None,
            columns: grid.columns as f64,
            around: 1.0 / grid.columns as f64,
            columns_per_rad: 1.0 / step_lon,
            column_at_zero: -grid.west_deg.to_radians() / step_lon,
            rows_per_rad: 1.0 / step_lat,
            row_at_zero: grid.north_deg().to_radians() / step_lat,
            table,
            lowest_m: low as f32,
            knots_per_m: (last as f64 / (high - low)) as f32,
        }
    }

    /// Relief in mm for every direction of a block.
    #[inline(always)]
    pub fn relief_block(&self, directions: &Directions, relief_mm: &mut [f32; LANES]) {
        self.relief_of_first(LANES, directions, relief_mm);
    }

    /// Relief in mm for the first `count` directions of a block.
    #[inline(always)]
    pub fn relief_of_first(
        &self,
        count: usize,
        directions: &Directions,
        relief_mm: &mut [f32; LANES],
    ) {
        let count = count.min(LANES);
        let mut height_m = [0f32; LANES];
        self.height_of_first(count, directions, &mut height_m);
        // The curve in loops of its own: together with the interpolation one lane's work would
        // be a chain too long for the processor to overlap enough lanes.
        let last = (self.table.len() - 1) as f32;
        let mut knot = [0u32; LANES];
        let mut part = [0f32; LANES];
        for lane in 0..count {
            let position = (height_m[lane] - self.lowest_m) * self.knots_per_m;
            let position = position.max(0.0).min(last);
            let whole = position.floor();
            knot[lane] = low_bits_f32(whole);
            part[lane] = position - whole;
        }
        for lane in 0..count {
            let Some([here, rise]) = self.table.get(knot[lane] as usize) else {
                return;
            };
            relief_mm[lane] = part[lane].mul_add(*rise, *here);
        }
    }

    /// Relief in mm in directions of any number and length.
    pub fn relief_mm(&self, towards: &[DVec3]) -> Vec<f64> {
        pulp::Arch::new().dispatch(ReliefTowards {
            sampler: self,
            towards,
        })
    }

    /// Heights in metres, before the curve, for every direction of a block.
    #[inline(always)]
    pub fn height_block(&self, directions: &Directions, height_m: &mut [f32; LANES]) {
        self.height_of_first(LANES, directions, height_m);
    }

    #[inline(always)]
    fn height_of_first(&self, count: usize, directions: &Directions, height_m: &mut [f32; LANES]) {
        if let Some(stored) = &self.stored {
            self.stored_heights(stored, count, directions, height_m);
            return;
        }
        let mut found = Located::NOWHERE;
        self.locate_block::<false>(count, directions, &mut found);
        found.interpolate(count, height_m, |lane, down| {
            let corner = found.corner[lane] as usize;
            sums_of_columns(&self.padded, self.stride, corner, down)
        });
    }

    /// The same from a grid that is kept in a file. A function of its own, so that the usual way
    /// stays as short as it is.
    #[inline(never)]
    fn stored_heights(
        &self,
        stored: &StoredGrid,
        count: usize,
        directions: &Directions,
        height_m: &mut [f32; LANES],
    ) {
        pulp::Arch::new().dispatch(StoredHeights {
            sampler: self,
            stored,
            count,
            directions,
            height_m,
        });
    }

    /// Where each direction falls: index of the upper-left sample of its 4 × 4 neighbourhood and
    /// the fractions to the right and down from the second sample.
    #[inline(always)]
    fn locate_block<const STORED: bool>(
        &self,
        count: usize,
        directions: &Directions,
        found: &mut Located,
    ) {
        if !self.locate_near::<STORED>(count, directions, found) {
            self.locate_anywhere::<STORED>(count, directions, found);
        }
    }

    /// Locates a block whose directions lie near each other and away from the poles, which most
    /// do; tells whether this one did.
    ///
    /// Longitude and latitude are counted from those of the middle lane: their tangents are small,
    /// so one division and a short polynomial give each, and f32 is exact enough for what is
    /// left, 1e-7 radian.
    #[inline(always)]
    fn locate_near<const STORED: bool>(
        &self,
        count: usize,
        directions: &Directions,
        found: &mut Located,
    ) -> bool {
        let middle = count / 2;
        let (x0, y0, z0) = (
            directions.x[middle],
            directions.y[middle],
            directions.z[middle],
        );
        let rho0 = x0.mul_add(x0, y0 * y0).sqrt();
        let length = rho0.mul_add(rho0, z0 * z0).sqrt();
        let (cos_lon, sin_lon) = (x0 / rho0, y0 / rho0);
        let (cos_lat, sin_lat) = ((rho0 / length) as f32, (z0 / length) as f32);
        let column0 = self.column_of(atan2(y0, x0));
        let row0 = atan2(z0, rho0).mul_add(-self.rows_per_rad, self.row_at_zero);
        let (column_whole, row_whole) = (column0.floor(), row0.floor());
        let (column_part, row_part) = ((column0 - column_whole) as f32, (row0 - row_whole) as f32);
        let (per_rad_lon, per_rad_lat) = (self.columns_per_rad as f32, self.rows_per_rad as f32);

        let mut east = [0f32; LANES];
        let mut north = [0f32; LANES];
        // Largest as bits: for positive floats the order is that of whole numbers, whose maximum
        // becomes vector code.
        let mut farthest = 0u32;
        for lane in 0..count {
            let (x, y, z) = (directions.x[lane], directions.y[lane], directions.z[lane]);
            // Turned so that the middle lane's meridian is the first.
            let ahead = x.mul_add(cos_lon, y * sin_lon) as f32;
            let aside = y.mul_add(cos_lon, -(x * sin_lon)) as f32;
            let up = z as f32;
            let rho = ahead.mul_add(ahead, aside * aside).sqrt();
            east[lane] = aside / ahead;
            north[lane] =
                up.mul_add(cos_lat, -(rho * sin_lat)) / rho.mul_add(cos_lat, up * sin_lat);
            // A direction behind the middle one's horizon must not pass for one ahead.
            let behind = if ahead > 0.0 { 0.0 } else { f32::MAX };
            let far = east[lane].abs().max(north[lane].abs()).max(behind);
            farthest = farthest.max(far.to_bits());
        }
        // The bits of a NaN, from a middle lane at a pole, are larger than any number's.
        if farthest > (TAN_PI_8 as f32).to_bits() || rho0 < 1e-3 * length {
            return false;
        }
        let columns = self.columns as i32;
        let (column_whole, row_whole) = (column_whole as i32, row_whole as i32);
        for lane in 0..count {
            let column = small_atan(east[lane]).mul_add(per_rad_lon, column_part);
            let row = small_atan(north[lane]).mul_add(-per_rad_lat, row_part);
            let (whole_column, whole_row) = (column.floor(), row.floor());
            found.right[lane] = column - whole_column;
            found.down[lane] = row - whole_row;
            let column = column_whole + signed_low_bits(whole_column);
            let column = if column < 0 { column + columns } else { column };
            let column = if column < columns {
                column
            } else {
                column - columns
            };
            let row = row_whole + signed_low_bits(whole_row) + (PAD as i32 - 1);
            if STORED {
                found.row[lane] = row as u32;
                found.corner[lane] = column as u32;
                continue;
            }
            found.corner[lane] = sample_index(row, column + (PAD as i32 - 1), self.stride);
        }
        true
    }

    /// Column of a longitude, 0 to the number of columns.
    #[inline(always)]
    fn column_of(&self, lon_rad: f64) -> f64 {
        let column = lon_rad.mul_add(self.columns_per_rad, self.column_at_zero);
        (column * self.around)
            .floor()
            .mul_add(-self.columns, column)
    }

    /// Locates a block of directions anywhere, in f64.
    #[inline(always)]
    fn locate_anywhere<const STORED: bool>(
        &self,
        count: usize,
        directions: &Directions,
        found: &mut Located,
    ) {
        let stride = self.stride as f64;
        for lane in 0..count {
            let (x, y, z) = (directions.x[lane], directions.y[lane], directions.z[lane]);
            let column = self.column_of(atan2(y, x));
            let lat = atan2(z, x.mul_add(x, y * y).sqrt());
            let row = lat.mul_add(-self.rows_per_rad, self.row_at_zero);
            let (whole_column, whole_row) = (column.floor(), row.floor());
            found.right[lane] = (column - whole_column) as f32;
            found.down[lane] = (row - whole_row) as f32;
            if STORED {
                found.row[lane] = low_bits(whole_row + (PAD - 1) as f64);
                found.corner[lane] = low_bits(whole_column);
                continue;
            }
            // One sample left of and above the sample at or before the place, in padded indices.
            let first =
                (whole_row + (PAD - 1) as f64).mul_add(stride, whole_column + (PAD - 1) as f64);
            found.corner[lane] = low_bits(first);
        }
    }
}

/// What samples relief in directions, under the widest vector instructions that the processor has.
struct ReliefTowards<'a> {
    sampler: &'a Sampler,
    towards: &'a [DVec3],
}

impl pulp::NullaryFnOnce for ReliefTowards<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn call(self) -> Vec<f64> {
        let mut all = Vec::with_capacity(self.towards.len());
        for chunk in self.towards.chunks(LANES) {
            let mut block = Directions::default();
            for (lane, d) in chunk.iter().enumerate() {
                (block.x[lane], block.y[lane], block.z[lane]) = (d.x, d.y, d.z);
            }
            let mut relief_mm = [0f32; LANES];
            self.sampler
                .relief_of_first(chunk.len(), &block, &mut relief_mm);
            all.extend(relief_mm[..chunk.len()].iter().map(|&mm| f64::from(mm)));
        }
        all
    }
}

/// What samples a stored grid, under the widest vector instructions that the processor has.
struct StoredHeights<'a> {
    sampler: &'a Sampler,
    stored: &'a StoredGrid,
    count: usize,
    directions: &'a Directions,
    height_m: &'a mut [f32; LANES],
}

impl pulp::NullaryFnOnce for StoredHeights<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let mut found = Located::NOWHERE;
        let locate = Sampler::locate_block::<true>;
        locate(self.sampler, self.count, self.directions, &mut found);
        let place = |lane: usize| {
            let row = found.row[lane] as isize - (PAD as isize - 1);
            self.stored.tile_of(row, found.corner[lane] as usize)
        };
        // Neighbours mostly share a tile.
        let mut held = place(0).0;
        let mut samples = self.stored.tile(held);
        found.interpolate(self.count, self.height_m, |lane, down| {
            let (tile, corner) = place(lane);
            if tile != held {
                (held, samples) = (tile, self.stored.tile(tile));
            }
            sums_of_columns(&samples, SIDE, corner, down)
        });
    }
}

/// The columns of the 4 × 4 samples from `corner` on, each summed with the weights of its rows;
/// `None` beyond the end.
#[inline(always)]
fn sums_of_columns(
    samples: &[f32],
    stride: usize,
    corner: usize,
    weights: [f32; 4],
) -> Option<f32x4> {
    let block = samples.get(corner..)?;
    let row = |i: usize| {
        let four: &[f32; 4] = block.get(i * stride..)?.first_chunk()?;
        Some(f32x4::new(*four) * f32x4::splat(weights[i]))
    };
    Some((row(0)? + row(1)?) + (row(2)? + row(3)?))
}

/// Keys' cubic convolution weights (a = −½) for the four samples around each of the first `count`
/// fractions 0..1, sample by sample.
///
/// Multiplied and added in two roundings, as are the samples with them: fused ones are not to be
/// had in the portable type of those, and both must be the same on every machine.
#[inline(always)]
fn keys_weights(count: usize, fractions: &[f32; LANES]) -> [[f32; LANES]; 4] {
    const CUBE: [f32; 4] = [-0.5, 1.5, -1.5, 0.5];
    const SQUARE: [f32; 4] = [1.0, -2.5, 2.0, -0.5];
    const LINEAR: [f32; 4] = [-0.5, 0.0, 0.5, 0.0];
    const CONSTANT: [f32; 4] = [0.0, 1.0, 0.0, 0.0];
    let mut weights = [[0.0; LANES]; 4];
    for (i, weights) in weights.iter_mut().enumerate() {
        for (weight, t) in weights[..count].iter_mut().zip(fractions) {
            *weight = ((CUBE[i] * t + SQUARE[i]) * t + LINEAR[i]) * t + CONSTANT[i];
        }
    }
    weights
}

/// Low 32 bits of a whole number 0..2³²: adding 2⁵² leaves them in the mantissa. Unlike a cast it
/// becomes one vector instruction.
#[inline(always)]
pub fn low_bits(whole: f64) -> u32 {
    const TWO_52: f64 = 4_503_599_627_370_496.0;
    (whole + TWO_52).to_bits() as u32
}

/// Low bits of a whole number 0..2²³, likewise.
#[inline(always)]
fn low_bits_f32(whole: f32) -> u32 {
    const TWO_23: f32 = 8_388_608.0;
    (whole + TWO_23).to_bits() & 0x7f_ffff
}

/// Index of a sample in padded rows: more than 2³¹ of them fit, so it is counted without a sign.
#[inline(always)]
fn sample_index(row: i32, column: i32, stride: usize) -> u32 {
    (row as u32)
        .wrapping_mul(stride as u32)
        .wrapping_add(column as u32)
}

/// Whole number −2²²..2²² of a float.
#[inline(always)]
fn signed_low_bits(whole: f32) -> i32 {
    const BIAS: f32 = 12_582_912.0;
    (whole + BIAS).to_bits() as i32 - BIAS.to_bits() as i32
}

/// Tangent of half a quarter turn, to which ratios are folded.
const TAN_PI_8: f64 = 0.414_213_562_373_095_03;

/// Arc tangent of |t| ≤ tan(π/8), radians, to 6e-9 before rounding: a minimax polynomial in t² of
/// degree 4 from a Chebyshev fit.
#[inline(always)]
fn small_atan(t: f32) -> f32 {
    let s = t * t;
    let p = 0.079_762_92_f32
        .mul_add(s, -0.138_484_9)
        .mul_add(s, 0.199_740_82)
        .mul_add(s, -0.333_327_86)
        .mul_add(s, 0.999_999_98);
    p * t
}

/// Arc tangent of y/x in the right quadrant, radians, to 1e-11; 0 where both are 0.
///
/// The ratio is folded into |t| ≤ tan(π/8) with one division, then a minimax polynomial in t² of
/// degree 6 (largest error 7.8e-12, from a Remez exchange) follows.
#[inline(always)]
fn atan2(y: f64, x: f64) -> f64 {
    let (ax, ay) = (x.abs(), y.abs());
    let (small, large) = if ay < ax { (ay, ax) } else { (ax, ay) };
    let folded = small > large * TAN_PI_8;
    let above = if folded { small - large } else { small };
    let below = if folded { small + large } else { large };
    let t = above / if below > 0.0 { below } else { 1.0 };
    let s = t * t;
    let p = 0.047_073_481_419_680_2_f64
        .mul_add(s, -0.084_561_928_869_404_96)
        .mul_add(s, 0.110_404_892_272_182_4)
        .mul_add(s, -0.142_815_887_726_541_24)
        .mul_add(s, 0.199_998_838_565_513_03)
        .mul_add(s, -0.333_333_320_976_093_86)
        .mul_add(s, 0.999_999_999_978_398_8);
    let octant = p.mul_add(t, if folded { FRAC_PI_4 } else { 0.0 });
    let quadrant = if ay < ax { octant } else { FRAC_PI_2 - octant };
    let half = if x < 0.0 { PI - quadrant } else { quadrant };
    if y < 0.0 { -half } else { half }
}

/// A slow, obvious f64 routine the kernel is checked against.
#[cfg(test)]
pub mod reference {
    use super::*;
    use crate::model::geometry::lat_lon_deg;

    /// Keys' kernel itself (1981, eq. 15), as a function of distance.
    fn keys(distance: f64) -> f64 {
        let d = distance.abs();
        if d < 1.0 {
            1.5 * d.powi(3) - 2.5 * d.powi(2) + 1.0
        } else if d < 2.0 {
            -0.5 * d.powi(3) + 2.5 * d.powi(2) - 4.0 * d + 2.0
        } else {
            0.0
        }
    }

    /// Height in metres at a direction: the kernel's sum over the 16 nearest samples, each looked
    /// up on the sphere by walking over date line and poles.
    pub fn height_m(grid: &Grid, direction: DVec3) -> f64 {
        let (lat, lon) = lat_lon_deg(direction);
        let column = (lon - grid.west_deg) / grid.step_lon_deg();
        let row = (grid.north_deg() - lat) / grid.step_lat_deg();
        let mut sum = 0.0;
        for r in row.floor() as isize - 1..=row.floor() as isize + 2 {
            let line = grid.row_across_poles(r);
            for c in column.floor() as isize - 1..=column.floor() as isize + 2 {
                let value = line[c.rem_euclid(line.len() as isize) as usize];
                sum += f64::from(value) * keys(row - r as f64) * keys(column - c as f64);
            }
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::{Frame, direction};
    use crate::model::grid::Registration;
    use crate::read::stored_grid::Writer;
    use ndarray::Array2;

    fn rough_grid(rows: usize, columns: usize, west_deg: f64, registration: Registration) -> Grid {
        // A multiplicative hash per cell: as rough as a grid can be.
        let heights_m = Array2::from_shape_fn((rows, columns), |(r, c)| {
            let hash = (r * 7919 + c * 104_729 + 13).wrapping_mul(2_654_435_761) % 65_536;
            hash as f32 / 4.0 - 8000.0
        });
        Grid {
            heights_m,
            west_deg,
            registration,
        }
    }

    fn steep_curve(grid: &Grid) -> Curve {
        let low = grid.heights_m.iter().copied().fold(f32::MAX, f32::min);
        let high = grid.heights_m.iter().copied().fold(f32::MIN, f32::max);
        let knots = 257;
        let part = |i: usize| i as f64 / (knots - 1) as f64;
        Curve {
            name: "test".into(),
            knots_m: (0..knots)
                .map(|i| f64::from(low) + part(i) * f64::from(high - low))
                .collect(),
            knots_mm: (0..knots).map(|i| 6.0 * part(i).sqrt() - 3.0).collect(),
        }
    }

    fn scattered_directions(count: usize) -> Vec<DVec3> {
        let mut all: Vec<DVec3> = (0..count)
            .map(|i| {
                let z = 1.0 - 2.0 * (i as f64 + 0.5) / count as f64;
                direction(z.asin().to_degrees(), i as f64 * 137.507_764)
            })
            .collect();
        for lat in [-90.0, -89.999, -89.4, 0.0, 89.4, 89.999, 90.0] {
            for lon in [0.0, 0.05, 89.9, 180.0, 359.95] {
                all.push(direction(lat, lon));
            }
        }
        all
    }

    #[test]
    fn samples_beyond_the_2_to_the_31st_have_an_index() {
        assert_eq!(sample_index(40_000, 79_999, 80_000), 3_200_079_999);
        assert_eq!(sample_index(3, 2, 10), 32);
    }

    #[test]
    fn the_kernel_agrees_with_the_reference_everywhere() {
        for (rows, columns, west, registration) in [
            (90, 180, 1.0, Registration::Pixel),
            (91, 180, -180.0, Registration::Gridline),
            (90, 181, 150.0, Registration::Pixel),
            (91, 179, 20.0, Registration::Gridline),
        ] {
            let grid = rough_grid(rows, columns, west, registration);
            let curve = steep_curve(&grid);
            let sampler = Sampler::new(&grid, &curve);
            let all = scattered_directions(4000);
            let mut worst: f64 = 0.0;
            for chunk in all.chunks(LANES) {
                let mut block = Directions::default();
                for (lane, d) in chunk.iter().enumerate() {
                    // Any length must do.
                    let scale = 1.0 + lane as f64;
                    block.x[lane] = d.x * scale;
                    block.y[lane] = d.y * scale;
                    block.z[lane] = d.z * scale;
                }
                let mut height_m = [0f32; LANES];
                let mut relief_mm = [0f32; LANES];
                sampler.height_block(&block, &mut height_m);
                sampler.relief_block(&block, &mut relief_mm);
                for (lane, d) in chunk.iter().enumerate() {
                    // At the very pole longitude is a matter of rounding, and a rough grid is
                    // not continuous there.
                    if d.z.abs() > 1.0 - 1e-12 {
                        continue;
                    }
                    let expected = reference::height_m(&grid, *d);
                    worst = worst.max((f64::from(height_m[lane]) - expected).abs());
                    let relief = curve.relief_mm(expected);
                    // 1e-4 of the 6 mm range, where the curve's root is not infinitely steep.
                    if relief > -2.5 {
                        assert!((f64::from(relief_mm[lane]) - relief).abs() < 6e-4);
                    }
                }
            }
            // Of a range of 16,384 m.
            assert!(worst < 0.02, "worst difference {worst} m");
        }
    }

    #[test]
    fn blocks_of_neighbours_agree_with_the_reference_at_every_latitude() {
        let grid = rough_grid(720, 1440, 150.1, Registration::Pixel);
        let sampler = Sampler::new(&grid, &steep_curve(&grid));
        for lat in [
            -89.0, -80.0, -65.0, -30.0, 0.0, 12.0, 50.0, 75.0, 85.0, 88.0,
        ] {
            for lon in [0.0, 150.0, 179.9, 300.0] {
                for width in [0.02, 0.1, 0.3] {
                    // A row of pixels across the tangent plane, in some direction.
                    let frame =
                        Frame::looking_along(direction(lat, lon), DVec3::new(0.1, 0.3, 1.0));
                    let mut block = Directions::default();
                    for lane in 0..LANES {
                        let t = width * (lane as f64 / LANES as f64 - 0.4);
                        let d = frame.to_body(DVec3::new(t, 0.6 * t, 1.0)) * 97.0;
                        (block.x[lane], block.y[lane], block.z[lane]) = (d.x, d.y, d.z);
                    }
                    let mut height_m = [0f32; LANES];
                    sampler.height_block(&block, &mut height_m);
                    for (lane, found) in height_m.iter().enumerate() {
                        let d = DVec3::new(block.x[lane], block.y[lane], block.z[lane]);
                        let expected = reference::height_m(&grid, d);
                        let off = (f64::from(*found) - expected).abs();
                        // 1e-4 of the range of 16,384 m, from neighbours that differ by all of it.
                        assert!(off < 1.6, "{lat} {lon} {width} {lane}: {off} m");
                    }
                }
            }
        }
    }

    #[test]
    fn arc_tangent_agrees_with_the_standard_library() {
        for i in 0..20_000 {
            let angle = (f64::from(i) - 10_000.0) / 10_000.0 * PI;
            let (y, x) = angle.sin_cos();
            assert!((atan2(7.3 * y, 7.3 * x) - y.atan2(x)).abs() < 1e-11);
        }
        assert_eq!(atan2(0.0, 0.0), FRAC_PI_2);
    }

    #[test]
    fn a_grid_kept_in_a_file_gives_the_same_bits() {
        for (rows, columns, west_deg, registration) in [
            (360, 720, -179.75, Registration::Pixel),
            (257, 512, 0.0, Registration::Gridline),
            (129, 257, 150.0, Registration::Pixel),
        ] {
            let grid = rough_grid(rows, columns, west_deg, registration);
            let mut writer = Writer::new(&std::env::temp_dir(), grid.layout()).unwrap();
            for line in grid.heights_m.outer_iter() {
                writer.push(line.to_vec()).unwrap();
            }
            let curve = steep_curve(&grid);
            let stored = Sampler::over(writer.finish().unwrap(), &curve);
            let whole = Sampler::new(&grid, &curve);
            for lat in [90.0, -90.0, 89.9, -89.7, 60.0, 0.0, -33.3] {
                for lon in [0.0, 0.1, 45.0, 149.99, 180.0, 359.9] {
                    for width in [0.0, 1e-3, 0.1, 2.0] {
                        let mut block = Directions::default();
                        for lane in 0..LANES {
                            let at = lane as f64 - 64.0;
                            let d = direction(
                                (lat + 0.3 * width * at).clamp(-90.0, 90.0),
                                lon + width * at,
                            );
                            (block.x[lane], block.y[lane], block.z[lane]) = (d.x, d.y, d.z);
                        }
                        let (mut a, mut b) = ([0f32; LANES], [0f32; LANES]);
                        whole.relief_block(&block, &mut a);
                        stored.relief_block(&block, &mut b);
                        assert!(a == b, "{lat} {lon} {width}");
                    }
                }
            }
            stored.check().unwrap();
        }
    }

    #[test]
    fn samples_are_returned_at_their_own_places() {
        let grid = rough_grid(18, 36, 5.0, Registration::Pixel);
        let sampler = Sampler::new(&grid, &steep_curve(&grid));
        let mut block = Directions::default();
        for lane in 0..LANES {
            let d = direction(grid.lat_deg(lane % 18), grid.lon_deg(lane % 36));
            (block.x[lane], block.y[lane], block.z[lane]) = (d.x, d.y, d.z);
        }
        let mut height_m = [0f32; LANES];
        sampler.height_block(&block, &mut height_m);
        for (lane, height) in height_m.iter().enumerate() {
            assert!((height - grid.heights_m[(lane % 18, lane % 36)]).abs() < 0.01);
        }
    }
}
