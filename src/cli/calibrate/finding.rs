//! What the jars came to.

use super::heard::Hour;
use crate::engine::quality::calibration::{Correction, Jar, Verification};
use chrono::NaiveDate;

/// A jar, and the hour it was read from if the store had it.
pub(super) struct Found {
    pub(super) jar: Jar,
    pub(super) hour: Option<Hour>,
}

/// Everything that was worked out.
pub(super) struct Finding {
    pub(super) jars: Vec<Found>,
    pub(super) correction: Correction,
    pub(super) verification: Option<(Found, Verification)>,
    pub(super) date: NaiveDate,
}

impl Finding {
    /// No third jar speaks against it.
    pub(super) fn holds(&self) -> bool {
        self.verification.as_ref().is_none_or(|(_, verification)| verification.passes())
    }
}
