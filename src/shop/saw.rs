//! Set-up of the saw, and the seam sheet.
//!
//! A seam is cut along the plane through the globe's centre: tilted atan(r/d) from vertical, r
//! the distance of the face's edge from its centre, d the distance of the face from the globe's
//! centre. At height z above the jig the cut line runs (c + z)·tan(tilt) from the jig's axis. A
//! blade that stands h above the table when upright reaches h·cos(tilt) when tilted; h is the
//! job's, or what arbor and table leave of the blade's radius.

use crate::carve::fit::Fit;
use crate::carve::seams::SeamGround;
use crate::model::geometry::Solid;
use crate::model::settings::{Base, Projection, Settings};
use glam::DVec3;
use serde::Serialize;

/// A height and how far from the left corner it lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct At {
    /// The height, mm.
    pub height_mm: f64,
    /// Distance from the left corner along the side, mm; `None` without the grid.
    pub from_left_mm: Option<f64>,
}

/// One side of a facet on the seam sheet.
///
/// Left is the left hand of someone who has the facet in front of them, face up, with this side
/// towards them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeamRow {
    /// Side of the facet, from 0: from its corner to the next.
    pub side: usize,
    /// Index of the seam.
    pub seam: usize,
    /// Index of the neighbouring facet.
    pub neighbour: usize,
    /// Tilt from vertical, degrees.
    pub tilt_deg: f64,
    /// Lowest relief on the seam, mm about the datum.
    pub lowest: At,
    /// Highest relief on the seam, mm about the datum.
    pub highest: At,
    /// Highest wood above the jig on the seam: what the blade must clear.
    pub wood: At,
    /// Height the blade must stand above the table, mm.
    pub blade_mm: f64,
    /// Length of the side on the base surface, corner to corner, mm.
    pub length_mm: f64,
}

/// Set-up for one side of the blanks of a kind.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SideSetUp {
    /// Side, from 0: from its corner to the next, counter-clockwise from the index corner.
    pub side: usize,
    /// Tilt from vertical, degrees.
    pub tilt_deg: f64,
    /// Angle between blade and table, degrees: 90 less the tilt.
    pub table_deg: f64,
    /// From the jig's axis to the cut line at the jig, mm.
    pub at_jig_mm: f64,
    /// The same at the stock's top, mm.
    pub at_top_mm: f64,
    /// Highest wood above the jig on this side of any blank of the kind, mm.
    pub wood_mm: f64,
    /// Height the blade must stand above the table, mm.
    pub blade_mm: f64,
    /// How high the tilted blade can stand, mm.
    pub reach_mm: f64,
    /// Cuts: one for each blank of the kind, spares not counted.
    pub cuts: usize,
}

/// The seam sheet of every facet: `[face][side]`. `ground` by seam, or `None` without a grid: the
/// lowest and highest ground then may lie anywhere.
pub fn seam_sheet(
    solid: &Solid,
    fit: &Fit,
    ground: Option<&[SeamGround]>,
    settings: &Settings,
) -> Vec<Vec<SeamRow>> {
    let sheet = |face: usize| -> Vec<SeamRow> {
        let edges = 0..solid.faces[face].edges.len();
        edges
            .map(|side| row(solid, fit, ground, settings, face, side))
            .collect()
    };
    (0..solid.faces.len()).map(sheet).collect()
}

fn row(
    solid: &Solid,
    fit: &Fit,
    ground: Option<&[SeamGround]>,
    settings: &Settings,
    face: usize,
    side: usize,
) -> SeamRow {
    let edge = solid.faces[face].edges[side];
    let kind = &fit.kinds[solid.faces[face].kind];
    let corners = &kind.corners_mm;
    let left = corners[side];
    let right = corners[(side + 1) % corners.len()];
    let length_mm = left.distance(right);
    let (lowest, highest, wood) = match ground {
        Some(ground) => {
            let along = (right - left) / length_mm;
            let seam = &ground[edge.seam];
            let places: Vec<(f64, f64, f64)> = seam
                .directions
                .iter()
                .zip(&seam.relief_mm)
                .map(|(direction, &relief_mm)| {
                    let local = solid.faces[face].frame.to_local(*direction);
                    let point = on_surface(local, relief_mm, kind.base_distance_mm, settings);
                    let from_left = along.dot(point.truncate() - left);
                    (relief_mm, point.z - kind.back_plane_mm, from_left)
                })
                .collect();
            let pick = |value: fn(&(f64, f64, f64)) -> f64, sign: f64| {
                let first = places.first().copied().unwrap_or_default();
                let best = places.iter().fold(first, |best, place| {
                    if sign * value(place) > sign * value(&best) {
                        *place
                    } else {
                        best
                    }
                });
                At {
                    height_mm: value(&best),
                    from_left_mm: Some(best.2.clamp(0.0, length_mm)),
                }
            };
            (pick(|p| p.0, -1.0), pick(|p| p.0, 1.0), pick(|p| p.1, 1.0))
        }
        None => {
            let anywhere = |height_mm| At {
                height_mm,
                from_left_mm: None,
            };
            let (low, high) = (fit.curve.lowest_mm(), fit.curve.highest_mm());
            let reach = match settings.globe.base {
                Base::Sphere => (settings.globe.diameter_mm / 2.0 + high) * edge.tilt_rad.cos(),
                Base::Flat => kind.base_distance_mm + high,
            };
            (
                anywhere(low),
                anywhere(high),
                anywhere(reach - kind.back_plane_mm),
            )
        }
    };
    SeamRow {
        side,
        seam: edge.seam,
        neighbour: edge.neighbour,
        tilt_deg: edge.tilt_rad.to_degrees(),
        lowest,
        highest,
        wood,
        blade_mm: settings.saw.base_mm + wood.height_mm + settings.saw.above_mm,
        length_mm,
    }
}

/// The carved surface in a direction of the facet frame, z from the globe's centre, mm.
pub fn on_surface(local: DVec3, relief_mm: f64, distance_mm: f64, settings: &Settings) -> DVec3 {
    match (settings.globe.base, settings.globe.projection) {
        (Base::Sphere, _) => local * (settings.globe.diameter_mm / 2.0 + relief_mm),
        (Base::Flat, Projection::Radial) => local * (distance_mm / local.z + relief_mm),
        (Base::Flat, Projection::Gnomonic) => {
            local * (distance_mm / local.z) + DVec3::Z * relief_mm
        }
    }
}

/// Set-ups for every side of the blanks of a kind.
pub fn set_ups(
    solid: &Solid,
    fit: &Fit,
    sheet: &[Vec<SeamRow>],
    kind: usize,
    settings: &Settings,
) -> Vec<SideSetUp> {
    let faces = &solid.kinds[kind].faces;
    let back = fit.kinds[kind].back_plane_mm;
    let sides = 0..solid.kinds[kind].sides;
    sides
        .map(|side| {
            let tilt = solid.faces[faces[0]].edges[side].tilt_rad;
            let woods = faces.iter().map(|&face| sheet[face][side].wood.height_mm);
            let wood_mm = woods.fold(f64::NEG_INFINITY, f64::max);
            SideSetUp {
                side,
                tilt_deg: tilt.to_degrees(),
                table_deg: 90.0 - tilt.to_degrees(),
                at_jig_mm: back * tilt.tan(),
                at_top_mm: (back + settings.stock.thickness_mm) * tilt.tan(),
                wood_mm,
                blade_mm: settings.saw.base_mm + wood_mm + settings.saw.above_mm,
                reach_mm: settings.saw.reach_at_mm(tilt),
                cuts: faces.len(),
            }
        })
        .collect()
}
