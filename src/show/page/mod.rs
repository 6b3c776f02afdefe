//! `report.html`: the whole result on one page that needs nothing but itself.
//!
//! Input: the manifest, what finalising kept of every facet's image, and the shop plan where there is
//! one. Output: the page as text. Numbers come from the manifest and the report's own sections;
//! nothing is worked out a second time for the page.

mod card;
mod curve_chart;
mod facet_map;
mod packed;
mod prose;

pub use facet_map::Patch;

use crate::model::geometry::{a_solid, place_name};
use crate::model::length::Lengths;
use crate::output::folder::PAGE_FILE;
use crate::output::manifest::{EdgeEntry, FacetEntry, Manifest};
use crate::output::mesh::{Heightmap, Mesh, Outline, TOLERANCE_MM, Terrain, close, corners_mm};
use crate::show::report::overview::{SheetLayout, Thumb};
use crate::show::report::{self, kind_name};
use crate::show::sheets::Planned;
use crate::{Error, Problem, Result};
use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use glam::DVec3;
use minijinja::value::Serde;
use minijinja::{Environment, UndefinedBehavior, Value, context};
use ndarray::Array2;
use sha2::{Digest, Sha256};

/// Most triangles of carved ground on the whole ball. More take longer to draw than a reader
/// likes to wait; rough ground in fine pixels then is shown with a larger error, which the page
/// states.
const MOST_TRIANGLES: usize = 700_000;

/// Sections of the report that a folder without images has no use for, or that the plan tells
/// better.
const OF_IMAGES: [&str; 6] = [
    "Loading the images",
    "Facets",
    "Saw",
    "Seams",
    "Cautions",
    "Warnings",
];

/// How fast the tolerance grows where the ground is too rough for that many triangles.
const COARSER: f64 = 1.3;

const TEMPLATE: &str = include_str!("report.html");
const STYLE: &str = include_str!("page.css");
/// In the order they run.
const SCRIPTS: [&str; 3] = [
    include_str!("vendor/three.min.js"),
    include_str!("viewer.js"),
    include_str!("page.js"),
];

/// What the page keeps of one facet once its image is written.
#[derive(Debug, Clone, PartialEq)]
pub struct FacetRemains {
    /// The finished facet.
    sawn: packed::Packed,
    /// The blank as it comes off the machine.
    blank: packed::Packed,
    error_mm: f64,
    patch: Patch,
}

/// Everything the page shows.
pub struct PageInput<'a> {
    /// What `globe.json` holds.
    pub manifest: &'a Manifest,
    /// Layout and pictures of the overview.
    pub layout: &'a SheetLayout,
    /// One per facet, in the manifest's order.
    pub thumbs: &'a [Thumb],
    /// Likewise.
    pub kept: &'a [FacetRemains],
    /// The shop plan, where there is one.
    pub shop: Option<&'a Planned>,
    /// Whether images are beside the page; a plan has none.
    pub images: bool,
}

/// Meshes one facet and takes its part of the map from its image.
pub fn keep(manifest: &Manifest, facet: &FacetEntry, levels: &Array2<u16>) -> FacetRemains {
    let image = &manifest.image;
    let heights = Heightmap {
        levels,
        pixel_mm: image.pixel_mm,
        black_mm: image.black_mm,
        white_mm: image.white_mm,
    };
    let [sawn, blank] = meshes(manifest, facet, &heights);
    let reach_mm = blank.points.iter().map(|p| p.abs().max_element());
    let step_mm = packed::step_mm(reach_mm.fold(0.0, f64::max));
    let back_mm = DVec3::Z * facet.back_plane_mm;
    let corners_mm = corners_mm(manifest, facet);
    let corners_mm: Vec<_> = corners_mm
        .iter()
        .map(|corner| (*corner - back_mm).to_array())
        .collect();
    FacetRemains {
        error_mm: sawn.error_mm.max(blank.error_mm) + step_mm,
        sawn: packed::pack(facet, corners_mm.clone(), &sawn, step_mm),
        blank: packed::pack(facet, corners_mm, &blank, step_mm),
        patch: facet_map::patch(manifest, facet, &heights),
    }
}

/// The finished facet and its blank with the trim, from one surface of no more triangles than the
/// facet's share.
fn meshes(manifest: &Manifest, facet: &FacetEntry, heights: &Heightmap<'_>) -> [Mesh; 2] {
    let share = MOST_TRIANGLES / manifest.facets.len().max(1);
    let blank = Outline::blank(manifest, facet);
    let mut terrain = Terrain::new(heights, &blank);
    let reach_mm = heights.pixel_mm * 0.5 * facet.width_px.max(facet.height_px) as f64;
    let mut tolerance_mm = TOLERANCE_MM - packed::step_mm(reach_mm).min(0.5 * TOLERANCE_MM);
    while terrain.estimate(tolerance_mm) > share {
        tolerance_mm *= COARSER;
    }
    let surface = terrain.surface(tolerance_mm);
    let sawn = close(surface.clone(), &Outline::sawn(manifest, facet));
    [sawn, close(surface, &blank)]
}

