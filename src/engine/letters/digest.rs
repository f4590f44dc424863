//! The day in numbers: what the digest tells.

use crate::alarm::account::KindAccount;
use crate::alarm::{AlarmChange, AlarmState};
use crate::calendar;
use crate::journal::Loss;
use crate::letters::situation::{self, Occasion, Situation};
use crate::rules::{Reservoir, Rules, Sensor};
use crate::units::Timestamp;
use crate::watch::Watches;
pub use crate::watch::place_day::{PlaceDay, SurfaceDay};
use crate::watch::seen::Seen;
use crate::watch::sensors::SensorWatch;
use crate::watch::tank::TankWatch;
use crate::watch::trays::Trays;
use crate::watch::trays::harvests::{Cut, ExpectedYield, Lost};
use crate::watch::trays::thermal::{ThermalClocks, Warmth};
pub use crate::watch::trays::tray::Due;
use crate::watch::trays::tray::{Stage, Tray};
use crate::watch::watering::WateringWatch;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::{Datelike, NaiveDate, NaiveTime, TimeDelta};

/// Everything the digest tells, as numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct DigestFacts {
    /// The local date it is for.
    pub date: NaiveDate,
    /// The span it covers.
    pub from: Timestamp,
    /// When the span ends: the minute of the digest.
    pub until: Timestamp,
    /// The daemon was off at the proper minute.
    pub late: bool,
    /// A place each, in the order of the config.
    pub places: Vec<PlaceDay>,
    /// A reservoir each.
    pub reservoirs: Vec<ReservoirDay>,
    /// The journal has never had a tray: stages, waterings and cuts cannot be known.
    pub no_journal: bool,
    /// Trays that grow.
    pub trays: Vec<TrayDay>,
    /// The waterings of one day, if any tray wants water by hand.
    pub water: Option<WaterDue>,
    /// Trays under cover that are misted by hand, all alike counted.
    pub mist: u32,
    /// What was cut, as told in the span, in the order of telling.
    pub cuts: Vec<Cut>,
    /// Trays thrown away in the last seven days, by reason, most first.
    pub losses: Vec<(Loss, u32)>,
    /// What was raised in the span, alarms of one cause together, by their last change, oldest
    /// first.
    pub raised: Vec<Situation>,
    /// What holds now, alarms of one cause together, worst first.
    pub standing: Vec<Situation>,
    /// The calls of the last month by kind; empty but on the first of a month.
    pub month_of_calls: Vec<KindAccount>,
    /// Kinds of calls that people have said in the span, for the third time or more, were wrong.
    pub doubted: Vec<KindAccount>,
    /// Sensors that were silent or refused in the span.
    pub sensors: Vec<SensorDay>,
    /// Spans in which nobody listened (daemon off, broker lost), total hours.
    pub unwatched_hours: f64,
    /// Messages on topics nobody owns.
    pub strays: u32,
    /// Entries for a site that nobody watches.
    pub astray: u32,
    /// How often everything that waited at the broker had to be given up, for a message that
    /// was too large.
    pub given_up: u32,
    /// Readings that were judged but never saved, because the store failed for too long.
    pub lost_readings: u64,
}

/// A reservoir over the digest's span.
#[derive(Clone, Debug, PartialEq)]
pub struct ReservoirDay {
    /// The id it has in the settings.
    pub id: String,
    /// The name the grower gave it in the settings.
    pub name: String,
    /// Litres above the pump inlet now.
    pub usable: Option<f64>,
    /// The water is at the pump inlet, as far as the gauge can tell.
    pub at_the_inlet: bool,
    /// What that may be off by, as good as the gauge is, litres.
    pub usable_accuracy: Option<f64>,
    /// Share of the usable volume, per cent.
    pub percent: Option<f64>,
    /// Litres drawn over the span.
    pub drawn: f64,
    /// Litres added over the span.
    pub added: f64,
    /// When it reaches the pump inlet: best, early, late. `None`: no measurable draw.
    pub empty_at: Option<(Timestamp, Timestamp, Timestamp)>,
    /// Since when waterings were logged of which none was seen in it, where they were before.
    pub unshown_since: Option<Timestamp>,
}

