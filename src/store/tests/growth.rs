//! Minute means, and what leaves the store.

use super::*;
use crate::engine::event::{Command, LetterKind};
use crate::journal::{Did, Entry, Target};
use crate::notify::letter::{CarrierName, Letter, Parcel, ParcelKey};
use crate::store::StoredOutcome;

const DAY_MS: i64 = 86_400_000;

fn minutes(store: &Store) -> Vec<(i64, i64, i64, i64, i64, i64)> {
    let mut statement = store
        .connection
        .prepare("SELECT series, minute, n, low, sum, high FROM every_minute ORDER BY series, minute")
        .unwrap();
    statement
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap()
}

const FIRST_MINUTE: i64 = EVENING / 60_000;

#[test]
fn minutes_hold_count_low_sum_and_high_of_believed_readings() {
    let room = TestStore::new();
    let mut store = room.store();
    store
        .commit(&[
            reading(&room.rules, at(0), 0, heard(0, 20.0)),
            reading(&room.rules, at(59_999), 0, heard(0, 22.5)),
            reading(&room.rules, at(59_999), 1, heard(0, 85.0)),
            reading(&room.rules, at(60_000), 0, heard(0, -3.25)),
            reading(&room.rules, at(60_000), 1, heard(1, 50.0)),
            reading(&room.rules, at(120_000), 0, heard(0, 21.0)),
        ])
        .unwrap();
    assert_eq!(store.roll_up_minutes(at(150_000)).unwrap(), 4);
    assert_eq!(
        minutes(&store),
        [
            (1, FIRST_MINUTE, 2, 20_000, 42_500, 22_500),
            (1, FIRST_MINUTE + 1, 1, -3_250, -3_250, -3_250),
            (2, FIRST_MINUTE + 1, 1, 50_000, 50_000, 50_000),
        ],
        "the power-on value is not believed, and the third minute is not over"
    );
}

#[test]
fn rolling_up_twice_or_in_pieces_counts_each_reading_once() {
    let room = TestStore::new();
    let mut store = room.store();
    let mut pieces = Vec::new();
    for nth in 0..400 {
        store.commit(&[reading(&room.rules, at(nth * 17_000), 0, heard(0, 20.0 + nth as f64 / 1000.0))]).unwrap();
        if nth % 7 == 0 {
            store.roll_up_minutes(at(nth * 17_000)).unwrap();
        }
    }
    store.roll_up_minutes(at(DAY_MS)).unwrap();
    store.roll_up_minutes(at(DAY_MS)).unwrap();
    pieces.extend(minutes(&store));
    store.connection.execute_batch("DELETE FROM minute; DELETE FROM meta WHERE key = 'rolled_up_to'").unwrap();
    store.roll_up_minutes(at(DAY_MS)).unwrap();
    assert_eq!(minutes(&store), pieces);
    assert_eq!(pieces.iter().map(|minute| minute.2).sum::<i64>(), 400);
}

#[test]
fn a_late_reading_goes_into_the_minute_it_was_measured_in() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&[reading(&room.rules, at(0), 0, heard(0, 20.0))]).unwrap();
    store.roll_up_minutes(at(60_000)).unwrap();
    let late = RawReading::new(ChannelId(0), 24.0, Some(at(30_000)), false).unwrap();
    store.commit(&[reading(&room.rules, at(7_200_000), 0, late)]).unwrap();
    store.roll_up_minutes(at(7_260_000)).unwrap();
    assert_eq!(minutes(&store), [(1, FIRST_MINUTE, 2, 20_000, 44_000, 24_000)]);
}

#[test]
fn a_gap_of_months_loses_and_doubles_nothing() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&[reading(&room.rules, at(0), 0, heard(0, 20.0))]).unwrap();
    store.roll_up_minutes(at(60_000)).unwrap();
    store.commit(&[reading(&room.rules, at(200 * DAY_MS), 0, heard(0, 21.0))]).unwrap();
    assert_eq!(store.roll_up_minutes(at(200 * DAY_MS + 60_000)).unwrap(), 1);
    assert_eq!(minutes(&store).len(), 2);
}

