//! How times, spans and quantities are said: local time, the site's units, words
//! instead of codes. It knows numbers; what they mean is told by its neighbours.

use super::by_mail::Answering;
use crate::engine::rules::Site;
use crate::units::{Timestamp, UnitSystem, tenths};
use chrono::{DateTime, NaiveTime, TimeDelta};
use chrono_tz::Tz;

/// One occasion of speaking: whose clock and units, and when.
#[derive(Clone, Copy)]
pub(crate) struct Speech<'a> {
    /// Whose clock and units.
    pub(crate) site: &'a Site,
    /// When it is said.
    pub(crate) now: Timestamp,
    /// How it may be answered; `None` where nobody can.
    pub(crate) answering: Option<&'a Answering>,
}

/// Nearer than this a bare clock time is understood: at 22:10, "03:40" is tonight.
const BARE_CLOCK_WITHIN: TimeDelta = TimeDelta::hours(14);
/// Nearer than this, "now" is the truer word than a clock time. Own default.
pub(super) const NOW: TimeDelta = TimeDelta::minutes(5);

impl<'a> Speech<'a> {
    /// Speaks to the people of `site` at `now`.
    pub(crate) fn new(site: &'a Site, now: Timestamp) -> Self {
        Speech { site, now, answering: None }
    }

    /// The same, in a letter that may be answered.
    pub(crate) fn answered(self, answering: &'a Answering) -> Self {
        Speech { answering: Some(answering), ..self }
    }

    /// An instant on the site's clock.
    pub(crate) fn local(&self, at: Timestamp) -> DateTime<Tz> {
        at.with_timezone(&self.site.time_zone)
    }

    /// "03:40" near by, "Tue 03:40" within the week, "12 Mar 03:40" beyond.
    pub(crate) fn clock(&self, at: Timestamp) -> String {
        let (local, now) = (self.local(at), self.local(self.now));
        let away = (at - self.now).abs();
        if away < BARE_CLOCK_WITHIN || local.date_naive() == now.date_naive() {
            local.format("%H:%M").to_string()
        } else if away < TimeDelta::days(6) {
            local.format("%a %H:%M").to_string()
        } else {
            local.format("%-d %b %H:%M").to_string()
        }
    }

    /// "today 08:00", "tomorrow 08:00", "Thursday 08:00", "12 March 08:00".
    pub(crate) fn day_and_clock(&self, at: Timestamp) -> String {
        let local = self.local(at);
        format!("{} {}", self.day(at), local.format("%H:%M"))
    }

    /// An hour that is known to within `spread`: a far one that may be a day off has no clock time.
    pub(crate) fn as_sure_as(&self, at: Timestamp, spread: TimeDelta) -> String {
        let far = at - self.now > TimeDelta::days(2);
        if far && spread > TimeDelta::days(1) { self.day(at) } else { self.day_and_clock(at) }
    }

    /// "today", "tomorrow", "yesterday", "Thursday", "12 March".
    pub(crate) fn day(&self, at: Timestamp) -> String {
        let local = self.local(at);
        let days = (local.date_naive() - self.local(self.now).date_naive()).num_days();
        match days {
            0 => "today".to_owned(),
            1 => "tomorrow".to_owned(),
            -1 => "yesterday".to_owned(),
            -5..=6 => local.format("%A").to_string(),
            _ => local.format("%-d %B").to_string(),
        }
    }

    /// Degrees with one decimal and the site's unit.
    pub(crate) fn temperature(&self, celsius: f64) -> String {
        format!("{} {}", tenths(self.site.units.degrees(celsius)), self.site.units.degree_sign())
    }

    /// A difference of temperatures: no offset, only the scale.
    pub(crate) fn temperature_difference(&self, kelvin: f64) -> String {
        match self.site.units {
            UnitSystem::Metric => format!("{} °C", tenths(kelvin.abs())),
            UnitSystem::Us => format!("{} °F", tenths(kelvin.abs() * 1.8)),
        }
    }

    /// A volume: one decimal below ten, whole numbers above.
    pub(crate) fn volume(&self, litres: f64) -> String {
        let (shown, unit) = self.site.units.volume(litres);
        format!("{} {unit}", if shown.abs() < 9.95 { tenths(shown) } else { format!("{shown:.0}") })
    }

    /// A volume that is held against another: one decimal.
    pub(crate) fn volume_to_a_tenth(&self, litres: f64) -> String {
        let (shown, unit) = self.site.units.volume(litres);
        format!("{} {unit}", tenths(shown))
    }

    /// A slow flow is not nothing: two figures below one.
    pub(crate) fn flow(&self, litres_an_hour: f64) -> String {
        let (shown, unit) = self.site.units.volume(litres_an_hour);
        if shown.abs() < 0.995 {
            format!("{shown:.2} {unit} an hour")
        } else {
            format!("{} {unit} an hour", tenths(shown))
        }
    }
}

/// "07:00".
pub(crate) fn wall_time(time: NaiveTime) -> String {
    time.format("%H:%M").to_string()
}

/// Per cent: whole, but with a decimal where the limit would look the same.
pub(crate) fn percent_beside(value: f64, limit: f64) -> String {
    if value.round() == limit.round() && value != limit { format!("{} %", tenths(value)) } else { percent(value) }
}

/// Whole per cent.
pub(crate) fn percent(value: f64) -> String {
    format!("{:.0} %", value + 0.0)
}

