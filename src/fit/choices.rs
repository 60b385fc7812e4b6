//! A fixed sequence of choices: what a search draws from instead of chance.

/// xorshift64 (Marsaglia 2003, J. Stat. Softw. 8(14)).
pub(super) struct Choices(u64);

/// First digits of pi behind the point, 64 bits at a time: nothing up the sleeve.
const DIGITS_OF_PI: [u64; 2] = [0x243f_6a88_85a3_08d3, 0x1319_8a2e_0370_7344];

impl Choices {
    /// A sequence, always the same.
    pub fn new() -> Choices {
        Choices(DIGITS_OF_PI[0])
    }

    /// The same sequence and another one.
    pub fn two() -> [Choices; 2] {
        DIGITS_OF_PI.map(Choices)
    }

    /// A number below `count`, which is not 0.
    pub fn below(&mut self, count: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 24) % count as u64) as usize
    }

    /// True in `percent` of 100 cases.
    pub fn in_percent(&mut self, percent: usize) -> bool {
        self.below(100) < percent
    }
}
