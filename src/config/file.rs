//! Walks a TOML document and keeps, beside each value, its line and its full key,
//! so that every problem can be collected and shown at once. What the values
//! mean is left to `amount` and `check`.

use super::problem::Problem;
use crate::engine::crop::closest_word;
use std::ops::Range;
use toml::de::{DeTable, DeValue};

/// Problems found so far, and the text they were found in.
pub(super) struct Findings<'t> {
    text: &'t str,
    problems: Vec<Problem>,
}

/// Why a value cannot be taken: what is wanted, and what to write.
#[derive(Debug, PartialEq)]
pub(super) struct Complaint {
    wanted: String,
    hint: Option<String>,
}

/// How a figure is read from its value.
pub(super) type ReadFigure = dyn Fn(&DeValue<'_>) -> Result<f64, Complaint>;

/// A value, where it stands, and its full key.
#[derive(Clone)]
pub(super) struct Item<'d> {
    /// The value as the TOML has it, not looked at yet.
    pub value: &'d DeValue<'d>,
    /// Its full key.
    pub key: String,
    span: Range<usize>,
}

/// A table that is being read. Asking for a key makes it a known key; what was
/// never asked for is reported by [`Table::finish`].
pub(super) struct Table<'d> {
    entries: Option<&'d DeTable<'d>>,
    path: String,
    at: Option<Range<usize>>,
    known: Vec<&'static str>,
}

impl Complaint {
    /// A complaint without a hint.
    pub(super) fn new(wanted: impl Into<String>) -> Complaint {
        Complaint { wanted: wanted.into(), hint: None }
    }

    /// The same with what to write.
    pub(super) fn hint(self, hint: impl Into<String>) -> Complaint {
        Complaint { hint: Some(hint.into()), ..self }
    }

    /// The same with the closest of the words that would have been right.
    pub(crate) fn did_you_mean<'a>(self, word: &str, words: impl IntoIterator<Item = &'a str>) -> Complaint {
        let words: Vec<&str> = words.into_iter().collect();
        match closest_word(word, words.iter().copied()) {
            Some(closest) => self.hint(format!("did you mean \"{closest}\"?")),
            None if words.is_empty() => self,
            None => self.hint(format!("one of {}", words.join(", "))),
        }
    }
}

impl<'t> Findings<'t> {
    /// Nothing found yet in `text`.
    pub(super) fn new(text: &'t str) -> Findings<'t> {
        Findings { text, problems: Vec::new() }
    }

    /// Everything found.
    pub(super) fn into_problems(self) -> Vec<Problem> {
        self.problems
    }

    /// The text is no TOML; one problem for each place where it is not.
    pub(super) fn not_toml(&mut self, errors: &[toml::de::Error]) {
        for error in errors {
            let at = error.span().map_or(self.text.len(), |span| span.start);
            let line = self.line(at);
            let shown = self.text.lines().nth(line - 1).unwrap_or("").trim();
            let shown = match shown.split_once('=') {
                Some((key, _)) if holds_a_secret(shown) => key.trim_end(),
                _ => shown,
            };
            let shown = if shown.is_empty() { "(empty line)".to_owned() } else { shortened(shown) };
            let complaint = Complaint::new(format!("this is not TOML: {}", error.message().replace('\n', "; ")));
            self.problems.push(complaint.at(Some(line), shown, None));
        }
    }

    /// A value cannot be taken.
    pub(crate) fn refuse(&mut self, item: &Item<'_>, complaint: Complaint) {
        let found = shortened(self.text.get(item.span.clone()).unwrap_or(""));
        let line = self.line(item.span.start);
        self.problems.push(complaint.at(Some(line), item.key.clone(), Some(found)));
    }

    /// A value cannot be taken and must not be shown, because it holds a secret.
    pub(super) fn refuse_unshown(&mut self, item: &Item<'_>, complaint: Complaint) {
        let line = self.line(item.span.start);
        self.problems.push(complaint.at(Some(line), item.key.clone(), None));
    }

    /// The line an item stands on, from 1.
    pub(super) fn line_of(&self, item: &Item<'_>) -> usize {
        self.line(item.span.start)
    }

    fn line(&self, at: usize) -> usize {
        let before = &self.text.as_bytes()[..at.min(self.text.len())];
        1 + before.iter().filter(|byte| **byte == b'\n').count()
    }
}

impl Complaint {
    fn at(self, line: Option<usize>, key: String, found: Option<String>) -> Problem {
        Problem { line, key, found, wanted: self.wanted, hint: self.hint }
    }
}

impl<'d> Table<'d> {
    /// The whole document.
    pub(super) fn root(entries: &'d DeTable<'d>) -> Table<'d> {
        Table { entries: Some(entries), path: String::new(), at: None, known: Vec::new() }
    }

