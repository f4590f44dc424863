//! Reads what can be read from a damaged file into a new one. Each table is read in the
//! order of its key; where a page breaks, reading goes on behind it, so that a bad page
//! costs little more than itself. Where the first page is bad, which holds the list of
//! tables, one from a new store of ours takes its place in a copy.

use super::beside::with_suffix;
use super::packed_hours;
use super::schema;
use super::stretches::{self, Readable};
use rusqlite::types::Value;
use rusqlite::{
    Connection, ErrorCode, OpenFlags, OptionalExtension, Rows, TransactionBehavior, params, params_from_iter,
};
use std::io::{Seek, SeekFrom, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// A table, and the columns that order it without sorting. The last but `seq` and `nth` is
/// a number that reading can go on from.
struct SalvagedTable {
    name: &'static str,
    key: &'static [&'static str],
    /// The column to jump in; `None`: the table is small and its key is text.
    jump: Option<&'static str>,
}

const fn table(name: &'static str, key: &'static [&'static str], jump: &'static str) -> SalvagedTable {
    SalvagedTable { name, key, jump: Some(jump) }
}

/// Small ones first, so that a disk that fills up meanwhile has the words.
const TABLES: [SalvagedTable; 18] = [
    table("series", &["id"], "id"),
    table("journal", &["number"], "number"),
    table("event", &["at", "seq"], "at"),
    table("letter", &["rowid"], "rowid"),
    table("outbox", &["rowid"], "rowid"),
    SalvagedTable { name: "letter_alarm", key: &["letter", "kind", "subject"], jump: None },
    SalvagedTable { name: "mailbox", key: &["name"], jump: None },
    table("reply", &["id"], "id"),
    table("alarm", &["at", "seq", "nth"], "at"),
    table("minute", &["series", "minute"], "minute"),
    table("minute_packed", &["series", "hour"], "hour"),
    table("garbled", &["at", "seq"], "at"),
    table("delivery", &["packet_id"], "packet_id"),
    table("inbox", &["id"], "id"),
    table("phone", &["id"], "id"),
    SalvagedTable { name: "meta", key: &["key"], jump: None },
    table("packed", &["id"], "id"),
    table("reading", &["at", "seq"], "at"),
];

/// Rows a transaction; keeps the write-ahead log small.
const ROWS_AT_ONCE: usize = 50_000;
const PAGE: u64 = 4096;

/// Copies every readable row and returns how many. Fails only where the new
/// file fails; a damaged source just gives less.
pub(super) fn carry_over(from: &Path, into: &mut Connection) -> rusqlite::Result<u64> {
    let mut source = open_damaged(from).ok();
    let mut repaired = None;
    if !source.as_ref().is_some_and(|source| columns_of(source, "reading").is_ok_and(|columns| !columns.is_empty())) {
        repaired = with_first_page(from).ok();
        source = repaired.as_ref().and_then(|copy| open_damaged(copy).ok());
    }
    let copied = source.as_ref().map_or(Ok(0), |source| copy_all(source, into));
    drop(source);
    if let Some(copy) = repaired {
        for part in ["", "-wal", "-shm"] {
            // What could not be removed takes room but harms nothing.
            let _ = std::fs::remove_file(with_suffix(&copy, part));
        }
    }
    tidy(into)?;
    let copied = copied?;
    packed_hours::settle(into)?;
    let (packs, readings) = settle_packed(into)?;
    Ok(copied + readings - packs)
}

fn copy_all(source: &Connection, into: &mut Connection) -> rusqlite::Result<u64> {
    let mut copied = 0;
    for table in &TABLES {
        let found = standing_for(source, table.name);
        let columns = shared_columns(source, into, found, table.name);
        if columns.is_empty() {
            continue;
        }
        if table.key[0] == "series" {
            for series in series(into)? {
                copied += copy_round(source, into, (found, table), &columns, &format!("series = {series} AND "))?;
            }
        } else {
            copied += copy_round(source, into, (found, table), &columns, "")?;
        }
    }
    Ok(copied)
}

/// Without `writable_schema` SQLite refuses a file that is shorter than its header says.
fn open_damaged(path: &Path) -> rusqlite::Result<Connection> {
    let source = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    source.execute_batch("PRAGMA writable_schema = ON; PRAGMA cell_size_check = ON; PRAGMA trusted_schema = OFF;")?;
    Ok(source)
}

/// A copy of the file with the first page of a new store: every store of ours has its
/// tables at the same places, because the same steps made them.
fn with_first_page(damaged: &Path) -> std::io::Result<PathBuf> {
    let template = with_suffix(damaged, ".template");
    let made = || -> rusqlite::Result<()> {
        let mut fresh = Connection::open(&template)?;
        fresh.execute_batch("PRAGMA page_size = 4096; PRAGMA auto_vacuum = INCREMENTAL;")?;
        schema::upgrade(&mut fresh, schema::MIGRATIONS)?;
        Ok(())
    };
    let made = made().map_err(std::io::Error::other).and_then(|()| std::fs::read(&template));
    let _ = std::fs::remove_file(&template);
    let mut page = made?;
    page.truncate(PAGE as usize);
    let copy = with_suffix(damaged, ".repair");
    copy_readable(damaged, &copy)?;
    if with_suffix(damaged, "-wal").exists() {
        copy_readable(&with_suffix(damaged, "-wal"), &with_suffix(&copy, "-wal"))?;
    }
    let pages = u32::try_from(copy.metadata()?.len() / PAGE).unwrap_or(u32::MAX);
    // SQLite's file format, section 1.3: size in pages at 28, free pages at 32 and 36, and
    // 24 beside 92 says that the size holds; 18 and 19 say write-ahead log.
    page[18..20].copy_from_slice(&[2, 2]);
    page[28..32].copy_from_slice(&pages.to_be_bytes());
    page[32..40].fill(0);
    let counter: [u8; 4] = [page[24], page[25], page[26], page[27]];
    page[92..96].copy_from_slice(&counter);
    let mut file = std::fs::OpenOptions::new().write(true).open(&copy)?;
    file.seek(SeekFrom::Start(0))?;
    file.write_all(&page)?;
    Ok(copy)
}

/// Copies a file with zeros for what the disk does not give back.
fn copy_readable(from: &Path, to: &Path) -> std::io::Result<()> {
    let (source, copy) = (std::fs::File::open(from)?, std::fs::File::create(to)?);
    let length = source.metadata()?.len();
    let mut page = [0; PAGE as usize];
    for at in (0..length).step_by(PAGE as usize) {
        let here = &mut page[..PAGE.min(length - at) as usize];
        if source.read_exact_at(here, at).is_err() {
            here.fill(0);
        }
        copy.write_all_at(here, at)?;
    }
    Ok(())
}

fn series(into: &Connection) -> rusqlite::Result<Vec<i64>> {
    // Also numbers whose row was lost: a room has no more series than this.
    let highest: i64 = into.query_row("SELECT coalesce(max(id), 0) FROM series", [], |row| row.get(0))?;
    Ok((1..=highest.max(64)).collect())
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

/// Copies a table from its first row to its last, round whatever breaks between.
fn copy_round(
    source: &Connection,
    into: &mut Connection,
    (found, table): (&str, &SalvagedTable),
    columns: &[String],
    of: &str,
) -> rusqlite::Result<u64> {
    let Some(jump) = table.jump else {
        return Ok(copy(source, into, (found, table), columns, "true", "'x'")?.rows);
    };
    let mut copied = 0;
    let mut from = i64::MIN;
    loop {
        let part = copy(source, into, (found, table), columns, &format!("{of}{jump} >= {from}"), jump)?;
        copied += part.rows;
        if part.whole {
            return Ok(copied);
        }
        let probe = GapProbe { source, table: found, of, jump };
        let next = match part.last {
            Some(last) => probe.behind(last.max(from)),
            None if from == i64::MIN => probe.first(),
            None => probe.behind(from),
        };
        match next {
            Some(next) if next > from => from = next,
            _ => return Ok(copied),
        }
    }
}

/// Looks for the next place in a table that can be read.
struct GapProbe<'a> {
    source: &'a Connection,
    table: &'a str,
    of: &'a str,
    jump: &'a str,
}

impl GapProbe<'_> {
    /// Whether reading can begin at `from`; nothing behind it counts as readable.
    fn is_readable(&self, from: i64) -> bool {
        let GapProbe { table, of, jump, .. } = self;
        let sql = format!("SELECT {jump} FROM {table} WHERE {of}{jump} >= {from} ORDER BY {jump} LIMIT 1");
        self.source.query_row(&sql, [], |row| row.get::<_, i64>(0)).optional().is_ok()
    }

    /// The next readable place behind a row that was read last: steps that grow by a
    /// tenth, then halving back to the edge.
    fn behind(&self, last: i64) -> Option<i64> {
        let mut broken = 0;
        let mut step: i64 = 1;
        loop {
            let at = last.checked_add(step)?;
            if self.is_readable(at) {
                return Some(self.edge(last.checked_add(broken)?, at));
            }
            broken = step;
            step = step.checked_add((step / 10).max(1))?;
        }
    }

    /// The first readable place of a table whose beginning is broken, seen from its end.
    fn first(&self) -> Option<i64> {
        let GapProbe { table, of, jump, .. } = self;
        let of = if of.is_empty() { String::new() } else { format!("WHERE {of}true ") };
        let sql = format!("SELECT {jump} FROM {table} {of}ORDER BY {jump} DESC LIMIT 1");
        let last: i64 = self.source.query_row(&sql, [], |row| row.get(0)).optional().ok()??;
        let mut broken = i64::MIN / 2;
        let mut back: i64 = 1 << 42;
        while back > 0 {
            let at = last - back;
            if self.is_readable(at) {
                return Some(self.edge(broken, at));
            }
            broken = at;
            back -= (back / 10).max(1);
        }
        Some(last)
    }

    fn edge(&self, mut broken: i64, mut readable: i64) -> i64 {
        while readable - broken > 1 {
            let middle = broken + (readable - broken) / 2;
            if self.is_readable(middle) {
                readable = middle;
            } else {
                broken = middle;
            }
        }
        readable
    }
}

