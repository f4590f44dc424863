//! A store that cannot be had at the start, or that somebody takes away: the watch begins
//! and goes on, and takes up what it can get.

use crate::failing_store::{STORE_LAMP, room_on};
use crate::mail_server::MailServer;
use crate::refusing_card::RefusingCard;
use crate::room::{Room, air, broker, publish, retained, wait_for};

#[test]
fn with_another_programs_file_in_its_place_the_watch_begins_and_says_so() {
    let broker = broker();
    let mail = MailServer::started("implicit");
    let mut room = Room::new(broker.port, Some(&mail));
    rusqlite::Connection::open(&room.store).and_then(|other| other.execute_batch("CREATE TABLE notes (text)")).unwrap();
    room.start(&broker);
    publish(broker.port, &(0..50).map(air).collect::<Vec<_>>());
    let sown = "{\"did\":\"sow\",\"tray\":\"K13\",\"place\":\"rack-a\",\"crop\":\"kale\"}".to_owned();
    publish(broker.port, &[("traywarden/saltmarsh-lane/journal", sown)]);
    let letter = wait_for("the letter", || mail.taken().into_iter().next());
    let subject = letter["headers"]["Subject"].as_str().expect("a subject");
    assert!(subject.starts_with("Now: watch without memory"), "{subject}");
    assert!(retained(broker.port, STORE_LAMP).contains("belongs to another program"));
    let now = room.now();
    assert!(now.contains("belongs to another program") && now.contains("knows no tray"), "{now}");

    std::fs::remove_file(&room.store).unwrap();
    wait_for("what was kept to be saved", || (room.stored("temperature") == (50, 50)).then_some(()));
    let trays = wait_for("the tray", || {
        let trays = String::from_utf8_lossy(&room.verb(&["trays"]).stdout).into_owned();
        trays.contains("K13").then_some(trays)
    });
    assert!(trays.contains("kale"), "{trays}");
    publish(broker.port, &[air(50)]);
    wait_for("a reading after it", || (room.stored("temperature") == (51, 51)).then_some(()));
    assert!(room.is_running(), "in the same process");
}

#[test]
fn on_a_card_that_became_read_only_the_watch_begins_with_its_past() {
    let broker = broker();
    let (mut room, disk) = room_on(broker.port, None, 64);
    room.start(&broker);
    let sown = room.verb(&["log", "sow", "tray=K12", "place=rack-a", "crop=broccoli", "count=4"]);
    assert_eq!(sown.status.code(), Some(0), "{}", String::from_utf8_lossy(&sown.stdout));
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    disk.set_read_only(true);
    room.start(&broker);
    publish(broker.port, &(0..50).map(air).collect::<Vec<_>>());
    let now = wait_for("`now` to say so", || {
        let now = room.now();
        now.contains("nothing can be saved").then_some(now)
    });
    assert!(now.contains("broccoli under cover"), "what was written before is known: {now}");
    assert!(!now.contains("knows no tray"), "{now}");
    disk.set_read_only(false);
    wait_for("what was kept to be saved", || (room.stored("temperature") == (50, 50)).then_some(()));
    assert!(room.is_running(), "in the same process");
}

#[test]
fn a_store_taken_away_under_the_watch_is_missed_and_put_back() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    publish(broker.port, &[air(0)]);
    wait_for("the first reading", || (room.stored("temperature").0 == 1).then_some(()));
    std::fs::remove_file(&room.store).unwrap();
    publish(broker.port, &[air(1)]);
    wait_for("both readings in a file put back", || (room.stored("temperature") == (2, 2)).then_some(()));
    let lamp = wait_for("the lamp", || {
        Some(retained(broker.port, STORE_LAMP)).filter(|lamp| lamp.contains("somebody deleted"))
    });
    assert!(lamp.contains("store-failing"), "{lamp}");

    // A number that changed while it was off.
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    let changed = rusqlite::Connection::open(&room.store).unwrap().execute("UPDATE reading SET raw = raw + 1", []);
    assert!(changed.unwrap() > 0);
    room.start(&broker);
    let lamp = wait_for("the lamp", || {
        Some(retained(broker.port, STORE_LAMP)).filter(|lamp| lamp.contains("has changed while the watch was off"))
    });
    assert!(lamp.contains("store-failing"), "{lamp}");

    // Everything is gone when it starts again: it is said, not taken for a first start.
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    std::fs::write(&room.store, b"").unwrap();
    room.start(&broker);
    let lamp = wait_for("the lamp", || {
        Some(retained(broker.port, STORE_LAMP)).filter(|lamp| lamp.contains("the store is empty"))
    });
    assert!(lamp.contains("is not there any more"), "{lamp}");
}

