//! One tray: the sheet about it that the trace makes, as it stands now.

use crate::analysis::lives::lives;
use crate::engine::rules::Rules;
use crate::report::sheet;
use crate::report::trace::{self, TraceError};
use crate::store::Reader;
use crate::units::Timestamp;
use maud::{Markup, html};
use std::path::Path;

/// Where a tray's sheet is.
pub(super) fn tray_address(name: &str) -> String {
    let query: String = form_urlencoded::Serializer::new(String::new()).append_pair("name", name).finish();
    format!("/tray?{query}")
}

/// The sheet of the newest tray of this name, read over a connection of its own: a long life
/// takes a moment, and others look meanwhile.
///
/// # Errors
/// A sentence: no such tray, or the store cannot be read.
pub(super) fn tray(store: &Path, rules: &Rules, name: &str, now: Timestamp) -> Result<Markup, String> {
    let reader = Reader::open(store, rules).map_err(|error| error.to_string())?;
    let found = match trace::trace(&reader, rules, name, None, now) {
        Ok(found) => found,
        Err(TraceError::Store(error)) => return Err(error.to_string()),
        Err(unknown) => return Err(unknown.to_string()),
    };
    let journal = reader.journal(Timestamp::UNIX_EPOCH).map_err(|error| error.to_string())?;
    let made = trace::sheet(&reader, rules, &lives(rules, &journal), &found, now).map_err(|error| error.to_string())?;
    let made = made.ok_or("The journal changed while the sheet was made. Open it again.")?;
    let body = sheet::body(&made).map_err(|error| error.to_string())?;
    Ok(html! { div.trace { (body) } })
}
