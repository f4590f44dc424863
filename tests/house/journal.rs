//! The journal: what each entry changes, what a strike undoes, what is refused and in
//! which words.

use chrono::TimeDelta;
use traywarden::engine::Engine;
use traywarden::engine::event::EntryNote;
use traywarden::engine::letters::digest::{WaterDue, mist_due, water_due, week_of_losses};
use traywarden::engine::rules::{PlaceId, Rules};
use traywarden::engine::watch::trays::Trays;
use traywarden::engine::watch::trays::tray::{Stage, Tray};
use traywarden::journal::{Entry, Loss};
use traywarden::units::{Timestamp, UnitSystem};

const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[broker]
url = "mqtt://127.0.0.1:1883"
[mail]
from = "warden@saltmarsh.example"
to = ["grower@saltmarsh.example"]
folder = "letters"
[[place]]
id = "rack-a"
[[place]]
id = "rack-b"
[[reservoir]]
id = "tank"
feeds = ["rack-b"]
topic = "loft/tank"
reads = { what = "depth", unit = "mm" }
shape = { kind = "box", length = "400 mm", width = "300 mm", height = "300 mm" }
"#;

/// What a room of two racks obeys, one of them watered by a pump.
pub fn rules() -> Rules {
    traywarden::config::parse(ROOM, "room.toml", std::path::Path::new("/")).expect("the room is right").rules
}

/// A journal that entries are told to, an hour apart unless they say when.
struct Room {
    rules: Rules,
    trays: Trays,
    now: Timestamp,
    number: i64,
}

impl Room {
    fn new() -> Room {
        let rules = rules();
        Room { rules, trays: Trays::default(), now: at("2026-03-02T08:00:00Z"), number: 0 }
    }

    fn reported(&mut self, entry: &str) -> Result<Vec<EntryNote>, String> {
        self.number += 1;
        self.now += TimeDelta::hours(1);
        let entry: Entry = serde_json::from_str(entry).unwrap_or_else(|error| panic!("{entry}: {error}"));
        let taken = self.trays.take(&self.rules, self.now, self.number, &entry);
        taken
            .map(|(notes, _)| notes)
            .map_err(|why| traywarden::notify::wording::entry_refused(&why, UnitSystem::Metric))
    }

    fn with(entries: &[&str]) -> Room {
        let mut room = Room::new();
        for entry in entries {
            room.reported(entry).unwrap_or_else(|why| panic!("{entry}: {why}"));
        }
        room
    }

    fn refuses(&mut self, entry: &str) -> String {
        let before = format!("{:?}", self.trays);
        let why = self.reported(entry).expect_err(entry);
        assert_eq!(before, format!("{:?}", self.trays), "a refusal changes nothing: {entry}");
        why
    }

    fn k12(&self) -> &Tray {
        self.trays.get("K12").expect("K12 grows")
    }
}

fn at(text: &str) -> Timestamp {
    text.parse().expect("a time")
}

const SOW: &str = r#"{"did":"sow","tray":"K12","place":"rack-a","crop":"broccoli","count":4,"seed_grams":24}"#;
const UNWEIGHT: &str = r#"{"did":"unweight","tray":"K12"}"#;
const UNCOVER: &str = r#"{"did":"uncover","tray":"K12"}"#;
const MOVE: &str = r#"{"did":"move","tray":"K12","place":"rack-b"}"#;
const WATER: &str = r#"{"did":"water","place":"rack-a","ml_per_tray":118}"#;
const CUT: &str = r#"{"did":"harvest","tray":"K12","grams_per_tray":424}"#;

