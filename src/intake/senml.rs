//! SenML packs (RFC 8428, JSON form): base fields resolved, one record after
//! the other, with the unit each record states. Which record feeds which
//! channel is decided in `payload`.

use super::json::Json;
use super::stated_time;
use crate::config::Unit;
use crate::units::Timestamp;

/// More records than any room sensor needs in one message (own default).
const MOST_RECORDS: usize = 64;
/// The version of SenML this reads (RFC 8428, section 4.4).
const VERSION: f64 = 10.0;

/// One record after resolution (RFC 8428, section 4.6).
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SenmlRecord {
    /// Base name and name put together; empty if the pack names nothing.
    pub name: String,
    /// The unit, if the record or its base states one.
    pub unit: Option<StatedUnit>,
    /// What the record carries.
    pub value: Value,
    /// When it was measured, as far as the claim can be used.
    pub measured_at: Option<Timestamp>,
}

/// The unit a record states.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum StatedUnit {
    /// One we convert, and how many of it make the stated one (1000 L in a m3).
    Known(Unit, f64),
    /// One that measures nothing we watch.
    Foreign,
}

/// What a record carries.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number, base value added.
    Number(f64),
    /// Nothing: the sensor says that it has no value.
    Absent,
    /// Text, for `payload` to judge whether it means "no value".
    Text(String),
    /// A boolean, bytes, or only a sum.
    Other,
}

/// Why a pack is refused as a whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum PackError {
    /// No array of records, or a record against RFC 8428.
    NotAPack,
    /// More than [`MOST_RECORDS`].
    TooManyRecords,
}

/// The records of a pack, base fields resolved. Records that only set base
/// fields give none. A missing name is let pass, though RFC 8428 wants one:
/// sensors that publish one quantity a topic leave it out.
pub(super) fn resolve(pack: &Json<'_>, arrived: Timestamp) -> Result<Vec<SenmlRecord>, PackError> {
    let Json::Array(items) = pack else { return Err(PackError::NotAPack) };
    if items.len() > MOST_RECORDS {
        return Err(PackError::TooManyRecords);
    }
    let mut base = Base::default();
    let mut records = Vec::with_capacity(items.len());
    for item in items {
        let Json::Object(members) = item else { return Err(PackError::NotAPack) };
        let mut own = Own::default();
        for (label, value) in members {
            match (label.as_ref(), value) {
                ("bn", Json::Text(name)) => base.name = name,
                ("bt", Json::Number(seconds)) => base.time_seconds = *seconds,
                ("bu", Json::Text(unit)) => base.unit = Some(unit),
                ("bv", Json::Number(number)) => base.value = *number,
                ("bver", Json::Number(version)) if *version <= VERSION => {}
                ("bs" | "s" | "ut", Json::Number(_)) => own.sum_only |= label == "s",
                ("n", Json::Text(name)) => own.name = name,
                ("u", Json::Text(unit)) => own.unit = Some(unit),
                ("t", Json::Number(seconds)) => own.time_seconds = *seconds,
                ("v", Json::Number(number)) => own.carry(Value::Number(*number))?,
                ("v", Json::Null) => own.carry(Value::Absent)?,
                ("v" | "vs", Json::Text(text)) => own.carry(Value::Text(text.to_string()))?,
                ("v", _) | ("vb", Json::Boolean) | ("vd", Json::Text(_)) => own.carry(Value::Other)?,
                ("bn" | "bt" | "bu" | "bv" | "bs" | "bver" | "n" | "u" | "t" | "s" | "ut" | "vs" | "vb" | "vd", _) => {
                    return Err(PackError::NotAPack);
                }
                // RFC 8428, section 4.4: a label that ends so must be understood or the pack refused.
                (unknown, _) if unknown.ends_with('_') => return Err(PackError::NotAPack),
                _ => {}
            }
        }
        let Some(value) = own.value.or(own.sum_only.then_some(Value::Other)) else { continue };
        let name = format!("{}{}", base.name, own.name);
        if !is_name(&name) {
            return Err(PackError::NotAPack);
        }
        records.push(SenmlRecord {
            name,
            unit: own.unit.or(base.unit).map(stated_unit),
            value: match value {
                Value::Number(number) => Value::Number(base.value + number),
                other => other,
            },
            measured_at: stated_time::from_number(base.time_seconds + own.time_seconds, arrived),
        });
    }
    Ok(records)
}

/// What a record leaves to those after it.
#[derive(Default)]
struct Base<'a> {
    name: &'a str,
    time_seconds: f64,
    unit: Option<&'a str>,
    value: f64,
}

/// What a record says of itself.
#[derive(Default)]
struct Own<'a> {
    name: &'a str,
    time_seconds: f64,
    unit: Option<&'a str>,
    value: Option<Value>,
    sum_only: bool,
}

impl Own<'_> {
    /// A record has one value field at most (RFC 8428, section 4.2).
    fn carry(&mut self, value: Value) -> Result<(), PackError> {
        match self.value.replace(value) {
            None => Ok(()),
            Some(_) => Err(PackError::NotAPack),
        }
    }
}

/// Characters a resolved name may have (RFC 8428, section 4.5.1).
fn is_name(name: &str) -> bool {
    name.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-:./_".contains(&byte))
        && name.bytes().next().is_none_or(|byte| byte.is_ascii_alphanumeric())
}

