//! Messages word for word, and what must hold for every row of the table.

use super::table::{Default, SECTIONS, ValueKind};
use super::*;
use crate::model::settings::{ImageFormat, Level, Outside};
use crate::testing::hostile;
use proptest::prelude::*;
use proptest::test_runner::TestCaseResult;

/// A job at `shop/walnut.toml`.
fn job(text: &str) -> Job {
    parse(text, Path::new("shop/walnut.toml"), &[]).unwrap()
}

fn job_error(text: &str) -> String {
    parse(text, Path::new("walnut.toml"), &[])
        .unwrap_err()
        .to_string()
}

fn set(texts: &[&str]) -> Result<Job> {
    let texts: Vec<String> = texts.iter().map(|t| (*t).to_owned()).collect();
    without_file(&texts)
}

fn set_error(text: &str) -> String {
    set(&[text]).unwrap_err().to_string()
}

/// A value for every key that differs from its default, as typed after `--set key=`.
fn other_value(key: &str) -> &'static str {
    match key {
        "name" => "2020",
        "units" => "inch",
        "grid.files" => "a b.tif",
        "grid.body" => "Ceres",
        "grid.radius" => "470 km",
        "grid.quantity" => "radius",
        "grid.scale" => "0.5",
        "grid.offset" => "-8000",
        "grid.nodata" => "-32768",
        "grid.west" => "150",
        "grid.flattening" => "remove",
        "globe.solid" => "cube",
        "globe.diameter" => "8in",
        "globe.base" => "flat",
        "globe.projection" => "gnomonic",
        "globe.names" => "no",
        "globe.turn.place" => "auto",
        "globe.turn.face" => "3",
        "globe.turn.lat" => "-17.5",
        "globe.turn.lon" => "226",
        "globe.turn.spin" => "36",
        "relief.range" => "6 mm",
        "relief.curve" => "linear",
        "relief.boost" => "2",
        "relief.exponent" => "0.5",
        "relief.blend" => "0.25",
        "relief.knots" => "[[-8000, -2], [21000, 4.5]]",
        "relief.level" => "-500",
        "relief.method" => "curve",
        "relief.detail" => "0.5",
        "relief.steepest" => "55",
        "relief.below.level" => "0",
        "relief.below.curve" => "linear",
        "relief.below.boost" => "2",
        "relief.below.share" => "0.4",
        "stock.thickness" => "2 in",
        "stock.skim" => "1/32 in",
        "stock.edge" => "1/2\"",
        "stock.trim" => "5mm",
        "image.pixel" => "0.05 mm",
        "image.format" => "tiff",
        "image.outside" => "terrain",
        "blanks.spares" => "2",
        "blanks.gap" => "12 mm",
        "blanks.margin" => "1/2 in",
        "blanks.strip" => "3 in",
        "blanks.waste" => "20",
        "jig.pocket" => "no",
        "jig.depth" => "1/4 in",
        "jig.inset" => "8 mm",
        "jig.bit" => "1/4 in",
        "jig.corner" => "4 mm",
        "jig.clearance" => "0.2 mm",
        "jig.allowance" => "1 mm",
        "jig.over" => "8 mm",
        "jig.key" => "no",
        "jig.tabs" => "3",
        "jig.tab_width" => "1 in",
        "jig.tab_thickness" => "1/4 in",
        "jig.tab_overlap" => "10 mm",
        "jig.cutter" => "1/2 in",
        "saw.blade" => "305 mm",
        "saw.reach" => "3 in",
        "saw.most_tilt" => "47",
        "saw.base" => "3/4 in",
        "saw.above" => "6 mm",
        "joint.kind" => "dowel",
        "joint.dowel_diameter" => "8 mm",
        "joint.dowel_length" => "40 mm",
        "joint.cover" => "5 mm",
        "mount.kind" => "axis",
        "mount.rod" => "1/2 in",
        "mount.hole" => "blind",
        "mount.depth" => "20 mm",
        "mount.lat" => "-17.5",
        "mount.lon" => "226",
        "mount.tilt" => "30",
        "mount.width" => "60 mm",
        "wood.species" => "black-walnut",
        "wood.sawn" => "quarter",
        "wood.grain" => "across",
        "wood.dry" => "7",
        "wood.moist" => "11",
        "budget.tilt" => "0.2",
        "budget.offset" => "0.2 mm",
        "budget.clearance" => "0.1 mm",
        "budget.trials" => "500",
        "budget.seed" => "7",
        "paper.sheet" => "letter",
        "paper.pages" => "4",
        "cutting.left" => "0.2 mm",
        "cutting.acceleration" => "500",
        "turn.relief" | "turn.worst" | "turn.high" => "0.75",
        "turn.misfit" | "turn.corner" | "turn.keep" => "0",
        "turn.limit" => "worst",
        "turn.most" => "0.8",
        "turn.peaks" | "turn.basins" | "turn.seed" => "7",
        _ => panic!("give {key} a value here"),
    }
}

#[test]
fn an_empty_job_is_the_default_and_takes_its_name_from_the_file() {
    let expected = Settings {
        name: "Walnut".to_owned(),
        ..Settings::default()
    };
    assert_eq!(job("").settings, expected);
    assert_eq!(job("").resolved["name"], "Walnut");
}

#[test]
fn the_starter_file_is_a_job_with_every_default() {
    for every in [false, true] {
        let text = starter(&[], every).unwrap();
        let mut settings = job(&text).settings;
        assert_eq!(settings.grid.files, [PathBuf::from("shop/world.tif")]);
        settings.grid.files.clear();
        settings.name = Settings::default().name;
        assert_eq!(settings, Settings::default());
    }
}

/// Grid, solid, diameter, relief, wood, boards and bits on one screen.
#[test]
fn the_first_starter_file_is_short() {
    let text = starter(&[], false).unwrap();
    assert!(text.lines().count() <= 45, "{text}");
    assert!(
        text.lines().all(|line| line.chars().count() <= 100),
        "{text}"
    );
    // Boards and bits stand ready: only the marks before them are taken away.
    let (settings, lists) = text.split_once("\n# [[board]]").unwrap();
    let on = lists.replace("\n# ", "\n");
    let job = job(&format!("{settings}\n[[board]]{on}"));
    for key in [
        "grid.files",
        "globe.solid",
        "globe.diameter",
        "relief.range",
        "relief.detail",
    ] {
        assert!(job.gives(key), "{key}");
    }
    assert!(job.gives("stock.thickness") && job.gives("wood.species"));
    assert_eq!(job.settings.boards.len(), 1);
    let usual = crate::carve::cutting::CutterSet::usual();
    assert_eq!(job.settings.cutters, usual);
}

