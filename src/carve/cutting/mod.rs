//! What the job's bits reach on each facet, what roughing may clear, and how long it takes.
//!
//! Input: a drawn facet and the job's bits. Output: a [`FacetCutting`] for manifest and report,
//! and images in the frame and levels of the facet's own.

mod entry;
mod estimate;
mod remarks;
mod ring;

pub use entry::{BitEntry, CuttingEntry, FacetCutting, OperationEntry};
pub use estimate::Estimate;
pub use remarks::{CuttingRemark, remarks};
pub use ring::ring_svg;

use super::resample::FacetSpec;
use crate::carve::cutter::reach::{self, BallSearch, Left};
use crate::carve::cutter::time::{self, Feeds, Path};
use crate::carve::cutter::{Tool, ToolShape, legible, morphology, rough, scallop};
use crate::model::length::Lengths;
use crate::model::settings::{Base, Cutter, CutterRole, CutterShape, CuttingSettings, Settings};
use glam::{DVec2, DVec3};
use ndarray::Array2;
use std::ops::Range;

/// Share of a facet on which the second of the two "largest bits" may leave more than asked.
const SPARED: f64 = 0.01;

/// The bits of a job, ready for use.
#[derive(Debug, Clone, PartialEq)]
pub struct CutterSet {
    finishing: Cutter,
    roughing: Option<Cutter>,
    asked: CuttingSettings,
    stock_mm: f64,
    /// How the names of bits are written.
    lengths: Lengths,
}

/// Images beside the facet's own.
#[derive(Debug, Clone, PartialEq)]
pub struct CuttingImages {
    /// The roughing surface, when there is a bit for it.
    pub rough: Option<Array2<u16>>,
    /// What the finishing bit leaves.
    pub carved: Option<Array2<u16>>,
}

impl CutterSet {
    /// The bits of a job; `None` when it names none.
    pub fn of(settings: &Settings) -> Option<CutterSet> {
        let finishing = settings
            .cutters
            .iter()
            .find(|cutter| cutter.role() != CutterRole::Rough)?;
        let roughing = settings
            .cutters
            .iter()
            .find(|cutter| cutter.role() == CutterRole::Rough);
        Some(CutterSet {
            finishing: finishing.clone(),
            roughing: roughing.cloned(),
            asked: settings.cutting,
            stock_mm: settings.stock.thickness_mm,
            lengths: settings.lengths(),
        })
    }

    /// Bits for a job that names none: a 1/8 in ball to finish, and to rough the 6 mm flat bit that
    /// cuts pocket and boss too. Common practice, no source.
    pub fn usual() -> Vec<Cutter> {
        let flat = Cutter {
            shape: CutterShape::Flat,
            diameter_mm: 6.0,
            ..Cutter::default()
        };
        vec![Cutter::default(), flat]
    }

    /// The finishing bit.
    pub fn finishing(&self) -> &Cutter {
        &self.finishing
    }

    /// The roughing bit.
    pub fn roughing(&self) -> Option<&Cutter> {
        self.roughing.as_ref()
    }

    /// The entry of a manifest, without facets.
    pub fn entry(&self) -> CuttingEntry {
        CuttingEntry {
            finishing: bit_entry(&self.finishing, self.lengths),
            roughing: (self.roughing.as_ref()).map(|bit| bit_entry(bit, self.lengths)),
            left_mm: self.asked.left_mm,
            facets: Vec::new(),
            change_min: self.change_min(),
            total_min: 0.0,
            rings: Vec::new(),
        }
    }

    /// Minutes for changing bits: each is used on all blanks before it is changed.
    fn change_min(&self) -> f64 {
        self.finishing.change_min + self.roughing.as_ref().map_or(0.0, |bit| bit.change_min)
    }

