//! One room for a few days or months, drawn by a seed: weather, machines, people, and what
//! its trays really bear. Ranges come from what rooms and seedlings are like (own ranges,
//! no source); the engine's own figures were not asked.

use crate::faults::{Fault, Kind};
use crate::ordinary;
use crate::people::{Life, People, Quirk, local};
use crate::running::{Invented, UNSEEN, config_of};
use crate::weather;
use chrono::{Days, NaiveDate, TimeDelta};
use std::sync::Arc;
use traywarden::demo::plan::{Breakage, Broken, MeasuredYear, Outside, PlacePlan, RoomPlan, TankPlan};
use traywarden::demo::sensors::{Ailment, Device, Measures, SensorTrouble};
use traywarden::demo::story::{Expected, Story};
use traywarden::random::SplitMix64;
use traywarden::units::Timestamp;

/// What the trays of a room really bear.
#[derive(Clone, Debug)]
pub struct Bears {
    /// Below this much water a tray wilts, millilitres of 900.
    pub wilts_below_ml: f64,
    /// Warmer, or colder, than this for hours harms, Celsius.
    pub hot: f64,
    pub cold: f64,
    /// Leaves are wet above this humidity, per cent.
    pub wet_from: f64,
    /// Hours of wetness that infection needs at 20 °C, and dry hours that end it.
    pub infection_hours: f64,
    pub dry_hours: f64,
    /// Share of the way from inside to outside at which the coldest surface stands.
    pub cold_surface: f64,
    /// Litres on the floor that are harm.
    pub spill: f64,
    /// Hours a tray bears under its cover, or uncut, beyond its day.
    pub overdue_hours: f64,
}

/// A room with its people and its truth.
pub struct Drawn {
    pub room: Invented,
    pub bears: Bears,
    pub fault: Option<Fault>,
    /// The planned day of the tray that a fault is about.
    pub due: Option<Timestamp>,
    /// When somebody came for a round, planned or not.
    pub came: Vec<Timestamp>,
}

/// A room as it was drawn, before anybody lives in it.
pub struct Draft {
    pub seed: u64,
    pub days: u64,
    /// The first day; the story begins on it at six in the morning.
    pub first: NaiveDate,
    pub starts_at: Timestamp,
    pub bears: Bears,
    pub people: People,
    pub plan: RoomPlan,
    pub devices: Vec<Device>,
    pub breakages: Vec<Breakage>,
    pub weather: MeasuredYear,
    pub fault: Option<Fault>,
    pub due: Option<Timestamp>,
    pub scatter_mm: f64,
    pub broker_away: Vec<(Timestamp, Timestamp)>,
    thirst: f64,
}

/// Draws a room that lives an ordinary life; `kind` breaks on the fourth day.
pub fn draw(seed: u64, days: u64, kind: Option<Kind>) -> Drawn {
    let mut draft = draft(seed, days, kind);
    let span = (draft.starts_at, draft.starts_at + TimeDelta::days(days as i64));
    draft.people.lapses = ordinary::LAPSES;
    draft.broker_away = ordinary::live(seed, span, &mut draft.devices, &mut draft.people.quirks);
    if let Some(fault) = draft.fault.filter(|fault| fault.kind == Kind::BrokerAway) {
        draft.broker_away.retain(|(from, _)| *from < fault.from);
        draft.broker_away.push((fault.from, span.1));
    }
    draft.drawn()
}

/// Draws a room in which only `kind` happens, on the fourth day.
pub fn draft(seed: u64, days: u64, kind: Option<Kind>) -> Draft {
    draft_in(seed, days, kind, |temperature, dew_point| breaks_in(kind, temperature, dew_point))
}

