//! Blanks laid out on boards.
//!
//! Each blank goes to the place nearest the board's left end (then nearest its lower edge) where
//! it overlaps nothing, in whichever of its two directions reaches less far; where both do as
//! well, the one opposite to the blank before. For convex outlines the forbidden places of one
//! blank beside another are a convex polygon, their Minkowski sum, so the best place is a corner
//! of such polygons, of the free rectangle, or a crossing of their sides: all of them are tried
//! (bottom-left rule with no-fit polygons; see E. Burke et al., "Complete and robust no-fit
//! polygon generation for the irregular stock cutting problem", EJOR 179, 2007).
//!
//! Board frame: x along the grain from the left end, y across it, mm.

use super::polygon::{area, bounds, inset, sides};
use crate::model::length::MM_PER_INCH;
use glam::DVec2;
use serde::Serialize;

/// Places that overlap by less than this touch, mm.
const TOUCH_MM: f64 = 1e-7;

/// A board foot: 144 cubic inches, in mm³.
pub const MM3_PER_BOARD_FOOT: f64 = 144.0 * MM_PER_INCH * MM_PER_INCH * MM_PER_INCH;

/// A board to lay blanks on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BoardSize {
    /// Along the grain, mm.
    pub length_mm: f64,
    /// Across the grain, mm.
    pub width_mm: f64,
    /// Thickness, mm.
    pub thickness_mm: f64,
}

impl BoardSize {
    /// Volume in board feet.
    pub fn board_feet(&self) -> f64 {
        self.length_mm * self.width_mm * self.thickness_mm / MM3_PER_BOARD_FOOT
    }

    /// Volume in cubic metres.
    pub fn cubic_metres(&self) -> f64 {
        self.length_mm * self.width_mm * self.thickness_mm * 1e-9
    }
}

/// Blanks of one kind.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pieces {
    /// Outline with trim about the blank's middle, in the board's frame, counter-clockwise, mm.
    pub outline_mm: Vec<DVec2>,
    /// How many.
    pub count: usize,
}

/// Where a blank lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Placed {
    /// Index of its [`Pieces`].
    pub kind: usize,
    /// Number among the blanks of its kind, from 0.
    pub number: usize,
    /// Turned half round.
    pub turned: bool,
    /// Place of its middle, mm.
    pub middle: DVec2,
}

impl Placed {
    /// Its outline on the board.
    pub fn outline_mm(&self, pieces: &[Pieces]) -> Vec<DVec2> {
        let sign = if self.turned { -1.0 } else { 1.0 };
        let outline = pieces[self.kind].outline_mm.iter();
        outline.map(|p| self.middle + *p * sign).collect()
    }
}

/// All boards with what lies on them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BoardLayout {
    /// One list for each board, in the order given; empty for boards not needed.
    pub boards: Vec<Vec<Placed>>,
    /// Blanks without a place, by kind.
    pub left_over: Vec<usize>,
}

/// Lays out the largest blanks first, board by board.
pub fn lay_out(
    boards: &[BoardSize],
    pieces: &[Pieces],
    gap_mm: f64,
    margin_mm: f64,
) -> BoardLayout {
    let mut layout = BoardLayout {
        boards: vec![Vec::new(); boards.len()],
        left_over: pieces.iter().map(|p| p.count).collect(),
    };
    let mut kinds: Vec<usize> = (0..pieces.len()).collect();
    kinds.sort_by(|&a, &b| {
        let size = |i: usize| area(&pieces[i].outline_mm);
        size(b).total_cmp(&size(a)).then(a.cmp(&b))
    });
    for (board, placed) in boards.iter().zip(&mut layout.boards) {
        let mut room = BoardRest::new(board, margin_mm);
        for &kind in &kinds {
            let shape = PieceOutline::new(&pieces[kind].outline_mm, gap_mm);
            while layout.left_over[kind] > 0 {
                let last = placed.last().map(|p: &Placed| p.turned);
                let Some((middle, turned)) = room.place(&shape, last) else {
                    break;
                };
                placed.push(Placed {
                    kind,
                    number: pieces[kind].count - layout.left_over[kind],
                    turned,
                    middle,
                });
                layout.left_over[kind] -= 1;
            }
        }
    }
    layout
}

