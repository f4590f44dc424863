//! The first sheet: what is open, worst first; then the round at hand, rack by rack, each
//! thing to do a line with one box to tick. Set like a round sheet on paper.

use super::forms::{self, Units};
use super::frame::{sealed, tick_box};
use super::gate::Guest;
use super::round::{Done, On, Rack, RoundSheet, Tank, Task, TaskLine};
use crate::engine::alarm::{AlarmChange, AlarmState, Priority};
use crate::engine::letters::situation::{self, Occasion, Situation};
use crate::engine::letters::snapshot::PlaceNow;
use crate::engine::rules::{Rules, Site};
use crate::notify::wording;
use crate::units::Timestamp;
use maud::{Markup, html};

/// Everything a sheet with forms is set with.
pub(super) struct Setting<'a> {
    /// The settings.
    pub rules: &'a Rules,
    /// Who ticks.
    pub(super) guest: &'a Guest,
    /// Where to go back to after a tick.
    pub back: &'a str,
    /// From which the keys of the forms are made.
    pub(super) nonce: &'a str,
}

impl Setting<'_> {
    fn site(&self) -> &Site {
        &self.rules.site
    }

    fn units(&self) -> Units {
        Units(self.rules.site.units)
    }

    /// The hidden fields of one form. `name` is unlike that of any other form of the sheet.
    pub(super) fn sealed(&self, name: &str) -> Markup {
        html! {
            (sealed(self.guest, &forms::key(self.nonce, name)))
            input type="hidden" name="back" value=(self.back);
        }
    }
}

/// What hangs above the round: what is open, alarms of one cause together as letters and
/// `now` tell them; then, each by itself, what somebody silenced.
pub(super) fn pinned(rules: &Rules, alarms: &[AlarmChange]) -> Vec<Situation> {
    let mut all = situation::shown(rules, alarms);
    let silenced = |alarm: &&AlarmChange| matches!(alarm.state, AlarmState::Shelved | AlarmState::OutOfService);
    all.extend(alarms.iter().filter(silenced).map(|alarm| Situation {
        cause: situation::cause_of(rules, &alarm.key),
        occasion: Occasion::Waiting,
        alarms: vec![alarm.clone()],
        reported: Vec::new(),
    }));
    // Within each, the engine's order: worst first.
    all.sort_by_key(|situation| match situation.first().map(|first| first.state) {
        _ if unseen(situation).next().is_some() && !situation.is_over() => 0,
        Some(AlarmState::Acknowledged) => 1,
        Some(AlarmState::ReturnedUnacknowledged) => 2,
        _ => 3,
    });
    all
}

/// The whole round.
pub(super) fn round(setting: &Setting<'_>, sheet: &RoundSheet, pinned: &[Situation]) -> Markup {
    let open = pinned.iter().filter(|situation| unseen(situation).next().is_some()).count();
    let left: usize = sheet.racks.iter().map(|rack| rack.lines.len()).sum::<usize>()
        + sheet.tanks.iter().filter(|tank| tank.due).count();
    html! {
        div.title {
            h1 { (name_of_round(setting.site(), sheet.round.at)) }
            p.count { (counted(left, open)) }
        }
        (slips(setting, pinned))
        @if sheet.racks.is_empty() {
            p.quiet { "No tray is growing, so there is nothing to tick. " a href="/sow" { "Sow the first" } "." }
        }
        @for rack in &sheet.racks { (rack_on_sheet(setting, rack, false)) }
        (water_tanks(setting, &sheet.tanks))
        @if !sheet.elsewhere.is_empty() {
            section.rack {
                h2 { "Also done" }
                ol.lines { @for done in &sheet.elsewhere { (done_line(setting, done)) } }
            }
        }
    }
}

/// The lines of one rack, as its label opens it, with room for what the round does not ask for.
pub(super) fn one_rack(setting: &Setting<'_>, rack: &Rack, pinned: &[Situation]) -> Markup {
    html! {
        (slips(setting, pinned))
        (rack_on_sheet(setting, rack, true))
        (something_else(setting, rack))
    }
}

