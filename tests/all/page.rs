//! The report page in a real browser: the system's Chromium, without a window, drawing in
//! software. With `SCREENSHOTS` set, pictures to look at stay in the build folder, under
//! `tmp/screenshots`; nothing is asked of them, and they take as long as all that is.

use crate::browser::{PATIENCE, Tab};
use crate::support::{contents, files, program, run};
use globewright::Manifest;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// A page opened from disk, with everything it asked for and complained about.
pub struct Opened {
    pub tab: Tab,
}

impl Opened {
    fn new(page: &Path, size: [u32; 2]) -> Opened {
        let link = format!("file://{}", page.display());
        Opened::at(
            &link,
            size,
            "document.documentElement.dataset.ball !== undefined",
        )
    }

    /// Opens a link and waits until the page says that it is ready.
    pub fn at(link: &str, [width, height]: [u32; 2], ready: &str) -> Opened {
        let opened = Opened { tab: Tab::new() };
        opened.size([width, height], false);
        opened.tab.call("Page.navigate", json!({ "url": link }));
        opened.wait(ready);
        opened
    }

    /// Value of an expression.
    pub fn ask(&self, expression: &str) -> Value {
        let text = format!("JSON.stringify({expression})");
        match self.tab.evaluate(&text) {
            Ok(Value::String(text)) => serde_json::from_str(&text).unwrap(),
            other => panic!("{expression} is {other:?}"),
        }
    }

    pub fn run(&self, statement: &str) {
        self.tab.evaluate(statement).unwrap();
    }

