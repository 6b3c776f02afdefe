//! The shop plan of a job: drawings, sheets and a section of the report.

pub mod compare;
pub mod drawing;
mod map;
mod pdf;
mod sheets;
mod text;

use crate::curve::Curve;
use crate::geometry::Solid;
use crate::grid::{Grid, Hypsometry, Place, Quantity, Registration, Source};
use crate::jobfile::Job;
use crate::pipeline;
use crate::progress::Progress;
use crate::settings::Settings;
use crate::shop::plan::{Bench, Plan};
use crate::shop::{facet_label, kind_letter, seam_label};
use crate::stages::fit::{self, Fit};
use crate::stages::page::PAGE_FILE;
use crate::stages::resample::Sampler;
use crate::stages::write::folder::{NewFolder, SHOP_FILE, SHOP_SCHEMA};
use crate::stages::{compress, read};
use crate::{Error, Result};
use drawing::Drawing;
use ndarray::Array2;
use serde_json::json;
use std::path::PathBuf;

/// Where the heights of a plan come from.
#[derive(Debug, Clone, PartialEq)]
pub enum Basis {
    /// The elevation grid.
    Grid,
    /// The job's relief range; why the grid was not used.
    Range(String),
}

/// What a plan is asked for beside the job itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PlanOptions {
    /// Folder to make.
    pub out: PathBuf,
    /// Replace a folder that holds an earlier result.
    pub force: bool,
}

/// What was planned.
#[derive(Debug, Clone, PartialEq)]
pub struct Planned {
    /// The section of the report.
    pub report: String,
    /// Drawings for the page: what each is, and its SVG.
    pub drawings: Vec<(String, String)>,
    /// What a person must know.
    pub warnings: Vec<String>,
}

/// A globe fitted to its stock, with the ground if the grid could be read.
struct Fitted {
    solid: Solid,
    fit: Fit,
    sampler: Option<Sampler>,
    basis: Basis,
    source: Source,
    grid: Grid,
    /// The curve of range 1 mm.
    unit: Curve,
}

/// Plans a job into a new folder.
///
/// # Errors
/// Every kind of [`Error`], by who must act; the folder then is not there, or as it was.
pub fn plan(job: &Job, options: &PlanOptions, progress: &dyn Progress) -> Result<Planned> {
    let run = || {
        let folder = NewFolder::begin(&options.out, options.force)?;
        let job = &turned(job, progress)?;
        let fitted = fitted(job, progress)?;
        let planned = write_shop(
            &folder,
            &fitted.solid,
            &fitted.fit,
            fitted.sampler.as_ref(),
            &fitted.basis,
            &job.settings,
            progress,
        )?;
        folder.write("report.md", planned.report.as_bytes())?;
        let page = pipeline::plan_page(job, &fitted.source, &fitted.grid, &fitted.unit, &planned)?;
        folder.write(PAGE_FILE, page.as_bytes())?;
        folder.finish()?;
        Ok(planned)
    };
    run().map_err(|error| job.locate(error))
}

/// Every solid for the same globe, with the relief of this job.
///
/// # Errors
/// [`Error::Stock`] when the relief is `auto` and the job's own solid does not fit its stock.
pub fn compare_solids(
    job: &Job,
    progress: &dyn Progress,
) -> Result<(Vec<compare::SolidRow>, String)> {
    let run = || {
        let settings = &job.settings;
        let (solid, _) = pipeline::oriented(settings)?;
        let (unit, basis) = match ground(job, progress)? {
            Ok((_, unit)) => (unit, Basis::Grid),
            Err(why) => (half_and_half(), Basis::Range(why)),
        };
        let range_mm = match settings.relief.range_mm {
            Some(range_mm) => range_mm,
            None => fit::fit_anywhere(&solid, &unit, settings)?.range_mm,
        };
        let rows = compare::compare(&unit, range_mm, settings);
        let mut text = compare::text(&rows, range_mm, settings);
        if let Basis::Range(why) = basis {
            text.push_str(&format!(
                "\nThe elevation grid was not used ({why}): half the relief range lies above the \
                 level, half below.\n"
            ));
        }
        Ok((rows, text))
    };
    run().map_err(|error| job.locate(error))
}

/// The job with a turn that the program is to find written in.
fn turned(job: &Job, progress: &dyn Progress) -> Result<Job> {
    if job.settings.globe.turn.auto {
        job.require_grid()?;
    }
    pipeline::with_turn(job, progress)
}

/// The grid and its curve of range 1 mm; the inner error says why there is none.
type Ground = std::result::Result<(read::Reading, Curve), String>;

fn ground(job: &Job, progress: &dyn Progress) -> Result<Ground> {
    let settings = &job.settings;
    if settings.grid.files.is_empty() {
        return Ok(Err("the job names none".to_owned()));
    }
    match read::read(&settings.grid, &pipeline::request(settings), progress) {
        Ok(reading) => {
            let unit = compress::unit_curve(&reading.source.hypsometry, &settings.relief)?;
            Ok(Ok((reading, unit)))
        }
        Err(Error::Grid(problem)) => Ok(Err(problem.to_string())),
        Err(other) => Err(other),
    }
}

