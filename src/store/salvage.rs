//! Reads what can be read from a damaged file into a new one. Each table is read
//! from its first key until something breaks, then from its last key backwards,
//! so that one bad page costs little more than itself.

use rusqlite::types::Value;
use rusqlite::{Connection, ErrorCode, OpenFlags, Rows, params_from_iter};
use std::path::Path;

/// Every table with the columns that order it without sorting.
const TABLES: [(&str, &[&str]); 16] = [
    ("series", &["id"]),
    ("journal", &["number"]),
    ("event", &["at", "seq"]),
    ("letter", &["rowid"]),
    ("outbox", &["rowid"]),
    ("letter_alarm", &["letter", "kind", "subject"]),
    ("mailbox", &["name"]),
    ("reply", &["id"]),
    ("alarm", &["at", "seq", "nth"]),
    ("minute", &["series", "minute"]),
    ("garbled", &["at", "seq"]),
    ("delivery", &["packet_id"]),
    ("inbox", &["id"]),
    ("phone", &["id"]),
    ("meta", &["key"]),
    ("reading", &["at", "seq"]),
];

/// Rows a transaction; keeps the write-ahead log small.
const ROWS_AT_ONCE: usize = 50_000;

/// Copies every readable row and returns how many. Fails only where the new
/// file fails; a damaged source just gives less.
pub(super) fn carry_over(from: &Path, into: &mut Connection) -> rusqlite::Result<u64> {
    let Ok(source) = open_damaged(from) else { return Ok(0) };
    let mut copied = 0;
    for (table, key) in TABLES {
        let found = standing_for(&source, table);
        let columns = shared_columns(&source, into, found, table);
        if columns.is_empty() {
            continue;
        }
        let (rows, whole) = copy(&source, into, (found, table), &columns, key, "ASC")?;
        copied += rows;
        if !whole {
            copied += copy(&source, into, (found, table), &columns, key, "DESC")?.0;
        }
    }
    tidy(into)?;
    Ok(copied)
}

/// Without `writable_schema` SQLite refuses a file that is shorter than its header says.
fn open_damaged(path: &Path) -> rusqlite::Result<Connection> {
    let source = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    source.execute_batch("PRAGMA writable_schema = ON; PRAGMA cell_size_check = ON; PRAGMA trusted_schema = OFF;")?;
    Ok(source)
}

/// What an older build had for a table of today.
fn standing_for<'t>(source: &Connection, table: &'t str) -> &'t str {
    let older = table == "outbox" && columns_of(source, table).is_ok_and(|columns| columns.is_empty());
    if older { "mail" } else { table }
}

fn shared_columns(source: &Connection, into: &Connection, found: &str, table: &str) -> Vec<String> {
    let there = columns_of(source, found).unwrap_or_default();
    let mut here = columns_of(into, table).unwrap_or_default();
    here.retain(|column| there.contains(column));
    here
}

fn columns_of(connection: &Connection, table: &str) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare("SELECT name FROM pragma_table_info(?1)")?;
    statement.query_map([table], |row| row.get(0))?.collect()
}

/// Copies in one direction; also says whether the end was reached.
fn copy(
    source: &Connection,
    into: &mut Connection,
    (found, table): (&str, &str),
    columns: &[String],
    key: &[&str],
    direction: &str,
) -> rusqlite::Result<(u64, bool)> {
    let list = columns.join(", ");
    let order: Vec<String> = key.iter().map(|column| format!("{column} {direction}")).collect();
    let Ok(mut select) = source.prepare(&format!("SELECT {list} FROM {found} ORDER BY {}", order.join(", "))) else {
        return Ok((0, false));
    };
    let places = vec!["?"; columns.len()].join(", ");
    let insert = format!("INSERT OR IGNORE INTO {table} ({list}) VALUES ({places})");
    let Ok(mut rows) = select.query([]) else { return Ok((0, false)) };
    let mut copied = 0;
    loop {
        let transaction = into.transaction()?;
        let mut statement = transaction.prepare(&insert)?;
        for _ in 0..ROWS_AT_ONCE {
            let values = match next_row(&mut rows, columns.len()) {
                Ok(Some(values)) => values,
                Ok(None) => {
                    drop(statement);
                    transaction.commit()?;
                    return Ok((copied, true));
                }
                Err(_) => {
                    drop(statement);
                    transaction.commit()?;
                    return Ok((copied, false));
                }
            };
            match statement.execute(params_from_iter(values)) {
                Ok(rows) => copied += rows as u64,
                // A value that does not fit its column is part of the damage.
                Err(error) if error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation) => {}
                Err(error) => return Err(error),
            }
        }
        drop(statement);
        transaction.commit()?;
    }
}

fn next_row(rows: &mut Rows<'_>, columns: usize) -> rusqlite::Result<Option<Vec<Value>>> {
    let Some(row) = rows.next()? else { return Ok(None) };
    (0..columns).map(|column| row.get(column)).collect::<rusqlite::Result<Vec<Value>>>().map(Some)
}

fn tidy(into: &Connection) -> rusqlite::Result<()> {
    into.execute_batch(
        "-- Readings whose series was lost must not pass for those of the next sensor that gets the number.
         INSERT OR IGNORE INTO series (id, sensor, quantity, unit)
             SELECT series, 'lost-' || series, 'unknown', '?' FROM (SELECT series FROM reading UNION SELECT series FROM minute);
         -- Without any minute means they are to be made again from the readings.
         DELETE FROM meta WHERE key = 'stopped_well' OR (key = 'rolled_up_to' AND NOT EXISTS (SELECT 1 FROM minute));",
    )
}
