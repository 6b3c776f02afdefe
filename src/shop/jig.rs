//! What holds a blank: the pocket in its back, the boss on the jig, and hold-down tabs.
//!
//! ```text
//!              ____ blank with trim ____
//!             /    _____ back _____     \      all seen from the front, index corner up:
//!            /    /  ___pocket___  \     \     the pocket has the shape of the back, moved in,
//!           /    /  /   (boss)   \  \     \    its index corner cut off as a key
//! ```
//!
//! The bevel makes the back smaller than the blank; wood near the back outside it is waste. The
//! notches of the tabs lie in that waste: at the notch's top, height t, the facet with its trim
//! ends at (c + t)·tan(tilt) + trim from the axis, and the notch must stay outside.

use super::polygon::{Rounded, clip, inset, round_corners, sides, symmetry};
use crate::carve::fit::Fit;
use crate::model::geometry::Solid;
use crate::model::settings::{Base, Settings};
use crate::{Error, Problem, Result};
use glam::DVec2;
use serde::Serialize;

/// Half a millimetre more than the bit's radius: the bit then moves round a corner instead of
/// stopping in it, where it would chatter and burn.
const EASE_MM: f64 = 0.5;

/// How much of the boss a wrongly turned blank would have to cut away at the key, mm.
const KEY_BITE_MM: f64 = 2.0;

/// A clamp keeps this far from the farthest reach of the cutter, mm.
const CLAMP_MM: f64 = 1.0;

/// A narrower bit than this breaks in wood as deep as a pocket, mm: below it a message offers to do
/// without the pocket. Common practice, no source.
const LEAST_BIT_MM: f64 = 1.5;

/// Tabs of a job that does not say how many.
const USUAL_TABS: usize = 2;

/// What holds the blanks of one kind, facet frame, mm.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Jig {
    /// The back after the bevel.
    pub back_mm: Vec<DVec2>,
    /// The blank with its trim.
    pub blank_mm: Vec<DVec2>,
    /// Pocket and boss; `None` when the job does without.
    pub seat: Option<Seat>,
    /// In how many ways the blank would sit without a key.
    pub ways: usize,
    /// Tabs around the blank.
    pub tabs: Vec<Tab>,
    /// Why there are none, when the job left that to the program.
    pub no_tabs: Option<String>,
    /// Clamps stay outside the blank by this much, mm.
    pub clamp_out_mm: f64,
}

/// Pocket in the back and boss on the jig, facet frame, mm.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Seat {
    /// The pocket, finished.
    pub pocket: Rounded,
    /// The pocket as roughed out.
    pub pocket_rough: Rounded,
    /// The boss, finished.
    pub boss: Rounded,
    /// The boss as roughed out.
    pub boss_rough: Rounded,
    /// Pocket and boss with sharp corners.
    pub sharp_mm: [Vec<DVec2>; 2],
    /// Whether the index corner is cut off; a face without symmetry needs no key.
    pub keyed: bool,
    /// Wood between the pocket and the lowest ground that could lie above it, mm.
    pub over_mm: f64,
}

/// One hold-down tab.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tab {
    /// Side of the blank, from 0.
    pub side: usize,
    /// Glued to the blank; the one that is not glued tells the blank's direction.
    pub glued: bool,
    /// Notch in the back of the blank, mm.
    pub notch_mm: Vec<DVec2>,
    /// The tab itself: notch and what stands out for the clamp, mm.
    pub tab_mm: Vec<DVec2>,
}

/// Pocket, boss and tabs for the blanks of one kind.
///
/// # Errors
/// [`Error::Job`] with numbers and a way out when the bit is too large for the corners, the back
/// too small for a pocket, the wood above too thin, or the tabs do not fit.
pub fn jig(solid: &Solid, fit: &Fit, kind: usize, settings: &Settings) -> Result<Jig> {
    let number = solid.kinds[kind].faces[0];
    let piece = &fit.kinds[kind];
    let scale = piece.back_plane_mm / solid.faces[number].distance;
    let face = solid.face_polygon(number);
    let back_mm: Vec<DVec2> = face.iter().map(|p| *p * scale).collect();
    let ways = symmetry(&face);
    let seat = match settings.jig.pocket {
        true => Some(seat(fit, kind, &back_mm, ways, settings)?),
        false => None,
    };
    let (tabs, no_tabs) = tabs(fit, kind, settings)?;
    Ok(Jig {
        back_mm,
        blank_mm: piece.outline_mm.clone(),
        seat,
        ways,
        tabs,
        no_tabs,
        clamp_out_mm: settings.widest_bit_mm() / 2.0 + CLAMP_MM,
    })
}

