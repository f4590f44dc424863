//! What is said when the watch itself is in trouble: no broker, no mail, no
//! store, a clock that was set.

use super::sentences::AlarmWords;
use super::speech::{Speech, count, span};
use crate::engine::alarm::{AlarmChange, Evidence};
use crate::engine::event::AtStake;

/// The sentences of an alarm about the watch itself.
pub(crate) fn words(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    match &change.evidence {
        Evidence::Mail { waiting, error } => AlarmWords {
            headline: "mail not leaving".to_owned(),
            figures: format!(", {} waiting", count(i64::from(*waiting), "letter")),
            name: "Mail".to_owned(),
            action: "See whether the internet works and whether the mail password still holds".to_owned(),
            what: format!(
                "{} cannot leave. The mail server, or the way to it, says: {} \
                 Letters are kept and tried again.",
                count(i64::from(*waiting), "letter"),
                sentence(error)
            ),
            state: "Not leaving",
            harm: "alarms cannot reach you by mail",
            over: "Letters leave again.".to_owned(),
            ..AlarmWords::default()
        },
        Evidence::Store { error, at_stake } => AlarmWords {
            headline: if at_stake.without_past { "watch without memory" } else { "readings are not being saved" }
                .to_owned(),
            figures: if at_stake.without_past { ", store not readable" } else { "" }.to_owned(),
            name: "Saving".to_owned(),
            action: "See whether the disk or card is full or failing: free some space, or change the card".to_owned(),
            what: format!("Readings cannot be saved. The store says: {} {}", sentence(error), kept_and_lost(*at_stake)),
            state: "Not saving",
            harm: if at_stake.without_past {
                "trays are not watched by their stage"
            } else {
                "readings are lost for good"
            },
            over: "Readings are saved again.".to_owned(),
            ..AlarmWords::default()
        },
        Evidence::StoreHurt { what } => AlarmWords {
            headline: "history is not complete".to_owned(),
            name: "History".to_owned(),
            action: "Make a backup when you are at the machine; if nobody touched the file, change the card".to_owned(),
            what: format!("Readings are saved and alarms come, but {what}."),
            state: "Not as it was saved",
            harm: "the record has a gap",
            over: "Readings are saved, as they were all the time.".to_owned(),
            ..AlarmWords::default()
        },
        Evidence::Clock { by } => {
            let way = if *by < chrono::TimeDelta::zero() { "back" } else { "forward" };
            AlarmWords {
                headline: format!("clock set {way} by {}", span(*by)),
                name: "Clock".to_owned(),
                action: "See whether the clock of the machine is right and is set from the network".to_owned(),
                what: format!(
                    "The clock of the machine was set {way} by {}. Times of readings before and after do not fit together.",
                    span(*by)
                ),
                state: "Set",
                harm: "letters may come at the wrong hour",
                over: "The clock runs evenly.".to_owned(),
                ..AlarmWords::default()
            }
        }
        Evidence::Contested { times, client_id } => AlarmWords {
            headline: "the broker drops us".to_owned(),
            name: "Broker".to_owned(),
            action: format!(
                "See whether the broker itself starts anew again and again; if it does not, find the device that also \
                 connects as \"{client_id}\", most often a sensor or a copy of this program set up last, and give it \
                 a name of its own"
            ),
            what: format!(
                "The broker has ended our connection {} lately and let us in again at once. Most often another device \
                 connects under our name, \"{client_id}\": each throws the other out and takes readings meant for \
                 the other, and some are lost.",
                count(i64::from(*times), "time")
            ),
            state: "Thrown out again and again",
            harm: "readings are lost, and alarms may come late",
            over: "The connection stands.".to_owned(),
            ..AlarmWords::default()
        },
        // Broker is the only evidence left that `alarm_words` sends here.
        _ => AlarmWords {
            headline: format!("no readings since {}", speech.clock(change.since)),
            figures: ", broker lost".to_owned(),
            name: "Broker".to_owned(),
            action: "Look at the trays yourself, then see whether the broker and the network run".to_owned(),
            what: "The broker, which passes the readings on, cannot be reached: nothing is being watched.".to_owned(),
            state: "Not reached",
            harm: "harm in any place could go on unseen",
            unseen: "As long as it lasts nobody sees what happens anywhere",
            over: "The broker is reached again and readings arrive.".to_owned(),
            ..AlarmWords::default()
        },
    }
}

fn kept_and_lost(at_stake: AtStake) -> String {
    let mut text = String::from("Every reading is still judged, and alarms still come.");
    if at_stake.without_past {
        text.push_str(
            " But what was written before cannot be read: the watch knows no tray, no watering and no answered alarm.",
        );
    }
    if at_stake.unsaved > 0 {
        let unsaved = count(at_stake.unsaved.cast_signed(), "reading");
        text.push_str(&format!(" {unsaved} wait in memory; a restart would lose them."));
    }
    if at_stake.lost > 0 {
        text.push_str(&format!(" {} are lost already.", count(at_stake.lost.cast_signed(), "reading")));
    }
    text
}

/// Somebody else's words: one line, bounded, with a full stop.
fn sentence(error: &str) -> String {
    let plain: String = error.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
    let plain = plain.split_whitespace().collect::<Vec<_>>().join(" ");
    let plain = super::speech::shortened(&plain, 200);
    let plain = plain.trim_end_matches('.');
    if plain.is_empty() { "nothing.".to_owned() } else { format!("{plain}.") }
}
