//! Mountains and basins worth keeping whole, by topographic prominence on the sphere.
//!
//! A peak's prominence is how far one must go down from it before one can go up to higher ground
//! (for the highest of all: to the lowest ground). Flooding from the top finds it: cells are added
//! from the highest down; where two islands meet, the lower peak's prominence is its height over
//! the place where they met. Basins are the peaks of the ground turned upside down.

use crate::model::geometry::direction;
use crate::model::grid::{Grid, Source};
use crate::model::places::{Stands, name_of};
use crate::model::settings::{KeepWhole, TurningSettings};
use crate::sphere::lattice::pooled_grid;
use glam::DVec3;

/// Columns of the grid on which features are looked for: half a degree each.
const COLUMNS: usize = 720;

/// Smallest and largest radius of a feature, degrees.
const RADIUS_DEG: (f64, f64) = (1.0, 25.0);

/// A place that seams should not cut.
#[derive(Debug, Clone, PartialEq)]
pub struct Feature {
    /// What to call it.
    pub name: String,
    /// Unit vector towards its middle, body frame.
    pub towards: DVec3,
    /// Half its width, radians.
    pub radius_rad: f64,
    /// How far it stands out, metres; `None` for a place the job names.
    pub prominence_m: Option<f64>,
}

/// The job's places, then the most prominent peaks and basins.
pub fn features(
    grid: &Grid,
    source: &Source,
    keeps: &[KeepWhole],
    settings: &TurningSettings,
) -> Vec<Feature> {
    let mean_m = source.hypsometry.mean_m;
    let mut found: Vec<Feature> = keeps
        .iter()
        .map(|keep| Feature {
            name: keep.name.clone(),
            towards: direction(keep.lat_deg, keep.lon_deg),
            radius_rad: keep.radius_deg.to_radians(),
            prominence_m: None,
        })
        .collect();
    let coarse = coarse(grid);
    found.extend(most_prominent(&coarse, mean_m, settings.peaks, "peak"));
    let upside_down = Grid {
        heights_m: coarse.heights_m.mapv(|h| -h),
        ..coarse
    };
    found.extend(most_prominent(
        &upside_down,
        -mean_m,
        settings.basins,
        "basin",
    ));
    name(&mut found[keeps.len()..], source.body.as_deref());
    found
}

/// Peaks and basins that are known on the body get their names, each name once.
fn name(found: &mut [Feature], body: Option<&str>) {
    let mut given: Vec<&str> = Vec::new();
    for feature in found {
        let stands = match feature.name.starts_with("peak") {
            true => Stands::Up,
            false => Stands::Down,
        };
        let known = name_of(body, stands, feature.towards);
        if let Some(name) = known.filter(|name| !given.contains(name)) {
            given.push(name);
            feature.name = name.to_owned();
        }
    }
}

/// Means over half a degree, or the grid itself where it is coarse already.
fn coarse(grid: &Grid) -> Grid {
    if grid.columns() <= COLUMNS {
        return grid.clone();
    }
    pooled_grid(grid, COLUMNS / 2, COLUMNS).into_grid()
}

/// A peak: its cell, its height, and the height of the pass to higher ground.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Peak {
    cell: usize,
    height_m: f32,
    pass_m: f32,
}

impl Peak {
    fn prominence_m(&self) -> f32 {
        self.height_m - self.pass_m
    }
}

fn most_prominent(grid: &Grid, mean_m: f64, count: usize, kind: &str) -> Vec<Feature> {
    if count == 0 {
        return Vec::new();
    }
    let mut peaks = peaks(grid);
    peaks.sort_by(|a, b| {
        let by_prominence = b.prominence_m().total_cmp(&a.prominence_m());
        by_prominence.then(a.cell.cmp(&b.cell))
    });
    peaks
        .iter()
        .take(count)
        .filter(|peak| peak.prominence_m() > 0.0)
        .enumerate()
        .map(|(i, peak)| {
            let columns = grid.columns();
            let (row, column) = (peak.cell / columns, peak.cell % columns);
            Feature {
                name: format!("{kind} {}", i + 1),
                towards: direction(grid.lat_deg(row), grid.lon_deg(column)),
                radius_rad: radius_rad(grid, peak, mean_m),
                prominence_m: Some(f64::from(peak.prominence_m())),
            }
        })
        .collect()
}

