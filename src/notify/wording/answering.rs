//! How a letter is answered: by a reply where replies are read, else by a verb at the
//! machine. One sentence, and a link that has the reply ready.

use super::alarm_reported;
use super::blocks::{Block, Blocks, Urgency};
use super::by_mail::ByMail;
use super::letterhead::{masthead, subject};
use super::speech::{Speech, shortened};
use crate::engine::alarm::{AlarmChange, AlarmState};

/// How to answer the alarms of a letter; nothing where none waits for an answer.
pub(crate) fn how<'a>(alarms: impl IntoIterator<Item = &'a AlarmChange>, speech: &Speech) -> Vec<Block> {
    let waits =
        |change: &&AlarmChange| matches!(change.state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged);
    let open: Vec<&AlarmChange> = alarms.into_iter().filter(waits).collect();
    if open.is_empty() {
        return Vec::new();
    }
    let over = open.iter().all(|change| change.state == AlarmState::ReturnedUnacknowledged);
    let Some(by_mail) = speech.answering.and_then(|answering| answering.by_mail.as_ref()) else {
        let purpose = if over {
            "If you have seen it, say so, and it leaves the list:"
        } else {
            "If you have seen it and will see to it, say so, and the reminders stop. One answer is for all of it:"
        };
        let line = open.first().map_or(String::new(), |change| alarm_reported::acknowledge(change));
        return vec![Block::Command { purpose: purpose.to_owned(), line }];
    };
    let sentence = if over {
        "If you have seen it, reply \"seen\", and it leaves the list; \"wrong\" if it was not worth a letter."
            .to_owned()
    } else {
        "If you have seen it and will see to it, reply \"seen\", and the reminders stop. \"right\" or \"wrong\" says \
         so too, and whether this letter was worth it; \"quiet 2 h\" silences it for so long."
            .to_owned()
    };
    vec![Block::Reply { sentence, label: "Reply: seen".to_owned(), link: link(by_mail, "seen") }, mark(by_mail)]
}

/// What stands at the end of a digest: what a reply to it may hold, and what became of
/// replies.
pub(crate) fn in_digest(speech: &Speech, alarms_open: bool) -> Vec<Block> {
    let Some(answering) = speech.answering else { return Vec::new() };
    let mut blocks = Vec::new();
    if let Some((since, why)) = &answering.deaf {
        blocks.push(Block::Paragraph(format!(
            "Your replies have not been read since {}: {why}. Until then answer at the machine, with \"traywarden alarms\" and \"traywarden log\".",
            speech.day_and_clock(*since)
        )));
    }
    if answering.refused > 0 {
        let replies = match answering.refused {
            1 => "1 reply was".to_owned(),
            more => format!("{more} replies were"),
        };
        blocks.push(Block::Paragraph(format!(
            "{replies} not taken: without the mark of a letter, or from an address that is not in your settings. \
             If that was not you, somebody else knows this mailbox."
        )));
    }
    if let Some(by_mail) = &answering.by_mail {
        let seen = if alarms_open { "\"seen\" to this letter answers every open alarm in it. A" } else { "A" };
        blocks.push(Block::Small(format!(
            "{seen} line such as \"water rack-a 118ml\", sent as a reply, goes into the journal."
        )));
        blocks.push(mark(by_mail));
    }
    blocks
}

/// The answer to a reply: each line with what was noted, or why it was not taken. An empty
/// line stands for a reply with nothing in it.
pub(crate) fn reply(reported: &[(String, Result<String, String>)], speech: &Speech) -> Blocks {
    let refused = reported.iter().find(|(_, outcome)| outcome.is_err());
    let (prefix, lead) = match refused {
        Some((line, _)) if line.is_empty() => ("Not taken:", "There was nothing in your reply that I could read."),
        Some(_) if reported.len() == 1 => ("Not taken:", "What your reply asks for was not done."),
        Some(_) => ("Not taken:", "Not everything your reply asks for was done."),
        None => ("Taken:", "Your reply was taken; one thing to know about it."),
    };
    let about = refused.or(reported.first()).map_or("", |(line, _)| line.as_str());
    let about = if about.is_empty() { "an empty reply" } else { about };
    let facts = reported.iter().filter(|(line, _)| !line.is_empty()).map(|(line, outcome)| {
        let formatted = match outcome {
            Ok(note) => format!("Taken. {note}"),
            Err(why) => format!("Not taken: {why}"),
        };
        (format!("\"{}\"", shortened(line, 60)), formatted)
    });
    let mut blocks: Vec<Block> =
        facts.flat_map(|(line, formatted)| [Block::Quoted(line), Block::Paragraph(formatted)]).collect();
    if refused.is_some() {
        blocks.push(Block::Paragraph(
            "The first line of a reply may be \"seen\", \"right\", \"wrong\", \"quiet 2 h\", or a line for the journal \
             such as \"water rack-a 118ml\" or \"note fan moved\". You can reply to this letter too."
                .to_owned(),
        ));
    }
    if let Some(by_mail) = speech.answering.and_then(|answering| answering.by_mail.as_ref()) {
        blocks.push(mark(by_mail));
    }
    Blocks {
        subject: subject(prefix, about, 1),
        masthead: masthead(speech),
        lead: lead.to_owned(),
        urgency: if refused.is_some() { Urgency::Due } else { Urgency::Calm },
        blocks,
    }
}

fn mark(by_mail: &ByMail) -> Block {
    Block::Small(format!(
        "Mark of this letter: {}. Leave it in if you write a new mail instead of a reply.",
        by_mail.code
    ))
}

/// A `mailto` link (RFC 6068) with the word and the letter's code in it.
fn link(by_mail: &ByMail, word: &str) -> String {
    format!(
        "mailto:{}?subject={}&body={}",
        encoded(&by_mail.address, "@"),
        encoded(&format!("{word} [{}]", by_mail.code), ""),
        encoded(word, "")
    )
}

/// Everything but unreserved characters (RFC 3986) percent-encoded.
fn encoded(text: &str, also: &str) -> String {
    let mut encoded = String::new();
    for byte in text.bytes() {
        let sign = char::from(byte);
        if sign.is_ascii_alphanumeric() || "-._~".contains(sign) || also.contains(sign) {
            encoded.push(sign);
        } else {
            encoded.push_str(&format!("%{byte:02X}"));
        }
    }
    encoded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_link_opens_a_reply_with_the_code_whatever_the_address_holds() {
        let by_mail = ByMail { address: "warden+a&b@saltmarsh.example".into(), code: "K7QD-4MXR".into() };
        assert_eq!(
            link(&by_mail, "seen"),
            "mailto:warden%2Ba%26b@saltmarsh.example?subject=seen%20%5BK7QD-4MXR%5D&body=seen"
        );
    }
}
