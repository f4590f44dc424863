//! How good it is: the figures of forecast verification over a season's rooms, each beside
//! what it must be and beside the plain rule.

use crate::asked::{CLAIMED, Letter};
use crate::gauge::{CALM_DAYS, leaks_raised};
use crate::harm::{Harm, Hazard};
use crate::table::{Broken, Season, median};
use crate::watched::{COME_WITHIN, Forecast, Reported, Stated, Written};
use chrono::{NaiveDate, TimeDelta};
use comfy_table::Table;
use std::collections::BTreeMap;
use std::fmt;
use traywarden::demo::plan::TIME_ZONE;
use traywarden::engine::alarm::AlarmKind;
use traywarden::units::Timestamp;

/// Days in a month on average.
const MONTH: f64 = 365.25 / 12.0;
/// Letters on a night with one fault, digest included.
const MOST_LETTERS: usize = 6;
/// Statements a bin needs before its share says anything.
const ENOUGH: usize = 50;

/// One figure.
pub struct Row {
    /// What it is; also what `NOT_YET` in `main` calls it.
    pub figure: String,
    pub must_be: String,
    pub is: String,
    pub plain: String,
    /// It is as it must be. `None`: there was nothing to judge by.
    pub holds: Option<bool>,
}

/// All figures of a season.
pub struct Figures {
    pub rows: Vec<Row>,
    also: Vec<String>,
}

impl Figures {
    pub fn of(season: &Season) -> Figures {
        let mut rows = vec![hits(season), false_alarms(season), healthy_calls(season), fault_nights(season)];
        rows.push(healthy_letters(season));
        rows.extend(calibration(season));
        rows.push(brier(season));
        rows.extend([1.0, 2.0, 3.0].map(|scatter| false_leaks(season, scatter)));
        rows.push(leak_hours(season));
        let all =
            |of: fn(&Reported) -> &Vec<Forecast>| season.reported().flat_map(of).copied().collect::<Vec<Forecast>>();
        rows.push(inside("truths inside the forecast of an empty tank", &all(|reported| &reported.tank_forecasts)));
        rows.push(inside("truths inside the forecast of a dry tray", &all(|reported| &reported.dry_forecasts)));
        Figures { rows, also: vec![how_often(season), unasked_harm(season)] }
    }
}

impl fmt::Display for Figures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut table = Table::new();
        table.load_preset(comfy_table::presets::ASCII_MARKDOWN);
        table.set_header(["figure", "must be", "is", "", "plain rule"]);
        for row in &self.rows {
            let mark = row.holds.map_or("?", |holds| if holds { "" } else { "NOT" });
            table.add_row([&row.figure, &row.must_be, &row.is, mark, &row.plain]);
        }
        writeln!(f, "{table}")?;
        self.also.iter().try_for_each(|also| writeln!(f, "\n{also}"))
    }
}

/// A letter came early enough for hands: a call so long before harm as it takes to come, or
/// anything that somebody reads before a round they come to.
pub fn in_time(letter: &Written, came: &[Timestamp], harm: Timestamp) -> bool {
    match letter.what {
        Letter::Call | Letter::Reminder | Letter::Evening => letter.at <= harm - COME_WITHIN,
        Letter::Round | Letter::Digest => came.iter().any(|round| letter.at < *round && *round <= harm),
        Letter::Over => false,
    }
}

/// The fault was told in time; `None`: it did no harm, or cannot be seen.
fn hit(broken: &Broken) -> Option<(bool, bool)> {
    let fits = broken.kind.fits();
    let harm = broken.reported.harm_of(fits, broken.from)?.from;
    if broken.kind.beyond_what_is_seen() || broken.kind.told_within().is_some() {
        return None;
    }
    let reported = broken.reported.letters.iter().filter(|letter| letter.at >= broken.from && letter.names(fits));
    let plain = broken.reported.first_plain(fits, broken.from).is_some_and(|first| first <= harm - COME_WITHIN);
    Some((reported.into_iter().any(|letter| in_time(letter, &broken.came, harm)), plain))
}

