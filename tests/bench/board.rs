//! What a large room of a month costs a small board: a start, a look, memory, bytes. Each
//! beside its aim and, where there is one, a limit of the same run. `cargo bench --bench board`;
//! `BOARD=folder` keeps the store of the month there and finds it again; `PACKED=no` leaves it
//! as it was before days that are over were packed.

#![expect(clippy::disallowed_methods, reason = "a benchmark asks the clock")]

mod keeping_broker;
mod racks;
mod resident;

use chrono::TimeDelta;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};
use traywarden::config::{self, Config};
use traywarden::engine::Engine;
use traywarden::engine::event::{Event, What};
use traywarden::reading::{ChannelId, Quantity, RawReading};
use traywarden::store::{Reader, Record, Store};
use traywarden::units::Timestamp;

use racks::{publish, stop};
use resident::memory_mib;

const RACKS: usize = 24;
const DAYS: i64 = 30;
/// Each figure is the middle of so many.
const TIMES: usize = 7;
const BACKLOG: usize = 60_000;

fn main() {
    let temporary = tempfile::tempdir().expect("a temporary folder");
    let folder = std::env::var("BOARD").map_or_else(|_| temporary.path().to_owned(), PathBuf::from);
    std::fs::create_dir_all(&folder).expect("a folder");
    let broker = keeping_broker::start();
    let settings = folder.join("room.toml");
    std::fs::write(&settings, room(broker.port)).expect("writable");
    let store = folder.join("room.db");
    if !store.exists() {
        month(&folder, &store);
    }
    if std::env::var("PACKED").is_ok_and(|packed| packed == "no") {
        println!("nothing is packed");
    } else {
        packed(&folder, &store);
    }
    read(&folder, &store);
    let bytes = std::fs::metadata(&store).expect("it was made").len();
    println!("a store of {DAYS} days and {} series, {:.0} MiB", 2 * RACKS + 2, bytes as f64 / 1_048_576.0);
    println!("| what | traywarden | limit of the same run, or aim |");
    println!("|---|---|---|");
    let state = folder.join("room.db.state");
    let _ = std::fs::remove_file(&state);
    let log = folder.join("log");
    let version = middle(|| spent(&mut verb(&settings, &["--version"])));
    let slow = middle(|| spent(&mut verb(&settings, &["now"])));
    // The first start, and its stop, keep what the engine remembers.
    let (cold, mut daemon) = started(&settings, &log);
    println!("| start without a state, ms | {cold:.0} | |");
    stop(&mut daemon);
    println!(
        "| state of the engine, KiB | {:.0} | |",
        std::fs::metadata(&state).map_or(0, |it| it.len()) as f64 / 1024.0
    );
    let looked = middle(|| spent(&mut verb(&settings, &["now"])));
    println!("| `now`, ms (without a state {slow:.0}) | {looked:.0} | `--version` {version:.0}; aim 100 |");
    let alarms = middle(|| spent(&mut verb(&settings, &["alarms"])));
    println!("| `alarms`, ms | {alarms:.0} | the same |");
    let history = middle(|| spent(&mut verb(&settings, &["history", "rack-3", "--since", "30 d"])));
    println!("| `history` of a rack, 30 days, ms | {history:.0} | the same |");
    let checked = middle(|| spent(Command::new("sqlite3").arg(&store).arg("PRAGMA quick_check(1)")));
    let warm = middle(|| {
        let (took, mut daemon) = started(&settings, &log);
        stop(&mut daemon);
        took
    });
    println!("| start after a good stop, ms | {warm:.0} | sqlite3's quick_check {checked:.0}; aim 100 |");
    let killed = middle(|| {
        let (_, mut daemon) = started(&settings, &log);
        daemon.kill().expect("it runs");
        daemon.wait().expect("it ends");
        let (took, mut daemon) = started(&settings, &log);
        stop(&mut daemon);
        took
    });
    println!("| start after a kill, ms | {killed:.0} | aim 100 |");
    let (_, mut daemon) = started(&settings, &log);
    std::thread::sleep(Duration::from_secs(20));
    println!("| memory at rest, MiB | {:.1} | aim 10 |", memory_mib(daemon.id()));
    publish(broker.port, BACKLOG);
    let before = memory_mib(daemon.id());
    std::thread::sleep(Duration::from_secs(60));
    println!(
        "| memory a minute after {} readings, MiB (at once {before:.1}) | {:.1} | aim 16 |",
        BACKLOG * 2,
        memory_mib(daemon.id())
    );
    stop(&mut daemon);
}

