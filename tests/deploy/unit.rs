//! The unit files, of the watch and of a guard, as `systemd-analyze` sees them.

use std::path::PathBuf;
use std::process::{Command, Output};

/// A score of systemd's own, 0 to 10; a bare unit has 9.6.
const MOST_EXPOSED: f64 = 2.0;

/// Each unit with the verb it starts.
const UNITS: [(&str, &str); 2] = [("traywarden.service", "run"), ("traywarden-guard.service", "guard")];

/// A copy that starts the binary of this build: `verify` complains of a program that
/// is not installed.
fn unit(folder: &tempfile::TempDir, name: &str, verb: &str) -> PathBuf {
    let shipped = std::fs::read_to_string(format!("{}/systemd/{name}", env!("CARGO_MANIFEST_DIR")))
        .expect("the unit is part of the tree");
    let starts = format!("ExecStart=/usr/bin/traywarden {verb} ");
    assert!(shipped.contains(&starts), "the package puts the program into /usr/bin");
    let path = folder.path().join(name);
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
fn systemd_finds_nothing_to_complain_of_in_the_units() {
    for (name, verb) in UNITS {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let output = analyze(&["verify"], &unit(&folder, name, verb));
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{name}");
        assert!(output.status.success(), "{name}");
    }
}

#[test]
fn the_units_leave_the_program_little_to_do_harm_with() {
    for (name, verb) in UNITS {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let output = analyze(&["security", "--offline=true", "--no-pager"], &unit(&folder, name, verb));
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{name}");
        let report = String::from_utf8_lossy(&output.stdout);
        let score: f64 = report
            .lines()
            .find_map(|line| line.split_once(&format!("Overall exposure level for {name}: ")))
            .and_then(|(_, score)| score.split_whitespace().next()?.parse().ok())
            .unwrap_or_else(|| panic!("no score in what systemd-analyze security says:\n{report}"));
        assert!(score <= MOST_EXPOSED, "{name} exposed {score}:\n{report}");
    }
}
