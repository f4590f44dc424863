//! The life of every tray that was ever sown, told from the journal: where it stood,
//! which stage it was in at any moment, what was done to it, how it ended. The
//! journal is folded by `engine::tray`, whose rules are the only ones; this file keeps
//! what the fold forgets when a tray ends. Yields, the trace and the calendar are made of it.

use crate::engine::event::JournalLine;
use crate::engine::rules::{PlaceId, Rules};
use crate::engine::watch::trays::Trays;
use crate::engine::watch::trays::tray::{Stage, Tray};
use crate::journal::{Did, Entry, Loss, Sowing, cut_in_all};
use crate::units::Timestamp;

/// One sowing and what became of it. A name that is used again is another life.
#[derive(Clone, Debug, PartialEq)]
pub struct Life {
    /// The tray as the engine last knew it: name, count, crop and figures, sowing,
    /// weight and light. For what it was earlier ask [`Life::as_of`].
    pub tray: Tray,
    /// The number of the journal entry that sowed it: with the name it marks this life.
    pub(crate) sown_by: i64,
    /// What was said when it was sown: seed lot, medium, blend.
    pub sowing: Sowing,
    /// Where it stood from when on, ascending; the first is where it was sown.
    pub stood: Vec<(Timestamp, PlaceId)>,
    /// What was done to it, also as one of all trays of a place, ascending by when it
    /// was done; the sowing is the first. Struck and refused entries are not here.
    pub actions: Vec<Action>,
    /// How it ended; `None`: it grows.
    pub end: Option<End>,
}

/// One thing that was done to a tray.
#[derive(Clone, Debug, PartialEq)]
pub struct Action {
    /// The number of the journal entry.
    pub number: i64,
    /// When it was done.
    pub at: Timestamp,
    /// Who says so.
    pub by: Option<String>,
    /// What was done, such as watered or moved.
    pub did: Did,
}

/// How a tray ended.
#[derive(Clone, Debug, PartialEq)]
pub struct End {
    /// When it was cut or thrown away.
    pub at: Timestamp,
    /// The number of the journal entry.
    pub number: i64,
    /// Whether it was cut or thrown away, with what was noted.
    pub fate: TrayFate,
}

/// The two ways a tray ends.
#[derive(Clone, Debug, PartialEq)]
pub enum TrayFate {
    /// It was cut.
    Harvested {
        /// Grams of all its trays together, if weighed.
        grams: Option<f64>,
        /// Taste and quality, in the grower's words.
        note: Option<String>,
    },
    /// It was thrown away.
    Discarded {
        /// What it was lost to, as it was entered.
        reason: Loss,
        /// Share of the tray affected, per cent.
        share: Option<f64>,
        /// What was seen.
        note: Option<String>,
    },
}

impl Life {
    /// The tray as it was at a moment: `stage` and `breathes_room_air` of the result
    /// answer as they did then.
    pub(crate) fn as_of(&self, at: Timestamp) -> Tray {
        let mut tray = self.tray.clone();
        let known = |done: Option<Timestamp>| done.filter(|done| *done <= at);
        tray.unweighted_at = known(tray.unweighted_at);
        tray.light_at = known(tray.light_at);
        tray.place = self.place_at(at);
        let last = |wanted: fn(&Did) -> bool| {
            self.actions.iter().rev().find(|action| action.at <= at && wanted(&action.did)).map(|action| action.at)
        };
        tray.watered_at = last(|did| matches!(did, Did::Water { .. }));
        tray.misted_at = last(|did| matches!(did, Did::Mist(_)));
        tray.looked_at = last(|did| matches!(did, Did::Look { .. } | Did::Mist(_) | Did::Uncover(_) | Did::Light(_)));
        tray
    }

    /// The stage it was in at a moment of its life.
    pub(crate) fn stage_at(&self, at: Timestamp) -> Stage {
        self.as_of(at).stage(at)
    }

    /// Where it stood at a moment of its life.
    pub(crate) fn place_at(&self, at: Timestamp) -> PlaceId {
        self.stood.iter().rev().find(|(from, _)| *from <= at).map_or(self.tray.place, |(_, place)| *place)
    }

