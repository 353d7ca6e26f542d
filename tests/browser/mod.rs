//! A real browser for tests: headless Chromium, spoken to by the Chrome `DevTools` Protocol over its
//! pipe (`--remote-debugging-pipe`: JSON messages ended by a zero byte on descriptors 3 and 4).
//!
//! Everything that a page asks for, writes to its console, throws or opens is kept, so that a test
//! can say that there was none of it. Where no Chromium is installed, [`Browser::open`] says that
//! the test is skipped.
#![allow(dead_code, reason = "no test file uses all of it")]

use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

/// Debian's name, and what other systems call it.
const NAMES: [&str; 3] = ["chromium", "chromium-browser", "google-chrome"];

pub(crate) struct Browser {
    child: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
    session: String,
    last_id: u64,
    /// URLs that pages asked for, data URIs shortened.
    pub(crate) requests: Vec<String>,
    /// Errors, console lines and dialogs.
    pub(crate) trouble: Vec<String>,
    loads: usize,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Starts the browser with one page; `None`, with a line saying so, where there is none.
    pub(crate) fn open() -> Option<Browser> {
        let Some(name) = NAMES.into_iter().find(|name| {
            let found = Command::new(name)
                .arg("--version")
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .status();
            found.is_ok_and(|status| status.success())
        }) else {
            eprintln!("skipped: no Chromium is installed");
            return None;
        };
        let profile = tempfile::tempdir().unwrap();
        let flags = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--hide-scrollbars",
            "--remote-debugging-pipe",
            "--window-size=1100,1000",
        ];
        let mut child = Command::new("sh")
            // Its own streams become the browser's descriptors 3 and 4.
            .args([
                "-c",
                "exec \"$0\" \"$@\" 3<&0 4>&1 </dev/null >/dev/null 2>&1",
                name,
            ])
            .args(flags)
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let to = child.stdin.take().unwrap();
        let from = BufReader::new(child.stdout.take().unwrap());
        let mut browser = Browser {
            child,
            to,
            from,
            session: String::new(),
            last_id: 0,
            requests: Vec::new(),
            trouble: Vec::new(),
            loads: 0,
            _profile: profile,
        };
        let made = browser.call("Target.createTarget", &json!({"url": "about:blank"}));
        let target = made["targetId"].as_str().unwrap().to_owned();
        let attached = browser.call(
            "Target.attachToTarget",
            &json!({"targetId": target, "flatten": true}),
        );
        browser.session = attached["sessionId"].as_str().unwrap().to_owned();
        for domain in ["Page", "Runtime", "Log", "Network"] {
            browser.call(&format!("{domain}.enable"), &json!({}));
        }
        browser.requests.clear();
        Some(browser)
    }

    /// Opens a file and waits until it is loaded.
    pub(crate) fn go_to(&mut self, file: &Path) {
        let before = self.loads;
        // As a URL: what isn't plain is percent-encoded.
        let path = file.canonicalize().unwrap();
        let mut url = String::from("file://");
        for byte in path.to_str().unwrap().bytes() {
            if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
                url.push(char::from(byte));
            } else {
                url.push_str(&format!("%{byte:02X}"));
            }
        }
        let went = self.call("Page.navigate", &json!({"url": url}));
        assert!(went.get("errorText").is_none(), "{went}");
        let begun = Instant::now();
        while self.loads == before {
            assert!(
                begun.elapsed() < Duration::from_secs(60),
                "{url} was not loaded"
            );
            self.hear();
        }
    }

    /// Value of a JavaScript expression in the page.
    pub(crate) fn value(&mut self, expression: &str) -> Value {
        let asked = json!({"expression": expression, "returnByValue": true, "awaitPromise": true});
        let told = self.call("Runtime.evaluate", &asked);
        assert!(
            told.get("exceptionDetails").is_none(),
            "{expression}: {told}"
        );
        told["result"]["value"].clone()
    }

    /// Moves the pointer to a place of the window, CSS px.
    pub(crate) fn point_at(&mut self, x: f64, y: f64) {
        self.call(
            "Input.dispatchMouseEvent",
            &json!({"type": "mouseMoved", "x": x, "y": y}),
        );
    }

    /// Presses and lets go a key that has no letter.
    pub(crate) fn press(&mut self, key: &str, code: u32) {
        for kind in ["rawKeyDown", "keyUp"] {
            let event =
                json!({"type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code});
            self.call("Input.dispatchKeyEvent", &event);
        }
    }

    /// Shows the page as it is on a medium (`screen`, `print`) in a colour scheme.
    pub(crate) fn show_as(&mut self, medium: &str, scheme: &str) {
        let features = json!([{"name": "prefers-color-scheme", "value": scheme}]);
        self.call(
            "Emulation.setEmulatedMedia",
            &json!({"media": medium, "features": features}),
        );
    }

    /// Width of the window, CSS px.
    pub(crate) fn resize(&mut self, width: u32, height: u32) {
        let size =
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false});
        self.call("Emulation.setDeviceMetricsOverride", &size);
    }

    /// The whole page as a PNG file.
    pub(crate) fn screenshot(&mut self) -> Vec<u8> {
        let told = self.call(
            "Page.captureScreenshot",
            &json!({"captureBeyondViewport": true}),
        );
        from_base64(told["data"].as_str().unwrap())
    }

    /// The page as it is printed, a PDF file; paper in inches.
    pub(crate) fn print(&mut self, width_in: f64, height_in: f64) -> Vec<u8> {
        let paper = json!({"paperWidth": width_in, "paperHeight": height_in, "printBackground": true, "preferCSSPageSize": false});
        let told = self.call("Page.printToPDF", &paper);
        from_base64(told["data"].as_str().unwrap())
    }

    /// Calls a method and waits for its answer.
    pub(crate) fn call(&mut self, method: &str, parameters: &Value) -> Value {
        self.last_id += 1;
        let mut message = json!({"id": self.last_id, "method": method, "params": parameters});
        if !self.session.is_empty() {
            message["sessionId"] = self.session.as_str().into();
        }
        let mut bytes = serde_json::to_vec(&message).unwrap();
        bytes.push(0);
        self.to.write_all(&bytes).unwrap();
        self.to.flush().unwrap();
        loop {
            let heard = self.hear();
            if heard["id"] == self.last_id {
                assert!(heard.get("error").is_none(), "{method}: {heard}");
                return heard["result"].clone();
            }
        }
    }

    /// Takes one message and keeps what a test asks for.
    fn hear(&mut self) -> Value {
        let mut bytes = Vec::new();
        self.from.read_until(0, &mut bytes).unwrap();
        assert_eq!(bytes.pop(), Some(0), "the browser has ended");
        let heard: Value = serde_json::from_slice(&bytes).unwrap();
        let parameters = &heard["params"];
        match heard["method"].as_str().unwrap_or("") {
            "Page.loadEventFired" => self.loads += 1,
            "Network.requestWillBeSent" => {
                let url = parameters["request"]["url"].as_str().unwrap_or("");
                self.requests.push(url.chars().take(200).collect());
            }
            "Runtime.consoleAPICalled"
            | "Runtime.exceptionThrown"
            | "Page.javascriptDialogOpening" => {
                self.trouble.push(heard.to_string());
            }
            "Log.entryAdded" => self.trouble.push(parameters["entry"].to_string()),
            _ => {}
        }
        heard
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Bytes of base 64 (RFC 4648) with padding.
fn from_base64(text: &str) -> Vec<u8> {
    let value = |sign: u8| match sign {
        b'A'..=b'Z' => u32::from(sign - b'A'),
        b'a'..=b'z' => u32::from(sign - b'a') + 26,
        b'0'..=b'9' => u32::from(sign - b'0') + 52,
        b'+' => 62,
        b'/' => 63,
        _ => 0,
    };
    let mut bytes = Vec::new();
    for four in text.as_bytes().chunks(4) {
        let bits = four.iter().fold(0, |bits, sign| bits << 6 | value(*sign));
        let padding = four.iter().filter(|sign| **sign == b'=').count();
        bytes.extend(&bits.to_be_bytes()[1..4 - padding]);
    }
    bytes
}
