//! One daemon, its room and its clock, a minute at a time.

use crate::broker_server::{self, Server};
use crate::faults::Fault;
use crate::room::{self, PASSWORD, Room, wait_for};
use crate::slopes::Taken;
use crate::small_disk::SmallDisk;
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tempfile::TempDir;
use tokio::runtime::Runtime;
use traywarden::random::SplitMix64;

/// Racks with one sensor each.
pub const SENSORS: usize = 6;
/// The broker has saved what it acknowledged within this, many times over: to memory, a file of a few kilobytes.
const SAVED_WITHIN: Duration = Duration::from_millis(50);
/// Its clock jumps so often.
const JUMPS_A_MINUTE: usize = 4;

pub struct Walk {
    runtime: Runtime,
    client: AsyncClient,
    events: EventLoop,
    broker: Server,
    _remembered: TempDir,
    room: Room,
    disk: SmallDisk,
    store: Connection,
    clock: PathBuf,
    letters: PathBuf,
    /// The daemon's clock is ahead by so many seconds.
    ahead: i64,
    published: i64,
    /// Minutes lived through.
    minutes: u32,
    tank_mm: f64,
    silent: [u32; SENSORS],
    hot: [u32; SENSORS],
    stuck: [u32; SENSORS],
    no_letters: u32,
    disk_full: u32,
}

fn library() -> String {
    let folders = std::fs::read_dir("/usr/lib").expect("a system has it").flatten();
    let found = folders.map(|folder| folder.path().join("faketime/libfaketimeMT.so.1")).find(|path| path.exists());
    found.expect("libfaketime is installed (apt install libfaketime)").to_string_lossy().into_owned()
}

fn settings(port: u16) -> String {
    let mut text = format!(
        "[site]\nname = \"Saltmarsh Lane\"\ntime_zone = \"America/Chicago\"\n\
         [broker]\nurl = \"mqtt://warden@127.0.0.1:{port}\"\npassword_file = \"broker.password\"\n\
         [store]\npath = \"card/room.db\"\n\
         [mail]\nfrom = \"warden@saltmarsh.example\"\nto = [\"grower@saltmarsh.example\"]\nfolder = \"letters\"\n"
    );
    for rack in 0..SENSORS {
        text += &format!(
            "[[place]]\nid = \"rack-{rack}\"\nname = \"Rack {rack}\"\n\
             [[sensor]]\nid = \"rack-{rack}-air\"\nplace = \"rack-{rack}\"\ntopic = \"loft/rack-{rack}/air\"\nevery = \"1 min\"\n\
             temperature = {{ pointer = \"/t\", unit = \"Cel\" }}\nhumidity = {{ pointer = \"/h\", unit = \"%RH\" }}\n"
        );
    }
    text + "[[reservoir]]\nid = \"tank\"\nfeeds = [\"rack-0\", \"rack-1\"]\ntopic = \"loft/tank/distance\"\nevery = \"15 s\"\n\
            reads = { what = \"distance\", unit = \"mm\", sensor_height = \"400 mm\" }\n\
            shape = { kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"350 mm\" }\npump_inlet = \"20 mm\"\n"
}

fn broker_in(folder: &Path) -> Server {
    Server::start(|own| {
        let passwords = own.file("passwords");
        broker_server::run("mosquitto_passwd", &["-b", "-c", &passwords, "warden", PASSWORD]);
        format!(
            "allow_anonymous false\npassword_file {passwords}\npersistence true\npersistence_location {}/\n\
             autosave_on_changes true\nautosave_interval 1\nmax_queued_messages 0\n",
            folder.display()
        )
    })
}

fn sensors(port: u16) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new("sensors", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(60)).set_credentials("warden", PASSWORD);
    options.set_max_packet_size(4_000_000, 4_000_000);
    AsyncClient::new(options, 1_000)
}

impl Drop for Walk {
    fn drop(&mut self) {
        if std::thread::panicking() {
            // The room's folder is kept; the store's disk is not. What cannot be copied is missed.
            for ending in ["db", "db-wal"] {
                let store = self.room.store.with_extension(ending);
                let _ = std::fs::copy(&store, self.letters.with_file_name(format!("kept.{ending}")));
            }
        }
    }
}

impl Walk {
    pub fn begin() -> Walk {
        // What it remembers lies in memory, or every message waits for a disk.
        let remembered = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
        let broker = broker_in(remembered.path());
        let mut room = Room::new(broker.port, None);
        let folder = room.folder.path().to_owned();
        let disk = SmallDisk::mount(&folder.join("card"), 512);
        std::fs::write(folder.join("room.toml"), settings(broker.port)).unwrap();
        room.store = folder.join("card/room.db");
        let clock = folder.join("clock");
        std::fs::write(&clock, "+0\n").unwrap();
        room.environment = [
            ("LD_PRELOAD", library()),
            ("FAKETIME_TIMESTAMP_FILE", clock.to_string_lossy().into_owned()),
            ("FAKETIME_NO_CACHE", "1".to_owned()),
        ]
        .map(|(name, value)| (name.to_owned(), value))
        .to_vec();
        room.start(&broker);
        let store = room::open_read_only(&room.store).unwrap();
        let (client, events) = sensors(broker.port);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        Walk {
            runtime,
            client,
            events,
            broker,
            _remembered: remembered,
            disk,
            store,
            clock,
            letters: folder.join("letters"),
            room,
            ahead: 0,
            published: 0,
            minutes: 0,
            tank_mm: 120.0,
            silent: [0; SENSORS],
            hot: [0; SENSORS],
            stuck: [0; SENSORS],
            no_letters: 0,
            disk_full: 0,
        }
    }

