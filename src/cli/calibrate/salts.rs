//! What people call a salt: in a shop, on its packet, at the prompt.

use crate::engine::quality::calibration::Salt;

/// The salt of a chemist's formula (in any case), of its name, or "table salt".
pub(super) fn called(word: &str) -> Option<Salt> {
    let plain = |text: &str| -> String {
        text.chars().filter(char::is_ascii_alphanumeric).map(|letter| letter.to_ascii_lowercase()).collect()
    };
    let word = plain(word).replace("sulphate", "sulfate");
    let table_salt = matches!(word.as_str(), "tablesalt" | "salt");
    let named = |salt: &Salt| word == plain(salt.formula()) || word == plain(name(*salt));
    if table_salt { Some(Salt::SodiumChloride) } else { Salt::ALL.into_iter().find(named) }
}

/// The name on the packet.
pub(super) fn name(salt: Salt) -> &'static str {
    match salt {
        Salt::LithiumChloride => "lithium chloride",
        Salt::MagnesiumChloride => "magnesium chloride",
        Salt::MagnesiumNitrate => "magnesium nitrate",
        Salt::SodiumChloride => "sodium chloride",
        Salt::PotassiumChloride => "potassium chloride",
        Salt::PotassiumSulfate => "potassium sulfate",
    }
}

/// As a shop calls it, with its formula.
pub(super) fn packet(salt: Salt) -> String {
    match salt {
        Salt::SodiumChloride => "table salt, NaCl".to_owned(),
        other => format!("{}, {}", name(other), other.formula()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_salt_is_known_by_the_names_on_its_packet() {
        for (word, salt) in [
            ("MgCl2", Some(Salt::MagnesiumChloride)),
            ("magnesium-chloride", Some(Salt::MagnesiumChloride)),
            ("table salt", Some(Salt::SodiumChloride)),
            ("nacl", Some(Salt::SodiumChloride)),
            ("Mg(NO3)2", Some(Salt::MagnesiumNitrate)),
            ("Potassium Sulphate", Some(Salt::PotassiumSulfate)),
            ("k2so4", Some(Salt::PotassiumSulfate)),
            ("sugar", None),
        ] {
            assert_eq!(called(word), salt, "{word}");
        }
    }
}