#[test]
fn the_starter_file_with_its_examples_switched_on_is_a_job_too() {
    let text = starter(&[], true).unwrap();
    let on: String = text
        .lines()
        .map(|line| {
            let example = line.strip_prefix("# ").filter(|rest| {
                let begins = |leaf: &str| rest.starts_with(&format!("{leaf} = "));
                let in_list = |list: &&dyn Repeated| {
                    rest.starts_with(&format!("[[{}]]", list.section()))
                        || list.rows().iter().any(|row| begins(row.leaf))
                };
                SETTINGS.iter().any(|s| begins(s.leaf())) || LISTS.iter().any(in_list)
            });
            format!("{}\n", example.unwrap_or(line))
        })
        .collect();
    let job = job(&on);
    for setting in SETTINGS {
        assert!(job.gives(setting.key), "{} has no example", setting.key);
    }
    for list in LISTS {
        for row in list.rows() {
            let key = format!("{}.1.{}", list.section(), row.leaf);
            assert!(job.places.contains_key(&key), "{key} has no example");
        }
    }
}

#[test]
fn a_starter_file_keeps_what_is_set() {
    for setting in SETTINGS {
        let mut sets = vec![format!("{}={}", setting.key, other_value(setting.key))];
        sets.extend(needed_beside(setting.key).map(str::to_owned));
        for every in [false, true] {
            let text = starter(&sets, every).unwrap();
            let mut read = parse(&text, Path::new("globe.toml"), &[]).unwrap().settings;
            let mut expected = without_file(&sets).unwrap().settings;
            if setting.key != "grid.files" {
                read.grid.files.clear();
                expected.grid.files.clear();
            }
            assert_eq!(read, expected, "{}", setting.key);
        }
    }
    let turned = starter(&["globe.turn=auto".to_owned()], false).unwrap();
    assert!(job(&turned).settings.globe.turn.auto);
    assert_eq!(
        starter(&["globe.diameter=200".to_owned()], false)
            .unwrap_err()
            .to_string(),
        set_error("globe.diameter=200")
    );
}

/// A second setting without which the first one's other value is refused.
fn needed_beside(key: &str) -> Option<&'static str> {
    (key == "globe.projection").then_some("globe.base=flat")
}

#[test]
fn every_setting_can_be_set_and_shows_in_the_manifest() {
    let plain = set(&[]).unwrap();
    for setting in SETTINGS {
        let text = format!("{}={}", setting.key, other_value(setting.key));
        let changed = set(&[&text]).unwrap_or_else(|error| panic!("{error}"));
        assert_ne!(changed.settings, plain.settings, "{}", setting.key);
        let pointer = format!("/{}", setting.key.replace('.', "/"));
        let before = plain.resolved.pointer(&pointer);
        assert!(before.is_some(), "{} is missing", setting.key);
        assert_ne!(
            changed.resolved.pointer(&pointer),
            before,
            "{}",
            setting.key
        );
        assert!(changed.gives(setting.key) && !plain.gives(setting.key));
    }
}

#[test]
fn every_setting_has_a_section_a_unit_a_doc_and_a_default_that_holds() {
    let defaults = Settings::default();
    for (index, setting) in SETTINGS.iter().enumerate() {
        let key = setting.key;
        assert!(
            SECTIONS.iter().any(|(s, _)| *s == setting.section()),
            "{key}"
        );
        assert!(!setting.unit.is_empty() && !setting.doc.is_empty(), "{key}");
        assert!(
            !setting.doc.ends_with('.') && !setting.doc.contains('|'),
            "{key}"
        );
        assert!(!is_section(key), "{key} is a setting and a section");
        assert!(
            SETTINGS[..index].iter().all(|s| s.key != key),
            "{key} twice"
        );
        if let Default::Value(value) = setting.default {
            let mut settings = without_file(&[format!("{key}={value}")]).unwrap().settings;
            assert_eq!(settings, defaults, "{key}");
            settings.name.clear();
        }
    }
}

/// A default without a reason is a habit.
#[test]
fn every_default_has_its_reason() {
    let why = include_str!("../../../docs/why.md");
    let reasoned = |name: &str| why.contains(&format!("`{name}`"));
    for setting in SETTINGS.iter().filter(|s| !s.key.starts_with("relief.")) {
        if matches!(setting.default, Default::Value(_)) {
            assert!(reasoned(setting.key), "{} has no reason", setting.key);
        }
    }
    for list in LISTS {
        for row in list.rows() {
            let name = format!("[[{}]] {}", list.section(), row.leaf);
            if matches!(row.default, Default::Value(_)) {
                assert!(reasoned(&name), "{name} has no reason");
            }
        }
    }
}

#[test]
fn the_readme_lists_every_setting() {
    let readme = include_str!("../../../README.md");
    let (_, rest) = readme.split_once("<!-- settings:begin -->\n").unwrap();
    let (table, _) = rest.split_once("<!-- settings:end -->").unwrap();
    assert_eq!(
        table.trim(),
        readme_table().trim(),
        "\nREADME.md's settings table should read:\n{}",
        readme_table()
    );
}

#[test]
fn values_arrive_in_the_units_of_their_names() {
    let settings = job("name = \"Böse & <b>\"\n\
         grid = { files = \"a.tif\", radius = \"1737.4 km\" }\n\
         globe.diameter = \"8 in\"\n\
         [globe.turn]\nface = 2\nlat = -12\n\
         [relief]\nrange = \"1/4 in\"\nlevel = -3000\ncurve = \"knots\"\n\
         knots = [\n  [-8000, -2], # deep\n  [0, 0.5],\n  [21000, 4.5],\n]\n\
         [image]\npixel = \"0.05 mm\"\nformat = \"tiff\"\noutside = \"terrain\"\n")
    .settings;
    assert_eq!(settings.name, "Böse & <b>");
    assert_eq!(settings.grid.files, [PathBuf::from("shop/a.tif")]);
    assert_eq!(settings.grid.radius_m, Some(1_737_400.0));
    assert_eq!(settings.globe.diameter_mm, 203.2);
    assert_eq!(settings.globe.turn.face, 2);
    assert_eq!(settings.globe.turn.lat_deg, -12.0);
    assert_eq!(
        settings.relief.range,
        crate::model::settings::ReliefRange::Mm(6.35)
    );
    assert_eq!(settings.relief.level, Level::Metres(-3000.0));
    assert_eq!(
        settings.relief.knots,
        [[-8000.0, -2.0], [0.0, 0.5], [21000.0, 4.5]]
    );
    assert_eq!(settings.image.format, ImageFormat::Tiff);
    assert_eq!(settings.image.outside, Outside::Terrain);
}

