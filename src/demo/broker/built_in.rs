//! The broker of the demo where none is installed: MQTT 3.1.1 on 127.0.0.1, without
//! passwords, for a few clients. Sessions, wills and retained messages hold while it runs;
//! nothing survives it. The bytes are read and written by the client library's own codec;
//! here is only who gets what.

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::{
    ConnAck, ConnectReturnCode, Packet, PubAck, Publish, SubAck, SubscribeReasonCode, UnsubAck,
};
use rumqttc::mqttbytes::v4::{PubComp, PubRec};
use rumqttc::mqttbytes::{QoS, matches};
use std::cell::RefCell;
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::rc::Rc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;

/// Larger than anything the demo says.
const LARGEST_PACKET: usize = 256 * 1024;
/// What a session keeps for a client that is away; the oldest go first.
const KEPT_MESSAGES: usize = 10_000;

/// Serves for as long as the listener stands.
pub(super) async fn serve(listener: TcpListener) {
    let hub = Rc::new(RefCell::new(Hub::default()));
    let clients = tokio::task::LocalSet::new();
    clients
        .run_until(async {
            while let Ok((stream, _)) = listener.accept().await {
                tokio::task::spawn_local(client(stream, Rc::clone(&hub)));
            }
        })
        .await;
}

#[derive(Default)]
struct Hub {
    sessions: HashMap<String, Session>,
    retained: BTreeMap<String, Publish>,
    connections: u64,
}

/// What a client has asked for, and what waits for it.
#[derive(Default)]
struct Session {
    filters: Vec<(String, QoS)>,
    /// Sent and not acknowledged, or not sent because the client is away.
    waiting: VecDeque<Publish>,
    last_packet_id: u16,
    /// The connection that stands: its number, and the way to it.
    connection: Option<(u64, mpsc::UnboundedSender<Packet>)>,
    clean: bool,
}

impl Hub {
    /// Takes a client in. Whether its session was known, and the number of this connection.
    fn connect(&mut self, id: &str, clean: bool, sender: mpsc::UnboundedSender<Packet>) -> (bool, u64) {
        self.connections += 1;
        let known = !clean && self.sessions.contains_key(id);
        if !known {
            self.sessions.insert(id.to_owned(), Session::default());
        }
        let session = self.sessions.entry(id.to_owned()).or_default();
        session.clean = clean;
        session.connection = Some((self.connections, sender));
        (known, self.connections)
    }

    /// What waited, sent again after the client was greeted.
    fn resume(&mut self, id: &str) {
        if let Some(session) = self.sessions.get_mut(id) {
            let again: Vec<Publish> = session.waiting.iter().cloned().collect();
            for mut message in again {
                message.dup = true;
                session.send(Packet::Publish(message));
            }
        }
    }

    fn leave(&mut self, id: &str, connection: u64) {
        let Some(session) = self.sessions.get_mut(id) else { return };
        if session.connection.as_ref().is_none_or(|(number, _)| *number != connection) {
            return;
        }
        session.connection = None;
        if session.clean {
            self.sessions.remove(id);
        }
    }

    fn subscribe(&mut self, id: &str, filter: &str, wanted: QoS) -> QoS {
        let granted = weaker(wanted, QoS::AtLeastOnce);
        let kept: Vec<Publish> =
            self.retained.values().filter(|message| matches(&message.topic, filter)).cloned().collect();
        if let Some(session) = self.sessions.get_mut(id) {
            session.filters.retain(|(known, _)| known != filter);
            session.filters.push((filter.to_owned(), granted));
            for mut message in kept {
                message.retain = true;
                session.give(message, granted);
            }
        }
        granted
    }

    /// Gives a message to everybody who asked for it.
    fn publish(&mut self, message: Publish) {
        if message.retain && message.payload.is_empty() {
            self.retained.remove(&message.topic);
        } else if message.retain {
            self.retained.insert(message.topic.clone(), message.clone());
        }
        for session in self.sessions.values_mut() {
            let fitting = session.filters.iter().filter(|(filter, _)| matches(&message.topic, filter));
            if let Some(granted) = fitting.map(|(_, granted)| *granted).max_by_key(|granted| *granted as u8) {
                let mut copy = message.clone();
                copy.retain = false;
                session.give(copy, granted);
            }
        }
    }

    fn acknowledged(&mut self, id: &str, packet_id: u16) {
        if let Some(session) = self.sessions.get_mut(id) {
            session.waiting.retain(|message| message.pkid != packet_id);
        }
    }
}

impl Session {
    fn give(&mut self, mut message: Publish, granted: QoS) {
        message.dup = false;
        message.qos = weaker(message.qos, granted);
        if message.qos == QoS::AtMostOnce {
            message.pkid = 0;
            return self.send(Packet::Publish(message));
        }
        self.last_packet_id = self.last_packet_id.checked_add(1).unwrap_or(1);
        message.pkid = self.last_packet_id;
        if self.waiting.len() >= KEPT_MESSAGES {
            self.waiting.pop_front();
        }
        self.waiting.push_back(message.clone());
        self.send(Packet::Publish(message));
    }