/// The same, in weather of mean temperature and mean dew point as asked.
pub fn draft_in(seed: u64, days: u64, kind: Option<Kind>, wanted: impl Fn(f64, f64) -> bool) -> Draft {
    let mut chance = SplitMix64::for_part(seed, "room of a season");
    let first = weather::first_day(&mut chance, wanted);
    let mut weather = weather::measured();
    let bears = Bears {
        wilts_below_ml: chance.between(150.0, 450.0),
        hot: chance.between(30.0, 34.0),
        cold: chance.between(6.0, 10.0),
        wet_from: chance.between(89.0, 94.0),
        infection_hours: chance.between(6.0, 12.0),
        dry_hours: chance.between(3.0, 6.0),
        cold_surface: chance.between(0.1, 0.25),
        spill: chance.between(6.0, 12.0),
        overdue_hours: chance.between(30.0, 60.0),
    };
    // Times what the demo's trays drink, which is much; the trade's figure is 237 mL a day.
    let thirst = chance.between(0.5, 0.95);
    let starts_at = local(first, 6, 0);
    let breaks_at = starts_at + TimeDelta::minutes(chance.between(72.0 * 60.0, 96.0 * 60.0) as i64);
    let lives = lives(first, days, &mut chance);
    let lit = lives.iter().filter(|life| life.sown_on <= first).map(|life| life.count).sum::<u32>().max(8);
    let litres_a_day = 0.48 * f64::from(lit) * thirst;
    let mut people = People {
        lives,
        water_ml: 240.0 * thirst,
        refill_every: 2,
        quirks: Vec::new(),
        lapses: Default::default(),
        seed,
    };
    let plan = plan(litres_a_day, &mut chance);
    let mut devices = devices();
    let mut breakages = Vec::new();
    let mut due = None;
    let mut probe = None;
    let until = starts_at + TimeDelta::days(days as i64);
    let fault = kind.map(|kind| Fault { kind, from: breaks_at });
    if let Some(fault) = fault {
        let mut breaks = |what| breakages.push(Breakage { from: breaks_at, until, what });
        let mut ails =
            |sensor: usize, what| devices[sensor].troubles.push(SensorTrouble { from: breaks_at, until, what });
        let late = breaks_at.date_naive();
        match fault.kind {
            Kind::DehumidifierOut => {
                breaks(Broken::Dehumidifier);
            }
            Kind::CondensingNight | Kind::CondensingUnderProbe => {
                // A colder place than the measured one.
                let (mean, _) = weather::mean(&weather, breaks_at.date_naive(), 3);
                weather.shift = chance.between(-14.0, -6.0) - mean;
                breaks(Broken::Dehumidifier);
                breaks(Broken::Fan("rack-b".into()));
                if fault.kind == Kind::CondensingUnderProbe {
                    let thousandths = (bears.cold_surface * 1000.0) as u32;
                    probe = Some(device("wall-probe", Measures::Surface(1, thousandths), 60));
                }
            }
            Kind::FanOut => breaks(Broken::Fan("rack-b".into())),
            // A room without an air cooler; with one, nothing comes of either.
            Kind::LightsStuck => {
                breaks(Broken::LightsStuckOn("rack-b".into()));
                breaks(Broken::Cooler);
            }
            Kind::HeaterStuck => {
                breaks(Broken::HeaterStuckOn);
                breaks(Broken::Cooler);
            }
            Kind::HeaterOut => breaks(Broken::Heater),
            Kind::MissedWatering => people.quirks.push(Quirk::NoWater(breaks_at, until)),
            Kind::PumpDead => breaks(Broken::Pump),
            Kind::TankLeak => breaks(Broken::Leak(chance.between(0.4, 3.0))),
            Kind::NotRefilled => people.quirks.push(Quirk::NoRefill(breaks_at, until)),
            Kind::Silent => ails(1, Ailment::Silent),
            Kind::Stuck => ails(1, Ailment::Stuck),
            Kind::Spiking => ails(1, Ailment::Spikes { one_in: 2 + (chance.whole() % 3) as u32 }),
            Kind::Drifting => {
                ails(1, Ailment::Drift { temperature: chance.between(0.5, 1.5), humidity: chance.between(3.0, 7.0) })
            }
            Kind::PowerOnCode => ails(1, Ailment::FaultCodes { one_in: 1 }),
            Kind::SwappedUnits | Kind::BrokerAway => {}
            Kind::ForgottenUnderCover => {
                let next = people.lives.iter().filter(|life| life.sown_on + Days::new(life.light_day) > late);
                let life = next.min_by_key(|life| life.sown_on).expect("a tray under cover");
                due = Some(local(life.sown_on + Days::new(life.light_day), 7, 0));
                people.quirks.push(Quirk::NeverUncovers(life.tray.clone()));
            }
            Kind::Overdue => {
                let next = people.lives.iter().filter(|life| life.sown_on + Days::new(life.cut_day) > late);
                let life = next.min_by_key(|life| life.sown_on + Days::new(life.cut_day)).expect("a tray in light");
                // The last usual day, not the planned one, is where it begins to cost.
                due = Some(local(life.sown_on + Days::new(life.cut_day + 2), 7, 0));
                people.quirks.push(Quirk::NeverCuts(life.tray.clone()));
            }
        }
    } else {
        let away = starts_at + TimeDelta::days((days / 2) as i64);
        people.quirks.push(Quirk::Holiday(away, away + TimeDelta::days(7)));
    }
    devices.extend(probe);
    let scatter_mm = [1.0, 2.0, 3.0][(seed % 3) as usize];
    Draft {
        seed,
        days,
        first,
        starts_at,
        bears,
        people,
        plan,
        devices,
        breakages,
        weather,
        fault,
        due,
        scatter_mm,
        broker_away: Vec::new(),
        thirst,
    }
}

