//! Nights in which nothing breaks, though it may look like it.

use super::Right::{self, *};
use super::{ANY_WEATHER, DAY, Kind, MILD, Night, RACK_A, RACK_B, RACK_B_SISTER, TANK};
use crate::ordinary;
use crate::people::Quirk;
use chrono::{Days, TimeDelta};
use traywarden::demo::plan::Broken;
use traywarden::demo::sensors::Ailment;
use traywarden::engine::alarm::AlarmKind::*;
use traywarden::journal::{Did, Target};

const QUIET: &[Right] = &[NobodyCalled, Letters(1)];

const fn quiet(name: &'static str, happens: fn(&mut Night)) -> Kind {
    Kind { name, days: DAY + 2, weather: MILD, happens, right: QUIET }
}

/// All of them.
pub const KINDS: &[Kind] = &[
    quiet("radio of the only sensor out for ten minutes", |night| {
        let (at, span) = (night.about(20), night.minutes(8.0, 14.0));
        night.silent(RACK_A, at, span);
    }),
    quiet("radio of the only sensor out for an hour", |night| {
        let (at, span) = (night.about(20), night.minutes(40.0, 70.0));
        night.silent(RACK_A, at, span);
    }),
    quiet("radio out for twenty minutes at four in the morning", |night| {
        let (at, span) = (night.about(28), night.minutes(15.0, 25.0));
        night.silent(RACK_A, at, span);
    }),
    quiet("gauge out for half an hour", |night| {
        let (at, span) = (night.about(23), night.minutes(20.0, 40.0));
        night.silent(TANK, at, span);
    }),
    quiet("router restarts in the evening", |night| {
        let (at, span) = (night.about(19), night.minutes(1.0, 4.0));
        restart(night, at, span, true);
    }),
    quiet("router restarts at two in the morning", |night| {
        let (at, span) = (night.about(26), night.minutes(1.0, 4.0));
        restart(night, at, span, false);
    }),
    quiet("router hangs for half an hour", |night| {
        let (at, span) = (night.about(23), night.minutes(20.0, 35.0));
        restart(night, at, span, false);
    }),
    quiet("broker restarts", |night| {
        let (at, span) = (night.about(22), night.minutes(0.1, 0.7));
        restart(night, at, span, true);
    }),
    quiet("broker restarts six times in an evening", |night| {
        for quarter in 0..6 {
            let at = night.at(20, 0) + TimeDelta::minutes(17 * quarter);
            let span = night.minutes(0.1, 0.7);
            restart(night, at, span, true);
        }
    }),
    quiet("sensor unplugged at the morning round", |night| {
        let (at, span) = (night.at(31, 12), night.minutes(20.0, 60.0));
        night.silent(RACK_A, at, span);
    }),
    quiet("battery changed at the evening round", |night| {
        let (at, span) = (night.at(19, 15), night.minutes(3.0, 12.0));
        night.silent(RACK_A, at, span);
        night.ails(RACK_A, at + span, TimeDelta::minutes(2), Ailment::FaultCodes { one_in: 1 });
    }),
    quiet("radio comes and goes all night", |night| {
        let mut at = night.at(21, 0);
        while at < night.at(30, 0) {
            let span = night.minutes(0.7, 3.5);
            night.silent(RACK_B, at, span);
            at += night.minutes(8.0, 25.0);
        }
    }),
    quiet("radio of the only sensor comes and goes all night", |night| {
        let mut at = night.at(21, 0);
        while at < night.at(30, 0) {
            let span = night.minutes(2.0, 11.0);
            night.silent(RACK_A, at, span);
            at += night.minutes(15.0, 45.0);
        }
    }),
    quiet("uncovering never typed", |night| {
        let morning = night.draft.first + Days::new(DAY);
        let lives = night.draft.people.lives.iter();
        let nearest = lives
            .filter(|life| life.sown_on + Days::new(life.light_day) <= morning)
            .max_by_key(|life| life.sown_on)
            .map(|life| (life.tray.clone(), life.sown_on + Days::new(life.light_day)));
        let (tray, lit_on) = nearest.expect("a tray in light");
        night.draft.people.quirks.push(Quirk::NeverTypesUncovering(tray));
        night.begins(crate::people::local(lit_on, 7, 0));
    }),
    quiet("evening round typed hours later", |night| {
        let typed_at = night.about(22);
        let span = (night.at(18, 30), night.at(21, 0));
        night.begins(span.0);
        night.draft.people.quirks.push(Quirk::TypesLater(span.0, span.1, typed_at));
    }),
    quiet("evening round never typed", |night| {
        let span = (night.at(18, 30), night.at(21, 0));
        night.begins(span.0);
        night.draft.people.quirks.push(Quirk::TypesNothing(span.0, span.1));
    }),
    Kind {
        name: "nobody types anything for days",
        days: DAY + 5,
        weather: MILD,
        happens: |night| {
            let span = (night.at(12, 0), night.at(12, 0) + TimeDelta::days(9));
            night.begins(span.0);
            night.draft.people.quirks.push(Quirk::TypesNothing(span.0, span.1));
        },
        right: &[NobodyCalled, Letters(6)],
    },
    Kind {
        name: "a room without any journal",
        days: DAY + 3,
        weather: MILD,
        happens: |night| {
            let from = night.draft.starts_at - TimeDelta::days(30);
            let until = night.at(12, 0) + TimeDelta::days(9);
            night.draft.people.quirks.push(Quirk::TypesNothing(from, until));
        },
        right: &[NobodyCalled, Letters(3)],
    },
    quiet("morning round two hours late", |night| {
        let by = night.minutes(90.0, 120.0);
        let span = (night.at(30, 30), night.at(32, 0));
        night.draft.people.quirks.push(Quirk::ComesLate(span.0, span.1, by));
        night.begins(night.at(19, 0));
    }),
    quiet("evening round left out", |night| {
        let span = (night.at(18, 30), night.at(20, 0));
        night.begins(span.0);
        night.draft.people.quirks.push(Quirk::LeavesOut(span.0, span.1));
    }),
    quiet("tank filled to the rim at ten and never typed", |night| {
        let at = night.about(21);
        night.begins(at);
        let did = Did::Refill { reservoir: Some("tank".into()), litres: None };
        night.draft.people.quirks.push(Quirk::Untyped(at, did));
    }),
    quiet("a can poured in by day and never typed", |night| {
        let at = night.about(14);
        night.begins(at);
        let litres = Some(night.chance.between(4.0, 10.0));
        night.draft.people.quirks.push(Quirk::Untyped(at, Did::Refill { reservoir: Some("tank".into()), litres }));
    }),
    Kind {
        name: "gauge scatters by three millimeters",
        days: DAY + 4,
        weather: MILD,
        happens: |night| night.draft.scatter_mm = 3.0,
        right: &[NobodyCalled, Never(&[ReservoirLeak]), Letters(3)],
    },
    Kind {
        name: "gauge scatters and drops out for an hour",
        days: DAY + 2,
        weather: MILD,
        happens: |night| {
            night.draft.scatter_mm = 2.0;
            let (at, span) = (night.about(23), night.minutes(50.0, 80.0));
            night.silent(TANK, at, span);
        },
        right: &[NobodyCalled, Never(&[ReservoirLeak]), Letters(1)],
    },
    quiet("false echoes, one in twenty", |night| {
        let at = night.at(15, 0);
        night.ails(TANK, at, TimeDelta::hours(21), Ailment::Spikes { one_in: 20 });
    }),
    quiet("no echo for an hour", |night| {
        let at = night.about(22);
        night.ails(TANK, at, TimeDelta::hours(1), Ailment::FaultCodes { one_in: 1 });
    }),
    Kind {
        name: "delivery on a cold day",
        weather: |temperature, _| temperature < 4.0,
        ..quiet("", |night| {
            let (at, span) = (night.about(16), night.minutes(20.0, 40.0));
            night.begins(at);
            night.draft.people.quirks.push(Quirk::DoorOpen(at, span));
        })
    },
    Kind {
        name: "door open for an hour on a frosty evening",
        weather: |temperature, _| temperature < 4.0,
        ..quiet("", |night| {
            let (at, span) = (night.about(19), night.minutes(50.0, 75.0));
            night.begins(at);
            night.draft.people.quirks.push(Quirk::DoorOpen(at, span));
        })
    },
    Kind {
        name: "damp week outdoors, everything works",
        days: DAY + 4,
        weather: |_, dew_point| dew_point > 19.0,
        happens: |_| (),
        right: &[NobodyCalled, Letters(3)],
    },
    Kind {
        name: "hot week outdoors, everything works",
        days: DAY + 4,
        weather: |temperature, _| temperature > 25.0,
        happens: |_| (),
        right: &[NobodyCalled, Letters(3)],
    },
    Kind { name: "frost outdoors, everything works", weather: |temperature, _| temperature < 0.0, ..quiet("", |_| ()) },
    quiet("misted late in the evening", |night| {
        let at = night.about(21);
        night.begins(at);
        let target = Target { tray: None, place: Some("rack-b".into()) };
        night.draft.people.quirks.push(Quirk::Besides(at, Did::Mist(target)));
    }),
    Kind {
        name: "damp in an empty rack",
        weather: |_, dew_point| dew_point > 15.0,
        ..quiet("", |night| {
            let emptied_on = night.draft.first + Days::new(DAY);
            let at = night.at(12, 0);
            let people = &mut night.draft.people;
            people.lives.retain(|life| life.sown_on < emptied_on);
            let stands = people.lives.iter().filter(|life| life.sown_on + Days::new(life.cut_day) > emptied_on);
            let trays: Vec<String> = stands.map(|life| life.tray.clone()).collect();
            people.quirks.extend(
                trays.into_iter().map(|tray| {
                    Quirk::Besides(at, Did::Harvest { tray, grams: None, grams_per_tray: None, note: None })
                }),
            );
            night.breaks_for_good(at, Broken::Dehumidifier);
        })
    },
    quiet("sensor held in a warm hand", |night| {
        let at = night.at(19, 20);
        // 4 K and 14 % in six minutes.
        let what = Ailment::Drift { temperature: 960.0, humidity: 3400.0 };
        night.ails(RACK_A, at, TimeDelta::minutes(6), what);
    }),
    quiet("sensor sprayed wet at the round", |night| {
        let (at, span) = (night.at(19, 20), night.minutes(20.0, 50.0));
        night.ails(RACK_A, at, span, Ailment::Drift { temperature: 0.0, humidity: 200_000.0 });
    }),
    quiet("new firmware, ten minutes of garbage", |night| {
        let at = night.about(22);
        night.ails(RACK_A, at, TimeDelta::minutes(10), Ailment::Garbage { one_in: 1 });
    }),
    quiet("every message twice", |night| {
        let at = night.at(18, 0);
        for sensor in [RACK_A, RACK_B, RACK_B_SISTER, TANK] {
            night.ails(sensor, at, TimeDelta::hours(16), Ailment::Twice);
        }
    }),
    quiet("readings held back and sent in a burst", |night| {
        night.draft.devices.iter_mut().take(3).for_each(|device| device.stamped = true);
        let (at, span) = (night.about(22), night.minutes(20.0, 45.0));
        for sensor in [RACK_A, RACK_B, RACK_B_SISTER] {
            night.ails(sensor, at, span, Ailment::Backlog);
        }
    }),
    quiet("power out for half an hour", |night| {
        let (at, span) = (night.about(21), night.minutes(15.0, 40.0));
        for what in [
            Broken::Heater,
            Broken::Cooler,
            Broken::Dehumidifier,
            Broken::Fan("rack-a".into()),
            Broken::Fan("rack-b".into()),
        ] {
            night.breaks(at, span, what);
        }
        restart(night, at, span, true);
    }),
    Kind {
        name: "heater out for forty minutes",
        weather: |temperature, _| temperature < 8.0,
        ..quiet("", |night| {
            let (at, span) = (night.about(21), night.minutes(25.0, 50.0));
            night.breaks(at, span, Broken::Heater);
        })
    },
    quiet("fan out for an hour by day", |night| {
        let (at, span) = (night.about(13), night.minutes(40.0, 80.0));
        night.breaks(at, span, Broken::Fan("rack-b".into()));
    }),
    Kind {
        name: "an ordinary fortnight",
        days: DAY + 12,
        weather: ANY_WEATHER,
        happens: |night| {
            let draft = &mut night.draft;
            let span = (draft.starts_at, draft.starts_at + TimeDelta::days(draft.days as i64));
            draft.people.lapses = ordinary::LAPSES;
            draft.broker_away = ordinary::live(draft.seed, span, &mut draft.devices, &mut draft.people.quirks);
            draft.scatter_mm = 2.0;
        },
        // A letter in two weeks beside the digests.
        right: &[NobodyCalled, Letters(13)],
    },
];

fn restart(night: &mut Night, at: traywarden::units::Timestamp, span: TimeDelta, broker: bool) {
    night.begins(at);
    let away = broker.then_some(&mut night.draft.broker_away);
    ordinary::restart(&mut night.draft.devices, &mut night.chance, at, span, away);
}
