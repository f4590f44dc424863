//! How an event, a judgement and a note look on disk, and back again. Written
//! out by hand: what is stored must not change because a type was renamed.
//! Sensors are stored by their id, since their index changes with the config.

use crate::engine::event::{AtStake, Doubt, EntryNote, Garbled, Judgement, What};
use crate::engine::letters::digest::Due;
use crate::engine::rules::Rules;
use crate::engine::watch::trays::tray::Stage;
use crate::journal::Entry;
use crate::reading::{Flag, SensorId};
use crate::units::Timestamp;
use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::HashMap;

/// An event as the table `event` keeps it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Encoded {
    /// The stable word of its kind.
    pub kind: &'static str,
    /// The rest as a JSON object.
    pub body: String,
}

/// Why a stored event cannot be lived through again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Undecodable {
    /// Its sensor has left the config.
    SensorGone(String),
    /// Written by a newer build, or by hand.
    NotOurs(String),
}

/// Sensor ids to today's indices.
#[derive(Clone, Debug, Default)]
pub struct SensorNames(HashMap<String, SensorId>);

impl SensorNames {
    /// The sensors of these rules.
    pub fn of(rules: &Rules) -> SensorNames {
        let ids = rules.sensors.iter().enumerate();
        SensorNames(ids.map(|(index, sensor)| (sensor.id.clone(), SensorId(index as u16))).collect())
    }

    fn find(&self, id: String) -> Result<SensorId, Undecodable> {
        self.0.get(&id).copied().ok_or(Undecodable::SensorGone(id))
    }
}

/// The stored form of an event. `None` for readings, which have a table of
/// their own.
pub fn encode(what: &What, rules: &Rules) -> Option<Encoded> {
    let sensor_id = |sensor: SensorId| rules.sensor(sensor).id.clone();
    let (kind, body) = match what {
        What::Reading(_) => return None,
        What::Tick => ("tick", json!({})),
        What::Started => ("started", json!({})),
        What::NoValue(sensor) => ("no-value", json!({ "sensor": sensor_id(*sensor) })),
        What::Garbled { sensor, reason } => {
            ("garbled", json!({ "sensor": sensor.map(sensor_id), "reason": reason.word() }))
        }
        What::Journal { number, entry } => ("journal", json!({ "number": number, "entry": entry })),
        What::Command(command) => ("command", json!(command)),
        What::BrokerUp => ("broker-up", json!({})),
        What::BrokerDown => ("broker-down", json!({})),
        What::SessionContested { times, client_id } => {
            ("session-contested", json!({ "times": times, "client_id": client_id }))
        }
        What::SessionSettled => ("session-settled", json!({})),
        What::SessionGivenUp { bytes } => ("session-given-up", json!({ "bytes": bytes })),
        What::LetterSent { letter } => ("letter-sent", json!({ "letter": letter })),
        What::LetterFailed { letter, error } => ("letter-failed", json!({ "letter": letter, "error": error })),
        What::StoreFailed { error, at_stake } => ("store-failed", json!({ "error": error, "at_stake": at_stake })),
        What::StoreRecovered => ("store-recovered", json!({})),
        What::StoreHurt { what } => ("store-hurt", json!({ "what": what })),
        What::ClockStepped { by } => ("clock-stepped", json!({ "by_ms": by.num_milliseconds() })),
    };
    Some(Encoded { kind, body: body.to_string() })
}

