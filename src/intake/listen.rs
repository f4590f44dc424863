//! The task that owns the MQTT event loop and does nothing but poll it: hands
//! messages on, notices what the broker refuses, comes back after a break.
//! `mqtt` is its face and sends what goes the other way.

use super::contest::Contest;
use super::exchanged::{Announced, Delivery, FromBroker, Outbound, Receipt, TOPICS_A_SUBSCRIBE};
use super::payload::LARGEST_PAYLOAD;
use super::tls::Bridge;
use crate::config::Broker;
use rumqttc::{
    ConnAck, ConnectReturnCode, ConnectionError, Event, EventLoop, LastWill, MqttOptions, NetworkOptions, Outgoing,
    Packet, Publish, QoS, Request, StateError, SubAck, SubscribeReasonCode, Transport,
};
use std::collections::{BTreeSet, HashSet};
use std::hash::{BuildHasher, RandomState};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};

/// Requests the client may hold; the sender waits when it is full, the listener never does.
pub(super) const UNSENT_REQUESTS: usize = 256;
/// A silent broker is noticed within twice this (measured).
const KEEP_ALIVE: Duration = Duration::from_secs(20);
/// Seconds for a connection with handshake on a small board. Own choice.
const CONNECT_LIMIT_SECONDS: u64 = 15;
/// What we take at first; a larger message raises it.
const FIRST_PACKET_LIMIT: usize = 256 * 1024;
/// A message beyond this is not let into memory; the session is given up instead. Own choice.
const LAST_PACKET_LIMIT: usize = 16 * 1024 * 1024;
/// What we send; ours are far smaller.
const SENT_PACKET_LIMIT: usize = 64 * 1024;
/// Pauses between attempts to connect.
const FIRST_PAUSE: Duration = Duration::from_secs(1);
const LONGEST_PAUSE: Duration = Duration::from_secs(30);

/// How we present ourselves to the broker. `bridge_socket`: where TLS is spoken for us.
pub(super) fn options(
    broker: &Broker,
    password: String,
    bridge_socket: Option<&Path>,
    status_topic: &str,
) -> MqttOptions {
    let mut options = match bridge_socket {
        None => MqttOptions::new(&broker.client_id, &broker.host, broker.port),
        Some(socket) => {
            let mut options = MqttOptions::new(&broker.client_id, socket.to_string_lossy(), 0);
            options.set_transport(Transport::Unix);
            options
        }
    };
    options
        .set_clean_session(false)
        .set_manual_acks(true)
        .set_keep_alive(KEEP_ALIVE)
        .set_max_packet_size(FIRST_PACKET_LIMIT, SENT_PACKET_LIMIT)
        .set_last_will(LastWill::new(status_topic, "offline", QoS::AtLeastOnce, true));
    if let Some(user) = &broker.user {
        options.set_credentials(user, password);
    }
    options
}

pub(super) struct Listener {
    event_loop: EventLoop,
    broker: Broker,
    bridge: Option<Bridge>,
    topics: Vec<String>,
    /// The connection that stands, for the sender; 0: none.
    epoch: Arc<AtomicU64>,
    outbound: mpsc::UnboundedSender<Outbound>,
    events: mpsc::Sender<FromBroker>,
    closing: watch::Receiver<bool>,
    announced: Announced,
    contest: Contest,
    /// Connections so far.
    connections: u64,
    session_present: bool,
    /// The broker has answered our subscriptions in this session.
    subscribed: bool,
    /// Answers to SUBSCRIBE on this connection; they come in the order asked.
    answers: usize,
    refused: Vec<String>,
    unsubscribed: BTreeSet<String>,
    receipts: Receipts,
    /// The last reason told for being down; `None` while up.
    reported_down: Option<String>,
    /// The connection that has just ended was one the broker had let us into.
    let_in: bool,
    pause: Duration,
}

impl Listener {
    #[expect(clippy::too_many_arguments, reason = "one caller, which makes all of these")]
    pub(super) fn new(
        mut event_loop: EventLoop,
        broker: Broker,
        bridge: Option<Bridge>,
        topics: Vec<String>,
        epoch: Arc<AtomicU64>,
        outbound: mpsc::UnboundedSender<Outbound>,
        events: mpsc::Sender<FromBroker>,
        closing: watch::Receiver<bool>,
        announced: Announced,
    ) -> Self {
        let mut network = NetworkOptions::new();
        network.set_connection_timeout(CONNECT_LIMIT_SECONDS);
        network.set_tcp_nodelay(true);
        event_loop.set_network_options(network);
        Listener {
            event_loop,
            broker,
            bridge,
            topics,
            epoch,
            outbound,
            events,
            closing,
            announced,
            contest: Contest::default(),
            connections: 0,
            session_present: false,
            subscribed: false,
            answers: 0,
            refused: Vec::new(),
            unsubscribed: BTreeSet::new(),
            receipts: Receipts::default(),
            reported_down: None,
            let_in: false,
            pause: FIRST_PAUSE,
        }
    }

