//! How long the machine runs: length of the passes on the true surface, over the feeds.

use super::Tool;
use glam::DVec3;
use ndarray::Array2;
use std::ops::Range;

/// Speeds of a machine with one bit, mm per minute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feeds {
    /// While cutting.
    pub feed: f64,
    /// Straight down into wood.
    pub plunge: f64,
    /// Between cuts, in the air.
    pub rapid: f64,
    /// What the machine gains per second, mm/s²; `None` for a machine at speed at once.
    pub acceleration: Option<f64>,
}

/// Height over the stock at which the bit travels between cuts, mm. Common practice, no source.
pub const CLEARANCE_MM: f64 = 3.0;

/// Moves of one operation added up.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Path {
    /// Straight passes, each from standstill to standstill.
    pub passes: u64,
    /// Cutting, along the surface, mm.
    pub cut_mm: f64,
    /// Straight down into wood, mm.
    pub plunge_mm: f64,
    /// In the air, mm.
    pub rapid_mm: f64,
}

impl Path {
    /// Both one after the other.
    pub fn with(self, other: Path) -> Path {
        Path {
            passes: self.passes + other.passes,
            cut_mm: self.cut_mm + other.cut_mm,
            plunge_mm: self.plunge_mm + other.plunge_mm,
            rapid_mm: self.rapid_mm + other.rapid_mm,
        }
    }

    /// Minutes on the machine.
    ///
    /// Speeding up to v and slowing down again, at a steady rate a, costs v/a on each pass.
    pub fn minutes(&self, feeds: &Feeds) -> f64 {
        let starts = feeds
            .acceleration
            .map_or(0.0, |a| self.passes as f64 * feeds.feed / 60.0 / a / 60.0);
        self.cut_mm / feeds.feed
            + self.plunge_mm / feeds.plunge
            + self.rapid_mm / feeds.rapid
            + starts
    }
}

/// Finishing: passes along the rows, back and forth, a stepover apart, the tip at `tip_mm`.
///
/// `spans` are the columns of each row to carve. The bit comes down once, from the top.
pub fn finishing(
    tip_mm: &Array2<f32>,
    spans: &[Range<usize>],
    pixel_mm: f64,
    stepover_mm: f64,
    top_mm: f64,
) -> Path {
    let mut path = Path::default();
    let mut end: Option<[f64; 3]> = None;
    for line in lines(spans, pixel_mm, stepover_mm) {
        let (length, first, last) = length_along(tip_mm, &line, pixel_mm, f64::NEG_INFINITY);
        let (first, last) = if path.passes.is_multiple_of(2) {
            (first, last)
        } else {
            (last, first)
        };
        match end {
            Some(end) => path.cut_mm += distance(end, first),
            None => {
                path.rapid_mm += CLEARANCE_MM;
                path.plunge_mm += (top_mm - first[2]).max(0.0);
            }
        }
        path.cut_mm += length;
        path.passes += 1;
        end = Some(last);
    }
    if let Some(end) = end {
        path.rapid_mm += (top_mm - end[2]).max(0.0) + CLEARANCE_MM;
    }
    path
}

/// Roughing: at each step down, passes along the rows wherever the step before left wood, the tip
/// at `tip_mm` or at the step, whichever is higher. Passes beside each other are cut back and
/// forth without lifting; between separate patches the bit lifts.
pub fn roughing(
    tip_mm: &Array2<f32>,
    spans: &[Range<usize>],
    pixel_mm: f64,
    stepover_mm: f64,
    top_mm: f64,
    steps_mm: &[f64],
) -> Path {
    let mut path = Path::default();
    let mut above = top_mm;
    for &step in steps_mm {
        // Patches that reached the last line, by the columns they had there.
        let mut open: Vec<(Range<usize>, [f64; 3])> = Vec::new();
        for line in lines(spans, pixel_mm, stepover_mm) {
            let mut reached = Vec::new();
            for run in runs_below(tip_mm, &line, above) {
                let (length, first, last) = length_along(tip_mm, &run, pixel_mm, step);
                path.cut_mm += length;
                path.passes += 1;
                let beside = open
                    .iter()
                    .position(|(columns, _)| overlap(columns, &run.columns));
                let end = match beside.map(|i| open.swap_remove(i).1) {
                    // On from where the patch's last pass ended, at the nearer end of this one.
                    Some(end) if distance(end, last) < distance(end, first) => {
                        path.cut_mm += distance(end, last);
                        first
                    }
                    Some(end) => {
                        path.cut_mm += distance(end, first);
                        last
                    }
                    // There in the air, down through air to the step before, then through wood.
                    None => {
                        path.rapid_mm += CLEARANCE_MM + top_mm - above + line.length_mm(pixel_mm);
                        path.plunge_mm += above - first[2];
                        last
                    }
                };
                reached.push((run.columns, end));
            }
            path.rapid_mm += open.iter().map(|(_, end)| lift(top_mm, end)).sum::<f64>();
            open = reached;
        }
        path.rapid_mm += open.iter().map(|(_, end)| lift(top_mm, end)).sum::<f64>();
        above = step;
    }
    path
}