/// What [`encode`] wrote, against today's sensors.
pub fn decode(kind: &str, body: &str, sensors: &SensorNames) -> Result<What, Undecodable> {
    let not_ours = |_| Undecodable::NotOurs(format!("{kind} {body}"));
    let parsed: Value = serde_json::from_str(body).map_err(not_ours)?;
    Ok(match kind {
        "started" => What::Started,
        "no-value" => {
            let body: OfSensor = from_json(parsed).map_err(not_ours)?;
            What::NoValue(sensors.find(body.sensor)?)
        }
        "garbled" => {
            let body: GarbledBody = from_json(parsed).map_err(not_ours)?;
            let reason = garbled_from_word(&body.reason).ok_or(Undecodable::NotOurs(body.reason))?;
            What::Garbled { sensor: body.sensor.map(|id| sensors.find(id)).transpose()?, reason }
        }
        "journal" => {
            let body: JournalBody = from_json(parsed).map_err(not_ours)?;
            What::Journal { number: body.number, entry: body.entry }
        }
        "command" => What::Command(from_json(parsed).map_err(not_ours)?),
        "tick" => What::Tick,
        "broker-up" => What::BrokerUp,
        "broker-down" => What::BrokerDown,
        "session-contested" => {
            let body: ContestBody = from_json(parsed).map_err(not_ours)?;
            What::SessionContested { times: body.times, client_id: body.client_id }
        }
        "session-settled" => What::SessionSettled,
        "session-given-up" => {
            let body: BytesBody = from_json(parsed).map_err(not_ours)?;
            What::SessionGivenUp { bytes: body.bytes }
        }
        "letter-sent" => {
            let body: LetterBody = from_json(parsed).map_err(not_ours)?;
            What::LetterSent { letter: body.letter }
        }
        "letter-failed" => {
            let body: LetterBody = from_json(parsed).map_err(not_ours)?;
            What::LetterFailed { letter: body.letter, error: body.error }
        }
        "store-failed" => {
            let body: StoreBody = from_json(parsed).map_err(not_ours)?;
            What::StoreFailed { error: body.error, at_stake: body.at_stake }
        }
        "store-recovered" => What::StoreRecovered,
        "store-hurt" => {
            let body: HurtBody = from_json(parsed).map_err(not_ours)?;
            What::StoreHurt { what: body.what }
        }
        "clock-stepped" => {
            let body: StepBody = from_json(parsed).map_err(not_ours)?;
            let by = TimeDelta::try_milliseconds(body.by_ms).ok_or(Undecodable::NotOurs(body.by_ms.to_string()))?;
            What::ClockStepped { by }
        }
        _ => return Err(Undecodable::NotOurs(kind.to_owned())),
    })
}

/// Flag, doubt and "retained" in one small number: `reading.judged`.
pub(super) fn pack_judgement(flag: Flag, reason: Option<Doubt>, retained: bool) -> i64 {
    flag as i64 | reason.map_or(0, doubt_number) << 4 | i64::from(retained) << 8
}

/// Whether [`pack_judgement`] was told `retained`.
pub(super) fn is_retained(judged: i64) -> bool {
    judged >> 8 & 1 == 1
}

/// Flag and doubt that [`pack_judgement`] was told. A number we do not know is
/// [`Flag::Unknown`]: it must not pass for believed.
pub(super) fn unpack_judgement(judged: i64) -> (Flag, Option<Doubt>) {
    let flag = match judged & 15 {
        1 => Flag::Good,
        3 => Flag::Suspect,
        4 => Flag::Fail,
        9 => Flag::Missing,
        _ => Flag::Unknown,
    };
    (flag, DOUBTS.into_iter().find(|doubt| doubt_number(*doubt) == judged >> 4 & 15))
}

/// `reading.believed` and `reading.believed_lag` of a judgement on something learnt of `at`.
pub(super) fn belief(judgement: &Judgement, at: Timestamp) -> (Option<i64>, i64) {
    match &judgement.believed {
        Some(reading) => (Some(reading.thousandths()), (at - reading.measured_at()).num_milliseconds()),
        None => (None, 0),
    }
}

/// Notes on a journal entry as `journal.note`.
pub(super) fn encode_notes(notes: &[EntryNote]) -> String {
    let notes = notes.iter().map(|note| match note {
        EntryNote::SeedShares { each, trays } => json!({ "note": "seed-shares", "each": each, "trays": trays }),
        EntryNote::Plan { weight_off_day, light_day, harvest_from, harvest_to } => {
            json!({ "note": "plan", "weight_off_day": weight_off_day, "light_day": light_day,
                    "harvest_from": harvest_from, "harvest_to": harvest_to })
        }
        EntryNote::BlendApart { step, first, first_day, last, last_day } => {
            json!({ "note": "blend-apart", "step": step.word(), "first": first, "first_day": first_day,
                    "last": last, "last_day": last_day })
        }
        EntryNote::Dense { per_square_inch, advised_from, advised_to } => {
            json!({ "note": "dense", "per_square_inch": per_square_inch,
                    "advised_from": advised_from, "advised_to": advised_to })
        }
        EntryNote::DoneBefore { tray, stage } => json!({ "note": "done-before", "tray": tray, "stage": stage }),
        EntryNote::NoTrayThere { place } => json!({ "note": "no-tray-there", "place": place }),
        EntryNote::FellWithIt { entries } => json!({ "note": "fell-with-it", "entries": entries }),
        EntryNote::UnknownCrop { crop } => json!({ "note": "unknown-crop", "crop": crop }),
        EntryNote::BandsClash { place, tray } => json!({ "note": "bands-clash", "place": place, "tray": tray }),
    });
    Value::Array(notes.collect()).to_string()
}

