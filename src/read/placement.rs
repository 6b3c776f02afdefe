//! Where a raster's cells lie on the sphere.
//!
//! ```text
//!   pixel                       gridline
//!   90 N ┌───┬───┬               90 N ●───●───●     first row IS the pole
//!        │ ● │ ● │                    │   │   │
//!        ├───┼───┼                    ●───●───●
//!        west edge                    west sample
//! ```
//!
//! Files say this with an origin and a step. Printed steps are often rounded, so everything is
//! derived from counts: a grid that goes once round has 360/n degrees per column, whatever the
//! file prints.

use crate::model::error::{Error, Problem, Result};
use crate::model::grid::{Layout, Registration};

/// A file's own words, in degrees: outer corner of the first cell and signed steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Extent {
    pub columns: usize,
    pub rows: usize,
    /// Longitude of the outer edge of column 0.
    pub west_deg: f64,
    /// Latitude of the outer edge of row 0 (of the south edge for south-first files).
    pub first_lat_deg: f64,
    /// Step between columns, positive eastwards.
    pub lon_step_deg: f64,
    /// Step between rows, negative southwards.
    pub lat_step_deg: f64,
}

/// Where the cells of a global grid lie; rows are counted from the north, whatever the file does.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Placement {
    /// Columns once round, a repeated last column not counted.
    pub columns: usize,
    pub rows: usize,
    /// Longitude of the centre of column 0, degrees east, 0..360.
    pub west_deg: f64,
    pub registration: Registration,
    /// The file's first row is the southernmost.
    pub south_first: bool,
    /// Columns at the end of each row that repeat the first ones.
    pub repeated_columns: usize,
    /// Rows are evenly spaced in latitudes that are not planetocentric:
    /// `tan(centric) = axis_ratio_squared · tan(row's latitude)`; 1 when they are.
    pub axis_ratio_squared: f64,
    /// What was noticed, for people.
    pub notes: Vec<String>,
}

/// A grid counts as global when no edge misses its place by more than this share of a cell.
///
/// Rounded axes and label offsets stay well below it; a missing row or column is 1, a shift
/// between cell and gridline registration 0.5.
const EDGE_TOLERANCE_CELLS: f64 = 0.26;

/// A western edge this close (in cells) to a whole number of half cells is taken to lie there.
const SNAP_CELLS: f64 = 2e-3;

impl Placement {
    /// A grid that covers the globe exactly, with its western edge (pixel) or first sample
    /// (gridline) at `west_deg`.
    pub fn global(columns: usize, rows: usize, west_deg: f64, registration: Registration) -> Self {
        let centre = match registration {
            Registration::Pixel => west_deg + 180.0 / columns as f64,
            Registration::Gridline => west_deg,
        };
        Placement {
            columns,
            rows,
            west_deg: centre.rem_euclid(360.0),
            registration,
            south_first: false,
            repeated_columns: 0,
            axis_ratio_squared: 1.0,
            notes: Vec::new(),
        }
    }

    /// Where the cells' centres lie, in latitudes as the file counts.
    pub fn layout(&self) -> Layout {
        Layout {
            rows: self.rows,
            columns: self.columns,
            west_deg: self.west_deg,
            registration: self.registration,
        }
    }

    /// Step between columns, degrees.
    pub fn step_lon_deg(&self) -> f64 {
        self.layout().step_lon_deg()
    }

    /// Step between rows, degrees.
    pub fn step_lat_deg(&self) -> f64 {
        self.layout().step_lat_deg()
    }

    /// Longitude of a column's centre, degrees east, 0..360.
    pub fn lon_deg(&self, column: usize) -> f64 {
        let lon = self.layout().lon_deg(column);
        if lon >= 360.0 { 0.0 } else { lon }
    }

    /// Planetocentric latitude of a row's centre, degrees north.
    pub fn lat_deg(&self, row: usize) -> f64 {
        self.centric_deg(self.own_lat_deg(row))
    }