fn hits(season: &Season) -> Row {
    let hits: Vec<(bool, bool)> = season.broken.iter().filter_map(hit).collect();
    let share = |of: fn(&(bool, bool)) -> bool| (hits.iter().filter(|hit| of(hit)).count(), hits.len());
    let (ours, plain) = (share(|hit| hit.0), share(|hit| hit.1));
    Row {
        figure: "hit rate".into(),
        must_be: "1".into(),
        is: of_all(ours),
        plain: of_all(plain),
        holds: (ours.1 > 0).then_some(ours.0 == ours.1),
    }
}

/// Faults that did harm and were not told in time.
pub fn too_late(season: &Season) -> Vec<String> {
    let late = season.broken.iter().filter(|broken| hit(broken).is_some_and(|(ours, _)| !ours));
    late.map(|broken| {
        let harm = broken.reported.harm_of(broken.kind.fits(), broken.from).map(|harm| harm.from);
        let first = broken.reported.first_fitting(broken.kind.fits(), broken.from);
        format!("{}, seed {}: harm {harm:?}, first letter {first:?}", broken.kind.name(), broken.seed)
    })
    .collect()
}

fn rooms(season: &Season) -> impl Iterator<Item = (&Reported, &[Timestamp])> {
    let healthy = season.healthy.iter().map(|room| (&room.reported, room.came.as_slice()));
    healthy.chain(season.broken.iter().map(|room| (&room.reported, room.came.as_slice())))
}

/// Nothing such alarms warn of was going on or came before somebody came.
pub fn for_nothing(reported: &Reported, came: &[Timestamp], at: Timestamp, kinds: &[AlarmKind]) -> bool {
    let next = came[came.partition_point(|round| *round <= at)..].first().copied();
    let until = next.unwrap_or(at + TimeDelta::hours(12));
    let hazards: Vec<Hazard> = kinds.iter().flat_map(|kind| Hazard::of(*kind)).copied().collect();
    !reported.harms_between(&hazards, at, until)
}

fn false_alarms(season: &Season) -> Row {
    let (mut ours, mut plain) = ((0, 0), (0, 0));
    for (reported, came) in rooms(season) {
        for call in reported.calls() {
            let kinds: Vec<AlarmKind> = call.about.iter().map(|key| key.kind).collect();
            ours.0 += usize::from(for_nothing(reported, came, call.at, &kinds));
            ours.1 += 1;
        }
        for (at, crossed) in &reported.plain {
            let kinds: Vec<AlarmKind> = AlarmKind::ALL.into_iter().filter(|kind| crossed.speaks_of(*kind)).collect();
            plain.0 += usize::from(for_nothing(reported, came, *at, &kinds));
            plain.1 += 1;
        }
    }
    Row {
        figure: "false alarm ratio".into(),
        must_be: "<= 0.2".into(),
        is: of_all(ours),
        plain: of_all(plain),
        holds: (ours.1 > 0).then_some(ours.0 * 5 <= ours.1),
    }
}

