//! Does one figure go with another? Spearman's rank correlation with a permutation test:
//! it asks for no straight line and no bell curve, and with few lots it is exact. Checked
//! against scipy in tests/reference.

use crate::random::SplitMix64;

/// A rank correlation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correlation {
    /// Spearman's rho, -1 to 1.
    pub rho: f64,
    /// How many pairs the figure rests on.
    pub n: usize,
    /// Two-sided: the share of all ways to pair the figures (up to [`EXACT_UP_TO`] pairs)
    /// or of many random ways that give a rho at least as far from zero.
    pub p: f64,
}

/// Up to so many pairs every pairing is tried: 9! are 362,880.
const EXACT_UP_TO: usize = 9;
/// Random pairings beyond that: p is right within 0.003 near 0.05 (twice the standard error).
const RANDOM_PAIRINGS: u32 = 19_999;
/// Sums of ranks that differ by less are the same number, rounded otherwise.
const ROUNDING: f64 = 1e-9;

/// The rank correlation of pairs (C. Spearman 1904), ties given their mean rank, and its
/// permutation test. `None` for fewer than three pairs, figures that are not finite, or a
/// side that never changes. The same pairs always give the same p.
pub fn spearman(pairs: &[(f64, f64)]) -> Option<Correlation> {
    if pairs.len() < 3 || pairs.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return None;
    }
    let x = centred_ranks(&pairs.iter().map(|pair| pair.0).collect::<Vec<_>>());
    let mut y = centred_ranks(&pairs.iter().map(|pair| pair.1).collect::<Vec<_>>());
    let squares = |ranks: &[f64]| ranks.iter().map(|rank| rank * rank).sum::<f64>();
    let scale = (squares(&x) * squares(&y)).sqrt();
    if scale <= 0.0 {
        return None;
    }
    let observed = product(&x, &y);
    let as_far = |sum: f64| sum.abs() >= observed.abs() - ROUNDING;
    let p = if pairs.len() <= EXACT_UP_TO {
        let (mut all, mut far) = (0_u32, 0_u32);
        every_order(&mut y, &mut |order| {
            all += 1;
            far += u32::from(as_far(product(&x, order)));
        });
        f64::from(far) / f64::from(all)
    } else {
        let mut chance = SplitMix64::new(SEED);
        // The observed pairing is one of those that could have been (Phipson and Smyth 2010).
        let mut far = 1_u32;
        for _ in 0..RANDOM_PAIRINGS {
            shuffle(&mut chance, &mut y);
            far += u32::from(as_far(product(&x, &y)));
        }
        f64::from(far) / f64::from(RANDOM_PAIRINGS + 1)
    };
    Some(Correlation { rho: (observed / scale).clamp(-1.0, 1.0), n: pairs.len(), p })
}

/// Holm's correction (S. Holm 1979): of several tests tried at once, what each p comes to.
/// In the order given.
pub(super) fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|one, other| p[*one].total_cmp(&p[*other]));
    let mut corrected = vec![1.0; p.len()];
    let mut highest = 0.0_f64;
    for (before, index) in order.into_iter().enumerate() {
        highest = highest.max(p[index] * (p.len() - before) as f64).min(1.0);
        corrected[index] = highest;
    }
    corrected
}

/// Ranks from 1, ties given their mean rank, less the mean of all ranks.
fn centred_ranks(values: &[f64]) -> Vec<f64> {
    let mean = (values.len() as f64 + 1.0) / 2.0;
    let rank = |value: &f64| {
        let below = values.iter().filter(|other| *other < value).count() as f64;
        let alike = values.iter().filter(|other| *other == value).count() as f64;
        below + (alike + 1.0) / 2.0 - mean
    };
    values.iter().map(rank).collect()
}

fn product(x: &[f64], y: &[f64]) -> f64 {
    x.iter().zip(y).map(|(x, y)| x * y).sum()
}

/// Shows every order of the values, each once (B. R. Heap 1963).
fn every_order(values: &mut [f64], each: &mut impl FnMut(&[f64])) {
    let mut turns = vec![0; values.len()];
    each(values);
    let mut at = 0;
    while at < values.len() {
        if turns[at] < at {
            values.swap(if at % 2 == 0 { 0 } else { turns[at] }, at);
            each(values);
            turns[at] += 1;
            at = 0;
        } else {
            turns[at] = 0;
            at += 1;
        }
    }
}

/// Any number does; always the same, so that a report says the same tomorrow.
const SEED: u64 = 20_261_125;

/// Fisher and Yates.
fn shuffle(chance: &mut SplitMix64, values: &mut [f64]) {
    for last in (1..values.len()).rev() {
        // The remainder favours low numbers by less than one in 2^50 here.
        let other = (chance.whole() % (last as u64 + 1)) as usize;
        values.swap(last, other);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn five_lots_in_perfect_order_are_one_in_sixty() {
        let pairs = [(1.0, 10.0), (2.0, 20.0), (3.0, 30.0), (4.0, 45.0), (5.0, 46.0)];
        let found = spearman(&pairs).expect("it changes");
        // Two of 5! = 120 orders are as far from zero: the same and the reverse.
        assert_eq!((found.rho, found.n), (1.0, 5));
        assert!((found.p - 2.0 / 120.0).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn what_never_changes_goes_with_nothing() {
        assert_eq!(spearman(&[(1.0, 3.0), (2.0, 3.0), (3.0, 3.0)]), None);
        assert_eq!(spearman(&[(1.0, 3.0), (2.0, 4.0)]), None);
        assert_eq!(spearman(&[(1.0, 3.0), (2.0, f64::NAN), (3.0, 3.0)]), None);
    }

    #[test]
    fn chance_alone_is_not_taken_for_a_finding() {
        // Unrelated pairs: p spreads evenly, so about one in twenty lies below 0.05.
        let mut chance = SplitMix64::new(7);
        let mut figure = || chance.whole() as f64;
        let found = (0..200).filter(|_| {
            let pairs: Vec<(f64, f64)> = (0..12).map(|_| (figure(), figure())).collect();
            spearman(&pairs).expect("it changes").p < 0.05
        });
        let found = found.count();
        assert!((2..=20).contains(&found), "{found} of 200");
    }

    #[test]
    fn several_tests_at_once_cost_each_of_them() {
        // Holm 1979 by hand: 0.01 * 3, then 0.02 * 2, then 0.04 * 1 raised to the one before.
        assert_eq!(holm(&[0.02, 0.01, 0.04]), [0.04, 0.03, 0.04]);
        assert_eq!(holm(&[0.9, 0.8]), [1.0, 1.0]);
    }
}
