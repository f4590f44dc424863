//! The one door of the journal: what was typed, tapped, mailed or published becomes an entry
//! here, or is refused in a sentence with its remedy. Nothing that was said is dropped: an
//! amount under a wrong name, or in no unit, would be lost without a word. Pure. Whether an
//! entry can be (is there such a tray?) is for the engine.

use super::amount::{self, Dimension};
use super::blend;
use crate::engine::crop::closest_word;
use crate::journal::{Entry, Loss};
use crate::units::Timestamp;
use serde::de::{Error, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::{Map, Value};

/// What a fact of an entry is.
#[derive(Clone, Copy, PartialEq)]
enum Fact {
    /// A name; one that looks like a number stays a name.
    Name,
    /// Free words, kept as they were typed.
    Words,
    /// How many trays, or the number of an entry.
    Whole,
    /// A weight, in grams.
    Grams,
    /// A volume, in millilitres.
    Millilitres,
    /// A volume, in litres.
    Litres,
    /// A share, in per cent.
    Percent,
    /// Why a tray was lost.
    Reason,
    /// Kinds with grams or shares.
    Blend,
    /// When it was done.
    Time,
}

/// What one kind of entry holds.
struct EntryFields {
    did: &'static str,
    /// Without these it says nothing.
    needs: &'static [&'static str],
    facts: &'static [(&'static str, Fact)],
}

const TARGET: [(&str, Fact); 2] = [("tray", Fact::Name), ("place", Fact::Name)];

const HOLDS: [EntryFields; 13] = [
    EntryFields {
        did: "sow",
        needs: &["tray", "place"],
        facts: &[
            TARGET[0],
            TARGET[1],
            ("crop", Fact::Name),
            ("blend", Fact::Blend),
            ("count", Fact::Whole),
            ("seed_grams", Fact::Grams),
            ("seed_lot", Fact::Name),
            ("medium", Fact::Name),
        ],
    },
    EntryFields { did: "unweight", needs: &[], facts: &TARGET },
    EntryFields { did: "uncover", needs: &[], facts: &TARGET },
    EntryFields { did: "light", needs: &[], facts: &TARGET },
    EntryFields { did: "water", needs: &[], facts: &[TARGET[0], TARGET[1], ("ml_per_tray", Fact::Millilitres)] },
    EntryFields { did: "mist", needs: &[], facts: &TARGET },
    EntryFields { did: "refill", needs: &[], facts: &[("reservoir", Fact::Name), ("litres", Fact::Litres)] },
    EntryFields { did: "move", needs: &["tray", "place"], facts: &TARGET },
    EntryFields { did: "look", needs: &[], facts: &[TARGET[0], TARGET[1], ("note", Fact::Words)] },
    EntryFields {
        did: "harvest",
        needs: &["tray"],
        facts: &[TARGET[0], ("grams", Fact::Grams), ("grams_per_tray", Fact::Grams), ("note", Fact::Words)],
    },
    EntryFields {
        did: "discard",
        needs: &["tray"],
        facts: &[TARGET[0], ("reason", Fact::Reason), ("share", Fact::Percent), ("note", Fact::Words)],
    },
    EntryFields { did: "note", needs: &["text"], facts: &[("text", Fact::Words), TARGET[0], ("photo", Fact::Words)] },
    EntryFields { did: "strike", needs: &["entry"], facts: &[("entry", Fact::Whole), ("note", Fact::Words)] },
];

/// The verbs with an example each, as the help prints them.
pub(crate) const EXAMPLES: [(&str, &str); 13] = [
    ("sow", "K12 rack-b broccoli 24g x6    or: sow K12 rack-b blend=broccoli,kale,radish 24g x6 lot=L7 medium=coir"),
    ("unweight", "K12                      the weight comes off"),
    ("uncover", "K12                       the cover comes off, into the light"),
    ("light", "K12                         under light, when it was uncovered before"),
    ("water", "rack-b 118ml                to each tray, from below; or 4floz, 1/2cup; a place, a tray, or all"),
    ("mist", "rack-b"),
    ("refill", "18L                        or 5gal; tank 18L, where there are several"),
    ("move", "K12 rack-a"),
    ("look", "K12 \"roots white, all even\""),
    ("harvest", "K12 1696g                 all its trays together; or 424g each, 3lb 8oz; then words on taste"),
    ("discard", "K12 mold 30%              mold, damping-off, dry, uneven or other"),
    ("note", "\"fan moved\"                  tray=K12 photo=/photos/k12.jpg"),
    ("strike", "17                         entry 17 was wrong; log --list shows the numbers"),
];

