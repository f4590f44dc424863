//! The charts of `history`: what was measured, what was asked for, the nights; with another
//! place or another span laid over it.

use super::series::Series;
use crate::chart::{self, Chart, Line, Measure, Panel, Point};
use crate::engine::calendar::local_instant;
use crate::engine::rules::Rules;
use crate::engine::watch::band::Band;
use crate::store::HistoryPoint;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// Nights longer than these many days would only be stripes.
const NIGHTS_DAYS: i64 = 10;

/// A whole number of local days between two beginnings, for laying one span over another.
pub(crate) fn days_between(rules: &Rules, from: Timestamp, other: Timestamp) -> i64 {
    let date = |at: Timestamp| at.with_timezone(&rules.site.time_zone).date_naive();
    (date(from) - date(other)).num_days()
}

/// The points as if measured so many local days later, at the same time of the clock.
pub(crate) fn shifted(rules: &Rules, series: &mut Series, days: i64) {
    let zone = rules.site.time_zone;
    for point in &mut series.points {
        let local = point.from.with_timezone(&zone).naive_local() + TimeDelta::days(days);
        point.from = local_instant(zone, local.date(), local.time());
    }
    series.points.sort_by_key(|point| point.from);
}

/// From the last round of a day to the first of the next: when nobody is in the room.
pub fn nights(rules: &Rules, from: Timestamp, until: Timestamp) -> Vec<(Timestamp, Timestamp)> {
    let (Some(first), Some(last)) = (rules.site.rounds.first(), rules.site.rounds.last()) else { return Vec::new() };
    if until - from > TimeDelta::days(NIGHTS_DAYS) || first == last {
        return Vec::new();
    }
    let zone = rules.site.time_zone;
    let mut date = from.with_timezone(&zone).date_naive() - TimeDelta::days(1);
    let mut nights = Vec::new();
    while local_instant(zone, date, *last) < until {
        let (dusk, dawn) = (local_instant(zone, date, *last), local_instant(zone, date + TimeDelta::days(1), *first));
        if dawn > from {
            nights.push((dusk.max(from), dawn.min(until)));
        }
        date += TimeDelta::days(1);
    }
    nights
}

/// Some series in one chart: a panel a quantity, a line a series, each with its name.
/// Bands are of the first.
pub fn chart(
    rules: &Rules,
    title: String,
    named: &[(String, Series)],
    bands: &[(Timestamp, Timestamp, Band)],
    (from, until): (Timestamp, Timestamp),
) -> Chart {
    let mut panels: Vec<Panel> = Vec::new();
    for (name, series) in named {
        let measure = Measure::of(series.quantity.believed_as());
        let line = line(name, series);
        match panels.iter_mut().find(|panel| panel.measure == measure) {
            Some(panel) => panel.lines.push(line),
            None => panels.push(Panel { measure, lines: vec![line], bands: limits(measure, bands), peers: None }),
        }
    }
    Chart {
        title,
        from,
        until,
        time_zone: rules.site.time_zone,
        units: rules.site.units,
        panels,
        stages: Vec::new(),
        nights: Vec::new(),
        lanes: Vec::new(),
    }
}

/// What the engine's bands say about one measure.
pub(crate) fn limits(measure: Measure, bands: &[(Timestamp, Timestamp, Band)]) -> Vec<chart::BandSpan> {
    let limits = |band: &Band| match measure {
        Measure::Temperature => (band.temperature_min, band.temperature_max),
        Measure::Humidity => (band.humidity_min, band.humidity_max),
        _ => (None, None),
    };
    bands
        .iter()
        .map(|(from, until, band)| (limits(band), from, until))
        .filter(|((low, high), ..)| low.is_some() || high.is_some())
        .map(|((low, high), from, until)| chart::BandSpan { from: *from, until: *until, low, high })
        .collect()
}

fn line(name: &str, series: &Series) -> Line {
    let point = |point: &HistoryPoint| Point { at: point.from, low: point.low, mean: point.mean, high: point.high };
    Line {
        name: name.to_owned(),
        points: series.points.iter().map(point).collect(),
        gap_after: (series.step * 5 / 2).max(TimeDelta::minutes(15)),
    }
}

