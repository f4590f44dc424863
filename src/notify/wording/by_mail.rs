//! What a letter is told besides its facts: whether replies are read and where they go, and
//! what changes of the settings are proposed.

use crate::engine::alarm::AlarmKind;
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
    /// Changes of the settings that would have spared calls people said were wrong.
    pub proposals: Vec<Proposal>,
}

/// What a reply to one letter needs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ByMail {
    /// Where it goes.
    pub address: String,
    /// The letter's code, for mail programs that lose its Message-ID.
    pub code: String,
}

/// A change of the settings, and what it would have done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proposal {
    /// The kind of alarm it is for.
    pub kind: AlarmKind,
    /// The line to write, under the table of the kind.
    pub line: String,
    /// Calls there were in the month.
    pub calls: usize,
    /// How many of them would not have come.
    pub spared: usize,
    /// How many of those were said to be wrong.
    pub spared_wrong: usize,
    /// How many of those were said to be right.
    pub lost_right: usize,
}
