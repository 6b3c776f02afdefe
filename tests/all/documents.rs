//! The documents against the code.

/// Every field of the manifest's types stands in the manual page, in backticks.
#[test]
fn the_manifest_page_names_every_field() {
    let code = concat!(
        include_str!("../../src/manifest.rs"),
        include_str!("../../src/stages/cutting/entry.rs")
    );
    let page = include_str!("../../docs/manifest.md");
    let fields: Vec<&str> = code
        .lines()
        .filter_map(|line| line.trim().strip_prefix("pub ")?.split_once(": "))
        .map(|(name, _)| name)
        .filter(|name| name.chars().all(|c| c.is_ascii_lowercase() || c == '_'))
        .collect();
    assert!(fields.contains(&"worst_seam_step_mm"), "{fields:?}");
    let absent: Vec<_> = fields
        .into_iter()
        .filter(|field| {
            !["`", "."]
                .iter()
                .any(|end| page.contains(&format!("{field}{end}")))
        })
        .collect();
    assert_eq!(absent, Vec::<&str>::new());
}

/// The exit codes of the README are those of the error type.
#[test]
fn the_readme_lists_every_exit_code() {
    use globewright::{Error, Problem};
    let readme = include_str!("../../README.md");
    let row = |code: u8, who: &str| format!("| {code} | {who} |");
    for (error, who) in [
        (Error::Job as fn(Problem) -> Error, "the job file"),
        (Error::Grid, "the grid"),
        (Error::Stock, "the wood"),
        (Error::Disk, "the disk"),
        (Error::Check, "a finished folder"),
    ] {
        let row = row(error(Problem::new("")).exit_code(), who);
        assert!(readme.contains(&row), "README.md has no row {row}");
    }
}
