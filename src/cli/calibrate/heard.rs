//! What a sensor said while it lay in a jar: the hour before a moment, from the store, as
//! the device sent it. A humidity the settings correct already would be corrected twice.

use super::bench::Bench;
use super::refusals;
use crate::cli::{Failure, show};
use crate::engine::event::What;
use crate::engine::quality::stillness::{NotSettled, Settled, Stillness, settled};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// An hour in which humidity and temperature stood still.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hour {
    /// When it began.
    pub from: Timestamp,
    /// When it ended.
    pub until: Timestamp,
    /// As sent, per cent.
    pub humidity: Settled,
    /// As believed, Celsius; `None`: the sensor measures none.
    pub temperature: Option<Settled>,
}

/// Beyond these no hygrometer reads; such values are codes for "not connected".
const SENSIBLE: std::ops::RangeInclusive<f64> = 1.0..=105.0;

/// How far back the last still hour is looked for, and in what steps.
const LOOKED_BACK: TimeDelta = TimeDelta::hours(24);
const STEP: TimeDelta = TimeDelta::minutes(10);

/// The hour before `until`. Refused while the sensor still moves; then the last hour in which
/// it stood still is named, for the grower to say whether that was in the jar.
pub(super) fn hour(bench: &Bench<'_>, until: Timestamp) -> Result<Hour, Failure> {
    exactly(bench, until).map_err(|refused| {
        let steps = 1..=LOOKED_BACK.num_minutes() / STEP.num_minutes();
        let earlier = steps.map(|step| until - STEP * step as i32).find_map(|then| exactly(bench, then).ok());
        match earlier {
            Some(hour) => {
                let site = &bench.config.rules.site;
                let local = hour.until.with_timezone(&site.time_zone);
                Failure::Sentence(format!(
                    "{refused}. It last stood still from {} to {}, at {:.1} %: if that was in the jar, write \
                     SALT@\"{}\"",
                    show::local(site, hour.from),
                    show::local(site, hour.until),
                    hour.humidity.value,
                    local.format("%Y-%m-%d %H:%M")
                ))
            }
            None => refused,
        }
    })
}

/// The hour before `until`, and no other.
pub(super) fn exactly(bench: &Bench<'_>, until: Timestamp) -> Result<Hour, Failure> {
    let Some(reader) = &bench.reader else {
        let path = bench.config.store.path.display();
        let why = format!("there is no store at {path} to read from; type the reading: --point NaCl=74.1");
        return Err(Failure::Sentence(why));
    };
    let from = until - TimeDelta::hours(1);
    let rules = &bench.config.rules;
    let (mut humidity, mut temperature) = (Vec::new(), Vec::new());
    reader.events(from, until, |event| {
        let What::Reading(raw) = event.what else { return };
        let hours = (event.at - from).num_milliseconds() as f64 / 3_600_000.0;
        if raw.retained {
            return;
        }
        if raw.channel == bench.humidity && SENSIBLE.contains(&raw.value()) {
            humidity.push((hours, raw.value()));
        } else if Some(raw.channel) == bench.temperature {
            let channel = rules.channel(raw.channel);
            temperature.push((hours, raw.value() * channel.gain + channel.offset));
        }
    })?;
    let refused = |what: &'static str| {
        move |error: NotSettled| {
            let span = format!("{} to {}", show::local(&rules.site, from), show::local(&rules.site, until));
            Failure::Sentence(format!("{what} of {}, {span}: {}", bench.sensor, refusals::hour(&error)))
        }
    };
    let humidity = settled(&humidity, Stillness::HUMIDITY).map_err(refused("the humidity"))?;
    let temperature = match bench.temperature {
        Some(_) => Some(settled(&temperature, Stillness::TEMPERATURE).map_err(refused("the temperature"))?),
        None => None,
    };
    Ok(Hour { from, until, humidity, temperature })
}