/// Length of a board of that width which would take the blanks left over, mm; `None` when one
/// of them is too wide for it.
pub fn length_needed(
    layout: &BoardLayout,
    pieces: &[Pieces],
    width_mm: f64,
    gap_mm: f64,
    margin_mm: f64,
) -> Option<f64> {
    let rest: Vec<Pieces> = pieces
        .iter()
        .zip(&layout.left_over)
        .map(|(piece, &count)| Pieces {
            count,
            ..piece.clone()
        })
        .collect();
    let longest: f64 = rest
        .iter()
        .map(|piece| {
            let (low, high) = bounds(&piece.outline_mm);
            piece.count as f64 * (high.x - low.x + gap_mm)
        })
        .sum();
    let endless = BoardSize {
        length_mm: longest + 2.0 * margin_mm + 1.0,
        width_mm,
        thickness_mm: 1.0,
    };
    let tried = lay_out(&[endless], &rest, gap_mm, margin_mm);
    if tried.left_over.iter().any(|&count| count > 0) {
        return None;
    }
    let ends = tried.boards[0]
        .iter()
        .map(|p| bounds(&p.outline_mm(&rest)).1.x);
    Some(ends.fold(0.0, f64::max) + margin_mm)
}

/// A blank in both directions, with half the gap around it.
struct PieceOutline {
    outline: [Vec<DVec2>; 2],
    low: [DVec2; 2],
    high: [DVec2; 2],
}

impl PieceOutline {
    fn new(outline_mm: &[DVec2], gap_mm: f64) -> PieceOutline {
        let wide = inset(outline_mm, -0.5 * gap_mm).unwrap_or_default();
        let back: Vec<DVec2> = wide.iter().map(|p| -*p).collect();
        let (low, high) = bounds(outline_mm);
        PieceOutline {
            outline: [wide, back],
            low: [low, -high],
            high: [high, -low],
        }
    }
}

/// A convex polygon as half planes, with its box.
struct Forbidden {
    planes: Vec<(DVec2, f64)>,
    corners: Vec<DVec2>,
    low: DVec2,
    high: DVec2,
}

/// Where the middle of a shape may not be, with a placed outline about its own middle.
///
/// The Minkowski sum of two convex polygons: their sides merged by direction.
fn forbidden(placed: &[DVec2], middle: DVec2, shape: &[DVec2]) -> Forbidden {
    let back: Vec<DVec2> = shape.iter().map(|p| -*p).collect();
    let lowest = |points: &[DVec2]| -> usize {
        let order = |i: &usize, j: &usize| {
            let (a, b) = (points[*i], points[*j]);
            a.y.total_cmp(&b.y).then(a.x.total_cmp(&b.x))
        };
        (0..points.len()).min_by(order).unwrap_or(0)
    };
    let (i0, j0) = (lowest(placed), lowest(&back));
    let steps = |points: &[DVec2], first: usize| -> Vec<DVec2> {
        let n = points.len();
        (0..n)
            .map(|k| points[(first + k + 1) % n] - points[(first + k) % n])
            .collect()
    };
    let mut all = steps(placed, i0);
    all.extend(steps(&back, j0));
    let turn = |v: &DVec2| v.to_angle().rem_euclid(std::f64::consts::TAU);
    all.sort_by(|a, b| turn(a).total_cmp(&turn(b)));
    let mut corners = Vec::with_capacity(all.len());
    let mut at = middle + placed[i0] + back[j0];
    for step in all {
        corners.push(at);
        at += step;
    }
    let planes = sides(&corners)
        .filter(|(a, b)| a.distance_squared(*b) > 1e-18)
        .map(|(a, b)| {
            let normal = super::polygon::outward(a, b);
            (normal, normal.dot(a))
        })
        .collect();
    let (low, high) = bounds(&corners);
    Forbidden {
        planes,
        corners,
        low,
        high,
    }
}

impl Forbidden {
    fn holds(&self, p: DVec2) -> bool {
        p.cmpgt(self.low + TOUCH_MM).all()
            && p.cmplt(self.high - TOUCH_MM).all()
            && self.planes.iter().all(|(n, d)| n.dot(p) < d - TOUCH_MM)
    }
}

/// What is free on one board.
struct BoardRest {
    low: DVec2,
    high: DVec2,
    placed: Vec<(Vec<DVec2>, DVec2)>,
}

impl BoardRest {
    fn new(board: &BoardSize, margin_mm: f64) -> BoardRest {
        BoardRest {
            low: DVec2::splat(margin_mm),
            high: DVec2::new(board.length_mm, board.width_mm) - margin_mm,
            placed: Vec::new(),
        }
    }

