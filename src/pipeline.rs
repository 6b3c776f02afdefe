//! The whole job from top to bottom: read, orient, compress, fit, resample, write, report.

use crate::closing::{Closing, Trace};
use crate::geometry::Solid;
use crate::grid::Heights;
use crate::jobfile::Job;
use crate::listing::listing;
use crate::manifest::{FacetEntry, Manifest, MeshEntry};
use crate::memory::{self, Bound, Room};
use crate::mesh::TOLERANCE_MM;
use crate::progress::Progress;
use crate::relief::{Ground, Making, Relief, follows_height};
use crate::settings::Settings;
use crate::stages::check;
use crate::stages::cutting::{self, Bits, FacetCutting};
use crate::stages::fit::Fit;
use crate::stages::join;
use crate::stages::orient::oriented;
use crate::stages::plan::{self, Fitted, Planned};
use crate::stages::read::{self, ReadRequest, Working};
use crate::stages::report::{self, overview};
use crate::stages::resample::{Bounds, FacetImage, Sampler, Scratch, render};
use crate::stages::turn::{self, Turned, map};
use crate::stages::write::folder::{NewFolder, PAGE_FILE, RELIEF_FILE};
use crate::stages::write::{self, ImageFacts};
use crate::stored::StoredGrid;
use crate::warnings::Warning;
use crate::{Error, Problem, Result};
use ndarray::Array2;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
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

/// What a plan is asked for beside the job itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PlanOptions {
    /// Folder to make.
    pub out: PathBuf,
    /// Replace a folder that holds an earlier result.
    pub force: bool,
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

/// Searches the turn that suits the saw: see [`turn`](crate::stages::turn).
///
/// With `draw`, also draws the map of the planet with its seams before and after, as PNG.
///
/// # Errors
/// Those of the search and of reading the grid.
pub fn turn(job: &Job, draw: bool, progress: &dyn Progress) -> Result<(Turned, Option<Vec<u8>>)> {
    turn_and_draw(job, draw, progress).map_err(|error| job.locate(error))
}

fn turn_and_draw(
    job: &Job,
    draw: bool,
    progress: &dyn Progress,
) -> Result<(Turned, Option<Vec<u8>>)> {
    job.require_grid()?;
    let settings = &job.settings;
    // As `facets` reads it, so that both speak of the same relief.
    let reading = read::read(&settings.grid, &ReadRequest::of(settings), progress)?;
    let (solid, _) = oriented(settings)?;
    let source = &reading.source;
    // The grid itself is still needed: places worth keeping whole are found by their heights.
    let ground = Ground::of(&solid, reading.grid.clone(), source, settings, false)?;
    let heights = (&reading.grid, &source.hypsometry);
    let turned = turn::turn(heights.0, heights.1, &ground, settings, progress)?;
    if !draw {
        return Ok((turned, None));
    }
    let standard = Solid::named(solid.name).unwrap_or(solid);
    let picture = map::draw(
        &format!("{} on a {}", settings.name, standard.name.replace('-', " ")),
        &ground.grid,
        &ground.curve,
        settings.globe.diameter_mm / 2.0,
        &standard,
        &turned,
    )?;
    Ok((turned, Some(overview::encode(&picture)?)))
}

/// The job with its turn found, where that is left to the program; otherwise the job itself.
pub(crate) fn with_turn(job: &Job, progress: &dyn Progress) -> Result<Job> {
    if !job.settings.globe.turn.auto {
        return Ok(job.clone());
    }
    let (turned, _) = turn_and_draw(job, false, progress)?;
    let best = &turned.found.choices[0];
    let mut settings = job.settings.clone();
    let turn = &mut settings.globe.turn;
    (turn.face, turn.lat_deg, turn.lon_deg, turn.spin_deg) =
        (1, best.lat_deg, best.lon_deg, best.spin_deg);
    Ok(job.with(settings))
}

