//! A recorded season: forty lots of trays on two racks in nine weeks, four of them molded, each
//! with a cause that was planted. It is run through engine and store, so that traces,
//! sheets and yields can be made of it.

use crate::people::{Lapses, Life, People, Quirk, local};
use crate::running::{Invented, Played, UNSEEN, config_of};
use chrono::{Days, NaiveDate, TimeDelta};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use traywarden::demo::plan::{Breakage, Broken, Outside, PlacePlan, RoomPlan, TankPlan};
use traywarden::demo::sensors::{Device, Measures};
use traywarden::demo::story::{Expected, Story};
use traywarden::engine::Engine;
use traywarden::engine::event::{Effect, What};
use traywarden::journal::Did;
use traywarden::notify::wording;
use traywarden::store::{Record, Store};

/// What was done to a tray so that it molded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// The fan of its shelf stood for two nights and the day between.
    FanOut,
    /// Nobody took the cover off for two days.
    ForgottenUnderCover,
    /// Misted at twenty to ten on four evenings, twenty minutes before the lights went out.
    MistedLate,
    /// Set aside for two nights in a corner that no fan reaches.
    StillCorner,
}

/// The truth: which tray molded, and why.
pub const PLANTED: [(&str, Cause); 4] = [
    ("T12", Cause::FanOut),
    ("T19", Cause::ForgottenUnderCover),
    ("T28", Cause::MistedLate),
    ("T34", Cause::StillCorner),
];

const SHELVES: [&str; 4] = ["rack-a-top", "rack-a-low", "rack-b-top", "rack-b-low"];
const CORNER: &str = "corner";
/// Each is a lot of so many trays sown alike: one tray alone does not damp a shelf.
const TRAYS_ALIKE: u32 = 4;
const CYCLE_DAYS: u64 = 11;

fn first_day() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 9, 7).expect("a date")
}

fn day(days: u64) -> NaiveDate {
    first_day() + Days::new(days)
}

/// A tray on every shelf every five or six days: broccoli, then radish, five times over.
fn lives() -> Vec<Life> {
    let mut sown: Vec<(u64, usize, usize)> = (0..5)
        .flat_map(|cycle| (0..2).map(move |slot| (cycle, slot)))
        .flat_map(|(cycle, slot)| {
            (0..SHELVES.len()).map(move |shelf| (cycle * CYCLE_DAYS + 5 * slot as u64 + shelf as u64, slot, shelf))
        })
        .collect();
    sown.sort_unstable();
    sown.iter()
        .zip(1..)
        .map(|(&(on, slot, shelf), number)| {
            let (crop, cut_day, grams) = [("broccoli", 10, 415.0), ("radish", 8, 380.0)][slot];
            let tray = format!("T{number:02}");
            let cause = PLANTED.iter().find(|(molded, _)| *molded == tray).map(|(_, cause)| *cause);
            Life {
                light_day: if cause == Some(Cause::ForgottenUnderCover) { 6 } else { 4 },
                molded_on: cause.map(|_| 9),
                tray,
                place: SHELVES[shelf].into(),
                crop: crop.into(),
                count: TRAYS_ALIKE,
                sown_on: day(on),
                cut_day,
                grams,
            }
        })
        .collect()
}

fn life(cause: Cause) -> Life {
    let (tray, _) = PLANTED.iter().find(|(_, planted)| *planted == cause).expect("planted");
    lives().into_iter().find(|life| life.tray == *tray).expect("a tray that lives")
}

fn plan() -> RoomPlan {
    let shelf = |id: &str| PlacePlan {
        id: id.to_owned(),
        light_watts: 60.0,
        light_from: 6.0,
        light_until: 22.0,
        fan_flow: 120.0,
        gap_flow: 0.5,
        watered: true,
    };
    let mut places: Vec<PlacePlan> = SHELVES.map(shelf).into();
    places.push(PlacePlan { light_watts: 0.0, fan_flow: 0.0, gap_flow: 0.2, watered: false, ..shelf(CORNER) });
    RoomPlan {
        outside: Outside { mean: 12.0, swing: 5.0, humidity: 70.0 },
        heater_watts: 2500.0,
        cooler_watts: 3500.0,
        thermostat: 21.0,
        humidistat: 54.0,
        places,
        tank: TankPlan { length: 400.0, width: 300.0, height: 300.0, pump_inlet: 20.0, litres: 30.0 },
        lots: Vec::new(),
    }
}

fn devices() -> Vec<Device> {
    let five_minutes = TimeDelta::minutes(5);
    let air = |(index, id): (usize, &str)| Device {
        id: format!("{id}-air"),
        topic: format!("loft/{id}/air"),
        measures: Measures::TrueAir(index),
        every: five_minutes,
        stamped: false,
        troubles: Vec::new(),
    };
    let mut devices: Vec<Device> = SHELVES.into_iter().chain([CORNER]).enumerate().map(air).collect();
    devices.push(Device {
        id: "tank".into(),
        topic: "loft/tank/distance".into(),
        measures: Measures::Distance(350),
        every: five_minutes,
        stamped: false,
        troubles: Vec::new(),
    });
    devices
}

