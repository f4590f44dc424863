//! A letter as plain text that reads well in any mail program: at most 72
//! columns, aligned, nothing but words and spaces.

use super::blocks::{Block, Blocks, UNITS};

/// Wide enough for a sentence, narrow enough to survive one level of quoting in 80 columns.
const COLUMNS: usize = 72;

/// The whole text; its first line is what to do.
pub(crate) fn text(letter: &Blocks) -> String {
    let mut text = String::new();
    text.push_str(&wrapped(&letter.lead, "", ""));
    for block in &letter.blocks {
        match block {
            Block::Quoted(line) => text.push_str(&format!("\n\n{}", wrapped(line, "", ""))),
            Block::Heading(heading) => text.push_str(&format!("\n\n{}", wrapped(&heading.to_uppercase(), "", ""))),
            Block::Paragraph(words) | Block::Small(words) => text.push_str(&format!("\n{}", wrapped(words, "", ""))),
            Block::Facts(facts) => {
                text.push('\n');
                text.push_str(&aligned(facts));
            }
            Block::Points(points) => {
                text.push('\n');
                for point in points {
                    text.push_str(&wrapped(point, "- ", "  "));
                }
            }
            Block::Table { head, rows } => {
                text.push('\n');
                text.push_str(&table(head, rows));
            }
            Block::Command { purpose, line } => {
                text.push_str(&format!("\n{}    {line}\n", wrapped(purpose, "", "")));
            }
            Block::AsWritten(lines) => text.push_str(&format!("\n{}\n", lines.trim_end())),
            Block::Reply { sentence, .. } => text.push_str(&format!("\n{}", wrapped(sentence, "", ""))),
            Block::Picture { .. } => {}
        }
    }
    text
}

/// Breaks at spaces, but never between a number and its unit.
fn wrapped(words: &str, first: &str, rest: &str) -> String {
    let mut pieces: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        let bare = word.trim_end_matches(['.', ',', ';', ':', ')']);
        match pieces.last_mut() {
            Some(last) if UNITS.contains(&bare) && last.chars().last().is_some_and(|end| end.is_ascii_digit()) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => pieces.push(word.to_owned()),
        }
    }
    let mut text = String::new();
    let mut line = first.to_owned();
    let mut bare = true;
    for piece in pieces {
        let length = line.chars().count() + usize::from(!bare) + piece.chars().count();
        if !bare && length > COLUMNS {
            text.push_str(line.trim_end());
            text.push('\n');
            line = rest.to_owned();
            bare = true;
        }
        if !bare {
            line.push(' ');
        }
        line.push_str(&piece);
        bare = false;
    }
    text.push_str(line.trim_end());
    text.push('\n');
    text
}

fn aligned(facts: &[(String, String)]) -> String {
    let widest = facts.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0).min(24);
    let rest = " ".repeat(widest + 2);
    facts
        .iter()
        .map(|(name, value)| {
            let gap = (widest + 2).saturating_sub(name.chars().count()).max(1);
            wrapped(value, &format!("{name}{}", " ".repeat(gap)), &rest)
        })
        .collect()
}

fn table(head: &[String], rows: &[Vec<String>]) -> String {
    let columns = head.len();
    let width = |column: usize| {
        std::iter::once(head)
            .chain(rows.iter().map(Vec::as_slice))
            .filter_map(|row| row.get(column))
            .map(|cell| cell.chars().count())
            .max()
            .unwrap_or(0)
    };
    let widths: Vec<usize> = (0..columns).map(width).collect();
    let mut text = String::new();
    for row in std::iter::once(head).chain(rows.iter().map(Vec::as_slice)) {
        let mut line = String::new();
        for (column, cell) in row.iter().enumerate().take(columns) {
            let pad = " ".repeat(widths[column].saturating_sub(cell.chars().count()));
            // Words to the left, numbers to the right, so that digits stand under digits.
            if column == 0 {
                line.push_str(&format!("{cell}{pad}"));
            } else {
                line.push_str(&format!("  {pad}{cell}"));
            }
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_heading_is_in_capitals_and_what_somebody_wrote_is_as_they_wrote_it() {
        let headings = [Block::Heading("Open alarms".to_owned()), Block::Quoted("\"water rack-b 900gal\"".to_owned())];
        let letter = Blocks {
            subject: String::new(),
            masthead: String::new(),
            lead: String::new(),
            urgency: super::super::blocks::Urgency::Calm,
            blocks: Vec::from(headings),
        };
        assert_eq!(text(&letter).trim(), "OPEN ALARMS\n\n\n\"water rack-b 900gal\"");
    }

    #[test]
    fn no_line_is_wider_than_the_column_and_units_stay_with_their_number() {
        let words = "Rack A is at 31.4 °C; the limit for broccoli in light is 28 °C and the worst so far was 31 °C or so, 4 % more.";
        let text = wrapped(words, "What  ", "      ");
        for line in text.lines() {
            assert!(line.chars().count() <= COLUMNS, "{line}");
            assert!(!line.trim_start().starts_with('°'), "{line}");
        }
    }
}
