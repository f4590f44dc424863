//! A day as the engine lives it: what its digest tells, and what the room shows beside it.

use super::*;
use crate::alarm::AlarmKind;
use crate::alarm::account::Call;
use crate::event::{Event, What};
use crate::order::Engine;
use crate::reading::{ChannelId, Quantity, RawReading, SensorId};
use crate::refusal::Garbled;
use crate::rules::Channel;
use alloc::sync::Arc;

fn minute(minute: i64) -> Timestamp {
    hour(0) + TimeDelta::minutes(minute)
}

/// Two sensors in the rack that stands alone.
fn room() -> Rules {
    let mut rules = rules();
    let rack = rules.place_named("rack");
    for (nth, id) in ["first", "second"].into_iter().enumerate() {
        rules.sensors.push(Sensor {
            id: id.to_owned(),
            place: rack,
            reservoir: None,
            every: TimeDelta::minutes(1),
            silent_after: TimeDelta::minutes(5),
            surface: None,
        });
        for (quantity, calibrated) in [(Quantity::Temperature, (2026, 1, 10)), (Quantity::Humidity, (2025, 11, 1))] {
            let (year, month, day) = calibrated;
            rules.channels.push(Channel {
                sensor: SensorId(nth as u16),
                quantity,
                accuracy: 0.3,
                gain: 1.0,
                offset: 0.0,
                resolution: 0.01,
                ceiling: 100.0,
                calibrated: NaiveDate::from_ymd_opt(year, month, day),
            });
        }
    }
    rules
}

fn take(engine: &mut Engine, at: i64, what: What) {
    engine.handle(Event { at: minute(at), what });
}

fn begun(at: i64) -> Engine {
    let mut engine = Engine::new(Arc::new(room()), minute(at));
    take(&mut engine, at, What::Started);
    take(&mut engine, at, What::BrokerUp);
    engine
}

/// A sensor speaks every minute, of air that moves a little.
fn speaks(engine: &mut Engine, sensor: u16, minutes: core::ops::Range<i64>) {
    for at in minutes {
        for (channel, value) in [(sensor * 2, 21.0), (sensor * 2 + 1, 55.0)] {
            let raw = RawReading::new(ChannelId(channel), value + (at % 7) as f64 / 10.0, None, false).unwrap();
            take(engine, at, What::Reading(raw));
        }
    }
}

#[test]
fn hours_without_a_broker_are_unwatched_while_they_last_and_after() {
    let mut engine = begun(0);
    take(&mut engine, 20, What::BrokerDown);
    take(&mut engine, 50, What::Tick);
    assert_eq!((engine.snapshot().broker_up, engine.digest_facts(false).unwatched_hours), (false, 0.5));
    take(&mut engine, 50, What::BrokerUp);
    take(&mut engine, 60, What::Tick);
    assert_eq!((engine.snapshot().broker_up, engine.digest_facts(false).unwatched_hours), (true, 0.5));
}

#[test]
fn a_sensor_that_was_silent_is_told_and_one_that_spoke_is_not() {
    let mut engine = begun(0);
    for hour in 0..60 {
        if hour < 10 {
            speaks(&mut engine, 0, hour..hour + 1);
        }
        speaks(&mut engine, 1, hour..hour + 1);
    }
    let told = engine.digest_facts(false).sensors;
    assert_eq!(told.iter().map(|day| (day.id.as_str(), day.refused)).collect::<Vec<_>>(), [("first", 0)]);
    assert!((0.5..0.9).contains(&told[0].silent_hours), "{}", told[0].silent_hours);
}

#[test]
fn why_messages_were_refused_is_told_with_the_commonest_first() {
    let mut engine = begun(0);
    for reason in [Garbled::Empty, Garbled::TooLarge, Garbled::NotReadable, Garbled::TooLarge] {
        take(&mut engine, 1, What::Garbled { sensor: Some(SensorId(0)), reason });
    }
    let told = engine.digest_facts(false).sensors;
    let counts: Vec<u32> = told[0].reasons.iter().map(|(_, count)| *count).collect();
    assert_eq!((counts, told[0].refused), (vec![2, 1, 1], 4));
    assert!(told[0].reasons[1].0 < told[0].reasons[2].0, "equal counts stand by their words");
}

