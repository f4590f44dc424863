//! The air of every place day by day, as a record to sign is made of it: extremes and
//! means, hours without data, hours outside the band that the trays' stage asks for,
//! and the alarms with what people did. Figures only; `record_page` sets them on paper.

use super::ExportError;
use crate::analysis::lives::{Life, lives};
use crate::analysis::place_air::own_sensors;
use crate::analysis::standing::{SpeaksEvery, standing};
use crate::engine::calendar::local_instant;
use crate::engine::rules::{PlaceId, Rules};
use crate::engine::watch::band::{Band, demand_of, served_by};
use crate::engine::watch::trays::tray::{Stage, Tray};
use crate::journal::Did;
use crate::reading::{Quantity, SensorId};
use crate::report::alarms::{self, Episode};
use crate::report::{self, Series};
use crate::store::{HistoryPoint, JournalLine, Reader};
use crate::units::Timestamp;
use chrono::{NaiveDate, NaiveTime, TimeDelta};
use std::collections::BTreeMap;

/// The record of a span.
#[derive(Clone, Debug, PartialEq)]
pub struct AirRecord {
    /// The first local midnight in it.
    pub since: Timestamp,
    /// The end of the span.
    pub until: Timestamp,
    /// A place that has a sensor each.
    pub places: Vec<PlaceRecord>,
    /// Alarms that held in the span, oldest first.
    pub alarms: Vec<AnsweredAlarm>,
}

/// The air of one place over the span, and by what it was measured.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceRecord {
    /// The place's name, as people say it.
    pub name: String,
    /// Names of the places inside it that breathe by its sensors.
    pub(crate) serves: Vec<String>,
    /// Its sensors.
    pub sensors: Vec<SensorRecord>,
    /// A local day each.
    pub days: Vec<RecordDay>,
    /// For the chart.
    pub series: Vec<Series>,
}

/// A sensor and how its readings are corrected.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorRecord {
    /// The sensor's id, as the settings have it.
    pub id: String,
    /// How each quantity is corrected, as the settings say.
    pub(crate) corrections: Vec<SensorCorrection>,
}

/// How one quantity of a sensor is corrected: `believed = gain * raw + offset`.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct SensorCorrection {
    /// Which quantity; the figures are in its unit.
    pub quantity: Quantity,
    /// What a raw reading is multiplied by.
    pub gain: f64,
    /// What is then added, in the quantity's unit.
    pub offset: f64,
    /// Plus or minus, as the settings state it.
    pub accuracy: f64,
    /// When gain and offset were found, if the settings say so.
    pub calibrated: Option<NaiveDate>,
}

/// A local day of one place.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordDay {
    /// The local date.
    pub date: NaiveDate,
    /// Hours of the day that lie in the span: 24, less at its end, 23 or 25 where clocks change.
    pub hours: f64,
    /// Temperature, Celsius.
    pub temperature: Measured,
    /// Relative humidity, per cent.
    pub humidity: Measured,
    /// Stages of the trays that stood there, in order.
    pub(crate) stages: Vec<Stage>,
}

/// One quantity over a day.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Measured {
    /// Lowest, mean over time, highest; `None`: nothing was read.
    pub(super) low_mean_high: Option<(f64, f64, f64)>,
    /// Hours with data.
    pub known_hours: f64,
    /// Hours outside the band; `None`: there was no limit to be outside of, or no data.
    pub(super) outside_hours: Option<f64>,
    /// The narrowest limits that were asked for that day; `None`: none.
    pub band: (Option<f64>, Option<f64>),
}

/// An alarm and what people did about it.
#[derive(Clone, Debug, PartialEq)]
pub struct AnsweredAlarm {
    /// When it held, what it said, who answered.
    pub alarm: Episode,
    /// What the journal says was done meanwhile at that place or tray: when, by whom, what.
    pub done: Vec<(Timestamp, Option<String>, Did)>,
}

