//! The stories through a real broker: the built-in one, listened to by a client
//! that has nothing to do with the publisher.

use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, QoS};
use std::time::Duration;
use tokio::sync::watch;
use tokio::time::{Instant, timeout};
use traywarden::demo::broker::{self, DemoBroker};
use traywarden::demo::{nights, publisher};

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime")
}

#[test]
fn a_story_reaches_a_subscriber_whole_and_in_order() {
    let mut story = nights::named("fan-out-at-22").expect("the story");
    story.span = chrono::TimeDelta::hours(3);
    let wanted: Vec<(String, Vec<u8>)> = story.play().messages.into_iter().map(|m| (m.topic, m.payload)).collect();
    let embedded = DemoBroker::built_in(0).expect("a free port");
    assert!(broker::is_listening(&format!("mqtt://127.0.0.1:{}", embedded.port)));
    runtime().block_on(async {
        let (client, mut events) = AsyncClient::new(MqttOptions::new("listener", "127.0.0.1", embedded.port), 64);
        client.subscribe("#", QoS::AtLeastOnce).await.expect("queued");
        let (ready, mut subscribed) = watch::channel(false);
        let count = wanted.len();
        let listener = tokio::spawn(async move {
            let mut heard = Vec::new();
            while heard.len() < count {
                match events.poll().await.expect("the broker is there") {
                    Event::Incoming(Packet::SubAck(_)) => drop(ready.send_replace(true)),
                    Event::Incoming(Packet::Publish(reported)) => {
                        heard.push((reported.topic, reported.payload.to_vec()))
                    }
                    _ => {}
                }
            }
            heard
        });
        subscribed.wait_for(|ready| *ready).await.expect("subscribed");
        let (reported, clock) = watch::channel(None);
        let published = publisher::publish(&story, "127.0.0.1", embedded.port, Instant::now(), 20_000.0, &reported)
            .await
            .expect("published");
        assert_eq!((published.sent, published.acknowledged), (count, count));
        assert!(clock.borrow().is_some_and(|at| at > story.ends_at() - chrono::TimeDelta::minutes(2)));
        let heard = timeout(Duration::from_secs(30), listener).await.expect("everything is heard").expect("listener");
        assert!(heard == wanted);
        drop(client);
    });
}

#[test]
fn the_built_in_broker_keeps_sessions_wills_and_retained_messages() {
    let broker = DemoBroker::built_in(0).expect("a free port");
    let options = |id: &str| {
        let mut options = MqttOptions::new(id, "127.0.0.1", broker.port);
        options.set_clean_session(false);
        options
    };
    runtime().block_on(async {
        // A subscriber that went away without acknowledging hears it again, marked as a repeat.
        let mut away = options("away");
        away.set_manual_acks(true).set_last_will(LastWill::new("demo/away", "gone", QoS::AtLeastOnce, true));
        let (client, mut events) = AsyncClient::new(away.clone(), 8);
        client.subscribe("demo/+", QoS::AtLeastOnce).await.expect("queued");
        until(&mut events, |packet| matches!(packet, Packet::SubAck(_))).await;
        let (speaker, mut speaking) = AsyncClient::new(options("speaker"), 8);
        speaker.publish("demo/one", QoS::AtLeastOnce, true, "1").await.expect("queued");
        until(&mut speaking, |packet| matches!(packet, Packet::PubAck(_))).await;
        let first = until(&mut events, |packet| matches!(packet, Packet::Publish(_))).await;
        assert!(
            matches!(first, Packet::Publish(reported) if !reported.dup && !reported.retain && reported.payload == "1")
        );
        drop((client, events));
        let (late, mut hearing) = AsyncClient::new(options("late"), 8);
        late.subscribe("#", QoS::AtMostOnce).await.expect("queued");
        let mut kept = Vec::new();
        while kept.len() < 2 {
            if let Packet::Publish(reported) = until(&mut hearing, |packet| matches!(packet, Packet::Publish(_))).await
            {
                kept.push((reported.topic, reported.payload.to_vec()));
            }
        }
        kept.sort();
        assert_eq!(kept, [("demo/away".to_owned(), b"gone".to_vec()), ("demo/one".to_owned(), b"1".to_vec())]);
        let (_client, mut events) = AsyncClient::new(away, 8);
        let greeted = until(&mut events, |packet| matches!(packet, Packet::ConnAck(_))).await;
        assert!(matches!(greeted, Packet::ConnAck(greeting) if greeting.session_present));
        let again = until(&mut events, |packet| matches!(packet, Packet::Publish(_))).await;
        assert!(matches!(again, Packet::Publish(reported) if reported.dup && reported.payload == "1"));
    });
}

async fn until(events: &mut EventLoop, wanted: impl Fn(&Packet) -> bool) -> Packet {
    let found = async {
        loop {
            if let Event::Incoming(packet) = events.poll().await.expect("the broker is there")
                && wanted(&packet)
            {
                return packet;
            }
        }
    };
    timeout(Duration::from_secs(10), found).await.expect("it comes")
}

#[test]
fn a_missing_broker_is_named_and_the_demo_ends() {
    let port = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
    let story = nights::demo();
    let error = runtime().block_on(async {
        let (reported, _clock) = watch::channel(None);
        publisher::publish(&story, "127.0.0.1", port, Instant::now(), publisher::DEMO_SPEED, &reported).await
    });
    let text = error.expect_err("nobody listens").to_string();
    assert!(text.contains(&format!("127.0.0.1:{port}")), "{text}");
}

#[test]
fn a_senseless_speed_is_refused_and_the_demo_takes_about_two_minutes() {
    let story = nights::demo();
    let begin = runtime().block_on(async { Instant::now() });
    let last = publisher::leaves_at(begin, story.starts_at, story.ends_at(), publisher::DEMO_SPEED);
    assert!((100..150).contains(&(last - begin).as_secs()));
    for speed in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let refused = runtime().block_on(async {
            let (reported, _clock) = watch::channel(None);
            publisher::publish(&story, "127.0.0.1", 1, begin, speed, &reported).await
        });
        assert!(matches!(refused, Err(publisher::PublishError::Speed(_))), "{speed}");
    }
}