fn name_of_round(site: &Site, at: Timestamp) -> String {
    use chrono::Timelike;
    let local = at.with_timezone(&site.time_zone);
    let part = match local.hour() {
        3..=10 => "Morning",
        11..=15 => "Midday",
        16..=21 => "Evening",
        _ => "Night",
    };
    format!("{part} round, {}", local.format("%H:%M"))
}

fn counted(left: usize, open: usize) -> String {
    let lines = match left {
        0 => "Nothing left to do".to_owned(),
        1 => "1 line to do".to_owned(),
        more => format!("{more} lines to do"),
    };
    match open {
        0 => format!("{lines}."),
        1 => format!("{lines}, 1 slip unanswered."),
        more => format!("{lines}, {more} slips unanswered."),
    }
}

/// Its alarms that nobody has answered.
fn unseen(situation: &Situation) -> impl Iterator<Item = &AlarmChange> {
    let unseen =
        |alarm: &&AlarmChange| matches!(alarm.state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged);
    situation.alarms.iter().filter(unseen)
}

fn slips(setting: &Setting<'_>, pinned: &[Situation]) -> Markup {
    html! {
        @if !pinned.is_empty() {
            section.slips aria-label="What is open" {
                @for situation in pinned { (slip(setting, situation)) }
            }
        }
    }
}

fn slip(setting: &Setting<'_>, situation: &Situation) -> Markup {
    let words = wording::slip(situation, setting.site());
    let Some(first) = situation.first() else { return html! {} };
    let id = first.key.id();
    let unseen: Vec<String> = unseen(situation).map(|alarm| alarm.key.id()).collect();
    let holds = matches!(first.state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
    let class = match first.priority {
        Priority::Now if holds => "slip now",
        Priority::NextRound if holds => "slip round",
        _ => "slip calm",
    };
    html! {
        article class=(class) {
            h2 { (words.headline) }
            @if !words.action.is_empty() { p.do { (words.action) } }
            @if !words.standing.is_empty() { p.standing { (words.standing) } }
            details id=(part_id(&id)) open[holds && !unseen.is_empty() && first.priority == Priority::Now] {
                summary { "Why" }
                p { (words.because) }
                @if !words.caution.is_empty() { p.caution { (words.caution) } }
            }
            @if !unseen.is_empty() {
                form.answer method="post" action="/answer" data-tap {
                    (setting.sealed(&unseen.join(" ")))
                    @for alarm in &unseen { input type="hidden" name="alarm" value=(alarm); }
                    @for (word, label) in forms::ANSWERS {
                        button class=[(word == "seen").then_some("seen")] name="word" value=(word)
                            aria-label=(format!("{label}: {}", words.headline)) { (label) }
                    }
                }
            }
        }
    }
}

fn rack_on_sheet(setting: &Setting<'_>, rack: &Rack, alone: bool) -> Markup {
    let address = rack_address(&rack.id);
    html! {
        section.rack id=(rack.id) aria-label=(rack.name) {
            div.rack-head {
                @if alone { h1 { (rack.name) } } @else { h2 { a href=(address) { (rack.name) } } }
                @if let Some(air) = &rack.air { p.air { (air_now(setting.site(), air)) } }
            }
            @if rack.lines.is_empty() && rack.done.is_empty() { p.quiet { "Nothing to do here on this round." } }
            ol.lines {
                @for line in &rack.lines { (to_do(setting, rack, line)) }
                @for done in &rack.done { (done_line(setting, done)) }
            }
            @if forms::as_usual(rack).len() > 1 { (all_as_usual(setting, rack)) }
            @if !alone { p.more { a href=(address) { "Something else at " (rack.name) } } }
        }
    }
}

/// Where the lines of one rack are.
pub fn rack_address(id: &str) -> String {
    let query: String = form_urlencoded::Serializer::new(String::new()).append_pair("id", id).finish();
    format!("/rack?{query}")
}

/// "69.8 °F, 58 %".
pub(super) fn air_now(site: &Site, air: &PlaceNow) -> String {
    let temperature = air.temperature.map(|celsius| site.units.temperature(celsius));
    let humidity = air.humidity.map(|percent| format!("{}{percent:.0} %", if air.at_least { "at least " } else { "" }));
    match (temperature, humidity) {
        (None, None) => "air not known".to_owned(),
        (temperature, humidity) => [temperature, humidity].into_iter().flatten().collect::<Vec<_>>().join(", "),
    }
}

/// A line to tick.
fn to_do(setting: &Setting<'_>, rack: &Rack, line: &TaskLine) -> Markup {
    let name = format!("{} {} {}", rack.id, line.task.word(), line.trays.first().map_or("", |on| &on.name));
    let words = words(setting, line);
    html! {
        li.line {
            form method="post" action="/did" data-tap {
                (setting.sealed(&name))
                input type="hidden" name="task" value=(line.task.word());
                input type="hidden" name="rack" value=(rack.id);
                div.what {
                    p.task { strong { (verb(line.task)) } " " (trays_named(&line.trays)) }
                    @if let Some(detail) = detail(setting, line) { p.detail { (detail) } }
                    @if let Some(late) = late(setting.site(), line) { p.late { (late) } }
                    @if line.task == Task::Cut { (weighed(setting, line)) }
                    (which_and_how_much(setting, rack, line, &name))
                }
                button.tick aria-label=(format!("Tick: {words}")) { (tick_box(false)) }
            }
        }
    }
}

fn verb(task: Task) -> &'static str {
    match task {
        Task::Unweight => "Weight off",
        Task::Uncover => "Uncover, to the light",
        Task::Water => "Water",
        Task::Mist => "Mist",
        Task::Look => "Look under the cover of",
        Task::Cut => "Cut",
    }
}