/// Radius of the round cap with the area of the connected ground above half the peak's height
/// over the mean, or above the pass where that is higher.
fn radius_rad(grid: &Grid, peak: &Peak, mean_m: f64) -> f64 {
    let half = 0.5 * (f64::from(peak.height_m) + mean_m);
    let level = (half as f32).max(peak.pass_m).min(peak.height_m);
    let mut seen = vec![false; grid.heights_m.len()];
    let mut open = vec![peak.cell];
    seen[peak.cell] = true;
    let mut share = 0.0;
    while let Some(cell) = open.pop() {
        share += grid.area_weight(cell / grid.columns());
        for next in neighbours(grid, cell) {
            if !seen[next] && height(grid, next) >= level {
                seen[next] = true;
                open.push(next);
            }
        }
    }
    // A cap of angle ρ is (1 − cos ρ)/2 of the sphere.
    let cap = (1.0 - 2.0 * share).clamp(-1.0, 1.0).acos();
    cap.clamp(RADIUS_DEG.0.to_radians(), RADIUS_DEG.1.to_radians())
}

fn height(grid: &Grid, cell: usize) -> f32 {
    grid.heights_m[(cell / grid.columns(), cell % grid.columns())]
}

/// Every peak with its pass, by flooding from the top.
fn peaks(grid: &Grid) -> Vec<Peak> {
    let count = grid.heights_m.len();
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by(|&a, &b| height(grid, b).total_cmp(&height(grid, a)).then(a.cmp(&b)));
    let mut islands = Islands {
        above: vec![usize::MAX; count],
        peak: vec![usize::MAX; count],
    };
    let mut found = Vec::new();
    let mut lowest = f32::INFINITY;
    for &cell in &order {
        let here = height(grid, cell);
        lowest = lowest.min(here);
        islands.above[cell] = cell;
        islands.peak[cell] = cell;
        for next in neighbours(grid, cell) {
            if islands.above[next] == usize::MAX {
                continue;
            }
            let (a, b) = (islands.root(cell), islands.root(next));
            if a == b {
                continue;
            }
            let (pa, pb) = (islands.peak[a], islands.peak[b]);
            // Earlier in the order is higher; equal heights go by their place in the grid.
            let higher = |p: usize, q: usize| {
                (height(grid, p), std::cmp::Reverse(p)) > (height(grid, q), std::cmp::Reverse(q))
            };
            let (keep, drowned) = if higher(pa, pb) { (a, b) } else { (b, a) };
            let lower = islands.peak[drowned];
            if lower != cell {
                found.push(Peak {
                    cell: lower,
                    height_m: height(grid, lower),
                    pass_m: here,
                });
            }
            islands.above[drowned] = keep;
        }
    }
    if let Some(&top) = order.first() {
        found.push(Peak {
            cell: top,
            height_m: height(grid, top),
            pass_m: lowest,
        });
    }
    found
}

/// Cells that hang together (R. E. Tarjan's disjoint sets, with path halving).
struct Islands {
    above: Vec<usize>,
    /// Highest cell, for roots.
    peak: Vec<usize>,
}

impl Islands {
    fn root(&mut self, mut cell: usize) -> usize {
        while self.above[cell] != cell {
            self.above[cell] = self.above[self.above[cell]];
            cell = self.above[cell];
        }
        cell
    }
}

