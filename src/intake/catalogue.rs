//! The bad-input catalogue, row by row: which rows are judged at the door and
//! how, and which pass the door as raw readings for `engine::quality` to judge.
//! The rows stand in `catalogue.tsv`, whose first line says where they are from.

use super::payload::{Decoded, decode};
use crate::config::{Field, Locator, Source, Topics, Unit};
use crate::engine::event::{Garbled, What};
use crate::reading::{ChannelId, Quantity, SensorId};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// What the door makes of a row.
#[derive(Debug)]
enum Door {
    /// A raw reading of this value; with the time of measuring, if one is kept.
    Value(f64),
    Measured(f64, TimeDelta),
    NoValue,
    Refused(Garbled),
    /// Not a matter of one message's bytes: counted by the daemon, judged by the engine or kept off by the broker.
    Elsewhere,
}

fn arrived() -> Timestamp {
    // The instant that the catalogue's row 082 states, and the time it calls "now".
    Timestamp::from_timestamp(1_795_600_000, 0).expect("a date")
}

/// Own reading of the catalogue: REJECT rows of the frame, number, struct and
/// unit classes are refused here; range, fault code, spike, rate, lateness and
/// flood are the engine's (rows 056, 057, 060 to 081, 092 to 094, 097).
fn door(id: &str) -> Door {
    use Door::*;
    use Garbled::*;
    match id {
        "001" | "002" => Refused(Empty),
        "010" | "012" => Refused(TooLarge),
        "003" | "005" | "006" | "024" | "032" | "039" | "044" | "053" | "054" => Value(match id {
            "024" => 0.0,
            "039" => 21.3,
            _ => 21.5,
        }),
        "004" | "007" | "008" | "009" | "011" | "013" | "014" | "015" | "017" | "018" => Refused(NotReadable),
        "021" | "022" | "025" | "026" | "027" | "028" | "040" | "046" | "047" | "048" | "049" => Refused(NotReadable),
        "016" | "019" | "035" | "036" => NoValue,
        "020" | "038" => Refused(OutOfThisWorld),
        "023" => Value(0.0),
        "029" | "030" | "031" | "033" | "034" | "037" | "042" => Refused(NotANumber),
        "041" | "043" | "045" => Refused(FieldMissing),
        "050" | "051" | "052" => Value(1.0),
        "055" => Value(22.0),
        "056" => Value(71.6),
        "057" => Value(294.65),
        "058" => Refused(WrongUnit),
        "059" => Value(62.0),
        "060" => Value(0.62),
        "061" => Value(-0.4),
        "062" => Value(-6.0),
        "063" => Value(100.01),
        "064" => Value(118.99),
        "065" | "079" => Value(0.0),
        "066" => Value(85.0),
        "067" => Value(127.94),
        "068" => Value(-127.0),
        "069" => Value(-46.85),
        "070" => Value(-45.0),
        "071" => Value(130.0),
        "072" => Value(-40.0),
        "073" => Value(-50.0),
        "074" => Value(-300.0),
        "075" => Value(-999.0),
        "078" => Value(-10.0),
        "080" => Value(31_000.0),
        // The unit is what the config declares; a stray "u" beside the value is no SenML.
        "081" => Value(310_000.0),
        "082" | "083" => Measured(21.5, TimeDelta::zero()),
        "084" | "088" | "089" | "091" => Value(21.5),
        "085" => Measured(21.5, TimeDelta::seconds(-300)),
        "086" => Measured(21.5, TimeDelta::days(-8)),
        "087" => Measured(21.5, TimeDelta::seconds(-30)),
        // The catalogue calls this opt-in: naming a time field in the config is the opting in.
        "090" => Measured(21.5, TimeDelta::seconds(-24_400)),
        "095" | "098" | "099" => Refused(UnknownTopic),
        _ => Elsewhere,
    }
}

