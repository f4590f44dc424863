//! How readings of an hour that is over stand in table `packed`: one row a series, each column
//! of theirs either one number for all of them, or a JSON array of differences. Any SQLite
//! tool unpacks it with its own JSON functions and a window sum (view `every_reading`). Pure,
//! and exact: what cannot be packed so that it comes back bit for bit is not packed.

use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{Row, ToSql};

/// One row of table `reading`, without the mark of its message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct StoredReading {
    pub(super) at: i64,
    pub(super) seq: i64,
    pub(super) series: i64,
    pub(super) raw: i64,
    pub(super) believed: Option<i64>,
    pub(super) judged: i64,
    pub(super) claimed_lag: Option<i64>,
    pub(super) believed_lag: i64,
}

/// The columns of a [`StoredReading`], as they are read from table `reading`.
pub(super) const READING_COLUMNS: &str = "at, seq, series, raw, believed, judged, claimed_lag, believed_lag";

/// Those of a [`Pack`], as they are read from table `packed`.
pub(super) const PACK_COLUMNS: &str =
    "stretch, series, part, readings, lasts, step, grain, seq, belief, judged, claimed_lag, believed_lag, times, raw";

/// One column of all readings of a pack.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum PackedColumn {
    /// The same for every reading; `None`: NULL.
    Same(Option<i64>),
    /// A JSON array with a number a reading: the difference to the last one that is not null.
    Each(String),
}

/// One row of table `packed`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Pack {
    pub(super) stretch: i64,
    pub(super) series: i64,
    pub(super) part: i64,
    pub(super) readings: i64,
    pub(super) lasts: i64,
    pub(super) step: i64,
    pub(super) grain: i64,
    pub(super) seq: PackedColumn,
    pub(super) belief: PackedColumn,
    pub(super) judged: PackedColumn,
    pub(super) claimed_lag: PackedColumn,
    pub(super) believed_lag: PackedColumn,
    pub(super) times: PackedColumn,
    pub(super) raw: PackedColumn,
}

/// Text of a pack that is worth a second one: so that several fit on a page of 4,096 bytes and
/// a bad page costs little, and so few that what stands once a pack weighs little.
const MOST_TEXT: usize = 960;

/// No stretch lasts so long, milliseconds: where one begins says within what it ends.
pub(super) const STRETCH_ENDS_WITHIN: i64 = 3_600_000;

/// Far beyond any true reading; sums and differences of such numbers are exact everywhere.
const FARTHEST: i64 = 1 << 50;

impl StoredReading {
    /// A row of the [`READING_COLUMNS`].
    pub(super) fn of(row: &Row<'_>) -> rusqlite::Result<StoredReading> {
        Ok(StoredReading {
            at: row.get(0)?,
            seq: row.get(1)?,
            series: row.get(2)?,
            raw: row.get(3)?,
            believed: row.get(4)?,
            judged: row.get(5)?,
            claimed_lag: row.get(6)?,
            believed_lag: row.get(7)?,
        })
    }

    /// Where it stands in the order of everything.
    pub(super) fn position(&self) -> (i64, i64) {
        (self.at, self.seq)
    }

    /// Whether it can be packed at all. What another hand wrote into the file stays as it is.
    pub(super) fn is_packable(&self) -> bool {
        let numbers = [self.at, self.seq, self.raw, self.judged, self.believed_lag];
        let all = numbers.into_iter().chain(self.believed).chain(self.claimed_lag);
        all.into_iter().all(|number| (-FARTHEST..=FARTHEST).contains(&number))
    }
}