    /// Planetocentric latitude for one of the rows' own kind.
    ///
    /// `tan φ' = (c/a)²·tan φ` (Snyder, USGS Professional Paper 1395, eq. 3-28).
    pub fn centric_deg(&self, lat_deg: f64) -> f64 {
        if self.axis_ratio_squared == 1.0 || lat_deg.abs() >= 90.0 {
            return lat_deg;
        }
        (self.axis_ratio_squared * lat_deg.to_radians().tan())
            .atan()
            .to_degrees()
    }

    /// The rows' own kind of latitude for a planetocentric one.
    pub fn own_deg(&self, centric_deg: f64) -> f64 {
        if self.axis_ratio_squared == 1.0 || centric_deg.abs() >= 90.0 {
            return centric_deg;
        }
        (centric_deg.to_radians().tan() / self.axis_ratio_squared)
            .atan()
            .to_degrees()
    }

    /// Latitude of a row's centre as the file counts, degrees north.
    pub fn own_lat_deg(&self, row: usize) -> f64 {
        self.layout().lat_deg(row)
    }

    /// Planetocentric latitude of the northern edge of a row's cells; of the south pole for `row == rows`.
    ///
    /// Gridline samples stand for cells centred on them, halved at the poles.
    pub fn edge_deg(&self, row: usize) -> f64 {
        if row == 0 {
            return 90.0;
        }
        if row >= self.rows {
            return -90.0;
        }
        self.centric_deg(self.own_lat_deg(row) + 0.5 * self.step_lat_deg())
    }

    /// Share of the sphere that one cell of the row covers; all cells together make 1.
    pub fn cell_share(&self, row: usize) -> f64 {
        let north = self.edge_deg(row).to_radians().sin();
        let south = self.edge_deg(row + 1).to_radians().sin();
        0.5 * (north - south) / self.columns as f64
    }
}

/// Decides how a file's extent lies on the globe, or says what part of the globe is missing.
pub(super) fn place(extent: &Extent) -> Result<Placement> {
    check_steps(extent)?;
    let mut notes = Vec::new();
    let (columns, repeated_columns) = columns_once_round(extent)?;
    let (registration, south_first) = rows_between_poles(extent)?;
    if repeated_columns > 0 {
        notes.push(format!(
            "the last {} the first (longitude {} to {}) and {} left out",
            if repeated_columns == 1 {
                "column repeats".to_owned()
            } else {
                format!("{repeated_columns} columns repeat")
            },
            thousandths(extent.west_deg + 0.5 * extent.lon_step_deg),
            thousandths(extent.west_deg + (extent.columns as f64 - 0.5) * extent.lon_step_deg),
            if repeated_columns == 1 { "is" } else { "are" },
        ));
    }
    if south_first {
        notes.push("rows are stored south first; turned round".to_owned());
    }
    let step = 360.0 / columns as f64;
    if (extent.lon_step_deg / step - 1.0).abs() > 1e-9 {
        let drift_cells = (extent.lon_step_deg - step).abs() * columns as f64 / step;
        if drift_cells > 0.01 {
            notes.push(format!(
                "the file prints a column step of {}°, but {columns} columns round the globe \
                 make {}°; the latter is used",
                degrees(extent.lon_step_deg),
                degrees(step),
            ));
        }
    }
    // The first centre comes from the file's own step: that is where rounded axes are exact.
    let centre = extent.west_deg + 0.5 * extent.lon_step_deg;
    Ok(Placement {
        columns,
        rows: extent.rows,
        west_deg: snapped(centre, 0.5 * step).rem_euclid(360.0),
        registration,
        south_first,
        repeated_columns,
        axis_ratio_squared: 1.0,
        notes,
    })
}

