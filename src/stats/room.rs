//! A room that shares its X: the exact randomisation distribution of its pooled score.
//!
//! In a club night everybody hears the same draw. If guessers lean to one side, as they do, a lucky draw makes a whole
//! crowd right at once, so their answers are not independent and the pooled binomial p-value is wrong: too small, often
//! by many powers of ten. What was random is the draw. So the votes for each alternative are held as they were cast, and
//! the distribution of the number of right votes over all equally likely draws is computed by convolution over trials,
//! exactly; no assumption is made about how people guess.
//!
//! Thirty people, two thirds of whom say "A" whatever they hear, and a draw in which X is A in 11 of 16 trials:
//!
//! ```
//! use earwitness_numerics::stats::{Protocol, binomial, room};
//! let trials: Vec<room::RoomTrial> =
//!     (0..16).map(|t| room::RoomTrial { votes: vec![20, 10], right: usize::from(t >= 11) }).collect();
//! let found = room::test(Protocol::Abx, &trials, 0.05)?;
//! assert_eq!((found.correct, found.votes), (270, 480));
//! // Right: the probability that X is A in at least 11 of 16 trials.
//! assert!((found.p_value - 0.1050567626953125).abs() < 1e-12);
//! // Wrong, because the votes on one draw are not independent: "a difference" for a room that heard nothing.
//! let wrong = binomial::upper(270, 480, 0.5);
//! assert!((wrong - 0.003509855708997993).abs() < 1e-12);
//! # Ok::<(), earwitness_numerics::stats::StatsError>(())
//! ```
//!
//! Comes in: votes per trial and alternative. Goes out: probabilities. For the alternatives of each protocol see
//! [`alternatives`]; for the best single listener of a room [`best_of_room`].

mod best;

use serde::Serialize;

pub use best::{BestOfRoom, Vote, best_of_room};

use super::protocol::Inquiry;
use super::{Protocol, StatsError};

/// Number of equally likely answers that a trial's draw can make right: X is A or B; the reference is first or second;
/// the odd one is first, second or third; one of three pairings belongs together; the right side is first or second.
pub fn alternatives(protocol: Protocol) -> usize {
    super::protocol::Definition::of(protocol).alternatives.len()
}

/// The votes of one trial: how many listeners chose each alternative, and which one the draw made right. For preference
/// the alternatives are the two presentations and the "right" one is where side A was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RoomTrial {
    /// Votes for each alternative.
    pub votes: Vec<u32>,
    /// Index of the right one.
    pub right: usize,
}

/// The room's pooled result.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoomResult {
    /// Right votes (preference: votes for side A).
    pub correct: u64,
    /// All votes.
    pub votes: u64,
    /// Trials with at least one vote.
    pub trials: u64,
    /// Right votes that the draws give on average to these votes.
    pub expected: f64,
    /// Standard deviation of that over the draws.
    pub standard_deviation: f64,
    /// Probability, over the draws, of at least this many right votes (preference: of a split at least as far from the
    /// mean to either side).
    pub p_value: f64,
    /// The same with half of the probability of the very result.
    pub mid_p: f64,
    /// Probability, over the draws, of at most this many right votes.
    pub p_value_low: f64,
    /// Least number of right votes whose p-value is at most alpha; nothing where none is. One-sided; nothing for
    /// preference.
    pub critical: Option<u64>,
}

/// Largest amount of work: cells times trials times alternatives.
const MOST_WORK: u128 = 20_000_000_000;

/// Exact distribution of the number of right votes over all draws.
#[derive(Debug, Clone, PartialEq)]
pub struct Distribution {
    /// Number of right votes of the first cell.
    pub least: u64,
    /// Votes between neighbouring cells.
    pub step: u64,
    /// Probability of `least + i * step` right votes.
    pub probabilities: Vec<f64>,
}

fn divisor(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { divisor(b, a % b) }
}

/// The distribution over all draws that these votes could have met, each draw equally likely.
///
/// # Errors
/// A trial with a number of alternatives other than two or three; work that would take minutes.
pub fn distribution(trials: &[Vec<u32>]) -> Result<Distribution, StatsError> {
    let mut step = 0_u64;
    let (mut least, mut span) = (0_u64, 0_u64);
    for (index, votes) in trials.iter().enumerate() {
        if !(2..=3).contains(&votes.len()) {
            return Err(StatsError::Other(format!(
                "trial {} of the room has {} alternatives: there must be 2 or 3",
                index + 1,
                votes.len()
            )));
        }
        let low = u64::from(votes.iter().copied().min().unwrap_or(0));
        let high = u64::from(votes.iter().copied().max().unwrap_or(0));
        least += low;
        span += high - low;
        for &vote in votes {
            step = divisor(step, u64::from(vote) - low);
        }
    }
    let step = step.max(1);
    let cells = span / step + 1;
    if u128::from(cells) * trials.len() as u128 * 3 > MOST_WORK {
        return Err(StatsError::Other(format!(
            "{} trials with a spread of {span} votes are too many for the exact room test: split the evening",
            trials.len()
        )));
    }
    let mut current = vec![0.0_f64; cells as usize];
    let mut next = vec![0.0_f64; cells as usize];
    current[0] = 1.0;
    let mut used = 1_usize;
    for votes in trials {
        let low = votes.iter().copied().min().unwrap_or(0);
        let shifts: Vec<usize> = votes.iter().map(|v| (u64::from(v - low) / step) as usize).collect();
        let reach = shifts.iter().copied().max().unwrap_or(0);
        if reach == 0 {
            continue;
        }
        let weight = 1.0 / votes.len() as f64;
        next[..used + reach].fill(0.0);
        for shift in shifts {
            for (cell, probability) in next[shift..shift + used].iter_mut().zip(&current[..used]) {
                *cell += probability * weight;
            }
        }
        used += reach;
        std::mem::swap(&mut current, &mut next);
    }
    Ok(Distribution { least, step, probabilities: current })
}

