//! What is fuzzed, from which texts, and what must hold of every answer.

use super::fuzz;
use std::path::Path;
use traywarden::config::{self, Config};
use traywarden::engine::event::What;
use traywarden::intake::capture;
use traywarden::intake::payload::{self, Decoded};
use traywarden::journal::Entry;
use traywarden::typed;
use traywarden::units::Timestamp;

const NUMBERS: [&str; 20] = [
    "1e309",
    "-1e309",
    "1e-400",
    "-0",
    "NaN",
    "-nan",
    "Infinity",
    "null",
    "true",
    "\"21.5\"",
    "21,5",
    "0x15",
    "+5",
    ".5",
    "5.",
    "021",
    "9007199254740993",
    "1e6",
    "-1000000.0005",
    "85",
];
const MARKS: [&str; 16] =
    ["{", "}", "[", "]", "\"", ":", ",", "\\u0000", "\\ud800", "\u{feff}", "\0", "\r\n", "%", "°C", "\"u\":", "\"t\":"];

fn tokens() -> Vec<&'static str> {
    NUMBERS.into_iter().chain(MARKS).collect()
}

/// A room whose sensors speak each of the forms we understand.
const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "json"
place = "rack-a"
topic = "json"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
[[sensor]]
id = "senml"
place = "rack-a"
topic = "senml"
every = "30 s"
temperature = { senml = "t" }
humidity = { senml = "h" }
[[sensor]]
id = "bare"
place = "rack-a"
topic = "bare"
every = "30 s"
temperature = { unit = "Cel" }
"#;

fn room() -> Config {
    config::parse(ROOM, "room.toml", Path::new("/")).unwrap_or_else(|problems| panic!("{problems}"))
}

fn arrived() -> Timestamp {
    Timestamp::from_timestamp_millis(1_772_578_800_123).expect("a time")
}

/// Every value is one that a sensor can have meant, and no message says more than it can.
fn hear(config: &Config, topic: &str, bytes: &[u8]) {
    match payload::decode(&config.topics, topic, bytes, false, arrived()) {
        Decoded::Events(said) => {
            assert!(said.len() <= 64, "{} things from one message", said.len());
            for what in said {
                if let What::Reading(raw) = what {
                    assert!(raw.value().is_finite() && raw.value().abs() <= 1e6, "{}", raw.value());
                }
            }
        }
        Decoded::Entry(entry) => comes_back(&entry),
    }
}

/// An entry that is taken is written down and lived through again: it must come back the same.
fn comes_back(entry: &Entry) {
    let text = serde_json::to_string(entry).expect("an entry can be written");
    let again: Entry = serde_json::from_str(&text).expect("what we wrote we can read");
    assert_eq!(&again, entry, "{text}");
}

#[test]
fn any_payload_is_answered() {
    let config = room();
    let corpus: [&[u8]; 6] = [
        br#"{"t":21.5,"h":60.25}"#,
        br#"{"t":{"value":21.5},"h":[60],"time":1772578800}"#,
        b"\xef\xbb\xbf{\"t\":21.5}\0\0",
        br#"{"t":nan,"h":null}"#,
        b"21.5",
        b"unavailable",
    ];
    fuzz("payload", 1, &corpus, &tokens(), |bytes| {
        hear(&config, "json", bytes);
        hear(&config, "bare", bytes);
    });
}

#[test]
fn any_senml_is_answered() {
    let config = room();
    let corpus: [&[u8]; 4] = [
        br#"[{"bn":"","bt":1772578800,"n":"t","u":"Cel","v":21.5},{"n":"h","u":"%RH","v":60}]"#,
        br#"[{"n":"t","u":"K","v":294.65,"t":-30},{"n":"h","u":"/","v":0.6,"t":0}]"#,
        br#"[{"bn":"x/","bu":"Cel","bv":20,"n":"t","v":1.5,"bver":10},{"n":"h","vs":"60"},{"n":"h","vb":true}]"#,
        br#"[{"n":"t","v":1e308},{"bv":-1e308,"n":"t","v":1}]"#,
    ];
    fuzz("senml", 1, &corpus, &tokens(), |bytes| hear(&config, "senml", bytes));
}

