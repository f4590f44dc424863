//! What a letter must know of replies: whether they are read, and where they go.

use crate::units::Timestamp;

/// How letters are answered just now, and what became of replies since the last digest.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Answering {
    /// Replies are read; `None`: they are not.
    pub by_mail: Option<ByMail>,
    /// Replies that were not taken, for want of a mark or of an address we write to.
    pub refused: u32,
    /// The mailbox could not be read since then, and why.
    pub deaf: Option<(Timestamp, String)>,
}

/// What a reply to one letter needs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ByMail {
    /// Where it goes.
    pub address: String,
    /// The letter's code, for mail programs that lose its Message-ID.
    pub code: String,
}