/// Units of RFC 8428 section 12.1 and RFC 8798 (`mm`, `cm`, `/100`) that measure
/// what we watch; the config's own words `F`, `in`, `gal` and `%` are taken too.
fn stated_unit(word: &str) -> StatedUnit {
    match word {
        "Cel" => StatedUnit::Known(Unit::Celsius, 1.0),
        "K" => StatedUnit::Known(Unit::Kelvin, 1.0),
        "F" => StatedUnit::Known(Unit::Fahrenheit, 1.0),
        "%RH" => StatedUnit::Known(Unit::PercentHumidity, 1.0),
        "/" => StatedUnit::Known(Unit::Ratio, 1.0),
        "%" | "/100" => StatedUnit::Known(Unit::Percent, 1.0),
        "m" => StatedUnit::Known(Unit::Metre, 1.0),
        "cm" => StatedUnit::Known(Unit::Centimetre, 1.0),
        "mm" => StatedUnit::Known(Unit::Millimetre, 1.0),
        "in" => StatedUnit::Known(Unit::Inch, 1.0),
        "l" | "L" => StatedUnit::Known(Unit::Litre, 1.0),
        "m3" => StatedUnit::Known(Unit::Litre, 1000.0),
        "gal" => StatedUnit::Known(Unit::UsGallon, 1.0),
        _ => StatedUnit::Foreign,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::DateTime;

    fn resolved(text: &str) -> Result<Vec<SenmlRecord>, PackError> {
        // 2026-03-03T17:00:00Z: long after the times in the RFC.
        let arrived = DateTime::from_timestamp(1_772_557_200, 0).expect("a date");
        resolve(&Json::read(text).expect("JSON"), arrived)
    }

    fn milliseconds(record: &SenmlRecord) -> Option<i64> {
        record.measured_at.map(|at| at.timestamp_millis())
    }

    #[test]
    fn rfc_8428_section_5_1_1_is_one_record() {
        let records = resolved(r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#).expect("a pack");
        assert_eq!(records.len(), 1);
        assert_eq!(records[0].name, "urn:dev:ow:10e2073a01080063");
        assert_eq!(records[0].unit, Some(StatedUnit::Known(Unit::Celsius, 1.0)));
        assert_eq!(records[0].value, Value::Number(23.1));
        assert_eq!(records[0].measured_at, None);
    }

    #[test]
    fn rfc_8428_section_5_1_2_resolves_base_name_time_and_unit() {
        let records = resolved(
            r#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
                 "n":"voltage","u":"V","v":120.1},
                {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","v":1.7}]"#,
        )
        .expect("a pack");
        let names: Vec<&str> = records.iter().map(|record| record.name.as_str()).collect();
        assert_eq!(names[0], "urn:dev:ow:10e2073a0108006:voltage");
        assert!(names[1..].iter().all(|name| *name == "urn:dev:ow:10e2073a0108006:current"));
        let times: Vec<Option<i64>> = records.iter().map(milliseconds).collect();
        assert_eq!(
            times,
            [Some(1_276_020_076_001), Some(1_276_020_071_001), Some(1_276_020_072_001), Some(1_276_020_076_001)]
        );
        assert!(records.iter().all(|record| record.unit == Some(StatedUnit::Foreign)));
    }

    #[test]
    fn rfc_8428_section_5_1_3_resolves_as_its_section_5_1_4_prints() {
        let records = resolved(
            r#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
                {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},
                {"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
                {"t":120,"v":20.7}]"#,
        )
        .expect("a pack");
        let humidity = StatedUnit::Known(Unit::PercentHumidity, 1.0);
        let kept: Vec<(Option<i64>, &Value)> = records
            .iter()
            .filter(|record| record.unit == Some(humidity))
            .map(|record| (milliseconds(record), &record.value))
            .collect();
        assert_eq!(
            kept,
            [
                (Some(1_320_067_464_000), &Value::Number(20.0)),
                (Some(1_320_067_524_000), &Value::Number(20.3)),
                (Some(1_320_067_584_000), &Value::Number(20.7)),
            ]
        );
        assert!(records.iter().all(|record| record.name == "urn:dev:ow:10e2073a01080063"));
    }

    #[test]
    fn base_values_add_and_last_until_changed() {
        let records = resolved(r#"[{"bn":"a:","bv":20,"n":"x","v":1.5},{"n":"y","v":2},{"bv":0,"n":"z","v":2}]"#);
        let values: Vec<Value> = records.expect("a pack").into_iter().map(|record| record.value).collect();
        assert_eq!(values, [Value::Number(21.5), Value::Number(22.0), Value::Number(2.0)]);
    }

    #[test]
    fn a_record_that_only_sets_base_fields_gives_nothing() {
        assert_eq!(resolved(r#"[{"bn":"a:","bt":1776020076}]"#), Ok(Vec::new()));
    }

    #[test]
    fn what_rfc_8428_forbids_is_refused() {
        for pack in [
            "[21.5]",
            r#"{"n":"t","v":1}"#,
            r#"[{"n":"t","v":1,"vs":"one"}]"#,
            r#"[{"n":"t","v":1,"odd_":1}]"#,
            r#"[{"bver":11,"n":"t","v":1}]"#,
            r#"[{"n":"t","t":"2026-03-03T17:00:00Z","v":1}]"#,
            r#"[{"n":"t\u0000","v":1}]"#,
            r#"[{"n":"_t","v":1}]"#,
        ] {
            assert_eq!(resolved(pack), Err(PackError::NotAPack), "{pack}");
        }
    }

    #[test]
    fn sixty_five_records_are_too_many() {
        let pack = |records: usize| format!("[{}]", vec![r#"{"n":"t","v":1}"#; records].join(","));
        assert_eq!(resolved(&pack(64)).map(|records| records.len()), Ok(64));
        assert_eq!(resolved(&pack(65)), Err(PackError::TooManyRecords));
    }
}
