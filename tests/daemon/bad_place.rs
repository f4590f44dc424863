//! A disk that does not give the first page of the store back, as long as the daemon lives.

use crate::failing_store::STORE_LAMP;
use crate::room::{Room, air, broker, open_read_only, publish, retained, wait_for};
use std::os::unix::fs::MetadataExt;
use std::process::Command;

/// From the next start on nobody in this room reads the first page of the store's file.
fn lose_first_page(room: &mut Room) {
    let library = room.folder.path().join("bad_place.so");
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/daemon/bad_place.c");
    let made = Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&library).args([source, "-ldl"]).status();
    assert!(made.expect("a C compiler runs (apt install gcc libc6-dev)").success());
    let inode = room.store.metadata().unwrap().ino();
    room.environment.push(("LD_PRELOAD".into(), library.display().to_string()));
    room.environment.push(("BAD_PLACE_OF".into(), inode.to_string()));
}

#[test]
fn a_store_whose_first_page_is_not_given_back_is_set_aside_and_said() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    let sown = room.verb(&["log", "sow", "tray=K12", "place=rack-a", "crop=broccoli", "count=4"]);
    assert_eq!(sown.status.code(), Some(0), "{}", String::from_utf8_lossy(&sown.stdout));
    publish(broker.port, &(0..50).map(air).collect::<Vec<_>>());
    wait_for("the readings", || (room.stored("temperature") == (50, 50)).then_some(()));
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    lose_first_page(&mut room);
    room.start(&broker);
    let lamp = wait_for("the lamp", || {
        Some(retained(broker.port, STORE_LAMP)).filter(|lamp| lamp.contains("the store was damaged"))
    });
    assert!(lamp.contains(".damaged-"), "{lamp}");
    assert!(room.now().contains("broccoli under cover"), "what was written before is known: {}", room.now());
    publish(broker.port, &[air(50)]);
    wait_for("old readings and new ones", || (room.stored("temperature") == (51, 51)).then_some(()));
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
}

/// How many messages that were no readings are stored.
fn garbled_in(store: &std::path::Path) -> i64 {
    open_read_only(store)
        .and_then(|store| store.query_row("SELECT count(*) FROM garbled", [], |row| row.get(0)))
        .unwrap_or(0)
}

/// Spoils a page that neither a start nor a commit of readings looks at: one of messages that
/// were no readings.
fn lose_a_page_of_garbled_messages(store: &std::path::Path) {
    let whole = std::fs::read(store).unwrap();
    let tried = store.with_file_name("tried.db");
    let spoiled = |page: usize| {
        let mut bytes = whole.clone();
        bytes[page * 4096..(page + 1) * 4096].fill(0x5a);
        bytes
    };
    let found = (1..whole.len() / 4096 - 1).find(|page| {
        std::fs::write(&tried, spoiled(*page)).unwrap();
        let Ok(connection) = rusqlite::Connection::open(&tried) else { return false };
        let reads = |query: &str| connection.query_row(query, [], |row| row.get::<_, i64>(0)).is_ok();
        let tables = "SELECT name FROM sqlite_master WHERE type = 'table' AND name <> 'garbled'";
        let tables = connection
            .prepare(tables)
            .and_then(|mut all| all.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>());
        tables.is_ok_and(|tables| tables.iter().all(|table| reads(&format!("SELECT count(*) FROM \"{table}\""))))
            && reads("SELECT at FROM garbled LIMIT 1")
            && !reads("SELECT count(payload) FROM garbled")
    });
    std::fs::remove_file(&tried).unwrap();
    std::fs::write(store, spoiled(found.expect("they fill some pages"))).unwrap();
}

/// A start does not wait for the whole file to be read: what is wrong with it shows soon after.
#[test]
fn damage_that_a_kill_left_behind_is_found_while_the_watch_runs() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    publish(broker.port, &(0..3_000).map(air).collect::<Vec<_>>());
    publish(broker.port, &(0..100).map(|nth| ("loft/rack-a/air", format!("{{{nth:0>300}"))).collect::<Vec<_>>());
    wait_for("the readings", || (room.stored("temperature") == (3_000, 3_000)).then_some(()));
    // They come behind the readings: what a stop leaves at the broker fills no page.
    wait_for("what were no readings", || (garbled_in(&room.store) == 100).then_some(()));
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    // As after a kill there is no seal; and a page is lost.
    std::fs::remove_file(room.store.with_file_name("room.db.seal")).expect("a good stop seals");
    lose_a_page_of_garbled_messages(&room.store);

    room.start(&broker);
    publish(broker.port, &[air(3_000)]);
    let lamp = wait_for("the lamp", || {
        publish(broker.port, &[air(3_001)]);
        Some(retained(broker.port, STORE_LAMP)).filter(|lamp| lamp.contains("the store was damaged"))
    });
    assert!(lamp.contains(".damaged-"), "{lamp}");
    assert!(room.log().contains("looked through and is not sound"), "{}", room.log());
    wait_for("a bad page costs little more than itself", || (room.stored("temperature").0 > 2_500).then_some(()));
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    room.start(&broker);
    assert!(room.log().contains("the store is as it was left"), "{}", room.log());
}
