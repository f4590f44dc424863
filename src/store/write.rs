//! Writing a batch of events and what came of them: one transaction, all or
//! nothing, and harmless when it is given the same batch again.

use super::delivered::{self, StoredDelivery};
use super::encode::{belief, encode, encode_notes, pack_judgement};
use super::error::{StoreError, explain};
use super::inbox::{self, InboxAnswer};
use super::outbox::{self, StoredOutcome};
use super::{Store, packing, replies, rollup};
use crate::engine::alarm::AlarmChange;
use crate::engine::event::{Effect, Event, Grade, Judgement, What};
use crate::journal::Did;
use crate::notify::letter::{Letter, Parcel};
use crate::reading::{Flag, RawReading};
use crate::units::Timestamp;
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

/// One event, what came of it, and what the shells add for safe-keeping.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// What happened. A tick of which nothing came is not stored.
    pub event: Event,
    /// Which one it is within its millisecond, over events of every kind.
    pub seq: u32,
    /// What the engine made of it.
    pub effects: Vec<Effect>,
    /// The sentence for each [`Effect::Alarm`], in the same order; may be shorter.
    pub alarm_texts: Vec<String>,
    /// Why the event's journal entry was refused, as a sentence; `None`: it was not.
    pub refusal: Option<String>,
    /// The letters it caused, in words and as parcels. A letter that is stored already
    /// is left as it is, and so are its parcels.
    pub letters: Vec<(Letter, Vec<Parcel>)>,
    /// What lamps are told of it, besides letters.
    pub(crate) parcels: Vec<Parcel>,
    /// The message itself, when it was no reading.
    pub rejected: Option<Rejected>,
    /// The MQTT message it came in.
    pub delivery: Option<StoredDelivery>,
    /// The inbox item it came from and what to say to it.
    pub inbox: Option<InboxAnswer>,
    /// What became of parcels, to be known together with the event that tells the engine.
    pub(crate) outcomes: Vec<StoredOutcome>,
}

/// A message that was no reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rejected {
    /// The topic it came on.
    pub topic: String,
    /// Its payload; only the first 256 bytes are kept.
    pub payload: Vec<u8>,
}

/// How many messages that were no readings are kept for inspection.
pub(super) const GARBLED_KEPT: usize = 1_000;

/// How many bytes of each.
pub(super) const GARBLED_BYTES: usize = 256;

/// How far back a doubted reading is looked for when the engine thinks better of
/// it. A spike is settled by the sensor's next reading; an hour is ample for that.
const SECOND_THOUGHTS_MS: i64 = 3_600_000;

impl Record {
    /// An event and what came of it, without anything from the shells.
    pub fn of(event: Event, seq: u32, effects: Vec<Effect>) -> Record {
        Record {
            event,
            seq,
            effects,
            alarm_texts: Vec::new(),
            refusal: None,
            letters: Vec::new(),
            rejected: None,
            delivery: None,
            inbox: None,
            parcels: Vec::new(),
            outcomes: Vec::new(),
        }
    }
}

impl Store {
    /// Writes all of it or nothing. When it returns without an error, the records
    /// survive a kill and a power cut. Records that are there already are left alone.
    pub fn commit(&mut self, records: &[Record]) -> Result<(), StoreError> {
        self.commit_and_forget(records, false, &[])
    }

    /// The same, and in the same transaction forgets messages that cannot be delivered
    /// again: these, or all that were known before.
    pub(crate) fn commit_and_forget<'r>(
        &mut self,
        records: impl IntoIterator<Item = &'r Record>,
        all: bool,
        marks: &[StoredDelivery],
    ) -> Result<(), StoreError> {
        let explain = explain(&self.path);
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(&explain)?;
        delivered::forget(&transaction, all, marks).map_err(&explain)?;
        // Where the commit fails, the next forgets the same, and takes the same with marks of its own.
        self.marks.forget(all, marks);
        let mut writing = Writing {
            connection: &transaction,
            rules: &self.rules,
            series: &self.series,
            marks: &mut self.marks,
            packed_up_to: self.packed_up_to,
            explain: &explain,
        };
        let mut garbled = false;
        for record in records {
            writing.record(record)?;
            garbled |= record.rejected.is_some();
        }
        if garbled {
            forget_old_garbled(&transaction).map_err(&explain)?;
        }
        transaction.commit().map_err(&explain)
    }
}

struct Writing<'a, F: Fn(rusqlite::Error) -> StoreError> {
    connection: &'a Connection,
    rules: &'a crate::engine::rules::Rules,
    series: &'a super::series::SeriesOfChannels,
    marks: &'a mut delivered::Marks,
    packed_up_to: i64,
    explain: &'a F,
}

/// Where a record stands in the order of everything.
#[derive(Clone, Copy)]
struct RecordOrder {
    at: i64,
    seq: u32,
}

