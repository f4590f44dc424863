//! An amount as a scale, a jug or a letter shows it: `118ml`, `4 fl oz`, `3lb 8oz`, `1/2 cup`.
//! Always with its unit: a bare number is an amount of nothing. Pure.

use crate::units::GRAMS_AN_OUNCE;

/// One US gallon in millilitres, exactly (NIST Handbook 44, Appendix C).
const GALLON_ML: f64 = 3_785.411_784;
/// A gallon is 4 quarts, 8 pints, 16 cups, 128 fluid ounces, 256 tablespoons (the same appendix).
const FLUID_OUNCE_ML: f64 = GALLON_ML / 128.0;

/// What is measured, so that a bare "oz" is known for what it is: of water it is a fluid ounce.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dimension {
    /// In millilitres.
    Volume,
    /// A weight: what it comes to is grams.
    Weight,
}

impl Dimension {
    /// How it may be written, for a refusal.
    pub(crate) fn examples(self) -> &'static str {
        match self {
            Dimension::Volume => "118ml, 1.5L, 4floz, 2cups or 1gal",
            Dimension::Weight => "424g, 1.7kg, 15oz or 3lb",
        }
    }
}

/// Millilitres or grams; `None` when this is no number with a unit of this measure.
pub(crate) fn amount(text: &str, measure: Dimension) -> Option<f64> {
    let (number, unit) = parted(text)?;
    let unit = unit.to_lowercase();
    // "3lb 8oz", as scales show it.
    if measure == Dimension::Weight
        && let Some((unit, rest)) = unit.split_once(|letter: char| letter.is_ascii_digit() || letter == ' ')
        && is_pound(unit.trim())
    {
        let rest = &text[text.len() - rest.len() - 1..];
        let (ounces, unit) = parted(rest.trim())?;
        let is_ounce = matches!(unit.to_lowercase().as_str(), "oz" | "ounce" | "ounces");
        return (is_ounce && ounces < 16.0).then_some((number * 16.0 + ounces) * GRAMS_AN_OUNCE);
    }
    let unit: String = unit.chars().filter(|letter| !matches!(letter, ' ' | '.')).collect();
    let factor = match measure {
        Dimension::Volume => millilitres(&unit)?,
        Dimension::Weight => grams(&unit)?,
    };
    Some(number * factor)
}

/// Whether a word begins as a number does, so that it was meant as an amount.
pub(crate) fn looks_like_one(word: &str) -> bool {
    let bare = word.trim_start_matches(['-', '+', '.', '~']);
    bare.starts_with(|letter: char| letter.is_ascii_digit() || "½¼¾".contains(letter))
}

/// Whether a word alone is a unit, or the beginning of "fl oz": "118 ml" may come as two words.
pub(crate) fn is_unit(word: &str) -> bool {
    let word = word.to_lowercase().replace('.', "");
    word == "fl" || word == "fluid" || millilitres(&word).is_some() || grams(&word).is_some()
}

fn is_pound(unit: &str) -> bool {
    matches!(unit, "lb" | "lbs" | "pound" | "pounds" | "lb." | "lbs.")
}

fn millilitres(unit: &str) -> Option<f64> {
    Some(match unit {
        "ml" | "millilitre" | "millilitres" | "milliliter" | "milliliters" | "cc" => 1.0,
        "cl" => 10.0,
        "dl" => 100.0,
        "l" | "litre" | "litres" | "liter" | "liters" => 1000.0,
        "floz" | "fluidounce" | "fluidounces" | "oz" | "ounce" | "ounces" => FLUID_OUNCE_ML,
        "cup" | "cups" => GALLON_ML / 16.0,
        "pt" | "pint" | "pints" => GALLON_ML / 8.0,
        "qt" | "quart" | "quarts" => GALLON_ML / 4.0,
        "gal" | "gallon" | "gallons" => GALLON_ML,
        "tbsp" | "tablespoon" | "tablespoons" => GALLON_ML / 256.0,
        "tsp" | "teaspoon" | "teaspoons" => GALLON_ML / 768.0,
        _ => return None,
    })
}

