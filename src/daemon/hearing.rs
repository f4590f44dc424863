//! What reaches the daemon from outside: readings and entries over the broker, and what the
//! verbs put into the store's inbox.

use super::gate::Passage;
use super::neighbours::Astray;
use super::{Daemon, Extras, Observed, keeper};
use crate::engine::event::{Command, Garbled, What};
use crate::intake::mqtt::{Delivery, FromBroker};
use crate::intake::overhear::Overheard;
use crate::intake::payload::{self, Decoded};
use crate::notify::wording;
use crate::store::{InboxAnswer, InboxKind, InboxOutcome, Rejected};
use crate::units::Timestamp;
use std::hash::{DefaultHasher, Hash, Hasher};

/// Who an entry is by that came over the broker without a name.
const BY_BROKER: &str = "MQTT";

impl Daemon<'_> {
    pub(super) fn take_from_broker(&mut self, message: FromBroker) {
        match message {
            FromBroker::Up { session_present } => {
                if !session_present {
                    self.deliveries.forget_all();
                }
                tracing::info!(session_present, "connected to the broker");
                (self.observer)(Observed::BrokerUp);
                self.broker_up = true;
                self.lamps_can_hear();
                self.happen(What::BrokerUp, Extras::default());
            }
            FromBroker::Down { error } => {
                self.broker_up = false;
                tracing::warn!(%error, "no connection to the broker");
                (self.observer)(Observed::BrokerDown(&error));
                self.happen(What::BrokerDown, Extras::default());
            }
            FromBroker::Contested { times } => {
                let client_id = self.config.broker.client_id.clone();
                tracing::error!(
                    times,
                    client_id,
                    "the broker throws us out again and again: somebody else uses our client id, or it starts anew"
                );
                self.happen(What::SessionContested { times, client_id }, Extras::default());
            }
            FromBroker::Uncontested => {
                tracing::info!("the broker throws us out no more");
                self.happen(What::SessionSettled, Extras::default());
            }
            FromBroker::GivenUp { bytes } => {
                self.happen(What::SessionGivenUp { bytes: bytes as u64 }, Extras::default());
            }
            FromBroker::SubscribeRefused { topics } => {
                let topics = topics.join(", ");
                tracing::error!(topics, "the broker refuses these topics; check its access control");
                (self.observer)(Observed::BrokerDown(&format!("the broker refuses to let us listen to {topics}")));
            }
            FromBroker::Delivery(delivery) => self.delivery(delivery),
            FromBroker::Settled { epoch, packet_ids, sent_again } => {
                self.deliveries.settled(epoch, &packet_ids);
                if sent_again {
                    self.deliveries.sent_again(epoch);
                }
            }
        }
    }

    fn delivery(&mut self, delivery: Delivery) {
        let acknowledged = delivery.receipt.packet_id != 0;
        let mut hasher = DefaultHasher::new();
        (&delivery.topic, &delivery.payload).hash(&mut hasher);
        let mark = crate::store::StoredDelivery { packet_id: delivery.receipt.packet_id, hash: hasher.finish() as u32 };
        let epoch = delivery.receipt.epoch;
        if acknowledged && delivery.duplicate && self.deliveries.is_repeated(mark, epoch) {
            self.ledger.acknowledge_with_next(delivery.receipt);
            return;
        }
        if acknowledged {
            self.deliveries.take(mark, epoch);
        }
        let message = Some(self.ledger.next_message());
        let now = self.clock.now();
        let heard = payload::decode(&self.config.topics, &delivery.topic, &delivery.payload, delivery.retained, now);
        let mut mark = acknowledged.then_some(mark);
        match heard {
            Decoded::Events(events) => {
                if delivery.topic == self.config.topics.journal
                    && let Some(why) = payload::why_no_entry(&delivery.payload, delivery.retained)
                    && !events.is_empty()
                {
                    self.answer_sender(None, false, &why);
                }
                for what in events {
                    let rejected = matches!(what, What::Garbled { .. })
                        .then(|| Rejected { topic: delivery.topic.clone(), payload: delivery.payload.clone() });
                    self.happen(what, Extras { rejected, delivery: mark.take(), message, ..Extras::default() });
                }
            }
            Decoded::Entry(_) if !self.takes_entry(&delivery, now) => {}
            Decoded::Entry(mut entry) => {
                // A button says no name; that it came by the broker is what we know.
                entry.by.get_or_insert_with(|| BY_BROKER.to_owned());
                let number = self.take_number();
                self.happen(
                    What::Journal { number, entry: *entry },
                    Extras { delivery: mark, message, ..Extras::default() },
                );
            }
        }
        if acknowledged {
            self.ledger.acknowledge_with_next(delivery.receipt);
        }
    }

    /// Whether an entry is let through. One that is not is acknowledged and forgotten; that
    /// there were some is told now and then.
    fn takes_entry(&mut self, delivery: &Delivery, now: Timestamp) -> bool {
        if !self.ledger.has_room_for_entries() {
            let why = "nothing can be saved, and as many entries wait in memory as it holds; send it again when the store works";
            self.answer_sender(None, false, why);
            return false;
        }
        match self.entry_gate.pass(now) {
            Passage::Taken => return true,
            Passage::Refused => {}
            Passage::RefusedAndTold => {
                tracing::warn!("journal entries come faster than people write; they are refused until it is calm");
                let why = "entries come faster than people write; send it again in a while";
                self.answer_sender(None, false, why);
                let rejected = Rejected { topic: delivery.topic.clone(), payload: delivery.payload.clone() };
                let what = What::Garbled { sensor: None, reason: Garbled::BadEntry };
                self.happen(what, Extras { rejected: Some(rejected), ..Extras::default() });
            }
        }
        false
    }

    pub(super) fn take_overheard(&mut self, heard: Overheard) {
        let now = self.clock.now();
        self.neighbours.hear(now, &self.config.broker.site_topic, heard);
    }

    /// Answers whoever sent an entry to a site that nobody watches, and counts it.
    pub(super) fn tell_astray(&mut self) {
        let now = self.clock.now();
        for Astray { site, payload } in self.neighbours.astray(now) {
            // A device gone wild must not fill the store from another site's topic either.
            if self.astray_gate.pass(now) == Passage::Refused {
                continue;
            }
            let ours = &self.config.broker.site_topic;
            let topic = format!("traywarden/{site}/journal");
            tracing::warn!(topic, "an entry for a site that nobody watches; it was not taken");
            let answer = wording::of_another_site(ours, &site);
            let body = serde_json::json!({ "entry": null, "taken": false, "answer": answer });
            self.link.answer(format!("{topic}/answer"), body.to_string());
            let what = What::Garbled { sensor: None, reason: Garbled::OtherSite };
            self.happen(what, Extras { rejected: Some(Rejected { topic, payload }), ..Extras::default() });
        }
    }

    /// Tells whoever sent a journal entry over the broker what became of it.
    pub(super) fn answer_sender(&self, entry: Option<i64>, taken: bool, answer: &str) {
        let body = serde_json::json!({ "entry": entry, "taken": taken, "answer": answer });
        self.link.answer(format!("{}/answer", self.config.topics.journal), body.to_string());
    }

    fn take_number(&mut self) -> i64 {
        let number = self.next_entry;
        self.next_entry += 1;
        number
    }

    /// What `log` and `alarms` have put in.
    pub(super) fn read_inbox(&mut self) {
        let items = {
            // While a commit is on its way the inbox can wait.
            let Ok(mut keeper) = self.keeper.try_lock() else {
                return;
            };
            let Some(store) = keeper.store() else {
                return;
            };
            // What was put in while no daemon ran changes nothing any more.
            match store.changed_outside() {
                Ok(changed) if changed || self.inbox_unread => match store.inbox() {
                    Ok(items) => items,
                    Err(error) => {
                        tracing::warn!(%error, "the inbox could not be read; it is looked at again");
                        self.inbox_unread = true;
                        return;
                    }
                },
                Ok(_) | Err(_) => return,
            }
        };
        self.inbox_unread = false;
        // What was taken but is not committed yet stands in the inbox still.
        let newest = items.iter().map(|item| item.id).max().unwrap_or(0);
        let taken = self.inbox_taken;
        self.inbox_taken = taken.max(newest);
        let items = items.into_iter().filter(|item| item.id > taken);
        for item in items {
            let extras = Extras { inbox: Some(item.id), ..Extras::default() };
            match item.kind {
                InboxKind::Journal => match crate::typed::object::from_json(&item.body) {
                    Ok(entry) => {
                        let number = self.take_number();
                        self.happen(What::Journal { number, entry }, extras);
                    }
                    Err(why) => self.refuse(item.id, why),
                },
                InboxKind::Command => match serde_json::from_str::<Command>(&item.body) {
                    Ok(command) => self.happen(What::Command(command), extras),
                    Err(error) => self.refuse(item.id, error.to_string()),
                },
            }
        }
    }

    fn refuse(&mut self, id: i64, why: String) {
        let reply = InboxAnswer { id, answer: InboxOutcome::Refused(why).to_answer(), entry: None };
        let now = self.clock.now();
        let mut keeper = keeper::lock(&self.keeper);
        let answered = keeper.store().map_or(Ok(()), |store| store.answer_inbox(&reply, now));
        if let Err(error) = answered {
            tracing::warn!(%error, "could not answer an inbox item");
        }
    }
}
