//! The documents against the code.

/// Every field of the manifest's types stands in the manual page, in backticks.
#[test]
fn the_manifest_page_names_every_field() {
    let code = concat!(
        include_str!("../../src/output/manifest/mod.rs"),
        include_str!("../../src/output/manifest/checksums.rs"),
        include_str!("../../src/carve/cutting/entry.rs")
    );
    let page = include_str!("../../docs/manifest.md");
    // Fields of a flattened part stand beside those of the whole, and its own name is not written.
    let code = code.replace("#[serde(flatten)]\n    pub ", "");
    let fields: Vec<&str> = code
        .lines()
        .filter_map(|line| line.trim().strip_prefix("pub ")?.split_once(": "))
        .map(|(name, _)| name)
        .filter(|name| {
            let is_of_field = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
            name.chars().all(is_of_field)
        })
        .collect();
    for sample in ["worst_seam_step_mm", "pixels_sha256"] {
        assert!(fields.contains(&sample), "{fields:?}");
    }
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

/// Every field of a real `shop/plan.json` stands in its manual page, in backticks.
#[test]
fn the_plan_page_names_every_field() {
    fn names(value: &serde_json::Value, found: &mut std::collections::BTreeSet<String>) {
        match value {
            serde_json::Value::Object(fields) => {
                for (name, inner) in fields {
                    found.insert(name.clone());
                    names(inner, found);
                }
            }
            serde_json::Value::Array(items) => items.iter().for_each(|item| names(item, found)),
            _ => {}
        }
    }
    let folder = tempfile::TempDir::new().unwrap();
    let job = "[relief]\nrange = \"4 mm\"\n[stock]\nedge = \"16 mm\"\nthickness = \"2-1/2 in\"\n\
               [[board]]\nwidth = \"12 in\"\nlength = \"8 ft\"\n"
        .replace("8 ft", "96 in");
    std::fs::write(folder.path().join("job.toml"), job).unwrap();
    let words = ["plan", "job.toml", "--out", "x", "--quiet"];
    assert_eq!(crate::support::run(&folder, &words).0, 0);
    let text = std::fs::read(folder.path().join("x/shop/plan.json")).unwrap();
    let mut found = std::collections::BTreeSet::new();
    names(&serde_json::from_slice(&text).unwrap(), &mut found);
    assert!(found.len() > 60, "{found:?}");
    let page = include_str!("../../docs/plan.md");
    let absent: Vec<_> = found
        .iter()
        .filter(|name| !page.contains(&format!("`{name}`")))
        .collect();
    assert_eq!(absent, Vec::<&String>::new());
}
