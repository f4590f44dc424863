//! Packed readings that the disk does not give back.

use super::*;

#[test]
fn a_packed_row_that_is_damaged_is_told_and_costs_its_own_readings_only() {
    let (plain, packed) = twins(40);
    let all = plain.events().len() as u64;
    for broken in [
        "raw = '[1,2'",
        "raw = '[1,2]'",
        "raw = 'nonsense'",
        "times = '[0.5]'",
        "times = '[]', readings = 0",
        "readings = 9000000000000",
        "grain = 9223372036854775807",
        "step = 9223372036854775807",
        "judged = x'00'",
        "lasts = lasts + 1",
        "belief = '[9223372036854775807,9223372036854775807]'",
        "stretch = stretch + 1",
    ] {
        let room = TestStore::new();
        std::fs::copy(packed.path(), room.path()).unwrap();
        let connection = Connection::open(room.path()).unwrap();
        let held = count(&connection, "SELECT readings FROM packed WHERE id = 5") as u64;
        connection.execute(&format!("UPDATE packed SET {broken} WHERE id = 5"), []).unwrap();
        let mut given = 0;
        let replayed = room.reader().events(Timestamp::UNIX_EPOCH, at(9 * DAY), |_| given += 1).unwrap();
        if broken != "stretch = stretch + 1" {
            assert_eq!(given, all - held, "{broken}");
            assert!(replayed.unreadable > 0 || broken.ends_with("readings = 0"), "{broken}");
        } else {
            assert_eq!(given, all, "a whole row in another place is read");
        }
        copied(&room, 0, 9 * DAY);
        room.reader().history("rack-a-air", Quantity::Temperature, at(0), at(DAY), TimeDelta::seconds(5)).unwrap();
        let mut store = room.store();
        packing::take_out(&store.connection, i64::MIN, i64::MAX).unwrap();
        pack_all(&mut store, at(20 * HOUR));
        while store.forget(at(90 * DAY), TimeDelta::days(1)).unwrap() > 0 {}
    }
}

#[test]
fn a_bad_page_of_packed_readings_costs_little_more_than_itself() {
    let (plain, packed) = twins(60);
    {
        let connection = Connection::open(packed.path()).unwrap();
        // Twice, by a disk that forgot a part of what it was told: they count once.
        let row = every_reading(&connection)[3_000];
        put(&connection, &row);
        connection.execute("UPDATE packed SET raw = '[' WHERE id = 1", []).unwrap();
    }
    let mut bytes = std::fs::read(packed.path()).unwrap();
    // A page of packed rows: so many commas are nowhere else.
    let is_packed = |page: &[u8]| page[0] == 13 && page.iter().filter(|sign| **sign == b',').count() > 600;
    let page = bytes.chunks(4096).rposition(is_packed).unwrap();
    bytes[page * 4096..page * 4096 + 64].fill(0xa5);
    std::fs::write(packed.path(), bytes).unwrap();
    let (store, opening) = packed.open();
    assert!(matches!(opening, Opening::Damaged { .. }), "{opening:?}");
    let (kept, all) = (every_reading(&store.connection), every_reading(&plain.store().connection));
    assert!(kept.len() < all.len(), "something is gone");
    assert!(kept.len() > all.len() - 1_500, "{} of {}", kept.len(), all.len());
    let mut rest = all.iter();
    assert!(kept.iter().all(|it| rest.any(|other| other == it)), "what is there is right, in order and once");
    let (kept, all) = (minutes(&store), minutes(&plain.store()));
    assert!(kept.len() + 1_000 > all.len(), "{} of {} means", kept.len(), all.len());
    assert!(kept.iter().all(|it| all.contains(it)), "each is right");
}

#[test]
fn a_record_whose_last_rows_are_lost_ends_with_what_is_packed() {
    let (_plain, packed) = twins(40);
    let store = packed.store();
    store.connection.execute_batch("DELETE FROM reading; DELETE FROM event").unwrap();
    let last = every_reading(&store.connection).pop().unwrap();
    assert_eq!(store.last_position().unwrap(), Some((at(last.at - EVENING), last.seq as u32)));
    assert_eq!(packed.reader().readings_span().unwrap().unwrap().1, at(last.at - EVENING));
}
