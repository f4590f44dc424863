//! The watch over the watch: the beat to a web server, and `guard` on another machine,
//! against a real broker and a real mail server.

#![expect(clippy::unwrap_used, reason = "a test that unwraps says where it broke")]

mod beat;
#[path = "../broker/server.rs"]
#[expect(dead_code, reason = "shared with tests/broker, which uses the rest")]
mod broker_server;
#[path = "../mail/server.rs"]
#[expect(dead_code, reason = "shared with tests/mail, which uses the rest")]
mod mail_server;
#[path = "../daemon/room.rs"]
#[expect(dead_code, reason = "shared with tests/daemon, which uses the rest")]
mod room;
