//! The tables that leave the house: their columns, with unit and meaning, and their rows
//! from the store. CSV and SQLite are written from the same sheets, so that both say the same.

use super::ExportError;
use crate::engine::physics::climate::{dew_point, vapour_pressure_deficit};
use crate::engine::rules::Rules;
use crate::reading::Flag;
use crate::store::{AlarmLine, JournalLine, MinuteRow, ReadMoment, Reader, ReadingRow, StoreError};
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use chrono::SecondsFormat;
use serde_json::Value;

/// One value of a row.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Not known, or does not apply.
    Nothing,
    /// Words, or a point in time.
    Text(String),
    /// A count or a number.
    Whole(i64),
    /// A measured figure, in the unit its column names.
    Real(f64),
}

/// What a column holds, as SQLite calls it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// [`Cell::Text`].
    Text,
    /// [`Cell::Whole`].
    Whole,
    /// [`Cell::Real`].
    Real,
}

/// One column: its name with the unit in it, what it holds, what it means.
pub(crate) type ExportColumn = (&'static str, Holds, &'static str);

/// A table that can be exported.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExportTable {
    /// Every value that was heard, believed or not.
    Readings,
    /// Minute means of believed readings, a row a sensor and minute.
    Minutes,
    /// What the grower did, also refused and struck entries.
    Journal,
    /// Every change of every alarm.
    Alarms,
}

/// From when, until when, by what clock and in which words.
#[derive(Clone, Copy, Debug)]
pub struct ExportSpan<'a> {
    /// The first moment in it.
    pub since: Timestamp,
    /// The first moment after it.
    pub until: Timestamp,
    /// Names of places and sensors, and whose local time is told.
    pub rules: &'a Rules,
}

use Holds::{Real, Text, Whole};

const READINGS: &[ExportColumn] = &[
    ("heard_at_utc", Text, "when it was heard, RFC 3339"),
    ("measured_at_utc", Text, "when it was measured, as believed, RFC 3339"),
    ("measured_at_local", Text, "the same by the site's clock, for spreadsheets"),
    ("sensor", Text, "the sensor's id; a reservoir's gauge has the reservoir's id"),
    ("place", Text, "id of the place where it hangs today"),
    ("surface", Text, "what the probe is stuck on, so that it measures no air; empty: none"),
    ("quantity", Text, "temperature, humidity, distance, depth, volume or filling"),
    ("raw", Real, "as heard, in raw_unit"),
    ("raw_unit", Text, "Cel, %RH, mm, L or %, as SenML (RFC 8428) writes them"),
    ("believed", Real, "calibrated, in believed_unit; empty: not believed"),
    ("believed_unit", Text, "Cel, %RH or L"),
    ("flag", Text, "good, suspect, fail, missing or unknown"),
    ("doubt", Text, "why it was doubted"),
    ("retained", Whole, "1: the broker handed out an old message"),
];

const MINUTES: &[ExportColumn] = &[
    ("minute_utc", Text, "where the minute begins, RFC 3339"),
    ("minute_local", Text, "the same by the site's clock, for spreadsheets"),
    ("sensor", Text, "the sensor's id"),
    ("place", Text, "id of the place where it hangs today"),
    ("surface", Text, "what the probe is stuck on, so that it measures no air; empty: none"),
    ("temperature_low_celsius", Real, "lowest reading of the minute"),
    ("temperature_mean_celsius", Real, "mean of the minute's readings"),
    ("temperature_high_celsius", Real, "highest reading of the minute"),
    ("humidity_low_percent", Real, "relative humidity, lowest"),
    ("humidity_mean_percent", Real, "relative humidity, mean"),
    ("humidity_high_percent", Real, "relative humidity, highest"),
    ("vpd_kilopascals", Real, "vapour pressure deficit of the two means (Hyland and Wexler 1983)"),
    ("dew_point_celsius", Real, "dew point of the two means"),
    ("volume_low_litres", Real, "water in the reservoir, lowest"),
    ("volume_mean_litres", Real, "water in the reservoir, mean"),
    ("volume_high_litres", Real, "water in the reservoir, highest"),
    ("readings", Whole, "believed readings in the minute, all quantities together"),
];

