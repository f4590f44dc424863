//! The real binary against a real broker and a real mail server: a reading in, a letter
//! out; a broker killed and back; a daemon killed in mid-stream with nothing lost.

#![expect(clippy::unwrap_used, reason = "a test that unwraps says where it broke")]

#[path = "../broker/server.rs"]
#[expect(dead_code, reason = "shared with tests/broker, which uses the rest")]
mod broker_server;
#[path = "../mail/server.rs"]
#[expect(dead_code, reason = "shared with tests/mail, which uses the rest")]
mod mail_server;
mod bad_place;
mod failing_store;
mod kept_state;
mod kills;
mod lost_store;
mod neighbours;
mod packing_kills;
mod refusing_card;
mod room;
mod set_clock;
mod small_disk;

use mail_server::MailServer;
use room::{Room, STATUS, air, broker, hears, publish, retained, wait_for};
use std::process::Command;

#[test]
fn an_empty_tank_becomes_a_letter_and_a_lamp_and_its_answer_reaches_both() {
    let broker = broker();
    let mail = MailServer::started("implicit");
    let mut room = Room::new(broker.port, Some(&mail));
    room.start(&broker);
    let empty: Vec<_> = (0..3).map(|_| ("loft/tank/distance", "385".to_owned())).collect();
    publish(broker.port, &empty);
    publish(broker.port, &[("loft/tank/distance", "garbage".to_owned()), ("loft/rack-a/air", "\u{1}{".to_owned())]);

    let letter = wait_for("the letter", || mail.taken().into_iter().next());
    assert_eq!(letter["tls"], true);
    assert_eq!(letter["authenticated"], true);
    assert_eq!(letter["headers"]["Auto-Submitted"], "auto-generated");
    let subject = letter["headers"]["Subject"].as_str().expect("a subject");
    assert!(subject.starts_with("Now: tank empty"), "{subject}");

    let lamp = "traywarden/saltmarsh-lane/alarm/reservoir-empty/tank";
    let shown: serde_json::Value = serde_json::from_str(&retained(broker.port, lamp)).expect("a JSON object");
    assert_eq!((&shown["state"], &shown["priority"]), (&"unacknowledged".into(), &"now".into()));
    let answered = room.verb(&["alarms", "acknowledge", "reservoir-empty:tank"]);
    assert_eq!(answered.status.code(), Some(0), "{}", String::from_utf8_lossy(&answered.stdout));
    wait_for("the lamp to be quiet", || retained(broker.port, lamp).contains("\"acknowledged\"").then_some(()));
    let full: Vec<_> = (0..3).map(|_| ("loft/tank/distance", "150".to_owned())).collect();
    publish(broker.port, &full);
    let over = wait_for("the letter that it is over", || mail.taken().into_iter().nth(1));
    assert_eq!(over["headers"]["In-Reply-To"], letter["headers"]["Message-ID"], "in one thread");
    assert_ne!(over["headers"]["Message-ID"], letter["headers"]["Message-ID"]);
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    assert_eq!(retained(broker.port, STATUS), "offline");
    room.start(&broker);
    assert!(room.log().contains("the store is as it was left"), "{}", room.log());
}

#[test]
fn killed_in_mid_stream_the_daemon_has_every_reading_exactly_once() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    const MESSAGES: usize = 3000;
    let port = broker.port;
    let publisher = std::thread::spawn(move || {
        for part in (0..MESSAGES).collect::<Vec<_>>().chunks(100) {
            publish(port, &part.iter().map(|number| air(*number)).collect::<Vec<_>>());
        }
    });
    for kill in 1..=3 {
        let enough = kill * 500;
        wait_for("readings to be stored", || (room.stored("temperature").0 >= enough).then_some(()));
        room.kill();
        room.start(&broker);
    }
    publisher.join().expect("everything was published");
    let all = MESSAGES as i64;
    wait_for("the last reading", || (room.stored("temperature").1 >= all).then_some(()));
    assert_eq!(room.stored("temperature"), (all, all), "each once");
    assert_eq!(room.stored("humidity").0, all);
}

#[test]
fn a_broker_that_was_killed_is_found_again_and_readings_flow() {
    let mut broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    publish(broker.port, &[air(1)]);
    wait_for("the first reading", || (room.stored("temperature").0 >= 1).then_some(()));
    broker.kill();
    wait_for("the loss to be noticed", || room.log().contains("no connection to the broker").then_some(()));
    broker.start_again();
    wait_for("the daemon to be back", || (retained(broker.port, STATUS) == "online").then_some(()));
    wait_for("the second reading", || {
        publish(broker.port, &[air(2)]);
        (room.stored("temperature").1 >= 2).then_some(())
    });
    let history = room.verb(&["history", "rack-a", "--json", "--since", "1 h"]);
    assert_eq!(history.status.code(), Some(0));
    let series: serde_json::Value = serde_json::from_slice(&history.stdout).expect("JSON");
    assert!(series[0]["points"].as_array().is_some_and(|points| !points.is_empty()), "{series}");
}

