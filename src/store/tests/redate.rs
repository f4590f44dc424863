//! Times put right after the clock was.

use super::*;
use crate::store::redate::{ORDERED, PutRight, TIMES};
use crate::store::schema;

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;
const YEAR: i64 = 365 * DAY;

/// A start and a reading every minute from `from` on; the value counts them.
fn run(store: &mut Store, rules: &Rules, from: i64, minutes: i64) {
    let mut records = vec![happening(at(from), 0, What::Started)];
    for minute in 0..minutes {
        records.push(reading(rules, at(from + minute * MINUTE + 1), 0, heard(0, 20.0 + minute as f64 / 1000.0)));
    }
    store.commit(&records).unwrap();
}

fn times(room: &TestStore) -> Vec<i64> {
    let mut times = Vec::new();
    let reader = room.reader();
    reader
        .events(Timestamp::UNIX_EPOCH, at(10 * YEAR), |event| {
            if matches!(event.what, What::Reading(_)) {
                times.push(event.at.timestamp_millis() - EVENING);
            }
        })
        .unwrap();
    times
}

fn values(room: &TestStore) -> Vec<i64> {
    let heard = |event: Event| match event.what {
        What::Reading(raw) => Some(raw.thousandths()),
        _ => None,
    };
    let mut values = Vec::new();
    room.reader().events(Timestamp::UNIX_EPOCH, at(10 * YEAR), |event| values.extend(heard(event))).unwrap();
    values
}

#[test]
fn a_run_under_a_clock_a_year_ahead_goes_back_as_one_piece() {
    let room = TestStore::new();
    let mut store = room.store();
    run(&mut store, &room.rules, 0, 10);
    run(&mut store, &room.rules, YEAR + HOUR, 10);
    store.roll_up_minutes(at(YEAR + 2 * HOUR)).unwrap();
    let done = store.put_right(at(HOUR + 10 * MINUTE)).unwrap();
    assert_eq!(done, PutRight::Moved { since: at(YEAR + HOUR) });
    let times = times(&room);
    assert_eq!(times.len(), 20);
    assert_eq!(times[10], HOUR + 1, "where it belongs, to the minute");
    store.roll_up_minutes(at(2 * HOUR)).unwrap();
    let minutes: i64 = store.connection.query_row("SELECT sum(n) FROM minute", [], |row| row.get(0)).unwrap();
    assert_eq!(minutes, 20, "minute means are made again, each reading once");
}

#[test]
fn an_hour_back_without_a_hole_draws_the_last_hours_together_in_their_order() {
    let room = TestStore::new();
    let mut store = room.store();
    run(&mut store, &room.rules, 0, 30 * 60);
    // When two hours become one, these fall into one millisecond.
    for (after_ms, value) in [(2, 19.0), (3, 18.0)] {
        store.commit(&[reading(&room.rules, at(28 * HOUR + after_ms), 0, heard(0, value))]).unwrap();
    }
    let before = values(&room);
    let done = store.put_right(at(29 * HOUR)).unwrap();
    assert!(matches!(done, PutRight::DrawnTogether { .. }), "{done:?}");
    assert_eq!(values(&room), before, "nothing lost, nothing out of order");
    let times = times(&room);
    assert!(times.iter().all(|time| *time <= 29 * HOUR), "{:?}", times.last());
    assert_eq!(times[27 * 60], 27 * HOUR + 1, "what lies further back is left alone");
}

#[test]
fn a_clock_a_year_behind_a_record_without_a_hole_is_not_believed() {
    let room = TestStore::new();
    let mut store = room.store();
    run(&mut store, &room.rules, 0, 10);
    store.commit(&[reading(&room.rules, at(-YEAR), 0, heard(0, 19.0))]).unwrap();
    for day in -365..0 {
        store.commit(&[happening(at(day * DAY), 0, What::Started)]).unwrap();
    }
    let before = times(&room);
    assert_eq!(store.put_right(at(-YEAR + 10 * DAY)).unwrap(), PutRight::Left);
    assert_eq!(times(&room), before);
}

#[test]
fn the_first_readings_of_a_board_that_woke_in_1970_go_to_where_they_belong() {
    let room = TestStore::new();
    let mut store = room.store();
    run(&mut store, &room.rules, -EVENING, 5);
    store.move_forward(at(-EVENING), TimeDelta::milliseconds(EVENING)).unwrap();
    assert_eq!(times(&room), [1, MINUTE + 1, 2 * MINUTE + 1, 3 * MINUTE + 1, 4 * MINUTE + 1]);
}