const JOURNAL: &[ExportColumn] = &[
    ("number", Whole, "the entry's number"),
    ("told_at_utc", Text, "when it was entered, RFC 3339"),
    ("done_at_utc", Text, "when it was done, RFC 3339"),
    ("done_at_local", Text, "the same by the site's clock, for spreadsheets"),
    ("by", Text, "who says so"),
    ("did", Text, "sow, unweight, uncover, light, water, mist, refill, move, look, harvest, discard, note, strike"),
    ("tray", Text, "the tray it is about"),
    ("place", Text, "id of the place it is about"),
    ("crop", Text, "the crop sown"),
    ("count", Whole, "trays sown alike"),
    ("seed_grams", Real, "grams of seed a tray"),
    ("seed_lot", Text, "the seed lot"),
    ("medium", Text, "the growing medium"),
    ("ml_per_tray", Real, "water, millilitres each tray got"),
    ("reservoir", Text, "id of the reservoir refilled"),
    ("litres", Real, "water poured into the reservoir"),
    ("grams", Real, "grams harvested"),
    ("reason", Text, "why it was discarded"),
    ("share", Real, "share of the tray affected, per cent"),
    ("note", Text, "what was seen, in the grower's words"),
    ("photo", Text, "path of a photo"),
    ("struck_by", Whole, "number of the entry that struck this one out: it does not count"),
    ("refused", Text, "why it was refused: it does not count; empty: it was taken"),
    ("entry", Text, "the whole entry as JSON"),
];

const ALARMS: &[ExportColumn] = &[
    ("changed_at_utc", Text, "when it changed, RFC 3339"),
    ("changed_at_local", Text, "the same by the site's clock, for spreadsheets"),
    ("kind", Text, "air-too-warm, reservoir-low, ..."),
    ("subject", Text, "id of the place, sensor, reservoir or tray, or site"),
    ("holds_since_utc", Text, "when the condition began to hold, RFC 3339"),
    ("state", Text, "normal, unacknowledged, acknowledged, returned-unacknowledged, shelved, out-of-service"),
    ("state_before", Text, "the state before"),
    ("priority", Text, "now, next-round or digest"),
    ("harm_from_utc", Text, "when harm begins, best estimate; empty: none in sight"),
    ("harm_early_utc", Text, "harm may begin this early"),
    ("next_round_utc", Text, "the round that followed"),
    ("times", Whole, "times it came and went in this episode"),
    ("text", Text, "the sentence people were shown"),
    ("by", Text, "who answered it"),
];

impl ExportTable {
    /// Every sheet, in the order in which they are written.
    pub const ALL: [ExportTable; 4] =
        [ExportTable::Readings, ExportTable::Minutes, ExportTable::Journal, ExportTable::Alarms];

    /// The name of its table in SQLite.
    pub fn table(self) -> &'static str {
        match self {
            ExportTable::Readings => "reading",
            ExportTable::Minutes => "minute",
            ExportTable::Journal => "journal",
            ExportTable::Alarms => "alarm",
        }
    }

    /// What one row is.
    pub fn about(self) -> &'static str {
        match self {
            ExportTable::Readings => "Every value that was heard, believed or not, in the order it was heard.",
            ExportTable::Minutes => "Means of believed readings, a row a sensor and minute.",
            ExportTable::Journal => "What the grower did. Refused and struck entries stay and say so.",
            ExportTable::Alarms => "Every change of every alarm.",
        }
    }

    /// Its columns, in order.
    pub fn columns(self) -> &'static [ExportColumn] {
        match self {
            ExportTable::Readings => READINGS,
            ExportTable::Minutes => MINUTES,
            ExportTable::Journal => JOURNAL,
            ExportTable::Alarms => ALARMS,
        }
    }

    /// Hands every row of the span to `each`: readings and alarms by when they were learnt
    /// of, minutes by when they were measured, entries by when it was done.
    ///
    /// # Errors
    /// When the store cannot be read, and whatever `each` says.
    pub fn rows(
        self,
        reader: &Reader,
        moment: &ReadMoment<'_>,
        span: ExportSpan<'_>,
        mut each: impl FnMut(Vec<Cell>) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        let within = |at: Timestamp| span.since <= at && at < span.until;
        match self {
            ExportTable::Readings => streamed(&mut each, |hand| {
                moment.readings(span.since, span.until, |row| hand(reading(span.rules, row)))
            }),
            ExportTable::Minutes => {
                for sensor in moment.sensors()? {
                    minutes(moment, span, &sensor, &mut each)?;
                }
                Ok(())
            }
            ExportTable::Journal => {
                let lines = reader.journal(Timestamp::UNIX_EPOCH)?;
                lines
                    .into_iter()
                    .filter(|line| within(done_at(line)))
                    .try_for_each(|line| each(entry(span.rules, line)))
            }
            ExportTable::Alarms => {
                let lines = reader.alarm_changes(span.since)?;
                lines.into_iter().filter(|line| within(line.at)).try_for_each(|line| each(alarm(span.rules, line)))
            }
        }
    }
}

