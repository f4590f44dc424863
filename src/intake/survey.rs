//! Listening in on a broker for a short while, without a session that stays: for `listen`,
//! which knows no topic yet, and for `check`, which must not take messages from the daemon.

use super::exchanged::TOPICS_A_SUBSCRIBE;
use super::listen::sentence;
use super::mqtt::{ConnectError, read_password};
use super::tls::Bridge;
use crate::config::Broker;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS, SubscribeFilter, SubscribeReasonCode, Transport};
use std::time::Duration;

/// Nothing that a sensor says is larger; more would break the connection.
const LARGEST_PACKET: usize = 1024 * 1024;
/// How long a broker may take to greet us.
const GREETING_LIMIT: Duration = Duration::from_secs(15);

/// What was heard on a broker.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Survey {
    /// Filters that the broker does not let us listen to.
    pub refused: Vec<String>,
    /// Messages in the order of hearing.
    pub messages: Vec<Surveyed>,
}

/// One message.
#[derive(Clone, Debug, PartialEq)]
pub struct Surveyed {
    /// How long after the first moment of listening.
    pub after: Duration,
    /// The topic it was published on.
    pub topic: String,
    /// The bytes.
    pub payload: Vec<u8>,
    /// The broker had kept it; its age is not known.
    pub retained: bool,
}

/// Why nothing could be heard.
#[derive(Debug, thiserror::Error)]
pub(crate) enum SurveyError {
    /// The settings cannot be used.
    #[error(transparent)]
    Connect(#[from] ConnectError),
    /// The broker does not take us in; a sentence.
    #[error("{0}")]
    Broker(String),
}

/// Listens to `filters` (wildcards are fine) for `span`, or until `enough` of the messages
/// says so. `name` tells two listeners apart and must be new for each.
///
/// # Errors
/// When the broker cannot be reached, or does not take us in.
pub(crate) async fn survey(
    broker: &Broker,
    name: &str,
    filters: &[String],
    span: Duration,
    mut enough: impl FnMut(&[Surveyed]) -> bool,
) -> Result<Survey, SurveyError> {
    let bridge = broker.tls.as_ref().map(|tls| Bridge::open(broker, tls)).transpose().map_err(ConnectError::from)?;
    let mut options = match bridge.as_ref().map(Bridge::socket) {
        None => MqttOptions::new(name, &broker.host, broker.port),
        Some(socket) => {
            let mut options = MqttOptions::new(name, socket.to_string_lossy(), 0);
            options.set_transport(Transport::Unix);
            options
        }
    };
    options.set_keep_alive(Duration::from_secs(20)).set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET);
    if let Some(user) = &broker.user {
        options.set_credentials(user, read_password(broker)?);
    }
    let (client, mut events) = AsyncClient::new(options, 64);
    for some in filters.chunks(TOPICS_A_SUBSCRIBE) {
        let some = some.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtMostOnce));
        client.subscribe_many(some).await.map_err(|error| SurveyError::Broker(error.to_string()))?;
    }
    let mut heard = Survey::default();
    let mut answers = 0;
    let mut began: Option<tokio::time::Instant> = None;
    loop {
        let deadline = began.map_or_else(|| tokio::time::Instant::now() + GREETING_LIMIT, |began| began + span);
        let event = match tokio::time::timeout_at(deadline, events.poll()).await {
            Ok(Ok(event)) => event,
            Ok(Err(error)) if began.is_none() => {
                return Err(SurveyError::Broker(sentence(broker, bridge.as_ref(), false, &error)));
            }
            // It took us in and then broke off: what was heard so far is worth having.
            Ok(Err(_)) => return Ok(heard),
            Err(_) if began.is_some() => return Ok(heard),
            Err(_) => {
                let Broker { host, port, .. } = broker;
                return Err(SurveyError::Broker(format!("nothing at {host} port {port} answers as a broker would")));
            }
        };
        match event {
            Event::Incoming(Packet::SubAck(answer)) => {
                let asked = filters.chunks(TOPICS_A_SUBSCRIBE).nth(answers).unwrap_or_default();
                let refused =
                    asked.iter().zip(&answer.return_codes).filter(|(_, code)| **code == SubscribeReasonCode::Failure);
                heard.refused.extend(refused.map(|(filter, _)| filter.clone()));
                answers += 1;
                if answers == filters.len().div_ceil(TOPICS_A_SUBSCRIBE) {
                    began.get_or_insert_with(tokio::time::Instant::now);
                }
            }
            Event::Incoming(Packet::Publish(message)) => {
                heard.messages.push(Surveyed {
                    after: began.map_or(Duration::ZERO, |began| began.elapsed()),
                    topic: message.topic,
                    payload: message.payload.to_vec(),
                    retained: message.retain,
                });
                if enough(&heard.messages) {
                    return Ok(heard);
                }
            }
            _ => {}
        }
    }
}

/// What a test has a broker say: second, topic, payload.
#[cfg(test)]
pub(crate) fn said(messages: &[(u64, &str, &str)]) -> Vec<Surveyed> {
    let surveyed = |(second, topic, payload): &(u64, &str, &str)| Surveyed {
        after: Duration::from_secs(*second),
        topic: (*topic).to_owned(),
        payload: payload.as_bytes().to_vec(),
        retained: false,
    };
    messages.iter().map(surveyed).collect()
}
