//! One line of a recording of the broker, as `mosquitto_sub -F %j` or `%J`
//! prints it, back into the message it was. Pure; `rehearse` walks the file and
//! `payload` reads the bytes.

use crate::units::Timestamp;
use chrono::{NaiveDate, TimeDelta};
use serde::Deserialize;
use serde_json::value::RawValue;
use std::borrow::Cow;

/// A message that somebody recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Captured<'a> {
    /// When the recorder got it, whole milliseconds.
    pub at: Timestamp,
    /// The topic it was published on.
    pub topic: Cow<'a, str>,
    /// The payload's bytes.
    pub payload: Cow<'a, [u8]>,
    /// The broker handed out a retained message.
    pub retained: bool,
}

/// Why a line is no recorded message.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum CaptureError {
    /// Not one JSON object with the three fields.
    #[error(
        "line {line} of the capture is no recorded message ({found}); wanted: one JSON object a line with \
         tst, topic and payload. Record with: mosquitto_sub -t '#' -F %j"
    )]
    NotAMessage {
        /// Number of the line, from 1.
        line: usize,
        /// What is wrong with it.
        found: String,
    },
    /// A time that cannot be placed.
    #[error(
        "line {line} of the capture has the time \"{found}\"; wanted: date, time and offset from UTC, \
         such as 2026-03-03T17:00:00.123456-0600"
    )]
    NotATime {
        /// Number of the line, from 1.
        line: usize,
        /// What stands there.
        found: String,
    },
}

/// The message that line number `line` (from 1) of a capture records. Bytes that
/// are no UTF-8, as a recorder prints a binary payload, are replaced: the
/// payload is garbage either way, and the rest of the line is not.
pub fn read_line(line: usize, text: &[u8]) -> Result<Captured<'_>, CaptureError> {
    match std::str::from_utf8(text) {
        Ok(text) => read_text(line, text),
        Err(_) => read_text(line, &String::from_utf8_lossy(text)).map(Captured::into_owned),
    }
}

#[derive(Deserialize)]
struct RecordedLine<'a> {
    #[serde(borrow)]
    tst: Cow<'a, str>,
    #[serde(borrow)]
    topic: Cow<'a, str>,
    #[serde(borrow)]
    payload: &'a RawValue,
    #[serde(default)]
    payloadlen: Option<u64>,
    #[serde(borrow, default)]
    retain: Option<&'a RawValue>,
}

impl Captured<'_> {
    fn into_owned(self) -> Captured<'static> {
        Captured {
            at: self.at,
            topic: Cow::Owned(self.topic.into_owned()),
            payload: Cow::Owned(self.payload.into_owned()),
            retained: self.retained,
        }
    }
}

fn read_text(line: usize, text: &str) -> Result<Captured<'_>, CaptureError> {
    let not_a_message = |error: serde_json::Error| CaptureError::NotAMessage { line, found: error.to_string() };
    let parsed: RecordedLine<'_> = serde_json::from_str(text).map_err(not_a_message)?;
    let at = recorded_at(&parsed.tst)
        .ok_or_else(|| CaptureError::NotATime { line, found: parsed.tst.chars().take(40).collect() })?;
    let raw = parsed.payload.get();
    let payload = if let Some(inside) = raw.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')) {
        if inside.contains('\\') {
            let unescaped: String = serde_json::from_str(raw).map_err(not_a_message)?;
            Cow::Owned(unescaped.into_bytes())
        } else {
            Cow::Borrowed(inside.as_bytes())
        }
    } else if raw == "null" && parsed.payloadlen == Some(0) {
        // mosquitto_sub 2.0.11 writes null where the payload was empty.
        Cow::Borrowed(&b""[..])
    } else {
        Cow::Borrowed(raw.as_bytes())
    };
    // Recorders write 0 and 1; people who write captures by hand also false and true.
    let retained = parsed.retain.is_some_and(|word| matches!(word.get(), "1" | "true"));
    Ok(Captured { at, topic: parsed.topic, payload, retained })
}

