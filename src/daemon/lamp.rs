//! Alarms for a lamp or siren, as retained messages on the broker: a carrier like the
//! mail. It is made here because the daemon is where broker and letters meet.

use crate::engine::alarm::AlarmChange;
use crate::engine::rules::Site;
use crate::intake::mqtt::Speaker;
use crate::notify::annunciator;
use crate::notify::carrier::{Attempt, Carrier, Refused};
use crate::notify::letter::{CarrierName, Letter, Parcel};
use crate::notify::waits::Refusal;

/// Tells a lamp how each alarm stands.
pub(super) struct Lamp {
    pub speaker: Speaker,
    pub site: Site,
    /// `config::Broker::site_topic`.
    pub site_topic: String,
}

impl Carrier for Lamp {
    fn name(&self) -> CarrierName {
        CarrierName::Lamp
    }

    fn letter(&self, _: &Letter) -> Vec<Parcel> {
        Vec::new()
    }

    fn alarm(&self, change: &AlarmChange) -> Option<Parcel> {
        Some(annunciator::announcement(change, &self.site, &self.site_topic))
    }

    /// A lamp shows how it is, not how it was.
    fn newest_only(&self) -> bool {
        true
    }

    fn try_once<'a>(&'a self, parcel: &'a Parcel) -> Attempt<'a> {
        Box::pin(async move {
            let events = self.speaker.announce(&parcel.key.recipient, &parcel.bytes).await;
            events.map_err(|text| Refused { kind: Refusal::Unreachable, text })
        })
    }
}
