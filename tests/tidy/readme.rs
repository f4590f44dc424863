//! The README against what it tells of: every key of the settings, every verb, every
//! kind of alarm.

use std::collections::BTreeSet;
use std::process::Command;

const README: &str = include_str!("../../README.md");
const EXAMPLE: &str = include_str!("../../config/traywarden.toml");

fn missing(words: impl IntoIterator<Item = String>) -> Vec<String> {
    let told = |word: &str| README.contains(&format!("`{word}`")) || README.contains(&format!("`{word} "));
    words.into_iter().filter(|word| !told(word)).collect()
}

/// Every word before a " = ", also where the line is commented out.
fn keys() -> BTreeSet<String> {
    let part_of_key = |character: char| character.is_ascii_lowercase() || character == '_';
    let before = |text: &str| {
        let start = text.rfind(|character: char| !part_of_key(character)).map_or(0, |at| at + 1);
        text[start..].to_owned()
    };
    EXAMPLE
        .lines()
        .flat_map(|line| line.match_indices(" = ").map(move |(at, _)| before(&line[..at])))
        .filter(|key| !key.is_empty())
        .collect()
}

#[test]
fn the_readme_names_every_key_of_the_settings() {
    let mut keys = keys();
    assert!(keys.len() > 50, "only {keys:?} found in the example");
    // These stand in the README's examples and formulas, not as keys of their own.
    for end in ["from", "to", "min", "max", "day", "degrees", "grams", "off_day", "under", "points", "believed"] {
        assert!(README.contains(&format!("{end} = ")), "{end}");
        keys.remove(end);
    }
    assert_eq!(missing(keys), [""; 0]);
}

#[test]
fn the_readme_names_every_verb() {
    let help = Command::new(env!("CARGO_BIN_EXE_traywarden")).arg("--help").output().expect("the program starts");
    let help = String::from_utf8(help.stdout).expect("help is text");
    let verbs: Vec<String> = help
        .lines()
        .skip_while(|line| !line.starts_with("Commands:"))
        .skip(1)
        .take_while(|line| !line.is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|verb| *verb != "help")
        .map(str::to_owned)
        .collect();
    assert!(verbs.len() > 5, "no verbs in:\n{help}");
    assert_eq!(missing(verbs), [""; 0]);
}

#[test]
fn the_readme_names_every_kind_of_alarm() {
    use traywarden::engine::alarm::AlarmKind;
    assert_eq!(missing(AlarmKind::ALL.map(|kind| kind.word().to_owned())), [""; 0]);
}

#[test]
fn every_file_the_readme_names_is_there() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let folders = ["config/", "deploy/", "systemd/", ".ci/", "tests/"];
    let named: BTreeSet<&str> = README
        .split(|character: char| character.is_whitespace() || "`()|;:,".contains(character))
        .map(|word| word.trim_end_matches('.'))
        .filter(|word| folders.iter().any(|folder| word.starts_with(folder)))
        .collect();
    assert!(named.len() >= 5, "{named:?}");
    let gone: Vec<&str> = named.into_iter().filter(|path| !root.join(path).exists()).collect();
    assert_eq!(gone, [""; 0]);
}
