//! The pages against what they tell of: every key the settings' reader asks for, every verb,
//! every kind of alarm, every file.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

const README: &str = include_str!("../../README.md");
const MAP: &str = include_str!("../../DEVELOPERS.md");
const SETTINGS: &str = include_str!("../../config/README.md");
const EXAMPLE: &str = include_str!("../../config/traywarden.toml");

fn missing(page: &str, words: impl IntoIterator<Item = String>) -> Vec<String> {
    let told = |word: &str| page.contains(&format!("`{word}`")) || page.contains(&format!("`{word} "));
    words.into_iter().filter(|word| !told(word)).collect()
}

/// A key that no table has, and that is like none: what is wanted instead is then listed.
const NONSENSE: &str = "qqqqqqqqqqqqqqqq = 1";

/// Every key that a table of the shipped example may have, by the reader's own complaints
/// about a nonsense key in each.
fn keys() -> BTreeSet<String> {
    let opened = |line: &str| match line.strip_prefix('#') {
        Some(rest) if !rest.starts_with(' ') && !rest.is_empty() => rest.to_owned(),
        _ => line.to_owned(),
    };
    let spoilt = |line: String| {
        if line.starts_with('[') {
            format!("{line}\n{NONSENSE}")
        } else {
            line.replace("{ ", &format!("{{ {NONSENSE}, "))
        }
    };
    let text = EXAMPLE.lines().map(opened).map(spoilt).collect::<Vec<_>>().join("\n");
    let problems = traywarden::config::parse(&text, "spoilt.toml", Path::new("/")).expect_err("it is full of nonsense");
    let hints = problems.list().iter().filter_map(|problem| problem.hint.clone());
    let lists: Vec<String> = hints.filter_map(|hint| Some(hint.strip_prefix("one of ")?.to_owned())).collect();
    let is_key = |word: &&str| word.chars().all(|sign| sign.is_ascii_lowercase() || sign == '_');
    lists.iter().flat_map(|list| list.split(", ")).filter(is_key).map(str::to_owned).collect()
}

#[test]
fn the_page_of_the_settings_names_every_key_that_is_read() {
    let mut keys = keys();
    assert!(keys.len() > 80, "only {keys:?} found");
    for key in ["smtp", "surface", "senml", "off_delay", "base_temperature", "sensor_height"] {
        assert!(keys.remove(key), "{key} is read and was not found in {keys:?}");
    }
    // These stand in examples of a value, not as keys of their own; a source is for our own table.
    // A table within a table has a row of its own.
    let in_examples =
        |key: &String| [format!("{key} = "), format!(".{key}]")].iter().any(|form| SETTINGS.contains(form));
    keys.retain(|key| !in_examples(key) && key != "source");
    assert_eq!(missing(SETTINGS, keys), [""; 0]);
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
    assert_eq!(missing(README, verbs), [""; 0]);
}

#[test]
fn the_page_of_the_settings_names_every_kind_of_alarm() {
    use traywarden::engine::alarm::AlarmKind;
    assert_eq!(missing(SETTINGS, AlarmKind::ALL.map(|kind| kind.word().to_owned())), [""; 0]);
}

/// Every `.rs`, `.toml`, `.tsv` or `.md` file and every folder that the map names, from `src` or
/// from the root; below the engine also from there. A path may be given from its own folder.
#[test]
fn every_path_in_the_map_is_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let is_path = |word: &&str| {
        let plain = word.chars().all(|sign| sign.is_ascii_alphanumeric() || "_-./".contains(sign));
        let file = [".rs", ".toml", ".tsv", ".md", ".sh"].iter().any(|end| word.ends_with(end));
        plain && word.contains('/') && !word.starts_with('/') && (file || word.ends_with('/'))
    };
    let named: BTreeSet<&str> =
        MAP.split(|sign: char| sign.is_whitespace() || "`()|;:,".contains(sign)).filter(is_path).collect();
    assert!(named.len() >= 60, "only {} paths: {named:?}", named.len());
    let is_there = |path: &&str| {
        ["", "src", "src/engine", "src/engine/watch", "src/notify", "src/report"]
            .iter()
            .any(|folder| root.join(folder).join(path).exists())
    };
    // Topics, and a folder that is not kept.
    let others = ["traywarden/", "proptest-regressions/"];
    let gone: Vec<&str> = named.into_iter().filter(|path| !others.contains(path) && !is_there(path)).collect();
    assert_eq!(gone, [""; 0]);
}

/// Tests that the map names as `tests::of::a_part::what_holds`, whole or cut with `...`, and the
/// modules of tests it names, by their last word.
#[test]
fn every_test_in_the_map_is_there() {
    let sources: Vec<super::Source> = ["src", "tests"].into_iter().flat_map(super::sources).collect();
    let is_test = |word: &&str| {
        word.contains("::")
            && word.chars().all(|sign| sign.is_ascii_lowercase() || sign.is_ascii_digit() || "_:.".contains(sign))
    };
    let named: BTreeSet<&str> = MAP.split('`').skip(1).step_by(2).filter(is_test).collect();
    assert!(named.len() >= 30, "only {} tests: {named:?}", named.len());
    let is_there = |named: &&str| {
        let last = named.trim_end_matches(':').rsplit("::").next().unwrap_or_default();
        let forms = match last.strip_suffix("...") {
            Some(begun) => [format!("fn {begun}"), format!("mod {begun}")],
            None => [format!("fn {last}("), format!("mod {last}")],
        };
        sources.iter().any(|source| forms.iter().any(|form| source.text.contains(form)))
    };
    let gone: Vec<&str> = named.into_iter().filter(|named| !is_there(named)).collect();
    assert_eq!(gone, [""; 0]);
}

/// What stands higher in the picture of folders may name what stands lower, and no part of the
/// house is left out of it.
#[test]
fn the_picture_of_folders_shows_every_arrow_pointing_down() {
    let picture =
        MAP.split("```text").nth(2).and_then(|rest| rest.split("-----").next()).expect("a picture of folders");
    let floor_of = |part: &str| picture.lines().position(|line| super::holds_word(&line[..line.len().min(50)], part));
    let mut problems = Vec::new();
    for (part, may) in super::ARROWS.into_iter().filter(|(part, _)| !["lib", "main"].contains(part)) {
        let Some(floor) = floor_of(part) else {
            problems.push(format!("{part} is not in the picture"));
            continue;
        };
        let rising = may.iter().filter(|other| floor_of(other).is_some_and(|below| below <= floor));
        problems.extend(rising.map(|other| format!("{part} names {other}, which does not stand below it")));
    }
    assert_eq!(problems, [""; 0]);
}

#[test]
fn every_file_the_readme_names_is_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
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
