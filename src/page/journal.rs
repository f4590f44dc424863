//! The journal, as it was written, newest first: what was done, when, by whom, what became of it, and the way to take
//! it back.

use super::round_sheet::Setting;
use crate::engine::rules::Rules;
use crate::journal::Did;
use crate::report::formatted;
use crate::store::JournalLine;
use crate::units::Timestamp;
use maud::{Markup, html};

/// Lines of one page of it.
pub(super) const LINES: u32 = 60;

/// One page of the journal. `lines` are newest first.
pub(super) fn journal(setting: &Setting<'_>, lines: &[JournalLine]) -> Markup {
    let rules = setting.rules;
    let mut days: Vec<(String, Vec<&JournalLine>)> = Vec::new();
    for line in lines {
        let day = local(rules, line.at, "%A %-d %B");
        match days.last_mut() {
            Some((last, of)) if *last == day => of.push(line),
            _ => days.push((day, vec![line])),
        }
    }
    html! {
        div.title { h1 { "Journal" } }
        @if days.is_empty() { p.quiet { "Nothing was written down yet." } }
        @for (day, lines) in &days {
            section.rack {
                div.rack-head { h2 { (day) } }
                ol.lines { @for line in lines { (entry(setting, line)) } }
            }
        }
        @if let Some(last) = lines.last().filter(|_| lines.len() == LINES as usize) {
            p.more { a href=(format!("/journal?before={}", last.number)) { "Older entries" } }
        }
    }
}

fn entry(setting: &Setting<'_>, line: &JournalLine) -> Markup {
    let rules = setting.rules;
    let words = formatted::done_to(rules, &line.entry.did);
    let counts = line.refused.is_none() && line.struck_by.is_none();
    let can_go_back = counts && !matches!(line.entry.did, Did::Strike { .. });
    html! {
        li.line.struck[!counts] {
            form method="post" action="/strike" data-tap {
                (setting.sealed(&format!("strike {}", line.number)))
                input type="hidden" name="entries" value=(line.number);
                div.what {
                    p.task { (words) }
                    p.detail {
                        (done_at(rules, line))
                        @if let Some(by) = &line.entry.by { ", " (by) }
                        ", no. " (line.number)
                        @if let Some(by) = line.struck_by { ", taken back by no. " (by) }
                    }
                    @if let Some(why) = &line.refused { p.late { "Not taken: " (why) } }
                }
                @if can_go_back { button.quiet-button aria-label=(format!("Take back: {words}")) { "Take back" } }
            }
        }
    }
}

/// When it was done: an hour of the day under which it stands, and the day too where it was
/// written down on another.
fn done_at(rules: &Rules, line: &JournalLine) -> String {
    let done = line.entry.at.unwrap_or(line.at);
    let same_day = local(rules, done, "%F") == local(rules, line.at, "%F");
    local(rules, done, if same_day { "%H:%M" } else { "%a %-d %b, %H:%M" })
}

fn local(rules: &Rules, at: Timestamp, form: &str) -> String {
    at.with_timezone(&rules.site.time_zone).format(form).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::{at, journal, rules};

    #[test]
    fn what_was_done_on_another_day_than_it_was_written_says_its_day() {
        let mut line = journal(&[("2026-03-03 14:00", r#"{"did":"look","tray":"K1"}"#)]).remove(0);
        assert_eq!(done_at(&rules(), &line), "08:00");
        line.entry.at = Some(at("2026-03-01 13:30"));
        assert_eq!(done_at(&rules(), &line), "Sun 1 Mar, 07:30");
    }
}
