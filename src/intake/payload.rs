//! From the bytes of one message to what was heard: raw readings in the unit of
//! their channel, "no value", or the reason why it is no reading. Pure. Range,
//! fault codes, rate and lateness are judged by `engine::quality`.

use super::json::{Json, with_nan_as_null};
use super::placeholder::is_placeholder;
use super::senml::{self, PackError, SenmlRecord, StatedUnit, Value};
use super::stated_time;
use super::unit::convert;
use crate::config::{Field, Locator, Source, Topics};
use crate::engine::event::{Garbled, What};
use crate::journal::Entry;
use crate::reading::{RawReading, SensorId};
use crate::units::Timestamp;
use std::cell::OnceCell;

/// More bytes than any reading needs (own default).
pub const LARGEST_PAYLOAD: usize = 8 * 1024;

/// What one message said.
#[derive(Clone, Debug, PartialEq)]
pub enum Decoded {
    /// Events for the engine, in the order of the config: readings, missing
    /// values, or why there are none. Empty when a retained message was cleared.
    Events(Vec<What>),
    /// A journal entry; it becomes an event when the store has given it a number.
    Entry(Box<Entry>),
}

/// What `payload` on `topic` says. Any bytes are answered. `retained`: the
/// broker handed out a retained message; `arrived`: when we got it, against
/// which the sensor's own claim of time is held.
///
/// A retained journal entry is refused as [`Garbled::BadEntry`]: it would be
/// done again at every subscription.
pub fn decode(topics: &Topics, topic: &str, payload: &[u8], retained: bool, arrived: Timestamp) -> Decoded {
    if payload.is_empty() && retained {
        return Decoded::Events(Vec::new());
    }
    let text = readable(payload);
    if topic == topics.journal {
        let entry = text.ok().filter(|_| !retained).and_then(journal_entry);
        return entry
            .map_or(Decoded::Events(vec![garbled(None, Garbled::BadEntry)]), |entry| Decoded::Entry(Box::new(entry)));
    }
    let Some(sources) = topics.sensors.get(topic) else {
        return Decoded::Events(vec![garbled(None, Garbled::UnknownTopic)]);
    };
    let mut events = Vec::with_capacity(sources.iter().map(|source| source.fields.len()).sum());
    match text {
        Err(reason) => events.extend(sources.iter().map(|source| garbled(Some(source.sensor), reason))),
        Ok(text) if is_placeholder(text) => events.extend(sources.iter().map(|source| What::NoValue(source.sensor))),
        Ok(text) => {
            let mended;
            let mut tree = None;
            if sources.iter().any(reads_json) {
                tree = Json::read(text);
                if tree.is_none() {
                    mended = with_nan_as_null(text);
                    tree = mended.as_deref().and_then(Json::read);
                }
            }
            let message = ParsedMessage { text, tree, pack: OnceCell::new(), retained, arrived };
            for source in sources {
                message.hear(source, &mut events);
            }
        }
    }
    Decoded::Events(events)
}

/// The text of a payload without byte order mark, padding and space around it.
fn readable(payload: &[u8]) -> Result<&str, Garbled> {
    if payload.len() > LARGEST_PAYLOAD {
        return Err(Garbled::TooLarge);
    }
    let bytes = payload.strip_prefix(b"\xef\xbb\xbf").unwrap_or(payload);
    let text = std::str::from_utf8(bytes).map_err(|_| Garbled::NotReadable)?;
    let text = text.trim_end_matches(|c: char| c == '\0' || c.is_ascii_whitespace()).trim_ascii_start();
    if text.is_empty() { Err(Garbled::Empty) } else { Ok(text) }
}

/// Why a message on the journal's topic was no entry, as a sentence for whoever sent it.
/// `None` if it is one.
pub(crate) fn why_no_entry(payload: &[u8], retained: bool) -> Option<String> {
    const EXAMPLE: &str = r#"for example {"did":"water","place":"rack-a","ml_per_tray":118}"#;
    if retained {
        return Some("a journal entry must not be retained: it would be done again at every start".to_owned());
    }
    let problem = match readable(payload) {
        Ok(text) => entry_of(text).err()?,
        Err(_) => "it is empty, too long or no text".to_owned(),
    };
    Some(format!("that is no entry: {}; {EXAMPLE}", problem.trim_end_matches('.')))
}

