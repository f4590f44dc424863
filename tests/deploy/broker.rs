//! The example broker files in a real mosquitto: who may say what to whom.

use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

const PASSWORD: &str = "only-for-this-test";
const USERS: [&str; 5] = ["traywarden", "rack-a", "tank", "button", "lamp"];

/// A broker with the shipped files; only ports and paths differ.
struct Broker {
    port: u16,
    sensor_port: u16,
    _folder: tempfile::TempDir,
    process: Child,
}

impl Broker {
    fn start() -> Broker {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = |name: &str| folder.path().join(name).display().to_string();
        let passwords = path("traywarden.passwords");
        for (index, user) in USERS.into_iter().enumerate() {
            let create: &[&str] = if index == 0 { &["-c"] } else { &[] };
            let output = tool("mosquitto_passwd", "mosquitto")
                .args(create)
                .args(["-b", &passwords, user, PASSWORD])
                .output()
                .expect("a tool that was found runs");
            assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        }
        std::fs::write(path("traywarden.acl"), shipped("acl")).expect("the folder can be written");
        let (port, sensor_port) = (free_port(), free_port());
        let ours = [
            ("listener 1883 127.0.0.1", format!("listener {port} 127.0.0.1")),
            ("listener 1884", format!("listener {sensor_port} 127.0.0.1")),
            ("password_file /etc/mosquitto/traywarden.passwords", format!("password_file {passwords}")),
            ("acl_file /etc/mosquitto/traywarden.acl", format!("acl_file {}", path("traywarden.acl"))),
        ];
        let lines: Vec<String> = shipped("mosquitto.conf")
            .lines()
            .map(|line| ours.iter().find(|(theirs, _)| *theirs == line).map_or(line.to_owned(), |(_, own)| own.clone()))
            .collect();
        for (theirs, own) in &ours {
            assert!(lines.contains(own), "deploy/mosquitto.conf no longer has the line {theirs:?}");
        }
        std::fs::create_dir(path("conf.d")).expect("the folder can be written");
        std::fs::write(path("conf.d/traywarden.conf"), lines.join("\n")).expect("the folder can be written");
        // Like Debian's own file, which includes ours. Started by root it would become a
        // user that cannot read the folder.
        let debian = format!(
            "user root\npersistence true\npersistence_location {}/\ninclude_dir {}\n",
            folder.path().display(),
            path("conf.d")
        );
        std::fs::write(path("mosquitto.conf"), debian).expect("the folder can be written");
        let mut process = tool("mosquitto", "mosquitto")
            .args(["-c", &path("mosquitto.conf")])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("a tool that was found runs");
        for port in [port, sensor_port] {
            wait_until_it_listens(&mut process, port);
        }
        Broker { port, sensor_port, _folder: folder, process }
    }

    fn client(&self, program: &str, user: &str, arguments: &[&str]) -> Output {
        let port = if matches!(user, "traywarden" | "nobody") { self.port } else { self.sensor_port }.to_string();
        let login: &[&str] = if user == "nobody" { &[] } else { &["-u", user, "-P", PASSWORD] };
        tool(program, "mosquitto-clients")
            .args(["-h", "127.0.0.1", "-p", &port, "-q", "1"])
            .args(login)
            .args(arguments)
            .output()
            .expect("a tool that was found runs")
    }

    /// From here on the broker keeps for this user what it may read of `topics`.
    fn subscribe(&self, user: &str, topics: &[&str]) {
        let mut arguments = vec!["-c", "-i", user, "-E"];
        arguments.extend(topics.iter().flat_map(|topic| ["-t", *topic]));
        let output = self.client("mosquitto_sub", user, &arguments);
        assert!(output.status.success(), "{user}: {}", String::from_utf8_lossy(&output.stderr));
    }

    fn say(&self, user: &str, topic: &str) {
        let output = self.client("mosquitto_pub", user, &["-c", "-i", &format!("{user}-out"), "-t", topic, "-m", "1"]);
        assert!(output.status.success(), "{user} on {topic}: {}", String::from_utf8_lossy(&output.stderr));
    }

