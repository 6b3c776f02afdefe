//! Fits the globe into the stock: back plane, relief range, outlines, image frames, levels.
//!
//! ```text
//!   z = T        ______________________________   stock top (white)
//!   z = T-skim            .-~^~-.                 highest ground of the kind
//!                    _.-~'       '~-._
//!   corner ______ .-'                 '-.
//!                 |                     |  ^ corner thickness >= least edge
//!   z = 0         |_____________________|  v back of the blank, c from the globe's centre
//! ```
//!
//! c follows from the highest ground found on the facets of a kind, c = z_max − (T − skim): the
//! surface touches the usable top and what is left over goes to the back. The corner then is
//! (R + lowest relief)·cos θ − c thick, θ being the angle between a corner and the facet's normal.
//! When that is less than the least edge the globe is refused, with the stock, the diameter and
//! the relief that would do.

use super::resample::{FacetSpec, Side, inside_all};
use crate::model::curve::Curve;
use crate::model::extremes::ends;
use crate::model::geometry::{Face, Frame, Solid, direction, lat_lon_deg};
use crate::model::grid::{Heights, Layout};
use crate::model::parallel;
use crate::model::settings::{Base, Projection, ReliefRange, Settings};
use crate::{Error, Problem, Result};
use glam::{DVec2, DVec3};
use std::f64::consts::PI;
use std::sync::Mutex;

/// Fewest and most grid samples per side of the blocks in which highest and lowest ground are
/// looked for; small grids get small blocks, or a block would cover many facets.
const BLOCK: (usize, usize) = (8, 64);

/// Blocks around the globe: more are bounded more tightly and take longer to sort.
const BLOCKS_AROUND: usize = 90;

/// Black is a round number for the CAM's entry field: the lowest carved level, rounded down.
const BLACK_STEP_MM: f64 = 0.1;

/// Room under the lowest grid sample for what the interpolation may dip between samples, mm.
const DIP_MM: f64 = 0.02;

/// Lowest ground may not come closer to the globe's centre than this share of the radius.
const LEAST_CORE: f64 = 0.05;

/// The globe as it fits the stock.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The curve with its final range, mm.
    pub curve: Curve,
    /// Lowest to highest ground, mm.
    pub range_mm: f64,
    /// Height above the back shown as 0, mm.
    pub black_mm: f64,
    /// Height above the back shown as 65535, mm: the stock's top.
    pub white_mm: f64,
    /// One per kind of the solid.
    pub kinds: Vec<KindFit>,
    /// One per facet, ready to draw.
    pub facets: Vec<FacetSpec>,
}

/// What all blanks of a kind share.
#[derive(Debug, Clone, PartialEq)]
pub struct KindFit {
    /// Distance of the back from the globe's centre, mm.
    pub back_plane_mm: f64,
    /// Distance of the face plane from the globe's centre, mm.
    pub base_distance_mm: f64,
    /// Highest ground of any facet of the kind above the back, mm.
    pub highest_mm: f64,
    /// Corners on the base surface, index corner first, counter-clockwise, mm.
    pub corners_mm: Vec<DVec2>,
    /// Blank outline with its trim, mm.
    pub outline_mm: Vec<DVec2>,
    /// Seam planes in the order of the edges.
    pub sides: Vec<Side>,
    /// Least thickness at a corner, if the lowest ground of the body lay there, mm.
    pub corner_mm: f64,
    /// Image columns.
    pub width_px: usize,
    /// Image rows.
    pub height_px: usize,
}

/// Size of the globe and its relief, the two things that may still change.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Size {
    radius_mm: f64,
    range_mm: f64,
}

/// Fits a solid (turned into the body frame) carrying a grid with a curve of range 1 mm.
///
/// # Errors
/// [`Error::Stock`] with the three ways out, [`Error::Job`] when the relief would reach the
/// globe's centre.
pub fn fit(
    solid: &Solid,
    grid: &dyn Heights,
    unit_curve: &Curve,
    settings: &Settings,
) -> Result<Fit> {
    fit_ground(GroundExtent::new(solid, grid, unit_curve, settings))
}

/// The range alone that [`fit`] finds or takes, mm.
///
/// # Errors
/// As [`fit`].
pub fn range(
    solid: &Solid,
    grid: &dyn Heights,
    unit_curve: &Curve,
    settings: &Settings,
) -> Result<f64> {
    let ground = GroundExtent::new(solid, grid, unit_curve, settings);
    Ok(ground.size()?.range_mm)
}

/// The same without a grid: highest and lowest ground may lie anywhere, so every facet gets the
/// wood for the worst.
///
/// # Errors
/// As [`fit`].
pub fn fit_anywhere(solid: &Solid, unit_curve: &Curve, settings: &Settings) -> Result<Fit> {
    fit_ground(GroundExtent::anywhere(solid, unit_curve, settings))
}

/// What a solid asks of the wood for a relief.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitLimits {
    /// Thinnest stock for this globe, mm; `None` when no stock would do.
    pub least_stock_mm: Option<f64>,
    /// Largest globe this stock can make, mm across; `None` when none fits.
    pub largest_diameter_mm: Option<f64>,
    /// Largest relief this stock can hold, no more than asked for, mm; `None` when it holds none.
    pub most_range_mm: Option<f64>,
    /// Thickness this globe has at its thinnest corner in this stock, mm; `None` when that lies
    /// behind the globe's centre.
    pub corner_mm: Option<f64>,
}

/// What the job's globe asks of its wood for a given relief, wherever its highest and lowest
/// ground may lie.
pub fn limits(solid: &Solid, unit_curve: &Curve, range_mm: f64, settings: &Settings) -> FitLimits {
    GroundExtent::anywhere(solid, unit_curve, settings).limits(range_mm)
}