impl Distribution {
    /// Probability of at least `correct` right votes.
    pub fn upper(&self, correct: u64) -> f64 {
        let from = correct.saturating_sub(self.least).div_ceil(self.step) as usize;
        // Smallest terms first, so that none is lost.
        self.probabilities.get(from..).map_or(0.0, |tail| tail.iter().rev().sum::<f64>()).min(1.0)
    }

    /// Probability of exactly `correct` right votes.
    pub fn exactly(&self, correct: u64) -> f64 {
        match correct.checked_sub(self.least) {
            Some(above) if above % self.step == 0 => {
                self.probabilities.get((above / self.step) as usize).copied().unwrap_or(0.0)
            }
            _ => 0.0,
        }
    }

    /// Probability of at most `correct` right votes.
    pub fn lower(&self, correct: u64) -> f64 {
        let Some(above) = correct.checked_sub(self.least) else { return 0.0 };
        let to = ((above / self.step) as usize + 1).min(self.probabilities.len());
        self.probabilities[..to].iter().sum::<f64>().min(1.0)
    }

    /// Least number of right votes with an upper tail of at most `alpha`.
    pub fn critical(&self, alpha: f64) -> Option<u64> {
        let mut tail = 0.0;
        let mut found = None;
        for (index, probability) in self.probabilities.iter().enumerate().rev() {
            tail += probability;
            if !super::binomial::at_most(tail, alpha) {
                break;
            }
            if *probability > 0.0 {
                found = Some(self.least + index as u64 * self.step);
            }
        }
        found
    }
}

/// The room's exact pooled test.
///
/// # Errors
/// No votes, trials with a wrong number of alternatives, a right one that is none of them, alpha outside 0..1, or work
/// that would take minutes.
pub fn test(inquiry: impl Into<Inquiry>, trials: &[RoomTrial], alpha: f64) -> Result<RoomResult, StatsError> {
    let inquiry = inquiry.into();
    let protocol = inquiry.protocol;
    super::error::inside("alpha", alpha, 0.0, 1.0)?;
    let expected_alternatives = alternatives(protocol);
    let (mut correct, mut votes, mut with_votes) = (0_u64, 0_u64, 0_u64);
    let (mut mean, mut variance) = (0.0, 0.0);
    for (index, trial) in trials.iter().enumerate() {
        if trial.votes.len() != expected_alternatives || trial.right >= expected_alternatives {
            return Err(StatsError::Other(format!(
                "trial {} of the room has votes for {} alternatives and number {} right: {protocol} has \
                 {expected_alternatives}",
                index + 1,
                trial.votes.len(),
                trial.right + 1
            )));
        }
        let all: u64 = trial.votes.iter().map(|v| u64::from(*v)).sum();
        correct += u64::from(trial.votes[trial.right]);
        votes += all;
        with_votes += u64::from(all > 0);
        let average = all as f64 / expected_alternatives as f64;
        mean += average;
        variance += trial.votes.iter().map(|v| (f64::from(*v) - average).powi(2)).sum::<f64>()
            / expected_alternatives as f64;
    }
    if votes == 0 {
        return Err(StatsError::Other("nobody voted: there is nothing to pool".to_string()));
    }
    let cast: Vec<Vec<u32>> = trials.iter().map(|trial| trial.votes.clone()).collect();
    let distribution = distribution(&cast)?;
    let exactly = distribution.exactly(correct);
    let (p_value, mid_p, critical) = if inquiry.two_sided() {
        // With two alternatives the distribution is symmetric about its mean, half of all votes.
        let far = correct.max(votes - correct);
        let upper = distribution.upper(far);
        ((2.0 * upper).min(1.0), (2.0 * upper - exactly).min(1.0), None)
    } else {
        let upper = distribution.upper(correct);
        (upper, upper - 0.5 * exactly, distribution.critical(alpha))
    };
    Ok(RoomResult {
        correct,
        votes,
        trials: with_votes,
        expected: mean,
        standard_deviation: variance.sqrt(),
        p_value,
        mid_p,
        p_value_low: distribution.lower(correct),
        critical,
    })
}
