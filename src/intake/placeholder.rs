//! Words that devices send where they have no value.

/// What gateways write where a sensor gave no value (common practice, no source).
const PLACEHOLDERS: [&str; 7] = ["unavailable", "unknown", "none", "nan", "null", "error", "offline"];

/// Whether a text is one of the words that stand for "no value".
pub(super) fn is_placeholder(text: &str) -> bool {
    text.len() <= "unavailable".len() && PLACEHOLDERS.iter().any(|word| text.eq_ignore_ascii_case(word))
}
