//! One line of the check.

/// One thing that was looked at.
#[derive(Debug, PartialEq)]
pub(super) enum CheckPoint {
    /// It is as it should be; what was found.
    Well(String),
    /// It does not, and what to do.
    Mend(String, String),
    /// What nobody watches, and what would change that.
    Blind(String),
}
