//! Nights in which something breaks.

use super::Right::{self, *};
use super::{ANY_WEATHER, DAY, Kind, MILD, Night, RACK_A, RACK_B, RACK_B_SISTER, TANK};
use crate::faults::Kind as Fault;
use crate::ordinary;
use crate::people::Quirk;
use chrono::TimeDelta;
use traywarden::demo::people::Doing;
use traywarden::demo::plan::Broken;
use traywarden::demo::sensors::Ailment;
use traywarden::engine::alarm::AlarmKind::*;
use traywarden::journal::Did;
use traywarden::units::Timestamp;

const SIX: &[Right] = &[Letters(6)];
const COLD: fn(f64, f64) -> bool = |temperature, _| temperature < 8.0;
const DAMP: fn(f64, f64) -> bool = |_, dew_point| dew_point > 15.0;
const A_NIGHT: TimeDelta = TimeDelta::hours(20);

const fn breaks(name: &'static str, weather: fn(f64, f64) -> bool, happens: fn(&mut Night)) -> Kind {
    Kind { name, days: DAY + 2, weather, happens, right: SIX }
}

/// All of them.
pub const KINDS: &[Kind] = &[
    breaks("heater out on a freezing night", COLD, |night| {
        let mean = night.chance.between(-14.0, -5.0);
        night.outside_mean(mean);
        let at = night.about(20);
        night.breaks_for_good(at, Broken::Heater);
    }),
    breaks("heater out an hour after everybody sleeps", COLD, |night| {
        let mean = night.chance.between(-16.0, -8.0);
        night.outside_mean(mean);
        let at = night.about(23);
        night.breaks_for_good(at, Broken::Heater);
    }),
    breaks("heater out on a mild night", MILD, |night| {
        let at = night.about(20);
        night.breaks_for_good(at, Broken::Heater);
    }),
    breaks("heater out while one rack is blind", COLD, |night| {
        let mean = night.chance.between(-14.0, -6.0);
        night.outside_mean(mean);
        let at = night.about(21);
        night.breaks_for_good(at, Broken::Heater);
        night.draft.devices[RACK_A].troubles.push(ordinary::silent(at - TimeDelta::hours(5), A_NIGHT));
    }),
    breaks("broker dies in a freezing night after the heater", COLD, |night| {
        let mean = night.chance.between(-15.0, -9.0);
        night.outside_mean(mean);
        let at = night.about(23);
        night.breaks_for_good(at, Broken::Heater);
        let dies = at + TimeDelta::minutes(75);
        night.draft.broker_away.push((dies, dies + A_NIGHT));
    }),
    breaks("door left open on a frosty night", COLD, |night| {
        let mean = night.chance.between(-12.0, -2.0);
        night.outside_mean(mean);
        let at = night.about(19);
        night.breaks_for_good(at, Broken::Door);
    }),
    breaks("heater does not go out", ANY_WEATHER, |night| {
        let at = night.about(20);
        night.breaks_for_good(at, Broken::HeaterStuckOn);
        night.breaks_for_good(at, Broken::Cooler);
    }),
    breaks("heater does not go out, from two in the morning", ANY_WEATHER, |night| {
        let at = night.about(26);
        night.breaks_for_good(at, Broken::HeaterStuckOn);
        night.breaks_for_good(at, Broken::Cooler);
    }),
    Kind {
        name: "air cooler dead in thirty-four hours of heat",
        days: DAY + 3,
        weather: |temperature, _| temperature > 24.0,
        happens: |night| {
            let at = night.about(13);
            night.breaks_for_good(at, Broken::Cooler);
        },
        right: &[Letters(12)],
    },
    breaks("lights do not go out", ANY_WEATHER, |night| {
        let at = night.about(20);
        night.breaks_for_good(at, Broken::LightsStuckOn("rack-b".into()));
        night.breaks_for_good(at, Broken::Cooler);
    }),
    breaks("fan out in the evening", ANY_WEATHER, |night| {
        let at = night.about(20);
        night.breaks_for_good(at, Broken::Fan("rack-b".into()));
    }),
    breaks("fan out after midnight in damp weather", DAMP, |night| {
        let at = night.about(24);
        night.breaks_for_good(at, Broken::Fan("rack-b".into()));
        night.breaks_for_good(at, Broken::Dehumidifier);
    }),
    breaks("dehumidifier out in damp weather", DAMP, |night| {
        let at = night.about(17);
        night.breaks_for_good(at, Broken::Dehumidifier);
    }),
    breaks("dehumidifier out in mild weather", MILD, |night| {
        let at = night.about(17);
        night.breaks_for_good(at, Broken::Dehumidifier);
    }),
    Kind {
        name: "three damp days without a dehumidifier",
        days: DAY + 4,
        weather: DAMP,
        happens: |night| {
            let at = night.about(10);
            night.breaks_for_good(at, Broken::Dehumidifier);
        },
        right: &[Letters(10)],
    },
    Kind {
        right: &[Letters(6), ToldWithin(120, LEAK), MayCall(LEAK)],
        ..breaks("tank leaks three liters an hour", MILD, |night| {
            let at = night.about(22);
            night.breaks_for_good(at, Broken::Leak(3.0));
        })
    },
    Kind {
        right: &[Letters(6), ToldWithin(180, LEAK), MayCall(LEAK)],
        ..breaks("tank leaks a liter an hour", MILD, |night| {
            let at = night.about(21);
            night.breaks_for_good(at, Broken::Leak(1.0));
        })
    },
    Kind {
        right: &[Letters(6), ToldWithin(20, LEAK), MayCall(LEAK)],
        ..breaks("a hose bursts, forty liters in four minutes", MILD, |night| {
            let at = night.about(25);
            night.breaks(at, TimeDelta::minutes(4), Broken::Leak(600.0));
        })
    },
    Kind {
        // A call, its three reminders and the digest.
        right: &[Letters(5), ToldWithin(20, LEAK), MayCall(LEAK)],
        ..breaks("ten liters gone in three minutes, by nobody's log", MILD, |night| {
            let at = night.about(21);
            night.breaks(at, TimeDelta::minutes(3), Broken::Leak(200.0));
        })
    },
    Kind {
        right: &[Letters(3), Never(&[ReservoirLeak])],
        ..breaks("tank not filled, dry by the evening", MILD, |night| {
            never_filled(night, night.at(19, 0));
        })
    },
    breaks("tank not filled, dry by the morning", MILD, |night| {
        never_filled(night, night.at(31, 0));
    }),
    Kind {
        // It was called for before; two reminders at most are left of its three.
        right: &[Letters(3), Never(&[ReservoirLeak])],
        ..breaks("tank empty since the day before", MILD, |night| {
            never_filled(night, night.at(7, 0));
            night.begins(night.at(12, 0));
        })
    },
    breaks("two rounds of water left out", MILD, |night| {
        let (from, until) = (night.at(18, 30), night.at(18, 30) + TimeDelta::hours(20));
        night.begins(from);
        night.draft.people.quirks.push(Quirk::NoWater(from - TimeDelta::hours(12), until));
    }),
    Kind {
        name: "nobody waters for three days",
        days: DAY + 4,
        weather: MILD,
        happens: |night| {
            let from = night.at(6, 30);
            night.begins(from);
            night.draft.people.quirks.push(Quirk::NoWater(from, from + TimeDelta::days(4)));
        },
        right: &[Letters(8)],
    },
    Kind {
        right: &[NobodyWoken, ToldBeforeSleep(SILENT), Letters(3)],
        ..breaks("all radios dead from eight in the evening", MILD, |night| {
            let at = night.about(19);
            for sensor in [RACK_A, RACK_B, RACK_B_SISTER, TANK] {
                night.silent(sensor, at, A_NIGHT);
            }
        })
    },
    Kind {
        right: &[NobodyWoken, ToldBeforeSleep(SILENT), Letters(3)],
        ..breaks("broker away from eight in the evening", MILD, |night| {
            let at = night.about(19);
            night.begins(at);
            night.draft.broker_away.push((at, at + A_NIGHT));
        })
    },
    Kind {
        right: &[NobodyWoken, ToldWithin(12 * 60, SILENT), Letters(2)],
        ..breaks("broker away from one in the morning", MILD, |night| {
            let at = night.about(25);
            night.begins(at);
            night.draft.broker_away.push((at, at + A_NIGHT));
        })
    },
    Kind {
        right: &[NobodyWoken, ToldWithin(16 * 60, SILENT), Letters(3)],
        ..breaks("the only sensor of a rack dead from six in the evening", MILD, |night| {
            let at = night.about(17);
            night.silent(RACK_A, at, A_NIGHT);
        })
    },
    Kind {
        right: &[NobodyWoken, ToldWithin(12 * 60, SILENT), Letters(2)],
        ..breaks("the only sensor of a rack dead from one in the morning", MILD, |night| {
            let at = night.about(25);
            night.silent(RACK_A, at, A_NIGHT);
        })
    },
    Kind {
        right: &[NobodyCalled, ToldWithin(20 * 60, SILENT), Letters(1)],
        ..breaks("one of two sensors dead", MILD, |night| {
            let at = night.about(17);
            night.silent(RACK_B_SISTER, at, A_NIGHT);
        })
    },
    Kind {
        right: &[NobodyWoken, ToldWithin(20 * 60, SILENT), Letters(3)],
        ..breaks("gauge dead from six in the evening", MILD, |night| {
            let at = night.about(17);
            night.silent(TANK, at, A_NIGHT);
        })
    },
    Kind {
        right: &[Letters(10)],
        ..breaks("heater out, and later a leak", COLD, |night| {
            let mean = night.chance.between(-14.0, -6.0);
            night.outside_mean(mean);
            let at = night.about(21);
            night.breaks_for_good(at, Broken::Heater);
            night.breaks_for_good(at + TimeDelta::hours(4), Broken::Leak(4.0));
        })
    },
    Kind {
        right: &[NobodyCalled, ToldWithin(25 * 60, &[SensorImplausible, SensorDrift]), Letters(2)],
        ..breaks("a sensor begins to speak Fahrenheit", MILD, |night| {
            let at = night.about(20);
            night.fault(Fault::SwappedUnits, at);
        })
    },
    Kind {
        right: &[NobodyCalled, Letters(2)],
        ..breaks("a sensor with a sister sticks", MILD, |night| {
            let at = night.about(18);
            night.ails(RACK_B, at, TimeDelta::days(9), Ailment::Stuck);
        })
    },
    Kind {
        right: &[NobodyCalled, Letters(2)],
        ..breaks("one of two sensors spikes, one reading in three", MILD, |night| {
            let at = night.about(18);
            night.ails(RACK_B, at, TimeDelta::days(9), Ailment::Spikes { one_in: 3 });
        })
    },
    Kind {
        name: "one of two sensors drifts",
        days: DAY + 4,
        weather: MILD,
        happens: |night| {
            let at = night.about(12);
            let humidity = night.chance.between(3.0, 7.0);
            night.ails(RACK_B, at, TimeDelta::days(9), Ailment::Drift { temperature: 1.0, humidity });
        },
        right: &[NobodyCalled, Letters(5)],
    },
];

