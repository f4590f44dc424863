//! One line of the check.

/// One thing that was looked at.
#[derive(Debug, PartialEq)]
pub(super) enum Point {
    /// It holds.
    Well(String),
    /// It does not, and what to do.
    Mend(String, String),
    /// What nobody watches, and what would change that.
    Blind(String),
}