/// The eight cells around one; in the first and last row, those across the pole too.
fn neighbours(grid: &Grid, cell: usize) -> impl Iterator<Item = usize> + use<> {
    let (rows, columns) = (grid.rows(), grid.columns());
    let (row, column) = (cell / columns, cell % columns);
    (0..9).filter(|&i| i != 4).map(move |i| {
        let (down, across) = (i / 3, i % 3);
        let column = column + columns + across - 1;
        match row + down {
            0 => (column + columns / 2) % columns,
            r if r > rows => (rows - 1) * columns + (column + columns / 2) % columns,
            r => (r - 1) * columns + column % columns,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::super::testing::field;
    use super::*;
    use crate::output::testing::random;
    use ndarray::Array2;
    use std::slice;

    /// The definition itself: the best of all ways to higher ground, by widening the search over
    /// levels until higher ground is reached.
    fn prominence_by_hand(grid: &Grid, cell: usize) -> f32 {
        let mut levels: Vec<f32> = grid.heights_m.iter().copied().collect();
        levels.sort_by(|a, b| b.total_cmp(a));
        for level in levels {
            if level > height(grid, cell) {
                continue;
            }
            let mut seen = vec![false; grid.heights_m.len()];
            let mut open = vec![cell];
            seen[cell] = true;
            while let Some(here) = open.pop() {
                if height(grid, here) > height(grid, cell) {
                    return height(grid, cell) - level;
                }
                for next in neighbours(grid, here) {
                    if !seen[next] && height(grid, next) >= level {
                        seen[next] = true;
                        open.push(next);
                    }
                }
            }
        }
        let lowest = grid.heights_m.iter().copied().fold(f32::INFINITY, f32::min);
        height(grid, cell) - lowest
    }

    #[test]
    fn prominence_is_its_definition() {
        for seed in 0..5 {
            let mut state = seed;
            let heights_m = Array2::from_shape_fn((8, 16), |_| random(&mut state) as f32);
            let grid = Grid {
                heights_m,
                west_deg: 0.0,
                registration: crate::model::grid::Registration::Pixel,
            };
            let found = peaks(&grid);
            assert!(found.len() > 8);
            for peak in found {
                let wanted = prominence_by_hand(&grid, peak.cell);
                assert!((peak.prominence_m() - wanted).abs() < 1e-6);
            }
        }
    }

    /// Two cones of 3000 m and 2000 m on a plain, and a round hollow of 1500 m: the smaller cone
    /// stands 2000 m over the plain that joins them.
    #[test]
    fn cones_and_hollows_are_found_with_their_size() {
        let cone = |d: DVec3, at: DVec3, height: f64, radius_deg: f64| {
            height * (1.0 - d.angle_between(at) / radius_deg.to_radians()).max(0.0)
        };
        let places = [(30.0, 40.0), (-88.0, 200.0), (10.0, 180.0)];
        let [a, b, c] = places.map(|(lat, lon)| direction(lat, lon));
        let grid = field(720, |d| {
            cone(d, a, 3000.0, 12.0) + cone(d, b, 2000.0, 8.0) - cone(d, c, 1500.0, 20.0)
        });
        let settings = TurningSettings {
            peaks: 2,
            basins: 1,
            ..TurningSettings::default()
        };
        let keep = KeepWhole {
            name: "here".into(),
            lat_deg: 0.0,
            lon_deg: 90.0,
            radius_deg: 4.0,
        };
        let mut source = Source::of_grid(&grid);
        let found = features(&grid, &source, slice::from_ref(&keep), &settings);
        let names: Vec<&str> = found.iter().map(|f| f.name.as_str()).collect();
        assert_eq!(names, ["here", "peak 1", "peak 2", "basin 1"]);
        // The peaks of this ground are nowhere near those of Earth; Mars has a high volcano and
        // its deepest basin where these are.
        source.body = Some("Earth".into());
        assert_eq!(features(&grid, &source, &[], &settings)[0].name, "peak 1");
        let turned = field(360, |d| {
            cone(d, direction(17.0, 227.0), 3000.0, 12.0)
                - cone(d, direction(-35.0, 65.0), 1500.0, 20.0)
        });
        source.body = Some("Mars".into());
        let named = features(&turned, &source, &[], &settings);
        let names: Vec<&str> = named.iter().map(|f| f.name.as_str()).collect();
        assert!(
            names.contains(&"Olympus Mons") && names.contains(&"Hellas Planitia"),
            "{names:?}"
        );
        assert!((found[0].towards - DVec3::Y).length() < 1e-12);
        for (feature, (place, prominence, radius_deg)) in
            found[1..]
                .iter()
                .zip([(a, 4500.0, 6.0), (b, 2000.0, 4.0), (c, 4500.0, 10.0)])
        {
            let off = feature.towards.angle_between(place).to_degrees();
            assert!(off < 0.5, "{} is {off} off", feature.name);
            let stands = feature.prominence_m.unwrap();
            assert!((stands - prominence).abs() < 150.0, "{stands}");
            // Half as high as the cone over the mean, which is near the plain.
            let radius = feature.radius_rad.to_degrees();
            assert!(
                (radius - radius_deg).abs() < 0.5,
                "{} {radius}",
                feature.name
            );
        }
    }
}
