//! What the engine remembers, kept and read again, is the same engine.

use crate::night::{Bent, Night, seeds};
use chrono::TimeDelta;
use std::path::Path;
use traywarden::engine::Engine;
use traywarden::engine::event::Event;
use traywarden::random::SplitMix64;
use traywarden::rebuild::{rebuild, rebuild_without_state};
use traywarden::store::{EngineState, KeptState, Reader, Record, StateDoubt, StateFile, Store, TakenIn};

/// A night and the event before which it is cut.
fn cut(seed: u64, bent: Bent) -> (Night, usize) {
    let night = Night::of(seed, bent);
    let at = (SplitMix64::new(seed ^ 0x57A7E).whole() as usize % night.events.len()).max(1);
    (night, at)
}

/// Both take in the rest, and say and show the same.
fn assert_go_on_alike(label: &str, one: &mut Engine, other: &mut Engine, rest: &[Event]) {
    assert_eq!(one.snapshot(), other.snapshot(), "{label}: already where it was kept");
    let mut shown = one.now();
    for (nth, event) in rest.iter().enumerate() {
        let (left, right) = (one.handle(event.clone()), other.handle(event.clone()));
        assert_eq!(left, right, "{label}: event {nth} of the rest, {event:?}");
        if one.now() - shown >= TimeDelta::minutes(10) {
            shown = one.now();
            assert_eq!(one.snapshot(), other.snapshot(), "{label}: at {shown}");
            assert_eq!(one.digest_facts(false), other.digest_facts(false), "{label}: at {shown}");
        }
    }
}

#[test]
fn a_state_and_the_rest_of_the_night_are_the_whole_night() {
    for seed in seeds(40) {
        let (night, cut) = cut(seed, Bent::default());
        let label = format!("{}, kept at {cut}", night.label);
        let mut live = night.engine();
        for event in &night.events[..cut] {
            live.handle(event.clone());
        }
        let state = EngineState::of(&live, (live.now(), 0)).expect("it can be written");
        let file = state.to_file(0);
        let kept = KeptState::parse(&file).expect("it is whole");
        let mut again = kept.engine(&night.rules()).expect("the rules are the same");
        // Bit for bit, though nobody may ask for it in the rest of this night.
        assert_eq!(format!("{live:?}"), format!("{again:?}"), "{label}");
        assert_go_on_alike(&label, &mut live, &mut again, &night.events[cut..]);
    }
}

/// A night that is committed event by event up to `until`; the state is kept after `keep_after`.
fn committed(path: &Path, night: &Night, keep_after: usize, until: usize) -> Engine {
    let (mut store, _) = Store::open(path, &night.rules(), night.events[0].at).expect("a new store opens");
    let mut live = night.engine();
    let mut records = Vec::new();
    let mut last: TakenIn = (night.events[0].at, 0);
    for (nth, event) in night.events[..until].iter().enumerate() {
        let effects = live.handle(event.clone());
        last = if event.at == last.0 { (event.at, last.1 + 1) } else { (event.at, 0) };
        records.push(Record::of(event.clone(), last.1, effects));
        if nth + 1 == keep_after {
            store.commit(&records).expect("the night can be written");
            records.clear();
            store.keep_state(&EngineState::of(&live, last).expect("it can be written")).expect("the store is read");
        }
    }
    store.commit(&records).expect("the night can be written");
    live
}

#[test]
fn a_start_from_a_state_goes_on_as_if_nothing_had_been() {
    for seed in seeds(6) {
        let (night, stop) = cut(seed, Bent { storable: true, ..Bent::default() });
        let keep_after = (stop / 2).max(1);
        let label = format!("{}, kept at {keep_after}, stopped at {stop}", night.label);
        let folder = tempfile::tempdir().expect("a folder for a store");
        let path = folder.path().join("room.db");
        let mut live = committed(&path, &night, keep_after, stop);
        let rules = night.rules();
        let reader = Reader::open(&path, &rules).expect("the store can be read");
        let now = night.events[stop - 1].at;
        let rebuilt = rebuild(&rules, &reader, now, now).expect("the store can be lived again");
        assert!(rebuilt.resumed.is_some(), "{label}: the state was not used");
        let whole = rebuild_without_state(&rules, &reader, now).expect("the store can be lived again");
        assert!(rebuilt.events < whole.events, "{label}: {} of {}", rebuilt.events, whole.events);
        let mut again = rebuilt.engine;
        assert_go_on_alike(&label, &mut live, &mut again, &night.events[stop..]);
    }
}