/// "Water K12, K13, 4 fl oz each", for who hears the sheet.
fn words(setting: &Setting<'_>, line: &TaskLine) -> String {
    let amount = line.ml.map_or_else(String::new, |ml| format!(", {} each", setting.site().units.pour(ml)));
    format!("{} {}{amount}", verb(line.task), trays_named(&line.trays))
}

fn trays_named(trays: &[On]) -> String {
    const NAMED: usize = 6;
    let names: Vec<&str> = trays.iter().take(NAMED).map(|on| on.name.as_str()).collect();
    let more = trays.len().saturating_sub(NAMED);
    if more > 0 { format!("{} and {more} more", names.join(", ")) } else { names.join(", ") }
}

fn detail(setting: &Setting<'_>, line: &TaskLine) -> Option<String> {
    let count: u32 = line.trays.iter().fold(0, |sum, on| sum.saturating_add(on.count));
    let trays = if count == 1 { "1 tray".to_owned() } else { format!("{count} trays") };
    let units = setting.site().units;
    let mut crops: Vec<&str> = line.trays.iter().map(|on| on.crop.as_str()).collect();
    crops.dedup();
    let crop = if crops.len() <= 2 { format!(", {}", crops.join(" and ")) } else { String::new() };
    let more = match (line.task, line.ml, line.trays.first().and_then(|on| on.expected)) {
        (Task::Water, Some(ml), _) => format!(", {} each", units.pour(ml)),
        (Task::Cut, _, Some((from, to))) => format!(", usually {}", setting.units().weight_range(from, to)),
        _ => String::new(),
    };
    Some(format!("{trays}{crop}{more}"))
}

fn late(site: &Site, line: &TaskLine) -> Option<String> {
    let since = line.trays.iter().filter_map(|on| on.overdue).min()?;
    let day = since.with_timezone(&site.time_zone).format("%a %-d %b, %H:%M");
    Some(match line.task {
        Task::Look => format!("Not looked at since {day}."),
        _ => format!("Was due {day}. If it is done, tick it."),
    })
}

fn weighed(setting: &Setting<'_>, line: &TaskLine) -> Markup {
    let (_, unit) = setting.units().weight();
    let of = if line.trays.first().is_some_and(|on| on.count > 1) { "all its trays together" } else { "if weighed" };
    html! {
        label.amount { "Weight, " (of) " "
            input name="amount" inputmode="decimal" autocomplete="off" size="5"; " " (unit)
        }
    }
}

