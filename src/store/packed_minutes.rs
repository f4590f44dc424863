//! How the minute means of an hour that is over stand in table `minute_packed`: one row a
//! series, each column of theirs either one number for all of them, or a text with one
//! character a minute, whose Unicode number says how much. Any SQLite tool unpacks it with
//! `unicode`, `substr` and a window sum (view `every_minute`). Characters and not the JSON of
//! table `packed`, because means are kept for good: two bytes a number where JSON needs four
//! and a half. Pure, and exact: what does not come back bit for bit is not packed.

use super::packed::greatest_common_divisor;
use super::stretches::MinuteSum;
use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{Row, ToSql};

/// Minutes an hour.
pub(super) const HOUR_MINUTES: i64 = 60;

/// The character of 0: a space, so that no control character stands in the file.
const ZERO: i64 = 32;
/// From here on Unicode has numbers that are no characters.
const NO_CHARACTER: i64 = 0xD800;

/// Far beyond any true sum; differences of such numbers are exact everywhere.
const FARTHEST: i64 = 1 << 50;

/// The columns of a [`PackedHour`], as they are read.
pub(super) const PACKED_HOUR_COLUMNS: &str = "series, hour, minutes, first, grain, places, n, low, spread, rest";

/// One column of all minutes of an hour.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum MinuteColumn {
    /// The same for every minute.
    Same(i64),
    /// One character a minute.
    Each(String),
}

/// One row of table `minute_packed`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct PackedHour {
    pub(super) series: i64,
    /// Hours since 1970 UTC.
    pub(super) hour: i64,
    pub(super) minutes: i64,
    pub(super) first: i64,
    pub(super) grain: i64,
    pub(super) places: MinuteColumn,
    pub(super) n: MinuteColumn,
    pub(super) low: MinuteColumn,
    pub(super) spread: MinuteColumn,
    pub(super) rest: MinuteColumn,
}

/// Packs minutes of one series and hour, in their order; `None` where they cannot be had back.
pub(super) fn pack_hour(series: i64, hour: i64, minutes: &[(i64, MinuteSum)]) -> Option<PackedHour> {
    let (_, first) = minutes.first()?;
    let begins = hour.checked_mul(HOUR_MINUTES)?;
    let numbers = minutes.iter().flat_map(|(_, it)| [it.n, it.low, it.sum, it.high]);
    if !numbers.into_iter().all(|number| (-FARTHEST..=FARTHEST).contains(&number)) {
        return None;
    }
    let parts: Vec<MinuteParts> = minutes.iter().map(|(_, it)| MinuteParts::of(it)).collect::<Option<_>>()?;
    let mut last = first.low;
    let steps: Vec<i64> = parts.iter().map(|part| part.low - std::mem::replace(&mut last, part.low)).collect();
    let numbers = parts.iter().flat_map(|part| [part.spread, part.rest]).chain(steps.iter().copied());
    let grain = numbers.fold(0, greatest_common_divisor).max(1);
    let places = minutes.iter().zip(0..).map(|((minute, _), nth)| minute - begins - nth);
    let packed = PackedHour {
        series,
        hour,
        minutes: minutes.len() as i64,
        first: first.low,
        grain,
        places: MinuteColumn::of(places)?,
        n: MinuteColumn::of(parts.iter().map(|part| part.n))?,
        low: MinuteColumn::of(steps.iter().map(|step| both_ways(step / grain)))?,
        spread: MinuteColumn::of(parts.iter().map(|part| part.spread / grain))?,
        rest: MinuteColumn::of(parts.iter().map(|part| part.rest / grain))?,
    };
    (packed.unpack()? == minutes).then_some(packed)
}

/// What is left of a minute once its lowest and highest reading are known is mostly nothing.
struct MinuteParts {
    n: i64,
    low: i64,
    spread: i64,
    rest: i64,
}

impl MinuteParts {
    fn of(it: &MinuteSum) -> Option<MinuteParts> {
        let spread = it.high - it.low;
        let rest = it.sum.checked_sub(it.n.checked_mul(it.low)?)?.checked_sub(spread)?;
        Some(MinuteParts { n: it.n, low: it.low, spread, rest })
    }

    fn sum(&self) -> Option<MinuteSum> {
        let sum = self.n.checked_mul(self.low)?.checked_add(self.spread)?.checked_add(self.rest)?;
        Some(MinuteSum { n: self.n, low: self.low, sum, high: self.low.checked_add(self.spread)? })
    }
}

