//! A story: a room, its devices, its people, what breaks and what ought to be
//! noticed. Played, it becomes messages and, beside them, the truth. The
//! stories themselves are in `nights`, the people's habits in `people`.

use super::people::{Doing, Habits, PlannedAction};
use super::plan::{Breakage, PlannedLot, RoomPlan, TIME_ZONE};
use super::room::{Room, STEP, Truth};
use super::sensors::{Device, Measures, Message, RoomSensor};
use crate::engine::alarm::AlarmKind;
use crate::journal::{Did, Entry, Target};
use crate::units::Timestamp;
use chrono::{Offset, TimeDelta, TimeZone};
use std::fmt::Write;

/// Where its journal entries are published.
const JOURNAL_TOPIC: &str = "traywarden/saltmarsh-lane/journal";

/// A room with a past and a few nights ahead.
#[derive(Clone, Debug)]
pub struct Story {
    /// Short, in letters and hyphens; also the name of its files.
    pub name: &'static str,
    /// What happens, in a sentence or two.
    pub about: &'static str,
    /// All chance comes from here.
    pub seed: u64,
    /// When the messages begin.
    pub starts_at: Timestamp,
    /// How long they go on.
    pub span: TimeDelta,
    /// What stands in the room.
    pub plan: RoomPlan,
    /// What publishes.
    pub devices: Vec<Device>,
    /// What breaks.
    pub breakages: Vec<Breakage>,
    /// What the people do.
    pub habits: Habits,
    /// What ought to be noticed.
    pub expected: Expected,
}

/// What a good watch makes of a story. Drawn from the truth and from what a
/// grower needs, not from how any engine works.
#[derive(Clone, Debug, Default)]
pub struct Expected {
    /// When harm begins, if nobody does anything.
    pub harm: Option<TrueHarm>,
    /// Alarms that have to come.
    pub must: Vec<Must>,
    /// Alarms that have no business here.
    pub never: Vec<Never>,
    /// Nothing in the story is worth waking anybody for: no letter of the kind `alarm`.
    pub nobody_woken: bool,
}

/// An alarm that has to come.
#[derive(Clone, Debug, PartialEq)]
pub struct Must {
    /// One of these kinds is enough.
    pub any_of: Vec<AlarmKind>,
    /// About this place, sensor, reservoir or tray; `None`: about anything.
    pub subject: Option<String>,
    /// Raised before this it would be a false one.
    pub not_before: Timestamp,
    /// Raised after this it would be no use.
    pub by: Timestamp,
    /// Waiting for the next round would cost: the priority has to reach `now` in time.
    pub wakes: bool,
}

/// An alarm that must not come.
#[derive(Clone, Debug, PartialEq)]
pub struct Never {
    /// The kind that must not come.
    pub kind: AlarmKind,
    /// About this; `None`: about anything.
    pub subject: Option<String>,
}

/// What harm means in a story.
#[derive(Clone, Debug, PartialEq)]
pub enum TrueHarm {
    /// Warmer than this, Celsius, in the place with this index.
    AirAbove(usize, f64),
    /// Colder than this, Celsius, in the place with this index.
    AirBelow(usize, f64),
    /// More humid than this, per cent, for so many hours without a break, in the place with this index.
    DampFor(usize, f64, i64),
    /// The water is at the pump inlet.
    TankAtInlet,
    /// More than this has run out of the tank, litres.
    LitresLost(f64),
}

/// A story that was played.
#[derive(Clone, Debug, PartialEq)]
pub struct Played {
    /// What a subscriber hears, in order.
    pub messages: Vec<Message>,
    /// How it really was, minute by minute.
    pub truths: Vec<Truth>,
}

