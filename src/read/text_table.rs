//! Tables of numbers as text: a global grid written out row by row, without a word about where its
//! cells lie. Line breaks mean nothing in them; only the order does.

use crate::model::error::{Error, Problem, Result};
use std::path::Path;

/// Longest table read; in text form a grid this large is some 8000 columns wide.
const MOST_BYTES: u64 = 1 << 29;

/// Numbers of a table that is twice as wide as high.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TextTable {
    pub columns: usize,
    pub rows: usize,
    pub cells: Vec<f64>,
}

/// Whether the beginning of a file is nothing but numbers, and not one place and its height per
/// line.
pub(super) fn is_table(head: &[u8]) -> bool {
    let allowed = |b: &u8| b.is_ascii_digit() || b.is_ascii_whitespace() || b"+-.eE,".contains(b);
    // The last line may be cut off.
    let end = head.iter().rposition(|&b| b == b'\n').unwrap_or(0);
    let head = &head[..end];
    if head.is_empty() || !head.iter().all(allowed) {
        return false;
    }
    let text = String::from_utf8_lossy(head);
    let mut lines = text.lines().filter(|line| !line.trim().is_empty());
    lines.all(|line| numbers(line).count() != 3 && numbers(line).all(|n| n.parse::<f64>().is_ok()))
}

fn numbers(line: &str) -> impl Iterator<Item = &str> {
    line.split(|c: char| c.is_ascii_whitespace() || c == ',')
        .filter(|word| !word.is_empty())
}

/// Reads a table.
///
/// # Errors
/// [`Error::Grid`] for a table too long, with a word in it, or of a shape that is not 2 to 1.
pub(super) fn read(path: &Path) -> Result<TextTable> {
    let bytes = std::fs::metadata(path)
        .map_err(|e| Error::io(path, "read", &e))?
        .len();
    if bytes > MOST_BYTES {
        return Err(Error::Grid(
            Problem::new("the table of numbers is too long")
                .found(format!("{} MB", bytes >> 20))
                .allowed(format!("{} MB", MOST_BYTES >> 20))
                .next("convert it to a 32-bit GeoTIFF first")
                .file(path),
        ));
    }
    let text = std::fs::read_to_string(path).map_err(|_| {
        Error::Grid(Problem::new("the table of numbers holds something else").file(path))
    })?;
    let mut cells = Vec::new();
    for (line, words) in text.lines().enumerate() {
        for word in numbers(words) {
            cells.push(word.parse::<f64>().map_err(|_| {
                Error::Grid(
                    Problem::new(format!(
                        "line {} of the table holds something that is not a number",
                        line + 1
                    ))
                    .found(format!("\"{word}\""))
                    .next("the file is damaged or not a table of heights")
                    .file(path),
                )
            })?);
        }
    }
    let rows = ((cells.len() as f64 / 2.0).sqrt().round()) as usize;
    if rows < 3 || 2 * rows * rows != cells.len() {
        return Err(Error::Grid(
            Problem::new("the table of numbers is not twice as wide as high")
                .found(format!("{} numbers", cells.len()))
                .allowed("2 × n × n numbers, such as 64800 for 360 columns and 180 rows")
                .next("the file is cut short, or convert it to a GeoTIFF first")
                .file(path),
        ));
    }
    Ok(TextTable {
        columns: 2 * rows,
        rows,
        cells,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_told_from_places_headers_and_words() {
        assert!(is_table(b"   -0.12    1.30\n    9.70   -1.00\n"));
        assert!(is_table(b"1,2,3,4\r\n5,6,7,8\r\n"));
        assert!(!is_table(b"0.5 89.5 -1200\n1.5 89.5 -1250\n"));
        assert!(!is_table(b"ncols 360\nnrows 180\n1 2 4 5\n"));
        assert!(!is_table(b"1-2 3e\n4 5\n"));
        assert!(!is_table(b"12"));
    }
}
