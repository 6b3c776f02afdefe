//! DXF read back by GDAL's tools, which share nothing with the writer. In a process of their own:
//! drawings are not among what GDAL may read in this one.

use std::path::Path;
use std::process::Command;

/// Layer, width and height of everything in a drawing.
pub fn shapes(path: &Path) -> Vec<(String, f64, f64)> {
    let output = Command::new("ogr2ogr")
        .args(["-f", "GeoJSONSeq", "-dim", "XY", "/vsistdout/"])
        .arg(path)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let shapes = text.lines().map(|line| {
        let shape: serde_json::Value = serde_json::from_str(line).unwrap();
        let points = shape["geometry"]["coordinates"].to_string();
        let numbers: Vec<f64> = points
            .split(['[', ']', ','])
            .filter_map(|number| number.parse().ok())
            .collect();
        let span = |axis: usize| {
            let along = numbers.iter().skip(axis).step_by(2);
            let (lo, hi) = along.fold((f64::MAX, f64::MIN), |(lo, hi), n| (n.min(lo), n.max(hi)));
            hi - lo
        };
        let layer = shape["properties"]["Layer"].as_str().unwrap();
        (layer.to_owned(), span(0), span(1))
    });
    shapes.collect()
}
