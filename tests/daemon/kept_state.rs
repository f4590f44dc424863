//! What the engine remembers is kept beside the store, at a good stop and now and then; a
//! start and the verbs go on from there, and a state that cannot be had costs nothing but time.

use crate::room::{Room, air, broker, publish, wait_for};

const GOES_ON: &str = "what the engine remembers was kept";

/// The log begins anew with each start.
fn goes_on(room: &Room) -> bool {
    room.log().contains(GOES_ON)
}

/// An alarm that stands, as `alarms` shows it.
fn standing(room: &Room) -> serde_json::Value {
    let shown = room.verb(&["alarms", "--json"]);
    serde_json::from_slice(&shown.stdout).expect("JSON")
}

#[test]
fn a_start_goes_on_from_what_was_kept_unless_it_is_spoiled() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    for number in 0..3 {
        publish(broker.port, &[("loft/tank/distance", "385".to_owned()), air(number)]);
    }
    wait_for("the alarm", || room.log().contains("reservoir-empty:tank").then_some(()));
    wait_for("the alarm in the store", || standing(&room).to_string().contains("reservoir-empty").then_some(()));
    let before = standing(&room);
    let state = room.store.with_file_name("room.db.state");
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    assert!(state.exists(), "a good stop keeps it");
    assert!(!goes_on(&room), "the first start had nothing to go on from");

    room.start(&broker);
    assert!(goes_on(&room), "{}", room.log());
    assert_eq!(standing(&room), before, "and stands where it stood");

    publish(broker.port, &[air(7)]);
    wait_for("a reading behind the state", || (room.stored("temperature").0 >= 4).then_some(()));
    room.kill();
    room.start(&broker);
    assert!(goes_on(&room), "a kill leaves the last one: {}", room.log());
    assert_eq!(standing(&room), before);
    room.kill();

    // Half of it, as a card that lies may leave it.
    let bytes = std::fs::read(&state).expect("it is there");
    std::fs::write(&state, &bytes[..bytes.len() / 2]).expect("writable");
    room.start(&broker);
    assert!(!goes_on(&room), "{}", room.log());
    assert!(room.log().contains("it is not whole; the last ten days are lived through"), "{}", room.log());
    assert_eq!(standing(&room), before, "the store alone says the same");
    wait_for("a new one", || {
        publish(broker.port, &[air(8)]);
        std::fs::read(&state).is_ok_and(|now| now.len() > bytes.len() / 2).then_some(())
    });
}

#[test]
fn a_state_that_cannot_be_written_stops_nothing() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    // A folder where the new file would be.
    std::fs::create_dir_all(room.store.with_file_name("room.db.state.new").join("in the way")).expect("made");
    room.start(&broker);
    publish(broker.port, &[air(1)]);
    wait_for("the reading", || (room.stored("temperature").0 >= 1).then_some(()));
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    assert!(room.log().contains("could not be kept; the next start takes longer"), "{}", room.log());
    room.start(&broker);
    assert!(room.log().contains("the store is as it was left"), "{}", room.log());
    assert!(!goes_on(&room));
}
