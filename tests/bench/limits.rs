//! The page of figures: each beside its limit, which is measured in the same run, and what
//! bounds it. `cargo bench --bench limits` prints the table of tests/bench/README.md.
//!
//! The limits are the shortest programs that come to the same: a subscriber in C
//! (null_subscriber.c, with gcc) that writes down nothing, mosquitto_sub with a pipe into
//! sqlite3, bare inserts of the same columns, a bare loop over the lines of a capture.

#![expect(clippy::disallowed_methods, reason = "a benchmark asks the clock")]

mod keeping_broker;
mod racks;

use chrono::TimeDelta;
use rusqlite::{Connection, params};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use traywarden::config::{self, Config};
use traywarden::engine::event::{Event, What};
use traywarden::intake::capture;
use traywarden::reading::{ChannelId, RawReading};
use traywarden::rehearse::printed::Printed;
use traywarden::rehearse::recorded::{Recording, rehearse};
use traywarden::store::{Record, Store};
use traywarden::units::Timestamp;

use racks::{TOPIC, publish, stop};

/// Messages of two readings each.
const BACKLOG: usize = 20_000;
/// Readings a commit, as the ledger takes them from a backlog.
const COMMITS_OF: usize = 1_000;
const COMMITTED: usize = 200_000;

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    println!("| what | traywarden | limit of the same run | share |");
    println!("|---|---|---|---|");
    intake(folder.path());
    commits(folder.path());
    rehearsals(folder.path());
}

fn row(what: &str, ours: f64, limit: &str, theirs: f64) {
    println!("| {what} | {ours:.0} | {limit}: {theirs:.0} | {:.2} |", ours / theirs);
}

/// The same backlog of QoS 1 for three subscribers, each with a session that waited for it.
fn intake(folder: &Path) {
    let broker = keeping_broker::start();
    let asked = subscriber(broker.port, "pipe").arg("-E").status().expect("mosquitto_sub runs");
    assert!(asked.success(), "mosquitto_sub makes a session (apt install mosquitto-clients)");
    let bare = folder.join("null_subscriber");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/null_subscriber.c");
    let built = Command::new("gcc").args(["-O2", "-o"]).arg(&bare).arg(source).status();
    assert!(built.expect("gcc runs (apt install gcc libc6-dev)").success());
    let drain = |count: usize| {
        let ended = Command::new(&bare)
            .args([&broker.port.to_string(), "null", TOPIC, &count.to_string()])
            .status()
            .expect("it was just built");
        assert!(ended.success(), "the bare subscriber drains {count} messages");
    };
    drain(0);
    let settings = folder.join("room.toml");
    std::fs::write(&settings, racks::settings(1, broker.port)).expect("writable");
    let store = folder.join("room.db");
    let mut daemon = racks::watch(&settings, &folder.join("log"));
    while !std::fs::read_to_string(folder.join("log")).unwrap_or_default().contains("connected to the broker") {
        std::thread::sleep(Duration::from_millis(20));
    }
    stop(&mut daemon);
    publish(broker.port, BACKLOG);

    let count = BACKLOG.to_string();
    let began = Instant::now();
    drain(BACKLOG);
    let null = BACKLOG as f64 / began.elapsed().as_secs_f64();

    let began = Instant::now();
    let insert = "INSERT INTO reading VALUES (%U, '%t', json_extract('%p', '$.t'), json_extract('%p', '$.h'));";
    let mut source = subscriber(broker.port, "pipe")
        .args(["-C", &count, "-F", insert])
        .stdout(Stdio::piped())
        .spawn()
        .expect("mosquitto_sub runs");
    let piped = folder.join("pipe.db");
    let made = "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; CREATE TABLE reading (at, topic, t, h);";
    let sink = Command::new("sqlite3")
        .args(["-cmd", made])
        .arg(&piped)
        .stdin(source.stdout.take().expect("it is piped"))
        .stdout(Stdio::null())
        .status();
    assert!(sink.expect("sqlite3 runs (apt install sqlite3)").success());
    source.wait().expect("it ends");
    let pipe = BACKLOG as f64 / began.elapsed().as_secs_f64();

    let began = Instant::now();
    let mut daemon = racks::watch(&settings, &folder.join("log"));
    while stored(&store) < BACKLOG as i64 * 2 {
        std::thread::sleep(Duration::from_millis(20));
        assert!(began.elapsed() < Duration::from_secs(300), "the daemon stored only {} readings", stored(&store));
    }
    let ours = BACKLOG as f64 / began.elapsed().as_secs_f64();
    stop(&mut daemon);
    row(
        "intake of a backlog, messages/s, each acknowledged when it is on the disk",
        ours,
        "a bare subscriber in C, nothing written",
        null,
    );
    row("the same", ours, "mosquitto_sub into sqlite3, a row a transaction", pipe);
}

