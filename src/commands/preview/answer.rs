//! What the bench answers: settings in, ball and figures out, by the stages that make the images.

use super::ball_points::{Ball, BallHead, Net, ball};
use crate::carve::compress::{carved, straight, unit_curve};
use crate::carve::fit::{self, Fit};
use crate::carve::orient::oriented;
use crate::carve::relief::{Ground, Relief, SurveyOf};
use crate::carve::resample::Sampler;
use crate::commands::curves::{self, Slope};
use crate::model::geometry::Solid;
use crate::model::grid::{Heights, Quantity, Source};
use crate::model::jobfile::Job;
use crate::model::settings::{ReliefRange, Settings};
use crate::output::manifest::Manifest;
use crate::output::manifest::manifest_of;
use crate::read::Reading;
use crate::show::warnings;
use crate::sphere::ball::carved_by_ball;
use crate::sphere::figures::{self, Figures};
use crate::{Error, Result};
use serde::Serialize;

/// Points of the drawn curve: straight pieces shorter than a screen's pixel.
const CURVE_POINTS: usize = 241;

/// Relief of a globe that does not fit even flat, so that there is something to look at: share of
/// its diameter.
const DRAWN_ANYWAY: f64 = 0.02;

/// Stock in which every globe fits, in diameters.
const ENDLESS: f64 = 1000.0;

/// Undercut ground is worth a word from this share of the ball on.
const UNDERCUT_SHARE: f64 = 1e-4;

/// Everything the page shows for one setting.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Answer {
    /// Whether these are the numbers of `facets`, or those of a draft on a coarser grid.
    pub exact: bool,
    /// Title of the job.
    pub title: String,
    /// Name of the solid.
    pub solid: String,
    /// Facets it has.
    pub facets: usize,
    /// Diameter of the globe, mm.
    pub diameter_mm: f64,
    /// Lowest to highest ground, mm.
    pub range_mm: f64,
    /// Whether the wood holds it.
    pub fit: FitAnswer,
    /// Name of the curve.
    pub curve_name: String,
    /// Height in metres and relief in mm along the curve; of a method that knows the
    /// surroundings, the part that is the same everywhere.
    pub curve: Vec<[f64; 2]>,
    /// Share of the sphere in equal bands from the lowest to the highest ground.
    pub ground_share: Vec<f64>,
    /// What the curve makes of heights at named places.
    pub slopes: Vec<Slope>,
    /// What the relief looks like as the bit leaves it.
    pub figures: Figures,
    /// Detail of multiscale, as given or found.
    pub detail: Option<f64>,
    /// Every seam with its lowest and highest ground.
    pub seams: Vec<SeamAnswer>,
    /// What a person should read before carving.
    pub warnings: Vec<String>,
    /// How the points hang together.
    pub nets: Vec<Net>,
    /// One for each facet.
    pub heads: Vec<BallHead>,
    /// x, y, z of all points, sent apart from the rest.
    #[serde(skip)]
    pub points_mm: Vec<f32>,
}

/// Whether the wood holds the globe.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FitAnswer {
    /// Whether `facets` would make it.
    pub fits: bool,
    /// What the command line would say, if not.
    pub message: Option<String>,
    /// Stock, mm.
    pub stock_mm: f64,
    /// Least thickness the job allows at a corner, mm.
    pub edge_mm: f64,
    /// Thinnest corner of all facets with the ground that lies there, mm; none if it does not fit.
    pub corner_mm: Option<f64>,
    /// Facet with that corner.
    pub corner_facet: Option<usize>,
}

/// The ground along a seam.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeamAnswer {
    /// Label, `S07`.
    pub seam: String,
    /// Numbers of its facets.
    pub facets: [usize; 2],
    /// Lowest ground about the level, mm.
    pub low_mm: f64,
    /// Highest ground about the level, mm.
    pub high_mm: f64,
}

/// A relief, and all that is told of it whatever the stock.
pub(super) struct Shown {
    source: Source,
    ground: Ground,
    /// Why the stock holds no relief at all; what is kept is then there to be looked at.
    refused: Option<Error>,
    /// Whether the range is a draft's, found by the curve alone: shaped, its ground lies a little
    /// otherwise and may lack some wood, which is no refusal.
    about: bool,
    figures: Figures,
    /// The relief as it is finished.
    finished: Sampler,
    /// As the finishing bit leaves it, on the lattice on which it is judged.
    left: Sampler,
}

