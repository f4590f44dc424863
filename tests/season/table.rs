//! The season's figures, and the table they make.

use crate::drawn::draw;
use crate::faults::Kind;
use crate::watched::{Outcome, Reported, outcome, watch};
use comfy_table::Table;
use std::fmt;
use traywarden::engine::alarm::AlarmKind;
use traywarden::engine::event::LetterKind;
use traywarden::units::Timestamp;

/// Rooms a fault, and days each; healthy rooms, and days each: a year together.
const ROOMS_A_FAULT: u64 = 3;
const DAYS_WITH_FAULT: u64 = 8;
/// A tank that nobody fills, and a tray that nobody cuts, take their time.
const DAYS_WITH_SLOW_FAULT: u64 = 14;
const HEALTHY_ROOMS: u64 = 5;
const HEALTHY_DAYS: u64 = 73;

/// One room in which something broke.
pub struct Broken {
    pub seed: u64,
    pub kind: Kind,
    pub from: Timestamp,
    pub reported: Reported,
    pub ours: Outcome,
    pub plain: Outcome,
}

/// All rooms of a run.
pub struct Season {
    pub healthy: Vec<(u64, Reported)>,
    pub broken: Vec<Broken>,
}

impl Season {
    /// Plays them all.
    pub fn play(times: u64) -> Season {
        let only = std::env::var("ONLY").ok();
        let first_seed = std::env::var("SEED").map_or(0, |text| text.parse().expect("a whole number"));
        let healthy_only = only.as_ref().is_none_or(|only| only == "healthy");
        let healthy_rooms = if healthy_only { HEALTHY_ROOMS * times } else { 0 };
        let healthy = (0..healthy_rooms)
            .map(|room| first_seed + 10_000 + room)
            .map(|seed| (seed, watch(&draw(seed, HEALTHY_DAYS, None))))
            .collect();
        let mut broken = Vec::new();
        let wanted = |kind: &Kind| only.as_ref().is_none_or(|only| only == kind.name());
        for (number, kind) in (0..).zip(Kind::ALL).filter(|(_, kind)| wanted(kind)) {
            for room in 0..ROOMS_A_FAULT * times {
                let seed = first_seed + 100 * number + room;
                let slow = matches!(kind, Kind::NotRefilled | Kind::Overdue);
                let days = if slow { DAYS_WITH_SLOW_FAULT } else { DAYS_WITH_FAULT };
                let drawn = draw(seed, days, Some(kind));
                let from = drawn.fault.expect("a fault").from;
                let reported = watch(&drawn);
                let ours = outcome(kind, from, reported.first_fitting(kind.fits(), from), reported.harm);
                let plain = outcome(kind, from, reported.first_plain(kind.fits(), from), reported.harm);
                broken.push(Broken { seed, kind, from, reported, ours, plain });
            }
        }
        Season { healthy, broken }
    }

    /// Entries that the engine refused.
    pub fn refused(&self) -> Vec<String> {
        let mut all: Vec<String> = self.reported().flat_map(|reported| reported.refused.clone()).collect();
        all.dedup();
        all
    }

    /// Faults that did harm before anybody heard, or of which nobody heard in time; of the
    /// kinds that can be seen.
    pub fn missed(&self) -> Vec<String> {
        let missed =
            self.broken.iter().filter(|broken| broken.ours == Outcome::Missed && !broken.kind.beyond_what_is_seen());
        missed
            .map(|broken| {
                let first = broken.reported.first_fitting(broken.kind.fits(), broken.from);
                let (kind, from, harm) = (broken.kind.name(), broken.from, broken.reported.harm);
                format!("{kind}, seed {}: broke {from}, harm {harm:?}, first letter {first:?}", broken.seed)
            })
            .collect()
    }

    /// Letters in healthy rooms: ours without the daily digest, and the plain rule's.
    pub fn letters(&self) -> (usize, usize) {
        let sum = |of: fn(&Reported) -> usize| self.reported().map(of).sum();
        (sum(Reported::opened), sum(|reported| reported.plain.len()))
    }