#[test]
fn a_card_that_refuses_writes_while_the_watch_runs_is_told_and_taken_up_again() {
    let broker = broker();
    let mail = MailServer::started("implicit");
    let mut room = Room::new(broker.port, Some(&mail));
    room.start(&broker);
    publish(broker.port, &[air(0)]);
    wait_for("the first reading", || (room.stored("temperature").0 == 1).then_some(()));
    let card = RefusingCard::begin(&room, "EROFS");
    publish(broker.port, &(1..=100).map(air).collect::<Vec<_>>());
    publish(broker.port, &(0..3).map(|_| ("loft/tank/distance", "385".to_owned())).collect::<Vec<_>>());
    let letter = wait_for("the letter", || mail.taken().into_iter().next());
    let subject = letter["headers"]["Subject"].as_str().expect("a subject");
    assert!(subject.starts_with("Now: tank empty"), "{subject}");
    let lamp = wait_for("the lamp", || Some(retained(broker.port, STORE_LAMP)).filter(|lamp| !lamp.is_empty()));
    assert!(lamp.contains("cannot be read or written"), "{lamp}");
    let now = wait_for("`now` to say so", || {
        let now = room.now();
        now.contains("nothing can be saved").then_some(now)
    });
    assert!(now.contains("reservoir-empty:tank"), "{now}");
    assert_eq!(room.stored("temperature").0, 1, "nothing of it could be saved");
    drop(card);
    wait_for("what was kept to be saved", || (room.stored("temperature") == (101, 101)).then_some(()));
    assert!(room.is_running(), "in the same process");
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
}

#[test]
fn another_file_put_in_the_stores_place_is_gone_on_with_and_the_old_one_kept() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    publish(broker.port, &[air(0)]);
    wait_for("the first reading", || (room.stored("temperature").0 == 1).then_some(()));
    let copy = room.folder.path().join("copy.db");
    let backup = room.verb(&["backup", &copy.display().to_string()]);
    assert_eq!(backup.status.code(), Some(0), "{}", String::from_utf8_lossy(&backup.stderr));
    publish(broker.port, &[air(1)]);
    wait_for("the second reading", || (room.stored("temperature").0 == 2).then_some(()));
    std::fs::rename(&copy, &room.store).unwrap();
    publish(broker.port, &[air(2)]);
    let lamp = wait_for("the lamp", || {
        Some(retained(broker.port, STORE_LAMP)).filter(|lamp| lamp.contains("put another file in the store's place"))
    });
    let kept = std::fs::read_dir(room.folder.path()).unwrap().flatten().map(|file| file.path());
    let kept = kept.into_iter().find(|path| path.to_string_lossy().contains(".replaced-")).expect("the old file");
    assert!(lamp.contains(&kept.display().to_string()), "{lamp}");
    let old = crate::room::open_read_only(&kept).unwrap();
    let count: i64 = old
        .query_row(
            "SELECT count(*) FROM reading JOIN series ON id = series WHERE quantity = 'temperature'",
            [],
            |row| row.get(0),
        )
        .unwrap();
    assert_eq!(count, 2, "what was in the old file is there");
    wait_for("the third reading in the new file", || (room.stored("temperature") == (2, 2)).then_some(()));
    let now = room.now();
    assert!(now.contains("put another file in the store's place"), "{now}");
    assert!(room.is_running(), "in the same process");
}
