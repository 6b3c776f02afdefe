//! A page in the system's Chromium, without a window, driven over the Chrome DevTools Protocol
//! (chromedevtools.github.io/devtools-protocol): one socket, one page, an answer for each call.

use serde_json::{Value, json};
use std::cell::{Cell, RefCell};
use std::io::{BufRead, BufReader};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;
use tungstenite::{Message, WebSocket};

/// Where Debian and Ubuntu put the browser, and where others do.
const BROWSERS: [&str; 4] = [
    "/usr/bin/chromium",
    "/usr/bin/chromium-browser",
    "/usr/bin/google-chrome",
    "/snap/bin/chromium",
];

/// How long a page may take to be ready on a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// What a page asked for and complained about.
#[derive(Default)]
pub struct Heard {
    pub requests: Vec<String>,
    pub complaints: Vec<String>,
}

/// A browser with one empty page; ends with this.
pub struct Tab {
    browser: Child,
    _profile: TempDir,
    socket: RefCell<WebSocket<TcpStream>>,
    session: RefCell<Option<String>>,
    calls: Cell<u64>,
    pub heard: RefCell<Heard>,
}

impl Drop for Tab {
    fn drop(&mut self) {
        let _gone_already = self.browser.kill();
        let _none_left = self.browser.wait();
    }
}

impl Tab {
    pub fn new() -> Tab {
        let found = BROWSERS.iter().find(|path| Path::new(path).exists());
        let program = found.unwrap_or_else(|| {
            panic!("no Chromium was found; run ./setup.sh, which installs it for the browser tests")
        });
        let profile = TempDir::new().unwrap();
        let mut browser = Command::new(program)
            .args(["--headless", "--no-sandbox", "--remote-debugging-port=0"])
            .args(["--use-angle=swiftshader", "--enable-unsafe-swiftshader"])
            .args([
                "--disable-background-networking",
                "--disable-component-update",
            ])
            .args([
                "--disable-sync",
                "--no-first-run",
                "--disable-quic",
                "--hide-scrollbars",
            ])
            .args(["--force-color-profile=srgb", "--disable-dev-shm-usage"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(browser.stderr.take().unwrap()).lines();
        let link = said.find_map(|line| {
            let line = line.ok()?;
            Some(line.split_once("DevTools listening on ")?.1.to_owned())
        });
        let link = link.expect("the browser ended before it listened");
        // It goes on talking; nobody reads a full pipe.
        std::thread::spawn(move || said.for_each(drop));
        let address = link.trim_start_matches("ws://").split('/').next().unwrap();
        let stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        let (socket, _) = tungstenite::client(&link, stream).unwrap();
        let tab = Tab {
            browser,
            _profile: profile,
            socket: RefCell::new(socket),
            session: RefCell::default(),
            calls: Cell::default(),
            heard: RefCell::default(),
        };
        let page = tab.call("Target.createTarget", json!({ "url": "about:blank" }));
        let asked = json!({ "targetId": page["targetId"], "flatten": true });
        let session = tab.call("Target.attachToTarget", asked)["sessionId"].clone();
        *tab.session.borrow_mut() = session.as_str().map(str::to_owned);
        for domain in ["Log", "Runtime", "Network", "Page"] {
            tab.call(&format!("{domain}.enable"), json!({}));
        }
        tab
    }

    /// Calls a method of the protocol; what happens meanwhile is noted.
    pub fn call(&self, method: &str, parameters: Value) -> Value {
        self.try_call(method, parameters)
            .unwrap_or_else(|error| panic!("{method}: {error}"))
    }

    fn try_call(&self, method: &str, parameters: Value) -> Result<Value, String> {
        let id = self.calls.get() + 1;
        self.calls.set(id);
        let mut call = json!({ "id": id, "method": method, "params": parameters });
        if let Some(session) = &*self.session.borrow() {
            call["sessionId"] = json!(session);
        }
        let mut socket = self.socket.borrow_mut();
        socket.send(Message::text(call.to_string())).unwrap();
        loop {
            let Message::Text(text) = socket.read().unwrap() else {
                continue;
            };
            let mut said: Value = serde_json::from_str(&text).unwrap();
            if said["id"] == json!(id) {
                return match said.get("error") {
                    Some(error) => Err(error.to_string()),
                    None => Ok(said["result"].take()),
                };
            }
            self.note(&said);
        }
    }

    fn note(&self, event: &Value) {
        let (about, mut heard) = (&event["params"], self.heard.borrow_mut());
        let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        match event["method"].as_str() {
            Some("Network.requestWillBeSent") => {
                heard.requests.push(text(&about["request"]["url"]))
            }
            Some("Log.entryAdded") => heard.complaints.push(text(&about["entry"]["text"])),
            Some("Runtime.exceptionThrown") => {
                heard
                    .complaints
                    .push(text(&about["exceptionDetails"]["text"]));
            }
            Some("Runtime.consoleAPICalled") => heard.complaints.push(about["args"].to_string()),
            _ => {}
        }
    }

    /// Value of an expression, once its promise is kept; an error while a page is being replaced.
    pub fn evaluate(&self, expression: &str) -> Result<Value, String> {
        let asked =
            json!({ "expression": expression, "awaitPromise": true, "returnByValue": true });
        let mut answer = self.try_call("Runtime.evaluate", asked)?;
        match answer.get("exceptionDetails") {
            Some(details) => Err(details.to_string()),
            None => Ok(answer["result"]["value"].take()),
        }
    }

    /// Bytes that a method gives in base 64 under `data`.
    pub fn bytes(&self, method: &str, parameters: Value) -> Vec<u8> {
        let answer = self.call(method, parameters);
        let text = answer["data"].as_str().unwrap();
        base64::Engine::decode(&base64::engine::general_purpose::STANDARD, text).unwrap()
    }

    /// Presses an arrow key.
    pub fn press(&self, key: &str) {
        let codes = ["ArrowLeft", "ArrowUp", "ArrowRight", "ArrowDown"];
        let code = 37 + codes.iter().position(|name| *name == key).unwrap();
        for kind in ["rawKeyDown", "keyUp"] {
            let key =
                json!({ "type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code });
            self.call("Input.dispatchKeyEvent", key);
        }
    }
}