#[test]
fn gnomonic_carves_on_flat_faces_unless_a_sphere_is_asked_for() {
    let flat = job("[globe]\nprojection = \"gnomonic\"\n");
    assert_eq!(flat.settings.globe.base, Base::Flat);
    assert_eq!(flat.resolved["globe"]["base"], "flat");
    let radial = job("[globe]\nbase = \"flat\"\n");
    assert_eq!(radial.settings.globe.projection, Projection::Radial);
    assert_eq!(
        job_error("[globe]\nprojection = \"gnomonic\"\nbase = \"sphere\"\n"),
        "job: globe.base: the gnomonic projection carves on flat faces only; found \"sphere\"; \
         allowed: \"flat\" with projection = \"gnomonic\"; set base = \"flat\", or projection = \
         \"radial\" (walnut.toml line 3)"
    );
}

#[test]
fn file_names_start_at_the_job_file_or_where_the_option_is_typed() {
    let text = "[grid]\nfiles = [\"a.tif\", \"/maps/b.tif\"]\n";
    assert_eq!(
        job(text).settings.grid.files,
        [PathBuf::from("shop/a.tif"), PathBuf::from("/maps/b.tif")]
    );
    let path = Path::new("shop/walnut.toml");
    let job = parse(text, path, &["grid.files=[\"c.tif\"]".to_owned()]).unwrap();
    assert_eq!(job.settings.grid.files, [PathBuf::from("c.tif")]);
    let named = parse(text, path, &["grid.files=maps/d.tif".to_owned()]).unwrap();
    assert_eq!(named.settings.grid.files, [PathBuf::from("maps/d.tif")]);
    assert_eq!(
        named.resolved["grid"]["files"],
        serde_json::json!(["d.tif"])
    );
}

#[test]
fn the_manifest_shows_every_setting_as_a_job_file_would() {
    assert_eq!(
        job("[globe]\ndiameter = \"1-1/2 in\"\n").resolved,
        serde_json::json!({
            "name": "Walnut",
            "units": "mm",
            "grid": {
                "files": [], "body": null, "radius": null, "quantity": null, "scale": null,
                "offset": null, "nodata": null, "west": null, "flattening": "keep"
            },
            "globe": {
                "solid": "deltoidal-icositetrahedron", "diameter": "38.1 mm", "base": "sphere",
                "projection": "radial",
                "names": "yes",
                "turn": { "place": "given", "face": 1, "lat": 90.0, "lon": 0.0, "spin": 0.0 }
            },
            "relief": {
                "range": "auto", "curve": "asinh", "boost": 2.5, "exponent": 0.6, "blend": null,
                "knots": null, "level": "mean", "method": "multiscale", "detail": "auto",
                "steepest": "auto",
                "below": { "level": null, "curve": null, "boost": null, "share": null }
            },
            "stock": {
                "thickness": "44.45 mm", "skim": "0.5 mm", "edge": "12 mm", "trim": "3 mm"
            },
            "image": { "pixel": "0.1 mm", "format": "png", "outside": "floor" },
            "blanks": {
                "spares": 1, "gap": "10 mm", "margin": "6 mm",
                "strip": null, "waste": 30.0
            },
            "jig": {
                "pocket": "yes", "depth": null, "inset": null, "bit": "6 mm", "corner": null,
                "clearance": "0.1 mm", "allowance": null, "over": "5 mm", "key": "yes",
                "tabs": null, "tab_width": null, "tab_thickness": null, "tab_overlap": null,
                "cutter": null
            },
            "saw": {
                "blade": "254 mm", "reach": null, "most_tilt": 45.0, "base": "18 mm",
                "above": "5 mm"
            },
            "joint": {
                "kind": "auto", "dowel_diameter": "6 mm", "dowel_length": "30 mm",
                "cover": "3 mm"
            },
            "mount": {
                "kind": "none", "rod": "12 mm", "hole": "through", "depth": null, "lat": 90.0,
                "lon": 0.0, "tilt": null, "width": null
            },
            "wood": {
                "species": "sugar-maple", "sawn": "flat", "grain": "along", "dry": 6.0,
                "moist": 10.0
            },
            "budget": {
                "tilt": 0.1, "offset": "0.1 mm", "clearance": null, "trials": 2000,
                "seed": 1
            },
            "paper": { "sheet": "a4", "pages": 1 },
            "cutting": { "left": "0.1 mm", "acceleration": null },
            "turn": {
                "relief": 1.0, "worst": 0.25, "high": 0.1, "misfit": 2.0, "corner": 0.1,
                "keep": 0.05, "limit": "none", "most": 1.0, "peaks": 3, "basins": 2, "seed": 0
            },
            "board": [], "cutter": [], "keep": [], "place": []
        })
    );
}

/// The manifest's `job` object as `key=value`, leaving out what is not given.
fn as_sets(prefix: &str, value: &serde_json::Value) -> Vec<String> {
    match value {
        serde_json::Value::Null => Vec::new(),
        serde_json::Value::Object(table) => {
            let point = if prefix.is_empty() { "" } else { "." };
            let nested = table.iter();
            nested
                .flat_map(|(key, value)| as_sets(&format!("{prefix}{point}{key}"), value))
                .collect()
        }
        serde_json::Value::Array(list) if list.iter().all(serde_json::Value::is_object) => {
            let numbered = list.iter().enumerate();
            numbered
                .flat_map(|(i, table)| as_sets(&format!("{prefix}.{}", i + 1), table))
                .collect()
        }
        // TOML has this character only escaped; JSON's printer leaves it as it is.
        other => vec![format!("{prefix}={other}").replace('\u{7f}', "\\u007f")],
    }
}

#[test]
fn the_manifest_s_job_makes_the_same_job_again() {
    for setting in SETTINGS {
        let job = set(&[&format!("{}={}", setting.key, other_value(setting.key))]).unwrap();
        let again = without_file(&as_sets("", &job.resolved)).unwrap();
        assert_eq!(again.settings, job.settings, "{}", setting.key);
    }
}