/// Every call: what it called for at which chance, the letters that had named it since noon, and
/// whether anything came of it; hours until the next round, until harm by forecast and by truth.
pub fn each_call(season: &Season) -> Vec<String> {
    let named = season.healthy.iter().map(|room| (format!("healthy, seed {}", room.seed), &room.reported, &room.came));
    let broken = season
        .broken
        .iter()
        .map(|room| (format!("{}, seed {}", room.kind.name(), room.seed), &room.reported, &room.came));
    let mut found = Vec::new();
    for (room, reported, came) in named.chain(broken) {
        for call in reported.calls() {
            let kinds: Vec<AlarmKind> = call.about.iter().map(|key| key.kind).collect();
            let needless = for_nothing(reported, came, call.at, &kinds);
            let about: Vec<String> = call.about.iter().map(|key| key.id()).collect();
            let before = reported.letters.iter().filter(|letter| {
                letter.at < call.at && night_of(letter.at) == night_of(call.at) && letter.names(&kinds)
            });
            let before: Vec<String> = before.map(|letter| format!("{:?}", letter.what)).collect();
            let hours = |when: Timestamp| (when - call.at).num_minutes() as f64 / 60.0;
            let next = came[came.partition_point(|round| *round <= call.at)..].first().copied();
            let hazards: Vec<Hazard> = kinds.iter().flat_map(|kind| Hazard::of(*kind)).copied().collect();
            let over = |harm: &&Harm| harm.until.is_none_or(|over| over >= call.at);
            let truth = reported.harms.iter().filter(over).find(|harm| harm.hazard.is_among(&hazards));
            found.push(format!(
                "{} {room}: {} {} at {:.2}, after {before:?}; round {:.1?}, forecast {:.1?}, truth {:.1?}",
                if needless { "needless" } else { "right" },
                call.at.with_timezone(&TIME_ZONE).format("%m-%d %H:%M"),
                about.join(", "),
                call.chance,
                next.map(hours),
                call.harm.map(|harm| harm.map(hours)),
                truth.map(|harm| hours(harm.from)),
            ));
        }
    }
    found
}

fn healthy_days(season: &Season) -> f64 {
    season.healthy.iter().map(|room| room.reported.days).sum()
}

fn healthy_calls(season: &Season) -> Row {
    let months = healthy_days(season) / MONTH;
    let calls = season.healthy.iter().map(|room| room.reported.calls().count()).sum::<usize>() as f64;
    let plain = season.healthy.iter().map(|room| room.reported.plain.len()).sum::<usize>() as f64;
    Row {
        figure: "calls in a room where nothing breaks, in 4 months".into(),
        must_be: "<= 1".into(),
        is: format!("{:.1}", calls / months * 4.0),
        plain: format!("{:.0}", plain / months * 4.0),
        holds: (months > 0.0).then_some(calls / months * 4.0 <= 1.0),
    }
}

fn healthy_letters(season: &Season) -> Row {
    let weeks = healthy_days(season) / 7.0;
    let letters = season.healthy.iter().map(|room| room.reported.opened()).sum::<usize>() as f64;
    let plain = season.healthy.iter().map(|room| room.reported.plain.len()).sum::<usize>() as f64;
    Row {
        figure: "letters a week in a healthy room beside the digests".into(),
        must_be: "<= 0.5".into(),
        is: format!("{:.2}", letters / weeks),
        plain: format!("{:.0}", plain / weeks),
        holds: (weeks > 0.0).then_some(letters / weeks <= 0.5),
    }
}

/// The night a moment belongs to: from noon to noon, by its first day.
fn night_of(at: Timestamp) -> NaiveDate {
    (at.with_timezone(&TIME_ZONE) - TimeDelta::hours(12)).date_naive()
}

/// Letters of each night with a fault, digest included.
fn letters_by_night(times: impl Iterator<Item = Timestamp>, from: Timestamp, until: Timestamp) -> Vec<usize> {
    let mut nights: BTreeMap<NaiveDate, usize> =
        night_of(from).iter_days().take_while(|night| *night <= night_of(until)).map(|night| (night, 0)).collect();
    times.filter(|at| *at >= from).for_each(|at| *nights.entry(night_of(at)).or_default() += 1);
    nights.into_values().collect()
}

fn fault_nights(season: &Season) -> Row {
    let (mut ours, mut plain) = (Vec::new(), Vec::new());
    for room in &season.broken {
        let until = room.reported.letters.last().map_or(room.from, |letter| letter.at);
        ours.extend(letters_by_night(room.reported.letters.iter().map(|letter| letter.at), room.from, until));
        plain.extend(letters_by_night(room.reported.plain.iter().map(|(at, _)| *at), room.from, until));
    }
    let shown = |nights: &mut Vec<usize>| {
        nights.sort_unstable();
        let at = |share: f64| nights.get((nights.len() as f64 * share) as usize).copied().unwrap_or_default();
        format!("{} at worst, {} in 1 of 20, median {}", nights.last().unwrap_or(&0), at(0.95), at(0.5))
    };
    let is = shown(&mut ours);
    Row {
        figure: "letters on a night with one fault, digest included".into(),
        must_be: "<= 6".into(),
        is,
        plain: shown(&mut plain),
        holds: ours.last().map(|worst| *worst <= MOST_LETTERS),
    }
}

