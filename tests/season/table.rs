//! Plays all rooms of a season, and the table of faults.

use crate::drawn::draw;
use crate::faults::Kind;
use crate::gauge;
use crate::watched::{FaultOutcome, Reported, outcome, watch};
use comfy_table::Table;
use std::fmt;
use std::sync::Mutex;
use traywarden::engine::alarm::AlarmKind;
use traywarden::units::Timestamp;

/// Rooms a fault, and days each; healthy rooms, and days each: a year together.
const ROOMS_A_FAULT: u64 = 5;
const DAYS_WITH_FAULT: u64 = 8;
/// A tank that nobody fills, and a tray that nobody cuts, take their time.
const DAYS_WITH_SLOW_FAULT: u64 = 14;
const HEALTHY_ROOMS: u64 = 9;
const HEALTHY_DAYS: u64 = 61;
/// Tanks without a leak for each scatter of the gauge, millimetres; tanks with one.
const TANKS: [(f64, u64); 3] = [(1.0, 2), (2.0, 2), (3.0, 5)];
const LEAKING_TANKS: u64 = 12;

/// One room in which something broke.
pub struct Broken {
    pub seed: u64,
    pub kind: Kind,
    pub from: Timestamp,
    /// When somebody came for a round.
    pub came: Vec<Timestamp>,
    pub reported: Reported,
    pub ours: FaultOutcome,
    pub plain: FaultOutcome,
}

/// One room in which nothing broke.
pub struct Healthy {
    pub seed: u64,
    pub scatter_mm: f64,
    pub came: Vec<Timestamp>,
    pub reported: Reported,
}

/// All rooms of a run.
#[derive(Default)]
pub struct Season {
    pub healthy: Vec<Healthy>,
    pub broken: Vec<Broken>,
    /// Scatter of a gauge, millimetres, and leaks told of a sound tank in [`gauge::CALM_DAYS`].
    pub sound_tanks: Vec<(f64, usize)>,
    /// Hours until a leak was told.
    pub leaking_tanks: Vec<Option<f64>>,
}

enum Job {
    Healthy(u64),
    Broken(Kind, u64),
    Sound(f64, u64),
    Leaking(u64),
}

impl Season {
    /// Plays them all, so many times as many as usual.
    pub fn play(times: u64) -> Season {
        let only = std::env::var("ONLY").ok();
        let first = std::env::var("SEED").map_or(0, |text| text.parse().expect("a whole number"));
        let mut jobs = Vec::new();
        if only.as_ref().is_none_or(|only| only == "healthy") {
            jobs.extend((0..HEALTHY_ROOMS * times).map(|room| Job::Healthy(first + 10_000 + room)));
        }
        if only.as_ref().is_none_or(|only| only == "tanks") {
            for (scatter, tanks) in TANKS {
                jobs.extend((0..tanks * times).map(|tank| Job::Sound(scatter, first + 20_000 + tank)));
            }
            jobs.extend((0..LEAKING_TANKS * times).map(|tank| Job::Leaking(first + 30_000 + tank)));
        }
        for (number, kind) in (0..).zip(Kind::ALL) {
            if only.as_ref().is_none_or(|only| only == kind.name()) {
                jobs.extend((0..ROOMS_A_FAULT * times).map(|room| Job::Broken(kind, first + 100 * number + room)));
            }
        }
        // The last first: a long job that begins late would keep one core alone.
        jobs.reverse();
        let (jobs, season) = (Mutex::new(jobs), Mutex::new(Season::default()));
        std::thread::scope(|scope| {
            for _ in 0..std::thread::available_parallelism().map_or(2, usize::from) {
                scope.spawn(|| {
                    let next = || jobs.lock().expect("no player died").pop();
                    while let Some(job) = next() {
                        job.play(&season);
                    }
                });
            }
        });
        let mut season = season.into_inner().expect("no player died");
        season.healthy.sort_by_key(|room| room.seed);
        season.broken.sort_by_key(|room| room.seed);
        season
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
        let seen = |broken: &&Broken| !broken.kind.beyond_what_is_seen();
        let missed = self.broken.iter().filter(seen).filter(|broken| broken.ours == FaultOutcome::Missed);
        missed
            .map(|broken| {
                let first = broken.reported.first_fitting(broken.kind.fits(), broken.from);
                let harm = broken.reported.harm_of(broken.kind.fits(), broken.from);
                let (kind, from) = (broken.kind.name(), broken.from);
                format!("{kind}, seed {}: broke {from}, harm {harm:?}, first letter {first:?}", broken.seed)
            })
            .collect()
    }

