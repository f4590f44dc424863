//! The broker: connect, come back, hand on every message, acknowledge it when
//! told to. Messages that were not acknowledged come again. What the messages
//! say is read in `payload`; when one is safe is decided by the daemon.

use super::exchanged::{Announced, Outbound, TOPICS_A_SUBSCRIBE};
pub use super::exchanged::{Delivery, FromBroker, Receipt};
use super::listen::{Listener, UNSENT_REQUESTS, options};
use super::tls::{Bridge, TlsError};
use crate::config::Broker;
use rumqttc::{AsyncClient, Publish, QoS, SubscribeFilter};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;

/// Messages that may wait for the daemon; beyond, the broker keeps them. Deep
/// enough for a store that stalls for seconds. Own choice.
const WAITING_MESSAGES: usize = 1024;
/// A farewell that takes longer is not worth a slow shutdown; the last will says it too.
const FAREWELL_LIMIT: Duration = Duration::from_secs(3);
/// How long an announcement waits for the broker's answer. Own default.
const ANSWER_LIMIT: Duration = Duration::from_secs(20);
/// Well below the limit on packets we send, which would break the connection.
const LARGEST_PUBLISHED: usize = 60 * 1024;

/// Why a connection cannot even be tried.
#[derive(Debug, thiserror::Error)]
pub enum ConnectError {
    /// The broker keeps a session by this name.
    #[error(
        "[broker] has an empty client_id; wanted: a fixed name, so that the broker keeps our messages while we are away"
    )]
    NoClientId,
    /// The password file cannot be read.
    #[error("the password file {} of [broker] cannot be read: {why}", path.display())]
    Password {
        /// The password file that cannot be read.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
    /// TLS cannot be set up.
    #[error(transparent)]
    Tls(#[from] TlsError),
}

/// The connection. Dropped without [`Link::close`] it breaks off, and the broker
/// publishes our last will.
#[derive(Debug)]
pub struct Link {
    outbound: mpsc::UnboundedSender<Outbound>,
    closing: watch::Sender<bool>,
    listener: JoinHandle<()>,
    turn: Arc<tokio::sync::Mutex<()>>,
}

/// Begins to connect, and keeps connected until closed. Must be called inside a
/// tokio runtime. `topics` are exact topic names.
pub fn connect(broker: &Broker, topics: Vec<String>) -> Result<(Link, mpsc::Receiver<FromBroker>), ConnectError> {
    if broker.client_id.is_empty() {
        return Err(ConnectError::NoClientId);
    }
    let password = read_password(broker)?;
    let bridge = broker.tls.as_ref().map(|tls| Bridge::open(broker, tls)).transpose()?;
    let status_topic = format!("traywarden/{}/status", broker.site_topic);
    let options = options(broker, password, bridge.as_ref().map(Bridge::socket), &status_topic);
    let (client, event_loop) = AsyncClient::new(options, UNSENT_REQUESTS);
    let (outbound, to_send) = mpsc::unbounded_channel();
    let (events, from_broker) = mpsc::channel(WAITING_MESSAGES);
    let (closing, closing_seen) = watch::channel(false);
    let epoch = Arc::new(AtomicU64::new(0));
    let announced = Announced::default();
    let sender = BrokerMouth {
        client,
        epoch: Arc::clone(&epoch),
        topics: topics.clone(),
        status_topic,
        announced: Arc::clone(&announced),
    };
    tokio::spawn(sender.run(to_send));
    let listener = Listener::new(
        event_loop,
        broker.clone(),
        bridge,
        topics,
        epoch,
        outbound.clone(),
        events,
        closing_seen,
        announced,
    );
    Ok((Link { outbound, closing, listener: tokio::spawn(listener.run()), turn: Arc::default() }, from_broker))
}

/// The first line of the password file; empty without one.
pub(super) fn read_password(broker: &Broker) -> Result<String, ConnectError> {
    let Some(path) = &broker.password_file else { return Ok(String::new()) };
    let text = std::fs::read_to_string(path).map_err(|why| ConnectError::Password { path: path.clone(), why })?;
    Ok(text.lines().next().unwrap_or_default().to_owned())
}

impl Link {
    /// Tells the broker that these messages are safe, in this order; give them
    /// in the order they came. Never waits. Receipts of an earlier connection
    /// are dropped: the broker sends those messages again.
    pub fn acknowledge(&self, receipts: impl IntoIterator<Item = Receipt>) {
        for receipt in receipts {
            self.send(Outbound::Acknowledge(receipt));
        }
    }

    /// Publishes a retained message at QoS 0, now or at the next connection, and
    /// again at each later one, until another takes its place. Never waits. An
    /// empty payload clears the topic. Over 60 KiB: refused, with a log line.
    pub(crate) fn publish_retained(&self, topic: impl Into<String>, payload: impl Into<Vec<u8>>) {
        let (topic, payload) = (topic.into(), payload.into());
        if topic.len() + payload.len() > LARGEST_PUBLISHED {
            tracing::error!(topic, bytes = payload.len(), "not published: larger than 60 KiB");
            return;
        }
        self.send(Outbound::Publish { topic, payload });
    }

    /// For whoever has to say something that must be heard.
    pub fn speaker(&self) -> Speaker {
        Speaker { outbound: self.outbound.clone(), turn: Arc::clone(&self.turn) }
    }

    /// Publishes a message at QoS 0 to whoever listens now; nobody hears it later, and with
    /// no connection nobody at all. Over 60 KiB: refused, with a log line.
    pub fn answer(&self, topic: impl Into<String>, payload: impl Into<Vec<u8>>) {
        let (topic, payload) = (topic.into(), payload.into());
        if topic.len() + payload.len() > LARGEST_PUBLISHED {
            tracing::error!(topic, bytes = payload.len(), "not published: larger than 60 KiB");
            return;
        }
        self.send(Outbound::Answer { topic, payload });
    }

    /// Sends the acknowledgements given so far, says "offline", and leaves. The
    /// broker keeps our session. Messages not handed on yet come again next time.
    pub async fn close(mut self) {
        // No receiver left means that the listener is gone already.
        let _ = self.closing.send(true);
        let (farewell, events) = oneshot::channel();
        self.send(Outbound::Close(farewell));
        let leave = async {
            if events.await.unwrap_or(false) {
                let _ = (&mut self.listener).await;
            }
        };
        if tokio::time::timeout(FAREWELL_LIMIT, leave).await.is_err() {
            tracing::warn!("the broker did not take our farewell; it will publish our last will");
        }
    }

    fn send(&self, outbound: Outbound) {
        // The sender ends only after Close, and close() takes the link away.
        let _ = self.outbound.send(outbound);
    }
}

/// Says things that the broker keeps for whoever comes later.
#[derive(Clone, Debug)]
pub struct Speaker {
    outbound: mpsc::UnboundedSender<Outbound>,
    /// One speaks at a time; the others wait for the broker's answer to it.
    turn: Arc<tokio::sync::Mutex<()>>,
}

impl Speaker {
    /// Publishes a retained message at QoS 1 and waits until the broker has it. It is
    /// said again at each later connection, in case the broker has forgotten, until
    /// another takes its place. An empty payload clears the topic.
    ///
    /// # Errors
    /// A sentence: no connection, one that broke, or a message over 60 KiB. It is then
    /// not said again by itself, except at the next connection.
    pub async fn announce(&self, topic: &str, payload: &[u8]) -> Result<(), String> {
        if topic.len() + payload.len() > LARGEST_PUBLISHED {
            return Err(format!("{} bytes for {topic} are over the 60 KiB that are published", payload.len()));
        }
        let _turn = self.turn.lock().await;
        let (taken, broker_has_it) = oneshot::channel();
        let announce = Outbound::Announce { topic: topic.to_owned(), payload: payload.to_vec(), taken };
        self.outbound.send(announce).map_err(|_| "the connection to the broker is closed".to_owned())?;
        match tokio::time::timeout(ANSWER_LIMIT, broker_has_it).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(_)) => Err("there is no connection to the broker, or it broke".to_owned()),
            Err(_) => Err(format!("the broker has not answered within {} s", ANSWER_LIMIT.as_secs())),
        }
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.listener.abort();
    }
}

