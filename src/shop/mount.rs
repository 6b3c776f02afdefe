//! What carries the finished ball: a rod along an axis, a flat to stand on, a ring to lie in.
//!
//! ```text
//!             / rod
//!        . - /- .           the axis leans from upright by the tilt; without a rod the
//!      '    /    '          lowest place of the ball is where the flat is cut, or the
//!     |    o      |         middle of the ring
//!      .  /      .
//!        /- - - '
//!       /  ‾‾‾ flat or ring about the lowest place
//! ```

use super::jig::Jig;
use super::joints::{Joint, slots_reach_mm, wood_to_rod_mm};
use super::polygon::holds;
use super::saw::on_surface;
use super::{facet_label, seam_label};
use crate::carve::fit::Fit;
use crate::model::bodies;
use crate::model::geometry::{Frame, Solid, direction, lat_lon_deg};
use crate::model::places::face_towards;
use crate::model::settings::{Base, MountKind, Settings};
use crate::{Error, Problem, Result};
use glam::{DVec2, DVec3};
use serde::Serialize;

/// Rods as they are sold, mm: metric, and inch sizes from 1/4 to 1 in. Common practice, no source.
const RODS_MM: [f64; 14] = [
    6.0, 6.35, 7.9375, 8.0, 9.525, 10.0, 12.0, 12.7, 15.875, 16.0, 19.05, 20.0, 25.0, 25.4,
];

/// A pin is held by at least its own diameter of wood, and well held by twice that. Common
/// practice, no source.
const LEAST_DEPTH: f64 = 1.0;
const USUAL_DEPTH: f64 = 2.0;

/// Width of the flat and of the ring, as shares of the ball's diameter, where the job says nothing:
/// wide enough not to tip over. Common practice, no source.
const FLAT_SHARE: f64 = 0.25;
const RING_SHARE: f64 = 0.5;

/// A ring holds a ball that lies in it by between these shares of its diameter: less and it tips
/// out, more and it does not go in. Common practice, no source.
const RING_SHARES: [f64; 2] = [0.25, 0.9];

/// Directions tried around a hole or circle, for the blanks that it touches.
const AROUND: usize = 720;

/// What carries the ball.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mount {
    /// What sort.
    pub kind: MountKind,
    /// Where the axis comes out on top, degrees north and east.
    pub top: [f64; 2],
    /// How far the axis leans from upright, degrees.
    pub tilt_deg: f64,
    /// Where that comes from.
    pub tilt_by: TiltBy,
    /// The lowest place of the ball on its stand, degrees north and east.
    pub lowest: [f64; 2],
    /// Diameter of the rod, mm; `None` without one.
    pub rod_mm: Option<f64>,
    /// The nearest rod that is sold, where this one is not, mm.
    pub nearest_rod_mm: Option<f64>,
    /// Holes for it, the upper one first.
    pub holes: Vec<Hole>,
    /// The edge of the flat, or where the ball touches the ring.
    pub circle: Option<Circle>,
}

/// Who says how far the axis leans.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TiltBy {
    /// The job.
    Job,
    /// What is known of the body.
    Body,
    /// No one: it stands upright.
    NotKnown,
}

/// A hole towards the globe's centre.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Hole {
    /// Where it is, degrees north and east.
    pub place: [f64; 2],
    /// Depth below the level, mm; `None` for right through the wood.
    pub deep_mm: Option<f64>,
    /// Wood along its axis from the lowest ground there could be to the hollow, mm.
    pub wood_mm: f64,
    /// The blanks it touches, the one with its middle first. With more than one it is drilled when
    /// they are glued.
    pub blanks: Vec<HoleInBlank>,
}

/// A hole as one blank has it, facet frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HoleInBlank {
    /// Index of the facet.
    pub face: usize,
    /// Where its axis meets the plane of the back, mm.
    pub back_mm: DVec2,
    /// Where its axis comes out at the level, mm.
    pub front_mm: DVec2,
    /// Its angle from the square to the back, degrees.
    pub lean_deg: f64,
    /// Wood between the bottom of a blind hole and the back, square to the back, mm; `None` for a
    /// hole right through.
    pub left_mm: Option<f64>,
}

impl HoleInBlank {
    /// Where the drill goes in: a blind hole is for a pin from outside, so at the level; else at
    /// the back.
    pub fn start_mm(&self) -> DVec2 {
        match self.left_mm {
            Some(_) => self.front_mm,
            None => self.back_mm,
        }
    }
}