/// Nights of a fault with more letters than there may be, letter by letter.
pub fn busy_nights(season: &Season) -> Vec<String> {
    let mut found = Vec::new();
    for room in &season.broken {
        let mut nights: BTreeMap<NaiveDate, Vec<&Written>> = BTreeMap::new();
        let letters = room.reported.letters.iter().filter(|letter| letter.at >= room.from);
        letters.for_each(|letter| nights.entry(night_of(letter.at)).or_default().push(letter));
        for (night, letters) in nights.iter().filter(|(_, letters)| letters.len() > MOST_LETTERS) {
            let told = |letter: &&Written| {
                let about: Vec<String> = letter.about.iter().map(|key| key.id()).collect();
                let clock = letter.at.with_timezone(&TIME_ZONE).format("%H:%M");
                format!("  {clock} {:?} {}", letter.what, about.join(", "))
            };
            let told: Vec<String> = letters.iter().map(told).collect();
            found.push(format!("{}, seed {}, {night}:\n{}", room.kind.name(), room.seed, told.join("\n")));
        }
    }
    found
}

/// Every statement with what came of it.
fn judged(season: &Season) -> Vec<(Stated, bool)> {
    let judge = |reported: &Reported, stated: &Stated| {
        reported.harms_between(stated.hazard.comes_as(), stated.at, stated.next_round)
    };
    season
        .reported()
        .flat_map(|reported| reported.stated.iter().map(move |stated| (*stated, judge(reported, stated))))
        .collect()
}

fn calibration(season: &Season) -> Vec<Row> {
    let judged = judged(season);
    let bin = |chance: f64| ((chance * 5.0) as usize).min(4);
    let bins = ["0 to 0.2", "0.2 to 0.4", "0.4 to 0.6", "0.6 to 0.8", "0.8 to 1"];
    bins.iter()
        .enumerate()
        .map(|(number, name)| {
            let of = |chance: fn(&Stated) -> f64, given: fn(&Stated) -> bool| {
                let inside: Vec<(f64, bool)> = judged
                    .iter()
                    .filter(|(stated, _)| given(stated) && bin(chance(stated)) == number)
                    .map(|(stated, came)| (chance(stated), *came))
                    .collect();
                let count = inside.len();
                let mean = inside.iter().map(|(chance, _)| chance).sum::<f64>() / count as f64;
                let came = inside.iter().filter(|(_, came)| *came).count() as f64 / count as f64;
                (count, mean, came)
            };
            let shown = |(count, mean, came): (usize, f64, f64)| {
                if count == 0 { "-".to_owned() } else { format!("{came:.2} of {count} at {mean:.2}") }
            };
            let ours = of(|stated| stated.ours, |stated| stated.named);
            let plain = of(|stated| stated.plain, |stated| stated.plain > 0.0);
            Row {
                figure: format!("came true when given a chance of {name}"),
                must_be: "within 0.1".into(),
                is: shown(ours),
                plain: shown(plain),
                holds: (ours.0 >= ENOUGH).then_some((ours.1 - ours.2).abs() <= 0.1),
            }
        })
        .collect()
}

