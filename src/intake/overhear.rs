//! Listening on the broker without a session: a few topics, what is retained on them at
//! every connection anew, nothing acknowledged late and nothing said. For the guard, whose
//! news is what holds now, not what held while it was away; and for what a watch wants to
//! know of other sites, which must never stand in the way of its own session.

use super::listen::sentence;
use super::mqtt::{ConnectError, read_password};
use super::tls::Bridge;
use crate::config::Broker;
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, Publish, QoS, Transport};
use std::time::Duration;
use tokio::sync::mpsc;

/// As in `listen`.
const KEEP_ALIVE: Duration = Duration::from_secs(20);
const FIRST_PAUSE: Duration = Duration::from_secs(1);
const LONGEST_PAUSE: Duration = Duration::from_secs(30);
/// What is listened to is tiny.
const LARGEST_PACKET: usize = 64 * 1024;

/// What was overheard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Overheard {
    /// Connected and asking for the topics.
    Up,
    /// Not connected, and trying again. Said at each new reason.
    Down {
        /// Why, as a sentence.
        error: String,
    },
    /// A message on a topic of the watch.
    Message {
        /// Its topic.
        topic: String,
        /// Its bytes.
        payload: Vec<u8>,
        /// The broker had kept it; its age is not known.
        retained: bool,
    },
}

/// Begins to listen; ends when the receiver is dropped. Must be called inside a tokio runtime.
///
/// # Errors
/// When the settings cannot be used.
pub(crate) fn overhear(broker: &Broker, topics: Vec<String>) -> Result<mpsc::Receiver<Overheard>, ConnectError> {
    let password = read_password(broker)?;
    let bridge = broker.tls.as_ref().map(|tls| Bridge::open(broker, tls)).transpose()?;
    let mut options = match &bridge {
        None => MqttOptions::new(&broker.client_id, &broker.host, broker.port),
        Some(bridge) => {
            let mut options = MqttOptions::new(&broker.client_id, bridge.socket().to_string_lossy(), 0);
            options.set_transport(Transport::Unix);
            options
        }
    };
    options.set_clean_session(true).set_keep_alive(KEEP_ALIVE).set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET);
    if let Some(user) = &broker.user {
        options.set_credentials(user, password);
    }
    let (client, event_loop) = AsyncClient::new(options, 16 + topics.len());
    let (tell, heard) = mpsc::channel(64);
    tokio::spawn(listen(event_loop, client, topics, broker.clone(), bridge, tell));
    Ok(heard)
}

async fn listen(
    mut event_loop: EventLoop,
    client: AsyncClient,
    topics: Vec<String>,
    broker: Broker,
    bridge: Option<Bridge>,
    tell: mpsc::Sender<Overheard>,
) {
    let mut pause = FIRST_PAUSE;
    let mut reported: Option<String> = None;
    loop {
        let overheard = match event_loop.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                for topic in &topics {
                    // There is room for them: nothing else is asked over this client.
                    if let Err(error) = client.try_subscribe(topic, QoS::AtLeastOnce) {
                        tracing::warn!(%error, topic, "could not listen to a topic");
                    }
                }
                (pause, reported) = (FIRST_PAUSE, None);
                Overheard::Up
            }
            Ok(Event::Incoming(Packet::Publish(message))) => {
                let Publish { topic, payload, retain: retained, .. } = message;
                Overheard::Message { topic, payload: payload.to_vec(), retained }
            }
            Ok(_) => continue,
            Err(error) => {
                let error = sentence(&broker, bridge.as_ref(), true, &error);
                // What was asked for on the old connection is asked for again on the next.
                event_loop.clean();
                if reported.as_ref() != Some(&error) {
                    reported = Some(error.clone());
                    if tell.send(Overheard::Down { error }).await.is_err() {
                        return;
                    }
                }
                tokio::time::sleep(pause).await;
                pause = (pause * 2).min(LONGEST_PAUSE);
                if tell.is_closed() {
                    return;
                }
                continue;
            }
        };
        if tell.send(overheard).await.is_err() {
            return;
        }
    }
}