/// The same where they lie on a grid.
pub fn limits_on(
    solid: &Solid,
    grid: &dyn Heights,
    unit_curve: &Curve,
    range_mm: f64,
    settings: &Settings,
) -> FitLimits {
    GroundExtent::new(solid, grid, unit_curve, settings).limits(range_mm)
}

fn fit_ground(ground: GroundExtent<'_>) -> Result<Fit> {
    let size = ground.size()?;
    Ok(ground.fitted(size))
}

/// Corners, tilts and ground of a solid, in units of the globe's radius.
struct GroundExtent<'a> {
    solid: &'a Solid,
    /// `None`: highest and lowest ground may lie anywhere.
    grid: Option<&'a dyn Heights>,
    unit: &'a Curve,
    settings: &'a Settings,
    /// Blocks of the grid with their lowest and highest ground, metres.
    blocks: Vec<Block>,
    /// Samples per side of a block.
    side: usize,
    /// Sine and cosine of each row's latitude and of each column's longitude.
    latitudes: Vec<(f64, f64)>,
    longitudes: Vec<(f64, f64)>,
    /// The highest z last found for each kind, and at which size.
    found: Vec<Mutex<Option<(Size, f64)>>>,
}

struct Block {
    first_row: usize,
    first_column: usize,
    centre: DVec3,
    radius_rad: f64,
    lowest_m: f64,
    highest_m: f64,
}

/// Highest and lowest z over the globe's centre on the facets of one kind, mm.
#[derive(Debug, Clone, Copy)]
struct Extremes {
    highest: f64,
    lowest: f64,
}

impl<'a> GroundExtent<'a> {
    fn new(
        solid: &'a Solid,
        grid: &'a dyn Heights,
        unit: &'a Curve,
        settings: &'a Settings,
    ) -> Self {
        let layout = grid.layout();
        let Layout { rows, columns, .. } = layout;
        let side = (columns / BLOCKS_AROUND).clamp(BLOCK.0, BLOCK.1);
        let across = columns.div_ceil(side);
        let blocks = parallel::indexed(rows.div_ceil(side) * across, &|i| {
            block(grid, i / across * side, i % across * side, side)
        });
        GroundExtent {
            solid,
            grid: Some(grid),
            unit,
            settings,
            blocks,
            side,
            latitudes: (0..rows).map(|row| sin_cos(layout.lat_deg(row))).collect(),
            longitudes: (0..columns)
                .map(|column| sin_cos(layout.lon_deg(column)))
                .collect(),
            found: nothing_found(solid),
        }
    }

    fn anywhere(solid: &'a Solid, unit: &'a Curve, settings: &'a Settings) -> Self {
        GroundExtent {
            solid,
            grid: None,
            unit,
            settings,
            blocks: Vec::new(),
            side: 0,
            latitudes: Vec::new(),
            longitudes: Vec::new(),
            found: nothing_found(solid),
        }
    }

    /// Where a face stands in its stock.
    fn placement(&self, face: &Face, size: Size) -> StockPlacement {
        StockPlacement {
            base: self.settings.globe.base,
            projection: self.settings.globe.projection,
            radius_mm: size.radius_mm,
            distance_mm: size.radius_mm * face.distance,
        }
    }

    /// The worst that can be: the highest ground at a facet's middle, the lowest at the farthest
    /// corner of its trim.
    fn extremes_anywhere(&self, kind: usize, size: Size) -> Extremes {
        let number = self.solid.kinds[kind].faces[0];
        let face = &self.solid.faces[number];
        let place = self.placement(face, size);
        let lowest = self.unit.lowest_mm() * size.range_mm;
        let sides = self.sides(number);
        let rim = face.corners.iter().enumerate().map(|(i, &corner)| {
            let before = sides[(i + sides.len() - 1) % sides.len()].outward;
            let after = sides[i].outward;
            let pushed = (before + after) / (1.0 + before.dot(after)) * self.settings.stock.trim_mm;
            let towards = face.frame.to_local(self.solid.corners[corner].normalize());
            let lateral = place.point(lowest, towards).0 + pushed;
            place.z_over(lowest, lateral).unwrap_or(0.0)
        });
        Extremes {
            highest: place.reach(self.unit.highest_mm() * size.range_mm),
            lowest: rim.fold(f64::INFINITY, f64::min),
        }
    }

    /// The size asked for, or the largest that the stock holds.
    fn size(&self) -> Result<Size> {
        let settings = self.settings;
        let radius_mm = settings.globe.diameter_mm / 2.0;
        let size_of = |range_mm| Size {
            radius_mm,
            range_mm,
        };
        let wanted_mm = settings.relief.range.wanted_mm(settings.globe.diameter_mm);
        let range_mm = match (settings.relief.range, wanted_mm) {
            (ReliefRange::Mm(range_mm), _) => range_mm,
            (_, Some(range_mm)) if self.holds(size_of(range_mm)) => range_mm,
            (range, _) => {
                let largest_mm = self.largest_range(radius_mm);
                let least_mm = range.least_mm(settings.globe.diameter_mm);
                largest_mm.filter(|mm| *mm >= least_mm).ok_or_else(|| {
                    let range_mm = range.looks_well_mm(settings.globe.diameter_mm);
                    self.refusal(size_of(range_mm))
                })?
            }
        };
        let size = size_of(range_mm);
        self.check(size)?;
        Ok(size)
    }

    /// Whether the stock holds a globe with its relief.
    fn holds(&self, size: Size) -> bool {
        !self.reaches_core(size) && self.needs(size) <= self.stock()
    }