/// What [`encode_notes`] wrote; a note we do not know is left out.
pub(super) fn decode_notes(notes: &str) -> Vec<EntryNote> {
    let notes: Vec<Value> = serde_json::from_str(notes).unwrap_or_default();
    let known = notes.into_iter().filter_map(|note| from_json::<NoteBody>(note).ok());
    known
        .filter_map(|note| {
            Some(match note {
                NoteBody::SeedShares { each, trays } => EntryNote::SeedShares { each, trays },
                NoteBody::Plan { weight_off_day, light_day, harvest_from, harvest_to } => {
                    EntryNote::Plan { weight_off_day, light_day, harvest_from, harvest_to }
                }
                NoteBody::BlendApart { step, first, first_day, last, last_day } => {
                    let step = Due::from_word(&step)?;
                    EntryNote::BlendApart { step, first, first_day, last, last_day }
                }
                NoteBody::Dense { per_square_inch, advised_from, advised_to } => {
                    EntryNote::Dense { per_square_inch, advised_from, advised_to }
                }
                NoteBody::DoneBefore { tray, stage } => EntryNote::DoneBefore { tray, stage },
                NoteBody::NoTrayThere { place } => EntryNote::NoTrayThere { place },
                NoteBody::FellWithIt { entries } => EntryNote::FellWithIt { entries },
                NoteBody::UnknownCrop { crop } => EntryNote::UnknownCrop { crop },
                NoteBody::BandsClash { place, tray } => EntryNote::BandsClash { place, tray },
            })
        })
        .collect()
}

/// The reason with this stable word.
pub(super) fn garbled_from_word(word: &str) -> Option<Garbled> {
    GARBLED.into_iter().find(|reason| reason.word() == word)
}

/// A value that serialises to one stable word, from that word.
pub(super) fn from_word<T: serde::de::DeserializeOwned>(word: &str) -> Option<T> {
    from_json(Value::String(word.to_owned())).ok()
}

fn from_json<T: serde::de::DeserializeOwned>(value: Value) -> serde_json::Result<T> {
    serde_json::from_value(value)
}

fn doubt_number(doubt: Doubt) -> i64 {
    match doubt {
        Doubt::Range => 1,
        Doubt::FaultCode => 2,
        Doubt::Spike => 3,
        Doubt::Rate => 4,
        Doubt::FlatLine => 5,
        Doubt::Saturated => 6,
        Doubt::Retained => 7,
        Doubt::Late => 8,
        Doubt::Duplicate => 9,
        Doubt::Uncorrected => 10,
    }
}

const DOUBTS: [Doubt; 10] = [
    Doubt::Range,
    Doubt::FaultCode,
    Doubt::Spike,
    Doubt::Rate,
    Doubt::FlatLine,
    Doubt::Saturated,
    Doubt::Retained,
    Doubt::Late,
    Doubt::Duplicate,
    Doubt::Uncorrected,
];

const GARBLED: [Garbled; 10] = [
    Garbled::Empty,
    Garbled::TooLarge,
    Garbled::NotReadable,
    Garbled::FieldMissing,
    Garbled::NotANumber,
    Garbled::WrongUnit,
    Garbled::OutOfThisWorld,
    Garbled::UnknownTopic,
    Garbled::BadEntry,
    Garbled::OtherSite,
];

#[derive(Deserialize)]
struct OfSensor {
    sensor: String,
}

#[derive(Deserialize)]
struct GarbledBody {
    sensor: Option<String>,
    reason: String,
}

#[derive(Deserialize)]
struct JournalBody {
    number: i64,
    entry: Entry,
}

#[derive(Deserialize)]
struct ContestBody {
    times: u32,
    client_id: String,
}

#[derive(Deserialize)]
struct BytesBody {
    bytes: u64,
}

#[derive(Deserialize)]
struct LetterBody {
    letter: String,
    #[serde(default)]
    error: String,
}

#[derive(Deserialize)]
struct StoreBody {
    error: String,
    // Stores of older builds do not say.
    #[serde(default)]
    at_stake: AtStake,
}

#[derive(Deserialize)]
struct HurtBody {
    what: String,
}

#[derive(Deserialize)]
struct StepBody {
    by_ms: i64,
}

#[derive(Serialize, Deserialize)]
#[serde(tag = "note", rename_all = "kebab-case")]
enum NoteBody {
    SeedShares { each: Vec<(String, f64)>, trays: u32 },
    Plan { weight_off_day: Option<f64>, light_day: f64, harvest_from: f64, harvest_to: f64 },
    BlendApart { step: String, first: String, first_day: f64, last: String, last_day: f64 },
    Dense { per_square_inch: f64, advised_from: f64, advised_to: f64 },
    DoneBefore { tray: String, stage: Stage },
    NoTrayThere { place: Option<String> },
    FellWithIt { entries: Vec<i64> },
    UnknownCrop { crop: String },
    BandsClash { place: String, tray: String },
}
