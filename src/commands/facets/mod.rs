//! The whole job from top to bottom: read, orient, compress, fit, resample, write, report.

mod facet_run;

use crate::carve::cutting::CutterSet;
use crate::carve::fit::Fit;
use crate::carve::orient::oriented;
use crate::carve::relief::{Ground, Making, Relief};
use crate::carve::resample::{Bounds, FacetImage, Sampler, Scratch, render, undercut_mm2};
use crate::commands::finalise::Finalise;
use crate::commands::turn::with_turn;
use crate::model::geometry::Solid;
use crate::model::grid::{Grid, Heights, Source};
use crate::model::jobfile::Job;
use crate::model::places::places;
use crate::model::progress::Progress;
use crate::model::settings::Settings;
use crate::output::folder::{NewFolder, RELIEF_FILE};
use crate::output::manifest::{Manifest, MeshEntry, manifest_of, relief_entry};
use crate::output::mesh::TOLERANCE_MM;
use crate::output::relief_file;
use crate::read::memory::{self, FacetSize, MemoryBudget, StoragePolicy};
use crate::read::stored_grid::StoredGrid;
use crate::read::{self, ReadRequest, Working};
use crate::show::sheets::{self, Basis};
use crate::show::warnings::Warning;
use crate::{Error, Problem, Result};
use facet_run::FacetRun;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Mutex;

/// What a run of the main job is asked for beside the job itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FacetsOptions {
    /// Folder to make.
    pub out: PathBuf,
    /// Numbers of the facets to make; `None` makes all.
    pub facets: Option<BTreeSet<usize>>,
    /// Write the finished relief of the whole body too.
    pub keep_relief: bool,
    /// Replace a folder that holds an earlier result.
    pub force: bool,
    /// Memory to stay below, bytes; `None` takes what the machine has free.
    pub memory_bytes: Option<u64>,
    /// Make the shop plan too.
    pub shop: bool,
    /// Say what bits reach even if the job names none: then for those most shops have.
    pub cutters: bool,
    /// Also write images of what the finishing bit leaves.
    pub carved: bool,
    /// Write meshes too: every blank as STL, the ball as glTF.
    pub mesh: bool,
}

/// What a run of the main job made.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// What `globe.json` holds.
    pub manifest: Manifest,
    /// The warnings in it, as values.
    pub warnings: Vec<Warning>,
    /// Those of the shop plan, when one was asked for.
    pub shop_warnings: Vec<String>,
}

/// Makes the facets of a job: images, manifest, report and overview, in a new folder.
///
/// # Errors
/// Every kind of [`Error`], by who must act; the folder then is not there, or as it was.
pub fn facets(job: &Job, options: &FacetsOptions, progress: &dyn Progress) -> Result<Summary> {
    run(job, options, progress).map_err(|error| job.locate(error))
}

/// Carves one facet of a grid in memory: nothing is read and nothing written.
///
/// Heights are metres about the level that `settings` name; a turn is taken as it is written
/// there. The image's levels are `(rows, columns)`, row 0 at the top (+y), column 0 at −x.
///
/// # Errors
/// [`Error::Job`] for settings that contradict each other or a number the solid does not have,
/// [`Error::Stock`] when the globe does not fit its wood.
pub fn facet(grid: Grid, settings: &Settings, number: usize) -> Result<FacetImage> {
    let (solid, _) = oriented(settings)?;
    let index = chosen_facets(&solid, Some(&BTreeSet::from([number])))?[0];
    let source = Source::of_grid(&grid);
    let Relief { ground, fit } = Relief::of(&solid, grid, &source, settings, false)?;
    let Ground { grid, curve, .. } = ground;
    Ok(render(
        &Sampler::new(&grid, &curve),
        &Bounds::new(&grid, &curve),
        &fit.facets[index],
        (curve.lowest_mm(), curve.highest_mm()),
        &mut Scratch::default(),
    ))
}

