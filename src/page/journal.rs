//! The journal, newest first: what was done, by whom, what became of it, and the way to take
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
        let day = local(rules, done_at(line), "%A %-d %B");
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
                        (local(rules, done_at(line), "%H:%M"))
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

fn done_at(line: &JournalLine) -> Timestamp {
    line.entry.at.unwrap_or(line.at)
}

fn local(rules: &Rules, at: Timestamp, form: &str) -> String {
    at.with_timezone(&rules.site.time_zone).format(form).to_string()
}