    /// The largest relief range the stock allows, rounded down to 0.01 mm.
    fn largest_range(&self, radius_mm: f64) -> Option<f64> {
        let fits = |range_mm: f64| {
            self.holds(Size {
                radius_mm,
                range_mm,
            })
        };
        let (mut low, mut high) = (0.01, radius_mm);
        if !fits(low) {
            return None;
        }
        while high - low > 0.002 {
            let middle = 0.5 * (low + high);
            if fits(middle) {
                low = middle
            } else {
                high = middle
            }
        }
        Some(((low * 100.0).floor() / 100.0).max(0.01))
    }

    /// What the globe asks of the wood.
    fn limits(&self, range_mm: f64) -> FitLimits {
        let size = Size {
            radius_mm: self.settings.globe.diameter_mm / 2.0,
            range_mm,
        };
        let needs_mm = self.needs(size);
        // No stock makes a globe larger than this many times its thickness.
        let widest_mm = 100.0 * self.stock().max(size.radius_mm);
        let radius_mm = largest(widest_mm, |radius_mm| {
            self.holds(Size { radius_mm, ..size })
        });
        let most_range_mm = largest(range_mm, |range_mm| self.holds(Size { range_mm, ..size }));
        FitLimits {
            least_stock_mm: needs_mm.is_finite().then(|| round_up(needs_mm)),
            largest_diameter_mm: radius_mm.map(|radius_mm| round_down(2.0 * radius_mm)),
            most_range_mm,
            corner_mm: (needs_mm.is_finite())
                .then(|| self.stock() - needs_mm + self.settings.stock.edge_mm),
        }
    }

    fn stock(&self) -> f64 {
        self.settings.stock.thickness_mm
    }

    /// Whether the lowest ground would come too near to the globe's centre.
    fn reaches_core(&self, size: Size) -> bool {
        let lowest = self.unit.lowest_mm() * size.range_mm;
        let reach = match self.settings.globe.base {
            Base::Sphere => size.radius_mm,
            Base::Flat => {
                let nearest = self.solid.faces.iter().map(|f| f.distance);
                size.radius_mm * nearest.fold(f64::INFINITY, f64::min)
            }
        };
        reach + lowest < LEAST_CORE * size.radius_mm
    }

    fn check(&self, size: Size) -> Result<()> {
        if self.reaches_core(size) {
            let say = self.settings.lengths_of("relief.range");
            return Err(Error::Job(
                Problem::new("the lowest ground would reach the middle of the globe")
                    .setting("relief.range")
                    .found(say.at_least(size.range_mm))
                    .allowed(format!("less than {}", say.at_most(size.radius_mm)))
                    .next("lower the range or enlarge globe.diameter"),
            ));
        }
        let (stock, skim) = (self.stock(), self.settings.stock.skim_mm);
        if skim + self.settings.stock.edge_mm >= stock {
            let say = self.settings.lengths_of("stock.thickness");
            return Err(Error::Stock(
                Problem::new("skim and least edge leave no wood to carve")
                    .setting("stock.thickness")
                    .found(say.at_most(stock))
                    .allowed(format!(
                        "more than {}",
                        say.at_least(skim + self.settings.stock.edge_mm)
                    ))
                    .next("use thicker stock, or lower stock.edge or stock.skim"),
            ));
        }
        // A tenth of a micron: what bisection and rounding may leave.
        if self.needs(size) > stock + 1e-4 {
            return Err(self.refusal(size));
        }
        Ok(())
    }

    /// The stock thickness that the thinnest corner of any kind asks for, mm.
    fn needs(&self, size: Size) -> f64 {
        let stock = &self.settings.stock;
        (0..self.solid.kinds.len())
            .map(|kind| {
                let corner = self.corner_z(kind, size);
                if corner < stock.edge_mm {
                    // Thinner than the edge even with the globe's centre at the back.
                    return f64::INFINITY;
                }
                stock.skim_mm + stock.edge_mm + self.highest(kind, size) - corner
            })
            .fold(0.0, f64::max)
    }

    /// Height of the lowest possible corner of a kind over the globe's centre, mm.
    fn corner_z(&self, kind: usize, size: Size) -> f64 {
        let lowest = self.unit.lowest_mm() * size.range_mm;
        let face = &self.solid.faces[self.solid.kinds[kind].faces[0]];
        face.corners
            .iter()
            .map(|&corner| {
                let corner = self.solid.corners[corner];
                let cos = face.frame.z.dot(corner.normalize());
                match (self.settings.globe.base, self.settings.globe.projection) {
                    (Base::Sphere, _) => (size.radius_mm + lowest) * cos,
                    (Base::Flat, Projection::Radial) => {
                        size.radius_mm * face.distance + lowest * cos
                    }
                    (Base::Flat, Projection::Gnomonic) => size.radius_mm * face.distance + lowest,
                }
            })
            .fold(f64::INFINITY, f64::min)
    }

    /// Says that it does not fit.
    fn refusal(&self, size: Size) -> Error {
        let stock = &self.settings.stock;
        let needs = self.needs(size);
        let corner = stock.thickness_mm - (needs - stock.edge_mm);
        let say = self.settings.lengths_of("stock.thickness");
        let found = if !needs.is_finite() {
            "a corner behind the globe's centre".into()
        } else if corner < 0.0 {
            let missing = say.text(-corner);
            format!("no wood at the thinnest corner, which lies {missing} below the back")
        } else {
            format!("{} at the thinnest corner", say.at_most(corner))
        };
        Error::Stock(
            Problem::new(format!(
                "a globe of {} with {} of relief does not fit {} stock",
                say.text(2.0 * size.radius_mm),
                say.text(size.range_mm),
                say.text(stock.thickness_mm)
            ))
            .setting("stock.thickness")
            .found(found)
            .allowed(format!(
                "at least {} (stock.edge)",
                say.at_least(stock.edge_mm)
            ))
            .next("use thicker stock, or a smaller globe"),
        )
    }