/// The part of a job that [`Shown`] is made from. With a range given nothing of the
/// stock but its trim is in it, for then the wood has no say in the relief.
pub(super) fn shaping(settings: &Settings) -> Settings {
    let mut stock = settings.stock;
    if matches!(settings.relief.range, ReliefRange::Mm(_)) {
        stock = Settings::default().stock;
        stock.trim_mm = settings.stock.trim_mm;
    }
    Settings {
        grid: settings.grid.clone(),
        globe: settings.globe.clone(),
        relief: settings.relief.clone(),
        image: settings.image,
        cutters: settings.cutters.clone(),
        stock,
        ..Settings::default()
    }
}

impl Shown {
    /// Shapes and judges the relief of a job.
    ///
    /// # Errors
    /// Those of the main job up to the fit, located in the job, except stock that is too small:
    /// that is part of the answer.
    pub fn new(job: &Job, reading: &Reading, survey: SurveyOf) -> Result<Shown> {
        Shown::shaped(&job.settings, reading, survey).map_err(|error| job.locate(error))
    }

    /// The same shaped once only: where the wood decides on the range, it is the one that the curve
    /// alone would have.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn draft(job: &Job, reading: &Reading, survey: SurveyOf) -> Result<Shown> {
        let once = || {
            let mut settings = job.settings.clone();
            let (mut refused, mut about) = (None, false);
            let Reading { grid, source } = reading;
            let of_file = source.quantity == Quantity::Relief;
            if !of_file && !matches!(settings.relief.range, ReliefRange::Mm(_)) {
                let unit = unit_curve(&source.hypsometry, &settings.relief)?;
                let (solid, _) = oriented(&settings)?;
                let range_mm = match fit::range(&solid, grid, &unit, &settings) {
                    Ok(range_mm) => range_mm,
                    Err(error @ Error::Stock(_)) => {
                        refused = Some(error);
                        DRAWN_ANYWAY * settings.globe.diameter_mm
                    }
                    Err(error) => return Err(error),
                };
                settings.relief.range = ReliefRange::Mm(range_mm);
                about = refused.is_none();
            }
            let shown = Shown::shaped(&settings, reading, survey)?;
            Ok(Shown {
                refused,
                about,
                ..shown
            })
        };
        once().map_err(|error| job.locate(error))
    }

    fn shaped(settings: &Settings, reading: &Reading, survey: SurveyOf) -> Result<Shown> {
        let Reading { grid, source } = reading;
        let (solid, _) = oriented(settings)?;
        let of = |settings: &Settings| {
            Ground::surveyed(&solid, grid.clone(), source, settings, false, survey)
        };
        let mut roomy = settings.clone();
        roomy.stock.thickness_mm = ENDLESS * settings.globe.diameter_mm;
        let (ground, refused) = match settings.relief.range {
            // Not shaped again where it does not fit: what a given range needs is told anyway.
            ReliefRange::Mm(_) => (of(&roomy)?, None),
            // The whole of it, for its error tells what would hold the globe.
            _ => match Relief::surveyed(&solid, grid.clone(), source, settings, false, survey) {
                Err(error @ Error::Stock(_)) => {
                    let range_mm = DRAWN_ANYWAY * settings.globe.diameter_mm;
                    roomy.relief.range = ReliefRange::Mm(range_mm);
                    (of(&roomy)?, Some(error))
                }
                relief => (relief?.ground, None),
            },
        };
        let (radius_mm, bit_mm) = (
            settings.globe.diameter_mm / 2.0,
            settings.finishing_bit_mm(),
        );
        let lattice = figures::lattice_for(grid.layout(), radius_mm, bit_mm);
        let relief_mm = figures::of_grid(&carved(ground.grid.clone(), &ground.curve), lattice);
        let figures = match ground.making.figures {
            Some(figures) => figures,
            None => survey(grid).judge.figures(&relief_mm),
        };
        let left = carved_by_ball(&relief_mm, radius_mm, 0.5 * bit_mm).into_grid();
        Ok(Shown {
            source: source.clone(),
            figures,
            finished: Sampler::new(&ground.grid, &ground.curve),
            left: Sampler::new(&left, &straight(&ground.curve)),
            refused,
            about: false,
            ground,
        })
    }

    /// Samples that it holds, to know how much memory that takes.
    pub fn samples(&self) -> usize {
        self.ground.grid.heights_m.len()
    }

    /// Ball and figures in the job's stock; the ball is drawn as it is finished or, with `bit`, as
    /// the bit leaves it. `job` must be shaped as the one this was made from.
    ///
    /// # Errors
    /// Those of the fit except stock that is too small, located in the job.
    pub fn answer(&self, job: &Job, bit: bool, exact: bool) -> Result<Answer> {
        self.told(job, bit, exact)
            .map_err(|error| job.locate(error))
    }

    fn told(&self, job: &Job, bit: bool, exact: bool) -> Result<Answer> {
        let settings = &job.settings;
        let (solid, turn) = oriented(settings)?;
        let (fit, refused) = self.fitted(&solid, settings)?;
        let chosen: Vec<usize> = (0..solid.faces.len()).collect();
        let manifest = manifest_of(
            job,
            &self.source,
            &solid,
            &turn,
            &fit,
            &chosen,
            &self.finished,
        );
        let surface = if bit { &self.left } else { &self.finished };
        let Ball {
            nets,
            heads,
            points_mm,
            undercut_share,
        } = ball(&solid, &fit, settings.globe.projection, surface, exact);
        Ok(Answer {
            exact,
            title: settings.name.clone(),
            solid: solid.name.to_owned(),
            facets: solid.faces.len(),
            diameter_mm: settings.globe.diameter_mm,
            range_mm: fit.range_mm,
            fit: fit_answer(
                &manifest,
                settings,
                refused.map(|error| job.locate(error).to_string()),
            ),
            curve_name: fit.curve.name.clone(),
            curve: curve_points(&fit),
            ground_share: manifest.source.ground_share.clone(),
            slopes: curves::slopes(&fit.curve, &self.source, settings.globe.diameter_mm / 2.0),
            figures: self.figures,
            detail: self.ground.making.detail,
            seams: seams(&manifest),
            warnings: remarks(&manifest, undercut_share),
            nets,
            heads,
            points_mm,
        })
    }

    /// The globe in the job's stock; in the thinnest that holds it, to be looked at, where that
    /// does not, and why.
    fn fitted(&self, solid: &Solid, settings: &Settings) -> Result<(Fit, Option<Error>)> {
        let fit = || match self.about {
            true => self.ground.fitted_as_it_is(solid, settings),
            false => self.ground.fitted(solid, settings),
        };
        let refused = match &self.refused {
            Some(refused) => refused.clone(),
            None => match fit() {
                Err(error @ Error::Stock(_)) => error,
                fit => return Ok((fit?, None)),
            },
        };
        let curve = &self.ground.curve;
        let range_mm = curve.highest_mm() - curve.lowest_mm();
        let limits = fit::limits(solid, &curve.scaled(1.0 / range_mm), range_mm, settings);
        let mut thicker = settings.clone();
        thicker.stock.thickness_mm = match limits.least_stock_mm {
            Some(least_mm) => least_mm,
            None => return Err(refused),
        };
        let refused = (!self.about).then_some(refused);
        Ok((self.ground.fitted(solid, &thicker)?, refused))
    }
}