/// Packs readings of one series, in their order, of the stretch that begins at `stretch`. Every
/// one [`StoredReading::is_packable`], and heard within [`STRETCH_ENDS_WITHIN`].
pub(super) fn pack(stretch: i64, readings: &[StoredReading]) -> Vec<Pack> {
    if readings.is_empty() {
        return Vec::new();
    }
    let whole = pack_part(stretch, 0, readings);
    let parts = whole.text().div_ceil(MOST_TEXT);
    if parts <= 1 || readings.len() == 1 {
        return vec![whole];
    }
    let each = readings.len().div_ceil(parts);
    readings.chunks(each).zip(0..).map(|(part, nth)| pack_part(stretch, nth, part)).collect()
}

fn pack_part(stretch: i64, part: i64, readings: &[StoredReading]) -> Pack {
    let step = usual_step(readings);
    let grain = readings.iter().fold(0, |grain, reading| greatest_common_divisor(grain, reading.raw)).max(1);
    let column = |value: &dyn Fn(&StoredReading) -> Option<i64>| PackedColumn::of(readings.iter().map(value));
    let times = readings.iter().zip(0..).map(|(reading, nth)| Some(reading.at - stretch - step * nth));
    Pack {
        stretch,
        series: readings.first().map_or(0, |reading| reading.series),
        part,
        readings: readings.len() as i64,
        lasts: readings.last().map_or(0, |reading| reading.at - stretch),
        step,
        grain,
        seq: column(&|reading| Some(reading.seq)),
        belief: column(&|reading| reading.believed.map(|believed| believed - reading.raw)),
        judged: column(&|reading| Some(reading.judged)),
        claimed_lag: column(&|reading| reading.claimed_lag),
        // A sensor whose own time is believed: always 0.
        believed_lag: column(&|reading| Some(reading.believed_lag - reading.claimed_lag.unwrap_or(0))),
        times: PackedColumn::each(times),
        raw: column(&|reading| Some(reading.raw / grain)),
    }
}

/// The usual time between two readings: what is left are small numbers.
fn usual_step(readings: &[StoredReading]) -> i64 {
    let mut steps: Vec<i64> = readings.windows(2).map(|pair| pair[1].at - pair[0].at).collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).copied().unwrap_or(0)
}

/// Of 0 and a number it is the number.
pub(super) fn greatest_common_divisor(one: i64, other: i64) -> i64 {
    let (mut one, mut other) = (one.abs(), other.abs());
    while other != 0 {
        (one, other) = (other, one % other);
    }
    one
}

impl PackedColumn {
    fn of(values: impl Iterator<Item = Option<i64>> + Clone) -> PackedColumn {
        let mut all = values.clone();
        let first = all.next().flatten();
        if all.all(|value| value == first) { PackedColumn::Same(first) } else { PackedColumn::each(values) }
    }

    fn each(values: impl Iterator<Item = Option<i64>>) -> PackedColumn {
        let mut text = String::from("[");
        let mut last = 0;
        for value in values {
            if text.len() > 1 {
                text.push(',');
            }
            match value {
                Some(value) => {
                    text.push_str(&(value - last).to_string());
                    last = value;
                }
                None => text.push_str("null"),
            }
        }
        text.push(']');
        PackedColumn::Each(text)
    }

    fn text(&self) -> usize {
        match self {
            PackedColumn::Same(_) => 0,
            PackedColumn::Each(text) => text.len(),
        }
    }

    fn read(value: ValueRef<'_>) -> Option<PackedColumn> {
        match value {
            ValueRef::Null => Some(PackedColumn::Same(None)),
            ValueRef::Integer(number) => Some(PackedColumn::Same(Some(number))),
            ValueRef::Text(text) => Some(PackedColumn::Each(std::str::from_utf8(text).ok()?.to_owned())),
            ValueRef::Real(_) | ValueRef::Blob(_) => None,
        }
    }

    /// The values themselves; `None` where it is no column of so many readings.
    fn values(&self, readings: usize) -> Option<Vec<Option<i64>>> {
        let text = match self {
            PackedColumn::Same(value) => return Some(vec![*value; readings]),
            PackedColumn::Each(text) => text,
        };
        let mut values: Vec<Option<i64>> = serde_json::from_str(text).ok()?;
        let mut last: i64 = 0;
        for value in values.iter_mut().flatten() {
            last = last.checked_add(*value)?;
            *value = last;
        }
        (values.len() == readings).then_some(values)
    }
}