    /// Side distances and corners of the blank outline with its trim, mm.
    ///
    /// A seam is a plane through the globe's centre. On it the ground reaches out to
    /// (R + relief)·sin(tilt) from the axis of the facet, most at the middle of the side, where
    /// the sphere bulges beyond the straight line between the corners; on a flat face to
    /// (d + relief)·tan(tilt).
    fn outline(&self, kind: usize, size: Size) -> Vec<DVec2> {
        let number = self.solid.kinds[kind].faces[0];
        let face = &self.solid.faces[number];
        let highest = self.unit.highest_mm() * size.range_mm;
        let sides: Vec<(DVec2, f64)> = self
            .sides(number)
            .iter()
            .map(|side| {
                let tilt = side.slant.atan();
                let reach = match self.settings.globe.base {
                    Base::Sphere => (size.radius_mm + highest) * tilt.sin(),
                    Base::Flat => (size.radius_mm * face.distance + highest.max(0.0)) * side.slant,
                };
                (side.outward, reach + self.settings.stock.trim_mm)
            })
            .collect();
        (0..sides.len())
            .map(|i| {
                let (before, after) = (sides[(i + sides.len() - 1) % sides.len()], sides[i]);
                let cross = before.0.perp_dot(after.0);
                DVec2::new(
                    before.1 * after.0.y - after.1 * before.0.y,
                    after.1 * before.0.x - before.1 * after.0.x,
                ) / cross
            })
            .collect()
    }

    /// The seam planes around a face.
    fn sides(&self, face: usize) -> Vec<Side> {
        let corners = self.solid.face_polygon(face);
        (0..corners.len())
            .map(|i| {
                let along = corners[(i + 1) % corners.len()] - corners[i];
                Side {
                    // Counter-clockwise: outward is to the right of the way along.
                    outward: DVec2::new(along.y, -along.x).normalize(),
                    slant: self.solid.faces[face].edges[i].tilt_rad.tan(),
                }
            })
            .collect()
    }

    /// Highest and lowest carved z of a kind, by looking at the promising blocks only.
    fn extremes(&self, kind: usize, size: Size) -> Extremes {
        if self.grid.is_none() {
            return self.extremes_anywhere(kind, size);
        }
        Extremes {
            highest: self.highest(kind, size),
            lowest: self.of_faces(kind, size, false, f64::min),
        }
    }

    /// The highest carved z of a kind alone: all that the thickness depends on.
    fn highest(&self, kind: usize, size: Size) -> f64 {
        if self.grid.is_none() {
            return self.extremes_anywhere(kind, size).highest;
        }
        let last = self.found[kind].lock().ok().and_then(|found| *found);
        if let Some((_, highest)) = last.filter(|(of, _)| *of == size) {
            return highest;
        }
        let highest = self.of_faces(kind, size, true, f64::max);
        if let Ok(mut found) = self.found[kind].lock() {
            *found = Some((size, highest));
        }
        highest
    }

    /// Highest or lowest z of all faces of a kind.
    fn of_faces(&self, kind: usize, size: Size, highest: bool, of: fn(f64, f64) -> f64) -> f64 {
        let outline = self.outline(kind, size);
        let found = parallel::mapped(&self.solid.kinds[kind].faces, &|&face| {
            self.face_extreme(face, &outline, size, highest)
        });
        found.into_iter().reduce(of).unwrap_or(0.0)
    }

    /// Highest z of a face, or lowest.
    fn face_extreme(&self, number: usize, outline: &[DVec2], size: Size, highest: bool) -> f64 {
        let face = &self.solid.faces[number];
        let place = self.placement(face, size);
        let widest = outline.iter().map(|p| p.length()).fold(0.0, f64::max);
        let lowest_reach = place.reach(self.unit.lowest_mm() * size.range_mm);
        let rim = match place.projection {
            Projection::Radial => (widest / lowest_reach).min(1.0).asin(),
            Projection::Gnomonic => widest.atan2(place.distance_mm),
        };
        let widest_block = (self.blocks.iter()).fold(0.0, |a: f64, b| a.max(b.radius_rad));
        let beyond = (rim + widest_block + 1e-6).min(PI).cos();
        // With a bound on z, the most promising first.
        let mut blocks: Vec<(f64, &Block)> = Vec::new();
        for block in &self.blocks {
            if face.frame.z.dot(block.centre) < beyond {
                continue;
            }
            let away = face.frame.z.angle_between(block.centre);
            let near = (away - block.radius_rad).max(0.0);
            if near > rim {
                continue;
            }
            let far = (away + block.radius_rad).min(rim);
            let relief = |m: f64| self.unit.relief_mm(m) * size.range_mm;
            let bound = match highest {
                true => {
                    let top = relief(block.highest_m);
                    place.z(top, near).max(place.z(top, far))
                }
                false => {
                    let bottom = relief(block.lowest_m);
                    place.z(bottom, near).min(place.z(bottom, far))
                }
            };
            blocks.push((bound, block));
        }
        blocks.sort_by(|a, b| match highest {
            true => b.0.total_cmp(&a.0),
            false => a.0.total_cmp(&b.0),
        });
        let (sides, trim_mm) = (self.sides(number), self.settings.stock.trim_mm);
        // What lies in the circle through the farthest corner, but wholly beyond a side.
        let beyond_trim = |block: &Block| {
            let centre = face.frame.to_local(block.centre);
            let widest = 2.0 * (0.5 * block.radius_rad).sin();
            let beyond = |side: &Side| {
                let plane = side.outward.extend(-side.slant);
                lowest_reach * (plane.dot(centre) - widest * plane.length()) > trim_mm
            };
            place.projection == Projection::Radial && sides.iter().any(beyond)
        };
        let mut found = match highest {
            true => f64::NEG_INFINITY,
            false => self.lowest_on_rim(number, &place, size),
        };
        for (bound, block) in blocks {
            if (highest && bound <= found) || (!highest && bound >= found) {
                break;
            }
            if !highest && beyond_trim(block) {
                continue;
            }
            self.each_sample(block, face, &place, size, |lateral, z| match highest {
                true if z > found && inside(outline, lateral, 0.0) => found = z,
                false if z < found && inside_all(&sides, trim_mm, lateral, z) => found = z,
                _ => {}
            });
        }
        found
    }

