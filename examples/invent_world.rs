//! Invents Ashkerry, the world of the sample job, and writes it as a GeoTIFF.
//!
//! ```text
//! cargo run --release --example invent_world            # rewrites sample-rasters/ashkerry.tif
//! cargo run --release --example invent_world -- my.tif  # writes somewhere else
//! ```
//!
//! Every height is computed from a direction in space: noise is sampled on the unit sphere in
//! three dimensions and features are placed by great-circle distance. So nothing changes at the
//! date line, and the poles are places like any other.
//!
//! The order of the steps is the order of events on the world: old crust, old craters, lava that
//! drowns them in the lowlands, a rift, a polar dome, the volcano, young craters.

use glam::DVec3;
use ndarray::Array2;
use std::path::{Path, PathBuf};

/// Where the sample lives in the repository.
const SAMPLE: &str = "sample-rasters/ashkerry.tif";

/// Radius of the invented body in metres; sets how deep a crater of a given width is.
const RADIUS_M: f64 = 686_500.0;

/// Columns of the grid: five to a degree, 0.28 mm on a 160 mm ball.
const COLUMNS: usize = 1800;

/// Rows of the grid.
const ROWS: usize = 900;

/// Change it to get another world of the same character.
const SEED: u64 = 20;

fn main() {
    let path = std::env::args_os()
        .nth(1)
        .map_or_else(|| PathBuf::from(SAMPLE), PathBuf::from);
    if let Err(error) = write_geotiff(&path, &invent(SEED)) {
        eprintln!("could not write {}: {error}", path.display());
        std::process::exit(1);
    }
    println!("wrote {}", path.display());
}

/// The heights in metres, `(rows, columns)`: row 0 northernmost, column 0 just east of 180 W.
fn invent(seed: u64) -> Array2<i16> {
    let mut land = Land::filled(|at| old_crust(seed, at));
    let mut dice = Dice(seed);
    for crater in old_craters(&mut dice) {
        land.strike(seed, &crater);
    }
    land.reshape(|at, height| drown_lowlands(seed, at, height));
    land.reshape(|at, height| height + rift(seed, at));
    land.reshape(|at, height| polar_dome(seed, at, height));
    land.reshape(|at, height| massif(seed, at, height));
    for crater in young_craters(&mut dice) {
        land.strike(seed, &crater);
    }
    land.heights_m.mapv(|metres| libm::round(metres) as i16)
}

// ------------------------------------------------------------------------------------------------
// The layers
// ------------------------------------------------------------------------------------------------

/// Mean height of the highlands, metres.
const HIGHLAND_M: f64 = 900.0;

/// Mean height of the lowland plains, metres.
const LOWLAND_M: f64 = -2100.0;

/// Share of the old relief that still shows through the lava: drowned craters stay as faint rings.
const GHOST: f64 = 0.13;

/// Rolling crust as it was before anything hit it.
fn old_crust(seed: u64, at: DVec3) -> f64 {
    HIGHLAND_M
        + 1000.0 * fbm(seed ^ 0x11, at * 1.7, 7, 0.49)
        + 380.0 * (ridged(seed ^ 0x12, at * 5.0, 5) - 0.5)
}

/// 1 in the highlands, 0 on the plains; the border wanders and is a slope a few degrees wide.
fn highland_share(seed: u64, at: DVec3) -> f64 {
    let highland_pole = place(-38.0, 152.0);
    let side = at.dot(highland_pole) + 0.42 * fbm(seed ^ 0x21, at * 1.5, 5, 0.44);
    smooth_step(-0.33, 0.10, side)
}

/// Lava plains: nearly level, with faint wrinkle ridges some tens of metres high.
fn plains(seed: u64, at: DVec3) -> f64 {
    let bent = at + 0.05 * fbm3(seed ^ 0x30, at * 4.0);
    let line = noise(seed ^ 0x31, bent * 7.0) / 0.065;
    let crest = libm::exp(-line * line);
    let present = smooth_step(-0.25, 0.15, noise(seed ^ 0x32, at * 3.0));
    LOWLAND_M
        + 230.0 * fbm(seed ^ 0x33, at * 2.2, 4, 0.45)
        + 10.0 * fbm(seed ^ 0x34, at * 24.0, 2, 0.5)
        + 95.0 * crest * present
}

/// Floods everything outside the highlands.
fn drown_lowlands(seed: u64, at: DVec3, height: f64) -> f64 {
    let drowned = plains(seed, at) + GHOST * (height - HIGHLAND_M);
    mix(drowned, height, highland_share(seed, at))
}

