//! From a planet's elevation grid to carve-ready facet images for a wooden globe.
//!
//! One facet of a planet made of a formula, in memory, without any file:
//!
//! ```
//! use globewright::{Grid, Settings, facet};
//!
//! // A planet of gentle hills, a cell to each 2°, heights in metres.
//! let hills = Grid::of_formula(180, |lat_deg, lon_deg| {
//!     800.0 * (3.0 * lon_deg.to_radians()).sin() * lat_deg.to_radians().cos()
//! });
//! let mut settings = Settings::default();
//! settings.globe.solid = "dodecahedron".into();
//! settings.image.pixel_mm = 0.5;
//! let image = facet(hills, &settings, 1)?;
//! let (rows, columns) = image.levels.dim();
//! assert!(rows > 100 && columns > 100);
//! assert_eq!(image.stats.undercut_px, 0);
//! # Ok::<(), globewright::Error>(())
//! ```
//!
//! From a job file and its grid to a folder for the shop:
//!
//! ```
//! use globewright::{FacetsOptions, Silent, facets, load_job};
//! use std::path::Path;
//!
//! let job = Path::new("sample-rasters/ashkerry.toml");
//! let job = load_job(job, &["image.pixel=1 mm".into()])?;
//! let folder = tempfile::tempdir().expect("a place for files that are thrown away");
//! let options = FacetsOptions {
//!     out: folder.path().join("globe"),
//!     ..FacetsOptions::default()
//! };
//! let summary = facets(&job, &options, &Silent)?;
//! assert!(options.out.join("globe.json").exists());
//! assert_eq!(summary.manifest.facets.len(), 12);
//! # Ok::<(), globewright::Error>(())
//! ```
//!
//! Lengths are in mm, heights in metres, angles in degrees where a name says so and in radians
//! elsewhere; frames and formulas are in `docs/conventions.md`.
//!
//! The source stands in floors, each a folder that uses only those below it; a test,
//! `tests/all/layers.rs`, holds them to that. From the top: `commands` conducts, `show` draws and
//! writes for people, `output` writes for machines, `shop` is the arithmetic of saw and bench,
//! `carve` holds the stages, `read` alone knows GDAL, `sphere` measures and smooths fields, `model`
//! is what all of them speak of.

mod carve;
mod commands;
mod model;
mod output;
mod read;
mod shop;
mod show;
mod sphere;
#[cfg(test)]
mod testing;

// What goes wrong, by who must act.
pub use model::error::{Error, Problem, Result};

// A job: settings, and the file they are written in.
pub use model::jobfile::{
    Job, load as load_job, parse as parse_job, starter, without_file as job_without_file,
};
pub use model::length::parse_mm;
pub use model::progress::{Progress, Silent};
pub use model::ranges::{parse_bytes, parse_facets};
pub use model::settings::{
    Base, CurveShape, GridSettings, Outside, Projection, ReliefSettings, Settings, TurningSettings,
};

// Grids and solids.
pub use model::curve::Curve;
pub use model::geometry::{Frame, Solid, a_solid, direction, lat_lon_deg};
pub use model::grid::{Grid, Hypsometry, Registration, Source};
pub use read::subprocess::{read_in_another_process, serve_reading_if_asked};
pub use read::{ReadRequest, inspect, read};

// The commands.
pub use commands::check::{CheckReport, check};
pub use commands::curves::{CurvesOptions, curves, sheet_in};
pub use commands::facets::{FacetsOptions, Summary, facet, facets};
pub use commands::join::join;
pub use commands::plan::{PlanOptions, compare_solids, plan};
#[cfg(feature = "preview")]
pub use commands::preview::{PreviewOptions, Session, Values, ViewRequest, quiet, serve};
pub use commands::turn::turn;

// The stages, for those who need one alone.
pub use carve::compress::unit_curve;
pub use carve::cutter::{Tool, ToolShape, morphology::close, rough::surface_mm};
pub use carve::resample::{
    Bounds, Directions, FacetImage, FacetSpec, LANES, Sampler, Scratch, render,
};
pub use carve::turn::{cost::Costing, search::search};

// What is written.
pub use output::folder::{PAGE_FILE, clean_up_on_interrupt, write_whole};
pub use output::manifest::{FacetEntry, Manifest};
pub use output::png::encode as encode_png;
pub use output::tiff::encode as encode_tiff;
pub use output::{ImageFacts, json_value};