    /// The best place in either direction; takes it.
    fn place(&mut self, shape: &PieceOutline, last: Option<bool>) -> Option<(DVec2, bool)> {
        // Opposite to the one before first: it wins where both reach equally far.
        let first = usize::from(last == Some(false));
        let mut best: Option<(f64, DVec2, usize)> = None;
        for way in [first, 1 - first] {
            let Some(middle) = self.leftmost(shape, way) else {
                continue;
            };
            let reach = middle.x + shape.high[way].x;
            if best.is_none_or(|(least, ..)| reach < least - 1e-6) {
                best = Some((reach, middle, way));
            }
        }
        let (_, middle, way) = best?;
        self.placed.push((shape.outline[way].clone(), middle));
        Some((middle, way == 1))
    }

    fn leftmost(&self, shape: &PieceOutline, way: usize) -> Option<DVec2> {
        let low = self.low - shape.low[way];
        let high = self.high - shape.high[way];
        if high.x < low.x - TOUCH_MM || high.y < low.y - TOUCH_MM {
            return None;
        }
        let zones: Vec<Forbidden> = self
            .placed
            .iter()
            .map(|(outline, middle)| forbidden(outline, *middle, &shape.outline[way]))
            .collect();
        let mut places = vec![low, DVec2::new(low.x, high.y)];
        for (i, zone) in zones.iter().enumerate() {
            places.extend(&zone.corners);
            for (a, b) in sides(&zone.corners) {
                // Against the lower and upper edge of the board, and its left end.
                for y in [low.y, high.y] {
                    if (a.y - y) * (b.y - y) < 0.0 {
                        places.push(DVec2::new(a.x + (b.x - a.x) * (y - a.y) / (b.y - a.y), y));
                    }
                }
                if (a.x - low.x) * (b.x - low.x) < 0.0 {
                    let y = a.y + (b.y - a.y) * (low.x - a.x) / (b.x - a.x);
                    places.push(DVec2::new(low.x, y));
                }
            }
            for other in &zones[..i] {
                if zone.low.cmpgt(other.high).any() || other.low.cmpgt(zone.high).any() {
                    continue;
                }
                for (a, b) in sides(&zone.corners) {
                    places.extend(sides(&other.corners).filter_map(|(c, d)| crossing(a, b, c, d)));
                }
            }
        }
        places.retain(|p| {
            p.cmpge(low - TOUCH_MM).all() && p.cmple(high + TOUCH_MM).all() && p.is_finite()
        });
        places.sort_by(|a, b| {
            // Rounded, so that equal places in a row are taken from below.
            let key = |p: &DVec2| ((p.x * 1e4).round() as i64, (p.y * 1e4).round() as i64);
            key(a).cmp(&key(b))
        });
        places
            .into_iter()
            .find(|p| !zones.iter().any(|zone| zone.holds(*p)))
    }
}

