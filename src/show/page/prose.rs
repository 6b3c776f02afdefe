//! Sections of `report.md` as HTML, so that page and text can never say different things.

use pulldown_cmark::{Event, Options, Parser, html};

/// A titled part of the report.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Its heading.
    pub title: String,
    /// What follows, as HTML.
    pub html: String,
}

/// The parts under headings of the second level, in order. What stands before the first is left
/// out.
pub fn sections(markdown: &str) -> Vec<Section> {
    let mut parts = Vec::new();
    for part in format!("\n{markdown}").split("\n## ").skip(1) {
        let (title, body) = part.split_once('\n').unwrap_or((part, ""));
        // A heading of the first level begins another document.
        let body = body.split("\n# ").next().unwrap_or("");
        parts.push(Section {
            title: title.trim().to_owned(),
            html: html_of(body),
        });
    }
    parts
}

/// Markdown as HTML; markup inside it comes out as the text it is.
fn html_of(markdown: &str) -> String {
    let events = Parser::new_ext(markdown, Options::ENABLE_TABLES).map(|event| match event {
        Event::Html(text) | Event::InlineHtml(text) => Event::Text(text),
        other => other,
    });
    let mut out = String::new();
    html::push_html(&mut out, events);
    // Wide tables scroll by themselves on narrow screens, by keyboard too.
    out.replace("<thead><tr><th></th><th></th></tr></thead>", "")
        .replace(
            "<table>",
            "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Table\"><table>",
        )
        .replace("</table>", "</table></div>")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sections_keep_tables_and_show_markup_as_text() {
        let found = sections(
            "# Top\n\nnot shown\n\n## One\n\n| | |\n|---|---|\n| a | <b>b</b> |\n\n\
             ## Two\n\n- \\<script\\>x\n\n<script>alert(1)</script>\n\n# Next\n\nword\n",
        );
        assert_eq!(found.len(), 2);
        assert_eq!(
            (found[0].title.as_str(), found[1].title.as_str()),
            ("One", "Two")
        );
        assert!(
            found[0].html.contains("<div class=\"scroll\""),
            "{}",
            found[0].html
        );
        assert!(
            found[0].html.contains("&lt;b&gt;b&lt;/b&gt;"),
            "{}",
            found[0].html
        );
        assert!(!found[0].html.contains("<thead><tr><th></th><th></th>"));
        assert!(
            found[1].html.contains("<li>&lt;script&gt;x</li>"),
            "{}",
            found[1].html
        );
        assert!(!found[1].html.contains("<script"));
        assert!(!found[1].html.contains("word"));
    }
}
