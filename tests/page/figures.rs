//! The room for programs: what `/metrics` says is read by the OpenMetrics parser of Python's
//! prometheus_client, and `/health` says what is amiss.

use crate::broker_server::Server;
use crate::room::{FROM_AFAR, Room};
use std::io::Write;
use std::process::{Command, Stdio};

/// Prints a line a sample, as the parser understood it.
const PARSER: &str = r#"
import sys
try:
    from prometheus_client.openmetrics.parser import text_string_to_metric_families
except ImportError:
    sys.exit("pip install prometheus_client: the parser that /metrics is checked with")
for family in text_string_to_metric_families(sys.stdin.read()):
    for sample in family.samples:
        print(family.type, family.unit or "-", sample.name, sorted(sample.labels.items()), sample.value)
"#;

fn parsed(text: &str) -> String {
    let mut python = Command::new("python3")
        .args(["-c", PARSER])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python3 is installed");
    python.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = python.wait_with_output().unwrap();
    assert!(output.status.success(), "{}\n{text}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn another_parser_reads_every_figure_and_its_unit() {
    let broker = Server::start(|_| "allow_anonymous true\n".to_owned());
    let room = Room::on_broker("", broker.port);
    room.sown();
    let answer = room.until("the broker", || {
        let answer = room.get("/metrics");
        answer.body.contains("traywarden_broker_connected 1\n").then_some(answer)
    });
    let kind = answer.header("content-type").unwrap();
    assert!(kind.starts_with("application/openmetrics-text; version=1.0.0"), "{kind}");
    let parsed = parsed(&answer.body);
    for line in [
        "gauge - traywarden_trays_growing [] 2",
        "gauge - traywarden_broker_connected [] 1",
        "gauge - traywarden_sensor_silent [('sensor', 'tank')] 0",
        "gauge - traywarden_alarms_holding [('priority', 'now')] 0",
    ] {
        assert!(parsed.lines().any(|known| known == line), "{line} in\n{parsed}");
    }
    assert!(parsed.contains("info - traywarden_info [('site', 'Saltmarsh Lane')"), "{parsed}");
    assert!(parsed.contains("gauge seconds traywarden_judged_timestamp_seconds"), "{parsed}");
    assert_eq!((room.get("/health").status, room.get("/health").body.as_str()), (200, "The watch is well.\n"));
}

#[test]
fn figures_are_for_this_machine_unless_the_settings_open_them() {
    let room = Room::started("");
    let health =
        room.until("the broker to be missed", || Some(room.get("/health")).filter(|health| health.status == 503));
    assert_eq!(health.body, "There is no connection to the broker.\n");
    for path in ["/metrics", "/health"] {
        assert_eq!(room.ask("GET", path, &[FROM_AFAR], None).status, 403, "{path}");
        assert_eq!(room.ask("GET", path, &[("Host", "evil.example")], None).status, 421, "{path}");
    }
    let open = Room::with_page("metrics = \"local network\"\n");
    assert_eq!(open.ask("GET", "/metrics", &[FROM_AFAR], None).status, 200);
    assert_eq!(open.ask("GET", "/", &[FROM_AFAR], None).status, 401, "the sheet stays for paired phones");
}
