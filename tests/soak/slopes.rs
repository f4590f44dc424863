//! What the daemon takes over the days, and how that grows.

use std::fmt;

/// At one moment.
#[derive(Clone, Copy, Debug)]
pub struct Taken {
    pub day: f64,
    /// Resident memory.
    pub memory_kib: f64,
    /// Of it, what the program made itself: the rest are pages of its own file, which come as
    /// more of it is used and which the system takes back.
    pub own_kib: f64,
    pub handles: f64,
    pub threads: f64,
    /// The store with its log.
    pub store_kib: f64,
    pub stored: f64,
}

/// How it grows, and where it stands.
pub struct Slopes {
    memory_kib_a_day: f64,
    own_kib_a_day: f64,
    memory_kib_most: f64,
    handles_a_day: f64,
    handles_most: f64,
    threads_a_day: f64,
    store_kib_a_day: f64,
    bytes_a_reading: f64,
}

impl fmt::Display for Taken {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            formatter,
            "day {:5.2}: {:6.0} KiB ({:6.0} its own), {:2.0} handles, {:2.0} threads, store {:6.0} KiB, {:7.0} readings",
            self.day, self.memory_kib, self.own_kib, self.handles, self.threads, self.store_kib, self.stored
        )
    }
}

impl fmt::Display for Slopes {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            formatter,
            "a day: memory {:+.1} KiB (at most {:.0} KiB), its own {:+.1} KiB, handles {:+.2} (at most {:.0}), threads {:+.2}, store {:+.0} KiB, \
             {:.1} bytes a reading",
            self.memory_kib_a_day,
            self.memory_kib_most,
            self.own_kib_a_day,
            self.handles_a_day,
            self.handles_most,
            self.threads_a_day,
            self.store_kib_a_day,
            self.bytes_a_reading
        )
    }
}

/// The slopes of the last two thirds: at first it learns the room.
pub fn of(taken: &[Taken]) -> Slopes {
    let late = &taken[taken.len() / 3..];
    let slope = |what: fn(&Taken) -> f64| {
        let count = late.len() as f64;
        let mean = |of: &dyn Fn(&Taken) -> f64| late.iter().map(of).sum::<f64>() / count;
        let (days, whats) = (mean(&|it| it.day), mean(&what));
        let together: f64 = late.iter().map(|it| (it.day - days) * (what(it) - whats)).sum();
        let apart: f64 = late.iter().map(|it| (it.day - days).powi(2)).sum();
        together / apart
    };
    let most = |what: fn(&Taken) -> f64| taken.iter().map(what).fold(0.0, f64::max);
    let last = taken.last().unwrap();
    Slopes {
        memory_kib_a_day: slope(|it| it.memory_kib),
        own_kib_a_day: slope(|it| it.own_kib),
        memory_kib_most: most(|it| it.memory_kib),
        handles_a_day: slope(|it| it.handles),
        handles_most: most(|it| it.handles),
        threads_a_day: slope(|it| it.threads),
        store_kib_a_day: slope(|it| it.store_kib),
        bytes_a_reading: last.store_kib * 1024.0 / last.stored,
    }
}

impl Slopes {
    /// A day shows no slope of memory; weeks do.
    pub fn are_flat(&self, days: f64) {
        assert!(self.memory_kib_most < 64.0 * 1024.0, "{:.0} KiB of memory", self.memory_kib_most);
        assert!(self.handles_most < 64.0, "{} handles", self.handles_most);
        if days >= 7.0 {
            // 1 KiB an hour: 9 MiB a year. Own aim.
            assert!(self.memory_kib_a_day < 24.0, "{:+.1} KiB of memory a day", self.memory_kib_a_day);
            assert!(self.handles_a_day < 0.1, "{:+.2} handles a day", self.handles_a_day);
            assert!(self.threads_a_day < 0.1, "{:+.2} threads a day", self.threads_a_day);
        }
    }
}
