//! One alarm as a slip that is pinned to the round sheet: the same sentences as in a
//! letter, in parts, so that a page can set what to do apart from why.

use super::alarm_reported;
use super::alarm_words::words;
use super::speech::{Speech, capital};
use crate::engine::alarm::{AlarmChange, AlarmState};
use crate::engine::rules::Site;

/// The parts of a slip. Any of them may be empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Slip {
    /// What it is: "Tank empty, pump draws air".
    pub(crate) headline: String,
    /// What to do, and by when.
    pub action: String,
    /// What is measured, since when, and what comes of it.
    pub(crate) because: String,
    /// Who answered, or that it is over.
    pub standing: String,
    /// The usual caution.
    pub(crate) caution: Option<&'static str>,
}

/// An alarm that stands, as a slip.
pub fn slip(change: &AlarmChange, site: &Site) -> Slip {
    let speech = Speech::new(site, change.at);
    let words = words(change, &speech);
    let holds = matches!(change.state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
    let by = change.by.as_deref().map_or_else(String::new, |who| format!(" by {who}"));
    let when = speech.clock(change.answered_at.unwrap_or(change.at));
    let standing = match change.state {
        AlarmState::Unacknowledged | AlarmState::Normal => String::new(),
        AlarmState::Acknowledged => format!("Seen{by} at {when}."),
        AlarmState::ReturnedUnacknowledged => format!("It is over. {}", words.over),
        AlarmState::Shelved => format!("Silenced{by} at {when}; it speaks again by itself."),
        AlarmState::OutOfService => {
            format!("Taken out of service{by} at {when}; it will not speak until it is put back.")
        }
    };
    let because = if holds {
        let parts = [
            words.what.clone(),
            alarm_reported::since(change, &words, &speech),
            alarm_reported::otherwise(change, &words, &speech),
        ];
        parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ")
    } else {
        words.what.clone()
    };
    Slip {
        headline: capital(&words.headline),
        action: if holds { alarm_reported::action(change, &words, &speech) } else { String::new() },
        because,
        standing,
        caution: words.caution.filter(|_| holds),
    }
}