/// The example of one verb, without its explanation.
fn example(did: &str) -> &'static str {
    let known = EXAMPLES.iter().find(|(known, _)| *known == did);
    known.map_or("", |(_, example)| example.split("   ").next().unwrap_or_default())
}

/// The entry that a JSON object says, whichever way it came.
///
/// # Errors
/// A sentence that names the word, and what to write.
pub(crate) fn from_json(text: &str) -> Result<Entry, String> {
    match serde_json::from_str::<Once>(text) {
        Ok(Once(said)) => from_object(said),
        Err(error) if error.is_data() => Err("an entry is one JSON object, in braces, each name once in it".to_owned()),
        Err(error) => Err(format!("the entry is no JSON object: it breaks off at character {}", error.column())),
    }
}

/// The entry that an object of names and values says. Amounts may be numbers in the unit of
/// their name, or text with a unit: `{"did":"water","ml_per_tray":"4 fl oz"}`.
///
/// # Errors
/// A sentence that names the word, and what to write.
pub(crate) fn from_object(said: Map<String, Value>) -> Result<Entry, String> {
    let did = match said.get("did") {
        Some(Value::String(did)) => did.trim().to_lowercase(),
        _ => return Err("it does not say what was done; write \"did\", such as \"did\":\"water\"".to_owned()),
    };
    let holds = HOLDS.iter().find(|holds| holds.did == did).ok_or_else(|| nothing_that_can_be_logged(&did))?;
    let mut kept = Map::new();
    kept.insert("did".to_owned(), Value::from(did.clone()));
    for (name, value) in said.into_iter().filter(|(name, value)| name != "did" && !value.is_null()) {
        let key = full_name(&name);
        let common = [("at", Fact::Time), ("by", Fact::Words)];
        let known = holds.facts.iter().chain(&common).find(|(known, _)| *known == key);
        let (key, fact) = *known.ok_or_else(|| nothing_it_holds(holds, &name))?;
        if let Some(before) = kept.insert(key.to_owned(), read(key, fact, value)?) {
            return Err(format!("{key} stands there twice, once as {before}"));
        }
    }
    if let Some(missing) = holds.needs.iter().find(|needed| !kept.contains_key(**needed)) {
        return Err(format!(
            "\"{did}\" does not say {}; for example: {did} {}",
            match *missing {
                "tray" => "which tray",
                "place" => "which place",
                "entry" => "which entry",
                _ => "what to note",
            },
            example(&did)
        ));
    }
    if let Some(written) = kept.get("blend").and_then(Value::as_str) {
        let together = kept.get("seed_grams").and_then(Value::as_f64);
        let grams = blend::grams(written, together)?.into_iter().map(|(kind, grams)| (kind, Value::from(grams)));
        let grams = Value::Object(grams.collect());
        kept.insert("blend".to_owned(), grams);
    }
    serde_json::from_value(Value::Object(kept)).map_err(|error| error.to_string())
}

pub(crate) fn nothing_that_can_be_logged(did: &str) -> String {
    let near = closest_word(did, HOLDS.iter().map(|holds| holds.did));
    let near = near.map_or(".".to_owned(), |near| format!("; did you mean {near}?"));
    let known: Vec<&str> = HOLDS.iter().map(|holds| holds.did).collect();
    format!("\"{did}\" is nothing that can be logged{near} There are: {}.", known.join(", "))
}

/// An object in which no name stands twice: of two, a map would keep the last without a word.
struct Once(Map<String, Value>);

impl<'de> Deserialize<'de> for Once {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Once, D::Error> {
        struct Names;
        impl<'de> Visitor<'de> for Names {
            type Value = Once;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("one JSON object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Once, A::Error> {
                let mut said = Map::new();
                while let Some((name, value)) = members.next_entry::<String, Value>()? {
                    if said.insert(name, value).is_some() {
                        return Err(A::Error::custom("a name stands twice"));
                    }
                }
                Ok(Once(said))
            }
        }
        deserializer.deserialize_map(Names)
    }
}

