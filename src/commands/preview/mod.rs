//! The tuning bench: a page, served to a browser on this machine only, on which settings are
//! changed by hand while the ball, the figures and the fit to the wood answer at once.
//!
//! ```text
//! page.html/.css/.js  <──>  server   <──>  Bench ── write_back (job text in, job text out)
//!   in the browser         token, host,      └───── answer    (job and grid in, ball and figures out)
//!                          origin, JSON
//! ```
//!
//! The job file is read anew for each request, so that several windows, and an editor beside them,
//! never disagree about what is in it. Every change is answered twice: at once with a draft on a
//! coarser copy of the grid, then with the numbers of `facets`, on the grid that `facets` carves.
//! What was shaped last is kept: whatever does not touch the relief is answered exactly at once.

mod answer;
mod ball_points;
mod cache;
mod controls;
mod page;
mod server;
mod write_back;

pub use answer::Answer;
pub use controls::{CONTROLS, Control};
pub use write_back::{Edit, write_back, written};

use crate::carve::orient::oriented;
use crate::carve::relief::Survey;
use crate::model::grid::{Grid, Heights, Layout};
use crate::model::jobfile::{self, Job};
use crate::model::length::Units;
use crate::model::progress::{Progress, Silent};
use crate::model::settings::{GridSettings, Settings, TurnSettings};
use crate::output::folder::{large_files_are_errors, write_whole};
use crate::read::{self, ReadRequest, Reading};
use crate::sphere::lattice::pooled_grid;
use crate::{Error, Problem, Result};
use answer::{Shown, shaping};
use cache::Cache;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Columns of the grid for drafts: a cell is 2 mm on a ball of 200 mm. More show finer ground, and
/// the detail of `multiscale`, which is searched for in every answer, comes later.
const DRAFT_COLUMNS: usize = 300;

/// Longest value that is taken for a setting.
const LONGEST_VALUE: usize = 20_000;

/// Settings of the page as text, `None` where one is left out.
pub type Values = BTreeMap<String, Option<String>>;

/// What the bench is asked for beside the job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PreviewOptions {
    /// Port to listen on; `None` takes a free one.
    pub port: Option<u16>,
}

/// Serves the bench until Ctrl-C; tells the page's address to `announce` once it can be opened.
///
/// # Errors
/// Those of reading the job and its grid; [`Error::Disk`] if the port cannot be had.
pub fn serve(
    path: &Path,
    overrides: &[String],
    options: PreviewOptions,
    progress: &dyn Progress,
    announce: &mut dyn FnMut(&str) -> Result<()>,
) -> Result<()> {
    large_files_are_errors()?;
    let bench = Session::open(path, overrides, progress)?;
    server::serve(bench, options, announce)
}

/// How an answer is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ViewRequest {
    /// The numbers of `facets`, although they take longer; otherwise they come only if they are
    /// there already, and a draft if not.
    pub exact: bool,
    /// The ball as the finishing bit leaves it, not as it is finished.
    pub bit: bool,
}

/// A job and its grid, ready for questions.
pub struct Session {
    path: PathBuf,
    overrides: Vec<String>,
    /// The `[grid]` section that was read.
    grid: GridSettings,
    /// The grid for drafts; none where it is no larger than that anyway.
    draft: Option<Reading>,
    /// Lowest, highest and mean ground, metres.
    ground_m: [f64; 3],
    readings: Cache<ReadRequest, Reading>,
    shown: Cache<Settings, Shown>,
    /// By the shape of the grid, the diameter of the ball and the bit, mm; of both balls' drafts too.
    surveys: Cache<(Layout, f64, f64), Survey, 4>,
    /// The turn that was searched, where the job leaves it to the program.
    found: Option<TurnSettings>,
}

/// What a page needs to begin.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Start {
    /// Title of the job.
    pub title: String,
    /// Name of the job file, without its folder.
    pub file: String,
    /// Names this state of the job file.
    pub stamp: String,
    /// Every control with its value in the job.
    pub controls: Vec<Control>,
    /// What the page is written in; numbers in answers are in mm.
    pub units: Units,
    /// Lowest, highest and mean ground, metres.
    pub ground_m: [f64; 3],
}