    pub(super) async fn run(mut self) {
        loop {
            match self.event_loop.poll().await {
                Ok(Event::Incoming(Packet::Publish(message))) => self.deliver(message).await,
                Ok(Event::Incoming(Packet::ConnAck(answer))) => self.connected(answer).await,
                Ok(Event::Incoming(Packet::SubAck(answer))) => self.subscribe_answered(answer).await,
                Ok(Event::Outgoing(Outgoing::PubAck(packet_id))) => self.receipts.sent(packet_id),
                Ok(Event::Outgoing(Outgoing::PingReq)) => self.receipts.asked(),
                Ok(Event::Incoming(Packet::PingResp)) => self.settled().await,
                // The only messages of ours that are answered are announcements, one at a time.
                Ok(Event::Incoming(Packet::PubAck(_))) => {
                    if let Some(taken) = self.announcement() {
                        let _ = taken.send(());
                    }
                }
                // Pings come and go even in a silent room.
                Ok(_) => {
                    if self.contest.is_over(tokio::time::Instant::now()) {
                        self.hand_on(FromBroker::Uncontested).await;
                    }
                }
                // After our farewell the broker closes the connection; only then is it certain to have it.
                Err(_) if *self.closing.borrow() => return,
                Err(error) => self.broken(error).await,
            }
        }
    }

    async fn connected(&mut self, answer: ConnAck) {
        if self.event_loop.mqtt_options.clean_session() {
            // This connection only made the broker forget the message we cannot take.
            self.event_loop.clean();
            self.event_loop.mqtt_options.set_clean_session(false);
            return;
        }
        self.connections += 1;
        self.receipts = Receipts::default();
        self.epoch.store(self.connections, Ordering::Release);
        self.session_present = answer.session_present;
        // Once a run even if the session stands: the config may name new topics.
        self.subscribed &= answer.session_present;
        self.answers = 0;
        self.refused.clear();
        // The sender ends only at Close; then nothing needs to be sent any more.
        let _ = self.outbound.send(Outbound::Connected { subscribe: !self.subscribed });
        if self.subscribed || self.topics.is_empty() {
            self.tell_up().await;
        }
    }

    async fn subscribe_answered(&mut self, answer: SubAck) {
        let asked = self.topics.chunks(TOPICS_A_SUBSCRIBE).nth(self.answers).unwrap_or_default();
        let refused = asked.iter().zip(&answer.return_codes).filter(|(_, code)| **code == SubscribeReasonCode::Failure);
        self.refused.extend(refused.map(|(topic, _)| topic.clone()));
        self.answers += 1;
        if self.answers < self.topics.len().div_ceil(TOPICS_A_SUBSCRIBE) {
            return;
        }
        // Refused topics are asked for again at the next connection.
        self.subscribed = self.refused.is_empty();
        if !self.subscribed {
            let topics = std::mem::take(&mut self.refused);
            self.hand_on(FromBroker::SubscribeRefused { topics }).await;
        }
        self.tell_up().await;
    }

    async fn tell_up(&mut self) {
        self.reported_down = None;
        self.pause = FIRST_PAUSE;
        self.hand_on(FromBroker::Up { session_present: self.session_present }).await;
    }

    async fn settled(&mut self) {
        let (packet_ids, sent_again) = self.receipts.answered();
        if !packet_ids.is_empty() || sent_again {
            self.hand_on(FromBroker::Settled { epoch: self.connections, packet_ids, sent_again }).await;
        }
    }

    async fn deliver(&mut self, message: Publish) {
        self.receipts.number_used_anew(message.pkid);
        // A topic of an older config still stands in our session.
        if !self.topics.contains(&message.topic) && self.unsubscribed.insert(message.topic.clone()) {
            let _ = self.outbound.send(Outbound::Unsubscribe(message.topic.clone()));
        }
        let kept = message.payload.len().min(LARGEST_PAYLOAD + 1);
        let delivery = Delivery {
            receipt: Receipt { epoch: self.connections, packet_id: message.pkid },
            duplicate: message.dup,
            payload: message.payload[..kept].to_vec(),
            topic: message.topic,
            retained: message.retain,
        };
        self.hand_on(FromBroker::Delivery(delivery)).await;
    }

