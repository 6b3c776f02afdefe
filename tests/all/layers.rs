//! The source stands in floors, and no arrow goes up or round in a circle.
//!
//! Read are the paths in code that is not test code: `crate::…` and `super::…`, alone or in the
//! braces of a `use`. A floor may use the floors below it; files and folders side by side may use
//! one another, but not in a circle. What a `mod.rs` holds is shared by all beside it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

/// From the lowest to the highest.
const FLOORS: [&str; 8] = [
    "model", "sphere", "read", "carve", "shop", "output", "show", "commands",
];

/// A module's path from the root, and the paths it names.
type Module = (Vec<String>, BTreeSet<Vec<String>>);

#[test]
fn a_floor_uses_only_floors_below_it() {
    let mut upward = Vec::new();
    let rank = |name: &String| FLOORS.iter().position(|floor| floor == name);
    for (module, named) in modules() {
        let own = rank(&module[0]).unwrap_or_else(|| panic!("{module:?} stands on no floor"));
        for path in named.iter().filter(|path| rank(&path[0]) > Some(own)) {
            upward.push(format!("{} uses {}", module.join("::"), path.join("::")));
        }
    }
    assert_eq!(upward, Vec::<String>::new(), "arrows that go up");
}

#[test]
fn nothing_side_by_side_uses_itself_in_a_circle() {
    let mut beside: BTreeMap<Vec<String>, Arrows> = BTreeMap::new();
    for (module, named) in modules() {
        for path in named {
            let same = module.iter().zip(&path).take_while(|(a, b)| a == b).count();
            // A folder's own `mod.rs`, or what it is asked for, is nobody's neighbour.
            if let (Some(from), Some(to)) = (module.get(same), path.get(same))
                && same > 0
                && is_module(&path[..=same])
            {
                let arrows = beside.entry(module[..same].to_vec()).or_default();
                arrows.entry(from.clone()).or_default().insert(to.clone());
            }
        }
    }
    let circles: Vec<String> = beside
        .iter()
        .filter_map(|(folder, arrows)| {
            let circle = circle(arrows)?;
            Some(format!("{}: {}", folder.join("::"), circle.join(" -> ")))
        })
        .collect();
    assert_eq!(circles, Vec::<String>::new(), "circles");
}

#[test]
fn the_library_shows_no_more_than_one_screen_of_names() {
    let code = fs::read_to_string(source().join("lib.rs")).unwrap();
    let lists = code.split("pub use ").skip(1);
    let lists = lists.map(|list| list.split_once(';').unwrap().0);
    let names: Vec<&str> = lists
        .flat_map(|list| list.rsplit("::{").next().unwrap().split(','))
        .map(|name| name.trim_matches(['}', ' ', '\n']))
        .filter(|name| !name.is_empty())
        .collect();
    assert!(
        (50..=80).contains(&names.len()),
        "{}: {names:?}",
        names.len()
    );
    assert!(!code.contains("pub mod"), "modules show all they hold");
}

#[test]
fn arrows_and_circles_are_seen() {
    let names = |code: &str| -> Vec<String> {
        let found = named(code, &["carve".into(), "fit".into()]);
        found.iter().map(|path| path.join("::")).collect()
    };
    assert_eq!(
        names(
            "use crate::{read::{self, Grid}, show};\nuse super::orient;\nlet x = crate::shop::y(1);"
        ),
        ["carve::orient", "read", "read::Grid", "shop::y", "show"]
    );
    let tests =
        "fn f() {}\n#[cfg(test)]\nmod tests {\n    use crate::show::page;\n}\n// crate::show\n";
    assert_eq!(names(tests), Vec::<String>::new());
    let arrow = |from: &str, to: &str| (from.to_owned(), BTreeSet::from([to.to_owned()]));
    let round = BTreeMap::from([arrow("a", "b"), arrow("b", "c"), arrow("c", "b")]);
    assert_eq!(
        circle(&round),
        Some(vec!["b".into(), "c".into(), "b".into()])
    );
    let straight = BTreeMap::from([arrow("a", "b"), arrow("b", "c")]);
    assert_eq!(circle(&straight), None);
}

type Arrows = BTreeMap<String, BTreeSet<String>>;