    /// Looks at one facet; `carved`: whether the surface that the bit leaves is wanted as an image.
    pub fn facet(
        &self,
        id: usize,
        label: &str,
        spec: &FacetSpec,
        levels: &Array2<u16>,
        carved: bool,
    ) -> (FacetCutting, CuttingImages) {
        let per_level = (spec.white_mm - spec.black_mm) / 65535.0;
        let wanted = levels.mapv(|v| (spec.black_mm + f64::from(v) * per_level) as f32);
        let tool = tool(&self.finishing);
        let profile = tool.profile(spec.pixel_mm);
        let ground: Vec<Range<usize>> = (0..spec.height_px).map(|row| spec.span(row)).collect();
        let facet: Vec<Range<usize>> = (0..spec.height_px)
            .map(|row| between_seams(spec, &wanted, row))
            .collect();
        let keep = carved;
        let looked_at = match keep {
            true => morphology::everywhere(&wanted),
            false => morphology::grown(&ground, 1, spec.width_px),
        };
        let tip = morphology::dilate_for(&wanted, &profile, &looked_at);
        let carved = morphology::erode_for(&tip, &profile, &looked_at);
        let tip = morphology::over_image(&tip, &profile);

        let left = reach::left(&wanted, &carved, &facet, spec.pixel_mm, self.asked.left_mm);
        let left = left.unwrap_or(Left {
            most_mm: 0.0,
            worst: (spec.height_px / 2, spec.width_px / 2),
            rms_mm: 0.0,
            over_mm2: 0.0,
            over_share: 0.0,
        });
        let pixel_mm = spec.pixel_mm;
        let [largest, largest_99] = self.largest_balls(&wanted, &carved, &facet, pixel_mm, &left);
        let stepover = self.finishing.stepover_mm();
        let ridges = match tool.shape {
            ToolShape::Flat => None,
            _ => scallop::ridges(&carved, &facet, pixel_mm, tool.radius_mm(), stepover),
        };
        let rough = self
            .roughing
            .as_ref()
            .map(|bit| self.rough(bit, spec, &wanted, &ground));
        let finishing = time::finishing(&tip, &ground, pixel_mm, stepover, spec.white_mm);
        let finishing = self.operation(&self.finishing, finishing);
        let cut_out = self.cut_out(spec);
        let roughing = rough.as_ref().map(|rough| rough.operation);
        let entry = FacetCutting {
            id,
            label: label.to_owned(),
            most_left_mm: left.most_mm,
            worst_mm: [spec.x_mm(left.worst.1), spec.y_mm(left.worst.0)],
            rms_left_mm: left.rms_mm,
            over_mm2: left.over_mm2,
            over_share: left.over_share,
            largest_ball_mm: largest,
            largest_ball_99_mm: largest_99,
            ridges_mm: ridges.map(|r| [r.level_mm, r.mean_mm, r.p95_mm]),
            carved_legible_share: legible_share(spec, &carved, &ground, &facet),
            deepest_wall_mm: deepest_wall(&tool, spec, &wanted, &tip, &ground),
            steep_share: steep_share(&tool, spec, &wanted, &facet),
            steps_mm: rough.as_ref().map_or(Vec::new(), |r| r.steps_mm.clone()),
            minutes: roughing.map_or(0.0, |r| r.minutes) + finishing.minutes + cut_out.minutes,
            roughing,
            finishing,
            cut_out,
            rough_file: None,
            carved_file: None,
        };
        let images = CuttingImages {
            rough: rough.map(|rough| rough.levels),
            carved: keep.then(|| nearest_levels(&carved, spec)),
        };
        (entry, images)
    }

    /// The largest balls that leave no more than asked anywhere, and on all but [`SPARED`] of it.
    fn largest_balls(
        &self,
        wanted: &Array2<f32>,
        carved: &Array2<f32>,
        facet: &[Range<usize>],
        pixel_mm: f64,
        left: &Left,
    ) -> [Option<f64>; 2] {
        let suspects = reach::suspects(wanted, carved, facet);
        let tool = tool(&self.finishing);
        let is_ball = tool.shape == ToolShape::Ball;
        let search = BallSearch {
            wanted_mm: wanted,
            spans: facet,
            pixel_mm,
            amount_mm: self.asked.left_mm,
            tried: is_ball.then_some((tool.diameter_mm, carved)),
        };
        let largest = search.largest_mm(suspects);
        let finishing = is_ball.then_some((tool.diameter_mm, left.over_share));
        let known = finishing.into_iter().chain(largest.map(|ball| (ball, 0.0)));
        let but_for = search.largest_but_for_mm(SPARED, &known.collect::<Vec<_>>());
        [largest, but_for]
    }

