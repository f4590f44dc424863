//! Plays a room with its people and devices, step by step, into events as the daemon
//! would get them, and shows the hidden truth beside them once a minute. The physics
//! and the devices are the library's; who does what is in `people`.

use chrono::{Offset, TimeDelta, TimeZone};
use std::path::Path;
use std::sync::Arc;
use traywarden::config::Config;
use traywarden::demo::people::Doing;
use traywarden::demo::plan::MeasuredYear;
use traywarden::demo::plan::TIME_ZONE;
use traywarden::demo::room::{Room, STEP, Truth};
use traywarden::demo::sensors::{Measures, Message, RoomSensor};
use traywarden::demo::story::Story;
use traywarden::engine::event::{Event, What};
use traywarden::intake::payload::{self, Decoded};
use traywarden::journal::{Did, Entry};
use traywarden::random::SplitMix64;
use traywarden::units::Timestamp;

/// The room runs this long unseen, long enough for trays of every age.
pub const UNSEEN: TimeDelta = TimeDelta::days(15);

/// A room to play: plan, devices and breakages in the story, people beside it.
pub struct Invented {
    pub story: Story,
    pub actions: Vec<Done>,
    /// The weather, if it is not the plan's.
    pub weather: Option<MeasuredYear>,
    /// Spans without a broker, in order.
    pub broker_away: Vec<(Timestamp, Timestamp)>,
    /// How far the gauge's echoes scatter, millimetres (one standard deviation); at least
    /// the 0.6 of a good one.
    pub scatter_mm: f64,
    /// What plants drink beside the usual.
    pub thirst: f64,
    /// The settings the room is watched by.
    pub config: Arc<Config>,
}

/// What somebody did, and whether the journal heard of it.
#[derive(Clone, Debug)]
pub struct Done {
    pub at: Timestamp,
    pub doing: Doing,
    pub typed: Typed,
}

/// When an entry is typed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Typed {
    AtOnce,
    /// With the time at which it was done.
    Later(Timestamp),
    Never,
}

/// What the player tells.
#[expect(clippy::large_enum_variant, reason = "one lives at a time; a box for each would cost more")]
pub enum Played<'a> {
    /// For the engine.
    Event(Event),
    /// Not for the engine: a minute of truth, and the room itself with what grows in it.
    Minute(&'a Truth, &'a Room),
}

/// The settings of a story's room.
pub fn config_of(story: &Story, store: &str, letters: &str) -> Config {
    let text = story.config_text(1883, store, letters);
    traywarden::config::parse(&text, story.name, Path::new("/nowhere"))
        .unwrap_or_else(|problems| panic!("the settings of {}:\n{problems}", story.name))
}

