//! What a ball-nose bit leaves of a relief on the whole ball.
//!
//! The tip touches the relief from above: its lowest reach at each place is a dilation of the
//! relief by the ball, and what it leaves is that eroded by the ball again, a closing (J. Serra,
//! "Image Analysis and Mathematical Morphology", 1982). On the lattice a ball covers more columns
//! the nearer a row lies to a pole; around the poles it is done on a plane, where distances from
//! the pole are true.

use crate::model::parallel;
use crate::sphere::lattice::Field;
use ndarray::Array2;
use std::f64::consts::PI;

/// Beyond this latitude the lattice's columns are too crowded to be worked in.
const CAP_DEG: f64 = 75.0;

/// The relief in mm as a ball of this radius leaves it, on a globe of this radius.
pub fn carved_by_ball(relief_mm: &Field, radius_mm: f64, ball_mm: f64) -> Field {
    let touched = passed(relief_mm, radius_mm, ball_mm, 1.0);
    let mut carved = passed(&touched, radius_mm, ball_mm, -1.0);
    for north in [true, false] {
        Cap::new(relief_mm, radius_mm, ball_mm, north).carve(&mut carved, ball_mm);
    }
    carved
}

/// Dilation (`sign` 1) or erosion (−1) of all rows but those near the poles.
fn passed(field: &Field, radius_mm: f64, ball_mm: f64, sign: f32) -> Field {
    let layout = field.layout();
    let (rows, columns) = field.shape();
    let dy = radius_mm * layout.step_lat_deg().to_radians();
    let reach = (ball_mm / dy) as isize;
    // A pass after this one looks `reach` rows farther.
    let past_deg = CAP_DEG + 2.0 * reach as f64 * layout.step_lat_deg();
    let mut values = field.values.clone();
    parallel::rows(&mut values, &|row, out| {
        if layout.lat_deg(row).abs() >= past_deg.min(88.0) {
            return;
        }
        let circle = radius_mm * layout.lat_deg(row).to_radians().cos();
        let dx = circle * layout.step_lon_deg().to_radians();
        let widest = ((ball_mm / dx) as usize).min(columns / 2);
        let mut best = vec![f32::MIN; columns];
        let mut padded = vec![0f32; columns + 2 * widest];
        for down in -reach..=reach {
            let Some(source) = row.checked_add_signed(down).filter(|row| *row < rows) else {
                continue;
            };
            let source = field.values.row(source);
            for (padded, value) in padded[widest..].iter_mut().zip(source) {
                *padded = sign * value;
            }
            padded.copy_within(columns..columns + widest, 0);
            padded.copy_within(widest..2 * widest, columns + widest);
            let left2 = ball_mm * ball_mm - (down as f64 * dy).powi(2);
            let aside = ((left2.max(0.0).sqrt() / dx) as usize).min(widest);
            for shift in widest - aside..=widest + aside {
                let x = (shift as f64 - widest as f64) * dx;
                let drop = ((left2 - x * x).max(0.0).sqrt() - ball_mm) as f32;
                highest(&mut best, &padded[shift..], drop);
            }
        }
        out.iter_mut()
            .zip(&best)
            .for_each(|(out, best)| *out = sign * best);
    });
    Field {
        values,
        west_deg: field.west_deg,
    }
}

/// Raises `best` to `values + drop`; written so that it becomes vector instructions.
fn highest(best: &mut [f32], values: &[f32], drop: f32) {
    for (best, value) in best.iter_mut().zip(values) {
        let raised = value + drop;
        *best = if raised > *best { raised } else { *best };
    }
}

/// A polar cap on a plane, square cells as large as the lattice's along a meridian.
struct Cap {
    values: Array2<f32>,
    north: bool,
    /// Cells from the pole to the edge.
    half: usize,
    /// Angle of a cell, and its width.
    step_rad: f64,
    cell_mm: f64,
}

impl Cap {
    fn new(field: &Field, radius_mm: f64, ball_mm: f64, north: bool) -> Cap {
        let step_rad = field.layout().step_lat_deg().to_radians();
        let cell_mm = radius_mm * step_rad;
        let beyond = 2 * (ball_mm / cell_mm) as usize + 3;
        let half = ((90.0 - CAP_DEG).to_radians() / step_rad).ceil() as usize + beyond;
        let mut cap = Cap {
            values: Array2::zeros((2 * half + 1, 2 * half + 1)),
            north,
            half,
            step_rad,
            cell_mm,
        };
        let half = half as f64;
        parallel::rows(&mut cap.values, &|row, line| {
            for (column, out) in line.iter_mut().enumerate() {
                let (x, y) = (column as f64 - half, row as f64 - half);
                let colat_rad = (x.hypot(y) * step_rad).min(PI);
                *out = between(field, north, colat_rad, y.atan2(x));
            }
        });
        cap
    }

    /// Puts what the ball leaves of the cap into the rows that lie in it.
    fn carve(&self, carved: &mut Field, ball_mm: f64) {
        let plane = self.passed(&self.passed(&self.values, ball_mm, 1.0), ball_mm, -1.0);
        let layout = carved.layout();
        let half = self.half as f64;
        parallel::rows(&mut carved.values, &|row, line| {
            let lat = layout.lat_deg(row);
            if (if self.north { lat } else { -lat }) <= CAP_DEG {
                return;
            }
            let away = (90.0 - lat.abs()).to_radians() / self.step_rad;
            for (column, out) in line.iter_mut().enumerate() {
                let lon = layout.lon_deg(column).to_radians();
                let (x, y) = (half + away * lon.cos(), half + away * lon.sin());
                let (column, row) = (x as usize, y as usize);
                let (u, v) = ((x - x.floor()) as f32, (y - y.floor()) as f32);
                let at = |down: usize, right: usize| plane[(row + down, column + right)];
                *out = (1.0 - v) * ((1.0 - u) * at(0, 0) + u * at(0, 1))
                    + v * ((1.0 - u) * at(1, 0) + u * at(1, 1));
            }
        });
    }

