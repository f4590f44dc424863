//! What the round at hand has to do, tray by tray, and what was already ticked on it. Pure:
//! from the room as the engine shows it and the journal's last lines.

use crate::engine::alarm::{AlarmKind, AlarmState};
use crate::engine::calendar::{last_round, next_round};
use crate::engine::letters::digest::{ReservoirDay, TrayDay};
use crate::engine::letters::snapshot::{PlaceNow, Snapshot};
use crate::engine::rules::{PlaceId, Rules, Site};
use crate::engine::watch::trays::tray::{Stage, Tray};
use crate::journal::Did;
use crate::report::formatted;
use crate::store::JournalLine;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// Millilitres a tray at a time where none were logged: half a US cup (common practice, no source).
const USUAL_WATER_ML: f64 = 118.0;
/// What was ticked at one go is one line. Own default.
const ONE_GO: TimeDelta = TimeDelta::seconds(20);

/// The round that a moment belongs to: the nearest. Its sheet is in use from halfway since
/// the round before until halfway to the one after.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Round {
    /// When it is.
    pub at: Timestamp,
    /// Its sheet begins.
    pub from: Timestamp,
    /// Its sheet ends.
    pub until: Timestamp,
}

/// The sheet of one round.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct RoundSheet {
    /// The round this sheet is for, with its hour.
    pub round: Round,
    /// Racks with anything on them, in the order of the settings.
    pub racks: Vec<Rack>,
    /// Every tank.
    pub tanks: Vec<Tank>,
    /// What was done to no rack that still has trays: cut away, thrown away, noted.
    pub elsewhere: Vec<Done>,
}

/// One rack on it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Rack {
    /// The place's id, as the settings have it.
    pub id: String,
    /// The place's name, as people say it.
    pub name: String,
    /// Its air, if it is measured there.
    pub air: Option<PlaceNow>,
    /// What is to be done.
    pub lines: Vec<TaskLine>,
    /// What was done on this round.
    pub done: Vec<Done>,
    /// The trays that stand there.
    pub trays: Vec<String>,
    /// No other place lies in it, so that its trays are all that its name means.
    pub(super) stands_alone: bool,
}

/// A tank on it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Tank {
    /// How it stands.
    pub now: ReservoirDay,
    /// Litres that fill it, if its level is known.
    pub takes: Option<f64>,
    /// It should be filled on this round.
    pub due: bool,
    /// What was done.
    pub done: Vec<Done>,
}

/// What can be done to trays on a round, in the order of a round.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Task {
    /// The weight comes off.
    Unweight,
    /// The cover comes off, and with that it is in light: darkness is what the cover is for, and
    /// the air it then breathes is what the watch judges. Where light is on another rack, the
    /// same tick also moves it there.
    Uncover,
    /// Water from below.
    Water,
    /// Water from above, under the cover.
    Mist,
    /// Somebody must look under the cover.
    Look,
    /// Cut and weigh.
    Cut,
}

/// One line: a task for one tray or for several alike.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct TaskLine {
    /// What is to be done, such as water or uncover.
    pub task: Task,
    /// To which trays.
    pub trays: Vec<On>,
    /// Millilitres a tray, for water.
    pub ml: Option<f64>,
}

/// A tray on a line.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct On {
    /// The tray, by the grower's name for it.
    pub name: String,
    /// How many trays alike stand under this name.
    pub count: u32,
    /// The crop or blend.
    pub crop: String,
    /// When it should have been done, if that is past.
    pub overdue: Option<Timestamp>,
    /// Grams the whole lot should give, for a cut.
    pub expected: Option<(f64, f64)>,
}

/// What was done at one go, by one person.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Done {
    /// The journal's numbers.
    pub numbers: Vec<i64>,
    /// When it was done, as it was entered.
    pub at: Timestamp,
    /// Who did it, as it was entered.
    pub by: Option<String>,
    /// "K12 and K13 watered, 118 mL a tray".
    pub words: String,
}

impl Task {
    /// As it stands in a form.
    pub(super) fn word(self) -> &'static str {
        match self {
            Task::Unweight => "unweight",
            Task::Uncover => "uncover",
            Task::Water => "water",
            Task::Mist => "mist",
            Task::Look => "look",
            Task::Cut => "cut",
        }
    }

    /// What [`Task::word`] gave.
    pub(super) fn from_word(word: &str) -> Option<Task> {
        let all = [Task::Unweight, Task::Uncover, Task::Water, Task::Mist, Task::Look, Task::Cut];
        all.into_iter().find(|task| task.word() == word)
    }
}

