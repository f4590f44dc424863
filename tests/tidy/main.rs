//! The laws of the house that a compiler does not keep: what a file may lean on and
//! what it may not say. Each reads the tree as text; DEVELOPERS.md gives the reasons.

mod readme;

use std::path::{Path, PathBuf};

/// What a pure part does not touch.
const WORLD: [&str; 15] = [
    "std::fs",
    "std::net",
    "std::thread",
    "std::env",
    "std::time",
    "std::process",
    "std::io",
    "serde_json",
    "tokio",
    "rusqlite",
    "tracing",
    "rumqttc",
    "lettre",
    "println!",
    "eprintln!",
];

/// A source file: its path from the root of the project, and its text.
struct Source {
    path: String,
    text: String,
}

impl Source {
    /// Lines that are not comments, with their numbers.
    fn code(&self) -> impl Iterator<Item = (usize, &str)> {
        self.text.lines().enumerate().map(|(index, line)| (index + 1, line)).filter(|(_, line)| !is_comment(line))
    }

    /// Every place in the code where one of the words stands.
    fn places_of(&self, words: &[&str], why: &str) -> Vec<String> {
        self.code()
            .filter_map(|(number, line)| {
                let word = words.iter().find(|word| holds_word(line, word))?;
                Some(format!("{}:{number}: {word}: {why}", self.path))
            })
            .collect()
    }
}

fn is_comment(line: &str) -> bool {
    line.trim_start().starts_with("//")
}

/// Whether `word` stands in `line` and is not a part of a longer word.
fn holds_word(line: &str, word: &str) -> bool {
    let is_part = |character: char| character.is_alphanumeric() || character == '_';
    line.match_indices(word).any(|(at, _)| {
        let before = line[..at].chars().next_back();
        let after = line[at + word.len()..].chars().next();
        !before.is_some_and(is_part) && (!after.is_some_and(is_part) || !word.ends_with(is_part))
    })
}

/// The Rust files below a folder of the project. A folder that is not there is a failure:
/// a law over nothing would hold for ever.
fn sources(folder: &str) -> Vec<Source> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = Vec::new();
    let mut folders: Vec<PathBuf> = vec![root.join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap_or_else(|error| {
            panic!("{}: {error}: the law that guards this folder must follow it", folder.display())
        }) {
            let path = entry.expect("a folder of the project can be read").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let text = std::fs::read_to_string(&path).expect("sources are UTF-8 text");
                let path = path.strip_prefix(root).expect("it lies below the root").display().to_string();
                found.push(Source { path, text });
            }
        }
    }
    assert!(!found.is_empty(), "no sources below {folder}: this test would hold for nothing");
    found.sort_by(|a, b| a.path.cmp(&b.path));
    found
}

fn none(problems: Vec<String>) {
    assert!(problems.is_empty(), "\n{}\n", problems.join("\n"));
}

#[test]
fn every_file_says_first_what_it_is_for() {
    let silent = |source: &Source| !source.text.starts_with("//! ");
    let files = sources("src").into_iter().chain(sources("tests")).filter(silent);
    none(files.map(|source| format!("{}: begins without a //! head", source.path)).collect());
}

#[test]
fn the_engine_asks_the_world_for_nothing() {
    let why = "the engine is pure; take it in with an event, or ask for it with an effect";
    none(sources("src/engine").iter().flat_map(|source| source.places_of(&WORLD, why)).collect());
}

#[test]
fn the_engine_knows_no_shell() {
    let shells = [
        "crate::intake",
        "crate::store",
        "crate::notify",
        "crate::report",
        "crate::config",
        "crate::demo",
        "crate::cli",
    ];
    let why = "shells import the engine, not the other way round";
    none(sources("src/engine").iter().flat_map(|source| source.places_of(&shells, why)).collect());
}