fn topics(id: &str, payload: &str) -> Topics {
    let at = match id {
        "029" | "030" | "031" | "032" | "034" | "035" => Locator::Bare,
        "012" | "053" | "054" | "058" | "059" => Locator::Senml(String::new()),
        _ => Locator::Pointer("/v".into()),
    };
    let source = |channel, quantity, unit| {
        let field = Field { channel: ChannelId(channel), quantity, at: at.clone(), unit };
        let time = payload.contains("\"t\"").then(|| "/t".to_owned());
        vec![Source { sensor: SensorId(channel), fields: vec![field], time }]
    };
    let temperature = if id == "055" { Unit::Fahrenheit } else { Unit::Celsius };
    Topics {
        sensors: [
            ("room/s1/t".into(), source(0, Quantity::Temperature, temperature)),
            ("room/s1/h".into(), source(1, Quantity::Humidity, Unit::PercentHumidity)),
            ("room/s1/l".into(), source(2, Quantity::Depth, Unit::Metre)),
        ]
        .into(),
        journal: "traywarden/room/journal".into(),
    }
}

/// The bytes a row stands for: descriptions in angle brackets built, escapes resolved.
fn bytes(id: &str, payload: &str) -> Vec<u8> {
    match id {
        "010" => vec![b'x'; 1024 * 1024],
        "011" => ["[".repeat(200), "]".repeat(200)].concat().into_bytes(),
        "012" => format!("[{}]", vec![r#"{"v":1}"#; 10_000].join(",")).into_bytes(),
        "022" => format!(r#"{{"v":{}}}"#, "9".repeat(400)).into_bytes(),
        "049" | "050" => payload.as_bytes().to_vec(),
        // In the catalogue these escapes are JSON's own, not the file's.
        "052" => payload.as_bytes().to_vec(),
        "083" => with_time(2),
        "084" => with_time(3600),
        "085" => with_time(-300),
        "086" => with_time(-8 * 86_400),
        _ => unescaped(payload),
    }
}

fn with_time(offset_seconds: i64) -> Vec<u8> {
    format!(r#"{{"v":21.5,"t":{}}}"#, arrived().timestamp() + offset_seconds).into_bytes()
}

fn unescaped(payload: &str) -> Vec<u8> {
    let mut out = Vec::new();
    let mut rest = payload;
    while let Some(position) = rest.find('\\') {
        out.extend_from_slice(&rest.as_bytes()[..position]);
        let (byte, length) = match rest.as_bytes()[position + 1] {
            b'x' => (u8::from_str_radix(&rest[position + 2..position + 4], 16).expect("two hex digits"), 4),
            b'n' => (b'\n', 2),
            b'r' => (b'\r', 2),
            other => panic!("escape \\{}", other as char),
        };
        out.push(byte);
        rest = &rest[position + length..];
    }
    out.extend_from_slice(rest.as_bytes());
    out
}

#[test]
fn every_row_of_the_catalogue_gets_what_it_deserves_at_the_door() {
    let rows = include_str!("catalogue.tsv").lines().filter(|line| !line.starts_with('#')).skip(1);
    let mut judged_here = 0;
    for row in rows {
        let mut cells = row.split('\t');
        let mut cell = || cells.next().expect("seven cells a row");
        let (id, _class, topic, payload, verdict, what) = (cell(), cell(), cell(), cell(), cell(), cell());
        let expected = door(id);
        if matches!(expected, Door::Elsewhere) {
            continue;
        }
        judged_here += 1;
        let topic = topic.replace("<60 kB>", &"x".repeat(60_000));
        let Decoded::Events(events) = decode(&topics(id, payload), &topic, &bytes(id, payload), false, arrived())
        else {
            panic!("row {id} ({what}) became a journal entry")
        };
        let right = match (&expected, &events[..]) {
            (Door::Value(value), [What::Reading(raw)]) => raw.value() == *value && raw.measured_at.is_none(),
            (Door::Measured(value, after), [What::Reading(raw)]) => {
                raw.value() == *value && raw.measured_at == Some(arrived() + *after)
            }
            (Door::NoValue, [What::NoValue(_)]) => verdict == "BAD",
            (Door::Refused(wanted), [What::Garbled { reason, .. }]) => verdict == "REJECT" && reason == wanted,
            _ => false,
        };
        assert!(right, "row {id} ({what}, {verdict}): expected {expected:?}, heard {events:?}");
    }
    assert_eq!(judged_here, 92, "rows judged at the door or passed by it");
}