fn nothing_it_holds(holds: &EntryFields, name: &str) -> String {
    let names = holds.facts.iter().map(|(name, _)| *name).chain(["at", "by", "ml", "seed", "lot", "each"]);
    let near = closest_word(&name.to_lowercase(), names).filter(|near| *near != name);
    let near = near.map_or(".".to_owned(), |near| format!("; did you mean {near}?"));
    format!("\"{name}\" is nothing that \"{}\" holds{near} Nothing was logged.", holds.did)
}

/// A value as the journal keeps it.
fn read(key: &str, fact: Fact, value: Value) -> Result<Value, String> {
    let shown = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    let wants = |what: &str| Err(format!("{key} wants {what}, not \"{shown}\"; nothing was logged"));
    let (text, number) = (value.as_str().map(str::trim), value.as_f64().filter(|number| number.is_finite()));
    let plain = number.or_else(|| text.and_then(|text| text.parse().ok()).filter(|number: &f64| number.is_finite()));
    let measured = |measure, scale: f64| text.and_then(|text| amount::amount(text, measure)).map(|found| found / scale);
    Ok(match fact {
        Fact::Blend => {
            written_blend(value).ok_or_else(|| format!("blend wants {BLENDS}, not \"{shown}\"; nothing was logged"))?
        }
        Fact::Name | Fact::Words => match (&value, text) {
            (_, Some("")) => return wants("a name or words"),
            (_, Some(text)) => Value::from(text),
            // "12" is a fair name for a tray, and a tablet may send it bare.
            (Value::Number(number), _) if fact == Fact::Name => Value::from(number.to_string()),
            _ => return wants("text"),
        },
        Fact::Whole => match plain.filter(|number| number.fract() == 0.0 && (0.0..=1e15).contains(number)) {
            Some(number) => Value::from(number as i64),
            None => return wants("a whole number"),
        },
        Fact::Percent => match plain.or_else(|| text?.strip_suffix('%')?.trim().parse().ok()) {
            Some(share) if share.is_finite() => number_value(share),
            _ => return wants("per cent, such as 30"),
        },
        Fact::Grams => match plain.or_else(|| measured(Dimension::Weight, 1.0)) {
            Some(grams) => number_value(grams),
            None => return wants(Dimension::Weight.examples()),
        },
        Fact::Millilitres => match plain.or_else(|| measured(Dimension::Volume, 1.0)) {
            Some(ml) => number_value(ml),
            None => return wants(Dimension::Volume.examples()),
        },
        Fact::Litres => match plain.or_else(|| measured(Dimension::Volume, 1000.0)) {
            Some(litres) => number_value(litres),
            None => return wants(Dimension::Volume.examples()),
        },
        Fact::Reason => match reason(text.unwrap_or_default()) {
            Some(reason) => Value::from(reason.word()),
            None => {
                return wants("mold, damping-off, dry, uneven or other (and what you saw into note=\"...\")");
            }
        },
        Fact::Time => match text.and_then(|text| text.parse::<Timestamp>().ok()) {
            Some(at) if Timestamp::from_timestamp_millis(at.timestamp_millis()).is_some() => value,
            _ => return wants("a time such as \"2026-03-02T08:00:00Z\""),
        },
    })
}

/// How a blend may be written.
const BLENDS: &str = "broccoli,kale for equal shares, broccoli:2,kale:1 for others, or broccoli:16g,kale:8g";

/// Kinds as text, which a list becomes, or with the grams of each.
fn written_blend(value: Value) -> Option<Value> {
    match value {
        Value::String(_) => Some(value),
        Value::Array(kinds) => {
            let kinds: Option<Vec<&str>> = kinds.iter().map(Value::as_str).collect();
            Some(Value::from(kinds?.join(",")))
        }
        Value::Object(kinds) => {
            let plain = |text: &str| text.trim().parse().ok().filter(|grams: &f64| grams.is_finite());
            let written = |text: &str| plain(text).or_else(|| amount::amount(text, Dimension::Weight));
            let grams = |value: Value| value.as_f64().or_else(|| written(value.as_str()?));
            let kinds: Option<Map<_, _>> =
                kinds.into_iter().map(|(kind, value)| Some((kind, Value::from(grams(value)?)))).collect();
            kinds.map(Value::Object)
        }
        _ => None,
    }
}

