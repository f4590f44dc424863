//! The store against real files: what is committed comes back, whatever happens
//! to the process, the disk or the file. This file has the room and the hands
//! that the tests beneath share.

mod commit;
mod damage;
mod durability;
mod growth;
mod looking;
mod packing;
mod redate;
mod replay;
mod replies;

use super::{Opening, Reader, Record, Store, StoredOutcome};
use crate::engine::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Evidence, Harm, Priority};
use crate::engine::event::{Effect, Event, Grade, What};
use crate::engine::quality::judge::Judge;
use crate::engine::rules::{BandOverride, Channel, Place, PlaceId, Rules, Sensor, Site};
use crate::reading::{ChannelId, Quantity, RawReading, SensorId};
use crate::units::{Timestamp, UnitSystem};
use chrono::{NaiveTime, TimeDelta};
use std::path::{Path, PathBuf};

/// 2026-03-03T18:00:00Z, a whole hour.
const EVENING: i64 = 1_772_560_800_000;

fn at(after_evening_ms: i64) -> Timestamp {
    Timestamp::from_timestamp_millis(EVENING + after_evening_ms).unwrap()
}

/// Sensors by id, each with temperature and humidity, in this order.
fn rules_with(sensors: &[&str]) -> Rules {
    let sensor = |id: &&str| Sensor {
        id: (*id).into(),
        place: Some(PlaceId(0)),
        reservoir: None,
        every: TimeDelta::seconds(30),
        silent_after: TimeDelta::minutes(5),
        surface: None,
    };
    let channel = |sensor, quantity| Channel {
        sensor,
        quantity,
        accuracy: 0.3,
        gain: 1.0,
        offset: 0.0,
        resolution: 0.0,
        ceiling: 100.0,
        calibrated: None,
    };
    Rules {
        site: Site {
            name: "Saltmarsh Lane".into(),
            time_zone: chrono_tz::America::Chicago,
            units: UnitSystem::Metric,
            rounds: vec![NaiveTime::from_hms_opt(7, 0, 0).unwrap()],
            round_letter_before: TimeDelta::minutes(30),
            look_within: TimeDelta::hours(36),
            digest_at: NaiveTime::from_hms_opt(6, 30, 0).unwrap(),
            asleep: None,
            evening_letter_before: TimeDelta::hours(1),
            wake_if: 0.2,
            come_within: TimeDelta::minutes(45),
        },
        places: vec![Place { id: "rack-a".into(), name: "Rack A".into(), inside: None, band: BandOverride::default() }],
        sensors: sensors.iter().map(sensor).collect(),
        channels: (0..sensors.len() as u16)
            .flat_map(|index| {
                [channel(SensorId(index), Quantity::Temperature), channel(SensorId(index), Quantity::Humidity)]
            })
            .collect(),
        reservoirs: Vec::new(),
        crops: Default::default(),
        alarms: Default::default(),
    }
}

fn rules() -> Rules {
    rules_with(&["rack-a-air", "rack-b-air"])
}

struct TestStore {
    folder: tempfile::TempDir,
    rules: Rules,
}

impl TestStore {
    fn new() -> TestStore {
        TestStore { folder: tempfile::tempdir().unwrap(), rules: rules() }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("traywarden.db")
    }

    fn open(&self) -> (Store, Opening) {
        Store::open(&self.path(), &self.rules, at(0)).unwrap()
    }

    fn store(&self) -> Store {
        self.open().0
    }

    fn reader(&self) -> Reader {
        Reader::open(&self.path(), &self.rules).unwrap()
    }

    fn events(&self) -> Vec<Event> {
        all_events(&self.path(), &self.rules)
    }
}

fn all_events(path: &Path, rules: &Rules) -> Vec<Event> {
    let mut events = Vec::new();
    let reader = Reader::open(path, rules).unwrap();
    reader.events(Timestamp::UNIX_EPOCH, at(365 * 86_400_000), |event| events.push(event)).unwrap();
    events
}

fn heard(channel: u16, value: f64) -> RawReading {
    RawReading::new(ChannelId(channel), value, None, false).unwrap()
}

/// A reading with the judgement a fresh judge gives it.
fn reading(rules: &Rules, at: Timestamp, seq: u32, raw: RawReading) -> Record {
    let judgement = Judge::new(rules, raw.channel).judge(at, raw);
    Record::of(Event { at, what: What::Reading(raw) }, seq, vec![Effect::Judged(judgement)])
}

/// What became of a parcel, written down by itself.
fn note(store: &Store, outcome: &StoredOutcome, at: Timestamp) {
    super::outbox::note(&store.connection, outcome, at).unwrap();
}

fn happening(at: Timestamp, seq: u32, what: What) -> Record {
    Record::of(Event { at, what }, seq, Vec::new())
}

fn too_warm(at: Timestamp, state: AlarmState) -> AlarmChange {
    AlarmChange {
        at,
        key: AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".into() },
        since: at - TimeDelta::minutes(20),
        state,
        before: AlarmState::Normal,
        priority: Priority::Now,
        harm: Some(Harm::after(at, 2.0, 3.0, 5.0)),
        chance: 1.0,
        times: 2,
        next_round: at + TimeDelta::hours(9),
        evidence: Evidence::Broker,
        numbers_are_past: false,
        easing: false,
        by: Some("Ada".into()),
        answered_at: Some(at),
        returned_at: None,
        grade: Some(Grade::Right),
    }
}
