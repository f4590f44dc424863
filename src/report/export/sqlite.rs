//! Every sheet in one SQLite file of plain tables, for whoever likes to ask in SQL. What
//! each column means stands in the file itself: `.schema` shows it.

use super::ExportError;
use super::table::{Cell, ExportSpan, ExportTable, Holds};
use crate::store::{ReadMoment, Reader};
use rusqlite::types::{ToSqlOutput, Value};
use rusqlite::{Connection, OpenFlags, params};
use std::fmt::Write;
use std::path::Path;

/// Writes the sheets into a new file at `path`, where nothing may be yet.
///
/// # Errors
/// When the store cannot be read or the file cannot be written.
pub fn write(reader: &Reader, moment: &ReadMoment<'_>, span: ExportSpan<'_>, path: &Path) -> Result<(), ExportError> {
    let explain = |source| ExportError::Sqlite { path: path.to_owned(), source };
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut file = Connection::open_with_flags(path, flags).map_err(explain)?;
    let whole = file.transaction().map_err(explain)?;
    whole.execute_batch(ABOUT).map_err(explain)?;
    let site = &span.rules.site;
    for (what, words) in [
        ("site", site.name.clone()),
        ("time zone of the local columns", site.time_zone.name().to_owned()),
        ("from", span.since.to_rfc3339()),
        ("until", span.until.to_rfc3339()),
        ("made by", format!("traywarden {}", env!("CARGO_PKG_VERSION"))),
        ("what this is", CAUTION.to_owned()),
    ] {
        whole.execute("INSERT INTO about (what, words) VALUES (?1, ?2)", params![what, words]).map_err(explain)?;
    }
    for table in ExportTable::ALL {
        whole.execute_batch(&create(table)).map_err(explain)?;
        let mut insert = whole.prepare(&insert(table)).map_err(explain)?;
        table.rows(reader, moment, span, |row| {
            insert.execute(rusqlite::params_from_iter(row)).map_err(explain)?;
            Ok(())
        })?;
    }
    whole.execute_batch(INDEXES).map_err(explain)?;
    whole.commit().map_err(explain)?;
    file.close().map_err(|(_, source)| explain(source))
}

const ABOUT: &str = "
CREATE TABLE about (
    -- What this file is a copy of.
    what   TEXT PRIMARY KEY,
    words  TEXT NOT NULL
) STRICT;";

const CAUTION: &str = "Readings of room sensors, as a growing aid. No food-safety instrument.";

const INDEXES: &str = "
CREATE INDEX reading_by_sensor ON reading (sensor, quantity, measured_at_utc);
CREATE INDEX minute_by_place ON minute (place, minute_utc);";

fn create(table: ExportTable) -> String {
    let mut sql = format!("CREATE TABLE {} (\n    -- {}", table.table(), table.about());
    let columns = table.columns();
    for (nth, (name, holds, means)) in columns.iter().enumerate() {
        let comma = if nth + 1 < columns.len() { "," } else { "" };
        let kind = match holds {
            Holds::Text => "TEXT",
            Holds::Whole => "INTEGER",
            Holds::Real => "REAL",
        };
        // Into a string: cannot fail.
        let _ = write!(sql, "\n    \"{name}\" {kind}{comma}  -- {means}");
    }
    sql.push_str("\n) STRICT;");
    sql
}

fn insert(table: ExportTable) -> String {
    let marks = vec!["?"; table.columns().len()].join(", ");
    format!("INSERT INTO {} VALUES ({marks})", table.table())
}

impl rusqlite::ToSql for Cell {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Owned(match self {
            Cell::Nothing => Value::Null,
            Cell::Text(words) => return Ok(ToSqlOutput::from(words.as_str())),
            Cell::Whole(number) => Value::Integer(*number),
            Cell::Real(number) => Value::Real(*number),
        }))
    }
}
