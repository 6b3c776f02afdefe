//! The shop plan of a job: drawings, sheets and a section of the report.

pub mod compare;
pub mod drawing;
mod map;
mod numbers;
mod pdf;
mod sheets;
mod text;

use crate::curve::Curve;
use crate::geometry::Solid;
use crate::grid::{Grid, Hypsometry, Place, Quantity, Registration, Source};
use crate::jobfile::Job;
use crate::progress::Progress;
use crate::relief::{Making, Relief};
use crate::remedies::remedied_anywhere;
use crate::rims;
use crate::settings::Settings;
use crate::shop::kind_letter;
use crate::shop::plan::Bench;
use crate::stages::fit::{self, Fit};
use crate::stages::orient::oriented;
use crate::stages::read::ReadRequest;
use crate::stages::resample::Sampler;
use crate::stages::write::folder::{NewFolder, SHOP_FILE};
use crate::stages::{compress, read};
use crate::{Error, Result};
use drawing::Drawing;
use ndarray::Array2;
use std::path::{Path, PathBuf};

/// Where the heights of a plan come from.
#[derive(Debug, Clone, PartialEq)]
pub enum Basis {
    /// The elevation grid.
    Grid,
    /// The job's relief range; why the grid was not used.
    Range(String),
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

/// A globe fitted to its stock, on level ground if the grid could not be read.
pub(crate) struct Fitted {
    /// Turned into the body frame.
    pub solid: Solid,
    /// The ground in its stock.
    pub relief: Relief,
    /// Of that ground.
    pub sampler: Sampler,
    /// Where its heights come from.
    pub basis: Basis,
    /// What the grid is; blank without one.
    pub source: Source,
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
        let (solid, _) = oriented(settings)?;
        let (unit, finished_mm, basis) = match ground(job, progress)? {
            Ok(reading) => {
                let (unit, finished_mm) = compress::global(&reading.source, settings)?;
                (unit, finished_mm, Basis::Grid)
            }
            Err(why) => (half_and_half(), None, Basis::Range(why)),
        };
        let range_mm = match finished_mm {
            Some(range_mm) => range_mm,
            None => fitted_anywhere(&solid, &unit, settings)?.range_mm,
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

/// The grid; the inner error says why there is none.
type Ground = std::result::Result<read::Reading, String>;

fn ground(job: &Job, progress: &dyn Progress) -> Result<Ground> {
    let settings = &job.settings;
    if settings.grid.files.is_empty() {
        return Ok(Err("the job names none".to_owned()));
    }
    match read::read(&settings.grid, &ReadRequest::of(settings), progress) {
        Ok(reading) => Ok(Ok(reading)),
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

pub(crate) fn fitted(job: &Job, progress: &dyn Progress) -> Result<Fitted> {
    let settings = &job.settings;
    let (solid, _) = oriented(settings)?;
    match ground(job, progress)? {
        Ok(reading) => {
            let relief = Relief::of(&solid, reading.grid, &reading.source, settings, false)?;
            Ok(Fitted {
                solid,
                sampler: Sampler::new(&relief.grid, &relief.curve),
                relief,
                basis: Basis::Grid,
                source: reading.source,
            })
        }
        Err(why) => {
            let unit = half_and_half();
            let fit = fitted_anywhere(&solid, &unit, settings)?;
            let relief = Relief {
                making: Making::default(),
                grid: level_ground(),
                curve: fit.curve.clone(),
                fit,
            };
            Ok(Fitted {
                solid,
                sampler: Sampler::new(&relief.grid, &relief.curve),
                relief,
                basis: Basis::Range(why),
                source: no_source(),
            })
        }
    }
}

/// As [`fit::fit_anywhere`]; an error for want of stock says what would hold the globe.
fn fitted_anywhere(solid: &Solid, unit: &Curve, settings: &Settings) -> Result<Fit> {
    fit::fit_anywhere(solid, unit, settings)
        .map_err(|error| remedied_anywhere(error, unit, settings))
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
        let ground = seams.map(|seam| rims::seam_ground(solid, seam, settings, sampler));
        ground.collect::<Vec<_>>()
    });
    let corners = sampler.map(|sampler| {
        let faces = 0..solid.faces.len();
        let corners =
            faces.map(|face| rims::thinnest_corner(solid, face, &fit.facets[face], sampler));
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
    let boards = plan.blanks.boards.len();
    progress.start("drawing the plan", (plan.kinds.len() + boards + 2) as u64);
    for (kind, of_kind) in plan.kinds.iter().enumerate() {
        let letter = kind_letter(kind);
        let count = plan.blanks.pieces[kind].count;
        let section = sheets::section(kind, of_kind, settings);
        files.svg(&format!("section-{letter}"), &section)?;
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
    let report = text::section(&plan, solid, basis, settings);
    files.write("plan.md", report.as_bytes())?;
    files.list(|names| numbers::numbers(&plan, solid, basis, settings, names))?;
    let names: Vec<PathBuf> = files.names.iter().map(PathBuf::from).collect();
    let drawings = shown(&names, |name| {
        let path = folder.path().join(name);
        std::fs::read_to_string(&path).map_err(|e| Error::io(&path, "read the file", &e))
    })?;
    progress.done();
    Ok(Planned {
        report,
        drawings,
        warnings: plan.warnings,
    })
}

/// The drawings of a plan's files that the page shows, in its order: what each is, and its SVG as
/// `read` finds it.
///
/// # Errors
/// Those of `read`.
pub(crate) fn shown(
    files: &[PathBuf],
    read: impl Fn(&Path) -> Result<String>,
) -> Result<Vec<(String, String)>> {
    let mut shown: Vec<_> = files
        .iter()
        .filter_map(|file| Some((title(file)?, file)))
        .collect();
    // Numbers with more digits are larger.
    shown.sort_by_key(|((rank, title), _)| (*rank, title.len(), title.clone()));
    shown
        .into_iter()
        .map(|((_, title), file)| Ok((title, read(file)?)))
        .collect()
}

/// Rank and title of a drawing that the page shows, by the name of its file.
fn title(file: &Path) -> Option<(u8, String)> {
    let name = file.file_name()?.to_str()?.strip_suffix(".svg")?;
    if let Some(letter) = name.strip_prefix("section-") {
        return Some((0, format!("Section of blank {letter}")));
    }
    let number = name.strip_prefix("board-")?;
    Some((1, format!("Board {}", number.trim_start_matches('0'))))
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

    /// Writes the plan's numbers with the list of its files.
    fn list(&mut self, numbers: impl Fn(&[String]) -> serde_json::Value) -> Result<()> {
        self.names.push(SHOP_FILE.to_owned());
        self.names.sort();
        let text = format!("{:#}\n", numbers(&self.names));
        self.folder.write(SHOP_FILE, text.as_bytes())
    }
}
