//! Blanks to cut: how many of each kind, and where they lie on the boards of the job.

use super::boards::{BoardLayout, BoardSize, Pieces, lay_out, length_needed};
use super::polygon::area;
use crate::carve::fit::Fit;
use crate::model::geometry::Solid;
use crate::model::settings::{Grain, Settings};
use crate::{Error, Problem, Result};
use glam::DVec2;
use serde::Serialize;

/// The cut list with the boards.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BlankPlan {
    /// Outlines in the board's frame, by kind, spares counted.
    pub pieces: Vec<Pieces>,
    /// Blanks needed of each kind, without spares.
    pub needed: Vec<usize>,
    /// The boards in the order they are used, one entry each; empty when the job names none.
    pub boards: Vec<BoardSize>,
    /// Where every blank lies.
    pub layout: BoardLayout,
    /// Area of all blanks, spares counted, m².
    pub blanks_m2: f64,
    /// Share of the used boards that becomes blanks, 0..1.
    pub board_use: Option<f64>,
}

/// Blanks of every kind, turned so that the grain runs as the job asks, on the job's boards.
///
/// # Errors
/// [`Error::Job`] when a board is thinner than the stock; [`Error::Stock`] when the boards do not
/// suffice, with how much more is needed.
pub fn blanks(solid: &Solid, fit: &Fit, settings: &Settings) -> Result<BlankPlan> {
    let pieces: Vec<Pieces> = solid
        .kinds
        .iter()
        .zip(&fit.kinds)
        .map(|(kind, piece)| Pieces {
            outline_mm: with_grain(&piece.outline_mm, settings.wood.grain),
            count: kind.faces.len() + settings.blanks.spares,
        })
        .collect();
    // Strips come from boards of any width: only their area is counted.
    let boards = match settings.blanks.strip_mm {
        Some(_) => Vec::new(),
        None => boards(settings)?,
    };
    let (gap, margin) = (settings.blanks.gap_mm, settings.blanks.margin_mm);
    let layout = lay_out(&boards, &pieces, gap, margin);
    if !boards.is_empty() && layout.left_over.iter().any(|&count| count > 0) {
        return Err(too_little(&layout, &pieces, &boards, settings));
    }
    let used: Vec<&BoardSize> = boards
        .iter()
        .zip(&layout.boards)
        .filter(|(_, placed)| !placed.is_empty())
        .map(|(board, _)| board)
        .collect();
    let areas = pieces.iter().map(|p| area(&p.outline_mm) * p.count as f64);
    let blanks_mm2: f64 = areas.sum();
    let boards_mm2: f64 = used.iter().map(|b| b.length_mm * b.width_mm).sum();
    Ok(BlankPlan {
        needed: solid.kinds.iter().map(|kind| kind.faces.len()).collect(),
        blanks_m2: blanks_mm2 * 1e-6,
        board_use: (boards_mm2 > 0.0).then(|| blanks_mm2 / boards_mm2),
        pieces,
        boards,
        layout,
    })
}

/// The outline in the board's frame, whose x runs along the grain.
fn with_grain(outline: &[DVec2], grain: Grain) -> Vec<DVec2> {
    match grain {
        // +y, towards the index corner, comes to lie along x.
        Grain::Along => outline.iter().map(|p| DVec2::new(p.y, -p.x)).collect(),
        Grain::Across => outline.to_vec(),
    }
}

fn boards(settings: &Settings) -> Result<Vec<BoardSize>> {
    let stock = settings.stock.thickness_mm;
    let mut boards = Vec::new();
    for (index, board) in settings.boards.iter().enumerate() {
        let thickness_mm = board.thickness_mm.unwrap_or(stock);
        if thickness_mm < stock {
            let key = format!("board.{}.thickness", index + 1);
            let say = settings.lengths_of(&key);
            return Err(Error::Job(
                Problem::new("the board is thinner than the stock")
                    .setting(key)
                    .found(say.at_most(thickness_mm))
                    .allowed(format!("at least stock.thickness, {}", say.at_least(stock)))
                    .next("use a thicker board, or lower stock.thickness"),
            ));
        }
        let size = BoardSize {
            length_mm: board.length_mm,
            width_mm: board.width_mm,
            thickness_mm,
        };
        boards.extend(std::iter::repeat_n(size, board.count));
    }
    Ok(boards)
}

/// Longest and widest of the blanks without a place, along and across the grain, mm.
fn extents(layout: &BoardLayout, pieces: &[Pieces]) -> (f64, f64) {
    let missing = pieces.iter().zip(&layout.left_over);
    let sizes = missing.filter(|(_, count)| **count > 0).map(|(piece, _)| {
        let (low, high) = super::polygon::bounds(&piece.outline_mm);
        high - low
    });
    let most = sizes.fold(DVec2::ZERO, DVec2::max);
    (most.x, most.y)
}

fn too_little(
    layout: &BoardLayout,
    pieces: &[Pieces],
    boards: &[BoardSize],
    settings: &Settings,
) -> Error {
    let missing: Vec<String> = layout
        .left_over
        .iter()
        .enumerate()
        .filter(|(_, count)| **count > 0)
        .map(|(kind, count)| format!("{count} {}", super::kind_letter(kind)))
        .collect();
    let wanted: usize = pieces.iter().map(|p| p.count).sum();
    let widest = boards.iter().map(|b| b.width_mm).fold(0.0, f64::max);
    let (gap, margin) = (settings.blanks.gap_mm, settings.blanks.margin_mm);
    let say = settings.lengths_of("board.1.width");
    let next = match length_needed(layout, pieces, widest, gap, margin) {
        Some(length) => format!(
            "add {} of board {} wide, or lower blanks.spares or blanks.gap",
            say.at_least(length.ceil()),
            say.text(widest)
        ),
        None => {
            let (along, across) = extents(layout, pieces);
            let wider = say.at_least((across + 2.0 * margin).ceil());
            let other = match settings.wood.grain {
                Grain::Along => "across",
                Grain::Across => "along",
            };
            let longest = boards.iter().map(|b| b.length_mm).fold(0.0, f64::max);
            let turns = along + 2.0 * margin <= widest && across + 2.0 * margin <= longest;
            match turns {
                true => {
                    format!("use boards at least {wider} wide, or set wood.grain = \"{other}\"")
                }
                false => format!(
                    "use boards at least {wider} wide, or glue the blanks up from strips: set \
                     blanks.strip to at most {}",
                    say.at_most((widest - 2.0 * margin).max(1.0))
                ),
            }
        }
    };
    Error::Stock(
        Problem::new("the boards have too little wood for the blanks")
            .setting("board")
            .found(format!(
                "room for {} of {wanted} blanks, spares counted; without a place: {}",
                wanted - layout.left_over.iter().sum::<usize>(),
                missing.join(", ")
            ))
            .next(next),
    )
}