/// What the rift takes away: a flat-floored valley with stepped walls, and a shorter branch.
fn rift(seed: u64, at: DVec3) -> f64 {
    let bent = at + 0.030 * fbm3(seed ^ 0x40, at * 5.0);
    let trunk = valley(bent, place(-6.0, 8.0), place(-21.0, 76.0), 3.6);
    let branch = valley(bent, place(-13.5, 36.0), place(9.0, 58.0), 2.2);
    let shoulders = 280.0 * trunk.0.max(branch.0);
    let cut = (2200.0 * trunk.1).max(1400.0 * branch.1);
    let rubble = 1.0 + 0.08 * fbm(seed ^ 0x41, at * 22.0, 2, 0.5);
    shoulders - cut * rubble
}

/// Raised shoulders and depth (each 0..1) of a valley along the great circle from `a` to `b`.
fn valley(at: DVec3, a: DVec3, b: DVec3, half_width_deg: f64) -> (f64, f64) {
    let normal = a.cross(b).normalize();
    let ahead = normal.cross(a);
    let along = libm::atan2(at.dot(ahead), at.dot(a)) / angle(a, b);
    let reach = smooth_step(-0.10, 0.24, along) * smooth_step(1.10, 0.76, along);
    let across = libm::fabs(libm::asin(at.dot(normal).clamp(-1.0, 1.0))).to_degrees();
    let x = across / (half_width_deg * (0.45 + 0.55 * reach));
    let upper_wall = smooth_step(1.12, 0.62, x);
    let lower_wall = smooth_step(0.64, 0.20, x);
    let shoulder = libm::exp(-(x - 1.0).max(0.0) / 1.1);
    (
        reach * shoulder,
        reach * (0.45 * upper_wall + 0.55 * lower_wall),
    )
}

/// A low dome of layered ice about the north pole, its edge in three terraces.
fn polar_dome(seed: u64, at: DVec3, height: f64) -> f64 {
    let wander = 1.0 + 0.30 * fbm(seed ^ 0x50, at * 3.5, 3, 0.45);
    let out = angle(at, place(86.5, -40.0)).to_degrees() / (10.5 * wander);
    let cover = smooth_step(1.0, 0.80, out);
    let terraces =
        smooth_step(1.0, 0.84, out) + smooth_step(0.78, 0.63, out) + smooth_step(0.55, 0.40, out);
    let dome = LOWLAND_M + 400.0 * terraces + 350.0 * (1.0 - out * out).max(0.0);
    mix(height, dome + 0.15 * (height - LOWLAND_M), cover)
}

/// The great volcano on its swell: a shield with a scarp around its foot and a nested caldera.
fn massif(seed: u64, at: DVec3, height: f64) -> f64 {
    let summit = place(21.0, -68.0);
    let away = angle(at, summit);
    let wander = 1.0 + 0.14 * fbm(seed ^ 0x60, at * 4.5, 5, 0.5);
    let swell = 1500.0 * smooth_step(34.0, 4.0, away.to_degrees() * wander);

    // Flows run downhill: noise over the bearing from the summit, slowly changing with distance.
    let bearing = (at - summit * at.dot(summit)).normalize_or_zero();
    let flows = fbm(seed ^ 0x61, bearing * 3.0 + at * 14.0, 5, 0.6);
    let out = away.to_degrees() / (12.0 * wander);
    let up = (1.0 - out).max(0.0);
    let shield = 12_600.0 * libm::pow(up, 1.25)
        + 170.0 * flows * smooth_step(0.0, 0.25, up)
        + 700.0 * smooth_step(1.08, 0.86, out) * (1.0 + 0.3 * flows);
    // The shield buries what was there before.
    let under = mix(height, LOWLAND_M, smooth_step(1.0, 0.8, out));
    let mut top = under + swell + shield;
    for (lat, lon, radius_deg, floor_m) in [
        (21.0, -68.0, 1.9, 9700.0),
        (21.5, -68.9, 1.15, 8900.0),
        (20.2, -67.2, 0.85, 8200.0),
    ] {
        let x = angle(at, place(lat, lon)).to_degrees() / (radius_deg * wander);
        top = mix(top, top.min(floor_m), smooth_step(1.06, 0.86, x));
    }
    // Smaller cones in a line across the swell.
    for (lat, lon, radius_deg, tall_m) in [
        (5.0, -52.0, 4.2, 2600.0),
        (-3.5, -43.5, 3.4, 1800.0),
        (35.0, -88.0, 3.8, 2200.0),
    ] {
        let x = angle(at, place(lat, lon)).to_degrees() / (radius_deg * wander);
        let cone = tall_m * libm::pow((1.0 - x).max(0.0), 1.2);
        top += cone.min(0.80 * tall_m);
        top -= 0.14 * tall_m * smooth_step(0.26, 0.08, x);
    }
    top
}