/// The task that speaks to the broker. It may wait for room in the client's
/// queue, which the listener empties; the listener itself never does.
struct BrokerMouth {
    client: AsyncClient,
    /// The connection that stands; 0: none.
    epoch: Arc<AtomicU64>,
    topics: Vec<String>,
    status_topic: String,
    announced: Announced,
}

impl BrokerMouth {
    async fn run(self, mut to_send: mpsc::UnboundedReceiver<Outbound>) {
        let mut retained: BTreeMap<String, Vec<u8>> = BTreeMap::new();
        while let Some(outbound) = to_send.recv().await {
            let up = self.epoch.load(Ordering::Acquire);
            let sent = match outbound {
                Outbound::Acknowledge(receipt) if receipt.epoch == up && receipt.packet_id != 0 => {
                    let mut message = Publish::new("", QoS::AtLeastOnce, "");
                    message.pkid = receipt.packet_id;
                    self.client.ack(&message).await
                }
                Outbound::Acknowledge(_) => Ok(()),
                Outbound::Publish { topic, payload } => {
                    retained.insert(topic.clone(), payload.clone());
                    if up == 0 { Ok(()) } else { self.publish(topic, payload).await }
                }
                Outbound::Announce { topic, payload, taken } => {
                    retained.insert(topic.clone(), payload.clone());
                    if up != 0 && self.wait_for_answer(taken) {
                        self.client.publish(topic, QoS::AtLeastOnce, true, payload).await
                    } else {
                        Ok(())
                    }
                }
                Outbound::Answer { topic, payload } if up != 0 => {
                    self.client.publish(topic, QoS::AtMostOnce, false, payload).await
                }
                Outbound::Answer { .. } => Ok(()),
                Outbound::Unsubscribe(topic) => self.client.unsubscribe(topic).await,
                Outbound::Connected { subscribe } => {
                    let sent = self.greet(subscribe, &retained).await;
                    retained.retain(|_, payload| !payload.is_empty());
                    sent
                }
                Outbound::Close(farewell) => {
                    let events = up != 0
                        && self.publish(self.status_topic.clone(), b"offline".to_vec()).await.is_ok()
                        && self.client.disconnect().await.is_ok();
                    // Nobody waits any longer if the caller has given up.
                    let _ = farewell.send(events);
                    return;
                }
            };
            if let Err(error) = sent {
                tracing::warn!(%error, "a request to the broker was refused by the client");
            }
        }
    }

