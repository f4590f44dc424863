//! What every letter has above its text: the subject, and whose it is and when.

use super::speech::{Speech, ascii, shortened};
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
    line(prefix, headline, &more)
}

/// The same for a letter of several situations, the first in the headline: of two the other is named
/// too, as a lock screen shows nothing else.
pub(crate) fn subject_of(prefix: &str, headline: &str, situations: &[Situation]) -> String {
    match situations {
        [_, other] => line(prefix, headline, &format!(" + {}", in_a_word(&other.cause))),
        _ => subject(prefix, headline, situations.len()),
    }
}

fn line(prefix: &str, headline: &str, more: &str) -> String {
    let prefix = ascii(prefix);
    let room = SUBJECT.saturating_sub(prefix.len() + 1 + more.len());
    format!("{prefix} {}{more}", shortened(&ascii(headline), room))
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