#[test]
fn analysis_is_pure_and_stands_beneath_report() {
    let why = "analysis is handed what is known; report asks the store and says what comes of it";
    let above = [
        "crate::report",
        "crate::store",
        "crate::chart",
        "crate::notify",
        "crate::intake",
        "crate::cli",
        "crate::config",
        "crate::clock",
        "crate::daemon",
        "crate::demo",
        "crate::rehearse",
    ];
    let told = sources("src/analysis").into_iter().filter(|source| source.path != "src/analysis/sample.rs");
    let words = [&WORLD[..], &above[..]].concat();
    none(told.flat_map(|source| source.places_of(&words, why)).collect());
}

#[test]
fn the_mold_clock_is_driven_in_one_place_outside_the_engine() {
    let why = "live a tray's life again with analysis::walk";
    let outside = |source: &Source| !source.path.starts_with("src/engine/") && source.path != "src/analysis/walk.rs";
    let others = sources("src").into_iter().filter(outside);
    none(others.flat_map(|source| source.places_of(&["MoldPressure::new"], why)).collect());
}

#[test]
fn only_the_quality_stage_turns_heard_into_believed() {
    let why = "only engine::quality makes a Reading";
    let allowed = ["src/engine/quality.rs", "src/reading.rs"];
    let others = sources("src")
        .into_iter()
        .chain(sources("tests"))
        .filter(|source| !allowed.contains(&source.path.as_str()) && !source.path.starts_with("tests/tidy/"));
    none(others.flat_map(|source| source.places_of(&["passed_by_quality"], why)).collect());
}

#[test]
fn only_the_clock_asks_what_time_it_is() {
    let why = "take the time as a parameter; only src/clock.rs asks the system";
    // The demo keeps the pace of a fast clock with tokio's timer, which no judgement sees.
    let allowed = |path: &str| path == "src/clock.rs" || path.starts_with("src/demo/");
    let clocks = ["Utc::now", "Local::now", "SystemTime::now", "Instant::now"];
    let mut others: Vec<Source> = sources("src").into_iter().filter(|source| !allowed(&source.path)).collect();
    for source in &mut others {
        // The stopwatch of a task, written out so that it shows: a daemon that hangs is
        // noticed by it. It knows no date.
        source.text = source.text.replace("tokio::time::Instant::now", "stopwatch");
    }
    none(others.iter().flat_map(|source| source.places_of(&clocks, why)).collect());
}

#[test]
fn shells_do_not_know_each_other() {
    let why = "shells meet in the daemon; hand the value over there";
    let shells = ["intake", "store", "notify", "report"];
    let mut problems = Vec::new();
    for shell in shells {
        let others: Vec<String> =
            shells.iter().filter(|other| **other != shell).map(|other| format!("crate::{other}")).collect();
        let others: Vec<&str> = others.iter().map(String::as_str).collect();
        for source in sources(&format!("src/{shell}")) {
            problems.extend(source.places_of(&others, why).into_iter().filter(|problem| !is_agreed(problem, &source)));
        }
    }
    none(problems);
}

/// What crosses between shells on purpose.
fn is_agreed(problem: &str, source: &Source) -> bool {
    let number = problem.split(':').nth(1).and_then(|number| number.parse::<usize>().ok());
    let line = number.and_then(|number| source.text.lines().nth(number - 1)).unwrap_or_default();
    // Letter and Mail are plain values: what waits in the outbox has to be named there.
    let outbox = source.path.starts_with("src/store/") && holds_word(line, "crate::notify::letter");
    // A report is made of the store's figures; it reads and never writes.
    let report = source.path.starts_with("src/report/") && holds_word(line, "crate::store");
    outbox || report
}

#[test]
fn nothing_is_left_for_later() {
    let files: Vec<Source> = ["src", "tests"].into_iter().flat_map(sources).collect();
    // Put together here, so that this file does not hold them itself.
    let words = [["TO", "DO"], ["FIX", "ME"], ["XX", "X"]].map(|halves| halves.concat());
    let mut problems = Vec::new();
    for source in &files {
        for (index, line) in source.text.lines().enumerate() {
            for word in words.iter().filter(|word| holds_word(line, word)) {
                problems.push(format!("{}:{}: {word}: do it, or write an issue", source.path, index + 1));
            }
        }
    }
    none(problems);
}