/// Reads row by row; what `each` complains of ends the reading and is handed on.
fn streamed(
    each: &mut impl FnMut(Vec<Cell>) -> Result<(), ExportError>,
    read: impl FnOnce(&mut dyn FnMut(Vec<Cell>) -> bool) -> Result<(), StoreError>,
) -> Result<(), ExportError> {
    let mut complaint = None;
    read(&mut |row| match each(row) {
        Ok(()) => true,
        Err(error) => {
            complaint = Some(error);
            false
        }
    })?;
    complaint.map_or(Ok(()), Err)
}

fn minutes(
    moment: &ReadMoment<'_>,
    span: ExportSpan<'_>,
    sensor: &str,
    each: &mut impl FnMut(Vec<Cell>) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let place = place_of(span.rules, sensor);
    let mut open: Vec<MinuteRow> = Vec::new();
    streamed(each, |hand| {
        let mut go_on = true;
        moment.minutes(sensor, span.since, span.until, |row| {
            if open.first().is_some_and(|first| first.at != row.at) {
                go_on = hand(minute(span.rules, sensor, &place, &open));
                open.clear();
            }
            open.push(row);
            go_on
        })?;
        if go_on && !open.is_empty() {
            hand(minute(span.rules, sensor, &place, &open));
        }
        Ok(())
    })
}

fn minute(rules: &Rules, sensor: &str, place: &Cell, parts: &[MinuteRow]) -> Vec<Cell> {
    let part = |word: &[&str]| parts.iter().find(|part| word.contains(&part.quantity.as_str()));
    let three = |part: Option<&MinuteRow>| match part {
        Some(part) => [part.low, part.mean, part.high].map(figure),
        None => [Cell::Nothing, Cell::Nothing, Cell::Nothing],
    };
    let (temperature, humidity) = (part(&["temperature"]), part(&["humidity"]));
    let at = parts.first().map_or_else(Timestamp::default, |part| part.at);
    let means = temperature.zip(humidity).map(|(t, h)| (Celsius(t.mean), RelativeHumidity(h.mean)));
    let mut row = vec![utc(at), local(rules, at), text(sensor), place.clone(), surface_of(rules, sensor)];
    row.extend(three(temperature));
    row.extend(three(humidity));
    row.push(means.map_or(Cell::Nothing, |(t, h)| figure(vapour_pressure_deficit(t, h).0)));
    row.push(means.and_then(|(t, h)| dew_point(t, h)).map_or(Cell::Nothing, |dew| figure(dew.0)));
    row.extend(three(part(&["volume", "distance", "depth", "filling"])));
    row.push(Cell::Whole(parts.iter().map(|part| part.n).sum::<u64>() as i64));
    row
}

fn reading(rules: &Rules, row: ReadingRow) -> Vec<Cell> {
    let believed_unit = match row.raw_unit.as_str() {
        air @ ("Cel" | "%RH") => air.to_owned(),
        _ => "L".to_owned(),
    };
    vec![
        utc(row.heard_at),
        utc(row.measured_at),
        local(rules, row.measured_at),
        text(&row.sensor),
        place_of(rules, &row.sensor),
        surface_of(rules, &row.sensor),
        text(&row.quantity),
        figure(row.raw),
        text(&row.raw_unit),
        row.believed.map_or(Cell::Nothing, figure),
        if row.believed.is_some() { text(&believed_unit) } else { Cell::Nothing },
        text(flag_word(row.flag)),
        row.doubt.map_or(Cell::Nothing, |doubt| text(doubt.word())),
        Cell::Whole(i64::from(row.retained)),
    ]
}