fn run(job: &Job, options: &FacetsOptions, progress: &dyn Progress) -> Result<Summary> {
    job.require_grid()?;
    oriented(&job.settings)?;
    let job = &with_turn(job, progress)?;
    let settings = &job.settings;
    let (solid, turn) = oriented(settings)?;
    let chosen = chosen_facets(&solid, options.facets.as_ref())?;
    let folder = NewFolder::begin(&options.out, options.force)?;

    let bits = bits(settings, options);
    let bound = Bound::new(options.memory_bytes);
    let by_parts = follows_height(settings) && !options.keep_relief;
    let file_in = by_parts.then(|| folder.path());
    let room = Room::of(settings, &solid, bound, bits.is_some(), file_in);
    let (working, source) =
        read::read_within(&settings.grid, &ReadRequest::of(settings), &room, progress)?;
    let ready = match working {
        Working::Held(grid) => {
            let finish = options.keep_relief;
            let relief = Relief::of(&solid, grid, &source, settings, finish)?;
            if options.keep_relief {
                let bytes = write::relief::encode(&relief.grid, source.reference_radius_m)?;
                folder.write(RELIEF_FILE, &bytes)?;
            }
            Ready::held(relief, bits.is_some(), bound)?
        }
        Working::Stored(grid) => {
            let relief = Relief::curved(&solid, grid, &source, settings)?;
            Ready::stored(relief, bits.is_some(), bound)?
        }
    };
    let Ready {
        fit,
        together,
        sampler,
        bounds,
        range_mm,
        making,
    } = ready;
    sampler.check()?;
    // What the shop cannot make is found before anything is drawn.
    let planned = match options.shop {
        true => Some(plan::write_shop(
            &folder,
            &solid,
            &fit,
            Some(&sampler),
            &plan::Basis::Grid,
            settings,
            progress,
        )?),
        false => None,
    };
    let mut manifest = listing(job, &source, &solid, &turn, &fit, &chosen, &sampler);
    manifest.relief = making.entry(fit.range_mm);
    manifest.mesh = options.mesh.then_some(MeshEntry {
        tolerance_mm: TOLERANCE_MM,
    });
    let drawing = Drawing {
        settings,
        sampler: &sampler,
        bounds: &bounds,
        range_mm,
        fit: &fit,
        bits: bits.as_ref(),
        carved: options.carved,
        closing: Closing::of(&manifest),
        kinds: solid.faces.iter().map(|face| face.kind).collect(),
        folder: &folder,
        scratch: Mutex::default(),
    };
    let (traces, cut) = drawing.all(&mut manifest, together, progress)?;
    sampler.check()?;
    if let Some(bits) = &bits {
        let rings = drawing.rings(bits, &chosen)?;
        manifest.cutting = Some(bits.entry().with(cut, rings));
    }
    let warnings = drawing
        .closing
        .write(&mut manifest, traces, planned.as_ref(), &folder)?;
    // A part may hold just the worst facets: the whole is judged, here or when parts are joined.
    if chosen.len() == solid.faces.len() {
        refuse_folds(&manifest)?;
    }
    folder.finish()?;
    Ok(Summary {
        manifest,
        warnings,
        shop_warnings: planned.map_or(Vec::new(), |planned| planned.warnings),
    })
}

