//! What is wrong with a settings file, in words: where, what was found, what is
//! wanted, and a hint. Every problem is shown in one go, so that a grower mends
//! the file once. Finding the problems is left to `file` and `check`.

use std::fmt;

/// Everything that is wrong with one file; at least one problem.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problems {
    file: String,
    problems: Vec<Problem>,
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The line, from 1. `None`: it is about no line, as when a whole section is missing.
    pub line: Option<usize>,
    /// The key, as a path such as `sensor.rack-a-air.topic`; for a file that is
    /// no TOML, the line itself.
    pub key: String,
    /// The value as it stands in the file, shortened; `None` when the key itself
    /// is the trouble.
    pub found: Option<String>,
    /// What is wanted instead.
    pub wanted: String,
    /// What to write.
    pub hint: Option<String>,
}

impl Problems {
    /// The problems of `file`, put in the order of its lines.
    pub(super) fn new(file: &str, mut problems: Vec<Problem>) -> Problems {
        problems.sort_by_key(|problem| problem.line.unwrap_or(0));
        Problems { file: file.to_owned(), problems }
    }

    /// One problem with the whole file.
    pub(super) fn whole_file(file: &str, wanted: String, hint: &str) -> Problems {
        let problem = Problem { line: None, key: file.to_owned(), found: None, wanted, hint: Some(hint.to_owned()) };
        Problems { file: file.to_owned(), problems: vec![problem] }
    }

    /// The file as it was named to us.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// The problems in the order of their lines.
    pub fn list(&self) -> &[Problem] {
        &self.problems
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let count = self.problems.len();
        writeln!(f, "error: {count} problem{} in {}", if count == 1 { "" } else { "s" }, self.file)?;
        let short = self.file.rsplit('/').next().unwrap_or(&self.file);
        let places: Vec<String> = self
            .problems
            .iter()
            .map(|problem| problem.line.map_or(short.to_owned(), |line| format!("{short}:{line}")))
            .collect();
        let width = places.iter().map(|place| place.chars().count()).max().unwrap_or(0);
        for (problem, place) in self.problems.iter().zip(&places) {
            write!(f, "\n  {place:<width$}  {}", problem.key)?;
            if let Some(found) = &problem.found {
                write!(f, " = {found}")?;
            }
            write!(f, "\n  {:width$}  {}", "", problem.wanted)?;
            if let Some(hint) = &problem.hint {
                write!(f, "\n  {:width$}  hint: {hint}", "")?;
            }
            writeln!(f)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}
