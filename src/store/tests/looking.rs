//! History by step and the last of each series, from single readings and minute means.

use super::*;
use crate::store::HistoryPoint;

fn point(from_ms: i64, low: f64, mean: f64, high: f64, n: u64) -> HistoryPoint {
    HistoryPoint { from: at(from_ms), low, mean, high, n }
}

fn warming(room: &TestStore, store: &mut Store) {
    // One reading each half minute for three minutes: 20, 21, .. 25.
    let records: Vec<Record> =
        (0..6).map(|nth| reading(&room.rules, at(nth * 30_000), 0, heard(0, 20.0 + nth as f64))).collect();
    store.commit(&records).unwrap();
}

fn history(room: &TestStore, until_ms: i64, step: TimeDelta) -> Vec<HistoryPoint> {
    room.reader().history("rack-a-air", Quantity::Temperature, at(0), at(until_ms), step).unwrap()
}

#[test]
fn history_is_the_same_before_and_after_minutes_are_rolled_up() {
    let room = TestStore::new();
    let mut store = room.store();
    warming(&room, &mut store);
    let expected = [point(0, 20.0, 21.5, 23.0, 4), point(120_000, 24.0, 24.5, 25.0, 2)];
    let two = TimeDelta::minutes(2);
    assert_eq!(history(&room, 600_000, two), expected);
    store.roll_up_minutes(at(60_000)).unwrap();
    assert_eq!(history(&room, 600_000, two), expected, "half from means, half from readings");
    store.roll_up_minutes(at(600_000)).unwrap();
    assert_eq!(history(&room, 600_000, two), expected);
    // The readings have left, their means have not.
    store.forget(at(86_400_000), TimeDelta::minutes(1)).unwrap();
    assert_eq!(room.reader().counts().unwrap().readings, 0);
    assert_eq!(history(&room, 600_000, two), expected);
}

#[test]
fn steps_below_a_minute_come_from_single_readings() {
    let room = TestStore::new();
    let mut store = room.store();
    warming(&room, &mut store);
    store.roll_up_minutes(at(600_000)).unwrap();
    let expected = [point(0, 20.0, 20.0, 20.0, 1), point(30_000, 21.0, 21.0, 21.0, 1)];
    assert_eq!(history(&room, 60_000, TimeDelta::seconds(30)), expected);
}

#[test]
fn a_late_reading_stands_in_history_where_it_was_measured() {
    let room = TestStore::new();
    let mut store = room.store();
    let late = RawReading::new(ChannelId(0), 24.0, Some(at(30_000)), false).unwrap();
    store.commit(&[reading(&room.rules, at(7_200_000), 0, late)]).unwrap();
    let expected = [point(0, 24.0, 24.0, 24.0, 1)];
    assert_eq!(history(&room, 60_000, TimeDelta::minutes(1)), expected);
    store.roll_up_minutes(at(7_260_000)).unwrap();
    assert_eq!(history(&room, 60_000, TimeDelta::minutes(1)), expected);
}

#[test]
fn history_of_nothing_is_empty() {
    let room = TestStore::new();
    let mut store = room.store();
    warming(&room, &mut store);
    let reader = room.reader();
    let minute = TimeDelta::minutes(1);
    let look = |sensor, since, until, step| reader.history(sensor, Quantity::Temperature, at(since), at(until), step);
    assert_eq!(look("nobody", 0, 600_000, minute).unwrap(), []);
    assert_eq!(look("rack-a-air", 600_000, 0, minute).unwrap(), []);
    assert_eq!(look("rack-a-air", 0, 600_000, TimeDelta::zero()).unwrap(), []);
    assert_eq!(look("rack-a-air", 600_000, 900_000, minute).unwrap(), []);
}

#[test]
fn counts_are_what_is_there() {
    let room = TestStore::new();
    let mut store = room.store();
    assert_eq!(room.reader().counts().unwrap(), Default::default());
    warming(&room, &mut store);
    store.roll_up_minutes(at(600_000)).unwrap();
    let counts = room.reader().counts().unwrap();
    assert_eq!((counts.readings, counts.minutes), (6, 3));
    assert_eq!((counts.first_reading, counts.last_reading), (Some(at(0)), Some(at(150_000))));
}