fn seat(
    fit: &Fit,
    kind: usize,
    back_mm: &[DVec2],
    ways: usize,
    settings: &Settings,
) -> Result<Seat> {
    let set = &settings.jig;
    let corner_mm = corner_radius(settings)?;
    let keyed = set.key && ways > 1;

    let room = inset(back_mm, set.inset_mm());
    let Some(room) = room.filter(|_| fit.kinds[kind].back_plane_mm > 0.0) else {
        return Err(no_room(kind, back_mm, fit, settings));
    };
    let room = if keyed {
        cut_index_corner(&room, corner_mm, set.clearance_mm)
    } else {
        room
    };
    let rounded = |points: &[DVec2], radius_mm: f64| round_corners(points, radius_mm);
    let too_small = |largest: f64| corners_too_wide(kind, corner_mm, largest, settings);
    let pocket = rounded(&room, corner_mm).map_err(too_small)?;
    let boss_sharp =
        inset(&room, set.clearance_mm).ok_or_else(|| no_room(kind, back_mm, fit, settings))?;
    let boss = rounded(&boss_sharp, corner_mm).map_err(too_small)?;
    // Roughing leaves wood: the pocket smaller, the boss larger.
    let rough = inset(&room, set.allowance_mm());
    let rough = rough.ok_or_else(|| no_room(kind, back_mm, fit, settings))?;
    let rough_radius = (corner_mm - set.allowance_mm()).max(set.bit_mm / 2.0);
    let pocket_rough = rounded(&rough, rough_radius).map_err(too_small)?;
    let outer = inset(&boss_sharp, -set.allowance_mm()).unwrap_or_default();
    let boss_rough = rounded(&outer, corner_mm).map_err(too_small)?;

    let over_mm = wood_over(fit, kind, &pocket, settings);
    if over_mm < set.over_mm {
        return Err(too_deep(kind, over_mm, settings));
    }
    Ok(Seat {
        pocket,
        pocket_rough,
        boss,
        boss_rough,
        sharp_mm: [room, boss_sharp],
        keyed,
        over_mm,
    })
}

fn letter(kind: usize) -> char {
    super::kind_letter(kind)
}

/// Corner radius of pocket and boss: no smaller than the bit's.
fn corner_radius(settings: &Settings) -> Result<f64> {
    let set = &settings.jig;
    let least = set.bit_mm / 2.0;
    match set.corner_mm {
        None => Ok(least + EASE_MM),
        Some(corner) if corner >= least => Ok(corner),
        Some(corner) => {
            let say = settings.lengths_of("jig.corner");
            Err(Error::Job(
                Problem::new("the bit is too large for the corners of the pocket")
                    .setting("jig.corner")
                    .found(format!(
                        "a radius of {} with a bit of {}",
                        say.at_most(corner),
                        say.text(set.bit_mm)
                    ))
                    .allowed(format!("a radius of at least {}", say.at_least(least)))
                    .next(format!(
                        "enlarge jig.corner, or set jig.bit to at most {}",
                        settings.lengths_of("jig.bit").at_most(2.0 * corner)
                    )),
            ))
        }
    }
}

fn corners_too_wide(kind: usize, corner_mm: f64, largest_mm: f64, settings: &Settings) -> Error {
    let bit = 2.0 * largest_mm;
    let say = settings.lengths_of("jig.bit");
    let way = if bit < LEAST_BIT_MM {
        "set jig.pocket = \"no\" and hold the blanks with double-faced tape".to_owned()
    } else if settings.jig.corner_mm.is_some() {
        let say = settings.lengths_of("jig.corner");
        format!(
            "set jig.corner to at most {}",
            say.at_most(floor(largest_mm))
        )
    } else {
        format!(
            "set jig.bit to at most {}",
            say.at_most(floor(bit - 2.0 * EASE_MM).max(0.1))
        )
    };
    Error::Job(
        Problem::new(format!(
            "the bit is too large for the pocket of the {} blanks",
            letter(kind)
        ))
        .setting("jig.bit")
        .found(format!("corners of {} radius", say.at_least(corner_mm)))
        .allowed(format!("at most {}", say.at_most(floor(largest_mm))))
        .next(format!("{way}, or lower jig.inset")),
    )
}