    fn rough(
        &self,
        bit: &Cutter,
        spec: &FacetSpec,
        wanted: &Array2<f32>,
        ground: &[Range<usize>],
    ) -> Rough {
        let tool = tool(bit);
        let (allowance, pixel_mm) = (bit.allowance_mm(), spec.pixel_mm);
        let drawn: Vec<_> = (0..spec.height_px).map(|row| spec.drawn(row)).collect();
        let (surface, tip) = rough::surface_and_tip_mm(wanted, &drawn, &tool, allowance, pixel_mm);
        let lowest = ground
            .iter()
            .enumerate()
            .flat_map(|(row, span)| span.clone().map(move |column| (row, column)))
            .fold(f64::INFINITY, |low, at| low.min(f64::from(tip[at])));
        let (top, down) = (spec.white_mm, bit.stepdown_mm());
        let steps_mm = if lowest.is_finite() {
            rough::steps_mm(top, lowest, down)
        } else {
            Vec::new()
        };
        let inside = time::roughing(
            &tip,
            ground,
            spec.pixel_mm,
            bit.stepover_mm(),
            top,
            &steps_mm,
        );
        // The ring around the facet goes down to black, as deep as the flute allows.
        let depth = (top - spec.black_mm).min(bit.flute_mm);
        let around = time::cut_out(perimeter(&spec.outline_mm), &tool, depth, down);
        Rough {
            levels: rough::levels(&surface, spec.black_mm, spec.white_mm),
            steps_mm,
            operation: self.operation(bit, inside.with(around)),
        }
    }

    /// Cutting the blank out of the board along its outline, as deep as the flute allows.
    fn cut_out(&self, spec: &FacetSpec) -> OperationEntry {
        let bit = self.cut_out_bit();
        let depth = self.stock_mm.min(bit.flute_mm);
        let around = perimeter(&spec.outline_mm);
        self.operation(
            bit,
            time::cut_out(around, &tool(bit), depth, bit.stepdown_mm()),
        )
    }

    /// The bit that cuts blanks out.
    pub fn cut_out_bit(&self) -> &Cutter {
        self.roughing.as_ref().unwrap_or(&self.finishing)
    }

    fn operation(&self, bit: &Cutter, path: Path) -> OperationEntry {
        let feeds = Feeds {
            feed: bit.feed_mm_min,
            plunge: bit.plunge_mm_min,
            rapid: bit.rapid_mm_min,
            acceleration: self.asked.acceleration_mm_s2,
        };
        OperationEntry {
            passes: path.passes,
            length_mm: path.cut_mm,
            minutes: path.minutes(&feeds) + bit.start_min,
        }
    }
}

struct Rough {
    levels: Array2<u16>,
    steps_mm: Vec<f64>,
    operation: OperationEntry,
}

/// The bit of a job as geometry.
fn tool(cutter: &Cutter) -> Tool {
    let shape = match cutter.shape {
        CutterShape::Ball => ToolShape::Ball,
        CutterShape::Flat => ToolShape::Flat,
        CutterShape::TaperedBall => ToolShape::TaperedBall {
            half_angle_rad: cutter.half_angle_deg.to_radians(),
        },
    };
    Tool {
        shape,
        diameter_mm: cutter.diameter_mm,
        flute_mm: cutter.flute_mm,
    }
}

/// A bit in words: `3.175 mm ball`.
pub fn bit_name(cutter: &Cutter, say: Lengths) -> String {
    let size = say.stocked(cutter.diameter_mm);
    match cutter.shape {
        CutterShape::Ball => format!("{size} ball"),
        CutterShape::Flat => format!("{size} flat bit"),
        CutterShape::TaperedBall => {
            format!("{size} tapered ball of {} degrees", cutter.half_angle_deg)
        }
    }
}