/// Other trays, another amount than usual, another rack; closed, and sent along as it stands.
fn which_and_how_much(setting: &Setting<'_>, rack: &Rack, line: &TaskLine, name: &str) -> Markup {
    let (_, unit) = setting.units().pour();
    let choose = line.trays.len() > 1;
    let other_racks: Vec<_> = setting.rules.places.iter().filter(|place| place.id != rack.id).collect();
    let goes = line.task == Task::Uncover && !other_racks.is_empty();
    let fields = html! {
        @for on in &line.trays {
            @if choose {
                label.pick { input type="checkbox" name="tray" value=(on.name) checked; (on.name) }
            } @else {
                input type="hidden" name="tray" value=(on.name);
            }
        }
        @if let Some(ml) = line.ml {
            label.amount { "Each gets "
                input name="amount" inputmode="decimal" autocomplete="off" size="5" value=(setting.units().pour_number(ml)); " " (unit)
            }
        }
        @if goes {
            label.amount { "Its light is at " select name="place" {
                option value="" { (rack.name) }
                @for place in &other_racks { option value=(place.id) { (place.name) } }
            } }
        }
        @if line.task == Task::Look {
            label.amount { "What was seen " input name="note" autocomplete="off" maxlength="200"; }
        }
    };
    let label = match (choose, line.ml.is_some(), line.task) {
        (true, true, _) => "Other trays or amount",
        (false, true, _) => "Another amount",
        (_, _, Task::Look) => "Write what was seen",
        (true, ..) if goes => "Only some, or to another rack",
        (false, ..) if goes => "To another rack",
        (true, false, _) => "Only some of them",
        (false, false, _) => return fields,
    };
    html! {
        details.change id=(part_id(name)) { summary { (label) } div.fields { (fields) } }
    }
}

/// What was done, with its tick, and the way to take it back.
pub(super) fn done_line(setting: &Setting<'_>, done: &Done) -> Markup {
    let local = done.at.with_timezone(&setting.site().time_zone).format("%H:%M");
    let numbers: Vec<String> = done.numbers.iter().map(i64::to_string).collect();
    let numbers = numbers.join(".");
    html! {
        li.line.done {
            form method="post" action="/strike" data-tap {
                (setting.sealed(&format!("strike {numbers}")))
                input type="hidden" name="entries" value=(numbers);
                div.what {
                    p.task { (done.words) }
                    p.detail { (local) @if let Some(by) = &done.by { ", " (by) } }
                    button.quiet-button aria-label=(format!("Take back: {}", done.words)) { "Take back" }
                }
                span.tick { (tick_box(true)) }
            }
        }
    }
}

fn all_as_usual(setting: &Setting<'_>, rack: &Rack) -> Markup {
    html! {
        form.whole method="post" action="/did" data-tap {
            (setting.sealed(&format!("{} all", rack.id)))
            input type="hidden" name="task" value="usual";
            input type="hidden" name="rack" value=(rack.id);
            @for entry in forms::as_usual(rack) { input type="hidden" name="entry" value=(entry); }
            button { "All of it, as usual" span.unseen { " at " (rack.name) } }
        }
    }
}

fn water_tanks(setting: &Setting<'_>, tanks: &[Tank]) -> Markup {
    html! {
        @if !tanks.is_empty() {
            section.rack id="tanks" aria-label="Tanks" {
                div.rack-head { h2 { "Water" } }
                ol.lines { @for tank in tanks { (tank_line(setting, tank)) @for done in &tank.done { (done_line(setting, done)) } } }
            }
        }
    }
}

