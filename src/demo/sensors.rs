//! From truth to messages: each device has noise, a resolution, an interval
//! with jitter, and troubles by schedule. What really is comes from `room`; who
//! listens is not known here.

use super::room::{TrueAir, Truth};
use crate::random::SplitMix64;
use crate::units::Timestamp;
use chrono::{SecondsFormat, TimeDelta};

/// One MQTT message, as a broker would hand it on at `at`.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// When it reaches the broker.
    pub at: Timestamp,
    /// Its topic.
    pub topic: String,
    /// Its bytes; not always text.
    pub payload: Vec<u8>,
    /// The broker held it from before.
    pub retained: bool,
}

/// A device that publishes.
#[derive(Clone, Debug)]
pub struct Device {
    /// The id in the config.
    pub id: String,
    /// Where it publishes.
    pub topic: String,
    /// What it measures.
    pub measures: Measures,
    /// How often it speaks.
    pub every: TimeDelta,
    /// Whether its messages carry the time of measuring.
    pub stamped: bool,
    /// What goes wrong with it.
    pub troubles: Vec<SensorTrouble>,
}

/// What a device measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measures {
    /// The air of a place, by its index in the room's plan: a JSON object.
    TrueAir(usize),
    /// The temperature of a surface in a place, by its index, so many thousandths of the way from
    /// its air to the outside: a JSON object.
    Surface(usize, u32),
    /// The distance down to the water from this many millimetres above the floor: a bare number.
    Distance(u32),
}

/// Something wrong with a device, from a moment until another.
#[derive(Clone, Debug)]
pub struct SensorTrouble {
    /// When it begins.
    pub from: Timestamp,
    /// When it is over.
    pub until: Timestamp,
    /// In which way the device is wrong meanwhile.
    pub what: Ailment,
}

/// What can be wrong with a device.
#[derive(Clone, Debug)]
pub enum Ailment {
    /// The radio is dead.
    Silent,
    /// It repeats the first value of the trouble.
    Stuck,
    /// One reading in `one_in` is off by 15 K and 30 % (or 120 mm).
    Spikes {
        /// Every how many readings, on average.
        one_in: u32,
    },
    /// One reading in `one_in` is a probe's word for trouble: 85 C, -127 C, or no echo.
    FaultCodes {
        /// Every how many readings, on average.
        one_in: u32,
    },
    /// It wanders off.
    Drift {
        /// Kelvin a day.
        temperature: f64,
        /// Per cent relative humidity a day.
        humidity: f64,
    },
    /// One message in `one_in` is no reading at all.
    Garbage {
        /// Every how many messages, on average.
        one_in: u32,
    },
    /// Every message comes twice.
    Twice,
    /// No link; what was measured comes in one burst when the trouble is over.
    Backlog,
    /// Its clock is off by this much.
    ClockOff(TimeDelta),
    /// At the beginning the broker hands out a value held from an earlier time.
    Held(TrueAir),
}

/// A device at work: its luck and what it remembers.
#[derive(Clone, Debug)]
pub struct RoomSensor {
    device: Device,
    random: SplitMix64,
    due: Timestamp,
    offset: (f64, f64),
    wander: (f64, f64),
    stuck: Option<(f64, f64)>,
    held_back: Vec<(Timestamp, (f64, f64))>,
    held_given: bool,
}

impl RoomSensor {
    /// A device switched on at `start`. Its offset from the truth is drawn once.
    pub fn new(device: Device, start: Timestamp, seed: u64) -> Self {
        let mut random = SplitMix64::for_part(seed, &device.id);
        let due = start + fraction(device.every, random.between(0.05, 0.95));
        let offset = (0.15 * random.bell(), 0.8 * random.bell());
        RoomSensor {
            device,
            random,
            due,
            offset,
            wander: (0.0, 0.0),
            stuck: None,
            held_back: Vec::new(),
            held_given: false,
        }
    }

    /// The device and its troubles.
    pub fn device(&self) -> &Device {
        &self.device
    }

    /// Everything it publishes before `until`, judged by the truth of now.
    pub fn publish(&mut self, truth: &Truth, until: Timestamp) -> Vec<Message> {
        let mut reported = Vec::from_iter(self.held_by_the_broker(until));
        reported.extend(self.burst(until));
        while self.due < until {
            let at = self.due;
            let value = self.measure(truth, at);
            reported.extend(self.say(at, value));
            self.due = at + fraction(self.device.every, self.random.between(0.97, 1.03));
        }
        reported
    }