fn overlap(a: &Range<usize>, b: &Range<usize>) -> bool {
    a.start < b.end && b.start < a.end
}

fn lift(top_mm: f64, end: &[f64; 3]) -> f64 {
    top_mm - end[2] + CLEARANCE_MM
}

/// Cutting a blank out along its outline: once round per step down, the bit beside the line.
///
/// `outline_mm` is the length of the outline; round a corner the bit's centre walks an arc, so
/// the way is one circumference of the bit longer.
pub fn cut_out(outline_mm: f64, tool: &Tool, depth_mm: f64, stepdown_mm: f64) -> Path {
    let rounds = (depth_mm / stepdown_mm - 1e-6).ceil().max(0.0);
    let around = outline_mm + std::f64::consts::PI * tool.diameter_mm;
    Path {
        passes: rounds as u64,
        cut_mm: rounds * around,
        plunge_mm: depth_mm,
        rapid_mm: depth_mm + 2.0 * CLEARANCE_MM,
    }
}

/// A pass: its place between rows, and its columns.
struct ScanLine {
    row: f64,
    columns: Range<usize>,
}

impl ScanLine {
    /// A fair guess of the way in the air to a patch on this line.
    fn length_mm(&self, pixel_mm: f64) -> f64 {
        self.columns.len() as f64 * pixel_mm
    }
}

/// Passes a stepover apart, from the first row with ground to the last.
fn lines(spans: &[Range<usize>], pixel_mm: f64, stepover_mm: f64) -> Vec<ScanLine> {
    let used = |span: &Range<usize>| !span.is_empty();
    let (Some(first), Some(last)) = (spans.iter().position(used), spans.iter().rposition(used))
    else {
        return Vec::new();
    };
    let height_mm = (last - first) as f64 * pixel_mm;
    let count = (height_mm / stepover_mm - 1e-6).ceil().max(0.0) as usize;
    (0..=count)
        .map(|i| {
            let down = (i as f64 * stepover_mm).min(height_mm);
            let row = first as f64 + down / pixel_mm;
            ScanLine {
                row,
                columns: spans[row.round() as usize].clone(),
            }
        })
        .filter(|line| !line.columns.is_empty())
        .collect()
}

/// Height of the tip on a pass, mm, linear between rows.
fn height(tip_mm: &Array2<f32>, row: f64, column: usize) -> f64 {
    let above = row.floor() as usize;
    let below = (above + 1).min(tip_mm.nrows() - 1);
    let part = row - above as f64;
    let (a, b) = (tip_mm[(above, column)], tip_mm[(below, column)]);
    f64::from(a) + part * (f64::from(b) - f64::from(a))
}

/// Length of a pass at the tip's height or at `least`, and its two ends.
fn length_along(
    tip_mm: &Array2<f32>,
    line: &ScanLine,
    pixel_mm: f64,
    least: f64,
) -> (f64, [f64; 3], [f64; 3]) {
    let place = |column: usize| {
        let z = height(tip_mm, line.row, column).max(least);
        [column as f64 * pixel_mm, line.row * pixel_mm, z]
    };
    let first = place(line.columns.start);
    let (mut length, mut before) = (0.0, first);
    for column in line.columns.clone().skip(1) {
        let here = place(column);
        length += distance(before, here);
        before = here;
    }
    (length, first, before)
}

