//! The facts of one letter; `notify::wording` makes sentences of them.

use crate::alarm::AlarmChange;
use crate::letters::digest::DigestFacts;
use crate::units::Timestamp;
use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec::Vec;

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
    /// Whether it calls, tells of a round, or is the day's digest.
    pub kind: LetterKind,
    /// The letter this one answers: the raise of the same episode.
    pub answers: Option<String>,
    /// The alarms in it, most urgent first.
    pub alarms: Vec<(Occasion, AlarmChange)>,
    /// The day, for a digest.
    pub digest: Option<Box<DigestFacts>>,
}