/// 0, -1, 1, -2, 2, ... as 0, 1, 2, 3, 4, ...
fn both_ways(number: i64) -> i64 {
    if number < 0 { -2 * number - 1 } else { 2 * number }
}

fn from_both_ways(number: i64) -> i64 {
    if number % 2 == 0 { number / 2 } else { -(number / 2) - 1 }
}

impl MinuteColumn {
    /// `None` where a number has no character.
    fn of(values: impl Iterator<Item = i64> + Clone) -> Option<MinuteColumn> {
        let mut all = values.clone();
        let first = all.next()?;
        if all.all(|value| value == first) {
            return Some(MinuteColumn::Same(first));
        }
        let character = |value: i64| {
            let number = value.checked_add(ZERO).filter(|number| (ZERO..NO_CHARACTER).contains(number))?;
            char::from_u32(u32::try_from(number).ok()?)
        };
        values.map(character).collect::<Option<String>>().map(MinuteColumn::Each)
    }

    fn read(value: ValueRef<'_>) -> Option<MinuteColumn> {
        match value {
            ValueRef::Integer(number) => Some(MinuteColumn::Same(number)),
            ValueRef::Text(text) => Some(MinuteColumn::Each(std::str::from_utf8(text).ok()?.to_owned())),
            ValueRef::Null | ValueRef::Real(_) | ValueRef::Blob(_) => None,
        }
    }

    /// The values themselves; `None` where it is no column of so many minutes.
    fn values(&self, minutes: usize) -> Option<Vec<i64>> {
        let values = match self {
            MinuteColumn::Same(value) => return Some(vec![*value; minutes]),
            MinuteColumn::Each(text) => text.chars().map(|character| i64::from(u32::from(character)) - ZERO),
        };
        let values: Vec<i64> = values.collect();
        (values.len() == minutes).then_some(values)
    }
}

impl ToSql for MinuteColumn {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        match self {
            MinuteColumn::Same(value) => value.to_sql(),
            MinuteColumn::Each(text) => text.to_sql(),
        }
    }
}

impl PackedHour {
    /// A row of the [`PACKED_HOUR_COLUMNS`]; `None` where something else stands in it.
    pub(super) fn of(row: &Row<'_>) -> rusqlite::Result<Option<PackedHour>> {
        let number = |column: usize| -> rusqlite::Result<Option<i64>> {
            Ok(match row.get_ref(column)? {
                ValueRef::Integer(number) => Some(number),
                _ => None,
            })
        };
        let column =
            |column: usize| -> rusqlite::Result<Option<MinuteColumn>> { Ok(MinuteColumn::read(row.get_ref(column)?)) };
        let numbers = [number(0)?, number(1)?, number(2)?, number(3)?, number(4)?];
        let columns = [column(5)?, column(6)?, column(7)?, column(8)?, column(9)?];
        let ([Some(series), Some(hour), Some(minutes), Some(first), Some(grain)], columns) = (numbers, columns) else {
            return Ok(None);
        };
        let [Some(places), Some(n), Some(low), Some(spread), Some(rest)] = columns else { return Ok(None) };
        Ok(Some(PackedHour { series, hour, minutes, first, grain, places, n, low, spread, rest }))
    }

    /// The minutes and what is in them, in their order; `None` where the row is damaged, or by
    /// another hand.
    pub(super) fn unpack(&self) -> Option<Vec<(i64, MinuteSum)>> {
        if !(1..=HOUR_MINUTES).contains(&self.minutes) {
            return None;
        }
        let minutes = usize::try_from(self.minutes).ok()?;
        let [places, n, low, spread, rest] =
            [&self.places, &self.n, &self.low, &self.spread, &self.rest].map(|column| column.values(minutes));
        let (places, n, low, spread, rest) = (places?, n?, low?, spread?, rest?);
        let begins = self.hour.checked_mul(HOUR_MINUTES)?;
        let mut unpacked = Vec::with_capacity(minutes);
        let mut lowest = self.first;
        for nth in 0..minutes {
            lowest = lowest.checked_add(from_both_ways(low[nth]).checked_mul(self.grain)?)?;
            let parts = MinuteParts {
                n: n[nth],
                low: lowest,
                spread: spread[nth].checked_mul(self.grain)?,
                rest: rest[nth].checked_mul(self.grain)?,
            };
            let minute = places[nth].checked_add(nth as i64).filter(|minute| (0..HOUR_MINUTES).contains(minute))?;
            unpacked.push((begins.checked_add(minute)?, parts.sum()?));
        }
        unpacked.is_sorted_by(|one, next| one.0 < next.0).then_some(unpacked)
    }
}
