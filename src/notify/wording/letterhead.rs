//! What every letter has above its text: the subject, and whose it is and when.

use super::speech::{Speech, ascii, shortened};

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
