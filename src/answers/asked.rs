//! What the lines of a reply ask for: `seen`, `right`, `wrong`, `quiet 2 h`, or an entry as
//! `log` takes it. The first line must be one of these; a later line of the same paragraph is
//! taken when it begins like one, so that thanks and names do no harm. Pure.

use crate::journal::Entry;
use crate::typed;
use chrono::TimeDelta;
use serde_json::Value;

/// What one line asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Asked {
    /// "I have seen it." With a word on whether the letter was worth it.
    Seen {
        /// `right` or `wrong`; `None`: nothing said.
        worth_it: Option<bool>,
    },
    /// Silence the alarms of the letter for so long.
    Quiet(TimeDelta),
    /// An entry into the journal.
    Entry(Box<Entry>),
}

/// A line and what it was taken for, or why it was not.
pub type AskedLine = (String, Result<Asked, String>);

/// `quiet` without a span, as the shell's verb has it.
const QUIET: TimeDelta = TimeDelta::hours(2);
/// No alarm is silenced for longer.
const LONGEST_QUIET: TimeDelta = TimeDelta::hours(24);

/// What the lines ask for. The first is always in it; later ones only when they begin like
/// something to do. `is_place` knows the places of the settings, `more` are facts for
/// entries, such as who and when.
pub(super) fn asked(
    lines: &[String],
    is_place: impl Fn(&str) -> bool,
    more: &[(&'static str, Value)],
) -> Vec<AskedLine> {
    let known = |line: &String| {
        let word = first_word(line);
        is_answer(&word) || typed::object::EXAMPLES.iter().any(|(did, _)| *did == word)
    };
    let wanted = lines.iter().enumerate().filter(|(at, line)| *at == 0 || known(line));
    wanted.map(|(_, line)| (line.clone(), line_asks(line, &is_place, more))).collect()
}

fn is_answer(word: &str) -> bool {
    matches!(word, "seen" | "right" | "wrong" | "quiet")
}

/// Small, without the full stop or comma a phone puts behind it.
fn first_word(line: &str) -> String {
    let word: String = line.trim_start_matches(['"', '\'']).chars().take_while(|sign| sign.is_alphabetic()).collect();
    word.to_lowercase()
}

fn line_asks(line: &str, is_place: &impl Fn(&str) -> bool, more: &[(&'static str, Value)]) -> Result<Asked, String> {
    let word = first_word(line);
    let unquoted = line.trim_matches(['"', '\'']);
    let rest = unquoted.get(word.len()..).unwrap_or_default();
    // "right now I am away" is no judgement; "wrong: the door stood open" is one.
    let alone = rest.trim_start().chars().next().is_none_or(|sign| !sign.is_alphanumeric());
    match word.as_str() {
        "seen" => Ok(Asked::Seen { worth_it: None }),
        "right" if alone => Ok(Asked::Seen { worth_it: Some(true) }),
        "wrong" if alone => Ok(Asked::Seen { worth_it: Some(false) }),
        "quiet" => quiet(rest),
        _ => {
            let words = typed::entry::words_of(unquoted);
            let did = words.first().map(|did| did.to_lowercase()).unwrap_or_default();
            let is_place = |word: &str| is_place(word) || is_place(&word.to_lowercase());
            typed::entry::read(&did, words.get(1..).unwrap_or_default(), is_place, more.iter().cloned())
                .map(|entry| Asked::Entry(Box::new(entry)))
        }
    }
}

fn quiet(rest: &str) -> Result<Asked, String> {
    let rest = rest.trim().trim_end_matches(['.', '!']).trim_start_matches("for ").trim();
    let span = if rest.is_empty() { Some(QUIET) } else { typed::span::span(rest) };
    match span {
        Some(span) if span > TimeDelta::zero() && span <= LONGEST_QUIET => Ok(Asked::Quiet(span)),
        Some(_) => Err("an alarm is silenced for 24 hours at most; write \"quiet 2 h\"".to_owned()),
        None => Err(format!("\"{rest}\" is no span of time; write \"quiet 2 h\" or \"quiet 90 min\"")),
    }
}