impl<F: Fn(rusqlite::Error) -> StoreError> Writing<'_, F> {
    fn record(&mut self, record: &Record) -> Result<(), StoreError> {
        let position = RecordOrder { at: record.event.at.timestamp_millis(), seq: record.seq };
        let own = match &record.event.what {
            What::Reading(raw) => self.reading(position, record, raw)?,
            // A start passes over the minutes in which nobody watched. A minute that was judged,
            // and of which somebody was told, must be lived through again behind it.
            What::Tick if record.effects.iter().all(|effect| matches!(effect, Effect::Judged(_))) => None,
            other => {
                self.event(position, other).map_err(self.explain)?;
                None
            }
        };
        self.effects(position, record, own)?;
        for (letter, parcels) in &record.letters {
            outbox::put(self.connection, letter, parcels).map_err(self.explain)?;
        }
        for parcel in &record.parcels {
            outbox::put_parcel(self.connection, parcel, record.event.at).map_err(self.explain)?;
        }
        for outcome in &record.outcomes {
            outbox::note(self.connection, outcome, record.event.at).map_err(self.explain)?;
        }
        if let Some(rejected) = &record.rejected {
            self.garbled(position, &record.event.what, rejected).map_err(self.explain)?;
        }
        // A reading has its own.
        if let Some(mark) = record.delivery
            && !matches!(record.event.what, What::Reading(_))
        {
            delivered::put(self.connection, mark, position.at).map_err(self.explain)?;
        }
        if let Some(answer) = &record.inbox {
            inbox::answer(self.connection, answer, record.event.at).map_err(self.explain)?;
        }
        Ok(())
    }

    /// Writes the reading and returns the index of its own judgement among the effects.
    fn reading(
        &mut self,
        position: RecordOrder,
        record: &Record,
        raw: &RawReading,
    ) -> Result<Option<usize>, StoreError> {
        // The last that fits: an earlier one with the very same numbers is a second thought.
        let own = record.effects.iter().rposition(|effect| matches!(effect, Effect::Judged(it) if it.raw == *raw));
        let (judged, believed, believed_lag) = match own.map(|index| &record.effects[index]) {
            Some(Effect::Judged(judgement)) => {
                let (believed, lag) = belief(judgement, record.event.at);
                (pack_judgement(judgement.flag, judgement.reason, raw.retained), believed, lag)
            }
            _ => (pack_judgement(Flag::Unknown, None, raw.retained), None, 0),
        };
        let series = self.series.of(raw.channel)?;
        self.take_out(position.at, position.at).map_err(self.explain)?;
        let mark = record.delivery.map(|mark| self.marks.take(mark));
        self.connection
            .prepare_cached(
                "INSERT OR IGNORE INTO reading (at, seq, series, raw, believed, judged, claimed_lag, believed_lag, delivery)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            )
            .and_then(|mut put| {
                put.execute(params![
                    position.at,
                    position.seq,
                    series,
                    raw.thousandths(),
                    believed,
                    judged,
                    raw.measured_at.map(|claimed| position.at - claimed.timestamp_millis()),
                    believed_lag,
                    mark
                ])
            })
            .map_err(self.explain)?;
        Ok(own)
    }

    /// What is written so late that readings of its time may be packed, meets them as rows.
    fn take_out(&self, from: i64, to: i64) -> rusqlite::Result<()> {
        if from < self.packed_up_to { packing::take_out(self.connection, from, to) } else { Ok(()) }
    }

    fn event(&self, position: RecordOrder, what: &What) -> rusqlite::Result<()> {
        if let Some(encoded) = encode(what, self.rules) {
            self.connection
                .prepare_cached("INSERT OR IGNORE INTO event (at, seq, kind, body) VALUES (?1, ?2, ?3, ?4)")?
                .execute(params![position.at, position.seq, encoded.kind, encoded.body])?;
        }
        if let What::Journal { number, entry } = what {
            let body =
                serde_json::to_string(entry).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
            self.connection
                .prepare_cached(
                    "INSERT OR IGNORE INTO journal (number, at, seq, body, note) VALUES (?1, ?2, ?3, ?4, '[]')",
                )?
                .execute(params![number, position.at, position.seq, body])?;
        }
        Ok(())
    }

    fn effects(&self, position: RecordOrder, record: &Record, own: Option<usize>) -> Result<(), StoreError> {
        let mut alarms = 0;
        for (index, effect) in record.effects.iter().enumerate() {
            match effect {
                Effect::Judged(judgement) if own != Some(index) => self.second_thought(position, judgement)?,
                Effect::Alarm(change) => {
                    let text = record.alarm_texts.get(alarms).map_or("", String::as_str);
                    self.alarm(position, alarms, change, text).map_err(self.explain)?;
                    alarms += 1;
                }
                Effect::EntryTaken { number, note } => {
                    self.connection
                        .prepare_cached("UPDATE journal SET note = ?2 WHERE number = ?1")
                        .and_then(|mut update| update.execute(params![number, encode_notes(note)]))
                        .map_err(self.explain)?;
                    if let What::Journal { entry, .. } = &record.event.what
                        && let Did::Strike { entry: struck, .. } = &entry.did
                    {
                        self.connection
                            .execute("UPDATE journal SET struck_by = ?2 WHERE number = ?1", params![struck, number])
                            .map_err(self.explain)?;
                    }
                }
                Effect::EntryRefused { number, .. } => {
                    let why = record.refusal.as_deref().unwrap_or("it could not be taken");
                    self.connection
                        .execute("UPDATE journal SET refused = ?2 WHERE number = ?1", params![number, why])
                        .map_err(self.explain)?;
                }
                // Its words are in `letters`.
                Effect::Letter(facts) => replies::put_alarms(self.connection, facts).map_err(self.explain)?,
                // The own judgement went into its reading; a refused command is answered through
                // the inbox.
                Effect::Judged(_) | Effect::CommandRefused { .. } => {}
            }
        }
        Ok(())
    }

    /// An earlier reading of the channel is judged again, e.g. a jump that the next reading confirmed.
    fn second_thought(&self, position: RecordOrder, judgement: &Judgement) -> Result<(), StoreError> {
        let raw = &judgement.raw;
        let series = self.series.of(raw.channel)?;
        self.judge_again(position, series, judgement).map_err(self.explain)
    }

    fn judge_again(&self, position: RecordOrder, series: i64, judgement: &Judgement) -> rusqlite::Result<()> {
        let raw = &judgement.raw;
        self.take_out(position.at - SECOND_THOUGHTS_MS, position.at)?;
        let found: Option<(i64, u32)> = self
            .connection
            .prepare_cached(
                "SELECT at, seq FROM reading
                  WHERE at >= ?1 AND (at, seq) < (?2, ?3) AND series = ?4 AND raw = ?5
                    AND believed IS NULL AND (at - claimed_lag) IS ?6
                  ORDER BY at DESC, seq DESC LIMIT 1",
            )?
            .query_row(
                params![
                    position.at - SECOND_THOUGHTS_MS,
                    position.at,
                    position.seq,
                    series,
                    raw.thousandths(),
                    raw.measured_at.map(|claimed| claimed.timestamp_millis())
                ],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()?;
        let Some((at, seq)) = found else { return Ok(()) };
        let learnt = Timestamp::from_timestamp_millis(at).unwrap_or_default();
        let (believed, believed_lag) = belief(judgement, learnt);
        let judged = pack_judgement(judgement.flag, judgement.reason, raw.retained);
        self.connection
            .prepare_cached(
                "UPDATE reading SET believed = ?3, judged = ?4, believed_lag = ?5 WHERE at = ?1 AND seq = ?2",
            )?
            .execute(params![at, seq, believed, judged, believed_lag])?;
        match believed {
            Some(value) => rollup::add_late(self.connection, series, at, at - believed_lag, value),
            None => Ok(()),
        }
    }

    fn alarm(&self, position: RecordOrder, nth: usize, change: &AlarmChange, text: &str) -> rusqlite::Result<()> {
        self.connection
            .prepare_cached(
                "INSERT OR IGNORE INTO alarm (at, seq, nth, kind, subject, since, state, before, priority,
                                              harm_from, harm_early, next_round, times, text, by,
                                              harm_late, chance, grade)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)",
            )?
            .execute(params![
                position.at,
                position.seq,
                nth as i64,
                change.key.kind.word(),
                change.key.subject,
                change.since.timestamp_millis(),
                change.state.word(),
                change.before.word(),
                change.priority.word(),
                change.harm.map(|harm| harm.likely.timestamp_millis()),
                change.harm.map(|harm| harm.early.timestamp_millis()),
                change.next_round.timestamp_millis(),
                change.times,
                text,
                change.by,
                change.harm.map(|harm| harm.late.timestamp_millis()),
                change.chance,
                change.grade.map(Grade::word)
            ])?;
        Ok(())
    }

    fn garbled(&self, position: RecordOrder, what: &What, rejected: &Rejected) -> rusqlite::Result<()> {
        let reason = match what {
            What::Garbled { reason, .. } => reason.word(),
            What::NoValue(_) => "no-value",
            _ => "other",
        };
        let size = rejected.payload.len();
        self.connection
            .prepare_cached(
                "INSERT OR IGNORE INTO garbled (at, seq, topic, reason, size, payload) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?
            .execute(params![
                position.at,
                position.seq,
                rejected.topic,
                reason,
                size as i64,
                &rejected.payload[..size.min(GARBLED_BYTES)]
            ])?;
        Ok(())
    }
}

fn forget_old_garbled(connection: &Connection) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "DELETE FROM garbled WHERE (at, seq) <= (SELECT at, seq FROM garbled ORDER BY at DESC, seq DESC LIMIT 1 OFFSET ?1)",
        )?
        .execute(params![GARBLED_KEPT as i64])?;
    Ok(())
}