/// How often the trays' demand is looked up: stages change in hours. Own default.
const DEMAND_EVERY: TimeDelta = TimeDelta::minutes(10);
/// Gathers the record of a span, which is taken from the local midnight before `since`.
///
/// # Errors
/// When the store cannot be read.
pub fn gather(reader: &Reader, rules: &Rules, since: Timestamp, until: Timestamp) -> Result<AirRecord, ExportError> {
    let zone = rules.site.time_zone;
    let since = local_instant(zone, since.with_timezone(&zone).date_naive(), NaiveTime::MIN);
    let lines = reader.journal(Timestamp::UNIX_EPOCH)?;
    let all = lives(rules, &lines);
    let mut places = Vec::new();
    for place in (0..rules.places.len()).map(|index| PlaceId(index as u16)) {
        let sensors = own_sensors(rules, place);
        if sensors.is_empty() {
            continue;
        }
        let air = |quantity| -> Result<Vec<Held>, ExportError> {
            let mut heard = Vec::new();
            for sensor in &sensors {
                let (id, from) = (&rules.sensor(*sensor).id, since - report::lead(rules));
                heard.push(reader.history(id, quantity, from, until, TimeDelta::minutes(1))?);
            }
            let own = sensors.iter().map(|sensor| rules.sensor(*sensor));
            let rhythm = SpeaksEvery::of_slowest(own.map(|sensor| (sensor.every, sensor.silent_after)));
            Ok(held(&heard, (since, until), rhythm))
        };
        let stand = RecordedStand { rules, place, served: served_by(rules, place), lives: &all };
        let days = days(&stand, since, until, &air(Quantity::Temperature)?, &air(Quantity::Humidity)?);
        let own = rules.place(place);
        let step = report::step_for(since, until);
        places.push(PlaceRecord {
            name: own.name.clone(),
            serves: stand
                .served
                .iter()
                .filter(|served| **served != place)
                .map(|served| rules.place(*served).name.clone())
                .collect(),
            sensors: sensors.iter().map(|sensor| corrections(rules, *sensor)).collect(),
            days,
            series: report::series(reader, rules, &own.id, since, until, step)?,
        });
    }
    let answered = |alarm: Episode| {
        let done = done_meanwhile(rules, &alarm, &lines, &all, until);
        AnsweredAlarm { alarm, done }
    };
    let alarms = alarms::read(reader, since, until)?.into_iter().map(answered).collect();
    Ok(AirRecord { since, until, places, alarms })
}

fn corrections(rules: &Rules, sensor: SensorId) -> SensorRecord {
    let channels = rules.channels.iter().filter(|channel| channel.sensor == sensor);
    SensorRecord {
        id: rules.sensor(sensor).id.clone(),
        corrections: channels
            .map(|channel| SensorCorrection {
                quantity: channel.quantity,
                gain: channel.gain,
                offset: channel.offset,
                accuracy: channel.accuracy,
                calibrated: channel.calibrated,
            })
            .collect(),
    }
}

/// A value and the time for which it stands.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Held {
    from: Timestamp,
    until: Timestamp,
    low: f64,
    mean: f64,
    high: f64,
}

/// The minutes of one or more sensors of a place as values over time.
fn held(heard: &[Vec<HistoryPoint>], span: (Timestamp, Timestamp), rhythm: SpeaksEvery) -> Vec<Held> {
    let mut minutes: BTreeMap<Timestamp, (f64, f64, u32, f64)> = BTreeMap::new();
    for point in heard.iter().flatten() {
        let minute = minutes.entry(point.from).or_insert((f64::INFINITY, 0.0, 0, f64::NEG_INFINITY));
        *minute = (minute.0.min(point.low), minute.1 + point.mean, minute.2 + 1, minute.3.max(point.high));
    }
    let stands = standing(minutes.keys().copied(), span, rhythm);
    stands
        .into_iter()
        .zip(minutes.into_values())
        .filter(|((from, until), _)| from < until)
        .map(|((from, until), (low, sum, n, high))| Held { from, until, low, mean: sum / f64::from(n.max(1)), high })
        .collect()
}

/// A place, and who breathes its air.
struct RecordedStand<'a> {
    rules: &'a Rules,
    place: PlaceId,
    served: Vec<PlaceId>,
    lives: &'a [Life],
}

impl RecordedStand<'_> {
    fn trays(&self, at: Timestamp) -> Vec<Tray> {
        self.lives
            .iter()
            .filter(|life| life.tray.sown_at <= at && life.end.as_ref().is_none_or(|end| at < end.at))
            .filter(|life| self.served.contains(&life.place_at(at)))
            .map(|life| life.as_of(at))
            .collect()
    }
}