#[cfg(test)]
pub(in crate::report) mod tests {
    use super::super::subject::{HistorySubject, middle};
    use super::*;
    use crate::analysis::lives::lives;
    use crate::analysis::sample::{at, journal, rules};
    use crate::engine::event::{Effect, Event, What};
    use crate::engine::quality::judge::Judge;
    use crate::reading::{ChannelId, Quantity, RawReading};
    use crate::store::{Reader, Record, Store};

    fn minutes(count: i64) -> TimeDelta {
        TimeDelta::minutes(count)
    }

    fn point(from: Timestamp, mean: f64) -> HistoryPoint {
        HistoryPoint { from, low: mean - 1.0, mean, high: mean + 1.0, n: 2 }
    }

    #[test]
    fn a_span_is_laid_over_another_by_the_clock_on_the_wall_over_a_clock_change() {
        // America/Chicago went from 06:00 to 05:00 behind UTC on 2026-03-08 (tz database).
        let rules = rules();
        let mut series = Series {
            sensor: "rack-a-air".into(),
            quantity: Quantity::Humidity,
            points: vec![point(at("2026-03-07 14:00"), 50.0)],
            step: minutes(1),
        };
        shifted(&rules, &mut series, 2);
        assert_eq!(series.points[0].from, at("2026-03-09 13:00"));
        assert_eq!(days_between(&rules, at("2026-03-09 13:00"), at("2026-03-07 14:00")), 2);
    }

