//! What is asked about: a place, a sensor, a reservoir or a tray. Its air, following the tray
//! from place to place, what its stages ask for, what was done to it.

use super::series::{Series, series};
use crate::analysis::lives::{Action, Life};
use crate::analysis::place_air::measured_at;
use crate::chart::Span;
use crate::engine::physics::slope::median;
use crate::engine::rules::{PlaceId, Rules};
use crate::engine::watch::band::{Band, demand_of, served_by};
use crate::engine::watch::trays::tray::Tray;
use crate::store::{HistoryPoint, Reader, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::collections::BTreeMap;

/// What `history` is about.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct HistorySubject {
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

impl HistorySubject {
    /// The place, sensor, reservoir or tray (its last life) of this name, asked in this order.
    pub(crate) fn named(rules: &Rules, lives: &[Life], id: &str) -> Option<HistorySubject> {
        if let Some(place) = rules.place_named(id) {
            return Some(HistorySubject { name: rules.place(place).name.clone(), kind: Kind::Place(place) });
        }
        if let Some(sensor) = rules.sensors.iter().find(|sensor| sensor.id == id) {
            let reservoir = sensor.reservoir.map(|reservoir| rules.reservoir(reservoir).name.clone());
            let name = reservoir.unwrap_or_else(|| id.to_owned());
            // What a surface bears is not what leaves do.
            let place = sensor.place.filter(|_| sensor.surface.is_none());
            return Some(HistorySubject { name, kind: Kind::Sensor(id.to_owned(), place) });
        }
        lives.iter().rev().find(|life| life.tray.name == id).map(HistorySubject::of_life)
    }

    /// One life of a tray, which need not be the last of its name.
    pub(super) fn of_life(life: &Life) -> HistorySubject {
        let name = format!("{} ({})", life.tray.name, life.tray.crop);
        HistorySubject { name, kind: Kind::Tray(Box::new(life.clone())) }
    }

    /// The tray it is, if it is one.
    pub(crate) fn tray(&self) -> Option<&Life> {
        match &self.kind {
            Kind::Tray(life) => Some(life),
            _ => None,
        }
    }

    /// The span of its life, if it is a tray.
    pub(crate) fn life(&self, now: Timestamp) -> Option<(Timestamp, Timestamp)> {
        self.tray().map(|life| (life.tray.sown_at, life.until(now)))
    }

    /// Every series of it over a span. A tray's follows it from place to place: one series
    /// a quantity, the middle of the sensors that measure where it stood.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub(crate) fn series(
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
            for part in middle(series(reader, rules, &rules.place(measuring).id, begin, end, step)?) {
                match joined.iter_mut().find(|series| series.quantity == part.quantity) {
                    None => joined.push(part),
                    Some(series) => {
                        let new =
                            part.sensor.split(", ").filter(|id| !series.sensor.split(", ").any(|known| known == *id));
                        let new: Vec<&str> = new.collect();
                        series.sensor = [&[series.sensor.as_str()], &new[..]].concat().join(", ");
                        series.points.extend(part.points);
                    }
                }
            }
        }
        Ok(joined)
    }

    /// What was asked of its air, span by span: by all trays that breathe it, or by the one
    /// tray it is.
    pub(crate) fn bands(
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
    pub(crate) fn stages(&self, from: Timestamp, until: Timestamp) -> Vec<Span> {
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

    /// What was done to the tray, or to the trays of the place while they stood there, in order.
    pub(super) fn actions<'a>(
        &'a self,
        rules: &Rules,
        lives: &'a [Life],
        from: Timestamp,
        until: Timestamp,
    ) -> Vec<&'a Action> {
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
        actions
    }
}

/// One series a quantity of a place: step by step the middle of its sensors, as the watch
/// itself takes it, so that one that fell silent leaves no hole where another spoke.
pub(super) fn middle(all: Vec<Series>) -> Vec<Series> {
    let mut joined: Vec<Series> = Vec::new();
    for quantity in all.iter().map(|series| series.quantity) {
        if joined.iter().any(|series| series.quantity == quantity) {
            continue;
        }
        let own: Vec<&Series> = all.iter().filter(|series| series.quantity == quantity).collect();
        let mut steps: BTreeMap<Timestamp, Vec<&HistoryPoint>> = BTreeMap::new();
        for point in own.iter().flat_map(|series| &series.points) {
            steps.entry(point.from).or_default().push(point);
        }
        let points = steps.into_iter().filter_map(|(from, points)| {
            let means: Vec<f64> = points.iter().map(|point| point.mean).collect();
            Some(HistoryPoint {
                from,
                low: points.iter().map(|point| point.low).reduce(f64::min)?,
                mean: median(&means)?,
                high: points.iter().map(|point| point.high).reduce(f64::max)?,
                n: points.iter().map(|point| point.n).sum(),
            })
        });
        joined.push(Series {
            sensor: own.iter().map(|series| series.sensor.as_str()).collect::<Vec<_>>().join(", "),
            quantity,
            points: points.collect(),
            step: own[0].step,
        });
    }
    joined
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
