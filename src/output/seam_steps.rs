//! Steps at the seams, measured from the height images alone.
//!
//! A seam's two facets are cut along the plane through the globe's centre and the seam. In a
//! direction û of that plane each image says how far from the centre its wood ends: the distance r
//! with
//!
//! ```text
//!   z(r û·x, r û·y) = r û·z − c       z: the image's height, c: back plane, x y z: facet axes
//! ```
//!
//! The step is the difference of the two distances. Each side is measured on its own
//! ([`profile`]), so no two images need to be in memory together.

use crate::carve::resample::Side;
use crate::carve::seams::{SeamLine, between, places};
use crate::model::geometry::{Frame, lat_lon_deg};
use crate::model::grid::keys;
use crate::model::settings::Base;
use crate::output::manifest::{FacetEntry, ImageEntry, Manifest, SeamChecks, VISIBLE_STEP_MM};
use glam::DVec3;
use ndarray::Array2;
use serde::Serialize;
use std::collections::BTreeMap;

/// A distance is found when the bracket is this narrow, mm: a hundredth of a 16-bit level.
const CLOSE_MM: f64 = 1e-6;

/// Steps of the bracketed search. It takes four to eight; the limit only bounds a jagged image.
const MOST_TRIES: usize = 120;

/// A height image with what is needed to place it in space.
#[derive(Debug, Clone, Copy)]
pub struct FacetView<'a> {
    /// Facet axes in the body frame.
    pub frame: Frame,
    /// Distance of the back of the blank from the globe's centre, mm.
    pub back_plane_mm: f64,
    /// Pixel size, mm.
    pub pixel_mm: f64,
    /// Height of value 0, mm.
    pub black_mm: f64,
    /// Height of value 65535, mm.
    pub white_mm: f64,
    /// `(rows, columns)`, row 0 at the top (+y).
    pub levels: &'a Array2<u16>,
}

/// What was measured on one seam.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeamStep {
    /// Label, `S07`.
    pub seam: String,
    /// Numbers of its facets, lower first.
    pub facets: [usize; 2],
    /// Largest step, mm.
    pub worst_mm: f64,
    /// Latitude of the largest step, degrees north.
    pub lat_deg: f64,
    /// Longitude of the largest step, degrees east.
    pub lon_deg: f64,
    /// Place of the largest step along the seam, 0 at its first end to 1.
    pub along: f64,
    /// Mean step, mm.
    pub mean_mm: f64,
    /// How long the seam is as seen from the globe's centre, radians.
    pub angle_rad: f64,
    /// Steps in order along the seam, mm.
    #[serde(skip)]
    pub steps_mm: Vec<f64>,
}

/// All seams together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeamSummary {
    /// The worst of all seams.
    pub worst: SeamStep,
    /// Mean over all places, mm.
    pub mean_mm: f64,
    /// 99 of 100 places are at or below this, mm.
    pub p99_mm: f64,
    /// Length along which the step is more than [`VISIBLE_STEP_MM`], mm.
    pub visible_mm: f64,
    /// Length of all seams measured, mm.
    pub length_mm: f64,
    /// Places measured.
    pub places: usize,
    /// Seams measured.
    pub seams: usize,
}

/// The seams of a manifest whose two facets are both in it, ascending by label.
///
/// Edges that name a missing neighbour, or corners beyond the globe, are left out.
pub fn seams_of(manifest: &Manifest) -> Vec<SeamLine> {
    let mut seams = BTreeMap::new();
    for facet in &manifest.facets {
        for (index, edge) in facet.edges.iter().enumerate() {
            let present = manifest.facets.iter().any(|f| f.id == edge.neighbour);
            if facet.id > edge.neighbour || !present || facet.corners_mm.is_empty() {
                continue;
            }
            let end = |i: usize| {
                let corner = facet.corners_mm[i % facet.corners_mm.len()];
                corner_direction(manifest, facet, corner)
            };
            if let (Some(from), Some(to)) = (end(index), end(index + 1)) {
                seams.entry(edge.seam.clone()).or_insert(SeamLine {
                    label: edge.seam.clone(),
                    facets: [facet.id, edge.neighbour],
                    from,
                    to,
                });
            }
        }
    }
    seams.into_values().collect()
}

/// Unit direction of a corner on the base surface, body frame.
fn corner_direction(manifest: &Manifest, facet: &FacetEntry, corner: [f64; 2]) -> Option<DVec3> {
    let body = facet.frame.axes().to_body(on_base(manifest, facet, corner));
    (body.is_finite() && body.length() > 0.0).then(|| body.normalize())
}

