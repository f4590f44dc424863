//! Chance from one seed, the same on every machine: SplitMix64 and a bell
//! curve made of it. Nothing here is fit for secrets.

/// SplitMix64 (Steele, Lea and Flood 2014, "Fast splittable pseudorandom number
/// generators", OOPSLA; constants as in the reference C code by Vigna, from
/// memory). Tests hold it to that code's published first values.
#[derive(Clone, Debug)]
pub struct SplitMix64 {
    state: u64,
}

impl SplitMix64 {
    /// The stream of this seed.
    pub fn new(seed: u64) -> Self {
        SplitMix64 { state: seed }
    }

    /// A stream of its own for one device or one part of the room, so that a
    /// fault in one does not change the luck of another.
    pub fn for_part(seed: u64, part: &str) -> Self {
        let mut mixed = SplitMix64::new(seed);
        for byte in part.bytes() {
            mixed.state ^= u64::from(byte);
            mixed.whole();
        }
        SplitMix64::new(mixed.whole())
    }

    /// The next 64 bits.
    pub fn whole(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly between `low` (in) and `high` (out).
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        let unit = (self.whole() >> 11) as f64 / (1_u64 << 53) as f64;
        low + (high - low) * unit
    }

    /// True once in `n` on average; `n` of 0 or 1 is always true.
    pub fn one_in(&mut self, n: u32) -> bool {
        self.whole().is_multiple_of(u64::from(n.max(1)))
    }

    /// Near a bell curve of mean 0 and standard deviation 1: the sum of twelve
    /// even draws less six. Cut off at 6, which suits a sensor, and free of
    /// `ln` and `cos`, whose last bit differs between machines.
    pub fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.between(0.0, 1.0)).sum::<f64>() - 6.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stream_is_the_published_one() {
        // First values of the reference splitmix64.c for seed 1234567, as printed in
        // the Rosetta Code task "Pseudo-random numbers/Splitmix64" (from memory).
        let mut random = SplitMix64::new(1_234_567);
        let first: Vec<u64> = (0..5).map(|_| random.whole()).collect();
        let published =
            [6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821];
        assert_eq!(first, published);
    }

    #[test]
    fn a_bell_has_mean_zero_and_deviation_one() {
        let mut random = SplitMix64::new(7);
        let draws: Vec<f64> = (0..20_000).map(|_| random.bell()).collect();
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / draws.len() as f64;
        assert!(mean.abs() < 0.03, "{mean}");
        assert!((variance - 1.0).abs() < 0.05, "{variance}");
    }

    #[test]
    fn parts_of_one_seed_have_streams_of_their_own() {
        let mut a = SplitMix64::for_part(1, "rack-a-air");
        let mut b = SplitMix64::for_part(1, "rack-b-air");
        assert_ne!(a.whole(), b.whole());
    }
}
