//! How much of a difference is needed until it is heard: the threshold of one listener.
//!
//! The model: at size g (a multiple of the real difference, or decibels of a yardstick) a share
//! d(g) = (1 - l)(1 - 2^-((g/t)^b)) of trials is heard, and the proportion right is p = c + (1 - c) d with the protocol's chance
//! c. So t is the size that is heard in every second trial, b the slope and l the share of lapses.
//!
//! | file | question |
//! | --- | --- |
//! | [`grid`] | which thresholds, slopes and lapses are considered, and which sizes can be presented? |
//! | [`posterior`] | what do the answers so far say, and which size is asked next? |
//! | [`summary`] | the threshold, the share heard at any size |
//! | [`profile`] | the threshold's confidence interval |
//! | [`fit`] | does the curve describe these answers? |
//! | [`staircase`] | the classical up-down rules |
//! | [`track`] | one comparison's run of sizes, by either method |
//! | [`population`] | the thresholds of listeners like these |
//! | [`simulated`] | what so many trials achieve |
//!
//! Sources: Kontsevich & Tyler 1999, Vision Research 39:2729 (placement by expected entropy); Prins 2013, Journal of Vision
//! 13(7):3 (of the threshold's marginal, with slope and lapses left open); Watson 2017, Journal of Vision 17(3):10 (the same on
//! a grid); the curve is Weibull's with base 2 (Watson & Pelli 1983, Perception & Psychophysics 33:113).
//!
//! ```
//! use earwitness_numerics::stats::Protocol;
//! use earwitness_numerics::stats::threshold::{Range, grid::Grid, posterior::Posterior};
//! let grid = Grid::new(Range::new(0.5, 32.0)?, Protocol::Abx.chance());
//! let mut posterior = Posterior::new(&grid);
//! let level = posterior.place();
//! assert!((grid.levels()[level] - 6.3496).abs() < 1e-4);
//! posterior.answer(level, true);
//! # Ok::<(), earwitness_numerics::stats::StatsError>(())
//! ```

pub mod fit;
pub mod grid;
pub mod population;
pub mod posterior;
pub mod profile;
pub mod simulated;
pub mod staircase;
pub mod summary;
pub mod track;

use serde::{Deserialize, Serialize};

use super::{Protocol, StatsError};

/// The sizes between which a threshold is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Range {
    /// The smallest size that is presented.
    pub smallest: f64,
    /// The largest size that is presented.
    pub largest: f64,
}

/// Largest ratio of the two ends of a range: beyond, the steps of the grid are too coarse to find anything.
pub const WIDEST: f64 = 1e4;

impl Range {
    /// A range.
    ///
    /// # Errors
    /// Ends that are not positive and finite, in the wrong order, or too far apart.
    pub fn new(smallest: f64, largest: f64) -> Result<Self, StatsError> {
        let sound = |value: f64| value.is_finite() && value > 0.0;
        if !(sound(smallest) && sound(largest) && smallest < largest) {
            return Err(StatsError::Other(format!(
                "the smallest size is {smallest} and the largest {largest}: both must be above 0, and the smallest below the largest"
            )));
        }
        if largest / smallest > WIDEST {
            return Err(StatsError::Other(format!(
                "the largest size, {largest}, is more than {WIDEST} times the smallest, {smallest}: the steps between would be too coarse"
            )));
        }
        Ok(Self { smallest, largest })
    }

    /// The sizes that can be presented, rising: equal steps of the logarithm, both ends exact.
    pub fn levels(&self) -> Vec<f64> {
        let (first, last) = (self.smallest.ln(), self.largest.ln());
        let mut levels: Vec<f64> = grid::steps(first, last, grid::LEVELS).into_iter().map(f64::exp).collect();
        levels[0] = self.smallest;
        levels[grid::LEVELS - 1] = self.largest;
        levels
    }
}

/// Answers at one size.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Point {
    /// The size: a multiple of the real difference, or decibels.
    pub multiple: f64,
    /// Right answers.
    pub correct: u64,
    /// Answers.
    pub trials: u64,
}

impl Point {
    /// Answers at one size.
    ///
    /// # Errors
    /// Impossible counts.
    pub fn new(multiple: f64, correct: u64, trials: u64) -> Result<Self, StatsError> {
        super::error::counts(correct, trials)?;
        Ok(Self { multiple, correct, trials })
    }
}

/// What the curve depends on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Curve {
    /// The size that is heard in every second trial, lapses aside.
    pub threshold: f64,
    /// The slope b.
    pub slope: f64,
    /// The share of lapses l.
    pub lapse: f64,
}

impl Curve {
    /// The share of trials in which size `g` is heard, 0 to 1.
    pub fn heard(&self, g: f64) -> f64 {
        (1.0 - self.lapse) * -(-std::f64::consts::LN_2 * self.strength(g)).exp_m1()
    }

    /// The share in which it is not, accurate where that is small.
    pub fn unheard(&self, g: f64) -> f64 {
        self.lapse + (1.0 - self.lapse) * (-std::f64::consts::LN_2 * self.strength(g)).exp()
    }

    /// The proportion right at size `g` where a guesser has `chance`.
    pub fn right(&self, g: f64, chance: f64) -> f64 {
        chance + (1.0 - chance) * self.heard(g)
    }

    fn strength(&self, g: f64) -> f64 {
        (g / self.threshold).powf(self.slope)
    }
}

/// The chance of a protocol in which a threshold can be looked for.
///
/// # Errors
/// A preference has no right answer, so nothing says whether it was heard.
pub fn chance(protocol: Protocol) -> Result<f64, StatsError> {
    if protocol.asks().has_right_answer() {
        Ok(protocol.chance())
    } else {
        Err(StatsError::Other(format!(
            "a threshold needs right and wrong answers, and {protocol} has none: use abx, duo-trio, triangle, tetrad, two-afc, same-different or a-not-a"
        )))
    }
}
