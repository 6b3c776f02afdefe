//! First guess at where triangles have to be split: the largest error at the middle of a longest
//! side and at every finer middle that depends on it, from the finest squares up.

use super::pixel_lattice::{Lattice, Node};
use std::ops::Range;

/// Errors at the middles of longest sides, on every so many grid points.
pub(super) struct Middles {
    /// Levels at the nodes, row by row.
    levels: Vec<f32>,
    /// How far the ground leaves the side at its middle, or at a finer one, in levels.
    errors: Vec<f32>,
    /// Nodes as grid points of their own.
    nodes: Lattice,
    /// Grid steps from one node to the next, as a power of two.
    power: u32,
    /// Columns of nodes that belong to the facet, by row.
    wanted: Vec<Range<usize>>,
}

impl Middles {
    /// Asks for no split anywhere.
    pub fn none() -> Middles {
        Middles {
            levels: Vec::new(),
            errors: Vec::new(),
            nodes: Lattice {
                rows: 0,
                columns: 0,
                tile: 0,
            },
            power: 0,
            wanted: Vec::new(),
        }
    }

    /// Weighs all middles at nodes. `levels` are those of every `stride`th grid point of every
    /// `stride`th row; `wanted` holds the facet's columns by row of grid points.
    pub fn weigh(
        levels: Vec<f32>,
        lattice: Lattice,
        stride: usize,
        wanted: &[Range<usize>],
    ) -> Middles {
        let nodes = Lattice {
            rows: (lattice.rows - 1) / stride + 1,
            columns: (lattice.columns - 1) / stride + 1,
            tile: lattice.tile / stride,
        };
        let wanted = wanted.iter().step_by(stride);
        let mut middles = Middles {
            errors: vec![0.0; levels.len()],
            levels,
            nodes,
            power: stride.trailing_zeros(),
            wanted: wanted
                .map(|span| span.start.div_ceil(stride)..span.end.div_ceil(stride))
                .collect(),
        };
        let mut step = 1;
        while step < nodes.tile {
            middles.weigh_sides(step);
            middles.weigh_diagonals(step);
            step *= 2;
        }
        middles
    }

    /// Error at a grid point, in levels; 0 between nodes.
    pub fn error(&self, at: Node) -> f32 {
        if (at.row | at.column) & ((1 << self.power) - 1) != 0 {
            return 0.0;
        }
        self.errors[self.nodes.number(Node {
            row: at.row >> self.power,
            column: at.column >> self.power,
        })]
    }

    /// Columns of a row at which middles of a scale may have wanted descendants, from a first one
    /// on in steps of twice the scale. Everything else keeps its error of 0.
    fn touched(&self, row: usize, step: usize, first: usize) -> Range<usize> {
        // A middle's descendants are nearer than step + step / 2 + step / 4 + ….
        let reach = 2 * step;
        let rows = row.saturating_sub(reach)..(row + reach + 1).min(self.nodes.rows);
        let spans = self.wanted[rows].iter().filter(|span| !span.is_empty());
        let (start, end) = spans.fold((usize::MAX, 0), |(start, end), span| {
            (start.min(span.start), end.max(span.end))
        });
        if start >= end {
            return 0..0;
        }
        let skipped = start.saturating_sub(reach + first) / (2 * step);
        first + skipped * 2 * step..(end + reach).min(self.nodes.columns)
    }

    /// Errors at the middles of sides of squares of 2 `step`: each has the centres of the four
    /// smaller squares around as descendants.
    fn weigh_sides(&mut self, step: usize) {
        let Lattice { rows, columns, .. } = self.nodes;
        let half = step / 2;
        for row in (0..rows).step_by(step) {
            let level = (row / step).is_multiple_of(2);
            let first = if level { step } else { 0 };
            let (across, down) = if level { (step, 0) } else { (0, step) };
            let wanted = self.wanted[row].clone();
            let touched = self.touched(row, step, first);
            for column in touched.step_by(2 * step) {
                let at = row * columns + column;
                let mut error = if wanted.contains(&column) {
                    let before = at - across - down * columns;
                    self.off(at, before, at + across + down * columns)
                } else {
                    0.0
                };
                if half > 0 {
                    error = error.max(self.worst_around(row, column, half));
                }
                self.errors[at] = error;
            }
        }
    }

    /// Largest error at the nodes that lie `half` away in both directions.
    fn worst_around(&self, row: usize, column: usize, half: usize) -> f32 {
        let Lattice { rows, columns, .. } = self.nodes;
        let beside = |at: usize, count: usize| {
            let both = [at.wrapping_sub(half), at + half].into_iter();
            both.filter(move |at| *at < count)
        };
        let mut worst = 0.0f32;
        for row in beside(row, rows) {
            for column in beside(column, columns) {
                worst = worst.max(self.errors[row * columns + column]);
            }
        }
        worst
    }

    /// Errors at the middles of diagonals of squares of 2 `step`: descendants are the middles of
    /// the four sides.
    fn weigh_diagonals(&mut self, step: usize) {
        let columns = self.nodes.columns;
        for row in (step..self.nodes.rows).step_by(2 * step) {
            let wanted = self.wanted[row].clone();
            let touched = self.touched(row, step, step);
            for column in touched.step_by(2 * step) {
                let at = row * columns + column;
                let mut error = if wanted.contains(&column) {
                    let [a, b] = Node { row, column }.diagonal(step);
                    self.off(at, self.nodes.number(a), self.nodes.number(b))
                } else {
                    0.0
                };
                for side in [
                    at - step,
                    at + step,
                    at - step * columns,
                    at + step * columns,
                ] {
                    error = error.max(self.errors[side]);
                }
                self.errors[at] = error;
            }
        }
    }

    /// How far a node is from the middle of two others.
    fn off(&self, at: usize, a: usize, b: usize) -> f32 {
        (self.levels[at] - 0.5 * (self.levels[a] + self.levels[b])).abs()
    }
}