    fn passed(&self, plane: &Array2<f32>, ball_mm: f64, sign: f32) -> Array2<f32> {
        let reach = (ball_mm / self.cell_mm) as usize;
        let side = plane.nrows();
        let mut out = plane.clone();
        parallel::rows(&mut out, &|row, out| {
            if !(reach..side - reach).contains(&row) {
                return;
            }
            let mut best = vec![f32::MIN; side - 2 * reach];
            for down in 0..=2 * reach {
                let source: Vec<f32> = plane
                    .row(row + down - reach)
                    .iter()
                    .map(|v| sign * v)
                    .collect();
                let y = (down as f64 - reach as f64) * self.cell_mm;
                for right in 0..=2 * reach {
                    let x = (right as f64 - reach as f64) * self.cell_mm;
                    let left2 = ball_mm * ball_mm - x * x - y * y;
                    if left2 >= 0.0 {
                        let drop = (left2.sqrt() - ball_mm) as f32;
                        highest(&mut best, &source[right..], drop);
                    }
                }
            }
            let inner = out.iter_mut().skip(reach);
            inner.zip(&best).for_each(|(out, best)| *out = sign * best);
        });
        out
    }
}

/// A field between its samples, linearly, at an angle from a pole.
fn between(field: &Field, north: bool, colat_rad: f64, lon_rad: f64) -> f32 {
    let layout = field.layout();
    let (rows, _) = field.shape();
    let down = (colat_rad.to_degrees() / layout.step_lat_deg() - 0.5).max(-0.5);
    let east = (lon_rad.to_degrees() - layout.west_deg).rem_euclid(360.0) / layout.step_lon_deg();
    let (first, u) = (east.floor(), (east - east.floor()) as f32);
    let line = |down: isize| {
        let row = if north {
            down
        } else {
            rows as isize - 1 - down
        };
        let at = |column: isize| field.values[layout.sample(row, column)];
        (1.0 - u) * at(first as isize) + u * at(first as isize + 1)
    };
    let (first, v) = (down.floor(), (down - down.floor()) as f32);
    (1.0 - v) * line(first as isize) + v * line(first as isize + 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::direction;
    use crate::testing::grid_of;
    use approx::assert_abs_diff_eq;
    use glam::DVec3;

    fn field_of(columns: usize, f: impl Fn(DVec3) -> f64 + Sync) -> Field {
        let grid = grid_of(columns, f);
        Field {
            values: grid.heights_m,
            west_deg: grid.west_deg,
        }
    }

    /// Closed form: in a straight groove with walls of slope s, sharp at the bottom, a ball of
    /// radius r rests r·(√(1 + s²) − 1) above it. On the equator, aslant, and across a pole.
    #[test]
    fn a_ball_rests_in_a_groove() {
        let (radius, ball, slope) = (100.0, 1.6, 1f64);
        let rests = ball * ((1.0 + slope * slope).sqrt() - 1.0);
        for axis in [DVec3::Z, DVec3::X, DVec3::new(0.48, 0.64, 0.6)] {
            let groove = |d: DVec3| radius * slope * d.dot(axis).asin().abs();
            let relief = field_of(2400, groove);
            let carved = carved_by_ball(&relief, radius, ball);
            for (k, (low, at)) in relief.values.iter().zip(&carved.values).enumerate() {
                let row = k / 2400;
                let d = direction(
                    relief.layout().lat_deg(row),
                    relief.layout().lon_deg(k % 2400),
                );
                let away = radius * d.dot(axis).abs();
                if away < 0.05 {
                    assert_abs_diff_eq!(*at as f64, rests, epsilon = 0.06);
                } else if (2.5..60.0).contains(&away) {
                    assert_abs_diff_eq!(at, low, epsilon = 0.06);
                }
            }
        }
    }

    /// The fast passes against the definition, worked out place by place with true distances.
    #[test]
    fn passes_agree_with_the_definition() {
        let (radius, ball) = (20.0, 1.5);
        let rough = |d: DVec3| 0.8 * (31.0 * d.x + 17.0 * d.y).sin() * (23.0 * d.z).cos();
        let relief = field_of(300, rough);
        let layout = relief.layout();
        let carved = carved_by_ball(&relief, radius, ball);
        let places: Vec<(DVec3, f64)> = relief
            .values
            .indexed_iter()
            .map(|((row, column), &mm)| {
                (
                    direction(layout.lat_deg(row), layout.lon_deg(column)),
                    f64::from(mm),
                )
            })
            .collect();
        let reach = |heights: &[(DVec3, f64)], at: DVec3, sign: f64| {
            let near = heights.iter().filter_map(|(d, mm)| {
                let away = radius * d.angle_between(at);
                (away <= ball).then(|| sign * mm + (ball * ball - away * away).sqrt() - ball)
            });
            sign * near.fold(f64::MIN, f64::max)
        };
        for (row, column) in [(75, 10), (40, 200), (110, 33), (22, 150), (3, 77), (147, 9)] {
            let at = direction(layout.lat_deg(row), layout.lon_deg(column));
            let near: Vec<(DVec3, f64)> = places
                .iter()
                .filter(|(d, _)| radius * d.angle_between(at) < 2.0 * ball + 0.5)
                .map(|(d, _)| (*d, reach(&places, *d, 1.0)))
                .collect();
            let wanted = reach(&near, at, -1.0);
            let found = f64::from(carved.values[(row, column)]);
            assert_abs_diff_eq!(found, wanted, epsilon = 0.08);
        }
    }
}
