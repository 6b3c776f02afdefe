//! Folders whose manifest is broken, or says what no run would say.

use super::tests::leaves;
use super::{check, disagreement};
use crate::Error;
use crate::model::settings::ImageFormat;
use crate::output::manifest::testing::{BLACK_MM, PIXEL_MM, WHITE_MM, cube};
use crate::output::manifest::{MANIFEST_FILE, Manifest, file};
use crate::output::{ImageFacts, encode};
use crate::testing::hostile;
use ndarray::Array2;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{Index, select};
use serde_json::Value;

/// Side of the images: small, as there are many cases.
const SIDE_PX: usize = 8;

/// The cube at a scale that is quick to measure.
fn small() -> Manifest {
    let mut manifest = cube();
    manifest.globe.radius_mm = 3.0;
    for facet in &mut manifest.facets {
        (facet.width_px, facet.height_px) = (SIDE_PX, SIDE_PX);
        for mm in facet.corners_mm.iter_mut().flatten() {
            *mm *= 3.0 / 40.0;
        }
    }
    manifest
}

/// Values that fit the form of a manifest and mean nothing.
fn odd() -> Vec<Value> {
    let all = r#"[null, true, [], {}, [[]], [0, 0], 0, 1, 2, 7, 65536, 4294967295,
        9223372036854775807, 18446744073709551615, 0.0, -0.0, -1.0, 0.5, 7.0, 1e-320, 1e-9, 1e9,
        1e300, -1e308, "", "01", "../a", "/", "facets/01.png", "a\n\u001b[2J\u0085", "S01", "flat"]"#;
    serde_json::from_str(all).unwrap()
}

/// The manifest with some of its values changed, whatever its sum says.
fn changed() -> impl Strategy<Value = String> {
    let whole = serde_json::to_value(small()).unwrap();
    let mut all = Vec::new();
    leaves(&whole, String::new(), &mut all);
    let odd = odd();
    let kind = |value: &Value| (std::mem::discriminant(value), value.is_f64());
    vec((select(all), any::<Index>()), 1..4).prop_map(move |changes| {
        let mut value = whole.clone();
        for (place, which) in changes {
            // One that lies in what was changed before is gone.
            let Some(there) = value.pointer_mut(&place) else {
                continue;
            };
            // A text in place of a number would be refused before it could do harm.
            let alike = odd.iter().filter(|odd| kind(odd) == kind(there));
            *there = which.get(&alike.cloned().collect::<Vec<_>>()).clone();
        }
        value.to_string()
    })
}

#[test]
fn fuzz_manifests_and_what_check_says_of_them() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("facets")).unwrap();
    let facts = ImageFacts {
        label: "01".into(),
        pixel_mm: PIXEL_MM,
        black_mm: BLACK_MM,
        white_mm: WHITE_MM,
    };
    let levels = Array2::from_elem((SIDE_PX, SIDE_PX), 7);
    let image = encode(ImageFormat::Png, &levels, &facts, &mut []).unwrap();
    std::fs::write(folder.path().join("facets/01.png"), image).unwrap();
    let known = file::text(&small()).unwrap();
    let words = "\"schema\": \"globewright/2\",|null|{\"a\":|[[|\"facets\": [|true";
    let texts = prop_oneof![hostile::text(&[&known], words), changed()];
    hostile::each(texts, |text| {
        std::fs::write(folder.path().join(MANIFEST_FILE), text).unwrap();
        let manifest = match file::read(folder.path()) {
            Ok(manifest) => manifest,
            Err(error) => {
                prop_assert!(matches!(error, Error::Check(_)));
                return hostile::one_line(error);
            }
        };
        let again = file::text(&manifest).map(|text| serde_json::from_str(&text).ok());
        prop_assert_eq!(again, Ok(Some(manifest.clone())));
        if let Some(line) = disagreement(&manifest) {
            hostile::one_line(line)?;
        }
        let report = check(folder.path());
        prop_assert!(report.is_ok());
        for line in report.iter().flat_map(|report| &report.lines) {
            hostile::one_line(line)?;
        }
        let verdict = report.and_then(|report| report.verdict(folder.path()));
        verdict.map_or_else(hostile::one_line, |()| Ok(()))
    });
}
