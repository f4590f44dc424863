//! A store that says no: the watch goes on, says so, and forgets nothing it can keep.

use crate::broker_server::Server;
use crate::mail_server::MailServer;
use crate::room::{Room, air, broker, publish, retained, wait_for};
use crate::small_disk::SmallDisk;

pub const STORE_LAMP: &str = "traywarden/saltmarsh-lane/alarm/store-failing/site";

/// A room whose store lies on a disk of its own.
pub fn room_on(broker: u16, mail: Option<&MailServer>, megabytes: u32) -> (Room, SmallDisk) {
    let mut room = Room::new(broker, mail);
    let disk = SmallDisk::mount(&room.folder.path().join("card"), megabytes);
    room.edit("path = \"room.db\"", "path = \"card/room.db\"");
    room.edit("[alarm.reservoir-empty]", "[alarm.store-failing]\noff_delay = \"0 s\"\n[alarm.reservoir-empty]");
    room.store = room.folder.path().join("card/room.db");
    (room, disk)
}

/// The same after a reading that was saved and a hundred that could not be.
fn room_with_a_full_disk(broker: &Server) -> (Room, SmallDisk) {
    let (mut room, disk) = room_on(broker.port, None, 3);
    room.start(broker);
    publish(broker.port, &[air(0)]);
    wait_for("the first reading", || (room.stored("temperature").0 == 1).then_some(()));
    disk.fill();
    publish(broker.port, &(1..=100).map(air).collect::<Vec<_>>());
    wait_for("readings in memory alone", || room.now().contains("nothing can be saved").then_some(()));
    (room, disk)
}

#[test]
fn with_a_full_disk_readings_are_heard_judged_told_and_saved_later() {
    let broker = broker();
    let mail = MailServer::started("implicit");
    let (mut room, disk) = room_on(broker.port, Some(&mail), 3);
    room.start(&broker);
    publish(broker.port, &[air(0)]);
    wait_for("the first reading", || (room.stored("temperature").0 == 1).then_some(()));
    disk.fill();
    // Far more than a broker sends ahead of an answer.
    publish(broker.port, &(1..=200).map(air).collect::<Vec<_>>());
    publish(broker.port, &(0..3).map(|_| ("loft/tank/distance", "385".to_owned())).collect::<Vec<_>>());

    let letter = wait_for("the letter", || mail.taken().into_iter().next());
    let subject = letter["headers"]["Subject"].as_str().expect("a subject");
    assert!(subject.starts_with("Now: tank empty"), "{subject}");
    let lamp =
        wait_for("the lamp of the store", || Some(retained(broker.port, STORE_LAMP)).filter(|lamp| !lamp.is_empty()));
    assert!(lamp.contains("\"unacknowledged\"") && lamp.contains("the disk is full"), "{lamp}");
    assert_eq!(room.stored("temperature").0, 1, "nothing of it could be saved");
    let now = room.now();
    assert!(now.contains("nothing can be saved: ") && now.contains("the disk is full"), "{now}");
    assert!(
        now.contains("reservoir-empty:tank (unacknowledged, now)"),
        "what holds is shown, not what was written: {now}"
    );

    disk.empty();
    wait_for("what was kept to be saved", || (room.stored("temperature") == (201, 201)).then_some(()));
    wait_for("the lamp to say so", || retained(broker.port, STORE_LAMP).contains("\"returned-un").then_some(()));
    publish(broker.port, &[air(201)]);
    wait_for("a reading after it", || (room.stored("temperature") == (202, 202)).then_some(()));
    assert_eq!(mail.taken().len(), 1, "once");
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
}

#[test]
fn new_settings_wait_for_a_store_that_fails_and_lose_nothing() {
    let broker = broker();
    let (room, disk) = room_with_a_full_disk(&broker);
    // By then the broker has been answered: what it was answered for comes never again.
    wait_for("the lamp", || retained(broker.port, STORE_LAMP).contains("unacknowledged").then_some(()));
    room.edit("loft/rack-a/air", "loft/rack-a/new");
    room.signal("-HUP");
    wait_for("the answer to the signal", || room.log().contains("new settings").then_some(()));
    publish(broker.port, &(101..=150).map(air).collect::<Vec<_>>());
    disk.empty();
    wait_for("the second start", || (room.log().matches("connected to the broker").count() >= 2).then_some(()));
    wait_for("every reading, each once", || (room.stored("temperature") == (151, 151)).then_some(()));
    publish(broker.port, &[("loft/rack-a/new", air(151).1)]);
    wait_for("a reading under the new settings", || (room.stored("temperature") == (152, 152)).then_some(()));
}

#[test]
fn a_store_that_fails_can_be_left_for_another_disk_without_a_loss() {
    let broker = broker();
    let (mut room, _disk) = room_with_a_full_disk(&broker);
    room.edit("path = \"card/room.db\"", "path = \"room.db\"");
    room.store = room.folder.path().join("room.db");
    room.signal("-HUP");
    wait_for("the second start", || (room.log().matches("connected to the broker").count() >= 2).then_some(()));
    wait_for("what the full disk refused", || (room.stored("temperature") == (100, 100)).then_some(()));
}
