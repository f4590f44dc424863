//! What people are told: letters by mail, and a lamp or siren by MQTT.

pub mod letter;
