//! Exports of a real store: the same rows in CSV and SQLite, of one moment, whatever the
//! daemon writes meanwhile.

use super::table::{Cell, ExportSpan, ExportTable};
use super::{csv, record, record_page, sqlite};
use crate::analysis::sample::{at, rules};
use crate::engine::Engine;
use crate::engine::event::{Event, What};
use crate::engine::rules::Rules;
use crate::reading::{ChannelId, RawReading};
use crate::store::{Reader, Record, Store};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::sync::Arc;

struct Site {
    folder: tempfile::TempDir,
    rules: Rules,
    store: Store,
    engine: Engine,
    seq: u32,
}

impl Site {
    fn new() -> Site {
        let (folder, rules) = (tempfile::tempdir().expect("a folder"), rules());
        let (store, _) = Store::open(&folder.path().join("tw.db"), &rules, at("2026-03-02 00:00")).expect("a store");
        let engine = Engine::new(Arc::new(rules.clone()), at("2026-03-02 00:00"));
        Site { folder, rules, store, engine, seq: 0 }
    }

    fn happen(&mut self, when: Timestamp, what: What) {
        let event = Event { at: when, what };
        let effects = self.engine.handle(event.clone());
        self.seq += 1;
        self.store.commit(&[Record::of(event, self.seq, effects)]).expect("it is written");
    }

    /// A reading of Rack A's thermometer and hygrometer.
    fn air(&mut self, when: Timestamp, celsius: f64, percent: f64) {
        for (channel, value) in [(0, celsius), (1, percent)] {
            let raw = RawReading::new(ChannelId(channel), value, None, false).expect("a number");
            self.happen(when, What::Reading(raw));
        }
    }

    fn log(&mut self, number: i64, when: Timestamp, entry: &str) {
        let entry = serde_json::from_str(entry).expect("an entry");
        self.happen(when, What::Journal { number, entry });
    }

    fn reader(&self) -> Reader {
        Reader::open(self.store.path(), &self.rules).expect("a reader")
    }

    fn span(&self) -> ExportSpan<'_> {
        ExportSpan { since: Timestamp::UNIX_EPOCH, until: at("2027-01-01 00:00"), rules: &self.rules }
    }

    fn csv(&self, table: ExportTable) -> Vec<Vec<String>> {
        let (reader, mut bytes) = (self.reader(), Vec::new());
        csv::write(table, &reader, &reader.moment().expect("a moment"), self.span(), &mut bytes)
            .expect("it is written");
        let mut lines = ::csv::ReaderBuilder::new().has_headers(false).from_reader(&bytes[..]);
        lines.records().map(|line| line.expect("RFC 4180").iter().map(str::to_owned).collect()).collect()
    }
}

