//! Readings of hours that are over, packed: the same readings for everybody who asks.

mod damaged;
mod form;
mod hours;

use super::*;
use crate::engine::event::Judgement;
use crate::reading::Flag;
use crate::store::packed::{Pack, READING_COLUMNS, StoredReading};
use crate::store::{PutRight, ReadingRow, packing, stretches};
use proptest::prelude::*;
use rusqlite::{Connection, params};

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

fn every_reading(connection: &Connection) -> Vec<StoredReading> {
    let mut all = Vec::new();
    let lost = stretches::every_reading(connection, (i64::MIN, i64::MAX), |reading| {
        all.push(reading);
        Ok(true)
    });
    assert_eq!(lost.unwrap(), 0);
    all
}

/// As any SQLite tool sees them.
fn by_the_view(connection: &Connection, which: &str) -> Vec<StoredReading> {
    let sql = format!("SELECT {READING_COLUMNS} FROM every_reading WHERE {which} ORDER BY at, seq");
    let mut all = connection.prepare(&sql).unwrap();
    all.query_map([], StoredReading::of).unwrap().collect::<Result<_, _>>().unwrap()
}

fn put(connection: &Connection, it: &StoredReading) {
    let sql = format!("INSERT INTO reading ({READING_COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)");
    let row = params![it.at, it.seq, it.series, it.raw, it.believed, it.judged, it.claimed_lag, it.believed_lag];
    connection.prepare_cached(&sql).unwrap().execute(row).unwrap();
}

fn count(connection: &Connection, sql: &str) -> i64 {
    connection.query_row(sql, [], |row| row.get(0)).unwrap()
}

/// Readings and minute means; gives the readings of each step.
fn pack_all(store: &mut Store, until: Timestamp) -> Vec<u64> {
    while store.pack_minutes(until, TimeDelta::zero()).unwrap() > 0 {}
    let mut packed = Vec::new();
    loop {
        match store.pack_readings(until).unwrap() {
            0 => return packed,
            readings => packed.push(readings),
        }
    }
}

/// Hours of a room as it is: jitter, two values to a message, some doubted, some with a time
/// of their own, some handed out late, a gap, and other events among them.
fn life(rules: &Rules, from: i64, hours: i64) -> Vec<Record> {
    let mut records = vec![happening(at(from), 0, What::Started)];
    for minute in 0..hours * 60 {
        let heard_at = from + minute * MINUTE + 1_000 + minute * 7_919 % 613;
        let swing = (minute % 97) as f64 / 100.0;
        let value = if minute % 211 == 3 { 85.0 } else { 20.0 + swing };
        let claimed = (minute % 5 == 2).then(|| at(heard_at - 250 - minute % 17));
        let raw = RawReading::new(ChannelId(0), value, claimed, minute % 301 == 9).unwrap();
        if minute % 300 > 6 {
            records.push(reading(rules, at(heard_at), 0, raw));
            records.push(reading(rules, at(heard_at), 1, heard(1, 55.0 - swing)));
        }
        if minute % 130 == 60 {
            records.push(happening(at(heard_at), 2, What::BrokerDown));
            records.push(happening(at(heard_at + 3), 0, What::BrokerUp));
        }
        records.push(reading(rules, at(heard_at + 20_000), 0, heard(2, 18.0 + swing / 3.0)));
    }
    records
}

/// A store and its twin, in which all but the last hours is packed.
fn twins(hours: i64) -> (TestStore, TestStore) {
    let (plain, packed) = (TestStore::new(), TestStore::new());
    let mut store = plain.store();
    store.commit(&life(&plain.rules, 0, hours)).unwrap();
    // By another hand; it cannot be packed and stays a row among packed ones.
    put(
        &store.connection,
        &StoredReading {
            at: EVENING + 2 * HOUR + 30 * MINUTE + 5,
            seq: 4,
            series: 3,
            raw: 18_100,
            believed: Some(18_100),
            judged: 1,
            claimed_lag: Some(i64::MIN),
            believed_lag: 0,
        },
    );
    store.roll_up_minutes(at(hours * HOUR)).unwrap();
    store.close().unwrap();
    std::fs::copy(plain.path(), packed.path()).unwrap();
    let mut store = packed.store();
    let readings: u64 = pack_all(&mut store, at((hours - 24) * HOUR)).iter().sum();
    assert!(readings > 0);
    assert!(count(&store.connection, "SELECT count(*) FROM reading") > 0, "the last day stays as it is");
    assert!(count(&store.connection, "SELECT count(*) FROM minute_packed") > 0);
    assert!(count(&store.connection, "SELECT count(*) FROM minute") > 0, "and so do its means");
    store.close().unwrap();
    (plain, packed)
}