/// A curve of range 1 mm for a job without a grid.
fn half_and_half() -> Curve {
    Curve {
        name: "linear".to_owned(),
        knots_m: vec![-0.5, 0.5],
        knots_mm: vec![-0.5, 0.5],
    }
}

/// Ground at the level everywhere, for a plan without a grid.
fn level_ground() -> Grid {
    Grid {
        heights_m: Array2::zeros((32, 64)),
        west_deg: -180.0 + 360.0 / 128.0,
        registration: Registration::Pixel,
    }
}

/// What is known of a grid that is not there.
fn no_source() -> Source {
    let nowhere = |height_m| Place {
        height_m,
        lat_deg: 0.0,
        lon_deg: 0.0,
    };
    let unit = half_and_half();
    Source {
        files: vec!["no grid".to_owned()],
        width: 0,
        height: 0,
        cell_deg: 0.0,
        west_deg: 0.0,
        north_deg: 0.0,
        registration: Registration::Pixel,
        quantity: Quantity::Elevation,
        unit: "m".to_owned(),
        scale: 1.0,
        offset: 0.0,
        body: None,
        reference_radius_m: None,
        min: nowhere(unit.knots_m[0]),
        max: nowhere(unit.knots_m[1]),
        hypsometry: Hypsometry {
            heights_m: unit.knots_m,
            share: vec![0.0, 1.0],
            mean_m: 0.0,
        },
        filled_cells: 0,
        filled_share: 0.0,
        clipped_cells: 0,
        notes: Vec::new(),
    }
}

fn fitted(job: &Job, progress: &dyn Progress) -> Result<Fitted> {
    let settings = &job.settings;
    let (solid, _) = pipeline::oriented(settings)?;
    match ground(job, progress)? {
        Ok((reading, unit)) => {
            let fit = fit::fit(&solid, &reading.grid, &unit, settings)?;
            let sampler = Sampler::new(&reading.grid, &fit.curve);
            Ok(Fitted {
                solid,
                fit,
                sampler: Some(sampler),
                basis: Basis::Grid,
                source: reading.source,
                grid: reading.grid,
                unit,
            })
        }
        Err(why) => {
            let unit = half_and_half();
            let fit = fit::fit_anywhere(&solid, &unit, settings)?;
            Ok(Fitted {
                solid,
                fit,
                sampler: None,
                basis: Basis::Range(why),
                source: no_source(),
                grid: level_ground(),
                unit,
            })
        }
    }
}

/// Makes the plan and writes `shop/` into a folder being made.
///
/// # Errors
/// [`Error::Job`] and [`Error::Stock`] for what does not fit, [`Error::Disk`].
pub(crate) fn write_shop(
    folder: &NewFolder,
    solid: &Solid,
    fit: &Fit,
    sampler: Option<&Sampler>,
    basis: &Basis,
    settings: &Settings,
    progress: &dyn Progress,
) -> Result<Planned> {
    let ground = sampler.map(|sampler| {
        let seams = 0..solid.seams.len();
        let ground = seams.map(|seam| pipeline::seam_ground(solid, seam, settings, sampler));
        ground.collect::<Vec<_>>()
    });
    let corners = sampler.map(|sampler| {
        let faces = 0..solid.faces.len();
        let corners =
            faces.map(|face| pipeline::thinnest_corner(solid, face, &fit.facets[face], sampler));
        corners.collect::<Vec<_>>()
    });
    let plan = crate::shop::plan::plan(&Bench {
        solid,
        fit,
        ground: ground.as_deref(),
        corners_mm: corners.as_deref(),
        settings,
    })?;
    let mut files = Files {
        folder,
        names: Vec::new(),
    };
    let mut drawings = Vec::new();
    let boards = plan.blanks.boards.len();
    progress.start("drawing the plan", (plan.kinds.len() + boards + 2) as u64);
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        let letter = kind_letter(kind);
        let count = plan.blanks.pieces[kind].count;
        let section = sheets::section(kind, of_kind, settings);
        files.svg(&format!("section-{letter}"), &section)?;
        drawings.push(shown(&format!("Section of blank {letter}"), &section));
        let facet = facet_outline(solid, fit, solid.kinds[kind].faces[0], settings);
        let blank = sheets::blank(kind, of_kind, &facet, count);
        files.both(&format!("blank-{letter}"), &blank)?;
        files.both(&format!("jig-{letter}"), &sheets::jig(kind, of_kind))?;
        progress.step(1);
    }
    for number in 0..boards {
        if !plan.blanks.layout.boards[number].is_empty() {
            let board = sheets::board(number, &plan.blanks, &plan.kinds);
            files.both(&format!("board-{:02}", number + 1), &board)?;
            drawings.push(shown(&format!("Board {}", number + 1), &board));
        }
        progress.step(1);
    }
    if !plan.net.is_empty() {
        let map = map::Map::new(solid, &plan.net, sampler, settings);
        files.write("map.svg", map.svg()?.as_bytes())?;
        files.write("map.pdf", &pdf::pages(&map.pages()?, map.sheet_mm)?)?;
    }
    progress.step(1);
    let list = text::checklist(&plan, settings);
    let sheet_mm = crate::shop::plan::paper_mm(settings.paper.size);
    files.write("checklist.pdf", &pdf::pages(&list, sheet_mm)?)?;
    progress.step(1);
    files.list(&plan, basis)?;
    progress.done();
    Ok(Planned {
        report: text::section(&plan, solid, basis, settings),
        drawings,
        warnings: plan.warnings,
    })
}

