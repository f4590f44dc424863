//! One situation as a slip that is pinned to the round sheet: the same sentences as in a
//! letter, in parts, so that a page can set what to do apart from why.

use super::alarm_words::words;
use super::speech::{Speech, capital};
use super::{alarm_reported, situation_words};
use crate::engine::alarm::{AlarmChange, AlarmState};
use crate::engine::letters::situation::Situation;
use crate::engine::rules::Site;

/// The parts of a slip. Any of them may be empty.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
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
    pub(crate) caution: String,
}

/// What stands, alarms of one cause together, as a slip.
pub fn slip(situation: &Situation, site: &Site) -> Slip {
    let Some(first) = situation.first() else { return Slip::default() };
    let speech = Speech::new(site, first.at);
    let headline = capital(&situation_words::headline(situation, &speech));
    let what = situation_words::what(situation, &speech);
    let standing = standing(situation, first, &speech);
    if !matches!(first.state, AlarmState::Unacknowledged | AlarmState::Acknowledged) {
        return Slip { headline, because: what, standing, ..Slip::default() };
    }
    let top = words(first, &speech);
    let because =
        [what, situation_words::since(situation, first, &speech), alarm_reported::otherwise(first, &top, &speech)];
    Slip {
        headline,
        action: situation_words::action(situation, first, &speech),
        because: because.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" "),
        standing,
        caution: situation_words::cautions(situation.alarms.iter(), &speech),
    }
}

/// One alarm as a heading: "Tank empty, pump draws air".
pub fn headline(change: &AlarmChange, site: &Site) -> String {
    let words = words(change, &Speech::new(site, change.at));
    capital(&(words.headline + &words.figures))
}

/// What an alarm is about, whether it holds or not: "A4 overdue".
pub fn name(change: &AlarmChange, site: &Site) -> String {
    capital(&words(change, &Speech::new(site, change.at)).name)
}

fn standing(situation: &Situation, first: &AlarmChange, speech: &Speech) -> String {
    let said = |change: &AlarmChange| {
        let by = change.by.as_deref().map_or_else(String::new, |who| format!(" by {who}"));
        format!("{by} at {}", speech.clock(change.answered_at.unwrap_or(change.at)))
    };
    match first.state {
        AlarmState::ReturnedUnacknowledged => {
            let mut over: Vec<String> = situation.alarms.iter().map(|change| words(change, speech).over).collect();
            over.dedup();
            format!("It is over. {}", over.join(" "))
        }
        AlarmState::Shelved => format!("Silenced{}; it speaks again by itself.", said(first)),
        AlarmState::OutOfService => {
            format!("Taken out of service{}; it will not speak until it is put back.", said(first))
        }
        AlarmState::Unacknowledged | AlarmState::Acknowledged | AlarmState::Normal => {
            let of = |state: AlarmState| situation.alarms.iter().find(|change| change.state == state);
            match (of(AlarmState::Acknowledged), of(AlarmState::Unacknowledged)) {
                (Some(seen), None) => format!("Seen{}.", said(seen)),
                (Some(seen), Some(_)) => format!("Seen{}, but not what has come to it since.", said(seen)),
                (None, _) => String::new(),
            }
        }
    }
}
