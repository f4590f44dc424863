//! The test for a leak: whether more goes from a tank than is allowed, for longer and more evenly than
//! a watering that nobody wrote down.

use super::drawn::{SETTLED_HOURS, scatter};
use super::known::{LeakTest, POINT_MINUTES, TankWatch};
use crate::physics::draw::LevelPoint;
use crate::physics::slope::median;
use crate::units::Timestamp;
use alloc::vec::Vec;

/// The sum looks back over this long.
const LEAK_TEST_HOURS: f64 = 12.0;
/// A hole in the data this long begins the sum anew.
const GAP_HOURS: f64 = 0.5;
/// What is left of the sum without its largest falls must be so many deviations. It may be no more
/// than the difference of two blocks, which chance alone brings so far once in four hundred looks,
/// and it is looked at after every watering that nobody typed. Own default.
const OTHERS_DEVIATIONS: f64 = 4.0;
/// A leak that was told is over when the level falls by less than this share of its rate, hours
/// being averaged until that is known. Own defaults.
const STANDS_BELOW: f64 = 0.35;
const STANDS_HOURS: [f64; 4] = [1.0, 2.0, 3.0, 5.0];
/// Deviations of a difference of two blocks to be sure of it: it is looked at every five minutes.
const STANDS_SURE: f64 = 2.0 * core::f64::consts::SQRT_2;
/// Nothing less is worth a call, litres. Own default.
const LEAST_LEAK: f64 = 0.5;
/// No gauge is better than this share of its tank. Own default.
const LEAST_DEVIATION: f64 = 0.0005;

impl TankWatch {
    /// Whether more has gone than is allowed, in any stretch that ends now: the cumulative sum of
    /// Page (1954, from memory), which is the largest of all such sums, once over half hours and
    /// once, for what goes fast, over quarters. The largest falls of a stretch count as the others
    /// do on average: a watering is over within half an hour whoever wrote it down, a leak goes on.
    ///
    /// A gap begins it anew; a pair with a step or a refill in it tells nothing. How often it calls
    /// a still tank leaking is played in `tests/season`.
    pub(super) fn leak_test(
        &self,
        points: &[LevelPoint],
        allowed: f64,
        asleep_since: Option<Timestamp>,
    ) -> Option<LeakTest> {
        let newest = points.last()?.0;
        let mut from = newest - LEAK_TEST_HOURS;
        for pair in points.windows(2) {
            if pair[1].0 - pair[0].0 > GAP_HOURS {
                from = from.max(pair[1].0);
            }
        }
        let begin = points.partition_point(|(when, _)| *when < from);
        // A step taken out by a size that is a little wrong, many times over, is a leak that is
        // none: the level stays as it was heard, and a pair with a step in it tells nothing.
        let mut level: Vec<LevelPoint> = points[begin..].to_vec();
        level.retain(|(when, _)| !self.rounds.iter().any(|round| round.0 < *when && *when < round.1 + SETTLED_HOURS));
        // How the gauge scatters is known from all of the day, however short the stretch is.
        let scatter = scatter(points);
        let slow = self.sum(&level, HALF_HOURS, scatter, allowed);
        let fast = self.sum(&level, QUARTERS, scatter, allowed);
        if let Some(asleep_since) = asleep_since.filter(|_| !slow.iter().chain(&fast).any(|found| found.proven)) {
            let from = self.hours(asleep_since);
            // Since everybody sleeps nobody has watered by hand: what a pump gives at once is less.
            let night = &level[level.partition_point(|(when, _)| *when < from)..];
            let by = |blocks: LevelBlocks| LevelBlocks { watering: blocks.watering - 1, ..blocks };
            let found = [HALF_HOURS, QUARTERS].map(|blocks| self.sum(night, by(blocks), scatter, allowed));
            if let Some(proven) = found.into_iter().flatten().find(|found| found.proven) {
                return Some(proven);
            }
        }
        match (slow, fast) {
            (Some(slow), Some(fast)) if fast.proven && !slow.proven => Some(fast),
            (None, fast) => fast,
            (slow, _) => slow,
        }
    }