fn journal_entry(text: &str) -> Option<Entry> {
    entry_of(text).ok()
}

fn entry_of(text: &str) -> Result<Entry, String> {
    let mut entry = crate::typed::object::from_json(text)?;
    entry.at = match entry.at {
        Some(at) => Some(Timestamp::from_timestamp_millis(at.timestamp_millis()).ok_or("its time cannot be")?),
        None => None,
    };
    Ok(entry)
}

fn reads_json(source: &Source) -> bool {
    source.time.is_some() || source.fields.iter().any(|field| field.at != Locator::Bare)
}

fn garbled(sensor: Option<SensorId>, reason: Garbled) -> What {
    What::Garbled { sensor, reason }
}

/// What a field gave instead of a reading.
#[derive(Clone, Copy, PartialEq)]
enum Miss {
    NoValue,
    Garbled(Garbled),
}

/// One message, read once however many sensors share it.
struct ParsedMessage<'a> {
    text: &'a str,
    /// `None`: no sensor of this topic reads JSON, or this is none.
    tree: Option<Json<'a>>,
    pack: OnceCell<Result<Vec<SenmlRecord>, Garbled>>,
    retained: bool,
    arrived: Timestamp,
}

impl ParsedMessage<'_> {
    fn hear(&self, source: &Source, events: &mut Vec<What>) {
        let first = events.len();
        // A message that misses two fields is still one message: say each reason once.
        let mut missed = |events: &mut Vec<What>, miss: Miss| {
            let what = match miss {
                Miss::NoValue => What::NoValue(source.sensor),
                Miss::Garbled(reason) => garbled(Some(source.sensor), reason),
            };
            if !events[first..].contains(&what) {
                events.push(what);
            }
        };
        let measured_at = match self.stated_time(source) {
            Ok(measured_at) => measured_at,
            Err(reason) => return missed(events, Miss::Garbled(reason)),
        };
        for field in &source.fields {
            let number = match &field.at {
                Locator::Bare => self.bare(),
                Locator::Pointer(pointer) => self.pointed(pointer),
                Locator::Senml(ending) => {
                    match self.pack() {
                        Err(reason) => missed(events, Miss::Garbled(*reason)),
                        Ok(records) => self.hear_records(field, ending, records, events, &mut missed),
                    }
                    continue;
                }
            };
            match number.and_then(|number| self.reading(field, number, Stated::AsDeclared, measured_at)) {
                Ok(reading) => events.push(reading),
                Err(miss) => missed(events, miss),
            }
        }
    }

    fn bare(&self) -> Result<f64, Miss> {
        match self.text.as_bytes().first() {
            Some(b'{' | b'[' | b'"') => Err(Miss::Garbled(Garbled::NotReadable)),
            // JSON's grammar, so that hex, a plus, a comma or a bare dot never slip through.
            _ => serde_json::from_str(self.text).map_err(|_| Miss::Garbled(Garbled::NotANumber)),
        }
    }

    fn pointed(&self, pointer: &str) -> Result<f64, Miss> {
        let tree = self.tree.as_ref().ok_or(Miss::Garbled(Garbled::NotReadable))?;
        match tree.at(pointer) {
            None => Err(Miss::Garbled(Garbled::FieldMissing)),
            Some(Json::Number(number)) => Ok(*number),
            Some(Json::Null) => Err(Miss::NoValue),
            Some(Json::Text(text)) if is_placeholder(text.trim()) => Err(Miss::NoValue),
            Some(_) => Err(Miss::Garbled(Garbled::NotANumber)),
        }
    }

    fn hear_records(
        &self,
        field: &Field,
        ending: &str,
        records: &[SenmlRecord],
        events: &mut Vec<What>,
        missed: &mut impl FnMut(&mut Vec<What>, Miss),
    ) {
        let first = events.len();
        let mut miss = None;
        let ambiguous = ending.is_empty() && records.iter().any(|record| record.name != records[0].name);
        for record in records.iter().filter(|record| !ambiguous && record.name.ends_with(ending)) {
            let number = match &record.value {
                Value::Number(number) => Ok(*number),
                Value::Absent => Err(Miss::NoValue),
                Value::Text(text) if is_placeholder(text.trim()) => Err(Miss::NoValue),
                Value::Text(_) | Value::Other => Err(Miss::Garbled(Garbled::NotANumber)),
            };
            let stated = record.unit.map_or(Stated::AsDeclared, Stated::InRecord);
            match number.and_then(|number| self.reading(field, number, stated, record.measured_at)) {
                Ok(reading) => events.push(reading),
                Err(reason) => miss = Some(reason),
            }
        }
        // Records of one name may measure several things (RFC 8428, section 5.1.3):
        // those in a foreign unit matter only when none fits.
        if events.len() == first {
            missed(events, miss.unwrap_or(Miss::Garbled(Garbled::FieldMissing)));
        }
    }

    fn reading(
        &self,
        field: &Field,
        number: f64,
        stated: Stated,
        measured_at: Option<Timestamp>,
    ) -> Result<What, Miss> {
        let (unit, factor) = match stated {
            Stated::AsDeclared => (field.unit, 1.0),
            Stated::InRecord(StatedUnit::Known(unit, factor)) => (unit, factor),
            Stated::InRecord(StatedUnit::Foreign) => return Err(Miss::Garbled(Garbled::WrongUnit)),
        };
        let value = convert(number * factor, unit, field.quantity).ok_or(Miss::Garbled(Garbled::WrongUnit))?;
        RawReading::new(field.channel, value, measured_at, self.retained)
            .map(What::Reading)
            .ok_or(Miss::Garbled(Garbled::OutOfThisWorld))
    }

    fn stated_time(&self, source: &Source) -> Result<Option<Timestamp>, Garbled> {
        let Some(pointer) = &source.time else { return Ok(None) };
        let tree = self.tree.as_ref().ok_or(Garbled::NotReadable)?;
        match tree.at(pointer) {
            None => Ok(None),
            Some(claim) => stated_time::stated(claim, self.arrived).map_err(|_| Garbled::NotReadable),
        }
    }

    fn pack(&self) -> &Result<Vec<SenmlRecord>, Garbled> {
        self.pack.get_or_init(|| {
            let tree = self.tree.as_ref().ok_or(Garbled::NotReadable)?;
            senml::resolve(tree, self.arrived).map_err(|error| match error {
                PackError::NotAPack => Garbled::NotReadable,
                PackError::TooManyRecords => Garbled::TooLarge,
            })
        })
    }
}

