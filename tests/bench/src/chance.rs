//! Random numbers that are the same on every machine.

/// A stream of random numbers: SplitMix64 of Steele, Lea and Flood (2014), doi:10.1145/2660193.2660195.
#[derive(Debug, Clone)]
pub struct Chance {
    state: u64,
}

impl Chance {
    /// Returns the stream of `seed`.
    pub fn new(seed: u64) -> Chance {
        Chance { state: seed }
    }

    /// Returns 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mixed = (self.state ^ (self.state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// Returns a number below `count`, which is at least 1.
    pub fn below(&mut self, count: usize) -> usize {
        (self.bits() % count as u64) as usize
    }

    /// Returns a number from `low` to `high`, both possible.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        low + (self.bits() % (high - low + 1) as u64) as i64
    }

    /// Tells yes in `percent` of a hundred cases.
    pub fn happens(&mut self, percent: i64) -> bool {
        self.between(1, 100) <= percent
    }

    /// Returns one of `choices`.
    pub fn pick<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.below(choices.len())]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gives_the_published_numbers() {
        // First outputs for seed 1234567, as Rosetta Code, "Pseudo-random numbers/Splitmix64", lists them.
        let mut chance = Chance::new(1_234_567);
        assert_eq!(chance.bits(), 6_457_827_717_110_365_317);
        assert_eq!(chance.bits(), 3_203_168_211_198_807_973);
    }
}