#[test]
fn letters_move_along_and_keep_their_parcels_and_threads() {
    let room = TestStore::new();
    let mut store = room.store();
    let second = (EVENING + YEAR) / 1000;
    store
        .connection
        .execute_batch(&format!(
            "INSERT INTO letter VALUES ('alarm-{second}-air-too-warm-rack-a', {0}, 'alarm', NULL, 's', 't');
             INSERT INTO letter VALUES ('alarm-{1}-air-too-warm-rack-a', {0} + 60000, 'alarm', 'alarm-{second}-air-too-warm-rack-a', 's', 't');
             INSERT INTO outbox (letter, recipient, bytes, at, state, tries, not_before)
                  VALUES ('alarm-{second}-air-too-warm-rack-a', 'r', x'00', {0}, 'waiting', 0, {0});",
            EVENING + YEAR,
            second + 60
        ))
        .unwrap();
    run(&mut store, &room.rules, YEAR, 3);
    store.put_right(at(3 * MINUTE)).unwrap();
    let evening = EVENING / 1000;
    let found: (String, String, String) = store
        .connection
        .query_row(
            "SELECT letter.id, outbox.letter, later.answers FROM outbox JOIN letter ON letter.id = outbox.letter
               JOIN letter AS later ON later.answers = letter.id",
            [],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .unwrap();
    let id = format!("alarm-{evening}-air-too-warm-rack-a");
    assert_eq!(found, (id.clone(), id.clone(), id));
}

#[test]
fn a_digest_that_came_too_early_does_not_stand_for_the_right_one() {
    // Five hours ahead, with a hole before it and without.
    for begins in [0, -30 * HOUR] {
        let room = TestStore::new();
        let mut store = room.store();
        run(&mut store, &room.rules, begins, (5 * HOUR + 10 * MINUTE - begins) / MINUTE);
        let letter = format!(
            "INSERT INTO letter VALUES ('digest-2026-03-04', {}, 'digest', NULL, 's', 't')",
            EVENING + 5 * HOUR
        );
        store.connection.execute_batch(&letter).unwrap();
        store.put_right(at(10 * MINUTE)).unwrap();
        let id: String = store.connection.query_row("SELECT id FROM letter", [], |row| row.get(0)).unwrap();
        assert_eq!(id, "digest-2026-03-04-moved");
    }
}

#[test]
fn a_clock_that_runs_away_makes_nothing_old() {
    let room = TestStore::new();
    let mut store = room.store();
    run(&mut store, &room.rules, 0, 10 * 60);
    run(&mut store, &room.rules, 400 * DAY, 1);
    let keep = TimeDelta::days(30);
    let now = at(400 * DAY + MINUTE);
    assert_eq!(
        store.heard_until(at(900 * DAY)).unwrap(),
        at(400 * DAY + MINUTE + 1),
        "no minute beyond what was heard"
    );
    store.roll_up_minutes(now).unwrap();
    let trusted = store.lived_now(now, keep).unwrap();
    assert_eq!(store.forget(trusted, keep).unwrap(), 0, "eleven hours were lived, not four hundred days");
    let trusted = store.lived_now(now, TimeDelta::hours(8)).unwrap();
    while store.forget(trusted, TimeDelta::hours(8)).unwrap() > 0 {}
    let times = times(&room);
    assert_eq!(times.first(), Some(&(2 * HOUR + 1)), "eight hours with readings and the one that goes on are kept");
}

#[test]
fn every_column_that_holds_a_time_moves() {
    let mut table = String::new();
    let mut found = 0;
    for line in schema::MIGRATIONS.concat().lines() {
        let mut words = line.split_whitespace();
        if let (Some("CREATE" | "ALTER"), Some("TABLE"), Some(name)) = (words.next(), words.next(), words.next()) {
            table = name.to_owned();
        }
        let (sql, comment) = line.split_once("--").unwrap_or((line, ""));
        if !comment.contains("milliseconds since 1970 UTC") || sql.trim().is_empty() {
            continue;
        }
        let column = sql.split("ADD COLUMN").last().unwrap().split_whitespace().next().unwrap();
        // Its successor took its rows.
        if table == "mail" {
            continue;
        }
        found += 1;
        let ordered =
            column == "at" && ORDERED.contains(&table.as_str()) || (table.as_str(), column) == ("packed", "stretch");
        assert!(ordered || TIMES.contains(&(table.as_str(), column)), "{table}.{column} stays under the wrong clock");
    }
    assert!(found >= 15, "{found} columns are no store of ours");
}
