//! What every sheet has around it: head, name of the room, the four ways, and the strip that
//! says what became of the last tick. The fixed things, style, script and sign, stand here
//! too, each under an address that changes with it.

use super::Shown;
use super::gate::Guest;
use crate::engine::rules::Rules;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::sync::LazyLock;

/// The style of every sheet.
const STYLE: &str = include_str!("sheet.css");
/// What little runs on the phone: ticks that are sent again, and the sheet kept fresh.
pub(super) const SCRIPT: &str = include_str!("sheet.js");
/// A tray with a tick on it.
pub(super) const SIGN: &str = include_str!("sign.svg");

/// Where everything fixed is found. The number changes with any of it.
static FIXED: LazyLock<String> = LazyLock::new(|| {
    let all = [style().as_bytes(), SCRIPT.as_bytes(), SIGN.as_bytes()].concat();
    super::secrets::hashed(&String::from_utf8_lossy(&all)).iter().take(6).map(|byte| format!("{byte:02x}")).collect()
});

static WHOLE_STYLE: LazyLock<String> = LazyLock::new(|| format!("{}{STYLE}", crate::chart::page_style()));

/// The whole style: the tones that pictures share with the page, then the sheet's own rules.
pub(super) fn style() -> &'static str {
    &WHOLE_STYLE
}

/// Which of the four ways a sheet belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Way {
    /// The round at hand.
    Round,
    /// The sheet that shows the whole room now.
    Room,
    /// The journal.
    Journal,
    /// Sowing.
    Sow,
}

/// One sheet, to be framed.
pub(super) struct Framed<'a> {
    /// Which way it belongs to.
    pub way: Way,
    /// Its title.
    pub(crate) title: &'a str,
    /// What became of the last tick.
    pub reported: Markup,
    /// The sheet.
    pub sheet: Markup,
    /// It shows the room as it is, and is to be kept fresh.
    pub live: bool,
}

const WAYS: [(Way, &str, &str); 4] = [
    (Way::Round, "/", "Round"),
    (Way::Room, "/room", "Room"),
    (Way::Journal, "/journal", "Journal"),
    (Way::Sow, "/sow", "Sow"),
];

/// The whole page.
pub(super) fn frame(rules: &Rules, shown: &Shown, guest: &Guest, framed: Framed<'_>) -> Markup {
    let local = shown.snapshot.at.with_timezone(&rules.site.time_zone);
    let nth = framed.live.then_some(shown.nth);
    html! {
        (head(framed.title, framed.live))
        body {
            a.skip href="#sheet" { "Skip to the sheet" }
            header.masthead {
                p.room { (rules.site.name) }
                p.as-of { "as of " time datetime=(shown.snapshot.at.to_rfc3339()) { (local.format("%a %-d %b, %H:%M")) } " · " (guest.name) }
            }
            nav.ways aria-label="Sheets" {
                @for (way, address, name) in WAYS {
                    a href=(address) aria-current=[(way == framed.way).then_some("page")] { (name) }
                }
            }
            div #reported role="status" aria-live="polite" { (framed.reported) }
            main #sheet data-nth=[nth] tabindex="-1" {
                (framed.sheet)
            }
        }
    }
}

/// A page for somebody who is not let in, or to whom there is nothing to show.
pub(super) fn bare(title: &str, sheet: Markup) -> Markup {
    html! {
        (head(title, false))
        body { main #sheet.bare { h1 { (title) } (sheet) } }
    }
}

fn head(title: &str, live: bool) -> Markup {
    let fixed = FIXED.as_str();
    html! {
        (DOCTYPE)
        html lang="en";
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
            meta name="theme-color" content="#e9e6da" media="(prefers-color-scheme: light)";
            meta name="theme-color" content="#0d1210" media="(prefers-color-scheme: dark)";
            title { (title) }
            link rel="icon" href=(format!("/sign.svg?{fixed}")) type="image/svg+xml";
            link rel="stylesheet" href=(format!("/sheet.css?{fixed}"));
            script src=(format!("/sheet.js?{fixed}")) defer {}
            @if live { noscript { meta http-equiv="refresh" content="120"; } }
        }
    }
}

/// The hidden field that shows that a form came from us, and the key under which what it
/// asks for counts once.
pub(super) fn sealed(guest: &Guest, key: &str) -> Markup {
    html! {
        input type="hidden" name="form" value=(guest.form_token());
        input type="hidden" name="key" value=(key);
    }
}

/// A box to tick; `done`: with the tick in it.
pub(super) fn tick_box(done: bool) -> Markup {
    PreEscaped(format!(
        "<svg class=\"box{}\" viewBox=\"0 0 32 32\" aria-hidden=\"true\"><rect x=\"3\" y=\"3\" width=\"26\" height=\"26\" rx=\"4\"/>\
         <path d=\"M8 17.5l5.5 6.5C16 16 20 9.5 27.5 4\"/></svg>",
        if done { " done" } else { "" }
    ))
}