#[test]
fn a_state_that_is_cut_off_or_changed_anywhere_is_not_believed() {
    let (night, cut) = cut(7, Bent::default());
    let mut engine = night.engine();
    for event in &night.events[..cut] {
        engine.handle(event.clone());
    }
    let file = EngineState::of(&engine, (engine.now(), 3)).expect("it can be written").to_file(9);
    KeptState::parse(&file).expect("as it was written it is whole");
    let mut chance = SplitMix64::new(11);
    let places = (0..200).chain(file.len() - 200..file.len());
    let strewn: Vec<usize> = (0..400).map(|_| chance.whole() as usize % file.len()).collect();
    for place in places.chain(strewn) {
        let mut changed = file.clone();
        changed[place] ^= 1 << (chance.whole() % 8);
        assert_eq!(KeptState::parse(&changed).err(), Some(StateDoubt::NotWhole), "byte {place} changed");
        assert_eq!(KeptState::parse(&file[..place]).err(), Some(StateDoubt::NotWhole), "cut at {place}");
    }
}

/// What must make a state useless, and why it is said to be.
#[test]
fn a_state_that_does_not_fit_is_thrown_away_and_the_past_lived_through() {
    let (night, _) = cut(7, Bent { storable: true, ..Bent::default() });
    let rules = night.rules();
    let until = night.events.len().min(4_000);
    let now = night.events[until - 1].at;
    type Spoil = fn(&Path);
    let spoils: [(&str, Spoil); 4] = [
        ("rows that were moved in time", |path| write(path, "UPDATE reading SET at = at - 60000")),
        ("rows that are gone", |path| write(path, "DELETE FROM reading")),
        ("a number that was changed", |path| {
            write(
                path,
                "UPDATE reading SET raw = raw + 1 WHERE (at, seq) IN (SELECT at, seq FROM reading ORDER BY at DESC LIMIT 9)",
            )
        }),
        ("half a file", |path| {
            let state = path.with_file_name("room.db.state");
            let bytes = std::fs::read(&state).expect("it is there");
            std::fs::write(&state, &bytes[..bytes.len() / 2]).expect("writable");
        }),
    ];
    for (what, spoil) in spoils {
        let folder = tempfile::tempdir().expect("a folder for a store");
        let path = folder.path().join("room.db");
        committed(&path, &night, until, until);
        let resumed = || {
            let reader = Reader::open(&path, &rules).expect("the store can be read");
            rebuild(&rules, &reader, now, now).expect("the store can be lived again").resumed
        };
        assert!(resumed().is_some(), "{what}: as it was written it is used");
        spoil(&path);
        assert_eq!(resumed(), None, "{what}");
    }
    let folder = tempfile::tempdir().expect("a folder for a store");
    let path = folder.path().join("room.db");
    committed(&path, &night, until, until);
    let reader = Reader::open(&path, &rules).expect("the store can be read");
    let resumed = |rules: &_, present| rebuild(rules, &reader, present, present).expect("it is read").resumed;
    assert_eq!(resumed(&rules, now - TimeDelta::hours(1)), None, "from the future");
    assert_eq!(resumed(&rules, now + TimeDelta::days(11)), None, "too old");
    let mut other = (*rules).clone();
    other.site.wake_if += 0.01;
    assert_eq!(resumed(&std::sync::Arc::new(other), now), None, "other settings");
    StateFile::beside(&path).remove();
    assert_eq!(resumed(&rules, now), None, "none");
}

fn write(path: &Path, sql: &str) {
    let connection = rusqlite::Connection::open(path).expect("the store opens");
    connection.execute_batch(sql).expect("it is written");
}
