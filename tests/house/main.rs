//! Scenarios and laws on the pure parts of traywarden: no socket, no clock.

mod bad_config;
mod bad_devices;
mod bad_post;
mod calibrate;
mod calls;
mod files;
mod grades;
mod journal;
mod letters;
mod night;
mod rehearsals;
mod scenarios;
mod sowings;
mod tanks;
mod trust;
mod waterings;
