//! Small seeded random numbers: the same on every machine.

/// SplitMix64 of Steele, Lea and Flood (2014), doi:10.1145/2660193.2660195.
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// Returns the numbers that belong to `seed` and `stream`.
    pub fn new(seed: u64, stream: u64) -> Random {
        let mut random = Random(seed ^ stream.wrapping_mul(0xD1B5_4A32_D192_ED03));
        random.bits();
        random
    }

    /// Returns 64 random bits.
    #[inline]
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Returns a number below `count`, which is not 0.
    #[inline]
    pub fn below(&mut self, count: usize) -> usize {
        (((self.bits() >> 32) * count as u64) >> 32) as usize
    }

    /// Returns a number in `[0, 1)`.
    #[inline]
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Returns true in this share of the calls.
    #[inline]
    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// Shuffles `items`.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            items.swap(last, self.below(last + 1));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn same_seed_same_numbers() {
        let draw = |seed, stream| {
            let mut random = Random::new(seed, stream);
            (0..4).map(|_| random.below(1000)).collect::<Vec<_>>()
        };
        assert_eq!(draw(7, 0), draw(7, 0));
        assert_ne!(draw(7, 0), draw(7, 1));
        assert_ne!(draw(7, 0), draw(8, 0));
    }
}