    pub fn wait(&self, condition: &str) {
        let start = Instant::now();
        // While a page is being replaced there is nothing to ask.
        let holds = || {
            let found = self.tab.evaluate(&format!("Boolean({condition})"));
            found == Ok(json!(true))
        };
        while !holds() {
            assert!(start.elapsed() < PATIENCE, "never came true: {condition}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub fn size(&self, [width, height]: [u32; 2], mobile: bool) {
        let metrics = json!({
            "width": width, "height": height, "deviceScaleFactor": 1.0, "mobile": mobile
        });
        self.tab.call("Emulation.setDeviceMetricsOverride", metrics);
        // The page hears of it later.
        self.wait(&format!(
            "matchMedia('(width: {width}px) and (height: {height}px)').matches"
        ));
        self.drawn();
    }

    /// Waits until what has been asked of the page so far is on the screen: a frame lays out and
    /// tells of new sizes, the next draws the balls for them, the third shows them.
    pub fn drawn(&self) {
        self.run(
            "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => \
             requestAnimationFrame(done))))",
        );
    }

    pub fn media(&self, media: &str, scheme: &str) {
        let scheme = json!({ "name": "prefers-color-scheme", "value": scheme });
        let asked = json!({ "media": media, "features": [scheme] });
        self.tab.call("Emulation.setEmulatedMedia", asked);
    }

    /// Keeps a picture of the window, or of the whole page at a width, when pictures are asked for.
    pub fn screenshot(&self, name: &str, whole: Option<u32>) {
        if std::env::var_os("SCREENSHOTS").is_none() {
            return;
        }
        self.run("scrollTo(0, 0)");
        if let Some(width) = whole {
            // Browsers draw no more than about this much at once.
            let high = self
                .ask("document.documentElement.scrollHeight")
                .as_u64()
                .unwrap()
                .min(8_000);
            self.size([width, high as u32], width < 500);
        }
        self.wait(
            "[...document.images].every((e) => !e.getClientRects().length || e.naturalWidth > 0)",
        );
        self.drawn();
        let bytes = (self.tab).bytes("Page.captureScreenshot", json!({ "format": "png" }));
        keep(name, &bytes);
        if let Some(width) = whole {
            self.size([width, 900], width < 500);
        }
    }

    /// Pixels of the ball as it is drawn now, red, green and blue summed.
    fn ball(&self) -> Vec<u32> {
        self.canvas("#stage canvas")
    }

    /// The same of any canvas.
    pub fn canvas(&self, selector: &str) -> Vec<u32> {
        self.picture(selector)
            .pixels()
            .map(|p| p.0[..3].iter().map(|v| u32::from(*v)).sum())
            .collect()
    }

    fn picture(&self, selector: &str) -> image::RgbaImage {
        self.drawn();
        let text = format!("document.querySelector('{selector}').toDataURL('image/png')");
        let text = self.ask(&text);
        let text = text.as_str().unwrap().split_once(',').unwrap().1.to_owned();
        let bytes =
            base64::Engine::decode(&base64::engine::general_purpose::STANDARD, text).unwrap();
        image::load_from_memory(&bytes).unwrap().to_rgba8()
    }

    /// Whether a canvas shows a ball and nothing else: as wide as high, as much as a disc of that
    /// width, lit from one side and dark on the other.
    pub fn shows_a_ball(&self, selector: &str) {
        let picture = self.picture(selector);
        let drawn: Vec<(f64, f64, f64)> = picture
            .enumerate_pixels()
            .filter(|(.., p)| p.0[3] > 127)
            .map(|(x, y, p)| (f64::from(x), f64::from(y), f64::from(p.0[1])))
            .collect();
        let ends = |of: fn(&(f64, f64, f64)) -> f64| {
            let all = drawn.iter().map(of);
            (
                all.clone().fold(f64::MAX, f64::min),
                all.fold(0.0, f64::max),
            )
        };
        let ((west, east), (top, foot)) = (ends(|p| p.0), ends(|p| p.1));
        let (wide, high) = (east - west + 1.0, foot - top + 1.0);
        let frame = f64::from(picture.width().min(picture.height()));
        assert!(wide > 0.5 * frame && wide < frame, "{wide} of {frame}");
        assert!((wide / high - 1.0).abs() < 0.03, "{wide} by {high}");
        let disc = std::f64::consts::FRAC_PI_4 * wide * high;
        let filled = drawn.len() as f64 / disc;
        assert!((filled - 1.0).abs() < 0.03, "{filled} of a disc");
        let mean = |of: &dyn Fn(&(f64, f64, f64)) -> bool| {
            let part: Vec<f64> = drawn.iter().filter(|p| of(p)).map(|p| p.2).collect();
            part.iter().sum::<f64>() / part.len() as f64
        };
        let (x, y) = (0.5 * (west + east), 0.5 * (top + foot));
        let [light, dark] = [-1.0, 1.0]
            .map(|side: f64| mean(&|p| side * (p.0 - x) + side * (p.1 - y) > 0.4 * wide));
        assert!(light > 1.2 * dark, "{light} and {dark}");
    }

    fn quiet(&self) {
        let heard = self.tab.heard.borrow();
        assert_eq!(heard.complaints, Vec::<String>::new());
        let others: Vec<_> = heard
            .requests
            .iter()
            .filter(|link| !link.starts_with("file://") && !link.starts_with("data:"))
            .filter(|link| !link.starts_with("blob:"))
            .collect();
        assert_eq!(others, Vec::<&String>::new());
        let files = heard
            .requests
            .iter()
            .filter(|link| link.starts_with("file://"));
        assert_eq!(files.count(), 1);
    }
}

fn keep(name: &str, bytes: &[u8]) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("screenshots");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(name), bytes).unwrap();
}

/// The sample world in coarse pixels with its shop plan and bits, made once for all who only look.
fn sample() -> &'static (PathBuf, Manifest) {
    static SAMPLE: OnceLock<(PathBuf, Manifest)> = OnceLock::new();
    SAMPLE.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page");
        std::fs::create_dir_all(&folder).unwrap();
        // Finer where the page is to be looked at.
        let looked_at = std::env::var_os("SCREENSHOTS").is_some();
        let sets = [["image.pixel=1 mm"], ["image.pixel=0.4 mm"]][usize::from(looked_at)];
        let manifest = made(&folder, &["--shop", "--cutters", "--force"], &sets);
        (folder.join("out"), manifest)
    })
}

