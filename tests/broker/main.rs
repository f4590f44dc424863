//! Intake against a real mosquitto, started by each test on a free loopback
//! port: login, TLS, redelivery, reconnect, oversized messages, refused topics
//! and the last will. Needs the Debian packages `mosquitto` and `openssl`.

mod server;

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use server::{Certificates, Server};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::time::timeout;
use traywarden::config::{Broker, Tls};
use traywarden::intake::mqtt::{Delivery, FromBroker, Link, connect};
use traywarden::intake::payload::LARGEST_PAYLOAD;

const AIR: &str = "loft/rack-a/air";
const STATUS: &str = "traywarden/saltmarsh-lane/status";
/// Nothing here takes a second but the pause before a new attempt; this only ends a hung test.
const PATIENCE: Duration = Duration::from_secs(30);

fn broker(port: u16) -> Broker {
    Broker {
        host: "127.0.0.1".into(),
        port,
        tls: None,
        user: None,
        password_file: None,
        client_id: "traywarden-test".into(),
        site_topic: "saltmarsh-lane".into(),
    }
}

fn link(broker: &Broker, topics: &[&str]) -> (Link, mpsc::Receiver<FromBroker>) {
    connect(broker, topics.iter().map(|topic| (*topic).to_owned()).collect()).expect("a link")
}

async fn next(from_broker: &mut mpsc::Receiver<FromBroker>) -> FromBroker {
    timeout(PATIENCE, from_broker.recv()).await.expect("the broker says something").expect("the listener lives")
}

async fn up(from_broker: &mut mpsc::Receiver<FromBroker>) -> bool {
    loop {
        if let FromBroker::Up { session_present } = next(from_broker).await {
            return session_present;
        }
    }
}

async fn down(from_broker: &mut mpsc::Receiver<FromBroker>) -> String {
    loop {
        if let FromBroker::Down { error } = next(from_broker).await {
            return error;
        }
    }
}

async fn delivery(from_broker: &mut mpsc::Receiver<FromBroker>) -> Delivery {
    loop {
        if let FromBroker::Delivery(delivery) = next(from_broker).await {
            return delivery;
        }
    }
}

async fn deliveries(from_broker: &mut mpsc::Receiver<FromBroker>, count: usize) -> Vec<Delivery> {
    let mut all = Vec::new();
    while all.len() < count {
        all.push(delivery(from_broker).await);
    }
    all
}

/// A sensor or a reader: a plain client with nothing of ours in it.
fn other_client(port: u16, id: &str) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_max_packet_size(32 * 1024 * 1024, 32 * 1024 * 1024);
    AsyncClient::new(options, 64)
}

async fn publish_all(port: u16, messages: &[(&str, Vec<u8>)]) {
    let (client, mut event_loop) = other_client(port, "sensor");
    for (topic, payload) in messages {
        client.publish(*topic, QoS::AtLeastOnce, false, payload.clone()).await.expect("room in the queue");
    }
    let mut taken = 0;
    while taken < messages.len() {
        let event = timeout(PATIENCE, event_loop.poll()).await.expect("the broker answers").expect("a connection");
        taken += usize::from(matches!(event, Event::Incoming(Packet::PubAck(_))));
    }
}

async fn publish(port: u16, topic: &str, payload: &str) {
    publish_all(port, &[(topic, payload.as_bytes().to_vec())]).await;
}

/// What a reader that subscribes to `topic` gets next, with its retain flag.
struct Reader(EventLoop);

impl Reader {
    async fn of(port: u16, topic: &str) -> Self {
        let (client, event_loop) = other_client(port, "reader");
        client.subscribe(topic, QoS::AtLeastOnce).await.expect("room in the queue");
        let mut reader = Reader(event_loop);
        while !matches!(reader.event().await, Event::Incoming(Packet::SubAck(_))) {}
        reader
    }

    async fn event(&mut self) -> Event {
        timeout(PATIENCE, self.0.poll()).await.expect("the broker says something").expect("a connection")
    }

    async fn next(&mut self) -> (String, bool) {
        loop {
            if let Event::Incoming(Packet::Publish(message)) = self.event().await {
                return (String::from_utf8_lossy(&message.payload).into_owned(), message.retain);
            }
        }
    }
}

#[tokio::test]
async fn a_wrong_password_is_told_what_to_check() {
    let server = Server::start(|folder| {
        server::run("mosquitto_passwd", &["-b", "-c", &folder.file("passwords"), "warden", "sesame"]);
        format!("allow_anonymous false\npassword_file {}\n", folder.file("passwords"))
    });
    let mut broker = broker(server.port);
    broker.user = Some("warden".into());
    broker.password_file = Some(server.write("password", "sesame\nonly the first line counts\n"));
    let (right, mut from_broker) = link(&broker, &[AIR]);
    assert!(!up(&mut from_broker).await, "the broker has never seen us");
    right.close().await;

    broker.password_file = Some(server.write("password", "simsim\n"));
    let (_wrong, mut from_broker) = link(&broker, &[AIR]);
    let error = down(&mut from_broker).await;
    assert!(error.contains("warden") && error.contains("password_file"), "{error}");
}