    /// Lowest z along the outer edge of the trim, where a facet usually is lowest and which runs
    /// between the samples: every half millimetre, or twice a sample where these lie far apart,
    /// with the lowest of the samples around.
    fn lowest_on_rim(&self, number: usize, place: &StockPlacement, size: Size) -> f64 {
        const STEP_MM: f64 = 0.5;
        let face = &self.solid.faces[number];
        let sides = self.sides(number);
        let sample_rad = (self.grid).map_or(0.0, |grid| grid.layout().step_lat_deg().to_radians());
        let step_mm = STEP_MM.max(0.5 * sample_rad * size.radius_mm);
        let trim = self.settings.stock.trim_mm;
        let corners: Vec<DVec3> = face
            .corners
            .iter()
            .map(|&corner| face.frame.to_local(self.solid.corners[corner].normalize()))
            .collect();
        let mut lowest = f64::INFINITY;
        for (i, side) in sides.iter().enumerate() {
            let before = sides[(i + sides.len() - 1) % sides.len()];
            // At a corner the trims of both sides meet.
            let pushed = (before.outward + side.outward) / (1.0 + before.outward.dot(side.outward));
            lowest = self
                .lowest_beside(&face.frame, place, size, corners[i], pushed * trim)
                .min(lowest);
            let (from, to) = (corners[i], corners[(i + 1) % corners.len()]);
            let steps = (from.distance(to) * size.radius_mm / step_mm)
                .ceil()
                .max(1.0);
            for step in 0..=steps as usize {
                let on_seam = from.lerp(to, step as f64 / steps).normalize();
                let push = side.outward * trim;
                lowest = self
                    .lowest_beside(&face.frame, place, size, on_seam, push)
                    .min(lowest);
            }
        }
        lowest
    }

    /// z of the ground `push` beside a direction of the facet frame, from the lowest samples there.
    fn lowest_beside(
        &self,
        frame: &Frame,
        place: &StockPlacement,
        size: Size,
        on_seam: DVec3,
        push: DVec2,
    ) -> f64 {
        let mut relief = self.unit.lowest_mm() * size.range_mm;
        let mut z = f64::INFINITY;
        // The line through the place meets other ground at another height: a few rounds.
        for _ in 0..4 {
            let lateral = place.point(relief, on_seam).0 + push;
            let Some(over) = place.z_over(relief, lateral) else {
                // Beyond the limb there is no ground.
                return f64::INFINITY;
            };
            z = over;
            let towards = frame.to_body(lateral.extend(z));
            let before = relief;
            relief = self.unit.relief_mm(self.lowest_around(towards)) * size.range_mm;
            if relief == before {
                break;
            }
        }
        z
    }

    /// Lowest of the 4 × 4 samples around a direction, metres.
    fn lowest_around(&self, towards: DVec3) -> f64 {
        let Some(grid) = self.grid else {
            return 0.0;
        };
        let (lat, lon) = lat_lon_deg(towards);
        let layout = grid.layout();
        let row = ((layout.north_deg() - lat) / layout.step_lat_deg()).floor() as isize;
        let column = ((lon - layout.west_deg) / layout.step_lon_deg()).floor() as isize;
        let (rows, columns) = (layout.rows as isize, layout.columns as isize);
        let mut lowest = f32::INFINITY;
        for r in row - 1..=row + 2 {
            let r = r.clamp(0, rows - 1) as usize;
            for c in column - 1..=column + 2 {
                lowest = lowest.min(grid.at(r, c.rem_euclid(columns) as usize));
            }
        }
        f64::from(lowest)
    }

    /// Unit direction of a sample.
    fn towards(&self, row: usize, column: usize) -> DVec3 {
        let (sin_lat, cos_lat) = self.latitudes[row];
        let (sin_lon, cos_lon) = self.longitudes[column];
        DVec3::new(cos_lat * cos_lon, cos_lat * sin_lon, sin_lat)
    }

    /// Sideways place and z over the globe's centre of every sample of a block, seen from a face.
    fn each_sample(
        &self,
        block: &Block,
        face: &Face,
        place: &StockPlacement,
        size: Size,
        mut look: impl FnMut(DVec2, f64),
    ) {
        let Some(grid) = self.grid else {
            return;
        };
        let Layout { rows, columns, .. } = grid.layout();
        let rows = block.first_row..(block.first_row + self.side).min(rows);
        let columns = block.first_column..(block.first_column + self.side).min(columns);
        let heights_m = grid.window(rows.clone(), columns.clone());
        for (row, heights_m) in rows.zip(heights_m.chunks(columns.len())) {
            for (column, &height_m) in columns.clone().zip(heights_m) {
                let local = face.frame.to_local(self.towards(row, column));
                if local.z > 0.0 {
                    let relief = self.unit.relief_mm(f64::from(height_m)) * size.range_mm;
                    let (lateral, z) = place.point(relief, local);
                    look(lateral, z);
                }
            }
        }
    }