/// Where two lines between points cross, ends left out.
fn crossing(a: DVec2, b: DVec2, c: DVec2, d: DVec2) -> Option<DVec2> {
    let (u, v) = (b - a, d - c);
    let cross = u.perp_dot(v);
    if cross.abs() < 1e-12 {
        return None;
    }
    let t = (c - a).perp_dot(v) / cross;
    let s = (c - a).perp_dot(u) / cross;
    ((0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&s)).then(|| a + u * t)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::geometry::{Solid, solid_names};
    use proptest::prelude::*;

    /// Least distance between two outlines, by corners against sides; 0 when they overlap.
    fn gap(a: &[DVec2], b: &[DVec2]) -> f64 {
        if super::super::polygon::separation(a, b) < -1e-6 {
            return 0.0;
        }
        let from = |a: &[DVec2], b: &[DVec2]| {
            let away = a
                .iter()
                .map(|p| super::super::polygon::distance_to_line(b, *p));
            away.fold(f64::INFINITY, f64::min)
        };
        from(a, b).min(from(b, a))
    }

    fn pieces(solid: &str, radius_mm: f64, count: usize) -> Vec<Pieces> {
        let solid = Solid::named(solid).unwrap();
        let kinds = solid.kinds.iter();
        kinds
            .map(|kind| Pieces {
                outline_mm: solid
                    .face_polygon(kind.faces[0])
                    .iter()
                    .map(|p| *p * radius_mm)
                    .collect(),
                count: count.min(kind.faces.len()),
            })
            .collect()
    }

    fn check(
        layout: &BoardLayout,
        boards: &[BoardSize],
        pieces: &[Pieces],
        between: f64,
        margin: f64,
    ) {
        for (board, placed) in boards.iter().zip(&layout.boards) {
            let outlines: Vec<Vec<DVec2>> = placed.iter().map(|p| p.outline_mm(pieces)).collect();
            for (i, outline) in outlines.iter().enumerate() {
                for p in outline {
                    assert!(
                        p.x > margin - 1e-5 && p.x < board.length_mm - margin + 1e-5,
                        "{p}"
                    );
                    assert!(
                        p.y > margin - 1e-5 && p.y < board.width_mm - margin + 1e-5,
                        "{p}"
                    );
                }
                for other in &outlines[..i] {
                    assert!(
                        gap(outline, other) > between - 1e-5,
                        "{}",
                        gap(outline, other)
                    );
                }
            }
        }
        for (kind, piece) in pieces.iter().enumerate() {
            let here = layout
                .boards
                .iter()
                .flatten()
                .filter(|p| p.kind == kind)
                .count();
            assert_eq!(here + layout.left_over[kind], piece.count);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn blanks_never_overlap_and_never_leave_the_board(
            which in 0_usize..31,
            radius in 30.0..150.0_f64,
            sizes in prop::collection::vec((50.0..2500.0_f64, 30.0..400.0_f64), 1..4),
            between in 0.0..15.0_f64,
            margin in 0.0..20.0_f64,
        ) {
            let pieces = pieces(solid_names()[which], radius, 12);
            let boards: Vec<BoardSize> = sizes
                .into_iter()
                .map(|(length_mm, width_mm)| BoardSize { length_mm, width_mm, thickness_mm: 40.0 })
                .collect();
            let layout = lay_out(&boards, &pieces, between, margin);
            check(&layout, &boards, &pieces, between, margin);
        }
    }

    /// Closed form: squares on a board that holds exactly four by two, and equilateral triangles,
    /// which turned alternately fill a strip: n of them take (n + 1)/2 sides of length.
    #[test]
    fn squares_and_triangles_fill_what_they_can_fill() {
        let square = [(-5.0, -5.0), (5.0, -5.0), (5.0, 5.0), (-5.0, 5.0)].map(DVec2::from);
        let squares = [Pieces {
            outline_mm: square.to_vec(),
            count: 9,
        }];
        let board = BoardSize {
            length_mm: 47.0,
            width_mm: 25.0,
            thickness_mm: 10.0,
        };
        let layout = lay_out(&[board], &squares, 1.0, 2.0);
        assert_eq!(layout.boards[0].len(), 8);
        check(&layout, &[board], &squares, 1.0, 2.0);

        let h = 3.0_f64.sqrt() * 5.0;
        let triangle = [(-5.0, -h / 3.0), (5.0, -h / 3.0), (0.0, 2.0 * h / 3.0)].map(DVec2::from);
        let triangles = [Pieces {
            outline_mm: triangle.to_vec(),
            count: 7,
        }];
        let strip = BoardSize {
            length_mm: 40.001,
            width_mm: h + 0.001,
            thickness_mm: 10.0,
        };
        let layout = lay_out(&[strip], &triangles, 0.0, 0.0);
        assert_eq!(layout.boards[0].len(), 7);
        assert!(
            layout.boards[0]
                .windows(2)
                .all(|p| p[0].turned != p[1].turned)
        );
    }

    #[test]
    fn the_length_needed_is_enough_and_not_much_more() {
        let pieces = pieces("dodecahedron", 100.0, 12);
        let none = lay_out(&[], &pieces, 10.0, 6.0);
        let length = length_needed(&none, &pieces, 300.0, 10.0, 6.0).unwrap();
        for (length_mm, fits) in [(length + 0.01, true), (length - 1.0, false)] {
            let board = BoardSize {
                length_mm,
                width_mm: 300.0,
                thickness_mm: 50.0,
            };
            let layout = lay_out(&[board], &pieces, 10.0, 6.0);
            assert_eq!(layout.left_over == [0], fits);
        }
        assert_eq!(length_needed(&none, &pieces, 60.0, 10.0, 6.0), None);
    }

    /// Definition: a board foot is 12 × 12 × 1 inches, or 0.002359737 m³.
    #[test]
    fn a_board_foot_is_a_foot_square_an_inch_thick() {
        let board = BoardSize {
            length_mm: 304.8,
            width_mm: 304.8,
            thickness_mm: 25.4,
        };
        assert!((board.board_feet() - 1.0).abs() < 1e-12);
        assert!((board.cubic_metres() - 0.002_359_737).abs() < 1e-9);
    }
}