// ------------------------------------------------------------------------------------------------
// Craters
// ------------------------------------------------------------------------------------------------

/// One impact.
struct Crater {
    centre: DVec3,
    /// Rim to rim.
    diameter_deg: f64,
    /// 0 fresh, 1 worn almost away.
    worn: f64,
    /// Makes its outline differ from its neighbours'.
    mark: u64,
}

/// Craters of the old crust, large ones first on the whole, so that small ones lie on top.
fn old_craters(dice: &mut Dice) -> Vec<Crater> {
    let mut craters: Vec<(f64, Crater)> = (0..1500)
        .map(|_| {
            let diameter_deg = dice.diameter_deg(1.5, 26.0, 1.85);
            let worn = dice.between(0.25, 0.95);
            (
                diameter_deg * dice.between(0.5, 2.0),
                Crater {
                    centre: dice.direction(),
                    diameter_deg,
                    worn: worn.max(if diameter_deg > 9.0 { 0.6 } else { 0.0 }),
                    mark: dice.next(),
                },
            )
        })
        .collect();
    craters.sort_by(|a, b| b.0.total_cmp(&a.0));
    craters.into_iter().map(|(_, crater)| crater).collect()
}

/// Fresh craters everywhere but on the volcano, which is younger than most of them.
fn young_craters(dice: &mut Dice) -> Vec<Crater> {
    let summit = place(21.0, -68.0);
    (0..150)
        .map(|_| Crater {
            diameter_deg: dice.diameter_deg(1.4, 8.0, 1.9),
            centre: dice.direction(),
            worn: dice.between(0.0, 0.3),
            mark: dice.next(),
        })
        .filter(|c| angle(c.centre, summit).to_degrees() > 14.0 + c.diameter_deg)
        .collect()
}

/// Height about the level of the ground before the impact, metres, at `x` rim radii.
///
/// Depth and rim grow with a power of the width, wide craters have flat floors, middling ones a
/// central peak and the widest a ring of peaks. All are worn: depths are about a hundredth of the
/// width, on the shallow side of what old surfaces show, so that relief stretched for the bench
/// (about tenfold on the plains of the sample job) stays open to a bit from above.
fn crater_profile(crater: &Crater, x: f64, rough: f64) -> f64 {
    let width_km = crater.diameter_deg.to_radians() * RADIUS_M / 1000.0;
    let depth = 258.0 * libm::pow(width_km / 18.0, 0.70) * (1.0 - 0.62 * crater.worn);
    let rim = 50.0 * libm::pow(width_km / 18.0, 0.62) * (1.0 - 0.70 * crater.worn);
    if x >= EJECTA_REACH {
        return 0.0;
    }
    if x >= 1.0 {
        let fall = |x: f64| 1.0 / (x * x * x);
        let share = (fall(x) - fall(EJECTA_REACH)) / (1.0 - fall(EJECTA_REACH));
        return rim * share * (1.0 + 0.45 * rough * smooth_step(1.0, 1.5, x));
    }
    let flat = 0.36 * smooth_step(20.0, 90.0, width_km) + 0.10 * crater.worn;
    let wall = smooth_step(flat, 1.0, x);
    let bowl = rim - depth * (1.0 - wall);
    let peak_tall =
        0.42 * depth * smooth_step(35.0, 60.0, width_km) * smooth_step(160.0, 110.0, width_km);
    let ring_tall = 0.30 * depth * smooth_step(110.0, 160.0, width_km);
    let peak = peak_tall * libm::exp(-(x / 0.19) * (x / 0.19)) * (1.0 + 0.5 * rough);
    let ring_x = (x - 0.48) / 0.10;
    let ring = ring_tall * libm::exp(-ring_x * ring_x) * (0.7 + 0.8 * rough).max(0.0);
    bowl + peak + ring
}

/// How far thrown-out ground reaches, in rim radii.
const EJECTA_REACH: f64 = 3.0;

