//! Figures for the notes, not a test: `cargo test --lib store::tests::measure -- --ignored --nocapture`.

use super::*;
use std::time::Instant;

/// Prints insert rate, bytes a reading, replay rate and the time of a 90-day history.
#[test]
#[ignore = "prints figures and asserts nothing"]
fn print_rates_and_sizes() {
    let room = Room::new();
    let mut store = room.store();
    let minutes = 90 * 24 * 60;
    let begun = Instant::now();
    for start in (0..minutes).step_by(1_000) {
        let records: Vec<Record> = (start..(start + 1_000).min(minutes))
            .flat_map(|nth| (0..4).map(move |channel| (nth, channel)))
            .map(|(nth, channel)| {
                let value = 20.0 + (nth * 7 % 500) as f64 / 100.0;
                reading(&room.rules, at(nth * 60_000 + i64::from(channel)), 0, heard(channel, value))
            })
            .collect();
        store.commit(&records).unwrap();
    }
    let readings = minutes * 4;
    let spent = begun.elapsed().as_secs_f64();
    println!("{:.0} readings/s written (4,000 a commit, judged on the way)", readings as f64 / spent);
    store.checkpoint().unwrap();
    let size = std::fs::metadata(room.path()).unwrap().len();
    println!("{:.1} bytes a reading", size as f64 / readings as f64);
    let begun = Instant::now();
    store.roll_up_minutes(at(minutes * 60_000)).unwrap();
    println!("{:.0} ms to roll 90 days up", begun.elapsed().as_secs_f64() * 1e3);
    let reader = room.reader();
    let begun = Instant::now();
    let replayed = reader.events(at(0), at(minutes * 60_000), |_| {}).unwrap();
    println!("{:.0} events/s replayed", replayed.given as f64 / begun.elapsed().as_secs_f64());
    let begun = Instant::now();
    let step = TimeDelta::hours(2);
    let points = reader.history("rack-a-air", Quantity::Temperature, at(0), at(minutes * 60_000), step).unwrap();
    println!("{:.1} ms for {} points of 90 days", begun.elapsed().as_secs_f64() * 1e3, points.len());
    let singles = (0..500).map(|nth| [reading(&room.rules, at(minutes * 60_000 + nth), 0, heard(0, 20.0))]);
    let begun = Instant::now();
    singles.for_each(|record| store.commit(&record).unwrap());
    println!("{:.0} commits/s of one reading", 500.0 / begun.elapsed().as_secs_f64());
}
