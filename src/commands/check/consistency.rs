//! Whether a manifest agrees with itself.

use super::CheckLine;
use crate::model::geometry::{direction, lat_lon_deg};
use crate::output::manifest::file::stays_inside;
use crate::output::manifest::{EdgeEntry, FacetEntry, Manifest};
use glam::{DMat3, DVec3};
use std::collections::BTreeSet;
use std::path::Path;

/// Allowed error of unit vectors and their products: far above rounding, far below a pixel.
const AXES: f64 = 1e-9;

/// Allowed error of angles listed in degrees.
const ANGLE_DEG: f64 = 1e-6;

/// Allowed error of lengths listed in mm.
const LENGTH_MM: f64 = 1e-6;

/// Fewest knots of a curve.
const FEWEST_KNOTS: usize = 257;

/// What a group of checks found: nothing, or the first thing that is wrong.
type Finding = Result<(), String>;

/// Every check that needs the manifest alone, one line for each subject.
pub fn lines(manifest: &Manifest) -> Vec<CheckLine> {
    let subjects: [(&str, Finding); 7] = [
        ("facet list", facet_list(manifest)),
        ("facet axes", axes(manifest)),
        ("outlines", each(manifest, outline)),
        (
            "neighbours",
            each(manifest, |facet| neighbours(manifest, facet)),
        ),
        ("levels", levels(manifest)),
        ("curve", curve(manifest)),
        ("counts", counts(manifest)),
    ];
    subjects
        .into_iter()
        .map(|(subject, finding)| CheckLine::new(subject, finding.map(|()| "consistent".into())))
        .collect()
}

/// The first facet with something wrong.
fn each(manifest: &Manifest, check: impl Fn(&FacetEntry) -> Finding) -> Finding {
    manifest
        .facets
        .iter()
        .try_for_each(|facet| check(facet).map_err(|what| format!("facet {}: {what}", facet.label)))
}

fn ensure(right: bool, what: impl FnOnce() -> String) -> Finding {
    if right { Ok(()) } else { Err(what()) }
}

/// Whether two numbers agree; a NaN agrees with nothing.
fn near(a: f64, b: f64, tolerance: f64) -> bool {
    (a - b).abs() <= tolerance
}

fn facet_list(manifest: &Manifest) -> Finding {
    ensure(!manifest.facets.is_empty(), || "there are no facets".into())?;
    for pair in manifest.facets.windows(2) {
        ensure(pair[0].id < pair[1].id, || {
            format!("facet {} comes before facet {}", pair[0].id, pair[1].id)
        })?;
    }
    let mut files = BTreeSet::new();
    each(manifest, |facet| {
        let inside = stays_inside(Path::new(&facet.file));
        ensure(inside && !facet.file.is_empty(), || {
            format!("its image \"{}\" is not inside the folder", facet.file)
        })?;
        ensure(facet.id > 0 && facet.label.parse() == Ok(facet.id), || {
            format!("its number is {}", facet.id)
        })
    })?;
    for facet in &manifest.facets {
        ensure(files.insert(&facet.file), || {
            format!("two facets share the image {}", facet.file)
        })?;
    }
    let widest = manifest.facets.iter().map(|f| f.width_px).max();
    let highest = manifest.facets.iter().map(|f| f.height_px).max();
    let image = (
        Some(manifest.image.width_px),
        Some(manifest.image.height_px),
    );
    ensure(image >= (widest, highest), || {
        "an image is larger than the largest size listed".into()
    })
}

/// Square, of length one and right-handed.
fn is_rotation(x: DVec3, y: DVec3, z: DVec3) -> bool {
    let m = DMat3::from_cols(x, y, z);
    let identity = m.transpose() * m;
    let square = identity.abs_diff_eq(DMat3::IDENTITY, AXES);
    square && near(m.determinant(), 1.0, AXES)
}

fn axes(manifest: &Manifest) -> Finding {
    let [x, y, z] = manifest.globe.turn.map(DVec3::from_array);
    ensure(is_rotation(x, y, z), || {
        "the globe's turn is not a rotation".into()
    })?;
    each(manifest, |facet| {
        let frame = facet.frame.axes();
        ensure(is_rotation(frame.x, frame.y, frame.z), || {
            "its axes are not square and right-handed".into()
        })?;
        let centre = direction(facet.centre.lat_deg, facet.centre.lon_deg);
        let apart = centre.angle_between(frame.z).to_degrees();
        ensure(apart <= 10.0 * ANGLE_DEG, || {
            let (lat, lon) = lat_lon_deg(frame.z);
            format!("its axes point to {lat:.4} N {lon:.4} E, not to its centre")
        })
    })
}