/// A corner on the base surface, facet frame, mm.
fn on_base(manifest: &Manifest, facet: &FacetEntry, [x, y]: [f64; 2]) -> DVec3 {
    let z = match manifest.globe.base {
        Base::Sphere => (manifest.globe.radius_mm.powi(2) - x * x - y * y).sqrt(),
        Base::Flat => facet.base_distance_mm,
    };
    DVec3::new(x, y, z)
}

/// The seam planes around a facet.
pub fn sides_of(manifest: &Manifest, facet: &FacetEntry) -> Vec<Side> {
    let corners = &facet.corners_mm;
    let place = |i: usize| on_base(manifest, facet, corners[i % corners.len()]);
    (0..corners.len())
        .map(|i| {
            // Counter-clockwise: the normal leans towards the facet's axis.
            let normal = place(i).cross(place(i + 1));
            let across = normal.truncate().length();
            Side {
                outward: -normal.truncate() / across,
                slant: normal.z / across,
            }
        })
        .collect()
}

/// Distance from the globe's centre to the carved surface in each direction, mm.
pub fn profile(view: &FacetView<'_>, directions: &[DVec3]) -> Vec<f64> {
    directions.iter().map(|&u| distance_mm(view, u)).collect()
}

/// The distance at which a ray from the globe's centre leaves the wood of one facet, mm.
///
/// Every height lies between black and white, so the answer lies between the distances at which
/// the ray crosses those two planes: a bracket that cannot fail. Inside it, regula falsi with
/// the Illinois rule (Dowell & Jarratt 1971).
pub fn distance_mm(view: &FacetView<'_>, direction: DVec3) -> f64 {
    let u = view.frame.to_local(direction);
    if u.z <= 0.0 {
        return f64::NAN;
    }
    let above = |r: f64| r * u.z - view.back_plane_mm - view.height_mm(r * u.x, r * u.y);
    let mut low = (view.back_plane_mm + view.black_mm) / u.z;
    let mut high = (view.back_plane_mm + view.white_mm) / u.z;
    let (mut at_low, mut at_high) = (above(low), above(high));
    let mut last_side = 0;
    for _ in 0..MOST_TRIES {
        if at_low >= 0.0 {
            return low;
        }
        if at_high <= 0.0 {
            return high;
        }
        let middle = (low * at_high - high * at_low) / (at_high - at_low);
        let at_middle = above(middle);
        if at_middle.abs() < CLOSE_MM || high - low < CLOSE_MM {
            return middle;
        }
        let side = if at_middle < 0.0 { -1 } else { 1 };
        if side < 0 {
            (low, at_low) = (middle, at_middle);
            if last_side == side {
                at_high *= 0.5;
            }
        } else {
            (high, at_high) = (middle, at_middle);
            if last_side == side {
                at_low *= 0.5;
            }
        }
        last_side = side;
    }
    0.5 * (low + high)
}