#[test]
fn mistakes_in_the_file_are_told_with_their_line() {
    for (text, message) in [
        (
            "[globe]\n\ndiameter = 200\n",
            "job: globe.diameter: the length has no unit; found 200; allowed: a length, 5 \
             mm to 10 m; write \"200 mm\" or \"200 in\" (walnut.toml line 3)",
        ),
        (
            "[globe]\ndiameter = \"8 furlong\"\n",
            "job: globe.diameter: \"furlong\" is not a unit used here; found \"8 furlong\"; \
             allowed: a number with mm, cm, m or in, such as \"200 mm\", \"8 in\" or \"1-1/2 \
             in\"; write \"8 mm\" or \"8 in\" (walnut.toml line 2)",
        ),
        (
            "[globe]\ndiameter = \"0 mm\"\n",
            "job: globe.diameter: this is too small; found \"0 mm\"; allowed: a length, 5 mm to \
             10 m; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[globe]\ndiameter = \"12 m\"\n",
            "job: globe.diameter: this is too large; found \"12 m\"; allowed: a length, 5 mm to \
             10 m; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[globe]\ndiameter = true\n",
            "job: globe.diameter: this is not a length; found true; allowed: a number with mm, \
             cm, m or in, such as \"200 mm\", \"8 in\" or \"1-1/2 in\"; write the length in \
             quotes, with its unit (walnut.toml line 2)",
        ),
        (
            "# a globe\r\n[globe]\r\ndiamter = \"8 in\"\r\n",
            "job: globe.diamter: there is no setting of this name; found \"8 in\"; allowed: \
             solid, diameter, base, projection, names; did you mean \"globe.diameter\"? (walnut.toml \
             line 3)",
        ),
        (
            "pixel = \"0.1 mm\"\n",
            "job: pixel: there is no setting of this name; found \"0.1 mm\"; allowed: name, units, and \
             the sections [grid], [globe], [globe.turn], [relief], [relief.below], [stock], [image], [blanks], [jig], [saw], \
             [joint], [mount], [wood], [budget], [paper], \
             [cutting], [turn], [[board]], [[cutter]], [[keep]], [[place]]; did you \
             mean \"image.pixel\"? (walnut.toml line 1)",
        ),
        (
            "[globe.turn]\nroll = 3\n",
            "job: globe.turn.roll: there is no setting of this name; found 3; allowed: place, face, \
             lat, lon, spin; remove it, or check its spelling in the settings table \
             (walnut.toml line 2)",
        ),
        (
            "[grid]\n[stok]\nskim = \"1 mm\"\n",
            "job: stok: there is no section of this name; allowed: [grid], [globe], \
             [globe.turn], [relief], [relief.below], [stock], [image], [blanks], [jig], [saw], \
             [joint], [mount], [wood], [budget], [paper], \
             [cutting], [turn], [[board]], [[cutter]], [[keep]], [[place]]; did you mean [stock]? (walnut.toml line 2)",
        ),
        (
            "[[globe]]\nsolid = \"cube\"\n",
            "job: globe: this section can be written only once; found [[globe]]; allowed: \
             [globe]; write [globe] (walnut.toml line 1)",
        ),
        (
            "globe = \"cube\"\n",
            "job: globe: this is a section, not a setting; found \"cube\"; allowed: [globe] with \
             its settings below it; write [globe] on a line of its own (walnut.toml line 1)",
        ),
        (
            "[globe.solid]\nname = \"cube\"\n",
            "job: globe.solid: this is a setting, not a section; found a table; allowed: \
             ALLOWED_SOLIDS; write solid = … (walnut.toml line 1)",
        ),
        (
            "[relief]\ncurve = \"asihn\"\n",
            "job: relief.curve: this word is not known here; found \"asihn\"; allowed: \
             \"linear\", \"power\", \"asinh\", \"log\", \"equalize\" or \"knots\"; did you mean \
             \"asinh\"? (walnut.toml line 2)",
        ),
        (
            "[relief]\ncurve = 3\n",
            "job: relief.curve: this must be a word in quotes; found 3; allowed: \"linear\", \
             \"power\", \"asinh\", \"log\", \"equalize\" or \"knots\"; write one of these \
             (walnut.toml line 2)",
        ),
        (
            "[relief]\nboost = nan\n",
            "job: relief.boost: this must be a number; found nan; allowed: a number, 1 to 50; 1 \
             is a straight line; write a number without quotes or unit (times linear) (walnut.toml line 2)",
        ),
        (
            "[relief]\nboost = 0\n",
            "job: relief.boost: this is too small; found 0; allowed: a number, 1 to 50; \
             1 is a straight line; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[relief]\nboost = -2\n",
            "job: relief.boost: this is too small; found -2; allowed: a number, 1 to 50; \
             1 is a straight line; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[relief]\nmethod = \"layered\"\n",
            "job: relief.method: this word is not known here; found \"layered\"; allowed: \
             \"multiscale\" or \"curve\"; write method = \"multiscale\", which has taken its place; \
             detail, 0 to 1 or \"auto\", says how boldly (walnut.toml line 2)",
        ),
        (
            "[relief]\nspan = \"5 mm\"\n",
            "job: relief.span: there is no setting of this name; found \"5 mm\"; allowed: range, curve, \
             boost, exponent, blend, knots, level, method, detail, steepest; leave it out: method = \
             \"multiscale\" needs none but detail, 0 to 1 or \"auto\" (walnut.toml line 2)",
        ),
        (
            "[relief]\nexponent = 1.0\n",
            "job: relief.exponent: this is too large; found 1.0; allowed: a number between 0 and \
             1; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[relief]\nlevel = \"median\"\n",
            "job: relief.level: this is neither a number nor the word allowed here; found \
             \"median\"; allowed: \"mean\", or a number of metres without a unit, -1e9 to 1e9; \
             write a number without quotes or unit (metres) (walnut.toml line 2)",
        ),
        (
            "[relief]\nrange = \"automatic\"\n",
            "job: relief.range: this is not a length; found \"automatic\"; allowed: \"auto\", \
             \"most\", or a length, 0.01 mm to 1 m; write the length in quotes, with its unit (walnut.toml \
             line 2)",
        ),
        (
            "[grid]\nscale = 0\n",
            "job: grid.scale: this cannot be 0; found 0; allowed: a number other than 0, -1e6 to \
             1e6; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[grid]\nradius = 1737.4\n",
            "job: grid.radius: the length has no unit; found 1737.4; allowed: a number with km \
             or m, such as \"1737.4 km\" or \"3396190 m\"; write \"1737.4 km\" or \"1737.4 m\" \
             (walnut.toml line 2)",
        ),
        (
            "[grid]\nfiles = []\n",
            "job: grid.files: this is not a list of files; found an empty list; allowed: file \
             names in quotes, in square brackets; write [\"world.tif\"] (walnut.toml line 2)",
        ),
        (
            "[globe.turn]\nlat = 91\n",
            "job: globe.turn.lat: this is too large; found 91; allowed: a number of degrees, -90 \
             to 90; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[globe.turn]\nface = 0\n",
            "job: globe.turn.face: this is too small; found 0; allowed: a whole number, 1 to \
             120; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[globe]\nsolid = \"dodecahedron\"\n[globe.turn]\nface = 13\n",
            "job: globe.turn.face: the dodecahedron has no such facet; found 13; allowed: 1 to \
             12; choose one of its facets (walnut.toml line 4)",
        ),
        (
            "\n# short forms\nglobe = { solid = \"cube\", diameter = 8 }\n",
            "job: globe.diameter: the length has no unit; found 8; allowed: a length, 5 mm \
             to 10 m; write \"8 mm\" or \"8 in\" (walnut.toml line 3)",
        ),
        (
            "[globe]\ndiameter = 1000\n",
            "job: globe.diameter: the length has no unit; found 1000; allowed: a length, 5 mm to \
             10 m; write \"1000 mm\" (walnut.toml line 2)",
        ),
        (
            "[globe]\ndiameter = nan\n",
            "job: globe.diameter: this is not a length; found nan; allowed: a length, 5 mm to 10 \
             m; write the length in quotes, with its unit (walnut.toml line 2)",
        ),
        (
            "[globe]\ndiameter = 0\n",
            "job: globe.diameter: the length has no unit; found 0; allowed: a length, 5 mm to 10 \
             m; write a length within that range, in quotes, with its unit (walnut.toml line 2)",
        ),
        (
            "[globe]\ndiameter = \"0\"\n",
            "job: globe.diameter: the length has no unit; found \"0\"; allowed: a length, 5 mm to \
             10 m; write a length within that range, in quotes, with its unit (walnut.toml line 2)",
        ),
        (
            // Valid escapes but for the first; then a Windows path that none of TOML's are.
            "[grid]\nfiles = [\"C:\\Users\\me\\world.tif\"]\n",
            "job: this cannot be read (too few unicode value digits); found files = \
             [\"C:\\Users\\me\\world.tif\"]; write / for every \\, or put the text in single \
             quotes (walnut.toml line 2)",
        ),
        (
            "[stock]\nthickness = \"1 in\"\nskim = \"1-1/2 in\"\n",
            "job: stock.skim: the skim takes the whole thickness; found 1.500 in (1-1/2); allowed: \
             less than stock.thickness, 1.000 in; make the skim smaller, or the stock thicker \
             (walnut.toml line 3)",
        ),
        (
            "name = \"é\"\nglobe.turn.lat = \"45 N\"\n",
            "job: globe.turn.lat: this must be a number; found \"45 N\"; allowed: a number of \
             degrees, -90 to 90; write a number without quotes or unit (degrees north) \
             (walnut.toml line 2)",
        ),
        (
            "\"gl\\nobe\".x = 1\n",
            "job: gl\\nobe: there is no section of this name; allowed: [grid], [globe], \
             [globe.turn], [relief], [relief.below], [stock], [image], [blanks], [jig], [saw], \
             [joint], [mount], [wood], [budget], [paper], \
             [cutting], [turn], [[board]], [[cutter]], [[keep]], [[place]]; did you mean [globe]? (walnut.toml line 1)",
        ),
        (
            "[grid]\nfiles = [\n  \"a.tif\",\n  # the second tile\n  2,\n]\n",
            "job: grid.files: this is not a list of files; found 2; allowed: file names in \
             quotes, in square brackets; write [\"world.tif\"] (walnut.toml line 2)",
        ),
        (
            "[globe.turn]\nface = 1.5\n",
            "job: globe.turn.face: this must be a whole number; found 1.5; allowed: a whole \
             number, 1 to 120; write it without quotes, point or unit (walnut.toml line 2)",
        ),
        (
            "name = \"\"\n",
            "job: name: this text cannot be used; found \"\"; allowed: one line of text, up to \
             100 characters; write something short on one line (walnut.toml line 1)",
        ),
        (
            "[stock]\nthickness = \"20 mm\"\nskim = \"1 in\"\n",
            "job: stock.skim: the skim takes the whole thickness; found 1.000 in; allowed: less \
             than stock.thickness, 0.787 in; make the skim smaller, or the stock thicker \
             (walnut.toml line 3)",
        ),
        (
            "[stock]\nskim = \"1 mm\"\nskim = \"2 mm\"\n",
            "job: this is given twice (duplicate key); found skim = \"2 mm\"; keep one of the \
             two (walnut.toml line 3)",
        ),
        (
            "[globe]\ndiameter = 8 in\n",
            "job: this cannot be read (string values must be quoted); found diameter = 8 in; write \
             settings as key = value, with text and lengths in quotes (walnut.toml line 2)",
        ),
        (
            "[globe\ndiameter = \"8 in\"\n",
            "job: this cannot be read (unclosed table); found [globe; write settings as key = \
             value, with text and lengths in quotes (walnut.toml line 1)",
        ),
        (
            "[grid]\n[globe]\n[grid]\n",
            "job: this is given twice (duplicate key); found [grid]; keep one of the two \
             (walnut.toml line 3)",
        ),
        (
            "[globe]\nsolid = \"cube\ndiameter = \"8 in\"\n",
            "job: this cannot be read (invalid basic string); found solid = \"cube; write settings \
             as key = value, with text and lengths in quotes (walnut.toml line 2)",
        ),
        (
            "[grid]\nfiles = [\"C:\\maps\\moon.tif\"]\n",
            "job: this cannot be read (missing escaped value); found files = \
             [\"C:\\maps\\moon.tif\"]; write / for every \\, or put the text in single quotes \
             (walnut.toml line 2)",
        ),
    ] {
        let solids = table::words(crate::model::geometry::solid_names().into_iter());
        assert_eq!(job_error(text), message.replace("ALLOWED_SOLIDS", &solids));
    }
}

