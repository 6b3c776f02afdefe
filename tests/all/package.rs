//! What the Debian package is made of, against what is here. Whole packages are tried by
//! `packaging/try-deb.sh`.

use std::path::Path;

/// Source and place of every file of the package, as `Cargo.toml` lists them.
fn assets() -> Vec<(String, String)> {
    let manifest: toml::Table = include_str!("../../Cargo.toml").parse().unwrap();
    let assets = manifest["package"]["metadata"]["deb"]["assets"].as_array();
    let text = |asset: &toml::Value, at: usize| asset[at].as_str().unwrap().to_owned();
    let assets = assets.unwrap().iter();
    assets
        .map(|asset| (text(asset, 0), text(asset, 1)))
        .collect()
}

/// What the script does not make lies in the source; a last `*` stands for all files of a folder.
#[test]
fn every_file_of_the_package_has_a_source() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR"));
    let assets = assets().into_iter().map(|(asset, _)| asset);
    let (made, kept): (Vec<_>, Vec<_>) = assets.partition(|asset| asset.starts_with("target/"));
    assert!(
        made.contains(&"target/release/globewright".to_owned()),
        "{made:?}"
    );
    for asset in kept {
        assert!(source.join(asset.trim_end_matches('*')).exists(), "{asset}");
    }
}

/// Every shell of the script is one the program knows, and its completions go into the package.
#[test]
fn completions_of_every_shell_are_packed() {
    let script = include_str!("../../packaging/deb.sh");
    let shells = script.split_once("\nshells=(").unwrap().1;
    let shells: Vec<&str> = shells.split_once(')').unwrap().0.split(' ').collect();
    let folder = tempfile::TempDir::new().unwrap();
    for shell in &shells {
        assert_eq!(crate::support::run(&folder, &["completions", shell]).0, 0);
    }
    let prefix = "target/release/packed/completions.";
    let assets = assets();
    let packed = assets
        .iter()
        .filter_map(|(asset, _)| asset.strip_prefix(prefix));
    assert_eq!(packed.collect::<Vec<_>>(), shells);
}

/// The job that the README runs after installing lies where the package puts it.
#[test]
fn the_readme_runs_the_installed_sample() {
    let (_, place) = assets()
        .into_iter()
        .find(|(asset, _)| asset == "sample-rasters/*")
        .unwrap();
    let line = format!("\nglobewright facets /{place}ashkerry.toml --out out/ashkerry\n");
    assert!(include_str!("../../README.md").contains(&line), "{line}");
}