impl<'a> FacetView<'a> {
    /// The image of a facet, placed as the manifest says.
    pub fn of(image: &ImageEntry, facet: &FacetEntry, levels: &'a Array2<u16>) -> FacetView<'a> {
        FacetView {
            frame: facet.frame.axes(),
            back_plane_mm: facet.back_plane_mm,
            pixel_mm: image.pixel_mm,
            black_mm: image.black_mm,
            white_mm: image.white_mm,
            levels,
        }
    }

    /// Height above the back of the blank at a place, mm: cubic convolution of the levels
    /// (Keys 1981, a = −½), edge pixels repeated outside, kept between black and white.
    pub fn height_mm(&self, x_mm: f64, y_mm: f64) -> f64 {
        let (rows, columns) = self.levels.dim();
        let column = x_mm / self.pixel_mm + 0.5 * columns as f64 - 0.5;
        let row = 0.5 * rows as f64 - 0.5 - y_mm / self.pixel_mm;
        let (first_row, row_weights) = cubic(row);
        let (first_column, column_weights) = cubic(column);
        let mut level = 0.0;
        for (i, row_weight) in row_weights.iter().enumerate() {
            let r = clamp_index(first_row.saturating_add(i as i64), rows);
            let line: f64 = column_weights
                .iter()
                .enumerate()
                .map(|(j, weight)| {
                    let c = clamp_index(first_column.saturating_add(j as i64), columns);
                    weight * f64::from(self.levels[(r, c)])
                })
                .sum();
            level += row_weight * line;
        }
        let part = (level / f64::from(u16::MAX)).clamp(0.0, 1.0);
        self.black_mm + part * (self.white_mm - self.black_mm)
    }
}

/// First of four neighbours of a position, and their weights. No place that a manifest may name is
/// too far out: what lies beyond all numbers is beyond the image's edge.
fn cubic(position: f64) -> (i64, [f64; 4]) {
    let cell = position.floor();
    ((cell as i64).saturating_sub(1), keys(position - cell))
}

fn clamp_index(index: i64, length: usize) -> usize {
    index.clamp(0, length as i64 - 1) as usize
}

/// Compares the two sides of a seam, measured in the same directions.
///
/// A direction in which one side has no surface counts as an endless step.
pub fn compare(seam: &SeamLine, first: &[f64], second: &[f64]) -> SeamStep {
    let steps_mm: Vec<f64> = first
        .iter()
        .zip(second)
        .map(|(a, b)| {
            let step = (a - b).abs();
            if step.is_nan() { f64::INFINITY } else { step }
        })
        .collect();
    let worst = (0..steps_mm.len())
        .max_by(|&a, &b| steps_mm[a].total_cmp(&steps_mm[b]))
        .unwrap_or(0);
    let count = steps_mm.len().max(1) as f64;
    let along = (worst as f64 + 0.5) / count;
    let (lat_deg, lon_deg) = lat_lon_deg(between(seam, along));
    SeamStep {
        seam: seam.label.clone(),
        facets: seam.facets,
        worst_mm: steps_mm.get(worst).copied().unwrap_or(0.0),
        lat_deg,
        lon_deg,
        along,
        mean_mm: steps_mm.iter().sum::<f64>() / count,
        angle_rad: seam.from.angle_between(seam.to),
        steps_mm,
    }
}

/// One facet's distances along each of its seams, keyed by seam label.
pub type Profiles = BTreeMap<String, Vec<f64>>;

/// Measures one facet along all of its seams; `radius_mm` must be the same for every facet.
pub fn profiles(
    facet: usize,
    view: &FacetView<'_>,
    seams: &[SeamLine],
    radius_mm: f64,
) -> Profiles {
    seams
        .iter()
        .filter(|seam| seam.facets.contains(&facet))
        .map(|seam| (seam.label.clone(), profile(view, &places(seam, radius_mm))))
        .collect()
}

/// Compares all seams whose two sides were measured; facets by number, seams in the given order.
pub fn steps(seams: &[SeamLine], measured: &BTreeMap<usize, Profiles>) -> Vec<SeamStep> {
    let side = |seam: &SeamLine, i: usize| measured.get(&seam.facets[i])?.get(&seam.label);
    seams
        .iter()
        .filter_map(|seam| Some(compare(seam, side(seam, 0)?, side(seam, 1)?)))
        .collect()
}

#[cfg(test)]
/// Steps of all seams of images that are in memory together.
pub fn seam_steps(
    facets: &BTreeMap<usize, FacetView<'_>>,
    seams: &[SeamLine],
    radius_mm: f64,
) -> Vec<SeamStep> {
    let measured = facets
        .iter()
        .map(|(&id, view)| (id, profiles(id, view, seams, radius_mm)))
        .collect();
    steps(seams, &measured)
}

impl SeamStep {
    /// Length of the seam along which the step is more than [`VISIBLE_STEP_MM`], radians.
    fn visible_rad(&self) -> f64 {
        let visible = self.steps_mm.iter().filter(|&&mm| mm > VISIBLE_STEP_MM);
        self.angle_rad * visible.count() as f64 / self.steps_mm.len().max(1) as f64
    }
}

impl SeamSummary {
    /// As the manifest lists it.
    pub fn entry(&self) -> SeamChecks {
        SeamChecks {
            worst_seam_step_mm: self.worst.worst_mm,
            worst_seam: self.worst.seam.clone(),
            worst_seam_lat_deg: self.worst.lat_deg,
            worst_seam_lon_deg: self.worst.lon_deg,
            seam_step_99_mm: self.p99_mm,
            visible_seam_mm: self.visible_mm,
            seams_mm: self.length_mm,
        }
    }
}

/// Worst, mean and 99 % over all seams of a globe of this radius; `None` when none was measured.
pub fn summary(steps: &[SeamStep], radius_mm: f64) -> Option<SeamSummary> {
    // The first of equals, so that the answer does not depend on anything but the numbers.
    let worst = steps
        .iter()
        .rev()
        .max_by(|a, b| a.worst_mm.total_cmp(&b.worst_mm))?;
    let mut all: Vec<f64> = steps
        .iter()
        .flat_map(|s| s.steps_mm.iter().copied())
        .collect();
    let places = all.len();
    let mean_mm = all.iter().sum::<f64>() / places.max(1) as f64;
    all.sort_by(f64::total_cmp);
    let p99_mm = all
        .get((places * 99).div_ceil(100).saturating_sub(1))
        .copied();
    Some(SeamSummary {
        worst: worst.clone(),
        mean_mm,
        p99_mm: p99_mm.unwrap_or(0.0),
        visible_mm: radius_mm * steps.iter().map(SeamStep::visible_rad).sum::<f64>(),
        length_mm: radius_mm * steps.iter().map(|step| step.angle_rad).sum::<f64>(),
        places,
        seams: steps.len(),
    })
}

#[cfg(test)]
pub(crate) mod testing {
    //! Facets of the hand-made cube carved from a formula: a slow, obvious reference.