impl Round {
    /// The round nearest to a moment.
    pub(super) fn at_hand(site: &Site, now: Timestamp) -> Round {
        let (before, after) = (last_round(site, now), next_round(site, now));
        let at = if now - before <= after - now { before } else { after };
        let (before, after) = (last_round(site, at - TimeDelta::minutes(1)), next_round(site, at));
        Round { at, from: at - (at - before) / 2, until: at + (after - at) / 2 }
    }
}

/// The sheet of the round at hand. `journal` reaches back at least to where it begins.
pub(super) fn sheet(rules: &Rules, snapshot: &Snapshot, journal: &[JournalLine]) -> RoundSheet {
    let now = snapshot.at;
    let round = Round::at_hand(&rules.site, now);
    let mut sheet = RoundSheet { round, racks: Vec::new(), tanks: Vec::new(), elsewhere: Vec::new() };
    let trays: Vec<(&Tray, &TrayDay)> = snapshot.growing.iter().zip(&snapshot.trays).collect();
    for (index, place) in rules.places.iter().enumerate() {
        let id = PlaceId(index as u16);
        let here: Vec<_> = trays.iter().filter(|(tray, _)| tray.place == id).collect();
        if here.is_empty() {
            continue;
        }
        let mut lines = Vec::new();
        for (tray, day) in &here {
            for (task, overdue) in due(rules, tray, round, now) {
                add(&mut lines, task, tray, day, overdue);
            }
        }
        lines.sort_by_key(|line| line.task);
        sheet.racks.push(Rack {
            id: place.id.clone(),
            name: place.name.clone(),
            air: snapshot.places.iter().find(|air| air.id == place.id).cloned(),
            lines,
            done: Vec::new(),
            trays: here.iter().map(|(tray, _)| tray.name.clone()).collect(),
            stands_alone: rules.places.iter().all(|place| place.inside != Some(id)),
        });
    }
    sheet.tanks = snapshot.reservoirs.iter().map(|tank| tank_on_sheet(rules, snapshot, tank, round)).collect();
    for line in journal {
        file(rules, &mut sheet, line);
    }
    for tank in &mut sheet.tanks {
        tank.due &= tank.done.is_empty();
    }
    sheet
}

/// What one tray wants on this round, and since when it waits for it.
fn due(rules: &Rules, tray: &Tray, round: Round, now: Timestamp) -> Vec<(Task, Option<Timestamp>)> {
    let past = |at: Timestamp| (at < now && at < round.from).then_some(at);
    let done_now = |done: Option<Timestamp>| done.is_some_and(|done| done >= round.from);
    let mut wants = Vec::new();
    if tray.stage(now).covered() {
        if tray.light_due_at() < round.until {
            return vec![(Task::Uncover, past(tray.light_due_at()))];
        }
        if let (None, Some(off)) = (tray.unweighted_at, tray.weight_off_at())
            && off < round.until
        {
            wants.push((Task::Unweight, past(off)));
        }
        if tray.misted_at.is_some() && !done_now(tray.misted_at) {
            wants.push((Task::Mist, None));
        }
        // Whoever has a hand on it sees it.
        if wants.is_empty() && now - tray.seen_at() > rules.site.look_within / 2 {
            wants.push((Task::Look, tray.unseen_since(now, rules.site.look_within)));
        }
        return wants;
    }
    let pumped = rules.reservoirs.iter().any(|tank| rules.waters(tank, tray.place));
    if (tray.watered_at.is_some() || !pumped) && !done_now(tray.watered_at) && !done_now(tray.light_at) {
        wants.push((Task::Water, None));
    }
    if tray.stage(now) == Stage::Ready || tray.harvest_from() < round.until {
        wants.push((Task::Cut, past(tray.harvest_to())));
    }
    wants
}

/// Puts a tray on the line of its like, or begins one. Each cut is weighed by itself.
fn add(lines: &mut Vec<TaskLine>, task: Task, tray: &Tray, day: &TrayDay, overdue: Option<Timestamp>) {
    let ml = (task == Task::Water).then(|| tray.watered_ml.unwrap_or(USUAL_WATER_ML));
    let on = On {
        name: tray.name.clone(),
        count: tray.count,
        crop: tray.crop.clone(),
        overdue,
        expected: (task == Task::Cut).then_some((day.expected.from, day.expected.to)),
    };
    let alike = lines.iter_mut().find(|line| task != Task::Cut && line.task == task && line.ml == ml);
    match alike {
        Some(line) => line.trays.push(on),
        None => lines.push(TaskLine { task, trays: vec![on], ml }),
    }
}

