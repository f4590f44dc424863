//! Entries that somebody sends to another site. Several daemons may share one broker, each
//! its own site, and what is sent to one of them is no business of another; but a button
//! with a mistyped site, or one that was not told of a new name, is heard by nobody at all.
//!
//! The rule: an entry is astray when no watch of its site says on the broker that it is
//! online. A site whose watch was never heard of is judged as soon as what the broker keeps
//! of it must have come; one that said "offline" may be restarting, so it gets a minute. An
//! entry that such a watch still finds in its session is told of all the same; the answer
//! holds then too, as it says only what this watch did. Nothing of another site is ever taken.
//!
//! All this is heard on a connection of its own, without a session: in the watch's session
//! a wildcard beside the journal's own topic could bring an entry twice (MQTT 3.1.1, section
//! 3.3.5), a refused one can cost the connection with some brokers, and what neighbours say
//! would wait there with our readings while we are away. `Neighbours` is pure.

use crate::config::Config;
use crate::intake::overhear::{Overheard, overhear};
use crate::intake::payload::LARGEST_PAYLOAD;
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// What the broker keeps comes with the answer to SUBSCRIBE, which a slow one may take its
/// time for. Own default.
const UNHEARD_OF_FOR: TimeDelta = TimeDelta::seconds(5);
/// A restart, also of a small board's daemon with a large store. Own default.
const OFFLINE_FOR: TimeDelta = TimeDelta::minutes(1);
/// Neighbours that are remembered, and entries that wait for a verdict. Own default.
const MOST: usize = 256;
/// A longer name is no slip of a site's.
const LONGEST_SITE: usize = 200;
/// A broker that dies ends both connections at once; where the watch was gone for longer when
/// the ear was thrown out, it may be that the watch's coming back did it.
const NOT_AT_ONCE: Duration = Duration::from_millis(500);
/// The second time within this it is certain: a broker that hangs is noticed later than that.
const AGAIN_WITHIN: Duration = Duration::from_secs(15);

/// The second connection, as the loop hears it.
pub(super) struct Ear {
    overheard: Option<mpsc::Receiver<Overheard>>,
    let_in: bool,
    /// Since when the watch's own connection is gone.
    watch_gone: Option<Instant>,
    /// When the watch's coming back seems to have thrown the ear out.
    thrown_out: Option<Instant>,
}

impl Ear {
    /// Begins to listen for other sites. Without it the watch goes on.
    pub(super) fn begin(config: &Config) -> Ear {
        let mut broker = config.broker.clone();
        broker.client_id.push_str("-ear");
        let topics = vec!["traywarden/+/status".to_owned(), "traywarden/+/journal".to_owned()];
        let overheard = overhear(&broker, topics).map_err(|error| {
            tracing::warn!(%error, "entries for other sites are not noticed");
        });
        Ear { overheard: overheard.ok(), let_in: false, watch_gone: None, thrown_out: None }
    }

    /// The next thing heard. Never ends where nothing is.
    pub(super) async fn next(&mut self) -> Overheard {
        if let Some(overheard) = &mut self.overheard {
            if let Some(next) = overheard.recv().await {
                self.notice(&next, tokio::time::Instant::now());
                return next;
            }
            self.overheard = None;
        }
        std::future::pending().await
    }

    /// The watch's own connection stands, or has ended.
    pub(super) fn watch_is_up(&mut self, up: bool, now: Instant) {
        self.watch_gone = if up { None } else { self.watch_gone.or(Some(now)) };
    }

    /// A broker that calls every client by its user's name (`use_username_as_clientid` in
    /// mosquitto) takes the ear for the watch and lets in only the newer of them, and so on by
    /// turns. Then the watch is worth more.
    fn notice(&mut self, heard: &Overheard, now: Instant) {
        let was_in = std::mem::replace(&mut self.let_in, *heard == Overheard::Up);
        if matches!(heard, Overheard::Message { .. }) {
            self.let_in = was_in;
        }
        let gone = self.watch_gone.is_some_and(|gone| now - gone >= NOT_AT_ONCE);
        if !(was_in && gone && matches!(heard, Overheard::Down { .. })) {
            return;
        }
        if self.thrown_out.replace(now).is_some_and(|before| now - before < AGAIN_WITHIN) {
            tracing::warn!(
                "the broker lets a user in only once, so entries for other sites are not noticed by this watch; \
                 `traywarden check` looks for them"
            );
            self.overheard = None;
        }
    }
}

/// An entry for a site that nobody watches.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Astray {
    pub(super) site: String,
    pub(super) payload: Vec<u8>,
}

/// What is known of other sites on the broker.
#[derive(Debug, Default)]
pub(super) struct Neighbours {
    /// Whether the watch of a site says that it is online, of those that have said anything.
    online: BTreeMap<String, bool>,
    /// Entries for sites without a watch, and since when.
    waiting: Vec<(Timestamp, Astray)>,
}

impl Neighbours {
    /// Takes in what was overheard. `ours` is this watch's site.
    pub(super) fn hear(&mut self, now: Timestamp, ours: &str, heard: Overheard) {
        let (topic, mut payload, retained) = match heard {
            // Statuses come anew, and so do those that changed meanwhile.
            Overheard::Up | Overheard::Down { .. } => return self.online.clear(),
            Overheard::Message { topic, payload, retained } => (topic, payload, retained),
        };
        let levels: Vec<&str> = topic.split('/').collect();
        let &[_, site, about] = levels.as_slice() else { return };
        if site == ours || site.len() > LONGEST_SITE {
            return;
        }
        if about == "status" {
            let online = payload == b"online";
            if online {
                self.waiting.retain(|(_, astray)| astray.site != site);
            }
            if self.online.len() < MOST || self.online.contains_key(site) {
                self.online.insert(site.to_owned(), online);
            }
        } else if !retained && self.online.get(site) != Some(&true) && self.waiting.len() < MOST {
            payload.truncate(LARGEST_PAYLOAD + 1);
            self.waiting.push((now, Astray { site: site.to_owned(), payload }));
        }
    }