/// Why a tray was lost, as people write it.
fn reason(word: &str) -> Option<Loss> {
    let word = word.to_lowercase().replace([' ', '_'], "-");
    let known = [Loss::Mold, Loss::DampingOff, Loss::Dry, Loss::Uneven, Loss::Other];
    known.into_iter().find(|loss| loss.word() == word || (word == "mould" && *loss == Loss::Mold))
}

/// Short names for what is typed most.
pub(crate) fn full_name(key: &str) -> &str {
    match key {
        "ml" => "ml_per_tray",
        "seed" | "seed_weight" => "seed_grams",
        "lot" => "seed_lot",
        "each" => "grams_per_tray",
        _ => key,
    }
}

/// A number without a needless fraction; a millionth of a gram or millilitre is one.
pub(crate) fn number_value(number: f64) -> Value {
    let number = (number * 1e6).round() / 1e6;
    if number.fract() == 0.0 && number.abs() < 1e15 { Value::from(number as i64) } else { Value::from(number) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(text: &str) -> String {
        from_json(text).map(|entry| format!("taken: {entry:?}")).expect_err(text)
    }

    #[test]
    fn nothing_that_was_said_is_dropped_by_any_road() {
        for (text, why) in [
            (
                r#"{"did":"water","place":"rack-a","mL":118}"#,
                "\"mL\" is nothing that \"water\" holds; did you mean ml? Nothing was logged.",
            ),
            (
                r#"{"did":"water","ml_per_tray":"many"}"#,
                "ml_per_tray wants 118ml, 1.5L, 4floz, 2cups or 1gal, not \"many\"; nothing was logged",
            ),
            (
                r#"{"did":"harvest","tray":"A9","grams":[3]}"#,
                "grams wants 424g, 1.7kg, 15oz or 3lb, not \"[3]\"; nothing was logged",
            ),
            (r#"{"did":"look","note":7}"#, "note wants text, not \"7\"; nothing was logged"),
            (
                r#"{"did":"sow","tray":"A9","place":"rack-a","count":2.5}"#,
                "count wants a whole number, not \"2.5\"; nothing was logged",
            ),
            (
                r#"{"did":"discard","tray":"A9","reason":"rot"}"#,
                "reason wants mold, damping-off, dry, uneven or other (and what you saw into note=\"...\"), not \"rot\"; nothing was logged",
            ),
            (
                r#"{"did":"look","at":"yesterday"}"#,
                "at wants a time such as \"2026-03-02T08:00:00Z\", not \"yesterday\"; nothing was logged",
            ),
            (r#"{"did":"harvest"}"#, "\"harvest\" does not say which tray; for example: harvest K12 1696g"),
            (r#"{"did":"note"}"#, "\"note\" does not say what to note; for example: note \"fan moved\""),
            (r#"{"tray":"K12"}"#, "it does not say what was done; write \"did\", such as \"did\":\"water\""),
            (r#"[1]"#, "an entry is one JSON object, in braces, each name once in it"),
            (r#"{"did":"water""#, "the entry is no JSON object: it breaks off at character 14"),
        ] {
            assert_eq!(refused(text), why, "{text}");
        }
        assert!(refused(r#"{"did":"watr"}"#).contains("did you mean water?"));
        let blend = r#"{"did":"sow","tray":"K1","place":"rack-a","blend":{"kale":"x"}}"#;
        for words in ["expected", "variant", "i64", "missing field", "untagged"] {
            assert!(!refused(blend).contains(words), "{}", refused(blend));
        }
    }

    #[test]
    fn amounts_may_be_text_with_a_unit_and_names_may_be_numbers() {
        let kept = |text: &str| serde_json::to_string(&from_json(text).expect(text)).expect("it can be written");
        assert_eq!(kept(r#"{"did":"Water","ml_per_tray":"0.25 L"}"#), r#"{"did":"water","ml_per_tray":250.0}"#);
        assert_eq!(kept(r#"{"did":"refill","litres":"2 gal"}"#), r#"{"did":"refill","litres":7.570824}"#);
        assert_eq!(
            kept(r#"{"did":"discard","tray":12,"reason":"Damping off","share":"30 %"}"#),
            r#"{"did":"discard","tray":"12","reason":"damping-off","share":30.0}"#
        );
    }
}
