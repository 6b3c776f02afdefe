//! What a person should know about the bits before the first cut.

use super::{BitEntry, CuttingEntry, FacetCutting};
use crate::model::length::Lengths;
use std::fmt::{self, Write};

/// A finishing pass this many pixels from the next skips what lies between.
const COARSE_PIXELS: f64 = 5.0;

/// Share of a facet that may be steeper than a flank without a remark.
const STEEP_SHARE: f64 = 1e-3;

/// Share of a facet with wood left over from which on a smaller bit is worth a thought.
const LEFT_SHARE: f64 = 0.05;

/// A remark with its numbers.
#[derive(Debug, Clone, PartialEq)]
pub enum CuttingRemark {
    /// A wall is deeper than the flute is long.
    ShortFlute {
        /// The bit.
        bit: String,
        /// Its flute, mm.
        flute_mm: f64,
        /// The wall, mm.
        wall_mm: f64,
        /// The facet with that wall.
        facet: String,
    },
    /// The bit cannot cut through the stock.
    ThickStock {
        /// The bit that cuts out.
        bit: String,
        /// Its flute, mm.
        flute_mm: f64,
        /// The stock, mm.
        stock_mm: f64,
    },
    /// The finishing passes lie so far apart that the image's detail is lost between them.
    WideStepover {
        /// Stepover, mm.
        stepover_mm: f64,
        /// The image's pixel, mm.
        pixel_mm: f64,
    },
    /// The finishing passes lie closer than the image's pixels.
    FineStepover {
        /// Stepover, mm.
        stepover_mm: f64,
        /// The image's pixel, mm.
        pixel_mm: f64,
    },
    /// Ground is steeper than a tapered bit's flank.
    SteepGround {
        /// The bit.
        bit: String,
        /// The flank, degrees from level.
        steepest_deg: f64,
        /// Share of the facet, 0..=1.
        share: f64,
        /// The facet with most of it.
        facet: String,
    },
    /// The finishing bit leaves wood on much of a facet.
    WoodLeft {
        /// The bit.
        bit: String,
        /// Amount asked, mm.
        left_mm: f64,
        /// Share of the worst facet with more, 0..=1.
        share: f64,
        /// That facet.
        facet: String,
        /// A ball that would do on 99 of 100 parts, mm.
        better_mm: Option<f64>,
    },
}

impl CuttingRemark {
    /// Writes it in words.
    pub fn write(&self, f: &mut String, say: Lengths) -> fmt::Result {
        match self {
            CuttingRemark::ShortFlute {
                bit,
                flute_mm,
                wall_mm,
                facet,
            } => write!(
                f,
                "the {bit} cuts {} deep and the deepest wall, on facet {facet}, is {} high: its \
                 shank would rub along {}; use a longer bit or less relief",
                say.at_most(*flute_mm),
                say.at_least(*wall_mm),
                say.at_least(wall_mm - flute_mm)
            ),
            CuttingRemark::ThickStock {
                bit,
                flute_mm,
                stock_mm,
            } => write!(
                f,
                "the {bit} cuts {} deep and cannot cut the blanks out of {} stock: leave the last \
                 {} for the saw",
                say.at_most(*flute_mm),
                say.text(*stock_mm),
                say.at_least(stock_mm - flute_mm)
            ),
            CuttingRemark::WideStepover {
                stepover_mm,
                pixel_mm,
            } => write!(
                f,
                "finishing passes {} apart skip {:.1} pixels of the image each time, so its \
                 finest detail is lost: use a stepover of at most {}, or larger pixels",
                say.text(*stepover_mm),
                stepover_mm / pixel_mm,
                say.at_most(COARSE_PIXELS * pixel_mm)
            ),
            CuttingRemark::FineStepover {
                stepover_mm,
                pixel_mm,
            } => write!(
                f,
                "finishing passes {} apart lie closer than the image's pixels of {}: they take \
                 time and show nothing more; use a wider stepover or smaller pixels",
                say.text(*stepover_mm),
                say.precise(*pixel_mm)
            ),
            CuttingRemark::SteepGround {
                bit,
                steepest_deg,
                share,
                facet,
            } => write!(
                f,
                "{:.1} % of facet {facet} is steeper than the flank of the {bit} ({steepest_deg:.0} \
                 degrees), which shaves the upper edge there: use a slimmer bit or less relief",
                100.0 * share
            ),
            CuttingRemark::WoodLeft {
                bit,
                left_mm,
                share,
                facet,
                better_mm,
            } => {
                write!(
                    f,
                    "the {bit} leaves more than {} on {:.1} % of facet {facet}: ",
                    say.fine(*left_mm),
                    100.0 * share
                )?;
                match better_mm {
                    Some(better) => write!(f, "a ball of {} leaves less", say.text(*better)),
                    None => f.write_str("no stocked ball leaves less; the ground is that fine"),
                }
            }
        }
    }
}