/// The writer of the store beside bare inserts of the same columns.
fn commits(folder: &Path) {
    let mut bare = Connection::open(folder.join("bare.db")).expect("a database");
    bare.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 200;
         CREATE TABLE reading (at INTEGER, seq INTEGER, series INTEGER, raw INTEGER, believed INTEGER, judged INTEGER,
             claimed_lag INTEGER, believed_lag INTEGER, PRIMARY KEY (at, seq)) STRICT, WITHOUT ROWID;",
    )
    .expect("a table");
    let mut spent = Duration::ZERO;
    for first in (0..COMMITTED).step_by(COMMITS_OF) {
        let began = Instant::now();
        let transaction = bare.transaction().expect("a transaction");
        {
            let mut put = transaction
                .prepare_cached("INSERT INTO reading VALUES (?1, 0, 1, ?2, ?2, 1, NULL, 0)")
                .expect("a statement");
            for nth in first..first + COMMITS_OF {
                put.execute(params![1_772_578_800_000_i64 + nth as i64 * 100, 21_000 + (nth % 500) as i64])
                    .expect("a row");
            }
        }
        transaction.commit().expect("a commit");
        spent += began.elapsed();
    }
    let limit = COMMITTED as f64 / spent.as_secs_f64();
    for sensors in [1, 10, 25] {
        let config = parsed(sensors, folder);
        let path = folder.join(format!("commits-{sensors}.db"));
        let (mut store, _) = Store::open(&path, &config.rules, start()).expect("a store");
        let mut spent = Duration::ZERO;
        for first in (0..COMMITTED).step_by(COMMITS_OF) {
            let records: Vec<Record> = (first..first + COMMITS_OF)
                .map(|nth| {
                    let channel = ChannelId((nth % (2 * sensors)) as u16);
                    let raw =
                        RawReading::new(channel, 21.0 + (nth % 500) as f64 / 1000.0, None, false).expect("a number");
                    let at = start() + TimeDelta::milliseconds(nth as i64 * 100);
                    Record::of(Event { at, what: What::Reading(raw) }, 0, Vec::new())
                })
                .collect();
            let began = Instant::now();
            store.commit(&records).expect("a commit");
            spent += began.elapsed();
        }
        let ours = COMMITTED as f64 / spent.as_secs_f64();
        row(
            &format!("commits of {COMMITS_OF} readings, readings/s, {} series", 2 * sensors),
            ours,
            "bare SQLite inserts",
            limit,
        );
    }
}

/// Captures of rooms that grow, beside a loop that reads the same lines and judges nothing.
fn rehearsals(folder: &Path) {
    for (sensors, days) in [(1, 8), (5, 2), (5, 8), (5, 32), (25, 8)] {
        let path = capture_of(folder, sensors, days);
        let began = Instant::now();
        let mut sum = 0.0;
        let mut readings = 0_u64;
        for (nth, line) in BufReader::new(std::fs::File::open(&path).expect("a file")).split(b'\n').enumerate() {
            let line = line.expect("a line");
            let captured = capture::read_line(nth + 1, &line).expect("a line of a capture");
            let payload: serde_json::Value = serde_json::from_slice(&captured.payload).expect("a JSON object");
            for value in [&payload["t"], &payload["h"]] {
                sum += value.as_f64().expect("a number");
                readings += 1;
            }
        }
        let limit = readings as f64 / began.elapsed().as_secs_f64();
        assert!(sum > 0.0);
        let config = parsed(sensors, folder);
        let began = Instant::now();
        let printed = Printed::new(&config.rules, std::io::sink(), true);
        let summary = rehearse(&config, &Recording::Capture(path.clone()), printed).expect("a rehearsal");
        let ours = summary.readings.taken as f64 / began.elapsed().as_secs_f64();
        assert_eq!(summary.readings.taken, readings);
        row(
            &format!("rehearsal of a capture, readings/s, {sensors} sensors, {days} days"),
            ours,
            "a loop that reads the lines",
            limit,
        );
        std::fs::remove_file(path).expect("it was made");
    }
}

/// A message of two readings a minute from each sensor.
fn capture_of(folder: &Path, sensors: usize, days: i64) -> PathBuf {
    let path = folder.join("capture.ndjson");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&path).expect("a file"));
    for minute in 0..days * 1440 {
        let at = (start() + TimeDelta::minutes(minute)).format("%Y-%m-%dT%H:%M:%S%.6fZ");
        let swing = ((minute % 1440) as f64 / 1440.0 * std::f64::consts::TAU).sin();
        for sensor in 0..sensors {
            let noise = ((minute * 7919 + sensor as i64 * 104_729) % 101) as f64 / 500.0;
            let (t, h) = (21.0 + swing + noise, 55.0 - 4.0 * swing - noise);
            writeln!(
                file,
                "{{\"tst\":\"{at}\",\"topic\":\"loft/{sensor}\",\"qos\":1,\"retain\":0,\"payload\":\"{{\\\"t\\\":{t:.3},\\\"h\\\":{h:.3}}}\"}}"
            )
            .expect("writable");
        }
    }
    file.flush().expect("writable");
    path
}

fn start() -> Timestamp {
    Timestamp::from_timestamp_millis(1_772_578_800_000).expect("a time")
}

fn parsed(sensors: usize, folder: &Path) -> Config {
    config::parse(&racks::settings(sensors, 1883), "room.toml", folder).unwrap_or_else(|problems| panic!("{problems}"))
}

fn subscriber(port: u16, name: &str) -> Command {
    let mut command = Command::new("mosquitto_sub");
    command.args(["-h", "127.0.0.1", "-p", &port.to_string(), "-i", name, "-c", "-q", "1", "-t", TOPIC]);
    command
}

fn stored(store: &Path) -> i64 {
    let count = || Connection::open(store)?.query_row("SELECT count(*) FROM reading", [], |row| row.get(0));
    count().unwrap_or(0)
}