impl Story {
    /// Plays the whole story. The same story gives the same bytes, always.
    pub fn play(&self) -> Played {
        let warm_from = self.starts_at - WARM_UP;
        let ends_at = self.ends_at();
        let offset = TIME_ZONE.offset_from_utc_datetime(&self.starts_at.naive_utc()).fix().local_minus_utc();
        let timer_offset = TimeDelta::seconds(i64::from(offset));
        let mut room = Room::new(self.plan.clone(), self.breakages.clone(), warm_from, timer_offset, self.seed);
        let mut sensors: Vec<RoomSensor> =
            self.devices.iter().map(|device| RoomSensor::new(device.clone(), self.starts_at, self.seed)).collect();
        let actions = self.habits.actions(&self.plan.lots, warm_from, self.starts_at, ends_at, self.seed);
        let mut next_action = 0;
        let mut played = Played { messages: self.journal(&actions), truths: Vec::new() };
        while room.at() < ends_at {
            let until = room.at() + STEP;
            if room.at() == self.starts_at {
                room.begin();
            }
            while let Some(action) = actions.get(next_action).filter(|action| action.at < until) {
                match &action.doing {
                    Doing::Enter(span) => room.open_door(action.at + *span),
                    Doing::Did(did) => room.take(did),
                }
                next_action += 1;
            }
            if room.at() >= self.starts_at {
                let truth = room.truth();
                for sensor in &mut sensors {
                    played.messages.extend(sensor.publish(&truth, until));
                }
                if (room.at() - self.starts_at).num_seconds() % 60 == 0 {
                    played.truths.push(truth);
                }
            }
            room.step();
        }
        // Stable: what was said first at one instant stays first.
        played.messages.sort_by_key(|message| message.at);
        played
    }

    /// When the story is over.
    pub fn ends_at(&self) -> Timestamp {
        self.starts_at + self.span
    }

    /// The messages as `mosquitto_sub -F %j` writes them, one JSON object a line.
    pub fn capture(&self) -> impl Iterator<Item = String> {
        self.play().messages.into_iter().map(|message| capture_line(&message))
    }

    /// The config of this room: the daemon would run on it, `rehearse` takes it
    /// as it is. `port` is the broker's; letters become files in `letters_folder`.
    pub fn config_text(&self, port: u16, store_path: &str, letters_folder: &str) -> String {
        let mut text = format!(
            r#"# Saltmarsh Lane, an invented room. Story: {name}
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
units = "us"
rounds = ["07:00", "19:00"]

[broker]
url = "mqtt://127.0.0.1:{port}"

[store]
path = {store}
keep_readings = "400 days"

[mail]
from = "warden@saltmarsh.example"
to = ["grower@saltmarsh.example"]
folder = {letters}
digest_at = "06:30"
"#,
            name = self.name,
            store = quoted(store_path),
            letters = quoted(letters_folder),
        );
        for place in &self.plan.places {
            let _ = write!(text, "\n[[place]]\nid = \"{}\"\nname = \"{}\"\n", place.id, title(&place.id));
        }
        for device in &self.devices {
            text.push_str(&self.device_text(device));
        }
        text
    }

    /// When harm begins by the truth; `None`: never, or the story has none.
    pub fn harm_begins(&self, truths: &[Truth]) -> Option<Timestamp> {
        let inlet = self.plan.tank.pump_inlet;
        match self.expected.harm.as_ref()? {
            TrueHarm::AirAbove(place, limit) => first(truths, |t| t.places[*place].temperature > *limit),
            TrueHarm::AirBelow(place, limit) => first(truths, |t| t.places[*place].temperature < *limit),
            TrueHarm::TankAtInlet => first(truths, |t| t.tank_depth <= inlet + 0.05),
            TrueHarm::LitresLost(limit) => first(truths, |t| t.leaked > *limit),
            TrueHarm::DampFor(place, limit, hours) => {
                let mut since = None;
                truths.iter().find_map(|truth| {
                    if truth.places[*place].humidity < *limit {
                        since = None;
                        return None;
                    }
                    let began = *since.get_or_insert(truth.at);
                    (truth.at - began >= TimeDelta::hours(*hours)).then_some(truth.at)
                })
            }
        }
    }

    fn device_text(&self, device: &Device) -> String {
        let every = device.every.num_seconds();
        match device.measures {
            Measures::TrueAir(place) => {
                let time = if device.stamped { "time = \"/time\"\n" } else { "" };
                format!(
                    "\n[[sensor]]\nid = \"{}\"\nplace = \"{}\"\ntopic = \"{}\"\nevery = \"{every} s\"\n{time}\
                     temperature = {{ pointer = \"/temperature\", unit = \"Cel\" }}\n\
                     humidity = {{ pointer = \"/humidity\", unit = \"%RH\" }}\n",
                    device.id, self.plan.places[place].id, device.topic
                )
            }
            Measures::Surface(place, _) => format!(
                "\n[[sensor]]\nid = \"{}\"\nplace = \"{}\"\nsurface = \"outside wall\"\ntopic = \"{}\"\nevery = \"{every} s\"\n\
                 temperature = {{ pointer = \"/temperature\", unit = \"Cel\" }}\n",
                device.id, self.plan.places[place].id, device.topic
            ),
            Measures::Distance(height) => {
                let tank = self.plan.tank;
                let feeds: Vec<String> =
                    self.plan.places.iter().filter(|p| p.watered).map(|p| format!("\"{}\"", p.id)).collect();
                format!(
                    "\n[[reservoir]]\nid = \"{}\"\nname = \"{}\"\nfeeds = [{}]\ntopic = \"{}\"\nevery = \"{every} s\"\n\
                     reads = {{ what = \"distance\", unit = \"mm\", sensor_height = \"{height} mm\" }}\n\
                     shape = {{ kind = \"box\", length = \"{} mm\", width = \"{} mm\", height = \"{} mm\" }}\n\
                     pump_inlet = \"{} mm\"\n",
                    device.id,
                    title(&device.id),
                    feeds.join(", "),
                    device.topic,
                    tank.length,
                    tank.width,
                    tank.height,
                    tank.pump_inlet
                )
            }
        }
    }