    use super::*;
    use crate::output::manifest::testing::*;
    use rayon::prelude::*;
    use std::sync::LazyLock;

    /// Radius of the carved body in a direction, mm: a few smooth waves about the datum.
    pub fn surface_mm(u: DVec3) -> f64 {
        RADIUS_MM
            + 0.6 * (5.0 * u.x + 1.0).sin() * (4.0 * u.y - 2.0).cos()
            + 0.4 * (7.0 * u.z + 3.0 * u.x).sin()
    }

    /// The highest z of the surface on the vertical line at (x, y), by bisection on
    /// |P| = surface(P/|P|) downwards from the stock's top. Double precision throughout.
    pub fn reference_height_mm(frame: &Frame, x: f64, y: f64) -> f64 {
        let outside = |z: f64| {
            let p = frame.to_body(DVec3::new(x, y, z + BACK_MM));
            p.length() - surface_mm(p.normalize())
        };
        let (mut low, mut high) = (BLACK_MM - 1.0, WHITE_MM + 5.0);
        if outside(low) > 0.0 {
            return low;
        }
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if outside(middle) > 0.0 {
                high = middle;
            } else {
                low = middle;
            }
        }
        low
    }

    /// Levels of one facet: everywhere terrain, held between black and white.
    pub fn levels(face: usize, side_px: usize, pixel_mm: f64) -> Array2<u16> {
        let frame = frame(face);
        let half = side_px as f64 / 2.0;
        let rows: Vec<u16> = (0..side_px * side_px)
            .into_par_iter()
            .map(|i| {
                let (row, column) = (i / side_px, i % side_px);
                let x = (column as f64 + 0.5 - half) * pixel_mm;
                let y = (half - row as f64 - 0.5) * pixel_mm;
                let z = reference_height_mm(&frame, x, y);
                let part = (z - BLACK_MM) / (WHITE_MM - BLACK_MM);
                (part.clamp(0.0, 1.0) * 65535.0).round() as u16
            })
            .collect();
        Array2::from_shape_vec((side_px, side_px), rows).unwrap_or_default()
    }

