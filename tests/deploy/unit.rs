//! The unit file, as `systemd-analyze` sees it.

use std::path::PathBuf;
use std::process::{Command, Output};

/// A score of systemd's own, 0 to 10; a bare unit has 9.6.
const MOST_EXPOSED: f64 = 2.0;

/// A copy that starts the binary of this build: `verify` complains of a program that
/// is not installed.
fn unit(folder: &tempfile::TempDir) -> PathBuf {
    let shipped = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/systemd/traywarden.service"))
        .expect("the unit is part of the tree");
    assert!(shipped.contains("ExecStart=/usr/bin/traywarden run "), "the package puts the program into /usr/bin");
    let path = folder.path().join("traywarden.service");
    let here =
        shipped.replace("ExecStart=/usr/bin/traywarden ", concat!("ExecStart=", env!("CARGO_BIN_EXE_traywarden"), " "));
    std::fs::write(&path, here).expect("a temporary folder can be written");
    path
}

fn analyze(arguments: &[&str], unit: &PathBuf) -> Output {
    Command::new("systemd-analyze").args(arguments).arg(unit).env("SYSTEMD_PAGER", "").output().unwrap_or_else(
        |error| panic!("this test needs systemd-analyze ({error}); install it with: apt install systemd"),
    )
}

#[test]
fn systemd_finds_nothing_to_complain_of_in_the_unit() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let output = analyze(&["verify"], &unit(&folder));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    assert!(output.status.success());
}

#[test]
fn the_unit_leaves_the_daemon_little_to_do_harm_with() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let output = analyze(&["security", "--offline=true", "--no-pager"], &unit(&folder));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    let report = String::from_utf8_lossy(&output.stdout);
    let score: f64 = report
        .lines()
        .find_map(|line| line.split_once("Overall exposure level for traywarden.service: "))
        .and_then(|(_, score)| score.split_whitespace().next()?.parse().ok())
        .unwrap_or_else(|| panic!("no score in what systemd-analyze security says:\n{report}"));
    assert!(score <= MOST_EXPOSED, "exposure {score}:\n{report}");
}
