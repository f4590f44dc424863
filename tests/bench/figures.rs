//! Figures, not tests: what the watch costs and how fast it is, each beside its aim or a
//! limit measured in the same run. Run with `cargo bench`.

#![expect(clippy::disallowed_methods, reason = "a benchmark asks the clock")]

mod keeping_broker;
mod resident;

use chrono::TimeDelta;
use keeping_broker::Server;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use rusqlite::Connection;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};
use traywarden::demo::nights;
use traywarden::engine::Engine;
use traywarden::engine::event::What;
use traywarden::reading::{ChannelId, Quantity, RawReading};
use traywarden::rehearse::printed::Printed;
use traywarden::rehearse::recorded::{Grain, Recording, rehearse};
use traywarden::store::{Reader, Record, Store};

use resident::memory_mib;

const MESSAGES: usize = 40_000;

/// All of them, or those whose names are given: `cargo bench -- year`.
fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let wanted: Vec<String> = std::env::args().skip(1).filter(|argument| !argument.starts_with('-')).collect();
    println!("Figures of one run; the aim stands behind each.");
    let is_wanted = |name: &str| wanted.is_empty() || wanted.iter().any(|part| part == name);
    if is_wanted("intake") {
        intake(folder.path());
    }
    if is_wanted("rehearsal") {
        rehearsal(folder.path());
    }
    if is_wanted("history") {
        history(folder.path());
    }
    if is_wanted("year") {
        year(folder.path());
    }
    if is_wanted("page") {
        page(folder.path());
    }
}

/// Durable QoS 1 intake of the real daemon beside a subscriber that only acknowledges.
fn intake(folder: &Path) {
    let broker = keeping_broker::start();
    let null = null_subscriber(broker.port);
    println!("null subscriber, QoS 1:        {null:>10.0} messages/s");
    let config = folder.join("room.toml");
    std::fs::write(&config, room(broker.port)).expect("writable");
    let mut daemon = start(&config, broker.port);
    let rest = memory_mib(daemon.id());
    let written_before = written(daemon.id());
    let began = Instant::now();
    let publisher = std::thread::spawn({
        let port = broker.port;
        move || publish(port, MESSAGES)
    });
    let store = folder.join("room.db");
    let readings = MESSAGES * 2;
    let until = |wanted: i64| {
        while stored(&store) < wanted {
            std::thread::sleep(Duration::from_millis(20));
            assert!(began.elapsed() < Duration::from_secs(300), "the daemon stored only {} readings", stored(&store));
        }
        stored(&store)
    };
    // The last few are no full commit and wait their five seconds, which is no measure of pace.
    let most = until(readings as i64 * 98 / 100);
    let durable = most as f64 / 2.0 / began.elapsed().as_secs_f64();
    until(readings as i64);
    publisher.join().expect("published");
    println!(
        "daemon, committed, 2 readings:  {durable:>10.0} messages/s, {:.2} of the null subscriber (aim 0.5)",
        durable / null
    );
    println!("resident memory at rest:       {rest:>10.1} MiB (aim 16 or less)");
    println!("resident memory after that:    {:>10.1} MiB", memory_mib(daemon.id()));
    let bytes = written(daemon.id()) - written_before;
    println!(
        "bytes written a reading:       {:>10.0} (a backlog; at one commit in 5 s more)",
        bytes as f64 / readings as f64
    );
    daemon.kill().expect("it runs");
    daemon.wait().expect("it ends");
    let connection = Connection::open(&store).expect("the store opens");
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("a checkpoint");
    let size = std::fs::metadata(&store).expect("a file").len();
    println!(
        "bytes on disk a reading:       {:>10.1} (with its delivery mark; the marks are bounded)",
        size as f64 / readings as f64
    );
}

/// A week of an invented room through `rehearse`.
fn rehearsal(folder: &Path) {
    let story = nights::named("calm-week").expect("a story");
    let text = story.config_text(1883, "nowhere.db", "letters");
    let config = traywarden::config::parse(&text, "story", folder).expect("the story's settings are right");
    let capture = folder.join("week.ndjson");
    let lines: Vec<String> = story.capture().collect();
    std::fs::write(&capture, lines.join("\n")).expect("writable");
    let began = Instant::now();
    let summary = rehearse(&config, &Recording::Capture(capture), Printed::new(&config.rules, std::io::sink(), true))
        .expect("a rehearsal");
    let seconds = began.elapsed().as_secs_f64();
    println!(
        "rehearsal of a week:           {:>10.0} readings/s (aim 1000000)",
        summary.readings.taken as f64 / seconds
    );
}