fn grams(unit: &str) -> Option<f64> {
    Some(match unit {
        "g" | "gram" | "grams" => 1.0,
        "kg" | "kilo" | "kilos" | "kilogram" | "kilograms" => 1000.0,
        "oz" | "ounce" | "ounces" => GRAMS_AN_OUNCE,
        pound if is_pound(pound) => 16.0 * GRAMS_AN_OUNCE,
        _ => return None,
    })
}

/// The number before the unit: "1.5", "1/2", "½", "1½".
fn parted(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let end = text.find(|letter: char| !(letter.is_ascii_digit() || "./-+½¼¾".contains(letter))).unwrap_or(text.len());
    let (written, unit) = text.split_at(end);
    let (whole, part) = match written.char_indices().find(|(_, letter)| "½¼¾".contains(*letter)) {
        Some((at, letter)) if at + letter.len_utf8() == written.len() => (
            &written[..at],
            if letter == '½' {
                0.5
            } else if letter == '¼' {
                0.25
            } else {
                0.75
            },
        ),
        Some(_) => return None,
        None => (written, 0.0),
    };
    let number = match whole.split_once('/') {
        _ if whole.is_empty() && part > 0.0 => part,
        Some((above, below)) => above.parse::<f64>().ok()? / below.parse::<f64>().ok()?,
        None => whole.parse::<f64>().ok()? + part,
    };
    number.is_finite().then_some((number, unit.trim()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn volume(text: &str) -> Option<f64> {
        amount(text, Dimension::Volume)
    }

    fn weight(text: &str) -> Option<f64> {
        amount(text, Dimension::Weight)
    }

    #[track_caller]
    fn close(found: Option<f64>, wanted: f64) {
        assert!(found.is_some_and(|found| (found - wanted).abs() < 1e-6), "{found:?}, not {wanted}");
    }

    #[test]
    fn amounts_agree_with_the_tables_of_handbook_44() {
        // NIST Handbook 44 (2024), Appendix C, "Units of Liquid Volume" and "Units of Mass" (from memory).
        close(volume("1 gal"), 3_785.411_784);
        close(volume("1qt"), 946.352_946);
        close(volume("1 pint"), 473.176_473);
        close(volume("1 cup"), 236.588_236_5);
        close(volume("1 fl oz"), 29.573_529_562_5);
        close(volume("1 tbsp"), 14.786_764_781_25);
        close(volume("1 tsp"), 4.928_921_593_75);
        close(weight("1 lb"), 453.592_37);
        close(weight("1oz"), 28.349_523_125);
    }

    #[test]
    fn what_letters_and_scales_show_is_understood() {
        close(volume("4 fl. oz."), 118.294_118_25);
        close(volume("4FLOZ"), 118.294_118_25);
        close(volume("4oz"), 118.294_118_25);
        close(volume("1/2 cup"), 118.294_118_25);
        close(volume("½cup"), 118.294_118_25);
        close(volume("1½ L"), 1500.0);
        close(weight("3lb"), 1_360.777_11);
        close(weight("3 Lbs"), 1_360.777_11);
        close(weight("3lb8oz"), 1_587.573_295);
        close(weight("3 lb 8 oz"), 1_587.573_295);
        close(weight("3lb 8.5oz"), 1_601.748_056_562_5);
        close(weight("1.7kg"), 1700.0);
    }

    #[test]
    fn what_is_no_amount_is_none() {
        for text in
            ["3", "lb", "3 stone", "1/0 cup", "1//2 cup", "½½cup", "1.2.3 L", "", "3lb 20oz", "3lb 8ml", "nan g"]
        {
            assert_eq!((volume(text), weight(text)), (None, None), "{text}");
        }
        assert_eq!((volume("3lb"), weight("3ml")), (None, None));
    }
}
