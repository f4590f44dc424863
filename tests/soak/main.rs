//! Days and nights through the real binary in minutes, with faults drawn from a seed: what it
//! takes of memory, handles and disk, as slopes. Its clock, and nobody else's, is moved a
//! minute at a time by a library that stands before the system's (Debian: libfaketime).
//!
//! `HOURS=720` lives through a month (an hour), `SEED=7` with other faults, `FAULTS=24` with so
//! many in two hours, `ONLY=0` with one kind (its number in `faults`). The test lives through
//! six hours.

#![expect(clippy::unwrap_used, reason = "a test that unwraps says where it broke")]

#[path = "../broker/server.rs"]
#[expect(dead_code, reason = "shared with tests/broker, which uses the rest")]
mod broker_server;
#[path = "../mail/server.rs"]
#[expect(dead_code, reason = "shared with tests/mail, which uses the rest")]
mod mail_server;
#[path = "../daemon/room.rs"]
#[expect(dead_code, reason = "shared with tests/daemon, which uses the rest")]
mod room;
mod faults;
mod slopes;
#[path = "../daemon/small_disk.rs"]
#[expect(dead_code, reason = "shared with tests/daemon, which uses the rest")]
mod small_disk;
mod walk;

use faults::Fault;
use slopes::Taken;
use traywarden::random::SplitMix64;
use walk::Walk;

/// Faults are drawn for each span; at its end the clock stands until all is stored, or a
/// jump would wake what had fallen asleep for good, and what the daemon takes is looked at.
const MINUTES_A_SPAN: u32 = 120;

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().map_or(otherwise, |text| text.parse().unwrap())
}

#[test]
fn days_and_nights_with_faults_take_no_more_and_more_memory_or_handles() {
    let hours = from_environment("HOURS", 6) as f64;
    let seed = from_environment("SEED", 1);
    let faults_a_span = from_environment("FAULTS", 2) as u32;
    let only = std::env::var("ONLY").ok().map(|kind| kind.parse().unwrap());
    println!("seed {seed}");
    let mut random = SplitMix64::new(seed);
    let mut walk = Walk::begin();
    let mut taken: Vec<Taken> = Vec::new();
    while walk.hours() < hours {
        let one = walk.taken();
        println!("{one}");
        taken.push(one);
        let mut plan = faults::of_a_span(&mut random, MINUTES_A_SPAN, faults_a_span, only);
        for minute in 0..MINUTES_A_SPAN {
            while plan.last().is_some_and(|(at, _)| *at <= minute) {
                let (_, fault) = plan.pop().unwrap();
                println!("minute {minute}: {fault:?}");
                walk.suffer(fault, &mut random);
            }
            walk.minute(&mut random);
        }
        walk.stand_still();
    }
    walk.suffer(Fault::None, &mut random);
    walk.settle();
    taken.push(walk.taken());
    let (published, stored) = (walk.published(), walk.stored());
    println!("{published} values published, {stored} stored, {} letters", walk.letters());
    assert_eq!(published, stored, "every value once");
    let slopes = slopes::of(&taken);
    println!("{slopes}");
    slopes.are_flat(hours / 24.0);
}