    /// All six facets, carved once for all tests.
    pub fn images() -> &'static [Array2<u16>] {
        static IMAGES: LazyLock<Vec<Array2<u16>>> =
            LazyLock::new(|| (0..6).map(|face| levels(face, SIDE_PX, PIXEL_MM)).collect());
        &IMAGES
    }

    pub fn view(face: usize, levels: &Array2<u16>) -> FacetView<'_> {
        FacetView {
            frame: frame(face),
            back_plane_mm: BACK_MM,
            pixel_mm: PIXEL_MM,
            black_mm: BLACK_MM,
            white_mm: WHITE_MM,
            levels,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::testing::*;
    use super::*;
    use crate::output::manifest::testing::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_cube_has_twelve_seams_of_seventy_and_a_half_degrees() {
        let seams = seams_of(&cube());
        assert_eq!(seams.len(), 12);
        for seam in &seams {
            // Source: edge arc of the cube, closed form acos(1/3).
            let arc = seam.from.angle_between(seam.to);
            assert_abs_diff_eq!(arc, f64::acos(1.0 / 3.0), epsilon = 1e-12);
        }
    }

    #[test]
    fn distances_from_an_image_match_the_formula_it_was_made_from() {
        let view = view(2, &images()[2]);
        for (x, y) in [(0.0, 0.0), (3.3, -7.1), (-20.0, 11.0), (15.0, 15.0)] {
            let u = view.frame.to_body(DVec3::new(x, y, 30.0)).normalize();
            assert_abs_diff_eq!(distance_mm(&view, u), surface_mm(u), epsilon = 1e-3);
        }
    }

    #[test]
    fn steps_of_a_true_globe_are_far_below_a_pixel() {
        let views = images()
            .iter()
            .enumerate()
            .map(|(f, l)| (f + 1, view(f, l)))
            .collect();
        let seams = seams_of(&cube());
        let steps = seam_steps(&views, &seams, RADIUS_MM);
        let all = summary(&steps, RADIUS_MM).unwrap();
        assert_eq!(all.seams, 12);
        // 40 mm x 1.23 rad / 0.2 mm = 246.2, rounded up, on each of twelve seams.
        assert_eq!(all.places, 12 * 247);
        assert!(all.worst.worst_mm < 0.002, "{all:?}");
        assert!(all.mean_mm <= all.p99_mm && all.p99_mm <= all.worst.worst_mm);
    }

    #[test]
    fn a_raised_image_shows_as_a_step_of_the_height_over_the_slant() {
        let mut views: BTreeMap<usize, FacetView<'_>> = images()
            .iter()
            .enumerate()
            .map(|(f, l)| (f + 1, view(f, l)))
            .collect();
        views.get_mut(&3).unwrap().black_mm += 0.5;
        views.get_mut(&3).unwrap().white_mm += 0.5;
        let steps = seam_steps(&views, &seams_of(&cube()), RADIUS_MM);
        for step in steps {
            if step.facets.contains(&3) {
                // Raised by h along the normal, a surface at right angles to the ray moves by
                // h times the cosine of the slant: 45° at mid-seam, 54.7° at corners.
                assert!(
                    step.worst_mm > 0.5 * 0.57 && step.worst_mm < 0.5,
                    "{step:?}"
                );
            } else {
                assert!(step.worst_mm < 0.002, "{step:?}");
            }
        }
    }

    #[test]
    fn the_worst_place_is_named() {
        let seam = SeamLine {
            label: "S01".into(),
            facets: [1, 2],
            from: DVec3::X,
            to: DVec3::Y,
        };
        let step = compare(&seam, &[5.0, 5.0, 5.0], &[5.0, 5.3, 4.9]);
        assert_abs_diff_eq!(step.worst_mm, 0.3, epsilon = 1e-12);
        assert_abs_diff_eq!(step.along, 0.5);
        assert_abs_diff_eq!(step.lon_deg, 45.0, epsilon = 1e-9);
        assert_abs_diff_eq!(step.mean_mm, 0.4 / 3.0, epsilon = 1e-12);
        let lost = compare(&seam, &[5.0, f64::NAN], &[5.0, 5.0]);
        assert_eq!(lost.worst_mm, f64::INFINITY);
    }

    #[test]
    fn a_subset_keeps_only_the_seams_it_can_measure() {
        let mut manifest = cube();
        manifest.facets.retain(|f| [1, 3, 4].contains(&f.id));
        let labels: Vec<[usize; 2]> = seams_of(&manifest).iter().map(|s| s.facets).collect();
        assert_eq!(labels, [[1, 3], [1, 4]]);
    }

    #[test]
    fn a_height_is_found_at_any_place_of_an_image_at_any_scale() {
        for pixel_mm in [0.0, -0.0, 5e-324, 1e-300, 1e300, f64::INFINITY, f64::NAN] {
            let view = FacetView {
                pixel_mm,
                ..view(0, &images()[0])
            };
            for place in [0.0, 1.0, -1.0, 1e300, -1e300] {
                view.height_mm(place, -place);
            }
        }
    }

    #[test]
    fn cubic_weights_reproduce_quadratics() {
        for t in [0.0, 0.25, 0.5, 0.9] {
            let (first, weights) = cubic(7.0 + t);
            let value: f64 = weights
                .iter()
                .enumerate()
                .map(|(i, w)| w * ((first + i as i64) as f64).powi(2))
                .sum();
            assert_abs_diff_eq!(value, (7.0_f64 + t).powi(2), epsilon = 1e-12);
        }
    }
}