fn tank_line(setting: &Setting<'_>, tank: &Tank) -> Markup {
    let site = setting.site();
    let volume = |litres: f64| {
        let (shown, unit) = site.units.volume(litres);
        format!("{shown:.1} {unit}")
    };
    let (_, unit) = setting.units().volume();
    // Less than a tenth is a full tank, and nothing poured in.
    let fills = tank.takes.filter(|takes| *takes >= 0.1).map(|takes| setting.units().volume_number(takes));
    let dry = tank.now.empty_at.map(|(best, early, _)| {
        let at = |at: Timestamp| at.with_timezone(&site.time_zone).format("%a %H:%M").to_string();
        format!("Runs dry about {}, perhaps {}.", at(best), at(early))
    });
    html! {
        li.line.idle[!tank.due] {
            form method="post" action="/did" data-tap {
                (setting.sealed(&format!("refill {}", tank.now.id)))
                input type="hidden" name="task" value="refill";
                input type="hidden" name="reservoir" value=(tank.now.id);
                div.what {
                    p.task { strong { "Refill" } " " (tank.now.name) }
                    p.detail {
                        @match tank.now.usable {
                            Some(usable) => { (volume(usable)) " above the pump" @if let Some(takes) = tank.takes { ", takes " (volume(takes)) } "." },
                            None => "Its level is not known.",
                        }
                        @if let Some(dry) = dry { " " (dry) }
                    }
                    details.change id=(part_id(&format!("refill {}", tank.now.id))) {
                        summary { @if let Some(fills) = &fills { "Another amount than " (fills) " " (unit) } @else { "Write how much" } }
                        div.fields { label.amount { "Poured in " input name="amount" inputmode="decimal" autocomplete="off" size="5" value=[&fills]; " " (unit) } }
                    }
                }
                button.tick aria-label=(format!("Tick: refill {}", tank.now.name)) { (tick_box(false)) }
            }
        }
    }
}

/// What a round does not ask for, and what ends a tray.
fn something_else(setting: &Setting<'_>, rack: &Rack) -> Markup {
    let (_, pour) = setting.units().pour();
    let pick_tray = html! {
        label { "Tray" select name="tray" { @for tray in &rack.trays { option value=(tray) { (tray) } } } }
    };
    let others = setting.rules.places.iter().filter(|place| place.id != rack.id);
    html! {
        section.else aria-label="Something else" {
            h2 { "Something else" }
            details id="else-task" {
                summary { "Log something the sheet does not ask for" }
                form.fields method="post" action="/did" data-tap {
                    (setting.sealed("else"))
                    (pick_tray)
                    label { "What was done" select name="task" {
                        option value="water" { "Watered" }
                        option value="mist" { "Misted" }
                        option value="look" { "Looked at" }
                        option value="unweight" { "Weight taken off" }
                        option value="uncover" { "Uncovered, to the light" }
                    } }
                    label { "Water for each, " (pour) input name="amount" inputmode="decimal" autocomplete="off"; }
                    button { "Write it down" }
                }
            }
            details id="else-cut" {
                summary { "Cut a tray" }
                form.fields method="post" action="/did" data-tap {
                    (setting.sealed("else cut"))
                    input type="hidden" name="task" value="cut";
                    (pick_tray)
                    label { "Weight of all its trays together, " (setting.units().weight().1) input name="amount" inputmode="decimal" autocomplete="off"; }
                    label { "Taste and quality" input name="note" autocomplete="off" maxlength="200"; }
                    button { "Cut" }
                }
            }
            details id="else-move" {
                summary { "Move a tray" }
                form.fields method="post" action="/did" data-tap {
                    (setting.sealed("else move"))
                    input type="hidden" name="task" value="move";
                    (pick_tray)
                    label { "To" select name="place" { @for place in others { option value=(place.id) { (place.name) } } } }
                    button { "Moved" }
                }
            }
            details id="else-discard" {
                summary { "Throw a tray away" }
                form.fields method="post" action="/did" data-tap {
                    (setting.sealed("else discard"))
                    input type="hidden" name="task" value="discard";
                    (pick_tray)
                    label { "Why" select name="reason" {
                        option value="mold" { "Mold" }
                        option value="damping-off" { "Seedlings fell over at the medium" }
                        option value="dry" { "Dried out" }
                        option value="uneven" { "Came up uneven" }
                        option value="other" { "Another reason" }
                    } }
                    label { "What was seen" input name="note" autocomplete="off" maxlength="200"; }
                    p.caution { "Moldy trays: isolate, do not taste, discard by your own food-safety plan; used medium stays out of the room." }
                    button.grave { "Throw it away" }
                }
            }
        }
    }
}

/// An id for a part of the sheet, the same at every showing, so that what was opened stays open.
fn part_id(name: &str) -> String {
    let plain = |letter: char| if letter.is_ascii_alphanumeric() { letter } else { '-' };
    format!("part-{}", name.chars().map(plain).collect::<String>())
}