fn no_room(kind: usize, back_mm: &[DVec2], fit: &Fit, settings: &Settings) -> Error {
    let say = settings.lengths_of("jig.inset");
    let reach = sides(back_mm).map(|(a, b)| super::polygon::outward(a, b).dot(a));
    let reach = reach.fold(f64::INFINITY, f64::min);
    // Where the cuts meet in a point there is no side to measure to.
    let reach = if reach.is_finite() { reach } else { 0.0 };
    // Thinner stock takes wood from the back, which widens with its distance from the centre;
    // offered only where the corners can spare what it takes.
    let piece = &fit.kinds[kind];
    let wanted = settings.jig.inset_mm() + settings.jig.bit_mm;
    let thinner = piece.back_plane_mm * (wanted / reach - 1.0);
    let thinner = match thinner < piece.corner_mm - settings.stock.edge_mm {
        true => "use thinner stock, ",
        false => "",
    };
    Error::Job(
        Problem::new(format!(
            "the back of the {} blanks has no room for a pocket",
            letter(kind)
        ))
        .setting("jig.inset")
        .found(format!(
            "{} from the middle to the nearest sawn edge of the back",
            say.at_most(reach)
        ))
        .allowed(format!(
            "more than jig.inset, {}, and the bit, {}",
            say.text(settings.jig.inset_mm()),
            say.text(settings.jig.bit_mm)
        ))
        .next(format!(
            "lower jig.inset, {thinner}enlarge globe.diameter, or set jig.pocket = \"no\" and hold \
             the blanks with double-faced tape"
        )),
    )
}

/// Takes the index corner off, far enough that a blank turned wrongly cannot sit.
fn cut_index_corner(points: &[DVec2], corner_mm: f64, clearance_mm: f64) -> Vec<DVec2> {
    let count = points.len();
    // The corner nearest +y: moving the sides in keeps it there.
    let index = (0..count)
        .max_by(|&a, &b| points[a].y.total_cmp(&points[b].y))
        .unwrap_or(0);
    let tip = points[index];
    let before = (points[(index + count - 1) % count] - tip).normalize();
    let after = (points[(index + 1) % count] - tip).normalize();
    let half = 0.5 * before.perp_dot(after).abs().atan2(before.dot(after));
    let inward = (before + after).normalize();
    // Rounding alone takes this much off every corner.
    let rounded = corner_mm * (1.0 / half.sin() - 1.0);
    // The flat must be long enough to round its two ends.
    let quarter = 0.5 * (std::f64::consts::FRAC_PI_2 - half);
    let for_flat = corner_mm * quarter.tan() / half.tan() * 1.001;
    let depth = (rounded + KEY_BITE_MM + 4.0 * clearance_mm).max(for_flat);
    clip(points, -inward, -inward.dot(tip) - depth)
}

/// Wood between the pocket's floor and the lowest ground over its farthest corner, mm.
fn wood_over(fit: &Fit, kind: usize, pocket: &Rounded, settings: &Settings) -> f64 {
    let piece = &fit.kinds[kind];
    let out = pocket
        .points
        .iter()
        .map(|(p, _)| p.length())
        .fold(0.0, f64::max);
    let lowest = fit.curve.lowest_mm();
    let z = match settings.globe.base {
        Base::Sphere => {
            let reach = settings.globe.diameter_mm / 2.0 + lowest;
            (reach * reach - out * out).max(0.0).sqrt()
        }
        Base::Flat => piece.base_distance_mm + lowest,
    };
    z - piece.back_plane_mm - settings.pocket_depth_mm()
}

fn too_deep(kind: usize, over_mm: f64, settings: &Settings) -> Error {
    let set = &settings.jig;
    let thickness = over_mm + settings.pocket_depth_mm();
    let deepest = thickness - set.over_mm;
    let say = settings.lengths_of("jig.depth");
    let way = if deepest >= 0.5 {
        format!("set jig.depth to at most {}", say.at_most(floor(deepest)))
    } else {
        "set jig.pocket = \"no\" and hold the blanks with double-faced tape".to_owned()
    };
    Error::Job(
        Problem::new(format!(
            "the pocket is deeper than the wood of the {} blanks allows",
            letter(kind)
        ))
        .setting("jig.depth")
        .found(format!(
            "{} in {} of wood",
            say.text(settings.pocket_depth_mm()),
            say.text(thickness)
        ))
        .allowed(format!(
            "at least {} left (jig.over)",
            say.at_least(set.over_mm)
        ))
        .next(way),
    )
}

/// Tabs as the job asks; where it says nothing of tabs, two or, with the reason, none.
fn tabs(fit: &Fit, kind: usize, settings: &Settings) -> Result<(Vec<Tab>, Option<String>)> {
    let set = &settings.jig;
    // Whoever gives their size wants them.
    let sizes = [set.tab_width_mm, set.tab_thickness_mm, set.tab_overlap_mm];
    let asked = set.tabs.is_some() || sizes.iter().any(Option::is_some);
    match tabs_on(fit, kind, set.tabs.unwrap_or(USUAL_TABS), settings) {
        Ok(tabs) => Ok((tabs, None)),
        Err(misfit) if !asked => Ok((Vec::new(), Some(misfit.reason()))),
        Err(misfit) => Err(misfit.error()),
    }
}

