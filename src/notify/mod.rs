//! What people are told: letters by mail, and a lamp or siren by MQTT.
//!
//! In reading order: `letter` is what is said, `wording` finds the sentences, `carrier`
//! is a way to tell them (`postman` with `message` is the mail, `annunciator` says what
//! a lamp is told), `outbox` decides when each parcel is tried (`waits`: how long after what), `post` is a carrier
//! with its queue.

pub(crate) mod annunciator;
pub mod carrier;
mod dialogue;
pub mod letter;
pub mod message;
pub mod outbox;
pub mod post;
pub mod postman;
pub mod waits;
pub mod wording;
