//! Minute means of hours that are over: the same means for everybody who asks.

use super::*;
use crate::store::packed_hours;
use crate::store::packed_minutes::{MinuteColumn, PackedHour, pack_hour};
use crate::store::stretches::MinuteSum;

const SERIES: i64 = 1;
const FIRST_HOUR: i64 = EVENING / HOUR;

/// Numbers as a room has them.
fn usual_sum() -> impl Strategy<Value = MinuteSum> {
    let spread = prop_oneof![3 => Just(0_i64), 3 => 0_i64..400, 1 => 0_i64..9_000];
    (prop_oneof![1_i64..4, 1_i64..90], 18_000_i64..24_000, spread, 0_i64..300).prop_map(|(n, low, spread, rest)| {
        let rest = if n > 2 { rest.min((n - 2) * spread) } else { 0 };
        let spread = if n == 1 { 0 } else { spread };
        MinuteSum { n, low, sum: n * low + spread + rest, high: low + spread }
    })
}

/// Numbers that no sensor says.
fn wild_sum() -> impl Strategy<Value = MinuteSum> {
    let low = prop_oneof![
        2 => -40_000_i64..400_000,
        1 => prop_oneof![Just(i64::MIN), Just(i64::MAX), Just(1 << 50), Just(-(1 << 50))],
    ];
    (1_i64..100_000, low, 0_i64..90_000, -300_i64..300).prop_map(|(n, low, spread, rest)| {
        let sum = n.saturating_mul(low).saturating_add(spread).saturating_add(rest);
        MinuteSum { n, low, sum, high: low.saturating_add(spread) }
    })
}

fn minutes_of_hours() -> impl Strategy<Value = Vec<(i64, MinuteSum)>> {
    let grain = prop_oneof![Just(1_i64), Just(10), Just(100)];
    let usual = prop::collection::vec((1_i64..4, usual_sum()), 1..150);
    let wild =
        prop::collection::vec((1_i64..4, prop_oneof![3 => usual_sum().boxed(), 1 => wild_sum().boxed()]), 1..150);
    (grain, prop_oneof![2 => usual.boxed(), 1 => wild.boxed()]).prop_map(|(grain, all)| {
        let mut minute = FIRST_HOUR * 60 - 1;
        let coarse = |number: i64| number / grain * grain;
        let mut minutes = Vec::new();
        for (after, it) in all {
            minute += if after == 3 { 90 } else { 1 };
            let it = MinuteSum { low: coarse(it.low), sum: coarse(it.sum), high: coarse(it.high), ..it };
            minutes.push((minute, it));
        }
        minutes
    })
}

fn put_minute(connection: &Connection, series: i64, minute: i64, it: MinuteSum) {
    let row = params![series, minute, it.n, it.low, it.sum, it.high];
    connection.prepare_cached("INSERT INTO minute VALUES (?1, ?2, ?3, ?4, ?5, ?6)").unwrap().execute(row).unwrap();
}

fn read(connection: &Connection, from: i64, until: i64) -> Vec<(i64, MinuteSum)> {
    let mut all = Vec::new();
    packed_hours::minutes_of(connection, SERIES, (from, until), |minute, it| all.push((minute, it))).unwrap();
    all.sort_by_key(|(minute, _)| *minute);
    all
}