fn bit_entry(cutter: &Cutter, say: Lengths) -> BitEntry {
    let tool = tool(cutter);
    BitEntry {
        name: bit_name(cutter, say),
        diameter_mm: cutter.diameter_mm,
        flute_mm: cutter.flute_mm,
        stepover_mm: cutter.stepover_mm(),
        stepdown_mm: cutter.stepdown_mm(),
        allowance_mm: cutter.allowance_mm(),
        steepest_deg: tool.steepest_rad().to_degrees(),
        nose_mm: match tool.shape {
            ToolShape::Flat => 0.0,
            ToolShape::Ball | ToolShape::TaperedBall { .. } => tool.radius_mm(),
        },
    }
}

/// Columns of a row that belong to the facet itself, inside its seams.
fn between_seams(spec: &FacetSpec, z_mm: &Array2<f32>, row: usize) -> Range<usize> {
    let span = spec.span(row);
    let inside = |column: &usize| {
        let place = DVec2::new(spec.x_mm(*column), spec.y_mm(row));
        let z = f64::from(z_mm[(row, *column)]) + spec.back_plane_mm;
        spec.sides
            .iter()
            .all(|side| side.outward.dot(place) <= side.slant * z)
    };
    match (span.clone().find(inside), span.clone().rev().find(inside)) {
        (Some(first), Some(last)) => first..last + 1,
        _ => span.start..span.start,
    }
}

fn perimeter(outline_mm: &[DVec2]) -> f64 {
    let next = outline_mm.iter().cycle().skip(1);
    outline_mm
        .iter()
        .zip(next)
        .map(|(a, b)| a.distance(*b))
        .sum()
}

fn nearest_levels(z_mm: &Array2<f32>, spec: &FacetSpec) -> Array2<u16> {
    let per_mm = 65535.0 / (spec.white_mm - spec.black_mm);
    z_mm.mapv(|z| {
        let exact = (f64::from(z) - spec.black_mm) * per_mm;
        (exact.clamp(0.0, 65535.0) + 0.5) as u16
    })
}

/// Share of the facet where a hand can find relief.
fn legible_share(
    spec: &FacetSpec,
    z_mm: &Array2<f32>,
    ground: &[Range<usize>],
    facet: &[Range<usize>],
) -> f64 {
    // Over the globe's centre: length of the line through a pixel's surface, and its lean.
    let ray = |row: usize, column: usize| {
        let z = f64::from(z_mm[(row, column)]) + spec.back_plane_mm;
        let length = DVec3::new(spec.x_mm(column), spec.y_mm(row), z).length();
        (length, (z / length).clamp(0.1, 1.0))
    };
    let relief = |row, column| match spec.base {
        Base::Sphere => ray(row, column).0 - spec.radius_mm,
        Base::Flat => f64::from(z_mm[(row, column)]) + spec.back_plane_mm,
    };
    let lean = |row, column| match spec.base {
        Base::Sphere => ray(row, column).1,
        Base::Flat => 1.0,
    };
    legible::share(relief, lean, ground, facet, spec.pixel_mm)
}

/// Deepest the tip goes below ground that the bit's side touches, mm.
fn deepest_wall(
    tool: &Tool,
    spec: &FacetSpec,
    wanted: &Array2<f32>,
    tip: &Array2<f32>,
    ground: &[Range<usize>],
) -> f64 {
    let beside = Tool::flat(2.0 * (tool.reach_mm() + spec.pixel_mm)).profile(spec.pixel_mm);
    let highest = morphology::dilate_for(wanted, &beside, ground);
    let highest = morphology::over_image(&highest, &beside);
    let mut deepest = 0.0f32;
    for (row, span) in ground.iter().enumerate() {
        for column in span.clone() {
            deepest = deepest.max(highest[(row, column)] - tip[(row, column)]);
        }
    }
    f64::from(deepest)
}

