//! `calibrate` as a grower runs it: the real program, a store that holds what the sensor sent
//! from its jars, and answers on standard input.

use chrono::TimeDelta;
use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use traywarden::config;
use traywarden::engine::event::{Event, What};
use traywarden::reading::{ChannelId, RawReading};
use traywarden::store::{Record, Store};
use traywarden::units::Timestamp;

const ROOM: &str = r#"[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[store]
path = "room.db"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/a"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", gain = 1.1, offset = 3 }
"#;

struct Bench {
    folder: tempfile::TempDir,
}

struct Run {
    code: Option<i32>,
    out: String,
    err: String,
}

impl Bench {
    fn new() -> Bench {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("room.toml"), ROOM).expect("the settings are written");
        Bench { folder }
    }

    fn settings(&self) -> PathBuf {
        self.folder.path().join("room.toml")
    }

    /// The sensor sends a humidity and 22 °C each minute of the two hours up to `until`.
    fn sends(&self, until: &str, humidity: impl Fn(i64) -> f64) {
        let until: Timestamp = until.parse().expect("a time");
        let config = config::load(&self.settings()).unwrap_or_else(|problems| panic!("{problems}"));
        let (mut store, _) = Store::open(&config.store.path, &config.rules, until).expect("a store");
        let records: Vec<Record> = (0..120)
            .flat_map(|minute| {
                let at = until - TimeDelta::minutes(120 - minute);
                let what = |channel: u16, value: f64| {
                    What::Reading(RawReading::new(ChannelId(channel), value, None, false).expect("a number"))
                };
                let events = [what(0, 22.0 + (minute % 3) as f64 * 0.05), what(1, humidity(minute))];
                (0u32..).zip(events).map(move |(seq, what)| Record::of(Event { at, what }, seq, Vec::new()))
            })
            .collect();
        store.commit(&records).expect("committed");
        store.close().expect("closed");
    }

    fn calibrate(&self, arguments: &[&str], answers: &str) -> Run {
        let mut child = Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("--config")
            .arg(self.settings())
            .args(["calibrate", "rack-a-air"])
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        // It may have ended before it was answered.
        let _ = child.stdin.take().expect("piped").write_all(answers.as_bytes());
        let output = child.wait_with_output().expect("it ends");
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
        Run { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
    }
}

/// A worked example by Greenspan's polynomials (1977): 35.6 and 78.2 % in MgCl2 and NaCl at 22 °C.
const JARS: [&str; 6] = ["--point", "MgCl2=35.6", "--point", "NaCl=78.2", "--temperature", "22 C"];

#[test]
fn two_jars_give_the_settings_line_of_the_worked_example() {
    let bench = Bench::new();
    let run = bench.calibrate(&JARS, "");
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert!(run.out.contains("Believed = 0.9964 × value - 2.51."), "{}", run.out);
    assert!(run.out.contains("It takes the place of gain 1.1 and offset +3"), "{}", run.out);
    let line = run.out.lines().find(|line| line.starts_with("humidity = ")).expect("a line to paste");
    let changed: Vec<&str> = ROOM.lines().map(|old| if old.starts_with("humidity = ") { line } else { old }).collect();
    std::fs::write(bench.settings(), changed.join("\n")).expect("written");
    let config = config::load(&bench.settings()).unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!((config.rules.channels[1].gain, config.rules.channels[1].offset), (0.9964, -2.51));
    assert!(config.rules.channels[1].calibrated.is_some());
}

#[test]
fn the_hour_of_a_jar_is_read_from_the_store_as_the_device_sent_it() {
    let bench = Bench::new();
    bench.sends("2026-11-24T13:00:00Z", |_| 35.6);
    bench.sends("2026-11-25T13:00:00Z", |minute| 78.2 + (minute % 2) as f64 * 0.1);
    let jars = ["--point", "MgCl2@2026-11-24 07:00", "--point", "NaCl@2026-11-25 07:00", "--json"];
    let run = bench.calibrate(&jars, "");
    assert_eq!(run.code, Some(0), "{}", run.err);
    let found: serde_json::Value = serde_json::from_str(&run.out).expect("one JSON object");
    assert!((found["gain"].as_f64().expect("a number") - 0.9964).abs() < 0.003, "{found}");
    assert_eq!(found["jars"][0]["said_percent"], 35.6, "not corrected a second time: {found}");
    assert_eq!(found["jars"][1]["from_store"]["readings"], 60, "{found}");
    assert_eq!(found["settings"]["line"], 14, "{found}");
}

