//! The real binary against a real broker and a real mail server: a reading in, a letter
//! out; a broker killed and back; a daemon killed in mid-stream with nothing lost.

#![expect(clippy::unwrap_used, reason = "a test that unwraps says where it broke")]

#[path = "../broker/server.rs"]
#[expect(dead_code, reason = "shared with tests/broker, which uses the rest")]
mod broker_server;
#[path = "../mail/server.rs"]
#[expect(dead_code, reason = "shared with tests/mail, which uses the rest")]
mod mail_server;

use broker_server::Server;
use mail_server::MailServer;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use rusqlite::Connection;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// Long enough for a busy machine; every wait ends as soon as what it waits for is there.
const PATIENCE: Duration = Duration::from_secs(240);

/// One room: its folder, its settings, its daemon.
struct Room {
    folder: TempDir,
    daemon: Option<Child>,
}

impl Room {
    fn new(broker: u16, mail: Option<&MailServer>) -> Room {
        let folder = TempDir::new().expect("a temporary folder");
        let smtp = mail.map_or(String::new(), |mail| {
            format!(
                "smtp = \"smtps://grower@localhost:{}\"\npassword_file = \"{}\"\nca_file = \"{}\"\n",
                mail.port,
                mail.path("password").display(),
                mail.path("ca.pem").display()
            )
        });
        let text = format!(
            r#"[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[broker]
url = "mqtt://127.0.0.1:{broker}"
[store]
path = "room.db"
[mail]
from = "warden@saltmarsh.example"
to = ["grower@saltmarsh.example"]
{smtp}[alarm.reservoir-empty]
on_delay = "0 s"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
every = "1 s"
temperature = {{ pointer = "/t", unit = "Cel" }}
humidity = {{ pointer = "/h", unit = "%RH" }}
[[reservoir]]
id = "tank"
feeds = ["rack-a"]
topic = "loft/tank/distance"
every = "1 s"
reads = {{ what = "distance", unit = "mm", sensor_height = "400 mm" }}
shape = {{ kind = "box", length = "600 mm", width = "400 mm", height = "350 mm" }}
pump_inlet = "20 mm"
"#
        );
        std::fs::write(folder.path().join("room.toml"), text).expect("the folder can be written");
        Room { folder, daemon: None }
    }

    fn verb(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("--config")
            .arg(self.folder.path().join("room.toml"))
            .args(arguments)
            .stdin(Stdio::null())
            .output()
            .expect("the binary runs")
    }

