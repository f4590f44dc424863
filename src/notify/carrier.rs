//! A way to tell people: how a letter or an alarm becomes parcels, and one try to
//! bring a parcel to its recipient. When to try again is the outbox's business;
//! `post` gives each carrier a queue of its own, so that none waits for another.

use super::letter::{CarrierName, Letter, Parcel};
use super::waits::Refusal;
use crate::engine::alarm::AlarmChange;
use std::pin::Pin;

/// One try on its way.
pub(crate) type Attempt<'a> = Pin<Box<dyn Future<Output = Result<(), Refused>> + Send + 'a>>;

/// Why a parcel was not taken.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{text}")]
pub struct Refused {
    /// What the next try depends on.
    pub kind: Refusal,
    /// The other side's words or ours, with the remedy where there is one.
    pub text: String,
}

/// A way to tell people. A new one needs this, a word in [`CarrierName`], and its
/// place in the daemon's list.
pub trait Carrier: Send + Sync {
    /// Which one it is.
    fn name(&self) -> CarrierName;

    /// A letter as parcels, one for each recipient; empty when it carries no letters.
    fn letter(&self, letter: &Letter) -> Vec<Parcel>;

    /// A change of an alarm as a parcel, if it carries alarms themselves.
    fn alarm(&self, change: &AlarmChange) -> Option<Parcel>;

    /// A parcel takes the place of any that still waits for the same recipient.
    fn newest_only(&self) -> bool;

    /// Tries once. It may take long: the caller has a task of its own for each try.
    ///
    /// # Errors
    /// The refusal, with what it means for the next try.
    fn try_once<'a>(&'a self, parcel: &'a Parcel) -> Attempt<'a>;
}