/// `2026-03-03T17:00:00.123456-0600`; the fraction may be missing or of any
/// length, the offset may have a colon or be `Z`. mosquitto_sub 2.0.11 writes
/// `Z` and the offset after it; the offset is the true one.
fn recorded_at(text: &str) -> Option<Timestamp> {
    let bytes = text.as_bytes();
    let digits = |range: std::ops::Range<usize>| {
        bytes.get(range)?.iter().try_fold(0u32, |sum, digit| {
            if digit.is_ascii_digit() { Some(sum * 10 + u32::from(digit - b'0')) } else { None }
        })
    };
    let marked = |place: usize, mark: u8| bytes.get(place) == Some(&mark);
    if !(marked(4, b'-')
        && marked(7, b'-')
        && (marked(10, b'T') || marked(10, b' '))
        && marked(13, b':')
        && marked(16, b':'))
    {
        return None;
    }
    let date = NaiveDate::from_ymd_opt(digits(0..4)? as i32, digits(5..7)?, digits(8..10)?)?;
    let mut place = 19;
    let mut milliseconds = 0;
    if bytes.get(place) == Some(&b'.') {
        let first = place + 1;
        place = first + bytes[first..].iter().take_while(|byte| byte.is_ascii_digit()).count();
        let kept = digits(first..place.min(first + 3))?;
        milliseconds = kept * 10u32.pow(3 - (place - first).min(3) as u32);
    }
    let local = date.and_hms_milli_opt(digits(11..13)?, digits(14..16)?, digits(17..19)?, milliseconds)?;
    let (sign, offset) = match bytes.get(place..)? {
        b"Z" | b"z" => return Some(local.and_utc()),
        [b'Z', sign, offset @ ..] | [sign, offset @ ..] => (*sign, offset),
        [] => return None,
    };
    let east_minutes = match offset {
        [h, o, b':', m, i] | [h, o, m, i] => two_digits(*h, *o)? * 60 + two_digits(*m, *i)?,
        [h, o] => two_digits(*h, *o)? * 60,
        _ => return None,
    };
    let east = TimeDelta::minutes(i64::from(east_minutes));
    let utc = match sign {
        b'+' => local.checked_sub_signed(east)?,
        b'-' => local.checked_add_signed(east)?,
        _ => return None,
    };
    Some(utc.and_utc())
}