#[test]
fn a_reading_refused_now_and_then_is_not_worth_a_line() {
    let day = |believed, refused| SensorDay {
        id: "tank".to_owned(),
        place: "Tank".to_owned(),
        believed,
        refused,
        reasons: Vec::new(),
        silent_hours: 0.0,
        saturated_hours: 0.0,
        uncorrected_hours: 0.0,
    };
    let worth = [(1439, 1), (1426, 14), (1425, 15), (0, 1), (100, 0)]
        .map(|(believed, refused)| is_worth_a_line(&day(believed, refused)));
    assert_eq!(worth, [false, false, true, true, false]);
}

#[test]
fn a_sensor_shows_its_newest_calibration() {
    assert_eq!(begun(0).snapshot().sensors[0].calibrated, NaiveDate::from_ymd_opt(2026, 1, 10));
}

#[test]
fn what_was_raised_is_told_by_age_and_as_over_when_it_is() {
    let mut engine = begun(0);
    speaks(&mut engine, 0, 0..5);
    speaks(&mut engine, 1, 0..5);
    let error = "the disk is full".to_owned();
    take(&mut engine, 30, What::StoreFailed { error, at_stake: Default::default() });
    for at in 40..65 {
        speaks(&mut engine, 0, at..at + 1);
        speaks(&mut engine, 1, at..at + 1);
    }
    let told = engine.digest_facts(false).raised;
    let each: Vec<(AlarmKind, bool)> = told.iter().map(|told| (told.alarms[0].key.kind, told.is_over())).collect();
    assert_eq!(each, [(AlarmKind::SensorSilent, true), (AlarmKind::StoreFailing, false)]);
}

#[test]
fn the_digest_names_what_is_due_until_tomorrow_ends_and_the_room_two_days() {
    let mut engine = begun(0);
    let sown = serde_json::from_str(SOWN.1).unwrap();
    take(&mut engine, 0, What::Journal { number: 1, entry: sown });
    let off = engine.trays().get("K1").unwrap().weight_off_at().unwrap();
    let is_due = |trays: &[TrayDay]| trays[0].due.contains(&(Due::Unweight, off));
    // It was sown shortly before eleven at night, and so it is due then.
    for (before, by_tomorrow) in [(47, false), (23, true)] {
        engine.handle(Event { at: off - TimeDelta::hours(before), what: What::Tick });
        assert_eq!(is_due(&engine.digest_facts(false).trays), by_tomorrow, "{before} hours before");
        assert!(is_due(&engine.snapshot().trays), "{before} hours before");
    }
}

#[test]
fn the_calls_of_a_month_are_told_on_its_first_day_alone() {
    let told = |text: &str| {
        let at: Timestamp = text.parse().unwrap();
        let mut engine = Engine::new(Arc::new(room()), at);
        let called = Call { at: at - TimeDelta::days(3), subject: "rack".to_owned(), answered_at: None, grade: None };
        engine.remember_call(AlarmKind::AirTooWarm, called);
        engine.digest_facts(false).month_of_calls.len()
    };
    assert_eq!((told("2026-04-01T12:00:00Z"), told("2026-04-02T12:00:00Z")), (1, 0));
}

#[test]
fn a_cut_told_in_the_very_instant_of_a_digest_is_left_to_the_next() {
    let mut engine = begun(0);
    for (number, entry) in (1..).zip([SOWN.1, r#"{"did":"harvest","tray":"K1","grams":1200}"#]) {
        take(&mut engine, 10, What::Journal { number, entry: serde_json::from_str(entry).unwrap() });
    }
    let cuts = |engine: &Engine| engine.digest_facts(false).cuts.len();
    assert_eq!(cuts(&engine), 0);
    take(&mut engine, 11, What::Tick);
    assert_eq!(cuts(&engine), 1);
}
