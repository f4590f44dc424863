//! JSON as a tree that borrows from the payload, refuses a name that stands
//! twice, and answers JSON Pointers (RFC 6901). What a value means is left to
//! `payload` and `senml`.

use serde::de::{self, Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::fmt;

/// Up to this many names are compared one by one; beyond, a set is quicker.
const NAMES_COMPARED_ONE_BY_ONE: usize = 16;

/// One JSON value.
#[derive(Debug, PartialEq)]
pub(super) enum Json<'a> {
    /// `null`.
    Null,
    /// `true` or `false`: never a reading, so which one is not kept.
    Boolean,
    /// Any number; finite.
    Number(f64),
    /// A string.
    Text(Cow<'a, str>),
    /// An array.
    Array(Vec<Json<'a>>),
    /// An object, in the order of the text, every name once.
    Object(Vec<(Cow<'a, str>, Json<'a>)>),
}

impl<'a> Json<'a> {
    /// The whole of `text` as one value; `None` if it is not exactly that.
    pub(super) fn read(text: &'a str) -> Option<Self> {
        serde_json::from_str(text).ok()
    }

    /// The member of that name, if this is an object that has it.
    pub(super) fn member(&self, name: &str) -> Option<&Json<'a>> {
        match self {
            Json::Object(members) => members.iter().find(|(known, _)| known == name).map(|(_, value)| value),
            _ => None,
        }
    }

    /// What a JSON Pointer (RFC 6901, section 4) points at.
    pub(super) fn at(&self, pointer: &str) -> Option<&Json<'a>> {
        if pointer.is_empty() {
            return Some(self);
        }
        pointer.strip_prefix('/')?.split('/').try_fold(self, |here, token| match here {
            Json::Object(_) if token.contains('~') => here.member(&token.replace("~1", "/").replace("~0", "~")),
            Json::Object(_) => here.member(token),
            Json::Array(items) => array_index(token).and_then(|index| items.get(index)),
            _ => None,
        })
    }
}

/// Digits without a leading nought, as RFC 6901 section 4 demands.
fn array_index(token: &str) -> Option<usize> {
    let canonical = token == "0" || (!token.starts_with('0') && token.bytes().all(|byte| byte.is_ascii_digit()));
    if canonical { token.parse().ok() } else { None }
}

/// `text` with every `NaN` that stands outside a string made `null`; `None` if
/// there is none. It is no JSON, but what `printf` writes for "no value".
pub(super) fn with_nan_as_null(text: &str) -> Option<String> {
    let bytes = text.as_bytes();
    let mut mended = String::new();
    let (mut copied, mut position, mut inside_string) = (0, 0, false);
    while position < bytes.len() {
        match bytes[position] {
            b'\\' if inside_string => position += 1,
            b'"' => inside_string = !inside_string,
            b'n' | b'N' if !inside_string && bytes[position..].len() >= 3 => {
                let begins_word = position == 0 || !bytes[position - 1].is_ascii_alphanumeric();
                let ends_word = bytes.get(position + 3).is_none_or(|byte| !byte.is_ascii_alphanumeric());
                if begins_word && ends_word && bytes[position..position + 3].eq_ignore_ascii_case(b"nan") {
                    let signed = position > copied && bytes[position - 1] == b'-';
                    mended.push_str(&text[copied..position - usize::from(signed)]);
                    mended.push_str("null");
                    copied = position + 3;
                    position += 2;
                }
            }
            _ => {}
        }
        position += 1;
    }
    if copied == 0 {
        return None;
    }
    mended.push_str(&text[copied..]);
    Some(mended)
}

impl<'de: 'a, 'a> Deserialize<'de> for Json<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Tree)
    }
}

struct Tree;

impl<'de> Visitor<'de> for Tree {
    type Value = Json<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E: de::Error>(self) -> Result<Json<'de>, E> {
        Ok(Json::Null)
    }

    fn visit_bool<E: de::Error>(self, _: bool) -> Result<Json<'de>, E> {
        Ok(Json::Boolean)
    }

    fn visit_i64<E: de::Error>(self, number: i64) -> Result<Json<'de>, E> {
        Ok(Json::Number(number as f64))
    }

    fn visit_u64<E: de::Error>(self, number: u64) -> Result<Json<'de>, E> {
        Ok(Json::Number(number as f64))
    }

    fn visit_f64<E: de::Error>(self, number: f64) -> Result<Json<'de>, E> {
        Ok(Json::Number(number))
    }

    fn visit_borrowed_str<E: de::Error>(self, text: &'de str) -> Result<Json<'de>, E> {
        Ok(Json::Text(Cow::Borrowed(text)))
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Json<'de>, E> {
        Ok(Json::Text(Cow::Owned(text.to_owned())))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut sequence: A) -> Result<Json<'de>, A::Error> {
        let mut items = Vec::new();
        while let Some(item) = sequence.next_element()? {
            items.push(item);
        }
        Ok(Json::Array(items))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Json<'de>, A::Error> {
        let mut members: Vec<(Cow<'de, str>, Json<'de>)> = Vec::new();
        let mut known: BTreeSet<Cow<'de, str>> = BTreeSet::new();
        while let Some(Name(name)) = map.next_key()? {
            let twice = if members.len() < NAMES_COMPARED_ONE_BY_ONE {
                members.iter().any(|(other, _)| *other == name)
            } else {
                if known.is_empty() {
                    known.extend(members.iter().map(|(other, _)| other.clone()));
                }
                !known.insert(name.clone())
            };
            if twice {
                return Err(de::Error::custom("a name stands twice in one object"));
            }
            members.push((name, map.next_value()?));
        }
        Ok(Json::Object(members))
    }
}