/// What writing would change, or has changed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Saved {
    /// Each setting that differs from the job file.
    pub changes: Vec<Changed>,
    /// Whether the file has been written.
    pub written: bool,
    /// Names the state of the file that now holds.
    pub stamp: String,
}

/// A setting that differs from the job file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    /// Its full name.
    pub key: String,
    /// As written in the file; none if it is not in it.
    pub from: Option<String>,
    /// As it will be written; none if it is taken out.
    pub to: Option<String>,
}

impl Session {
    /// Reads job and grid.
    ///
    /// # Errors
    /// Those of reading either, and of the search for a turn where the job asks for one.
    pub fn open(path: &Path, overrides: &[String], progress: &dyn Progress) -> Result<Session> {
        let job = jobfile::load(path, overrides)?;
        job.require_grid()?;
        let locate = |error: Error| job.locate(error);
        oriented(&job.settings).map_err(locate)?;
        let request = ReadRequest::of(&job.settings);
        let reading = read::read(&job.settings.grid, &request, progress).map_err(locate)?;
        let found = match job.settings.globe.turn.auto {
            true => {
                let turned = crate::commands::turn::with_turn(&job, progress).map_err(locate)?;
                Some(turned.settings.globe.turn)
            }
            false => None,
        };
        let ground = &reading.source.hypsometry;
        let bench = Session {
            path: path.to_owned(),
            overrides: overrides.to_owned(),
            grid: job.settings.grid.clone(),
            draft: draft(&reading),
            ground_m: [ground.min_m(), ground.max_m(), ground.mean_m],
            readings: Cache::default(),
            shown: Cache::default(),
            surveys: Cache::default(),
            found,
        };
        let samples = reading.grid.heights_m.len();
        bench.readings.keep(request, reading, samples);
        Ok(bench)
    }

    /// The grid as `facets` reads it for a job: a larger globe or smaller pixels may need it finer
    /// than it was read for the job before.
    fn reading(&self, settings: &Settings) -> Result<Arc<Reading>> {
        let request = ReadRequest::of(settings);
        if let Some(reading) = self.readings.get(&request) {
            return Ok(reading);
        }
        let reading = read::read(&self.grid, &request, &Silent)?;
        let samples = reading.grid.heights_m.len();
        Ok(self.readings.keep(request, reading, samples))
    }

    /// What is known of a grid, which is always the job's own or its coarser copy.
    fn survey(&self, grid: &Grid, settings: &Settings) -> Arc<Survey> {
        let key = (
            grid.layout(),
            settings.globe.diameter_mm,
            settings.finishing_bit_mm(),
        );
        let kept = self.surveys.get(&key);
        kept.unwrap_or_else(|| {
            let survey = Survey::of(grid, settings).keeping();
            self.surveys.keep(key, survey, 0)
        })
    }

    /// The job as it stands in the file, with the `--set` of the command line.
    fn job(&self) -> Result<(String, Job)> {
        let text = jobfile::read_text(&self.path)?;
        let job = jobfile::parse(&text, &self.path, &self.overrides)?;
        Ok((text, job))
    }

    /// What a page needs to begin.
    ///
    /// # Errors
    /// [`Error::Job`] for what is wrong in the job file now, [`Error::Disk`].
    pub fn start(&self) -> Result<Start> {
        let (text, job) = self.job()?;
        let ground_m = self.ground_m;
        let turn = self.turn_of(&job);
        let controls = CONTROLS
            .iter()
            .filter_map(|plan| {
                let given = self.given(&text, &job, plan.key);
                let found = turn.and_then(|turn| turn_text(&turn, plan.key));
                plan.control(found.or(given), &job.settings, ground_m)
            })
            .collect();
        Ok(Start {
            title: job.settings.name.clone(),
            file: self.file_name(),
            stamp: stamp(&text),
            controls,
            units: job.settings.units,
            ground_m,
        })
    }

    fn file_name(&self) -> String {
        let name = self.path.file_name().unwrap_or(self.path.as_os_str());
        name.to_string_lossy().into_owned()
    }

    /// The searched turn, where it holds.
    fn turn_of(&self, job: &Job) -> Option<TurnSettings> {
        self.found.filter(|_| job.settings.globe.turn.auto)
    }

