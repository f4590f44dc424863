//! The settings: the shape of the TOML, every problem at once, and the checked
//! value that nothing downstream checks again.

mod amount;
mod address;
mod answers;
mod beat;
mod check;
pub mod crops;
mod file;
mod guard;
mod outside;
mod page;
mod password;
mod problem;
mod reservoir;
mod settings;
mod devices;
mod tank;

pub use page::USUAL_PAGE;
pub(crate) use password::password_in;
pub use problem::{Problem, Problems};
pub use settings::{
    AnswersSettings, Beat, Broker, Config, Field, GuardRules, GuardSettings, Locator, Mail, MetricsFor, PageSettings,
    Smtp, Source, StoreSettings, Tls, Topics, Unit,
};

use std::io::Read;
use std::path::Path;
use toml::de::DeTable;

/// Reads and checks a settings file. Relative paths in it count from its folder.
///
/// # Errors
/// Everything that is wrong with it, in one go.
pub fn load(path: &Path) -> Result<Config, Problems> {
    load_with(path, check::config)
}

/// The same for the settings of `guard`.
///
/// # Errors
/// Everything that is wrong with them, in one go.
pub(crate) fn load_guard(path: &Path) -> Result<GuardSettings, Problems> {
    load_with(path, guard::guard)
}

type ReadAs<T> = fn(&DeTable<'_>, &mut file::Findings<'_>, &Path) -> T;

fn load_with<T>(path: &Path, read: ReadAs<T>) -> Result<T, Problems> {
    let file_name = path.display().to_string();
    let mut bytes = Vec::new();
    let opened = std::fs::File::open(path).and_then(|file| file.take(LARGEST_FILE + 1).read_to_end(&mut bytes));
    if let Err(error) = opened {
        let hint = "\"traywarden listen --to FILE\" proposes settings from what your devices say, config/traywarden.toml is an \
                    example, and --config names another file";
        return Err(Problems::whole_file(&file_name, format!("cannot be read: {error}"), hint));
    }
    match String::from_utf8(bytes) {
        Ok(text) => parse_with(&text, &file_name, path.parent().unwrap_or(Path::new("")), read),
        Err(error) => {
            let valid = error.utf8_error().valid_up_to();
            let line = 1 + error.as_bytes()[..valid].iter().filter(|byte| **byte == b'\n').count();
            let wanted = format!("line {line} is not UTF-8 text");
            Err(Problems::whole_file(&file_name, wanted, "save it as UTF-8 in your editor"))
        }
    }
}

/// Checks the text of a settings file. `file_name` is only shown; relative paths
/// count from `base_dir`.
///
/// # Errors
/// Everything that is wrong with it, in one go.
pub fn parse(text: &str, file_name: &str, base_dir: &Path) -> Result<Config, Problems> {
    parse_with(text, file_name, base_dir, check::config)
}

fn parse_with<T>(text: &str, file_name: &str, base_dir: &Path, read: ReadAs<T>) -> Result<T, Problems> {
    if text.len() as u64 > LARGEST_FILE {
        let wanted = format!("longer than {LARGEST_FILE} bytes: this is no settings file");
        return Err(Problems::whole_file(file_name, wanted, "the example is config/traywarden.toml"));
    }
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut findings = file::Findings::new(text);
    findings.not_toml(&errors);
    // What is read from a broken file would only add problems that are none.
    let config = errors.is_empty().then(|| read(document.get_ref(), &mut findings, base_dir));
    match (config, findings.into_problems()) {
        (Some(config), problems) if problems.is_empty() => Ok(config),
        (_, problems) => Err(Problems::new(file_name, problems)),
    }
}

/// The annotated example that is shipped: every key, its default, and why.
pub fn example() -> &'static str {
    include_str!("../../config/traywarden.toml")
}

/// A hundred racks need about 50 kB; more than this is another kind of file. It
/// also keeps every list far below the 65,536 things that the ids can count.
const LARGEST_FILE: u64 = 1 << 20;
