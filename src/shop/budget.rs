//! What small errors of saw and jig do to the seams and to the closing of the ball.
//!
//! A side is cut by a plane tilted t from vertical whose line on the jig lies at c·tan t from the
//! axis. Three things go wrong: the tilt by δ, the line by o (both within plus or minus a limit,
//! any value as likely as another), and the blank sits off the jig's middle by a shift s (any
//! place in a disc as likely as another). Seen along the plane's normal, at the surface, a slant
//! ℓ above the line, the cut is then off by
//!
//! ```text
//!   e = ℓ·δ + o·cos t − (s·n)·cos t        n: outward direction of the side, level
//! ```
//!
//! and the seam of two facets held where they belong gapes by −(e₁ + e₂). Chance values add as
//! squares: an even spread over ±a has the variance a²/3, a disc of radius a has a²/4 along any
//! direction.
//!
//! The ball closes when facets glued one to the next around it come back to where they began.
//! Going round a ring of facets, each seam turns the rest by δ₁ + δ₂ about itself and moves it by
//! e₁ + e₂; the ring misses its start by the sum. The Monte Carlo does both with exact planes
//! and exact turns.

use crate::model::geometry::Solid;
use glam::{DAffine3, DMat3, DVec2, DVec3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::Serialize;

/// The three limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tolerances {
    /// Blade tilt, plus or minus, radians.
    pub tilt_rad: f64,
    /// Cut line, plus or minus, mm.
    pub offset_mm: f64,
    /// Shift of the blank on the jig, any direction, mm.
    pub clearance_mm: f64,
}

/// One side of a facet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SideCut {
    /// Outward direction, level.
    pub outward: DVec2,
    /// Tilt from vertical, radians.
    pub tilt_rad: f64,
    /// Height of the surface above the jig at mid-seam, mm.
    pub surface_mm: f64,
    /// Distance of the jig's surface from the globe's centre, mm.
    pub back_plane_mm: f64,
}

/// What one cause does, one standard deviation, mm.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct ErrorShares {
    /// From the tilt.
    pub tilt_mm: f64,
    /// From the cut line.
    pub offset_mm: f64,
    /// From the play on the jig.
    pub clearance_mm: f64,
}

impl ErrorShares {
    /// All three together.
    pub fn together_mm(&self) -> f64 {
        self.tilt_mm.hypot(self.offset_mm).hypot(self.clearance_mm)
    }

    /// Which to improve first.
    pub fn largest(&self) -> &'static str {
        if self.tilt_mm >= self.offset_mm.max(self.clearance_mm) {
            "the blade tilt"
        } else if self.offset_mm >= self.clearance_mm {
            "the distance of the cut line"
        } else {
            "the play of the blank on the jig"
        }
    }
}

/// Errors of one facet's side as drawn by chance.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct DrawnErrors {
    /// Tilt, radians.
    pub tilt_rad: f64,
    /// Cut line, mm.
    pub offset_mm: f64,
    /// Shift of the whole blank, mm.
    pub shift_mm: DVec2,
}

/// A way around the ball: each facet with the side it is entered and left by.
pub type Ring = Vec<(usize, usize, usize)>;

/// The finished budget.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Budget {
    /// Seam gap at the surface, mean square over all seams, by formula.
    pub gap: ErrorShares,
    /// The same from the Monte Carlo, mm.
    pub gap_tried_mm: f64,
    /// 95 of 100 seams gape or rub by no more than this, mm.
    pub gap_95_mm: f64,
    /// Mean of the worst seam of each globe tried, mm.
    pub gap_worst_mm: f64,
    /// Miss at the surface when a ring of facets closes, by formula.
    pub closing: ErrorShares,
    /// The same from the Monte Carlo, mm.
    pub closing_tried_mm: f64,
    /// 95 of 100 globes close within this, mm.
    pub closing_95_mm: f64,
    /// Miss when every tilt is off by the whole limit the same way: a wrong setting, mm.
    pub closing_systematic_mm: f64,
    /// Facets in the ring.
    pub ring_facets: usize,
}

/// Cuts of every side of every facet: `[face][edge]`.
pub type Cuts = Vec<Vec<SideCut>>;

