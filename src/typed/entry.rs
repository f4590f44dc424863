//! An entry of the journal as it is typed with wet hands: `water rack-a 118ml`. Bare words
//! find their key by the verb and by what they look like; key=value always works. Pure:
//! words in, a JSON object out. What the entry means and whether it can be is not known here.

use super::amount::{self, Dimension};
use super::object::{EXAMPLES, from_object, full_name, nothing_that_can_be_logged, number_value};
use crate::journal::Entry;
use serde_json::{Map, Value};

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
         Units of water:    ml, L, floz, cup, pt, qt, gal; of weight: g, kg, oz, lb. An amount without one is refused.\n\
         Shares of a blend: blend=broccoli:2,kale:1 seed_grams=24, or grams of each: blend=broccoli:16g,kale:8g\n\
         What was logged:   traywarden log --list\n",
    );
    text
}

/// A line as it is typed, in words; what stands in quotes is one word.
pub(crate) fn words_of(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for letter in line.trim().chars() {
        match letter {
            '"' | '\u{201c}' | '\u{201d}' => quoted = !quoted,
            letter if letter.is_whitespace() && !quoted => words.push(String::new()),
            letter => words.last_mut().into_iter().for_each(|word| word.push(letter)),
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

/// The object that `did` and the words after it make, for [`from_object`]. `is_place`
/// knows the places of the settings, which is how "rack-a" is told from a tray.
///
/// # Errors
/// A sentence with the remedy, when a word finds no key.
pub fn entry(did: &str, words: &[String], is_place: impl Fn(&str) -> bool) -> Result<Map<String, Value>, String> {
    let did = did.to_lowercase();
    let mut entry = Map::new();
    entry.insert("did".into(), Value::from(did.as_str()));
    if !EXAMPLES.iter().any(|(known, _)| *known == did) {
        return Err(nothing_that_can_be_logged(&did));
    }
    for word in joined(words, usize::from(tray_first(&did))) {
        match word.split_once('=') {
            Some((key, value)) if !key.contains(char::is_whitespace) => {
                put(&mut entry, full_name(key), Value::from(value))?;
            }
            _ => bare(&mut entry, &did, &word, &is_place)?,
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
    from_object(object)
}

/// A tray's name may look like an amount, so the first word of these is the tray.
fn tray_first(did: &str) -> bool {
    matches!(did, "sow" | "move" | "harvest" | "discard")
}

/// "4 fl oz" typed with spaces is one amount, and "3 lb 8 oz" too. The first `names` words
/// are names, whatever they look like.
fn joined(words: &[String], names: usize) -> Vec<String> {
    let mut joined: Vec<String> = Vec::new();
    for (index, word) in words.iter().enumerate() {
        let before = joined.len().checked_sub(1).filter(|_| index > names).and_then(|last| joined.get_mut(last));
        match before {
            Some(before) if goes_on(before, word) => {
                before.push(' ');
                before.push_str(word);
            }
            _ => joined.push(word.clone()),
        }
    }
    joined
}

/// Whether `word` belongs to the amount that `before` has begun.
fn goes_on(before: &str, word: &str) -> bool {
    if !amount::looks_like_one(before) || before.contains('=') {
        return false;
    }
    let ends_in_number = before.ends_with(|letter: char| letter.is_ascii_digit() || "½¼¾".contains(letter));
    let fluid = before.to_lowercase().ends_with("fl") || before.to_lowercase().ends_with("fl.");
    if ends_in_number || fluid {
        return amount::is_unit(word);
    }
    let pounds = amount::amount(before, Dimension::Weight).is_some() && before.to_lowercase().contains("lb");
    pounds && !before.contains("oz") && amount::looks_like_one(word)
}

/// Finds the key of a bare word.
fn bare(entry: &mut Map<String, Value>, did: &str, word: &str, is_place: &impl Fn(&str) -> bool) -> Result<(), String> {
    let free = |entry: &Map<String, Value>, key: &str| !entry.contains_key(key);
    let lone = |entry: &Map<String, Value>| free(entry, "tray") && free(entry, "place");
    if did == "strike" {
        return put(entry, if free(entry, "entry") { "entry" } else { "note" }, Value::from(word));
    }
    if did == "note" {
        return put(entry, "text", Value::from(word));
    }
    if did == "harvest" && word.eq_ignore_ascii_case("each") {
        let all = entry.remove("grams").ok_or("write the grams before \"each\": 424g each")?;
        return put(entry, "grams_per_tray", all);
    }
    if tray_first(did) && free(entry, "tray") {
        return put(entry, "tray", Value::from(word));
    }
    if let Some((key, number)) = measured(did, word) {
        return put(entry, key, number);
    }
    let is_name = lone(entry) && matches!(did, "unweight" | "uncover" | "light" | "water" | "mist" | "look");
    // "3lb" that became a note, or "3" that became three grams, would be lost or wrong.
    let is_sentence = word.split_whitespace().count() > 2;
    if amount::looks_like_one(word) && !is_name && !is_sentence {
        return Err(no_amount(did, word));
    }
    match did {
        "sow" | "move" if free(entry, "place") => put(entry, "place", Value::from(word)),
        "sow" if free(entry, "crop") && free(entry, "blend") => {
            put(entry, if word.contains([',', '+']) { "blend" } else { "crop" }, Value::from(word))
        }
        "refill" if free(entry, "reservoir") => put(entry, "reservoir", Value::from(word)),
        "discard" if free(entry, "reason") => put(entry, "reason", Value::from(word)),
        "harvest" | "discard" if free(entry, "note") => put(entry, "note", Value::from(word)),
        _ if is_name && !word.eq_ignore_ascii_case("all") => {
            put(entry, if is_place(word) { "place" } else { "tray" }, Value::from(word))
        }
        _ if is_name => Ok(()),
        "look" if free(entry, "note") => put(entry, "note", Value::from(word)),
        _ => Err(format!(
            "\"{word}\" fits nowhere here; put words with spaces into quotes, or write key=value, such as note=\"{word}\""
        )),
    }
}

fn no_amount(did: &str, word: &str) -> String {
    let (what, examples) = match did {
        "water" | "refill" => ("water", Dimension::Volume.examples()),
        "sow" => ("seed, or count of trays", "24g or x6"),
        "discard" => ("share", "30%"),
        "harvest" => ("weight", Dimension::Weight.examples()),
        _ => return format!("\"{word}\" fits nowhere here; \"{did}\" takes no amount. Nothing was logged."),
    };
    format!("\"{word}\" is no amount of {what} that is understood; write {examples}. Nothing was logged.")
}

/// "118ml", "5gal", "424g", "3lb 8oz", "30%", "x6": what the verb can hold of them.
fn measured(did: &str, word: &str) -> Option<(&'static str, Value)> {
    let lower = word.to_lowercase();
    if let Some(count) = lower.strip_prefix('x').filter(|_| did == "sow") {
        return count.parse::<u32>().ok().map(|count| ("count", Value::from(count)));
    }
    let (key, number) = match did {
        "water" => ("ml_per_tray", amount::amount(word, Dimension::Volume)?),
        "refill" => ("litres", amount::amount(word, Dimension::Volume)? / 1000.0),
        "harvest" => ("grams", amount::amount(word, Dimension::Weight)?),
        "sow" => ("seed_grams", amount::amount(word, Dimension::Weight)?),
        "discard" => ("share", lower.strip_suffix('%')?.trim().parse().ok().filter(|share: &f64| share.is_finite())?),
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

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(line: &str) -> Result<String, String> {
        // Words as a shell would part them; quotes are not needed here but for "|".
        let words: Vec<String> = line.split(' ').map(|word| word.replace('|', " ")).collect();
        let object = entry(&words[0], &words[1..], |word| word.starts_with("rack"))?;
        Ok(serde_json::to_string(&from_object(object)?).expect("it can be written"))
    }

    #[test]
    fn what_wet_hands_type_is_understood() {
        for (line, wanted) in [
            ("water rack-a 118ml", r#"{"did":"water","place":"rack-a","ml_per_tray":118.0}"#),
            ("Water rack-a 1.5 cl", r#"{"did":"water","place":"rack-a","ml_per_tray":15.0}"#),
            ("water rack-a 4 fl oz", r#"{"did":"water","place":"rack-a","ml_per_tray":118.294118}"#),
            ("water rack-a 4 oz", r#"{"did":"water","place":"rack-a","ml_per_tray":118.294118}"#),
            ("water 12 4 floz", r#"{"did":"water","tray":"12","ml_per_tray":118.294118}"#),
            ("water rack-a 1/2cup", r#"{"did":"water","place":"rack-a","ml_per_tray":118.294118}"#),
            ("water rack-a ml=4floz", r#"{"did":"water","place":"rack-a","ml_per_tray":118.294118}"#),
            ("refill 5 gal", r#"{"did":"refill","litres":18.927059}"#),
            ("harvest K12 3lb", r#"{"did":"harvest","tray":"K12","grams":1360.77711}"#),
            ("harvest 12 3 lb 8 oz", r#"{"did":"harvest","tray":"12","grams":1587.573295}"#),
            ("harvest K12 15oz each", r#"{"did":"harvest","tray":"K12","grams_per_tray":425.242847}"#),
            ("discard K12 Mold 30%", r#"{"did":"discard","tray":"K12","reason":"mold","share":30.0}"#),
            ("water all 0.25L", r#"{"did":"water","ml_per_tray":250.0}"#),
            ("water", r#"{"did":"water"}"#),
            ("mist K12", r#"{"did":"mist","tray":"K12"}"#),
            ("uncover K12", r#"{"did":"uncover","tray":"K12"}"#),
            ("look K12 all|even", r#"{"did":"look","tray":"K12","note":"all even"}"#),
            ("refill 18L", r#"{"did":"refill","litres":18.0}"#),
            ("refill tank 18L", r#"{"did":"refill","reservoir":"tank","litres":18.0}"#),
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
        assert!(why("harvest K12 400g 500g").contains("twice"), "{}", why("harvest K12 400g 500g"));
        assert!(why("harvest K12 each").contains("424g each"));
        assert!(why("sow K12 rack-b blend=broccoli,kale").contains("seed_grams=24"));
        assert!(why("strike").contains("which entry"));
        let lost = "\"mL\" is nothing that \"water\" holds; did you mean ml? Nothing was logged.";
        assert_eq!(why("water rack-a mL=118"), lost);
        let weight = "is no amount of weight that is understood; write 424g, 1.7kg, 15oz or 3lb. Nothing was logged.";
        assert_eq!(why("harvest A9 3"), format!("\"3\" {weight}"));
        assert_eq!(why("harvest A9 3stone"), format!("\"3stone\" {weight}"));
        assert_eq!(why("harvest A9 3 stone"), format!("\"3\" {weight}"));
        let water =
            "is no amount of water that is understood; write 118ml, 1.5L, 4floz, 2cups or 1gal. Nothing was logged.";
        assert_eq!(why("water rack-a 118"), format!("\"118\" {water}"));
        assert_eq!(why("refill 3lb"), format!("\"3lb\" {water}"));
        assert!(why("look rack-a 30%").contains("takes no amount"));
        assert_eq!(why("look K12 grams=3"), "\"grams\" is nothing that \"look\" holds. Nothing was logged.");
    }

    #[test]
    fn every_example_of_the_help_is_an_entry() {
        for (did, example) in EXAMPLES {
            let words = example.split("   ").next().unwrap_or_default().trim();
            let line: Vec<String> = words_of(words).iter().map(|word| word.replace(' ', "|")).collect();
            let line = format!("{did} {}", line.join(" "));
            assert!(typed(&line).is_ok(), "{line}: {:?}", typed(&line));
        }
    }
}