fn events_after(room: &TestStore, position: (Timestamp, u32), until: i64) -> Vec<Event> {
    let mut events = Vec::new();
    room.reader().events_after(position, at(until), |event| events.push(event)).unwrap();
    events
}

fn copied(room: &TestStore, since: i64, until: i64) -> Vec<ReadingRow> {
    let reader = room.reader();
    let mut rows = Vec::new();
    reader
        .moment()
        .unwrap()
        .readings(at(since), at(until), |row| {
            rows.push(row);
            true
        })
        .unwrap();
    rows
}

fn minutes(store: &Store) -> Vec<[i64; 6]> {
    let sql = "SELECT series, minute, n, low, sum, high FROM every_minute ORDER BY series, minute";
    let mut all = store.connection.prepare(sql).unwrap();
    let row =
        |row: &rusqlite::Row<'_>| Ok([row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?]);
    all.query_map([], row).unwrap().collect::<Result<_, _>>().unwrap()
}

fn minute_rows(room: &TestStore, since: i64, until: i64) -> Vec<crate::store::MinuteRow> {
    let (reader, mut rows) = (room.reader(), Vec::new());
    let keep = |row| {
        rows.push(row);
        true
    };
    reader.moment().unwrap().minutes("rack-a-air", at(since), at(until), keep).unwrap();
    rows
}

fn means(room: &TestStore, since: i64, until: i64) -> Vec<Event> {
    let mut events = Vec::new();
    room.reader().minutes(at(since), at(until), |event| events.push(event)).unwrap();
    events
}

/// Everything that can be asked of a store gets the same answer.
fn are_alike(plain: &TestStore, packed: &TestStore) {
    let events = plain.events();
    assert!(packed.events() == events, "the same past is lived through");
    // From within packed hours, at their seams, and over the last of them.
    for nth in [7, 1_000, 2_345, events.len() / 2, events.len() - 9] {
        for seq in [0, 1, 9] {
            let position = (events[nth].at, seq);
            assert!(events_after(packed, position, DAY * 9) == events_after(plain, position, DAY * 9), "{nth} {seq}");
        }
    }
    for (since, until) in [(0, DAY * 9), (90 * MINUTE + 17, 20 * HOUR + 1), (5 * HOUR, 5 * HOUR + 1), (-DAY, HOUR)] {
        assert!(copied(packed, since, until) == copied(plain, since, until), "{since} to {until}");
        assert_eq!(events_after(packed, (at(since), 0), until), events_after(plain, (at(since), 0), until));
        assert_eq!(minute_rows(packed, since, until), minute_rows(plain, since, until));
        assert_eq!(means(packed, since, until), means(plain, since, until));
        for (step, quantity) in [(7_000, Quantity::Temperature), (HOUR, Quantity::Humidity)] {
            let history = |room: &TestStore| {
                let step = TimeDelta::milliseconds(step);
                room.reader().history("rack-a-air", quantity, at(since), at(until), step).unwrap()
            };
            assert_eq!(history(packed), history(plain), "{since} to {until} by {step}");
        }
    }
    assert_eq!(packed.reader().counts().unwrap(), plain.reader().counts().unwrap());
    assert_eq!(packed.reader().readings_span().unwrap(), plain.reader().readings_span().unwrap());
    let (plain, packed) = (plain.store(), packed.store());
    assert_eq!(packed.last_position().unwrap(), plain.last_position().unwrap());
    assert_eq!(minutes(&packed), minutes(&plain));
    assert_eq!(packed.heard_until(at(90 * DAY)).unwrap(), plain.heard_until(at(90 * DAY)).unwrap());
    for before in [0, 1, 90 * MINUTE + 17, 5 * HOUR, 5 * HOUR + 1, 11 * HOUR + 30 * MINUTE, 39 * HOUR + 1] {
        let last = |store: &Store| stretches::last_heard_before(&store.connection, EVENING + before).unwrap();
        assert_eq!(last(&packed), last(&plain), "the last before {before}");
    }
    for hours in [1, 8, 23, 30, 400] {
        let lived = |store: &Store| store.lived_now(at(90 * DAY), TimeDelta::hours(hours)).unwrap();
        assert_eq!(lived(&packed), lived(&plain), "of {hours} hours that were lived through");
    }
    assert_eq!(every_reading(&packed.connection), every_reading(&plain.connection));
}

