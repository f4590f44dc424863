//! What can happen to the engine and what it can ask for. The shells speak
//! these two enums and nothing else.

use super::alarm::{AlarmChange, AlarmKey};
use super::digest::DigestFacts;
use crate::journal::Entry;
use crate::reading::{Flag, RawReading, Reading, SensorId};
use crate::units::Timestamp;
use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Something that happened. `at` is when this machine learnt of it; it orders
/// everything and never runs backwards.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// When we learnt of it.
    pub at: Timestamp,
    /// What happened.
    pub what: What,
}

/// The kinds of things that happen.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// The daemon began to listen. Between the event before and this one
    /// nobody watched, so that span is neither silence nor calm.
    Started,
    /// A sensor gave a value.
    Reading(RawReading),
    /// A sensor spoke but gave no value (null, NaN, a word for "none").
    NoValue(SensorId),
    /// A message that is no reading. `sensor` is whose topic it came on.
    Garbled {
        /// The sensor that owns the topic, if any does.
        sensor: Option<SensorId>,
        /// Why it was refused.
        reason: Garbled,
    },
    /// The grower did something. `number` is the entry's number in the journal.
    Journal {
        /// The number the store gives this entry, from 1.
        number: i64,
        /// The entry.
        entry: Entry,
    },
    /// The grower answers an alarm.
    Command(Command),
    /// Connected to the broker and subscribed.
    BrokerUp,
    /// The connection to the broker is gone.
    BrokerDown,
    /// The mail server took this letter.
    LetterSent {
        /// The letter's id.
        letter: String,
    },
    /// The mail server did not take this letter; the outbox tries again or gives up.
    LetterFailed {
        /// The letter's id.
        letter: String,
        /// The server's words, or ours.
        error: String,
    },
    /// The store could not commit.
    StoreFailed {
        /// What it said.
        error: String,
    },
    /// The store commits again.
    StoreRecovered,
    /// The wall clock was set by this much; `at` is already the new time.
    ClockStepped {
        /// Positive: forward.
        by: TimeDelta,
    },
    /// Nothing but the passing of time.
    Tick,
}

/// Why a message is no reading. The words are stable: they are counted by name
/// in the rehearsal summary, in `now` and in the digest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Garbled {
    /// No bytes at all.
    Empty,
    /// More bytes than any reading needs.
    TooLarge,
    /// Not text, or not what the sensor's payload was declared to be.
    NotReadable,
    /// Readable, but the declared field is not in it.
    FieldMissing,
    /// The field is there but is no number.
    NotANumber,
    /// A unit that does not fit the quantity.
    WrongUnit,
    /// A number no quantity of ours can have.
    OutOfThisWorld,
    /// A topic no sensor of the config owns.
    UnknownTopic,
    /// A journal entry that could not be read.
    BadEntry,
}

impl Garbled {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Garbled::Empty => "empty",
            Garbled::TooLarge => "too-large",
            Garbled::NotReadable => "not-readable",
            Garbled::FieldMissing => "field-missing",
            Garbled::NotANumber => "not-a-number",
            Garbled::WrongUnit => "wrong-unit",
            Garbled::OutOfThisWorld => "out-of-this-world",
            Garbled::UnknownTopic => "unknown-topic",
            Garbled::BadEntry => "bad-entry",
        }
    }
}

/// What a grower can do about an alarm.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "command", rename_all = "kebab-case")]
pub enum Command {
    /// "I have seen it." Not: it is mended.
    Acknowledge {
        /// Which alarm.
        alarm: AlarmKey,
        /// Who.
        by: String,
    },
    /// Silence it until a time; it comes back by itself.
    Shelve {
        /// Which alarm.
        alarm: AlarmKey,
        /// Who.
        by: String,
        /// When it comes back.
        until: Timestamp,
    },
    /// Bring a shelved or out-of-service alarm back now.
    Unshelve {
        /// Which alarm.
        alarm: AlarmKey,
        /// Who.
        by: String,
    },
    /// Take it out of service, with a reason, until it is brought back.
    OutOfService {
        /// Which alarm.
        alarm: AlarmKey,
        /// Who.
        by: String,
        /// Why.
        reason: String,
    },
}

/// Something for the shells to do, in this order.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// A raw reading was judged; write it down.
    Judged(Judgement),
    /// An alarm changed its state, its priority or its facts worth telling.
    Alarm(AlarmChange),
    /// Somebody must be written to.
    Letter(LetterFacts),
    /// A journal entry was taken; `note` is what the grower should know about it.
    EntryTaken {
        /// The entry's number.
        number: i64,
        /// What to tell the grower, empty if nothing.
        note: Vec<EntryNote>,
    },
    /// A journal entry was refused.
    EntryRefused {
        /// The entry's number.
        number: i64,
        /// Why, as a sentence.
        why: String,
    },
    /// A command was refused.
    CommandRefused {
        /// Why, as a sentence.
        why: String,
    },
}

