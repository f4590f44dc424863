//! From what was ticked to what the journal is told. Pure: fields in, entries or a command
//! out, and a sentence where that cannot be. The daemon decides whether it takes them.

use super::round::{Rack, Task};
use crate::engine::alarm::AlarmKey;
use crate::engine::event::{Command, Grade};
use crate::engine::letters::snapshot::Snapshot;
use crate::engine::rules::Rules;
use crate::journal::{Did, Entry, Loss, Target};
use crate::typed::{self, amount::Dimension};
use crate::units::{Litres, UnitSystem};
use serde::de::DeserializeOwned;

/// Exact: NIST SP 811, appendix B.
const GRAMS_AN_OUNCE: f64 = 28.349_523_125;
/// Exact: a US gallon of 3.785411784 L has 128 of them (NIST SP 811).
const ML_A_FLUID_OUNCE: f64 = 29.573_529_562_5;
/// Exact: NIST SP 811.
const LITRES_A_GALLON: f64 = 3.785_411_784;
/// Longer than any key of ours.
const LONGEST_KEY: usize = 60;

/// The answers a slip offers, as its form sends them and as its buttons say them.
pub(super) const ANSWERS: [(&str, &str); 3] = [("seen", "Seen"), ("right", "Right"), ("wrong", "Wrong")];

/// The fields of a form, in the order they were sent.
pub(super) struct Fields(Vec<(String, String)>);

impl Fields {
    /// Reads what a browser sends, or the query of an address.
    pub(super) fn read(bytes: &[u8]) -> Fields {
        Fields(form_urlencoded::parse(bytes).into_owned().collect())
    }

    /// The first field of this name that says anything.
    pub(super) fn get<'f>(&'f self, name: &'f str) -> Option<&'f str> {
        self.all(name).find(|value| !value.is_empty())
    }

    /// All fields of this name.
    pub(super) fn all<'f>(&'f self, name: &'f str) -> impl Iterator<Item = &'f str> {
        self.0.iter().filter(move |(known, _)| known == name).map(|(_, value)| value.trim())
    }

    /// The key under which the form counts once.
    pub(super) fn key(&self) -> Option<&str> {
        let plain = |letter: char| letter.is_ascii_alphanumeric() || letter == '-' || letter == '_';
        self.get("key").filter(|key| key.len() <= LONGEST_KEY && key.chars().all(plain))
    }

    /// Where to go after it: a sheet of ours.
    pub(super) fn back(&self) -> &str {
        let ours = |back: &&str| {
            back.starts_with('/')
                && !back.starts_with("//")
                && back.chars().all(|letter| letter.is_ascii_graphic() && letter != '\\')
        };
        self.get("back").filter(ours).unwrap_or("/")
    }
}

/// The key of a form: the same for the same form of the same showing, and no other.
pub(super) fn key(nonce: &str, name: &str) -> String {
    use base64::Engine as _;
    let hash = super::secrets::hashed(&format!("{nonce} {name}"));
    base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(&hash[..18])
}

/// The units in which a grower writes amounts into the sheet.
#[derive(Clone, Copy)]
pub(super) struct Units(pub UnitSystem);

impl Units {
    /// Millilitres in one, and its sign.
    pub(super) fn pour(self) -> (f64, &'static str) {
        match self.0 {
            UnitSystem::Metric => (1.0, "mL"),
            UnitSystem::Us => (ML_A_FLUID_OUNCE, "fl oz"),
        }
    }

    /// Litres as they stand in a field, without the unit.
    pub(super) fn volume_number(self, litres: f64) -> String {
        crate::units::tenths(litres / self.volume().0)
    }

    /// Grams of seed as they are read: a tenth of an ounce would be too coarse for a tray.
    pub(super) fn seed(self, grams: f64) -> String {
        match self.0 {
            UnitSystem::Metric => format!("{grams:.1} g"),
            UnitSystem::Us => format!("{:.2} oz", grams / GRAMS_AN_OUNCE),
        }
    }

    /// A usual span of seed, the unit once.
    pub(super) fn seed_range(self, from: f64, to: f64) -> String {
        let (low, high, unit) = match self.0 {
            UnitSystem::Metric => (format!("{from:.0}"), format!("{to:.0}"), "g"),
            UnitSystem::Us => (format!("{:.2}", from / GRAMS_AN_OUNCE), format!("{:.2}", to / GRAMS_AN_OUNCE), "oz"),
        };
        if low == high { format!("{high} {unit}") } else { format!("{low} to {high} {unit}") }
    }