#[test]
fn a_wrong_solid_gets_the_nearest_name_and_the_list_of_all() {
    let error = |solid: &str| job_error(&format!("[globe]\nsolid = \"{solid}\"\n"));
    let names = crate::model::geometry::solid_names();
    // Source: 5 Platonic, 13 Archimedean and 13 Catalan solids, mirror images not counted.
    assert_eq!(names.len(), 31);
    let names = table::words(names.into_iter());
    for (typed, meant) in [
        ("dodecahedorn", "did you mean \"dodecahedron\"?"),
        (
            "Rhombic Triacontahedron",
            "did you mean \"rhombic-triacontahedron\"?",
        ),
        ("ball", "write one of these"),
    ] {
        assert_eq!(
            error(typed),
            format!(
                "job: globe.solid: this word is not known here; found \"{typed}\"; allowed: \
                 {names}; {meant} (walnut.toml line 2)"
            )
        );
    }
}

#[test]
fn curves_by_hand_must_rise() {
    let error = |knots: &str| job_error(&format!("[relief]\ncurve = \"knots\"\nknots = {knots}\n"));
    let rest = "allowed: 2 to 1000 pairs [metres, mm], metres rising, mm never falling";
    let example = "write [[-8000, -2.0], [0, 0.0], [21000, 4.0]]";
    for (knots, what, next) in [
        ("3", "this is not a list of pairs; found 3", example),
        (
            "[[0, 1]]",
            "this many pairs cannot make a curve; found 1",
            example,
        ),
        (
            "[[0, 1],\n# high\n[5, \"x\"]]",
            "pair 2 is not two numbers, metres and mm; found [5, \"x\"]",
            example,
        ),
        (
            "[[0, 1], [inf, 2]]",
            "pair 2 is not two numbers, metres and mm; found [inf, 2]",
            example,
        ),
        (
            "[[0, 1], [5, 2000]]",
            "pair 2 goes beyond 1e9 metres or 1000 mm; found [5, 2000]",
            example,
        ),
        (
            "[[0, 1], [0, 2]]",
            "pair 2: the metres do not rise; found [0.0, 1.0] before [0.0, 2.0]",
            "sort the pairs by metres, each height once",
        ),
        (
            "[[0, 1], [5, 0.5]]",
            "pair 2: the mm fall; found [0.0, 1.0] before [5.0, 0.5]",
            "higher ground may not be carved lower",
        ),
        (
            "[[0, 1], [5, 1]]",
            "every pair has the same mm; found 1 mm",
            "give the highest ground more mm than the lowest",
        ),
    ] {
        assert_eq!(
            error(knots),
            format!("job: relief.knots: {what}; {rest}; {next} (walnut.toml line 3)")
        );
    }
    assert_eq!(
        job_error("\n[relief]\ncurve = \"knots\"\n"),
        format!(
            "job: relief.knots: the knots curve needs its pairs; found none; {rest}; write knots \
             = [[-8000, -2.0], [0, 0.0], [21000, 4.0]] under [relief] (walnut.toml line 2)"
        )
    );
}