/// A circle on the ball about the lowest place.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Circle {
    /// Its radius, mm.
    pub radius_mm: f64,
    /// From the lowest ground of the ball's level up to its plane, mm.
    pub rise_mm: f64,
    /// Facets it touches, ascending.
    pub faces: Vec<usize>,
}

/// The tilt of the job, or what is known of the body.
pub fn tilt_of(settings: &Settings, body: Option<&str>) -> (f64, TiltBy) {
    let body = body.or(settings.grid.body.as_deref());
    match (settings.mount.tilt_deg, body.and_then(bodies::tilt_deg)) {
        (Some(tilt), _) => (tilt, TiltBy::Job),
        (None, Some(tilt)) => (tilt, TiltBy::Body),
        (None, None) => (0.0, TiltBy::NotKnown),
    }
}

/// Which way north is on a facet, facet frame: a unit vector, or which pole is at its middle.
pub fn north(frame: &Frame) -> std::result::Result<DVec2, &'static str> {
    let toward = DVec2::new(frame.x.z, frame.y.z);
    match toward.try_normalize().filter(|_| toward.length() > 1e-3) {
        Some(toward) => Ok(toward),
        None if frame.z.z > 0.0 => Err("N pole"),
        None => Err("S pole"),
    }
}

/// What the mount is worked out from.
#[derive(Clone, Copy)]
struct Ball<'a> {
    solid: &'a Solid,
    fit: &'a Fit,
    jigs: &'a [&'a Jig],
    joints: &'a [Joint],
    settings: &'a Settings,
}

/// The job's mount; nothing where it asks for none.
///
/// # Errors
/// [`Error::Job`] where wood is wanting or a joint is in the way.
pub fn mount(
    solid: &Solid,
    fit: &Fit,
    jigs: &[&Jig],
    joints: &[Joint],
    settings: &Settings,
    body: Option<&str>,
) -> Result<Option<Mount>> {
    let asked = &settings.mount;
    if asked.kind == MountKind::None {
        return Ok(None);
    }
    if settings.globe.base == Base::Flat && asked.kind != MountKind::Axis {
        return Err(Error::Job(
            Problem::new("a globe with flat faces stands on a facet, not on a flat or in a ring")
                .setting("mount.kind")
                .found("globe.base = \"flat\"")
                .allowed("\"none\" or \"axis\"")
                .next("choose one of these, or globe.base = \"sphere\""),
        ));
    }
    let ball = Ball {
        solid,
        fit,
        jigs,
        joints,
        settings,
    };
    let top = direction(asked.lat_deg, asked.lon_deg);
    let (tilt_deg, tilt_by) = tilt_of(settings, body);
    let lowest = lowest(asked.lat_deg, asked.lon_deg, tilt_deg);
    let (mut holes, mut circle, mut rod_mm) = (Vec::new(), None, None);
    match asked.kind {
        MountKind::None => {}
        MountKind::Axis => {
            rod_mm = Some(asked.rod_mm);
            holes = vec![ball.hole(top)?, ball.hole(-top)?];
        }
        MountKind::Flat => circle = Some(ball.flat(lowest)?),
        MountKind::Ring => circle = Some(ball.ring(lowest)?),
    }
    Ok(Some(Mount {
        kind: asked.kind,
        top: place(top),
        tilt_deg,
        tilt_by,
        lowest: place(lowest),
        rod_mm,
        nearest_rod_mm: rod_mm.and_then(nearest_rod),
        holes,
        circle,
    }))
}

/// The lowest place of a ball whose axis comes out on top at a place and leans by the tilt: from the
/// place opposite, the tilt along the meridian southward of the top.
fn lowest(lat_deg: f64, lon_deg: f64, tilt_deg: f64) -> DVec3 {
    let south = direction(lat_deg - 90.0, lon_deg);
    let (sin, cos) = tilt_deg.to_radians().sin_cos();
    south * sin - direction(lat_deg, lon_deg) * cos
}

fn place(towards: DVec3) -> [f64; 2] {
    let (lat_deg, lon_deg) = lat_lon_deg(towards);
    [lat_deg, lon_deg]
}

