//! A struct of the engine is either a plain value, open alike in all its fields, or keeps its own
//! state and answers by methods. One that mixes the two hides which it is.

use super::{Source, code_of, is_of_tests, none, sources};
use std::collections::BTreeSet;

/// Neither: a value as heard is rounded on its way in.
const NEITHER: &str = "RawReading";

/// Every struct with named fields, and how open these are.
fn openings(source: &Source) -> Vec<(String, BTreeSet<String>)> {
    let mut found: Vec<(String, BTreeSet<String>)> = Vec::new();
    let mut inside = false;
    for line in code_of(source).lines() {
        if let Some((_, rest)) = line.split_once("struct ").filter(|_| !line.starts_with(' ')) {
            inside = line.ends_with('{');
            if inside {
                let name = rest.chars().take_while(|sign| sign.is_alphanumeric()).collect();
                found.push((name, BTreeSet::new()));
            }
        } else if line == "}" {
            inside = false;
        } else if let Some(field) = line.strip_prefix("    ").filter(|line| inside && !line.starts_with([' ', '#'])) {
            let open = if field.starts_with("pub") { field.split(' ').next().unwrap_or_default() } else { "" };
            if let Some((_, fields)) = found.last_mut() {
                fields.insert(open.to_owned());
            }
        }
    }
    found
}

#[test]
fn the_fields_of_a_struct_are_open_alike() {
    let mut structs = 0;
    let mut mixed = Vec::new();
    for source in sources("src/engine").iter().filter(|source| !is_of_tests(&source.path)) {
        for (name, fields) in openings(source) {
            structs += 1;
            if fields.len() > 1 && name != NEITHER {
                mixed.push(format!("{}: {name}: open all of its fields alike, or none and give methods", source.path));
            }
        }
    }
    assert!(structs > 100, "only {structs} structs were found: this law would hold for nothing");
    none(mixed);
}

#[test]
fn every_way_to_open_a_field_is_found() {
    let text = "pub struct One<'a> {\n    /// Says.\n    pub a: &'a str,\n    #[serde(skip)]\n    pub(crate) b: u8,\n    c: u8,\n}\nstruct Two(u8);\nimpl Two {\n    fn d() {}\n}\n";
    let source = Source { path: "src/engine/x.rs".to_owned(), text: text.to_owned() };
    let fields = ["", "pub", "pub(crate)"].map(str::to_owned).into();
    assert_eq!(openings(&source), [("One".to_owned(), fields)]);
}