fn mail(letter: &str) -> ParcelKey {
    ParcelKey { letter: letter.into(), carrier: CarrierName::Mail, recipient: String::new() }
}

fn letter(id: &str, at: Timestamp) -> (Letter, Vec<Parcel>) {
    let text = String::new();
    let letter = Letter {
        id: id.into(),
        kind: LetterKind::Digest,
        at,
        answers: None,
        subject: text.clone(),
        text: text.clone(),
        html: text.clone(),
        pictures: Vec::new(),
    };
    (letter, vec![Parcel { key: mail(id), message_id: None, bytes: vec![0] }])
}

#[test]
fn retention_takes_old_readings_and_small_events_and_nothing_else() {
    let room = TestStore::new();
    let mut store = room.store();
    let entry = Entry { at: None, by: None, did: Did::Mist(Target::default()) };
    let alarm = AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".into() };
    let mut reported = happening(at(3), 0, What::Tick);
    reported.effects = vec![Effect::Alarm(too_warm(at(3), AlarmState::Unacknowledged))];
    reported.letters = vec![letter("sent", at(3)), letter("waiting", at(3))];
    let kept_entry = What::Journal { number: 1, entry };
    let kept_answer = What::Command(Command::Acknowledge { alarm, by: "Ada".into(), grade: None });
    store
        .commit(&[
            happening(at(0), 0, What::Started),
            happening(at(1), 0, kept_entry.clone()),
            happening(at(2), 0, kept_answer.clone()),
            reported,
            reading(&room.rules, at(4), 0, heard(0, 20.0)),
            reading(&room.rules, at(100 * DAY_MS - 1), 0, heard(0, 21.0)),
            reading(&room.rules, at(100 * DAY_MS), 0, heard(0, 22.0)),
            happening(at(100 * DAY_MS), 1, What::BrokerUp),
        ])
        .unwrap();
    note(&store, &StoredOutcome::Sent(mail("sent")), at(5));
    let now = at(200 * DAY_MS);
    let keep = TimeDelta::days(100);
    while store.forget(now, keep).unwrap() > 0 {}
    let count = |store: &Store, table: &str| -> i64 {
        store.connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
    };
    assert_eq!(count(&store, "reading"), 3, "nothing leaves before it is in the minute means");
    store.roll_up_minutes(now).unwrap();
    while store.forget(now, keep).unwrap() > 0 {}
    let whats: Vec<What> = room.events().into_iter().map(|event| event.what).collect();
    assert_eq!(whats, [kept_entry, kept_answer, What::Reading(heard(0, 22.0)), What::BrokerUp]);
    assert_eq!(
        ["minute", "journal", "alarm", "letter", "outbox"].map(|table| count(&store, table)),
        [3, 1, 1, 2, 1],
        "of two mails only the one that was sent long ago has left"
    );
    assert_eq!(store.waiting_parcels().unwrap()[0].parcel.key, mail("waiting"));
}

#[test]
fn retention_goes_in_chunks_until_nothing_is_left_and_gives_the_space_back() {
    let room = TestStore::new();
    let mut store = room.store();
    let records: Vec<Record> = (0..45_000).map(|nth| reading(&room.rules, at(nth), 0, heard(0, 20.0))).collect();
    store.commit(&records).unwrap();
    store.roll_up_minutes(at(DAY_MS)).unwrap();
    let mut chunks = Vec::new();
    loop {
        match store.forget(at(DAY_MS * 2), TimeDelta::days(1)).unwrap() {
            0 => break,
            chunk => chunks.push(chunk),
        }
    }
    assert_eq!(chunks, [20_000, 20_000, 5_000]);
    let pages =
        |store: &Store| -> i64 { store.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap() };
    let before = pages(&store);
    assert!(store.shrink().unwrap());
    assert_eq!(before - pages(&store), 200, "a pragma that is not stepped to its end gives back one page");
    while store.shrink().unwrap() {}
    assert!(pages(&store) * 2 < before, "{} of {before} pages are left", pages(&store));
}

#[test]
fn a_span_longer_than_the_calendar_forgets_nothing() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&[happening(at(0), 0, What::Started)]).unwrap();
    assert_eq!(store.forget(at(0), TimeDelta::MAX).unwrap(), 0);
}