    /// The value of a key.
    pub(super) fn take(&mut self, key: &'static str) -> Option<Item<'d>> {
        self.known.push(key);
        let value = self.entries?.get(key)?;
        Some(Item { value: value.get_ref(), key: self.key(key), span: value.span() })
    }

    /// Whether the table stands in the file at all.
    pub(super) fn stands(&self) -> bool {
        self.entries.is_some()
    }

    /// Every key of a table whose keys are names, with its value.
    pub(super) fn named(&self) -> Vec<(&'d str, Item<'d>)> {
        self.entries
            .into_iter()
            .flat_map(|entries| entries.iter())
            .map(|(name, value)| {
                let name: &'d str = name.get_ref();
                (name, Item { value: value.get_ref(), key: self.key(name), span: value.span() })
            })
            .collect()
    }

    /// The value of a key as `read` understands it; `None` when it is missing, or
    /// wrong, which is then a finding.
    pub(crate) fn optional<T>(
        &mut self,
        findings: &mut Findings<'_>,
        key: &'static str,
        read: impl Fn(&'d DeValue<'d>) -> Result<T, Complaint>,
    ) -> Option<T> {
        let item = self.take(key)?;
        item.read(findings, read)
    }

    /// The same for a key that must stand there.
    pub(super) fn required<T>(
        &mut self,
        findings: &mut Findings<'_>,
        key: &'static str,
        hint: &str,
        read: impl Fn(&'d DeValue<'d>) -> Result<T, Complaint>,
    ) -> Option<T> {
        match self.take(key) {
            Some(item) => item.read(findings, read),
            None => {
                self.missing(findings, key, hint);
                None
            }
        }
    }

    /// Reports that a key is missing.
    pub(super) fn missing(&self, findings: &mut Findings<'_>, key: &str, hint: &str) {
        let line = self.at.as_ref().map(|at| findings.line(at.start));
        let complaint = Complaint::new("missing, and nothing can stand in for it").hint(hint);
        findings.problems.push(complaint.at(line, self.key(key), None));
    }

    /// The table under a key; an empty one when it is missing, or no table: a finding.
    pub(super) fn table(&mut self, findings: &mut Findings<'_>, key: &'static str) -> Table<'d> {
        let path = self.key(key);
        match self.take(key) {
            Some(item) => item.table(findings),
            None => Table { entries: None, path, at: self.at.clone(), known: Vec::new() },
        }
    }