    fn fitted(&self, size: Size) -> Fit {
        let stock = &self.settings.stock;
        let pixel_mm = self.settings.image.pixel_mm;
        let mut lowest_mm = f64::INFINITY;
        let kinds: Vec<KindFit> = (0..self.solid.kinds.len())
            .map(|kind| {
                let extremes = self.extremes(kind, size);
                let usable = stock.thickness_mm - stock.skim_mm;
                let back_plane_mm = (extremes.highest - usable).max(0.0);
                lowest_mm = lowest_mm.min(extremes.lowest - back_plane_mm);
                let outline_mm = self.outline(kind, size);
                let half = outline_mm.iter().fold(DVec2::ZERO, |h, p| h.max(p.abs()));
                // A hundredth of a pixel of trim is not worth another row: rounding must not decide.
                let pixels = |half_mm: f64| 2 * (half_mm / pixel_mm - 0.01).ceil() as usize;
                let number = self.solid.kinds[kind].faces[0];
                KindFit {
                    back_plane_mm,
                    base_distance_mm: size.radius_mm * self.solid.faces[number].distance,
                    highest_mm: extremes.highest - back_plane_mm,
                    corners_mm: self.corners(number, size),
                    sides: self.sides(number),
                    outline_mm,
                    corner_mm: self.corner_z(kind, size) - back_plane_mm,
                    width_px: pixels(half.x),
                    height_px: pixels(half.y),
                }
            })
            .collect();
        let white_mm = stock.thickness_mm;
        let black_mm = (((lowest_mm - DIP_MM) / BLACK_STEP_MM).floor() * BLACK_STEP_MM).max(0.0);
        // Multiples of 0.1 are not binary numbers; the nearest one prints as what it means.
        let black_mm = (black_mm * 10.0).round() / 10.0;
        let facets = self
            .solid
            .faces
            .iter()
            .map(|face| {
                let kind = &kinds[face.kind];
                FacetSpec {
                    frame: face.frame,
                    base: self.settings.globe.base,
                    projection: self.settings.globe.projection,
                    radius_mm: size.radius_mm,
                    base_distance_mm: kind.base_distance_mm,
                    back_plane_mm: kind.back_plane_mm,
                    outline_mm: kind.outline_mm.clone(),
                    sides: kind.sides.clone(),
                    trim_mm: stock.trim_mm,
                    outside: self.settings.image.outside,
                    width_px: kind.width_px,
                    height_px: kind.height_px,
                    pixel_mm,
                    black_mm,
                    white_mm,
                }
            })
            .collect();
        Fit {
            curve: self.unit.scaled(size.range_mm),
            range_mm: size.range_mm,
            black_mm,
            white_mm,
            kinds,
            facets,
        }
    }

    fn corners(&self, face: usize, size: Size) -> Vec<DVec2> {
        let frame = &self.solid.faces[face].frame;
        self.solid.faces[face]
            .corners
            .iter()
            .map(|&corner| {
                let corner = self.solid.corners[corner];
                let on_base = match self.settings.globe.base {
                    Base::Sphere => corner.normalize() * size.radius_mm,
                    Base::Flat => corner * size.radius_mm,
                };
                frame.to_local(on_base).truncate()
            })
            .collect()
    }
}

/// Where relief puts a point, by base and projection.
struct StockPlacement {
    base: Base,
    projection: Projection,
    radius_mm: f64,
    distance_mm: f64,
}

impl StockPlacement {
    fn reach(&self, relief_mm: f64) -> f64 {
        match self.base {
            Base::Sphere => self.radius_mm + relief_mm,
            Base::Flat => self.distance_mm + relief_mm,
        }
    }

    /// z over the globe's centre at an angle from the facet's axis.
    fn z(&self, relief_mm: f64, angle_rad: f64) -> f64 {
        match (self.base, self.projection) {
            (_, Projection::Gnomonic) => self.distance_mm + relief_mm,
            (Base::Sphere, _) => (self.radius_mm + relief_mm) * angle_rad.cos(),
            (Base::Flat, _) => self.distance_mm + relief_mm * angle_rad.cos(),
        }
    }

    /// z over the globe's centre of a point at a sideways place; `None` beyond the limb.
    fn z_over(&self, relief_mm: f64, lateral: DVec2) -> Option<f64> {
        let rho2 = lateral.length_squared();
        match (self.base, self.projection) {
            (_, Projection::Gnomonic) => Some(self.distance_mm + relief_mm),
            (Base::Sphere, _) => {
                let z2 = (self.radius_mm + relief_mm).powi(2) - rho2;
                (z2 >= 0.0).then(|| z2.sqrt())
            }
            (Base::Flat, _) => {
                let cos = self.distance_mm / rho2.sqrt().hypot(self.distance_mm);
                Some(self.distance_mm + relief_mm * cos)
            }
        }
    }

    /// Sideways place and z over the globe's centre in a direction of the facet frame.
    fn point(&self, relief_mm: f64, local: DVec3) -> (DVec2, f64) {
        match (self.base, self.projection) {
            (_, Projection::Gnomonic) => (
                local.truncate() / local.z * self.distance_mm,
                self.distance_mm + relief_mm,
            ),
            (Base::Sphere, _) => {
                let point = local * (self.radius_mm + relief_mm);
                (point.truncate(), point.z)
            }
            (Base::Flat, _) => {
                let point = local * (self.distance_mm / local.z + relief_mm);
                (point.truncate(), point.z)
            }
        }
    }
}

