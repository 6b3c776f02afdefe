//! The curve over the ground it shapes, and how much it exaggerates where.

use crate::Result;
use crate::model::curve::Curve;
use crate::model::grid::Hypsometry;
use crate::output::manifest::Manifest;
use crate::show::chart;
use serde::Serialize;

/// The distribution that the manifest lists.
fn hypsometry(manifest: &Manifest) -> Hypsometry {
    let source = &manifest.source;
    let shares = &source.ground_share;
    let mut below = 0.0;
    let (mut heights_m, mut share) = (vec![source.min_m], vec![0.0]);
    for (i, part) in shares.iter().enumerate() {
        below += part;
        let up = (i + 1) as f64 / shares.len() as f64;
        heights_m.push(source.min_m + up * (source.max_m - source.min_m));
        share.push(below);
    }
    if shares.is_empty() {
        // A folder from before the shares were listed: evenly spread, for want of better.
        heights_m.push(source.max_m);
        share.push(1.0);
    }
    Hypsometry {
        heights_m,
        share,
        mean_m: source.mean_m,
    }
}

/// The chart as SVG.
///
/// # Errors
/// [`crate::Error::Disk`] never in practice.
pub fn chart(manifest: &Manifest) -> Result<String> {
    let name = manifest.curve.name.as_str();
    let ground = hypsometry(manifest);
    chart::curves(&[(name, &manifest.curve)], &ground, manifest.lengths())
}

/// How steep the curve is at a height.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveSlope {
    /// What the height is.
    pub name: &'static str,
    /// Height, metres.
    pub height_m: String,
    /// Relief there.
    pub relief: String,
    /// Relief per kilometre of height.
    pub per_km: String,
    /// The same against true scale.
    pub times: String,
}

/// The curve at heights that have a name.
pub fn slopes(manifest: &Manifest) -> Vec<CurveSlope> {
    let ground = hypsometry(manifest);
    let source = &manifest.source;
    let named = [
        ("lowest ground", source.min_m),
        (
            "a quarter of the planet lies below",
            ground.quantile_m(0.25),
        ),
        ("half of the planet lies below", ground.quantile_m(0.5)),
        ("mean height", source.mean_m),
        ("three quarters lie below", ground.quantile_m(0.75)),
        ("95 of 100 parts lie below", ground.quantile_m(0.95)),
        ("highest ground", source.max_m),
    ];
    named
        .map(|(name, height_m)| slope(manifest, &manifest.curve, name, height_m))
        .to_vec()
}

fn slope(manifest: &Manifest, curve: &Curve, name: &'static str, height_m: f64) -> CurveSlope {
    let (low, high) = (manifest.source.min_m, manifest.source.max_m);
    // Over a hundredth of the range, as the comparison of curves does.
    let step = 0.005 * (high - low);
    let middle = height_m.clamp(low + step, (high - step).max(low + step));
    let mm_per_m = (curve.relief_mm(middle + step) - curve.relief_mm(middle - step)) / (2.0 * step);
    let times = manifest
        .source
        .reference_radius_m
        .map(|radius_m| mm_per_m * radius_m / manifest.globe.radius_mm);
    let say = manifest.lengths();
    CurveSlope {
        name,
        height_m: format!("{height_m:.0}"),
        relief: say.signed(curve.relief_mm(height_m)),
        per_km: say.text(1000.0 * mm_per_m),
        times: times.map_or("not known".into(), |times| format!("{times:.1} times")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::manifest::testing::cube;

    #[test]
    fn a_straight_curve_exaggerates_alike_everywhere() {
        let mut manifest = cube();
        manifest.source.ground_share = vec![0.25; 4];
        let slopes = slopes(&manifest);
        // 1 mm to 100 m on a ball of 40 mm for a body of 100 km: 25 times true scale.
        for slope in &slopes {
            assert_eq!(
                (slope.per_km.as_str(), slope.times.as_str()),
                ("10 mm", "25.0 times")
            );
        }
        assert_eq!(slopes[2].height_m, "28");
        assert_eq!(slopes[0].relief, "-1.00 mm");
    }
}