fn fit_answer(manifest: &Manifest, settings: &Settings, refused: Option<String>) -> FitAnswer {
    let fits = refused.is_none();
    let thinnest = manifest
        .facets
        .iter()
        .min_by(|a, b| a.corner_mm.total_cmp(&b.corner_mm))
        .filter(|_| fits);
    FitAnswer {
        fits,
        message: refused,
        stock_mm: settings.stock.thickness_mm,
        edge_mm: settings.stock.edge_mm,
        corner_mm: thinnest.map(|facet| facet.corner_mm),
        corner_facet: thinnest.map(|facet| facet.id),
    }
}

fn curve_points(fit: &Fit) -> Vec<[f64; 2]> {
    let knots = &fit.curve.knots_m;
    let (low, high) = (knots[0], knots[knots.len() - 1]);
    (0..CURVE_POINTS)
        .map(|i| {
            let metres = low + (high - low) * i as f64 / (CURVE_POINTS - 1) as f64;
            [metres, fit.curve.relief_mm(metres)]
        })
        .collect()
}

/// Each seam once, by its label.
fn seams(manifest: &Manifest) -> Vec<SeamAnswer> {
    let mut all: Vec<SeamAnswer> = manifest
        .facets
        .iter()
        .flat_map(|facet| facet.edges.iter().map(move |edge| (facet.id, edge)))
        .filter(|(id, edge)| *id < edge.neighbour)
        .map(|(id, edge)| SeamAnswer {
            seam: edge.seam.clone(),
            facets: [id, edge.neighbour],
            low_mm: edge.seam_low_mm,
            high_mm: edge.seam_high_mm,
        })
        .collect();
    all.sort_by(|a, b| (a.seam.len(), &a.seam).cmp(&(b.seam.len(), &b.seam)));
    all
}