#[test]
fn a_packed_store_answers_everything_as_its_unpacked_twin() {
    let (plain, packed) = twins(40);
    are_alike(&plain, &packed);
}

#[test]
fn any_tool_sees_packed_readings_in_the_documented_views() {
    let (plain, packed) = twins(40);
    let (plain, packed) = (plain.store(), packed.store());
    let rows = every_reading(&plain.connection);
    assert_eq!(by_the_view(&packed.connection, "true"), rows);
    // As the schema tells how to ask for a span.
    let (from, until) = (EVENING + 3 * HOUR + 5 * MINUTE, EVENING + 4 * HOUR + 7 * MINUTE);
    let span = format!("stretch > {from} - 3600000 AND stretch < {until} AND at >= {from} AND at < {until}");
    let expected: Vec<_> = rows.into_iter().filter(|row| (from..until).contains(&row.at)).collect();
    assert_eq!(by_the_view(&packed.connection, &span), expected);
    let in_words = |store: &Store| -> Vec<(String, String, f64, Option<f64>, String)> {
        let sql = "SELECT heard_at, measured_at, raw, believed, flag FROM reading_plain ORDER BY 1, 3";
        let mut all = store.connection.prepare(sql).unwrap();
        all.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap()
    };
    assert_eq!(in_words(&packed), in_words(&plain));
}

#[test]
fn retention_takes_packed_readings_with_their_hour_and_no_other() {
    let (plain, packed) = twins(40);
    for room in [&plain, &packed] {
        let mut store = room.store();
        let keep = TimeDelta::hours(31);
        let lived = store.lived_now(at(90 * DAY), keep).unwrap();
        while store.forget(lived, keep).unwrap() > 0 {}
    }
    assert_eq!(packed.reader().readings_span().unwrap().unwrap().0, at(8 * HOUR + 1_000 + 8 * 60 * 7_919 % 613));
    are_alike(&plain, &packed);
}

#[test]
fn a_kill_between_or_within_steps_of_packing_loses_and_doubles_nothing() {
    let (plain, packed) = twins(30);
    let expected = plain.events();
    let room = TestStore::new();
    std::fs::copy(plain.path(), room.path()).unwrap();
    let mut store = room.store();
    drop(packed);
    let killed = |room: &TestStore| {
        // As a killed daemon leaves it: the log has not been moved into the file.
        let left = TestStore::new();
        for part in ["", "-wal"] {
            let of = |room: &TestStore| room.folder.path().join(format!("traywarden.db{part}"));
            std::fs::copy(of(room), of(&left)).unwrap();
        }
        left
    };
    let mut steps = 0;
    loop {
        let left = killed(&room);
        assert!(left.events() == expected, "after {steps} steps");
        // The next start takes it up where it was.
        let mut next = left.store();
        pack_all(&mut next, at(6 * HOUR));
        assert!(left.events() == expected, "after {steps} steps and the rest of them");
        if store.pack_readings(at(6 * HOUR)).unwrap() == 0 {
            break;
        }
        steps += 1;
    }
    assert_eq!(steps, 6, "an hour a step");
    // Cut off in the middle of a transaction, nothing of it counts.
    let cut = plain.store();
    let transaction = cut.connection.unchecked_transaction().unwrap();
    cut.connection.execute_batch("DELETE FROM reading").unwrap();
    drop(transaction);
    assert!(plain.events() == expected);
}

