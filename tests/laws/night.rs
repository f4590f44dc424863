//! Random nights: a story of the invented room, then bent by a seed. Messages are lost,
//! doubled, late and garbled, people tell nonsense, the broker, the post, the store and
//! the clock fail. The same seed gives the same night.

use chrono::TimeDelta;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex};
use traywarden::config::Config;
use traywarden::demo::nights;
use traywarden::engine::alarm::{AlarmKey, AlarmKind};
use traywarden::engine::event::{AtStake, Command, Effect, Event, Grade, What};
use traywarden::engine::{Engine, rules::Rules};
use traywarden::intake::payload::{self, Decoded};
use traywarden::journal::{Did, Entry, Sowing, Target};
use traywarden::random::SplitMix64;
use traywarden::reading::{ChannelId, RawReading, SensorId};
use traywarden::units::Timestamp;

/// Longer stories are cut, so that a law holds over many nights instead of a few long ones.
const LONGEST: TimeDelta = TimeDelta::hours(17);

/// One bent night.
pub struct Night {
    pub label: String,
    pub config: Arc<Config>,
    pub events: Vec<Event>,
}

/// What a law may ask to be left out.
#[derive(Clone, Copy, Default)]
pub struct Bent {
    /// Nobody tells numbers that JSON cannot write, so that a store gives back what it got.
    pub storable: bool,
    /// No story whose sensors' own clocks are off.
    pub honest_clocks: bool,
}

/// Seeds to try: the one in `SEED`, or `many` from a fixed start; `MORE=50` tries fifty
/// times as many.
pub fn seeds(many: u64) -> Vec<u64> {
    let number = |name: &str| std::env::var(name).ok().map(|text| text.parse::<u64>().expect("a whole number"));
    match number("SEED") {
        Some(seed) => vec![seed],
        None => {
            HARD.into_iter().chain((0..many * number("MORE").unwrap_or(1)).map(|index| 0x7061_0000 + index)).collect()
        }
    }
}

/// Nights that broke a law once: seven letters of one episode after two escalations; more
/// than six in an hour.
const HARD: [u64; 2] = [1_885_405_260, 1_885_405_633];

/// Minutes, as a mean, from one trouble to the next.
const TROUBLE_EVERY: u64 = 9;

impl Night {
    pub fn of(seed: u64, bent: Bent) -> Night {
        let mut chance = SplitMix64::new(seed);
        let names: Vec<&'static str> = nights::all()
            .iter()
            .map(|story| story.name)
            .filter(|name| !(bent.honest_clocks && *name == "sensor-clock-wrong"))
            .collect();
        let name = names[chance.whole() as usize % names.len()];
        let (config, straight) = played(name);
        let mut events = Vec::with_capacity(straight.len() + 500);
        let mut number = 0;
        for event in straight.iter() {
            if let What::Journal { .. } = event.what {
                number += 1;
            }
            match chance.whole() % 40 {
                0 => {}
                1 => events.extend([event.clone(), event.clone()]),
                2 => events.push(Event { at: event.at, what: garbage(&config, &mut chance, event.at) }),
                _ => events.push(event.clone()),
            }
        }
        let first = straight[0].at;
        let minutes = (straight[straight.len() - 1].at - first).num_minutes();
        for minute in 1..minutes {
            if !chance.whole().is_multiple_of(TROUBLE_EVERY) {
                continue;
            }
            let at = first + TimeDelta::milliseconds(minute * 60_000 + (chance.whole() % 60_000) as i64);
            for what in trouble(&config.rules, &mut chance, at, bent, &mut number) {
                events.push(what);
            }
        }
        events.sort_by_key(|event| event.at);
        number_entries(&mut events);
        if chance.one_in(3) {
            step_clock(&mut events, &mut chance);
        }
        if chance.one_in(2) {
            stop_and_start(&mut events, &mut chance);
        }
        Night { label: format!("SEED={seed} (story {name})"), config, events }
    }

    pub fn rules(&self) -> Arc<Rules> {
        Arc::new(self.config.rules.clone())
    }

    pub fn engine(&self) -> Engine {
        Engine::new(self.rules(), self.events[0].at)
    }

    pub fn effects(&self) -> Vec<Effect> {
        let mut engine = self.engine();
        self.events.iter().flat_map(|event| engine.handle(event.clone())).collect()
    }
}

type Straight = (Arc<Config>, Arc<Vec<Event>>);

/// The story as it was played, once for all laws.
fn played(name: &'static str) -> Straight {
    static PLAYED: Mutex<BTreeMap<&'static str, Straight>> = Mutex::new(BTreeMap::new());
    let mut all = PLAYED.lock().unwrap_or_else(|broken| broken.into_inner());
    let straight = all.entry(name).or_insert_with(|| {
        let mut story = nights::named(name).expect("the name comes from the list");
        story.span = story.span.min(LONGEST);
        let text = story.config_text(1883, "/nowhere/traywarden.db", "/nowhere/letters");
        let text = harder(text);
        let config = traywarden::config::parse(&text, name, Path::new("/nowhere")).expect("a story's config is right");
        let mut events = Vec::new();
        for message in story.play().messages {
            let at = Timestamp::from_timestamp_millis(message.at.timestamp_millis()).expect("a time of our age");
            events.extend(
                heard(payload::decode(&config.topics, &message.topic, &message.payload, message.retained, at))
                    .map(|what| Event { at, what }),
            );
        }
        (Arc::new(config), Arc::new(events))
    });
    straight.clone()
}

