//! Held-out nights: kinds of nights as they come in a grower's life, each with what a good
//! watch makes of it. A seed draws room, weather, hour and size anew, so that fresh ones can
//! be played at any time: `NIGHTS=3 SEED=7 cargo test --test season nights -- --nocapture`.
//! Whatever the kind, nobody may be called for nothing and no harm may come untold; a kind
//! says what is right besides. `faults` and `ordinary` have the kinds.

mod faults;
mod ordinary;

use crate::asked::Letter;
use crate::drawn::{Draft, Drawn, draft_in};
use crate::faults::Fault;
use crate::figures::{for_nothing, in_time};
use crate::harm::Hazard;
use crate::people::local;
use crate::watched::{COME_WITHIN, Reported, Written, watch, watch_and};
use chrono::{Days, TimeDelta, Timelike};
use std::fmt::Write;
use std::sync::Mutex;
use traywarden::demo::plan::TIME_ZONE;
use traywarden::demo::plan::{Breakage, Broken};
use traywarden::demo::sensors::{Ailment, SensorTrouble};
use traywarden::engine::alarm::AlarmKind;
use traywarden::notify::wording;
use traywarden::random::SplitMix64;
use traywarden::units::Timestamp;

/// The day of the story in whose evening the night begins; the days before are for learning.
const DAY: u64 = 4;

/// A kind of night.
pub struct Kind {
    /// Short, and what `NIGHT` asks for.
    pub name: &'static str,
    /// Days of the whole story: at least [`DAY`] and the two of the night.
    days: u64,
    /// The weather it needs, by mean temperature and mean dew point of the days around it.
    weather: fn(f64, f64) -> bool,
    happens: fn(&mut Night),
    right: &'static [Right],
}