    fn sum(&self, level: &[LevelPoint], blocks_of: LevelBlocks, scatter: f64, allowed: f64) -> Option<LeakTest> {
        // Counted back from now, so that the newest is whole.
        let blocks: Vec<(f64, f64)> = level
            .rchunks(blocks_of.points)
            .filter(|block| block.len() == blocks_of.points)
            .filter_map(|block| {
                let litres: Vec<f64> = block.iter().map(|(_, litres)| *litres).collect();
                Some((block[blocks_of.points / 2].0, median(&litres)?))
            })
            .collect();
        let (last, before) = (*blocks.first()?, *blocks.get(2)?);
        let deviation = (scatter * blocks_of.deviation).max(self.capacity * LEAST_DEVIATION);
        let limit = (blocks_of.limit * deviation).max(LEAST_LEAK);
        let least = OTHERS_DEVIATIONS * deviation;
        let half = blocks_of.points as f64 * POINT_MINUTES as f64 / 120.0;
        let stepped = |from: f64, until: f64| {
            let inside = |when: f64| from < when && when < until;
            inside(self.quiet_from) || self.steps.iter().any(|step| inside(step.hours))
        };
        let known = |pair: &[(f64, f64)]| !stepped(pair[1].0 - half, pair[0].0 + half);
        let mut stretch = Stretch::default();
        let mut largest: f64 = 0.0;
        let (mut lost, mut took): (f64, f64) = (0.0, 0.0);
        for pair in blocks.windows(2).filter(|pair| known(pair) && pair[1].0 + half > self.stood_at) {
            let span = pair[0].0 - pair[1].0;
            stretch.add(pair[1].1 - pair[0].1 - allowed * span, span);
            let beyond = stretch.beyond(blocks_of.watering, least).unwrap_or(0.0);
            if beyond > largest {
                largest = beyond;
                // What is told as gone has gone.
                lost = beyond.min(stretch.sum) + allowed * stretch.hours;
                took = stretch.hours;
            }
        }
        let draw = (before.1 - last.1) / (last.0 - before.0).max(0.1);
        let falls = |pair: &[(f64, f64)]| pair[1].1 - pair[0].1 > allowed * (pair[0].0 - pair[1].0);
        let goes_on = known(&blocks[..2]) && blocks[..3].windows(2).all(|pair| falls(pair) || !known(pair));
        let rate = if took > 0.0 { lost / took } else { draw.max(0.0) };
        // Between the middles of the first and the last block lies one block less than it took.
        let lost = lost + rate * 2.0 * half;
        let stands = stands(&blocks, &known, half, deviation, allowed.max(STANDS_BELOW * rate));
        Some(LeakTest { proven: largest > limit && goes_on, lost, draw, rate, stands })
    }
}

/// The level falls by less than `still` litres an hour, by the newest hours or by more of them.
fn stands(blocks: &[LevelPoint], known: &dyn Fn(&[LevelPoint]) -> bool, half: f64, deviation: f64, still: f64) -> bool {
    let Some((newest, _)) = blocks.first() else { return false };
    STANDS_HOURS.into_iter().any(|hours| {
        let window = blocks.windows(2).filter(|pair| known(pair) && newest - pair[1].0 <= hours + half);
        let (fell, took) =
            window.fold((0.0, 0.0), |(fell, took), pair| (fell + pair[1].1 - pair[0].1, took + pair[0].0 - pair[1].0));
        took > hours * 0.75 && fell + STANDS_SURE * deviation < still * took
    })
}

/// How a level is cut for the sum.
#[derive(Clone, Copy)]
struct LevelBlocks {
    points: usize,
    /// How far the middle of a block scatters, of what its points do: the median of six is worth
    /// about four of them, that of three two.
    deviation: f64,
    /// How many such deviations the sum may reach in a still tank. Played over 108 tank-months
    /// of a season: 6 for half hours gave 0.4 false leaks a year at 3 mm, 5 gave 1.4.
    limit: f64,
    /// Pairs of blocks that one watering can fall within.
    watering: usize,
}

const HALF_HOURS: LevelBlocks = LevelBlocks { points: 6, deviation: 0.5, limit: 6.0, watering: 2 };
const QUARTERS: LevelBlocks = LevelBlocks { points: 3, deviation: 0.7, limit: 8.0, watering: 3 };

/// Blocks in a row, newest first, and what went in them beyond what is allowed, litres.
#[derive(Default)]
struct Stretch {
    pairs: usize,
    hours: f64,
    sum: f64,
    /// The largest, most first.
    largest: [f64; 3],
}

impl Stretch {
    fn add(&mut self, beyond: f64, hours: f64) {
        self.pairs += 1;
        self.hours += hours;
        self.sum += beyond;
        let mut next = beyond;
        for (place, largest) in self.largest.iter_mut().enumerate() {
            if place + 1 == self.pairs || next > *largest {
                core::mem::swap(largest, &mut next);
            }
            if place + 1 >= self.pairs {
                break;
            }
        }
    }