/// A tray and what it needs.
#[derive(Clone, Debug, PartialEq)]
pub struct TrayDay {
    /// The tray, by the grower's name for it.
    pub tray: String,
    /// How many trays alike stand under this name.
    pub count: u32,
    /// The crop or blend.
    pub crop: String,
    /// The place's name.
    pub place: String,
    /// The stage it is in by the journal, or by its crop's plan.
    pub stage: crate::watch::trays::tray::Stage,
    /// Whole days since sowing.
    pub day: i64,
    /// What is due, and when. Ascending.
    pub due: Vec<(Due, Timestamp)>,
    /// When its stage should have ended, if it is overdue.
    pub overdue: Option<Timestamp>,
    /// Under cover with no look logged for too long: since when.
    pub unseen_since: Option<Timestamp>,
    /// Its second clock.
    pub warmth: Warmth,
    /// What it should give, the whole lot.
    pub expected: ExpectedYield,
}

/// The waterings of one day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaterDue {
    /// Trays in light, all alike counted.
    pub trays: u32,
    /// Millilitres each gets at a time, where all get the same.
    pub ml_each: Option<f64>,
    /// Litres in all, over the day.
    pub litres: f64,
}

/// Waterings a day (common practice, no source).
pub(crate) const WATERINGS_A_DAY: f64 = 2.0;
/// Millilitres a tray at a time where none were logged: half a US cup (common practice, no source).
const USUAL_WATER_ML: f64 = 118.0;
/// The minutes after a start, before the air is known, are not worth a line. Own default.
const UNCORRECTED_REPORTED_HOURS: f64 = 0.25;
/// A minute or two without a word are not worth a line either. Own default.
const SILENT_REPORTED_HOURS: f64 = 0.05;
/// Of so many readings one may be refused: gauges lose an echo now and then. Own default.
const ONE_REFUSED_OF: u64 = 100;
/// Losses are told for so long.
const LOSSES_REPORTED: TimeDelta = TimeDelta::days(7);

/// A sensor that did not behave.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorDay {
    /// The id it has in the settings.
    pub id: String,
    /// Where it hangs.
    pub place: String,
    /// Readings believed.
    pub believed: u32,
    /// Readings and messages refused.
    pub refused: u32,
    /// Why, commonest first, as stable words.
    pub reasons: Vec<(&'static str, u32)>,
    /// Hours of silence.
    pub silent_hours: f64,
    /// Hours in which its hygrometer was saturated.
    pub saturated_hours: f64,
    /// Hours in which its echo could not be corrected for the warmth of the air.
    pub uncorrected_hours: f64,
}

/// The alarms of a digest.
pub(crate) struct DigestAlarms {
    /// Raised in the span, by their last change.
    pub(crate) raised: Vec<AlarmChange>,
    /// Alarms that hold at the minute of the digest.
    pub(crate) standing: Vec<AlarmChange>,
}

/// What people said of calls.
pub(crate) struct Calls {
    /// The last month, by kind.
    pub(crate) month: Vec<KindAccount>,
    /// Kinds that were said to be wrong.
    pub(crate) doubted: Vec<KindAccount>,
}