fn remarks(manifest: &Manifest, undercut_share: f64) -> Vec<String> {
    let mut all: Vec<String> = warnings::collect(manifest)
        .iter()
        .map(|warning| warning.text(manifest.lengths()))
        .collect();
    if undercut_share > UNDERCUT_SHARE {
        all.insert(
            0,
            format!(
                "the ground is undercut on {:.2} % of the net shown here; a bit from above \
                 carves the upper ground straight down: less relief makes slopes less steep",
                100.0 * undercut_share
            ),
        );
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carve::relief::anew;
    use crate::carve::resample::{Bounds, FacetImage, Scratch, render};
    use crate::model::jobfile;
    use crate::sphere::figures::Judge;
    use crate::testing::{grid_of, source_of};
    use glam::DVec3;

    /// What the main job carves.
    fn relief(solid: &Solid, reading: &Reading, settings: &Settings) -> Relief {
        Relief::of(
            solid,
            reading.grid.clone(),
            &reading.source,
            settings,
            false,
        )
        .unwrap()
    }

    /// A smooth field, in metres.
    fn reading(columns: usize) -> Reading {
        let grid = grid_of(columns, |d| {
            let waves = [
                (DVec3::new(3.0, -2.0, 1.0), 0.4, 2500.0),
                (DVec3::new(-7.0, 4.0, 9.0), 1.9, 900.0),
                (DVec3::new(14.0, 11.0, -8.0), 5.1, 350.0),
            ];
            let heights = waves
                .iter()
                .map(|(k, phase, m)| m * (k.dot(d) + phase).sin());
            heights.sum()
        });
        let source = source_of(&grid);
        Reading { grid, source }
    }

    fn shown(job: &Job, reading: &Reading) -> Result<Shown> {
        Shown::new(job, reading, &anew(&job.settings))
    }

    fn answer(job: &Job, reading: &Reading) -> Result<Answer> {
        shown(job, reading)?.answer(job, false, true)
    }

    fn job(sets: &[&str]) -> Job {
        let sets: Vec<String> = sets.iter().map(|s| (*s).to_owned()).collect();
        jobfile::parse(
            "[grid]\nfiles = [\"waves.tif\"]\n",
            "waves.toml".as_ref(),
            &sets,
        )
        .unwrap()
    }

    /// The heights of the ball are those of the images that the main job makes with the same
    /// settings from the same grid. Reference: `render`, whose own reference is brute force.
    #[test]
    fn the_ball_lies_on_the_images() {
        let reading = reading(360);
        for sets in [
            vec!["relief.range=6 mm"],
            vec![
                "relief.detail=0.5",
                "globe.solid=cube",
                "relief.range=4 mm",
                "stock.thickness=4 in",
            ],
            vec![
                "globe.base=flat",
                "globe.projection=gnomonic",
                "relief.range=5 mm",
            ],
            vec![
                "globe.base=flat",
                "relief.range=5 mm",
                "globe.solid=rhombic-dodecahedron",
            ],
        ] {
            let job = job(&sets);
            let answer = answer(&job, &reading).unwrap();
            assert!(answer.fit.fits, "{:?}", answer.fit);
            let settings = &job.settings;
            let (solid, _) = oriented(settings).unwrap();
            let Relief {
                ground: Ground { grid, curve, .. },
                fit,
            } = relief(&solid, &reading, settings);
            let (sampler, bounds) = (Sampler::new(&grid, &curve), Bounds::new(&grid, &curve));
            let range_mm = (curve.lowest_mm(), curve.highest_mm());
            let mut spec = fit.facets[2].clone();
            let coarser = 0.4 / spec.pixel_mm;
            spec.width_px = (spec.width_px as f64 / coarser) as usize;
            spec.height_px = (spec.height_px as f64 / coarser) as usize;
            spec.pixel_mm = 0.4;
            let FacetImage { levels, .. } =
                render(&sampler, &bounds, &spec, range_mm, &mut Scratch::default());
            let before: usize = answer.heads[..2].iter().map(|head| head.points).sum();
            let points = &answer.points_mm[3 * before..3 * (before + answer.heads[2].points)];
            let carved = 1 + (answer.heads[2].points - 1) / 2;
            let mut seen = 0;
            for point in points[..3 * carved].chunks_exact(3) {
                let [x, y, z] = [point[0], point[1], point[2]].map(f64::from);
                // Between pixel centres: bilinear, good to the curvature within a pixel.
                let column = x / spec.pixel_mm + 0.5 * spec.width_px as f64 - 0.5;
                let row = 0.5 * spec.height_px as f64 - 0.5 - y / spec.pixel_mm;
                let (c, r) = (column.floor(), row.floor());
                if c < 0.0 || r < 0.0 {
                    continue;
                }
                let at = |r: usize, c: usize| {
                    let level = f64::from(*levels.get((r, c)).unwrap_or(&0)) / 65535.0;
                    spec.black_mm + level * (spec.white_mm - spec.black_mm)
                };
                let (c, r, u, v) = (c as usize, r as usize, column - c, row - r);
                let image = (1.0 - v) * ((1.0 - u) * at(r, c) + u * at(r, c + 1))
                    + v * ((1.0 - u) * at(r + 1, c) + u * at(r + 1, c + 1));
                let found = z - spec.back_plane_mm;
                assert!(
                    (image - found).abs() < 0.02,
                    "{sets:?} {x} {y}: {image} {found}"
                );
                seen += 1;
            }
            assert!(seen > 1000, "{seen}");
        }
    }

    #[test]
    fn figures_are_those_of_the_fit_and_the_curve() {
        let reading = reading(360);
        let job = job(&["relief.range=6 mm", "globe.solid=dodecahedron"]);
        let answer = answer(&job, &reading).unwrap();
        let settings = &job.settings;
        let (solid, _) = oriented(settings).unwrap();
        let Relief {
            ground: Ground { grid, curve, .. },
            fit,
        } = relief(&solid, &reading, settings);
        assert_eq!(answer.range_mm, 6.0);
        assert_eq!(
            answer.curve[0],
            [fit.curve.knots_m[0], fit.curve.lowest_mm()]
        );
        assert_eq!(answer.curve[CURVE_POINTS - 1][1], fit.curve.highest_mm());
        let total: f64 = answer.ground_share.iter().sum();
        assert!((total - 1.0).abs() < 1e-9);
        assert_eq!((answer.facets, answer.seams.len()), (12, 30));
        for seam in &answer.seams {
            assert!(seam.low_mm >= fit.curve.lowest_mm() - 0.05, "{seam:?}");
            assert!(seam.high_mm <= fit.curve.highest_mm() + 0.05, "{seam:?}");
        }
        let corner = answer.fit.corner_mm.unwrap();
        assert!(corner >= settings.stock.edge_mm, "{corner}");
        // As the comparison of curves measures it on this grid.
        let judge = Judge::new(&reading.grid, 100.0, settings.finishing_bit_mm());
        let relief_mm = figures::of_grid(&carved(grid, &curve), judge.layout());
        let figures = judge.figures(&relief_mm);
        let differ = |of: fn(&Figures) -> f64| (of(&figures) - of(&answer.figures)).abs();
        assert!(differ(|f| f.carved_share) < 0.01, "{figures:?}");
        assert!(differ(|f| f.rough_order) < 0.01, "{figures:?}");
        assert!(differ(|f| f.bit_leaves_share) < 0.01, "{figures:?}");
    }

    /// Reference: the stages of the main job on the same grid.
    #[test]
    fn the_numbers_are_those_of_the_main_job() {
        let reading = reading(360);
        for sets in [
            ["relief.range=auto", "stock.thickness=2 in"],
            ["relief.range=5 mm", "globe.solid=cube"],
            ["relief.range=most", "relief.method=curve"],
        ] {
            let mut sets = sets.to_vec();
            sets.push("stock.thickness=4 in");
            let job = job(&sets);
            let answer = answer(&job, &reading).unwrap();
            let (solid, turn) = oriented(&job.settings).unwrap();
            let relief = relief(&solid, &reading, &job.settings);
            let sampler = Sampler::new(&relief.ground.grid, &relief.ground.curve);
            let all: Vec<usize> = (0..solid.faces.len()).collect();
            let source = &reading.source;
            let manifest = manifest_of(&job, source, &solid, &turn, &relief.fit, &all, &sampler);
            assert_eq!(answer.range_mm, relief.fit.range_mm);
            let corners = manifest.facets.iter().map(|facet| facet.corner_mm);
            assert_eq!(answer.fit.corner_mm, corners.reduce(f64::min));
            let mut after = 0;
            for (head, spec) in answer.heads.iter().zip(&relief.fit.facets) {
                after += head.points;
                // The last point of a facet lies on its back.
                assert_eq!(
                    answer.points_mm[3 * after - 1],
                    spec.back_plane_mm as f32,
                    "{sets:?}"
                );
            }
        }
    }

    /// Distances of all points from the globe's centre, mm, with what lies around a direction
    /// within an angle first.
    fn radii(answer: &Answer, towards: DVec3, within_rad: f64) -> (Vec<f64>, Vec<f64>) {
        let mut at = 0;
        let (mut inside, mut outside) = (Vec::new(), Vec::new());
        for head in &answer.heads {
            let carved = head.points - answer.nets[0].sides * answer.nets[0].rings;
            let frame = &head.frame;
            let [x, y, z] = [frame.x, frame.y, frame.z].map(DVec3::from_array);
            for point in answer.points_mm[3 * at..3 * (at + carved)].chunks_exact(3) {
                let [a, b, c] = [point[0], point[1], point[2]].map(f64::from);
                let place = a * x + b * y + c * z;
                match place.angle_between(towards) < within_rad {
                    true => inside.push(place.length()),
                    false => outside.push(place.length()),
                }
            }
            at += head.points;
        }
        (inside, outside)
    }

    /// Plains with one pit of 2 mm across, as deep as half of that; a ball of the bit's radius r
    /// sinks into a rim of radius 1 mm by r − √(r² − 1 mm²), 0.35 mm.
    #[test]
    fn a_crater_of_two_millimetres_is_on_the_ball_as_the_bit_leaves_it() {
        let (radius_mm, towards) = (100.0, DVec3::new(0.36, 0.48, 0.8));
        let grid = grid_of(2880, |d| {
            let away_mm = radius_mm * d.angle_between(towards);
            -1000.0 * (1.0 - away_mm.powi(2)).clamp(0.0, 1.0).sqrt()
        });
        let source = source_of(&grid);
        let reading = Reading { grid, source };
        let job = job(&[
            "relief.range=1 mm",
            "relief.curve=linear",
            "relief.method=curve",
            "relief.steepest=90",
            "globe.solid=cube",
            "stock.thickness=6 in",
        ]);
        let shown = shown(&job, &reading).unwrap();
        let sunk = |bit: bool| {
            let answer = shown.answer(&job, bit, true).unwrap();
            let (pit, plain) = radii(&answer, towards, 1.0 / radius_mm);
            assert!(pit.len() >= 8, "{} points", pit.len());
            let level = plain.iter().copied().fold(0.0, f64::max);
            level - pit.into_iter().fold(f64::MAX, f64::min)
        };
        let (left, finished) = (sunk(true), sunk(false));
        // Between cells of 0.44 mm the rim is a little wider.
        assert!((0.2..0.5).contains(&left), "{left}");
        assert!((0.8..1.001).contains(&finished), "{finished}");
    }

    #[test]
    fn what_does_not_fit_is_shown_with_the_ways_out() {
        let reading = reading(180);
        let thin = answer(
            &job(&["relief.range=6 mm", "stock.thickness=28 mm"]),
            &reading,
        )
        .unwrap();
        assert!(!thin.fit.fits);
        let message = thin.fit.message.unwrap();
        assert!(
            message.starts_with(
                "stock: stock.thickness: a globe of 200 mm with 6 mm of relief does not fit 28 mm \
                 stock; found "
            ),
            "{message}"
        );
        for way in [
            "stock.thickness of at least ",
            "globe.diameter of at most ",
            "globe.solid = ",
        ] {
            assert!(message.contains(way), "{message}");
        }
        assert!(
            message.ends_with("(--set stock.thickness=28 mm)"),
            "{message}"
        );
        assert_eq!((thin.fit.corner_mm, thin.heads.len()), (None, 24));
        assert!(thin.points_mm.iter().all(|mm| mm.is_finite()));
    }

    #[test]
    fn a_setting_the_grid_cannot_hold_is_the_command_lines_error() {
        let error = answer(&job(&["relief.level=99999"]), &reading(180)).unwrap_err();
        assert!(
            error.to_string().starts_with(
                "job: relief.level: the level lies outside the grid's heights; found 99999 m"
            ),
            "{error}"
        );
        assert!(error.to_string().ends_with("(--set relief.level=99999)"));
    }
}