#[tokio::test]
async fn tls_with_a_private_authority_carries_messages() {
    let server = Server::start(|folder| {
        Certificates::make(folder);
        format!(
            "allow_anonymous true\ncafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n",
            folder.file("ca.pem"),
            folder.file("server.pem"),
            folder.file("server.key")
        )
    });
    let identified = Tls {
        ca_file: Some(server.path("ca.pem")),
        certificate_file: Some(server.path("client.pem")),
        key_file: Some(server.path("client.key")),
    };
    let mut broker = broker(server.port);
    broker.tls = Some(identified.clone());
    let (link_up, mut from_broker) = link(&broker, &[AIR, STATUS]);
    up(&mut from_broker).await;
    // Our own status comes back to us, so both directions work.
    assert_eq!(delivery(&mut from_broker).await.payload, b"online");
    link_up.close().await;

    broker.tls = Some(Tls { certificate_file: None, key_file: None, ..identified.clone() });
    let (_nameless, mut from_broker) = link(&broker, &[AIR]);
    let error = down(&mut from_broker).await;
    assert!(error.contains("certificate_file"), "{error}");

    broker.tls = Some(Tls { ca_file: None, ..identified });
    let (_trusting, mut from_broker) = link(&broker, &[AIR]);
    let error = down(&mut from_broker).await;
    assert!(error.contains("ca_file"), "{error}");
}

#[tokio::test]
async fn what_was_not_acknowledged_comes_again_marked_as_duplicate() {
    let server = Server::start(|_| "allow_anonymous true\n".into());
    let (first, mut from_broker) = link(&broker(server.port), &[AIR]);
    up(&mut from_broker).await;
    for reading in ["20", "21", "22", "23"] {
        publish(server.port, AIR, reading).await;
    }
    let held = deliveries(&mut from_broker, 4).await;
    assert!(held.iter().all(|delivery| !delivery.duplicate && !delivery.retained));
    first.acknowledge(held[..2].iter().map(|delivery| delivery.receipt));
    // An answer to something sent after the acknowledgements shows that those have arrived.
    let mut reader = Reader::of(server.port, "traywarden/saltmarsh-lane/alarm/x").await;
    first.speaker().announce("traywarden/saltmarsh-lane/alarm/x", b"after").await.expect("the broker takes it");
    assert_eq!(reader.next().await.0, "after");
    drop(first);

    let (second, mut from_broker) = link(&broker(server.port), &[AIR]);
    let again = deliveries(&mut from_broker, 2).await;
    let payloads: Vec<&[u8]> = again.iter().map(|delivery| &delivery.payload[..]).collect();
    assert_eq!(payloads, [b"22", b"23"]);
    assert!(again.iter().all(|delivery| delivery.duplicate));
    second.acknowledge(again.iter().map(|delivery| delivery.receipt));
    second.close().await;

    let (_third, mut from_broker) = link(&broker(server.port), &[AIR]);
    assert!(up(&mut from_broker).await, "the broker kept our session");
    publish(server.port, AIR, "24").await;
    assert_eq!(delivery(&mut from_broker).await.payload, b"24", "close() sent the acknowledgements first");
}

#[tokio::test]
async fn an_acknowledgement_of_an_earlier_connection_is_dropped() {
    let server = Server::start(|_| "allow_anonymous true\n".into());
    let (first, mut from_broker) = link(&broker(server.port), &[AIR]);
    up(&mut from_broker).await;
    publish(server.port, AIR, "20").await;
    let old = delivery(&mut from_broker).await.receipt;
    // Somebody else by our name: the broker throws us out, and our session stands.
    let mut options = MqttOptions::new("traywarden-test", "127.0.0.1", server.port);
    options.set_clean_session(false).set_manual_acks(true);
    let (_thief, mut event_loop) = AsyncClient::new(options, 8);
    event_loop.poll().await.expect("a connection");
    down(&mut from_broker).await;
    drop(event_loop);
    let again = delivery(&mut from_broker).await;
    assert!(again.duplicate && again.receipt.epoch > old.epoch);
    assert_eq!(again.receipt.packet_id, old.packet_id, "the old receipt would fit the new message");
    first.acknowledge([old]);
    first.close().await;

    let (_second, mut from_broker) = link(&broker(server.port), &[AIR]);
    assert_eq!(delivery(&mut from_broker).await.payload, b"20");
}

