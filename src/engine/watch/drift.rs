//! The watch over sisters: sensors that share a place's air and slowly stop agreeing.
//! Which of two is wrong cannot be known from here; the alarm says so and asks for a
//! third opinion.

use crate::alarm::Condition;
use crate::alarm::{AlarmKind, Evidence};
use crate::reading::{ChannelId, Quantity, SensorId};
use crate::rules::{Channel, Rules};
use crate::watch::seen::{Judged, Seen, Subject};
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;

/// Differences are averaged over about this long, so that a door or a lamp is no drift. Own default.
const AVERAGED_HOURS: f64 = 12.0;
/// Two spots of one rack differ by this much in truth: kelvin, per cent. Own defaults.
const TRUE_TEMPERATURE_DIFFERENCE: f64 = 1.5;
const TRUE_HUMIDITY_DIFFERENCE: f64 = 3.0;

/// One pair of sisters.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct DriftWatch {
    place: String,
    first: ChannelId,
    second: ChannelId,
    limit: f64,
    mean: f64,
    hours: f64,
}

/// Every pair of neighbours in the config that measure the same in one place.
pub fn watches(rules: &Rules) -> Vec<DriftWatch> {
    let mut watches: Vec<DriftWatch> = Vec::new();
    for (index, second) in rules.channels.iter().enumerate() {
        let Some(place) = rules.sensor(second.sensor).place else {
            continue;
        };
        let of_air = |channel: &Channel| rules.sensor(channel.sensor).surface.is_none();
        let peer = rules.channels[..index].iter().rposition(|first| {
            first.quantity == second.quantity
                && first.sensor != second.sensor
                && rules.sensor(first.sensor).place == Some(place)
                && of_air(first)
                && of_air(second)
        });
        if let Some(first) = peer {
            let truly = match second.quantity {
                Quantity::Temperature => TRUE_TEMPERATURE_DIFFERENCE,
                Quantity::Humidity => TRUE_HUMIDITY_DIFFERENCE,
                // Two gauges in one tank stand in the same water.
                Quantity::Distance | Quantity::Depth | Quantity::Volume | Quantity::Filling => 0.0,
            };
            watches.push(DriftWatch {
                place: rules.place(place).name.clone(),
                first: ChannelId(first as u16),
                second: ChannelId(index as u16),
                // Both may be off by their accuracy, in opposite directions.
                limit: rules.channels[first].accuracy + second.accuracy + truly,
                mean: 0.0,
                hours: 0.0,
            });
        }
    }
    watches
}

impl DriftWatch {
    /// The sensor the alarm is filed under: the later one in the config.
    fn subject(&self, rules: &Rules) -> SensorId {
        rules.channel(self.second).sensor
    }

    /// What the two report.
    fn channels(&self) -> [ChannelId; 2] {
        [self.first, self.second]
    }

    /// Looks at one minute.
    fn minute(&mut self, seen: &Seen<'_>, held: bool) -> Condition {
        let rules = seen.rules;
        let Some((first, second)) = seen.fresh(self.first).zip(seen.fresh(self.second)) else {
            return Condition::Unknown;
        };
        self.hours = (self.hours + 1.0 / 60.0).min(AVERAGED_HOURS);
        let weight = (1.0 / 60.0) / self.hours;
        self.mean += (second - first - self.mean) * weight;
        let limit = if held { self.limit / 2.0 } else { self.limit };
        if self.hours < AVERAGED_HOURS || self.mean.abs() <= limit {
            return Condition::Absent;
        }
        let evidence = Evidence::Drift {
            place: self.place.clone(),
            peer: rules.sensor(rules.channel(self.first).sensor).id.clone(),
            quantity: rules.channel(self.second).quantity,
            difference: self.mean,
        };
        Condition::Present { harm: None, evidence }
    }
}

/// Judges every pair. A sensor with two sisters, or two quantities, has one alarm: the first
/// pair that drifts.
pub(crate) fn minute(pairs: &mut [DriftWatch], seen: &Seen<'_>, judged: &mut Vec<Judged>) {
    let mut found: BTreeMap<&str, (SensorId, Condition)> = BTreeMap::new();
    for pair in pairs {
        let sensor = pair.subject(seen.rules);
        let subject = seen.rules.sensor(sensor).id.as_str();
        let held = seen.alarms.is_held(AlarmKind::SensorDrift, subject);
        // At the top of its scale, and while it recovers, a hygrometer cannot agree with anybody.
        let pinned = |id: ChannelId| !seen.judge(id).pinned(seen.at).tells_of_the_air();
        let condition =
            if pair.channels().into_iter().any(pinned) { Condition::Unknown } else { pair.minute(seen, held) };
        match found.get(subject) {
            Some((_, Condition::Present { .. })) => {}
            Some(_) if condition == Condition::Unknown => {}
            _ => {
                found.insert(subject, (sensor, condition));
            }
        }
    }
    let found = found.into_values();
    judged.extend(found.map(|(sensor, found)| Judged::of(Subject::Sensor(sensor), (AlarmKind::SensorDrift, found))));
}