/// Share of the facet steeper than the bit's flank.
fn steep_share(tool: &Tool, spec: &FacetSpec, z: &Array2<f32>, facet: &[Range<usize>]) -> f64 {
    if !matches!(tool.shape, ToolShape::TaperedBall { .. }) {
        return 0.0;
    }
    let limit = tool.steepest_rad().tan();
    let (rows, columns) = z.dim();
    let (mut steep, mut all) = (0u64, 0u64);
    for (row, span) in facet.iter().enumerate() {
        for column in span.clone() {
            let slope = |a: (usize, usize), b: (usize, usize)| {
                let pixels = (b.0 - a.0 + b.1 - a.1).max(1) as f64;
                f64::from(z[a] - z[b]) / (pixels * spec.pixel_mm)
            };
            let up = (row.saturating_sub(1), column);
            let down = ((row + 1).min(rows - 1), column);
            let left = (row, column.saturating_sub(1));
            let right = (row, (column + 1).min(columns - 1));
            steep += u64::from(slope(up, down).hypot(slope(left, right)) > limit);
            all += 1;
        }
    }
    steep as f64 / all.max(1) as f64
}

#[cfg(test)]
pub(crate) mod testing {
    //! Two facets on which nothing is wrong.

    use super::*;

    /// A 1/8 in ball, and a 1/4 in flat bit that leaves 0.5 mm.
    pub fn inch_bits() -> [Cutter; 2] {
        let ball = Cutter::default();
        let flat = Cutter {
            shape: CutterShape::Flat,
            diameter_mm: 6.35,
            allowance_mm: Some(0.5),
            ..ball.clone()
        };
        [ball, flat]
    }

