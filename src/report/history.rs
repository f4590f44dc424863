//! What a place, a sensor, a reservoir or a tray has lived through: its air following the
//! tray from place to place, what its stages ask for, what was done; and the chart of all
//! that, with another place or another span laid over it.

use super::{Series, happenings, series};
use crate::analysis::lives::{Action, Life};
use crate::analysis::place_air::measured_at;
use crate::chart::{self, Chart, Lane, Line, Measure, Panel, Point, Span};
use crate::engine::calendar::local_instant;
use crate::engine::rules::{PlaceId, Rules};
use crate::engine::watch::band::{Band, demand_of, served_by};
use crate::engine::watch::trays::tray::Tray;
use crate::reading::{BelievedAs, Quantity};
use crate::store::{HistoryPoint, Reader, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// What `history` is about.
#[derive(Clone, Debug, PartialEq)]
pub struct Subject {
    /// The name to show.
    pub name: String,
    kind: Kind,
}

#[derive(Clone, Debug, PartialEq)]
enum Kind {
    Place(PlaceId),
    /// A sensor or a reservoir, by the sensor's id, with the place it hangs in.
    Sensor(String, Option<PlaceId>),
    Tray(Box<Life>),
}

/// Nights longer than these many days would only be stripes.
const NIGHTS_DAYS: i64 = 10;

impl Subject {
    /// The place, sensor, reservoir or tray (its last life) of this name, asked in this order.
    pub fn named(rules: &Rules, lives: &[Life], id: &str) -> Option<Subject> {
        if let Some(place) = rules.place_named(id) {
            return Some(Subject { name: rules.place(place).name.clone(), kind: Kind::Place(place) });
        }
        if let Some(sensor) = rules.sensors.iter().find(|sensor| sensor.id == id) {
            let reservoir = sensor.reservoir.map(|reservoir| rules.reservoir(reservoir).name.clone());
            let name = reservoir.unwrap_or_else(|| id.to_owned());
            // What a surface bears is not what leaves do.
            let place = sensor.place.filter(|_| sensor.surface.is_none());
            return Some(Subject { name, kind: Kind::Sensor(id.to_owned(), place) });
        }
        lives.iter().rev().find(|life| life.tray.name == id).map(Subject::of_life)
    }

    /// One life of a tray, which need not be the last of its name.
    pub fn of_life(life: &Life) -> Subject {
        let name = format!("{} ({})", life.tray.name, life.tray.crop);
        Subject { name, kind: Kind::Tray(Box::new(life.clone())) }
    }

    /// The tray it is, if it is one.
    pub fn tray(&self) -> Option<&Life> {
        match &self.kind {
            Kind::Tray(life) => Some(life),
            _ => None,
        }
    }

    /// The span of its life, if it is a tray.
    pub fn life(&self, now: Timestamp) -> Option<(Timestamp, Timestamp)> {
        self.tray().map(|life| (life.tray.sown_at, life.until(now)))
    }

    /// Every series of it over a span. A tray's follows it from place to place: one series
    /// a quantity, of the first such sensor that measures where it stood.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn series(
        &self,
        reader: &Reader,
        rules: &Rules,
        from: Timestamp,
        until: Timestamp,
        step: TimeDelta,
    ) -> Result<Vec<Series>, StoreError> {
        let life = match &self.kind {
            Kind::Place(place) => return series(reader, rules, &rules.place(*place).id, from, until, step),
            Kind::Sensor(id, _) => return series(reader, rules, id, from, until, step),
            Kind::Tray(life) => life,
        };
        let mut joined: Vec<Series> = Vec::new();
        for (since, left, place) in life.stays(until) {
            let (begin, end) = (since.max(from), left.min(until));
            let Some(measuring) = measured_at(rules, place).filter(|_| begin < end) else { continue };
            // Each stay is counted from its own beginning, so that no step mixes two places.
            for part in series(reader, rules, &rules.place(measuring).id, begin, end, step)? {
                let (sensor, quantity) = (part.sensor.clone(), part.quantity);
                match joined.iter_mut().find(|series| series.quantity == quantity) {
                    None => joined.push(part),
                    Some(series) if series.points.last().is_none_or(|last| last.from < begin) => {
                        if !series.sensor.split(", ").any(|known| known == sensor) {
                            series.sensor = format!("{}, {sensor}", series.sensor);
                        }
                        series.points.extend(part.points);
                    }
                    // A second sensor of the same place.
                    Some(_) => {}
                }
            }
        }
        Ok(joined)
    }

    /// What was asked of its air, span by span: by all trays that breathe it, or by the one
    /// tray it is.
    pub fn bands(
        &self,
        rules: &Rules,
        lives: &[Life],
        from: Timestamp,
        until: Timestamp,
    ) -> Vec<(Timestamp, Timestamp, Band)> {
        let (place, only) = match &self.kind {
            Kind::Place(place) | Kind::Sensor(_, Some(place)) => (Some(*place), None),
            Kind::Sensor(_, None) => return Vec::new(),
            Kind::Tray(life) => (None, Some(life.as_ref())),
        };
        let asked: Vec<&Life> = only.map_or_else(|| lives.iter().collect(), |life| vec![life]);
        let mut bands: Vec<(Timestamp, Timestamp, Band)> = Vec::new();
        for (begin, end) in steps(&asked, from, until) {
            let at_place = place.or_else(|| only.map(|life| life.place_at(begin)));
            let Some(at_place) = at_place else { continue };
            let served = served_by(rules, at_place);
            let breathing: Vec<Tray> = asked
                .iter()
                .filter(|life| life.tray.sown_at <= begin && begin < life.until(until))
                .filter(|life| only.is_some() || served.contains(&life.place_at(begin)))
                .map(|life| life.as_of(begin))
                .collect();
            let here: Vec<&Tray> = breathing.iter().collect();
            let used = asked.iter().any(|life| life.tray.sown_at <= begin);
            let band = demand_of(rules, at_place, &here, used, begin).band;
            match bands.last_mut().filter(|(_, last, before)| *last == begin && *before == band) {
                Some((_, last, _)) => *last = end,
                None => bands.push((begin, end, band)),
            }
        }
        bands
    }

    /// The tray's stages within a span; none for a place.
    pub fn stages(&self, from: Timestamp, until: Timestamp) -> Vec<Span> {
        let Kind::Tray(life) = &self.kind else { return Vec::new() };
        let mut stages: Vec<Span> = Vec::new();
        for (begin, end) in steps(&[life], from.max(life.tray.sown_at), until.min(life.until(until))) {
            let label = life.stage_at(begin).word();
            match stages.last_mut().filter(|stage| stage.label == label) {
                Some(stage) => stage.until = end,
                None => stages.push(Span { from: begin, until: end, label: label.to_owned() }),
            }
        }
        stages
    }

    /// An alarm about `about` that held from `from` to `until` concerns it: it is about the
    /// subject itself, or about the place, the sensors or, for a tray, the reservoir it had then.
    pub(super) fn is_meant(&self, rules: &Rules, about: &str, (from, until): (Timestamp, Timestamp)) -> bool {
        let hangs_in =
            |place: PlaceId| rules.sensors.iter().any(|sensor| sensor.id == about && sensor.place == Some(place));
        let of_place = |place: PlaceId| about == rules.place(place).id || hangs_in(place);
        let waters = |place: PlaceId| rules.reservoirs.iter().any(|tank| tank.id == about && rules.waters(tank, place));
        match &self.kind {
            Kind::Place(place) => of_place(*place),
            Kind::Sensor(id, place) => about == id || place.is_some_and(of_place),
            Kind::Tray(life) => {
                life.stays(until).filter(|(since, left, _)| *since <= until && from <= *left).any(|(.., place)| {
                    let measured = measured_at(rules, place).is_some_and(of_place);
                    about == life.tray.name || of_place(place) || measured || waters(place)
                })
            }
        }
    }

    /// What was done to the tray, or to the trays of the place while they stood there.
    pub fn lanes(&self, rules: &Rules, lives: &[Life], from: Timestamp, until: Timestamp) -> Vec<Lane> {
        let mut actions: Vec<&Action> = match &self.kind {
            Kind::Tray(life) => life.actions.iter().collect(),
            Kind::Place(place) => {
                let served = served_by(rules, *place);
                lives
                    .iter()
                    .flat_map(|life| life.actions.iter().filter(|action| served.contains(&life.place_at(action.at))))
                    .collect()
            }
            Kind::Sensor(..) => Vec::new(),
        };
        actions.retain(|action| (from..=until).contains(&action.at));
        actions.sort_by_key(|action| (action.at, action.number));
        // One entry about many trays is one thing done.
        actions.dedup_by_key(|action| action.number);
        happenings::lanes(&actions)
    }
}