fn strike(entry: i64) -> String {
    format!(r#"{{"did":"strike","entry":{entry}}}"#)
}

#[test]
fn a_struck_uncovering_puts_the_cover_back() {
    let mut room = Room::with(&[SOW, UNWEIGHT, UNCOVER]);
    assert_eq!(room.k12().stage(room.now), Stage::Light);
    assert_eq!(room.reported(&strike(3)), Ok(Vec::new()));
    assert_eq!(room.k12().stage(room.now), Stage::Blackout);
    room.reported(&strike(2)).expect("it can be struck");
    assert_eq!(room.k12().stage(room.now), Stage::Germination);
}

#[test]
fn a_struck_move_puts_the_tray_back() {
    let mut room = Room::with(&[SOW, MOVE]);
    assert_eq!(room.k12().place, PlaceId(1));
    room.reported(&strike(2)).expect("it can be struck");
    assert_eq!(room.k12().place, PlaceId(0));
}

#[test]
fn a_struck_harvest_brings_the_tray_back_and_takes_the_grams_away() {
    let mut room = Room::with(&[SOW, UNCOVER, CUT]);
    assert!(room.trays.get("K12").is_none());
    assert_eq!(room.trays.cuts()[0].grams, Some(1696.0), "four trays at 424 g");
    room.reported(&strike(3)).expect("it can be struck");
    assert_eq!(room.k12().stage(room.now), Stage::Light);
    assert!(room.trays.cuts().is_empty());
    room.reported(CUT).expect("it can be cut again");
}

#[test]
fn a_struck_discard_brings_the_tray_back_and_is_no_loss() {
    let mut room = Room::with(&[SOW, r#"{"did":"discard","tray":"K12","reason":"mold","share":30}"#]);
    assert_eq!(week_of_losses(room.trays.losses(), room.now), [(Loss::Mold, 4)]);
    room.reported(&strike(2)).expect("it can be struck");
    assert_eq!(room.k12().count, 4);
    assert!(room.trays.losses().is_empty());
}

#[test]
fn a_struck_sowing_takes_with_it_what_made_sense_only_after_it() {
    let mut room = Room::with(&[SOW, UNWEIGHT, WATER, CUT]);
    assert_eq!(room.reported(&strike(1)), Ok(vec![EntryNote::FellWithIt { entries: vec![2, 4] }]));
    assert!(room.trays.get("K12").is_none() && room.trays.cuts().is_empty() && !room.trays.any_sown());
    assert!(room.refuses(UNCOVER).starts_with("There is no tray called \"K12\""));
    assert!(room.refuses(&strike(1)).starts_with("There is no entry 1 that could be struck out"));
}

#[test]
fn what_cannot_be_is_refused_with_the_remedy_and_changes_nothing() {
    let mut room = Room::with(&[SOW]);
    for (entry, why) in [
        (r#"{"did":"uncover","tray":"k12"}"#, "There is no tray called \"k12\"; did you mean \"K12\"?"),
        (
            r#"{"did":"harvest","tray":"Z9","grams":100}"#,
            "There is no tray called \"Z9\"; sow it first, or see `traywarden trays`.",
        ),
        (
            r#"{"did":"look","place":"rack-c"}"#,
            "There is no place called \"rack-c\" in the config; did you mean \"rack-a\"?",
        ),
        (
            r#"{"did":"move","tray":"K12","place":"garage"}"#,
            "There is no place called \"garage\" in the config; there are: rack-a, rack-b.",
        ),
        (r#"{"did":"harvest","tray":"K12","grams":-3}"#, "The weight cut must be more than zero, not -3."),
        (
            r#"{"did":"harvest","tray":"K12","grams":50000}"#,
            "The weight cut: 50 kg cannot be, 20 kg is the most; weigh again; grams are of all 4 trays together, grams_per_tray of one.",
        ),
        (
            r#"{"did":"harvest","tray":"K12","grams":1700,"grams_per_tray":424}"#,
            "Give grams (all trays together) or grams_per_tray, not both.",
        ),
        (
            r#"{"did":"harvest","tray":"K12","at":"2026-03-01T08:00:00Z"}"#,
            "That would be before tray \"K12\" was sown; check the time of the entry.",
        ),
        (
            r#"{"did":"water","tray":"K12","ml_per_tray":50000}"#,
            "Water for one tray: 50000 mL cannot be, 5000 mL is the most; a standard tray overflows before that; what goes into the tank is a refill.",
        ),
        (
            r#"{"did":"discard","tray":"K12","share":120}"#,
            "The share of the tray affected: 120 % cannot be, 100 % is the most; it is in per cent.",
        ),
        (r#"{"did":"refill","litres":200}"#, "A refill: 200 L cannot be, 43.2 L is the most; the tank holds 36 L."),
        (
            r#"{"did":"refill","reservoir":"tnak","litres":2}"#,
            "There is no reservoir called \"tnak\"; did you mean \"tank\"?",
        ),
        (r#"{"did":"note","tray":"K13","text":"pale"}"#, "There is no tray called \"K13\"; did you mean \"K12\"?"),
        (
            r#"{"did":"sow","tray":"K13","place":"rack-a","crop":"kale","count":0}"#,
            "The count of trays must be between 1 and 10000, not 0.",
        ),
        (
            r#"{"did":"sow","tray":"K12","place":"rack-a","crop":"kale"}"#,
            "A tray called \"K12\" is growing already; harvest or discard it first, or give this one another name.",
        ),
        (
            r#"{"did":"sow","tray":"K13","place":"rack-a","crop":"kale","seed_grams":24000}"#,
            "Seed of one tray: 24000 g cannot be, 2000 g is the most; give the seed of one tray; count says how many there are.",
        ),
        (
            r#"{"did":"look","tray":"K12","at":"2026-03-09T08:00:00Z"}"#,
            "The time of the entry lies in the future; log it when it is done.",
        ),
        (
            r#"{"did":"look","tray":"K12","at":"2025-03-02T08:00:00Z"}"#,
            "The time of the entry lies 365 days back; the journal takes the last 300. Check the year.",
        ),
    ] {
        assert_eq!(room.refuses(entry), why);
    }
    room.reported(CUT).expect("it can be cut");
    assert_eq!(
        room.refuses(CUT),
        "Tray \"K12\" has been harvested or discarded already; if that was a slip, strike that entry out."
    );
    assert_eq!(
        room.refuses(r#"{"did":"uncover","tray":"k12"}"#),
        "Tray \"K12\" has been harvested or discarded already; if that was a slip, strike that entry out.",
        "names are known in any case, also of what is gone"
    );
}

#[test]
fn what_was_done_before_or_finds_no_tray_is_a_note_and_no_refusal() {
    let mut room = Room::with(&[SOW, UNCOVER]);
    let uncovered = room.k12().light_at;
    assert_eq!(room.reported(UNCOVER), Ok(vec![EntryNote::DoneBefore { tray: "K12".into(), stage: Stage::Light }]));
    assert_eq!(room.k12().light_at, uncovered, "the first time stands");
    let empty = room.reported(r#"{"did":"look","place":"rack-b"}"#);
    assert_eq!(empty, Ok(vec![EntryNote::NoTrayThere { place: Some("rack-b".into()) }]));
}

#[test]
fn an_entry_about_the_past_counts_from_then() {
    let mut room = Room::with(&[SOW]);
    room.reported(r#"{"did":"uncover","tray":"K12","at":"2026-03-02T09:30:00Z"}"#).expect("the past is fine");
    assert_eq!(room.k12().light_at, Some(at("2026-03-02T09:30:00Z")));
}

#[test]
fn waterings_of_a_day_are_told_for_trays_that_hands_water() {
    // Common practice, no source: 118 mL twice a day from below.
    let mut room = Room::with(&[SOW, UNCOVER]);
    let usual = WaterDue { trays: 4, ml_each: Some(118.0), litres: 0.944 };
    assert_eq!(water_due(&room.rules, &room.trays, room.now), Some(usual));
    room.reported(r#"{"did":"water","tray":"K12","ml":150}"#).expect("taken");
    let own = WaterDue { trays: 4, ml_each: Some(150.0), litres: 1.2 };
    assert_eq!(water_due(&room.rules, &room.trays, room.now), Some(own));
}

#[test]
fn a_tray_that_the_pump_waters_wants_none_by_hand_until_a_watering_is_logged() {
    let mut room = Room::with(&[SOW, UNCOVER, MOVE]);
    assert_eq!(water_due(&room.rules, &room.trays, room.now), None);
    room.reported(r#"{"did":"water","place":"rack-b"}"#).expect("taken");
    assert_eq!(water_due(&room.rules, &room.trays, room.now).map(|due| due.trays), Some(4));
}

#[test]
fn covered_trays_that_are_misted_are_counted_and_others_not() {
    let mut room = Room::with(&[SOW]);
    assert_eq!(mist_due(&room.trays, room.now), 0);
    room.reported(r#"{"did":"mist","tray":"K12"}"#).expect("taken");
    assert_eq!(mist_due(&room.trays, room.now), 4);
    room.reported(UNCOVER).expect("taken");
    assert_eq!(mist_due(&room.trays, room.now), 0);
}

#[test]
fn losses_older_than_a_week_are_told_no_more() {
    let room = Room::with(&[SOW, r#"{"did":"discard","tray":"K12","reason":"dry"}"#]);
    assert_eq!(week_of_losses(room.trays.losses(), room.now + TimeDelta::days(6)), [(Loss::Dry, 4)]);
    assert_eq!(week_of_losses(room.trays.losses(), room.now + TimeDelta::days(8)), []);
}

#[test]
fn an_engine_that_begins_later_remembers_what_was_told_long_before() {
    let now = at("2027-05-01T08:00:00Z");
    let mut engine = Engine::new(std::sync::Arc::new(rules()), now);
    let reported = |text: &str| serde_json::from_str::<Entry>(text).expect("an entry");
    engine.remember(at("2026-03-02T08:00:00Z"), 1, &reported(SOW));
    engine.remember(at("2026-03-13T08:00:00Z"), 2, &reported(CUT));
    engine.remember(at("2027-04-20T08:00:00Z"), 3, &reported(SOW));
    assert_eq!(engine.trays().cuts().iter().map(|cut| cut.grams).collect::<Vec<_>>(), [Some(1696.0)]);
    assert_eq!(engine.trays().get("K12").map(|tray| tray.day(now)), Some(11));
    assert!(engine.digest_facts(false).cuts.is_empty(), "it was in a digest of its own day");
}