/// The middle of several.
fn middle(mut take: impl FnMut() -> f64) -> f64 {
    let mut taken: Vec<f64> = (0..TIMES).map(|_| take()).collect();
    taken.sort_by(f64::total_cmp);
    taken[TIMES / 2]
}

/// Milliseconds of a whole process.
fn spent(command: &mut Command) -> f64 {
    let began = Instant::now();
    let done = command.stdout(Stdio::null()).stderr(Stdio::null()).status().expect("it runs");
    assert!(done.success(), "{command:?}");
    began.elapsed().as_secs_f64() * 1000.0
}

fn verb(settings: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_traywarden"));
    if arguments != ["--version"] {
        command.arg("--config").arg(settings);
    }
    command.args(arguments);
    command
}

/// Starts the daemon and gives the milliseconds until it watches: it has lived through the past.
fn started(settings: &Path, log: &Path) -> (f64, Child) {
    let began = Instant::now();
    let daemon = racks::watch(settings, log);
    while !std::fs::read_to_string(log).unwrap_or_default().contains("watching ") {
        std::thread::sleep(Duration::from_millis(1));
        assert!(began.elapsed() < Duration::from_secs(120), "it does not start");
    }
    let took = began.elapsed().as_secs_f64() * 1000.0;
    while !std::fs::read_to_string(log).unwrap_or_default().contains("connected to the broker") {
        std::thread::sleep(Duration::from_millis(5));
    }
    (took, daemon)
}

/// A month of a large room, every series once a minute, judged and stored.
fn month(folder: &Path, path: &Path) {
    let config: Config =
        config::parse(&room(1883), "room.toml", folder).unwrap_or_else(|problems| panic!("{problems}"));
    let end = traywarden::clock::Clock::system().now();
    let end = Timestamp::from_timestamp(end.timestamp() / 60 * 60, 0).expect("a time");
    let start = end - TimeDelta::days(DAYS);
    let (mut store, _) = Store::open(path, &config.rules, start).expect("a store");
    let mut engine = Engine::new(Arc::new(config.rules.clone()), start);
    let began = Instant::now();
    let mut entries = 0;
    for hour in 0..DAYS * 24 {
        let mut records = Vec::new();
        let from = start + TimeDelta::hours(hour);
        let mut take = |at, seq, what| {
            let event = Event { at, what };
            let effects = engine.handle(event.clone());
            records.push(Record::of(event, seq, effects));
        };
        if hour == 0 {
            take(from, 0, What::Started);
            take(from, 1, What::BrokerUp);
        }
        for (seq, entry) in (2..).zip(entries_of(hour)) {
            entries += 1;
            let entry = serde_json::from_str(&entry).expect("an entry");
            take(from, seq, What::Journal { number: entries, entry });
        }
        for minute in 0..60 {
            for (index, channel) in config.rules.channels.iter().enumerate() {
                let nth = hour * 60 + minute;
                let jitter = (nth * 7_919 + index as i64 * 104_729) % 613;
                let at = from + TimeDelta::minutes(minute) + TimeDelta::milliseconds(index as i64 * 1000 + jitter);
                let value = value(channel.quantity, nth, index as i64);
                let raw = RawReading::new(ChannelId(index as u16), value, None, false).expect("a number");
                take(at, 0, What::Reading(raw));
            }
        }
        store.commit(&records).expect("a commit");
        store.roll_up_minutes(from + TimeDelta::hours(1)).expect("minute means");
    }
    let readings = DAYS * 1440 * config.rules.channels.len() as i64;
    let seconds = began.elapsed().as_secs_f64();
    println!("{readings} readings judged, stored and rolled up by the hour: {:.0} a second", readings as f64 / seconds);
    store.close().expect("it closes");
    let bytes = std::fs::metadata(path).expect("a file").len();
    println!(
        "bytes on disk a reading, minute means with it: {:.1} (aim 12 once a day is over)",
        bytes as f64 / readings as f64
    );
}