#[test]
fn mistakes_in_an_option_name_the_option() {
    for (text, message) in [
        (
            "globe.diameter=200",
            "job: globe.diameter: the length has no unit; found 200; allowed: a length, 5 \
             mm to 10 m; write \"200 mm\" or \"200 in\" (--set globe.diameter=200)",
        ),
        (
            "globe.size=8in",
            "job: globe.size: there is no setting of this name; allowed: solid, diameter, base, \
             projection, names; remove it, or check its spelling in the settings table (--set \
             globe.size=8in)",
        ),
        (
            "diameter",
            "job: --set needs a setting and a value; found \"diameter\"; allowed: key=value, \
             such as globe.diameter=8in; add = and the value (--set diameter)",
        ),
        (
            "globe=cube",
            "job: globe: this is a section, not a setting; allowed: one of its settings, such as \
             globe.solid; give one setting at a time (--set globe=cube)",
        ),
        (
            "relief.boost=",
            "job: relief.boost: this must be a number; found \"\"; allowed: a number, 1 to 50; 1 \
             is a straight line; write a number without quotes or unit (times linear) (--set relief.boost=)",
        ),
    ] {
        assert_eq!(set_error(text), message);
    }
}

#[test]
fn options_are_read_as_toml_first_and_else_as_text() {
    let diameter = |text: &str| set(&[text]).unwrap().settings.globe.diameter_mm;
    assert_eq!(diameter("globe.diameter=\"8 in\""), 203.2);
    assert_eq!(diameter("globe.diameter=8in"), 203.2);
    assert_eq!(diameter("globe.diameter = 8\""), 203.2);
    let curve = set(&["relief.curve=linear"]).unwrap().settings.relief.curve;
    assert_eq!(curve, CurveShape::Linear);
    // The last of several holds, and any of them beats the file, even where the file is wrong.
    let path = Path::new("walnut.toml");
    let sets = [
        "globe.diameter=6in".to_owned(),
        "globe.diameter=8in".to_owned(),
    ];
    let job = parse("[globe]\ndiameter = 200\n", path, &sets).unwrap();
    assert_eq!(job.settings.globe.diameter_mm, 203.2);
}

#[test]
fn a_later_stage_s_error_gets_its_line() {
    let job = parse(
        "[stock]\nthickness = \"1 in\"\n",
        Path::new("walnut.toml"),
        &["globe.diameter=8in".to_owned()],
    )
    .unwrap();
    let located = |key: &str| {
        let error = Error::Stock(Problem::new("too thin").setting(key));
        job.locate(error).to_string()
    };
    assert_eq!(
        located("stock.thickness"),
        "stock: stock.thickness: too thin (walnut.toml line 2)"
    );
    assert_eq!(
        located("stock.skim"),
        "stock: stock.skim: too thin (walnut.toml line 1)"
    );
    assert_eq!(
        located("globe.diameter"),
        "stock: globe.diameter: too thin (--set globe.diameter=8in)"
    );
    assert_eq!(
        located("image.pixel"),
        "stock: image.pixel: too thin (walnut.toml)"
    );
    let elsewhere = Error::Grid(Problem::new("empty").setting("grid.files").file("a.tif"));
    assert_eq!(
        job.locate(elsewhere).to_string(),
        "grid: grid.files: empty (a.tif)"
    );
    assert_eq!(
        job.require_grid().unwrap_err().to_string(),
        "job: grid.files: the job names no elevation grid; allowed: file names in quotes, in \
         square brackets; write files = [\"world.tif\"] under [grid] (walnut.toml)"
    );
}

#[test]
fn what_is_not_a_job_file_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.toml");
    let message = |path: &Path| {
        let text = load(path, &[]).unwrap_err().to_string();
        text.replace(&folder.path().display().to_string(), "shop")
    };
    assert_eq!(
        message(&path),
        "job: there is no such job file; check the name, or write one with \"globewright init\" \
         (shop/a.toml)"
    );
    assert_eq!(
        message(folder.path()),
        "job: this is a folder, not a job file; allowed: a text file of up to 1 MiB; give the \
         .toml file; the elevation grid is named inside it (shop)"
    );
    std::fs::write(&path, [0xff, 0xfe, 0x00]).unwrap();
    assert_eq!(
        message(&path),
        "job: this is not a text file; allowed: a text file of up to 1 MiB; give the .toml \
         file; the elevation grid is named inside it (shop/a.toml)"
    );
    std::fs::write(&path, vec![b' '; (LONGEST_FILE + 1) as usize]).unwrap();
    assert_eq!(
        message(&path),
        "job: this is too long to be a job file; allowed: a text file of up to 1 MiB; give the \
         .toml file; the elevation grid is named inside it (shop/a.toml)"
    );
    std::fs::write(&path, "[globe]\ndiameter = \"8 in\"\n").unwrap();
    assert_eq!(load(&path, &[]).unwrap().settings.globe.diameter_mm, 203.2);
}

/// A text on which the library that keeps comments panics.
#[test]
fn a_file_of_nothing_but_signs_names_its_first_wrong_line() {
    let error = parse("#\n==\n.=", Path::new("walnut.toml"), &[]).unwrap_err();
    let text = error.to_string();
    assert!(text.ends_with("(walnut.toml line 2)"), "{text}");
}

proptest! {
    #[test]
    fn any_allowed_length_survives_the_manifest(mm in 5.0..10_000.0f64) {
        let job = without_file(&[format!("globe.diameter={mm} mm")]).unwrap();
        let again = without_file(&as_sets("", &job.resolved)).unwrap();
        prop_assert_eq!(again.settings, job.settings);
    }
}

