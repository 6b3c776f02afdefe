//! Whether every cell of a virtual raster comes from a source. Where none lies, GDAL takes the
//! number that the band declares for "no data", and zero if it declares none; and a number that
//! only a source declares arrives as a height.

use super::truncation::long_enough;
use crate::model::error::{Error, Problem, Result};
use roxmltree::{Document, Node, NodeId};
use std::collections::HashMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// What the file behind a `SourceFilename` was found to be.
#[derive(Debug, Default)]
pub(super) struct Found {
    pub path: PathBuf,
    pub columns: f64,
    pub rows: f64,
    /// The number that stands for "no data" in the band that is used.
    pub no_data: Option<f64>,
}

/// Most looks at a source; beside or above one another they take a thousandth of that.
const MOST_LOOKS: usize = 100_000_000;

/// Refuses a virtual raster with cells that no source and no declared number stands for, and one
/// whose raw file is too short. `found`: the sources, by their `SourceFilename`.
pub(super) fn check(
    document: &Document<'_>,
    found: &HashMap<NodeId, Found>,
    file: &Path,
) -> Result<()> {
    let root = document.root_element();
    let size = |name| root.attribute(name)?.parse::<u32>().ok();
    let (Some(columns), Some(rows)) = (size("rasterXSize"), size("rasterYSize")) else {
        return Err(refused(
            file,
            "the virtual raster does not say how large it is",
            String::new(),
        ));
    };
    for band in children(root, "VRTRasterBand") {
        if band.attribute("subClass") == Some("VRTRawRasterBand") {
            raw_is_long_enough(band, found, (columns, rows), file)?;
            continue;
        }
        let declared = declared(band);
        let mut covered = Vec::new();
        for source in band.children().filter(Node::is_element) {
            let name = children(source, "SourceFilename").next();
            let Some(known) = name.and_then(|name| found.get(&name.id())) else {
                continue;
            };
            let passed_over = number(source, "NODATA");
            let masked = children(source, "UseMaskBand").next().is_some();
            if let Some(lost) = known.no_data
                && !same(passed_over, lost)
                && !same(declared, lost)
                && !masked
            {
                let what = "a source of the virtual raster has a number for \"no data\" that the \
                            virtual raster does not know";
                let name = known.path.file_name().unwrap_or_default().display();
                let found = format!("{lost} in \"{name}\"");
                return Err(refused(file, what, found));
            }
            let whole = passed_over.is_none() && !masked;
            if whole && let Some(place) = place(source, known, (columns, rows)) {
                covered.push(place);
            }
        }
        if declared.is_some() {
            continue;
        }
        if let Some((column, row)) = first_uncovered(covered, (columns, rows), file)? {
            let what =
                "the virtual raster has no source for some cells, nor a number for \"no data\"";
            let found = format!("none for column {}, row {}", column + 1, row + 1);
            return Err(refused(file, what, found));
        }
    }
    Ok(())
}

fn refused(file: &Path, what: &str, found: String) -> Error {
    let problem = match found.is_empty() {
        true => Problem::new(what),
        false => Problem::new(what).found(found),
    };
    Error::Grid(
        problem
            .allowed("sources all over, or <NoDataValue> in its band, the same as in its sources")
            .next("make it again with gdalbuildvrt, from all the files")
            .file(file),
    )
}

fn children<'a, 'b: 'a>(
    node: Node<'a, 'b>,
    name: &'static str,
) -> impl Iterator<Item = Node<'a, 'b>> {
    node.children()
        .filter(move |child| child.has_tag_name(name))
}

fn number(node: Node<'_, '_>, name: &'static str) -> Option<f64> {
    children(node, name).next()?.text()?.trim().parse().ok()
}

fn same(one: Option<f64>, other: f64) -> bool {
    one.is_some_and(|one| one == other || (one.is_nan() && other.is_nan()))
}