fn days(
    stand: &RecordedStand<'_>,
    since: Timestamp,
    until: Timestamp,
    temperature: &[Held],
    humidity: &[Held],
) -> Vec<RecordDay> {
    let zone = stand.rules.site.time_zone;
    let mut days = Vec::new();
    let mut date = since.with_timezone(&zone).date_naive();
    loop {
        let from = local_instant(zone, date, NaiveTime::MIN).max(since);
        let Some(next) = date.succ_opt() else { break };
        let to = local_instant(zone, next, NaiveTime::MIN).min(until);
        if from >= until {
            break;
        }
        let mut bands = Vec::new();
        let mut stages = Vec::new();
        let mut at = from;
        while at < to {
            let trays = stand.trays(at);
            let here: Vec<&Tray> = trays.iter().collect();
            bands.push(demand_of(stand.rules, stand.place, &here, !stand.lives.is_empty(), at).band);
            stages.extend(trays.iter().map(|tray| tray.stage(at)));
            at += DEMAND_EVERY;
        }
        stages.sort_unstable();
        stages.dedup();
        let day = BandedDay { from, to, bands: &bands };
        days.push(RecordDay {
            date,
            hours: hours(to - from),
            temperature: day.measure(temperature, |band| (band.temperature_min, band.temperature_max)),
            humidity: day.measure(humidity, |band| (band.humidity_min, band.humidity_max)),
            stages,
        });
        date = next;
    }
    days
}

/// A day, and the band that held in each of its steps of [`DEMAND_EVERY`].
struct BandedDay<'a> {
    from: Timestamp,
    to: Timestamp,
    bands: &'a [Band],
}

impl BandedDay<'_> {
    fn measure(&self, air: &[Held], limits: impl Fn(&Band) -> (Option<f64>, Option<f64>)) -> Measured {
        let mut extremes: Option<(f64, f64)> = None;
        let (mut known, mut weighed, mut outside) = (0.0, 0.0, 0.0);
        let first = air.partition_point(|held| held.until <= self.from);
        for held in air[first..].iter().take_while(|held| held.from < self.to) {
            let from = held.from.max(self.from);
            let length = hours(held.until.min(self.to) - from);
            known += length;
            weighed += held.mean * length;
            let (low, high) = extremes.unwrap_or((held.low, held.high));
            extremes = Some((low.min(held.low), high.max(held.high)));
            let nth = (from - self.from).num_milliseconds() / DEMAND_EVERY.num_milliseconds();
            let (min, max) =
                usize::try_from(nth).ok().and_then(|nth| self.bands.get(nth)).map_or((None, None), &limits);
            if min.is_some_and(|min| held.mean < min) || max.is_some_and(|max| held.mean > max) {
                outside += length;
            }
        }
        let lows = self.bands.iter().filter_map(|band| limits(band).0).reduce(f64::max);
        let highs = self.bands.iter().filter_map(|band| limits(band).1).reduce(f64::min);
        Measured {
            low_mean_high: extremes.filter(|_| known > 0.0).map(|(low, high)| (low, weighed / known, high)),
            known_hours: known,
            outside_hours: (known > 0.0 && (lows.is_some() || highs.is_some())).then_some(outside),
            band: (lows, highs),
        }
    }
}

fn hours(span: TimeDelta) -> f64 {
    span.num_milliseconds() as f64 / 3_600_000.0
}