    /// Its stays: from when until when (`until` for the last of a tray that grows), and where.
    pub fn stays(&self, until: Timestamp) -> impl Iterator<Item = (Timestamp, Timestamp, PlaceId)> + '_ {
        let ends = self.until(until);
        self.stood.iter().enumerate().map(move |(index, (since, place))| {
            let left = self.stood.get(index + 1).map_or(ends, |(next, _)| *next);
            (*since, left, *place)
        })
    }

    /// When its life ended, or `now` if it grows.
    pub fn until(&self, now: Timestamp) -> Timestamp {
        self.end.as_ref().map_or(now, |end| end.at)
    }

    /// The harvest of all its trays together, grams, if it was cut and weighed.
    pub fn grams(&self) -> Option<f64> {
        match self.end.as_ref()?.fate {
            TrayFate::Harvested { grams, .. } => grams,
            TrayFate::Discarded { .. } => None,
        }
    }
}

/// Every tray that was ever sown, in the order in which the journal was told of them.
/// Refused and struck entries never happened, nor what only made sense after them; an
/// entry about a place that has left the config is passed over.
pub fn lives(rules: &Rules, lines: &[JournalLine]) -> Vec<Life> {
    let mut trays = Trays::default();
    let mut lives: Vec<Life> = Vec::new();
    for line in lines.iter().filter(|line| line.refused.is_none() && line.struck_by.is_none()) {
        let when = line.entry.at.unwrap_or(line.at);
        let meant = meant_by(rules, &trays, &line.entry, when);
        if trays.take(rules, line.at, line.number, &line.entry).is_err() {
            continue;
        }
        if let Did::Sow(sowing) = &line.entry.did {
            lives.extend(trays.get(&sowing.tray).map(|tray| Life {
                tray: tray.clone(),
                sown_by: line.number,
                sowing: sowing.clone(),
                stood: vec![(when, tray.place)],
                actions: Vec::new(),
                end: None,
            }));
        }
        for name in &meant {
            let Some(life) = lives.iter_mut().rev().find(|life| life.tray.name == *name) else { continue };
            if let Some(tray) = trays.get(name) {
                life.tray = tray.clone();
            }
            live_on(life, line, when);
        }
    }
    for life in &mut lives {
        // Told in one order, done in another: the sort keeps the telling's order for equal times.
        life.stood.sort_by_key(|(from, _)| *from);
        life.actions.sort_by_key(|action| action.at);
    }
    lives
}

/// Sowings that were struck out, as they would have begun, and when each was struck: what
/// was told of them elsewhere, as in a calendar, has to be taken back.
pub(crate) fn struck_out(rules: &Rules, lines: &[JournalLine]) -> Vec<(Life, Timestamp)> {
    let struck_at = |line: &JournalLine| lines.iter().find(|by| Some(by.number) == line.struck_by).map(|by| by.at);
    let sowings = lines.iter().filter(|line| line.refused.is_none() && matches!(line.entry.did, Did::Sow(_)));
    sowings
        .filter_map(|line| {
            let struck_at = struck_at(line)?;
            let alone = JournalLine { struck_by: None, ..line.clone() };
            Some((lives(rules, &[alone]).pop()?, struck_at))
        })
        .collect()
}

/// The trays an entry is about, before it changes them.
fn meant_by(rules: &Rules, trays: &Trays, entry: &Entry, when: Timestamp) -> Vec<String> {
    match &entry.did {
        Did::Sow(sowing) => vec![sowing.tray.clone()],
        Did::Unweight(target)
        | Did::Uncover(target)
        | Did::Light(target)
        | Did::Mist(target)
        | Did::Water { target, .. }
        | Did::Look { target, .. } => trays.meant_by(rules, target, when).unwrap_or_default(),
        Did::Move { tray, .. } | Did::Harvest { tray, .. } | Did::Discard { tray, .. } => vec![tray.clone()],
        Did::Note { tray, .. } => tray.iter().cloned().collect(),
        Did::Refill { .. } | Did::Strike { .. } => Vec::new(),
    }
}

