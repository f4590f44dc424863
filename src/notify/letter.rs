//! A letter as words, and as the bytes of one mail to one recipient.

use crate::engine::event::LetterKind;
use crate::units::Timestamp;

/// One letter in words, before it is addressed.
#[derive(Clone, Debug, PartialEq)]
pub struct Letter {
    /// The engine's id: unique for ever, and the same when the night is run again.
    pub id: String,
    /// A call, the letter of an evening or a round, the end of a conversation, or the digest.
    pub kind: LetterKind,
    /// When it was decided.
    pub at: Timestamp,
    /// The letter this one answers: mail programs show both in one thread.
    pub answers: Option<String>,
    /// Under 60 characters.
    pub subject: String,
    /// Plain text; its first line is the action.
    pub text: String,
    /// The same as HTML.
    pub html: String,
    /// Pictures shown in the HTML.
    pub pictures: Vec<Picture>,
}

/// A picture inside a letter.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// What the HTML calls it (`cid:`).
    pub name: String,
    /// PNG bytes.
    pub png: Vec<u8>,
}

/// A way to tell people. The words stand in the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CarrierName {
    /// Letters by mail.
    Mail,
    /// Alarms as retained MQTT messages, for a lamp or siren.
    Lamp,
}

impl CarrierName {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            CarrierName::Mail => "mail",
            CarrierName::Lamp => "lamp",
        }
    }

    /// The carrier of this word.
    pub(crate) fn from_word(word: &str) -> Option<CarrierName> {
        [CarrierName::Mail, CarrierName::Lamp].into_iter().find(|carrier| carrier.word() == word)
    }
}

/// What tells one parcel from every other, for ever.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ParcelKey {
    /// The letter's id; for a lamp the change of the alarm.
    pub letter: String,
    /// By which way it goes.
    pub carrier: CarrierName,
    /// A mail address; for a lamp the topic.
    pub recipient: String,
}

/// One letter on one carrier to one recipient, finished. One refused recipient must not
/// take the others down, so each gets a parcel of their own.
#[derive(Clone, Debug, PartialEq)]
pub struct Parcel {
    /// By what it is found again: letter, carrier and recipient.
    pub key: ParcelKey,
    /// A mail's Message-ID, the same at every try.
    pub message_id: Option<String>,
    /// A mail: the whole message, RFC 5322. A lamp: the payload.
    pub bytes: Vec<u8>,
}