fn check_steps(extent: &Extent) -> Result<()> {
    let Extent {
        columns,
        rows,
        lon_step_deg,
        lat_step_deg,
        ..
    } = *extent;
    if columns < 4 || rows < 3 {
        return Err(Error::Grid(
            Problem::new("the grid is too small to be a globe")
                .found(format!("{columns} × {rows} cells"))
                .allowed("at least 4 columns and 3 rows"),
        ));
    }
    let usable = |v: f64| v.is_finite() && v != 0.0;
    if !usable(lon_step_deg) || lon_step_deg < 0.0 || !usable(lat_step_deg) {
        return Err(Error::Grid(
            Problem::new("the cell size in the file makes no sense")
                .found(format!("{lon_step_deg}° by {lat_step_deg}°"))
                .allowed("a positive step eastwards and a step other than 0 northwards"),
        ));
    }
    Ok(())
}

/// Number of different columns and how many repeat, from the file's step.
fn columns_once_round(extent: &Extent) -> Result<(usize, usize)> {
    let found_deg = extent.columns as f64 * extent.lon_step_deg;
    let spare = (found_deg - 360.0) / extent.lon_step_deg;
    for repeated in 0..=2 {
        if (spare - repeated as f64).abs() <= EDGE_TOLERANCE_CELLS {
            return Ok((extent.columns - repeated, repeated));
        }
    }
    let west = extent.west_deg;
    if found_deg < 360.0 {
        let from = thousandths(west + found_deg);
        let to = thousandths(west + 360.0);
        return Err(not_global(
            format!(
                "longitudes {} to {}",
                thousandths(west),
                thousandths(west + found_deg)
            ),
            format!(
                "{}° of longitude missing, {from} to {to}",
                thousandths(360.0 - found_deg)
            ),
        ));
    }
    Err(Error::Grid(
        Problem::new("the grid goes more than once round the globe")
            .found(format!("{}° of longitude", degrees(found_deg)))
            .allowed("360°")
            .next("check the cell size written in the file"),
    ))
}

/// Registration of the rows and whether the file starts in the south.
fn rows_between_poles(extent: &Extent) -> Result<(Registration, bool)> {
    let south_first = extent.lat_step_deg > 0.0;
    let step = extent.lat_step_deg.abs();
    let last = extent.first_lat_deg + extent.rows as f64 * extent.lat_step_deg;
    let (south, north) = if south_first {
        (extent.first_lat_deg, last)
    } else {
        (last, extent.first_lat_deg)
    };
    let near = |value: f64, wanted: f64| (value - wanted).abs() <= EDGE_TOLERANCE_CELLS * step;
    if near(north, 90.0) && near(south, -90.0) {
        return Ok((Registration::Pixel, south_first));
    }
    if near(north, 90.0 + 0.5 * step) && near(south, -90.0 - 0.5 * step) {
        return Ok((Registration::Gridline, south_first));
    }
    if north > 90.0 + step || south < -90.0 - step {
        return Err(Error::Grid(
            Problem::new("the grid reaches past a pole")
                .found(format!(
                    "latitudes {} to {}",
                    degrees(south),
                    degrees(north)
                ))
                .allowed("-90 to 90")
                .next("check the origin and the cell size written in the file"),
        ));
    }
    let mut missing = Vec::new();
    if north < 90.0 - EDGE_TOLERANCE_CELLS * step {
        missing.push(format!("{} to 90", thousandths(north)));
    }
    if south > -90.0 + EDGE_TOLERANCE_CELLS * step {
        missing.push(format!("-90 to {}", thousandths(south)));
    }
    if missing.is_empty() {
        return Err(Error::Grid(
            Problem::new("the rows do not fit between the poles")
                .found(format!(
                    "{} rows of {}° from {} to {}",
                    extent.rows,
                    degrees(step),
                    degrees(north),
                    degrees(south)
                ))
                .allowed("cell edges or cell centres at both poles")
                .next("check the origin and the cell size written in the file"),
        ));
    }
    Err(not_global(
        format!("latitudes {} to {}", thousandths(south), thousandths(north)),
        format!("latitudes {} missing", missing.join(" and ")),
    ))
}

