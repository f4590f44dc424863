//! An entry of the journal as it is typed with wet hands: `water rack-a 118ml`. Bare words
//! find their key by the verb and by what they look like; key=value always works. Pure:
//! words in, a JSON object out. What the entry means and whether it can be is not known here.

use crate::journal::Entry;
use serde_json::{Map, Value};

/// The verbs with an example each, as the help prints them.
pub const EXAMPLES: [(&str, &str); 13] = [
    ("sow", "K12 rack-b broccoli 24g x6    or: sow K12 rack-b blend=broccoli,kale,radish 24g x6 lot=L7 medium=coir"),
    ("unweight", "K12                      the weight comes off"),
    ("uncover", "K12                       the cover comes off, into the light"),
    ("light", "K12                         under light, when it was uncovered before"),
    ("water", "rack-b 118ml                to each tray, from below; a place, a tray, or all"),
    ("mist", "rack-b"),
    ("refill", "18L                        tank 18L, where there are several"),
    ("move", "K12 rack-a"),
    ("look", "K12 \"roots white, all even\""),
    ("harvest", "K12 1696g                 all its trays together; or 424g each; then words on taste"),
    ("discard", "K12 mold 30%              mold, damping-off, dry, uneven or other"),
    ("note", "\"fan moved\"                  tray=K12 photo=/photos/k12.jpg"),
    ("strike", "17                         entry 17 was wrong; log --list shows the numbers"),
];

/// What `log` prints when it is asked for nothing.
pub fn help() -> String {
    let mut text = String::from("What was done? One line an entry, for example:\n\n");
    for (did, example) in EXAMPLES {
        text.push_str(&format!("  traywarden log {did} {example}\n"));
    }
    text.push_str(
        "\nAt another time:   --at 07:10, --at \"3 h\" (ago), --at \"2026-03-02 08:00\"\n\
         Somebody else:     --by Ada\n\
         Every fact also has a name: tray= place= crop= blend= count= seed_grams= seed_lot= medium=\n\
         ml_per_tray= litres= grams= grams_per_tray= reason= share= note= text= photo= entry=\n\
         Shares of a blend: blend=broccoli:2,kale:1 seed_grams=24, or grams of each: blend=broccoli:16g,kale:8g\n\
         What was logged:   traywarden log --list\n",
    );
    text
}

/// The entry that `did` and the words after it make. `is_place` knows the places of the
/// settings, which is how "rack-a" is told from a tray.
///
/// # Errors
/// A sentence with the remedy, when a word finds no key.
pub fn entry(did: &str, words: &[String], is_place: impl Fn(&str) -> bool) -> Result<Map<String, Value>, String> {
    let mut entry = Map::new();
    entry.insert("did".into(), Value::from(did));
    if !EXAMPLES.iter().any(|(known, _)| *known == did) {
        let near = crate::engine::crop::closest_word(did, EXAMPLES.map(|(known, _)| known));
        let near = near.map_or(String::new(), |near| format!("; did you mean {near}?"));
        let known = EXAMPLES.map(|(known, _)| known).join(", ");
        return Err(format!("\"{did}\" is nothing that can be logged{near} There are: {known}."));
    }
    for word in words {
        match word.split_once('=') {
            Some((key, value)) => {
                let key = full_name(key);
                let value = if is_name(key) { Value::from(value) } else { number_or_text(value) };
                put(&mut entry, key, value)?;
            }
            None => bare(&mut entry, did, word, &is_place)?,
        }
    }
    Ok(entry)
}