/// What goes with all facets' meshes, and their bytes as text.
fn bundle<'a>(
    packed: impl Iterator<Item = &'a packed::Packed>,
) -> (Vec<&'a packed::PackedHead>, String) {
    let (heads, bytes): (Vec<_>, Vec<_>) = packed.map(|(head, bytes)| (head, &bytes[..])).unzip();
    (heads, BASE64.encode(packed::deflated(&bytes.concat())))
}

/// The page.
///
/// # Errors
/// [`Error::Disk`] never in practice: only if a drawing or the template were malformed.
pub fn page(input: &PageInput<'_>) -> Result<String> {
    let manifest = input.manifest;
    let mut told = prose::sections(&report::text(manifest));
    if !input.images {
        told.retain(|section| !OF_IMAGES.contains(&section.title.as_str()));
    }
    for section in told.iter_mut().filter(|section| section.title == "Facets") {
        // The cards have that name on the page.
        section.title = "Facets in one table".to_owned();
    }
    let cards = cards(input)?;
    let ((heads, bytes), (blank_heads, blank_bytes)) = rayon::join(
        || bundle(input.kept.iter().map(|kept| &kept.sawn)),
        || bundle(input.kept.iter().map(|kept| &kept.blank)),
    );
    let error_mm = input
        .kept
        .iter()
        .map(|kept| kept.error_mm)
        .fold(0.0, f64::max);
    let (first, rest): (Vec<_>, Vec<_>) = told.into_iter().partition(|section| {
        ["Warnings", "The globe", "The wood"].contains(&section.title.as_str())
    });
    let shop = input.shop.map(|shop| {
        let drawings: Vec<_> = shop
            .drawings
            .iter()
            .enumerate()
            .map(|(i, (title, svg))| {
                context! { title, svg => safe(unique_ids(svg, &format!("shop{i}-"))) }
            })
            .collect();
        context! { parts => parts("shop", prose::sections(&shop.report)), drawings }
    });
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment
        .add_template(PAGE_FILE, TEMPLATE)
        .map_err(|e| failed(&e))?;
    let template = environment
        .get_template(PAGE_FILE)
        .map_err(|e| failed(&e))?;
    let title = manifest.title();
    let say = manifest.lengths();
    template
        .render(context! {
            title,
            solid => a_solid(&manifest.globe.solid.replace('-', " ")),
            diameter => say.text(2.0 * manifest.globe.radius_mm),
            facet_count => manifest.facets.len(),
            policy => policy(),
            style => safe(STYLE.to_owned()),
            scripts => SCRIPTS.map(|script| safe(script.to_owned())).to_vec(),
            heads => Value::from(Serde(&heads)),
            bytes => safe(bytes),
            blank_heads => Value::from(Serde(&blank_heads)),
            blank_bytes => safe(blank_bytes),
            error => say.fine(error_mm),
            tolerance_met => error_mm <= TOLERANCE_MM,
            map => safe(facet_map::svg(manifest, input.kept.iter().map(|kept| &kept.patch))?),
            curve => safe(unique_ids(&curve_chart::chart(manifest)?, "curve-")),
            curve_name => manifest.curve.name.as_str(),
            slopes => Value::from(Serde(&curve_chart::slopes(manifest))),
            first => parts("about", first),
            rest => parts("more", rest),
            cards,
            places => manifest.facets.iter().any(|facet| !facet.places.is_empty()),
            shop,
            images => input.images,
            settings => settings(manifest),
            program => manifest.program.as_str(),
        })
        .map_err(|e| failed(&e))
}

fn failed(error: &minijinja::Error) -> Error {
    Error::Disk(Problem::new(format!(
        "the report page could not be made: {error:#}"
    )))
}

/// Text that is markup already.
fn safe(text: String) -> Value {
    Value::from_safe_string(text)
}

/// Only the page's own scripts and style may run or load, and only pictures inside the page.
fn policy() -> String {
    let hash = |text: &str| {
        format!(
            "'sha256-{}'",
            BASE64.encode(Sha256::digest(text.as_bytes()))
        )
    };
    let scripts = SCRIPTS.map(hash).join(" ");
    format!(
        "default-src 'none'; script-src {scripts}; style-src {}; img-src data:; base-uri 'none'; \
         form-action 'none'",
        hash(STYLE)
    )
}