/// Parts of a pass where the tip may go below a height.
fn runs_below(tip_mm: &Array2<f32>, line: &ScanLine, above: f64) -> Vec<ScanLine> {
    let mut runs: Vec<ScanLine> = Vec::new();
    for column in line.columns.clone() {
        if height(tip_mm, line.row, column) >= above {
            continue;
        }
        match runs.last_mut() {
            Some(run) if run.columns.end == column => run.columns.end += 1,
            _ => runs.push(ScanLine {
                row: line.row,
                columns: column..column + 1,
            }),
        }
    }
    runs
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    DVec3::from(a).distance(DVec3::from(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    const FEEDS: Feeds = Feeds {
        feed: 1000.0,
        plunge: 400.0,
        rapid: 5000.0,
        acceleration: None,
    };

    /// By hand: a flat 100 mm x 50 mm, 20 mm down, passes 1 mm apart. 51 passes of 100 mm, 50
    /// steps of 1 mm, 5150 mm at 1000 mm/min = 5.15 min; 20 mm down at 400 = 0.05 min; 3 mm down
    /// and 23 mm up in the air at 5000 = 0.0052 min.
    #[test]
    fn a_plain_pass_takes_what_hand_arithmetic_says() {
        let tip = Array2::from_elem((101, 201), 30.0);
        let path = finishing(&tip, &vec![0..201; 101], 0.5, 1.0, 50.0);
        assert_eq!(path.passes, 51);
        assert!((path.cut_mm - 5150.0).abs() < 1e-9 && (path.plunge_mm - 20.0).abs() < 1e-9);
        assert!((path.minutes(&FEEDS) - 5.2052).abs() < 1e-9);
        // 1000 mm/min is 16.67 mm/s: at 500 mm/s² each pass costs a thirtieth of a second more.
        let slow = Feeds {
            acceleration: Some(500.0),
            ..FEEDS
        };
        assert!((path.minutes(&slow) - 5.2052 - 51.0 / 30.0 / 60.0).abs() < 1e-9);
    }

    /// By hand: a slope of 3 in 4 along the pass makes it 5/4 as long.
    #[test]
    fn length_is_taken_on_the_true_surface() {
        let tip = Array2::from_shape_fn((2, 401), |(_, column)| 0.075 * column as f32);
        let path = finishing(&tip, &[0..401, 0..0], 0.1, 1.0, 50.0);
        assert!((path.cut_mm - 50.0).abs() < 1e-4, "{}", path.cut_mm);
    }

    /// By hand: a pocket 40 mm x 20 mm (401 x 201 pixels), 6 mm deep, in two steps, passes 2 mm
    /// apart: two times ten passes of 40 mm and nine steps of 2 mm between them, 3 mm into wood.
    #[test]
    fn roughing_clears_each_step_only_where_there_is_wood() {
        let tip = Array2::from_shape_fn((301, 601), |(row, column)| {
            let pocket = (50..251).contains(&row) && (100..501).contains(&column);
            if pocket { 4.0 } else { 10.0 }
        });
        let path = roughing(&tip, &vec![0..601; 301], 0.1, 2.0, 10.0, &[7.0, 4.0]);
        // Passes lie on rows 0, 20, 40 …: those on 60 to 240 meet the pocket, ten of them.
        assert_eq!(path.passes, 20);
        assert!((path.cut_mm - 836.0).abs() < 1e-9, "{}", path.cut_mm);
        assert!((path.plunge_mm - 6.0).abs() < 1e-9);
    }

    /// By hand: 300 mm round, 12 mm deep, 4 mm at a time with a 6 mm bit: three rounds of
    /// 300 + 18.85 mm.
    #[test]
    fn a_cut_out_goes_round_once_per_step() {
        let path = cut_out(300.0, &Tool::flat(6.0), 12.0, 4.0);
        assert_eq!(path.passes, 3);
        assert!((path.cut_mm - 956.548_667).abs() < 1e-5);
    }
}