/// The world while it is being made.
struct Land {
    heights_m: Array2<f64>,
    /// Unit vectors to the cell centres.
    directions: Array2<DVec3>,
}

impl Land {
    fn filled(height: impl Fn(DVec3) -> f64 + Sync) -> Land {
        let mut land = Land {
            heights_m: Array2::zeros((ROWS, COLUMNS)),
            directions: Array2::from_shape_fn((ROWS, COLUMNS), |(row, column)| {
                place(
                    latitude_deg(row),
                    -180.0 + (column as f64 + 0.5) * 360.0 / COLUMNS as f64,
                )
            }),
        };
        land.reshape(|at, _| height(at));
        land
    }

    /// Replaces every height by a function of the place and the height that was there.
    fn reshape(&mut self, change: impl Fn(DVec3, f64) -> f64 + Sync) {
        ndarray::Zip::from(&mut self.heights_m)
            .and(&self.directions)
            .par_for_each(|height, &at| *height = change(at, *height));
    }

    /// Adds one crater.
    fn strike(&mut self, seed: u64, crater: &Crater) {
        let radius = 0.5 * crater.diameter_deg.to_radians();
        let cells = self.cells_within(crater.centre, EJECTA_REACH * radius * 1.1);
        // The level the crater is sunk into: area-weighted mean of the ground it replaces.
        let (mut sum, mut weight) = (0.0, 0.0);
        for &(row, column, away) in &cells {
            if away < radius {
                let area = libm::cos(latitude_deg(row).to_radians());
                sum += area * self.heights_m[[row, column]];
                weight += area;
            }
        }
        if weight == 0.0 {
            return;
        }
        let level = sum / weight;
        for (row, column, away) in cells {
            let at = self.directions[[row, column]];
            let outline = fbm(seed ^ crater.mark, at * (1.6 / radius), 3, 0.5);
            let rough = fbm(seed ^ crater.mark ^ 7, at * (5.0 / radius), 3, 0.55);
            let x = away / radius * (1.0 + 0.10 * outline);
            let height = &mut self.heights_m[[row, column]];
            let erased = 0.88 * smooth_step(1.5, 0.55, x);
            *height = mix(*height, level, erased) + crater_profile(crater, x, rough);
        }
    }

    /// Cells within an angle (radians) of a direction, with their own angle to it.
    fn cells_within(&self, centre: DVec3, reach: f64) -> Vec<(usize, usize, f64)> {
        let centre_lat = libm::asin(centre.z).to_degrees();
        let step = 180.0 / ROWS as f64;
        let first = ((90.0 - centre_lat - reach.to_degrees()) / step).max(0.0) as usize;
        let end = ((90.0 - centre_lat + reach.to_degrees()) / step + 1.0) as usize;
        let mut cells = Vec::new();
        for row in first..end.min(ROWS) {
            for column in 0..COLUMNS {
                let away = angle(self.directions[[row, column]], centre);
                if away < reach {
                    cells.push((row, column, away));
                }
            }
        }
        cells
    }
}

// ------------------------------------------------------------------------------------------------
// Places
// ------------------------------------------------------------------------------------------------

/// Latitude of a row's cell centres, degrees north.
fn latitude_deg(row: usize) -> f64 {
    90.0 - (row as f64 + 0.5) * 180.0 / ROWS as f64
}

/// Unit vector to a latitude and longitude in degrees.
///
/// All transcendental functions come from `libm`, which gives the same bits on every platform;
/// the system's may differ in the last place and flip a rounding.
fn place(lat_deg: f64, lon_deg: f64) -> DVec3 {
    let (sin_lat, cos_lat) = libm::sincos(lat_deg.to_radians());
    let (sin_lon, cos_lon) = libm::sincos(lon_deg.to_radians());
    DVec3::new(cos_lat * cos_lon, cos_lat * sin_lon, sin_lat)
}

/// Angle between two unit vectors, radians; from the chord, which stays exact for near neighbours.
fn angle(a: DVec3, b: DVec3) -> f64 {
    2.0 * libm::asin((0.5 * (a - b).length()).min(1.0))
}

/// `a` at share 0, `b` at share 1.
fn mix(a: f64, b: f64, share: f64) -> f64 {
    a + (b - a) * share
}