/// `history` of 90 days at a reading a minute, with four channels in the store.
fn history(folder: &Path) {
    let text = room(1883);
    let config = traywarden::config::parse(&text, "room", folder).expect("the settings are right");
    let path = folder.join("quarter.db");
    let start: traywarden::units::Timestamp = "2026-01-01T00:00:00Z".parse().expect("a time");
    let minutes = 90 * 24 * 60_i64;
    let (mut store, _) = Store::open(&path, &config.rules, start).expect("a store");
    let mut engine = Engine::new(Arc::new(config.rules.clone()), start);
    let began = Instant::now();
    for day in 0..90 {
        let records: Vec<Record> = (0..24 * 60)
            .flat_map(|minute| (0..2_u16).map(move |channel| (day * 24 * 60 + minute, channel)))
            .map(|(minute, channel)| {
                let at = start + TimeDelta::minutes(minute);
                let value = 20.0 + (minute * 7 % 50) as f64 / 10.0;
                let raw = RawReading::new(ChannelId(channel), value, None, false).expect("a number");
                let event = traywarden::engine::event::Event { at, what: What::Reading(raw) };
                // Through the engine, so that what is stored is believed.
                let effects = engine.handle(event.clone());
                Record::of(event, u32::from(channel), effects)
            })
            .collect();
        store.commit(&records).expect("a commit");
    }
    let rate = (minutes * 2) as f64 / began.elapsed().as_secs_f64();
    println!("judged and stored, by day:    {rate:>10.0} readings/s");
    store.roll_up_minutes(start + TimeDelta::days(91)).expect("minute means");
    let reader = Reader::open(&path, &config.rules).expect("a reader");
    let until = start + TimeDelta::days(90);
    let began = Instant::now();
    let points =
        reader.history("rack-a-air", Quantity::Temperature, start, until, TimeDelta::hours(3)).expect("a history");
    println!(
        "history of 90 days:            {:>10.1} ms, {} points (aim 50 or less)",
        began.elapsed().as_secs_f64() * 1000.0,
        points.len()
    );
    assert_eq!(points.len(), 720, "90 days in steps of three hours");
}

