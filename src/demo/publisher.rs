//! Plays a story on a fast clock through a real broker: each message leaves at
//! its scaled moment, QoS 1. What is said is decided in `story`; this file only
//! keeps the pace and the connection.

use super::sensors::Message;
use super::story::Story;
use crate::units::Timestamp;
use chrono::TimeDelta;
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use std::time::Duration;
use tokio::sync::watch;
use tokio::time::Instant;

/// Simulated seconds in a real one, by which two nights take about two minutes.
pub const DEMO_SPEED: f64 = 1150.0;

/// Why publishing stopped.
#[derive(Debug, thiserror::Error)]
pub enum PublishError {
    /// The speed makes no sense.
    #[error("a demo speed of {0} cannot be played; give a number above 0, such as 1150")]
    Speed(f64),
    /// The broker did not answer, or went away and stayed away.
    #[error("no answer from the broker at {host}:{port} for {seconds} s ({last}); is it running there?")]
    Broker {
        /// The host.
        host: String,
        /// The port.
        port: u16,
        /// How long we tried.
        seconds: u64,
        /// What the last attempt said.
        last: String,
    },
}

/// What was published.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Published {
    /// Messages handed to the broker.
    pub sent: usize,
    /// Messages the broker acknowledged.
    pub acknowledged: usize,
}

/// Publishes the whole story to the broker at `host:port`. The message due at
/// `story.starts_at` leaves at `begin`, a span of simulated time later the
/// `speed`th part of it later. `reached` learns the simulated time of each message
/// as it leaves. Returns when the broker has acknowledged everything.
///
/// # Errors
/// [`PublishError`]: a senseless speed, or a broker that does not answer for 10 s.
pub async fn publish(
    story: &Story,
    host: &str,
    port: u16,
    begin: Instant,
    speed: f64,
    reached: &watch::Sender<Option<Timestamp>>,
) -> Result<Published, PublishError> {
    if !(speed.is_finite() && speed > 0.0) {
        return Err(PublishError::Speed(speed));
    }
    let messages = story.play().messages;
    let mut options = MqttOptions::new("saltmarsh-lane-demo", host, port);
    options.set_keep_alive(Duration::from_secs(20));
    let (client, event_loop) = AsyncClient::new(options, 256);
    let (acknowledged, mut heard) = watch::channel(PublisherLink::default());
    // The event loop must be polled by a task of its own: dropping a poll half
    // way restarts the connection (measured with this version).
    let poller = tokio::spawn(keep_polling(event_loop, acknowledged));
    let sent = messages.len();
    let result = tokio::select! {
        result = feed(&client, &messages, story.starts_at, begin, speed, reached) => match result {
            Ok(()) => wait_for_acknowledgements(&mut heard.clone(), sent).await,
            Err(last) => Err(last),
        },
        last = given_up(&mut heard) => Err(last),
    };
    if result.is_ok() {
        // Nothing is outstanding, so a goodbye that does not go out costs nothing.
        let _ = client.try_disconnect();
        tokio::task::yield_now().await;
    }
    // Without a broker the queue is full, and waiting to put a goodbye in it would never end.
    poller.abort();
    let broker = |last: String| PublishError::Broker { host: host.to_owned(), port, seconds: GIVE_UP.as_secs(), last };
    result.map(|acknowledged| Published { sent, acknowledged }).map_err(broker)
}

/// How fast a simulated instant is reached: the moment a message due at `at` leaves.
pub fn leaves_at(begin: Instant, starts_at: Timestamp, at: Timestamp, speed: f64) -> Instant {
    let simulated = (at - starts_at).max(TimeDelta::zero()).num_milliseconds() as f64 / 1000.0;
    begin + Duration::from_secs_f64(simulated / speed)
}

#[derive(Clone, Debug, Default)]
struct PublisherLink {
    acknowledged: usize,
    /// Since when, and with which error, nothing works.
    broken: Option<(Instant, String)>,
}

async fn feed(
    client: &AsyncClient,
    messages: &[Message],
    starts_at: Timestamp,
    begin: Instant,
    speed: f64,
    reached: &watch::Sender<Option<Timestamp>>,
) -> Result<(), String> {
    for message in messages {
        tokio::time::sleep_until(leaves_at(begin, starts_at, message.at, speed)).await;
        let payload = message.payload.clone();
        client
            .publish(message.topic.clone(), QoS::AtLeastOnce, message.retained, payload)
            .await
            .map_err(|error| error.to_string())?;
        reached.send_replace(Some(message.at));
    }
    Ok(())
}

async fn keep_polling(mut event_loop: EventLoop, link: watch::Sender<PublisherLink>) {
    loop {
        match event_loop.poll().await {
            Ok(Event::Incoming(Packet::PubAck(_))) => link.send_modify(|link| {
                link.acknowledged += 1;
                link.broken = None;
            }),
            Ok(_) => link.send_modify(|link| link.broken = None),
            Err(error) => {
                link.send_modify(|link| {
                    let since = link.broken.as_ref().map_or_else(Instant::now, |(since, _)| *since);
                    link.broken = Some((since, error.to_string()));
                });
                tokio::time::sleep(Duration::from_millis(500)).await;
            }
        }
    }
}

async fn wait_for_acknowledgements(heard: &mut watch::Receiver<PublisherLink>, sent: usize) -> Result<usize, String> {
    let all = tokio::time::timeout(GIVE_UP, heard.wait_for(|link| link.acknowledged >= sent)).await;
    let all = all.map(|waited| waited.map(|link| link.acknowledged));
    match all {
        Ok(Ok(acknowledged)) => Ok(acknowledged),
        Ok(Err(_)) => Err("the connection's task ended".into()),
        Err(_) => Err(format!("{} of {sent} messages acknowledged", heard.borrow().acknowledged)),
    }
}

async fn given_up(heard: &mut watch::Receiver<PublisherLink>) -> String {
    let long_gone = |link: &PublisherLink| link.broken.as_ref().is_some_and(|(since, _)| since.elapsed() >= GIVE_UP);
    match heard.wait_for(long_gone).await {
        Ok(link) => link.broken.as_ref().map(|(_, error)| error.clone()).unwrap_or_default(),
        Err(_) => "the connection's task ended".into(),
    }
}

/// How long a broker may be away before the demo says so and ends.
const GIVE_UP: Duration = Duration::from_secs(10);