    /// The journal as messages. What was done before the story is told in its
    /// first seconds, with the time it was done; the rest when it is done.
    fn journal(&self, actions: &[PlannedAction]) -> Vec<Message> {
        if !self.habits.keeps_journal {
            return Vec::new();
        }
        let mut past: Vec<(Timestamp, Did)> = self.plan.lots.iter().flat_map(lot_history).collect();
        past.retain(|(at, _)| *at < self.starts_at);
        let reported = actions.iter().filter_map(|action| match &action.doing {
            Doing::Did(did) => Some((action.at, did.clone())),
            Doing::Enter(_) => None,
        });
        let (before, during): (Vec<_>, Vec<_>) = reported.partition(|(at, _)| *at < self.starts_at);
        past.extend(before);
        past.sort_by_key(|(at, _)| *at);
        let past = past.into_iter().zip(0..).map(|((at, did), place)| {
            let reported_at = self.starts_at + TimeDelta::milliseconds(1000 + 50 * place);
            journal_message(reported_at, Entry { at: Some(at), by: Some("Wren".into()), did })
        });
        let during =
            during.into_iter().map(|(at, did)| journal_message(at, Entry { at: None, by: Some("Wren".into()), did }));
        past.chain(during).collect()
    }
}

/// One line as `mosquitto_sub -F %j` writes it, in the site's local time.
fn capture_line(message: &Message) -> String {
    #[derive(serde::Serialize)]
    struct CaptureLine<'a> {
        tst: String,
        topic: &'a str,
        qos: u8,
        retain: u8,
        payload: std::borrow::Cow<'a, str>,
    }
    let line = CaptureLine {
        tst: message.at.with_timezone(&TIME_ZONE).format("%Y-%m-%dT%H:%M:%S%.6f%z").to_string(),
        topic: &message.topic,
        qos: 1,
        retain: u8::from(message.retained),
        payload: String::from_utf8_lossy(&message.payload),
    };
    serde_json::to_string(&line).expect("strings and small numbers always become JSON")
}

/// Sown, weight off, uncovered: what the journal says of a lot before the story.
fn lot_history(lot: &PlannedLot) -> Vec<(Timestamp, Did)> {
    let target = Target { tray: Some(lot.tray.clone()), place: None };
    let weight_off = lot.sown_at + TimeDelta::days(3);
    let mut reported = vec![(lot.sown_at, super::people::sowing(&lot.tray, &lot.place, &lot.crop, lot.count))];
    reported.push((weight_off, Did::Unweight(target.clone())));
    reported.extend(lot.lit_at.map(|at| (at, Did::Uncover(target))));
    reported
}

fn journal_message(at: Timestamp, entry: Entry) -> Message {
    let payload = serde_json::to_vec(&entry).expect("a journal entry always becomes JSON");
    Message { at, topic: JOURNAL_TOPIC.into(), payload, retained: false }
}

fn first(truths: &[Truth], holds: impl Fn(&Truth) -> bool) -> Option<Timestamp> {
    truths.iter().find(|truth| holds(truth)).map(|truth| truth.at)
}

/// "rack-a" as "Rack A".
fn title(id: &str) -> String {
    let capital = |word: &str| word.chars().take(1).flat_map(char::to_uppercase).chain(word.chars().skip(1)).collect();
    id.split('-').map(capital).collect::<Vec<String>>().join(" ")
}

/// A TOML string; JSON's escapes are a subset of TOML's.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// The room runs this long unseen, so that its air has settled when the story begins.
const WARM_UP: TimeDelta = TimeDelta::hours(36);
