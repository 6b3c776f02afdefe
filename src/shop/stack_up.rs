//! The stack-up: where the thickness of the stock goes, with the limit of each part.

use super::jig::Jig;
use crate::carve::fit::Fit;
use crate::model::settings::{Base, Settings};
use serde::Serialize;

/// The thickness of the blanks of one kind, from the back up; all in mm.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StackUp {
    /// Thickness of the stock.
    pub stock_mm: f64,
    /// Left at the top for clean-up.
    pub skim_mm: f64,
    /// Lowest to highest ground of the whole globe.
    pub relief_mm: f64,
    /// How much higher the ball itself is at the facet's middle than at its farthest corner.
    pub rise_mm: f64,
    /// Highest ground above the back.
    pub highest_mm: f64,
    /// Least thickness at a corner that could be, with the globe's lowest ground there.
    pub corner_least_mm: f64,
    /// Thinnest corner with the ground that is there; `None` without the grid.
    pub corner_mm: Option<f64>,
    /// Least thickness asked for at a corner.
    pub edge_mm: f64,
    /// Depth of the pocket; `None` without one.
    pub pocket_mm: Option<f64>,
    /// Wood between the pocket and the lowest ground that could lie above it.
    pub over_mm: Option<f64>,
    /// Least wood asked for there.
    pub over_least_mm: f64,
    /// Distance of the back from the globe's centre.
    pub back_plane_mm: f64,
    /// Datum radius, or distance of the face plane for a flat base.
    pub base_mm: f64,
    /// Farthest corner from the axis on the base surface.
    pub corner_out_mm: f64,
    /// Steepest tilt of the kind, degrees.
    pub tilt_deg: f64,
}

/// Adds up the blanks of one kind.
pub fn stack_up(
    fit: &Fit,
    kind: usize,
    jig: &Jig,
    corner_mm: Option<f64>,
    settings: &Settings,
) -> StackUp {
    let piece = &fit.kinds[kind];
    let farthest = piece
        .corners_mm
        .iter()
        .map(|p| p.length())
        .fold(0.0, f64::max);
    let radius_mm = settings.globe.diameter_mm / 2.0;
    let (base_mm, rise_mm) = match settings.globe.base {
        Base::Sphere => {
            let corner_z = (radius_mm * radius_mm - farthest * farthest)
                .max(0.0)
                .sqrt();
            (radius_mm, radius_mm - corner_z)
        }
        Base::Flat => (piece.base_distance_mm, 0.0),
    };
    let steepest = piece
        .sides
        .iter()
        .map(|s| s.slant.atan())
        .fold(0.0, f64::max);
    StackUp {
        stock_mm: settings.stock.thickness_mm,
        skim_mm: settings.stock.skim_mm,
        relief_mm: fit.range_mm,
        rise_mm,
        highest_mm: piece.highest_mm,
        corner_least_mm: piece.corner_mm,
        corner_mm,
        edge_mm: settings.stock.edge_mm,
        pocket_mm: jig.seat.as_ref().map(|_| settings.pocket_depth_mm()),
        over_mm: jig.seat.as_ref().map(|seat| seat.over_mm),
        over_least_mm: settings.jig.over_mm,
        back_plane_mm: piece.back_plane_mm,
        base_mm,
        corner_out_mm: farthest,
        tilt_deg: steepest.to_degrees(),
    }
}