    /// Two bits on a small globe.
    pub fn entry() -> CuttingEntry {
        let [finishing, roughing] = &inch_bits();
        let operation = |minutes| OperationEntry {
            passes: 100,
            length_mm: 2500.0 * minutes,
            minutes,
        };
        let facet = |id: usize| FacetCutting {
            id,
            label: format!("{id:02}"),
            most_left_mm: 0.21,
            worst_mm: [-3.25, 10.5],
            rms_left_mm: 0.012,
            over_mm2: 14.0,
            over_share: 0.004,
            largest_ball_mm: Some(1.588),
            largest_ball_99_mm: Some(4.0),
            ridges_mm: Some([0.008, 0.0097, 0.013]),
            carved_legible_share: 0.6,
            deepest_wall_mm: 2.5,
            steep_share: 0.0,
            steps_mm: vec![47.8, 44.8],
            roughing: Some(operation(6.0)),
            finishing: operation(17.5),
            cut_out: operation(1.5),
            minutes: 25.0,
            rough_file: Some(format!("rough/{id:02}.png")),
            carved_file: None,
        };
        CuttingEntry {
            finishing: bit_entry(finishing, Lengths::METRIC),
            roughing: Some(bit_entry(roughing, Lengths::METRIC)),
            left_mm: 0.1,
            facets: vec![facet(1), facet(2)],
            change_min: 4.0,
            total_min: 54.0,
            rings: vec!["rough/ring-A.svg".into()],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::Frame;
    use crate::model::settings::{Outside, Projection};
    use glam::DVec3;

    /// A pentagon of a smooth ball of 200 mm, at 0.2 mm.
    fn pentagon() -> (FacetSpec, Array2<u16>) {
        let (radius_mm, back_plane_mm) = (100.0, 51.0);
        let tilt = 31.7175f64.to_radians();
        let corner = (radius_mm * tilt.sin() + 3.0) / 36f64.to_radians().cos();
        let ray = |i: usize, step: f64| {
            let (sin, cos) = ((i as f64 + step) * 72f64.to_radians()).sin_cos();
            DVec2::new(-sin, cos)
        };
        let spec = FacetSpec {
            frame: Frame::looking_along(DVec3::Z, DVec3::X),
            base: Base::Sphere,
            projection: Projection::Radial,
            radius_mm,
            base_distance_mm: 79.465,
            back_plane_mm,
            outline_mm: (0..5).map(|i| corner * ray(i, 0.0)).collect(),
            sides: (0..5)
                .map(|i| super::super::resample::Side {
                    outward: ray(i, 0.5),
                    slant: tilt.tan(),
                })
                .collect(),
            trim_mm: 3.0,
            outside: Outside::Floor,
            width_px: 680,
            height_px: 680,
            pixel_mm: 0.2,
            black_mm: 20.0,
            white_mm: 50.8,
        };
        let mut levels = Array2::zeros((680, 680));
        for row in 0..680 {
            for column in spec.span(row) {
                let rho2 = spec.x_mm(column).powi(2) + spec.y_mm(row).powi(2);
                let z = (radius_mm * radius_mm - rho2).sqrt() - back_plane_mm;
                let exact = (z - spec.black_mm) / (spec.white_mm - spec.black_mm) * 65535.0;
                levels[(row, column)] = exact.round() as u16;
            }
        }
        (spec, levels)
    }

    fn bits() -> CutterSet {
        let settings = Settings {
            cutters: testing::inch_bits().to_vec(),
            ..Settings::default()
        };
        CutterSet::of(&settings).unwrap()
    }

    /// By hand: with its trim the pentagon reaches 55.6 mm from the middle to a side, 5 tan 36°
    /// times the square of that is 11 220 mm², and passes 0.3175 mm apart at 2500 mm/min take 14.1
    /// minutes of level ground. The ball leans by up to 43°, by 22° on average: a tenth more.
    #[test]
    fn a_pentagon_takes_its_area_over_stepover_and_feed_and_a_little_for_the_slope() {
        let (spec, levels) = pentagon();
        let (facet, images) = bits().facet(1, "01", &spec, &levels, true);
        let minutes = facet.finishing.minutes;
        assert!((14.1..17.0).contains(&minutes), "{minutes}");
        // A ball touches all of a larger ball; what is left is rounding on the grid.
        assert!(facet.most_left_mm < 0.01, "{}", facet.most_left_mm);
        assert_eq!(facet.over_share, 0.0);
        assert_eq!(facet.largest_ball_mm, Some(9.525));
        // Smooth: nothing to feel.
        assert_eq!(facet.carved_legible_share, 0.0);
        let rough = images.rough.unwrap();
        let centre = (340, 340);
        let height = |v: u16| 20.0 + 30.8 * f64::from(v) / 65535.0;
        let above = height(rough[centre]) - height(levels[centre]);
        assert!((above - 0.5).abs() < 0.01, "{above}");
        assert!(
            rough
                .iter()
                .zip(&levels)
                .all(|(rough, wanted)| rough >= wanted)
        );
        // At the corner, 68.7 mm out, the bit's edge reaches in to 65.5 mm, where the ball with
        // its allowance is 25.4 mm high: 25.4 mm down from the top in steps of 3.175 mm.
        assert_eq!(facet.steps_mm.len(), 8);
    }

    #[test]
    fn the_seams_bound_what_is_measured_and_not_the_trim() {
        let (spec, mut levels) = pentagon();
        // A needle hole 54.5 mm down from the centre: beyond the seam at 52.6 mm, in the trim.
        levels[(340 + 272, 340)] = 0;
        let (facet, _) = bits().facet(1, "01", &spec, &levels, true);
        assert!(facet.most_left_mm < 0.01, "{}", facet.most_left_mm);
        // And one inside it.
        levels[(340 + 100, 340)] = 0;
        let (facet, _) = bits().facet(1, "01", &spec, &levels, true);
        assert!(facet.most_left_mm > 10.0);
        assert!((facet.worst_mm[0] - 0.1).abs() < 1e-9 && (facet.worst_mm[1] + 20.1).abs() < 1e-9);
        assert_eq!(facet.largest_ball_mm, None);
        assert_eq!(facet.largest_ball_99_mm, Some(9.525));
        // Without the image less is looked at, and the same is found.
        let (again, images) = bits().facet(1, "01", &spec, &levels, false);
        assert!(again == facet && images.carved.is_none());
    }
}
