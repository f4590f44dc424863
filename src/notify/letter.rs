//! A letter as words, and as the bytes of one mail to one recipient.

use crate::engine::event::LetterKind;
use crate::units::Timestamp;

/// One letter in words, before it is addressed.
#[derive(Clone, Debug, PartialEq)]
pub struct Letter {
    /// The engine's id: unique for ever, and the same when the night is run again.
    pub id: String,
    /// Which letter.
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

/// The finished bytes of one mail to one recipient. One refused recipient must
/// not take the others down, so each gets a mail of their own.
#[derive(Clone, Debug, PartialEq)]
pub struct Mail {
    /// The letter's id.
    pub letter: String,
    /// The recipient's address.
    pub recipient: String,
    /// The sender's address.
    pub sender: String,
    /// The Message-ID, the same at every try.
    pub message_id: String,
    /// The whole message, RFC 5322.
    pub bytes: Vec<u8>,
}