/// The number that a band declares for cells without data, unless it hides it.
fn declared(band: Node<'_, '_>) -> Option<f64> {
    let hidden = children(band, "HideNoDataValue").next();
    let shown = hidden.is_none_or(|hidden| hidden.text().is_some_and(|text| text.trim() == "0"));
    number(band, "NoDataValue").filter(|_| shown)
}

/// Cells by which rectangles may miss the edge of a cell without touching the next.
const ROUNDING: f64 = 1e-3;

/// Columns and rows.
type Place = (Range<u32>, Range<u32>);

/// The cells that a source fills: as GDAL has it all that its rectangle touches, less what this
/// takes from beyond the source's edges.
fn place(source: Node<'_, '_>, known: &Found, (columns, rows): (u32, u32)) -> Option<Place> {
    let rectangle = |name| {
        let node = children(source, name).next()?;
        let side = |side| node.attribute(side)?.trim().parse::<f64>().ok();
        Some([side("xOff")?, side("yOff")?, side("xSize")?, side("ySize")?])
    };
    let given = ["SrcRect", "DstRect"].map(|name| children(source, name).next().is_some());
    let (from, to) = match given {
        [false, false] => return Some((0..columns, 0..rows)),
        // One without the other gives nothing.
        _ => (rectangle("SrcRect")?, rectangle("DstRect")?),
    };
    let along = |axis: usize, held: f64, cells: u32| {
        let (start, length) = (from[axis], from[axis + 2]);
        let scale = to[axis + 2] / length;
        let begin = to[axis] + (start.max(0.0) - start) * scale;
        let end = to[axis] + ((start + length).min(held) - start) * scale;
        let cell = |edge: f64| edge.clamp(0.0, cells.into()) as u32;
        // Nothing, if any of these is no number.
        (begin < end).then(|| cell(begin + ROUNDING)..cell((end - ROUNDING).ceil()))
    };
    Some((
        along(0, known.columns, columns)?,
        along(1, known.rows, rows)?,
    ))
}

/// The first cell, by rows, that lies in none of the places.
fn first_uncovered(
    mut places: Vec<Place>,
    (columns, rows): (u32, u32),
    file: &Path,
) -> Result<Option<(u32, u32)>> {
    places.sort_unstable_by_key(|(across, down)| (down.start, across.start));
    let mut edges: Vec<u32> = places
        .iter()
        .flat_map(|(_, down)| [down.start, down.end])
        .collect();
    edges.extend([0, rows]);
    edges.sort_unstable();
    edges.dedup();
    let mut coming = places.into_iter().peekable();
    let (mut here, mut looks) = (Vec::<Place>::new(), 0usize);
    // Between two edges all rows are alike.
    for &row in edges.iter().filter(|&&row| row < rows) {
        here.retain(|(_, down)| down.end > row);
        while let Some(place) = coming.next_if(|(_, down)| down.start <= row) {
            here.push(place);
        }
        here.sort_unstable_by_key(|(across, _)| across.start);
        looks += here.len();
        if looks > MOST_LOOKS {
            let what = "the sources of the virtual raster overlap too much to be followed";
            return Err(refused(file, what, String::new()));
        }
        let mut reached = 0;
        for (across, _) in &here {
            if across.start > reached {
                break;
            }
            reached = reached.max(across.end);
        }
        if reached < columns {
            return Ok(Some((reached, row)));
        }
    }
    Ok(None)
}

