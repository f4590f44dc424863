//! The beat against a real web server (Python's own http.server, with TLS).

use crate::mail_server::MailServer;
use crate::room::{Room, broker, wait_for};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use traywarden::{beat, config};

/// A web server with a certificate for localhost. Ended by its own handle.
struct WebServer {
    /// Its folder and certificates; no mail is sent here.
    certificates: MailServer,
    process: Child,
    tls: bool,
}

impl WebServer {
    fn started(tls: bool) -> WebServer {
        let certificates = MailServer::prepared("implicit");
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/guard/beat_server.py");
        let mut process = Command::new("python3")
            .arg(script)
            .arg(certificates.folder.path())
            .args([certificates.port.to_string().as_str(), if tls { "tls" } else { "plain" }])
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 starts");
        let mut line = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert_eq!(line.trim(), "ready", "the web server starts");
        WebServer { certificates, process, tls }
    }

    fn beat(&self, path: &str) -> config::Beat {
        config::Beat {
            tls: self.tls,
            host: "localhost".into(),
            port: self.certificates.port,
            path: path.into(),
            ca_file: self.tls.then(|| self.certificates.path("ca.pem")),
        }
    }

    fn asked(&self) -> Vec<Value> {
        let lines = std::fs::read_to_string(self.certificates.path("beats")).unwrap_or_default();
        lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}

impl Drop for WebServer {
    fn drop(&mut self) {
        // It may have ended by itself in a failing test.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn once(beat: &config::Beat) -> Result<(), String> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(beat::once(beat))
}

#[test]
fn a_beat_is_one_get_over_tls_or_plainly_on_this_machine() {
    for tls in [true, false] {
        let server = WebServer::started(tls);
        once(&server.beat("/7f3c?room=1")).unwrap();
        let asked = server.asked();
        assert_eq!(asked.len(), 1);
        assert_eq!(asked[0]["path"], "/7f3c?room=1");
        assert_eq!(asked[0]["host"], format!("localhost:{}", server.certificates.port));
        assert!(asked[0]["agent"].as_str().unwrap().starts_with("traywarden/"));
    }
}

#[test]
fn a_beat_that_was_not_taken_says_why_and_keeps_the_path_to_itself() {
    let server = WebServer::started(true);
    let why = |beat: &config::Beat| once(beat).expect_err("it is not taken");
    assert!(why(&server.beat("/elsewhere")).contains("elsewhere (302"), "{}", why(&server.beat("/elsewhere")));
    assert!(why(&server.beat("/gone")).contains("404"));
    assert!(!why(&server.beat("/gone")).contains("/gone"));
    let strange = config::Beat { ca_file: None, ..server.beat("/") };
    assert!(why(&strange).contains("ca_file in [beat]"), "{}", why(&strange));
    let nobody = config::Beat { port: 1, ..server.beat("/") };
    assert!(why(&nobody).contains("no connection to localhost port 1"), "{}", why(&nobody));
}

#[test]
fn a_watch_beats_as_soon_as_it_stands_and_one_untaken_is_a_line() {
    let broker = broker();
    let server = WebServer::started(true);
    let mut room = Room::new(broker.port, None);
    let beat = format!(
        "[beat]\nurl = \"https://localhost:{}/gone\"\nca_file = \"{}\"\n[[place]]",
        server.certificates.port,
        server.certificates.path("ca.pem").display()
    );
    room.edit("[[place]]", &beat);
    room.start(&broker);
    wait_for("the beat", || (server.asked().len() == 1).then_some(()));
    wait_for("the line", || room.log().contains("the beat was not taken").then_some(()));
    assert!(room.is_running());
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
}