/// The settings with what stories do not use: an echo corrected by a thermometer that may fall
/// silent, and a probe on a surface.
fn harder(text: String) -> String {
    let plain = traywarden::config::parse(&text, "story", Path::new("/nowhere")).expect("a story's config is right");
    let rules = &plain.rules;
    let warm = rules.channels.iter().find(|channel| channel.quantity == traywarden::reading::Quantity::Temperature);
    let Some(warm) = warm.map(|channel| rules.sensor(channel.sensor).id.as_str()) else { return text };
    let pane = format!(
        "\n[[sensor]]\nid = \"pane\"\nplace = \"{}\"\nsurface = \"window\"\ntopic = \"laws/pane\"\n\
         temperature = {{ unit = \"Cel\" }}\n",
        rules.places[0].id
    );
    text.replace("sensor_height = ", &format!("temperature_from = \"{warm}\", sensor_height = ")) + &pane
}

/// What was heard, as events; the entry's number is given later.
pub fn heard(heard: Decoded) -> impl Iterator<Item = What> {
    match heard {
        Decoded::Events(events) => events,
        Decoded::Entry(entry) => vec![What::Journal { number: 0, entry: *entry }],
    }
    .into_iter()
}

/// Any number at all that a raw reading can be made of; else no value.
fn garbage(config: &Config, chance: &mut SplitMix64, at: Timestamp) -> What {
    let channel = ChannelId((chance.whole() % config.rules.channels.len() as u64) as u16);
    let value = match chance.whole() % 4 {
        0 => f64::from_bits(chance.whole()),
        1 => {
            [85.0, -127.0, 0.0, -0.0, 999.0, 65535.0, f64::NAN, f64::INFINITY, 1e6, -1e6][chance.whole() as usize % 10]
        }
        _ => chance.between(-60.0, 160.0),
    };
    let measured_at = chance.one_in(3).then(|| at + TimeDelta::seconds(chance.between(-1e6, 1e5) as i64));
    match RawReading::new(channel, value, measured_at, chance.one_in(4)) {
        Some(raw) => What::Reading(raw),
        None => What::NoValue(config.rules.channel(channel).sensor),
    }
}

/// A reading that was measured long before it arrived, and looks bad.
pub fn late(rules: &Rules, chance: &mut SplitMix64, at: Timestamp) -> Event {
    let channel = ChannelId((chance.whole() % rules.channels.len() as u64) as u16);
    let value = match rules.channel(channel).quantity {
        traywarden::reading::Quantity::Temperature => chance.between(32.0, 40.0),
        traywarden::reading::Quantity::Humidity => chance.between(92.0, 99.0),
        _ => chance.between(200.0, 380.0),
    };
    let measured_at = at - TimeDelta::seconds(chance.between(4000.0, 800_000.0) as i64);
    let raw = RawReading::new(channel, value, Some(measured_at), false).expect("a plain number");
    Event { at, what: What::Reading(raw) }
}

fn trouble(rules: &Rules, chance: &mut SplitMix64, at: Timestamp, bent: Bent, number: &mut i64) -> Vec<Event> {
    let later = |chance: &mut SplitMix64| at + TimeDelta::milliseconds(chance.between(1000.0, 5_400_000.0) as i64);
    let event = |at, what| Event { at, what };
    let letter = format!("alarm-{}-sensor-silent-tank", at.timestamp() - (chance.whole() % 7200) as i64);
    match chance.whole() % 12 {
        0 => vec![event(at, What::BrokerDown), event(later(chance), What::BrokerUp)],
        1 => vec![event(at, What::BrokerUp)],
        2 => vec![
            event(at, What::LetterFailed { letter: letter.clone(), error: "451 later".into() }),
            event(later(chance), What::LetterSent { letter }),
        ],
        3 => {
            vec![
                event(at, What::StoreFailed { error: "disk full".into(), at_stake: AtStake::default() }),
                event(later(chance), What::StoreRecovered),
                event(later(chance), What::StoreHurt { what: "the store is empty".into() }),
            ]
        }
        4 => vec![event(at, What::Garbled { sensor: None, reason: traywarden::engine::event::Garbled::UnknownTopic })],
        5 => vec![event(at, What::NoValue(SensorId((chance.whole() % rules.sensors.len() as u64) as u16)))],
        6 => vec![late(rules, chance, at)],
        7 | 8 => {
            *number += 1;
            vec![event(at, What::Journal { number: 0, entry: entry(rules, chance, at, bent, *number) })]
        }
        _ => vec![event(at, What::Command(command(rules, chance, at)))],
    }
}

