//! What goes between the daemon, the broker's ear (`listen`) and its mouth (`mqtt`).

use std::sync::{Arc, Mutex};
use tokio::sync::oneshot;

/// Topics in one SUBSCRIBE, so that it stays far below any packet limit.
pub(super) const TOPICS_A_SUBSCRIBE: usize = 32;

/// Which message an acknowledgement is for: its number, and the connection it
/// came on. A number means nothing on another connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Receipt {
    /// Counts connections from 1.
    pub epoch: u64,
    /// The broker's number for the message; 0 when it wants no acknowledgement (QoS 0).
    pub packet_id: u16,
}

/// A message from the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Delivery {
    /// Give it to [`super::mqtt::Link::acknowledge`] when the message is safe.
    pub receipt: Receipt,
    /// The broker sent it before and may have been understood then.
    pub duplicate: bool,
    /// The topic it was published on.
    pub topic: String,
    /// The bytes; of a message over [`super::payload::LARGEST_PAYLOAD`] only
    /// enough to see that it is over.
    pub payload: Vec<u8>,
    /// A retained message: its age is unknown.
    pub retained: bool,
}

/// What comes from the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FromBroker {
    /// Connected and subscribed.
    Up {
        /// The broker remembers us, and has kept what came while we were away.
        session_present: bool,
    },
    /// Not connected, and trying again. Said once for each new reason.
    Down {
        /// Why, as a sentence.
        error: String,
    },
    /// A message was published to us.
    Delivery(Delivery),
    /// The broker throws us out again and again and lets us in again: somebody else uses
    /// our client id.
    Contested {
        /// How often lately.
        times: u32,
    },
    /// Nobody else has used our client id for a while.
    Uncontested,
    /// A message was too large to be taken; everything the broker kept for us had to be
    /// given up to get past it.
    GivenUp {
        /// The size of the message.
        bytes: usize,
    },
    /// The broker has answered on this connection and has thus read what we said before:
    /// these acknowledgements have arrived.
    Settled {
        /// The connection.
        epoch: u64,
        /// The numbers of the messages.
        packet_ids: Vec<u16>,
        /// The connection stands long enough that whatever the broker had to send again has come.
        sent_again: bool,
    },
    /// The broker does not let us listen to these topics.
    SubscribeRefused {
        /// The topics the broker refuses us.
        topics: Vec<String>,
    },
}

/// What goes to the broker, in order.
#[derive(Debug)]
pub(super) enum Outbound {
    /// A connection stands.
    Connected {
        subscribe: bool,
    },
    Acknowledge(Receipt),
    Publish {
        topic: String,
        payload: Vec<u8>,
    },
    /// Retained, at QoS 1; `taken` hears when the broker has it, and is dropped when it
    /// has not. One at a time: the client of ours is safe with one that waits for its
    /// answer, and not with many (rumqttc issues 1014 and 1056).
    Announce {
        topic: String,
        payload: Vec<u8>,
        taken: oneshot::Sender<()>,
    },
    /// Not retained: said once, to whoever listens now.
    Answer {
        topic: String,
        payload: Vec<u8>,
    },
    Unsubscribe(String),
    Close(oneshot::Sender<bool>),
}

/// Whoever waits for the broker's answer to the one announcement that is under way.
pub(super) type Announced = Arc<Mutex<Option<oneshot::Sender<()>>>>;
