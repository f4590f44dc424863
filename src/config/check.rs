//! From a TOML document to the checked [`Config`]: the site, the store and the
//! alarms are read here, the rest in `outside`, `room` and `crops`. It goes on
//! after a problem, so that all of them come out at once.

use super::amount::{hours_of_sleep, identifier, one_in, span_between, text, time_of_day, topic_word, truth};
use super::beat;
use super::crops;
use super::devices;
use super::file::{Complaint, Findings, Table};
use super::outside;
use super::{Config, Store};
use crate::engine::alarm::AlarmKind;
use crate::engine::rules::{AlarmTuning, Rules, Site};
use crate::units::UnitSystem;
use chrono::{NaiveTime, TimeDelta};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use toml::de::{DeTable, DeValue};

/// The checked config, meaningful only if `findings` holds no problem afterwards.
pub(super) fn config(document: &DeTable<'_>, findings: &mut Findings<'_>, base: &Path) -> Config {
    let mut root = Table::root(document);
    let site_table = root.table(findings, "site");
    let mut mail_table = root.table(findings, "mail");
    let digest_at = mail_table.optional(findings, "digest_at", time_of_day).unwrap_or(DIGEST_AT);
    let (site, site_topic) = site(site_table, findings, digest_at);
    let broker_table = root.table(findings, "broker");
    let broker = outside::broker(broker_table, findings, base, &site_topic);
    let store_table = root.table(findings, "store");
    let store = store(store_table, findings, base);
    let mail = outside::mail(mail_table, findings, base, &store.path);
    let page_table = root.table(findings, "page");
    let page = super::page::page(page_table, findings);
    let beat_table = root.table(findings, "beat");
    let beat = beat::beat(beat_table, findings, base);
    let mut room = devices::room(&mut root, findings, &site_topic);
    room.topics.journal = format!("traywarden/{site_topic}/journal");
    let alarms = alarms(&mut root, findings);
    let mut crops = crops::built_in();
    crops::add_growers_own(&mut root, findings, &mut crops);
    root.finish(findings);
    let rules = Rules {
        site,
        places: room.places,
        sensors: room.sensors,
        channels: room.channels,
        reservoirs: room.reservoirs,
        crops,
        alarms,
    };
    Config { rules, broker, topics: room.topics, store, mail, page, beat }
}

fn site(mut table: Table<'_>, findings: &mut Findings<'_>, digest_at: NaiveTime) -> (Site, String) {
    let name_item = table.take("name");
    let name = name_item.as_ref().and_then(|item| item.read(findings, text)).map(str::to_owned);
    if name_item.is_none() {
        table.missing(findings, "name", "write what you call the room, for example name = \"Saltmarsh Lane\"");
    }
    let id = table.optional(findings, "id", identifier);
    let site_topic = topic_word(id.as_deref().or(name.as_deref()).unwrap_or_default());
    if let (Some(item), Some(_), true) = (&name_item, &name, site_topic.is_empty()) {
        let complaint = Complaint::new("no letter of it can stand in a topic, which takes a to z and digits");
        findings.refuse(item, complaint.hint("keep the name and add id = \"room-1\" below it"));
    }
    let time_zone = table.required(findings, "time_zone", TIME_ZONE_HINT, time_zone);
    let units = table.optional(findings, "units", |value| match text(value)? {
        "metric" => Ok(UnitSystem::Metric),
        "us" => Ok(UnitSystem::Us),
        word => Err(Complaint::new("\"metric\" or \"us\" is wanted").did_you_mean(word, ["metric", "us"])),
    });
    let rounds_item = table.take("rounds");
    let mut rounds: Vec<NaiveTime> = match &rounds_item {
        Some(item) => item.list().iter().filter_map(|item| item.read(findings, time_of_day)).collect(),
        None => ROUNDS.to_vec(),
    };
    if let (Some(item), true) = (&rounds_item, rounds_item.as_ref().is_some_and(|item| item.list().is_empty())) {
        let complaint = Complaint::new("at least one time of day is wanted at which somebody is in the room");
        findings.refuse(item, complaint.hint("write rounds = [\"07:00\", \"19:00\"]"));
    }
    rounds.sort();
    rounds.dedup();
    let round_letter_before =
        table.optional(findings, "round_letter_before", span_between(TimeDelta::zero(), TimeDelta::hours(6)));
    let look_within = table.optional(findings, "look_within", span_between(TimeDelta::hours(1), TimeDelta::days(30)));
    let asleep = table.optional(findings, "asleep", hours_of_sleep);
    let evening_letter_before =
        table.optional(findings, "evening_letter_before", span_between(TimeDelta::zero(), TimeDelta::hours(6)));
    let wake_if = table.optional(findings, "wake_if", one_in);
    let come_within = table.optional(findings, "come_within", span_between(TimeDelta::minutes(1), TimeDelta::hours(6)));
    table.finish(findings);
    let site = Site {
        name: name.unwrap_or_default(),
        time_zone: time_zone.unwrap_or_default(),
        units: units.unwrap_or_default(),
        rounds,
        round_letter_before: round_letter_before.unwrap_or(ROUND_LETTER_BEFORE),
        look_within: look_within.unwrap_or(LOOK_WITHIN),
        digest_at,
        asleep: asleep.unwrap_or(Some(ASLEEP)),
        evening_letter_before: evening_letter_before.unwrap_or(EVENING_LETTER_BEFORE),
        wake_if: wake_if.unwrap_or(WAKE_IF),
        come_within: come_within.unwrap_or(COME_WITHIN),
    };
    (site, site_topic)
}