    /// Grams in one, and its sign.
    pub(super) fn weight(self) -> (f64, &'static str) {
        match self.0 {
            UnitSystem::Metric => (1.0, "g"),
            UnitSystem::Us => (GRAMS_AN_OUNCE, "oz"),
        }
    }

    /// A usual span of it, in the unit that the field beside it asks for.
    pub(super) fn weight_range(self, from: f64, to: f64) -> String {
        let (grams, unit) = self.weight();
        let (low, high) = (format!("{:.0}", from / grams), format!("{:.0}", to / grams));
        if low == high { format!("{high} {unit}") } else { format!("{low} to {high} {unit}") }
    }

    /// Litres in one, and its sign.
    pub(super) fn volume(self) -> (f64, &'static str) {
        match self.0 {
            UnitSystem::Metric => (1.0, "L"),
            UnitSystem::Us => (LITRES_A_GALLON, "gal"),
        }
    }

    /// Millilitres as they stand in a field, without the unit.
    pub(super) fn pour_number(self, ml: f64) -> String {
        crate::units::tenths(match self.0 {
            UnitSystem::Metric => ml.round(),
            UnitSystem::Us => Litres(ml / 1000.0).to_us_gallons() * 128.0,
        })
    }
}

/// The entries that a form asks for.
///
/// # Errors
/// A sentence, where it says something that cannot be read.
pub(super) fn did(rules: &Rules, snapshot: &Snapshot, fields: &Fields, by: &str) -> Result<Vec<Entry>, String> {
    let entry = |did: Did| Entry { at: None, by: Some(by.to_owned()), did };
    let units = Units(rules.site.units);
    let note = || fields.get("note").map(str::to_owned);
    let tray = || fields.get("tray").map(str::to_owned).ok_or_else(|| "No tray was chosen.".to_owned());
    match fields.get("task").unwrap_or_default() {
        "usual" => {
            let all: Vec<Entry> = fields.all("entry").map(from_json).collect::<Result<_, _>>()?;
            if all.is_empty() {
                return Err("There was nothing on that sheet to tick.".to_owned());
            }
            Ok(all.into_iter().map(|usual| entry(usual.did)).collect())
        }
        "refill" => {
            let litres = amount(fields, units.volume(), Dimension::Volume)?;
            Ok(vec![entry(Did::Refill { reservoir: fields.get("reservoir").map(str::to_owned), litres })])
        }
        "cut" => {
            let grams = amount(fields, units.weight(), Dimension::Weight)?;
            Ok(vec![entry(Did::Harvest { tray: tray()?, grams, grams_per_tray: None, note: note() })])
        }
        "move" => {
            let place = fields.get("place").ok_or("No place was chosen.")?.to_owned();
            Ok(vec![entry(Did::Move { tray: tray()?, place })])
        }
        "discard" => {
            let reason: Loss = from_json(&format!("\"{}\"", fields.get("reason").unwrap_or("other")))?;
            Ok(vec![entry(Did::Discard { tray: tray()?, reason, share: None, note: note() })])
        }
        word => {
            let task = Task::from_word(word).ok_or("That sheet is of another version; open it again.")?;
            let ml = if task == Task::Water { amount(fields, units.pour(), Dimension::Volume)? } else { None };
            let trays: Vec<String> = fields.all("tray").filter(|tray| !tray.is_empty()).map(str::to_owned).collect();
            if trays.is_empty() {
                return Err("No tray was chosen, so nothing was written down.".to_owned());
            }
            // Where light is on other racks than darkness, coming to the light is a move too.
            if let (Task::Uncover, Some(place)) = (task, fields.get("place")) {
                let each = |tray: String| {
                    let target = Target { tray: Some(tray.clone()), place: None };
                    [Did::Move { tray, place: place.to_owned() }, Did::Uncover(target)]
                };
                return Ok(trays.into_iter().flat_map(each).map(entry).collect());
            }
            let targets = targets(rules, snapshot, fields.get("rack"), trays);
            Ok(targets.into_iter().filter_map(|target| of_task(task, target, ml, note())).map(entry).collect())
        }
    }
}