#[test]
fn what_comes_so_late_that_its_hour_is_packed_meets_it_as_rows() {
    let (plain, packed) = twins(30);
    // By a clock that stood there again: a reading that is there already, a new one, and a
    // second thought about one that was doubted.
    let written = 5 * HOUR + 10 * MINUTE;
    let doubted = every_reading(&plain.store().connection)
        .into_iter()
        .find(|it| it.believed.is_none() && it.claimed_lag.is_none() && it.at > EVENING + HOUR)
        .unwrap();
    let thought = Timestamp::from_timestamp_millis(doubted.at + 10 * MINUTE + 1).unwrap();
    for room in [&plain, &packed] {
        let mut store = room.store();
        store.commit(&life(&room.rules, 5 * HOUR, 1)[..30]).unwrap();
        store.commit(&[reading(&room.rules, at(written), 7, heard(3, 44.0))]).unwrap();
        let raw = heard(0, doubted.raw as f64 / 1000.0);
        let judgement =
            Judgement { flag: Flag::Suspect, ..Judge::new(&room.rules, raw.channel).judge(thought, heard(0, 21.0)) };
        let mut next = reading(&room.rules, thought, 3, heard(0, 21.5));
        next.effects.insert(0, Effect::Judged(Judgement { raw, ..judgement }));
        store.commit(&[next]).unwrap();
        store.close().unwrap();
    }
    let now = every_reading(&plain.store().connection);
    assert!(now.iter().any(|it| it.at == doubted.at && it.seq == doubted.seq && it.believed.is_some()));
    are_alike(&plain, &packed);
    // And is packed again.
    let mut store = packed.store();
    assert!(!pack_all(&mut store, at(6 * HOUR)).is_empty());
    store.close().unwrap();
    are_alike(&plain, &packed);
}

#[test]
fn packed_hours_move_with_the_clock_that_was_wrong() {
    // A year ahead since the hole: as a whole, forward too; without a hole two days drawn together.
    for case in 0..3 {
        let (plain, packed) = (TestStore::new(), TestStore::new());
        for room in [&plain, &packed] {
            let mut store = room.store();
            store.commit(&life(&room.rules, 0, 30)).unwrap();
            if case < 2 {
                store.commit(&life(&room.rules, 365 * DAY + 7 * MINUTE, 40)).unwrap();
            } else {
                store.commit(&life(&room.rules, 30 * HOUR, 30)).unwrap();
            }
            store.roll_up_minutes(at(400 * DAY)).unwrap();
            if room.path() == packed.path() {
                let packed_until = if case < 2 { 365 * DAY + 20 * HOUR } else { 50 * HOUR };
                assert!(!pack_all(&mut store, at(packed_until)).is_empty());
            }
            match case {
                0 => {
                    let done = store.put_right(at(3 * DAY)).unwrap();
                    assert_eq!(done, PutRight::Moved { since: at(365 * DAY + 7 * MINUTE) });
                }
                1 => store.move_forward(at(2 * HOUR + 3 * MINUTE), TimeDelta::hours(1)).unwrap(),
                _ => {
                    let done = store.put_right(at(50 * HOUR)).unwrap();
                    assert!(matches!(done, PutRight::DrawnTogether { .. }), "{done:?}");
                }
            }
            store.roll_up_minutes(at(400 * DAY)).unwrap();
        }
        let (plain, packed) = (plain.store(), packed.store());
        assert_eq!(every_reading(&packed.connection), every_reading(&plain.connection), "case {case}");
        assert_eq!(by_the_view(&packed.connection, "true"), every_reading(&plain.connection), "case {case}");
        assert_eq!(minutes(&packed), minutes(&plain), "case {case}");
    }
}

#[test]
fn minute_means_that_were_lost_are_made_again_from_packed_readings() {
    let (plain, packed) = twins(40);
    let mut store = packed.store();
    store
        .connection
        .execute_batch("DELETE FROM minute; DELETE FROM minute_packed; DELETE FROM meta WHERE key = 'rolled_up_to'")
        .unwrap();
    assert_eq!(minute_rows(&packed, 0, DAY), minute_rows(&plain, 0, DAY), "also before they are");
    assert_eq!(means(&packed, 0, DAY), means(&plain, 0, DAY));
    store.roll_up_minutes(at(40 * HOUR)).unwrap();
    drop(store);
    are_alike(&plain, &packed);
}

