//! Which MQTT messages are committed but perhaps not acknowledged yet, so that a broker that
//! delivers one again (DUP) makes no second reading of it. The mark of a message of readings
//! stands in its first reading: that page is written anyway, and a table of its own cost a
//! second page with every commit. Nothing goes back to take a mark away. Instead each says
//! how many marks behind it still counted when it was written, itself included; at a start
//! those of the newest count, and none before. What is no reading has its mark in table
//! `delivery`.

use rusqlite::{Connection, OptionalExtension, params};
use std::collections::{HashMap, VecDeque};

/// What tells an MQTT message from others until it is acknowledged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StoredDelivery {
    /// The packet id the broker gave it.
    pub packet_id: u16,
    /// A hash of topic and payload.
    pub hash: u32,
}

/// Packet id, then how far it reaches back, then the hash.
const PACKET_ID_BITS: u32 = 16;
const REACH_BITS: u32 = 14;
/// More than any broker has on its way to us; farther back nothing counts.
const MOST_REACH: u64 = (1 << REACH_BITS) - 1;
/// In a store where nothing was marked of so many newest readings, nothing is: a few minutes
/// of a large room. Own choice.
const UNMARKED: u32 = 10_000;
/// Readings looked at for the marks of the newest; a message has some two of them.
const MOST_ROWS: u32 = 200_000;

/// The marks that count now, and their order.
#[derive(Debug, Default)]
pub(super) struct Marks {
    /// Which one it is, and its hash.
    open: HashMap<u16, (u64, u32)>,
    order: VecDeque<(u64, u16)>,
    count: u64,
}

impl Marks {
    /// These can not come again.
    pub(super) fn forget(&mut self, all: bool, marks: &[StoredDelivery]) {
        if all {
            self.open.clear();
        }
        for mark in marks {
            if self.open.get(&mark.packet_id).is_some_and(|(_, hash)| *hash == mark.hash) {
                self.open.remove(&mark.packet_id);
            }
        }
        while self
            .order
            .front()
            .is_some_and(|(nth, packet_id)| self.open.get(packet_id).is_none_or(|(open, _)| open != nth))
        {
            self.order.pop_front();
        }
    }

    /// What is written with the first reading of a message.
    pub(super) fn take(&mut self, mark: StoredDelivery) -> i64 {
        self.count += 1;
        self.open.insert(mark.packet_id, (self.count, mark.hash));
        self.order.push_back((self.count, mark.packet_id));
        let oldest = self.order.front().map_or(self.count, |(nth, _)| *nth);
        packed(mark, (self.count - oldest + 1).min(MOST_REACH))
    }
}

fn packed(mark: StoredDelivery, reaches_back: u64) -> i64 {
    let number = u64::from(mark.packet_id)
        | reaches_back << PACKET_ID_BITS
        | u64::from(mark.hash) << (PACKET_ID_BITS + REACH_BITS);
    // 62 bits.
    number.cast_signed()
}

fn unpacked(number: i64) -> (StoredDelivery, u64) {
    let number = number.cast_unsigned();
    let mark = StoredDelivery { packet_id: number as u16, hash: (number >> (PACKET_ID_BITS + REACH_BITS)) as u32 };
    (mark, (number >> PACKET_ID_BITS) & MOST_REACH)
}

/// Marks that count, the oldest first.
pub(super) fn read(connection: &Connection) -> rusqlite::Result<Vec<StoredDelivery>> {
    let mut found = of_readings(connection)?;
    let mut table = connection.prepare_cached("SELECT at, packet_id, hash FROM delivery")?;
    let mut rows = table.query([])?;
    while let Some(row) = rows.next()? {
        // Older builds kept 64 bits of it.
        let mark = StoredDelivery { packet_id: row.get(1)?, hash: row.get::<_, i64>(2)? as u32 };
        found.push((row.get(0)?, mark));
    }
    found.sort_by_key(|(at, mark)| (*at, mark.packet_id));
    Ok(found.into_iter().map(|(_, mark)| mark).collect())
}

impl Marks {
    /// What counted before goes on counting until it is forgotten. Those of the table are not among
    /// them: how far a reading reaches back is told in readings.
    pub(super) fn as_they_stand(connection: &Connection) -> rusqlite::Result<Marks> {
        let mut marks = Marks::default();
        of_readings(connection)?.into_iter().rev().for_each(|(_, mark)| _ = marks.take(mark));
        Ok(marks)
    }
}

/// Those that stand in readings, with the time of each, the newest first.
fn of_readings(connection: &Connection) -> rusqlite::Result<Vec<(i64, StoredDelivery)>> {
    let mut found = Vec::new();
    let mut newest =
        connection.prepare_cached("SELECT at, delivery FROM reading ORDER BY at DESC, seq DESC LIMIT ?1")?;
    let mut rows = newest.query(params![MOST_ROWS])?;
    let (mut left, mut unmarked) = (None, 0_u32);
    while left != Some(0)
        && unmarked < UNMARKED
        && let Some(row) = rows.next()?
    {
        unmarked += 1;
        let Some(number) = row.get::<_, Option<i64>>(1)? else { continue };
        let (mark, reaches_back) = unpacked(number);
        left = Some(left.unwrap_or(reaches_back).saturating_sub(1));
        unmarked = 0;
        found.push((row.get::<_, i64>(0)?, mark));
    }
    Ok(found)
}

/// The table's own marks: those of messages that are no readings.
pub(super) fn put(connection: &Connection, mark: StoredDelivery, at: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO delivery (packet_id, hash, at) VALUES (?1, ?2, ?3)")?
        .execute(params![mark.packet_id, mark.hash, at])?;
    Ok(())
}

/// Takes them off the table. What is not there costs a look-up and no page.
pub(super) fn forget(connection: &Connection, all: bool, marks: &[StoredDelivery]) -> rusqlite::Result<()> {
    let any = connection.prepare_cached("SELECT 1 FROM delivery LIMIT 1")?.query_row([], |_| Ok(())).optional()?;
    if any.is_none() {
        return Ok(());
    }
    if all {
        connection.execute("DELETE FROM delivery", [])?;
    }
    let mut forget =
        connection.prepare_cached("DELETE FROM delivery WHERE packet_id = ?1 AND (hash & 4294967295) = ?2")?;
    for mark in marks {
        forget.execute(params![mark.packet_id, mark.hash])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(packet_id: u16) -> StoredDelivery {
        StoredDelivery { packet_id, hash: u32::MAX - u32::from(packet_id) }
    }

    #[test]
    fn a_mark_says_how_many_before_it_still_count() {
        let mut marks = Marks::default();
        let reach = |marks: &mut Marks, packet_id| {
            let (mark, reach) = unpacked(marks.take(message(packet_id)));
            assert_eq!(mark, message(packet_id), "nothing of it is lost");
            reach
        };
        assert_eq!([1, 2, u16::MAX].map(|id| reach(&mut marks, id)), [1, 2, 3]);
        marks.forget(false, &[message(2)]);
        assert_eq!(reach(&mut marks, 7), 4, "the first still counts");
        marks.forget(false, &[message(1)]);
        assert_eq!(reach(&mut marks, 8), 3, "back to the third");
        marks.forget(true, &[]);
        assert_eq!(reach(&mut marks, 9), 1);
    }

    #[test]
    fn an_id_that_comes_round_again_counts_where_it_was_used_last() {
        let mut marks = Marks::default();
        marks.take(message(5));
        marks.take(message(6));
        marks.take(message(5));
        marks.forget(false, &[message(6)]);
        assert_eq!(unpacked(marks.take(message(7))).1, 2);
    }
}
