//! The facts of one letter; `notify::wording` makes sentences of them.

use crate::alarm::AlarmChange;
use crate::letters::digest::DigestFacts;
use crate::letters::situation::{Occasion, Situation};
use crate::units::Timestamp;
use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec::Vec;

/// Which of the letters it is. Only the first may wake somebody.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LetterKind {
    /// A call, or its reminder: hands are needed before the next round.
    Alarm,
    /// Before people sleep: what will need hands before the morning, or cannot be watched.
    Evening,
    /// Sent just before a round: what to look at on it.
    Round,
    /// All that was open in the conversation is over.
    Over,
    /// The daily one.
    Digest,
}

impl LetterKind {
    /// Every kind.
    pub const ALL: [LetterKind; 5] =
        [LetterKind::Alarm, LetterKind::Evening, LetterKind::Round, LetterKind::Over, LetterKind::Digest];

    /// What [`LetterKind::word`] gave.
    pub fn from_word(word: &str) -> Option<LetterKind> {
        LetterKind::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            LetterKind::Alarm => "alarm",
            LetterKind::Evening => "evening",
            LetterKind::Over => "over",
            LetterKind::Round => "round",
            LetterKind::Digest => "digest",
        }
    }
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
    /// The letter that opened this conversation; the one thread of a night hangs on it.
    pub answers: Option<String>,
    /// What it tells, alarms of one cause together, most urgent first.
    pub situations: Vec<Situation>,
    /// What the letter before it named and this one does not: over, silenced, or such that no harm
    /// of it is in sight.
    pub no_longer: Vec<AlarmChange>,
    /// The day, for a digest.
    pub digest: Option<Box<DigestFacts>>,
}

impl LetterFacts {
    /// Every alarm in it with why it stands there, in the letter's order.
    pub fn alarms(&self) -> impl Iterator<Item = (Occasion, &AlarmChange)> {
        let each = |situation: &'_ Situation| situation.occasion;
        self.situations.iter().flat_map(move |situation| {
            let occasion = each(situation);
            situation.alarms.iter().map(move |change| (occasion, change))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_letter_is_found_again_by_its_word_in_a_store() {
        let words = LetterKind::ALL.map(LetterKind::word);
        assert_eq!(words, ["alarm", "evening", "round", "over", "digest"]);
        assert_eq!(words.map(LetterKind::from_word), LetterKind::ALL.map(Some));
    }
}