fn inside(outline: &[DVec2], p: DVec2, margin: f64) -> bool {
    (0..outline.len()).all(|i| {
        let (a, b) = (outline[i], outline[(i + 1) % outline.len()]);
        let along = (b - a).normalize();
        along.perp_dot(p - a) >= -margin
    })
}

fn nothing_found(solid: &Solid) -> Vec<Mutex<Option<(Size, f64)>>> {
    solid.kinds.iter().map(|_| Mutex::new(None)).collect()
}

fn sin_cos(angle_deg: f64) -> (f64, f64) {
    angle_deg.to_radians().sin_cos()
}

fn block(grid: &dyn Heights, first_row: usize, first_column: usize, samples: usize) -> Block {
    let layout = grid.layout();
    let end_row = (first_row + samples).min(layout.rows);
    let end_column = (first_column + samples).min(layout.columns);
    let (low, high) = ends(&grid.window(first_row..end_row, first_column..end_column));
    let grid = layout;
    let middle_lat = 0.5 * (grid.lat_deg(first_row) + grid.lat_deg(end_row - 1));
    let half_lon = 0.5 * (end_column - 1 - first_column) as f64 * grid.step_lon_deg();
    let centre = direction(middle_lat, grid.lon_deg(first_column) + half_lon);
    let corner = |row: usize, side: f64| {
        let lon = grid.lon_deg(first_column) + half_lon * (1.0 + side);
        centre.angle_between(direction(grid.lat_deg(row), lon))
    };
    // The farthest sample of a block is one of its corners, or, where the parallels bend most,
    // on the middle of the top or bottom row.
    let radius_rad = [first_row, end_row - 1]
        .into_iter()
        .flat_map(|row| [corner(row, -1.0), corner(row, 0.0), corner(row, 1.0)])
        .fold(0.0, f64::max);
    Block {
        first_row,
        first_column,
        centre,
        radius_rad: radius_rad + 1e-9,
        lowest_m: f64::from(low),
        highest_m: f64::from(high),
    }
}

/// The largest value below `start` for which `good` holds: down in steps of a tenth to the first
/// good one, then by halving. `None` if there is none down to a thousandth of it.
fn largest(start: f64, good: impl Fn(f64) -> bool) -> Option<f64> {
    const STEP: f64 = 0.9;
    let mut low = STEP * start;
    while !good(low) {
        low *= STEP;
        if low < 1e-3 * start {
            return None;
        }
    }
    let mut high = low / STEP;
    for _ in 0..20 {
        let middle = 0.5 * (low + high);
        if good(middle) {
            low = middle
        } else {
            high = middle
        }
    }
    Some(low)
}

fn round_down(mm: f64) -> f64 {
    (mm * 10.0).floor() / 10.0
}