/// The same by hazard, for whoever looks for what states too much: how often a chance was
/// stated, its mean, and the share that came true.
pub fn calibration_by_hazard(season: &Season) -> Vec<String> {
    let mut all: BTreeMap<(Hazard, usize), Vec<(f64, bool)>> = BTreeMap::new();
    for (stated, came) in judged(season).into_iter().filter(|(stated, _)| stated.named) {
        all.entry((stated.hazard, ((stated.ours * 5.0) as usize).min(4))).or_default().push((stated.ours, came));
    }
    let shown = |((hazard, _), of): (&(Hazard, usize), &Vec<(f64, bool)>)| {
        let share = |sum: f64| sum / of.len() as f64;
        let (mean, came) =
            (share(of.iter().map(|(chance, _)| chance).sum()), of.iter().filter(|(_, came)| *came).count());
        format!("{hazard:?}: {} at {mean:.2}, came true {:.2}", of.len(), share(came as f64))
    };
    all.iter().map(shown).collect()
}

fn brier(season: &Season) -> Row {
    let evenings: Vec<(Stated, bool)> = judged(season).into_iter().filter(|(stated, _)| stated.evening).collect();
    let mut means: BTreeMap<Hazard, (f64, f64)> = BTreeMap::new();
    for (stated, came) in &evenings {
        let mean = means.entry(stated.hazard).or_default();
        *mean = (mean.0 + f64::from(u8::from(*came)), mean.1 + 1.0);
    }
    let score = |chance: &dyn Fn(&Stated) -> f64| {
        let squares = evenings.iter().map(|(stated, came)| (chance(stated) - f64::from(u8::from(*came))).powi(2));
        squares.sum::<f64>() / evenings.len() as f64
    };
    let ours = score(&|stated| stated.ours);
    let mean = score(&|stated| means[&stated.hazard].0 / means[&stated.hazard].1);
    Row {
        figure: "Brier score of the evening's chances".into(),
        must_be: "below the mean's".into(),
        is: format!("{ours:.4}; the season's mean {mean:.4}"),
        plain: format!("{:.4}", score(&|stated| stated.plain)),
        holds: (!evenings.is_empty()).then_some(ours < mean),
    }
}

fn false_leaks(season: &Season, scatter: f64) -> Row {
    let tanks = season.sound_tanks.iter().filter(|(of, _)| *of == scatter);
    let rooms = season.healthy.iter().filter(|room| room.scatter_mm == scatter);
    let (mut months, mut leaks) = (0.0, 0);
    for (_, reported) in tanks {
        months += CALM_DAYS as f64 / MONTH;
        leaks += reported;
    }
    for room in rooms {
        months += room.reported.days / MONTH;
        leaks += leaks_raised(&room.reported);
    }
    let a_year = leaks as f64 / months * 12.0;
    Row {
        figure: format!("false leaks in 12 tank-months at {scatter:.0} mm of scatter"),
        must_be: "<= 1".into(),
        is: format!("{a_year:.1} ({leaks} in {months:.0} months)"),
        plain: "tells none".into(),
        holds: (months > 0.0).then_some(a_year <= 1.0),
    }
}

fn leak_hours(season: &Season) -> Row {
    // One that nobody told within a day took at least that day.
    let hours = || season.leaking_tanks.iter().map(|hours| hours.unwrap_or(24.0));
    let worst = hours().fold(0.0, f64::max);
    let untold = season.leaking_tanks.iter().filter(|hours| hours.is_none()).count();
    Row {
        figure: "hours until a leak of 1 L/h is told, at 1.2 mm".into(),
        must_be: "<= 3".into(),
        is: format!(
            "median {:.1}, worst {worst:.1}; {untold} of {} not in a day",
            median(hours()).unwrap_or_default(),
            season.leaking_tanks.len()
        ),
        plain: "tells none".into(),
        holds: (!season.leaking_tanks.is_empty()).then_some(worst <= 3.0),
    }
}

