//! The shop plan drawn: sections, blanks, jigs, boards, the map, the traveller and the plan's text.

mod back;
mod bench;
pub mod drawing;
mod dxf;
mod flow;
mod ground;
mod joining;
mod mount;
mod net_map;
mod numbers;
mod pdf;
mod pieces;
mod section;
mod sheet;
mod sled;
mod traveller;
mod type_size;

use crate::carve::fit::Fit;
use crate::carve::resample::Sampler;
use crate::carve::seams;
use crate::model::geometry::Solid;
use crate::model::length::Units;
use crate::model::places::on_facet;
use crate::model::progress::Progress;
use crate::model::settings::{NamedPlace, Settings};
use crate::output::folder::{NewFolder, SHOP_FILE};
use crate::shop::plan::{Plan, PlanInput};
use crate::shop::planning;
use crate::shop::{facet_label, kind_letter};
use crate::{Error, Result};
use drawing::Drawing;
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

/// What a plan is made of.
pub(crate) struct ShopInput<'a> {
    /// Turned into the body frame.
    pub solid: &'a Solid,
    /// The globe in its stock.
    pub fit: &'a Fit,
    /// The ground; `None` without a grid.
    pub sampler: Option<&'a Sampler>,
    /// Where heights come from.
    pub basis: &'a Basis,
    /// The body, where the grid says.
    pub body: Option<&'a str>,
    /// Places to name, those that matter most first.
    pub places: &'a [NamedPlace],
    /// The job.
    pub settings: &'a Settings,
}

/// Makes the plan and writes `shop/` into a folder being made.
///
/// # Errors
/// [`Error::Job`] and [`Error::Stock`] for what does not fit, [`Error::Disk`].
pub(crate) fn write_shop(
    folder: &NewFolder,
    input: &ShopInput<'_>,
    progress: &dyn Progress,
) -> Result<Planned> {
    let plan = plan_of(input)?;
    let ShopInput {
        solid, settings, ..
    } = *input;
    let mut files = Files {
        folder,
        units: settings.units,
        names: Vec::new(),
    };
    let boards = plan.blanks.boards.len();
    progress.start("drawing the plan", (plan.kinds.len() + boards + 2) as u64);
    for kind in 0..plan.kinds.len() {
        draw_kind(&mut files, kind, &plan, input)?;
        progress.step(1);
    }
    for number in 0..boards {
        if !plan.blanks.layout.boards[number].is_empty() {
            let board = pieces::board(number, &plan.blanks, &plan.kinds, settings.lengths());
            files.both(&format!("board-{:02}", number + 1), &board)?;
        }
        progress.step(1);
    }
    draw_globe(&mut files, &plan, input, progress)?;
    let report = section::section(&plan, solid, input.basis, settings);
    files.write("plan.md", report.as_bytes())?;
    files.list(|names| numbers::numbers(&plan, solid, input.basis, settings, names))?;
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

/// The plan, with the true heights of seams and corners where there is a grid.
fn plan_of(input: &ShopInput<'_>) -> Result<Plan> {
    let ShopInput {
        solid,
        fit,
        sampler,
        settings,
        ..
    } = *input;
    let ground: Option<Vec<_>> = sampler.map(|sampler| {
        let seams = 0..solid.seams.len();
        let ground = seams.map(|seam| seams::seam_ground(solid, seam, settings, sampler));
        ground.collect()
    });
    let corners: Option<Vec<_>> = sampler.map(|sampler| {
        let faces = 0..solid.faces.len();
        let thinnest = |face| seams::thinnest_corner(solid, face, &fit.facets[face], sampler);
        faces.map(thinnest).collect()
    });
    planning::plan(&PlanInput {
        solid,
        fit,
        ground: ground.as_deref(),
        corners_mm: corners.as_deref(),
        body: input.body,
        settings,
    })
}

/// What belongs to one kind of blank: its section, outlines, jig, sleds, and every one's back.
fn draw_kind(files: &mut Files<'_>, kind: usize, plan: &Plan, input: &ShopInput<'_>) -> Result<()> {
    let ShopInput {
        solid,
        fit,
        settings,
        ..
    } = *input;
    let (of_kind, letter, say) = (&plan.kinds[kind], kind_letter(kind), settings.lengths());
    let section = pieces::section(kind, of_kind, settings);
    files.svg(&format!("section-{letter}"), &section)?;
    let facet = facet_outline(solid, fit, solid.kinds[kind].faces[0], settings);
    let blank = pieces::blank(kind, of_kind, &facet, plan.blanks.pieces[kind].count);
    files.both(&format!("blank-{letter}"), &blank)?;
    let jig = pieces::jig(kind, of_kind, say);
    files.both(&format!("jig-{letter}"), &jig)?;
    for (i, one) in of_kind.sleds.iter().enumerate() {
        let drawing = sled::sled(kind, of_kind, one, say);
        files.both(&format!("sled-{letter}{}", i + 1), &drawing)?;
    }
    for &face in &of_kind.faces {
        let back = back::back(face, plan, solid, settings);
        files.both(&format!("back-{}", facet_label(face)), &back)?;
    }
    Ok(())
}

/// What belongs to the whole ball: the map, its stand, and the traveller.
fn draw_globe(
    files: &mut Files<'_>,
    plan: &Plan,
    input: &ShopInput<'_>,
    progress: &dyn Progress,
) -> Result<()> {
    let ShopInput {
        solid,
        fit,
        sampler,
        places,
        settings,
        ..
    } = *input;
    if !plan.net.is_empty() {
        let map = net_map::NetMap::new(solid, &plan.net, sampler, places, settings);
        files.write("map.svg", map.svg()?.as_bytes())?;
        files.write("map.pdf", &pdf::pages(&map.pages()?, map.sheet_mm)?)?;
    }
    progress.step(1);
    if let Some(mounted) = &plan.mount {
        files.both("mount", &mount::stand(mounted, settings))?;
    }
    let traveller = traveller::Traveller {
        solid,
        fit,
        plan,
        sampler,
        settings,
        names: &|face| {
            let here = on_facet(places, solid, face);
            here.iter().map(|on| on.place.name.to_string()).collect()
        },
    };
    let sheet_mm = crate::shop::plan::paper_mm(settings.paper.size);
    files.write("traveller.pdf", &pdf::pages(&traveller.pages()?, sheet_mm)?)?;
    progress.step(1);
    Ok(())
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
    units: Units,
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
        self.write(
            &format!("{name}.svg"),
            sheet::Sheet::alone(drawing, name).as_bytes(),
        )
    }

    fn both(&mut self, name: &str, drawing: &Drawing) -> Result<()> {
        self.svg(name, drawing)?;
        self.write(
            &format!("{name}.dxf"),
            dxf::file(drawing, self.units).as_bytes(),
        )
    }

    /// Writes the plan's numbers with the list of its files.
    fn list(&mut self, numbers: impl Fn(&[String]) -> serde_json::Value) -> Result<()> {
        self.names.push(SHOP_FILE.to_owned());
        self.names.sort();
        let text = format!("{:#}\n", numbers(&self.names));
        self.folder.write(SHOP_FILE, text.as_bytes())
    }
}