fn pack_means(store: &mut Store) -> u64 {
    std::iter::from_fn(|| {
        Some(store.pack_minutes(at(9_000 * DAY), TimeDelta::zero()).unwrap()).filter(|packed| *packed > 0)
    })
    .sum()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(96) })]

    #[test]
    fn means_that_are_packed_come_out_bit_for_bit_by_us_and_by_the_view(all in minutes_of_hours()) {
        let room = TestStore::new();
        let mut store = room.store();
        store.connection.execute_batch("PRAGMA synchronous = OFF; BEGIN").unwrap();
        all.iter().for_each(|(minute, it)| put_minute(&store.connection, SERIES, *minute, *it));
        store.connection.execute_batch("COMMIT").unwrap();
        let packed = pack_means(&mut store) as i64;
        let rows = count(&store.connection, "SELECT count(*) FROM minute");
        prop_assert_eq!(rows + packed, all.len() as i64);
        let is_usual = |it: &MinuteSum| (17_000..=24_000).contains(&it.low) && it.high - it.low < 10_000 && it.n < 100;
        prop_assert!(rows == 0 || !all.iter().all(|(_, it)| is_usual(it)), "what a room says is packed");
        prop_assert_eq!(&read(&store.connection, i64::MIN, i64::MAX / 60_000), &all);
        if rows == 0 {
            let by_view: Vec<(i64, MinuteSum)> = minutes(&store)
                .into_iter()
                .map(|[_, minute, n, low, sum, high]| (minute, MinuteSum { n, low, sum, high }))
                .collect();
            prop_assert_eq!(&by_view, &all);
        }
        // Part of an hour.
        let (from, until) = (all[0].0 + 7, all[0].0 + 61);
        let part: Vec<_> = all.iter().copied().filter(|(minute, _)| (from..until).contains(minute)).collect();
        prop_assert_eq!(read(&store.connection, from, until), part);
    }

    #[test]
    fn whatever_stands_in_a_packed_hour_is_answered(
        numbers in prop::collection::vec(prop_oneof![any::<i64>(), Just(i64::MIN), Just(i64::MAX), -3_i64..70], 5),
        columns in prop::collection::vec(prop_oneof![
            any::<i64>().prop_map(MinuteColumn::Same),
            prop_oneof![Just(i64::MIN), Just(i64::MAX)].prop_map(MinuteColumn::Same),
            (-2_i64..3).prop_map(MinuteColumn::Same),
            "[ -~]{0,3}".prop_map(MinuteColumn::Each),
            "\\PC{0,61}".prop_map(MinuteColumn::Each),
        ], 5),
    ) {
        let [series, hour, minutes, first, grain] = numbers[..] else { unreachable!("five are drawn") };
        let [places, n, low, spread, rest] = columns.try_into().unwrap();
        let row = PackedHour { series, hour, minutes, first, grain, places, n, low, spread, rest };
        if let Some(unpacked) = row.unpack() {
            prop_assert!((1..=60).contains(&unpacked.len()));
            prop_assert!(unpacked.iter().all(|(minute, _)| minute.div_euclid(60) == hour));
        }
    }
}

#[test]
fn a_reading_that_comes_late_for_a_packed_hour_is_in_its_minute_once() {
    let (plain, packed) = twins(40);
    let measured = 3 * HOUR + 10 * MINUTE + 5_000;
    for room in [&plain, &packed] {
        let mut store = room.store();
        let late = RawReading::new(ChannelId(0), 24.5, Some(at(measured)), false).unwrap();
        store.commit(&[reading(&room.rules, at(41 * HOUR), 0, late)]).unwrap();
        store.roll_up_minutes(at(42 * HOUR)).unwrap();
        store.close().unwrap();
    }
    let high = |room: &TestStore| {
        let (since, until) = (at(measured - 5_000), at(measured + 55_000));
        let step = TimeDelta::minutes(1);
        room.reader().history("rack-a-air", Quantity::Temperature, since, until, step).unwrap()[0].high
    };
    assert!((high(&packed) - 24.5).abs() < 1e-9);
    assert_eq!(minutes(&packed.store()), minutes(&plain.store()));
    are_alike(&plain, &packed);
    // The hour that was taken out is packed again.
    let mut store = packed.store();
    assert!(store.pack_minutes(at(16 * HOUR), TimeDelta::zero()).unwrap() > 50);
    assert_eq!(store.pack_minutes(at(16 * HOUR), TimeDelta::zero()).unwrap(), 0);
    drop(store);
    are_alike(&plain, &packed);
}

#[test]
fn a_damaged_row_of_means_costs_its_hour_only_and_goes_with_salvage() {
    let (plain, packed) = twins(40);
    let all = minutes(&plain.store());
    for broken in ["low = 'xy'", "minutes = 0", "minutes = 61", "first = 9223372036854775807", "places = 59"] {
        let room = TestStore::new();
        std::fs::copy(packed.path(), room.path()).unwrap();
        let connection = Connection::open(room.path()).unwrap();
        let which = "series = 1 AND hour = (SELECT min(hour) + 3 FROM minute_packed)";
        let held = count(&connection, &format!("SELECT minutes FROM minute_packed WHERE {which}"));
        assert_eq!(connection.execute(&format!("UPDATE minute_packed SET {broken} WHERE {which}"), []).unwrap(), 1);
        let left = |connection: &Connection| {
            (1..=3)
                .map(|series| {
                    let mut minutes = 0;
                    packed_hours::minutes_of(connection, series, (0, i64::MAX / 60_000), |_, _| minutes += 1).unwrap();
                    minutes
                })
                .sum::<i64>()
        };
        assert_eq!(left(&connection), all.len() as i64 - held, "{broken}");
        // Nothing is put over it, and nothing waits for it for ever.
        let hour = count(&connection, "SELECT min(hour) + 3 FROM minute_packed");
        put_minute(&connection, 1, hour * 60 + 5, MinuteSum::of(20_000));
        let mut store = room.store();
        assert_eq!(store.pack_minutes(at(16 * HOUR), TimeDelta::zero()).unwrap(), 0, "{broken}");
        let waits = format!("SELECT count(*) FROM minute WHERE series = 1 AND minute = {}", hour * 60 + 5);
        assert_eq!(count(&store.connection, &waits), 1, "{broken}");
        packed_hours::settle(&mut store.connection).unwrap();
        assert_eq!(
            count(&store.connection, &format!("SELECT count(*) FROM minute_packed WHERE series = 1 AND hour = {hour}")),
            0
        );
        assert_eq!(count(&store.connection, &waits), 1, "{broken}");
        assert_eq!(store.pack_minutes(at(16 * HOUR), TimeDelta::zero()).unwrap(), 1, "now it has a place");
    }
    assert!(pack_hour(1, FIRST_HOUR, &[]).is_none());
    assert!(pack_hour(1, FIRST_HOUR, &[(FIRST_HOUR * 60, MinuteSum::of(20_000))]).is_some());
}