/// A zone of the IANA list.
pub(super) fn time_zone(value: &DeValue<'_>) -> Result<chrono_tz::Tz, Complaint> {
    let found = text(value)?;
    let names = || chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name());
    found.parse::<chrono_tz::Tz>().map_err(|_| {
        let complaint = Complaint::new("no time zone of the IANA list has this name");
        match names().find(|name| name.eq_ignore_ascii_case(&found.replace(' ', "_"))) {
            Some(name) => complaint.hint(format!("write \"{name}\"")),
            None => match crate::engine::crop::closest_word(found, names()) {
                Some(name) => complaint.hint(format!("did you mean \"{name}\"?")),
                None => complaint.hint(TIME_ZONE_HINT),
            },
        }
    })
}

fn store(mut table: Table<'_>, findings: &mut Findings<'_>, base: &Path) -> Store {
    let path = table.optional(findings, "path", super::address::path(base));
    let keep = table.optional(findings, "keep_readings", span_between(TimeDelta::days(1), TimeDelta::days(36_500)));
    table.finish(findings);
    Store {
        path: path.unwrap_or_else(|| PathBuf::from(STORE_PATH)),
        keep_readings: keep.unwrap_or(TimeDelta::days(KEEP_READINGS_DAYS)),
    }
}

/// `[alarm.KIND]`.
fn alarms(root: &mut Table<'_>, findings: &mut Findings<'_>) -> BTreeMap<AlarmKind, AlarmTuning> {
    let mut tuned = BTreeMap::new();
    for (word, item) in root.table(findings, "alarm").named() {
        let Some(kind) = AlarmKind::from_word(word) else {
            let kinds = AlarmKind::ALL.map(AlarmKind::word);
            findings.refuse_unshown(
                &item,
                Complaint::new("no such kind of alarm").did_you_mean(&word.replace('_', "-"), kinds),
            );
            continue;
        };
        let mut table = item.table(findings);
        if !table.stands() {
            continue;
        }
        let delay = || span_between(TimeDelta::zero(), TimeDelta::days(7));
        let tuning = AlarmTuning {
            disabled: table.optional(findings, "enabled", truth) == Some(false),
            on_delay: table.optional(findings, "on_delay", delay()),
            off_delay: table.optional(findings, "off_delay", delay()),
            wake_if: table.optional(findings, "wake_if", one_in),
        };
        table.finish(findings);
        tuned.insert(kind, tuning);
    }
    tuned
}

/// A wrong zone would move every round and digest without a word, so none is guessed.
const TIME_ZONE_HINT: &str = "write your region's name in the IANA list, for example time_zone = \"America/Chicago\"; timedatectl shows this machine's";
/// Own default: before breakfast, and before the first round.
const DIGEST_AT: NaiveTime = NaiveTime::from_hms_opt(6, 30, 0).expect("06:30 is a time of day");
/// Own default: morning and evening.
const ROUNDS: [NaiveTime; 2] = [
    NaiveTime::from_hms_opt(7, 0, 0).expect("07:00 is a time of day"),
    NaiveTime::from_hms_opt(19, 0, 0).expect("19:00 is a time of day"),
];
/// Own default: time to read it on the way to the room.
const ROUND_LETTER_BEFORE: TimeDelta = TimeDelta::minutes(15);
/// When people sleep, if nobody says otherwise. Own default.
const ASLEEP: (NaiveTime, NaiveTime) =
    (NaiveTime::from_hms_opt(22, 0, 0).unwrap(), NaiveTime::from_hms_opt(6, 0, 0).unwrap());
/// The evening letter comes while there is time to go and look. Own default.
const EVENING_LETTER_BEFORE: TimeDelta = TimeDelta::hours(1);
/// A night's sleep against the trays: one in five. Own default.
const WAKE_IF: f64 = 0.2;
/// From the letter to hands at the rack, the mail's own way included. Own default.
const COME_WITHIN: TimeDelta = TimeDelta::minutes(45);
/// A covered tray is looked at once a day in most rooms; half a day late is late. Own default.
const LOOK_WITHIN: TimeDelta = TimeDelta::hours(36);
/// The state directory that the systemd unit makes.
const STORE_PATH: &str = "/var/lib/traywarden/traywarden.db";
/// A year and a season, so that this spring can be laid beside the last.
const KEEP_READINGS_DAYS: i64 = 400;