#[test]
fn the_journal_is_taken_over_store_and_broker() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    let sown = room.verb(&["log", "sow", "tray=K12", "place=rack-a", "crop=broccoli", "count=4"]);
    assert_eq!(sown.status.code(), Some(0), "{}", String::from_utf8_lossy(&sown.stdout));
    let refused = room.verb(&["log", "harvest", "tray=Z9", "grams=100"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stdout).contains("no tray called \"Z9\""));
    let entry = r#"{"did":"sow","tray":"K13","place":"rack-a","blend":"kale,radish","seed_grams":24}"#;
    let journal = "traywarden/saltmarsh-lane/journal";
    let answers = hears(broker.port, "traywarden/saltmarsh-lane/journal/answer", 4);
    publish(
        broker.port,
        &[
            (journal, "{\"did\":\"sow\"".to_owned()),
            (journal, entry.to_owned()),
            (journal, r#"{"did":"water","place":"rack-a","mL":118}"#.to_owned()),
            (journal, r#"{"did":"water","tray":"k12","ml_per_tray":"4 fl oz"}"#.to_owned()),
        ],
    );
    let answers = answers();
    let [bad, good, lost, watered] = answers.as_slice() else { panic!("{answers:?}") };
    assert!(
        lost["taken"] == false && lost["answer"].as_str().is_some_and(|why| why.contains("did you mean ml?")),
        "{lost}"
    );
    assert_eq!((&watered["taken"], &watered["answer"]), (&true.into(), &"Watered K12: 118 mL a tray.".into()));
    assert!(
        bad["taken"] == false && bad["answer"].as_str().is_some_and(|why| why.contains("that is no entry")),
        "{bad}"
    );
    assert_eq!(good["taken"], true);
    let answer = good["answer"].as_str().unwrap_or_default();
    assert!(
        answer.starts_with("Sown K13 in Rack A: kale + radish, 1 tray. 24 g a tray: 12 g kale and 12 g radish."),
        "{answer}"
    );
    assert!(answer.contains("radish is usually cut from day 6, kale from day 10, 4 days later"), "{answer}");
    // It is answered when it is taken, and listed when it is written down.
    wait_for("the entry in the list", || {
        let list = String::from_utf8_lossy(&room.verb(&["log", "--list"]).stdout).into_owned();
        list.contains("MQTT      sow blend=kale:12g,radish:12g").then_some(())
    });
    let trays = wait_for("both trays", || {
        let trays = String::from_utf8_lossy(&room.verb(&["trays", "--json"]).stdout).into_owned();
        trays.contains("K13").then_some(trays)
    });
    assert!(trays.contains("K12"), "{trays}");
}

#[test]
fn a_letter_waits_for_a_server_that_is_away() {
    let broker = broker();
    let mut mail = MailServer::prepared("implicit");
    let mut room = Room::new(broker.port, Some(&mail));
    room.start(&broker);
    publish(broker.port, &[("loft/tank/distance", "385".to_owned())]);
    wait_for("the first try", || room.log().contains("the letter did not leave").then_some(()));
    mail.start();
    wait_for("the letter", || mail.taken().into_iter().next());
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
    assert_eq!(mail.taken().len(), 1, "once");

    let file = room.folder.path().join("wrong.toml");
    std::fs::write(&file, "[site]\nname = \"X\"\ntime_zone = \"America/Chicgo\"\n").expect("writable");
    let checked = Command::new(env!("CARGO_BIN_EXE_traywarden"))
        .arg("--config")
        .arg(&file)
        .arg("check")
        .output()
        .expect("the binary runs");
    assert_eq!(checked.status.code(), Some(78));
    let said = String::from_utf8_lossy(&checked.stderr).into_owned();
    assert!(said.contains("wrong.toml:3") && said.contains("site.time_zone"), "{said}");
}

#[test]
fn new_settings_are_taken_without_a_stop_and_wrong_ones_change_nothing() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    room.edit("every = \"1 s\"\ntemperature", "evry = \"1 s\"\ntemperature");
    room.signal("-HUP");
    let log = wait_for("the refusal", || Some(room.log()).filter(|log| log.contains("under the old ones")));
    assert!(log.contains("evry") && log.contains("room.toml:"), "{log}");
    publish(broker.port, &[air(1)]);
    wait_for("a reading under the old settings", || (room.stored("temperature").0 >= 1).then_some(()));

    room.edit("evry = \"1 s\"\ntemperature", "every = \"1 s\"\ntemperature");
    room.edit("loft/rack-a/air", "loft/rack-a/new");
    room.signal("-HUP");
    wait_for("the second start", || (room.log().matches("connected to the broker").count() >= 2).then_some(()));
    publish(broker.port, &[("loft/rack-a/new", air(2).1)]);
    wait_for("a reading under the new settings", || (room.stored("temperature").1 >= 2).then_some(()));
    assert!(room.is_running(), "it is the same process");
    assert!(room.log().contains("the store is as it was left"), "{}", room.log());
    assert_eq!(room.terminate(), Some(0), "{}", room.log());
}

#[test]
fn a_second_daemon_on_the_same_store_is_turned_away() {
    let broker = broker();
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    let second = room.verb(&["run"]);
    assert_eq!(second.status.code(), Some(1));
    let said = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(said.contains("another traywarden") && said.contains("room.db"), "{said}");
    assert!(room.is_running());
}