impl Invented {
    /// Plays it all. Events come in the order of their time.
    pub fn play(&self, mut tell: impl FnMut(Played<'_>)) {
        let story = &self.story;
        let offset = TIME_ZONE.offset_from_utc_datetime(&story.starts_at.naive_utc()).fix().local_minus_utc();
        let timer = TimeDelta::seconds(i64::from(offset));
        let from = story.starts_at - UNSEEN;
        let mut room = Room::new(story.plan.clone(), story.breakages.clone(), from, timer, story.seed)
            .thirsty(self.thirst)
            .under(self.weather.clone());
        let mut sensors: Vec<RoomSensor> =
            story.devices.iter().map(|device| RoomSensor::new(device.clone(), story.starts_at, story.seed)).collect();
        let mut scatter = SplitMix64::for_part(story.seed, "scatter of the gauge");
        let mut entries = self.entries().into_iter().peekable();
        let mut links = self.links().into_iter().peekable();
        let mut next = self.actions.partition_point(|action| action.at < from);
        while room.at() < story.ends_at() {
            let until = room.at() + STEP;
            if room.at() == story.starts_at {
                room.begin();
            }
            while let Some(action) = self.actions.get(next).filter(|action| action.at < until) {
                match &action.doing {
                    Doing::Enter(span) => room.open_door(action.at + *span),
                    Doing::Did(did) => room.take(did),
                }
                next += 1;
            }
            if room.at() >= story.starts_at {
                let truth = room.truth();
                let whole_minute = (room.at() - story.starts_at).num_seconds() % 60 == 0;
                // As the daemon wakes when something falls due, though nobody speaks.
                let mut events = Vec::from_iter(whole_minute.then_some(Event { at: room.at(), what: What::Tick }));
                while let Some(event) = entries.next_if(|event| event.at < until) {
                    events.push(event);
                }
                while let Some(event) = links.next_if(|event| event.at < until) {
                    events.push(event);
                }
                for sensor in &mut sensors {
                    for message in sensor.publish(&truth, until) {
                        if !self.broker_away.iter().any(|(from, until)| *from <= message.at && message.at < *until) {
                            self.hear(self.scattered(message, &mut scatter), &mut events);
                        }
                    }
                }
                // Stable: what was said first at one instant stays first.
                events.sort_by_key(|event| event.at);
                for event in events {
                    tell(Played::Event(event));
                }
                if whole_minute {
                    tell(Played::Minute(&truth, &room));
                }
            }
            room.step();
        }
    }

    /// The journal as it is typed, numbered in that order. What was done before the story is
    /// typed in its first second.
    fn entries(&self) -> Vec<Event> {
        let starts_at = self.story.starts_at;
        let from = starts_at - UNSEEN;
        let mut typed: Vec<(Timestamp, Option<Timestamp>, &Did)> = Vec::new();
        let mut past = 0;
        for action in self.actions.iter().filter(|action| from <= action.at) {
            let Doing::Did(did) = &action.doing else { continue };
            match action.typed {
                Typed::Never => {}
                Typed::AtOnce if action.at >= starts_at => typed.push((action.at, None, did)),
                Typed::Later(at) if at >= starts_at => typed.push((at, Some(action.at), did)),
                Typed::AtOnce | Typed::Later(_) => {
                    typed.push((starts_at + TimeDelta::milliseconds(5 * past), Some(action.at), did));
                    past += 1;
                }
            }
        }
        typed.sort_by_key(|(at, ..)| *at);
        let numbered = (1..).zip(typed);
        numbered
            .map(|(number, (at, reported, did))| {
                let entry = Entry { at: reported, by: Some("Wren".into()), did: did.clone() };
                Event { at: whole_milliseconds(at), what: What::Journal { number, entry } }
            })
            .collect()
    }

    fn links(&self) -> Vec<Event> {
        let both = |(from, until): &(Timestamp, Timestamp)| {
            [Event { at: *from, what: What::BrokerDown }, Event { at: *until, what: What::BrokerUp }]
        };
        self.broker_away.iter().flat_map(both).collect()
    }

    /// A gauge's message, with the scatter of this room's.
    fn scattered(&self, message: Message, chance: &mut SplitMix64) -> Message {
        const OF_A_GOOD_ONE: f64 = 0.6;
        let more = (self.scatter_mm.powi(2) - OF_A_GOOD_ONE.powi(2)).max(0.0).sqrt();
        let gauges = self
            .story
            .devices
            .iter()
            .any(|device| device.topic == message.topic && matches!(device.measures, Measures::Distance(_)));
        let distance = std::str::from_utf8(&message.payload).ok().and_then(|text| text.parse::<f64>().ok());
        match distance.filter(|distance| gauges && more > 0.0 && *distance > 0.0) {
            Some(distance) => {
                let payload = format!("{:.0}", (distance + more * chance.bell()).max(0.0)).into_bytes();
                Message { payload, ..message }
            }
            None => message,
        }
    }

    fn hear(&self, message: Message, events: &mut Vec<Event>) {
        let at = whole_milliseconds(message.at);
        if let Decoded::Events(decoded) =
            payload::decode(&self.config.topics, &message.topic, &message.payload, message.retained, at)
        {
            events.extend(decoded.into_iter().map(|what| Event { at, what }));
        }
    }
}

fn whole_milliseconds(at: Timestamp) -> Timestamp {
    Timestamp::from_timestamp_millis(at.timestamp_millis()).expect("a time of our age")
}