    /// With the largest taken for as much as the others are; `None` while the others are not
    /// `least`, which the gauge may do by itself.
    fn beyond(&self, watering: usize, least: f64) -> Option<f64> {
        let others = self.pairs.checked_sub(watering).filter(|others| *others > 0)?;
        let sum = self.sum - self.largest.iter().take(watering).sum::<f64>();
        (sum > least).then_some(sum * self.pairs as f64 / others as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::tank::sample::tank;
    use proptest::prelude::*;

    fn stretch(falls: &[f64]) -> Stretch {
        let mut stretch = Stretch::default();
        falls.iter().for_each(|fall| stretch.add(*fall, 0.5));
        stretch
    }

    #[test]
    fn a_watering_nobody_typed_is_no_leak_whenever_it_was() {
        for at in 0..7 {
            let mut falls = [0.05, -0.04, 0.02, -0.05, 0.04, 0.0, -0.02, 0.03];
            (falls[at], falls[at + 1]) = (2.6, 1.7);
            let beyond = stretch(&falls).beyond(2, 0.0).unwrap_or(0.0);
            assert!(beyond < 0.2, "{beyond} with the watering at {at}");
        }
    }

    #[test]
    fn an_even_fall_counts_whole() {
        assert!((stretch(&[0.5; 6]).beyond(2, 0.0).expect("six falls") - 3.0).abs() < 1e-9);
        assert_eq!(stretch(&[0.5; 2]).beyond(2, 0.0), None, "two may be one watering");
        assert_eq!(
            stretch(&[0.5; 4]).beyond(2, 1.0),
            None,
            "two litres less two falls are no more than the gauge does"
        );
    }

    /// A level every five minutes for so many hours, by a gauge that trembles by as much up as down.
    fn level(hours: f64, trembles: f64, litres: impl Fn(f64) -> f64) -> Vec<LevelPoint> {
        let points = (0..=(hours * 12.0) as i32).map(|point| (f64::from(point) / 12.0, point % 2 == 0));
        points.map(|(at, up)| (at, litres(at) + if up { trembles } else { -trembles })).collect()
    }

    #[test]
    fn a_slow_leak_is_proven_by_hours_and_a_fast_one_within_one() {
        let proven = |per_hour: f64, for_hours: f64| {
            let points = level(8.0 + for_hours, 0.5, |at| 60.0 - per_hour * (at - 8.0).max(0.0));
            tank().leak_test(&points, 0.2, None).expect("it was heard for hours").proven
        };
        assert_eq!([1.0, 6.0].map(|hours| proven(1.0, hours)), [false, true]);
        assert_eq!([0.25, 1.0].map(|hours| proven(9.0, hours)), [false, true]);
    }

    #[test]
    fn a_leak_stands_an_hour_after_it_was_stopped_and_not_while_it_runs() {
        let stands = |hours: f64| {
            let points = level(hours, 0.0, |at| 60.0 - 2.0 * (at - 8.0).clamp(0.0, 6.0));
            tank().leak_test(&points, 0.2, None).expect("it was heard for hours").stands
        };
        assert_eq!([10.0, 14.0, 15.5].map(stands), [false, false, true]);
    }

    #[test]
    fn a_second_leak_is_proven_as_soon_as_a_first() {
        let proven_after = |stood_at: f64| {
            let tank = TankWatch { stood_at, ..tank() };
            let points = level(10.0, 0.0, |at| 60.0 - 1.5 * (at - 5.0).max(0.0));
            let proven = |newest: &usize| tank.leak_test(&points[..*newest], 0.2, None).is_some_and(|it| it.proven);
            (1..points.len()).find(proven).expect("it goes on for hours")
        };
        assert_eq!(proven_after(5.0), proven_after(f64::NEG_INFINITY));
    }

    #[test]
    fn a_leak_is_over_only_where_the_gauge_would_show_it() {
        // Three blocks at one level are an hour, in which a leak of a litre an hour takes a litre.
        let hour = [(3.0, 40.0), (2.5, 40.0), (2.0, 40.0)];
        let stands = |deviation: f64| super::stands(&hour, &|_| true, 0.25, deviation, 1.0);
        assert_eq!([0.01, 0.3, 0.4, 0.6].map(stands), [true, true, false, false], "three deviations may be chance");
        let falling = [(3.0, 39.0), (2.5, 39.5), (2.0, 40.0)];
        assert!(!super::stands(&falling, &|_| true, 0.25, 0.01, 1.0));
    }

    proptest! {
        #[test]
        fn the_largest_falls_are_those_of_a_sorted_list(falls in proptest::collection::vec(-9.0..9.0f64, 3..30)) {
            let mut sorted = falls.clone();
            sorted.sort_by(|one, other| other.total_cmp(one));
            prop_assert_eq!(&stretch(&falls).largest[..], &sorted[..3]);
        }
    }
}