#[test]
fn an_hour_that_cannot_be_packed_holds_up_no_other() {
    let room = TestStore::new();
    let mut store = room.store();
    put_minute(&store.connection, SERIES, i64::MIN, MinuteSum::of(20_000));
    put_minute(&store.connection, SERIES, FIRST_HOUR * 60, MinuteSum::of(i64::MAX));
    // Farther on than is packed at once.
    put_minute(&store.connection, SERIES, (FIRST_HOUR + 500) * 60, MinuteSum::of(20_000));
    assert_eq!(pack_means(&mut store), 1);
    assert_eq!(read(&store.connection, i64::MIN, i64::MAX / 60_000).len(), 3);
}

#[test]
fn means_are_packed_once_so_much_of_a_series_waits() {
    let room = TestStore::new();
    let mut store = room.store();
    for hour in 0..30 {
        put_minute(&store.connection, SERIES, (FIRST_HOUR + hour) * 60 + 7, MinuteSum::of(20_000 + hour));
    }
    let hours = |hours: i64| at(hours * HOUR - EVENING.rem_euclid(HOUR));
    let day = TimeDelta::hours(24);
    assert_eq!(store.pack_minutes(hours(23), day).unwrap(), 0);
    assert_eq!(store.pack_minutes(hours(24), day).unwrap(), 24, "the hours that were over then");
    assert_eq!(store.pack_minutes(hours(30), day).unwrap(), 0, "six wait");
}

#[test]
fn a_packed_hour_that_is_not_in_order_is_damaged() {
    let minutes = [(FIRST_HOUR * 60, MinuteSum::of(20_000)), (FIRST_HOUR * 60 + 1, MinuteSum::of(20_100))];
    let whole = pack_hour(1, FIRST_HOUR, &minutes).unwrap();
    assert_eq!(whole.unpack().unwrap(), minutes);
    let places = MinuteColumn::Each("! ".to_owned());
    assert_eq!(PackedHour { places, ..whole }.unpack(), None, "one minute twice");
}

#[test]
fn the_farthest_numbers_in_a_packed_hour_are_answered() {
    let whole = pack_hour(1, FIRST_HOUR, &[(FIRST_HOUR * 60, MinuteSum::of(20_000))]).unwrap();
    for low in [i64::MIN, i64::MAX] {
        assert_eq!(PackedHour { low: MinuteColumn::Same(low), grain: 4, ..whole.clone() }.unpack(), None);
    }
}

#[test]
fn a_packed_minute_mean_costs_two_sevenths_of_its_row_at_most() {
    let room = TestStore::new();
    let mut store = room.store();
    let mut state = 7_u64;
    let mut below = |most: i64| {
        // Knuth's constants (MMIX); any scatter does.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as i64 % most
    };
    // Two days of ten series, one to three readings a minute, whole thousandths that scatter by 200.
    store.connection.execute_batch("BEGIN").unwrap();
    for series in 101..111 {
        store.connection.execute("INSERT INTO series VALUES (?1, 'more', ?1, 'Cel')", [series]).unwrap();
        for minute in 0..2 * 24 * 60 {
            let n = 1 + (below(9) + 4) / 6;
            let mut it = MinuteSum::of(21_000 + below(200));
            (1..n).for_each(|_| it.add(MinuteSum::of(21_000 + below(200))));
            put_minute(&store.connection, series, FIRST_HOUR * 60 + minute, it);
        }
    }
    store.connection.execute_batch("COMMIT").unwrap();
    let bytes = |store: &Store, table: &str| {
        count(&store.connection, &format!("SELECT sum(payload) FROM dbstat WHERE name = '{table}'")) as f64
    };
    let all = 10.0 * 2.0 * 24.0 * 60.0;
    let before = bytes(&store, "minute") / all;
    pack_means(&mut store);
    let after = bytes(&store, "minute_packed") / all;
    assert_eq!(count(&store.connection, "SELECT count(*) FROM minute"), 0);
    println!("{after:.1} bytes a mean, {before:.1} before");
    assert!(after * 3.5 < before, "{after:.1} bytes a mean, {before:.1} before");
}
