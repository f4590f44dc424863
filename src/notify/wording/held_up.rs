//! The one letter that tells what several had to tell, after nobody was reached for long.

use super::blocks::{Block, Blocks, Urgency};
use super::letterhead::masthead;
use super::speech::{Speech, ascii, count};
use crate::notify::post::Posted;

/// `held` is sorted, the newest first, and has at least two.
pub(super) fn blocks(held: &[Posted], speech: &Speech) -> Blocks {
    let letters = count(held.len() as i64, "letter");
    let oldest = held.iter().map(|posted| posted.at).min().unwrap_or(speech.now);
    let since = speech.day_and_clock(oldest);
    let mut blocks = vec![
        Block::Paragraph(format!(
            "Letters did not get through for a while: {letters} had to wait, the oldest since {since}. Each stands \
             below as it was written at its hour, the newest first. What has come with a letter of its own since is \
             not repeated."
        )),
        Block::Command { purpose: "How the room is now:".into(), line: "traywarden now".into() },
    ];
    for posted in held {
        blocks.push(Block::Heading(format!("{}: {}", speech.day_and_clock(posted.at), posted.subject)));
        blocks.push(Block::AsWritten(posted.text.clone()));
    }
    Blocks {
        subject: ascii(&format!("{letters} that waited since {since}")),
        masthead: masthead(speech),
        lead: "Look how the room is now: some of what stands here may be over.".into(),
        urgency: Urgency::Due,
        blocks,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::LetterKind;
    use crate::engine::rules::Site;
    use crate::notify::letter::{CarrierName, Parcel, ParcelKey};
    use crate::units::{Timestamp, UnitSystem};

    fn posted(at: &str, subject: &str) -> Posted {
        let key = ParcelKey { letter: at.into(), carrier: CarrierName::Mail, recipient: "a@saltmarsh.example".into() };
        Posted {
            parcel: Parcel { key, message_id: None, bytes: Vec::new() },
            kind: LetterKind::Alarm,
            at: at.parse().unwrap(),
            subject: subject.into(),
            text: format!("{subject}.\n\nsince   yesterday\nharm    from 02:50\n"),
        }
    }

    #[test]
    fn each_letter_stands_whole_under_its_hour_and_the_newest_comes_first() {
        let site = Site {
            name: "Saltmarsh Lane".into(),
            time_zone: chrono_tz::America::Chicago,
            units: UnitSystem::Metric,
            rounds: vec![chrono::NaiveTime::from_hms_opt(7, 0, 0).unwrap()],
            round_letter_before: chrono::TimeDelta::minutes(30),
            look_within: chrono::TimeDelta::hours(36),
            digest_at: chrono::NaiveTime::from_hms_opt(6, 30, 0).unwrap(),
            asleep: None,
            evening_letter_before: chrono::TimeDelta::hours(1),
            wake_if: 0.2,
            come_within: chrono::TimeDelta::minutes(45),
        };
        let now: Timestamp = "2026-03-04T12:00:00Z".parse().unwrap();
        let held = [posted("2026-03-04T08:10:00Z", "Tank low"), posted("2026-03-04T04:10:00Z", "Rack A too warm")];
        let letter = super::super::held_up(&held, &site, now);
        assert!(letter.subject.starts_with("2 letters that waited since"), "{}", letter.subject);
        assert!(letter.subject.len() < 60);
        let (first, second) = (letter.text.find("Tank low.").unwrap(), letter.text.find("Rack A too warm.").unwrap());
        assert!(first < second, "{}", letter.text);
        assert!(letter.text.contains("since   yesterday\nharm    from 02:50\n"), "{}", letter.text);
        assert!(letter.text.contains("02:10") && letter.text.contains("22:10"), "{}", letter.text);
        assert!(letter.html.contains("harm    from 02:50"));
    }
}
