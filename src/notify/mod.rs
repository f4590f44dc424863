//! What people are told: letters by mail, and a lamp or siren by MQTT.
//!
//! In reading order: `letter` is what is said, `wording` finds the sentences,
//! `message` makes mails of them, `outbox` decides when each is tried, `postman`
//! tries once, `annunciator` tells the lamp.

pub mod annunciator;
pub mod letter;
pub mod message;
pub mod outbox;
pub mod postman;
pub mod wording;
