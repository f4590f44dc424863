//! The ordinary life of a room: radios that drop out, a router and a broker that restart,
//! batteries, cleaning, deliveries, late rounds and forgotten entries, a gauge that scatters.
//! None of it is a fault, and most of it heals by itself. How often each comes is our own
//! range, no source.

use crate::people::{Lapses, Quirk};
use chrono::{TimeDelta, Timelike};
use traywarden::demo::plan::TIME_ZONE;
use traywarden::demo::sensors::{Ailment, Device, Measures, SensorTrouble};
use traywarden::journal::Did;
use traywarden::random::SplitMix64;
use traywarden::units::Timestamp;

/// Rounds and entries as they go in a usual room.
pub const LAPSES: Lapses =
    Lapses { late: 0.12, left_out: 0.02, typed_late: 0.08, never_typed: 0.015, filled_unannounced: 0.1 };

/// Lets an ordinary life happen to devices and people; gives the spans without a broker.
pub fn live(
    seed: u64,
    span: (Timestamp, Timestamp),
    devices: &mut [Device],
    quirks: &mut Vec<Quirk>,
) -> Vec<(Timestamp, Timestamp)> {
    for device in devices.iter_mut() {
        let mut chance = SplitMix64::for_part(seed, &format!("outages of {}", device.id));
        each(&mut chance, span, 40.0, |at, chance| device.troubles.push(silent(at, outage(chance))));
        if let Measures::Distance(_) = device.measures {
            // A rim, a drop on the membrane, a hand: an echo that is none.
            let one_in = 150 + (chance.whole() % 450) as u32;
            device.troubles.push(SensorTrouble { from: span.0, until: span.1, what: Ailment::Spikes { one_in } });
        } else {
            each(&mut chance, span, 45.0 * 24.0, |at, chance| {
                let dead = TimeDelta::minutes(chance.between(3.0, 15.0) as i64);
                device.troubles.push(silent(at, dead));
                let until = at + dead + device.every;
                let what = Ailment::FaultCodes { one_in: 1 };
                device.troubles.push(SensorTrouble { from: at + dead, until, what });
            });
        }
    }
    clean(seed, span, devices);
    let mut away = Vec::new();
    let mut chance = SplitMix64::for_part(seed, "links");
    each(&mut chance, span, 10.0 * 24.0, |at, chance| {
        // A router takes all radios with it, and the broker if that is not on our machine.
        let dead = TimeDelta::seconds(chance.between(50.0, 260.0) as i64);
        let broker_too = chance.one_in(2);
        restart(devices, chance, at, dead, broker_too.then_some(&mut away));
    });
    each(&mut chance, span, 14.0 * 24.0, |at, chance| {
        let dead = TimeDelta::seconds(chance.between(4.0, 50.0) as i64);
        restart(devices, chance, at, dead, Some(&mut away));
    });
    let by_day = |at: Timestamp| (9..18).contains(&at.with_timezone(&TIME_ZONE).hour());
    each(&mut chance, span, 36.0, |at, chance| {
        if by_day(at) {
            quirks.push(Quirk::DoorOpen(at, TimeDelta::minutes(chance.between(5.0, 35.0) as i64)));
        }
    });
    each(&mut chance, span, 96.0, |at, chance| {
        let litres = Some(chance.between(3.0, 12.0).round());
        if by_day(at) {
            quirks.push(Quirk::Untyped(at, Did::Refill { reservoir: Some("tank".into()), litres }));
        }
    });
    away.sort_unstable();
    // A broker that is away twice at once is away.
    away.dedup_by(|next, before| {
        let overlaps = next.0 <= before.1;
        before.1 = if overlaps { before.1.max(next.1) } else { before.1 };
        overlaps
    });
    away
}

/// All radios silent for a while, each back within a minute and a half.
pub fn restart(
    devices: &mut [Device],
    chance: &mut SplitMix64,
    at: Timestamp,
    dead: TimeDelta,
    broker: Option<&mut Vec<(Timestamp, Timestamp)>>,
) {
    for device in devices {
        let back = TimeDelta::seconds(chance.between(2.0, 90.0) as i64);
        device.troubles.push(silent(at, dead + back));
    }
    if let Some(away) = broker {
        away.push((at, at + dead));
    }
}

/// A radio that says nothing.
pub fn silent(from: Timestamp, span: TimeDelta) -> SensorTrouble {
    SensorTrouble { from, until: from + span, what: Ailment::Silent }
}

/// How long one outage of one radio lasts: seconds to twenty minutes, evenly by order of
/// magnitude; one in twelve half an hour to an hour and a quarter.
fn outage(chance: &mut SplitMix64) -> TimeDelta {
    let short = 10.0 * 120_f64.powf(chance.between(0.0, 1.0));
    let long = chance.between(1800.0, 4500.0);
    TimeDelta::seconds(if chance.one_in(12) { long } else { short } as i64)
}

/// At a morning round, now and then, a sensor is unplugged while its shelf is wiped.
fn clean(seed: u64, span: (Timestamp, Timestamp), devices: &mut [Device]) {
    let mut chance = SplitMix64::for_part(seed, "cleaning");
    let air = devices.iter().filter(|device| matches!(device.measures, Measures::TrueAir(_))).count() as u64;
    let mut at = span.0 + TimeDelta::minutes(75);
    while at < span.1 {
        if air > 0 && chance.one_in(12) {
            let which = (chance.whole() % air) as usize;
            let length = TimeDelta::minutes(chance.between(10.0, 60.0) as i64);
            devices[which].troubles.push(silent(at, length));
        }
        at += TimeDelta::days(1);
    }
}

/// Events so many hours apart on average, each at its own chance.
fn each(
    chance: &mut SplitMix64,
    span: (Timestamp, Timestamp),
    hours: f64,
    mut happens: impl FnMut(Timestamp, &mut SplitMix64),
) {
    let mut at = span.0;
    loop {
        // Waiting times of events that know nothing of each other are exponential.
        let wait = -hours * (1.0 - chance.between(0.0, 1.0)).ln();
        at += TimeDelta::seconds((wait * 3600.0) as i64);
        if at >= span.1 {
            return;
        }
        happens(at, chance);
    }
}

#[test]
fn a_radio_drops_out_several_times_a_week_and_seldom_for_long() {
    let from = crate::people::local(chrono::NaiveDate::from_ymd_opt(2026, 3, 2).expect("a date"), 6, 0);
    let weeks = 100;
    let air = Device {
        id: "rack-a-air".into(),
        topic: "loft/rack-a-air".into(),
        measures: Measures::TrueAir(0),
        every: TimeDelta::seconds(60),
        stamped: false,
        troubles: Vec::new(),
    };
    let mut devices = vec![air];
    let away = live(1, (from, from + TimeDelta::weeks(weeks)), &mut devices, &mut Vec::new());
    let silent = devices[0].troubles.iter().filter(|trouble| matches!(trouble.what, Ailment::Silent));
    let minutes: Vec<i64> = silent.map(|trouble| (trouble.until - trouble.from).num_minutes()).collect();
    let a_week = minutes.len() as f64 / weeks as f64;
    assert!((4.0..9.0).contains(&a_week), "{a_week} outages a week");
    let long = minutes.iter().filter(|minutes| **minutes > 25).count() as f64 / minutes.len() as f64;
    assert!((0.05..0.3).contains(&long), "a share of {long} is longer than 25 minutes");
    assert!(minutes.iter().all(|minutes| *minutes <= 75));
    assert!(away.windows(2).all(|pair| pair[0].1 < pair[1].0), "the broker goes before it is back");
}