/// What the manifest keeps of a job makes the same job again.
fn reads_back(job: &Job) -> TestCaseResult {
    let again = without_file(&as_sets("", &job.resolved));
    prop_assert_eq!(again.map(|again| again.resolved), Ok(job.resolved.clone()));
    Ok(())
}

#[test]
fn fuzz_job_files() {
    let (every, first) = (starter(&[], true).unwrap(), starter(&[], false).unwrap());
    let known = [
        &first,
        &every,
        "name = 'a'\n[relief]\nknots = [[-8000, -2.0], [0, 0.0], [21000, 4.0]]\n[[board]]\n\
         width = \"8 in\"\nlength = \"2 m\"\n[globe.turn]\nplace = \"auto\"\n",
        "globe = { diameter = \"8 in\", turn = { lat = 3 } }\ngrid.files = [\"a.tif\", 'b.tif']\n",
        "#\n==\n.=",
    ];
    let words = "[globe]\n|[[board]]\n|globe.diameter = |\"8 in\"|\"\"\"|'''|a.|{a=|[[|= [|\n|# |\
        true|1979-05-27|_|\\U0010ffff";
    hostile::each(hostile::text(&known, words), |text| {
        match parse(&text, Path::new("walnut.toml"), &[]) {
            Ok(job) => reads_back(&job),
            Err(error) => {
                prop_assert!(matches!(error, Error::Job(_)));
                prop_assert!(error.to_string().contains("(walnut.toml"), "{}", error);
                hostile::one_line(error)
            }
        }
    });
}

#[test]
fn fuzz_values_of_settings() {
    let known: Vec<&str> = SETTINGS.iter().map(|s| other_value(s.key)).collect();
    let words = "\"8 in\"|[[|{a=|\"\"\"|'''|1979-05-27|true|auto| mm";
    let row = 0..SETTINGS.len();
    hostile::each(
        (row, hostile::text(&known, words)),
        |(row, value)| match without_file(&[format!("{}={value}", SETTINGS[row].key)]) {
            Ok(job) => reads_back(&job),
            Err(error) => {
                prop_assert!(matches!(error, Error::Job(_)));
                hostile::one_line(error)
            }
        },
    );
}

#[test]
fn words_and_ranges_of_the_table_hold_together() {
    for setting in SETTINGS {
        match &setting.kind {
            ValueKind::Length { range, .. } | ValueKind::Number { range, .. } => {
                assert!(range.low < range.high, "{}", setting.key);
            }
            ValueKind::Word { words, get } => {
                for word in *words {
                    let mut settings = Settings::default();
                    (word.set)(&mut settings);
                    assert_eq!(get(&settings).as_deref(), Some(word.word));
                }
            }
            _ => {}
        }
    }
}

#[test]
fn repeated_sections_are_read_in_order_in_either_spelling() {
    let boards = vec![
        crate::model::settings::Board {
            width_mm: 203.2,
            length_mm: 2000.0,
            thickness_mm: Some(50.8),
            count: 3,
        },
        crate::model::settings::Board {
            width_mm: 150.0,
            length_mm: 900.0,
            thickness_mm: None,
            count: 1,
        },
    ];
    let tables = job(
        "[[board]]\nwidth = \"8 in\"\nlength = \"2 m\"\nthickness = \"2 in\"\n\
                      count = 3\n\n[stock]\nskim = \"1 mm\"\n\n[[board]]\nlength = \"900 mm\"\n\
                      width = \"15 cm\"\n",
    );
    assert_eq!(tables.settings.boards, boards);
    assert_eq!(
        tables.resolved["board"],
        serde_json::json!([
            {"width": "203.2 mm", "length": "2000 mm", "thickness": "50.8 mm", "count": 3},
            {"width": "150 mm", "length": "900 mm", "thickness": null, "count": 1},
        ])
    );
    let inline = job(
        "board = [{ width = \"8 in\", length = \"2 m\", thickness = \"2 in\", \
                      count = 3 }, { width = \"15 cm\", length = \"900 mm\" }]\n",
    );
    assert_eq!(inline.settings.boards, boards);
    let again = without_file(&as_sets("", &tables.resolved)).unwrap();
    assert_eq!(again.settings.boards, boards);
    let sets: Vec<String> = as_sets("board", &tables.resolved["board"]);
    for every in [false, true] {
        let starter = starter(&sets, every).unwrap();
        assert_eq!(job(&starter).settings.boards, boards);
    }
}

#[test]
fn options_change_a_table_or_start_the_next() {
    let text = "[[board]]\nwidth = \"8 in\"\nlength = \"2 m\"\n";
    let with = |sets: &[&str]| {
        let sets: Vec<String> = sets.iter().map(|s| (*s).to_owned()).collect();
        parse(text, Path::new("walnut.toml"), &sets).map(|job| job.settings.boards)
    };
    assert_eq!(with(&["board.1.count=4"]).unwrap()[0].count, 4);
    let two = with(&["board.2.width=100mm", "board.2.length=1m"]).unwrap();
    assert_eq!((two.len(), two[1].width_mm), (2, 100.0));
    for (option, message) in [
        (
            "board.3.count=1",
            "job: board.3: there is no [[board]] of this number; found 1 in the job; allowed: 1 \
             to 2; use the next free number, 2 (--set board.3.count=1)",
        ),
        (
            "board.width=1in",
            "job: board.width: say which [[board]], by its number; allowed: such as \
             board.1.width; count them from the top of the job file, from 1 (--set \
             board.width=1in)",
        ),
        (
            "board.2.width=1in",
            "job: board.2.length: this must be given; allowed: a length, 1 mm to 20 m; write \
             length = \"2400 mm\" (--set board.2.width=1in)",
        ),
        (
            "board.1.colour=red",
            "job: board.1.colour: there is no setting of this name; allowed: width, length, \
             thickness, count; remove it, or check its spelling in the settings table (--set \
             board.1.colour=red)",
        ),
        (
            "board.1.width=wide",
            "job: board.1.width: this is not a length; found \"wide\"; allowed: a number with mm, \
             cm, m or in, such as \"200 mm\", \"8 in\" or \"1-1/2 in\"; write the length in \
             quotes, with its unit (--set board.1.width=wide)",
        ),
    ] {
        assert_eq!(with(&[option]).unwrap_err().to_string(), message);
    }
}

