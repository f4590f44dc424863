//! The writer: a process of its own that commits batch after batch and says so, and what
//! its store holds after each.

use chrono::TimeDelta;
use rusqlite::{Connection, OpenFlags};
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, OnceLock};
use traywarden::engine::Engine;
use traywarden::engine::event::{Effect, Event, Garbled, LetterKind, What};
use traywarden::engine::rules::Rules;
use traywarden::notify::letter::{CarrierName, Letter, Parcel, ParcelKey};
use traywarden::reading::{ChannelId, RawReading, SensorId};
use traywarden::store::{Newest, Record, Rejected, Store, StoredDelivery};
use traywarden::units::Timestamp;

/// Where the writer finds its store; it is one where this is set.
const STORE: &str = "TRAYWARDEN_TEST_CARD";
/// Batches it commits: two minutes of an evening each.
pub const BATCHES: usize = 16;
/// The test that becomes the writer when it is started again.
const BECOMES_THE_WRITER: &str = "an_error_at_any_system_call_of_a_commit_loses_nothing";

const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
rounds = ["07:00", "19:00"]
[broker]
url = "mqtt://127.0.0.1"
[store]
path = "traywarden.db"
[mail]
from = "warden@saltmarsh.example"
to = ["grower@saltmarsh.example"]
folder = "letters"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
"#;

pub fn rules() -> Rules {
    traywarden::config::parse(ROOM, "room.toml", Path::new("/")).unwrap().rules
}

pub fn begins_at() -> Timestamp {
    "2026-03-03T23:00:00Z".parse().unwrap()
}

/// An evening: readings that repeat, a message that is none, an entry, a rack that gets hot,
/// with its alarms and letters.
fn batches() -> Vec<Vec<Record>> {
    let rules = Arc::new(rules());
    let mut engine = Engine::new(Arc::clone(&rules), begins_at());
    let mut all = Vec::new();
    for batch in 0..BATCHES as i64 {
        let mut records = Vec::new();
        for nth in 0..4 {
            let at = begins_at() + TimeDelta::seconds(120 * batch + 30 * nth);
            let degrees = if batch < 3 { 22.0 } else { 45.0 };
            let heard =
                |channel, value| What::Reading(RawReading::new(ChannelId(channel), value, None, false).unwrap());
            let mut whats = vec![heard(0, degrees), heard(1, 55.0)];
            match (batch, nth) {
                (0, 0) => whats.insert(0, What::Started),
                (2, 1) => whats.push(What::Journal {
                    number: 1,
                    entry: serde_json::from_str(r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"kale"}"#).unwrap(),
                }),
                (_, 2) => whats.push(What::Garbled { sensor: Some(SensorId(0)), reason: Garbled::BadEntry }),
                _ => {}
            }
            for (seq, what) in whats.into_iter().enumerate() {
                let event = Event { at, what };
                let mut record = Record::of(event.clone(), seq as u32, engine.handle(event));
                shells_add(&mut record, batch as u16 * 4 + nth as u16);
                records.push(record);
            }
        }
        all.push(records);
    }
    all
}

fn shells_add(record: &mut Record, packet_id: u16) {
    record.delivery = Some(StoredDelivery { packet_id, hash: 7 });
    if matches!(record.event.what, What::Garbled { .. }) {
        record.rejected = Some(Rejected { topic: "loft/rack-a/air".into(), payload: b"\xff{".to_vec() });
    }
    for effect in &record.effects {
        match effect {
            Effect::Alarm(_) => record.alarm_texts.push("Rack A is too warm.".into()),
            Effect::Letter(facts) => {
                let letter = Letter {
                    id: facts.id.clone(),
                    kind: LetterKind::Alarm,
                    at: facts.at,
                    answers: facts.answers.clone(),
                    subject: "Now: Rack A too warm".into(),
                    text: "Open the door.".into(),
                    html: String::new(),
                    pictures: Vec::new(),
                };
                let key = ParcelKey {
                    letter: letter.id.clone(),
                    carrier: CarrierName::Mail,
                    recipient: "grower@saltmarsh.example".into(),
                };
                // As long as a mail with a picture.
                let parcel =
                    Parcel { key, message_id: Some(format!("<{}@saltmarsh>", letter.id)), bytes: vec![b'm'; 30_000] };
                record.letters.push((letter, vec![parcel]));
            }
            _ => {}
        }
    }
}