impl ToSql for PackedColumn {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        match self {
            PackedColumn::Same(value) => value.to_sql(),
            PackedColumn::Each(text) => text.to_sql(),
        }
    }
}

impl Pack {
    /// A row of the [`PACK_COLUMNS`]; `None` where something else stands in it.
    pub(super) fn of(row: &Row<'_>) -> rusqlite::Result<Option<Pack>> {
        let mut columns = Vec::with_capacity(14);
        for column in 0..14 {
            columns.push(PackedColumn::read(row.get_ref(column)?));
        }
        Ok(columns.into_iter().collect::<Option<Vec<_>>>().and_then(Pack::of_columns))
    }

    fn of_columns(columns: Vec<PackedColumn>) -> Option<Pack> {
        let columns: [PackedColumn; 14] = columns.try_into().ok()?;
        let number = |column: &PackedColumn| match column {
            PackedColumn::Same(number) => *number,
            PackedColumn::Each(_) => None,
        };
        let [
            stretch,
            series,
            part,
            readings,
            lasts,
            step,
            grain,
            seq,
            belief,
            judged,
            claimed_lag,
            believed_lag,
            times,
            raw,
        ] = columns;
        Some(Pack {
            stretch: number(&stretch)?,
            series: number(&series)?,
            part: number(&part)?,
            readings: number(&readings)?,
            lasts: number(&lasts)?,
            step: number(&step)?,
            grain: number(&grain)?,
            seq,
            belief,
            judged,
            claimed_lag,
            believed_lag,
            times,
            raw,
        })
    }

    fn text(&self) -> usize {
        let columns =
            [&self.seq, &self.belief, &self.judged, &self.claimed_lag, &self.believed_lag, &self.times, &self.raw];
        columns.into_iter().map(PackedColumn::text).sum()
    }

    /// The readings, in their order; `None` where the row is damaged, or by another hand.
    pub(super) fn unpack(&self) -> Option<Vec<StoredReading>> {
        if !matches!(self.times, PackedColumn::Each(_)) || !(0..STRETCH_ENDS_WITHIN).contains(&self.lasts) {
            return None;
        }
        let readings = usize::try_from(self.readings).ok()?;
        // Its length bounds what is made of it.
        let times = self.times.values(readings)?;
        let [seq, belief, judged, claimed_lag, believed_lag, raw] =
            [&self.seq, &self.belief, &self.judged, &self.claimed_lag, &self.believed_lag, &self.raw]
                .map(|column| column.values(readings));
        let (seq, belief, judged, claimed_lag, believed_lag, raw) =
            (seq?, belief?, judged?, claimed_lag?, believed_lag?, raw?);
        let mut unpacked = Vec::with_capacity(readings);
        for (nth, time) in times.into_iter().enumerate() {
            let raw = raw[nth]?.checked_mul(self.grain)?;
            unpacked.push(StoredReading {
                at: self.stretch.checked_add(time?)?.checked_add(self.step.checked_mul(nth as i64)?)?,
                seq: seq[nth]?,
                series: self.series,
                raw,
                believed: match belief[nth] {
                    Some(belief) => Some(raw.checked_add(belief)?),
                    None => None,
                },
                judged: judged[nth]?,
                claimed_lag: claimed_lag[nth],
                believed_lag: believed_lag[nth]?.checked_add(claimed_lag[nth].unwrap_or(0))?,
            });
        }
        let in_order = unpacked.windows(2).all(|pair| pair[0].position() < pair[1].position());
        let last = unpacked.last()?.at;
        (in_order && unpacked[0].at >= self.stretch && last == self.stretch.checked_add(self.lasts)?)
            .then_some(unpacked)
    }
}