/// The rod that is sold nearest to one that is not.
fn nearest_rod(rod_mm: f64) -> Option<f64> {
    let off = |sold: &f64| (sold - rod_mm).abs();
    let nearest = RODS_MM
        .into_iter()
        .min_by(|a, b| off(a).total_cmp(&off(b)))?;
    (off(&nearest) > 0.01).then_some(nearest)
}

/// Directions at an angle around another.
fn around(towards: DVec3, angle_rad: f64) -> impl Iterator<Item = DVec3> {
    let aside = towards.any_orthonormal_vector();
    let over = towards.cross(aside);
    let (sin, cos) = angle_rad.sin_cos();
    (0..AROUND).map(move |i| {
        let (s, c) = (i as f64 * std::f64::consts::TAU / AROUND as f64).sin_cos();
        towards * cos + (aside * c + over * s) * sin
    })
}

impl Ball<'_> {
    fn radius_mm(&self) -> f64 {
        self.settings.globe.diameter_mm / 2.0
    }

    /// Along a direction, from the globe's centre to the surface of a facet, mm.
    fn surface_mm(&self, face: usize, towards: DVec3, relief_mm: f64) -> f64 {
        let facet = &self.solid.faces[face];
        let distance_mm = self.fit.kinds[facet.kind].base_distance_mm;
        let local = facet.frame.to_local(towards);
        on_surface(local, relief_mm, distance_mm, self.settings).length()
    }

    /// Along a direction, from the globe's centre to the wood of a facet, over its pocket if it has
    /// one there, mm.
    fn hollow_mm(&self, face: usize, towards: DVec3) -> f64 {
        let facet = &self.solid.faces[face];
        let local = facet.frame.to_local(towards);
        let back = self.fit.kinds[facet.kind].back_plane_mm;
        let floor = back + self.settings.pocket_depth_mm();
        let pocket = self.jigs[facet.kind].seat.as_ref().is_some_and(|seat| {
            holds(
                &seat.sharp_mm[0],
                local.truncate() * (floor / local.z),
                self.settings.mount.rod_mm,
            )
        });
        (if pocket { floor } else { back }) / local.z
    }

    /// Facets that a cone about a direction touches, the one in its middle first, then ascending.
    fn touched(&self, towards: DVec3, angle_rad: f64) -> Vec<usize> {
        let middle = face_towards(self.solid, towards);
        let mut others: Vec<usize> = around(towards, angle_rad)
            .map(|rim| face_towards(self.solid, rim))
            .filter(|face| *face != middle)
            .collect();
        others.sort_unstable();
        others.dedup();
        others.insert(0, middle);
        others
    }

    fn hole(&self, towards: DVec3) -> Result<Hole> {
        let asked = &self.settings.mount;
        let radius = 0.5 * asked.rod_mm;
        let backs = self.fit.kinds.iter().map(|kind| kind.back_plane_mm);
        let nearest = backs.fold(f64::INFINITY, f64::min);
        // Towards the centre a rod takes a wider angle.
        let faces = self.touched(towards, (radius / nearest).atan());
        for &face in &faces {
            self.wide_enough(face)?;
        }
        let lowest_mm = self.fit.curve.lowest_mm();
        let tops = faces
            .iter()
            .map(|&face| self.surface_mm(face, towards, lowest_mm));
        let top = tops.fold(f64::INFINITY, f64::min);
        let floors = faces.iter().map(|&face| self.hollow_mm(face, towards));
        let floor = floors.fold(0.0, f64::max);
        let level = self.surface_mm(faces[0], towards, 0.0);
        let deep_mm = match asked.blind {
            true => Some(self.depth(towards, top - floor, level - floor)?),
            false => None,
        };
        let inner = deep_mm.map_or(nearest, |deep| level - deep);
        self.clear_of_joints(towards, &faces, [inner, level])?;
        let blanks = faces.iter().map(|&face| {
            let facet = &self.solid.faces[face];
            let local = facet.frame.to_local(towards);
            let back = self.fit.kinds[facet.kind].back_plane_mm;
            HoleInBlank {
                face,
                back_mm: local.truncate() * (back / local.z),
                front_mm: local.truncate() * self.surface_mm(face, towards, 0.0),
                lean_deg: local.z.clamp(-1.0, 1.0).acos().to_degrees(),
                left_mm: deep_mm.map(|deep| (level - deep) * local.z - back),
            }
        });
        Ok(Hole {
            place: place(towards),
            deep_mm,
            wood_mm: top - floor,
            blanks: blanks.collect(),
        })
    }

    /// A rod must leave more of a blank's back than it takes.
    fn wide_enough(&self, face: usize) -> Result<()> {
        let facet = &self.solid.faces[face];
        let back = self.fit.kinds[facet.kind].back_plane_mm;
        let reaches = facet.edges.iter().map(|edge| back * edge.tilt_rad.tan());
        let reach = reaches.fold(f64::INFINITY, f64::min);
        if self.settings.mount.rod_mm <= reach {
            return Ok(());
        }
        Err(Error::Job(
            Problem::new(format!(
                "the rod is too thick for facet {}, whose back is only {} from its middle to its side",
                facet_label(face),
                self.settings.lengths().text(reach)
            ))
            .setting("mount.rod")
            .found(self.settings.lengths_of("mount.rod").at_least(self.settings.mount.rod_mm))
            .allowed(format!("at most {}", self.settings.lengths_of("mount.rod").at_most(reach)))
            .next("choose a thinner rod, or a solid with fewer facets"),
        ))
    }

    /// Depth of a blind hole below the level; cover stays at its bottom under the lowest ground.
    fn depth(&self, towards: DVec3, least_wood: f64, level_wood: f64) -> Result<f64> {
        let (asked, cover) = (&self.settings.mount, self.settings.joint.cover_mm);
        let most = level_wood - cover;
        // Of the hole, this much is in wood even where the ground is lowest.
        let (short, rod) = (level_wood - least_wood, asked.rod_mm);
        let usual = (USUAL_DEPTH * rod + short).min(most);
        let deep = asked.depth_mm.unwrap_or(usual);
        let [lat, lon] = place(towards);
        let at = crate::model::geometry::place_name(lat, lon);
        if deep > most {
            return Err(Error::Job(
                Problem::new(format!("the blind hole at {at} would come out at the back"))
                    .setting("mount.depth")
                    .found(self.settings.lengths().text(deep))
                    .allowed(format!(
                        "at most {}, with {} of wood left (joint.cover)",
                        self.settings.lengths().at_most(most),
                        self.settings.lengths().at_least(cover)
                    ))
                    .next("make it less deep, or write mount.hole = \"through\""),
            ));
        }
        if deep - short < LEAST_DEPTH * rod {
            return Err(Error::Job(
                Problem::new(format!("a pin at {at} has too little wood to hold it"))
                    .setting(if asked.depth_mm.is_some() {
                        "mount.depth"
                    } else {
                        "mount.rod"
                    })
                    .found(format!(
                        "{} of wood where the ground is lowest, for a rod of {}",
                        self.settings.lengths().text((deep - short).max(0.0)),
                        self.settings.lengths().text(rod)
                    ))
                    .allowed("at least the rod's diameter")
                    .next(
                        "choose a thinner rod or thicker stock, or write mount.hole = \"through\"",
                    ),
            ));
        }
        Ok(deep)
    }

    /// No slot of a biscuit and no dowel within the cover of the hole.
    fn clear_of_joints(&self, towards: DVec3, faces: &[usize], span_mm: [f64; 2]) -> Result<()> {
        let cover = self.settings.joint.cover_mm;
        for &face in faces {
            let local = self.solid.faces[face].frame.to_local(towards);
            let ends = span_mm.map(|along| local * along);
            let radius = 0.5 * self.settings.mount.rod_mm;
            let nearest = wood_to_rod_mm((self.solid, self.fit), face, self.joints, ends, radius);
            if let Some((seam, wood)) = nearest.filter(|(_, wood)| *wood < cover) {
                let [lat, lon] = place(towards);
                return Err(Error::Job(
                    Problem::new(format!(
                        "the hole for the rod at {} meets what holds seam {} together",
                        crate::model::geometry::place_name(lat, lon),
                        seam_label(seam)
                    ))
                    .setting("mount.rod")
                    .found(format!(
                        "{} of wood between them",
                        self.settings.lengths().text(wood.max(0.0))
                    ))
                    .allowed(format!(
                        "at least {} (joint.cover)",
                        self.settings.lengths().at_least(cover)
                    ))
                    .next(
                        "turn the ball (globe.turn) so that the axis runs through the middle of a \
                         facet or a corner, choose a thinner rod or another place, or write \
                         joint.kind = \"none\"",
                    ),
                ));
            }
        }
        Ok(())
    }

    /// A circle of a width about the lowest place.
    fn circle(&self, lowest: DVec3, width_mm: f64) -> Circle {
        let (radius, half) = (self.radius_mm(), 0.5 * width_mm);
        let mut faces = self.touched(lowest, (half / radius).clamp(0.0, 1.0).asin());
        faces.sort_unstable();
        Circle {
            radius_mm: half,
            rise_mm: radius - (radius * radius - half * half).max(0.0).sqrt(),
            faces,
        }
    }

    fn flat(&self, lowest: DVec3) -> Result<Circle> {
        let asked = self.settings.mount.width_mm;
        let width = asked.unwrap_or(FLAT_SHARE * self.settings.globe.diameter_mm);
        let circle = self.circle(lowest, width.min(self.settings.globe.diameter_mm));
        // What stays under the flat, where it is nearest to the hollow.
        let plane = self.radius_mm() - circle.rise_mm;
        let angle = (circle.radius_mm / self.radius_mm()).clamp(0.0, 1.0).asin();
        let rings = [0.0, 0.25, 0.5, 0.75, 1.0].into_iter();
        let under = rings
            .flat_map(|share| around(lowest, share * angle))
            .map(|d| {
                let hollow = self.hollow_mm(face_towards(self.solid, d), d);
                plane - hollow * d.dot(lowest)
            })
            .fold(f64::INFINITY, f64::min);
        let cover = self.settings.joint.cover_mm;
        for &face in &circle.faces {
            let local = self.solid.faces[face].frame.to_local(lowest);
            let reach = slots_reach_mm((self.solid, self.fit), face, self.joints, local);
            if let Some((seam, reach)) = reach.filter(|(_, reach)| plane - reach < cover) {
                return Err(Error::Job(
                    Problem::new(format!(
                        "the flat meets what holds seam {} together",
                        seam_label(seam)
                    ))
                    .setting("mount.width")
                    .found(format!(
                        "{} of wood between them",
                        self.settings.lengths().text((plane - reach).max(0.0))
                    ))
                    .allowed(format!(
                        "at least {} (joint.cover)",
                        self.settings.lengths().at_least(cover)
                    ))
                    .next("make the flat narrower, turn the ball, or write joint.kind = \"none\""),
                ));
            }
        }
        if under < cover {
            return Err(Error::Job(
                Problem::new("the flat would open the hollow inside the ball")
                    .setting("mount.width")
                    .found(format!(
                        "{}, {} deep",
                        self.settings.lengths().text(width),
                        self.settings.lengths().text(circle.rise_mm)
                    ))
                    .allowed(format!(
                        "{} of wood left over the flat (joint.cover)",
                        self.settings.lengths().at_least(cover)
                    ))
                    .next("make the flat narrower, or the stock thicker"),
            ));
        }
        Ok(circle)
    }

    fn ring(&self, lowest: DVec3) -> Result<Circle> {
        let diameter = self.settings.globe.diameter_mm;
        let width = self
            .settings
            .mount
            .width_mm
            .unwrap_or(RING_SHARE * diameter);
        let [least, most] = RING_SHARES.map(|share| share * diameter);
        if !(least..=most).contains(&width) {
            return Err(Error::Job(
                Problem::new("the ball does not lie safely in this ring")
                    .setting("mount.width")
                    .found(self.settings.lengths().text(width))
                    .allowed(format!(
                        "{} to {}",
                        self.settings.lengths().at_least(least),
                        self.settings.lengths().at_most(most)
                    ))
                    .next("choose a width between those"),
            ));
        }
        Ok(self.circle(lowest, width))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carve::fit::{fit_anywhere, limits};
    use crate::model::curve::Curve;
    use crate::model::settings::{JointKind, ReliefRange};
    use crate::shop::bench_checks::anywhere;
    use crate::shop::plan::Plan;
    use crate::shop::planning::plan;

    /// Level ground but for 2 mm up and down, in the thinnest stock with 20 mm at the corners.
    fn planned(name: &str, change: impl Fn(&mut Settings)) -> Result<(Solid, Fit, Plan, Settings)> {
        let solid = Solid::named(name).unwrap();
        let unit = Curve {
            name: "linear".into(),
            knots_m: vec![-0.5, 0.5],
            knots_mm: vec![-0.5, 0.5],
        };
        let mut settings = Settings::default();
        settings.globe.solid = name.into();
        settings.relief.range = ReliefRange::Mm(4.0);
        settings.stock.edge_mm = 20.0;
        settings.jig.tabs = Some(0);
        settings.budget.trials = 10;
        settings.mount.kind = MountKind::Axis;
        let least = limits(&solid, &unit, 4.0, &settings).least_stock_mm;
        settings.stock.thickness_mm = least.unwrap();
        change(&mut settings);
        let fit = fit_anywhere(&solid, &unit, &settings)?;
        let bench = anywhere(&solid, &fit, &settings);
        let plan = plan(&bench)?;
        Ok((solid, fit, plan, settings))
    }

    fn of_plan(
        plan: &Plan,
        solid: &Solid,
        fit: &Fit,
        settings: &Settings,
    ) -> Result<Option<Mount>> {
        let jigs: Vec<&Jig> = plan.kinds.iter().map(|kind| &kind.jig).collect();
        mount(solid, fit, &jigs, &plan.joints, settings, Some("Earth"))
    }

    fn mounted(name: &str, change: impl Fn(&mut Settings)) -> Result<(Solid, Plan, Mount)> {
        let (solid, fit, plan, settings) = planned(name, change)?;
        let mount = of_plan(&plan, &solid, &fit, &settings)?;
        Ok((solid, plan, mount.unwrap()))
    }

    /// The Sun stands overhead at noon at the Tropic of Cancer, 23.44 N, on the longest day: where
    /// the axis leans by the obliquity, the lowest place lies as far from the south pole.
    #[test]
    fn the_lowest_place_lies_the_tilt_from_the_lower_end_of_the_axis() {
        let (_, _, earth) = mounted("cube", |_| {}).unwrap();
        assert_eq!((earth.tilt_deg, earth.tilt_by), (23.44, TiltBy::Body));
        assert!((earth.lowest[0] + 90.0 - 23.44).abs() < 1e-9);
        for (lat, lon, tilt) in [(90.0, 30.0, 0.0), (18.0, 226.0, 40.0), (-90.0, 77.0, 119.6)] {
            let top = direction(lat, lon);
            let low = lowest(lat, lon, tilt);
            assert!((low.length() - 1.0).abs() < 1e-12);
            assert!((low.angle_between(-top).to_degrees() - tilt).abs() < 1e-6);
        }
    }

    /// From the middle of any facet the arrow leads to ground farther north; by a small step, and by
    /// nothing but directions.
    #[test]
    fn the_arrow_on_a_facet_leads_north() {
        for name in ["cube", "snub-dodecahedron", "disdyakis-triacontahedron"] {
            for face in &Solid::named(name).unwrap().faces {
                let lat = |d: DVec3| lat_lon_deg(d).0;
                let middle = face.frame.z;
                match north(&face.frame) {
                    Ok(toward) => {
                        let step =
                            |d: DVec2| lat(middle + face.frame.to_body(d.extend(0.0)) * 1e-4);
                        assert!(step(toward) > lat(middle));
                        let aside = [step(toward.perp()), step(-toward.perp())];
                        assert!((aside[0] - aside[1]).abs() < 1e-6);
                    }
                    Err(pole) => {
                        let sign = if pole == "N pole" { 1.0 } else { -1.0 };
                        assert!(sign * lat(middle) > 89.9);
                    }
                }
            }
        }
    }

    /// Against the wood itself: points all over the rod, each asked which facet's planes hold it.
    #[test]
    fn a_hole_touches_the_blanks_whose_wood_it_takes() {
        for (name, lat, lon) in [
            ("deltoidal-icositetrahedron", 90.0, 0.0),
            ("cube", 0.0, 0.0),
            ("icosahedron", 10.0, 40.0),
            ("dodecahedron", 52.0, 11.0),
            ("rhombic-triacontahedron", -33.0, 151.0),
        ] {
            let found = mounted(name, |s| {
                s.joint.kind = JointKind::None;
                (s.mount.lat_deg, s.mount.lon_deg, s.mount.rod_mm) = (lat, lon, 8.0);
            });
            let (solid, plan, mount) = found.unwrap();
            for (hole, towards) in mount.holes.iter().zip([1.0, -1.0]) {
                let towards = direction(lat, lon) * towards;
                let aside = towards.any_orthonormal_vector();
                let mut touched: Vec<usize> = Vec::new();
                for i in 0..360 {
                    let (s, c) = f64::from(i).to_radians().sin_cos();
                    for along in 0..40 {
                        let along = f64::from(along) * 2.5;
                        let p = towards * along + (aside * c + towards.cross(aside) * s) * 3.99;
                        for (face, facet) in solid.faces.iter().enumerate() {
                            let local = facet.frame.to_local(p);
                            let back = plan.kinds[facet.kind].jig.back_mm.iter();
                            let z = local.z;
                            // The facet's cone over its back holds the point, outside the hollow.
                            let height = back_plane(&plan, &solid, face);
                            let cone: Vec<DVec2> = back.map(|b| *b * (z / height)).collect();
                            if z > height && holds(&cone, local.truncate(), 0.0) {
                                touched.push(face);
                            }
                        }
                    }
                }
                touched.sort_unstable();
                touched.dedup();
                let mut told: Vec<usize> = hole.blanks.iter().map(|blank| blank.face).collect();
                told.sort_unstable();
                assert!(!touched.is_empty());
                for face in &touched {
                    assert!(
                        told.contains(face),
                        "{name}: facet {} is not told",
                        face + 1
                    );
                }
                // Told on the safe side, but none that is far off.
                assert!(
                    told.len() <= touched.len() + 2,
                    "{name}: {told:?} {touched:?}"
                );
            }
        }
    }

    /// Distance of a back from the centre, from its outline and tilt alone: reach / tan(tilt).
    fn back_plane(plan: &Plan, solid: &Solid, face: usize) -> f64 {
        let facet = &solid.faces[face];
        let jig = &plan.kinds[facet.kind].jig;
        let (a, b) = (jig.back_mm[0], jig.back_mm[1]);
        crate::shop::polygon::outward(a, b).dot(a) / facet.edges[0].tilt_rad.tan()
    }

    #[test]
    fn a_hole_in_the_middle_of_a_facet_is_square_and_its_own() {
        let (_, _, mount) = mounted("deltoidal-icositetrahedron", |_| {}).unwrap();
        let hole = &mount.holes[0];
        assert_eq!(hole.blanks.len(), 1);
        assert!(hole.blanks[0].lean_deg < 1e-6 && hole.blanks[0].back_mm.length() < 1e-9);
        assert_eq!((hole.deep_mm, mount.nearest_rod_mm), (None, None));
        let (_, _, odd) = mounted("cube", |s| s.mount.rod_mm = 12.3).unwrap();
        assert_eq!(odd.nearest_rod_mm, Some(12.0));
    }

    /// A hole in one blank is drilled while it is flat, one through several when they are glued.
    #[test]
    fn the_work_list_drills_each_hole_once_and_in_its_time() {
        let steps = |name: &str, change: &dyn Fn(&mut Settings)| {
            let (_, plan, _) = mounted(name, |s| {
                s.joint.kind = JointKind::None;
                change(s);
            })
            .unwrap();
            let list = plan.work.into_iter().map(|step| step.what);
            list.collect::<Vec<_>>()
        };
        let found = |steps: &[String], start: &str| {
            let at = steps
                .iter()
                .enumerate()
                .filter(|(_, s)| s.starts_with(start));
            at.map(|(i, _)| i).collect::<Vec<_>>()
        };
        let alone = steps("deltoidal-icositetrahedron", &|_| {});
        let (drill, carve) = (
            found(&alone, "Drill the "),
            found(&alone, "Finish the relief"),
        );
        assert_eq!((drill.len(), carve.len()), (2, 1));
        assert!(drill[1] < carve[0]);
        let text = "Drill the 12 mm hole for the rod at 90° N, 0 mm from the axis of the blank, 0.00° \
                    from square, right through: `back-01`";
        assert_eq!(alone[drill[0]], text);
        let blind = steps("deltoidal-icositetrahedron", &|s| s.mount.blind = true);
        let text = &blind[found(&blind, "Drill the ")[0]];
        assert!(
            text.contains("from the front until ") && text.contains("mm of wood"),
            "{text}"
        );
        let shared = steps("cube", &|s| {
            (s.mount.lat_deg, s.mount.lon_deg) = (45.0, 45.0)
        });
        let (drill, join) = (found(&shared, "Drill the "), found(&shared, "Join the two"));
        assert_eq!((drill.len(), join.len()), (2, 1));
        assert!(
            drill[0] > join[0] && shared[drill[0]].contains(" towards the middle, right through")
        );
        let flat = steps("cube", &|s| s.mount.kind = MountKind::Flat);
        assert_eq!(
            found(&flat, "Cut the flat about 90° S, 50 mm wide").len(),
            1
        );
        assert!(found(&flat, "Drill the ").is_empty());
    }

    fn refused(name: &str, change: impl Fn(&mut Settings)) -> String {
        mounted(name, change).map_or_else(|error| error.to_string(), |_| "no error".to_owned())
    }

    #[test]
    fn wood_and_joints_in_the_way_are_refused() {
        // Between two faces of a cube the middle of a seam has its biscuit.
        let seam = |s: &mut Settings| (s.mount.lat_deg, s.mount.lon_deg) = (45.0, 45.0);
        let error = refused("cube", seam);
        let start =
            "job: mount.rod: the hole for the rod at 45.0° N 45.0° E meets what holds seam S";
        assert!(error.starts_with(start), "{error}");
        let no_joint = refused("cube", |s| {
            seam(s);
            s.joint.kind = JointKind::None;
        });
        assert_eq!(no_joint, "no error");
        let deep = refused("cube", |s| {
            s.mount.blind = true;
            s.mount.depth_mm = Some(90.0);
        });
        let start =
            "job: mount.depth: the blind hole at 90° N would come out at the back; found 90 mm";
        assert!(deep.starts_with(start), "{deep}");
        let thick = refused("icosahedron", |s| s.mount.rod_mm = 40.0);
        let start = "job: mount.rod: the rod is too thick for facet ";
        assert!(thick.starts_with(start), "{thick}");
        let ring = refused("cube", |s| {
            s.mount.kind = MountKind::Ring;
            s.mount.width_mm = Some(20.0);
        });
        assert!(ring.contains("found 20 mm"), "{ring}");
        let flat = refused("cube", |s| {
            s.mount.kind = MountKind::Flat;
            s.mount.width_mm = Some(190.0);
        });
        assert!(flat.starts_with("job: mount.width: the flat "), "{flat}");
        let (solid, fit, plan, mut faceted) = planned("cube", |_| {}).unwrap();
        (faceted.mount.kind, faceted.globe.base) = (MountKind::Ring, Base::Flat);
        let error = of_plan(&plan, &solid, &fit, &faceted)
            .unwrap_err()
            .to_string();
        let start = "job: mount.kind: a globe with flat faces stands on a facet, not on a flat or in a ring";
        assert!(error.starts_with(start), "{error}");
    }

    /// Blind holes end in wood: the bottom lies outside the hollow by the cover at least.
    #[test]
    fn blind_holes_end_in_wood_and_hold_the_pin() {
        for name in ["cube", "dodecahedron", "deltoidal-icositetrahedron"] {
            let (solid, plan, mount) = mounted(name, |s| {
                s.mount.blind = true;
                s.mount.rod_mm = 6.0;
                s.joint.kind = JointKind::None;
            })
            .unwrap();
            for hole in &mount.holes {
                let deep = hole.deep_mm.unwrap();
                let towards = direction(hole.place[0], hole.place[1]);
                let bottom = towards * (100.0 - deep);
                let face = hole.blanks[0].face;
                let over_back =
                    solid.faces[face].frame.z.dot(bottom) - back_plane(&plan, &solid, face);
                assert!(over_back >= 3.0 - 1e-9, "{name}: {over_back}");
                let left = hole.blanks[0].left_mm.unwrap();
                assert!((left - over_back).abs() < 1e-9, "{name}: {left}");
                // Two millimetres lower ground leaves the pin twice its diameter, or all there is.
                assert!((8.0..=14.0 + 1e-9).contains(&deep), "{name}: {deep}");
            }
        }
    }

    /// The sagitta of a chord: a flat 60 mm wide on a ball of 200 mm is 100 − √(100² − 30²) deep.
    #[test]
    fn a_flat_is_as_deep_as_its_chord() {
        let (_, _, mount) = mounted("cube", |s| {
            s.mount.kind = MountKind::Flat;
            s.mount.width_mm = Some(60.0);
            s.mount.tilt_deg = Some(0.0);
        })
        .unwrap();
        let circle = mount.circle.unwrap();
        assert!((circle.rise_mm - 4.606).abs() < 1e-3);
        assert_eq!(circle.faces.len(), 1);
    }
}
