//! What every letter has above its text: the subject, and whose it is and when.

use super::situation_words::short_headline;
use super::speech::{NOW, Speech, ascii, shortened};
use crate::engine::alarm::{AlarmChange, Evidence, Priority};
use crate::engine::letters::situation::{Cause, Situation};

/// A subject line stays under 60 characters.
pub(crate) const SUBJECT: usize = 59;

/// The line above every letter: whose and when.
pub(crate) fn masthead(speech: &Speech) -> String {
    format!("{} · {}", speech.site.name, speech.local(speech.now).format("%a %-d %b %H:%M"))
}

/// Prefix, headline and "+ 2 more", under 60 ASCII characters. What is cut is the headline.
pub(crate) fn subject(prefix: &str, headline: &str, alarms: usize) -> String {
    let more = if alarms > 1 { format!(" + {} more", alarms - 1) } else { String::new() };
    let prefix = ascii(prefix);
    let room = SUBJECT.saturating_sub(prefix.len() + 1 + more.len());
    format!("{prefix} {}{more}", shortened(&ascii(headline), room))
}

/// The subject of a letter of several situations: what, where and by when of the worst come first, as
/// a lock screen shows no more; then its figures, as far as they fit, and what else there is.
pub(crate) fn subject_of(prefix: &str, situations: &[Situation], speech: &Speech) -> String {
    let Some((situation, first)) = situations.first().and_then(|worst| Some((worst, worst.first()?))) else {
        return subject(prefix, "", 1);
    };
    let more = match situations {
        [_, other] => format!(" + {}", in_a_word(&other.cause)),
        [_] => String::new(),
        several => format!(" + {} more", several.len() - 1),
    };
    let (prefix, (headline, figures)) = (ascii(prefix), short_headline(situation, speech));
    let by = by_when(first, &prefix, speech);
    let room = SUBJECT.saturating_sub(prefix.len() + 1 + more.len());
    let headline = shortened(&ascii(&headline), room.saturating_sub(by.len()));
    let figures = ascii_after(&figures);
    let without_limit = figures.split(" (").next().unwrap_or_default().to_owned();
    let left = room.saturating_sub(headline.len() + by.len());
    let figures = [figures, without_limit].into_iter().find(|figures| figures.len() <= left).unwrap_or_default();
    format!("{prefix} {headline}{by}{figures}{more}")
}

/// By when hands are needed, where the headline has no hour of its own; a letter for the round, or for the
/// time before people sleep, is for then.
fn by_when(first: &AlarmChange, prefix: &str, speech: &Speech) -> String {
    let has_its_own = matches!(first.evidence, Evidence::Reservoir { .. } | Evidence::Dryness { .. });
    let (Some(harm), false) = (first.harm, has_its_own || first.priority == Priority::Digest) else {
        return String::new();
    };
    if prefix.contains("round") || prefix.starts_with("Tonight") || harm.early >= first.next_round {
        return String::new();
    }
    match (harm.early <= first.at + NOW, prefix == "Now:") {
        (true, true) => String::new(),
        (true, false) => ", act now".to_owned(),
        (false, _) => format!(", act by {}", speech.clock(harm.early)),
    }
}

/// Plain, with the space it begins with.
fn ascii_after(figures: &str) -> String {
    let space = if figures.starts_with(' ') { " " } else { "" };
    format!("{space}{}", ascii(figures))
}

fn in_a_word(cause: &Cause) -> &'static str {
    match cause {
        Cause::Warmth(_) => "heat",
        Cause::Cold(_) => "cold",
        Cause::Damp(_) => "damp",
        Cause::Drought(_) => "drying trays",
        Cause::Overdue => "an overdue tray",
        Cause::Tank(_) => "the tank",
        Cause::Unheard => "a silent sensor",
        Cause::Doubted(_) => "a doubted sensor",
        Cause::Watch(_) => "the watch itself",
    }
}