fn two_digits(tens: u8, ones: u8) -> Option<u32> {
    let both = tens.is_ascii_digit() && ones.is_ascii_digit();
    both.then(|| u32::from(tens - b'0') * 10 + u32::from(ones - b'0'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::DateTime;
    use proptest::prelude::*;

    const AT: i64 = 1_772_578_800_123;

    fn read(text: &str) -> Captured<'_> {
        read_line(1, text.as_bytes()).expect("a recorded message")
    }

    #[test]
    fn the_line_of_the_design_is_read() {
        let captured = read(
            r#"{"tst":"2026-03-03T17:00:00.123456-0600","topic":"loft/rack-a/air","qos":1,"retain":0,"payload":"21.5"}"#,
        );
        assert_eq!(captured.at.timestamp_millis(), AT);
        assert_eq!(captured.topic, "loft/rack-a/air");
        assert_eq!(&captured.payload[..], b"21.5");
        assert!(!captured.retained);
        assert!(matches!(captured.payload, Cow::Borrowed(_)), "nothing is copied where nothing is escaped");
    }

    #[test]
    fn the_lines_that_mosquitto_sub_2_0_11_printed_are_read() {
        // Printed on 25 November 2026 by Debian's mosquitto_sub 2.0.11, zone America/Chicago, at 13:32:47 UTC.
        let text = read(
            r#"{"tst":"2026-11-25T07:32:47.871260Z-0600","topic":"a/b","qos":0,"retain":0,"payloadlen":10,"payload":"{\"v\":21.5}"}"#,
        );
        assert_eq!(text.at.to_rfc3339(), "2026-11-25T13:32:47.871+00:00");
        assert_eq!(&text.payload[..], br#"{"v":21.5}"#);
        let empty = read(
            r#"{"tst":"2026-11-25T07:32:47.874278Z-0600","topic":"a/b","qos":0,"retain":0,"payloadlen":0,"payload":null}"#,
        );
        assert!(empty.payload.is_empty());
        let json = read(
            r#"{"tst":"2026-11-25T07:32:48.585881Z-0600","topic":"a/b","qos":0,"retain":1,"payloadlen":10,"payload":{"v":21.5}}"#,
        );
        assert_eq!(&json.payload[..], br#"{"v":21.5}"#);
        assert!(json.retained);
    }

    #[test]
    fn a_null_that_a_sensor_sent_stays_a_null() {
        let captured = read(r#"{"tst":"2026-03-03T23:00:00Z","topic":"a","payload":null,"payloadlen":4}"#);
        assert_eq!(&captured.payload[..], b"null");
    }

    #[test]
    fn a_line_with_a_binary_payload_keeps_its_topic_and_time() {
        let line = b"{\"tst\":\"2026-03-03T23:00:00Z\",\"topic\":\"a\",\"mid\":3,\"payload\":\"\xff\xfe\"}";
        let captured = read_line(1, line).expect("a recorded message");
        assert_eq!(captured.topic, "a");
        assert_eq!(&captured.payload[..], "\u{fffd}\u{fffd}".as_bytes());
    }

    #[test]
    fn every_way_to_write_the_offset_means_the_same_instant() {
        for time in [
            "2026-03-03T17:00:00.123456-0600",
            "2026-03-03T17:00:00.123-06:00",
            "2026-03-03T17:00:00.123-06",
            "2026-03-03T23:00:00.1239Z",
            "2026-03-04T04:30:00.123+0530",
            "2026-03-04 04:30:00.123999999+05:30",
        ] {
            assert_eq!(recorded_at(time).map(|at| at.timestamp_millis()), Some(AT), "{time}");
        }
        assert_eq!(recorded_at("2026-03-03T17:00:00-0600").map(|at| at.timestamp_millis()), Some(AT - 123));
        assert_eq!(recorded_at("2026-03-03T17:00:00.1-0600").map(|at| at.timestamp_millis()), Some(AT - 23));
    }

    #[test]
    fn a_time_without_offset_or_off_the_calendar_is_refused_with_its_line() {
        for time in ["2026-03-03T17:00:00", "2026-02-30T17:00:00Z", "1772578800", ""] {
            let line = format!(r#"{{"tst":"{time}","topic":"a","payload":"1"}}"#);
            let error = read_line(812, line.as_bytes()).expect_err(time);
            assert_eq!(error, CaptureError::NotATime { line: 812, found: time.to_owned() });
            assert!(error.to_string().contains("line 812"), "{error}");
        }
    }

    #[test]
    fn a_line_cut_off_or_without_its_fields_is_refused_with_its_line_and_a_remedy() {
        for line in ["", "21.5", r#"{"tst":"2026-03-03T23:00:00Z","topic":"a","payl"#, r#"{"topic":"a","payload":"1"}"#]
        {
            let error = read_line(7, line.as_bytes()).expect_err(line).to_string();
            assert!(error.contains("line 7 ") && error.contains("mosquitto_sub"), "{error}");
        }
    }

    proptest! {
        #[test]
        fn any_bytes_are_answered(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = read_line(1, &bytes);
        }

        #[test]
        fn any_time_is_answered_and_a_right_one_as_chrono_reads_it(
            seconds in 0i64..4_102_444_800, milliseconds in 0i64..1000, offset_minutes in -840i32..=840, cut in 0usize..40,
        ) {
            let zone = chrono::FixedOffset::east_opt(offset_minutes * 60).expect("within a day");
            let at = DateTime::from_timestamp_millis(seconds * 1000 + milliseconds).expect("a date");
            let written = at.with_timezone(&zone).to_rfc3339();
            prop_assert_eq!(recorded_at(&written), Some(at), "{}", written);
            let _ = recorded_at(written.get(..cut).unwrap_or(""));
        }

        #[test]
        fn any_text_comes_back_out_of_its_line(payload in any::<String>(), topic in any::<String>()) {
            let line = serde_json::json!({"tst": "2026-03-03T23:00:00Z", "topic": topic, "payload": payload}).to_string();
            let captured = read_line(1, line.as_bytes()).expect("a recorded message");
            prop_assert_eq!(&captured.payload[..], payload.as_bytes());
            prop_assert_eq!(captured.topic, topic);
        }
    }
}
