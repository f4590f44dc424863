//! One word means one thing: no two types of the tree share a name, whoever may see them.

use super::{Source, code_of, is_of_tests, none, sources};
use std::collections::BTreeMap;

/// The types that a file declares. Those that a trait asks for are the trait's own names.
fn declared(source: &Source) -> Vec<String> {
    let code = code_of(source);
    let mut found = Vec::new();
    for line in code.lines() {
        let is_inside = line.starts_with(' ');
        let line = line.trim_start();
        let line = match line.strip_prefix("pub") {
            Some(rest) if rest.starts_with('(') => rest.split_once(") ").map_or("", |(_, rest)| rest),
            Some(rest) => rest.trim_start(),
            None => line,
        };
        let Some((kind, rest)) = line.split_once(' ') else { continue };
        let of_trait = kind == "type" && is_inside;
        if ["struct", "enum", "trait", "type"].contains(&kind) && !of_trait {
            found.push(rest.chars().take_while(|sign| sign.is_alphanumeric() || *sign == '_').collect());
        }
    }
    found
}

#[test]
fn a_name_of_a_type_is_taken_once() {
    let mut taken: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for source in sources("src").iter().filter(|source| !is_of_tests(&source.path)) {
        for name in declared(source) {
            taken.entry(name).or_default().push(source.path.clone());
        }
    }
    assert!(taken.len() > 600, "only {} types were found: this law would hold for nothing", taken.len());
    let twice = taken.into_iter().filter(|(_, files)| files.len() > 1);
    none(twice.map(|(name, files)| format!("{name}: {}: name each for what it is", files.join(", "))).collect());
}

#[test]
fn every_form_of_a_declaration_is_found() {
    let text = "pub struct One;\npub(super) enum Two {\n    A,\n}\n    struct Three<'a> {\ntype Four = u8;\n    type Output = u8;\npub(in crate::x) trait Five {}\n#[cfg(test)]\nstruct Six;\n";
    let source = Source { path: "src/x.rs".to_owned(), text: text.to_owned() };
    assert_eq!(declared(&source), ["One", "Two", "Three", "Four", "Five"]);
}
