//! What the digest says of calls that people graded: the account of a month, and, after three
//! wrong ones of a kind, the one change of the settings that would have spared them.

use super::blocks::Block;
use super::by_mail::Proposal;
use super::speech::{Speech, count};
use crate::engine::alarm::AlarmKind;
use crate::engine::alarm::account::KindAccount;
use crate::engine::letters::digest::DigestFacts;

/// The account, on the first of a month, and what is proposed.
pub(super) fn blocks(day: &DigestFacts, speech: &Speech) -> Vec<Block> {
    let mut blocks = Vec::new();
    if !day.month_of_calls.is_empty() {
        let head = ["Calls of the last month", "calls", "right", "wrong", "answered after"];
        blocks.push(Block::Table {
            head: head.map(str::to_owned).to_vec(),
            rows: day.month_of_calls.iter().map(row).collect(),
        });
    }
    let proposals = speech.answering.map(|answering| answering.proposals.as_slice()).unwrap_or_default();
    for doubted in &day.doubted {
        let found = proposals.iter().find(|proposal| proposal.kind == doubted.kind);
        blocks.push(Block::Paragraph(doubt(doubted, found)));
        if let Some(proposal) = found {
            let purpose = format!("In the settings, under [alarm.{}], write:", proposal.kind.word());
            blocks.push(Block::Command { purpose, line: proposal.line.clone() });
        }
    }
    blocks
}

fn row(kind: &KindAccount) -> Vec<String> {
    let answered = kind.answered_after_minutes.map_or("-".to_owned(), |minutes| format!("{minutes} min"));
    vec![name(kind.kind), kind.calls.to_string(), kind.right.to_string(), kind.wrong.to_string(), answered]
}

/// "air too warm".
pub(super) fn name(kind: AlarmKind) -> String {
    kind.word().replace('-', " ")
}

fn doubt(doubted: &KindAccount, proposal: Option<&Proposal>) -> String {
    let said = format!(
        "You said of {} of the last month's {} for \"{}\" that it was wrong.",
        doubted.wrong,
        count(i64::from(doubted.calls), "call"),
        name(doubted.kind)
    );
    let Some(found) = proposal else {
        return format!(
            "{said} No change of the settings was found yet that would have spared these and kept those you said were \
             right."
        );
    };
    let lost = if doubted.right == 0 {
        "none of them was said to be right"
    } else {
        "those you said were right would still have come"
    };
    format!(
        "{said} If you want fewer of them, one change would do it: rehearsed over the last month, it would have spared \
         {} of {}, {} of them said to be wrong; {lost}. What it would have lost on nights that did not come, a rehearsal \
         cannot say.",
        found.spared,
        count(i64::try_from(found.calls).unwrap_or(i64::MAX), "call"),
        found.spared_wrong,
    )
}
