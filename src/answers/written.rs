//! What somebody wrote into a reply, without what the mail program put around it: quotes,
//! the line above them, signatures, HTML. Pure: text in, lines out. Known by shape, not by
//! the words of one language.

use mail_parser::decoders::html::html_to_text;

/// Longer replies are letters to a person.
const MOST_LINES: usize = 10;
/// A line for the journal is far shorter.
const LONGEST_LINE: usize = 500;
/// Nobody writes an answer below so much of a quote; and a mail made to be slow is not.
const LINES_LOOKED_AT: usize = 400;
/// The same for a tag of HTML.
const LONGEST_TAG: usize = 300;
/// What stands above a quote is wrapped into so many lines at most.
const ATTRIBUTION_LINES: usize = 3;

/// The lines of the first paragraph that is the writer's own.
pub(super) fn first_paragraph(text: &str) -> Vec<String> {
    let text: String = text.chars().filter_map(plain).collect();
    let mut lines: Vec<&str> = text.lines().map(str::trim).take(LINES_LOOKED_AT).collect();
    let end = (0..lines.len()).find(|at| cuts(&lines, *at)).unwrap_or(lines.len());
    lines.truncate(end);
    let mut own: Vec<bool> = lines.iter().map(|line| !line.starts_with('>')).collect();
    for at in 0..lines.len() {
        if stands_above_a_quote(&lines, at) {
            own[attribution_start(&lines, at)..=at].fill(false);
        }
    }
    let mut written = Vec::new();
    for (line, own) in lines.iter().zip(own) {
        match (own && !line.is_empty(), written.is_empty()) {
            (true, _) => written.push(line.chars().take(LONGEST_LINE).collect()),
            (false, true) => {}
            (false, false) => break,
        }
    }
    written.truncate(MOST_LINES);
    written
}

/// HTML as text, each quote replaced by an empty quoted line.
pub(super) fn text_of_html(html: &str) -> String {
    let lower = html.to_ascii_lowercase();
    let quote = ["<blockquote", "<hr"].into_iter().filter_map(|mark| lower.find(mark)).min();
    // Programs that do not use a blockquote name the part after what it is.
    let named = lower.match_indices('<').map(|(at, _)| at).find(|at| {
        let tag: String = lower[*at..].chars().take(LONGEST_TAG).take_while(|sign| *sign != '>').collect();
        [" id=", " class="].iter().any(|key| {
            tag.split_once(key).is_some_and(|(_, value)| {
                let value = value.trim_start_matches(['"', '\'']);
                let name: String = value.chars().take_while(|sign| !"\"'>".contains(*sign)).collect();
                name.contains("quote") || name.contains("rplyfwd") || name.contains("appendonsend")
            })
        })
    });
    let cut = quote.into_iter().chain(named).min();
    match cut {
        Some(at) => format!("{}\n\n> \n", html_to_text(&html[..at])),
        None => html_to_text(html),
    }
}

/// Signs that only look alike, as a phone writes them.
fn plain(sign: char) -> Option<char> {
    match sign {
        '\u{201c}' | '\u{201d}' | '\u{201e}' | '\u{ab}' | '\u{bb}' => Some('"'),
        '\u{2018}' | '\u{2019}' => Some('\''),
        '\u{a0}' | '\u{202f}' | '\u{2009}' | '\t' => Some(' '),
        '\u{200b}'..='\u{200f}' | '\u{feff}' | '\u{2060}' | '\r' => None,
        other if other.is_control() && other != '\n' => None,
        other => Some(other),
    }
}

/// Whether nothing below this line is the writer's own: a signature, a ruled line, or the
/// headings of the mail that is quoted.
fn cuts(lines: &[&str], at: usize) -> bool {
    let line = lines[at];
    let ruled = |sign: char, least: usize| line.chars().take_while(|other| *other == sign).count() >= least;
    line == "--" || ruled('-', 5) || ruled('_', 5) || heads_a_quoted_mail(&lines[at..])
}

/// "From: ...", "Sent: ...", "To: ...": three such lines on end, an address in one of them.
fn heads_a_quoted_mail(lines: &[&str]) -> bool {
    let heading = |line: &&str| {
        line.trim_matches('*').split_once(':').is_some_and(|(name, _)| {
            let name = name.trim().trim_matches('*');
            !name.is_empty()
                && name.chars().count() <= 14
                && name.chars().all(|sign| sign.is_alphabetic() || sign == ' ')
        })
    };
    let three: Vec<&&str> = lines.iter().filter(|line| !line.is_empty()).take(3).collect();
    three.len() == 3 && three.iter().all(|line| heading(line)) && three.iter().any(|line| line.contains('@'))
}

/// "On Thu 26 Nov 2026 at 03:10, Saltmarsh Lane wrote:", in any language: it ends with a
/// colon, and what follows is quoted, or nothing follows and it has a date and an address.
fn stands_above_a_quote(lines: &[&str], at: usize) -> bool {
    if !lines[at].ends_with(':') || lines[at].starts_with('>') {
        return false;
    }
    match lines[at + 1..].iter().find(|line| !line.is_empty()) {
        Some(next) => next.starts_with('>'),
        None => {
            let whole = lines[attribution_start(lines, at)..=at].join(" ");
            whole.contains('@') && is_dated(&whole)
        }
    }
}

fn attribution_start(lines: &[&str], end: usize) -> usize {
    let mut start = end;
    while !is_dated(&lines[start..=end].join(" "))
        && end - start + 1 < ATTRIBUTION_LINES
        && start > 0
        && !lines[start - 1].is_empty()
        && !lines[start - 1].starts_with('>')
    {
        start -= 1;
    }
    start
}

/// A year, or a time of day.
fn is_dated(text: &str) -> bool {
    let digits: Vec<&str> = text.split(|sign: char| !sign.is_ascii_digit() && sign != ':').collect();
    digits.iter().any(|word| {
        (word.len() == 4 && !word.contains(':'))
            || word.split_once(':').is_some_and(|(hour, minute)| !hour.is_empty() && minute.len() >= 2)
    })
}