fn not_global(found: String, missing: String) -> Error {
    Error::Grid(
        Problem::new("the grid does not cover the whole globe")
            .found(format!("{found} ({missing})"))
            .allowed("all longitudes and latitudes from pole to pole")
            .next("use a global grid, or list all the tiles that make one"),
    )
}

/// `value` at the nearest multiple of `unit` when it is next to one.
fn snapped(value: f64, unit: f64) -> f64 {
    let count = (value / unit).round();
    if (value / unit - count).abs() <= SNAP_CELLS {
        count * unit
    } else {
        value
    }
}

/// Degrees with at most three decimals.
pub(super) fn thousandths(value: f64) -> String {
    degrees((value * 1000.0).round() / 1000.0)
}

/// Degrees with at most six decimals and no trailing zeros.
pub(super) fn degrees(value: f64) -> String {
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0" } else { text }.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn extent(columns: usize, rows: usize, west: f64, first: f64, dx: f64, dy: f64) -> Extent {
        Extent {
            columns,
            rows,
            west_deg: west,
            first_lat_deg: first,
            lon_step_deg: dx,
            lat_step_deg: dy,
        }
    }

    #[test]
    fn cells_from_any_longitude_keep_their_start() {
        for (west, first_centre) in [(-180.0, 180.5), (0.0, 0.5), (150.0, 150.5)] {
            let p = place(&extent(360, 180, west, 90.0, 1.0, -1.0)).unwrap();
            assert_eq!((p.columns, p.rows), (360, 180));
            assert_eq!(p.registration, Registration::Pixel);
            assert_abs_diff_eq!(p.west_deg, first_centre, epsilon = 1e-12);
            assert!(!p.south_first && p.notes.is_empty());
        }
    }

    #[test]
    fn an_axis_printed_with_a_rounded_step_closes_exactly() {
        // Source: etopo5.cdf of the Debian package ferret-datasets, as GDAL 3.6 prints it.
        let e = extent(
            4320,
            2161,
            -0.041_667_052_558_463,
            90.041_666_666_666_67,
            0.083334105116925,
            -0.083333333333333,
        );
        let p = place(&e).unwrap();
        assert_eq!((p.columns, p.repeated_columns), (4320, 0));
        assert_eq!(p.registration, Registration::Gridline);
        assert_abs_diff_eq!(p.west_deg, 0.0, epsilon = 1e-12);
        assert_abs_diff_eq!(p.lon_deg(1708), 142.0 + 1.0 / 3.0, epsilon = 1e-9);
        assert_eq!((p.lat_deg(0), p.lat_deg(2160)), (90.0, -90.0));
        assert_eq!(
            p.notes,
            [
                "the file prints a column step of 0.083334°, but 4320 columns round the globe make \
              0.083333°; the latter is used"
            ]
        );
    }

    #[test]
    fn a_repeated_last_column_is_left_out() {
        // Source: etopo20.cdf of the Debian package ferret-datasets, as GDAL 3.6 prints it.
        let e = extent(
            1081,
            540,
            20.00000005,
            89.99998204999999,
            0.3333333,
            -0.3333333,
        );
        let p = place(&e).unwrap();
        assert_eq!((p.columns, p.repeated_columns), (1080, 1));
        assert_eq!(p.registration, Registration::Pixel);
        assert_abs_diff_eq!(p.west_deg, 20.0 + 1.0 / 6.0, epsilon = 1e-9);
        assert_eq!(
            p.notes,
            [
                "the last column repeats the first (longitude 20.167 to 380.167) and is left \
              out"
            ]
        );
    }

    #[test]
    fn a_gridline_grid_with_both_ends_counts_each_meridian_once() {
        // Source: GEBCO One Minute Grid layout, 21601 x 10801, gridline-registered.
        let d = 1.0 / 60.0;
        let e = extent(21601, 10801, -180.0 - d / 2.0, 90.0 + d / 2.0, d, -d);
        let p = place(&e).unwrap();
        assert_eq!((p.columns, p.repeated_columns), (21600, 1));
        assert_eq!(p.registration, Registration::Gridline);
        assert_abs_diff_eq!(p.west_deg, 180.0, epsilon = 1e-9);
    }

    #[test]
    fn south_first_rows_are_noticed() {
        let p = place(&extent(36, 18, 0.0, -90.0, 10.0, 10.0)).unwrap();
        assert!(p.south_first);
        assert_eq!(p.notes, ["rows are stored south first; turned round"]);
    }

    #[test]
    fn cell_shares_make_one_sphere() {
        for registration in [Registration::Pixel, Registration::Gridline] {
            let p = Placement::global(36, 19, 0.0, registration);
            let total: f64 = (0..19).map(|r| p.cell_share(r) * 36.0).sum();
            assert_abs_diff_eq!(total, 1.0, epsilon = 1e-14);
        }
    }

    #[test]
    fn planetographic_latitudes_become_planetocentric() {
        // Source: closed form tan(graphic) = (a/c)² tan(centric): centric 45 is graphic 45.338 on
        // Mars (3396.19, 3376.2 km), 50.05 on Ceres (487.3, 446 km), 45.192 on Earth (WGS84).
        for (a, c, graphic) in [
            (3396.19f64, 3376.2f64, 45.338),
            (487.3, 446.0, 50.05),
            (6378.137, 6356.7523, 45.192),
        ] {
            let p = Placement {
                axis_ratio_squared: (c / a).powi(2),
                ..Placement::global(36, 18, 0.0, Registration::Pixel)
            };
            assert_abs_diff_eq!(p.centric_deg(graphic), 45.0, epsilon = 5e-3);
            assert_abs_diff_eq!(p.own_deg(p.centric_deg(33.0)), 33.0, epsilon = 1e-12);
            assert_eq!((p.edge_deg(0), p.edge_deg(18)), (90.0, -90.0));
            let total: f64 = (0..18).map(|r| p.cell_share(r) * 36.0).sum();
            assert_abs_diff_eq!(total, 1.0, epsilon = 1e-14);
        }
    }

    fn refusal(e: &Extent) -> String {
        place(e).unwrap_err().to_string()
    }

    #[test]
    fn regional_grids_are_refused_with_what_is_missing() {
        assert_eq!(
            refusal(&extent(300, 180, -180.0, 90.0, 1.0, -1.0)),
            "grid: the grid does not cover the whole globe; found longitudes -180 to 120 (60° of \
             longitude missing, 120 to 180); allowed: all longitudes and latitudes from pole to \
             pole; use a global grid, or list all the tiles that make one"
        );
        assert_eq!(
            refusal(&extent(360, 176, 0.0, 88.0, 1.0, -1.0)),
            "grid: the grid does not cover the whole globe; found latitudes -88 to 88 (latitudes \
             88 to 90 and -90 to -88 missing); allowed: all longitudes and latitudes from pole \
             to pole; use a global grid, or list all the tiles that make one"
        );
    }

    #[test]
    fn senseless_steps_and_sizes_are_refused() {
        assert_eq!(
            refusal(&extent(1, 1, 0.0, 90.0, 360.0, -180.0)),
            "grid: the grid is too small to be a globe; found 1 × 1 cells; allowed: at least 4 \
             columns and 3 rows"
        );
        assert_eq!(
            refusal(&extent(36, 18, 0.0, 90.0, f64::NAN, -10.0)),
            "grid: the cell size in the file makes no sense; found NaN° by -10°; allowed: a \
             positive step eastwards and a step other than 0 northwards"
        );
        assert_eq!(
            refusal(&extent(360, 360, 0.0, 180.0, 1.0, -1.0)),
            "grid: the grid reaches past a pole; found latitudes -180 to 180; allowed: -90 to \
             90; check the origin and the cell size written in the file"
        );
    }
}
