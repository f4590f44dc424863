//! What is believed, and what bytes can do.

use crate::night::{Bent, Night, heard, seeds};
use chrono::TimeDelta;
use std::collections::BTreeMap;
use traywarden::engine::event::{Doubt, Effect, Event};
use traywarden::intake::payload;
use traywarden::random::SplitMix64;
use traywarden::reading::{ChannelId, Flag, Quantity, RawReading};

#[test]
fn nothing_is_believed_that_quality_did_not_pass() {
    for seed in seeds(60) {
        let night = Night::of(seed, Bent::default());
        let mut before: BTreeMap<ChannelId, RawReading> = BTreeMap::new();
        for effect in night.effects() {
            let Effect::Judged(judgement) = effect else { continue };
            let raw = judgement.raw;
            let label = format!("{}: {judgement:?}", night.label);
            let twice = raw.measured_at.is_some()
                && before
                    .get(&raw.channel)
                    .is_some_and(|b| b.measured_at == raw.measured_at && b.value() == raw.value() && !b.retained);
            before.insert(raw.channel, raw);
            let Some(believed) = judgement.believed else {
                assert!(judgement.reason.is_some(), "refused without a reason: {label}");
                continue;
            };
            assert!(matches!(judgement.flag, Flag::Good | Flag::Suspect), "{label}");
            assert_eq!(believed.flag(), judgement.flag, "{label}");
            assert_eq!(believed.channel(), raw.channel, "{label}");
            assert!(!raw.retained, "a retained value: {label}");
            assert!(!twice, "the same twice: {label}");
            let refused = [Doubt::Retained, Doubt::Duplicate, Doubt::FaultCode, Doubt::Spike];
            assert!(judgement.reason.is_none_or(|reason| !refused.contains(&reason)), "{label}");
            // What a probe of a living room can say at all, whatever the limits of the rules.
            let possible = match night.config.rules.channel(raw.channel).quantity {
                Quantity::Temperature => -40.0..=85.0,
                Quantity::Humidity => 0.0..=100.0,
                _ => 0.0..=100_000.0,
            };
            assert!(possible.contains(&believed.value()), "{label}");
        }
    }
}

#[test]
fn no_bytes_at_all_make_intake_or_engine_panic() {
    for seed in seeds(12) {
        let night = Night::of(seed, Bent::default());
        let config = &night.config;
        let mut chance = SplitMix64::new(seed ^ 0xBAD);
        let mut topics: Vec<&str> = config.topics.sensors.keys().map(String::as_str).collect();
        topics.extend([config.topics.journal.as_str(), "", "nobody/owns/this"]);
        let templates: [&[u8]; 6] = [
            br#"{"temperature":21.5,"humidity":55,"time":"2026-03-03T23:00:00Z"}"#,
            br#"{"did":"sow","tray":"X","place":"rack-a","crop":"radish","count":2}"#,
            br#"{"did":"strike","entry":-9223372036854775808}"#,
            br#"{"did":"water","at":"-262143-01-01T00:00:00Z","ml_per_tray":1e308}"#,
            br#"{"did":"refill","at":"+262142-12-31T23:59:59Z","litres":1e-300}"#,
            b"[{\"n\":\"a\",\"v\":1e400,\"t\":1e300}]",
        ];
        let mut engine = night.engine();
        let mut at = engine.now();
        for round in 0..20_000_i64 {
            at += TimeDelta::milliseconds((chance.whole() % 3000) as i64);
            let mut bytes: Vec<u8> = templates[chance.whole() as usize % templates.len()].to_vec();
            match chance.whole() % 4 {
                0 => bytes = (0..chance.whole() % 40).map(|_| chance.whole() as u8).collect(),
                1 => bytes.truncate(chance.whole() as usize % bytes.len()),
                2 => {
                    let place = chance.whole() as usize % bytes.len();
                    bytes[place] = chance.whole() as u8;
                }
                _ => {}
            }
            let topic = topics[chance.whole() as usize % topics.len()];
            for mut what in heard(payload::decode(&config.topics, topic, &bytes, chance.one_in(9), at)) {
                if let traywarden::engine::event::What::Journal { number, .. } = &mut what {
                    *number = round;
                }
                engine.handle(Event { at, what });
            }
        }
    }
}
