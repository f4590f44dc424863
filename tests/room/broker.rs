//! The stories through a real broker: the built-in one, listened to by a client
//! that has nothing to do with the publisher.

#![cfg(feature = "demo-broker")]

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use std::time::Duration;
use tokio::sync::watch;
use tokio::time::{Instant, timeout};
use traywarden::demo::{broker, nights, publisher};

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime")
}

#[test]
fn a_story_reaches_a_subscriber_whole_and_in_order() {
    let mut story = nights::named("fan-out-at-22").expect("the story");
    story.span = chrono::TimeDelta::hours(3);
    let wanted: Vec<(String, Vec<u8>)> = story.play().messages.into_iter().map(|m| (m.topic, m.payload)).collect();
    let embedded = broker::start_embedded(0).expect("a free port");
    assert!(broker::find_broker(&format!("mqtt://127.0.0.1:{}", embedded.port)));
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