const LEAK: &[traywarden::engine::alarm::AlarmKind] = &[ReservoirLeak, ReservoirLow, ReservoirEmpty];
const SILENT: &[traywarden::engine::alarm::AlarmKind] = &[SensorSilent, BrokerLost];

/// Nobody fills the tank, and it began with what is watered until the middle of a round.
fn never_filled(night: &mut Night, round: Timestamp) {
    let until = round + TimeDelta::hours(3);
    let from = night.draft.starts_at;
    night.draft.people.quirks.push(Quirk::NoRefill(from - TimeDelta::days(30), from + TimeDelta::days(99)));
    let people = &night.draft.people;
    let (actions, _) = people.actions(from.date_naive(), until.date_naive() + TimeDelta::days(1));
    let count = |tray: &Option<String>| {
        people.lives.iter().find(|life| Some(&life.tray) == tray.as_ref()).map_or(0.0, |life| f64::from(life.count))
    };
    let watered: f64 = actions
        .iter()
        .filter(|action| from <= action.at && action.at < until)
        .map(|action| match &action.doing {
            Doing::Did(Did::Water { target, ml_per_tray: Some(ml) }) => {
                let share = if action.at < round { 1.0 } else { 0.5 };
                share * ml * count(&target.tray) / 1000.0
            }
            _ => 0.0,
        })
        .sum();
    let tank = &mut night.draft.plan.tank;
    tank.litres = tank.length * tank.width / 1e6 * tank.pump_inlet + watered;
    let at = night.at(9, 0);
    night.begins(at);
}
