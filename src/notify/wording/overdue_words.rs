//! What is said of trays that stayed longer in a stage than their plan has it: of one, and of
//! several in one breath.

use super::crop_words::standing;
use super::sentences::{AlarmWords, short};
use super::speech::{Speech, list, uncapital};
use crate::engine::alarm::{AlarmChange, Evidence};
use crate::engine::watch::trays::tray::Stage;
use crate::units::Timestamp;

/// More than this of names in one order, and the rest is counted.
const NAMED: usize = 8;
/// The same in a headline, which is also a subject line.
const NAMED_IN_HEADLINE: usize = 2;

/// One tray whose stage should have ended.
#[derive(Clone, Copy)]
pub(super) struct Overdue<'a> {
    pub(super) tray: &'a str,
    pub(super) place: &'a str,
    pub(super) crop: &'a str,
    pub(super) stage: Stage,
    pub(super) due: Timestamp,
}

/// What is said of one tray.
pub(super) fn words(speech: &Speech, one: &Overdue<'_>) -> AlarmWords {
    AlarmWords {
        headline: format!("{} overdue: {}", short(one.tray), task(one.stage)),
        figures: format!(" ({})", short(one.place)),
        name: format!("{} overdue", short(one.tray)),
        action: order(&[*one]),
        what: what(&[*one], speech),
        state: "Overdue",
        harm: harm(one.stage),
        over: format!("{} has moved on.", one.tray),
        ..AlarmWords::default()
    }
}

/// What to do with several, those that want the same hand together.
pub(super) fn action_of_several(alarms: &[&AlarmChange]) -> String {
    let groups = by(&overdue(alarms), |one| task(one.stage));
    let orders = groups.iter().enumerate().map(|(nth, alike)| match nth {
        0 => order(alike),
        _ => uncapital(&order(alike)),
    });
    orders.collect::<Vec<_>>().join("; ")
}

/// What holds of several, those with one hour in one sentence.
pub(super) fn what_of_several(alarms: &[&AlarmChange], speech: &Speech) -> Option<String> {
    let trays = overdue(alarms);
    (trays.len() > 1).then(|| what(&trays, speech))
}

/// "A4, B4 and 4 more overdue: uncover".
pub(super) fn headline_of_several(alarms: &[&AlarmChange]) -> Option<String> {
    let trays = overdue(alarms);
    let name = name_of_several(alarms)?;
    let first = task(trays.first()?.stage);
    Some(if trays.iter().all(|one| task(one.stage) == first) { format!("{name}: {first}") } else { name })
}

/// "A4, B4 and 4 more overdue".
pub(super) fn name_of_several(alarms: &[&AlarmChange]) -> Option<String> {
    let names: Vec<String> = overdue(alarms).iter().map(|one| short(one.tray)).collect();
    (names.len() > 1).then(|| format!("{} overdue", list(&names, NAMED_IN_HEADLINE)))
}

fn overdue<'a>(alarms: &[&'a AlarmChange]) -> Vec<Overdue<'a>> {
    let one = |change: &&'a AlarmChange| match &change.evidence {
        Evidence::Stage { tray, place, crop, stage, due } => {
            Some(Overdue { tray, place, crop, stage: *stage, due: *due })
        }
        _ => None,
    };
    alarms.iter().filter_map(one).collect()
}

/// Those of one mind together, each group where its first one stood.
fn by<'a, Key: PartialEq>(trays: &[Overdue<'a>], key: impl Fn(&Overdue<'a>) -> Key) -> Vec<Vec<Overdue<'a>>> {
    let mut groups: Vec<Vec<Overdue<'a>>> = Vec::new();
    for one in trays {
        match groups.iter_mut().find(|group| group.first().is_some_and(|first| key(first) == key(one))) {
            Some(group) => group.push(*one),
            None => groups.push(vec![*one]),
        }
    }
    groups
}

fn task(stage: Stage) -> &'static str {
    match stage {
        Stage::Soak => "sow",
        Stage::Germination => "weight off",
        Stage::Blackout => "uncover",
        Stage::Light | Stage::Ready => "cut",
    }
}

fn harm(stage: Stage) -> &'static str {
    match stage {
        Stage::Soak => "seed begins to spoil in the water",
        Stage::Germination => "seedlings bend under the weight",
        Stage::Blackout => "seedlings grow long and pale under the cover",
        Stage::Light | Stage::Ready => "the crop grows past its best",
    }
}

/// What to do with trays that want the same.
fn order(trays: &[Overdue<'_>]) -> String {
    let racks = by(trays, |one| one.place);
    let at_racks: Vec<String> = racks.iter().map(|rack| format!("{} in {}", names(rack), rack[0].place)).collect();
    let at = list(&at_racks, NAMED);
    let them = if trays.len() > 1 { "them" } else { "it" };
    match trays.first().map(|one| one.stage) {
        Some(Stage::Soak) => format!("Drain and sow {}", names(trays)),
        Some(Stage::Germination) => format!("Take the weight off {at}"),
        Some(Stage::Blackout) => format!("Uncover {at} and bring {them} to the light"),
        Some(Stage::Light | Stage::Ready) | None => format!("Look at {at} and cut {them}"),
    }
}

fn names(trays: &[Overdue<'_>]) -> String {
    let names: Vec<String> = trays.iter().map(|one| one.tray.to_owned()).collect();
    list(&names, NAMED)
}

fn what(trays: &[Overdue<'_>], speech: &Speech) -> String {
    let mut said = String::new();
    for alike in by(trays, |one| (standing(one.stage), speech.day_and_clock(one.due))) {
        let each: Vec<String> =
            alike.iter().map(|one| format!("{} ({}, in {})", one.tray, one.crop, one.place)).collect();
        let first = alike[0];
        said.push_str(&format!(
            "{} {} still {}; by the crop table that should have ended {}. ",
            list(&each, NAMED),
            if alike.len() > 1 { "are" } else { "is" },
            standing(first.stage),
            speech.day_and_clock(first.due)
        ));
    }
    said + if trays.len() > 1 { "What is done already, log." } else { "If it is done, log it." }
}
