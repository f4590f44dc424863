//! Why an entry or an answer was not taken, in a sentence that says what to do.

use crate::engine::event::{Amount, CommandRefusal, EntryRefusal};
use crate::units::{UnitSystem, tenths};

/// Why a journal entry was not taken.
pub(super) fn entry(refusal: &EntryRefusal, units: UnitSystem) -> String {
    match refusal {
        EntryRefusal::NotThereToStrike { entry } => format!(
            "There is no entry {entry} that could be struck out: it was never taken, was struck before, \
             or is itself a strike. `traywarden log --list` shows the numbers."
        ),
        EntryRefusal::NoName => "A tray needs a name, such as tray=K12.".to_owned(),
        EntryRefusal::GrowingAlready { tray } => format!(
            "A tray called \"{tray}\" is growing already; harvest or discard it first, or give this one another name."
        ),
        EntryRefusal::Count { count } => format!("The count of trays must be between 1 and 10000, not {count}."),
        EntryRefusal::GramsTwice => "Give grams (all trays together) or grams_per_tray, not both.".to_owned(),
        EntryRefusal::BeforeItWasSown { tray } => {
            format!("That would be before tray \"{tray}\" was sown; check the time of the entry.")
        }
        EntryRefusal::Ended { tray } => format!(
            "Tray \"{tray}\" has been harvested or discarded already; if that was a slip, strike that entry out."
        ),
        EntryRefusal::NoSuchTray { tray, near } => {
            let remedy = did_you_mean(near, "; sow it first, or see `traywarden trays`.");
            format!("There is no tray called \"{tray}\"{remedy}")
        }
        EntryRefusal::NoSuchPlace { place, near, known } => {
            let remedy = did_you_mean(near, &format!("; there are: {}.", known.join(", ")));
            format!("There is no place called \"{place}\" in the config{remedy}")
        }
        EntryRefusal::NoSuchReservoir { reservoir, near } => {
            format!("There is no reservoir called \"{reservoir}\"{}", did_you_mean(near, " in the config."))
        }
        EntryRefusal::CropMistyped { crop, near } => format!(
            "There is no crop \"{crop}\"; did you mean {near}? If it is another crop, add it as [[crop]] in the config."
        ),
        EntryRefusal::NoCrop => {
            "A sowing needs a crop (crop=broccoli) or a blend (blend=broccoli,kale,radish seed_grams=24).".to_owned()
        }
        EntryRefusal::CropAndBlend => "A sowing has a crop or a blend, not both; leave one out.".to_owned(),
        EntryRefusal::BlendAndTotal { kinds, total } => format!(
            "The kinds of the blend add up to {} g, but seed_grams says {} g; correct one, or give shares, \
             such as blend=broccoli:2,kale:1 seed_grams={1}.",
            tenths(*kinds),
            tenths(*total)
        ),
        EntryRefusal::InTheFuture => "The time of the entry lies in the future; log it when it is done.".to_owned(),
        EntryRefusal::TooLongAgo { days, most } => {
            format!("The time of the entry lies {days} days back; the journal takes the last {most}. Check the year.")
        }
        EntryRefusal::NotPositive { amount, value } => {
            format!("{} must be more than zero, not {value}.", called(*amount))
        }
        EntryRefusal::TooMuch { amount, value, most } => format!(
            "{}: {} cannot be, {} is the most; {}.",
            called(*amount),
            measured(*amount, *value, units),
            measured(*amount, *most, units),
            remedy(*amount, units)
        ),
    }
}

/// Why an answer to an alarm changed nothing.
pub(super) fn command(refusal: &CommandRefusal) -> String {
    match refusal {
        CommandRefusal::NoSuchAlarm { alarm } => {
            format!("There is no alarm {} now; `alarms` lists those there are.", alarm.id())
        }
        CommandRefusal::ShelfEnd => {
            "An alarm can be shelved for 24 hours at most, and its end must lie ahead.".to_owned()
        }
        CommandRefusal::AlreadySo { alarm, state } => {
            format!("Alarm {} is {} already; nothing changed.", alarm.id(), state.word())
        }
    }
}

/// Why an entry for another site was not taken. `ours` and `theirs` as they stand in topics.
pub(super) fn of_another_site(ours: &str, theirs: &str) -> String {
    format!(
        "Nothing was taken: this watch is of the site \"{ours}\", and nobody watches \"{theirs}\" on this broker now. \
         Publish to traywarden/{ours}/journal."
    )
}

fn did_you_mean(near: &Option<String>, otherwise: &str) -> String {
    near.as_ref().map_or_else(|| otherwise.to_owned(), |near| format!("; did you mean \"{near}\"?"))
}

fn called(amount: Amount) -> &'static str {
    match amount {
        Amount::WaterForATray => "Water for one tray",
        Amount::Refill { .. } => "A refill",
        Amount::Seed => "Seed of one tray",
        Amount::Cut { .. } => "The weight cut",
        Amount::CutOfEach { .. } => "The weight cut of one tray",
        Amount::Share => "The share of the tray affected",
    }
}

/// An amount as the grower reads amounts. Seed is grams everywhere: scales for seed show them.
fn measured(amount: Amount, value: f64, units: UnitSystem) -> String {
    match amount {
        Amount::WaterForATray => units.pour(value),
        Amount::Refill { .. } => {
            let (shown, unit) = units.volume(value);
            format!("{} {unit}", tenths(shown))
        }
        Amount::Seed => format!("{} g", tenths(value)),
        Amount::Cut { .. } | Amount::CutOfEach { .. } => units.weight(value),
        Amount::Share => format!("{} %", tenths(value)),
    }
}

fn remedy(amount: Amount, units: UnitSystem) -> String {
    match amount {
        Amount::WaterForATray => {
            "a standard tray overflows before that; what goes into the tank is a refill".to_owned()
        }
        Amount::Refill { holds } => format!("the tank holds {}", measured(amount, holds, units)),
        Amount::Seed => "give the seed of one tray; count says how many there are".to_owned(),
        Amount::Cut { trays } | Amount::CutOfEach { trays } => {
            format!("weigh again; grams are of all {trays} trays together, grams_per_tray of one")
        }
        Amount::Share => "it is in per cent".to_owned(),
    }
}
