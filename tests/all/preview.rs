//! The tuning bench: who may ask, what comes back, and the page in a real browser. Screenshots are
//! kept as those of the report page are.

use crate::page::{Opened, differing};
use crate::support::{heeding_signals, program};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// A job with a comment on every line that may change, and a name made of markup.
const JOB: &str = "\
# For the hall.
name = \"<script>alert(1)</script>\"

[grid]
files = [\"ashkerry.tif\"]

[globe]
solid = \"cube\"                 # six blanks
diameter = \"6-1/2 in\"          # as the lathe allows

[relief]
range = \"6 mm\"
boost = 3.0                    # plains

[stock]
thickness = \"3 in\"

[image]
pixel = \"1 mm\"
";

/// A running bench, ended when it goes out of scope.
struct Running {
    child: Child,
    link: String,
    port: u16,
    token: String,
    folder: TempDir,
}

impl Running {
    fn start() -> Running {
        Running::with(&[])
    }

    /// With options of the command line.
    fn with(options: &[&str]) -> Running {
        let folder = TempDir::new().unwrap();
        let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-rasters/ashkerry.tif");
        std::fs::copy(sample, folder.path().join("ashkerry.tif")).unwrap();
        std::fs::write(folder.path().join("hall.toml"), JOB).unwrap();
        let mut child = heeding_signals()
            .current_dir(folder.path())
            .args(["preview", "hall.toml", "--quiet"])
            .args(options)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut link = String::new();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        out.read_line(&mut link).unwrap();
        let link = link.trim().to_owned();
        let (address, token) = link.split_once("/?token=").unwrap();
        let port = address.strip_prefix("http://127.0.0.1:").unwrap();
        Running {
            port: port.parse().unwrap(),
            token: token.to_owned(),
            child,
            folder,
            link,
        }
    }

    fn file(&self) -> PathBuf {
        self.folder.path().join("hall.toml")
    }

    fn job(&self) -> String {
        std::fs::read_to_string(self.file()).unwrap()
    }

    /// Sends bytes as they are; status and body of what comes back.
    fn raw(&self, request: &[u8]) -> (u16, String, Vec<u8>) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .unwrap();
        // A refusal may close the door before a large body is through.
        let _ = stream.write_all(request);
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        let end = bytes.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
        let head = String::from_utf8(bytes[..end].to_vec()).unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        (status, head.to_lowercase(), bytes[end + 4..].to_vec())
    }

    /// A well-made request with headers of the caller's choice.
    fn send(&self, line: &str, headers: &[(&str, &str)], body: &str) -> (u16, String, Vec<u8>) {
        let mut text = format!("{line} HTTP/1.1\r\nConnection: close\r\n");
        for (name, value) in headers {
            text += &format!("{name}: {value}\r\n");
        }
        text += &format!("Content-Length: {}\r\n\r\n{body}", body.len());
        self.raw(text.as_bytes())
    }

    fn host(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// A question with everything that is needed.
    fn ask(&self, path: &str, body: &str) -> (u16, Vec<u8>) {
        let headers = [
            ("Host", self.host()),
            ("X-Preview-Token", self.token.clone()),
        ];
        let headers: Vec<(&str, &str)> = headers.iter().map(|(n, v)| (*n, v.as_str())).collect();
        let (status, _, body) = self.send(&format!("POST {path}"), &headers, body);
        (status, body)
    }

    fn error(&self, path: &str, body: &str) -> (u16, String) {
        let (status, body) = self.ask(path, body);
        (status, error_of(&body))
    }

    fn end(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn error_of(body: &[u8]) -> String {
    let value: Value = serde_json::from_slice(body)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(body)));
    value["error"].as_str().unwrap().to_owned()
}

/// The JSON of an answer, and how many numbers follow it.
fn unpacked(body: &[u8]) -> (Value, u64) {
    let length = u32::from_le_bytes(body[..4].try_into().unwrap()) as usize;
    let answer = serde_json::from_slice(&body[4..4 + length]).unwrap();
    (answer, ((body.len() - 4 - length) / 4) as u64)
}

const FOREIGN_HOST: &str = "this address is not the one in the link that globewright printed";
const FOREIGN_ORIGIN: &str = "only the page of this preview may ask, not another site";
const NO_TOKEN: &str = "the token is missing: use the whole link that globewright printed";
const WRONG_TOKEN: &str = "this link is from an earlier preview, or was not copied whole: use the \
                           link that globewright printed last";

#[test]
fn only_the_printed_link_opens_the_door() {
    let bench = Running::start();
    assert!(bench.token.len() >= 32, "{}", bench.token);
    let host = bench.host();
    let local = format!("localhost:{}", bench.port);
    let token = bench.token.as_str();
    let own = format!("http://{host}");
    let page = format!("GET /?token={token}");
    let status = |line: &str, headers: &[(&str, &str)]| {
        let (status, _, body) = bench.send(line, headers, "");
        let text = String::from_utf8_lossy(&body).into_owned();
        let why = match status {
            200 | 204 => String::new(),
            _ => error_of(text.as_bytes()),
        };
        (status, why)
    };
    let refused = |why: &str| (403, why.to_owned());

    assert_eq!(status(&page, &[("Host", &host)]).0, 200);
    assert_eq!(status(&page, &[("Host", &local)]).0, 200);
    assert_eq!(status("GET /", &[("Host", &host)]), refused(NO_TOKEN));
    let wrong = format!("GET /?token={}", "0".repeat(token.len()));
    assert_eq!(status(&wrong, &[("Host", &host)]), refused(WRONG_TOKEN));
    let short = format!("GET /?token={}", &token[1..]);
    assert_eq!(status(&short, &[("Host", &host)]), refused(WRONG_TOKEN));
    for foreign in [
        "attacker.example",
        "127.0.0.1",
        "127.0.0.1:1",
        "[::1]:80",
        "",
    ] {
        assert_eq!(
            status(&page, &[("Host", foreign)]),
            refused(FOREIGN_HOST),
            "{foreign}"
        );
    }
    // A site that a browser has open, or a page saved to disk.
    for foreign in [
        "http://attacker.example",
        "null",
        "https://127.0.0.1",
        "http://127.0.0.1:1",
    ] {
        let headers = [
            ("Host", host.as_str()),
            ("Origin", foreign),
            ("X-Preview-Token", token),
        ];
        for line in ["POST /api/start", "POST /api/write", "OPTIONS /api/answer"] {
            assert_eq!(
                status(line, &headers),
                refused(FOREIGN_ORIGIN),
                "{foreign} {line}"
            );
        }
    }
    let headers = [
        ("Host", host.as_str()),
        ("Origin", &own),
        ("X-Preview-Token", token),
    ];
    assert_eq!(status("POST /api/start", &headers).0, 200);
    // The token in the link opens the page alone.
    let line = format!("POST /api/start?token={token}");
    assert_eq!(status(&line, &[("Host", &host)]), refused(NO_TOKEN));
}

#[test]
fn no_path_leads_to_a_file() {
    let bench = Running::start();
    let host = bench.host();
    let headers = [
        ("Host", host.as_str()),
        ("X-Preview-Token", bench.token.as_str()),
    ];
    for path in [
        "/hall.toml",
        "/ashkerry.tif",
        "/../hall.toml",
        "/..%2f..%2fetc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "//etc/passwd",
        "/api/../hall.toml",
        "/api/start/../../hall.toml",
        "/api",
        "/page.js",
        "/favicon.ico",
    ] {
        let (status, _, body) = bench.send(&format!("GET {path}"), &headers, "");
        assert_eq!(
            (status, error_of(&body).as_str()),
            (404, "there is nothing at this address"),
            "{path}"
        );
        let (status, _, body) = bench.send(&format!("GET {path}"), &[("Host", &host)], "");
        assert_eq!(
            (status, error_of(&body).as_str()),
            (403, NO_TOKEN),
            "{path}"
        );
    }
    let (status, _, _) = bench.send("GET /api/start", &headers, "");
    assert_eq!(status, 404);
}

#[test]
fn the_page_is_sent_with_a_strict_policy_and_no_cookie() {
    let bench = Running::start();
    let line = format!("GET /?token={}", bench.token);
    let (_, head, body) = bench.send(&line, &[("Host", &bench.host())], "");
    for header in [
        "content-security-policy: default-src 'none'; script-src 'sha256-",
        "; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        "cache-control: no-store",
        "referrer-policy: no-referrer",
        "x-content-type-options: nosniff",
        "cross-origin-resource-policy: same-origin",
    ] {
        assert!(head.contains(header), "{header} is not in {head}");
    }
    assert!(
        !head.contains("set-cookie") && !head.contains("access-control-allow"),
        "{head}"
    );
    // The page holds nothing of the job: names come later, as data.
    assert!(!String::from_utf8(body).unwrap().contains("alert(1)"));
}

#[test]
fn bad_questions_are_answered_in_plain_words() {
    let bench = Running::start();
    let large = format!(
        "{{\"values\": {{\"relief.knots\": \"{}\"}}}}",
        "1".repeat(66_000)
    );
    assert_eq!(
        bench.error("/api/answer", &large),
        (413, "this is more than a page of settings".to_owned())
    );
    for bad in [
        "",
        "{",
        "[]",
        "{\"values\": 3}",
        "{\"values\": {}, \"file\": \"x\"}",
        "{\"values\": {\"a\": {}}}",
    ] {
        let (status, error) = bench.error("/api/answer", bad);
        assert_eq!(status, 400, "{bad}");
        assert!(
            error.starts_with("the question was not understood: "),
            "{error}"
        );
    }
    // The words of the command line, which is asked the same.
    for set in [
        "relief.boost=-3",
        "globe.diameter=200",
        "globe.solid=ball",
        "relief.level=1e8",
        "globe.turn.face=7",
    ] {
        let (key, value) = set.split_once('=').unwrap();
        let question = json!({ "values": { key: value } }).to_string();
        let found = bench.error("/api/answer", &question);
        let folder = bench.folder.path();
        let words = [
            "facets",
            "hall.toml",
            "--out",
            "out",
            "--set",
            set,
            "--quiet",
        ];
        let said = program(folder, &words).output().unwrap();
        let said = String::from_utf8(said.stderr).unwrap();
        assert_eq!(format!("globewright: {}\n", found.1), said);
        assert_eq!(found.0, 422);
    }
    assert_eq!(bench.job(), JOB);
}

/// Connections that begin a question and say no more, and a body of 100 MB.
#[test]
fn whoever_asks_badly_keeps_nobody_waiting_and_takes_no_memory() {
    let bench = Running::start();
    let question = json!({ "values": {} }).to_string();
    let answered = || assert_eq!(bench.ask("/api/answer", &question).0, 200);
    answered();
    let most_kb = || {
        let status = std::fs::read_to_string(format!("/proc/{}/status", bench.child.id()));
        let status = status.unwrap_or_default();
        let line = status.lines().find(|line| line.starts_with("VmHWM:"));
        line.and_then(|line| line.split_whitespace().nth(1)?.parse::<u64>().ok())
    };
    let before_kb = most_kb();
    // As many as there may be: here and there every one is an open file.
    let files = rustix::process::getrlimit(rustix::process::Resource::Nofile).current;
    let many = files.map_or(1000, |files| files.saturating_sub(200).min(1000));
    let begun: Vec<TcpStream> = (0..many)
        .map(|_| {
            let mut stream = TcpStream::connect(("127.0.0.1", bench.port)).unwrap();
            stream
                .write_all(b"POST /api/answer HTTP/1.1\r\nHost: ")
                .unwrap();
            stream
        })
        .collect();
    answered();
    drop(begun);
    let (host, token) = (bench.host(), &bench.token);
    let head = format!(
        "POST /api/answer HTTP/1.1\r\nConnection: close\r\nHost: {host}\r\nX-Preview-Token: {token}\r\n\
         Content-Length: 100000000\r\n\r\n"
    );
    let mut stream = TcpStream::connect(("127.0.0.1", bench.port)).unwrap();
    stream.write_all(head.as_bytes()).unwrap();
    let part = vec![b' '; 1 << 20];
    // It may close the door before all is through.
    let taken = (0..96)
        .take_while(|_| stream.write_all(&part).is_ok())
        .count();
    answered();
    if let (Some(before), Some(after)) = (before_kb, most_kb()) {
        assert!(
            after < before + 64_000,
            "{before} to {after} kB, {taken} MB sent"
        );
    }
}

#[test]
fn the_answer_says_what_the_main_job_says() {
    let bench = Running::start();
    let question = json!({ "values": { "relief.boost": "5", "relief.range": "4 mm" } });
    let (status, body) = bench.ask("/api/answer", &question.to_string());
    assert_eq!(status, 200);
    let (answer, numbers) = unpacked(&body);
    assert_eq!(answer["title"], "<script>alert(1)</script>");
    let heads = answer["heads"].as_array().unwrap();
    let sum: u64 = heads.iter().map(|h| h["points"].as_u64().unwrap()).sum();
    let net = |answer: &Value, part: &str| answer["nets"][0][part].as_u64().unwrap();
    let of_net = net(&answer, "triangles") + net(&answer, "rim");
    assert_eq!((heads.len(), numbers), (6, 3 * sum + of_net));
    // A net that the page has already does not come again.
    let has = json!([[net(&answer, "sides"), net(&answer, "rings")]]);
    let mut again = question.clone();
    again["nets"] = has;
    let (_, body) = bench.ask("/api/answer", &again.to_string());
    let (again, numbers) = unpacked(&body);
    assert_eq!((net(&again, "triangles"), numbers), (0, 3 * sum));

    let folder = bench.folder.path();
    let words = [
        "facets",
        "hall.toml",
        "--out",
        "out",
        "--quiet",
        "--set",
        "relief.boost=5",
        "--set",
        "relief.range=4 mm",
    ];
    assert!(program(folder, &words).output().unwrap().status.success());
    let text = std::fs::read_to_string(folder.join("out/globe.json")).unwrap();
    let manifest: Value = serde_json::from_str(&text).unwrap();
    let close = |a: &Value, b: &Value, within: f64| {
        let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
        assert!((a - b).abs() <= within, "{a} {b}");
    };
    // To the last figure: the same grid, the same relief.
    assert_eq!(answer["exact"], json!(true));
    let knots = manifest["curve"]["knots_mm"].as_array().unwrap();
    let curve = answer["curve"].as_array().unwrap();
    close(&curve[0][1], &knots[0], 1e-9);
    close(
        curve.last().unwrap().get(1).unwrap(),
        knots.last().unwrap(),
        1e-9,
    );
    let shares = manifest["source"]["ground_share"].as_array().unwrap();
    for (a, b) in answer["ground_share"]
        .as_array()
        .unwrap()
        .iter()
        .zip(shares)
    {
        close(a, b, 1e-9);
    }
    let corners = manifest["facets"].as_array().unwrap().iter();
    let thinnest = corners
        .map(|f| f["corner_mm"].as_f64().unwrap())
        .fold(f64::MAX, f64::min);
    close(&answer["fit"]["corner_mm"], &json!(thinnest), 1e-9);
    let highest = |list: Vec<f64>| list.into_iter().fold(f64::MIN, f64::max);
    let seams = answer["seams"].as_array().unwrap();
    let there = highest(
        seams
            .iter()
            .map(|s| s["high_mm"].as_f64().unwrap())
            .collect(),
    );
    let edges = manifest["facets"].as_array().unwrap().iter();
    let edges = edges.flat_map(|f| f["edges"].as_array().unwrap());
    let here = highest(edges.map(|e| e["seam_high_mm"].as_f64().unwrap()).collect());
    close(&json!(there), &json!(here), 1e-9);
}

#[cfg(unix)]
#[test]
fn an_interrupt_ends_it_cleanly_and_a_taken_port_is_an_error() {
    let mut bench = Running::start();
    let port = bench.port.to_string();
    let words = ["preview", "hall.toml", "--port", &port];
    let second = program(bench.folder.path(), &words).output().unwrap();
    let said = String::from_utf8(second.stderr).unwrap();
    assert_eq!(second.status.code(), Some(6));
    assert!(
        said.contains("disk: could not listen on this port: "),
        "{said}"
    );
    assert!(
        said.contains(&format!(
            "; found {port}; choose another, or leave --port out to take a free one (--port)"
        )),
        "{said}"
    );
    for (signal, code) in [("-INT", 0), ("-TERM", 143), ("-HUP", 129)] {
        let pid = bench.child.id().to_string();
        let sent = Command::new("kill").args([signal, &pid]).status();
        assert!(sent.unwrap().success());
        assert_eq!(bench.child.wait().unwrap().code(), Some(code), "{signal}");
        bench = Running::start();
    }
}

const READY: &str = "document.documentElement.dataset.ready === 'yes'";

fn opened(bench: &Running, size: [u32; 2]) -> Opened {
    Opened::at(&bench.link, size, READY)
}

/// Numbers of a side in the table of figures.
fn figures(page: &Opened, side: usize) -> Vec<String> {
    let rows = page.ask("[...document.querySelectorAll('#numbers tbody tr')].map((r) => [...r.cells].map((c) => c.textContent))");
    rows.as_array()
        .unwrap()
        .iter()
        .map(|row| row[side].as_str().unwrap().to_owned())
        .collect()
}

/// Moves a slider as a hand does, and waits for the answer.
fn slide(page: &Opened, side: &str, slider: &str, value: &str) {
    let count = format!("document.querySelector('[data-side={side}]').dataset.answers");
    let before = page.ask(&count);
    page.run(&format!(
        "{{ const s = document.getElementById('{slider}'); s.value = '{value}'; \
         s.dispatchEvent(new Event('input', {{ bubbles: true }})); }}"
    ));
    page.wait(&format!("{count} !== {before}"));
}

fn no_complaint(page: &Opened) {
    assert_eq!(page.tab.heard.borrow().complaints, Vec::<String>::new());
}

#[test]
fn a_slider_moves_the_ball_and_the_numbers_and_a_job_is_written_with_its_comments() {
    let bench = Running::start();
    let page = opened(&bench, [1280, 900]);
    assert_eq!(
        page.ask("document.getElementById('title').textContent"),
        json!("<script>alert(1)</script>: tuning bench")
    );
    assert_eq!(
        page.ask("document.querySelectorAll('script').length"),
        json!(3)
    );
    let (ball_a, ball_b) = ("[data-side=A] canvas", "[data-side=B] canvas");
    page.shows_a_ball(ball_a);
    let first = page.canvas(ball_a);
    assert_eq!(differing(&first, &page.canvas(ball_b)), 0);
    let (before, other) = (figures(&page, 1), figures(&page, 2));
    assert_eq!(before, other);

    // The dial of a setting that is left to the program stands where its answer does, so to take
    // the setting over moves nothing.
    let dial = "Number(document.getElementById('set-relief-detail').value).toFixed(2)";
    assert_eq!(page.ask(dial), json!(before[10]));
    let answers = "document.querySelector('[data-side=A]').dataset.answers";
    for _ in ["taken over", "given back"] {
        let count = page.ask(answers);
        page.run("document.getElementById('set-relief-detail-word').click()");
        page.wait(&format!("{answers} !== {count}"));
        assert_eq!(figures(&page, 1), before);
    }

    // A draft comes first and says so.
    page.run(
        "{ window.said = []; const verdict = document.querySelector('[data-verdict=A]'); \
         new MutationObserver(() => window.said.push(verdict.textContent)) \
         .observe(verdict, { childList: true }); }",
    );
    slide(&page, "A", "set-relief-boost-slider", "9");
    let said = page.ask("window.said");
    let said: Vec<&str> = said
        .as_array()
        .unwrap()
        .iter()
        .flat_map(Value::as_str)
        .collect();
    assert!(
        said.iter()
            .any(|text| text.starts_with("about 6.00 mm of relief, ")
                && text.ends_with(" legible; seems to fit, being worked out exactly…")),
        "{said:?}"
    );
    assert!(
        said.last().unwrap().contains("; fits, thinnest corner "),
        "{said:?}"
    );
    let raised = page.canvas(ball_a);
    assert!(differing(&first, &raised) > first.len() / 50);
    assert_eq!(differing(&first, &page.canvas(ball_b)), 0);
    let after = figures(&page, 1);
    assert_ne!(before, after);
    assert_eq!(figures(&page, 2), other);
    page.wait("document.getElementById('spoken').textContent.startsWith('A: 6.00 mm of relief, ')");

    // Without the bit's ball the ground is sharper; the numbers stay.
    let boxed = |page: &Opened| {
        let count = "document.querySelector('[data-side=B]').dataset.answers";
        let before = page.ask(count);
        page.run("document.getElementById('bit').click()");
        page.wait(&format!("{count} !== {before}"));
    };
    boxed(&page);
    assert!(differing(&first, &page.canvas(ball_b)) > first.len() / 200);
    assert_eq!(figures(&page, 2), other);
    boxed(&page);
    assert_eq!(differing(&first, &page.canvas(ball_b)), 0);

    // A length keeps its inches, in the box beside the slider too.
    slide(&page, "A", "set-globe-diameter", "6.75");
    assert!(
        figures(&page, 1)[1].starts_with("6.750 in"),
        "{:?}",
        figures(&page, 1)
    );
    // Both balls turn together.
    page.run("document.querySelector('[data-side=A] canvas').focus()");
    page.tab.press("ArrowLeft");
    assert!(differing(&first, &page.canvas(ball_b)) > first.len() / 50);

    // Write, first refused by hand, then for good.
    let written = "document.getElementById('written').textContent";
    page.run("document.querySelector('[data-write=A]').click()");
    page.wait("document.getElementById('confirm').open");
    let changes =
        page.ask("[...document.querySelectorAll('#changes tbody tr')].map((r) => r.textContent)");
    assert_eq!(
        changes,
        json!(["globe.diameter6-1/2 in6.75 in", "relief.boost3.09"])
    );
    page.screenshot("preview-write.png", None);
    page.run("document.getElementById('no').click()");
    page.wait(&format!("{written} === 'Nothing was written.'"));
    assert_eq!(bench.job(), JOB);
    page.run("document.querySelector('[data-write=A]').click()");
    page.wait("document.getElementById('confirm').open");
    page.run("document.getElementById('yes').click()");
    page.wait(&format!(
        "{written} === 'Wrote 2 settings of A to hall.toml.'"
    ));
    let new = JOB
        .replace("\"6-1/2 in\"", "\"6.75 in\"")
        .replace("3.0  ", "9  ");
    assert_eq!(bench.job(), new);
    no_complaint(&page);

    // Somebody edits the file meanwhile: it is left alone.
    let edited = new.replace("six blanks", "6 blanks");
    std::fs::write(bench.file(), &edited).unwrap();
    slide(&page, "A", "set-relief-boost-slider", "2");
    page.run("document.querySelector('[data-write=A]').click()");
    page.wait(&format!(
        "{written}.startsWith('job: the job file has changed since this page read it, and was left as it is')"
    ));
    assert_eq!(bench.job(), edited);
}

#[test]
fn what_does_not_fit_says_so_and_what_is_wrong_is_said_in_the_words_of_the_program() {
    let bench = Running::with(&["--set", "units=inch"]);
    let page = opened(&bench, [1280, 900]);
    // An inch shop reads inches: 6 mm are 0.236 in.
    let read = "['numbers', 'slopes', 'seams-A', 'chart'].map((id) => \
                document.getElementById(id).textContent).join(' ')";
    let read = page.ask(read);
    let read = read.as_str().unwrap();
    assert!(
        read.contains("0.236 in") && read.contains("A: in per km"),
        "{read}"
    );
    assert!(!read.contains("mm"), "{read}");
    slide(&page, "A", "set-stock-thickness", "0.75");
    let refusals = page.ask("document.getElementById('refusals').textContent");
    let refusals = refusals.as_str().unwrap();
    assert!(
        refusals.starts_with("A: stock: stock.thickness: a globe of 6.500 in (6-1/2) with 0.236 in (15/64) of relief does not fit 0.750 in (3/4) stock; found "),
        "{refusals}"
    );
    assert!(
        refusals.contains("stock.thickness of at least "),
        "{refusals}"
    );
    slide(&page, "A", "set-relief-boost", "-3");
    assert_eq!(
        page.ask("document.querySelector('[data-verdict=A]').textContent"),
        json!(
            "job: relief.boost: this is too small; found -3; allowed: a number, 1 to 50; 1 \
               is a straight line; choose a value within that range (--set relief.boost=-3)"
        )
    );
    slide(&page, "A", "set-relief-boost", "4");
    page.wait("document.querySelector('[data-verdict=A]').textContent.includes('does not fit')");
}

#[test]
fn two_windows_do_not_disturb_each_other_and_an_ended_server_is_told() {
    let mut bench = Running::start();
    let one = opened(&bench, [1000, 700]);
    let two = opened(&bench, [1000, 700]);
    let before = figures(&two, 1);
    slide(&one, "A", "set-relief-range-slider", "2");
    slide(&two, "A", "set-relief-range-slider", "9");
    assert_eq!(figures(&one, 1)[2], "2.00 mm");
    assert_eq!(figures(&two, 1)[2], "9.00 mm");
    assert_eq!(figures(&one, 2), before);
    assert_eq!(figures(&two, 2), before);
    no_complaint(&one);
    no_complaint(&two);
    bench.end();
    for page in [&one, &two] {
        page.wait("!document.getElementById('gone').hidden");
        let told = page.ask("document.getElementById('gone').textContent");
        assert!(
            told.as_str()
                .unwrap()
                .starts_with("The preview on this machine has ended.")
        );
        assert_eq!(
            page.ask("document.querySelector('[data-write=A]').disabled"),
            json!(true)
        );
    }
    one.screenshot("preview-ended.png", None);
}

#[test]
fn the_page_is_usable_by_keyboard_and_by_ear_on_any_screen() {
    let bench = Running::start();
    let page = opened(&bench, [1280, 900]);
    slide(&page, "A", "set-relief-boost-slider", "8");
    let nameless = page.ask(
        "[...document.querySelectorAll('button, input, select, canvas, svg[role=img], fieldset, dialog')] \
         .filter((e) => !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') \
         || e.textContent.trim() || (e.labels && e.labels.length))).map((e) => e.outerHTML)",
    );
    assert_eq!(nameless, json!([]));
    let repeated = page.ask(
        "[...document.querySelectorAll('[id]')].map((e) => e.id) \
         .filter((id, i, all) => all.indexOf(id) !== i)",
    );
    assert_eq!(repeated, json!([]));
    // Everything that can be worked is reached by Tab.
    let unreached = page.ask(
        "[...document.querySelectorAll('button, input, select, canvas')].filter((e) => e.tabIndex < 0).length",
    );
    assert_eq!(unreached, json!(0));
    // Keys move a slider.
    page.run("document.getElementById('set-relief-range-slider').focus()");
    let value = "Number(document.getElementById('set-relief-range').value)";
    let before = page.ask(value).as_f64().unwrap();
    let count = "document.querySelector('[data-side=A]').dataset.answers";
    let answers = page.ask(count);
    page.tab.press("ArrowRight");
    page.wait(&format!("{value} > {before} && {count} !== {answers}"));
    for (name, size, mobile) in [("desktop", [1280, 900], false), ("phone", [390, 844], true)] {
        for scheme in ["light", "dark"] {
            page.size(size, mobile);
            page.media("screen", scheme);
            page.drawn();
            let wide = page
                .ask("document.documentElement.scrollWidth - document.documentElement.clientWidth");
            assert_eq!(wide, json!(0), "{name} scrolls sideways");
            page.screenshot(&format!("preview-{name}-{scheme}.png"), Some(size[0]));
        }
        let small = page.ask(
            "[...document.querySelectorAll('button, select')].filter((e) => e.offsetParent \
             && e.getBoundingClientRect().height < 38).length",
        );
        assert_eq!(small, json!(0), "too small for a finger");
    }
    no_complaint(&page);
}
