//! Imports run one way: no file names one that names it, nor by a way round. So every file
//! can be read, tested and moved with what stands below it alone.
//!
//! A file is a module. What it names is read from its paths: `crate::`, `super::`, its own
//! modules. A name that a `mod.rs` only passes on counts as the file it comes from.

use super::{Source, code_of, is_of_tests, none, sources};
use std::collections::{BTreeMap, BTreeSet};

type Module = Vec<String>;

/// One path in a file, and whether it stands in a `use`, or in one that passes it on.
struct Named {
    path: Vec<String>,
    imported: bool,
    passed_on: bool,
}

fn module_of(path: &str) -> Module {
    let path = path.trim_start_matches("src/").trim_end_matches(".rs");
    let path = path.trim_end_matches("/mod").trim_end_matches("/lib");
    path.split('/').filter(|part| *part != "lib").map(str::to_owned).collect()
}

fn is_of_word(sign: char) -> bool {
    sign.is_alphanumeric() || sign == '_'
}

/// Every path of a text that begins with one of the words, groups in braces taken apart.
fn paths(code: &str, begins: &BTreeSet<String>) -> Vec<Named> {
    let mut named = Vec::new();
    let mut at = 0;
    while at < code.len() {
        let rest = &code[at..];
        let word: String = rest.chars().take_while(|sign| is_of_word(*sign)).collect();
        if word.is_empty() {
            at += rest.chars().next().map_or(1, char::len_utf8);
            continue;
        }
        let before = code[..at].trim_end();
        let own_line = before.rsplit(['\n', ';']).next().unwrap_or_default().trim();
        let visibility = before.ends_with("(in");
        if begins.contains(&word) && rest[word.len()..].starts_with("::") && !before.ends_with("::") && !visibility {
            let mut found = Vec::new();
            let length = tree(rest, &mut Vec::new(), &mut found);
            let imported = own_line.ends_with("use");
            let passed_on = imported && own_line.starts_with("pub");
            named.extend(found.into_iter().map(|path| Named { path, imported, passed_on }));
            at += length;
        } else {
            at += word.len();
        }
    }
    named
}

/// Reads a path, with whatever stands in its braces; how many bytes it took.
fn tree(text: &str, before: &mut Vec<String>, found: &mut Vec<Vec<String>>) -> usize {
    let (mut at, depth) = (0, before.len());
    loop {
        let word: String = text[at..].chars().take_while(|sign| is_of_word(*sign)).collect();
        at += word.len();
        if !word.is_empty() {
            before.push(word);
        }
        match text[at..].strip_prefix("::") {
            Some(rest) if rest.starts_with('{') => {
                at += 3;
                loop {
                    at += text[at..].len() - text[at..].trim_start_matches([' ', '\n', ',']).len();
                    match text[at..].chars().next() {
                        None => break,
                        Some('}') => {
                            at += 1;
                            break;
                        }
                        Some(sign) if is_of_word(sign) => at += tree(&text[at..], before, found),
                        Some(sign) => at += sign.len_utf8(),
                    }
                }
                break;
            }
            Some(rest) if rest.starts_with(is_of_word) => at += 2,
            _ => {
                found.push(before.clone());
                break;
            }
        }
    }
    before.truncate(depth);
    at
}

struct Tree {
    modules: BTreeSet<Module>,
    /// What a module has of others under which name.
    passed_on: BTreeMap<(Module, String), Module>,
}

impl Tree {
    /// The file that a path of a file leads to.
    fn target(&self, from: &Module, path: &[String]) -> Option<Module> {
        let of_engine = from.first().is_some_and(|first| first == "engine");
        let engine = || vec!["engine".to_owned()];
        let mut rest = path;
        let mut at = match path.first()?.as_str() {
            "crate" => {
                rest = &path[1..];
                // Names that lib.rs has of the engine.
                let shared = ["units", "reading", "journal"].contains(&rest.first()?.as_str());
                if of_engine || shared { engine() } else { Vec::new() }
            }
            "super" => {
                let ups = path.iter().take_while(|word| *word == "super").count();
                rest = &path[ups..];
                from[..from.len().checked_sub(ups)?].to_vec()
            }
            "self" => {
                rest = &path[1..];
                from.clone()
            }
            _ => from.clone(),
        };
        for word in rest {
            let below = [&at[..], std::slice::from_ref(word)].concat();
            if self.modules.contains(&below) {
                at = below;
                continue;
            }
            match self.passed_on.get(&(at.clone(), word.clone())) {
                Some(other) if *other != at => at = other.clone(),
                _ => break,
            }
        }
        self.modules.contains(&at).then_some(at)
    }
}

