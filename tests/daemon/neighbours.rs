//! Several sites on one broker: an entry for a site that nobody watches is answered and told,
//! and one for a site that another daemon watches is none of ours.

use crate::broker_server::{self, Server};
use crate::room::{PASSWORD, Room, broker, hears, publish, wait_for};
use std::process::Command;

/// Says something that the broker keeps.
fn keep(port: u16, topic: &str, payload: &str) {
    let said = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-u", "warden", "-P", PASSWORD])
        .args(["-r", "-t", topic, "-m", payload])
        .status()
        .expect("mosquitto_pub runs (apt install mosquitto-clients)");
    assert!(said.success());
}

#[test]
fn an_entry_for_a_site_nobody_watches_is_answered_and_never_taken() {
    let broker = broker();
    keep(broker.port, "traywarden/barn/status", "online");
    let mut room = Room::new(broker.port, None);
    room.start(&broker);
    let sown = room.verb(&["log", "sow", "tray=K12", "place=rack-a", "crop=broccoli"]);
    assert_eq!(sown.status.code(), Some(0), "{}", String::from_utf8_lossy(&sown.stdout));
    let answers = hears(broker.port, "traywarden/+/journal/answer", 1);
    let watered = r#"{"did":"water","tray":"K12","ml_per_tray":118}"#;
    // Until its second connection stands it hears nobody; a button is pressed again, too.
    let told = wait_for("the entry to be noticed", || {
        publish(
            broker.port,
            &[("traywarden/barn/journal", watered.to_owned()), ("traywarden/saltmarsh/journal", watered.to_owned())],
        );
        Some(room.now()).filter(|now| now.contains("traywarden/saltmarsh/journal"))
    });
    assert!(told.contains("nobody watches this site, so nothing was taken"), "{told}");
    assert!(!told.contains("barn"), "the barn has a watch of its own: {told}");
    let answers = answers();
    assert_eq!(answers[0]["taken"], false);
    assert_eq!(
        answers[0]["answer"],
        "Nothing was taken: this watch is of the site \"saltmarsh-lane\", and nobody watches \"saltmarsh\" on this \
         broker now. Publish to traywarden/saltmarsh-lane/journal."
    );
    let list = String::from_utf8_lossy(&room.verb(&["log", "--list"]).stdout).into_owned();
    assert!(!list.contains("water"), "{list}");
    let digest = String::from_utf8_lossy(&room.verb(&["digest"]).stdout).into_owned();
    let digest = digest.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(digest.contains("sent to a site that nobody watches, so nothing was taken"), "{digest}");
}

#[test]
fn a_broker_that_lets_a_user_in_once_keeps_the_watch() {
    let broker = Server::start(|folder| {
        let passwords = folder.file("passwords");
        broker_server::run("mosquitto_passwd", &["-b", "-c", &passwords, "warden", PASSWORD]);
        format!("allow_anonymous false\npassword_file {passwords}\nuse_username_as_clientid true\n")
    });
    let mut room = Room::new(broker.port, None);
    room.spawn();
    wait_for("the watch to come back for good", || {
        let log = room.log();
        let given_up = log.find("lets a user in only once")?;
        log[given_up..].contains("connected to the broker").then_some(())
    });
    assert!(!room.log().contains("somebody else connects"), "{}", room.log());
    assert!(room.is_running());
}