    /// Waits for room: that is what keeps the rest in the broker. Not while
    /// closing: nobody may be reading any more, and what is not handed on comes again.
    async fn hand_on(&mut self, event: FromBroker) {
        tokio::select! {
            // An error means that the daemon listens no more; it will drop the link.
            _ = self.events.send(event) => {}
            _ = self.closing.wait_for(|closing| *closing) => {}
        }
    }

    async fn broken(&mut self, error: ConnectionError) {
        let stood = self.epoch.swap(0, Ordering::AcqRel) != 0;
        // Read together with the end of the connection. A broker that was killed may have
        // forgotten them; one that has not sends those at QoS 1 again, and they are known by
        // their marks, as all are that were not acknowledged in time.
        let read: Vec<Event> = self.event_loop.state.events.drain(..).collect();
        for event in read {
            if let Event::Incoming(Packet::Publish(message)) = event {
                self.deliver(message).await;
            }
        }
        if let Some(bytes) = too_large(&error) {
            if bytes <= LAST_PACKET_LIMIT {
                // It comes at once, is counted as too large and acknowledged; the stream goes on.
                self.event_loop.mqtt_options.set_max_packet_size(bytes.next_power_of_two(), SENT_PACKET_LIMIT);
                self.event_loop.clean();
                self.drop_announcement();
                return;
            }
            self.event_loop.mqtt_options.set_clean_session(true);
            self.hand_on(FromBroker::GivenUp { bytes }).await;
        } else if !stood {
            self.contest.unreachable();
        } else if broker_closed(&error)
            && let Some(times) = self.contest.thrown_out(tokio::time::Instant::now())
        {
            self.hand_on(FromBroker::Contested { times }).await;
        }
        self.let_in = stood;
        let sentence = sentence(&self.broker, self.bridge.as_ref(), self.let_in, &error);
        if self.reported_down.as_ref() != Some(&sentence) {
            self.reported_down = Some(sentence.clone());
            self.hand_on(FromBroker::Down { error: sentence }).await;
        }
        let _ = tokio::time::timeout(with_jitter(self.pause), self.closing.wait_for(|closing| *closing)).await;
        self.pause = (self.pause * 2).min(LONGEST_PAUSE);
        // An acknowledgement may have slipped in between the break and our notice of it.
        self.event_loop.clean();
        self.drop_announcement();
    }

