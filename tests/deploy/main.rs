//! What is shipped beside the program: the systemd unit under the judgement of
//! `systemd-analyze`, and the example broker files in a real mosquitto. Needs the
//! Debian packages `systemd`, `mosquitto` and `mosquitto-clients`.

mod broker;
mod unit;