    /// The tables under a key that is written `[[key]]`, each named by its `id`
    /// or `name`, else by its number.
    pub(super) fn tables(&mut self, findings: &mut Findings<'_>, key: &'static str) -> Vec<Table<'d>> {
        let Some(item) = self.take(key) else { return Vec::new() };
        let DeValue::Array(array) = item.value else {
            let complaint = Complaint::new(format!("there can be several, so its header has two brackets: [[{key}]]"));
            findings.refuse_unshown(&item, complaint);
            return Vec::new();
        };
        let mut tables = Vec::new();
        for (index, element) in array.iter().enumerate() {
            let name = ["id", "name"].into_iter().find_map(|named| {
                element.get_ref().as_table()?.get(named)?.get_ref().as_str().filter(|name| !name.trim().is_empty())
            });
            let path = match name {
                Some(name) => format!("{key}.{}", shortened(name)),
                None => format!("{key}[{}]", index + 1),
            };
            let item = Item { value: element.get_ref(), key: path, span: element.span() };
            let table = item.table(findings);
            if table.stands() {
                tables.push(table);
            }
        }
        tables
    }

    /// Reports every key that nobody asked for.
    pub(super) fn finish(self, findings: &mut Findings<'_>) {
        let Some(entries) = self.entries else { return };
        let known = || self.known.iter().copied();
        for (name, value) in entries.iter() {
            if self.known.contains(&name.get_ref().as_ref()) {
                continue;
            }
            let line = findings.line(name.span().start);
            let complaint = Complaint::new("no such key");
            let (complaint, found) = match value.get_ref() {
                _ if holds_a_secret(name.get_ref()) => (complaint.hint(PASSWORD_HINT), None),
                DeValue::Table(_) | DeValue::Array(_) => (complaint.did_you_mean(name.get_ref(), known()), None),
                _ => (complaint.did_you_mean(name.get_ref(), known()), findings.text.get(value.span()).map(shortened)),
            };
            findings.problems.push(complaint.at(Some(line), self.key(name.get_ref()), found));
        }
    }

    fn key(&self, key: &str) -> String {
        let key = shortened(key);
        if self.path.is_empty() { key } else { format!("{}.{key}", self.path) }
    }
}

impl<'d> Item<'d> {
    /// The value as `read` understands it; `None`, with a finding, when it does not.
    pub(super) fn read<T>(
        &self,
        findings: &mut Findings<'_>,
        read: impl Fn(&'d DeValue<'d>) -> Result<T, Complaint>,
    ) -> Option<T> {
        match read(self.value) {
            Ok(value) => Some(value),
            Err(complaint) => {
                findings.refuse(self, complaint);
                None
            }
        }
    }

    /// The value as a table; an empty one, with a finding, when it is none.
    pub(super) fn table(&self, findings: &mut Findings<'_>) -> Table<'d> {
        let entries = match self.value {
            DeValue::Table(entries) => Some(entries),
            _ => {
                findings.refuse(self, Complaint::new("a table is wanted here, such as { name = \"value\" }"));
                None
            }
        };
        Table { entries, path: self.key.clone(), at: Some(self.span.clone()), known: Vec::new() }
    }

    /// The values of a list, each with its place in the file; a single value
    /// counts as a list of one.
    pub(super) fn list(&self) -> Vec<Item<'d>> {
        match self.value {
            DeValue::Array(array) => array
                .iter()
                .map(|element| Item { value: element.get_ref(), key: self.key.clone(), span: element.span() })
                .collect(),
            _ => vec![self.clone()],
        }
    }
}

/// The first line of a text from a file, fit to be printed on a terminal.
fn shortened(text: &str) -> String {
    let mut lines = text.lines();
    let first = lines.next().unwrap_or("");
    let mut shown: String = first
        .chars()
        .take(SHOWN_CHARACTERS)
        .map(|character| if character.is_control() { '\u{fffd}' } else { character })
        .collect();
    if first.chars().count() > SHOWN_CHARACTERS || lines.next().is_some() {
        shown.push_str(" ...");
    }
    shown
}

/// Whether a key, or a line, may carry a password: what the check prints ends up
/// in logs and in questions to friends.
fn holds_a_secret(text: &str) -> bool {
    let lower = text.to_lowercase();
    lower.contains("pass") || lower.contains("secret") || (lower.contains("://") && lower.contains('@'))
}

/// What to do with a password.
pub(super) const PASSWORD_HINT: &str =
    "put the password alone into a file that only the daemon may read, and write password_file = \"...\"";
/// A key and its value should stay on one line of a terminal.
const SHOWN_CHARACTERS: usize = 70;