fn parts(prefix: &str, sections: Vec<prose::Section>) -> Vec<Value> {
    let part = |(i, section): (usize, prose::Section)| {
        let id = format!("{prefix}-{}", i + 1);
        context! { id, title => section.title, html => safe(section.html) }
    };
    sections.into_iter().enumerate().map(part).collect()
}

fn cards(input: &PageInput<'_>) -> Result<Vec<Value>> {
    let say = input.manifest.lengths();
    let facets = input.manifest.facets.iter().zip(input.thumbs);
    facets
        .map(|(facet, thumb)| {
            let drawing = card::draw(input.manifest, facet, input.layout, thumb)?;
            let size = if drawing.share == 1.0 {
                "True size when printed at 100 %".to_owned()
            } else {
                format!(
                    "{:.1} % of true size when printed at 100 %",
                    100.0 * drawing.share
                )
            };
            Ok(context! {
                id => facet.id,
                label => facet.label.as_str(),
                known_for => facet.known_for().unwrap_or(""),
                kind => kind_name(facet.kind).to_string(),
                place => place_name(facet.centre.lat_deg, facet.centre.lon_deg),
                file => if input.images { facet.file.as_str() } else { "" },
                drawing => safe(drawing.svg),
                size,
                rows => pairs(rows(input, facet)),
                seams => facet.edges.iter().enumerate().map(|row| seam_row(row, say)).collect::<Vec<Value>>(),
            })
        })
        .collect()
}

fn rows(input: &PageInput<'_>, facet: &FacetEntry) -> Vec<(&'static str, String)> {
    let image = &input.manifest.image;
    let say = input.manifest.lengths();
    let mut rows = vec![
        ("Lowest ground", say.text(facet.min_mm)),
        ("Highest ground", say.text(facet.max_mm)),
        ("Thinnest corner", say.at_most(facet.corner_mm)),
        (
            "Black and white level",
            format!(
                "{} and {}",
                say.text(image.black_mm),
                say.text(image.white_mm)
            ),
        ),
    ];
    if input.images {
        rows.extend([
            (
                "Held at a level (clamped)",
                format!("{} pixels", facet.clipped_px()),
            ),
            ("Undercut", format!("{} pixels", facet.undercut_px)),
            (
                "Image",
                format!("{} by {} pixels", facet.width_px, facet.height_px),
            ),
        ]);
    }
    rows
}

fn seam_row((i, edge): (usize, &EdgeEntry), say: Lengths) -> Value {
    context! {
        side => i + 1,
        seam => edge.seam.as_str(),
        facet => edge.neighbour,
        neighbour => format!("{:02}", edge.neighbour),
        tilt => format!("{:.2}°", edge.tilt_deg),
        low => say.signed(edge.seam_low_mm),
        high => say.signed(edge.seam_high_mm),
    }
}

/// Rows of a name and a value.
fn pairs<N: Into<Value>>(rows: Vec<(N, String)>) -> Vec<Value> {
    let pair = |(name, value): (N, String)| context! { name => name.into(), value };
    rows.into_iter().map(pair).collect()
}

/// Every setting of the job by its full name.
fn settings(manifest: &Manifest) -> Vec<Value> {
    let mut rows = Vec::new();
    flatten("", &manifest.job, &mut rows);
    pairs(rows)
}

fn flatten(name: &str, value: &serde_json::Value, rows: &mut Vec<(String, String)>) {
    let inner = |key: &str| match name {
        "" => key.to_owned(),
        name => format!("{name}.{key}"),
    };
    match value {
        serde_json::Value::Object(fields) => {
            fields
                .iter()
                .for_each(|(key, value)| flatten(&inner(key), value, rows));
        }
        serde_json::Value::Array(items) if items.iter().any(serde_json::Value::is_object) => {
            for (i, item) in items.iter().enumerate() {
                flatten(&format!("{name} {}", i + 1), item, rows);
            }
        }
        serde_json::Value::Null => rows.push((name.to_owned(), "not given".to_owned())),
        serde_json::Value::String(text) => rows.push((name.to_owned(), text.clone())),
        other => rows.push((name.to_owned(), other.to_string())),
    }
}

/// A drawing whose names cannot clash with another's on the same page.
fn unique_ids(svg: &str, prefix: &str) -> String {
    svg.replace(" id=\"", &format!(" id=\"{prefix}"))
        .replace("url(#", &format!("url(#{prefix}"))
}

#[cfg(test)]
mod tests;