#[test]
fn any_journal_entry_is_answered() {
    let config = room();
    let corpus: [&[u8]; 6] = [
        br#"{"did":"sow","tray":"K12","place":"rack-a","crop":"broccoli","seed_grams":24,"count":6}"#,
        br#"{"did":"sow","tray":"K1","place":"rack-a","blend":"broccoli:2,kale:1","seed_grams":24,"count":6,"at":"2026-03-03T17:00:00Z"}"#,
        br#"{"did":"water","place":"rack-a","ml_per_tray":118,"by":"Ada"}"#,
        br#"{"did":"harvest","tray":"K12","grams":1696}"#,
        br#"{"did":"discard","tray":"K12","reason":"mold","share":30}"#,
        br#"{"did":"strike","entry":17,"note":"wrong tray"}"#,
    ];
    let journal = config.topics.journal.clone();
    fuzz("journal entry", 1, &corpus, &tokens(), |bytes| hear(&config, &journal, bytes));
}

#[test]
fn any_typed_line_is_answered() {
    let corpus: [&[u8]; 5] = [
        b"sow K12 rack-b broccoli 24g x6 lot=L7 medium=coir",
        b"sow K12 rack-b blend=broccoli:16g,kale:8g x6",
        b"water rack-b 118ml",
        b"discard K12 mold 30%",
        b"look K12 \"roots white, all even\"",
    ];
    let words =
        ["x", "g", "ml", "L", "%", "=", ":", ",", "blend=", "count=", "at=", "\"", "99999999999999999999", "-1", "é"];
    fuzz("typed line", 1, &corpus, &words, |bytes| {
        let Ok(text) = std::str::from_utf8(bytes) else { return };
        let mut words = text.split_whitespace().map(str::to_owned);
        let Some(did) = words.next() else { return };
        let words: Vec<String> = words.collect();
        if let Ok(entry) = typed::entry::read(&did, &words, |word| word == "rack-b", []) {
            comes_back(&entry);
        }
    });
}

#[test]
fn any_line_of_a_capture_is_answered() {
    let corpus: [&[u8]; 3] = [
        br#"{"tst":"2026-03-03T17:00:00.123456-0600","topic":"loft/rack-a/air","qos":1,"retain":0,"payload":"21.5"}"#,
        br#"{"tst":"2026-11-25T07:32:48.585881Z-0600","topic":"a/b","qos":0,"retain":1,"payloadlen":10,"payload":{"v":21.5}}"#,
        br#"{"tst":"2026-03-03T23:00:00Z","topic":"a","payload":null,"payloadlen":0}"#,
    ];
    let mut words = tokens();
    words.extend(["-0600", "Z", "+14:00", "T", "0000", "9999", "\"tst\":", "\"retain\":1"]);
    fuzz("capture line", 1, &corpus, &words, |bytes| {
        if let Ok(captured) = capture::read_line(1, bytes) {
            assert!(captured.payload.len() <= bytes.len() * 3, "a payload larger than its line");
        }
    });
}

#[test]
fn any_settings_are_answered() {
    let example = config::example().as_bytes();
    let words = [
        "[[sensor]]",
        "[site]",
        "[",
        "]",
        "=",
        "\"",
        "{",
        "}",
        "'''",
        "#",
        "\n",
        "-1",
        "1e400",
        "nan",
        "true",
        "1979-05-27",
        "\"30 s\"",
        "\"0 s\"",
        "\"99999999999 days\"",
        "\"-40 F\"",
        "\"120 %\"",
        "id",
        "place",
        "topic",
        "every",
        "\u{feff}",
        "\0",
    ];
    fuzz("settings", 100, &[example, ROOM.as_bytes()], &words, |bytes| {
        let Ok(text) = std::str::from_utf8(bytes) else { return };
        if let Err(problems) = config::parse(text, "fuzz.toml", Path::new("/")) {
            assert!(problems.to_string().contains("fuzz.toml"), "a problem without its file");
        }
    });
}