fn outline(facet: &FacetEntry) -> Finding {
    let corners = &facet.corners_mm;
    ensure(corners.len() >= 3, || {
        "it has fewer than three corners".into()
    })?;
    ensure(corners.len() == facet.edges.len(), || {
        format!("{} corners but {} edges", corners.len(), facet.edges.len())
    })?;
    let [x, y] = corners[0];
    ensure(near(x, 0.0, LENGTH_MM) && y > 0.0, || {
        "its index corner is not straight up from the centre".into()
    })?;
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % corners.len()];
        ensure(a[0] * b[1] - a[1] * b[0] > 0.0, || {
            "its corners do not run counter-clockwise".into()
        })?;
    }
    Ok(())
}

fn neighbours(manifest: &Manifest, facet: &FacetEntry) -> Finding {
    for edge in &facet.edges {
        let Some(other) = manifest.facets.iter().find(|f| f.id == edge.neighbour) else {
            continue;
        };
        let back = |e: &&EdgeEntry| e.neighbour == facet.id && e.seam == edge.seam;
        let Some(twin) = other.edges.iter().find(back) else {
            return Err(format!(
                "seam {} leads to facet {}, which does not lead back",
                edge.seam, other.label
            ));
        };
        // Outward normals lean apart by 180 degrees minus the angle between the faces.
        let lean = facet.frame.axes().z.angle_between(other.frame.axes().z);
        let tilts = edge.tilt_deg + twin.tilt_deg;
        ensure(near(tilts, lean.to_degrees(), ANGLE_DEG), || {
            format!(
                "the tilts at seam {} add up to {tilts:.4} degrees, not {:.4}",
                edge.seam,
                lean.to_degrees()
            )
        })?;
    }
    Ok(())
}

fn levels(manifest: &Manifest) -> Finding {
    let image = &manifest.image;
    let stock = manifest.globe.stock_mm;
    ensure(image.pixel_mm > 0.0, || {
        format!("the pixel size is {} mm", image.pixel_mm)
    })?;
    ensure(image.black_mm < image.white_mm, || {
        format!(
            "black is {} mm and white {} mm",
            image.black_mm, image.white_mm
        )
    })?;
    ensure(near(image.white_mm, stock, LENGTH_MM), || {
        format!(
            "white is {} mm but the stock is {stock} mm thick",
            image.white_mm
        )
    })?;
    each(manifest, |facet| {
        let (low, high) = (facet.min_mm, facet.max_mm);
        let inside =
            image.black_mm - LENGTH_MM <= low && low <= high && high <= image.white_mm + LENGTH_MM;
        ensure(inside, || {
            format!(
                "its heights run from {low} to {high} mm, outside {} to {} mm",
                image.black_mm, image.white_mm
            )
        })
    })
}

fn curve(manifest: &Manifest) -> Finding {
    let (metres, relief) = (&manifest.curve.knots_m, &manifest.curve.knots_mm);
    ensure(metres.len() == relief.len(), || {
        format!("{} heights but {} reliefs", metres.len(), relief.len())
    })?;
    ensure(metres.len() >= FEWEST_KNOTS, || {
        format!("{} knots, fewer than {FEWEST_KNOTS}", metres.len())
    })?;
    ensure(metres.windows(2).all(|pair| pair[0] < pair[1]), || {
        "the heights do not rise".into()
    })?;
    ensure(relief.windows(2).all(|pair| pair[0] <= pair[1]), || {
        "the relief falls somewhere".into()
    })
}

fn counts(manifest: &Manifest) -> Finding {
    let clipped = manifest.total(FacetEntry::clipped_px);
    let undercut = manifest.total(|f| f.undercut_px);
    let checks = &manifest.checks;
    ensure(clipped == checks.clipped_px, || {
        format!(
            "the facets' cut-off pixels add up to {clipped}, not {}",
            checks.clipped_px
        )
    })?;
    ensure(undercut == checks.undercut_px, || {
        format!(
            "the facets' undercut pixels add up to {undercut}, not {}",
            checks.undercut_px
        )
    })
}