    /// Letters of all rooms: ours without the daily digest, and the plain rule's.
    pub fn letters(&self) -> (usize, usize) {
        let sum = |of: fn(&Reported) -> usize| self.reported().map(of).sum();
        (sum(Reported::opened), sum(|reported| reported.plain.len()))
    }

    /// Hours before harm, the middle one, over faults that such alarms tell of.
    pub fn median_lead(&self, kinds: &[AlarmKind]) -> Option<f64> {
        let fitting = self.broken.iter().filter(|broken| broken.kind.fits().iter().all(|kind| kinds.contains(kind)));
        median(fitting.filter_map(|broken| lead(broken.ours)))
    }

    /// What was told of every room.
    pub fn reported(&self) -> impl Iterator<Item = &Reported> {
        self.healthy.iter().map(|room| &room.reported).chain(self.broken.iter().map(|broken| &broken.reported))
    }
}

impl Job {
    fn play(self, season: &Mutex<Season>) {
        let done = || season.lock().expect("no player died");
        match self {
            Job::Healthy(seed) => {
                let drawn = draw(seed, HEALTHY_DAYS, None);
                let reported = watch(&drawn);
                let room = Healthy { seed, scatter_mm: drawn.room.scatter_mm, came: drawn.came, reported };
                done().healthy.push(room);
            }
            Job::Broken(kind, seed) => {
                let slow = matches!(kind, Kind::NotRefilled | Kind::Overdue);
                let drawn = draw(seed, if slow { DAYS_WITH_SLOW_FAULT } else { DAYS_WITH_FAULT }, Some(kind));
                let from = drawn.fault.expect("a fault").from;
                let reported = watch(&drawn);
                let harm = reported.harm_of(kind.fits(), from).map(|harm| harm.from);
                let ours = outcome(kind, from, reported.first_fitting(kind.fits(), from), harm);
                let plain = outcome(kind, from, reported.first_plain(kind.fits(), from), harm);
                done().broken.push(Broken { seed, kind, from, came: drawn.came, reported, ours, plain });
            }
            Job::Sound(scatter_mm, seed) => {
                let leaks = gauge::false_leaks(seed, scatter_mm);
                done().sound_tanks.push((scatter_mm, leaks));
            }
            Job::Leaking(seed) => {
                let hours = gauge::hours_until_told(seed);
                done().leaking_tanks.push(hours);
            }
        }
    }
}

fn lead(outcome: FaultOutcome) -> Option<f64> {
    if let FaultOutcome::Caught(lead) = outcome { lead } else { None }
}

/// The middle one; of an even number the upper of the two.
pub fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
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
            let count = |of: fn(&Broken) -> FaultOutcome, wanted: fn(FaultOutcome) -> bool| {
                rooms.iter().filter(|broken| wanted(of(broken))).count().to_string()
            };
            let hours = |of: fn(&Broken) -> FaultOutcome| {
                median(rooms.iter().filter_map(|broken| lead(of(broken)))).map_or("-".into(), |h| format!("{h:.1}"))
            };
            let harmed = |broken: &&&Broken| broken.reported.harm_of(kind.fits(), broken.from).is_some();
            let caught = |outcome| matches!(outcome, FaultOutcome::Caught(_));
            let missed = |outcome| outcome == FaultOutcome::Missed;
            table.add_row([
                kind.name().to_owned(),
                rooms.len().to_string(),
                rooms.iter().filter(harmed).count().to_string(),
                count(|broken| broken.ours, caught),
                count(|broken| broken.ours, missed),
                hours(|broken| broken.ours),
                count(|broken| broken.plain, caught),
                count(|broken| broken.plain, missed),
                hours(|broken| broken.plain),
            ]);
        }
        writeln!(f, "{table}")?;
        if std::env::var("EACH").is_ok() {
            for room in &self.healthy {
                writeln!(f, "healthy {} harm {:?}", room.seed, room.reported.harms)?;
                each(f, &room.reported)?;
            }
            for broken in &self.broken {
                let (kind, from, harms) = (broken.kind.name(), broken.from, &broken.reported.harms);
                writeln!(f, "{kind} seed {} from {from} harm {harms:?} {:?}", broken.seed, broken.ours)?;
                each(f, &broken.reported)?;
            }
        }
        Ok(())
    }
}

fn each(f: &mut fmt::Formatter<'_>, reported: &Reported) -> fmt::Result {
    for (at, key, decoded) in &reported.raised {
        writeln!(f, "    {at} {} {decoded}", key.id())?;
    }
    for letter in &reported.letters {
        let about: Vec<String> = letter.about.iter().map(|key| key.id()).collect();
        writeln!(f, "    {} letter {:?}: {}", letter.at, letter.what, about.join(", "))?;
    }
    Ok(())
}