/// Of a raw file GDAL takes what is missing for zeros.
fn raw_is_long_enough(
    band: Node<'_, '_>,
    found: &HashMap<NodeId, Found>,
    (columns, rows): (u32, u32),
    file: &Path,
) -> Result<()> {
    let name = children(band, "SourceFilename").next();
    let known = name.and_then(|name| found.get(&name.id()));
    let cell = match band.attribute("dataType").unwrap_or("Byte") {
        "Byte" | "Int8" => 1.0,
        "Int16" | "UInt16" => 2.0,
        "Int32" | "UInt32" | "Float32" => 4.0,
        _ => 8.0,
    };
    let Some(known) = known else {
        return Err(refused(
            file,
            "a raw band of the virtual raster names no file",
            String::new(),
        ));
    };
    // All of them far below 2^53, or refused.
    let step = number(band, "PixelOffset").unwrap_or(cell);
    let line = number(band, "LineOffset").unwrap_or(step * f64::from(columns));
    let start = number(band, "ImageOffset").unwrap_or(0.0);
    let last = |step: f64, cells: u32| step * f64::from(cells.saturating_sub(1));
    let (across, down) = (last(step, columns), last(line, rows));
    let lowest = start + across.min(0.0) + down.min(0.0);
    let end = start + across.max(0.0) + down.max(0.0) + cell;
    if !(lowest >= 0.0 && end <= 1e15) {
        let what = "a raw band of the virtual raster begins before its file";
        return Err(refused(file, what, format!("byte {lowest}")));
    }
    long_enough(&known.path, end as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every cell by itself.
    fn first_uncovered_reference(places: &[Place], columns: u32, rows: u32) -> Option<(u32, u32)> {
        let lies_in = |column: &u32, row: &u32| {
            let mut all = places.iter();
            all.any(|(across, down)| across.contains(column) && down.contains(row))
        };
        let mut cells = (0..rows).flat_map(|row| (0..columns).map(move |column| (column, row)));
        cells.find(|(column, row)| !lies_in(column, row))
    }

    proptest! {
        #[test]
        fn the_first_uncovered_cell_is_the_one_found_cell_by_cell(
            ends in proptest::collection::vec((0u32..7, 1u32..8, 0u32..5, 1u32..6), 0..12),
        ) {
            let places: Vec<Place> = ends.iter().map(|&(x, w, y, h)| {
                (x..(x + w).min(7), y..(y + h).min(5))
            }).collect();
            let expected = first_uncovered_reference(&places, 7, 5);
            let found = first_uncovered(places, (7, 5), Path::new("a.vrt")).unwrap();
            prop_assert_eq!(found, expected);
        }
    }

    #[test]
    fn sources_that_overlap_without_end_are_refused() {
        let places: Vec<Place> = (0..40_000).map(|i| (0..7, i..40_000 + i)).collect();
        assert!(first_uncovered(places, (7, 100_000), Path::new("a.vrt")).is_err());
    }

    const HALF: &str = "xOff=\"4\" yOff=\"0\" xSize=\"4\" ySize=\"2\"";

    /// What a source of 4 × 2 cells fills of 8 × 2.
    fn filled(rectangles: &str) -> Option<Place> {
        let text = format!("<SimpleSource>{rectangles}</SimpleSource>");
        let document = Document::parse(&text).unwrap();
        let known = Found {
            columns: 4.0,
            rows: 2.0,
            ..Found::default()
        };
        place(document.root_element(), &known, (8, 2))
    }

    #[test]
    fn a_source_fills_its_rectangle_less_what_lies_beyond_its_edges() {
        let to = |rest: &str| filled(&format!("<SrcRect {rest}/><DstRect {HALF}/>"));
        let across = |x: &str, width: &str| {
            to(&format!(
                "xOff=\"{x}\" yOff=\"0\" xSize=\"{width}\" ySize=\"2\""
            ))
        };
        assert_eq!(filled(""), Some((0..8, 0..2)));
        for (x, width, columns) in [
            ("0", "4", Some(4..8)),
            // The right half of the source and as much beyond it.
            ("2", "4", Some(4..6)),
            // Edges between cells, as tiles of other cells have them.
            ("0.5", "1", Some(4..8)),
            ("-0.3", "4", Some(4..8)),
            ("NaN", "4", None),
            ("9", "4", None),
        ] {
            let place = columns.map(|columns| (columns, 0..2));
            assert_eq!(across(x, width), place, "{x} {width}");
        }
        assert_eq!(to("xOff=\"0\""), None);
        assert_eq!(filled(&format!("<DstRect {HALF}/>")), None);
    }
}
