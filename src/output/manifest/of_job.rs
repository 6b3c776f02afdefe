//! What a manifest says before anything is drawn: job, source, globe and the geometry of facets.

use crate::carve::fit::Fit;
use crate::carve::relief::{Making, RangeBy};
use crate::carve::resample::Sampler;
use crate::carve::seams::{seam_relief, thinnest_corner};
use crate::model::geometry::{Solid, lat_lon_deg};
use crate::model::grid::{Hypsometry, Source};
use crate::model::jobfile::Job;
use crate::model::parallel;
use crate::model::places::{on_facet, places};
use crate::model::settings::{NamedPlace, Settings};
use crate::output;
use crate::output::manifest::{
    Centre, Checks, EdgeEntry, FacetEntry, FrameEntry, GlobeEntry, ImageEntry, Manifest,
    PlaceEntry, ReliefEntry, SCHEMA, SourceEntry,
};
use crate::shop::saw::on_surface;
use glam::DMat3;

/// How the relief was made, as the manifest lists it; nothing for relief that came finished.
pub fn relief_entry(making: &Making, range_mm: f64) -> Option<ReliefEntry> {
    let by = match making.range? {
        RangeBy::Job => "job",
        RangeBy::Diameter => "diameter",
        RangeBy::Wood => "wood",
    };
    Some(ReliefEntry {
        range_mm,
        range_by: by.to_owned(),
        detail: making.detail,
        raised_share: making.raised.share,
        raised_most_mm: making.raised.most_mm,
        figures: making.figures,
    })
}

/// The manifest of a job's chosen facets; counts and measurements of images are blank.
pub fn manifest_of(
    job: &Job,
    source: &Source,
    solid: &Solid,
    turn: &DMat3,
    fit: &Fit,
    chosen: &[usize],
    sampler: &Sampler,
) -> Manifest {
    let settings = &job.settings;
    let nearest = fit.kinds.iter().map(|kind| kind.back_plane_mm);
    let places = places(source.body.as_deref(), settings);
    let rows = turn.transpose().to_cols_array_2d();
    let facets = parallel::mapped(chosen, &|&face| FacetEntry {
        places: place_entries(&places, settings, solid, fit, face),
        ..blank_facet(settings, solid, fit, face, sampler)
    });
    Manifest {
        schema: SCHEMA.into(),
        program: format!("globewright {}", env!("CARGO_PKG_VERSION")),
        job: job.resolved.clone(),
        source: source_entry(source),
        globe: GlobeEntry {
            solid: solid.name.into(),
            radius_mm: settings.globe.diameter_mm / 2.0,
            base: settings.globe.base,
            projection: settings.globe.projection,
            back_plane_mm: nearest.fold(f64::INFINITY, f64::min),
            stock_mm: settings.stock.thickness_mm,
            skim_mm: settings.stock.skim_mm,
            edge_mm: settings.stock.edge_mm,
            trim_mm: settings.stock.trim_mm,
            turn: rows,
        },
        curve: fit.curve.clone(),
        relief: None,
        image: ImageEntry {
            width_px: fit
                .kinds
                .iter()
                .map(|kind| kind.width_px)
                .max()
                .unwrap_or(0),
            height_px: fit
                .kinds
                .iter()
                .map(|kind| kind.height_px)
                .max()
                .unwrap_or(0),
            pixel_mm: settings.image.pixel_mm,
            black_mm: fit.black_mm,
            white_mm: fit.white_mm,
        },
        facets,
        cutting: None,
        mesh: None,
        checks: Checks {
            seams: None,
            clipped_px: 0,
            undercut_px: 0,
        },
        warnings: Vec::new(),
        files: Vec::new(),
    }
}

/// The places on a facet.
fn place_entries(
    places: &[NamedPlace],
    settings: &Settings,
    solid: &Solid,
    fit: &Fit,
    face: usize,
) -> Vec<PlaceEntry> {
    let distance_mm = fit.kinds[solid.faces[face].kind].base_distance_mm;
    on_facet(places, solid, face)
        .into_iter()
        .map(|on| {
            let at = on_surface(on.local, 0.0, distance_mm, settings);
            PlaceEntry {
                name: on.place.name.clone(),
                lat_deg: on.place.lat_deg,
                lon_deg: on.place.lon_deg,
                x_mm: at.x,
                y_mm: at.y,
            }
        })
        .collect()
}

/// What the manifest says of the grid.
fn source_entry(source: &Source) -> SourceEntry {
    SourceEntry {
        file: source.files_text(),
        width: source.width,
        height: source.height,
        cell_deg: source.cell_deg,
        west_deg: source.west_deg,
        north_deg: source.north_deg,
        registration: source.registration.into(),
        unit: source.unit.clone(),
        body: source.body.clone(),
        reference_radius_m: source.reference_radius_m,
        min_m: source.min.height_m,
        max_m: source.max.height_m,
        mean_m: source.hypsometry.mean_m,
        filled_cells: source.filled_cells,
        filled_share: source.filled_share,
        clipped_cells: source.clipped_cells,
        ground_share: ground_share(&source.hypsometry),
        notes: source.notes.clone(),
    }
}

/// Bands of height in which the manifest lists the ground.
const GROUND_BANDS: usize = 120;

/// Share of the sphere in each of equal bands from the lowest to the highest ground.
fn ground_share(ground: &Hypsometry) -> Vec<f64> {
    let (low, high) = (ground.min_m(), ground.max_m());
    let below = |i: usize| match i {
        0 => 0.0,
        GROUND_BANDS => 1.0,
        i => ground.share_below(low + (high - low) * i as f64 / GROUND_BANDS as f64),
    };
    (0..GROUND_BANDS).map(|i| below(i + 1) - below(i)).collect()
}

fn blank_facet(
    settings: &Settings,
    solid: &Solid,
    fit: &Fit,
    index: usize,
    sampler: &Sampler,
) -> FacetEntry {
    let face = &solid.faces[index];
    let kind = &fit.kinds[face.kind];
    let label = format!("{:02}", index + 1);
    let (lat_deg, lon_deg) = lat_lon_deg(face.frame.z);
    FacetEntry {
        id: index + 1,
        file: output::image_file(&label, settings.image.format),
        label,
        kind: face.kind,
        width_px: kind.width_px,
        height_px: kind.height_px,
        back_plane_mm: kind.back_plane_mm,
        base_distance_mm: kind.base_distance_mm,
        frame: FrameEntry::from(face.frame),
        centre: Centre { lat_deg, lon_deg },
        corners_mm: kind
            .corners_mm
            .iter()
            .map(|corner| corner.to_array())
            .collect(),
        edges: face
            .edges
            .iter()
            .map(|edge| {
                let (seam_low_mm, seam_high_mm) = seam_relief(solid, edge.seam, settings, sampler);
                EdgeEntry {
                    neighbour: edge.neighbour + 1,
                    seam: format!("S{:02}", edge.seam + 1),
                    tilt_deg: edge.tilt_rad.to_degrees(),
                    seam_low_mm,
                    seam_high_mm,
                }
            })
            .collect(),
        places: Vec::new(),
        min_mm: 0.0,
        max_mm: 0.0,
        corner_mm: thinnest_corner(solid, index, &fit.facets[index], sampler),
        clipped_high_px: 0,
        clipped_low_px: 0,
        undercut_px: 0,
        carved_px: 0,
    }
}