/// Merges folders that each hold some facets of one job into the folder that one run would have
/// written, byte for byte. The order of the parts is no matter.
///
/// # Errors
/// As [`join::gather`]; [`Error::Check`] when an image is damaged or is not what its manifest says;
/// [`Error::Disk`]. The folder then is not there, or as it was.
pub fn join(
    parts: &[PathBuf],
    out: &Path,
    force: bool,
    progress: &dyn Progress,
) -> Result<Summary> {
    let join::Gathered {
        mut manifest,
        folders,
        others,
        shop,
    } = join::gather(parts)?;
    let folder = NewFolder::begin(out, force)?;
    let closing = Closing::of(&manifest);
    let copy = |facet: &FacetEntry, part: &PathBuf| -> Result<(usize, Trace)> {
        folder.write(&facet.file, &join::image_bytes(part, facet)?)?;
        // The copy is what is measured, so what is measured is what is kept.
        let image = check::sound_image(&folder.path().join(&facet.file), &manifest, facet)
            .map_err(|what| join::damaged(&part.join(&facet.file), facet, &what))?;
        closing.write_blank(facet, &image.levels, &folder)?;
        progress.step(1);
        Ok((facet.id, closing.trace(facet, &image.levels)))
    };
    progress.start("joining facets", manifest.facets.len() as u64);
    let traces = manifest
        .facets
        .par_iter()
        .zip(&folders)
        .map(|(facet, part)| copy(facet, part))
        .collect::<Result<BTreeMap<usize, Trace>>>()?;
    progress.done();
    for (file, part) in &others {
        folder.write(file, &join::file_bytes(part, file)?)?;
    }
    let warnings = closing.write(&mut manifest, traces, shop.as_ref(), &folder)?;
    refuse_folds(&manifest)?;
    folder.finish()?;
    Ok(Summary {
        manifest,
        warnings,
        shop_warnings: shop.map_or(Vec::new(), |shop| shop.warnings),
    })
}

/// All that facets are drawn from.
struct Ready {
    fit: Fit,
    /// Facets drawn at a time.
    together: usize,
    sampler: Sampler,
    bounds: Bounds,
    /// Lowest and highest relief, mm.
    range_mm: (f64, f64),
    making: Making,
}

impl Ready {
    /// From a grid in memory.
    fn held(relief: Relief, bits: bool, bound: Bound) -> Result<Ready> {
        let Relief {
            grid,
            curve,
            making,
            fit,
        } = relief;
        let together = memory::facets_together(grid.layout(), false, &fit, bits, bound)?;
        Ok(Ready {
            together: together.facets,
            bounds: Bounds::new(&grid, &curve),
            sampler: Sampler::new(&grid, &curve),
            range_mm: (curve.lowest_mm(), curve.highest_mm()),
            making,
            fit,
        })
    }

    /// From a grid in a file.
    fn stored(relief: Relief<StoredGrid>, bits: bool, bound: Bound) -> Result<Ready> {
        let Relief {
            mut grid,
            curve,
            making,
            fit,
        } = relief;
        let together = memory::facets_together(grid.layout(), true, &fit, bits, bound)?;
        grid.hold_bytes(together.tiles_bytes);
        Ok(Ready {
            together: together.facets,
            bounds: Bounds::new(&grid, &curve),
            sampler: Sampler::over(grid, &curve),
            range_mm: (curve.lowest_mm(), curve.highest_mm()),
            making,
            fit,
        })
    }
}

/// Plans a job into a new folder.
///
/// # Errors
/// Every kind of [`Error`], by who must act; the folder then is not there, or as it was.
pub fn plan(job: &Job, options: &PlanOptions, progress: &dyn Progress) -> Result<Planned> {
    let run = || {
        let folder = NewFolder::begin(&options.out, options.force)?;
        if job.settings.globe.turn.auto {
            job.require_grid()?;
        }
        let job = &with_turn(job, progress)?;
        let fitted = plan::fitted(job, progress)?;
        let planned = plan::write_shop(
            &folder,
            &fitted.solid,
            &fitted.relief.fit,
            (fitted.basis == plan::Basis::Grid).then_some(&fitted.sampler),
            &fitted.basis,
            &job.settings,
            progress,
        )?;
        folder.write("report.md", planned.report.as_bytes())?;
        let page = plan_page(job, &fitted, &planned)?;
        folder.write(PAGE_FILE, page.as_bytes())?;
        folder.finish()?;
        Ok(planned)
    };
    run().map_err(|error| job.locate(error))
}

/// Pixels across the diameter of a globe that is only looked at: fine enough for a screen.
const SEEN_PX: f64 = 900.0;

/// The page of a plan: the same as that of finished images, but looked at in coarse pixels and
/// without what only images can tell.
fn plan_page(job: &Job, fitted: &Fitted, planned: &Planned) -> Result<String> {
    let (manifest, images) = seen(job, fitted)?;
    let closing = Closing::of(&manifest);
    let traces = manifest.facets.par_iter().zip(&images);
    let traces = traces
        .map(|(facet, levels)| (facet.id, closing.trace(facet, levels)))
        .collect();
    closing.page(&manifest, traces, planned)
}