/// A drawing as the page shows it.
fn shown(title: &str, drawing: &Drawing) -> (String, String) {
    (title.to_owned(), drawing.svg(title))
}

/// The finished facet at the level, seen from the front, mm: its sides are arcs on a ball.
fn facet_outline(solid: &Solid, fit: &Fit, face: usize, settings: &Settings) -> Vec<glam::DVec2> {
    const STEPS: usize = 24;
    let frame = solid.faces[face].frame;
    let corners = &solid.faces[face].corners;
    let distance_mm = fit.kinds[solid.faces[face].kind].base_distance_mm;
    (0..corners.len() * STEPS)
        .map(|i| {
            let (side, part) = (i / STEPS, (i % STEPS) as f64 / STEPS as f64);
            let from = solid.corners[corners[side]];
            let to = solid.corners[corners[(side + 1) % corners.len()]];
            let local = frame.to_local(from.lerp(to, part).normalize());
            crate::shop::saw::on_surface(local, 0.0, distance_mm, settings).truncate()
        })
        .collect()
}

/// Writes into `shop/` and remembers what it wrote.
struct Files<'a> {
    folder: &'a NewFolder,
    names: Vec<String>,
}

impl Files<'_> {
    fn write(&mut self, name: &str, bytes: &[u8]) -> Result<()> {
        let path = format!("shop/{name}");
        self.folder.write(&path, bytes)?;
        self.names.push(path);
        Ok(())
    }

    fn svg(&mut self, name: &str, drawing: &Drawing) -> Result<()> {
        self.write(&format!("{name}.svg"), drawing.svg(name).as_bytes())
    }

    fn both(&mut self, name: &str, drawing: &Drawing) -> Result<()> {
        self.svg(name, drawing)?;
        self.write(&format!("{name}.dxf"), &drawing.dxf()?)
    }

    /// Writes the list of files with the plan's numbers.
    fn list(&mut self, plan: &Plan, basis: &Basis) -> Result<()> {
        self.names.push(SHOP_FILE.to_owned());
        self.names.sort();
        let text = format!("{:#}\n", numbers(plan, basis, &self.names));
        self.folder.write(SHOP_FILE, text.as_bytes())
    }
}

/// `shop/plan.json`: lengths in mm, angles in degrees.
fn numbers(plan: &Plan, basis: &Basis, files: &[String]) -> serde_json::Value {
    let kinds: Vec<serde_json::Value> = plan
        .kinds
        .iter()
        .enumerate()
        .map(|(i, kind)| {
            let s = &kind.stack;
            json!({
                "blank": kind_letter(i).to_string(),
                "facets": kind.faces.iter().map(|f| facet_label(*f)).collect::<Vec<_>>(),
                "to_cut": plan.blanks.pieces[i].count,
                "stock_mm": s.stock_mm, "skim_mm": s.skim_mm, "relief_mm": s.relief_mm,
                "rise_mm": s.rise_mm, "highest_mm": s.highest_mm, "corner_mm": s.corner_mm,
                "corner_least_mm": s.corner_least_mm, "pocket_mm": s.pocket_mm,
                "over_pocket_mm": s.over_mm, "back_plane_mm": s.back_plane_mm,
                "sides": kind.saw.iter().map(|side| json!({
                    "tilt_deg": side.tilt_deg, "at_jig_mm": side.at_jig_mm,
                    "at_top_mm": side.at_top_mm, "blade_mm": side.blade_mm,
                    "reach_mm": side.reach_mm,
                })).collect::<Vec<_>>(),
            })
        })
        .collect();
    let seams: Vec<serde_json::Value> = plan
        .sheet
        .iter()
        .enumerate()
        .flat_map(|(face, rows)| {
            rows.iter().map(move |row| {
                json!({
                    "facet": facet_label(face), "side": row.side + 1,
                    "seam": seam_label(row.seam), "neighbour": facet_label(row.neighbour),
                    "tilt_deg": row.tilt_deg,
                    "seam_low_mm": row.lowest.height_mm, "low_from_left_mm": row.lowest.from_left_mm,
                    "seam_high_mm": row.highest.height_mm, "high_from_left_mm": row.highest.from_left_mm,
                    "wood_mm": row.wood.height_mm, "wood_from_left_mm": row.wood.from_left_mm,
                    "blade_mm": row.blade_mm,
                })
            })
        })
        .collect();
    json!({
        "schema": SHOP_SCHEMA,
        "files": files,
        "heights": match basis { Basis::Grid => "grid", Basis::Range(_) => "range" },
        "kinds": kinds,
        "seams": seams,
        "warnings": plan.warnings,
    })
}
