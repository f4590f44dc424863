//! `guard` as a process of its own, on the broker of a real watch: gone, back, and the
//! breakfast letter that did not come.

use crate::mail_server::MailServer;
use crate::room::{PASSWORD, Room, broker, wait_for};
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use tempfile::TempDir;

const STATUS: &str = "traywarden/saltmarsh-lane/status";
const DIGEST: &str = "traywarden/saltmarsh-lane/digest";

/// A guard with its folder. Ended by its own handle.
struct Guard {
    folder: TempDir,
    process: Option<Child>,
}

impl Guard {
    fn new(broker: u16, mail: &MailServer) -> Guard {
        let folder = TempDir::new().expect("a temporary folder");
        std::fs::write(folder.path().join("broker.password"), PASSWORD).unwrap();
        // A minute is the shortest a guard may be told; the digest is due at once.
        let text = format!(
            "[guard]\nsite = \"saltmarsh-lane\"\nname = \"Saltmarsh Lane\"\ntime_zone = \"America/Chicago\"\n\
             gone_after = \"1 min\"\ndigest_by = \"00:00\"\n\
             [broker]\nurl = \"mqtt://warden@127.0.0.1:{broker}\"\npassword_file = \"broker.password\"\n\
             [mail]\nfrom = \"guard@saltmarsh.example\"\nto = [\"grower@saltmarsh.example\"]\n\
             smtp = \"smtps://grower@localhost:{}\"\npassword_file = \"{}\"\nca_file = \"{}\"\n",
            mail.port,
            mail.path("password").display(),
            mail.path("ca.pem").display()
        );
        std::fs::write(folder.path().join("guard.toml"), text).unwrap();
        Guard { folder, process: None }
    }

    fn file(&self) -> PathBuf {
        self.folder.path().join("guard.toml")
    }

    fn start(&mut self) {
        let log = std::fs::File::create(self.folder.path().join("log")).unwrap();
        let child = Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("guard")
            .arg(self.file())
            .stdin(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("the binary runs");
        self.process = Some(child);
        wait_for("the guard to listen", || self.log().contains("connected to the broker").then_some(()));
    }

    fn verb(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("guard")
            .arg(self.file())
            .args(arguments)
            .output()
            .expect("the binary runs")
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }
}

impl Drop for Guard {
    fn drop(&mut self) {
        if let Some(process) = &mut self.process {
            // It may have ended by itself in a failing test.
            let _ = process.kill();
            let _ = process.wait();
            if std::thread::panicking() {
                eprintln!("the guard's log:\n{}", self.log());
            }
        }
    }
}

fn subjects(mail: &MailServer) -> Vec<String> {
    mail.taken().iter().map(|mail| mail["headers"]["Subject"].as_str().unwrap_or_default().to_owned()).collect()
}

#[test]
fn a_watch_that_was_killed_is_told_after_its_time_and_so_is_its_return() {
    let broker = broker();
    let mail = MailServer::started("implicit");
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    let mut guard = Guard::new(broker.port, &mail);
    // Today's breakfast letter has left, as far as the guard can tell.
    stamp(broker.port, "2099-01-01");
    guard.start();
    room.kill();
    let gone = wait_for("the letter that it is gone", || mail.taken().into_iter().next());
    let subject = gone["headers"]["Subject"].as_str().unwrap();
    assert!(subject.starts_with("Now: nobody watches Saltmarsh Lane since"), "{subject}");
    let text = gone["body"]["parts"][0]["text"].as_str().unwrap();
    assert!(text.contains("The broker is there and says that the watch is not"), "{text}");
    room.start(&broker);
    let back = wait_for("the letter that it is back", || mail.taken().into_iter().nth(1));
    assert_eq!(back["headers"]["Subject"], "Over: Saltmarsh Lane is watched again");
    assert_eq!(back["headers"]["In-Reply-To"], gone["headers"]["Message-ID"], "in one thread");
    assert_eq!(subjects(&mail).len(), 2);
}

#[test]
fn a_breakfast_letter_that_did_not_come_is_told_though_the_watch_is_there() {
    let broker = broker();
    let mail = MailServer::started("implicit");
    retain(broker.port, STATUS, "online");
    stamp(broker.port, "2020-01-01");
    let mut guard = Guard::new(broker.port, &mail);
    guard.start();
    wait_for("the letter", || (subjects(&mail) == ["Note: no breakfast letter from Saltmarsh Lane"]).then_some(()));
    // It leaves after all.
    stamp(broker.port, "2099-01-01");
    wait_for("the letter that it came", || {
        (subjects(&mail).get(1).map(String::as_str) == Some("Over: the breakfast letter of Saltmarsh Lane has left"))
            .then_some(())
    });
}

#[test]
fn a_guards_settings_are_checked_with_line_and_key_and_its_letter_is_tried() {
    let broker = broker();
    let mail = MailServer::started("implicit");
    let guard = Guard::new(broker.port, &mail);
    let right = guard.verb(&["--check", "--letter"]);
    assert_eq!(right.status.code(), Some(0), "{}", String::from_utf8_lossy(&right.stderr));
    assert_eq!(subjects(&mail), ["Test: the guard of Saltmarsh Lane can write"]);
    let text = std::fs::read_to_string(guard.file()).unwrap();
    let wrong =
        text.replace("saltmarsh-lane", "Saltmarsh Lane").replace("1 min", "1 s").replace("digest_by", "digest_bye");
    std::fs::write(guard.file(), wrong).unwrap();
    let refused = guard.verb(&["--check"]);
    assert_eq!(refused.status.code(), Some(78));
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    for part in [
        "3 problems in",
        "guard.toml:2  guard.site",
        "write \"saltmarsh-lane\"",
        "guard.toml:5  guard.gone_after",
        "guard.toml:6  guard.digest_bye",
        "did you mean \"digest_by\"?",
    ] {
        assert!(said.contains(part), "{part:?} is missing in\n{said}");
    }
}

fn stamp(port: u16, date: &str) {
    retain(port, DIGEST, &format!("{{\"date\":\"{date}\"}}"));
}

fn retain(port: u16, topic: &str, payload: &str) {
    let port = port.to_string();
    let done = Command::new("mosquitto_pub")
        .args([
            "-h",
            "127.0.0.1",
            "-p",
            &port,
            "-u",
            "warden",
            "-P",
            PASSWORD,
            "-q",
            "1",
            "-r",
            "-t",
            topic,
            "-m",
            payload,
        ])
        .status()
        .expect("mosquitto_pub runs (apt install mosquitto-clients)");
    assert!(done.success());
}
