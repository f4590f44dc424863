//! A disk that does not give the first page of the store back, as long as the daemon lives.

use crate::failing_store::STORE_LAMP;
use crate::room::{Room, air, broker, publish, retained, wait_for};
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