/// The day from `from` to the moment that is seen.
pub(crate) fn of(
    seen: &Seen<'_>,
    watches: &Watches,
    from: Timestamp,
    late: bool,
    (alarms, calls): (DigestAlarms, Calls),
) -> DigestFacts {
    let (at, rules) = (seen.at, seen.rules);
    let zone = rules.site.time_zone;
    let date = at.with_timezone(&zone).date_naive();
    let tomorrow = date.succ_opt().unwrap_or(date);
    let day_ends = calendar::local_instant(zone, tomorrow, NaiveTime::MIN) + TimeDelta::days(1);
    let over = |change: &AlarmChange| matches!(change.state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged);
    let occasion = |change: &AlarmChange| if over(change) { Occasion::Returned } else { Occasion::Waiting };
    let grouped = |alarms: Vec<AlarmChange>| {
        situation::grouped(rules, alarms.into_iter().map(|change| (occasion(&change), change)))
    };
    let mut raised = grouped(alarms.raised);
    raised.sort_by_key(Situation::since);
    let standing = grouped(alarms.standing);
    let running = watches.site.broker_lost_at.map_or(TimeDelta::zero(), |lost| at - lost);
    let in_span = |cut: &&Cut| cut.reported_at >= from && cut.reported_at < at;
    DigestFacts {
        date,
        from,
        until: at,
        late,
        places: watches.places.iter().map(|p| p.day.of_digest(rules.place(p.place), &p.demand)).collect(),
        reservoirs: reservoirs(seen, watches),
        no_journal: !seen.trays.any_sown(),
        trays: trays(seen, watches, day_ends),
        water: water_due(rules, seen.trays, at),
        mist: mist_due(seen.trays, at),
        cuts: seen.trays.cuts().iter().filter(in_span).cloned().collect(),
        losses: week_of_losses(seen.trays.losses(), at),
        raised,
        standing,
        month_of_calls: if date.day() == 1 { calls.month } else { Vec::new() },
        doubted: calls.doubted,
        sensors: sensors(rules, watches),
        unwatched_hours: (watches.site.unwatched + running).num_seconds() as f64 / 3600.0,
        strays: watches.site.strays,
        astray: watches.site.astray,
        given_up: watches.site.given_up,
        lost_readings: watches.site.lost_readings,
    }
}

/// Every growing tray, with what is due until `until`.
pub(crate) fn trays(seen: &Seen<'_>, watches: &Watches, until: Timestamp) -> Vec<TrayDay> {
    let day = |tray| tray_day(seen.rules, seen.trays, &watches.growing.warmth, tray, seen.at, until);
    seen.trays.growing().map(day).collect()
}

/// Every reservoir as it stands.
pub(crate) fn reservoirs(seen: &Seen<'_>, watches: &Watches) -> Vec<ReservoirDay> {
    let day = |((tank, waterings), reservoir): ((&TankWatch, &WateringWatch), &Reservoir)| {
        let usable = tank.usable_of_late();
        let (drawn, added) = tank.day();
        let gauge = seen.rules.channel(reservoir.channel);
        let below_inlet = reservoir.shape.litres(reservoir.pump_inlet_mm);
        ReservoirDay {
            id: reservoir.id.clone(),
            name: reservoir.name.clone(),
            usable,
            at_the_inlet: tank.is_at_the_inlet(),
            usable_accuracy: usable.map(|litres| reservoir.litres_accuracy(gauge, litres + below_inlet)),
            percent: usable.map(|litres| litres / tank.usable_when_full() * 100.0),
            drawn,
            added,
            empty_at: tank.forecast(seen.at).map(|empty| (empty.likely, empty.early, empty.late)),
            unshown_since: waterings.unshown_since(seen.at),
        }
    };
    watches.tanks.iter().zip(&watches.waterings).zip(&seen.rules.reservoirs).map(day).collect()
}