/// A name, borrowed where it holds no escape (a plain `Cow` would always copy).
struct Name<'a>(Cow<'a, str>);

impl<'de: 'a, 'a> Deserialize<'de> for Name<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct NameVisitor;
        impl<'de> Visitor<'de> for NameVisitor {
            type Value = Name<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a name")
            }
            fn visit_borrowed_str<E: de::Error>(self, name: &'de str) -> Result<Name<'de>, E> {
                Ok(Name(Cow::Borrowed(name)))
            }
            fn visit_str<E: de::Error>(self, name: &str) -> Result<Name<'de>, E> {
                Ok(Name(Cow::Owned(name.to_owned())))
            }
        }
        deserializer.deserialize_str(NameVisitor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// RFC 6901, section 5: the document and its pointers.
    const RFC_6901: &str =
        r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;

    #[test]
    fn the_pointers_of_rfc_6901_section_5_point_where_it_says() {
        let document = Json::read(RFC_6901).expect("the RFC's document is JSON");
        assert_eq!(document.at(""), Some(&document));
        assert_eq!(document.at("/foo/0"), Some(&Json::Text("bar".into())));
        assert!(matches!(document.at("/foo"), Some(Json::Array(items)) if items.len() == 2));
        let numbers =
            [("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ("/k\"l", 6), ("/ ", 7)];
        for (pointer, wanted) in numbers.into_iter().chain([("/m~0n", 8)]) {
            assert_eq!(document.at(pointer), Some(&Json::Number(f64::from(wanted))), "{pointer}");
        }
        assert_eq!(document.at("foo"), None);
        assert_eq!(document.at("/foo/00"), None);
        assert_eq!(document.at("/foo/-"), None);
        assert_eq!(document.at("/foo/2"), None);
    }

    #[test]
    fn a_name_that_stands_twice_is_refused_in_small_and_in_large_objects() {
        assert_eq!(Json::read(r#"{"v":1,"v":2}"#), None);
        assert_eq!(Json::read(r#"{"a":{"v":1,"\u0076":2}}"#), None);
        let many: Vec<String> = (0..40).map(|n| format!(r#""n{n}":{n}"#)).collect();
        assert!(Json::read(&format!("{{{}}}", many.join(","))).is_some());
        assert_eq!(Json::read(&format!("{{{},\"n39\":1}}", many.join(","))), None);
        assert_eq!(Json::read(&format!("{{{},\"n3\":1}}", many.join(","))), None);
    }

    #[test]
    fn a_bare_nan_becomes_null_only_outside_strings_and_words() {
        assert_eq!(with_nan_as_null(r#"{"v":NaN,"w":-nan}"#).as_deref(), Some(r#"{"v":null,"w":null}"#));
        assert_eq!(with_nan_as_null(r#"{"v":"NaN"}"#), None);
        assert_eq!(with_nan_as_null(r#"{"\"nan":1}"#), None);
        assert_eq!(with_nan_as_null("[nano,xnan]"), None);
        assert_eq!(with_nan_as_null("nan").as_deref(), Some("null"));
    }

    proptest! {
        #[test]
        fn pointers_answer_as_serde_json_does(pointer in r#"(/(foo|0|1|01|a~1b|m~0n|~|\+1| |)){0,3}"#) {
            let ours = Json::read(RFC_6901).expect("JSON");
            let theirs: serde_json::Value = serde_json::from_str(RFC_6901).expect("JSON");
            prop_assert_eq!(ours.at(&pointer).is_some(), theirs.pointer(&pointer).is_some(), "{}", pointer);
        }

        #[test]
        fn mending_nan_never_panics(text in any::<String>()) {
            let _ = with_nan_as_null(&text);
        }
    }
}
