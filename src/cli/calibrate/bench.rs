//! Whose hygrometer lies on the bench, and from where its readings come.

use crate::cli::Failure;
use crate::clock::Clock;
use crate::config::Config;
use crate::reading::{ChannelId, Quantity};
use crate::store::Reader;
use crate::units::Timestamp;

/// Whose correction, and from where its readings come.
pub(super) struct Bench<'a> {
    pub(super) config: &'a Config,
    pub(super) sensor: &'a str,
    pub(super) humidity: ChannelId,
    pub(super) temperature: Option<ChannelId>,
    pub(super) reader: Option<Reader>,
    pub(super) now: Timestamp,
}

impl<'a> Bench<'a> {
    pub(super) fn new(config: &'a Config, sensor: &'a str) -> Result<Self, Failure> {
        let rules = &config.rules;
        let of = |quantity: Quantity| {
            let mine = rules
                .channels
                .iter()
                .position(|channel| channel.quantity == quantity && rules.sensor(channel.sensor).id == sensor);
            mine.map(|index| ChannelId(index as u16))
        };
        let humidity = of(Quantity::Humidity).ok_or_else(|| {
            let channels = rules.channels.iter().filter(|channel| channel.quantity == Quantity::Humidity);
            let known: Vec<&str> = channels.map(|channel| rules.sensor(channel.sensor).id.as_str()).collect();
            Failure::Usage(match known.as_slice() {
                [] => "no sensor in the settings measures humidity".to_owned(),
                known => format!("no sensor \"{sensor}\" measures humidity; there are: {}", known.join(", ")),
            })
        })?;
        Ok(Bench {
            config,
            sensor,
            humidity,
            temperature: of(Quantity::Temperature),
            // Without a store readings are typed in.
            reader: Reader::open(&config.store.path, rules).ok(),
            now: Clock::system().now(),
        })
    }

    /// The name of the place it hangs in; empty for none.
    pub(super) fn place(&self) -> &str {
        let rules = &self.config.rules;
        rules.sensor(rules.channel(self.humidity).sensor).place.map_or("", |place| rules.place(place).name.as_str())
    }
}
