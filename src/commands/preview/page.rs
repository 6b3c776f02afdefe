//! The page itself: one file with everything in it, so that nothing is ever served from disk.

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use sha2::{Digest, Sha256};

const TEMPLATE: &str = include_str!("page.html");
/// The look of the report page, then what is the bench's own.
const STYLES: [&str; 2] = [
    include_str!("../../show/page/page.css"),
    include_str!("page.css"),
];
const SCRIPTS: [&str; 3] = [
    include_str!("../../show/page/vendor/three.min.js"),
    include_str!("../../show/page/viewer.js"),
    include_str!("page.js"),
];

/// The page and the policy it is sent with.
pub(super) struct Page {
    pub html: String,
    pub policy: String,
}

impl Page {
    pub fn new() -> Page {
        let style = STYLES.concat();
        let scripts: String = SCRIPTS
            .iter()
            .map(|script| format!("<script>{script}</script>\n"))
            .collect();
        // Scripts last: what they contain is not looked through for marks.
        let html = TEMPLATE
            .replacen("{{ version }}", env!("CARGO_PKG_VERSION"), 1)
            .replacen("{{ style }}", &style, 1)
            .replacen("{{ scripts }}", &scripts, 1);
        Page {
            html,
            policy: policy(&style),
        }
    }
}

/// Only the page's own scripts and style run, and only this server is talked to.
fn policy(style: &str) -> String {
    let hash = |text: &str| {
        format!(
            "'sha256-{}'",
            BASE64.encode(Sha256::digest(text.as_bytes()))
        )
    };
    let scripts = SCRIPTS.map(hash).join(" ");
    format!(
        "default-src 'none'; script-src {scripts}; style-src {}; img-src data:; \
         connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        hash(style)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everything_is_in_the_page_and_nothing_is_fetched() {
        let page = Page::new();
        assert!(!page.html.contains("{{ "), "a mark was left");
        for mark in ["src=\"http", "href=\"http", "@import", "url("] {
            let own = page.html.replace(SCRIPTS[0], "");
            assert!(!own.contains(mark), "{mark}");
        }
        assert!(
            page.policy
                .starts_with("default-src 'none'; script-src 'sha256-")
        );
    }

    #[test]
    fn data_never_becomes_markup() {
        for script in &SCRIPTS[1..] {
            for way in [
                "innerHTML",
                "outerHTML",
                "insertAdjacentHTML",
                "document.write",
                "eval(",
            ] {
                assert!(!script.contains(way), "{way}");
            }
        }
    }
}
