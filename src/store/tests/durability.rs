//! Full disks, kills, readers and backups while the daemon writes.

use super::*;
use crate::store::{StoreError, backup};
use std::io::{BufRead, BufReader};

fn batch(rules: &Rules, nth: i64, size: i64) -> Vec<Record> {
    let one = |at_ms| reading(rules, at(at_ms), 0, heard(0, 20.0 + (at_ms % 100) as f64 / 100.0));
    (nth * size..(nth + 1) * size).map(one).collect()
}

#[test]
fn a_full_disk_is_called_so_and_the_same_store_goes_on_when_there_is_room() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&batch(&room.rules, 0, 100)).unwrap();
    let pages: i64 = store.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
    store.connection.query_row(&format!("PRAGMA max_page_count = {}", pages + 4), [], |_| Ok(())).unwrap();
    let mut written = 100;
    let error = loop {
        match store.commit(&batch(&room.rules, written / 100, 100)) {
            Ok(()) => written += 100,
            Err(error) => break error,
        }
    };
    assert!(matches!(error, StoreError::Full { .. }), "{error:?}");
    assert!(error.to_string().contains("the disk is full"), "{error}");
    assert_eq!(room.events().len() as i64, written, "the failed batch left nothing behind");
    assert!(matches!(store.commit(&batch(&room.rules, written / 100, 100)), Err(StoreError::Full { .. })));
    store.connection.query_row("PRAGMA max_page_count = 1000000", [], |_| Ok(())).unwrap();
    store.commit(&batch(&room.rules, written / 100, 100)).unwrap();
    assert_eq!(room.events().len() as i64, written + 100);
}

#[test]
fn a_reader_sees_whole_batches_only_and_holds_nobody_up() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&batch(&room.rules, 0, 50)).unwrap();
    let reader = room.reader();
    let mut seen = 0;
    reader
        .events(at(0), at(1_000_000), |_| {
            // In the middle of the reader's look-up the writer commits.
            if seen == 10 {
                store.commit(&batch(&room.rules, 1, 50)).unwrap();
                store.checkpoint().unwrap();
            }
            seen += 1;
        })
        .unwrap();
    assert_eq!(seen, 50);
    assert_eq!(reader.counts().unwrap().readings, 100);
    assert!(reader.connection.execute("DELETE FROM reading", []).is_err(), "a reader cannot write");
}

#[test]
fn the_settings_that_durability_hangs_on_are_on() {
    let room = TestStore::new();
    let store = room.store();
    let text = |pragma: &str| -> String {
        store
            .connection
            .query_row(&format!("PRAGMA {pragma}"), [], |row| {
                row.get_ref(0).map(|value| match value {
                    rusqlite::types::ValueRef::Integer(number) => number.to_string(),
                    other => other.as_str().unwrap().to_owned(),
                })
            })
            .unwrap()
    };
    // synchronous: 2 is FULL; auto_vacuum: 2 is INCREMENTAL (sqlite.org/pragma.html).
    let found = ["journal_mode", "synchronous", "auto_vacuum", "busy_timeout", "page_size"].map(text);
    assert_eq!(found, ["wal", "2", "2", "5000", "4096"]);
}

#[test]
fn a_backup_taken_while_writing_opens_and_equals_the_store() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&batch(&room.rules, 0, 500)).unwrap();
    let copy = room.folder.path().join("copy.db");
    std::fs::write(room.folder.path().join("copy.db.part"), b"left by a backup that was cut off").unwrap();
    std::fs::write(&copy, b"an older backup").unwrap();
    backup(&room.path(), &copy).unwrap();
    assert_eq!(all_events(&copy, &room.rules), room.events());
    assert!(!room.folder.path().join("copy.db.part").exists());
    let (mut opened, opening) = Store::open(&copy, &room.rules, at(0)).unwrap();
    assert!(matches!(opening, Opening::Opened { .. }), "{opening:?}");
    opened.commit(&batch(&room.rules, 1, 500)).unwrap();
    assert_eq!(room.events().len(), 500, "the copy is a file of its own");
}

#[test]
fn a_store_is_not_written_over_by_its_own_backup() {
    let room = TestStore::new();
    room.store().commit(&batch(&room.rules, 0, 10)).unwrap();
    let roundabout = room.folder.path().join(".").join("traywarden.db");
    let error = backup(&room.path(), &roundabout).unwrap_err();
    assert!(error.to_string().contains("this is the store itself"), "{error}");
    assert_eq!(room.events().len(), 10);
    let missing = backup(&room.folder.path().join("none.db"), &roundabout).unwrap_err();
    assert!(matches!(missing, StoreError::Missing { .. }));
}

const KILLED_STORE: &str = "TRAYWARDEN_TEST_KILLED_STORE";

/// The work of the child process in the test below.
fn commits_until_it_is_killed(path: &Path) {
    let rules = rules();
    let (mut store, _) = Store::open(path, &rules, at(0)).unwrap();
    for nth in 0.. {
        store.commit(&batch(&rules, nth, 7)).unwrap();
        // Past the test harness, which would hold it back.
        let mut out = std::io::stderr();
        std::io::Write::write_all(&mut out, format!("committed {nth}\n").as_bytes()).unwrap();
    }
}

#[test]
fn nothing_committed_is_lost_when_the_process_is_killed() {
    // The test starts itself a second time, as the process that it kills.
    if let Some(path) = std::env::var_os(KILLED_STORE) {
        return commits_until_it_is_killed(Path::new(&path));
    }
    for kill_after in [0, 3, 40, 171] {
        let room = TestStore::new();
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "store::tests::durability::nothing_committed_is_lost_when_the_process_is_killed"])
            .args(["--nocapture", "--test-threads=1"])
            .env(KILLED_STORE, room.path())
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let mut committed = 0;
        for line in lines.by_ref().map_while(Result::ok) {
            if let Some(nth) = line.strip_prefix("committed ") {
                committed = nth.parse::<i64>().unwrap() + 1;
                if committed > kill_after {
                    break;
                }
            }
        }
        // SIGKILL, in the middle of whatever it does.
        child.kill().unwrap();
        child.wait().unwrap();
        for line in lines.map_while(Result::ok) {
            if let Some(nth) = line.strip_prefix("committed ") {
                committed = nth.trim().parse::<i64>().unwrap() + 1;
            }
        }
        assert!(committed > kill_after, "the child wrote nothing");
        let (_, opening) = room.open();
        assert_eq!(opening, Opening::Opened { stopped_well: false });
        let there = room.events().len() as i64;
        assert_eq!(there % 7, 0, "a batch is whole or not there");
        assert!(there >= committed * 7, "{committed} batches were committed, {there} readings are there");
        // One batch may have been committed and not told.
        assert!(there <= (committed + 1) * 7);
    }
}
