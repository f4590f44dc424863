//! Which messages the broker may send again. At QoS 1 a message comes a second time when
//! our acknowledgement did not reach the broker before the connection broke; a second
//! reading must not be made of it. Told apart by packet id and content, a message is
//! remembered only for as long as it can come again: packet ids are used anew after
//! 65,535 messages, and an equal message that was truly sent must then be heard.

use crate::store::StoredDelivery;
use std::collections::{HashMap, VecDeque};

/// Messages a broker may have on their way to us at once, with room to spare (mosquitto
/// sends 20 unless told otherwise). Far below 65,535, so that an id that comes round again
/// never meets its own mark. Own choice.
const MOST_ON_THEIR_WAY: usize = 10_000;

/// Marks of messages that were taken and may come again.
#[derive(Debug, Default)]
pub(super) struct Deliveries {
    marks: HashMap<u16, Mark>,
    taken: VecDeque<(u64, u16)>,
    count: u64,
    forgotten: Forgotten,
}

#[derive(Debug)]
struct Mark {
    hash: u32,
    /// The connection it came on last; 0: before this start.
    epoch: u64,
    nth: u64,
}

/// What the store need not remember any more.
#[derive(Debug, Default)]
pub(super) struct Forgotten {
    /// Everything: the broker has no session of ours.
    pub all: bool,
    /// Messages whose receipt the broker holds: they come no more.
    pub marks: Vec<StoredDelivery>,
}

impl Forgotten {
    /// Nothing is to be forgotten.
    pub(super) fn is_empty(&self) -> bool {
        !self.all && self.marks.is_empty()
    }
}

impl Deliveries {
    /// Begins with what an earlier run wrote down.
    pub(super) fn restored(marks: Vec<StoredDelivery>) -> Deliveries {
        let mut deliveries = Deliveries::default();
        for mark in marks {
            deliveries.take(mark, 0);
        }
        deliveries
    }

    /// This very message was taken before. Ask only for one that is marked as sent again (DUP).
    pub(super) fn is_repeated(&mut self, delivery: StoredDelivery, epoch: u64) -> bool {
        match self.marks.get_mut(&delivery.packet_id) {
            Some(mark) if mark.hash == delivery.hash => {
                mark.epoch = epoch;
                true
            }
            _ => false,
        }
    }

    /// A message was taken.
    pub(super) fn take(&mut self, delivery: StoredDelivery, epoch: u64) {
        self.count += 1;
        let mark = Mark { hash: delivery.hash, epoch, nth: self.count };
        // The old one of this id is replaced in the store by the new one.
        self.marks.insert(delivery.packet_id, mark);
        self.taken.push_back((self.count, delivery.packet_id));
        while self.taken.len() > MOST_ON_THEIR_WAY
            && let Some((nth, packet_id)) = self.taken.pop_front()
        {
            if self.marks.get(&packet_id).is_some_and(|mark| mark.nth == nth) {
                self.forget(packet_id);
            }
        }
    }

    /// The broker certainly has our acknowledgements of these, given on this connection.
    pub(super) fn settled(&mut self, epoch: u64, packet_ids: &[u16]) {
        for packet_id in packet_ids {
            if self.marks.get(packet_id).is_some_and(|mark| mark.epoch == epoch) {
                self.forget(*packet_id);
            }
        }
    }

    /// The broker has sent again on this connection whatever it had to.
    pub(crate) fn sent_again(&mut self, epoch: u64) {
        let older = |(packet_id, mark): (&u16, &Mark)| (mark.epoch < epoch).then_some(*packet_id);
        let older: Vec<u16> = self.marks.iter().filter_map(older).collect();
        for packet_id in older {
            self.forget(packet_id);
        }
    }

    /// The broker has no session of ours: packet ids begin anew.
    pub(super) fn forget_all(&mut self) {
        *self = Deliveries { forgotten: Forgotten { all: true, marks: Vec::new() }, ..Deliveries::default() };
    }

    /// What is to be forgotten by the store with its next commit.
    pub(super) fn take_forgotten(&mut self) -> Forgotten {
        std::mem::take(&mut self.forgotten)
    }

    /// The store did not forget these; they go with the next commit.
    pub(super) fn give_back(&mut self, mut forgotten: Forgotten) {
        forgotten.all |= self.forgotten.all;
        forgotten.marks.append(&mut self.forgotten.marks);
        self.forgotten = forgotten;
    }

    fn forget(&mut self, packet_id: u16) {
        if let Some(mark) = self.marks.remove(&packet_id) {
            self.forgotten.marks.push(StoredDelivery { packet_id, hash: mark.hash });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(packet_id: u16) -> StoredDelivery {
        StoredDelivery { packet_id, hash: 7 }
    }

    #[test]
    fn a_message_sent_again_for_a_broken_connection_is_known() {
        let mut deliveries = Deliveries::default();
        deliveries.take(message(5), 1);
        assert!(deliveries.is_repeated(message(5), 2));
        assert!(!deliveries.is_repeated(StoredDelivery { packet_id: 5, hash: 8 }, 2), "another under the same id");
        assert!(!deliveries.is_repeated(message(6), 2), "an equal one under another id");
    }

    #[test]
    fn an_acknowledgement_that_has_arrived_ends_the_mark() {
        let mut deliveries = Deliveries::default();
        deliveries.take(message(5), 1);
        deliveries.settled(1, &[5]);
        assert!(!deliveries.is_repeated(message(5), 2), "an equal message that was truly sent is heard");
        assert_eq!(deliveries.take_forgotten().marks, [message(5)], "and the store forgets it too");
    }

    #[test]
    fn an_acknowledgement_of_an_earlier_connection_ends_nothing_by_itself() {
        let mut deliveries = Deliveries::default();
        deliveries.take(message(5), 1);
        assert!(deliveries.is_repeated(message(5), 2));
        deliveries.settled(1, &[5]);
        assert!(deliveries.is_repeated(message(5), 3));
        deliveries.sent_again(3);
        assert!(deliveries.is_repeated(message(5), 3), "it came on this very connection");
        deliveries.sent_again(4);
        assert!(!deliveries.is_repeated(message(5), 4), "it was not sent again, so it was acknowledged");
    }

    #[test]
    fn what_an_earlier_run_took_is_known_until_the_broker_has_sent_again() {
        let mut deliveries = Deliveries::restored(vec![message(5), message(6)]);
        assert!(deliveries.is_repeated(message(5), 1));
        deliveries.sent_again(1);
        assert!(!deliveries.is_repeated(message(6), 1));
        assert!(deliveries.is_repeated(message(5), 1));
    }

    #[test]
    fn when_packet_ids_come_round_no_mark_of_the_last_round_is_left() {
        let mut deliveries = Deliveries::default();
        for packet_id in 1..=u16::MAX {
            deliveries.take(message(packet_id), 1);
        }
        assert!(!deliveries.is_repeated(message(1), 2), "long acknowledged");
        assert!(deliveries.is_repeated(message(u16::MAX), 2));
        assert_eq!(deliveries.take_forgotten().marks.len(), usize::from(u16::MAX) - MOST_ON_THEIR_WAY);
    }
}