    /// Starts the daemon and waits until it listens.
    fn start(&mut self, broker: &Server) {
        let log = std::fs::File::create(self.folder.path().join("log")).expect("a log");
        let child = Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("--config")
            .arg(self.folder.path().join("room.toml"))
            .arg("run")
            .stdin(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("the binary runs");
        self.daemon = Some(child);
        wait_for("the daemon to be online", || {
            (retained(broker.port, "traywarden/saltmarsh-lane/status") == "online").then_some(())
        });
    }

    fn kill(&mut self) {
        let mut daemon = self.daemon.take().expect("it was started");
        daemon.kill().expect("it runs");
        daemon.wait().expect("it ends");
    }

    fn terminate(&mut self) -> Option<i32> {
        let mut daemon = self.daemon.take().expect("it was started");
        let sent = Command::new("kill").args(["-TERM", &daemon.id().to_string()]).status().expect("kill runs");
        assert!(sent.success());
        daemon.wait().expect("it ends").code()
    }

    fn store(&self) -> PathBuf {
        self.folder.path().join("room.db")
    }

    /// How many readings of a quantity are stored, and how many different values.
    fn stored(&self, quantity: &str) -> (i64, i64) {
        let count = || -> rusqlite::Result<(i64, i64)> {
            Connection::open(self.store())?.query_row(
                "SELECT count(*), count(DISTINCT raw) FROM reading JOIN series ON series.id = reading.series
                  WHERE series.quantity = ?1",
                [quantity],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
        };
        count().unwrap_or((0, 0))
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }
}

impl Drop for Room {
    fn drop(&mut self) {
        if let Some(daemon) = &mut self.daemon {
            // It may have ended by itself in a failing test.
            let _ = daemon.kill();
            let _ = daemon.wait();
            if std::thread::panicking() {
                eprintln!("the daemon's log:\n{}", self.log());
            }
        }
    }
}

fn broker() -> Server {
    Server::start(|folder| {
        format!(
            "allow_anonymous true\npersistence true\npersistence_location {}/\nautosave_on_changes true\n\
             autosave_interval 1\nmax_queued_messages 0\n",
            folder.file("").trim_end_matches('/')
        )
    })
}

fn wait_for<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    for _ in 0..(PATIENCE.as_millis() / 100) {
        if let Some(found) = look() {
            return found;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    panic!("waited {PATIENCE:?} in vain for {what}");
}

fn block<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(future)
}

/// Publishes at QoS 1 and returns when the broker has everything.
fn publish(port: u16, messages: &[(&str, String)]) {
    block(async {
        let mut options = MqttOptions::new(format!("sensor-{}", messages.len()), "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(20));
        let (client, mut events) = AsyncClient::new(options, messages.len() + 1);
        for (topic, payload) in messages {
            client.publish(*topic, QoS::AtLeastOnce, false, payload.clone()).await.expect("room in the queue");
        }
        let mut acknowledged = 0;
        while acknowledged < messages.len() {
            if let Event::Incoming(Packet::PubAck(_)) = events.poll().await.expect("the broker answers") {
                acknowledged += 1;
            }
        }
    });
}

/// The retained message on a topic; empty if there is none.
fn retained(port: u16, topic: &str) -> String {
    let seen = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", topic, "-C", "1", "-W", "2", "--retained-only"])
        .output()
        .expect("mosquitto_sub runs (apt install mosquitto-clients)");
    String::from_utf8_lossy(&seen.stdout).trim().to_owned()
}

fn air(number: usize) -> (&'static str, String) {
    ("loft/rack-a/air", format!("{{\"t\":{:.3},\"h\":55.0}}", 20.0 + number as f64 / 1000.0))
}

#[test]
fn an_empty_tank_becomes_a_letter_and_a_lamp_and_its_answer_reaches_both() {
    let broker = broker();
    let mail = MailServer::started("implicit");
    let mut room = Room::new(broker.port, Some(&mail));
    room.start(&broker);
    let empty: Vec<_> = (0..3).map(|_| ("loft/tank/distance", "385".to_owned())).collect();
    publish(broker.port, &empty);
    publish(broker.port, &[("loft/tank/distance", "garbage".to_owned()), ("loft/rack-a/air", "\u{1}{".to_owned())]);

    let letter = wait_for("the letter", || mail.taken().into_iter().next());
    assert_eq!(letter["tls"], true);
    assert_eq!(letter["authenticated"], true);
    assert_eq!(letter["headers"]["Auto-Submitted"], "auto-generated");
    let subject = letter["headers"]["Subject"].as_str().expect("a subject");
    assert!(subject.starts_with("Now: tank empty"), "{subject}");

    let lamp = "traywarden/saltmarsh-lane/alarm/reservoir-empty/tank";
    let shown: serde_json::Value = serde_json::from_str(&retained(broker.port, lamp)).expect("a JSON object");
    assert_eq!((&shown["state"], &shown["priority"]), (&"unacknowledged".into(), &"now".into()));
    let answered = room.verb(&["alarms", "acknowledge", "reservoir-empty:tank"]);
    assert_eq!(answered.status.code(), Some(0), "{}", String::from_utf8_lossy(&answered.stdout));
    wait_for("the lamp to be quiet", || retained(broker.port, lamp).contains("\"acknowledged\"").then_some(()));
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    assert_eq!(retained(broker.port, "traywarden/saltmarsh-lane/status"), "offline");
}

#[test]
fn killed_in_mid_stream_the_daemon_has_every_reading_exactly_once() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    const MESSAGES: usize = 3000;
    let port = broker.port;
    let publisher = std::thread::spawn(move || {
        for part in (0..MESSAGES).collect::<Vec<_>>().chunks(100) {
            publish(port, &part.iter().map(|number| air(*number)).collect::<Vec<_>>());
        }
    });
    for kill in 1..=3 {
        let enough = kill * 500;
        wait_for("readings to be stored", || (room.stored("temperature").0 >= enough).then_some(()));
        room.kill();
        room.start(&broker);
    }
    publisher.join().expect("everything was published");
    let all = MESSAGES as i64;
    wait_for("the last reading", || (room.stored("temperature").1 >= all).then_some(()));
    assert_eq!(room.stored("temperature"), (all, all), "each once");
    assert_eq!(room.stored("humidity").0, all);
}

#[test]
fn a_broker_that_was_killed_is_found_again_and_readings_flow() {
    let mut broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    publish(broker.port, &[air(1)]);
    wait_for("the first reading", || (room.stored("temperature").0 >= 1).then_some(()));
    broker.kill();
    wait_for("the loss to be noticed", || room.log().contains("no connection to the broker").then_some(()));
    broker.start_again();
    wait_for("the daemon to be back", || {
        (retained(broker.port, "traywarden/saltmarsh-lane/status") == "online").then_some(())
    });
    wait_for("the second reading", || {
        publish(broker.port, &[air(2)]);
        (room.stored("temperature").1 >= 2).then_some(())
    });
    let history = room.verb(&["history", "rack-a", "--json", "--since", "1 h"]);
    assert_eq!(history.status.code(), Some(0));
    let series: serde_json::Value = serde_json::from_slice(&history.stdout).expect("JSON");
    assert!(series[0]["points"].as_array().is_some_and(|points| !points.is_empty()), "{series}");
}

#[test]
fn the_journal_is_taken_over_the_store_and_over_the_broker_and_bad_entries_are_refused() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    let sown = room.verb(&["log", "sow", "tray=K12", "place=rack-a", "crop=broccoli", "count=4"]);
    assert_eq!(sown.status.code(), Some(0), "{}", String::from_utf8_lossy(&sown.stdout));
    let refused = room.verb(&["log", "harvest", "tray=Z9", "grams=100"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stdout).contains("no tray called \"Z9\""));
    let entry = r#"{"did":"sow","tray":"K13","place":"rack-a","crop":"kale"}"#;
    publish(broker.port, &[("traywarden/saltmarsh-lane/journal", entry.to_owned())]);
    let trays = wait_for("both trays", || {
        let trays = String::from_utf8_lossy(&room.verb(&["trays", "--json"]).stdout).into_owned();
        trays.contains("K13").then_some(trays)
    });
    assert!(trays.contains("K12"), "{trays}");
}

#[test]
fn a_letter_waits_for_a_mail_server_that_is_away_and_a_wrong_config_says_where() {
    let broker = broker();
    let mut mail = MailServer::prepared("implicit");
    let mut room = Room::new(broker.port, Some(&mail));
    room.start(&broker);
    publish(broker.port, &[("loft/tank/distance", "385".to_owned())]);
    wait_for("the first try", || room.log().contains("the letter did not leave").then_some(()));
    mail.start();
    wait_for("the letter", || mail.taken().into_iter().next());
    assert_eq!(mail.taken().len(), 1, "once");

    let file = room.folder.path().join("wrong.toml");
    std::fs::write(&file, "[site]\nname = \"X\"\ntime_zone = \"America/Chicgo\"\n").expect("writable");
    let checked = Command::new(env!("CARGO_BIN_EXE_traywarden"))
        .arg("--config")
        .arg(&file)
        .arg("check")
        .output()
        .expect("the binary runs");
    assert_eq!(checked.status.code(), Some(78));
    let said = String::from_utf8_lossy(&checked.stderr).into_owned();
    assert!(said.contains("wrong.toml:3") && said.contains("site.time_zone"), "{said}");
}
