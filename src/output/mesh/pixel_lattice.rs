//! Right triangles on a grid: each is half a square, or a quarter of one. Pure arithmetic of whole
//! numbers; what lies on the grid is not known here.

/// A grid point; rows count down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Node {
    pub row: usize,
    pub column: usize,
}

/// A triangle: the two ends of its longest side, then its right angle, counter-clockwise seen from
/// above.
pub type Half = [Node; 3];

/// Grid points in squares whose sides are powers of two.
#[derive(Debug, Clone, Copy)]
pub struct Lattice {
    pub rows: usize,
    pub columns: usize,
    /// Side of the largest squares, grid steps.
    pub tile: usize,
}

impl Lattice {
    /// Number of a grid point, row by row.
    pub fn number(&self, at: Node) -> usize {
        at.row * self.columns + at.column
    }

    pub fn holds(&self, at: Node) -> bool {
        at.row < self.rows && at.column < self.columns
    }
}

impl Node {
    /// Ends of the diagonal through this centre of a square of 2 `step`.
    pub fn diagonal(self, step: usize) -> [Node; 2] {
        let Node { row, column } = self;
        let falling = (row / (2 * step) + column / (2 * step)).is_multiple_of(2);
        let at = |row, column| Node { row, column };
        if falling {
            [at(row - step, column - step), at(row + step, column + step)]
        } else {
            [at(row - step, column + step), at(row + step, column - step)]
        }
    }

    /// The right-angled corners of the two triangles at such a diagonal.
    pub fn right_angles(self, step: usize) -> [Node; 2] {
        let [a, b] = self.diagonal(step);
        let at = |row, column| Node { row, column };
        [at(a.row, b.column), at(b.row, a.column)]
    }
}

/// Grid point in the middle of a triangle's longest side.
pub fn middle([a, b, _]: Half) -> Node {
    Node {
        row: (a.row + b.row) / 2,
        column: (a.column + b.column) / 2,
    }
}

/// Whether a triangle is half a square of four neighbouring pixels: none lies between.
pub fn smallest([a, b, _]: Half) -> bool {
    a.row.abs_diff(b.row) == 1 && a.column.abs_diff(b.column) == 1
}

/// Whether three grid points run counter-clockwise seen from above.
pub fn left_turn([a, b, c]: Half) -> bool {
    let way = |from: Node, to: Node| {
        let down = to.row as i64 - from.row as i64;
        (to.column as i64 - from.column as i64, -down)
    };
    let ((x1, y1), (x2, y2)) = (way(a, b), way(a, c));
    x1 * y2 - y1 * x2 > 0
}

/// First and last column of a triangle in a row that it touches; corners are column and row. Sides
/// run along rows, along columns or halfway between, so they meet every row at a grid point.
pub fn columns_at(row: i64, corners: [(i64, i64); 3]) -> (i64, i64) {
    let (mut left, mut right) = (i64::MAX, i64::MIN);
    for i in 0..3 {
        let (from, to) = (corners[i], corners[(i + 1) % 3]);
        let (across, down) = (to.0 - from.0, to.1 - from.1);
        // Both ends of a side along a row belong to the other sides, too.
        if down != 0 && (row - from.1) * (row - to.1) <= 0 {
            let column = from.0 + (row - from.1) * across.signum() * down.signum();
            left = left.min(column);
            right = right.max(column);
        }
    }
    (left, right)
}
