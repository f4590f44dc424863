//! A wall clock that is wrong and is set right. The daemon alone sees it, through a library
//! that stands before the system's (Debian: libfaketime).

use crate::room::{Room, air, broker, open_read_only, publish, wait_for};

const YEAR_SECONDS: i64 = 365 * 86_400;

fn library() -> String {
    let folders = std::fs::read_dir("/usr/lib").expect("a system has it").flatten();
    let found = folders.map(|folder| folder.path().join("faketime/libfaketimeMT.so.1")).find(|path| path.exists());
    found.expect("libfaketime is installed (apt install libfaketime)").to_string_lossy().into_owned()
}

/// When the newest reading was heard, in seconds before now.
fn newest_reading_ago(room: &Room) -> Option<f64> {
    let query = "SELECT (julianday('now') - 2440587.5) * 86400.0 - max(at) / 1000.0 FROM reading";
    open_read_only(&room.store).and_then(|store| store.query_row(query, [], |row| row.get(0))).unwrap_or(None)
}

#[test]
fn a_clock_a_year_ahead_that_is_set_right_leaves_nothing_in_the_wrong_year() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    let off_by = room.folder.path().join("off-by");
    let set = |seconds: i64| std::fs::write(&off_by, format!("{seconds:+}\n")).expect("the folder can be written");
    set(YEAR_SECONDS);
    room.environment = [
        ("LD_PRELOAD", library()),
        ("FAKETIME_TIMESTAMP_FILE", off_by.to_string_lossy().into_owned()),
        ("FAKETIME_NO_CACHE", "1".to_owned()),
        ("FAKETIME_DONT_FAKE_MONOTONIC", "1".to_owned()),
    ]
    .map(|(name, value)| (name.to_owned(), value))
    .to_vec();
    room.start(&broker);
    publish(broker.port, &[air(0)]);
    let ago = wait_for("a reading of next year", || newest_reading_ago(&room));
    assert!(ago < -(YEAR_SECONDS as f64) + 300.0, "{ago}");
    set(0);
    wait_for("the reading to be moved", || newest_reading_ago(&room).filter(|ago| (0.0..600.0).contains(ago)));
    publish(broker.port, &[air(1)]);
    wait_for("the next one", || (room.stored("temperature") == (2, 2)).then_some(()));
    let ago = newest_reading_ago(&room).expect("readings");
    assert!((0.0..60.0).contains(&ago), "{ago}");
    assert!(room.is_running(), "in the same process");
    // And after a restart.
    room.environment.clear();
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    room.start(&broker);
    publish(broker.port, &[air(2)]);
    wait_for("a reading after the restart", || (room.stored("temperature") == (3, 3)).then_some(()));
    let ago = newest_reading_ago(&room).expect("readings");
    assert!((0.0..60.0).contains(&ago), "{ago}");
}