    fn send(&self, packet: Packet) {
        if let Some((_, sender)) = &self.connection {
            // A client that just left hears it when it comes back.
            let _ = sender.send(packet);
        }
    }
}

fn weaker(one: QoS, other: QoS) -> QoS {
    std::cmp::min_by_key(one, other, |qos| *qos as u8)
}

/// One connection, from its greeting to its end.
async fn client(stream: TcpStream, hub: Rc<RefCell<Hub>>) {
    let _ = stream.set_nodelay(true);
    let (mut reading, mut writing) = stream.into_split();
    let mut heard = BytesMut::with_capacity(8 * 1024);
    let Some(Packet::Connect(greeting)) = next(&mut reading, &mut heard).await else { return };
    let (sender, mut to_send) = mpsc::unbounded_channel();
    let clean = greeting.clean_session || greeting.client_id.is_empty();
    let id = if greeting.client_id.is_empty() {
        format!("nameless-{}", hub.borrow().connections)
    } else {
        greeting.client_id
    };
    let (session_present, number) = hub.borrow_mut().connect(&id, clean, sender.clone());
    let _ = sender.send(Packet::ConnAck(ConnAck::new(ConnectReturnCode::Success, session_present)));
    hub.borrow_mut().resume(&id);
    let writer = tokio::task::spawn_local(async move {
        let mut bytes = BytesMut::new();
        while let Some(packet) = to_send.recv().await {
            let mut written = packet.write(&mut bytes, LARGEST_PACKET).is_ok();
            while let Ok(packet) = to_send.try_recv() {
                written &= packet.write(&mut bytes, LARGEST_PACKET).is_ok();
            }
            if !written || writing.write_all(&bytes).await.is_err() {
                break;
            }
            bytes.clear();
        }
    });
    let mut said_goodbye = false;
    while let Some(packet) = next(&mut reading, &mut heard).await {
        if matches!(packet, Packet::Disconnect) {
            said_goodbye = true;
            break;
        }
        answer(packet, &id, &sender, &mut hub.borrow_mut());
    }
    hub.borrow_mut().leave(&id, number);
    if let Some(will) = greeting.last_will.filter(|_| !said_goodbye) {
        let mut message = Publish::from_bytes(will.topic, will.qos, will.message);
        message.retain = will.retain;
        hub.borrow_mut().publish(message);
    }
    drop(sender);
    writer.abort();
}

fn answer(packet: Packet, id: &str, sender: &mpsc::UnboundedSender<Packet>, hub: &mut Hub) {
    let reply = match packet {
        Packet::Publish(mut message) => {
            let reply = match message.qos {
                QoS::AtMostOnce => None,
                QoS::AtLeastOnce => Some(Packet::PubAck(PubAck::new(message.pkid))),
                QoS::ExactlyOnce => Some(Packet::PubRec(PubRec::new(message.pkid))),
            };
            message.qos = weaker(message.qos, QoS::AtLeastOnce);
            hub.publish(message);
            reply
        }
        Packet::PubRel(release) => Some(Packet::PubComp(PubComp::new(release.pkid))),
        Packet::PubAck(taken) => {
            hub.acknowledged(id, taken.pkid);
            None
        }
        Packet::Subscribe(asked) => {
            let granted = asked.filters.iter().map(|filter| hub.subscribe(id, &filter.path, filter.qos));
            let granted: Vec<_> = granted.map(SubscribeReasonCode::Success).collect();
            Some(Packet::SubAck(SubAck::new(asked.pkid, granted)))
        }
        Packet::Unsubscribe(asked) => {
            if let Some(session) = hub.sessions.get_mut(id) {
                session.filters.retain(|(filter, _)| !asked.topics.contains(filter));
            }
            Some(Packet::UnsubAck(UnsubAck::new(asked.pkid)))
        }
        Packet::PingReq => Some(Packet::PingResp),
        _ => None,
    };
    // The writer ends only with the connection.
    reply.into_iter().for_each(|reply| _ = sender.send(reply));
}

/// The next packet; `None` when the connection ends or speaks no MQTT 3.1.1.
async fn next(reading: &mut tokio::net::tcp::OwnedReadHalf, heard: &mut BytesMut) -> Option<Packet> {
    loop {
        match Packet::read(heard, LARGEST_PACKET) {
            Ok(packet) => return Some(packet),
            Err(rumqttc::mqttbytes::Error::InsufficientBytes(_)) => {
                if reading.read_buf(heard).await.ok()? == 0 {
                    return None;
                }
            }
            Err(_) => return None,
        }
    }
}