/// Every sensor that did not behave.
fn sensors(rules: &Rules, watches: &Watches) -> Vec<SensorDay> {
    let day = |(watch, sensor): (&SensorWatch, &Sensor)| {
        let mut reasons: Vec<(&'static str, u32)> =
            watch.day().refused.iter().map(|(word, count)| (*word, *count)).collect();
        reasons.sort_by_key(|(word, count)| (core::cmp::Reverse(*count), *word));
        SensorDay {
            id: sensor.id.clone(),
            place: place_of(rules, sensor),
            believed: watch.day().believed,
            refused: watch.day().refused.values().sum(),
            reasons,
            silent_hours: f64::from(watch.day().silent_minutes) / 60.0,
            saturated_hours: f64::from(watch.day().saturated_minutes) / 60.0,
            uncorrected_hours: f64::from(watch.day().uncorrected_minutes) / 60.0,
        }
    };
    let mut days: Vec<SensorDay> = watches.sensors.iter().zip(&rules.sensors).map(day).collect();
    days.retain(|day| {
        let uncorrected = day.uncorrected_hours >= UNCORRECTED_REPORTED_HOURS;
        is_worth_a_line(day) || day.silent_hours >= SILENT_REPORTED_HOURS || day.saturated_hours > 0.0 || uncorrected
    });
    days
}

/// More was refused than any sensor has refused now and then.
fn is_worth_a_line(day: &SensorDay) -> bool {
    let (refused, believed) = (u64::from(day.refused), u64::from(day.believed));
    refused > 0 && refused * ONE_REFUSED_OF >= refused + believed
}

/// Where a sensor hangs, by name.
pub(crate) fn place_of(rules: &Rules, sensor: &Sensor) -> String {
    match (sensor.place, sensor.reservoir) {
        (Some(place), _) => rules.place(place).name.clone(),
        (None, Some(reservoir)) => rules.reservoir(reservoir).name.clone(),
        (None, None) => sensor.id.clone(),
    }
}

/// A tray as the digest tells it, with what is due until `until`.
pub(crate) fn tray_day(
    rules: &Rules,
    trays: &Trays,
    warmth: &ThermalClocks,
    tray: &Tray,
    at: Timestamp,
    until: Timestamp,
) -> TrayDay {
    let stage = tray.stage(at);
    let mut due = Vec::new();
    let mut add = |what: Due, when: Timestamp| {
        if when <= until {
            due.push((what, when));
        }
    };
    if stage == Stage::Germination
        && let Some(off) = tray.weight_off_at()
    {
        add(Due::Unweight, off);
    }
    if stage.covered() {
        add(Due::Light, tray.light_due_at());
    } else {
        add(Due::Harvest, tray.harvest_from());
    }
    TrayDay {
        tray: tray.name.clone(),
        count: tray.count,
        crop: tray.crop.clone(),
        place: rules.place(tray.place).name.clone(),
        stage,
        day: tray.day(at),
        due,
        overdue: tray.overdue(at),
        unseen_since: tray.unseen_since(at, rules.site.look_within),
        warmth: warmth.of(tray),
        expected: trays.expected(tray),
    }
}

/// What water the trays in light want in a day. Trays that a pump waters and for which no
/// watering was ever logged want none by hand.
pub fn water_due(rules: &Rules, trays: &Trays, at: Timestamp) -> Option<WaterDue> {
    let pumped = |tray: &Tray| rules.reservoirs.iter().any(|tank| rules.waters(tank, tray.place));
    let by_hand =
        trays.growing().filter(|tray| !tray.stage(at).covered() && (tray.watered_at.is_some() || !pumped(tray)));
    let wants: Vec<(u32, f64)> = by_hand.map(|tray| (tray.count, tray.watered_ml.unwrap_or(USUAL_WATER_ML))).collect();
    let (_, first) = *wants.first()?;
    let ml: f64 = wants.iter().map(|(count, ml)| f64::from(*count) * ml).sum();
    Some(WaterDue {
        trays: wants.iter().fold(0, |sum, (count, _)| sum.saturating_add(*count)),
        ml_each: wants.iter().all(|(_, ml)| *ml == first).then_some(first),
        litres: ml * WATERINGS_A_DAY / 1000.0,
    })
}

/// Trays under cover that have been misted before, all alike counted.
pub fn mist_due(trays: &Trays, at: Timestamp) -> u32 {
    let misted = trays.growing().filter(|tray| tray.stage(at).covered() && tray.misted_at.is_some());
    misted.fold(0, |sum, tray| sum.saturating_add(tray.count))
}

/// Trays lost within a week before `at`, by reason, most first.
pub fn week_of_losses(losses: &[Lost], at: Timestamp) -> Vec<(Loss, u32)> {
    let mut by_reason: BTreeMap<&'static str, (Loss, u32)> = BTreeMap::new();
    for lost in losses.iter().filter(|lost| lost.at <= at && at - lost.at < LOSSES_REPORTED) {
        let (_, trays) = by_reason.entry(lost.reason.word()).or_insert((lost.reason, 0));
        *trays = trays.saturating_add(lost.trays);
    }
    let mut week: Vec<(Loss, u32)> = by_reason.into_values().collect();
    week.sort_by_key(|(_, trays)| core::cmp::Reverse(*trays));
    week
}

#[cfg(test)]
mod tests;