#[tokio::test]
async fn a_broker_that_dies_and_forgets_is_found_again_and_told_everything_again() {
    let mut server = Server::start(|_| "allow_anonymous true\n".into());
    let (link, mut from_broker) = link(&broker(server.port), &[AIR]);
    up(&mut from_broker).await;
    let speaker = link.speaker();
    speaker
        .announce("traywarden/saltmarsh-lane/alarm/7", br#"{"kind":"air-too-warm"}"#)
        .await
        .expect("the broker takes it");
    server.kill();
    down(&mut from_broker).await;
    let refused = speaker.announce("traywarden/saltmarsh-lane/alarm/8", b"raised while away").await;
    assert!(refused.is_err_and(|why| why.contains("no connection")), "nobody has heard it");
    server.start_again();
    assert!(!up(&mut from_broker).await, "this broker keeps nothing");
    publish(server.port, AIR, "21.5").await;
    assert_eq!(delivery(&mut from_broker).await.payload, b"21.5");
    for (alarm, wanted) in [("7", r#"{"kind":"air-too-warm"}"#), ("8", "raised while away")] {
        let mut reader = Reader::of(server.port, &format!("traywarden/saltmarsh-lane/alarm/{alarm}")).await;
        assert_eq!(reader.next().await.0, wanted);
    }
}

/// Says and hears bytes as written, which no real broker would do on command.
async fn say_hear(stream: &mut TcpStream, say: &[u8]) {
    stream.write_all(say).await.expect("the client listens");
    let mut heard = [0; 512];
    let heard = timeout(PATIENCE, stream.read(&mut heard)).await.expect("the client speaks").expect("bytes");
    assert!(heard > 0, "the client has gone");
}

#[tokio::test]
async fn what_was_read_with_the_end_of_a_connection_is_handed_on() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
    let (_link, mut from_broker) = link(&broker(listener.local_addr().expect("a port").port()), &[AIR]);
    let (mut stream, _) = listener.accept().await.expect("the link comes");
    // CONNECT and CONNACK, SUBSCRIBE and SUBACK (MQTT 3.1.1, 3.2 and 3.9).
    say_hear(&mut stream, b"").await;
    say_hear(&mut stream, &[0x20, 2, 0, 0]).await;
    stream.write_all(&[0x90, 3, 0, 1, 1]).await.expect("the client listens");
    up(&mut from_broker).await;
    // Three PUBLISH at QoS 1 (3.3) and a packet of the kind 0, which is none, in one write.
    let mut bytes: Vec<u8> = Vec::new();
    for nth in 1..=3 {
        bytes.extend([0x32, 20, 0, 15]);
        bytes.extend(AIR.as_bytes());
        bytes.extend([0, nth, b'0' + nth]);
    }
    bytes.extend([0x00, 0x00]);
    stream.write_all(&bytes).await.expect("the client listens");
    let all = deliveries(&mut from_broker, 3).await;
    let payloads: Vec<&[u8]> = all.iter().map(|delivery| delivery.payload.as_slice()).collect();
    assert_eq!(payloads, [b"1", b"2", b"3"]);
    assert!(all.iter().all(|delivery| delivery.receipt.epoch == 1), "receipts of the connection they came on");
    down(&mut from_broker).await;
}

#[tokio::test]
async fn an_oversized_message_is_handed_on_cut_and_does_not_stop_those_behind_it() {
    let server = Server::start(|_| "allow_anonymous true\nmessage_size_limit 0\n".into());
    let (link, mut from_broker) = link(&broker(server.port), &[AIR]);
    up(&mut from_broker).await;
    let bomb = vec![b'x'; 1_000_000];
    publish_all(server.port, &[(AIR, bomb), (AIR, b"21.5".to_vec())]).await;
    let first = delivery(&mut from_broker).await;
    assert_eq!(first.payload.len(), LARGEST_PAYLOAD + 1);
    let second = delivery(&mut from_broker).await;
    assert_eq!(second.payload, b"21.5");
    link.acknowledge([first.receipt, second.receipt]);
    link.close().await;
}

#[tokio::test]
async fn a_message_beyond_all_bounds_costs_the_session_but_not_the_stream() {
    let server = Server::start(|_| "allow_anonymous true\nmessage_size_limit 0\n".into());
    let (_link, mut from_broker) = link(&broker(server.port), &[AIR]);
    up(&mut from_broker).await;
    publish_all(server.port, &[(AIR, vec![b'x'; 17 * 1024 * 1024])]).await;
    let bytes = loop {
        if let FromBroker::GivenUp { bytes } = next(&mut from_broker).await {
            break bytes;
        }
    };
    assert!(bytes >= 17 * 1024 * 1024, "{bytes}");
    let error = down(&mut from_broker).await;
    assert!(error.contains("message_size_limit"), "{error}");
    assert!(!up(&mut from_broker).await, "the session was given up");
    publish(server.port, AIR, "21.5").await;
    assert_eq!(delivery(&mut from_broker).await.payload, b"21.5");
}

#[tokio::test]
async fn topics_the_broker_refuses_are_named() {
    let server = Server::start(|folder| {
        // mosquitto's acl_file cannot refuse a subscription, its dynamic security plugin can.
        let rules = r#"{"defaultACLAccess":{"publishClientSend":true,"publishClientReceive":true,"subscribe":false,"unsubscribe":true},
            "anonymousGroup":"all","groups":[{"groupname":"all","roles":[{"rolename":"listener"}]}],
            "roles":[{"rolename":"listener","acls":[{"acltype":"subscribeLiteral","topic":"loft/rack-a/air","allow":true}]}]}"#;
        folder.write("security.json", rules);
        format!(
            "allow_anonymous true\nplugin {}\nplugin_opt_config_file {}\n",
            server::dynamic_security_plugin(),
            folder.file("security.json")
        )
    });
    let (_link, mut from_broker) = link(&broker(server.port), &["loft/rack-b/air", AIR]);
    assert_eq!(next(&mut from_broker).await, FromBroker::SubscribeRefused { topics: vec!["loft/rack-b/air".into()] });
    assert_eq!(next(&mut from_broker).await, FromBroker::Up { session_present: false });
}

