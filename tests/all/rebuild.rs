//! A reader that knows the manifest's page and nothing of the code: it takes `globe.json`, one
//! image and the source grid, and works the heights out again in double precision, slowly.

use crate::support::{carve, png_levels, smooth_job};
use gdal::Dataset;
use serde_json::Value;
use std::path::Path;

type Vec3 = [f64; 3];

fn scaled(a: Vec3, k: f64) -> Vec3 {
    a.map(|v| v * k)
}

fn sum(a: Vec3, b: Vec3) -> Vec3 {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

fn length(a: Vec3) -> f64 {
    a.iter().map(|v| v * v).sum::<f64>().sqrt()
}

fn number(value: &Value, path: &str) -> f64 {
    let found = value.pointer(path).and_then(Value::as_f64);
    found.unwrap_or_else(|| panic!("globe.json has no number at {path}"))
}

fn numbers(value: &Value, path: &str) -> Vec<f64> {
    let list = value.pointer(path).and_then(Value::as_array).unwrap();
    list.iter().map(|v| v.as_f64().unwrap()).collect()
}

/// The source grid, read whole.
struct Ground {
    heights_m: Vec<f64>,
    columns: usize,
    rows: usize,
    west_deg: f64,
    knots_m: Vec<f64>,
    knots_mm: Vec<f64>,
}

impl Ground {
    fn read(grid: &Path, globe: &Value, sphere_m: f64) -> Ground {
        let file = Dataset::open(grid).unwrap();
        let (columns, rows) = file.raster_size();
        let band = file.rasterband(1).unwrap();
        let cells = band.read_as::<f64>((0, 0), (columns, rows), (columns, rows), None);
        Ground {
            heights_m: cells.unwrap().data().iter().map(|m| m - sphere_m).collect(),
            columns,
            rows,
            west_deg: number(globe, "/source/west_deg"),
            knots_m: numbers(globe, "/curve/knots_m"),
            knots_mm: numbers(globe, "/curve/knots_mm"),
        }
    }

    /// A cell by row and column of any size: round the globe, and across a pole to the other side.
    fn cell(&self, row: i64, column: i64) -> f64 {
        let (rows, columns) = (self.rows as i64, self.columns as i64);
        let (row, column) = match row {
            r if r < 0 => (-1 - r, column + columns / 2),
            r if r >= rows => (2 * rows - 1 - r, column + columns / 2),
            r => (r, column),
        };
        self.heights_m[(row * columns + column.rem_euclid(columns)) as usize]
    }

    /// Height in a direction, metres: the cubic through the 4 × 4 cells around
    /// (Keys 1981, IEEE Trans. ASSP 29, eq. 15).
    fn height_m(&self, towards: Vec3) -> f64 {
        let lat = (towards[2] / length(towards)).asin().to_degrees();
        let lon = towards[1].atan2(towards[0]).to_degrees();
        let y = (90.0 - lat) * self.rows as f64 / 180.0 - 0.5;
        let x = (lon - self.west_deg).rem_euclid(360.0) * self.columns as f64 / 360.0 - 0.5;
        let keys = |distance: f64| {
            let d = distance.abs();
            match d {
                d if d < 1.0 => 1.5 * d.powi(3) - 2.5 * d.powi(2) + 1.0,
                d if d < 2.0 => -0.5 * d.powi(3) + 2.5 * d.powi(2) - 4.0 * d + 2.0,
                _ => 0.0,
            }
        };
        let (row, column) = (y.floor() as i64, x.floor() as i64);
        let mut height = 0.0;
        for i in row - 1..=row + 2 {
            for j in column - 1..=column + 2 {
                height += self.cell(i, j) * keys(y - i as f64) * keys(x - j as f64);
            }
        }
        height
    }

    /// Relief in a direction, mm about the datum: linear between the curve's knots.
    fn relief_mm(&self, towards: Vec3) -> f64 {
        let m = self.height_m(towards);
        let after = self.knots_m.partition_point(|&knot| knot < m);
        let after = after.clamp(1, self.knots_m.len() - 1);
        let (m0, m1) = (self.knots_m[after - 1], self.knots_m[after]);
        let (mm0, mm1) = (self.knots_mm[after - 1], self.knots_mm[after]);
        (mm0 + (mm1 - mm0) * (m - m0) / (m1 - m0)).clamp(self.knots_mm[0], mm1.max(mm0))
    }
}

/// How far above the surface the point (x, y, z) lies, mm along the line from the centre; z from
/// the globe's centre.
fn above_mm(globe: &Value, facet: &Value, ground: &Ground, local: Vec3) -> f64 {
    let axis = |name: &str| {
        let list = numbers(facet, &format!("/frame/{name}"));
        [list[0], list[1], list[2]]
    };
    let towards = sum(
        sum(scaled(axis("x"), local[0]), scaled(axis("y"), local[1])),
        scaled(axis("z"), local[2]),
    );
    let distance = length(local);
    let base = match globe.pointer("/globe/base").and_then(Value::as_str) {
        Some("sphere") => number(globe, "/globe/radius_mm"),
        _ => number(facet, "/base_distance_mm") * distance / local[2],
    };
    distance - base - ground.relief_mm(towards)
}

/// Height of the surface above the back of the blank at (x, y), mm.
fn rebuilt_mm(globe: &Value, facet: &Value, ground: &Ground, x: f64, y: f64) -> f64 {
    let back = number(facet, "/back_plane_mm");
    let face = number(facet, "/base_distance_mm");
    if globe.pointer("/globe/projection").and_then(Value::as_str) == Some("gnomonic") {
        // û is proportional to (x, y, d); relief stands straight up from the face.
        let flat = above_mm(globe, facet, ground, [x, y, face]);
        return face - flat - back;
    }
    // Down from the top of the stock in small steps to the first ground, then halving.
    let above = |z: f64| above_mm(globe, facet, ground, [x, y, z]);
    let step = 0.05;
    let mut high = number(globe, "/image/white_mm") + back;
    while above(high - step) > 0.0 {
        high -= step;
    }
    let mut low = high - step;
    for _ in 0..40 {
        let middle = 0.5 * (high + low);
        if above(middle) > 0.0 {
            high = middle;
        } else {
            low = middle;
        }
    }
    high - back
}

/// Largest difference between an image and its heights worked out again, mm, over every pixel of
/// every 19th row and 23rd column that shows ground; and how many were compared.
fn worst_mm(folder: &Path, id: usize) -> (f64, usize) {
    let differences = differences_mm(folder, id, 0.0);
    let worst = differences.iter().copied().fold(0.0, f64::max);
    (worst, differences.len())
}

/// The differences themselves. `sphere_m` is the radius to take off the grid's numbers.
pub fn differences_mm(folder: &Path, id: usize, sphere_m: f64) -> Vec<f64> {
    let out = folder.join("out");
    let text = std::fs::read_to_string(out.join("globe.json")).unwrap();
    let globe: Value = serde_json::from_str(&text).unwrap();
    let ground = Ground::read(&folder.join("smooth.tif"), &globe, sphere_m);
    let facet = globe.pointer(&format!("/facets/{}", id - 1)).unwrap();
    let file = facet.pointer("/file").and_then(Value::as_str).unwrap();
    let (levels, width) = png_levels(&out.join(file));
    let height = levels.len() / width;
    let pixel = number(&globe, "/image/pixel_mm");
    let black = number(&globe, "/image/black_mm");
    let white = number(&globe, "/image/white_mm");

    let mut differences = Vec::new();
    for row in (3..height).step_by(19) {
        for column in (5..width).step_by(23) {
            let level = levels[row * width + column];
            // Black is the floor outside the outline.
            if level == 0 {
                continue;
            }
            let x = (column as f64 + 0.5 - width as f64 / 2.0) * pixel;
            let y = (height as f64 / 2.0 - row as f64 - 0.5) * pixel;
            let carved = black + (white - black) * f64::from(level) / 65535.0;
            differences.push((carved - rebuilt_mm(&globe, facet, &ground, x, y)).abs());
        }
    }
    differences
}

#[test]
fn heights_can_be_worked_out_again_from_the_manifest_alone() {
    let folder = smooth_job(
        720,
        "[globe]\nsolid = \"rhombic-dodecahedron\"\ndiameter = \"120 mm\"\n\
         [globe.turn]\nlat = 37\nlon = -71\nspin = 15\n[relief]\nmethod = \"curve\"\nsteepest = 90\nrange = \"4 mm\"\n\
         [stock]\nthickness = \"60 mm\"\nedge = \"3 mm\"\n[image]\npixel = \"0.15 mm\"\n",
    );
    // Facet 1 by the turn, 4 and 12 hold or border a pole and the date line.
    for (base, projection) in [
        ("sphere", "radial"),
        ("flat", "radial"),
        ("flat", "gnomonic"),
    ] {
        let set = [
            format!("globe.base={base}"),
            format!("globe.projection={projection}"),
        ];
        carve(
            &folder,
            Some(&[1, 4, 12]),
            &set.each_ref().map(String::as_str),
        )
        .unwrap();
        for index in 1..=3 {
            let (worst, seen) = worst_mm(folder.path(), index);
            assert!(seen > 200, "{base} {projection}: {seen} pixels only");
            // A fifth of the hundredth promised; the images' own steps are 0.001 mm.
            assert!(
                worst < 0.002,
                "{base} {projection} entry {index}: {worst} mm"
            );
        }
    }
}