impl SideCut {
    /// Along the cut face from the jig to the surface, mm.
    pub fn slant_mm(&self) -> f64 {
        self.surface_mm / self.tilt_rad.cos()
    }

    #[cfg(test)]
    /// How far the cut is off at the surface, along the true plane's normal, mm: the formula.
    pub fn off_mm(&self, drawn: &DrawnErrors) -> f64 {
        self.slant_mm() * drawn.tilt_rad
            + (drawn.offset_mm - drawn.shift_mm.dot(self.outward)) * self.tilt_rad.cos()
    }

    /// The true point of the seam at the surface, facet frame with z from the globe's centre.
    fn surface_point(&self) -> DVec3 {
        let z = self.back_plane_mm + self.surface_mm;
        (self.outward * z * self.tilt_rad.tan()).extend(z)
    }

    /// Outward normal of the cut plane, leaning down by the tilt.
    fn normal(&self, tilt_rad: f64) -> DVec3 {
        (self.outward * tilt_rad.cos()).extend(-tilt_rad.sin())
    }

    /// How far the cut is off at the surface, exactly, mm.
    pub fn off_exact_mm(&self, drawn: &DrawnErrors) -> f64 {
        let line = self.back_plane_mm * self.tilt_rad.tan() + drawn.offset_mm;
        let on_line = (self.outward * line - drawn.shift_mm).extend(self.back_plane_mm);
        let cut = self.normal(self.tilt_rad + drawn.tilt_rad);
        let true_normal = self.normal(self.tilt_rad);
        // Along the true normal from the true point to the cut plane.
        cut.dot(on_line - self.surface_point()) / cut.dot(true_normal)
    }

    /// The cut plane with its place of contact, as axes: x outward normal, y along the seam.
    fn contact(&self, drawn: &DrawnErrors) -> DAffine3 {
        let normal = self.normal(self.tilt_rad + drawn.tilt_rad);
        let along = DVec3::Z.cross(self.outward.extend(0.0));
        let axes = DMat3::from_cols(normal, along, normal.cross(along));
        let at = self.surface_point() + self.normal(self.tilt_rad) * self.off_exact_mm(drawn);
        DAffine3::from_mat3_translation(axes, at)
    }
}

/// One standard deviation of the gap at a seam of two sides.
pub fn seam_shares(sides: [&SideCut; 2], limits: &Tolerances) -> ErrorShares {
    let sum = |f: &dyn Fn(&SideCut) -> f64| sides.iter().map(|s| f(s).powi(2)).sum::<f64>().sqrt();
    let even = 3.0_f64.sqrt();
    ErrorShares {
        tilt_mm: sum(&|s| s.slant_mm() * limits.tilt_rad / even),
        offset_mm: sum(&|s| s.tilt_rad.cos() * limits.offset_mm / even),
        clearance_mm: sum(&|s| s.tilt_rad.cos() * limits.clearance_mm / 2.0),
    }
}

/// Facets crossed by a great circle, in order: a ring around the ball.
///
/// The circle is tipped a little so that it meets no corner.
pub fn ring(solid: &Solid) -> Ring {
    let pole = DVec3::new(0.031, 0.017, 1.0).normalize();
    let side = |corner: usize| pole.dot(solid.corners[corner]) > 0.0;
    // A face is entered by the edge that rises and left by the one that falls.
    let crossed = |face: usize, rising: bool| {
        let corners = &solid.faces[face].corners;
        (0..corners.len()).find(|&i| {
            let (a, b) = (side(corners[i]), side(corners[(i + 1) % corners.len()]));
            a != b && b == rising
        })
    };
    let mut ring = Ring::new();
    let Some(start) = (0..solid.faces.len()).find(|&f| crossed(f, true).is_some()) else {
        return ring;
    };
    let mut face = start;
    loop {
        let (Some(enter), Some(leave)) = (crossed(face, false), crossed(face, true)) else {
            return ring;
        };
        ring.push((face, enter, leave));
        face = solid.faces[face].edges[leave].neighbour;
        if face == start || ring.len() > solid.faces.len() {
            return ring;
        }
    }
}

