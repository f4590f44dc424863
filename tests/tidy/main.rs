//! The laws of the house that a compiler does not keep: what a file may lean on and
//! what it may not say. Each reads the tree as text; DEVELOPERS.md gives the reasons.

mod circles;
mod fields;
mod names;
mod readme;
mod sentences;

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

/// A file without its comments and its tests.
fn code_of(source: &Source) -> String {
    let lines = source.text.lines().take_while(|line| !line.trim_start().starts_with("#[cfg(test)]"));
    lines.filter(|line| !is_comment(line)).collect::<Vec<_>>().join("\n")
}

/// Tests, and what only tests lean on.
fn is_of_tests(path: &str) -> bool {
    ["/tests/", "/tests.rs", "sample", "catalogue.rs"].iter().any(|part| path.contains(part))
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

/// The crate's root says `no_std` and every library it leans on leaves `std` out; the compiler
/// then proves the rest: no clock, socket, file, thread, print, environment or random hashing.
#[test]
fn the_engine_stands_without_the_standard_library() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/engine");
    let read = |name: &str| std::fs::read_to_string(root.join(name)).expect("the engine is a crate of its own");
    assert!(read("lib.rs").contains("\n#![no_std]\n"), "src/engine/lib.rs: #![no_std] is gone");
    let manifest = read("Cargo.toml");
    let own = manifest.split("[dependencies]\n").nth(1).expect("a table of dependencies");
    let own = own.split("\n[").next().expect("the table has an end");
    // libm has no standard library to leave out.
    let leaning =
        |line: &&str| line.contains(" = ") && !line.starts_with("libm ") && !line.contains("default-features = false");
    none(own.lines().filter(leaning).map(|line| format!("src/engine/Cargo.toml: {line}: brings std in")).collect());
}

#[test]
fn analysis_asks_the_world_for_nothing() {
    let why = "analysis is handed what is known; report asks the store and says what comes of it";
    let told = sources("src/analysis").into_iter().filter(|source| source.path != "src/analysis/sample.rs");
    let words = [&WORLD[..], &["crate::config"]].concat();
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

/// Which part may name which. The engine stands below all of them: it is a crate of its own,
/// and cannot name one. A part that is new gets a row here before anything else.
const ARROWS: [(&str, &[&str]); 23] = [
    ("lib", &[]),
    ("main", &["cli"]),
    (
        "cli",
        &[
            "analysis", "answers", "chart", "clock", "config", "daemon", "demo", "guard", "intake", "marks", "notify",
            "page", "rebuild", "rehearse", "report", "store", "typed",
        ],
    ),
    (
        "daemon",
        &[
            "answers", "beat", "chart", "clock", "config", "intake", "marks", "notify", "page", "rebuild", "rehearse",
            "report", "store", "typed",
        ],
    ),
    // It shows what the engine told and speaks through the inbox; it has no engine of its own.
    ("page", &["analysis", "chart", "clock", "config", "notify", "report", "store", "typed"]),
    ("rehearse", &["config", "intake", "notify", "store", "typed"]),
    ("rebuild", &["store"]),
    ("demo", &["random"]),
    // A report is made of the store's figures; it reads and never writes.
    ("report", &["analysis", "chart", "config", "store"]),
    // Its invented room is read from settings.
    ("analysis", &["config", "random"]),
    // The sheet in a letter is drawn.
    ("notify", &["chart", "config", "marks"]),
    ("intake", &["config", "trust", "typed"]),
    ("beat", &["config", "trust"]),
    ("answers", &["clock", "config", "marks", "store", "trust", "typed"]),
    ("guard", &["clock", "config", "intake", "marks", "notify"]),
    // Letter and Mail are plain values: what waits in the outbox has to be named there.
    ("store", &["notify"]),
    ("chart", &[]),
    ("config", &[]),
    ("clock", &[]),
    ("trust", &["clock"]),
    ("marks", &[]),
    ("random", &[]),
    // The names of its tests are read from settings.
    ("typed", &["config"]),
];

#[test]
fn each_part_names_only_what_stands_below_it() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let there: Vec<String> = std::fs::read_dir(&root)
        .expect("src can be read")
        .map(|entry| entry.expect("src can be read").path())
        .map(|path| path.file_stem().expect("a name").display().to_string())
        .filter(|name| name != "engine")
        .collect();
    let mut problems: Vec<String> = there
        .iter()
        .filter(|name| !ARROWS.iter().any(|(part, _)| part == name))
        .map(|name| format!("src/{name}: has no row in ARROWS"))
        .collect();
    for (part, may) in ARROWS {
        assert!(there.iter().any(|name| name == part), "src/{part} is gone: its row in ARROWS would hold for nothing");
        let may_not: Vec<String> = ARROWS
            .iter()
            .filter(|(other, _)| *other != part && !may.contains(other))
            .map(|(other, _)| format!("crate::{other}"))
            .collect();
        let may_not: Vec<&str> = may_not.iter().map(String::as_str).collect();
        let (file, folder) = (format!("src/{part}.rs"), format!("src/{part}/"));
        for source in sources("src").iter().filter(|source| source.path == file || source.path.starts_with(&folder)) {
            problems
                .extend(source.places_of(&may_not, "it stands above, or beside; hand the value over in the daemon"));
        }
    }
    none(problems);
}

/// The store names the two plain types of a letter and nothing else of notify.
#[test]
fn the_store_knows_letters_only_as_plain_values() {
    let why = "only notify::letter's plain types are named in the store";
    let mut store = sources("src/store");
    for source in &mut store {
        source.text = source.text.replace("crate::notify::letter", "letter");
    }
    none(store.iter().flat_map(|source| source.places_of(&["crate::notify"], why)).collect());
}

#[test]
fn the_name_of_a_test_fits_a_line_of_its_report() {
    let mut long = Vec::new();
    for source in ["src", "tests"].into_iter().flat_map(sources) {
        for (number, line) in source.code() {
            let name = line.trim_start().trim_start_matches("pub ").trim_start_matches("async ").strip_prefix("fn ");
            let name = name.map(|rest| rest.split(['(', '<']).next().unwrap_or_default());
            if let Some(name) = name.filter(|name| name.len() >= 75) {
                long.push(format!("{}:{number}: {name}: 75 characters and more", source.path));
            }
        }
    }
    none(long);
}

/// What a reader cannot open is no source.
#[test]
fn no_paper_is_cited_that_is_not_in_the_repository() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut cited = Vec::new();
    for source in ["src", "tests"].into_iter().flat_map(sources) {
        for (index, line) in source.text.lines().enumerate() {
            for word in line.split(|c: char| !(c.is_alphanumeric() || "._-/".contains(c))) {
                let paper = word.trim_end_matches('.').trim_start_matches("../");
                if paper.len() > 3 && paper.ends_with(".md") && !root.join(paper).exists() {
                    cited.push(format!("{}:{}: {paper}: give the source itself", source.path, index + 1));
                }
            }
        }
    }
    none(cited);
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