    fn active(&self, at: Timestamp, what: impl Fn(&Ailment) -> bool) -> Option<&SensorTrouble> {
        self.device.troubles.iter().find(|t| t.from <= at && at < t.until && what(&t.what))
    }

    /// Truth, offset, slow wander, noise, drift, stuck: in this order, so that
    /// a trouble never changes the luck of the readings after it.
    fn measure(&mut self, truth: &Truth, at: Timestamp) -> (f64, f64) {
        let noise = (self.random.bell(), self.random.bell());
        self.wander.0 += -0.02 * self.wander.0 + 0.025 * self.random.bell();
        self.wander.1 += -0.02 * self.wander.1 + 0.12 * self.random.bell();
        let mut value = match self.device.measures {
            Measures::TrueAir(place) => (
                truth.places[place].temperature + self.offset.0 + self.wander.0 + 0.06 * noise.0,
                truth.places[place].humidity + self.offset.1 + self.wander.1 + 0.35 * noise.1,
            ),
            Measures::Surface(place, thousandths) => {
                let air = truth.places[place].temperature;
                let surface = air - f64::from(thousandths) / 1000.0 * (air - truth.outside);
                (surface + self.offset.0 + self.wander.0 + 0.06 * noise.0, 0.0)
            }
            Measures::Distance(height) => (f64::from(height) - truth.tank_depth + 0.6 * noise.0, 0.0),
        };
        if let Some(trouble) = self.active(at, |a| matches!(a, Ailment::Drift { .. }))
            && let Ailment::Drift { temperature, humidity } = trouble.what
        {
            let days = (at - trouble.from).num_seconds() as f64 / 86_400.0;
            value = (value.0 + temperature * days, value.1 + humidity * days);
        }
        value.1 = value.1.clamp(0.0, 100.0);
        if self.active(at, |a| matches!(a, Ailment::Stuck)).is_some() {
            value = *self.stuck.get_or_insert(value);
        } else {
            self.stuck = None;
        }
        value
    }

    fn say(&mut self, at: Timestamp, mut value: (f64, f64)) -> Vec<Message> {
        let spike = self.rare(at, |a| if let Ailment::Spikes { one_in } = a { Some(*one_in) } else { None });
        let fault = self.rare(at, |a| if let Ailment::FaultCodes { one_in } = a { Some(*one_in) } else { None });
        let garbage = self.rare(at, |a| if let Ailment::Garbage { one_in } = a { Some(*one_in) } else { None });
        let which = self.random.whole() as usize;
        let air = !matches!(self.device.measures, Measures::Distance(_));
        if spike {
            let sign = if which.is_multiple_of(2) { 1.0 } else { -1.0 };
            value = if air {
                (value.0 + sign * 15.0, (value.1 + sign * 30.0).clamp(0.0, 100.0))
            } else {
                (value.0 + sign * 120.0, 0.0)
            };
        }
        if fault {
            value = if air { ([85.0, -127.0][which % 2], [0.0, 100.0][which % 2]) } else { (0.0, 0.0) };
        }
        if self.active(at, |a| matches!(a, Ailment::Silent)).is_some() {
            return Vec::new();
        }
        if self.active(at, |a| matches!(a, Ailment::Backlog)).is_some() {
            self.held_back.push((at, value));
            return Vec::new();
        }
        let payload = if garbage { GARBAGE[which % GARBAGE.len()].to_vec() } else { self.payload(at, value) };
        let message = self.message(at, payload, false);
        if self.active(at, |a| matches!(a, Ailment::Twice)).is_some() {
            let again = Message { at: at + TimeDelta::milliseconds(40), ..message.clone() };
            return vec![message, again];
        }
        vec![message]
    }

    fn rare(&mut self, at: Timestamp, of: impl Fn(&Ailment) -> Option<u32>) -> bool {
        let one_in = self.active(at, |a| of(a).is_some()).and_then(|trouble| of(&trouble.what));
        one_in.is_some_and(|n| self.random.one_in(n))
    }