/// Packs all of it but its last day, as the daemon does an hour after the other, and says what
/// that takes.
fn packed(folder: &Path, path: &Path) {
    let config: Config =
        config::parse(&room(1883), "room.toml", folder).unwrap_or_else(|problems| panic!("{problems}"));
    let end = traywarden::clock::Clock::system().now();
    let (mut store, _) = Store::open(path, &config.rules, end).expect("a store");
    let until = store.last_position().expect("it is read").map_or(end, |last| last.0) - TimeDelta::hours(24);
    let (began, written_before) = (Instant::now(), written());
    let (mut readings, mut stretches, mut longest) = (0, 0, Duration::ZERO);
    loop {
        let step = Instant::now();
        match store.pack_readings(until).expect("it packs") {
            0 => break,
            packed => readings += packed,
        }
        stretches += 1;
        longest = longest.max(step.elapsed());
    }
    if readings == 0 {
        return;
    }
    store.checkpoint().expect("a checkpoint");
    let took = began.elapsed().as_secs_f64() * 1000.0;
    let bytes = (written() - written_before) as f64 / readings as f64;
    println!(
        "packed {readings} readings in {stretches} stretches: {:.0} ms a day, {:.0} ms the longest, {bytes:.0} bytes written a reading",
        took / (DAYS - 1) as f64,
        longest.as_secs_f64() * 1000.0
    );
    let (began, written_before) = (Instant::now(), written());
    let (mut means, mut steps) = (0, 0);
    // As the daemon does it, a day's worth at a time.
    for day in (0..DAYS - 1).rev() {
        loop {
            match store.pack_minutes(until - TimeDelta::days(day), TimeDelta::hours(24)).expect("it packs") {
                0 => break,
                packed => means += packed,
            }
            steps += 1;
        }
        store.checkpoint().expect("a checkpoint");
    }
    let took = began.elapsed().as_secs_f64() * 1000.0 / f64::from(steps.max(1));
    let bytes = (written() - written_before) as f64 / means.max(1) as f64;
    println!("packed {means} minute means in {steps} steps: {took:.1} ms a step, {bytes:.0} bytes written a mean");
    let all = (DAYS * 1440 * config.rules.channels.len() as i64) as f64;
    let size = || std::fs::metadata(path).expect("a file").len() as f64 / all;
    println!("bytes on disk a reading, minute means with it, the pages not given back yet: {:.1}", size());
    store.close().expect("it closes");
    let copy = folder.join("copy.db");
    traywarden::store::backup(path, &copy).expect("a backup");
    println!("of a backup: {:.1}", std::fs::metadata(&copy).expect("it was made").len() as f64 / all);
    // As the daemon gives them back, at once.
    let sql = "PRAGMA incremental_vacuum; SELECT count(*) FROM reading; SELECT sum(readings) FROM packed; \
               SELECT name, sum(pgsize) FROM dbstat GROUP BY name ORDER BY 2 DESC LIMIT 6; PRAGMA wal_checkpoint(TRUNCATE);";
    let told = Command::new("sqlite3").arg(path).arg(sql).output().expect("sqlite3 runs (apt install sqlite3)");
    println!("{}", String::from_utf8_lossy(&told.stdout));
    println!("when they are given back: {:.1}", size());
    let _ = std::fs::remove_file(&copy);
}

