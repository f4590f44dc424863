//! Files that are damaged, foreign, older or newer.

use super::*;
use crate::store::{StoreError, schema};
use rusqlite::Connection;
use std::io::{Seek, SeekFrom, Write};

const READINGS: i64 = 20_000;

/// A closed store with so many readings that they fill many pages.
fn filled() -> TestStore {
    let room = TestStore::new();
    let mut store = room.store();
    let records: Vec<Record> = (0..READINGS)
        .map(|nth| reading(&room.rules, at(nth * 1_000), 0, heard(0, 20.0 + (nth % 50) as f64 / 100.0)))
        .collect();
    store.commit(&records).unwrap();
    store.commit(&[happening(at(0), 1, What::Started)]).unwrap();
    store.close().unwrap();
    room
}

/// The daemon has a store that works, the damaged file lies beside it, and `at_least` readings are in the new one.
fn is_replaced(room: &TestStore, at_least: usize) -> usize {
    let before = std::fs::read(room.path()).unwrap();
    let (mut store, opening) = room.open();
    let Opening::Damaged { set_aside, carried_over, what } = opening else { panic!("{opening:?}") };
    let name = set_aside.file_name().unwrap().to_string_lossy().into_owned();
    assert_eq!(name, "traywarden.db.damaged-20260303T180000Z");
    assert_eq!(std::fs::read(&set_aside).unwrap(), before, "the damaged file is kept as it was");
    assert!(!what.is_empty());
    let kept = room.events().len();
    assert!(kept >= at_least, "{kept} of {READINGS} events were carried over");
    assert!(carried_over >= kept as u64);
    store.commit(&[happening(at(READINGS * 1_000), 0, What::BrokerUp)]).unwrap();
    assert_eq!(room.events().len(), kept + 1);
    store.close().unwrap();
    assert_eq!(room.open().1, Opening::Opened { stopped_well: true });
    kept
}

fn overwrite(path: &Path, offset: u64, bytes: &[u8]) {
    let mut file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
    file.seek(SeekFrom::Start(offset)).unwrap();
    file.write_all(bytes).unwrap();
}

fn pages(room: &TestStore) -> u64 {
    std::fs::metadata(room.path()).unwrap().len() / 4096
}

#[test]
fn a_file_of_garbage_is_set_aside_and_a_new_store_begun() {
    let room = TestStore::new();
    let garbage: Vec<u8> = (0..50_000_u32).map(|nth| (nth * 7 % 251) as u8).collect();
    std::fs::write(room.path(), garbage).unwrap();
    is_replaced(&room, 0);
}

#[test]
fn a_truncated_file_gives_back_what_is_before_the_cut() {
    let room = filled();
    let file = std::fs::OpenOptions::new().write(true).open(room.path()).unwrap();
    file.set_len(pages(&room) / 2 * 4096).unwrap();
    let kept = is_replaced(&room, READINGS as usize / 4);
    assert!(kept < READINGS as usize, "half of the file is gone");
}

#[test]
fn a_zeroed_page_costs_little_more_than_itself() {
    let room = filled();
    overwrite(&room.path(), pages(&room) / 2 * 4096, &[0; 4096]);
    let kept = is_replaced(&room, READINGS as usize * 9 / 10);
    assert!(kept < READINGS as usize + 1, "a page of readings is gone");
}

#[test]
fn what_was_only_in_the_write_ahead_log_of_a_damaged_file_is_carried_over_too() {
    let room = filled();
    let mut store = room.store();
    store.commit(&[happening(at(READINGS * 1_000), 5, What::BrokerDown)]).unwrap();
    // As a killed daemon leaves it: the log has not been moved into the file.
    let killed = TestStore::new();
    for part in ["", "-wal"] {
        let copied = |room: &TestStore| room.folder.path().join(format!("traywarden.db{part}"));
        assert!(std::fs::copy(copied(&room), copied(&killed)).unwrap() > 0);
    }
    overwrite(&killed.path(), pages(&killed) / 2 * 4096, &[0; 4096]);
    let before = std::fs::read(killed.path()).unwrap();
    let (_store, opening) = killed.open();
    let Opening::Damaged { set_aside, .. } = opening else { panic!("{opening:?}") };
    assert!(std::fs::read(&set_aside).unwrap() == before, "the damaged file is kept as it was");
    assert_eq!(killed.events().last().unwrap().what, What::BrokerDown);
}

