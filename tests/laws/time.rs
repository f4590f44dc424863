//! What time, restarts and repetition change: nothing.

use crate::night::{Bent, Night, seeds};
use chrono::TimeDelta;
use std::sync::Arc;
use traywarden::engine::Engine;
use traywarden::engine::event::{Effect, Event, What};
use traywarden::random::SplitMix64;
use traywarden::rebuild::rebuild;
use traywarden::rehearse::Rehearsal;
use traywarden::rehearse::printed::Printed;
use traywarden::store::{Reader, Record, Store};

fn run(engine: &mut Engine, events: &[Event]) -> Vec<Effect> {
    events.iter().flat_map(|event| engine.handle(event.clone())).collect()
}

/// Compares in a way that prints the first difference and not two nights.
fn assert_same(label: &str, left: &[Effect], right: &[Effect]) {
    let place = left.iter().zip(right).position(|(left, right)| left != right);
    let place = place.or((left.len() != right.len()).then(|| left.len().min(right.len())));
    if let Some(place) = place {
        panic!("{label}: effect {place} differs:\n{:#?}\n{:#?}", left.get(place), right.get(place));
    }
}

/// The same events with ticks strewn among them; one that stops or sets the clock lets no time
/// pass before it, so none is strewn into the span that nobody watched.
fn interspersed(events: &[Event], seed: u64) -> Vec<Event> {
    let mut chance = SplitMix64::new(seed ^ 0x71C);
    let mut out: Vec<Event> = Vec::with_capacity(events.len() * 2);
    for event in events {
        if let Some(last) = out.last() {
            let apart = (event.at - last.at).num_milliseconds();
            let unwatched = matches!(event.what, What::Started | What::ClockStepped { .. });
            if apart > 0 && !unwatched && chance.one_in(2) {
                let at = last.at + TimeDelta::milliseconds((chance.whole() % (apart as u64 + 1)) as i64);
                out.push(Event { at, what: What::Tick });
            }
        }
        out.push(event.clone());
    }
    out
}

#[test]
fn strewn_ticks_change_nothing() {
    for seed in seeds(40) {
        let night = Night::of(seed, Bent::default());
        let plain = night.effects();
        let ticked = run(&mut night.engine(), &interspersed(&night.events, seed));
        assert_same(&night.label, &plain, &ticked);
    }
}

#[test]
fn an_engine_rebuilt_from_the_same_events_goes_on_as_if_nothing_had_been() {
    for seed in seeds(30) {
        let night = Night::of(seed, Bent::default());
        let cut = SplitMix64::new(seed ^ 0xC07).whole() as usize % night.events.len();
        let mut live = night.engine();
        run(&mut live, &interspersed(&night.events[..cut], seed));
        let mut again = night.engine();
        run(&mut again, &night.events[..cut]);
        let rest = &night.events[cut..];
        assert_same(&format!("{}, restarted at {cut}", night.label), &run(&mut live, rest), &run(&mut again, rest));
    }
}

#[test]
fn a_restart_through_the_real_store_changes_nothing() {
    for seed in seeds(6) {
        let night = Night::of(seed, Bent { storable: true, ..Bent::default() });
        let rules = night.rules();
        let cut = (SplitMix64::new(seed ^ 0x570).whole() as usize % night.events.len()).max(1);
        let folder = tempfile::tempdir().expect("a folder for a store");
        let path = folder.path().join("traywarden.db");
        let mut live = night.engine();
        let mut records = Vec::new();
        let mut last = (night.events[0].at, 0);
        for event in &night.events[..cut] {
            let effects = live.handle(event.clone());
            last = if event.at == last.0 { (event.at, last.1 + 1) } else { (event.at, 0) };
            records.push(Record::of(event.clone(), last.1, effects));
        }
        let (mut store, _) = Store::open(&path, &rules, last.0).expect("a new store opens");
        store.commit(&records).expect("the night can be written");
        let reader = Reader::open(&path, &rules).expect("the store can be read");
        let mut again =
            rebuild(&Arc::clone(&rules), &reader, last.0, last.0).expect("the store can be lived again").engine;
        let rest = &night.events[cut..];
        assert_same(&format!("{}, restarted at {cut}", night.label), &run(&mut live, rest), &run(&mut again, rest));
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    for seed in seeds(8) {
        let reported = || {
            let night = Night::of(seed, Bent::default());
            let mut out = Vec::new();
            let mut rehearsal = Rehearsal::new(&night.config, Printed::new(&night.config.rules, &mut out, true));
            for event in &night.events {
                rehearsal.event(event.clone()).expect("memory can be written");
            }
            rehearsal.finish().expect("memory can be written");
            out
        };
        let first = reported();
        assert!(first.len() > 100, "SEED={seed}: nothing was told");
        assert!(first == reported(), "SEED={seed}: two runs differ");
    }
}