/// The globe as it can be looked at: manifest and images in coarse pixels, nothing written.
///
/// # Errors
/// Those of the fit.
fn seen(job: &Job, fitted: &Fitted) -> Result<(Manifest, Vec<Array2<u16>>)> {
    let Fitted {
        source,
        relief,
        sampler,
        ..
    } = fitted;
    let mut settings = job.settings.clone();
    let coarse_mm = settings.globe.diameter_mm / SEEN_PX;
    settings.image.pixel_mm = settings.image.pixel_mm.max(coarse_mm);
    let (solid, turn) = oriented(&settings)?;
    // Without a grid the highest ground may be anywhere, and the blank is made for that.
    let fit = match source.width {
        0 => relief.fitted_anywhere(&solid, &settings)?,
        _ => relief.fitted(&solid, &settings)?,
    };
    let (grid, curve) = (&relief.grid, &relief.curve);
    let bounds = Bounds::new(grid, curve);
    let chosen: Vec<usize> = (0..solid.faces.len()).collect();
    // Its settings are the job's own, its pixels are not.
    let mut manifest = listing(job, source, &solid, &turn, &fit, &chosen, sampler);
    manifest.image.pixel_mm = settings.image.pixel_mm;
    let range_mm = (curve.lowest_mm(), curve.highest_mm());
    let images = manifest
        .facets
        .par_iter_mut()
        .zip(&fit.facets)
        .map(|(facet, spec)| {
            let FacetImage { levels, stats } =
                render(sampler, &bounds, spec, range_mm, &mut Scratch::default());
            (facet.min_mm, facet.max_mm) = (stats.min_mm, stats.max_mm);
            levels
        })
        .collect();
    Ok((manifest, images))
}

/// Share of the carved surface that may lie under an overhang. Some pixels under a cliff cost
/// little; with more, a cutter from above leaves a body that is not the one in the grid.
const MOST_FOLDED: f64 = 0.10;

/// Refuses terrain so steep that a good part of it lies under overhangs.
fn refuse_folds(manifest: &Manifest) -> Result<()> {
    let carved = manifest.total(|facet| facet.carved_px);
    let share = manifest.checks.undercut_px as f64 / carved.max(1) as f64;
    if share <= MOST_FOLDED {
        return Ok(());
    }
    Err(Error::Job(
        Problem::new(
            "the ground is too steep to be cut from above: much of it lies under overhangs",
        )
        .setting("relief.range")
        .found(format!("{:.1} % of the carved surface", 100.0 * share))
        .allowed(format!("{:.0} %", 100.0 * MOST_FOLDED))
        .next(
            "set relief.steepest = \"auto\", which lays such ground back, or make relief.range \
                 less",
        ),
    ))
}

/// The bits to try: the job's, or the usual ones where none are named but asked for.
fn bits(settings: &Settings, options: &FacetsOptions) -> Option<Bits> {
    if settings.cutters.is_empty() && (options.cutters || options.carved) {
        let usual = Settings {
            cutters: Bits::usual(),
            ..settings.clone()
        };
        return Bits::of(&usual);
    }
    Bits::of(settings)
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

/// Everything facets are drawn from.
struct Drawing<'a> {
    settings: &'a Settings,
    sampler: &'a Sampler,
    bounds: &'a Bounds,
    /// Lowest and highest relief of the body.
    range_mm: (f64, f64),
    fit: &'a Fit,
    bits: Option<&'a Bits>,
    carved: bool,
    closing: Closing,
    /// Kind of every facet of the solid.
    kinds: Vec<usize>,
    folder: &'a NewFolder,
    /// Memory for those facets that are drawn at the moment.
    scratch: Mutex<Vec<Scratch>>,
}