    fn move_clock(&mut self, seconds: i64) {
        self.ahead += seconds;
        let part = self.clock.with_extension("part");
        std::fs::write(&part, format!("+{}\n", self.ahead)).unwrap();
        std::fs::rename(part, &self.clock).unwrap();
    }

    /// One minute passes: everybody who can speaks, and somebody works in the room.
    pub fn minute(&mut self, random: &mut SplitMix64) {
        self.minutes += 1;
        let warmth = 21.0 + 2.0 * (self.ahead as f64 / 86_400.0 * std::f64::consts::TAU).sin();
        let mut messages = Vec::new();
        for rack in 0..SENSORS {
            let (t, h) = match (self.hot[rack] > 0, self.stuck[rack] > 0) {
                (true, _) => (38.0, 40.0),
                (_, true) => (21.375, 60.25),
                _ => (warmth + 0.1 * random.bell(), 60.0 + 2.0 * random.bell()),
            };
            if self.silent[rack] == 0 {
                messages.push((format!("loft/rack-{rack}/air"), format!("{{\"t\":{t:.2},\"h\":{h:.2}}}")));
                self.published += 2;
            }
        }
        // In parts: whoever hears nothing for a minute takes the broker for silent.
        for jump in 0..JUMPS_A_MINUTE {
            let part = |jump| jump * messages.len() / JUMPS_A_MINUTE;
            self.move_clock(10);
            self.publish(&messages[part(jump)..part(jump + 1)]);
            let spoke_at = self.ahead;
            self.hear_tank(random);
            self.keep_pace(spoke_at, random);
        }
        for left in self.silent.iter_mut().chain(&mut self.hot).chain(&mut self.stuck) {
            *left = left.saturating_sub(1);
        }
        match self.no_letters {
            0 => {}
            1 => self.let_letters_leave(),
            left => self.no_letters = left - 1,
        }
        match self.disk_full {
            0 => {}
            1 => self.make_room(),
            left => self.disk_full = left - 1,
        }
        if self.minutes % 60 == 30 && self.disk_full == 0 {
            self.work();
        }
    }

    fn work(&mut self) {
        let day = self.ahead / 86_400;
        let tray = format!("tray=T{day}");
        let arguments: Vec<&str> = match self.minutes / 60 % 6 {
            0 => vec!["log", "sow", &tray, "place=rack-0", "crop=radish", "count=4"],
            1 => vec!["log", "water", "all=true", "ml=150"],
            2 => vec!["history", "rack-1", "--json", "--since", "6 h"],
            3 => vec!["log", "refill"],
            4 => vec!["trays"],
            _ => vec!["now", "--json"],
        };
        let answer = self.room.verb(&arguments);
        // Whether it was right is no matter here; that it comes is.
        assert!(answer.status.code().is_some(), "{arguments:?}");
    }

    /// The tank speaks, five seconds later: it wakes the daemon, which then writes down what
    /// it heard before.
    fn hear_tank(&mut self, random: &mut SplitMix64) {
        self.tank_mm += 0.04;
        if self.tank_mm > 330.0 {
            self.tank_mm = 120.0;
        }
        self.move_clock(5);
        self.publish(&[("loft/tank/distance".to_owned(), format!("{:.1}", self.tank_mm + 0.5 * random.bell()))]);
        self.published += 1;
    }

    /// Waits until what was heard then is stored.
    fn keep_pace(&mut self, spoke_at: i64, random: &mut SplitMix64) {
        if self.disk_full > 0 {
            std::thread::sleep(Duration::from_millis(5));
            return;
        }
        for look in 0..400 {
            // On a busy machine a daemon that is behind must not be hurried farther behind.
            for _ in 0..10 << (look / 8).min(6) {
                let newest: Option<i64> =
                    self.store.query_row("SELECT max(at) FROM reading", [], |row| row.get(0)).unwrap_or(None);
                // Some grace, for what has passed since.
                if newest.is_some_and(|newest| newest >= room_time(spoke_at) - 8_000) {
                    return;
                }
                std::thread::sleep(Duration::from_millis(1));
            }
            self.hear_tank(random);
        }
        panic!("nothing was stored\n{}", self.room.log());
    }

    fn publish(&mut self, messages: &[(String, String)]) {
        let Walk { runtime, client, events, .. } = self;
        runtime.block_on(async {
            for (topic, payload) in messages {
                client.publish(topic, QoS::AtLeastOnce, false, payload.clone()).await.unwrap();
            }
            let mut acknowledged = 0;
            while acknowledged < messages.len() {
                if let Event::Incoming(Packet::PubAck(_)) = events.poll().await.expect("the broker answers") {
                    acknowledged += 1;
                }
            }
        });
    }