    /// When the link is back, all that was held back comes 20 ms apart.
    fn burst(&mut self, until: Timestamp) -> Vec<Message> {
        let back = self.device.troubles.iter().find(|t| {
            matches!(t.what, Ailment::Backlog)
                && t.until <= until
                && self.held_back.first().is_some_and(|h| h.0 >= t.from)
        });
        let Some(back) = back.map(|trouble| trouble.until) else { return Vec::new() };
        let held = std::mem::take(&mut self.held_back);
        held.into_iter()
            .zip(0..)
            .map(|((measured_at, value), place)| {
                let payload = self.payload(measured_at, value);
                self.message(back + TimeDelta::milliseconds(20 * place), payload, false)
            })
            .collect()
    }

    fn held_by_the_broker(&mut self, until: Timestamp) -> Option<Message> {
        if self.held_given {
            return None;
        }
        let held = self.device.troubles.iter().find_map(|t| match t.what {
            Ailment::Held(air) if t.from < until => Some((t.from, air)),
            _ => None,
        });
        let (at, air) = held?;
        self.held_given = true;
        Some(self.message(at, self.payload(at - TimeDelta::days(9), (air.temperature, air.humidity)), true))
    }

    fn payload(&self, measured_at: Timestamp, value: (f64, f64)) -> Vec<u8> {
        let text = match self.device.measures {
            Measures::Distance(_) => format!("{:.0}", value.0.max(0.0)),
            Measures::Surface(..) => format!("{{\"temperature\":{:.1}}}", value.0),
            Measures::TrueAir(_) => {
                let readings = format!("\"temperature\":{:.1},\"humidity\":{:.1}", value.0, value.1);
                if self.device.stamped {
                    let stamp =
                        (measured_at + self.clock_error(measured_at)).to_rfc3339_opts(SecondsFormat::Secs, true);
                    format!("{{{readings},\"time\":\"{stamp}\"}}")
                } else {
                    format!("{{{readings}}}")
                }
            }
        };
        text.into_bytes()
    }

    fn clock_error(&self, at: Timestamp) -> TimeDelta {
        match self.active(at, |a| matches!(a, Ailment::ClockOff(_))).map(|t| &t.what) {
            Some(Ailment::ClockOff(by)) => *by,
            _ => TimeDelta::zero(),
        }
    }

    fn message(&self, at: Timestamp, payload: Vec<u8>, retained: bool) -> Message {
        Message { at, topic: self.device.topic.clone(), payload, retained }
    }
}

fn fraction(span: TimeDelta, share: f64) -> TimeDelta {
    TimeDelta::milliseconds((span.num_milliseconds() as f64 * share) as i64)
}