fn live_on(life: &mut Life, line: &JournalLine, when: Timestamp) {
    let did = line.entry.did.clone();
    let fate = match &did {
        Did::Move { .. } => {
            life.stood.push((when, life.tray.place));
            None
        }
        Did::Harvest { grams, grams_per_tray, note, .. } => {
            let grams = cut_in_all(*grams, *grams_per_tray, life.tray.count);
            Some(TrayFate::Harvested { grams, note: note.clone() })
        }
        Did::Discard { reason, share, note, .. } => {
            Some(TrayFate::Discarded { reason: *reason, share: *share, note: note.clone() })
        }
        _ => None,
    };
    life.end = life.end.take().or(fate.map(|fate| End { at: when, number: line.number, fate }));
    life.actions.push(Action { number: line.number, at: when, by: line.entry.by.clone(), did });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::{at, journal, rules};

    const SOWN: (&str, &str) =
        ("2026-03-02 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli","count":4}"#);

    fn of(entries: &[(&str, &str)]) -> Vec<Life> {
        lives(&rules(), &journal(entries))
    }

    #[test]
    fn a_life_runs_from_sowing_over_its_places_and_stages_to_the_cut() {
        let all = of(&[
            SOWN,
            ("2026-03-05 08:00", r#"{"did":"unweight","tray":"K1"}"#),
            ("2026-03-06 08:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#),
            ("2026-03-06 09:00", r#"{"did":"uncover","place":"loft"}"#),
            ("2026-03-07 08:00", r#"{"did":"water","place":"rack-a","ml_per_tray":100}"#),
            ("2026-03-07 09:00", r#"{"did":"water","place":"rack-b","ml_per_tray":120}"#),
            ("2026-03-13 08:00", r#"{"did":"harvest","tray":"K1","grams":1400}"#),
        ]);
        let [life] = &all[..] else { panic!("one life, not {}", all.len()) };
        let rules = rules();
        let place = |when| rules.place(life.place_at(at(when))).id.as_str();
        assert_eq!((life.tray.count, life.sown_by, life.grams()), (4, 1, Some(1400.0)));
        assert_eq!((place("2026-03-06 07:59"), place("2026-03-06 08:00")), ("rack-a", "rack-b"));
        assert_eq!(life.stage_at(at("2026-03-04 08:00")), Stage::Germination);
        assert_eq!(life.stage_at(at("2026-03-05 08:00")), Stage::Blackout);
        assert_eq!(life.stage_at(at("2026-03-06 09:00")), Stage::Light);
        // The watering of the rack it had left is no action of its own.
        let numbers: Vec<i64> = life.actions.iter().map(|action| action.number).collect();
        assert_eq!(numbers, [1, 2, 3, 4, 6, 7]);
        assert_eq!(life.as_of(at("2026-03-07 08:30")).watered_at, None);
        assert_eq!(life.until(at("2026-04-01 00:00")), at("2026-03-13 08:00"));
    }

    #[test]
    fn a_name_used_again_is_another_life() {
        let all = of(&[
            SOWN,
            ("2026-03-10 08:00", r#"{"did":"discard","tray":"K1","reason":"mold","share":30}"#),
            ("2026-03-11 08:00", r#"{"did":"sow","tray":"K1","place":"rack-b","crop":"radish"}"#),
            ("2026-03-12 08:00", r#"{"did":"look","tray":"K1"}"#),
        ]);
        assert_eq!(all.len(), 2);
        let lost = TrayFate::Discarded { reason: Loss::Mold, share: Some(30.0), note: None };
        assert_eq!(all[0].end.as_ref().map(|end| &end.fate), Some(&lost));
        assert_eq!((all[0].actions.len(), all[0].tray.crop.as_str()), (2, "broccoli"));
        assert_eq!((all[1].actions.len(), all[1].tray.crop.as_str(), all[1].end.is_none()), (2, "radish", true));
    }

    #[test]
    fn a_struck_entry_never_happened_nor_what_hung_on_it() {
        let all = of(&[
            SOWN,
            ("2026-03-10 08:00", r#"{"did":"harvest","tray":"K1","grams":10}"#),
            ("2026-03-10 08:05", r#"{"did":"strike","entry":2}"#),
            ("2026-03-10 08:10", r#"{"did":"harvest","tray":"K1","grams":1000}"#),
            ("2026-03-10 09:00", r#"{"did":"sow","tray":"K2","place":"rack-b","crop":"radish"}"#),
            ("2026-03-10 09:10", r#"{"did":"look","tray":"K2"}"#),
            ("2026-03-10 09:20", r#"{"did":"strike","entry":5}"#),
        ]);
        assert_eq!(all.len(), 1);
        assert_eq!(all[0].grams(), Some(1000.0));
    }

    #[test]
    fn deeds_stand_in_the_order_they_were_done_not_told() {
        let all = of(&[
            SOWN,
            ("2026-03-07 09:00", r#"{"did":"water","tray":"K1"}"#),
            ("2026-03-07 10:00", r#"{"did":"look","tray":"K1","at":"2026-03-06T10:00:00Z"}"#),
        ]);
        let numbers: Vec<i64> = all[0].actions.iter().map(|action| action.number).collect();
        assert_eq!(numbers, [1, 3, 2]);
    }
}
