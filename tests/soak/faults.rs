//! What goes wrong, and when.

use traywarden::random::SplitMix64;

/// What may go wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// All is well again.
    None,
    /// The broker is killed and comes back.
    BrokerKilled,
    /// One sensor says nothing for so many minutes.
    Silent { sensor: usize, minutes: u32 },
    /// Messages that are none.
    Garbage { messages: usize },
    /// A message far beyond what a sensor says.
    Oversized,
    /// Letters cannot leave for so many minutes.
    NoLetters { minutes: u32 },
    /// The disk is full for so many minutes.
    DiskFull { minutes: u32 },
    /// The settings are read anew.
    Reload,
    /// A rack is hot for so many minutes.
    Hot { sensor: usize, minutes: u32 },
    /// A sensor repeats one value.
    Stuck { sensor: usize, minutes: u32 },
}

/// The faults of so many minutes, the latest first: so many of them, and `only` one kind where it is told.
pub fn of_a_span(random: &mut SplitMix64, minutes: u32, count: u32, only: Option<u32>) -> Vec<(u32, Fault)> {
    let mut below = |count: u32| (random.whole() % u64::from(count)) as u32;
    let mut all: Vec<(u32, Fault)> = (0..count)
        .map(|_| {
            let (at, long, sensor) = (below(minutes), 20 + below(200), below(crate::walk::SENSORS as u32) as usize);
            let fault = match only.unwrap_or_else(|| below(9)) {
                0 => Fault::BrokerKilled,
                1 => Fault::Silent { sensor, minutes: long },
                2 => Fault::Garbage { messages: 300 },
                3 => Fault::Oversized,
                4 => Fault::NoLetters { minutes: long },
                5 => Fault::DiskFull { minutes: long },
                6 => Fault::Reload,
                7 => Fault::Hot { sensor, minutes: long },
                _ => Fault::Stuck { sensor, minutes: long },
            };
            (at, fault)
        })
        .collect();
    all.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
    all
}
