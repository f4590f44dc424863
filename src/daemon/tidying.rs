//! What keeps the store small: once an hour, a bounded piece at a time, so that what is heard
//! meanwhile is written.

use super::keeper::{Keeper, lock};
use crate::store::{Store, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::sync::Mutex;
use std::time::Duration;

/// Readings of so many hours with readings stay as rows: what comes late, what is judged again
/// and what is remembered beside the store look at rows. Own choice.
const FRESH: TimeDelta = TimeDelta::hours(24);

/// Minute means are packed when so much of a series waits: once a day, then, a day's worth. By the
/// hour it would write six hundred bytes a mean (measured), most of it pages that are cut again.
const MEANS_WAIT: TimeDelta = TimeDelta::hours(24);

/// Readings, and then minute means, packed at once, where a store of an older build has many: 17
/// minutes of a flood of 500 a second, two days of a large room. Own choice.
const PACKED_AT_A_TIDY: u64 = 500_000;

/// Own choice: a stretch takes some ten milliseconds on a plain machine.
const BETWEEN_STRETCHES: Duration = Duration::from_millis(100);

/// Makes minute means, forgets what is too old, packs the readings and means of hours that are over, gives
/// free pages back and folds the log in, with room for commits between.
pub(crate) fn tidy(keeper: &Mutex<Keeper>, now: Timestamp, keep: TimeDelta) -> Result<(), StoreError> {
    let with = |work: &dyn Fn(&mut Store) -> Result<u64, StoreError>| lock(keeper).store().map_or(Ok(0), work);
    with(&|store| {
        let heard = store.heard_until(now)?;
        store.roll_up_minutes(heard)
    })?;
    let forget = |store: &mut Store| {
        let lived = store.lived_now(now, keep)?;
        store.forget(lived, keep)
    };
    while with(&forget)? > 0 {}
    let pack = |store: &mut Store| {
        let lived = store.lived_now(now, FRESH)?;
        store.pack_readings(lived - FRESH)
    };
    let pack_minutes = |store: &mut Store| {
        let lived = store.lived_now(now, FRESH)?;
        store.pack_minutes(lived - FRESH, MEANS_WAIT)
    };
    let in_steps = |step: &dyn Fn(&mut Store) -> Result<u64, StoreError>| -> Result<(), StoreError> {
        let mut packed = 0;
        while packed < PACKED_AT_A_TIDY {
            match with(step)? {
                0 => break,
                rows => packed += rows,
            }
            // Lets go of the store, so that what is heard meanwhile is written.
            std::thread::sleep(BETWEEN_STRETCHES);
        }
        Ok(())
    };
    in_steps(&pack)?;
    in_steps(&pack_minutes)?;
    while with(&|store| store.shrink().map(u64::from))? > 0 {}
    with(&|store| store.checkpoint().map(|()| 0))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::Event;
    use crate::engine::event::{Effect, What};
    use crate::engine::quality::judge::Judge;
    use crate::reading::{ChannelId, RawReading};
    use crate::store::Reader;
    use crate::store::Record;
    use std::sync::Arc;

    const ROOM: &str = r#"
[broker]
url = "mqtt://127.0.0.1"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
rounds = ["07:00"]
[mail]
to = ["grower@saltmarsh.example"]
from = "watch@saltmarsh.example"
smtp = "smtp://127.0.0.1:25"
[[place]]
id = "rack-a"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "a"
temperature = { pointer = "/t", unit = "Cel" }
"#;

    #[test]
    fn what_is_too_old_to_keep_is_given_back_to_the_disk() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("traywarden.db");
        let rules = Arc::new(crate::config::parse(ROOM, "room.toml", folder.path()).unwrap().rules);
        let begin = Timestamp::UNIX_EPOCH + TimeDelta::days(20_000);
        let reading = |at| {
            let raw = RawReading::new(ChannelId(0), 20.0, None, false).unwrap();
            let judgement = Judge::new(&rules, ChannelId(0)).judge(at, raw);
            Record::of(Event { at, what: What::Reading(raw) }, 0, vec![Effect::Judged(judgement)])
        };
        // An hour of many, and two hours of one.
        let old = (0..45_000).map(|nth| reading(begin + TimeDelta::milliseconds(nth)));
        let records: Vec<Record> = old.chain([1, 2].map(|hours| reading(begin + TimeDelta::hours(hours)))).collect();
        let now = begin + TimeDelta::hours(3);
        let (mut keeper, _) = Keeper::open(&path, &rules, now, None).unwrap();
        keeper.store().unwrap().commit(&records).unwrap();
        let keeper = Mutex::new(keeper);
        tidy(&keeper, now, TimeDelta::days(400)).unwrap();
        let full = std::fs::metadata(&path).unwrap().len();
        tidy(&keeper, now, TimeDelta::hours(1)).unwrap();
        let left = std::fs::metadata(&path).unwrap().len();
        assert!(left * 2 < full, "{left} of {full} bytes are left");
    }

    #[test]
    fn hours_a_lived_day_old_are_packed_and_a_clock_that_ran_away_makes_none_old() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("traywarden.db");
        let rules = Arc::new(crate::config::parse(ROOM, "room.toml", folder.path()).unwrap().rules);
        let begin = Timestamp::UNIX_EPOCH + TimeDelta::days(20_000);
        let reading = |at| {
            let raw = RawReading::new(ChannelId(0), 20.0, None, false).unwrap();
            let judgement = Judge::new(&rules, ChannelId(0)).judge(at, raw);
            Record::of(Event { at, what: What::Reading(raw) }, 0, vec![Effect::Judged(judgement)])
        };
        // Fifty-four hours of three, and one reading four hundred days on.
        let lived = (0..162).map(|nth| reading(begin + TimeDelta::minutes(20 * nth)));
        let now = begin + TimeDelta::days(400) + TimeDelta::minutes(2);
        let records: Vec<Record> = lived.chain([reading(now - TimeDelta::minutes(1))]).collect();
        let (mut keeper, _) = Keeper::open(&path, &rules, now, None).unwrap();
        keeper.store().unwrap().commit(&records).unwrap();
        let keeper = Mutex::new(keeper);
        let reader = Reader::open(&path, &rules).unwrap();
        let rows = || -> [u64; 4] {
            let store = rusqlite::Connection::open(&path).unwrap();
            let fresh = |table: &str| {
                let count = store.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get::<_, i64>(0));
                count.unwrap().unsigned_abs()
            };
            let all = reader.counts().unwrap();
            [fresh("reading"), all.readings, fresh("minute"), all.minutes]
        };
        for _ in 0..2 {
            tidy(&keeper, now, TimeDelta::days(400)).unwrap();
            let expected = [24 * 3 + 1, 163, 24 * 3 + 1, 163];
            assert_eq!(rows(), expected, "thirty hours are packed; the one under the wrong clock counts as one");
        }
    }
}
