//! Killed while readings and minute means of hours that are over are packed: each is there once,
//! as it was. The killed process is this test once more, told by its environment to pack without
//! a pause, so that a kill meets it at its work. `KILLS=1000` kills as often.

use crate::room::open_read_only;
use chrono::TimeDelta;
use rusqlite::Connection;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Duration;
use traywarden::config::{self, Config};
use traywarden::engine::Engine;
use traywarden::engine::event::{Event, What};
use traywarden::random::SplitMix64;
use traywarden::reading::{ChannelId, RawReading};
use traywarden::store::{Record, Store};
use traywarden::units::Timestamp;

const HOURS: i64 = 120;
const THIS_TEST: &str = "packing_kills::killed_while_it_packs_each_reading_and_mean_is_there_once_as_it_was";
/// Where the store lies that is packed; set for the process that packs it.
const FOLDER: &str = "FOLDER_TO_PACK";

const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[broker]
url = "mqtt://127.0.0.1"
[[place]]
id = "rack-a"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
"#;

fn config(folder: &Path) -> Config {
    config::parse(ROOM, "room.toml", folder).unwrap_or_else(|problems| panic!("{problems}"))
}

fn begin() -> Timestamp {
    Timestamp::UNIX_EPOCH + TimeDelta::days(20_500)
}

/// Two values a minute, unpacked.
fn fill(folder: &Path, random: &mut SplitMix64) {
    let config = config(folder);
    let (mut store, _) = Store::open(&folder.join("room.db"), &config.rules, begin()).unwrap();
    let mut engine = Engine::new(Arc::new(config.rules.clone()), begin());
    let mut records = Vec::new();
    for minute in 0..HOURS * 60 {
        for channel in 0..2 {
            let jitter = (random.whole() % 900) as i64;
            let at = begin() + TimeDelta::minutes(minute) + TimeDelta::milliseconds(channel * 1_000 + jitter);
            let value = [20.0, 55.0][channel as usize] + (random.whole() % 3_000) as f64 / 1_000.0;
            let raw = RawReading::new(ChannelId(channel as u16), value, None, false).unwrap();
            let event = Event { at, what: What::Reading(raw) };
            let effects = engine.handle(event.clone());
            records.push(Record::of(event, 0, effects));
        }
    }
    store.commit(&records).unwrap();
    store.roll_up_minutes(begin() + TimeDelta::hours(HOURS)).unwrap();
    store.close().unwrap();
}

/// Every number that any tool finds in these views.
fn rows(store: &Connection, sql: &str) -> Vec<Vec<Option<i64>>> {
    let mut statement = store.prepare(sql).unwrap();
    let columns = statement.column_count();
    let rows = statement.query_map([], |row| (0..columns).map(|column| row.get(column)).collect());
    rows.unwrap().collect::<rusqlite::Result<_>>().unwrap()
}

fn everything(store: &Connection) -> [Vec<Vec<Option<i64>>>; 2] {
    let readings =
        "SELECT at, seq, series, raw, believed, judged, claimed_lag, believed_lag FROM every_reading ORDER BY at, seq";
    let minutes = "SELECT series, minute, n, low, sum, high FROM every_minute ORDER BY series, minute";
    [readings, minutes].map(|sql| rows(store, sql))
}

/// Rows that are not packed yet.
fn unpacked(store: &Connection) -> i64 {
    let sql = "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM minute)";
    store.query_row(sql, [], |row| row.get(0)).unwrap()
}

#[test]
fn killed_while_it_packs_each_reading_and_mean_is_there_once_as_it_was() {
    if let Ok(folder) = std::env::var(FOLDER) {
        // This is the process that is to be killed.
        return pack(Path::new(&folder));
    }
    let kills = std::env::var("KILLS").map_or(20, |kills| kills.parse().unwrap());
    let mut random = SplitMix64::new(std::env::var("SEED").map_or(1, |seed| seed.parse().unwrap()));
    let folder = tempfile::tempdir().unwrap();
    let (path, fresh) = (folder.path().join("room.db"), folder.path().join("fresh.db"));
    fill(folder.path(), &mut random);
    std::fs::copy(&path, &fresh).unwrap();
    let expected = everything(&open_read_only(&path).unwrap());
    assert_eq!(expected[0].len() as i64, HOURS * 60 * 2);
    let (mut killed, mut at_work, mut undisturbed) = (0, 0, 0);
    while killed < kills {
        let before = unpacked(&open_read_only(&path).unwrap());
        let mut packer = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", THIS_TEST])
            .env(FOLDER, folder.path())
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(random.whole() % 150));
        let ended = packer.try_wait().unwrap();
        packer.kill().unwrap();
        packer.wait().unwrap();
        let store = Connection::open(&path).unwrap();
        assert!(everything(&store) == expected, "after {killed} kills");
        let left = unpacked(&store);
        drop(store);
        if let Some(ended) = ended {
            assert!(ended.success(), "it packs what a kill left behind");
            assert_eq!(left, 0, "all of it");
            undisturbed += 1;
            for part in ["-wal", "-shm"] {
                // What a good stop has removed already.
                let _ = std::fs::remove_file(folder.path().join(format!("room.db{part}")));
            }
            std::fs::copy(&fresh, &path).unwrap();
        } else {
            killed += 1;
            at_work += usize::from(left < before);
        }
    }
    println!("{killed} kills, {at_work} of them after something was packed; packed to the end {undisturbed} times");
    assert!(at_work > 0, "no kill met it at its work");
}

/// Until it is killed, or all is packed.
fn pack(folder: &Path) {
    let end = begin() + TimeDelta::hours(HOURS);
    let (mut store, _) = Store::open_at_once(&folder.join("room.db"), &config(folder).rules, end).unwrap();
    while store.pack_readings(end).unwrap() > 0 {}
    while store.pack_minutes(end, TimeDelta::zero()).unwrap() > 0 {}
    store.checkpoint().unwrap();
    store.close().unwrap();
}
