//! What holds of alarms and of the letters about them.

use crate::night::{Bent, Night, late, seeds};
use chrono::TimeDelta;
use std::collections::{BTreeMap, BTreeSet};
use traywarden::engine::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState};
use traywarden::engine::calendar::last_round;
use traywarden::engine::event::{Effect, Event, LetterFacts, LetterKind, Occasion, What};
use traywarden::random::SplitMix64;
use traywarden::reading::{Quantity, RawReading};
use traywarden::units::Timestamp;

fn changes(effects: &[Effect]) -> impl Iterator<Item = &AlarmChange> {
    effects.iter().filter_map(|effect| if let Effect::Alarm(change) = effect { Some(change) } else { None })
}

fn letters(effects: &[Effect]) -> impl Iterator<Item = &LetterFacts> {
    effects.iter().filter_map(|effect| if let Effect::Letter(facts) = effect { Some(facts) } else { None })
}

fn raised(change: &AlarmChange) -> bool {
    matches!(change.before, AlarmState::Normal | AlarmState::ReturnedUnacknowledged)
        && matches!(change.state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
}

#[test]
fn no_alarm_is_raised_twice_without_a_return_between_and_none_returns_unseen() {
    for seed in seeds(60) {
        let night = Night::of(seed, Bent::default());
        let effects = night.effects();
        let mut last: BTreeMap<&AlarmKey, AlarmState> = BTreeMap::new();
        for change in changes(&effects) {
            let before = last.insert(&change.key, change.state).unwrap_or(AlarmState::Normal);
            assert_eq!(before, change.before, "{}: {} at {} breaks its chain", night.label, change.key.id(), change.at);
            let skipped = change.before == AlarmState::Unacknowledged && change.state == AlarmState::Normal;
            assert!(!skipped, "{}: {} cleared silently at {}", night.label, change.key.id(), change.at);
        }
    }
}

#[test]
fn letters_have_names_of_their_own_and_an_over_tells_only_of_what_was_told() {
    for seed in seeds(60) {
        let night = Night::of(seed, Bent::default());
        let effects = night.effects();
        let mut ids = BTreeSet::new();
        let mut reported: BTreeSet<&AlarmKey> = BTreeSet::new();
        for letter in letters(&effects) {
            assert!(ids.insert(&letter.id), "{}: two letters {}", night.label, letter.id);
            let known = letter.answers.as_ref().is_none_or(|answers| ids.contains(answers));
            assert!(known, "{}: {} answers a letter never written", night.label, letter.id);
            for (occasion, change) in letter.alarms() {
                if occasion != Occasion::Returned {
                    reported.insert(&change.key);
                    continue;
                }
                assert_eq!(letter.kind, LetterKind::Over, "{}: {}", night.label, letter.id);
                let had = reported.contains(&change.key);
                assert!(had, "{}: {} returns {} unannounced", night.label, letter.id, change.key.id());
                let still = !matches!(change.state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged);
                let silenced = matches!(change.state, AlarmState::Shelved | AlarmState::OutOfService);
                let id = change.key.id();
                assert!(!still || silenced, "{}: {} says {id} is over, and it goes on", night.label, letter.id);
            }
        }
    }
}

/// Six letters a night with round and digest, ten where different harms come one after the other.
#[test]
fn from_round_to_round_there_are_eight_letters_beside_it_at_most() {
    for seed in seeds(60) {
        let night = Night::of(seed, Bent::default());
        let effects = night.effects();
        let mut count = 0;
        let mut round = None;
        for letter in letters(&effects) {
            let last = last_round(&night.rules().site, letter.at);
            if round != Some(last) {
                (round, count) = (Some(last), 0);
            }
            count += u32::from(!matches!(letter.kind, LetterKind::Round | LetterKind::Digest));
            assert!(count <= 8, "{}: letter {count} since {last} is {}", night.label, letter.id);
        }
    }
}

/// Silence is no process alarm: whoever sends the past is alive.
#[test]
fn what_arrives_late_neither_raises_nor_clears_an_alarm() {
    for seed in seeds(40) {
        let plain = Night::of(seed, Bent { honest_clocks: true, ..Bent::default() });
        let mut chance = SplitMix64::new(seed ^ 0x1A7E);
        let rules = plain.rules();
        let mut events = plain.events.clone();
        for _ in 0..400 {
            let near = plain.events[chance.whole() as usize % plain.events.len()].at;
            events.push(late(&rules, &mut chance, near));
        }
        events.sort_by_key(|event| event.at);
        let label = plain.label.clone();
        let bent = Night { label: plain.label.clone(), config: plain.config.clone(), events };
        let reported = |night: &Night| -> Vec<(Timestamp, AlarmKey, AlarmState)> {
            let effects = night.effects();
            let of_air_or_tank = changes(&effects)
                .filter(|change| !matches!(change.key.kind, AlarmKind::SensorSilent | AlarmKind::SensorImplausible));
            of_air_or_tank.map(|change| (change.at, change.key.clone(), change.state)).collect()
        };
        assert_eq!(reported(&plain), reported(&bent), "{label}");
    }
}

/// How long a kind remembers what went wrong, beyond its off-delay, the half hour in
/// which it may have chattered and the minute of judging. `None`: it has to be mended by
/// hand or judges by days (mold, drift, draw), and is not held to this law.
fn remembers(kind: AlarmKind) -> Option<TimeDelta> {
    use AlarmKind::*;
    match kind {
        AirTooWarm | AirTooCold | AirTooDamp | AirTooDry | ReservoirEmpty | SensorSilent => Some(TimeDelta::zero()),
        BrokerLost | MailFailing | ClockStepped | StageOverdue => Some(TimeDelta::zero()),
        // What a store lost is told for an hour.
        SensorImplausible | StoreFailing => Some(TimeDelta::minutes(60)),
        _ => None,
    }
}

#[test]
fn once_the_faults_end_every_alarm_clears() {
    let mut cleared = 0;
    for seed in seeds(40) {
        let night = Night::of(seed, Bent::default());
        let rules = night.rules();
        let mut engine = night.engine();
        let half = night.events.len() / 2;
        for event in &night.events[..half] {
            engine.handle(event.clone());
        }
        let ended = engine.now();
        let waiting: Vec<String> = night.events[..half]
            .iter()
            .filter_map(
                |event| if let What::LetterFailed { letter, .. } = &event.what { Some(letter.clone()) } else { None },
            )
            .collect();
        let mended = waiting.into_iter().map(|letter| What::LetterSent { letter });
        for what in mended.chain([What::BrokerUp, What::StoreRecovered]) {
            engine.handle(Event { at: ended, what });
        }
        let trays: Vec<String> = engine.trays().growing().map(|tray| tray.name.clone()).collect();
        for (number, tray) in (100_000..).zip(trays) {
            let did = traywarden::journal::Did::Harvest { tray, grams: None, grams_per_tray: None, note: None };
            let entry = traywarden::journal::Entry { at: None, by: None, did };
            engine.handle(Event { at: ended, what: What::Journal { number, entry } });
        }
        let mut standing: BTreeMap<AlarmKey, Timestamp> = BTreeMap::new();
        for step in 1..(130 * 2) {
            let at = ended + TimeDelta::seconds(step * 30);
            for index in 0..rules.channels.len() {
                let channel = traywarden::reading::ChannelId(index as u16);
                let wobble = (step % 5) as f64 * 0.1;
                let value = match rules.channel(channel).quantity {
                    Quantity::Temperature => 21.0 + wobble,
                    Quantity::Humidity => 50.0 + wobble,
                    _ => 150.0 + wobble * 10.0,
                };
                let raw = RawReading::new(channel, value, None, false).expect("a plain number");
                engine.handle(Event { at, what: What::Reading(raw) });
            }
            for alarm in engine.snapshot().alarms {
                let active = matches!(alarm.state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
                let Some(memory) = remembers(alarm.key.kind).filter(|_| active) else { continue };
                standing.insert(alarm.key.clone(), at);
                let off = traywarden::engine::alarm::table::row(alarm.key.kind).off_delay;
                let until = ended + off + memory + TimeDelta::minutes(31);
                assert!(at <= until, "{}: {} stands at {at}, faults ended at {ended}", night.label, alarm.key.id());
            }
        }
        cleared += standing.len();
    }
    assert!(cleared > 0 || std::env::var("SEED").is_ok(), "no alarm stood in any night: the law was not tried");
}

#[test]
fn the_random_nights_are_bad_enough_to_try_the_laws() {
    if std::env::var("SEED").is_ok() {
        return;
    }
    let mut kinds = BTreeSet::new();
    let mut occasions = [0; 3];
    for seed in seeds(160) {
        let effects = Night::of(seed, Bent::default()).effects();
        kinds.extend(changes(&effects).filter(|change| raised(change)).map(|change| change.key.kind));
        for (occasion, _) in letters(&effects).flat_map(|letter| letter.alarms()) {
            match occasion {
                Occasion::Raised => occasions[0] += 1,
                Occasion::Reminder(_) => occasions[1] += 1,
                Occasion::Returned => occasions[2] += 1,
                _ => {}
            }
        }
    }
    assert!(kinds.len() >= 10, "only {kinds:?} ever raised");
    assert!(occasions.iter().all(|count| *count > 20), "raised, reminders, returns: {occasions:?}");
}
