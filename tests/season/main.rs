//! Seasons of invented rooms whose truth is known: hundreds of nights through the engine,
//! and one recorded season through engine and store. Physics comes from `demo::room`; what
//! counts as harm is drawn by the seed and knows nothing of the engine's models.

mod asked;
mod drawn;
mod faults;
mod figures;
mod gauge;
mod harm;
mod nights;
mod ordinary;
mod people;
mod plain;
mod recorded;
mod running;
mod table;
mod watched;
mod weather;

use figures::Figures;
use recorded::{Cause, PLANTED};
use std::collections::BTreeSet;
use table::Season;
use traywarden::analysis::lives::lives;
use traywarden::chart::Measure;
use traywarden::engine::alarm::AlarmKind;
use traywarden::report::sheet::html;
use traywarden::report::trace::{sheet, trace};
use traywarden::store::Reader;

/// How many times as many rooms: `SEASONS=10 cargo test --test season -- --nocapture`.
fn seasons() -> u64 {
    std::env::var("SEASONS").map_or(1, |text| text.parse().expect("a whole number"))
}

/// Every room is played once, for all tests.
fn season() -> &'static Season {
    static SEASON: std::sync::OnceLock<Season> = std::sync::OnceLock::new();
    SEASON.get_or_init(|| {
        let season = Season::play(seasons());
        println!("{season}");
        println!("{}", Figures::of(&season));
        if std::env::var("EACH").is_ok() {
            println!("Told too late:\n{}", figures::too_late(&season).join("\n"));
            println!("Forecasts:\n{}", figures::forecasts(&season).join("\n"));
            println!("Chances by hazard:\n{}", figures::calibration_by_hazard(&season).join("\n"));
            println!("Nights with too many letters:\n{}", figures::busy_nights(&season).join("\n"));
            println!("Calls:\n{}", figures::each_call(&season).join("\n"));
        }
        season
    })
}

#[test]
fn the_people_of_a_season_tell_nothing_that_is_refused() {
    assert_eq!(season().refused(), Vec::<String>::new());
}

#[test]
fn a_healthy_year_harms_nothing() {
    let healthy = season().healthy.iter().filter(|room| !room.reported.harms.is_empty());
    let harmed: Vec<String> = healthy.map(|room| format!("seed {}: {:?}", room.seed, room.reported.harms)).collect();
    assert_eq!(harmed, Vec::<String>::new(), "seeds whose healthy room was not healthy");
}

#[test]
fn no_fault_is_missed_that_can_be_seen() {
    assert_eq!(season().missed(), Vec::<String>::new());
}

#[test]
fn there_are_at_most_a_tenth_of_the_letters_of_a_plain_rule() {
    let season = season();
    let (ours, plain) = season.letters();
    assert!(ours * 10 <= plain, "{ours} letters beside {plain}");
}

#[test]
fn half_of_the_letters_come_two_hours_before_harm() {
    use AlarmKind::{AirTooDamp, Condensation, DryOut, MoldPressure, ReservoirEmpty, ReservoirLeak, ReservoirLow};
    for (what, kinds) in [
        ("dry-out", &[DryOut][..]),
        ("mold", &[AirTooDamp, MoldPressure, Condensation]),
        ("reservoir", &[ReservoirLow, ReservoirLeak, ReservoirEmpty]),
    ] {
        let lead = season().median_lead(kinds).unwrap_or_else(|| panic!("{what} did no harm in any room"));
        assert!(lead >= 2.0, "{what}: {lead:.1} h");
    }
}

/// Bounds of the table that do not hold yet, by the figure's words. Whoever makes one hold
/// takes it off this list: from then on it is asserted.
const NOT_YET: &[&str] = &[
    "false alarm ratio",
    "came true when given a chance of 0.4 to 0.6",
    "came true when given a chance of 0.6 to 0.8",
    "hours until a leak of 1 L/h is told, at 1.2 mm",
    "truths inside the forecast of an empty tank",
];

#[test]
fn every_figure_is_as_it_must_be() {
    let figures = Figures::of(season());
    let open = |figure: &str| NOT_YET.contains(&figure);
    let broken = figures.rows.iter().filter(|row| row.holds == Some(false) && !open(&row.figure));
    let broken: Vec<String> =
        broken.map(|row| format!("{}: must be {}, is {}", row.figure, row.must_be, row.is)).collect();
    let now_held: Vec<&String> =
        figures.rows.iter().filter(|row| row.holds == Some(true) && open(&row.figure)).map(|row| &row.figure).collect();
    println!("hold now, though they are on the list of those that do not: {now_held:?}");
    assert_eq!(broken, Vec::<String>::new());
}

/// Kinds of nights that do not go right yet with the default seed; see [`NOT_YET`].
const NIGHTS_NOT_YET: &[&str] = &[
    "air cooler dead in thirty-four hours of heat",
    "heater out an hour after everybody sleeps",
    "heater out on a freezing night",
    "heater out while one rack is blind",
    "heater out, and later a leak",
    "tank not filled, dry by the evening",
    "three damp days without a dehumidifier",
];