#[tokio::test]
async fn a_topic_that_left_the_config_is_handed_on_once_and_then_given_up() {
    let server = Server::start(|_| "allow_anonymous true\n".into());
    let (before, mut from_broker) = link(&broker(server.port), &[AIR, "loft/old"]);
    up(&mut from_broker).await;
    before.close().await;
    publish(server.port, "loft/old", "1").await;
    let (after, mut from_broker) = link(&broker(server.port), &[AIR]);
    let left = delivery(&mut from_broker).await;
    assert_eq!(left.topic, "loft/old");
    after.acknowledge([left.receipt]);
    let mut reader = Reader::of(server.port, "x").await;
    after.speaker().announce("x", b"after the unsubscribe").await.expect("the broker takes it");
    reader.next().await;
    publish(server.port, "loft/old", "2").await;
    publish(server.port, AIR, "21.5").await;
    assert_eq!(delivery(&mut from_broker).await.topic, AIR);
}

#[tokio::test]
async fn others_see_us_online_then_offline_whether_we_leave_or_break_off() {
    let server = Server::start(|_| "allow_anonymous true\n".into());
    let mut reader = Reader::of(server.port, STATUS).await;
    let (leaving, mut from_broker) = link(&broker(server.port), &[AIR]);
    up(&mut from_broker).await;
    assert_eq!(reader.next().await.0, "online");
    leaving.close().await;
    assert_eq!(reader.next().await.0, "offline");
    let (breaking, mut from_broker) = link(&broker(server.port), &[AIR]);
    up(&mut from_broker).await;
    assert_eq!(reader.next().await.0, "online");
    drop(breaking);
    assert_eq!(reader.next().await.0, "offline");
    drop(reader);
    let mut late = Reader::of(server.port, STATUS).await;
    assert_eq!(late.next().await, ("offline".to_owned(), true), "the status is retained");
}

#[tokio::test]
async fn somebody_who_uses_our_id_again_and_again_is_noticed() {
    let server = Server::start(|_| "allow_anonymous true\n".into());
    let (_link, mut from_broker) = link(&broker(server.port), &[AIR]);
    let mut thieves = Vec::new();
    let times = loop {
        match next(&mut from_broker).await {
            FromBroker::Contested { times } => break times,
            FromBroker::Up { .. } => {
                assert!(thieves.len() < 6, "thrown out {} times and nothing noticed", thieves.len());
                let mut options = MqttOptions::new("traywarden-test", "127.0.0.1", server.port);
                options.set_clean_session(false);
                let (thief, mut event_loop) = AsyncClient::new(options, 8);
                event_loop.poll().await.expect("a connection");
                thieves.push((thief, event_loop));
            }
            _ => {}
        }
    };
    assert_eq!((times, thieves.len()), (4, 4));
}

#[tokio::test]
async fn several_announcements_at_once_all_reach_the_broker() {
    let server = Server::start(|_| "allow_anonymous true\n".into());
    let (link, mut from_broker) = link(&broker(server.port), &[AIR]);
    up(&mut from_broker).await;
    let speaker = link.speaker();
    let said = |nth: u32| {
        let speaker = speaker.clone();
        async move { speaker.announce(&format!("traywarden/saltmarsh-lane/alarm/{nth}"), b"on").await }
    };
    let (one, two, three) = tokio::join!(said(1), said(2), said(3));
    assert_eq!((one, two, three), (Ok(()), Ok(()), Ok(())));
}
