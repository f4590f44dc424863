//! A broker that keeps everything for whoever is away, however much it is.

#[path = "../broker/server.rs"]
#[expect(dead_code, reason = "shared with tests/broker, which uses the rest")]
mod broker_server;

pub use broker_server::Server;

pub fn start() -> Server {
    Server::start(|server| {
        format!(
            "allow_anonymous true\nmax_queued_messages 0\npersistence_location {}/\n",
            server.file("").trim_end_matches('/')
        )
    })
}