/// The sample job's manifest, made into `out` of a folder.
fn made(folder: &Path, options: &[&str], sets: &[&str]) -> Manifest {
    let job = concat!(env!("CARGO_MANIFEST_DIR"), "/sample-rasters/ashkerry.toml");
    let mut words = vec!["facets", job, "--out", "out", "--quiet"];
    words.extend(options);
    for set in sets {
        words.extend(["--set", set]);
    }
    let output = program(folder, &words).output().unwrap();
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    assert_eq!(output.status.code(), Some(0));
    let text = std::fs::read_to_string(folder.join("out/globe.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

pub fn differing(a: &[u32], b: &[u32]) -> usize {
    a.iter().zip(b).filter(|(a, b)| a != b).count()
}

#[test]
fn the_page_opens_from_disk_draws_the_ball_and_says_what_the_manifest_says() {
    let (out, manifest) = sample();
    let page = out.join("report.html");
    let opened = Opened::new(&page, [1280, 900]);
    assert_ne!(
        opened.ask("document.documentElement.dataset.ball"),
        json!("none")
    );
    opened.wait("document.documentElement.dataset.ready === 'yes'");
    opened.quiet();

    // The ball: drawn, turned by button and key, pulled apart, stripped of its lines.
    // Numbers stick out over its rim.
    opened.run("document.querySelector('[data-show=numbers]').click()");
    opened.shows_a_ball("#stage canvas");
    opened.run("document.querySelector('[data-show=numbers]').click()");
    let first = opened.ball();
    let least = first.len() / 50;
    opened.run("document.querySelector('[data-turn=\"15 0\"]').click()");
    let turned = opened.ball();
    assert!(differing(&first, &turned) > least);
    opened.run("document.querySelector('#stage canvas').focus()");
    opened.tab.press("ArrowUp");
    let tipped = opened.ball();
    assert!(differing(&turned, &tipped) > least);
    opened.run(
        "const slider = document.getElementById('apart'); slider.value = 60; \
         slider.dispatchEvent(new Event('input'))",
    );
    let apart = opened.ball();
    assert!(differing(&tipped, &apart) > least);
    assert_eq!(
        opened.ask("document.getElementById('apart-value').textContent"),
        json!("60 %")
    );
    opened.screenshot("desktop-apart.png", None);
    // Blanks as they come off the machine: more wood, and back again.
    opened.run("document.getElementById('trim').click()");
    opened.wait("document.getElementById('stage').dataset.shows === 'blanks'");
    assert!(differing(&apart, &opened.ball()) > least);
    opened.screenshot("desktop-trim.png", None);
    opened.run("document.getElementById('trim').click()");
    opened.wait("document.getElementById('stage').dataset.shows === 'ball'");
    assert!(differing(&apart, &opened.ball()) < least / 10);
    opened.run("document.querySelector('[data-show=numbers]').click()");
    assert!(differing(&apart, &opened.ball()) > 200);
    opened.run("document.querySelector('[data-show=numbers]').click()");
    opened.run("document.querySelector('[data-home]').click()");

    // Every facet, with its numbers.
    let cards = opened.ask(
        "[...document.querySelectorAll('[data-facet]')].map((card) => [card.dataset.facet, \
         ...[...card.querySelectorAll('td')].map((cell) => cell.textContent)])",
    );
    let expected: Vec<Vec<String>> = manifest
        .facets
        .iter()
        .map(|facet| {
            let image = &manifest.image;
            let mm = |hundredths: f64| format!("{} mm", hundredths / 100.0);
            let near = |value: f64| mm((100.0 * value).round());
            let mut row = vec![
                facet.id.to_string(),
                near(facet.min_mm),
                near(facet.max_mm),
                // What is there at the least is never rounded up.
                mm((100.0 * facet.corner_mm).floor()),
                format!("{} and {}", near(image.black_mm), near(image.white_mm)),
                format!("{} pixels", facet.clipped_px()),
                format!("{} pixels", facet.undercut_px),
                format!("{} by {} pixels", facet.width_px, facet.height_px),
            ];
            for (i, edge) in facet.edges.iter().enumerate() {
                row.extend([
                    (i + 1).to_string(),
                    edge.seam.clone(),
                    format!("{:02}", edge.neighbour),
                    format!("{:.2}°", edge.tilt_deg),
                    format!(
                        "{:+.2} mm to {:+.2} mm",
                        edge.seam_low_mm, edge.seam_high_mm
                    ),
                ]);
            }
            row
        })
        .collect();
    assert_eq!(cards, json!(expected));
    let warnings = opened.ask("document.querySelector('.warnings').textContent");
    for warning in &manifest.warnings {
        assert!(warnings.as_str().unwrap().contains(warning), "{warnings}");
    }

    // What a screen reader and a keyboard need: names, one first heading, no skipped level.
    let bare = opened.ask(
        "[...document.querySelectorAll('button, input, canvas, img, svg[role=img], figure[role=group]')] \
         .filter((e) => !(e.getAttribute('aria-label') || e.textContent.trim() || e.alt \
         || e.getAttribute('aria-labelledby') || (e.labels && e.labels.length))).map((e) => e.outerHTML)",
    );
    assert_eq!(bare, json!([]));
    let levels =
        opened.ask("[...document.querySelectorAll('h1, h2, h3')].map((h) => Number(h.tagName[1]))");
    let levels: Vec<i64> = serde_json::from_value(levels).unwrap();
    assert_eq!(levels.iter().filter(|level| **level == 1).count(), 1);
    assert!(
        levels.windows(2).all(|pair| pair[1] - pair[0] <= 1),
        "{levels:?}"
    );

    opened.screenshot("desktop.png", Some(1280));
    opened.media("screen", "dark");
    opened.screenshot("dark.png", Some(1280));
    opened.media("screen", "light");
    // A phone: nothing reaches beyond its width.
    opened.size([390, 844], true);
    assert_eq!(
        opened.ask("document.documentElement.scrollWidth"),
        json!(390)
    );
    opened.screenshot("phone.png", Some(390));
    opened.quiet();
}

/// Names as the browser draws them: over no other words of their drawing, and gone when the box is
/// cleared.
#[test]
fn names_of_places_cover_nothing_and_can_be_turned_off() {
    let places: Vec<String> = (0..60)
        .flat_map(|i| {
            let (lat, lon) = (f64::from(i * 37 % 170) - 85.0, f64::from(i * 97 % 360));
            let n = i + 1;
            [
                format!("place.{n}.name=Great Basin {n}"),
                format!("place.{n}.lat={lat}"),
                format!("place.{n}.lon={lon}"),
            ]
        })
        .collect();
    let places: Vec<&str> = places.iter().map(String::as_str).collect();
    let folder = TempDir::new().unwrap();
    let sets = [&["image.pixel=1 mm"], &places[..]].concat();
    let manifest = made(folder.path(), &[], &sets);
    assert_eq!(
        manifest
            .facets
            .iter()
            .map(|f| f.places.len())
            .sum::<usize>(),
        60
    );
    let opened = Opened::new(&folder.path().join("out/report.html"), [1280, 900]);
    let found = opened.ask(
        "[...document.querySelectorAll('#map svg, .card svg')].map((svg) => { \
         const box = (e) => e.getBoundingClientRect(); \
         const names = [...svg.querySelectorAll('.place text')], all = [...svg.querySelectorAll('text')]; \
         const over = (a, b) => a.left + 3 < b.right && b.left + 3 < a.right && a.top + 3 < b.bottom && b.top + 3 < a.bottom; \
         return [names.length, names.flatMap((a) => all.filter((b) => a !== b && over(box(a), box(b))) \
         .map((b) => `${a.textContent} over ${b.textContent}`))]; })",
    );
    let found: Vec<(usize, Vec<String>)> = serde_json::from_value(found).unwrap();
    assert_eq!(found.len(), 13);
    assert!(found[0].0 > 30, "{} on the map", found[0].0);
    assert!(found.iter().map(|(count, _)| count).sum::<usize>() > 45);
    let over: Vec<_> = found.iter().flat_map(|(_, over)| over).collect();
    assert_eq!(over, Vec::<&String>::new());
    let title = "document.querySelector('#facet-1-name').innerText";
    let known_for = format!("Facet 01: {}", manifest.facets[0].places[0].name);
    assert_eq!(opened.ask(title), json!(known_for));
    opened.screenshot("places.png", Some(1280));
    let shown =
        "[...document.querySelectorAll('.place')].filter((e) => e.getClientRects().length).length";
    assert!(opened.ask(shown).as_u64().unwrap() > 12);
    opened.run("document.getElementById('places').click()");
    assert_eq!(opened.ask(shown), json!(0));
    assert_eq!(opened.ask(title), json!("Facet 01"));
    opened.run("document.getElementById('places').click()");
    assert_eq!(opened.ask(title), json!(known_for));
}

#[test]
fn printed_on_a4_and_letter_nothing_is_cut_off() {
    let (out, _) = sample();
    let opened = Opened::new(&out.join("report.html"), [1280, 900]);
    // Without a picture yet, an image counts as complete, too.
    opened.wait("document.querySelector('#stage img')?.naturalWidth > 0");
    // A sheet asked for right after a turn has the picture of that turn.
    let taken = opened.ask(
        "(() => { const img = document.querySelector('#stage img'), before = img.src; \
         document.querySelector('[data-turn=\"15 0\"]').click(); const then = img.src; \
         dispatchEvent(new Event('beforeprint')); return [then === before, img.src === before]; })()",
    );
    assert_eq!(taken, json!([true, false]));
    for (name, [width_in, height_in]) in [
        ("a4", [210.0 / 25.4, 297.0 / 25.4]),
        ("letter", [8.5, 11.0]),
    ] {
        // The paper less the margins of 13 mm that the page asks for, in CSS pixels.
        let room = (width_in - 26.0 / 25.4) * 96.0;
        let high = (height_in - 26.0 / 25.4) * 96.0;
        opened.size([room as u32, 1000], false);
        opened.media("print", "light");
        opened.wait("document.querySelector('#stage img').naturalWidth > 0");
        // The picture of the ball stands for it on paper, in the picture's own proportions.
        assert_eq!(
            opened.ask("getComputedStyle(document.querySelector('#stage canvas')).display"),
            json!("none")
        );
        let shape = opened.ask(
            "(({ width, height }, { naturalWidth, naturalHeight }) => \
             width / height / (naturalWidth / naturalHeight)) (\
             document.querySelector('#stage img').getBoundingClientRect(), \
             document.querySelector('#stage img'))",
        );
        assert!((shape.as_f64().unwrap() - 1.0).abs() < 0.02, "{shape}");
        let wide = opened.ask(&format!(
            "[...document.querySelectorAll('body *')].filter((e) => e.getClientRects().length \
             && e.getBoundingClientRect().right > {room:.1} + 0.5) \
             .map((e) => [e.tagName, e.className, e.textContent.slice(0, 40), e.getBoundingClientRect().right])"
        ));
        assert_eq!(wide, json!([]), "{name}");
        // What must stay on one sheet fits on one.
        let high = opened.ask(&format!(
            "[...document.querySelectorAll('.card, figure')].filter((e) => \
             e.getBoundingClientRect().height > {high:.1}).map((e) => [e.id, e.className, \
             e.getBoundingClientRect().height])"
        ));
        assert_eq!(high, json!([]), "{name}");
        opened.media("", "light");
        let options = json!({
            "paperWidth": width_in, "paperHeight": height_in, "printBackground": true
        });
        let pdf = opened.tab.bytes("Page.printToPDF", options);
        keep(&format!("print-{name}.pdf"), &pdf);
        let text = String::from_utf8_lossy(&pdf);
        let points = width_in * 72.0;
        let box_of = |text: &str| -> Option<f64> {
            let numbers = text.split_once("/MediaBox [")?.1.split(' ').nth(2)?;
            numbers.parse().ok()
        };
        let found = box_of(&text).unwrap();
        assert!((found - points).abs() < 1.0, "{name}: {found} and {points}");
    }
}

#[test]
fn a_job_named_like_a_script_shows_as_text() {
    let name = "<script>alert(1)</script>";
    let folder = TempDir::new().unwrap();
    made(
        folder.path(),
        &[],
        &[&format!("name={name}"), "image.pixel=1 mm"],
    );
    let opened = Opened::new(&folder.path().join("out/report.html"), [900, 700]);
    opened.wait("document.documentElement.dataset.ready === 'yes'");
    let heading = opened.ask("document.querySelector('h1').textContent");
    assert!(heading.as_str().unwrap().starts_with(name), "{heading}");
    let title = opened.ask("document.title");
    assert!(title.as_str().unwrap().starts_with(name), "{title}");
    // Four blocks of data and three scripts, and no element from a name.
    assert_eq!(opened.ask("document.scripts.length"), json!(7));
    assert_eq!(
        opened.ask("document.querySelectorAll('[onload]').length"),
        json!(0)
    );
    opened.screenshot("script-name.png", None);
    opened.quiet();
}

#[test]
fn a_plan_has_a_page_with_drawings_with_and_without_a_grid() {
    let folder = TempDir::new().unwrap();
    let bare = folder.path().join("bare.toml");
    let text = "[globe]\nsolid = \"cube\"\ndiameter = \"120 mm\"\n[relief]\nrange = \"4 mm\"\n\
                [stock]\nthickness = \"45 mm\"\nedge = \"8 mm\"\n";
    std::fs::write(bare, text).unwrap();
    let sample = concat!(env!("CARGO_MANIFEST_DIR"), "/sample-rasters/ashkerry.toml");
    for (out, job, facets) in [("with", sample, 12), ("without", "bare.toml", 6)] {
        let (code, _, err) = run(&folder, &["plan", job, "--out", out, "--quiet"]);
        assert_eq!(code, 0, "{err}");
        assert!(files(&folder.path().join(out)).contains(&"report.html".to_owned()));
        let opened = Opened::new(&folder.path().join(out).join("report.html"), [1280, 900]);
        opened.wait("document.documentElement.dataset.ready === 'yes'");
        assert_eq!(
            opened.ask("document.querySelectorAll('[data-facet]').length"),
            json!(facets)
        );
        let drawings = opened.ask("document.querySelectorAll('.drawing svg').length");
        assert!(drawings.as_u64().unwrap() >= 1, "{drawings}");
        let text = opened.ask("document.querySelector('#shop').textContent");
        for part in ["Thickness, added up", "Seam sheet", "Cautions"] {
            assert!(text.as_str().unwrap().contains(part), "{part}");
        }
        opened.screenshot(&format!("plan-{out}.png"), Some(1280));
        opened.quiet();
    }
}

#[test]
fn meshes_are_closed_true_in_size_and_within_the_tolerance_of_the_images() {
    let folder = TempDir::new().unwrap();
    let job = concat!(env!("CARGO_MANIFEST_DIR"), "/sample-rasters/ashkerry.toml");
    let pixel = "image.pixel=0.4 mm";
    let words = [
        "facets", job, "--out", "out", "--mesh", "--quiet", "--set", pixel,
    ];
    let manifest = made(folder.path(), &["--mesh"], &[pixel]);
    let out = folder.path().join("out");
    let image = &manifest.image;
    for facet in &manifest.facets {
        let mut file = std::fs::File::open(out.join(format!("mesh/{}.stl", facet.label))).unwrap();
        let mesh = stl_io::read_stl(&mut file).unwrap();
        mesh.validate().unwrap();
        let (levels, columns) = crate::support::png_levels(&out.join(&facet.file));
        let rows = levels.len() / columns;
        let mut volume = 0.0;
        let mut worst = 0.0_f64;
        for face in &mesh.faces {
            let [a, b, c] = face
                .vertices
                .map(|i| glam::Vec3::from(mesh.vertices[i].0).as_dvec3());
            volume += a.dot(b.cross(c)) / 6.0;
            let normal = (b - a).cross(c - a).normalize_or_zero();
            let stored = glam::Vec3::from(face.normal.0).as_dvec3();
            assert!(normal.dot(stored) > 0.99 || (b - a).cross(c - a).length() < 1e-3);
        }
        for vertex in &mesh.vertices {
            let [x, y, z] = vertex.0.map(f64::from);
            let column = x / image.pixel_mm + 0.5 * columns as f64 - 0.5;
            let row = 0.5 * rows as f64 - 0.5 - y / image.pixel_mm;
            // Corners inside the blank are pixels; those on its walls lie between two.
            if z == 0.0
                || (column - column.round()).abs() > 1e-3
                || (row - row.round()).abs() > 1e-3
            {
                continue;
            }
            let level = levels[row.round() as usize * columns + column.round() as usize];
            let height =
                image.black_mm + (image.white_mm - image.black_mm) * f64::from(level) / 65535.0;
            worst = worst.max((z - height).abs());
        }
        assert!(worst < 0.05, "facet {}: {worst}", facet.label);
        // Wood by columns of pixels: the blank's walls are upright, so the image inside its
        // outline is all there is. Half a pixel along the rim is what may differ.
        let wood: f64 = levels
            .iter()
            .filter(|level| **level > 0)
            .map(|level| {
                let part = f64::from(*level) / 65535.0;
                let height = image.black_mm + (image.white_mm - image.black_mm) * part;
                height * image.pixel_mm * image.pixel_mm
            })
            .sum();
        // Ground at black is floor beyond the trim: left out of one sum, a thin rim in the other.
        assert!(
            volume > 0.98 * wood && volume < 1.25 * wood,
            "{volume} and {wood}"
        );
    }
    // The ball in metres, read as the glTF specification says.
    let glb = std::fs::read(out.join("mesh/globe.glb")).unwrap();
    assert_eq!(&glb[..4], b"glTF");
    let word = |at: usize| u32::from_le_bytes(glb[at..at + 4].try_into().unwrap()) as usize;
    assert_eq!((word(4), word(8)), (2, glb.len()));
    let tree: Value = serde_json::from_slice(&glb[20..20 + word(12)]).unwrap();
    let globe = &tree["nodes"][tree["scenes"][0]["nodes"][0].as_u64().unwrap() as usize];
    let scale = globe["scale"][0].as_f64().unwrap();
    assert!((scale - 0.001).abs() < 1e-9);
    assert_eq!(globe["children"].as_array().unwrap().len(), 12);
    let bytes = &glb[28 + word(12)..];
    let (mut whole, mut farthest) = (0.0, 0.0_f64);
    for node in tree["nodes"].as_array().unwrap() {
        let Some(mesh) = node["mesh"].as_u64() else {
            continue;
        };
        let primitive = &tree["meshes"][mesh as usize]["primitives"][0];
        let view = |accessor: &Value| {
            let entry = &tree["accessors"][accessor.as_u64().unwrap() as usize];
            let view = &tree["bufferViews"][entry["bufferView"].as_u64().unwrap() as usize];
            let start = view["byteOffset"].as_u64().unwrap_or(0) as usize;
            let data = &bytes[start..start + view["byteLength"].as_u64().unwrap() as usize];
            data.chunks_exact(4)
                .map(|w| <[u8; 4]>::try_from(w).unwrap())
                .collect::<Vec<_>>()
        };
        let points: Vec<f64> = view(&primitive["attributes"]["POSITION"])
            .into_iter()
            .map(|w| f64::from(f32::from_le_bytes(w)))
            .collect();
        let numbers =
            |value: &Value| -> Vec<f64> { serde_json::from_value(value.clone()).unwrap() };
        let turn = glam::DQuat::from_slice(&numbers(&node["rotation"]));
        let place = glam::DVec3::from_slice(&numbers(&node["translation"]));
        let at = |i: u32| turn * glam::DVec3::from_slice(&points[3 * i as usize..]) + place;
        let corners: Vec<u32> = view(&primitive["indices"])
            .into_iter()
            .map(u32::from_le_bytes)
            .collect();
        let mut edges = std::collections::BTreeMap::new();
        for t in corners.chunks_exact(3) {
            let [a, b, c] = [at(t[0]), at(t[1]), at(t[2])];
            whole += a.dot(b.cross(c)) / 6.0;
            farthest = farthest.max(a.length());
            for [from, to] in [[t[0], t[1]], [t[1], t[2]], [t[2], t[0]]] {
                *edges.entry((from.min(to), from.max(to))).or_insert(0) +=
                    if from < to { 1 } else { 1 << 16 };
            }
        }
        assert!(edges.values().all(|uses| *uses == 1 + (1 << 16)));
    }
    // A ball less the pyramid-shaped hollow inside: the backs lie on a rhombic dodecahedron whose
    // faces are back_plane from the centre, of volume 4 √2 d³ (closed form).
    let relief = manifest.curve.knots_mm.last().unwrap();
    assert!(
        farthest > manifest.globe.radius_mm && farthest < manifest.globe.radius_mm + relief + 0.1
    );
    let hollow = 4.0 * 2.0_f64.sqrt() * manifest.globe.back_plane_mm.powi(3);
    let ball = 4.0 / 3.0 * std::f64::consts::PI * manifest.globe.radius_mm.powi(3);
    let share = whole / (ball - hollow);
    assert!((share - 1.0).abs() < 0.02, "{share}");

    // Made in two parts and joined: the same page, the same meshes.
    for (part, list) in [("a", "1-5"), ("b", "6-12")] {
        let mut words = words.to_vec();
        words[3] = part;
        words.extend(["--facets", list]);
        assert_eq!(run(&folder, &words).0, 0);
    }
    assert_eq!(
        run(&folder, &["join", "a", "b", "--out", "joined", "--quiet"]).0,
        0
    );
    let (whole, joined) = (contents(&out), contents(&folder.path().join("joined")));
    assert_eq!(
        whole.keys().collect::<Vec<_>>(),
        joined.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &whole {
        assert!(joined[name] == *bytes, "{} differs", name.display());
    }
    // And on one thread.
    let mut alone = words.to_vec();
    alone[3] = "alone";
    alone.extend(["--threads", "1"]);
    assert_eq!(run(&folder, &alone).0, 0);
    let alone = contents(&folder.path().join("alone"));
    assert!(alone[Path::new("report.html")] == whole[Path::new("report.html")]);
    assert!(alone[Path::new("mesh/globe.glb")] == whole[Path::new("mesh/globe.glb")]);
}
