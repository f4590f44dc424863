//! One alarm at one moment, as a value for the store, the letters and the terminal.

use crate::alarm::evidence::Evidence;
use crate::alarm::harm::Harm;
use crate::alarm::kinds::{AlarmKey, AlarmState, Grade, Priority};
use crate::units::Timestamp;
use alloc::string::String;

/// One alarm at one moment: what changed and what is known.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AlarmChange {
    /// When it changed.
    pub at: Timestamp,
    /// The alarm that is answered, by kind and subject.
    pub key: AlarmKey,
    /// When the condition of this episode began to hold (not when it was raised).
    pub since: Timestamp,
    /// The state it is in now.
    pub state: AlarmState,
    /// The state it was in before; equal to `state` when only the priority changed.
    pub before: AlarmState,
    /// When somebody must hear of it.
    pub priority: Priority,
    /// When harm begins; `None` if none is in sight.
    pub harm: Option<Harm>,
    /// The chance, 0 to 1, that harm begins before the next round if nobody comes.
    pub chance: f64,
    /// Times it came and went in this episode, from 1.
    pub times: u32,
    /// The next round at the time of the change.
    pub next_round: Timestamp,
    /// The numbers behind it.
    pub evidence: Evidence,
    /// It is over, but what ended it gave no numbers: those of `evidence` are of before.
    pub numbers_are_past: bool,
    /// Its condition is gone, and it is over once that has lasted.
    #[serde(default)]
    pub easing: bool,
    /// Who answered it, for an acknowledgement or a shelving.
    pub by: Option<String>,
    /// When they did.
    pub answered_at: Option<Timestamp>,
    /// When it was last over.
    pub returned_at: Option<Timestamp>,
    /// Whether its call was right, if they said so.
    pub grade: Option<Grade>,
}