    /// Hours before harm, the middle one, over faults that such alarms tell of.
    pub fn median_lead(&self, kinds: &[AlarmKind]) -> Option<f64> {
        let fitting = self.broken.iter().filter(|broken| broken.kind.fits().iter().all(|kind| kinds.contains(kind)));
        median(fitting.filter_map(|broken| lead(broken.ours)))
    }

    fn reported(&self) -> impl Iterator<Item = &Reported> {
        self.healthy.iter().map(|(_, reported)| reported).chain(self.broken.iter().map(|broken| &broken.reported))
    }
}

fn lead(outcome: Outcome) -> Option<f64> {
    if let Outcome::Caught(lead) = outcome { lead } else { None }
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    (!values.is_empty()).then(|| values[values.len() / 2])
}

impl fmt::Display for Season {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut table = Table::new();
        table.load_preset(comfy_table::presets::ASCII_MARKDOWN);
        table.set_header(["fault", "rooms", "harm", "caught", "missed", "lead h", "plain: caught", "missed", "lead h"]);
        for kind in Kind::ALL {
            let rooms: Vec<&Broken> = self.broken.iter().filter(|broken| broken.kind == kind).collect();
            let count = |of: fn(&Broken) -> Outcome, wanted: fn(Outcome) -> bool| {
                rooms.iter().filter(|broken| wanted(of(broken))).count().to_string()
            };
            let hours = |of: fn(&Broken) -> Outcome| {
                median(rooms.iter().filter_map(|broken| lead(of(broken)))).map_or("-".into(), |h| format!("{h:.1}"))
            };
            let caught = |outcome| matches!(outcome, Outcome::Caught(_));
            let missed = |outcome| outcome == Outcome::Missed;
            table.add_row([
                kind.name().to_owned(),
                rooms.len().to_string(),
                rooms.iter().filter(|broken| broken.reported.harm.is_some()).count().to_string(),
                count(|broken| broken.ours, caught),
                count(|broken| broken.ours, missed),
                hours(|broken| broken.ours),
                count(|broken| broken.plain, caught),
                count(|broken| broken.plain, missed),
                hours(|broken| broken.plain),
            ]);
        }
        writeln!(f, "{table}")?;
        let weeks: f64 = self.healthy.iter().map(|(_, reported)| reported.days / 7.0).sum();
        let healthy =
            |of: &dyn Fn(&Reported) -> usize| self.healthy.iter().map(|(_, reported)| of(reported)).sum::<usize>();
        let woke =
            healthy(&|reported| reported.letters.iter().filter(|(_, kind, _)| *kind == LetterKind::Alarm).count());
        let a_week = |count: usize| count as f64 / weeks;
        writeln!(
            f,
            "healthy: {weeks:.0} weeks; alarms raised {:.2} a week, `now` letters {:.2}, letters {:.2}; plain rule {:.1}",
            a_week(healthy(&|reported| reported.raised.len())),
            a_week(woke),
            a_week(healthy(&Reported::opened)),
            a_week(healthy(&|reported| reported.plain.len())),
        )?;
        let days: f64 = self.reported().map(|reported| reported.days).sum();
        let (ours, plain) = self.letters();
        writeln!(f, "all {days:.0} nights: {ours} letters, plain rule {plain}")?;
        if std::env::var("EACH").is_ok() {
            for (seed, reported) in &self.healthy {
                for (at, key, decoded) in &reported.raised {
                    writeln!(f, "healthy {seed} {at} {} {decoded}", key.id())?;
                }
            }
            for broken in &self.broken {
                let (kind, from) = (broken.kind.name(), broken.from);
                writeln!(
                    f,
                    "{kind} seed {} from {from} harm {:?} {:?}",
                    broken.seed, broken.reported.harm, broken.ours
                )?;
                for (at, key, decoded) in &broken.reported.raised {
                    writeln!(f, "    {at} {} {decoded}", key.id())?;
                }
            }
        }
        Ok(())
    }
}