#[test]
fn a_flood_is_packed_in_pieces_that_fit_into_memory() {
    let room = TestStore::new();
    let mut store = room.store();
    let mut rows = Vec::new();
    for nth in 0..40_000_i64 {
        // Three in a millisecond, so that no piece ends with a whole one by chance.
        let (at, seq) = (EVENING + nth / 3, nth % 3);
        let row = StoredReading {
            at,
            seq,
            series: 1,
            raw: nth % 77,
            believed: Some(nth % 77),
            judged: 1,
            claimed_lag: None,
            believed_lag: 0,
        };
        rows.push(row);
    }
    store.connection.execute_batch("BEGIN").unwrap();
    rows.iter().for_each(|row| put(&store.connection, row));
    store.connection.execute_batch("INSERT INTO meta VALUES ('rolled_up_to', '9000000000000'); COMMIT").unwrap();
    assert_eq!(pack_all(&mut store, at(DAY)), [16_383, 16_383, 7_234]);
    assert_eq!(every_reading(&store.connection), rows);
    assert_eq!(room.events().len(), rows.len());
}

#[test]
fn a_reading_costs_twelve_bytes_at_most_once_it_is_packed() {
    let room = TestStore::new();
    let mut store = room.store();
    store.connection.execute_batch("BEGIN").unwrap();
    // Knuth's constants (MMIX); any scatter does.
    let mut state = 7_u64;
    let mut below = |most: i64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as i64 % most
    };
    let mut all = 0;
    // 50 series, a value a minute each with jitter, hundredths of a degree and whole thousandths.
    for minute in 0..2 * 24 * 60_i64 {
        for series in 0..50_i64 {
            let at = EVENING + minute * 60_037 + series * 1_100 + below(120);
            let swing = (minute as f64 / 1440.0 * std::f64::consts::TAU).sin();
            let raw = 21_000.0 + 1_500.0 * swing + below(200) as f64;
            let raw = if series % 2 == 0 { raw as i64 / 10 * 10 } else { raw as i64 };
            // One in five names a time of its own.
            let lag = (series % 5 == 4).then(|| 250 + below(400));
            let row = StoredReading {
                at,
                seq: 0,
                series: series + 1,
                raw,
                believed: Some(raw - 120),
                judged: 1,
                claimed_lag: lag,
                believed_lag: lag.unwrap_or(0),
            };
            let sql =
                format!("INSERT OR IGNORE INTO reading ({READING_COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)");
            all += store
                .connection
                .prepare_cached(&sql)
                .unwrap()
                .execute(params![
                    row.at,
                    row.seq,
                    row.series,
                    row.raw,
                    row.believed,
                    row.judged,
                    row.claimed_lag,
                    row.believed_lag
                ])
                .unwrap();
        }
    }
    store.connection.execute_batch("INSERT INTO meta VALUES ('rolled_up_to', '9000000000000'); COMMIT").unwrap();
    let used = |store: &Store| {
        4096 * (count(&store.connection, "SELECT page_count FROM pragma_page_count")
            - count(&store.connection, "SELECT freelist_count FROM pragma_freelist_count"))
    };
    let before = used(&store) as f64 / all as f64;
    pack_all(&mut store, at(9 * DAY));
    let after = used(&store) as f64 / all as f64;
    assert!(after <= 12.0, "{after:.1} bytes a reading, {before:.1} before");
    // What it does not need any more goes back to the disk.
    while store.shrink().unwrap() {}
    assert!(count(&store.connection, "SELECT page_count FROM pragma_page_count") * 4096 < (16.0 * all as f64) as i64);
}

#[test]
fn a_store_of_the_version_before_is_read_without_being_brought_up_to_date() {
    let room = TestStore::new();
    Connection::open(room.path()).unwrap().execute_batch(include_str!("fixtures/v7.sql")).unwrap();
    assert_eq!(room.events().iter().filter(|event| matches!(event.what, What::Reading(_))).count(), 2);
    assert_eq!(room.reader().counts().unwrap().readings, 2);
    assert_eq!(room.reader().counts().unwrap().minutes, count_of_minutes(&room));
    let of_eight = TestStore::new();
    Connection::open(of_eight.path()).unwrap().execute_batch(include_str!("fixtures/v8.sql")).unwrap();
    assert_eq!(of_eight.reader().counts().unwrap().readings, 5);
    assert_eq!(of_eight.reader().counts().unwrap().minutes, count_of_minutes(&of_eight));
}

fn count_of_minutes(room: &TestStore) -> u64 {
    count(&Connection::open(room.path()).unwrap(), "SELECT count(*) FROM minute").unsigned_abs()
}