/// The season, ready to be played.
pub fn season() -> Invented {
    let lives = lives();
    let fan = life(Cause::FanOut);
    let lit_for_two_days = fan.sown_on + Days::new(6);
    let corner = life(Cause::StillCorner);
    let moved = |days: u64, hour: u32, place: &str| {
        let did = Did::Move { tray: corner.tray.clone(), place: place.to_owned() };
        Quirk::Besides(local(corner.sown_on + Days::new(days), hour, 40), did)
    };
    let people = People {
        lives,
        water_ml: 75.0,
        refill_every: 4,
        quirks: vec![
            Quirk::MistsLate { tray: life(Cause::MistedLate).tray, hour: 21, minute: 40, days: 5..9 },
            moved(6, 19, CORNER),
            moved(8, 7, &corner.place),
        ],
        lapses: Lapses::default(),
        seed: 0x5ea5,
    };
    let starts_at = local(first_day(), 6, 0);
    let story = Story {
        name: "season",
        about: "Forty trays in nine weeks; four molded, each with a planted cause.",
        seed: 0x5ea5,
        starts_at,
        span: TimeDelta::days(64),
        plan: plan(),
        devices: devices(),
        breakages: vec![Breakage {
            from: local(lit_for_two_days, 19, 30),
            until: local(lit_for_two_days + Days::new(2), 7, 30),
            what: Broken::Fan(fan.place),
        }],
        habits: Default::default(),
        expected: Expected::default(),
    };
    let config = Arc::new(config_of(&story, "traywarden.db", "letters"));
    let (actions, _) = people.actions((starts_at - UNSEEN).date_naive(), day(64));
    Invented { story, actions, weather: None, broker_away: Vec::new(), scatter_mm: 0.6, thirst: 1.0, config }
}

/// Plays the season into a store in this folder, with its settings beside it.
pub fn write(season: &Invented, folder: &Path) {
    std::fs::create_dir_all(folder).expect("the folder for the season");
    let file = folder.join("traywarden.db");
    for old in ["traywarden.db", "traywarden.db-wal", "traywarden.db-shm"] {
        let _ = std::fs::remove_file(folder.join(old));
    }
    let settings = season.story.config_text(1883, "traywarden.db", "letters");
    std::fs::write(folder.join("traywarden.toml"), settings).expect("the settings can be written");
    let rules = Arc::new(season.config.rules.clone());
    let (mut store, _) = Store::open(&file, &rules, season.story.starts_at).expect("a new store");
    let mut engine = Engine::new(rules.clone(), season.story.starts_at);
    let mut records: Vec<Record> = Vec::new();
    let mut last = (season.story.starts_at, 0);
    season.play(|played| {
        let Played::Event(event) = played else { return };
        last = if last.0 == event.at { (last.0, last.1 + 1) } else { (event.at, 0) };
        let effects = engine.handle(event.clone());
        if event.what == What::Tick && effects.is_empty() {
            return;
        }
        let mut record = Record::of(event, last.1, effects);
        for effect in &record.effects {
            match effect {
                Effect::Alarm(change) => record.alarm_texts.push(wording::alarm_text(change, &rules.site)),
                Effect::Letter(facts) => {
                    record
                        .letters
                        .push((wording::letter(facts, &rules, Vec::new(), &wording::Answering::default()), Vec::new()));
                }
                _ => {}
            }
        }
        records.push(record);
        if records.len() >= 5000 {
            store.commit(&records).expect("the store takes it");
            records.clear();
        }
    });
    store.commit(&records).expect("the store takes it");
    store.roll_up_minutes(engine.now()).expect("minute means");
    store.close().expect("a closed store");
}

/// The longest time, in hours, that each tray stood uncovered in air of 88 % and more.
pub fn longest_damp(season: &Invented) -> BTreeMap<String, f64> {
    let places: Vec<&str> = season.story.plan.places.iter().map(|place| place.id.as_str()).collect();
    let mut spells: BTreeMap<String, (u32, u32)> = BTreeMap::new();
    season.play(|played| {
        let Played::Minute(truth, room) = played else { return };
        for lot in room.lots() {
            let place = places.iter().position(|id| *id == lot.place).expect("a known place");
            let (now, longest) = spells.entry(lot.tray.clone()).or_default();
            *now = if lot.lit_at.is_some() && truth.places[place].humidity >= 88.0 { *now + 1 } else { 0 };
            *longest = (*longest).max(*now);
        }
    });
    spells.into_iter().map(|(tray, (_, minutes))| (tray, f64::from(minutes) / 60.0)).collect()
}
