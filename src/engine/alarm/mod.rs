//! Alarms by the life cycle of ANSI/ISA-18.2 (IEC 62682), as open texts restate it
//! and OPC UA Part 9 models it: a condition must hold for an on-delay, be gone for
//! an off-delay, and nothing returns to normal unseen.
//!
//! `kinds` has the words, `evidence` what a watch says of a condition, `table` a row of
//! reasons for each kind, `pending` a condition on its way, `cycle` the states of one alarm, `register` all of them, `harm` when it
//! does harm and how likely, `waking` how urgent it is, `account` how good its calls were. Which conditions hold is
//! judged in the watches.

pub mod harm;
pub mod kinds;
pub mod evidence;
pub mod change;
pub mod table;
pub(crate) mod waking;
mod pending;
pub mod cycle;
pub(crate) mod register;
pub mod account;

pub use change::AlarmChange;
pub use evidence::{Condition, Evidence};
pub use harm::Harm;
pub use kinds::{AlarmKey, AlarmKind, AlarmState, Priority, REPORTED_IN_THE_DIGEST};