fn run(job: &Job, options: &FacetsOptions, progress: &dyn Progress) -> Result<Summary> {
    job.require_grid()?;
    oriented(&job.settings)?;
    let job = &with_turn(job, progress)?;
    let settings = &job.settings;
    let (solid, turn) = oriented(settings)?;
    let chosen = chosen_facets(&solid, options.facets.as_ref())?;
    let folder = NewFolder::begin(&options.out, options.force, progress)?;

    let with_bits = with_bits(settings, options);
    let bits = CutterSet::of(&with_bits);
    let budget = MemoryBudget::new(options.memory_bytes);
    let by_parts = settings.relief.follows_height() && !options.keep_relief;
    let file_in = by_parts.then(|| folder.path());
    let storage = StoragePolicy::of(settings, &solid, budget, bits.is_some(), file_in);
    let request = ReadRequest::of(settings);
    let (working, source) = read::read_within(&settings.grid, &request, &storage, progress)?;
    let Ready {
        fit,
        concurrent_facets,
        sampler,
        bounds,
        range_mm,
        making,
    } = match working {
        Working::Held(grid) => {
            let relief = Relief::of(&solid, grid, &source, settings, options.keep_relief)?;
            if options.keep_relief {
                keep_relief(&relief, &source, &folder)?;
            }
            Ready::held(relief, bits.is_some(), budget)?
        }
        Working::Stored(grid) => {
            let relief = Relief::curved(&solid, grid, &source, settings)?;
            Ready::stored(relief, bits.is_some(), budget)?
        }
    };
    if chosen.len() == solid.faces.len() {
        foresee_undercuts(&fit, &sampler)?;
    }
    sampler.check()?;
    // What the shop cannot make is found before anything is drawn.
    let body = source.body.as_deref();
    let plan = || shop_plan(&folder, &solid, &fit, &sampler, body, &with_bits, progress);
    let planned = options.shop.then(plan).transpose()?;
    let mut manifest = manifest_of(job, &source, &solid, &turn, &fit, &chosen, &sampler);
    manifest.relief = relief_entry(&making, fit.range_mm);
    let tolerance_mm = TOLERANCE_MM;
    manifest.mesh = options.mesh.then_some(MeshEntry { tolerance_mm });
    let drawing = FacetRun {
        settings,
        sampler: &sampler,
        bounds: &bounds,
        range_mm,
        fit: &fit,
        bits: bits.as_ref(),
        carved: options.carved,
        finalise: Finalise::of(&manifest),
        kinds: solid.faces.iter().map(|face| face.kind).collect(),
        folder: &folder,
        scratch: Mutex::default(),
    };
    let (traces, cut) = drawing.all(&mut manifest, concurrent_facets, progress)?;
    sampler.check()?;
    if let Some(bits) = &bits {
        let rings = drawing.rings(bits, &chosen)?;
        manifest.cutting = Some(bits.entry().with(cut, rings));
    }
    let (finalise, shop) = (&drawing.finalise, planned.as_ref());
    let warnings = finalise.write(&mut manifest, traces, shop, &folder)?;
    // A part may hold just the worst facets: the whole is judged, here or when parts are joined.
    if chosen.len() == solid.faces.len() {
        refuse_undercuts(&manifest)?;
    }
    // A folder in which a file is open, such as that of the grid, is not moved by Windows.
    drop((sampler, bounds));
    folder.finish()?;
    Ok(Summary {
        manifest,
        warnings,
        shop_warnings: planned.map_or(Vec::new(), |planned| planned.warnings),
    })
}

/// Writes the relief as it is to be carved, for other programs.
fn keep_relief(relief: &Relief, source: &Source, folder: &NewFolder) -> Result<()> {
    let bytes = relief_file::encode(&relief.ground.grid, source.reference_radius_m)?;
    folder.write(RELIEF_FILE, &bytes)
}

/// Plans the work at the bench for this very globe, and writes its sheets.
fn shop_plan(
    folder: &NewFolder,
    solid: &Solid,
    fit: &Fit,
    sampler: &Sampler,
    body: Option<&str>,
    settings: &Settings,
    progress: &dyn Progress,
) -> Result<sheets::Planned> {
    let input = sheets::ShopInput {
        solid,
        fit,
        sampler: Some(sampler),
        basis: &Basis::Grid,
        body,
        places: &places(body, settings),
        settings,
    };
    sheets::write_shop(folder, &input, progress)
}

/// All that facets are drawn from.
struct Ready {
    fit: Fit,
    /// Facets drawn at a time.
    concurrent_facets: usize,
    sampler: Sampler,
    bounds: Bounds,
    /// Lowest and highest relief, mm.
    range_mm: (f64, f64),
    making: Making,
}

