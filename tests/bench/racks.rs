//! A room of racks, each with a sensor that speaks once a minute; the daemon that watches it;
//! and a backlog from a publisher in C.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// What the backlog is published on: the first rack's.
pub const TOPIC: &str = "loft/0";

/// Its settings, with the store beside them.
pub fn settings(racks: usize, port: u16) -> String {
    let mut text = format!(
        "[site]\nname = \"Saltmarsh Lane\"\ntime_zone = \"America/Chicago\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\n\
         [store]\npath = \"room.db\"\n[page]\nlisten = \"off\"\n"
    );
    for rack in 0..racks {
        let _ = write!(
            text,
            "[[place]]\nid = \"rack-{rack}\"\nname = \"Rack {rack}\"\n[[sensor]]\nid = \"air-{rack}\"\nplace = \"rack-{rack}\"\n\
             topic = \"loft/{rack}\"\nevery = \"1 min\"\n\
             temperature = {{ pointer = \"/t\", unit = \"Cel\" }}\nhumidity = {{ pointer = \"/h\", unit = \"%RH\" }}\n"
        );
    }
    text
}

pub fn watch(settings: &Path, log: &Path) -> Child {
    Command::new(env!("CARGO_BIN_EXE_traywarden"))
        .arg("--config")
        .arg(settings)
        .arg("run")
        .stdin(Stdio::null())
        .stderr(std::fs::File::create(log).expect("writable"))
        .spawn()
        .expect("the binary runs")
}

pub fn stop(daemon: &mut Child) {
    let asked = Command::new("kill").arg(daemon.id().to_string()).status().expect("kill runs");
    assert!(asked.success());
    daemon.wait().expect("it ends");
}

/// Messages of two readings each.
pub fn publish(port: u16, messages: usize) {
    let mut publisher = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1", "-t", TOPIC, "-l"])
        .stdin(Stdio::piped())
        .spawn()
        .expect("mosquitto_pub runs (apt install mosquitto-clients)");
    let mut lines = publisher.stdin.take().expect("it is piped");
    for number in 0..messages {
        writeln!(lines, "{{\"t\":{:.3},\"h\":55.5}}", 18.0 + (number % 6000) as f64 / 1000.0).expect("it listens");
    }
    drop(lines);
    assert!(publisher.wait().expect("it ends").success());
}
