//! Which stored series a channel of today's config is: the same sensor and the
//! same quantity, so that a config that was reordered keeps its history.

use super::error::StoreError;
use crate::engine::rules::Rules;
use crate::reading::ChannelId;
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::HashMap;

/// For the writer: the series of every channel, made where it is new.
pub(super) struct SeriesOfChannels(Vec<i64>);

impl SeriesOfChannels {
    pub(super) fn enter(connection: &Connection, rules: &Rules) -> rusqlite::Result<Self> {
        let mut ids = Vec::with_capacity(rules.channels.len());
        for channel in &rules.channels {
            let sensor = &rules.sensor(channel.sensor).id;
            connection.execute(
                "INSERT OR IGNORE INTO series (sensor, quantity, unit) VALUES (?1, ?2, ?3)",
                params![sensor, channel.quantity.word(), channel.quantity.unit()],
            )?;
            // Always there: it was just put in.
            ids.push(find(connection, sensor, channel.quantity.word())?.ok_or(rusqlite::Error::QueryReturnedNoRows)?);
        }
        Ok(SeriesOfChannels(ids))
    }

    pub(super) fn of(&self, channel: ChannelId) -> Result<i64, StoreError> {
        let known = self.0.len();
        self.0.get(usize::from(channel.0)).copied().ok_or(StoreError::UnknownChannel { channel: channel.0, known })
    }
}

/// For a reader: the channel of every series that today's config still has.
#[derive(Clone, Debug)]
pub(super) struct ChannelsOfSeries(HashMap<i64, ChannelId>);

impl ChannelsOfSeries {
    pub(super) fn read(connection: &Connection, rules: &Rules) -> rusqlite::Result<Self> {
        let mut channels = HashMap::new();
        for (index, channel) in rules.channels.iter().enumerate() {
            let sensor = &rules.sensor(channel.sensor).id;
            if let Some(series) = find(connection, sensor, channel.quantity.word())? {
                channels.insert(series, ChannelId(index as u16));
            }
        }
        Ok(ChannelsOfSeries(channels))
    }

    pub(super) fn of(&self, series: i64) -> Option<ChannelId> {
        self.0.get(&series).copied()
    }
}

/// What a series is of, in words.
#[derive(Clone, Debug)]
pub(super) struct SeriesWords {
    pub(super) sensor: String,
    pub(super) quantity: String,
    pub(super) unit: String,
}

/// Every series there ever was.
pub(super) fn in_words(connection: &Connection) -> rusqlite::Result<HashMap<i64, SeriesWords>> {
    let mut all = connection.prepare_cached("SELECT id, sensor, quantity, unit FROM series")?;
    all.query_map([], |row| {
        Ok((row.get(0)?, SeriesWords { sensor: row.get(1)?, quantity: row.get(2)?, unit: row.get(3)? }))
    })?
    .collect()
}

/// The series of a sensor's quantity.
pub(super) fn find(connection: &Connection, sensor: &str, quantity: &str) -> rusqlite::Result<Option<i64>> {
    connection
        .query_row("SELECT id FROM series WHERE sensor = ?1 AND quantity = ?2", params![sensor, quantity], |row| {
            row.get(0)
        })
        .optional()
}