    pub fn suffer(&mut self, fault: Fault, random: &mut SplitMix64) {
        match fault {
            Fault::None => {
                if self.disk_full > 0 {
                    self.make_room();
                }
                if self.no_letters > 0 {
                    self.let_letters_leave();
                }
            }
            Fault::BrokerKilled => {
                // It acknowledges before it saves; what it forgets in between it has not kept its word on.
                std::thread::sleep(SAVED_WITHIN);
                let before = self.room.log().matches("connected to the broker").count();
                self.broker.kill();
                self.move_clock(60 + (random.whole() % 1_800) as i64);
                self.broker.start_again();
                wait_for("the daemon to be back", || {
                    (self.room.log().matches("connected to the broker").count() > before).then_some(())
                });
                (self.client, self.events) = sensors(self.broker.port);
            }
            Fault::Silent { sensor, minutes } => self.silent[sensor] = minutes,
            Fault::Hot { sensor, minutes } => self.hot[sensor] = minutes,
            Fault::Stuck { sensor, minutes } => self.stuck[sensor] = minutes,
            Fault::Garbage { messages } => {
                let garbage: Vec<_> = (0..messages)
                    .map(|nth| (format!("loft/rack-{}/air", nth % SENSORS), format!("{{\"t\":{nth}")))
                    .collect();
                self.publish(&garbage);
            }
            Fault::Oversized => self.publish(&[("loft/rack-0/air".to_owned(), "x".repeat(1_000_000))]),
            Fault::NoLetters { minutes } => {
                if self.no_letters == 0 {
                    // None may have been written yet.
                    std::fs::create_dir_all(&self.letters).unwrap();
                    std::fs::rename(&self.letters, self.letters.with_extension("away")).unwrap();
                    std::fs::write(&self.letters, "in the way").unwrap();
                }
                self.no_letters = minutes;
            }
            Fault::DiskFull { minutes } => {
                if self.disk_full == 0 {
                    self.disk.fill();
                }
                self.disk_full = minutes;
            }
            // What waits in memory would be lost with it, as its letter says.
            Fault::Reload if self.disk_full > 0 => {}
            Fault::Reload => {
                let before = self.room.log().matches("connected to the broker").count();
                self.room.signal("-HUP");
                wait_for("the daemon to be back", || {
                    (self.room.log().matches("connected to the broker").count() > before).then_some(())
                });
            }
        }
    }

    fn let_letters_leave(&mut self) {
        self.no_letters = 0;
        std::fs::remove_file(&self.letters).unwrap();
        std::fs::rename(self.letters.with_extension("away"), &self.letters).unwrap();
    }

    fn make_room(&mut self) {
        self.disk_full = 0;
        self.disk.empty();
    }

    /// The clock stands until all is stored, unless nothing can be.
    pub fn stand_still(&mut self) {
        if self.disk_full == 0 {
            self.settle();
        }
    }

    /// Waits until all is stored.
    pub fn settle(&mut self) {
        self.move_clock(10);
        let all = self.published;
        wait_for("everything to be stored", || (self.stored() >= all).then_some(()));
    }

    /// Hours that have passed by its clock.
    pub fn hours(&self) -> f64 {
        self.ahead as f64 / 3_600.0
    }

    pub fn published(&self) -> i64 {
        self.published
    }

    pub fn stored(&self) -> i64 {
        let stored = "SELECT (SELECT count(*) FROM reading) + (SELECT coalesce(sum(readings), 0) FROM packed)";
        self.store.query_row(stored, [], |row| row.get(0)).unwrap()
    }

    pub fn letters(&self) -> usize {
        std::fs::read_dir(&self.letters).map_or(0, Iterator::count)
    }

    pub fn taken(&self) -> Taken {
        let process = format!("/proc/{}", self.room.process());
        let status = std::fs::read_to_string(format!("{process}/status")).unwrap();
        let number = |name: &str| -> f64 {
            let line = status.lines().find(|line| line.starts_with(name)).unwrap();
            line.split_whitespace().nth(1).unwrap().parse().unwrap()
        };
        let bytes = |part: &str| {
            let path = format!("{}{part}", self.room.store.display());
            std::fs::metadata(path).map_or(0, |file| file.len()) as f64
        };
        Taken {
            day: self.ahead as f64 / 86_400.0,
            memory_kib: number("VmRSS:"),
            own_kib: number("RssAnon:"),
            threads: number("Threads:"),
            handles: std::fs::read_dir(format!("{process}/fd")).unwrap().count() as f64,
            store_kib: (bytes("") + bytes("-wal")) / 1024.0,
            stored: self.stored() as f64,
        }
    }
}

/// What the daemon's clock shows, in milliseconds since 1970, when it is ahead by so much.
#[expect(clippy::disallowed_methods, reason = "the daemon's clock is told from the system's")]
fn room_time(ahead_seconds: i64) -> i64 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap();
    now.as_millis() as i64 + ahead_seconds * 1_000
}