fn entry(rules: &Rules, chance: &mut SplitMix64, at: Timestamp, bent: Bent, number: i64) -> Entry {
    let pick = |chance: &mut SplitMix64, names: &[&str]| names[chance.whole() as usize % names.len()].to_owned();
    let mut place = pick(chance, &["nowhere", ""]);
    if !chance.one_in(4) {
        place = rules.places[chance.whole() as usize % rules.places.len()].id.clone();
    }
    let tray = pick(chance, &["A1", "A2", "B1", "B2", "X1", "X2", ""]);
    let amount = match chance.whole() % 6 {
        0 => None,
        1 if !bent.storable => Some(f64::from_bits(chance.whole())),
        2 => Some(-3.5),
        3 => Some(1e300),
        _ => Some((chance.between(0.0, 500.0) * 8.0).round() / 8.0),
    };
    let target =
        Target { tray: chance.one_in(2).then(|| tray.clone()), place: chance.one_in(2).then(|| place.clone()) };
    let did = match chance.whole() % 11 {
        0 | 1 => Did::Sow(Sowing {
            tray,
            place,
            crop: (!chance.one_in(4)).then(|| pick(chance, &["radish", "kale", "moon grass", ""])),
            blend: if chance.one_in(4) {
                [("radish".to_owned(), amount.unwrap_or(3.0)), ("basil".to_owned(), 4.0)].into()
            } else {
                BTreeMap::new()
            },
            count: [0, 1, 4, 10_000, u32::MAX][chance.whole() as usize % 5],
            seed_grams: amount,
            seed_lot: None,
            medium: None,
        }),
        2 => Did::Uncover(target),
        3 => Did::Unweight(target),
        4 => Did::Water { target, ml_per_tray: amount },
        5 => Did::Mist(target),
        6 => Did::Refill { reservoir: chance.one_in(2).then(|| pick(chance, &["tank", "pond"])), litres: amount },
        7 => Did::Move { tray, place },
        8 => Did::Harvest { tray, grams: amount, grams_per_tray: None, note: None },
        9 => Did::Discard { tray, reason: Default::default(), share: amount, note: None },
        _ => Did::Strike { entry: (chance.whole() % (number as u64 + 3)) as i64, note: None },
    };
    let reported = chance.one_in(3).then(|| at + TimeDelta::seconds(chance.between(-9e5, 1e4) as i64));
    Entry { at: reported, by: None, did }
}

/// A command about an alarm that may or may not be there.
fn command(rules: &Rules, chance: &mut SplitMix64, at: Timestamp) -> Command {
    let kind = AlarmKind::ALL[chance.whole() as usize % AlarmKind::ALL.len()];
    let subjects: Vec<&str> = rules
        .places
        .iter()
        .map(|place| place.id.as_str())
        .chain(rules.sensors.iter().map(|sensor| sensor.id.as_str()))
        .chain(["site"])
        .collect();
    let alarm = AlarmKey { kind, subject: subjects[chance.whole() as usize % subjects.len()].to_owned() };
    let by = "Wren".to_owned();
    match chance.whole() % 5 {
        0 | 1 => {
            let grade = [None, Some(Grade::Right), Some(Grade::Wrong)][chance.whole() as usize % 3];
            Command::Acknowledge { alarm, by, grade }
        }
        2 => Command::Shelve { alarm, by, until: at + TimeDelta::minutes(chance.between(-60.0, 1600.0) as i64) },
        3 => Command::Unshelve { alarm, by },
        _ => Command::OutOfService { alarm, by, reason: "being mended".into() },
    }
}

/// Entries are numbered in the order in which they come, as the store does.
fn number_entries(events: &mut [Event]) {
    let mut next = 0;
    for event in events {
        if let What::Journal { number, .. } = &mut event.what {
            next += 1;
            *number = next;
        }
    }
}

/// The clock is set: forward, the rest is later by as much; back, our time goes on.
fn step_clock(events: &mut Vec<Event>, chance: &mut SplitMix64) {
    let index = 1 + chance.whole() as usize % (events.len() - 1);
    let by = TimeDelta::seconds(chance.between(-20_000.0, 20_000.0) as i64);
    let forward = by.max(TimeDelta::zero());
    for event in &mut events[index..] {
        event.at += forward;
    }
    let at = events[index].at;
    events.insert(index, Event { at, what: What::ClockStepped { by } });
}

/// Nobody watches for a while.
fn stop_and_start(events: &mut Vec<Event>, chance: &mut SplitMix64) {
    let index = 1 + chance.whole() as usize % (events.len() - 1);
    let until = events[index].at + TimeDelta::minutes(chance.between(0.0, 400.0) as i64);
    let mut place = 0;
    events.retain(|event| {
        place += 1;
        place <= index || event.at >= until || matches!(event.what, What::ClockStepped { .. })
    });
    let index = events.iter().position(|event| event.at >= until).unwrap_or(events.len());
    let at = until.max(events[index - 1].at);
    events.insert(index, Event { at, what: What::Started });
    for event in &mut events[index..] {
        event.at = event.at.max(at);
    }
}
