//! The engine hands out facts; `notify::wording` makes the sentences. So in the engine no
//! text stands that a person would read: none with a space in it and a letter beside what
//! is filled in.

use super::{Source, code_of, is_of_tests, none, sources};

/// What may stand there all the same: a file, the text (empty: any in that file), and why.
const ALLOWED: [(&str, &str, &str); 5] = [
    ("src/engine/units.rs", "", "a figure with its unit, which every shell shows alike"),
    ("src/engine/alarm/kinds.rs", "the digest", "a name that stands in stores, for who answered"),
    ("src/engine/refusal.rs", "no word for a refusal", "why a kept state was not read, for a log"),
    ("src/engine/watch/sensors.rs", "an hour has sixty minutes", "the same"),
    ("src/engine/quality/judgement.rs", "nothing else is believed", "an assertion's, for who develops"),
];

/// Every text in quotation marks of a code without comments.
fn texts(code: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut signs = code.chars().peekable();
    while let Some(sign) = signs.next() {
        match sign {
            // A character, or a lifetime, which has no second mark.
            '\'' => {
                let mut ahead = signs.clone();
                let first = ahead.next();
                if first == Some('\\') || ahead.next() == Some('\'') {
                    signs.next();
                    while signs.next().is_some_and(|sign| sign != '\'') {}
                }
            }
            '"' => {
                let mut text = String::new();
                while let Some(sign) = signs.next().filter(|sign| *sign != '"') {
                    text.push(sign);
                    if sign == '\\' {
                        text.extend(signs.next());
                    }
                }
                found.push(text);
            }
            _ => {}
        }
    }
    found
}

/// Whether a person would read it: words beside what is filled in, and a space between them.
fn is_prose(text: &str) -> bool {
    let mut depth = 0_u32;
    let mut own = String::new();
    for sign in text.chars() {
        match sign {
            '{' => depth += 1,
            '}' => depth = depth.saturating_sub(1),
            _ if depth == 0 => own.push(sign),
            _ => {}
        }
    }
    own.contains(' ') && own.chars().any(char::is_alphabetic)
}

#[test]
fn the_engine_makes_no_sentence() {
    let files: Vec<Source> = sources("src/engine").into_iter().filter(|source| !is_of_tests(&source.path)).collect();
    let all: Vec<(&str, String)> =
        files.iter().flat_map(|source| texts(&code_of(source)).into_iter().map(|text| (&*source.path, text))).collect();
    assert!(all.len() > 150, "only {} texts were found: this law would hold for nothing", all.len());
    let prose: Vec<&(&str, String)> = all.iter().filter(|(_, text)| is_prose(text)).collect();
    let allows = |(file, allowed, _): &(&str, &str, &str), (path, text): &(&str, String)| {
        path == file && (allowed.is_empty() || text == allowed)
    };
    let not_needed = ALLOWED.iter().filter(|allowed| !prose.iter().any(|one| allows(allowed, one)));
    let not_needed = not_needed.map(|(file, text, _)| format!("{file}: \"{text}\" is allowed and is not there"));
    let told = prose.iter().filter(|one| !ALLOWED.iter().any(|allowed| allows(allowed, one)));
    let told = told.map(|(path, text)| format!("{path}: \"{text}\": hand out the fact, and say it in notify/wording"));
    none(told.chain(not_needed).collect());
}

#[test]
fn a_sentence_is_told_from_a_word_and_an_id() {
    let code = "fn a<'x>(b: &'x str) { f('\"', \"light\", \"{} in light\", '\\'', \"alarm-{}-reminder\", \"say \\\"no\\\"\") }";
    assert_eq!(texts(code), ["light", "{} in light", "alarm-{}-reminder", "say \\\"no\\\""]);
    assert!(["{} in light", "lithium chloride", " on "].into_iter().all(is_prose));
    assert!(!["light", "alarm-{}-reminder", "{} {unit}", " + ", "{name:>3 x}", ""].into_iter().any(is_prose));
}
