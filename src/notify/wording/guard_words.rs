//! What the guard writes: that nobody watches, that somebody does again, that the breakfast
//! letter did not come.

use super::blocks::{Block, Blocks, Urgency};
use super::letterhead::subject;
use super::speech::{Speech, span};
use crate::config::GuardSettings;
use crate::engine::rules::Site;
use crate::units::{Timestamp, UnitSystem};
use chrono::{NaiveDate, TimeDelta};

/// Why the watch is not heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GuardWhy {
    /// The broker cannot be reached.
    NoBroker,
    /// The broker is there and says that the watch is not.
    Offline,
    /// The broker is there and has never heard of the watch.
    Unknown,
}

/// What somebody must be told.
#[derive(Clone, Debug, PartialEq)]
pub enum GuardCall {
    /// The watch is gone.
    Gone {
        /// When it was last known to live.
        since: Timestamp,
        /// Why, as far as can be told from outside.
        why: GuardWhy,
    },
    /// It is back.
    Back {
        /// It was gone since then.
        since: Timestamp,
    },
    /// The breakfast letter of this date did not leave.
    NoDigest {
        /// The local date.
        date: NaiveDate,
    },
    /// It has left after all.
    DigestCame {
        /// The local date.
        date: NaiveDate,
    },
}

/// The site as far as a clock and a name need it.
pub(crate) fn site(guard: &GuardSettings) -> Site {
    Site {
        name: guard.name.clone(),
        time_zone: guard.rules.time_zone,
        units: UnitSystem::default(),
        rounds: Vec::new(),
        round_letter_before: TimeDelta::zero(),
        look_within: TimeDelta::zero(),
        digest_at: guard.rules.digest_by,
        asleep: None,
        evening_letter_before: chrono::TimeDelta::zero(),
        wake_if: 1.0,
        come_within: chrono::TimeDelta::zero(),
    }
}

/// The whole letter. `broken` is why the broker was lost, as a sentence.
pub(crate) fn blocks(call: &GuardCall, guard: &GuardSettings, broken: &str, speech: &Speech) -> Blocks {
    let name = &guard.name;
    let masthead = format!("{name} · {} · from its guard", speech.local(speech.now).format("%a %-d %b %H:%M"));
    let (prefix, headline, lead, urgency, blocks) = match call {
        GuardCall::Gone { since, why } => (
            "Now:",
            format!("nobody watches {name} since {}", speech.clock(*since)),
            format!(
                "Look after {name} yourself until the watch is back: nothing has been heard of it since {}.",
                speech.clock(*since)
            ),
            Urgency::Urgent,
            gone(guard, *why, broken),
        ),
        GuardCall::Back { since } => (
            "Over:",
            format!("{name} is watched again"),
            format!("Nothing to do: the watch of {name} is back after {}.", span(speech.now - *since)),
            Urgency::Calm,
            vec![Block::Paragraph(
                "What happened meanwhile stands in its digest, as far as sensors kept it. Look at tank and trays on \
                 your next round."
                    .to_owned(),
            )],
        ),
        GuardCall::NoDigest { date } => (
            "Note:",
            format!("no breakfast letter from {name}"),
            format!("Look at the mail of {name}: the letter of {} has not left.", day(*date)),
            Urgency::Due,
            vec![Block::Paragraph(format!(
                "The watch answers on the broker, so it runs; but its daily letter was due by {} and the mail server \
                 has not taken it. Its alarms may not reach you either. On its machine, \"traywarden alarms\" and \
                 \"traywarden check --letter\" say why.",
                super::speech::wall_time(guard.rules.digest_by)
            ))],
        ),
        GuardCall::DigestCame { date } => (
            "Over:",
            format!("the breakfast letter of {name} has left"),
            format!("Nothing to do: the letter of {} has left after all.", day(*date)),
            Urgency::Calm,
            Vec::new(),
        ),
    };
    Blocks { subject: subject(prefix, &headline, 1), masthead, lead, urgency, blocks }
}

/// A letter that says only that letters of the guard arrive.
pub(crate) fn test(guard: &GuardSettings, speech: &Speech) -> Blocks {
    Blocks {
        subject: subject("Test:", &format!("the guard of {} can write", guard.name), 1),
        masthead: format!("{} · {} · from its guard", guard.name, speech.local(speech.now).format("%a %-d %b %H:%M")),
        lead: "Nothing to do: this is a test letter, and it has arrived.".to_owned(),
        urgency: Urgency::Calm,
        blocks: Vec::new(),
    }
}

fn gone(guard: &GuardSettings, why: GuardWhy, broken: &str) -> Vec<Block> {
    let what = match why {
        GuardWhy::NoBroker => format!(
            "The guard cannot reach the broker{}. Either the power or the internet of that house is out, or the broker \
             has stopped, or it is the guard's own line. The watch may be well behind it, but its letters may not get \
             out either.",
            if broken.is_empty() { String::new() } else { format!(": {broken}") }
        ),
        GuardWhy::Offline => {
            "The broker is there and says that the watch is not: its machine has stopped, has lost its \
                         network, or the program was stopped. It restarts by itself after a crash; this took longer."
                .to_owned()
        }
        GuardWhy::Unknown => format!(
            "The broker is there, but no watch has ever spoken on traywarden/{}/status. Is site in the guard's settings \
             the one that \"traywarden check\" shows, and may the guard's user read there?",
            guard.site
        ),
    };
    vec![
        Block::Paragraph(what),
        Block::Points(vec![
            "Look at the room, or ask somebody who is near: air, tank, pump, lights.".to_owned(),
            "Then at the machine of the watch: power, network, \"systemctl status traywarden\".".to_owned(),
            "A letter comes when it is back.".to_owned(),
        ]),
    ]
}

fn day(date: NaiveDate) -> String {
    date.format("%A, %-d %B").to_string()
}