/// What one stretch gave.
struct SalvagedPart {
    rows: u64,
    /// The end was reached.
    whole: bool,
    /// Where the last readable row stands.
    last: Option<i64>,
}

/// Copies in the order of the key until the end, or until something breaks.
fn copy(
    source: &Connection,
    into: &mut Connection,
    (found, table): (&str, &SalvagedTable),
    columns: &[String],
    which: &str,
    jump: &str,
) -> rusqlite::Result<SalvagedPart> {
    let list = columns.join(", ");
    let name = table.name;
    let mut part = SalvagedPart { rows: 0, whole: false, last: None };
    let select = format!("SELECT {list}, {jump} FROM {found} WHERE {which} ORDER BY {}", table.key.join(", "));
    let Ok(mut select) = source.prepare(&select) else { return Ok(part) };
    let places = vec!["?"; columns.len()].join(", ");
    let insert = format!("INSERT OR IGNORE INTO {name} ({list}) VALUES ({places})");
    let Ok(mut rows) = select.query([]) else { return Ok(part) };
    loop {
        let transaction = into.transaction()?;
        let mut statement = transaction.prepare(&insert)?;
        let mut ended = false;
        for _ in 0..ROWS_AT_ONCE {
            let mut values = match next_row(&mut rows, columns.len() + 1) {
                Ok(Some(values)) => values,
                outcome => {
                    part.whole = outcome.is_ok();
                    ended = true;
                    break;
                }
            };
            if let Some(Value::Integer(at)) = values.pop() {
                part.last = Some(at);
            }
            match statement.execute(params_from_iter(values)) {
                Ok(rows) => part.rows += rows as u64,
                // A value that does not fit its column is part of the damage.
                Err(error) if error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation) => {}
                Err(error) => return Err(error),
            }
        }
        drop(statement);
        transaction.commit()?;
        if ended {
            return Ok(part);
        }
    }
}