/// What is right besides what always is.
#[derive(Clone, Copy, Debug)]
pub enum Right {
    /// Nobody is called, unless harm came.
    NobodyCalled,
    /// Nobody is called while they sleep, unless harm came.
    NobodyWoken,
    /// Letters, digests included, from what happened until noon; an evening's allowance more
    /// where harm came.
    Letters(usize),
    /// Letters beside the digests, until noon; an evening's allowance more where harm came.
    Besides(usize),
    /// Told of in some letter within so many minutes.
    ToldWithin(i64, &'static [AlarmKind]),
    /// Told of in some letter before people sleep.
    ToldBeforeSleep(&'static [AlarmKind]),
    /// Not a word of these in any letter.
    Never(&'static [AlarmKind]),
    /// A call about these is right whatever comes of it.
    MayCall(&'static [AlarmKind]),
}

/// Letters a night with harm may have, whatever breaks.
const WITH_HARM: usize = 6;

const ANY_WEATHER: fn(f64, f64) -> bool = |_, _| true;
const MILD: fn(f64, f64) -> bool = |temperature, dew_point| (8.0..22.0).contains(&temperature) && dew_point < 14.0;

/// A night in the making.
pub struct Night {
    pub draft: Draft,
    pub chance: SplitMix64,
    /// When the first of it happens; set by whatever happens first.
    from: Option<Timestamp>,
    /// Noon after the last night.
    until: Timestamp,
}

/// Sensors by their place in the list of devices.
pub const RACK_A: usize = 0;
pub const RACK_B: usize = 1;
pub const RACK_B_SISTER: usize = 2;
pub const TANK: usize = 3;

impl Night {
    fn new(kind: &Kind, seed: u64) -> Night {
        let chance = SplitMix64::for_part(seed, kind.name);
        let mut draft = draft_in(seed, kind.days, None, kind.weather);
        draft.people.quirks.clear();
        draft.scatter_mm = 1.2;
        let until = local(draft.first + Days::new(kind.days - 1), 12, 0);
        Night { draft, chance, from: None, until }
    }

    /// A local time of the day in whose evening the night begins; 25 is one in the morning.
    pub fn at(&self, hour: u32, minute: u32) -> Timestamp {
        local(self.draft.first + Days::new(DAY + u64::from(hour / 24)), hour % 24, minute)
    }

    /// The same, up to an hour later by the seed.
    pub fn about(&mut self, hour: u32) -> Timestamp {
        let minute = self.chance.between(0.0, 60.0) as u32;
        self.at(hour, minute)
    }

    pub fn minutes(&mut self, low: f64, high: f64) -> TimeDelta {
        TimeDelta::seconds((60.0 * self.chance.between(low, high)) as i64)
    }

    /// What is judged begins here.
    pub fn begins(&mut self, at: Timestamp) {
        self.from = Some(self.from.map_or(at, |from| from.min(at)));
    }

    pub fn ails(&mut self, sensor: usize, at: Timestamp, span: TimeDelta, what: Ailment) {
        self.begins(at);
        self.draft.devices[sensor].troubles.push(SensorTrouble { from: at, until: at + span, what });
    }

    pub fn silent(&mut self, sensor: usize, at: Timestamp, span: TimeDelta) {
        self.ails(sensor, at, span, Ailment::Silent);
    }

    pub fn breaks(&mut self, at: Timestamp, span: TimeDelta, what: Broken) {
        self.begins(at);
        self.draft.breakages.push(Breakage { from: at, until: at + span, what });
    }

    /// From a moment on until the end.
    pub fn breaks_for_good(&mut self, at: Timestamp, what: Broken) {
        self.breaks(at, TimeDelta::days(99), what);
    }

    pub fn fault(&mut self, kind: crate::faults::Kind, from: Timestamp) {
        self.begins(from);
        self.draft.fault = Some(Fault { kind, from });
    }

    /// The outdoor air is shifted so that the night's mean is this, Celsius.
    pub fn outside_mean(&mut self, wanted: f64) {
        let (mean, _) = crate::weather::mean(&self.draft.weather, self.draft.first + Days::new(DAY), 2);
        self.draft.weather.shift += wanted - mean;
    }
}

/// A night as it was drawn.
struct Played {
    reported: Reported,
    came: Vec<Timestamp>,
    from: Timestamp,
    until: Timestamp,
}

fn drawn(kind: &Kind, seed: u64) -> (Drawn, Timestamp, Timestamp) {
    let mut night = Night::new(kind, seed);
    (kind.happens)(&mut night);
    let from = night.from.unwrap_or_else(|| night.at(12, 0));
    (night.draft.drawn(), from, night.until)
}

fn play(kind: &Kind, seed: u64) -> Played {
    let (drawn, from, until) = drawn(kind, seed);
    Played { reported: watch(&drawn), came: drawn.came, from, until }
}

impl Kind {
    pub fn all() -> impl Iterator<Item = &'static Kind> {
        ordinary::KINDS.iter().chain(faults::KINDS)
    }

    /// What was not right, a sentence each.
    pub fn judge(&self, seed: u64) -> Vec<String> {
        let night = play(self, seed);
        let mut wrong = Vec::new();
        let letters: Vec<&Written> =
            night.reported.letters.iter().filter(|letter| night.from <= letter.at && letter.at < night.until).collect();
        let harms: Vec<_> =
            night.reported.harms.iter().filter(|harm| night.from <= harm.from && harm.from < night.until).collect();
        let may_call = |kind: &AlarmKind| {
            self.right.iter().any(|right| matches!(right, Right::MayCall(kinds) if kinds.contains(kind)))
        };
        let calls: Vec<&&Written> = letters.iter().filter(|letter| letter.what == Letter::Call).collect();
        for call in &calls {
            let kinds: Vec<AlarmKind> = call.about.iter().map(|key| key.kind).collect();
            if !kinds.iter().any(may_call) && for_nothing(&night.reported, &night.came, call.at, &kinds) {
                wrong.push(format!("called for nothing at {}: {}", clock(call.at), named(call)));
            }
        }
        for harm in &harms {
            // What harms within minutes cannot be told before it does.
            let sudden = harm.from - night.from < COME_WITHIN + TimeDelta::minutes(30);
            let warns = |letter: &&&Written| letter.about.iter().any(|key| harm.hazard.is_among(Hazard::of(key.kind)));
            // What was foreseen since the day began counts too.
            let foreseen = night
                .reported
                .letters
                .iter()
                .filter(|letter| night.from - TimeDelta::hours(6) <= letter.at && letter.at < night.from);
            let foreseen = foreseen.collect::<Vec<_>>();
            let told = foreseen.iter().chain(&letters).filter(warns);
            let reported = told.into_iter().any(|letter| in_time(letter, &night.came, harm.from));
            if !reported && !sudden {
                let first = letters.iter().find(|letter| warns(letter)).map(|letter| clock(letter.at));
                wrong.push(format!("{:?} at {} told too late: {first:?}", harm.hazard, clock(harm.from)));
            }
        }
        let calm = harms.is_empty();
        for right in self.right {
            wrong.extend(besides(*right, &night, &letters, &calls, calm));
        }
        wrong
    }
}

fn besides(right: Right, night: &Played, letters: &[&Written], calls: &[&&Written], calm: bool) -> Option<String> {
    let tells = |letter: &&&Written, kinds: &[AlarmKind]| letter.names(kinds);
    match right {
        Right::NobodyCalled if calm => {
            let call = calls.first()?;
            Some(format!("{} calls, first at {}: {}", calls.len(), clock(call.at), named(call)))
        }
        Right::NobodyWoken if calm => {
            let woken = calls.iter().find(|call| asleep(call.at))?;
            Some(format!("woken at {}: {}", clock(woken.at), named(woken)))
        }
        Right::NobodyCalled | Right::NobodyWoken | Right::MayCall(_) => None,
        Right::Letters(most) => {
            let nights = ((night.until - night.from).num_hours() / 24 + 1) as usize;
            let most = if calm { most } else { most.max(WITH_HARM * nights) };
            (letters.len() > most).then(|| format!("{} letters, at most {most} are right", letters.len()))
        }
        Right::Besides(most) => {
            let beside = letters.iter().filter(|letter| letter.what != Letter::Digest).count();
            let most = if calm { most } else { most.max(WITH_HARM) };
            (beside > most).then(|| format!("{beside} letters beside the digest, at most {most} are right"))
        }
        Right::ToldWithin(minutes, kinds) => {
            let by = night.from + TimeDelta::minutes(minutes);
            let first = letters.iter().find(|letter| tells(letter, kinds)).map(|letter| letter.at);
            let late = first.is_none_or(|first| first > by);
            late.then(|| format!("told {:?}, not by {}", first.map(clock), clock(by)))
        }
        Right::ToldBeforeSleep(kinds) => {
            let first = letters.iter().find(|letter| tells(letter, kinds)).map(|letter| letter.at);
            let late = first.is_none_or(|first| asleep(first) || first - night.from > TimeDelta::hours(12));
            late.then(|| format!("told {:?}, not before sleep", first.map(clock)))
        }
        Right::Never(kinds) => {
            let decoded = letters.iter().find(|letter| tells(letter, kinds))?;
            Some(format!("at {}: {}", clock(decoded.at), named(decoded)))
        }
    }
}

/// Ten in the evening to six.
fn asleep(at: Timestamp) -> bool {
    let hour = at.with_timezone(&TIME_ZONE).hour();
    !(6..22).contains(&hour)
}

fn clock(at: Timestamp) -> String {
    at.with_timezone(&TIME_ZONE).format("%a %H:%M").to_string()
}

fn named(letter: &Written) -> String {
    letter.about.iter().map(|key| key.id()).collect::<Vec<_>>().join(", ")
}

/// Plays every kind with some seeds; each with what was wrong.
pub fn play_all(seeds: std::ops::Range<u64>) -> Vec<(&'static str, u64, Vec<String>)> {
    let only = std::env::var("NIGHT").ok();
    let wanted = |kind: &&Kind| only.as_ref().is_none_or(|only| kind.name == only);
    let mut jobs: Vec<(&Kind, u64)> =
        Kind::all().filter(wanted).flat_map(|kind| seeds.clone().map(move |seed| (kind, seed))).collect();
    jobs.reverse();
    let (jobs, played) = (Mutex::new(jobs), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(2, usize::from) {
            scope.spawn(|| {
                let next = || jobs.lock().expect("no player died").pop();
                while let Some((kind, seed)) = next() {
                    let wrong = kind.judge(seed);
                    played.lock().expect("no player died").push((kind.name, seed, wrong));
                }
            });
        }
    });
    let mut played = played.into_inner().expect("no player died");
    let order = |name: &str| Kind::all().position(|kind| kind.name == name);
    played.sort_by_key(|(name, seed, _)| (order(name), *seed));
    played
}

/// One night or one fault of the season by its name, told letter by letter.
pub fn read(name: &str, seed: u64) -> String {
    let (room, from, wrong) = match Kind::all().find(|kind| kind.name == name) {
        Some(kind) => {
            let (room, from, _) = drawn(kind, seed);
            (room, from, kind.judge(seed))
        }
        None => {
            let fault = crate::faults::Kind::ALL.into_iter().find(|kind| kind.name() == name);
            let Some(fault) = fault else {
                let names: Vec<&str> = Kind::all().map(|kind| kind.name).collect();
                let faults: Vec<&str> = crate::faults::Kind::ALL.iter().map(|kind| kind.name()).collect();
                return format!("No night is called {name:?}. There are: {names:#?}\nand faults: {faults:#?}");
            };
            let room = crate::drawn::draw(seed, 8, Some(fault));
            let from = room.fault.expect("a fault").from;
            (room, from, Vec::new())
        }
    };
    let mut text = format!("{name}, seed {seed}; begins {}\n", clock(from));
    let reported = watch_and(&room, |engine, facts| {
        if facts.at >= from - TimeDelta::hours(24) {
            let letter = wording::letter(facts, engine.rules(), Vec::new(), &wording::Answering::default());
            let what = crate::asked::letter(facts);
            let _ = writeln!(text, "{}  {:<9} {}", clock(facts.at), format!("{what:?}"), letter.subject);
            if std::env::var("WHOLE").is_ok() {
                let _ = writeln!(text, "{}\n", letter.text);
            }
        }
    });
    let _ = writeln!(text, "truth: {:?}", room.bears);
    for harm in reported.harms.iter().filter(|harm| harm.until.is_none_or(|until| until >= from)) {
        let _ = writeln!(text, "truth: {:?} from {} until {:?}", harm.hazard, clock(harm.from), harm.until.map(clock));
    }
    wrong.iter().for_each(|wrong| text.push_str(&format!("NOT right: {wrong}\n")));
    text
}