fn entry(rules: &Rules, line: JournalLine) -> Vec<Cell> {
    // By its JSON, so that what the journal learns to hold is never left out of `entry`.
    let whole = serde_json::to_value(&line.entry).unwrap_or_default();
    let by_key = |(name, holds, _): &ExportColumn| match (holds, whole.get(*name)) {
        (Real, Some(Value::Number(number))) => number.as_f64().map_or(Cell::Nothing, Cell::Real),
        (Whole, Some(Value::Number(number))) => number.as_i64().map_or(Cell::Nothing, Cell::Whole),
        (Text, Some(Value::String(words))) => text(words),
        _ => Cell::Nothing,
    };
    let reported = |column: &ExportColumn| match column.0 {
        "number" => Cell::Whole(line.number),
        "told_at_utc" => utc(line.at),
        "done_at_utc" => utc(done_at(&line)),
        "done_at_local" => local(rules, done_at(&line)),
        "note" => whole.get("note").or(whole.get("text")).and_then(Value::as_str).map_or(Cell::Nothing, text),
        "struck_by" => line.struck_by.map_or(Cell::Nothing, Cell::Whole),
        "refused" => line.refused.as_deref().map_or(Cell::Nothing, text),
        "entry" => text(&whole.to_string()),
        _ => by_key(column),
    };
    JOURNAL.iter().map(reported).collect()
}

fn alarm(rules: &Rules, line: AlarmLine) -> Vec<Cell> {
    vec![
        utc(line.at),
        local(rules, line.at),
        text(line.key.kind.word()),
        text(&line.key.subject),
        utc(line.since),
        word(line.state),
        word(line.before),
        word(line.priority),
        line.harm.map_or(Cell::Nothing, |harm| utc(harm.likely)),
        line.harm.map_or(Cell::Nothing, |harm| utc(harm.early)),
        utc(line.next_round),
        Cell::Whole(i64::from(line.times)),
        text(&line.text),
        line.by.as_deref().map_or(Cell::Nothing, text),
    ]
}

fn done_at(line: &JournalLine) -> Timestamp {
    line.entry.at.unwrap_or(line.at)
}

fn place_of(rules: &Rules, sensor: &str) -> Cell {
    let known = rules.sensors.iter().find(|known| known.id == sensor);
    known.and_then(|known| known.place).map_or(Cell::Nothing, |place| text(&rules.place(place).id))
}

fn surface_of(rules: &Rules, sensor: &str) -> Cell {
    let known = rules.sensors.iter().find(|known| known.id == sensor);
    known.and_then(|known| known.surface.as_deref()).map_or(Cell::Nothing, text)
}

fn flag_word(flag: Flag) -> &'static str {
    match flag {
        Flag::Good => "good",
        Flag::Unknown => "unknown",
        Flag::Suspect => "suspect",
        Flag::Fail => "fail",
        Flag::Missing => "missing",
    }
}

/// A value that serialises to one stable word.
fn word(value: impl serde::Serialize) -> Cell {
    match serde_json::to_value(value) {
        Ok(Value::String(word)) => Cell::Text(word),
        _ => Cell::Nothing,
    }
}

fn text(words: &str) -> Cell {
    Cell::Text(words.to_owned())
}

/// Thousandths are what the store keeps; a mean has no more to say.
fn figure(value: f64) -> Cell {
    Cell::Real((value * 1000.0).round() / 1000.0)
}

fn utc(at: Timestamp) -> Cell {
    Cell::Text(at.to_rfc3339_opts(SecondsFormat::AutoSi, true))
}

/// The form every spreadsheet takes for a time. In the hour that comes twice in autumn
/// only the UTC column tells which.
fn local(rules: &Rules, at: Timestamp) -> Cell {
    Cell::Text(at.with_timezone(&rules.site.time_zone).format("%Y-%m-%d %H:%M:%S").to_string())
}