/// `NIGHTS=3 SEED=7 cargo test --test season nights -- --nocapture` plays three fresh seeds of
/// every kind and asserts nothing less; `NIGHT="broker restarts"` only one kind.
#[test]
fn held_out_nights_go_right() {
    let number = |name: &str| std::env::var(name).ok().map(|text| text.parse::<u64>().expect("a whole number"));
    let (seeds, first) = (number("NIGHTS"), number("SEED").unwrap_or(0));
    let played = nights::play_all(first..first + seeds.unwrap_or(1));
    let right = played.iter().filter(|(.., wrong)| wrong.is_empty()).count();
    for (name, seed, wrong) in played.iter().filter(|(.., wrong)| !wrong.is_empty()) {
        println!("{name}, seed {seed}: {}", wrong.join("; "));
    }
    println!("{right} of {} nights right", played.len());
    let known = |name: &str| seeds.is_none() && NIGHTS_NOT_YET.contains(&name);
    let wrong: Vec<String> = played
        .iter()
        .filter(|(name, _, wrong)| !wrong.is_empty() && !known(name))
        .map(|(name, seed, wrong)| format!("{name}, seed {seed}: {}", wrong.join("; ")))
        .collect();
    assert_eq!(wrong, Vec::<String>::new());
}

/// `NIGHT="router restarts in the evening" SEED=3 cargo test --test season one_night -- --nocapture`
/// prints every letter of a night, or of a fault of the season, with its time and subject;
/// `WHOLE=1` the whole letters.
#[test]
fn one_night_is_read_letter_by_letter() {
    let name = std::env::var("NIGHT").unwrap_or_else(|_| "heater out on a freezing night".into());
    let seed = std::env::var("SEED").map_or(0, |text| text.parse().expect("a whole number"));
    let read = nights::read(&name, seed);
    println!("{read}");
    assert!(read.contains("truth") || read.contains("Digest"), "{read}");
}

/// `SEASON_STORE=/tmp/season cargo test --test season -- written_to_a_folder`
#[test]
fn the_season_can_be_written_to_a_folder_to_look_at() {
    let temporary = tempfile::tempdir().expect("a folder");
    let folder = std::env::var("SEASON_STORE").map_or(temporary.path().to_owned(), Into::into);
    recorded::write(&recorded::season(), &folder);
    assert!(folder.join("traywarden.db").metadata().is_ok_and(|file| file.len() > 1_000_000));
}

#[test]
fn the_planted_causes_are_in_the_truth_and_in_no_healthy_tray() {
    let season = recorded::season();
    let damp = recorded::longest_damp(&season);
    assert_eq!(damp.len(), 40, "trays that grew");
    let by_air = |tray: &str| {
        let air = [Cause::FanOut, Cause::StillCorner];
        PLANTED.iter().any(|(molded, cause)| *molded == tray && air.contains(cause))
    };
    for (tray, hours) in &damp {
        assert!(if by_air(tray) { *hours >= 8.0 } else { *hours < 3.0 }, "{tray}: {hours:.1} h, {damp:?}");
    }
    let folder = tempfile::tempdir().expect("a folder");
    recorded::write(&season, folder.path());
    let reader = Reader::open(&folder.path().join("traywarden.db"), &season.config.rules).expect("the store");
    let alarms = reader.alarm_changes(season.story.starts_at).expect("alarms");
    let overdue: BTreeSet<String> = alarms
        .iter()
        .filter(|line| line.key.kind == AlarmKind::StageOverdue)
        .map(|line| line.key.subject.clone())
        .collect();
    let forgotten = PLANTED.iter().find(|(_, cause)| *cause == Cause::ForgottenUnderCover).expect("planted").0;
    assert_eq!(overdue, BTreeSet::from([forgotten.to_owned()]));
}

#[test]
fn the_trace_names_what_was_planted_and_accuses_no_healthy_tray() {
    let season = recorded::season();
    let folder = tempfile::tempdir().expect("a folder");
    recorded::write(&season, folder.path());
    let rules = &season.config.rules;
    let reader = Reader::open(&folder.path().join("traywarden.db"), rules).expect("the store");
    let lives = lives(rules, &reader.journal(season.story.starts_at).expect("the journal"));
    assert_eq!(lives.len(), 40);
    let now = lives.iter().filter_map(|life| life.end.as_ref()).map(|end| end.at).max().expect("trays that ended");
    let mut accused = Vec::new();
    for life in &lives {
        let tray = &life.tray.name;
        let trace = trace(&reader, rules, tray, None, now).expect("a trace");
        let first = trace.differences.join(" ");
        match PLANTED.iter().find(|(molded, _)| molded == tray) {
            Some((_, cause)) => {
                let words = match cause {
                    Cause::FanOut | Cause::StillCorner => "85 % and more",
                    Cause::ForgottenUnderCover => "cover stayed on",
                    Cause::MistedLate => "wet from misting",
                };
                assert!(first.contains(words), "{tray}, {cause:?}: {:?}", trace.differences);
                let sheet = sheet(&reader, rules, &lives, &trace, now).expect("the store").expect("it lived");
                let panels: Vec<_> = sheet.chart.panels.iter().map(|panel| panel.measure).collect();
                assert_eq!(panels, [Measure::Temperature, Measure::Humidity, Measure::MoldPressure], "{tray}");
                assert!(sheet.chart.panels[1].peers.is_some(), "{tray}: the sisters are drawn behind");
                let page = html(&sheet).expect("a page");
                for wanted in [&trace.differences[0], "When it likely began", "Beside its healthy sisters"] {
                    assert!(page.contains(wanted), "{tray}: {wanted} is not on the sheet");
                }
                let onset = trace.onset.expect("mold was seen");
                assert!(onset.from < onset.until && onset.until < onset.seen_at, "{tray}");
                assert!(!onset.events.is_empty(), "{tray}: nothing fell into the window");
            }
            None if first.is_empty() => {}
            None => accused.push(format!("{tray}: {first}")),
        }
    }
    assert_eq!(accused, Vec::<String>::new());
}