/// Where the ring's end lies beside its start: the turn and shift that should be none.
///
/// The ring is walked in facet frames; `drawn` gives each facet's errors by facet and side.
fn miss(cuts: &Cuts, ring: &Ring, drawn: &dyn Fn(usize, usize) -> DrawnErrors) -> DAffine3 {
    // Two sides in contact: normals and seams opposed, third axis kept.
    let faced = DAffine3::from_mat3(DMat3::from_diagonal(DVec3::new(-1.0, -1.0, 1.0)));
    let mut whole = DAffine3::IDENTITY;
    for (i, &(face, _, leave)) in ring.iter().enumerate() {
        let (next, enter, _) = ring[(i + 1) % ring.len()];
        let out = cuts[face][leave].contact(&drawn(face, leave));
        let into = cuts[next][enter].contact(&drawn(next, enter));
        whole = whole * out * faced * into.inverse();
    }
    whole
}

/// How far the closing seam gapes at the surface: the miss along its normal, mm.
fn closing_gap(cuts: &Cuts, ring: &Ring, whole: &DAffine3) -> f64 {
    let Some(&(face, enter, _)) = ring.first() else {
        return 0.0;
    };
    let cut = &cuts[face][enter];
    let point = cut.surface_point();
    cut.normal(cut.tilt_rad)
        .dot(whole.transform_point3(point) - point)
}

/// Formula for the closing gap: how much one unit of each error moves it, found by exact small
/// steps, then added as squares.
fn closing_shares(cuts: &Cuts, ring: &Ring, limits: &Tolerances) -> ErrorShares {
    const STEP: f64 = 1e-6;
    let slope = |face: usize, side: Option<usize>, step: DrawnErrors| {
        let drawn = |f: usize, s: usize| match side {
            Some(side) if f == face && s == side => step,
            None if f == face => step,
            _ => DrawnErrors::default(),
        };
        closing_gap(cuts, ring, &miss(cuts, ring, &drawn)) / STEP
    };
    let (mut tilt, mut offset, mut shift) = (0.0, 0.0, 0.0);
    for &(face, enter, leave) in ring {
        for side in [enter, leave] {
            let tilted = DrawnErrors {
                tilt_rad: STEP,
                ..DrawnErrors::default()
            };
            let moved = DrawnErrors {
                offset_mm: STEP,
                ..DrawnErrors::default()
            };
            tilt += slope(face, Some(side), tilted).powi(2);
            offset += slope(face, Some(side), moved).powi(2);
        }
        for axis in [DVec2::X, DVec2::Y] {
            let shifted = DrawnErrors {
                shift_mm: axis * STEP,
                ..DrawnErrors::default()
            };
            shift += slope(face, None, shifted).powi(2);
        }
    }
    let even = 3.0_f64.sqrt();
    ErrorShares {
        tilt_mm: tilt.sqrt() * limits.tilt_rad / even,
        offset_mm: offset.sqrt() * limits.offset_mm / even,
        clearance_mm: shift.sqrt() * limits.clearance_mm / 2.0,
    }
}

/// Formula and Monte Carlo for a whole globe. Same seed, same numbers.
pub fn budget(solid: &Solid, cuts: &Cuts, limits: &Tolerances, trials: usize, seed: u64) -> Budget {
    let ring = ring(solid);
    let shares: Vec<ErrorShares> = solid
        .seams
        .iter()
        .map(|seam| {
            let side = |i: usize| &cuts[seam.faces[i]][seam.edges[i]];
            seam_shares([side(0), side(1)], limits)
        })
        .collect();
    let rms = |f: fn(&ErrorShares) -> f64| {
        (shares.iter().map(|s| f(s).powi(2)).sum::<f64>() / shares.len() as f64).sqrt()
    };
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (mut gaps, mut worst, mut closings) = (Vec::new(), 0.0, Vec::with_capacity(trials));
    for _ in 0..trials {
        let drawn = draw(cuts, limits, &mut random);
        let at = |face: usize, side: usize| drawn[face][side];
        let mut largest: f64 = 0.0;
        for seam in &solid.seams {
            let off = |i: usize| {
                let (face, edge) = (seam.faces[i], seam.edges[i]);
                cuts[face][edge].off_exact_mm(&at(face, edge))
            };
            let gap = (off(0) + off(1)).abs();
            largest = largest.max(gap);
            gaps.push(gap);
        }
        worst += largest / trials as f64;
        closings.push(closing_gap(cuts, &ring, &miss(cuts, &ring, &at)).abs());
    }
    let wrong = DrawnErrors {
        tilt_rad: limits.tilt_rad,
        ..DrawnErrors::default()
    };
    Budget {
        gap: ErrorShares {
            tilt_mm: rms(|s| s.tilt_mm),
            offset_mm: rms(|s| s.offset_mm),
            clearance_mm: rms(|s| s.clearance_mm),
        },
        gap_tried_mm: root_mean_square(&gaps),
        gap_95_mm: quantile(&mut gaps, 0.95),
        gap_worst_mm: worst,
        closing: closing_shares(cuts, &ring, limits),
        closing_tried_mm: root_mean_square(&closings),
        closing_95_mm: quantile(&mut closings, 0.95),
        closing_systematic_mm: closing_gap(cuts, &ring, &miss(cuts, &ring, &|_, _| wrong)).abs(),
        ring_facets: ring.len(),
    }
}