/// Everything worth a remark, in the order a person should read it.
pub fn remarks(cutting: &CuttingEntry, pixel_mm: f64, stock_mm: f64) -> Vec<CuttingRemark> {
    let bit = &cutting.finishing;
    [
        short_flute(cutting),
        thick_stock(cutting.roughing.as_ref().unwrap_or(bit), stock_mm),
        stepover(bit, pixel_mm),
        steep_ground(cutting),
        wood_left(cutting),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The first facet with the largest value.
fn most(cutting: &CuttingEntry, value: impl Fn(&FacetCutting) -> f64) -> Option<&FacetCutting> {
    let by_value = |a: &&FacetCutting, b: &&FacetCutting| value(a).total_cmp(&value(b));
    cutting.facets.iter().rev().max_by(by_value)
}

fn short_flute(cutting: &CuttingEntry) -> Option<CuttingRemark> {
    let facet = most(cutting, |facet| facet.deepest_wall_mm)?;
    let bit = &cutting.finishing;
    (facet.deepest_wall_mm > bit.flute_mm).then(|| CuttingRemark::ShortFlute {
        bit: bit.name.clone(),
        flute_mm: bit.flute_mm,
        wall_mm: facet.deepest_wall_mm,
        facet: facet.label.clone(),
    })
}

fn thick_stock(bit: &BitEntry, stock_mm: f64) -> Option<CuttingRemark> {
    (bit.flute_mm < stock_mm).then(|| CuttingRemark::ThickStock {
        bit: bit.name.clone(),
        flute_mm: bit.flute_mm,
        stock_mm,
    })
}

fn stepover(bit: &BitEntry, pixel_mm: f64) -> Option<CuttingRemark> {
    let stepover_mm = bit.stepover_mm;
    if stepover_mm > COARSE_PIXELS * pixel_mm {
        Some(CuttingRemark::WideStepover {
            stepover_mm,
            pixel_mm,
        })
    } else if stepover_mm < 0.999 * pixel_mm {
        Some(CuttingRemark::FineStepover {
            stepover_mm,
            pixel_mm,
        })
    } else {
        None
    }
}

fn steep_ground(cutting: &CuttingEntry) -> Option<CuttingRemark> {
    let facet = most(cutting, |facet| facet.steep_share)?;
    (facet.steep_share > STEEP_SHARE).then(|| CuttingRemark::SteepGround {
        bit: cutting.finishing.name.clone(),
        steepest_deg: cutting.finishing.steepest_deg,
        share: facet.steep_share,
        facet: facet.label.clone(),
    })
}

fn wood_left(cutting: &CuttingEntry) -> Option<CuttingRemark> {
    let facet = most(cutting, |facet| facet.over_share)?;
    (facet.over_share > LEFT_SHARE).then(|| CuttingRemark::WoodLeft {
        bit: cutting.finishing.name.clone(),
        left_mm: cutting.left_mm,
        share: facet.over_share,
        facet: facet.label.clone(),
        better_mm: facet.largest_ball_99_mm,
    })
}

#[cfg(test)]
mod tests {
    use super::super::testing::entry;
    use super::*;

    fn texts(cutting: &CuttingEntry, pixel_mm: f64, stock_mm: f64) -> Vec<String> {
        let remarks = remarks(cutting, pixel_mm, stock_mm);
        let said = remarks.iter().map(|remark| {
            let mut text = String::new();
            remark.write(&mut text, Lengths::METRIC).unwrap();
            text
        });
        said.collect()
    }

    #[test]
    fn a_sound_job_says_nothing() {
        assert_eq!(texts(&entry(), 0.1, 25.0), [""; 0]);
    }

    #[test]
    fn remarks_word_for_word() {
        let mut cutting = entry();
        cutting.facets[1].deepest_wall_mm = 27.25;
        cutting.facets[1].over_share = 0.123;
        cutting.facets[1].largest_ball_99_mm = Some(1.5);
        cutting.facets[0].steep_share = 0.031;
        cutting.finishing.name = "1 mm tapered ball of 12 degrees".into();
        cutting.finishing.steepest_deg = 78.0;
        cutting.finishing.stepover_mm = 0.8;
        assert_eq!(
            texts(&cutting, 0.1, 50.8),
            [
                "the 1 mm tapered ball of 12 degrees cuts 25.4 mm deep and the deepest wall, on \
                 facet 02, is 27.25 mm high: its shank would rub along 1.85 mm; use a longer bit or \
                 less relief",
                "the 6.35 mm flat bit cuts 25.4 mm deep and cannot cut the blanks out of 50.8 mm \
                 stock: leave the last 25.4 mm for the saw",
                "finishing passes 0.8 mm apart skip 8.0 pixels of the image each time, so its \
                 finest detail is lost: use a stepover of at most 0.5 mm, or larger pixels",
                "3.1 % of facet 01 is steeper than the flank of the 1 mm tapered ball of 12 \
                 degrees (78 degrees), which shaves the upper edge there: use a slimmer bit or \
                 less relief",
                "the 1 mm tapered ball of 12 degrees leaves more than 0.100 mm on 12.3 % of \
                 facet 02: a ball of 1.5 mm leaves less",
            ]
        );
        cutting.facets[1].largest_ball_99_mm = None;
        assert!(
            texts(&cutting, 0.1, 50.8)[4]
                .ends_with("no stocked ball leaves less; the ground is that fine")
        );
        cutting.finishing.stepover_mm = 0.05;
        assert_eq!(
            texts(&cutting, 0.1, 50.8)[2],
            "finishing passes 0.05 mm apart lie closer than the image's pixels of 0.1 mm: they \
             take time and show nothing more; use a wider stepover or smaller pixels"
        );
    }
}
