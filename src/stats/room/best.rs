//! The best of a room that shares its draws: how often draws alone make somebody do as well.
//!
//! Listeners who hear the same draws and answer alike win together or lose together, so the usual correction for the best
//! of m independent guessers does not hold. As in the pooled test, the answers are held as they were given and only the
//! draws are random: the probability is the share of all equally likely draws under which at least one listener's own
//! exact p-value is as small as the best one seen (the randomisation distribution of the least p-value, as in Westfall &
//! Young 1993, Resampling-Based Multiple Testing, 2.3). Every draw is counted where there are few enough; otherwise a
//! seeded sample of them, with its standard error.

use super::alternatives;
use crate::stats::binomial;
use crate::stats::protocol::Inquiry;
use crate::stats::simulate::{self, Generator};
use crate::stats::{StatsError, one};

/// Draws up to which all of them are counted.
const COUNTED_DRAWS: u64 = 1 << 18;
/// Draws of the sample where there are more.
const SAMPLED_DRAWS: u64 = 100_000;
/// Seed of the sample; fixed, so that everybody computes the same number.
const SEED: u64 = 0x00EA_0517;

/// How often the best of the room is at least as good by draws alone.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct BestOfRoom {
    /// Probability over the draws that at least one listener's p-value is at most the one asked for.
    pub p_value: f64,
    /// Standard error of that; 0 where every draw was counted.
    pub standard_error: f64,
    /// Number of draws that were looked at.
    pub draws: u64,
}

/// What a listener gave in one trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Vote {
    /// The alternative with this index.
    Chosen(usize),
    /// A vote that never came, which the session counts as wrong.
    CountedWrong,
    /// Nothing that counts.
    NotCounted,
}

/// One listener: for every alternative the trials, as bits, in which the listener chose it, and the least score that does
/// as well as the best.
struct Listener {
    chosen: Vec<Vec<u64>>,
    needed: u32,
}

/// The probability, over all draws, that at least one of these listeners reaches a p-value of `p_value` or less.
///
/// `answers[listener][trial]`: every listener has the same number of trials.
///
/// # Errors
/// No listeners, an alternative that the protocol does not have, lists of unequal length, preference (nobody is right).
pub fn best_of_room(
    inquiry: impl Into<Inquiry>,
    answers: &[Vec<Vote>],
    p_value: f64,
) -> Result<BestOfRoom, StatsError> {
    crate::stats::error::inside("p-value", p_value, 0.0, 1.0)?;
    let inquiry = inquiry.into();
    let protocol = inquiry.protocol;
    if inquiry.two_sided() {
        return Err(StatsError::Other(
            "a two-sided test, such as a preference, has no best listener: nobody is right".to_owned(),
        ));
    }
    let ways = alternatives(protocol);
    let trials = answers.first().map_or(0, Vec::len);
    if trials == 0 {
        return Err(StatsError::Other(
            "nobody answered a trial: there is no best listener of this room".to_owned(),
        ));
    }
    let mut listeners = Vec::new();
    for (index, given) in answers.iter().enumerate() {
        if given.len() != trials
            || given.iter().any(|vote| matches!(vote, Vote::Chosen(answer) if *answer >= ways))
        {
            return Err(StatsError::Other(format!(
                "listener {} has {} answers to {trials} trials, and each must be one of {ways} alternatives of {protocol}",
                index + 1,
                given.len()
            )));
        }
        let voted = given.iter().filter(|vote| **vote != Vote::NotCounted).count() as u64;
        let needed =
            (0..=voted).find(|&correct| binomial::at_most(one::p_value(protocol, correct, voted), p_value));
        // Whoever cannot reach it with any score cannot be the best.
        if let Some(needed) = needed {
            let mut chosen = vec![vec![0_u64; trials.div_ceil(64)]; ways];
            for (trial, vote) in given.iter().enumerate() {
                if let Vote::Chosen(answer) = vote {
                    chosen[*answer][trial / 64] |= 1 << (trial % 64);
                }
            }
            listeners.push(Listener { chosen, needed: needed as u32 });
        }
    }
    let all = (ways as u64).checked_pow(trials.try_into().unwrap_or(u32::MAX));
    Ok(match all {
        Some(all) if all <= COUNTED_DRAWS => {
            let reached = (0..all).filter(|&draw| reaches(&listeners, &numbered(draw, ways, trials))).count();
            BestOfRoom { p_value: reached as f64 / all as f64, standard_error: 0.0, draws: all }
        }
        _ => {
            let [sampled] = simulate::means(SAMPLED_DRAWS, SEED, |generator| {
                [f64::from(u8::from(reaches(&listeners, &drawn(generator, ways, trials))))]
            });
            BestOfRoom {
                p_value: sampled.value,
                standard_error: sampled.standard_error,
                draws: sampled.simulations,
            }
        }
    })
}

/// For every alternative the trials, as bits, in which it is right: the draw with this number, in base `ways`.
fn numbered(mut draw: u64, ways: usize, trials: usize) -> Vec<Vec<u64>> {
    let mut right = vec![vec![0; trials.div_ceil(64)]; ways];
    for trial in 0..trials {
        right[(draw % ways as u64) as usize][trial / 64] |= 1 << (trial % 64);
        draw /= ways as u64;
    }
    right
}

/// The same for a random draw.
fn drawn(generator: &mut Generator, ways: usize, trials: usize) -> Vec<Vec<u64>> {
    let mut right = vec![vec![0; trials.div_ceil(64)]; ways];
    for trial in 0..trials {
        let way = (generator.uniform() * ways as f64) as usize;
        right[way][trial / 64] |= 1 << (trial % 64);
    }
    right
}

fn reaches(listeners: &[Listener], right: &[Vec<u64>]) -> bool {
    listeners.iter().any(|listener| {
        let score: u32 = listener
            .chosen
            .iter()
            .zip(right)
            .flat_map(|(chosen, right)| chosen.iter().zip(right))
            .map(|(chosen, right)| (chosen & right).count_ones())
            .sum();
        score >= listener.needed
    })
}