/// Which file names which, from the files' own paths.
fn arrows(files: &[Source]) -> BTreeMap<Module, BTreeSet<Module>> {
    let files: Vec<&Source> =
        files.iter().filter(|source| !is_of_tests(&source.path) && source.path != "src/main.rs").collect();
    let modules: BTreeSet<Module> = files.iter().map(|source| module_of(&source.path)).collect();
    let read = |source: &&Source| {
        let own = module_of(&source.path);
        let below = modules.iter().filter(|module| module.len() == own.len() + 1 && module.starts_with(&own));
        let begins = ["crate", "super", "self"].map(str::to_owned).into_iter();
        let begins = begins.chain(below.filter_map(|module| module.last().cloned())).collect();
        (own, paths(&code_of(source), &begins))
    };
    let all: Vec<(Module, Vec<Named>)> = files.iter().map(read).collect();
    let mut tree = Tree { modules: modules.clone(), passed_on: BTreeMap::new() };
    // Twice: a name may be passed on by one that has it of another.
    for _ in 0..2 {
        let mut passed_on = BTreeMap::new();
        for (own, named) in &all {
            for one in named.iter().filter(|one| one.imported) {
                if let (Some(target), Some(name)) = (tree.target(own, &one.path), one.path.last()) {
                    passed_on.insert((own.clone(), name.clone()), target);
                }
            }
        }
        tree.passed_on = passed_on;
    }
    let mut arrows: BTreeMap<Module, BTreeSet<Module>> = BTreeMap::new();
    for (own, named) in &all {
        let targets = named.iter().filter(|one| !one.passed_on).filter_map(|one| tree.target(own, &one.path));
        arrows.entry(own.clone()).or_default().extend(targets.filter(|target| target != own));
    }
    arrows
}

/// Every circle that is met, as a sentence.
fn circles(arrows: &BTreeMap<Module, BTreeSet<Module>>) -> Vec<String> {
    fn walk<'a>(
        at: &'a Module,
        arrows: &'a BTreeMap<Module, BTreeSet<Module>>,
        way: &mut Vec<&'a Module>,
        done: &mut BTreeSet<&'a Module>,
        met: &mut Vec<String>,
    ) {
        if let Some(begin) = way.iter().position(|before| *before == at) {
            let names = way[begin..].iter().chain([&at]).map(|module| module.join("::"));
            met.push(names.collect::<Vec<_>>().join(" -> "));
            return;
        }
        if done.contains(at) {
            return;
        }
        way.push(at);
        for next in arrows.get(at).into_iter().flatten() {
            walk(next, arrows, way, done, met);
        }
        way.pop();
        done.insert(at);
    }
    let (mut met, mut done) = (Vec::new(), BTreeSet::new());
    for module in arrows.keys() {
        walk(module, arrows, &mut Vec::new(), &mut done, &mut met);
    }
    met
}

#[test]
fn no_file_names_one_that_names_it() {
    let arrows = arrows(&sources("src"));
    let count: usize = arrows.values().map(BTreeSet::len).sum();
    assert!(count > 900, "only {count} imports were found: this law would hold for nothing");
    none(circles(&arrows));
}

#[test]
fn a_circle_is_found_by_any_way_round() {
    let file = |path: &str, text: &str| Source { path: path.to_owned(), text: text.to_owned() };
    let found = |texts: [(&str, &str); 4]| circles(&arrows(&texts.map(|(path, text)| file(path, text))));
    let room = ("src/room/mod.rs", "mod a;\nmod b;\nmod c;\npub use a::{\n    One,\n    Two,\n};\n");
    let straight = [room, ("src/room/a.rs", ""), ("src/room/b.rs", "use super::One;"), ("src/room/c.rs", "")];
    assert_eq!(found(straight), [""; 0]);
    let round = [
        room,
        ("src/room/a.rs", "use super::{b::{X, Y}, c};\npub struct One;"),
        ("src/room/b.rs", "use super::Two;"),
        ("src/room/c.rs", ""),
    ];
    assert_eq!(found(round), ["room::a -> room::b -> room::a"]);
    let written_out = [
        room,
        ("src/room/a.rs", "fn x() { crate::room::c::y() }"),
        ("src/room/b.rs", "// use super::c;\nuse super::One;"),
        ("src/room/c.rs", "use super::b::Z;"),
    ];
    assert_eq!(found(written_out), ["room::a -> room::c -> room::b -> room::a"]);
}