#[test]
fn mistakes_in_repeated_sections_are_told_with_their_line() {
    for (text, message) in [
        (
            "[board]\nwidth = \"8 in\"\n",
            "job: board: this section may be repeated and is written in double brackets; found \
             [board]; allowed: [[board]] with its settings below it; write [[board]] \
             (walnut.toml line 1)",
        ),
        (
            "board = 3\n",
            "job: board: this section may be repeated and is written in double brackets; found \
             3; allowed: [[board]] with its settings below it; write [[board]] (walnut.toml line \
             1)",
        ),
        (
            "[[board]]\nwidth = \"8 in\"\nlength = \"1 m\"\n\n[[board]]\nwidht = \"8 in\"\n",
            "job: board.2.widht: there is no setting of this name; allowed: width, length, \
             thickness, count; did you mean \"width\"? (walnut.toml line 6)",
        ),
        (
            "\n[[board]]\nwidth = \"8 in\"\n",
            "job: board.1.length: this must be given; allowed: a length, 1 mm to 20 m; write \
             length = \"2400 mm\" (walnut.toml line 2)",
        ),
        (
            "[[board]]\nwidth = \"8 in\"\nlength = \"1 m\"\ncount = 0\n",
            "job: board.1.count: this is too small; found 0; allowed: a whole number, 1 to 1000; \
             choose a value within that range (walnut.toml line 4)",
        ),
        (
            "[[boards]]\nwidth = \"8 in\"\n",
            "job: boards: there is no section of this name; allowed: [grid], [globe], \
             [globe.turn], [relief], [relief.below], [stock], [image], [blanks], [jig], [saw], \
             [joint], [mount], [wood], [budget], [paper], \
             [cutting], [turn], [[board]], [[cutter]], [[keep]], [[place]]; did you mean [[board]]? \
             (walnut.toml line 1)",
        ),
    ] {
        assert_eq!(job_error(text), message);
    }
}

#[test]
fn bits_are_read_with_the_defaults_of_the_trade() {
    let settings = job(
        "[[cutter]]\nfeed = \"100 in/min\"\nplunge = \"800 mm per minute\"\n\
                        [[cutter]]\nshape = \"flat\"\ndiameter = \"1/4 in\"\n\
                        stepover = \"3 mm\"\n",
    )
    .settings;
    let [ball, flat] = &settings.cutters[..] else {
        panic!("{:?}", settings.cutters);
    };
    assert_eq!(ball.role(), crate::model::settings::CutterRole::Finish);
    assert_eq!((ball.feed_mm_min, ball.plunge_mm_min), (2540.0, 800.0));
    assert!((ball.stepover_mm() - 0.3175).abs() < 1e-12);
    assert_eq!(flat.role(), crate::model::settings::CutterRole::Rough);
    assert_eq!((flat.stepover_mm(), flat.stepdown_mm()), (3.0, 3.175));
    assert!((flat.allowance_mm() - 0.635).abs() < 1e-12);
}

#[test]
fn bits_that_cannot_be_are_told_with_their_line() {
    let ball = "[[cutter]]\ndiameter = \"3 mm\"\n";
    for (text, message) in [
        (
            "[[cutter]]\ndiameter = \"0 mm\"\n".to_owned(),
            "job: cutter.1.diameter: this is too small; found \"0 mm\"; allowed: a length above \
             0 mm and below 100 mm; choose a value within that range (walnut.toml line 2)",
        ),
        (
            "[[cutter]]\ndiameter = \"-3 mm\"\n".to_owned(),
            "job: cutter.1.diameter: this is too small; found \"-3 mm\"; allowed: a length above \
             0 mm and below 100 mm; choose a value within that range (walnut.toml line 2)",
        ),
        (
            format!("{ball}stepover = \"4 mm\"\n"),
            "job: cutter.1.stepover: passes this far apart leave wood between them; found 4 mm; \
             allowed: at most the diameter, 3 mm; a tenth of the diameter leaves a smooth surface \
             (walnut.toml line 3)",
        ),
        (
            "[[cutter]]\nshape = \"flat\"\n".to_owned(),
            "job: cutter: no bit of this job carves the surface; found 1 for roughing, none for \
             finishing; allowed: one finishing [[cutter]], and at most one for roughing; add a \
             [[cutter]] with role = \"finish\" (walnut.toml line 1)",
        ),
        (
            "[[cutter]]\nshape = \"flat\"\nrole = \"finish\"\n".to_owned(),
            "job: cutter.1.role: a flat bit leaves steps on a carved surface; found role = \
             \"finish\" with shape = \"flat\"; allowed: \"rough\", or \"finish-flat\" where steps \
             are wanted; use a ball, or write role = \"finish-flat\" (walnut.toml line 3)",
        ),
        (
            format!("{ball}role = \"rough\"\n"),
            "job: cutter.1.role: roughing is worked out for flat bits only; found role = \
             \"rough\" with a ball; allowed: shape = \"flat\" for roughing; use a flat bit, or \
             leave this one out: the finishing bit then cuts it all (walnut.toml line 3)",
        ),
        (
            format!("{ball}{ball}"),
            "job: cutter: this many bits for one purpose cannot be told apart; found 0 for \
             roughing, 2 for finishing; allowed: one finishing [[cutter]], and at most one for \
             roughing; keep one of each (walnut.toml line 1)",
        ),
        (
            format!("{ball}shape = \"tapered-ball\"\nflute = \"1 mm\"\n"),
            "job: cutter.1.flute: the flute ends before the ball does; found 1 mm; allowed: more \
             than 1.37 mm; give the length of the whole cutting part (walnut.toml line 4)",
        ),
        (
            format!("{ball}feed = \"fast\"\n"),
            "job: cutter.1.feed: this is not a length; found \"fast\"; allowed: a length per \
             minute, 1 mm/min to 1000 m/min; write it as \"2500 mm/min\" or \"100 in/min\" \
             (walnut.toml line 3)",
        ),
    ] {
        assert_eq!(job_error(&text), message);
    }
    assert!(set(&["cutter.1.shape=flat", "cutter.1.role=finish-flat"]).is_ok());
}

#[test]
fn the_turn_may_be_left_to_the_program() {
    assert!(job("[globe]\nturn = \"auto\"\n").settings.globe.turn.auto);
    assert!(set(&["globe.turn=auto"]).unwrap().settings.globe.turn.auto);
    assert_eq!(
        set_error("globe.turn=best"),
        "job: globe.turn.place: this word is not known here; found \"best\"; allowed: \"given\" or \
         \"auto\"; write one of these (--set globe.turn=best)"
    );
}

#[test]
fn a_blade_stands_no_higher_than_its_radius_and_old_sections_are_refused() {
    assert_eq!(
        job_error("[saw]\nblade = \"10 in\"\nreach = \"5 in\"\n"),
        "job: saw.reach: a blade cannot stand higher above the table than its radius; found 5.000 in; \
         allowed: less than half of saw.blade, 5.000 in; take saw.reach from the \
         saw's manual, or correct saw.blade (walnut.toml line 3)"
    );
    let old = job_error("[work]\nfeed = 2000\n");
    assert!(old.contains("[[cutter]]"), "{old}");
}