/// In which unit a number stands.
enum Stated {
    /// The one the config declares.
    AsDeclared,
    /// The one the SenML record names.
    InRecord(StatedUnit),
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Unit;
    use crate::journal::Did;
    use crate::reading::{ChannelId, Quantity};
    use proptest::prelude::*;

    fn arrived() -> Timestamp {
        Timestamp::from_timestamp_millis(1_772_557_200_000).expect("a date")
    }

    fn field(channel: u16, quantity: Quantity, at: Locator, unit: Unit) -> Field {
        Field { channel: ChannelId(channel), quantity, at, unit }
    }

    fn topics() -> Topics {
        let air = |sensor, temperature: &str, humidity: &str| Source {
            sensor: SensorId(sensor),
            fields: vec![
                field(2 * sensor, Quantity::Temperature, Locator::Pointer(temperature.into()), Unit::Celsius),
                field(2 * sensor + 1, Quantity::Humidity, Locator::Pointer(humidity.into()), Unit::PercentHumidity),
            ],
            time: Some("/at".into()),
        };
        let pack = Source {
            sensor: SensorId(3),
            fields: vec![
                field(6, Quantity::Temperature, Locator::Senml("temperature".into()), Unit::Celsius),
                field(7, Quantity::Humidity, Locator::Senml("humidity".into()), Unit::PercentHumidity),
            ],
            time: None,
        };
        let gauge = Source {
            sensor: SensorId(4),
            fields: vec![field(8, Quantity::Distance, Locator::Bare, Unit::Centimetre)],
            time: None,
        };
        Topics {
            sensors: [
                ("loft/rack-a/air".into(), vec![air(0, "/temperature", "/humidity")]),
                ("loft/both".into(), vec![air(1, "/upper/t", "/upper/h"), air(2, "/lower/t", "/lower/h")]),
                ("loft/pack".into(), vec![pack]),
                ("loft/tank/distance".into(), vec![gauge]),
            ]
            .into(),
            journal: "traywarden/loft/journal".into(),
        }
    }