    /// A setting's text as it was given, on the command line or in the file.
    fn given(&self, text: &str, job: &Job, key: &str) -> Option<String> {
        let sets = self.overrides.iter().rev();
        let mut of_key =
            sets.filter_map(|set| set.split_once('=').filter(|(k, _)| k.trim() == key));
        if let Some((_, value)) = of_key.next() {
            return Some(value.trim().trim_matches('"').to_owned());
        }
        written(text, key).filter(|_| job.gives(key))
    }

    /// Ball and figures for the page's settings.
    ///
    /// # Errors
    /// Those of the main job up to the fit, located in the job, except stock that is too small:
    /// that is part of the answer. [`Error::Job`] for a setting that is not the page's to change.
    pub fn answer(&self, values: &Values, look: ViewRequest) -> Result<Answer> {
        let job = self.wanted(values)?;
        let key = shaping(&job.settings);
        let survey = |grid: &Grid| self.survey(grid, &job.settings);
        let shown = match (self.shown.get(&key), &self.draft) {
            (Some(shown), _) => shown,
            (None, Some(draft)) if !look.exact => {
                return Shown::draft(&job, draft, &survey)?.answer(&job, look.bit, false);
            }
            (None, _) => {
                let reading = self.reading(&job.settings).map_err(|e| job.locate(e))?;
                let shown = Shown::new(&job, &reading, &survey)?;
                let samples = shown.samples();
                self.shown.keep(key, shown, samples)
            }
        };
        shown.answer(&job, look.bit, true)
    }

    /// The job with the page's settings in place of its own.
    fn wanted(&self, values: &Values) -> Result<Job> {
        let (text, job) = self.job()?;
        self.same_grid(&job)?;
        let values = self.checked(values, &job)?;
        // What the page leaves out must not come from the file; messages name what it gives.
        let gone: Vec<Edit> = values
            .iter()
            .filter(|(key, value)| value.is_none() && written(&text, key).is_some())
            .map(|(key, _)| (key.clone(), None))
            .collect();
        let text = write_back::without(&text, &gone).unwrap_or(text);
        let mut sets: Vec<String> = self
            .overrides
            .iter()
            .filter(|set| {
                let key = set.split('=').next().unwrap_or_default().trim();
                !values.contains_key(key)
            })
            .cloned()
            .collect();
        sets.extend(
            values
                .iter()
                .filter_map(|(key, value)| Some(format!("{key}={}", value.as_ref()?))),
        );
        let job = jobfile::parse(&text, &self.path, &sets)?;
        let Some(turn) = self.turn_of(&job) else {
            return Ok(job);
        };
        let mut settings = job.settings.clone();
        settings.globe.turn = turn;
        Ok(job.with(settings))
    }

    /// The grid is read once, and a job that now names another one cannot be answered.
    fn same_grid(&self, job: &Job) -> Result<()> {
        if job.settings.grid == self.grid {
            return Ok(());
        }
        Err(Error::Job(
            Problem::new("the section [grid] has changed since the grid was read")
                .next("stop this preview with Ctrl-C and start it again")
                .file(&self.path),
        ))
    }

    /// The page's values, but only of settings that it shows; a searched turn that was left as it
    /// was found stays searched.
    fn checked(&self, values: &Values, job: &Job) -> Result<Values> {
        let mut checked = values.clone();
        for (key, value) in values {
            if !CONTROLS.iter().any(|plan| plan.key == key) {
                return Err(Error::Job(
                    Problem::new("this page does not change this setting")
                        .found(crate::model::length::quoted(key))
                        .next("change it in the job file"),
                ));
            }
            let long = value
                .as_ref()
                .is_some_and(|value| value.len() > LONGEST_VALUE);
            if long {
                return Err(Error::Job(
                    Problem::new("this value is too long")
                        .setting(key)
                        .allowed(format!("up to {LONGEST_VALUE} characters"))
                        .next("write it into the job file"),
                ));
            }
        }
        if let Some(turn) = self.turn_of(job) {
            let of_turn = |key: &String| key.starts_with("globe.turn.");
            let untouched = values
                .iter()
                .filter(|(key, _)| of_turn(key))
                .all(|(key, value)| value.is_none() || *value == turn_text(&turn, key));
            if untouched {
                checked.retain(|key, _| !of_turn(key));
            } else {
                checked.insert("globe.turn.place".into(), Some("given".into()));
            }
        }
        Ok(checked)
    }