    /// What is certain to be astray by now.
    pub(super) fn astray(&mut self, now: Timestamp) -> Vec<Astray> {
        let online = &self.online;
        let is_due = |(since, astray): &mut (Timestamp, Astray)| {
            now - *since >= if online.contains_key(&astray.site) { OFFLINE_FOR } else { UNHEARD_OF_FOR }
        };
        self.waiting.extract_if(.., is_due).map(|(_, astray)| astray).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const OURS: &str = "saltmarsh-lane";

    fn at(seconds: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + TimeDelta::seconds(seconds)
    }

    fn said(topic: &str, payload: &str, retained: bool) -> Overheard {
        Overheard::Message { topic: topic.into(), payload: payload.into(), retained }
    }

    fn entry(site: &str) -> Overheard {
        said(&format!("traywarden/{site}/journal"), "{}", false)
    }

    fn sites(astray: Vec<Astray>) -> Vec<String> {
        astray.into_iter().map(|astray| astray.site).collect()
    }

    #[test]
    fn an_entry_for_a_site_of_which_nobody_has_heard_is_astray_once() {
        let mut neighbours = Neighbours::default();
        neighbours.hear(at(0), OURS, entry("saltmarsh"));
        assert_eq!(sites(neighbours.astray(at(4))), [""; 0], "what the broker keeps may still come");
        assert_eq!(sites(neighbours.astray(at(5))), ["saltmarsh"]);
        assert_eq!(sites(neighbours.astray(at(6))), [""; 0]);
    }

    #[test]
    fn what_another_watch_takes_is_no_error_however_late_it_says_online() {
        let mut neighbours = Neighbours::default();
        neighbours.hear(at(0), OURS, said("traywarden/barn/status", "online", true));
        neighbours.hear(at(1), OURS, entry("barn"));
        neighbours.hear(at(1), OURS, entry("shed"));
        neighbours.hear(at(2), OURS, said("traywarden/shed/status", "online", true));
        neighbours.hear(at(3), OURS, entry("shed"));
        assert_eq!(sites(neighbours.astray(at(600))), [""; 0]);
    }

    #[test]
    fn a_watch_that_restarts_gets_a_minute_and_one_that_stays_away_no_more() {
        let mut neighbours = Neighbours::default();
        for site in ["barn", "old-name"] {
            neighbours.hear(at(0), OURS, said(&format!("traywarden/{site}/status"), "offline", true));
            neighbours.hear(at(0), OURS, entry(site));
        }
        assert_eq!(sites(neighbours.astray(at(30))), [""; 0]);
        neighbours.hear(at(40), OURS, said("traywarden/barn/status", "online", false));
        assert_eq!(sites(neighbours.astray(at(60))), ["old-name"]);
        assert_eq!(sites(neighbours.astray(at(900))), [""; 0]);
    }

    #[test]
    fn our_own_entries_old_ones_and_answers_are_none_of_its_business() {
        let mut neighbours = Neighbours::default();
        neighbours.hear(at(0), OURS, entry(OURS));
        neighbours.hear(at(0), OURS, said("traywarden/saltmarsh/journal", "{}", true));
        neighbours.hear(at(0), OURS, said("traywarden/saltmarsh/journal/answer", "{}", false));
        assert_eq!(sites(neighbours.astray(at(900))), [""; 0]);
    }

    #[test]
    fn a_flood_of_sites_is_bounded() {
        let mut neighbours = Neighbours::default();
        for nth in 0..2000 {
            neighbours.hear(at(0), OURS, said(&format!("traywarden/a{nth}/status"), "offline", true));
            neighbours.hear(at(0), OURS, entry(&format!("b{nth}")));
        }
        assert_eq!((neighbours.online.len(), neighbours.waiting.len()), (MOST, MOST));
    }

    #[test]
    fn an_ear_that_throws_the_watch_out_by_turns_is_given_up() {
        let start = tokio::time::Instant::now();
        let at = |seconds: f64| start + Duration::from_secs_f64(seconds);
        let down = Overheard::Down { error: "closed".into() };
        let ear = || {
            let (keep, overheard) = mpsc::channel(1);
            (keep, Ear { overheard: Some(overheard), let_in: false, watch_gone: None, thrown_out: None })
        };
        let (_keep, mut by_turns) = ear();
        for turn in [0.0, 2.3] {
            assert!(by_turns.overheard.is_some(), "once may be chance");
            by_turns.notice(&Overheard::Up, at(turn));
            by_turns.watch_is_up(false, at(turn));
            by_turns.notice(&down, at(turn + 1.1));
            by_turns.watch_is_up(true, at(turn + 1.2));
        }
        assert!(by_turns.overheard.is_none());
        let (_keep, mut restarts) = ear();
        for turn in [0.0, 2.3, 4.6] {
            restarts.notice(&Overheard::Up, at(turn));
            restarts.watch_is_up(false, at(turn + 1.0));
            restarts.notice(&down, at(turn + 1.1));
            restarts.watch_is_up(true, at(turn + 2.2));
        }
        assert!(restarts.overheard.is_some(), "a broker that restarts ends both at once");
    }
}