/// Every forecast: early, late and truth, in hours from when it was printed.
pub fn forecasts(season: &Season) -> Vec<String> {
    let shown = |what: &str, forecast: &Forecast| {
        let hours = |when: Option<Timestamp>| {
            when.map_or("-".to_owned(), |when| format!("{:.1}", (when - forecast.at).num_minutes() as f64 / 60.0))
        };
        let (early, late, truth) = (hours(Some(forecast.early)), hours(forecast.late), hours(forecast.truth));
        format!("{what}: {early} to {late}, was {truth}")
    };
    let of = |room: String, reported: &Reported| {
        let when = |forecast: &Forecast| forecast.at.with_timezone(&TIME_ZONE).format("%m-%d %H:%M").to_string();
        let shown =
            |(what, forecast): (&str, &Forecast)| format!("{} ({room}, {})", shown(what, forecast), when(forecast));
        let tank = reported.tank_forecasts.iter().map(|forecast| ("tank", forecast));
        let dry = reported.dry_forecasts.iter().map(|forecast| ("tray", forecast));
        tank.chain(dry).map(shown).collect::<Vec<_>>()
    };
    let healthy = season.healthy.iter().map(|room| of(format!("healthy {}", room.seed), &room.reported));
    let broken = season.broken.iter().map(|room| of(format!("{} {}", room.kind.name(), room.seed), &room.reported));
    healthy.chain(broken).flatten().collect()
}

fn inside(figure: &str, forecasts: &[Forecast]) -> Row {
    let count = |of: &dyn Fn(&Forecast) -> bool| forecasts.iter().filter(|forecast| of(forecast)).count();
    let before = count(&|forecast| forecast.truth.is_some_and(|truth| truth < forecast.early));
    // What is so already began at an hour that is not known.
    let is_so = |forecast: &Forecast| forecast.truth == Some(forecast.at);
    // A truth that was not found came after all that was looked at.
    let after = count(&|forecast| {
        if is_so(forecast) {
            return false;
        }
        let not_before = forecast.truth.unwrap_or(forecast.looked_until);
        forecast.late.is_some_and(|late| not_before > late)
    });
    let unknown =
        count(&|forecast| forecast.truth.is_none() && forecast.late.is_none_or(|late| late >= forecast.looked_until));
    let known = forecasts.len() - unknown;
    let inside = known - before - after;
    Row {
        figure: figure.into(),
        must_be: format!(">= {CLAIMED}"),
        is: format!("{}; {before} earlier, {after} later, {unknown} beyond sight", of_all((inside, known))),
        plain: "forecasts none".into(),
        holds: (known >= ENOUGH).then_some(inside as f64 >= CLAIMED * known as f64),
    }
}

fn how_often(season: &Season) -> String {
    let mut table = Table::new();
    table.load_preset(comfy_table::presets::ASCII_MARKDOWN);
    table.set_header([
        "rooms",
        "nights",
        "calls a night",
        "letters a night",
        "calls a week",
        "letters a week",
        "of these no digest",
        "plain rule a week",
    ]);
    let mut row = |name: &str, reported: Vec<&Reported>| {
        let nights: f64 = reported.iter().map(|reported| reported.days).sum();
        let sum =
            |of: fn(&Reported) -> usize| reported.iter().map(|reported| of(reported)).sum::<usize>() as f64 / nights;
        let (calls, letters) = (sum(|reported| reported.calls().count()), sum(|reported| reported.letters.len()));
        table.add_row([
            name.to_owned(),
            format!("{nights:.0}"),
            format!("{calls:.3}"),
            format!("{letters:.2}"),
            format!("{:.2}", 7.0 * calls),
            format!("{:.2}", 7.0 * letters),
            format!("{:.2}", 7.0 * sum(Reported::opened)),
            format!("{:.0}", 7.0 * sum(|reported| reported.plain.len())),
        ]);
    };
    row("healthy", season.healthy.iter().map(|room| &room.reported).collect());
    row("with a fault", season.broken.iter().map(|room| &room.reported).collect());
    table.to_string()
}

fn unasked_harm(season: &Season) -> String {
    let harms = season.healthy.iter().map(|room| room.reported.harms.len()).sum::<usize>();
    format!("Harm in healthy rooms: {harms}. Engine's letters beside the plain rule's: {:?}.", season.letters())
}

fn of_all((some, all): (usize, usize)) -> String {
    if all == 0 { "-".into() } else { format!("{:.2} ({some} of {all})", some as f64 / all as f64) }
}