#[test]
fn a_second_damaged_file_in_one_second_gets_a_name_of_its_own() {
    let room = TestStore::new();
    let mut names = Vec::new();
    for _ in 0..2 {
        std::fs::write(room.path(), [b'x'; 5_000]).unwrap();
        let (store, opening) = room.open();
        store.close().unwrap();
        let Opening::Damaged { set_aside, .. } = opening else { panic!("{opening:?}") };
        assert!(set_aside.exists());
        names.push(set_aside);
    }
    assert_ne!(names[0], names[1]);
}

#[test]
fn readings_whose_series_was_lost_do_not_pass_for_those_of_another_sensor() {
    let room = filled();
    {
        let connection = Connection::open(room.path()).unwrap();
        connection.execute("DELETE FROM series", []).unwrap();
    }
    overwrite(&room.path(), pages(&room) / 2 * 4096, &[0; 4096]);
    room.open();
    let readings = room.events().into_iter().filter(|event| matches!(event.what, What::Reading(_))).count();
    assert_eq!(readings, 0, "nobody knows any more which sensor said it");
    let connection = Connection::open(room.path()).unwrap();
    let lost: Vec<String> = connection
        .prepare("SELECT DISTINCT sensor FROM series JOIN reading ON reading.series = series.id")
        .and_then(|mut all| all.query_map([], |row| row.get(0))?.collect())
        .unwrap();
    assert_eq!(lost, ["lost-1"]);
}

#[test]
fn a_database_of_something_else_is_left_alone() {
    let room = TestStore::new();
    Connection::open(room.path()).unwrap().execute_batch("CREATE TABLE song (title TEXT)").unwrap();
    let before = std::fs::read(room.path()).unwrap();
    let error = Store::open(&room.path(), &room.rules, at(0)).err().unwrap();
    assert!(matches!(error, StoreError::Foreign { .. }), "{error}");
    assert_eq!(std::fs::read(room.path()).unwrap(), before);
}

#[test]
fn a_store_of_a_newer_build_is_left_alone() {
    let room = filled();
    Connection::open(room.path()).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let error = Store::open(&room.path(), &room.rules, at(0)).err().unwrap();
    assert!(
        matches!(error, StoreError::Newer { found: 99, known, .. } if known == schema::MIGRATIONS.len()),
        "{error}"
    );
    let error = Reader::open(&room.path(), &room.rules).err().unwrap();
    assert!(matches!(error, StoreError::Newer { .. }), "{error}");
}

#[test]
fn a_reader_of_nothing_says_so_and_makes_no_file() {
    let room = TestStore::new();
    let error = Reader::open(&room.path(), &room.rules).err().unwrap();
    assert!(matches!(error, StoreError::Missing { .. }), "{error}");
    assert!(!room.path().exists());
}

#[test]
fn a_folder_that_is_not_there_is_an_error_with_its_name() {
    let error = Store::open(Path::new("/nowhere/at/all.db"), &rules(), at(0)).err().unwrap();
    assert!(matches!(error, StoreError::File { .. }), "{error:?}");
    assert!(error.to_string().starts_with("/nowhere/at/all.db: cannot be opened"), "{error}");
}

#[test]
fn openings_tell_created_stopped_well_and_killed_apart() {
    let room = TestStore::new();
    let (store, opening) = room.open();
    assert_eq!(opening, Opening::Created);
    drop(store);
    let (store, opening) = room.open();
    assert_eq!(opening, Opening::Opened { stopped_well: false });
    store.close().unwrap();
    assert_eq!(room.open().1, Opening::Opened { stopped_well: true });
}