    /// False when an earlier announcement still waits for its answer.
    fn wait_for_answer(&self, taken: oneshot::Sender<()>) -> bool {
        let mut waiting = self.announced.lock().unwrap_or_else(PoisonError::into_inner);
        let free = waiting.is_none();
        if free {
            *waiting = Some(taken);
        }
        free
    }

    async fn greet(&self, subscribe: bool, retained: &BTreeMap<String, Vec<u8>>) -> Result<(), rumqttc::ClientError> {
        if subscribe {
            for topics in self.topics.chunks(TOPICS_A_SUBSCRIBE) {
                let filters = topics.iter().map(|topic| SubscribeFilter::new(topic.clone(), QoS::AtLeastOnce));
                self.client.subscribe_many(filters).await?;
            }
        }
        self.publish(self.status_topic.clone(), b"online".to_vec()).await?;
        for (topic, payload) in retained {
            self.publish(topic.clone(), payload.clone()).await?;
        }
        Ok(())
    }

    /// At QoS 0: what is said at each connection. Many publishes that wait for an answer
    /// can wedge the client, and our own acknowledgements behind it (rumqttc issue 1014).
    async fn publish(&self, topic: String, payload: Vec<u8>) -> Result<(), rumqttc::ClientError> {
        self.client.publish(topic, QoS::AtMostOnce, true, payload).await
    }
}
