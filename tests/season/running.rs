//! Plays a room with its people and devices, step by step, into events as the daemon
//! would get them, and shows the hidden truth beside them once a minute. The physics
//! and the devices are the library's; who does what is in `people`.

use chrono::{Offset, TimeDelta, TimeZone};
use std::path::Path;
use std::sync::Arc;
use traywarden::config::Config;
use traywarden::demo::people::{Action, Doing};
use traywarden::demo::plan::Lot;
use traywarden::demo::room::{Room, STEP, Truth};
use traywarden::demo::sensors::{Message, Sensor};
use traywarden::demo::story::{Story, TIME_ZONE};
use traywarden::engine::event::{Event, What};
use traywarden::intake::payload::{self, Decoded};
use traywarden::journal::{Did, Entry};
use traywarden::units::Timestamp;

/// The room runs this long unseen, long enough for trays of every age.
pub const UNSEEN: TimeDelta = TimeDelta::days(15);

/// A room to play: plan, devices and breakages in the story, people beside it.
pub struct Invented {
    pub story: Story,
    pub actions: Vec<Action>,
    /// What plants drink beside the usual.
    pub thirst: f64,
    /// The settings the room is watched by.
    pub config: Arc<Config>,
}

/// What the player tells.
#[expect(clippy::large_enum_variant, reason = "one lives at a time; a box for each would cost more")]
pub enum Played<'a> {
    /// For the engine.
    Event(Event),
    /// Not for the engine: a minute of truth and what grows.
    Minute(&'a Truth, &'a [Lot]),
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
        let mut room =
            Room::new(story.plan.clone(), story.breakages.clone(), from, timer, story.seed).thirsty(self.thirst);
        let mut sensors: Vec<Sensor> =
            story.devices.iter().map(|device| Sensor::new(device.clone(), story.starts_at, story.seed)).collect();
        let mut number = 0;
        let mut entry = |at: Timestamp, reported: Option<Timestamp>, did: &Did| {
            number += 1;
            let entry = Entry { at: reported, by: Some("Wren".into()), did: did.clone() };
            Event { at: whole_milliseconds(at), what: What::Journal { number, entry } }
        };
        let past = self.actions.iter().filter(|action| from <= action.at && action.at < story.starts_at);
        for (action, place) in past.zip(0..) {
            if let Doing::Did(did) = &action.doing {
                let reported_at = story.starts_at + TimeDelta::milliseconds(20 * place);
                tell(Played::Event(entry(reported_at, Some(action.at), did)));
            }
        }
        let mut next = self.actions.partition_point(|action| action.at < from);
        while room.at() < story.ends_at() {
            let until = room.at() + STEP;
            if room.at() == story.starts_at {
                room.begin();
            }
            let seen = room.at() >= story.starts_at;
            let mut events = Vec::new();
            while let Some(action) = self.actions.get(next).filter(|action| action.at < until) {
                match &action.doing {
                    Doing::Enter(span) => room.open_door(action.at + *span),
                    Doing::Did(did) => {
                        room.take(did);
                        if seen {
                            events.push(entry(action.at, None, did));
                        }
                    }
                }
                next += 1;
            }
            if seen {
                let truth = room.truth();
                for sensor in &mut sensors {
                    for message in sensor.publish(&truth, until) {
                        self.hear(&message, &mut events);
                    }
                }
                // Stable: what was said first at one instant stays first.
                events.sort_by_key(|event| event.at);
                for event in events {
                    tell(Played::Event(event));
                }
                if (room.at() - story.starts_at).num_seconds() % 60 == 0 {
                    tell(Played::Minute(&truth, room.lots()));
                }
            }
            room.step();
        }
    }

    fn hear(&self, message: &Message, events: &mut Vec<Event>) {
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
