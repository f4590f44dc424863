//! A letter as blocks, so that plain text and HTML say the same thing.

/// A whole letter before it is set.
pub(crate) struct Blocks {
    /// The subject line, finished.
    pub(crate) subject: String,
    /// A small line above everything in the HTML: site and hour.
    pub(crate) masthead: String,
    /// The first line: what to do.
    pub(crate) lead: String,
    /// How pressing it looks.
    pub(crate) urgency: Urgency,
    /// What follows the first line, in its order.
    pub(crate) blocks: Vec<Block>,
}

/// How pressing a letter looks; the words never depend on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Urgency {
    /// Hands are needed.
    Urgent,
    /// To be seen to on the next occasion.
    Due,
    /// To be read in peace: no colour of alarm.
    Calm,
}

/// One block of a letter.
pub(crate) enum Block {
    /// A heading.
    Heading(String),
    /// A heading that is what somebody wrote, as they wrote it.
    Quoted(String),
    /// A paragraph.
    Paragraph(String),
    /// Names and what belongs to them.
    Facts(Vec<(String, String)>),
    /// A list.
    Points(Vec<String>),
    /// A table: head, rows; the first column is words, the rest numbers.
    Table {
        /// The head of each column.
        head: Vec<String>,
        /// The rows, each as long as the head.
        rows: Vec<Vec<String>>,
    },
    /// Something to type.
    Command {
        /// What it does.
        purpose: String,
        /// What to type.
        line: String,
    },
    /// How to reply.
    Reply {
        /// What to write, and what it does.
        sentence: String,
        /// What the link is called.
        label: String,
        /// A link that has the reply ready, for the HTML only.
        link: String,
    },
    /// A picture, for the HTML only.
    Picture {
        /// Its name in the letter.
        name: String,
        /// What it shows, for who cannot see it.
        shows: String,
    },
    /// Small print.
    Small(String),
    /// Lines that were set before and stay as they are.
    AsWritten(String),
}

impl Blocks {
    /// Whether a picture of this name stands in it.
    pub(crate) fn shows(&self, picture: &str) -> bool {
        self.blocks.iter().any(|block| matches!(block, Block::Picture { name, .. } if name == picture))
    }
}

/// Words that must not be parted from the number before them.
pub(crate) const UNITS: [&str; 14] =
    ["°C", "°F", "%", "L", "mL", "gal", "kPa", "g", "kg", "oz", "lb", "fl", "h", "min"];

/// The same words, with the space between a number and its unit made unbreakable.
pub(crate) fn units_kept(words: &str) -> String {
    let mut kept = String::with_capacity(words.len() + 8);
    for (place, word) in words.split(' ').enumerate() {
        if place > 0 {
            let bare = word.trim_end_matches(['.', ',', ';', ':', ')', '?']);
            let numbered = kept.chars().last().is_some_and(|end| end.is_ascii_digit());
            kept.push(if numbered && UNITS.contains(&bare) { '\u{a0}' } else { ' ' });
        }
        kept.push_str(word);
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_and_its_unit_stay_on_one_line_and_nothing_else_changes() {
        assert_eq!(
            units_kept("18 to 24 °C, 40 % (118 mL) at 4 fl oz; 3 trays"),
            "18 to 24\u{a0}°C, 40\u{a0}% (118\u{a0}mL) at 4\u{a0}fl oz; 3 trays"
        );
        assert_eq!(units_kept("a g b  c"), "a g b  c");
    }
}