/// Every row of every table, as text.
pub fn contents(path: &Path) -> Vec<String> {
    let store = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let sound: String = store.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
    let mut rows = Vec::new();
    for table in
        ["series", "reading", "event", "journal", "alarm", "letter", "letter_alarm", "outbox", "garbled", "delivery"]
    {
        let mut statement = store.prepare(&format!("SELECT * FROM {table}")).unwrap();
        let columns = statement.column_count();
        let mut found = statement.query([]).unwrap();
        while let Some(row) = found.next().unwrap() {
            let values: Vec<String> =
                (0..columns).map(|column| format!("{:?}", row.get_ref(column).unwrap())).collect();
            rows.push(format!("{table} {}", values.join(" ")));
        }
    }
    rows
}

/// What the store holds after so many batches, from none on.
pub fn expected() -> &'static [Vec<String>] {
    static EXPECTED: OnceLock<Vec<Vec<String>>> = OnceLock::new();
    EXPECTED.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("traywarden.db");
        let (mut store, _) = Store::open(&path, &rules(), begins_at()).unwrap();
        let mut all = vec![contents(&path)];
        for batch in batches() {
            store.commit(&batch).unwrap();
            all.push(contents(&path));
        }
        let last = all.last().unwrap();
        for kind in ["alarm ", "outbox ", "journal ", "garbled "] {
            assert!(last.iter().any(|row| row.starts_with(kind)), "the evening has no {kind}");
        }
        all
    })
}

/// This process is to be the writer.
pub fn is_asked() -> bool {
    std::env::var_os(STORE).is_some()
}

/// The writer. After an error it opens the file anew and tries the batch again, as the daemon
/// does; after the third it gives up.
pub fn write_down() {
    let path = std::path::PathBuf::from(std::env::var_os(STORE).unwrap());
    let rules = rules();
    let mut errors = 0;
    let say = |text: String| std::io::stderr().write_all(text.as_bytes()).unwrap();
    let mut store = None;
    for batch in batches() {
        loop {
            let done = match store
                .take()
                .map_or_else(|| Store::open(&path, &rules, begins_at()).map(|(store, _)| store), Ok)
            {
                Ok(open) => store.insert(open).commit(&batch),
                Err(error) => Err(error),
            };
            let Err(error) = done else { break };
            store = None;
            errors += 1;
            say(format!("error {error}\n"));
            if errors == 3 {
                return;
            }
        }
        let last = batch.last().unwrap();
        Newest::beside(&path).note((last.event.at, last.seq));
        say("acknowledged\n".to_owned());
    }
    let Some(store) = store else { return };
    match store.close() {
        Ok(()) => say("finished\n".to_owned()),
        Err(error) => say(format!("error {error}\nfinished\n")),
    }
}

/// What the writer said.
pub struct Ended {
    pub acknowledged: usize,
    pub errors: Vec<String>,
    pub finished: bool,
}

/// Lets the writer run under `strace` with these arguments, which hold for calls on its store.
pub fn run(store: &Path, arguments: &[String]) -> Ended {
    let files = ["", "-wal", "-shm", "-journal", ".newest"].map(|part| format!("{}{part}", store.display()));
    let folder = store.parent().unwrap().display().to_string();
    let mut all: Vec<&str> = arguments.iter().map(String::as_str).collect();
    for path in files.iter().chain([&folder]) {
        all.extend(["-P", path]);
    }
    run_under(&all, store)
}

/// The same, for calls on anything.
pub fn run_under(arguments: &[&str], store: &Path) -> Ended {
    let run = Command::new("strace")
        .args(["--quiet=all", "-f", "-o"])
        .arg(store.with_file_name("trace"))
        .args(arguments)
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", BECOMES_THE_WRITER, "--nocapture", "--test-threads=1"])
        .env(STORE, store)
        .output()
        .expect("strace runs (apt install strace)");
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    let here = store.display().to_string();
    Ended {
        acknowledged: said.lines().filter(|line| *line == "acknowledged").count(),
        errors: said
            .lines()
            .filter_map(|line| line.strip_prefix("error "))
            .map(|line| line.replace(&here, "STORE"))
            .collect(),
        finished: said.lines().any(|line| line == "finished"),
    }
}
