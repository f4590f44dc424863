//! A blend as people write it, by kinds alone, by shares, or by grams, beside the grams of seed
//! a tray. It becomes grams of each kind, the only form that is kept.

use std::collections::BTreeMap;

/// The grams a tray of each kind: of `broccoli,kale` (equal shares), `broccoli:2,kale:1` or
/// `broccoli:16g,kale:8g`; for shares, of the grams of all kinds together.
///
/// # Errors
/// A sentence with what to write: what is no blend, or shares of nothing.
pub(crate) fn grams(text: &str, together: Option<f64>) -> Result<BTreeMap<String, f64>, String> {
    match (read(text)?, together) {
        (Kinds::Grams(grams), _) => Ok(grams),
        (Kinds::Shares(shares), Some(total)) => Ok(portions(&shares, total)),
        (Kinds::Shares(shares), None) => {
            let grams: Vec<String> = shares.keys().map(|kind| format!("{kind}:8g")).collect();
            Err(format!(
                "a blend needs grams: add seed_grams=24 (grams a tray, all kinds together), or write blend={}",
                grams.join(",")
            ))
        }
    }
}

/// Kinds with a share each, or with grams each.
#[derive(Debug, PartialEq)]
enum Kinds {
    Shares(BTreeMap<String, f64>),
    Grams(BTreeMap<String, f64>),
}

/// The grams of each kind, from the total and the shares.
fn portions(shares: &BTreeMap<String, f64>, total: f64) -> BTreeMap<String, f64> {
    let all: f64 = shares.values().sum();
    shares.iter().map(|(kind, share)| (kind.clone(), total * share / all)).collect()
}

fn read(text: &str) -> Result<Kinds, String> {
    let mut amounts = BTreeMap::new();
    let mut grams = 0;
    for part in text.split([',', '+']).map(str::trim) {
        let (kind, amount) = part.split_once(':').unwrap_or((part, "1"));
        let (kind, amount) = (kind.trim(), amount.trim());
        let bare = amount.strip_suffix('g').map(str::trim_end);
        let number: f64 = bare.unwrap_or(amount).parse().unwrap_or(f64::NAN);
        if kind.is_empty() || !(number.is_finite() && number > 0.0) {
            return Err(format!(
                "\"{part}\" is no part of a blend; write blend=broccoli,kale for equal shares, broccoli:2,kale:1 for others, or broccoli:16g,kale:8g"
            ));
        }
        grams += usize::from(bare.is_some());
        if amounts.insert(kind.to_owned(), number).is_some() {
            return Err(format!("\"{kind}\" stands twice in the blend"));
        }
    }
    match grams {
        0 => Ok(Kinds::Shares(amounts)),
        all if all == amounts.len() => Ok(Kinds::Grams(amounts)),
        _ => Err("either every kind of a blend has grams (broccoli:16g,kale:8g) or none".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use crate::journal::{Did, Entry, Sowing};
    use crate::typed::object::from_json;

    fn sown(more: &str) -> Result<Sowing, String> {
        let text = format!(r#"{{"did":"sow","tray":"K1","place":"rack-a",{more}}}"#);
        match from_json(&text)? {
            Entry { did: Did::Sow(sowing), .. } => Ok(sowing),
            other => Err(format!("{other:?}")),
        }
    }

    fn grams(more: &str) -> Vec<(String, f64)> {
        sown(more).expect("it can be read").blend.into_iter().collect()
    }

    fn each(parts: &[(&str, f64)]) -> Vec<(String, f64)> {
        parts.iter().map(|(kind, grams)| ((*kind).to_owned(), *grams)).collect()
    }

    #[test]
    fn three_kinds_share_24_grams_as_8_each() {
        // Common practice, no source: 24 g a tray, 8 g each of three kinds.
        let thirds = each(&[("broccoli", 8.0), ("kale", 8.0), ("radish", 8.0)]);
        assert_eq!(grams(r#""blend":"broccoli,kale,radish","seed_grams":24"#), thirds);
        assert_eq!(grams(r#""blend":["broccoli","kale","radish"],"seed":24"#), thirds);
        assert_eq!(grams(r#""blend":"broccoli:8g, kale:8 g, radish:8g""#), thirds);
        assert_eq!(grams(r#""blend":{"broccoli":8,"kale":8,"radish":8}"#), thirds);
    }

    #[test]
    fn shares_divide_the_total() {
        assert_eq!(grams(r#""blend":"broccoli:2,kale:1","seed_grams":24"#), each(&[("broccoli", 16.0), ("kale", 8.0)]));
    }

    #[test]
    fn what_gives_no_grams_is_refused_with_the_remedy() {
        assert!(sown(r#""blend":"broccoli,kale""#).expect_err("no total").contains("seed_grams=24"));
        assert!(sown(r#""blend":"broccoli:16g,kale","seed_grams":24"#).expect_err("half grams").contains("or none"));
        assert!(sown(r#""blend":"kale,kale","seed_grams":24"#).expect_err("twice").contains("twice"));
        assert!(sown(r#""blend":"kale:-1","seed_grams":24"#).expect_err("negative").contains("no part of a blend"));
        assert!(sown(r#""blend":"","seed_grams":24"#).is_err());
    }

    #[test]
    fn what_is_kept_reads_back_as_it_was() {
        let before =
            sown(r#""blend":"broccoli:2,kale:1","seed_grams":24,"count":6,"lot":"L7","medium":"coir""#).unwrap();
        let kept = serde_json::to_string(&Entry { at: None, by: None, did: Did::Sow(before.clone()) }).unwrap();
        let Ok(Entry { did: Did::Sow(after), .. }) = serde_json::from_str(&kept) else { panic!("{kept}") };
        assert_eq!(before, after);
    }
}