/// What a slip is answered with: each of its alarms that nobody had answered.
///
/// # Errors
/// A sentence, where the form cannot be read.
pub(super) fn answer(fields: &Fields, by: &str) -> Result<Vec<Command>, String> {
    let old = "That sheet is of another version; open it again.";
    let alarms: Option<Vec<AlarmKey>> = fields.all("alarm").map(AlarmKey::from_id).collect();
    let alarms = alarms.filter(|alarms| !alarms.is_empty()).ok_or(old)?;
    let grade = match fields.get("word") {
        Some("seen") | None => None,
        Some("right") => Some(Grade::Right),
        Some("wrong") => Some(Grade::Wrong),
        Some(_) => return Err(old.to_owned()),
    };
    Ok(alarms.into_iter().map(|alarm| Command::Acknowledge { alarm, by: by.to_owned(), grade }).collect())
}

/// Entries that strike others, by their numbers.
///
/// # Errors
/// A sentence, where the numbers cannot be read.
pub(super) fn strikes(fields: &Fields, by: &str) -> Result<Vec<Entry>, String> {
    let numbers: Result<Vec<i64>, _> = fields.get("entries").unwrap_or_default().split('.').map(str::parse).collect();
    let numbers = numbers.map_err(|_| "That sheet is of another version; open it again.".to_owned())?;
    let strike = |entry| Entry { at: None, by: Some(by.to_owned()), did: Did::Strike { entry, note: None } };
    // The last first, so that none falls with one before it.
    Ok(numbers.into_iter().rev().map(strike).collect())
}

/// What a rack's lines come to when everything is done as it usually is: entries as JSON.
/// What has to be weighed is no part of it.
pub(super) fn as_usual(rack: &Rack) -> Vec<String> {
    let mut all = Vec::new();
    for line in rack.lines.iter().filter(|line| line.task != Task::Cut) {
        let each = line.trays.iter().map(|on| Target { tray: Some(on.name.clone()), place: None });
        let whole = rack.stands_alone && line.trays.len() > 1 && line.trays.len() == rack.trays.len();
        let targets: Vec<Target> =
            if whole { vec![Target { tray: None, place: Some(rack.id.clone()) }] } else { each.collect() };
        for target in targets {
            let did = of_task(line.task, target, line.ml, None);
            let entry = did.map(|did| Entry { at: None, by: None, did });
            all.extend(entry.and_then(|entry| serde_json::to_string(&entry).ok()));
        }
    }
    all
}

fn of_task(task: Task, target: Target, ml_per_tray: Option<f64>, note: Option<String>) -> Option<Did> {
    match task {
        Task::Unweight => Some(Did::Unweight(target)),
        Task::Uncover => Some(Did::Uncover(target)),
        Task::Water => Some(Did::Water { target, ml_per_tray }),
        Task::Mist => Some(Did::Mist(target)),
        Task::Look => Some(Did::Look { target, note }),
        Task::Cut => None,
    }
}

/// The rack as one where all its trays are meant, else tray by tray.
fn targets(rules: &Rules, snapshot: &Snapshot, rack: Option<&str>, trays: Vec<String>) -> Vec<Target> {
    let whole = rack.filter(|rack| {
        rules.place_named(rack).is_some_and(|place| {
            let mut all = snapshot.growing.iter().filter(|tray| rules.lies_in(tray.place, place)).peekable();
            all.peek().is_some() && trays.len() > 1 && all.all(|tray| trays.contains(&tray.name))
        })
    });
    match whole {
        Some(rack) => vec![Target { tray: None, place: Some(rack.to_owned()) }],
        None => trays.into_iter().map(|tray| Target { tray: Some(tray), place: None }).collect(),
    }
}

fn amount(fields: &Fields, unit: (f64, &str), measure: Dimension) -> Result<Option<f64>, String> {
    fields.get("amount").map(|written| measured(written, unit, measure)).transpose()
}

/// A number in the grower's unit, with a comma where that is how people write it; or with a
/// unit of its own, as `log` takes it.
///
/// # Errors
/// A sentence, where it is neither.
pub(super) fn measured(written: &str, (in_one, unit): (f64, &str), measure: Dimension) -> Result<f64, String> {
    let plain = written.replace(',', ".");
    let bare = plain.strip_suffix(unit).unwrap_or(&plain).trim().parse().ok().map(|number: f64| number * in_one);
    // A litre is a thousand of what `log` reads volumes in.
    let in_measure = if unit == "L" || unit == "gal" { 1000.0 } else { 1.0 };
    let amount = bare.or_else(|| typed::amount::amount(&plain, measure).map(|amount| amount / in_measure));
    match amount.filter(|amount| amount.is_finite() && *amount >= 0.0) {
        Some(amount) => Ok((amount * 100.0).round() / 100.0),
        None => Err(format!(
            "\"{written}\" is no amount; write a number of {unit}, such as 4 or 4.5. Nothing was written down."
        )),
    }
}