/// What the engine noticed about a journal entry it took.
#[derive(Clone, Debug, PartialEq)]
pub enum EntryNote {
    /// What was sown, in grams of seed: each kind of a blend, and how many trays.
    SeedShares {
        /// Kinds with the grams in one tray.
        each: Vec<(String, f64)>,
        /// How many trays.
        trays: u32,
    },
    /// The days on which it will want hands, counted from sowing.
    Plan {
        /// The weight comes off; `None`: never under weight.
        weight_off_day: Option<f64>,
        /// To the light.
        light_day: f64,
        /// First usual day to cut.
        harvest_from: f64,
        /// Last usual day to cut.
        harvest_to: f64,
    },
    /// The kinds of a blend are ready for light or harvest more than a day apart.
    BlendApart {
        /// To the light, or to be cut.
        step: super::digest::Due,
        /// The kind that is ready first.
        first: String,
        /// Its day.
        first_day: f64,
        /// The kind that is ready last.
        last: String,
        /// Its day.
        last_day: f64,
    },
    /// The seed is sown denser than extension advises.
    Dense {
        /// Seeds a square inch.
        per_square_inch: f64,
        /// Advised, from.
        advised_from: f64,
        /// Advised, to.
        advised_to: f64,
    },
    /// The tray was brought into this stage before; the first time stands.
    DoneBefore {
        /// The tray.
        tray: String,
        /// The stage.
        stage: super::tray::Stage,
    },
    /// No tray stands there, so nothing changed.
    NoTrayThere {
        /// The place's id; `None`: the whole site.
        place: Option<String>,
    },
    /// Entries that only made sense after a struck one, and count no more either.
    FellWithIt {
        /// Their numbers.
        entries: Vec<i64>,
    },
    /// The crop is not in the table; it is taken for a usual small brassica.
    UnknownCrop {
        /// As the grower wrote it.
        crop: String,
    },
    /// Trays in different stages now share this place's air, and no humidity suits all.
    BandsClash {
        /// The place.
        place: String,
        /// The tray whose band clashes with the rest.
        tray: String,
    },
}

/// What the quality stage made of one raw reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Judgement {
    /// What was heard.
    pub raw: RawReading,
    /// The flag it got.
    pub flag: Flag,
    /// Why, when the flag is not good.
    pub reason: Option<Doubt>,
    /// What is believed of it. `None` for every flag but good and suspect.
    pub believed: Option<Reading>,
}

/// Why a reading is doubted. The words are stable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Doubt {
    /// Outside what the sensor or the room can have.
    Range,
    /// A value common probes give for "just powered on" or "not connected".
    FaultCode,
    /// Jumped away; believed only when the next reading confirms it.
    Spike,
    /// Changed faster than room air or a tank can.
    Rate,
    /// Has not moved for longer than a live sensor can stand still.
    FlatLine,
    /// Humidity pinned at the top of its scale.
    Saturated,
    /// Retained by the broker: its age is unknown.
    Retained,
    /// Measured too long ago to speak for the present.
    Late,
    /// The same measurement was taken before.
    Duplicate,
    /// An echo whose air is not known, so that its warmth could not be taken out.
    Uncorrected,
}

impl Doubt {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Doubt::Range => "range",
            Doubt::FaultCode => "fault-code",
            Doubt::Spike => "spike",
            Doubt::Rate => "rate",
            Doubt::FlatLine => "flat-line",
            Doubt::Saturated => "saturated",
            Doubt::Retained => "retained",
            Doubt::Late => "late",
            Doubt::Duplicate => "duplicate",
            Doubt::Uncorrected => "uncorrected",
        }
    }
}

/// Which of the three letters it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LetterKind {
    /// Hands are needed before the next round, or something it said has changed.
    Alarm,
    /// Sent just before a round: what to look at on it.
    Round,
    /// The daily one.
    Digest,
}

impl LetterKind {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            LetterKind::Alarm => "alarm",
            LetterKind::Round => "round",
            LetterKind::Digest => "digest",
        }
    }
}

/// Why an alarm stands in a letter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Occasion {
    /// It is new.
    Raised,
    /// It was in a letter before, and has become more urgent.
    Escalated,
    /// Nobody has answered; this is reminder number `n`, from 1.
    Reminder(u8),
    /// It is over.
    Returned,
    /// It waits for the round.
    Waiting,
}

/// The facts of one letter; `notify::wording` makes sentences of them.
#[derive(Clone, Debug, PartialEq)]
pub struct LetterFacts {
    /// Unique for ever, and the same when the night is run again.
    pub id: String,
    /// When it was decided.
    pub at: Timestamp,
    /// Which letter.
    pub kind: LetterKind,
    /// The letter this one answers: the raise of the same episode.
    pub answers: Option<String>,
    /// The alarms in it, most urgent first.
    pub alarms: Vec<(Occasion, AlarmChange)>,
    /// The day, for a digest.
    pub digest: Option<Box<DigestFacts>>,
}