fn draw(cuts: &Cuts, limits: &Tolerances, random: &mut ChaCha8Rng) -> Vec<Vec<DrawnErrors>> {
    let mut even = |limit: f64| limit * (2.0 * random.random::<f64>() - 1.0);
    cuts.iter()
        .map(|sides| {
            let angle = even(std::f64::consts::PI);
            // The square root spreads evenly over the disc.
            let away = limits.clearance_mm * (0.5 + 0.5 * even(1.0)).sqrt();
            let shift_mm = DVec2::from_angle(angle) * away;
            sides
                .iter()
                .map(|_| DrawnErrors {
                    tilt_rad: even(limits.tilt_rad),
                    offset_mm: even(limits.offset_mm),
                    shift_mm,
                })
                .collect()
        })
        .collect()
}

fn root_mean_square(values: &[f64]) -> f64 {
    let sum: f64 = values.iter().map(|v| v * v).sum();
    (sum / values.len().max(1) as f64).sqrt()
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let last = values.len().saturating_sub(1);
    values
        .get((share * last as f64).round() as usize)
        .copied()
        .unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::solid_names;
    use approx::assert_relative_eq;

    /// A globe of radius 100 mm whose backs lie at 0.6 of the face distance.
    fn cuts(solid: &Solid) -> Cuts {
        let faces = solid.faces.iter().enumerate();
        faces
            .map(|(f, face)| {
                let polygon = solid.face_polygon(f);
                let sides: Vec<_> = super::super::polygon::sides(&polygon).collect();
                let edges = face.edges.iter().zip(sides);
                edges
                    .map(|(edge, (a, b))| SideCut {
                        outward: super::super::polygon::outward(a, b),
                        tilt_rad: edge.tilt_rad,
                        surface_mm: 100.0 * edge.tilt_rad.cos() - 60.0 * face.distance,
                        back_plane_mm: 60.0 * face.distance,
                    })
                    .collect()
            })
            .collect()
    }

    fn limits(scale: f64) -> Tolerances {
        Tolerances {
            tilt_rad: scale * 0.1_f64.to_radians(),
            offset_mm: scale * 0.1,
            clearance_mm: scale * 0.05,
        }
    }

    #[test]
    fn without_errors_every_ring_closes() {
        for name in solid_names() {
            let solid = Solid::named(name).unwrap();
            let (cuts, ring) = (cuts(&solid), ring(&solid));
            assert!(ring.len() >= 3, "{name}");
            let whole = miss(&cuts, &ring, &|_, _| DrawnErrors::default());
            assert!(closing_gap(&cuts, &ring, &whole).abs() < 1e-9, "{name}");
            assert!(whole.abs_diff_eq(DAffine3::IDENTITY, 1e-9), "{name}");
        }
    }

    /// For small errors the exact planes and turns must do what the linear formula says.
    #[test]
    fn the_monte_carlo_agrees_with_the_formula() {
        for name in [
            "dodecahedron",
            "cube",
            "truncated-icosahedron",
            "deltoidal-icositetrahedron",
        ] {
            let solid = Solid::named(name).unwrap();
            let found = budget(&solid, &cuts(&solid), &limits(0.1), 4000, 7);
            assert_relative_eq!(
                found.gap_tried_mm,
                found.gap.together_mm(),
                max_relative = 0.02
            );
            // 4000 globes tell a standard deviation to about 1.1 %.
            assert_relative_eq!(
                found.closing_tried_mm,
                found.closing.together_mm(),
                max_relative = 0.05
            );
        }
    }

    #[test]
    fn each_cause_alone_agrees_with_its_share() {
        let solid = Solid::named("icosahedron").unwrap();
        let none = limits(0.0);
        let all = limits(0.2);
        for (only, share) in [
            (
                Tolerances {
                    tilt_rad: all.tilt_rad,
                    ..none
                },
                0,
            ),
            (
                Tolerances {
                    offset_mm: all.offset_mm,
                    ..none
                },
                1,
            ),
            (
                Tolerances {
                    clearance_mm: all.clearance_mm,
                    ..none
                },
                2,
            ),
        ] {
            let found = budget(&solid, &cuts(&solid), &only, 4000, 3);
            let gap = [
                found.gap.tilt_mm,
                found.gap.offset_mm,
                found.gap.clearance_mm,
            ];
            let closing = [
                found.closing.tilt_mm,
                found.closing.offset_mm,
                found.closing.clearance_mm,
            ];
            assert_relative_eq!(found.gap_tried_mm, gap[share], max_relative = 0.02);
            assert_relative_eq!(found.closing_tried_mm, closing[share], max_relative = 0.05);
            assert!(
                gap.iter()
                    .enumerate()
                    .all(|(i, v)| (*v > 0.0) == (i == share))
            );
        }
    }

    /// By hand: every tilt of a cube off by δ. The ring is four facets, eight cuts, each turning
    /// the rest by δ about a seam at 100 mm from the axis: the ends part by 8 δ · 100 mm at the
    /// last seam, to first order, less what the seams' own places take back.
    #[test]
    fn a_wrong_setting_adds_up_around_the_ball() {
        let solid = Solid::named("cube").unwrap();
        let found = budget(&solid, &cuts(&solid), &limits(1.0), 100, 1);
        let (turn, reach) = (8.0 * 0.1_f64.to_radians(), 100.0);
        assert_relative_eq!(
            found.closing_systematic_mm,
            turn * reach,
            max_relative = 0.02
        );
        assert_eq!(found.ring_facets, 4);
        assert_eq!(found.gap.largest(), "the blade tilt");
    }

    /// By hand: slant 60 mm, 0.1° is 0.1047 mm at the surface.
    #[test]
    fn one_side_by_hand() {
        let side = SideCut {
            outward: DVec2::X,
            tilt_rad: 30_f64.to_radians(),
            surface_mm: 60.0 * 30_f64.to_radians().cos(),
            back_plane_mm: 50.0,
        };
        let tilted = DrawnErrors {
            tilt_rad: 0.1_f64.to_radians(),
            ..DrawnErrors::default()
        };
        assert_relative_eq!(side.off_mm(&tilted), 0.104_72, max_relative = 1e-4);
        assert_relative_eq!(side.off_exact_mm(&tilted), 0.104_72, max_relative = 2e-3);
        let moved = DrawnErrors {
            offset_mm: 0.1,
            ..DrawnErrors::default()
        };
        assert_relative_eq!(side.off_exact_mm(&moved), 0.086_60, max_relative = 1e-4);
        let shifted = DrawnErrors {
            shift_mm: DVec2::new(0.1, 5.0),
            ..DrawnErrors::default()
        };
        assert_relative_eq!(side.off_exact_mm(&shifted), -0.086_60, max_relative = 1e-4);
    }

    #[test]
    fn the_same_seed_gives_the_same_numbers() {
        let solid = Solid::named("cube").unwrap();
        let run = |seed| budget(&solid, &cuts(&solid), &limits(1.0), 200, seed);
        assert_eq!(run(5), run(5));
        assert_ne!(run(5).gap_tried_mm, run(6).gap_tried_mm);
    }
}