    /// Says what the page's settings would change in the job file, and changes it if `write`.
    ///
    /// `seen` is the stamp of the file as the page knows it.
    ///
    /// # Errors
    /// [`Error::Job`] for settings that make no job, and for a file that changed meanwhile, which
    /// is left as it is; [`Error::Disk`].
    pub fn save(&self, values: &Values, seen: &str, write: bool) -> Result<Saved> {
        let text = jobfile::read_text(&self.path)?;
        if stamp(&text) != seen {
            return Err(changed_meanwhile(&self.path));
        }
        // What is written is complete: the command line's own settings of these keys are in it.
        let wanted = self.wanted(values)?;
        let file = jobfile::parse(&text, &self.path, &[])?;
        let checked = self.checked(values, &file)?;
        let changes: Vec<Changed> = checked
            .iter()
            .filter(|(key, value)| {
                let pointer = format!("/{}", key.replace('.', "/"));
                let same = file.resolved.pointer(&pointer) == wanted.resolved.pointer(&pointer);
                let gone = value.is_none() && written(&text, key).is_none();
                !same && !gone
            })
            .map(|(key, value)| Changed {
                key: key.clone(),
                from: written(&text, key),
                to: value.clone(),
            })
            .collect();
        let edits: Vec<Edit> = changes
            .iter()
            .map(|change| (change.key.clone(), change.to.clone()))
            .collect();
        let new = write_back(&text, &self.path, &edits)?;
        if write && new != text {
            // Once more, as close to the writing as can be.
            if jobfile::read_text(&self.path)? != text {
                return Err(changed_meanwhile(&self.path));
            }
            self.replace(&new)?;
        }
        Ok(Saved {
            changes,
            written: write,
            stamp: stamp(if write { &new } else { &text }),
        })
    }
}

impl Session {
    /// Puts a new text in the place of the job file's, whole; links and permissions stay.
    fn replace(&self, text: &str) -> Result<()> {
        let fail = |error: std::io::Error| Error::io(&self.path, "write the job file", &error);
        let target = std::fs::canonicalize(&self.path).map_err(fail)?;
        let permissions = std::fs::metadata(&target).map_err(fail)?.permissions();
        if permissions.readonly() {
            return Err(fail(std::io::ErrorKind::PermissionDenied.into()));
        }
        write_whole(&target, text.as_bytes(), true).map_err(fail)?;
        std::fs::set_permissions(&target, permissions).map_err(fail)
    }
}

/// A grid in fewer cells, where it has more.
fn draft(reading: &Reading) -> Option<Reading> {
    let Reading { grid, source } = reading;
    let (rows, columns) = (DRAFT_COLUMNS / 2, DRAFT_COLUMNS);
    (grid.rows() > rows && grid.columns() > columns).then(|| Reading {
        grid: pooled_grid(grid, rows, columns).into_grid(),
        source: source.clone(),
    })
}

fn changed_meanwhile(path: &Path) -> Error {
    Error::Job(
        Problem::new("the job file has changed since this page read it, and was left as it is")
            .next("load the page again to see what is in it now")
            .file(path),
    )
}

/// Names a state of a file's text.
fn stamp(text: &str) -> String {
    let digest = Sha256::digest(text.as_bytes());
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A setting of a searched turn as text.
fn turn_text(turn: &TurnSettings, key: &str) -> Option<String> {
    Some(match key {
        "globe.turn.face" => turn.face.to_string(),
        "globe.turn.lat" => turn.lat_deg.to_string(),
        "globe.turn.lon" => turn.lon_deg.to_string(),
        "globe.turn.spin" => turn.spin_deg.to_string(),
        _ => return None,
    })
}

/// A bench without progress bars, for benchmarks and tests.
///
/// # Errors
/// As [`Session::open`].
pub fn quiet(path: &Path, overrides: &[String]) -> Result<Session> {
    Session::open(path, overrides, &Silent)
}

#[cfg(test)]
mod tests;