/// A whole typed entry, words to [`Entry`], as `log` and a reply by mail take it. `more` are
/// facts that were not typed among the words, such as who and when.
///
/// # Errors
/// A sentence with the remedy.
pub fn read(
    did: &str,
    words: &[String],
    is_place: impl Fn(&str) -> bool,
    more: impl IntoIterator<Item = (&'static str, Value)>,
) -> Result<Entry, String> {
    let mut object = entry(did, words, is_place)?;
    object.extend(more.into_iter().map(|(key, value)| (key.to_owned(), value)));
    finished(Value::Object(object), did)
}

/// The same from a finished object.
///
/// # Errors
/// A sentence with the remedy.
pub fn finished(typed: Value, did: &str) -> Result<Entry, String> {
    let entry: Entry = serde_json::from_value(typed.clone())
        .map_err(|error| format!("that is no entry: {error}. For example: traywarden log {}", example(did)))?;
    nothing_dropped(&typed, &entry)?;
    Ok(entry)
}

fn example(did: &str) -> String {
    let known = EXAMPLES.iter().find(|(known, _)| *known == did);
    known.map_or("sow K12 rack-b broccoli".to_owned(), |(did, example)| {
        format!("{did} {}", example.split("   ").next().unwrap_or_default())
    })
}

/// Refuses what an entry of its kind does not hold: an amount under a wrong name would be lost
/// without a word.
///
/// # Errors
/// A sentence that names the word, and the nearest name there is.
pub fn nothing_dropped(typed: &Value, entry: &Entry) -> Result<(), String> {
    let kept = serde_json::to_value(entry).map_err(|error| error.to_string())?;
    let (Some(typed), Some(kept)) = (typed.as_object(), kept.as_object()) else { return Ok(()) };
    let Some(lost) = typed.keys().find(|key| !typed[*key].is_null() && !kept.contains_key(full_name(key))) else {
        return Ok(());
    };
    let did = kept.get("did").and_then(Value::as_str).unwrap_or_default();
    let near = crate::engine::crop::closest_word(&lost.to_lowercase(), NAMES).filter(|near| near != lost);
    let near = near.map_or(".".to_owned(), |near| format!("; did you mean {near}?"));
    Err(format!("\"{lost}\" is nothing that \"{did}\" holds{near} Nothing was logged."))
}

/// Finds the key of a bare word.
fn bare(entry: &mut Map<String, Value>, did: &str, word: &str, is_place: &impl Fn(&str) -> bool) -> Result<(), String> {
    let free = |entry: &Map<String, Value>, key: &str| !entry.contains_key(key);
    let lone = |entry: &Map<String, Value>| free(entry, "tray") && free(entry, "place");
    if did == "strike" {
        return put(entry, if free(entry, "entry") { "entry" } else { "note" }, number_or_text(word));
    }
    if did == "note" {
        return put(entry, "text", Value::from(word));
    }
    if did == "harvest" && word == "each" {
        let all = entry.remove("grams").ok_or("write the grams before \"each\": 424g each")?;
        return put(entry, "grams_per_tray", all);
    }
    // A tray's name may look like an amount, so the first word of these is the tray.
    let tray_first = matches!(did, "sow" | "move" | "harvest" | "discard");
    if tray_first && free(entry, "tray") {
        return put(entry, "tray", Value::from(word));
    }
    if let Some((key, number)) = amount(did, word) {
        return put(entry, key, number);
    }
    match did {
        "sow" | "move" if free(entry, "place") => put(entry, "place", Value::from(word)),
        "sow" if free(entry, "crop") && free(entry, "blend") => {
            put(entry, if word.contains([',', '+']) { "blend" } else { "crop" }, Value::from(word))
        }
        "refill" if free(entry, "reservoir") => put(entry, "reservoir", Value::from(word)),
        "discard" if free(entry, "reason") => put(entry, "reason", Value::from(word)),
        "harvest" | "discard" if free(entry, "note") => put(entry, "note", Value::from(word)),
        "unweight" | "uncover" | "light" | "water" | "mist" | "look" if lone(entry) && word != "all" => {
            put(entry, if is_place(word) { "place" } else { "tray" }, Value::from(word))
        }
        "unweight" | "uncover" | "light" | "water" | "mist" | "look" if lone(entry) => Ok(()),
        "look" if free(entry, "note") => put(entry, "note", Value::from(word)),
        _ => Err(format!(
            "\"{word}\" fits nowhere here; put words with spaces into quotes, or write key=value, such as note=\"{word}\""
        )),
    }
}

/// "118ml", "18L", "424g", "30%", "x6", and a bare number where the verb takes only one kind.
fn amount(did: &str, word: &str) -> Option<(&'static str, Value)> {
    let lower = word.to_lowercase();
    if let Some(count) = lower.strip_prefix('x').filter(|_| did == "sow") {
        return count.parse::<u32>().ok().map(|count| ("count", Value::from(count)));
    }
    let split = lower.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-')).unwrap_or(lower.len());
    let (number, unit) = lower.split_at(split);
    let number = number.parse::<f64>().ok().filter(|number| number.is_finite())?;
    let key = match (did, unit) {
        ("water", "" | "ml") => "ml_per_tray",
        ("water", "l") => return Some(("ml_per_tray", number_value(number * 1000.0))),
        ("refill", "" | "l") => "litres",
        ("harvest", "" | "g") => "grams",
        ("harvest", "kg") => return Some(("grams", number_value(number * 1000.0))),
        ("sow", "g") => "seed_grams",
        ("discard", "%") => "share",
        _ => return None,
    };
    Some((key, number_value(number)))
}

fn put(entry: &mut Map<String, Value>, key: &str, value: Value) -> Result<(), String> {
    if let Some((group, inner)) = key.split_once('.') {
        let group = entry.entry(group).or_insert_with(|| Value::Object(Map::new()));
        let known = group.as_object_mut().ok_or_else(|| format!("\"{key}\" beside another way to say the same"))?;
        known.insert(inner.to_owned(), value);
        return Ok(());
    }
    match entry.insert(key.to_owned(), value) {
        None => Ok(()),
        Some(before) => Err(format!("{key} stands there twice, once as {before}")),
    }
}

/// Every name a fact may have.
const NAMES: [&str; 22] = [
    "at",
    "blend",
    "by",
    "count",
    "crop",
    "entry",
    "grams",
    "grams_per_tray",
    "litres",
    "medium",
    "ml",
    "ml_per_tray",
    "note",
    "photo",
    "place",
    "reason",
    "reservoir",
    "seed_grams",
    "seed_lot",
    "share",
    "text",
    "tray",
];

/// Short names for what is typed most.
fn full_name(key: &str) -> &str {
    match key {
        "ml" => "ml_per_tray",
        "seed" | "seed_weight" => "seed_grams",
        "lot" => "seed_lot",
        "each" => "grams_per_tray",
        _ => key,
    }
}

/// Names that look like numbers stay names.
fn is_name(key: &str) -> bool {
    matches!(
        key,
        "tray"
            | "place"
            | "crop"
            | "blend"
            | "seed_lot"
            | "medium"
            | "note"
            | "text"
            | "photo"
            | "reservoir"
            | "reason"
    )
}

fn number_or_text(word: &str) -> Value {
    match word.parse::<f64>().ok().filter(|number| number.is_finite()) {
        Some(number) => number_value(number),
        None => Value::from(word),
    }
}

fn number_value(number: f64) -> Value {
    if number.fract() == 0.0 && number.abs() < 1e15 { Value::from(number as i64) } else { Value::from(number) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(line: &str) -> Result<String, String> {
        // Words as a shell would part them; quotes are not needed here but for "|".
        let words: Vec<String> = line.split(' ').map(|word| word.replace('|', " ")).collect();
        let object = entry(&words[0], &words[1..], |word| word.starts_with("rack"))?;
        let object = Value::Object(object);
        let read: Entry = serde_json::from_value(object.clone()).map_err(|error| error.to_string())?;
        nothing_dropped(&object, &read)?;
        Ok(serde_json::to_string(&read).expect("it can be written"))
    }

    #[test]
    fn what_wet_hands_type_is_understood() {
        for (line, wanted) in [
            ("water rack-a 118ml", r#"{"did":"water","place":"rack-a","ml_per_tray":118.0}"#),
            ("water rack-a 118", r#"{"did":"water","place":"rack-a","ml_per_tray":118.0}"#),
            ("water all 0.25L", r#"{"did":"water","ml_per_tray":250.0}"#),
            ("water", r#"{"did":"water"}"#),
            ("mist K12", r#"{"did":"mist","tray":"K12"}"#),
            ("uncover K12", r#"{"did":"uncover","tray":"K12"}"#),
            ("look K12 all|even", r#"{"did":"look","tray":"K12","note":"all even"}"#),
            ("refill 18L", r#"{"did":"refill","litres":18.0}"#),
            ("refill tank 18", r#"{"did":"refill","reservoir":"tank","litres":18.0}"#),
            ("move K12 rack-b", r#"{"did":"move","tray":"K12","place":"rack-b"}"#),
            (
                "harvest 12 1696g mild|and|crisp",
                r#"{"did":"harvest","tray":"12","grams":1696.0,"note":"mild and crisp"}"#,
            ),
            ("harvest K12 1.7kg", r#"{"did":"harvest","tray":"K12","grams":1700.0}"#),
            ("harvest K12 424g each", r#"{"did":"harvest","tray":"K12","grams_per_tray":424.0}"#),
            ("discard K12 mold 30%", r#"{"did":"discard","tray":"K12","reason":"mold","share":30.0}"#),
            (
                "note fan|moved tray=K12 photo=/p/1.jpg",
                r#"{"did":"note","text":"fan moved","tray":"K12","photo":"/p/1.jpg"}"#,
            ),
            ("strike 17", r#"{"did":"strike","entry":17}"#),
            (
                "sow K12 rack-b broccoli 24g x6",
                r#"{"did":"sow","tray":"K12","place":"rack-b","crop":"broccoli","count":6,"seed_grams":24.0}"#,
            ),
            (
                "sow K12 rack-b blend=broccoli,kale,radish seed_grams=24",
                r#"{"did":"sow","tray":"K12","place":"rack-b","blend":{"broccoli":8.0,"kale":8.0,"radish":8.0},"count":1,"seed_grams":24.0}"#,
            ),
            (
                "sow K12 rack-b broccoli:2,pea|shoots:1 24g lot=007",
                r#"{"did":"sow","tray":"K12","place":"rack-b","blend":{"broccoli":16.0,"pea shoots":8.0},"count":1,"seed_grams":24.0,"seed_lot":"007"}"#,
            ),
            (
                "sow tray=K12 place=rack-b blend.kale=8 blend.radish=16",
                r#"{"did":"sow","tray":"K12","place":"rack-b","blend":{"kale":8.0,"radish":16.0},"count":1}"#,
            ),
        ] {
            assert_eq!(typed(line).as_deref(), Ok(wanted), "{line}");
        }
    }

    #[test]
    fn what_is_not_understood_says_what_to_type() {
        let why = |line: &str| typed(line).expect_err(line);
        assert!(why("watter rack-a").contains("did you mean water?"), "{}", why("watter rack-a"));
        assert!(why("water rack-a 118ml twice").contains("\"twice\" fits nowhere here"));
        assert!(why("harvest K12 400 500").contains("twice"), "{}", why("harvest K12 400 500"));
        assert!(why("harvest K12 each").contains("424g each"));
        assert!(why("sow K12 rack-b blend=broccoli,kale").contains("seed_grams=24"));
        assert!(why("strike").contains("entry"));
        let lost = "\"mL\" is nothing that \"water\" holds; did you mean ml? Nothing was logged.";
        assert_eq!(why("water rack-a mL=118"), lost);
        assert_eq!(why("look K12 grams=3"), "\"grams\" is nothing that \"look\" holds. Nothing was logged.");
    }

    #[test]
    fn every_example_of_the_help_is_an_entry() {
        for (did, example) in EXAMPLES {
            let words = example.split("   ").next().unwrap_or_default().trim();
            let mut quoted = false;
            let line: String = words
                .chars()
                .filter_map(|letter| match letter {
                    '"' => {
                        quoted = !quoted;
                        None
                    }
                    ' ' if quoted => Some('|'),
                    other => Some(other),
                })
                .collect();
            assert!(typed(&format!("{did} {line}")).is_ok(), "{did} {line}: {:?}", typed(&format!("{did} {line}")));
        }
    }
}
