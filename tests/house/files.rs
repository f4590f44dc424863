//! Files around the program, by the real binary: what is written, what is left alone, and
//! who may read it.

use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;
use std::process::{Command, Output};
use traywarden::config;
use traywarden::store::Store;

const ROOM: &str = r#"[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[broker]
url = "mqtt://warden@127.0.0.1:1883"
password_file = "broker.password"
[store]
path = "room.db"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
"#;

/// A folder with settings, a password and an empty store.
fn room() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    fs::write(folder.path().join("room.toml"), ROOM).expect("writable");
    let password = folder.path().join("broker.password");
    fs::write(&password, "only-for-this-test").expect("writable");
    fs::set_permissions(&password, fs::Permissions::from_mode(0o600)).expect("ours");
    let config = config::parse(ROOM, "room.toml", folder.path()).unwrap_or_else(|problems| panic!("{problems}"));
    let now = "2026-03-03T17:00:00Z".parse().expect("a time");
    drop(Store::open(&config.store.path, &config.rules, now).expect("a store"));
    folder
}

fn traywarden(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_traywarden"))
        .current_dir(folder)
        .args(["--config", "room.toml"])
        .args(arguments)
        .output()
        .expect("the binary runs")
}

fn complaint(output: &Output) -> String {
    assert!(!output.status.success(), "{output:?}");
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn a_new_store_and_a_backup_can_be_read_by_their_owner_alone() {
    let room = room();
    assert!(traywarden(room.path(), &["backup", "copy.db"]).status.success());
    for name in ["room.db", "copy.db"] {
        let mode = fs::metadata(room.path().join(name)).expect("it is there").permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{name}");
    }
}

#[test]
fn a_file_that_is_there_is_named_and_kept_unless_force_is_given() {
    let room = room();
    let (file, precious) = (room.path().join("copy"), room.path().join("precious"));
    fs::write(&file, "mine").expect("writable");
    fs::write(&precious, "mine").expect("writable");
    symlink(&precious, room.path().join("link")).expect("a link");
    let verbs: [&[&str]; 4] =
        [&["backup"], &["export", "readings", "--to"], &["export", "sqlite", "--to"], &["digest", "--eml"]];
    for verb in verbs {
        for name in ["copy", "link"] {
            let events = complaint(&traywarden(room.path(), &[verb, &[name]].concat()));
            assert!(events.contains(name) && events.contains("--force"), "{verb:?}: {events}");
        }
        assert_eq!(fs::read(&file).expect("it is there"), b"mine", "{verb:?}");
        let forced = traywarden(room.path(), &[verb, &["link", "--force"]].concat());
        assert!(forced.status.success(), "{verb:?}: {forced:?}");
        assert_eq!(fs::read(&precious).expect("it is there"), b"mine", "{verb:?} through a link");
        fs::remove_file(room.path().join("link")).expect("it was replaced");
        symlink(&precious, room.path().join("link")).expect("a link");
    }
    let left = fs::read_dir(room.path()).expect("a folder").filter_map(Result::ok);
    let parts: Vec<_> =
        left.map(|entry| entry.file_name()).filter(|name| name.to_string_lossy().contains("part")).collect();
    assert!(parts.is_empty(), "{parts:?}");
}

#[test]
fn check_says_that_others_can_read_a_password() {
    let room = room();
    let password = room.path().join("broker.password");
    for (mode, is_open) in [(0o600, false), (0o644, true)] {
        fs::set_permissions(&password, fs::Permissions::from_mode(mode)).expect("ours");
        let checked = traywarden(room.path(), &["check"]);
        assert_eq!(checked.status.code(), Some(1), "no broker and no mail server: {checked:?}");
        let lines = String::from_utf8_lossy(&checked.stdout).into_owned();
        assert_eq!(lines.contains("chmod 600") && lines.contains("others on this machine"), is_open, "{lines}");
    }
    assert!(traywarden(room.path(), &["check", "--settings-only"]).status.success());
}

#[test]
fn one_wild_date_in_a_capture_is_named_and_nothing_is_lived_through() {
    let room = room();
    let line =
        |time: &str| format!("{{\"tst\":\"{time}\",\"topic\":\"loft/rack-a/air\",\"payload\":\"{{\\\"t\\\":21}}\"}}\n");
    for (wild, number) in [("9999-03-03T17:00:30Z", "line 2"), ("1970-01-01T00:00:00Z", "line 2")] {
        let text = [line("2026-03-03T17:00:00Z"), line(wild), line("2026-03-03T17:01:00Z")].concat();
        fs::write(room.path().join("night.ndjson"), text).expect("writable");
        let events = complaint(&traywarden(room.path(), &["rehearse", "--capture", "night.ndjson"]));
        assert!(events.contains(number) && events.contains(&wild[..10]), "{events}");
    }
}