    #[test]
    fn the_stages_and_the_demand_of_a_tray_follow_its_journal() {
        let rules = rules();
        let all = lives(
            &rules,
            &journal(&[
                ("2026-03-02 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
                ("2026-03-05 08:00", r#"{"did":"unweight","tray":"K1"}"#),
                ("2026-03-06 08:00", r#"{"did":"uncover","tray":"K1"}"#),
                ("2026-03-07 08:00", r#"{"did":"water","place":"rack-a","ml_per_tray":100}"#),
                ("2026-03-08 08:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#),
                ("2026-03-09 08:00", r#"{"did":"discard","tray":"K1","reason":"mold"}"#),
            ]),
        );
        let tray = HistorySubject::named(&rules, &all, "K1").expect("it was sown");
        let (from, until) = tray.life(at("2026-04-01 00:00")).expect("a life");
        assert_eq!((from, until), (at("2026-03-02 08:00"), at("2026-03-09 08:00")));
        let stages: Vec<(String, Timestamp)> =
            tray.stages(from, until).into_iter().map(|stage| (stage.label, stage.from)).collect();
        let expected = [("germination", from), ("blackout", at("2026-03-05 08:00")), ("light", at("2026-03-06 08:00"))];
        assert_eq!(stages, expected.map(|(label, from)| (label.to_owned(), from)));
        // Under cover it asks nothing of the room's humidity; in light it does.
        let damp = limits(Measure::Humidity, &tray.bands(&rules, &all, from, until));
        assert_eq!(damp.iter().map(|band| band.from).collect::<Vec<_>>(), [at("2026-03-06 08:00")]);
        // The rack it moved to has its demand from the move on.
        let rack = HistorySubject::named(&rules, &all, "rack-b").expect("a place");
        let damp = limits(Measure::Humidity, &rack.bands(&rules, &all, from, until));
        assert_eq!(damp.last().map(|band| band.from), Some(at("2026-03-08 08:00")));
        let lanes = tray.lanes(&rules, &all, from, until);
        let counts: Vec<(&str, usize)> = lanes.iter().map(|lane| (lane.name.as_str(), lane.happenings.len())).collect();
        assert_eq!(counts, [("Water", 1), ("Work", 4)]);
    }

    /// A store in which each rack's sensors speak every ten minutes of a day: 20 °C and 50 %
    /// in Rack A, 24 °C and 70 % in Rack B.
    pub(in crate::report) fn store(folder: &std::path::Path, rules: &Rules) -> Reader {
        let path = folder.join("traywarden.db");
        let begin = at("2026-03-03 00:00");
        let (mut store, _) = Store::open(&path, rules, begin).expect("a new store");
        let mut records = Vec::new();
        for (channel, value) in [(0, 20.0), (1, 50.0), (2, 24.0), (3, 70.0)] {
            let channel = ChannelId(channel);
            let mut judge = Judge::new(rules, channel);
            for turn in 0..144 {
                let at = begin + minutes(turn * 10);
                let raw = RawReading::new(channel, value, None, false).expect("a number");
                let judged = Effect::Judged(judge.judge(at, raw));
                let event = Event { at, what: What::Reading(raw) };
                records.push(Record::of(event, u32::from(channel.0), vec![judged]));
            }
        }
        records.sort_by_key(|record| (record.event.at, record.seq));
        store.commit(&records).expect("it is written");
        Reader::open(&path, rules).expect("a store")
    }

    #[test]
    fn the_air_of_a_tray_follows_it_to_another_rack_and_ends_with_it() {
        let rules = rules();
        let folder = tempfile::tempdir().expect("a folder");
        let reader = store(folder.path(), &rules);
        let all = lives(
            &rules,
            &journal(&[
                ("2026-03-03 02:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
                ("2026-03-03 08:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#),
                ("2026-03-03 20:00", r#"{"did":"discard","tray":"K1","reason":"uneven"}"#),
            ]),
        );
        let tray = HistorySubject::named(&rules, &all, "K1").expect("it was sown");
        let (from, until) = (at("2026-03-03 00:00"), at("2026-03-04 00:00"));
        let series = tray.series(&reader, &rules, from, until, minutes(10)).expect("it can be read");
        let [temperature, humidity] = &series[..] else { panic!("two series, not {}", series.len()) };
        assert_eq!(temperature.sensor, "rack-a-air, rack-b-air");
        assert_eq!((temperature.points.len(), humidity.points.len()), (6 * 18, 6 * 18));
        let values: Vec<(Timestamp, f64)> = humidity.points.iter().map(|point| (point.from, point.mean)).collect();
        assert_eq!(values.first(), Some(&(at("2026-03-03 02:00"), 50.0)));
        assert_eq!(values[35..37], [(at("2026-03-03 07:50"), 50.0), (at("2026-03-03 08:00"), 70.0)]);
        assert_eq!(values.last(), Some(&(at("2026-03-03 19:50"), 70.0)));
    }

    #[test]
    fn a_silent_sensor_leaves_no_hole_where_another_of_the_place_spoke() {
        let begin = at("2026-03-03 08:00");
        let of = |sensor: &str, minutes_: std::ops::Range<i64>, mean: f64| Series {
            sensor: sensor.into(),
            quantity: Quantity::Humidity,
            points: minutes_.map(|minute| point(begin + minutes(minute), mean)).collect(),
            step: minutes(1),
        };
        let joined = middle(vec![of("left", 0..10, 50.0), of("right", 5..70, 60.0)]);
        let [humidity] = &joined[..] else { panic!("one series, not {joined:?}") };
        assert_eq!((humidity.sensor.as_str(), humidity.points.len()), ("left, right", 70));
        let at_minute = |minute: usize| (humidity.points[minute].mean, humidity.points[minute].n);
        assert_eq!((at_minute(0), at_minute(7), at_minute(69)), ((50.0, 2), (55.0, 4), (60.0, 2)));
    }

    #[test]
    fn nights_run_from_the_last_round_to_the_first() {
        let rules = rules();
        // 07:00 and 19:00 in Chicago are 13:00 and 01:00 UTC in winter.
        let nights = nights(&rules, at("2026-03-03 00:00"), at("2026-03-04 06:00"));
        let expected =
            [(at("2026-03-03 01:00"), at("2026-03-03 13:00")), (at("2026-03-04 01:00"), at("2026-03-04 06:00"))];
        assert_eq!(nights, expected);
    }
}