#[test]
fn a_sensor_that_still_drifts_in_its_jar_is_told_to_wait() {
    let bench = Bench::new();
    bench.sends("2026-11-25T13:00:00Z", |minute| 70.0 + minute as f64 * 0.02);
    let run = bench.calibrate(&["--point", "NaCl@2026-11-25 07:00"], "");
    assert_eq!(run.code, Some(1));
    assert!(run.err.contains("it still moves, by +1.20 an hour"), "{}", run.err);
    // It was taken out of the jar at seven; what it said there is named, not taken.
    bench.sends("2026-11-25T15:00:00Z", |minute| if minute < 60 { 75.6 } else { 75.6 - minute as f64 * 0.3 });
    let out = bench.calibrate(&["--point", "NaCl@2026-11-25 09:00"], "");
    assert_eq!(out.code, Some(1));
    assert!(out.err.contains("at 75.6 %: if that was in the jar, write SALT@\"2026-11-25 08:00\""), "{}", out.err);
    let nothing = bench.calibrate(&["--point", "NaCl@2026-11-20 07:00"], "");
    assert!(nothing.err.contains("only 0 readings"), "{}", nothing.err);
}

#[test]
fn a_third_jar_that_speaks_against_it_withholds_the_line() {
    let bench = Bench::new();
    let passed = bench.calibrate(&[&JARS[..], &["--verify", "KCl=88"]].concat(), "");
    assert_eq!(passed.code, Some(0));
    assert!(passed.out.contains("off by +0.4 % where 3.1 % is allowed: pass."), "{}", passed.out);
    let failed = bench.calibrate(&[&JARS[..], &["--verify", "K2SO4=90"]].concat(), "");
    assert_eq!(failed.code, Some(1));
    assert!(failed.out.contains("FAIL") && !failed.out.contains("\nhumidity = "), "{}", failed.out);
}

#[test]
fn jars_mixed_up_or_alike_are_refused_with_what_to_do() {
    let bench = Bench::new();
    let swapped = bench.calibrate(&["--point", "NaCl=35.6", "--point", "MgCl2=78.2", "--temperature", "22 C"], "");
    assert_eq!(swapped.code, Some(1));
    assert!(swapped.err.contains("check which jar is which"), "{}", swapped.err);
    let sugar = bench.calibrate(&["--point", "sugar=50", "--temperature", "22 C"], "");
    assert_eq!(sugar.code, Some(2));
    assert!(sugar.err.contains("none of the salts"), "{}", sugar.err);
}

#[test]
fn it_asks_in_words_and_takes_answers_from_a_pipe() {
    let bench = Bench::new();
    // Enter for the usual salt; a word it does not know; a reading beyond all; one jar is enough.
    let run = bench.calibrate(&[], "\n35.6\n22 C\nsugar\n\n780\n78.2 %\n71.6 F\n\n");
    assert_eq!(run.code, Some(0), "{}", run.err);
    assert!(run.out.contains("12 to 24 hours") && run.out.contains("solid salt"), "{}", run.out);
    assert!(run.out.contains("Believed = 0.9964 × value - 2.51."), "{}", run.out);
    let one = bench.calibrate(&[], "table salt\n78.2\n22 C\nnone\n\n");
    assert!(one.out.contains("Believed = 1 × value - 2.79.") && one.out.contains("One jar only shifts"), "{}", one.out);
}

#[test]
fn nobody_to_answer_means_instructions_and_half_an_answer_is_no_correction() {
    let bench = Bench::new();
    let nobody = bench.calibrate(&[], "");
    assert_eq!(nobody.code, Some(0));
    assert!(nobody.out.contains("--point MgCl2=33.9"), "{}", nobody.out);
    let half = bench.calibrate(&[], "\n35.6\n");
    assert_eq!(half.code, Some(2), "{}", half.err);
    assert!(!half.out.contains("Believed"), "{}", half.out);
}