/// The largest facet.
fn largest(fit: &Fit, bits: bool) -> FacetSize {
    let pixels = fit.kinds.iter();
    let pixels = pixels.map(|kind| kind.width_px as u64 * kind.height_px as u64);
    FacetSize {
        pixels: pixels.max().unwrap_or(0),
        pixel_mm: fit.facets.first().map_or(1.0, |spec| spec.pixel_mm),
        bits,
    }
}

impl Ready {
    /// From a grid in memory.
    fn held(relief: Relief, bits: bool, budget: MemoryBudget) -> Result<Ready> {
        let Relief { ground, fit } = relief;
        let Ground {
            grid,
            curve,
            making,
            ..
        } = ground;
        let concurrency =
            memory::facet_concurrency(grid.layout(), false, largest(&fit, bits), budget)?;
        Ok(Ready {
            concurrent_facets: concurrency.facets,
            bounds: Bounds::new(&grid, &curve),
            sampler: Sampler::new(&grid, &curve),
            range_mm: (curve.lowest_mm(), curve.highest_mm()),
            making,
            fit,
        })
    }

    /// From a grid in a file.
    fn stored(relief: Relief<StoredGrid>, bits: bool, budget: MemoryBudget) -> Result<Ready> {
        let Relief { ground, fit } = relief;
        let Ground {
            mut grid,
            curve,
            making,
            ..
        } = ground;
        let concurrency =
            memory::facet_concurrency(grid.layout(), true, largest(&fit, bits), budget)?;
        grid.hold_bytes(concurrency.tiles_bytes);
        Ok(Ready {
            concurrent_facets: concurrency.facets,
            bounds: Bounds::new(&grid, &curve),
            sampler: Sampler::over(grid, &curve),
            range_mm: (curve.lowest_mm(), curve.highest_mm()),
            making,
            fit,
        })
    }
}

/// Share of the carved surface that may be undercut. Some pixels under a cliff cost
/// little; with more, a cutter from above leaves a body that is not the one in the grid.
const MOST_UNDERCUT: f64 = 0.10;

/// Refuses terrain so steep that a good part of it would be undercut, before any is drawn.
fn foresee_undercuts(fit: &Fit, sampler: &Sampler) -> Result<()> {
    let areas = fit.facets.iter().map(|spec| undercut_mm2(sampler, spec));
    let (undercut, carved) = areas.fold((0.0, 0.0), |sum, area| (sum.0 + area.0, sum.1 + area.1));
    refuse_share(undercut / carved.max(f64::MIN_POSITIVE))
}

/// The same of facets that are drawn.
pub(crate) fn refuse_undercuts(manifest: &Manifest) -> Result<()> {
    let carved = manifest.total(|facet| facet.carved_px);
    refuse_share(manifest.checks.undercut_px as f64 / carved.max(1) as f64)
}

fn refuse_share(share: f64) -> Result<()> {
    if share <= MOST_UNDERCUT {
        return Ok(());
    }
    Err(Error::Job(
        Problem::new("the ground is too steep to be cut from above: much of it is undercut")
            .setting("relief.range")
            .found(format!("{:.1} % of the carved surface", 100.0 * share))
            .allowed(format!("{:.0} %", 100.0 * MOST_UNDERCUT))
            .next(
                "set relief.steepest = \"auto\", which lays such ground back, or make relief.range \
                 less",
            ),
    ))
}

/// The job with the usual bits where it names none and they are asked for: images, times of the
/// report and the plan's work list all speak of the same bits.
fn with_bits(settings: &Settings, options: &FacetsOptions) -> Settings {
    let mut settings = settings.clone();
    if settings.cutters.is_empty() && (options.cutters || options.carved) {
        settings.cutters = CutterSet::usual();
    }
    settings
}

/// Indices of the facets to make, ascending.
fn chosen_facets(solid: &Solid, wanted: Option<&BTreeSet<usize>>) -> Result<Vec<usize>> {
    let count = solid.faces.len();
    let Some(wanted) = wanted else {
        return Ok((0..count).collect());
    };
    match wanted.iter().find(|number| !(1..=count).contains(*number)) {
        Some(number) => Err(Error::Job(
            Problem::new(format!("the {} has no such facet", solid.name))
                .setting("--facets")
                .found(number)
                .allowed(format!("1 to {count}"))
                .next("leave it out of the list"),
        )),
        None => Ok(wanted.iter().map(|number| number - 1).collect()),
    }
}
