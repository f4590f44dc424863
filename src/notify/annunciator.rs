//! An alarm as a retained MQTT message, so that a lamp or siren can act without
//! internet. It makes topic and payload; the daemon's lamp carrier has them published
//! at QoS 1 and knows when the broker has them.

use super::letter::{CarrierName, Parcel, ParcelKey};
use super::wording::alarm_text;
use crate::engine::alarm::{AlarmChange, AlarmState};
use crate::engine::rules::Site;
use chrono::SecondsFormat;
use serde_json::json;

/// What the lamp is told of this change. The recipient is the topic
/// `traywarden/<site>/alarm/<kind>/<subject>`, so that a lamp can subscribe to one kind;
/// the bytes are a JSON object, empty when the alarm is normal, which clears the retained
/// one. `site_topic` is `config::Broker::site_topic`.
pub(crate) fn announcement(change: &AlarmChange, site: &Site, site_topic: &str) -> Parcel {
    let topic = format!("traywarden/{site_topic}/alarm/{}/{}", change.key.kind.word(), level(&change.key.subject));
    let letter = format!("{}@{}", change.key.id(), change.at.timestamp_millis());
    let key = ParcelKey { letter, carrier: CarrierName::Lamp, recipient: topic };
    if change.state == AlarmState::Normal {
        return Parcel { key, message_id: None, bytes: Vec::new() };
    }
    let stamp = |at: crate::units::Timestamp| at.to_rfc3339_opts(SecondsFormat::Millis, true);
    let payload = json!({
        "at": stamp(change.at),
        "alarm": change.key.id(),
        "kind": change.key.kind.word(),
        "subject": change.key.subject,
        "state": change.state.word(),
        "priority": change.priority.word(),
        "since": stamp(change.since),
        "harm_from": change.harm.map(|harm| stamp(harm.likely)),
        "harm_early": change.harm.map(|harm| stamp(harm.early)),
        "text": alarm_text(change, site),
    });
    Parcel { key, message_id: None, bytes: payload.to_string().into_bytes() }
}

/// One level of a topic. A grower's name for a tray may hold `/`, `+` or `#`,
/// which mean something to a broker: everything unusual is percent-encoded, so
/// that two names never share a topic.
fn level(subject: &str) -> String {
    let mut level = String::with_capacity(subject.len());
    for byte in subject.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
            level.push(char::from(byte));
        } else {
            level.push_str(&format!("%{byte:02X}"));
        }
    }
    level
}

#[cfg(test)]
mod tests {
    use super::level;

    #[test]
    fn a_subject_is_one_level_without_wildcards_and_never_shared() {
        assert_eq!(level("rack-a"), "rack-a");
        assert_eq!(level("K/12 #+"), "K%2F12%20%23%2B");
        assert_ne!(level("K/12"), level("K-12"));
    }
}