    fn heard(topic: &str, payload: &str) -> Vec<What> {
        match decode(&topics(), topic, payload.as_bytes(), false, arrived()) {
            Decoded::Events(events) => events,
            Decoded::Entry(entry) => panic!("{payload} is an entry: {entry:?}"),
        }
    }

    fn reading(channel: u16, value: f64) -> What {
        What::Reading(RawReading::new(ChannelId(channel), value, None, false).expect("of this world"))
    }

    #[test]
    fn a_small_object_gives_its_readings_in_the_order_of_the_config() {
        let events = heard("loft/rack-a/air", r#"{"humidity":61.5,"battery":2.9,"temperature":21.25}"#);
        assert_eq!(events, [reading(0, 21.25), reading(1, 61.5)]);
    }

    #[test]
    fn a_bare_number_is_converted_from_the_declared_unit() {
        assert_eq!(heard("loft/tank/distance", " 31.5\n"), [reading(8, 315.0)]);
    }

    #[test]
    fn sensors_that_share_a_topic_are_each_heard() {
        let events = heard("loft/both", r#"{"upper":{"t":24,"h":50},"lower":{"t":20}}"#);
        let missing = garbled(Some(SensorId(2)), Garbled::FieldMissing);
        assert_eq!(events, [reading(2, 24.0), reading(3, 50.0), reading(4, 20.0), missing]);
    }

    #[test]
    fn one_missing_value_does_not_silence_the_other_and_two_are_said_once() {
        let lost = What::NoValue(SensorId(0));
        let events = heard("loft/rack-a/air", r#"{"temperature":null,"humidity":60}"#);
        assert_eq!(events, [lost.clone(), reading(1, 60.0)]);
        assert_eq!(heard("loft/rack-a/air", r#"{"temperature":null,"humidity":"N/A"}"#).len(), 2);
        assert_eq!(heard("loft/rack-a/air", r#"{"temperature":nan,"humidity":"unknown"}"#), [lost]);
    }

    #[test]
    fn a_pack_gives_every_record_its_own_unit_and_time() {
        let events = heard(
            "loft/pack",
            r#"[{"bn":"rack-a:","bt":1772557000,"n":"temperature","u":"K","v":294.65},
                {"n":"temperature","t":60,"u":"Cel","v":21.6},{"n":"humidity","u":"/","v":0.62}]"#,
        );
        let at = |seconds| Timestamp::from_timestamp(seconds, 0);
        let stamped = |channel, value, seconds| {
            What::Reading(RawReading::new(ChannelId(channel), value, at(seconds), false).expect("of this world"))
        };
        assert_eq!(
            events,
            [stamped(6, 21.5, 1_772_557_000), stamped(6, 21.6, 1_772_557_060), stamped(7, 62.0, 1_772_557_000)]
        );
    }

    #[test]
    fn a_record_in_a_foreign_unit_is_the_wrong_unit_only_when_none_fits() {
        let wrong = garbled(Some(SensorId(3)), Garbled::WrongUnit);
        let missing = garbled(Some(SensorId(3)), Garbled::FieldMissing);
        assert_eq!(heard("loft/pack", r#"[{"n":"temperature","u":"%RH","v":60}]"#), [wrong, missing.clone()]);
        let mixed = r#"[{"bn":"temperature","u":"lon","v":24.3},{"u":"Cel","v":21}]"#;
        assert_eq!(heard("loft/pack", mixed), [reading(6, 21.0), missing]);
    }

    #[test]
    fn a_cleared_retained_message_says_nothing() {
        let heard = decode(&topics(), "loft/tank/distance", b"", true, arrived());
        assert_eq!(heard, Decoded::Events(Vec::new()));
    }

    #[test]
    fn a_retained_reading_is_marked_so() {
        let Decoded::Events(events) = decode(&topics(), "loft/tank/distance", b"30", true, arrived()) else {
            panic!("said")
        };
        assert!(matches!(events[..], [What::Reading(raw)] if raw.retained));
    }

    #[test]
    fn a_journal_entry_is_read_and_a_bad_or_retained_one_refused() {
        let topic = "traywarden/loft/journal";
        let reported = br#"{"did":"water","place":"rack-a","ml_per_tray":118,"at":"2026-03-02T08:00:00.1239Z"}"#;
        let Decoded::Entry(entry) = decode(&topics(), topic, reported, false, arrived()) else { panic!("an entry") };
        assert!(matches!(&entry.did, Did::Water { ml_per_tray: Some(118.0), .. }));
        assert_eq!(entry.at, Timestamp::from_timestamp_millis(1_772_438_400_123), "whole milliseconds");
        let refused = Decoded::Events(vec![garbled(None, Garbled::BadEntry)]);
        assert_eq!(decode(&topics(), topic, reported, true, arrived()), refused);
        for bad in ["", "water", "{}", r#"{"did":"dance"}"#, r#"["water"]"#, r#"{"did":"look","tray":"a","tray":"b"}"#]
        {
            assert_eq!(decode(&topics(), topic, bad.as_bytes(), false, arrived()), refused, "{bad}");
        }
    }

    #[test]
    fn whoever_sent_no_entry_is_told_why() {
        let why = |payload: &str| why_no_entry(payload.as_bytes(), false).unwrap_or_default();
        assert_eq!(why(r#"{"did":"look"}"#), "");
        assert!(why("water").contains("no JSON object"), "{}", why("water"));
        assert!(why(r#"{"did":"dance"}"#).contains("dance"), "{}", why(r#"{"did":"dance"}"#));
        let blend = r#"{"did":"sow","tray":"K1","place":"rack-a","blend":"kale,radish"}"#;
        assert!(why(blend).contains("add seed_grams=24"), "{}", why(blend));
        assert!(why_no_entry(br#"{"did":"look"}"#, true).is_some_and(|why| why.contains("retained")));
    }

    #[test]
    fn a_payload_over_the_cap_is_too_large_whatever_it_holds() {
        let padded = format!("30{}", " ".repeat(LARGEST_PAYLOAD - 1));
        assert_eq!(heard("loft/tank/distance", &padded), [garbled(Some(SensorId(4)), Garbled::TooLarge)]);
        assert_eq!(heard("loft/tank/distance", &padded[..LARGEST_PAYLOAD]), [reading(8, 300.0)]);
    }

    fn no_reading_is_beyond_this_world(events: Decoded) -> bool {
        let Decoded::Events(events) = events else { return true };
        events.iter().all(|what| match what {
            What::Reading(raw) => raw.value().is_finite() && raw.value().abs() <= 1e6,
            _ => true,
        })
    }

    proptest! {
        #[test]
        fn any_bytes_are_answered(payload in proptest::collection::vec(any::<u8>(), 0..200), retained: bool) {
            for topic in ["loft/rack-a/air", "loft/both", "loft/pack", "loft/tank/distance", "traywarden/loft/journal"] {
                prop_assert!(no_reading_is_beyond_this_world(decode(&topics(), topic, &payload, retained, arrived())));
            }
        }

        #[test]
        fn nearly_right_messages_are_answered(
            number in prop_oneof![any::<f64>().prop_map(|n| format!("{n:e}")), "[-+0-9.eEnaNxX,]{0,9}"],
            time in prop_oneof![any::<f64>().prop_map(|n| format!("{n:e}")), "\"[-0-9TZ:.+]{0,25}\"", "-?[0-9]{0,14}"],
            cut in 0usize..120,
        ) {
            let messages = [
                ("loft/rack-a/air", format!(r#"{{"temperature":{number},"humidity":{number},"at":{time}}}"#)),
                ("loft/pack", format!(r#"[{{"bn":"a:","bt":{time},"n":"temperature","t":{time},"u":"K","bv":{number},"v":{number}}}]"#)),
                ("loft/tank/distance", number.clone()),
            ];
            for (topic, message) in messages {
                for payload in [&message[..], message.get(..cut).unwrap_or("")] {
                    let events = decode(&topics(), topic, payload.as_bytes(), false, arrived());
                    prop_assert!(no_reading_is_beyond_this_world(events));
                }
            }
        }
    }
}
