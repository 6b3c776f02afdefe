//! Pages of SVG to one PDF, in true size.

use crate::model::parallel;
use crate::show::pictures::fonts;
use crate::{Error, Problem, Result};
use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref};
use std::collections::HashMap;
use svg2pdf::ConversionOptions;
use svg2pdf::usvg::{Options, Tree};

/// PDF's unit: 72 to the inch.
const POINTS_PER_MM: f64 = 72.0 / 25.4;

/// One PDF page for each SVG; all of `size_mm`. The same pages give the same bytes.
///
/// # Errors
/// [`Error::Disk`] when a page cannot be converted.
pub fn pages(svgs: &[String], size_mm: [f64; 2]) -> Result<Vec<u8>> {
    let broken =
        |what: String| Error::Disk(Problem::new(format!("the PDF could not be made: {what}")));
    let options = Options {
        font_family: "DejaVu Sans".into(),
        fontdb: fonts(),
        ..Options::default()
    };
    let [width, height] = size_mm.map(|mm| (mm * POINTS_PER_MM) as f32);
    let mut next = Ref::new(1);
    let mut fresh = || next.bump();
    let (catalog, tree_id) = (fresh(), fresh());
    let mut pdf = Pdf::new();
    let mut page_ids = Vec::new();
    pdf.catalog(catalog).pages(tree_id);
    let converted = parallel::try_indexed(svgs.len(), &|i| {
        let svg = &svgs[i];
        let tree = Tree::from_str(svg, &options).map_err(|e| broken(e.to_string()))?;
        svg2pdf::to_chunk(&tree, ConversionOptions::default()).map_err(|e| broken(e.to_string()))
    });
    for (chunk, picture) in converted? {
        // Each chunk numbers its parts from 1.
        let mut numbers = HashMap::new();
        let chunk = chunk.renumber(|old| *numbers.entry(old).or_insert_with(&mut fresh));
        let Some(&picture) = numbers.get(&picture) else {
            return Err(broken("a page came out empty".into()));
        };
        let (page_id, content_id) = (fresh(), fresh());
        let mut page = pdf.page(page_id);
        page.media_box(Rect::new(0.0, 0.0, width, height));
        page.parent(tree_id);
        page.contents(content_id);
        page.resources().x_objects().pair(Name(b"P"), picture);
        page.finish();
        let mut content = Content::new();
        content.transform([width, 0.0, 0.0, height, 0.0, 0.0]);
        content.x_object(Name(b"P"));
        pdf.stream(content_id, &content.finish());
        pdf.extend(&chunk);
        page_ids.push(page_id);
    }
    let count = page_ids.len() as i32;
    pdf.pages(tree_id).kids(page_ids).count(count);
    Ok(pdf.finish())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn svg(text: &str) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"210mm\" height=\"297mm\" \
             viewBox=\"0 0 210 297\" font-family=\"DejaVu Sans\"><text x=\"20\" y=\"20\" \
             font-size=\"5\">{text}</text></svg>"
        )
    }

    /// ISO 32000: the header, a page object for each sheet, 72 units to the inch. A4 is 595.28 by
    /// 841.89 of them, Letter 612 by 792.
    #[test]
    fn every_sheet_is_a_page_of_its_true_size() {
        for (size_mm, wanted) in [
            ([210.0, 297.0], [595.276, 841.89]),
            ([215.9, 279.4], [612.0, 792.0]),
        ] {
            let pdf = pages(&[svg("one"), svg("two"), svg("three")], size_mm).unwrap();
            let text = String::from_utf8_lossy(&pdf);
            assert!(text.starts_with("%PDF-1."));
            assert!(text.contains("/Count 3"), "{text}");
            let boxes: Vec<Vec<f64>> = text
                .split("/MediaBox [")
                .skip(1)
                .map(|rest| {
                    let list = rest.split(']').next().unwrap();
                    list.split_whitespace()
                        .map(|n| n.parse().unwrap())
                        .collect()
                })
                .collect();
            assert_eq!(boxes.len(), 3);
            for sheet in boxes {
                assert!(sheet[0] == 0.0 && sheet[1] == 0.0);
                assert!((sheet[2] - wanted[0]).abs() < 0.01, "{sheet:?}");
                assert!((sheet[3] - wanted[1]).abs() < 0.01, "{sheet:?}");
            }
        }
        assert_eq!(
            pages(&[svg("one")], [210.0, 297.0]).unwrap(),
            pages(&[svg("one")], [210.0, 297.0]).unwrap()
        );
    }
}