    /// The first `count` topics that were kept for the user; fewer after ten seconds.
    fn heard(&self, user: &str, count: usize, wait_seconds: &str) -> Vec<String> {
        let count = count.to_string();
        // "-t" must be given; the session has its subscriptions already.
        let arguments = ["-c", "-i", user, "-C", &count, "-W", wait_seconds, "-F", "%t", "-t", "$SYS/nothing"];
        let output = self.client("mosquitto_sub", user, &arguments);
        String::from_utf8_lossy(&output.stdout).lines().map(str::to_owned).collect()
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        // It may have ended by itself in a failing test.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn shipped(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|free| free.local_addr()).expect("a free port").port()
}

/// Debian puts the broker into /usr/sbin, which not every shell searches.
fn tool(name: &str, package: &str) -> Command {
    let folders = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&folders)
        .chain([Path::new("/usr/sbin").to_path_buf()])
        .map(|folder| folder.join(name))
        .find(|path| path.is_file())
        .unwrap_or_else(|| panic!("this test needs {name}; install it with: apt install {package}"));
    Command::new(found)
}

fn wait_until_it_listens(process: &mut Child, port: u16) {
    for _ in 0..500 {
        if TcpStream::connect(("127.0.0.1", port)).is_ok() {
            return;
        }
        if let Some(status) = process.try_wait().expect("a child can be asked") {
            panic!("mosquitto does not take deploy/mosquitto.conf ({status})");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    panic!("mosquitto does not listen on port {port} after 10 s");
}

#[test]
fn each_user_of_the_example_speaks_where_it_must_and_nowhere_else() {
    let broker = Broker::start();
    broker.subscribe("traywarden", &["loft/#", "traywarden/#"]);
    broker.say("rack-a", "loft/tank/distance");
    broker.say("rack-a", "traywarden/saltmarsh-lane/journal");
    broker.say("rack-a", "traywarden/saltmarsh-lane/status");
    broker.say("button", "traywarden/saltmarsh-lane/alarm/1");
    broker.say("button", "loft/rack-a/air");
    broker.say("lamp", "traywarden/saltmarsh-lane/alarm/1");
    broker.say("traywarden", "loft/rack-a/air");
    let allowed = [
        ("rack-a", "loft/rack-a/air"),
        ("tank", "loft/tank/distance"),
        ("button", "traywarden/saltmarsh-lane/journal"),
        ("traywarden", "traywarden/saltmarsh-lane/status"),
        ("traywarden", "traywarden/saltmarsh-lane/alarm/1"),
    ];
    for (user, topic) in allowed {
        broker.say(user, topic);
    }
    assert_eq!(broker.heard("traywarden", allowed.len(), "10"), allowed.map(|(_, topic)| topic));
}

#[test]
fn a_lamp_hears_alarms_and_a_sensor_hears_nothing() {
    let broker = Broker::start();
    for user in ["rack-a", "lamp"] {
        broker.subscribe(user, &["#"]);
    }
    broker.say("tank", "loft/tank/distance");
    broker.say("rack-a", "loft/rack-a/air");
    broker.say("button", "traywarden/saltmarsh-lane/journal");
    broker.say("traywarden", "traywarden/saltmarsh-lane/alarm/1");
    assert_eq!(broker.heard("lamp", 1, "10"), ["traywarden/saltmarsh-lane/alarm/1"]);
    assert_eq!(broker.heard("rack-a", 1, "2"), [""; 0]);
}

#[test]
fn a_sensor_that_takes_the_id_of_the_daemon_does_not_take_its_session() {
    let broker = Broker::start();
    broker.subscribe("traywarden", &["loft/#"]);
    // A clean session under the same id would wipe what the daemon has asked for.
    let thief = ["-i", "traywarden", "-t", "loft/rack-a/air", "-m", "1"];
    let output = broker.client("mosquitto_pub", "rack-a", &thief);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    broker.say("tank", "loft/tank/distance");
    assert_eq!(broker.heard("traywarden", 2, "10"), ["loft/rack-a/air", "loft/tank/distance"]);
}

#[test]
fn nobody_without_a_password_is_let_in() {
    let broker = Broker::start();
    let output = broker.client("mosquitto_pub", "nobody", &["-t", "loft/nobody/air", "-m", "1"]);
    assert!(!output.status.success());
    let said = String::from_utf8_lossy(&output.stderr).to_lowercase();
    assert!(said.contains("not authori"), "{said}");
}
