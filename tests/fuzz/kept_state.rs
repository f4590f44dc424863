//! The state of the engine that is kept beside the store: a file that anything can happen to.

use super::fuzz;
use std::cell::Cell;
use std::hash::{DefaultHasher, Hasher};
use std::path::Path;
use std::sync::Arc;
use traywarden::config;
use traywarden::engine::Engine;
use traywarden::engine::event::{Event, What};
use traywarden::engine::rules::Rules;
use traywarden::reading::{ChannelId, RawReading};
use traywarden::store::{EngineState, KeptState, StateDoubt};
use traywarden::units::Timestamp;

const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "air"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
"#;

/// Magic, build, time, number and the sum of the record: what was remembered comes behind.
const HEAD: usize = 52;

/// A state of an hour that had an alarm, an entry and a refusal.
fn written() -> (Arc<Rules>, Vec<u8>) {
    let config = config::parse(ROOM, "room.toml", Path::new("/")).unwrap_or_else(|problems| panic!("{problems}"));
    let rules = Arc::new(config.rules);
    let begun = Timestamp::from_timestamp_millis(1_772_578_800_123).expect("a time");
    let mut engine = Engine::new(Arc::clone(&rules), begun);
    let sown = r#"{"did":"sow","tray":"K12","place":"rack-a","crop":"broccoli","count":4}"#;
    engine.handle(Event {
        at: begun,
        what: What::Journal { number: 1, entry: serde_json::from_str(sown).expect("an entry") },
    });
    engine.handle(Event { at: begun, what: What::NoValue(traywarden::reading::SensorId(0)) });
    for half_minute in 0..120 {
        let at = begun + chrono::TimeDelta::seconds(30 * half_minute);
        for (channel, value) in [(0, 37.0 + half_minute as f64 / 50.0), (1, 55.0)] {
            let raw = RawReading::new(ChannelId(channel), value, None, false).expect("a number");
            engine.handle(Event { at, what: What::Reading(raw) });
        }
    }
    let state = EngineState::of(&engine, (engine.now(), 1)).expect("it can be written");
    (rules, state.to_file(7))
}

#[test]
fn a_state_of_any_bytes_is_answered_and_only_the_written_one_believed() {
    let (_, file) = written();
    let short = &file[..60];
    fuzz("state", 5, &[&file, short], &["traywarden st 1\n", "traywarden st 2\n"], |bytes| {
        let believed = KeptState::parse(bytes).is_ok();
        assert_eq!(believed, bytes == file, "{} bytes", bytes.len());
    });
}

#[test]
fn a_state_of_another_build_is_known_as_one() {
    let (_, file) = written();
    let mut other = file[..file.len() - 8].to_vec();
    other[20] ^= 1;
    assert_eq!(KeptState::parse(&summed(other)).err(), Some(StateDoubt::OtherBuild));
}

/// The bytes with the sum that stands behind them.
fn summed(mut bytes: Vec<u8>) -> Vec<u8> {
    let mut hasher = DefaultHasher::new();
    hasher.write(&bytes);
    bytes.extend(hasher.finish().to_le_bytes());
    bytes
}

/// Bytes that add up can only be ours; yet nothing panics on others.
#[test]
fn a_memory_of_any_bytes_that_add_up_is_answered() {
    let (rules, file) = written();
    let remembered = &file[HEAD..file.len() - 8];
    let engines = Cell::new(0_u64);
    fuzz("memory", 20, &[remembered, &remembered[..200]], &["\u{1}", "\u{0}", "\u{7f}", "brassica"], |bytes| {
        let mut whole = file[..HEAD].to_vec();
        whole.extend(bytes);
        let whole = summed(whole);
        let kept = KeptState::parse(&whole).expect("it adds up");
        let engine = kept.engine(&rules);
        assert!(matches!(engine, Ok(_) | Err(StateDoubt::NotWhole | StateDoubt::OtherRules)), "{:?}", engine.err());
        engines.set(engines.get() + u64::from(engine.is_ok()));
    });
    assert!(engines.get() > 0, "the bytes as they were written are an engine");
}