/// What was done about an alarm while it held, or might have been.
fn done_meanwhile(
    rules: &Rules,
    episode: &Episode,
    journal: &[JournalLine],
    lives: &[Life],
    until: Timestamp,
) -> Vec<(Timestamp, Option<String>, Did)> {
    let (since, ends) = (episode.since(), episode.over_at().unwrap_or(until));
    let subject = &episode.key.subject;
    let sensors_place = rules.sensors.iter().find(|sensor| sensor.id == *subject).and_then(|sensor| sensor.place);
    let place = rules.place_named(subject).or(sensors_place);
    let served = place.map(|place| served_by(rules, place)).unwrap_or_default();
    let tray_here = |name: &str, at: Timestamp| {
        name == subject || lives.iter().any(|life| life.tray.name == name && served.contains(&life.place_at(at)))
    };
    let place_here = |id: &str| id == subject || rules.place_named(id).is_some_and(|place| served.contains(&place));
    let taken = journal.iter().filter(|line| line.refused.is_none() && line.struck_by.is_none());
    taken
        .map(|line| (line.entry.at.unwrap_or(line.at), line))
        .filter(|(at, _)| since <= *at && *at <= ends)
        .filter(|(at, line)| match &line.entry.did {
            Did::Unweight(target)
            | Did::Uncover(target)
            | Did::Light(target)
            | Did::Mist(target)
            | Did::Water { target, .. }
            | Did::Look { target, .. } => match (&target.tray, &target.place) {
                (Some(tray), _) => tray_here(tray, *at),
                (None, Some(place)) => place_here(place),
                (None, None) => true,
            },
            Did::Move { tray, .. } | Did::Harvest { tray, .. } | Did::Discard { tray, .. } => tray_here(tray, *at),
            Did::Note { tray, .. } => tray.as_ref().is_none_or(|tray| tray_here(tray, *at)),
            Did::Refill { reservoir, .. } => reservoir.as_ref().is_none_or(|id| id == subject),
            Did::Sow(_) | Did::Strike { .. } => false,
        })
        .map(|(at, line)| (at, line.entry.by.clone(), line.entry.did.clone()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::{at, journal, rules};
    use crate::engine::alarm::{AlarmKind, AlarmState};
    use crate::report::alarms::tests::change;

    fn every_minute(from: &str, until: &str, value: f64) -> Vec<HistoryPoint> {
        let (mut from, until) = (at(from), at(until));
        let mut points = Vec::new();
        while from < until {
            points.push(HistoryPoint { from, low: value - 0.5, mean: value, high: value + 0.5, n: 2 });
            from += TimeDelta::minutes(1);
        }
        points
    }

    fn one_sensor(points: Vec<HistoryPoint>, until: &str) -> Vec<Held> {
        let rhythm = SpeaksEvery { every: TimeDelta::minutes(1), silent_after: TimeDelta::minutes(5) };
        held(&[points], (at("2026-03-01 00:00"), at(until)), rhythm)
    }

    fn of(
        journal: &[JournalLine],
        since: &str,
        until: &str,
        temperature: &[Held],
        humidity: &[Held],
    ) -> Vec<RecordDay> {
        let rules = rules();
        let place = rules.place_named("rack-a").expect("it is in the room");
        let lives = lives(&rules, journal);
        let stand = RecordedStand { rules: &rules, place, served: served_by(&rules, place), lives: &lives };
        days(&stand, at(since), at(until), temperature, humidity)
    }

    fn near(found: f64, wanted: f64) {
        assert!((found - wanted).abs() < 1e-9, "found {found}, wanted {wanted}");
    }

    #[test]
    fn a_reading_stands_until_the_next_but_not_through_a_silence() {
        let mut points = every_minute("2026-03-02 06:00", "2026-03-02 06:03", 20.0);
        points.extend(every_minute("2026-03-02 06:30", "2026-03-02 06:31", 20.0));
        points.extend(every_minute("2026-03-02 06:33", "2026-03-02 06:34", 20.0));
        let minutes: Vec<i64> =
            one_sensor(points, "2026-03-02 12:00").iter().map(|held| (held.until - held.from).num_minutes()).collect();
        // The third stands a minute before half an hour of silence; the fourth for the three
        // minutes that a slow sensor may take; the last a minute.
        assert_eq!(minutes, [1, 1, 1, 3, 1]);
    }

    #[test]
    fn a_day_tells_its_extremes_its_hole_and_its_hours_outside_the_band() {
        let lines = journal(&[
            ("2026-03-01 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
            ("2026-03-01 09:00", r#"{"did":"uncover","tray":"K1"}"#),
        ]);
        // Midnight in Chicago is 06:00 UTC. Three hours damp, one hour not measured.
        let mut humidity = every_minute("2026-03-02 06:00", "2026-03-02 09:00", 70.0);
        humidity.extend(every_minute("2026-03-02 10:00", "2026-03-03 06:00", 50.0));
        let humidity = one_sensor(humidity, "2026-03-03 06:00");
        let temperature = one_sensor(every_minute("2026-03-02 06:00", "2026-03-03 06:00", 20.0), "2026-03-03 06:00");
        let days = of(&lines, "2026-03-02 06:00", "2026-03-03 06:00", &temperature, &humidity);
        let [day] = &days[..] else { panic!("one day, not {days:?}") };
        near(day.hours, 24.0);
        near(day.humidity.known_hours, 23.0);
        let (low, mean, high) = day.humidity.low_mean_high.expect("it was measured");
        near(low, 49.5);
        near(mean, (3.0 * 70.0 + 20.0 * 50.0) / 23.0);
        near(high, 70.5);
        // Broccoli in light: 40 to 60 % and 18 to 24 °C (config/crops.toml).
        assert_eq!(day.humidity.band, (Some(40.0), Some(60.0)));
        near(day.humidity.outside_hours.expect("there is a band"), 3.0);
        near(day.temperature.outside_hours.expect("there is a band"), 0.0);
        assert_eq!(day.stages, [Stage::Light]);
    }

    #[test]
    fn a_day_without_data_has_no_hours_outside_the_band_not_none_of_them() {
        let lines = journal(&[
            ("2026-03-01 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
            ("2026-03-01 09:00", r#"{"did":"uncover","tray":"K1"}"#),
        ]);
        let days = of(&lines, "2026-03-02 06:00", "2026-03-03 06:00", &[], &[]);
        assert_eq!((days[0].humidity.outside_hours, days[0].humidity.known_hours), (None, 0.0));
        assert_eq!(days[0].humidity.band, (Some(40.0), Some(60.0)));
    }

    #[test]
    fn an_empty_rack_has_no_band_to_be_outside_of() {
        let gone = journal(&[
            ("2026-03-01 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
            ("2026-03-01 09:00", r#"{"did":"discard","tray":"K1"}"#),
        ]);
        let air = one_sensor(every_minute("2026-03-02 06:00", "2026-03-02 12:00", 99.0), "2026-03-02 12:00");
        let days = of(&gone, "2026-03-02 06:00", "2026-03-02 12:00", &air, &air);
        assert_eq!((days[0].humidity.outside_hours, days[0].stages.len()), (None, 0));
        near(days[0].hours, 6.0);
    }

    #[test]
    fn the_day_the_clocks_go_forward_has_23_hours() {
        let days = of(&[], "2026-03-07 06:00", "2026-03-10 05:00", &[], &[]);
        let hours: Vec<f64> = days.iter().map(|day| day.hours).collect();
        assert_eq!(hours, [24.0, 23.0, 24.0]);
        assert_eq!(days[1].temperature.low_mean_high, None);
    }

    #[test]
    fn an_alarm_tells_what_was_done_there_while_it_held() {
        use AlarmState::{Normal, Unacknowledged};
        let lines = journal(&[
            ("2026-03-01 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
            ("2026-03-01 08:01", r#"{"did":"sow","tray":"K2","place":"rack-b","crop":"broccoli"}"#),
            ("2026-03-02 11:00", r#"{"did":"look","tray":"K1","by":"Ada","note":"fan was off"}"#),
            ("2026-03-02 11:05", r#"{"did":"look","tray":"K2"}"#),
            ("2026-03-02 11:10", r#"{"did":"look","tray":"K1"}"#),
            ("2026-03-02 11:20", r#"{"did":"strike","entry":5}"#),
            ("2026-03-02 15:00", r#"{"did":"look","tray":"K1"}"#),
        ]);
        let damp =
            |reported, states| change((AlarmKind::AirTooDamp, "rack-a"), (reported, "2026-03-02 10:00"), states, None);
        let changes =
            [damp("2026-03-02 10:20", (Normal, Unacknowledged)), damp("2026-03-02 12:00", (Unacknowledged, Normal))];
        let (rules, until) = (rules(), at("2026-03-03 06:00"));
        let all = lives(&rules, &lines);
        let [alarm] = &alarms::episodes(&changes, at("2026-03-02 06:00"), until)[..] else { panic!("one alarm") };
        let done = done_meanwhile(&rules, alarm, &lines, &all, until);
        let reported: Vec<(Timestamp, Option<&str>)> = done.iter().map(|(at, by, _)| (*at, by.as_deref())).collect();
        assert_eq!(reported, [(at("2026-03-02 11:00"), Some("Ada"))]);
    }
}