fn next_row(rows: &mut Rows<'_>, columns: usize) -> rusqlite::Result<Option<Vec<Value>>> {
    let Some(row) = rows.next()? else { return Ok(None) };
    (0..columns).map(|column| row.get(column)).collect::<rusqlite::Result<Vec<Value>>>().map(Some)
}

/// Of what was carried over from a damaged file: takes away packed rows that cannot be read and
/// readings that stand packed as well, and gives the packed rows that were carried over and the
/// readings in those that stay.
fn settle_packed(connection: &mut Connection) -> rusqlite::Result<(u64, u64)> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let carried: i64 = transaction.query_row("SELECT count(*) FROM packed", [], |row| row.get(0))?;
    let oldest: Option<i64> = transaction.query_row("SELECT min(at) FROM reading", [], |row| row.get(0))?;
    let (mut from, mut kept, mut twice) = (i64::MIN, 0, 0);
    while let Some(stretch) = stretches::next(&transaction, from, i64::MAX)? {
        stretches::remove(&transaction, stretch, Readable::No)?;
        let (readings, _) = stretches::readings(&transaction, stretch)?;
        kept += readings.len() as u64;
        if oldest.is_some_and(|oldest| oldest <= stretch.ends) {
            let mut delete = transaction.prepare_cached("DELETE FROM reading WHERE at = ?1 AND seq = ?2")?;
            for reading in &readings {
                twice += delete.execute(params![reading.at, reading.seq])? as u64;
            }
        }
        let Some(behind) = stretch.ends.checked_add(1) else { break };
        from = behind;
    }
    transaction.commit()?;
    Ok((carried.unsigned_abs() + twice, kept))
}

fn tidy(into: &Connection) -> rusqlite::Result<()> {
    into.execute_batch(
        "-- Readings whose series was lost must not pass for those of the next sensor that gets the number.
         INSERT OR IGNORE INTO series (id, sensor, quantity, unit)
             SELECT series, 'lost-' || series, 'unknown', '?' FROM (SELECT series FROM reading UNION SELECT series FROM packed
                                                                       UNION SELECT series FROM minute
                                                                       UNION SELECT series FROM minute_packed);
         -- Without any minute means they are to be made again from the readings.
         DELETE FROM meta WHERE key = 'stopped_well' OR (key = 'rolled_up_to' AND NOT EXISTS (SELECT 1 FROM minute)
                                                            AND NOT EXISTS (SELECT 1 FROM minute_packed));",
    )
}
