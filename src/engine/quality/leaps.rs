//! A sensor that leaps: where jumps come again and again, two that agree prove nothing, and a
//! reading is believed only if the newest few agree with it.

use crate::physics::slope::median;
use alloc::collections::VecDeque;
use alloc::vec::Vec;

/// Readings whose jumps are counted. Own default.
const REMEMBERED: usize = 30;
/// So many jumps among them, and it leaps. A door or a refill makes one. Own default.
const LEAPS_FROM: usize = 4;
/// Readings that vote, as in the filter of Hampel (1974, from memory): the middle of seven is
/// wrong only when four of them are.
const VOTING: usize = 7;

/// The newest plausible readings of a channel, and which of them jumped.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Leaps {
    newest: VecDeque<(f64, bool)>,
}

impl Leaps {
    /// Takes in a plausible reading; `jumped`: it is further than `jump` from the one before,
    /// and no second one confirms it. Says whether it is not to be believed.
    pub(super) fn is_no_word(&mut self, value: f64, jumped: bool, jump: f64) -> bool {
        self.newest.push_back((value, jumped));
        if self.newest.len() > REMEMBERED {
            self.newest.pop_front();
        }
        if self.newest.iter().filter(|(_, jumped)| *jumped).count() < LEAPS_FROM {
            return jumped;
        }
        let voting: Vec<f64> = self.newest.iter().rev().take(VOTING).map(|(value, _)| *value).collect();
        median(&voting).is_none_or(|middle| (value - middle).abs() > jump)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of a sensor at 20 that leaps to 30 at these readings, which are believed.
    fn believed(leaps: &[usize], count: usize) -> Vec<f64> {
        let mut judged = Leaps::default();
        let mut last: f64 = 20.0;
        let mut held: Option<f64> = None;
        let mut believed = Vec::new();
        for number in 0..count {
            let value = if leaps.contains(&number) { 30.0 } else { 20.0 };
            let jumped = (value - last).abs() > 5.0 && held.is_none_or(|held| (value - held).abs() > 5.0);
            if judged.is_no_word(value, jumped, 5.0) {
                held = Some(value);
            } else {
                (last, held) = (value, None);
                believed.push(value);
            }
        }
        believed
    }

    #[test]
    fn a_step_is_believed_at_its_second_reading() {
        let stepped: Vec<usize> = (10..20).collect();
        assert_eq!(believed(&stepped, 20).iter().filter(|value| **value == 30.0).count(), 9);
    }

    #[test]
    fn from_its_fourth_leap_on_a_sensor_is_not_believed_by_two_that_agree() {
        let stays = |leaps: &[usize]| believed(leaps, 22).iter().filter(|value| **value == 30.0).count();
        assert_eq!(stays(&[3, 6, 20, 21]), 1, "two leaps before: the second of two is believed");
        assert_eq!(stays(&[3, 6, 9, 20, 21]), 0, "the leap at 20 is its fourth");
    }

    #[test]
    fn of_a_sensor_that_leaps_two_that_agree_prove_nothing() {
        let leaps = [3, 6, 9, 12, 15, 16, 19, 22, 23, 26];
        let after: Vec<f64> = believed(&leaps, 30);
        assert_eq!(after.iter().filter(|value| **value == 30.0).count(), 0, "{after:?}");
        assert_eq!(after.len(), 20, "and every true one is believed");
    }

    #[test]
    fn a_sensor_that_leapt_is_believed_again_where_it_stays() {
        let leaps: Vec<usize> = [3, 6, 9, 12].into_iter().chain(20..60).collect();
        assert_eq!(believed(&leaps, 60).iter().filter(|value| **value == 30.0).count(), 37);
    }
}
