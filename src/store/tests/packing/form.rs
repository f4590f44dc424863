//! One packed row: what goes in comes out, and whatever stands in it is answered.

use super::*;

/// A number as it may stand in a column, now and then one that no sensor says.
fn number() -> impl Strategy<Value = i64> {
    prop_oneof![
        8 => -500_i64..60_000,
        2 => -3_600_000_i64..3_600_000,
        1 => prop_oneof![Just(i64::MIN), Just(i64::MAX), Just(0), Just(1 << 50), Just(-(1 << 50) - 1)],
    ]
}

fn usual(value: i64) -> impl Strategy<Value = i64> {
    prop_oneof![9 => Just(value), 1 => 0_i64..512]
}

fn readings() -> impl Strategy<Value = Vec<StoredReading>> {
    let one = (
        prop_oneof![Just(0_i64), 0_i64..3, 0_i64..70_000, Just(5 * HOUR)],
        1_i64..4,
        number(),
        prop::option::weighted(0.8, number()),
        usual(1),
        prop::option::weighted(0.3, number()),
        prop_oneof![4 => Just(0_i64), 1 => number()],
        any::<bool>(),
    );
    prop::collection::vec(one, 0..400).prop_map(|all| {
        let (mut at, mut seq) = (EVENING, 0);
        let mut readings = Vec::new();
        for (after, series, raw, believed, judged, claimed_lag, believed_lag, as_raw) in all {
            seq = if after == 0 { seq + 1 } else { 0 };
            at += after;
            let believed = if as_raw { believed.and(raw.checked_sub(300)) } else { believed };
            readings.push(StoredReading { at, seq, series, raw, believed, judged, claimed_lag, believed_lag });
        }
        readings
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(96) })]

    #[test]
    fn what_is_packed_comes_out_bit_for_bit_by_us_and_by_the_view(readings in readings()) {
        let room = TestStore::new();
        let mut store = room.store();
        // Nothing is to be proven of the disk.
        store.connection.execute_batch("PRAGMA synchronous = OFF; BEGIN").unwrap();
        readings.iter().for_each(|reading| put(&store.connection, reading));
        store.connection.execute_batch("INSERT INTO meta VALUES ('rolled_up_to', '9000000000000'); COMMIT").unwrap();
        let packed: u64 = pack_all(&mut store, at(1_000 * DAY)).iter().sum();
        let packable = readings.iter().filter(|reading| reading.is_packable()).count();
        prop_assert_eq!(packed as usize, packable);
        prop_assert_eq!(count(&store.connection, "SELECT count(*) FROM reading") as usize, readings.len() - packable);
        prop_assert_eq!(&every_reading(&store.connection), &readings);
        prop_assert_eq!(&by_the_view(&store.connection, "true"), &readings);
        let transaction = store.connection.unchecked_transaction().unwrap();
        packing::take_out(&transaction, i64::MIN, i64::MAX).unwrap();
        transaction.commit().unwrap();
        prop_assert_eq!(count(&store.connection, "SELECT count(*) FROM packed"), 0);
        prop_assert_eq!(&every_reading(&store.connection), &readings);
        // A second time, from wherever it was.
        pack_all(&mut store, at(1_000 * DAY));
        prop_assert_eq!(&every_reading(&store.connection), &readings);
    }
}

/// What may stand in a column that is damaged.
fn anything() -> impl Strategy<Value = rusqlite::types::Value> {
    use rusqlite::types::Value;
    prop_oneof![
        number().prop_map(Value::Integer),
        prop::collection::vec(number(), 0..6).prop_map(|all| Value::Text(format!("{all:?}"))),
        "[\\[\\],0-9nul.e-]{0,12}".prop_map(Value::Text),
        Just(Value::Null),
        Just(Value::Real(0.5)),
        prop::collection::vec(any::<u8>(), 0..6).prop_map(Value::Blob),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2_000) })]

    #[test]
    fn whatever_stands_in_a_packed_row_is_answered(
        readings in 1..6_usize,
        damage in prop::collection::vec((0..14_usize, anything()), 1..4),
    ) {
        use rusqlite::types::Value;
        let file = Connection::open_in_memory().unwrap();
        let names = crate::store::packed::PACK_COLUMNS;
        let places = vec!["?"; 14].join(", ");
        file.execute_batch(&format!("CREATE TABLE packed (id INTEGER PRIMARY KEY, {names})")).unwrap();
        let sql = format!("INSERT INTO packed ({names}) VALUES ({places})");
        // A reading a second, until something befell the row.
        let lasts = 1000 * (readings as i64 - 1);
        let mut columns: Vec<Value> =
            [5, 1, 0, readings as i64, lasts, 1000, 1, 0, 0, 1, 0, 0].map(Value::Integer).to_vec();
        columns.extend([Value::Text(format!("{:?}", vec![0; readings])), Value::Integer(21)]);
        let whole = columns.clone();
        for (column, what) in damage {
            columns[column] = what;
        }
        for (columns, is_whole) in [(whole, true), (columns, false)] {
            file.execute("DELETE FROM packed", []).unwrap();
            file.execute(&sql, rusqlite::params_from_iter(columns)).unwrap();
            let mut rows = file.prepare(&format!("SELECT {names} FROM packed")).unwrap();
            let found = rows.query_row([], |row| Ok(Pack::of(row)?.and_then(|pack| pack.unpack()))).unwrap();
            prop_assert_eq!(found.is_some() || !is_whole, true);
            prop_assert!(found.is_none_or(|found| found.len() < 7));
        }
    }
}