/// A span in words: "40 minutes", "2 hours 10 minutes", "14 hours", "3 days".
pub(crate) fn span(span: TimeDelta) -> String {
    let minutes = (span.abs().num_seconds() + 30) / 60;
    match minutes {
        0 => "less than a minute".to_owned(),
        1..90 => count(minutes, "minute"),
        90..360 => match minutes % 60 {
            0 => count(minutes / 60, "hour"),
            rest => format!("{} {}", count(minutes / 60, "hour"), count(rest, "minute")),
        },
        360..2880 => count(whole_hours(minutes), "hour"),
        _ => count((minutes + 720) / 1440, "day"),
    }
}

fn whole_hours(minutes: i64) -> i64 {
    (minutes + 30) / 60
}

/// "5 of 8 h", rounded as the sentences beside it are.
pub(crate) fn hours_of(had: f64, needed: f64) -> String {
    let whole = |hours: f64| whole_hours((hours.clamp(0.0, 1e6) * 60.0 + 0.5) as i64);
    format!("{} of {} h", whole(had), whole(needed))
}

/// Hours as a number, as models give them.
pub(crate) fn hours(hours: f64) -> String {
    if hours.is_finite() {
        span(TimeDelta::seconds((hours.clamp(0.0, 1e6) * 3600.0) as i64))
    } else {
        "many days".to_owned()
    }
}

/// "1 tray", "3 trays".
pub(crate) fn count(number: i64, thing: &str) -> String {
    if number == 1 { format!("1 {thing}") } else { format!("{number} {thing}s") }
}

/// "a", "a and b", "a, b and c"; beyond `most` "a, b and 3 more".
pub(crate) fn list(things: &[String], most: usize) -> String {
    match things {
        [] => String::new(),
        [one] => one.clone(),
        _ if things.len() > most.max(1) => {
            format!("{} and {} more", things[..most.max(1)].join(", "), things.len() - most.max(1))
        }
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// A tank that is called "Tank" is "the tank" in a sentence.
pub(crate) fn the(name: &str) -> String {
    const COMMON: [&str; 8] = ["tank", "reservoir", "barrel", "drum", "tote", "bucket", "pail", "sump"];
    let lower = name.trim().to_lowercase();
    if COMMON.contains(&lower.as_str()) { format!("the {lower}") } else { name.trim().to_owned() }
}

/// A sentence that continues another starts small, unless its first word is a name in capitals.
pub(crate) fn uncapital(sentence: &str) -> String {
    let mut letters = sentence.chars();
    match letters.next() {
        Some(first) => first.to_lowercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// The first letter in upper case.
pub(crate) fn capital(sentence: &str) -> String {
    let mut letters = sentence.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// A subject line needs no decoding on a lock screen: plain ASCII, no control
/// characters, single spaces.
pub(crate) fn ascii(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '°' => {}
            ' '..='~' => plain.push(letter),
            'ä' | 'á' | 'à' | 'â' | 'å' | 'ã' => plain.push('a'),
            'Ä' | 'Á' | 'À' | 'Â' | 'Å' | 'Ã' => plain.push('A'),
            'ö' | 'ó' | 'ò' | 'ô' | 'õ' | 'ø' => plain.push('o'),
            'Ö' | 'Ó' | 'Ò' | 'Ô' | 'Õ' | 'Ø' => plain.push('O'),
            'ü' | 'ú' | 'ù' | 'û' => plain.push('u'),
            'Ü' | 'Ú' | 'Ù' | 'Û' => plain.push('U'),
            'é' | 'è' | 'ê' | 'ë' => plain.push('e'),
            'É' | 'È' | 'Ê' | 'Ë' => plain.push('E'),
            'í' | 'ì' | 'î' | 'ï' => plain.push('i'),
            'ñ' => plain.push('n'),
            'Ñ' => plain.push('N'),
            'ç' => plain.push('c'),
            'ß' => plain.push_str("ss"),
            'æ' => plain.push_str("ae"),
            '–' | '—' | '−' => plain.push('-'),
            '‘' | '’' => plain.push('\''),
            letter if letter.is_whitespace() || letter.is_control() => plain.push(' '),
            _ => plain.push('?'),
        }
    }
    plain.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Shortened at a word, so that it has at most `most` characters.
pub(crate) fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let cut: String = text.chars().take(most.saturating_sub(2)).collect();
    let kept = match cut.rfind(' ') {
        Some(space) if space > most / 2 => &cut[..space],
        _ => &cut,
    };
    format!("{}..", kept.trim_end_matches([' ', ',', '-', ':', '(']))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_said_in_words_a_person_would_use() {
        let formatted = |minutes| span(TimeDelta::minutes(minutes));
        assert_eq!(formatted(0), "less than a minute");
        assert_eq!(formatted(1), "1 minute");
        assert_eq!(formatted(89), "89 minutes");
        assert_eq!(formatted(130), "2 hours 10 minutes");
        assert_eq!(formatted(14 * 60 + 20), "14 hours");
        assert_eq!(formatted(3 * 1440), "3 days");
    }

    #[test]
    fn hours_in_a_subject_are_those_of_its_sentences() {
        for had in [6.5, 12.5, 13.4999, 7.49, 20.5] {
            assert_eq!(hours_of(had, 8.0), format!("{} of 8 h", hours(had).trim_end_matches(" hours")));
        }
    }

    #[test]
    fn a_subject_is_plain_ascii_without_line_breaks() {
        assert_eq!(ascii("Tänk – 31.4 °C\r\nBcc: x"), "Tank - 31.4 C Bcc: x");
    }

    #[test]
    fn shortening_never_exceeds_the_limit_and_prefers_a_word() {
        assert_eq!(shortened("Rack A too warm", 20), "Rack A too warm");
        let short = shortened("The long rack behind the door too warm", 20);
        assert!(short.chars().count() <= 20, "{short}");
        assert_eq!(short, "The long rack..");
    }
}