/// 0 at `from`, 1 at `to` (which may be the smaller), level at both ends.
fn smooth_step(from: f64, to: f64, x: f64) -> f64 {
    let t = ((x - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

// ------------------------------------------------------------------------------------------------
// Chance
// ------------------------------------------------------------------------------------------------

/// Scrambles 64 bits (SplitMix64: Steele, Lea & Flood 2014).
fn scramble(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A stream of chance from a seed.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(1);
        scramble(scramble(self.0))
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        // 53 bits fill a double's fraction exactly.
        mix(low, high, (self.next() >> 11) as f64 / (1u64 << 53) as f64)
    }

    /// Evenly spread over the sphere.
    fn direction(&mut self) -> DVec3 {
        let z = self.between(-1.0, 1.0);
        let (sin, cos) = libm::sincos(self.between(0.0, std::f64::consts::TAU));
        let r = libm::sqrt(1.0 - z * z);
        DVec3::new(r * cos, r * sin, z)
    }

    /// Widths whose number above D falls as D to the power of minus `slope`, cut off at both ends.
    fn diameter_deg(&mut self, least: f64, most: f64, slope: f64) -> f64 {
        let tail = libm::pow(least / most, slope);
        let u = self.between(0.0, 1.0);
        least * libm::pow(1.0 - u * (1.0 - tail), -1.0 / slope)
    }
}

/// Gradient noise in three dimensions, about -1..1, zero at whole coordinates (Perlin 2002).
fn noise(seed: u64, p: DVec3) -> f64 {
    let base = p.floor();
    let f = p - base;
    let fade = f * f * f * (f * (f * 6.0 - DVec3::splat(15.0)) + DVec3::splat(10.0));
    let corner = |x: f64, y: f64, z: f64| {
        let step = DVec3::new(x, y, z);
        slope_towards(lattice_key(seed, base + step), f - step)
    };
    let row = |y, z| mix(corner(0.0, y, z), corner(1.0, y, z), fade.x);
    let layer = |z| mix(row(0.0, z), row(1.0, z), fade.y);
    mix(layer(0.0), layer(1.0), fade.z)
}

/// A number for a point with whole coordinates, the same wherever it is asked from.
fn lattice_key(seed: u64, point: DVec3) -> u64 {
    // Odd multipliers keep neighbours apart before the scrambling mixes them.
    let part = |coordinate: f64, odd: u64| (coordinate as i64 as u64).wrapping_mul(odd);
    scramble(
        seed.wrapping_add(part(point.x, 0x8cb9_2ba7_2f3d_8dd7))
            .wrapping_add(part(point.y, 0xd6e8_feb8_6659_fd93))
            .wrapping_add(part(point.z, 0xa076_1d64_78bd_642f)),
    )
}

/// Dot product with one of the twelve directions to the edge midpoints of a cube.
fn slope_towards(key: u64, d: DVec3) -> f64 {
    let pair = match key % 3 {
        0 => (d.x, d.y),
        1 => (d.y, d.z),
        _ => (d.z, d.x),
    };
    let sign = |bit: u64| if key >> bit & 1 == 0 { 1.0 } else { -1.0 };
    sign(40) * pair.0 + sign(41) * pair.1
}

/// Noise over several octaves, each `gain` times as strong as the one below it.
fn fbm(seed: u64, p: DVec3, octaves: u64, gain: f64) -> f64 {
    let (mut sum, mut strength, mut scale) = (0.0, 1.0, 1.0);
    for octave in 0..octaves {
        // The shift keeps the zeros at whole coordinates of the octaves from lining up.
        let shift = DVec3::new(17.3, 5.9, 11.7) * octave as f64;
        sum += strength * noise(seed.wrapping_add(octave * 101), p * scale + shift);
        strength *= gain;
        scale *= 2.0;
    }
    sum
}

/// Three independent noises as a vector, to bend lines.
fn fbm3(seed: u64, p: DVec3) -> DVec3 {
    DVec3::new(
        fbm(seed, p, 4, 0.5),
        fbm(seed ^ 0xa1, p, 4, 0.5),
        fbm(seed ^ 0xb2, p, 4, 0.5),
    )
}

/// Noise folded into crests, 0..1.
fn ridged(seed: u64, p: DVec3, octaves: u64) -> f64 {
    let (mut sum, mut strength, mut total) = (0.0, 1.0, 0.0);
    for octave in 0..octaves {
        let folded = 1.0
            - libm::fabs(noise(
                seed.wrapping_add(octave * 57),
                p * (1 << octave) as f64,
            ));
        sum += strength * folded * folded;
        total += strength;
        strength *= 0.5;
    }
    sum / total
}

// ------------------------------------------------------------------------------------------------
// The file
// ------------------------------------------------------------------------------------------------

/// Degrees on a sphere, so any reader of planetary grids knows the size of the body.
const SPHERE_WKT: &str = concat!(
    r#"GEOGCS["Ashkerry, invented",DATUM["Ashkerry",SPHEROID["Ashkerry sphere",686500,0]],"#,
    r#"PRIMEM["Reference Meridian",0],UNIT["degree",0.0174532925199433]]"#
);

/// Writes the grid: 16-bit whole metres, one band, compressed without loss.
fn write_geotiff(path: &Path, heights_m: &Array2<i16>) -> gdal::errors::Result<()> {
    use gdal::raster::{Buffer, RasterCreationOptions};
    let options = RasterCreationOptions::from_iter([
        "COMPRESS=DEFLATE",
        "PREDICTOR=2",
        "ZLEVEL=9",
        "BLOCKYSIZE=180",
    ]);
    let driver = gdal::DriverManager::get_driver_by_name("GTiff")?;
    let mut file =
        driver.create_with_band_type_with_options::<i16, _>(path, COLUMNS, ROWS, 1, &options)?;
    let cell_deg = 360.0 / COLUMNS as f64;
    file.set_geo_transform(&[-180.0, cell_deg, 0.0, 90.0, 0.0, -cell_deg])?;
    file.set_spatial_ref(&gdal::spatial_ref::SpatialRef::from_wkt(SPHERE_WKT)?)?;
    let mut buffer = Buffer::new((COLUMNS, ROWS), heights_m.iter().copied().collect());
    file.rasterband(1)?
        .write((0, 0), (COLUMNS, ROWS), &mut buffer)?;
    file.close()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn committed_sample() -> gdal::Dataset {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(SAMPLE);
        gdal::Dataset::open(path).expect("the sample opens")
    }

    fn stored_heights() -> gdal::raster::Buffer<i16> {
        committed_sample()
            .rasterband(1)
            .and_then(|band| band.read_band_as::<i16>())
            .expect("the sample reads")
    }

    /// Pixels, not file bytes: two releases of the deflate library may pack the same pixels
    /// differently.
    #[test]
    fn the_committed_sample_is_what_this_program_makes() {
        let stored = stored_heights();
        assert_eq!(stored.shape(), (COLUMNS, ROWS));
        let made = invent(SEED);
        let different = made
            .iter()
            .zip(stored.data())
            .position(|(now, then)| now != then);
        assert_eq!(different, None, "first cell that differs, counted by rows");
    }

    #[test]
    fn the_sample_says_where_it_lies_and_how_large_the_body_is() {
        let sample = committed_sample();
        let placed = sample.geo_transform().expect("placed");
        assert_eq!(placed, [-180.0, 0.2, 0.0, 90.0, 0.0, -0.2]);
        let sphere = sample.spatial_ref().expect("has a reference system");
        assert_eq!(sphere.semi_major().expect("has a radius"), RADIUS_M);
        assert_eq!(sphere.semi_minor().expect("is a sphere"), RADIUS_M);
    }

    #[test]
    fn nothing_breaks_at_the_date_line_or_the_poles() {
        let stored = stored_heights();
        let height = |row: usize, column: usize| i32::from(stored[(row, column)]);
        let steepest_east = |column: usize| {
            (0..ROWS)
                .map(|row| (height(row, column) - height(row, (column + 1) % COLUMNS)).abs())
                .max()
        };
        let date_line = steepest_east(COLUMNS - 1);
        let elsewhere = (0..COLUMNS - 1).map(steepest_east).max().flatten();
        assert!(
            date_line <= elsewhere,
            "{date_line:?} m, elsewhere {elsewhere:?} m"
        );

        // One step over the pole leads to the cell half a turn away in the same row. Cells are
        // 2.4 km apart there, so the bound is a slope of less than five degrees.
        for row in [0, ROWS - 1] {
            for column in 0..COLUMNS / 2 {
                let over = height(row, column) - height(row, column + COLUMNS / 2);
                assert!(over.abs() < 200, "row {row} column {column}: {over} m");
            }
        }
    }

    #[test]
    fn another_seed_gives_another_world() {
        let (one, other) = (old_crust(SEED, DVec3::Z), old_crust(SEED + 1, DVec3::Z));
        assert!((one - other).abs() > 1.0);
    }
}