fn round_up(mm: f64) -> f64 {
    (mm * 10.0).ceil() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carve::compress::unit_curve;
    use crate::carve::resample::{Bounds, Sampler, Scratch, render};
    use crate::model::geometry::turn_to;
    use crate::model::grid::{Grid, Hypsometry, Registration};
    use approx::assert_abs_diff_eq;
    use ndarray::Array2;

    /// A smooth body of ±3 km with a 9 km mountain at 20 N 40 E.
    fn body() -> Grid {
        let mut grid = Grid {
            heights_m: Array2::zeros((360, 720)),
            west_deg: 0.25,
            registration: Registration::Pixel,
        };
        let empty = grid.clone();
        let peak = direction(20.0, 40.0);
        for ((row, column), height) in grid.heights_m.indexed_iter_mut() {
            let d = direction(empty.lat_deg(row), empty.lon_deg(column));
            let waves = 2000.0 * (3.0 * d.x + 1.0).sin() + 1000.0 * (5.0 * d.y - 4.0 * d.z).sin();
            let cone = 9000.0 * (-(d.angle_between(peak) / 0.06).powi(2)).exp();
            *height = (waves + cone) as f32;
        }
        grid
    }

    fn job(solid: &str) -> Settings {
        let mut settings = Settings::default();
        settings.globe.solid = solid.into();
        settings.globe.diameter_mm = 160.0;
        settings.relief.range = crate::model::settings::ReliefRange::Mm(6.0);
        settings.stock.thickness_mm = 50.8;
        settings.image.pixel_mm = 0.4;
        settings
    }

    fn parts(settings: &Settings) -> (Solid, Grid, Curve) {
        let grid = body();
        let solid = Solid::named(&settings.globe.solid).unwrap();
        let turn = turn_to(&solid, 0, 25.0, 10.0, 0.0);
        let curve = unit_curve(&Hypsometry::of_grid(&grid), &settings.relief).unwrap();
        (solid.turned(&turn), grid, curve)
    }

    fn fitted(settings: &Settings) -> Result<Fit> {
        let (solid, grid, curve) = parts(settings);
        fit(&solid, &grid, &curve, settings)
    }

    #[test]
    fn the_highest_ground_touches_the_usable_top_and_the_lowest_stays_above_black() {
        for name in [
            "dodecahedron",
            "cube",
            "truncated-octahedron",
            "deltoidal-icositetrahedron",
        ] {
            for (base, projection) in [
                (Base::Sphere, Projection::Radial),
                (Base::Flat, Projection::Radial),
                (Base::Flat, Projection::Gnomonic),
            ] {
                let mut settings = job(name);
                (settings.globe.base, settings.globe.projection) = (base, projection);
                if name == "cube" {
                    settings.stock.thickness_mm = 70.0;
                }
                let (solid, grid, curve) = parts(&settings);
                let fit = fit(&solid, &grid, &curve, &settings).unwrap();
                let sampler = Sampler::new(&grid, &fit.curve);
                let bounds = Bounds::new(&grid, &fit.curve);
                let range = (fit.curve.lowest_mm(), fit.curve.highest_mm());
                let usable = settings.stock.thickness_mm - settings.stock.skim_mm;
                let mut highest = vec![f64::NEG_INFINITY; fit.kinds.len()];
                let mut lowest = f64::INFINITY;
                let mut scratch = Scratch::default();
                for (face, spec) in solid.faces.iter().zip(&fit.facets) {
                    let stats = render(&sampler, &bounds, spec, range, &mut scratch).stats;
                    assert_eq!((stats.clipped_high_px, stats.clipped_low_px), (0, 0));
                    highest[face.kind] = highest[face.kind].max(stats.max_mm);
                    lowest = lowest.min(stats.min_mm);
                }
                for (kind, highest) in fit.kinds.iter().zip(&highest) {
                    if kind.back_plane_mm > 0.0 {
                        assert_abs_diff_eq!(*highest, usable, epsilon = 0.05);
                    }
                    assert!(kind.corner_mm >= settings.stock.edge_mm);
                }
                // Black is a tenth rounded down. On a ball ground falls towards the corners, and
                // on this coarse grid the lowest sample around one lies well below it; a cube's
                // corner leans most.
                let room_mm = match (base, name) {
                    (Base::Flat, _) => 0.11,
                    (Base::Sphere, "cube") => 5.1,
                    (Base::Sphere, _) => 1.5,
                };
                assert!(
                    lowest >= fit.black_mm && lowest < fit.black_mm + room_mm,
                    "{name} {base:?}: {lowest} {}",
                    fit.black_mm
                );
            }
        }
    }

    #[test]
    fn relief_auto_takes_all_the_stock_allows() {
        let mut settings = job("dodecahedron");
        settings.relief.range = crate::model::settings::ReliefRange::Most;
        let fit = fitted(&settings).unwrap();
        assert_abs_diff_eq!(
            fit.kinds[0].corner_mm,
            settings.stock.edge_mm,
            epsilon = 0.02
        );
        assert!(fit.kinds[0].corner_mm >= settings.stock.edge_mm);
        settings.relief.range = crate::model::settings::ReliefRange::Mm(fit.range_mm + 0.02);
        assert!(matches!(fitted(&settings), Err(Error::Stock(_))));
    }

    #[test]
    fn limits_are_the_last_that_fit() {
        let mut settings = job("dodecahedron");
        settings.stock.thickness_mm = 30.0;
        let message = fitted(&settings).unwrap_err().to_string();
        assert!(
            message.starts_with(
                "stock: stock.thickness: a globe of 160 mm with 6 mm of relief does not fit 30 mm stock; \
                 found "
            ),
            "{message}"
        );
        let (solid, grid, curve) = parts(&settings);
        let limits = limits_on(&solid, &grid, &curve, 6.0, &settings);
        let stock: fn(&mut Settings, f64) = |settings, mm| settings.stock.thickness_mm = mm;
        let diameter: fn(&mut Settings, f64) = |settings, mm| settings.globe.diameter_mm = mm;
        let range: fn(&mut Settings, f64) = |settings, mm| {
            settings.relief.range = ReliefRange::Mm(mm);
        };
        for (change, limit_mm, stretch) in [
            (stock, limits.least_stock_mm, 0.99),
            (diameter, limits.largest_diameter_mm, 1.02),
            (range, limits.most_range_mm, 1.04),
        ] {
            let limit_mm = limit_mm.unwrap();
            for (mm, fits) in [(limit_mm, true), (stretch * limit_mm, false)] {
                let mut changed = settings.clone();
                change(&mut changed, mm);
                assert_eq!(fitted(&changed).is_ok(), fits, "{limits:?} {mm}");
            }
        }
    }

    #[test]
    fn outlines_hold_the_bulge_of_every_seam() {
        // Source: a great circle seen along the facet's axis is an ellipse arc whose middle lies
        // R·sin(tilt) out; plane trigonometry.
        let settings = job("truncated-octahedron");
        let (solid, ..) = parts(&settings);
        let fit = fitted(&settings).unwrap();
        for seam in &solid.seams {
            let [a, b] = seam.corners.map(|i| solid.corners[i].normalize());
            for face in seam.faces {
                let face = &solid.faces[face];
                let kind = &fit.kinds[face.kind];
                for i in 0..=20 {
                    let part = f64::from(i) / 20.0;
                    let ground = a.lerp(b, part).normalize() * (80.0 + fit.curve.highest_mm());
                    let p = face.frame.to_local(ground).truncate();
                    assert!(inside(&kind.outline_mm, p, -settings.stock.trim_mm + 1e-9));
                }
            }
        }
    }

    #[test]
    fn impossible_reliefs_and_stocks_are_refused() {
        let mut settings = job("dodecahedron");
        settings.relief.range = crate::model::settings::ReliefRange::Mm(400.0);
        assert!(fitted(&settings).unwrap_err().to_string().starts_with(
            "job: relief.range: the lowest ground would reach the middle of the globe; found \
                 400 mm; allowed: less than 80 mm"
        ));
        settings.relief.range = crate::model::settings::ReliefRange::Mm(6.0);
        settings.stock.thickness_mm = 12.0;
        assert_eq!(
            fitted(&settings).unwrap_err().to_string(),
            "stock: stock.thickness: skim and least edge leave no wood to carve; found 12 mm; \
             allowed: more than 12.5 mm; use thicker stock, or lower \
             stock.edge or stock.skim"
        );
    }
}