impl Drawing<'_> {
    /// Draws, measures and writes every facet of the manifest, `together` of them at a time.
    fn all(
        &self,
        manifest: &mut Manifest,
        together: usize,
        progress: &dyn Progress,
    ) -> Result<(BTreeMap<usize, Trace>, Vec<FacetCutting>)> {
        progress.start("carving facets", manifest.facets.len() as u64);
        let mut traces = BTreeMap::new();
        let mut cut = Vec::new();
        for group in manifest.facets.chunks_mut(together) {
            let finished: Vec<(Trace, Option<FacetCutting>)> = group
                .par_iter_mut()
                .map(|facet| {
                    let trace = self.one(facet)?;
                    progress.step(1);
                    Ok(trace)
                })
                .collect::<Result<_>>()?;
            for (facet, (trace, cutting)) in group.iter().zip(finished) {
                traces.insert(facet.id, trace);
                cut.extend(cutting);
            }
        }
        progress.done();
        Ok((traces, cut))
    }

    fn one(&self, facet: &mut FacetEntry) -> Result<(Trace, Option<FacetCutting>)> {
        let spec = &self.fit.facets[facet.id - 1];
        let kept = self.scratch.lock().ok().and_then(|mut kept| kept.pop());
        let mut scratch = kept.unwrap_or_default();
        let FacetImage { levels, stats } =
            render(self.sampler, self.bounds, spec, self.range_mm, &mut scratch);
        if let Ok(mut kept) = self.scratch.lock() {
            kept.push(scratch);
        }
        (facet.min_mm, facet.max_mm) = (stats.min_mm, stats.max_mm);
        facet.clipped_high_px = stats.clipped_high_px;
        facet.clipped_low_px = stats.clipped_low_px;
        facet.undercut_px = stats.undercut_px;
        facet.carved_px = stats.carved_px;
        let trace = self.closing.trace(facet, &levels);
        self.closing.write_blank(facet, &levels, self.folder)?;
        let facts = ImageFacts {
            label: facet.label.clone(),
            pixel_mm: spec.pixel_mm,
            black_mm: spec.black_mm,
            white_mm: spec.white_mm,
        };
        let bytes = write::encode(self.settings.image.format, &levels, &facts)?;
        self.folder.write(&facet.file, &bytes)?;
        let cutting = self.bits.map(|bits| self.cut(bits, facet, &levels, &facts));
        Ok((trace, cutting.transpose()?))
    }

    /// Tries the bits on a facet and writes what they leave.
    fn cut(
        &self,
        bits: &Bits,
        facet: &FacetEntry,
        levels: &Array2<u16>,
        facts: &ImageFacts,
    ) -> Result<FacetCutting> {
        let spec = &self.fit.facets[facet.id - 1];
        let (mut cutting, images) = bits.facet(facet.id, &facet.label, spec, levels);
        let format = self.settings.image.format;
        let write_in = |folder: &str, levels: &Array2<u16>| {
            let file = format!("{folder}/{}.{}", facet.label, write::extension(format));
            let bytes = write::encode(format, levels, facts)?;
            self.folder.write(&file, &bytes)?;
            Ok::<_, Error>(file)
        };
        if let Some(rough) = &images.rough {
            cutting.rough_file = Some(write_in("rough", rough)?);
        }
        if self.carved {
            cutting.carved_file = Some(write_in("carved", &images.carved)?);
        }
        Ok(cutting)
    }

    /// Draws the ring around each kind of facet that is made; returns the files.
    fn rings(&self, bits: &Bits, chosen: &[usize]) -> Result<Vec<String>> {
        let Some(bit) = bits.roughing() else {
            return Ok(Vec::new());
        };
        let mut files: BTreeMap<usize, String> = BTreeMap::new();
        for &face in chosen {
            let kind = self.kinds[face];
            if files.contains_key(&kind) {
                continue;
            }
            let file = format!("rough/ring-{}.svg", report::kind_name(kind));
            let drawing = cutting::ring_svg(&self.fit.facets[face], bit);
            self.folder.write(&file, drawing.as_bytes())?;
            files.insert(kind, file);
        }
        Ok(files.into_values().collect())
    }
}
