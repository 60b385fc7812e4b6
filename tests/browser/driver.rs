//! A browser that a test can look into: Chromium over the DevTools protocol, through two pipes.
//!
//! Protocol: the published description of the Chrome DevTools Protocol (domains Target, Page,
//! Runtime, Input, Emulation, Network, Log); with `--remote-debugging-pipe` messages go in
//! through file 3 and come out of file 4, each ended by a zero byte.

use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// Longer than any page here takes on a busy machine with two cores.
const PATIENCE: Duration = Duration::from_secs(60);

/// Says on standard error, past the capture of the test harness, that something was not tested.
pub fn shout(what: &str) {
    let _ = writeln!(std::io::stderr(), "\n!!! NOT TESTED: {what}\n");
}

/// The same; where `CI` or `PLANISH_BROWSER=required` is set, that is a failure.
pub fn skip(what: &str) {
    let required = std::env::var_os("CI").is_some()
        || std::env::var_os("PLANISH_BROWSER").is_some_and(|value| value == "required");
    assert!(!required, "NOT TESTED: {what}");
    shout(what);
}

fn chromium() -> Option<PathBuf> {
    let folders = std::env::var_os("PATH")?;
    std::env::split_paths(&folders)
        .flat_map(|folder| ["chromium", "chromium-browser"].map(|name| folder.join(name)))
        .find(|path| path.is_file())
}

