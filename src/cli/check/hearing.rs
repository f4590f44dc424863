//! What the check hears: is the broker there, does it let us listen, does every sensor speak,
//! is what it says understood, and what else is said that nobody watches.

use super::point::CheckPoint;
use crate::cli::present::Present;
use crate::clock::Clock;
use crate::config::{Broker, Config};
use crate::engine::event::What;
use crate::engine::rules::Sensor;
use crate::intake::payload::{self, Decoded};
use crate::intake::survey::{Survey, survey};
use crate::notify::wording;
use crate::reading::{Quantity, SensorId};
use std::collections::BTreeSet;
use std::time::Duration;

/// So many topics without a sensor are named.
const NAMED: usize = 4;

/// What became of one sensor.
enum Sound {
    /// What it said, in the grower's units, so that a wrong unit of the settings is seen.
    Understood(String),
    NoValue,
    Refused(&'static str, String),
}

/// Listens for `span` at most.
pub(super) async fn listen(config: &Config, span: Duration, known: Option<&Present>) -> Vec<CheckPoint> {
    let broker = &config.broker;
    let filters: Vec<String> =
        config.topics.sensors.keys().cloned().chain([config.topics.journal.clone(), "#".to_owned()]).collect();
    let name = format!("traywarden-check-{}", std::process::id());
    let wanted: BTreeSet<&str> = config.topics.sensors.keys().map(String::as_str).collect();
    let mut seen = BTreeSet::new();
    let all_spoke = |messages: &[crate::intake::survey::Surveyed]| {
        seen.extend(messages.last().filter(|last| !last.retained).map(|last| last.topic.clone()));
        wanted.iter().all(|topic| seen.contains(*topic))
    };
    let heard = match survey(broker, &name, &filters, span, all_spoke).await {
        Ok(heard) => heard,
        Err(error) => {
            let error = error.to_string();
            return vec![CheckPoint::Mend(
                format!("The broker: {}.", error.trim_end_matches('.')),
                remedy_for(broker, &error),
            )];
        }
    };
    let Broker { host, port, user, .. } = broker;
    let as_user = user.as_ref().map_or(String::new(), |user| format!(" as {user}"));
    let mut points = vec![CheckPoint::Well(format!("The broker at {host} port {port} takes us in{as_user}."))];
    let refused: Vec<&String> = heard.refused.iter().filter(|filter| *filter != "#").collect();
    if !refused.is_empty() {
        let refused: Vec<&str> = refused.into_iter().map(String::as_str).collect();
        points.push(CheckPoint::Mend(
            format!("The broker does not let us listen to {}.", refused.join(", ")),
            "Give the daemon's user the right to read it, in the broker's access list.".to_owned(),
        ));
    }
    points.extend(sensors(config, &heard, span, known));
    points.extend(other_journals(config, &heard));
    points.extend(strays(config, &heard));
    points
}

fn remedy_for(broker: &Broker, error: &str) -> String {
    if error.contains("/run/credentials/") {
        "systemd hands this password to the daemon alone: run the check as root.".to_owned()
    } else if error.contains("password") {
        "See user and password_file in [broker].".to_owned()
    } else if broker.host == "127.0.0.1" || broker.host == "localhost" {
        "Start it: systemctl enable --now mosquitto (apt install mosquitto), and see [broker] url.".to_owned()
    } else {
        "See that it runs and can be reached from here, and [broker] url.".to_owned()
    }
}

fn sensors(config: &Config, heard: &Survey, span: Duration, known: Option<&Present>) -> Vec<CheckPoint> {
    let rules = &config.rules;
    let mut well: Vec<String> = Vec::new();
    let mut points = Vec::new();
    for (index, sensor) in rules.sensors.iter().enumerate() {
        let id = SensorId(u16::try_from(index).unwrap_or(u16::MAX));
        let topic = config.topics.sensors.iter().find(|(_, sources)| sources.iter().any(|source| source.sensor == id));
        let topic = topic.map_or("", |(topic, _)| topic.as_str());
        match sound_of(config, heard, id, topic) {
            Some(Sound::Understood(values)) => well.push(format!("{} {values}", sensor.id)),
            Some(Sound::NoValue) => points.push(CheckPoint::Mend(
                format!("{} speaks, but says that it has no value.", sensor.id),
                "Look at the device: a probe may be unplugged.".to_owned(),
            )),
            Some(Sound::Refused(reason, sample)) => points.push(CheckPoint::Mend(
                format!(
                    "What {} says on {topic} is not understood: {}. It said: {sample}",
                    sensor.id,
                    wording::refusal(reason)
                ),
                format!("See how [[sensor]] {} reads its messages; traywarden listen makes a proposal.", sensor.id),
            )),
            None => points.push(unheard(sensor, topic, heard, span, known)),
        }
    }
    match well.len() {
        0 => {}
        all => {
            let who = if all == rules.sensors.len() { "Every sensor was heard" } else { "Heard" };
            points.insert(0, CheckPoint::Well(format!("{who}: {}. Is that the room?", well.join("; "))));
        }
    }
    points
}

fn sound_of(config: &Config, heard: &Survey, id: SensorId, topic: &str) -> Option<Sound> {
    let now = Clock::system().now();
    let mut sound = None;
    for message in heard.messages.iter().filter(|message| message.topic == topic) {
        let Decoded::Events(events) = payload::decode(&config.topics, topic, &message.payload, false, now) else {
            continue;
        };
        let values: Vec<String> = events.iter().filter_map(|what| value_of(config, id, what)).collect();
        if !values.is_empty() {
            return Some(Sound::Understood(values.join(", ")));
        }
        for what in events {
            match what {
                What::NoValue(sensor) if sensor == id => sound = Some(Sound::NoValue),
                What::Garbled { sensor: Some(sensor), reason } if sensor == id => {
                    let text = String::from_utf8_lossy(&message.payload);
                    let sample: String = text.chars().filter(|sign| !sign.is_control()).take(60).collect();
                    sound = Some(Sound::Refused(reason.word(), sample));
                }
                _ => {}
            }
        }
    }
    sound
}

/// "20.5 °C", if it is a reading of this sensor.
fn value_of(config: &Config, id: SensorId, what: &What) -> Option<String> {
    let What::Reading(raw) = what else { return None };
    let channel = Some(config.rules.channel(raw.channel)).filter(|channel| channel.sensor == id)?;
    let unit = match channel.quantity {
        Quantity::Temperature => return Some(config.rules.site.units.temperature(raw.value())),
        Quantity::Humidity | Quantity::Filling => "%",
        level => level.unit(),
    };
    Some(format!("{} {unit}", crate::units::tenths(raw.value())))
}

fn unheard(sensor: &Sensor, topic: &str, heard: &Survey, span: Duration, known: Option<&Present>) -> CheckPoint {
    let seconds = span.as_secs();
    let last = known.and_then(|room| {
        let now = room.engine.snapshot().sensors.into_iter().find(|now| now.id == sensor.id)?;
        Some((now.last_believed?, Clock::system().now()))
    });
    if let Some((last, now)) = last
        && now - last < sensor.silent_after
    {
        let minutes = (now - last).num_minutes();
        let ago = if minutes == 0 { "less than a minute".to_owned() } else { format!("{minutes} min") };
        return CheckPoint::Well(format!(
            "{} did not speak in these {seconds} s; the daemon heard it {ago} ago.",
            sensor.id
        ));
    }
    let others: Vec<&str> = heard.messages.iter().map(|message| message.topic.as_str()).collect();
    let near = crate::engine::crop::closest_word(topic, others.iter().copied());
    let remedy = match near {
        Some(near) => format!("The broker carries {near}; was that meant?"),
        None if sensor.every.to_std().unwrap_or_default() > span => {
            format!(
                "It speaks every {} s: check --listen \"{} s\" waits for it.",
                sensor.every.num_seconds(),
                sensor.every.num_seconds() * 2
            )
        }
        None => "Is it switched on, and does it publish to this broker on this topic?".to_owned(),
    };
    CheckPoint::Mend(format!("{} was not heard in {seconds} s on {topic}.", sensor.id), remedy)
}

/// Entries that somebody sends to a site that no daemon on this broker watches.
fn other_journals(config: &Config, heard: &Survey) -> Vec<CheckPoint> {
    let ours = &config.broker.site_topic;
    let is_watched = |site: &str| {
        let status = format!("traywarden/{site}/status");
        heard.messages.iter().any(|message| message.topic == status && message.payload == b"online")
    };
    let mut sites: BTreeSet<&str> = BTreeSet::new();
    for message in &heard.messages {
        let mut levels = message.topic.split('/');
        if let (Some("traywarden"), Some(site), Some("journal"), None) =
            (levels.next(), levels.next(), levels.next(), levels.next())
            && site != ours
            && !is_watched(site)
        {
            sites.insert(site);
        }
    }
    let told = |site: &str| {
        CheckPoint::Mend(
            format!("Somebody writes the journal of a site {site:?}, which nobody watches."),
            format!("This site is {ours:?}: let the button publish to traywarden/{ours}/journal."),
        )
    };
    sites.into_iter().map(told).collect()
}

fn strays(config: &Config, heard: &Survey) -> Option<CheckPoint> {
    let ours = |topic: &str| topic.starts_with("traywarden/") || config.topics.sensors.contains_key(topic);
    let others: BTreeSet<&str> =
        heard.messages.iter().map(|message| message.topic.as_str()).filter(|topic| !ours(topic)).collect();
    if others.is_empty() {
        return None;
    }
    let named: Vec<String> = others.iter().take(NAMED).map(|topic| topic.escape_debug().to_string()).collect();
    let more = others.len().saturating_sub(NAMED);
    let more = if more == 0 { String::new() } else { format!(" and {more} more") };
    Some(CheckPoint::Blind(format!(
        "Topics that no sensor of the settings owns: {}{more}. traywarden listen proposes settings for them.",
        named.join(", ")
    )))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::survey::Surveyed;
    use std::path::Path;

    #[test]
    fn what_a_sensor_said_is_shown_so_that_a_wrong_unit_is_seen() {
        let text = include_str!("../../../config/traywarden.toml");
        let config = crate::config::parse(text, "room.toml", Path::new("/")).expect("the example is right");
        let (topic, sources) = config.topics.sensors.iter().next().expect("the example has a sensor");
        let sensor = sources[0].sensor;
        let said = Surveyed {
            after: Duration::ZERO,
            topic: topic.clone(),
            payload: br#"{"temperature":-6.1,"humidity":57}"#.to_vec(),
            retained: false,
        };
        let heard = Survey { refused: Vec::new(), messages: vec![said] };
        match sound_of(&config, &heard, sensor, topic) {
            Some(Sound::Understood(values)) => assert_eq!(values, "21.0 °F, 57 %", "in the units of the site"),
            _ => panic!("{topic} is understood"),
        }
    }

    #[test]
    fn entries_for_a_site_that_nobody_watches_are_told() {
        let text = include_str!("../../../config/traywarden.toml");
        let config = crate::config::parse(text, "room.toml", Path::new("/")).expect("the example is right");
        let heard = |topics: &[(&str, &str)]| Survey {
            refused: Vec::new(),
            messages: topics
                .iter()
                .map(|(topic, payload)| Surveyed {
                    after: Duration::ZERO,
                    topic: (*topic).to_owned(),
                    payload: payload.as_bytes().to_vec(),
                    retained: false,
                })
                .collect(),
        };
        let told = other_journals(
            &config,
            &heard(&[
                ("traywarden/saltmarsh-lane/journal", "{}"),
                ("traywarden/saltmarsh/journal", "{}"),
                ("traywarden/barn/status", "online"),
                ("traywarden/barn/journal", "{}"),
                ("traywarden/barn/journal/answer", "{}"),
            ]),
        );
        let wanted = CheckPoint::Mend(
            "Somebody writes the journal of a site \"saltmarsh\", which nobody watches.".to_owned(),
            "This site is \"saltmarsh-lane\": let the button publish to traywarden/saltmarsh-lane/journal.".to_owned(),
        );
        assert_eq!(told, [wanted]);
    }
}