/// A year of minute means of two racks and a tank, through `rehearse --minutes`.
fn year(folder: &Path) {
    let config = traywarden::config::parse(YEAR, "year", folder).expect("the settings are right");
    let path = folder.join("year.db");
    let start: traywarden::units::Timestamp = "2026-01-01T00:00:00Z".parse().expect("a time");
    let until = start + TimeDelta::days(365);
    let (mut store, _) = Store::open(&path, &config.rules, start).expect("a store");
    let mut engine = Engine::new(Arc::new(config.rules.clone()), start);
    let mut take = |at, seq, what| {
        let event = traywarden::engine::event::Event { at, what };
        let effects = engine.handle(event.clone());
        store.commit(&[Record::of(event, seq, effects)]).expect("a commit");
    };
    for channel in 0..5_u16 {
        let raw = RawReading::new(ChannelId(channel), 50.0, None, false).expect("a number");
        take(start - TimeDelta::hours(1), u32::from(channel), What::Reading(raw));
    }
    let mut number = 0;
    for day in 0..364 {
        let morning = start + TimeDelta::days(day) + TimeDelta::hours(13);
        let mut entries = vec![r#"{"did":"water","ml_per_tray":237}"#.to_owned()];
        if day % 11 == 0 {
            for rack in ["rack-a", "rack-b"] {
                if day > 0 {
                    entries.push(format!(r#"{{"did":"harvest","tray":"{rack}-{}","grams":2400}}"#, day - 11));
                }
                entries.push(format!(
                    r#"{{"did":"sow","tray":"{rack}-{day}","place":"{rack}","crop":"broccoli","count":6}}"#
                ));
            }
        }
        if day % 11 == 4 {
            entries.push(r#"{"did":"uncover"}"#.to_owned());
        }
        for (seq, entry) in entries.iter().enumerate() {
            number += 1;
            let entry = serde_json::from_str(entry).expect("an entry");
            take(morning, seq as u32, What::Journal { number, entry });
        }
    }
    store.roll_up_minutes(start).expect("minute means");
    drop(store);
    fill_minutes(&path, start.timestamp() / 60, until.timestamp() / 60);
    // As the daemon leaves hours that are over.
    let (mut store, _) = Store::open(&path, &config.rules, until).expect("the store opens");
    while store.pack_minutes(until - TimeDelta::days(1), TimeDelta::hours(24)).expect("it packs") > 0 {}
    store.close().expect("it closes");
    let recording = Recording::Store { path, since: start, until, grain: Grain::Minutes };
    let began = Instant::now();
    let printed = Printed::new(&config.rules, std::io::sink(), true);
    let summary = rehearse(&config, &recording, printed).expect("a rehearsal");
    assert!(summary.readings.taken > 2_600_000, "only {} means were taken", summary.readings.taken);
    println!(
        "rehearsal of a year's minutes: {:>10.2} s, {} means, {} letters (aim 5 s or less)",
        began.elapsed().as_secs_f64(),
        summary.readings.taken,
        summary.letters.values().sum::<u64>()
    );
}

/// Warm, lit days and cool nights; a tank that is filled every other morning.
fn fill_minutes(path: &Path, from: i64, until: i64) {
    let mut connection = Connection::open(path).expect("the store opens");
    let transaction = connection.transaction().expect("a transaction");
    {
        let mut insert = transaction
            .prepare("INSERT OR REPLACE INTO minute (series, minute, n, low, sum, high) VALUES (?1, ?2, 2, ?3, ?4, ?5)")
            .expect("a statement");
        for minute in from..until {
            let hour = (minute % 1440) as f64 / 60.0;
            let swing = ((hour - 15.0) / 24.0 * std::f64::consts::TAU).cos();
            let noise = (minute * 7919 % 101) as f64 / 101.0 - 0.5;
            let left = 60.0 - ((minute - 13 * 60) % 2880) as f64 / 2880.0 * 11.0;
            let values = [21.0 + 1.5 * swing, 55.0 - 4.0 * swing, 21.2 + 1.4 * swing, 54.0 - 4.0 * swing, left];
            for (series, value) in values.into_iter().enumerate() {
                let spread = if series == 4 { 0.02 } else { 0.3 };
                let value = ((value + spread * noise) * 1000.0) as i64;
                let row = rusqlite::params![series as i64 + 1, minute, value - 40, value * 2, value + 40];
                insert.execute(row).expect("a row");
            }
        }
    }
    let mark = (until * 60_000).to_string();
    transaction.execute("UPDATE meta SET value = ?1 WHERE key = 'rolled_up_to'", [mark]).expect("a mark");
    transaction.commit().expect("a commit");
}

const YEAR: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[broker]
url = "mqtt://127.0.0.1:1883"
[store]
path = "year.db"
[[place]]
id = "rack-a"
name = "Rack A"
[[place]]
id = "rack-b"
name = "Rack B"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
[[sensor]]
id = "rack-b-air"
place = "rack-b"
topic = "loft/rack-b/air"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
[[reservoir]]
id = "tank"
feeds = ["rack-a", "rack-b"]
topic = "loft/tank"
every = "60 s"
reads = { what = "volume", unit = "L" }
shape = { kind = "box", length = "600 mm", width = "400 mm", height = "350 mm" }
pump_inlet = "20 mm"
"#;

fn room(port: u16) -> String {
    format!(
        "[site]\nname = \"Saltmarsh Lane\"\ntime_zone = \"America/Chicago\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\n\
         [store]\npath = \"room.db\"\n[[place]]\nid = \"rack-a\"\nname = \"Rack A\"\n[[sensor]]\nid = \"rack-a-air\"\n\
         place = \"rack-a\"\ntopic = \"loft/rack-a/air\"\nevery = \"1 s\"\n\
         temperature = {{ pointer = \"/t\", unit = \"Cel\" }}\nhumidity = {{ pointer = \"/h\", unit = \"%RH\" }}\n"
    )
}

fn start(config: &Path, port: u16) -> Child {
    let daemon = Command::new(env!("CARGO_BIN_EXE_traywarden"))
        .arg("--config")
        .arg(config)
        .arg("run")
        .stderr(Stdio::null())
        .spawn()
        .expect("the binary runs");
    let online = || {
        let seen = Command::new("mosquitto_sub")
            .args(["-p", &port.to_string(), "-t", "traywarden/+/status", "-C", "1", "-W", "1"])
            .output()
            .expect("mosquitto_sub runs");
        String::from_utf8_lossy(&seen.stdout).contains("online")
    };
    while !online() {}
    daemon
}

/// Publishes messages of two readings each, as air sensors do.
fn publish(port: u16, messages: usize) {
    run(async {
        let mut options = MqttOptions::new("bench-sensor", "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(60)).set_inflight(1000);
        let (client, mut events) = AsyncClient::new(options, 1000);
        let feeder = tokio::spawn(async move {
            for number in 0..messages {
                let payload = format!("{{\"t\":{:.3},\"h\":55.5}}", 18.0 + (number % 6000) as f64 / 1000.0);
                client.publish("loft/rack-a/air", QoS::AtLeastOnce, false, payload).await.expect("room in the queue");
            }
            client
        });
        let mut acknowledged = 0;
        while acknowledged < messages {
            if let Event::Incoming(Packet::PubAck(_)) = events.poll().await.expect("the broker answers") {
                acknowledged += 1;
            }
        }
        feeder.abort();
    });
}

fn null_subscriber(port: u16) -> f64 {
    let (ready, wait) = std::sync::mpsc::channel();
    let subscriber = std::thread::spawn(move || {
        run(async {
            let mut options = MqttOptions::new("bench-null", "127.0.0.1", port);
            options.set_keep_alive(Duration::from_secs(60));
            let (client, mut events) = AsyncClient::new(options, 100);
            client.subscribe("loft/rack-a/air", QoS::AtLeastOnce).await.expect("room in the queue");
            let mut heard = 0;
            while heard < MESSAGES {
                match events.poll().await.expect("the broker answers") {
                    Event::Incoming(Packet::SubAck(_)) => ready.send(()).expect("somebody waits"),
                    Event::Incoming(Packet::Publish(_)) => heard += 1,
                    _ => {}
                }
            }
        });
    });
    wait.recv().expect("subscribed");
    let began = Instant::now();
    publish(port, MESSAGES);
    subscriber.join().expect("it heard everything");
    MESSAGES as f64 / began.elapsed().as_secs_f64()
}

fn run<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(future)
}

fn stored(store: &Path) -> i64 {
    let count = || Connection::open(store)?.query_row("SELECT count(*) FROM reading", [], |row| row.get(0));
    count().unwrap_or(0)
}

fn written(process: u32) -> u64 {
    let io = std::fs::read_to_string(format!("/proc/{process}/io")).unwrap_or_default();
    let line = io.lines().find(|line| line.starts_with("write_bytes:")).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|number| number.parse().ok()).unwrap_or(0)
}

/// The page beside a room of fifty series: time to the first byte, bytes of a sheet, and the
/// memory it adds.
fn page(folder: &Path) {
    const SERIES: usize = 50;
    const ASKED: usize = 400;
    let broker = Server::start(|_| "allow_anonymous true\n".to_owned());
    let port = TcpListener::bind("127.0.0.1:0").and_then(|free| free.local_addr()).expect("a free port").port();
    let racks: String = (0..SERIES / 2)
        .map(|rack| {
            format!(
                "[[place]]\nid = \"rack-{rack}\"\nname = \"Rack {rack}\"\n[[sensor]]\nid = \"air-{rack}\"\nplace = \"rack-{rack}\"\n\
                 topic = \"loft/{rack}\"\ntemperature = {{ pointer = \"/t\", unit = \"Cel\" }}\nhumidity = {{ pointer = \"/h\", unit = \"%RH\" }}\n"
            )
        })
        .collect();
    let settings = |listen: &str| {
        format!(
            "[site]\nname = \"Saltmarsh Lane\"\ntime_zone = \"America/Chicago\"\n[broker]\nurl = \"mqtt://127.0.0.1:{}\"\n\
             [store]\npath = \"page.db\"\n[page]\nlisten = \"{listen}\"\n{racks}",
            broker.port
        )
    };
    let config = folder.join("page.toml");
    let without = settings("off");
    std::fs::write(&config, &without).expect("writable");
    let rules = traywarden::config::parse(&without, "page.toml", folder).expect("right").rules;
    fill_days(&folder.join("page.db"), &rules);
    let mut daemon = start(&config, broker.port);
    for rack in 0..SERIES / 2 {
        log(
            &config,
            &format!("{{\"did\":\"sow\",\"tray\":\"K{rack}\",\"place\":\"rack-{rack}\",\"crop\":\"radish\"}}"),
        );
        log(&config, &format!("{{\"did\":\"uncover\",\"tray\":\"K{rack}\"}}"));
    }
    let alone = memory_mib(daemon.id());
    daemon.kill().expect("it runs");
    daemon.wait().expect("it ends");
    std::fs::write(&config, settings(&format!("127.0.0.1:{port}"))).expect("writable");
    let mut daemon = start(&config, broker.port);
    for path in ["/", "/room"] {
        let mut waited: Vec<(Duration, usize)> = (0..ASKED).map(|_| first_byte(port, path)).collect();
        waited.sort();
        let (p99, bytes) = waited[ASKED * 99 / 100];
        println!(
            "page {path:<6} first byte p99:    {:>10.1} ms (aim 20 or less), {:.0} kB (aim 60 or less)",
            p99.as_secs_f64() * 1000.0,
            bytes as f64 / 1000.0
        );
    }
    println!("memory the page adds:          {:>10.1} MiB (aim 4 or less)", memory_mib(daemon.id()) - alone);
    daemon.kill().expect("it runs");
    daemon.wait().expect("it ends");
}

/// A day of minutes for every series of the room.
fn fill_days(path: &Path, rules: &traywarden::engine::rules::Rules) {
    let now = traywarden::clock::Clock::system().now();
    let (store, _) = traywarden::store::Store::open(path, rules, now).expect("a new store");
    store.close().expect("it closes");
    let minute = now.timestamp() / 60;
    let mut connection = Connection::open(path).expect("the store opens");
    let filling = connection.transaction().expect("a transaction");
    for (index, channel) in rules.channels.iter().enumerate() {
        let (sensor, series) = (&rules.sensor(channel.sensor).id, index as i64 + 1);
        let (quantity, unit, value) = if channel.quantity.word() == "humidity" {
            ("humidity", "%RH", 55_000)
        } else {
            ("temperature", "Cel", 21_000)
        };
        filling
            .execute(
                "INSERT OR REPLACE INTO series (id, sensor, quantity, unit) VALUES (?1, ?2, ?3, ?4)",
                (series, sensor, quantity, unit),
            )
            .expect("a series");
        for ago in 60..1440 {
            let value = value + (ago * 37 % 900);
            filling
                .execute("INSERT INTO minute VALUES (?1, ?2, 2, ?3, ?4, ?3)", (series, minute - ago, value, value * 2))
                .expect("a minute");
        }
    }
    filling.commit().expect("committed");
}

fn log(config: &Path, entry: &str) {
    let done = Command::new(env!("CARGO_BIN_EXE_traywarden"))
        .arg("--config")
        .arg(config)
        .args(["log", "--json", entry])
        .stdout(Stdio::null())
        .status()
        .expect("the binary runs");
    assert!(done.success(), "{entry}");
}

/// How long until the first byte of a sheet, on a connection of its own, and its length.
fn first_byte(port: u16, path: &str) -> (Duration, usize) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the page listens");
    let began = Instant::now();
    write!(stream, "GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n").expect("sent");
    let mut byte = [0];
    stream.read_exact(&mut byte).expect("an answer");
    let waited = began.elapsed();
    let mut rest = Vec::new();
    stream.read_to_end(&mut rest).expect("the rest");
    (waited, rest.len() + 1)
}