fn tank_on_sheet(rules: &Rules, snapshot: &Snapshot, tank: &ReservoirDay, round: Round) -> Tank {
    let known = rules.reservoirs.iter().find(|reservoir| reservoir.id == tank.id);
    let takes = known.zip(tank.usable).map(|(reservoir, usable)| {
        let below = reservoir.shape.litres(reservoir.pump_inlet_mm);
        (reservoir.shape.capacity_litres() - below - usable).max(0.0)
    });
    let low = snapshot.alarms.iter().any(|alarm| {
        alarm.key.subject == tank.id
            && matches!(alarm.key.kind, AlarmKind::ReservoirLow | AlarmKind::ReservoirEmpty)
            && matches!(alarm.state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
    });
    // It should not run dry before hands are at it once more.
    let once_more = next_round(&rules.site, next_round(&rules.site, round.at));
    let dry = tank.empty_at.is_some_and(|(_, early, _)| early < once_more);
    Tank { now: tank.clone(), takes, due: low || dry, done: Vec::new() }
}

/// Files a line of the journal where it belongs, if it was done on this round.
fn file(rules: &Rules, sheet: &mut RoundSheet, line: &JournalLine) {
    let at = line.entry.at.unwrap_or(line.at);
    let counts = line.refused.is_none() && line.struck_by.is_none();
    if !counts || at < sheet.round.from || matches!(line.entry.did, Did::Strike { .. }) {
        return;
    }
    let done = |words: String| Done { numbers: vec![line.number], at, by: line.entry.by.clone(), words };
    let what = formatted::done(rules, &line.entry.did);
    if let Did::Refill { reservoir, .. } = &line.entry.did {
        let only = sheet.tanks.len() == 1;
        let tank = sheet.tanks.iter_mut().find(|tank| reservoir.as_ref().map_or(only, |id| *id == tank.now.id));
        match tank {
            Some(tank) => tank.done.push(done(format!("{} {what}", tank.now.name))),
            None => sheet.elsewhere.push(done(formatted::done_to(rules, &line.entry.did))),
        }
        return;
    }
    let (tray, place) = subject(&line.entry.did);
    let rack = sheet.racks.iter_mut().find(|rack| match (tray, place) {
        (Some(tray), _) => rack.trays.iter().any(|known| known == tray),
        (None, Some(place)) => rack.id == place,
        (None, None) => false,
    });
    match rack {
        Some(rack) => {
            let name = tray.unwrap_or("every tray");
            join(&mut rack.done, done(String::new()), name, &what);
        }
        None => sheet.elsewhere.push(done(formatted::done_to(rules, &line.entry.did))),
    }
}

/// One line for what was done alike at one go: "K12 and K13 watered, 118 mL a tray".
fn join(all: &mut Vec<Done>, mut done: Done, name: &str, what: &str) {
    if let Some(last) = all.last_mut()
        && last.by == done.by
        && (done.at - last.at).abs() < ONE_GO
        && let Some(names) = last.words.strip_suffix(what)
        && !twice(names, name)
    {
        let names = names.trim_end().replace(" and ", ", ");
        last.words = format!("{names} and {name} {what}");
        last.numbers.append(&mut done.numbers);
        return;
    }
    done.words = format!("{name} {what}");
    all.push(done);
}

/// Whether a line names this one already: what was done to it twice stands there twice.
fn twice(names: &str, name: &str) -> bool {
    names.trim_end().split(" and ").flat_map(|names| names.split(", ")).any(|known| known == name)
}

/// The tray or the place that an entry is about.
fn subject(did: &Did) -> (Option<&str>, Option<&str>) {
    match did {
        Did::Sow(sowing) => (Some(&sowing.tray), None),
        Did::Unweight(target)
        | Did::Uncover(target)
        | Did::Light(target)
        | Did::Mist(target)
        | Did::Water { target, .. }
        | Did::Look { target, .. } => (target.tray.as_deref(), target.place.as_deref()),
        Did::Move { tray, .. } | Did::Harvest { tray, .. } | Did::Discard { tray, .. } => (Some(tray), None),
        Did::Note { tray, .. } => (tray.as_deref(), None),
        Did::Refill { .. } | Did::Strike { .. } => (None, None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::{at, journal, rules};
    use crate::engine::Engine;
    use crate::engine::event::{Event, What};
    use std::sync::Arc;

    /// The sheet at a local moment of the invented room, after these entries.
    fn sheet_at(now: &str, entries: &[(&str, &str)]) -> RoundSheet {
        let rules = rules();
        let lines = journal(entries);
        let first = lines.first().map_or(at(now), |line| line.at);
        let mut engine = Engine::new(Arc::new(rules.clone()), first);
        for line in &lines {
            let what = What::Journal { number: line.number, entry: line.entry.clone() };
            engine.handle(Event { at: line.at, what });
        }
        engine.handle(Event { at: at(now), what: What::Tick });
        sheet(&rules, &engine.snapshot(), &lines)
    }

    /// "water K1,K2" for every line of the first rack.
    fn lines(sheet: &RoundSheet) -> Vec<String> {
        let formatted = |line: &TaskLine| {
            let names: Vec<&str> = line.trays.iter().map(|on| on.name.as_str()).collect();
            format!("{} {}", line.task.word(), names.join(","))
        };
        sheet.racks.first().map_or_else(Vec::new, |rack| rack.lines.iter().map(formatted).collect())
    }

    const SOWN: [(&str, &str); 3] = [
        ("2026-03-01 14:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
        ("2026-03-01 14:01", r#"{"did":"sow","tray":"K2","place":"rack-a","crop":"broccoli"}"#),
        ("2026-03-05 14:00", r#"{"did":"uncover","tray":"K1"}"#),
    ];

    #[test]
    fn the_round_at_hand_is_the_nearest_and_its_sheet_reaches_halfway() {
        let site = rules().site;
        // Rounds at 07:00 and 19:00 in Chicago, which is six hours behind in March.
        let round = Round::at_hand(&site, at("2026-03-03 18:30"));
        assert_eq!(
            (round.at, round.from, round.until),
            (at("2026-03-03 13:00"), at("2026-03-03 07:00"), at("2026-03-03 19:00"))
        );
        assert_eq!(Round::at_hand(&site, at("2026-03-03 19:30")).at, at("2026-03-04 01:00"));
    }

    #[test]
    fn each_stage_wants_its_own_and_what_is_late_says_since_when() {
        // A day after the plan K2 still stands under its cover by the log.
        let sheet = sheet_at("2026-03-06 13:00", &SOWN);
        assert_eq!(lines(&sheet), ["uncover K2", "water K1"]);
        assert!(sheet.racks[0].lines[0].trays[0].overdue.is_some());
        // Under the weight nothing is due but a look, when nobody had a hand on it for long.
        assert_eq!(lines(&sheet_at("2026-03-02 01:00", &SOWN[..1])), [""; 0]);
        assert_eq!(lines(&sheet_at("2026-03-02 13:00", &SOWN[..1])), ["look K1"]);
        assert_eq!(lines(&sheet_at("2026-03-04 13:00", &SOWN[..1])), ["unweight K1"]);
    }

    #[test]
    fn what_was_watered_on_this_round_is_done_and_alike_ticks_are_one_line() {
        let mut entries = SOWN.to_vec();
        entries.push(("2026-03-05 14:01", r#"{"did":"uncover","tray":"K2"}"#));
        assert_eq!(lines(&sheet_at("2026-03-06 13:00", &entries)), ["water K1,K2"]);
        entries.push(("2026-03-06 13:05", r#"{"did":"water","tray":"K1","ml_per_tray":100}"#));
        entries.push(("2026-03-06 13:05", r#"{"did":"water","tray":"K2","ml_per_tray":100}"#));
        let sheet = sheet_at("2026-03-06 13:10", &entries);
        assert_eq!(lines(&sheet), [""; 0]);
        let done = &sheet.racks[0].done;
        assert_eq!((done.len(), done[0].words.as_str()), (1, "K1 and K2 watered, 100 mL a tray"));
        assert_eq!(done[0].numbers.len(), 2);
        // On the next round it is due again, in the amount it usually gets.
        let sheet = sheet_at("2026-03-07 01:00", &entries);
        assert_eq!((lines(&sheet), sheet.racks[0].lines[0].ml), (vec!["water K1,K2".to_owned()], Some(100.0)));
        assert_eq!(sheet.racks[0].done, []);
    }

    #[test]
    fn what_was_done_twice_at_one_go_stands_there_twice() {
        let mut entries = SOWN.to_vec();
        let all = r#"{"did":"water","place":"rack-a","ml_per_tray":100}"#;
        entries.push(("2026-03-06 13:05", all));
        entries.push(("2026-03-06 13:05", all));
        let done: Vec<String> =
            sheet_at("2026-03-06 13:10", &entries).racks[0].done.iter().map(|done| done.words.clone()).collect();
        assert_eq!(done, ["every tray watered, 100 mL a tray", "every tray watered, 100 mL a tray"]);
    }

    #[test]
    fn a_struck_entry_is_not_done_and_what_ended_a_tray_stands_elsewhere() {
        let mut entries = SOWN[..1].to_vec();
        entries.push(("2026-03-12 13:00", r#"{"did":"harvest","tray":"K1","grams":200}"#));
        let sheet = sheet_at("2026-03-12 13:10", &entries);
        assert_eq!((sheet.racks.len(), sheet.elsewhere.len()), (0, 1));
        assert_eq!(sheet.elsewhere[0].words, "K1 cut, 200 g");
    }
}