/// One page in a browser of its own.
pub struct Browser {
    child: Child,
    input: ChildStdin,
    messages: Receiver<Value>,
    next: u64,
    session: Option<String>,
    /// Events that came in since the last page was opened.
    pub events: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// `None`, said loudly, where there is no Chromium.
    pub fn start() -> Option<Browser> {
        let Some(program) = chromium() else {
            skip("Chromium is not installed, so the pages were not opened in a browser");
            return None;
        };
        let profile = tempfile::tempdir().unwrap();
        // The shell only moves the pipes to where the browser expects them.
        let mut child = Command::new("sh")
            .args(["-c", "exec \"$0\" \"$@\" 3<&0 4>&1 </dev/null >/dev/null"])
            .arg(program)
            .args([
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                "--no-first-run",
                "--remote-debugging-pipe",
                // No name leads anywhere: the network is cut.
                "--host-resolver-rules=MAP * ~NOTFOUND",
            ])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("a shell can be started");
        let input = child.stdin.take().unwrap();
        let output = child.stdout.take().unwrap();
        let (sender, messages) = channel();
        std::thread::spawn(move || {
            for message in BufReader::new(output).split(0) {
                let Ok(message) = message else { break };
                let value = serde_json::from_slice(&message).expect("messages are JSON");
                if sender.send(value).is_err() {
                    break;
                }
            }
        });
        let mut browser = Browser {
            child,
            input,
            messages,
            next: 0,
            session: None,
            events: Vec::new(),
            _profile: profile,
        };
        let target = browser.call("Target.createTarget", json!({"url": "about:blank"}));
        let attached = browser.call(
            "Target.attachToTarget",
            json!({"targetId": target["targetId"], "flatten": true}),
        );
        browser.session = attached["sessionId"].as_str().map(str::to_string);
        for domain in ["Page", "Runtime", "Log", "Network"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        browser.call(
            "Network.emulateNetworkConditions",
            json!({"offline": true, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}),
        );
        Some(browser)
    }

    /// Sends a command and waits for its answer.
    pub fn call(&mut self, method: &str, params: Value) -> Value {
        self.next += 1;
        let id = self.next;
        let mut message = json!({"id": id, "method": method, "params": params});
        if let Some(session) = &self.session {
            message["sessionId"] = json!(session);
        }
        let mut bytes = message.to_string().into_bytes();
        bytes.push(0);
        self.input.write_all(&bytes).expect("the browser listens");
        loop {
            let message = self.wait();
            if message["id"] == json!(id) {
                assert!(message.get("error").is_none(), "{method}: {message}");
                return message["result"].clone();
            }
            self.events.push(message);
        }
    }

    fn wait(&mut self) -> Value {
        self.messages
            .recv_timeout(PATIENCE)
            .expect("the browser answers in time")
    }

    /// Opens a file and waits until it is there in full.
    pub fn open(&mut self, path: &Path) -> String {
        let url = format!("file://{}", path.canonicalize().unwrap().display());
        self.events.clear();
        self.call("Page.navigate", json!({"url": url}));
        let end = Instant::now() + PATIENCE;
        while !self
            .events
            .iter()
            .any(|event| event["method"] == "Page.loadEventFired")
        {
            assert!(Instant::now() < end, "the page never loads");
            let message = self.wait();
            self.events.push(message);
        }
        url
    }

    /// The value of a script expression on the page.
    pub fn value(&mut self, expression: &str) -> Value {
        let answer = self.call(
            "Runtime.evaluate",
            json!({"expression": expression, "returnByValue": true, "awaitPromise": true}),
        );
        assert!(
            answer.get("exceptionDetails").is_none(),
            "{expression}: {answer}"
        );
        answer["result"]["value"].clone()
    }

    /// The text of an expression.
    pub fn text(&mut self, expression: &str) -> String {
        let value = self.value(expression);
        value
            .as_str()
            .unwrap_or_else(|| panic!("{expression}: {value}"))
            .to_string()
    }

    /// A window of so many pixels.
    pub fn resize(&mut self, width: u32, height: u32) {
        self.call(
            "Emulation.setDeviceMetricsOverride",
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}),
        );
    }

    /// Light or dark.
    pub fn prefer(&mut self, scheme: &str) {
        self.call(
            "Emulation.setEmulatedMedia",
            json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]}),
        );
    }

    /// Brings the first element of a selector into sight and returns its place: left, top, width,
    /// height.
    pub fn place(&mut self, selector: &str) -> [f64; 4] {
        let script = format!(
            "(() => {{ const e = document.querySelector({selector:?}); e.scrollIntoView({{block: 'center'}}); const b = e.getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; }})()"
        );
        serde_json::from_value(self.value(&script)).unwrap()
    }

    fn mouse(&mut self, kind: &str, x: f64, y: f64, clicks: u32) {
        let button = if clicks > 0 { "left" } else { "none" };
        self.call(
            "Input.dispatchMouseEvent",
            json!({"type": kind, "x": x, "y": y, "button": button, "clickCount": clicks}),
        );
    }

    /// Moves the mouse there.
    pub fn point(&mut self, x: f64, y: f64) {
        self.mouse("mouseMoved", x, y, 0);
    }

    /// Clicks in the middle of an element.
    pub fn click(&mut self, selector: &str) {
        let [left, top, width, height] = self.place(selector);
        let (x, y) = (left + 0.5 * width, top + 0.5 * height);
        self.mouse("mousePressed", x, y, 1);
        self.mouse("mouseReleased", x, y, 1);
    }

    /// Presses a key by its name and code (Windows virtual key codes, which the protocol takes).
    pub fn press(&mut self, key: &str, code: u32) {
        let text = if key == " " { " " } else { "" };
        for kind in ["keyDown", "keyUp"] {
            self.call(
                "Input.dispatchKeyEvent",
                json!({"type": kind, "key": key, "windowsVirtualKeyCode": code, "text": if kind == "keyDown" { text } else { "" }}),
            );
        }
    }

    /// Presses the tabulator until an element has the focus.
    pub fn tab_to(&mut self, selector: &str) {
        let is_there = format!("document.activeElement.matches({selector:?})");
        for _ in 0..200 {
            self.press("Tab", 9);
            if self.value(&is_there) == json!(true) {
                return;
            }
        }
        panic!("{selector} cannot be reached by keyboard");
    }

    /// What the page asked for, and what it complained of.
    pub fn requests_and_complaints(&mut self) -> (Vec<String>, Vec<String>) {
        // Whatever was on its way has come when this answer has.
        self.value("new Promise(done => setTimeout(() => done(0), 100))");
        let requests = self
            .events
            .iter()
            .filter(|event| event["method"] == "Network.requestWillBeSent")
            .map(|event| event["params"]["request"]["url"].to_string())
            .collect();
        let complaints = self
            .events
            .iter()
            .filter(|event| {
                event["method"] == "Runtime.exceptionThrown"
                    || event["method"] == "Runtime.consoleAPICalled"
                    || event["method"] == "Log.entryAdded"
            })
            .map(Value::to_string)
            .collect();
        (requests, complaints)
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self
            .input
            .write_all(b"{\"id\":0,\"method\":\"Browser.close\"}\0");
        let end = Instant::now() + Duration::from_secs(10);
        while Instant::now() < end && matches!(self.child.try_wait(), Ok(None)) {
            std::thread::sleep(Duration::from_millis(50));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