impl Draft {
    /// The room with its people, ready to be played.
    pub fn drawn(self) -> Drawn {
        let story = Story {
            name: "drawn",
            about: "Drawn by a seed.",
            seed: self.seed,
            starts_at: self.starts_at,
            span: TimeDelta::days(self.days as i64),
            plan: self.plan,
            devices: self.devices,
            breakages: self.breakages,
            habits: Default::default(),
            expected: Expected::default(),
        };
        let config = Arc::new(config_of(&story, "/nowhere/traywarden.db", "/nowhere/letters"));
        // The tank feeds both racks, but nothing wicks: water comes with the rounds only.
        let mut story = story;
        story.plan.places.iter_mut().for_each(|place| place.watered = false);
        let from = (self.starts_at - UNSEEN).date_naive();
        let (actions, came) = self.people.actions(from, self.first + Days::new(self.days + 1));
        let room = Invented {
            story,
            actions,
            weather: Some(self.weather),
            broker_away: self.broker_away,
            scatter_mm: self.scatter_mm,
            thirst: self.thirst,
            config,
        };
        Drawn { room, bears: self.bears, fault: self.fault, due: self.due, came }
    }
}

/// Most faults break in any weather; some do harm in theirs only.
fn breaks_in(kind: Option<Kind>, temperature: f64, dew_point: f64) -> bool {
    match kind {
        Some(Kind::DehumidifierOut) => dew_point > 18.5,
        Some(Kind::CondensingNight | Kind::CondensingUnderProbe) => temperature < 4.0,
        Some(Kind::HeaterOut) => temperature < 12.0,
        _ => true,
    }
}

fn lives(first: NaiveDate, days: u64, chance: &mut SplitMix64) -> Vec<Life> {
    let mut lives = Vec::new();
    for (rack, letter) in [("rack-a", 'A'), ("rack-b", 'B')] {
        for slot in 0..5_u64 {
            let (crop, cut_day) = [("broccoli", 10), ("radish", 8), ("kale", 12)][(chance.whole() % 3) as usize];
            let count = 2 + (chance.whole() % 4) as u32;
            let mut on = first - Days::new(14) + Days::new(slot * 2 + chance.whole() % 2);
            let mut number = 1;
            while on < first + Days::new(days) {
                lives.push(Life {
                    tray: format!("{letter}{slot}-{number}"),
                    place: rack.into(),
                    crop: crop.into(),
                    count,
                    sown_on: on,
                    light_day: 4,
                    cut_day,
                    grams: 400.0,
                    molded_on: None,
                });
                number += 1;
                on = on + Days::new(cut_day);
            }
        }
    }
    lives
}

fn plan(litres_a_day: f64, chance: &mut SplitMix64) -> RoomPlan {
    let thermostat = chance.between(20.0, 22.0);
    let humidistat = chance.between(48.0, 56.0);
    let rack = |id: &str, chance: &mut SplitMix64| PlacePlan {
        id: id.to_owned(),
        // A rack that its own lights take past 27 °C every day is not a healthy one.
        light_watts: chance.between(100.0, 220.0),
        light_from: 6.0,
        light_until: 22.0,
        fan_flow: chance.between(160.0, 260.0),
        gap_flow: chance.between(1.5, 5.0),
        watered: true,
    };
    RoomPlan {
        // The measured year takes its place.
        outside: Outside { mean: 12.0, swing: 5.0, humidity: 70.0 },
        heater_watts: 2500.0,
        cooler_watts: 3500.0,
        thermostat,
        humidistat,
        places: vec![rack("rack-a", chance), rack("rack-b", chance)],
        tank: TankPlan {
            // Four to five days' water, 90 mL to a millimetre of length.
            length: (litres_a_day * chance.between(4.0, 5.0) / 0.084).round(),
            width: 300.0,
            height: 300.0,
            pump_inlet: 20.0,
            litres: litres_a_day * 3.8,
        },
        lots: Vec::new(),
    }
}

fn device(id: &str, measures: Measures, seconds: i64) -> Device {
    Device {
        id: id.to_owned(),
        topic: format!("loft/{id}"),
        measures,
        every: TimeDelta::seconds(seconds),
        stamped: false,
        troubles: Vec::new(),
    }
}

fn devices() -> Vec<Device> {
    vec![
        device("rack-a-air", Measures::TrueAir(0), 60),
        device("rack-b-air", Measures::TrueAir(1), 60),
        device("rack-b-sister", Measures::TrueAir(1), 60),
        device("tank", Measures::Distance(350), 60),
    ]
}