/// Why tabs have no room.
struct Misfit {
    what: String,
    key: &'static str,
    found: String,
    allowed: String,
    next: &'static str,
}

impl Misfit {
    fn error(self) -> Error {
        Error::Job(
            Problem::new(self.what)
                .setting(self.key)
                .found(self.found)
                .allowed(self.allowed)
                .next(self.next),
        )
    }

    fn reason(self) -> String {
        format!(
            "{} ({}: {}; allowed: {})",
            self.what, self.key, self.found, self.allowed
        )
    }
}

/// Tabs on sides spread evenly; all but the last are glued, so that just one tells the direction.
fn tabs_on(
    fit: &Fit,
    kind: usize,
    tabs: usize,
    settings: &Settings,
) -> std::result::Result<Vec<Tab>, Misfit> {
    let piece = &fit.kinds[kind];
    let outline = &piece.outline_mm;
    let count = outline.len();
    if tabs > count {
        return Err(Misfit {
            what: format!("the {} blanks have fewer sides than tabs", letter(kind)),
            key: "jig.tabs",
            found: format!("{tabs} tabs on {count} sides"),
            allowed: format!("at most {count}"),
            next: "use fewer tabs",
        });
    }
    if tabs > 0 && settings.tab_thickness_mm() >= fit.black_mm {
        return Err(Misfit {
            what: "the cutter would run into the tabs".into(),
            key: "jig.tab_thickness",
            found: settings
                .lengths_of("jig.tab_thickness")
                .at_least(settings.tab_thickness_mm()),
            allowed: format!(
                "less than the lowest cut, {} above the back",
                settings
                    .lengths_of("jig.tab_thickness")
                    .at_most(fit.black_mm)
            ),
            next: "use thinner tabs, or thicker stock",
        });
    }
    let edges: Vec<(DVec2, DVec2)> = sides(outline).collect();
    (0..tabs)
        .map(|i| {
            let side = i * count / tabs;
            let glued = tabs == 1 || i + 1 < tabs;
            tab(fit, kind, side, edges[side], glued, settings)
        })
        .collect()
}

fn tab(
    fit: &Fit,
    kind: usize,
    side: usize,
    (a, b): (DVec2, DVec2),
    glued: bool,
    settings: &Settings,
) -> std::result::Result<Tab, Misfit> {
    let set = &settings.jig;
    let piece = &fit.kinds[kind];
    let length = a.distance(b);
    if set.tab_width_mm() > length {
        return Err(Misfit {
            what: format!(
                "the tabs are longer than the edge of the {} blanks",
                letter(kind)
            ),
            key: "jig.tab_width",
            found: settings
                .lengths_of("jig.tab_width")
                .at_least(set.tab_width_mm()),
            allowed: format!(
                "at most {}, side {} of the blank",
                settings.lengths_of("jig.tab_width").at_most(floor(length)),
                side + 1
            ),
            next: "use narrower tabs, or fewer",
        });
    }
    let normal = super::polygon::outward(a, b);
    let along = (b - a) / length;
    let reach = normal.dot(a);
    // Where the facet with its trim ends at the notch's top.
    let facet = (piece.back_plane_mm + settings.tab_thickness_mm()) * piece.sides[side].slant
        + settings.stock.trim_mm;
    let inner = reach - set.tab_overlap_mm();
    if inner < facet {
        let say = settings.lengths_of("jig.tab_overlap");
        return Err(Misfit {
            what: format!(
                "the tabs reach into the facets of the {} blanks",
                letter(kind)
            ),
            key: "jig.tab_overlap",
            found: say.at_least(set.tab_overlap_mm()),
            allowed: format!("at most {}", say.at_most(floor((reach - facet).max(0.0)))),
            next: "lower jig.tab_overlap or jig.tab_thickness, or set jig.tabs = 0",
        });
    }
    let middle = along * along.dot(0.5 * (a + b));
    let outer = reach + settings.widest_bit_mm() / 2.0 + CLAMP_MM + set.tab_width_mm();
    let box_of = |near: f64, far: f64| {
        let half = along * (0.5 * set.tab_width_mm());
        // Counter-clockwise: along runs to the left when looking outwards.
        vec![
            middle + normal * far - half,
            middle + normal * far + half,
            middle + normal * near + half,
            middle + normal * near - half,
        ]
    };
    Ok(Tab {
        side,
        glued,
        notch_mm: box_of(inner, reach),
        tab_mm: box_of(inner, outer),
    })
}

/// Rounded down to a tenth, for a message that must be safe to follow.
fn floor(mm: f64) -> f64 {
    (mm * 10.0).floor() / 10.0
}
