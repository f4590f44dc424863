//! Sheets as CSV: RFC 4180 (lines end in CRLF, quotes doubled), UTF-8, one header line
//! whose names hold the units. Words that a spreadsheet would run as a formula get an
//! apostrophe before them: the journal can be written by anybody on the broker.

use super::ExportError;
use super::table::{Cell, ExportSpan, ExportTable};
use crate::store::{ReadMoment, Reader};
use std::io::Write;

/// Writes a sheet. Row by row, so that years fit into any memory.
///
/// # Errors
/// When the store cannot be read or `out` cannot be written.
pub fn write(
    table: ExportTable,
    reader: &Reader,
    moment: &ReadMoment<'_>,
    span: ExportSpan<'_>,
    out: impl Write,
) -> Result<(), ExportError> {
    let mut lines = writer(out);
    lines.write_record(table.columns().iter().map(|(name, ..)| name)).map_err(io)?;
    table.rows(reader, moment, span, |row| lines.write_record(row.iter().map(cell)).map_err(io))?;
    Ok(lines.flush()?)
}

fn writer<W: Write>(out: W) -> csv::Writer<W> {
    csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out)
}

fn io(error: csv::Error) -> ExportError {
    ExportError::Write(match error.into_kind() {
        // As it came, so that a closed pipe is known for what it is.
        csv::ErrorKind::Io(error) => error,
        other => std::io::Error::other(format!("{other:?}")),
    })
}

fn cell(cell: &Cell) -> String {
    match cell {
        Cell::Nothing => String::new(),
        Cell::Text(words) => harmless(words),
        Cell::Whole(number) => number.to_string(),
        Cell::Real(number) => number.to_string(),
    }
}

/// OWASP, "CSV Injection": cells beginning with these are run by spreadsheets. A single
/// dash or plus before a space is how people write lists, and no formula.
fn harmless(words: &str) -> String {
    let mut characters = words.chars();
    let begins = match (characters.next(), characters.next()) {
        (Some('=' | '@' | '\t' | '\r'), _) => true,
        (Some('+' | '-'), second) => second.is_some_and(|second| second != ' '),
        _ => false,
    };
    if begins { format!("'{words}") } else { words.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(cells: &[Cell]) -> String {
        let mut bytes = Vec::new();
        let mut lines = writer(&mut bytes);
        lines.write_record(cells.iter().map(cell)).expect("memory takes it");
        drop(lines);
        String::from_utf8(bytes).expect("UTF-8")
    }

    #[test]
    fn commas_quotes_and_line_ends_are_quoted_as_rfc_4180_asks() {
        let text = |words: &str| Cell::Text(words.to_owned());
        let cells = [text("dry, tips"), text("called \"dry\""), text("two\nlines"), Cell::Nothing, Cell::Real(21.5)];
        assert_eq!(line(&cells), "\"dry, tips\",\"called \"\"dry\"\"\",\"two\nlines\",,21.5\r\n");
    }

    #[test]
    fn a_reader_who_stops_reading_is_known_for_what_he_is() {
        struct Closed;
        impl Write for Closed {
            fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
                Err(std::io::ErrorKind::BrokenPipe.into())
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let long = "x".repeat(100_000);
        let error = writer(Closed).write_record([long]).map_err(io).expect_err("nobody listens");
        assert!(matches!(&error, ExportError::Write(why) if why.kind() == std::io::ErrorKind::BrokenPipe), "{error:?}");
    }

    #[test]
    fn words_that_a_spreadsheet_would_run_are_disarmed() {
        for (words, wanted) in [
            ("=HYPERLINK(\"http://x\")", "'=HYPERLINK(\"http://x\")"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("+1+cmd|' /C calc'!A0", "'+1+cmd|' /C calc'!A0"),
            ("-2+3", "'-2+3"),
            ("- tips brown", "- tips brown"),
            ("fine", "fine"),
        ] {
            assert_eq!(harmless(words), wanted);
        }
        assert_eq!(cell(&Cell::Real(-2.5)), "-2.5", "a figure stays a figure");
    }
}
