//! Seeded simulation: the generator, and sampling of scores from an exact distribution.
//!
//! Results are a pure function of seed and size, whatever the number of processors: work is cut into fixed blocks, each
//! with its own stream. The generator is xoshiro256++ seeded by splitmix64 (Blackman & Vigna 2019), written out here so
//! that a printed seed gives the same result for ever.

use rayon::prelude::*;

/// Simulations per block; fixed, because it is part of what a seed means.
const BLOCK: u64 = 4096;

/// xoshiro256++.
#[derive(Debug, Clone)]
pub struct Generator([u64; 4]);

impl Generator {
    /// The generator of stream `stream` of `seed`.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut state = seed ^ stream.wrapping_mul(0xD1B5_4A32_D192_ED03).rotate_left(17);
        let mut next = || {
            state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            z ^ (z >> 31)
        };
        Self([next(), next(), next(), next()])
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        let s = &mut self.0;
        let result = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        result
    }

    /// Uniform on 0..1 (1 excluded), 53 bits.
    pub fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }
}

/// Draws scores 0..=n from their exact probabilities by inversion with a guide table.
#[derive(Debug, Clone)]
pub struct Scores {
    cumulative: Vec<f64>,
    guide: Vec<u32>,
}

impl Scores {
    /// From probabilities that sum to 1.
    pub fn new(probabilities: &[f64]) -> Self {
        let total: f64 = probabilities.iter().sum();
        let mut sum = 0.0;
        let mut cumulative: Vec<f64> = probabilities
            .iter()
            .map(|p| {
                sum += p / total;
                sum
            })
            .collect();
        if let Some(last) = cumulative.last_mut() {
            *last = 1.0;
        }
        let cells = (2 * probabilities.len()).max(1);
        let guide = (0..cells)
            .map(|cell| cumulative.partition_point(|&c| c <= cell as f64 / cells as f64) as u32)
            .collect();
        Self { cumulative, guide }
    }

    /// One score.
    pub fn draw(&self, generator: &mut Generator) -> u64 {
        let u = generator.uniform();
        let mut score = self.guide[(u * self.guide.len() as f64) as usize] as usize;
        while score + 1 < self.cumulative.len() && self.cumulative[score] <= u {
            score += 1;
        }
        score as u64
    }
}

/// A simulated probability or mean.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Simulated {
    /// Mean over the simulations.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Number of simulations.
    pub simulations: u64,
}

/// Means of the values that `one` gives for each of `simulations`, in blocks on all processors.
pub fn means<const N: usize>(
    simulations: u64,
    seed: u64,
    one: impl Fn(&mut Generator) -> [f64; N] + Sync,
) -> [Simulated; N] {
    let blocks = simulations.div_ceil(BLOCK);
    let partial: Vec<[[f64; 2]; N]> = (0..blocks)
        .into_par_iter()
        .map(|block| {
            let mut generator = Generator::new(seed, block);
            let mut sums = [[0.0; 2]; N];
            for _ in 0..BLOCK.min(simulations - block * BLOCK) {
                for (sum, value) in sums.iter_mut().zip(one(&mut generator)) {
                    sum[0] += value;
                    sum[1] += value * value;
                }
            }
            sums
        })
        .collect();
    let n = simulations.max(1) as f64;
    std::array::from_fn(|index| {
        let sum: f64 = partial.iter().map(|p| p[index][0]).sum();
        let squares: f64 = partial.iter().map(|p| p[index][1]).sum();
        let value = sum / n;
        let variance = (squares / n - value * value).max(0.0);
        Simulated { value, standard_error: (variance / n).sqrt(), simulations }
    })
}