    fn announcement(&self) -> Option<oneshot::Sender<()>> {
        self.announced.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    /// The outbox says it again; the client must not, or its answer would be taken for
    /// the answer to a newer one.
    fn drop_announcement(&mut self) {
        let answered =
            |request: &Request| matches!(request, Request::Publish(publish) if publish.qos != QoS::AtMostOnce);
        self.event_loop.pending.retain(|request| !answered(request));
        drop(self.announcement());
    }
}

/// Why a connection broke, with the remedy where it is known. `let_in`: the broker had taken us in.
pub(super) fn sentence(broker: &Broker, bridge: Option<&Bridge>, let_in: bool, error: &ConnectionError) -> String {
    let Broker { host, port, .. } = broker;
    if let Some(reason) = bridge.and_then(Bridge::take_error) {
        return reason;
    }
    if let Some(bytes) = too_large(error) {
        return format!(
            "a message of {bytes} bytes could not be taken; everything the broker kept for us had to be given up. \
             Set message_size_limit in the broker"
        );
    }
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => {
            let user = broker.user.as_deref().unwrap_or("(none)");
            format!(
                "the broker at {host} port {port} refuses the user {user}: check user and password_file in [broker]"
            )
        }
        ConnectionError::ConnectionRefused(code) => {
            format!("the broker at {host} port {port} refuses us: {code:?}")
        }
        ConnectionError::Io(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => {
            format!("nothing listens at {host} port {port}: is the broker running?")
        }
        ConnectionError::NetworkTimeout if broker.tls.is_none() => format!(
            "{host} port {port} does not answer within {CONNECT_LIMIT_SECONDS} s; if it is the port for TLS (8883 \
             usually is), write url = \"mqtts://...\" in [broker]"
        ),
        ConnectionError::NetworkTimeout => {
            format!("the broker at {host} port {port} does not answer within {CONNECT_LIMIT_SECONDS} s")
        }
        ConnectionError::MqttState(StateError::AwaitPingResp) => {
            format!("the broker at {host} port {port} has fallen silent")
        }
        error if !let_in && broker_closed(error) => format!(
            "{host} port {port} ends the connection before it has answered; if it is the port for TLS (8883 \
             usually is), write url = \"mqtts://...\" in [broker]"
        ),
        error if broker_closed(error) => format!("the broker at {host} port {port} closed the connection"),
        error if let Some(error) = of_the_system(error) => format!("no connection to {host} port {port}: {error}"),
        other => format!("the connection to {host} port {port} broke: {other}"),
    }
}

/// The other side ended a connection, and not for want of an answer from us.
fn broker_closed(error: &ConnectionError) -> bool {
    use std::io::ErrorKind::{BrokenPipe, ConnectionAborted, ConnectionReset, UnexpectedEof};
    match error {
        ConnectionError::MqttState(StateError::ConnectionAborted) => true,
        error => of_the_system(error).is_some_and(|error| {
            matches!(error.kind(), BrokenPipe | ConnectionAborted | ConnectionReset | UnexpectedEof)
        }),
    }
}

/// What the system said of a connection, however deep the client has put it.
fn of_the_system(error: &ConnectionError) -> Option<&std::io::Error> {
    match error {
        ConnectionError::Io(error)
        | ConnectionError::MqttState(StateError::Io(error) | StateError::Deserialization(rumqttc::Error::Io(error))) => {
            Some(error)
        }
        _ => None,
    }
}

/// Acknowledgements of one connection, from being sent to being certainly received. MQTT
/// has no answer to PUBACK; but the broker reads in order, so that its answer to a ping
/// shows that it has read whatever was sent before.
#[derive(Debug, Default)]
struct Receipts {
    sent: HashSet<u16>,
    before_ping: HashSet<u16>,
    pings_answered: u32,
}

/// With the first ping answered, what had to be sent again has come from every broker
/// that does so at once; the second is for slower ones. Own choice.
const PINGS_UNTIL_SENT_AGAIN: u32 = 2;

impl Receipts {
    fn sent(&mut self, packet_id: u16) {
        self.sent.insert(packet_id);
    }

    fn asked(&mut self) {
        self.before_ping.extend(self.sent.drain());
    }

    /// What has arrived, and whether this answer is the one after which nothing old comes.
    fn answered(&mut self) -> (Vec<u16>, bool) {
        self.pings_answered = self.pings_answered.saturating_add(1);
        (self.before_ping.drain().collect(), self.pings_answered == PINGS_UNTIL_SENT_AGAIN)
    }

    /// The number stands for another message from now on.
    fn number_used_anew(&mut self, packet_id: u16) {
        self.sent.remove(&packet_id);
        self.before_ping.remove(&packet_id);
    }
}

/// The size of the message that broke the connection, if that is what did.
fn too_large(error: &ConnectionError) -> Option<usize> {
    match error {
        ConnectionError::MqttState(StateError::Deserialization(rumqttc::Error::PayloadSizeLimitExceeded(bytes))) => {
            Some(*bytes)
        }
        _ => None,
    }
}

/// Between the whole pause and a quarter more, so that daemons do not all come
/// back at once. `RandomState` is seeded by the system.
fn with_jitter(pause: Duration) -> Duration {
    let chance = RandomState::new().hash_one(0u8) % 256;
    pause + pause / 4 * (chance as u32) / 256
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::ErrorKind;

    #[test]
    fn a_connection_that_was_reset_while_reading_is_told_in_words() {
        let broker = Broker {
            host: "loft".into(),
            port: 1883,
            tls: None,
            user: None,
            password_file: None,
            client_id: "warden".into(),
            site_topic: "saltmarsh-lane".into(),
        };
        let told = |let_in, kind: ErrorKind| {
            let error = StateError::Deserialization(rumqttc::Error::Io(kind.into()));
            sentence(&broker, None, let_in, &ConnectionError::MqttState(error))
        };
        assert_eq!(told(true, ErrorKind::ConnectionReset), "the broker at loft port 1883 closed the connection");
        assert!(told(false, ErrorKind::BrokenPipe).starts_with("loft port 1883 ends the connection before"));
        assert_eq!(told(true, ErrorKind::HostUnreachable), "no connection to loft port 1883: host unreachable");
    }
}
