//! One room of one test: its folder, its settings, its daemon, and the ways to speak to it.

use crate::broker_server::{self, Server};
use crate::mail_server::MailServer;
use chrono::Timelike;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use rusqlite::{Connection, OpenFlags};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;
use tempfile::TempDir;

pub const PASSWORD: &str = "sesame";
pub const STATUS: &str = "traywarden/saltmarsh-lane/status";
/// Long enough for a busy machine; every wait ends as soon as what it waits for is there.
pub const PATIENCE: Duration = Duration::from_secs(240);

/// One room: its folder, its settings, its daemon.
pub struct Room {
    pub folder: TempDir,
    pub store: PathBuf,
    /// Set for the daemon beside what is set already.
    pub environment: Vec<(String, String)>,
    daemon: Option<Child>,
}

impl Room {
    pub fn new(broker: u16, mail: Option<&MailServer>) -> Room {
        let folder = TempDir::new().expect("a temporary folder");
        let smtp = mail.map_or(String::new(), |mail| {
            format!(
                "smtp = \"smtps://grower@localhost:{}\"\npassword_file = \"{}\"\nca_file = \"{}\"\n",
                mail.port,
                mail.path("password").display(),
                mail.path("ca.pem").display()
            )
        });
        let zone = where_it_is_noon();
        let text = format!(
            r#"[site]
name = "Saltmarsh Lane"
time_zone = "{zone}"
[broker]
url = "mqtt://warden@127.0.0.1:{broker}"
password_file = "broker.password"
[store]
path = "room.db"
[mail]
from = "warden@saltmarsh.example"
to = ["grower@saltmarsh.example"]
{smtp}[alarm.reservoir-empty]
on_delay = "0 s"
off_delay = "0 s"
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
        std::fs::write(folder.path().join("broker.password"), PASSWORD).expect("the folder can be written");
        let store = folder.path().join("room.db");
        Room { folder, store, environment: Vec::new(), daemon: None }
    }

    /// Changes the settings, as a grower does with an editor.
    pub fn edit(&self, from: &str, to: &str) {
        let path = self.folder.path().join("room.toml");
        let text = std::fs::read_to_string(&path).expect("settings");
        assert!(text.contains(from), "{from} is not in the settings");
        std::fs::write(path, text.replace(from, to)).expect("the folder can be written");
    }

    pub fn process(&self) -> u32 {
        self.daemon.as_ref().expect("it was started").id()
    }

    pub fn signal(&self, name: &str) {
        let process = self.process().to_string();
        let sent = Command::new("kill").args([name, &process]).status().expect("kill runs");
        assert!(sent.success());
    }

    pub fn is_running(&mut self) -> bool {
        self.daemon.as_mut().expect("it was started").try_wait().expect("a child can be asked").is_none()
    }

    pub fn verb(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("--config")
            .arg(self.folder.path().join("room.toml"))
            .args(arguments)
            .envs(self.environment.iter().cloned())
            .stdin(Stdio::null())
            .output()
            .expect("the binary runs")
    }

    /// What `now` says, as one line: where it breaks depends on the terminal.
    pub fn now(&self) -> String {
        let said = self.verb(&["now"]).stdout;
        String::from_utf8_lossy(&said).split_whitespace().collect::<Vec<_>>().join(" ")
    }

    /// Starts the daemon and waits until it listens.
    pub fn start(&mut self, broker: &Server) {
        self.spawn();
        wait_for("the daemon to be online", || (retained(broker.port, STATUS) == "online").then_some(()));
    }

    /// Starts the daemon.
    pub fn spawn(&mut self) {
        let log = std::fs::File::create(self.folder.path().join("log")).expect("a log");
        let child = Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("--config")
            .arg(self.folder.path().join("room.toml"))
            .arg("run")
            .envs(self.environment.iter().cloned())
            .stdin(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("the binary runs");
        self.daemon = Some(child);
    }

    pub fn kill(&mut self) {
        let mut daemon = self.daemon.take().expect("it was started");
        daemon.kill().expect("it runs");
        daemon.wait().expect("it ends");
    }

    pub fn terminate(&mut self) -> Option<i32> {
        self.signal("-TERM");
        let mut daemon = self.daemon.take().expect("it was started");
        daemon.wait().expect("it ends").code()
    }

    /// How many readings of a quantity are stored, and how many different values.
    pub fn stored(&self, quantity: &str) -> (i64, i64) {
        let count = || -> rusqlite::Result<(i64, i64)> {
            open_read_only(&self.store)?.query_row(
                "SELECT count(*), count(DISTINCT raw) FROM reading JOIN series ON series.id = reading.series
                  WHERE series.quantity = ?1",
                [quantity],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
        };
        count().unwrap_or((0, 0))
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }
}

/// A zone in which it is one o'clock in the afternoon: hours from any round, digest or bed time, near
/// which fewer letters are written.
fn where_it_is_noon() -> String {
    let ahead = 13 - i64::from(traywarden::clock::Clock::system().now().hour());
    // These zones are named by the hours they are behind (IANA tz database, file etcetera).
    format!("Etc/GMT{:+}", -ahead)
}

/// Does not make the file where there is none.
pub fn open_read_only(store: &Path) -> rusqlite::Result<Connection> {
    Connection::open_with_flags(store, OpenFlags::SQLITE_OPEN_READ_ONLY)
}

/// What every thread of a process waits for, as the system and a debugger (where there is one) tell it.
fn what_it_waits_for(process: u32) -> String {
    let mut said = String::new();
    for thread in std::fs::read_dir(format!("/proc/{process}/task")).into_iter().flatten().flatten() {
        let told = |file: &str| std::fs::read_to_string(thread.path().join(file)).unwrap_or_default();
        said += &format!("{}: {} {}", told("comm").trim(), told("wchan"), told("syscall"));
    }
    let process = process.to_string();
    let stacks = Command::new("gdb").args(["-p", &process, "-batch", "-ex", "thread apply all bt"]).output();
    said + &stacks.map_or(String::new(), |output| String::from_utf8_lossy(&output.stdout).into_owned())
}

impl Drop for Room {
    fn drop(&mut self) {
        if let Some(daemon) = &mut self.daemon {
            if std::thread::panicking() {
                self.folder.disable_cleanup(true);
                eprintln!("{}", what_it_waits_for(daemon.id()));
                eprintln!("its folder is kept: {}", self.folder.path().display());
            }
            // It may have ended by itself in a failing test.
            let _ = daemon.kill();
            let _ = daemon.wait();
            if std::thread::panicking() {
                eprintln!("the daemon's log:\n{}", self.log());
            }
        }
    }
}

/// A broker that lets nobody in without a password.
pub fn broker() -> Server {
    Server::start(|folder| {
        let passwords = folder.file("passwords");
        broker_server::run("mosquitto_passwd", &["-b", "-c", &passwords, "warden", PASSWORD]);
        format!(
            "allow_anonymous false\npassword_file {passwords}\npersistence true\npersistence_location {}/\nautosave_on_changes true\n\
             autosave_interval 1\nmax_queued_messages 0\n",
            folder.file("").trim_end_matches('/')
        )
    })
}

pub fn wait_for<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    // A look may take seconds of its own.
    let until = tokio::time::Instant::now() + PATIENCE;
    while tokio::time::Instant::now() < until {
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
pub fn publish(port: u16, messages: &[(&str, String)]) {
    block(async {
        let mut options = MqttOptions::new(format!("sensor-{}", messages.len()), "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(20)).set_credentials("warden", PASSWORD);
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

/// Listens from now on; the answer waits for `count` JSON messages on the topic.
pub fn hears(port: u16, topic: &str, count: usize) -> impl FnOnce() -> Vec<serde_json::Value> {
    let port = port.to_string();
    // Without stdbuf its words stay in a buffer until it ends.
    let mut listener = Command::new("stdbuf")
        .args([
            "-oL",
            "mosquitto_sub",
            "-d",
            "-h",
            "127.0.0.1",
            "-p",
            &port,
            "-u",
            "warden",
            "-P",
            PASSWORD,
            "-t",
            topic,
        ])
        .args(["-C", &count.to_string(), "-W", "30"])
        .stdout(Stdio::piped())
        .spawn()
        .expect("mosquitto_sub runs (apt install mosquitto-clients)");
    let mut lines = BufReader::new(listener.stdout.take().expect("its output is piped")).lines();
    let subscribed = lines.by_ref().map_while(Result::ok).find(|line| line.contains("Subscribed"));
    assert!(subscribed.is_some(), "the broker lets it listen to {topic}");
    move || {
        let heard = lines.map_while(Result::ok).filter_map(|line| serde_json::from_str(&line).ok()).collect();
        listener.wait().expect("it ends");
        heard
    }
}

/// The retained message on a topic; empty if there is none.
pub fn retained(port: u16, topic: &str) -> String {
    let seen = Command::new("mosquitto_sub")
        .args([
            "-h",
            "127.0.0.1",
            "-p",
            &port.to_string(),
            "-t",
            topic,
            "-C",
            "1",
            "-W",
            "2",
            "--retained-only",
            "-u",
            "warden",
            "-P",
            PASSWORD,
        ])
        .output()
        .expect("mosquitto_sub runs (apt install mosquitto-clients)");
    String::from_utf8_lossy(&seen.stdout).trim().to_owned()
}

pub fn air(number: usize) -> (&'static str, String) {
    ("loft/rack-a/air", format!("{{\"t\":{:.3},\"h\":55.0}}", 20.0 + number as f64 / 1000.0))
}
