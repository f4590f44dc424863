//! Reads the settings of `guard`: which site, when it is missed, the broker, who is written to.

use super::amount::{span_between, text, time_of_day, topic_word};
use super::check::time_zone;
use super::file::{Complaint, Findings, Table};
use super::{GuardRules, GuardSettings, outside};
use chrono::{NaiveTime, TimeDelta};
use std::path::Path;
use toml::de::DeTable;

/// The checked settings, meaningful only if `findings` holds no problem afterwards.
pub(super) fn guard(document: &DeTable<'_>, findings: &mut Findings<'_>, base: &Path) -> GuardSettings {
    let mut root = Table::root(document);
    let mut table = root.table(findings, "guard");
    let hint = "write the site as it stands in its topics, for example site = \"saltmarsh-lane\"; \"traywarden check\" shows it";
    let site = table.required(findings, "site", hint, |value| {
        let found = text(value)?;
        let word = topic_word(found);
        if word == found {
            Ok(word)
        } else {
            Err(Complaint::new("a site in topics has small letters, digits and hyphens only")
                .hint(format!("write \"{word}\"")))
        }
    });
    let site = site.unwrap_or_default();
    let name = table.optional(findings, "name", |value| text(value).map(str::to_owned));
    let zone = table.required(
        findings,
        "time_zone",
        "write the site's region in the IANA list, for example time_zone = \"America/Chicago\"",
        time_zone,
    );
    let gone_after = table.optional(findings, "gone_after", span_between(TimeDelta::minutes(1), TimeDelta::hours(24)));
    let digest_by = table.optional(findings, "digest_by", time_of_day);
    table.finish(findings);
    let broker_table = root.table(findings, "broker");
    if !broker_table.stands() {
        root.missing(findings, "broker", "write [broker] and url = \"mqtts://host:8883\", the broker the watch is on");
    }
    // Another name than the daemon's: two clients of one name throw each other out.
    let broker = outside::broker(broker_table, findings, base, &format!("guard-{site}"));
    let mail_table = root.table(findings, "mail");
    if !mail_table.stands() {
        root.missing(findings, "mail", "write [mail] with from, to and smtp; a guard that cannot write is none");
    }
    let mail = outside::mail(mail_table, findings, base, &base.join("guard"));
    root.finish(findings);
    GuardSettings {
        name: name.unwrap_or_else(|| site.clone()),
        site,
        rules: GuardRules {
            time_zone: zone.unwrap_or_default(),
            gone_after: gone_after.unwrap_or(GONE_AFTER),
            digest_by: digest_by.unwrap_or(DIGEST_BY),
        },
        broker,
        mail,
    }
}

/// A restart, an update or a router takes less. Own default.
const GONE_AFTER: TimeDelta = TimeDelta::minutes(10);
/// An hour after the digest's own default. Own default.
const DIGEST_BY: NaiveTime = NaiveTime::from_hms_opt(7, 30, 0).expect("07:30 is a time of day");
