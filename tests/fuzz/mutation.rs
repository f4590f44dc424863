//! From texts that are right to texts that nearly are. Randomness of its own, so that a
//! seed means the same inputs for ever.

/// An input never grows beyond this: longer ones only repeat what shorter ones try.
const LONGEST: usize = 4096;

/// Makes one input after the other.
pub struct Mutator<'c> {
    state: u64,
    corpus: &'c [&'c [u8]],
    tokens: &'c [&'c str],
    input: Vec<u8>,
}

impl<'c> Mutator<'c> {
    pub fn new(seed: u64, corpus: &'c [&'c [u8]], tokens: &'c [&'c str]) -> Self {
        Mutator { state: seed, corpus, tokens, input: Vec::new() }
    }

    /// The next input: one text of the corpus, changed in one to eight places.
    pub fn next(&mut self) -> &[u8] {
        let start = self.below(self.corpus.len());
        self.input.clear();
        self.input.extend_from_slice(self.corpus[start]);
        for _ in 0..=self.below(8) {
            self.change();
        }
        self.input.truncate(LONGEST);
        &self.input
    }

    fn change(&mut self) {
        let length = self.input.len();
        let place = self.below(length + 1);
        match self.below(8) {
            0 if length > 0 => self.input[place.min(length - 1)] ^= 1 << self.below(8),
            1 if length > 0 => {
                let end = (place + 1 + self.below(16)).min(length);
                self.input.drain(place.min(end)..end);
            }
            2 => {
                let byte = self.random() as u8;
                self.input.insert(place, byte);
            }
            3 | 4 if !self.tokens.is_empty() => {
                let token = self.tokens[self.below(self.tokens.len())];
                let end = (place + self.below(6)).min(length);
                self.input.splice(place..end, token.bytes());
            }
            5 if length > 0 => {
                let from = self.below(length);
                let end = (from + 1 + self.below(64)).min(length);
                let piece = self.input[from..end].to_vec();
                self.input.splice(place..place, piece);
            }
            6 => {
                let other = self.corpus[self.below(self.corpus.len())];
                let from = self.below(other.len() + 1);
                self.input.truncate(place);
                self.input.extend_from_slice(&other[from..]);
            }
            _ => self.input.truncate(place),
        }
    }

    fn below(&mut self, bound: usize) -> usize {
        (self.random() % bound.max(1) as u64) as usize
    }

    /// SplitMix64 (Steele, Lea, Flood 2014; constants from memory).
    fn random(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }
}
