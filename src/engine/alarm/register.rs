//! Every alarm there ever was on this site, found by kind and subject without making a
//! key: a healthy minute asks after dozens of alarms that do not exist.

use crate::alarm::cycle::Alarm;
use crate::alarm::kinds::{AlarmKey, AlarmKind};
use alloc::collections::BTreeMap;
use alloc::string::String;

/// Alarms by kind, then by subject; walked in that order.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Register {
    by_kind: BTreeMap<AlarmKind, BTreeMap<String, Alarm>>,
}

impl Register {
    /// The alarm of a kind about a subject.
    pub(crate) fn find(&self, kind: AlarmKind, subject: &str) -> Option<&Alarm> {
        self.by_kind.get(&kind)?.get(subject)
    }

    /// The same, to be told something.
    pub(crate) fn find_mut(&mut self, kind: AlarmKind, subject: &str) -> Option<&mut Alarm> {
        self.by_kind.get_mut(&kind)?.get_mut(subject)
    }

    /// The alarm with this key.
    pub(crate) fn get(&self, key: &AlarmKey) -> Option<&Alarm> {
        self.find(key.kind, &key.subject)
    }

    /// The same, to be told something.
    pub(crate) fn get_mut(&mut self, key: &AlarmKey) -> Option<&mut Alarm> {
        self.find_mut(key.kind, &key.subject)
    }

    /// The alarm of a kind about a subject stands or is about to: its watch judges by the
    /// limit that lets go.
    pub(crate) fn is_held(&self, kind: AlarmKind, subject: &str) -> bool {
        self.find(kind, subject).is_some_and(Alarm::is_held)
    }

    /// Its cause stands as an alarm of its own: an empty tank is also a low one.
    pub(crate) fn is_consequence(&self, key: &AlarmKey) -> bool {
        key.kind == AlarmKind::ReservoirLow
            && self.find(AlarmKind::ReservoirEmpty, &key.subject).is_some_and(Alarm::is_active)
    }

    /// Takes in a new alarm, in place of one with the same key.
    pub(crate) fn insert(&mut self, alarm: Alarm) {
        self.by_kind.entry(alarm.key().kind).or_default().insert(alarm.key().subject.clone(), alarm);
    }

    /// Every alarm, by kind, then by subject.
    pub(crate) fn iter(&self) -> impl Iterator<Item = &Alarm> {
        self.by_kind.values().flat_map(BTreeMap::values)
    }

    /// The same, each to be told something.
    pub(crate) fn iter_mut(&mut self) -> impl Iterator<Item = &mut Alarm> {
        self.by_kind.values_mut().flat_map(BTreeMap::values_mut)
    }

    /// Every alarm of one kind, by subject.
    pub(crate) fn of_kind(&self, kind: AlarmKind) -> impl Iterator<Item = &Alarm> {
        self.by_kind.get(&kind).into_iter().flat_map(BTreeMap::values)
    }
}
