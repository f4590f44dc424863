//! What can happen to the engine and what it can ask for. The shells speak
//! these two enums and nothing else.

pub use crate::alarm::evidence::AtStake;
pub use crate::alarm::kinds::Grade;
use crate::alarm::{AlarmChange, AlarmKey, AlarmState};
use crate::journal::Entry;
pub use crate::letters::facts::{LetterFacts, LetterKind};
pub use crate::letters::situation::Occasion;
pub use crate::quality::judgement::{Doubt, Judgement};
use crate::reading::{RawReading, SensorId};
pub use crate::refusal::Garbled;
use crate::units::Timestamp;
pub use crate::watch::trays::notes::EntryNote;
pub use crate::watch::trays::refusal::{Amount, EntryRefusal};
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
        /// The entry as it was read, before anything was made of it.
        entry: Entry,
    },
    /// The grower answers an alarm.
    Command(Command),
    /// Connected to the broker and subscribed.
    BrokerUp,
    /// The connection to the broker is gone.
    BrokerDown,
    /// The broker throws us out again and again: somebody else uses our client id, and
    /// each takes messages meant for the other.
    SessionContested {
        /// How often lately.
        times: u32,
        /// The client id that both use.
        client_id: String,
    },
    /// Nobody else has used our client id for a while.
    SessionSettled,
    /// A message was too large to be taken; everything that waited at the broker was given
    /// up to get past it.
    SessionGivenUp {
        /// The size of the message.
        bytes: u64,
    },
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
    /// The store could not commit. Said again when what hangs on it has grown.
    StoreFailed {
        /// What the store answered.
        error: String,
        /// What hangs on it so far.
        at_stake: AtStake,
    },
    /// The store commits again.
    StoreRecovered,
    /// The store commits, but something of what it held is gone or is not what was saved.
    StoreHurt {
        /// What, as sentences without a full stop at the end.
        what: String,
    },
    /// The wall clock was set by this much; `at` is already the new time.
    ClockStepped {
        /// Positive: forward.
        by: TimeDelta,
    },
    /// Nothing but the passing of time.
    Tick,
}

/// What a grower can do about an alarm.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "command", rename_all = "kebab-case")]
pub enum Command {
    /// "I have seen it." Not: it is mended.
    Acknowledge {
        /// The alarm that is answered, by kind and subject.
        alarm: AlarmKey,
        /// Who says so, by name, as the answer gave it.
        by: String,
        /// Whether the call was right, if they say so.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grade: Option<Grade>,
    },
    /// Silence it until a time; it comes back by itself.
    Shelve {
        /// The alarm that is answered, by kind and subject.
        alarm: AlarmKey,
        /// Who says so, by name, as the answer gave it.
        by: String,
        /// When it comes back.
        until: Timestamp,
    },
    /// Bring a shelved or out-of-service alarm back now.
    Unshelve {
        /// The alarm that is answered, by kind and subject.
        alarm: AlarmKey,
        /// Who says so, by name, as the answer gave it.
        by: String,
    },
    /// Take it out of service, with a reason, until it is brought back.
    OutOfService {
        /// The alarm that is answered, by kind and subject.
        alarm: AlarmKey,
        /// Who says so, by name, as the answer gave it.
        by: String,
        /// Why it is taken out, in the person's words.
        reason: String,
    },
}

/// Why a command changed nothing.
#[derive(Clone, Debug, PartialEq)]
pub enum CommandRefusal {
    /// There never was such an alarm on this site.
    NoSuchAlarm {
        /// The alarm as it was named.
        alarm: AlarmKey,
    },
    /// The end of a shelf lies behind, or further ahead than a shelf may last.
    ShelfEnd,
    /// The alarm is in that state already.
    AlreadySo {
        /// The alarm that was answered.
        alarm: AlarmKey,
        /// The state it is in.
        state: AlarmState,
    },
}

/// One line of the log and what came of it, as it is kept.
#[derive(Clone, Debug, PartialEq)]
pub struct JournalLine {
    /// Its number in the journal, by which `log strike` names it.
    pub number: i64,
    /// When we were told.
    pub at: Timestamp,
    /// The entry as it was read, before anything was made of it.
    pub entry: Entry,
    /// Why it was refused, if it was.
    pub refused: Option<String>,
    /// The entry that struck it, if one did.
    pub struck_by: Option<i64>,
    /// What the grower was told about it.
    pub note: Vec<EntryNote>,
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
        /// What was wrong with it.
        why: EntryRefusal,
    },
    /// A command was refused.
    CommandRefused {
        /// What was wrong with it.
        why: CommandRefusal,
    },
}
