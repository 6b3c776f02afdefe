use super::*;
use crate::show::report::overview::testing::{globe, levels};
use crate::show::report::overview::thumbnail;

/// A coarse dodecahedron with its page.
fn made(change: impl Fn(&mut Manifest)) -> (Manifest, String) {
    let mut manifest = globe("dodecahedron");
    manifest.image.pixel_mm = 0.8;
    for facet in &mut manifest.facets {
        facet.width_px = facet.width_px / 4 + 16;
        facet.height_px = facet.height_px / 4 + 16;
    }
    change(&mut manifest);
    let layout = SheetLayout::of(&manifest);
    let images: Vec<Array2<u16>> = manifest
        .facets
        .iter()
        .map(|f| levels(&manifest, f))
        .collect();
    let pairs = || manifest.facets.iter().zip(&images);
    let thumbs: Vec<Thumb> = pairs()
        .map(|(f, image)| thumbnail(image, f, &layout))
        .collect();
    let kept: Vec<FacetRemains> = pairs()
        .map(|(f, image)| keep(&manifest, f, image))
        .collect();
    let input = PageInput {
        manifest: &manifest,
        layout: &layout,
        thumbs: &thumbs,
        kept: &kept,
        shop: None,
        images: true,
    };
    let text = page(&input).unwrap();
    (manifest, text)
}

#[test]
fn every_facet_has_a_card_with_the_manifests_numbers() {
    let (manifest, text) = made(|_| {});
    for facet in &manifest.facets {
        let start = text.find(&format!("data-facet=\"{}\"", facet.id)).unwrap();
        let card = &text[start..start + text[start..].find("</article>").unwrap()];
        for part in [
            format!("<td>{}</td>", manifest.lengths().at_most(facet.corner_mm)),
            format!("<td>{} pixels</td>", facet.undercut_px),
            format!(
                "{} to {:02}</text>",
                facet.edges[0].seam, facet.edges[0].neighbour
            ),
            format!("<td>{:.2}°</td>", facet.edges[0].tilt_deg),
            "True size when printed".to_owned(),
        ] {
            assert!(card.contains(&part), "{part} in facet {}", facet.id);
        }
    }
}

#[test]
fn names_show_as_text_wherever_they_stand() {
    let evil = "</script><script>alert(1)</script>\" onload=\"x' & <b>";
    let (_, text) = made(|manifest| {
        manifest.job = serde_json::json!({"name": evil, "grid": {"files": [evil], "body": evil}});
        manifest.source.file = evil.into();
        manifest.curve.name = evil.into();
        manifest.warnings = vec![evil.into()];
        manifest.facets[0].label = evil.into();
        manifest.facets[0].file = evil.into();
        manifest.facets[0].edges[0].seam = evil.into();
    });
    assert!(!text.contains("<script>alert"));
    // Quotes may stand in running text, but no tag has grown an attribute.
    let body = text.split("<script").next().unwrap_or("");
    let mut tags = body
        .split('<')
        .skip(1)
        .filter_map(|rest| rest.split('>').next());
    assert!(tags.all(|tag| !tag.contains("\" onload")));
    // The page's own scripts and data, and no other.
    assert_eq!(text.matches("<script").count(), 4 + SCRIPTS.len());
    assert_eq!(text.matches("</script>").count(), 4 + SCRIPTS.len());
}

#[test]
fn the_page_needs_nothing_but_itself() {
    let (_, text) = made(|_| {});
    for script in SCRIPTS {
        assert!(!script.contains("</script"));
        assert!(text.contains(script));
    }
    let policy = policy();
    let attribute = policy.replace('\'', "&#x27;").replace('/', "&#x2f;");
    assert!(text.contains(&attribute), "{policy}");
    for link in [
        "src=\"http",
        "href=\"http",
        "url(http",
        "@import",
        " style=\"",
    ] {
        assert!(!text.contains(link), "{link}");
    }
    // Names of elements do not clash.
    let mut names: Vec<&str> = text
        .split(" id=\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect();
    let count = names.len();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), count);
}
