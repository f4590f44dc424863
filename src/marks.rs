//! The mark a letter carries, by which an answer to it is known: unguessable, and the same
//! whenever the letter is made again. In the Message-ID for mail programs that keep it, and
//! as a short code for those that lose it.

use ring::hmac;
use ring::rand::{SecureRandom, SystemRandom};

/// The digits of a code: no I, L, O or U, which are misread (Crockford's base 32).
const DIGITS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// 40 bits. With the sender's address to be right too, and every miss counted, too many to try.
const CODE: usize = 8;

/// What marks are made with. Kept in the store; whoever has it can answer letters.
#[derive(Clone, Debug)]
pub struct MarkKey(hmac::Key);

impl MarkKey {
    /// From the kept bytes.
    pub fn new(bytes: &[u8; 32]) -> MarkKey {
        MarkKey(hmac::Key::new(hmac::HMAC_SHA256, bytes))
    }

    /// For letters that are only looked at, or only tried: no answer to one is ever taken.
    pub(crate) fn unanswerable() -> MarkKey {
        MarkKey::new(&[0; 32])
    }

    /// New bytes from the system. `None`: it has none to give.
    pub fn fresh() -> Option<[u8; 32]> {
        let mut bytes = [0; 32];
        SystemRandom::new().fill(&mut bytes).ok()?;
        Some(bytes)
    }

    /// 128 bits of HMAC-SHA-256 (RFC 2104) over letter and recipient, in hexadecimal.
    pub(crate) fn message_mark(&self, letter: &str, recipient: &str) -> String {
        let tag = hmac::sign(&self.0, format!("message\n{letter}\n{recipient}").as_bytes());
        tag.as_ref()[..16].iter().map(|byte| format!("{byte:02x}")).collect()
    }

    /// The code of a letter: "K7QD-4MXR".
    pub fn code(&self, letter: &str) -> String {
        let tag = hmac::sign(&self.0, format!("code\n{letter}").as_bytes());
        let mut digits: Vec<char> =
            tag.as_ref()[..CODE].iter().map(|byte| char::from(DIGITS[usize::from(byte % 32)])).collect();
        digits.insert(CODE / 2, '-');
        digits.into_iter().collect()
    }
}

/// Everything in a text that looks like a code, as [`MarkKey::code`] writes it; at most
/// `most`, so that a long mail costs little.
pub(crate) fn codes_in(text: &str, most: usize) -> Vec<String> {
    let word_part = |sign: char| sign.is_ascii_alphanumeric() || sign == '-';
    text.split(|sign| !word_part(sign)).filter_map(code_of).take(most).collect()
}

fn code_of(word: &str) -> Option<String> {
    let (first, second) = word.split_once('-')?;
    if first.len() != CODE / 2 || second.len() != CODE / 2 {
        return None;
    }
    let code: String = word.chars().map(as_written).collect();
    let is_digit = |sign: char| sign == '-' || DIGITS.contains(&(sign as u8));
    code.chars().all(is_digit).then_some(code)
}

/// What is misread is read as it was meant.
fn as_written(sign: char) -> char {
    match sign.to_ascii_uppercase() {
        'I' | 'L' => '1',
        'O' => '0',
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_of_one_letter_one_recipient_and_one_key() {
        let key = MarkKey::new(&[7; 32]);
        let mark = key.message_mark("alarm-1", "a@saltmarsh.example");
        assert_eq!(mark, MarkKey::new(&[7; 32]).message_mark("alarm-1", "a@saltmarsh.example"));
        assert_eq!(mark.len(), 32);
        assert_ne!(mark, key.message_mark("alarm-1", "b@saltmarsh.example"));
        assert_ne!(mark, key.message_mark("alarm-2", "a@saltmarsh.example"));
        assert_ne!(mark, MarkKey::new(&[8; 32]).message_mark("alarm-1", "a@saltmarsh.example"));
        assert_ne!(key.code("alarm-1"), key.code("alarm-2"));
    }

    #[test]
    fn a_code_is_found_again_however_it_was_copied() {
        let code = MarkKey::new(&[7; 32]).code("alarm-1");
        for text in [
            format!("Re: Now: tank empty [{code}]"),
            format!("> Mark of this letter: {}.", code.to_lowercase()),
            code.replace('0', "o").replace('1', "l"),
        ] {
            assert_eq!(codes_in(&text, 10), [code.as_str()], "{text}");
        }
        assert_eq!(codes_in("rack-b since 2026-11-26, 12-1234", 10), [""; 0]);
    }
}