/// How long the single readings of it take to read.
fn read(folder: &Path, path: &Path) {
    let config: Config =
        config::parse(&room(1883), "room.toml", folder).unwrap_or_else(|problems| panic!("{problems}"));
    let reader = Reader::open(path, &config.rules).expect("a reader");
    let end = traywarden::clock::Clock::system().now();
    let mut given = 0_u64;
    let all = middle(|| {
        let began = Instant::now();
        given = 0;
        reader.events(end - TimeDelta::days(10), end, |_| given += 1).expect("it is read");
        began.elapsed().as_secs_f64() * 1000.0
    });
    let months = middle(|| {
        let (began, from) = (Instant::now(), end - TimeDelta::days(90));
        let step = TimeDelta::hours(2);
        reader.history("air-3", Quantity::Temperature, from, end, step).expect("a history");
        began.elapsed().as_secs_f64() * 1000.0
    });
    let day = middle(|| {
        let (began, from) = (Instant::now(), end - TimeDelta::days(20));
        let step = TimeDelta::seconds(30);
        let points =
            reader.history("air-3", Quantity::Temperature, from, from + TimeDelta::days(1), step).expect("a history");
        assert!(points.len() > 1_000, "a value a minute");
        began.elapsed().as_secs_f64() * 1000.0
    });
    println!(
        "{given} events of ten days read: {all:.0} ms; a day of one series by half minutes: {day:.1} ms; its {DAYS} days by two hours: {months:.1} ms"
    );
}

/// What this process has handed to the system for writing so far.
fn written() -> u64 {
    let counted = std::fs::read_to_string("/proc/self/io").expect("Linux counts");
    let line = counted.lines().find_map(|line| line.strip_prefix("wchar: "));
    line.and_then(|bytes| bytes.trim().parse().ok()).expect("a number")
}

/// Lots sown every ten days in each rack, watered each morning, cut when they are due.
fn entries_of(hour: i64) -> Vec<String> {
    let mut entries = Vec::new();
    if hour % 24 == 13 {
        entries.push(r#"{"did":"water","ml_per_tray":118}"#.to_owned());
    }
    for rack in 0..RACKS as i64 {
        if hour % 240 == 14 + rack % 5 {
            if hour > 240 {
                let before = hour - 240;
                entries.push(format!(r#"{{"did":"harvest","tray":"T{rack}-{before}","grams":2000}}"#));
            }
            entries.push(format!(
                r#"{{"did":"sow","tray":"T{rack}-{hour}","place":"rack-{rack}","crop":"broccoli","count":6}}"#
            ));
        }
        if hour % 240 == 14 + rack % 5 + 96 {
            entries.push(format!(r#"{{"did":"uncover","place":"rack-{rack}"}}"#));
        }
    }
    entries
}

/// Warm, lit days and cool nights; tanks that are filled every other day.
fn value(quantity: Quantity, minute: i64, index: i64) -> f64 {
    let swing = ((minute % 1440) as f64 / 1440.0 * std::f64::consts::TAU).sin();
    let noise = ((minute * 7919 + index * 104_729) % 101) as f64 / 500.0;
    match quantity {
        Quantity::Temperature => 21.0 + 1.5 * swing + noise,
        Quantity::Humidity => 53.0 - 4.0 * swing - noise,
        _ => 60.0 - (minute % 2880) as f64 / 2880.0 * 20.0 + noise / 10.0,
    }
}

fn room(port: u16) -> String {
    let mut text = racks::settings(RACKS, port);
    for tank in 0..2 {
        let fed: Vec<String> =
            (tank * RACKS / 2..(tank + 1) * RACKS / 2).map(|rack| format!("\"rack-{rack}\"")).collect();
        let _ = write!(
            text,
            "[[reservoir]]\nid = \"tank-{tank}\"\nfeeds = [{}]\ntopic = \"loft/tank/{tank}\"\nevery = \"1 min\"\n\
             reads = {{ what = \"volume\", unit = \"L\" }}\n\
             shape = {{ kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"350 mm\" }}\npump_inlet = \"20 mm\"\n",
            fed.join(", ")
        );
    }
    text
}