/// The span, cut wherever a tray's stage, place or demand may change.
fn steps(lives: &[&Life], from: Timestamp, until: Timestamp) -> Vec<(Timestamp, Timestamp)> {
    let mut cuts = vec![from, until];
    for life in lives {
        let tray = &life.tray;
        cuts.extend(life.stood.iter().map(|(at, _)| *at));
        cuts.extend([tray.sown_at, tray.light_due_at() + TimeDelta::hours(24), tray.harvest_from()]);
        cuts.extend([tray.weight_off_at(), tray.unweighted_at, tray.light_at].into_iter().flatten());
        cuts.extend(life.end.iter().map(|end| end.at));
    }
    cuts.retain(|cut| (from..=until).contains(cut));
    cuts.sort();
    cuts.dedup();
    cuts.windows(2).map(|pair| (pair[0], pair[1])).collect()
}

/// A whole number of local days between two beginnings, for laying one span over another.
pub fn days_between(rules: &Rules, from: Timestamp, other: Timestamp) -> i64 {
    let date = |at: Timestamp| at.with_timezone(&rules.site.time_zone).date_naive();
    (date(from) - date(other)).num_days()
}

/// The points as if measured so many local days later, at the same time of the clock.
pub fn shifted(rules: &Rules, series: &mut Series, days: i64) {
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
        let measure = measure(series.quantity);
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
pub fn limits(measure: Measure, bands: &[(Timestamp, Timestamp, Band)]) -> Vec<chart::Band> {
    let limits = |band: &Band| match measure {
        Measure::Temperature => (band.temperature_min, band.temperature_max),
        Measure::Humidity => (band.humidity_min, band.humidity_max),
        _ => (None, None),
    };
    bands
        .iter()
        .map(|(from, until, band)| (limits(band), from, until))
        .filter(|((low, high), ..)| low.is_some() || high.is_some())
        .map(|((low, high), from, until)| chart::Band { from: *from, until: *until, low, high })
        .collect()
}

fn measure(quantity: Quantity) -> Measure {
    match quantity.believed_as() {
        BelievedAs::Temperature => Measure::Temperature,
        BelievedAs::Humidity => Measure::Humidity,
        BelievedAs::Volume => Measure::Volume,
    }
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
    use super::*;
    use crate::analysis::lives::lives;
    use crate::analysis::sample::{at, journal, rules};
    use crate::engine::event::{Effect, Event, What};
    use crate::engine::quality::judge::Judge;
    use crate::reading::{ChannelId, RawReading};
    use crate::store::{Record, Store};

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
        let tray = Subject::named(&rules, &all, "K1").expect("it was sown");
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
        let rack = Subject::named(&rules, &all, "rack-b").expect("a place");
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
        let tray = Subject::named(&rules, &all, "K1").expect("it was sown");
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
    fn nights_run_from_the_last_round_to_the_first() {
        let rules = rules();
        // 07:00 and 19:00 in Chicago are 13:00 and 01:00 UTC in winter.
        let nights = nights(&rules, at("2026-03-03 00:00"), at("2026-03-04 06:00"));
        let expected =
            [(at("2026-03-03 01:00"), at("2026-03-03 13:00")), (at("2026-03-04 01:00"), at("2026-03-04 06:00"))];
        assert_eq!(nights, expected);
    }
}