fn from_json<T: DeserializeOwned>(text: &str) -> Result<T, String> {
    serde_json::from_str(text).map_err(|_| "That sheet is of another version; open it again.".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields(text: &str) -> Fields {
        Fields::read(text.as_bytes())
    }

    #[test]
    fn amounts_are_read_as_people_write_them_and_anything_else_is_refused() {
        let read = |written: &str, units: (f64, &'static str)| {
            let mut query = form_urlencoded::Serializer::new(String::new());
            let measure = if units.1 == "g" || units.1 == "oz" { Dimension::Weight } else { Dimension::Volume };
            amount(&fields(&query.append_pair("amount", written).finish()), units, measure)
        };
        let (metric, us) = (Units(UnitSystem::Metric), Units(UnitSystem::Us));
        assert_eq!(read("118", metric.pour()), Ok(Some(118.0)));
        assert_eq!(read("118 mL", metric.pour()), Ok(Some(118.0)));
        assert_eq!(read("4,5", us.pour()), Ok(Some(133.08)), "fluid ounces of 29.5735 mL (NIST SP 811)");
        assert_eq!(read("15", us.weight()), Ok(Some(425.24)), "ounces of 28.3495 g (NIST SP 811)");
        assert_eq!(read("", metric.pour()), Ok(None), "left empty");
        assert_eq!(read("3lb 8oz", us.weight()), Ok(Some(1587.57)), "a unit of its own, 16 ounces to the pound");
        assert_eq!(read("1/2 cup", metric.pour()), Ok(Some(118.29)), "a cup is the 16th of a gallon");
        assert_eq!(read("5 gal", metric.volume()), Ok(Some(18.93)));
        assert_eq!(read("18 L", us.volume()), Ok(Some(18.0)));
        for wrong in ["a cup", "-3", "nan", "inf", "1e999", "3 rods", "4 5"] {
            assert!(read(wrong, metric.weight()).is_err(), "{wrong}");
        }
        assert_eq!(us.pour_number(118.0), "4");
        assert_eq!(us.weight_range(1520.0, 1800.0), "54 to 63 oz", "as the field beside it is read");
        assert_eq!(metric.weight_range(1800.0, 1800.0), "1800 g");
        assert_eq!(metric.pour_number(118.294), "118");
    }

    #[test]
    fn a_form_leads_back_only_to_a_sheet_of_ours() {
        let back = |to: &str| {
            let mut query = form_urlencoded::Serializer::new(String::new());
            fields(&query.append_pair("back", to).finish()).back().to_owned()
        };
        assert_eq!(back("/rack?id=rack-a"), "/rack?id=rack-a");
        for foreign in ["//evil.example", "http://evil.example", "/\\evil.example", "/a\r\nSet-Cookie: x", "", "evil"] {
            assert_eq!(back(foreign), "/", "{foreign}");
        }
    }

    #[test]
    fn a_key_is_one_of_ours_and_the_same_for_the_same_form_of_one_showing() {
        assert_eq!(key("n", "water K1"), key("n", "water K1"));
        assert_ne!(key("n", "water K1"), key("n", "water K2"));
        assert_ne!(key("n", "water K1"), key("m", "water K1"));
        assert!(fields(&format!("key={}", key("n", "x"))).key().is_some());
        for wrong in ["key=", "key=a.b", "key=%00", "x=1"] {
            assert_eq!(fields(wrong).key(), None, "{wrong}");
        }
    }

    #[test]
    fn what_is_struck_is_struck_from_the_last_on() {
        let strikes = strikes(&fields("entries=3.4.9"), "Ada").expect("numbers");
        let numbers: Vec<i64> = strikes
            .iter()
            .filter_map(|entry| match entry.did {
                Did::Strike { entry, .. } => Some(entry),
                _ => None,
            })
            .collect();
        assert_eq!(numbers, [9, 4, 3]);
        assert!(super::strikes(&fields("entries=all"), "Ada").is_err());
    }
}
