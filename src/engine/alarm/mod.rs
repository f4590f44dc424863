//! Alarms by the life cycle of ANSI/ISA-18.2 (IEC 62682), as open texts restate it
//! and OPC UA Part 9 models it: a condition must hold for an on-delay, be gone for
//! an off-delay, and nothing returns to normal unseen.
//!
//! `kinds` has the words, `evidence` what a watch says of a condition, `table` a row of
//! reasons for each kind, `cycle` the states of one alarm, `register` all of them, `waking`
//! how urgent one is. Which conditions hold is
//! judged in the watches.

pub mod kinds;
pub mod evidence;
pub mod change;
pub mod table;
pub mod waking;
pub mod cycle;
pub mod register;

pub use change::AlarmChange;
pub use evidence::{Condition, Evidence, Harm};
pub use kinds::{AlarmKey, AlarmKind, AlarmState, Priority, REPORTED_IN_THE_DIGEST};
