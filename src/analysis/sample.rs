//! An invented room and journals for the tests of `report`.

use crate::engine::event::JournalLine;
use crate::engine::rules::Rules;
use crate::units::Timestamp;

const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
rounds = ["07:00", "19:00"]
[broker]
url = "mqtt://127.0.0.1:1883"
[store]
path = "traywarden.db"
[mail]
from = "warden@saltmarsh.example"
to = ["grower@saltmarsh.example"]
folder = "letters"
[[place]]
id = "loft"
name = "Loft"
[[place]]
id = "rack-a"
name = "Rack A"
inside = "loft"
[[place]]
id = "rack-b"
name = "Rack B"
inside = "loft"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
every = "1 min"
temperature = { pointer = "/temperature", unit = "Cel" }
humidity = { pointer = "/humidity", unit = "%RH" }
[[sensor]]
id = "rack-b-air"
place = "rack-b"
topic = "loft/rack-b/air"
every = "1 min"
temperature = { pointer = "/temperature", unit = "Cel" }
humidity = { pointer = "/humidity", unit = "%RH" }
"#;

/// The invented room: a loft with two racks, each with a sensor.
pub(crate) fn rules() -> Rules {
    crate::config::parse(ROOM, "room.toml", std::path::Path::new("/")).expect("the room is right").rules
}

/// `2026-03-02 08:00`, UTC.
pub(crate) fn at(text: &str) -> Timestamp {
    chrono::NaiveDateTime::parse_from_str(text, "%Y-%m-%d %H:%M").expect("a date and a time").and_utc()
}

/// Entries numbered from 1, each with when it was told. A strike marks what it strikes,
/// as the store does.
pub(crate) fn journal(entries: &[(&str, &str)]) -> Vec<JournalLine> {
    let mut lines: Vec<JournalLine> = Vec::new();
    for (number, (reported, entry)) in (1..).zip(entries) {
        let entry: crate::journal::Entry = serde_json::from_str(entry).expect("an entry");
        if let crate::journal::Did::Strike { entry: struck, .. } = entry.did {
            let struck = lines.iter_mut().find(|line| line.number == struck).expect("it strikes an entry");
            struck.struck_by = Some(number);
        }
        lines.push(JournalLine { number, at: at(reported), entry, refused: None, struck_by: None, note: Vec::new() });
    }
    lines
}
