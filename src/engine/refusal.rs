//! Why a message is no reading, and the words by which refusals are counted: of messages, and
//! of readings that are doubted. A word read back from a state that was kept is looked up
//! here; one that is none of them was not written by this program.

use crate::quality::judgement::Doubt;
use alloc::collections::BTreeMap;
use alloc::string::String;
use serde::de::{Deserialize, Deserializer, Error};
use serde::ser::{Serialize, Serializer};

listed! {
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
        /// A journal entry for another site, of which no watch is on the broker.
        OtherSite,
    }
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
            Garbled::OtherSite => "other-site",
        }
    }
}

/// A stable word. By a name of its own, because serde takes what looks like a borrowed text for
/// one that is borrowed from what it reads.
pub type RefusalWord = &'static str;

/// A sensor spoke and gave no value.
pub(crate) const NO_VALUE: &str = "no-value";

/// The same word, as the program has it.
pub(crate) fn known(word: &str) -> Option<RefusalWord> {
    let garbled = Garbled::ALL.into_iter().map(Garbled::word);
    let doubts = Doubt::ALL.into_iter().map(Doubt::word);
    garbled.chain(doubts).chain([NO_VALUE]).find(|known| *known == word)
}

pub(crate) fn serialize<S: Serializer>(word: &&'static str, to: S) -> Result<S::Ok, S::Error> {
    word.serialize(to)
}

pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<&'static str, D::Error> {
    let word = String::deserialize(from)?;
    known(&word).ok_or_else(|| D::Error::custom("no word for a refusal"))
}

/// Counts by word.
pub(crate) mod counts {
    use super::*;

    pub(crate) fn serialize<S: Serializer>(counts: &BTreeMap<&'static str, u32>, to: S) -> Result<S::Ok, S::Error> {
        counts.serialize(to)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<BTreeMap<&'static str, u32>, D::Error> {
        let read = BTreeMap::<String, u32>::deserialize(from)?;
        let known = |(word, count): (String, u32)| Some((known(&word)?, count));
        read.into_iter().map(known).collect::<Option<_>>().ok_or_else(|| D::Error::custom("no word for a refusal"))
    }
}