fn evening() -> Site {
    let mut site = Site::new();
    site.happen(at("2026-03-02 12:00"), What::Started);
    site.log(
        1,
        at("2026-03-02 12:01"),
        r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli","seed_grams":24}"#,
    );
    site.log(2, at("2026-03-02 12:02"), r#"{"did":"note","text":"=1+1, \"so\" it goes","tray":"K1"}"#);
    for minute in 0..6 {
        let when = at("2026-03-02 14:00") + TimeDelta::minutes(minute);
        site.air(when, 20.0, 50.0);
        site.air(when + TimeDelta::seconds(30), 20.2, 50.4);
    }
    site
}

#[test]
fn minutes_are_the_same_before_and_after_the_store_rolls_them_up() {
    let mut site = evening();
    let before = site.csv(ExportTable::Minutes);
    // Two readings of each: 20.0 and 20.2 °C, 50.0 and 50.4 %.
    let wanted = [
        "2026-03-02T14:00:00Z",
        "2026-03-02 08:00:00",
        "rack-a-air",
        "rack-a",
        "",
        "20",
        "20.1",
        "20.2",
        "50",
        "50.2",
        "50.4",
    ];
    assert_eq!(before[1][..11], wanted);
    // PsychroLib 2.5.0 for 20.1 °C and 50.2 %: deficit 1171.96 Pa, dew point 9.424 °C.
    let derived: Vec<f64> = before[1][11..13].iter().map(|cell| cell.parse().expect("a number")).collect();
    assert!((derived[0] - 1.172).abs() < 0.0015 && (derived[1] - 9.424).abs() < 0.01, "{derived:?}");
    assert_eq!((before.len(), before[1][16].as_str()), (7, "4"));
    site.store.roll_up_minutes(at("2026-03-02 14:03")).expect("it rolls up");
    assert_eq!(site.csv(ExportTable::Minutes), before, "half from means, half from readings");
    site.store.roll_up_minutes(at("2026-03-02 15:00")).expect("it rolls up");
    assert_eq!(site.csv(ExportTable::Minutes), before);
}

#[test]
fn sqlite_holds_what_csv_holds_and_explains_itself() {
    let site = evening();
    let (reader, path) = (site.reader(), site.folder.path().join("copy.db"));
    sqlite::write(&reader, &reader.moment().expect("a moment"), site.span(), &path).expect("it is written");
    let copy = rusqlite::Connection::open(&path).expect("it opens");
    for table in ExportTable::ALL {
        let rows: i64 =
            copy.query_row(&format!("SELECT count(*) FROM {}", table.table()), [], |row| row.get(0)).expect("a table");
        assert_eq!(rows as usize + 1, site.csv(table).len(), "{}", table.table());
        let schema: String = copy
            .query_row("SELECT sql FROM sqlite_schema WHERE name = ?1", [table.table()], |row| row.get(0))
            .expect("a table");
        for (name, _, means) in table.columns() {
            assert!(schema.contains(name) && schema.contains(means), "{name} is not explained in {schema}");
        }
    }
    let note: String =
        copy.query_row("SELECT note FROM journal WHERE number = 2", [], |row| row.get(0)).expect("a note");
    assert_eq!(note, "=1+1, \"so\" it goes", "only spreadsheets need it disarmed");
    assert_eq!(site.csv(ExportTable::Journal)[2][19], "'=1+1, \"so\" it goes");
    let seed: f64 =
        copy.query_row("SELECT seed_grams FROM journal WHERE number = 1", [], |row| row.get(0)).expect("it");
    assert_eq!(seed, 24.0);
}

#[test]
fn an_export_is_of_one_moment_though_the_daemon_goes_on() {
    let mut site = evening();
    let reader = site.reader();
    let rows = |moment: &crate::store::ReadMoment<'_>, span: ExportSpan<'_>, table: ExportTable| {
        let mut rows: Vec<Vec<Cell>> = Vec::new();
        table
            .rows(&reader, moment, span, |row| {
                rows.push(row);
                Ok(())
            })
            .expect("it is read");
        rows.len()
    };
    let before = reader.moment().expect("a moment");
    let (readings, entries) =
        (rows(&before, site.span(), ExportTable::Readings), rows(&before, site.span(), ExportTable::Journal));
    drop(before);
    let moment = reader.moment().expect("a moment");
    site.air(at("2026-03-02 15:00"), 21.0, 51.0);
    site.log(3, at("2026-03-02 15:01"), r#"{"did":"look","tray":"K1"}"#);
    assert_eq!(rows(&moment, site.span(), ExportTable::Readings), readings);
    assert_eq!(rows(&moment, site.span(), ExportTable::Journal), entries);
    drop(moment);
    let moment = reader.moment().expect("a moment");
    assert_eq!(rows(&moment, site.span(), ExportTable::Readings), readings + 2);
    assert_eq!(rows(&moment, site.span(), ExportTable::Journal), entries + 1);
}

#[test]
fn the_record_says_what_it_is_not_and_leaves_room_to_sign() {
    let site = evening();
    let reader = site.reader();
    let (since, until) = (at("2026-03-02 13:00"), at("2026-03-02 14:06"));
    let record = record::gather(&reader, &site.rules, since, until).expect("it is read");
    assert_eq!(record.since, at("2026-03-02 06:00"), "from the local midnight before");
    assert_eq!(record.places.iter().map(|place| place.name.as_str()).collect::<Vec<_>>(), ["Rack A", "Rack B"]);
    let known = record.places[0].days[0].temperature.known_hours;
    assert!((known - 0.1).abs() < 1e-9, "six minutes, not {known} hours");
    let page = record_page::page(&site.rules, &record, until).expect("it is set");
    for words in
        ["not a HACCP plan", "no statement on pathogens", "local food-safety authority", "Signature", "rack-a-air"]
    {
        assert!(page.contains(words), "{words}");
    }
    assert!(!page.contains("http://") || page.matches("http://").count() == page.matches("http://www.w3.org").count());
}