#[test]
fn steps_run_once_in_order_and_all_or_nothing() {
    let mut connection = Connection::open_in_memory().unwrap();
    let first = "CREATE TABLE tray (id INTEGER) STRICT; INSERT INTO tray VALUES (1);";
    let second = "ALTER TABLE tray ADD COLUMN crop TEXT; UPDATE tray SET crop = 'radish';";
    assert_eq!(schema::upgrade(&mut connection, &[first]).unwrap(), 0);
    let broken = "UPDATE tray SET id = 2; UPDATE nowhere SET id = 3;";
    assert!(schema::upgrade(&mut connection, &[first, second, broken]).is_err());
    assert_eq!(schema::version(&connection).unwrap(), 1);
    assert!(connection.prepare("SELECT crop FROM tray").is_err(), "the good step went with the broken one");
    assert_eq!(schema::upgrade(&mut connection, &[first, second]).unwrap(), 1);
    assert_eq!(schema::upgrade(&mut connection, &[first, second]).unwrap(), 2);
    let row: (i64, String) =
        connection.query_row("SELECT id, crop FROM tray", [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    assert_eq!(row, (1, "radish".into()));
}

/// Every version that was ever released, as an SQL dump of a small store of that version.
const RELEASED: [&str; 9] = [
    include_str!("fixtures/v1.sql"),
    include_str!("fixtures/v2.sql"),
    include_str!("fixtures/v3.sql"),
    include_str!("fixtures/v4.sql"),
    include_str!("fixtures/v5.sql"),
    include_str!("fixtures/v6.sql"),
    include_str!("fixtures/v7.sql"),
    include_str!("fixtures/v8.sql"),
    include_str!("fixtures/v9.sql"),
];

#[test]
fn a_store_of_every_older_version_opens_and_has_its_rows() {
    assert_eq!(RELEASED.len(), schema::MIGRATIONS.len(), "commit a dump of the new version");
    for (dump, version) in RELEASED.iter().zip(1..) {
        let room = TestStore::new();
        Connection::open(room.path()).unwrap().execute_batch(dump).unwrap();
        let (mut store, opening) = room.open();
        let expected = if version == RELEASED.len() {
            Opening::Opened { stopped_well: true }
        } else {
            Opening::Upgraded { from: version }
        };
        assert_eq!(opening, expected);
        assert_eq!(tables(&store.connection), tables(&TestStore::new().store().connection), "version {version}");
        let whats: Vec<What> = room.events().into_iter().map(|event| event.what).collect();
        assert_eq!(whats[..2], [What::Started, What::Reading(heard(1, 55.5))]);
        let packed = if version < 8 { 0 } else { 3 };
        assert_eq!(room.reader().counts().unwrap().readings, 2 + packed);
        let minutes: i64 =
            store.connection.query_row("SELECT count(*) FROM every_minute", [], |row| row.get(0)).unwrap();
        assert_eq!(minutes, if version < 9 { 2 } else { 4 }, "version {version}");
        assert_eq!(whats.iter().filter(|what| matches!(what, What::Reading(_))).count() as u64, 2 + packed);
        assert_eq!(room.reader().journal(at(0)).unwrap().len(), 1);
        assert_eq!(room.reader().alarms().unwrap()[0].text, "Rack A is too warm.");
        assert_eq!(store.waiting_parcels().unwrap().len(), 1);
        store.commit(&[happening(at(9_000), 0, What::BrokerUp)]).unwrap();
    }
}

/// The tables as SQLite keeps them: a released step that was changed shows here.
fn tables(connection: &Connection) -> Vec<(String, Option<String>)> {
    let mut statement = connection.prepare("SELECT name, sql FROM sqlite_schema ORDER BY name").unwrap();
    statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().collect::<Result<_, _>>().unwrap()
}

#[test]
fn ten_bad_pages_cost_little_more_than_themselves() {
    let room = filled();
    let all = pages(&room);
    for nth in 1..=10 {
        overwrite(&room.path(), (all * nth / 11) * 4096, &[0xa5; 4096]);
    }
    // A page holds some 150 readings.
    is_replaced(&room, READINGS as usize - 11 * 300);
}

#[test]
fn a_bad_first_page_costs_no_reading() {
    let room = filled();
    overwrite(&room.path(), 0, &[0; 4096]);
    let kept = is_replaced(&room, READINGS as usize);
    assert!(kept >= READINGS as usize);
    let left: Vec<_> = std::fs::read_dir(room.folder.path()).unwrap().flatten().map(|file| file.file_name()).collect();
    assert!(left.iter().all(|name| !name.to_string_lossy().contains(".repair")), "{left:?}");
}