/// What a dying radio or a confused firmware sends instead of a reading.
const GARBAGE: [&[u8]; 10] = [
    b"",
    b"{\"temperature\":21.",
    b"{\"temperature\":NaN,\"humidity\":NaN}",
    b"{\"temperature\":null,\"humidity\":null}",
    b"rebooting, reason 4",
    b"{\"error\":\"bus timeout\"}",
    b"21,5;56,0",
    b"\x00\x00\x00\x00",
    b"{\"temperature\":1e308,\"humidity\":-4}",
    b"\xa1\x61t\xf9\x4d\x60",
];

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeZone;

    fn start() -> Timestamp {
        chrono::Utc.with_ymd_and_hms(2026, 3, 3, 23, 0, 0).single().expect("a real instant")
    }

    fn truth(at: Timestamp) -> Truth {
        let air = TrueAir { temperature: 21.0, humidity: 56.0 };
        Truth {
            at,
            outside: 4.0,
            loft: air,
            places: vec![air],
            tank_litres: 18.0,
            tank_depth: 150.0,
            leaked: 0.0,
            drawn: 0.0,
            driest_ml: None,
        }
    }

    fn air_sensor(stamped: bool, what: Option<Ailment>) -> RoomSensor {
        let troubles = what
            .map(|what| SensorTrouble {
                from: start() + TimeDelta::minutes(10),
                until: start() + TimeDelta::minutes(20),
                what,
            })
            .into_iter()
            .collect();
        let device = Device {
            id: "rack-a-air".into(),
            topic: "loft/rack-a/air".into(),
            measures: Measures::TrueAir(0),
            every: TimeDelta::seconds(30),
            stamped,
            troubles,
        };
        RoomSensor::new(device, start(), 11)
    }

    fn half_an_hour(mut sensor: RoomSensor) -> Vec<Message> {
        (1..=60)
            .flat_map(|step| {
                let until = start() + TimeDelta::seconds(30 * step);
                sensor.publish(&truth(until - TimeDelta::seconds(30)), until)
            })
            .collect()
    }

    fn within(messages: &[Message], from: i64, until: i64) -> Vec<&Message> {
        let (from, until) = (start() + TimeDelta::minutes(from), start() + TimeDelta::minutes(until));
        messages.iter().filter(|m| from <= m.at && m.at < until).collect()
    }

    #[test]
    fn a_healthy_device_speaks_on_time_and_near_the_truth() {
        let reported = half_an_hour(air_sensor(false, None));
        assert!((58..=62).contains(&reported.len()), "{}", reported.len());
        for message in &reported {
            let value: serde_json::Value = serde_json::from_slice(&message.payload).expect("json");
            assert!((value["temperature"].as_f64().expect("a number") - 21.0).abs() < 1.5);
            assert!((value["humidity"].as_f64().expect("a number") - 56.0).abs() < 6.0);
        }
    }

    #[test]
    fn a_probe_on_a_surface_lies_between_the_air_and_the_outside() {
        let device = Device { measures: Measures::Surface(0, 250), ..air_sensor(false, None).device };
        for message in half_an_hour(RoomSensor::new(device, start(), 3)) {
            let value: serde_json::Value = serde_json::from_slice(&message.payload).expect("json");
            // A quarter of the way from 21 to 4 °C.
            assert!((value["temperature"].as_f64().expect("a number") - 16.75).abs() < 1.5, "{value}");
            assert!(value.get("humidity").is_none());
        }
    }

    #[test]
    fn each_seed_has_its_own_noise_under_the_same_truth() {
        let device = air_sensor(false, None).device;
        let reported = |seed| half_an_hour(RoomSensor::new(device.clone(), start(), seed));
        assert_eq!(reported(1), reported(1));
        assert_ne!(reported(1), reported(2));
    }

    #[test]
    fn a_silent_device_says_nothing_until_it_is_mended() {
        let reported = half_an_hour(air_sensor(false, Some(Ailment::Silent)));
        assert!(within(&reported, 10, 20).is_empty());
        assert!(within(&reported, 20, 30).len() >= 18);
    }

    #[test]
    fn a_stuck_device_repeats_itself() {
        let reported = half_an_hour(air_sensor(false, Some(Ailment::Stuck)));
        let stuck = within(&reported, 10, 20);
        assert!(stuck.iter().all(|m| m.payload == stuck[0].payload));
        let free = within(&reported, 20, 30);
        assert!(free.iter().any(|m| m.payload != free[0].payload));
    }

    #[test]
    fn a_trouble_does_not_change_the_readings_after_it() {
        let healthy = half_an_hour(air_sensor(false, None));
        let silent = half_an_hour(air_sensor(false, Some(Ailment::Silent)));
        assert_eq!(within(&healthy, 20, 30), within(&silent, 20, 30));
    }

    #[test]
    fn a_backlog_comes_in_one_burst_with_the_times_of_measuring() {
        let reported = half_an_hour(air_sensor(true, Some(Ailment::Backlog)));
        assert!(within(&reported, 10, 20).is_empty());
        let burst: Vec<_> =
            reported.iter().filter(|m| (m.at - start() - TimeDelta::minutes(20)) < TimeDelta::seconds(1)).collect();
        assert!(burst.len() > 30, "before and during: {}", burst.len());
        let first = within(&reported, 20, 21)[0];
        let value: serde_json::Value = serde_json::from_slice(&first.payload).expect("json");
        let measured: Timestamp = value["time"].as_str().expect("text").parse().expect("RFC 3339");
        assert!(measured < start() + TimeDelta::minutes(11), "{measured}");
    }

    #[test]
    fn garbage_is_never_a_pair_of_believable_numbers() {
        let reported = half_an_hour(air_sensor(false, Some(Ailment::Garbage { one_in: 1 })));
        let garbage = within(&reported, 10, 20);
        assert!(garbage.len() >= 18);
        for message in garbage {
            let value: serde_json::Value = serde_json::from_slice(&message.payload).unwrap_or_default();
            let believable = value["temperature"].as_f64().is_some_and(|t| t.abs() < 60.0);
            assert!(!believable, "{:?}", String::from_utf8_lossy(&message.payload));
        }
    }
}