/// One circle, if there is any.
fn circle(arrows: &Arrows) -> Option<Vec<String>> {
    fn walk(arrows: &Arrows, path: &mut Vec<String>) -> Option<Vec<String>> {
        let here = path.last()?.clone();
        for next in arrows.get(&here).into_iter().flatten() {
            if let Some(at) = path.iter().position(|name| name == next) {
                path.push(next.clone());
                return Some(path[at..].to_vec());
            }
            path.push(next.clone());
            if let Some(found) = walk(arrows, path) {
                return Some(found);
            }
            path.pop();
        }
        None
    }
    arrows
        .keys()
        .find_map(|from| walk(arrows, &mut vec![from.clone()]))
}

fn source() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

fn is_module(path: &[String]) -> bool {
    let place = path.iter().fold(source(), |place, name| place.join(name));
    place.is_dir() || place.with_extension("rs").is_file()
}

fn modules() -> Vec<Module> {
    let mut found = Vec::new();
    for floor in FLOORS {
        gather(&source().join(floor), &[floor.to_owned()], &mut found);
    }
    assert!(found.len() > 100, "only {} modules read", found.len());
    found
}

fn gather(folder: &Path, module: &[String], found: &mut Vec<Module>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        let inner = || [module, std::slice::from_ref(&name)].concat();
        if path.is_dir() {
            gather(&path, &inner(), found);
        } else if path.extension().is_some_and(|e| e == "rs") && !is_test_file(&name) {
            let own = if name == "mod" {
                module.to_vec()
            } else {
                inner()
            };
            let code = fs::read_to_string(&path).unwrap();
            found.push((own.clone(), named(&code, &own)));
        }
    }
}

/// Files that are modules of tests as a whole.
fn is_test_file(name: &str) -> bool {
    name == "tests" || name.ends_with("_checks")
}

/// The paths that code names outside of tests and comments, from the root.
fn named(code: &str, own: &[String]) -> BTreeSet<Vec<String>> {
    let mut found = BTreeSet::new();
    let code = without_tests(code);
    let mut rest = code.as_str();
    while let Some(at) = ["crate::", "super::"]
        .iter()
        .filter_map(|word| rest.find(word))
        .min()
    {
        let starts_word = !rest[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_');
        let (mut base, mut tail) = (own.to_vec(), &rest[at..]);
        if let Some(after) = tail.strip_prefix("crate::") {
            (base, tail) = (Vec::new(), after);
        }
        while let Some(after) = tail.strip_prefix("super::") {
            base.pop();
            tail = after;
        }
        if starts_word {
            expand(&base, tail, &mut found);
        }
        rest = tail;
    }
    found.retain(|path| !path.is_empty());
    found
}

/// `a::{b, c::d}` as a::b and a::c::d; returns what follows.
fn expand<'a>(base: &[String], text: &'a str, found: &mut BTreeSet<Vec<String>>) -> &'a str {
    if let Some(mut inner) = text.strip_prefix('{') {
        loop {
            inner = inner.trim_start_matches([' ', '\n', ',']);
            if inner.is_empty() || inner.starts_with('}') {
                return inner.strip_prefix('}').unwrap_or(inner);
            }
            let after = expand(base, inner, found);
            // Only names, commas and braces stand in a `use`.
            if after.len() == inner.len() {
                return after;
            }
            inner = after;
        }
    }
    let end = text
        .find(|c: char| !(c.is_alphanumeric() || c == '_'))
        .unwrap_or(text.len());
    let (name, after) = text.split_at(end);
    let mut path = base.to_vec();
    if name != "self" && !name.is_empty() {
        path.push(name.to_owned());
    }
    match after.strip_prefix("::") {
        Some(deeper)
            if deeper.starts_with(|c: char| c.is_alphanumeric() || c == '{' || c == '_') =>
        {
            expand(&path, deeper, found)
        }
        _ => {
            found.insert(path);
            after
        }
    }
}

fn without_tests(code: &str) -> String {
    let mut kept = String::new();
    let mut lines = code.lines();
    while let Some(line) = lines.next() {
        if line.trim() == "#[cfg(test)]" {
            let indent = line.len() - line.trim_start().len();
            let end = format!("{}}}", " ".repeat(indent));
            // A block ends at a brace as far in as it began; anything else at its semicolon.
            for inner in lines.by_ref() {
                if inner == end
                    || (inner.trim_end().ends_with(';')
                        && inner.len() - inner.trim_start().len() == indent)
                {
                    break;
                }
            }
            continue;
        }
        kept.push_str(line.split("//").next().unwrap_or_default());
        kept.push('\n');
    }
    kept
}
